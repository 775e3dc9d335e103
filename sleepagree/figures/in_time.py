"""How agreement and disagreement lie in time: by hour of the clock, in runs, and against the clock offset."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    draw_strokes,
    grid_lines,
    key_below,
    mark_key_below,
    name_axis,
    name_percents,
    name_ticks,
    points,
    size_mm,
    widest_mm,
    width_mm,
    write,
)
from sleepagree.figures.style import (
    ACCENT,
    BAND,
    INK,
    MM_PER_POINT,
    MUTED,
    PAPER,
    SMALL_LETTER_POINTS,
    letters,
    one_column,
    styled,
)
from sleepagree.figures.subjects import disagreement_of
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.disagreement import PartAgreement
from sleepagree.scoring.runs import Runs

if TYPE_CHECKING:
    from sleepagree.scoring.clock import ClockReading

_EPOCH_MIN: Final = EPOCH_S / 60
#: Hours with fewer scored epochs than this are drawn hollow: half an hour.
FEW_EPOCHS: Final = 60

#: Every so many hours have a name, by the room there is.
_HOUR_STEPS: Final = (1, 2, 3, 4, 6, 12)
_BETWEEN_PARTS_MM: Final = 1.2
#: Points from the middle of a mark to its name.
_BESIDE_MARK: Final = 6.0

#: Upper ends (epochs) of the classes of run length, the last one open.
RUN_CLASSES: Final = (1, 2, 4, 10, 20, 40)


@styled
def draw_agreement_by_hour(parts: NightAgreement | Sequence[PartAgreement], *, ax: Axes | None = None) -> Axes:
    """Draw the share of epochs in which both sides agree, for each hour of the clock or third of the night.

    Parameters
    ----------
    parts : NightAgreement or sequence of PartAgreement
        A night, drawn by hour of the clock or, where no clock is known, by third; or parts in order of time.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        y per cent of the part's scored epochs. A hollow mark rests on less than half an hour.
    """
    if isinstance(parts, NightAgreement):
        found = disagreement_of(parts)
        parts = found.hours or found.thirds
    ax = axes_for(ax, one_column(48), left=13, right=3, top=3, bottom=10)
    at = np.arange(len(parts))
    share = np.array([100 * part.agreement for part in parts])
    few = np.array([part.epochs < FEW_EPOCHS for part in parts])
    ax.plot(at, share, color=ACCENT.drawn, linewidth=1.0, zorder=2)
    for mine, face in ((~few, ACCENT), (few, PAPER)):
        if mine.any():  # a line without a point would claim the corner of the figure
            ax.plot(at[mine], share[mine], zorder=3, clip_on=False, **points(4.5, face.drawn, ACCENT.drawn, 1.0))
    ax.set_ylim(0, 100)
    ax.set_xlim(-0.5, len(parts) - 0.5)
    by_hour = all(part.part[:2].isdigit() for part in parts)
    wide = widest_mm(part.part for part in parts) + _BETWEEN_PARTS_MM
    each = next((step for step in _HOUR_STEPS if step * size_mm(ax)[0] / len(parts) >= wide), 24) if by_hour else 1
    named = [(i, part.part) for i, part in enumerate(parts) if not by_hour or int(part.part[:2]) % each == 0]
    name_ticks(ax.xaxis, [i for i, _ in named], [text for _, text in named])
    name_percents(ax.yaxis)
    grid_lines(ax, "y")
    name_axis(ax, x="hour of the clock" if by_hour else "third of the night", y="epochs that agree (%)")
    return ax


def minutes_in_runs(runs: Runs) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return minutes of disagreement by class of run length: as found, and if errors were scattered.

    The second is a geometric law with the expected mean length and the expected number of runs, which is near
    enough to look at; the test in `Runs` does not rest on it.
    """
    edges = np.array([0, *RUN_CLASSES, 100_000])
    found = np.zeros(len(edges) - 1)
    for length, count in runs.lengths:
        found[np.searchsorted(edges, length) - 1] += length * count * _EPOCH_MIN
    if not runs.expected_mean_length >= 1:
        return found, np.full(found.shape, math.nan)
    again = 1 - 1 / runs.expected_mean_length
    # epochs in runs longer than k: count * mean-weighted tail of the geometric law
    beyond = runs.expected_count * again**edges * (edges + runs.expected_mean_length)
    return found, -np.diff(beyond) * _EPOCH_MIN


@styled
def draw_run_lengths(runs: NightAgreement | Runs, *, ax: Axes | None = None) -> Axes:
    """Draw how much of the disagreement lies in short and in long runs, beside errors scattered at random.

    Parameters
    ----------
    runs : NightAgreement or Runs
        A night, or its runs of disagreement.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x length of a run, y minutes of disagreement in runs of that length.
    """
    if isinstance(runs, NightAgreement):
        runs = disagreement_of(runs).runs
    ax = axes_for(ax, one_column(52), left=13, right=3, top=3, bottom=14)
    found, expected = minutes_in_runs(runs)
    at = np.arange(found.size)
    draw_boxes(ax, at - 0.34, at + 0.34, 0, found, shade=ACCENT, zorder=2)
    # a pale rim, so that the line can be seen on a bar, too
    for shade, width, zorder in ((PAPER, 3.0, 3), (INK, 1.4, 4)):
        draw_strokes(ax, at - 0.42, at + 0.42, expected, expected, shade=shade, width=width, zorder=zorder)
    ceiling = 1.15 * max(float(np.nanmax([*found, *expected])), 1.0)
    reach = (1.5 + 1.3 * letters(SMALL_LETTER_POINTS)) * MM_PER_POINT / size_mm(ax)[1] * ceiling
    for i, y in enumerate(found.tolist()):
        if y:
            # a line across the number, or just below it, has the number above itself
            top = max(y, expected[i]) if -reach / 2 < expected[i] - y < reach else y
            above: dict[str, Any] = {"shift": (0, 1.5), "ha": "center", "va": "bottom"}
            write(ax, i, top, f"{y:.1f}".removesuffix(".0"), size=SMALL_LETTER_POINTS, zorder=5, **above)
    ax.set_xlim(-0.6, found.size - 0.4)
    ax.set_ylim(0, ceiling)
    name_ticks(ax.xaxis, at.tolist(), _class_names(), marks=False)
    ax.locator_params(axis="y", nbins=5, steps=[1, 2, 2.5, 5, 10])
    grid_lines(ax, "y")
    name_axis(ax, y="minutes of disagreement")
    size = SMALL_LETTER_POINTS + 0.5
    write(ax, 0, -0.2, "length of run (min)", transform=ax.transAxes, va="center", ha="left", size=size)
    key_below(ax, ((ACCENT, "found"), (INK, "if errors were scattered")), height=-0.2)
    ax.spines["left"].set_color(MUTED.drawn)
    return ax


def _class_names() -> list[str]:
    """Return the longest run of each class: both ends would run into the neighbour's at one column's width."""
    single = sum(1 for low, high in pairwise((0, *RUN_CLASSES)) if high - low == 1)
    names = [
        f"{high * _EPOCH_MIN:g}" if i < single else f"to {high * _EPOCH_MIN:g}" for i, high in enumerate(RUN_CLASSES)
    ]
    return [*names, f"over {RUN_CLASSES[-1] * _EPOCH_MIN:g}"]


@styled
def draw_clock_curve(reading: ClockReading, *, ax: Axes | None = None) -> Axes:
    """Draw kappa at each clock offset, as recorded and at its best.

    Parameters
    ----------
    reading : ClockReading
        From `sleepagree.scoring.clock.scan_codes`.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x minutes added to device times, y kappa. The hollow mark is kappa as recorded, the filled one the best
        offset, the band its interval; the dashed line is wake against sleep.
    """
    curve, other = reading.curve, reading.wake_sleep
    has_two = other is not None and reading.mapping != "wake-sleep"
    ax = axes_for(ax, one_column(59 if has_two else 55), left=13, right=3, top=4, bottom=14 if has_two else 10)
    if not math.isnan(reading.low_s):
        ax.axvspan(reading.low_s / 60, reading.high_s / 60, color=BAND.drawn, linewidth=0, zorder=0.5)
    line: dict[str, Any] = {"color": ACCENT.drawn, "linewidth": 1.3}
    dashed: dict[str, Any] = {"color": MUTED.drawn, "linewidth": 0.8, "linestyle": (0, (4, 2))}
    if other is not None and has_two:
        ax.plot(other.offsets_s / 60, other.kappa, zorder=2, **dashed)
    ax.plot(curve.offsets_s / 60, curve.kappa, zorder=3, **line)
    values = np.concatenate([curve.kappa, [] if other is None else other.kappa, [0.0]])
    ax.set_ylim(float(np.nanmin(values)) - 0.04, max(float(np.nanmax(values)), 0.1) * 1.12 + 0.02)
    ax.set_xlim(float(curve.offsets_s[0]) / 60, float(curve.offsets_s[-1]) / 60)
    marked = (
        (0.0, reading.kappa_at_zero, PAPER, "as recorded"),
        (reading.offset_s / 60, reading.kappa_at_best, ACCENT, "best"),
    )
    for x, y, face, text in marked:
        if math.isnan(x) or math.isnan(y):
            continue
        ax.plot([x], [y], zorder=4, clip_on=False, **points(5, face.drawn, ACCENT.drawn, 1.1))
        if text == "best" and abs(x) < 0.25:
            continue
        side = -1 if (text == "as recorded") == (reading.offset_s >= 0) else 1
        _name_mark(ax, x, y, f"{text} {y:.2f}", side)
    grid_lines(ax, "y")
    name_axis(ax, x="minutes added to device times", y=f"kappa, {reading.mapping}")
    if has_two:
        mark_key_below(ax, ((line, reading.mapping), (dashed, "dashed: wake against sleep")), height=-0.31)
    return ax


def _name_mark(ax: Axes, x: float, y: float, text: str, side: int) -> None:
    """Write beside a mark, on its left (-1) or right (1), or on the other side where the axis ends too soon."""
    low, high = ax.get_xlim()
    room = (high - x if side > 0 else x - low) / (high - low) * size_mm(ax)[0]
    if room < width_mm(text, size=SMALL_LETTER_POINTS) + _BESIDE_MARK * MM_PER_POINT:
        side = -side
    beside: dict[str, Any] = {"shift": (_BESIDE_MARK * side, 3), "ha": "left" if side > 0 else "right", "va": "bottom"}
    write(ax, x, y, text, size=SMALL_LETTER_POINTS, zorder=5, **beside)
