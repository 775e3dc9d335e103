"""Where the epochs of a stage went that the device cannot report."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from matplotlib.axes import Axes

from sleepagree.describe.words import speak
from sleepagree.figures.drawing import axes_for, draw_boxes, grid_lines, name_axis, name_percents, name_rows, write
from sleepagree.figures.style import INK, PAPER, SMALL_LETTER_POINTS, one_column, shades_of, styled
from sleepagree.figures.subjects import device_of, is_study
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.redistribution import Redistribution

if TYPE_CHECKING:
    from sleepagree.study.results import StudyAgreement, StudyRedistribution

_ROW_MM: Final = 5.2
_BAR: Final = 0.5


def _share_out(traced: Redistribution | StudyRedistribution) -> tuple[str, list[tuple[str, list[float], float]]]:
    """Return the title of a stage, and each class it went to with its share and interval (per cent) and its minutes."""
    if isinstance(traced, Redistribution):
        amount = f": {traced.minutes:.1f} min"
        found = [(to.name, (to.share, to.primary_low, to.primary_high), to.minutes) for to in traced.to]
    else:
        amount = ", minutes a night"
        shares = [to.share.primary for to in traced.to]
        found = [
            (to.name, (share.value, share.low, share.high), to.minutes.primary.value)
            for to, share in zip(traced.to, shares, strict=True)
        ]
    rows = [(name, [100 * part for part in share], minutes) for name, share, minutes in found]
    return f"{speak(traced.stage)}{amount}, taken as", rows


@styled
def draw_redistribution(
    traced: NightAgreement | StudyAgreement | Sequence[Redistribution | StudyRedistribution],
    *,
    device: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Draw what share of each unreported stage went to each device class, with its interval.

    Parameters
    ----------
    traced : NightAgreement, StudyAgreement, or sequence of Redistribution or of StudyRedistribution
        A night, a study, or its account of each stage; stages without an epoch are left out.
    device : str
        Name of the device; needed where a study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x per cent of the stage; for a night the whisker is the interval for answers that last within an episode, for a
        study the interval over participants.

    Raises
    ------
    ValueError
        When no stage has an epoch, or the study has no such device.
    """
    if is_study(traced):
        traced = device_of(traced, device).redistribution
    elif isinstance(traced, NightAgreement):
        traced = traced.redistribution
    stages = [_share_out(t) for t in traced if t.epochs]
    if not stages:
        raise ValueError("traced must hold a stage with at least one epoch")
    rows = sum(len(to) + 1 for _, to in stages)
    ax = axes_for(ax, one_column(rows * _ROW_MM + 10), left=15, right=21, top=1, bottom=9)
    ax.set_ylim(rows, 0)
    ax.set_xlim(0, 100)
    name_percents(ax.xaxis)
    grid_lines(ax, "x")
    ticks: list[tuple[float, str]] = []
    at = 0
    for title, to in stages:
        paper = {"facecolor": PAPER.drawn, "edgecolor": "none", "pad": 0.8}
        write(ax, -29, at + 0.55, title, va="center", ha="left", fontweight="bold", bbox=paper)
        shades = shades_of(tuple(name for name, *_ in to))
        for row, ((name, (share, low, high), minutes), shade) in enumerate(zip(to, shades, strict=True), start=1):
            y = at + row + 0.5
            draw_boxes(ax, 0, share, y - _BAR / 2, y + _BAR / 2, shade=shade, zorder=2)
            if not math.isnan(low):
                # a pale rim, so that the whisker can be seen on a dark bar, too
                ax.plot([low, high], [y, y], color=PAPER.drawn, linewidth=2.4, zorder=3)
                ax.plot([low, high], [y, y], color=INK.drawn, linewidth=0.9, zorder=4)
            write(ax, 103, y, f"{share:.0f} %, {minutes:.1f} min", size=SMALL_LETTER_POINTS, va="center", ha="left")
            ticks.append((y, speak(name)))
        at += len(to) + 1
    name_rows(ax, ticks)
    name_axis(ax, x="per cent of the stage's epochs")
    return ax
