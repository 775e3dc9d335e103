"""Times of day, and the day they belong to."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import ClockError, FileFormatError, for_page
from sleepagree.files.toml import toml_text
from sleepagree.readers.layout import NightOf
from sleepagree.readers.times.clock import (
    DAY_US,
    HOUR_US,
    Clock,
    Column,
    Microseconds,
    Times,
    microseconds_of,
    naive_datetime,
)
from sleepagree.readers.times.forms import declarable_forms, layout_with_forms, refuse_other_calendars

_DATE: Final = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?:[T ]00:00(?::00(?:\.0+)?)?)?", re.ASCII)

#: Moments of one night that follow each other lie within this.
_NEAR_US: Final = 3 * HOUR_US
_MOST_LEAPS: Final = 1000
_NOON: Final = 12
_NEARLY_ALL: Final = 0.8


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
    for row, text in enumerate(texts):
        if text not in known:
            match = _DATE.fullmatch(text.strip())
            try:
                day = date(*map(int, match.groups())) if match else date.min
            except ValueError:
                day = date.min
            if not 1000 <= day.year < 9000:
                raise _unreadable_date(text.strip(), "" if beside is None else beside[row].strip(), row, column)
            known[text] = (day - date(1970, 1, 1)).days * DAY_US
    us = np.array([known[text] for text in texts], np.int64)
    refuse_other_calendars(us, texts, column)
    return us


def _unreadable_date(cell: str, time: str, row: int, column: Column) -> FileFormatError:
    expected = "a date such as 2026-03-01"
    if not cell:
        return column.error(
            FileFormatError, row, "the date is missing", "", expected, "Complete the row or take it out."
        )
    forms = declarable_forms(f"{cell} {time}")
    remedy = layout_with_forms(forms, f"date = {toml_text(column.name)}") if forms else "Correct the row."
    return column.error(FileFormatError, row, "the date cannot be read", f"'{cell}'", expected, remedy, forms)


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
        problem, expected = "the clock passes midnight twice in one night", "times in order, with one midnight at most"
        remedy = "Sort the rows by time, and give every night its own date."
        raise column.error(ClockError, row, problem, _clock_text(int(day_us[row])), expected, remedy)
    leaps = np.flatnonzero((day_us[1:] > day_us[:-1] + DAY_US // 2) & ~new_night[1:])
    if leaps.size:
        row = int(leaps[0]) + 1
        problem = "the clock leaps by more than 12 hours within a night"
        found = f"{_clock_text(int(day_us[row]))}, after {_clock_text(int(day_us[row - 1]))}"
        remedy = "Sort the rows by time, and give every night its own date."
        raise column.error(ClockError, row, problem, found, "times in order", remedy)
    before_noon = day_us[first_rows] < DAY_US // 2
    shift = np.where(before_noon, 0, -1) if night_of is NightOf.WAKE_DAY else np.where(before_noon, 1, 0)
    moments: Microseconds = dates_us + day_us + (shift[nights] + passed) * DAY_US
    return moments


def _clock_text(day_us: int) -> str:
    return naive_datetime(day_us).strftime("%H:%M:%S")


def runs_backwards(us: NDArray[Any]) -> bool:
    """Whether rows stand with the newest first: nearly every time is before the one above it."""
    steps = np.diff(us)
    return steps.size > 1 and bool((steps <= 0).mean() > _NEARLY_ALL and (steps < 0).any())


def refuse_half_days(times: Times, column: Column) -> None:
    """Refuse times of a 12-hour clock that does not tell morning from evening: it alone goes from 12 to 1.

    Raises
    ------
    ClockError
        With the first row after such a step, in the order of time.
    """
    if times.clock not in (Clock.DAY, Clock.LOCAL):
        return
    hours = times.us % DAY_US // HOUR_US
    if not hours.size or hours.min() < 1 or hours.max() != _NOON:
        return
    back = times.us[1:] < times.us[:-1]
    falls = np.flatnonzero(back & (hours[:-1] == _NOON) & (hours[1:] < _NOON))
    if runs_backwards(times.us):
        falls = np.flatnonzero(~back & (hours[:-1] < _NOON) & (hours[1:] == _NOON))
    for i in falls.tolist():
        if DAY_US // 4 <= abs(int(times.us[i + 1] - times.us[i])) <= DAY_US // 2:
            found = f"{_clock_text(int(times.us[i + 1]))} after {_clock_text(int(times.us[i]))}, and no hour above 12"
            problem, expected = "the clock goes from 12 to 1, and no time says AM or PM", "a clock of 24 hours"
            remedy = "Export the times on a clock of 24 hours, or with AM or PM." + for_page(
                ' Where these stand in a column of their own, name it in a layout: [file] am_pm = "..." and '
                'time = "%I:%M:%S %p". If every row is one epoch and none is missing, take the column out of a '
                "copy and say in a layout when the first began: begins = 2026-03-01T22:30:00 below [file], "
                "epoch_seconds = 30 above it.",
                "",
            )
            raise column.error(ClockError, i + 1, problem, found, expected, remedy)


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


def refuse_exchanged_dates(before_us: Microseconds, after_us: Microseconds, column: Column, *, first: int = 1) -> None:
    """Refuse a date that is far from the one beside it and next to it once day and month are exchanged.

    Parameters
    ----------
    before_us, after_us : int array, shape (n,)
        Moments that stand beside each other.
    column : Column
        For messages.
    first : int
        Row of the column that the first of ``after_us`` stands in.

    Raises
    ------
    ClockError
        With the row: one that another hand has written, or another form of dates from here on.
    """
    for i in np.flatnonzero(np.abs(after_us - before_us) > DAY_US)[:_MOST_LEAPS].tolist():
        before, after = int(before_us[i]), int(after_us[i])
        if any(_exchanged_near(one, other) for one, other in ((before, after), (after, before))):
            problem, expected = "day and month seem to be exchanged in one of two rows", "dates in one form"
            found = f"{naive_datetime(after)} beside {naive_datetime(before)}"
            remedy = "Correct the row, or export the times again in one form."
            raise column.error(ClockError, i + first, problem, found, expected, remedy)


def _exchanged_near(us: int, beside_us: int) -> bool:
    """Whether a moment lies within hours of another once its day and month are exchanged."""
    moment = naive_datetime(us)
    if moment.day > 12 or moment.day == moment.month:
        return False
    return abs(microseconds_of(moment.replace(month=moment.day, day=moment.month)) - beside_us) <= _NEAR_US
