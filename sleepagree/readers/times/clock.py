"""What times count from and how they are shown, whole microseconds until the very end; and years of other calendars."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from enum import StrEnum
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, ZoneName
from sleepagree.errors import ClockError, InputError, shorten

Microseconds = NDArray[np.int64]

_SHOWN_CHANGES: Final = 3

SECOND_US: Final = 1_000_000
HOUR_US: Final = 3600 * SECOND_US
DAY_US: Final = 24 * HOUR_US

_EPOCH: Final = datetime(1970, 1, 1)
#: Times that can be shown in any zone. Dates that were shifted to hide when a night was may lie far off.
EARLIEST_US: Final = (datetime(1000, 1, 1) - _EPOCH) // timedelta(microseconds=1)
LATEST_US: Final = (datetime(9000, 1, 1) - _EPOCH) // timedelta(microseconds=1)

_OFFSET: Final = re.compile(r"(?:(?:UTC|GMT) ?)?([+-])(\d{1,2})(?::?([0-5]\d))?|Z|UTC|GMT", re.ASCII | re.IGNORECASE)

_Error = TypeVar("_Error", bound=InputError)


class Clock(StrEnum):
    """What the microseconds of a column count from."""

    UTC = "utc"  # 1970 in UTC: the file tells offsets, Unix time, or a zone was applied
    LOCAL = "local"  # 1970 on the wall clock that was read
    ELAPSED = "elapsed"  # second 0 of the file
    DAY = "day"  # midnight of a day that the column does not tell


class Times(NamedTuple):
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

    def error(self, kind: type[_Error], row: int, problem: str, *told: Any) -> _Error:
        """Return an error about one of its cells; ``told`` is what was found and expected, and so on."""
        return kind(problem, self.path, self.where(row), *told)

    def refuse_numbers(
        self, kind: type[InputError], numbers: NDArray[np.float64], wrong: NDArray[np.bool_], problem: str, right: str
    ) -> None:
        """Refuse the first of some numbers that are wrong; ``right`` is what was expected."""
        if (rows := np.flatnonzero(wrong)).size:
            row = int(rows[0])
            raise self.error(kind, row, problem, show_number(float(numbers[row])), right, "Correct the row.")


class FileClock(NamedTuple):
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
        return self.begins if self.kind is Clock.ELAPSED else self._moment(zero_us)

    def _moment(self, us: int) -> datetime:
        if self.kind is Clock.LOCAL:
            return naive_datetime(us)
        moment = naive_datetime(us).replace(tzinfo=UTC)
        return moment if self.zone is None else moment.astimezone(self.zone)

    def show(self, us: int) -> str:
        """Return a moment as a person would read it."""
        if self.kind is Clock.ELAPSED:
            return f"{show_number(us / SECOND_US)} s"
        return self._moment(us).isoformat(sep=" ").removesuffix("+00:00")

    def show_time(self, us: int) -> str:
        """Return a moment without its date."""
        return self.show(us) if self.kind is Clock.ELAPSED else self._moment(us).time().isoformat()


def show_number(value: float) -> str:
    """Return a number without a trailing ".0"."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def naive_datetime(us: int) -> datetime:
    """Return the wall-clock time that microseconds since 1970 stand for."""
    return _EPOCH + timedelta(microseconds=int(us))


def microseconds_of(moment: datetime) -> int:
    """Return microseconds since 1970 of a wall-clock time; an offset is left aside."""
    return (moment.replace(tzinfo=None) - _EPOCH) // timedelta(microseconds=1)


def offset_of(moment: datetime) -> int | None:
    """Return the offset of a moment from UTC in seconds; None where it has none."""
    offset = moment.utcoffset()
    return None if offset is None else round(offset.total_seconds())


def read_offset(text: str) -> int | None:
    """Return the seconds of an offset such as +02:00, +0200, UTC+2, GMT or Z; None where it is none."""
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    hours, minutes = int(match[2] or 0), int(match[3] or 0)
    return None if hours > 18 else (-1 if match[1] == "-" else 1) * (hours * 3600 + minutes * 60)


def show_offset(seconds: int) -> str:
    """Return an offset from UTC as it is written, such as +02:00."""
    minutes = abs(seconds) // 60
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def fixed_zone(offset_s: int) -> tzinfo:
    """Return the zone of a fixed offset from UTC."""
    return UTC if offset_s == 0 else timezone(timedelta(seconds=offset_s))


def with_offsets(
    values: Microseconds, offsets: Sequence[int | None], texts: Sequence[str], column: Column, notes: tuple[Note, ...]
) -> Times:
    """Return times in UTC where every row tells an offset, in local time where none does; raise where some do."""
    first = offsets[0]
    odd = next((row for row, offset in enumerate(offsets) if (offset is None) != (first is None)), None)
    if odd is not None:
        problem = "some times carry an offset from UTC, others none"
        expected = "all of them with an offset, or all without"
        remedy = "Export the times again in one form."
        found = f"{texts[odd].strip()}, but {texts[0].strip()} at {column.at(0)}"
        raise column.error(ClockError, odd, problem, found, expected, remedy)
    if first is None:
        return Times(values, Clock.LOCAL, 0, notes)
    known = np.array(offsets, np.int64)
    return Times(values - known * SECOND_US, Clock.UTC, first, (*notes, *offset_changes(known, column.at)))


def offset_changes(offsets_s: NDArray[np.int64], at: Callable[[int], str], **more: bool) -> list[Note]:
    """Return the notes that the offset from UTC changes: the first with their places, and how many more there are."""
    changes = (np.flatnonzero(offsets_s[1:] != offsets_s[:-1]) + 1).tolist()
    notes = []
    for row in changes[:_SHOWN_CHANGES]:
        before, after = (ZoneName(show_offset(int(offsets_s[i]))) for i in (row - 1, row))
        notes.append(Note.of(NoteKind.OFFSET_CHANGES, before=before, after=after, place=at(row)))
    if len(changes) > _SHOWN_CHANGES:
        notes.append(Note.of(NoteKind.OFFSET_CHANGES_MORE, count=len(changes) - _SHOWN_CHANGES, **more))
    return notes


# --- years of other calendars, which are refused -------------------------------------------------------------

#: Years that no night of a wearable has, and that nobody shifts dates to: calendar, first and last year.
_OTHERS: Final = (("Buddhist era", 2500, 2600), ("Persian or Islamic calendar", 1300, 1500))


def of_other_calendars(us: Microseconds) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Yield calendars with the rows whose year is one of them, if there are any."""
    for calendar, first, last in _OTHERS:
        rows = np.flatnonzero((us >= _year_us(first)) & (us < _year_us(last + 1)))
        if rows.size:
            yield calendar, rows


def _year_us(year: int) -> int:
    return microseconds_of(datetime(year, 1, 1))
