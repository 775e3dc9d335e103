"""Digits of other scripts in a text, and the marks of direction that stand beside numbers."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from sleepagree.caution import Note, NoteKind

#: A number without a sign, with a point or a comma before its decimals.
NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
#: Marks and embeddings of the direction of a text, which nobody sees (UAX 9).
_DIRECTIONS: Final = frozenset("\u200e\u200f\u061c")
#: Those that turn what follows round, which belong to a number beside them.
_TURNING: Final = re.compile("[\u202a-\u202e\u2066-\u2069]+(?=[0-9])|(?<=[0-9])[\u202a-\u202e\u2066-\u2069]+")
_DECIMAL_SIGN: Final = "\u066b"
_WIDE: Final = "０１２３４５６７８９"


def with_plain_digits(text: str) -> tuple[str, tuple[Note, ...]]:
    """Return a text with the digits 0 to 9, a point for the Arabic decimal sign, and no marks of direction beside them.

    Parameters
    ----------
    text : str
        Of a whole file. Full-width digits, which stand in labels, are left.

    Returns
    -------
    str
    tuple of Note
        What was read so.
    """
    if text.isascii():
        return text, ()
    held = set(text)
    digits = {c: str(unicodedata.decimal(c)) for c in held if not c.isascii() and c.isdecimal() and c not in _WIDE}
    changed = {**digits, _DECIMAL_SIGN: ".", **dict.fromkeys(_DIRECTIONS, "")}
    plain = text.translate({ord(c): written for c, written in changed.items()})
    plain = _TURNING.sub("", plain)
    return plain, (Note.of(NoteKind.OTHER_DIGITS, digits=" ".join(sorted(digits))),) if digits else ()
