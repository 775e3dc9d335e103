"""One column of times: ISO 8601, a number whose size proves its unit, or what a layout declares; and of numbers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import ClockError, EpochGridError, FileFormatError, SleepAgreeError, asked, for_page, shorten
from sleepagree.readers.layout import ELAPSED_UNITS, TimeForm, strptime_has_date
from sleepagree.readers.times.clock import DAY_US, EARLIEST_US, LATEST_US, SECOND_US, Clock, Column, Microseconds, Times
from sleepagree.readers.times.declared import EXAMPLE, midnight_note, missing_time, of_other_calendars, read_declared
from sleepagree.readers.times.words import read_length, read_two_parts
from sleepagree.readers.times.zones import read_offset, with_offsets


def read_times(texts: Sequence[str], column: Column, *, form: str | None, elapsed: bool = False) -> Times:
    """Read a column of times.

    Parameters
    ----------
    texts : sequence of str, shape (n,)
        Cells; n > 0.
    column : Column
        For messages.
    form : str or None
        A ``TimeForm``, a strptime text, or None: ISO, or numbers whose size proves that they are Unix seconds or
        milliseconds.
    elapsed : bool
        Whether the column's name says that plain numbers are elapsed seconds.

    Returns
    -------
    Times
        In the order of ``texts``.

    Raises
    ------
    FileFormatError
        When a cell is empty or cannot be read.
    ClockError
        When some cells carry an offset from UTC and others none, or a Unix time lies outside 2000-2100.
    """
    first = next((text for text in texts if text.strip()), "").strip()
    if form is None and _NUMBER.fullmatch(first):
        form = TimeForm.ELAPSED_S if elapsed else _unit_by_size(first, column)
    if form in list(TimeForm) and form != TimeForm.ISO:
        return _read_numeric(texts, column, TimeForm(form))
    if form is not None and form != TimeForm.ISO:
        times = read_declared(texts, column, form)
    elif _TIME_OF_DAY.fullmatch(first):
        times = _read_times_of_day(texts, column)
    else:
        times = _read_iso(texts, column)
    outside = np.flatnonzero((times.us < EARLIEST_US) | (times.us > LATEST_US))
    if outside.size:
        row = int(outside[0])
        raise _no_such_time(texts[row].strip(), row, column, "the year is out of range")
    if times.clock in (Clock.LOCAL, Clock.UTC):
        refuse_other_calendars(times.us, texts, column)
    return times


def refuse_other_calendars(us: Microseconds, texts: Sequence[str], column: Column) -> None:
    """Refuse years that are those of another calendar: 2569 of the Buddhist era is 2026, 1404 of the Persian is 2025.

    Raises
    ------
    ClockError
        With the first row of such a year.
    """
    for calendar, rows in of_other_calendars(us):
        from sleepagree.readers.times.forms import declarable_forms, layout_with_forms  # few files come here

        row = int(rows[0])
        forms = [form for form in declarable_forms(texts[row].strip()) if "%EY" in form[0]]
        remedy = layout_with_forms(forms) if forms else "Export the times with years of the common era."
        problem, expected = f"a year that is one of the {calendar}", "a year of the common era, such as 2026"
        raise column.error(ClockError, row, problem, f"'{texts[row].strip()}'", expected, remedy, forms)


#: The moment, decimals of its second, and the offset from UTC.
_ISO: Final = re.compile(
    r"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d)?)(?:(?<=:\d\d:\d\d)[.,](\d{1,9}))?\s?([Zz]|[+-]\d\d(?::?\d\d)?)?", re.ASCII
)
_ISO_BASIC: Final = re.compile(r"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)?(\D.*)?", re.ASCII)
_TIME_OF_DAY: Final = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d{1,9}))?)?", re.ASCII)


def _read_iso(texts: Sequence[str], column: Column) -> Times:
    cells = [text.strip() for text in texts]
    matches = [_ISO.fullmatch(cell) or _ISO.fullmatch(_extended(cell)) for cell in cells]
    parts = [match.groups() for match in matches if match is not None]
    if len(parts) < len(cells):
        row = matches.index(None)
        raise _unreadable(cells[row], row, column)
    moments, fractions, offset_texts = map(list, zip(*parts, strict=True))
    late = [i for i, moment in enumerate(moments) if moment[11:13] == "24" and _is_24(moment, fractions[i])]
    for row in late:
        moments[row] = f"{moments[row][:11]}00{moments[row][13:]}"
    try:
        us = np.array(moments, "M8[us]").view(np.int64)
    except ValueError:
        raise _first_impossible(moments, texts, column) from None
    us[late] += DAY_US
    if any(fractions):
        us += np.array([_fraction_us(fraction) for fraction in fractions], np.int64)
    offset_s = {text: None if text is None else read_offset(text) for text in dict.fromkeys(offset_texts)}
    for text, seconds in offset_s.items():
        if text is not None and seconds is None:
            row = offset_texts.index(text)
            raise _no_such_time(texts[row].strip(), row, column, "the offset from UTC is out of range")
    return with_offsets(us, [offset_s[text] for text in offset_texts], texts, column, midnight_note(len(late)))


def _extended(cell: str) -> str:
    """Return a time in the extended format of ISO 8601 that is in the basic one, or has a small t."""
    cell = cell.replace("t", "T", 1)
    match = _ISO_BASIC.fullmatch(cell)
    if match is None:
        return cell
    year, month, day, hour, minute, second, rest = match.groups()
    return f"{year}-{month}-{day}T{hour}:{minute}" + (f":{second}" if second else "") + (rest or "")


def _is_24(moment: str, fraction: str | None) -> bool:
    """Whether a moment is midnight, written as the end of a day."""
    return not moment[13:].strip(":0") and not (fraction or "").strip("0")


def _first_impossible(moments: Sequence[str], texts: Sequence[str], column: Column) -> FileFormatError:
    """Return the error for the first moment that no calendar and no clock has."""
    for row, moment in enumerate(moments):
        try:
            datetime(*map(int, re.findall(r"\d+", moment)))  # type: ignore[arg-type]
        except ValueError as error:
            return _no_such_time(texts[row].strip(), row, column, str(error))
    raise AssertionError("numpy refused what Python takes for a moment")


def _fraction_us(digits: str | None) -> int:
    return 0 if not digits else round(int(digits) * SECOND_US / 10 ** len(digits))


def _read_times_of_day(texts: Sequence[str], column: Column) -> Times:
    values = np.empty(len(texts), np.int64)
    midnights = 0
    for row, text in enumerate(texts):
        cell = text.strip()
        match = _TIME_OF_DAY.fullmatch(cell)
        if match is None:
            raise _unreadable(cell, row, column, "a time of day such as 22:30:00, as in the rows before")
        hour, minute, second = (int(part or 0) for part in match.groups()[:3])
        us = (hour * 3600 + minute * 60 + second) * SECOND_US + _fraction_us(match[4])
        if minute > 59 or second > 59 or us > DAY_US or (hour == 24 and us != DAY_US):
            raise _no_such_time(cell, row, column, "there is no such time of day")
        midnights += hour == 24
        values[row] = us
    return Times(values, Clock.DAY, 0, midnight_note(midnights))


# --- times that are numbers: Unix time and elapsed seconds --------------------------------------------------

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


def _read_numeric(texts: Sequence[str], column: Column, form: TimeForm) -> Times:
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


def _unit_by_size(text: str, column: Column) -> TimeForm:
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
        _read_numeric([text], column, TimeForm.ELAPSED_S)
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


# --- what to say of a cell that cannot be read -----------------------------------------------------------

_DATE_ONLY: Final = re.compile(r"\d{4}-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]\d{2,4}", re.ASCII)


def _unreadable(cell: str, row: int, column: Column, expected: str = EXAMPLE) -> FileFormatError:
    if not cell or cell.casefold() in ("n/a", "na", "nan", "null", "none", "nat"):
        return missing_time(cell, row, column, expected)
    from sleepagree.readers.times.forms import declarable_forms, layout_with_forms  # few files come here

    found = f"'{cell}'"
    forms = declarable_forms(cell)
    if row > 0 and forms:  # a form for this row would not read those before it
        problem = "the time is written in another way than those before it"
        remedy = "Correct the row, or export the times again in one form."
        return column.error(FileFormatError, row, problem, found, expected, remedy)
    if forms:
        what = "date" if strptime_has_date(forms[0][0]) else "time"
        problem = f"the form of this {what} must be declared"
        return column.error(FileFormatError, row, problem, found, EXAMPLE, layout_with_forms(forms), forms)
    if _DATE_ONLY.fullmatch(cell):
        remedy = "If the times stand in another column, " + for_page(
            f'name it in a layout: [file] start = "..." and date = "{column.name}".',
            "say that it tells when a row begins, and that this one is the date.",
        )
        return column.error(FileFormatError, row, "a date without a time of day", found, expected, remedy)
    remedy = "Correct the row"
    declare = for_page("declare the form of the times in a layout: [file], key 'time'.", f"answer {asked('time')}.")
    remedy += "." if row > 0 else f", or {declare}"
    return column.error(FileFormatError, row, "the time cannot be read", found, expected, remedy)


def _no_such_time(cell: str, row: int, column: Column, reason: str) -> FileFormatError:
    problem = "there is no such date or time"
    return column.error(FileFormatError, row, problem, f"'{cell}' ({reason})", EXAMPLE, "Correct the row.")


# --- columns of numbers -------------------------------------------------------------------------------------

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
