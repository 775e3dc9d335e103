"""Tables whose columns run across: a row a night or an hour, a column an epoch, turned into a row for every epoch."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError, for_page, shorten
from sleepagree.readers.columns import TimeOfColumn, are_minutes_of_an_hour, list_names, times_of_columns
from sleepagree.readers.layout import Layout, Shape
from sleepagree.readers.table.table import ColumnData, Table
from sleepagree.readers.times.clock import Times

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
