"""A table before its columns are judged: rows below it set apart, cells with a beginning and an end taken apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from sleepagree.mapping.words import NOT_A_STAGE
from sleepagree.readers.column_kinds import ColumnSeen, Kind, may_be_times, see_column
from sleepagree.readers.layout_proposal import LabelMeaning
from sleepagree.readers.table.ranges import split_ranges, with_ends
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.clock import Times

#: Kinds of columns that hold numbers.
NUMERIC: Final = (Kind.NUMBERS, Kind.COUNT, Kind.CODES)
_MOST_FOOT: Final = 3


def foot_apart(table: Table) -> tuple[Table, Table]:
    """Return a table without the rows at its end in which every column of times is empty, and those rows."""
    rows = np.arange(len(table.places.numbers))
    empty = []
    for data in table.columns.values():
        cells = [] if isinstance(data, Times) else [cell.strip() for cell in data]
        last = len(cells)
        while last and not cells[last - 1]:
            last -= 1
        seen = see_column("", cells[:last])
        if isinstance(data, Times) or seen.kind in (Kind.MOMENTS, Kind.TIMES_OF_DAY) or may_be_times(seen):
            empty.append(0 if isinstance(data, Times) else len(cells) - last)
    last = rows.size - min(empty, default=0)
    if rows.size - last > _MOST_FOOT:
        last = rows.size
    return table.taking(rows[:last]), table.taking(rows[last:])


def with_foot(
    labels: Sequence[LabelMeaning], stage: str | None, names: Sequence[str], foot: Table
) -> tuple[LabelMeaning, ...]:
    """Return the meanings of labels and of those that stand only in rows below the table: no stages."""
    if stage is None or stage not in names or not foot.places.numbers:
        return tuple(labels)
    cells = [cell.strip() for cell in foot.texts(names.index(stage))]
    held = {label.label for label in labels}
    below = [label for label in dict.fromkeys(cells) if label not in held]
    return (*labels, *(LabelMeaning(c, cells.count(c), NOT_A_STAGE, is_below=True) for c in below))


def ranges_apart(table: Table) -> Table:
    """Return a table in which columns whose cells hold a beginning and an end are two columns each."""
    for position, data in list(table.columns.items()):
        split = None if isinstance(data, Times) else split_ranges(data)
        if split is None:
            continue
        a, b = (see_column("", part) for part in split)
        if a.kind in NUMERIC and b.kind in NUMERIC:  # numbers lead on from each row to the next
            first, last = (a, b) if a.numbers[0] <= a.numbers[-1] else (flipped(a), flipped(b))
            is_range = (first.numbers <= last.numbers).all() and (first.numbers[1:] == last.numbers[:-1]).mean() > 0.5
        else:
            is_range = a.kind is b.kind and a.kind in (Kind.MOMENTS, Kind.TIMES_OF_DAY)
        if is_range:
            table = with_ends(table, position, split)
    return table


def flipped(column: ColumnSeen) -> ColumnSeen:
    """Return a column with its last row first."""
    return see_column(column.name, column.cells[::-1])
