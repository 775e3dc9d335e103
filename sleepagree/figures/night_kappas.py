"""Kappa of every night beside the pooled one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sleepagree.errors import shorten
from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    draw_strokes,
    fit,
    grid_lines,
    name_axis,
    name_ticks,
    points,
    size_mm,
    widest_mm,
    write,
    write_over,
)
from sleepagree.figures.style import ACCENT, BAND, INK, MUTED, PANEL, PAPER, SMALL_LETTER_POINTS, one_column, styled
from sleepagree.figures.subjects import device_of
from sleepagree.inference.estimate import Estimate, normal_quantile
from sleepagree.scoring.coefficients import kappa_se
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import StudyAgreement

#: Up to so many nights each have a line with their name; more of them are sorted by kappa.
MOST_WITH_NAMES: Final = 48
#: More nights than this are drawn by an even choice of ranks.
MOST_DRAWN: Final = 150
_ROW_MM: Final = 3.1
_SORTED_MM: Final = 90.0
#: Millimetres for names: of the margin at least, around names, from the edge of the paper, and of the widest names.
_LEFT_MM: Final = 26.0
_AROUND_NAMES_MM: Final = 4.0
_EDGE_MM: Final = 0.3
_WIDEST_PARTICIPANT_MM: Final = 22.0
_WIDEST_NIGHT_MM: Final = 18.0

Values = NDArray[np.float64]


@styled
def draw_night_kappas(study: StudyAgreement, *, device: str = "", ax: Axes | None = None) -> Axes:
    """Draw kappa of every night with its interval, and the pooled kappa with its own.

    Parameters
    ----------
    study : StudyAgreement
        The study: the first mapping of the device that has a kappa is drawn.
    device : str
        Name of the device; needed where the study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x kappa. Up to 48 nights stand under each other by participant; more are sorted by kappa, those without a
        kappa left out, and of more than 150 an even choice of ranks is drawn, which the figure says.

    Raises
    ------
    ValueError
        When the study has no such device, or none of its mappings has a kappa.
    """
    found = device_of(study, device)
    studied = found.first_square
    pooled = None if studied is None else studied.find("kappa")
    if studied is None or pooled is None:
        raise ValueError(f"no mapping of {shorten(found.device)!r} in this study has a kappa")
    together = pooled.pooled.primary
    order, said = _nights_drawn(studied.night_kappa, [night.participant for night in found.nights])
    named = not said
    values, reach = studied.night_kappa[order], normal_quantile(study.options.level) * kappa_se(studied.night_counts)
    lower, upper = values - reach[order], values + reach[order]
    height = values.size * _ROW_MM + 14 if named else _SORTED_MM
    rows = _Rows.of([found.nights[i] for i in order]) if named else None
    ax = axes_for(ax, one_column(height), left=rows.left if rows else 14, right=3, top=5, bottom=9)
    ax.set_ylim((values.size, 0) if named else (0, values.size))
    at = np.arange(values.size) + 0.5
    if rows:
        _name_rows(ax, rows)
    else:
        name_ticks(ax.yaxis, (), ())
        name_axis(ax, y=said)
    known = ~(np.isnan(lower) | np.isnan(upper))
    whiskers = lower[known], upper[known], at[known], at[known]
    draw_strokes(ax, *whiskers, shade=ACCENT, width=1.0 if named else 0.5, zorder=3)
    size, edge = (3.8, PAPER.drawn) if named else (2.2, "none")
    ax.plot(values, at, zorder=4, clip_on=False, **points(size, ACCENT.drawn, edge, 0.3))
    ends = np.concatenate([values, lower, [together.value, together.low]])
    left = float(np.nanmin(ends)) if (~np.isnan(ends)).any() else 0.0
    ax.set_xlim(min(0.0, left - 0.03), 1.0)
    _draw_pooled(ax, together)
    grid_lines(ax, "x")
    name_axis(ax, x="kappa")
    return ax


def _nights_drawn(kappa: Values, participant: Sequence[str]) -> tuple[NDArray[np.int64], str]:
    """Return which nights are drawn, in order, and how that is said; "" where each has a row with its name."""
    if kappa.size <= MOST_WITH_NAMES:
        rank = {name: i for i, name in enumerate(dict.fromkeys(participant))}
        return np.argsort([rank[p] for p in participant], kind="stable"), ""
    known = np.flatnonzero(~np.isnan(kappa))
    order = known[np.argsort(kappa[known], kind="stable")]
    if order.size <= MOST_DRAWN:
        return order, f"{order.size} nights, sorted by kappa"
    drawn = order[np.unique(np.linspace(0, order.size - 1, MOST_DRAWN).round().astype(int))]
    return drawn, f"{drawn.size} of {order.size} nights by even ranks, sorted by kappa"


def _draw_pooled(ax: Axes, pooled: Estimate) -> None:
    if not pooled.defined:
        return
    if not math.isnan(pooled.low):
        ax.axvspan(pooled.low, pooled.high, color=BAND.drawn, linewidth=0, zorder=0.6)
    ax.axvline(pooled.value, color=INK.drawn, linewidth=0.9, zorder=5)
    write_over(ax, pooled.value, f"pooled {pooled.value:.2f}", size=SMALL_LETTER_POINTS)


class _Rows(NamedTuple):
    """Names of nights in order, as short as the margin needs them; those that differ look different.

    ``groups`` has the name of each participant and the participant's nights, ``left`` is the margin in millimetres.
    """

    groups: list[tuple[str, int]]
    nights: list[str]
    left: float

    @classmethod
    def of(cls, nights: Sequence[NightSummary]) -> _Rows:
        """Name nights that are in order of their participants."""
        groups = [(name, len([*own])) for name, own in groupby(night.participant for night in nights)]
        names = fit([name for name, _ in groups], _WIDEST_PARTICIPANT_MM, size=SMALL_LETTER_POINTS, weight="bold")
        own = fit([night.night for night in nights], _WIDEST_NIGHT_MM, size=SMALL_LETTER_POINTS)
        wide = widest_mm(names, size=SMALL_LETTER_POINTS, weight="bold") + widest_mm(own, size=SMALL_LETTER_POINTS)
        shown = [(name, count) for name, (_, count) in zip(names, groups, strict=True)]
        return cls(shown, own, max(_LEFT_MM, wide + _AROUND_NAMES_MM))


def _name_rows(ax: Axes, rows: _Rows) -> None:
    """Name nights, and in front of them each participant once."""
    at = [i + 0.5 for i in range(len(rows.nights))]
    name_ticks(ax.yaxis, at, rows.nights, marks=False, size=SMALL_LETTER_POINTS)
    across = ax.get_yaxis_transform()
    edge = -(rows.left - _EDGE_MM) / size_mm(ax)[0]
    first = 0
    for serial, (participant, count) in enumerate(rows.groups):
        end = first + count
        if serial % 2:
            draw_boxes(ax, edge, 1, first, end, shade=PANEL, transform=across, clip_on=False, zorder=0.3)
        look: dict[str, Any] = {"va": "center", "fontweight": "bold", "shift": (1.4, 0.0)}
        write(ax, edge, first + 0.5, participant, size=SMALL_LETTER_POINTS, transform=across, **look)
        first = end
    ax.spines["left"].set_color(MUTED.drawn)
