"""A night under several mappings in words: a table of all of them, what they allow and what they take for granted."""

from __future__ import annotations

import math

from sleepagree.describe.blocks import Cell, Description, Items, Table, Told, section, sections_of, table, tabulate
from sleepagree.describe.paragraphs import name_of_side, say_kappa_beside_ceiling, say_span
from sleepagree.describe.words import DASH, WHEN_ANSWERS_LAST, figure, interval, percent, plain, say_class, signed
from sleepagree.errors import counted, shorten
from sleepagree.hypnogram.align import PairedNight
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.compare import MappingAgreement
from sleepagree.night.mappings import ComparedMapping, MappingComparison
from sleepagree.scoring.table_agreement import ClassAgreement


def describe_mappings(comparison: MappingComparison) -> Description:
    """Return everything that is said about a night under several mappings."""
    paired = comparison.night.paired
    device, reference = name_of_side(paired.device_side), name_of_side(paired.reference_side)
    compared = Items((f"{device} against {reference}{_what_was_compared(paired)}",))
    remarks = Items((_legend(comparison), *_ceilings(comparison), *_how_to_read(comparison)))
    answer = Items((_legend(comparison), *_how_to_read(comparison)))
    taken = Items(tuple(_assumption(compared) for compared in comparison.mappings))
    title = "Agreement under every mapping that fits"
    return Description(
        "sleepagree: one night under several mappings",
        f"{device} against {reference}",
        (),
        sections_of(
            section("agreement", title, compared, _mapping_table(comparison), remarks),
            section(
                "by-class",
                "By class",
                _class_table(comparison),
                detail=": sensitivity, F1, and bias in minutes (device - reference)",
            ),
            section("assumptions", "What each mapping takes for granted", taken),
        ),
        sections_of(section("answer", title, _mapping_table(comparison, "answer"), answer)),
        is_answer_part=True,
    )


def _what_was_compared(paired: PairedNight) -> str:
    span = say_span(paired)
    scored = f"{paired.ledger.scored} of {counted(paired.ledger.window_epochs, 'epoch')} scored on both sides"
    return f"{f', {span}' if span else ''}; {scored}"


def _mapping_table(comparison: MappingComparison, name: str = "mappings") -> Table:
    told: list[Told[ComparedMapping]] = [
        ("mapping", lambda c: Cell(shorten(c.scored.mapping.name), is_marked=c.declared)),
        ("classes", lambda c: _count_classes(c.scored.mapping)),
        (
            "epochs",
            lambda c: Cell.valued(f"{c.scored.table.n}/{c.scored.table.n + c.scored.left_out}", c.scored.table.n),
        ),
        ("accuracy", lambda c: Cell.number(c.scored.table.accuracy)),
        ("kappa", lambda c: Cell.number(c.scored.table.kappa.value)),
        (f"{100 * comparison.night.level:g} % {WHEN_ANSWERS_LAST}", lambda c: _interval_of_kappa(c.scored)),
    ]
    return tabulate(name, "", told, comparison.mappings)


def _count_classes(mapping: StageMapping) -> int | Cell:
    rows, said = len(mapping.reference_classes), len(mapping.device_classes)
    return rows if mapping.is_square else Cell.valued(f"{rows} by {said}", rows)


def _interval_of_kappa(scored: MappingAgreement) -> str:
    return interval(*scored.intervals.kappa[:2], 2) if scored.table.kappa.defined else DASH


def _legend(comparison: MappingComparison) -> str:
    tables = [(c.scored.table, c.scored.intervals.kappa.low) for c in comparison.mappings]
    lacks = any(table.kappa.defined and math.isnan(low) for table, low in tables)
    none = ", none where the sides differ in no epoch or one of them used one class only" if lacks else ""
    declared = "; *: declared beforehand" if any(c.declared for c in comparison.mappings) else ""
    return (
        "epochs: kept by the mapping of those that both sides staged; interval: of kappa, when answers last from epoch "
        f"to epoch{none}{declared}."
    )


def _ceilings(comparison: MappingComparison) -> list[str]:
    """Say what the labels allow, where that is less than full agreement."""
    said = []
    for compared in comparison.mappings:
        ceiling = compared.scored.ceiling
        if math.isnan(ceiling.accuracy) or ceiling.accuracy >= 1:
            continue
        share = compared.share_of_ceiling[0]
        reached = "" if math.isnan(share) else f"; this one reaches {percent(share)} of that accuracy"
        reached += say_kappa_beside_ceiling(compared.scored)
        said.append(
            f"{compared.scored.mapping.name}: no device with these labels could have come above accuracy "
            f"{figure(ceiling.accuracy, 3)}, kappa {figure(ceiling.kappa, 3)}, on this night (the ceiling){reached}."
        )
    return said


def _how_to_read(comparison: MappingComparison) -> list[str]:
    said = []
    if len({len(c.scored.mapping.reference_classes) for c in comparison.mappings}) > 1:
        said.append(
            "Kappas at different numbers of classes cannot be compared with each other: merging classes never lowers "
            "accuracy, but it can lower kappa."
        )
    commonest: dict[float, list[str]] = {}
    for compared in comparison.mappings:
        commonest.setdefault(round(compared.commonest_accuracy, 3), []).append(compared.scored.mapping.name)
    accuracies = "; ".join(f"{figure(accuracy, 3)} ({', '.join(names)})" for accuracy, names in commonest.items())
    said.append(
        f"Always saying the commonest class would have an accuracy of {accuracies}; its kappa is 0 by definition."
    )
    return said


def _class_table(comparison: MappingComparison) -> Table:
    names = list(dict.fromkeys(n for c in comparison.mappings for n in c.scored.mapping.reference_classes))
    rows = []
    for compared in comparison.mappings:
        by_class = {c.name: c for c in compared.scored.table.classes}
        bias = {source.name: source.bias_min for source in compared.bias}
        found = (_class_cell(by_class.get(name), bias.get(name, math.nan)) for name in names)
        rows.append((shorten(compared.scored.mapping.name), *found))
    return table("classes", "", ("mapping", *map(say_class, names)), rows)


def _class_cell(agreement: ClassAgreement | None, bias_min: float) -> str:
    if agreement is None:
        return ""
    if not agreement.comparable:
        return "no label"
    return f"{figure(agreement.sensitivity)} {figure(agreement.f1)} {signed(bias_min):>6}"


def _assumption(compared: ComparedMapping) -> str:
    mark = " (declared beforehand)" if compared.declared else ""
    return f"{plain(compared.scored.mapping.name)}{mark}: {plain(compared.scored.mapping.assumption)}"
