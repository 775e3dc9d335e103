"""Two tests against a margin stated beforehand: of the mean difference, and of the limits of agreement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from numpy.typing import ArrayLike

from sleepagree.errors import check_level
from sleepagree.inference.estimate import NAN, normal_quantile
from sleepagree.inference.limits import mover_half_widths, variance_parts
from sleepagree.inference.normal_theory import check_positive, one_limit_factor, one_limit_tail
from sleepagree.inference.people import Design, Moments, pair_nights, take_moments


@dataclass(frozen=True, slots=True)
class EquivalenceTest:
    """Two one-sided tests of the mean difference against a margin.

    Parameters
    ----------
    participants, nights, dropped : int
        What the test rests on, and nights left out.
    margin_low, margin_high : float
        Mean differences between these count as no difference that matters.
    alpha : float
        Size of each one-sided test.
    bias, low, high : float
        Mean difference and its interval at level 1 - 2 alpha.
    p_value : float
        Of the tests against the lower margin and the upper one the larger.
    equivalent : bool or None
        Whether ``p_value`` is under ``alpha`` (the interval lies inside the margins); None if undefined.
    method, undefined_because : str
        In words.
    """

    participants: int
    nights: int
    dropped: int
    margin_low: float
    margin_high: float
    alpha: float
    bias: float
    low: float
    high: float
    p_value: float
    equivalent: bool | None
    method: str
    undefined_because: str = ""


def equivalence_test(
    *,
    reference: ArrayLike,
    device: ArrayLike,
    participant: ArrayLike | Sequence[object],
    margin: float | tuple[float, float],
    alpha: float = 0.05,
) -> EquivalenceTest:
    """Test whether the mean difference lies within a margin stated beforehand.

    Two one-sided t tests on the participants' mean differences (or on the nights of one participant).

    Parameters
    ----------
    reference, device, participant
        As in :func:`fit_limits_of_agreement`.
    margin : float or (float, float)
        Half-width of a symmetric margin, or its two ends, in the unit of the measure.
    alpha : float
        Size of each test.

    Returns
    -------
    EquivalenceTest
        ``equivalent`` is None and the p values are nan with fewer than 2 units or without any spread.

    Raises
    ------
    ValueError
        If the margin is empty or ``alpha`` is not between 0 and .5.

    References
    ----------
    Schuirmann DJ. A comparison of the two one-sided tests procedure and the power approach for assessing the
    equivalence of average bioavailability. J Pharmacokinet Biopharm 1987;15:657-680.
    """
    from scipy.special import stdtr, stdtrit

    low_end, high_end = _margin_ends(margin)
    _check_alpha(alpha)
    nights = pair_nights(reference=reference, device=device, participant=participant)
    head = (nights.participants, len(nights.participant), nights.dropped, low_end, high_end, alpha)
    unit = "nights of one participant" if nights.design is Design.ONE_PARTICIPANT else "participants' means"
    method = f"two one-sided t tests on {unit} (Schuirmann 1987)"
    if nights.unit_count < 2:
        bias = float(nights.device[0] - nights.reference[0]) if nights.unit_count else NAN
        because = "The test needs at least 2 participants (or 2 nights of one participant)."
        return EquivalenceTest(*head, bias, NAN, NAN, NAN, None, method, because)
    of_difference = take_moments(nights.device - nights.reference, nights.units)
    degrees = nights.unit_count - 1
    se = math.sqrt(of_difference.variance_of_means / nights.unit_count)
    bias = of_difference.mean
    if se == 0:
        because = "All participants differ by the same amount, so there is no spread to test against."
        return EquivalenceTest(*head, bias, bias, bias, NAN, None, method, because)
    reach = float(stdtrit(degrees, 1 - alpha)) * se
    p_value = max(float(stdtr(degrees, z)) for z in (-(bias - low_end) / se, (bias - high_end) / se))
    return EquivalenceTest(*head, bias, bias - reach, bias + reach, p_value, p_value < alpha, method)


def _check_alpha(alpha: float) -> None:
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, got {alpha!r}")


def _margin_ends(margin: float | tuple[float, float]) -> tuple[float, float]:
    low, high = margin if isinstance(margin, tuple) else (-margin, margin)
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError(f"margin must be a positive number or (low, high) with low < high, got {margin!r}")
    return float(low), float(high)


@dataclass(frozen=True, slots=True)
class ContainmentTest:
    """Test that both limits of agreement lie within a margin.

    Parameters
    ----------
    participants, nights, dropped : int
        What the test rests on, and nights left out.
    margin, proportion, alpha : float
        The claim is that both limits of the middle ``proportion`` of the differences lie within -/+ ``margin``.
    bias, sd : float
        Mean, and SD of a single night's difference.
    low, high : float
        One-sided bounds, at level 1 - alpha each: the lower limit is not below ``low``, the upper one not above
        ``high``. The claim is made when both lie inside the margin.
    p_value : float
        The larger p value of the two one-sided tests. With several nights per participant it is told up to 0.5.
    contained : bool or None
        The verdict; None when undefined.
    method, undefined_because : str
        In words.
    """

    participants: int
    nights: int
    dropped: int
    margin: float
    proportion: float
    alpha: float
    bias: float
    sd: float
    low: float
    high: float
    p_value: float
    contained: bool | None
    method: str
    undefined_because: str = ""

    @property
    def limits(self) -> tuple[float, float]:
        """The limits of agreement that are tested, in the unit of the margin."""
        reach = normal_quantile(self.proportion) * self.sd
        return self.bias - reach, self.bias + reach


def containment_test(
    *,
    reference: ArrayLike,
    device: ArrayLike,
    participant: ArrayLike | Sequence[object],
    margin: float,
    proportion: float = 0.95,
    alpha: float = 0.05,
) -> ContainmentTest:
    """Test whether both limits of agreement lie within a margin stated beforehand.

    Unlike an equivalence test, which is about the mean, this is about single nights. Each limit has its own one-sided
    test and both have to be passed, so a false claim is made in at most ``alpha`` of studies whatever the bias.

    Parameters
    ----------
    reference, device, participant
        As in :func:`~sleepagree.inference.limits.fit_limits_of_agreement`.
    margin : float
        Largest difference that does no harm, in the unit of the measure.
    proportion : float
        Middle share of the differences that the limits hold.
    alpha : float
        Size of each test.

    Returns
    -------
    ContainmentTest
        One night each (or the nights of one participant): exact bounds by noncentral t [1]_. Several nights each: the
        outer ends of one-sided MOVER intervals [2]_. Undefined with fewer than 2 units or without any spread.

    Raises
    ------
    ValueError
        If ``margin`` is not positive, ``proportion`` not between 0 and 1, or ``alpha`` not between 0 and .5.

    References
    ----------
    .. [1] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
       2015;92:e71-e80, one limit at a time; intersection of the two as in Schuirmann 1987.
    .. [2] Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with multiple observations
       per individual. Stat Methods Med Res 2013;22:630-642.
    """
    from scipy.special import ndtri

    check_positive("margin", margin)
    check_level(proportion, "proportion")
    _check_alpha(alpha)
    nights = pair_nights(reference=reference, device=device, participant=participant)
    head = (nights.participants, len(nights.participant), nights.dropped, float(margin), proportion, alpha)
    several = nights.design is Design.SEVERAL_NIGHTS
    how = "MOVER bound (Zou 2013)" if several else "exact bound by noncentral t (Carkeet 2015)"
    method = f"one one-sided {how} for each limit of agreement"
    if nights.unit_count < 2:
        because = "The test needs at least 2 participants (or 2 nights of one participant)."
        return ContainmentTest(*head, NAN, NAN, NAN, NAN, NAN, None, method, because)
    moments = take_moments(nights.device - nights.reference, nights.units)
    bias, sd = moments.mean, math.sqrt(moments.total_variance)
    if sd == 0:
        because = "All participants differ by the same amount, so there is no spread to test against."
        return ContainmentTest(*head, bias, sd, bias, bias, NAN, None, method, because)
    multiplier = float(ndtri((1 + proportion) / 2))
    worst = (margin - abs(bias)) / sd
    if several:
        factor = _mover_factor(moments, multiplier, alpha)
        p_value = _mover_p(moments, multiplier, worst)
    else:
        factor = one_limit_factor(n=nights.unit_count, multiplier=multiplier, probability=1 - alpha)
        p_value = one_limit_tail(n=nights.unit_count, multiplier=multiplier, factor=worst)
    low, high = bias - factor * sd, bias + factor * sd
    return ContainmentTest(*head, bias, sd, low, high, p_value, -margin < low and high < margin, method)


def _mover_factor(moments: Moments, multiplier: float, alpha: float) -> float:
    """Return how many SD from the bias the one-sided bound of a limit lies; within it for sizes above a half."""
    outer, inner = mover_half_widths(
        variance_parts(moments), count=len(moments.means), level=abs(1 - 2 * alpha), multiplier=multiplier
    )
    beyond = float(outer) if alpha <= 0.5 else -float(inner)
    return multiplier + beyond / math.sqrt(moments.total_variance)


_SMALLEST_P: Final = 1e-9


def _mover_p(moments: Moments, multiplier: float, worst: float) -> float:
    """Return the size at which the bound reaches the nearer margin, between the sizes for which there is a bound."""
    from scipy.optimize import brentq

    def excess(alpha: float) -> float:
        return _mover_factor(moments, multiplier, alpha) - worst

    ends = _SMALLEST_P, 1 - _SMALLEST_P
    if excess(ends[0]) <= 0 or excess(ends[1]) >= 0:
        return ends[excess(ends[1]) >= 0]
    return float(brentq(excess, *ends))


def holm_adjusted(p_values: Sequence[float]) -> tuple[float, ...]:
    """Return p values adjusted for the number of tests.

    Parameters
    ----------
    p_values : sequence of float
        One for each test of the family; nan for a test that could not be made, which does not count.

    Returns
    -------
    tuple of float
        In the same order, nan where the p value is nan.

    References
    ----------
    Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70.

    Examples
    --------
    >>> holm_adjusted([0.01, 0.04, 0.03])
    (0.03, 0.06, 0.06)
    """
    order = sorted((i for i, p in enumerate(p_values) if not math.isnan(p)), key=lambda i: p_values[i])
    adjusted = [NAN] * len(p_values)
    largest = 0.0
    for rank, i in enumerate(order):
        largest = max(largest, min(1.0, (len(order) - rank) * p_values[i]))
        adjusted[i] = largest
    return tuple(adjusted)
