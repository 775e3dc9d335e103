"""Spreadsheets (``.xlsx``), by openpyxl, which comes with the extra ``excel``.

References
----------
.. [1] ECMA-376, Office Open XML file formats, part 1: SpreadsheetML (a zip archive of XML; times are days counted from
   1900 or 1904, and what a number is a time shows in its format only).
"""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime, time, timedelta
from typing import Any, Final

import numpy as np

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, InputError, Option, SleepAgreeError, asked, for_page, shorten
from sleepagree.files.kinds import SPREADSHEET, ZIP
from sleepagree.files.packed import open_zip
from sleepagree.files.reading import read_bytes
from sleepagree.files.toml import toml_text
from sleepagree.readers.columns import list_names
from sleepagree.readers.csv_table import below_names, foot_begins, foot_note, page_heads, without_page_heads
from sleepagree.readers.layout import Layout
from sleepagree.readers.rows import Places
from sleepagree.readers.table.table import ColumnData, Table, cell_text, origin_of
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Times, microseconds_of
from sleepagree.readers.times.words import with_plain_digits

_EXPECTED: Final = "a spreadsheet (.xlsx)"
_LARGEST_BYTES: Final = 32 * 1024 * 1024
_LARGEST_INSIDE: Final = 128 * 1024 * 1024
_MOST_ROWS: Final = 1_048_576
_MOST_CELLS: Final = 2_000_000
#: Programs count days from here, so a time of day after midnight may stand as one of these dates.
_DAYS_OF_NO_DATE: Final = (1899, 1900)

_Row = tuple[int, tuple[Any, ...]]
#: Sheets that hold something, and the number of all sheets of their book.
_Sheets = tuple[dict[str, list[_Row]], int]
#: What was read inside :func:`sheets_kept`, by the file and the sheet that was wanted of it.
_KEPT: Final[ContextVar[dict[tuple[str, str | None], _Sheets] | None]] = ContextVar("kept", default=None)


@contextmanager
def sheets_kept() -> Iterator[None]:
    """Read no sheet twice inside the block: whoever tries many rows for that of the names asks for it many times."""
    token = _KEPT.set({})
    try:
        yield
    finally:
        _KEPT.reset(token)


def table_of_sheet(path: str, layout: Layout) -> Table:
    """Return the table on a sheet of a spreadsheet, with the columns that a text table would have.

    Parameters
    ----------
    path : str
        ``.xlsx`` file; cells with times may be texts.
    layout : Layout
        Of which ``sheet``, ``skip_lines``, ``header`` and ``foot`` count.

    Raises
    ------
    FileFormatError
        When it is no spreadsheet, or no table stands there; rows are named by their number.
    InputError
        When the file cannot be read or is too large unpacked, several sheets hold something and none is named, or
        openpyxl is not installed.
    """
    data = read_bytes(path, expected=_EXPECTED, largest=_LARGEST_BYTES, own=(ZIP, SPREADSHEET))
    rows, notes = _rows(data, path, layout)
    rows = [row for row in rows if row[0] > layout.skip_lines]
    filled = [(number, cells) for number, cells in rows if any(text.strip() for text in map(_text, cells))]
    if filled and (blank := filled[-1][0] - filled[0][0] + 1 - len(filled)):
        notes = (*notes, Note.of(NoteKind.BLANK_ROWS, count=blank))
    if layout.foot is not None:
        begun = ["".join(map(_text, cells)).lstrip() for _, cells in filled]
        below = foot_begins(begun, layout.foot)
        filled, notes = filled[:below], (*notes, *foot_note(begun[below:], layout.foot))
    if filled and layout.header:
        texts = [list(map(_text, cells)) for _, cells in filled]
        kept, told = without_page_heads(texts, page_heads(texts))
        filled, notes = [filled[i] for i in kept], (*notes, *told)
    width = len(filled[0][1]) if filled and layout.header else max((len(cells) for _, cells in filled), default=0)
    padded = [(*cells, *(None,) * (width - len(cells))) for _, cells in filled]
    parsed = below_names(
        [[_text(value) for value in cells] for cells in padded],
        [number for number, _ in filled],
        path,
        notes,
        header=layout.header,
        place="row {}",
    )
    rows_below = padded[len(padded) - len(parsed.rows) :]
    return Table(
        parsed.names,
        {i: _column([cells[i] for cells in rows_below]) for i in range(len(parsed.names))},
        Places(parsed.lines, "row {}", "rows {}"),
        origin_of(path, "excel", data),
        path,
        parsed.notes,
        header_place=f"row {parsed.header_line}",
        decimal_point=True,
    )


def sheet_names(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Return the names of the sheets that hold something; errors as :func:`table_of_sheet`."""
    data = read_bytes(path, expected=_EXPECTED, largest=_LARGEST_BYTES, own=(ZIP, SPREADSHEET))
    return tuple(_sheets(data, os.fspath(path), None)[0])


def _rows(data: bytes, path: str, layout: Layout) -> tuple[list[_Row], tuple[Note, ...]]:
    """Return the rows of the sheet that is meant, with their numbers."""
    held, count = _sheets(data, path, layout.sheet)
    if len(held) > 1:
        longest_first = sorted(held, key=lambda title: -len(held[title]))
        raise _which(path, longest_first, "more than one sheet holds something", "one sheet")
    title = next(iter(held), "")
    told = count > 1 and layout.sheet is None
    notes = (Note.of(NoteKind.SHEET_READ, sheet=OwnWord(title)),) if told else ()
    rows = held.get(title, [])
    _, digits = with_plain_digits("".join(text for _, cells in rows for text in cells if isinstance(text, str)))
    return rows, (*notes, *digits)


def _sheets(data: bytes, path: str, wanted: str | None) -> _Sheets:
    """Return the rows of all sheets that hold something, or of the one that is wanted, and the number of sheets."""
    kept = _KEPT.get()
    if kept is None:
        return _parsed(data, path, wanted)
    held, count = kept.get((path, None), ({}, 0))
    if wanted in held:
        return {wanted: held[wanted]}, count
    if (path, wanted) not in kept:
        kept[path, wanted] = _parsed(data, path, wanted)
    return kept[path, wanted]


def _parsed(data: bytes, path: str, wanted: str | None) -> _Sheets:
    open_zip(data, path, largest=_LARGEST_INSIDE).close()
    try:
        import openpyxl
    except ImportError:
        raise InputError.of_library("reading spreadsheets", "openpyxl", "excel", path) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about styles and the like
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
            sheets = {sheet.title: sheet for sheet in book.worksheets}
            if wanted is not None and wanted not in sheets:
                problem = for_page("the sheet that the layout names is missing", "there is no such sheet")
                raise _which(path, list(sheets), problem, shorten(wanted))
            titles = list(sheets) if wanted is None else [wanted]
            return {title: rows for title in titles if (rows := list(_cells(sheets[title], path)))}, len(sheets)
    except SleepAgreeError:
        raise
    except Exception:
        remedy = "The file may be cut short, or another kind of file with this suffix; export it again."
        raise FileFormatError("this is no spreadsheet that can be read", path, "", "", _EXPECTED, remedy) from None


def _cells(sheet: Any, path: str) -> Iterator[_Row]:
    """Yield the rows that hold something, with their numbers, without the empty cells at their ends."""
    sheet.reset_dimensions()  # what a file says of its size need not be true
    held = 0
    for number, row in enumerate(sheet.iter_rows(values_only=True), 1):
        width = len(row)
        while width and row[width - 1] is None:
            width -= 1
        held += width
        if number > _MOST_ROWS or held > _MOST_CELLS:
            problem, expected = "the sheet is too large for one night", f"at most {_MOST_CELLS} cells"
            raise InputError(problem, path, f"row {number}", "", expected, "Give one night a file.")
        if width:
            yield number, row[:width]


def _which(path: str, titles: list[str], problem: str, expected: str) -> InputError:
    first = toml_text(titles[0] if titles else "")
    remedy = for_page(
        f"Say which in a layout ({Option.LAYOUT:FILE.toml}) with\n    [file]\n    sheet = {first}",
        f"Answer {asked('sheet')}, such as {first}.",
    )
    return InputError(problem, path, "", list_names(titles), expected, remedy)


def _column(values: list[Any]) -> ColumnData:
    """Return a column as times where every cell is one, else as texts."""
    times = [_time_of_day(value) for value in values]
    if values and all(value is not None for value in times):
        return Times(np.array(times, np.int64), Clock.DAY)
    if values and all(isinstance(value, datetime) for value in values):
        return Times(np.array([microseconds_of(value) for value in values], np.int64), Clock.LOCAL)
    return [_text(value) for value in values]


def _time_of_day(value: Any) -> int | None:
    """Return the microseconds since midnight of a cell that is a time of day, also one that a program dated 1900."""
    if isinstance(value, datetime):
        if value.year not in _DAYS_OF_NO_DATE:
            return None
        value = value.time()
    if not isinstance(value, time):
        return None
    return microseconds_of(datetime.combine(date(1970, 1, 1), value)) % DAY_US


def _text(value: Any) -> str:
    """Return a cell as a text table would hold it."""
    if (us := _time_of_day(value)) is not None:
        return (datetime(1970, 1, 1) + timedelta(microseconds=us)).time().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, timedelta):
        seconds, us = divmod(abs(value) // timedelta(microseconds=1), SECOND_US)
        fraction = f".{us:06d}".rstrip("0") if us else ""
        sign = "-" if value < timedelta(0) else ""
        return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{fraction}"
    return with_plain_digits(cell_text(value))[0]
