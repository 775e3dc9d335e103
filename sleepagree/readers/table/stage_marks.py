"""Columns of which each has a mark for one stage: the labels of rows are the names of these columns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError, for_page, shorten
from sleepagree.readers.columns import Columns, list_names
from sleepagree.readers.layout import Layout, toml_value
from sleepagree.readers.table.table import Table

#: What the column is called that holds marks which are lengths.
LENGTHS_OF_MARKS: Final = "the marks"
_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?(?:e[+-]?\d+)?", re.ASCII)
#: Shares are rounded, each by itself.
_ROUNDED: Final = 0.03
#: True and false, yes and no, as programs and people write them; "×" is a no in some countries and a yes in none.
_MARKS: Final = frozenset(
    (
        *("x", "*", "+", "o", "○", "●", "◯", "✓", "✔", "☑", "on", "t", "true", "wahr", "vrai", "verdadero"),
        *("verdadeiro", "vero", "waar", "sant", "sand", "prawda", "tosi", "истина", "y", "yes", "ja", "oui", "sí"),
        *("si", "sim", "tak", "kyllä", "да", "はい", "是"),
    )
)
_NO_MARKS: Final = frozenset(
    (
        *("", ".", "-", "–", "—", "×", "✗", "☐", "off", "f", "false", "falsch", "faux", "falso", "onwaar", "falskt"),
        *("falsk", "usann", "fałsz", "epätosi", "ложь", "n", "no", "nein", "non", "nee", "nej", "nei", "não", "nie"),
        *("ei", "нет", "いいえ", "否", "nan", "na", "n/a", "none", "null"),
    )
)


@lru_cache(maxsize=4096)  # the same few marks are looked at in every row, and in every part of neighbouring columns
def is_marked(cell: str) -> bool | None:
    """Return whether a cell holds a mark; None where it holds something else.

    Examples
    --------
    >>> [is_marked(cell) for cell in ("x", "FALSE", "0,0", "12.5 %", " ", "-3", "wake")]
    [True, False, False, True, False, None, None]
    """
    text = cell.strip().casefold()
    if text in _NO_MARKS or text in _MARKS:
        return text in _MARKS
    number = _number(text)
    return None if number is None else number > 0


def largest_shares(columns: Sequence[Sequence[str]]) -> list[int | None] | None:
    """Return which of some columns has the largest share of each row, None for a row where two are alike or all are 0.

    None for all where the columns hold no shares: numbers that add up to 1, or to 100, in every row that has any, and
    of which some row has two.

    Examples
    --------
    >>> largest_shares([["0.7", "0.5", "0"], ["0.2", "0.5", "0"], ["0.1", "0", ""]])
    [0, None, None]
    """
    if any(_share(cell) is None for cells in columns for cell in cells[:1]):
        return None
    rows = [[_share(cell) for cell in row] for row in zip(*columns, strict=True)]
    shares = [[share for share in row if share is not None] for row in rows]
    if any(len(row) < len(columns) for row in shares) or all(sum(map(bool, row)) < 2 for row in shares):
        return None
    sums = [sum(row) for row in shares if any(row)]
    if not any(all(abs(total - whole) <= _ROUNDED * whole for total in sums) for whole in (1.0, 100.0)):
        return None
    return [row.index(max(row)) if row.count(max(row)) == 1 else None for row in shares]


@lru_cache(maxsize=4096)
def _share(cell: str) -> float | None:
    text = cell.strip().casefold()
    number = _number(text)
    return 0.0 if number is None and text in _NO_MARKS else number


def _number(text: str) -> float | None:
    number = text.removesuffix("%").rstrip()
    return float(number.replace(",", ".")) if _NUMBER.fullmatch(number) else None


def with_labels(table: Table, columns: Columns, layout: Layout) -> tuple[Table, Columns, Layout]:
    """Return a table whose column of stages holds the names of the columns in which each row has its mark.

    A row without a mark has the label "", which is no stage unless the layout says otherwise. Of shares the largest is
    the mark. Marks that are numbers are lengths where the layout tells their unit, and no other column has lengths.

    Raises
    ------
    FileFormatError
        When a row has marks in two columns, or a cell holds something else.
    """
    if not columns.marks:
        return table, columns, layout
    cells = [table.texts(position) for position in columns.marks]
    names = [table.names[position] for position in columns.marks]
    labels: list[str] = []
    lengths: list[str] = []
    shares = None if layout.duration_unit is not None else largest_shares(cells)
    if shares is not None:
        labels = ["" if at is None else names[at] for at in shares]
        table = table._replace(notes=(*table.notes, Note.of(NoteKind.LARGEST_SHARES, even=shares.count(None))))
    for row, texts in enumerate(zip(*cells, strict=True) if shares is None else ()):
        marks = [is_marked(text) for text in texts]
        if None in marks:
            raise _no_mark(table, row, names[marks.index(None)], texts[marks.index(None)])
        if sum(map(bool, marks)) > 1:
            raise _two_marks(table, row, names, cells)
        at = marks.index(True) if True in marks else None
        labels.append("" if at is None else names[at])
        lengths.append("" if at is None else texts[at].strip())
    held = {**table.columns, columns.stage: labels}
    if "" in labels and "" not in layout.stages:
        layout = replace(layout, stages={"": "not-a-stage", **layout.stages})
        table = table._replace(notes=(*table.notes, Note.of(NoteKind.ROWS_UNMARKED, count=labels.count(""))))
    if layout.duration_unit is not None and columns.duration is None:
        columns = columns._replace(duration=len(table.names))
        held[len(table.names)] = lengths
        table = table._replace(names=(*table.names, LENGTHS_OF_MARKS))
    return table._replace(columns=held), columns, layout


def marks_a_row(cells: Sequence[Sequence[str]]) -> list[int]:
    """Return how many of some columns have a mark in each row."""
    return [sum(map(bool, map(is_marked, row))) for row in zip(*cells, strict=True)]


def _no_mark(table: Table, row: int, name: str, cell: str) -> FileFormatError:
    problem = "the cell holds no mark of a stage, and is not empty"
    where = f"{table.places.at(row)}, column '{shorten(name)}'"
    expected = "x, 1, yes, true or a number above 0 for a mark; nothing, 0, no or false for none"
    remedy = for_page(
        "Correct the row, or take the column out of 'stage_columns'.",
        "Correct the row, or say at the head of the column that it has no marks.",
    )
    return FileFormatError(problem, table.path, where, f"'{shorten(cell.strip())}'", expected, remedy)


def _two_marks(table: Table, row: int, names: list[str], cells: list[Sequence[str]]) -> FileFormatError:
    marked = [name for name, column in zip(names, cells, strict=True) if is_marked(column[row])]
    rows = sum(count > 1 for count in marks_a_row(cells))
    more = f"; {rows} rows have more than one" if rows > 1 else ""
    problem = "a row has a mark in more than one of the columns of stages"
    left = [name for name in names if name not in marked[1:]]
    without = for_page(
        f"take it out of the layout:\n    [file]\n    stage_columns = {toml_value(left)}", "say so at its head"
    )
    remedy = f"Correct the row: one stage holds for a row. If one of the columns is no stage, {without}"
    found = f"{list_names(marked)}{more}"
    return FileFormatError(problem, table.path, table.places.at(row), found, "a mark in one of them", remedy)
