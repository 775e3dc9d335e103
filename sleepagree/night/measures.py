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
from sleepagree.mapping.label_coverage import LabelCoverage, cover_device, cover_labels, known_in_classes
from sleepagree.mapping.mapping import StageMapping, reported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import COVERAGE, canonical_stage, is_sleep
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


def measure_sides(paired: PairedNight, mapping: StageMapping | None) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of reference and device from the epochs in which both say sleep or wake.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    mapping : StageMapping or None
        Says whether a stage that does not tell (wake-or-sleep) is sleep; without it such epochs are neither.
    """
    sets = paired.reference_set, paired.device_set
    return measure_codes(paired.reference, paired.device, paired.scored, *sets, mapping)


def measure_codes(
    reference: NDArray[np.int16],
    device: NDArray[np.int16],
    scored: NDArray[np.bool_],
    reference_set: StageSet,
    device_set: StageSet,
    mapping: StageMapping | None,
) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of both sides from label codes, as :func:`measure_sides` does."""
    counts = scored & told_epochs(reference, device, reference_set, device_set, mapping)
    covers = cover_labels(mapping, reference_set, device_set)
    return (
        _measure_side(reference, counts, reference_set, covers[0]),
        _measure_side(device, counts, device_set, covers[1]),
    )


def measure_sides_alone(paired: PairedNight, mapping: StageMapping | None) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of either side from all that it says in the window, whatever the other says."""
    covers = cover_labels(mapping, paired.reference_set, paired.device_set)
    every = np.ones(paired.scored.size, bool)
    return (
        _measure_side(paired.reference, every, paired.reference_set, covers[0]),
        _measure_side(paired.device, every, paired.device_set, covers[1]),
    )


def told_epochs(
    reference: NDArray[np.int16],
    device: NDArray[np.int16],
    reference_set: StageSet,
    device_set: StageSet,
    mapping: StageMapping | None,
) -> NDArray[np.bool_]:
    """Return the epochs in which either side says sleep or wake; one that never tells takes none from the other."""
    found = np.ones(reference.size, bool)
    for codes, covers in zip((reference, device), cover_labels(mapping, reference_set, device_set), strict=True):
        if _tell_sleep(covers):
            found &= _kinds(covers)[codes] != SILENT
    return found


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
    covers = cover_device(mapping, device_set)
    measures = _measure_side(codes, np.ones(codes.size, bool), device_set, covers)
    classes = classes_of(codes, mapping.device_codes(device_set))
    counts = np.zeros((len(mapping.reference_classes), len(mapping.device_classes)), np.int64)
    # minutes of the device's classes are sums of columns: which row holds them does not matter
    counts[0] = np.bincount(classes[classes >= 0], minlength=len(mapping.device_classes))
    sleep_min = np.count_nonzero(general_epochs(codes, device_set, mapping.device_codes(device_set))) * EPOCH_S / 60
    pairs = pair_with_classes((measures, measures), mapping, counts, device_set, (sleep_min, sleep_min))
    return tuple((pair.measure, pair.unit, pair.device) for pair in pairs)


def asleep_classes(mapping: StageMapping, device_set: StageSet) -> tuple[bool, ...]:
    """Return whether each class of the reference is sleep; a device's label of wake makes its class wake, too."""
    known = known_in_classes(mapping, (device_set, mapping.device_rows(device_set)))
    return tuple("W" not in stages for stages in known)


def general_sleep(
    mapping: StageMapping, native: Counts, reference_set: StageSet, device_set: StageSet
) -> tuple[float, float]:
    """Return the minutes asleep, by reference and by device, in which a side has a word too general for a class.

    Parameters
    ----------
    mapping : StageMapping
        Names the classes.
    native : int array, shape (reference labels, device labels)
        Epochs that both sides scored.
    reference_set, device_set : StageSet
        Labels of both sides.
    """
    codes = mapping.read_with(reference_set).reference_codes(reference_set), mapping.device_codes(device_set)
    sets = reference_set, device_set
    rows, columns = (np.array(_are_general(side, c), bool) for side, c in zip(sets, codes, strict=True))
    if not (rows.any() or columns.any()):
        return 0.0, 0.0
    kinds = [_kinds(covers)[:-1] for covers in cover_labels(mapping, reference_set, device_set)]
    told, asleep = [kind != SILENT for kind in kinds], [(kind & SLEEP) > 0 for kind in kinds]
    epochs = native * (rows[:, None] | columns) * np.outer(*told)
    return float(epochs[asleep[0]].sum()) * EPOCH_S / 60, float(epochs[:, asleep[1]].sum()) * EPOCH_S / 60


def general_epochs(codes: NDArray[np.int16], stage_set: StageSet, class_codes: Sequence[int]) -> NDArray[np.bool_]:
    """Return the epochs for which a side has a word for sleep that is too general for a class."""
    found: NDArray[np.bool_] = np.array([*_are_general(stage_set, class_codes), False])[codes]
    return found


def _are_general(stage_set: StageSet, class_codes: Sequence[int]) -> list[bool]:
    """Return which labels are sleep of a kind that is not told, and therefore in no class."""
    labels = zip(stage_set.stages, class_codes, strict=True)
    return [code < 0 and is_sleep(stage) is True and len(COVERAGE[stage]) > 1 for stage, code in labels]


def pair_with_classes(
    measured: tuple[SleepMeasures, SleepMeasures],
    mapping: StageMapping,
    counts: Counts,
    device_set: StageSet,
    general_min: tuple[float, float] = (0.0, 0.0),
) -> tuple[MeasurePair, ...]:
    """Return the measures of both sides and the minutes of the classes of one table, in the order of tables.

    ``general_min`` is sleep of both sides that is no part of the table, as :func:`general_sleep` returns it.
    """
    reported = reported_classes(mapping, device_set.reportable)
    can_say = {*device_set.reportable, *map(canonical_stage, reported)}
    latencies = (("REM latency", "R"), ("deep latency", "N3"))
    asleep = zip(mapping.reference_classes, asleep_classes(mapping, device_set), strict=True)
    return pair_measures(
        *measured,
        class_minutes=class_minutes(mapping, counts, reported=reported),
        general_min=general_min,
        not_reported=tuple(measure for measure, stage in latencies if stage not in can_say),
        of_wake=tuple(name for name, is_asleep in asleep if not is_asleep),
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
    codes: NDArray[np.int16], counts: NDArray[np.bool_], stage_set: StageSet, covers: LabelCoverage
) -> SleepMeasures:
    if not _tell_sleep(covers):
        return SleepMeasures(codes.size * EPOCH_S / 60, *[NAN] * 7)
    return measure_kinds(
        np.where(counts, _kinds(covers)[codes], _SILENT).tobytes(),
        reports_rem="R" in stage_set.reportable or {"R"} in covers,
        reports_deep="N3" in stage_set.reportable or {"N3"} in covers,
        epoch_min=EPOCH_S / 60,
    )


_SILENT: Final = np.uint8(SILENT)


def _tell_sleep(covers: LabelCoverage) -> bool:
    """Whether no label of a side stands in a class that may hold both wake and sleep."""
    return not any({"W"} < stages for stages in covers)


@lru_cache(maxsize=256)
def _kinds(covers: LabelCoverage) -> NDArray[np.uint8]:
    """Return what an epoch with each label is, as `measure_kinds` reads it; the last is a gap (code -1)."""
    return np.array([*map(_kind, covers), SILENT], np.uint8)


def _kind(covers: frozenset[str]) -> int:
    """Return sleep, wake or neither, with the bit of REM or deep."""
    if "W" in covers or not covers:
        return WAKE if covers == {"W"} else SILENT
    return SLEEP | (REM_BIT if covers == {"R"} else DEEP_BIT if covers == {"N3"} else 0)
