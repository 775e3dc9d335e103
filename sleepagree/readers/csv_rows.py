"""Text tables taken apart into cells, with the number of the line of every row."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError, shorten

if TYPE_CHECKING:
    import csv

#: A longer cell than this is no cell; a night of 30-s codes has about a thousand characters.
LONGEST_CELL: Final = 131_072

_DELIMITERS: Final = (",", "\t", ";", "|")
_DELIMITER_NAMES: Final = {",": "comma", "\t": "tab", ";": "semicolon", "|": "bar", " ": "space"}
#: The longer marks first: that of UTF-32 begins like that of UTF-16.
_BYTE_ORDER_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_SNIFFED_LINES: Final = 50
#: A line that some spreadsheet programs write and obey.
_TOLD_DELIMITER: Final = re.compile(r'"?[Ss][Ee][Pp]=([^\w"\r\n])"? *(?:\r?\n|\r)')


@dataclass(frozen=True, eq=False)
class Cells:
    """The cells of a text table.

    Parameters
    ----------
    names : tuple of str
        Names of the columns.
    lines : sequence of int, shape (n_rows,)
        Number of the line at which each row begins; the header is part of the count.
    notes : tuple of Note
        Ledger lines: blank rows dropped, odd line ends.
    flat : list of str
        All cells, row by row, in a pattern of ``step`` cells a row.
    step : int
        Distance in ``flat`` from a cell to the one below it.
    header_line : int
        Number of the line of the header: 2 below a line that only tells the delimiter.
    """

    names: tuple[str, ...]
    lines: Sequence[int]
    notes: tuple[Note, ...]
    flat: list[str]
    step: int
    header_line: int = 1

    def column(self, position: int) -> list[str]:
        """Return the cells of one column as they stand."""
        return self.flat[position :: self.step]


def read_cells(data: bytes, *, path: str, delimiter: str | None = None, encoding: str | None = None) -> Cells:
    """Take a table apart.

    Parameters
    ----------
    data : bytes
        The file.
    path : str
        File, for messages.
    delimiter, encoding : str or None
        As declared; sniffed, or UTF-8 (UTF-16 and UTF-32 by their byte-order mark), where None.

    Raises
    ------
    FileFormatError
        When the bytes are no text, a row has more or fewer cells than the header, a quotation mark is never
        closed, or there is no row below the header.
    """
    text = _decode(data, path, encoding)
    notes: tuple[Note, ...] = ()
    if "\r" in text:
        if "\r\r\n" in text:
            notes = (Note.of(NoteKind.LINE_ENDS),)
        text = text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n")
    if "\0" in text:
        raise FileFormatError(
            "the file holds NUL characters, so it is no table of texts",
            path,
            f"line {text.count(chr(10), 0, text.index(chr(0))) + 1}",
            "",
            "a table such as CSV or TSV",
            'If it is UTF-16 without a byte-order mark, give a layout with\n    [file]\n    encoding = "utf-16-le"',
        )
    header_line = 1
    if (told := told_delimiter(text)) is not None:
        header_line, delimiter, text = 2, delimiter or told.mark, told.rest
    if not text.strip():
        raise FileFormatError("the file holds nothing but blank lines", path, "", "", "a table with a header")
    if '"' not in text and text[0] != "\n":
        mark = delimiter or sniff_delimiter(text, path)
        cells = _split_evenly(text, mark, notes, header_line)
        if cells is not None:
            return cells
    return _split_row_by_row(text, delimiter or sniff_delimiter(text, path), path, notes, header_line)


def _decode(data: bytes, path: str, encoding: str | None) -> str:
    for mark, name in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            encoding, data, skipped = name, data[len(mark) :], len(mark)
            break
    else:
        encoding, skipped = encoding or "utf-8", 0
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileFormatError(
            f"the text is not {encoding.upper()}",
            path,
            f"line {line}, byte {error.start + skipped}",
            f"byte 0x{data[error.start]:02x}",
            f"text in {encoding.upper()}",
            "If it was written in another encoding, name that in a layout, for instance\n    [file]\n"
            '    encoding = "cp1252"',
        ) from None
    except UnicodeError as error:
        raise FileFormatError(
            f"the text is not {encoding.upper()}", path, "", str(error), f"text in {encoding.upper()}"
        ) from None


class ToldDelimiter(NamedTuple):
    """What a first line such as ``sep=;`` tells, and the text below it."""

    mark: str
    rest: str


def told_delimiter(text: str) -> ToldDelimiter | None:
    r"""Return the delimiter that the first line of a table tells instead of naming columns, if it does.

    Examples
    --------
    >>> told_delimiter("sep=;\ntime;stage\n").mark
    ';'
    """
    match = _TOLD_DELIMITER.match(text)
    return None if match is None else ToldDelimiter(match[1], text[match.end() :])


# --- the delimiter ---------------------------------------------------------------------------------------


def sniff_delimiter(text: str, path: str = "") -> str:
    """Return the delimiter of a table: the one that parts its header and every row into equal numbers.

    Raises
    ------
    FileFormatError
        When more than one would do.
    """
    header = text.lstrip("\n").partition("\n")[0]
    present = [mark for mark in _DELIMITERS if mark in header]
    if len(present) < 2:
        return present[0] if present else ","
    lines = [line for line in text.split("\n", _SNIFFED_LINES + 1)[:_SNIFFED_LINES] if line.strip()]
    even = [mark for mark in present if _parts_evenly(lines, mark)]
    if len(even) == 1:
        return even[0]
    if not even:
        return max(present, key=header.count)
    names = " or ".join(_DELIMITER_NAMES[mark] for mark in even)
    shown = ["\\t" if mark == "\t" else mark for mark in even]
    raise FileFormatError(
        "two characters part the cells of every row alike",
        path,
        "line 1",
        names,
        "one delimiter",
        "Say which in a layout, for instance\n    [file]\n" + f'    delimiter = "{shown[0]}"',
    )


def _parts_evenly(lines: Sequence[str], mark: str) -> bool:
    if not any('"' in line for line in lines):
        return len({line.count(mark) for line in lines}) == 1
    import csv  # plain tables do without

    try:
        return len({len(row) for row in csv.reader(lines, delimiter=mark)}) == 1
    except csv.Error:
        return False


# --- rows ------------------------------------------------------------------------------------------------


def _split_evenly(text: str, mark: str, notes: tuple[Note, ...], header_line: int) -> Cells | None:
    """Take apart a table without quotation marks and blank rows whose rows all have the header's length.

    One split of the whole text; the line ends stay in it as cells of their own, so that counting them at their
    places proves that every row has as many cells as the header.
    """
    header, _, body = text.partition("\n")
    names = header.split(mark)
    width = len(names)
    if not body.endswith("\n"):
        body += "\n"
    blank = mark * (width - 1) + "\n"
    if body.startswith(blank) or f"\n{blank}" in body:
        return None
    if len(body) > LONGEST_CELL and max(map(len, body.split("\n"))) > LONGEST_CELL:
        return None
    flat = body.replace("\n", f"{mark}\n{mark}").split(mark)
    flat.pop()
    rows, odd = divmod(len(flat), width + 1)
    if odd or flat[width :: width + 1].count("\n") != rows or body.count("\n") != rows:
        return None
    lines = range(header_line + 1, header_line + 1 + rows)
    return Cells(tuple(name.strip() for name in names), lines, notes, flat, width + 1, header_line)


def _split_row_by_row(text: str, mark: str, path: str, notes: tuple[Note, ...], header_line: int) -> Cells:
    """Take apart any table; a row that does not fit raises an error with its line."""
    import csv

    rows: list[list[str]] = []
    lines: list[int] = []
    blank = 0
    quoted = '"' in text
    reader = csv.reader(
        io.StringIO(text),
        delimiter=mark,
        strict=True,
        skipinitialspace=mark != " ",
        quoting=csv.QUOTE_MINIMAL if quoted else csv.QUOTE_NONE,
    )
    line = header_line
    try:
        for row in reader:
            if max(map(len, row), default=0) > LONGEST_CELL:
                raise _too_long(line, path)
            if any(cell and not cell.isspace() for cell in row):
                rows.append(row)
                lines.append(line)
            else:
                blank += 1
            line = reader.line_num + header_line
    except csv.Error as error:
        raise _broken_row(error, line, path) from None
    if not rows:
        raise FileFormatError("the file holds nothing but blank rows", path, "", "", "a table with a header")
    header, *rows = rows
    header_line, *lines = lines
    for row, line in zip(rows, lines, strict=True):
        if len(row) != len(header):
            raise _wrong_width(row, header, line, mark, path)
    if not rows:
        raise FileFormatError(
            "there is no row below the header",
            path,
            "",
            f"{len(header)} columns: " + shorten(", ".join(header)),
            "a row for each epoch or interval",
            "Export the night again.",
        )
    if blank:
        notes = (*notes, Note.of(NoteKind.BLANK_ROWS, count=blank))
    flat = [cell for row in rows for cell in row]
    return Cells(tuple(name.strip() for name in header), lines, notes, flat, len(header), header_line)


def _too_long(line: int, path: str) -> FileFormatError:
    return FileFormatError(
        "a cell is too long",
        path,
        f"line {line}",
        f"more than {LONGEST_CELL} characters",
        "",
        "A quotation mark that is never closed does this; correct the row.",
    )


def _broken_row(error: csv.Error, line: int, path: str) -> FileFormatError:
    reason = str(error)
    if "field limit" in reason:
        return _too_long(line, path)
    return FileFormatError(
        "a quotation mark is out of place",
        path,
        f"line {line}",
        "the end of the file inside quotation marks" if "unexpected end" in reason else reason,
        "every quoted cell closed before the next delimiter",
        "Correct the row.",
    )


def _wrong_width(row: Sequence[str], header: Sequence[str], line: int, mark: str, path: str) -> FileFormatError:
    cells = "1 cell" if len(row) == 1 else f"{len(row)} cells"
    name = _DELIMITER_NAMES.get(mark, repr(mark))
    return FileFormatError(
        "the row has too few cells" if len(row) < len(header) else "the row has too many cells",
        path,
        f"line {line}",
        cells,  # a cell beside those of times and stages may say anything about anybody
        f"{len(header)}, as in the header (delimiter: {name})",
        "A delimiter may be missing or one too many; correct the row.",
    )
