"""Intervals of one series whose neighbouring values resemble each other, in closed form.

A share takes Wilson's interval [1] with the number of epochs that would tell as much if they were independent, and a
statistic with influence values takes its standard error from their long-run variance. Both numbers are estimated from
the series itself, so the quantile is Student's. No interval has width 0: a series that never changes tells as
much as its episodes are many.

References
----------
.. [1] Wilson EB. Probable inference, the law of succession, and statistical inference. J Am Stat Assoc 1927;22:209-212.
.. [2] Geyer CJ. Practical Markov chain Monte Carlo. Stat Sci 1992;7:473-483.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.inference.estimate import NAN, normal_quantile, score_interval

#: Lowest and highest part of simulated nights in which a 95 % interval of this module held the truth
#: (docs/evidence/calibration_nights.json, cut to per cent).
COVERAGE_OF_ONE_NIGHT: Final = (0.89, 1.0)

_STEPS: Final = 200
_TINY: Final = 1e-300
_LARGEST_LOG: Final = 600.0
_ROUNDING: Final = 1e-24  # below this, rounding is all that is left of a variance that is 0 on paper


class EpochsInterval(NamedTuple):
    """An interval from epochs that resemble their neighbours.

    Parameters
    ----------
    low, high : float
        Its ends, within the range of the statistic; nan without an epoch.
    effective : float
        Number of independent epochs that would tell as much.
    """

    low: float
    high: float
    effective: float


NOTHING: Final = EpochsInterval(NAN, NAN, 0.0)


@lru_cache(maxsize=4096)
def t_quantile(level: float, degrees: float) -> float:
    """Return t so that a variable of Student's distribution lies within -t and t with probability ``level``.

    In plain code, as importing scipy would take longer than everything else that one night asks for.

    Parameters
    ----------
    level : float
        Between 0 and 1.
    degrees : float
        Degrees of freedom, not necessarily whole. At 0 or below the quantile is infinite.

    Raises
    ------
    ValueError
        If ``level`` is not between 0 and 1.

    Examples
    --------
    >>> round(t_quantile(0.95, 9), 4)
    2.2622
    """
    start = normal_quantile(level)
    if degrees <= 0.0:
        return math.inf
    goal = math.log(1.0 - level)
    at = math.log(start + (start**3 + start) / (4.0 * degrees) if degrees > 2.0 else start)
    # The logarithm of the tail is concave in log t: Newton's steps cannot swing.
    for _ in range(_STEPS):
        tail = _two_tails(at, degrees)
        if tail <= _TINY:
            return math.inf
        log_density = (
            math.lgamma((degrees + 1) / 2)
            - math.lgamma(degrees / 2)
            - 0.5 * math.log(degrees * math.pi)
            - (degrees + 1) / 2 * _log_of_one_plus(2 * at - math.log(degrees))
        )
        slope = 2.0 * math.exp(log_density + at) / tail
        step = (math.log(tail) - goal) / slope
        at += step
        if at > _LARGEST_LOG:
            return math.inf
        if abs(step) < 1e-14:
            break
    return math.exp(at)


def _log_of_one_plus(log_value: float) -> float:
    """Return log(1 + exp(log_value)) without overflow."""
    return log_value + math.log1p(math.exp(-log_value)) if log_value > 0 else math.log1p(math.exp(log_value))


def _two_tails(log_t: float, degrees: float) -> float:
    """Return the probability beyond -t and t: the regularised incomplete beta function at degrees/(degrees + t^2)."""
    log_odds = 2 * log_t - math.log(degrees)
    inside, outside = 1 / (1 + math.exp(-log_odds)), 1 / (1 + math.exp(min(log_odds, 700.0)))
    a, b = degrees / 2, 0.5
    front = math.exp(
        math.lgamma(a + b)
        - math.lgamma(a)
        - math.lgamma(b)
        - a * _log_of_one_plus(log_odds)
        - b * _log_of_one_plus(-log_odds)
    )
    if outside < (a + 1) / (a + b + 2):
        return front * _beta_fraction(a, b, outside) / a
    return 1.0 - front * _beta_fraction(b, a, inside) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function (DLMF 8.17.22), by Lentz's method."""
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, _STEPS):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / (1.0 + term * d)
            c = 1.0 + term / c
            value *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return value


def share_interval(
    hits: NDArray[np.bool_], begins: NDArray[np.bool_], *, level: float = 0.95, alike: int | None = None
) -> EpochsInterval:
    """Return the interval of the share of epochs that are hits, when hits and misses last.

    Within an episode the answer is taken as a chain of two states, whose switch rates are counted with half a switch
    added; episodes are taken as independent of each other.

    Parameters
    ----------
    hits : bool array, shape (n_epochs,)
        Whether each epoch is a hit, in order of time.
    begins : bool array, shape (n_epochs,)
        Whether an episode begins with the epoch; the first epoch always begins one.
    level : float
        Confidence level.
    alike : int, optional
        What all epochs count as when they are all hits or all misses; by default the number of episodes.

    Returns
    -------
    EpochsInterval
        Within 0 and 1, and exactly 0 or 1 on the side where all epochs lie.

    Raises
    ------
    ValueError
        If ``level`` is not between 0 and 1 or the arrays differ in length.

    References
    ----------
    Wilson 1927 for the interval; the variance of the mean of a stationary chain is textbook.

    Examples
    --------
    Sixty epochs in three episodes, all of them hits:

    >>> found = share_interval(np.ones(60, bool), np.arange(60) % 20 == 0)
    >>> f"{found.low:.2f} to {found.high:.2f} from {found.effective:g}"
    '0.14 to 1.00 from 3'
    """
    if hits.shape != begins.shape:
        raise ValueError(f"hits and begins must have one length, not {hits.shape} and {begins.shape}")
    n = hits.size
    if not n:
        return NOTHING
    count = int(np.count_nonzero(hits))
    first = np.flatnonzero(begins | (np.arange(n) == 0))
    if count in (0, n):
        effective = float(min(n, first.size if alike is None else alike))
    else:
        effective = n * n / _epochs_of_chain(np.diff(np.append(first, n)), _persistence(hits, begins))
    return _wilson(count / n, effective, level)


def _wilson(share: float, effective: float, level: float) -> EpochsInterval:
    quantile = t_quantile(level, effective - 1.0)
    # below one degree of freedom the quantile soon exceeds what squares can hold, and then nothing is known
    if quantile > 1e100:
        return EpochsInterval(0.0, 1.0, effective)
    low, high = score_interval(share * effective, effective, quantile)
    # the product of a share of 1 and its epochs need not round to the epochs
    return EpochsInterval(float(low), 1.0 if share >= 1.0 else min(1.0, float(high)), effective)


def _persistence(hits: NDArray[np.bool_], begins: NDArray[np.bool_]) -> float:
    """Return the correlation of neighbours within episodes, half a switch added to those counted."""
    before, after = hits[:-1][~begins[1:]], hits[1:][~begins[1:]]
    stays = int(np.count_nonzero(before)), int(np.count_nonzero(~before))
    ends, starts = int(np.count_nonzero(before & ~after)), int(np.count_nonzero(~before & after))
    return max(0.0, 1.0 - (ends + 0.5) / (stays[0] + 1) - (starts + 0.5) / (stays[1] + 1))


def _epochs_of_chain(lengths: NDArray[Any], rho: float) -> float:
    """Return the sum over episodes of L + 2 sum_{k<L} (L - k) rho^k, the variance of a sum in units of one epoch's."""
    length = lengths.astype(np.float64)
    rest = 1.0 - rho
    return float(np.sum(length + 2.0 * (rho * length / rest - rho * (1.0 - rho**length) / rest**2)))


def effective_epochs(values: NDArray[np.float64]) -> float:
    """Return the number of independent values whose mean would vary as much as that of a series.

    The long-run variance is the larger of two: that of a first-order autoregression, and the sum of autocovariances as
    far as those of neighbouring pairs stay positive (Geyer's initial positive sequence).

    Parameters
    ----------
    values : array, shape (n,)
        The series, in order of time.

    Returns
    -------
    float
        At most n, as no series is taken to tell more than independent values would; nan where all are equal.

    References
    ----------
    Geyer 1992 for the sequence.
    """
    n = values.size
    if not n:
        return NAN
    centred = values - values.mean()
    variance = float(centred @ centred) / n
    if variance <= _ROUNDING * max(1.0, float(np.max(np.abs(values))) ** 2):
        return NAN
    covariances = _autocovariances(centred)
    rho = min(max(0.0, covariances[1] / variance + 1.0 / n), 1.0 - 1.0 / n) if n > 1 else 0.0
    by_order = variance * (1.0 + rho) / (1.0 - rho)
    pairs = covariances[: n - n % 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0.0)
    positive = pairs[: negative[0]] if negative.size else pairs
    by_sequence = 2.0 * float(positive.sum()) - variance
    return n * variance / max(by_order, by_sequence, variance)


def _autocovariances(centred: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the autocovariances at every lag, divided by n each."""
    n = centred.size
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    return np.fft.irfft(spectrum * spectrum.conj(), size)[:n] / n


def accuracy_interval(agrees: NDArray[np.bool_], bouts: int, *, level: float = 0.95) -> EpochsInterval:
    """Return the interval of the share of epochs that agree.

    Parameters
    ----------
    agrees : bool array, shape (n_epochs,)
        Whether both sides agree, in order of time.
    bouts : int
        Stretches of one class in the reference: what all epochs count as when none, or every one, disagrees.
    level : float
        Confidence level.

    Returns
    -------
    EpochsInterval
        Wilson's interval with :func:`effective_epochs` and Student's quantile.
    """
    if not agrees.size:
        return NOTHING
    effective = effective_epochs(agrees.astype(np.float64))
    return _wilson(float(agrees.mean()), float(bouts) if math.isnan(effective) else effective, level)


def kappa_interval(
    reference: NDArray[np.integer], device: NDArray[np.integer], *, level: float = 0.95
) -> EpochsInterval:
    """Return the interval of Cohen's kappa of one night.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Classes of both sides from 0 on, in order of time.
    level : float
        Confidence level.

    Returns
    -------
    EpochsInterval
        From the influence of each epoch on kappa and Student's quantile. Where that influence does not vary (perfect
        agreement, or a side that used one class only), or no epoch agrees, the interval of accuracy is carried over
        with the agreement expected by chance held. Nan where kappa is undefined. Within -1 and 1.
    """
    n = reference.size
    if not n:
        return NOTHING
    size = int(max(reference.max(), device.max())) + 1
    rows, columns = (np.bincount(side, minlength=size) / n for side in (reference, device))
    agrees = reference == device
    observed, by_chance = float(agrees.mean()), float(rows @ columns)
    if by_chance >= 1.0:
        return NOTHING
    kappa = (observed - by_chance) / (1.0 - by_chance)
    chance_of = columns[reference] + rows[device]
    influence = (agrees - observed - (1.0 - kappa) * (chance_of - 2.0 * by_chance)) / (1.0 - by_chance)
    effective = effective_epochs(influence)
    if math.isnan(effective) or not observed:
        low, high, effective = accuracy_interval(agrees, count_bouts(reference), level=level)
    else:
        # as many epochs as give accuracy, with chance agreement held, the standard error that kappa has
        variance = float(influence.var()) / effective
        alike = observed * (1.0 - observed) / ((1.0 - by_chance) ** 2 * variance)
        quantile = t_quantile(level, effective - 1.0)
        if quantile > 1e100:
            return EpochsInterval(-1.0, 1.0, effective)
        low, high = (float(end) for end in score_interval(observed * alike, alike, quantile))
    low, high = ((end - by_chance) / (1.0 - by_chance) for end in (low, high))
    return EpochsInterval(max(-1.0, low), min(1.0, high), effective)


def count_bouts(classes: NDArray[np.integer]) -> int:
    """Return how many stretches of one class a sequence has."""
    return int(np.count_nonzero(np.diff(classes))) + 1 if classes.size else 0


def episode_begins(at: NDArray[np.integer], *, longest_gap: float) -> NDArray[np.bool_]:
    """Return at which of the numbered epochs an episode begins: those after a gap of ``longest_gap`` epochs or more."""
    begins = np.ones(at.size, dtype=np.bool_)
    begins[1:] = np.diff(at) - 1 >= longest_gap
    return begins
