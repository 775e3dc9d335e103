"""Digits and the words beside them, in many languages: halves of a day, months and weekdays, units of lengths.

References
----------
.. [1] Unicode CLDR, day periods, units, months and days, https://cldr.unicode.org (words.toml).
.. [2] ISO 8601-1:2019, 5.5.2 (durations such as PT1H5M).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from sleepagree.caution import Note, NoteKind
from sleepagree.files.toml import parse_toml

# --- digits of other scripts, and the marks of direction that stand beside numbers --------------------------

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


# --- words --------------------------------------------------------------------------------------------------

_HALVES: Final = {"am": "AM", "pm": "PM"}
_UNITS: Final = {"hour": 3600.0, "minute": 60.0, "second": 1.0}
_CLOCK_LENGTH: Final = re.compile(r"(\d{1,3}):([0-5]\d):([0-5]\d(?:[.,]\d{1,6})?)", re.ASCII)
#: Minutes and seconds, or hours and minutes.
_TWO_PARTS: Final = re.compile(r"(\d{1,3}):([0-5]\d)", re.ASCII)
#: No time and no length is longer: going over a long run of spaces, digits or words from each of them takes minutes.
_LONGEST: Final = 100
#: Three digits behind a comma or a point may be thousands.
_PART: Final = re.compile(r"(\d+(?:[.,](?:\d{1,2}|\d{4,6}))?)([^\d.,]\D*)", re.ASCII)
_ZERO: Final = re.compile(r"(?<![\d:.,])00?(?=[:.h時时시])")
#: What stands between the words of a name; a letter may be written with marks.
_APART: Final = re.compile(r"[\s\d_()\[\]{}.,:;/|*+=-]+")
_MONTHS: Final = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_CUT: Final = 3
#: What may be a name in a date: letters, their marks, and points or hyphens between them.
_NAME: Final = re.compile(r"[^\s\d:/,.+()（）–-](?:[^\s\d:/,+()（）–-]|-(?=[^\W\d_]))*")
_POINT_BEHIND_NAME: Final = re.compile(r"(%[aAbB])\.(?![%\d])")
_HOUR: Final = re.compile(r"(?<![\d:：.])\d{1,2}(?=\s?[:：h時时点點시])", re.ASCII)
_LANGUAGE: Final = re.compile(r"(?<=%[bB])\[([A-Z][a-z]+)\]")
_RUN: Final = re.compile(r"[^\d\s:/,.+\-日일()（）]+(?:(?:\.\s?|\s)[^\d\s:/,.+\-()（）]+)*\.?")


@cache
def _data() -> Mapping[str, Any]:
    return parse_toml(Path(__file__).with_name("words.toml").read_text("utf-8"))


@cache
def _words(*kinds: str) -> Mapping[str, str]:
    """Return word -> kind."""
    return {_fold(word): kind for kind in kinds for word in _data()[kind]}


@cache
def _parts() -> Mapping[str, tuple[int, int]]:
    """Return word for a part of a day -> its first hour, and the one after its last."""
    return {word: (first, last) for word, (first, last) in _data()["parts"].items()}


@cache
def _any_part() -> re.Pattern[str]:
    """Return the pattern of a part of a day, the longer words first."""
    return re.compile("|".join(sorted(_parts(), key=len, reverse=True)))


def _with_half_of_part(text: str) -> str:
    """Return a time with the half of the day in the place of a part of it that has one of the two hours it may be."""
    if text.isascii() or not (part := _any_part().search(text)) or not (hour := _HOUR.search(text)):
        return text
    first, last = _parts()[part[0]]
    halves = [half for half, hours in (("AM", 0), ("PM", 12)) if first <= int(hour[0]) % 12 + hours < last]
    if len(halves) != 1 or int(hour[0]) > 12:
        return text
    return text[: part.start()] + halves[0] + text[part.end() :]


@cache
def _months() -> Mapping[str, tuple[str, ...]]:
    """Return name -> the months that it has in one language or another, in English."""
    found: dict[str, tuple[str, ...]] = {}
    for month in _MONTHS:
        for word in (month, month[:_CUT], *_words(month)):
            found[word] = (*found.get(word, ()), month.title())
    return {word: tuple(dict.fromkeys(months)) for word, months in found.items()}


@cache
def _joining() -> re.Pattern[str]:
    """Return the pattern of a word for "and" behind a unit."""
    return re.compile(rf"\s+(?:{'|'.join(_words('joining'))})\s+$", re.IGNORECASE)


def _fold(text: str) -> str:
    plain = unicodedata.normalize("NFC", text).casefold().replace(".", "").replace("\u200c", "").replace("’", "'")
    return "".join(plain.split())


def is_half(text: str) -> bool:
    """Whether a text is a word for the half of a day before noon, or after."""
    return _fold(text) in _words(*_HALVES) or text in _parts()


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
    text = _with_half_of_part(re.sub("[\u00a0\u202f]", " ", text))
    plain = _RUN.sub(lambda run: _plain_half(run[0]) or run[0], text)
    return _ZERO.sub("12", plain) if "AM" in plain or "PM" in plain else plain


def form_of_names(form: str) -> tuple[str, str]:
    """Return a strptime text without points behind names, which :func:`with_plain_names` takes away, and a language.

    Examples
    --------
    >>> form_of_names("%d %b[Polish] %Y"), form_of_names("%d. %b. %Y")
    (('%d %b %Y', 'Polish'), ('%d. %b %Y', ''))
    """
    told = _LANGUAGE.search(form)
    form = _LANGUAGE.sub("", form) if told else form
    return _POINT_BEHIND_NAME.sub(r"\1", form), told[1] if told else ""


def with_plain_names(cell: str, kinds: Sequence[str], language: str = "") -> str:
    """Return a date whose names of weekday and month, in whatever language, are English, without a point behind them.

    Parameters
    ----------
    cell : str
        Date, with or without a time.
    kinds : sequence of str
        The directives of strptime that read its names ("a", "A", "b", "B"), in the order of the date.
    language : str
        Whose name of a month it is that is another one elsewhere.

    Returns
    -------
    str
        The cell as it is where a name is missing, or is two months in two languages. Every weekday becomes Sunday:
        none is compared with its date.

    Examples
    --------
    >>> with_plain_names("dim. 1 févr. 2026", "ab"), with_plain_names("1. März 2026", "B")
    ('Sun 1 Feb 2026', '1. March 2026')
    """
    out, last, wanted = "", 0, list(kinds)
    tokens = list(_NAME.finditer(cell)) if wanted and len(cell) <= _LONGEST else []
    for i, token in enumerate(tokens):
        # the sign for a day or a month behind its number is that of a weekday, too
        is_sign = wanted[:1] in (["a"], ["A"]) and cell[: token.start()][-1:].isdigit()
        if not wanted or token.start() < last or is_sign:
            continue
        for end in [other.end() for other in tokens[i : i + 2]]:
            name = cell[token.start() : end].rstrip(".")
            if plain := _plain_name(name, wanted[0], language):
                kept = end if cell[end : end + 1].isspace() or cell[end : end + 1] in (",", ")", "") else 0
                out += cell[last : token.start()] + plain
                last = max(kept, token.start() + len(name))
                wanted.pop(0)
                break
    return cell if wanted else out + cell[last:]


@lru_cache(maxsize=256)
def _plain_name(name: str, kind: str, language: str) -> str:
    """Return the English name that a directive reads, "" where a text is no name of that kind, or of two months."""
    if kind in "aA":
        plain = "Sunday" if _fold(name) in _words("weekday") else ""
    else:
        told = _data()["months"].get(language, {}).get(_fold(name), "")
        months = (told.title(),) if told else _months().get(_fold(name), ())
        plain = months[0] if len(months) == 1 else ""
    return plain if kind in "AB" else plain[:_CUT]


def months_meant(cell: str) -> dict[str, str]:
    """Return language -> the month, in English, that a name in a date is in it; none where it is the same in all."""
    tokens = [_fold(token[0]) for token in _NAME.finditer(cell)]
    return {
        language: names[token].title()
        for language, names in _data()["months"].items()
        for token in tokens
        if token in names
    }


def has_long_month(cell: str) -> bool:
    """Whether a date has the whole name of a month in English, with more than three letters."""
    return any(_fold(token[0]) in _MONTHS and len(token[0]) > _CUT for token in _NAME.finditer(cell))


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


def seconds_of_unit(word: str) -> float | None:
    """Return the seconds of the unit of time that a word names, also one that lost its accents in the name of a field.

    Examples
    --------
    >>> seconds_of_unit("giay"), seconds_of_unit("minutos"), seconds_of_unit("crew")
    (1.0, 60.0, None)
    """
    kind = _words(*_UNITS).get(_fold(word)) or _plain_units().get(_without_accents(_fold(word)))
    return _UNITS.get(kind or "")


@cache
def _plain_units() -> Mapping[str, str]:
    """Return words for units without their accents, those of several letters that mean one unit."""
    units = [(_without_accents(word), kind) for word, kind in _words(*_UNITS).items()]
    kinds = {word: {kind for other, kind in units if other == word} for word, _ in units if len(word) > 1}
    return {word: next(iter(held)) for word, held in kinds.items() if len(held) == 1}


def _without_accents(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.combining(c))


def read_length(text: str) -> float | None:
    """Return the seconds of a length that tells its units, None where it does not.

    Examples
    --------
    >>> [read_length(text) for text in ("1 h 5 min", "0:12:30", "PT30S", "11,5 Min.", "4 minutos e 30 segundos", "12")]
    [3900.0, 750.0, 30.0, 690.0, 270.0, None]
    """
    if len(text) > _LONGEST:
        return None
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
