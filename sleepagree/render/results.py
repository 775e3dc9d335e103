"""What a result shows of itself in Python: its finding, its tables by name, its structure, a text of five lines."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sleepagree.describe.blocks import Description
from sleepagree.describe.cautions import caution_documents
from sleepagree.describe.correction import describe_corrected, describe_correction
from sleepagree.describe.mappings import describe_mappings
from sleepagree.describe.night import describe_night
from sleepagree.describe.study import describe_study
from sleepagree.errors import Front, counted
from sleepagree.files.writing import write_text
from sleepagree.night.compare import NightAgreement
from sleepagree.night.mappings import MappingComparison
from sleepagree.render import frames
from sleepagree.render.columns import cut_at_word
from sleepagree.render.correction_json import corrected_document, correction_document
from sleepagree.render.night_json import mappings_document, night_document
from sleepagree.render.notebook import notebook_html
from sleepagree.render.study_json import study_document
from sleepagree.study.correction import CorrectedNight, Correction
from sleepagree.study.results import StudyAgreement

if TYPE_CHECKING:
    import pandas as pd

_LONGEST_FINDING: Final = 400
_MOST_FINDINGS: Final = 2


class _Shown(NamedTuple):
    """What shows one kind of result; its tables by name, the most asked for first."""

    describe: Callable[..., Description]
    document: Callable[..., dict[str, Any]]
    tables: Mapping[str, Callable[..., pd.DataFrame]]


_SHOWN: Final[Mapping[type, _Shown]] = {
    NightAgreement: _Shown(
        describe_night,
        night_document,
        {
            "measures": frames.tabulate_measures,
            "mappings": frames.tabulate_night_mappings,
            "confusion": frames.tabulate_confusion,
            "classes": frames.tabulate_classes,
            "redistribution": frames.tabulate_redistribution,
            "bias-sources": frames.tabulate_bias_sources,
            "epochs": frames.tabulate_epochs,
        },
    ),
    StudyAgreement: _Shown(
        describe_study,
        study_document,
        {
            "bias": frames.tabulate_bias_in_short,
            "bias-in-full": frames.tabulate_bias,
            "nights": frames.tabulate_nights,
            "confusion": frames.tabulate_study_confusion,
        },
    ),
    MappingComparison: _Shown(describe_mappings, mappings_document, {"mappings": frames.tabulate_mappings}),
    Correction: _Shown(
        describe_correction,
        correction_document,
        {"measures": frames.tabulate_correction, "classes": frames.tabulate_device_classes},
    ),
    CorrectedNight: _Shown(
        describe_corrected,
        corrected_document,
        {"measures": frames.tabulate_corrected, "epochs": frames.tabulate_probabilities},
    ),
}


def _describe(result: Any) -> Description:
    return _SHOWN[type(result)].describe(result)


def _findings(result: Any) -> tuple[str, ...]:
    """Return the findings of a result; several mappings are those of one night."""
    of = result.night if isinstance(result, MappingComparison) else result
    return _describe(of).findings or ("No night was scored.",)


def finding(result: Any) -> str:
    """Return what was found, one sentence for each device."""
    return " ".join(_findings(result))


def frame(result: Any, table: str) -> pd.DataFrame:
    """Return a table of a result, "" for the first."""
    tables = _SHOWN[type(result)].tables
    name = table or next(iter(tables))
    if name not in tables:
        raise ValueError(f"table must be one of {', '.join(map(repr, tables))}, not {table!r}")
    return tables[name](result)


def document(result: Any) -> dict[str, Any]:
    """Return a result as a plain structure."""
    told: dict[str, Any] = _SHOWN[type(result)].document(result)
    return {**told, "cautions": caution_documents(result.cautions, Front.PYTHON)}


def text(result: Any) -> str:
    """Return a result in at most five lines."""
    found = _findings(result)
    head, *more = (cut_at_word(one, _LONGEST_FINDING) for one in found[:_MOST_FINDINGS])
    further = len(found) - _MOST_FINDINGS
    return "\n".join(
        [
            f"{type(result).__name__}: {head}",
            *(f"  {one}" for one in more),
            *([f"  and {counted(further, 'more device')}, see .finding"] if further > 0 else []),
            f"  {counted(len(result.cautions), 'caution')} in .cautions;"
            f" tables by .to_frame(name): {', '.join(_SHOWN[type(result)].tables)}",
        ]
    )


def html(result: Any) -> str:
    """Return a result as a notebook shows it."""
    return notebook_html(_describe(result), result.cautions)


def page(result: Any, path: Path, overwrite: Any) -> None:
    """Write the page of a result."""
    from sleepagree.render.page import render_page  # it draws

    write_text(path, render_page(_describe(result)), overwrite=overwrite)
