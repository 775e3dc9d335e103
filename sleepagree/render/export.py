"""A night on its grid of epochs, written so that other tools can show it beside the recording.

One annotation, row or record an epoch of the window and side: what the reference says, what the device says,
what became of the epoch, and whether the two can both hold.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from itertools import chain, groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sleepagree.errors import OutputError, printable, take_choice
from sleepagree.files.formulas import escape_formula
from sleepagree.files.writing import csv_text, encode_text, write_files
from sleepagree.hypnogram.zones import add_seconds
from sleepagree.mapping.words import COVERAGE, UNSCORED
from sleepagree.render.json_text import seconds_text

if TYPE_CHECKING:
    from sleepagree.hypnogram.align import PairedNight
    from sleepagree.mapping.mapping import StageMapping

#: Column -> what it holds; the sidecar of the events file says it in these words.
COLUMNS: Final = {
    "epoch": "Number of the epoch, counted from 0 at the beginning of the window",
    "start": "Clock time at which the epoch begins (ISO 8601)",
    "onset": "Seconds from the beginning of the reference's recording to the beginning of the epoch",
    "duration": "Length of the epoch in seconds",
    "trial_type": "Sleep stage by the reference",
    "reference": "Sleep stage by the reference",
    "device": "Sleep stage by the device",
    "status": "What became of the epoch: scored, or the first reason for which it was not compared",
    "disagreement": "Whether the two sides of a scored epoch disagree (1) or not (0)",
}

#: Stage -> words that name it in full; each of them is a plain stage name that a reader knows.
_LEVELS: Final = {
    "W": "Wake",
    "N1": "N1",
    "N2": "N2",
    "N3": "N3",
    "R": "REM sleep",
    "light": "Light sleep",
    "nrem": "Non-REM",
    "sleep": "Sleep",
    UNSCORED: "Unscored",
}
_STATUS_LEVELS: Final = {
    "scored": "A stage on both sides",
    "reference_gap": "The reference is silent",
    "reference_unscored": "The reference says that it has no stage",
    "reference_no_majority": "No stage has more than half of the reference's scorers",
    "device_gap": "The device is silent",
    "device_unscored": "The device says that it has no stage",
}
_MISSING: Final = "n/a"
#: What EDF+ writes for a date that is not known; the first that it can write.
_UNKNOWN_DATE: Final = datetime(1985, 1, 1)


class NightFormat(StrEnum):
    """What a night can be written as."""

    EDF = "edf"
    BIDS = "bids"
    CSV = "csv"
    PARQUET = "parquet"


#: Name of the file, in a folder of results, that holds the night in each format. That of BIDS has a sidecar.
FILE_NAMES: Final = {
    NightFormat.EDF: "aligned.edf",
    NightFormat.BIDS: "aligned_events.tsv",
    NightFormat.CSV: "aligned.csv",
    NightFormat.PARQUET: "aligned.parquet",
}


@dataclass(frozen=True)
class AlignedNight:
    """Two sides of a night, epoch by epoch.

    Parameters
    ----------
    start : datetime or None
        When epoch 0 begins: aware, naive local clock, or None where only elapsed time is known.
    epoch_s : float
        Length of an epoch in seconds.
    reference, device : tuple of (str or None), length n_epochs
        Stage of each epoch in stage words ("N2", "light", "unscored"); None where the side is silent.
    status : tuple of str, length n_epochs
        "scored", or why the epoch was not compared.
    disagrees : tuple of (bool or None), length n_epochs, optional
        Whether the two sides disagree; None where they were not compared. Left out, it is worked out from
        the stages: two stages disagree when nothing that the one may stand for is what the other may stand
        for, so that N2 and light agree.
    first_onset_s : float
        Seconds from the beginning of the recording, which other tools count from, to epoch 0.
    mapping : str
        Name of the mapping under which ``disagrees`` was decided; "" where the stages decide.
    """

    start: datetime | None
    epoch_s: float
    reference: tuple[str | None, ...]
    device: tuple[str | None, ...]
    status: tuple[str, ...]
    disagrees: tuple[bool | None, ...] = ()
    first_onset_s: float = 0.0
    mapping: str = ""

    def __post_init__(self) -> None:
        for name in ("reference", "device", "status", "disagrees"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        if not (math.isfinite(self.epoch_s) and self.epoch_s > 0):
            raise ValueError(f"epoch_s must be a positive number of seconds, not {self.epoch_s!r}")
        if not math.isfinite(self.first_onset_s):
            raise ValueError(f"first_onset_s must be a finite number of seconds, not {self.first_onset_s!r}")
        if not self.disagrees:
            decided = map(stages_disagree, self.reference, self.device, self.status)
            object.__setattr__(self, "disagrees", tuple(decided))
        for name in ("reference", "device", "disagrees"):
            if len(getattr(self, name)) != len(self.status):
                raise ValueError(f"{name} has {len(getattr(self, name))} epochs, status has {len(self.status)}")


def stages_disagree(reference: str | None, device: str | None, status: str = "scored") -> bool | None:
    """Whether two stages of one epoch cannot both hold; None where the epoch was not compared.

    Examples
    --------
    >>> stages_disagree("N2", "light"), stages_disagree("N2", "R"), stages_disagree(None, "R")
    (False, True, None)
    """
    if status != "scored" or reference is None or device is None:
        return None
    if reference in COVERAGE and device in COVERAGE:
        return not COVERAGE[reference] & COVERAGE[device]
    return reference != device


def aligned_night(paired: PairedNight, *, mapping: StageMapping | None = None) -> AlignedNight:
    """Return the window of a paired night, epoch by epoch.

    Parameters
    ----------
    paired : PairedNight
        The two sides on one grid.
    mapping : StageMapping, optional
        Decides what counts as disagreement: two different classes. Without one, stages that cannot both hold
        disagree.

    Returns
    -------
    AlignedNight
        As many epochs as the window has. Onsets count from the start of the reference's file, which for a
        scoring made on a recording is the start of that recording.
    """
    from sleepagree.hypnogram.ledger import Status

    words = [status.word for status in Status]
    status = tuple(words[code] for code in paired.status.tolist())
    disagrees: tuple[bool | None, ...] = ()
    if mapping is not None:
        rows = (*mapping.reference_codes(paired.reference_set), -1)
        columns = (*mapping.device_rows(paired.device_set), -1)
        pairs = zip(paired.reference.tolist(), paired.device.tolist(), status, strict=True)
        disagrees = tuple(
            None if word != "scored" or rows[r] < 0 or columns[d] < 0 else rows[r] != columns[d] for r, d, word in pairs
        )
    sides = ((paired.reference, paired.reference_set.stages), (paired.device, paired.device_set.stages))
    # the code of silence is -1
    reference, device = (tuple((*stages, None)[code] for code in codes.tolist()) for codes, stages in sides)
    begin, under = paired.epoch_start(0), "" if mapping is None else mapping.name
    return AlignedNight(begin, paired.epoch_s, reference, device, status, disagrees, paired.begin_s, under)


# --- rows -------------------------------------------------------------------------------------------------


def aligned_rows(night: AlignedNight) -> Iterator[dict[str, Any]]:
    """Yield one row per epoch.

    Returns
    -------
    iterator of dict
        ``epoch`` (int), ``start`` (datetime or None), ``onset`` and ``duration`` (seconds), ``reference`` and
        ``device`` (stage word or None), ``status``, ``disagreement`` (bool or None).
    """
    for epoch, (reference, device, status, disagrees) in enumerate(
        zip(night.reference, night.device, night.status, night.disagrees, strict=True)
    ):
        since_s = epoch * night.epoch_s
        yield {
            "epoch": epoch,
            "start": None if night.start is None else add_seconds(night.start, since_s),
            "onset": _onset_s(night, epoch),
            "duration": night.epoch_s,
            "reference": reference,
            "device": device,
            "status": status,
            "disagreement": disagrees,
        }


def _onset_s(night: AlignedNight, epoch: int) -> float:
    # to the microsecond, as a clock is: the same onset in every format, without the dust of adding
    return round(night.first_onset_s + epoch * night.epoch_s, 6)


def _cell(value: Any, missing: str) -> str:
    if value is None:
        return missing
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return seconds_text(value)
    return value.isoformat() if isinstance(value, datetime) else str(value)


def _table(header: Sequence[str], rows: Iterator[dict[str, Any]], *, delimiter: str, missing: str) -> bytes:
    body = ([_cell(row[name], missing) for name in header] for row in rows)
    return encode_text(csv_text(chain([header], body), delimiter=delimiter))


# --- formats ----------------------------------------------------------------------------------------------


def aligned_files(night: AlignedNight, path: Path, *, as_format: NightFormat | str) -> dict[Path, bytes]:
    """Return the files that hold a night in one format.

    Parameters
    ----------
    night : AlignedNight
        The night.
    path : Path
        File to write. BIDS: its name ends in ``events.tsv``, and a sidecar of the same name in ``.json``
        belongs beside it.
    as_format : NightFormat or str
        ``"edf"``: EDF+ annotations, ``"bids"``: BIDS events, ``"csv"``, or ``"parquet"``.

    Returns
    -------
    dict of Path to bytes
        One file, two for BIDS. Nothing is written.

    Raises
    ------
    OutputError
        When a name is none that its format allows, when EDF+ cannot tell the date, or when Parquet is asked
        for and pyarrow is not installed.
    ValueError
        When ``as_format`` is none of the four.
    """
    as_format = take_choice("as_format", as_format, NightFormat)
    if as_format is not NightFormat.BIDS:
        to_bytes = {NightFormat.EDF: edf_bytes, NightFormat.CSV: csv_bytes, NightFormat.PARQUET: parquet_bytes}
        return {path: to_bytes[as_format](night)}
    if not path.name.endswith("events.tsv"):
        problem, expected = "the name is none of a BIDS events file", "a name that ends in events.tsv"
        raise OutputError(problem, str(path), "", path.name, expected, "For example sub-01_task-sleep_events.tsv.")
    table, sidecar = bids_events(night)
    return {path: table, path.with_suffix(".json"): sidecar}


def write_aligned_night(
    night: AlignedNight, path: Path, *, as_format: NightFormat | str, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write a night for other tools.

    Parameters
    ----------
    night, path, as_format
        As in :func:`aligned_files`.
    overwrite : bool
        Whether files that exist may be replaced.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputError
        As :func:`aligned_files`; also when a file exists or cannot be written.
    """
    files = aligned_files(night, Path(path), as_format=as_format)
    write_files(files, overwrite=overwrite)
    return tuple(files)


def csv_bytes(night: AlignedNight) -> bytes:
    """Return a night as CSV in UTF-8: one row an epoch, empty cells where there is nothing to say."""
    header = ("epoch", "start", "onset", "duration", "reference", "device", "status", "disagreement")
    return _table(header, aligned_rows(night), delimiter=",", missing="")


def bids_events(night: AlignedNight) -> tuple[bytes, bytes]:
    """Return a night as a BIDS events table and its sidecar.

    Parameters
    ----------
    night : AlignedNight
        The night; ``first_onset_s`` counts from the first sample of the matching data file.

    Returns
    -------
    (bytes, bytes)
        The ``events.tsv`` with onset, duration, trial_type (the reference's stage), device, status and
        disagreement, ``n/a`` where there is nothing to say; and the ``events.json`` that describes them.

    References
    ----------
    .. [1] Brain Imaging Data Structure specification, "Task events".
    """
    header = ("onset", "duration", "trial_type", "device", "status", "disagreement")
    rows = ({**row, "trial_type": row["reference"]} for row in aligned_rows(night))
    sidecar: dict[str, dict[str, Any]] = {name: {"Description": COLUMNS[name]} for name in header}
    sidecar["onset"]["Units"] = sidecar["duration"]["Units"] = "s"
    for name, side in (("trial_type", night.reference), ("device", night.device)):
        held = dict.fromkeys(stage for stage in side if stage is not None)
        # a level is spelt as in the table, and told as the label it is
        sidecar[name]["Levels"] = {escape_formula(stage): _LEVELS.get(stage, stage) for stage in held}
    sidecar["status"]["Levels"] = {word: _STATUS_LEVELS.get(word, word) for word in dict.fromkeys(night.status)}
    sidecar["disagreement"]["Levels"] = _agreement_levels(night)
    text = json.dumps(sidecar, indent=2, ensure_ascii=False) + "\n"
    return _table(header, rows, delimiter="\t", missing=_MISSING), encode_text(text)


def _agreement_levels(night: AlignedNight) -> dict[str, str]:
    if not night.mapping:
        return {"0": "The two stages can both hold", "1": "The two stages cannot both hold"}
    under = f"under the mapping '{night.mapping}'"
    return {"0": f"The two stages are of one class {under}", "1": f"The two stages are of two classes {under}"}


def parquet_bytes(night: AlignedNight) -> bytes:
    """Return a night as Parquet: the columns of :func:`aligned_rows`, times with their zone if they have one.

    Raises
    ------
    OutputError
        When pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise OutputError.of_library("writing Parquet", "pyarrow", "parquet") from None
    rows = list(aligned_rows(night))
    types = {
        "epoch": pa.int32(),
        "start": pa.timestamp("us", tz=_arrow_zone(night.start)),
        **dict.fromkeys(("onset", "duration"), pa.float64()),
        **dict.fromkeys(("reference", "device", "status"), pa.string()),
        "disagreement": pa.bool_(),
    }
    levels = _agreement_levels(night)
    told = {**COLUMNS, "disagreement": f"{COLUMNS['disagreement']}. 0: {levels['0']}. 1: {levels['1']}"}
    schema = pa.schema([pa.field(name, kind, metadata={"description": told[name]}) for name, kind in types.items()])
    columns = [pa.array([row[name] for row in rows], kind) for name, kind in types.items()]
    sink = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), sink, compression="zstd")
    data: bytes = sink.getvalue().to_pybytes()
    return data


def _arrow_zone(start: datetime | None) -> str | None:
    """Return a zone name or an offset such as +02:00, as Arrow writes it."""
    if start is None or start.tzinfo is None:
        return None
    key = getattr(start.tzinfo, "key", None)
    return key or start.isoformat()[-6:]


# --- EDF+ -------------------------------------------------------------------------------------------------


def annotation_texts(night: AlignedNight) -> Iterator[tuple[float, float, str]]:
    """Yield (onset in seconds, duration in seconds, text) of the annotations that show a night.

    ``reference: N2`` and ``device: light`` stand once an epoch, as scorings do; ``disagreement: N2 / W`` once a
    run of epochs with the same two stages. An epoch on which a side is silent gets no annotation of that side.
    """
    for row in aligned_rows(night):
        for side in ("reference", "device"):
            if row[side] is not None:
                yield row["onset"], row["duration"], f"{side}: {row[side]}"
    first = 0
    for (reference, device, disagrees), run in groupby(
        zip(night.reference, night.device, night.disagrees, strict=True)
    ):
        epochs = len(list(run))
        if disagrees:
            yield _onset_s(night, first), epochs * night.epoch_s, f"disagreement: {reference} / {device}"
        first += epochs


def edf_bytes(night: AlignedNight) -> bytes:
    """Return a night as an EDF+ file of annotations (see :func:`annotation_texts`).

    Its start is that of the recording, as a clock reading; the format has no zone. Where the night tells elapsed
    time only, it is 1 January 1985, midnight, which EDF+ uses for an unknown date. A window that begins before
    the recording does has the file begin with the window.

    Raises
    ------
    OutputError
        When the night began before 1985, which EDF cannot tell.

    References
    ----------
    .. [1] Kemp B, Olivan J. European data format 'plus' (EDF+), an EDF alike standard format for the exchange
       of physiological data. Clin Neurophysiol 2003;114:1755-1761.
    """
    from sleepagree.readers.edf.writer import encode_edf_annotations

    if night.first_onset_s < 0:
        night = replace(night, first_onset_s=0.0)
    start = _UNKNOWN_DATE
    if night.start is not None:
        start = add_seconds(night.start, -night.first_onset_s)
        if start.year < _UNKNOWN_DATE.year:
            found, remedy = f"{start:%Y-%m-%d}", "Correct the date of the reference, or ask for another format."
            raise OutputError("EDF tells no date before 1985", found=found, expected="1985 or later", remedy=remedy)
    # control characters close and separate annotations
    texts = ((onset_s, duration_s, printable(text)) for onset_s, duration_s, text in annotation_texts(night))
    return encode_edf_annotations(sorted(texts, key=lambda item: item[0]), start=start)
