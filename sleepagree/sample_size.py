"""Published sample sizes: for limits of agreement, for kappa, and what clustering of epochs costs.

Every formula takes independent units, one night of one participant each. Epochs of a night are not
independent: multiply by a design effect, or plan in participants with :mod:`sleepagree.planning`.

References
----------
.. [1] Jan SL, Shieh G. The Bland-Altman range of agreement: exact interval procedure and sample size
   determination. Comput Biol Med 2018;100:247-252.
.. [2] Lu MJ, Zhong WH, Liu YX, Miao HZ, Li YC, Ji MH. Sample size for assessing agreement between two methods
   of measurement by Bland-Altman method. Int J Biostat 2016;12(2).
.. [3] Shieh G. Assessing agreement between two methods of quantitative measurements: exact test procedure and
   sample size calculation. Stat Biopharm Res 2020;12:352-359.
.. [4] Donner A, Eliasziw M. A goodness-of-fit approach to inference procedures for the kappa statistic:
   confidence interval construction, significance-testing and sample size estimation. Stat Med
   1992;11:1511-1519.
.. [5] Cantor AB. Sample-size calculations for Cohen's kappa. Psychol Methods 1996;1:150-153.
.. [6] Flack VF, Afifi AA, Lachenbruch PA, Schouten HJA. Sample size determinations for the two rater kappa
   statistic. Psychometrika 1988;53:321-325.
"""

from __future__ import annotations

import math
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepagree.estimate import NAN
from sleepagree.normal_factors import (
    MOST_PARTICIPANTS,
    MULTIPLIER_95,
    check_count,
    check_positive,
    check_probability,
    containment_factor,
    containment_power,
    expect_over_sd,
    joint_range_factor,
    sd_bias_factor,
    smallest_count,
)
from sleepagree.record import record

Floats = NDArray[np.float64]


def _found(count: int | None, what: str) -> int:
    if count is None:
        raise ValueError(f"{what} takes more than {MOST_PARTICIPANTS} participants")
    return count


# --------------------------------------------------------------------------- published: limits of agreement


def participants_for_expected_range(
    *, half_range: float, sd: float = 1.0, content: float = 0.95, level: float = 0.95
) -> int:
    """Participants for an expected joint range of agreement of bias -/+ ``half_range`` at most.

    Parameters
    ----------
    half_range : float
        Half the wanted range between the outer limits, which enclose both true limits at once.
    sd : float
        SD of the differences, in the same unit.
    content : float
        Middle share of the differences that the true limits hold.
    level : float
        Confidence level.

    Returns
    -------
    int
        With one night per participant.

    Raises
    ------
    ValueError
        If ``half_range`` is not beyond the true limits, which no number of participants can beat.

    References
    ----------
    Jan & Shieh 2018.

    Examples
    --------
    >>> participants_for_expected_range(half_range=2.4)
    74
    """
    _check_half_range(half_range, sd, content)
    check_probability("level", level)
    count = smallest_count(
        lambda n: joint_range_factor(n=n, content=content, level=level) / sd_bias_factor(n=n) <= half_range / sd,
        at_least=2,
    )
    return _found(count, "this half_range")


def assurance_of_range(
    *, n: int, half_range: float, sd: float = 1.0, content: float = 0.95, level: float = 0.95
) -> float:
    """Probability that the joint range of agreement will be bias -/+ ``half_range`` at most.

    Parameters and reference as in :func:`participants_for_expected_range`; ``n`` is the number of
    participants.

    Returns
    -------
    float
        Between 0 and 1.
    """
    from scipy.special import chdtr

    _check_half_range(half_range, sd, content)
    factor = joint_range_factor(n=n, content=content, level=level)
    return float(chdtr(n - 1, (n - 1) * (half_range / (factor * sd)) ** 2))


def participants_for_assured_range(
    *,
    half_range: float,
    sd: float = 1.0,
    assurance: float = 0.9,
    content: float = 0.95,
    level: float = 0.95,
) -> int:
    """Participants for a joint range of at most bias -/+ ``half_range`` with probability ``assurance``.

    Parameters, errors and reference as in :func:`participants_for_expected_range`.

    Returns
    -------
    int
        With one night per participant.

    Examples
    --------
    >>> participants_for_assured_range(half_range=2.5)
    115
    """
    check_probability("assurance", assurance)

    def enough(n: int) -> bool:
        reached = assurance_of_range(n=n, half_range=half_range, sd=sd, content=content, level=level)
        return reached >= assurance

    return _found(smallest_count(enough, at_least=2), "this half_range")


def _check_half_range(half_range: float, sd: float, content: float) -> None:
    from scipy.special import ndtri

    check_positive("sd", sd)
    check_probability("content", content)
    limit = float(ndtri((1 + content) / 2)) * sd
    if not half_range > limit:
        raise ValueError(
            f"half_range must be above {limit:g}, the distance of the true limits from the bias, got {half_range!r}"
        )


def power_of_limits(
    *,
    n: int,
    bias: float,
    sd: float,
    margin: float,
    multiplier: float = MULTIPLIER_95,
    alpha: float = 0.05,
) -> float:
    """Power to show that both limits of agreement lie within -/+ ``margin``, by their approximate intervals.

    Parameters
    ----------
    n : int
        Participants, one night each.
    bias, sd : float
        Assumed mean and SD of the differences.
    margin : float
        Largest difference that does no harm.
    multiplier : float
        SD between bias and limit.
    alpha : float
        Two-sided size, of the interval of each limit.

    Returns
    -------
    float
        Probability; 0 where the formula falls below.

    References
    ----------
    Lu et al. 2016: 1 - F(t; tau1) - F(t; tau2) with noncentral t and the 1999 variance of a limit.

    Examples
    --------
    >>> round(power_of_limits(n=78, bias=0.5, sd=2.5, margin=7.0), 4)
    0.9014
    """
    from scipy.special import ndtr, stdtrit

    check_count("n", n, at_least=2)
    check_positive("sd", sd)
    check_positive("margin", margin)
    check_probability("alpha", alpha)
    se = sd * math.sqrt(1 / n + multiplier**2 / (2 * (n - 1)))
    quantile = float(stdtrit(n - 1, 1 - alpha / 2))
    missed = 0.0
    for shift in (-bias, bias):
        distance = (margin + shift - multiplier * sd) / se
        missed += expect_over_sd(lambda ratio, d=distance: ndtr(quantile * ratio - d), degrees=n - 1)  # type: ignore[misc]
    return max(0.0, 1 - missed)


def participants_for_limits_power(
    *,
    power: float,
    bias: float,
    sd: float,
    margin: float,
    multiplier: float = MULTIPLIER_95,
    alpha: float = 0.05,
) -> int:
    """Participants for a wanted power of :func:`power_of_limits`.

    Returns
    -------
    int
        The smallest number with at least that power.

    Raises
    ------
    ValueError
        If the assumed limits do not lie within the margin.
    """
    check_probability("power", power)
    check_positive("sd", sd)
    _check_within_margin(bias, sd, margin, multiplier)

    def enough(n: int) -> bool:
        reached = power_of_limits(n=n, bias=bias, sd=sd, margin=margin, multiplier=multiplier, alpha=alpha)
        return reached >= power

    return _found(smallest_count(enough, at_least=3), "this power")


def _check_within_margin(bias: float, sd: float, margin: float, multiplier: float) -> None:
    reach = abs(bias) + multiplier * sd
    if not margin > reach:
        raise ValueError(f"margin must be above {reach:g}, the outer one of the assumed limits, got {margin!r}")


def power_of_containment(
    *, n: int, bias: float, sd: float, margin: float, proportion: float = 0.95, alpha: float = 0.05
) -> float:
    """Power of the exact test that the middle ``proportion`` of the differences lies within -/+ ``margin``.

    Parameters
    ----------
    n : int
        Participants, one night each.
    bias, sd : float
        Assumed mean and SD of the differences.
    margin : float
        Largest difference that does no harm.
    proportion : float
        Middle share of the differences.
    alpha : float
        Size of the test.

    Returns
    -------
    float
        Probability.

    References
    ----------
    Shieh 2020; the test is :func:`sleepagree.equivalence.containment_test`.

    Examples
    --------
    >>> round(power_of_containment(n=15, bias=0.011, sd=0.044, margin=0.1, proportion=0.8), 5)
    0.83154
    """
    check_positive("sd", sd)
    check_positive("margin", margin)
    factor = containment_factor(n=n, proportion=proportion, alpha=alpha)
    return containment_power(n=n, factor=factor, bias=bias / sd, margin=margin / sd)


def participants_for_containment(
    *, power: float, bias: float, sd: float, margin: float, proportion: float = 0.95, alpha: float = 0.05
) -> int:
    """Participants for a wanted power of :func:`power_of_containment`.

    Returns
    -------
    int
        The smallest number with at least that power.

    Raises
    ------
    ValueError
        If the assumed limits do not lie within the margin.
    """
    from scipy.special import ndtri

    check_probability("power", power)
    check_positive("sd", sd)
    check_probability("proportion", proportion)
    _check_within_margin(bias, sd, margin, float(ndtri((1 + proportion) / 2)))

    def enough(n: int) -> bool:
        reached = power_of_containment(n=n, bias=bias, sd=sd, margin=margin, proportion=proportion, alpha=alpha)
        return reached >= power

    return _found(smallest_count(enough, at_least=2), "this power")


# --------------------------------------------------------------------------- published: kappa


class Sides(Enum):
    """Whether a test looks in one direction or in both."""

    ONE = 1
    TWO = 2


def kappa_unit_variance(proportions: ArrayLike) -> float:
    """Large-sample variance of kappa times the number of independent epochs.

    Parameters
    ----------
    proportions : array-like of float, shape (k, k)
        Expected counts or proportions; rows = reference, columns = device.

    Returns
    -------
    float
        nan when chance agreement is complete.

    References
    ----------
    Fleiss, Cohen & Everitt 1969, as the variance of the influence values of single epochs.

    Examples
    --------
    >>> round(kappa_unit_variance([[0.35, 0.15], [0.15, 0.35]]), 4)     # 1 - kappa^2 at even margins
    0.84
    """
    table = np.asarray(proportions, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or (table < 0).any() or not table.sum() > 0:
        raise ValueError("proportions must be a square table without negative cells")
    table = table / table.sum()
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    chance = float(rows @ columns)
    if chance >= 1:
        return NAN
    agreed = float(np.trace(table))
    influence = (np.eye(len(table)) - agreed) / (1 - chance) - (1 - agreed) / (1 - chance) ** 2 * (
        columns[:, None] + rows[None, :] - 2 * chance
    )
    return float(np.sum(table * influence**2))


def two_class_table(*, kappa: float, reference_share: float, device_share: float | None = None) -> Floats:
    """Proportions of a 2 x 2 table with given kappa and shares of the first class.

    Parameters
    ----------
    kappa : float
        At most 1.
    reference_share, device_share : float
        Share of the first class on each side, between 0 and 1; ``device_share`` defaults to the same.

    Returns
    -------
    ndarray, shape (2, 2)
        Rows = reference, columns = device.

    Raises
    ------
    ValueError
        If no table has this kappa with these shares.

    Examples
    --------
    >>> two_class_table(kappa=0.4, reference_share=0.5).round(2).tolist()
    [[0.35, 0.15], [0.15, 0.35]]
    """
    a = reference_share
    b = reference_share if device_share is None else device_share
    check_probability("reference_share", a)
    check_probability("device_share", b)
    chance = a * b + (1 - a) * (1 - b)
    agreed = chance + kappa * (1 - chance)
    first = (agreed + a + b - 1) / 2
    table = np.array([[first, a - first], [b - first, agreed - first]])
    if (table < -1e-12).any():
        raise ValueError(f"kappa {kappa!r} is out of reach with shares {a!r} and {b!r}")
    return np.asarray(np.maximum(table, 0.0), dtype=np.float64)


def _quantile(alpha: float, sides: Sides) -> float:
    from scipy.special import ndtri

    return float(ndtri(1 - alpha / sides.value))


def units_for_kappa_difference(
    *,
    null_kappa: float,
    kappa: float,
    reference_share: float,
    device_share: float | None = None,
    alpha: float = 0.05,
    power: float = 0.8,
    sides: Sides = Sides.TWO,
) -> float:
    """Independent units for a test of kappa against a smaller value, two classes, margins given.

    Parameters
    ----------
    null_kappa, kappa : float
        Value to be refuted, and value assumed.
    reference_share, device_share : float
        As in :func:`two_class_table`.
    alpha, power : float
        Size and power.
    sides : Sides
        Of the test.

    Returns
    -------
    float
        Before rounding up. Units are independent ones; for epochs multiply by the design effect.

    References
    ----------
    Flack et al. 1988; Cantor 1996: [(z_alpha sqrt(Q0) + z_beta sqrt(Q1)) / (k1 - k0)]^2.

    Examples
    --------
    >>> round(units_for_kappa_difference(null_kappa=0.4, kappa=0.7, reference_share=0.5), 2)
    63.86
    """
    from scipy.special import ndtri

    check_probability("alpha", alpha)
    check_probability("power", power)
    if null_kappa == kappa:
        raise ValueError(f"kappa must differ from null_kappa, got {kappa!r} for both")
    variances = [
        kappa_unit_variance(two_class_table(kappa=k, reference_share=reference_share, device_share=device_share))
        for k in (null_kappa, kappa)
    ]
    reach = _quantile(alpha, sides) * math.sqrt(variances[0]) + float(ndtri(power)) * math.sqrt(variances[1])
    return (reach / (kappa - null_kappa)) ** 2


def units_for_kappa_fit(
    *, null_kappa: float, kappa: float, share: float, alpha: float = 0.05, power: float = 0.8
) -> float:
    """Independent units for a goodness-of-fit test of kappa, two raters with one share of the first class.

    Parameters
    ----------
    null_kappa, kappa : float
        Value to be refuted, and value assumed.
    share : float
        Share of the first class, the same for both raters.
    alpha, power : float
        Two-sided size, and power.

    Returns
    -------
    float
        Before rounding up. Units are independent ones; for epochs multiply by the design effect.

    References
    ----------
    Donner & Eliasziw 1992, with lambda = (z_{alpha/2} + z_beta)^2.

    Examples
    --------
    >>> round(units_for_kappa_fit(null_kappa=0.4, kappa=0.7, share=0.5), 3)
    73.256
    """
    from scipy.special import ndtri

    check_probability("alpha", alpha)
    check_probability("power", power)
    check_probability("share", share)
    if null_kappa == kappa:
        raise ValueError(f"kappa must differ from null_kappa, got {kappa!r} for both")
    assumed, null = (_common_model(k, share) for k in (kappa, null_kappa))
    noncentrality = (_quantile(alpha, Sides.TWO) + float(ndtri(power))) ** 2
    return noncentrality / float(np.sum((assumed - null) ** 2 / null))


def _common_model(kappa: float, share: float) -> Floats:
    table = two_class_table(kappa=kappa, reference_share=share)
    cells = [table[0, 0], table[0, 1] + table[1, 0], table[1, 1]]
    return np.array(cells, dtype=np.float64)


def units_for_kappa_width(*, width: float, unit_variance: float, level: float = 0.95) -> float:
    """Independent units for an interval of kappa of a wanted whole width.

    Parameters
    ----------
    width : float
        From low to high end.
    unit_variance : float
        See :func:`kappa_unit_variance`.
    level : float
        Confidence level.

    Returns
    -------
    float
        (2 z/width)^2 times ``unit_variance``, before rounding up.

    Examples
    --------
    >>> table = two_class_table(kappa=0.7, reference_share=0.5)
    >>> math.ceil(units_for_kappa_width(width=0.2, unit_variance=kappa_unit_variance(table)))
    196
    """
    check_positive("width", width)
    check_positive("unit_variance", unit_variance)
    check_probability("level", level)
    return (2 * _quantile(1 - level, Sides.TWO) / width) ** 2 * unit_variance


# --------------------------------------------------------------------------- design effect


def design_effect(*, cluster_sizes: ArrayLike, correlation: float) -> float:
    """Factor by which clustering multiplies the variance of a pooled figure.

    Parameters
    ----------
    cluster_sizes : array-like of float, shape (clusters,)
        Epochs per night (or per participant); one number for equal sizes.
    correlation : float
        Correlation of two epochs of one cluster.

    Returns
    -------
    float
        1 + ((1 + CV^2) mean size - 1) correlation, CV with divisor n; 1 + (m - 1) correlation for equal sizes.

    References
    ----------
    Kish L. Survey Sampling. Wiley 1965; unequal sizes: Eldridge SM, Ashby D, Kerry S. Int J Epidemiol
    2006;35:1292-1300.

    Examples
    --------
    >>> round(design_effect(cluster_sizes=960, correlation=0.05), 2)
    48.95
    """
    sizes = np.atleast_1d(np.asarray(cluster_sizes, dtype=np.float64))
    if sizes.ndim != 1 or not (sizes > 0).all() or not np.isfinite(sizes).all():
        raise ValueError("cluster_sizes must be positive numbers")
    if not -1 <= correlation <= 1:
        raise ValueError(f"correlation must lie between -1 and 1, got {correlation!r}")
    weighted = float(np.sum(sizes**2) / np.sum(sizes))  # (1 + CV^2) times the mean
    return 1 + (weighted - 1) * correlation


def nested_design_effect(
    *, nights: int, epochs_per_night: int, night_correlation: float, participant_correlation: float
) -> float:
    """Design effect of epochs within nights within participants, equal numbers.

    Parameters
    ----------
    nights, epochs_per_night : int
        Nights of a participant and scored epochs of a night.
    night_correlation, participant_correlation : float
        Correlation of two epochs of one night, and of two nights of one participant.

    Returns
    -------
    float
        1 + (e - 1) rho_night + e (m - 1) rho_participant, the variance of a sum of m e correlated values over
        that of independent ones.
    """
    check_count("nights", nights, at_least=1)
    check_count("epochs_per_night", epochs_per_night, at_least=1)
    within = (epochs_per_night - 1) * night_correlation
    return 1 + within + epochs_per_night * (nights - 1) * participant_correlation


def effective_size(*, size: float, effect: float) -> float:
    """Return the number of independent units that carry as much as ``size`` clustered ones.

    Parameters
    ----------
    size : float
        Units, such as all epochs.
    effect : float
        Design effect.

    Returns
    -------
    float
        ``size / effect``.

    Examples
    --------
    >>> round(effective_size(size=20 * 960, effect=48.95), 2)
    392.24
    """
    check_positive("effect", effect)
    return size / effect


@record()
class ClusterCorrelation:
    """Analysis of variance of agreement (yes or no) within clusters.

    Parameters
    ----------
    correlation : float
        Intraclass correlation of two epochs of one cluster; nan when undefined.
    between, within : float
        Mean squares.
    mean_size : float
        Average cluster size of the analysis, (N - sum m^2/N)/(K - 1).
    undefined_because : str
        Sentence, else "".
    """

    correlation: float
    between: float
    within: float
    mean_size: float
    undefined_because: str = ""


def correlation_of_agreement(*, agreed: ArrayLike, total: ArrayLike) -> ClusterCorrelation:
    """Estimate how alike epochs of one night (or participant) are in being scored alike.

    Parameters
    ----------
    agreed, total : array-like of int, shape (clusters,)
        Epochs on which device and reference agree, and all scored epochs, per night or participant.

    Returns
    -------
    ClusterCorrelation
        Undefined with fewer than 2 clusters, with one epoch each, or when all epochs agree or none does.

    References
    ----------
    Analysis-of-variance estimator, e.g. Ridout MS, Demetrio CGB, Firth D. Biometrics 1999;55:137-148.
    """
    hits, sizes = np.asarray(agreed, dtype=np.float64), np.asarray(total, dtype=np.float64)
    if hits.ndim != 1 or hits.shape != sizes.shape or (hits < 0).any() or (hits > sizes).any():
        raise ValueError("agreed must have one count per cluster, between 0 and total")
    hits, sizes = hits[sizes > 0], sizes[sizes > 0]
    clusters, count = len(sizes), float(sizes.sum())
    if clusters < 2 or count <= clusters:
        because = "A correlation within clusters needs at least 2 clusters, and one of 2 epochs or more."
        return ClusterCorrelation(NAN, NAN, NAN, NAN, because)
    share = hits / sizes
    overall = float(hits.sum()) / count
    between = float(np.sum(sizes * (share - overall) ** 2)) / (clusters - 1)
    within = float(np.sum(hits * (1 - share))) / (count - clusters)
    mean_size = (count - float(np.sum(sizes**2)) / count) / (clusters - 1)
    below = between + (mean_size - 1) * within
    if below == 0:
        because = "All epochs agree or none does, so nothing varies."
        return ClusterCorrelation(NAN, between, within, mean_size, because)
    return ClusterCorrelation((between - within) / below, between, within, mean_size)
