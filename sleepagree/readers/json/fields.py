"""Strict JSON with the place of every field, for messages such as ``entry[3].effectivePeriod.end``.

The standard library's decoder forgives what a reader of measurements must not: a key given twice (the last
one wins), ``NaN`` and ``Infinity``, numbers beyond a double. Here each of them is an error with its place.
Messages show times, codes and numbers only; any other text may hold a name, so that its kind is told instead.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple, NoReturn, TypeGuard, TypeVar

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import ClockError, FileFormatError, Option, for_page, shorten
from sleepagree.readers.times.words import with_plain_digits

#: More digits than any time, count or code in use; int() of a longer text can take quadratic time.
_MOST_DIGITS: Final = 40
#: Records lie a few levels deep; of XML half as many elements, as each may stand in a list. Whatever goes through a
#: document level by level relies on it.
_DEEPEST: Final = 100

_INSTANT: Final = re.compile(
    r"(\d{4}-\d\d-\d\d)(?:[Tt ](\d\d:\d\d)(:\d\d)?([.,]\d+)?\s*([Zz]|[+-]\d\d:?\d\d)?)?", re.ASCII
)
_YEARS: Final = (1900, 2199)
_T = TypeVar("_T")


class _Refused(NamedTuple):
    """Stands in the decoded tree where JSON or this reader does not allow what was there."""

    found: str
    expected: str
    problem: str = "this value is not allowed"
    remedy: str = "Correct the file."


@dataclass(frozen=True)
class Field:
    """A value of a JSON document together with the place it stands at.

    Parameters
    ----------
    value : object
        What ``json`` decodes: dict, list, str, int, float, bool or None.
    place : str
        Path of the field from the document's root, "" for the root itself.
    path : str
        File, for messages.
    """

    value: object
    place: str
    path: str

    @property
    def at(self) -> str:
        """The place, as a message tells it by itself."""
        return self.place.removesuffix(": ") or "top level"

    def get(self, key: str) -> Field | None:
        """Return the field ``key`` of an object, or None where it is absent or null."""
        value = self.mapping().get(key)
        return None if value is None else Field(value, _step(self.place, key), self.path)

    def need(self, key: str, expected: str, remedy: str = "") -> Field:
        """Return the field ``key`` of an object that must have it."""
        field = self.get(key)
        if field is None:
            place = _step(self.place, key)
            raise FileFormatError("a field is missing", self.path, place, "nothing", expected, remedy)
        return field

    def has(self, *keys: str) -> bool:
        """Whether the value is an object with at least one of these fields."""
        return isinstance(self.value, dict) and any(self.value.get(key) is not None for key in keys)

    def elements(self) -> list[Field]:
        """Return the elements of a list."""
        values = self._of_kind(list, "a list", "a list")
        return [Field(value, f"{self.place}[{i}]", self.path) for i, value in enumerate(values)]

    def parts(self) -> list[Field]:
        """Return the elements of a list, or the value itself where it is none."""
        return self.elements() if isinstance(self.value, list) else [self]

    def mapping(self) -> dict[str, Any]:
        """Return the value of an object."""
        return self._of_kind(dict, "an object", "an object with named fields")

    def text(self, expected: str = "a text") -> str:
        """Return a text."""
        return self._of_kind(str, "a text", expected)

    def number(self, expected: str = "a number") -> float:
        """Return a finite number."""
        return float(self._of_kind((int, float), "a number", expected))

    def flag(self) -> bool:
        """Return true or false."""
        return self._of_kind(bool, "true or false", "true or false")

    def _of_kind(self, kind: type[_T] | tuple[type[_T], ...], named: str, expected: str) -> _T:
        # to Python, true and false are numbers
        if not isinstance(self.value, kind) or (isinstance(self.value, bool) and kind is not bool):
            self.fail(f"{named} is needed here", expected=expected)
        return self.value

    def fail(self, problem: str, *, expected: str = "", remedy: str = "", found: str | None = None) -> NoReturn:
        """Raise an error about this field; ``found`` is the kind of the value unless given."""
        shown = kind_of(self.value) if found is None else found
        raise FileFormatError(problem, self.path, self.at, shown, expected, remedy)


def _step(place: str, key: str) -> str:
    dot = "." if place and not place.endswith(": ") else ""
    return f"{place}{dot}{shorten(key)}"


def kind_of(value: object) -> str:
    """Return what kind of JSON value this is, without showing it."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, str):
        return "a text" if value else "an empty text"
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"the number {shorten(value)}"
    return json.dumps(value)


# --- decoding ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class JsonDocument:
    """The values of a JSON file.

    Parameters
    ----------
    fields : tuple of Field
        One root for an ordinary file; one per line for a file of one value per line.
    by_line : bool
        Whether the file holds one value per line.
    notes : tuple of Note
        What had to be forgiven.
    """

    fields: tuple[Field, ...]
    by_line: bool
    notes: tuple[Note, ...] = ()


def decode_json(data: bytes, *, path: str) -> JsonDocument:
    """Decode a JSON file, or a file with one JSON value per line.

    Parameters
    ----------
    data : bytes
        The file.
    path : str
        File, for messages.

    Raises
    ------
    FileFormatError
        When the bytes are no JSON text, when a key stands twice in one object, or when a value is NaN,
        infinite, too large, or nested too deeply.
    """
    text, notes = _decode_text(data, path)
    if not text.strip():
        found = f"{len(data)} bytes"
        raise FileFormatError("the file is empty", path, "", found, "a JSON document", "Export it again.")
    try:
        return JsonDocument((Field(_loads(text, path, ""), "", path),), by_line=False, notes=notes)
    except json.JSONDecodeError as error:
        if not (error.msg == "Extra data" and _ends_a_line(text, error.pos)):
            raise _syntax_error(error, path, error.lineno) from None
    fields = []
    # not splitlines(): JSON texts may hold U+2028 and its like unescaped
    for i, line in enumerate(re.split(r"\r\n|\n|\r", text), 1):
        if not line.strip():
            continue
        try:
            value = _loads(line, path, f"line {i}")
        except json.JSONDecodeError as error:
            raise _syntax_error(error, path, i) from None
        fields.append(Field(value, f"line {i}: ", path))
    return JsonDocument(tuple(fields), by_line=True, notes=notes)


def _ends_a_line(text: str, position: int) -> bool:
    """Whether only space and a line's end stand between the first value and what follows it."""
    space = text[len(text[:position].rstrip()) : position]
    return "\n" in space or "\r" in space


def _decode_text(data: bytes, path: str) -> tuple[str, tuple[Note, ...]]:
    encoding = json.detect_encoding(data)
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        where, found = f"byte {error.start}", f"byte 0x{data[error.start]:02x}"
        raise FileFormatError(
            "the text cannot be decoded", path, where, found, "JSON in UTF-8", "Save the file as UTF-8."
        ) from None
    notes = () if encoding in ("utf-8", "utf-8-sig") else (Note.of(NoteKind.NOT_UTF8, encoding=encoding),)
    text, digits = with_plain_digits(text)
    return text, (*notes, *digits)


def _loads(text: str, path: str, line: str) -> Any:
    is_refused = False

    def refuse(*told: str) -> _Refused:
        nonlocal is_refused
        is_refused = True
        return _Refused(*told)

    def whole(digits: str) -> Any:
        if len(digits) > _MOST_DIGITS:
            return refuse(f"a number of {len(digits)} digits", f"at most {_MOST_DIGITS} digits")
        return int(digits)

    def decimal(digits: str) -> Any:
        number = float(digits)
        return number if math.isfinite(number) else refuse("a number too large", "a number below 1.8e308")

    def constant(word: str) -> Any:
        return refuse(word, "a finite number or null")

    def gather(pairs: list[tuple[str, Any]]) -> Any:
        found = dict(pairs)
        if len(found) == len(pairs):
            return found
        twice = next(key for key, times in Counter(key for key, _ in pairs).items() if times > 1)
        remedy = "Which of the two values holds cannot be known; correct the file."
        return refuse(f"'{shorten(twice)}' twice", "every key once", "a key stands twice in one object", remedy)

    try:
        value = json.loads(
            text, parse_int=whole, parse_float=decimal, parse_constant=constant, object_pairs_hook=gather
        )
    except RecursionError:
        raise _too_deep(path, line) from None
    if is_too_deep(value):
        raise _too_deep(path, line)
    if is_refused:
        _report_refused(Field(value, f"{line}: " if line else "", path))
    return value


def is_too_deep(value: object) -> bool:
    """Whether objects and lists stand inside each other deeper than in any export of sleep stages.

    Examples
    --------
    >>> is_too_deep({"night": [{"stages": ["W", "N2"]}]})
    False
    """
    level = [value]
    for _ in range(_DEEPEST):
        held = (holder.values() if isinstance(holder, dict) else holder for holder in level if _holds(holder))
        level = [inner for values in held for inner in values]
    return any(map(_holds, level))


def _holds(value: object) -> TypeGuard[dict[str, object] | list[object]]:
    return isinstance(value, dict | list)


def _too_deep(path: str, line: str) -> FileFormatError:
    problem, found = "the document is nested too deeply", f"more than {_DEEPEST} objects or lists inside each other"
    expected = "records of sleep stages, a few levels deep"
    return FileFormatError(problem, path, line, found, expected, "This is no export of sleep stages.")


def _report_refused(root: Field) -> None:
    """Raise the error of the first value that was refused while decoding."""
    pending = [root]
    while pending:
        field = pending.pop()
        value = field.value
        if isinstance(value, _Refused):
            field.fail(value.problem, found=value.found, expected=value.expected, remedy=value.remedy)
        if isinstance(value, dict):
            pending += [Field(v, _step(field.place, key), field.path) for key, v in reversed(value.items())]
        elif isinstance(value, list):
            pending += reversed(field.elements())


def _syntax_error(error: json.JSONDecodeError, path: str, line: int) -> FileFormatError:
    """Return the error for text that is no JSON; the decoder says "Expecting" and what, or what is wrong."""
    _, is_wanted, wanted = error.msg.rpartition("Expecting ")
    problem = "this is no valid JSON" + ("" if is_wanted else f": {error.msg[0].lower()}{error.msg[1:]}")
    where = f"line {line}, column {error.colno}"
    if error.pos < len(error.doc.rstrip()):
        found, remedy = repr(error.doc[error.pos]), "Correct the file, or export it again."
    else:
        found, remedy = "the end of the file", "The file may be cut short; export it again."
    return FileFormatError(problem, path, where, found, wanted if is_wanted else "", remedy)


# --- times ------------------------------------------------------------------------------------------------


def read_instant(field: Field, *, naive_allowed: bool) -> datetime:
    """Return the moment that an ISO 8601 text with an offset names.

    Parameters
    ----------
    field : Field
        The text.
    naive_allowed : bool
        Whether a time without an offset may pass (a zone is given by the user).

    Raises
    ------
    FileFormatError
        When the text is no date with a time.
    ClockError
        When it tells no offset and ``naive_allowed`` is false.
    """
    expected = "a date, a time and an offset such as 2026-03-01T22:41:00+02:00"
    text = field.text(expected).strip()
    match = _INSTANT.fullmatch(text)
    if match is None:
        # what looks like a time is shown as it is, and only the kind of anything else
        is_safe = re.fullmatch(r"[0-9TtZz:.,+ -]{1,40}", text, re.ASCII)
        field.fail("the time cannot be read", expected=expected, found=f"'{text}'" if is_safe else kind_of(text))
    if match[2] is None:
        remedy = "Stages need clock times; a date is enough for totals only."
        field.fail("a date alone tells no moment", expected=expected, found=text, remedy=remedy)
    try:
        moment = datetime.fromisoformat(text.replace(",", ".").replace(" ", "T", 1).replace(" ", "").upper())
    except ValueError:
        field.fail("there is no such date or time", expected=expected, found=text)
    if not _YEARS[0] <= moment.year <= _YEARS[1]:
        field.fail("the year is out of range", expected=f"{_YEARS[0]} to {_YEARS[1]}", found=text)
    if moment.tzinfo is None and not naive_allowed:
        problem = "a time without an offset names no moment"
        said = f"Give the zone the times are in: {Option.ZONE:ZONE}"
        remedy = said + for_page(
            ', or in a layout\n    [file]\n    zone = "Europe/Helsinki"', ", such as Europe/Helsinki."
        )
        raise ClockError(problem, field.path, field.place, text, "an offset (Z or +02:00) after the time", remedy)
    return moment
