"""Agreement as a function of the clock offset."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from sleepagree.clock import ClockReading
from sleepagree.figures.drawing import SMALL_LETTER_POINTS, axes_for, grid_lines, name_axis, styled
from sleepagree.figures.palette import ACCENT, BAND, INK, MUTED, PAPER
from sleepagree.figures.sizes import one_column


@styled
def draw_clock_curve(reading: ClockReading, *, ax: Axes | None = None) -> Axes:
    """Draw kappa at each clock offset, as recorded and at its best.

    Parameters
    ----------
    reading : ClockReading
        From `sleepagree.clock.read_clock`.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x minutes added to device times, y kappa. The hollow mark is kappa as recorded, the filled one the best
        offset, the band its interval; the dashed line is wake against sleep.
    """
    ax = axes_for(ax, one_column(55), left=13, right=3, top=4, bottom=10)
    if not math.isnan(reading.low_s):
        ax.axvspan(reading.low_s / 60, reading.high_s / 60, color=BAND.light, linewidth=0, zorder=0.5)
    if reading.wake_sleep is not None and reading.mapping != "wake-sleep":
        ax.plot(
            reading.wake_sleep.offsets_s / 60, reading.wake_sleep.kappa, color=MUTED.light, linewidth=0.8,
            linestyle=(0, (4, 2)), zorder=2,
        )  # fmt: skip
    ax.plot(reading.curve.offsets_s / 60, reading.curve.kappa, color=ACCENT.light, linewidth=1.3, zorder=3)
    points = (
        (0.0, reading.kappa_at_zero, PAPER, "as recorded"),
        (reading.offset_s / 60, reading.kappa_at_best, ACCENT, "best"),
    )
    for x, y, face, text in points:
        if math.isnan(x) or math.isnan(y):
            continue
        ax.plot(
            [x], [y], marker="o", markersize=5, markerfacecolor=face.light, markeredgecolor=ACCENT.light,
            markeredgewidth=1.1, linestyle="none", zorder=4,
        )  # fmt: skip
        if text == "best" and abs(x) < 0.25:
            continue
        side = -1 if (text == "as recorded") == (reading.offset_s >= 0) else 1
        ax.annotate(
            f"{text} {y:.2f}", (x, y), (6 * side, 3), textcoords="offset points", fontsize=SMALL_LETTER_POINTS,
            ha="left" if side > 0 else "right", va="bottom", color=INK.light, zorder=5,
        )  # fmt: skip
    drawn = [reading.curve.kappa] if reading.wake_sleep is None else [reading.curve.kappa, reading.wake_sleep.kappa]
    values = np.concatenate([*drawn, [0.0]])
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    ax.set_ylim(min(low, 0.0) - 0.04, max(high, 0.1) * 1.12 + 0.02)
    ax.set_xlim(float(reading.curve.offsets_s[0]) / 60, float(reading.curve.offsets_s[-1]) / 60)
    grid_lines(ax, "y")
    name_axis(ax, x="minutes added to device times", y=f"kappa, {reading.mapping}")
    return ax
