"""Sleep measures of both sides of a night, from the epochs that both scored."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping, reported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import canonical_stage, is_sleep
from sleepagree.scoring.class_sequences import classes_of
from sleepagree.scoring.measures import (
    DEEP_BIT,
    REM_BIT,
    SILENT,
    SLEEP,
    WAKE,
    MeasurePair,
    SleepMeasures,
    measure_kinds,
    pair_measures,
)


def measure_sides(
    paired: PairedNight, mapping: StageMapping | None, *, scored: NDArray[np.bool_] | None = None
) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of reference and device from jointly scored epochs.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    mapping : StageMapping or None
        Says whether a stage that does not tell (wake-or-sleep) is sleep; without it such epochs are neither.
    scored : bool array, shape (n_epochs,), optional
        Epochs that count instead of those.
    """
    scored = paired.scored if scored is None else scored
    return measure_codes(paired.reference, paired.device, scored, paired.reference_set, paired.device_set, mapping)


def measure_codes(
    reference: NDArray[np.int16],
    device: NDArray[np.int16],
    scored: NDArray[np.bool_],
    reference_set: StageSet,
    device_set: StageSet,
    mapping: StageMapping | None,
) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of both sides from label codes, as :func:`measure_sides` does."""
    rows = columns = None
    wake: frozenset[int] = frozenset()
    if mapping is not None:
        mapping = mapping.read_with(reference_set)
        rows = mapping.reference_codes(reference_set)
        columns = mapping.device_rows(device_set)
        wake = _wake_classes(mapping, reference_set.stages, rows) | _wake_classes(mapping, device_set.stages, columns)
    return (
        _measure_side(reference, scored, reference_set, mapping, rows, wake),
        _measure_side(device, scored, device_set, mapping, columns, wake),
    )


def measure_device(
    codes: NDArray[np.int16], device_set: StageSet, mapping: StageMapping
) -> tuple[tuple[str, str, float], ...]:
    """Return (measure, unit, value) of a device alone, with no reference beside it; nan where undefined.

    Parameters
    ----------
    codes : int array, shape (n_epochs,)
        Position of each epoch's label in the device's stage set, -1 for a gap.
    device_set : StageSet
        Its labels and what it can report.
    mapping : StageMapping
        Names the classes.
    """
    columns = mapping.device_rows(device_set)
    wake = _wake_classes(mapping, device_set.stages, columns)
    scored = np.array([*device_set.scored, False])[codes]
    measures = _measure_side(codes, scored, device_set, mapping, columns, wake)
    classes = classes_of(codes, mapping.device_codes(device_set))
    counts = np.zeros((len(mapping.reference_classes), len(mapping.device_classes)), np.int64)
    # minutes of the device's classes are sums of columns: which row holds them does not matter
    counts[0] = np.bincount(classes[classes >= 0], minlength=len(mapping.device_classes))
    pairs = pair_with_classes((measures, measures), mapping, counts, device_set)
    return tuple((pair.measure, pair.unit, pair.device) for pair in pairs)


def asleep_classes(mapping: StageMapping, device_set: StageSet) -> tuple[bool, ...]:
    """Return whether each class of the reference is sleep; a device's label of wake makes its class wake, too."""
    wake = _wake_classes(mapping, device_set.stages, mapping.device_rows(device_set))
    return tuple(i not in wake for i in range(len(mapping.reference_classes)))


def _wake_classes(mapping: StageMapping, stages: tuple[str, ...], codes: tuple[int, ...]) -> frozenset[int]:
    """Return which classes are wake: by their own name, or because wake is taken into them.

    ``stages`` and ``codes`` tell stage and class of each label of a side: a mapping file may name labels instead.
    """
    wake = {name for name in mapping.reference_classes if canonical_stage(name) == "W"}
    wake |= {target for stage, target in (*mapping.stage_classes, *mapping.device) if stage == "W"}
    of_labels = {code for stage, code in zip(stages, codes, strict=True) if stage == "W" and code >= 0}
    return frozenset(of_labels.union(i for i, name in enumerate(mapping.reference_classes) if name in wake))


def _tells_sleep(mapping: StageMapping, stage_set: StageSet, codes: tuple[int, ...]) -> bool:
    """Whether the labels of a side tell sleep from wake: one known only by a class that holds both does not."""
    names = {
        mapping.reference_classes[c]
        for s, c in zip(stage_set.stages, codes, strict=True)
        if c >= 0 and is_sleep(s) is None
    }
    held = ({is_sleep(stage) for stage, of in mapping.stage_classes if of == name} for name in names)
    return not any({True, False} <= kinds for kinds in held)


def pair_with_classes(
    measured: tuple[SleepMeasures, SleepMeasures], mapping: StageMapping, counts: Counts, device_set: StageSet
) -> tuple[MeasurePair, ...]:
    """Return the measures of both sides and the minutes of the classes of one table, in the order of tables."""
    stages = (("REM latency", "R"), ("deep latency", "N3"))
    cannot = tuple(measure for measure, stage in stages if stage not in device_set.reportable)
    minutes = class_minutes(mapping, counts, reported=reported_classes(mapping, device_set.reportable))
    asleep = zip(mapping.reference_classes, asleep_classes(mapping, device_set), strict=True)
    of_wake = tuple(name for name, is_asleep in asleep if not is_asleep)
    tells_sleep = _tells_sleep(mapping, device_set, mapping.device_rows(device_set))
    return pair_measures(
        *measured, class_minutes=minutes, not_reported=cannot, of_wake=of_wake, device_tells_sleep=tells_sleep
    )


def class_minutes(
    mapping: StageMapping, counts: Counts, *, reported: Sequence[str]
) -> tuple[tuple[str, float, float], ...]:
    """Return (class, reference minutes, device minutes) of one table; nan for a class the device lacks.

    Parameters
    ----------
    mapping : StageMapping
        Names the classes.
    counts : int array, shape (reference classes, device classes)
        Epochs.
    reported : sequence of str
        Classes that the device can report.
    """
    half = EPOCH_S / 60
    rows, columns = counts.sum(axis=1) * half, counts.sum(axis=0) * half
    of_device = {
        name: minutes
        for name, minutes in zip(mapping.device_classes, columns.tolist(), strict=True)
        if name in reported
    }
    return tuple((name, float(rows[i]), of_device.get(name, NAN)) for i, name in enumerate(mapping.reference_classes))


def _measure_side(
    codes: NDArray[np.int16],
    scored: NDArray[np.bool_],
    stage_set: StageSet,
    mapping: StageMapping | None,
    class_codes: tuple[int, ...] | None,
    wake: frozenset[int],
) -> SleepMeasures:
    if mapping is not None and class_codes is not None and not _tells_sleep(mapping, stage_set, class_codes):
        return SleepMeasures(scored.size * EPOCH_S / 60, *[NAN] * 7)
    kind = _kinds_by_label(stage_set, class_codes, wake)[codes]
    return measure_kinds(
        np.where(scored, kind, _SILENT).tobytes(),
        reports_rem="R" in stage_set.reportable,
        reports_deep="N3" in stage_set.reportable,
        epoch_min=EPOCH_S / 60,
    )


_SILENT: Final = np.uint8(SILENT)


@lru_cache(maxsize=256)
def _kinds_by_label(
    stage_set: StageSet, class_codes: tuple[int, ...] | None, wake: frozenset[int]
) -> NDArray[np.uint8]:
    """Return what an epoch with each label is; the last entry is that of a gap (code -1)."""
    targets = class_codes if class_codes is not None else (-1,) * len(stage_set.stages)
    bits = {"R": REM_BIT, "N3": DEEP_BIT}
    kinds = [
        _sleep_kind(stage, code, wake) | bits.get(stage, 0)
        for stage, code in zip(stage_set.stages, targets, strict=True)
    ]
    return np.array([*kinds, SILENT], np.uint8)


def _sleep_kind(stage: str, class_code: int, wake: frozenset[int]) -> int:
    """Sleep, wake, or neither; a stage that does not tell (wake-or-sleep) counts as its class does."""
    asleep = is_sleep(stage)
    if asleep is None and class_code >= 0:
        asleep = class_code not in wake
    return SILENT if asleep is None else SLEEP if asleep else WAKE
