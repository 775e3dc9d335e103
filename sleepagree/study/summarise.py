"""Many nights: agreement pooled and averaged, bias and its sources, comparisons; participants are the units.

Every statistic is a function of small integer tables, one per participant, so the bootstrap is one product of
resampling weights and tables.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import Any, NamedTuple

import numpy as np

from sleepagree.errors import InputError, Option, take_options
from sleepagree.hypnogram.spans import Counts, frozen_array
from sleepagree.inference.equivalence import (
    ContainmentTest,
    EquivalenceTest,
    containment_test,
    equivalence_test,
    holm_adjusted,
)
from sleepagree.inference.error_sizes import MINUTES_TOLD, ErrorSizes, measure_error_sizes
from sleepagree.inference.estimate import NAN
from sleepagree.inference.group_means import GroupMeans, fit_group_means
from sleepagree.inference.limits import LimitsOfAgreement, RegressionLimits, Scale, Spread, fit_regression_limits
from sleepagree.inference.planning import VarianceComponents, components_from_values
from sleepagree.inference.reliability import fit_reliability, follow_changes
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.inference.table_sums import widen_columns
from sleepagree.mapping.mapping import StageMapping, default_mapping, fitting_mappings, refuse_unheard
from sleepagree.mapping.sets import StageSet
from sleepagree.night.measures import general_sleep, pair_with_classes
from sleepagree.scoring import coefficients
from sleepagree.scoring.ceiling import ceiling_under
from sleepagree.scoring.coefficients import CLASS_STATISTICS, NEED_ALL_CLASSES, TABLE_STATISTICS, Statistic
from sleepagree.scoring.measures import SleepMeasures, say_measure
from sleepagree.scoring.states import STATES
from sleepagree.study.cautions import study_cautions
from sleepagree.study.clocks import NightClock, judge_device_clock
from sleepagree.study.comparison import compare_devices, scorers_at_once, summarise_scorers
from sleepagree.study.given_nights import take_outcomes, without_copy
from sleepagree.study.groups import NightGroups, bounds_of, fold_nights, group_nights, merged_sets
from sleepagree.study.night_summary import NightSummary, Refusal, read_shifts
from sleepagree.study.over_nights import account_over_nights, count_silence, mean_bouts, own_totals, redistribute
from sleepagree.study.results import (
    BiasRow,
    DeviceStudy,
    PooledStatistic,
    StudyAgreement,
    StudyMapping,
    StudyOptions,
    StudyShift,
    Values,
    find_measure,
)


def summarise_study(outcomes: Any, options: StudyOptions | None = None) -> StudyAgreement:
    """Return the statistics of a study from its nights.

    Two devices on the same nights are compared on the epochs that both scored. That takes the labels of the epochs,
    which nights hold as ``NightSummary.epochs``; where they do not, there is no comparison and a caution says why.

    Parameters
    ----------
    outcomes : iterable of NightSummary, Refusal or (participant, night, device, NightAgreement), or a DataFrame
        One for each device and night, as :func:`sleepagree.score_table`, :func:`sleepagree.summarise_night` or
        :func:`sleepagree.compare` return it. In place of a NightAgreement a PairedNight may stand. A DataFrame has the
        columns ``participant``, ``night``, ``device`` and ``agreement``, and the one that ``options.by`` names.
    options : StudyOptions, optional
        Settings. Where they name no mapping, the study has those under which all its nights were compared; nights
        that were compared without one have the default of their device.

    Raises
    ------
    MappingError
        When a mapping does not fit the labels of a device, or nights were compared under mappings that differ and
        ``options`` names none.
    InputError
        When a margin is stated for a measure that the study does not have, or two are for one, or ``options.by`` is
        given and no night carries a group.
    TypeError
        When a night is none of the forms above; nothing is left out. When ``options`` are no StudyOptions.
    ValueError
        When there is no night, a DataFrame lacks a column, or a participant, night and device stand twice.

    References
    ----------
    .. [1] Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med Res 1999;8:135-160.

    Examples
    --------
    >>> from sleepagree import align, compare
    >>> scorer, pad = ["W", "N1", "N2", "N2", "N3", "R"] * 20, ["wake", "light", "light", "deep", "deep", "rem"] * 20
    >>> night = compare(align(reference=scorer, device=pad))
    >>> study = summarise_study([("crew-1", "1", "pad B", night), ("crew-2", "1", "pad B", night)])
    >>> [(device.device, len(device.nights)) for device in study.devices]
    [('pad B', 2)]
    """
    options = take_options(options, StudyOptions)
    given, mappings = take_outcomes(outcomes, options.mappings, by=options.by)
    outcomes = [without_copy(outcome) for outcome in given]
    options = replace(options, mappings=mappings)
    scored = [o for o in outcomes if isinstance(o, NightSummary)]
    refused = tuple(o for o in outcomes if isinstance(o, Refusal))
    _refuse_groupless(scored, options.by)
    names = list(dict.fromkeys(night.device for night in scored))
    devices = tuple(_study_device(name, tuple(n for n in scored if n.device == name), options) for name in names)
    options = replace(options, margins=_name_margins(options.margins, devices))
    compared = [compare_devices(one, two, options) for i, one in enumerate(devices) for two in devices[i + 1 :]]
    comparisons = tuple(found for found, _ in compared if found is not None)
    scorers = tuple(s for device in devices for s in summarise_scorers(device, options))
    left_out = tuple(caution for _, cautions in compared for caution in cautions)
    cautions = (*study_cautions(devices, refused, options, scorers), *left_out)
    return StudyAgreement(
        devices=devices,
        refused=refused,
        given=len(outcomes),
        comparisons=comparisons,
        scorers=scorers,
        options=options,
        cautions=cautions,
    )


def _refuse_groupless(nights: Sequence[NightSummary], by: str) -> None:
    if by and nights and not any(night.group for night in nights):
        problem = "the study is to be told by group, and no night carries one"
        remedy = (
            "Give a group to nights that can be scored: in that column of the table that is read, or for each night by "
            "itself (group)."
        )
        raise InputError(problem, "", f"{Option.BY}", by, "nights with a group", remedy)


def _name_margins(
    margins: tuple[tuple[str, float], ...], devices: tuple[DeviceStudy, ...]
) -> tuple[tuple[str, float], ...]:
    """Return margins under the names that results have for their measures, and refuse those of unknown ones."""
    names = list(dict.fromkeys(row.measure for device in devices for row in device.bias))
    told = tuple((find_measure(asked, names) or asked, margin) for asked, margin in margins)
    unknown = next((name for name, _ in told if name not in names), None)
    if unknown is not None and devices:
        problem = "a margin is stated for a measure that the study does not have"
        expected = f"one of {', '.join(map(say_measure, names))}"
        remedy = "Correct its name; a margin that is passed over would not be tested."
        raise InputError(problem, "", f"{Option.MARGIN}", unknown, expected, remedy)
    _refuse_second_margin(told)
    return told


def _refuse_second_margin(margins: tuple[tuple[str, float], ...]) -> None:
    """Refuse two margins of one measure: one of them would be told and not tested."""
    seen: dict[str, float] = {}
    for name, margin in margins:
        if name in seen:
            problem = f"two margins are stated for {say_measure(name)}"
            found = f"{seen[name]:g} and {margin:g}"
            remedy = "Keep the one that was stated beforehand."
            raise InputError(problem, "", f"{Option.MARGIN}", found, "one margin for each measure", remedy)
        seen[name] = margin


# --- one device -------------------------------------------------------------------------------------------


def choose_mappings(reference: StageSet, device: StageSet, asked: Sequence[StageMapping]) -> tuple[StageMapping, ...]:
    """Return the mappings of a device: those asked for, or its default and, if that has no kappa, square ones."""
    if asked:
        read = tuple(mapping.read_with(reference) for mapping in asked)
        for mapping in read:
            refuse_unheard(mapping, device)
        return read
    first = default_mapping(reference, device)
    further = ("wake-sleep",) if first.is_square else ("rem-left-out", "wake-sleep")
    return (first, *(m for m in fitting_mappings(reference, device) if m.name in further and m != first))


def _study_device(name: str, nights: tuple[NightSummary, ...], options: StudyOptions) -> DeviceStudy:
    grouped = group_nights(nights, options)
    reference, device = merged_sets(nights)
    mappings = choose_mappings(reference, device, options.mappings)
    studied = tuple(_study_mapping(m, grouped, device) for m in mappings)
    first = studied[0]
    told = [NightClock(n.participant, n.begin, n.best_offset_s, n.peak_score, n.clock_profile, n.night) for n in nights]
    return DeviceStudy(
        device=name,
        nights=nights,
        participants=grouped.participants,
        mappings=studied,
        bias=_bias_table(grouped, first, device),
        redistribution=redistribute(grouped, first.mapping, reference, device),
        bias_sources=account_over_nights(grouped, first, device),
        reports=device.reportable,
        clock=judge_device_clock(told, level=options.level),
        silence=count_silence(grouped, first.mapping, first.night_counts),
        several=scorers_at_once(nights, options),
        totals=own_totals(grouped, first.mapping, device),
        bouts=mean_bouts(grouped),
        shifts=_shifts_over_people(nights),
    )


def _shifts_over_people(nights: Sequence[NightSummary]) -> tuple[StudyShift, ...]:
    """Return how late the device says that states begin and end."""
    figures = read_shifts(nights).astype(np.float64)
    people = np.array([night.participant for night in nights])
    found = []
    for (i, state), (j, edge) in product(enumerate(STATES), enumerate(("begins", "ends"))):
        moments, told, missed, medians = figures[:, i, j].T
        has = ~np.isnan(medians)
        if not np.nansum(moments):
            continue
        own = [float(np.median(medians[has & (people == person)])) for person in dict.fromkeys(people[has].tolist())]
        quartiles = map(float, np.quantile(own, (0.25, 0.5, 0.75))) if own else (NAN, NAN, NAN)
        counts = (int(np.nansum(count)) for count in (moments, told, missed))
        found.append(StudyShift(state, edge, len(own), int(np.count_nonzero(has)), *counts, *quartiles))
    return tuple(found)


def _study_mapping(mapping: StageMapping, grouped: NightGroups, device: StageSet) -> StudyMapping:
    counts = fold_nights(grouped.nights, mapping)
    square = widen_columns(counts, device_index=mapping.device_index)
    total = counts.sum(axis=0)
    staged = sum(int(n.native.sum()) for n in grouped.nights)
    undefined = np.full(len(grouped.nights), NAN)
    kappas = coefficients.kappa(counts) if mapping.is_square else undefined
    return StudyMapping(
        mapping,
        frozen_array(total, np.int64),
        staged - int(total.sum()),
        frozen_array(counts, np.int64),
        _statistics(mapping, square, grouped),
        kappas,
        coefficients.accuracy(square),
        ceiling_under(mapping, total, device.reportable),
        _kappa_components(kappas, grouped),
    )


def _kappa_components(kappas: Values, grouped: NightGroups) -> VarianceComponents | None:
    known = ~np.isnan(kappas)
    if np.unique(grouped.of_night[known]).size < 2:
        return None
    return components_from_values(kappas[known], participant=grouped.of_night[known])


def _statistics(mapping: StageMapping, square: Counts, grouped: NightGroups) -> tuple[PooledStatistic, ...]:
    """Return pooled and averaged statistics of the table and of its classes, all from the same resamples."""
    wanted: list[Statistic] = [s for s in TABLE_STATISTICS if mapping.is_square or s.name not in NEED_ALL_CLASSES]
    wanted += CLASS_STATISTICS
    found = grouped.resample(
        grouped.sum_by_unit(square),
        {s.name: s.kernel for s in wanted},
        f"pooled {grouped.device} {mapping.name}",
        bounds={s.name: bounds_of(s) for s in wanted},
        influences={"kappa": coefficients.kappa_influence} if mapping.is_square else {},
    )
    places: list[tuple[Statistic, str, BootstrapIntervals]] = []
    means: list[Values] = []
    for statistic in wanted:
        values = statistic.kernel(square).reshape(len(grouped.nights), -1)
        for position, pooled in enumerate(found[statistic.name]):
            class_name = mapping.reference_classes[position] if statistic.per_class else ""
            if class_name and class_name not in mapping.device_classes:
                continue
            places.append((statistic, class_name, pooled))
            means.append(grouped.mean_by_unit(values[:, position]))
    averaged = grouped.average(
        dict(enumerate(means)),
        f"averaged {grouped.device} {mapping.name}",
        bounds={i: bounds_of(statistic) for i, (statistic, _, _) in enumerate(places)},
    )
    return tuple(
        PooledStatistic(statistic.key, class_name, pooled, averaged[i], _sd_of_known(means[i]))
        for i, (statistic, class_name, pooled) in enumerate(places)
    )


def _sd_of_known(means: Values) -> float:
    known = means[~np.isnan(means)]
    return float(known.std(ddof=1)) if known.size > 1 else NAN


# --- bias -------------------------------------------------------------------------------------------------


class MeasuredNights(NamedTuple):
    """A sleep measure of both sides over nights; nan where a side has none."""

    measure: str
    unit: str
    reference: Values
    device: Values


def measure_table(
    nights: Sequence[NightSummary], mapping: StageMapping, counts: Counts, *, device_set: StageSet
) -> tuple[MeasuredNights, ...]:
    """Return the measures of nights in the order of tables."""
    named: tuple[tuple[str, str], ...] = ()
    values = np.empty((0, 2, 0))
    for i, night in enumerate(nights):
        measured = SleepMeasures(*night.reference_measures), SleepMeasures(*night.device_measures)
        general = general_sleep(mapping, night.native, night.reference_set, night.device_set)
        pairs = pair_with_classes(measured, mapping, counts[i], device_set, general)
        if not named:
            named = tuple((pair.measure, pair.unit) for pair in pairs)
            values = np.empty((len(named), 2, len(nights)))
        # only the numbers stay: the pairs of a hundred thousand nights would take 300 MB
        values[:, :, i] = [(pair.reference, pair.device) for pair in pairs]
    return tuple(MeasuredNights(*name, values[k, 0], values[k, 1]) for k, name in enumerate(named))


def _bias_table(grouped: NightGroups, first: StudyMapping, device_set: StageSet) -> tuple[BiasRow, ...]:
    table = measure_table(grouped.nights, first.mapping, first.night_counts, device_set=device_set)
    names = [measured.measure for measured in table]
    margins = {find_measure(asked, names): margin for asked, margin in grouped.options.margins}
    given = [measured for measured in table if not np.isnan(measured.device).all()]
    scale = Scale.LOG_RATIO if grouped.options.log_ratio else Scale.RAW
    limits = [grouped.limits(measured.reference, measured.device, scale) for measured in given]
    differences = list(map(_differences, given, limits))
    means = {one.measure: grouped.mean_by_unit(found) for one, found in zip(given, differences, strict=True)}
    averaged = grouped.average(means, f"bias {grouped.device}")
    rows = [
        _bias_row(*row, averaged[row[0].measure], margins.get(row[0].measure), grouped, first.mapping)
        for row in zip(given, limits, differences, strict=True)
    ]
    tests = [(row.equivalence, row.containment, row.by_group) for row in rows]
    return tuple(
        replace(row, equivalence_adjusted=equivalence, containment_adjusted=containment, by_group_adjusted=by_group)
        for row, equivalence, containment, by_group in zip(rows, *map(_adjusted, zip(*tests, strict=True)), strict=True)
    )


def _bias_row(
    measured: MeasuredNights,
    limits: LimitsOfAgreement,
    differences: Values,
    bootstrap: BootstrapIntervals,
    margin: float | None,
    grouped: NightGroups,
    mapping: StageMapping,
) -> BiasRow:
    """Return the bias of one measure, its p values not yet adjusted for those of the others."""
    level, who = grouped.options.level, grouped.of_night
    values: dict[str, Any] = {"reference": measured.reference, "device": measured.device, "participant": who}
    lines, sloped = _lines_of(values, limits)
    return BiasRow(
        measure=measured.measure,
        unit=measured.unit,
        limits=limits,
        reliability=fit_reliability(**values, level=level),
        bootstrap=bootstrap,
        equivalence=None if margin is None else equivalence_test(**values, margin=margin),
        reference=frozen_array(measured.reference, np.float64),
        device=frozen_array(measured.device, np.float64),
        lines=lines,
        components=_spread_of(differences, limits, grouped),
        containment=None if margin is None else containment_test(**values, margin=margin),
        sizes=_sizes_of(values, limits, measured.unit, margin),
        sloped=sloped,
        changes=follow_changes(**values, level=level),
        by_group=_means_by_group(measured.measure, differences, grouped),
        mapping=mapping,
    )


def _means_by_group(measure: str, differences: Values, grouped: NightGroups) -> GroupMeans | None:
    """Return the bias of each group of nights; nothing where no groups are."""
    if not grouped.options.by or measure == "TIB":
        return None
    groups = [night.group for night in grouped.nights]
    return fit_group_means(differences, participant=grouped.of_night, group=groups, level=grouped.options.level)


def _adjusted(tests: Sequence[EquivalenceTest | ContainmentTest | GroupMeans | None]) -> Sequence[float]:
    """Return the p value of each test by Holm's method over all of them; nan where there was nothing to test."""
    return holm_adjusted([NAN if test is None else test.p_value for test in tests])


def _differences(measured: MeasuredNights, limits: LimitsOfAgreement) -> Values:
    """Return the differences that limits are of; all nan where the scale has none."""
    if limits.scale is Scale.RAW:
        return measured.device - measured.reference
    if math.isnan(limits.bias):
        return np.full(len(measured.reference), NAN)
    logs: Values = np.log(measured.device) - np.log(measured.reference)
    return logs


def _spread_of(differences: Values, limits: LimitsOfAgreement, grouped: NightGroups) -> VarianceComponents | None:
    """Return the spread of the differences between and within participants, None for fewer than two."""
    if limits.participants < 2 or math.isnan(limits.sd):
        return None
    return components_from_values(differences, participant=grouped.of_night)


def _sizes_of(values: dict[str, Any], limits: LimitsOfAgreement, unit: str, margin: float | None) -> ErrorSizes:
    """Return what holds of the differences without a normal law; beyond 15, 30 and 60 minutes, and the margin."""
    bounds = (*(MINUTES_TOLD if unit == "min" else ()), *(() if margin is None else (margin,)))
    return measure_error_sizes(**values, limits=limits, bounds=bounds)


def _lines_of(
    values: dict[str, Any], limits: LimitsOfAgreement
) -> tuple[RegressionLimits | None, RegressionLimits | None]:
    """Return limits as lines where the spread is known to change with the level, else the difference as a line.

    The second one only where its slope is known.
    """
    if limits.scale is Scale.LOG_RATIO:
        return None, None
    if not math.isnan(limits.spread_slope_low) and not limits.spread_slope_low <= 0 <= limits.spread_slope_high:
        lines = fit_regression_limits(**values, spread=Spread.VARYING, level=limits.level)
        if not math.isnan(lines.slope):
            return lines, None
    if math.isnan(limits.slope_low) or limits.slope_low <= 0 <= limits.slope_high:
        return None, None
    return None, fit_regression_limits(**values, level=limits.level)
