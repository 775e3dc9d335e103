"""What a correction does: its line through the nights learnt from, errors, reliability, a night as probabilities."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from sleepagree.describe.words import speak
from sleepagree.figures.drawing import (
    LEFT_MM,
    axes_for,
    draw_boxes,
    fit_ticks,
    grid_lines,
    key_below,
    mark_key_below,
    name_axis,
    name_ticks,
    points,
    size_mm,
)
from sleepagree.figures.hypnograms import name_clock, runs_of
from sleepagree.figures.participants import room_above, scatter_nights
from sleepagree.figures.style import (
    ACCENT,
    BAND,
    GRID,
    INK,
    MUTED,
    PAPER,
    one_column,
    shades_by_name,
    styled,
    two_columns,
)
from sleepagree.inference.class_probabilities import ReliabilityBin
from sleepagree.scoring.class_sequences import classes_of
from sleepagree.scoring.measures import say_measure
from sleepagree.study.correction import CorrectedNight, Correction
from sleepagree.study.correction_learning import nights_learnt_from
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.results import StudyAgreement, find_measure

_STEPS: Final = 80
_ROW_MM: Final = 5.0


@styled
def draw_correction_line(
    correction: Correction,
    nights: StudyAgreement | Sequence[NightSummary | Refusal],
    measure: str = "",
    *,
    ax: Axes | None = None,
) -> Axes:
    """Draw the nights learnt from, the line on which both sides are equal, the correction and its prediction band.

    Parameters
    ----------
    correction : Correction
        What was learnt.
    nights : StudyAgreement, or sequence of NightSummary and Refusal
        What it was learnt from; nights with nan on a side are left out.
    measure : str
        One whose correction looks at no other measure; default: TST.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x device, y reference: what is looked up in a new night, and what it says of the reference.

    Raises
    ------
    ValueError
        When the correction has no such measure, or it looks at other measures, too.
    """
    drawn = {m.measure: m for m in correction.measures if m.is_line}
    learnt = drawn.get(find_measure(measure or "TST", drawn) or "")
    if learnt is None:
        raise ValueError(f"measure must be one of {', '.join(map(repr, drawn)) or 'none'}, not {measure!r}")
    own = [feature.measure for feature in correction.features].index(learnt.measure)
    values, who = nights_learnt_from(correction, nights)
    reference, device = values[learnt.measure]
    above = room_above(who)
    ax = axes_for(ax, one_column(62 + above), left=LEFT_MM, right=4, top=above, bottom=10)
    x, y = device, reference
    known = ~(np.isnan(x) | np.isnan(y))
    low, high = float(x[known].min()), float(x[known].max())
    at = np.linspace(low, high, _STEPS)
    learned, bounds = learnt.learned, learnt.bounds()
    features = [tuple(value if i == own else 0.0 for i in range(len(learned.model.weights))) for value in at.tolist()]
    corrected = [bounds.clip(learned.model.value(f)) for f in features]
    band = np.array([learned.interval.around(v, f, bounds) for v, f in zip(corrected, features, strict=True)])
    ax.fill_between(at, band[:, 0], band[:, 1], color=BAND.drawn, linewidth=0, zorder=1, gid="data-band")
    ax.plot([low, high], [low, high], color=INK.drawn, linewidth=0.8, linestyle=(0, (5, 2.5)), zorder=2)
    ax.plot(at, corrected, color=ACCENT.drawn, linewidth=1.4, zorder=3, gid="data-line")
    scatter_nights(ax, x, y, who)
    said = f"{say_measure(learnt.measure, correction.mapping)} ({learnt.unit})"
    fit_ticks(ax)
    name_axis(ax, x=f"device, {said}", y=f"reference, {said}")
    return ax


@styled
def draw_correction_errors(correction: Correction, *, ax: Axes | None = None) -> Axes:
    """Draw the mean absolute error of each measure before and after correcting, and that of the usual value.

    Parameters
    ----------
    correction : Correction
        What was learnt.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        One row a measure: a ring for the device, a disc for the correction, an upright line for the usual value.
    """
    measures = correction.measures
    ax = axes_for(ax, one_column(len(measures) * _ROW_MM + 19), left=24, right=4, top=2, bottom=17)
    rows = np.arange(len(measures)) + 0.5
    ax.set_ylim(len(measures), 0)
    grid_lines(ax, "x")
    # a ring that a disc fits into, and a stroke longer than both: marks at one place are all seen
    device, corrected = points(5.6, PAPER.drawn, INK.drawn, 0.9), points(3.2, ACCENT.drawn, ACCENT.drawn, 0.0)
    usual = points(8.0, MUTED.drawn, MUTED.drawn, 1.2, marker="|")
    for y, m in zip(rows.tolist(), measures, strict=True):
        learned = m.learned
        ax.plot([learned.usual.error], [y], zorder=2, **usual)
        if learned.raw is not None:
            ax.plot([learned.raw.error, learned.corrected_error], [y, y], color=MUTED.drawn, linewidth=0.8, zorder=2)
            ax.plot([learned.raw.error], [y], zorder=3, **device)
        ax.plot([learned.corrected_error], [y], zorder=4, **corrected)
    name_ticks(ax.yaxis, rows.tolist(), [say_measure(m.measure, correction.mapping) for m in measures], marks=False)
    ax.set_xlim(left=0)
    name_axis(ax, x="mean absolute error (min; SE, percent: %)")
    mark_key_below(
        ax, ((device, "device"), (corrected, "corrected"), (usual, "usual value")), height=-13.0 / size_mm(ax)[1]
    )
    return ax


@styled
def draw_reliability(bins: Correction | Sequence[ReliabilityBin], *, ax: Axes | None = None) -> Axes:
    """Draw how often classes were right against the probability that was told for them.

    Parameters
    ----------
    bins : Correction or sequence of ReliabilityBin
        A correction with probabilities of epochs, or its bins; of people not learnt from.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x told, y seen, both in per cent; honest probabilities lie on the straight line.

    Raises
    ------
    ValueError
        When the correction has no probabilities of epochs.
    """
    if isinstance(bins, Correction):
        if bins.epochs is None:
            raise ValueError("correction must have probabilities of epochs")
        bins = bins.epochs.reliability
    ax = axes_for(ax, one_column(70), left=LEFT_MM, right=4, top=2, bottom=10)
    ax.plot([0, 100], [0, 100], color=MUTED.drawn, linewidth=0.8, linestyle=(0, (5, 2.5)), zorder=1)
    told, seen = ([100 * value for value in values] for values in zip(*((b.told, b.seen) for b in bins), strict=True))
    ax.plot(told, seen, color=ACCENT.drawn, marker="o", markersize=4.2, linewidth=1.0, zorder=3, gid="data-seen")
    ax.set_xlim(0, 100)
    ax.set_ylim(0, 100)
    ax.set_aspect("equal", adjustable="box", anchor="SW")
    name_axis(ax, x="probability told (%)", y="share that was so (%)")
    return ax


@styled
def draw_probabilities(night: CorrectedNight, *, ax: Axes | None = None) -> Axes:
    """Draw the probability of each class over a night, and what the device said above it.

    Parameters
    ----------
    night : CorrectedNight
        A night with probabilities of epochs.
    ax : Axes, optional
        Where to draw; by default a new figure two columns wide.

    Returns
    -------
    Axes
        x in epochs of the window, y in per cent; the strip at the top is the device. Silence is left blank.

    Raises
    ------
    ValueError
        When the night has no probabilities.
    """
    epochs = night.correction.epochs
    if epochs is None:
        raise ValueError("night must have probabilities of epochs")
    ax = axes_for(ax, two_columns(56), left=16, right=5.5, top=2, bottom=12)
    n = len(night.probabilities)
    device_set, mapping = night.paired.device_set, night.correction.mapping
    by_class = shades_by_name((*mapping.reference_classes, *epochs.classes, *mapping.device_classes))
    shades = [by_class[name] for name in epochs.classes]
    edges = np.arange(n + 1)
    heights = 100 * np.cumsum(np.nan_to_num(night.probabilities), axis=1)
    below = np.zeros(n)
    for k, shade in enumerate(shades):
        ax.stairs(
            heights[:, k], edges, baseline=below, fill=True, color=shade.drawn, linewidth=0, gid=f"data-class-{k}"
        )
        below = heights[:, k]
    begin, end, label = runs_of(classes_of(night.paired.device, mapping.device_codes(device_set)))
    for k, name in enumerate(mapping.device_classes):
        mine = label == k
        draw_boxes(ax, begin[mine], end[mine], 106, 116, shade=by_class[name], gid=f"data-device-{k}")
    ax.set_xlim(0, n)
    ax.set_ylim(0, 118)
    name_ticks(ax.yaxis, (0, 25, 50, 75, 100, 111), ("0", "25", "50", "75", "100 %", "device"), marks=False)
    ax.hlines((25, 50, 75), 0, n, color=GRID.drawn, linewidth=0.4, zorder=3)
    name_axis(ax, x=name_clock(ax, night.paired))
    key_below(ax, [(shade, speak(c)) for shade, c in zip(shades, epochs.classes, strict=True)], height=-0.2)
    return ax
