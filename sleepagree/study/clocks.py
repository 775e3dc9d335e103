"""Whether the clock of a device is right, from all of its nights together.

One night of a poor device tells little of a clock. Where all its nights are wrong by the same time, their curves of
agreement by offset have their peaks at one place, and chance has not: the sum over nights tells what no night does.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN
from sleepagree.inference.one_night import t_quantile
from sleepagree.mapping.mapping import StageMapping
from sleepagree.scoring.clock_check import clock_change_cautions, quick_clock_check
from sleepagree.scoring.offsets import (
    CAUTION_OFFSET_S,
    LOWEST_PEAK_SCORE,
    MOST_HOURS,
    NEAR_EPOCHS,
    PROFILE_SHIFTS,
    PROFILE_UNIT,
    Values,
)
from sleepagree.study.night_summary import NightSummary, own_mapping

#: Nights of which the clock can be told, from which on they tell it of the device.
FEWEST_NIGHTS: Final = 3
#: A peak of the sum over nights is taken for a clock from here on (standard deviations of chance).
_LOWEST_POOLED_SCORE: Final = 6.5
#: So much more must a night have at the hours on average than at its best offset near 0: many nights add up to
#: something anywhere.
_LEAST_MEAN_SCORE: Final = 1.0
#: Where more of the nights than this agree best, and clearly, as recorded, the clock of all is not off by hours.
_MOST_RIGHT: Final = 0.1
#: Nights of one clock, on different days, from which on a gain or loss from night to night is looked for.
FEWEST_FOR_RATE: Final = 5
#: Nights through which the line that leaves stray ones out is laid, at most.
_MOST_FOR_LINE: Final = 500
#: Confidence at which the slope must leave 0 out, and the share of nights that must lie within a minute of the line.
_RATE_LEVEL: Final = 0.99
_LEAST_ON_LINE: Final = 0.75
#: From the peak of the sum to what it is near 0, before a constant error is told from it.
_LEAST_FALL: Final = 5.0
_PROFILE_SHIFTS: Final = np.array(PROFILE_SHIFTS)
_NEAR: Final = slice(0, 2 * NEAR_EPOCHS + 1)
_HOURS: Final = slice(2 * NEAR_EPOCHS + 1, None)

SEARCHED_S: Final = MOST_HOURS * 3600.0


class ClockVerdict(StrEnum):
    """What the nights of a device say of its clock."""

    STEADY = "steady"
    CONSTANT = "constant"
    HOURS = "hours"
    RATE = "rate"
    SCATTERED = "scattered"
    UNTOLD = ""


@dataclass(frozen=True, slots=True)
class NightClock:
    """What the look at one night's clock found.

    Parameters
    ----------
    participant, begin : str
        Whose night; when its window begins (ISO 8601), "" where that is not told.
    best_offset_s, peak_score : float
        Best offset within 30 min, and how far it stands out; nan where there is none, or nobody needed to look.
    profile : bytes
        As :class:`sleepagree.scoring.offsets.QuickOffset` holds it.
    night : str
        Name of the night.
    """

    participant: str
    begin: str
    best_offset_s: float
    peak_score: float = NAN
    profile: bytes = b""
    night: str = ""

    @property
    def date(self) -> str:
        """The date on which its window begins, "" where that is not told."""
        return self.begin[:10]


@dataclass(frozen=True)
class ClockPart:
    """Nights of a device that are off by hours while its other nights are not.

    Parameters
    ----------
    participant : str
        Whose nights they are; "" for a range of dates.
    first, last : str
        Date of the first and of the last of the nights; "" for a participant.
    seconds : float
        To add to device times.
    nights : int
        How many.
    """

    participant: str
    first: str
    last: str
    seconds: float
    nights: int


@dataclass(frozen=True)
class ClockRate:
    """How much a clock gains or loses from night to night.

    Parameters
    ----------
    participant : str
        Whose nights they are; "" for all nights of the device.
    first, last : str
        Date of the first and of the last of the nights.
    first_s, last_s : float
        To add to device times on these two, by the line.
    seconds_per_day : float
        By how much that grows: positive where the device's clock loses time.
    low, high : float
        Its interval.
    nights : int
        How many the line goes through.

    References
    ----------
    Sen PK. Estimates of the regression coefficient based on Kendall's tau. J Am Stat Assoc 1968;63:1379-1389.
    """

    participant: str
    first: str
    last: str
    first_s: float
    last_s: float
    seconds_per_day: float
    low: float
    high: float
    nights: int


@dataclass(frozen=True)
class DeviceClock:
    """What the nights of a device say of its clock.

    Parameters
    ----------
    verdict : ClockVerdict
        ``STEADY``: no constant error. ``CONSTANT``: off by the same seconds or minutes. ``HOURS``: off by whole hours
        (and maybe minutes). ``RATE``: off by more and more from night to night, on more than half of the telling
        nights. ``SCATTERED``: peaks stand out, at other offsets on other nights. ``UNTOLD``: too few nights have a
        peak that stands out, and all together have none.
    seconds : float
        To add to device times; 0 when steady, nan for a rate, when scattered or untold.
    low, high : float
        Interval of the median of the nights' offsets (steady, constant), by order statistics: of three, four and five
        nights these are the outermost, and hold the median of nights in 75, 88 and 94 %. Middle half of the nights'
        offsets (scattered), nan for a rate. For hours and sums the seconds and half an epoch to either side.
    nights : int
        Nights that were looked at.
    telling : int
        Nights whose own peak stands out, or which agree so well that the clock cannot be off; without those of `rates`
        unless the verdict is of a rate.
    parts : tuple of ClockPart
        Participants, or ranges of dates, whose nights are off by hours.
    away : tuple of NightClock
        Telling nights whose offset lies 1 min or more from the median (steady, constant).
    rates : tuple of ClockRate
        Participants whose clock gains or loses time from night to night; or all nights in order of dates.
    """

    verdict: ClockVerdict
    seconds: float
    low: float
    high: float
    nights: int
    telling: int
    parts: tuple[ClockPart, ...] = ()
    away: tuple[NightClock, ...] = ()
    rates: tuple[ClockRate, ...] = ()

    @property
    def is_of_sum(self) -> bool:
        """Whether so few nights tell their clock that the sum of all had to."""
        return self.telling < max(FEWEST_NIGHTS, self.nights / 4)


def with_clock_check(night: NightSummary, paired: PairedNight, mapping: StageMapping | None) -> NightSummary:
    """Return a night with what a look at its clock found, under a mapping or its default one; as it is where none fits.

    A night on which the device says nothing but wake has none, and counts all the same.
    """
    mapping = mapping or own_mapping(paired)
    if mapping is None:
        return night
    found = quick_clock_check(paired, mapping)
    cautions = *night.cautions, *clock_change_cautions(paired, mapping)
    if found is None:
        return replace(night, cautions=cautions)
    return replace(
        night,
        cautions=cautions,
        best_offset_s=found.offset_s,
        offset_gain=found.gain,
        clock_hint=found.hint.value,
        peak_score=found.peak_score,
        zone_s=found.zone_s,
        clock_profile=found.profile,
    )


def judge_device_clock(nights: Sequence[NightClock], *, level: float = 0.95) -> DeviceClock:
    """Return what the nights of one device say of its clock.

    Parameters
    ----------
    nights : sequence of NightClock
        Nights of one device, in any order.
    level : float
        Confidence level of the interval.
    """
    looked = [n for n in nights if not math.isnan(n.best_offset_s)]
    tell = [n for n in looked if _is_telling(n)]
    if len(looked) < FEWEST_NIGHTS:
        return DeviceClock(ClockVerdict.UNTOLD, NAN, NAN, NAN, len(looked), len(tell))
    hours_s = _hours_of(looked)
    if hours_s:
        return DeviceClock(ClockVerdict.HOURS, hours_s, *_half_epoch(hours_s), len(looked), len(tell))
    parts, rates = _parts(looked), _rates(tell, level)
    if 2 * sum(rate.nights for rate in rates) > len(tell):
        return DeviceClock(ClockVerdict.RATE, NAN, NAN, NAN, len(looked), len(tell), parts, rates=rates)
    gaining = {rate.participant for rate in rates}
    kept = [n for n in looked if n.participant not in gaining]
    return replace(_judge_offsets(kept, level), nights=len(looked), parts=parts, rates=rates)


def _judge_offsets(looked: Sequence[NightClock], level: float) -> DeviceClock:
    """Return what nights say whose clocks are off by the same, if by anything."""
    tell = [n for n in looked if _is_telling(n)]
    telling = np.sort([n.best_offset_s for n in tell])
    counts = len(looked), telling.size
    if telling.size < max(FEWEST_NIGHTS, len(looked) / 4):
        return _read_sum(looked, counts)
    low, median, high = (float(q) for q in np.quantile(telling, (0.25, 0.5, 0.75)))
    if (high - low) / 2.0 > 2.0 * EPOCH_S:
        return DeviceClock(ClockVerdict.SCATTERED, NAN, low, high, *counts)
    low, high = _interval_of_median(telling, level)
    away = tuple(n for n in tell if abs(n.best_offset_s - median) >= CAUTION_OFFSET_S)
    if abs(median) >= CAUTION_OFFSET_S and (low > 0.0 or high < 0.0):
        return DeviceClock(ClockVerdict.CONSTANT, median, low, high, *counts, away=away)
    return DeviceClock(ClockVerdict.STEADY, 0.0, low, high, *counts, away=away)


def _is_telling(night: NightClock) -> bool:
    if night.profile:
        return night.peak_score >= LOWEST_PEAK_SCORE
    return abs(night.best_offset_s) < CAUTION_OFFSET_S


def _half_epoch(seconds: float) -> tuple[float, float]:
    return seconds - EPOCH_S / 2, seconds + EPOCH_S / 2


def _interval_of_median(values: Values, level: float) -> tuple[float, float]:
    """Return the interval between two order statistics, widened by half an epoch as the offsets are whole epochs."""
    from scipy.special import bdtr

    n = values.size
    below = bdtr(np.arange(n // 2), n, 0.5)
    k = max(0, int(np.count_nonzero(below <= (1.0 - level) / 2.0)) - 1)
    return float(values[k]) - EPOCH_S / 2, float(values[n - 1 - k]) + EPOCH_S / 2


# --- a clock that gains or loses time from night to night ---------------------------------------------------


def _rates(tell: Sequence[NightClock], level: float) -> tuple[ClockRate, ...]:
    """Return the participants whose clock gains or loses time, or else that of all nights in order of dates."""
    found = tuple(
        rate for person, own in _by_person(tell).items() if (rate := _rate_of(own, level, participant=person))
    )
    whole = None if found else _rate_of(tell, level, participant="")
    return found if whole is None else (whole,)


def _by_person(nights: Iterable[NightClock]) -> dict[str, list[NightClock]]:
    by_person: dict[str, list[NightClock]] = {}
    for night in nights:
        by_person.setdefault(night.participant, []).append(night)
    return by_person


def _rate_of(nights: Sequence[NightClock], level: float, *, participant: str) -> ClockRate | None:
    """Return the line through best offsets by day, None where it does not tell them."""
    dated = sorted((n for n in nights if n.begin), key=lambda n: n.begin)
    offsets = np.array([n.best_offset_s for n in dated])
    if len({n.date for n in dated}) < FEWEST_FOR_RATE or np.ptp(offsets) < CAUTION_OFFSET_S:
        return None
    begins = [datetime.fromisoformat(n.begin).replace(tzinfo=None) for n in dated]
    days = np.array([(begin - begins[0]) / timedelta(days=1) for begin in begins])
    near = _near_median_line(days, offsets)
    on_line = int(np.count_nonzero(near))
    if on_line < max(FEWEST_FOR_RATE, _LEAST_ON_LINE * len(dated)):
        return None
    slope, at_first_s, error = _fit_line(days[near], offsets[near])
    sure, wide = (error * t_quantile(p, on_line - 2) for p in (_RATE_LEVEL, level))
    if abs(slope) <= sure or abs(slope) * days[-1] < CAUTION_OFFSET_S:
        return None
    ends_s = at_first_s, at_first_s + slope * float(days[-1])
    return ClockRate(participant, dated[0].date, dated[-1].date, *ends_s, slope, slope - wide, slope + wide, len(dated))


def _near_median_line(days: Values, offsets: Values) -> NDArray[np.bool_]:
    """Return which nights lie within a minute of the line of Theil and Sen, which single stray nights do not move.

    The line looks at every pair of nights: of very many nights it takes some, evenly from first to last.
    """
    from scipy.stats import theilslopes

    taken = np.linspace(0, days.size - 1, min(days.size, _MOST_FOR_LINE)).astype(np.intp)
    line = theilslopes(offsets[taken], days[taken])
    away: Values = np.abs(offsets - line.intercept - line.slope * days)
    return away < CAUTION_OFFSET_S


def _fit_line(days: Values, offsets: Values) -> tuple[float, float, float]:
    """Return the slope of least squares, where it is on day 0, and the standard error of the slope.

    Best offsets are whole epochs: however well they lie on a line, they tell it no closer than half an epoch each.
    """
    from scipy.stats import linregress

    line = linregress(days, offsets)
    least = EPOCH_S / 2.0 / (float(np.std(days)) * math.sqrt(days.size))
    return float(line.slope), float(line.intercept), max(float(line.stderr), least)


# --- sums over nights -------------------------------------------------------------------------------------


def _profiles(nights: Iterable[NightClock]) -> NDArray[np.int8]:
    """Return the profiles of the nights that have one, a row each."""
    kept = b"".join(n.profile for n in nights)
    return np.frombuffer(kept, np.int8).reshape(-1, _PROFILE_SHIFTS.size)


def _hours_of(nights: Sequence[NightClock]) -> float:
    """Return by how many seconds near whole hours the nights are off together; 0 where they are not."""
    profiles = _profiles(nights)
    are_right = sum(_is_telling(night) and abs(night.best_offset_s) < CAUTION_OFFSET_S for night in nights)
    if 2 * len(profiles) < len(nights) or are_right > _MOST_RIGHT * len(nights):
        return 0.0
    sums = profiles.sum(axis=0, dtype=np.int64) * PROFILE_UNIT
    best = int(np.argmax(sums[_HOURS])) + _HOURS.start
    near = int(np.argmax(sums[_NEAR]))
    in_favour = int(np.count_nonzero(profiles[:, best] > np.maximum(profiles[:, near], 0)))
    # a night that agrees too well to be looked at closer has a peak near 0
    against = max(0.0, sums[near]) + LOWEST_PEAK_SCORE * (len(nights) - len(profiles))
    is_clear = sums[best] >= _LOWEST_POOLED_SCORE * math.sqrt(len(nights))
    if not is_clear or 2 * in_favour <= len(nights) or sums[best] - against < _LEAST_MEAN_SCORE * len(nights):
        return 0.0
    return float(_PROFILE_SHIFTS[best]) * EPOCH_S


def _read_sum(nights: Sequence[NightClock], counts: tuple[int, int]) -> DeviceClock:
    """Return what the sum of the curves says near 0, where single nights say too little."""
    profiles = _profiles(nights)
    sums = profiles[:, _NEAR].sum(axis=0, dtype=np.int64) * PROFILE_UNIT
    best = int(np.argmax(sums))
    # the ends of the range have no hill to stand on
    if sums[best] < _LOWEST_POOLED_SCORE * math.sqrt(len(nights)) or best in (0, sums.size - 1):
        return DeviceClock(ClockVerdict.UNTOLD, NAN, NAN, NAN, *counts)
    seconds = float(_PROFILE_SHIFTS[best]) * EPOCH_S
    if abs(seconds) < CAUTION_OFFSET_S:
        return DeviceClock(ClockVerdict.STEADY, 0.0, *_half_epoch(seconds), *counts)
    # a device that says one thing for minutes has a broad peak: its top says little, its flank at 0 must be far below
    if sums[best] - sums[NEAR_EPOCHS - 1 : NEAR_EPOCHS + 2].max() < _LEAST_FALL * math.sqrt(len(nights)):
        return DeviceClock(ClockVerdict.UNTOLD, NAN, NAN, NAN, *counts)
    return DeviceClock(ClockVerdict.CONSTANT, seconds, *_half_epoch(seconds), *counts)


def _parts(nights: Sequence[NightClock]) -> tuple[ClockPart, ...]:
    """Return the participants or the range of dates whose nights are off by hours."""
    found = [
        ClockPart(person, "", "", seconds, len(own))
        for person, own in _by_person(nights).items()
        if len(own) >= FEWEST_NIGHTS and (seconds := _hours_of(own))
    ]
    if found:
        return tuple(found)
    part = _range_of_dates(sorted((n for n in nights if n.date), key=lambda n: n.date))
    return () if part is None else (part,)


def _range_of_dates(nights: Sequence[NightClock]) -> ClockPart | None:
    """Return the run of nights in order of dates that is off by hours the most clearly."""
    has_profile = [bool(n.profile) for n in nights]
    if sum(has_profile) < FEWEST_NIGHTS:
        return None
    profiles = _profiles(nights).astype(np.int32)
    # a night far above its best near 0 speaks for hours; one that agrees as recorded speaks against
    gains = iter(profiles[:, _HOURS] - np.maximum(profiles[:, _NEAR].max(axis=1, keepdims=True), 0))
    against = -round(LOWEST_PEAK_SCORE / PROFILE_UNIT)
    n_shifts = _PROFILE_SHIFTS[_HOURS].size
    total, begin = np.zeros(n_shifts, np.int64), np.zeros(n_shifts, np.int64)
    best, best_run = 0, (0, 0, 0)
    for i, told in enumerate(has_profile):
        begin = np.where(total > 0, begin, i)
        total = np.maximum(total, 0) + (next(gains) if told else against)
        top = int(np.argmax(total))
        if total[top] > best:
            best, best_run = int(total[top]), (int(begin[top]), i + 1, top)
    first, end, _ = best_run
    run = nights[first:end]
    seconds = _hours_of(run) if len(run) >= FEWEST_NIGHTS else 0.0
    if not seconds:
        return None
    return ClockPart("", run[0].date, run[-1].date, seconds, len(run))
