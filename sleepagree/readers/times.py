"""Columns of times, parsed in bulk and exactly: everything is whole microseconds until the very end.

A column is accepted fast when all its cells have one fixed shape, and read cell by cell otherwise, which is
also how a cell that cannot be read is found and shown. Nothing is guessed: a text is ISO 8601, or a number whose
size proves its unit, or what the layout declares.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from enum import StrEnum
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, ZoneName
from sleepagree.errors import ClockError, FileFormatError, SleepAgreeError, shorten
from sleepagree.readers.layout import (
    NightOf,
    TimeForm,
    strptime_directives,
    strptime_fault,
    strptime_has_date,
    toml_text,
)

Microseconds = NDArray[np.int64]

SECOND_US: Final = 1_000_000
HOUR_US: Final = 3600 * SECOND_US
DAY_US: Final = 24 * HOUR_US

_EPOCH: Final = datetime(1970, 1, 1)
#: Moments that can be shown in any zone. Dates that were shifted to hide when a night was may lie far off.
EARLIEST_US: Final = (datetime(1000, 1, 1) - _EPOCH) // timedelta(microseconds=1)
LATEST_US: Final = (datetime(9000, 1, 1) - _EPOCH) // timedelta(microseconds=1)
_YEAR_2000_US: Final = 946_684_800 * SECOND_US
_YEAR_2100_US: Final = 4_102_444_800 * SECOND_US
#: Elapsed time beyond three years is no elapsed time.
_LONGEST_ELAPSED_US: Final = 100_000_000 * SECOND_US

#: How a ledger line about a change of offset begins.
_SHOWN_CHANGES: Final = 3

_EXAMPLE: Final = "a time such as 2026-03-01T22:30:00"


class Clock(StrEnum):
    """What the microseconds of a column count from."""

    UTC = "utc"  # 1970 in UTC: the file tells offsets, Unix time, or a zone was applied
    LOCAL = "local"  # 1970 on the wall clock that was read
    ELAPSED = "elapsed"  # second 0 of the file
    DAY = "day"  # midnight of a day that the column does not tell


@dataclass(frozen=True, eq=False)
class Moments:
    """A column of times.

    Parameters
    ----------
    us : int array, shape (n,)
        Microseconds.
    clock : Clock
        What they count from.
    offset_s : int
        Offset from UTC of the first row, seconds; only with ``Clock.UTC``.
    notes : tuple of Note
        Ledger lines.
    """

    us: Microseconds
    clock: Clock
    offset_s: int = 0
    notes: tuple[Note, ...] = ()


class Column(NamedTuple):
    """Name of a column and where its rows stand, for messages."""

    name: str
    path: str
    at: Callable[[int], str]
    #: Whether the format itself says that a point parts decimals, never thousands.
    decimal_point: bool = False

    def where(self, row: int) -> str:
        """Return the place of one of its cells."""
        return f"{self.at(row)}, column '{shorten(self.name)}'"


@dataclass(frozen=True)
class FileClock:
    """What the microseconds of a whole file count from, once zone and layout are applied.

    Parameters
    ----------
    kind : Clock
        UTC, LOCAL or ELAPSED.
    zone : tzinfo or None
        In which UTC moments are shown.
    begins : datetime or None
        Clock time of elapsed second 0.
    """

    kind: Clock
    zone: tzinfo | None = None
    begins: datetime | None = None

    def zero_us(self, first_us: int) -> int:
        """Return what onset 0 stands for: the first moment, or second 0 where time is elapsed."""
        return 0 if self.kind is Clock.ELAPSED else first_us

    def start(self, zero_us: int) -> datetime | None:
        """Return the moment that onset 0 stands for."""
        if self.kind is Clock.ELAPSED:
            return self.begins
        if self.kind is Clock.LOCAL:
            return naive_datetime(zero_us)
        moment = naive_datetime(zero_us).replace(tzinfo=UTC)
        return moment if self.zone is None else moment.astimezone(self.zone)

    def show(self, us: int) -> str:
        """Return a moment as a person would read it."""
        if self.kind is Clock.ELAPSED:
            return f"{show_number(us / SECOND_US)} s"
        start = self.start(us)
        return "" if start is None else start.isoformat(sep=" ").removesuffix("+00:00")

    def show_time(self, us: int) -> str:
        """Return a moment without its date."""
        if self.kind is Clock.ELAPSED:
            return self.show(us)
        start = self.start(us)
        return "" if start is None else start.time().isoformat()


def show_number(value: float) -> str:
    """Return a number without a trailing ".0"."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def naive_datetime(us: int) -> datetime:
    """Return the wall-clock time that microseconds since 1970 stand for."""
    return _EPOCH + timedelta(microseconds=int(us))


def microseconds_of(moment: datetime) -> int:
    """Return microseconds since 1970 of a wall-clock time; an offset is left aside."""
    return (moment.replace(tzinfo=None) - _EPOCH) // timedelta(microseconds=1)


# --- one column ------------------------------------------------------------------------------------------


def read_times(texts: Sequence[str], column: Column, *, form: str | None, elapsed: bool = False) -> Moments:
    """Read a column of times.

    Parameters
    ----------
    texts : sequence of str, shape (n,)
        Cells; n > 0.
    column : Column
        For messages.
    form : str or None
        "iso", "unix-s", "unix-ms", "elapsed-s", a strptime text, or None: ISO, or numbers whose size proves
        that they are Unix seconds or milliseconds.
    elapsed : bool
        Whether the column's name says that plain numbers are elapsed seconds.

    Returns
    -------
    Moments
        In the order of ``texts``.

    Raises
    ------
    FileFormatError
        When a cell is empty or cannot be read.
    ClockError
        When some cells carry an offset from UTC and others none, or a Unix time lies outside 2000-2100.
    """
    if form in (TimeForm.UNIX_S, TimeForm.UNIX_MS, TimeForm.ELAPSED_S):
        return _numeric(texts, column, form)
    if form is None or form == TimeForm.ISO:
        moments = _bulk_iso(texts) or _undeclared(texts, column, form, elapsed=elapsed)
    else:
        moments = _bulk_strptime(texts, form) or _each_strptime(texts, column, form)
    if _out_of_range(moments.us):
        row = int(np.flatnonzero((moments.us < EARLIEST_US) | (moments.us > LATEST_US))[0])
        raise _no_moment(texts[row].strip(), row, column, "the year is out of range")
    return moments


def read_plain_pairs(first: Sequence[str], second: Sequence[str]) -> tuple[Moments, Moments] | None:
    """Read two columns of ISO times of one fixed shape at once; None where :func:`read_times` has to look at them."""
    moments = _bulk_iso([*first, *second])
    if moments is None or _out_of_range(moments.us):
        return None
    us, n = moments.us, len(first)
    return Moments(us[:n], moments.clock, moments.offset_s), Moments(us[n:], moments.clock, moments.offset_s)


def _out_of_range(us: Microseconds) -> bool:
    return bool(np.minimum.reduce(us) < EARLIEST_US or np.maximum.reduce(us) > LATEST_US)


def _undeclared(texts: Sequence[str], column: Column, form: str | None, *, elapsed: bool) -> Moments:
    first = next((text for text in texts if text.strip()), "").strip()
    if form is None and _NUMBER.fullmatch(first):
        return _numeric(texts, column, TimeForm.ELAPSED_S if elapsed else _unit_by_size(first, column))
    if _TIME_OF_DAY.fullmatch(first):
        return _each_time_of_day(texts, column)
    return _each_iso(texts, column)


# --- ISO 8601 --------------------------------------------------------------------------------------------

_ISO: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d{1,9}))?)?\s?([Zz]|[+-]\d\d(?::?\d\d)?)?",
    re.ASCII,
)
_ISO_BASIC: Final = re.compile(
    r"(\d{4})(\d\d)(\d\d)[Tt](\d\d)(\d\d)(?:(\d\d)(?:[.,](\d{1,9}))?)?([Zz]|[+-]\d\d(?::?\d\d)?)?", re.ASCII
)
_TIME_OF_DAY: Final = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d{1,9}))?)?", re.ASCII)
_FAST_SHAPE: Final = re.compile(r"(0000-00-00[T ]00:00(?::00(?:\.0{1,6})?)?)(Z|[+-]00:?00)?")
_DIGITS_AS_ZERO: Final = bytes(48 if 48 <= byte <= 57 else byte for byte in range(256))


def _bulk_iso(texts: Sequence[str]) -> Moments | None:
    """Read cells of one fixed shape; None where they are not, or where one names no moment."""
    joined = "\n".join(texts) + "\n"
    if not joined.isascii():
        return None
    raw = joined.encode()
    width = len(texts[0])
    shape = raw[:width].translate(_DIGITS_AS_ZERO)
    match = _FAST_SHAPE.fullmatch(shape.decode())
    # every byte of every cell is compared: digits where digits belong, and a line's end only at the end
    if match is None or raw.translate(_DIGITS_AS_ZERO) != (shape + b"\n") * len(texts):
        return None
    suffix = texts[0][match.end(1) :]
    if suffix not in ("", "Z") and raw.count(f"{suffix}\n".encode()) != len(texts):
        return None
    us = _parse_fixed(raw, match.end(1), width + 1)
    if us is None:
        return None
    if not suffix:
        return Moments(us, Clock.LOCAL)
    offset = _offset_seconds(suffix)
    return None if offset is None else Moments(us - offset * SECOND_US, Clock.UTC, offset)


@lru_cache(maxsize=32)
def _cell_type(width: int, step: int) -> np.dtype[np.void]:
    return np.dtype({"names": ["time"], "formats": [f"S{width}"], "offsets": [0], "itemsize": step})


def _parse_fixed(raw: bytes, width: int, step: int) -> Microseconds | None:
    """Parse ISO times that begin at every ``step``-th byte; None where one names no moment."""
    try:
        return np.frombuffer(raw, _cell_type(width, step))["time"].astype("M8[us]").view(np.int64)
    except ValueError:
        return None


def _offset_seconds(text: str) -> int | None:
    """Return the seconds of an offset such as Z, +02, +0200, +02:00; None where it is no offset."""
    if text in ("Z", "z"):
        return 0
    digits = text[1:].replace(":", "")
    hours, minutes = int(digits[:2]), int(digits[2:] or 0)
    if hours > 18 or minutes > 59:
        return None
    return (-1 if text[0] == "-" else 1) * (hours * 3600 + minutes * 60)


def _each_iso(texts: Sequence[str], column: Column) -> Moments:
    values = np.empty(len(texts), np.int64)
    offsets: list[int | None] = []
    midnights = 0
    for row, text in enumerate(texts):
        cell = text.strip()
        match = _ISO.fullmatch(cell) or _ISO_BASIC.fullmatch(cell)
        if match is None:
            raise _unreadable(cell, row, column)
        year, month, day, hour, minute, second = (int(part or 0) for part in match.groups()[:6])
        late = hour == 24 and minute == second == 0 and not (match[7] or "").strip("0")
        midnights += late
        offset = None if match[8] is None else _offset_seconds(match[8])
        try:
            moment = datetime(year, month, day, 0 if late else hour, minute, second)
        except ValueError as error:
            raise _no_moment(cell, row, column, str(error)) from None
        if match[8] is not None and offset is None:
            raise _no_moment(cell, row, column, "the offset from UTC is out of range")
        values[row] = microseconds_of(moment) + _fraction_us(match[7]) + DAY_US * late
        offsets.append(offset)
    notes = _midnight_note(midnights)
    return _with_offsets(values, offsets, texts, column, notes)


def _with_offsets(
    values: Microseconds,
    offsets: Sequence[int | None],
    texts: Sequence[str],
    column: Column,
    notes: tuple[Note, ...],
) -> Moments:
    """Return moments in UTC where every row tells an offset, in local time where none does."""
    first = offsets[0]
    odd = next((row for row, offset in enumerate(offsets) if (offset is None) != (first is None)), None)
    if odd is not None:
        raise ClockError(
            "some times carry an offset from UTC, others none",
            column.path,
            column.where(odd),
            f"{texts[odd].strip()}, but {texts[0].strip()} at {column.at(0)}",
            "all of them with an offset, or all without",
            "Export the times again in one form.",
        )
    if first is None:
        return Moments(values, Clock.LOCAL, 0, notes)
    known = np.array(offsets, np.int64)
    changes = np.flatnonzero(known[1:] != known[:-1]) + 1
    for row in changes[:_SHOWN_CHANGES].tolist():
        notes = (*notes, offset_change(int(known[row - 1]), int(known[row]), column.at(row)))
    if changes.size > _SHOWN_CHANGES:
        notes = (*notes, Note.of(NoteKind.OFFSET_CHANGES_MORE, count=int(changes.size) - _SHOWN_CHANGES))
    return Moments(values - known * SECOND_US, Clock.UTC, first, notes)


def offset_change(before_s: int, after_s: int, place: str) -> Note:
    """Return the note that the offset from UTC changes at a place of a file."""
    before, after = ZoneName(show_offset(before_s)), ZoneName(show_offset(after_s))
    return Note.of(NoteKind.OFFSET_CHANGES, before=before, after=after, place=place)


def show_offset(seconds: int) -> str:
    """Return an offset from UTC as it is written, such as +02:00."""
    minutes = abs(seconds) // 60
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _fraction_us(digits: str | None) -> int:
    return 0 if not digits else round(int(digits) * SECOND_US / 10 ** len(digits))


def _midnight_note(count: int) -> tuple[Note, ...]:
    return (Note.of(NoteKind.MIDNIGHT_AS_24, count=int(count)),) if count else ()


def _each_time_of_day(texts: Sequence[str], column: Column) -> Moments:
    values = np.empty(len(texts), np.int64)
    midnights = 0
    for row, text in enumerate(texts):
        cell = text.strip()
        match = _TIME_OF_DAY.fullmatch(cell)
        if match is None:
            raise _unreadable(cell, row, column, "a time of day such as 22:30:00, as in the rows before")
        hour, minute, second = (int(part or 0) for part in match.groups()[:3])
        if hour > 24 or minute > 59 or second > 59 or (hour == 24 and (minute or second or _fraction_us(match[4]))):
            raise _no_moment(cell, row, column, "there is no such time of day")
        midnights += hour == 24
        values[row] = (hour * 3600 + minute * 60 + second) * SECOND_US + _fraction_us(match[4])
    return Moments(values, Clock.DAY, 0, _midnight_note(midnights))


# --- declared forms --------------------------------------------------------------------------------------

_WIDTHS: Final = {"Y": 4, "m": 2, "d": 2, "H": 2, "M": 2, "S": 2}
_ISO_PLACES: Final = {"Y": (0, 4), "m": (5, 7), "d": (8, 10), "H": (11, 13), "M": (14, 16), "S": (17, 19)}
_ISO_TEMPLATE: Final = b"1970-01-01T00:00:00"


class _FixedForm(NamedTuple):
    """A strptime text whose parts have fixed widths."""

    shape: bytes
    source: tuple[int, ...]
    target: tuple[int, ...]


@lru_cache(maxsize=32)
def _fixed_form(form: str) -> _FixedForm | None:
    shape = ""
    source: list[int] = []
    target: list[int] = []
    for piece in re.findall(r"%.|[^%]", form, re.DOTALL):
        if len(piece) == 1 or piece == "%%":
            if piece.isspace() or piece.isdigit():
                return None  # strptime lets any run of white space stand for a space
            shape += piece[-1]
        elif piece[1] in _WIDTHS:
            place = range(*_ISO_PLACES[piece[1]])
            source += range(len(shape), len(shape) + len(place))
            target += place
            shape += "0" * len(place)
        else:
            return None
    return _FixedForm(shape.encode(), tuple(source), tuple(target)) if shape.isascii() else None


def _bulk_strptime(texts: Sequence[str], form: str) -> Moments | None:
    """Read cells by a strptime text of fixed widths; None where that is not possible."""
    # one space between date and time is by far the commonest separator: read it as a "T"
    fixed = _fixed_form(form.replace(" ", "T"))
    joined = "\n".join(texts) + "\n"
    if fixed is None or not joined.isascii() or ("T" in joined and " " in form):
        return None
    raw = joined.replace(" ", "T").encode() if " " in form else joined.encode()
    if raw.translate(_DIGITS_AS_ZERO) != (fixed.shape + b"\n") * len(texts):
        return None
    cells = np.frombuffer(raw, np.uint8).reshape(len(texts), len(fixed.shape) + 1)
    iso = np.empty((len(texts), len(_ISO_TEMPLATE)), np.uint8)
    iso[:] = np.frombuffer(_ISO_TEMPLATE, np.uint8)
    iso[:, fixed.target] = cells[:, fixed.source]
    us = _parse_fixed(iso.tobytes(), len(_ISO_TEMPLATE), len(_ISO_TEMPLATE))
    if us is None:
        return None
    return Moments(us, Clock.LOCAL if strptime_has_date(form) else Clock.DAY)


_MIDNIGHT_24: Final = re.compile(r"(?<![\d:])24(?=:00(?!\d)(?::00(?![\d.,]))?(?!:))", re.ASCII)


def says_24(cell: str) -> bool:
    """Whether a cell calls midnight 24:00, the end of a day."""
    return _MIDNIGHT_24.search(cell) is not None


def _each_strptime(texts: Sequence[str], column: Column, form: str) -> Moments:
    values = np.empty(len(texts), np.int64)
    offsets: list[int | None] = []
    midnights = 0
    dated = strptime_has_date(form)
    # a year keeps Python from warning about days without one; it is taken off again
    full_form = form if dated else "%Y-%m-%d " + form
    for row, text in enumerate(texts):
        cell = text.strip()
        late = says_24(cell) and "H" in strptime_directives(form)
        read = _MIDNIGHT_24.sub("00", cell) if late else cell
        try:
            moment = datetime.strptime(read if dated else "1970-01-01 " + read, full_form)
            values[row] = microseconds_of(moment) + (DAY_US if late else 0)
        except (ValueError, OverflowError, re.error):
            if not cell:
                raise _unreadable(cell, row, column) from None
            raise FileFormatError(
                "the time does not have the declared form",
                column.path,
                column.where(row),
                f"'{cell}'",
                f'the form time = "{form}"',
                "Correct the row, or 'time' in the layout.",
            ) from None
        midnights += late
        offset = moment.utcoffset()
        offsets.append(None if offset is None else round(offset.total_seconds()))
    notes = _midnight_note(midnights)
    if not dated:
        return Moments(values, Clock.DAY, 0, notes)
    return _with_offsets(values, offsets, texts, column, notes)


# --- numbers ---------------------------------------------------------------------------------------------

_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_PLAIN_CHARACTERS: Final = frozenset("0123456789.+-")
_GROUPED: Final = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+", re.ASCII)
_BELOW_1000: Final = re.compile(r"[+-]?\d{1,3}", re.ASCII)
_GROUPED_BY_POINTS: Final = re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+", re.ASCII)


def read_numbers(texts: Sequence[str], column: Column, *, expected: str = "a number") -> NDArray[np.float64]:
    """Read a column of numbers, with a point or a comma before the decimals.

    Raises
    ------
    FileFormatError
        When a cell is empty or no number, is written with an exponent (a spreadsheet has shortened it, most
        often), or when commas or points may part thousands as well as decimals.
    """
    joined = "".join(texts)
    if "." in joined and not column.decimal_point:
        _refuse_grouped_by_points(texts, column)
    if _PLAIN_CHARACTERS.issuperset(joined):
        try:
            return np.fromiter(map(float, texts), np.float64, len(texts))
        except ValueError:
            pass
    cells = [text.strip() for text in texts]
    for row, cell in enumerate(cells):
        match = _NUMBER.fullmatch(cell)
        if not cell:
            raise FileFormatError(
                "the cell is empty",
                column.path,
                column.where(row),
                "",
                expected,
                "Complete the row or take it out.",
            )
        if match is None or match[3]:
            shortened = match is not None
            raise FileFormatError(
                "a number with an exponent may have lost digits" if shortened else "this is no number",
                column.path,
                column.where(row),
                f"'{cell}'",
                expected,
                "Export the file again without opening it in a spreadsheet." if shortened else "",
            )
    if any("," in cell for cell in cells):
        _refuse_grouped(cells, column)
        cells = [cell.replace(",", ".") for cell in cells]
    return np.array([float(cell) for cell in cells])


def _refuse_grouped(cells: Sequence[str], column: Column) -> None:
    """Refuse commas that may part thousands: 1,500 is one and a half or fifteen hundred."""
    commas = [(row, cell) for row, cell in enumerate(cells) if "," in cell]
    if any(not _GROUPED.fullmatch(cell) for _, cell in commas) and not any("." in cell for cell in cells):
        return
    row, cell = commas[0]
    raise FileFormatError(
        "a comma that may part decimals or thousands",
        column.path,
        column.where(row),
        f"'{cell}'",
        "numbers with a decimal point",
        "Export the numbers with a decimal point and without separators of thousands.",
    )


def _refuse_grouped_by_points(texts: Sequence[str], column: Column) -> None:
    """Refuse points that may part thousands: beside 930 and 960, 1.020 is one or a thousand and twenty."""
    pointed = [(row, text.strip()) for row, text in enumerate(texts) if "." in text]
    if len(pointed) == len(texts) or not all(_GROUPED_BY_POINTS.fullmatch(text) for _, text in pointed):
        return
    wholes = [text.strip() for text in texts if "." not in text]
    # who parts thousands parts all of them
    if not all(_BELOW_1000.fullmatch(text) for text in wholes):
        return
    row, cell = pointed[0]
    whole = max(wholes, key=len)
    raise FileFormatError(
        "a point that may part decimals or thousands",
        column.path,
        column.where(row),
        f"'{cell}' beside '{shorten(whole)}'",
        "decimals in all rows or in none",
        "Export the numbers without separators of thousands, and with as many decimals in every row.",
    )


def _numeric(texts: Sequence[str], column: Column, form: str) -> Moments:
    numbers = read_numbers(texts, column, expected=_NUMBERS_EXPECTED[form])
    scale = 1000.0 if form == TimeForm.UNIX_MS else 1e6
    largest = _LONGEST_ELAPSED_US if form == TimeForm.ELAPSED_S else _YEAR_2100_US
    smallest = -_LONGEST_ELAPSED_US if form == TimeForm.ELAPSED_S else _YEAR_2000_US
    scaled = numbers * scale
    outside = ~((scaled >= smallest) & (scaled <= largest))
    if outside.any():
        row = int(np.flatnonzero(outside)[0])
        raise _wrong_size(texts[row].strip(), row, column, form)
    us = np.rint(scaled).astype(np.int64)
    if form == TimeForm.ELAPSED_S:
        return Moments(us, Clock.ELAPSED)
    unit = "seconds" if form == TimeForm.UNIX_S else "milliseconds"
    return Moments(us, Clock.UTC, 0, (Note.of(NoteKind.UNIX_TIMES, unit=unit),))


_NUMBERS_EXPECTED: Final = {
    TimeForm.UNIX_S.value: "Unix seconds",
    TimeForm.UNIX_MS.value: "Unix milliseconds",
    TimeForm.ELAPSED_S.value: "elapsed seconds",
}


def _unit_by_size(text: str, column: Column) -> str:
    size = float(text.replace(",", "."))
    for form, scale in ((TimeForm.UNIX_S, 1e6), (TimeForm.UNIX_MS, 1e3)):
        if _YEAR_2000_US <= size * scale <= _YEAR_2100_US:
            return form.value
    raise ClockError(
        "a number that does not tell what it counts",
        column.path,
        column.where(0),
        text,
        "Unix seconds or milliseconds of the years 2000 to 2100, or a layout",
        'If these are seconds from the start of the recording, give a layout with\n    [file]\n    time = "elapsed-s"'
        if _reads(text, TimeForm.ELAPSED_S)
        else "Export times that tell their date, such as 2026-03-01T22:30:00.",
    )


def _wrong_size(text: str, row: int, column: Column, form: str) -> ClockError:
    if form == TimeForm.ELAPSED_S:
        unix = [f'time = "{other}"' for other in (TimeForm.UNIX_S, TimeForm.UNIX_MS) if _reads(text, other)]
        return ClockError(
            "elapsed time of more than three years",
            column.path,
            column.where(row),
            text,
            "seconds from the start of the recording",
            f"If these are Unix times, say so in a layout: [file] {unix[0]}." if unix else "Correct the row.",
        )
    number = float(text.replace(",", "."))
    other, scale = (TimeForm.UNIX_MS, 1e3) if form == TimeForm.UNIX_S else (TimeForm.UNIX_S, 1e6)
    fits_other = _YEAR_2000_US <= number * scale <= _YEAR_2100_US
    example = "1772404200" if form == TimeForm.UNIX_S else "1772404200000"
    return ClockError(
        "a Unix time outside the years 2000 to 2100",
        column.path,
        column.where(row),
        text,
        f"{_NUMBERS_EXPECTED[form]} such as {example}",
        f'It fits the other unit: write time = "{other}" in the layout.' if fits_other else "Correct the row.",
    )


# --- what to say of a cell that cannot be read -----------------------------------------------------------

_DATE_ONLY: Final = re.compile(r"\d{4}-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]\d{2,4}", re.ASCII)


def _unreadable(cell: str, row: int, column: Column, expected: str = _EXAMPLE) -> FileFormatError:
    if not cell or cell.casefold() in ("n/a", "na", "nan", "null", "none", "nat"):
        return FileFormatError(
            "the time is missing",
            column.path,
            column.where(row),
            f"'{cell}'" if cell else "",
            expected,
            "Complete the row or take it out.",
        )
    if row > 0 and _declarable_forms(cell):  # a form for this row would not read those before it
        return FileFormatError(
            "the time is written in another way than those before it",
            column.path,
            column.where(row),
            f"'{cell}'",
            expected,
            "Correct the row, or export the times again in one form.",
        )
    if forms := _declarable_forms(cell):
        return FileFormatError(
            "the form of this date must be declared" if strptime_has_date(forms[0][0]) else _UNDECLARED_TIME,
            column.path,
            column.where(row),
            f"'{cell}'",
            _EXAMPLE,
            _give_form(forms),
        )
    if _DATE_ONLY.fullmatch(cell):
        return FileFormatError(
            "a date without a time of day",
            column.path,
            column.where(row),
            f"'{cell}'",
            expected,
            'If the times stand in another column, name it in a layout: [file] start = "..." and date = '
            f'"{column.name}".',
        )
    return FileFormatError(
        "the time cannot be read",
        column.path,
        column.where(row),
        f"'{cell}'",
        expected,
        "Correct the row."
        if row > 0
        else "Correct the row, or declare the form of the times in a layout: [file], key 'time'.",
    )


_UNDECLARED_TIME: Final = "the form of this time must be declared"


def _give_form(forms: Sequence[tuple[str, str]], *above: str) -> str:
    """Return the remedy that offers forms, with other lines of the layout above them."""
    lines = "".join(f"\n    {line}" for line in above)
    lines += "".join(f'\n    time = "{form}"{comment}' for form, comment in forms)
    return f"Give a layout (--layout FILE.toml) with{'' if len(forms) == 1 else ' one of'}\n    [file]{lines}"


#: Parts of a date in the orders that are in use, with what to say of each where more than one fits.
_ORDERS: Final = (
    ("d", "m", "Y", "if the day comes first"),
    ("m", "d", "Y", "if the month comes first"),
    ("Y", "m", "d", "if the year comes first"),
)
_DATE_AND_TIME: Final = re.compile(
    r"(?:(?P<date>(?:\d{1,4}|[A-Za-z]{3,9})(?P<first>[./-]|\.? +)(?:\d{1,2}|[A-Za-z]{3,9})"
    r"(?P<second>[./-]|[.,]? +)\d{1,4})(?P<gap>[ T,]+))?"
    r"(?P<hour>\d{1,2})(?P<mark>[:.h])(?P<minute>\d\d)(?:(?P<again>[:.])\d\d(?P<fraction>[.,]\d{1,6})?)?"
    r"(?P<half> ?[AaPp][Mm])?(?P<offset> ?(?:[Zz]|[+-]\d\d:?\d\d))?",
    re.ASCII,
)


def _declarable_forms(cell: str) -> tuple[tuple[str, str], ...]:
    """Return the strptime texts that read a cell, with a comment on each where there are more than one.

    Every form is tried on the cell, so that what a message offers is what can be followed.
    """
    match = _DATE_AND_TIME.fullmatch(cell)
    if match is None:
        return ()
    time = _time_form(match)
    if match["date"] is None:
        return ((time, ""),) if _reads(cell, time) else ()
    first, second, gap = match["first"], match["second"], match["gap"]
    forms: list[tuple[str, str]] = []
    for *parts, comment in _ORDERS:
        for year in ("%Y", "%y"):
            for month in ("%m", "%b", "%B"):
                one, two, three = ({"d": "%d", "m": month, "Y": year}[part] for part in parts)
                form = f"{one}{first}{two}{second}{three}{gap}{time}"
                if comment not in dict(forms).values() and _reads(cell, form):
                    forms.append((form, comment))
    return ((forms[0][0], ""),) if len(forms) == 1 else tuple((form, f"  # {comment}") for form, comment in forms)


def _time_form(match: re.Match[str]) -> str:
    """Return the strptime text of the time of day in a cell."""
    half, fraction, again, offset = match["half"] or "", match["fraction"] or "", match["again"], match["offset"] or ""
    form = f"{'%I' if half else '%H'}{match['mark']}%M"
    form += f"{again}%S" if again else ""
    form += f"{fraction[0]}%f" if fraction else ""
    form += half[:-2] + "%p" if half else ""
    return form + (" " * offset.startswith(" ") + "%z" if offset else "")


def _reads(cell: str, form: str) -> bool:
    """Whether a layout takes this form and a column of this one cell can be read by it."""
    if "%" in form and strptime_fault(form):
        return False
    try:
        read_times([cell], Column("", "", str), form=form)
    except SleepAgreeError:
        return False
    return True


def _no_moment(cell: str, row: int, column: Column, reason: str) -> FileFormatError:
    return FileFormatError(
        "there is no such date or time",
        column.path,
        column.where(row),
        f"'{cell}' ({reason})",
        _EXAMPLE,
        "Correct the row.",
    )


# --- times of day, and the day they belong to ------------------------------------------------------------

_DATE: Final = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?:[T ]00:00(?::00(?:\.0+)?)?)?", re.ASCII)


def read_dates(texts: Sequence[str], column: Column, *, beside: Sequence[str] | None = None) -> Microseconds:
    """Return the midnights, in microseconds since 1970, of a column of ISO dates.

    Parameters
    ----------
    texts : sequence of str, shape (n,)
        Cells.
    column : Column
        For messages.
    beside : sequence of str, optional
        Times of day of the same rows, to tell how a date and its time can be declared together.

    Raises
    ------
    FileFormatError
        When a cell is empty or no ISO date.
    """
    known: dict[str, int] = {}
    values = np.empty(len(texts), np.int64)
    for row, text in enumerate(texts):
        day_us = known.get(text)
        if day_us is None:
            match = _DATE.fullmatch(text.strip())
            try:
                if match is None:
                    raise ValueError
                day = date(int(match[1]), int(match[2]), int(match[3]))
                if not 1000 <= day.year < 9000:
                    raise ValueError
            except ValueError:
                time = "" if beside is None else beside[row].strip()
                raise _unreadable_date(text.strip(), time, row, column) from None
            day_us = known[text] = (day - _EPOCH.date()).days * DAY_US
        values[row] = day_us
    return values


def _unreadable_date(cell: str, time: str, row: int, column: Column) -> FileFormatError:
    remedy = "Complete the row or take it out."
    if cell:
        forms = _declarable_forms(f"{cell} {time}")
        remedy = _give_form(forms, f"date = {toml_text(column.name)}") if forms else "Correct the row."
    return FileFormatError(
        "the date cannot be read" if cell else "the date is missing",
        column.path,
        column.where(row),
        f"'{cell}'" if cell else "",
        "a date such as 2026-03-01",
        remedy,
    )


def place_in_nights(dates_us: Microseconds, day_us: Microseconds, night_of: NightOf, column: Column) -> Microseconds:
    """Return wall-clock microseconds of times of day that stand beside the date of their night.

    The first time of a night decides: before 12:00 it belongs to the morning of the wake-up day, later to the
    day before. From there on the date moves by one day where the clock passes midnight.

    Parameters
    ----------
    dates_us : int array, shape (n,)
        Midnights of the dates, one night after the other.
    day_us : int array, shape (n,)
        Times of day in microseconds, in order of time within a night.
    night_of : NightOf
        Whether the dates name the day of waking up or of going to bed.
    column : Column
        For messages.

    Raises
    ------
    ClockError
        When the clock passes midnight more than once in a night.
    """
    n = day_us.size
    new_night = np.ones(n, bool)
    new_night[1:] = dates_us[1:] != dates_us[:-1]
    # a repeated hour puts the clock back too, but never by half a day
    passes = np.zeros(n, bool)
    passes[1:] = (day_us[1:] < day_us[:-1] - DAY_US // 2) & ~new_night[1:]
    nights = np.cumsum(new_night) - 1
    first_rows = np.flatnonzero(new_night)
    passed = np.cumsum(passes)
    passed -= passed[first_rows][nights]
    if (passed > 1).any():
        row = int(np.flatnonzero(passed > 1)[0])
        raise ClockError(
            "the clock passes midnight twice in one night",
            column.path,
            column.where(row),
            _clock_text(int(day_us[row])),
            "times in order, with one midnight at most",
            "Sort the rows by time, and give every night its own date.",
        )
    leaps = np.flatnonzero((day_us[1:] > day_us[:-1] + DAY_US // 2) & ~new_night[1:])
    if leaps.size:
        row = int(leaps[0]) + 1
        raise ClockError(
            "the clock leaps by more than 12 hours within a night",
            column.path,
            column.where(row),
            f"{_clock_text(int(day_us[row]))}, after {_clock_text(int(day_us[row - 1]))}",
            "times in order",
            "Sort the rows by time, and give every night its own date.",
        )
    before_noon = day_us[first_rows] < DAY_US // 2
    shift = np.where(before_noon, 0, -1) if night_of is NightOf.WAKE_DAY else np.where(before_noon, 1, 0)
    moments: Microseconds = dates_us + day_us + (shift[nights] + passed) * DAY_US
    return moments


def _clock_text(day_us: int) -> str:
    return naive_datetime(day_us).strftime("%H:%M:%S")


def place_after(begins: datetime, day_us: Microseconds, column: Column) -> Microseconds:
    """Return wall-clock microseconds of times of day of which none comes before ``begins``."""
    begins_us = microseconds_of(begins)
    first_day = begins_us // DAY_US * DAY_US
    if int(day_us[0]) + first_day < begins_us:
        first_day += DAY_US
    dates = np.full(day_us.size, first_day, np.int64)
    night_of = NightOf.WAKE_DAY if day_us[0] < DAY_US // 2 else NightOf.BED_DAY
    return place_in_nights(dates, day_us, night_of, column)


def ends_after_starts(starts_us: Microseconds, ends_day_us: Microseconds) -> Microseconds:
    """Return the first moment from each start on at which the clock shows the end's time of day."""
    ends: Microseconds = starts_us - starts_us % DAY_US + ends_day_us
    return np.where(ends < starts_us, ends + DAY_US, ends)


# --- wall clocks in a zone -------------------------------------------------------------------------------


class Resolved(NamedTuple):
    """Wall-clock readings placed in a zone."""

    us: Microseconds
    zone: tzinfo
    notes: tuple[Note, ...]


def resolve_wall_clock(
    readings_us: Microseconds, zone_name: str, *, path: str, where: Callable[[int], str]
) -> Resolved:
    """Place readings of a local clock, in order of the file, in a zone.

    Parameters
    ----------
    readings_us : int array, shape (n,)
        Wall-clock microseconds since 1970 (starts and ends in turn, where rows have both).
    zone_name : str
        IANA name.
    path : str
        File, for messages.
    where : callable
        Position in ``readings_us`` -> place in the file.

    Returns
    -------
    Resolved
        Microseconds since 1970 in UTC, the zone, and a note where the clock changes.

    Raises
    ------
    ClockError
        When the zone is unknown; when a reading falls into an hour that the clock skips; when a reading falls
        into an hour that it repeats and the order of the rows does not tell which of the two it was.
    """
    each = resolve_each(readings_us, zone_name, path=path, where=where)
    if each.first is each.second:
        return Resolved(each.first, each.zone, ())
    return _resolve_repeated(readings_us, each, zone_name, path, where)


class EachReading(NamedTuple):
    """The moments that wall-clock readings may stand for, one or two each."""

    first: Microseconds
    second: Microseconds
    zone: tzinfo


def resolve_each(readings_us: Microseconds, zone_name: str, *, path: str, where: Callable[[int], str]) -> EachReading:
    """Return the first and the second moment at which the clock of a zone shows each reading.

    The two are the same but in an hour that is repeated. Parameters and errors as
    :func:`resolve_wall_clock`, which also tells the two apart by the order of the readings.
    """
    from sleepagree.hypnogram.zones import find_zone

    try:
        zone = find_zone(zone_name)
    except ClockError as error:
        raise error.in_file(path) from None
    offset = _constant_offset(int(readings_us.min()), int(readings_us.max()), zone)
    if offset is not None:
        moments = readings_us - offset
        return EachReading(moments, moments, zone)
    early = np.array([_offset_us(int(us), zone, 0) for us in readings_us], np.int64)
    late = np.array([_offset_us(int(us), zone, 1) for us in readings_us], np.int64)
    if (early < late).any():
        row = int(np.flatnonzero(early < late)[0])
        raise _skipped(int(readings_us[row]), int(early[row]), int(late[row]), zone_name, path, where(row))
    return EachReading(readings_us - early, readings_us - late, zone)


def _offset_us(reading_us: int, zone: tzinfo, fold: int) -> int:
    offset = naive_datetime(reading_us).replace(tzinfo=zone, fold=fold).utcoffset()
    return 0 if offset is None else offset // timedelta(microseconds=1)


def _constant_offset(first_us: int, last_us: int, zone: tzinfo) -> int | None:
    """Return the zone's offset where the clock is not changed within a day of the readings, else None."""
    if last_us - first_us > 60 * DAY_US:
        return None
    # a zone changes its clock at most twice within a few weeks, never twice within six hours
    probes = range(first_us - DAY_US, last_us + DAY_US + 6 * HOUR_US, 6 * HOUR_US)
    offsets = {_offset_us(us, zone, 0) for us in probes}
    return offsets.pop() if len(offsets) == 1 else None


def _resolve_repeated(
    readings: Microseconds, each: EachReading, zone_name: str, path: str, where: Callable[[int], str]
) -> Resolved:
    first_pass, second_pass, zone = each
    doubtful = first_pass != second_pass
    if not doubtful.any():
        return Resolved(first_pass, zone, ())
    steps = np.diff(readings)
    if np.count_nonzero(steps < 0) > np.count_nonzero(steps > 0):  # the newest row first
        turned = EachReading(first_pass[::-1], second_pass[::-1], zone)
        last = readings.size - 1
        back = _resolve_repeated(readings[::-1], turned, zone_name, path, lambda i: where(last - i))
        return Resolved(back.us[::-1].copy(), zone, back.notes)
    # as early as the rows before allow, and as late as the rows after allow
    earliest, latest = first_pass.copy(), second_pass.copy()
    for i in range(1, readings.size):
        if doubtful[i] and earliest[i] < earliest[i - 1]:
            earliest[i] = second_pass[i]
    for i in range(readings.size - 2, -1, -1):
        if doubtful[i] and latest[i] > latest[i + 1]:
            latest[i] = first_pass[i]
    undecided = np.flatnonzero(earliest != latest)
    if undecided.size:
        row = int(undecided[0])
        ends_inside = bool(doubtful[row:].all())
        if row == 0 or not ends_inside:
            raise _repeated(
                int(readings[row]), int(first_pass[row]), int(second_pass[row]), zone_name, path, where(row)
            )
        # nothing follows that would need a jump: the clock ran on
    count = int(np.count_nonzero(doubtful))
    note = Note.of(NoteKind.REPEATED_HOUR, count=count, zone=ZoneName(zone_name))
    return Resolved(earliest, zone, (note,))


def _skipped(reading_us: int, early: int, late: int, zone_name: str, path: str, where: str) -> ClockError:
    first, second = sorted((reading_us - early, reading_us - late))
    return ClockError(
        "this time does not exist in the zone: the clock was put forward over it",
        path,
        where,
        f"{_show(reading_us)} in {zone_name}",
        f"a time that exists; before the change it would be {_show(second)} UTC, after it {_show(first)} UTC",
        "The file's clock may not be the local one; if it is UTC, give the zone UTC.",
    )


def _repeated(reading_us: int, first: int, second: int, zone_name: str, path: str, where: str) -> ClockError:
    return ClockError(
        "this time happens twice in the zone, and the rows around it do not tell which it is",
        path,
        where,
        f"{_show(reading_us)} in {zone_name}",
        f"either {_show(first)} UTC or {_show(second)} UTC",
        "Export the times with their offset from UTC.",
    )


def _show(us: int) -> str:
    return naive_datetime(us).isoformat(sep=" ")


def fixed_zone(offset_s: int) -> tzinfo:
    """Return the zone of a fixed offset from UTC."""
    return UTC if offset_s == 0 else timezone(timedelta(seconds=offset_s))
