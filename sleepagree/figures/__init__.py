"""Figures of results: each takes what was computed and an optional ``ax``, draws, and returns the axes.

Nothing here computes a statistic, and nothing that computes one draws. Figures use matplotlib's object interface
and leave no setting behind; `save_figure` writes them as SVG, PDF or PNG, the same bytes for the same results.

The names below are loaded when they are first used: figures of one night need nothing of studies.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from sleepagree.figures.bias_over_nights import draw_bias_against_level, draw_minutes, draw_normal_look
    from sleepagree.figures.class_bars import draw_bias_sources, draw_device_classes, draw_redistribution
    from sleepagree.figures.corrections import (
        draw_correction_errors,
        draw_correction_line,
        draw_probabilities,
        draw_reliability,
    )
    from sleepagree.figures.hypnograms import draw_hypnograms
    from sleepagree.figures.in_time import draw_agreement_by_hour, draw_clock_curve, draw_run_lengths
    from sleepagree.figures.night_kappas import draw_night_kappas
    from sleepagree.figures.planning import draw_precision
    from sleepagree.figures.saving import figure_bytes, save_figure
    from sleepagree.figures.style import FigureSize, one_column, two_columns
    from sleepagree.figures.tables_of_counts import draw_confusion

#: File -> public names that it holds.
_NAMES: Final = {
    "bias_over_nights": ("draw_bias_against_level", "draw_minutes", "draw_normal_look"),
    "class_bars": ("draw_bias_sources", "draw_device_classes", "draw_redistribution"),
    "corrections": ("draw_correction_errors", "draw_correction_line", "draw_probabilities", "draw_reliability"),
    "hypnograms": ("draw_hypnograms",),
    "in_time": ("draw_agreement_by_hour", "draw_clock_curve", "draw_run_lengths"),
    "night_kappas": ("draw_night_kappas",),
    "planning": ("draw_precision",),
    "saving": ("figure_bytes", "save_figure"),
    "style": ("FigureSize", "one_column", "two_columns"),
    "tables_of_counts": ("draw_confusion",),
}

__all__ = [
    "FigureSize",
    "draw_agreement_by_hour",
    "draw_bias_against_level",
    "draw_bias_sources",
    "draw_clock_curve",
    "draw_confusion",
    "draw_correction_errors",
    "draw_correction_line",
    "draw_device_classes",
    "draw_hypnograms",
    "draw_minutes",
    "draw_night_kappas",
    "draw_normal_look",
    "draw_precision",
    "draw_probabilities",
    "draw_redistribution",
    "draw_reliability",
    "draw_run_lengths",
    "figure_bytes",
    "one_column",
    "save_figure",
    "two_columns",
]


def __getattr__(name: str) -> Any:
    file = next((file for file, names in _NAMES.items() if name in names), None)
    if file is None:
        raise AttributeError(f"module 'sleepagree.figures' has no attribute {name!r}")
    return getattr(import_module(f"sleepagree.figures.{file}"), name)
