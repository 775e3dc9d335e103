"""Two tests against a margin stated beforehand: of the mean difference, and of the limits of agreement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from numpy.typing import ArrayLike

from sleepagree.inference.estimate import NAN
from sleepagree.inference.normal_theory import check_positive, containment_factor
from sleepagree.inference.people import Design, pair_nights, take_moments


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
    p_low, p_high, p_value : float
        Of the test against the lower margin, the upper one, and the larger of both.
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
    p_low: float
    p_high: float
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
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, got {alpha!r}")
    nights = pair_nights(reference=reference, device=device, participant=participant)
    head = (nights.participants, len(nights.participant), nights.dropped, low_end, high_end, alpha)
    unit = "nights of one participant" if nights.design is Design.ONE_PARTICIPANT else "participants' means"
    method = f"two one-sided t tests on {unit} (Schuirmann 1987)"
    if nights.unit_count < 2:
        bias = float(nights.device[0] - nights.reference[0]) if nights.unit_count else NAN
        because = "The test needs at least 2 participants (or 2 nights of one participant)."
        return EquivalenceTest(*head, bias, NAN, NAN, NAN, NAN, NAN, None, method, because)
    of_difference = take_moments(nights.device - nights.reference, nights.units)
    degrees = nights.unit_count - 1
    se = math.sqrt(of_difference.variance_of_means / nights.unit_count)
    bias = of_difference.mean
    if se == 0:
        because = "All participants differ by the same amount, so there is no spread to test against."
        return EquivalenceTest(*head, bias, bias, bias, NAN, NAN, NAN, None, method, because)
    reach = float(stdtrit(degrees, 1 - alpha)) * se
    p_low = float(stdtr(degrees, -(bias - low_end) / se))
    p_high = float(stdtr(degrees, (bias - high_end) / se))
    p_value = max(p_low, p_high)
    return EquivalenceTest(*head, bias, bias - reach, bias + reach, p_low, p_high, p_value, p_value < alpha, method)


def _margin_ends(margin: float | tuple[float, float]) -> tuple[float, float]:
    low, high = margin if isinstance(margin, tuple) else (-margin, margin)
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError(f"margin must be a positive number or (low, high) with low < high, got {margin!r}")
    return float(low), float(high)


@dataclass(frozen=True, slots=True)
class ContainmentTest:
    """Exact test that both limits of agreement lie within a margin.

    Parameters
    ----------
    participants, nights, dropped : int
        What the test rests on, and nights left out.
    margin, proportion, alpha : float
        The claim is that the middle ``proportion`` of the differences lies within -/+ ``margin``.
    bias, sd, factor : float
        Mean and SD of the differences, and gamma of :func:`containment_factor`.
    low, high : float
        ``bias -/+ factor * sd / sqrt(n)``; the claim is made when both lie inside the margin.
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
    factor: float
    low: float
    high: float
    contained: bool | None
    method: str
    undefined_because: str = ""


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

    Unlike an equivalence test, which is about the mean, this is about single nights.

    Parameters
    ----------
    reference, device, participant
        As in :func:`fit_limits_of_agreement`; one night per participant, or the nights of one participant.
    margin : float
        Largest difference that does no harm, in the unit of the measure.
    proportion : float
        Middle share of the differences that the limits hold.
    alpha : float
        Size of the test.

    Returns
    -------
    ContainmentTest
        Undefined with fewer than 2 differences, and with several nights per participant.

    References
    ----------
    Shieh 2020, see :func:`containment_factor`.
    """
    check_positive("margin", margin)
    nights = pair_nights(reference=reference, device=device, participant=participant)
    head = (nights.participants, len(nights.participant), nights.dropped, float(margin), proportion, alpha)
    method = "exact test of both limits of agreement against a margin (Shieh 2020)"
    because = ""
    if nights.design is Design.SEVERAL_NIGHTS:
        because = "The exact test holds for one night per participant; these are repeated."
    elif nights.unit_count < 2:
        because = "The test needs at least 2 participants (or 2 nights of one participant)."
    if because:
        return ContainmentTest(*head, NAN, NAN, NAN, NAN, NAN, None, method, because)
    of_difference = take_moments(nights.device - nights.reference, nights.units)
    sd = math.sqrt(of_difference.variance_of_means)
    factor = containment_factor(n=nights.unit_count, proportion=proportion, alpha=alpha)
    reach = factor * sd / math.sqrt(nights.unit_count)
    low, high = of_difference.mean - reach, of_difference.mean + reach
    inside = -margin < low and high < margin
    return ContainmentTest(*head, of_difference.mean, sd, factor, low, high, inside, method)
