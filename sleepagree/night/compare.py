"""One night: from a paired night to everything that is said about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import MappingError, counted, shorten
from sleepagree.hypnogram.align import PairedNight, WindowRule
from sleepagree.hypnogram.spans import EPOCH_S, Counts, frozen_array
from sleepagree.inference.estimate import NAN
from sleepagree.inference.resampling import block_bootstrap_tables, percentile_interval, rng_for
from sleepagree.mapping.stages import (
    LEAVE_OUT,
    UNSCORED,
    StageMapping,
    StageSet,
    canonical_stage,
    default_mapping,
    fitting_mappings,
    is_sleep,
)
from sleepagree.night.cautions import (
    contradiction_caution,
    swapped_caution,
    uncounted_time,
    unsaid_cautions,
    unsaid_classes,
)
from sleepagree.scoring import coefficients
from sleepagree.scoring.ceiling import Ceiling, design_ceiling
from sleepagree.scoring.class_sequences import both_codes, class_sequence, joint_classes, square_mapping
from sleepagree.scoring.clock_check import check_clock, clock_caution
from sleepagree.scoring.disagreement import Disagreement, describe_disagreement
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
from sleepagree.scoring.offsets import QuickOffset
from sleepagree.scoring.redistribution import (
    BiasSource,
    Redistribution,
    account_for_bias,
    trace_unreported_stage,
    unreported_stages,
)
from sleepagree.scoring.table_agreement import TableAgreement, summarise_table

MEAN_BLOCK_EPOCHS: Final = 30
_LONG_WAKE_MIN: Final = 60
_KEPT_WAKE_MIN: Final = 30


@dataclass(frozen=True, eq=False)
class MappingAgreement:
    """Agreement of one night under one mapping.

    Parameters
    ----------
    mapping : StageMapping
        How stages form classes.
    counts : int array, shape (reference classes, device classes)
        Epochs; rows reference.
    left_out : int
        Jointly staged epochs that the mapping leaves out.
    table : TableAgreement
        Statistics of ``counts``.
    block_low, block_high : float
        Stationary block bootstrap interval of kappa; nan without one.
    ceiling : Ceiling
        The best that a device with these labels could reach on this night.
    """

    mapping: StageMapping
    counts: Counts
    left_out: int
    table: TableAgreement
    block_low: float
    block_high: float
    ceiling: Ceiling

    def __post_init__(self) -> None:
        object.__setattr__(self, "counts", frozen_array(self.counts, np.int64))

    def __reduce__(self) -> tuple[Any, ...]:
        return (MappingAgreement, tuple(getattr(self, f.name) for f in fields(self)))


@dataclass(frozen=True)
class NightAgreement:
    """Everything that is said about one night.

    Parameters
    ----------
    paired : PairedNight
        The two sides on one grid, with the ledger.
    native : int array, shape (reference labels, device labels)
        Jointly scored epochs before any mapping.
    mappings : tuple of MappingAgreement
        In the order asked for; the first one names the classes of measures, redistribution and bias.
    others : tuple of MappingAgreement
        Where the first mapping has no kappa and none was asked for: two that have one, for the reader's ease.
    measures : tuple of MeasurePair
        Sleep measures of both sides.
    redistribution : tuple of Redistribution
        One for each reference stage that the device cannot report.
    bias_sources : tuple of BiasSource
        One for each class that both sides can say.
    disagreement : Disagreement or None
        How disagreement lies in time, under the first mapping; None where the mapping leaves no epoch.
    clock : QuickOffset or None
        Whether a shift of whole epochs would raise agreement.
    cautions : tuple of str
        Plain sentences.
    resamples, seed, level : int, int, float
        Settings of the block bootstrap and the level of every interval.
    """

    paired: PairedNight
    native: Counts
    mappings: tuple[MappingAgreement, ...]
    others: tuple[MappingAgreement, ...]
    measures: tuple[MeasurePair, ...]
    redistribution: tuple[Redistribution, ...]
    bias_sources: tuple[BiasSource, ...]
    disagreement: Disagreement | None
    clock: QuickOffset | None
    cautions: tuple[str, ...]
    resamples: int
    seed: int
    level: float

    @property
    def unsaid(self) -> tuple[str, ...]:
        """Reference classes of the first mapping that the device has no label for."""
        mapping = self.mappings[0].mapping
        lacking = unsaid_classes(mapping, self.paired.device_set)
        return tuple(c for c in mapping.reference_classes if c not in mapping.device_classes or c in lacking)

    @property
    def uncounted(self) -> str:
        """What time that one side did not score does to the measures; "" where it is little."""
        return uncounted_time(self.paired, self.measures)

    def _repr_html_(self) -> str:
        """Return what a notebook shows."""
        import sleepagree

        return sleepagree.show_in_notebook(self)


def fold_counts(counts: NDArray[Any], rows: Sequence[int], columns: Sequence[int], shape: tuple[int, int]) -> Counts:
    """Return counts of classes as sums of counts of labels.

    Parameters
    ----------
    counts : array, shape (..., labels of the reference, labels of the device)
        Epochs.
    rows, columns : sequence of int
        Class of each label, -1 where it is left out.
    shape : (int, int)
        Number of classes on both sides.

    Returns
    -------
    array, shape (..., *shape)
        ``R' N D`` with 0/1 matrices R and D.
    """
    folded: Counts = np.asarray(_indicator(rows, shape[0]).T @ counts @ _indicator(columns, shape[1]))
    return folded


def _indicator(codes: Sequence[int], n_classes: int) -> NDArray[np.int64]:
    hit: NDArray[np.int64] = (np.asarray(codes, np.int64)[:, None] == np.arange(n_classes)).astype(np.int64)
    return hit


def compare(
    paired: PairedNight,
    *,
    mappings: Sequence[StageMapping] = (),
    resamples: int = 2000,
    seed: int = 0,
    level: float = 0.95,
) -> NightAgreement:
    """Score one night.

    Parameters
    ----------
    paired : PairedNight
        The two sides, as :func:`sleepagree.hypnogram.align.align` returns them.
    mappings : sequence of StageMapping
        How stages form classes; default: the finest built-in one that the two label sets allow.
    resamples : int
        Block bootstrap resamples; 0 for no such intervals.
    seed : int
        Seed of the bootstrap.
    level : float
        Confidence level of every interval.

    Raises
    ------
    MappingError
        When a mapping says nothing about a label, none fits, or two have one name.
    """
    chosen = tuple(mappings) or (default_mapping(paired.reference_set, paired.device_set),)
    refuse_same_names(chosen)
    native = paired.count_native()
    resampled = _resample_native(paired, native.shape, resamples, seed)
    scored = tuple(_score_mapping(m, paired, native, resampled, level) for m in chosen)
    others = () if mappings else _with_kappa(scored[0], paired)
    first = scored[0]
    unsaid = unsaid_classes(chosen[0], paired.device_set)
    measures = measure_both(paired, chosen[0], first.counts)
    clock = check_clock(paired, chosen[0])
    return NightAgreement(
        paired,
        native,
        scored,
        tuple(_score_mapping(m, paired, native, resampled, level) for m in others),
        measures,
        _redistribute(paired, chosen[0], resampled, level),
        tuple(s for s in _account_for_bias(first) if s.name not in unsaid),
        _describe_time(paired, chosen[0]),
        clock,
        (*paired.cautions, *_cautions(paired, scored, measures), *clock_caution(clock)),
        resamples,
        seed,
        level,
    )


def _account_for_bias(scored: MappingAgreement) -> tuple[BiasSource, ...]:
    return account_for_bias(
        scored.counts,
        reference_classes=scored.mapping.reference_classes,
        device_classes=scored.mapping.device_classes,
    )


def refuse_same_names(mappings: Sequence[StageMapping]) -> None:
    """Raise a MappingError when two mappings have one name, so that results could not tell them apart."""
    names = [mapping.name for mapping in mappings]
    twice = next((name for i, name in enumerate(names) if name in names[:i]), None)
    if twice is not None:
        raise MappingError(
            "two mappings have one name", "", "--mapping", twice, "distinct names", "Rename the one in the file."
        )


def _with_kappa(first: MappingAgreement, paired: PairedNight) -> tuple[StageMapping, ...]:
    if first.mapping.is_square:
        return ()
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    return tuple(m for m in fitting if m.name in ("rem-left-out", "wake-sleep"))


def _resample_native(
    paired: PairedNight, shape: tuple[int, ...], resamples: int, seed: int
) -> NDArray[np.float64] | None:
    """Return native tables of block bootstrap resamples, shape (resamples, rows, columns)."""
    if resamples <= 0:
        return None
    scored = paired.scored
    cells = paired.reference[scored].astype(np.int64) * shape[1] + paired.device[scored]
    # np.unique would load numpy.ma, which costs more than the bootstrap
    number = np.cumsum(np.bincount(cells, minlength=shape[0] * shape[1]) > 0) - 1
    used = np.flatnonzero(np.bincount(cells, minlength=shape[0] * shape[1]))
    codes = number[cells]
    tables = block_bootstrap_tables(
        codes,
        int(used.size),
        resamples=resamples,
        mean_block_epochs=MEAN_BLOCK_EPOCHS,
        rng=rng_for(seed, "night blocks"),
    )
    full = np.zeros((resamples, shape[0] * shape[1]))
    full[:, used] = tables
    return full.reshape(resamples, *shape)


def _score_mapping(
    mapping: StageMapping,
    paired: PairedNight,
    native: Counts,
    resampled: NDArray[np.float64] | None,
    level: float,
) -> MappingAgreement:
    rows, columns = mapping.reference_codes(paired.reference_set), mapping.device_codes(paired.device_set)
    shape = len(mapping.reference_classes), len(mapping.device_classes)
    counts = fold_counts(native, rows, columns, shape)
    table = summarise_table(
        counts,
        reference_classes=mapping.reference_classes,
        device_classes=mapping.device_classes,
        level=level,
    )
    block_low, block_high = NAN, NAN
    if resampled is not None and mapping.is_square and table.kappa.defined:
        kappas = coefficients.kappa(fold_counts(resampled, rows, columns, shape))
        # no interval where more than one resample in twenty has no kappa: the rest says little about the night
        found = percentile_interval(kappas, level=level)
        block_low, block_high = found.low, found.high
    has = [name in mapping.device_classes for name in mapping.reference_classes]
    ceiling = design_ceiling(counts.sum(axis=1), device_has=has)
    return MappingAgreement(mapping, counts, int(native.sum() - counts.sum()), table, block_low, block_high, ceiling)


# --- measures ---------------------------------------------------------------------------------------------


def measure_sides(paired: PairedNight, mapping: StageMapping | None) -> tuple[SleepMeasures, SleepMeasures]:
    """Return the measures of reference and device from jointly scored epochs.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    mapping : StageMapping or None
        Says whether a stage that does not tell (wake-or-sleep) is sleep; without it such epochs are neither.
    """
    return measure_codes(
        paired.reference, paired.device, paired.scored, paired.reference_set, paired.device_set, mapping
    )


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
        rows = mapping.reference_codes(reference_set)
        columns = tuple(mapping.device_index[c] if c >= 0 else -1 for c in mapping.device_codes(device_set))
        wake = _wake_classes(mapping, (*zip(reference_set.stages, rows, strict=True),)) | _wake_classes(
            mapping, (*zip(device_set.stages, columns, strict=True),)
        )
    return (
        _measure_side(reference, scored, reference_set, rows, wake),
        _measure_side(device, scored, device_set, columns, wake),
    )


@lru_cache(maxsize=256)
def _wake_classes(mapping: StageMapping, coded: tuple[tuple[str, int], ...]) -> frozenset[int]:
    """Return which classes are wake: by their own name, or because wake is taken into them.

    ``coded`` holds the stage and the class of each label of a side: a mapping file may name labels instead of stages.
    """
    wake = {name for name in mapping.reference_classes if canonical_stage(name) == "W"}
    wake |= {target for stage, target in (*mapping.reference, *mapping.device) if stage == "W"}
    of_labels = {code for stage, code in coded if stage == "W" and code >= 0}
    return frozenset(of_labels.union(i for i, name in enumerate(mapping.reference_classes) if name in wake))


def measure_both(paired: PairedNight, mapping: StageMapping, counts: Counts) -> tuple[MeasurePair, ...]:
    """Return the measures of both sides from jointly scored epochs; classes by ``mapping``."""
    reference, device = measure_sides(paired, mapping)
    cannot = tuple(
        measure
        for measure, stage in (("REM latency", "R"), ("deep latency", "N3"))
        if stage not in paired.device_set.reportable
    )
    minutes = class_minutes(mapping, counts, unsaid=unsaid_classes(mapping, paired.device_set))
    return pair_measures(reference, device, class_minutes=minutes, cannot_say=cannot)


def class_minutes(
    mapping: StageMapping, counts: Counts, *, unsaid: Sequence[str] = ()
) -> tuple[tuple[str, float, float], ...]:
    """Return (class, reference minutes, device minutes) of one table; nan for a class the device lacks.

    Parameters
    ----------
    mapping : StageMapping
        Names the classes.
    counts : int array, shape (reference classes, device classes)
        Epochs.
    unsaid : sequence of str
        Device classes of the mapping that nothing the device can report is taken into.
    """
    half = EPOCH_S / 60
    rows, columns = counts.sum(axis=1) * half, counts.sum(axis=0) * half
    of_device = {
        name: minutes
        for name, minutes in zip(mapping.device_classes, columns.tolist(), strict=True)
        if name not in unsaid
    }
    return tuple((name, float(rows[i]), of_device.get(name, NAN)) for i, name in enumerate(mapping.reference_classes))


def _measure_side(
    codes: NDArray[np.int16],
    scored: NDArray[np.bool_],
    stage_set: StageSet,
    class_codes: tuple[int, ...] | None,
    wake: frozenset[int],
) -> SleepMeasures:
    kind = _kinds_by_label(stage_set, class_codes, wake)[codes]
    return measure_kinds(
        np.where(scored, kind, _SILENT).tobytes(),
        says_rem="R" in stage_set.reportable,
        says_deep="N3" in stage_set.reportable,
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


def _describe_time(paired: PairedNight, mapping: StageMapping) -> Disagreement | None:
    joint = joint_classes(paired, mapping)
    if not joint.epochs.size:
        return None
    return describe_disagreement(
        joint.reference,
        joint.device,
        joint.epochs,
        classes=mapping.reference_classes,
        window_epochs=int(paired.status.size),
        begin=paired.begin,
    )


# --- redistribution ---------------------------------------------------------------------------------------


def _redistribute(
    paired: PairedNight, mapping: StageMapping, resampled: NDArray[np.float64] | None, level: float
) -> tuple[Redistribution, ...]:
    unsaid = unsaid_classes(mapping, paired.device_set)
    names = tuple(name for name in mapping.device_classes if name not in unsaid)
    place = [names.index(name) if name in names else -1 for name in mapping.device_classes]
    columns = [place[c] if c >= 0 else -1 for c in mapping.device_codes(paired.device_set)]
    device = class_sequence(paired.device, paired.scored, columns, len(names))
    with_rest = [len(names) if c < 0 else c for c in columns]
    out = []
    for stage in unreported_stages(paired.reference_set, paired.device_set):
        rows = [i for i, s in enumerate(paired.reference_set.stages) if s == stage]
        is_stage = np.isin(paired.reference, rows) & paired.scored
        boot = None
        if resampled is not None and rows:
            boot = resampled[:, rows].sum(axis=1) @ _indicator(with_rest, len(names) + 1)
        out.append(
            trace_unreported_stage(
                stage, is_stage=is_stage, device_classes=device, names=names, resampled=boot, level=level
            )
        )
    return tuple(out)


# --- cautions ---------------------------------------------------------------------------------------------


def _cautions(
    paired: PairedNight, scored: tuple[MappingAgreement, ...], measures: tuple[MeasurePair, ...]
) -> list[str]:
    uncounted = uncounted_time(paired, measures)
    return [
        *_same_file_caution(paired),
        *swapped_caution(paired),
        *contradiction_caution(paired),
        *unsaid_cautions(paired, [m.mapping for m in scored]),
        *_long_wake_caution(paired, scored[0].mapping),
        *_unscored_cautions(paired, scored),
        *_share_caution(paired),
        *([uncounted] if uncounted else []),
        *_rectangle_caution(scored[0]),
        *_different_sizes_caution(scored),
        *_left_out_notes(scored),
    ]


def _same_file_caution(paired: PairedNight) -> list[str]:
    hashes = {spans.origin.sha256 for spans in paired.sides[:2]}
    if len(hashes) > 1 or "" in hashes:
        return []
    return ["Reference and device are the same file, or copies of one: their agreement says nothing."]


def _share_caution(paired: PairedNight) -> list[str]:
    ledger = paired.ledger
    share = ledger.scored / ledger.window_epochs
    if share >= 0.9:
        return []
    worst = max(ledger.excluded, key=lambda item: item[1])
    return [
        f"Only {100 * share:.0f} % of the window's epochs have a stage on both sides; the largest part of "
        f"the rest is {worst[0].replace('_', ' ')} ({counted(worst[1], 'epoch')})."
    ]


def _rectangle_caution(first: MappingAgreement) -> list[str]:
    if first.mapping.is_square:
        return []
    unsaid = " and ".join("REM" if c == "rem" else c for c in first.table.unreported)
    return [
        f"The device cannot report {unsaid}, so kappa does not exist under '{first.mapping.name}': it takes a mapping "
        f"that says how {unsaid} counts ('sleepagree mappings' shows each of them)."
    ]


def _different_sizes_caution(scored: tuple[MappingAgreement, ...]) -> list[str]:
    sizes = {len(m.mapping.reference_classes) for m in scored if m.mapping.is_square}
    if len(sizes) < 2:
        return []
    return ["Kappas at different numbers of classes cannot be compared with each other."]


def _left_out_notes(scored: tuple[MappingAgreement, ...]) -> list[str]:
    return [
        f"Mapping '{m.mapping.name}' leaves out {counted(m.left_out, 'epoch')} that both sides staged."
        for m in scored
        if m.left_out
    ]


def _unscored_cautions(paired: PairedNight, scored: tuple[MappingAgreement, ...]) -> list[str]:
    """Say that a class given to a label which counts as unscored changes nothing."""
    out = []
    for mapping in (m.mapping for m in scored if m.mapping.from_file):
        for side, stage_set, target_of, counts in (
            ("reference", paired.reference_set, mapping.reference_target, paired.ledger.reference_labels),
            ("device", paired.device_set, mapping.device_target, paired.ledger.device_labels),
        ):
            epochs = dict(counts)
            out += [
                f"Mapping '{mapping.name}' takes the {side}'s label '{shorten(label)}' into {target}, but the "
                f"label counts as unscored, so its {epochs[label]} epochs are in the ledger only. To count them, say "
                f"in the layout's [stages] which stage it is."
                for label, stage in zip(stage_set.labels, stage_set.stages, strict=True)
                if stage == UNSCORED and (target := target_of(label, stage)) not in (None, LEAVE_OUT)
                if epochs.get(label)
            ]
    return out


def _long_wake_caution(paired: PairedNight, mapping: StageMapping) -> list[str]:
    """Say what much wake around the sleep period does to kappa, where no window was asked for."""
    if paired.rule is not WindowRule.REFERENCE:
        return []
    stages = paired.reference_set.stages
    asleep = np.flatnonzero(np.array([*(is_sleep(s) is True for s in stages), False])[paired.reference])
    awake = np.array([*(s == "W" for s in stages), False])[paired.reference]
    if not asleep.size:
        return []
    onset, end = int(asleep[0]), int(asleep[-1]) + 1
    per_min = round(60 / EPOCH_S)
    lead, tail = int(awake[:onset].sum()), int(awake[end:].sum())
    if max(lead, tail) <= _LONG_WAKE_MIN * per_min:
        return []
    keep = _KEPT_WAKE_MIN * per_min
    before = (
        f"The window holds {lead / per_min:.0f} min of wake before and {tail / per_min:.0f} min after the "
        f"reference's sleep ({lead} and {tail} epochs), which are easy to agree on."
    )
    square = square_mapping(paired, mapping)
    if square is not None:
        whole = _kappa_between(paired, square, 0, paired.status.size)
        kept = _kappa_between(paired, square, max(0, onset - keep), end + keep)
        if not (np.isnan(whole) or np.isnan(kept)):
            return [
                f"{before} With {_KEPT_WAKE_MIN} min kept on each side, kappa under '{square.name}' is {kept:.3f} "
                f"instead of {whole:.3f}."
            ]
    return [before + " Consider a window (--window FROM/TO)."]


def _kappa_between(paired: PairedNight, mapping: StageMapping, begin: int, end: int) -> float:
    """Return kappa of the epochs from ``begin`` to before ``end``."""
    inside = paired.scored[begin:end]
    rows, columns = both_codes(paired, mapping)
    shape = len(rows), len(columns)
    cells = paired.reference[begin:end][inside].astype(np.int64) * shape[1] + paired.device[begin:end][inside]
    native = np.bincount(cells, minlength=shape[0] * shape[1]).reshape(shape)
    k = len(mapping.reference_classes)
    return float(coefficients.kappa(fold_counts(native, rows, columns, (k, k))))
