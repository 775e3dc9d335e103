"""A clock that jumps in the night: two offsets, and where the second begins, told apart from a drift."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN
from sleepagree.scoring.clock_blocks import Blocks, Lags, drift_curves
from sleepagree.scoring.coefficients import kappa
from sleepagree.scoring.offsets import (
    PEAK_SCALES_S,
    ClassCodes,
    Values,
    chance_curve,
    check_codes,
    kappa_where_common,
    moved_later,
    offset_curve,
    peak_position,
    peak_score,
)

REACH_S: Final = 10_800.0
"""Largest offset of either part: a clock that is an hour off may still be set to another zone, two hours away."""
LEAST_PART_S: Final = 3600.0
"""Shortest part of the night that gets an offset of its own."""
LEAST_NIGHT_S: Final = 10_800.0
"""Shortest night that is looked at."""
SMALLEST_JUMP_S: Final = 60.0
LEAST_GAIN: Final = 0.05
"""Kappa that two offsets must gain over one offset, and over one offset with a drift."""
LOWEST_PART_SCORE: Final = 4.5
"""How far the peak of either part must stand out, in standard deviations of chance peaks."""
FEWEST_CLASSES: Final = 3
"""Wake and sleep alone change too seldom: two offsets for two parts of a night fit anything."""
_BLOCK_S: Final = 300.0
_LAGS: Final = Lags(round(REACH_S / EPOCH_S), round(max(PEAK_SCALES_S) / EPOCH_S), EPOCH_S)
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
        Kappa of the night with both.
    kappa_one_offset, kappa_with_drift : float
        Kappa with the best offset alone, and with the best drift as well: nan where the two offsets are so far apart
        that no drift comes near them, and where two offsets are not worth proposing anyway.
    score_before, score_after : float
        How far the peak of either part stands out (:func:`sleepagree.scoring.offsets.peak_score`).
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
        """Whether two offsets are worth proposing instead of one offset or a drift."""
        return (
            abs(self.after_s - self.before_s) >= SMALLEST_JUMP_S
            and min(self.score_before, self.score_after) >= LOWEST_PART_SCORE
            and self.gain >= LEAST_GAIN
        )


def best_jump(reference: ClassCodes, device: ClassCodes, n_classes: int) -> ClockJump | None:
    """Return the two offsets, and the place between them, that explain a night best.

    For every place on a 5-min grid, both parts 1 h or longer, each part has its own best offset up to 3 h; the
    place with the highest kappa of both parts together is taken, and moved to the epoch before and after which most
    epochs agree.

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
    blocks = Blocks.of(reference, device, n_classes, _LAGS, block_s=_BLOCK_S)
    sums = np.moveaxis(blocks.counts, -1, 1).cumsum(axis=0)  # (blocks, offsets with context, k, k)
    least = round(LEAST_PART_S / _BLOCK_S)
    if n_classes < FEWEST_CLASSES or len(sums) < round(LEAST_NIGHT_S / _BLOCK_S):
        return None
    cuts = np.arange(least, len(sums) - least + 1)
    firsts, seconds = sums[cuts - 1], sums[-1] - sums[cuts - 1]
    tops = [_tops(tables) for tables in (firsts, seconds)]
    both = np.arange(cuts.size)
    kappas = kappa(firsts[both, tops[0]] + seconds[both, tops[1]])
    if np.isnan(kappas).all():
        return None
    best = int(np.nanargmax(kappas))
    before, after = (int(top[best]) - _LAGS.most for top in tops)
    jump = after - before
    at, low, high = _places(reference, device, before, after)
    parts = slice(at), slice(at + max(0, jump), None)
    scores = [
        _part_score(reference, moved_later(device, shift), part, n_classes)
        for part, shift in zip(parts, (before, after), strict=True)
    ]
    one = float(np.nanmax(kappa_where_common(sums[-1])[_LAGS.inner]))
    at_s, low_s, high_s, before_s, after_s = (epochs * EPOCH_S for epochs in (at, low, high, before, after))
    found = ClockJump(at_s, low_s, high_s, before_s, after_s, float(kappas[best]), one, NAN, scores[0], scores[1])
    jump_s = abs(jump) * EPOCH_S
    if not found.stands_out or jump_s > _BEYOND_DRIFT_S:
        return found
    curves = drift_curves(blocks, (before_s + after_s) / 2.0, within_s=jump_s)
    return replace(found, kappa_with_drift=float(np.nanmax(curves)))


def _part_score(reference: ClassCodes, moved: ClassCodes, part: slice, n_classes: int) -> float:
    """Return how far the peak of one part of the reference's time stands out, with the device at its best offset."""
    inside = np.full(reference.size, -1, reference.dtype)
    inside[part] = reference[part]
    curve = offset_curve(inside, moved, n_classes, _LAGS.context)
    return peak_score(curve, _LAGS.context, chance_curve(inside, moved, n_classes), step_s=EPOCH_S)


def _tops(tables: Values) -> Values:
    """Return the position of the best offset of each row of tables, the one nearest to 0 among equals."""
    curves = kappa_where_common(tables)[:, _LAGS.inner]
    return np.array([peak_position(curve, _LAGS.reach) or 0 for curve in curves]) + _LAGS.context


def _places(reference: ClassCodes, device: ClassCodes, before: int, after: int) -> tuple[int, int, int]:
    """Return the end of the first part with which most epochs agree, and the earliest and latest one as good."""
    scored, least = np.flatnonzero(reference >= 0), round(LEAST_PART_S / EPOCH_S)
    agree = []
    for shift in (before, after):
        agrees = (moved_later(device, shift) == reference) & (reference >= 0)
        agree.append(np.concatenate(([0], np.cumsum(agrees))))
    # a device that goes on with an earlier time has nothing for as long as that: nothing counts there
    lost = max(0, after - before)
    first, last = int(scored[0]) + least, int(scored[-1]) + 1 - least
    ends = np.arange(first, max(first, last - lost) + 1)
    agreeing = agree[0][ends] + agree[1][-1] - agree[1][np.minimum(ends + lost, reference.size)]
    as_good = ends[agreeing >= agreeing.max() - _AS_GOOD]
    top = ends[agreeing == agreeing.max()]
    return int(top[top.size // 2]), int(as_good[0]), int(as_good[-1])
