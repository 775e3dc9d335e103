"""One night in words: the order of its report, its tables, its sentences and the places of its figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sleepagree.describe.answer import (
    answer_sections,
    column_shares,
    finding_of_night,
    hypnograms,
    unscored_stages_section,
)
from sleepagree.describe.blocks import (
    Block,
    Cell,
    Description,
    Figure,
    FigureKind,
    Heading,
    Items,
    Paragraph,
    Section,
    Table,
    beside,
    can_differ,
    points,
    section,
    sections_of,
    table,
)
from sleepagree.describe.cautions import is_grave, say_caution
from sleepagree.describe.closing import caution_section, methods_section, repeat_section
from sleepagree.describe.night_time import NO_LABEL, following_section, time_section
from sleepagree.describe.notes import say_note
from sleepagree.describe.paragraphs import (
    methods_of_night,
    name_of_side,
    results_of_night,
    say_ceiling,
    say_over,
    say_span,
)
from sleepagree.describe.words import (
    CLASS_WORDS,
    DASH,
    TABLE_WORDS,
    WITHOUT_INTERVAL,
    duration,
    figure,
    file_name,
    file_words,
    heads_of_intervals,
    interval,
    join_words,
    moment,
    percent,
    plain,
    say_class,
    say_mapped,
    say_measure,
    say_stages,
)
from sleepagree.errors import Front, counted, shorten
from sleepagree.hypnogram.align import PairedNight, Side
from sleepagree.hypnogram.ledger import say_status
from sleepagree.hypnogram.spans import Counts
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.compare import MappingAgreement, NightAgreement
from sleepagree.scoring.measures import MeasurePair
from sleepagree.scoring.table_agreement import ClassAgreement

if TYPE_CHECKING:
    from sleepagree.study.results import StudyMapping


def describe_night(
    night: NightAgreement, *, command: str = "", next_command: str = "", front: Front = Front.COMMAND
) -> Description:
    """Return everything that is said about a night.

    Parameters
    ----------
    night : NightAgreement
        The night.
    command : str
        The command that repeats it; "" leaves it out.
    next_command : str
        What to type next; "" leaves it out.
    front : Front
        Who shows it, and so how it names what can be set.
    """
    paired = night.paired
    reference = file_name(paired.reference_side.origin.name, "reference in memory")
    device = file_name(paired.device_side.origin.name, "device in memory")
    sides = (("reference", paired.reference_side), ("device", paired.device_side))
    sections = (
        _compared(night),
        _ledger(night, front),
        *(_agreement(scored, night, serial, front) for serial, scored in enumerate(night.mappings)),
        _measures(night, front),
        unscored_stages_section(night),
        time_section(night),
        following_section(night),
        caution_section(night.cautions, front),
        methods_section(methods_of_night(night), results_of_night(night)),
        repeat_section(command, inputs=[_say_input(*side) for side in sides]),
    )
    # a terminal tells its cautions below the answer, a page only at its end
    grave = [c for c in night.cautions if is_grave(c)] if front is Front.PAGE else []
    return Description(
        "sleepagree: one night",
        f"{device} against {reference}",
        (finding_of_night(night), *(say_caution(c, front) for c in grave)),
        sections_of(*sections),
        answer_sections(night, next_command),
    )


# --- what was compared ------------------------------------------------------------------------------------


def _compared(night: NightAgreement) -> Section | None:
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
    # where there is an answer they stand in it
    drawn = None if night.mappings[0].table.n else hypnograms(night)
    return section("compared", "What was compared", facts, drawn)


def _say_input(name: str, side: Side) -> tuple[str, str, str]:
    return name, name_of_side(side), side.origin.sha256


def _say_side(name: str, side: Side) -> str:
    begins = "elapsed time, no clock" if side.start is None else f"from {moment(side.start)}"
    source = f"{side.epoch_s:g}-s epochs" if side.epoch_s else "intervals"
    return f"{name}: {name_of_side(side)}, {begins}, {counted(side.epochs, 'epoch')} of 30 s (source: {source})"


def _say_window(paired: PairedNight) -> str:
    elapsed = f"{paired.begin_s:.0f} s to {paired.end_s:.0f} s after the reference's start"
    return say_span(paired) or elapsed


# --- ledger -----------------------------------------------------------------------------------------------


def _ledger(night: NightAgreement, front: Front) -> Section | None:
    ledger = night.paired.ledger
    total = ledger.window_epochs
    found = [("scored on both sides", ledger.scored)]
    found += [(say_status(word), epochs) for word, epochs in ledger.excluded if epochs]
    found.append(("total", total))
    rows = ((word, epochs, Cell.valued(percent(epochs / total, 1), epochs)) for word, epochs in found)
    labels = [
        f"{side} labels: {', '.join(f'{shorten(label)} ({epochs})' for label, epochs in labels)}"
        for side, labels in (("reference", ledger.reference_labels), ("device", ledger.device_labels))
    ]
    outside = (
        f"outside the window: {counted(ledger.outside_reference, 'epoch')} of the reference, {ledger.outside_device} "
        "of the device"
    )
    notes = [f"note: {plain(say_note(note, front))}" for note in ledger.notes]
    counts = table("ledger-table", "Epochs of the window by status", ("status", "epochs", "share"), rows)
    return section("ledger", "Every epoch of the window", beside(counts, Items((outside, *labels, *notes))))


# --- agreement --------------------------------------------------------------------------------------------


def _agreement(scored: MappingAgreement, night: NightAgreement, serial: int, front: Front) -> Section | None:
    mapping = scored.mapping
    name = shorten(mapping.name)
    word = file_words([m.mapping.name for m in night.mappings])[serial]
    went = any(traced.epochs for traced in night.redistribution)
    return section(
        f"agreement-{serial}",
        f"Agreement under '{name}'",
        Paragraph(plain(mapping.assumption)),
        beside(
            (
                confusion_figure(scored, name=f"confusion-{word}"),
                confusion_table(scored.counts, mapping, name=f"counts-{serial}", leads=not serial and not went),
                column_shares(scored, f"shares-{serial}") if scored.table.n else None,
            ),
            (
                _statistics(scored, night.level, f"statistics-{serial}"),
                Paragraph(say_ceiling(scored, scored.table.accuracy, "this night")),
            ),
        ),
        _class_table(scored.table.classes, mapping, f"classes-{serial}"),
        *(_others(night, front) if serial == 0 else ()),
    )


def confusion_figure(
    scored: MappingAgreement | StudyMapping, *, name: str, of: str = "", leads: bool = False
) -> Figure:
    """Return the place of a confusion matrix, its numbers in words."""
    mapping = scored.mapping
    lines = []
    for reference, row in zip(mapping.reference_classes, scored.counts.tolist(), strict=True):
        to = [f"{epochs} as {say_class(c)}" for epochs, c in zip(row, mapping.device_classes, strict=True)]
        lines.append(f"{counted(sum(row), 'epoch')} of reference {say_class(reference, mapping)}: {', '.join(to)}")
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
        leads=leads,
    )


def confusion_table(
    counts: Counts, mapping: StageMapping, *, name: str, further: bool = False, leads: bool = False
) -> Table:
    """Return the same matrix as a table, folded away where the figure stands beside it."""
    rows: list[list[object]] = []
    for reference, row in zip(mapping.reference_classes, counts.tolist(), strict=True):
        total = sum(row)
        shown = [Cell(f"{n} ({percent(n / total)})" if total else str(n), float(n)) for n in row]
        rows.append([say_class(reference, mapping), *shown, total])
    rows.append(["total", *counts.sum(axis=0).tolist(), int(counts.sum())])
    heads = ("reference \\ device", *map(say_class, mapping.device_classes), "total")
    caption = f"Epochs, and their share of the row, under '{shorten(mapping.name)}'"
    return table(name, caption, heads, rows, folded="The counts as a table", further=further, leads=leads)


def _statistics(scored: MappingAgreement, level: float, name: str) -> Block:
    found, ceiling = scored.table, scored.ceiling
    over = say_over(found.n, scored.left_out)
    if not found.kappa.defined:
        why = found.kappa.undefined_because
        return Paragraph(f"Accuracy {figure(found.accuracy, 3)} of {over}. Kappa does not exist: {why}.")
    lasting, independent = _intervals_of_kappa(scored)
    of_accuracy = interval(*scored.intervals.accuracy[:2])
    rows = (
        ("accuracy", Cell.number(found.accuracy), of_accuracy, "", Cell.number(ceiling.accuracy)),
        ("kappa", Cell.number(found.kappa.value), lasting, independent, Cell.number(ceiling.kappa)),
        *((TABLE_WORDS[key], Cell.number(getattr(found, key)), "", "", "") for key in WITHOUT_INTERVAL),
    )
    return table(name, f"Agreement over {over}", ("", "value", *heads_of_intervals(level), "ceiling"), rows)


def _intervals_of_kappa(scored: MappingAgreement) -> tuple[str, str]:
    """Return the interval of kappa for answers that last, and that for independent epochs."""
    kappa = scored.table.kappa
    return interval(*scored.intervals.kappa[:2]), interval(kappa.low, kappa.high)


def _class_table(classes: Sequence[ClassAgreement], mapping: StageMapping, name: str) -> Table:
    heads = ("class", "reference epochs", "device epochs", *CLASS_WORDS.values())
    caption = f"Each class against the rest under '{shorten(mapping.name)}'"
    return table(name, caption, heads, (_class_row(c, mapping) for c in classes))


def _class_row(found: ClassAgreement, mapping: StageMapping) -> list[object]:
    head = [say_class(found.name, mapping), found.reference_epochs]
    if not found.comparable:
        return [*head, NO_LABEL, *[DASH] * len(CLASS_WORDS)]
    return [*head, found.device_epochs, *(Cell.number(getattr(found, key), 2) for key in CLASS_WORDS)]


def _others(night: NightAgreement, front: Front) -> tuple[Block, ...]:
    """Return kappa under mappings that have one, where the first one has none."""
    if not night.others:
        return ()
    rows = (
        (
            shorten(m.mapping.name),
            m.table.n,
            Cell.number(m.table.accuracy),
            Cell.number(m.table.kappa.value),
            *_intervals_of_kappa(m),
        )
        for m in night.others
    )
    heads = ("mapping", "epochs", "accuracy", "kappa", *heads_of_intervals(night.level))
    caption = "The same night under mappings that the device can fill, two of several"
    caption += "" if front is Front.PAGE else ": see 'sleepagree mappings'"
    return (
        Heading("Kappa under other mappings"),
        table("others", caption, heads, rows),
        Items(tuple(f"{m.mapping.name}: {plain(m.mapping.assumption)}" for m in night.others)),
    )


# --- measures -----------------------------------------------------------------------


def _measures(night: NightAgreement, front: Front) -> Section | None:
    first = night.mappings[0]
    mapped = say_mapped(first.mapping, first.left_out)
    minutes_of = f"; minutes and per cent of classes under '{shorten(first.mapping.name)}', {mapped}" if mapped else ""
    measures = table(
        "measures-table",
        "From epochs scored on both sides; difference = device minus reference, of per cent in percentage points (pp)"
        f"{minutes_of}",
        ("measure", "unit", "reference", "device", "difference", "remark"),
        (_measure_row(pair, first.mapping) for pair in night.measures if can_differ(pair.measure)),
        words=(0, 1, 5),
        sortable=True,
    )
    uncounted = None if night.uncounted is None else Paragraph(say_caution(night.uncounted, front))
    return section("measures", "Sleep measures", measures, uncounted)


def _measure_row(pair: MeasurePair, mapping: StageMapping) -> tuple[str | Cell, ...]:
    digits = 0 if pair.unit == "count" else 1
    return (
        shorten(say_measure(pair.measure, mapping)),
        pair.unit,
        Cell.number(pair.reference, digits),
        Cell.number(pair.device, digits),
        Cell.difference(pair.difference, digits, unit=points(pair.unit)),
        pair.undefined_because,
    )
