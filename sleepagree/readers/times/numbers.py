"""Columns of numbers, and times that are numbers: Unix time and elapsed seconds."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import ClockError, EpochGridError, FileFormatError, SleepAgreeError, asked, for_page, shorten
from sleepagree.readers.layout import ELAPSED_UNITS, TimeForm
from sleepagree.readers.times.clock import SECOND_US, Clock, Column, Times
from sleepagree.readers.times.words import read_length, read_two_parts

_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
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
    if not column.decimal_point and any("." in text for text in texts):
        _refuse_grouped_by_points(texts, column)
    cells = [text.strip() for text in texts]
    for row, cell in enumerate(cells):
        match = _NUMBER.fullmatch(cell)
        if not cell:
            raise column.error(
                FileFormatError, row, "the cell is empty", "", expected, "Complete the row or take it out."
            )
        if match is None:
            raise column.error(FileFormatError, row, "this is no number", f"'{cell}'", expected)
        if match[3]:
            remedy = "Export the file again without opening it in a spreadsheet."
            problem = "a number with an exponent may have lost digits"
            raise column.error(FileFormatError, row, problem, f"'{cell}'", expected, remedy)
    if any("," in cell for cell in cells):
        _refuse_grouped(cells, column)
        cells = [cell.replace(",", ".") for cell in cells]
    return np.array(cells, np.float64)


def read_durations(
    texts: Sequence[str], column: Column, told: float | None = None
) -> tuple[NDArray[np.float64], float | None]:
    """Read a column of durations, and their unit where all cells tell it, such as 0:12:30, 1 h 5 min or PT30S.

    Cells such as 17:30 are numbers of the unit of their first part, which is told or proven as for other numbers:
    ``told`` is the seconds of the unit that is told, if any.
    """
    seconds = [read_length(text.strip()) for text in texts]
    if None in seconds:
        parts = [read_two_parts(text.strip()) for text in texts]
        if None not in parts:
            if told is not None and told not in _OF_TWO_PARTS:
                problem, expected = "durations of two parts do not have the unit that is told", "minutes or hours"
                remedy = "Say what the first part is: " + for_page(
                    '[file] duration_unit = "min" (17:30 is 17 min 30 s) or "h".',
                    f"answer {asked('duration_unit', 'min')} (17:30 is 17 min 30 s) or h.",
                )
                raise column.error(EpochGridError, 0, problem, f"'{texts[0].strip()}'", expected, remedy)
            return np.array(parts, np.float64), None
        return read_numbers(texts, column, expected="a duration in numbers, or as 0:12:30, 1 h 5 min or PT30S"), None
    return np.array(seconds, np.float64), 1.0


#: Seconds in the first of two parts.
_OF_TWO_PARTS: Final = (60.0, 3600.0)


def _refuse_grouped(cells: Sequence[str], column: Column) -> None:
    """Refuse commas that may part thousands: 1,500 is one and a half or fifteen hundred."""
    commas = [(row, cell) for row, cell in enumerate(cells) if "," in cell]
    if any(not _GROUPED.fullmatch(cell) for _, cell in commas) and not any("." in cell for cell in cells):
        return
    row, cell = commas[0]
    problem, expected = "a comma that may part decimals or thousands", "numbers with a decimal point"
    remedy = "Export the numbers with a decimal point and without separators of thousands."
    raise column.error(FileFormatError, row, problem, f"'{cell}'", expected, remedy)


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
    problem, expected = "a point that may part decimals or thousands", "decimals in all rows or in none"
    remedy = "Export the numbers without separators of thousands, and with as many decimals in every row."
    raise column.error(FileFormatError, row, problem, f"'{cell}' beside '{shorten(whole)}'", expected, remedy)


#: Elapsed time beyond three years is no elapsed time.
_LONGEST_ELAPSED_S: Final = 100_000_000
#: The years 2000 to 2100.
_UNIX_S: Final = (946_684_800, 4_102_444_800)
_NUMBERS_EXPECTED: Final = {
    TimeForm.UNIX_S: "Unix seconds",
    TimeForm.UNIX_MS: "Unix milliseconds",
    TimeForm.ELAPSED_MS: "elapsed milliseconds",
    TimeForm.ELAPSED_S: "elapsed seconds",
    TimeForm.ELAPSED_MIN: "elapsed minutes",
    TimeForm.ELAPSED_H: "elapsed hours",
}
#: Seconds in one.
_UNITS_S: Final = {TimeForm.UNIX_S: 1.0, TimeForm.UNIX_MS: 0.001, **ELAPSED_UNITS}
#: Decimals of minutes and hours are cut somewhere: 0.00833 h is half a minute.
_WHOLE_SECONDS: Final = (TimeForm.ELAPSED_MIN, TimeForm.ELAPSED_H)


def is_number_text(text: str) -> bool:
    """Whether a text is a number, with a point or a comma before its decimals."""
    return _NUMBER.fullmatch(text) is not None


def read_numeric(texts: Sequence[str], column: Column, form: TimeForm) -> Times:
    """Return times that are numbers.

    Parameters
    ----------
    texts : sequence of str, shape (n,)
        Cells.
    column : Column
        For messages.
    form : str
        One of Unix or elapsed time.

    Raises
    ------
    FileFormatError
        As :func:`read_numbers`.
    ClockError
        When a Unix time lies outside 2000-2100, or elapsed time is longer than three years.
    """
    told = [read_length(text.strip()) for text in texts] if form.is_elapsed else [None]
    if None not in told:  # 0:12:30 and 1 h 5 min tell their units
        return Times(np.rint(np.array(told, np.float64) * SECOND_US).astype(np.int64), Clock.ELAPSED)
    numbers = read_numbers(texts, column, expected=_NUMBERS_EXPECTED[form])
    outside = ~_fits(numbers, form)
    if outside.any():
        row = int(np.flatnonzero(outside)[0])
        raise _wrong_size(texts[row].strip(), row, column, form)
    seconds = numbers * _UNITS_S[form]
    us = np.rint((np.rint(seconds) if form in _WHOLE_SECONDS else seconds) * SECOND_US).astype(np.int64)
    if form.is_elapsed:
        return Times(us, Clock.ELAPSED)
    unit = "seconds" if form == TimeForm.UNIX_S else "milliseconds"
    return Times(us, Clock.UTC, 0, (Note.of(NoteKind.UNIX_TIMES, unit=unit),))


def _fits(numbers: NDArray[np.float64], form: TimeForm) -> NDArray[np.bool_]:
    """Return which numbers can be times of a form."""
    low, high = (-_LONGEST_ELAPSED_S, _LONGEST_ELAPSED_S) if form.is_elapsed else _UNIX_S
    seconds = numbers * _UNITS_S[form]
    fits: NDArray[np.bool_] = (seconds >= low) & (seconds <= high)
    return fits


def _forms_that_fit(text: str, *forms: TimeForm) -> list[TimeForm]:
    number = np.array([float(text.replace(",", "."))])
    return [form for form in forms if _fits(number, form)[0]]


def unit_by_size(text: str, column: Column) -> TimeForm:
    """Return "unix-s" or "unix-ms" where the size of a number proves it; raise a ClockError otherwise."""
    if fitting := _forms_that_fit(text, TimeForm.UNIX_S, TimeForm.UNIX_MS):
        return fitting[0]
    elapsed = "If these count from the start of the recording, " + for_page(
        'give a layout with\n    [file]\n    time = "elapsed-s"\n  or "elapsed-min", "elapsed-h", "elapsed-ms".',
        f"answer {asked('time', 'elapsed-s')}, elapsed-min, elapsed-h or elapsed-ms.",
    )
    problem = "a number that does not tell what it counts"
    expected = "Unix seconds or milliseconds of the years 2000 to 2100" + for_page(", or a layout", "")
    remedy = (
        elapsed
        if _reads_as_elapsed(text, column)
        else "Export times that tell their date, such as 2026-03-01T22:30:00."
    )
    raise column.error(ClockError, 0, problem, text, expected, remedy)


def _reads_as_elapsed(text: str, column: Column) -> bool:
    try:
        read_numeric([text], column, TimeForm.ELAPSED_S)
    except SleepAgreeError:
        return False
    return True


def _wrong_size(text: str, row: int, column: Column, form: TimeForm) -> ClockError:
    if form.is_elapsed:
        problem = "elapsed time of more than three years"
        expected, remedy = f"{_NUMBERS_EXPECTED[form]} from the start of the recording", "Correct the row."
        if unix := _forms_that_fit(text, TimeForm.UNIX_S, TimeForm.UNIX_MS):
            say = for_page(f'say so in a layout: [file] time = "{unix[0]}".', f"answer {asked('time', unix[0])}.")
            remedy = f"If these are Unix times, {say}"
        return column.error(ClockError, row, problem, text, expected, remedy)
    other = TimeForm.UNIX_MS if form == TimeForm.UNIX_S else TimeForm.UNIX_S
    fits_other = bool(_forms_that_fit(text, other))
    problem = "a Unix time outside the years 2000 to 2100"
    expected = f"{_NUMBERS_EXPECTED[form]} such as {'1772404200' if form == TimeForm.UNIX_S else '1772404200000'}"
    write = for_page(f'write time = "{other}" in the layout.', f"answer {asked('time', other)}.")
    remedy = f"It fits the other unit: {write}" if fits_other else "Correct the row."
    return column.error(ClockError, row, problem, text, expected, remedy)
