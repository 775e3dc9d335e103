"""The files that ``night --out`` writes."""

from __future__ import annotations

from pathlib import Path

from sleepagree.documents import confusion_rows, epoch_rows, measure_rows
from sleepagree.night import NightAgreement
from sleepagree.output import csv_text, fresh_folder


def write_night(night: NightAgreement, folder: Path, *, results: str, overwrite: bool = False) -> None:
    """Write results.json, epochs.csv, confusion.csv and measures.csv, all or nothing.

    Parameters
    ----------
    night : NightAgreement
        The night.
    folder : Path
        Folder to make.
    results : str
        Text of results.json.
    overwrite : bool
        Whether to replace a folder that exists.

    Raises
    ------
    OutputError
        When the folder exists or cannot be written.
    """
    with fresh_folder(folder, overwrite=overwrite) as made:
        files = {
            "results.json": results,
            "epochs.csv": csv_text(epoch_rows(night)),
            "confusion.csv": csv_text(confusion_rows(night)),
            "measures.csv": csv_text(measure_rows(night)),
        }
        for name, text in files.items():
            (made / name).write_text(text, encoding="utf-8", newline="")
