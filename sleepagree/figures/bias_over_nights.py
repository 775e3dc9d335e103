"""Bias over many nights: reference against device, difference against level, and a look at normality."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sleepagree.describe.study_bias_figures import nights_ringed
from sleepagree.figures.drawing import LEFT_MM, axes_for, fit_ticks, name_axis, name_heights, points, signed_in_print
from sleepagree.figures.participants import room_above, scatter_nights
from sleepagree.figures.style import ACCENT, INK, MUTED, PAPER, one_column, styled
from sleepagree.figures.subjects import measure_of
from sleepagree.inference.limits import LimitsOfAgreement, RegressionLimits, Scale
from sleepagree.study.results import BiasRow, StudyAgreement

_DASHES: Final = (0, (5, 2.5))
#: Field of limits, what it is called, and how it is drawn.
_LINES: Final = (("upper", "upper limit", _DASHES), ("bias", "bias", "solid"), ("lower", "lower limit", _DASHES))

#: Where names of level lines begin, as a share of the axes' width: beside their intervals.
_NAMES_AT: Final = 1.085

Values = NDArray[np.float64]
_Names = list[tuple[float, str]]


@styled
def draw_minutes(
    study: StudyAgreement, measure: str = "", *, device: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the device's value against the reference's for every night, with the line on which they are equal.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    measure : str
        Name as in the table of bias, such as ``"minutes REM"``; default: TST.
    device : str, optional
        Name of the device, needed where the study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x reference, y device, on one scale.

    Raises
    ------
    TypeError
        When it is no study.
    ValueError
        When the study has no such device or measure.

    Examples
    --------
    >>> from sleepagree import align, compare, summarise_study
    >>> night = compare(align(reference=["W", "N2", "N2", "R"] * 30, device=["wake", "light", "light", "light"] * 30))
    >>> study = summarise_study([(f"crew-{i}", "1", "band A", night) for i in range(4)])
    >>> draw_minutes(study, "minutes wake").get_xlabel()
    'reference, minutes wake'
    """
    row, people = measure_of(study, measure, device)
    above = room_above(people)
    ax = axes_for(ax, one_column(68 + above), left=LEFT_MM, right=4, top=above, bottom=10)
    x, y = row.reference, row.device
    scatter_nights(ax, x, y, people)
    both = np.concatenate([side[~np.isnan(x) & ~np.isnan(y)] for side in (x, y)])
    low, high = _padded(both)
    low = max(low, -0.03 * high) if both.size and both.min() >= 0 else low
    ax.plot([low, high], [low, high], color=INK.drawn, linewidth=0.8, zorder=2)
    ax.set_xlim(low, high)
    ax.set_ylim(low, high)
    ax.set_aspect("equal", adjustable="box", anchor="SW")
    said = row.name if row.measure.startswith(("minutes ", "percent ")) else f"{row.name} ({row.unit})"
    ax.locator_params(axis="both", nbins=7, steps=[1, 2, 2.5, 5, 10])
    fit_ticks(ax, thinned="both")
    name_axis(ax, x=f"reference, {said}", y=f"device, {said}")
    return ax


@styled
def draw_bias_against_level(
    study: StudyAgreement, measure: str = "", *, device: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the difference of every night against the mean of both sides, with bias and limits of agreement.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    measure : str
        Name as in the table of bias, such as ``"minutes REM"``; default: TST.
    device : str, optional
        Name of the device, needed where the study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x mean of device and reference, y device minus reference. Bars beside the axes are the
        intervals of bias and limits; sloping lines have none.

    Raises
    ------
    TypeError
        When it is no study.
    ValueError
        When the study has no such device or measure.

    Examples
    --------
    >>> from sleepagree import align, compare, summarise_study
    >>> night = compare(align(reference=["W", "N2", "N2", "R"] * 30, device=["wake", "light", "light", "light"] * 30))
    >>> study = summarise_study([(f"crew-{i}", "1", "band A", night) for i in range(4)])
    >>> draw_bias_against_level(study, "minutes wake").get_xlabel()
    'minutes wake, mean of device and reference (min)'
    """
    row, people = measure_of(study, measure, device)
    limits, lines, sloped = row.limits, row.lines, row.sloped
    above = room_above(people)
    ax = axes_for(ax, one_column(58 + above), left=LEFT_MM, right=20, top=above, bottom=10)
    x, y = row.reference, row.device
    level, difference = (x + y) / 2, y - x
    known = ~np.isnan(difference)
    scatter_nights(ax, level, difference, people)
    low, high = _padded(level[known])
    ax.set_xlim(low, high)
    ax.axhline(0, color=MUTED.drawn, linewidth=0.6, zorder=1)
    beside, at = ax.transData, high
    if lines is not None and not math.isnan(lines.slope):
        drawn, names = _draw_lines(ax, lines, low, high)
    elif limits.scale is Scale.LOG_RATIO:
        drawn, names = _draw_fan(ax, limits, low, high)
    else:
        drawn, names = _draw_level(ax, limits, sloped)
        beside, at = ax.get_yaxis_transform(), _NAMES_AT
        if sloped is not None:
            ends = [sloped.at(low).bias, sloped.at(high).bias]
            ax.plot([low, high], ends, color=ACCENT.drawn, linewidth=1.1, zorder=2)
            drawn += ends
    _ring(ax, level, difference, row)
    bottom, top = _padded(np.array([*difference[known], *drawn, 0.0]))
    ax.set_ylim(bottom, top)
    name_heights(ax, names[::-1], at, beside)
    fit_ticks(ax)
    name_axis(ax, x=f"{row.name}, mean of device and reference ({row.unit})", y=f"device − reference ({row.unit})")
    return ax


def _ring(ax: Axes, x: Values, y: Values, row: BiasRow) -> None:
    """Put a ring round the nights outside the limits; too many nights are counted in cells and have none."""
    marked = nights_ringed(row)
    if marked.any():
        ax.plot(x[marked], y[marked], zorder=5, **points(8.0, "none", INK.drawn, 0.9))


def _padded(values: Values) -> tuple[float, float]:
    known = values[~np.isnan(values)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = 0.07 * (high - low) or 0.5 * abs(high) or 1.0
    return low - room, high + room


def _draw_level(ax: Axes, limits: LimitsOfAgreement, sloped: RegressionLimits | None) -> tuple[list[float], _Names]:
    """Draw level lines; their intervals stand beside the axes, where they cannot hide each other or the nights."""
    drawn: list[float] = []
    names: _Names = []
    right = ax.get_yaxis_transform()
    for (field, word, dashes), at in zip(_LINES, (1.06, 1.04, 1.02), strict=True):
        value, low, high = (getattr(limits, field + end) for end in ("", "_low", "_high"))
        if math.isnan(value):
            continue
        if sloped is None or word != "bias":  # a bias that changes with the level is drawn as it does
            ax.axhline(value, color=INK.drawn, linewidth=0.9, linestyle=dashes, zorder=2)
        beside: dict[str, Any] = {"transform": right, "clip_on": False}
        if not math.isnan(low):
            ax.plot([at, at], [low, high], color=ACCENT.drawn, linewidth=2.0, zorder=3, **beside)
        ax.plot([at], [value], marker="o", markersize=3.4, color=INK.drawn, zorder=4, **beside)
        names.append((value, f"{word}\n{signed_in_print(value)}"))
        drawn += [v for v in (value, low, high) if not math.isnan(v)]
    return drawn, names


def _draw_lines(ax: Axes, lines: RegressionLimits, low: float, high: float) -> tuple[list[float], _Names]:
    drawn: list[float] = []
    names: _Names = []
    ends = [lines.at(low), lines.at(high)]
    corners = [low, high]
    if any(end.lower == end.upper for end in ends):
        corners.insert(1, -lines.spread_intercept / lines.spread_slope)  # from there on the spread is 0
    for field, word, dashes in _LINES:
        y = [getattr(end, field) for end in ends]
        drawn_at = [getattr(lines.at(at), field) for at in corners]
        ax.plot(corners, drawn_at, color=INK.drawn, linewidth=0.9, linestyle=dashes, zorder=2)
        drawn += y
        names.append((y[-1], f" {word}"))
    return drawn, names


def _draw_fan(ax: Axes, limits: LimitsOfAgreement, low: float, high: float) -> tuple[list[float], _Names]:
    """Draw limits of a log ratio r: with m the mean of both sides, the difference is 2 m (r - 1) / (r + 1)."""
    drawn: list[float] = []
    names: _Names = []
    start = max(low, 0.0)
    for field, word, dashes in _LINES:
        log_ratio = getattr(limits, field)
        if math.isnan(log_ratio):
            continue
        slope = 2 * math.tanh(log_ratio / 2)
        y = [slope * start, slope * high]
        ax.plot([start, high], y, color=INK.drawn, linewidth=0.9, linestyle=dashes, zorder=2)
        names.append((y[1], f" {word}\n ×{math.exp(log_ratio):.2f}"))
        drawn += y
    return drawn, names


#: Points of the look at normality; thousands more lie on each other and make a page of megabytes.
MOST_POINTS: Final = 1000
_END_POINTS: Final = 100


def _points_shown(n: int) -> NDArray[np.int64]:
    """Return which of ``n`` points in order a look at normality draws: all, or the ends and an even share between."""
    if n <= MOST_POINTS:
        return np.arange(n)
    between = np.linspace(_END_POINTS, n - _END_POINTS - 1, MOST_POINTS - 2 * _END_POINTS).round().astype(np.int64)
    return np.concatenate([np.arange(_END_POINTS), between, np.arange(n - _END_POINTS, n)])


@styled
def draw_normal_look(
    study: StudyAgreement, measure: str = "", *, device: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw participants' mean differences against the quantiles of a normal law with their mean and SD.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    measure : str
        Name as in the table of bias, such as ``"minutes REM"``; default: TST.
    device : str, optional
        Name of the device, needed where the study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x normal quantile at (i - 3/8) / (n + 1/4), y mean difference; the line is mean + quantile times SD. Of more
        than 1,000 participants the hundred at each end are drawn, and every so many of the others.

    Raises
    ------
    TypeError
        When it is no study.
    ValueError
        When the study has no such device or measure.

    References
    ----------
    Blom G. Statistical estimates and transformed beta-variables. Wiley, 1958 (plotting positions).
    """
    row, people = measure_of(study, measure, device)
    ax = axes_for(ax, one_column(66), left=LEFT_MM, right=4, top=4, bottom=10)
    difference = row.device - row.reference
    known = ~np.isnan(difference)
    who = np.unique(people, return_inverse=True)[1][known]
    nights, sums = np.bincount(who), np.bincount(who, difference[known])
    means = np.sort(sums[nights > 0] / nights[nights > 0])
    n = means.size
    quantiles = np.array([NormalDist().inv_cdf((i - 0.375) / (n + 0.25)) for i in range(1, n + 1)])
    if n > 1:
        ends = np.array([quantiles[0] - 0.3, quantiles[-1] + 0.3])
        ax.plot(ends, means.mean() + ends * means.std(ddof=1), color=INK.drawn, linewidth=0.8, zorder=2)
    shown = _points_shown(n)
    edge = PAPER.drawn if n <= 60 else "none"
    ax.plot(quantiles[shown], means[shown], zorder=3, **points(3.6, ACCENT.drawn, edge, 0.3))
    told = "" if shown.size == n else f" ({shown.size} of {n} participants, all at the two ends)"
    fit_ticks(ax)
    name_axis(ax, x=f"normal quantile{told}", y=f"{row.name}, mean difference ({row.unit})")
    return ax
