"""A plan of a study in words: what is assumed, half-widths of studies of several sizes, and the smallest study."""

from __future__ import annotations

import math
from decimal import Decimal

from sleepagree.describe.blocks import Cell, Description, Items, Paragraph, Section, table
from sleepagree.describe.words import DASH, join_words, say_level, say_measure, say_statistic
from sleepagree.errors import counted, shorten
from sleepagree.inference.planning import UPPER_CONFIDENCE, PlanGrid, SmallestStudy, VarianceComponents


def describe_plan(grid: PlanGrid) -> Description:
    """Return everything that is said about a plan."""
    names = [name for name, _ in grid.assumed]
    sections = [_assumed(grid), *(_half_widths(grid, name, serial) for serial, name in enumerate(names))]
    if grid.smallest:
        units = [" (log ratio)" if dict(grid.assumed)[s.statistic].of_log_ratios else "" for s in grid.smallest]
        wanted = Items(tuple(map(_smallest, grid.smallest, _at_bound(grid), units)))
        detail = " for what is wanted (fewest nights in all)"
        sections.append(Section("smallest", "Smallest study", (wanted,), detail=detail))
    closing = "Epochs are not subjects: more epochs do not narrow these intervals, more people do."
    sections.append(Section("subjects", "", (Paragraph(closing),)))
    return Description("sleepagree: a plan", join_words(map(say_statistic, names)), (), tuple(sections))


def _say_measured(name: str) -> str:
    """Return what a statistic is of: "limits TST" is of TST."""
    _, _, measure = name.partition(" ")
    return say_measure(measure or name)


def _digits(name: str, part: VarianceComponents) -> int:
    """Return the digits of a statistic's figures: kappa and logarithms of ratios are small."""
    return 3 if name == "kappa" or part.of_log_ratios else 1


def _assumed(grid: PlanGrid) -> Section:
    bounds = any(not math.isnan(part.between_sd_high) for _, part in grid.assumed)
    at_most = [f"at most ({100 * UPPER_CONFIDENCE:g} %)"] if bounds else []
    rows, sources = [], dict[str, dict[str, None]]()
    for name, part in grid.assumed:
        values = (part.between_sd, *([part.between_sd_high] if bounds else []), part.within_sd)
        rows.append((shorten(say_statistic(name)), *(Cell.number(value, _digits(name, part)) for value in values)))
        sources.setdefault(part.source, {})[_say_measured(name)] = None
    whose = {source: "" if len(sources) == 1 else f"{', '.join(names)}: " for source, names in sources.items()}
    told = ["as stated" if source == "stated" else f"{who}from {source}" for source, who in whose.items()]
    sds = table("sds", "", ("", "between people", *at_most, "within a person"), rows)
    detail = " (SD of a night's difference, or of its kappa)"
    return Section("assumed", "What is assumed", (sds, Items(tuple(told))), detail=detail)


def _half_widths(grid: PlanGrid, name: str, serial: int) -> Section:
    digits = _digits(name, dict(grid.assumed)[name])
    chance = "expected" if grid.assurance is None else f"not exceeded with probability {grid.assurance:g}"
    nights = list(dict.fromkeys(cell.nights for cell in grid.sizes))
    people = list(dict.fromkeys(cell.participants for cell in grid.sizes))
    found = {(cell.participants, cell.nights): dict(cell.half_widths)[name] for cell in grid.sizes}
    rows = ((str(p), *(Cell.number(found[p, n], digits) for n in nights)) for p in people)
    widths = table(f"half-widths-{serial}", "", ("participants", *(counted(n, "night") for n in nights)), rows)
    detail = f" of the {say_level(grid.level)} of {say_statistic(name)} ({chance})"
    return Section(f"half-width-{serial}", "Half-width", (widths,), detail=detail)


def _at_bound(grid: PlanGrid) -> list[SmallestStudy | None]:
    bound = grid.at_upper_bound
    by_statistic = {} if bound is None else {study.statistic: study for study in bound.smallest}
    return [by_statistic.get(study.statistic) for study in grid.smallest]


def _smallest(study: SmallestStudy, at_bound: SmallestStudy | None, unit: str) -> str:
    said = f"{say_statistic(study.statistic)} ± {_plain(study.wanted, 6)}{unit}: {_size(study)}"
    return f"{said}; with the SD between people at its upper bound: {_size(at_bound)}" if at_bound else said


def _size(study: SmallestStudy) -> str:
    if study.participants is None:
        return f"{DASH} {study.undefined_because}"
    reach = "" if math.isnan(study.half_width) else f" (reaches {_plain(study.half_width, 3)})"
    return f"{counted(study.participants, 'participant')} with {counted(study.nights, 'night')} each{reach}"


def _plain(value: float, digits: int) -> str:
    """Return a number of so many digits, and of more where it is larger, without a power of ten."""
    return f"{value:.0f}" if value >= 10**digits else format(Decimal(f"{value:.{digits}g}"), "f")
