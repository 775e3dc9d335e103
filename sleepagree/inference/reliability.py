"""How well a device tells people apart, and a person's nights: correlations of device and reference.

Intraclass and concordance correlation say how well single values tell people apart in spite of disagreement, so both
rise with the variety of the people measured. They stand beside bias and limits of agreement, not in their place.
Within people it is asked whether the device follows the changes from night to night.

References
----------
.. [1] Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability. Psychol Bull
   1979;86:420-428.
.. [2] McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods
   1996;1:30-46.
.. [3] Lin LI. A concordance correlation coefficient to evaluate reproducibility. Biometrics 1989;45:255-268.
.. [4] Lin LI. A note on the concordance correlation coefficient. Biometrics 2000;56:324-325.
.. [5] Bland JM, Altman DG. Calculating correlation coefficients with repeated observations: part 1, correlation within
   subjects. BMJ 1995;310:446.
.. [6] Bakdash JZ, Marusich LR. Repeated measures correlation. Front Psychol 2017;8:456 (the interval).
.. [7] Beckerman H, Roebroeck ME, Lankhorst GJ, et al. Smallest real difference, a link between reproducibility and
   responsiveness. Qual Life Res 2001;10:571-578.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sleepagree.errors import check_level
from sleepagree.inference.estimate import NAN, Estimate, normal_quantile, undefined
from sleepagree.inference.people import Design, Floats, pair_nights, take_moments

_ALIKE: Final = "No two participants (or nights) differ on either side, so there is nothing to tell apart."


def _split_variance(table: Floats) -> tuple[float, ...]:
    """Return the mean squares of a table of values, one per target and method.

    Those between targets, between methods, and the rest: BMS, JMS and EMS of Shrout & Fleiss 1979.
    """
    n, k = table.shape
    grand = float(table.mean())
    of_targets, of_methods = table.mean(axis=1), table.mean(axis=0)
    rest = table - of_targets[:, None] - of_methods[None, :] + grand
    squares = (
        k * float(np.sum((of_targets - grand) ** 2)) / (n - 1),
        n * float(np.sum((of_methods - grand) ** 2)) / (k - 1),
        float(np.sum(rest**2)) / ((n - 1) * (k - 1)),
    )
    # What is left of equal values after rounding is no variance.
    rounding = n * k * (1e-15 * float(np.max(np.abs(table)))) ** 2
    return tuple(0.0 if square <= rounding else square for square in squares)


def intraclass_correlation(values: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Intraclass correlation ICC(A,1), absolute agreement of single values, with its F-based interval.

    Parameters
    ----------
    values : array-like of float, shape (targets, methods)
        One row per target (participant or night), one column per method (reference, device, ...).
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        ``n`` counts targets. nan with fewer than 2 targets, or when no two targets differ on any side. Where
        no variance is left within targets the value stands without an interval, and ``method`` says so.

    Raises
    ------
    ValueError
        If the table has fewer than 2 columns or is not finite.

    References
    ----------
    McGraw & Wong 1996, tables 4 and 7; Shrout & Fleiss 1979.

    Examples
    --------
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> icc = intraclass_correlation(table)
    >>> f"{icc.value:.2f} ({icc.low:.2f} to {icc.high:.2f})"
    '0.29 (0.02 to 0.76)'
    """
    check_level(level)
    table = np.asarray(values, dtype=np.float64)
    method = "ICC(A,1) with F interval (McGraw & Wong 1996)"
    if table.ndim != 2 or table.shape[1] < 2:
        raise ValueError(f"values must have one row per target and at least 2 methods, got shape {table.shape}")
    if not np.isfinite(table).all():
        raise ValueError("values must be finite in every cell, found nan or inf")
    n, k = table.shape
    nothing = partial(undefined, n=n, method=method, level=level)
    if n < 2:
        return nothing(f"An intraclass correlation needs at least 2 targets, here are {n}.")
    squares = _split_variance(table)
    if squares[0] == 0 and squares[2] == 0:
        return nothing(_ALIKE)
    single, low, high = _agreement(squares, n, k, level)
    if math.isnan(single):
        return nothing("The mean squares leave no variance between participants to divide by.")
    if not low <= single <= high:  # nan, or at a low level beside what approximate degrees of freedom give
        low = high = NAN
        method += "; these mean squares leave no interval"
    return Estimate(single, low, high, level, n, method)


def _agreement(squares: tuple[float, ...], n: int, k: int, level: float) -> tuple[float, float, float]:
    """Return coefficient and interval."""
    from scipy.special import fdtri

    between, of_methods, residual = squares
    tail = (1 + level) / 2
    value = _ratio(between - residual, between + (k - 1) * residual + k * (of_methods - residual) / n)
    if math.isnan(value) or value >= 1:
        return value, NAN, NAN
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    spread = (a * of_methods) ** 2 / (k - 1) + (b * residual) ** 2 / ((n - 1) * (k - 1))
    if spread == 0:  # mean squares so near to 0 that their squares vanish
        return value, NAN, NAN
    degrees = (a * of_methods + b * residual) ** 2 / spread
    if degrees < 0.1:
        # The terms cancel, which takes a coefficient well below 0; the F quantiles leave the range of numbers.
        return value, NAN, NAN
    upper = float(fdtri(n - 1, degrees, tail))
    lower = float(fdtri(degrees, n - 1, tail))
    common = k * of_methods + (k * n - k - n) * residual
    low = n * (between - upper * residual) / (upper * common + n * between)
    high = n * (lower * between - residual) / (common + n * lower * between)
    return value, low, high


def _ratio(above: float, below: float) -> float:
    # A denominator that only rounding keeps from 0 is 0.
    return above / below if below > 1e-12 * abs(above) else NAN


def concordance_correlation(*, reference: ArrayLike, device: ArrayLike, level: float = 0.95) -> Estimate:
    """Lin's concordance correlation coefficient with the interval by Fisher's z transform.

    Parameters
    ----------
    reference, device : array-like of float, shape (targets,)
        Paired values without nan.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        With ``se`` on the scale of the coefficient. nan with fewer than 3 targets or when neither side
        varies. When one side alone does not vary the coefficient is 0 by definition and has no interval;
        perfect concordance has none either.

    Raises
    ------
    ValueError
        If lengths differ or a value is not finite.

    References
    ----------
    Lin 1989 (moments with divisor n); variance as corrected in Lin 2000, with divisor n - 2.

    Examples
    --------
    >>> ccc = concordance_correlation(reference=[410, 365, 442, 398], device=[425, 371, 455, 390])
    >>> round(ccc.value, 3)
    0.933
    """
    from scipy.special import ndtri

    check_level(level)
    x, y = np.asarray(reference, dtype=np.float64), np.asarray(device, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"reference and device must be of one length, got shapes {x.shape} and {y.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("reference and device must be finite, found nan or inf")
    n = len(x)
    method = "concordance correlation (Lin 1989), z-transform interval with the variance of Lin 2000"
    nothing = partial(undefined, n=n, method=method, level=level)
    if n < 3:
        return nothing(f"A concordance correlation needs at least 3 targets, here are {n}.")
    if np.ptp(x) == 0 and np.ptp(y) == 0:
        return nothing(_ALIKE)
    # Only differences enter, so an offset common to both sides is taken away to keep digits.
    x, y = x - x.mean(), y - x.mean()
    shift = float(np.mean(y))
    y = y - shift
    var_x, var_y, cov = float(np.mean(x * x)), float(np.mean(y * y)), float(np.mean(x * y))
    total = var_x + var_y + shift**2
    value = max(-1.0, min(1.0, 2 * cov / total))  # rounding can carry it past its bounds
    product = math.sqrt(var_x * var_y)
    if product == 0 or value**2 >= 1 - 1e-15:
        why = "a side does not vary" if product == 0 else "concordance is perfect"
        return Estimate(value, level=level, n=n, method=f"{method}; no interval where {why}")
    accuracy = 2 * product / total  # rc / r, written so that r = 0 does no harm
    r, location = cov / product, shift**2 / product
    left = 1 - value**2
    variance_z = (
        (1 - r**2) * accuracy**2 / left
        + 2 * value**2 * accuracy * (1 - value) * location / left**2
        - (value * accuracy * location) ** 2 / (2 * left**2)
    ) / (n - 2)
    se_z = math.sqrt(max(variance_z, 0.0))
    reach = float(ndtri((1 + level) / 2)) * se_z
    z = math.atanh(value)
    return Estimate(value, math.tanh(z - reach), math.tanh(z + reach), level, n, method, "", se_z * left)


@dataclass(frozen=True, slots=True)
class Reliability:
    """ICC(A,1) and CCC of device and reference for one measure.

    Parameters
    ----------
    icc, ccc : Estimate
        Their ``n`` counts targets. A target is a participant (mean over the nights), or a night of the one participant.
    """

    icc: Estimate
    ccc: Estimate


def fit_reliability(
    *, reference: ArrayLike, device: ArrayLike, participant: ArrayLike | Sequence[object], level: float = 0.95
) -> Reliability:
    """Intraclass and concordance correlation of device and reference over participants.

    With several nights each, a target is a participant's mean over the nights: targets are then independent,
    as both intervals require, and the coefficients speak of such means; single nights agree less. With one
    participant the nights are the targets.

    Parameters
    ----------
    reference, device, participant, level
        As in :func:`sleepagree.inference.limits.fit_limits_of_agreement`.

    Returns
    -------
    Reliability
        ``method`` of both estimates names the target.
    """
    nights = pair_nights(reference=reference, device=device, participant=participant)
    left, right = (
        take_moments(side, nights.units).means if nights.unit_count else side
        for side in (nights.reference, nights.device)
    )
    about = {
        Design.EMPTY: "",
        Design.ONE_NIGHT_EACH: "; targets are participants, one night each",
        Design.SEVERAL_NIGHTS: "; targets are participants' means over their nights",
        Design.ONE_PARTICIPANT: "; targets are the nights of one participant, speaks of this person only",
    }[nights.design]
    icc = intraclass_correlation(np.column_stack([left, right]), level=level)
    ccc = concordance_correlation(reference=left, device=right, level=level)
    return Reliability(*(replace(found, method=found.method + about) for found in (icc, ccc)))


# --- changes within people --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WithinPeople:
    """Changes from night to night of the same person, on both sides.

    Parameters
    ----------
    participants, nights : int
        Participants with two nights or more, and their nights.
    correlation, low, high : float
        Correlation of reference and device about each person's own means, with its interval; nan where a side does not
        change, or too few nights are there.
    change_sd : float
        SD of a person's differences (device minus reference) about their mean.
    smallest_change, smallest_low, smallest_high : float
        Change between two nights of the device that its error alone passes in 1 - level of pairs, with its interval for
        normal errors; nan where no difference varies.
    """

    participants: int
    nights: int
    correlation: float
    low: float
    high: float
    change_sd: float
    smallest_change: float
    smallest_low: float
    smallest_high: float


def follow_changes(
    *, reference: ArrayLike, device: ArrayLike, participant: ArrayLike | Sequence[object], level: float = 0.95
) -> WithinPeople | None:
    """Return how a device follows changes between nights of the same person.

    Parameters
    ----------
    reference, device : array-like of float, shape (nights,)
        Values; nights with nan on a side are left out.
    participant : array-like, shape (nights,)
        Who slept.
    level : float
        Confidence level.

    Returns
    -------
    WithinPeople or None
        None where nobody has two nights. The correlation is that of analysis of covariance with a line of one slope
        for each participant [5]_; its interval is Fisher's with N - participants - 1 degrees of freedom [6]_. The
        smallest change is z sqrt(2) s with the SD s of a person's differences about their mean [7]_, its interval
        chi-square.

    Examples
    --------
    >>> found = follow_changes(reference=[60, 80, 100, 90, 70], device=[50, 75, 90, 70, 55], participant=list("aabbb"))
    >>> round(found.correlation, 3), round(found.smallest_change, 1)
    (0.974, 12.7)
    """
    from scipy.special import chdtri

    paired = pair_nights(reference=reference, device=device, participant=participant)
    if paired.design not in (Design.SEVERAL_NIGHTS, Design.ONE_PARTICIPANT):
        return None
    nights = np.bincount(paired.participant)
    kept = nights[paired.participant] > 1
    if not kept.any():
        return None
    x, y = (
        (side - (np.bincount(paired.participant, side) / nights)[paired.participant])[kept]
        for side in (paired.reference, paired.device)
    )
    people, count = int(np.count_nonzero(nights > 1)), int(np.count_nonzero(kept))
    correlation, low, high = _correlate(x, y, count - people - 1, level)
    degrees = count - people
    squares = float(((y - x) ** 2).sum())
    if squares <= 1e-12 * float((x**2).sum() + (y**2).sum()):
        # no difference varies: that any change is real is more than so few nights can tell
        return WithinPeople(people, count, correlation, low, high, 0.0, NAN, NAN, NAN)
    reach, tail = normal_quantile(level) * math.sqrt(2), (1 - level) / 2
    ends = (math.sqrt(squares / float(chdtri(degrees, share))) * reach for share in (tail, 1 - tail))
    sd = math.sqrt(squares / degrees)
    return WithinPeople(people, count, correlation, low, high, sd, reach * sd, *ends)


def _correlate(x: np.ndarray, y: np.ndarray, degrees: int, level: float) -> tuple[float, float, float]:
    """Return a correlation of deviations with its interval by Fisher's z."""
    size = math.sqrt(float(x @ x) * float(y @ y))
    if size == 0.0 or degrees < 1:
        return math.nan, math.nan, math.nan
    r = max(-1.0, min(1.0, float(x @ y) / size))
    if abs(r) == 1.0 or degrees < 2:
        return r, math.nan, math.nan
    # Fisher's standard error is that of degrees + 2 pairs: 1 / sqrt(degrees + 2 - 3)
    reach = normal_quantile(level) / math.sqrt(degrees - 1)
    return r, math.tanh(math.atanh(r) - reach), math.tanh(math.atanh(r) + reach)
