"""Figures of each class against the rest, and the registry of those that are reported.

As in `coefficients`, every function takes count tables of shape (..., k, k), rows reference, columns device;
here it returns one float per table and class, shape (..., k).
"""

from __future__ import annotations

from functools import partial
from typing import Final

from sleepagree.inference.table_sums import Counts, TableSums, Values, classes_last, ratio, sum_table
from sleepagree.scoring.coefficients import COHEN, COMMON, NO_EPOCH, Statistic


def _sensitivity(t: TableSums) -> Values:
    return ratio(t.diagonal, t.rows)


def _specificity(t: TableSums) -> Values:
    others = t.n - t.rows
    return ratio(others - (t.columns - t.diagonal), others)


def _ppv(t: TableSums) -> Values:
    return ratio(t.diagonal, t.columns)


def _npv(t: TableSums) -> Values:
    others = t.columns.sum(axis=0) - t.columns
    return ratio(others - (t.rows - t.diagonal), others)


def _f1(t: TableSums) -> Values:
    return ratio(2.0 * t.diagonal, t.rows + t.columns)


def _class_kappa(t: TableSums) -> Values:
    differ = t.rows + t.columns - 2.0 * t.diagonal
    return 1.0 - ratio(t.n * differ, t.rows * (t.n - t.columns) + (t.n - t.rows) * t.columns)


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
    return classes_last(_sensitivity(sum_table(counts)))


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
    return classes_last(_specificity(sum_table(counts)))


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
    return classes_last(_ppv(sum_table(counts)))


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
    return classes_last(_npv(sum_table(counts)))


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
    return classes_last(_f1(sum_table(counts)))


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
    return classes_last(_class_kappa(sum_table(counts)))


# ------------------------------------------------------------------------------- why a figure has no value


def _why_no_reference(t: TableSums, position: int) -> str:
    if t.n == 0:
        return NO_EPOCH
    return "the reference has no epoch of this class" if t.rows[position] == 0 else ""


def _why_no_reference_rest(t: TableSums, position: int) -> str:
    if t.n == 0:
        return NO_EPOCH
    return "the reference has no epoch of any other class" if t.rows[position] == t.n else ""


def _why_no_device(t: TableSums, position: int) -> str:
    if t.n == 0:
        return NO_EPOCH
    return "the device never reported this class" if t.columns[position] == 0 else ""


def _why_no_device_rest(t: TableSums, position: int) -> str:
    if t.n == 0:
        return NO_EPOCH
    return "the device reported no other class" if t.columns[position] == t.n else ""


def _why_no_use(t: TableSums, position: int) -> str:
    if t.n == 0:
        return NO_EPOCH
    return "neither side used this class" if t.rows[position] + t.columns[position] == 0 else ""


def _why_no_contrast(t: TableSums, position: int) -> str:
    if t.diagonal[position] == t.n and t.n > 0:
        return "both sides gave this class to every epoch, so chance agreement is 1"
    return _why_no_use(t, position)


_of_classes: Final = partial(Statistic, per_class=True)

#: The figures of a class that nights and studies report, in their order.
CLASS_STATISTICS: Final = (
    _of_classes("sensitivity", sensitivity, _sensitivity, _why_no_reference, COMMON),
    _of_classes("specificity", specificity, _specificity, _why_no_reference_rest, COMMON),
    _of_classes("ppv", ppv, _ppv, _why_no_device, COMMON),
    _of_classes("npv", npv, _npv, _why_no_device_rest, COMMON),
    _of_classes("f1", f1, _f1, _why_no_use, COMMON),
    _of_classes("class_kappa", class_kappa, _class_kappa, _why_no_contrast, COHEN, lower=-1.0, key="kappa"),
)
