"""Coefficients of agreement of count tables, whole and of each class against the rest, and the registry of them.

Rows are the reference, columns are the device, cells are epochs. Every function takes ``counts`` of shape (..., k, k),
where the leading axes are nights, participants or resamples, and returns one float per table, shape (...); figures of
classes return one per table and class, shape (..., k). Where one is 0/0 the value is nan, without a warning;
`Statistic.why_undefined` says why in words. Higher is better for all.

All of them, the standard error apart, depend on a table only through its diagonal, its row sums and its column sums.
`stack_sums` takes these 3k numbers from each table by one matrix product, and resampling can weigh
them instead of the k*k cells. Cells are not checked here (there may be millions of tables).

References
----------
.. [1] Fleiss JL. Measuring nominal scale agreement among many raters. Psychol Bull 1971;76:378-382.
.. [2] Krippendorff K. Computing Krippendorff's alpha-reliability. University of Pennsylvania, 2011.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial, update_wrapper
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.inference.table_sums import Counts, TableSums, Values, classes_last, ratio, sum_table


class TableFigure:
    """A figure of count tables, made from what it is of their sums: ``figure(counts)``, ``figure.of_sums(sums)``."""

    def __init__(self, of_sums: Callable[[TableSums], Values]) -> None:
        self.of_sums = of_sums
        update_wrapper(self, of_sums)

    def __call__(self, counts: Counts, /) -> Values:
        """Return the figure of each table."""
        return self.of_sums(sum_table(counts))


@dataclass(frozen=True, slots=True)
class Statistic:
    """What is to be known of one statistic of a count table.

    Parameters
    ----------
    name : str
        Name of its function.
    kernel : TableFigure
        From counts (..., k, k) to values (...,), or (..., k) if ``per_class``; of sums, with the class axis first.
    why : str or callable
        The reason for nan of a table that holds an epoch; a callable tells it of `TableSums` and a class position.
    reference : str
        Published source, as it may be printed.
    per_class : bool
        Whether there is one value for each class.
    lower, upper : float
        Bounds that no table passes.
    key : str
        Name in results, where it is not ``name``: a class's kappa is called kappa within the class.
    """

    name: str
    kernel: TableFigure
    why: str | Callable[[TableSums, int], str]
    reference: str
    per_class: bool = False
    lower: float = 0.0
    upper: float = 1.0
    key: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", self.key or self.name)

    def why_undefined(self, t: TableSums, position: int) -> str:
        """Return why the statistic is nan."""
        if t.n == 0:
            return NO_EPOCH
        return self.why if isinstance(self.why, str) else self.why(t, position)


# ----------------------------------------------------------------------------------------------- coefficients
# Chance-corrected statistics are written as 1 - (disagreement)/(disagreement expected by chance), and the latter
# as a sum of terms that are never negative: where one class fills nearly all of 100 million epochs, n^2 minus
# something close to n^2 would lose every digit.


def _zero_to_nan(values: Values) -> Values:
    return np.where(values > 0.0, values, np.nan)


def _crossed(rows: Values, columns: Values, total: Values) -> Values:
    """Return n^2 (1 - pe): the pairs of a reference and a device epoch of different classes."""
    pairs: Values = np.einsum("i...,i...->...", rows, total - columns)
    return pairs


@TableFigure
def accuracy(t: TableSums) -> Values:
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
    return ratio(t.agreed, t.n)


@TableFigure
def kappa(t: TableSums) -> Values:
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
    return 1.0 - ratio(t.n * (t.n - t.agreed), _crossed(t.rows, t.columns, t.n))


@TableFigure
def pabak(t: TableSums) -> Values:
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
    k = len(t.rows)
    return 1.0 - ratio(k * (t.n - t.agreed), (k - 1) * t.n)


@TableFigure
def ac1(t: TableSums) -> Values:
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
    k = len(t.rows)
    both, twice = t.rows + t.columns, 2.0 * t.n
    even = (k - 1) * twice * twice
    return 1.0 - ratio(2.0 * (k - 1) * twice * (t.n - t.agreed), even - _crossed(both, both, twice))


@TableFigure
def mcc(t: TableSums) -> Values:
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
    # The device's own total, so that weights which are not whole numbers still give an exact 0 for a device
    # that used one class only (both totals are n).
    total = t.columns.sum(axis=0)
    spread = _crossed(t.rows, t.rows, t.n) * _crossed(t.columns, t.columns, total)
    shared = _crossed(t.rows, t.columns, t.n) - t.n * (t.n - t.agreed)
    return ratio(shared, np.sqrt(_zero_to_nan(spread)))


@TableFigure
def balanced_accuracy(t: TableSums) -> Values:
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
    occurs = t.rows > 0
    shares = np.divide(t.diagonal, t.rows, out=np.zeros_like(t.rows), where=occurs)
    return ratio(shares.sum(axis=0), occurs.sum(axis=0))


# ------------------------------------------------------------------------------------ figures of each class


class ClassFigure(TableFigure):
    """A figure of each class: of the sums with the class axis first, of tables with it last."""

    def __call__(self, counts: Counts, /) -> Values:
        """Return the figures of each table."""
        return classes_last(super().__call__(counts))


@ClassFigure
def sensitivity(t: TableSums) -> Values:
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
    return ratio(t.diagonal, t.rows)


@ClassFigure
def specificity(t: TableSums) -> Values:
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
    others = t.n - t.rows
    return ratio(others - (t.columns - t.diagonal), others)


@ClassFigure
def ppv(t: TableSums) -> Values:
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
    return ratio(t.diagonal, t.columns)


@ClassFigure
def npv(t: TableSums) -> Values:
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
    others = t.columns.sum(axis=0) - t.columns
    return ratio(others - (t.rows - t.diagonal), others)


@ClassFigure
def f1(t: TableSums) -> Values:
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
    return ratio(2.0 * t.diagonal, t.rows + t.columns)


@ClassFigure
def class_kappa(t: TableSums) -> Values:
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
    differ = t.rows + t.columns - 2.0 * t.diagonal
    return 1.0 - ratio(t.n * differ, t.rows * (t.n - t.columns) + (t.n - t.rows) * t.columns)


# ---------------------------------------------------------------------------------------------- standard error


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
    t = sum_table(counts)
    observed = accuracy.of_sums(t)[..., None, None]
    rest = _zero_to_nan(ratio(_crossed(t.rows, t.columns, t.n), t.n * t.n))[..., None, None]
    row_share = classes_last(ratio(t.rows, t.n))
    column_share = classes_last(ratio(t.columns, t.n))
    pull = column_share[..., :, None] + row_share[..., None, :] - 2.0 * (1.0 - rest)
    return (np.eye(len(t.rows)) - observed) / rest - (1.0 - observed) / (rest * rest) * pull


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
    table, influence = np.asarray(counts, dtype=np.float64), kappa_influence(counts)
    spread = np.einsum("...ij,...ij,...ij->...", table, influence, influence)
    return ratio(np.sqrt(spread), table.sum(axis=(-2, -1)))


# ------------------------------------------------------------------------------- why a statistic has no value

NO_EPOCH: Final = "the table holds no epoch"
_NO_USE: Final = "neither side used this class"
ONE_SHARED_CLASS: Final = "both sides used one class only, so chance agreement is 1"


def only_class(sums: Values) -> bool:
    """Whether a side used one class only."""
    return int(np.count_nonzero(sums)) == 1


def _why_no_spread(t: TableSums, _position: int) -> str:
    constant = [side for side, sums in (("reference", t.rows), ("device", t.columns)) if only_class(sums)]
    side = "each side" if len(constant) == 2 else f"the {constant[0]}"
    return f"{side} used one class only, so there is nothing to correlate"


def _why_no_contrast(t: TableSums, position: int) -> str:
    if t.diagonal[position] == t.n:
        return "both sides gave this class to every epoch, so chance agreement is 1"
    return _NO_USE


# ----------------------------------------------------------------------------------------------- the registry

_COHEN: Final = "Cohen 1960"
_COMMON: Final = "common definition"
_EVEN_CHANCE: Final = "Brennan & Prediger 1981; Byrt, Bishop & Carlin 1993"

#: The coefficients that nights and studies report, in their order.
TABLE_STATISTICS: Final = (
    Statistic("accuracy", accuracy, NO_EPOCH, _COMMON),
    Statistic("kappa", kappa, ONE_SHARED_CLASS, _COHEN, lower=-1.0),
    Statistic("pabak", pabak, NO_EPOCH, _EVEN_CHANCE, lower=-1.0),
    Statistic("ac1", ac1, NO_EPOCH, "Gwet 2008", lower=-1.0),
    Statistic("mcc", mcc, _why_no_spread, "Gorodkin 2004", lower=-1.0),
    Statistic("balanced_accuracy", balanced_accuracy, NO_EPOCH, _COMMON),
)
#: Those that ask both sides to sort into the same classes.
NEED_ALL_CLASSES: Final = ("kappa", "pabak", "ac1", "mcc", "balanced_accuracy")

_of_classes: Final = partial(Statistic, per_class=True)

#: The figures of a class that nights and studies report, in their order.
CLASS_STATISTICS: Final = (
    _of_classes("sensitivity", sensitivity, "the reference has no epoch of this class", _COMMON),
    _of_classes("specificity", specificity, "the reference has no epoch of any other class", _COMMON),
    _of_classes("ppv", ppv, "the device never reported this class", _COMMON),
    _of_classes("npv", npv, "the device reported no other class", _COMMON),
    _of_classes("f1", f1, _NO_USE, _COMMON),
    _of_classes("class_kappa", class_kappa, _why_no_contrast, _COHEN, lower=-1.0, key="kappa"),
)


# --- any number of scorers at once ------------------------------------------------------------------------


def count_coincidences(votes: NDArray[np.integer[Any]], n_classes: int) -> Values:
    """Return the tables of coincidences of scorers' stages.

    Parameters
    ----------
    votes : int array, shape (scorers, epochs)
        Class of each epoch by each scorer; -1 where a scorer gave none.
    n_classes : int
        Number of classes.

    Returns
    -------
    ndarray of shape (2, n_classes, n_classes)
        Ordered pairs of stages that two scorers gave one epoch, an epoch with m scorers weighing m: first of the epochs
        to which all scorers gave a class, then of those to which two or more did. Tables of nights add up, and so do
        rows and columns of classes that are merged.

    Examples
    --------
    >>> count_coincidences(np.array([[0, 0, 1, 1], [0, 1, 1, -1]]), 2)[0]
    array([[2., 1.],
           [1., 2.]])
    """
    counts = np.stack([(votes == k).sum(axis=0) for k in range(n_classes)], axis=1).astype(np.float64)
    given = counts.sum(axis=1)
    pairs = counts[:, :, None] * counts[:, None, :] - counts[:, :, None] * np.eye(n_classes)
    weighed = pairs / np.maximum(given - 1.0, 1.0)[:, None, None]
    kept = (given == len(votes)) & (given > 1), given > 1
    return np.stack([weighed[of].sum(axis=0) for of in kept])


def fleiss_kappa(coincidences: Values) -> Values:
    """Return Fleiss' kappa [1]_ of epochs that all scorers scored; nan where they used one class only.

    Parameters
    ----------
    coincidences : array of shape (..., classes, classes)
        The first table of `count_coincidences`, or a sum of such.
    """
    total, agreed, squares = _sum_coincidences(coincidences)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_chance = squares / total**2
        return np.where(by_chance < 1.0, (agreed / total - by_chance) / (1.0 - by_chance), np.nan)


def krippendorff_alpha(coincidences: Values) -> Values:
    """Return Krippendorff's alpha for nominal data [2]_; nan where scorers used one class only.

    Parameters
    ----------
    coincidences : array of shape (..., classes, classes)
        The second table of `count_coincidences`, or a sum of such: an epoch that a scorer left out
        stays in with the others.
    """
    total, agreed, squares = _sum_coincidences(coincidences)
    with np.errstate(invalid="ignore", divide="ignore"):
        expected = (total**2 - squares) / (total * (total - 1.0))
        return np.where(expected > 0.0, 1.0 - (total - agreed) / total / expected, np.nan)


def _sum_coincidences(tables: Values) -> tuple[Values, ...]:
    """Return all stages given, those in pairs that agree, and the sum of squares of each class's."""
    values = np.asarray(tables, np.float64)
    by_class = values.sum(axis=-1)
    return by_class.sum(axis=-1), np.trace(values, axis1=-2, axis2=-1), (by_class**2).sum(axis=-1)
