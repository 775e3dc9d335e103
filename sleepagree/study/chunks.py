"""Chunks of a study: fixed runs of rows, finished ones kept in a folder beside the results until all of it is there.

A chunk holds the same rows whatever the number of workers, so that the output is the same bytes. One that was kept is
used again when its rows, their files, the options and the versions have the same hash.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
import platform
import re
import shutil
import stat
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any, Final

import sleepagree
from sleepagree.errors import Message, OutputError
from sleepagree.files.object_store import Stamps, is_remote
from sleepagree.files.writing import is_partial, refuse_inputs, sole_run, write_text
from sleepagree.readers.any_file import companion_files, part_files
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.run import ChunkResult, ScoringOptions
from sleepagree.study.table import NightRow, NightsTable

Chunk = tuple[NightRow, ...]

#: Rows that are scored and kept together.
CHUNK_ROWS: Final = 25
LARGE_CHUNK_ROWS: Final = 125
_LARGE_STUDY_ROWS: Final = 1000

#: What a kept night holds; a higher number than that of an earlier run scores its nights again.
_KEPT_FORM: Final = 14

#: How the name of the folder ends that keeps them; `sleepagree nights` passes it over.
UNFINISHED: Final = ".unfinished"
_MADE_IN: Final = "made-in"
_CHUNK_NAME: Final = re.compile(r"chunk-\d{6,}\.json")

#: Recordings above this size are not hashed whole to see whether they are the same as before an interruption.
_HASHED_WHOLE_BYTES: Final = 64 * 1024 * 1024


def chunk_rows(rows: Sequence[NightRow]) -> tuple[Chunk, ...]:
    """Return the rows in chunks whose size depends on the number of rows only."""
    size = LARGE_CHUNK_ROWS if len(rows) >= _LARGE_STUDY_ROWS else CHUNK_ROWS
    return tuple(tuple(rows[i : i + size]) for i in range(0, len(rows), size))


class KeptChunks:
    """The finished chunks of a study in a folder of their own.

    Parameters
    ----------
    folder : Path
        Where they lie; it is made when it is missing.
    chunks : sequence of tuples of NightRow
        All chunks of the study. Their files are hashed at once, before anything is read: a file that changes later
        gets another key, and is scored again by the next run.
    table : NightsTable
        The table that they are of.
    options : ScoringOptions
        What was asked for.
    resume : bool
        Whether chunks of an earlier run may be used; else they are removed.
    """

    def __init__(
        self, folder: Path, chunks: Sequence[Chunk], table: NightsTable, options: ScoringOptions, *, resume: bool
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        if not resume:
            forget_chunks(folder)
        stamps = Stamps()
        self._folder = folder
        self._keys = [_key(chunk, table, options, stamps) for chunk in chunks]

    def has(self, index: int) -> bool:
        """Whether a finished chunk begins with the key of this one; the rest of it is read when its turn comes."""
        begin = json.dumps({"key": self._keys[index]})[:-1].encode()
        try:
            with self._path(index).open("rb") as stream:
                return stream.read(len(begin)) == begin
        except OSError:
            return False

    def load(self, index: int) -> ChunkResult | None:
        """Return a finished chunk; None where it is not there, cut short or from another version."""
        try:
            document = json.loads(self._path(index).read_text(encoding="utf-8"))
            if document["key"] != self._keys[index]:
                return None
            outcomes = tuple(
                _refusal_of(o["refusal"]) if "refusal" in o else NightSummary.from_document(o)
                for o in document["outcomes"]
            )
            return ChunkResult(outcomes, base64.b64decode(document["epochs"], validate=True))
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def store(self, index: int, result: ChunkResult) -> None:
        """Keep a finished chunk."""
        outcomes = [
            {"refusal": asdict(outcome)} if isinstance(outcome, Refusal) else outcome.to_document()
            for outcome in result.outcomes
        ]
        epochs = base64.b64encode(result.epochs).decode("ascii")
        document = {"key": self._keys[index], "outcomes": outcomes, "epochs": epochs}
        write_text(self._path(index), json.dumps(document))

    def _path(self, index: int) -> Path:
        return self._folder / f"chunk-{index:06d}.json"


def _refusal_of(document: dict[str, Any]) -> Refusal:
    parts = document["parts"]
    return Refusal(**{**document, "parts": None if parts is None else Message(*parts)})


def forget_chunks(keep: Path) -> None:
    """Remove finished chunks, and what a killed run left of one; whatever else lies there is not ours."""
    ours = [path for path in keep.iterdir() if _CHUNK_NAME.fullmatch(path.name) or is_partial(path.name)]
    refuse_inputs(ours)
    for path in ours:
        path.unlink()


def input_files(table: NightsTable) -> Iterator[Path | str]:
    """Yield the files of this machine that a study of a table reads, the table and what belongs to its files included.

    Parameters
    ----------
    table : NightsTable
        The table.
    """
    yield table.path(table.name)
    for name in _file_names(table.rows):
        if not is_remote(name):
            for path in part_files(name, str(table.folder)):
                yield Path(path)
                yield from companion_files(path)


def _file_names(rows: Iterable[NightRow]) -> list[str]:
    return sorted({n for r in rows for n in (*r.references, r.device_file, r.layout, r.reference_layout) if n})


def _key(chunk: Chunk, table: NightsTable, options: ScoringOptions, stamps: Stamps) -> str:
    """Return a hash of everything a chunk's result depends on: rows, bytes of their files, options, versions."""
    digest = hashlib.sha256()
    digest.update(json.dumps([_versions(), _KEPT_FORM, asdict(options), [asdict(r) for r in chunk]]).encode())
    for name in _file_names(chunk):
        digest.update(name.encode("utf-8", "surrogateescape"))
        # a store that tells no versions apart: nothing kept is used again
        if is_remote(name):
            digest.update(stamps.stamp(name) or os.urandom(32))
            continue
        parts = part_files(name, str(table.folder))
        # what a file means may stand in another one: one that comes, goes or changes counts like the file itself
        for file in map(Path, parts):
            digest.update(_stamp(file))
            for companion in map(Path, companion_files(file)):
                digest.update(companion.name.encode("utf-8", "surrogateescape"))
                digest.update(_stamp(companion))
    return digest.hexdigest()


@cache
def _versions() -> dict[str, str]:
    """Return the versions of this package and of those that read files and times for it."""
    from importlib.metadata import PackageNotFoundError, version  # it costs as much as ten nights

    found = {"sleepagree": sleepagree.__version__, "python": platform.python_version()}
    for name in ("numpy", "pandas", "mne", "openpyxl", "pyarrow", "tzdata"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = ""
    return found


def _stamp(path: Path) -> bytes:
    """Return a hash of a file's bytes; of a large recording its size, time of change and first megabyte do."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            return b"no file"
        with path.open("rb") as stream:
            if status.st_size <= _HASHED_WHOLE_BYTES:
                return hashlib.file_digest(stream, "sha256").digest()
            first = stream.read(1024 * 1024)
    except (OSError, ValueError):
        return b"unreadable"
    # the time of change of its entry, too: a copying program may set the other one back
    times = f"{status.st_size} {status.st_mtime_ns} {status.st_ctime_ns} "
    return hashlib.sha256(times.encode() + first).digest()


# --- the folder that keeps them ---------------------------------------------------------------------------


def unfinished_folder(out: Path) -> Path:
    """Return where the finished chunks of an interrupted study are kept: beside its results.

    Raises
    ------
    OutputError
        When nothing can stand beside them, as they are the whole file system.
    """
    if out.name in ("", ".."):  # "." and "..": the folder has a name, which is written nowhere
        out = out.resolve()
    if not out.name:
        problem, expected = "a whole file system cannot be the folder of results", "a folder in it"
        raise OutputError(problem, str(out), expected=expected, remedy="Give the name of a new folder.")
    return out.with_name(f"{out.name}{UNFINISHED}")


@contextlib.contextmanager
def sole_study(out: Path) -> Iterator[Path]:
    """Hold the folder of finished chunks for the one study that makes ``out``; yield it.

    What a killed run left half-made goes first. At the end the folder goes too; after an error the finished chunks
    stay in it, for a run that goes on.

    Raises
    ------
    OutputError
        When another run is making ``out``, or the folder cannot be written to.
    """
    keep = unfinished_folder(out)
    with sole_run(keep, out):
        _sweep(keep, out)
        try:
            yield keep
        except BaseException:
            _forget(keep)
            raise
        with contextlib.suppress(OSError):
            forget_chunks(keep)
        _forget(keep)


def remember(keep: Path, made: Path) -> None:
    """Note the folder that results are made in, for a run that is killed cannot remove it."""
    keep.mkdir(parents=True, exist_ok=True)
    (keep / _MADE_IN).write_text(made.name, encoding="utf-8")


def _forget(keep: Path) -> None:
    with contextlib.suppress(OSError):
        (keep / _MADE_IN).unlink()
        keep.rmdir()


def _sweep(keep: Path, out: Path) -> None:
    """Remove the half-made results that a killed run left beside the folder of results, or in it."""
    try:
        name = (keep / _MADE_IN).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return
    if is_partial(name) and Path(name).name == name:
        for folder in (out, keep.parent):
            shutil.rmtree(folder / name, ignore_errors=True)
