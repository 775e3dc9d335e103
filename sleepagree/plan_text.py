"""A plan as lines of text."""

from __future__ import annotations

import math

from sleepagree.describe.words import DASH, figure
from sleepagree.errors import counted
from sleepagree.inference.planning import UPPER_CONFIDENCE, PlanGrid, SmallestStudy
from sleepagree.render.columns import columns_of, cut, wrap
from sleepagree.study.plan_request import has_small_numbers, speak_statistic
from sleepagree.text import table_lines


def plan_lines(grid: PlanGrid) -> list[str]:
    """Return the assumptions, a grid per statistic, and the smallest studies."""
    lines = _assumed(grid)
    for name, _ in grid.assumed:
        lines += ["", *_half_widths(grid, name)]
    if grid.smallest:
        lines += ["", "SMALLEST STUDY for what is wanted (fewest nights in all)"]
        at_bound = {} if grid.at_upper_bound is None else {s.statistic: s for s in grid.at_upper_bound.smallest}
        for study in grid.smallest:
            lines += wrap(f"{speak_statistic(study.statistic)} ± {study.wanted:g}: {_size(study)}", hang="    ")
            if study.statistic in at_bound:
                size = _size(at_bound[study.statistic])
                lines += wrap(f"with the SD between people at its upper bound: {size}", indent="    ", hang="    ")
    lines += [
        "",
        *wrap("Epochs are not subjects: more epochs do not narrow these intervals, more people do.", hang="  "),
    ]
    return lines


def _assumed(grid: PlanGrid) -> list[str]:
    lines = ["WHAT IS ASSUMED (SD of a night's difference, or of its kappa)"]
    bounds = any(not math.isnan(part.between_sd_high) for _, part in grid.assumed)
    header = ["", "between people", *([f"at most ({100 * UPPER_CONFIDENCE:g} %)"] if bounds else []), "within a person"]
    rows, sources = [], dict[str, list[str]]()
    for name, part in grid.assumed:
        digits = 3 if has_small_numbers(name, part) else 1
        high = [figure(part.between_sd_high, digits)] if bounds else []
        spoken = speak_statistic(name)
        rows.append((cut(spoken, 30), figure(part.between_sd, digits), *high, figure(part.within_sd, digits)))
        sources.setdefault(part.source, []).append(spoken)
    lines += table_lines(header, rows)
    for source, names in sources.items():
        said = f"from {source}" if len(sources) == 1 else f"{', '.join(names)}: from {source}"
        lines += wrap(said if source != "stated" else "as stated", hang="    ")
    return lines


def _half_widths(grid: PlanGrid, name: str) -> list[str]:
    digits = 3 if has_small_numbers(name, dict(grid.assumed)[name]) else 1
    chance = "expected" if grid.assurance is None else f"not exceeded with probability {grid.assurance:g}"
    title = f"HALF-WIDTH of the {100 * grid.level:g} % interval of {speak_statistic(name)} ({chance})"
    nights = list(dict.fromkeys(cell.nights for cell in grid.sizes))
    people = list(dict.fromkeys(cell.participants for cell in grid.sizes))
    table = {(c.participants, c.nights): dict(c.half_widths)[name] for c in grid.sizes}
    lines = wrap(title, indent="")
    # as many numbers of nights side by side as fit
    columns = max(1, (80 - 14) // max(columns_of(f"{n} nights  ") for n in nights))
    for first in range(0, len(nights), columns):
        shown = nights[first : first + columns]
        head = ("participants", *(counted(n, "night") for n in shown))
        lines += table_lines(head, [(str(p), *(figure(table[p, n], digits) for n in shown)) for p in people])
    return lines


def _size(study: SmallestStudy) -> str:
    if study.participants is None:
        return f"{DASH} {study.undefined_because}"
    reach = "" if math.isnan(study.half_width) else f" (reaches {study.half_width:.3g})"
    return f"{counted(study.participants, 'participant')} with {counted(study.nights, 'night')} each{reach}"
