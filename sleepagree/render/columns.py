"""Text measured and broken by the columns of a terminal."""

from __future__ import annotations

import re
import shutil
import sys
import unicodedata
from typing import Final

from sleepagree.errors import printable

#: Columns of a terminal that every report fits in.
WIDTH: Final = 80

#: Spaces where no line may end: between a number and its unit, and around the sign of "z = 4.0" and "p < 0.001".
BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|min|pp|h|s)(?![\w-]))|(?<=\b[pz]) (?=[=<] )|(?<=\b[pz] [=<]) ")

#: Messages are not broken at more columns than these, however wide the terminal is: they would be hard to read.
_WIDEST: Final = 100


def columns_of(text: str) -> int:
    """Return how many columns of a terminal a text takes: wide letters take two, combining marks none."""
    if text.isascii():
        return len(text)
    return sum(_column_width(c) for c in text)


def _column_width(character: str) -> int:
    if unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def fitting_letters(text: str, width: int) -> int:
    """Return how many characters from the beginning fit in ``width`` columns."""
    used = 0
    for i, character in enumerate(text):
        used += _column_width(character)
        if used > width:
            return i
    return len(text)


def cut(text: str, width: int) -> str:
    """Return printable text of at most ``width`` columns, with an ellipsis where it was cut."""
    text = printable(text)
    return text if columns_of(text) <= width else text[: fitting_letters(text, width - 1)] + "…"


def cut_at_word(text: str, width: int) -> str:
    """Return printable text of at most ``width`` columns, with an ellipsis after the last whole word."""
    shown = cut(text, width)
    return shown if shown == printable(text) else shown[:-1].rpartition(" ")[0].rstrip(" ,;:(") + " …"


def to_left(text: str, width: int) -> str:
    """Return text padded on the right to ``width`` columns."""
    return text + " " * (width - columns_of(text))


def to_right(text: str, width: int) -> str:
    """Return text padded on the left to ``width`` columns."""
    return " " * (width - columns_of(text)) + text


def wrap(text: str, *, indent: str = "  ", hang: str = "  ", width: int = WIDTH) -> list[str]:
    """Return printable text as a paragraph wrapped at a number of columns.

    A number keeps its unit beside it; words too long are broken.
    """
    lines: list[str] = []
    line, is_empty = indent, True
    words = printable(" ".join(text.split()))
    for word in BEFORE_UNIT.sub("\xa0", words).split(" ") if words else ():
        rest = word.replace("\xa0", " ")
        while rest:
            gap = "" if is_empty else " "
            room = width - columns_of(line + gap)
            if columns_of(rest) <= room:
                line, rest, is_empty = line + gap + rest, "", False
                continue
            if is_empty:
                fits = max(1, fitting_letters(rest, room))
                line, rest = line + rest[:fits], rest[fits:]
            lines.append(line)
            line, is_empty = hang, True
    return lines if is_empty else [*lines, line]


def fit_terminal(text: str) -> str:
    """Return text for standard error, its long lines broken where that is a terminal; in a pipe they stay whole.

    Lines keep their indent, and what is broken off is indented further; lines that fit stay as they are, so that what
    is to be copied into a file can be.
    """
    if not sys.stderr.isatty():
        return text
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    lines: list[str] = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        fits = columns_of(line) <= width
        lines += [line] if fits else wrap(line, indent=indent, hang=f"{indent}  ", width=width)
    return "\n".join(lines)
