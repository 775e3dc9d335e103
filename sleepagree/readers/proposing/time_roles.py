"""When the rows of a table begin and how long they last: which columns tell it, how; and what could not be decided."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError
from sleepagree.mapping.languages import word_for
from sleepagree.mapping.words import NOT_A_STAGE
from sleepagree.readers.columns import marks_in_name, plain_columns, told_unit
from sleepagree.readers.layout import DURATION_UNITS, ELAPSED_UNITS, Marks, Shape, TimeForm, strptime_has_half_days
from sleepagree.readers.proposing.column_kinds import (
    ColumnKind,
    ColumnSeen,
    TimeReading,
    elapsed_forms,
    elapsed_us,
    read_every_way,
    see_column,
)
from sleepagree.readers.proposing.layout_proposal import Choice, Setting, Why, choices_of, values_of
from sleepagree.readers.proposing.recording_roles import choosing_lines, rows_of_one, stands_still
from sleepagree.readers.rows import Rows, lights_mark
from sleepagree.readers.table.lengths import settle_inclusive_ends
from sleepagree.readers.table.recordings import are_blocks
from sleepagree.readers.table.unused import mostly_fill
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Microseconds
from sleepagree.readers.times.nights import runs_backwards
from sleepagree.readers.times.words import read_length

#: Kinds of numbers that may count from the start of a recording.
_ELAPSED: Final = (ColumnKind.NUMBERS, ColumnKind.COUNT)
_FEWEST_CHANGES: Final = 5
_NEARLY_ALWAYS: Final = 0.9


def time_settings(columns: Sequence[ColumnSeen]) -> tuple[list[Setting], Microseconds | None]:
    """Return the lines about when rows begin, and when they do; None where no column tells."""
    moments = [c for c in columns if c.kind is ColumnKind.MOMENTS and c.distinct > 1]
    if any(map(elapsed_forms, (c for c in columns if c.kind is ColumnKind.NUMBERS))):
        moments = [c for c in moments if not stands_still(c)]  # when a night began, beside times since then
    else:
        moments = [c for c in moments if not stands_still(c)] or moments  # when rows were written, all at once
    if moments:
        start, line = _beginnings(moments)
        made = [line]
        made += form_settings(start.readings)
        made += zone_settings(columns, start.readings[0])
        made += [Setting("begins", None, Why.UNTOLD)] if start.readings[0].times.clock is Clock.ELAPSED else []
        return made, start.us
    if days := [c for c in columns if c.kind is ColumnKind.TIMES_OF_DAY and c.distinct > 1]:
        day, line = _beginnings(days)
        if dates := [c for c in columns if c.kind is ColumnKind.DATES]:
            return _dated(columns, dates, day, line)
        made = [line]
        half = next((c for c in columns if c.kind is ColumnKind.HALVES), None)
        joined = [] if half is None else [f"{a} {b}" for a, b in zip(day.cells, half.cells, strict=True)]
        reading, *_ = read_every_way(joined) or day.readings
        form, us = reading.form, reading.times.us
        if half is not None and form and "%p" in form:
            made.append(Setting("am_pm", half.name, Why.ONLY))
        if us[0] == 0 and all(read_length(cell) is not None for cell in day.values):
            made.append(Setting("time", TimeForm.ELAPSED_S.value, Why.FROM_ZERO, (Choice(TimeForm.ISO.value),)))
            return [*made, Setting("begins", None, Why.UNTOLD)], us
        made += [Setting("time", form, Why.ONE_FORM)] if form else []
        return [*made, Setting("begins", None, Why.UNTOLD)], _turned_on(us, form)
    elapsed = {c.name: forms for c in columns if c.kind in _ELAPSED and (forms := elapsed_forms(c))}
    if elapsed:
        column, line = _beginnings([c for c in columns if c.name in elapsed], lambda c: elapsed[c.name][0].value)
        form, *others = elapsed[column.name]
        made = [line, Setting("time", form.value, Why.AS_LONG, tuple(Choice(f.value) for f in others))]
        return [*made, Setting("begins", None, Why.UNTOLD)], elapsed_us(column, form)
    return [], None


def _beginnings(
    columns: Sequence[ColumnSeen], form_of: Callable[[ColumnSeen], str | None] = lambda column: column.readings[0].form
) -> tuple[ColumnSeen, Setting]:
    """Return the column of beginnings, which is one that another follows as its ends, else the first; and its line."""

    def pair(start: ColumnSeen, end: ColumnSeen) -> bool:
        if marks_in_name(start.name) is not None:
            return False
        form = form_of(start)
        us = start.us if start.readings else elapsed_us(start, TimeForm(form or ""))
        us = _turned_on(us, form) if start.kind is ColumnKind.TIMES_OF_DAY else us
        ends = ends_in(end, us, form)
        is_alike = not start.readings or start.readings[0].times.clock is end.readings[0].times.clock
        return is_alike and ends is not None and are_ends(us, ends)

    start = next((a for a in columns if any(pair(a, b) for b in columns if b is not a)), columns[0])
    others = choices_of(c for c in columns if c is not start and not pair(start, c))
    return start, Setting("start", start.name, Why.FIRST if others else Why.ONLY, others)


def _turned_on(us: Microseconds, form: str | None) -> Microseconds:
    """Return times of a clock as they follow each other, on later days where it begins again."""
    on: Microseconds = us + np.cumsum(np.diff(us, prepend=us[0]) < 0) * turn_of(form)
    return on


def ends_in(column: ColumnSeen, starts: Microseconds, form: str | None) -> Microseconds | None:
    """Return the times of a column as ends of rows whose beginnings are told in a form; None where it cannot be."""
    if column.kind is ColumnKind.TIMES_OF_DAY:
        return starts + (column.us - starts) % turn_of(form)
    if column.kind is ColumnKind.MOMENTS:
        return column.us
    unit = TimeForm(form) if form is not None and form in ELAPSED_UNITS else None
    return elapsed_us(column, unit) if unit is not None and column.kind in _ELAPSED else None


def are_ends(starts: Microseconds, ends: Microseconds) -> bool:
    """Whether rows end at some times: none before it begins, most later, and most before the next begins."""
    is_later = bool((starts <= ends + SECOND_US).all() and (starts < ends).mean() > 0.5)
    overlaps = np.count_nonzero(ends[:-1] > starts[1:] + SECOND_US)
    return is_later and 2 * int(overlaps) < max(1, len(starts) - 1)


def turn_of(form: str | None) -> int:
    """Return the microseconds after which a clock in a form shows the same again."""
    return DAY_US // 2 if form and strptime_has_half_days(form) else DAY_US


def form_settings(readings: Sequence[TimeReading]) -> list[Setting]:
    """Return the line about the form of times; both forms where no row tells which."""
    if len(readings) > 1:
        return [Setting("time", None, Why.TWO_FORMS, tuple(Choice(r.form, r.when) for r in readings))]
    return [Setting("time", readings[0].form, Why.ONE_FORM)] if readings[0].form else []


def _dated(
    columns: Sequence[ColumnSeen], dates: Sequence[ColumnSeen], day: ColumnSeen, line: Setting
) -> tuple[list[Setting], Microseconds | None]:
    """Return the lines about dates and times of day in columns of their own, ``line`` that about the latter."""
    date = dates[0]
    half = next((c for c in columns if c.kind is ColumnKind.HALVES), None)
    made = [line, Setting("date", date.name, Why.ONLY if len(dates) == 1 else Why.FIRST, choices_of(dates[1:]))]
    if date.readings:  # both are times by the file's own types
        readings: tuple[TimeReading, ...] = ()
        us = date.us + day.us
    else:
        ends = [""] * date.rows if half is None else [f" {cell}" for cell in half.cells]
        joined = [f"{a} {b}{c}" for a, b, c in zip(date.cells, day.cells, ends, strict=True)]
        readings = read_every_way(joined)
        if not readings:
            return [*made, _form_to_tell(joined)], None
        us = readings[0].times.us
        made += form_settings(readings)
    if half is not None:
        made.append(Setting("am_pm", half.name, Why.ONLY))
    if (np.diff(us) < -DAY_US // 2).any():
        both = (
            Choice("wake-day", "if the date is that of waking up"),
            Choice("bed-day", "if it is that of going to bed"),
        )
        made.append(Setting("night_of", None, Why.DATE_STAYS, both))
        us = us + DAY_US * (us % DAY_US < DAY_US // 2)  # as the rows follow each other in either case
    return [*made, *zone_settings(columns, readings[0] if readings else day.readings[0])], us


def unread_times(columns: Sequence[ColumnSeen], unread: Sequence[ColumnSeen], stage: ColumnSeen) -> list[Setting]:
    """Return the lines about times that no form reads: rows beside them are never counted."""
    start, *others = unread
    made = [Setting("start", start.name, Why.FIRST if others else Why.ONLY, choices_of(others))]
    cells = start.cells
    if dates := [c for c in columns if c.kind is ColumnKind.DATES]:
        made.append(Setting("date", dates[0].name, Why.FIRST if len(dates) > 1 else Why.ONLY))
        cells = tuple(f"{day} {cell}" for day, cell in zip(dates[0].cells, cells, strict=True))
    made.append(_form_to_tell(cells))
    # no file with a row an epoch has so many rows that differ from the one before
    is_changing = len(stage.cells) > _FEWEST_CHANGES and always_differs(stage)
    return [*made, Setting("shape", Shape.INTERVALS, Why.CHANGES)] if is_changing else made


def _form_to_tell(cells: Sequence[str]) -> Setting:
    """Return the blank for the form of times, with the first and the last of them."""
    shown = tuple(dict.fromkeys(cell for cell in (cells[0], cells[-1]) if cell.strip()))
    return Setting("time", None, Why.UNREAD, shown=shown)


def nearly_always_differs(stage: ColumnSeen) -> bool:
    """Whether of many rows nearly all say another stage than the one before: some go on after a gap."""
    cells = stage.cells
    changes = sum(a != b for a, b in pairwise(cells))
    return len(cells) > _FEWEST_CHANGES and changes >= _NEARLY_ALWAYS * (len(cells) - 1)


def always_differs(stage: ColumnSeen) -> bool:
    """Whether no row says what the row before it says."""
    return all(a != b for a, b in pairwise(stage.cells))


def zone_settings(columns: Sequence[ColumnSeen], reading: TimeReading) -> list[Setting]:
    """Return the line about a column of zones beside times on a clock, none where there is none."""
    zones = [c for c in columns if c.kind is ColumnKind.ZONES]
    if not zones or reading.times.clock not in (Clock.LOCAL, Clock.DAY):
        return []
    return [Setting("zone_column", zones[0].name, Why.ONLY)]


# --- how long rows last -------------------------------------------------------------------------------------

_MOST_ALIKE: Final = 20
#: A few lengths may pass the next row, where a clock was set; where rows have gaps, some lead to it all the same.
_NEARLY_ALL: Final = 0.8
_ENOUGH: Final = 0.4


def _lengths(
    columns: Sequence[ColumnSeen], starts: Microseconds, stage: ColumnSeen, timed: Sequence[Setting]
) -> list[Setting]:
    """Return the lines about how long rows last."""
    told = values_of(timed)
    rows = np.array([i for i, cell in enumerate(stage.cells) if not _is_mark(cell)], np.intp)
    marks = marks_in_name(told["start"])
    for column in (c for c in columns if c.name != told["start"] and marks is None):
        ends = ends_in(column, starts, told.get("time"))
        if ends is not None and are_ends(starts, ends):
            return [Setting("end", column.name, Why.FOLLOWS), *_ends_to_tell(starts[rows], ends[rows])]
    steps = np.diff(starts) / SECOND_US
    if steps.size == 0 or np.unique(steps).size == 1:
        return []
    for column in columns:
        if tells_lengths(column, stage):
            return [Setting("duration", column.name, Why.UNITS_TOLD)]
        if column.kind in (ColumnKind.NUMBERS, ColumnKind.CODES) and (
            unit := _unit_of_lengths(column, steps, slice(1, None) if marks is Marks.END else slice(-1))
        ):
            return [Setting("duration", column.name, unit.why if unit.value else Why.NAME_TELLS), unit]
    staged = stage.taking(rows)
    if (always_differs(staged) or nearly_always_differs(staged)) and (np.diff(starts[rows]) > 0).all():
        return [Setting("shape", Shape.INTERVALS, Why.CHANGES)]
    return []


def _ends_to_tell(starts: Microseconds, ends: Microseconds) -> list[Setting]:
    """Return the blank for what ends are, where a reader asks whether they are the last moments of their rows."""
    try:
        settle_inclusive_ends(starts, ends, ends=None, path="", listing="")
    except EpochGridError:
        moment = Choice("inclusive", "if an end is the last moment of its row")
        return [Setting("ends", None, Why.UNTOLD, (moment, Choice("exclusive", "if the gaps are real")))]
    return []


def _unit_of_lengths(column: ColumnSeen, steps: NDArray[np.float64], rows: slice) -> Setting | None:
    """Return the line about the unit in which numbers are lengths of rows, a blank where their name alone says so.

    Hardly a length passes the next row, and many lead to it; or the name says that they are lengths. ``rows`` are those
    whose lengths stand beside the steps.
    """
    numbers, told = column.numbers[rows], told_unit(column.name)
    if "" in column.values or np.unique(numbers).size < 2:
        return None
    fitting = []
    for name, seconds in sorted(DURATION_UNITS.items(), key=lambda unit: -unit[1]):
        left = steps - numbers * seconds
        if (left >= -1).mean() > _NEARLY_ALL:
            if (np.abs(left) <= 1).mean() >= _ENOUGH:
                return Setting("duration_unit", name, Why.FOLLOWS)
            if seconds == told and mostly_fill(steps, numbers * seconds):
                return Setting("duration_unit", name, Why.NAME_TELLS)
            fitting.append(name)
    is_plain = told is None and dict(plain_columns((column.name,)))["duration"]
    return Setting("duration_unit", None, Why.UNTOLD, tuple(map(Choice, fitting))) if is_plain and fitting else None


def lengths_of_one(
    columns: Sequence[ColumnSeen],
    starts: Microseconds,
    stage: ColumnSeen,
    timed: Sequence[Setting],
    chosen: Sequence[ColumnSeen],
) -> list[Setting]:
    """Return the lines about how long rows of one recording last, and about whose rows to read where they tell that.

    Rows of several people follow each other in no way. ``chosen`` are columns that tell recordings apart by times.
    """

    def among(rows: Rows) -> list[Setting]:
        rows = rows[::-1] if runs_backwards(starts[rows]) else rows
        return _lengths([c.taking(rows) for c in columns], starts[rows], stage.taking(rows), timed)

    every = np.arange(stage.rows)
    if chosen or (found := among(every)):
        return among(rows_of_one(every, chosen)) if chosen else found
    for column in columns:
        if 1 < column.distinct <= _MOST_ALIKE and not are_blocks(column.cells):
            each = [among(np.flatnonzero([cell == value for cell in column.cells])) for value in column.values]
            lasting = [{s.value for s in lines if s.key in ("duration", "end")} - {column.name} for lines in each]
            if lasting[0] and all(told == lasting[0] for told in lasting):
                return [*choosing_lines([column], None, ()), *each[0]]
    return []


def tells_lengths(column: ColumnSeen, stage: ColumnSeen) -> bool:
    """Whether a column holds lengths with their units beside every stage; a mark of the lights has none."""
    if column.kind is ColumnKind.LENGTHS:
        return True
    cells = [c for c, label in zip(column.cells, stage.cells, strict=True) if c or not _is_mark(label)]
    return column.kind in (ColumnKind.WORDS, ColumnKind.TEXTS) and see_column("", cells).kind is ColumnKind.LENGTHS


def _is_mark(cell: str) -> bool:
    """Whether a label is about the light, and no stage."""
    return bool(lights_mark(cell)) or word_for(cell) == NOT_A_STAGE
