"""What a result shows of itself in Python: its finding, its tables by name, its structure, a text of five lines."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sleepagree.describe.answer import finding_of_night
from sleepagree.describe.cautions import say_caution
from sleepagree.describe.correction import describe_correction, finding_of_corrected
from sleepagree.describe.study_paragraphs import finding_of_device
from sleepagree.errors import counted, printable
from sleepagree.files.writing import write_text
from sleepagree.night.compare import NightAgreement
from sleepagree.night.mappings import MappingComparison
from sleepagree.render import frames
from sleepagree.render.correction_json import corrected_document, correction_document
from sleepagree.render.night_json import mappings_document, night_document
from sleepagree.render.notebook import describe_result, notebook_html
from sleepagree.render.study_json import study_document
from sleepagree.study.correction import CorrectedNight, Correction
from sleepagree.study.results import StudyAgreement

if TYPE_CHECKING:
    import pandas as pd

_LONGEST_FINDING: Final = 400
_MOST_FINDINGS: Final = 2

#: Kind of result -> its tables by name, the most asked for first.
TABLES: Final[Mapping[type, Mapping[str, Callable[..., pd.DataFrame]]]] = {
    NightAgreement: {
        "measures": frames.tabulate_measures,
        "confusion": frames.tabulate_confusion,
        "classes": frames.tabulate_classes,
        "redistribution": frames.tabulate_redistribution,
        "bias-sources": frames.tabulate_bias_sources,
        "epochs": frames.tabulate_epochs,
    },
    StudyAgreement: {
        "bias": frames.tabulate_bias,
        "nights": frames.tabulate_nights,
        "confusion": frames.tabulate_study_confusion,
    },
    MappingComparison: {"mappings": frames.tabulate_mappings},
    Correction: {"measures": frames.tabulate_correction, "classes": frames.tabulate_device_classes},
    CorrectedNight: {"measures": frames.tabulate_corrected, "epochs": frames.tabulate_probabilities},
}
_DOCUMENTS: Final[Mapping[type, Callable[..., dict[str, Any]]]] = {
    NightAgreement: night_document,
    StudyAgreement: study_document,
    MappingComparison: mappings_document,
    Correction: correction_document,
    CorrectedNight: corrected_document,
}


def show(result: Any, view: str, *arguments: Any) -> Any:
    """Return one view of a result, the "sentence" of a caution, or write a "page"."""
    return _VIEWS[view](result, *arguments)


def _findings(result: Any) -> list[str]:
    if isinstance(result, StudyAgreement):
        return [finding_of_device(device, result) for device in result.devices] or ["No night was scored."]
    if isinstance(result, Correction):
        return list(describe_correction(result).findings)
    if isinstance(result, CorrectedNight):
        return [finding_of_corrected(result)]
    return [finding_of_night(result.night if isinstance(result, MappingComparison) else result)]


def _finding(result: Any) -> str:
    return " ".join(_findings(result))


def _frame(result: Any, table: str) -> pd.DataFrame:
    tables = TABLES[type(result)]
    name = table or next(iter(tables))
    if name not in tables:
        raise ValueError(f"table must be one of {', '.join(map(repr, tables))}, not {table!r}")
    return tables[name](result)


def _document(result: Any) -> dict[str, Any]:
    return _DOCUMENTS[type(result)](result)


def _text(result: Any) -> str:
    """Return a result in at most five lines."""
    findings = [printable(finding)[:_LONGEST_FINDING] for finding in _findings(result)[:_MOST_FINDINGS]]
    head, *more = findings
    further = len(_findings(result)) - len(findings)
    return "\n".join(
        [
            f"{type(result).__name__}: {head}",
            *(f"  {finding}" for finding in more),
            *([f"  and {counted(further, 'more device')}, see .finding"] if further else []),
            f"  {counted(len(result.cautions), 'caution')} in .cautions;"
            f" tables by .to_frame(name): {', '.join(TABLES[type(result)])}",
        ]
    )


def _write_page(result: Any, path: Path, overwrite: Any) -> None:
    from sleepagree.render.page import render_page  # it draws

    write_text(path, render_page(describe_result(result)), overwrite=overwrite)


_VIEWS: Final[Mapping[str, Callable[..., Any]]] = {
    "finding": _finding,
    "frame": _frame,
    "document": _document,
    "text": _text,
    "html": notebook_html,
    "page": _write_page,
    "sentence": say_caution,
}
