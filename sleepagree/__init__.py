"""Agreement between a wearable's sleep stages and a laboratory or EEG hypnogram.

The names below are loaded when they are first used, so that ``import sleepagree`` and ``sleepagree --help`` are
quick.

Examples
--------
>>> from sleepagree import align, compare, read_hypnogram
>>> reference = read_hypnogram(["W", "N1", "N2", "N2", "N3", "R"], name="scorer")
>>> device = read_hypnogram(["wake", "light", "light", "deep", "deep", "rem"], name="pad B")
>>> night = compare(align(reference=reference, device=device))
>>> round(night.mappings[0].table.kappa.value, 3)
0.769
"""

from __future__ import annotations

# nothing is imported here, not even typing: a tenth of the time until a command can hear Ctrl-C (cli/interrupts.py)
TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any, Final

    from sleepagree.errors import InputError, SleepAgreeError
    from sleepagree.hypnogram.align import Outside, PairedNight, align
    from sleepagree.hypnogram.spans import ScoredSpans
    from sleepagree.hypnogram.window import Window, WindowRule
    from sleepagree.inference.estimate import Estimate
    from sleepagree.inference.limits import fit_limits_of_agreement
    from sleepagree.mapping.files import find_mapping, read_mapping
    from sleepagree.mapping.mapping import StageMapping
    from sleepagree.night.compare import NightAgreement, compare
    from sleepagree.night.mappings import compare_mappings
    from sleepagree.readers.any_file import read_spans
    from sleepagree.readers.layout import read_layout
    from sleepagree.readers.memory import read_hypnogram
    from sleepagree.scoring.clock_check import scan_clock
    from sleepagree.study.correction import CorrectedNight, Correction
    from sleepagree.study.correction_file import read_correction
    from sleepagree.study.correction_learning import learn_correction
    from sleepagree.study.epoch_scores import AgreementScore, agreement_score
    from sleepagree.study.execution import Execution
    from sleepagree.study.from_table import score_table
    from sleepagree.study.night_summary import NightSummary, Refusal, summarise_night
    from sleepagree.study.results import StudyAgreement, StudyOptions
    from sleepagree.study.run import ScoringOptions
    from sleepagree.study.summarise import summarise_study
    from sleepagree.study.table import read_nights_table

__version__ = "0.1.0"

#: Module -> public names that it holds.
_PUBLIC: Final = {
    "errors": ("InputError", "SleepAgreeError"),
    "hypnogram.align": ("Outside", "PairedNight", "align"),
    "hypnogram.spans": ("ScoredSpans",),
    "hypnogram.window": ("Window", "WindowRule"),
    "inference.estimate": ("Estimate",),
    "inference.limits": ("fit_limits_of_agreement",),
    "mapping.files": ("find_mapping", "read_mapping"),
    "mapping.mapping": ("StageMapping",),
    "night.compare": ("NightAgreement", "compare"),
    "night.mappings": ("compare_mappings",),
    "readers.any_file": ("read_spans",),
    "readers.layout": ("read_layout",),
    "readers.memory": ("read_hypnogram",),
    "scoring.clock_check": ("scan_clock",),
    "study.correction": ("CorrectedNight", "Correction"),
    "study.correction_file": ("read_correction",),
    "study.correction_learning": ("learn_correction",),
    "study.epoch_scores": ("AgreementScore", "agreement_score"),
    "study.execution": ("Execution",),
    "study.from_table": ("score_table",),
    "study.night_summary": ("NightSummary", "Refusal", "summarise_night"),
    "study.results": ("StudyAgreement", "StudyOptions"),
    "study.run": ("ScoringOptions",),
    "study.summarise": ("summarise_study",),
    "study.table": ("read_nights_table",),
}

__all__ = [
    "AgreementScore",
    "CorrectedNight",
    "Correction",
    "Estimate",
    "Execution",
    "InputError",
    "NightAgreement",
    "NightSummary",
    "Outside",
    "PairedNight",
    "Refusal",
    "ScoredSpans",
    "ScoringOptions",
    "SleepAgreeError",
    "StageMapping",
    "StudyAgreement",
    "StudyOptions",
    "Window",
    "WindowRule",
    "agreement_score",
    "align",
    "compare",
    "compare_mappings",
    "find_mapping",
    "fit_limits_of_agreement",
    "learn_correction",
    "read_correction",
    "read_hypnogram",
    "read_layout",
    "read_mapping",
    "read_nights_table",
    "read_spans",
    "scan_clock",
    "score_table",
    "summarise_night",
    "summarise_study",
]


def __getattr__(name: str) -> Any:
    module = next((module for module, names in _PUBLIC.items() if name in names), None)
    if module is None:
        raise AttributeError(f"module 'sleepagree' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"sleepagree.{module}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def show_result(result: object, view: str, *arguments: object) -> object:
    """Return a view of a result; results stand below what renders them, and ask the package for it."""
    from importlib import import_module

    from sleepagree.caution import Caution

    # a caution is told by whoever reads a file, which needs nothing of what renders results
    module = import_module(f"sleepagree.render.{'told_cautions' if isinstance(result, Caution) else 'results'}")
    shown: object = getattr(module, view)(result, *arguments)
    return shown
