"""Results as lines of text that a person reads at a glance at 80 columns."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sleepagree.agreement import ClassAgreement
from sleepagree.disagreement import Runs
from sleepagree.errors import counted, printable, shorten
from sleepagree.mapping_comparison import ComparedMapping, MappingComparison
from sleepagree.night import MappingAgreement, NightAgreement
from sleepagree.pairing import PairedNight, Side
from sleepagree.redistribution import Redistribution, speak

WIDTH: Final = 80
DASH: Final = "–"
_NO_INTERVAL: Final = "none"


def figure(value: float, digits: int = 2) -> str:
    """Return a number with fixed digits, or a dash where it is undefined."""
    if math.isnan(value):
        return DASH
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def signed(value: float, digits: int = 1) -> str:
    """Return a difference with its sign, or a dash."""
    if math.isnan(value):
        return DASH
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def columns_of(text: str) -> int:
    """Return how many columns of a terminal a text takes: wide letters take two, combining marks none."""
    if text.isascii():
        return len(text)
    return sum(_column_width(c) for c in text)


def _column_width(character: str) -> int:
    if unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def _head(text: str, width: int) -> int:
    """Return how many characters from the beginning fit in ``width`` columns."""
    used = 0
    for i, character in enumerate(text):
        used += _column_width(character)
        if used > width:
            return i
    return len(text)


def cut(text: str, width: int) -> str:
    """Return printable text of at most ``width`` columns, with an ellipsis where it was cut."""
    text = printable(text)
    return text if columns_of(text) <= width else text[: _head(text, width - 1)] + "…"


def to_left(text: str, width: int) -> str:
    """Return text padded on the right to ``width`` columns."""
    return text + " " * (width - columns_of(text))


def to_right(text: str, width: int) -> str:
    """Return text padded on the left to ``width`` columns."""
    return " " * (width - columns_of(text)) + text


def wrap(text: str, *, indent: str = "  ", hang: str = "  ", width: int = WIDTH) -> list[str]:
    """Return printable text as a paragraph wrapped at a number of columns; words too long are broken."""
    lines: list[str] = []
    line, is_empty = indent, True
    for word in printable(" ".join(text.split())).split():
        rest = word
        while rest:
            gap = "" if is_empty else " "
            room = width - columns_of(line + gap)
            if columns_of(rest) <= room:
                line, rest, is_empty = line + gap + rest, "", False
                continue
            if is_empty:
                fits = max(1, _head(rest, room))
                line, rest = line + rest[:fits], rest[fits:]
            lines.append(line)
            line, is_empty = hang, True
    return lines if is_empty else [*lines, line]


def show_duration(epochs: int) -> str:
    """Return minutes of epochs as hours and minutes."""
    minutes = epochs / 2
    return f"{int(minutes // 60)} h {minutes % 60:04.1f} min" if minutes >= 60 else f"{minutes:.1f} min"


def show_moment(value: datetime | None) -> str:
    """Return a clock time as a person writes it; the offset where there is one."""
    if value is None:
        return "no clock"
    offset = f" {value:%z}" if value.tzinfo is not None else ""
    return f"{value:%Y-%m-%d %H:%M:%S}{offset}"


def night_lines(night: NightAgreement) -> list[str]:
    """Return the report of one night, in the order of the page."""
    blocks = [
        _compared(night),
        _ledger(night.paired),
        *[_mapping(m, night.level) for m in night.mappings],
        _others(night),
        _measures(night),
        *[_redistribution(r, night.level) for r in night.redistribution],
        _bias_sources(night),
        _time(night),
    ]
    lines: list[str] = []
    for block in blocks:
        if block:
            lines += [*block, ""]
    return lines[:-1]


def _compared(night: NightAgreement) -> list[str]:
    paired = night.paired
    span = _span(paired) or f"{paired.begin_s:.0f} s to {paired.end_s:.0f} s after the reference's start"
    offset, size = paired.clock_offset_s, int(paired.status.size)
    return [
        "WHAT WAS COMPARED",
        *_side_lines("reference", paired.reference_side),
        *_side_lines("device", paired.device_side),
        f"  window     {span}",
        f"             {counted(size, 'epoch')}, {show_duration(size)}; rule: {paired.rule}",
        f"  clock      {f'{offset:+g} s added to device times' if offset else 'as the files tell it'}",
        *wrap(f"device can report {', '.join(_device_words(paired))}", hang="    "),
    ]


def _span(paired: PairedNight) -> str:
    """Return the window by the clock, "" without one; a window of a day or more needs the date of its end, too."""
    begin, end = paired.begin, paired.epoch_start(paired.status.size)
    if begin is None or end is None:
        return ""
    is_long = paired.end_s - paired.begin_s >= 86_400
    return f"{show_moment(begin)} to {show_moment(end) if is_long else format(end, '%H:%M:%S')}"


def _device_words(paired: PairedNight) -> list[str]:
    coarse = {"light", "light-or-rem"} & set(paired.device_set.reportable)
    words = {"W": "wake", "R": "REM", **({"N3": "deep"} if coarse else {})}
    return [words.get(stage, shorten(stage)) for stage in paired.device_set.reportable]


def _side_lines(name: str, side: Side) -> list[str]:
    source = f"{side.epoch_s:g} s" if side.epoch_s else "intervals"
    begins = "elapsed time, no clock" if side.start is None else f"from {show_moment(side.start)}"
    told = f"{begins}, {counted(side.epochs, 'epoch')} of 30 s (source: {source})"
    return [
        f"  {name:<10} {show_file_name(side, WIDTH - 13)}",
        *wrap(told, indent=" " * 13, hang=" " * 15),
    ]


def show_file_name(side: Side, width: int) -> str:
    """Return the name of a file in at most ``width`` columns; a long one loses its middle, not its end."""
    name = printable(side.origin.name) or "data in memory"
    if columns_of(name) <= width:
        return name
    tail = name[len(name) - _head(name[::-1], width // 2) :]
    return cut(name, width - columns_of(tail)) + tail


def _ledger(paired: PairedNight) -> list[str]:
    ledger = paired.ledger
    lines = [
        "EVERY EPOCH OF THE WINDOW",
        f"  {'scored on both sides':<24}{_of(ledger.scored, ledger.window_epochs)}",
    ]
    lines += [
        f"  {word.replace('_', ' '):<24}{_of(count, ledger.window_epochs)}" for word, count in ledger.excluded if count
    ]
    lines.append(f"  {'total':<24}{_of(ledger.window_epochs, ledger.window_epochs)}")
    lines += wrap(
        f"outside the window: {counted(ledger.outside_reference, 'epoch')} of the reference, {ledger.outside_device} "
        "of the device",
        hang="    ",
    )
    for side, labels in (("reference", ledger.reference_labels), ("device", ledger.device_labels)):
        listing = ", ".join(f"{shorten(label)} ({count})" for label, count in labels)
        lines += wrap(f"{side} labels: {listing}", hang="    ")
    for note in ledger.notes:
        lines += wrap(f"note: {note}", hang="    ")
    return lines


def _of(part: int, whole: int) -> str:
    return f"{part:>6}  {100 * part / whole:>5.1f} %"


def _mapping(scored: MappingAgreement, level: float) -> list[str]:
    mapping, table = scored.mapping, scored.table
    lines = [f"AGREEMENT under '{cut(mapping.name, WIDTH - 18)}'", *wrap(mapping.assumption), ""]
    lines += confusion_lines(scored)
    lines += ["", *_agreement_lines(scored, level), ""]
    lines.append(f"  {'class':<10}{'sensitivity':>12}{'specificity':>12}{'PPV':>8}{'NPV':>8}{'F1':>8}{'kappa':>8}")
    for c in table.classes:
        name = to_left(cut(speak(c.name), 9), 10)
        if not c.comparable:
            lines.append(f"  {name}  the device cannot report it ({counted(c.reference_epochs, 'reference epoch')})")
            continue
        lines.append(
            f"  {name}{figure(c.sensitivity):>12}{figure(c.specificity):>12}{figure(c.ppv):>8}"
            f"{figure(c.npv):>8}{figure(c.f1):>8}{figure(c.kappa):>8}"
        )
    return lines


def _others(night: NightAgreement) -> list[str]:
    if not night.others:
        return []
    lines = ["KAPPA UNDER OTHER MAPPINGS (the first two of several: see 'sleepagree mappings')"]
    for scored in night.others:
        kappa, n = scored.table.kappa, scored.table.n
        lines.append(
            f"  {scored.mapping.name:<14}{figure(kappa.value, 3)}  ({_interval(scored.block_low, scored.block_high)} "
            f"by blocks), accuracy {figure(scored.table.accuracy, 3)} of {n}"
        )
    return lines


def confusion_lines(scored: MappingAgreement) -> list[str]:
    """Return the matrix: epochs and share of the row, rows reference, columns device."""
    counts, names = scored.counts, scored.mapping.device_classes
    label, corner = (17, "epochs, % of row") if len(names) <= 4 else (11, "epochs, %")
    room = WIDTH - 2 - label - 7
    width = max(11, min(14, room // len(names)))
    lines = ["  rows: reference   columns: device"]
    # more classes than fit side by side stand below each other
    for first in range(0, len(names), room // width):
        shown = range(first, min(first + room // width, len(names)))
        last = shown.stop == len(names)
        head = "".join(to_right(cut(speak(names[j]), width - 1), width) for j in shown)
        lines.append(f"  {corner:<{label}}{head}" + (f"{'total':>7}" if last else ""))
        for i, name in enumerate(scored.mapping.reference_classes):
            total = int(counts[i].sum())
            cells = "".join(f"{_cell(int(counts[i, j]), total):>{width}}" for j in shown)
            tail = f"{total:>7}" if last else ""
            lines.append(f"  {to_left(cut(speak(name), label - 1), label)}{cells}{tail}")
        sums = "".join(f"{f'{int(counts[:, j].sum())}      ':>{width}}" for j in shown)
        lines.append((f"  {'total':<{label}}{sums}" + (f"{int(counts.sum()):>7}" if last else "")).rstrip())
    return lines


def _cell(n: int, total: int) -> str:
    return f"{n} {100 * n / total:>3.0f} %" if total else f"{n}   {DASH} %"


def _agreement_lines(scored: MappingAgreement, level: float) -> list[str]:
    table, ceiling = scored.table, scored.ceiling
    left = f"; {scored.left_out} left out by the mapping" if scored.left_out else ""
    lines = [f"  accuracy {figure(table.accuracy, 3)} of {counted(table.n, 'epoch')}{left}"]
    kappa = table.kappa
    if kappa.defined:
        alone = _interval(kappa.low, kappa.high)
        lines.append(
            f"  kappa {figure(kappa.value, 3)}, "
            + (
                "no interval for epochs taken as independent,"
                if alone == _NO_INTERVAL
                else f"{100 * level:g} % interval {alone} if epochs were independent,"
            )
        )
        blocks = _interval(scored.block_low, scored.block_high)
        lines.append(
            "        no interval by resampling blocks"
            if blocks == _NO_INTERVAL
            else f"        {blocks} resampling blocks of 15 min on average"
        )
        lines.append(
            f"  PABAK {figure(table.pabak)}   AC1 {figure(table.ac1)}   MCC {figure(table.mcc)}   balanced accuracy "
            f"{figure(table.balanced_accuracy)}"
        )
    else:
        lines += wrap(f"kappa {DASH}: {kappa.undefined_because}", hang="    ")
    if not math.isnan(ceiling.accuracy) and ceiling.accuracy < 1:
        best = f"{figure(ceiling.accuracy, 3)} accuracy, {figure(ceiling.kappa, 3)} kappa"
        share = f"{100 * table.accuracy / ceiling.accuracy:.0f} %" if ceiling.accuracy else DASH
        lines += wrap(
            f"The best any device with these labels could reach on this night: {best}; this device reaches {share} "
            "of that accuracy.",
            hang="  ",
        )
    return lines


def _interval(low: float, high: float, digits: int = 3) -> str:
    if math.isnan(low) or math.isnan(high):
        return _NO_INTERVAL
    return f"{low:.{digits}f} to {high:.{digits}f}"


def _measures(night: NightAgreement) -> list[str]:
    lines = [
        "SLEEP MEASURES (epochs scored on both sides; difference = device - reference)",
        f"  {'':<20}{'reference':>10}{'device':>10}{'difference':>12}",
    ]
    for pair in night.measures:
        unit = {"min": "min", "%": "%", "count": ""}.get(pair.unit, pair.unit)
        digits = 0 if pair.unit == "count" else 1
        difference = signed(pair.difference, digits)
        why = f"  {pair.undefined_because}" if pair.undefined_because else ""
        name = to_left(cut(speak_measure(pair.measure), 19), 20)
        values = f"{figure(pair.reference, digits):>10}{figure(pair.device, digits):>10}"
        lines.append(f"  {name}{values}" + (why or f"{difference:>12} {unit}".rstrip()))
    return lines + (wrap(night.uncounted, hang="    ") if night.uncounted else [])


def speak_measure(name: str) -> str:
    """Return a measure's name with REM in capitals."""
    head, _, tail = name.partition(" ")
    return f"{head} {speak(tail)}" if head in ("minutes", "percent") else name


def _redistribution(traced: Redistribution, level: float) -> list[str]:
    stage = speak(traced.stage)
    if not traced.epochs:
        return [f"WHERE {stage} WENT", f"  The reference scored no {stage} that the device staged, too."]
    lines = [
        f"WHERE {stage} WENT: {traced.minutes:.1f} min that the device has no label for",
        f"  {'taken as':<11}{'min':>7}{'share':>9}{f'{100 * level:g} % interval':>20}"
        f"{'by blocks':>16}{'part of class':>15}",
    ]
    for d in traced.to:
        lines.append(
            f"  {to_left(cut(speak(d.name), 10), 11)}{d.minutes:>7.1f}{100 * d.share:>7.1f} %"
            f"{_percents(d.low, d.high):>20}{_percents(d.block_low, d.block_high):>16}{_percent(d.share_of_class):>15}"
        )
    if traced.epochs:
        shares = "; ".join(
            ", ".join(f"{cut(speak(n), 10)} {c / 2:.1f}" for n, c in third if c) or "none" for third in traced.thirds
        )
        lines += wrap(f"by third of the window, min: {shares}", hang="    ")
    if traced.episodes:
        parts = "; ".join(
            f"{e.epochs / 2:.1f} min ({', '.join(f'{speak(n)} {c / 2:.1f}' for n, c in e.to if c)})"
            for e in traced.episodes
        )
        lines += wrap(f"by episode: {parts}", hang="    ")
    return lines


def _percents(low: float, high: float) -> str:
    return DASH if math.isnan(low) else f"{100 * low:.0f} to {100 * high:.0f} %"


def _percent(value: float) -> str:
    return DASH if math.isnan(value) else f"{100 * value:.1f} %"


def _bias_sources(night: NightAgreement) -> list[str]:
    lines = ["WHERE EACH BIAS COMES FROM"]
    for source in night.bias_sources:
        lines += wrap(source.sentence(), hang="      ")
        if not math.isnan(source.without_unreported_min):
            unsaid = " and ".join(speak(c) for c in night.mappings[0].table.unreported)
            lines += wrap(
                f"without {unsaid} epochs {signed(source.without_unreported_min)} min; with {unsaid} counted as "
                f"{speak(source.returned_to)} {signed(source.returned_min)} min",
                indent="      ",
                hang="      ",
            )
    return lines


def runs_sentence(runs: Runs) -> str:
    """Return whether errors come in runs, against the same number scattered within each stage."""
    if math.isnan(runs.z):
        return "The number of runs could not have been other."
    scattered = f"scattered errors would make {runs.expected_count:.0f} runs of {runs.expected_mean_length / 2:.1f} min"
    # two-sided 5 % either way: what is said in words should not rest on a coin toss
    if runs.z < -1.96:
        return f"Errors come in runs: {scattered} (z = {runs.z:.1f})."
    if runs.z > 1.96:
        return f"Errors are more broken up than chance: {scattered} (z = {runs.z:.1f})."
    return f"Errors are about as scattered as chance: {scattered} (z = {runs.z:.1f})."


def _time(night: NightAgreement) -> list[str]:
    found = night.disagreement
    if found is None:
        return []
    runs = found.runs
    lines = ["DISAGREEMENT IN TIME"]
    if runs.count:
        longest = f"{runs.longest / 2:.1f} min"
        begin = night.paired.epoch_start(runs.longest_from)
        where = f", from {begin:%H:%M:%S}" if begin else ""
        lines += wrap(
            f"{counted(runs.count, 'run')} of disagreement, mean {runs.mean_length / 2:.1f} min, longest "
            f"{longest}{where}. " + runs_sentence(runs),
            hang="  ",
        )
    else:
        lines.append("  no epoch disagrees")
    near = "; ".join(
        f"{100 * n.share_of_disagreement:.0f} % lies within {n.within_epochs} "
        f"epoch{'s' if n.within_epochs > 1 else ''} of a change in the reference (those epochs are "
        f"{100 * n.share_of_epochs:.0f} % of all)"
        for n in found.near_transitions
        if not math.isnan(n.share_of_disagreement)
    )
    if near:
        lines += wrap("Of the disagreement, " + near + ".", hang="  ")
    thirds = ", ".join(f"{figure(part.agreement, 2)}" for part in found.thirds)
    lines.append(f"  agreement by third of the window: {thirds}")
    lines.append(
        f"  changes of class per hour: reference {found.reference_transitions_per_h:.1f}, device "
        f"{found.device_transitions_per_h:.1f}"
    )
    return lines


def mappings_lines(comparison: MappingComparison) -> list[str]:
    """Return a night under several mappings, within 80 columns."""
    level = f"{100 * comparison.night.level:g} %"
    header = ("mapping", "classes", "epochs", "accuracy", "kappa", f"{level} by blocks")
    rows = [_mapping_row(compared) for compared in comparison.mappings]
    table = table_lines(header, rows)
    marks = [False, *(compared.declared for compared in comparison.mappings)]
    lines = [
        "AGREEMENT UNDER EVERY MAPPING THAT FITS",
        *_hanging(_what_was_compared(comparison.night.paired)),
        "",
        *("* " + line[2:] if mark else line for line, mark in zip(table, marks, strict=True)),
        "",
        *_hanging(_legend(comparison)),
    ]
    for text in _ceilings(comparison):
        lines += _hanging(text)
    sizes = {len(c.scored.mapping.reference_classes) for c in comparison.mappings}
    if len(sizes) > 1:
        lines += _hanging(
            "Kappas at different numbers of classes cannot be compared with each other: merging "
            "classes never lowers accuracy, but it can lower kappa."
        )
    lines += _hanging(
        "Always saying the commonest class would have an accuracy of "
        + "; ".join(f"{figure(accuracy, 3)} ({', '.join(names)})" for accuracy, names in _commonest(comparison).items())
        + "; its kappa is 0 by definition."
    )
    lines += ["", "BY CLASS: sensitivity, F1, and bias in minutes (device - reference)"]
    lines += _class_table(comparison)
    lines += ["", "WHAT EACH MAPPING TAKES FOR GRANTED"]
    for compared in comparison.mappings:
        mark = " (declared beforehand)" if compared.declared else ""
        lines += _hanging(f"{compared.scored.mapping.name}{mark}: {compared.scored.mapping.assumption}")
    return lines


def _what_was_compared(paired: PairedNight) -> str:
    names = show_file_name(paired.device_side, WIDTH), show_file_name(paired.reference_side, WIDTH)
    span = f", {_span(paired)}" if paired.begin else ""
    scored = f"{paired.ledger.scored} of {counted(paired.ledger.window_epochs, 'epoch')} scored on both sides"
    return f"{names[0]} against {names[1]}{span}; {scored}"


def _legend(comparison: MappingComparison) -> str:
    text = (
        "epochs: kept by the mapping of those that both sides staged; blocks: kappa's interval by resampling blocks of "
        "epochs"
    )
    return text + ("; *: declared beforehand." if any(c.declared for c in comparison.mappings) else ".")


def _ceilings(comparison: MappingComparison) -> list[str]:
    """Say what the labels allow, where that is less than full agreement."""
    out = []
    for compared in comparison.mappings:
        ceiling = compared.scored.ceiling
        if math.isnan(ceiling.accuracy) or ceiling.accuracy >= 1:
            continue
        share = compared.share_of_ceiling[0]
        reached = "" if math.isnan(share) else f"; this one reaches {100 * share:.0f} % of that accuracy"
        out.append(
            f"{compared.scored.mapping.name}: no device with these labels could have come above accuracy "
            f"{figure(ceiling.accuracy, 3)}, kappa {figure(ceiling.kappa, 3)}, on this night (the ceiling){reached}."
        )
    return out


def _hanging(text: str) -> list[str]:
    return wrap(text, hang="    ")


def _commonest(comparison: MappingComparison) -> dict[float, list[str]]:
    out: dict[float, list[str]] = {}
    for compared in comparison.mappings:
        out.setdefault(round(compared.commonest_accuracy, 3), []).append(compared.scored.mapping.name)
    return out


def _mapping_row(compared: ComparedMapping) -> tuple[str, ...]:
    scored, table = compared.scored, compared.scored.table
    classes = f"{len(scored.mapping.reference_classes)}"
    if not scored.mapping.is_square:
        classes = f"{len(scored.mapping.reference_classes)} by {len(scored.mapping.device_classes)}"
    return (
        cut(scored.mapping.name, 19),
        classes,
        f"{table.n}/{table.n + scored.left_out}",
        figure(table.accuracy, 3),
        figure(table.kappa.value, 3),
        _interval(scored.block_low, scored.block_high, 2) if table.kappa.defined else DASH,
    )


_CLASSES_ABREAST: Final = 3


def _class_table(comparison: MappingComparison) -> list[str]:
    """Return the classes of all mappings, a few side by side; mappings without any of them are not named there."""
    names = list(dict.fromkeys(n for c in comparison.mappings for n in c.scored.mapping.reference_classes))
    cells: dict[str, list[str]] = {name: [] for name in names}
    for compared in comparison.mappings:
        by_class = {c.name: c for c in compared.scored.table.classes}
        bias = {source.name: source.bias_min for source in compared.bias}
        for name in names:
            cells[name].append(_class_cell(by_class.get(name), bias.get(name, math.nan)))
    lines: list[str] = []
    for first in range(0, len(names), _CLASSES_ABREAST):
        shown = names[first : first + _CLASSES_ABREAST]
        rows = [
            (cut(compared.scored.mapping.name, 19), *(cells[name][i] for name in shown))
            for i, compared in enumerate(comparison.mappings)
            if any(cells[name][i] for name in shown)
        ]
        lines += table_lines(("mapping", *(cut(speak(n), 17) for n in shown)), rows)
    return lines


def _class_cell(agreement: ClassAgreement | None, bias_min: float) -> str:
    if agreement is None:
        return ""
    if not agreement.comparable:
        return "no label"
    return f"{figure(agreement.sensitivity)} {figure(agreement.f1)} {signed(bias_min):>6}"


def table_lines(header: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> list[str]:
    """Return a plain table: the first ``left`` columns to the left, the others to the right."""
    rows = [[printable(cell) for cell in row] for row in (header, *rows)]
    widths = [max(columns_of(row[i]) for row in rows) for i in range(len(header))]
    out = []
    for row in rows:
        cells = [
            to_left(c, w) if i < left else to_right(c, w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        out.append("  " + "  ".join(cells).rstrip())
    return out
