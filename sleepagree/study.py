"""Many nights: agreement pooled and averaged, bias and its sources, comparisons; participants are the units.

Every statistic is a function of small integer tables, one per participant, so the bootstrap is one product of
resampling weights and tables.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree import agreement
from sleepagree.agreement import CLASS_STATISTICS, TABLE_STATISTICS, Statistic, widen_columns
from sleepagree.ceiling import Ceiling, design_ceiling
from sleepagree.equivalence import EquivalenceTest, equivalence_test
from sleepagree.estimate import NAN
from sleepagree.hypnogram import EPOCH_S, Counts, frozen_array
from sleepagree.limits import LimitsOfAgreement, Scale, fit_limits_of_agreement
from sleepagree.measures import SleepMeasures, pair_measures
from sleepagree.night import class_minutes, fold_counts
from sleepagree.night_summary import NightSummary, Refusal
from sleepagree.planning import VarianceComponents, components_from_values
from sleepagree.redistribution import LEFT_OUT_COLUMN, BiasSource, account_for_bias, unreported_stages
from sleepagree.reliability import Reliability, fit_reliability
from sleepagree.resampling import (
    BootstrapIntervals,
    cluster_bootstrap_all,
    mean_bootstrap,
    rng_for,
)
from sleepagree.stages import StageMapping, StageSet, default_mapping, fitting_mappings

FEW_PARTICIPANTS: Final = 10

#: Skewness of the differences from which on a caution is given; 1 is commonly called high (common practice, no source).
MUCH_SKEW: Final = 1.0

Values = NDArray[np.float64]


@dataclass(frozen=True)
class StudyOptions:
    """Settings of the statistics of a study.

    Parameters
    ----------
    mappings : tuple of StageMapping
        Mappings asked for; () for the default of each device and, where that is not square, the square ones.
    resamples, seed : int
        Of the cluster bootstrap.
    level : float
        Confidence level of every interval.
    margins : tuple of (str, float)
        Measure -> margin of an equivalence test.
    log_ratio : bool
        Whether the limits of agreement are of log ratios.
    """

    mappings: tuple[StageMapping, ...] = ()
    resamples: int = 2000
    seed: int = 0
    level: float = 0.95
    margins: tuple[tuple[str, float], ...] = ()
    log_ratio: bool = False


@dataclass(frozen=True)
class PooledStatistic:
    """One statistic of a device under one mapping.

    Parameters
    ----------
    name : str
        Key of the statistic.
    class_name : str
        Class it speaks of, "" for the whole table.
    pooled : BootstrapIntervals
        Of all epochs together, participants resampled.
    averaged : BootstrapIntervals
        Mean of the participants' means over nights.
    averaged_sd : float
        Standard deviation between participants of those means.
    """

    name: str
    class_name: str
    pooled: BootstrapIntervals
    averaged: BootstrapIntervals
    averaged_sd: float


@dataclass(frozen=True, eq=False)
class StudyMapping:
    """A device under one mapping over all its nights.

    Parameters
    ----------
    mapping : StageMapping
        How stages form classes.
    counts : int array, shape (reference classes, device classes)
        Pooled epochs.
    left_out : int
        Jointly staged epochs that the mapping leaves out.
    night_counts : int array, shape (nights, reference classes, device classes)
        The same by night.
    statistics : tuple of PooledStatistic
        Of the table and of its classes.
    night_kappa : float array, shape (nights,)
        Kappa of each night; nan where undefined.
    night_accuracy : float array, shape (nights,)
        Accuracy of each night.
    ceiling : Ceiling
        Design ceiling of the pooled epochs.
    kappa_components : VarianceComponents or None
        SD of a night's kappa between and within participants; None with one participant or without kappa.
    """

    mapping: StageMapping
    counts: Counts
    left_out: int
    night_counts: Counts
    statistics: tuple[PooledStatistic, ...]
    night_kappa: Values
    night_accuracy: Values
    ceiling: Ceiling
    kappa_components: VarianceComponents | None

    def find(self, name: str, class_name: str = "") -> PooledStatistic | None:
        """Return one statistic, None where the mapping has none of that name."""
        for statistic in self.statistics:
            if (statistic.name, statistic.class_name) == (name, class_name):
                return statistic
        return None


@dataclass(frozen=True, eq=False)
class BiasRow:
    """Bias of one measure of a device over nights.

    Parameters
    ----------
    measure, unit : str
        Name and unit.
    limits : LimitsOfAgreement
        Bias, limits, slopes, errors.
    reliability : Reliability
        ICC and CCC.
    bootstrap : BootstrapIntervals
        Interval of the bias from resampled participants.
    equivalence : EquivalenceTest or None
        Where a margin was stated.
    reference, device : float array, shape (nights,)
        Values of each night.
    """

    measure: str
    unit: str
    limits: LimitsOfAgreement
    reliability: Reliability
    bootstrap: BootstrapIntervals
    equivalence: EquivalenceTest | None
    reference: Values
    device: Values


@dataclass(frozen=True)
class StudyDestination:
    """Where part of an unreported stage went, over nights.

    Parameters
    ----------
    name : str
        Device class.
    epochs : int
        Pooled epochs.
    share : BootstrapIntervals
        Pooled share of the stage's epochs.
    minutes : BootstrapIntervals
        Minutes a night: mean over participants of their mean night.
    share_of_class : float
        What part of the device class it makes up.
    """

    name: str
    epochs: int
    share: BootstrapIntervals
    minutes: BootstrapIntervals
    share_of_class: float


@dataclass(frozen=True)
class StudyRedistribution:
    """Where an unreported stage went, over nights."""

    stage: str
    epochs: int
    to: tuple[StudyDestination, ...]


@dataclass(frozen=True)
class StudyBiasSource:
    """The account of one class's bias, over nights.

    Parameters
    ----------
    pooled : BiasSource
        Of all epochs together, in minutes of the whole study.
    per_night : BiasSource
        Mean over participants of their mean night; adds up like the pooled one.
    intervals : tuple of (str, float, float)
        ``"bias"``, ``"from CLASS"``, ``"to CLASS"`` -> interval of the per-night mean.
    """

    pooled: BiasSource
    per_night: BiasSource
    intervals: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, eq=False)
class DeviceStudy:
    """All that is said about one device.

    Parameters
    ----------
    device : str
        Name.
    nights : tuple of NightSummary
        Its scored nights, in the order of the table.
    participants : tuple of str
        Its participants, in order of appearance.
    mappings : tuple of StudyMapping
        The first one names the classes of bias and redistribution.
    bias : tuple of BiasRow
        Every measure.
    redistribution : tuple of StudyRedistribution
        Where unreported stages went.
    bias_sources : tuple of StudyBiasSource
        What each class's bias is made of.
    reports : tuple of str
        What the device can say, over all its nights.
    """

    device: str
    nights: tuple[NightSummary, ...]
    participants: tuple[str, ...]
    mappings: tuple[StudyMapping, ...]
    bias: tuple[BiasRow, ...]
    redistribution: tuple[StudyRedistribution, ...]
    bias_sources: tuple[StudyBiasSource, ...]
    reports: tuple[str, ...]


@dataclass(frozen=True)
class PairedDifference:
    """Difference of two devices in one statistic, second minus first, on the nights both have."""

    statistic: str
    class_name: str
    first: float
    second: float
    difference: BootstrapIntervals


@dataclass(frozen=True)
class DeviceComparison:
    """Two devices on the same nights.

    Parameters
    ----------
    first, second : str
        Devices.
    participants, nights : int
        That both have.
    mapping : str
        Mapping that both label sets allow.
    differences : tuple of PairedDifference
        Second minus first.
    """

    first: str
    second: str
    participants: int
    nights: int
    mapping: str
    differences: tuple[PairedDifference, ...]


@dataclass(frozen=True)
class ScorerSummary:
    """Agreement of human scorers, and of a device with them, over the nights with several scorers.

    Parameters
    ----------
    device : str
        Device whose mapping sets the classes.
    mapping : str
        That mapping.
    nights : int
        Nights with several scorers.
    between_scorers, with_scorers, with_consensus : float
        Mean kappa of scorer pairs, of the device with each scorer, and of the device with the consensus.
    share : float
        ``with_scorers / between_scorers``.
    """

    device: str
    mapping: str
    nights: int
    between_scorers: float
    with_scorers: float
    with_consensus: float
    share: float


@dataclass(frozen=True)
class StudyAgreement:
    """A whole study.

    Parameters
    ----------
    devices : tuple of DeviceStudy
        In order of appearance.
    refused : tuple of Refusal
        Nights that were not scored.
    given : int
        Rows of the nights table.
    comparisons : tuple of DeviceComparison
        Every two devices that share nights.
    scorers : tuple of ScorerSummary
        Where nights had several scorers.
    options : StudyOptions
        Settings.
    cautions : tuple of str
        Plain sentences.
    """

    devices: tuple[DeviceStudy, ...]
    refused: tuple[Refusal, ...]
    given: int
    comparisons: tuple[DeviceComparison, ...]
    scorers: tuple[ScorerSummary, ...]
    options: StudyOptions
    cautions: tuple[str, ...]


def summarise_study(outcomes: Sequence[NightSummary | Refusal], options: StudyOptions | None = None) -> StudyAgreement:
    """Return the statistics of a study from its nights.

    Parameters
    ----------
    outcomes : sequence of NightSummary or Refusal
        One per row of the nights table.
    options : StudyOptions, optional
        Settings.

    Raises
    ------
    MappingError
        When a mapping does not fit the labels of a device.
    """
    options = options or StudyOptions()
    scored = [o for o in outcomes if isinstance(o, NightSummary)]
    refused = tuple(o for o in outcomes if isinstance(o, Refusal))
    names = list(dict.fromkeys(night.device for night in scored))
    devices = tuple(_device(name, tuple(n for n in scored if n.device == name), options) for name in names)
    comparisons = tuple(
        found
        for i, first in enumerate(devices)
        for second in devices[i + 1 :]
        if (found := _compare_devices(first, second, options)) is not None
    )
    scorers = tuple(s for device in devices for s in _scorers(device))
    cautions = _cautions(devices, refused, options)
    return StudyAgreement(devices, refused, len(outcomes), comparisons, scorers, options, cautions)


# --- one device -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Grouped:
    """Nights of one device with the participant of each as a number."""

    nights: tuple[NightSummary, ...]
    participants: tuple[str, ...]
    of_night: NDArray[np.int64]

    @property
    def unit_of_night(self) -> NDArray[np.int64]:
        """Resampling unit of each night: its participant, or the night itself for a single participant."""
        return self.of_night if len(self.participants) > 1 else np.arange(len(self.nights))

    @property
    def units(self) -> int:
        return len(self.participants) if len(self.participants) > 1 else len(self.nights)

    @property
    def unit_word(self) -> str:
        return "participants" if len(self.participants) > 1 else "nights"

    def sum_by_unit(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return sums over the nights of each unit."""
        out = np.zeros((self.units, *values.shape[1:]), values.dtype)
        np.add.at(out, self.unit_of_night, values)
        return out

    def mean_by_unit(self, values: Values) -> Values:
        """Return means over the nights of each unit that have a value; nan where none has."""
        known = ~np.isnan(values)
        total = self.sum_by_unit(np.where(known, values, 0.0))
        count = self.sum_by_unit(known.astype(np.float64))
        with np.errstate(invalid="ignore", divide="ignore"):
            means: Values = total / count
        return means


def _group(nights: tuple[NightSummary, ...]) -> _Grouped:
    participants = tuple(dict.fromkeys(n.participant for n in nights))
    position = {name: i for i, name in enumerate(participants)}
    return _Grouped(nights, participants, np.array([position[n.participant] for n in nights], np.int64))


def merge_stage_sets(sets: Sequence[StageSet]) -> StageSet:
    """Return the stage set of all nights of one side: every label, and every stage that any night can report."""
    stages: dict[str, str] = {}
    for stage_set in sets:
        stages.update(zip(stage_set.labels, stage_set.stages, strict=True))
    reportable = tuple(dict.fromkeys(stage for s in sets for stage in s.reportable))
    return StageSet(tuple(stages), tuple(stages.values()), reportable, any(s.declared for s in sets))


def choose_mappings(reference: StageSet, device: StageSet, asked: Sequence[StageMapping]) -> tuple[StageMapping, ...]:
    """Return the mappings of a device: those asked for, or its default and, if that has no kappa, square ones."""
    if asked:
        return tuple(asked)
    first = default_mapping(reference, device)
    if first.is_square:
        return (first,) if first.name == "wake-sleep" else (first, *_named(reference, device, ("wake-sleep",)))
    return (first, *_named(reference, device, ("rem-left-out", "wake-sleep")))


def _named(reference: StageSet, device: StageSet, names: tuple[str, ...]) -> tuple[StageMapping, ...]:
    return tuple(m for m in fitting_mappings(reference, device) if m.name in names)


def _device(name: str, nights: tuple[NightSummary, ...], options: StudyOptions) -> DeviceStudy:
    grouped = _group(nights)
    reference = merge_stage_sets([n.reference_set for n in nights])
    device = merge_stage_sets([n.device_set for n in nights])
    mappings = choose_mappings(reference, device, options.mappings)
    studied = tuple(_study_mapping(name, m, grouped, options) for m in mappings)
    first = studied[0]
    return DeviceStudy(
        name,
        nights,
        grouped.participants,
        studied,
        _bias_table(name, grouped, first, device, options),
        _redistribution(name, grouped, first.mapping, reference, device, options),
        _bias_sources(grouped, first, options),
        device.reportable,
    )


def fold_nights(nights: Sequence[NightSummary], mapping: StageMapping) -> Counts:
    """Return the counts of each night under a mapping, shape (nights, reference classes, device classes)."""
    shape = len(mapping.reference_classes), len(mapping.device_classes)
    out = np.zeros((len(nights), *shape), np.int64)
    codes: dict[tuple[StageSet, StageSet], tuple[tuple[int, ...], tuple[int, ...]]] = {}
    for i, night in enumerate(nights):
        sets = night.reference_set, night.device_set
        if sets not in codes:
            codes[sets] = mapping.reference_codes(sets[0]), mapping.device_codes(sets[1])
        out[i] = fold_counts(night.native, *codes[sets], shape)
    return out


def _study_mapping(name: str, mapping: StageMapping, grouped: _Grouped, options: StudyOptions) -> StudyMapping:
    counts = fold_nights(grouped.nights, mapping)
    square = widen_columns(counts, device_index=mapping.device_index)
    total = counts.sum(axis=0)
    staged = sum(int(n.native.sum()) for n in grouped.nights)
    has = [c in mapping.device_classes for c in mapping.reference_classes]
    undefined = np.full(len(grouped.nights), NAN)
    kappas = agreement.kappa(counts) if mapping.is_square else undefined
    return StudyMapping(
        mapping,
        frozen_array(total, np.int64),
        staged - int(total.sum()),
        frozen_array(counts, np.int64),
        _statistics(name, mapping, square, grouped, options),
        kappas,
        agreement.accuracy(square),
        design_ceiling(total.sum(axis=1), device_has=has),
        _kappa_components(kappas, grouped),
    )


def _kappa_components(kappas: Values, grouped: _Grouped) -> VarianceComponents | None:
    known = ~np.isnan(kappas)
    if np.unique(grouped.of_night[known]).size < 2:
        return None
    return components_from_values(kappas[known], participant=grouped.of_night[known])


_NEED_SQUARE: Final = ("kappa", "pabak", "ac1", "mcc", "balanced_accuracy")


def _statistics(
    name: str, mapping: StageMapping, square: Counts, grouped: _Grouped, options: StudyOptions
) -> tuple[PooledStatistic, ...]:
    """Return pooled and averaged statistics of the table and of its classes, all from the same resamples."""
    wanted: list[Statistic] = [s for s in TABLE_STATISTICS if mapping.is_square or s.name not in _NEED_SQUARE]
    wanted += CLASS_STATISTICS
    influences: dict[str, Callable[[Counts], Values]] = {"kappa": agreement.kappa_influence}
    found = cluster_bootstrap_all(
        grouped.sum_by_unit(square),
        {s.name: s.kernel for s in wanted},
        rng=rng_for(options.seed, f"pooled {name} {mapping.name}"),
        resamples=max(1, options.resamples),
        level=options.level,
        influences={k: v for k, v in influences.items() if mapping.is_square},
        unit=grouped.unit_word,
    )
    out = []
    for statistic in wanted:
        values = statistic.kernel(square).reshape(len(grouped.nights), -1)
        for position, pooled in enumerate(found[statistic.name]):
            class_name = mapping.reference_classes[position] if statistic.per_class else ""
            if class_name and class_name not in mapping.device_classes:
                continue
            means = grouped.mean_by_unit(values[:, position])
            averaged = _average(means, grouped, options, f"averaged {name} {mapping.name}")
            known = means[~np.isnan(means)]
            sd = float(known.std(ddof=1)) if known.size > 1 else NAN
            out.append(PooledStatistic(statistic.key, class_name, pooled, averaged, sd))
    return tuple(out)


def _average(means: Values, grouped: _Grouped, options: StudyOptions, purpose: str) -> BootstrapIntervals:
    return mean_bootstrap(
        means,
        rng=rng_for(options.seed, purpose),
        resamples=max(1, options.resamples),
        level=options.level,
        unit=grouped.unit_word,
    )


# --- bias -------------------------------------------------------------------------------------------------


def measure_table(
    nights: Sequence[NightSummary], mapping: StageMapping, counts: Counts, *, device_set: StageSet
) -> tuple[tuple[str, str, Values, Values], ...]:
    """Return (measure, unit, reference values, device values) over nights, in the order of tables."""
    cannot = tuple(
        measure
        for measure, stage in (("REM latency", "R"), ("deep latency", "N3"))
        if stage not in device_set.reportable
    )
    pairs = [
        pair_measures(
            SleepMeasures(*night.reference_measures),
            SleepMeasures(*night.device_measures),
            class_minutes=class_minutes(mapping, counts[i]),
            cannot_say=cannot,
        )
        for i, night in enumerate(nights)
    ]
    return tuple(
        (
            pair.measure,
            pair.unit,
            np.array([p[k].reference for p in pairs]),
            np.array([p[k].device for p in pairs]),
        )
        for k, pair in enumerate(pairs[0])
    )


def _bias_table(
    name: str, grouped: _Grouped, first: StudyMapping, device_set: StageSet, options: StudyOptions
) -> tuple[BiasRow, ...]:
    margins = dict(options.margins)
    rows = []
    table = measure_table(grouped.nights, first.mapping, first.night_counts, device_set=device_set)
    participants = grouped.of_night
    for measure, unit, reference, device in table:
        if np.isnan(device).all():
            continue
        values: dict[str, Any] = {"reference": reference, "device": device, "participant": participants}
        means = grouped.mean_by_unit(device - reference)
        margin = margins.get(measure)
        rows.append(
            BiasRow(
                measure,
                unit,
                fit_limits_of_agreement(
                    **values, level=options.level, scale=Scale.LOG_RATIO if options.log_ratio else Scale.RAW
                ),
                fit_reliability(**values, level=options.level),
                _average(means, grouped, options, f"bias {name}"),
                None if margin is None else equivalence_test(**values, margin=margin),
                frozen_array(reference, np.float64),
                frozen_array(device, np.float64),
            )
        )
    return tuple(rows)


# --- redistribution and bias sources ----------------------------------------------------------------------


def _redistribution(
    name: str,
    grouped: _Grouped,
    mapping: StageMapping,
    reference: StageSet,
    device: StageSet,
    options: StudyOptions,
) -> tuple[StudyRedistribution, ...]:
    out = []
    columns = (*mapping.device_classes, LEFT_OUT_COLUMN)
    for stage in unreported_stages(reference, device):
        by_night, of_class = _stage_by_class(grouped.nights, mapping, stage)
        total = by_night.sum(axis=0)
        if not total.sum():
            out.append(StudyRedistribution(stage, 0, ()))
            continue
        shares = cluster_bootstrap_all(
            grouped.sum_by_unit(by_night),
            {"share": _shares},
            rng=rng_for(options.seed, f"redistribution {name} {stage}"),
            resamples=max(1, options.resamples),
            level=options.level,
            unit=grouped.unit_word,
        )["share"]
        minutes = np.asarray(by_night * (EPOCH_S / 60), np.float64)
        to = tuple(
            StudyDestination(
                column,
                int(total[k]),
                shares[k],
                _average(grouped.mean_by_unit(minutes[:, k]), grouped, options, f"redistribution {name} {stage}"),
                float(total[k] / of_class[k]) if of_class[k] else NAN,
            )
            for k, column in enumerate(columns)
            if k < len(columns) - 1 or total[k]
        )
        out.append(StudyRedistribution(stage, int(total.sum()), to))
    return tuple(out)


def _shares(sums: NDArray[Any]) -> Values:
    with np.errstate(invalid="ignore", divide="ignore"):
        shares: Values = sums / sums.sum(axis=-1, keepdims=True)
    return shares


def _stage_by_class(
    nights: Sequence[NightSummary], mapping: StageMapping, stage: str
) -> tuple[Counts, NDArray[np.int64]]:
    """Return epochs of one reference stage by device class and night, and all epochs by device class."""
    k = len(mapping.device_classes)
    by_night = np.zeros((len(nights), k + 1), np.int64)
    of_class = np.zeros(k + 1, np.int64)
    for i, night in enumerate(nights):
        codes = [k if c < 0 else c for c in mapping.device_codes(night.device_set)]
        rows = [r for r, s in enumerate(night.reference_set.stages) if s == stage]
        np.add.at(of_class, codes, night.native.sum(axis=0))
        np.add.at(by_night[i], codes, night.native[rows].sum(axis=0))
    return by_night, of_class


def _bias_sources(grouped: _Grouped, first: StudyMapping, options: StudyOptions) -> tuple[StudyBiasSource, ...]:
    mapping = first.mapping
    names = {"reference_classes": mapping.reference_classes, "device_classes": mapping.device_classes}
    pooled = account_for_bias(first.counts, **names)
    means = grouped.mean_by_unit(first.night_counts.reshape(len(grouped.nights), -1).astype(np.float64))
    shape = first.counts.shape
    per_night = account_for_bias(means.mean(axis=0).reshape(shape), **names)
    tables = means.reshape(-1, *shape) * (EPOCH_S / 60)
    return tuple(
        StudyBiasSource(p, n, _flow_intervals(tables, mapping, p.name, options.level))
        for p, n in zip(pooled, per_night, strict=True)
    )


def _flow_intervals(
    tables: Values, mapping: StageMapping, name: str, level: float
) -> tuple[tuple[str, float, float], ...]:
    """Return t intervals of the mean over units of each flow; ``tables`` holds minutes a night of each unit."""
    row, column = mapping.reference_classes.index(name), mapping.device_classes.index(name)
    flows = {"bias": tables[:, :, column].sum(axis=1) - tables[:, row].sum(axis=1)}
    flows |= {f"from {c}": tables[:, i, column] for i, c in enumerate(mapping.reference_classes) if i != row}
    flows |= {f"to {c}": tables[:, row, j] for j, c in enumerate(mapping.device_classes) if j != column}
    units = len(tables)
    if units < 2:
        return tuple((key, NAN, NAN) for key in flows)
    from scipy.special import stdtrit

    reach = float(stdtrit(units - 1, (1 + level) / 2)) / math.sqrt(units)
    ends = {key: (float(v.mean()), reach * float(v.std(ddof=1))) for key, v in flows.items()}
    return tuple((key, mean - half, mean + half) for key, (mean, half) in ends.items())


# --- two devices ------------------------------------------------------------------------------------------


def _compare_devices(first: DeviceStudy, second: DeviceStudy, options: StudyOptions) -> DeviceComparison | None:
    """Compare two devices on the nights that both have; None where they share none."""
    other = {(n.participant, n.night): n for n in second.nights}
    pairs = [(n, other[n.participant, n.night]) for n in first.nights if (n.participant, n.night) in other]
    if not pairs:
        return None
    mapping = _common_mapping(first, second)
    if mapping is None:
        return None
    grouped = _group(tuple(a for a, _ in pairs))
    both = np.stack([fold_nights([a for a, _ in pairs], mapping), fold_nights([b for _, b in pairs], mapping)], axis=1)
    wanted = [s for s in (*TABLE_STATISTICS, *CLASS_STATISTICS) if s.name in ("kappa", "accuracy", "sensitivity")]
    found = cluster_bootstrap_all(
        grouped.sum_by_unit(both),
        {s.name: _difference_of(s.kernel) for s in wanted},
        rng=rng_for(options.seed, f"comparison {first.device} {second.device}"),
        resamples=max(1, options.resamples),
        level=options.level,
        unit=grouped.unit_word,
    )
    total = both.sum(axis=0)
    differences = []
    for statistic in wanted:
        values = [np.atleast_1d(statistic.kernel(total[side])) for side in (0, 1)]
        for k, difference in enumerate(found[statistic.name]):
            class_name = mapping.reference_classes[k] if statistic.per_class else ""
            differences.append(
                PairedDifference(statistic.name, class_name, float(values[0][k]), float(values[1][k]), difference)
            )
    differences += _error_differences(first, second, pairs, grouped, options)
    return DeviceComparison(
        first.device, second.device, len(grouped.participants), len(pairs), mapping.name, tuple(differences)
    )


def _common_mapping(first: DeviceStudy, second: DeviceStudy) -> StageMapping | None:
    """Return the finest square mapping that both label sets allow."""
    sets = [
        (merge_stage_sets([n.reference_set for n in d.nights]), merge_stage_sets([n.device_set for n in d.nights]))
        for d in (first, second)
    ]
    allowed = [[m for m in fitting_mappings(*pair) if m.is_square] for pair in sets]
    shared = [m for m in allowed[0] if m in allowed[1]]
    return shared[0] if shared else None


def _difference_of(kernel: Callable[[Counts], Values]) -> Callable[[NDArray[Any]], Values]:
    def difference(tables: NDArray[Any]) -> Values:
        return kernel(tables[..., 1, :, :]) - kernel(tables[..., 0, :, :])

    return difference


def _error_differences(
    first: DeviceStudy,
    second: DeviceStudy,
    pairs: Sequence[tuple[NightSummary, NightSummary]],
    grouped: _Grouped,
    options: StudyOptions,
) -> list[PairedDifference]:
    """Return differences in absolute error of the measures that both devices give."""
    sides = []
    for device, nights in ((first, [a for a, _ in pairs]), (second, [b for _, b in pairs])):
        index = {n.row: i for i, n in enumerate(device.nights)}
        rows = [index[n.row] for n in nights]
        sides.append({b.measure: np.abs(b.device - b.reference)[rows] for b in device.bias})
    out = []
    for measure in (m for m in sides[0] if m in sides[1] and m != "TIB"):
        one, two = grouped.mean_by_unit(sides[0][measure]), grouped.mean_by_unit(sides[1][measure])
        known = ~np.isnan(one) & ~np.isnan(two)
        if not known.any():
            continue
        difference = _average(two - one, grouped, options, f"errors {first.device} {second.device}")
        out.append(
            PairedDifference("absolute error", measure, float(one[known].mean()), float(two[known].mean()), difference)
        )
    return out


# --- scorers ----------------------------------------------------------------------------------------------


def _scorers(device: DeviceStudy) -> list[ScorerSummary]:
    """Return mean agreement among scorers and with the device, per mapping of the device."""
    nights = [n for n in device.nights if n.scorers]
    names = list(dict.fromkeys(s.mapping for n in nights for s in n.scorers if s.second == "device"))
    out = []
    for mapping in names:
        pairs = [s for n in nights for s in n.scorers if s.mapping == mapping]
        between = _mean([s.kappa for s in pairs if s.second != "device"])
        each = _mean([s.kappa for s in pairs if s.second == "device" and s.first != "consensus"])
        agreed = _mean([s.kappa for s in pairs if s.first == "consensus"])
        share = each / between if between > 0 else NAN
        out.append(ScorerSummary(device.device, mapping, len(nights), between, each, agreed, share))
    return out


def _mean(values: list[float]) -> float:
    known = [v for v in values if not math.isnan(v)]
    return sum(known) / len(known) if known else NAN


# --- cautions ---------------------------------------------------------------------------------------------


def _cautions(devices: tuple[DeviceStudy, ...], refused: tuple[Refusal, ...], options: StudyOptions) -> tuple[str, ...]:
    out = []
    if refused:
        out.append(f"{len(refused)} of the nights given could not be scored; they are listed with their reasons.")
    for device in devices:
        out += _size_cautions(device)
        out += _skew_cautions(device)
        out += _clock_cautions(device)
        out += _night_cautions(device)
    sizes = {len(m.mapping.reference_classes) for d in devices for m in d.mappings if m.mapping.is_square}
    if len(sizes) > 1:
        out.append("Kappas at different numbers of classes cannot be compared with each other.")
    if options.mappings and len(options.mappings) > 1:
        out.append("Choosing a mapping after seeing its kappa inflates it: report the one named beforehand.")
    return tuple(dict.fromkeys(out))


def _size_cautions(device: DeviceStudy) -> list[str]:
    count = len(device.participants)
    if count == 1:
        return [
            f"{device.device}: all nights are of one participant, so the results speak of this person only; intervals "
            "treat nights as the units."
        ]
    if count < FEW_PARTICIPANTS:
        return [
            f"{device.device}: {count} participants are few for a bootstrap over participants: intervals are those "
            "of the delta method with quantiles of t, and still say little about other people."
        ]
    return []


def _skew_cautions(device: DeviceStudy) -> list[str]:
    """Return a caution where differences are so skewed that intervals of the limits cover less than they say."""
    skewed = []
    for row in device.bias:
        known = (row.device - row.reference)[~np.isnan(row.device - row.reference)]
        spread = float(known.std()) if known.size >= FEW_PARTICIPANTS else 0.0
        if spread > 0 and abs(float(((known - known.mean()) ** 3).mean())) / spread**3 > MUCH_SKEW:
            skewed.append(row.measure)
    if not skewed:
        return []
    return [
        f"{device.device}: differences in {', '.join(skewed)} are skewed. Limits of agreement suppose that they are "
        "roughly normal; the intervals of the limits then cover less than they say. Look at the plot of differences, "
        "or use --log-ratio."
    ]


def _clock_cautions(device: DeviceStudy) -> list[str]:
    moved = [n for n in device.nights if abs(n.best_offset_s) >= 60 and n.offset_gain >= 0.03]
    if not moved:
        return []
    offsets = ", ".join(f"{n.participant} {n.night}: {n.best_offset_s:+.0f} s" for n in moved[:6])
    more = f" and {len(moved) - 6} more" if len(moved) > 6 else ""
    return [
        f"{device.device}: on {len(moved)} of {len(device.nights)} nights agreement peaks at another clock offset "
        f"({offsets}{more}). A constant offset is a clock, a scattered one is not."
    ]


def _night_cautions(device: DeviceStudy) -> list[str]:
    """Return the cautions of nights, each once with the number of nights it concerns."""
    counts: dict[str, int] = {}
    for night in device.nights:
        for caution in dict.fromkeys(night.cautions):
            counts[caution] = counts.get(caution, 0) + 1
    return [f"{device.device}, {count} night{'s' if count > 1 else ''}: {text}" for text, count in counts.items()]
