"""Words beside numbers, in many languages: halves of a day in times, units of time in lengths.

References
----------
.. [1] Unicode CLDR, day periods and units, https://cldr.unicode.org (words.toml).
.. [2] ISO 8601-1:2019, 5.5.2 (durations such as PT1H5M).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import cache, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Final

from sleepagree.files.toml import parse_toml

_HALVES: Final = {"am": "AM", "pm": "PM"}
_UNITS: Final = {"hour": 3600.0, "minute": 60.0, "second": 1.0}
_CLOCK_LENGTH: Final = re.compile(r"(\d{1,3}):([0-5]\d):([0-5]\d(?:[.,]\d{1,6})?)", re.ASCII)
#: Minutes and seconds, or hours and minutes.
_TWO_PARTS: Final = re.compile(r"(\d{1,3}):([0-5]\d)", re.ASCII)
#: Three digits behind a comma or a point may be thousands.
_PART: Final = re.compile(r"(\d+(?:[.,](?:\d{1,2}|\d{4,6}))?)([^\d.,]\D*)", re.ASCII)
_ZERO: Final = re.compile(r"(?<![\d:.,])00?(?=[:.h時时시])")
#: What stands between the words of a name; a letter may be written with marks.
_APART: Final = re.compile(r"[\s\d_()\[\]{}.,:;/|*+=-]+")
_RUN: Final = re.compile(r"[^\d\s:/,.+\-日일]+(?:(?:\.\s?|\s)[^\d\s:/,.+\-]+)*\.?")


@cache
def _words(*kinds: str) -> Mapping[str, str]:
    """Return word -> kind."""
    data = parse_toml(Path(__file__).with_name("words.toml").read_text("utf-8"))
    return {word: kind for kind in kinds for word in data[kind]}


@cache
def _joining() -> re.Pattern[str]:
    """Return the pattern of a word for "and" behind a unit."""
    return re.compile(rf"\s+(?:{'|'.join(_words('joining'))})\s+$", re.IGNORECASE)


def _fold(text: str) -> str:
    return "".join(unicodedata.normalize("NFC", text).casefold().replace(".", "").split())


def is_half(text: str) -> bool:
    """Whether a text is a word for the half of a day before noon, or after."""
    return _fold(text) in _words(*_HALVES)


def is_beside_clock(text: str) -> bool:
    """Whether a text is a word that stands beside the time of a clock of 24 hours and tells nothing more."""
    return _fold(text) in _words("clock")


def is_before_date(text: str) -> bool:
    """Whether a text is a word that stands before a date and tells nothing, as in "den 9/9 2031"."""
    return _fold(text) in _words("date")


def with_plain_half(text: str) -> str:
    """Return a time whose word for half of a day, in whatever language, is AM or PM, and whose hour 0 of it is 12.

    Examples
    --------
    >>> with_plain_half("2026/03/01 午後0:30"), with_plain_half("10:30 p. m.")
    ('2026/03/01 PM12:30', '10:30 PM')
    """
    text = re.sub("[\u00a0\u202f]", " ", text)
    plain = _RUN.sub(lambda run: _plain_half(run[0]) or run[0], text)
    return _ZERO.sub("12", plain) if "AM" in plain or "PM" in plain else plain


@lru_cache(maxsize=256)
def _plain_half(text: str) -> str | None:
    return _HALVES.get(_words(*_HALVES).get(_fold(text), ""))


@lru_cache(maxsize=256)
def unit_in_name(name: str) -> float | None:
    """Return the seconds of the unit that a word in a name tells, None where none does, or several do.

    Words for hours tell a time of day as often, and a single letter many things, unless it is a whole word as in
    Chinese.

    Examples
    --------
    >>> [unit_in_name(name) for name in ("Süre (dk)", "깸_분", "長さ[秒]", "Stunde", "λ")]
    [60.0, 60.0, 1.0, None, None]
    """
    words = map(_fold, _APART.split(unicodedata.normalize("NFKC", name)))
    kinds = _words("minute", "second")
    alone = _words("not_alone")
    whole = [word for word in words if len(word) > 1 or unicodedata.east_asian_width(word or " ") == "W"]
    found = {_UNITS[kinds[word]] for word in whole if word in kinds and word not in alone}
    return found.pop() if len(found) == 1 else None


def read_two_parts(text: str) -> float | None:
    """Return 17.5 of "17:30", which is 17.5 min or 17.5 h; None where a text is not of that form."""
    match = _TWO_PARTS.fullmatch(text)
    return int(match[1]) + int(match[2]) / 60 if match else None


def read_length(text: str) -> float | None:
    """Return the seconds of a length that tells its units, None where it does not.

    Examples
    --------
    >>> [read_length(text) for text in ("1 h 5 min", "0:12:30", "PT30S", "11,5 Min.", "4 minutos e 30 segundos", "12")]
    [3900.0, 750.0, 30.0, 690.0, 270.0, None]
    """
    if match := _CLOCK_LENGTH.fullmatch(text):
        return sum(
            float(part.replace(",", ".")) * unit for part, unit in zip(match.groups(), _UNITS.values(), strict=True)
        )
    parts = _PART.findall(text.removeprefix("PT"))
    kinds = [_words(*_UNITS).get(_fold(_joining().sub("", word).strip(" ,"))) for _, word in parts]
    if not parts or "".join(number + word for number, word in parts) != text.removeprefix("PT") or None in kinds:
        return None
    units = [_UNITS[kind] for kind in kinds if kind is not None]
    if any(larger <= smaller for larger, smaller in pairwise(units)):
        return None
    return sum(float(number.replace(",", ".")) * unit for (number, _), unit in zip(parts, units, strict=True))
