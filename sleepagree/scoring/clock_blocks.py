"""Kappa at every offset of the device's clock, its drift and its jumps, from tables of blocks of the night that add up.

A clock that jumps in the night has two offsets; where the second begins is told apart from a drift.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, Frozen
from sleepagree.inference.estimate import NAN
from sleepagree.inference.resampling import participant_weights, percentile_interval
from sleepagree.inference.table_sums import sums_from_stack
from sleepagree.scoring.coefficients import kappa
from sleepagree.scoring.offsets import (
    PEAK_SCALES_S,
    ClassCodes,
    Tables,
    Values,
    chance_curve,
    check_codes,
    correlate,
    fast_length,
    kappa_of_sums_where_common,
    kappa_where_common,
    moved_later,
    offset_curve,
    peak_position,
    peak_score,
)

RANGE_S: Final = 1800.0
BLOCK_S: Final = 900.0
DRIFT_RANGE_S_PER_H: Final = 60.0
_DRIFT_STEP: Final = 1.0
_DRIFT_OFFSETS_S: Final = 120.0
_DRIFT_ROWS: Final = 8  # resamples at a time, so that memory stays flat


@dataclass(frozen=True)
class PartOffset:
    """The best offset of one part of the night.

    Parameters
    ----------
    from_s, to_s : float
        The part, seconds after the first scored moment of the reference.
    offset_s : float
        Seconds to add to device times; nan when no kappa is defined.
    kappa_at_best, kappa_at_zero : float
        Kappa of the part at that offset, and without any.
    """

    from_s: float
    to_s: float
    offset_s: float
    kappa_at_best: float
    kappa_at_zero: float


@dataclass(frozen=True, eq=False)
class OffsetCurve(Frozen):
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
        self._freeze(offsets_s=np.float64, kappa=np.float64)

    @property
    def at_zero(self) -> float:
        """Kappa as recorded."""
        return float(self.kappa[len(self.kappa) // 2])

    @property
    def best(self) -> tuple[float, float]:
        """The best offset (s) and its kappa; nan where no kappa is defined."""
        peak = peak_position(self.kappa, len(self.kappa) // 2)
        return (NAN, NAN) if peak is None else (float(self.offsets_s[peak]), float(self.kappa[peak]))


@dataclass(frozen=True)
class Lags:
    """The offsets searched, and the context to either side that the peak score needs (steps)."""

    reach: int
    context: int
    step_s: float

    @property
    def most(self) -> int:
        """Largest offset, with its context, in steps."""
        return self.reach + self.context

    @property
    def inner(self) -> slice:
        """Which offsets lie in the range searched."""
        return slice(self.context, self.context + 2 * self.reach + 1)

    @property
    def offsets_s(self) -> Values:
        """The offsets of the range searched (s)."""
        return np.arange(-self.reach, self.reach + 1, dtype=np.float64) * self.step_s


@dataclass(frozen=True, eq=False)
class Blocks:
    """Tables at each offset, one for each block of the reference's time; tables of blocks add up."""

    counts: Tables  # (blocks, k, k, offsets with context)
    places: NDArray[np.intp]  # which of the night's blocks these are; blocks without a count are left out
    lags: Lags
    block_s: float

    @classmethod
    def of(
        cls, reference: ClassCodes, device: ClassCodes, n_classes: int, lags: Lags, *, block_s: float = BLOCK_S
    ) -> Blocks:
        """Cut the reference's scored time into blocks and count each against the device around it."""
        scored = np.flatnonzero(reference >= 0)
        first, last = (int(scored[0]), int(scored[-1]) + 1) if scored.size else (0, 1)
        length = max(1, round(block_s / lags.step_s))
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
        """Number of blocks."""
        return len(self.counts)

    def tables(self) -> NDArray[Any]:
        """Return the tables of the whole night, shape (offsets with context, k, k)."""
        return np.moveaxis(self.counts.sum(axis=0), -1, 0)

    def margins(self) -> Values:
        """Return diagonal, row sums and column sums, shape (blocks, 3k, offsets without context)."""
        return _margins_of(self.counts[..., self.lags.inner])

    def best_offsets(self, weights: NDArray[Any]) -> Values:
        """Return the best offset (s) under each row of block weights; nan where no kappa is defined."""
        margins = self.margins()
        _, sums, offsets = margins.shape
        flat = margins.reshape(self.count, -1)
        found = np.full(len(weights), np.nan)
        step = max(1, (8 << 20) // (8 * flat.shape[1]))
        for begin in range(0, len(weights), step):
            part = weights[begin : begin + step].astype(np.float64) @ flat
            curves = kappa_of_sums_where_common(np.moveaxis(part.reshape(-1, sums, offsets), 1, 0))
            for row, curve in enumerate(curves):
                peak = peak_position(curve, self.lags.reach)
                if peak is not None:
                    found[begin + row] = (peak - self.lags.reach) * self.lags.step_s
        return found

    def offset_interval(self, rng: np.random.Generator, *, resamples: int, level: float) -> tuple[float, float, str]:
        """Return the ends of the interval of the best offset (s), and why there is none, else ""."""
        replicates = self.best_offsets(participant_weights(self.count, resamples, rng))
        interval = percentile_interval(replicates, level=level)
        return interval.low - EPOCH_S / 2.0, interval.high + EPOCH_S / 2.0, interval.because

    def thirds(self) -> tuple[PartOffset, ...]:
        """Return the best offset of each third of the blocks."""
        if self.count < 3:
            return ()
        night = int(self.places[-1]) + 1
        margins = self.margins()
        parts = []
        for begin, end in pairwise(round(night * part / 3) for part in range(4)):
            inside = (self.places >= begin) & (self.places < end)
            curve = kappa_of_sums_where_common(margins[inside].sum(axis=0))
            found = OffsetCurve(self.lags.offsets_s, curve)
            parts.append(PartOffset(begin * self.block_s, end * self.block_s, *found.best, found.at_zero))
        return tuple(parts)


def _margins_of(counts: Tables) -> Values:
    """Return diagonal, row sums and column sums of tables at offsets, shape (blocks, 3k, offsets)."""
    diagonal = np.einsum("biim->bim", counts)
    return np.concatenate((diagonal, counts.sum(axis=2), counts.sum(axis=1)), axis=1).astype(np.float64)


def half_weights(count: int, draws: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return weights that keep a random half of the blocks."""
    order = rng.random((draws, count)).argsort(axis=1)
    return (order < max(1, count // 2)).astype(np.int64)


class Drift(NamedTuple):
    """What a `ClockReading` tells of drift; nan where it was not searched.

    A drift at the edge of the range has no interval: nothing tells how far beyond it the drift lies.
    """

    drift_s_per_h: float = NAN
    drift_low: float = NAN
    drift_high: float = NAN
    offset_at_middle_s: float = NAN
    kappa_with_drift: float = NAN


def _drifted(blocks: Blocks, offset_s: float, within_s: float) -> tuple[Values, Values, Values]:
    """Return margins of each block at each drift and offset, shape (blocks, 3k, drifts, offsets), and both grids.

    Within a block the drift is less than a step, so a block moves as a whole. Tables at offsets between two
    steps are interpolated, which is exact for stages that are constant within a step. Nan where a block would move
    beyond the offsets that were counted.
    """
    lags = blocks.lags
    middle = 0.5 * (blocks.places[0] + blocks.places[-1])
    hours = (blocks.places - middle) * blocks.block_s / 3600.0
    drifts = np.arange(-DRIFT_RANGE_S_PER_H, DRIFT_RANGE_S_PER_H + _DRIFT_STEP / 2.0, _DRIFT_STEP)
    near = np.arange(-within_s, within_s + lags.step_s / 2.0, lags.step_s)
    moved = offset_s + near[None, None] + hours[:, None, None] * drifts[None, :, None]
    place = moved / lags.step_s + lags.most
    lower = np.clip(np.floor(place), 0, 2 * lags.most - 1).astype(np.int64)
    part = place - lower
    part[(part < 0.0) | (part > 1.0)] = np.nan
    margins = np.moveaxis(_margins_of(blocks.counts), 1, 0)  # (3k, blocks, offsets with context)
    block = np.arange(blocks.count)[:, None, None]
    sums = margins[:, block, lower] * (1.0 - part) + margins[:, block, lower + 1] * part
    return np.ascontiguousarray(np.moveaxis(sums, 1, 0)), drifts, near


def drift_curves(blocks: Blocks, offset_s: float, *, within_s: float) -> Values:
    """Return kappa of the night at each drift and each offset within a distance of one, shape (drifts, offsets)."""
    return kappa.of_sums(sums_from_stack(_drifted(blocks, offset_s, within_s)[0].sum(axis=0)))


def find_drift(blocks: Blocks, offset_s: float, rng: np.random.Generator, *, resamples: int, level: float) -> Drift:
    """Search offset and drift together; the interval resamples blocks.

    Of drifts that fit alike the smallest is taken. The interval goes from the lowest of them to the highest: a short
    night that fits any drift tells of none.
    """
    sums, drifts, near = _drifted(blocks, offset_s, _DRIFT_OFFSETS_S)
    by_size = np.lexsort([np.abs(grid).ravel() for grid in np.meshgrid(near, drifts)])
    kinds = sums.shape[1]
    flat = sums.reshape(blocks.count, -1)
    drawn = participant_weights(blocks.count, resamples, rng)
    weights: Values = np.concatenate((np.ones((1, blocks.count)), drawn))  # the night itself, then the resamples
    ends = np.full((2, len(weights)), np.nan)
    best = Drift()
    for begin in range(0, len(weights), _DRIFT_ROWS):
        drawn_sums: Values = weights[begin : begin + _DRIFT_ROWS] @ flat
        curves = kappa.of_sums(
            sums_from_stack(np.moveaxis(drawn_sums.reshape(-1, kinds, drifts.size * near.size), 1, 0))
        )
        for row, curve in enumerate(curves, start=begin):
            if np.isnan(curve).all():
                continue
            peaks = by_size[curve[by_size] >= np.nanmax(curve) - 1e-12]
            fitting = drifts[peaks // near.size]
            ends[:, row] = fitting.min(), fitting.max()
            if row == 0:
                middle_s = offset_s + float(near[peaks[0] % near.size])
                best = Drift(float(fitting[0]), offset_at_middle_s=middle_s, kappa_with_drift=float(curve[peaks[0]]))
    if abs(best.drift_s_per_h) >= DRIFT_RANGE_S_PER_H:
        return best
    low, high = (percentile_interval(end[1:], level=level) for end in ends)
    slack = EPOCH_S / 2.0 / (float(blocks.places[-1] - blocks.places[0] + 1) * blocks.block_s / 3600.0)
    return best._replace(drift_low=low.low - slack, drift_high=high.high + slack)


# --- a clock that jumps in the night ----------------------------------------------------------------------


JUMP_REACH_S: Final = 10_800.0
"""Largest offset of either part: a clock that is an hour off may still be set to another zone, two hours away."""
LEAST_PART_S: Final = 3600.0
"""Shortest part of the night that gets an offset of its own."""
LEAST_NIGHT_S: Final = 10_800.0
"""Shortest night that is looked at."""
SMALLEST_JUMP_S: Final = 60.0
LEAST_JUMP_GAIN: Final = 0.05
"""Kappa that two offsets must gain over one offset, and over one offset with a drift."""
LOWEST_PART_SCORE: Final = 4.5
"""How far the peak of either part must stand out, in standard deviations of chance peaks."""
FEWEST_CLASSES: Final = 3
"""Wake and sleep alone change too seldom: two offsets for two parts of a night fit anything."""
_JUMP_BLOCK_S: Final = 300.0
_LAGS: Final = Lags(round(JUMP_REACH_S / EPOCH_S), round(max(PEAK_SCALES_S) / EPOCH_S), EPOCH_S)
#: Offsets further apart than this are beyond any drift that is looked for.
_BEYOND_DRIFT_S: Final = 900.0
#: Places of the jump at which no more agreeing epochs are lost than this explain the night as well as the best.
_AS_GOOD: Final = 8


@dataclass(frozen=True)
class ClockJump:
    """Two offsets for two parts of one night.

    Parameters
    ----------
    at_s, at_low_s, at_high_s : float
        Where the first part ends, and the earliest and latest place that explain the night about as well (seconds
        after the first epoch of the window, on the reference's clock). The second part begins there, or later by
        ``lost_s``.
    before_s, after_s : float
        Seconds to add to device times before and after it.
    kappa : float
        Kappa of the night with both: of the epochs before ``at_s`` with the first offset, and of those from ``lost_s``
        after it on with the second. No epoch of the device counts twice.
    kappa_one_offset, kappa_with_drift : float
        Kappa with the best offset alone, and with the best drift as well: nan where the two offsets are so far apart
        that no drift comes near them, and where two offsets are not worth proposing anyway.
    score_before, score_after : float
        How far the peak of either part stands out (:func:`sleepagree.scoring.offsets.peak_score`).
    agreeing, agreeing_one_offset : int
        Epochs of these that agree, and those of the whole night that agree at the one offset where most do.
    """

    at_s: float
    at_low_s: float
    at_high_s: float
    before_s: float
    after_s: float
    kappa: float
    kappa_one_offset: float
    kappa_with_drift: float
    score_before: float
    score_after: float
    agreeing: int
    agreeing_one_offset: int

    @property
    def lost_s(self) -> float:
        """How much of the reference's time the device has nothing of: a clock that goes on with an earlier time."""
        return max(0.0, self.after_s - self.before_s)

    @property
    def gain(self) -> float:
        """Kappa with both offsets minus kappa with one, or with one and a drift, whichever is higher."""
        return self.kappa - float(np.fmax(self.kappa_one_offset, self.kappa_with_drift))

    @property
    def stands_out(self) -> bool:
        """Whether two offsets are worth proposing instead of one offset or a drift.

        Kappa alone would gain by epochs that are left out: of those that agree there must be more, too.
        """
        return (
            abs(self.after_s - self.before_s) >= SMALLEST_JUMP_S
            and self.agreeing > self.agreeing_one_offset
            and min(self.score_before, self.score_after) >= LOWEST_PART_SCORE
            and self.gain >= LEAST_JUMP_GAIN
        )


def best_jump(reference: ClassCodes, device: ClassCodes, n_classes: int) -> ClockJump | None:
    """Return the two offsets, and the place between them, that explain a night best.

    For every place on a 5-min grid, both parts 1 h or longer, each part has its own best offset up to 3 h. Of these
    pairs of offsets, and of all epochs that may end the first part, those are taken with which most epochs agree.

    Parameters
    ----------
    reference, device : int arrays of shape (n_epochs,)
        Class of each epoch, -1 for none. The device may have classes beyond the reference's.
    n_classes : int
        Number of classes.

    Returns
    -------
    ClockJump or None
        None for a night of less than 3 h or fewer than three classes, or where a part has no kappa.
        `ClockJump.stands_out` says whether to believe it.

    Raises
    ------
    ValueError
        If the codes do not fit each other.
    """
    check_codes(reference, device, n_classes)
    blocks = Blocks.of(reference, device, n_classes, _LAGS, block_s=_JUMP_BLOCK_S)
    sums = np.moveaxis(blocks.counts, -1, 1).cumsum(axis=0)  # (blocks, offsets with context, k, k)
    least = round(LEAST_PART_S / _JUMP_BLOCK_S)
    if n_classes < FEWEST_CLASSES or len(sums) < round(LEAST_NIGHT_S / _JUMP_BLOCK_S):
        return None
    cuts = np.arange(least, len(sums) - least + 1)
    ends = zip(_best_offsets(sums[cuts - 1]), _best_offsets(sums[-1] - sums[cuts - 1]), strict=True)
    pairs = {(before, after) for before, after in ends if before is not None and after is not None}
    if not pairs:
        return None
    # of pairs that explain the night alike the one nearest to no jump, and to no offset
    by_size = sorted(pairs, key=lambda pair: (abs(pair[1] - pair[0]), abs(pair[0]), pair))
    best = max((_place_between(reference, device, *pair) for pair in by_size), key=lambda place: place.agreeing)
    kappa_of_both, scores = _worth_of(best, reference, device, n_classes)
    whole = sums[-1, _LAGS.inner]
    found = ClockJump(
        at_s=best.at * EPOCH_S,
        at_low_s=best.low * EPOCH_S,
        at_high_s=best.high * EPOCH_S,
        before_s=best.before * EPOCH_S,
        after_s=best.after * EPOCH_S,
        kappa=kappa_of_both,
        kappa_one_offset=float(np.nanmax(kappa_where_common(whole))),
        kappa_with_drift=NAN,
        score_before=scores[0],
        score_after=scores[1],
        agreeing=best.agreeing,
        agreeing_one_offset=int(np.trace(whole, axis1=1, axis2=2).max()),
    )
    jump_s = abs(found.after_s - found.before_s)
    if not found.stands_out or jump_s > _BEYOND_DRIFT_S:
        return found
    curves = drift_curves(blocks, (found.before_s + found.after_s) / 2.0, within_s=jump_s)
    return replace(found, kappa_with_drift=float(np.nanmax(curves)))


def _best_offsets(tables: Values) -> list[int | None]:
    """Return the best offset of each row of tables (epochs), the one nearest to 0 among equals; None without kappa."""
    peaks = (peak_position(curve, _LAGS.reach) for curve in kappa_where_common(tables)[:, _LAGS.inner])
    return [None if peak is None else peak - _LAGS.reach for peak in peaks]


class _Place(NamedTuple):
    """Two offsets, the end of the first part, the earliest and latest end as good, and how many epochs agree."""

    before: int
    after: int
    at: int
    low: int
    high: int
    agreeing: int

    @property
    def parts(self) -> tuple[slice, slice]:
        """Both parts of the reference's time.

        A device that goes on with an earlier time has nothing for so long: what it said before would count twice.
        """
        return slice(self.at), slice(self.at + max(0, self.after - self.before), None)


def _place_between(reference: ClassCodes, device: ClassCodes, before: int, after: int) -> _Place:
    """Return the place between two offsets with which most epochs agree."""
    scored, least = np.flatnonzero(reference >= 0), round(LEAST_PART_S / EPOCH_S)
    agree = []
    for shift in (before, after):
        agrees = (moved_later(device, shift) == reference) & (reference >= 0)
        agree.append(np.concatenate(([0], np.cumsum(agrees))))
    lost = max(0, after - before)
    first, last = int(scored[0]) + least, int(scored[-1]) + 1 - least
    ends = np.arange(first, max(first, last - lost) + 1)
    agreeing = agree[0][ends] + agree[1][-1] - agree[1][np.minimum(ends + lost, reference.size)]
    most = int(agreeing.max())
    as_good, top = ends[agreeing >= most - _AS_GOOD], ends[agreeing == most]
    return _Place(before, after, int(top[top.size // 2]), int(as_good[0]), int(as_good[-1]), most)


def _worth_of(
    place: _Place, reference: ClassCodes, device: ClassCodes, n_classes: int
) -> tuple[float, tuple[float, float]]:
    """Return kappa of the night with both offsets, and how far the peak of either part stands out."""
    both = np.full(device.size, -1, device.dtype)
    scores = []
    for part, shift in zip(place.parts, (place.before, place.after), strict=True):
        inside, moved = np.full(reference.size, -1, reference.dtype), moved_later(device, shift)
        inside[part], both[part] = reference[part], moved[part]
        curve = offset_curve(inside, moved, n_classes, _LAGS.context)
        scores.append(peak_score(curve, _LAGS.context, chance_curve(inside, moved, n_classes), step_s=EPOCH_S))
    return float(offset_curve(reference, both, n_classes, 0)[0]), (scores[0], scores[1])
