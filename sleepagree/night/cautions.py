"""Where the numbers of one night would mislead a reader who does not know how the two files came about."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Final

import numpy as np

from sleepagree.caution import Caution, CautionKind, NoteKind
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.ledger import CONSENSUS
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.mapping.label_coverage import cover_labels
from sleepagree.mapping.mapping import StageMapping, fitting_mappings, reported_classes
from sleepagree.mapping.words import COVERAGE, UNSCORED, canonical_stage, is_sleep
from sleepagree.night.measures import measure_sides_alone, told_epochs
from sleepagree.scoring.measures import LATENCIES, MeasurePair, pair_measures

#: From here on time that one side did not score is told beside the measures, whichever comes first.
_MUCH_UNCOUNTED_SHARE: Final = 0.02
_MUCH_UNCOUNTED_MIN: Final = 10.0
#: Sleep that the device tells beyond the reference, from which on the reference may be a part of a recording.
_MUCH_LEFT_OVER_S: Final = 3600.0

_PER_MIN: Final = 60 / EPOCH_S

#: Order in a listing, the unclear ones last.
_ORDER: Final = ("W", "N1", "N2", "light", "light-or-rem", "N3", "R", "nrem", "sleep")


# --- words that the device lacks --------------------------------------------------------------------------


def unreported_cautions(paired: PairedNight, mappings: Sequence[StageMapping]) -> list[Caution]:
    """Say which mappings ask the device for words that it does not have."""
    out = []
    for mapping in mappings:
        reported = reported_classes(mapping, paired.device_set.reportable)
        unreported = tuple(name for name in mapping.device_classes if name not in reported)
        if not unreported:
            continue
        codes = mapping.reference_codes(paired.reference_set)
        rows = [i for i, c in enumerate(codes) if c >= 0 and mapping.reference_classes[c] in unreported]
        columns = [i for i, c in enumerate(mapping.device_codes(paired.device_set)) if c >= 0]
        epochs = int(paired.native[np.ix_(rows, columns)].sum())
        out.append(
            Caution.of(
                CautionKind.CLASS_UNREPORTABLE,
                classes=unreported,
                mapping=mapping.name,
                declared=paired.device_set.declared,
                epochs=epochs,
                fitting=tuple(m.name for m in fitting_mappings(paired.reference_set, paired.device_set)),
            )
        )
    return out


# --- which file is which ----------------------------------------------------------------------------------


def swapped_caution(paired: PairedNight) -> tuple[Caution, ...]:
    """Ask whether the two files are swapped, where the device tells finer stages than the reference.

    A consensus has the stages that all of its scorers tell: the device may tell finer ones.
    """
    if paired.reference_spans.origin.reader == CONSENSUS:
        return ()
    return _swapped_caution(paired.reference_set.stages, paired.device_set.stages)


@lru_cache(maxsize=256)
def _swapped_caution(of_reference: tuple[str, ...], of_device: tuple[str, ...]) -> tuple[Caution, ...]:
    reference, device = _definite(of_reference), _definite(of_device)
    finer = {d for d in device - reference if any(COVERAGE[d] < COVERAGE[r] for r in reference)}
    coarser = {r for r in reference if any(COVERAGE[d] < COVERAGE[r] for d in finer)}
    if not finer or any(COVERAGE[r] < COVERAGE[d] for r in reference for d in device):
        return ()
    return (Caution.of(CautionKind.SWAPPED, finer=_in_order(finer), coarser=_in_order(coarser)),)


def _definite(stages: Iterable[str]) -> set[str]:
    return {stage for stage in stages if stage in COVERAGE and is_sleep(stage) is not None}


def _in_order(stages: set[str]) -> tuple[str, ...]:
    return tuple(stage for stage in _ORDER if stage in stages)


def contradiction_caution(paired: PairedNight) -> list[Caution]:
    """Say which declaration was used, where the command and the layout differ on what the device can report."""
    told, device_set = paired.device_spans.reports, paired.device_set
    if told is None or not device_set.declared:
        return []
    by_layout = tuple(dict.fromkeys(canonical_stage(word) or word for word in told))
    used = set(device_set.reportable)
    if len(device_set.labels) > len(paired.device_spans.labels) and "W" not in by_layout:
        used -= {"W"}  # came with the silence that was taken as wake, whose label no file holds
    if used == set(by_layout):
        return []
    asked = tuple(stage for stage in device_set.reportable if stage in used)
    return [Caution.of(CautionKind.REPORTS_CONTRADICT, layout=by_layout, used=asked)]


def untold_sleep_cautions(paired: PairedNight, mapping: StageMapping | None) -> list[Caution]:
    """Say of which labels a mapping that alone explains them does not tell whether they are sleep."""
    if mapping is None:
        return []
    sides = ("reference", paired.reference_set), ("device", paired.device_set)
    found = []
    for (side, stage_set), covers in zip(sides, cover_labels(mapping, *(of for _, of in sides)), strict=True):
        labels = tuple(label for label, may_be in zip(stage_set.labels, covers, strict=True) if {"W"} < may_be)
        if labels:
            found.append(Caution.of(CautionKind.SLEEP_UNTOLD, labels=labels, of_side=side))
    return found


def left_over_caution(paired: PairedNight) -> list[Caution]:
    """Ask whether the reference is a part of a recording, where the device tells much sleep beyond it."""
    if any(note.kind == NoteKind.NIGHTS_IN_FILE for note in paired.ledger.notes):  # what lies beyond is other nights
        return []
    reference, device = paired.reference_spans, paired.device_spans
    begin_s = float(reference.onset_s[0]) - paired.shift_s
    end_s = reference.end_s - paired.shift_s
    ends_s = device.onset_s + device.duration_s
    if device.onset_s[0] >= begin_s - _MUCH_LEFT_OVER_S and ends_s[-1] <= end_s + _MUCH_LEFT_OVER_S:
        return []
    beyond = np.clip(begin_s - device.onset_s, 0.0, device.duration_s) + np.clip(ends_s - end_s, 0.0, device.duration_s)
    stages = device.stages
    told, asleep = (
        float(beyond[np.array(which, bool)[device.codes]].sum())
        for which in ([s != UNSCORED for s in stages], [is_sleep(s) is True for s in stages])
    )
    if asleep < _MUCH_LEFT_OVER_S:
        return []
    return [Caution.of(CautionKind.TIME_LEFT_OVER, minutes=told / 60, asleep_min=asleep / 60)]


def counting_cautions(paired: PairedNight) -> list[Caution]:
    """Tell sides whose epochs are counted, not timed, and that begin with different numbers or differ in length."""
    reference, device = paired.reference_spans, paired.device_spans
    if paired.clock_offset_s or reference.start is not None or device.start is not None:
        return []
    if reference.counted is None or device.counted is None:
        return _numbered_differently(paired)
    (reference_first, reference_n), (device_first, device_n) = reference.counted, device.counted
    if reference_first != device_first:
        firsts = {"reference_first": reference_first, "device_first": device_first}
        return [Caution.of(CautionKind.FIRST_EPOCHS_DIFFER, **firsts)]
    sides = (reference_n, reference.epoch_s or EPOCH_S), (device_n, device.epoch_s or EPOCH_S)
    if math.prod(sides[0]) == math.prod(sides[1]):
        return []
    times, left = divmod(max(reference_n, device_n), min(reference_n, device_n))
    times = 0 if left or times == 1 else times
    return [Caution.of(CautionKind.LENGTHS_DIFFER, reference=sides[0], device=sides[1], times=times)]


def _numbered_differently(paired: PairedNight) -> list[Caution]:
    """Tell files whose first epochs have different numbers: each began with its own first one."""
    numbered = [note for note in paired.ledger.notes if note.kind == NoteKind.EPOCHS_NUMBERED]
    firsts = {f"{note.side}_first": note["first"] for note in numbered}
    if len(firsts) < 2 or len(set(firsts.values())) == 1:
        return []
    return [Caution.of(CautionKind.FIRST_EPOCHS_DIFFER, **firsts, together=True)]


# --- time that does not count -----------------------------------------------------------------------------


def uncounted_time(
    paired: PairedNight, measures: Sequence[MeasurePair], mapping: StageMapping | None = None
) -> Caution | None:
    """Return what time in which one side says neither sleep nor wake does to the measures; None where it is little.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    measures : sequence of MeasurePair
        Measures of the night.
    mapping : StageMapping, optional
        The mapping that they were made with.
    """
    ledger = paired.ledger
    told = told_epochs(paired.reference, paired.device, paired.reference_set, paired.device_set, mapping)
    counted = int(np.count_nonzero(paired.scored & told))
    missing = ledger.window_epochs - counted
    little = missing <= _MUCH_UNCOUNTED_SHARE * ledger.window_epochs and missing <= _MUCH_UNCOUNTED_MIN * _PER_MIN
    latencies = _own_latencies(paired, measures, mapping) if missing else ()
    if little and all(abs(own - counted) < _MUCH_UNCOUNTED_MIN for _, _, own, counted in latencies):
        return None
    sides = next(((p.reference, p.device) for p in measures if p.measure == "TST"), (math.nan, math.nan))
    counted_min = counted / _PER_MIN
    efficiency = () if any(map(math.isnan, sides)) or not counted else tuple(100 * tst / counted_min for tst in sides)
    return Caution.of(
        CautionKind.TIME_UNCOUNTED,
        scored_min=counted_min,
        missing_min=missing / _PER_MIN,
        untold_min=(ledger.scored - counted) / _PER_MIN,
        efficiency_of_scored=efficiency,
        own_latencies=tuple((measure, side, own) for measure, side, own, _ in latencies),
    )


def _own_latencies(
    paired: PairedNight, measures: Sequence[MeasurePair], mapping: StageMapping | None
) -> tuple[tuple[str, str, float, float], ...]:
    """Return the latencies that are others by all that a side said: measure, side, minutes by that, as counted."""
    sides = measure_sides_alone(paired, mapping)
    own = {pair.measure: pair for pair in pair_measures(*sides, class_minutes=())}
    return tuple(
        (pair.measure, side, value, counted)
        for pair in measures
        if pair.measure in LATENCIES
        for side in ("reference", "device")
        if not math.isnan(value := getattr(own[pair.measure], side)) and value != (counted := getattr(pair, side))
    )
