"""Two devices on one night: the epochs that the reference and both devices scored, and everything counted on them.

A device that is silent where it would be wrong looks better on its own epochs than a twin that speaks. So what two
devices are compared in is counted again on the epochs that both scored, and silence is counted by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, Counts, LabelCodes
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.night.measures import measure_codes, pair_with_classes
from sleepagree.scoring.class_sequences import classes_of
from sleepagree.study.night_summary import NightSummary, share_equal

_Flags = NDArray[np.bool_]


class LeftOut(Enum):
    """Why two rows of one night cannot be laid on the same epochs."""

    NOT_KEPT = "epochs_not_kept"
    REFERENCE = "other_reference"
    NO_EPOCH = "no_joint_epoch"


@dataclass(frozen=True)
class SideOfComparison:
    """What is asked of one of the two devices.

    Parameters
    ----------
    mapping : StageMapping
        Names the classes whose minutes are told: the first mapping of the device.
    device_set : StageSet
        What the device can report, over all its nights.
    """

    mapping: StageMapping
    device_set: StageSet


class JointNight(NamedTuple):
    """One night that two devices watched, counted on the epochs of both their windows.

    Parameters
    ----------
    window_epochs : int
        Epochs that lie in the windows of both rows.
    epochs : int
        Those to which the reference and both devices gave a stage.
    silent : tuple of two int
        Epochs of the windows to which each device gave no stage.
    counts : int array, shape (2, reference classes, device classes)
        Each device against the reference on the joint epochs that the mapping of the comparison leaves to both.
    spoken_for : tuple of three int
        Epochs that the reference gave a class, and how many of them each device gave the same one; silence is not the
        same. Epochs whose label of either device the mapping leaves out are in none of the three.
    errors : tuple of two float arrays
        Absolute error of each device in its sleep measures on the joint epochs; nan where a side has none.
    measures : tuple of two tuples of str
        Names of those.
    """

    window_epochs: int
    epochs: int
    silent: tuple[int, int]
    counts: Counts
    spoken_for: tuple[int, int, int]
    errors: tuple[NDArray[np.float64], NDArray[np.float64]]
    measures: tuple[tuple[str, ...], tuple[str, ...]]


def count_joint_night(
    nights: tuple[NightSummary, NightSummary],
    *,
    mapping: StageMapping,
    sides: tuple[SideOfComparison, SideOfComparison],
    measured_by: StageMapping | None = None,
) -> JointNight | LeftOut:
    """Count one night of two devices on the epochs that both scored.

    Parameters
    ----------
    nights : tuple of two NightSummary
        The same night with either device.
    mapping : StageMapping
        A square mapping that both devices allow.
    sides : tuple of two SideOfComparison
        In the order of ``nights``.
    measured_by : StageMapping, optional
        Says whether a stage that does not tell (wake-or-sleep) is sleep.

    Returns
    -------
    JointNight or LeftOut
        The counts, or why there are none.
    """
    laid = _lay_together(*nights)
    if isinstance(laid, LeftOut):
        return laid
    reference, *devices = laid
    reference_set, device_sets = nights[0].reference_set, [night.device_set for night in nights]
    scored = _flags(reference, reference_set)
    said = list(map(_flags, devices, device_sets))
    joint = scored & said[0] & said[1]
    epochs = int(np.count_nonzero(joint))
    if not epochs:
        return LeftOut.NO_EPOCH
    rows = classes_of(reference, mapping.reference_codes(reference_set))
    columns = list(map(classes_of, devices, map(mapping.device_codes, device_sets)))
    counted = joint & (rows >= 0) & (columns[0] >= 0) & (columns[1] >= 0)
    # a label that the mapping leaves out is no silence, and no answer either
    answered = [(column >= 0) | ~spoke for column, spoke in zip(columns, said, strict=True)]
    asked = scored & (rows >= 0) & answered[0] & answered[1]
    position = np.array([*mapping.device_index, -2], np.int64)
    same = [
        int(np.count_nonzero(asked & spoke & (position[column] == rows)))
        for column, spoke in zip(columns, said, strict=True)
    ]
    return JointNight(
        int(reference.size),
        epochs,
        (_missing(said[0]), _missing(said[1])),
        np.stack([_cross(rows, column, counted, mapping) for column in columns]),
        (int(np.count_nonzero(asked)), same[0], same[1]),
        *_measure(laid, joint, (reference_set, *device_sets), sides, measured_by),
    )


def _missing(flags: _Flags) -> int:
    return int(flags.size - np.count_nonzero(flags))


def _flags(codes: LabelCodes, stage_set: StageSet) -> _Flags:
    """Return which epochs have a label that names a stage."""
    found: _Flags = _scored_by_code(stage_set)[codes]
    return found


@lru_cache(maxsize=256)
def _scored_by_code(stage_set: StageSet) -> _Flags:
    return np.array([*stage_set.scored, False])


def _cross(
    rows: NDArray[np.int64], columns: NDArray[np.int64], counted: _Flags, mapping: StageMapping
) -> NDArray[np.int64]:
    shape = len(mapping.reference_classes), len(mapping.device_classes)
    cells = rows[counted] * shape[1] + columns[counted]
    return np.bincount(cells, minlength=shape[0] * shape[1]).reshape(shape).astype(np.int64)


# --- laying two rows on one grid --------------------------------------------------------------------------


def _lay_together(first: NightSummary, second: NightSummary) -> tuple[LabelCodes, ...] | LeftOut:
    """Return the label codes of the reference and both devices on the epochs that lie in both windows."""
    if first.epochs is None or second.epochs is None:
        return LeftOut.NOT_KEPT
    hashes = [sorted(s.sha256 for s in night.references) for night in (first, second)]
    if all(hashes[0]) and all(hashes[1]) and hashes[0] != hashes[1]:
        return LeftOut.REFERENCE
    shift = (second.epochs.begin_s - first.epochs.begin_s) / EPOCH_S
    if abs(shift - round(shift)) > 1e-3:
        return LeftOut.REFERENCE
    codes = first.epochs.unpack(), second.epochs.unpack()
    # position of the second window's first epoch in the first window
    place = round(shift)
    begin, end = max(0, place), min(codes[0][0].size, place + codes[1][0].size)
    if begin >= end:
        return LeftOut.NO_EPOCH
    reference, one = (c[begin:end] for c in codes[0])
    again, two = (c[begin - place : end - place] for c in codes[1])
    if not _same_stages(reference, first.reference_set, again, second.reference_set):
        return LeftOut.REFERENCE
    return reference, one, two


def _same_stages(one: LabelCodes, of_one: StageSet, two: LabelCodes, of_two: StageSet) -> bool:
    """Whether two references say the same stage, or nothing, of every epoch."""
    if of_one == of_two:
        return bool(np.array_equal(one, two))
    words = sorted({*of_one.stages, *of_two.stages})
    ranks = [np.array([*map(words.index, x.stages), -1]) for x in (of_one, of_two)]
    return bool(np.array_equal(ranks[0][one], ranks[1][two]))


# --- measures ---------------------------------------------------------------------------------------------


def _measure(
    laid: tuple[LabelCodes, ...],
    joint: _Flags,
    sets: tuple[StageSet, ...],
    sides: tuple[SideOfComparison, SideOfComparison],
    measured_by: StageMapping | None,
) -> tuple[Any, Any]:
    """Return the errors of both devices in their measures on the joint epochs, and the names of these."""
    (reference, *devices), (reference_set, *device_sets) = laid, sets
    both = list(zip(sides, devices, device_sets, strict=True))
    classes = [
        (
            classes_of(reference, side.mapping.reference_codes(reference_set)),
            classes_of(codes, side.mapping.device_codes(device_set)),
        )
        for side, codes, device_set in both
    ]
    # minutes of classes too are those of the same epochs, whatever either mapping leaves out
    counted = joint & np.all([found >= 0 for of_side in classes for found in of_side], axis=0)
    errors, names = [], []
    for (side, codes, device_set), (rows, columns) in zip(both, classes, strict=True):
        measured = measure_codes(reference, codes, joint, reference_set, device_set, measured_by)
        pairs = pair_with_classes(measured, side.mapping, _cross(rows, columns, counted, side.mapping), side.device_set)
        # only the numbers stay: the pairs of a night would take six kilobytes
        errors.append(np.array([abs(pair.difference) for pair in pairs]))
        names.append(share_equal(tuple(pair.measure for pair in pairs)))
    return tuple(errors), tuple(names)
