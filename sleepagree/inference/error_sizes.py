"""How large the differences of nights are without supposing that they are normal.

Limits of agreement and their intervals hold for normal differences. Beside them stand figures that hold for any: how
many nights lie outside the limits, what share of nights differs by more than so many minutes, and centiles.

References
----------
.. [1] Wilson EB. Probable inference, the law of succession, and statistical inference. J Am Stat Assoc 1927;22:209-212.
.. [2] Stephens MA. EDF statistics for goodness of fit and some comparisons. J Am Stat Assoc 1974;69:730-737. With the
   factor for small samples and the 5 % point of D'Agostino RB, Stephens MA. Goodness-of-fit techniques. Dekker, 1986.
.. [3] Woodruff RS. Confidence intervals for medians and other position measures. J Am Stat Assoc 1952;47:635-646.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sleepagree.inference.estimate import NAN, normal_quantile, score_interval
from sleepagree.inference.limits import LimitsOfAgreement, Scale, are_outside
from sleepagree.inference.people import Design, Floats, PairedNights, pair_nights

#: Minutes beyond which the share of nights is told.
MINUTES_TOLD: Final = (15.0, 30.0, 60.0)

#: With fewer participants no centile of the differences is given.
FEWEST_FOR_CENTILES: Final = 40

#: With fewer nights no look at normality is taken.
FEWEST_FOR_NORMALITY: Final = 8

_CENTILES: Final = (5.0, 95.0)
#: Shares that differ by no more are alike.
_ROUNDING: Final = 1e-12
_ANDERSON_DARLING_5_PERCENT: Final = 0.752
#: Skewness and excess kurtosis up to which a departure is too small to matter, however many nights show it.
_SMALL_DEPARTURE: Final = 0.5


@dataclass(frozen=True, slots=True)
class ShareAbove:
    """Share of nights whose difference, up or down, is larger than a bound.

    Parameters
    ----------
    bound : float
        In the unit of the measure.
    nights : int
        Nights above it.
    share, low, high : float
        Mean over participants of their share of such nights, with its interval.
    """

    bound: float
    nights: int
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Centile:
    """A centile of the differences on the scale of the limits.

    Parameters
    ----------
    percent : float
        Per cent of nights below it.
    value, low, high : float
        Centile and distribution-free interval; an end is nan where so few nights have none.
    """

    percent: float
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ErrorSizes:
    """Sizes of the differences of one measure.

    Parameters
    ----------
    participants, nights : int
        What the figures rest on.
    outside : int or None
        Nights outside the limits of agreement; None without limits.
    expected_outside : float
        As many are expected of normal differences.
    shares_above : tuple of ShareAbove
        Smallest bound first.
    centiles : tuple of Centile
        5th and 95th; () with fewer than 40 participants.
    skewness, excess_kurtosis, anderson_darling : float
        Moments, and the statistic of Anderson and Darling with its factor for small samples; nan with fewer than 8
        nights or without spread.
    method : str
        In words.
    """

    participants: int
    nights: int
    outside: int | None
    expected_outside: float
    shares_above: tuple[ShareAbove, ...]
    centiles: tuple[Centile, ...]
    skewness: float
    excess_kurtosis: float
    anderson_darling: float
    method: str

    @property
    def is_not_normal(self) -> bool:
        """Whether the differences are shown not to be normal (5 %), by a departure that matters."""
        departs = max(abs(self.skewness), self.excess_kurtosis) > _SMALL_DEPARTURE
        return self.anderson_darling > _ANDERSON_DARLING_5_PERCENT and departs


def measure_error_sizes(
    *,
    reference: ArrayLike,
    device: ArrayLike,
    participant: ArrayLike | Sequence[object],
    limits: LimitsOfAgreement,
    bounds: Sequence[float] = MINUTES_TOLD,
) -> ErrorSizes:
    """Return how large differences are, without supposing that they are normal.

    Parameters
    ----------
    reference, device, participant
        As in :func:`~sleepagree.inference.limits.fit_limits_of_agreement`.
    limits : LimitsOfAgreement
        Fitted to these nights.
    bounds : sequence of float
        Sizes of a difference, in the unit of the measure, beyond which the share of nights is given.

    Returns
    -------
    ErrorSizes
        Shares have Wilson's interval [1]_: of nights with one night for each participant (or one participant), else
        with the number of independent nights that varies as the mean of the participants' shares does, and a
        quantile of Student's t. Centiles weigh every participant alike; their ends are the nights between which
        the true centile lies by the binomial distribution of that number [3]_.

    Examples
    --------
    >>> from sleepagree.inference.limits import fit_limits_of_agreement
    >>> nights = {"reference": [400, 380, 420, 390], "device": [410, 384, 470, 391], "participant": "ABCD"}
    >>> nights["participant"] = list(nights["participant"])
    >>> sizes = measure_error_sizes(**nights, limits=fit_limits_of_agreement(**nights), bounds=[15])
    >>> sizes.outside, [(above.nights, round(above.low, 2), round(above.high, 2)) for above in sizes.shares_above]
    (0, [(1, 0.05, 0.7)])
    """
    nights = pair_nights(reference=reference, device=device, participant=participant)
    raw = nights.device - nights.reference
    scaled = raw
    if limits.scale is Scale.LOG_RATIO:
        scaled = np.full(raw.size, NAN) if math.isnan(limits.bias) else np.log(nights.device / nights.reference)
    outside = None
    if not math.isnan(limits.lower) and raw.size:
        outside = int(np.count_nonzero(are_outside(scaled, limits.lower, limits.upper)))
    several = nights.design is Design.SEVERAL_NIGHTS
    method = "Wilson's interval of shares" + (" with the effective number of nights and t" if several else "")
    has_centiles = nights.participants >= FEWEST_FOR_CENTILES and not np.isnan(scaled).any()
    if has_centiles:
        method += "; centiles with distribution-free intervals (Woodruff 1952)"
    return ErrorSizes(
        nights.participants,
        raw.size,
        outside,
        raw.size * math.erfc(limits.multiplier / math.sqrt(2)),
        tuple(_share_above(np.abs(raw), bound, nights, limits.level) for bound in sorted(set(bounds))),
        tuple(_centile(scaled, percent, nights, limits.level) for percent in _CENTILES) if has_centiles else (),
        *_look_at_normality(scaled),
        method,
    )


def _share_above(sizes: Floats, bound: float, nights: PairedNights, level: float) -> ShareAbove:
    above = sizes > bound
    share, count, quantile = _effective_count(above.astype(np.float64), nights, level)
    low, high = score_interval(share * count, count, quantile)
    return ShareAbove(bound, int(np.count_nonzero(above)), share, float(low), float(high))


def _effective_count(hit: Floats, nights: PairedNights, level: float) -> tuple[float, float, float]:
    """Return the mean of units' shares, the independent nights that vary alike, and the quantile to take with them."""
    from scipy.special import stdtrit

    if not hit.size:
        return NAN, 0.0, normal_quantile(level)
    units, n = nights.units, nights.unit_count
    shares = np.bincount(units, hit) / np.bincount(units)
    share = float(shares.mean())
    if nights.design is not Design.SEVERAL_NIGHTS:
        return share, float(n), normal_quantile(level)
    variance = float(shares.var(ddof=1)) / n
    # the same share in everybody, but for rounding, tells nothing of independence: as few nights as participants
    count = n if float(np.ptp(shares)) <= _ROUNDING else min(max(share * (1 - share) / variance, n), hit.size)
    return share, float(count), float(stdtrit(n - 1, (1 + level) / 2))


def _centile(values: Floats, percent: float, nights: PairedNights, level: float) -> Centile:
    from scipy.special import bdtr

    order = np.argsort(values, kind="stable")
    weight = (1 / np.bincount(nights.units)[nights.units])[order]
    reached = np.cumsum(weight) / weight.sum()
    ranked = values[order]

    def at(share: float) -> float:
        return float(ranked[min(int(np.searchsorted(reached, share - 1e-12)), ranked.size - 1)])

    share = percent / 100
    value = at(share)
    _, effective, _ = _effective_count((values <= value).astype(np.float64), nights, level)
    count = int(effective)
    below = bdtr(np.arange(count), count, share)  # so many nights, or fewer, lie below the true centile
    tail = (1 - level) / 2
    first, last = int(np.count_nonzero(below < tail)), int(np.count_nonzero(below < 1 - tail)) + 1
    return Centile(percent, value, at(first / count) if first else NAN, at(last / count) if last <= count else NAN)


def _look_at_normality(values: Floats) -> tuple[float, float, float]:
    """Return skewness, excess kurtosis, and the statistic of Anderson and Darling for an estimated normal law."""
    from scipy.special import log_ndtr

    n = values.size
    if n < FEWEST_FOR_NORMALITY or np.isnan(values).any() or float(np.ptp(values)) == 0.0:
        return NAN, NAN, NAN
    centred = values - values.mean()
    spread = math.sqrt(float((centred**2).mean()))
    skewness, kurtosis = (float((centred**power).mean()) / spread**power for power in (3, 4))
    z = np.sort(centred) / (spread * math.sqrt(n / (n - 1)))
    odd = 2 * np.arange(1, n + 1) - 1
    squared = -n - float((odd * (log_ndtr(z) + log_ndtr(-z[::-1]))).mean())
    return skewness, kurtosis - 3.0, squared * (1 + 0.75 / n + 2.25 / n**2)
