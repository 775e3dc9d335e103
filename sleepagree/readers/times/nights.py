"""Times of day, and the day they belong to."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import ClockError, FileFormatError, asked, for_page
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
from sleepagree.readers.times.reading import refuse_other_calendars

_DATE: Final = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?:[T ]00:00(?::00(?:\.0+)?)?)?", re.ASCII)

#: Moments of one night that follow each other lie within this.
_NEAR_US: Final = 3 * HOUR_US
_MOST_LEAPS: Final = 1000
_NOON: Final = 12
#: A step of a 12-hour clock may be 12 hours longer than it looks, and a second night follows within a day.
_LONGEST_HALF_DAY_STEP: Final = 3 * HOUR_US
_LONGEST_HALF_DAY_NIGHT: Final = 14 * HOUR_US
_NEARLY_ALL: Final = 0.8
#: A night begins within so long after what is told of its beginning.
_LONGEST_BEFORE: Final = timedelta(hours=20)


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
    from sleepagree.readers.times.forms import declarable_forms, layout_with_forms  # few files come here

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
    remedy = "Sort the rows by time, and give every night its own date."
    if (passed > 1).any():
        row = int(np.flatnonzero(passed > 1)[0])
        problem, expected = "the clock passes midnight twice in one night", "times in order, with one midnight at most"
        raise column.error(ClockError, row, problem, _clock_text(int(day_us[row])), expected, remedy)
    leaps = np.flatnonzero((day_us[1:] > day_us[:-1] + DAY_US // 2) & ~new_night[1:])
    if leaps.size:
        row = int(leaps[0]) + 1
        problem = "the clock leaps by more than 12 hours within a night"
        found = f"{_clock_text(int(day_us[row]))}, after {_clock_text(int(day_us[row - 1]))}"
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


def half_day_row(times: Times) -> int | None:
    """Return the first row after a step from 12 to 1 of a 12-hour clock without AM or PM; None where there is none."""
    if times.clock not in (Clock.DAY, Clock.LOCAL):
        return None
    hours = times.us % DAY_US // HOUR_US
    if not hours.size or hours.min() < 1 or hours.max() != _NOON:
        return None
    back = times.us[1:] < times.us[:-1]
    falls = np.flatnonzero(back & (hours[:-1] == _NOON) & (hours[1:] < _NOON))
    if runs_backwards(times.us):
        falls = np.flatnonzero(~back & (hours[:-1] < _NOON) & (hours[1:] == _NOON))
    steps = ((int(i) + 1, abs(int(times.us[i + 1] - times.us[i]))) for i in falls)
    return next((row for row, step in steps if DAY_US // 4 <= step <= DAY_US // 2), None)


def refuse_half_days(times: Times, column: Column) -> None:
    """Refuse times of a 12-hour clock that does not tell morning from evening: it alone goes from 12 to 1.

    Raises
    ------
    ClockError
        With the first row after such a step, in the order of time.
    """
    if (row := half_day_row(times)) is None:
        return
    found = f"{_clock_text(int(times.us[row]))} after {_clock_text(int(times.us[row - 1]))}, and no hour above 12"
    problem, expected = "the clock goes from 12 to 1, and no time says AM or PM", "a clock of 24 hours"
    remedy = "Export the times on a clock of 24 hours, or with AM or PM." + for_page(
        ' Where these stand in a column of their own, name it in a layout: [file] am_pm = "..." and '
        'time = "%I:%M:%S %p". If the times have no dates and no step between them is as long as 12 hours, say how '
        'they are written and when the first was: [file] time = "%I:%M:%S" and begins = 2026-03-01T22:30:00.',
        "",
    )
    raise column.error(ClockError, row, problem, found, expected, remedy)


def place_half_days(begins: datetime, half_day_us: Microseconds, column: Column) -> Microseconds:
    """Return wall-clock microseconds of the times of a 12-hour clock, counted on from ``begins``.

    Parameters
    ----------
    begins : datetime
        A moment that no row comes before.
    half_day_us : int array, shape (n,)
        Microseconds since 0 or 12 o'clock, in the order of the file.
    column : Column
        For messages.

    Raises
    ------
    ClockError
        When a step is so long that it may be one of 12 hours more, or all rows together are longer than a night.
    """
    half, start = DAY_US // 2, microseconds_of(begins)
    turn = slice(None, None, -1 if runs_backwards(half_day_us) else 1)
    steps = np.diff(half_day_us[turn], prepend=start % half) % half
    since = np.cumsum(steps)
    wrong = np.flatnonzero((steps > _LONGEST_HALF_DAY_STEP) | (since > _LONGEST_HALF_DAY_NIGHT))
    if wrong.size:
        at = int(wrong[0])
        row = half_day_us.size - 1 - at if turn.step == -1 else at
        problem = "times of a 12-hour clock without AM or PM cannot be counted on"
        before = (
            f"{_clock_text(int(half_day_us[turn][at - 1]))} in the row before" if at else f"a beginning at {begins}"
        )
        found = f"{_clock_text(int(half_day_us[row]))} after {before}"
        expected = "rows in order, steps of 3 hours at most, and one night of 14 hours at most"
        told = for_page("'begins' in the layout", asked("begins"))
        remedy = f"Correct {told}, or export the times with AM or PM."
        raise column.error(ClockError, row, problem, found, expected, remedy)
    return (start + since)[turn]


def place_after(begins: datetime, day_us: Microseconds, column: Column) -> Microseconds:
    """Return wall-clock microseconds of times of day of which none comes before ``begins``."""
    begins_us = microseconds_of(begins)
    first_day = begins_us // DAY_US * DAY_US
    if int(day_us[0]) + first_day < begins_us:
        first_day += DAY_US
    dates = np.full(day_us.size, first_day, np.int64)
    night_of = NightOf.WAKE_DAY if day_us[0] < DAY_US // 2 else NightOf.BED_DAY
    return place_in_nights(dates, day_us, night_of, column)


def refuse_late(us: Microseconds, begins: datetime, column: Column) -> None:
    """Refuse times of day whose first comes on the next day because the clock was just past it when the night began."""
    row = int(us.argmin())
    first = naive_datetime(int(us[row]))
    if first - begins <= _LONGEST_BEFORE:
        return
    problem = "the first row comes nearly a day after the beginning: its time of day has just passed by then"
    expected = "a beginning at the first row or before it"
    remedy = "Correct " + for_page("'begins' in the layout", asked("begins")) + ": seconds count, too."
    raise column.error(ClockError, row, problem, f"{first}, after {begins}", expected, remedy)


def refuse_evening_dates(us: Microseconds, dates: Microseconds, column: Column) -> None:
    """Refuse dates that stay the same over midnight: they are those of a night, and the layout must say so."""
    back = np.flatnonzero((us[1:] < us[:-1] - DAY_US // 2) & (dates[1:] == dates[:-1]))
    if back.size:
        row = int(back[0]) + 1
        problem = "the clock passes midnight and the date stays the same"
        expected = "the date of the next day, or to be told which day of a night the date names"
        remedy = (
            for_page('Say in a layout: [file] night_of = "wake-day"', f"Answer {asked('night_of', 'wake-day')}")
            + " (the date is that of waking up) or "
            + for_page('"bed-day"', "bed-day")
            + " (that of going to bed)."
        )
        found = f"{naive_datetime(int(us[row]))}, after {naive_datetime(int(us[row - 1]))}"
        raise column.error(ClockError, row, problem, found, expected, remedy)


def ends_after_starts(starts_us: Microseconds, ends_day_us: Microseconds, turn_us: int = DAY_US) -> Microseconds:
    """Return the first moment from each start on at which the clock, which turns once a day, shows the end's time."""
    ends: Microseconds = starts_us - starts_us % turn_us + ends_day_us
    return np.where(ends < starts_us, ends + turn_us, ends)


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
