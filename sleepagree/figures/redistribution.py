"""Where the epochs of a stage went that the device cannot report."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from matplotlib.axes import Axes

from sleepagree.describe.words import speak
from sleepagree.figures.drawing import axes_for, draw_boxes, grid_lines, name_axis, name_rows, name_ticks, write
from sleepagree.figures.style import INK, PAPER, SMALL_LETTER_POINTS, one_column, shades_of, styled
from sleepagree.figures.subjects import device_of, is_study
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.redistribution import Redistribution

if TYPE_CHECKING:
    from sleepagree.study.results import StudyAgreement, StudyRedistribution

_ROW_MM: Final = 5.2
_BAR: Final = 0.5


@dataclass(frozen=True)
class SharedOut:
    """One unreported stage as it is drawn.

    Parameters
    ----------
    title : str
        Stage and how much there was of it.
    to : tuple of (str, float, float, float, str)
        Class, per cent of the stage, the ends of its interval (nan without one), and the same in words.
    """

    title: str
    to: tuple[tuple[str, float, float, float, str], ...]


def share_out(traced: Redistribution | StudyRedistribution) -> SharedOut:
    """Return a stage of a night or of a study as it is drawn."""
    if isinstance(traced, Redistribution):
        rows = tuple(
            (
                d.name,
                100 * d.share,
                100 * d.primary_low,
                100 * d.primary_high,
                f"{100 * d.share:.0f} %, {d.minutes:.1f} min",
            )
            for d in traced.to
        )
        return SharedOut(f"{speak(traced.stage)}: {traced.minutes:.1f} min, taken as", rows)
    over_nights = []
    for to in traced.to:
        share, minutes = to.share.primary, to.minutes.primary.value
        say = f"{100 * share.value:.0f} %, {minutes:.1f} min"
        over_nights.append((to.name, 100 * share.value, 100 * share.low, 100 * share.high, say))
    return SharedOut(f"{speak(traced.stage)}, minutes a night, taken as", tuple(over_nights))


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
    stages = [share_out(t) for t in traced if t.epochs]
    if not stages:
        raise ValueError("traced must hold a stage with at least one epoch")
    rows = sum(len(stage.to) + 1 for stage in stages)
    ax = axes_for(ax, one_column(rows * _ROW_MM + 10), left=15, right=21, top=1, bottom=9)
    ax.set_ylim(rows, 0)
    ax.set_xlim(0, 100)
    name_ticks(ax.xaxis, (0, 25, 50, 75, 100), ("0", "25", "50", "75", "100"))
    grid_lines(ax, "x")
    ticks: list[tuple[float, str]] = []
    at = 0
    for stage in stages:
        write(
            ax, -29, at + 0.55, stage.title, va="center", ha="left", fontweight="bold",
            bbox={"facecolor": PAPER.drawn, "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
        shades = shades_of(tuple(name for name, *_ in stage.to))
        for row, ((name, share, low, high, say), shade) in enumerate(zip(stage.to, shades, strict=True), start=1):
            y = at + row + 0.5
            draw_boxes(ax, 0, share, y - _BAR / 2, y + _BAR / 2, shade=shade, zorder=2)
            if not math.isnan(low):
                # a pale rim, so that the whisker can be seen on a dark bar, too
                ax.plot([low, high], [y, y], color=PAPER.drawn, linewidth=2.4, zorder=3)
                ax.plot([low, high], [y, y], color=INK.drawn, linewidth=0.9, zorder=4)
            write(ax, 103, y, say, size=SMALL_LETTER_POINTS, va="center", ha="left")
            ticks.append((y, speak(name)))
        at += len(stage.to) + 1
    name_rows(ax, ticks)
    name_axis(ax, x="per cent of the stage's epochs")
    return ax
