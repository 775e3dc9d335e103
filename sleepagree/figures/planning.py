"""How narrow intervals become with more participants and more nights."""

from __future__ import annotations

import math
from typing import Any, Final

from matplotlib.axes import Axes

from sleepagree.describe.words import say_statistic
from sleepagree.figures.drawing import LEFT_MM, axes_for, fit_ticks, grid_lines, name_axis, name_heights, points
from sleepagree.figures.style import INK, MUTED, STAGE_LADDER, one_column, styled
from sleepagree.inference.planning import PlanGrid

_DASHES: Final = ("solid", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (6, 1.5, 1, 1.5)))
#: Millimetres of the figure, and of the name of a line where there are many.
_HEIGHT_MM: Final = 60.0
_NAME_MM: Final = 2.6
#: So many times as high as where its highest line ends a figure is at least.
_ABOVE_ENDS: Final = 2.0


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
    found = _half_widths(grid, statistic)
    wanted = [study.wanted for study in grid.smallest if study.statistic == statistic and not math.isnan(study.wanted)]
    height = max(_HEIGHT_MM, (len(found) + len(wanted)) * _NAME_MM + 13)
    ax = axes_for(ax, one_column(height), left=LEFT_MM, right=17, top=3, bottom=10)
    ends: list[tuple[float, str]] = []
    for i, (nights, line) in enumerate(found):
        ax.plot(*zip(*line, strict=True), zorder=3, **_look(i, alone=len(line) == 1))
        ends.append((line[-1][1], f" {nights} night{'s' if nights > 1 else ''}"))
    for width in wanted:
        ax.axhline(width, color=INK.drawn, linewidth=0.7, zorder=2)
        # a study of three people would squeeze all that matters to the ground
        ax.set_ylim(top=min(ax.get_ylim()[1], max([5 * width, *(_ABOVE_ENDS * end for end, _ in ends)])))
    ends += [(width, " wanted") for width in wanted]
    numbers = {people for _, line in found for people, _ in line}
    if len(numbers) == 1:
        ax.set_xlim(min(numbers) - 1, min(numbers) + 0.05)  # points, beside their names
    ax.locator_params(axis="x", integer=True)
    ax.set_ylim(bottom=0)
    fit_ticks(ax)
    name_heights(ax, ends, ax.get_xlim()[1], ax.transData)
    grid_lines(ax, "y")
    of = "expected half-width" if grid.assurance is None else f"half-width not exceeded in {100 * grid.assurance:g} %"
    name_axis(ax, x="participants", y=f"{of}, {say_statistic(statistic)}" + (f" ({unit})" if unit else ""))
    ax.spines["left"].set_color(MUTED.drawn)
    return ax


def _half_widths(grid: PlanGrid, statistic: str) -> list[tuple[int, list[tuple[int, float]]]]:
    """Return for each number of nights the half-widths that are known, by participants; none without one."""
    found: dict[int, list[tuple[int, float]]] = {}
    for cell in sorted(grid.sizes, key=lambda cell: (cell.nights, cell.participants)):
        width = dict(cell.half_widths).get(statistic, math.nan)
        if not math.isnan(width):
            found.setdefault(cell.nights, []).append((cell.participants, width))
    return list(found.items())


def _look(serial: int, *, alone: bool) -> dict[str, Any]:
    """Return how the line of a number of nights looks, as no other up to 25; one point has a mark, being no line."""
    colours, dashes = len(STAGE_LADDER), len(_DASHES)
    shade = STAGE_LADDER[::-1][serial % colours]
    if alone:
        return points(4.5, shade.drawn, shade.drawn, 0.0)
    # each round of colours begins at another dash
    dash = _DASHES[(serial + serial // colours) % dashes]
    return {"color": shade.drawn, "linewidth": 1.2, "linestyle": dash}
