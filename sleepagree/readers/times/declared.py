"""Times in a form that a layout declares, a text for strptime."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError, asked, for_page
from sleepagree.readers.layout import strptime_directives, strptime_has_date
from sleepagree.readers.times.clock import DAY_US, Clock, Column, Microseconds, Times, microseconds_of
from sleepagree.readers.times.words import form_of_names, months_meant, with_plain_half, with_plain_names
from sleepagree.readers.times.zones import offset_of, with_offsets

EXAMPLE: Final = "a time such as 2026-03-01T22:30:00"
#: Stands for a comma in Arabic script.
ARABIC_COMMA: Final = "،"
_MIDNIGHT_24: Final = re.compile(r"(?<![\d:])24(?=:00(?!\d)(?::00(?![\d.,]))?(?!:))", re.ASCII)
_ERAS_APART: Final = 543
_BUDDHIST_YEAR: Final = re.compile(r"(?<!\d)2[56]\d\d(?!\d)", re.ASCII)
_UTC: Final = re.compile(r"(?<=\d) ?(?:UTC|GMT)(?P<offset> ?[+-]\d{2}:?\d{2})?$", re.ASCII)


def says_24(cell: str) -> bool:
    """Whether a cell calls midnight 24:00, the end of a day."""
    return _MIDNIGHT_24.search(cell) is not None


#: Hours and minutes with a point or a comma between them, which programs take for numbers: 23.40 becomes 23.4.
_NUMBER_FORMS: Final = ("%H.%M", "%H,%M")
_CLOCK_NUMBER: Final = re.compile(r"(?P<hour>[01]?\d|2[0-3])(?:(?P<joint>[.,])(?P<minute>\d{1,2}))?", re.ASCII)


def with_lost_zeros(texts: Sequence[str]) -> list[str] | None:
    """Return hours and minutes with the zeros at their ends that numbers lose: 23.4 is 23.40, and 22 is 22.00.

    None where zeros were lost or are not written before minutes of one digit, and no row tells which.

    Examples
    --------
    >>> with_lost_zeros(["22.55", "23", "23.05", "23.1"]), with_lost_zeros(["23.5", "23.10"]), with_lost_zeros(["23.5"])
    (['22.55', '23.00', '23.05', '23.10'], ['23.5', '23.10'], None)
    """
    matches = [_CLOCK_NUMBER.fullmatch(text.strip()) for text in texts]
    whole = [match for match in matches if match is not None]
    minutes = [match["minute"] or "" for match in whole]
    if len(whole) < len(matches) or all(len(minute) == 2 for minute in minutes):
        return list(texts)
    has_led, has_ended = (any(len(m) > 1 and m[i] == "0" for m in minutes) for i in (0, 1))
    if has_led == has_ended:
        return None
    if has_ended:
        return list(texts)
    joint = next(match["joint"] for match in whole if match["joint"])
    return [f"{match['hour']}{match['joint'] or joint}{(match['minute'] or '').ljust(2, '0')}" for match in whole]


def read_declared(texts: Sequence[str], column: Column, form: str) -> Times:
    """Return times in a declared strptime form; 24:00 is midnight of the next day.

    Raises
    ------
    FileFormatError
        When a cell is empty or of another form.
    ClockError
        When some cells carry an offset from UTC and others none.
    """
    values = np.empty(len(texts), np.int64)
    offsets: list[int | None] = []
    midnights = 0
    notes: tuple[Note, ...] = ()
    if form in _NUMBER_FORMS:
        filled = with_lost_zeros(texts)
        if filled is None:
            row = next(row for row, text in enumerate(texts) if not re.search(r"[.,]\d\d$", text.strip()))
            raise _lost_zero(texts[row].strip(), row, column)
        if lost := sum(new != old for new, old in zip(filled, texts, strict=True)):
            notes = (Note.of(NoteKind.ZEROS_ADDED, count=lost),)
        texts = filled
    directives = strptime_directives(form)
    has_half, has_zone = (directive in directives for directive in "pz")
    names, is_buddhist = [letter for letter in directives if letter in "aAbB"], "EY" in directives
    plain_form, language = form_of_names(form.replace(ARABIC_COMMA, ",").replace("%EY", "%Y"))
    for row, text in enumerate(texts):
        cell = text.strip()
        plain = cell.replace(ARABIC_COMMA, ",")
        plain = with_plain_half(plain) if has_half else plain
        plain = with_plain_zone(plain) if has_zone else plain
        plain = with_plain_names(plain, names, language)
        try:
            plain = _in_common_era(plain) if is_buddhist else plain
            moment, late = _moment_or_midnight(plain, plain_form)
        except (ValueError, OverflowError, re.error):
            if not cell:
                raise missing_time(cell, row, column) from None
            if names and (months := months_meant(plain)):
                raise _ambiguous_month(cell, months, row, column) from None
            problem = "the time does not have the declared form"
            expected = "the form " + for_page(f'time = "{form}"', f'"{form}"')
            remedy = "Correct the row, or " + for_page("'time' in the layout.", f"{asked('time')}.")
            if has_half and not re.search("[AP]M", plain):
                remedy = (
                    "%p reads AM and PM, and words for them in many languages: write them so in the file, beside the "
                    "times or in a column of their own"
                    + for_page(" that 'am_pm' in the layout names.", ' that is said to be "AM or PM".')
                )
            raise column.error(FileFormatError, row, problem, f"'{cell}'", expected, remedy) from None
        values[row] = microseconds_of(moment) + DAY_US * late
        midnights += late
        offsets.append(offset_of(moment))
    if not strptime_has_date(form):
        return Times(values, Clock.DAY, 0, (*notes, *midnight_note(midnights)))
    return with_offsets(values, offsets, texts, column, midnight_note(midnights))


def _ambiguous_month(cell: str, months: Mapping[str, str], row: int, column: Column) -> FileFormatError:
    """Return the error for a name that is one month in one language and another in another."""
    problem = "the name of the month is " + " and ".join(f"{month} in {said}" for said, month in months.items())
    remedy = "Say which in the form of the times: " + " or ".join(f"%b[{language}]" for language in months) + "."
    return column.error(FileFormatError, row, problem, f"'{cell}'", "a name of one month", remedy)


def _moment_or_midnight(cell: str, form: str) -> tuple[datetime, bool]:
    """Return the moment that a cell names, and whether it is midnight at the end of that day, written as 24:00."""
    try:
        return _strptime(cell, form), False
    except ValueError:  # "h 24:00" may as well be minutes and seconds, which are read
        if not (says_24(cell) and "H" in strptime_directives(form)):
            raise
    return _strptime(_MIDNIGHT_24.sub("00", cell), form), True


def _strptime(cell: str, form: str) -> datetime:
    """Return the moment that a cell names, on the first day of 1970 where the form has no date."""
    if strptime_has_date(form):
        return datetime.strptime(cell, form)
    # a year keeps Python from warning about days without one
    return datetime.strptime("1970-01-01 " + cell, "%Y-%m-%d " + form)


def _lost_zero(cell: str, row: int, column: Column) -> FileFormatError:
    problem = "minutes of one digit may have lost a zero before or behind it, and no row tells which"
    remedy = "Write the times with two digits of minutes, or with a colon, in the file."
    return column.error(FileFormatError, row, problem, f"'{cell}'", "two digits of minutes", remedy)


def with_plain_zone(cell: str) -> str:
    """Return a time with an offset in the place of a word for UTC."""
    return _UTC.sub(lambda match: match["offset"] or "Z", cell)


def midnight_note(count: int) -> tuple[Note, ...]:
    """Return the ledger line about midnights written as 24:00."""
    return (Note.of(NoteKind.MIDNIGHT_AS_24, count=int(count)),) if count else ()


def missing_time(cell: str, row: int, column: Column, expected: str = EXAMPLE) -> FileFormatError:
    """Return the error for a cell without a time."""
    found = f"'{cell}'" if cell else ""
    remedy = "Complete the row or take it out."
    return column.error(FileFormatError, row, "the time is missing", found, expected, remedy)


def _in_common_era(cell: str) -> str:
    """Return a date of the Buddhist era with its year of the common era; raise a ValueError where it has none."""
    plain, found = _BUDDHIST_YEAR.subn(lambda year: str(int(year[0]) - _ERAS_APART), cell, count=1)
    if not found:
        raise ValueError(cell)
    return plain


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
