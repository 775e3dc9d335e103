"""One night: from a paired night to everything that is said about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import MappingError, Option, check_level
from sleepagree.hypnogram.align import PairedNight, refuse_unpaired
from sleepagree.hypnogram.spans import EPOCH_S, Counts, Frozen
from sleepagree.hypnogram.window import WindowRule
from sleepagree.inference.table_sums import fold_counts
from sleepagree.mapping.files import Mappings, take_mappings
from sleepagree.mapping.mapping import StageMapping, default_mapping, fitting_mappings, refuse_unheard, reported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import LEAVE_OUT, UNSCORED, is_sleep
from sleepagree.night.cautions import (
    contradiction_caution,
    counting_cautions,
    left_over_caution,
    swapped_caution,
    uncounted_time,
    unreported_cautions,
    untold_sleep_cautions,
)
from sleepagree.night.intervals import NightIntervals, intervals_of_night
from sleepagree.night.measures import general_sleep, measure_sides, pair_with_classes
from sleepagree.scoring import coefficients
from sleepagree.scoring.ceiling import Ceiling, ceiling_under
from sleepagree.scoring.class_sequences import both_codes, class_sequence, joint_classes, square_mapping
from sleepagree.scoring.clock_check import clock_caution, clock_change_cautions, jump_caution, quick_clock_check
from sleepagree.scoring.disagreement import Disagreement, describe_disagreement
from sleepagree.scoring.following import shifts_of_night
from sleepagree.scoring.measures import MeasurePair
from sleepagree.scoring.offsets import QuickOffset
from sleepagree.scoring.redistribution import (
    BiasSource,
    Redistribution,
    account_for_bias,
    trace_unreported_stage,
    unreported_stages,
)
from sleepagree.scoring.table_agreement import TableAgreement, kappa_never_found, summarise_table
from sleepagree.shown import Brief, Result

_LONG_WAKE_MIN: Final = 60
_KEPT_WAKE_MIN: Final = 30


@dataclass(frozen=True, eq=False, repr=False)
class MappingAgreement(Brief, Frozen):
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
    intervals : NightIntervals
        How sure the figures are, when answers last from epoch to epoch.
    ceiling : Ceiling
        The best that a device with these labels could reach on this night.
    """

    mapping: StageMapping
    counts: Counts
    left_out: int
    table: TableAgreement
    intervals: NightIntervals
    ceiling: Ceiling

    def __post_init__(self) -> None:
        self._freeze(counts=np.int64)

    @property
    def kappa_beside_ceiling(self) -> float:
        """Kappa on the table that the ceiling is of: classes without a label are never found there."""
        return kappa_never_found(self.counts, device_index=self.mapping.device_index)


@dataclass(frozen=True, repr=False)
class NightAgreement(Result):
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
    cautions : tuple of Caution
        What may mislead a reader.
    level : float
        Level of every interval.

    Examples
    --------
    >>> from sleepagree import align, compare
    >>> scorer, band = ["W", "N1", "N2", "N3", "R", "R"] * 20, ["wake", "light", "light", "deep", "light", "wake"] * 20
    >>> night = compare(align(reference=scorer, device=band))
    >>> night.unreported, int(night.native.sum()), [row.measure for row in night.measures][:2]
    (('rem',), 120, ['TIB', 'TST'])
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
    cautions: tuple[Caution, ...]
    level: float

    @property
    def unreported(self) -> tuple[str, ...]:
        """Reference classes of the first mapping that the device has no label for."""
        return _unreported(self.paired, self.mappings[0].mapping)

    @property
    def mappings_asked(self) -> tuple[StageMapping, ...]:
        """The mappings asked for; () where the night has the default one."""
        used = tuple(scored.mapping for scored in self.mappings)
        try:
            default = default_mapping(self.paired.reference_set, self.paired.device_set)
        except MappingError:  # no built-in one fits
            return used
        return () if used == (default,) else used

    @property
    def uncounted(self) -> Caution | None:
        """What time that one side did not score does to the measures; None where it is little."""
        return next((c for c in self.cautions if c.kind is CautionKind.TIME_UNCOUNTED), None)


def compare(paired: PairedNight, *, mappings: Mappings = (), level: float = 0.95) -> NightAgreement:
    """Score one night.

    Parameters
    ----------
    paired : PairedNight
        The two sides, as :func:`sleepagree.hypnogram.align.align` returns them.
    mappings : StageMapping, name or path, or several
        How stages form classes, as objects, names of built-in mappings or paths of files; default: the finest
        built-in one that the two label sets allow. A study of nights that share them is summed up under them, too.
    level : float
        Confidence level of every interval.

    Raises
    ------
    MappingError
        When a mapping says nothing about a label, passes over what the device can say of a class that it compares, none
        fits, or two have one name.
    TypeError
        When ``paired`` is no paired night, or a mapping is none of the forms above.
    ValueError
        When ``level`` does not lie between 0 and 1.

    Examples
    --------
    >>> from sleepagree import align
    >>> night = compare(align(reference=["W", "N1", "N2", "R"], device=["wake", "light", "light", "rem"]))
    >>> [scored.mapping.name for scored in night.mappings]
    ['wake-nrem-rem']
    """
    refuse_unpaired(paired)
    check_level(level)
    level = float(level)  # a number of numpy is none that JSON can hold
    asked = tuple(mapping.read_with(paired.reference_set) for mapping in take_mappings(mappings))
    chosen = asked or (default_mapping(paired.reference_set, paired.device_set),)
    refuse_same_names(chosen)
    for mapping in asked:
        refuse_unheard(mapping, paired.device_set)
    native = paired.native
    scored = tuple(_score_mapping(m, paired, native, level) for m in chosen)
    others = () if asked else _with_kappa(scored[0], paired)
    first = scored[0]
    general = general_sleep(chosen[0], native, paired.reference_set, paired.device_set)
    measures = pair_with_classes(measure_sides(paired, chosen[0]), chosen[0], first.counts, paired.device_set, general)
    clock = quick_clock_check(paired, chosen[0])
    changes = clock_change_cautions(paired, chosen[0])
    # a clock that was changed in the night is right before it: no one offset mends that
    has_change = any(change.get("seconds") for change in changes)
    offsets = [] if has_change else jump_caution(paired, chosen[0], clock) or clock_caution(clock)
    return NightAgreement(
        paired=paired,
        native=native,
        mappings=scored,
        others=tuple(_score_mapping(m, paired, native, level) for m in others),
        measures=measures,
        redistribution=_redistribute(paired, chosen[0], level),
        bias_sources=bias_of_reported(first, paired.device_set),
        disagreement=_describe_time(paired, chosen[0]),
        clock=clock,
        cautions=(*paired.cautions, *_cautions(paired, scored, measures), *offsets, *changes),
        level=level,
    )


def bias_of_reported(scored: MappingAgreement, device_set: StageSet) -> tuple[BiasSource, ...]:
    """Return where the bias of each class comes from that the device can report."""
    reported = reported_classes(scored.mapping, device_set.reportable)
    sources = account_for_bias(
        scored.counts, reference_classes=scored.mapping.reference_classes, device_classes=scored.mapping.device_classes
    )
    return tuple(source for source in sources if source.name in reported)


def refuse_same_names(mappings: Sequence[StageMapping]) -> None:
    """Raise a MappingError when two mappings have one name, so that results could not tell them apart."""
    names = [mapping.name for mapping in mappings]
    twice = next((name for i, name in enumerate(names) if name in names[:i]), None)
    if twice is not None:
        remedy = "Take one of them out, or rename the one in its file."
        raise MappingError("two mappings have one name", "", f"{Option.MAPPING}", twice, "distinct names", remedy)


def _with_kappa(first: MappingAgreement, paired: PairedNight) -> tuple[StageMapping, ...]:
    if first.mapping.is_square:
        return ()
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    return tuple(m for m in fitting if m.name in ("rem-left-out", "wake-sleep"))


def _score_mapping(mapping: StageMapping, paired: PairedNight, native: Counts, level: float) -> MappingAgreement:
    rows, columns = mapping.reference_codes(paired.reference_set), mapping.device_codes(paired.device_set)
    shape = len(mapping.reference_classes), len(mapping.device_classes)
    counts = fold_counts(native, rows, columns, shape)
    table = summarise_table(
        counts, reference_classes=mapping.reference_classes, device_classes=mapping.device_classes, level=level
    )
    intervals = intervals_of_night(joint_classes(paired, mapping), table, level=level)
    ceiling = ceiling_under(mapping, counts, paired.device_set.reportable)
    return MappingAgreement(mapping, counts, int(native.sum() - counts.sum()), table, intervals, ceiling)


def _unreported(paired: PairedNight, mapping: StageMapping) -> tuple[str, ...]:
    """Return the reference classes of a mapping that the device has no label for."""
    reported = reported_classes(mapping, paired.device_set.reportable)
    return tuple(name for name in mapping.reference_classes if name not in reported)


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
        unreported=_unreported(paired, mapping),
        shifts=shifts_of_night(paired, mapping),
    )


# --- redistribution ---------------------------------------------------------------------------------------


def _redistribute(paired: PairedNight, mapping: StageMapping, level: float) -> tuple[Redistribution, ...]:
    names = reported_classes(mapping, paired.device_set.reportable)
    place = [names.index(name) if name in names else -1 for name in mapping.device_classes]
    columns = [place[c] if c >= 0 else -1 for c in mapping.device_codes(paired.device_set)]
    device = class_sequence(paired.device, paired.scored, columns, len(names))
    out = []
    for stage in unreported_stages(paired.reference_set, paired.device_set, mapping):
        rows = [i for i, s in enumerate(paired.reference_set.stages) if s == stage]
        is_stage = np.isin(paired.reference, rows) & paired.scored
        traced = trace_unreported_stage(stage, is_stage=is_stage, device_classes=device, names=names, level=level)
        left_out = sorted(set(paired.device[is_stage & (device == len(names))].tolist()))
        out.append(traced._replace(left_out_labels=tuple(paired.device_set.labels[code] for code in left_out)))
    return tuple(out)


# --- cautions ---------------------------------------------------------------------------------------------


def _cautions(
    paired: PairedNight, scored: tuple[MappingAgreement, ...], measures: tuple[MeasurePair, ...]
) -> list[Caution]:
    uncounted = uncounted_time(paired, measures, scored[0].mapping)
    return [
        *_same_file_caution(paired),
        *swapped_caution(paired),
        *contradiction_caution(paired),
        *untold_sleep_cautions(paired, scored[0].mapping),
        *counting_cautions(paired),
        *left_over_caution(paired),
        *unreported_cautions(paired, [m.mapping for m in scored]),
        *_long_wake_caution(paired, scored[0].mapping),
        *_unscored_cautions(paired, scored),
        *_share_caution(paired),
        *([] if uncounted is None else [uncounted]),
        *_rectangle_caution(scored[0]),
        *_different_sizes_caution(scored),
        *_left_out_cautions(scored),
    ]


def _same_file_caution(paired: PairedNight) -> list[Caution]:
    reference, device = paired.reference_spans, paired.device_spans
    # one table may hold both sides, in columns of their own
    is_same = bool(reference.origin.sha256) and reference.origin.sha256 == device.origin.sha256
    if is_same and reference.labels == device.labels and np.array_equal(reference.codes, device.codes):
        return [Caution.of(CautionKind.SAME_FILE)]
    return []


def _share_caution(paired: PairedNight) -> list[Caution]:
    ledger = paired.ledger
    share = ledger.scored / ledger.window_epochs
    if share >= 0.9:
        return []
    worst = max(ledger.excluded, key=lambda item: item[1])
    return [Caution.of(CautionKind.FEW_SCORED, share=share, status=worst[0], epochs=worst[1])]


def _rectangle_caution(first: MappingAgreement) -> list[Caution]:
    if first.mapping.is_square:
        return []
    return [Caution.of(CautionKind.NO_KAPPA, classes=tuple(first.table.unreported), mapping=first.mapping.name)]


def _different_sizes_caution(scored: tuple[MappingAgreement, ...]) -> list[Caution]:
    sizes = {len(m.mapping.reference_classes) for m in scored if m.mapping.is_square}
    if len(sizes) < 2:
        return []
    return [Caution.of(CautionKind.KAPPAS_OF_SIZES)]


def _left_out_cautions(scored: tuple[MappingAgreement, ...]) -> list[Caution]:
    return [
        Caution.of(CautionKind.LEFT_OUT_BY_MAPPING, mapping=m.mapping.name, epochs=m.left_out)
        for m in scored
        if m.left_out
    ]


def _unscored_cautions(paired: PairedNight, scored: tuple[MappingAgreement, ...]) -> list[Caution]:
    """Say that a class given to a label which counts as unscored changes nothing."""
    out = []
    for mapping in (m.mapping for m in scored if m.mapping.from_file):
        for side, stage_set, counts in (
            ("reference", paired.reference_set, paired.ledger.reference_labels),
            ("device", paired.device_set, paired.ledger.device_labels),
        ):
            epochs = dict(counts)
            out += [
                Caution.of(
                    CautionKind.LABEL_UNSCORED,
                    mapping=mapping.name,
                    of_side=side,
                    label=label,
                    target=target,
                    epochs=epochs[label],
                )
                for label, stage in zip(stage_set.labels, stage_set.stages, strict=True)
                if stage == UNSCORED and (target := mapping.target(side, label, stage)) not in (None, LEAVE_OUT)
                if epochs.get(label)
            ]
    return out


def _long_wake_caution(paired: PairedNight, mapping: StageMapping) -> list[Caution]:
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
    wake = {"before": lead, "after": tail}
    square = square_mapping(paired, mapping)
    if square is not None:
        whole = _kappa_between(paired, square, 0, paired.status.size)
        kept = _kappa_between(paired, square, max(0, onset - keep), end + keep)
        if not (np.isnan(whole) or np.isnan(kept)):
            cut = {"kept_min": _KEPT_WAKE_MIN, "mapping": square.name, "kappa": whole, "kappa_kept": kept}
            return [Caution.of(CautionKind.LONG_WAKE, **wake, **cut)]
    return [Caution.of(CautionKind.LONG_WAKE, **wake)]


def _kappa_between(paired: PairedNight, mapping: StageMapping, begin: int, end: int) -> float:
    """Return kappa of the epochs from ``begin`` to before ``end``."""
    inside = paired.scored[begin:end]
    rows, columns = both_codes(paired, mapping)
    shape = len(rows), len(columns)
    cells = paired.reference[begin:end][inside].astype(np.int64) * shape[1] + paired.device[begin:end][inside]
    native = np.bincount(cells, minlength=shape[0] * shape[1]).reshape(shape)
    k = len(mapping.reference_classes)
    return float(coefficients.kappa(fold_counts(native, rows, columns, (k, k))))
