"""Figures of results: each takes what was computed and an optional ``ax``, draws, and returns the axes.

Nothing here computes a statistic, and nothing that computes one draws. Figures use matplotlib's object interface
and leave no setting behind; `save_figure` writes them as SVG, PDF or PNG, the same bytes for the same results.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from sleepagree.figures.bias_over_nights import draw_bias_against_level, draw_minutes, draw_normal_look
    from sleepagree.figures.bias_sources import draw_bias_sources
    from sleepagree.figures.clock_curve import draw_clock_curve
    from sleepagree.figures.drawing import figure_bytes, save_figure
    from sleepagree.figures.hypnograms import draw_hypnograms
    from sleepagree.figures.in_time import draw_agreement_by_hour, draw_run_lengths
    from sleepagree.figures.night_kappas import draw_night_kappas
    from sleepagree.figures.planning import draw_precision
    from sleepagree.figures.redistribution import draw_redistribution
    from sleepagree.figures.sizes import FigureSize, one_column, two_columns
    from sleepagree.figures.tables_of_counts import draw_confusion

#: Name -> module. The page of a night needs five of them; the others' imports would cost it more than its drawing.
_HOME: Final = {
    "FigureSize": "sizes",
    "draw_agreement_by_hour": "in_time",
    "draw_bias_against_level": "bias_over_nights",
    "draw_bias_sources": "bias_sources",
    "draw_clock_curve": "clock_curve",
    "draw_confusion": "tables_of_counts",
    "draw_hypnograms": "hypnograms",
    "draw_minutes": "bias_over_nights",
    "draw_night_kappas": "night_kappas",
    "draw_normal_look": "bias_over_nights",
    "draw_precision": "planning",
    "draw_redistribution": "redistribution",
    "draw_run_lengths": "in_time",
    "figure_bytes": "drawing",
    "one_column": "sizes",
    "save_figure": "drawing",
    "two_columns": "sizes",
}

__all__ = [
    "FigureSize",
    "draw_agreement_by_hour",
    "draw_bias_against_level",
    "draw_bias_sources",
    "draw_clock_curve",
    "draw_confusion",
    "draw_hypnograms",
    "draw_minutes",
    "draw_night_kappas",
    "draw_normal_look",
    "draw_precision",
    "draw_redistribution",
    "draw_run_lengths",
    "figure_bytes",
    "one_column",
    "save_figure",
    "two_columns",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
