"""Coefficients of agreement of a whole count table, and the registry that says what is reported of them.

Rows are the reference, columns are the device, cells are epochs. Every function takes ``counts`` of shape (..., k, k),
where the leading axes are nights, participants or resamples, and returns one float per table, shape (...). Where a
coefficient is 0/0 the value is nan, without a warning; `Statistic.why_undefined` says why in words. Higher is better
for all.

All of them, the standard error apart, depend on a table only through its diagonal, its row sums and its column sums.
`stack_sums` takes these 3k numbers from each table by one matrix product, and resampling can weigh
them instead of the k*k cells. Cells are not checked here (there may be millions of tables).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import update_wrapper
from typing import Final

import numpy as np

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
ONE_SHARED_CLASS: Final = "both sides used one class only, so chance agreement is 1"


def only_class(sums: Values) -> bool:
    """Whether a side used one class only."""
    return int(np.count_nonzero(sums)) == 1


def _why_no_spread(t: TableSums, _position: int) -> str:
    constant = [side for side, sums in (("reference", t.rows), ("device", t.columns)) if only_class(sums)]
    side = "each side" if len(constant) == 2 else f"the {constant[0]}"
    return f"{side} used one class only, so there is nothing to correlate"


# ----------------------------------------------------------------------------------------------- the registry

COHEN: Final = "Cohen 1960"
COMMON: Final = "common definition"
_EVEN_CHANCE: Final = "Brennan & Prediger 1981; Byrt, Bishop & Carlin 1993"

#: The coefficients that nights and studies report, in their order.
TABLE_STATISTICS: Final = (
    Statistic("accuracy", accuracy, NO_EPOCH, COMMON),
    Statistic("kappa", kappa, ONE_SHARED_CLASS, COHEN, lower=-1.0),
    Statistic("pabak", pabak, NO_EPOCH, _EVEN_CHANCE, lower=-1.0),
    Statistic("ac1", ac1, NO_EPOCH, "Gwet 2008", lower=-1.0),
    Statistic("mcc", mcc, _why_no_spread, "Gorodkin 2004", lower=-1.0),
    Statistic("balanced_accuracy", balanced_accuracy, NO_EPOCH, COMMON),
)
#: Those that ask both sides to sort into the same classes.
NEED_ALL_CLASSES: Final = ("kappa", "pabak", "ac1", "mcc", "balanced_accuracy")
