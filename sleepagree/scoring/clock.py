"""Tell a slow clock from a bad algorithm: agreement at every offset of the device's clock.

Offsets are seconds to add to device times. Everything is read from tables of counts at each offset, which come
from correlating the stages of both sides instead of scoring the night again for each offset. What this module
proposes it never applies: a clock that was set by the agreement itself makes the agreement look better than it
is.

The cheap version on 30-s epochs is in :mod:`sleepagree.scoring.offsets`; `read_clock`
works on a fine clock (5 s), adds intervals and drift, and decides whether an offset is worth proposing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, frozen_array
from sleepagree.inference.estimate import NAN
from sleepagree.inference.margins import margins_from_sums
from sleepagree.inference.resampling import participant_weights, percentile_interval
from sleepagree.scoring.coefficients import kappa_of_margins
from sleepagree.scoring.offsets import (
    CAUTION_OFFSET_S,
    LOWEST_PEAK_SCORE,
    PEAK_SCALES_S,
    STEP_S,
    ClassCodes,
    ClockHint,
    QuickOffset,
    Tables,
    Values,
    chance_curve,
    check_codes,
    correlate,
    fast_length,
    fine_codes,
    kappa_where_common,
    peak_heights,
    peak_position,
    peak_score,
    quick_offset,
    scan_epoch_offsets,
)

__all__ = [
    "ClockHint",
    "ClockReading",
    "OffsetCurve",
    "PartOffset",
    "QuickOffset",
    "clock_document",
    "combined_offsets",
    "epoch_offset_interval",
    "fine_codes",
    "quick_offset",
    "read_clock",
    "scan_epoch_offsets",
]

RANGE_S: Final = 1800.0
BLOCK_S: Final = 900.0
RESAMPLES: Final = 500

SMALLEST_GAIN: Final = 0.01
"""Kappa that an offset must gain before it is proposed."""
WIDTH_DROP: Final = 0.02
DRIFT_RANGE_S_PER_H: Final = 60.0
_DRIFT_STEP: Final = 1.0
_DRIFT_OFFSETS_S: Final = 120.0
_DRIFT_ROWS: Final = 8  # resamples at a time, so that memory stays flat
_WIDE_S: Final = 4 * 3600.0

TUNING_WARNING: Final = (
    "An offset found by looking for the best agreement makes agreement look better than it is. "
    "Report both figures, and apply an offset only when something else than agreement supports it "
    "(a marker, a second clock, the same offset on other nights)."
)


# -------------------------------------------------------------------------------------------- the full version


@dataclass(frozen=True)
class PartOffset:
    """The best offset of one part of the night.

    Parameters
    ----------
    from_s, to_s : float
        The part, seconds after the first scored moment of the reference.
    offset_s : float
        Seconds to add to device times; nan when no kappa is defined.
    kappa_at_best : float
        Kappa of the part at that offset.
    """

    from_s: float
    to_s: float
    offset_s: float
    kappa_at_best: float


@dataclass(frozen=True, eq=False)
class OffsetCurve:
    """Kappa as a function of the clock offset.

    Parameters
    ----------
    offsets_s : float array of shape (n_offsets,)
        Seconds added to device times.
    kappa : float array of shape (n_offsets,)
        Kappa on the epochs that both sides have at that offset; nan where these are less than half.
    """

    offsets_s: Values
    kappa: Values

    def __post_init__(self) -> None:
        object.__setattr__(self, "offsets_s", frozen_array(self.offsets_s, np.float64))
        object.__setattr__(self, "kappa", frozen_array(self.kappa, np.float64))

    def __reduce__(self) -> tuple[Any, ...]:
        return (OffsetCurve, (self.offsets_s, self.kappa))

    @property
    def at_zero(self) -> float:
        """Kappa as recorded."""
        return float(self.kappa[len(self.kappa) // 2])

    @property
    def best(self) -> tuple[float, float]:
        """The best offset (s) and its kappa; nan where no kappa is defined."""
        peak = peak_position(self.kappa, len(self.kappa) // 2)
        return (NAN, NAN) if peak is None else (float(self.offsets_s[peak]), float(self.kappa[peak]))


@dataclass(frozen=True, eq=False)
class ClockReading:
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
        Best offset (seconds to add to device times) and its interval.
    kappa_at_zero, kappa_at_best : float
        Kappa as recorded, and what it would become.
    peak_score : float
        How far the peak stands out, in standard deviations of the peaks that chance makes; see `read_clock`.
    peak_width_s : float
        Width of the peak 0.02 below its top (s), counted in whole steps.
    halves_within_epoch : float
        Share of random halves of the night whose own best offset lies within one epoch of ``offset_s``.
    drift_s_per_h, drift_low, drift_high : float
        Change per hour of the seconds to add, with interval: positive for a clock that runs slow. Nan when
        the peak does not stand out.
    offset_at_middle_s, kappa_with_drift : float
        With that drift, the offset at the middle of the night, and kappa.
    thirds : tuple of PartOffset
        Best offset of each third of the night.
    level : float
        Confidence level of the intervals.
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

    def __reduce__(self) -> tuple[Any, ...]:
        return (ClockReading, tuple(getattr(self, f.name) for f in fields(self)))

    @property
    def gain(self) -> float:
        """Kappa at the best offset minus kappa as recorded."""
        return self.kappa_at_best - self.kappa_at_zero


def read_clock(
    reference: ClassCodes,
    device: ClassCodes,
    n_classes: int,
    *,
    mapping: str,
    rng: np.random.Generator,
    wake_sleep: tuple[ClassCodes, ClassCodes] | None = None,
    step_s: float = STEP_S,
    range_s: float = RANGE_S,
    epoch_s: float = EPOCH_S,
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
        Class at each step of one common clock, from `fine_codes`; -1 where a side has none. The device may
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
    step_s, range_s : float
        Step, and largest offset to either side (s).
    epoch_s : float
        Epoch of the reference (s).
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
        If the codes do not fit each other or a number is out of its range.
    """
    check_codes(reference, device, n_classes)
    if not 0.0 < step_s <= range_s:
        raise ValueError(f"step_s must lie between 0 and range_s, not {step_s!r} with {range_s!r}")
    lags = _Lags(round(range_s / step_s), round(max(PEAK_SCALES_S) / step_s), step_s)
    blocks = _Blocks.of(reference, device, n_classes, lags)
    tables = blocks.tables()
    wide_curve = kappa_where_common(tables)
    curve = OffsetCurve(lags.offsets_s, wide_curve[lags.inner])
    binary = None if wake_sleep is None else _curve_of(wake_sleep, lags)
    offset_s, at_best = curve.best
    if math.isnan(offset_s):
        reason = "kappa has no value at any offset"
        return ClockReading(mapping, curve, binary, proposed=False, reason=reason, level=level)
    low_s, high_s, no_interval = blocks.offset_interval(rng, resamples=resamples, level=level, epoch_s=epoch_s)
    halves = blocks.best_offsets(_half_weights(blocks.count, min(resamples, 200), rng))
    chance = chance_curve(reference, device, n_classes)
    score = peak_score(wide_curve, lags.most + round(offset_s / lags.step_s), chance, step_s=lags.step_s)
    stands_out = score >= LOWEST_PEAK_SCORE
    if stands_out:
        drift = _find_drift(blocks, offset_s, rng, resamples=min(resamples, 200), level=level, epoch_s=epoch_s)
    else:
        drift = _Drift.nowhere()
    reason = _why_not(curve, lags, low_s, high_s, no_interval, score, epoch_s)
    proposed = not reason
    if proposed:
        reason = (
            f"adding {offset_s:+.0f} s to device times raises kappa from {curve.at_zero:.3f} to {at_best:.3f}, "
            f"and the peak stands out from what chance makes (score {score:.1f}, {LOWEST_PEAK_SCORE} needed)"
        )
    elif not stands_out:
        reason += _hint_outside(reference, device, n_classes, lags, chance)
    return ClockReading(
        mapping,
        curve,
        binary,
        proposed=proposed,
        reason=reason,
        offset_s=offset_s,
        low_s=low_s,
        high_s=high_s,
        kappa_at_zero=curve.at_zero,
        kappa_at_best=at_best,
        peak_score=score,
        peak_width_s=_width_s(curve),
        halves_within_epoch=float(np.mean(np.abs(halves - offset_s) <= epoch_s)),
        drift_s_per_h=drift.s_per_h,
        drift_low=drift.low,
        drift_high=drift.high,
        offset_at_middle_s=drift.offset_s,
        kappa_with_drift=drift.kappa,
        thirds=blocks.thirds(),
        level=level,
    )


def epoch_offset_interval(
    reference: ClassCodes,
    device: ClassCodes,
    n_classes: int,
    *,
    rng: np.random.Generator,
    epoch_s: float = EPOCH_S,
    range_s: float = RANGE_S,
    resamples: int = 200,
    level: float = 0.95,
) -> tuple[float, float]:
    """Return the interval of the best offset on the epochs themselves, as `read_clock` forms it on its fine clock.

    Parameters
    ----------
    reference, device : int arrays of shape (n_epochs,)
        Class of each epoch of the window, -1 where a side has none.
    n_classes : int
        Number of classes.
    rng : numpy.random.Generator
        Source of random numbers.
    epoch_s, range_s : float
        Length of an epoch, and largest offset to either side (s).
    resamples, level
        Of the block bootstrap.

    Returns
    -------
    tuple of (float, float)
        Its ends (s); nan where too few resamples have a best offset.
    """
    lags = _Lags(round(range_s / epoch_s), 0, epoch_s)
    blocks = _Blocks.of(reference, device, n_classes, lags)
    return blocks.offset_interval(rng, resamples=resamples, level=level, epoch_s=epoch_s)[:2]


@dataclass(frozen=True)
class _Lags:
    """The offsets searched, and the context to either side that the peak score needs (steps)."""

    reach: int
    context: int
    step_s: float

    @property
    def most(self) -> int:
        return self.reach + self.context

    @property
    def inner(self) -> slice:
        return slice(self.context, self.context + 2 * self.reach + 1)

    @property
    def offsets_s(self) -> Values:
        offsets: Values = np.arange(-self.reach, self.reach + 1, dtype=np.float64) * self.step_s
        return offsets


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Tables at each offset, one for each block of the reference's time; tables of blocks add up."""

    counts: Tables  # (blocks, k, k, offsets with context)
    places: NDArray[np.intp]  # which of the night's blocks these are; blocks without a count are left out
    lags: _Lags
    block_s: float

    @classmethod
    def of(cls, reference: ClassCodes, device: ClassCodes, n_classes: int, lags: _Lags) -> _Blocks:
        """Cut the reference's scored time into blocks and count each against the device around it."""
        scored = np.flatnonzero(reference >= 0)
        first, last = (int(scored[0]), int(scored[-1]) + 1) if scored.size else (0, 1)
        length = max(1, round(BLOCK_S / lags.step_s))
        count = -(-(last - first) // length)
        rows = np.full(count * length, -1, dtype=np.int8)
        rows[: last - first] = reference[first:last]
        # the device from `most` steps before the first block to `most` steps after the last
        around = np.full(count * length + 2 * lags.most, -1, dtype=np.int8)
        begin = first - lags.most
        source = slice(max(0, begin), min(device.size, begin + around.size))
        around[source.start - begin : source.stop - begin] = device[source]
        pieces = np.lib.stride_tricks.sliding_window_view(around, length + 2 * lags.most)[::length]
        # a piece begins `most` steps before its block, so a shift of -most is the offset 0
        counts = correlate(
            rows.reshape(count, length),
            pieces,
            n_classes,
            length=fast_length(length + 2 * lags.most),
            shifts=range(-2 * lags.most, 1),
        )
        places = np.flatnonzero(counts.any(axis=(1, 2, 3)))
        if places.size == 0:
            places = np.zeros(1, dtype=np.intp)
        return cls(counts[places], places, lags, length * lags.step_s)

    @property
    def count(self) -> int:
        return len(self.counts)

    def tables(self) -> NDArray[Any]:
        """Return the tables of the whole night, shape (offsets with context, k, k)."""
        return np.moveaxis(self.counts.sum(axis=0), -1, 0)

    def margins(self) -> Values:
        """Return diagonal, row sums and column sums, shape (blocks, 3k, offsets without context)."""
        inner = self.counts[..., self.lags.inner]
        diagonal = np.einsum("biim->bim", inner)
        return np.concatenate((diagonal, inner.sum(axis=2), inner.sum(axis=1)), axis=1).astype(np.float64)

    def best_offsets(self, weights: NDArray[Any]) -> Values:
        """Return the best offset (s) under each row of block weights; nan where no kappa is defined."""
        margins = self.margins()
        _, sums, offsets = margins.shape
        flat = margins.reshape(self.count, -1)
        found = np.full(len(weights), np.nan)
        step = max(1, (8 << 20) // (8 * flat.shape[1]))
        for begin in range(0, len(weights), step):
            part = weights[begin : begin + step].astype(np.float64) @ flat
            curves = _kappa_of_sums(np.moveaxis(part.reshape(-1, sums, offsets), 1, 0))
            for row, curve in enumerate(curves):
                peak = peak_position(curve, self.lags.reach)
                if peak is not None:
                    found[begin + row] = (peak - self.lags.reach) * self.lags.step_s
        return found

    def offset_interval(
        self, rng: np.random.Generator, *, resamples: int, level: float, epoch_s: float
    ) -> tuple[float, float, str]:
        """Return the ends of the interval of the best offset (s), and why there is none, else ""."""
        replicates = self.best_offsets(participant_weights(self.count, resamples, rng))
        interval = percentile_interval(replicates, level=level)
        return interval.low - epoch_s / 2.0, interval.high + epoch_s / 2.0, interval.because

    def thirds(self) -> tuple[PartOffset, ...]:
        """Return the best offset of each third of the blocks."""
        if self.count < 3:
            return ()
        night = int(self.places[-1]) + 1
        margins = self.margins()
        parts = []
        for begin, end in pairwise(round(night * part / 3) for part in range(4)):
            inside = (self.places >= begin) & (self.places < end)
            curve = _kappa_of_sums(margins[inside].sum(axis=0))
            best = OffsetCurve(self.lags.offsets_s, curve).best
            parts.append(PartOffset(begin * self.block_s, end * self.block_s, *best))
        return tuple(parts)


def _kappa_of_sums(sums: Values) -> Values:
    """Return kappa from margin sums (3k, ..., offsets), nan where less than half of the epochs are common."""
    margins = margins_from_sums(sums)
    curve = kappa_of_margins(margins)
    return np.where(2.0 * margins.n >= margins.n.max(axis=-1, keepdims=True), curve, np.nan)


def _curve_of(sides: tuple[ClassCodes, ClassCodes], lags: _Lags) -> OffsetCurve:
    check_codes(*sides, 2)
    tables = _Blocks.of(*sides, 2, _Lags(lags.reach, 0, lags.step_s)).tables()
    return OffsetCurve(lags.offsets_s, kappa_where_common(tables))


def _half_weights(count: int, draws: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return weights that keep a random half of the blocks."""
    order = rng.random((draws, count)).argsort(axis=1)
    return (order < max(1, count // 2)).astype(np.int64)


def _width_s(curve: OffsetCurve) -> float:
    """Return how long kappa stays within 0.02 of its peak around the best offset."""
    peak = peak_position(curve.kappa, len(curve.kappa) // 2)
    if peak is None:
        return NAN
    below = ~(curve.kappa >= curve.kappa[peak] - WIDTH_DROP)
    left = np.flatnonzero(below[:peak])
    right = np.flatnonzero(below[peak:])
    begin = int(left[-1]) + 1 if left.size else 0
    end = peak + int(right[0]) - 1 if right.size else len(below) - 1
    return float(curve.offsets_s[end] - curve.offsets_s[begin])


# -------------------------------------------------------------------------------------- does the peak stand out


def _why_not(
    curve: OffsetCurve,
    lags: _Lags,
    low_s: float,
    high_s: float,
    no_interval: str,
    score: float,
    epoch_s: float,
) -> str:
    """Return the first reason against proposing the best offset, "" when there is none."""
    offset_s, at_best = curve.best
    gain = at_best - curve.at_zero
    if score < LOWEST_PEAK_SCORE:
        return (
            f"no offset stands out: the best one ({offset_s:+.0f} s, kappa {at_best:.3f}) is no sharper than "
            f"what chance makes of unrelated nights (score {score:.1f}, {LOWEST_PEAK_SCORE} needed)"
        )
    if abs(offset_s) < epoch_s:
        return f"the clocks agree: the best offset ({offset_s:+.0f} s) is less than one epoch"
    if abs(offset_s) >= lags.reach * lags.step_s:
        return f"the best offset ({offset_s:+.0f} s) lies at the edge of the range searched; search a wider one"
    if no_interval:
        return f"the best offset ({offset_s:+.0f} s) has no interval: {no_interval}"
    if low_s <= 0.0 <= high_s:
        return f"the interval of the best offset ({low_s:+.0f} to {high_s:+.0f} s) includes 0"
    if gain < SMALLEST_GAIN:
        return f"the best offset ({offset_s:+.0f} s) gains only {gain:.3f} kappa"
    return ""


def _hint_outside(reference: ClassCodes, device: ClassCodes, n_classes: int, lags: _Lags, chance: Values) -> str:
    """Return a clause that names a sharp peak outside the range searched, "" when there is none."""
    reach = min(round(_WIDE_S / lags.step_s), reference.size - 1)
    if reach <= lags.most:
        return ""
    tables = scan_epoch_offsets(reference, device, n_classes, max_shift_epochs=reach)
    curve = kappa_where_common(tables)
    wide = _Lags(reach - lags.context, lags.context, lags.step_s)
    heights = np.zeros(curve.size)
    inner = wide.inner
    scale = round(PEAK_SCALES_S[0] / lags.step_s)
    heights[inner] = np.nan_to_num(peak_heights(curve, scale)[inner])
    at = int(np.argmax(heights))
    offset_s = (at - reach) * lags.step_s
    if abs(offset_s) <= lags.reach * lags.step_s:
        return ""
    score = peak_score(curve, at, chance, step_s=lags.step_s)
    if score < LOWEST_PEAK_SCORE + 1.0:  # many more offsets were looked at
        return ""
    return f"; outside the range searched, near {offset_s:+.0f} s, kappa has a sharp peak of {curve[at]:.3f}"


# ----------------------------------------------------------------------------------------------------- drift


@dataclass(frozen=True)
class _Drift:
    s_per_h: float
    low: float
    high: float
    offset_s: float
    kappa: float

    @classmethod
    def nowhere(cls) -> _Drift:
        return cls(NAN, NAN, NAN, NAN, NAN)


def _find_drift(
    blocks: _Blocks, offset_s: float, rng: np.random.Generator, *, resamples: int, level: float, epoch_s: float
) -> _Drift:
    """Search offset and drift together; the interval resamples blocks.

    Within a block the drift is less than a step, so a block moves as a whole. Tables at offsets between two
    steps are interpolated, which is exact for stages that are constant within a step.
    """
    lags = blocks.lags
    middle = 0.5 * (blocks.places[0] + blocks.places[-1])
    hours = (blocks.places - middle) * blocks.block_s / 3600.0
    drifts = np.arange(-DRIFT_RANGE_S_PER_H, DRIFT_RANGE_S_PER_H + _DRIFT_STEP / 2.0, _DRIFT_STEP)
    near = np.arange(-_DRIFT_OFFSETS_S, _DRIFT_OFFSETS_S + lags.step_s / 2.0, lags.step_s)
    moved = offset_s + near[None, None] + hours[:, None, None] * drifts[None, :, None]
    place = np.clip(moved / lags.step_s + lags.reach, 0.0, 2.0 * lags.reach - 1e-9)
    lower = place.astype(np.int64)
    part = place - lower
    margins = np.moveaxis(blocks.margins(), 1, 0)  # (3k, blocks, offsets)
    block = np.arange(blocks.count)[:, None, None]
    sums = margins[:, block, lower] * (1.0 - part) + margins[:, block, lower + 1] * part
    sums = np.ascontiguousarray(np.moveaxis(sums, 1, 0))  # (blocks, 3k, drifts, offsets)
    kinds = sums.shape[1]
    flat = sums.reshape(blocks.count, -1)
    drawn = participant_weights(blocks.count, resamples, rng)
    weights = np.concatenate((np.ones((1, blocks.count)), drawn))  # the night itself, then the resamples
    found = np.full(len(weights), np.nan)
    middle_s = at_best = NAN
    for begin in range(0, len(weights), _DRIFT_ROWS):
        part = (weights[begin : begin + _DRIFT_ROWS] @ flat).reshape(-1, kinds, drifts.size * near.size)
        curves = kappa_of_margins(margins_from_sums(np.moveaxis(part, 1, 0)))
        for row, curve in enumerate(curves, start=begin):
            if np.isnan(curve).all():
                continue
            peak = int(np.nanargmax(curve))
            found[row] = drifts[peak // near.size]
            if row == 0:
                middle_s, at_best = offset_s + float(near[peak % near.size]), float(curve[peak])
    interval = percentile_interval(found[1:], level=level)
    slack = epoch_s / 2.0 / (float(blocks.places[-1] - blocks.places[0] + 1) * blocks.block_s / 3600.0)
    return _Drift(float(found[0]), interval.low - slack, interval.high + slack, middle_s, at_best)


# ------------------------------------------------------------------------------------------------ plain values


def clock_document(reading: ClockReading) -> dict[str, Any]:
    """Return a reading as plain values, None where there is no value.

    Parameters
    ----------
    reading : ClockReading
        From `read_clock`.

    Returns
    -------
    dict
        Schema "sleepagree.clock/1".
    """
    document: dict[str, Any] = {
        "schema": "sleepagree.clock/1",
        "mapping": reading.mapping,
        "offset_seconds": _plain(reading.offset_s),
        "low": _plain(reading.low_s),
        "high": _plain(reading.high_s),
        "kappa_at_zero": _plain(reading.kappa_at_zero),
        "kappa_at_best": _plain(reading.kappa_at_best),
        "drift_seconds_per_hour": _plain(reading.drift_s_per_h),
        "drift_low": _plain(reading.drift_low),
        "drift_high": _plain(reading.drift_high),
        "kappa_with_drift": _plain(reading.kappa_with_drift),
        "proposed": reading.proposed,
        "reason": reading.reason,
        "peak": {
            "score": _plain(reading.peak_score),
            "score_needed": LOWEST_PEAK_SCORE,
            "width_seconds": _plain(reading.peak_width_s),
            "halves_within_epoch": _plain(reading.halves_within_epoch),
        },
        "thirds": [
            {
                "from_seconds": part.from_s,
                "to_seconds": part.to_s,
                "offset_seconds": _plain(part.offset_s),
                "kappa_at_best": _plain(part.kappa_at_best),
            }
            for part in reading.thirds
        ],
        "wake_sleep": None if reading.wake_sleep is None else _curve_document(reading.wake_sleep),
        "curve": _points(reading.curve),
        "warning": TUNING_WARNING,
    }
    return document


def _curve_document(curve: OffsetCurve) -> dict[str, Any]:
    offset_s, at_best = curve.best
    return {
        "offset_seconds": _plain(offset_s),
        "kappa_at_zero": _plain(curve.at_zero),
        "kappa_at_best": _plain(at_best),
        "curve": _points(curve),
    }


def _points(curve: OffsetCurve) -> list[list[float | None]]:
    return [
        [offset, _plain(value)] for offset, value in zip(curve.offsets_s.tolist(), curve.kappa.tolist(), strict=True)
    ]


def _plain(value: float) -> float | None:
    return None if math.isnan(value) else value


def combined_offsets(offsets_s: Sequence[float], *, epoch_s: float = EPOCH_S) -> tuple[float, float, str]:
    """Tell a clock from chance by the best offsets of several nights of one device.

    Parameters
    ----------
    offsets_s : sequence of float
        Best offset of each night (s); nan where there is none.
    epoch_s : float
        Length of an epoch (s).

    Returns
    -------
    tuple of (float, float, str)
        Median, half of the range that holds the middle half of the nights, and a sentence: a constant offset
        is a clock, a scattered one is not.
    """
    found = np.asarray([offset for offset in offsets_s if not math.isnan(offset)])
    if found.size < 3:
        return NAN, NAN, "fewer than three nights have a best offset; nothing can be said of the clock"
    low, median, high = (float(q) for q in np.quantile(found, (0.25, 0.5, 0.75)))
    spread = (high - low) / 2.0
    away = int(np.count_nonzero(np.abs(found - median) >= CAUTION_OFFSET_S))
    single = f"; {away} single {'night lies' if away == 1 else 'nights lie'} 1 min or more from that" if away else ""
    if spread > 2.0 * epoch_s:
        text = f"best offsets scatter (middle half {low:+.0f} to {high:+.0f} s): this is not a constant clock error"
    elif abs(median) < epoch_s:
        text = f"best offsets lie around 0 (median {median:+.0f} s of {found.size} nights): no constant clock error"
        text += single
    else:
        text = f"best offsets agree around {median:+.0f} s ({found.size} nights): this looks like a clock{single}"
    return median, spread, text
