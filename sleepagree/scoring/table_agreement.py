"""Agreement of one night, or of pooled nights: all coefficients and class figures of one count table, with reasons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from sleepagree.hypnogram.spans import Frozen
from sleepagree.inference.estimate import NAN, Estimate, normal_quantile, undefined
from sleepagree.inference.table_sums import Counts, TableSums, square_tables, sum_table, widen_columns
from sleepagree.scoring.coefficients import (
    CLASS_STATISTICS,
    NEED_ALL_CLASSES,
    NO_EPOCH,
    ONE_SHARED_CLASS,
    TABLE_STATISTICS,
    kappa,
    kappa_se,
    only_class,
)
from sleepagree.shown import Brief


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class TableAgreement(Brief, Frozen):
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
        Cohen's kappa with its large-sample interval, which takes epochs as independent: too narrow where answers last
        from epoch to epoch. The interval told first of a night is that of its ``intervals``, of a study that over
        participants.
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
        self._freeze(counts=np.int64)

    @property
    def unreported(self) -> tuple[str, ...]:
        """Reference classes that the device cannot report."""
        return tuple(name for name in self.reference_classes if name not in self.device_classes)

    def reason(self, key: str) -> str:
        """Return why the statistic called ``key`` is undefined, "" where it has a value."""
        return dict(self.reasons).get(key, "")


_KAPPA_METHOD: Final = "Cohen 1960; large-sample interval of Fleiss, Cohen & Everitt 1969, epochs taken as independent"
_ROUNDING: Final = 1e-12  # below this, rounding is all that is left of a standard error that is 0 on paper


def kappa_never_found(counts: Counts, *, device_index: Sequence[int]) -> float:
    """Return kappa of the table that the design ceiling is of: reference classes without a column are never found.

    Parameters
    ----------
    counts : int array, shape (reference classes, device classes)
        Epochs.
    device_index : sequence of int
        Position of each device class among the reference classes.
    """
    return float(kappa(widen_columns(counts, device_index=device_index)))


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
        interval is too narrow for a night; :func:`sleepagree.inference.one_night.kappa_interval` answers for that.

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
    sums = sum_table(table)
    value, n, z = float(kappa.of_sums(sums)), int(sums.n), normal_quantile(level)
    if math.isnan(value):
        return undefined(NO_EPOCH if n == 0 else ONE_SHARED_CLASS, n=n, method=_KAPPA_METHOD, level=level)
    # perfect agreement, or a side that used one class
    is_certain_on_paper = bool(sums.agreed == sums.n) or only_class(sums.rows) or only_class(sums.columns)
    se = 0.0 if is_certain_on_paper else float(kappa_se(table))
    if se < _ROUNDING:
        method = f"{_KAPPA_METHOD}; no interval, because the standard error is 0 here"
        return Estimate(value, level=level, n=n, method=method, se=0.0)
    low, high = value - z * se, value + z * se
    method = _KAPPA_METHOD + ", limits cut at -1 and 1" * (low < -1.0 or high > 1.0)
    return Estimate(value, max(low, -1.0), min(high, 1.0), level=level, n=n, method=method, se=se)


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
    'the device has no class for REM'
    """
    rows, columns = tuple(reference_classes), tuple(device_classes)
    table = _checked_table(counts, rows, columns)
    index = tuple(rows.index(name) for name in columns)
    wide = table if columns == rows else widen_columns(table, device_index=index)
    sums = sum_table(wide)
    lacking = tuple(name for name in rows if name not in columns)
    values, reasons = _table_values(sums, lacking)
    if lacking:
        values["kappa"] = undefined(_cannot_report(lacking), n=int(sums.n), method=_KAPPA_METHOD, level=level)
    else:
        values["kappa"] = chance_corrected_kappa(wide, level=level)
    classes = _class_agreements(sums, rows, columns)
    return TableAgreement(rows, columns, table, int(sums.n), classes=classes, reasons=reasons, **values)


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
    return f"the device has no class for {said}"


def _table_values(sums: TableSums, lacking: tuple[str, ...]) -> tuple[dict[str, Any], tuple[tuple[str, str], ...]]:
    values: dict[str, Any] = {}
    reasons: list[tuple[str, str]] = []
    for statistic in TABLE_STATISTICS:
        needs_more = bool(lacking) and statistic.name in NEED_ALL_CLASSES
        value = NAN if needs_more else float(statistic.kernel.of_sums(sums))
        values[statistic.name] = value
        if math.isnan(value):
            why = _cannot_report(lacking) if needs_more else statistic.why_undefined(sums, 0)
            reasons.append((statistic.key, why))
    return values, tuple(reasons)


def _class_agreements(sums: TableSums, rows: tuple[str, ...], columns: tuple[str, ...]) -> tuple[ClassAgreement, ...]:
    by_class = np.stack([statistic.kernel.of_sums(sums) for statistic in CLASS_STATISTICS], axis=1).tolist()
    epochs = np.stack([sums.rows, sums.columns], axis=1).astype(np.int64).tolist()
    keys = [statistic.key for statistic in CLASS_STATISTICS]
    classes = []
    for position, name in enumerate(rows):
        comparable = name in columns
        value = dict(zip(keys, by_class[position] if comparable else [NAN] * len(keys), strict=True))
        reasons = tuple(
            (statistic.key, statistic.why_undefined(sums, position) if comparable else _NO_LABEL)
            for statistic in CLASS_STATISTICS
            if math.isnan(value[statistic.key])
        )
        of_reference, of_device = epochs[position]
        classes.append(ClassAgreement(name, comparable, of_reference, of_device, **value, reasons=reasons))
    return tuple(classes)
