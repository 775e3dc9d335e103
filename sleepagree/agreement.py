"""Agreement of two sides from their table of counts.

Rows are the reference, columns are the device, cells are epochs. Every statistic here is a *kernel*: it takes
``counts`` of shape (..., k, k), where the leading axes are nights, participants or resamples, and returns one
float per table (shape (...,)) or one per table and class (shape (..., k)). Where a statistic is 0/0 the value
is nan, without a warning; `Statistic.explain` says why in words. Higher is better for all of them.

All of them, the standard errors apart, depend on a table only through its diagonal, its row sums and its
column sums. `margin_sums` takes these 3k numbers from each table by one matrix product, and resampling can
weigh them instead of the k*k cells.

Kernels do not check their cells (they run on millions of tables); `summarise_table` does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import fields
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from sleepagree.estimate import NAN, Estimate, undefined
from sleepagree.margins import (
    Counts,
    Margins,
    Values,
    count_margins,
    ratio,
    square_tables,
    widen_columns,
)
from sleepagree.record import record
from sleepagree.shares import normal_quantile

# ---------------------------------------------------------------------- statistics of a table, from margins


def _zero_to_nan(values: Values) -> Values:
    return np.where(values > 0.0, values, np.nan)


def _dot(left: Values, right: Values) -> Values:
    """Sum of products over the class axis, which comes first."""
    product: Values = np.einsum("i...,i...->...", left, right)
    return product


def _accuracy(m: Margins) -> Values:
    return ratio(m.agreed, m.n)


# Chance-corrected statistics are written as 1 - (disagreement)/(disagreement expected by chance), and the latter
# as a sum of terms that are never negative: where one class fills nearly all of 100 million epochs, n^2 minus
# something close to n^2 would lose every digit.


def _crossed(rows: Values, columns: Values, total: Values) -> Values:
    """Return n^2 (1 - pe): the pairs of a reference and a device epoch of different classes."""
    return _dot(rows, total - columns)


def _kappa(m: Margins) -> Values:
    return 1.0 - ratio(m.n * (m.n - m.agreed), _crossed(m.rows, m.columns, m.n))


def _pabak(m: Margins) -> Values:
    k = len(m.rows)
    return 1.0 - ratio(k * (m.n - m.agreed), (k - 1) * m.n)


def _ac1(m: Margins) -> Values:
    k = len(m.rows)
    both, twice = m.rows + m.columns, 2.0 * m.n
    even = (k - 1) * twice * twice
    return 1.0 - ratio(2.0 * (k - 1) * twice * (m.n - m.agreed), even - _crossed(both, both, twice))


def _scott_pi(m: Margins) -> Values:
    both, twice = m.rows + m.columns, 2.0 * m.n
    return 1.0 - ratio(2.0 * twice * (m.n - m.agreed), _crossed(both, both, twice))


def _mcc(m: Margins) -> Values:
    # The device's own total, so that weights which are not whole numbers still give an exact 0 for a device
    # that used one class only (both totals are n).
    total = m.columns.sum(axis=0)
    spread = _crossed(m.rows, m.rows, m.n) * _crossed(m.columns, m.columns, total)
    shared = _crossed(m.rows, m.columns, m.n) - m.n * (m.n - m.agreed)
    return ratio(shared, np.sqrt(_zero_to_nan(spread)))


def _balanced_accuracy(m: Margins) -> Values:
    occurs = m.rows > 0
    shares = np.divide(m.diagonal, m.rows, out=np.zeros_like(m.rows), where=occurs)
    return ratio(shares.sum(axis=0), occurs.sum(axis=0))


def _maximum_kappa(m: Margins) -> Values:
    unmatched = m.n - np.minimum(m.rows, m.columns).sum(axis=0)
    return 1.0 - ratio(m.n * unmatched, _crossed(m.rows, m.columns, m.n))


def _sensitivity(m: Margins) -> Values:
    return ratio(m.diagonal, m.rows)


def _specificity(m: Margins) -> Values:
    others = m.n - m.rows
    return ratio(others - (m.columns - m.diagonal), others)


def _ppv(m: Margins) -> Values:
    return ratio(m.diagonal, m.columns)


def _npv(m: Margins) -> Values:
    others = m.columns.sum(axis=0) - m.columns
    return ratio(others - (m.rows - m.diagonal), others)


def _f1(m: Margins) -> Values:
    return ratio(2.0 * m.diagonal, m.rows + m.columns)


def _class_kappa(m: Margins) -> Values:
    differ = m.rows + m.columns - 2.0 * m.diagonal
    return 1.0 - ratio(m.n * differ, m.rows * (m.n - m.columns) + (m.n - m.rows) * m.columns)


# --------------------------------------------------------------------------------------- the public kernels


def _classes_last(values: Values) -> Values:
    return np.moveaxis(values, 0, -1)


def accuracy(counts: Counts) -> Values:
    """Return the share of epochs on which both sides agree.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From 0 to 1; nan for an empty table.

    Examples
    --------
    >>> float(accuracy(np.array([[20, 20], [10, 50]])))
    0.7
    """
    return _accuracy(count_margins(counts))


def kappa(counts: Counts) -> Values:
    """Return Cohen's kappa: agreement in excess of chance, as a share of the excess possible.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From -1 to 1; nan for an empty table and where both sides used one and the same class only (chance
        agreement is then 1).

    References
    ----------
    Cohen J (1960). A coefficient of agreement for nominal scales. Educ Psychol Meas 20:37-46.

    Examples
    --------
    >>> round(float(kappa(np.array([[20, 20], [10, 50]]))), 3)
    0.348
    """
    return _kappa(count_margins(counts))


def pabak(counts: Counts) -> Values:
    """Return agreement corrected by even chance: (k po - 1)/(k - 1), which is 2 po - 1 for two classes.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device. Every class of the table counts, used or not.

    Returns
    -------
    ndarray of shape (...)
        From -1/(k-1) to 1; nan for an empty table.

    References
    ----------
    Brennan RL, Prediger DJ (1981). Coefficient kappa: some uses, misuses, and alternatives. Educ Psychol Meas
    41:687-699 (k classes). Byrt T, Bishop J, Carlin JB (1993). Bias, prevalence and kappa. J Clin Epidemiol
    46:423-429 (two classes, and the name).
    """
    return _pabak(count_margins(counts))


def ac1(counts: Counts) -> Values:
    """Return Gwet's AC1, whose chance agreement is small where one class prevails.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device. Every class of the table counts, used or not.

    Returns
    -------
    ndarray of shape (...)
        From -1 to 1; nan for an empty table.

    References
    ----------
    Gwet KL (2008). Computing inter-rater reliability and its variance in the presence of high agreement. Br J
    Math Stat Psychol 61:29-48.
    """
    return _ac1(count_margins(counts))


def scott_pi(counts: Counts) -> Values:
    """Return Scott's pi: like kappa, but chance is taken from the mean of both sides' shares.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From -1 to 1; nan for an empty table and where both sides used one and the same class only.

    References
    ----------
    Scott WA (1955). Reliability of content analysis: the case of nominal scale coding. Public Opin Q
    19:321-325.
    """
    return _scott_pi(count_margins(counts))


def mcc(counts: Counts) -> Values:
    """Return the correlation of two classifications into k classes (for two classes: Matthews' coefficient).

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From -1 to 1; nan where one of the two sides used one class only, as a constant correlates with
        nothing.

    References
    ----------
    Gorodkin J (2004). Comparing two K-category assignments by a K-category correlation coefficient. Comput
    Biol Chem 28:367-374.
    """
    return _mcc(count_margins(counts))


def balanced_accuracy(counts: Counts) -> Values:
    """Return the mean sensitivity over the classes that the reference holds.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From 0 to 1; a class without a reference epoch has no sensitivity and is left out of the mean; nan for
        an empty table.
    """
    return _balanced_accuracy(count_margins(counts))


def maximum_kappa(counts: Counts) -> Values:
    """Return the largest kappa that the two sides' shares of each class allow.

    Both margins are kept as they are, a device's bias included; `sleepagree.ceiling` instead keeps the
    reference margin and lets the device answer as well as its labels allow.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        (sum of the smaller of both shares - pe)/(1 - pe); nan where kappa is.

    References
    ----------
    Cohen J (1960). A coefficient of agreement for nominal scales. Educ Psychol Meas 20:37-46.
    """
    return _maximum_kappa(count_margins(counts))


def sensitivity(counts: Counts) -> Values:
    """Return for each class the share of its reference epochs that the device gave the class.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k)
        From 0 to 1; nan for a class without a reference epoch.
    """
    return _classes_last(_sensitivity(count_margins(counts)))


def specificity(counts: Counts) -> Values:
    """Return for each class the share of other classes' reference epochs that the device kept out of it.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k)
        From 0 to 1; nan for a class that the reference gave to every epoch.
    """
    return _classes_last(_specificity(count_margins(counts)))


def ppv(counts: Counts) -> Values:
    """Return for each class the share of its device epochs that the reference gave the class.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k)
        Positive predictive value, from 0 to 1; nan for a class that the device never said.
    """
    return _classes_last(_ppv(count_margins(counts)))


def npv(counts: Counts) -> Values:
    """Return for each class the share of other classes' device epochs that the reference kept out of it.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k)
        Negative predictive value, from 0 to 1; nan for a class that the device gave to every epoch.
    """
    return _classes_last(_npv(count_margins(counts)))


def f1(counts: Counts) -> Values:
    """Return for each class 2TP/(2TP + FP + FN), the harmonic mean of sensitivity and PPV.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k)
        From 0 to 1; nan for a class that neither side used.
    """
    return _classes_last(_f1(count_margins(counts)))


def class_kappa(counts: Counts) -> Values:
    """Return for each class Cohen's kappa of that class against the rest.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k)
        From -1 to 1; nan for a class that neither side used, or that both gave to every epoch.

    References
    ----------
    Cohen J (1960). A coefficient of agreement for nominal scales. Educ Psychol Meas 20:37-46.
    """
    return _classes_last(_class_kappa(count_margins(counts)))


def _two_classes(counts: Counts) -> Margins:
    table, k = square_tables(counts)
    if k != 2:
        raise ValueError(f"counts must have two classes, not {k}")
    return count_margins(table)


def prevalence_index(counts: Counts) -> Values:
    """Return (a - d)/n of tables a b / c d: by how much the first class prevails among agreed epochs.

    Parameters
    ----------
    counts : array of shape (..., 2, 2)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From -1 to 1; nan for an empty table.

    References
    ----------
    Byrt T, Bishop J, Carlin JB (1993). Bias, prevalence and kappa. J Clin Epidemiol 46:423-429.
    """
    m = _two_classes(counts)
    return ratio(m.diagonal[0] - m.diagonal[1], m.n)


def bias_index(counts: Counts) -> Values:
    """Return (b - c)/n of tables a b / c d: the reference's share of the first class less the device's.

    Parameters
    ----------
    counts : array of shape (..., 2, 2)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        From -1 to 1; nan for an empty table. Its sign is that of the cited paper; everywhere else in this
        package a bias is device minus reference.

    References
    ----------
    Byrt T, Bishop J, Carlin JB (1993). Bias, prevalence and kappa. J Clin Epidemiol 46:423-429.
    """
    m = _two_classes(counts)
    return ratio(m.rows[0] - m.columns[0], m.n)


# ------------------------------------------------------------------------------------------- standard errors


def kappa_influence(counts: Counts) -> Values:
    """Return how far one epoch of each cell pulls Cohen's kappa, times n.

    psi(x, y) = [I(x=y) - po]/(1 - pe) - (1 - po)/(1 - pe)^2 (b_x + a_y - 2 pe), with row shares a and column
    shares b. The sum over epochs is 0. The sum of psi^2 divided by n^2 is the variance of Fleiss, Cohen &
    Everitt (1969) for independent epochs; sums of psi within clusters give the clustered variance.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k, k)
        One value per cell, also for empty cells; nan where kappa is undefined.

    References
    ----------
    Fleiss JL, Cohen J, Everitt BS (1969). Large sample standard errors of kappa and weighted kappa. Psychol
    Bull 72:323-327.
    """
    m = count_margins(counts)
    observed = _accuracy(m)[..., None, None]
    rest = _zero_to_nan(ratio(_crossed(m.rows, m.columns, m.n), m.n * m.n))[..., None, None]
    row_share = _classes_last(ratio(m.rows, m.n))
    column_share = _classes_last(ratio(m.columns, m.n))
    pull = column_share[..., :, None] + row_share[..., None, :] - 2.0 * (1.0 - rest)
    return (np.eye(len(m.rows)) - observed) / rest - (1.0 - observed) / (rest * rest) * pull


def ac1_influence(counts: Counts) -> Values:
    """Return how far one epoch of each cell pulls AC1, times n.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (..., k, k)
        psi(x, y) = [I(x=y) - po]/(1 - pe) + (1 - po)/(1 - pe)^2 (pi_x + pi_y - 2 sum pi^2)/(k - 1), pi the
        mean of both sides' shares; nan for an empty table. The sum of psi^2 over epochs divided by n^2 is the
        variance of Gwet (2008) for two raters.

    References
    ----------
    Gwet KL (2008). Computing inter-rater reliability and its variance in the presence of high agreement. Br J
    Math Stat Psychol 61:29-48.
    """
    m = count_margins(counts)
    k = len(m.rows)
    observed = _accuracy(m)[..., None, None]
    share = ratio(m.rows + m.columns, 2.0 * m.n)
    concentration = _dot(share, share)[..., None, None]
    rest = 1.0 - (1.0 - concentration) / (k - 1)
    by_class = _classes_last(share)
    pull = (by_class[..., :, None] + by_class[..., None, :] - 2.0 * concentration) / (k - 1)
    return (np.eye(k) - observed) / rest + (1.0 - observed) / (rest * rest) * pull


def independent_se(counts: Counts, *, influence: Values) -> Values:
    """Return the large-sample standard error that takes epochs as independent.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.
    influence : array of shape (..., k, k)
        From `kappa_influence` or `ac1_influence` of the same tables.

    Returns
    -------
    ndarray of shape (...)
        Root of the sum of psi^2 over epochs, divided by n; nan where the influence is.
    """
    table = np.asarray(counts, dtype=np.float64)
    spread = np.einsum("...ij,...ij,...ij->...", table, influence, influence)
    return ratio(np.sqrt(spread), table.sum(axis=(-2, -1)))


def clustered_se(tables: Counts, *, influence: Values) -> Values:
    """Return the standard error of a pooled statistic whose epochs come in clusters.

    SE^2 = K/(K-1) sum over clusters of (sum of psi within the cluster)^2 / N^2, for K clusters and N epochs.

    Parameters
    ----------
    tables : array of shape (..., K, k, k)
        One table per cluster (participant).
    influence : array of shape (..., k, k)
        From `kappa_influence` or `ac1_influence` of the pooled table, ``tables.sum(axis=-3)``.

    Returns
    -------
    ndarray of shape (...)
        Nan with fewer than two clusters.

    References
    ----------
    Yang Z, Zhou M (2014). Kappa statistic for clustered matched-pair data. Stat Med 33:2612. Vanbelle S
    (2017). Comparing dependent kappa coefficients obtained on multilevel data. Biom J 59:1016-1034.
    """
    stack = np.asarray(tables, dtype=np.float64)
    clusters = stack.shape[-3]
    if clusters < 2:
        return np.full(stack.shape[:-3], np.nan)
    pulls = np.einsum("...cij,...ij->...c", stack, influence)
    spread = np.einsum("...c,...c->...", pulls, pulls) * (clusters / (clusters - 1))
    return ratio(np.sqrt(spread), stack.sum(axis=(-3, -2, -1)))


def kappa_se(counts: Counts) -> Values:
    """Return the large-sample standard error of Cohen's kappa, epochs taken as independent.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        Nan where kappa is. It is 0 for perfect agreement and for a side that used one class only: the
        approximation says nothing there.

    References
    ----------
    Fleiss JL, Cohen J, Everitt BS (1969). Large sample standard errors of kappa and weighted kappa. Psychol
    Bull 72:323-327.
    """
    return independent_se(counts, influence=kappa_influence(counts))


def kappa_null_se(counts: Counts) -> Values:
    """Return the standard error of Cohen's kappa under chance agreement, for the test of kappa = 0.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        Root of {pe + pe^2 - sum a_i b_i (a_i + b_i)}/[n (1 - pe)^2]; nan where kappa is.

    References
    ----------
    Fleiss JL, Cohen J, Everitt BS (1969). Large sample standard errors of kappa and weighted kappa. Psychol
    Bull 72:323-327.
    """
    m = count_margins(counts)
    row_share, column_share = ratio(m.rows, m.n), ratio(m.columns, m.n)
    products = row_share * column_share
    chance = products.sum(axis=0)
    spread = chance + chance * chance - _dot(products, row_share + column_share)
    return ratio(np.sqrt(np.maximum(spread, 0.0)), np.sqrt(m.n) * (1.0 - chance))


def ac1_se(counts: Counts) -> Values:
    """Return the large-sample standard error of AC1 for two raters, epochs taken as independent.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (...)
        With divisor n, as published; nan for an empty table.

    References
    ----------
    Gwet KL (2008). Computing inter-rater reliability and its variance in the presence of high agreement. Br J
    Math Stat Psychol 61:29-48.
    """
    return independent_se(counts, influence=ac1_influence(counts))


_LANDIS_KOCH: Final = (
    (0.20, "slight"),
    (0.40, "fair"),
    (0.60, "moderate"),
    (0.80, "substantial"),
    (1.00, "almost perfect"),
)


def describe_kappa(value: float) -> str:
    """Return the word that Landis & Koch (1977) attach to a kappa.

    The words are a convention with no standing beyond habit: their authors call the divisions arbitrary, and
    they take no account of the number of classes, of prevalence, or of what human scorers reach. The
    published bounds have two decimals and leave gaps (.60 to .61); here the unrounded value decides and a
    bound belongs to the lower word, so that the word never depends on the decimals printed: below 0 poor,
    from 0 to .20 slight, above .20 to .40 fair, above .40 to .60 moderate, above .60 to .80 substantial,
    above .80 almost perfect. A kappa of .604, printed as 0.60, is substantial.

    Parameters
    ----------
    value : float
        Kappa, from -1 to 1, or nan.

    Returns
    -------
    str
        ``"undefined"`` for nan.

    Raises
    ------
    ValueError
        If ``value`` is outside -1 to 1.

    References
    ----------
    Landis JR, Koch GG (1977). The measurement of observer agreement for categorical data. Biometrics
    33:159-174.

    Examples
    --------
    >>> describe_kappa(0.6), describe_kappa(0.605)
    ('moderate', 'substantial')
    """
    if math.isnan(value):
        return "undefined"
    if not -1.0 <= value <= 1.0:
        raise ValueError(f"value must lie between -1 and 1, not {value!r}")
    if value < 0.0:
        return "poor"
    return next(word for bound, word in _LANDIS_KOCH if value <= bound)


# ------------------------------------------------------------------------------- why a statistic has no value

NO_EPOCH: Final = "the table holds no epoch"
ONE_SHARED_CLASS: Final = "both sides used one class only, so chance agreement is 1"


def _only_class(sums: Values) -> bool:
    return int(np.count_nonzero(sums)) == 1


def _why_empty(m: Margins, _position: int) -> str:
    return NO_EPOCH if m.n == 0 else ""


def _why_no_chance(m: Margins, _position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    return ONE_SHARED_CLASS if _only_class(m.diagonal) and m.diagonal.max() == m.n else ""


def _why_no_spread(m: Margins, _position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    reference_constant, device_constant = _only_class(m.rows), _only_class(m.columns)
    if reference_constant and device_constant:
        return "each side used one class only, so there is nothing to correlate"
    if reference_constant:
        return "the reference used one class only, so there is nothing to correlate"
    if device_constant:
        return "the device used one class only, so there is nothing to correlate"
    return ""


def _why_no_reference(m: Margins, position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    return "the reference has no epoch of this class" if m.rows[position] == 0 else ""


def _why_no_reference_rest(m: Margins, position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    return "the reference has no epoch of any other class" if m.rows[position] == m.n else ""


def _why_no_device(m: Margins, position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    return "the device never reported this class" if m.columns[position] == 0 else ""


def _why_no_device_rest(m: Margins, position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    return "the device reported no other class" if m.columns[position] == m.n else ""


def _why_no_use(m: Margins, position: int) -> str:
    if m.n == 0:
        return NO_EPOCH
    return "neither side used this class" if m.rows[position] + m.columns[position] == 0 else ""


def _why_no_contrast(m: Margins, position: int) -> str:
    if m.diagonal[position] == m.n and m.n > 0:
        return "both sides gave this class to every epoch, so chance agreement is 1"
    return _why_no_use(m, position)


# ----------------------------------------------------------------------------------------------- the registry


@record()
class Statistic:
    """What is to be known of one statistic; `STATISTICS` holds one record for each.

    Parameters
    ----------
    name : str
        Name of the kernel in this module and of the field of `TableScores`.
    kernel : callable
        From counts (..., k, k) to values (...,), or (..., k) if ``per_class``.
    from_margins : callable
        The same from `Margins`, but with the class axis, if any, first.
    why_undefined : callable
        From `Margins` of one table and a class position to the reason for nan, "" where there is a value.
    reference : str
        Published source, as it may be printed.
    symmetric : bool
        Whether swapping reference and device leaves the value as it is.
    per_class : bool
        Whether there is one value for each class.
    lower, upper : float
        Bounds that no table passes.
    mirror : str
        Statistic that takes the value when the sides are swapped, "" if there is no other one.
    key : str
        Name in results, where it is not ``name``: a class's kappa is called kappa within the class.
    reported : bool
        Whether nights and studies report it; the others serve teaching and checks.
    """

    name: str
    kernel: Callable[[Counts], Values]
    from_margins: Callable[[Margins], Values]
    why_undefined: Callable[[Margins, int], str]
    reference: str
    symmetric: bool
    per_class: bool = False
    lower: float = 0.0
    upper: float = 1.0
    mirror: str = ""
    key: str = ""
    reported: bool = True

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", self.key or self.name)

    def explain(self, counts: Counts, *, position: int = 0) -> str:
        """Return why one table has no value of this statistic, "" where it has one.

        Parameters
        ----------
        counts : array of shape (k, k)
            Epochs; rows reference, columns device.
        position : int
            Position of the class, for a statistic of classes.
        """
        return self.why_undefined(count_margins(counts), position)


_COHEN: Final = "Cohen 1960"
_EVEN_CHANCE: Final = "Brennan & Prediger 1981; Byrt, Bishop & Carlin 1993"
_COMMON: Final = "common definition"
_of_classes: Final = partial(Statistic, per_class=True)

STATISTICS: Final[tuple[Statistic, ...]] = (
    Statistic("accuracy", accuracy, _accuracy, _why_empty, _COMMON, symmetric=True),
    Statistic("kappa", kappa, _kappa, _why_no_chance, _COHEN, symmetric=True, lower=-1.0),
    Statistic("pabak", pabak, _pabak, _why_empty, _EVEN_CHANCE, symmetric=True, lower=-1.0),
    Statistic("ac1", ac1, _ac1, _why_empty, "Gwet 2008", symmetric=True, lower=-1.0),
    Statistic("mcc", mcc, _mcc, _why_no_spread, "Gorodkin 2004", symmetric=True, lower=-1.0),
    Statistic("balanced_accuracy", balanced_accuracy, _balanced_accuracy, _why_empty, _COMMON, symmetric=False),
    Statistic(
        "scott_pi",
        scott_pi,
        _scott_pi,
        _why_no_chance,
        "Scott 1955",
        symmetric=True,
        lower=-1.0,
        reported=False,
    ),
    Statistic("maximum_kappa", maximum_kappa, _maximum_kappa, _why_no_chance, _COHEN, symmetric=True, reported=False),
    _of_classes("sensitivity", sensitivity, _sensitivity, _why_no_reference, _COMMON, symmetric=False, mirror="ppv"),
    _of_classes(
        "specificity",
        specificity,
        _specificity,
        _why_no_reference_rest,
        _COMMON,
        symmetric=False,
        mirror="npv",
    ),
    _of_classes("ppv", ppv, _ppv, _why_no_device, _COMMON, symmetric=False, mirror="sensitivity"),
    _of_classes("npv", npv, _npv, _why_no_device_rest, _COMMON, symmetric=False, mirror="specificity"),
    _of_classes("f1", f1, _f1, _why_no_use, _COMMON, symmetric=True),
    _of_classes(
        "class_kappa",
        class_kappa,
        _class_kappa,
        _why_no_contrast,
        _COHEN,
        symmetric=True,
        lower=-1.0,
        key="kappa",
    ),
)
TABLE_STATISTICS: Final = tuple(s for s in STATISTICS if s.reported and not s.per_class)
CLASS_STATISTICS: Final = tuple(s for s in STATISTICS if s.reported and s.per_class)
_NEED_ALL_CLASSES: Final = ("kappa", "pabak", "ac1", "mcc", "balanced_accuracy")


def find_statistic(name: str) -> Statistic:
    """Return the record of the statistic called ``name``.

    Raises
    ------
    ValueError
        If there is none; the message lists the names.
    """
    for statistic in STATISTICS:
        if statistic.name == name:
            return statistic
    raise ValueError(f"name must be one of {', '.join(s.name for s in STATISTICS)}, not {name!r}")


# ---------------------------------------------------------------------------------------- many tables at once


@record(eq=False)
class TableScores:
    """Every reported statistic of many tables; nan where undefined.

    Parameters
    ----------
    n : ndarray of shape (...)
        Epochs.
    accuracy, kappa, pabak, ac1, mcc, balanced_accuracy : ndarray of shape (...)
        One value per table.
    sensitivity, specificity, ppv, npv, f1, class_kappa : ndarray of shape (..., k)
        One value per table and reference class.
    """

    n: Values
    accuracy: Values
    kappa: Values
    pabak: Values
    ac1: Values
    mcc: Values
    balanced_accuracy: Values
    sensitivity: Values
    specificity: Values
    ppv: Values
    npv: Values
    f1: Values
    class_kappa: Values

    def __post_init__(self) -> None:
        for field in fields(self):
            values = np.array(getattr(self, field.name), dtype=np.float64)
            values.flags.writeable = False
            object.__setattr__(self, field.name, values)

    def __reduce__(self) -> tuple[type[TableScores], tuple[Values, ...]]:
        return TableScores, tuple(getattr(self, field.name) for field in fields(self))

    def of(self, statistic: Statistic) -> Values:
        """Return the values of one reported statistic."""
        values: Values = getattr(self, statistic.name)
        return values


def score_tables(counts: Counts, *, device_index: Sequence[int] | None = None) -> TableScores:
    """Return all reported statistics of many tables.

    Parameters
    ----------
    counts : array of shape (..., r, c)
        Epochs; rows reference, columns device.
    device_index : sequence of c int, optional
        Position of each device class among the reference classes; by default both sides have the same classes
        in the same order.

    Returns
    -------
    TableScores
        With fewer device classes than reference classes, the accuracy counts epochs of the lacking classes as
        not agreed; kappa, PABAK, AC1, MCC and balanced accuracy are nan, and so is every value of a lacking
        class.

    Raises
    ------
    ValueError
        If the shape does not fit.
    """
    table = np.asarray(counts)
    lacking: tuple[int, ...] = ()
    if device_index is not None:
        lacking = tuple(i for i in range(table.shape[-2]) if i not in device_index)
        table = widen_columns(table, device_index=device_index)
    margins = count_margins(table)
    values = {"n": margins.n}
    for statistic in TABLE_STATISTICS:
        value = statistic.from_margins(margins)
        values[statistic.name] = (
            np.full_like(value, np.nan) if lacking and statistic.name in _NEED_ALL_CLASSES else value
        )
    for statistic in CLASS_STATISTICS:
        value = statistic.from_margins(margins)
        if lacking:
            value[list(lacking)] = np.nan
        values[statistic.name] = _classes_last(value)
    return TableScores(**values)


# ------------------------------------------------------------------------------------------------ one table


@record()
class ClassAgreement:
    """Agreement on one class against the rest.

    Parameters
    ----------
    name : str
        Class.
    comparable : bool
        Whether the device can report the class; if not, all statistics are nan.
    reference_epochs, device_epochs : int
        Epochs that each side gave the class.
    sensitivity, specificity, ppv, npv, f1, kappa : float
        Nan where undefined.
    reasons : tuple of (str, str)
        For each undefined statistic its key and why.
    """

    name: str
    comparable: bool
    reference_epochs: int
    device_epochs: int
    sensitivity: float
    specificity: float
    ppv: float
    npv: float
    f1: float
    kappa: float
    reasons: tuple[tuple[str, str], ...] = ()

    def reason(self, key: str) -> str:
        """Return why the statistic called ``key`` is undefined, "" where it has a value."""
        return dict(self.reasons).get(key, "")


@record(eq=False)
class TableAgreement:
    """Agreement of one table: one night, or pooled nights.

    Parameters
    ----------
    reference_classes, device_classes : tuple of str
        Classes of the rows and of the columns.
    counts : ndarray of int, shape (rows, columns)
        Epochs, in the order of the classes; read-only.
    n : int
        Epochs.
    accuracy : float
        Share of epochs with the same class on both sides.
    kappa : Estimate
        Cohen's kappa with its large-sample interval.
    pabak, ac1, mcc, balanced_accuracy : float
        Nan where undefined.
    classes : tuple of ClassAgreement
        One for each reference class, in order.
    reasons : tuple of (str, str)
        For each undefined statistic of the table its key and why.
    """

    reference_classes: tuple[str, ...]
    device_classes: tuple[str, ...]
    counts: npt.NDArray[np.int64]
    n: int
    accuracy: float
    kappa: Estimate
    pabak: float
    ac1: float
    mcc: float
    balanced_accuracy: float
    classes: tuple[ClassAgreement, ...]
    reasons: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        counts = np.array(self.counts, dtype=np.int64)
        counts.flags.writeable = False
        object.__setattr__(self, "counts", counts)

    def __reduce__(self) -> tuple[type[TableAgreement], tuple[Any, ...]]:
        return TableAgreement, tuple(getattr(self, field.name) for field in fields(self))

    @property
    def unreported(self) -> tuple[str, ...]:
        """Reference classes that the device cannot report."""
        return tuple(name for name in self.reference_classes if name not in self.device_classes)

    def reason(self, key: str) -> str:
        """Return why the statistic called ``key`` is undefined, "" where it has a value."""
        return dict(self.reasons).get(key, "")


_KAPPA_METHOD: Final = "Cohen 1960; large-sample interval of Fleiss, Cohen & Everitt 1969, epochs taken as independent"


def chance_corrected_kappa(counts: Counts, *, level: float = 0.95) -> Estimate:
    """Return Cohen's kappa of one table with its large-sample interval.

    Parameters
    ----------
    counts : array of shape (k, k)
        Epochs; rows reference, columns device.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Undefined for an empty table and where both sides used one and the same class only. ``se`` is that of
        Fleiss, Cohen & Everitt (1969); limits are cut at -1 and 1, and ``method`` says when. Where the
        standard error is 0 (perfect agreement, or a side with one class only) there is no interval, as one of
        width 0 would claim certainty; ``method`` says so. Epochs of a night depend on each other, so the
        interval is too narrow for a night; resampling blocks of epochs or participants answers for that.

    Raises
    ------
    ValueError
        If ``counts`` is not one square table or ``level`` not between 0 and 1.

    References
    ----------
    Cohen J (1960). Educ Psychol Meas 20:37-46. Fleiss JL, Cohen J, Everitt BS (1969). Psychol Bull
    72:323-327.

    Examples
    --------
    >>> estimate = chance_corrected_kappa(np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]]))
    >>> f"{estimate.value:.4f} ({estimate.low:.4f} to {estimate.high:.4f}), SE {estimate.se:.4f}"
    '0.4915 (0.3916 to 0.5915), SE 0.0510'
    """
    table, _ = square_tables(counts)
    if table.ndim != 2:
        raise ValueError(f"counts must be one table of shape (k, k), not {table.shape}")
    margins = count_margins(table)
    return _kappa_estimate(table, margins, value=float(_kappa(margins)), level=level)


def _kappa_estimate(table: Counts, margins: Margins, *, value: float, level: float) -> Estimate:
    z = normal_quantile(level)
    n = int(margins.n)
    if math.isnan(value):
        return undefined(_why_no_chance(margins, 0), n=n, method=_KAPPA_METHOD, level=level)
    se = 0.0 if _certain_on_paper(margins) else float(kappa_se(table))
    if se < _ROUNDING:
        method = f"{_KAPPA_METHOD}; no interval, because the standard error is 0 here"
        return Estimate(value, level=level, n=n, method=method, se=0.0)
    low, high = value - z * se, value + z * se
    method = _KAPPA_METHOD
    if low < -1.0 or high > 1.0:
        method += ", limits cut at -1 and 1"
    return Estimate(value, max(low, -1.0), min(high, 1.0), level=level, n=n, method=method, se=se)


_ROUNDING: Final = 1e-12  # below this, rounding is all that is left of a standard error that is 0 on paper


def _certain_on_paper(margins: Margins) -> bool:
    """Whether the standard error of kappa is exactly 0: perfect agreement, or a side that used one class."""
    return bool(margins.agreed == margins.n) or _only_class(margins.rows) or _only_class(margins.columns)


def summarise_table(
    counts: Counts, *, reference_classes: Sequence[str], device_classes: Sequence[str], level: float = 0.95
) -> TableAgreement:
    """Return the agreement of one table.

    Parameters
    ----------
    counts : array of int, shape (r, c)
        Epochs; rows are the reference classes, columns the device classes, both in the order given.
    reference_classes, device_classes : sequence of str
        Classes of the rows and of the columns. Every device class must be a reference class. A device that
        lacks classes of the reference gives a table that is not square.
    level : float
        Confidence level of the interval of kappa.

    Returns
    -------
    TableAgreement
        With a lacking class, the accuracy counts its epochs as not agreed, the other statistics of the table
        are undefined, and so is every statistic of the lacking class.

    Raises
    ------
    TypeError
        If ``counts`` does not hold integers.
    ValueError
        If a count is negative, the shape does not fit the classes, a class stands twice, or a device class is
        not a reference class.

    Examples
    --------
    >>> night = summarise_table(
    ...     np.array([[50, 30], [30, 340], [5, 145]]),
    ...     reference_classes=("wake", "nrem", "rem"), device_classes=("wake", "nrem"))
    >>> night.accuracy, night.classes[1].sensitivity
    (0.65, 0.918918918918919)
    >>> night.reason("kappa")
    'the reference has REM, which the device cannot report'
    """
    rows, columns = tuple(reference_classes), tuple(device_classes)
    table = _checked_table(counts, rows, columns)
    index = tuple(rows.index(name) for name in columns)
    wide = table if columns == rows else widen_columns(table, device_index=index)
    margins = count_margins(wide)
    lacking = tuple(name for name in rows if name not in columns)
    values, reasons = _table_values(margins, lacking)
    if lacking:
        kappa_of_table = undefined(_cannot_report(lacking), n=int(margins.n), method=_KAPPA_METHOD, level=level)
    else:
        kappa_of_table = _kappa_estimate(wide, margins, value=values.pop("kappa"), level=level)
    return TableAgreement(
        rows,
        columns,
        table,
        int(margins.n),
        values["accuracy"],
        kappa_of_table,
        values["pabak"],
        values["ac1"],
        values["mcc"],
        values["balanced_accuracy"],
        _class_agreements(margins, rows, columns),
        reasons,
    )


def _checked_table(counts: Counts, rows: tuple[str, ...], columns: tuple[str, ...]) -> Counts:
    table = np.asarray(counts)
    if table.dtype.kind not in "iu":
        raise TypeError(f"counts must hold integers, not {table.dtype}")
    if table.shape != (len(rows), len(columns)):
        raise ValueError(f"counts has shape {table.shape}, but the classes ask for ({len(rows)}, {len(columns)})")
    if len(rows) < 2 or not columns:
        raise ValueError(f"at least two reference classes and one device class are needed, not {rows} and {columns}")
    if table.min() < 0:
        raise ValueError(f"counts must not be negative, but the smallest is {table.min()}")
    for parameter, names in (("reference_classes", rows), ("device_classes", columns)):
        if len(set(names)) != len(names):
            raise ValueError(f"{parameter} must name each class once, not {names}")
    foreign = [name for name in columns if name not in rows]
    if foreign:
        raise ValueError(f"device_classes must be among the reference classes {rows}; {foreign} are not")
    return table


_NO_LABEL: Final = "the device cannot report this class"


def _cannot_report(lacking: tuple[str, ...]) -> str:
    said = " and ".join("REM" if name == "rem" else name for name in lacking)
    return f"the reference has {said}, which the device cannot report"


def _table_values(margins: Margins, lacking: tuple[str, ...]) -> tuple[dict[str, float], tuple[tuple[str, str], ...]]:
    values: dict[str, float] = {}
    reasons: list[tuple[str, str]] = []
    for statistic in TABLE_STATISTICS:
        if lacking and statistic.name in _NEED_ALL_CLASSES:
            values[statistic.name] = NAN
            reasons.append((statistic.key, _cannot_report(lacking)))
            continue
        value = float(statistic.from_margins(margins))
        values[statistic.name] = value
        if math.isnan(value):
            reasons.append((statistic.key, statistic.why_undefined(margins, 0)))
    return values, tuple(reasons)


def _class_agreements(margins: Margins, rows: tuple[str, ...], columns: tuple[str, ...]) -> tuple[ClassAgreement, ...]:
    by_class = np.stack([statistic.from_margins(margins) for statistic in CLASS_STATISTICS], axis=1).tolist()
    epochs = np.stack([margins.rows, margins.columns], axis=1).astype(np.int64).tolist()
    keys = [statistic.key for statistic in CLASS_STATISTICS]
    classes = []
    for position, name in enumerate(rows):
        comparable = name in columns
        value = dict(zip(keys, by_class[position] if comparable else [NAN] * len(keys), strict=True))
        reasons = tuple(
            (statistic.key, statistic.why_undefined(margins, position) if comparable else _NO_LABEL)
            for statistic in CLASS_STATISTICS
            if math.isnan(value[statistic.key])
        )
        reference_epochs, device_epochs = epochs[position]
        classes.append(
            ClassAgreement(
                name,
                comparable,
                reference_epochs,
                device_epochs,
                sensitivity=value["sensitivity"],
                specificity=value["specificity"],
                ppv=value["ppv"],
                npv=value["npv"],
                f1=value["f1"],
                kappa=value["kappa"],
                reasons=reasons,
            )
        )
    return tuple(classes)
