"""Readers: one file format each, bytes in and scored spans out."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

from sleepagree.errors import FileFormatError, InputError
from sleepagree.hypnogram import ScoredSpans
from sleepagree.readers.layout import Layout

_TABLES: Final = (".csv", ".tsv", ".txt")
_MNE: Final = (".fif", ".vhdr", ".vmrk", ".set", ".amrk", ".fif.gz")


def _read_edf(path: Path, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.readers.edf import read_edf
    from sleepagree.zones import with_zone

    spans = read_edf(path, layout=layout, own_words=own)
    return with_zone(spans, zone or (layout.zone if layout else None))


def _read_table(path: Path, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    if path.name.casefold().endswith("events.tsv"):
        from sleepagree.readers.events import read_events

        return read_events(path, layout=layout, zone=zone, own_words=own)
    from sleepagree.readers.table import read_table

    return read_table(path, layout=layout, zone=zone, own_words=own)


def _read_parquet(path: Path, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.readers.parquet import read_parquet

    return read_parquet(path, layout=layout, zone=zone, own_words=own)


def _read_json(path: Path, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.readers.json_file import read_json

    return read_json(path, layout=layout, zone=zone, own_words=own)


def _read_mne(path: Path, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.readers.mne_files import read_mne_file
    from sleepagree.zones import with_zone

    spans = read_mne_file(path, layout=layout, own_words=own)
    return with_zone(spans, zone or (layout.zone if layout else None))


Reader = Callable[[Path, Layout | None, str | None, frozenset[str]], ScoredSpans]

#: Suffix -> reader. An explicit table: nothing is discovered at import.
READERS: Final[dict[str, Reader]] = {
    ".edf": _read_edf,
    ".bdf": _read_edf,
    **dict.fromkeys(_TABLES, _read_table),
    ".parquet": _read_parquet,
    ".json": _read_json,
    ".ndjson": _read_json,
    ".jsonl": _read_json,
    **dict.fromkeys(_MNE, _read_mne),
}


def read_spans(
    path: Path,
    *,
    layout: Layout | None = None,
    zone: str | None = None,
    own_words: frozenset[str] = frozenset(),
) -> ScoredSpans:
    """Read the stages of one file with the reader of its suffix.

    Parameters
    ----------
    path : Path
        File.
    layout : Layout, optional
        How to read it.
    zone : str, optional
        IANA zone of its naive times; goes before the layout's.
    own_words : frozenset of str
        Labels that a mapping file explains.

    Raises
    ------
    FileFormatError
        When no reader takes the suffix, or the file breaks its format.
    InputError
        When it cannot be used for another reason.
    """
    # on the text: a study asks thousands of times, and a Path takes itself apart anew each time
    name = os.path.basename(os.fspath(path)).casefold()  # noqa: PTH119
    suffix = ".fif.gz" if name.endswith(".fif.gz") else os.path.splitext(name)[1]  # noqa: PTH122
    reader = READERS.get(suffix)
    if reader is None:
        if path.is_dir():
            raise InputError("this is a folder", str(path), "", "", "a file", "Give the path of one file inside it.")
        raise FileFormatError(
            "no reader takes this kind of file",
            path.name,
            "",
            suffix or "no suffix",
            "one of " + ", ".join(READERS),
            "Rename the file if its suffix is wrong, or export it as EDF+, CSV or JSON.",
        )
    return reader(path, layout, zone, own_words)
