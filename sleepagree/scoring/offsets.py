"""Classes in steps of time, tables of counts at many clock offsets, and the cheap look that every night's clock gets.

That look works on 30-s epochs in a fraction of a millisecond: tables at all offsets come from correlating the stages of
both sides instead of scoring the night again for each offset.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN
from sleepagree.inference.table_sums import stack_sums, sums_from_stack
from sleepagree.scoring.coefficients import kappa

ClassCodes: TypeAlias = NDArray[Any]
Tables: TypeAlias = NDArray[np.int64]
Values: TypeAlias = NDArray[np.float64]
DeviceAround: TypeAlias = Callable[[int], ClassCodes]
"""Returns the device's classes with so many epochs more before and after the window."""

STEP_S: Final = 5.0
CAUTION_OFFSET_S: Final = 60.0
CAUTION_GAIN: Final = 0.03

LOWEST_PEAK_SCORE: Final = 5.5
"""How far a peak must stand out before anything is said of it, in standard deviations of chance peaks."""
PEAK_SCALES_S: Final = (60.0, 300.0)

NEAR_CHANCE: Final = 0.2
"""Kappa as recorded below which two recordings may not belong together."""
_DOUBT_GAIN: Final = 0.2
_DOUBT_SCORE: Final = 1.0
"""One night below chance speaks against its clock where a shift gains so much and the time as recorded has no peak."""
SURE_KAPPA: Final = 0.4
"""Kappa as recorded from which on no clock is off by hours; only below it is so far a look worth its time."""
#: A clock that is off by whole hours is looked for so far, with so much room for its minutes.
MOST_HOURS: Final = 14
_HOUR_SLACK_S: Final = 300.0
_LOWEST_HOUR_SCORE: Final = 6.0

NEAR_EPOCHS: Final = 60
HOUR_SHIFTS: Final = tuple(
    sign * hours * round(3600 / EPOCH_S) + away
    for hours in range(1, MOST_HOURS + 1)
    for sign in (-1, 1)
    for away in range(-round(_HOUR_SLACK_S / EPOCH_S), round(_HOUR_SLACK_S / EPOCH_S) + 1)
)
"""Shifts near whole hours (epochs); the last part of every profile."""
PROFILE_SHIFTS: Final = (*range(-NEAR_EPOCHS, NEAR_EPOCHS + 1), *HOUR_SHIFTS)
"""Shifts (epochs) that a profile tells of."""
PROFILE_UNIT: Final = 1 / 8
"""What a step of a profile's numbers stands for, in standard deviations of chance peaks."""
_WIDEST: Final = max(HOUR_SHIFTS) + round(max(PEAK_SCALES_S) / EPOCH_S)
"""Largest shift (epochs) that the wide look needs, with room for the peak score."""


# ----------------------------------------------------------------------------------- tables at many offsets


def classes_in_steps(
    onset_s: Values, duration_s: Values, codes: ClassCodes, *, origin_s: float, n: int, step_s: float = STEP_S
) -> NDArray[np.int8]:
    """Lay spans on a clock of equal steps.

    Parameters
    ----------
    onset_s, duration_s : float arrays of shape (n_spans,)
        Spans in order of time, without overlap (s).
    codes : int array of shape (n_spans,)
        Class of each span, -1 for none.
    origin_s : float
        Time of the first step, on the clock of ``onset_s``.
    n : int
        Number of steps.
    step_s : float
        Length of a step (s).

    Returns
    -------
    int8 array of shape (n,)
        The class that holds at the middle of each step, -1 where there is none.

    Examples
    --------
    >>> classes_in_steps(np.array([0.0]), np.array([30.0]), np.array([2]), origin_s=-10.0, n=10).tolist()
    [-1, -1, 2, 2, 2, 2, 2, 2, -1, -1]
    """
    middle = origin_s + (np.arange(n) + 0.5) * step_s
    if len(onset_s) == 0:
        return np.full(n, -1, dtype=np.int8)
    span = np.searchsorted(onset_s, middle, side="right") - 1
    known = np.maximum(span, 0)
    inside = (span >= 0) & (middle < onset_s[known] + duration_s[known])
    return np.where(inside, codes[known], -1).astype(np.int8)


def scan_epoch_offsets(
    reference_codes: ClassCodes, device_codes: ClassCodes, n_classes: int, *, max_shift_epochs: int = 60
) -> Tables:
    """Return the table of counts at each shift of the device by whole epochs.

    Parameters
    ----------
    reference_codes, device_codes : int arrays of shape (n_epochs,)
        Class of each epoch, -1 for none.
    n_classes : int
        Number of classes.
    max_shift_epochs : int
        Largest shift, earlier and later (epochs).

    Returns
    -------
    int array of shape (2 * max_shift_epochs + 1, n_classes, n_classes)
        Rows reference, columns device. Entry ``max_shift_epochs + s`` has ``s`` epochs added to device times.

    Raises
    ------
    ValueError
        If the codes differ in length, or a code or the largest shift is out of range.

    Examples
    --------
    >>> tables = scan_epoch_offsets(np.array([0, 0, 1]), np.array([0, 1, 1]), 2, max_shift_epochs=1)
    >>> tables[2].tolist()  # the device one epoch later: 0 0 1 against - 0 1
    [[1, 0], [0, 1]]
    """
    check_codes(reference_codes, device_codes, n_classes)
    shift = max_shift_epochs
    if shift < 0:
        raise ValueError(f"max_shift_epochs must be 0 or more, not {shift!r}")
    length = fast_length(reference_codes.size + shift)  # positive and negative shifts then do not meet
    shifts = range(-shift, shift + 1)
    counts = correlate(reference_codes[None], device_codes[None], n_classes, length=length, shifts=shifts)
    return np.moveaxis(counts[0], -1, 0)


def offset_curve(reference: ClassCodes, device: ClassCodes, n_classes: int, reach: int) -> Values:
    """Return kappa at each shift of the device by up to ``reach`` steps, as `scan_epoch_offsets` counts."""
    return kappa_where_common(scan_epoch_offsets(reference, device, n_classes, max_shift_epochs=reach))


def check_codes(reference: ClassCodes, device: ClassCodes, n_classes: int) -> None:
    """Raise a ValueError when class codes do not fit each other or the number of classes."""
    if reference.ndim != 1 or reference.shape != device.shape or reference.size == 0:
        raise ValueError(
            f"reference and device codes must have one length of at least 1, "
            f"not shapes {reference.shape} and {device.shape}"
        )
    if n_classes < 2:
        raise ValueError(f"n_classes must be 2 or more, not {n_classes!r}")
    for codes in (reference, device):
        if int(codes.min()) < -1 or int(codes.max()) >= n_classes:
            raise ValueError(f"codes must lie from -1 to {n_classes - 1}, not {codes.min()} to {codes.max()}")


def fast_length(least: int) -> int:
    """Return a length from ``least`` on whose transform is fast."""
    return 1 << (least - 1).bit_length()


def correlate(reference: ClassCodes, device: ClassCodes, n_classes: int, *, length: int, shifts: range) -> Tables:
    """Return circular counts: entry [block, a, b, s] tells for how many i reference[i] = a and device[i-s] = b."""
    classes = np.arange(n_classes)[:, None]
    rows, columns = (np.fft.rfft(codes[:, None] == classes, length) for codes in (reference, device))
    at = np.arange(shifts.start, shifts.stop)
    by_row = (np.fft.irfft(row[:, None] * columns.conj(), length)[..., at] for row in np.moveaxis(rows, 1, 0))
    return np.stack([np.rint(counts).astype(np.int64) for counts in by_row], axis=1)


# ------------------------------------------------------------------------------------------- the cheap version


class ClockHint(StrEnum):
    """What the cheap scan of one night has to say."""

    NONE = "none"
    OFFSET = "offset"
    ZONE = "zone"
    DOUBT = "doubt"
    UNTOLD = "untold"


class QuickOffset(NamedTuple):
    """What the cheap scan of one night found.

    Parameters
    ----------
    offset_s : float
        Seconds to add to device times for the best kappa, a whole number of epochs; nan when no kappa is
        defined.
    kappa_at_zero, kappa_at_best, gain : float
        Kappa as recorded, at the best offset, and their difference.
    hint : ClockHint
        ``OFFSET``: the offset is 1 min or more, gains 0.03 kappa or more, lies inside the range and its peak
        stands out from what chance makes. ``ZONE``: kappa is below 0.4 as recorded and has a higher and sharper
        peak near a whole number of hours. ``DOUBT``: it is below 0, a shift gains 0.2 or more, and neither the time as
        recorded nor an offset stands out. ``UNTOLD``: it is below 0.2 and a shift gains, but a right clock of a device
        that hardly tells stages looks the same.
    peak_score : float
        How far the peak stands out (see :func:`peak_score`); nan where nobody needed to look.
    zone_s, kappa_at_zone : float
        Offset of whole hours, and its kappa, where the hint is ``ZONE``; else nan.
    profile : bytes
        How far the curve stands out at each of ``PROFILE_SHIFTS``, as signed bytes in ``PROFILE_UNIT``, for looks at
        many nights together; empty where nobody needed to look.
    """

    offset_s: float
    kappa_at_zero: float
    kappa_at_best: float
    gain: float
    hint: ClockHint = ClockHint.NONE
    peak_score: float = NAN
    zone_s: float = NAN
    kappa_at_zone: float = NAN
    profile: bytes = b""


def quick_offset(
    reference_codes: ClassCodes, device_codes: ClassCodes, n_classes: int, *, device_around: DeviceAround | None = None
) -> QuickOffset:
    """Return the whole number of epochs that would raise kappa most, and whether that looks like a wrong clock.

    Parameters
    ----------
    reference_codes, device_codes : int arrays of shape (n_epochs,)
        Class of each epoch of the window, in order and without jumps; -1 where a side has none.
    n_classes : int
        Number of classes.
    device_around : callable, optional
        What the device says around the window; default: nothing.

    Returns
    -------
    QuickOffset
        Offsets that leave less than half of the epochs in common are not considered. A gain is no proof of a
        wrong clock: two nights that have nothing to do with each other gain about 0.1 this way, so a hint is
        given only where the peak stands out.

    Raises
    ------
    ValueError
        As `scan_epoch_offsets`.
    """
    curve = offset_curve(reference_codes, device_codes, n_classes, NEAR_EPOCHS)
    best = peak_position(curve, NEAR_EPOCHS)
    at_zero = float(curve[NEAR_EPOCHS])
    if best is None:
        return QuickOffset(NAN, at_zero, NAN, NAN)
    shift, at_best = best - NEAR_EPOCHS, float(curve[best])
    found = QuickOffset(shift * EPOCH_S, at_zero, at_best, at_best - at_zero)
    gains = abs(found.offset_s) >= CAUTION_OFFSET_S and found.gain >= CAUTION_GAIN
    if not (gains or at_zero < SURE_KAPPA):
        return found
    # what follows costs as much again, so only nights that give reason for it are looked at closer
    wide = _WideCurve(reference_codes, device_codes, n_classes, device_around)
    score = wide.score(shift)
    hours = wide.best_whole_hour() if at_zero < SURE_KAPPA else 0
    hour_score = wide.score(hours, moved=hours) if hours else 0.0
    found = found._replace(peak_score=score, profile=wide.profile(hours))
    if hour_score >= max(_LOWEST_HOUR_SCORE, score) and wide.at(hours) >= at_best + CAUTION_GAIN:
        return found._replace(hint=ClockHint.ZONE, zone_s=hours * EPOCH_S, kappa_at_zone=wide.at(hours))
    if gains and score >= LOWEST_PEAK_SCORE and abs(shift) < NEAR_EPOCHS:
        return found._replace(hint=ClockHint.OFFSET)
    if gains and at_zero < NEAR_CHANCE:
        return found._replace(hint=_hint_near_chance(found, max(map(wide.score, (-1, 0, 1)))))
    return found


def _hint_near_chance(found: QuickOffset, score_as_recorded: float) -> ClockHint:
    """Return what a night near chance says of its clock: poor devices with right clocks must stay without a doubt."""
    if score_as_recorded >= LOWEST_PEAK_SCORE:
        return ClockHint.NONE
    speaks_against = found.kappa_at_zero < 0.0 and found.gain >= _DOUBT_GAIN and score_as_recorded < _DOUBT_SCORE
    return ClockHint.DOUBT if speaks_against else ClockHint.UNTOLD


class _WideCurve:
    """Kappa by shift up to 14 h, and the classes that it is made of."""

    def __init__(
        self, reference: ClassCodes, device: ClassCodes, n_classes: int, device_around: DeviceAround | None
    ) -> None:
        self.reference, self.n_classes = reference, n_classes
        self.around = np.pad(device, _WIDEST, constant_values=-1) if device_around is None else device_around(_WIDEST)
        length = fast_length(self.around.size)
        # the device begins `_WIDEST` epochs before the window, so a shift of -_WIDEST is the offset 0
        shifts = range(-2 * _WIDEST, 1)
        counts = correlate(reference[None], self.around[None], n_classes, length=length, shifts=shifts)
        self.curve = kappa_where_common(np.moveaxis(counts[0], -1, 0))
        self._chances: dict[int, Values] = {}

    def at(self, shift: int) -> float:
        return float(self.curve[_WIDEST + shift])

    def chance(self, moved: int) -> Values:
        """Return chance's curve for the part of the device's night that a shift puts into the window."""
        if moved not in self._chances:
            begin = _WIDEST - moved
            part = self.around[begin : begin + self.reference.size]
            self._chances[moved] = chance_curve(self.reference, part, self.n_classes)
        return self._chances[moved]

    def score(self, shift: int, *, moved: int = 0) -> float:
        return peak_score(self.curve, _WIDEST + shift, self.chance(moved), step_s=EPOCH_S)

    def best_whole_hour(self) -> int:
        """Return the shift near a whole number of hours with the highest kappa; 0 without one."""
        kappas = self.curve[_WIDEST + np.array(HOUR_SHIFTS)]
        return 0 if np.isnan(kappas).all() else HOUR_SHIFTS[int(np.nanargmax(kappas))]

    def profile(self, hours: int) -> bytes:
        """Return how far the curve stands out at ``PROFILE_SHIFTS``."""
        heights = self._heights(self.chance(0))
        of_hours = self._heights(self.chance(hours)) if hours else heights
        told = np.concatenate((heights[list(PROFILE_SHIFTS[: 2 * NEAR_EPOCHS + 1])], of_hours[list(HOUR_SHIFTS)]))
        return np.clip(np.rint(told / PROFILE_UNIT), -127, 127).astype(np.int8).tobytes()

    def _heights(self, chance: Values) -> Values:
        """Return signed heights by shift (position 0 is shift 0), in standard deviations of the same along chance."""
        total, of_chance = np.zeros(self.curve.size), np.zeros(chance.size)
        for scale_s in PEAK_SCALES_S:
            scale = round(scale_s / EPOCH_S)
            by_chance = peak_heights(chance, scale)
            spread = _spread(by_chance)
            if spread > 0.0:
                total += peak_heights(self.curve, scale) / spread
                of_chance += by_chance / spread
        return np.roll(np.nan_to_num(total / (_spread(of_chance) or 1.0)), -_WIDEST)


def range_min_for(offset_s: float) -> int:
    """Return the range to search (min) in which an offset has room to either side."""
    return math.ceil(abs(offset_s) / 900.0) * 15 + 15


def moved_later(codes: ClassCodes, steps: int) -> ClassCodes:
    """Return classes so many steps later (earlier, below 0); -1 where nothing is known."""
    room = abs(steps)
    return np.pad(codes, room, constant_values=-1)[room - steps : room - steps + codes.size]


def peak_heights(curve: Values, scale: int) -> Values:
    """Return how far each point of a circular curve lies above the mean of the points a scale away."""
    return curve - 0.5 * (np.roll(curve, scale) + np.roll(curve, -scale))


def _spread(heights: Values) -> float:
    """Return the standard deviation of what is known; 0 where nothing is."""
    known = heights[~np.isnan(heights)]
    return float(known.std()) if known.size else 0.0


def chance_curve(reference: ClassCodes, device: ClassCodes, n_classes: int) -> Values:
    """Return kappa at all circular shifts of the device's night turned backwards."""
    scored = np.flatnonzero(reference >= 0)
    if not scored.size:
        return np.full(1, NAN)
    common = slice(int(scored[0]), int(scored[-1]) + 1)
    rows, columns = reference[common], device[common][::-1]
    counts = correlate(rows[None], columns[None], n_classes, length=rows.size, shifts=range(rows.size))
    return kappa(np.moveaxis(counts[0], -1, 0))


def peak_score(curve: Values, at: int, chance: Values, *, step_s: float) -> float:
    """Return how far a point of a curve stands out from what chance makes.

    Parameters
    ----------
    curve : float array of shape (n_offsets,)
        Kappa by offset, with at least the larger of ``PEAK_SCALES_S`` to either side of ``at``.
    at : int
        Position of the point.
    chance : float array of shape (n_shifts,)
        From `chance_curve`.
    step_s : float
        Seconds between two points.

    Returns
    -------
    float
        Height above the mean of the curve 1 min (and 5 min) to either side in standard deviations of the same
        height along ``chance``, the larger of the two; 0 where there is none.
    """
    scores = [0.0]
    for scale_s in PEAK_SCALES_S:
        scale = round(scale_s / step_s)
        height = curve[at] - 0.5 * (curve[at - scale] + curve[at + scale])
        spread = _spread(peak_heights(chance, scale))
        if height > 0.0 and spread > 0.0:
            scores.append(float(height) / spread)
    return max(scores)


def kappa_where_common(tables: NDArray[Any]) -> Values:
    """Return kappa of each table, nan where less than half of the largest table's epochs are left."""
    return kappa_of_sums_where_common(stack_sums(tables))


def kappa_of_sums_where_common(sums: Values) -> Values:
    """Return the same from sums of `stack_sums`, shape (3k, ..., offsets)."""
    margins = sums_from_stack(sums)
    enough = 2.0 * margins.n >= margins.n.max(axis=-1, keepdims=True)
    return np.where(enough, kappa.of_sums(margins), np.nan)


def peak_position(curve: Values, zero: int) -> int | None:
    """Return the position of the highest value, the one nearest to offset zero among equals."""
    if np.isnan(curve).all():
        return None
    highest = np.flatnonzero(curve >= np.nanmax(curve) - 1e-12)
    return int(highest[np.argmin(np.abs(highest - zero))])
