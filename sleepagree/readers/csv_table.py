"""Text tables taken apart into cells, with the number of the line of every row."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError, counted, shorten

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
class CsvTable:
    """A text table taken apart.

    Parameters
    ----------
    names : tuple of str
        Names of the columns.
    rows : list of list of str
        Cells of each row below the header, as many as there are names.
    lines : sequence of int, shape (n_rows,)
        Number of the line at which each row begins; the header is part of the count.
    notes : tuple of Note
        Ledger lines: blank rows dropped, odd line ends.
    header_line : int
        Number of the line of the header: 2 below a line that only tells the delimiter.
    """

    names: tuple[str, ...]
    rows: list[list[str]]
    lines: Sequence[int]
    notes: tuple[Note, ...]
    header_line: int = 1

    def column(self, position: int) -> list[str]:
        """Return the cells of one column as they stand."""
        return [row[position] for row in self.rows]


def parse_csv(data: bytes, *, path: str, delimiter: str | None = None, encoding: str | None = None) -> CsvTable:
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
            expected="a table such as CSV or TSV",
            remedy="If it is UTF-16 without a byte-order mark, give a layout with\n    [file]\n"
            '    encoding = "utf-16-le"',
        )
    header_line = 1
    if (told := told_delimiter(text)) is not None:
        header_line, delimiter, text = 2, delimiter or told.mark, told.rest
    if not text.strip():
        raise FileFormatError("the file holds nothing but blank lines", path, "", "", "a table with a header")
    return _split(text, delimiter or sniff_delimiter(text, path), path, notes, header_line)


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
    problem, expected = "two characters part the cells of every row alike", "one delimiter"
    remedy = "Say which in a layout, for instance\n    [file]\n" + f'    delimiter = "{shown[0]}"'
    raise FileFormatError(problem, path, "line 1", names, expected, remedy)


def _parts_evenly(lines: Sequence[str], mark: str) -> bool:
    try:
        return len({len(row) for row in csv.reader(lines, delimiter=mark)}) == 1
    except csv.Error:
        return False


# --- rows ------------------------------------------------------------------------------------------------


def _split(text: str, mark: str, path: str, notes: tuple[Note, ...], header_line: int) -> CsvTable:
    """Take a table apart; a row that does not fit raises an error with its line."""
    rows: list[list[str]] = []
    lines: list[int] = []
    blank = 0
    reader = csv.reader(
        io.StringIO(text),
        delimiter=mark,
        strict=True,
        skipinitialspace=mark != " ",
        quoting=csv.QUOTE_MINIMAL if '"' in text else csv.QUOTE_NONE,
    )
    line = header_line
    try:
        for row in reader:
            if "".join(row).strip():
                rows.append(row)
                lines.append(line)
            else:
                blank += 1
            line = reader.line_num + header_line
    except csv.Error as error:
        raise _broken_row(str(error), line, path) from None
    if not rows:
        raise FileFormatError("the file holds nothing but blank rows", path, "", "", "a table with a header")
    header, *rows = rows
    header_line, *lines = lines
    for row, line in zip(rows, lines, strict=True):
        if len(row) != len(header):
            raise _wrong_width(row, header, line, mark, path)
    if not rows:
        found = f"{len(header)} columns: " + shorten(", ".join(header))
        expected = "a row for each epoch or interval"
        raise FileFormatError("there is no row below the header", path, "", found, expected, "Export the night again.")
    if blank:
        notes = (*notes, Note.of(NoteKind.BLANK_ROWS, count=blank))
    return CsvTable(tuple(name.strip() for name in header), rows, lines, notes, header_line)


def _broken_row(reason: str, line: int, path: str) -> FileFormatError:
    if "field limit" in reason:
        return FileFormatError(
            "a cell is too long",
            path,
            f"line {line}",
            f"more than {csv.field_size_limit()} characters",
            remedy="A quotation mark that is never closed does this; correct the row.",
        )
    problem, expected = "a quotation mark is out of place", "every quoted cell closed before the next delimiter"
    remedy = "Correct the row."
    found = "the end of the file inside quotation marks" if "unexpected end" in reason else reason
    return FileFormatError(problem, path, f"line {line}", found, expected, remedy)


def _wrong_width(row: Sequence[str], header: Sequence[str], line: int, mark: str, path: str) -> FileFormatError:
    name = _DELIMITER_NAMES.get(mark, repr(mark))
    return FileFormatError(
        "the row has too few cells" if len(row) < len(header) else "the row has too many cells",
        path,
        f"line {line}",
        counted(len(row), "cell"),  # a cell beside those of times and stages may say anything about anybody
        f"{len(header)}, as in the header (delimiter: {name})",
        "A delimiter may be missing or one too many; correct the row.",
    )
