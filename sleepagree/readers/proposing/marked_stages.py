"""Which columns of a table may have the marks of one stage each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen, see_column
from sleepagree.readers.proposing.label_meanings import word_in_name
from sleepagree.readers.table.shapes import LENGTHS_OF_MARKS, is_marked, largest_shares, marks_a_row

_ABLE: Final = (ColumnKind.CODES, ColumnKind.NUMBERS, ColumnKind.WORDS, ColumnKind.NOTHING, ColumnKind.LENGTHS)
_NEARLY_ALL: Final = 0.95
_MOST_ROWS: Final = 0.5
#: Columns without known names that take turns: two might do so by chance.
_FEWEST_UNKNOWN: Final = 3
_MOST_COLUMNS: Final = 12


def columns_of_marks(columns: Sequence[ColumnSeen]) -> tuple[ColumnSeen, ...]:
    """Return neighbouring columns in exactly one of which nearly every row has a mark, or shares; none where none are.

    A column without any mark, such as that of a stage that does not occur, belongs to them where it stands among them
    or its name is a word for a stage, or its cells say so.
    """
    able = [column.kind in _ABLE and all(is_marked(cell) is not None for cell in column.values) for column in columns]
    best: tuple[ColumnSeen, ...] = ()
    first = 0
    for end in range(len(columns) + 1):
        if end < len(columns) and able[end]:
            continue
        run = tuple(columns[first:end])
        first = end + 1
        best = max((best, _of_run(run)), key=len)
    return best


def _of_run(run: tuple[ColumnSeen, ...]) -> tuple[ColumnSeen, ...]:
    """Return the longest part of neighbouring columns that take turns."""
    for length in range(min(len(run), _MOST_COLUMNS), 1, -1):
        for at in range(len(run) - length + 1):
            part = run[at : at + length]
            while len(part) > 1 and _is_empty(part[-1]):
                part = part[:-1]
            while len(part) > 1 and _is_empty(part[0]):
                part = part[1:]
            if _take_turns(part) or _are_shares(part):
                return part
    return ()


def _is_empty(column: ColumnSeen) -> bool:
    return column.kind is ColumnKind.NOTHING and not word_in_name(column.name)


def _are_shares(part: Sequence[ColumnSeen]) -> bool:
    enough = len(part) >= _FEWEST_UNKNOWN or all(word_in_name(column.name) for column in part)
    return enough and len(part) > 1 and largest_shares([column.cells for column in part]) is not None


def _take_turns(part: Sequence[ColumnSeen]) -> bool:
    turning = [column for column in part if len({is_marked(cell) for cell in column.values}) > 1]
    known = sum(bool(word_in_name(column.name)) for column in turning)
    if len(turning) < _FEWEST_UNKNOWN and not (len(turning) > 1 and known == len(turning)):
        return False
    marks = np.array(marks_a_row([column.cells for column in part]))
    return bool((marks > 0).mean() > _MOST_ROWS and (marks == 1).sum() >= _NEARLY_ALL * (marks > 0).sum())


def marked_labels(part: Sequence[ColumnSeen]) -> tuple[str, ...]:
    """Return the name of the column in which each row has its mark, "" where it has none; the first of several."""
    shares = largest_shares([column.cells for column in part])
    if shares is not None:
        return tuple("" if at is None else part[at].name for at in shares)
    rows = zip(*(column.cells for column in part), strict=True)
    return tuple(next((c.name for c, cell in zip(part, row, strict=True) if is_marked(cell)), "") for row in rows)


def lengths_of_marks(part: Sequence[ColumnSeen]) -> tuple[ColumnSeen, ...]:
    """Return the marks of rows as a column of numbers that may be lengths; nothing where all of them are the same."""
    if largest_shares([column.cells for column in part]) is not None:
        return ()
    rows = zip(*(column.cells for column in part), strict=True)
    lengths = see_column(LENGTHS_OF_MARKS, [next(filter(is_marked, row), "") for row in rows])
    is_number = lengths.kind in (ColumnKind.NUMBERS, ColumnKind.CODES, ColumnKind.COUNT)
    return (replace(lengths, kind=ColumnKind.NUMBERS),) if is_number and lengths.distinct > 1 else ()
