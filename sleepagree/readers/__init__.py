"""Readers: one file format each, bytes in and scored spans out."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from sleepagree.errors import FileFormatError, InputError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.layout import Layout, Silence

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


def part_files(path: str | os.PathLike[str], folder: str = "") -> tuple[str, ...]:
    """Return the files that a path names: itself, or the parts of a recording that ``+`` joins.

    Parameters
    ----------
    path : path-like
        As it is written: ``A.edf+B.edf`` names two parts, unless a file has that very name.
    folder : str
        Folder that what is written is relative to.

    Examples
    --------
    >>> part_files("deck/A.edf+deck/B.edf"), part_files("deck+bridge/A.csv")
    (('deck/A.edf', 'deck/B.edf'), ('deck+bridge/A.csv',))
    """
    text = os.fspath(path)
    pieces = text.split("+") if "+" in text else [text]
    whole = os.path.join(folder, text)  # noqa: PTH118
    if len(pieces) == 1 or os.path.exists(whole):  # noqa: PTH110
        return (whole,)
    parts = [""]
    for piece in pieces:
        parts[-1] += piece
        if _suffix_of(piece) in READERS:
            parts.append("")
        else:
            parts[-1] += "+"
    if parts[-1]:  # what follows the last suffix is no part
        return (whole,)
    return tuple(os.path.join(folder, part) for part in parts[:-1])  # noqa: PTH118


def read_spans(
    path: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    layout: Layout | None = None,
    zone: str | None = None,
    own_words: frozenset[str] = frozenset(),
) -> ScoredSpans:
    """Read the stages of one file with the reader of its suffix.

    Parameters
    ----------
    path : path-like or sequence of them
        File; several, or a path that joins them with ``+``, are parts of one recording in order.
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
    parts = part_files(path) if isinstance(path, (str, os.PathLike)) else tuple(os.fspath(part) for part in path)
    if len(parts) == 1:
        return _read_one(parts[0], layout, zone, own_words)
    from sleepagree.hypnogram.joining import join_parts

    if not parts:
        raise ValueError("path must name one file or more")
    return join_parts([_read_one(part, layout, zone, own_words) for part in parts])


def _read_one(text: str, layout: Layout | None, zone: str | None, own_words: frozenset[str]) -> ScoredSpans:
    name = os.path.basename(text)  # noqa: PTH119
    suffix = _suffix_of(name)
    reader = READERS.get(suffix)
    if reader is None:
        if Path(text).is_dir():
            raise InputError("this is a folder", text, "", "", "a file", "Give the path of one file inside it.")
        problem, expected = "no reader takes this kind of file", "one of " + ", ".join(READERS)
        remedy = "Rename the file if its suffix is wrong, or export it as EDF+, CSV or JSON."
        raise FileFormatError(problem, name, found=suffix or "no suffix", expected=expected, remedy=remedy)
    spans = reader(text, layout, zone, own_words)
    if layout is None or layout.silence is Silence.MISSING:
        return spans
    from sleepagree.hypnogram.silence import silence_as_wake

    return silence_as_wake(spans)
