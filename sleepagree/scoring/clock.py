"""Tell a slow clock from a bad algorithm: agreement at every offset of the device's clock.

Offsets are seconds to add to device times. Everything is read from tables of counts at each offset, which come
from correlating the stages of both sides instead of scoring the night again for each offset. What this module
proposes it never applies: a clock that was set by the agreement itself makes the agreement look better than it
is.

The cheap version on 30-s epochs is in :mod:`sleepagree.scoring.offsets`; `scan_codes`
works in steps of 5 s, adds intervals and drift, and decides whether an offset is worth proposing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from sleepagree.hypnogram.spans import EPOCH_S, Frozen
from sleepagree.inference.estimate import NAN
from sleepagree.scoring.clock_blocks import (
    DRIFT_RANGE_S_PER_H,
    JUMP_REACH_S,
    LEAST_JUMP_GAIN,
    RANGE_S,
    Blocks,
    ClockJump,
    Drift,
    Lags,
    OffsetCurve,
    PartOffset,
    find_drift,
    half_weights,
)
from sleepagree.scoring.offsets import (
    LOWEST_PEAK_SCORE,
    NEAR_CHANCE,
    PEAK_SCALES_S,
    STEP_S,
    ClassCodes,
    Values,
    chance_curve,
    check_codes,
    kappa_where_common,
    offset_curve,
    peak_heights,
    peak_position,
    peak_score,
)
from sleepagree.shown import Brief

RESAMPLES: Final = 500

SMALLEST_GAIN: Final = 0.01
"""Kappa that an offset must gain before it is proposed."""
WIDTH_DROP: Final = 0.02
_WIDE_S: Final = 4 * 3600.0

TUNING_WARNING: Final = (
    "An offset found by looking for the best agreement makes agreement look better than it is. "
    "Report both figures, and apply an offset only when something else than agreement supports it "
    "(a marker, a second clock, the same offset on other nights)."
)


@dataclass(frozen=True, eq=False, repr=False)
class ClockReading(Brief, Frozen):
    """What agreement says about the device's clock.

    Parameters
    ----------
    mapping : str
        Mapping under which ``curve`` was computed.
    curve : OffsetCurve
        Kappa of that mapping at each offset.
    wake_sleep : OffsetCurve or None
        Kappa of wake against sleep at each offset.
    proposed : bool
        Whether the offset is worth trying.
    reason : str
        Why, or why not.
    offset_s, low_s, high_s : float
        Best offset (seconds to add to device times) and its interval; none at the edge of the range searched.
    kappa_at_zero, kappa_at_best : float
        Kappa of the pair as it was given, and what it would become.
    peak_score : float
        How far the peak stands out, in standard deviations of the peaks that chance makes; see `scan_codes`.
    peak_width_s : float
        Width of the peak 0.02 below its top (s), counted in whole steps.
    halves_within_epoch : float
        Share of random halves of the night whose own best offset lies within one epoch of ``offset_s``.
    drift_s_per_h, drift_low, drift_high : float
        Change per hour of the seconds to add, with interval: positive for a clock that runs slow. Nan when
        the peak does not stand out, and where there is a ``jump``; at the edge of the drifts searched no interval.
    offset_at_middle_s, kappa_with_drift : float
        With that drift, the offset at the middle of the night, and kappa.
    thirds : tuple of PartOffset
        Best offset of each third of the night.
    level : float
        Confidence level of the intervals.
    jump : ClockJump or None
        Two offsets for two parts of the night, where they are worth proposing instead of one; then ``proposed`` is
        false.
    outside_s : float
        Offset of a sharp peak outside the range searched; nan where nobody needed to look, or none is there.
    """

    mapping: str
    curve: OffsetCurve
    wake_sleep: OffsetCurve | None
    proposed: bool
    reason: str
    offset_s: float = NAN
    low_s: float = NAN
    high_s: float = NAN
    kappa_at_zero: float = NAN
    kappa_at_best: float = NAN
    peak_score: float = NAN
    peak_width_s: float = NAN
    halves_within_epoch: float = NAN
    drift_s_per_h: float = NAN
    drift_low: float = NAN
    drift_high: float = NAN
    offset_at_middle_s: float = NAN
    kappa_with_drift: float = NAN
    thirds: tuple[PartOffset, ...] = ()
    level: float = 0.95
    jump: ClockJump | None = None
    outside_s: float = NAN

    @property
    def gain(self) -> float:
        """Kappa at the best offset minus kappa of the pair as it was given."""
        return self.kappa_at_best - self.kappa_at_zero

    @property
    def is_at_edge(self) -> bool:
        """Whether the best offset lies at the edge of the range searched."""
        return bool(abs(self.offset_s) >= self.curve.offsets_s[-1])

    @property
    def drift_is_at_edge(self) -> bool:
        """Whether the best drift lies at the edge of the drifts searched."""
        return abs(self.drift_s_per_h) >= DRIFT_RANGE_S_PER_H


def scan_codes(
    reference: ClassCodes,
    device: ClassCodes,
    n_classes: int,
    *,
    mapping: str,
    rng: np.random.Generator,
    wake_sleep: tuple[ClassCodes, ClassCodes] | None = None,
    range_s: float = RANGE_S,
    resamples: int = RESAMPLES,
    level: float = 0.95,
) -> ClockReading:
    """Return how agreement depends on the device's clock, and whether an offset is worth proposing.

    An offset is proposed only if all of this holds: it is at least one epoch; it gains 0.01 kappa or more; its
    interval excludes 0; it does not lie at the edge of the range; and its peak stands out. The last condition
    is what keeps chance out, because the best of many offsets always gains something. When two recordings
    belong together, every bout falls into place at the right offset and out of place a minute later, so the
    peak is sharp; peaks that chance makes are broad. The score is the height of the peak above the mean of the
    curve 1 min (and 5 min) to either side, divided by the standard deviation of the same height over all
    circular shifts of the device's night turned backwards, which has the same bouts and cannot fit.

    The interval of the offset resamples blocks of 15 min of the reference's time and is widened by half an
    epoch to either side, because a reference scored in epochs tells no finer. Drift is searched together with the
    offset, with the same blocks; its interval is widened to either side by the drift that moves the ends of the
    night apart by half an epoch.

    Parameters
    ----------
    reference, device : int arrays of shape (n,)
        Class at each 5-s step of one common clock, from `classes_in_steps`; -1 where a side has none. The device may
        have classes before the reference's first and after its last one; they count as soon as an offset
        brings them in.
    n_classes : int
        Number of classes.
    mapping : str
        Name of the mapping that made the classes.
    rng : numpy.random.Generator
        Source of random numbers.
    wake_sleep : tuple of two int arrays, optional
        The same two sides as wake (0) and sleep (1).
    range_s : float
        Largest offset to either side (s), a step or more.
    resamples : int
        Number of resamples for the intervals.
    level : float
        Confidence level.

    Returns
    -------
    ClockReading

    Raises
    ------
    ValueError
        If the codes do not fit each other.
    """
    check_codes(reference, device, n_classes)
    lags = Lags(round(range_s / STEP_S), round(max(PEAK_SCALES_S) / STEP_S), STEP_S)
    blocks = Blocks.of(reference, device, n_classes, lags)
    wide_curve = kappa_where_common(blocks.tables())
    curve = OffsetCurve(lags.offsets_s, wide_curve[lags.inner])
    two_classes = None
    if wake_sleep is not None and not _is_constant(*wake_sleep):
        two_classes = OffsetCurve(lags.offsets_s, offset_curve(*wake_sleep, 2, lags.reach))
    offset_s, at_best = curve.best
    if math.isnan(offset_s) or _is_constant(reference, device):
        alone = "one side is of one class: kappa is 0 at any offset"
        reason = "kappa has no value at any offset" if math.isnan(offset_s) else alone
        found = ClockReading(mapping, curve, two_classes, proposed=False, reason=reason, level=level)
        return replace(found, kappa_at_zero=curve.at_zero)
    low_s, high_s, no_interval = blocks.offset_interval(rng, resamples=resamples, level=level)
    is_at_edge = abs(offset_s) >= lags.offsets_s[-1]
    if is_at_edge:
        low_s = high_s = NAN
    halves = blocks.best_offsets(half_weights(blocks.count, min(resamples, 200), rng))
    chance = chance_curve(reference, device, n_classes)
    score = peak_score(wide_curve, lags.most + round(offset_s / STEP_S), chance, step_s=STEP_S)
    drift = Drift()
    if score >= LOWEST_PEAK_SCORE:
        drift = find_drift(blocks, offset_s, rng, resamples=min(resamples, 200), level=level)
    found = ClockReading(
        mapping,
        curve,
        two_classes,
        proposed=False,
        reason="",
        offset_s=offset_s,
        low_s=low_s,
        high_s=high_s,
        kappa_at_zero=curve.at_zero,
        kappa_at_best=at_best,
        peak_score=score,
        peak_width_s=_width_s(curve),
        halves_within_epoch=float(np.mean(np.abs(halves - offset_s) <= EPOCH_S)),
        **drift._asdict(),
        thirds=blocks.thirds(),
        level=level,
    )
    against = why_not_proposed(found, no_interval)
    found = replace(found, proposed=not against, reason=against or _why_proposed(found))
    if score >= LOWEST_PEAK_SCORE and not is_at_edge:
        return found
    return with_peak_outside(found, *_peak_outside(reference, device, n_classes, lags, chance))


def _is_constant(reference: ClassCodes, device: ClassCodes) -> bool:
    """Whether a side is of one class, so that no offset is better than another."""
    return any(np.unique(side[side >= 0]).size < 2 for side in (reference, device))


def epoch_offset_interval(
    reference: ClassCodes, device: ClassCodes, n_classes: int, *, rng: np.random.Generator
) -> tuple[float, float]:
    """Return the interval of the best offset on the epochs themselves, as `scan_codes` forms it in its steps.

    Parameters
    ----------
    reference, device : int arrays of shape (n_epochs,)
        Class of each epoch of the window, -1 where a side has none.
    n_classes : int
        Number of classes.
    rng : numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    tuple of (float, float)
        Its ends (s); nan where too few resamples have a best offset.
    """
    blocks = Blocks.of(reference, device, n_classes, Lags(round(RANGE_S / EPOCH_S), 0, EPOCH_S))
    return blocks.offset_interval(rng, resamples=200, level=0.95)[:2]


def _width_s(curve: OffsetCurve) -> float:
    """Return how long kappa stays within 0.02 of its peak around the best offset."""
    peak = peak_position(curve.kappa, len(curve.kappa) // 2)
    if peak is None:
        return NAN
    is_near = curve.kappa >= curve.kappa[peak] - WIDTH_DROP
    far = np.flatnonzero(~np.pad(is_near, 1)) - 1  # both ends of the range are followed by what is far
    begin, end = far[far < peak].max() + 1, far[far > peak].min() - 1
    return float(curve.offsets_s[end] - curve.offsets_s[begin])


def why_not_proposed(found: ClockReading, no_interval: str) -> str:
    """Return the first reason against proposing the best offset, "" when there is none."""
    best = f"the best offset ({_signed(found.offset_s)} s)"
    if found.peak_score < LOWEST_PEAK_SCORE:
        return (
            f"no offset stands out: the best one ({_signed(found.offset_s)} s, kappa {found.kappa_at_best:.3f}) is no "
            "sharper than what chance makes of unrelated nights "
            f"(score {found.peak_score:.1f}, {LOWEST_PEAK_SCORE} needed)"
        )
    if abs(found.offset_s) < EPOCH_S:
        return _say_agreeing(found, f"{best} is less than one epoch")
    if found.is_at_edge:
        return f"{best} lies at the edge of the range searched"
    if no_interval:
        return f"{best} has no interval: {no_interval}"
    if found.low_s <= 0.0 <= found.high_s:
        return f"the interval of the best offset ({_signed(found.low_s)} to {_signed(found.high_s)} s) includes 0"
    return f"{best} gains only {found.gain:.3f} kappa" if found.gain < SMALLEST_GAIN else ""


def _say_agreeing(found: ClockReading, small: str) -> str:
    """Return that the clocks agree, or which third of the night speaks against it."""
    against = [
        f"from {part.from_s / 3600:.1f} to {part.to_s / 3600:.1f} h kappa is {part.kappa_at_zero:.3f}, and "
        f"{part.kappa_at_best:.3f} with {_signed(part.offset_s)} s"
        for part in found.thirds
        if part.kappa_at_zero < NEAR_CHANCE
        and part.kappa_at_best >= part.kappa_at_zero + LEAST_JUMP_GAIN
        and abs(part.offset_s) >= EPOCH_S
    ]
    return f"over the whole night {small}, but {' and '.join(against)}" if against else f"the clocks agree: {small}"


def _why_proposed(found: ClockReading) -> str:
    """Return why the best offset is worth trying."""
    return (
        f"adding {_signed(found.offset_s)} s to device times raises kappa from {found.kappa_at_zero:.3f} to "
        f"{found.kappa_at_best:.3f}, and the peak stands out from what chance makes "
        f"(score {found.peak_score:.1f}, {LOWEST_PEAK_SCORE} needed)"
    )


def _peak_outside(
    reference: ClassCodes, device: ClassCodes, n_classes: int, lags: Lags, chance: Values
) -> tuple[float, float]:
    """Return the offset (s) of a sharp peak outside the range searched and its kappa, nan when there is none."""
    reach = min(round(_WIDE_S / STEP_S), reference.size - 1)
    if reach <= lags.most:
        return NAN, NAN
    curve = offset_curve(reference, device, n_classes, reach)
    heights = np.zeros(curve.size)
    inner = Lags(reach - lags.context, lags.context, STEP_S).inner
    heights[inner] = np.nan_to_num(peak_heights(curve, round(PEAK_SCALES_S[0] / STEP_S))[inner])
    at = int(np.argmax(heights))
    # many more offsets were looked at
    stands_out = peak_score(curve, at, chance, step_s=STEP_S) >= LOWEST_PEAK_SCORE + 1.0
    is_outside = abs(at - reach) > lags.reach
    return ((at - reach) * STEP_S, float(curve[at])) if is_outside and stands_out else (NAN, NAN)


def with_peak_outside(reading: ClockReading, offset_s: float, kappa: float) -> ClockReading:
    """Return a reading that proposes nothing with a peak outside the range searched, if there is one."""
    if math.isnan(offset_s):
        return reading
    reason = (
        f"{reading.reason}; outside the range searched, near {_signed(offset_s)} s, kappa has a sharp peak of "
        f"{kappa:.3f}"
    )
    return replace(reading, reason=reason, outside_s=offset_s)


def with_jump(reading: ClockReading, jump: ClockJump | None) -> ClockReading:
    """Return the reading with two offsets in place of one, where they are worth proposing."""
    if jump is None or not jump.stands_out:
        return reading
    reason = (
        f"the clock seems to jump in the night: adding {_signed(jump.before_s)} s to device times at first and "
        f"{_signed(jump.after_s)} s later raises kappa from {reading.kappa_at_zero:.3f} to {jump.kappa:.3f}; one "
        f"offset for the whole night, searched up to {JUMP_REACH_S / 60:g} min, reaches {jump.kappa_one_offset:.3f}"
    )
    if not math.isnan(jump.kappa_with_drift):
        reason += f", one with a drift {jump.kappa_with_drift:.3f}"
    reason += f"; with both {jump.agreeing} epochs agree, with one offset {jump.agreeing_one_offset} at most"
    # a jump would pass for a drift
    return replace(reading, proposed=False, reason=reason, jump=jump, outside_s=NAN, **Drift()._asdict())


def _signed(seconds: float) -> str:
    """Return whole seconds with their sign, none before 0."""
    return f"{seconds:+.0f}" if round(seconds) else "0"
