"""Which of several recordings in one table to read: the columns that tell them apart, and what there is to choose."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import counted
from sleepagree.mapping.languages import words_for_stages
from sleepagree.readers.json.records import KEY
from sleepagree.readers.layout import COLUMNS, DURATION_UNITS, Layout, Overlaps
from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen
from sleepagree.readers.proposing.layout_proposal import Choice, Setting, Why, values_of
from sleepagree.readers.rows import Rows
from sleepagree.readers.table.recordings import are_blocks, choosing_keys, telling_columns, tells_recordings
from sleepagree.readers.times.clock import DAY_US, SECOND_US, naive_datetime

_KEYS: Final = ("person", "night")
_FEWEST_ROWS: Final = 3
#: So many rows say of when the night began what the row before them says.
_STILL: Final = 0.9
_MOST_SHOWN: Final = 12
_MOSTLY: Final = 0.5
#: Times may start again with the next recording.
_MOST_FALLS: Final = 0.25


def one_recording(columns: Sequence[ColumnSeen], given: Layout) -> tuple[Rows, tuple[Setting, ...]]:
    """Return the rows of one recording, which stand for those of the others, and the lines of a layout that choose it.

    It is the longest, or the one that a layout chooses; all rows where there is but one.
    """
    rows = np.arange(columns[0].rows if columns else 0)
    named = {key: name for key in _KEYS if (name := getattr(given, f"{key}_column")) is not None}
    made: list[Setting] = []
    for key, name in named.items():
        column = next((c for c in columns if c.name == name), None)
        if column is None:
            continue
        if getattr(given, key) is None and column.distinct > 1:
            made.append(Setting(key, None, Why.SEVERAL_PEOPLE, _choices(column, None)))
        rows = rows[_of_one(column, rows, getattr(given, key))]
    if len(named) < len(_KEYS):
        for times, values in _counting(columns, given):
            told = _telling(columns, values, rows, given)
            if told and (lines := choosing_lines(told, times, tuple(named))):
                return rows_of_one(rows, told), (*made, *lines)
    return rows, tuple(made)


def people_lines(columns: Sequence[ColumnSeen], starts: NDArray[Any]) -> list[Setting]:
    """Return the lines about whose rows to read, where times of one person alone follow each other."""
    told = _telling(columns, starts, np.arange(starts.size), Layout())
    return list(choosing_lines(told, None, ()))


def rows_of_one(rows: Rows, columns: Sequence[ColumnSeen]) -> Rows:
    """Return those of rows that are of the longest recording that columns tell apart; all where there is no column."""
    for column in columns:
        rows = rows[_of_one(column, rows, None)]
    return rows


def choosing_lines(told: Sequence[ColumnSeen], times: ColumnSeen | None, taken: Sequence[str]) -> tuple[Setting, ...]:
    """Return the lines that choose by columns, each with a blank for its value; none for more than there are keys."""
    keys = choosing_keys([column.values for column in told]) if told else ()
    if taken:
        keys = tuple(key for key in _KEYS if key not in taken)
    if len(keys) != len(told):
        return ()
    return tuple(
        line
        for key, column in zip(keys, told, strict=True)
        for line in (
            Setting(f"{key}_column", column.name, Why.SEVERAL_PEOPLE),
            Setting(key, None, Why.SEVERAL_PEOPLE, _choices(column, times)),
        )
    )


def layers_together(made: Sequence[Setting], columns: Sequence[ColumnSeen]) -> list[Setting]:
    """Return lines that read all lists of JSON as one recording where rows of the others lie over those of one."""
    named = [s for s in made if s.key in ("person_column", "night_column")]
    spans = _spans_of(values_of(made), columns)
    keys = next((np.array(column.cells) for column in columns if column.name == KEY), None)
    if len(named) != 1 or named[0].value != KEY or keys is None or spans is None or not _are_layers(keys, *spans):
        return list(made)
    kept = [s for s in made if s.key not in (named[0].key, named[0].key.removesuffix("_column"), "overlaps")]
    other = replace(named[0], why=Why.OR_PEOPLE)
    return [*kept, Setting("overlaps", Overlaps.SHORTER_WINS, Why.LAYERS), other]


def _spans_of(told: dict[str, Any], columns: Sequence[ColumnSeen]) -> tuple[NDArray[Any], NDArray[Any]] | None:
    """Return when rows begin and end; None where columns do not tell both."""
    by_name = {column.name: column for column in columns}
    start, end, lasts = (by_name.get(told.get(key) or "") for key in ("start", "end", "duration"))
    if start is None or not start.readings:
        return None
    if end is not None and end.readings:
        return start.us, end.us
    unit = 1.0 if told.get("duration_unit") is None else DURATION_UNITS.get(told["duration_unit"], 0.0)
    if lasts is None or not (lasts.kind.is_numeric or lasts.kind is ColumnKind.LENGTHS):
        return None
    return start.us, start.us + lasts.numbers * unit * SECOND_US


def _are_layers(keys: NDArray[Any], begins: NDArray[Any], ends: NDArray[Any]) -> bool:
    """Whether rows of one key follow each other, and shorter ones of the others stand apart within its time."""
    lasting = {key: float((ends - begins)[keys == key].sum()) for key in np.unique(keys)}
    longest = max(lasting, key=lambda key: lasting[key])
    below = keys == longest
    is_within = begins.min() >= begins[below].min() and ends.max() <= ends[below].max()
    are_short = sum(lasting.values()) < 2 * lasting[longest]
    apart = [key for key in lasting if not _run_on(begins[keys == key], ends[keys == key])]
    return bool(is_within and are_short and len(apart) == len(lasting) - 1 and longest not in apart)


def _run_on(begins: NDArray[Any], ends: NDArray[Any]) -> bool:
    """Whether most rows begin where the one before them ends."""
    order = np.argsort(begins, kind="stable")
    return bool((np.abs(begins[order][1:] - ends[order][:-1]) <= SECOND_US).mean() >= _MOSTLY)


def with_beginnings(made: Sequence[Setting], columns: Sequence[ColumnSeen]) -> tuple[Setting, ...]:
    """Return lines of which a blank beginning shows the moments or dates that stay for a night, and for which one."""
    chosen = [s.value for s in made if s.key in ("person_column", "night_column")]
    telling = [column for column in columns if column.name in chosen]
    shown: dict[str, None] = {}
    for column in columns:
        is_date = column.kind is ColumnKind.DATES and _stands_still(np.unique(column.cells, return_inverse=True)[1])
        if not is_date and (column.kind is not ColumnKind.MOMENTS or column.rows < 2 or not stands_still(column)):
            continue
        for row, cell in enumerate(column.cells):
            is_told = not is_date and len(column.readings) == 1
            moment = naive_datetime(int(column.us[row])).isoformat() if is_told else cell
            of = " and ".join(f"{c.name} is {c.cells[row]}" for c in telling if c is not column)
            shown.setdefault(f"{column.name} = {moment}" + (f" where {of}" if of else ""))
    told = tuple(shown)[:_MOST_SHOWN]
    return tuple(replace(s, shown=told) if s.key == "begins" and s.value is None and told else s for s in made)


def stands_still(column: ColumnSeen) -> bool:
    """Whether a column of moments says the same in row after row, as when a night began."""
    return _stands_still(column.us)


def _stands_still(values: NDArray[Any]) -> bool:
    return values.size > 1 and float((np.diff(values) == 0).mean()) >= _STILL


def _choices(column: ColumnSeen, times: ColumnSeen | None) -> tuple[Choice, ...]:
    """Return the values of a column, each with its number of rows and the first and the last time among them."""
    out = []
    for value in column.values:
        rows = [row for row, cell in enumerate(column.cells) if cell == value]
        when = f"with {counted(len(rows), 'row')}"
        if times is not None:
            when += f" from {times.cells[rows[0]]} to {times.cells[rows[-1]]}"
        out.append(Choice(value, when))
    return tuple(out)


def _of_one(column: ColumnSeen, rows: Rows, value: str | None) -> NDArray[np.bool_]:
    """Return which rows hold a value, the commonest among them where none is told."""
    cells = np.array(column.cells)[rows]
    if value is None or value not in cells:
        values, counts = np.unique(cells, return_counts=True)
        value = str(values[counts.argmax()])
    held: NDArray[np.bool_] = cells == value
    return held


def _counting(columns: Sequence[ColumnSeen], given: Layout) -> Iterator[tuple[ColumnSeen, NDArray[Any]]]:
    """Yield the columns whose values rise from row to row and start again now and then."""
    told = {getattr(given, key) for key in COLUMNS} - {None}
    wanted = {given.start, given.epoch_number} - {None}
    has_dates = any(column.kind is ColumnKind.DATES for column in columns)
    for column in columns:
        if column.name not in (wanted or {column.name} - told):
            continue
        if column.kind is ColumnKind.TIMES_OF_DAY and not has_dates:
            values: NDArray[Any] = (column.us + DAY_US // 2) % DAY_US  # a night passes midnight
        elif column.kind in (ColumnKind.MOMENTS, ColumnKind.NUMBERS, ColumnKind.CODES):
            values = column.us if column.readings else column.numbers
        else:
            continue
        steps = np.diff(values)
        if steps.size and min((steps < 0).mean(), (steps > 0).mean()) <= _MOST_FALLS:
            yield column, values


def _telling(columns: Sequence[ColumnSeen], values: NDArray[Any], rows: Rows, given: Layout) -> list[ColumnSeen]:
    told = {getattr(given, key) for key in COLUMNS}
    able = [(i, c) for i, c in enumerate(columns) if c.name not in told and not _names_stages(c)]
    cells = {i: [c.cells[row] for row in rows] for i, c in able}
    return [columns[i] for i in telling_columns(cells, values[rows], fewest=_FEWEST_ROWS)]


def _names_stages(column: ColumnSeen) -> bool:
    """Whether a column holds words for stages, or keys of JSON that may be codes of them."""
    if column.kind is ColumnKind.WORDS:
        return bool(words_for_stages(column.values))
    return column.name == KEY and column.kind is ColumnKind.CODES


def _names_lists(column: ColumnSeen) -> bool:
    """Whether a column holds the names that several lists of JSON stand under: those of nights, not of stages."""
    if column.name != KEY or column.distinct < 2 or words_for_stages(column.values):
        return False
    return are_blocks(column.cells) and min(Counter(column.cells).values()) >= _FEWEST_ROWS


def night_of_blocks(columns: Sequence[ColumnSeen], stage: ColumnSeen) -> tuple[Setting, ...]:
    """Return the lines that choose one of several recordings whose rows tell no times.

    Their blocks are long, or lists under names of their own in JSON, or rows that always say something new do not where
    one ends.
    """
    alike = {row for row, (a, b) in enumerate(pairwise(stage.cells)) if a == b}

    def ends_where_alike(column: ColumnSeen) -> bool:
        cells = column.cells
        return (
            column.kind is ColumnKind.CODES and are_blocks(cells) and all(cells[row] != cells[row + 1] for row in alike)
        )

    for column in columns:
        is_told = tells_recordings(column.name, column.cells) or _names_lists(column)
        if is_told or (alike and ends_where_alike(column)):
            named, asked = choosing_lines([column], None, ())
            return replace(named, why=Why.LONG_BLOCKS), asked
    return ()
