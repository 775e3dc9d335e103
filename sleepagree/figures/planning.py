"""How narrow intervals become with more participants and more nights."""

from __future__ import annotations

import math
from typing import Final

from matplotlib.axes import Axes

from sleepagree.describe.words import say_statistic
from sleepagree.figures.drawing import axes_for, grid_lines, name_axis, name_heights
from sleepagree.figures.style import INK, MUTED, STAGE_LADDER, one_column, styled
from sleepagree.inference.planning import PlanGrid

_DASHES: Final = ("solid", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (6, 1.5, 1, 1.5)))


@styled
def draw_precision(grid: PlanGrid, *, statistic: str = "", unit: str = "", ax: Axes | None = None) -> Axes:
    """Draw the half-width of an interval against the number of participants, one line for each number of nights.

    Parameters
    ----------
    grid : PlanGrid
        From `sleepagree.inference.planning.plan_grid`.
    statistic : str
        Which statistic of the grid; default: its first.
    unit : str
        Unit of the half-width, for the axis.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x participants, y half-width. A level line is the half-width wanted, where the grid has one.

    Raises
    ------
    ValueError
        When the grid has no such statistic.
    """
    known = [name for name, _ in grid.assumed]
    statistic = statistic or known[0]
    if statistic not in known:
        raise ValueError(f"statistic must be one of {', '.join(known)}, not {statistic!r}")
    ax = axes_for(ax, one_column(60), left=14, right=17, top=3, bottom=10)
    numbers = sorted({cell.nights for cell in grid.sizes})
    ends: list[tuple[float, str]] = []
    for i, nights in enumerate(numbers):
        points = [
            (cell.participants, dict(cell.half_widths).get(statistic, math.nan))
            for cell in grid.sizes
            if cell.nights == nights
        ]
        points = sorted(p for p in points if not math.isnan(p[1]))
        if not points:
            continue
        shade = STAGE_LADDER[::-1][i % len(STAGE_LADDER)]
        ax.plot(*zip(*points, strict=True), color=shade.drawn, linewidth=1.2, linestyle=_DASHES[i % 5], zorder=3)
        ends.append((points[-1][1], f" {nights} night{'s' if nights > 1 else ''}"))
    for study in grid.smallest:
        if study.statistic == statistic and not math.isnan(study.wanted):
            ax.axhline(study.wanted, color=INK.drawn, linewidth=0.7, zorder=2)
            ends.append((study.wanted, " wanted"))
            # a study of three people would squeeze all that matters to the ground
            ax.set_ylim(top=min(ax.get_ylim()[1], 5 * study.wanted))
    ax.set_ylim(bottom=0)
    name_heights(ax, ends, ax.get_xlim()[1], ax.transData)
    grid_lines(ax, "y")
    of = "expected half-width" if grid.assurance is None else f"half-width not exceeded in {100 * grid.assurance:g} %"
    name_axis(ax, x="participants", y=f"{of}, {say_statistic(statistic)}" + (f" ({unit})" if unit else ""))
    ax.spines["left"].set_color(MUTED.drawn)
    return ax
