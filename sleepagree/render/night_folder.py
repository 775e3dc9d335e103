"""The files that ``night --out`` writes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from sleepagree.files.writing import csv_text, encode_text, fresh_folder
from sleepagree.night.compare import NightAgreement
from sleepagree.render.night_json import confusion_rows, epoch_rows, measure_rows


def write_night(
    night: NightAgreement,
    folder: Path,
    *,
    results: str,
    command: str = "",
    exports: Sequence[str] = (),
    figures: Sequence[str] = ("svg",),
    overwrite: bool = False,
) -> None:
    """Write results.json, epochs.csv, confusion.csv, measures.csv, report.html and figures, all or nothing.

    With ``exports`` the aligned night, too: ``aligned.edf`` and the like.

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
    exports : sequence of NightFormat, or of their words
        Formats in which to write the aligned night for other tools; the first mapping decides what disagrees.
    figures : sequence of str
        Forms of the figures: ``"svg"``, ``"pdf"``, ``"png"``.
    overwrite : bool
        Whether to replace a folder that exists.

    Raises
    ------
    OutputError
        When the folder exists or cannot be written, or a format cannot hold this night.
    """
    from sleepagree.describe.night import describe_night
    from sleepagree.render.page import page_files

    texts = {
        "results.json": results,
        "epochs.csv": csv_text(epoch_rows(night)),
        "confusion.csv": csv_text(confusion_rows(night)),
        "measures.csv": csv_text(measure_rows(night)),
    }
    aligned = _aligned(night, exports) if exports else {}
    with fresh_folder(folder, overwrite=overwrite) as made:
        report = page_files(describe_night(night, command=command), figures)
        write_below(made, {**texts, **aligned, **report})


def _aligned(night: NightAgreement, exports: Sequence[str]) -> dict[str, bytes]:
    """Return name -> content of the files that hold the aligned night."""
    from sleepagree.render.export import FILE_NAMES, NightFormat, aligned_files, aligned_night

    aligned = aligned_night(night.paired, mapping=night.mappings[0].mapping)
    return {
        path.name: content
        for one in dict.fromkeys(map(NightFormat, exports))
        for path, content in aligned_files(aligned, Path(FILE_NAMES[one]), as_format=one).items()
    }


def write_below(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write ``results.json``, ``figures/NAME.svg`` and the like into a folder that is being made."""
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(encode_text(content) if isinstance(content, str) else content)
