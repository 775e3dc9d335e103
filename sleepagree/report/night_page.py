"""One night as a page, in the order and words of the terminal."""

from __future__ import annotations

import json
import math
from typing import Any, Final

from markupsafe import Markup

from sleepagree.agreement import ClassAgreement
from sleepagree.disagreement import Disagreement
from sleepagree.errors import shorten
from sleepagree.figures.bias_sources import draw_bias_sources
from sleepagree.figures.hypnograms import CODE_WORDS, clock_ticks, compare_epochs, draw_hypnograms, lanes_of, runs_of
from sleepagree.figures.in_time import draw_agreement_by_hour, draw_run_lengths
from sleepagree.figures.redistribution import draw_redistribution
from sleepagree.figures.tables_of_counts import draw_confusion
from sleepagree.measures import MeasurePair
from sleepagree.night import MappingAgreement, NightAgreement
from sleepagree.pairing import Side
from sleepagree.redistribution import Redistribution, speak
from sleepagree.report.closing import caution_section, methods_section, repeat_section
from sleepagree.report.page import (
    Block,
    Cell,
    FigureView,
    Heading,
    Items,
    Page,
    Section,
    TableView,
    Words,
    beside,
    cells,
    figure_view,
    file_word,
    some,
)
from sleepagree.report.sentences import (
    finding_of_night,
    join_words,
    methods_of_night,
    printable,
    results_of_night,
    say_level,
    say_stages,
)
from sleepagree.text import (
    DASH,
    figure,
    runs_sentence,
    show_duration,
    show_moment,
    signed,
    speak_measure,
)

_FIVE_MINUTES_S: Final = 300.0

#: Where a count of what the device did would blame it for a word that it does not have.
_NO_LABEL: Final = "no label"


def night_page(night: NightAgreement, *, command: str) -> Page:
    """Return the page of one night."""
    paired = night.paired
    reference = file_word(paired.reference_side.origin.name, "reference in memory")
    device = file_word(paired.device_side.origin.name, "device in memory")
    sections = [
        _compared(night),
        _ledger(night),
        *[_mapping(m, night, i) for i, m in enumerate(night.mappings)],
        _measures(night),
        _redistribution(night),
        _bias_sources(night),
        _time(night),
        caution_section(night.cautions),
        methods_section(methods_of_night(night), results_of_night(night)),
        repeat_section(command, sides=(("reference", paired.reference_side), ("device", paired.device_side))),
    ]
    return Page(
        "sleepagree: one night",
        f"{device} against {reference}",
        (finding_of_night(night),),
        tuple(s for s in sections if s is not None),
    )


# --- what was compared ------------------------------------------------------------------------------------


def _compared(night: NightAgreement) -> Section:
    paired = night.paired
    begin, end = paired.begin, paired.epoch_start(int(paired.status.size))
    span = (
        f"{show_moment(begin)} to {end:%H:%M:%S}"
        if begin and end
        else f"{paired.begin_s:.0f} s to {paired.end_s:.0f} s after the reference's start"
    )
    offset = paired.clock_offset_s
    clock = f"{offset:+g} s added to device times" if offset else "as the files tell it"
    declared = "declared" if paired.device_set.declared else "taken from its labels"
    rows = (
        _side_row("reference", paired.reference_side),
        _side_row("device", paired.device_side),
    )
    table = TableView(
        "sides",
        "The two sides",
        ("side", "file", "from", "epochs of 30 s", "source"),
        rows,
        left=3,
        words=(4,),
    )
    facts = Items(
        (
            f"window: {span}, {paired.status.size} epochs ({show_duration(int(paired.status.size))}); "
            f"rule: {paired.rule}",
            f"clock: {clock}",
            f"the device can report {join_words(say_stages(paired.device_set.reportable))} ({declared})",
        )
    )
    return Section("compared", "What was compared", (table, facts, _hypnograms(night)))


def _side_row(name: str, side: Side) -> tuple[Cell, ...]:
    length = f"{side.epoch_s:g}-s epochs" if side.epoch_s else "no fixed epoch"
    return cells(
        name,
        file_word(side.origin.name, "data in memory"),
        show_moment(side.start),
        (str(side.epochs), float(side.epochs)),
        length,
    )


def _hypnograms(night: NightAgreement) -> FigureView:
    paired = night.paired
    verdict = compare_epochs(paired, night.mappings[0].mapping)
    differing = int((verdict == CODE_WORDS.index("differ")).sum())
    no_label = int((verdict == CODE_WORDS.index("no label for it")).sum())
    compared = int((verdict != CODE_WORDS.index("not compared")).sum())
    said = f"Of {compared} epochs compared, {differing} differ"
    said += f", {no_label} are of a stage that the device has no label for" if no_label else ""
    out = paired.status.size - compared
    return figure_view(
        draw_hypnograms(night),
        name="hypnograms",
        title="Hypnograms of reference and device over one clock axis",
        description=f"{said}; {out} of {paired.status.size} window epochs are not compared. {_stage_minutes(night)}",
        caption=(
            f"Stages of the reference (above) and of the device (below), and between them the epochs that differ under "
            f"'{shorten(night.mappings[0].mapping.name)}'. Grey over the whole height of a side is a gap: no label at "
            "all. "
            f"{said}."
        ),
        wide=True,
        trace=_trace(night),
    )


def _stage_minutes(night: NightAgreement) -> str:
    parts = []
    for title, lane in zip(("reference", "device"), lanes_of(night.paired), strict=True):
        minutes = [f"{word} {int((lane.codes == i).sum()) / 2:.1f} min" for i, word in enumerate(lane.words)]
        parts.append(f"{title}: {', '.join(minutes)}, gap {int((lane.codes < 0).sum()) / 2:.1f} min")
    return "; ".join(parts) + "."


def _trace(night: NightAgreement) -> Markup:
    """Return runs of both sides as JSON, for looking at single epochs."""
    paired = night.paired
    ticks, labels, _ = clock_ticks(paired, step_s=_FIVE_MINUTES_S)
    data: dict[str, Any] = {
        "epochs": int(paired.status.size),
        "ticks": [[round(p, 3), text] for p, text in zip(ticks, labels, strict=True)],
        "begin": f"{paired.begin:%H:%M:%S}" if paired.begin else "",
        "epochSeconds": paired.epoch_s,
        "words": {},
        "runs": {},
    }
    for side, lane in zip(("reference", "device"), lanes_of(paired), strict=True):
        begin, _, row = runs_of(lane.codes)
        data["words"][side] = [*(shorten(word) for word in lane.words), "gap"]
        data["runs"][side] = [[int(b), int(r)] for b, r in zip(begin, row, strict=True)]
    begin, _, code = runs_of(compare_epochs(paired, night.mappings[0].mapping))
    data["words"]["verdict"] = CODE_WORDS
    data["runs"]["verdict"] = [[int(b), int(c)] for b, c in zip(begin, code, strict=True)]
    return script_json(data)


def script_json(data: Any) -> Markup:
    """Return JSON that cannot end the script element it stands in, whatever a label holds."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True)
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)  # noqa: S704


# --- ledger -----------------------------------------------------------------------------------------------


def _ledger(night: NightAgreement) -> Section:
    ledger = night.paired.ledger
    total = ledger.window_epochs
    counted = [("scored on both sides", ledger.scored)]
    counted += [(word.replace("_", " "), count) for word, count in ledger.excluded if count]
    counted.append(("total", total))
    rows = tuple(cells(word, (str(count), count), (f"{100 * count / total:.1f} %", count)) for word, count in counted)
    labels = tuple(
        cells(side, shorten(label), (str(count), count), (show_duration(count), count))
        for side, pairs in (("reference", ledger.reference_labels), ("device", ledger.device_labels))
        for label, count in pairs
    )
    outside = (
        f"Outside the window: {ledger.outside_reference} epochs of the reference, {ledger.outside_device} of the "
        "device."
    )
    where = TableView("ledger-table", "Where every epoch of the window went", ("status", "epochs", "share"), rows)
    header = ("side", "label", "epochs", "time")
    native = TableView("labels", "Native labels inside the window", header, labels, left=2)
    notes = Items(tuple(printable(note) for note in ledger.notes)) if ledger.notes else None
    return Section("ledger", "Every epoch of the window", (beside((where, Words(outside), notes), native),))


# --- agreement --------------------------------------------------------------------------------------------


def _mapping(scored: MappingAgreement, night: NightAgreement, serial: int) -> Section:
    mapping, table = scored.mapping, scored.table
    name = shorten(mapping.name)
    blocks: list[Block | None] = [
        Words(printable(mapping.assumption)) if mapping.assumption else None,
        beside(
            (
                confusion_figure(scored.counts, mapping, name=f"confusion-{serial}"),
                confusion_table(scored.counts, mapping, name=f"counts-{serial}"),
            ),
            (_statistics(scored, night.level, f"statistics-{serial}"), _ceiling_words(scored)),
        ),
        class_table(table.classes, name=f"classes-{serial}", caption=f"Each class against the rest under '{name}'"),
    ]
    if serial == 0 and night.others:
        blocks += _others(night)
    return Section(f"agreement-{serial}", f"Agreement under '{name}'", some(blocks))


def confusion_figure(counts: Any, mapping: Any, *, name: str, of: str = "") -> FigureView:
    """Return the confusion matrix as a figure, its numbers in words."""
    rows = counts.sum(axis=1)
    lines = []
    for i, reference in enumerate(mapping.reference_classes):
        to = [f"{int(counts[i, j])} as {speak(c)}" for j, c in enumerate(mapping.device_classes)]
        lines.append(f"{int(rows[i])} epochs of reference {speak(reference)}: {', '.join(to)}")
    return figure_view(
        draw_confusion(counts, reference_classes=mapping.reference_classes, device_classes=mapping.device_classes),
        name=name,
        title=f"Confusion matrix under {mapping.name}{of}",
        description="; ".join(lines) + ".",
        caption=(
            "Epochs by the class of the reference (rows) and of the device (columns), with their share of the row. "
            "Framed cells agree; totals stand outside."
        ),
    )


def confusion_table(counts: Any, mapping: Any, *, name: str) -> TableView:
    """Return the same matrix as a table."""
    head = ("reference \\ device", *(speak(shorten(c)) for c in mapping.device_classes), "total")
    rows = []
    for i, reference in enumerate(mapping.reference_classes):
        total = int(counts[i].sum())
        shown = [(f"{int(n)} ({100 * int(n) / total:.0f} %)" if total else str(int(n)), float(n)) for n in counts[i]]
        rows.append(cells(speak(shorten(reference)), *shown, (str(total), total)))
    sums = [(str(int(n)), float(n)) for n in counts.sum(axis=0)]
    rows.append(cells("total", *sums, (str(int(counts.sum())), float(counts.sum()))))
    caption = f"Epochs, and their share of the row, under '{shorten(mapping.name)}'"
    return TableView(name, caption, head, tuple(rows), folded="The counts as a table")


def _statistics(scored: MappingAgreement, level: float, name: str) -> Block:
    table, ceiling = scored.table, scored.ceiling
    left = f"; {scored.left_out} left out by the mapping" if scored.left_out else ""
    if not table.kappa.defined:
        return Words(
            f"Accuracy {figure(table.accuracy, 3)} of {table.n} epochs{left}. Kappa does not exist: "
            f"{table.kappa.undefined_because}."
        )
    kappa = (
        _number(table.kappa.value),
        interval_text(table.kappa.low, table.kappa.high),
        interval_text(scored.block_low, scored.block_high),
        _number(ceiling.kappa),
    )
    rows = [cells("accuracy", _number(table.accuracy), DASH, DASH, _number(ceiling.accuracy)), cells("kappa", *kappa)]
    for word, value in (
        ("PABAK", table.pabak),
        ("AC1", table.ac1),
        ("MCC", table.mcc),
        ("balanced accuracy", table.balanced_accuracy),
    ):
        rows.append(cells(word, _number(value), DASH, DASH, DASH))
    interval = say_level(level)
    header = ("", "value", f"{interval} if epochs were independent", f"{interval} by blocks of 15 min", "ceiling")
    return TableView(name, f"Agreement over {table.n} epochs{left}", header, tuple(rows))


def _number(value: float, digits: int = 3) -> tuple[str, float | None]:
    return figure(value, digits), None if math.isnan(value) else value


def interval_text(low: float, high: float, digits: int = 3) -> str:
    """Return an interval, or a dash."""
    return DASH if math.isnan(low) or math.isnan(high) else f"{low:.{digits}f} to {high:.{digits}f}"


def _ceiling_words(scored: MappingAgreement) -> Words | None:
    table, ceiling = scored.table, scored.ceiling
    if math.isnan(ceiling.accuracy) or ceiling.accuracy >= 1 or not ceiling.accuracy:
        return None
    return Words(
        f"The best any device with these labels could reach on this night: {figure(ceiling.accuracy, 3)} "
        f"accuracy, {figure(ceiling.kappa, 3)} kappa; this device reaches "
        f"{100 * table.accuracy / ceiling.accuracy:.0f} % of that accuracy."
    )


def class_table(classes: tuple[ClassAgreement, ...], *, name: str, caption: str) -> TableView:
    """Return the statistics of each class against the rest."""
    rows = []
    for c in classes:
        head = speak(shorten(c.name))
        if not c.comparable:
            rows.append(cells(head, (str(c.reference_epochs), c.reference_epochs), _NO_LABEL, *[DASH] * 6))
            continue
        values = (c.sensitivity, c.specificity, c.ppv, c.npv, c.f1, c.kappa)
        rows.append(
            cells(
                head,
                (str(c.reference_epochs), c.reference_epochs),
                (str(c.device_epochs), c.device_epochs),
                *[_number(v, 2) for v in values],
            )
        )
    header = (
        "class", "reference epochs", "device epochs", "sensitivity", "specificity", "PPV", "NPV", "F1", "kappa",
    )  # fmt: skip
    return TableView(name, caption, header, tuple(rows))


def _others(night: NightAgreement) -> list[Block]:
    rows = tuple(
        cells(
            shorten(m.mapping.name),
            (str(m.table.n), m.table.n),
            _number(m.table.accuracy),
            _number(m.table.kappa.value),
            interval_text(m.table.kappa.low, m.table.kappa.high),
            interval_text(m.block_low, m.block_high),
        )
        for m in night.others
    )
    name = say_level(night.level)
    header = ("mapping", "epochs", "accuracy", "kappa", f"{name} if epochs were independent", f"{name} by blocks")
    return [
        Heading("Mappings that have a kappa"),
        TableView("others", "The same night under mappings that the device can fill", header, rows),
        Items(tuple(f"{m.mapping.name}: {printable(m.mapping.assumption)}" for m in night.others)),
    ]


# --- measures, redistribution, bias -----------------------------------------------------------------------


def _measures(night: NightAgreement) -> Section:
    rows = tuple(_measure_row(pair) for pair in night.measures)
    table = TableView(
        "measures-table",
        "Sleep measures from epochs scored on both sides; difference = device − reference",
        ("measure", "unit", "reference", "device", "difference", "remark"),
        rows,
        left=2,
        words=(5,),
        sortable=True,
    )
    footnote = Words(night.uncounted) if night.uncounted else None
    return Section("measures", "Sleep measures", some((table, footnote)))


def _measure_row(pair: MeasurePair) -> tuple[Cell, ...]:
    digits = 0 if pair.unit == "count" else 1
    known = None if math.isnan(pair.difference) else pair.difference
    return cells(
        shorten(speak_measure(pair.measure)),
        pair.unit,
        _number(pair.reference, digits),
        _number(pair.device, digits),
        (signed(pair.difference, digits), known),
        pair.undefined_because,
    )


def _redistribution(night: NightAgreement) -> Section | None:
    if not night.redistribution:
        return None
    stages = [speak(traced.stage) for traced in night.redistribution]
    blocks: list[Block] = []
    with_epochs = [t for t in night.redistribution if t.epochs]
    if with_epochs:
        blocks.append(
            beside(_redistribution_figure(night, with_epochs), [_share_table(t, night.level) for t in with_epochs])
        )
    for traced in night.redistribution:
        blocks.append(_when_table(traced) or _no_epoch(traced))
    return Section("redistribution", f"Where {join_words(stages)} went", tuple(blocks))


def _redistribution_figure(night: NightAgreement, traced: list[Redistribution]) -> FigureView:
    how = "by resampling blocks of 15 min" if night.resamples else "by Wilson's formula, epochs taken as independent"
    said = "; ".join(
        f"{speak(t.stage)}, {t.minutes:.1f} min: "
        + ", ".join(f"{100 * d.share:.0f} % ({d.minutes:.1f} min) as {speak(d.name)}" for d in t.to)
        for t in traced
    )
    return figure_view(
        draw_redistribution(traced),
        name="unreported",
        title="Where the epochs went that the device has no label for",
        description=f"{said}.",
        caption=f"Shares of the epochs that the device has no label for, with {say_level(night.level)} {how}.",
    )


def _no_epoch(traced: Redistribution) -> Words:
    return Words(f"The reference scored no {speak(traced.stage)} that the device staged, too.")


def _share_table(traced: Redistribution, level: float) -> TableView:
    rows = tuple(
        cells(
            speak(shorten(d.name)),
            (f"{d.minutes:.1f}", d.minutes),
            (f"{100 * d.share:.1f} %", d.share),
            _per_cent_interval(d.low, d.high),
            _per_cent_interval(d.block_low, d.block_high),
            f"{100 * d.share_of_class:.1f} %" if not math.isnan(d.share_of_class) else DASH,
        )
        for d in traced.to
    )
    interval = say_level(level)
    header = ("taken as", "min", "share", f"{interval} (Wilson)", f"{interval} by blocks", "part of class")
    caption = f"{traced.minutes:.1f} min of {speak(traced.stage)} that the device has no label for"
    return TableView(f"went-{traced.stage}", caption, header, rows)


def _when_table(traced: Redistribution) -> TableView | None:
    """Return the minutes of a stage by third of the window and by episode; None without an epoch."""
    if not traced.epochs:
        return None
    words = ("first", "middle", "last")[: len(traced.thirds)]
    parts = [(f"{word} third of the window", dict(t)) for word, t in zip(words, traced.thirds, strict=True)]
    parts += [(f"episode {i}, {e.epochs / 2:.1f} min", dict(e.to)) for i, e in enumerate(traced.episodes, start=1)]
    names = [d.name for d in traced.to]
    rows = tuple(
        cells(word, *[(f"{counts.get(n, 0) / 2:.1f}", counts.get(n, 0)) for n in names]) for word, counts in parts
    )
    caption = f"Minutes of {speak(traced.stage)} by part of the night"
    return TableView(f"when-{traced.stage}", caption, ("when", *(speak(shorten(n)) for n in names)), rows)


def _per_cent_interval(low: float, high: float) -> str:
    return DASH if math.isnan(low) else f"{100 * low:.0f} to {100 * high:.0f} %"


def _bias_sources(night: NightAgreement) -> Section:
    lines = []
    unsaid = join_words([speak(c) for c in night.mappings[0].table.unreported])
    for source in night.bias_sources:
        text = source.sentence()
        if not math.isnan(source.without_unreported_min):
            text += (
                f"; without {unsaid} epochs {signed(source.without_unreported_min)} min; with {unsaid} counted as "
                f"{speak(source.returned_to)} {signed(source.returned_min)} min"
            )
        lines.append(printable(text))
    drawing = figure_view(
        draw_bias_sources(night.bias_sources),
        name="sources",
        title="What the bias of each class is made of",
        description="; ".join(source.sentence() for source in night.bias_sources) + ".",
        caption=(
            "Minutes that the device gained from (filled) and lost to (hollow) each other class; the last step of each "
            "class is its bias. The steps add up exactly."
        ),
    )
    return Section("sources-of-bias", "Where each bias comes from", (beside(drawing, Items(tuple(lines))),))


# --- time -------------------------------------------------------------------------------------------------


def _time(night: NightAgreement) -> Section | None:
    found = night.disagreement
    if found is None:
        return None
    runs = found.runs
    blocks: list[Block | None] = []
    if runs.count:
        begin = night.paired.epoch_start(runs.longest_from)
        where = f", from {begin:%H:%M:%S}" if begin else ""
        noun = "run" if runs.count == 1 else "runs"
        blocks.append(
            Words(
                f"{runs.count} {noun} of disagreement, mean {runs.mean_length / 2:.1f} min, longest "
                f"{runs.longest / 2:.1f} min{where}. {runs_sentence(runs)}"
            )
        )
    else:
        blocks.append(Words("No epoch disagrees."))
    blocks += [
        beside(*_time_figures(found)),
        _near_table(found),
        _seen_table(found, night.unsaid),
        _following_table(found, night.unsaid),
        Words(
            f"Changes of class per hour: reference {found.reference_transitions_per_h:.1f}, device "
            f"{found.device_transitions_per_h:.1f}."
        ),
    ]
    return Section("time", "Disagreement in time", some(blocks))


def _time_figures(found: Disagreement) -> list[FigureView]:
    parts = found.hours or found.thirds
    said = ", ".join(f"{part.part}: {100 * part.agreement:.0f} % of {part.epochs}" for part in parts if part.epochs)
    of = "hour of the clock" if found.hours else "third of the night"
    views = [
        figure_view(
            draw_agreement_by_hour(parts),
            name="hours",
            title=f"Agreement by {of}",
            description=f"Epochs that agree, by {of}: {said}.",
            caption=f"Share of epochs that agree, by {of}. A hollow mark rests on less than half an hour.",
        )
    ]
    if found.runs.count:
        lengths = ", ".join(f"{count} of {length / 2:g} min" for length, count in found.runs.lengths)
        views.append(
            figure_view(
                draw_run_lengths(found.runs),
                name="runs",
                title="Length of runs of disagreement",
                description=(
                    f"{found.runs.count} runs, {found.runs.expected_count:.0f} expected if errors were scattered; "
                    f"found: {lengths}."
                ),
                caption=(
                    "Minutes of disagreement in short and in long runs, beside as many errors scattered at random (a "
                    "geometric law with the expected mean length)."
                ),
            )
        )
    return views


def _near_table(found: Disagreement) -> TableView | None:
    rows = tuple(
        cells(
            f"within {n.within_epochs} epoch{'s' if n.within_epochs > 1 else ''}",
            (f"{100 * n.share_of_disagreement:.0f} %", n.share_of_disagreement),
            (f"{100 * n.share_of_epochs:.0f} %", n.share_of_epochs),
        )
        for n in found.near_transitions
        if not math.isnan(n.share_of_disagreement)
    )
    if not rows:
        return None
    header = ("of a change in the reference", "of the disagreement", "of all epochs")
    return TableView("near", "Disagreement close to changes of stage in the reference", header, rows)


def _seen_table(found: Disagreement, unsaid: tuple[str, ...]) -> TableView | None:
    lengths = list(dict.fromkeys((b.from_min, b.to_min) for b in found.seen))
    header = ("class", *(_length_words(*length) for length in lengths))
    rows = []
    for name in found.classes:
        row = [next((b for b in found.seen if b.name == name and b.from_min == low), None) for low, _ in lengths]
        if not any(b is not None and b.bouts for b in row):
            continue
        shown: list[str | tuple[str, float | None]] = [
            (f"{b.seen} of {b.bouts}", b.share) if b is not None and b.bouts else (DASH, None) for b in row
        ]
        if name in unsaid:
            shown = [f"{_NO_LABEL} ({b.bouts})" if b is not None and b.bouts else DASH for b in row]
        rows.append(cells(speak(shorten(name)), *shown))
    if not rows:
        return None
    caption = "Bouts of the reference that the device saw, by length of the bout"
    return TableView("seen", caption, header, tuple(rows))


def _length_words(low: float, high: float) -> str:
    return f"{low:g} min and more" if math.isinf(high) else f"{low:g} to under {high:g} min"


def _following_table(found: Disagreement, unsaid: tuple[str, ...]) -> TableView | None:
    rows = tuple(
        cells(
            f"{speak(shorten(f.before))} to {speak(shorten(f.after))}",
            (str(f.transitions), f.transitions),
            *(
                (_NO_LABEL, *[DASH] * 3)
                if f.after in unsaid
                else (
                    (str(f.followed), f.followed),
                    (str(f.already_there), f.already_there),
                    (str(f.never), f.never),
                    (signed(f.median_min), None if math.isnan(f.median_min) else f.median_min),
                )
            ),
        )
        for f in found.following
    )
    if not rows:
        return None
    header = ("change in the reference", "times", "followed", "was there already", "never", "median delay (min)")
    caption = "How the device follows the changes of the reference; a negative delay means that it came first"
    return TableView("following", caption, header, rows, sortable=True)
