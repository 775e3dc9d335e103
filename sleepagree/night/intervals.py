"""How sure the figures of one night are, when answers last from epoch to epoch."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.inference.one_night import (
    NOTHING,
    EpochsInterval,
    accuracy_interval,
    count_bouts,
    episode_begins,
    kappa_interval,
    share_interval,
)
from sleepagree.scoring.class_sequences import JointClasses
from sleepagree.scoring.redistribution import GAP_EPOCHS
from sleepagree.scoring.table_agreement import TableAgreement


class ClassIntervals(NamedTuple):
    """Intervals of the figures of one class against the rest; nan where the figure is undefined.

    Parameters
    ----------
    name : str
        Class.
    sensitivity, specificity, ppv, npv, f1, kappa : EpochsInterval
        Of the figure of that name.
    """

    name: str
    sensitivity: EpochsInterval = NOTHING
    specificity: EpochsInterval = NOTHING
    ppv: EpochsInterval = NOTHING
    npv: EpochsInterval = NOTHING
    f1: EpochsInterval = NOTHING
    kappa: EpochsInterval = NOTHING


class NightIntervals(NamedTuple):
    """Intervals of one night under one mapping, for answers that last.

    Parameters
    ----------
    accuracy, kappa, pabak : EpochsInterval
        Of the table; nan where the figure is undefined. Kappa has none either where the sides agree throughout or one
        of them used one class only.
    classes : tuple of ClassIntervals
        One for each reference class, in order.
    """

    accuracy: EpochsInterval
    kappa: EpochsInterval
    pabak: EpochsInterval
    classes: tuple[ClassIntervals, ...]


def intervals_of_night(joint: JointClasses, table: TableAgreement, *, level: float) -> NightIntervals:
    """Return the intervals of a night's figures under one mapping.

    Parameters
    ----------
    joint : JointClasses
        Both sides under the mapping.
    table : TableAgreement
        Their table.
    level : float
        Confidence level.
    """
    agrees = joint.reference == joint.device
    accuracy = accuracy_interval(agrees, count_bouts(joint.reference), level=level)
    # a kappa that is 0 or 1 by definition has none: nothing that varies from epoch to epoch made it so
    varies = table.kappa.defined and table.kappa.se > 0
    kappa = kappa_interval(joint.reference, joint.device, level=level) if varies else NOTHING
    k = len(table.reference_classes)
    pabak = NOTHING if np.isnan(table.pabak) else _moved(accuracy, lambda share: (k * share - 1) / (k - 1))
    classes = tuple(
        _of_class(found.name, code, joint, level) if found.comparable else ClassIntervals(found.name)
        for code, found in enumerate(table.classes)
    )
    return NightIntervals(accuracy, kappa, pabak, classes)


def _moved(found: EpochsInterval, move: Callable[[float], float]) -> EpochsInterval:
    return EpochsInterval(move(found.low), move(found.high), found.effective)


def _of_class(name: str, code: int, joint: JointClasses, level: float) -> ClassIntervals:
    scored, said = joint.reference == code, joint.device == code
    agrees = scored == said
    # where a stretch of one class begins
    of_reference, of_device = (np.diff(side, prepend=-1) != 0 for side in (joint.reference, joint.device))

    def share(within: NDArray[np.bool_], changes: NDArray[np.bool_]) -> EpochsInterval:
        """Return the interval of the share that agrees within some epochs; all alike count as their stretches."""
        begins = episode_begins(joint.epochs[within], longest_gap=GAP_EPOCHS)
        stretches = max(int(begins.sum()), int(np.count_nonzero(changes[within])))
        return share_interval(agrees[within], begins, level=level, alike=stretches)

    # F1 is 2 J / (1 + J), where J is the share of agreement among the epochs to which either side gave the class
    overlap = share(scored | said, of_reference)
    constant = bool(agrees.all()) or any(bool(side.all()) or not side.any() for side in (scored, said))
    return ClassIntervals(
        name,
        share(scored, of_reference),
        share(~scored, of_reference),
        share(said, of_device),
        share(~said, of_device),
        _moved(overlap, lambda j: 2 * j / (1 + j)),
        NOTHING if constant else kappa_interval(scored.astype(np.int8), said.astype(np.int8), level=level),
    )
