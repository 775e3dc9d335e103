"""Sleep measures of both sides of a night, from the epochs that both scored."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN
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

_Side = tuple[StageSet, tuple[int, ...]]  # labels, and the class of each


class ToldStages(NamedTuple):
    """What the labels of one side say of sleep.

    Parameters
    ----------
    stages : tuple of str
        Of each label, in the order of the stage set: its own, or for a word that only the mapping explains the one
        that its class stands for; "" for a label that tells neither sleep nor wake.
    tells_sleep : bool
        Whether it is known of every class that such words stand in whether it is sleep; without that the side has no
        measure of sleep.
    """

    stages: tuple[str, ...]
    tells_sleep: bool

    def kinds(self, codes: NDArray[np.int16]) -> NDArray[np.uint8]:
        """Return what each epoch is, as `measure_kinds` reads it; -1 is a gap."""
        return np.array([*map(_kind, self.stages), SILENT], np.uint8)[codes]


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
    told = told_stages(mapping, reference_set, device_set)
    return (
        _measure_side(reference, counts, reference_set, told[0]),
        _measure_side(device, counts, device_set, told[1]),
    )


def measure_sides_alone(paired: PairedNight, mapping: StageMapping | None) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of either side from all that it says in the window, whatever the other says."""
    told, every = told_stages(mapping, paired.reference_set, paired.device_set), np.ones(paired.scored.size, bool)
    return (
        _measure_side(paired.reference, every, paired.reference_set, told[0]),
        _measure_side(paired.device, every, paired.device_set, told[1]),
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
    for codes, told in zip((reference, device), told_stages(mapping, reference_set, device_set), strict=True):
        if told.tells_sleep:
            found &= told.kinds(codes) != SILENT
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
    side = device_set, mapping.device_rows(device_set)
    measures = _measure_side(
        codes, np.ones(codes.size, bool), device_set, _told_by_side(side, _stages_of_classes(mapping, side))
    )
    classes = classes_of(codes, mapping.device_codes(device_set))
    counts = np.zeros((len(mapping.reference_classes), len(mapping.device_classes)), np.int64)
    # minutes of the device's classes are sums of columns: which row holds them does not matter
    counts[0] = np.bincount(classes[classes >= 0], minlength=len(mapping.device_classes))
    sleep_min = np.count_nonzero(general_epochs(codes, *side)) * EPOCH_S / 60
    pairs = pair_with_classes((measures, measures), mapping, counts, device_set, (sleep_min, sleep_min))
    return tuple((pair.measure, pair.unit, pair.device) for pair in pairs)


def asleep_classes(mapping: StageMapping, device_set: StageSet) -> tuple[bool, ...]:
    """Return whether each class of the reference is sleep; a device's label of wake makes its class wake, too."""
    held = _held_by_classes(mapping, (device_set, mapping.device_rows(device_set)))
    return tuple("W" not in stages for stages in held)


@lru_cache(maxsize=256)
def told_stages(
    mapping: StageMapping | None, reference_set: StageSet, device_set: StageSet
) -> tuple[ToldStages, ToldStages]:
    """Return what the labels of reference and device say of sleep under a mapping, or without one."""
    if mapping is None:
        # without a class no label goes anywhere
        nowhere = ((side, (-1,) * len(side.stages)) for side in (reference_set, device_set))
        reference, device = (_told_by_side(side, []) for side in nowhere)
        return reference, device
    mapping = mapping.read_with(reference_set)
    sides = ((reference_set, mapping.reference_codes(reference_set)), (device_set, mapping.device_rows(device_set)))
    of_classes = _stages_of_classes(mapping, *sides)
    return _told_by_side(sides[0], of_classes), _told_by_side(sides[1], of_classes)


def _told_by_side(side: _Side, of_classes: Sequence[str]) -> ToldStages:
    """Return what the labels of a side say, with the stage that each class stands for."""
    own = [(stage, code, is_sleep(stage) is not None) for stage, code in zip(side[0].stages, side[1], strict=True)]
    stages = tuple(stage if is_told else of_classes[code] if code >= 0 else "" for stage, code, is_told in own)
    return ToldStages(stages, all(is_told or code < 0 or of_classes[code] for _, code, is_told in own))


def _held_by_classes(mapping: StageMapping, *sides: _Side) -> list[set[str]]:
    """Return the stages that are sleep or wake and are known to be in each class: by its name, by lines, by labels."""
    names = mapping.reference_classes
    told = [(canonical_stage(name) or "", name) for name in names]
    told += (*mapping.stage_classes, *mapping.device)
    told += [(s, names[c]) for side, codes in sides for s, c in zip(side.stages, codes, strict=True) if c >= 0]
    return [{stage for stage, of in told if of == name and is_sleep(stage) is not None} for name in names]


def _stages_of_classes(mapping: StageMapping, *sides: _Side) -> list[str]:
    """Return the stage that a word known by its class alone stands for; "" where it may be wake or sleep.

    A class of which nothing is known is sleep where another one is known to be that of wake.
    """
    held = _held_by_classes(mapping, *sides)
    has_wake = any("W" in stages for stages in held)
    found = []
    for name, stages in zip(mapping.reference_classes, held, strict=True):
        covered = frozenset[str]().union(*(COVERAGE[stage] for stage in stages))
        named = canonical_stage(name) or ""
        if "W" in covered or not (covered or has_wake):
            found.append("W" if covered == {"W"} else "")
        else:
            found.append(named if covered and covered <= COVERAGE.get(named, frozenset()) else "sleep")
    return found


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
    told = told_stages(mapping, reference_set, device_set)
    codes = mapping.read_with(reference_set).reference_codes(reference_set), mapping.device_codes(device_set)
    sets = reference_set, device_set
    rows, columns = (np.array(_are_general(side, c), bool) for side, c in zip(sets, codes, strict=True))
    if not (rows.any() or columns.any()):
        return 0.0, 0.0
    asleep = [np.array([is_sleep(stage) is True for stage in of.stages], bool) for of in told]
    is_told = [np.array([stage != "" for stage in of.stages], bool) for of in told]
    epochs = native * (rows[:, None] | columns) * np.outer(*is_told)
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
    codes: NDArray[np.int16], counts: NDArray[np.bool_], stage_set: StageSet, told: ToldStages
) -> SleepMeasures:
    if not told.tells_sleep:
        return SleepMeasures(codes.size * EPOCH_S / 60, *[NAN] * 7)
    return measure_kinds(
        np.where(counts, told.kinds(codes), _SILENT).tobytes(),
        reports_rem="R" in (*stage_set.reportable, *told.stages),
        reports_deep="N3" in (*stage_set.reportable, *told.stages),
        epoch_min=EPOCH_S / 60,
    )


_SILENT: Final = np.uint8(SILENT)


def _kind(stage: str) -> int:
    """Return sleep, wake or neither, with the bit of REM or deep."""
    asleep = is_sleep(stage)
    return SILENT if asleep is None else WAKE if not asleep else SLEEP | {"R": REM_BIT, "N3": DEEP_BIT}.get(stage, 0)
