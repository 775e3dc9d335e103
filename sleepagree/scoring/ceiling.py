"""The design ceiling: how well the best possible device with given labels could have done on a night.

Imagine a device that knows every epoch's reference class, but can answer only with the classes it has a label
for. An epoch of a class it lacks must be called something else. The best accuracy such a device can reach is
the share of epochs in classes it has. The best kappa it can reach follows from the reference's class counts
alone:

    kappa = 1 - U / (1 - sum of t_j^2 over the reported classes - U t_min),

with t_j the reference share of class j, U the share of the classes without a label, and t_min the smallest
t_j among the reported classes. It is reached by answering rightly wherever there is a label and sending all
other epochs to the reported class that is rarest in the reference; no splitting of them and no deliberate
error does better (proof: docs/methods_agreement.md). Kappa is that of the table with every reference class as
a row and a column, the columns of lacking classes being empty.

The ceiling describes a limit and recommends nothing: a device that called REM by the rarest stage would earn
kappa and spoil that stage's minutes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.estimate import NAN
from sleepagree.inference.table_sums import ratio
from sleepagree.mapping.mapping import StageMapping, reported_classes

NO_EPOCH: Final = "the reference holds no epoch"
ONE_CLASS: Final = (
    "the reference holds one class only, so kappa is undefined for a device that agrees throughout "
    "and 0 for every other"
)


class Ceiling(NamedTuple):
    """Ceiling of one night, or of pooled nights.

    Parameters
    ----------
    accuracy : float
        Share of epochs in classes that the device has; nan without epochs.
    kappa : float
        Best kappa that any device with these labels could reach; nan where undefined.
    kappa_reason : str
        Why ``kappa`` is nan, else "".
    kappa_by_destination : tuple of float
        For each class the kappa of the device that sends all unreported epochs there and is right otherwise;
        nan for classes that the device lacks. The largest is ``kappa``.
    """

    accuracy: float
    kappa: float
    kappa_reason: str
    kappa_by_destination: tuple[float, ...]


def _checked_flags(device_has: Sequence[bool] | npt.NDArray[np.bool_], k: int) -> npt.NDArray[np.bool_]:
    has = np.asarray(device_has)
    if has.dtype != np.bool_:
        raise TypeError(f"device_has must hold booleans, not {has.dtype}")
    if has.shape != (k,):
        raise ValueError(f"device_has must have one entry for each of the {k} classes, not shape {has.shape}")
    if not has.any():
        raise ValueError("device_has must hold at least one class that the device can report")
    return has


def design_ceiling(reference_counts: npt.ArrayLike, *, device_has: Sequence[bool] | npt.NDArray[np.bool_]) -> Ceiling:
    """Return the best accuracy and kappa that any device with these labels could reach.

    Parameters
    ----------
    reference_counts : array of shape (k,)
        Epochs of each reference class.
    device_has : sequence of k bool
        Whether the device can report the class.

    Returns
    -------
    Ceiling
        Undefined cases: no epoch (both values); a single reported class that fills the night (kappa: a device
        that agrees throughout has none, every other earns 0). Where classes without a label fill the night
        the ceiling of kappa is 0, as every answer earns exactly 0.

    Raises
    ------
    TypeError
        If ``device_has`` does not hold booleans.
    ValueError
        If a count is negative or not finite, ``reference_counts`` is not one row of counts, or ``device_has``
        does not fit it or has no class that the device reports.

    Examples
    --------
    A night of the invented band A, which has no label for REM: 100 epochs wake, 450 light, 150 deep, 200 REM.

    >>> ceiling = design_ceiling([100, 450, 150, 200], device_has=(True, True, True, False))
    >>> f"{ceiling.accuracy:.4f} {ceiling.kappa:.4f}"
    '0.7778 0.6757'
    >>> [f"{kappa:.4f}" for kappa in ceiling.kappa_by_destination]
    ['0.6757', '0.6289', '0.6697', 'nan']
    """
    counts = np.asarray(reference_counts, dtype=np.float64)
    if counts.ndim != 1 or counts.size == 0:
        raise ValueError(f"reference_counts must have shape (k,), not {counts.shape}")
    if not np.isfinite(counts).all() or counts.min() < 0:
        raise ValueError(f"reference_counts must be finite and not negative, not {counts.tolist()}")
    has = _checked_flags(device_has, counts.size)
    n, reported, lost = counts.sum(), counts * has, float(counts[~has].sum())
    by_chance = reported @ reported + lost * counts
    kappas = np.where(has, ratio(n * reported.sum() - by_chance, n * n - by_chance), NAN)
    kappa = float(kappas[has][counts[has].argmin()])
    reason = NO_EPOCH if n == 0 else ONE_CLASS if math.isnan(kappa) else ""
    return Ceiling(float(ratio(reported.sum(), n)), kappa, reason, tuple(kappas.tolist()))


def ceiling_under(mapping: StageMapping, counts: Counts, reportable: tuple[str, ...]) -> Ceiling:
    """Return the ceiling of a device under a mapping.

    Parameters
    ----------
    mapping : StageMapping
        Names the classes.
    counts : int array, shape (reference classes, device classes)
        Epochs.
    reportable : tuple of str
        The stages that the device can say.
    """
    # where it can say none of the classes no epoch is compared
    reported = reported_classes(mapping, reportable) or mapping.device_classes
    return design_ceiling(counts.sum(axis=1), device_has=[c in reported for c in mapping.reference_classes])


def share_of_ceiling(value: npt.ArrayLike, ceiling: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return a statistic as a share of its ceiling.

    Parameters
    ----------
    value, ceiling : array-like
        Accuracy or kappa, and its ceiling, of shapes that broadcast.

    Returns
    -------
    ndarray of float
        1 for a device that does as well as its labels allow; nan where either is undefined or the ceiling is
        0. The share of an accuracy is the accuracy over the epochs of reported classes.

    Examples
    --------
    >>> round(float(share_of_ceiling(0.65, 0.75)), 4)
    0.8667
    """
    limit = np.asarray(ceiling, dtype=np.float64)
    return ratio(np.asarray(value, dtype=np.float64), np.where(limit > 0, limit, NAN))
