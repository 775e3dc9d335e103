"""Beginnings and ends that stand in one cell, such as "23:10 - 23:14": two columns of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from sleepagree.errors import FileFormatError
from sleepagree.readers.digits import NUMBER
from sleepagree.readers.layout import Layout
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.clock import Times

#: What the ends are called beside the name of their column.
ENDS: Final = " (ends)"
#: No two times are longer; a long cell of marks is not worth cutting at each of them.
_LONGEST: Final = 100
#: A mark, or a short word such as "to" between spaces.
_BETWEEN: Final = re.compile(r"(?=(\s[^\W\d_]{1,6}\s|->|=>|[-\u2010-\u2015\u2212~\u301c\uff5e\u2192/]|\.{2,}))")


def split_range(cell: str) -> tuple[str, str] | None:
    """Return the two times in a cell, or None where it does not hold two that are written alike.

    Examples
    --------
    >>> split_range("23:10-23:14"), split_range("2026-03-01 23:10 - 2026-03-01 23:14"), split_range("2026-03-01")
    (('23:10', '23:14'), ('2026-03-01 23:10', '2026-03-01 23:14'), None)
    """
    text = cell.strip()
    if len(text) > _LONGEST:
        return None
    found = [(text[: m.start()].strip(), text[m.end(1) :].strip()) for m in _BETWEEN.finditer(text)]
    alike = {(a, b) for a, b in found if _form(a) == _form(b) != "" and NUMBER.match(b)}
    return alike.pop() if len(alike) == 1 else None


def _form(text: str) -> str:
    """Return what a time looks like: its marks and places of words, with any number for a number."""
    return re.sub(r"[^\W\d_]+", "a", NUMBER.sub("9", text)) if NUMBER.search(text) else ""


def split_ranges(cells: Sequence[str]) -> tuple[list[str], list[str]] | None:
    """Return the beginnings and the ends in the cells of a column; None where some cell does not hold both."""
    pairs = [split_range(cell) for cell in cells]
    whole = [pair for pair in pairs if pair is not None]
    return ([a for a, _ in whole], [b for _, b in whole]) if len(whole) == len(pairs) else None


def with_ends_apart(table: Table, layout: Layout) -> tuple[Table, Layout]:
    """Return a table with a column of its own for the ends, and its layout, where one name is that of both.

    Raises
    ------
    FileFormatError
        When a cell does not hold two times that are written alike.
    """
    name = layout.start
    if name is None or name != layout.end or name not in table.names:
        return table, layout
    position = table.names.index(name)
    data = table.columns[position]
    cells = [] if isinstance(data, Times) else data
    split = split_ranges(cells)
    if split is None or isinstance(data, Times):
        row = next((i for i, cell in enumerate(cells) if split_range(cell) is None), 0)
        problem = "the layout names one column for beginnings and ends, and this cell does not hold both"
        found = f"'{cells[row].strip()}'" if cells else "times"
        expected = "two times in one form, such as 23:10 - 23:14"
        remedy = "Correct the row, or name a column for 'start' and another, or none, for 'end'."
        where = f"{table.places.at(row)}, column '{name}'"
        raise FileFormatError(problem, table.path, where, found, expected, remedy)
    return with_ends(table, position, split), replace(layout, end=name + ENDS)


def with_ends(table: Table, position: int, split: tuple[list[str], list[str]]) -> Table:
    """Return a table in which a column is that of beginnings, and a last one has the ends."""
    names = (*table.names, table.names[position] + ENDS)
    return table._replace(names=names, columns={**table.columns, position: split[0], len(table.names): split[1]})
