"""One column of times: ISO 8601, a number whose size proves its unit, or what the layout declares."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import numpy as np

from sleepagree.errors import ClockError, FileFormatError, asked, for_page
from sleepagree.readers.layout import TimeForm, strptime_has_date
from sleepagree.readers.times.clock import (
    DAY_US,
    EARLIEST_US,
    EXAMPLE,
    LATEST_US,
    SECOND_US,
    Clock,
    Column,
    Microseconds,
    Times,
    midnight_note,
    missing_time,
    of_other_calendars,
    read_offset,
    with_offsets,
)
from sleepagree.readers.times.declared import read_declared
from sleepagree.readers.times.numbers import is_number_text, read_numeric, unit_by_size


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
    if form is None and is_number_text(first):
        form = TimeForm.ELAPSED_S if elapsed else unit_by_size(first, column)
    if form in list(TimeForm) and form != TimeForm.ISO:
        return read_numeric(texts, column, TimeForm(form))
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
