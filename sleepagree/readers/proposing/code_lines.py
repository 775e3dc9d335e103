"""Lines that hold the codes of epochs and nothing else, and the texts above and below them: titles, a legend, sums."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from sleepagree.readers.csv_table import MOST_ABOVE, MOST_BELOW
from sleepagree.readers.table.code_runs import MOST_CODES, codes_of_text
from sleepagree.readers.times.words import read_length

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
