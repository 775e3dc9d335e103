"""Moments as people type them: what a text may mean, and what to ask where it may mean more than one."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from sleepagree.errors import SleepAgreeError
from sleepagree.readers.layout import layout_of, strptime_directives, strptime_has_date
from sleepagree.readers.times.clock import Clock, Column, naive_datetime
from sleepagree.readers.times.declared import read_declared
from sleepagree.readers.times.forms import declarable_forms
from sleepagree.readers.times.words import with_plain_half
from sleepagree.readers.times.zones import fixed_zone

_DAY: Final = dt.timedelta(days=1)
_NOON: Final = " 12:00"


@dataclass(frozen=True)
class Reading:
    """One moment that a text may mean.

    Parameters
    ----------
    value : str
        ISO 8601, a blank between date and time.
    said : str
        The same with the month in a word, so that day and month cannot be mistaken for each other.
    is_dated : bool
        Whether the text told no date, and the one nearest to another moment was taken.
    """

    value: str
    said: str
    is_dated: bool = False


def read_moment(text: str, near: dt.datetime | None = None) -> tuple[Reading, ...]:
    """Return every moment that a text may mean; none where it is no moment, or tells no date and `near` is None.

    Parameters
    ----------
    text : str
        ISO 8601, or date and time as tables have them, AM or PM included; a date alone stays a date.
    near : datetime or None
        A moment, whose zone does not count; a time without a date is taken to be the nearest one to it. One with an
        offset is none: which day is nearest cannot be told.

    Examples
    --------
    >>> [reading.said for reading in read_moment("03/04/2026 7:38 pm")]
    ['3 April 2026, 19:38', '4 March 2026, 19:38']
    >>> read_moment("00:10", dt.datetime(2026, 4, 21, 23, 50))[0].value
    '2026-04-22 00:10'
    """
    text = " ".join(text.split())
    with contextlib.suppress(SleepAgreeError):
        iso = layout_of({"begins": text}, {}).begins
        return () if iso is None else (_reading(iso),)
    dates = {_reading(moment.date()): None for form in _forms(text + _NOON) for moment in _moments(text + _NOON, form)}
    found: dict[Reading, None] = {}
    for form in _forms(text):
        for moment in _moments(text, form):
            if strptime_has_date(form):
                found[_reading(moment)] = None
            elif near is not None and "z" not in strptime_directives(form):
                found[_reading(_nearest(moment.time(), near.replace(tzinfo=None)), is_dated=True)] = None
    return tuple(found or dates)


def _forms(text: str) -> tuple[str, ...]:
    return tuple(form for form, _ in declarable_forms(with_plain_half(text)))


def _moments(text: str, form: str) -> Iterator[dt.datetime]:
    with contextlib.suppress(SleepAgreeError):
        times = read_declared([with_plain_half(text)], Column("", "", str), form)
        moment = naive_datetime(int(times.us[0]))
        is_aware = times.clock is Clock.UTC
        yield moment.replace(tzinfo=dt.UTC).astimezone(fixed_zone(times.offset_s)) if is_aware else moment


def _nearest(time: dt.time, near: dt.datetime) -> dt.datetime:
    days = (near.date() + i * _DAY for i in (-1, 0, 1))
    return min((dt.datetime.combine(day, time) for day in days), key=lambda moment: abs(moment - near))


def _reading(moment: dt.date, *, is_dated: bool = False) -> Reading:
    said = f"{moment.day} {moment:%B %Y}"
    if not isinstance(moment, dt.datetime):
        return Reading(moment.isoformat(), said)
    spec = "auto" if moment.second or moment.microsecond else "minutes"
    time = moment.time().isoformat(spec)
    zone = moment.isoformat()[len(moment.replace(tzinfo=None).isoformat()) :]
    return Reading(f"{moment.date()} {time}{zone}", f"{said}, {time}" + (f" {zone}" if zone else ""), is_dated)
