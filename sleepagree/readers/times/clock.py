"""What times count from and how they are shown, whole microseconds until the very end; and years of other calendars."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note
from sleepagree.errors import InputError, shorten

Microseconds = NDArray[np.int64]

SECOND_US: Final = 1_000_000
HOUR_US: Final = 3600 * SECOND_US
DAY_US: Final = 24 * HOUR_US

_EPOCH: Final = datetime(1970, 1, 1)
#: Times that can be shown in any zone. Dates that were shifted to hide when a night was may lie far off.
EARLIEST_US: Final = (datetime(1000, 1, 1) - _EPOCH) // timedelta(microseconds=1)
LATEST_US: Final = (datetime(9000, 1, 1) - _EPOCH) // timedelta(microseconds=1)

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
        Offset from UTC of the earliest row, seconds; only with ``Clock.UTC``.
    notes : tuple of Note
        Ledger lines.
    zone : tzinfo or None
        That the type of the column names; only with ``Clock.UTC``.
    """

    us: Microseconds
    clock: Clock
    offset_s: int = 0
    notes: tuple[Note, ...] = ()
    zone: tzinfo | None = None


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
