"""What of a figure is seen on its paper: every text with its box, and what of them cannot be read."""

from __future__ import annotations

from itertools import combinations, pairwise

from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from matplotlib.transforms import Bbox

#: Labels of ticks this near to each other read as one (mm).
_BETWEEN_TICKS_MM = 0.6
_DOTS_PER_INCH = 200


def texts_drawn(ax: Axes) -> list[tuple[str, Bbox]]:
    """Return every text that is seen, with its box in dots."""
    figure = ax.figure
    FigureCanvasAgg(figure)
    figure.set_dpi(_DOTS_PER_INCH)
    figure.draw_without_rendering()
    hidden = {
        id(label)
        for axis, limits in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim()))
        for tick in axis.get_major_ticks()
        for label in (tick.label1, tick.label2)
        if not min(limits) - 1e-9 <= tick.get_loc() <= max(limits) + 1e-9
    }
    texts = [text for text in figure.findobj(Text) if text.get_visible() and text.get_text().strip()]
    # without what an annotation points at
    return [(text.get_text(), Text.get_window_extent(text)) for text in texts if id(text) not in hidden]


def faults_of(ax: Axes) -> list[str]:
    """Return which texts are cut off and which lie on each other."""
    found, paper = texts_drawn(ax), ax.figure.bbox
    faults = [
        f"{text!r} is cut off"
        for text, box in found
        if min(box.x0, box.y0, paper.width - box.x1, paper.height - box.y1) < -1
    ]
    for (one, a), (two, b) in combinations(found, 2):
        wide, high = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        if wide > 2 and high > 0.35 * min(a.height, b.height):  # boxes hold more than the letters
            faults.append(f"{one!r} lies on {two!r}")
    return faults


def crowded_ticks(ax: Axes) -> list[str]:
    """Return which labels of neighbouring ticks run into each other."""
    texts_drawn(ax)
    return [fault for axis in (ax.xaxis, ax.yaxis) for fault in _crowded(axis)]


def _crowded(axis: Axis) -> list[str]:
    low, high = sorted(axis.get_view_interval())
    ticks = [tick for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    labels = [tick.label1 for tick in ticks if tick.label1.get_visible() and tick.label1.get_text()]
    least = _BETWEEN_TICKS_MM * _DOTS_PER_INCH / 25.4
    faults = []
    for one, two in pairwise(labels):
        a, b = one.get_window_extent(), two.get_window_extent()
        across, up = max(a.x0, b.x0) - min(a.x1, b.x1), max(a.y0, b.y0) - min(a.y1, b.y1)
        if across < least and up < 0:
            faults.append(f"tick {one.get_text()!r} runs into {two.get_text()!r}")
    return faults
