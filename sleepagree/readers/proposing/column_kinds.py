"""What a column of a table seems to hold, judged by all of its cells; its name tells a unit at most."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import SleepAgreeError
from sleepagree.readers.columns import told_unit
from sleepagree.readers.layout import ELAPSED_UNITS, TimeForm, strptime_has_half_days
from sleepagree.readers.rows import Rows
from sleepagree.readers.times.clock import SECOND_US, Clock, Column, Microseconds, Times
from sleepagree.readers.times.declared import read_declared, with_lost_zeros
from sleepagree.readers.times.forms import declarable_forms
from sleepagree.readers.times.nights import half_day_row, runs_backwards
from sleepagree.readers.times.reading import read_times
from sleepagree.readers.times.words import is_before_date, is_half, read_length, read_two_parts

_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?", re.ASCII)
_TIME: Final = re.compile(
    r"\d[:：]\d\d|\d[-/.]\d+[-/.]\d|\d\s?[hH.]\s?\d\d|\d{8}[ _T-]\d{4}|[A-Za-z]{3}.*\d|\d[時时点點시]"
    r"|^\d\d? ?[^\W\d_]{1,6}\.?$"
)
#: Date and time as one number: no other number of a night has as many digits.
_DATED_DIGITS: Final = re.compile(r"(?:19|20)\d{10}(?:\d\d)?", re.ASCII)
_PARTED: Final = re.compile(r"\d(?:[^\d\n]{1,12}\d)+")
_CLOCK_NUMBER: Final = re.compile(r"([01]?\d|2[0-3])([.,]?)([0-5]\d)", re.ASCII)
#: Of ten numbers one set in two hundred has no minutes from 60 on by chance.
_FEWEST_CLOCKS: Final = 10
_ROWS_A_NIGHT: Final = 30
_TOGETHER: Final = re.compile(r"(?:(?:19|20)\d{6})?(?:[01]\d|2[0-3])[0-5]\d[0-5]\d", re.ASCII)
_NEARLY_ALL: Final = 0.8
#: A clock that goes back more often is none: these are lengths.
_CLOCKS_GO_BACK: Final = 0.2
#: Day, month and year in any order; a short word may stand before them, as in "den 9/9 2031".
_DATE: Final = re.compile(
    r"(?:(?P<word>[^\W\d_]{1,4}\.?) +)?"
    r"(?:[0-9]{1,4}(?:[./-] ?|[년年] ?)[0-9]{1,2}(?:[./-] ?| +|[月월] ?)[0-9]{1,4}[.日일]?"
    r"|[0-9]{1,2}[. -]{1,2}[A-Za-z]{3,9}[., -]{1,2}[0-9]{4})"
)
_YEAR: Final = re.compile(r"(?<!\d)\d{4}(?!\d)", re.ASCII)
#: A date with a year of two digits, which may be hours, minutes and seconds as well.
_SHORT_DATE: Final = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{2})")
_OFFSET: Final = re.compile(r"(?:UTC|GMT)?[+-]\d\d?(?::?\d\d)?|Z|UTC|GMT", re.ASCII)
#: A night holds a few kinds of sleep; a scorer's shades of them are not many more.
MOST_WORDS: Final = 40
_MOST_CODES: Final = 12
_LARGEST_CODE: Final = 99
#: No count of rows has more; hundreds of digits are codes of epochs.
_MOST_DIGITS: Final = 15
_LATEST_UNIX_S: Final = 1e10
_DAY_S: Final = 86_400.0
#: Half an hour to a day's sleep and more, for numbers that count from the start; the likeliest is 8 h.
_RECORDING_S: Final = (600.0, 93_600.0)
_USUAL_NIGHT_S: Final = 28_800.0
_SHORTEST_STEP_S: Final = 5.0
#: Times of rows are multiples of this, to a rounded decimal.
_GRID_S: Final = 10.0
_ROUNDED_S: Final = 0.6
#: Times may start again with the next person.
_MOST_FALLS: Final = 0.05


class ColumnKind(StrEnum):
    """What a column holds."""

    MOMENTS = "moments"
    TIMES_OF_DAY = "times of day"
    DATES = "dates"
    HALVES = "am or pm"
    ZONES = "zones"
    COUNT = "counted rows"
    CODES = "few small numbers"
    NUMBERS = "numbers"
    LENGTHS = "lengths"
    WORDS = "few texts"
    TEXTS = "texts"
    CHARACTERS = "a character an epoch"
    NOTHING = "nothing"

    @property
    def is_numeric(self) -> bool:
        """Whether columns of this kind hold numbers."""
        return self in (ColumnKind.NUMBERS, ColumnKind.COUNT, ColumnKind.CODES)


#: Kinds of columns that tell when.
TIMES: Final = (ColumnKind.MOMENTS, ColumnKind.TIMES_OF_DAY, ColumnKind.DATES)


@dataclass(frozen=True)
class TimeReading:
    """One way to read a column of times.

    Parameters
    ----------
    form : str or None
        As a layout declares it; None where no declaration is needed.
    when : str
        When it holds ("if the day comes first"), "" where only one form fits.
    times : Times
        What it reads.
    """

    form: str | None
    when: str
    times: Times = field(compare=False, repr=False)

    @property
    def has_half_days(self) -> bool:
        """Whether it reads the hours of a 12-hour clock, and no half of the day."""
        return self.form is not None and strptime_has_half_days(self.form)


@dataclass(frozen=True)
class ColumnSeen:
    """A column and what it seems to hold.

    Parameters
    ----------
    name : str
        As the file calls it.
    kind : ColumnKind
        What all its cells are.
    rows, distinct : int
        Cells, and different ones.
    readings : tuple of TimeReading
        Of times: every way that reads all rows.
    """

    name: str
    kind: ColumnKind
    rows: int
    distinct: int
    readings: tuple[TimeReading, ...] = field(default=(), compare=False, repr=False)
    cells: tuple[str, ...] = field(default=(), compare=False, repr=False)

    @property
    def numbers(self) -> NDArray[np.float64]:
        """The cells of a column of numbers, nan for empty ones, or the seconds of one of lengths."""
        if self.kind is ColumnKind.LENGTHS:
            return np.array([read_length(cell) for cell in self.cells], np.float64)
        parts = [read_two_parts(cell) for cell in self.cells]
        if None not in parts:
            return np.array(parts, np.float64)
        numbers = np.array([float(cell.replace(",", ".") or "nan") for cell in self.cells])
        numbers[np.isinf(numbers)] = np.nan  # hundreds of digits are no number: they are codes of epochs
        return numbers

    @property
    def us(self) -> Microseconds:
        """The times of a column in microseconds, in the likeliest way to read them."""
        return self.readings[0].times.us

    @property
    def values(self) -> tuple[str, ...]:
        """Different cells in order of appearance."""
        return tuple(dict.fromkeys(self.cells))

    def taking(self, rows: Rows) -> ColumnSeen:
        """Return some rows of the column, in an order."""
        cells = tuple(self.cells[row] for row in rows.tolist())
        if not self.readings:
            return see_column(self.name, cells)
        readings = tuple(replace(r, times=r.times._replace(us=r.times.us[rows])) for r in self.readings)
        return replace(self, rows=len(cells), distinct=len(set(cells)), cells=cells, readings=readings)


def see_column(name: str, cells: Sequence[str]) -> ColumnSeen:
    """Return what a column seems to hold."""
    stripped = tuple(cell.strip() for cell in cells)
    distinct = list(dict.fromkeys(stripped))
    kind, readings = _kind(stripped, distinct)
    return ColumnSeen(name, kind, len(stripped), len(distinct), readings, stripped)


def _kind(cells: Sequence[str], distinct: Sequence[str]) -> tuple[ColumnKind, tuple[TimeReading, ...]]:
    held = [text for text in distinct if text]
    if not held:
        return ColumnKind.NOTHING, ()
    complete = len(held) == len(distinct)
    if _are_short_dates(cells, held):
        return ColumnKind.DATES, ()
    are_lengths = complete and all(read_length(text) is not None for text in held)
    are_parts = complete and all(read_two_parts(text) is not None for text in held)
    if complete and (readings := read_every_way(cells)):
        if readings[0].times.clock is not Clock.DAY:
            return ColumnKind.MOMENTS, readings
        back = np.count_nonzero(np.diff(readings[0].times.us) < 0)
        is_clock = back <= _CLOCKS_GO_BACK * len(cells) or runs_backwards(readings[0].times.us)
        if is_clock or not (are_lengths or are_parts):
            return ColumnKind.TIMES_OF_DAY, readings
    if are_lengths:
        return ColumnKind.LENGTHS, ()
    if are_parts:
        return ColumnKind.NUMBERS, ()
    if all(_NUMBER.fullmatch(text) for text in held):
        return _kind_of_numbers(cells, held, complete=complete), ()
    if all(map(_is_date, held)):
        return ColumnKind.DATES, ()
    if all(map(is_half, held)):
        return ColumnKind.HALVES, ()
    if all(_OFFSET.fullmatch(text) or is_zone(text) for text in held):
        return ColumnKind.ZONES, ()
    return (ColumnKind.WORDS if len(held) <= MOST_WORDS else ColumnKind.TEXTS), ()


def _is_date(text: str) -> bool:
    match = _DATE.fullmatch(text)
    if match is not None and (match["word"] is None or is_before_date(match["word"])):
        return True
    return bool(_YEAR.search(text)) and any("%Y" in form for form, _ in declarable_forms(f"{text} 12:00"))


def _are_short_dates(cells: Sequence[str], held: Sequence[str]) -> bool:
    """Whether cells such as 05.11.31 are dates: they stay the same for many rows, as times of day do not."""
    if len(held) > len(cells) / 2 or not all(map(_SHORT_DATE.fullmatch, held)):
        return False
    forms = {form for form, _ in declarable_forms(f"{held[0]} 12:00")}
    return any(all(form in dict(declarable_forms(f"{text} 12:00")) for text in held) for form in forms)


def _kind_of_numbers(cells: Sequence[str], held: Sequence[str], *, complete: bool) -> ColumnKind:
    whole = all(text.lstrip("+-").isdigit() for text in held)
    if whole and complete and len(held) == len(cells) > 2 and max(map(len, held)) <= _MOST_DIGITS:
        steps = np.diff([int(text) for text in cells])
        if (steps > 0).all() and np.median(steps) == 1:
            return ColumnKind.COUNT
    few = len(held) <= _MOST_CODES and (len(held) <= len(cells) / 2 or len(held) < 3)
    if whole and few and all(abs(int(text)) <= _LARGEST_CODE for text in held):
        return ColumnKind.CODES
    return ColumnKind.NUMBERS


def may_be_times(column: ColumnSeen) -> bool:
    """Whether the cells of a column may be times in a form that nobody knows.

    Nearly every row has a text of its own, or no text comes back once it has gone, with two numbers in it and something
    between them, or digits that can be hours, minutes and seconds written together.
    """
    own = column.distinct >= _NEARLY_ALL * column.rows
    comes_back = sum(a != b for a, b in pairwise(column.cells)) >= column.distinct
    if column.rows < 3 or not (own or (column.distinct > _MOST_CODES and not comes_back)):
        return False
    if column.kind is ColumnKind.NUMBERS:
        return all(_TOGETHER.fullmatch(cell) for cell in column.cells)
    parted = sum(_PARTED.search(cell) is not None for cell in column.cells)
    return column.kind in (ColumnKind.WORDS, ColumnKind.TEXTS) and parted >= _NEARLY_ALL * column.rows


def is_zone(text: str) -> bool:
    """Whether a text is the name of a time zone, with a place in it."""
    if "/" not in text:
        return False
    from sleepagree.hypnogram.zones import find_zone

    try:
        find_zone(text)
    except SleepAgreeError:
        return False
    return True


def elapsed_us(column: ColumnSeen, form: TimeForm) -> Microseconds:
    """Return the numbers of a column, which count from the start of a recording, in microseconds."""
    return np.rint(np.round(column.numbers * ELAPSED_UNITS[form], 3) * SECOND_US).astype(np.int64)


def elapsed_forms(column: ColumnSeen) -> list[TimeForm]:
    """Return in which units the numbers of a column can count from the start of a recording, the likeliest first.

    A unit in the name of the column is believed. Where it tells none, counted rows are no times, and minutes, hours and
    milliseconds stand for whole multiples of ten seconds.
    """
    numbers, told = column.numbers, told_unit(column.name)
    steps = np.diff(numbers)
    if numbers.size < 3 or not (steps > 0).any() or (steps < 0).mean() > _MOST_FALLS or may_be_times(column):
        return []
    if numbers.min() < numbers[0]:  # past midnight a clock begins again, and time since the start does not
        return []
    step, total = float(np.median(steps[steps > 0])), float(np.ptp(numbers))
    fitting = []
    for form, unit in ELAPSED_UNITS.items():
        seconds = (numbers - numbers[0]) * unit
        even = np.abs(seconds - np.rint(seconds / _GRID_S) * _GRID_S) <= _ROUNDED_S
        plain = told == unit or (
            told is None and column.kind is ColumnKind.NUMBERS and (unit == 1.0 or bool(even.all()))
        )
        if plain and _RECORDING_S[0] <= total * unit <= _RECORDING_S[1] and step * unit >= _SHORTEST_STEP_S:
            fitting.append(form)
    return sorted(fitting, key=lambda form: abs(log(total * ELAPSED_UNITS[form] / _USUAL_NIGHT_S)))


def read_every_way(cells: Sequence[str]) -> tuple[TimeReading, ...]:
    """Return every way in which all cells are times: without a declaration, or each form that a layout can declare.

    Cells of the form of times that tell nothing of an order of day and month are read one way; numbers are Unix
    times where their size proves it, and no times otherwise.
    """
    if not cells or not (_NUMBER.fullmatch(cells[0]) or _TIME.search(cells[0])):
        return ()
    try:
        times = read_times(cells, Column("", "", str), form=None)
    except SleepAgreeError:
        pass
    else:
        if times.clock is Clock.ELAPSED:
            return ()
        return (_on_half_days(cells, TimeReading(_unix_form(cells[0]), "", times)),)
    is_numbers = _NUMBER.fullmatch(cells[0]) and _NUMBER.fullmatch(cells[-1])
    if is_numbers and not all(map(_DATED_DIGITS.fullmatch, cells)):
        form = _clock_form(cells)
        forms = {} if form is None else {form: ""}
    else:
        sample = (cells[0], cells[-1], cells[len(cells) // 2])
        forms = {form: when for cell in sample for form, when in declarable_forms(cell)}
    return _likely([_on_half_days(cells, reading) for reading in _read_in(cells, forms.items())])


def _read_in(cells: Sequence[str], forms: Iterable[tuple[str, str]]) -> Iterator[TimeReading]:
    """Yield times in those of several forms that all cells have; with each form stands when it holds."""
    for form, when in forms:
        with suppress(SleepAgreeError):
            yield TimeReading(form, when, read_declared(cells, Column("", "", str), form))


def _on_half_days(cells: Sequence[str], reading: TimeReading) -> TimeReading:
    """Return a reading of times of day as that of a 12-hour clock, where it goes from 12 to 1."""
    if reading.times.clock is not Clock.DAY or half_day_row(reading.times) is None:
        return reading
    forms = [reading.form] if reading.form else [form for form, _ in declarable_forms(cells[0])]
    return next(_read_in(cells, [(form.replace("%H", "%I"), "") for form in forms]), reading)


def _clock_form(cells: Sequence[str]) -> str | None:
    """Return the form of numbers such as 23.42 that are times of day, None where they need not be.

    No minute is above 59, none comes before the last but once a night, and as numbers they do not rise evenly.
    """
    cells = with_lost_zeros(cells) or cells
    found = _CLOCK_NUMBER.fullmatch(cells[0])
    parts = [match.groups() for match in map(_CLOCK_NUMBER.fullmatch, cells) if match]
    if len(cells) < _FEWEST_CLOCKS or len(parts) < len(cells) or len({joint for _, joint, _ in parts}) > 1:
        return None
    numbers = [100 * int(hour) + int(minute) for hour, _, minute in parts]
    steps, falls = np.diff(numbers), max(1, len(cells) // _ROWS_A_NIGHT)
    if (steps == steps[0]).all() or np.count_nonzero(steps < 0) > falls or numbers[0] // 100 == numbers[-1] // 100:
        return None
    return f"%H{found[2]}%M" if found else None


def _unix_form(cell: str) -> str | None:
    """Return the form of a Unix time: the name of its column may say seconds of something else."""
    if not _NUMBER.fullmatch(cell):
        return None
    return TimeForm.UNIX_MS.value if float(cell.replace(",", ".")) > _LATEST_UNIX_S else TimeForm.UNIX_S.value


def _likely(readings: list[TimeReading]) -> tuple[TimeReading, ...]:
    """Return readings that differ, without those in which a night lasts for weeks beside one in which it does not."""
    different: list[TimeReading] = []
    for reading in readings:
        if not any(np.array_equal(reading.times.us, other.times.us) for other in different):
            different.append(reading)
    jumps = [float(np.abs(np.diff(r.times.us)).max(initial=0)) / 1e6 for r in different]
    near = [r for r, jump in zip(different, jumps, strict=True) if jump < 2 * _DAY_S]
    kept = near if near and max(jumps) > 10 * _DAY_S else different
    if len(kept) == 1:
        return (TimeReading(kept[0].form, "", kept[0].times),)
    return tuple(kept)
