"""The forms of times to offer for a cell that does not tell its own."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import product
from typing import Final

from sleepagree.errors import FileFormatError, Option, asked, for_page
from sleepagree.readers.layout import strptime_fault
from sleepagree.readers.times.clock import EARLIEST_US, LATEST_US, Column
from sleepagree.readers.times.declared import ARABIC_COMMA, of_other_calendars, read_declared, with_plain_zone
from sleepagree.readers.times.words import (
    has_long_month,
    is_before_date,
    is_beside_clock,
    months_meant,
    with_plain_half,
    with_plain_names,
)

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


def declarable_forms(cell: str) -> tuple[tuple[str, str], ...]:
    """Return the strptime texts that read a cell, and when each holds ("" where there is but one).

    Every form is tried on the cell, so that what a message offers is what can be followed.
    """
    cell = with_plain_zone(with_plain_half(cell.replace(ARABIC_COMMA, ",")))
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
    return not list(of_other_calendars(us)) and bool(EARLIEST_US <= us[0] <= LATEST_US)


def layout_with_forms(forms: Sequence[tuple[str, str]], *above: str) -> str:
    """Return the remedy that offers forms, with other lines of the layout above them."""
    lines = "".join(f"\n    {line}" for line in above)
    lines += "".join(f'\n    time = "{form}"' + (f"  # {when}" if when else "") for form, when in forms)
    which = "" if len(forms) == 1 else " one of"
    return for_page(
        f"Give a layout ({Option.LAYOUT:FILE.toml}) with{which}\n    [file]{lines}", f"Answer {asked('time')}."
    )
