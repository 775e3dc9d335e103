"""How long the rows of a table last: which column tells it, in which unit; and what could not be decided."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError
from sleepagree.mapping.languages import propose_meanings
from sleepagree.mapping.words import NOT_A_STAGE
from sleepagree.readers.columns import marks_in_name, plain_columns, told_unit
from sleepagree.readers.layout import DURATION_UNITS, Marks
from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen, see_column
from sleepagree.readers.proposing.layout_proposal import Choice, Setting, Why, values_of
from sleepagree.readers.proposing.recording_roles import choosing_lines, rows_of_one
from sleepagree.readers.proposing.time_roles import always_differs, are_ends, ends_in, nearly_always_differs
from sleepagree.readers.row_lengths import settle_inclusive_ends
from sleepagree.readers.rows import Rows, lights_mark
from sleepagree.readers.table.recordings import are_blocks
from sleepagree.readers.table.unused import mostly_fill
from sleepagree.readers.times.clock import SECOND_US, Microseconds
from sleepagree.readers.times.nights import runs_backwards

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
        return [Setting("shape", "intervals", Why.CHANGES)]
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
    meaning = propose_meanings([cell]).get(cell)
    return bool(lights_mark(cell)) or (meaning is not None and meaning.word == NOT_A_STAGE)
