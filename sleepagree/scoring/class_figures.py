"""Figures of each class against the rest, and the registry of those that are reported.

As in `coefficients`, every function takes count tables of shape (..., k, k), rows reference, columns device;
here it returns one float per table and class, shape (..., k).
"""

from __future__ import annotations

from functools import partial
from typing import Final

from sleepagree.inference.table_sums import Counts, TableSums, Values, classes_last, ratio
from sleepagree.scoring.coefficients import COHEN, COMMON, Statistic, TableFigure


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


def _why_no_contrast(t: TableSums, position: int) -> str:
    if t.diagonal[position] == t.n:
        return "both sides gave this class to every epoch, so chance agreement is 1"
    return _NO_USE


_NO_USE: Final = "neither side used this class"
_of_classes: Final = partial(Statistic, per_class=True)

#: The figures of a class that nights and studies report, in their order.
CLASS_STATISTICS: Final = (
    _of_classes("sensitivity", sensitivity, "the reference has no epoch of this class", COMMON),
    _of_classes("specificity", specificity, "the reference has no epoch of any other class", COMMON),
    _of_classes("ppv", ppv, "the device never reported this class", COMMON),
    _of_classes("npv", npv, "the device reported no other class", COMMON),
    _of_classes("f1", f1, _NO_USE, COMMON),
    _of_classes("class_kappa", class_kappa, _why_no_contrast, COHEN, lower=-1.0, key="kappa"),
)
