"""The answer of one night in words: how often both sides say the same, and what each class of the device was."""

from __future__ import annotations

import math
from typing import Final

from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.blocks import (
    Block,
    Command,
    Figure,
    FigureKind,
    Items,
    Paragraph,
    Section,
    Table,
    beside,
    cells,
    columns,
    present,
    valued,
)
from sleepagree.describe.paragraphs import kappa_with_interval
from sleepagree.describe.words import (
    WHEN_ANSWERS_LAST,
    duration,
    figure,
    join_words,
    minutes,
    per_hundred,
    percent,
    percent_interval,
    say_class,
    say_level,
    say_measure,
    signed,
)
from sleepagree.errors import shorten
from sleepagree.night.answer import DeviceClass, NightAnswer, answer_night
from sleepagree.night.compare import MappingAgreement, NightAgreement
from sleepagree.scoring.measures import MeasurePair
from sleepagree.scoring.redistribution import Redistribution

#: So many measures that are off most are told; those of single classes stand with their bias.
_MOST_MEASURES: Final = 3

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
    return " ".join((_say_length(night), _say_same_stage(answer), _say_kappa(night)))


def _say_length(night: NightAgreement) -> str:
    ledger = night.paired.ledger
    length = f"The night's window is {duration(ledger.window_epochs)} long"
    if ledger.scored == ledger.window_epochs:
        return f"{length}, all of it scored on both sides."
    share = per_hundred(ledger.scored / ledger.window_epochs)
    return f"{length}; {duration(ledger.scored)} of it ({share} %) were scored on both sides."


def _say_same_stage(answer: NightAnswer) -> str:
    same = f"In {per_hundred(answer.same_stage)} of 100 epochs both say the same stage"
    if math.isnan(answer.best_possible) or answer.best_possible >= 1:
        return f"{same}."
    return f"{same}; {per_hundred(answer.best_possible)} would be the most possible with the device's labels."


def _say_kappa(night: NightAgreement) -> str:
    first = night.mappings[0]
    having = next((m for m in (*night.mappings, *night.others) if m.table.kappa.defined), None)
    if having is None:
        return f"Kappa does not exist: {first.table.kappa.undefined_because}."
    return f"Kappa is {kappa_with_interval(having, night.level)}, under '{shorten(having.mapping.name)}'."


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
    sections = (
        _classes_section(night, answer),
        _went_section(night),
        _bias_section(night),
        _next_section(night, next_command),
    )
    return tuple(section for section in sections if section is not None)


# --- what the device's classes were -----------------------------------------------------------------------


def _classes_section(night: NightAgreement, answer: NightAnswer) -> Section:
    said = [say_device_class(found, answer, night.unreported) for found in answer.device_classes[:_MOST_CLASSES]]
    more = len(answer.device_classes) - len(said)
    items = Items((*said, *([f"and {more} more classes"] if more else [])))
    return Section("answer", "What each stage of the device was", (beside(items, _classes_figure(answer, said)),))


def say_device_class(found: DeviceClass, answer: NightAnswer, unreported: tuple[str, ...]) -> str:
    """Return what the reference says of the minutes that the device gave one class.

    Beside a stage that the device has no label for, or else beside the largest error, stands its share of the class
    and of the night: where both are the same, the device's word says nothing about it.
    """
    word = say_class(found.name)
    if not found.epochs:
        return f"No epoch was called {word}."
    own = [part for part in found.of if part[0] == found.name and part[1]]
    others = sorted((part for part in found.of if part[0] != found.name and part[1]), key=lambda part: -part[1])
    told = [name for name, _ in others if name in unreported] or [name for name, _ in others[:1]]
    parts = [_say_part(name, epochs, found, answer, with_share=name in told) for name, epochs in own + others]
    if not others:
        return f"All {minutes(found.epochs)} called {word} were {word}."
    return f"Of {minutes(found.epochs)} called {word}: {', '.join(parts)}."


def _say_part(name: str, epochs: int, found: DeviceClass, answer: NightAnswer, *, with_share: bool) -> str:
    said = f"{epochs / 2:.1f} {say_class(name)}"
    if not with_share:
        return said
    of_night = dict(answer.reference_shares)[name]
    share = f"{per_hundred(epochs / found.epochs)} %"
    return f"{said} ({share}; {say_class(name)} is {per_hundred(of_night)} % of the night)"


def _classes_figure(answer: NightAnswer, said: list[str]) -> Figure:
    return Figure(
        "device-classes",
        FigureKind.DEVICE_CLASSES,
        answer,
        title="What the reference says of each class of the device",
        description=" ".join(said),
        caption=(
            "Each bar is what the device called by one name, filled by the stages of the reference; the lowest bar is "
            "the whole night. A bar that looks like the night tells nothing."
        ),
    )


def column_shares(scored: MappingAgreement, name: str) -> Table:
    """Return what part of each device class is of each reference class, beside that class's part of the night."""
    total = scored.table.n
    rows = []
    for reference, row in zip(scored.mapping.reference_classes, scored.counts.tolist(), strict=True):
        sums = (*scored.counts.sum(axis=0).tolist(), total)
        found = [valued(percent(n / of), n / of) if of else "–" for n, of in zip((*row, sum(row)), sums, strict=True)]
        rows.append(cells(say_class(reference), *found))
    heads = columns("reference \\ device", *map(say_class, scored.mapping.device_classes), "of the night")
    caption = f"Share of the column: what each class of the device was, under '{shorten(scored.mapping.name)}'"
    return Table(name, caption, heads, tuple(rows))


# --- where unreported stages went, bias, measures ---------------------------------------------------------


def _went_section(night: NightAgreement) -> Section | None:
    traced = [r for r in night.redistribution if r.epochs]
    if not traced:
        return None
    stages = join_words(say_class(r.stage) for r in traced)
    return Section("answer-went", f"Where {stages} went", (Items(tuple(_say_went(r, night) for r in traced)),))


def _say_went(traced: Redistribution, night: NightAgreement) -> str:
    # a night without a stage is not a device without it
    lacks = "has" if night.paired.device_set.declared else "holds"
    side = "The device" if lacks == "has" else "The device's file"
    to = sorted((d for d in traced.to if d.epochs), key=lambda d: -d.epochs)
    parts = []
    for i, d in enumerate(to):
        ends = percent_interval(d.primary_low, d.primary_high)
        named = f"{say_level(night.level)} {ends}" if i == 0 else ends
        parts.append(f"{d.minutes:.1f} were called {say_class(d.name)} ({percent(d.share)}, {named})")
    return (
        f"{side} {lacks} no label for {say_class(traced.stage)}. Of its {minutes(traced.epochs)}, {join_words(parts)}; "
        f"intervals {WHEN_ANSWERS_LAST}."
    )


def _bias_section(night: NightAgreement) -> Section | None:
    said = [say_bias_source(source) for source in night.bias_sources[:_MOST_CLASSES]]
    off = say_off_most(night.measures)
    blocks = present(Items(tuple(said)) if said else None, Paragraph(off) if off else None)
    return Section("answer-bias", "Bias", blocks, detail=" (device minus reference)") if blocks else None


def say_off_most(measures: tuple[MeasurePair, ...]) -> str:
    """Return the measures in minutes that differ most, those of single classes left out; "" where none differs."""
    inside = [m for m in measures if m.unit == "min" and not m.measure.startswith("minutes ")]
    off = sorted((m for m in inside if abs(m.difference) >= 0.05), key=lambda m: -abs(m.difference))
    told = [
        f"{shorten(say_measure(m.measure))} {signed(m.difference)} min ({figure(m.reference, 1)} by the reference, "
        f"{figure(m.device, 1)} by the device)"
        for m in off[:_MOST_MEASURES]
    ]
    return f"Of the other measures these are off most: {join_words(told)}." if told else ""


def _next_section(night: NightAgreement, command: str) -> Section | None:
    if not command:
        return None
    why = "The same night under every mapping that fits" if night.unreported else "Whether a clock explains it"
    blocks: tuple[Block, ...] = (Paragraph(f"{why}:"), Command(command))
    return Section("answer-next", "Next", blocks)
