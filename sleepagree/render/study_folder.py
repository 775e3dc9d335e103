"""A study's folder of results."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from sleepagree.describe.study import describe_study, next_command
from sleepagree.describe.study_checklist import checklist_of_study
from sleepagree.describe.study_tables import tables_of_study
from sleepagree.files.writing import csv_text, encode_text
from sleepagree.render.json_text import iterate_dump
from sleepagree.render.latex import render_latex
from sleepagree.render.markdown import render_markdown
from sleepagree.render.night_folder import write_below
from sleepagree.render.study_further_json import group_rows
from sleepagree.render.study_json import bias_rows, confusion_rows, night_rows, study_document
from sleepagree.study.anonymous import anonymous_table, hide_zones
from sleepagree.study.from_table import StudyRequest
from sleepagree.study.results import StudyAgreement
from sleepagree.study.table import NightsTable


def write_results(
    made: Path, study: StudyAgreement, table: NightsTable, request: StudyRequest, figures: Sequence[str]
) -> None:
    """Write results.json, nights.csv, bias.csv, confusion.csv, tables, checklist.md, report.html and figures.

    Parameters
    ----------
    made : Path
        An empty folder.
    study : StudyAgreement
        The study.
    table : NightsTable
        What it was made of.
    request : StudyRequest
        What was asked for.
    figures : sequence of str
        Forms of the figures: ``"svg"``, ``"pdf"``, ``"png"``.
    """
    anonymous = request.scoring.anonymous
    shown = hide_zones(anonymous_table(table)) if anonymous else table
    document = study_document(study, table=shown, options=request.told, anonymous=anonymous)
    _write(made / "results.json", iterate_dump(document))
    del document  # of many nights it is large
    _write(made / "nights.csv", (csv_text([row]) for row in night_rows(study, anonymous=anonymous)))
    files: dict[str, str | bytes] = {
        "bias.csv": csv_text(bias_rows(study)),
        "confusion.csv": csv_text(confusion_rows(study)),
        "checklist.md": render_markdown(checklist_of_study(study)),
    }
    if request.statistics.by:
        files["bias_by_group.csv"] = csv_text(group_rows(study))
    for name, tables in tables_of_study(study).items():
        files |= {f"tables/{name}.md": render_markdown(tables), f"tables/{name}.tex": render_latex(tables)}
    if request.report:
        from sleepagree.render.page import page_files

        # typed where the table is, as the command that repeats the study
        typed = "" if anonymous else next_command(study, table, request.scoring)
        files |= page_files(describe_study(study, command=request.command, table=shown, next_typed=typed), figures)
    write_below(made, files)


def _write(path: Path, texts: Iterable[str]) -> None:
    with path.open("wb") as stream:
        stream.writelines(map(encode_text, texts))
