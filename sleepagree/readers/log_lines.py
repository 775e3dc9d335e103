"""Lines of logs as rows: parted behind the times that they begin with, or at wide spaces."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby, pairwise, takewhile
from typing import Final

from sleepagree.readers.times.words import is_beside_clock, is_half, with_plain_half

_MOST_TIMES: Final = 3
#: Rows with a time in one piece, where pieces may have texts above them.
_FEWEST_TIMED: Final = 3
_YEAR: Final = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
_DATED: Final = re.compile(r"\d{4}|\d[./-]\s?\d")
#: A day of a date in words, or a measure.
_PLAIN_NUMBER: Final = re.compile(r"(?:\d{1,3}|\d{5})[.,]?")
#: Lines above the first row of a piece: more are rows that are not understood.
_MOST_TEXTS: Final = 20
#: A line that is set off as a title.
_TITLE: Final = re.compile(r"\s*([#=*_~-])\1+\s*[^\W_].*")
_BULLET: Final = re.compile(r"^\s*[-*•–+]\s+")
_BRACKETS: Final = "[]()<>"
#: Between one state and the next.
ARROW: Final = re.compile(r"\s*(?:[-=]+>|[→⇒⟶➔])\s*")
#: Between a beginning and an end.
_UNTIL: Final = re.compile(r"[-=\u2010-\u2015\u2212~\u2192]+>?|to|till?|until|bis|à|a|al|hasta|tot|до", re.IGNORECASE)
_JOINT: Final = re.compile(r"^[-–—:|>]\s+")


def part_after_times(line: str) -> str:
    r"""Return a line with a tab behind each of the times that it begins with, another line as it is.

    Of states with an arrow between them the one behind it is left: the other is what the line before says. Two times
    written alike with a mark or a word such as "to" between them stay together.

    Examples
    --------
    >>> part_after_times("22:41 -> deep sleep"), part_after_times("[8/3 22:41] awake → light"), part_after_times("Up")
    ('22:41\tdeep sleep', '8/3\t22:41\tlight', 'Up')
    >>> part_after_times("8/3 22:41 - 23:03: deep"), part_after_times("8/3 22:41 to 8/3 23:03 deep")
    ('8/3\t22:41 - 23:03\tdeep', '8/3 22:41 - 8/3 23:03\tdeep')
    """
    words = list(re.finditer(r"\S+", _BULLET.sub("", line)))
    bare = [word[0] for word in words]
    times, at = _times_at(bare, 0)
    if times and at < len(words) and _UNTIL.fullmatch(bare[at]):
        ends, behind = _times_at(bare, at + 1)
        begins = times[-len(ends) :]
        if ends and list(map(written, begins)) == list(map(written, ends)):
            times, at = [*times[: -len(ends)], f"{' '.join(begins)} - {' '.join(ends)}"], behind
    if not times or at == len(words):
        return line
    rest = line[len(line) - len(words[at].string) + words[at].start() :].rstrip()
    state = ARROW.split(rest)[-1]
    return "\t".join([*times, _JOINT.sub("", state, count=1) if _JOINT.match(rest) else state])


def _times_at(words: Sequence[str], at: int) -> tuple[list[str], int]:
    """Return the times that stand at a word and behind it, and where the first word behind them stands."""
    times: list[str] = []
    while len(times) < _MOST_TIMES and (size := _words_of_time(words[at : at + 4])):
        times.append(" ".join(word.strip(_BRACKETS) for word in words[at : at + size]).rstrip(":,;"))
        at += size
    return times, at


def parted_after_times(lines: Sequence[str]) -> tuple[list[str], int]:
    """Return lines parted behind the times that they begin with, empty in the place of texts, and how many these are.

    Texts are lines above the first time of each piece between blank lines and titles such as "== Night 2 ==". A line
    without a time among others may be a torn row and stays, and so do all where each row is a piece by itself. Where
    texts stand between rows, one of those above it is a last cell of each row: it may tell nights apart.
    """
    parted = [part_after_times(line) for line in lines]
    pieces: list[tuple[list[int], list[int]]] = []
    for is_blank, piece in groupby(range(len(lines)), key=lambda i: not lines[i].strip()):
        if not is_blank:
            numbers = list(piece)
            titles = [i for i in numbers if _TITLE.fullmatch(lines[i])]
            for begin, end in pairwise(sorted({numbers[0], *titles, numbers[-1] + 1})):
                part = range(begin, end)
                texts_first = len(list(takewhile(lambda i: parted[i] == lines[i], part)))
                pieces.append((list(part[:texts_first]), list(part[texts_first:])))
    most_texts, most_rows = (max((len(piece[n]) for piece in pieces), default=0) for n in (0, 1))
    if most_rows < _FEWEST_TIMED or most_texts > _MOST_TEXTS:
        return parted, 0
    told: dict[int, str] = {}
    texts: list[str] = []
    for above, rows in pieces:
        texts += [lines[i] for i in above]
        told |= dict.fromkeys(rows, telling_text(texts))
        texts = [] if rows else texts
    cell = "\t{}" if len(set(told.values())) > 1 else ""
    left_out = {i for above, _ in pieces for i in above}
    kept = ["" if i in left_out else line + cell.format(told.get(i, "")) for i, line in enumerate(parted)]
    return kept, len(left_out)


def telling_text(texts: Sequence[str]) -> str:
    """Return the last of some texts with a year in it, else with a date, else the first; "" of none."""
    bare = [" ".join(text.strip(" #*=_-\t").split()) for text in texts]
    dated = (text for form in (_YEAR, _DATED) for text in reversed(bare) if form.search(text))
    return next(dated, next(filter(None, bare), ""))


def part_at_spaces(line: str) -> str:
    r"""Return a line with a tab in the place of two spaces or more, an empty one in the place of a line that is drawn.

    Examples
    --------
    >>> part_at_spaces("23:01   light sleep   52 ")
    '23:01\tlight sleep\t52'
    """
    return re.sub(r" {2,}|\t", "\t", line.strip(" ")) if re.search(r"\w", line) else ""


def _words_of_time(words: Sequence[str]) -> int:
    """Return how many words are a time that a line begins with, or its date: with AM, PM or a word for a clock."""
    bare = [word.strip(_BRACKETS) for word in words]
    first = bool(bare and (is_half(bare[0]) or is_beside_clock(bare[0])))
    if len(bare) <= first or not (bare[first][:1].isdigit() or (not first and _is_with_half(bare[0]))):
        return 0
    size = 1 + first
    if not first and _PLAIN_NUMBER.fullmatch(bare[0]) and not (len(bare) > 1 and is_beside_clock(bare[1])):
        return 0
    halves = (n for n in (2, 1) if len(bare) >= size + n and is_half("".join(bare[size : size + n])))
    if first:
        return size
    return size + next(halves, int(len(bare) > size and is_beside_clock(bare[size])))


def _is_with_half(word: str) -> bool:
    """Whether a word is a time behind AM or PM in some language, without a space between."""
    return any(c.isdigit() for c in word) and with_plain_half(word) != word


def written(cell: str) -> str:
    """Return how a cell is written: where it has digits and where letters, however many."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "9", cell))
