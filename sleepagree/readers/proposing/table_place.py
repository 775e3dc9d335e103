"""Where a table stands in a file: its delimiter, the lines above and below it, the path inside JSON."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import chain, groupby, pairwise
from typing import Any, Final, NamedTuple

import numpy as np

from sleepagree.mapping.words import NOT_A_STAGE
from sleepagree.readers.columns import times_of_columns
from sleepagree.readers.csv_table import (
    DELIMITERS,
    MOST_ABOVE,
    MOST_BELOW,
    form_of,
    page_heads,
    without_comments,
    without_rules,
)
from sleepagree.readers.json.fields import is_too_deep
from sleepagree.readers.json.records import rows_of_columns
from sleepagree.readers.layout import AFTER_TIMES, WIDE_SPACES
from sleepagree.readers.log_lines import part_at_spaces, parted_after_times
from sleepagree.readers.proposing.column_kinds import TIMES, ColumnKind, may_be_times, see_column
from sleepagree.readers.proposing.layout_proposal import LabelMeaning
from sleepagree.readers.table.reader import MOST_CODES, codes_of_text, codes_of_texts
from sleepagree.readers.table.shapes import split_range, split_ranges, with_ends
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.clock import Times
from sleepagree.readers.times.words import read_length, with_plain_digits

# --- lines of codes of epochs, and the texts above and below them: titles, a legend, sums -------------------

_SHORTEST_RUN: Final = 20
#: No line of a legend is longer; patterns of pairs would go over a long run of letters or spaces from each of them.
_LONGEST_LINE: Final = 1000
_PAIR: Final = re.compile(r"\s*(\S.*?)\s*(?:[:=：＝→]|\s[-–—]\s)\s*(.*?\S)[\s.]*")
#: Codes with their names inside a sentence: "Stages: 0 = awake, 1 = light", "awake=0; light=1".
_CODE: Final = re.compile(
    r"(?<![\w.:/-])(?<!\d,)(?P<code>\d{1,2}|[^\W\d_](?= ?=)|[-–—.?*#](?= ?=)) ?[=:–-] ?"
    r"(?P<name>[^\W\d_]+(?:[ -][^\W\d_]+)*?)(?=\s*(?:[,;|/()<.]|$|\d|\s\S{1,2} ?[=:]))"
)
_CODE_BEHIND: Final = re.compile(r"(?P<name>[^\W\d_]+(?:[ -][^\W\d_]+)*) ?[=:–-] ?(?P<code>\d{1,2})(?![\w.:/-])")


class Block(NamedTuple):
    """Where the rows of a text stand: their delimiter, the lines above them, the rows, and the lines below them."""

    mark: str | None
    above: int
    rows: list[list[str]]
    below: list[str]


def find_code_lines(lines: Sequence[str], skip_lines: int = 0) -> Block | None:
    """Return the longest piece of a text that are codes of epochs, one character each, if all below it is a foot.

    Each of its lines is the one cell of a row.
    """
    begin, best = 0, [""]
    first = skip_lines
    while first < len(lines):
        last = first
        while last < len(lines) and _may_be_codes(lines[last]):
            last += 1
        rows = [line.strip() for line in lines[first:last]]
        titles = next((n for n in range(min(MOST_ABOVE, len(rows))) if are_characters(rows[n:])), None)
        if titles and any(len(row) == len(rows[titles]) for row in rows[:titles]):
            titles = None  # lines of codes as well, of more characters than there are stages
        if titles is not None and len("".join(rows[titles:])) > len("".join(best)):
            begin, best = first + titles, rows[titles:]
        first = last + 1
    filled = [i for i in range(begin, len(lines)) if lines[i].strip()]
    foot = foot_of_codes([lines[i] for i in filled], filled)
    if not best[0] or foot != len(filled) - len(best) or foot > MOST_BELOW:
        return None
    return Block(None, begin, [[row] for row in best], [lines[i] for i in filled[len(best) :]])


def _may_be_codes(line: str) -> bool:
    return len(line.split()) == 1 and (len(line.strip()) >= _SHORTEST_RUN or not pairs_of([line]))


def are_characters(lines: Sequence[str]) -> bool:
    """Whether lines are made of few different characters, each of which may stand for an epoch."""
    texts = [line.strip() for line in lines]
    alike = len({len(text) for text in texts[:-1]}) <= 1 and len(texts[-1]) <= len(texts[0])
    distinct = set("".join(texts))
    return alike and len(texts[0]) >= _SHORTEST_RUN and len(distinct) <= MOST_CODES and " " not in distinct


def foot_of_codes(rows: Sequence[str], numbers: Sequence[int]) -> int:
    """Return how many lines at the end of a list of codes are a foot: texts below a blank line, or a legend.

    Each of them explains a code, or is made of more words than the lines of codes and of other characters: a line that
    may be codes of epochs is none, nor is what stands above it.
    """
    codes: set[str] = set()
    words = 1
    for first, (above, row) in enumerate(pairwise(rows), 1):
        codes.update(codes_of_text(above.strip()))
        words = max(words, len(above.split()))
        if numbers[first] == numbers[first - 1] + 1 and not _explains(row, codes):
            continue
        if all(_explains(below, codes) or _is_text(below, codes, words) for below in rows[first:]):
            return len(rows) - first
    return 0


def _explains(row: str, codes: set[str]) -> bool:
    return any({a, b} & codes for a, b in pairs_of([row]))


def _is_text(row: str, codes: set[str], words: int) -> bool:
    """Whether a line has more words than lines of codes, and other characters."""
    if words > 1:
        return codes.isdisjoint(codes_of_text(row.strip()))
    return len(row.split()) > 1 and not set("".join(row.split())) <= codes


def pairs_of(lines: Sequence[str]) -> list[tuple[str, str]]:
    """Return the pairs of texts in lines such as "U: awake" or "U = awake, H = light", or of two cells."""
    found = []
    for line in _of_a_legend(lines):
        parts = [part.strip() for part in re.split(r"[,;|\t]|\s{2,}", line) if part.strip()]
        matches = [_PAIR.fullmatch(part) for part in parts]
        if len(parts) == 2 and not any(matches):
            found.append((parts[0], parts[1]))
        if not all(matches):
            matches = [_PAIR.fullmatch(line)]
        found += [(match[1].strip("\"'"), match[2].strip("\"'")) for match in matches if match is not None]
    return found


def _of_a_legend(lines: Sequence[str]) -> list[str]:
    return [line for line in lines if len(line) <= _LONGEST_LINE]


def _is_name(text: str) -> bool:
    """Whether a text may be a name: a number or a length beside a label is a sum."""
    return any(c.isalpha() for c in text) and read_length(text) is None


def legends_of_lines(lines: Sequence[str]) -> list[dict[str, str]]:
    """Return what lines explain, as code -> name: of pairs, code or name first, and of sentences with codes in them."""
    pairs = pairs_of(lines)
    ways = [pairs, [(name, code) for code, name in pairs]]
    text = " ; ".join(_of_a_legend(lines))
    ways += [[(m["code"], m["name"]) for m in form.finditer(text)] for form in (_CODE, _CODE_BEHIND)]
    ways = [[(code, name) for code, name in way if _is_name(name)] for way in ways]
    # what is explained twice is not explained
    legends = [{code: name for code, name in way if len({n for c, n in way if c == code}) == 1} for way in ways]
    return [legend for legend in legends if legend]


# --- tables -------------------------------------------------------------------------------------------------

_DATE: Final = re.compile(
    r"(?<!\d)(?:\d{4}[-./年]\d{1,2}[-./月]\d{1,2}日?|\d{1,2}[./-] ?\d{1,2}[./-] ?\d{4}"
    r"|\d{1,2}\.? [^\W\d_]{3,12}\.? \d{4}|[^\W\d_]{3,12}\.? \d{1,2}, ?\d{4})(?!\d)"
)
_MOST_PATHS: Final = 60
MOST_NIGHTS: Final = 8
_FEWEST_BELOW: Final = 3
#: Kinds of columns that any texts may be.
_PLAIN: Final = (ColumnKind.WORDS, ColumnKind.TEXTS, ColumnKind.NOTHING)
#: A time of a clock, or a number with decimals.
_NO_CODES: Final = re.compile(r"\d[:：]\d\d|^[+-]?\d+[.,]\d+(?:[eE][+-]?\d+)?$")
_FEWEST_BOUTS: Final = 6


def find_block(lines: Sequence[str], told: str | None, skip_lines: int = 0) -> Block:
    """Return the longest part of a text whose lines have as many cells each.

    The delimiter and the number of lines above may be told.
    """
    if told == AFTER_TIMES:
        return _parted_block(lines, skip_lines)
    if told == WIDE_SPACES:
        spaced = find_block([part_at_spaces(line) for line in lines], "\t", skip_lines)
        return Block(None, 0, [], []) if spaced.mark is None else spaced._replace(mark=WIDE_SPACES)
    lines = [""] * skip_lines + without_rules(without_comments(lines[skip_lines:], told)[0], told)[0]
    best = Block(None, 0, [], [])
    for mark in (told,) if told else DELIMITERS:
        try:
            rows = [next(csv.reader([line], delimiter=mark), []) for line in lines]
        except csv.Error:
            continue
        filled = _without_page_heads(rows, [i for i, row in enumerate(rows) if "".join(row).strip()])
        runs = [list(run) for _, run in groupby(filled, key=lambda i: len(rows[i]))]
        longest = max(runs, key=len, default=[])
        width = len(rows[longest[0]]) if longest else 0
        enough = width > 1 and len(longest) > max(1, len(filled) // 2)
        if enough and (len(longest), width) > (len(best.rows), len(best.rows[0]) if best.rows else 0):
            piece = _piece_of_its_own(longest, rows)
            block = [rows[i] for i in piece]
            below = [i for i in filled if i > piece[-1]]
            above = [rows[i] for i in filled if i < longest[0]]
            is_apart = piece != longest or _is_below_blank(below, piece[-1], rows)
            if not _is_torn(above, block) and (is_apart or is_foot([rows[i] for i in below], block[-1])):
                best = Block(mark, piece[0], block, [lines[i] for i in below])
    if best.mark is None and told is None:
        best = _parted_block(lines, skip_lines)
    if best.mark is not None:
        return best
    plain = [i for i, line in enumerate(lines) if line.strip()]
    return Block(None, int(told is not None), [[lines[i]] for i in plain[int(told is not None) :]], [])


def _is_below_blank(below: Sequence[int], last: int, rows: Sequence[Sequence[str]]) -> bool:
    """Whether lines below a table, after a blank one, all have fewer cells than its rows: a legend, or sums."""
    fewer = all(len(rows[i]) < len(rows[last]) for i in below)
    return bool(below) and below[0] > last + 1 and fewer and len(below) <= MOST_BELOW


def _piece_of_its_own(filled: Sequence[int], rows: Sequence[Sequence[str]]) -> list[int]:
    """Return numbers of rows of as many cells without pieces, parted by blank rows, of which no row is like the others.

    A sheet that was saved as text has its title and its sums in as many cells as its rows.
    """
    firsts = [n for n, i in enumerate(filled) if n == 0 or i > filled[n - 1] + 1]
    pieces = [list(filled[a:b]) for a, b in pairwise([*firsts, len(filled)])]
    longest = max(pieces, key=len)
    kinds = _kinds([rows[i] for i in longest[1:]])
    telling = [c for c, kind in enumerate(kinds) if kind not in _PLAIN]
    others = [i for piece in pieces if piece is not longest for i in piece]
    if not telling or 2 * len(longest) < len(filled) or len(longest) < _FEWEST_BELOW:
        return list(filled)
    before = [i for i in filled if i < longest[0]][-1:]
    if before and not has_header([rows[i] for i in longest]) and has_header([rows[i] for i in (*before, *longest)]):
        return list(filled)  # names stand above a blank row, or a line drawn below them
    is_like = any(all(_is_of(kinds[c], rows[i][c], strictly=True) for c in telling) for i in others)
    return list(filled) if is_like else longest


def _parted_block(lines: Sequence[str], skip_lines: int) -> Block:
    """Return the longest part of a text whose lines begin with times, nothing where most do not."""
    parted, _ = parted_after_times(lines)
    if parted == list(lines):
        return Block(None, 0, [], [])
    block = find_block(parted, "\t", skip_lines)
    is_enough = len(block.rows) > 2 and block.mark is not None
    return block._replace(mark=AFTER_TIMES) if is_enough else Block(None, 0, [], [])


def _without_page_heads(rows: Sequence[Sequence[str]], filled: list[int]) -> list[int]:
    """Return numbers of rows without those that are the first of the commonest width again, if that one is of names."""
    width = Counter(len(rows[i]) for i in filled).most_common(1)[0][0] if filled else 0
    table = [i for i in filled if len(rows[i]) == width]
    if width < 2 or not any(rows[i] == rows[table[0]] for i in table[1:]):
        return filled
    below = [i for i in filled if i >= table[0]]
    heads = {below[i] for head in page_heads([rows[i] for i in below]) for i in head}
    if not has_header([rows[i] for i in table if i == table[0] or i not in heads]):
        return filled
    return [i for i in filled if i not in heads]


def is_foot(below: Sequence[Sequence[str]], last: Sequence[str]) -> bool:
    """Whether lines stand below a table, and none is a row of it that was torn: it would begin as the last one does."""
    forms = [form_of(next(filter(None, (cell.strip() for cell in row)), "")) for row in below]
    like = form_of(next(filter(None, (cell.strip() for cell in last)), ""))
    return len(below) <= MOST_BELOW and not any(like.startswith(form) or form.startswith(like) for form in forms)


def _is_torn(above: Sequence[Sequence[str]], block: Sequence[Sequence[str]]) -> bool:
    """Whether lines above a block are rows of its table, cut off by one that lacks a cell or has one too many."""
    alike = [row for row in above if len(row) == len(block[0])]
    kinds = _kinds(block[1:])
    return len(alike) > MOST_ABOVE or any(
        _is_of(kind, cell) for row in alike for cell, kind in zip(row, kinds, strict=True)
    )


def _kinds(rows: Sequence[Sequence[str]]) -> list[ColumnKind]:
    """Return what each column of rows seems to hold."""
    return [see_column("", cells).kind for cells in zip(*rows, strict=True)]


def _is_of(kind: ColumnKind, cell: str, *, strictly: bool = False) -> bool:
    """Whether a cell is like those of a column of a kind that is more than words; a number may be of any, or not."""
    numbers = () if strictly and kind in TIMES else (ColumnKind.CODES, ColumnKind.NUMBERS)
    return kind not in _PLAIN and see_column("", [cell, cell]).kind in (kind, *numbers)


def has_header(rows: Sequence[Sequence[str]]) -> bool:
    """Whether the first row names columns: none of its cells is like those below it."""
    if len(rows) < 3:
        return len(rows[0]) > 1
    if times_of_columns(tuple(rows[0])):
        return True
    for i, cell in enumerate(rows[0]):
        below = see_column("", [row[i] for row in rows[1:]])
        if cell.strip() in below.cells and cell.strip():
            return False
        if _is_of(below.kind, cell) or (split_range(cell) and split_range(below.cells[0])):
            return False
    return len(rows[0]) > 1 or not are_characters([row[0] for row in rows])


def lines_above(rows: Sequence[Sequence[str]]) -> int:
    """Return how many rows stand above the one of names: none is like those below, and one column is so of one kind."""
    for above in range(1, min(MOST_ABOVE, len(rows) - _FEWEST_BELOW)):
        below = rows[above + 1 :]
        if any(not has_header([row, *below]) for row in rows[: above + 1]):
            return 0
        if sum(_are_plain(below)) < sum(_are_plain(rows[1:])):
            return above
    return 0


def _are_plain(rows: Sequence[Sequence[str]]) -> list[bool]:
    """Return which columns hold nothing but texts."""
    columns = zip(_kinds(rows), zip(*rows, strict=True), strict=True)
    return [kind in _PLAIN and split_ranges(cells) is None for kind, cells in columns]


def are_runs(cells: Sequence[str]) -> bool:
    """Whether each cell holds codes of many epochs: characters or words, of which there are few different ones.

    The characters of times, dates and numbers with decimals are as few, and no codes.
    """
    codes = codes_of_texts(cells)
    whole = codes[:-1] if len(codes) > _FEWEST_BELOW else codes  # a night may end within the last
    if any(len(part) < _SHORTEST_RUN for part in whole) or len(set(chain.from_iterable(codes))) > MOST_CODES:
        return False
    if all(map(_NO_CODES.search, cells)):
        return False
    kind = see_column("", cells).kind
    return kind in _PLAIN or kind.is_numeric  # digits may be a number


def decoded(data: bytes) -> Any:
    """Return the document in a JSON file, None where there is none, or one that is refused for its depth."""
    try:
        document = json.loads(with_plain_digits(data.decode(json.detect_encoding(data)))[0])
    except (ValueError, RecursionError):
        return None
    return None if is_too_deep(document) else document


def dates_in(lines: Sequence[str]) -> tuple[str, ...]:
    """Return what looks like dates in the lines above a table, as they stand there."""
    return tuple(dict.fromkeys(match[0] for line in lines for match in _DATE.finditer(line)))


def record_paths(document: Any) -> list[str]:
    """Return the paths of what may be a list of records inside a JSON document, in its order."""
    paths: dict[str, None] = {}
    pending: list[tuple[str, Any, bool]] = [("", document, False)]
    while pending and len(paths) < _MOST_PATHS:
        path, value, is_row = pending.pop(0)
        if isinstance(value, dict):
            if rows_of_columns(value) or any(_is_run(inner) for inner in value.values()):
                paths.setdefault(path or ".")
            held = {isinstance(inner, list) for inner in value.values()}
            if len(value) > 1 and (held == {True} or (held == {False} and not is_row)):
                paths.setdefault(f"{path}.*".lstrip("."))
                for key in _lists_of_all(value):
                    paths.setdefault(f"{path}.*.{key}".lstrip("."))
            pending += [(f"{path}.{key}".lstrip("."), inner, False) for key, inner in value.items()]
        elif isinstance(value, list) and value:
            if path or not isinstance(value[0], dict):
                paths.setdefault(path or ".")
            if len(value) > 1 and any(map(_holds_rows, value)) and all(isinstance(inner, dict) for inner in value):
                pending += [(f"{path}[{i}]", inner, False) for i, inner in enumerate(value)][-MOST_NIGHTS:]
                continue
            # of many rows no values stand under the names of one row's fields
            pending += [(path, inner, len(value) > 1) for inner in value[:1] if isinstance(inner, dict)]
    return list(paths)


def _lists_of_all(value: Mapping[str, Any]) -> list[str]:
    """Return the names of the lists of rows that every object of an object has, as nights under names have them."""
    first, *others = value.values()
    names = first if isinstance(first, dict) else ()
    return [n for n in names if all(isinstance(o, dict) and _are_rows(o.get(n)) for o in (first, *others))]


def _is_run(value: Any) -> bool:
    """Whether a value is a text of codes of many epochs."""
    return isinstance(value, str) and are_runs([value])


def _holds_rows(value: Any) -> bool:
    """Whether an object of a list holds rows of its own, as one of several nights does; a nap beside it has few."""
    if not isinstance(value, dict):
        return False
    return any(_is_run(inner) or _are_rows(inner) or _holds_rows(inner) for inner in value.values())


def _are_rows(value: Any) -> bool:
    """Whether a value is a list of as many objects as a night has stages at least, or of as many values as epochs."""
    if not isinstance(value, list):
        return False
    return len(value) >= (_FEWEST_BOUTS if all(isinstance(inner, dict) for inner in value) else _SHORTEST_RUN)


# --- before columns are judged: rows below set apart, cells with a beginning and an end taken apart ---------

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
        if a.kind.is_numeric and b.kind.is_numeric:  # numbers lead on from each row to the next
            turn = 1 if a.numbers[0] <= a.numbers[-1] else -1
            first, last = a.numbers[::turn], b.numbers[::turn]
            is_range = (first <= last).all() and (first[1:] == last[:-1]).mean() > 0.5
        else:
            is_range = a.kind is b.kind and a.kind in (ColumnKind.MOMENTS, ColumnKind.TIMES_OF_DAY)
        if is_range:
            table = with_ends(table, position, split)
    return table
