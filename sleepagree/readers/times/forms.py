"""Times in a form that a layout declares (strptime), and the forms to offer for a cell that does not tell its own."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, ZoneName
from sleepagree.errors import ClockError, FileFormatError, Option, asked, for_page
from sleepagree.readers.layout import strptime_directives, strptime_fault, strptime_has_date
from sleepagree.readers.times.clock import (
    DAY_US,
    EARLIEST_US,
    LATEST_US,
    SECOND_US,
    Clock,
    Column,
    Microseconds,
    Times,
    microseconds_of,
    offset_of,
    show_offset,
)
from sleepagree.readers.times.words import (
    form_of_names,
    has_long_month,
    is_before_date,
    is_beside_clock,
    months_meant,
    with_plain_half,
    with_plain_names,
)

EXAMPLE: Final = "a time such as 2026-03-01T22:30:00"
#: Stands for a comma in Arabic script.
_COMMA: Final = "،"
_BUDDHIST: Final = "Buddhist era"
_ERAS_APART: Final = 543
_BUDDHIST_YEAR: Final = re.compile(r"(?<!\d)2[56]\d\d(?!\d)", re.ASCII)
#: Years that no night of a wearable has, and that nobody shifts dates to: calendar, first and last year.
_OTHER_CALENDARS: Final = ((_BUDDHIST, 2500, 2600), ("Persian or Islamic calendar", 1300, 1500))
_SHOWN_CHANGES: Final = 3
_MIDNIGHT_24: Final = re.compile(r"(?<![\d:])24(?=:00(?!\d)(?::00(?![\d.,]))?(?!:))", re.ASCII)


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
    plain_form, language = form_of_names(form.replace(_COMMA, ",").replace("%EY", "%Y"))
    for row, text in enumerate(texts):
        cell = text.strip()
        plain = cell.replace(_COMMA, ",")
        plain = with_plain_half(plain) if has_half else plain
        plain = _with_plain_zone(plain) if has_zone else plain
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


def _in_common_era(cell: str) -> str:
    """Return a date of the Buddhist era with its year of the common era; raise a ValueError where it has none."""
    plain, found = _BUDDHIST_YEAR.subn(lambda year: str(int(year[0]) - _ERAS_APART), cell, count=1)
    if not found:
        raise ValueError(cell)
    return plain


def refuse_other_calendars(us: Microseconds, texts: Sequence[str], column: Column) -> None:
    """Refuse years that are those of another calendar: 2569 of the Buddhist era is 2026, 1404 of the Persian is 2025.

    Raises
    ------
    ClockError
        With the first row of such a year.
    """
    for calendar, rows in _of_other_calendars(us):
        row = int(rows[0])
        forms = [form for form in declarable_forms(texts[row].strip()) if "%EY" in form[0]]
        remedy = layout_with_forms(forms) if forms else "Export the times with years of the common era."
        problem, expected = f"a year that is one of the {calendar}", "a year of the common era, such as 2026"
        raise column.error(ClockError, row, problem, f"'{texts[row].strip()}'", expected, remedy, forms)


def _of_other_calendars(us: Microseconds) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Yield calendars with the rows whose year is one of them, if there are any."""
    for calendar, first, last in _OTHER_CALENDARS:
        rows = np.flatnonzero((us >= _year_us(first)) & (us < _year_us(last + 1)))
        if rows.size:
            yield calendar, rows


def _year_us(year: int) -> int:
    return microseconds_of(datetime(year, 1, 1))


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


def midnight_note(count: int) -> tuple[Note, ...]:
    """Return the ledger line about midnights written as 24:00."""
    return (Note.of(NoteKind.MIDNIGHT_AS_24, count=int(count)),) if count else ()


def _lost_zero(cell: str, row: int, column: Column) -> FileFormatError:
    problem = "minutes of one digit may have lost a zero before or behind it, and no row tells which"
    remedy = "Write the times with two digits of minutes, or with a colon, in the file."
    return column.error(FileFormatError, row, problem, f"'{cell}'", "two digits of minutes", remedy)


def missing_time(cell: str, row: int, column: Column, expected: str = EXAMPLE) -> FileFormatError:
    """Return the error for a cell without a time."""
    found = f"'{cell}'" if cell else ""
    remedy = "Complete the row or take it out."
    return column.error(FileFormatError, row, "the time is missing", found, expected, remedy)


# --- forms to offer --------------------------------------------------------------------------------------

#: Parts of a date in the orders that are in use, with what to say of each where more than one fits.
_ORDERS: Final = (
    ("d", "m", "Y", "if the day comes first"),
    ("m", "d", "Y", "if the month comes first"),
    ("Y", "m", "d", "if the year comes first"),
    # with a name in the place of the last number alone
    ("Y", "d", "b", "if the day comes in the middle"),
)
#: A word beside a clock time, as in "klo 23.42" and "23:42 Uhr": which may stand there is looked up.
_WORD: Final = r"[^\W\d_](?:\.?[^\W\d_]){0,5}\.?"
_WEEKDAY: Final = "(?:Sun|Mon|Tue|Wed|Thu|Fri|Sat)"
#: A word inside a date, as in "1 de mayo de 2026", "2026 m. kovo 1" and "1 tháng 3, 2026".
_INSIDE: Final = r"(?: +(?:de|del|m\.|gada|tháng|thg|năm|ค\.ศ\.|พ\.ศ\.))?"
_DATE_AND_TIME: Final = re.compile(
    r"(?:(?P<weekday>[A-Za-z]{3},? |[^\W\d_]{1,4}\.? +(?=\d))?"
    rf"(?P<date>(?:[0-9]{{1,4}}|[A-Za-z]{{3,9}})(?P<first>[./-]|\.?{_INSIDE} +|[年년] *)"
    rf"(?:[0-9]{{1,2}}|[A-Za-z]{{3,9}})(?P<second>[./-]|[.,]?{_INSIDE} +|[月월] *)(?:[0-9]{{1,4}}|[A-Za-z]{{3,9}}))"
    rf"(?P<gap>[日일]?,? *[(（]?{_WEEKDAY}[)）]?,? *|[ T,.日일]+| +[-–] +|"
    rf"(?: (?P<of_date>{_WORD}))?,? +(?P<word>{_WORD} +)?))?(?P<before>[AP]M *)?"
    rf"(?P<lead>{_WORD} *)?(?P<hour>[0-9]{{1,2}})(?P<mark>[:.：]| ?h ?|[時时點点시] *)(?P<minute>[0-9]{{2}})"
    r"(?:(?P<again>[:.：]|[分분] *| ?m(?:in)? ?)[0-9]{2}(?P<fraction>[.,][0-9]{1,6})?)?"
    r"(?P<tail>(?<=\d) ?s\b|[秒초分분]?)"
    rf"(?P<half> ?[AP]M)?(?P<behind>(?! ?[Zz]$) ?{_WORD})?(?P<offset> ?(?:[Zz]|[+-][0-9]{{2}}:?[0-9]{{2}}))?"
)
#: Date and time in digits alone, or with one mark between them.
_TOGETHER: Final = re.compile(r"(?:19|20)[0-9]{6}(?P<gap>[ _-]?)[0-9]{4}(?P<second>[0-9]{2})?")
#: A whole hour, as in "22h" and "22 Uhr".
_HOUR: Final = re.compile(r"[0-9]{1,2}(?P<gap> ?)(?P<word>[^\W\d_]{1,6}\.?)")
_HOURS: Final = ("h", "H", "時", "时", "點", "点", "시")
#: The time of day before the date.
_TIME_FIRST: Final = re.compile(
    r"(?P<time>[0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?)(?P<gap>,? +)(?P<date>[^\s:][^:]*[0-9]{2,4})"
)
#: Names that a date may have, as directives of strptime.
_NAMES_OF_DATES: Final = ("ab", "b", "a")
#: As clocks of computers write it.
_YEAR_LAST: Final = "%a %b %d %H:%M:%S %Y"
_UTC: Final = re.compile(r"(?<=\d) ?(?:UTC|GMT)(?P<offset> ?[+-]\d{2}:?\d{2})?$", re.ASCII)


def _with_plain_zone(cell: str) -> str:
    """Return a time with an offset in the place of a word for UTC."""
    return _UTC.sub(lambda match: match["offset"] or "Z", cell)


def declarable_forms(cell: str) -> tuple[tuple[str, str], ...]:
    """Return the strptime texts that read a cell, and when each holds ("" where there is but one).

    Every form is tried on the cell, so that what a message offers is what can be followed.
    """
    cell = _with_plain_zone(with_plain_half(cell.replace(_COMMA, ",")))
    if together := _TOGETHER.fullmatch(cell):
        return _only(cell, f"%Y%m%d{together['gap']}%H%M" + "%S" * bool(together["second"]))
    if _reads(cell, _YEAR_LAST):
        return ((_YEAR_LAST, ""),)
    if (hour := _HOUR.fullmatch(cell)) and (hour["word"] in _HOURS or is_beside_clock(hour["word"])):
        return _only(cell, f"%H{hour['gap']}{hour['word']}")
    if swapped := _TIME_FIRST.fullmatch(cell):
        return _swapped(swapped)
    plain = dict.fromkeys((cell, *(with_plain_names(cell, kinds) for kinds in _NAMES_OF_DATES)))
    return next(filter(None, (_forms_of(text, cell) for text in plain)), ())


def _only(cell: str, form: str) -> tuple[tuple[str, str], ...]:
    return ((form, ""),) if _reads(cell, form) else ()


def _swapped(cell: re.Match[str]) -> tuple[tuple[str, str], ...]:
    """Return the forms of a cell with the time of day before the date."""
    forms = [(*form.rsplit(" %H", 1), when) for form, when in declarable_forms(f"{cell['date']} {cell['time']}")]
    swapped = ((f"%H{time}{cell['gap']}{date}", when) for date, time, when in forms)
    return tuple((form, when) for form, when in swapped if _reads(cell[0], form))


def _forms_of(plain: str, cell: str) -> tuple[tuple[str, str], ...]:
    """Return the forms of a cell whose names are English."""
    match = _DATE_AND_TIME.fullmatch(plain)
    beside = () if match is None else (match[part] for part in ("of_date", "word", "lead", "behind"))
    if match is None or not all(is_beside_clock(word) for word in beside if word):
        return ()
    time = _form_of_time(match)
    if match["date"] is None:
        return _only(cell, time)
    weekday, gap = match["weekday"] or "", match["gap"] or ""
    if weekday and not is_before_date(weekday):
        weekday = f"%a{weekday[3:]}"
    gap = re.sub(_WEEKDAY, "%a", gap)
    names = {f"%b[{language}]": f"if it is {language}" for language in months_meant(plain)}
    names = names or {"%B" if has_long_month(plain) else "%b": ""}
    forms: dict[str, str] = {}
    for *parts, when in _ORDERS:
        for year, month in product(("%Y", "%y", "%EY"), ("%m", *names)):
            name = month if month in names else "%b"
            one, two, three = ({"d": "%d", "m": month, "b": name, "Y": year}[part] for part in parts)
            form = f"{weekday}{one}{match['first']}{two}{match['second']}{three}{gap}{time}"
            if (names.get(month) or when not in forms.values()) and _reads(cell, form):
                forms[form] = names.get(month) or when
    return tuple((form, when if len(forms) > 1 else "") for form, when in forms.items())


def _form_of_time(match: re.Match[str]) -> str:
    """Return the strptime text of the time of day in a cell."""
    before, half, fraction, again, offset = (
        match[part] or "" for part in ("before", "half", "fraction", "again", "offset")
    )
    form = (
        re.sub("[AP]M", "%p", before) + (match["lead"] or "") + f"{'%I' if half or before else '%H'}{match['mark']}%M"
    )
    form += f"{again}%S" if again else ""
    form += (f"{fraction[0]}%f" if fraction else "") + match["tail"]
    form += (half[:-2] + "%p" if half else "") + (match["behind"] or "")
    return form + (" " * offset.startswith(" ") + "%z" if offset else "")


def _reads(cell: str, form: str) -> bool:
    """Whether a layout takes this form and a column of this one cell can be read by it."""
    if strptime_fault(form):
        return False
    try:
        us = read_declared([cell], Column("", "", str), form).us
    except FileFormatError:
        return False
    return not list(_of_other_calendars(us)) and bool(EARLIEST_US <= us[0] <= LATEST_US)


def layout_with_forms(forms: Sequence[tuple[str, str]], *above: str) -> str:
    """Return the remedy that offers forms, with other lines of the layout above them."""
    lines = "".join(f"\n    {line}" for line in above)
    lines += "".join(f'\n    time = "{form}"' + (f"  # {when}" if when else "") for form, when in forms)
    which = "" if len(forms) == 1 else " one of"
    return for_page(
        f"Give a layout ({Option.LAYOUT:FILE.toml}) with{which}\n    [file]{lines}", f"Answer {asked('time')}."
    )
