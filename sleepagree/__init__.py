"""Agreement between a wearable's sleep stages and a laboratory or EEG hypnogram.

The names below are loaded when they are first used, so that ``import sleepagree`` and ``sleepagree --help`` are
quick.

Examples
--------
>>> from sleepagree import align, compare, read_hypnogram
>>> reference = read_hypnogram(["W", "N1", "N2", "N2", "N3", "R"], name="scorer")
>>> device = read_hypnogram(["wake", "light", "light", "deep", "deep", "rem"], name="pad B")
>>> night = compare(align(reference=reference, device=device), resamples=0)
>>> round(night.mappings[0].table.kappa.value, 3)
0.769
"""

from __future__ import annotations

from sleepagree.shown import show_by

# nothing else is imported here, not even typing: a tenth of the time until a command can hear Ctrl-C
# (sleepagree.interrupts)
TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any, Final

    from sleepagree.errors import InputError, SleepAgreeError
    from sleepagree.estimate import Estimate
    from sleepagree.hypnogram import ScoredSpans
    from sleepagree.limits import fit_limits_of_agreement
    from sleepagree.mapping_comparison import compare_mappings
    from sleepagree.mapping_files import find_mapping, read_mapping
    from sleepagree.night import NightAgreement, compare
    from sleepagree.nights_table import read_nights_table
    from sleepagree.pairing import Outside, PairedNight, Window, WindowRule, align
    from sleepagree.readers import read_spans
    from sleepagree.readers.layout import read_layout
    from sleepagree.sources import read_hypnogram
    from sleepagree.stages import StageMapping
    from sleepagree.study import StudyAgreement, StudyOptions, summarise_study

__version__ = "0.1.0"

#: Public name -> module that holds it.
_PUBLIC: Final = {
    "Estimate": "estimate",
    "InputError": "errors",
    "NightAgreement": "night",
    "Outside": "pairing",
    "PairedNight": "pairing",
    "ScoredSpans": "hypnogram",
    "SleepAgreeError": "errors",
    "StageMapping": "stages",
    "StudyAgreement": "study",
    "StudyOptions": "study",
    "Window": "pairing",
    "WindowRule": "pairing",
    "align": "pairing",
    "compare": "night",
    "compare_mappings": "mapping_comparison",
    "find_mapping": "mapping_files",
    "fit_limits_of_agreement": "limits",
    "read_hypnogram": "sources",
    "read_layout": "readers.layout",
    "read_mapping": "mapping_files",
    "read_nights_table": "nights_table",
    "read_spans": "readers",
    "summarise_study": "study",
}

__all__ = [
    "Estimate",
    "InputError",
    "NightAgreement",
    "Outside",
    "PairedNight",
    "ScoredSpans",
    "SleepAgreeError",
    "StageMapping",
    "StudyAgreement",
    "StudyOptions",
    "Window",
    "WindowRule",
    "align",
    "compare",
    "compare_mappings",
    "find_mapping",
    "fit_limits_of_agreement",
    "read_hypnogram",
    "read_layout",
    "read_mapping",
    "read_nights_table",
    "read_spans",
    "summarise_study",
]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'sleepagree' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"sleepagree.{_PUBLIC[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_PUBLIC])


def _show_in_notebook(result: object) -> str:
    from sleepagree.render.notebook import notebook_html

    return notebook_html(result)


show_by(_show_in_notebook)
