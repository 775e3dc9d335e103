"""A table that stands somewhere in a file, what its columns are taken for, and what stands beside its rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

from sleepagree.errors import SleepAgreeError
from sleepagree.readers.any_file import whole_table
from sleepagree.readers.columns import are_minutes_of_an_hour, times_of_columns
from sleepagree.readers.layout import Layout, Shape, layout_of, told_values
from sleepagree.readers.proposing.beside_rows import Beside, lengths_told, may_be_lengths, moments_told
from sleepagree.readers.proposing.column_kinds import ColumnKind, see_column
from sleepagree.readers.proposing.column_roles import Found, find_roles
from sleepagree.readers.proposing.layout_proposal import Choice, Setting, Why, values_of
from sleepagree.readers.proposing.table_parts import foot_apart, foot_text, text_of_foot
from sleepagree.readers.table.shapes import hours_column, turned
from sleepagree.readers.table.table import Table

_MOST_DATES: Final = 12
#: Lines of a layout that say where a table stands.
_PLACE: Final = ("delimiter", "encoding", "skip_lines", "header", "records", "sheet", "foot")


def taken_apart(values: dict[str, Any]) -> list[Setting]:
    """Return the lines that say where a table stands."""
    return [Setting(key, value, Why.TAKEN_APART) for key, value in values.items()]


def roles_of(path: str, settings: Sequence[Setting], given: Layout) -> Found | None:
    """Return what the columns of a table are taken for that stands somewhere; None where none stands there."""
    table = placed_table(path, settings, given)
    return None if table is None else _roles_across(table, settings, given)


def placed_table(path: str, settings: Sequence[Setting], given: Layout) -> Table | None:
    """Return the table that stands where lines and a layout say, None where none does."""
    layout = placed_layout(given, values_of(settings))
    try:
        return whole_table(path, layout)
    except SleepAgreeError:
        return None


def _roles_across(table: Table, settings: Sequence[Setting], given: Layout) -> Found | None:
    """Return what the columns of a table are taken for, of one whose columns run across those it has when turned."""
    is_named = given.header and "header" not in values_of(settings)
    if not (is_named and _runs_across(table)):
        return find_roles(table, list(settings), given)
    if table.origin.reader == "json":
        return None  # each night is a list of its own there, which a path names
    made = [*settings, Setting("shape", Shape.ACROSS.value, Why.ACROSS)]
    return find_roles(turned(table), made, replace(given, shape=Shape.EPOCHS))


def _runs_across(table: Table) -> bool:
    """Whether each row is a night or an hour: columns at even times hold the same few words or codes."""
    times = times_of_columns(table.names)
    cells = [cell for time in times for cell in table.cells(time.position) if cell]
    is_told = not are_minutes_of_an_hour(times) or hours_column(table, times) is not None
    return is_told and bool(cells) and see_column("", cells).kind in (ColumnKind.WORDS, ColumnKind.CODES)


def footed_roles(path: str, settings: Sequence[Setting], given: Layout) -> Found | None:
    """Return the same for a table that may have lines below it, which are left out."""
    settings, table = list(settings), placed_table(path, settings, given)
    if table is not None and given.foot is None and (foot := foot_text(table)):
        settings = [*(s for s in settings if s.key != "foot"), Setting("foot", foot, Why.BELOW)]
        table = placed_table(path, settings, given)
    found = None if table is None else _roles_across(table, settings, given)
    if table is None or found is None or given.foot is not None:
        return found
    if "stage_columns" not in found.told or "foot" in found.told:
        return found
    _, below = foot_apart(table)  # sums of marks have no label that could say that they are no stages
    cells = [below.cells(i)[0] for i in sorted(below.columns)] if below.places.numbers else []
    if not any(cells):
        return found
    settings = [*settings, Setting("foot", text_of_foot(cells), Why.BELOW)]
    table = placed_table(path, settings, given)
    return found if table is None else _roles_across(table, settings, given)


def placed_layout(given: Layout, values: dict[str, Any]) -> Layout:
    """Return the layout that tells where a table stands: as found, or as given."""
    told = {key: value for key, value in told_values(given).items() if key in _PLACE}
    return layout_of(values | told, {})


def with_beside(
    settings: Sequence[Setting], beside: Sequence[Beside], dates: Sequence[str] = ()
) -> tuple[Setting, ...]:
    """Return lines with what stands beside the rows: times and dates at the blank of the beginning, and an epoch.

    A length that no name says to be an epoch's leaves a blank where it differs from the usual one.
    """
    moments = [told.text for told in moments_told(beside)]
    dates = [day for day in dates if not any(day in moment for moment in moments)]
    lengths = lengths_told(beside)
    named = [length for length in lengths if length.is_named]
    made = []
    for setting in settings:
        if setting.key == "begins" and setting.value is None:
            shown = [text for text in (*moments, *dates) if text not in setting.shown][:_MOST_DATES]
            made.append(replace(setting, shown=(*setting.shown, *shown)))
        elif setting.key != "epoch_seconds" or setting.why is not Why.USUAL:
            made.append(setting)
        elif len({length.seconds for length in named}) == 1:
            made.append(Setting("epoch_seconds", named[0].seconds, Why.ANCHOR, shown=(named[0].told.text,)))
        elif any(length.seconds != setting.value for length in lengths):
            others = [other.value for other in setting.others]
            values = dict.fromkeys((*(length.seconds for length in lengths), setting.value, *others))
            texts = tuple(length.told.text for length in lengths)
            made.append(Setting("epoch_seconds", None, Why.UNTOLD, tuple(map(Choice, values)), texts))
        else:
            made.append(replace(setting, shown=tuple(told.text for told in may_be_lengths(beside))))
    return tuple(made)
