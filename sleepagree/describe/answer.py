"""The answer of one night in words: how often both sides say the same, and what each class of the device was."""

from __future__ import annotations

import math
from typing import Final

from sleepagree.caution import CautionKind
from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.blocks import (
    Cell,
    Command,
    Figure,
    FigureKind,
    Items,
    Paragraph,
    Section,
    Table,
    Told,
    beside,
    note,
    present,
    section,
    sections_of,
    table,
    tabulate,
)
from sleepagree.describe.paragraphs import kappa_with_interval
from sleepagree.describe.words import (
    FOR_LASTING_ANSWERS,
    WHEN_ANSWERS_LAST,
    duration,
    figure,
    file_words,
    heads_of_intervals,
    join_words,
    minutes,
    per_hundred,
    percent,
    percent_interval,
    say_called,
    say_class,
    say_destination,
    say_left_out,
    say_level,
    say_mapped,
    say_measure,
    say_merged,
    signed,
    speak,
)
from sleepagree.errors import counted, shorten
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.clock_changes import zones_of_change
from sleepagree.hypnogram.spans import Counts
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.answer import DeviceClass, NightAnswer, answer_night
from sleepagree.night.compare import MappingAgreement, NightAgreement
from sleepagree.scoring.measures import FROM_ONSET, MeasurePair, difference_from_start
from sleepagree.scoring.offsets import range_min_for
from sleepagree.scoring.redistribution import BiasSource, Destination, Redistribution

#: Where so many epochs differ and so many of them cancel out, it is told that minutes agree better (our choice).
_MANY_DIFFER: Final = 0.2
_MOST_CANCEL: Final = 0.8

#: So many measures that are off most are told; those of single classes stand with their bias.
_MOST_MEASURES: Final = 3

#: What is read next, by the name of the command.
_SAY_NEXT: Final = {
    "clock": "Whether a clock explains it",
    "night": "The same night with a zone whose clock was changed in it; give your own in its place",
    "mappings": "The same night under every mapping that fits",
    "nights": "One night says little of a device. A table of more of them, for 'sleepagree study'",
}

#: What is asked of deep sleep is whether it is really REM.
_DEEP: Final = ("deep", "N3")

_CLOCK_KINDS: Final = (
    CautionKind.CLOCK_DOUBT,
    CautionKind.CLOCK_ZONE,
    CautionKind.CLOCK_OFFSET,
    CautionKind.CLOCK_JUMP,
)

#: Danker-Hopfe et al. 2009, from the abstract; merging classes never lowers agreement. Two or three classes, or some
#: minutes, are too far from what was compared there.
_SCORERS_CLASSES: Final = (4, 5)
_SCORERS_EPOCHS: Final = 120
_SCORERS: Final = (
    "For comparison, not as a pass mark: two trained scorers say the same in about 82 of 100 epochs with five stages "
    "by AASM rules (Danker-Hopfe et al. 2009), and in no fewer where stages are merged."
)

#: More classes than this, or accounts of bias, do not fit a screen.
_MOST_CLASSES: Final = 6


def finding_of_night(night: NightAgreement) -> str:
    """Return what was found on a night: its length, agreement beside what was possible, kappa with its interval.

    Parameters
    ----------
    night : NightAgreement
        The night; its first mapping is the one spoken of. Kappa is that of the first mapping that has one.
    """
    answer, first = answer_night(night), night.mappings[0]
    if not answer.epochs:
        return f"{_say_length(night)} No epoch can be compared under '{shorten(first.mapping.name)}'."
    having = next((m for m in (*night.mappings, *night.others) if m.table.kappa.defined), None)
    left_out = _left_out_by(having, answer) if having else ""
    same = _say_same_stage(answer, left_out, night)
    return " ".join((_say_length(night), same, _say_kappa(night, having)))


def _left_out_by(having: MappingAgreement, answer: NightAnswer) -> str:
    """Return the classes that the kappa does not count and the share of equal epochs does; "" for none."""
    lacking = [(name, n) for name, n in answer.reference if n and name not in having.mapping.reference_classes]
    fewer = answer.epochs - having.table.n
    return join_words(say_class(name) for name, _ in lacking) if fewer and fewer == sum(n for _, n in lacking) else ""


def _say_length(night: NightAgreement) -> str:
    ledger = night.paired.ledger
    length = f"The night's window is {duration(ledger.window_epochs)} long"
    if ledger.scored == ledger.window_epochs:
        return f"{length}, all of it scored on both sides."
    share = per_hundred(ledger.scored / ledger.window_epochs)
    return f"{length}; {duration(ledger.scored)} of it ({share} %) were scored on both sides."


def _say_same_stage(answer: NightAnswer, left_out: str, night: NightAgreement) -> str:
    """Return the share of epochs with the same stage, and of which epochs it is where a mapping leaves some out."""
    first = night.mappings[0]
    merged = say_merged(first.mapping)
    among = f", {left_out} counted" if left_out else f", {merged}" if merged else ""
    epochs = "epochs"
    if first.left_out:
        compared = f"{answer.epochs} of the {answer.epochs + first.left_out} epochs scored on both sides"
        epochs = f"epochs compared ({compared}; {say_left_out(first.mapping, first.left_out)})"
    same = f"In {per_hundred(answer.same_stage)} of 100 {epochs} both say the same stage{among}"
    if math.isnan(answer.best_possible) or answer.best_possible >= 1:
        return f"{same}."
    lacking = "with these labels"
    if night.unreported:
        lacking = f"without a label for {join_words(map(speak, night.unreported))}"
    return f"{same}; {per_hundred(answer.best_possible)} would be the most possible {lacking}."


def _say_kappa(night: NightAgreement, having: MappingAgreement | None) -> str:
    if having is None:
        return f"Kappa does not exist: {night.mappings[0].table.kappa.undefined_because}."
    mapped = "" if having is night.mappings[0] else say_mapped(having.mapping, having.left_out)
    without = f", {mapped}" if mapped else ""
    return f"Kappa is {kappa_with_interval(having, night.level)}{without}, under '{shorten(having.mapping.name)}'."


def answer_sections(night: NightAgreement, next_command: str = "") -> tuple[Section, ...]:
    """Return what people came for, in the order in which they ask.

    Parameters
    ----------
    night : NightAgreement
        The night.
    next_command : str
        What to type next; "" for nothing.
    """
    answer = answer_night(night)
    if not answer.epochs:
        return ()
    return sections_of(
        _classes_section(night, answer),
        _went_section(night),
        _bias_section(night, answer),
        _next_section(night, next_command),
    )


# --- what the device's classes were -----------------------------------------------------------------------


def _classes_section(night: NightAgreement, answer: NightAnswer) -> Section | None:
    said = [say_device_class(found, answer, night) for found in answer.device_classes[:_MOST_CLASSES]]
    more = len(answer.device_classes) - len(said)
    return section(
        "answer",
        "What each stage of the device was",
        Items((*said, *([f"and {more} more classes"] if more else []))),
        note(_say_chance(answer, night.unreported)),
        note(_say_scorers(night)),
        beside(hypnograms(night), _classes_figure(night, said)),
    )


def _say_scorers(night: NightAgreement) -> str:
    """Return how often two scorers say the same, where that is of about as many stages; "" elsewhere."""
    first = night.mappings[0]
    same_file = any(caution.kind is CautionKind.SAME_FILE for caution in night.cautions)
    fits = len(first.mapping.reference_classes) in _SCORERS_CLASSES and first.table.n >= _SCORERS_EPOCHS
    return _SCORERS if fits and not same_file else ""


def _say_chance(answer: NightAnswer, unreported: tuple[str, ...]) -> str:
    """Return the yardstick of the shares that are told of stages the device has no label for; "" for none."""
    told = [say_class(name) for name, epochs in answer.reference if epochs and name in unreported]
    stages = " or ".join(told)
    whole = "all that is compared" if answer.left_out else "the whole night"
    return f"A class with the same share of {stages} as {whole} tells nothing about {stages}." if told else ""


def say_device_class(found: DeviceClass, answer: NightAnswer, night: NightAgreement) -> str:
    """Return what the reference says of the minutes that the device gave one class.

    Beside REM, and a stage that the device has no label for, stands its share of the class and of the night: where both
    are the same, the device's word says nothing about it.
    """
    word, first = say_class(found.name), night.mappings[0]
    if not found.epochs:
        return f"No epoch was called {word}."
    own = [part for part in found.of if part[0] == found.name and part[1]]
    others = sorted((part for part in found.of if part[0] != found.name and part[1]), key=lambda part: -part[1])
    told = [name for name, n in answer.reference if n and (name in night.unreported or speak(name) == "REM")]
    asked = [name for name in told if speak(name) == "REM" and word in _DEEP]
    parts = [
        f"{epochs / 2:.1f} {say_class(name, first.mapping)}{_say_share(name, epochs, found, answer, told)}"
        for name, epochs in own + others
    ]
    none = [f"no REM ({_say_of_night(name, answer)})" for name in asked if name not in dict(others)]
    left_out = say_left_out(first.mapping, first.left_out)
    if others:
        without = f", {left_out}" if left_out else ""
        return f"Of {minutes(found.epochs)} called {word}{without}: {', '.join([*parts, *none])}."
    without = f", {left_out}," if left_out else ""
    all_of_it = f"All {minutes(found.epochs)} called {word}{without} were {say_class(found.name, first.mapping)}"
    return f"{', '.join([all_of_it, *none])}."


def _say_share(name: str, epochs: int, found: DeviceClass, answer: NightAnswer, told: list[str]) -> str:
    """Return what share of a device class a stage is, beside its share of the night, for the stages to be told."""
    return (
        f" ({per_hundred(epochs / found.epochs)} %; {_say_of_night(name, answer)})"
        if name in told and name != found.name
        else ""
    )


def _say_of_night(name: str, answer: NightAnswer) -> str:
    share = per_hundred(dict(answer.reference_shares)[name])
    return f"{say_class(name)} is {share} % of {_say_whole(answer)}"


def _say_whole(answer: NightAnswer) -> str:
    """Return what the shares of the stages are shares of: a mapping may leave much of the night out."""
    return "what is compared" if answer.left_out else "the night"


def _classes_figure(night: NightAgreement, said: list[str]) -> Figure:
    return Figure(
        "device-classes",
        FigureKind.DEVICE_CLASSES,
        night,
        title="What the reference says of each class of the device",
        description=" ".join(said),
        caption=(
            "Each bar is what the device called by one name, filled by the stages of the reference; the lowest bar is "
            "the whole night. A bar that looks like the night tells nothing."
        ),
        leads=True,
    )


def column_shares(scored: MappingAgreement, name: str) -> Table:
    """Return what part of each device class is of each reference class, beside that class's part of the night."""
    sums = (*scored.counts.sum(axis=0).tolist(), scored.table.n)
    rows = (
        (
            say_class(reference, scored.mapping),
            *(Cell.share(n / of if of else math.nan) for n, of in zip((*row, sum(row)), sums, strict=True)),
        )
        for reference, row in zip(scored.mapping.reference_classes, scored.counts.tolist(), strict=True)
    )
    whole = "of all" if scored.left_out else "of the night"
    heads = ("reference \\ device", *map(say_class, scored.mapping.device_classes), whole)
    caption = f"Share of the column: what each class of the device was, under '{shorten(scored.mapping.name)}'"
    return table(name, caption, heads, rows, folded=caption)


def hypnograms(night: NightAgreement) -> Figure:
    """Return the place of both hypnograms, what differs between them in words."""
    paired, first = night.paired, night.mappings[0]
    size, compared = int(paired.status.size), int(first.counts.sum())
    differing, no_label = _count_differences(first.counts, first.mapping, night.unreported)
    said = f"Of {counted(compared, 'epoch')} compared, {differing} differ"
    said += f", {no_label} are of a stage that the device has no label for" if no_label else ""
    return Figure(
        "hypnograms",
        FigureKind.HYPNOGRAMS,
        night,
        title="Hypnograms of reference and device over one clock axis",
        description=f"{said}; {size - compared} of {size} window epochs are not compared. {_say_label_minutes(paired)}",
        caption=(
            f"Stages of the reference (above) and of the device (below), and between them the epochs that differ under "
            f"'{shorten(first.mapping.name)}'. Grey over the whole height of a side is a gap: no label at all. {said}."
        ),
        wide=True,
    )


def _count_differences(counts: Counts, mapping: StageMapping, unreported: tuple[str, ...]) -> tuple[int, int]:
    """Return how many epochs differ, and how many are of a class that the device has no label for."""
    differing = no_label = 0
    for name, row in zip(mapping.reference_classes, counts.tolist(), strict=True):
        if name in unreported:
            no_label += sum(row)
        else:
            differing += sum(row) - row[mapping.device_classes.index(name)]
    return differing, no_label


def _say_label_minutes(paired: PairedNight) -> str:
    ledger = paired.ledger
    parts = []
    for side, labels in (("reference", ledger.reference_labels), ("device", ledger.device_labels)):
        gap = ledger.window_epochs - sum(epochs for _, epochs in labels)
        said = [f"{shorten(label)} {minutes(epochs)}" for label, epochs in labels]
        parts.append(f"{side}: {', '.join([*said, f'gap {minutes(gap)}'])}")
    return "; ".join(parts) + "."


# --- where unreported stages went, bias, measures ---------------------------------------------------------


def _went_section(night: NightAgreement) -> Section | None:
    traced = [r for r in night.redistribution if r.epochs]
    if not traced:
        return None
    stages = join_words(say_class(r.stage) for r in traced)
    told = Items(tuple(_say_went(r, night) for r in traced))
    shares = [_share_table(r, night.level) for r in traced]
    drawn = beside((told, *shares), _redistribution_figure(night, traced))
    return section("redistribution", f"Where {stages} went", drawn, *map(_when_table, traced))


def unscored_stages_section(night: NightAgreement) -> Section | None:
    """Tell of stages without a label that the reference did not score where the device staged; None without such."""
    none = (speak(r.stage) for r in night.redistribution if not r.epochs)
    said = (Paragraph(f"The reference scored no {stage} that the device staged, too.") for stage in none)
    return section("no-epochs", "Stages that the device has no label for", *said)


def _say_went(traced: Redistribution, night: NightAgreement) -> str:
    # a night without a stage is not a device without it
    lacks = "has" if night.paired.device_set.declared else "holds"
    side = "The device" if lacks == "has" else "The device's file"
    to = sorted((d for d in traced.to if d.epochs), key=lambda d: -d.epochs)
    parts = []
    for i, d in enumerate(to):
        ends = percent_interval(d.primary_low, d.primary_high)
        named = f"{say_level(night.level)} {ends}" if i == 0 else ends
        called = say_called(d.name, traced.left_out_labels)
        parts.append(f"{d.minutes:.1f} were {called} ({percent(d.share)}, {named})")
    return (
        f"{side} {lacks} no label for {say_class(traced.stage)}. Of its {minutes(traced.epochs)}, {join_words(parts)}; "
        f"intervals {FOR_LASTING_ANSWERS}."
    )


def _redistribution_figure(night: NightAgreement, traced: list[Redistribution]) -> Figure:
    said = "; ".join(
        f"{speak(t.stage)}, {minutes(t.epochs)}: "
        + ", ".join(f"{percent(d.share)} ({minutes(d.epochs)}) as {say_destination(d.name)}" for d in t.to)
        for t in traced
    )
    return Figure(
        f"where-{'-'.join(file_words([speak(t.stage) for t in traced]))}-went",
        FigureKind.REDISTRIBUTION,
        {"traced": night},
        title="Where the epochs went that the device has no label for",
        description=f"{said}.",
        caption=(
            f"Shares of the epochs that the device has no label for, with {say_level(night.level)} {WHEN_ANSWERS_LAST}."
        ),
    )


def _share_table(traced: Redistribution, level: float) -> Table:
    lasting, independent = heads_of_intervals(level)
    told: list[Told[Destination]] = [
        ("taken as", lambda d: say_class(d.name)),
        ("min", lambda d: Cell.number(d.minutes, 1)),
        ("share", lambda d: Cell.share(d.share, 1)),
        (lasting, lambda d: percent_interval(d.primary_low, d.primary_high)),
        (independent, lambda d: percent_interval(d.low, d.high)),
        ("part of class", lambda d: Cell.share(d.share_of_class, 1)),
    ]
    caption = f"{minutes(traced.epochs)} of {speak(traced.stage)} that the device has no label for"
    return tabulate(f"went-{traced.stage}", caption, told, traced.to, further=True, leads=True)


def _when_table(traced: Redistribution) -> Table:
    """Return the minutes of a stage by third of the window and by episode."""
    words = ("first", "middle", "last")[: len(traced.thirds)]
    parts = [(f"{word} third of the window", dict(to)) for word, to in zip(words, traced.thirds, strict=True)]
    parts += [(f"episode {i}, {minutes(e.epochs)}", dict(e.to)) for i, e in enumerate(traced.episodes, start=1)]
    names = [d.name for d in traced.to]
    rows = ((word, *(Cell.number(to.get(n, 0) / 2, 1) for n in names)) for word, to in parts)
    caption = f"Minutes of {speak(traced.stage)} by part of the night"
    heads = ("when", *map(say_class, names))
    return table(f"when-{traced.stage}", caption, heads, rows, folded=caption, further=True)


def _bias_section(night: NightAgreement, answer: NightAnswer) -> Section | None:
    of = dict(answer.reference)
    sources = night.bias_sources[:_MOST_CLASSES]
    said = [say_bias_source(s, night.mappings[0], reference_min=of[s.name] / 2) for s in sources]
    told = present(
        Items(tuple(said)),
        Paragraph(_say_cancelling(answer)),
        Paragraph(say_off_most(night.measures)),
        _otherwise_table(night),
    )
    blocks = (beside(told, _bias_figure(night)),) if said else told
    return section("sources-of-bias", "Bias", *blocks, detail=" (device minus reference)") if told else None


def _say_cancelling(answer: NightAnswer) -> str:
    """Return that minutes hide how often epochs differ, "" where few differ or minutes show it."""
    differing = 1 - answer.same_stage
    if not (differing >= _MANY_DIFFER and answer.cancelling_share >= _MOST_CANCEL):
        return ""
    return (
        f"Minutes hide most of it: {percent(differing)} of the epochs differ, and {percent(answer.cancelling_share)} "
        "of these leave the minutes of every stage as they are, lost to one and gained from another."
    )


def _bias_figure(night: NightAgreement) -> Figure:
    return Figure(
        "bias-sources",
        FigureKind.BIAS_SOURCES,
        {"sources": night},
        title="What the bias of each class is made of",
        description="; ".join(say_bias_source(source, night.mappings[0]) for source in night.bias_sources) + ".",
        caption=(
            "Minutes that the device gained from (filled) and lost to (hollow) each other class; the last step of each "
            "class is its bias. The steps add up exactly."
        ),
    )


def _otherwise_table(night: NightAgreement) -> Table | None:
    """Return what each bias would be without the stages that have no label, and with them counted as another."""
    sources = [source for source in night.bias_sources if not math.isnan(source.without_unreported_min)]
    # a night may hold no epoch of them, or none that the mapping keeps: then they do nothing
    if not sources or not sources[0].returned_to:
        return None
    lacking = join_words(map(say_class, night.mappings[0].table.unreported))
    told: list[Told[BiasSource]] = [
        ("class", lambda source: say_class(source.name)),
        ("bias", lambda source: Cell.difference(source.bias_min)),
        (f"without {lacking}", lambda source: Cell.difference(source.without_unreported_min)),
        (f"with {lacking} counted as {say_class(sources[0].returned_to)}", _counted_otherwise),
    ]
    return tabulate("otherwise", f"Bias in minutes, and what {lacking} does to it", told, sources, further=True)


def _counted_otherwise(source: BiasSource) -> str | Cell:
    is_same = signed(source.returned_min) == signed(source.bias_min)
    return "unchanged" if is_same else Cell.difference(source.returned_min)


def say_off_most(measures: tuple[MeasurePair, ...]) -> str:
    """Return the measures in minutes that differ most, those of single classes left out; "" where none differs."""
    inside = [m for m in measures if m.unit == "min" and not m.measure.startswith("minutes ")]
    off = sorted((m for m in inside if abs(m.difference) >= 0.05), key=lambda m: -abs(m.difference))
    told = [
        f"{shorten(say_measure(m.measure))} {signed(m.difference)} min ({figure(m.reference, 1)} by the reference, "
        f"{figure(m.device, 1)} by the device)"
        for m in off[:_MOST_MEASURES]
    ]
    if not told:
        return ""
    onset = next((m for m in off[:_MOST_MEASURES] if m.measure == "SOL"), None)
    moved = [
        f" {m.measure[:1].upper()}{m.measure[1:]} counts from each side's own sleep onset: from the window's start it "
        f"differs by {signed(difference_from_start(onset, m))} min."
        for m in off[:_MOST_MEASURES]
        if onset is not None and m.measure in FROM_ONSET
    ]
    return f"Of the other measures these are off most: {join_words(told)}.{''.join(moved)}"


def next_step(night: NightAgreement) -> str:
    """Return the name of the command that says more of a night: where its timing is in doubt, that comes first."""
    if any(caution.kind is CautionKind.CLOCK_CHANGE for caution in night.cautions):
        return "night"
    if any(caution.kind in _CLOCK_KINDS for caution in night.cautions):
        return "clock"
    return "mappings" if night.unreported else "nights"


def next_options(night: NightAgreement) -> str:
    """Return the options that the next command needs beside those of this run, "" for none."""
    kinds = {caution.kind: caution for caution in night.cautions}
    if (change := kinds.get(CautionKind.CLOCK_CHANGE)) is not None:
        reference, device = zones_of_change(change)
        return f" --reference-zone {reference} --device-zone {device}"
    if (zoned := kinds.get(CautionKind.CLOCK_ZONE)) is not None:
        return f" --range {range_min_for(zoned['seconds'])}"
    return " --range 180" if CautionKind.CLOCK_DOUBT in kinds else ""


def _next_section(night: NightAgreement, command: str) -> Section | None:
    if not command:
        return None
    return section("answer-next", "Next", Paragraph(f"{_SAY_NEXT[next_step(night)]}:"), Command(command))
