"""A night under several mappings, and tables of text, as lines of at most 80 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.words import DASH, figure, from_moment_to, interval, plain, signed, speak
from sleepagree.errors import counted, printable
from sleepagree.hypnogram.align import PairedNight, Side
from sleepagree.night.mappings import ComparedMapping, MappingComparison
from sleepagree.render.columns import WIDTH, columns_of, cut, fitting_letters, to_left, to_right, wrap
from sleepagree.scoring.table_agreement import ClassAgreement


def show_file_name(side: Side, width: int) -> str:
    """Return the name of a file in at most ``width`` columns; a long one loses its middle, not its end."""
    name = plain(side.origin.name) or "data in memory"
    if columns_of(name) <= width:
        return name
    tail = name[len(name) - fitting_letters(name[::-1], width // 2) :]
    return cut(name, width - columns_of(tail)) + tail


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
    begin, end = paired.begin, paired.epoch_start(paired.status.size)
    span = f", {from_moment_to(begin, end)}" if begin and end else ""
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
        interval(scored.block_low, scored.block_high, 2) if table.kappa.defined else DASH,
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
