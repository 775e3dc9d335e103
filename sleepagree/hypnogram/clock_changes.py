"""Nights in which a local clock without a zone may have been put forward or back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final, NamedTuple

import numpy as np

from sleepagree.caution import Caution, CautionKind, Moment, ZoneName
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.zones import add_seconds, find_zone

#: One zone for each rule in force; all of them change on a Sunday in one of these months.
_ZONES: Final = (
    "Europe/London",
    "Europe/Berlin",
    "Europe/Helsinki",
    "America/New_York",
    "America/Santiago",
    "Australia/Sydney",
    "Pacific/Auckland",
)
_MONTHS: Final = frozenset((3, 4, 9, 10, 11))
_SUNDAY: Final = 6
_HOUR: Final = timedelta(hours=1)
_HOUR_S: Final = 3600.0
_SLACK_S: Final = 1.0


class ClockChange(NamedTuple):
    """An hour of the clock that some zone skips or repeats.

    Parameters
    ----------
    begin : datetime
        Naive beginning of the hour.
    is_forward : bool
        Whether the hour is skipped; else it is repeated.
    zones : tuple of str
        Zones in which it is, one for each rule.
    """

    begin: datetime
    is_forward: bool
    zones: tuple[str, ...]

    @property
    def zone_before(self) -> str:
        """Zone of a clock that stays as the first zone's was before the change."""
        offset = (self.begin - _HOUR).replace(tzinfo=find_zone(self.zones[0])).utcoffset()
        hours = 0 if offset is None else round(offset / _HOUR)
        return f"Etc/GMT{-hours:+d}"  # these names count hours west of Greenwich


def possible_changes(spans: ScoredSpans) -> tuple[ClockChange, ...]:
    """Return the hours that some zone skips or repeats while a clock without a zone runs; none for other clocks."""
    if spans.start is None or spans.start.tzinfo is not None or not spans.onset_s.size:
        return ()
    begin, end = (add_seconds(spans.start, float(at)) for at in (spans.onset_s[0], spans.end_s))
    may_change = any(day.weekday() == _SUNDAY and day.month in _MONTHS for day in (begin, end))
    if end - begin > timedelta(days=2) or not may_change:
        return ()
    found: dict[tuple[datetime, bool], list[str]] = {}
    for name in _ZONES:
        for hour, is_forward in _changes_in(name, begin, end):
            found.setdefault((hour, is_forward), []).append(name)
    return tuple(ClockChange(hour, is_forward, tuple(zones)) for (hour, is_forward), zones in sorted(found.items()))


def _changes_in(name: str, begin: datetime, end: datetime) -> Iterator[tuple[datetime, bool]]:
    zone = find_zone(name)
    hour = begin.replace(minute=0, second=0, microsecond=0)
    while hour < end:
        before, after = (t.replace(tzinfo=zone).utcoffset() for t in (hour, hour + _HOUR))
        if before is not None and after is not None and abs(after - before) == _HOUR:
            yield hour, after > before
        hour += _HOUR


def skipped_hours(spans: ScoredSpans) -> tuple[ClockChange, ...]:
    """Return the hours that the spans leave out exactly, as a clock does that is put forward over them."""
    ends = spans.onset_s[:-1] + spans.duration_s[:-1]
    gaps = np.flatnonzero(np.abs(spans.onset_s[1:] - ends - _HOUR_S) < _SLACK_S)
    if spans.start is None or not gaps.size:
        return ()
    begins = {add_seconds(spans.start, round(float(ends[i]))) for i in gaps}
    return tuple(change for change in possible_changes(spans) if change.is_forward and change.begin in begins)


def change_caution(change: ClockChange, **values: float | str) -> Caution:
    """Return the caution about a possible change of the clock."""
    return Caution.of(
        CautionKind.CLOCK_CHANGE,
        date=Moment(f"{change.begin:%Y-%m-%d}"),
        hour=Moment(f"{change.begin:%H:%M}"),
        to_hour=Moment(f"{change.begin + _HOUR:%H:%M}"),
        is_forward=change.is_forward,
        zones=tuple(map(ZoneName, change.zones)),
        **values,
    )


def zones_of_change(change: Caution) -> tuple[str, str]:
    """Return the zones of reference and device that explain a change of the clock."""
    stayed, zone = change.get("stayed"), change["zones"][0]
    other = change.get("stayed_zone", zone)
    return other if stayed == "reference" else zone, other if stayed == "device" else zone
