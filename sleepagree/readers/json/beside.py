"""What stands beside the rows of a JSON document: legends of codes, and when counted time begins. Proposals only."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from sleepagree.mapping.languages import words_for_stages
from sleepagree.readers.json.records import ANY

_MOST_CODES: Final = 40
_BEGINNING: Final = re.compile(r"start|beg[aiu]n|onset|anchor|origin|zero|base|t0|from", re.IGNORECASE)
_ISO: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:?\d\d)?", re.ASCII)
_MIDNIGHT_24: Final = re.compile(r"T24(?=:00(?::00(?:\.0+)?)?(?:[Z+-]|$))")
_DAY: Final = re.compile(r"(\d{1,4})[-./年] ?(\d{1,2})[-./月] ?(\d{1,4})[.日]?", re.ASCII)
_ORDERS: Final = ("ymd", "dmy", "mdy")
_YEARS: Final = (2000, 2100)
#: A layout takes no others.
_YEARS_OF_LAYOUTS: Final = (1000, 8999)
#: Unix seconds and milliseconds of the years 2000 to 2100.
_UNIX: Final = ((946_684_800, 4_102_444_800, 1), (946_684_800_000, 4_102_444_800_000, 1000))


def legends(document: Any) -> list[dict[str, str]]:
    """Return every short list or object of codes with names, as code -> name.

    Parameters
    ----------
    document : object
        Decoded JSON.
    """
    found = []
    for _, value in parts_of(document):
        pairs = _pairs_of(value)
        codes, names = dict(pairs), {name: code for code, name in pairs}
        if len(codes) == len(names) == len(pairs) and len(words_for_stages(list(codes.values()))) >= 2:
            found.append(codes)
            if isinstance(value, list) and isinstance(value[0], str):  # some count from 1: codes that fit both fit none
                found.append({str(int(code) + 1): name for code, name in pairs})
    return found


def legend_names(document: Any) -> set[str]:
    """Return the names of the fields that hold legends: a track of that name is what they explain."""
    return {path.rpartition(".")[2] for path, value in parts_of(document) if legends(value) and _pairs_of(value)}


def _pairs_of(value: Any) -> list[tuple[str, str]]:
    return list(_pairs(value)) if isinstance(value, dict | list) and 2 <= len(value) <= _MOST_CODES else []


def one_night(value: Any, path: str) -> Any:
    """Return a document in which the lists that a path takes one element of hold that one alone."""
    step, _, rest = path.partition(".")
    key, bracket, index = step.partition("[")
    if key:
        if not isinstance(value, dict) or key not in value:
            return value
        return {**value, key: one_night(value[key], bracket + index + "." * bool(rest) + rest)}
    if bracket and isinstance(value, list):
        return [one_night(value[int(index.removesuffix("]"))], rest)]
    return one_night(value, rest) if rest else value


def without_elements(path: str) -> str:
    """Return a path that takes all elements of the lists of which a path takes one."""
    return re.sub(r"\[\d+\]", "", path)


def nights_like(value: Any, path: str, above: str = "") -> Iterator[str]:
    """Yield the paths, in order, that lead where a path leads, in any element of the lists of which it takes one."""
    step, _, rest = path.partition(".")
    key, bracket, index = step.partition("[")
    if key and key != ANY and not isinstance(value, list):  # into each object of a list it leads on by itself
        if isinstance(value, dict) and key in value:
            inner = bracket + index + "." * bool(rest and bracket) + rest
            yield from nights_like(value[key], inner, f"{above}.{key}".lstrip("."))
    elif bracket and not key:
        for i, inner in enumerate(value if isinstance(value, list) else []):
            yield from nights_like(inner, rest, f"{above}[{i}]")
    else:
        yield f"{above}.{path}".strip(".")


def _pairs(value: Mapping[str, Any] | Sequence[Any]) -> Iterator[tuple[str, str]]:
    """Yield codes with names: of an object, of objects with a field for each, or of a list of names from 0 on."""
    if isinstance(value, dict):
        items = list(value.items())
        if all(isinstance(inner, str) for _, inner in items):
            yield from items
        elif all(_is_code(inner) for _, inner in items):
            yield from ((str(inner), name) for name, inner in items)
    elif all(isinstance(inner, str) for inner in value):
        if len(set(value)) == len(value):
            yield from ((str(i), name) for i, name in enumerate(value))
    else:
        for inner in value:
            if not isinstance(inner, dict):
                return
            codes = [str(v) for v in inner.values() if _is_code(v)] or [v for v in inner.values() if isinstance(v, str)]
            names = [v for v in inner.values() if isinstance(v, str) and v != codes[0]] if codes else []
            if codes and names:
                words = [name for name in names if words_for_stages([name])]
                yield codes[0], (words or names)[0]


def _is_code(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def beginnings(document: Any) -> list[tuple[str, str]]:
    """Return fields that seem to tell when a recording begins: path, and its moment as a layout writes it."""
    found = []
    for path, value in parts_of(document):
        if _BEGINNING.search(path.rpartition(".")[2]) and (moment := _moment(value)):
            found.append((path, moment))
    return found


def moments_beside(document: Any, path: str) -> list[tuple[str, str]]:
    """Return the fields of the night at a path that hold a moment, whatever their names.

    They are those of the object of its rows, else of the nearest one around it.
    """
    parent = without_elements(path).rpartition(".")[0]
    held = [(name, moment) for name, value in parts_of(one_night(document, path)) if (moment := _moment(value))]
    while not (found := [told for told in held if told[0].rpartition(".")[0] == parent]) and parent:
        parent = parent.rpartition(".")[0]
    return found


def beginning_of_rows(moments: Sequence[tuple[str, str]], seconds: float) -> tuple[str, str] | None:
    """Return the one field whose moment lies as long before that of another as all rows last; None for none or several.

    Parameters
    ----------
    moments : sequence of (str, str)
        Fields beside the rows, with their moments.
    seconds : float
        How long all rows last together.
    """
    read = [(name, moment, datetime.fromisoformat(moment)) for name, moment in moments]
    found = {
        moment: name
        for name, moment, begin in read
        for _, _, end in read
        if (begin.tzinfo is None) == (end.tzinfo is None) and abs((end - begin).total_seconds() - seconds) <= 1
    }
    return next((name, moment) for moment, name in found.items()) if len(found) == 1 and seconds > 1 else None


def beginning(document: Any, path: str) -> str | None:
    """Return the one moment at which the night at a path seems to begin; None where fields tell none or several.

    Where no name of a field tells a beginning it is the first moment that stands beside the rows.
    """
    moments = {moment for _, moment in beginnings(one_night(document, path))}
    if not moments:
        return min((moment for _, moment in moments_beside(document, path)), key=_naive, default=None)
    return moments.pop() if len(moments) == 1 else None


def days_of_nights(document: Any, path: str) -> dict[str, tuple[str, date]]:
    """Return what a field beside the rows of each night like the one at a path says of its day, and that day.

    Empty where a night has none, or where day, month and year may stand in more than one order.
    """
    fields = {night: _days_beside(document, night) for night in nights_like(document, path)}
    if not fields or not all(fields.values()):
        return {}
    name = next(iter(next(iter(fields.values()))))
    texts = {night: told.get(name, "") for night, told in fields.items()}
    read = [found for order in _ORDERS if (found := _in_order(texts, order))]
    if not read or any(other != read[0] for other in read):
        return {}
    return {night: (texts[night], day) for night, day in read[0].items()}


def _days_beside(document: Any, path: str) -> dict[str, str]:
    parent = without_elements(path).rpartition(".")[0]
    held = parts_of(one_night(document, path))
    return {
        name: value.strip()
        for name, value in held
        if isinstance(value, str) and _DAY.fullmatch(value.strip()) and name.rpartition(".")[0] == parent
    }


def _in_order(texts: Mapping[str, str], order: str) -> dict[str, date]:
    """Return the days of texts whose parts stand in an order such as "dmy"; empty where one cannot."""
    days = {}
    for night, text in texts.items():
        if (match := _DAY.fullmatch(text)) is None:
            return {}
        parts = dict(zip(order, map(int, match.groups()), strict=True))
        try:
            days[night] = date(parts["y"], parts["m"], parts["d"])
        except ValueError:
            return {}
        if not _YEARS[0] <= parts["y"] <= _YEARS[1]:
            return {}
    return days


def _naive(moment: str) -> datetime:
    return datetime.fromisoformat(moment).replace(tzinfo=None)


def night_that_begins(document: Any, path: str, begins: datetime) -> tuple[str, str] | None:
    """Return another night than that at a path, and its field, that begins at a moment; None where that one may."""
    for night in dict.fromkeys((path, *nights_like(document, path))):
        told = beginnings(one_night(document, night)) or moments_beside(document, night)
        if name := next((name for name, moment in told if _is_moment(moment, begins)), None):
            return None if night == path else (night, name)
    return None


def _is_moment(text: str, moment: datetime) -> bool:
    """Whether a field tells a moment, by the same clock or by one that is known beside one that is not."""
    told = datetime.fromisoformat(text)
    if (told.tzinfo is None) == (moment.tzinfo is None):
        return told == moment
    return told.replace(tzinfo=None) == moment.replace(tzinfo=None)


def iso_moment(text: str) -> str | None:
    """Return a moment in ISO 8601 as a layout writes it, 24:00 as the next midnight; None where there is no such one.

    Examples
    --------
    >>> iso_moment("2026-02-28 22:30"), iso_moment("2026-02-28T24:00:00Z"), iso_moment("2026-02-30T22:30:00")
    ('2026-02-28T22:30', '2026-03-01T00:00:00+00:00', None)
    """
    told = text.strip().replace(" ", "T", 1)
    plain = _MIDNIGHT_24.sub("T00", told)
    if not _ISO.fullmatch(told):
        return None
    try:
        moment = datetime.fromisoformat(plain)
    except ValueError:
        return None
    if not _YEARS_OF_LAYOUTS[0] <= moment.year < _YEARS_OF_LAYOUTS[1]:
        return None
    return told if plain == told else (moment + timedelta(days=1)).isoformat()


def _moment(value: Any) -> str | None:
    if isinstance(value, str):
        return iso_moment(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        for low, high, second in _UNIX:
            if low <= value <= high:
                return datetime.fromtimestamp(value / second, UTC).isoformat()
    return None


def parts_of(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield all that stands in objects inside each other, with its path; a list of rows is not looked into."""
    yield path, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from parts_of(inner, f"{path}.{key}".lstrip("."))
    elif isinstance(value, list) and len(value) == 1:
        yield from parts_of(value[0], path)
