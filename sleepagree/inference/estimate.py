"""A reported number: value, interval, and why it is undefined where it is; and intervals of shares."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from sleepagree.errors import check_level
from sleepagree.inference.table_sums import Values, ratio

NAN = math.nan


def mean_of_known(values: Iterable[float]) -> float:
    """Return the mean of what is not nan, by a sum that does not depend on the order; nan of nothing."""
    known = [value for value in values if not math.isnan(value)]
    return math.fsum(known) / len(known) if known else NAN


def weighted_quantile(values: Values, weights: Values, part: float) -> float:
    """Return the value up to which that part of all weights lies, on the line between two values."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    return float(np.interp(part * reached[-1], reached, values[order]))


#: Where one unit has a larger share of all epochs than this, the others tell too little of how units vary.
LARGEST_SHARE: Final = 0.9


def uneven_units(sizes: npt.ArrayLike) -> tuple[Values, Values]:
    """Return what the variance of a ratio of sums over units is to be inflated by, and its degrees of freedom.

    The ratio is that of all units' hits and sizes, its variance the sum of the squared residuals over the squared sum
    of sizes. What units are like is taken to vary alike in large ones and in small ones.

    Parameters
    ----------
    sizes : array-like of shape (units, ...)
        Epochs of each unit that the ratio looks at.

    Returns
    -------
    inflation, degrees : ndarray of shape (...)
        n/(n - 1) and n - 1 of n units of one size, more and fewer of others; nan where nothing has a size.

    References
    ----------
    Bell RM, McCaffrey DF. Bias reduction in standard errors for linear regression with multi-stage samples. Surv
    Methodol 2002;28:169-181 (from memory), for a model of nothing but a mean: residuals are (I - 1 s') times the units'
    own ratios, s being sizes over their sum, so that the variance is a quadratic form in these; its trace, and that of
    its square, follow from sums of powers of s.

    Examples
    --------
    >>> [found.round(4).item() for found in uneven_units([900] * 8)]
    [1.1429, 7.0]
    >>> [found.round(2).item() for found in uneven_units([900, 900, 900, 9000] * 2)]
    [1.8, 1.3]
    """
    weights = np.asarray(sizes, dtype=np.float64)
    share = ratio(weights, weights.sum(axis=0))
    two, three, four, five = ((share**power).sum(axis=0) for power in (2, 3, 4, 5))
    trace = two - 2.0 * three + two**2
    of_square = four + 2.0 * three**2 + 4.0 * two * four + two**4 - 4.0 * five - 4.0 * two**2 * three
    # of equal units the degrees are a whole number but for rounding, and choices depend on it
    return ratio(two, np.where(trace > 0.0, trace, NAN)), np.round(ratio(trace**2, of_square), 9)


@dataclass(frozen=True)
class Estimate:
    """One reported number with its interval.

    Parameters
    ----------
    value : float
        Point estimate; nan when undefined, and then ``undefined_because`` is a sentence.
    low, high : float
        Interval at ``level``; nan where the method gives none.
    level : float
        Confidence level, between 0 and 1.
    n : int
        Units that the estimate rests on (epochs, nights or participants; ``method`` says which).
    method : str
        Name of the estimator and interval, as it may be printed.
    undefined_because : str
        Why ``value`` is nan, else "".
    se : float
        Standard error, or nan.

    Examples
    --------
    >>> kappa = Estimate(0.61, 0.55, 0.67, n=12, method="bootstrap over participants")
    >>> kappa.defined, kappa.high - kappa.value > 0
    (True, True)
    """

    value: float
    low: float = NAN
    high: float = NAN
    level: float = 0.95
    n: int = 0
    method: str = ""
    undefined_because: str = ""
    se: float = NAN

    def __post_init__(self) -> None:
        if math.isnan(self.value) and not self.undefined_because:
            raise ValueError("an undefined Estimate needs a sentence in undefined_because")

    @property
    def defined(self) -> bool:
        """Whether there is a value at all."""
        return not math.isnan(self.value)


def undefined(because: str, *, n: int = 0, method: str = "", level: float = 0.95) -> Estimate:
    """Return an estimate without a value and with the reason for it."""
    return Estimate(NAN, level=level, n=n, method=method, undefined_because=because)


# --- intervals of shares ----------------------------------------------------------------------------------


Z_95: Final = 1.959963984540054


@lru_cache(maxsize=16)
def normal_quantile(level: float) -> float:
    """Return z so that a standard normal variable lies within -z and z with probability ``level``.

    Parameters
    ----------
    level : float
        Between 0 and 1.

    Raises
    ------
    ValueError
        If ``level`` is not between 0 and 1.

    Examples
    --------
    >>> round(normal_quantile(0.95), 4)
    1.96
    """
    check_level(level)
    if level == 0.95:
        return Z_95  # the usual level, without the 6 ms that importing statistics costs
    from statistics import NormalDist

    return NormalDist().inv_cdf(0.5 + level / 2.0)


def wilson_interval(successes: npt.ArrayLike, n: npt.ArrayLike, *, level: float = 0.95) -> tuple[Values, Values]:
    """Return Wilson's score interval of shares.

    Parameters
    ----------
    successes, n : array-like
        Counts of epochs and their totals, of shapes that broadcast.
    level : float
        Confidence level.

    Returns
    -------
    low, high : ndarray
        Within 0 and 1, and exactly 0 or 1 where no epoch, or every epoch, is a success; nan where n is 0.
        Epochs are taken as independent.

    Raises
    ------
    ValueError
        If ``level`` is not between 0 and 1.

    References
    ----------
    Wilson EB (1927). Probable inference, the law of succession, and statistical inference. J Am Stat Assoc
    22:209-212.

    Examples
    --------
    >>> low, high = wilson_interval(5, 150)
    >>> f"{low:.4f} to {high:.4f}"
    '0.0143 to 0.0757'
    """
    return score_interval(successes, n, normal_quantile(level))


def score_interval(successes: npt.ArrayLike, n: npt.ArrayLike, z: float) -> tuple[Values, Values]:
    """Return Wilson's score interval with the quantile ``z``; ``n`` need not be whole."""
    hits = np.asarray(successes, dtype=np.float64)
    total = np.asarray(n, dtype=np.float64)
    centre = ratio(hits + z * z / 2.0, total + z * z)
    half = ratio(z * np.sqrt(ratio(hits * (total - hits), total) + z * z / 4.0), total + z * z)
    # At both ends centre and half-width cancel exactly on paper only.
    low = np.where(hits <= 0, 0.0, centre - half)
    high = np.where(hits >= total, 1.0, centre + half)
    empty = total <= 0
    return np.where(empty, np.nan, low), np.where(empty, np.nan, high)
