"""Factors of normal theory that exact intervals, tests and plans of agreement need.

References
----------
.. [1] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
   2015;92:e71-e80.
.. [2] Shieh G. The appropriateness of Bland-Altman's approximate confidence intervals for limits of
   agreement. BMC Med Res Methodol 2018;18:45.
.. [3] Shieh G. Assessing agreement between two methods of quantitative measurements: exact test procedure and
   sample size calculation. Stat Biopharm Res 2020;12:352-359.
"""

from __future__ import annotations

import math
from enum import Enum
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import check_whole
from sleepagree.inference.estimate import Z_95

Floats = NDArray[np.float64]

#: Standard normal quantile of .975: limits that hold the middle 95 % of the differences.
MULTIPLIER_95: Final = Z_95

#: No search for a number of participants goes beyond this.
MOST_PARTICIPANTS: Final = 1_000_000

_legendre: Final = lru_cache(maxsize=8)(np.polynomial.legendre.leggauss)
_NODES: Final = 160
_TAIL: Final = 1e-15
_FEW_DEGREES: Final = 4


class LimitsInterval(Enum):
    """How the uncertainty of a limit is expressed: ``EXACT`` with one night per participant, ``MOVER`` with several."""

    EXACT = "noncentral t"
    MOVER = "MOVER"


def check_positive(name: str, value: float) -> None:
    """Raise unless ``value`` is finite and above 0."""
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"{name} must be a positive number, got {value!r}")


def sd_nodes(*, degrees: float, high: float = math.inf) -> tuple[Floats, Floats]:
    """Return values of S/sigma and their probability weights (Gauss-Legendre on its logarithm).

    The sum of weights times a function of the values is its mean over the sampling distribution of S, the estimated SD,
    with ``degrees`` degrees of freedom, up to a bound of S/sigma.

    Returns
    -------
    tuple of ndarray
        Empty when there is no density below the bound; the weights sum to the probability below it.
    """
    from scipy.special import chdtri, gammaln

    # all but about 1e-15 on either side
    start = math.sqrt(float(chdtri(degrees, 1 - _TAIL)) / degrees) if degrees > _FEW_DEGREES else _TAIL ** (1 / degrees)
    stop = min(math.sqrt(float(chdtri(degrees, _TAIL)) / degrees), high)
    if stop <= start:
        return np.empty(0), np.empty(0)
    # On the logarithm of the ratio: with few degrees of freedom the density reaches far towards 0, and there
    # the steps that are averaged over are as narrow as the ratio is small.
    nodes, weights = _legendre(_NODES if degrees > _FEW_DEGREES else 3 * _NODES)
    half = degrees / 2
    width = math.log(stop / start)
    ratio = start * np.exp(width * (nodes + 1) / 2)
    constant = math.log(2) + half * math.log(half) - float(gammaln(half))
    density = np.exp(constant + (degrees - 1) * np.log(ratio) - half * ratio**2)
    return ratio, width / 2 * weights * ratio * density


def _check_reachable(name: str, probability: float) -> None:
    """Raise unless ``probability`` can be told from 0 and 1 with digits to spare."""
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
    from scipy.special import nctdtrit

    check_whole("n", n, least=2)
    _check_reachable("probability", probability)
    root = math.sqrt(n)
    return float(nctdtrit(n - 1, multiplier * root, probability)) / root


def one_limit_tail(*, n: int, multiplier: float, factor: float) -> float:
    """Return the upper tail of the noncentral t distribution beyond ``factor`` (exact).

    It is the p value of the one-sided test of one limit of agreement against a margin that lies ``factor`` estimated
    SD from the estimated mean: the probability of so large a distance or a larger one where the true limit touches the
    margin.

    Parameters
    ----------
    n : int
        Number of independent differences, at least 2.
    multiplier : float
        Distance of the limit from the mean in SD.
    factor : float
        Distance of the margin from the estimated mean in estimated SD.
    """
    from scipy.special import nctdtr

    check_whole("n", n, least=2)
    root = math.sqrt(n)
    return 1.0 - float(nctdtr(n - 1, multiplier * root, factor * root))


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
    from scipy.optimize import brentq
    from scipy.special import ndtri

    check_whole("n", n, least=2)
    _check_reachable("proportion", proportion)
    _check_reachable("alpha", alpha)
    touching = float(ndtri((1 + proportion) / 2))

    def excess(factor: float) -> float:
        return containment_power(n=n, factor=factor, bias=0.0, margin=touching) - alpha

    high = 1.0
    while excess(high) > 0:
        high *= 2
    return float(brentq(excess, high / 2 if high > 1 else 1e-6, high, xtol=1e-12, rtol=1e-14))


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
    ratio, weights = sd_nodes(degrees=n - 1, high=root * margin / factor)
    reach = root * margin - factor * ratio
    return float(np.dot(weights, ndtr(reach - root * bias) - ndtr(-reach - root * bias)))


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
    check_whole("n", n, least=2)
    half = (n - 1) / 2
    return math.sqrt(half) * math.exp(math.lgamma(half) - math.lgamma(half + 0.5))
