"""The files that ``calibrate`` and ``correct`` write."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import cast

from sleepagree.describe.blocks import Description
from sleepagree.describe.correction import describe_correction
from sleepagree.errors import InputError
from sleepagree.files.writing import (
    csv_text,
    encode_text,
    fresh_folder,
    name_inputs,
    refuse_existing,
    sparing_inputs,
    write_text,
)
from sleepagree.render.correction_json import (
    corrected_document,
    corrected_epoch_rows,
    corrected_nights_document,
    corrected_rows,
    correction_document,
    correction_rows,
)
from sleepagree.render.night_folder import write_report
from sleepagree.render.night_json import dump, dump_filled
from sleepagree.study.chunks import input_files
from sleepagree.study.correct_nights import CorrectedNights
from sleepagree.study.correction import CorrectedNight
from sleepagree.study.correction_learning import learn_correction
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
        As of :func:`sleepagree.study.correction_learning.learn_correction`.
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
        outcomes = score_table(table, scoring, execution=execution, progress=progress, keep_epochs=True)
        mapping = scoring.mappings[0] if scoring.mappings else None
        correction = learn_correction(outcomes, device=device, mapping=mapping, level=level)
        described = describe_correction(correction, nights=outcomes, command=command)
        with fresh_folder(out, overwrite=overwrite) as made:
            (made / "correction.json").write_bytes(encode_text(dump_filled(correction_document(correction))))
            (made / "correction.csv").write_bytes(encode_text(csv_text(correction_rows(correction))))
            write_report(made, page_files(described, figures))
    return described, tuple(o for o in outcomes if isinstance(o, Refusal))


def write_corrected(
    found: CorrectedNight | CorrectedNights,
    described: Description,
    *,
    out: Path | None = None,
    epochs: Path | None = None,
    overwrite: bool = False,
) -> None:
    """Write corrected nights: epochs.csv alone, and with ``out`` corrected.json, corrected.csv and report.html, too.

    Parameters
    ----------
    found : CorrectedNight or CorrectedNights
        What was corrected.
    described : Description
        The same in words.
    out : Path, optional
        Folder to make.
    epochs : Path, optional
        File for the probabilities of single epochs.
    overwrite : bool
        Whether to replace what exists.

    Raises
    ------
    InputError
        When epochs are asked for and the correction has none.
    """
    one = isinstance(found, CorrectedNight)
    nights = [found] if isinstance(found, CorrectedNight) else [night for _, night in found.nights]
    names = () if isinstance(found, CorrectedNight) else found.names
    has_epochs = found.correction.epochs is not None
    if epochs is not None:
        if not has_epochs:
            raise InputError(
                "the correction has no probabilities of epochs",
                found="'epochs' is null in the correction",
                expected="a correction learnt from nights whose epochs were kept",
                remedy="Learn it again with 'sleepagree calibrate'.",
            )
        write_text(epochs, csv_text(corrected_epoch_rows(nights, names)), overwrite=overwrite)
    if out is None:
        return
    from sleepagree.render.page import page_files

    document = corrected_document(nights[0]) if one else corrected_nights_document(cast(CorrectedNights, found))
    with fresh_folder(out, overwrite=overwrite) as made:
        (made / "corrected.json").write_bytes(encode_text(dump(document)))
        (made / "corrected.csv").write_bytes(encode_text(csv_text(corrected_rows(nights, names))))
        if has_epochs:
            (made / "epochs.csv").write_bytes(encode_text(csv_text(corrected_epoch_rows(nights, names))))
        write_report(made, page_files(described))
