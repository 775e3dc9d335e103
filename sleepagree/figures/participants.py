"""How participants are told apart in a scatter of nights: by shape and colour, by lines, or not at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from sleepagree.describe.study_bias_figures import MOST_RINGED
from sleepagree.errors import printable
from sleepagree.figures.drawing import (
    AROUND_ENTRY_MM,
    draw_boxes,
    draw_strokes,
    figure_of,
    fit,
    key_columns,
    points,
    size_mm,
    write,
)
from sleepagree.figures.style import ACCENT, MUTED, PAPER, SMALL_LETTER_POINTS, STAGE_LADDER, letters

#: Up to so many participants each have a shape and a colour of their own, named in a key.
MOST_WITH_SHAPES: Final = 8
#: More nights than this are counted in cells instead of drawn one by one.
MOST_POINTS: Final = MOST_RINGED
_CELLS: Final = 34
_MOST_COLUMNS: Final = 4
#: Millimetres above the axes, for a line of the key, and for its width from the axes' left to the edge of the paper.
_ABOVE_MM: Final = 8.0
_KEY_LINE_MM: Final = 2.7
_KEY_MM: Final = 70.0
_SHAPES: Final = ("o", "s", "^", "D", "v", "P", "X", "p")

Values = NDArray[np.float64]


def room_above(participant: Sequence[object]) -> float:
    """Return the margin in millimetres for the key of participants above axes of a figure one column wide."""
    names = _keyed(participant)
    return max(_ABOVE_MM, 2.6 + _KEY_LINE_MM * math.ceil(len(names) / _key_columns(names, _KEY_MM)) if names else 0.0)


def _keyed(participant: Sequence[object]) -> list[str]:
    """Return the participants that a key names."""
    names = [printable(str(name)) for name in dict.fromkeys(participant)]
    return names if 1 < len(names) <= MOST_WITH_SHAPES else []


def _key_columns(names: Sequence[str], room: float) -> int:
    return min(key_columns(names, room), _MOST_COLUMNS)


def scatter_nights(ax: Axes, x: Values, y: Values, participant: Sequence[object]) -> None:
    """Draw nights.

    Up to 8 participants have a shape and a colour each and stand in a key above the axes; more of them are
    joined to their mean by thin lines; more than 400 nights are counted in cells, darker for more nights.
    """
    known = ~(np.isnan(x) | np.isnan(y))
    names = list(dict.fromkeys(participant))
    who = np.array([names.index(p) for p in participant])[known] if len(names) <= MOST_POINTS else np.zeros(0, int)
    x, y = x[known], y[known]
    if x.size > MOST_POINTS:
        most = _count_in_cells(ax, x, y)
        said = f"{x.size} nights are counted in cells; the darkest holds {most}."
        write(ax, 1.0, 1.01, said, transform=ax.transAxes, ha="right", va="bottom", size=SMALL_LETTER_POINTS)
    elif len(names) <= MOST_WITH_SHAPES:
        _with_shapes(ax, x, y, who, names)
    else:
        _with_lines(ax, x, y, who, len(names))


def _with_shapes(ax: Axes, x: Values, y: Values, who: NDArray[np.int64], names: Sequence[object]) -> None:
    handles = []
    for i in range(len(names)):
        mine = who == i
        shade = STAGE_LADDER[i % len(STAGE_LADDER)]
        how = points(4.4, shade.drawn, PAPER.drawn, 0.4, marker=_SHAPES[i])
        ax.plot(x[mine], y[mine], zorder=4, **how)
        handles.append(Line2D([], [], **how))
    keyed = _keyed(names)
    if not keyed:
        return
    room = _KEY_MM if len(figure_of(ax).axes) == 1 else size_mm(ax)[0]
    for handle, name in zip(handles, fit(keyed, room - AROUND_ENTRY_MM, size=SMALL_LETTER_POINTS), strict=True):
        handle.set_label(name)
    ax.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=_key_columns(keyed, room), frameon=False,
        fontsize=letters(SMALL_LETTER_POINTS), handlelength=0.8, handletextpad=0.3, columnspacing=1.0, borderpad=0.1,
        borderaxespad=0.1, labelspacing=0.25,
    )  # fmt: skip


def _with_lines(ax: Axes, x: Values, y: Values, who: NDArray[np.int64], count: int) -> None:
    nights = np.maximum(np.bincount(who, minlength=count), 1)
    mean_x = np.bincount(who, x, minlength=count) / nights
    mean_y = np.bincount(who, y, minlength=count) / nights
    if (nights > 1).any():
        draw_strokes(ax, mean_x[who], x, mean_y[who], y, shade=MUTED, width=0.4, zorder=3)
    ax.plot(x, y, zorder=4, **points(3.0, ACCENT.drawn, PAPER.drawn, 0.3))


def _count_in_cells(ax: Axes, x: Values, y: Values) -> int:
    counts, x_edges, y_edges = np.histogram2d(x, y, bins=_CELLS)
    i, j = np.nonzero(counts)
    found = counts[i, j]
    most = int(found.max())
    # five steps of darkness: one path each, however many cells there are
    step = np.ceil(5 * found / most).astype(int)
    for k in range(1, 6):
        x, y = i[step == k], j[step == k]
        sides = x_edges[x], x_edges[x + 1], y_edges[y], y_edges[y + 1]
        draw_boxes(ax, *sides, shade=ACCENT, alpha=0.15 + 0.17 * k, zorder=3)
    return most
