"""The files that ``calibrate --out`` writes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from sleepagree.describe.blocks import Description
from sleepagree.describe.correction import describe_correction
from sleepagree.files.writing import csv_text, encode_text, fresh_folder, name_inputs, refuse_existing, sparing_inputs
from sleepagree.render.correction_json import correction_document, correction_rows
from sleepagree.render.night_folder import write_report
from sleepagree.render.night_json import dump
from sleepagree.study.chunks import input_files
from sleepagree.study.correction import learn_correction
from sleepagree.study.execution import Execution
from sleepagree.study.from_table import score_table
from sleepagree.study.night_summary import Refusal
from sleepagree.study.run import ScoringOptions
from sleepagree.study.table import NightsTable


def write_correction(
    table: NightsTable,
    scoring: ScoringOptions,
    out: Path,
    *,
    device: str | None = None,
    level: float = 0.95,
    execution: Execution | None = None,
    figures: Sequence[str] = ("svg",),
    overwrite: bool = False,
    command: str = "",
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Description, tuple[Refusal, ...]]:
    """Score a table of nights, learn a correction from it, and write correction.json, correction.csv and report.html.

    Parameters
    ----------
    table, scoring, execution, progress
        As of :func:`sleepagree.study.from_table.score_table`.
    out : Path
        Folder to make.
    device, level
        As of :func:`sleepagree.study.correction.learn_correction`.
    figures : sequence of str
        Forms of the figures: ``"svg"``, ``"pdf"``, ``"png"``.
    overwrite : bool
        Whether to replace results in a folder that exists.
    command : str
        The command that repeats it, for the report.

    Returns
    -------
    (Description, tuple of Refusal)
        What was learnt, in words, and the nights that could not be scored.
    """
    from sleepagree.render.page import page_files

    with sparing_inputs():
        name_inputs(lambda: input_files(table))
        refuse_existing(out, overwrite=overwrite)
        outcomes = score_table(table, scoring, execution=execution, progress=progress)
        mapping = scoring.mappings[0] if scoring.mappings else None
        correction = learn_correction(outcomes, device=device, mapping=mapping, level=level)
        described = describe_correction(correction, command=command)
        with fresh_folder(out, overwrite=overwrite) as made:
            (made / "correction.json").write_bytes(encode_text(dump(correction_document(correction))))
            (made / "correction.csv").write_bytes(encode_text(csv_text(correction_rows(correction))))
            write_report(made, page_files(described, figures))
    return described, tuple(o for o in outcomes if isinstance(o, Refusal))
