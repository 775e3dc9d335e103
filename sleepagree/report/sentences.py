"""Sentences for a paper, made only from what was run: the finding, the methods, the results.

Nothing here is computed anew. A method is named only where its number stands in the results, with the source that
the code follows.
"""

from __future__ import annotations

import math
import platform
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

import sleepagree
from sleepagree.by_participant import Design
from sleepagree.errors import shorten
from sleepagree.night import MEAN_BLOCK_EPOCHS, MappingAgreement, NightAgreement
from sleepagree.nights_table import NightsTable
from sleepagree.normal_factors import LimitsInterval
from sleepagree.pairing import PairedNight, WindowRule
from sleepagree.redistribution import BiasSource, Redistribution, speak
from sleepagree.report.citations import Citations
from sleepagree.resampling import FEWEST_UNITS_FOR_PERCENTILE, BootstrapIntervals
from sleepagree.stages import StageMapping
from sleepagree.study import BiasRow, DeviceStudy, PairedDifference, StudyAgreement, StudyMapping
from sleepagree.text import figure, runs_sentence, show_duration, show_moment, signed, speak_measure

#: Measures that a results paragraph speaks of, where there are any.
_MAIN_MEASURES: Final = ("TST", "SOL", "WASO", "SE")

#: How a reader warns of steps that are longer than an epoch, in the cautions of a paired night.
_LONG_STEP: Final = re.compile(r"(reference|device): stages are told in steps of ([^:]+):")


@dataclass(frozen=True)
class Paragraph:
    """A paragraph and the sources it cites.

    Parameters
    ----------
    text : str
        The paragraph, with numbers in brackets.
    sources : tuple of str
        The sources in the order of their numbers.
    """

    text: str
    sources: tuple[str, ...]


def join_words(words: Sequence[str]) -> str:
    """Return words as a list in a sentence.

    Examples
    --------
    >>> join_words(["wake"]), join_words(["wake", "light"]), join_words(["wake", "light", "deep"])
    ('wake', 'wake and light', 'wake, light and deep')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def printable(text: str) -> str:
    """Return a text of somebody's file without the characters that could turn or move what stands around it."""
    return "".join(c if c.isprintable() else " " for c in text)


def say_stages(reportable: Sequence[str]) -> list[str]:
    """Return what a side can report in its own words: one that says light calls N3 deep.

    Examples
    --------
    >>> say_stages(["W", "light", "N3"]), say_stages(["W", "N2", "N3", "R"])
    (['wake', 'light', 'deep'], ['wake', 'N2', 'N3', 'REM'])
    """
    coarse = {"light", "light-or-rem"} & set(reportable)
    return ["deep" if stage == "N3" and coarse else speak(shorten(stage)) for stage in reportable]


def say_level(level: float) -> str:
    """Return the name of an interval: ``95 % interval``."""
    return f"{100 * level:g} % interval"


def _ends(low: float, high: float, digits: int, *, per_cent: bool = False) -> str:
    factor, unit = (100, " %") if per_cent else (1, "")
    return f"{figure(factor * low, digits)} to {figure(factor * high, digits)}{unit}"


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


# --- one night --------------------------------------------------------------------------------------------


def finding_of_night(night: NightAgreement) -> str:
    """Return what was found on a night, in one sentence with its uncertainty.

    Parameters
    ----------
    night : NightAgreement
        The night; its first mapping is the one spoken of.

    Returns
    -------
    str
        With a kappa: accuracy and kappa with its interval (by blocks where that was run). Without one, because the
        device lacks a class: accuracy, and where the largest unreported stage went, with its interval.
    """
    first = night.mappings[0]
    table = first.table
    same = (
        f"The device gave the same stage as the reference in {100 * table.accuracy:.1f} % of the {table.n} epochs "
        f"({show_duration(table.n)}) compared under '{shorten(first.mapping.name)}'"
    )
    if table.n == 0:
        return f"No epoch can be compared under '{shorten(first.mapping.name)}'."
    if table.kappa.defined:
        return f"{same}; corrected for chance, {_kappa_with_interval(first, night.level)}."
    traced = max(night.redistribution, key=lambda r: r.epochs, default=None)
    if first.mapping.is_square or traced is None or not traced.epochs:
        return f"{same}; kappa does not exist: {table.kappa.undefined_because}."
    # a night without a stage is not a device without it
    lacks = "it has" if night.paired.device_set.declared else "its file holds"
    return f"{same}; {lacks} no label for {speak(traced.stage)}, {_main_destination(traced, night.level)}."


def _kappa_with_interval(scored: MappingAgreement, level: float) -> str:
    kappa = scored.table.kappa
    if not math.isnan(scored.block_low):
        ends = f"{say_level(level)} {_ends(scored.block_low, scored.block_high, 2)}, resampling blocks of 15 min"
    elif not math.isnan(kappa.low):
        ends = f"{say_level(level)} {_ends(kappa.low, kappa.high, 2)} if epochs were independent"
    else:
        ends = "no interval"
    return f"kappa is {kappa.value:.2f} ({ends})"


def _main_destination(traced: Redistribution, level: float) -> str:
    to = max(traced.to, key=lambda d: d.epochs)
    low, high, how = (to.low, to.high, ", if epochs were independent")
    if not math.isnan(to.block_low):
        low, high, how = (to.block_low, to.block_high, ", resampling blocks of 15 min")
    share = f"{100 * to.share:.0f} % ({say_level(level)} {_ends(low, high, 0, per_cent=True)}{how})"
    return f"and of the {traced.minutes:.1f} min of it that both staged, {share} were called {speak(to.name)}"


def methods_of_night(night: NightAgreement) -> Paragraph:
    """Return a methods paragraph of what was run on a night, with its sources."""
    cited = Citations()
    paired = night.paired
    parts = [
        _say_grid(),
        _say_window(paired),
        _say_clock(paired),
        "Epochs without a stage on either side were counted and left out.",
        _say_device(paired),
        *[_say_mapping(m.mapping) for m in night.mappings],
        _say_night_agreement(night, cited),
        _say_measures(cited),
    ]
    if any(r.epochs for r in night.redistribution):
        stages = join_words([speak(r.stage) for r in night.redistribution if r.epochs])
        blocks = " and with a block bootstrap interval" if night.resamples else ""
        parts.append(
            f"The epochs of {stages}, for which the device has no label, were followed to the device classes that they "
            f"went to, as shares with Wilson's interval {cited.mark('wilson')}{blocks}."
        )
    parts.append("The bias of each class was split exactly into minutes gained from and lost to each other class.")
    if night.disagreement is not None:
        parts.append(
            "Whether disagreement comes in runs was judged against the same number of errors scattered at random "
            "within each stage of the reference."
        )
    parts.append(f"All differences are device minus reference. {_say_software()}")
    return Paragraph(" ".join(parts), cited.sources)


def _say_grid() -> str:
    return (
        "Stages were compared in epochs of 30 s counted from the first scored epoch of the reference; an epoch took "
        "the label that covers most of it, and less than 15 s of cover is a gap."
    )


def _say_window(paired: PairedNight) -> str:
    how = {
        WindowRule.LIGHTS: "from lights off to lights on",
        WindowRule.REFERENCE: "from the first to the last epoch to which the reference gave a stage",
        WindowRule.OVERLAP: "over the time that both recordings cover",
        WindowRule.GIVEN: "over a window given beforehand",
    }[paired.rule]
    begin = paired.begin
    end = paired.epoch_start(int(paired.status.size))
    span = f" ({show_moment(begin)} to {end:%H:%M:%S})" if begin and end else ""
    return f"The comparison ran {how}{span}."


def _say_clock(paired: PairedNight) -> str:
    if not paired.clock_offset_s:
        return "The clocks were taken as the files tell them."
    return f"{paired.clock_offset_s:+g} s were added to the device's times."


def _say_device(paired: PairedNight) -> str:
    known = "as declared" if paired.device_set.declared else "taken from the labels in its file"
    return f"The device can report {join_words(say_stages(paired.device_set.reportable))} ({known})."


def _say_mapping(mapping: StageMapping) -> str:
    classes = join_words([speak(shorten(c)) for c in mapping.reference_classes])
    return f"Under '{shorten(mapping.name)}' the classes are {classes}. {printable(mapping.assumption)}".strip()


def _say_night_agreement(night: NightAgreement, cited: Citations) -> str:
    square = [m for m in (*night.mappings, *night.others) if m.table.kappa.defined]
    if not square:
        return (
            "Agreement was described by accuracy and, for each class that the device can report, by sensitivity, "
            "specificity, predictive values, F1 and kappa against the rest "
            f"{cited.mark('kappa')}."
        )
    kappa = cited.mark("kappa")
    intervals = f"its large-sample interval {cited.mark('kappa_interval')}"
    if night.resamples:
        intervals += (
            f" and the interval of a stationary block bootstrap {cited.mark('stationary_bootstrap')} "
            f"({night.resamples} resamples, mean block {MEAN_BLOCK_EPOCHS} epochs, seed {night.seed})"
        )
    others = "" if square[0] in night.mappings else f" (under {join_words([repr(m.mapping.name) for m in square])})"
    return (
        f"Agreement was described by accuracy; Cohen's kappa {kappa} with {intervals}{others}; PABAK "
        f"{cited.mark('even_chance', 'pabak')}; AC1 {cited.mark('ac1')}; the multi-class correlation (MCC) "
        f"{cited.mark('mcc')}; balanced accuracy; and for each class by sensitivity, specificity, predictive values, "
        "F1 and kappa against the rest."
    )


def _say_measures(cited: Citations) -> str:
    return (
        f"Sleep measures follow the AASM definitions {cited.mark('aasm')} over the epochs that both sides staged: WASO "
        "runs from sleep onset to the end of the window, latencies of REM and deep sleep count from sleep onset."
    )


def _say_software() -> str:
    return (
        f"Computed with sleepagree {sleepagree.__version__} (Python {platform.python_version()}, numpy "
        f"{np.__version__})."
    )


def results_of_night(night: NightAgreement) -> str:
    """Return a results paragraph of a night."""
    ledger = night.paired.ledger
    rest = [f"{count} {word.replace('_', ' ')}" for word, count in ledger.excluded if count]
    parts = [
        f"The window held {ledger.window_epochs} epochs ({show_duration(ledger.window_epochs)}), of which "
        f"{ledger.scored} ({100 * ledger.scored / ledger.window_epochs:.1f} %) had a stage on both sides"
        + (f"; the others were {join_words(rest)}." if rest else ".")
    ]
    parts += [_agreement_result(m, night.level) for m in night.mappings]
    if night.others:
        kappas = [f"{figure(m.table.kappa.value)} under '{m.mapping.name}'" for m in night.others]
        parts.append(f"Kappa was {join_words(kappas)}.")
    differences = [
        f"{signed(pair.difference)} {'min' if pair.unit == 'min' else '%'} in {pair.measure}"
        for pair in night.measures
        if pair.measure in _MAIN_MEASURES and not math.isnan(pair.difference)
    ]
    if differences:
        parts.append(f"The device differed from the reference by {join_words(differences)}.")
    for traced in night.redistribution:
        if traced.epochs:
            to = sorted((d for d in traced.to if d.epochs), key=lambda d: -d.epochs)
            shares = [f"{100 * d.share:.0f} % {'' if i else 'went '}to {speak(d.name)}" for i, d in enumerate(to)]
            parts.append(f"Of the {traced.minutes:.1f} min of {speak(traced.stage)}, {join_words(shares)}.")
    parts += [_source_result(source) for source in night.bias_sources if source.bias_min]
    if night.disagreement is not None and night.disagreement.runs.count:
        runs = night.disagreement.runs
        parts.append(
            f"Disagreement came in {_plural(runs.count, 'run')} of {runs.mean_length / 2:.1f} min on average, the "
            f"longest {runs.longest / 2:.1f} min. {runs_sentence(runs)}"
        )
    return " ".join(parts)


def _agreement_result(scored: MappingAgreement, level: float) -> str:
    table = scored.table
    text = f"Under '{shorten(scored.mapping.name)}' accuracy was {figure(table.accuracy, 3)} over {table.n} epochs"
    if table.kappa.defined:
        text += f" and {_kappa_with_interval(scored, level).replace(' is ', ' was ', 1)}"
    ceiling = scored.ceiling
    if not math.isnan(ceiling.accuracy) and ceiling.accuracy < 1:
        text += f"; the best accuracy that these labels allow on this night is {figure(ceiling.accuracy, 3)}"
    said = [
        f"{figure(c.sensitivity)} for {speak(c.name)}" for c in table.classes if c.comparable and c.reference_epochs
    ]
    return f"{text}. Sensitivity was {join_words(said)}." if said else f"{text}."


def _source_result(source: BiasSource) -> str:
    plus = [(m, f"{m:+.1f} from {speak(n)}") for n, m in source.gained if m]
    minus = [(m, f"{-m:+.1f} lost to {speak(n)}") for n, m in source.lost if m]
    ordered = [text for part in (plus, minus) for _, text in sorted(part, key=lambda item: -item[0])]
    return f"The bias of {speak(source.name)}, {source.bias_min:+.1f} min, was {join_words(ordered)}."


# --- a study ----------------------------------------------------------------------------------------------


def finding_of_device(device: DeviceStudy, study: StudyAgreement) -> str:
    """Return what was found about one device, in one sentence with its uncertainty."""
    first = device.mappings[0]
    units = units_of(device)
    level = study.options.level
    who = (
        f"Over {_plural(len(device.nights), 'night')} of {_plural(len(device.participants), 'participant')}, "
        f"{shorten(device.device)}"
    )
    accuracy = first.find("accuracy")
    if accuracy is None or not accuracy.pooled.primary.defined:
        return f"{who} shares no epoch with the reference under '{shorten(first.mapping.name)}'."
    agreed = (
        f"{who} gave the same stage as the reference in {_share(accuracy.pooled, level)} of the epochs compared under "
        f"'{shorten(first.mapping.name)}'"
    )
    square = next((m for m in device.mappings if m.mapping.is_square), None)
    kappa = None if square is None else square.find("kappa")
    if square is not None and kappa is not None and kappa.pooled.primary.defined:
        found = kappa.pooled.primary
        ends = "no interval" if math.isnan(found.low) else f"{_ends(found.low, found.high, 2)}"
        under = "" if square is first else f" under '{shorten(square.mapping.name)}'"
        agreed += f", a kappa of {found.value:.2f} ({ends}){under}"
    traced = max(device.redistribution, key=lambda r: r.epochs, default=None)
    if traced is not None and traced.epochs:
        to = max(traced.to, key=lambda d: d.epochs)
        agreed += (
            f"; it has no label for {speak(traced.stage)}, of which {_share(to.share, level, named=False)} was called "
            f"{speak(to.name)}"
        )
    return f"{agreed} (intervals over {units})."


def _share(found: BootstrapIntervals, level: float, *, named: bool = True) -> str:
    estimate = found.primary
    value = f"{100 * estimate.value:.1f} %"
    if math.isnan(estimate.low):
        return f"{value} (no interval)"
    name = f"{say_level(level)} " if named else ""
    return f"{value} ({name}{_ends(estimate.low, estimate.high, 1, per_cent=True)})"


def methods_of_study(study: StudyAgreement, *, table: NightsTable | None = None) -> Paragraph:
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
    parts = [_say_grid(), *_say_long_epochs(study), _say_windows(study), *_say_zones(study, table)]
    parts += ["Epochs without a stage on either side were counted and left out.", *_say_consensus(study)]
    if study.refused:
        parts.append(
            f"{len(study.refused)} of {study.given} nights could not be scored and are listed with their reasons."
        )
    for device in study.devices:
        parts.append(_say_reports(device))
    mappings = {m.mapping.name: m.mapping for d in study.devices for m in d.mappings}
    parts += [_say_mapping(m) for m in mappings.values()]
    parts.append(_say_study_agreement(study, cited))
    parts.append(_say_measures(cited))
    parts += _say_limits(study, cited)
    icc, ccc = cited.mark("icc"), cited.mark("ccc")
    parts.append(
        f"Intraclass correlation for absolute agreement, ICC(A,1) {icc}, and concordance correlation {ccc} stand "
        "beside the limits."
    )
    if options.margins:
        margins = [f"{speak_measure(name)} ±{margin:g}" for name, margin in options.margins]
        parts.append(
            f"Equivalence was tested by two one-sided t tests {cited.mark('two_tests')} against margins stated "
            f"beforehand ({join_words(margins)})."
        )
    several = any(len(device.participants) > 1 for device in study.devices)
    mean_nights = "participants' mean nights" if several else "nights"
    parts.append(
        "The bias of each class was split exactly into minutes gained from and lost to each other class, averaged over "
        f"{mean_nights}."
    )
    if study.comparisons:
        kinds = _kinds([d.difference for c in study.comparisons for d in (*c.differences, c.with_silence)])
        parts.append(
            "Devices were compared on the nights that both watched and on the same epochs of them, those that the "
            "reference and both devices scored; every figure compared was taken anew from these epochs, the tables of "
            "both kept together. How often a device gave no stage is told beside them, and agreement is also given "
            f"with silence counted as disagreement. Intervals of the differences are {_say_kinds(kinds, study)}."
        )
    other = "All other" if options.log_ratio else "All"
    parts.append(f"{other} differences are device minus reference. {_say_software()}")
    return Paragraph(" ".join(parts), cited.sources)


def _say_windows(study: StudyAgreement) -> str:
    rules: dict[str, int] = {}
    for device in study.devices:
        for night in device.nights:
            rules[night.window_rule] = rules.get(night.window_rule, 0) + 1
    words = {
        "lights": "from lights off to lights on",
        "reference": "from the first to the last epoch to which the reference gave a stage",
        "overlap": "over the time that both recordings cover",
        "given": "over a window given in the table of nights",
    }
    said = [f"{words.get(rule, rule)} ({_plural(count, 'night')})" for rule, count in rules.items()]
    return f"Nights were compared {join_words(said)}."


def _say_long_epochs(study: StudyAgreement) -> list[str]:
    """Tell the files whose stages come in steps that are longer than an epoch; a caution of the night says so."""
    nights: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for device in study.devices:
        for night in device.nights:
            for side, step in filter(None, map(_long_step, night.cautions)):
                whose = "the reference" if side == "reference" else shorten(device.device)
                nights.setdefault((whose, step), set()).add((night.participant, night.night))
    told = [
        f"{whose} tells stages in steps of {step} ({_plural(len(n), 'night')})" for (whose, step), n in nights.items()
    ]
    return [f"{_capital(join_words(told))}; each 30-s epoch took the stage of the step it lies in."] if told else []


def _long_step(caution: str) -> tuple[str, str] | None:
    found = _LONG_STEP.match(caution)
    return None if found is None else (found[1], found[2])


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _say_zones(study: StudyAgreement, table: NightsTable | None) -> list[str]:
    """Tell the zones that the table of nights gives for clocks that do not tell their own."""
    if table is None:
        return []
    scored = {night.row for device in study.devices for night in device.nights}
    rows = [row for row in table.rows if row.row in scored]
    counts: dict[tuple[str, str], int] = {}
    for row in rows:
        for side, zone in (("reference", row.reference_zone), ("device", row.device_zone)):
            if zone:
                counts[side, zone] = counts.get((side, zone), 0) + 1
    told = [f"{printable(zone)} for that of the {side} ({_plural(n, 'row')})" for (side, zone), n in counts.items()]
    said = [f"The zone of a clock was given beforehand: {join_words(told)}."] if told else []
    moved = sum(1 for row in rows if row.clock_offset_s)
    if moved:
        said.append(f"On {_plural(moved, 'row')} of the table seconds were added to the device's times.")
    return said


def _say_consensus(study: StudyAgreement) -> list[str]:
    """Tell that a reference is what most of several scorers say, and what became of epochs without a majority."""
    nights = {(n.participant, n.night): n for d in study.devices for n in d.nights if n.scorers}
    if not nights:
        return []
    undecided = sum(dict(n.excluded).get("reference_no_majority", 0) for n in nights.values())
    many = sorted({len(n.references) for n in nights.values() if len(n.references) > 1})
    of = f" ({join_words([str(count) for count in many])} of them)" if many else ""
    return [
        f"On {_plural(len(nights), 'night')} several people scored the recording{of}: the reference is the stage that "
        f"more than half of them gave an epoch, and {_plural(undecided, 'epoch')} without such a majority were left "
        "out, which raises agreement."
    ]


def _say_reports(device: DeviceStudy) -> str:
    return f"{shorten(device.device)} can report {join_words(say_stages(device.reports))}."


def _say_study_agreement(study: StudyAgreement, cited: Citations) -> str:
    kappa = cited.mark("kappa")
    others = f"PABAK {cited.mark('even_chance', 'pabak')}, AC1 {cited.mark('ac1')}, MCC {cited.mark('mcc')}"
    return (
        f"Agreement was described by accuracy, Cohen's kappa {kappa}, {others}, balanced accuracy, and for each class "
        "sensitivity, specificity, predictive values, F1 and kappa against the rest, both pooled over all epochs and "
        f"averaged ({_say_average(study)}). {_say_study_intervals(study, cited)}"
    )


def _say_average(study: StudyAgreement) -> str:
    several = any(len(device.participants) > 1 for device in study.devices)
    one = any(len(device.participants) == 1 for device in study.devices)
    ways = ["the mean over participants of the mean of their nights' values"] if several or not one else []
    ways += ["for a device with one participant the mean of the nights' values"] if one else []
    return "; ".join(ways)


def _say_study_intervals(study: StudyAgreement, cited: Citations) -> str:
    """Say which intervals stand in the tables, as far as they were used."""
    found = [p for device in study.devices for p in _all_intervals(device)]
    kinds = _kinds(found)
    marks = {
        Kind.PERCENTILE: f" {cited.mark('clusters')}, taken further out for few of them "
        f"{cited.mark('expanded_percentile')}"
        if Kind.PERCENTILE in kinds
        else "",
        Kind.DELTA: f" {cited.mark('clustered_kappa')}" if Kind.DELTA in kinds else "",
    }
    said = f"{100 * study.options.level:g} % intervals are {_say_kinds(kinds, study, marks)}"
    if any("logit" in p.primary.method for p in found):
        said += f"; those of shares by the delta method are on the logit scale {cited.mark('logit_interval')}"
    return f"{said}; BCa {cited.mark('bca')} ones are in results.json."


class Kind(Enum):
    """Which of the intervals of a study is the one that is given."""

    PERCENTILE = "percentile"
    DELTA = "delta"


def _all_intervals(device: DeviceStudy) -> list[BootstrapIntervals]:
    found = [p for m in device.mappings for s in m.statistics for p in (s.pooled, s.averaged)]
    return [*found, *(p for t in device.redistribution for d in t.to for p in (d.share, d.minutes))]


def _kinds(found: Sequence[BootstrapIntervals]) -> dict[Kind, set[str]]:
    """Return the kinds of interval that are given, each with what was resampled or counted as a unit."""
    kinds: dict[Kind, set[str]] = {}
    for intervals in found:
        primary = intervals.primary
        if math.isnan(primary.low):
            continue
        kind = Kind.DELTA if primary is intervals.delta else Kind.PERCENTILE
        kinds.setdefault(kind, set()).add("nights" if primary.method.split(", tails")[0].endswith("nights") else "")
    return kinds


def _say_kinds(kinds: dict[Kind, set[str]], study: StudyAgreement, marks: dict[Kind, str] | None = None) -> str:
    """Return the kinds of interval in words, for the middle of a sentence."""
    marks = marks or {}
    said = []
    if Kind.PERCENTILE in kinds:
        drawn = (
            "nights were drawn"
            if kinds[Kind.PERCENTILE] == {"nights"}
            else ("whole participants were drawn with all their nights")
        )
        said.append(
            f"percentiles of {study.options.resamples} resamples in which {drawn}{marks.get(Kind.PERCENTILE, '')} "
            f"(seed {study.options.seed})"
        )
    if Kind.DELTA in kinds:
        units = "nights" if kinds[Kind.DELTA] == {"nights"} else "participants"
        fewer = f"with fewer than {FEWEST_UNITS_FOR_PERCENTILE} {units}, " if said else ""
        said.append(
            f"{fewer}those of the delta method with {units} as the units and a t quantile{marks.get(Kind.DELTA, '')}"
        )
    return " and, ".join(said) if said else "not to be had: there are too few units"


def say_intervals(device: DeviceStudy, study: StudyAgreement) -> str:
    """Return what the intervals of a device's agreement are, as a sentence."""
    kinds = _kinds([p for m in device.mappings for s in m.statistics for p in (s.pooled, s.averaged)])
    return f"{say_level(study.options.level)}s are {_say_kinds(kinds, study)}."


def units_of(device: DeviceStudy) -> str:
    """Return what counts as a unit: participants, or the nights of the only one."""
    return "participants" if len(device.participants) > 1 else "nights"


def _say_limits(study: StudyAgreement, cited: Citations) -> list[str]:
    rows = [row.limits for device in study.devices for row in device.bias]
    designs = {limits.design for limits in rows}
    intervals = {limits.interval for limits in rows if limits.design is not Design.EMPTY}
    parts = []
    if Design.SEVERAL_NIGHTS in designs:
        parts.append(
            "Bias is the mean of participants' means with a t interval; limits of agreement combine the variance "
            "between and within participants, the true value varying from night to night "
            f"{cited.mark('limits', 'limits_repeated')}"
        )
    elif Design.ONE_NIGHT_EACH in designs or Design.ONE_PARTICIPANT in designs:
        unit = "one night per participant" if Design.ONE_NIGHT_EACH in designs else "the nights of one participant"
        parts.append(f"Bias with a t interval and limits of agreement rest on {unit} {cited.mark('limits')}")
    if LimitsInterval.MOVER in intervals:
        parts.append(f"intervals of the limits are MOVER intervals {cited.mark('mover')}")
    if LimitsInterval.EXACT in intervals:
        parts.append(
            "intervals of the limits are exact by the noncentral t distribution "
            f"{cited.mark('exact_limits', 'exact_limits_2018')}"
        )
    if not parts:
        return []
    scale = (
        " Limits were fitted to differences of natural logarithms and are given as ratios device / reference "
        f"{cited.mark('limits_1999')}."
        if study.options.log_ratio
        else ""
    )
    return [
        f"{'; '.join(parts)}.{scale} Slopes of difference and of spread on level weigh participants alike "
        f"{cited.mark('limits_1999')} with intervals for clustered nights {cited.mark('slopes')}."
    ]


def results_of_study(study: StudyAgreement) -> str:
    """Return the results of a study: a paragraph for each device and one that compares them, parted by empty lines."""
    scored = sum(len(device.nights) for device in study.devices)
    paragraphs = [f"{scored} of {study.given} nights were scored."]
    for device in study.devices:
        parts = [finding_of_device(device, study)]
        parts += [r for m in device.mappings if (r := _mapping_result(m, units_of(device)))]
        parts += _bias_results(device.bias)
        for source in device.bias_sources:
            if abs(source.per_night.bias_min) >= 0.05:
                parts.append(_source_result(source.per_night).replace(" min, was", " min a night, was", 1))
        paragraphs.append(" ".join(parts))
    for comparison in study.comparisons:
        kappa = next((d for d in comparison.differences if d.statistic == "kappa" and not d.class_name), None)
        if kappa is not None and kappa.difference.primary.defined:
            first, second = shorten(comparison.first), shorten(comparison.second)
            silent = [f"{100 * share:.1f} %" for share in comparison.silent_shares]
            silence = comparison.with_silence
            paragraphs.append(
                f"{first} and {second} were compared on {_plural(comparison.nights, 'night')} that both watched, and "
                f"there on the same {_plural(comparison.epochs, 'epoch')}, those that the reference and both scored; "
                f"{first} gave no stage to {silent[0]} of the windows' epochs, {second} to {silent[1]}. On the joint "
                f"epochs kappa under '{shorten(comparison.mapping)}' was {figure(kappa.second)} for {second} and "
                f"{figure(kappa.first)} for {first}, a difference of {_signed_with_ends(kappa)}. With silence counted "
                f"as disagreement, agreement was {figure(silence.second)} for {second} and {figure(silence.first)} for "
                f"{first}, a difference of {_signed_with_ends(silence)}."
            )
    return "\n\n".join(paragraphs)


def _signed_with_ends(compared: PairedDifference) -> str:
    found = compared.difference.primary
    ends = "no interval" if math.isnan(found.low) else _ends(found.low, found.high, 2)
    return f"{signed(found.value, 2)} ({ends})"


def _mapping_result(studied: StudyMapping, units: str) -> str:
    kappa, accuracy = studied.find("kappa"), studied.find("accuracy")
    if accuracy is None:
        return ""
    said = [f"accuracy {_three(accuracy.pooled)} pooled"]
    if kappa is not None and kappa.pooled.primary.defined:
        said.append(f"kappa {_three(kappa.pooled)} pooled and {_three(kappa.averaged)} as the mean of {units}")
    return f"Under '{shorten(studied.mapping.name)}': {join_words(said)}."


def _three(found: BootstrapIntervals) -> str:
    estimate = found.primary
    if math.isnan(estimate.low):
        return figure(estimate.value, 3)
    return f"{estimate.value:.3f} ({_ends(estimate.low, estimate.high, 3)})"


def _bias_results(rows: Sequence[BiasRow]) -> list[str]:
    out = []
    for row in rows:
        limits = row.printed
        if row.measure not in _MAIN_MEASURES and not row.measure.startswith("minutes "):
            continue
        if math.isnan(limits.bias):
            continue
        digits = 2 if row.of_ratios else 1
        unit = "" if row.of_ratios else " min" if row.unit == "min" else " %"
        bias = figure(limits.bias, digits) if row.of_ratios else signed(limits.bias)
        ends = "" if math.isnan(limits.bias_low) else f" ({_ends(limits.bias_low, limits.bias_high, digits)})"
        agree = ""
        if not math.isnan(limits.lower):
            agree = f", limits of agreement {_ends(limits.lower, limits.upper, digits)}"
        out.append(f"{row.name} {bias}{unit}{ends}{agree}")
    if not out:
        return []
    what = "The ratio of device to reference (geometric means) was" if rows[0].of_ratios else "Bias was"
    return [f"{what} {'; '.join(out)}."]
