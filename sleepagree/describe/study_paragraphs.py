"""Sentences for a paper, made only from what was run in a study: the finding, the methods, the results.

Nothing here is computed anew. A method is named only where its number stands in the results, with the source that
the code follows.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.bias import bias_source_result
from sleepagree.describe.citations import Citations
from sleepagree.describe.paragraphs import MAIN_MEASURES, CitedParagraph, say_classes, say_measures, say_software
from sleepagree.describe.study_epochs import say_epochs, say_given
from sleepagree.describe.study_margins import say_margins
from sleepagree.describe.words import (
    TABLE_WORDS,
    figure,
    file_words,
    interval,
    join_first,
    join_words,
    minutes,
    nights_of,
    percent_interval,
    say_called,
    say_destination,
    say_level,
    say_mapped,
    say_measure,
    say_stages,
    signed,
    speak,
)
from sleepagree.errors import counted, shorten
from sleepagree.inference.people import Design
from sleepagree.inference.resampling import (
    FEWEST_UNITS_FOR_RESAMPLES,
    BootstrapIntervals,
    IntervalMethod,
    IntervalScale,
)
from sleepagree.mapping.mapping import reported_classes
from sleepagree.scoring.offsets import ClockHint
from sleepagree.study.results import (
    BiasRow,
    DeviceComparison,
    DeviceStudy,
    PairedDifference,
    StudyAgreement,
    StudyMapping,
)
from sleepagree.study.table import NightsTable

#: Designs in which the differences of nights are taken as they are -> what they rest on.
_UNITS_OF_PLAIN_LIMITS: Final = {
    Design.ONE_NIGHT_EACH: "one night per participant",
    Design.ONE_PARTICIPANT: "the nights of one participant",
}
_SINGLE_NIGHT: Final = "Bias is the difference of a single night, without an interval and limits of agreement."
_SINGLE_RATIO: Final = "Ratios device / reference are those of a single night, without an interval and limits."
#: So many nights with a doubtful clock are named.
_MOST_NAMED: Final = 3


def finding_of_device(device: DeviceStudy, study: StudyAgreement) -> str:
    """Return what was found about one device, in one sentence with its uncertainty."""
    first = device.mappings[0]
    units = units_of(device)
    level = study.options.level
    who = f"Over {nights_of(len(device.nights), len(device.participants))}, {shorten(device.device)}"
    accuracy = first.find("accuracy")
    if accuracy is None or not accuracy.pooled.primary.defined:
        return f"{who} shares no epoch with the reference under '{shorten(first.mapping.name)}'."
    agreed = (
        f"{who} gave the same stage as the reference in {_share(accuracy.pooled, say_level(level))} of the epochs "
        "compared under "
        f"'{shorten(first.mapping.name)}'{_say_best_possible(first, device.reports)}"
    )
    square = device.first_square
    kappa = None if square is None else square.find("kappa")
    if square is not None and kappa is not None and kappa.pooled.primary.defined:
        under = "" if square is first else f" under '{shorten(square.mapping.name)}'"
        value = figure(kappa.pooled.primary.value, 2)
        agreed += f", a kappa of {value} ({ends_or_none(kappa.pooled, 2)}){under}"
    of_stage = dict(first.mapping.stage_classes)
    traced = [(t.epochs, t.stage, max(t.to, key=lambda d: d.epochs)) for t in device.redistribution if t.epochs]
    # what most of a stage was called is no fault where the mapping says the same of it
    mistaken = [(epochs, stage, to) for epochs, stage, to in traced if of_stage.get(stage) != to.name]
    if mistaken:
        _, stage, to = max(mistaken, key=lambda found: found[0])
        agreed += f"; it has no label for {speak(stage)}, of which {_share(to.share)} was {say_called(to.name)}"
    has_interval = not math.isnan(accuracy.pooled.primary.low)
    return f"{agreed} (intervals over {units})." if has_interval else f"{agreed}."


def _say_best_possible(first: StudyMapping, reports: tuple[str, ...]) -> str:
    """Return what a device without a label for a class can reach at most."""
    best = first.ceiling.accuracy
    reported = reported_classes(first.mapping, reports)
    lacking = [speak(name) for name in first.mapping.reference_classes if name not in reported]
    if not lacking or math.isnan(best) or best >= 1:
        return ""
    return f" ({100 * best:.1f} % would be the most possible without a label for {join_words(lacking)})"


def _share(found: BootstrapIntervals, name: str = "") -> str:
    estimate = found.primary
    value = f"{100 * estimate.value:.1f} %"
    if math.isnan(estimate.low):
        return f"{value} (no interval)"
    return f"{value} ({name}{' ' if name else ''}{percent_interval(estimate.low, estimate.high, 1)})"


def methods_of_study(study: StudyAgreement, *, table: NightsTable | None = None) -> CitedParagraph:
    """Return a methods paragraph of what was run in a study, with its sources.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    table : NightsTable, optional
        The table it was made from, which tells the zones that were given.
    """
    cited = Citations()
    options = study.options
    parts = [*say_epochs(study, table)]
    if study.refused:
        parts.append(
            f"{len(study.refused)} of {say_given(study)} could not be scored and are listed with their reasons."
        )
    parts += map(say_reports, study.devices)
    mappings = {m.mapping.name: m.mapping for d in study.devices for m in d.mappings}
    if any({"light", "deep"} & set(m.reference_classes) for m in mappings.values()):
        parts.append("Unless said otherwise, light is N1 and N2, deep is N3.")
    parts += [_say_study_agreement(study, cited), say_measures(cited)]
    parts += _say_limits(study, cited)
    if options.margins:
        parts.append(
            f"Equivalence was tested by two one-sided t tests {cited.mark('two_tests')} against margins stated "
            f"beforehand ({say_stated_margins(study)})."
        )
    parts += _say_groups(study, cited)
    parts.append(say_multiplicity(study))
    parts.append("The bias of each class was split into minutes gained from and lost to each other class.")
    if study.comparisons:
        kinds = _kinds([d.difference for c in study.comparisons for d in (*c.differences, c.with_silence)])
        parts.append(
            "Devices were compared on the nights that both watched and on the same epochs of them, those that the "
            "reference and both devices scored, and once more with epochs without a stage of the device counted as "
            f"disagreement. Intervals of the differences are {_say_kinds(kinds, study)}."
        )
    other = "All other" if options.log_ratio else "All"
    parts.append(f"{other} differences are device minus reference. {say_software()}")
    return CitedParagraph(" ".join(parts), cited.sources)


def _say_groups(study: StudyAgreement, cited: Citations) -> list[str]:
    """Name how the bias of groups of nights was taken, where there are groups."""
    found = [row.by_group for device in study.devices for row in device.bias if row.by_group is not None]
    if not found:
        return []
    methods = " or ".join(dict.fromkeys(means.method for means in found))
    sources = f" {cited.mark('reml', 'mixed_models')}" if any(means.is_mixed_model for means in found) else ""
    return [
        f"Bias by {shorten(study.options.by)} is given as means of groups ({methods}{sources}); whether these differ "
        "was tested by F tests, with p values adjusted for the measures (Holm)."
    ]


def say_stated_margins(study: StudyAgreement) -> str:
    """Return the margins that were stated beforehand; "" without any."""
    return join_words(f"{say_measure(name)} ±{margin:g}" for name, margin in study.options.margins)


def say_multiplicity(study: StudyAgreement) -> str:
    """Say what was done about the number of intervals and tests."""
    said = "Intervals were not adjusted for the number of measures, classes and devices"
    if len(study.options.margins) > 1:
        return f"{said}; p values of the equivalence tests were adjusted for the measures with a margin (Holm)."
    return f"{said}."


def say_reports(device: DeviceStudy) -> str:
    """Say what a device can report, and in which classes it was compared."""
    classes = "; and in ".join(say_classes(m.mapping, device.reports) for m in device.mappings)
    return (
        f"{shorten(device.device)} can report {join_words(say_stages(device.reports))}; it was compared with the "
        f"reference in {classes}."
    )


def _say_study_agreement(study: StudyAgreement, cited: Citations) -> str:
    sources = {"kappa": ("kappa",), "pabak": ("even_chance", "pabak"), "ac1": ("ac1",), "mcc": ("mcc",)}
    of_tables = [m.find(key) for key in TABLE_WORDS for d in study.devices for m in d.mappings]
    has_value = {found.name for found in of_tables if found is not None and found.pooled.primary.defined}
    words = TABLE_WORDS | {"kappa": "Cohen's kappa"}
    given = [
        f"{words[key]} {cited.mark(*sources[key])}" if key in sources else words[key]
        for key in TABLE_WORDS
        if key in has_value
    ]
    return (
        f"Agreement is given as {join_words(given)}, and for each class as sensitivity, specificity, predictive "
        "values, F1 and kappa against the rest, of all epochs together and as "
        f"{_say_average(study)}. {_say_study_intervals(study, cited)}"
    )


def _say_average(study: StudyAgreement) -> str:
    several = any(len(device.participants) > 1 for device in study.devices)
    one = any(len(device.participants) == 1 for device in study.devices)
    if one and not several:
        return "the mean of the nights' values"
    of_one = "; for a device with one participant the mean of the nights' values" if one else ""
    return f"the mean over participants of the mean of their nights' values{of_one}"


def _say_study_intervals(study: StudyAgreement, cited: Citations) -> str:
    """Say which intervals stand in the tables, as far as they were used."""
    found = [p for device in study.devices for p in _all_intervals(device)]
    kinds = _kinds(found)
    sources = {
        IntervalMethod.STUDENTISED: ("clusters", "bootstrap_t"),
        IntervalMethod.PERCENTILE: ("clusters", "expanded_percentile"),
        IntervalMethod.DELTA: ("clustered_kappa", "slopes"),
    }
    marks = {kind: f" {cited.mark(*sources[kind])}" for kind in sources if kind in kinds}
    said = f"{100 * study.options.level:g} % intervals are {_say_kinds(kinds, study, marks)}"
    scales = {p.scale for p in found if p.kind is IntervalMethod.DELTA}
    if IntervalScale.LOGIT in scales:
        said += f"; those of shares by the delta method are on the logit scale {cited.mark('logit_interval')}"
    if IntervalScale.ATANH in scales:
        said += "; those of kappa, PABAK, AC1 and MCC by the delta method are on that of atanh"
    return f"{said}."


def _all_intervals(device: DeviceStudy) -> list[BootstrapIntervals]:
    of_redistribution = (p for t in device.redistribution for d in t.to for p in (d.share, d.minutes))
    return [*_agreement_intervals(device), *of_redistribution]


def _agreement_intervals(device: DeviceStudy) -> list[BootstrapIntervals]:
    return [p for m in device.mappings for s in m.statistics for p in (s.pooled, s.averaged)]


def _kinds(found: Sequence[BootstrapIntervals]) -> dict[IntervalMethod, set[str]]:
    """Return the kinds of interval that are given, each with what was resampled or counted as a unit."""
    kinds: dict[IntervalMethod, set[str]] = {}
    for intervals in found:
        if not math.isnan(intervals.primary.low):
            kinds.setdefault(intervals.kind, set()).add(intervals.unit)
    return kinds


def _say_kinds(
    kinds: dict[IntervalMethod, set[str]], study: StudyAgreement, marks: dict[IntervalMethod, str] | None = None
) -> str:
    """Return the kinds of interval in words, for the middle of a sentence."""
    marks = marks or {}
    said = []
    for kind, what in (
        (IntervalMethod.STUDENTISED, "bootstrap-t intervals from"),
        (IntervalMethod.PERCENTILE, "percentiles of"),
    ):
        if kind in kinds:
            of_nights = kinds[kind] == {"nights"}
            drawn = "nights were drawn" if of_nights else "whole participants were drawn with all their nights"
            said.append(
                f"{what} {study.options.resamples} resamples in which {drawn}{marks.get(kind, '')} "
                f"(seed {study.options.seed})"
            )
    if IntervalMethod.DELTA in kinds:
        units = "nights" if kinds[IntervalMethod.DELTA] == {"nights"} else "participants"
        few = f"where {units} are fewer than {FEWEST_UNITS_FOR_RESAMPLES} or very uneven"
        fewer = f"for minutes or {few}, " if said else ""
        said.append(
            f"{fewer}those of the delta method with {units} as the units and a t quantile"
            f"{marks.get(IntervalMethod.DELTA, '')}"
        )
    return " and, ".join(said) if said else "not to be had: there are too few units"


def _has_intervals(device: DeviceStudy) -> bool:
    """Whether agreement or bias of a device has any interval: one night alone has none."""
    of_bias = any(not math.isnan(row.limits.bias_low) for row in device.bias)
    return of_bias or bool(_kinds(_all_intervals(device)))


def say_intervals(device: DeviceStudy, study: StudyAgreement) -> str:
    """Return what the intervals of a device's agreement are, as a sentence."""
    return f"{say_level(study.options.level)}s are {_say_kinds(_kinds(_agreement_intervals(device)), study)}."


def say_under_first(device: DeviceStudy) -> str:
    """Return what the mapping of minutes of classes makes of stages, behind a caption; "" where it does nothing."""
    first = device.mappings[0]
    mapped = say_mapped(first.mapping, first.left_out)
    return f"; minutes of classes under '{shorten(first.mapping.name)}', {mapped}" if mapped else ""


def say_estimate(found: BootstrapIntervals, digits: int = 2) -> str:
    """Return a value with its interval in brackets, as far as they exist."""
    value = figure(found.primary.value, digits)
    return value if math.isnan(found.primary.low) else f"{value} ({ends_of(found, digits)})"


def ends_of(found: BootstrapIntervals, digits: int = 3) -> str:
    """Return both ends of the interval of a value, or a dash."""
    return interval(found.primary.low, found.primary.high, digits)


def ends_or_none(found: BootstrapIntervals, digits: int) -> str:
    """Return both ends of the interval of a value, or that it has none."""
    return "no interval" if math.isnan(found.primary.low) else ends_of(found, digits)


def is_main_measure(measure: str) -> bool:
    """Whether results speak of a measure, and its bias stands before that of others."""
    return measure in MAIN_MEASURES or measure.startswith("minutes ")


def file_ending(serial: int, study: StudyAgreement) -> str:
    """Return what the names of a device's figures end with: its name where there are several."""
    names = file_words([device.device for device in study.devices])
    return f"_{names[serial]}" if len(names) > 1 else ""


def units_of(device: DeviceStudy) -> str:
    """Return what counts as a unit: participants, or the nights of the only one."""
    return "participants" if len(device.participants) > 1 else "nights"


def account(device: DeviceStudy) -> tuple[int, int, Counter[str]]:
    """Return the epochs in a device's windows, those scored on both sides, and why the others were not."""
    excluded: Counter[str] = Counter()
    for night in device.nights:
        excluded.update(dict(night.excluded))
    return sum(n.window_epochs for n in device.nights), sum(n.scored for n in device.nights), excluded


def _say_limits(study: StudyAgreement, cited: Citations) -> list[str]:
    """Name how bias and limits were taken, for each design that the measures of the devices have."""
    rows = [row.limits for device in study.devices for row in device.bias]
    # the bias of a single night is its difference, which has no interval and no limits
    designs = {limits.design for limits in rows if not math.isnan(limits.bias_low) or not math.isnan(limits.lower)}
    with_intervals = {limits.design for limits in rows if not math.isnan(limits.lower_low)}
    if rows and not designs:
        return [_SINGLE_RATIO if study.options.log_ratio else _SINGLE_NIGHT]
    said = []
    if Design.SEVERAL_NIGHTS in designs:
        said.append(
            "Bias is the mean of participants' means with a t interval; limits of agreement combine the variance "
            "between and within participants, the true value varying from night to night "
            f"{cited.mark('limits', 'limits_repeated')}"
        )
        if Design.SEVERAL_NIGHTS in with_intervals:
            said[-1] += f"; intervals of the limits are MOVER intervals {cited.mark('mover')}"
    plain_designs = [design for design in _UNITS_OF_PLAIN_LIMITS if design in designs]
    if plain_designs:
        units = " or ".join(_UNITS_OF_PLAIN_LIMITS[design] for design in plain_designs)
        rest = "bias with a t interval and limits of agreement rest on"
        limits = cited.mark("limits")
        said.append(
            f"Where a measure has {units} only, {rest} these {limits}"
            if said
            else f"{rest.capitalize()} {units} {limits}"
        )
        if with_intervals.intersection(plain_designs):
            said[-1] += (
                "; intervals of the limits are exact by the noncentral t distribution "
                f"{cited.mark('exact_limits', 'exact_limits_2018')}"
            )
    if said and study.options.log_ratio:
        said.append(
            "Limits were fitted to differences of natural logarithms and are given as ratios device / reference "
            f"{cited.mark('limits_1999')}"
        )
    return [*(f"{sentence}." for sentence in said), *_say_beside_limits(study, cited)]


def _say_beside_limits(study: StudyAgreement, cited: Citations) -> list[str]:
    """Name what the tables give beside the limits: with few nights some of it does not exist."""
    rows = [row for device in study.devices for row in device.bias]
    said: list[str] = []
    if any(not math.isnan(row.limits.slope) for row in rows):
        said.append(f"slopes of the difference on the level {cited.mark('limits_1999', 'slopes')}")
    if any(row.reliability.icc.defined for row in rows):
        said.append(f"intraclass correlation ICC(A,1) {cited.mark('icc')}")
    if any(row.reliability.ccc.defined for row in rows):
        said.append(f"concordance correlation {cited.mark('ccc')}")
    return [f"Beside them the tables give {join_words(said)}."] if said else []


def results_of_study(study: StudyAgreement) -> str:
    """Return the results of a study: a paragraph for each device and one that compares them, parted by empty lines."""
    scored = sum(len(device.nights) for device in study.devices)
    paragraphs = [f"{scored} of {say_given(study)} were scored.", *(_results_of(d, study) for d in study.devices)]
    for comparison in study.comparisons:
        kappa = next((d for d in comparison.differences if d.statistic == "kappa" and not d.of), None)
        if kappa is not None and kappa.difference.primary.defined:
            first, second = shorten(comparison.first), shorten(comparison.second)
            silent = [f"{100 * share:.1f} %" for share in comparison.silent_shares]
            silence = comparison.with_silence
            paragraphs.append(
                f"{first} and {second} were compared on {counted(comparison.nights, 'night')} that both watched, and "
                f"there on the same {counted(comparison.epochs, 'epoch')}, those that the reference and both scored; "
                f"{first} gave no stage to {silent[0]} of the windows' epochs, {second} to {silent[1]}. Kappa in "
                f"{say_compared_classes(comparison, study)} was {figure(kappa.second, 3)} for {second} and "
                f"{figure(kappa.first, 3)} for {first}, a difference of {_signed_with_ends(kappa)}. With silence "
                f"counted as disagreement, agreement was {figure(silence.second, 3)} for {second} and "
                f"{figure(silence.first, 3)} for {first}, a difference of {_signed_with_ends(silence)}."
            )
    return "\n\n".join(paragraphs)


def _results_of(device: DeviceStudy, study: StudyAgreement) -> str:
    window, scored, _ = account(device)
    parts = [
        f"{shorten(device.device)} was compared with the reference on "
        f"{nights_of(len(device.nights), len(device.participants))}: {scored} of {counted(window, 'epoch')} had a "
        "stage on both sides."
    ]
    if _has_intervals(device):
        parts.append(f"{say_level(study.options.level)}s over {units_of(device)} stand in brackets.")
    agreed = [said for m in device.mappings if (said := say_agreed(m, device.reports))]
    parts += [f"Agreement was {'; '.join(agreed)}."] if agreed else []
    for traced in device.redistribution:
        if traced.epochs:
            to = join_words(f"{_share(d.share)} as {say_destination(d.name)}" for d in traced.to)
            parts.append(f"Of {minutes(traced.epochs)} of {speak(traced.stage)} it took {to}.")
    parts += _bias_results(device.bias)
    parts += [f"{said}." for said in say_margins(device.bias)]
    parts += _clock_results(device)
    largest = max((s.per_night for s in device.bias_sources), key=lambda s: abs(s.bias_min), default=None)
    if largest is not None and abs(largest.bias_min) >= 0.05:
        parts.append(bias_source_result(largest, device.mappings[0], unit="min a night"))
    return " ".join(parts)


def _clock_results(device: DeviceStudy) -> list[str]:
    """Tell the nights that agree far better at another clock offset, and were scored as their clocks tell."""
    moved = [
        f"{shorten(night.participant)} {shorten(night.night)} ({seconds:+.0f} s)"
        for night in device.nights
        for hint, seconds in ((ClockHint.OFFSET, night.best_offset_s), (ClockHint.ZONE, night.zone_s))
        if night.clock_hint == hint
    ]
    if not moved:
        return []
    return [
        f"Agreement has a sharp peak at another clock offset on {counted(len(moved), 'night')}, scored unshifted: "
        f"{join_first(moved, _MOST_NAMED)}."
    ]


def say_compared_classes(comparison: DeviceComparison, study: StudyAgreement) -> str:
    """Return the classes in which two devices are compared."""
    mappings = {m.mapping.name: m.mapping for device in study.devices for m in device.mappings}
    found = mappings.get(comparison.mapping)
    return shorten(comparison.mapping) if found is None else say_classes(found)


def _signed_with_ends(compared: PairedDifference) -> str:
    return f"{signed(compared.difference.primary.value, 3)} ({ends_or_none(compared.difference, 3)})"


def say_agreed(studied: StudyMapping, reports: tuple[str, ...]) -> str:
    """Return accuracy, and kappa where there is one, over all epochs."""
    found = {name: studied.find(name) for name in ("accuracy", "kappa")}
    said = [f"{name} {say_estimate(f.pooled, 3)}" for name, f in found.items() if f and f.pooled.primary.defined]
    return f"{' and '.join(said)} in {say_classes(studied.mapping, reports)}" if said else ""


def _bias_results(rows: Sequence[BiasRow]) -> list[str]:
    out = []
    for row in rows:
        limits = row.printed
        if not is_main_measure(row.measure) or math.isnan(limits.bias):
            continue
        digits = 3 if row.of_ratios else 1
        unit = "" if row.of_ratios else " min" if row.unit == "min" else " percentage points"
        bias = figure(limits.bias, digits) if row.of_ratios else signed(limits.bias)
        ends = "" if math.isnan(limits.bias_low) else f" ({interval(limits.bias_low, limits.bias_high, digits)})"
        agree = ""
        if not math.isnan(limits.lower):
            agree = f", limits of agreement {interval(limits.lower, limits.upper, digits)}"
        out.append(f"{row.name} {bias}{unit}{ends}{agree}")
    if not out:
        return []
    what = "The ratio of device to reference (geometric means) was" if rows[0].of_ratios else "Bias was"
    return [f"{what} {'; '.join(out)}."]
