"""Tables turned into shapes that are read: a row for every epoch, a column each for beginnings, ends and labels."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Final

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError, for_page, shorten
from sleepagree.mapping.words import fold_label, fold_table
from sleepagree.readers.columns import Columns, TimeOfColumn, are_minutes_of_an_hour, list_names, times_of_columns
from sleepagree.readers.layout import Layout, Shape, toml_value
from sleepagree.readers.table.table import ColumnData, Table
from sleepagree.readers.times.clock import Times
from sleepagree.readers.times.words import NUMBER

# --- columns that run across: a row a night or an hour, a column an epoch --------------------------------------

_HOUR: Final = re.compile(r"([01]?\d|2[0-3])(?::00(?::00)?| ?h)?", re.ASCII)
#: What a column of row numbers is called where no column tells rows apart.
_ROW: Final = "row"


def as_epochs(table: Table, layout: Layout) -> tuple[Table, Layout]:
    """Return a table with a row for every epoch, and its layout, where a layout says that its columns run across.

    Raises
    ------
    FileFormatError
        When no columns have times at even steps for names.
    """
    return (turned(table), replace(layout, shape=Shape.EPOCHS)) if layout.shape is Shape.ACROSS else (table, layout)


def turned(table: Table) -> Table:
    """Return a table with a row for every filled cell of the columns that have times for names.

    The name of its column stands in a column "time" ("time_min" where the names tell minutes; behind the hour where a
    row is one), or "epoch" where the names count from one to the next, what the cell holds in a column "stage", and the
    other cells of the row beside both. An empty cell is no row.

    Raises
    ------
    FileFormatError
        When no columns have times at even steps for names.
    """
    times = times_of_columns(table.names)
    hour = hours_column(table, times)
    if not times or (hour is None and are_minutes_of_an_hour(times)):
        problem = for_page("the layout says that columns run across a night", "columns are said to run across a night")
        expected = "columns with times or numbers of epochs at even steps for names, such as 22:30, 22:31, …"
        remedy = for_page("Take 'shape' out of the layout, or check that this is its file.", "Choose another shape.")
        raise FileFormatError(problem, table.path, table.header_place, list_names(table.names), expected, remedy)
    rows = range(len(table.places.numbers))
    columns = [table.cells(time.position) for time in times]
    filled = [(row, at) for row in rows for at in range(len(times)) if columns[at][row]]
    at_times = {hour, *(time.position for time in times)}
    beside = {table.names[i]: _repeated(data, filled) for i, data in table.columns.items() if i not in at_times}
    if not beside and len(rows) > 1:
        beside[_ROW] = [str(row + 1) for row, _ in filled]
    hours = [] if hour is None else list(map(_hour, table.cells(hour)))
    told = [f"{hours[row]:02}:{int(times[at].minutes):02}" if hours else times[at].text for row, at in filled]
    beside[_free("time" if hours else _name_of_times(times), beside)] = told
    beside[_free("stage", beside)] = [columns[at][row] for row, at in filled]
    numbers = [
        f"{table.places.numbers[row]}, column '{shorten(table.names[times[at].position])}'" for row, at in filled
    ]
    note = Note.of(
        NoteKind.TURNED_ACROSS, rows=len(rows), columns=len(times), empty=len(rows) * len(times) - len(filled)
    )
    return table._replace(
        names=tuple(beside),
        columns=dict(enumerate(beside.values())),
        places=table.places._replace(numbers=numbers),
        notes=(*table.notes, note),
    )


def hours_column(table: Table, times: Sequence[TimeOfColumn]) -> int | None:
    """Return the position of the column of the hours whose minutes are the columns; None where there is none.

    Each is the next after that of the row above.
    """
    if not are_minutes_of_an_hour(times):
        return None
    for position in table.columns.keys() - {time.position for time in times}:
        hours = list(map(_hour, table.cells(position)))
        if -1 not in hours and all((b - a) % 24 == 1 for a, b in pairwise(hours)):
            return position
    return None


def _hour(cell: str) -> int:
    """Return the hour in a cell, -1 where it holds something else."""
    match = _HOUR.fullmatch(cell)
    return -1 if match is None else int(match[1])


def _repeated(data: ColumnData, filled: list[tuple[int, int]]) -> ColumnData:
    """Return the cells of a column, each as often as its row has filled cells."""
    rows = [row for row, _ in filled]
    return data._replace(us=data.us[rows]) if isinstance(data, Times) else [data[row] for row in rows]


def _name_of_times(times: tuple[TimeOfColumn, ...]) -> str:
    first, second, *_ = times
    if first.is_clock or (second.minutes - first.minutes) % 1:
        return "time"
    if first.says_minutes:
        return "time_min"
    return "epoch" if second.minutes - first.minutes == 1 else "time"


def _free(name: str, taken: dict[str, ColumnData]) -> str:
    """Return a name that no column beside the cells has."""
    while name in taken:
        name += "_"
    return name


# --- beginnings and ends that stand in one cell, such as "23:10 - 23:14" ---------------------------------------

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


# --- columns of which each has a mark for one stage ------------------------------------------------------------

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
            raise _two_marks(table, row, names, cells, layout)
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


def _two_marks(table: Table, row: int, names: list[str], cells: list[Sequence[str]], layout: Layout) -> FileFormatError:
    marked = [name for name, column in zip(names, cells, strict=True) if is_marked(column[row])]
    rows = sum(count > 1 for count in marks_a_row(cells))
    more = f"; {rows} rows have more than one" if rows > 1 else ""
    problem = "a row has a mark in more than one of the columns of stages"
    remedy = f"Correct the row: one stage holds for a row. {_without_two_marks(names, marked, layout)}"
    found = f"{list_names(marked)}{more}"
    return FileFormatError(problem, table.path, table.places.at(row), found, "a mark in one of them", remedy)


def _without_two_marks(names: list[str], marked: list[str], layout: Layout) -> str:
    """Return what else may mend a row with several marks: a column that is no stage left out, or shares."""
    from sleepagree.mapping.languages import word_in_name  # few files come here

    meant = fold_table(layout.stages)
    others = [name for name in marked if not (word_in_name(name) or fold_label(name) in meant)]
    if not others:
        return (
            "Numbers that are shares of a row are read, each row as its largest, where they add up to 1, or to 100, in "
            "every row."
        )
    without = others if len(others) < len(marked) else others[1:]
    left = [name for name in names if name not in without]
    return "If one of the columns is no stage, " + for_page(
        f"take it out of the layout:\n    [file]\n    stage_columns = {toml_value(left)}", "say so at its head"
    )
