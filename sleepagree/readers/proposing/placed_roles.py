"""A table that stands somewhere in a file, what its columns are taken for, and what stands beside its rows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final, NamedTuple

from sleepagree.errors import SleepAgreeError
from sleepagree.readers.any_file import whole_table
from sleepagree.readers.columns import are_minutes_of_an_hour, times_of_columns, told_unit
from sleepagree.readers.json.beside import iso_moment, one_night, parts_of
from sleepagree.readers.layout import Layout, Shape, layout_of, told_values
from sleepagree.readers.proposing.column_kinds import ColumnKind, see_column
from sleepagree.readers.proposing.column_roles import Found, find_roles
from sleepagree.readers.proposing.epoch_lengths import from_to
from sleepagree.readers.proposing.layout_proposal import Choice, Setting, Why, values_of
from sleepagree.readers.proposing.table_place import foot_apart, foot_text, text_of_foot
from sleepagree.readers.table.shapes import hours_column, turned
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.words import NUMBER, read_length, seconds_of_unit

# --- names and values beside the rows: how long an epoch lasts, and when a night began ----------------------

#: Names that tell the length of an epoch, in languages that share the word or say step or interval.
_EPOCH: Final = re.compile(r"[eé]p[oóòõ](?:c|k|h|q|que)|эпох|епох|εποχ|エポック|interval|step", re.IGNORECASE)
_BEGINNING: Final = re.compile(r"\b(?:start(?:s|ed)?|beg[aiu]ns?|beginning|onset)\b", re.IGNORECASE)
_DATE: Final = r"\d{1,4}[-./年] ?\d{1,2}[-./月] ?\d{1,4}[日.]?"
_WHEN: Final = re.compile(
    rf"{_DATE}(?!\d)|(?<![\d:])\d{{1,2}}[:：]\d\d(?![\d:]*\s*(?:min|h))(?::\d\d)?(?:Z|[+-]\d\d:\d\d|\s?[AaPp]\.?[Mm]\b\.?)?",
    re.ASCII,
)
_BEFORE_NUMBER: Final = re.compile(r"\D*")
_LETTER: Final = re.compile(r"[^\W\d]")
#: What may part a name from its value, read from the end of what stands before it.
_PARTING: Final = re.compile(r"[\s:：=;,|\"']*")
_MARKS: Final = "# \t\"';,|"
_LONGEST_S: Final = 600.0
#: Lengths that epochs have, where no name says that it is one's.
_USUAL_S: Final = (10.0, 15.0, 20.0, 30.0, 60.0)
_MOST: Final = 200


class Beside(NamedTuple):
    """A name beside the rows, and the text or number that it has."""

    name: str
    value: str
    is_marked: bool = True  #: whether a mark such as a colon parts them: other words may name a person

    @property
    def text(self) -> str:
        """What is shown of them."""
        return f"{self.name} = {self.value}" if self.is_marked else self.value


class LengthTold(NamedTuple):
    """A length that may be an epoch's: what tells it, in seconds, and whether its name says that it is one."""

    told: Beside
    seconds: float
    is_named: bool


def of_lines(lines: Sequence[str]) -> tuple[Beside, ...]:
    """Return the words in lines above or below a table that a number follows, each with what begins with it."""
    return tuple(dict.fromkeys(filter(None, (_value_in(line.strip(_MARKS)) for line in lines[:_MOST]))))


def _value_in(line: str) -> Beside | None:
    """Return the words at the head of a line and what begins with its first number, None where one is missing.

    Step by step: one pattern for all of it would try a long line at every place where they may part.
    """
    head = _begin(_BEFORE_NUMBER, line)
    parting = _begin(_PARTING, head[::-1])
    name, value = head[: len(head) - len(parting)], line[len(head) :]
    if not value or "\n" in value or not _LETTER.search(name):
        return None
    return Beside(name, value, bool(parting.strip()))


def _begin(pattern: re.Pattern[str], text: str) -> str:
    match = pattern.match(text)
    return match[0] if match else ""


def of_document(document: Any, path: str) -> tuple[Beside, ...]:
    """Return the names and values of the fields beside the rows at a path in a JSON document."""
    fields = [(name, value) for name, value in parts_of(one_night(document, path)) if name and name != path]
    units = {name: value for name, value in fields if name.endswith(".unit") and isinstance(value, str)}
    return tuple(
        Beside(stem if unit else name, f"{value} {unit}".strip())
        for name, value in fields[:_MOST]
        if isinstance(value, str | int | float) and not isinstance(value, bool) and name not in units
        for stem in [name.removesuffix(".value")]
        for unit in [units.get(f"{stem}.unit", "") if stem != name else ""]
    )


def lengths_told(beside: Sequence[Beside]) -> tuple[LengthTold, ...]:
    """Return the lengths among values that may be those of an epoch."""
    found = []
    for told in beside:
        seconds = _seconds(told)
        is_named = _EPOCH.search(told.name) is not None
        if seconds is not None and (1 <= seconds <= _LONGEST_S if is_named else seconds in _USUAL_S):
            found.append(LengthTold(told, seconds, is_named))
    return tuple(found)


def _seconds(told: Beside) -> float | None:
    """Return the seconds of a value whose own unit, or that of its name, is known."""
    if not NUMBER.fullmatch(told.value):
        return read_length(told.value)
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", told.name.rpartition(".")[2])
    words = re.findall(r"[^\W\d_]+", name)
    unit = told_unit(name) or next(filter(None, map(seconds_of_unit, words)), None)
    return None if unit is None else _as_number(told.value) * unit


def may_be_lengths(beside: Sequence[Beside]) -> tuple[Beside, ...]:
    """Return the numbers that an epoch often lasts in seconds, of whatever name: nothing tells that it does."""
    return tuple(told for told in beside if NUMBER.fullmatch(told.value) and _as_number(told.value) in _USUAL_S)


def _as_number(text: str) -> float:
    return float(text.replace(",", "."))


def moments_told(beside: Sequence[Beside]) -> tuple[Beside, ...]:
    """Return the values with a date or a time of day in them, without what stands about those."""
    found = []
    for told in beside:
        if matches := list(_WHEN.finditer(told.value)):
            found.append(told._replace(value=told.value[matches[0].start() : matches[-1].end()]))
    return tuple(found)


def begun(beside: Sequence[Beside]) -> Beside | None:
    """Return the one moment in ISO 8601 whose name says that it is a beginning; None where none or several are."""
    moments = [(told, iso_moment(told.value)) for told in beside if _BEGINNING.search(told.name)]
    named = [told._replace(value=moment) for told, moment in moments if moment]
    return named[0] if len({told.value for told in named}) == 1 else None


# --- a table that stands somewhere --------------------------------------------------------------------------

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
    made = [*settings, Setting("shape", Shape.ACROSS, Why.ACROSS)]
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
    settings: Sequence[Setting], beside: Sequence[Beside], dates: Sequence[str] = (), spans: Sequence[Setting] = ()
) -> tuple[Setting, ...]:
    """Return lines with what stands beside the rows: times and dates at the blank of the beginning, and an epoch.

    ``spans`` are lines by moments between which the rows lie.
    """
    moments = [told.text for told in moments_told(beside)]
    dates = [day for day in dates if not any(day in moment for moment in moments)]
    made = []
    for setting in settings:
        if setting.key == "begins" and setting.value is None:
            shown = [text for text in (*moments, *dates) if text not in setting.shown][:_MOST_DATES]
            made.append(replace(setting, shown=(*setting.shown, *shown)))
        elif setting.key == "epoch_seconds" and setting.why in (Why.USUAL, Why.UNTOLD, Why.LENGTH_IN_NAME):
            made.append(_with_length(setting, beside, spans))
        else:
            made.append(setting)
    return tuple(made)


def _with_length(setting: Setting, beside: Sequence[Beside], spans: Sequence[Setting]) -> Setting:
    """Return the line about an epoch as what stands beside the rows tells it, blank where that tells several.

    A length that no name says to be an epoch's leaves a blank where it differs from the usual one.
    """
    lengths = lengths_told(beside)
    anchors = [
        Setting("epoch_seconds", length.seconds, Why.ANCHOR, shown=(length.told.text,))
        for length in lengths
        if length.is_named
    ]
    told = [*([setting] if setting.why is Why.LENGTH_IN_NAME else []), *anchors, *spans]
    values = dict.fromkeys(line.value for line in told)
    if len(values) == 1:
        return told[0]
    usual = [value for value in (setting.value, *(other.value for other in setting.others)) if value is not None]
    if values:
        texts = tuple(" - ".join(line.shown) for line in told)
    elif any(length.seconds != setting.value for length in lengths):
        values, texts = dict.fromkeys(length.seconds for length in lengths), tuple(x.told.text for x in lengths)
    else:
        return replace(setting, shown=tuple(one.text for one in may_be_lengths(beside)))
    return Setting("epoch_seconds", None, Why.UNTOLD, tuple(map(Choice, dict.fromkeys((*values, *usual)))), texts)


def spans_told(found: Found, moments: Sequence[tuple[str, str]]) -> tuple[Setting, ...]:
    """Return lines about the length of an epoch by moments between which all rows lie, if these are alike."""
    if not {"duration", "night_column", "person_column"}.isdisjoint(found.told):
        return ()
    return from_to(moments, sum(label.rows for label in found.labels))


def is_heading(line: str) -> bool:
    """Whether a line alone tells the length of an epoch or a moment in ISO 8601, and so names no column."""
    beside = of_lines([line])
    return any(length.is_named for length in lengths_told(beside)) or bool(iso_moments(beside))


def iso_moments(beside: Sequence[Beside]) -> list[tuple[str, str]]:
    """Return the names and moments of values in ISO 8601."""
    moments = [(told.name, iso_moment(told.value)) for told in beside]
    return [(name, moment) for name, moment in moments if moment]
