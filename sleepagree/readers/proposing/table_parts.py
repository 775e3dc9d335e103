"""A table before its columns are judged: rows below it set apart, cells with a beginning and an end taken apart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from sleepagree.mapping.words import NOT_A_STAGE
from sleepagree.readers.csv_table import MOST_BELOW
from sleepagree.readers.proposing.column_kinds import NUMERIC, TIMES, ColumnKind, may_be_times, see_column
from sleepagree.readers.proposing.layout_proposal import LabelMeaning
from sleepagree.readers.proposing.table_place import is_foot
from sleepagree.readers.table.shapes import split_ranges, with_ends
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.clock import Times

_MOST_FOOT: Final = 3
#: Characters of a line below a table that a layout repeats.
_SHORT: Final = 40


def foot_text(table: Table) -> str | None:
    """Return how the first row below a table begins: one with something else where all rows above it have their times.

    None where there is none, or a row of the table begins so.
    """
    rows = len(table.places.numbers)
    if any(isinstance(data, Times) for data in table.columns.values()):
        return None
    columns = [[cell.strip() for cell in table.texts(i)] for i in sorted(table.columns)]
    first = max(rows - MOST_BELOW, rows // 2 + 1)
    times = [cells for cells in columns if see_column("", cells[:first]).kind in TIMES]
    if all(see_column("", cells).kind in TIMES for cells in times):
        return None
    for last in range(first, rows):
        told = [cells[last] for cells in times]
        if any(told) and not any(_is_time(cells[last], cells[:first]) for cells in times):
            below = [[cells[row] for cells in columns] for row in range(last, rows)]
            above = [next(filter(None, (cells[row] for cells in columns)), "") for row in range(last)]
            text = text_of_foot(below[0])
            alone = is_foot(below, above[-1:]) and not any(begun.startswith(text) for begun in above)
            return text if alone and all(see_column("", c[:last]).kind in TIMES for c in times) else None
    return None


def _is_time(cell: str, above: Sequence[str]) -> bool:
    return bool(cell) and see_column("", [*above, cell]).kind in TIMES


def text_of_foot(cells: Sequence[str]) -> str:
    """Return what a layout says of the first line below a table: the first of its cells that is not blank."""
    return next(filter(None, (cell.strip() for cell in cells)), "")[:_SHORT].strip()


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
        if isinstance(data, Times) or seen.kind in (ColumnKind.MOMENTS, ColumnKind.TIMES_OF_DAY) or may_be_times(seen):
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
    below = Counter(cell.strip() for cell in foot.texts(names.index(stage)))
    held = {label.label for label in labels}
    told = [LabelMeaning(c, rows, NOT_A_STAGE, is_below=True) for c, rows in below.items() if c not in held]
    return (*labels, *told)


def ranges_apart(table: Table) -> Table:
    """Return a table in which columns whose cells hold a beginning and an end are two columns each."""
    for position, data in list(table.columns.items()):
        split = None if isinstance(data, Times) else split_ranges(data)
        if split is None:
            continue
        a, b = (see_column("", part) for part in split)
        if a.kind in NUMERIC and b.kind in NUMERIC:  # numbers lead on from each row to the next
            turn = 1 if a.numbers[0] <= a.numbers[-1] else -1
            first, last = a.numbers[::turn], b.numbers[::turn]
            is_range = (first <= last).all() and (first[1:] == last[:-1]).mean() > 0.5
        else:
            is_range = a.kind is b.kind and a.kind in (ColumnKind.MOMENTS, ColumnKind.TIMES_OF_DAY)
        if is_range:
            table = with_ends(table, position, split)
    return table
