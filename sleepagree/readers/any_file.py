"""Files of any kind: which reader takes one, under which path it can be read, and what it is read into."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from sleepagree.errors import FileFormatError, InputError, SleepAgreeError
from sleepagree.files.kinds import HEAD_BYTES, MARKUP
from sleepagree.files.packed import PACKED, STANDARD_INPUT, STANDARD_INPUT_NAME, Content, read_standard_input, unpack
from sleepagree.files.reading import holding, open_known, read_bytes
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.zones import with_zone
from sleepagree.readers.layout import NO_LAYOUT, Layout, Silence

if TYPE_CHECKING:
    from sleepagree.readers.table.table import Table

_MNE: Final = (".fif", ".vhdr", ".vmrk", ".set", ".amrk", ".fif.gz")
#: Suffix -> the reader's name. An explicit table: nothing is discovered at import.
_KINDS: Final = {
    **dict.fromkeys((".edf", ".bdf"), "edf"),
    **dict.fromkeys((".csv", ".tsv", ".txt", ".md"), "table"),
    ".parquet": "parquet",
    ".xlsx": "excel",
    **dict.fromkeys((".json", ".ndjson", ".jsonl"), "json"),
    **dict.fromkeys(_MNE, "mne"),
}
#: Suffixes of files that can be read.
SUFFIXES: Final = (*_KINDS, *PACKED, *MARKUP)


def kind_of_file(name: str) -> str:
    """Return the name of the reader that a file's name chooses: edf, table, events, parquet, excel, json, mne or ""."""
    kind = _KINDS.get(_suffix_of(name), "")
    return "events" if kind == "table" and name.casefold().endswith("events.tsv") else kind


def _read_as(
    kind: str, path: str, layout: Layout | None, zone: str | None, own_words: frozenset[str]
) -> ScoredSpans | None:
    """Return what the reader of a name makes of a file, None where no reader has it; only what is needed is loaded."""
    given = layout or NO_LAYOUT
    match kind:
        case "edf":
            from sleepagree.readers.edf.recording import read_edf

            return with_zone(read_edf(path, layout=layout, own_words=own_words), zone or given.zone)
        case "mne":
            from sleepagree.readers.mne_files import read_mne_file

            return with_zone(read_mne_file(path, layout=layout, own_words=own_words), zone or given.zone)
        case "events":
            from sleepagree.readers.table.events import read_events

            return read_events(path, layout=layout, zone=zone, own_words=own_words)
        case "json":
            from sleepagree.readers.json.file import read_json

            return read_json(path, layout=layout, zone=zone, own_words=own_words)
    table = _table_of(kind, path, given)
    if table is None:
        return None
    from sleepagree.readers.table.reader import spans_of_table

    return spans_of_table(table, layout=given, zone=zone, own_words=own_words)


def whole_table(path: str | os.PathLike[str], layout: Layout | None = None) -> Table | None:
    """Return the table that a file holds, with all of its columns, before anything is known of them.

    Parameters
    ----------
    path : path-like
        Any file that can be read; ``-`` is standard input.
    layout : Layout, optional
        Of which the keys count that say where the table stands: ``delimiter``, ``encoding``, ``skip_lines``,
        ``header``, ``records``, ``sheet``, and ``shape`` for texts of codes without names.

    Returns
    -------
    Table or None
        None where the file is none: a recording, or records of a standard.

    Raises
    ------
    SleepAgreeError
        When it cannot be taken apart.
    """
    with opened(os.fspath(path)) as (held, name, _):
        return _table_of(kind_of_file(name), held, layout or NO_LAYOUT, whole=True)


def _table_of(kind: str, path: str, layout: Layout, *, whole: bool = False) -> Table | None:
    """Return the table that a file of a kind holds, None for a kind that is none; ``whole`` asks for every column."""
    match kind:
        case "table" | "events":
            from sleepagree.readers.table.reader import table_of_text

            return table_of_text(path, layout, kind)
        case "excel":
            from sleepagree.readers.table.excel import table_of_sheet

            return table_of_sheet(path, layout)
        case "parquet":
            from sleepagree.readers.table.parquet import parquet_table

            return parquet_table(path, layout, whole=whole)
        case "json":
            from sleepagree.readers.json.file import json_table

            return json_table(path, layout)
    return None


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
    beside: Iterable[Path] = ()
    # a reader that opens one more names it here: what is not named is neither looked at before kept results are used
    # again, nor kept from being overwritten
    if text.casefold().endswith(("events.tsv", "events.tsv.gz", ".zip")):
        from sleepagree.readers.table.events import find_sidecars

        beside = find_sidecars(Path(text))
    elif _suffix_of(text) in _MNE:
        from sleepagree.readers.mne_files import files_of_one_recording

        beside = files_of_one_recording(Path(text))
    return tuple(map(os.fspath, beside))


def names_file(text: str) -> bool:
    """Whether a text ends in a suffix of files that can be read.

    Examples
    --------
    >>> names_file("night-1.EDF"), names_file("N2")
    (True, False)
    """
    return _suffix_of(text) in SUFFIXES


def _suffix_of(name: str) -> str:
    suffix = os.path.splitext(name)[1].casefold()  # noqa: PTH122
    return ".fif.gz" if suffix == ".gz" and name.casefold().endswith(".fif.gz") else suffix


class Opened(NamedTuple):
    """A file that can be read: the path it has meanwhile, the name that tells its kind, and the hash of its markup."""

    path: str
    name: str
    markup_sha256: str = ""


@contextmanager
def opened(path: str) -> Iterator[Opened]:
    """Yield the path under which a file can be read inside the block, and the name that tells its kind.

    They are its own unless it is a text with an ending that no reader takes, is compressed or of markup, or stands for
    standard input (``-``): the content of the last three is held in memory.

    Raises
    ------
    FileFormatError, InputError
        When it is broken, holds another number of files than one, or is too large for that.
    """
    name = os.path.basename(path)  # noqa: PTH119
    if path == STANDARD_INPUT:
        path, content = STANDARD_INPUT_NAME, read_standard_input()
    elif (suffix := _suffix_of(name)) in PACKED:
        content = unpack(path)
    elif suffix in MARKUP:
        content = Content(name, read_bytes(path, expected="a text of markup"))
    else:
        yield Opened(path, name if kind_of_file(name) or not _is_text(path) else f"{name}.txt")
        return
    sha256 = ""
    if (suffix := _suffix_of(content.name)) in MARKUP:
        from sleepagree.files.markup import said_otherwise  # parsers of XML and HTML cost as much as reading a table

        sha256 = hashlib.sha256(content.data).hexdigest()
        content = said_otherwise(path, suffix, content.data)
    if kind_of_file(content.name) == "mne":
        remedy = "Unpack it and give the file inside."
        raise FileFormatError("a recording for MNE cannot be read inside a compressed file", path, remedy=remedy)
    with holding(path, content.data):
        yield Opened(path, content.name, sha256)


def _is_text(path: str) -> bool:
    """Whether a file is a text of lines."""
    try:
        with open_known(path) as file:
            return b"\n" in file.read_at(0, min(HEAD_BYTES, file.size))
    except SleepAgreeError:
        return False


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
        if _suffix_of(piece) in SUFFIXES:
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

    Examples
    --------
    >>> spans = read_spans("fixtures/ferry/reference/crew-1-night-1.edf")
    >>> spans.stages
    ('W', 'N1', 'N2', 'N3', 'R')
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
    with opened(text) as file:
        name = file.name
        spans = _read_as(kind_of_file(name), file.path, layout, zone, own_words)
        if spans is not None:
            if file.markup_sha256:  # what was read was made of it, and is no file that anybody has
                spans = spans.with_changes(origin=replace(spans.origin, sha256=file.markup_sha256))
            if layout is None or layout.silence is Silence.MISSING:
                return spans
            from sleepagree.hypnogram.silence import silence_as_wake

            return silence_as_wake(spans)
    if Path(text).is_dir():
        raise InputError("this is a folder", text, "", "", "a file", "Give the path of one file inside it.")
    problem, expected = "no reader takes this kind of file", "one of " + ", ".join(SUFFIXES)
    remedy = "Rename the file if its suffix is wrong, or export it as EDF+, CSV or JSON."
    outer = os.path.basename(text)  # noqa: PTH119
    raise FileFormatError(problem, outer, found=_suffix_of(name) or "no suffix", expected=expected, remedy=remedy)
