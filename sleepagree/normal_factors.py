"""Factors of normal theory that exact intervals, tests and sample sizes of agreement need.

Each is an average over the sampling distribution of S/sigma, the estimated SD over the true one, solved for
the factor by halving. They are computed here because the quantiles needed (noncentral t, two-sided content,
joint coverage) are partly in no general library, and one quadrature serves them all.

References
----------
.. [1] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
   2015;92:e71-e80.
.. [2] Shieh G. The appropriateness of Bland-Altman's approximate confidence intervals for limits of
   agreement. BMC Med Res Methodol 2018;18:45.
.. [3] Jan SL, Shieh G. The Bland-Altman range of agreement: exact interval procedure and sample size
   determination. Comput Biol Med 2018;100:247-252.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import Enum
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Standard normal quantile of .975: limits that hold the middle 95 % of the differences.
MULTIPLIER_95: Final = 1.959963984540054

#: No search for a number of participants goes beyond this.
MOST_PARTICIPANTS: Final = 1_000_000

_NODES: Final = 160
_TAIL: Final = 1e-15
_FEW_DEGREES: Final = 4


class LimitsInterval(Enum):
    """How the uncertainty of a limit is expressed.

    ``EXACT`` (one night per participant) and ``MOVER`` (several) are the defaults. The two approximations
    exist to reproduce published intervals; they are too narrow on the outer side in small samples.
    """

    EXACT = "noncentral t"
    MOVER = "MOVER"
    APPROXIMATE_1986 = "t with variance 3 s^2/n"
    APPROXIMATE_1999 = "large-sample variance of the limit"


def check_count(name: str, value: int, *, at_least: int) -> None:
    """Raise unless ``value`` is a whole number that is large enough."""
    if isinstance(value, bool) or int(value) != value:
        raise TypeError(f"{name} must be a whole number, got {value!r}")
    if value < at_least:
        raise ValueError(f"{name} must be at least {at_least}, got {value!r}")


def check_probability(name: str, value: float) -> None:
    """Raise unless ``value`` lies strictly between 0 and 1."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must lie between 0 and 1, got {value!r}")


def check_positive(name: str, value: float) -> None:
    """Raise unless ``value`` is finite and above 0."""
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"{name} must be a positive number, got {value!r}")


@lru_cache(maxsize=8)
def _legendre(count: int) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def _sd_density(ratio: Floats, degrees: float) -> Floats:
    """Density of S/sigma, the estimated SD over the true one, with ``degrees`` degrees of freedom."""
    from scipy.special import gammaln

    half = degrees / 2
    constant = math.log(2) + half * math.log(half) - float(gammaln(half))
    return np.asarray(np.exp(constant + (degrees - 1) * np.log(ratio) - half * ratio**2), dtype=np.float64)


def _sd_range(degrees: float) -> tuple[float, float]:
    """Interval that holds S/sigma but for about 1e-15 on either side."""
    from scipy.special import chdtri

    low = math.sqrt(float(chdtri(degrees, 1 - _TAIL)) / degrees) if degrees > _FEW_DEGREES else 1e-15 ** (1 / degrees)
    return low, math.sqrt(float(chdtri(degrees, _TAIL)) / degrees)


def expect_over_sd(
    function: Callable[[Floats], Floats], *, degrees: float, low: float = 0.0, high: float = math.inf
) -> float:
    """Average a function of S/sigma over the sampling distribution of S, between two bounds.

    Parameters
    ----------
    function : callable
        Takes an array of values of S/sigma and returns an array of the same shape. It should be smooth
        between ``low`` and ``high``.
    degrees : float
        Degrees of freedom of S, at least 1.
    low, high : float
        Part of the range to integrate over.

    Returns
    -------
    float
        Integral of the function times the density of S/sigma (Gauss-Legendre on its logarithm).

    Examples
    --------
    >>> round(expect_over_sd(lambda ratio: ratio, degrees=1), 6)    # sqrt(2/pi)
    0.797885
    """
    ratio, weights = sd_nodes(degrees=degrees, low=low, high=high)
    return float(np.dot(weights, function(ratio))) if len(ratio) else 0.0


def sd_nodes(*, degrees: float, low: float = 0.0, high: float = math.inf) -> tuple[Floats, Floats]:
    """Return values of S/sigma and their probability weights, for :func:`expect_over_sd`.

    Returns
    -------
    tuple of ndarray
        Empty when the density between the bounds is nil; the weights sum to the probability between them.
    """
    start, stop = _sd_range(degrees)
    start, stop = max(start, low), min(stop, high)
    if stop <= start:
        return np.empty(0), np.empty(0)
    # On the logarithm of the ratio: with few degrees of freedom the density reaches far towards 0, and there
    # the steps that are averaged over are as narrow as the ratio is small.
    nodes, weights = _legendre(_NODES if degrees > _FEW_DEGREES else 3 * _NODES)
    width = math.log(stop / start)
    ratio = start * np.exp(width * (nodes + 1) / 2)
    return ratio, width / 2 * weights * ratio * _sd_density(ratio, degrees)


def solve_rising(function: Callable[[float], float], *, low: float, high: float) -> float:
    """Return where a rising function crosses zero, by halving the bracket."""
    while high - low > 1e-13 * max(1.0, abs(high)):
        middle = (low + high) / 2
        if function(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _bracket_above(function: Callable[[float], float], start: float) -> float:
    high = max(start, 1.0)
    while function(high) < 0:
        high *= 2
    return high


def _check_reachable(name: str, probability: float) -> None:
    """Raise unless the quadrature can tell ``probability`` from 0 and 1 with digits to spare."""
    if not 1e-9 <= probability <= 1 - 1e-9:
        raise ValueError(f"{name} must lie between 0 and 1, at least 1e-9 away from both, got {probability!r}")


@lru_cache(maxsize=4096)
def one_limit_factor(*, n: int, multiplier: float, probability: float) -> float:
    """Factor k with P(mean + k S > mu + multiplier sigma) = ``probability`` (exact).

    It is a quantile of the noncentral t distribution with n - 1 degrees of freedom and noncentrality
    ``multiplier * sqrt(n)``, divided by sqrt(n). The interval of the upper limit of agreement runs from
    ``bias + k(.025) sd`` to ``bias + k(.975) sd``; that of the lower limit is its mirror image.

    Parameters
    ----------
    n : int
        Number of independent differences, at least 2.
    multiplier : float
        Distance of the limit from the mean in SD.
    probability : float
        Between 0 and 1.

    Returns
    -------
    float
        The factor.

    Raises
    ------
    ValueError
        If ``n`` is under 2 or ``probability`` is not between 0 and 1, 1e-9 away from both.

    References
    ----------
    Carkeet 2015 (one limit at a time); Shieh 2018.

    Examples
    --------
    >>> round(one_limit_factor(n=17, multiplier=1.959964, probability=0.975), 4)
    3.1483
    """
    from scipy.special import ndtr

    check_count("n", n, at_least=2)
    _check_reachable("probability", probability)
    root = math.sqrt(n)

    def excess(factor: float) -> float:
        return expect_over_sd(lambda ratio: ndtr(root * (factor * ratio - multiplier)), degrees=n - 1) - probability

    high = _bracket_above(excess, multiplier)
    low = -_bracket_above(lambda factor: -excess(-factor), 1.0)
    return solve_rising(excess, low=low, high=high)


@lru_cache(maxsize=4096)
def joint_range_factor(*, n: int, content: float = 0.95, level: float = 0.95) -> float:
    """Factor g so that mean -/+ g S encloses both true limits at once with probability ``level``.

    Parameters
    ----------
    n : int
        Number of independent differences, at least 2.
    content : float
        Middle share of the differences that the true limits hold.
    level : float
        Probability.

    Returns
    -------
    float
        The factor.

    References
    ----------
    Jan & Shieh 2018.

    Examples
    --------
    >>> round(joint_range_factor(n=17), 4)
    3.1042
    """
    from scipy.special import ndtr, ndtri

    check_count("n", n, at_least=2)
    _check_reachable("content", content)
    _check_reachable("level", level)
    limit = float(ndtri((1 + content) / 2))
    root = math.sqrt(n)

    def excess(factor: float) -> float:
        covered = expect_over_sd(
            lambda ratio: 2 * ndtr(root * (factor * ratio - limit)) - 1, degrees=n - 1, low=limit / factor
        )
        return covered - level

    return solve_rising(excess, low=limit * 1e-3, high=_bracket_above(excess, limit))


@lru_cache(maxsize=4096)
def content_factor(*, n: int, content: float = 0.95, probability: float = 0.975) -> float:
    """Factor k so that mean -/+ k S holds at least ``content`` of the differences with ``probability``.

    Parameters
    ----------
    n : int
        Number of independent differences, at least 2.
    content : float
        Share of the population of differences.
    probability : float
        Between 0 and 1.

    Returns
    -------
    float
        The factor of a two-sided tolerance interval for a content, not symmetric in its tails.

    References
    ----------
    Carkeet 2015 (both limits as a pair).

    Examples
    --------
    >>> round(content_factor(n=10, content=0.95, probability=0.95), 4)
    3.3934
    """
    from scipy.special import chdtrc, ndtr

    check_count("n", n, at_least=2)
    _check_reachable("content", content)
    _check_reachable("probability", probability)
    nodes, weights = _legendre(_NODES)
    # Where the sample mean lies, in SD of the mean; the integrand is even, so one half is enough.
    standard = 8.5 * (nodes + 1) / 2
    density = weights * 8.5 / 2 * 2 * np.exp(-(standard**2) / 2) / math.sqrt(2 * math.pi)
    shift = standard / math.sqrt(n)
    low, high = np.zeros_like(shift), shift + 40.0
    for _ in range(70):
        middle = (low + high) / 2
        enough = ndtr(shift + middle) - ndtr(shift - middle) >= content
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    reach = (low + high) / 2

    def excess(factor: float) -> float:
        return float(np.dot(density, chdtrc(n - 1, (n - 1) * (reach / factor) ** 2))) - probability

    return solve_rising(excess, low=1e-6, high=_bracket_above(excess, 1.0))


@lru_cache(maxsize=4096)
def containment_factor(*, n: int, proportion: float = 0.95, alpha: float = 0.05) -> float:
    """Factor gamma of the exact test that both limits of agreement lie within a margin.

    The test claims containment when mean -/+ gamma S/sqrt(n) lies inside -margin to +margin. ``gamma`` makes
    its size ``alpha`` where the true limits touch both margins.

    Parameters
    ----------
    n : int
        Number of independent differences, at least 2.
    proportion : float
        Middle share of the differences that the limits hold.
    alpha : float
        Size of the test.

    Returns
    -------
    float
        The factor.

    References
    ----------
    Shieh G. Assessing agreement between two methods of quantitative measurements: exact test procedure and
    sample size calculation. Stat Biopharm Res 2020;12:352-359.

    Examples
    --------
    >>> round(containment_factor(n=15, proportion=0.8), 4)
    6.3911
    """
    from scipy.special import ndtri

    check_count("n", n, at_least=2)
    _check_reachable("proportion", proportion)
    _check_reachable("alpha", alpha)
    touching = float(ndtri((1 + proportion) / 2))

    def excess(factor: float) -> float:
        return alpha - containment_power(n=n, factor=factor, bias=0.0, margin=touching)

    return solve_rising(excess, low=1e-6, high=_bracket_above(excess, 1.0))


def containment_power(*, n: int, factor: float, bias: float, margin: float) -> float:
    """Probability that mean -/+ factor S/sqrt(n) lies within -/+ margin; bias and margin in true SD.

    Parameters
    ----------
    n : int
        Number of independent differences.
    factor : float
        Usually :func:`containment_factor`.
    bias, margin : float
        In units of the true SD of the differences.

    Returns
    -------
    float
        Probability between 0 and 1.
    """
    from scipy.special import ndtr

    root = math.sqrt(n)

    def inside(ratio: Floats) -> Floats:
        reach = root * margin - factor * ratio
        return np.asarray(ndtr(reach - root * bias) - ndtr(-reach - root * bias), dtype=np.float64)

    return expect_over_sd(inside, degrees=n - 1, high=root * margin / factor)


def approximate_limit_half_width(
    *,
    n: int,
    sd: float,
    multiplier: float = MULTIPLIER_95,
    level: float = 0.95,
    form: LimitsInterval = LimitsInterval.APPROXIMATE_1999,
) -> float:
    """Half-width of the approximate t interval of a limit, as published before exact ones were in use.

    Parameters
    ----------
    n : int
        Number of independent differences, at least 2.
    sd : float
        SD of the differences.
    multiplier : float
        Distance of the limit from the mean in SD; used by the 1999 form only (the 1986 form has
        1 + multiplier^2/2 rounded to 3).
    level : float
        Confidence level.
    form : LimitsInterval
        ``APPROXIMATE_1986``: t sd sqrt(3/n). ``APPROXIMATE_1999``: t sd sqrt(1/n + multiplier^2/(2(n-1))).

    Returns
    -------
    float
        The half-width, in the unit of ``sd``.

    Raises
    ------
    ValueError
        If ``form`` is not one of the two approximations.

    References
    ----------
    Bland & Altman 1986; 1999, section 2.2.
    """
    from scipy.special import stdtrit

    check_count("n", n, at_least=2)
    check_probability("level", level)
    if form is LimitsInterval.APPROXIMATE_1986:
        variance = 3 / n
    elif form is LimitsInterval.APPROXIMATE_1999:
        variance = 1 / n + multiplier**2 / (2 * (n - 1))
    else:
        raise ValueError(f"form must be one of the two approximations, got {form!r}")
    return float(stdtrit(n - 1, (1 + level) / 2)) * sd * math.sqrt(variance)


def sd_bias_factor(*, n: int) -> float:
    """Return c with E(S) = sigma/c for the SD of n independent normal values.

    Parameters
    ----------
    n : int
        At least 2.

    Returns
    -------
    float
        Slightly above 1.

    References
    ----------
    Jan & Shieh 2018: c = sqrt((n-1)/2) Gamma((n-1)/2) / Gamma(n/2).

    Examples
    --------
    >>> round(sd_bias_factor(n=2), 6)   # sqrt(pi/2)
    1.253314
    """
    check_count("n", n, at_least=2)
    half = (n - 1) / 2
    return math.sqrt(half) * math.exp(math.lgamma(half) - math.lgamma(half + 0.5))


def smallest_count(enough: Callable[[int], bool], *, at_least: int) -> int | None:
    """Return the smallest count that is enough, for a condition that stays true once it is."""
    low, high = at_least - 1, at_least
    while not enough(high):
        low, high = high, high * 2
        if low >= MOST_PARTICIPANTS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        if enough(middle):
            high = middle
        else:
            low = middle
    return high
