"""A plan as lines of text."""

from __future__ import annotations

import math

from sleepagree.planning import PlanGrid
from sleepagree.text import DASH, figure, table_lines, wrap


def plan_lines(grid: PlanGrid) -> list[str]:
    """Return the assumptions, a grid per statistic, and the smallest studies."""
    lines = ["WHAT IS ASSUMED (SD of a night's difference, or of its kappa)"]
    header = ("", "between people", "within a person", "from")
    rows = []
    for name, part in grid.assumed:
        digits = 3 if "kappa" in name else 1
        rows.append((name, figure(part.between_sd, digits), figure(part.within_sd, digits), part.source))
    lines += table_lines(header, rows)
    what = f"{100 * grid.level:g} % interval"
    chance = "expected" if grid.assurance is None else f"not exceeded with probability {grid.assurance:g}"
    nights = list(dict.fromkeys(cell.nights for cell in grid.cells))
    for name, _ in grid.assumed:
        digits = 3 if "kappa" in name else 1
        lines += ["", f"HALF-WIDTH of the {what} of {name} ({chance})"]
        table = {(c.participants, c.nights): dict(c.half_widths)[name] for c in grid.cells}
        people = list(dict.fromkeys(cell.participants for cell in grid.cells))
        head = ("participants", *(f"{n} night{'s' if n > 1 else ''}" for n in nights))
        lines += table_lines(head, [(str(p), *(figure(table[p, n], digits) for n in nights)) for p in people])
    if grid.smallest:
        lines += ["", "SMALLEST STUDY for what is wanted (fewest nights in all)"]
        for study in grid.smallest:
            if study.participants is None:
                lines += wrap(f"{study.statistic}: {DASH} {study.undefined_because}", hang="    ")
                continue
            reach = "" if math.isnan(study.half_width) else f" (reaches {study.half_width:.3g})"
            lines += wrap(
                f"{study.statistic} ± {study.wanted:g}: {study.participants} participants with {study.nights} "
                f"night{'s' if study.nights > 1 else ''} each{reach}"
            )
    lines += [
        "",
        *wrap("Epochs are not subjects: more epochs do not narrow these intervals, more people do.", hang="  "),
    ]
    return lines
