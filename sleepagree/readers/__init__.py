"""Readers: one file format each, bytes in and scored spans out."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

from sleepagree.errors import FileFormatError, InputError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.layout import Layout

_TABLES: Final = (".csv", ".tsv", ".txt")
_MNE: Final = (".fif", ".vhdr", ".vmrk", ".set", ".amrk", ".fif.gz")


def _read_edf(path: str, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.hypnogram.zones import with_zone
    from sleepagree.readers.edf.recording import read_edf

    spans = read_edf(path, layout=layout, own_words=own)
    return with_zone(spans, zone or (layout.zone if layout else None))


def _read_table(path: str, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    if path.casefold().endswith("events.tsv"):
        from sleepagree.readers.table.events import read_events

        return read_events(path, layout=layout, zone=zone, own_words=own)
    from sleepagree.readers.table.reader import read_table

    return read_table(path, layout=layout, zone=zone, own_words=own)


def _read_parquet(path: str, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.readers.table.parquet import read_parquet

    return read_parquet(path, layout=layout, zone=zone, own_words=own)


def _read_json(path: str, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.readers.json.file import read_json

    return read_json(path, layout=layout, zone=zone, own_words=own)


def _read_mne(path: str, layout: Layout | None, zone: str | None, own: frozenset[str]) -> ScoredSpans:
    from sleepagree.hypnogram.zones import with_zone
    from sleepagree.readers.mne_files import read_mne_file

    spans = read_mne_file(path, layout=layout, own_words=own)
    return with_zone(spans, zone or (layout.zone if layout else None))


def _beside_events(path: str) -> tuple[str, ...]:
    if not path.casefold().endswith("events.tsv"):
        return ()
    from sleepagree.readers.table.events import find_sidecars

    return tuple(map(os.fspath, find_sidecars(Path(path))))


def _beside_mne(path: str) -> tuple[str, ...]:
    from sleepagree.readers.mne_files import files_of_one_recording

    return tuple(map(os.fspath, files_of_one_recording(Path(path))))


#: Suffix -> the other files that its reader may open. A reader that opens one more names it here: what is not named
#: is neither looked at before kept results are used again, nor kept from being overwritten.
_COMPANIONS: Final[dict[str, Callable[[str], tuple[str, ...]]]] = {
    ".tsv": _beside_events,
    **dict.fromkeys(_MNE, _beside_mne),
}


def companion_files(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Return the files beside one file, or above it, that decide with it what is read.

    Parameters
    ----------
    path : path-like
        File that :func:`read_spans` reads.

    Returns
    -------
    tuple of str
        Paths in a fixed order; a file that need not exist may be among them.

    Examples
    --------
    >>> companion_files("ferry/night-1.csv")
    ()
    >>> companion_files("ferry/night-1.vhdr")[:2]
    ('ferry/night-1.vmrk', 'ferry/night-1.ahdr')
    """
    text = os.fspath(path)
    find = _COMPANIONS.get(_suffix_of(os.path.basename(text)))  # noqa: PTH119
    return () if find is None else find(text)


def _suffix_of(name: str) -> str:
    suffix = os.path.splitext(name)[1].casefold()  # noqa: PTH122
    return ".fif.gz" if suffix == ".gz" and name.casefold().endswith(".fif.gz") else suffix


Reader = Callable[[str, Layout | None, str | None, frozenset[str]], ScoredSpans]

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
    path: str | os.PathLike[str],
    *,
    layout: Layout | None = None,
    zone: str | None = None,
    own_words: frozenset[str] = frozenset(),
) -> ScoredSpans:
    """Read the stages of one file with the reader of its suffix.

    Parameters
    ----------
    path : path-like
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
    text = os.fspath(path)
    name = os.path.basename(text)  # noqa: PTH119
    suffix = _suffix_of(name)
    reader = READERS.get(suffix)
    if reader is None:
        if Path(text).is_dir():
            raise InputError("this is a folder", text, "", "", "a file", "Give the path of one file inside it.")
        problem, expected = "no reader takes this kind of file", "one of " + ", ".join(READERS)
        remedy = "Rename the file if its suffix is wrong, or export it as EDF+, CSV or JSON."
        raise FileFormatError(problem, name, found=suffix or "no suffix", expected=expected, remedy=remedy)
    return reader(text, layout, zone, own_words)
