"""The files that ``calibrate`` and ``correct`` write."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

from sleepagree.describe.blocks import Description
from sleepagree.errors import InputError
from sleepagree.files.writing import csv_text, fresh_folder, write_text
from sleepagree.render.correction_json import (
    corrected_document,
    corrected_epoch_rows,
    corrected_nights_document,
    corrected_rows,
    correction_document,
    correction_rows,
)
from sleepagree.render.json_text import dump, dump_filled
from sleepagree.render.night_folder import write_below
from sleepagree.study.correct_nights import CorrectedNights
from sleepagree.study.correction import CorrectedNight, Correction


def write_correction(
    correction: Correction,
    described: Description,
    out: Path,
    *,
    figures: Sequence[str] = ("svg",),
    overwrite: bool = False,
) -> None:
    """Write correction.json, correction.csv and report.html with its figures (``"svg"``, ``"pdf"``, ``"png"``)."""
    from sleepagree.render.page import page_files

    with fresh_folder(out, overwrite=overwrite) as made:
        texts = {
            "correction.json": dump_filled(correction_document(correction)),
            "correction.csv": csv_text(correction_rows(correction)),
        }
        write_below(made, {**texts, **page_files(described, figures)})


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
        texts = {"corrected.json": dump(document), "corrected.csv": csv_text(corrected_rows(nights, names))}
        if has_epochs:
            texts["epochs.csv"] = csv_text(corrected_epoch_rows(nights, names))
        write_below(made, {**texts, **page_files(described)})
