"""The files that ``night --out`` writes."""

from __future__ import annotations

from pathlib import Path

from sleepagree.documents import confusion_rows, epoch_rows, measure_rows
from sleepagree.night import NightAgreement
from sleepagree.output import csv_text, encode_text, fresh_folder


def write_night(
    night: NightAgreement, folder: Path, *, results: str, command: str = "", overwrite: bool = False
) -> None:
    """Write results.json, epochs.csv, confusion.csv, measures.csv, report.html and figures, all or nothing.

    Parameters
    ----------
    night : NightAgreement
        The night.
    folder : Path
        Folder to make.
    results : str
        Text of results.json.
    command : str
        The command that repeats it, for the report; "" leaves it out.
    overwrite : bool
        Whether to replace a folder that exists.

    Raises
    ------
    OutputError
        When the folder exists or cannot be written.
    """
    from sleepagree.report.build import night_files

    with fresh_folder(folder, overwrite=overwrite) as made:
        texts = {
            "results.json": results,
            "epochs.csv": csv_text(epoch_rows(night)),
            "confusion.csv": csv_text(confusion_rows(night)),
            "measures.csv": csv_text(measure_rows(night)),
        }
        for name, text in texts.items():
            (made / name).write_bytes(encode_text(text))
        write_report(made, night_files(night, command=command))


def write_report(folder: Path, files: dict[str, bytes]) -> None:
    """Write ``report.html`` and ``figures/*.svg`` into a folder that is being made."""
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
