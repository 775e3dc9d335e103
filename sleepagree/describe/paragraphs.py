"""Sentences for a paper, made only from what was run on a night: the finding, the methods, the results.

Nothing here is computed anew. A method is named only where its number stands in the results, with the source that
the code follows.
"""

from __future__ import annotations

import math
import platform
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

import sleepagree
from sleepagree.describe.bias import bias_source_result
from sleepagree.describe.citations import Citations
from sleepagree.describe.words import (
    WHEN_ANSWERS_LAST,
    duration,
    figure,
    file_name,
    from_moment_to,
    join_words,
    minutes,
    percent,
    percent_interval,
    persisting_interval,
    plain,
    say_class,
    say_destination,
    say_mapped,
    say_merged,
    say_stages,
    signed,
    speak,
)
from sleepagree.errors import counted, shorten
from sleepagree.hypnogram.align import PairedNight, Side
from sleepagree.hypnogram.ledger import say_status
from sleepagree.hypnogram.window import WindowRule
from sleepagree.inference.one_night import COVERAGE_OF_ONE_NIGHT
from sleepagree.mapping.mapping import StageMapping, reported_classes
from sleepagree.mapping.words import AASM_STAGES, LEAVE_OUT
from sleepagree.night.compare import MappingAgreement, NightAgreement
from sleepagree.scoring.runs import Runs

if TYPE_CHECKING:
    from sleepagree.study.results import StudyMapping

#: Measures that a results paragraph speaks of, where there are any.
MAIN_MEASURES: Final = ("TST", "SOL", "WASO", "SE")
#: Class -> the stages that make it up where nothing else is said.
_USUAL_STAGES: Final = {
    "wake": ["W"],
    "light": ["N1", "N2"],
    "deep": ["N3"],
    "rem": ["R"],
    "nrem": ["N1", "N2", "N3"],
    "sleep": ["N1", "N2", "N3", "R"],
}


@dataclass(frozen=True)
class CitedParagraph:
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


def kappa_with_interval(scored: MappingAgreement, level: float) -> str:
    """Return kappa with the interval that is told first."""
    low, high = scored.intervals.kappa[:2]
    if math.isnan(low):
        why = "the sides differ in no epoch" if scored.table.accuracy == 1 else "its standard error is 0"
        return f"{figure(scored.table.kappa.value)} (no interval: {why})"
    return f"{figure(scored.table.kappa.value)} ({persisting_interval(low, high, level)})"


def say_ceiling(scored: MappingAgreement | StudyMapping, accuracy: float, where: str) -> str:
    """Return what the labels allow and what this device reaches of it; "" where they allow everything, or nothing."""
    ceiling = scored.ceiling
    if math.isnan(ceiling.accuracy) or ceiling.accuracy >= 1 or not ceiling.accuracy:
        return ""
    return (
        f"The best any device with these labels could reach on {where}: {figure(ceiling.accuracy, 3)} accuracy, "
        f"{figure(ceiling.kappa, 3)} kappa; this device reaches {percent(accuracy / ceiling.accuracy)} of that "
        f"accuracy{say_kappa_beside_ceiling(scored)}."
    )


def say_kappa_beside_ceiling(scored: MappingAgreement | StudyMapping) -> str:
    """Return the device's own kappa on the table of the ceiling, where that table is none of those that are shown."""
    kappa = scored.kappa_beside_ceiling
    if scored.mapping.is_square or math.isnan(kappa):
        return ""
    mapping = scored.mapping
    never = join_words([say_class(c) for c in mapping.reference_classes if c not in mapping.device_classes])
    return f" and, counting {never} as never found as the ceiling does, has kappa {figure(kappa, 3)}"


def methods_of_night(night: NightAgreement) -> CitedParagraph:
    """Return a methods paragraph of what was run on a night, with its sources."""
    cited = Citations()
    paired = night.paired
    parts = [
        say_grid(),
        _say_window(paired),
        _say_clock(paired),
        "Epochs without a stage on either side were counted and left out.",
        _say_device(paired),
        *[say_mapping(m.mapping) for m in night.mappings],
        _say_night_agreement(night, cited),
        say_measures(cited),
    ]
    if any(r.epochs for r in night.redistribution):
        stages = join_words([say_class(r.stage) for r in night.redistribution if r.epochs])
        parts.append(
            f"The epochs of {stages}, for which the device has no label, were followed to the device classes that they "
            f"went to, as shares with Wilson's interval {cited.mark('wilson')}: once for the number of independent "
            "epochs that would tell as much, answers being a chain of two states within episodes, and once for all."
        )
    parts.append(
        f"95 % intervals {WHEN_ANSWERS_LAST} hold the truth in {percent_interval(*COVERAGE_OF_ONE_NIGHT)} of simulated "
        "nights, whose answers last from half a minute to a whole episode."
    )
    parts.append("The bias of each class was split exactly into minutes gained from and lost to each other class.")
    if night.disagreement is not None:
        parts.append(
            "Whether disagreement comes in runs was judged against the same number of errors scattered at random "
            "within each stage of the reference."
        )
    parts.append(f"All differences are device minus reference. {say_software()}")
    return CitedParagraph(" ".join(parts), cited.sources)


def say_grid() -> str:
    """Return how epochs are laid."""
    return (
        "Stages were compared in epochs of 30 s counted from the first scored epoch of the reference; an epoch took "
        "the label that covers most of it, and less than 15 s of cover is a gap."
    )


def say_window_rule(rule: str, given: str) -> str:
    """Return over what time sides were compared; ``given``: how a window of one's own was."""
    words: dict[str, str] = {
        WindowRule.LIGHTS: "from lights off to lights on",
        WindowRule.REFERENCE: "from the first to the last epoch to which the reference gave a stage",
        WindowRule.OVERLAP: "over the time that both recordings cover",
        WindowRule.GIVEN: f"over a window given {given}",
    }
    return words.get(rule, rule)


def _say_window(paired: PairedNight) -> str:
    span = say_span(paired)
    return f"The comparison ran {say_window_rule(paired.rule, 'beforehand')}{f' ({span})' if span else ''}."


def name_of_side(side: Side) -> str:
    """Return what the file of a side is called."""
    return file_name(side.origin.name, "data in memory")


def say_over(epochs: int, left_out: int) -> str:
    """Return over how many epochs agreement is told, and how many a mapping leaves out."""
    return counted(epochs, "epoch") + (f"; {left_out} left out by the mapping" if left_out else "")


def say_span(paired: PairedNight) -> str:
    """Return from when to when the window lasts; "" where the reference tells no clock."""
    begin, end = paired.begin, paired.epoch_start(int(paired.status.size))
    return from_moment_to(begin, end) if begin and end else ""


def _say_clock(paired: PairedNight) -> str:
    if not paired.clock_offset_s:
        return "The clocks were taken as the files tell them."
    return f"{paired.clock_offset_s:+g} s were added to the device's times."


def _say_device(paired: PairedNight) -> str:
    known = "as declared" if paired.device_set.declared else "taken from the labels in its file"
    return f"The device can report {join_words(say_stages(paired.device_set.reportable))} ({known})."


def say_mapping(mapping: StageMapping) -> str:
    """Return the classes of a mapping and what it takes for granted."""
    classes = join_words([say_class(c) for c in mapping.reference_classes])
    merged = say_merged(mapping)
    merged = f", {merged}" if merged else ""
    return f"Under '{shorten(mapping.name)}' the classes are {classes}{merged}. {plain(mapping.assumption)}".strip()


def say_classes(mapping: StageMapping, reports: tuple[str, ...] | None = None) -> str:
    """Return what a mapping tells apart, without its name: the classes, and what is unusual in them.

    Parameters
    ----------
    mapping : StageMapping
        The mapping.
    reports : tuple of str, optional
        What the device can report; by default something of each class that the mapping has of a device.

    Examples
    --------
    >>> from sleepagree.mapping.mapping import mapping_named
    >>> say_classes(mapping_named("rem-apart")), say_classes(mapping_named("rem-as-deep"))
    ('wake, light, deep and REM (REM never reported)', 'wake, light and deep (deep is N3 and REM)')
    """
    of = dict(mapping.stage_classes)
    names = mapping.reference_classes
    notes = []
    for name in names:
        stages = [stage for stage in AASM_STAGES if of.get(stage) == name]
        if stages and stages != _USUAL_STAGES.get(name, [name]):
            notes.append(f"{say_class(name)} is {join_words(map(speak, stages))}")
    reported = mapping.device_classes if reports is None else reported_classes(mapping, reports)
    never = [name for name in names if name not in reported]
    for words, what in ((never, "never reported"), (mapping.left_out_stages, "left out")):
        notes += [f"{join_words(map(say_class, words))} {what}"] if words else []
    notes += [
        f"the device's {speak(stage)} is {say_class(name)}"
        for stage, name in mapping.device
        if stage not in AASM_STAGES and name not in (LEAVE_OUT, of.get(stage))
    ]
    told = join_words(map(say_class, names))
    return f"{told} ({'; '.join(notes)})" if notes else told


def _say_night_agreement(night: NightAgreement, cited: Citations) -> str:
    square = [m for m in (*night.mappings, *night.others) if m.table.kappa.defined]
    if not square:
        return (
            "Agreement was described by accuracy and, for each class that the device can report, by sensitivity, "
            "specificity, predictive values, F1 and kappa against the rest "
            f"{cited.mark('kappa')}."
        )
    kappa = cited.mark("kappa")
    if any(not math.isnan(m.intervals.kappa.low) for m in square):
        kappa += (
            " with an interval that allows for answers that last from epoch to epoch (its standard error from the "
            f"long-run variance of each epoch's influence {cited.mark('positive_sequence')}) and the large-sample "
            f"interval {cited.mark('kappa_interval')} that takes epochs as independent"
        )
    others = "" if square[0] in night.mappings else f" (under {join_words([repr(m.mapping.name) for m in square])})"
    # kappas of other mappings stand without the further figures of a table
    further = (
        f"; PABAK {cited.mark('even_chance', 'pabak')}; AC1 {cited.mark('ac1')}; the multi-class correlation (MCC) "
        f"{cited.mark('mcc')}; balanced accuracy"
        if square[0] in night.mappings
        else ""
    )
    return (
        f"Agreement was described by accuracy; Cohen's kappa {kappa}{others}{further}; and for each class by "
        "sensitivity, specificity, predictive values, F1 and kappa against the rest."
    )


def say_measures(cited: Citations) -> str:
    """Return how sleep measures are defined."""
    return (
        "Sleep measures were defined as papers quote them after the AASM manual "
        f"{cited.mark('aasm')}, over the epochs that both sides staged: WASO runs from sleep onset to the end of the "
        "window. Latencies end at the first such epoch of each side's own stages; those of REM and deep sleep count "
        "from its own sleep onset."
    )


def say_software() -> str:
    """Return the versions that the numbers rest on."""
    return (
        f"Computed with sleepagree {sleepagree.__version__} (Python {platform.python_version()}, numpy "
        f"{np.__version__})."
    )


def results_of_night(night: NightAgreement) -> str:
    """Return a results paragraph of a night."""
    ledger = night.paired.ledger
    rest = [f"{count} {say_status(word)}" for word, count in ledger.excluded if count]
    parts = [
        f"The window held {counted(ledger.window_epochs, 'epoch')} ({duration(ledger.window_epochs)}), of which "
        f"{ledger.scored} ({percent(ledger.scored / ledger.window_epochs, 1)}) had a stage on both sides"
        + (f"; the others were {join_words(rest)}." if rest else ".")
    ]
    parts += [_agreement_result(m, night.level) for m in night.mappings]
    if night.others:
        kappas = [f"{kappa_with_interval(m, night.level)} under {_say_under(m)}" for m in night.others]
        parts.append(f"Kappa was {join_words(kappas)}.")
    differences = [
        f"{signed(pair.difference)} {'min' if pair.unit == 'min' else 'percentage points'} in {pair.measure}"
        for pair in night.measures
        if pair.measure in MAIN_MEASURES and not math.isnan(pair.difference)
    ]
    if differences:
        parts.append(f"The device differed from the reference by {join_words(differences)}.")
    for traced in night.redistribution:
        if traced.epochs:
            to = sorted((d for d in traced.to if d.epochs), key=lambda d: -d.epochs)
            shares = [
                f"{percent(d.share)} {'' if i else 'went '}to {say_destination(d.name)}" for i, d in enumerate(to)
            ]
            parts.append(f"Of the {minutes(traced.epochs)} of {say_class(traced.stage)}, {join_words(shares)}.")
    parts += [bias_source_result(source, night.mappings[0]) for source in night.bias_sources if source.bias_min]
    if night.disagreement is not None and night.disagreement.runs.count:
        runs = night.disagreement.runs
        parts.append(
            f"Disagreement came in {counted(runs.count, 'run')} of {minutes(runs.mean_length)} on average, the "
            f"longest {minutes(runs.longest)}. {say_runs(runs)}"
        )
    return " ".join(parts)


def _agreement_result(scored: MappingAgreement, level: float) -> str:
    table = scored.table
    over = f"{figure(table.accuracy, 3)} over {counted(table.n, 'epoch')}"
    text = f"Under {_say_under(scored)} accuracy was {over}"
    if table.kappa.defined:
        text += f" and kappa was {kappa_with_interval(scored, level)}"
    ceiling = scored.ceiling
    if not math.isnan(ceiling.accuracy) and ceiling.accuracy < 1:
        text += f"; the best accuracy that these labels allow on this night is {figure(ceiling.accuracy, 3)}"
    said = [
        f"{figure(c.sensitivity)} for {say_class(c.name, scored.mapping)}"
        for c in table.classes
        if c.comparable and c.reference_epochs
    ]
    return f"{text}. Sensitivity was {join_words(said)}." if said else f"{text}."


def _say_under(scored: MappingAgreement) -> str:
    mapped = say_mapped(scored.mapping, scored.left_out)
    return f"'{shorten(scored.mapping.name)}'" + (f" ({mapped})" if mapped else "")


def say_runs(runs: Runs) -> str:
    """Return whether errors come in runs, against the same number scattered within each stage."""
    if math.isnan(runs.z):
        return "The number of runs could not have been other."
    against = (
        f"scattered errors would make {runs.expected_count:.0f} runs of {minutes(runs.expected_mean_length)} "
        f"(z = {figure(runs.z, 1)})."
    )
    # two-sided 5 % either way: what is said in words should not rest on a coin toss
    if runs.p < 0.025:
        return f"Errors come in runs: {against}"
    if runs.p_as_many < 0.025:
        return f"Errors are more broken up than chance: {against}"
    return f"Errors are about as scattered as chance: {against}"
