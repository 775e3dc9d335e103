"""Text tables taken apart into cells, with the number of the line of every row."""

from __future__ import annotations

import codecs
import csv
import io
import re
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, Option, asked, counted, for_page, shorten
from sleepagree.files.kinds import WIDE_MARKS
from sleepagree.readers.layout import AFTER_TIMES, NO_LAYOUT, WIDE_SPACES, Layout, for_layout
from sleepagree.readers.log_lines import part_at_spaces, parted_after_times, telling_text, written
from sleepagree.readers.times.words import with_plain_digits

DELIMITERS: Final = (",", "\t", ";", "|")
#: Lines that may stand above a table.
MOST_ABOVE: Final = 10
#: Lines that may stand below a table.
MOST_BELOW: Final = 20
_DELIMITER_NAMES: Final = {",": "comma", "\t": "tab", ";": "semicolon", "|": "bar", " ": "space"}
_BYTE_ORDER_MARKS: Final = ((codecs.BOM_UTF8, "utf-8"), *WIDE_MARKS)
_SNIFFED_LINES: Final = 50
#: A cell of a line that is drawn below names of columns: within bars one character is enough.
_RULE: Final = re.compile(r":?(?:-+|=+):?")
_RULED: Final = re.compile(r":?(?:-{3,}|={3,}):?")
#: A line that is drawn round and between the rows of a table.
_DRAWN: Final = re.compile(r"\+(?:[-=:]+\+)+")
#: What each of these lines looks like whatever parts its cells; most tables have none.
_WORDLESS: Final = re.compile(r"^[^\w\n=-]*[-=][^\w\n]*$", re.MULTILINE)
#: A line that some spreadsheet programs write and obey.
_TOLD_DELIMITER: Final = re.compile(r'"?[Ss][Ee][Pp]=([^\w"\r\n])"? *(?:\r?\n|\r)')


class CsvTable(NamedTuple):
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


#: What the column of titles is called.
TITLES: Final = "title above"
#: Parts nothing: a line is one cell.
WHOLE_LINES: Final = "\x1f"


def parse_csv(data: bytes, path: str, layout: Layout = NO_LAYOUT) -> CsvTable:
    """Take a table apart.

    Parameters
    ----------
    data : bytes
        The file.
    path : str
        File, for messages.
    layout : Layout
        Of which these count: ``delimiter``, sniffed where it tells none; ``encoding``, UTF-8 or what the byte-order
        mark says; ``skip_lines``; ``header``, without which columns are called "1", "2" ...; and ``foot``.

    Raises
    ------
    FileFormatError
        When the bytes are no text, a row stands below the foot or has more or fewer cells than the header, a quotation
        mark is never closed, or there is no row below the header.
    """
    text, notes = _plain_text(data, path, layout.encoding)
    delimiter, skip_lines, foot = layout.delimiter, layout.skip_lines, layout.foot
    if delimiter == AFTER_TIMES:
        lines, others = parted_after_times(text.split("\n"))
        notes += _counted(NoteKind.TEXT_LINES, others)
        text, delimiter = "\n".join(lines), "\t"
    elif delimiter == WIDE_SPACES:
        text, delimiter = "\n".join(map(part_at_spaces, text.split("\n"))), "\t"
    if "\0" in text:
        raise _holds_nul(text.count("\n", 0, text.index("\0")) + 1, path)
    first_line, above = 1, text.split("\n", skip_lines)[:skip_lines]
    for _ in range(2):  # above the lines to be skipped, or below them
        if (told := told_delimiter(text)) is not None:
            first_line, delimiter, text = first_line + 1, delimiter or told.mark, told.rest
        while first_line <= skip_lines and text:
            first_line, text = first_line + 1, text.partition("\n")[2]
    if not text.strip():
        raise FileFormatError("the file holds nothing but blank lines", path, "", "", "a table with a header")
    dropped = 0
    if delimiter != WHOLE_LINES:
        lines = text.split("\n")
        lines, comments = without_comments(lines, delimiter) if "#" in text else (lines, 0)
        lines, rules = without_rules(lines, delimiter) if _WORDLESS.search(text) else (lines, 0)
        notes += (*_counted(NoteKind.COMMENT_LINES, comments), *_counted(NoteKind.RULED_LINES, rules))
        dropped = comments + rules
        text = "\n".join(lines) if dropped else text
    if foot is not None:
        lines = text.split("\n")
        below = foot_begins(lines, foot)
        text = "\n".join(lines[:below])
        notes += foot_note(lines[below:], foot)
    mark = delimiter or sniff_delimiter(text, path)
    if foot is not None:
        _refuse_rows_below(lines[:below], lines[below + 1 :], mark, foot, path, first_line + below)
    rows, numbers, blank = _split(text, mark, path, first_line)
    notes += _counted(NoteKind.BLANK_ROWS, max(blank - dropped, 0))
    if layout.header and rows:
        heads = page_heads(rows)
        kept, of_heads = without_page_heads(rows, heads)
        rows = with_titles(rows, heads, telling_text(above))
        rows, numbers, notes = [rows[i] for i in kept], [numbers[i] for i in kept], (*notes, *of_heads)
    return below_names(rows, numbers, path, notes, header=layout.header, delimiter=mark)


def _counted(kind: NoteKind, count: int) -> tuple[Note, ...]:
    return (Note.of(kind, count=count),) if count else ()


def _holds_nul(line: int, path: str) -> FileFormatError:
    problem, expected = "the file holds NUL characters, so it is no table of texts", "a table such as CSV or TSV"
    remedy = "If it is UTF-16 without a byte-order mark, " + for_layout("give a layout with", "encoding", "utf-16-le")
    return FileFormatError(problem, path, f"line {line}", expected=expected, remedy=remedy)


def _plain_text(data: bytes, path: str, encoding: str | None) -> tuple[str, tuple[Note, ...]]:
    """Return bytes as a text with plain digits and ends of lines, and what is to be told of that."""
    text = _decode(data, path, encoding)
    notes: tuple[Note, ...] = ()
    if encoding is not None and not text.isascii() and not _tells_encoding(data):
        notes = (Note.of(NoteKind.TEXT_ENCODING, encoding=encoding),)
    text, told_digits = with_plain_digits(text)
    notes += told_digits
    if "\r" in text:
        notes += (Note.of(NoteKind.LINE_ENDS),) if "\r\r\n" in text else ()
        text = text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n")
    return text, notes


def without_comments(lines: Sequence[str], mark: str | None = None) -> tuple[list[str], int]:
    """Return lines of which those above and below a table that begin with # are empty, and how many they are.

    A line that falls into as many cells as the first line without # is a row, such as one that names a column "#".
    """
    kept = list(lines)
    body = [i for i, line in enumerate(kept) if line.strip() and not line.lstrip().startswith("#")]
    if not body:
        return kept, 0
    first = kept[body[0]]
    parting = [delimiter for delimiter in ((mark,) if mark else DELIMITERS) if delimiter in first]
    comments = [
        i
        for i in (*range(body[0]), *range(body[-1] + 1, len(kept)))
        if len(kept[i].strip()) > 1 and not any(kept[i].count(d) == first.count(d) for d in parting)
    ]
    for i in comments:
        kept[i] = ""
    return kept, len(comments)


def without_rules(lines: Sequence[str], mark: str | None = None) -> tuple[list[str], int]:
    """Return lines of which those that are drawn below names of columns are empty, and how many they are.

    Such a line has as many cells as the names above it, which no line before them has. It may stand there again where
    the names do. What stands in two lines that follow each other may be a label, and none is dropped.

    Examples
    --------
    >>> without_rules(["| time | stage |", "|---|:-:|", "| 22:30 | wake |"])
    (['| time | stage |', '', '| 22:30 | wake |'], 1)
    """
    drawn = {i for i, line in enumerate(lines) if _DRAWN.fullmatch(line.strip())}
    body = [i for i, line in enumerate(lines) if line.strip() and i not in drawn]
    texts = [lines[i].strip() for i in body]
    first = _first_rule(texts, mark)
    pairs = list(pairwise(texts))
    again = [n for n, pair in enumerate(pairs, 1) if first is not None and pair == pairs[first - 1]]
    is_label = first is not None and texts.count(texts[first]) > len(again)
    left_out = drawn if is_label else drawn | {body[n] for n in again}
    return ["" if i in left_out else line for i, line in enumerate(lines)], len(left_out)


def _first_rule(texts: Sequence[str], mark: str | None) -> int | None:
    for n in range(1, min(len(texts), MOST_ABOVE + 2)):
        for delimiter in (mark,) if mark else DELIMITERS:
            width = texts[n].count(delimiter)
            alike = [text.count(delimiter) == width for text in texts[:n]]
            if width and alike[-1] and not any(alike[:-1]) and _is_rule(texts[n], delimiter):
                return n
    return None


def _is_rule(line: str, mark: str) -> bool:
    cells = [cell.strip() for cell in line.split(mark)]
    rule = _RULE if mark == "|" and not cells[0] else _RULED
    return any(cells) and all(rule.fullmatch(cell) for cell in cells if cell)


def page_heads(rows: Sequence[Sequence[str]]) -> list[list[int]]:
    """Return which rows are the names of columns again, each with those above it that have too few cells: titles.

    A row that was torn is no title: it says what a row of the table says.

    Examples
    --------
    >>> page_heads([["time", "stage"], ["22:30", "wake"], ["page 2"], ["time", "stage"], ["22:31", "wake"]])
    [[2, 3]]
    """
    names = [cell.strip() for cell in rows[0]]
    heads: list[list[int]] = []
    for here in range(1, len(rows) if len(names) > 1 else 0):
        row = rows[here]
        if len(row) != len(names) or row[0].strip() != names[0] or [cell.strip() for cell in row] != names:
            continue
        first = here
        while first > 1 and len(rows[first - 1]) < len(names):
            first -= 1
        like = {form_of(cell) for cell in rows[first - 1] if cell.strip()}
        while first < here and any(_is_torn_off(row, like) for row in rows[first:here]):
            first += 1
        heads.append(list(range(first, here + 1)))
    return heads


def with_titles(rows: list[list[str]], heads: Sequence[Sequence[int]], first: str) -> list[list[str]]:
    """Return rows with the title above them in a last column, where each repeated head has one of its own.

    Examples
    --------
    >>> rows = [["time", "stage"], ["22:30", "wake"], ["Night 2"], ["time", "stage"], ["22:31", "wake"]]
    >>> with_titles(rows, page_heads(rows), "One")
    [['time', 'stage', 'title above'], ['22:30', 'wake', 'One'], ['Night 2', 'Night 2'], \
['time', 'stage', 'Night 2'], ['22:31', 'wake', 'Night 2']]
    """
    titles = [telling_text([" ".join(rows[i]) for i in head[:-1]]) for head in heads]
    if not heads or len({first, *titles, ""}) < len(titles) + 2:
        return rows
    begins = [head[0] for head in heads]
    told = [TITLES, *((first, *titles)[bisect_right(begins, i)] for i in range(1, len(rows)))]
    return [[*row, title] for row, title in zip(rows, told, strict=True)]


def without_page_heads(
    rows: Sequence[Sequence[str]], heads: Sequence[Sequence[int]]
) -> tuple[list[int], tuple[Note, ...]]:
    """Return which rows are none of the repeated page heads, and the note that tells how many these are."""
    lines = {i for head in heads for i in head}
    note = (Note.of(NoteKind.PAGE_HEADS, count=len(heads), lines=len(lines)),) if heads else ()
    return [i for i in range(len(rows)) if i not in lines], note


def _is_torn_off(row: Sequence[str], like: set[str]) -> bool:
    forms = [form_of(cell) for cell in row if cell.strip()]
    return any(told.startswith(form) or form.startswith(told) for form in forms for told in like)


def form_of(text: str) -> str:
    """Return a text with one digit for all, which tells how it is written."""
    return re.sub(r"\d", "9", text.strip())


def foot_begins(lines: Sequence[str], foot: str) -> int:
    """Return which of the last lines is the first that begins as what stands below a table does, blank cells left out.

    Examples
    --------
    >>> foot_begins(["time;stage", "22:30;wake", "", "Total;480 min", "made by hand"], "Total")
    3
    """
    filled = [i for i, line in enumerate(lines) if _begun(line)]
    return next((i for i in filled[-MOST_BELOW:] if _begun(lines[i]).startswith(foot)), len(lines))


def _begun(line: str) -> str:
    return line.strip('" ' + "".join(DELIMITERS))


def foot_note(lines: Sequence[str], foot: str) -> tuple[Note, ...]:
    """Return the note about lines below a table that are left out."""
    count = sum(bool(_begun(line)) for line in lines)
    return (Note.of(NoteKind.FOOT_LINES, count=count, foot=OwnWord(foot)),) if count else ()


def _refuse_rows_below(
    above: Sequence[str], below: Sequence[str], mark: str, foot: str, path: str, first_line: int
) -> None:
    """Refuse a foot below whose first line stands a row of the table: filled as the last one, written as it is.

    Raises
    ------
    FileFormatError
        When one does.
    """
    rows = [_cells(line, mark) for line in below]
    last = next((row for line in reversed(above) if any(row := _cells(line, mark))), [])
    told = max(range(len(last)), key=lambda i: len(re.findall(r"\d+", last[i])), default=0)
    if not last or not re.search(r"\d", last[told]):
        return
    for line, row in enumerate(rows, first_line + 1):
        if list(map(bool, row)) == list(map(bool, last)) and all(
            written(row[i]) == written(last[i]) for i in (told, list(map(bool, last)).index(True))
        ):
            problem = f"below what 'foot' names stands a row of the table: '{shorten(foot)}' begins line {first_line}"
            found = f"{counted(sum(map(bool, row)), 'filled cell')}, as in the rows above"
            remedy = f"Take line {first_line} out of the file, or let 'foot' name what stands below all rows."
            raise FileFormatError(problem, path, f"line {line}", found, "no row of the table there", remedy)


def _cells(line: str, mark: str) -> list[str]:
    try:
        return [cell.strip() for row in csv.reader([line], delimiter=mark) for cell in row]
    except csv.Error:
        return []


def _decode(data: bytes, path: str, encoding: str | None) -> str:
    marked = ((mark, name) for mark, name in _BYTE_ORDER_MARKS if data.startswith(mark))
    mark, encoding = next(marked, (b"", encoding or "utf-8"))
    data, skipped = data[len(mark) :], len(mark)
    problem, expected = f"the text is not {encoding.upper()}", f"text in {encoding.upper()}"
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        where = f"line {line}, byte {error.start + skipped}"
        found = f"byte 0x{data[error.start]:02x}"
        from sleepagree.readers.encodings import likely_encodings  # few files come here

        likely = next(iter(likely_encodings(data)), None)
        remedy = "In no encoding that is tried is it a text. Export it again as UTF-8."
        if likely is not None:
            remedy = "If it was written in another encoding, " + for_page(
                f'name that in a layout, for instance\n    [file]\n    encoding = "{likely}"',
                f"answer {asked('encoding')}, for instance {likely}.",
            )
        raise FileFormatError(problem, path, where, found, expected, remedy) from None
    except UnicodeError as error:
        raise FileFormatError(problem, path, "", str(error), expected) from None


def _tells_encoding(data: bytes) -> bool:
    """Whether bytes have a byte-order mark, or are UTF-8, which texts in other encodings are not by chance."""
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return any(data.startswith(mark) for mark, _ in _BYTE_ORDER_MARKS)
    return True


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
    present = [mark for mark in DELIMITERS if mark in header]
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
    remedy = for_page(
        f'Say which in a layout, for instance\n    [file]\n    delimiter = "{shown[0]}"',
        f"Answer {asked('delimiter')}, for instance {shown[0]}",
    )
    raise FileFormatError(problem, path, "line 1", names, expected, remedy)


def _parts_evenly(lines: Sequence[str], mark: str) -> bool:
    try:
        return len({len(row) for row in csv.reader(lines, delimiter=mark)}) == 1
    except csv.Error:
        return False


# --- rows ------------------------------------------------------------------------------------------------


def _split(text: str, mark: str, path: str, first_line: int) -> tuple[list[list[str]], list[int], int]:
    """Return the rows that are not blank, the number of the line of each, and how many are blank."""
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
    line = first_line
    try:
        for row in reader:
            if "".join(row).strip():
                rows.append(row)
                lines.append(line)
            else:
                blank += 1
            line = reader.line_num + first_line
    except csv.Error as error:
        raise _broken_row(str(error), line, path) from None
    return rows, lines, blank


def below_names(
    rows: list[list[str]],
    lines: list[int],
    path: str,
    notes: tuple[Note, ...],
    *,
    header: bool,
    delimiter: str = "",
    place: str = "line {}",
) -> CsvTable:
    """Return a table of rows of which the first names the columns, or none where ``header`` is false.

    Raises
    ------
    FileFormatError
        When a row has more or fewer cells than there are names, or there is no row below them.
    """
    if not rows:
        raise FileFormatError("the file holds nothing but blank rows", path, "", "", "a table with a header")
    header_line, names = lines[0], rows[0]
    if header:
        rows, lines = rows[1:], lines[1:]
    else:
        names = [str(i) for i in range(1, len(names) + 1)]
    for row, line in zip(rows, lines, strict=True):
        if len(row) != len(names):
            above = _lines_above([names, *rows], [header_line, *lines], delimiter) if header else 0
            raise _wrong_width(row, len(names), place.format(line), delimiter, path, above)
    if not rows:
        found = f"{len(names)} columns: " + shorten(", ".join(names))
        expected = "a row for each epoch or interval"
        raise FileFormatError("there is no row below the header", path, "", found, expected, "Export the night again.")
    return CsvTable(tuple(name.strip() for name in names), rows, lines, notes, header_line)


def _broken_row(reason: str, line: int, path: str) -> FileFormatError:
    if "field limit" in reason:
        found = f"more than {csv.field_size_limit()} characters"
        remedy = "A quotation mark that is never closed does this; correct the row."
        return FileFormatError("a cell is too long", path, f"line {line}", found, remedy=remedy)
    problem, expected = "a quotation mark is out of place", "every quoted cell closed before the next delimiter"
    remedy = "Correct the row."
    found = "the end of the file inside quotation marks" if "unexpected end" in reason else reason
    return FileFormatError(problem, path, f"line {line}", found, expected, remedy)


def _lines_above(rows: Sequence[Sequence[str]], lines: Sequence[int], mark: str) -> int:
    """Return how many lines stand above a table that holds most rows up to the end of a file, 0 where none do.

    The lines above it may have given a delimiter that is not the table's, so the others are tried, too.
    """
    ways = [[len(row) for row in rows]]
    if mark:
        ways += [[mark.join(row).count(other) + 1 for row in rows] for other in DELIMITERS if other != mark]
    best = (0, 0, 0)
    for widths in ways:
        first = len(rows)
        while first and widths[first - 1] == widths[-1]:
            first -= 1
        if widths[-1] > 1 and widths[0] != widths[-1]:  # else the names are those of the rows, one of which is torn
            best = max(best, (len(rows) - first, widths[-1], first))
    count, _, first = best
    return lines[first] - 1 if 0 < first <= MOST_ABOVE and count > len(rows) // 2 else 0


def _wrong_width(row: Sequence[str], width: int, where: str, mark: str, path: str, above: int) -> FileFormatError:
    told = f" (delimiter: {_DELIMITER_NAMES.get(mark, repr(mark))})" if mark else ""
    problem = "the row has too few cells" if len(row) < width else "the row has too many cells"
    expected = f"{width}, as in the header{told}"
    remedy = "A delimiter may be missing or one too many; correct the row."
    if above:
        answer = for_layout(f"say so in a layout ({Option.LAYOUT:FILE.toml}) with", "skip_lines", above)
        remedy = f"If the table begins in line {above + 1}, {answer}"
    # counted only: a cell beside those of times and stages may say anything about anybody
    return FileFormatError(problem, path, where, counted(len(row), "cell"), expected, remedy)
