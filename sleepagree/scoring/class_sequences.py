"""Sequences of classes of both sides under one mapping, for everything that looks at time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import LabelCodes
from sleepagree.mapping.mapping import StageMapping, fitting_mappings


def classes_of(codes: LabelCodes, of_label: Sequence[int]) -> NDArray[np.int64]:
    """Return the class of each epoch, -1 for a gap and for a label that is left out."""
    return np.array([*of_label, -1], np.int64)[codes]


def class_sequence(
    codes: NDArray[np.int16], scored: NDArray[np.bool_], class_codes: Sequence[int], left_out: int
) -> NDArray[np.int16]:
    """Return the class of every epoch; ``left_out`` where the mapping leaves it out, -1 where not scored."""
    lookup = np.array([*(left_out if c < 0 else c for c in class_codes), -1], np.int16)
    return np.where(scored, lookup[codes], np.int16(-1))


def third_of(numbers: NDArray[np.intp], epochs: int) -> NDArray[np.intp]:
    """Return in which third of a window of so many epochs those of some numbers lie: 0, 1 or 2."""
    return numbers * 3 // epochs


class JointClasses(NamedTuple):
    """Classes of the epochs that both sides staged and the mapping keeps, in order.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Position among the reference classes.
    epochs : int array, shape (n_epochs,)
        Number of each epoch in the window.
    """

    reference: NDArray[np.int16]
    device: NDArray[np.int16]
    epochs: NDArray[np.intp]


def joint_classes(paired: PairedNight, mapping: StageMapping) -> JointClasses:
    """Return both sides under a mapping, device classes by their position among the reference's."""
    rows, columns = both_codes(paired, mapping)
    reference = class_sequence(paired.reference, paired.scored, rows, -1)
    device = class_sequence(paired.device, paired.scored, columns, -1)
    epochs = np.flatnonzero((reference >= 0) & (device >= 0))
    return JointClasses(reference[epochs], device[epochs], epochs)


def both_codes(paired: PairedNight, mapping: StageMapping) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the class of each native label of both sides, by position among the reference classes."""
    return mapping.reference_codes(paired.reference_set), mapping.device_rows(paired.device_set)


def square_mapping(paired: PairedNight, mapping: StageMapping) -> StageMapping | None:
    """Return ``mapping`` if it is square, else the finest built-in square one that fits, or None."""
    if mapping.is_square:
        return mapping
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    return next((m for m in fitting if m.is_square), None)
