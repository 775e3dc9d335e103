"""One night in words: the order of its report, its tables, its sentences and the places of its figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from sleepagree.describe.answer import answer_sections, column_shares, finding_of_night
from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.blocks import (
    Block,
    Cell,
    Description,
    Figure,
    FigureKind,
    Heading,
    Items,
    Paragraph,
    Rank,
    Section,
    Table,
    beside,
    can_differ,
    cells,
    columns,
    count_cell,
    difference_cell,
    number_cell,
    points,
    present,
    valued,
)
from sleepagree.describe.cautions import say_caution
from sleepagree.describe.closing import caution_section, methods_section, repeat_section
from sleepagree.describe.night_time import NO_LABEL, following_section, time_section
from sleepagree.describe.notes import say_note
from sleepagree.describe.paragraphs import methods_of_night, results_of_night, say_kappa_beside_ceiling
from sleepagree.describe.words import (
    DASH,
    IF_INDEPENDENT,
    WHEN_ANSWERS_LAST,
    duration,
    figure,
    file_name,
    file_words,
    from_moment_to,
    interval,
    join_words,
    minutes,
    moment,
    percent,
    percent_interval,
    plain,
    say_class,
    say_level,
    say_measure,
    say_stages,
    say_status,
    signed,
    speak,
)
from sleepagree.errors import counted, shorten
from sleepagree.hypnogram.align import PairedNight, Side
from sleepagree.hypnogram.spans import Counts
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.compare import MappingAgreement, NightAgreement
from sleepagree.scoring.bias_sources import BiasSource
from sleepagree.scoring.measures import MeasurePair
from sleepagree.scoring.redistribution import Redistribution
from sleepagree.scoring.table_agreement import ClassAgreement


class CountsUnderMapping(Protocol):
    """What a confusion matrix is drawn from: a night or a study under one mapping."""

    @property
    def counts(self) -> Counts:
        """Epochs, rows reference."""

    @property
    def mapping(self) -> StageMapping:
        """How stages form classes."""


def describe_night(night: NightAgreement, *, command: str = "", next_command: str = "") -> Description:
    """Return everything that is said about a night.

    Parameters
    ----------
    night : NightAgreement
        The night.
    command : str
        The command that repeats it; "" leaves it out.
    next_command : str
        What to type next; "" leaves it out.
    """
    paired = night.paired
    reference = file_name(paired.reference_side.origin.name, "reference in memory")
    device = file_name(paired.device_side.origin.name, "device in memory")
    sections = (
        _compared(night),
        _ledger(night),
        *(_agreement(scored, night, serial) for serial, scored in enumerate(night.mappings)),
        _measures(night),
        _redistribution(night),
        _bias_sources(night),
        time_section(night),
        following_section(night),
        caution_section(night.cautions),
        methods_section(methods_of_night(night), results_of_night(night)),
        repeat_section(command, sides=(("reference", paired.reference_side), ("device", paired.device_side))),
    )
    return Description(
        "sleepagree: one night",
        f"{device} against {reference}",
        (finding_of_night(night),),
        tuple(section for section in sections if section is not None),
        answer_sections(night, next_command),
    )


# --- what was compared ------------------------------------------------------------------------------------


def _compared(night: NightAgreement) -> Section:
    paired = night.paired
    size, offset = int(paired.status.size), paired.clock_offset_s
    declared = "declared" if paired.device_set.declared else "taken from its labels"
    facts = Items(
        (
            _say_side("reference", paired.reference_side),
            _say_side("device", paired.device_side),
            f"window: {_say_window(paired)}, {counted(size, 'epoch')} ({duration(size)}); rule: {paired.rule}",
            f"clock: {f'{offset:+g} s added to device times' if offset else 'as the files tell it'}",
            f"the device can report {join_words(say_stages(paired.device_set.reportable))} ({declared})",
        )
    )
    return Section("compared", "What was compared", (facts, _hypnograms(night)))


def _say_side(name: str, side: Side) -> str:
    begins = "elapsed time, no clock" if side.start is None else f"from {moment(side.start)}"
    source = f"{side.epoch_s:g}-s epochs" if side.epoch_s else "intervals"
    return (
        f"{name}: {file_name(side.origin.name, 'data in memory')}, {begins}, {counted(side.epochs, 'epoch')} of 30 s "
        f"(source: {source})"
    )


def _say_window(paired: PairedNight) -> str:
    begin, end = paired.begin, paired.epoch_start(int(paired.status.size))
    if begin is None or end is None:
        return f"{paired.begin_s:.0f} s to {paired.end_s:.0f} s after the reference's start"
    return from_moment_to(begin, end)


def _hypnograms(night: NightAgreement) -> Figure:
    paired, first = night.paired, night.mappings[0]
    size, compared = int(paired.status.size), int(first.counts.sum())
    differing, no_label = _count_differences(first.counts, first.mapping)
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


def _count_differences(counts: Counts, mapping: StageMapping) -> tuple[int, int]:
    """Return how many epochs differ, and how many are of a class that the device has no label for."""
    differing = no_label = 0
    for name, row in zip(mapping.reference_classes, counts.tolist(), strict=True):
        if name in mapping.device_classes:
            differing += sum(row) - row[mapping.device_classes.index(name)]
        else:
            no_label += sum(row)
    return differing, no_label


def _say_label_minutes(paired: PairedNight) -> str:
    ledger = paired.ledger
    parts = []
    for side, labels in (("reference", ledger.reference_labels), ("device", ledger.device_labels)):
        gap = ledger.window_epochs - sum(epochs for _, epochs in labels)
        said = [f"{shorten(label)} {minutes(epochs)}" for label, epochs in labels]
        parts.append(f"{side}: {', '.join([*said, f'gap {minutes(gap)}'])}")
    return "; ".join(parts) + "."


# --- ledger -----------------------------------------------------------------------------------------------


def _ledger(night: NightAgreement) -> Section:
    ledger = night.paired.ledger
    total = ledger.window_epochs
    found = [("scored on both sides", ledger.scored)]
    found += [(say_status(word), epochs) for word, epochs in ledger.excluded if epochs]
    found.append(("total", total))
    rows = tuple(cells(word, count_cell(epochs), valued(percent(epochs / total, 1), epochs)) for word, epochs in found)
    heads = columns("status", "epochs", "share")
    labels = [
        f"{side} labels: {', '.join(f'{shorten(label)} ({epochs})' for label, epochs in labels)}"
        for side, labels in (("reference", ledger.reference_labels), ("device", ledger.device_labels))
    ]
    outside = (
        f"outside the window: {counted(ledger.outside_reference, 'epoch')} of the reference, {ledger.outside_device} "
        "of the device"
    )
    notes = [f"note: {plain(say_note(note))}" for note in ledger.notes]
    table = Table("ledger-table", "Epochs of the window by status", heads, rows)
    return Section("ledger", "Every epoch of the window", (beside(table, Items((outside, *labels, *notes))),))


# --- agreement --------------------------------------------------------------------------------------------


def _agreement(scored: MappingAgreement, night: NightAgreement, serial: int) -> Section:
    mapping = scored.mapping
    name = shorten(mapping.name)
    word = file_words([m.mapping.name for m in night.mappings])[serial]
    caption = f"Each class against the rest under '{name}'"
    blocks = present(
        Paragraph(plain(mapping.assumption)) if mapping.assumption else None,
        beside(
            (
                confusion_figure(scored, name=f"confusion-{word}"),
                confusion_table(scored.counts, mapping, name=f"counts-{serial}"),
                column_shares(scored, f"shares-{serial}") if scored.table.n else None,
            ),
            (_statistics(scored, night.level, f"statistics-{serial}"), _ceiling(scored)),
        ),
        _class_table(scored.table.classes, name=f"classes-{serial}", caption=caption),
    )
    others = _others(night) if serial == 0 else ()
    return Section(f"agreement-{serial}", f"Agreement under '{name}'", (*blocks, *others))


def confusion_figure(scored: CountsUnderMapping, *, name: str, of: str = "") -> Figure:
    """Return the place of a confusion matrix, its numbers in words."""
    mapping = scored.mapping
    lines = []
    for reference, row in zip(mapping.reference_classes, scored.counts.tolist(), strict=True):
        to = [f"{epochs} as {say_class(c)}" for epochs, c in zip(row, mapping.device_classes, strict=True)]
        lines.append(f"{counted(sum(row), 'epoch')} of reference {say_class(reference)}: {', '.join(to)}")
    return Figure(
        name,
        FigureKind.CONFUSION,
        scored,
        title=f"Confusion matrix under {shorten(mapping.name)}{of}",
        description="; ".join(lines) + ".",
        caption=(
            "Epochs by the class of the reference (rows) and of the device (columns), with their share of the row. "
            "Framed cells agree; totals stand outside."
        ),
    )


def confusion_table(counts: Counts, mapping: StageMapping, *, name: str, rank: Rank = Rank.FIRST_SCREEN) -> Table:
    """Return the same matrix as a table, folded away where the figure stands beside it."""
    rows = []
    for reference, row in zip(mapping.reference_classes, counts.tolist(), strict=True):
        total = sum(row)
        shown = [Cell(f"{n} ({percent(n / total)})" if total else str(n), float(n)) for n in row]
        rows.append(cells(say_class(reference), *shown, count_cell(total)))
    sums = [count_cell(int(n)) for n in counts.sum(axis=0)]
    rows.append(cells("total", *sums, count_cell(int(counts.sum()))))
    heads = columns("reference \\ device", *map(say_class, mapping.device_classes), "total")
    caption = f"Epochs, and their share of the row, under '{shorten(mapping.name)}'"
    return Table(name, caption, heads, tuple(rows), folded="The counts as a table", rank=rank)


def _statistics(scored: MappingAgreement, level: float, name: str) -> Block:
    table, ceiling = scored.table, scored.ceiling
    left = f"; {scored.left_out} left out by the mapping" if scored.left_out else ""
    over = f"{counted(table.n, 'epoch')}{left}"
    if not table.kappa.defined:
        why = table.kappa.undefined_because
        return Paragraph(f"Accuracy {figure(table.accuracy, 3)} of {over}. Kappa does not exist: {why}.")
    accuracy = number_cell(table.accuracy), interval(*scored.intervals.accuracy[:2]), "", number_cell(ceiling.accuracy)
    kappa = (
        number_cell(table.kappa.value),
        interval(*scored.intervals.kappa[:2]),
        interval(table.kappa.low, table.kappa.high),
        number_cell(ceiling.kappa),
    )
    without = (
        ("PABAK", table.pabak),
        ("AC1", table.ac1),
        ("MCC", table.mcc),
        ("balanced accuracy", table.balanced_accuracy),
    )
    rows = (
        cells("accuracy", *accuracy),
        cells("kappa", *kappa),
        *(cells(word, number_cell(value), "", "", "") for word, value in without),
    )
    named = say_level(level)
    heads = columns("", "value", f"{named} {WHEN_ANSWERS_LAST}", f"{named} {IF_INDEPENDENT}", "ceiling")
    return Table(name, f"Agreement over {over}", heads, rows)


def _ceiling(scored: MappingAgreement) -> Paragraph | None:
    accuracy, ceiling = scored.table.accuracy, scored.ceiling
    if math.isnan(ceiling.accuracy) or ceiling.accuracy >= 1 or not ceiling.accuracy:
        return None
    return Paragraph(
        f"The best any device with these labels could reach on this night: {figure(ceiling.accuracy, 3)} accuracy, "
        f"{figure(ceiling.kappa, 3)} kappa; this device reaches {percent(accuracy / ceiling.accuracy)} of that "
        f"accuracy{say_kappa_beside_ceiling(scored)}."
    )


def _class_table(classes: Sequence[ClassAgreement], *, name: str, caption: str) -> Table:
    heads = columns(
        "class", "reference epochs", "device epochs", "sensitivity", "specificity", "PPV", "NPV", "F1", "kappa"
    )
    return Table(name, caption, heads, tuple(_class_row(c) for c in classes))


def _class_row(found: ClassAgreement) -> tuple[Cell, ...]:
    head = say_class(found.name), count_cell(found.reference_epochs)
    if not found.comparable:
        return cells(*head, NO_LABEL, *[DASH] * 6)
    values = found.sensitivity, found.specificity, found.ppv, found.npv, found.f1, found.kappa
    return cells(*head, count_cell(found.device_epochs), *(number_cell(value, 2) for value in values))


def _others(night: NightAgreement) -> tuple[Block, ...]:
    """Return kappa under mappings that have one, where the first one has none."""
    if not night.others:
        return ()
    rows = tuple(
        cells(
            shorten(m.mapping.name),
            count_cell(m.table.n),
            number_cell(m.table.accuracy),
            number_cell(m.table.kappa.value),
            interval(*m.intervals.kappa[:2]),
            interval(m.table.kappa.low, m.table.kappa.high),
        )
        for m in night.others
    )
    named = say_level(night.level)
    heads = columns(
        "mapping", "epochs", "accuracy", "kappa", f"{named} {WHEN_ANSWERS_LAST}", f"{named} {IF_INDEPENDENT}"
    )
    caption = "The same night under mappings that the device can fill, two of several: see 'sleepagree mappings'"
    return (
        Heading("Kappa under other mappings"),
        Table("others", caption, heads, rows),
        Items(tuple(f"{m.mapping.name}: {plain(m.mapping.assumption)}" for m in night.others)),
    )


# --- measures, redistribution, bias -----------------------------------------------------------------------


def _measures(night: NightAgreement) -> Section:
    table = Table(
        "measures-table",
        "From epochs scored on both sides; difference = device minus reference, of per cent in percentage points (pp)",
        columns("measure", "unit", "reference", "device", "difference", "remark", words=(0, 1, 5)),
        tuple(_measure_row(pair) for pair in night.measures if can_differ(pair.measure)),
        sortable=True,
    )
    return Section(
        "measures",
        "Sleep measures",
        present(table, None if night.uncounted is None else Paragraph(say_caution(night.uncounted))),
    )


def _measure_row(pair: MeasurePair) -> tuple[Cell, ...]:
    digits = 0 if pair.unit == "count" else 1
    return cells(
        shorten(say_measure(pair.measure)),
        pair.unit,
        number_cell(pair.reference, digits),
        number_cell(pair.device, digits),
        difference_cell(pair.difference, digits, unit=points(pair.unit)),
        pair.undefined_because,
    )


def _redistribution(night: NightAgreement) -> Section | None:
    if not night.redistribution:
        return None
    stages = join_words(speak(traced.stage) for traced in night.redistribution)
    some = [traced for traced in night.redistribution if traced.epochs]
    shares = [beside(_redistribution_figure(night, some), [_share_table(t, night.level) for t in some])] if some else []
    when = [_when_table(traced) if traced.epochs else _no_epoch(traced) for traced in night.redistribution]
    return Section("redistribution", f"Where {stages} went", (*shares, *when))


def _redistribution_figure(night: NightAgreement, traced: list[Redistribution]) -> Figure:
    said = "; ".join(
        f"{speak(t.stage)}, {minutes(t.epochs)}: "
        + ", ".join(f"{percent(d.share)} ({minutes(d.epochs)}) as {say_class(d.name)}" for d in t.to)
        for t in traced
    )
    return Figure(
        f"where-{'-'.join(file_words([speak(t.stage) for t in traced]))}-went",
        FigureKind.REDISTRIBUTION,
        traced,
        title="Where the epochs went that the device has no label for",
        description=f"{said}.",
        caption=(
            f"Shares of the epochs that the device has no label for, with {say_level(night.level)} {WHEN_ANSWERS_LAST}."
        ),
    )


def _no_epoch(traced: Redistribution) -> Paragraph:
    return Paragraph(f"The reference scored no {speak(traced.stage)} that the device staged, too.")


def _share_table(traced: Redistribution, level: float) -> Table:
    rows = tuple(
        cells(
            say_class(d.name),
            number_cell(d.minutes, 1),
            valued(percent(d.share, 1), d.share),
            percent_interval(d.primary_low, d.primary_high),
            percent_interval(d.low, d.high),
            valued(percent(d.share_of_class, 1), d.share_of_class),
        )
        for d in traced.to
    )
    named = say_level(level)
    heads = columns(
        "taken as", "min", "share", f"{named} {WHEN_ANSWERS_LAST}", f"{named} {IF_INDEPENDENT}", "part of class"
    )
    caption = f"{minutes(traced.epochs)} of {speak(traced.stage)} that the device has no label for"
    return Table(f"went-{traced.stage}", caption, heads, rows)


def _when_table(traced: Redistribution) -> Table:
    """Return the minutes of a stage by third of the window and by episode."""
    words = ("first", "middle", "last")[: len(traced.thirds)]
    parts = [(f"{word} third of the window", dict(to)) for word, to in zip(words, traced.thirds, strict=True)]
    parts += [(f"episode {i}, {minutes(e.epochs)}", dict(e.to)) for i, e in enumerate(traced.episodes, start=1)]
    names = [d.name for d in traced.to]
    rows = tuple(cells(word, *(number_cell(to.get(n, 0) / 2, 1) for n in names)) for word, to in parts)
    caption = f"Minutes of {speak(traced.stage)} by part of the night"
    return Table(f"when-{traced.stage}", caption, columns("when", *map(say_class, names)), rows)


def _bias_sources(night: NightAgreement) -> Section:
    drawing = Figure(
        "bias-sources",
        FigureKind.BIAS_SOURCES,
        night.bias_sources,
        title="What the bias of each class is made of",
        description="; ".join(map(say_bias_source, night.bias_sources)) + ".",
        caption=(
            "Minutes that the device gained from (filled) and lost to (hollow) each other class; the last step of each "
            "class is its bias. The steps add up exactly."
        ),
    )
    unreported = join_words(map(say_class, night.mappings[0].table.unreported))
    accounts = Items(tuple(_say_account(source, unreported) for source in night.bias_sources))
    return Section("sources-of-bias", "Where each bias comes from", (beside(drawing, accounts),))


def _say_account(source: BiasSource, unreported: str) -> str:
    if math.isnan(source.without_unreported_min):
        return say_bias_source(source)
    without = f"{say_bias_source(source)}; without {unreported} epochs {signed(source.without_unreported_min)} min"
    if signed(source.returned_min) == signed(source.bias_min):
        return without
    counted_as = say_class(source.returned_to)
    return f"{without}; with {unreported} counted as {counted_as} {signed(source.returned_min)} min"
