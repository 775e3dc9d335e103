"""A layout tells how to read a device's file: columns, times, zone, labels, and what the device can say."""

# ruff: noqa: RUF009 - the functions below make fields, as dataclasses.field does

from __future__ import annotations

import codecs
import contextlib
import datetime as dt
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, Final, NamedTuple

from sleepagree.errors import ClockError, FileFormatError, Option, asked, for_page, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.files.toml import TomlError, parse_toml, toml_text
from sleepagree.mapping.words import canonical_stage

#: A delimiter that parts a line behind the times that it begins with; what follows is one cell.
AFTER_TIMES: Final = "after times"
#: The delimiter of columns that stand below each other: two spaces or more.
WIDE_SPACES: Final = "spaces"
#: What stands for the stage in the form of a text.
STAGE_PLACE: Final = "{stage}"


class Shape(StrEnum):
    """What one row of a table stands for."""

    EPOCHS = "epochs"
    INTERVALS = "intervals"
    RUNS = "runs"
    ACROSS = "across"


class Marks(StrEnum):
    """Which moment of its epoch the time of a row names."""

    START = "start"
    MIDDLE = "middle"
    END = "end"


class Ends(StrEnum):
    """Whether the end of an interval is its first moment after, or its last moment within."""

    EXCLUSIVE = "exclusive"
    INCLUSIVE = "inclusive"


class NightOf(StrEnum):
    """Which day a date beside a clock time names."""

    WAKE_DAY = "wake-day"
    BED_DAY = "bed-day"


class Overlaps(StrEnum):
    """What to do where rows overlap."""

    REFUSE = "refuse"
    SHORTER_WINS = "shorter-wins"
    LATER_WINS = "later-wins"


class Silence(StrEnum):
    """What a device means where it writes nothing between two stages."""

    MISSING = "missing"
    WAKE = "wake"


class TimeForm(StrEnum):
    """How times are written, where it is no strptime text."""

    ISO = "iso"
    UNIX_S = "unix-s"
    UNIX_MS = "unix-ms"
    ELAPSED_MS = "elapsed-ms"
    ELAPSED_S = "elapsed-s"
    ELAPSED_MIN = "elapsed-min"
    ELAPSED_H = "elapsed-h"

    @property
    def is_elapsed(self) -> bool:
        """Whether times count from the start of the recording."""
        return self in ELAPSED_UNITS


#: Seconds in a unit of time since the start of the recording; the one that is tried first comes first.
ELAPSED_UNITS: Final[Mapping[TimeForm, float]] = {
    TimeForm.ELAPSED_S: 1.0,
    TimeForm.ELAPSED_MIN: 60.0,
    TimeForm.ELAPSED_H: 3600.0,
    TimeForm.ELAPSED_MS: 0.001,
}
TIME_FORMS: Final = ", ".join(TimeForm)


DURATION_UNITS: Final[Mapping[str, float]] = {"s": 1.0, "min": 60.0, "ms": 0.001, "h": 3600.0}
#: The unit of durations that are counts of epochs.
_EPOCHS: Final = "epochs"
_LONGEST_EPOCH_S: Final = 3600.0


# --- values -----------------------------------------------------------------------------------------------


def _text(value: Any) -> str | None:
    return value.strip() or None if isinstance(value, str) else None


def _stage_words(value: Any) -> tuple[str, ...] | None:
    usable = isinstance(value, list) and value and all(isinstance(word, str) for word in value)
    return tuple(value) if usable else None


def _column_names(value: Any) -> tuple[str, ...] | None:
    names = [_text(name) for name in value] if isinstance(value, list) else []
    return tuple(filter(None, names)) if len(names) > 1 and None not in names else None


def _epoch_seconds(value: Any) -> float | None:
    if isinstance(value, str) and re.fullmatch(r"\d+(\.\d+)?", value.strip(), re.ASCII):
        value = float(value)  # a blank of a proposed layout that was filled in between its quotes
    usable = isinstance(value, int | float) and not isinstance(value, bool) and 1.0 <= value <= _LONGEST_EPOCH_S
    return float(value) if usable else None


def _time_form(value: Any) -> str | None:
    if value in list(TimeForm):
        return str(value)
    if not isinstance(value, str) or "%" not in value:
        return None
    if reason := strptime_fault(value):
        raise ValueError(reason)
    return value


def _day_or_moment(value: Any) -> dt.date | None:
    """Return a date, or a date with a time; a text is read as ISO 8601."""
    if isinstance(value, str):
        text = value.strip()
        form = r"\d{4}-\d\d-\d\d(?P<time>[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:?\d\d)?)?"
        match = re.fullmatch(form, text, re.ASCII)
        try:
            parse = dt.datetime.fromisoformat if match and match["time"] else dt.date.fromisoformat
            value = parse(text) if match else None
        except ValueError:
            return None
    return value if isinstance(value, dt.date) and 1000 <= value.year < 9000 else None


def _delimiter(value: Any) -> str | None:
    if value in (AFTER_TIMES, WIDE_SPACES):
        return str(value)
    usable = isinstance(value, str) and len(value) == 1 and value not in '"\r\n\x00' and not value.isalnum()
    return value if usable else None


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**31 else None


def _one_of_column(value: Any) -> str | None:
    """Return a value of a column; a blank is "", which a reader refuses with all that there are."""
    if isinstance(value, str):
        return value.strip()
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else None


def _stage_form(value: Any) -> str | None:
    form = _text(value) or ""
    usable = form.count(STAGE_PLACE) == 1 and f"*{STAGE_PLACE}" not in form and f"{STAGE_PLACE}*" not in form
    return form if usable else None


def _encoding(value: Any) -> str | None:
    """Return the name of an encoding of texts; "rot13", "zip" and their like are codecs too."""
    name = _text(value)
    if name is None:
        raise ValueError('a text in quotes, such as "Start time"')
    try:
        usable = isinstance(b"a".decode(codecs.lookup(name).name), str)
    except (LookupError, UnicodeError, ValueError):
        usable = name.casefold().replace("-", "").replace("_", "").startswith(("utf16", "utf32"))
    return name if usable else None


class _Key(NamedTuple):
    """How a value of a layout is read: None or a ValueError where it cannot be, and what is expected then."""

    read: Callable[[Any], Any]
    expected: str
    is_above: bool = False  # [file]
    is_column: bool = False


def _key(read: Callable[[Any], Any], expected: str, default: Any = None, **where: bool) -> Any:
    """Return a field of a layout."""
    return field(default=default, metadata={"key": _Key(read, expected, **where)})


def _one_of(values: Mapping[str, Any], default: Any = None) -> Any:
    expected = "one of " + ", ".join(values)
    return _key(lambda word: values.get(word) if isinstance(word, str) else None, expected, default)


def _choice(kind: type[StrEnum], default: StrEnum | None = None) -> Any:
    return _one_of({member.value: member for member in kind}, default)


def _quoted(example: str, what: str = "a text", read: Callable[[Any], Any] = _text, **where: bool) -> Any:
    return _key(read, f'{what} in quotes, such as "{example}"', **where)


def _column() -> Any:
    return _quoted("Start time", is_column=True)


@dataclass(frozen=True)
class Layout:
    """How to read one kind of file; every field that is None is found by plain names or sniffed.

    Parameters
    ----------
    name : str
        File name of the layout, for messages.
    reports : tuple of str or None
        What the device can report, in stage words.
    epoch_seconds : float or None
        Length of an epoch.
    shape : Shape or None
        What a row stands for.
    start, end, duration, stage, date : str or None
        Names of columns; ``start`` and ``end`` are the same where a cell holds both ("23:10 - 23:14").
    stage_columns : tuple of str or None
        Names of columns in one of which each row has a mark; they are the labels then, in the place of ``stage``.
    stage_form : str or None
        Where the stage stands in the texts of its column: ``{stage}`` for it, ``#`` for a number, ``*`` for what
        else differs. A text of another form is a label by itself, with ``#`` for its numbers.
    epoch_number, person_column, night_column, zone_column, am_pm : str or None
        Names of columns of numbers of epochs, of whom and of which night a row is about, of the zone of its times, and
        of AM or PM.
    duration_unit : float or None
        Seconds in one unit of the duration column (1, 60, 3600 or 0.001; the length of an epoch where it counts
        epochs). Cells such as 17:30 are minutes and seconds of the unit 60, hours and minutes of the unit 3600.
    marks : Marks
        Which moment of an epoch a row's time names.
    ends : Ends or None
        Whether the end column names the first moment after an interval (as None does) or its last moment.
    time : str or None
        A ``TimeForm`` ("iso", "unix-s", "elapsed-min" ...) or a strptime text.
    night_of : NightOf or None
        Which day the date beside times that cross midnight names.
    begins : date or datetime or None
        Clock time of elapsed second 0, for files that hold elapsed time only; for times without dates, the
        date of the night (see ``night_of``) or a moment that no row comes before.
    zone : str or None
        IANA name of the zone of naive times.
    overlaps : Overlaps
        What to do where rows overlap.
    silence : Silence
        What it means where nothing is written between two stages.
    delimiter, encoding : str or None
        Of the table.
    first_epoch : int or None
        Number of the epoch that begins at ``begins``; None for 0 or 1, whichever the file begins with.
    person, night : str or None
        Whose rows to read, as ``person_column`` names people, and those of which night, as ``night_column`` does.
    skip_lines : int
        Lines above the table, or above its names.
    foot : str or None
        How the first line below the table begins; it and what follows are left out and counted.
    header : bool
        Whether the first line names the columns; they are called "1", "2" ... where it does not.
    records : str or None
        Path of the list of records inside JSON, such as ``sleep.segments``.
    source : int or None
        Which source of FHIR or mobile-health records to read where several scored one night, counted from 1 in order
        of the file.
    sheet : str or None
        Sheet of a spreadsheet.
    stages : dict of str to str
        Label -> stage word, "unscored" or "not-a-stage".
    """

    name: str = ""
    reports: tuple[str, ...] | None = _key(
        _stage_words, 'a list of stages, such as ["wake", "light", "deep"]', is_above=True
    )
    epoch_seconds: float | None = _key(_epoch_seconds, "a number of seconds from 1 to 3600", is_above=True)
    shape: Shape | None = _choice(Shape)
    start: str | None = _column()
    end: str | None = _column()
    duration: str | None = _column()
    stage: str | None = _column()
    date: str | None = _column()
    stage_columns: tuple[str, ...] | None = _key(
        _column_names, 'a list of two columns or more, such as ["Wake", "Light", "Deep"]'
    )
    duration_unit: float | None = _one_of({**DURATION_UNITS, _EPOCHS: _EPOCHS})
    marks: Marks = _choice(Marks, Marks.START)
    ends: Ends | None = _choice(Ends)
    time: str | None = _key(_time_form, f'one of {TIME_FORMS}, or a strptime text such as "%d.%m.%Y %H:%M:%S"')
    night_of: NightOf | None = _choice(NightOf)
    begins: dt.date | None = _key(_day_or_moment, "a date and time such as 2026-03-01T22:30:00, or a date")
    zone: str | None = _quoted("Europe/Helsinki", "a time zone")
    overlaps: Overlaps = _choice(Overlaps, Overlaps.REFUSE)
    silence: Silence = _choice(Silence, Silence.MISSING)
    delimiter: str | None = _key(
        _delimiter, 'one character such as ",", ";", "|" or "\\t", "spaces" (two or more), or "after times"'
    )
    encoding: str | None = _key(_encoding, "a name such as utf-8, cp1252, iso-8859-15 or utf-16")
    epoch_number: str | None = _column()
    person_column: str | None = _column()
    night_column: str | None = _column()
    zone_column: str | None = _column()
    am_pm: str | None = _column()
    first_epoch: int | None = _key(_whole, "a whole number such as 1")
    person: str | None = _quoted("crew-3", read=_one_of_column)
    night: str | None = _quoted("2", read=_one_of_column)
    skip_lines: int = _key(_whole, "a number of lines, 0 or more", 0)
    header: bool = _key(lambda value: value if isinstance(value, bool) else None, "true or false", default=True)
    records: str | None = _quoted("sleep.segments", "a path")
    source: int | None = _key(_whole, "a whole number such as 2")
    sheet: str | None = _quoted("Night 1")
    foot: str | None = _quoted("Total")
    stage_form: str | None = _key(
        _stage_form, 'a text with {stage} in it once, such as "state changed to {stage} (pulse #)"'
    )
    stages: dict[str, str] = field(default_factory=dict)


NO_LAYOUT: Final = Layout()

_KEYS: Final[Mapping[str, _Key]] = {f.name: f.metadata["key"] for f in fields(Layout) if "key" in f.metadata}
#: What a layout calls the columns that it can name.
COLUMNS: Final = tuple(name for name, key in _KEYS.items() if key.is_column)
#: Keys above ``[file]``, and below it.
EPOCH_KEYS: Final = tuple(name for name, key in _KEYS.items() if key.is_above)
FILE_KEYS: Final = tuple(name for name, key in _KEYS.items() if not key.is_above)
_TOP_KEYS: Final = (*EPOCH_KEYS, "file", "stages")


def one_zone(zone: str | None, layout: Layout, path: str) -> str | None:
    """Return the zone of a file's naive times, as asked or by its layout; raise a ClockError where the two differ."""
    if zone is not None and layout.zone is not None and zone != layout.zone:
        problem = for_page("the layout names one zone, the command another", "two zones are named")
        remedy = "Take one of them out."
        found = f"{layout.zone} in {layout.name or 'the layout'}, {zone} on the command line or in the nights table"
        raise ClockError(problem, path, "zone", found, "one zone", remedy)
    return zone or layout.zone


def read_layout(path: str | os.PathLike[str]) -> Layout:
    """Read a layout file.

    Parameters
    ----------
    path : path-like
        TOML file with ``reports`` and ``epoch_seconds`` at its top and the tables ``[file]`` and ``[stages]``;
        every key may be left out.

    Returns
    -------
    Layout

    Raises
    ------
    FileFormatError
        When the file is no TOML, a key is unknown, or a value has the wrong type or is none of the choices.
        Names of zones and of stages are looked up later, when a file is read with the layout.
    InputError
        When the file cannot be read.

    Examples
    --------
    >>> layout = read_layout("fixtures/ferry/band-a.toml")
    >>> layout.reports
    ('wake', 'light', 'deep')
    """
    name = os.fspath(path)
    return parse_layout(read_bytes(path, expected="a layout (TOML)"), name)


def parse_layout(data: bytes, name: str) -> Layout:
    """Return the layout in the bytes of a file; see :func:`read_layout`."""
    document = _parse(data, name)
    checker = _Checker(name)
    checker.refuse_unknown(document, _TOP_KEYS, "")
    table = checker.table(document, "file")
    checker.refuse_unknown(table, FILE_KEYS, "[file]")
    given = checker.values(document, EPOCH_KEYS, "key '{}'") | checker.values(table, FILE_KEYS, "[file], key '{}'")
    checker.refuse_shared_columns(given)
    if given.get("duration_unit") == _EPOCHS:
        given["duration_unit"] = given.get("epoch_seconds")
        if given["duration_unit"] is None:
            remedy = "Give the length of an epoch above [file]:\n    epoch_seconds = 30"
            raise checker.wrong("[file], key 'duration_unit'", _EPOCHS, "epoch_seconds beside it", remedy)
    base = os.path.basename(name)  # noqa: PTH119 - a Path costs more than the rest of this function
    return Layout(base, **given, stages=checker.stages(document, data))


def layout_of(values: Mapping[str, Any], stages: Mapping[str, str], *, name: str = "") -> Layout:
    """Return the layout that has values of keys, written as a layout file writes them, and the lines of ``[stages]``.

    Raises
    ------
    FileFormatError
        When a value is none that a layout can have.
    """
    top, below = (
        [f"{key} = {toml_value(value)}" for key, value in values.items() if (key in EPOCH_KEYS) is is_above]
        for is_above in (True, False)
    )
    told = [f"{toml_text(label)} = {toml_text(word)}" for label, word in stages.items()]
    return parse_layout("\n".join([*top, "[file]", *below, "[stages]", *told]).encode(), name)


def told_values(layout: Layout) -> dict[str, Any]:
    """Return what a layout says, as a layout file writes it, without the lines of ``[stages]``."""
    told = {key: value for key in _KEYS if (value := getattr(layout, key)) != getattr(NO_LAYOUT, key)}
    if "duration_unit" in told:
        units = (unit for unit, seconds in DURATION_UNITS.items() if seconds == told["duration_unit"])
        told["duration_unit"] = next(units, _EPOCHS)
    if "begins" in told:
        told["begins"] = told["begins"].isoformat()
    return told


def toml_value(value: Any) -> str:
    """Return a value as a layout file writes it."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):  # with all its digits
        return str(int(value) if value == int(value) else value)
    return toml_text(str(value)).replace("\\U00000009", "\\t")


def for_layout(lead: str, key: str, value: Any, *others: str) -> str:
    """Return a remedy that shows a line of a layout, and on the page the answer that says the same.

    Parameters
    ----------
    lead : str
        What leads to the line.
    key, value
        Of the line.
    *others : str
        Other values that may stand there.

    Examples
    --------
    >>> from sleepagree.errors import Front, name_options
    >>> text = for_layout("Give a layout with", "duration_unit", "min", "s", "ms")
    >>> print(name_options(text, Front.COMMAND))
    Give a layout with
        [file]
        duration_unit = "min"
      or "s" or "ms".
    >>> print(name_options(text, Front.PAGE))
    Answer "Unit of durations": min, s or ms.
    """
    line, answer = f"{key} = {toml_value(value)}", str(asked(key, value))
    if others:
        *some, last = others
        line += "\n  or " + ", ".join(f'"{other}"' for other in some) + f' or "{last}".'
        answer = ", ".join((answer, *some)) + f" or {last}"
    above = "" if key in EPOCH_KEYS else "\n    [file]"
    return for_page(f"{lead}{above}\n    {line}", f"{'Answer' if lead[:1].isupper() else 'answer'} {answer}.")


def for_labels(labels: Iterable[str]) -> str:
    """Return a remedy that shows the lines of a layout that say what labels mean."""
    lines = "\n".join(f'    {toml_text(label)} = "..."' for label in labels)
    return for_page(
        f"Give a layout ({Option.LAYOUT:FILE.toml}) with\n    [stages]\n{lines}", "Say what each label means."
    )


def _parse(data: bytes, path: str) -> dict[str, Any]:
    try:
        return parse_toml(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        problem, expected = "the layout is not UTF-8 text", "a text in UTF-8"
        remedy = "Save the layout as UTF-8."
        found = f"byte 0x{data[error.start]:02x}"
        raise FileFormatError(problem, path, f"byte {error.start}", found, expected, remedy) from None
    except TomlError as error:
        problem, remedy = "the layout is not valid TOML", "Texts stand in quotes and a key stands once."
        raise FileFormatError(problem, path, error.where, error.reason, "TOML 1.0", remedy) from None


class _Checker(NamedTuple):
    """Takes values out of the TOML tables, or raises an error that says what would have been right."""

    path: str

    def wrong(self, where: str, found: Any, expected: str, remedy: str = "") -> FileFormatError:
        shown = f"'{found}'" if isinstance(found, str) else str(found)
        return FileFormatError("wrong value in the layout", self.path, where, shown, expected, remedy)

    def refuse_unknown(self, table: Mapping[str, Any], known: Sequence[str], section: str) -> None:
        key = next((key for key in table if key not in known), None)
        if key is None:
            return
        other, place = (FILE_KEYS, "[file]") if section == "" else (_TOP_KEYS, "the top, above [file]")
        if key in other:
            remedy = f"'{key}' belongs in {place}." if section == "" else f"'{key}' belongs at {place}."
        else:
            import difflib

            near = difflib.get_close_matches(key[:80].casefold(), known, 2, 0.6)
            remedy = f"Did you mean {' or '.join(near)}?" if near else ""
        problem, where, expected = "unknown key in the layout", section or "top level", "one of " + ", ".join(known)
        raise FileFormatError(problem, self.path, where, f"'{shorten(key)}'", expected, remedy)

    def table(self, document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        value = document.get(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, value, f"a table [{key}]")
        return value

    def values(self, table: Mapping[str, Any], keys: Sequence[str], place: str) -> dict[str, Any]:
        """Return the values of those keys that a table has."""
        values = {}
        for key in keys:
            if key in table:
                try:
                    values[key] = _KEYS[key].read(table[key])
                except ValueError as error:
                    raise self.wrong(place.format(key), table[key], str(error)) from None
                if values[key] is None:
                    raise self.wrong(place.format(key), table[key], _KEYS[key].expected)
        return values

    def refuse_shared_columns(self, given: Mapping[str, Any]) -> None:
        if "stage_columns" in given and "stage" in given:
            raise self.wrong("[file], keys 'stage' and 'stage_columns'", given["stage"], "one of the two keys")
        if "stage_columns" in given and "stage_form" in given:
            where = "[file], keys 'stage_form' and 'stage_columns'"
            raise self.wrong(where, given["stage_form"], "one of the two keys")
        named = [(key, given[key]) for key in COLUMNS if key in given]
        named += [("stage_columns", column) for column in given.get("stage_columns", ())]
        for i, (key, column) in enumerate(named):
            for other, other_column in named[:i]:
                if column == other_column and (other, key) != ("start", "end"):
                    raise self.wrong(f"[file], keys '{other}' and '{key}'", column, "a column of its own for each")

    def stages(self, document: Mapping[str, Any], data: bytes) -> dict[str, str]:
        table = self.table(document, "stages")
        for label, word in table.items():
            if not isinstance(word, str) or not word.strip():
                expected = 'a stage in quotes, such as "light", "unscored" or "not-a-stage"'
                raise self.wrong(f"[stages], label '{shorten(label)}'", word, expected)
        self._refuse_contradictions(table, data)
        return {label: word.strip() for label, word in table.items()}

    def _refuse_contradictions(self, table: Mapping[str, str], data: bytes) -> None:
        """Refuse two spellings of one label with two stages: labels are matched without regard to case and spacing."""
        seen: dict[str, str] = {}
        for label, word in table.items():
            other = seen.setdefault(" ".join(label.split()).casefold(), label)
            if _stage_key(table[other]) != _stage_key(word):
                lines = [f"{toml_text(name)} = {toml_text(table[name].strip())}" for name in (other, label)]
                places = [_line_of_label(data, name) for name in (other, label)]
                problem, found = "two lines give one label two stages", " and ".join(map(shorten, lines))
                where = f"[stages], lines {places[0]} and {places[1]}" if all(places) else "[stages]"
                expected = "one stage for a label, whose case and spacing do not count"
                raise FileFormatError(problem, self.path, where, found, expected, "Take one of the two lines out.")


def _stage_key(word: str) -> str:
    return canonical_stage(word) or word.strip().casefold()


def _line_of_label(data: bytes, label: str) -> int | None:
    """Return the line on which a label stands as a key; None where it stands inside something longer."""
    for number, line in enumerate(data.decode("utf-8-sig").split("\n"), 1):
        with contextlib.suppress(TomlError):
            if label in parse_toml(line.replace("stages.", "", 1) if line.lstrip().startswith("stages.") else line):
                return number
    return None


# --- times ------------------------------------------------------------------------------------------------

_DAY_DIRECTIVES: Final = ("d", "j")
_MONTH_DIRECTIVES: Final = ("m", "b", "B", "j")
_YEAR_DIRECTIVES: Final = ("Y", "y", "EY")
#: Week numbers and the locale's own forms are left out: nobody can tell what they mean on another computer.
_KNOWN_DIRECTIVES: Final = frozenset([*"YymbBdjaAHIpMSfz%", "EY"])


def strptime_directives(text: str) -> tuple[str, ...]:
    """Return the letters that follow a percent sign in a strptime text, "%%" left out.

    "%EY" is the year of the Buddhist era, as in the Thai locale of POSIX.
    """
    return tuple(letter for letter in re.findall(r"%(EY|.?)", text, re.DOTALL) if letter != "%")


def strptime_has_date(text: str) -> bool:
    """Whether a strptime text names a date."""
    return any(letter in _YEAR_DIRECTIVES for letter in strptime_directives(text))


def strptime_has_half_days(text: str) -> bool:
    """Whether a strptime text names the hours of a 12-hour clock and no half of the day."""
    letters = strptime_directives(text)
    return "I" in letters and "p" not in letters


def strptime_fault(text: str) -> str:
    """Return what a strptime text should have been, or "" where it tells a moment of a day or a date too."""
    letters = strptime_directives(text)
    unknown = [letter for letter in letters if letter not in _KNOWN_DIRECTIVES]
    if unknown:
        return f"no '%{unknown[0]}', which cannot be read the same way everywhere"
    if len(set(letters)) < len(letters):
        return "each part of a time once"
    parts = [
        any(letter in letters for letter in group) for group in (_YEAR_DIRECTIVES, _MONTH_DIRECTIVES, _DAY_DIRECTIVES)
    ]
    # %H beside %p lets 10:30 PM pass for half past ten in the morning, and %I without %p names two hours of a date
    hours = set(letters) & {"H", "I", "p"}
    is_whole_hour = hours == {"H"} and "S" not in letters
    if not ("M" in letters or is_whole_hour) or hours not in ({"H"}, {"I", "p"}, *([] if any(parts) else [{"I"}])):
        return "hours and minutes (%H:%M, or %I:%M %p)"
    if any(parts) and not all(parts):
        return "a whole date (year, month, day) or none"
    return ""
