"""Scoring the rows of a nights table: in chunks, in one process or many, resumable, refusals kept.

A chunk is a fixed run of rows, whatever the number of workers, so that the output is the same bytes. Finished
chunks are kept in a folder of their own; with ``resume`` a chunk is used again when its rows, its input files
and the options have the same hashes.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import os
import platform
import re
import signal
import stat
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

import sleepagree
from sleepagree.errors import InputError, SleepAgreeError
from sleepagree.files.object_store import Stamps, fetched, is_remote
from sleepagree.files.writing import is_partial, refuse_inputs, write_text
from sleepagree.hypnogram.align import Outside, PairedNight, Window, align, parse_window
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.files import own_words
from sleepagree.mapping.stages import StageMapping
from sleepagree.readers import companion_files, read_spans
from sleepagree.readers.layout import Layout
from sleepagree.study.anonymous import anonymous_night, rename_spans
from sleepagree.study.night_summary import NightSummary, Refusal, SourceFile, summarise_night
from sleepagree.study.table import NightRow, NightsTable

Outcome = NightSummary | Refusal
_Scorings = tuple[ScoredSpans, ...]

#: Rows that are scored and kept together.
CHUNK_ROWS: Final = 25
LARGE_CHUNK_ROWS: Final = 125
_LARGE_STUDY_ROWS: Final = 1000

#: What a kept night holds; a higher number than that of an earlier run scores its nights again.
_KEPT_FORM: Final = 2

_CHUNK_NAME: Final = re.compile(r"chunk-\d{6,}\.json")

#: Recordings above this size are not hashed whole to see whether they are the same as before an interruption.
_HASHED_WHOLE_BYTES: Final = 64 * 1024 * 1024

#: Below this many rows, starting workers costs more than they save (docs/performance.md).
FEWEST_ROWS_FOR_WORKERS: Final = 1000


@dataclass(frozen=True)
class ScoringOptions:
    """What the user asked for, as far as single nights go.

    Parameters
    ----------
    mappings : tuple of StageMapping
        Mappings asked for; () for the default of each device.
    window : str
        Window rule for rows that give none, "" for the default.
    outside : str
        ``missing`` or ``wake``.
    reports : tuple of str
        What every device can report, () for their layouts and labels.
    clock : bool
        Whether to look for a clock offset.
    epochs : bool
        Whether to return the epochs of each night as text, for the epochs file.
    anonymous : bool
        Whether summaries tell no file name, no date and no text of a refused file (:mod:`sleepagree.study.anonymous`).
    """

    mappings: tuple[StageMapping, ...] = ()
    window: str = ""
    outside: str = "missing"
    reports: tuple[str, ...] = ()
    clock: bool = True
    epochs: bool = False
    anonymous: bool = False


@dataclass(frozen=True)
class ChunkResult:
    """Outcomes of the rows of one chunk, in order, and their epochs as CSV lines in a gzip member (no header).

    Whoever scores compresses: the lines are thirty times as large, and travel from a cluster's workers.
    """

    outcomes: tuple[Outcome, ...]
    epochs: bytes = b""


def chunk_rows(rows: Sequence[NightRow]) -> tuple[tuple[NightRow, ...], ...]:
    """Return the rows in chunks whose size depends on the number of rows only."""
    size = LARGE_CHUNK_ROWS if len(rows) >= _LARGE_STUDY_ROWS else CHUNK_ROWS
    return tuple(tuple(rows[i : i + size]) for i in range(0, len(rows), size))


def score_rows(rows: Sequence[NightRow], folder: Path, options: ScoringOptions) -> ChunkResult:
    """Score rows; a night that cannot be scored becomes a refusal."""
    files = _Files(folder, own_words(options.mappings))
    outcomes: list[Outcome] = []
    texts: list[str] = []
    for row in rows:
        try:
            paired, summary = _score_row(row, files, options)
        except SleepAgreeError as error:
            reason = f"{error.problem}." if options.anonymous else reason_without_folders(error, folder)
            outcomes.append(Refusal(row.row, row.participant, row.night, row.device, reason))
            continue
        outcomes.append(summary)
        if options.epochs:
            texts.append(epoch_text(paired, row))
    return ChunkResult(tuple(outcomes), gzip_member("".join(texts)) if texts else b"")


def gzip_member(text: str) -> bytes:
    """Return text as a gzip member without name and time; members one after the other are a gzip file."""
    stream = io.BytesIO()
    with gzip.GzipFile("", "wb", 6, stream, mtime=0) as member:
        member.write(text.encode())
    return stream.getvalue()


#: Options of the commands for one night; a study has columns for them.
_ROW_OPTION: Final = re.compile(r"(?<![\w-])--(reference|device|clock)-(zone|offset)( ZONE| SECONDS)?(?![\w-])")


def reason_without_folders(error: SleepAgreeError, folder: Path) -> str:
    """Return the message of an error with file names as the table of nights writes them.

    Results are passed on: they tell nothing about the folders of this machine, and are the same bytes wherever a
    study lies and whichever process scored it.
    """
    path = error.path
    if path:
        inside = Path(path).is_relative_to(folder) and ".." not in Path(path).parts
        path = Path(path).relative_to(folder).as_posix() if inside else Path(path).name
    remedy = error.remedy_naming("column layout or reference_layout of the nights table")
    remedy = _ROW_OPTION.sub(r"\1_\2 (a column of the nights table)", remedy)
    texts = [path, error.where, error.found, error.expected, remedy]
    for place in sorted({str(folder.absolute()), str(Path.cwd())} - {"/"}, key=len, reverse=True):
        texts = [text.replace(f"{place}/", "").replace(place, "the study's folder") for text in texts]
    return str(SleepAgreeError(error.problem, *texts))


def score_row(row: NightRow, folder: Path, options: ScoringOptions) -> tuple[PairedNight, NightSummary]:
    """Read, align and reduce one row of the table."""
    return _score_row(row, _Files(folder, own_words(options.mappings)), options)


def _score_row(row: NightRow, files: _Files, options: ScoringOptions) -> tuple[PairedNight, NightSummary]:
    scorings = files.scorings(row)
    return _reduce(row, _pair(row, scorings, files.device(row), options), options)


class _PairedRow(NamedTuple):
    """A row whose files are read and aligned."""

    paired: PairedNight
    scorings: _Scorings
    device: ScoredSpans
    sources: tuple[SourceFile, ...]


def _pair(row: NightRow, scorings: _Scorings, device: ScoredSpans, options: ScoringOptions) -> _PairedRow:
    sources = tuple(_source(name, s) for name, s in zip(row.references, scorings, strict=True))
    if options.anonymous and len(scorings) > 1:
        _refuse_copies(scorings)
        scorings = tuple(rename_spans(s, f"scorer {i}") for i, s in enumerate(scorings, 1))
    window = parse_window(row.window or options.window) if row.window or options.window else None
    paired = align(
        reference=_agree_on_reference(scorings, window),
        device=device,
        clock_offset_s=row.clock_offset_s,
        window=window,
        outside=Outside(options.outside),
        reports=options.reports or None,
    )
    return _PairedRow(paired, scorings, device, sources)


def _source(written: str, spans: ScoredSpans) -> SourceFile:
    """Return name and hash of a file; the name is the table's own text where it can be."""
    return SourceFile(written if written == spans.origin.name else spans.origin.name, spans.origin.sha256)


def _reduce(row: NightRow, night: _PairedRow, options: ScoringOptions) -> tuple[PairedNight, NightSummary]:
    paired, scorings, device, sources = night
    own = _source(row.device_file, device)
    scorers: tuple[Any, ...] = ()
    if len(scorings) > 1:
        from sleepagree.study.scorers import compare_scorers

        scorers = compare_scorers(scorings, paired)
    if options.anonymous:
        paired = anonymous_night(paired)
        # hashes stay, for they find one night under two names; no output holds them
        sources = tuple(SourceFile(f"reference {i}", s.sha256) for i, s in enumerate(sources, 1))
        own = SourceFile(paired.sides[1].origin.name, own.sha256)
    summary = summarise_night(
        paired,
        row=row.row,
        participant=row.participant,
        night=row.night,
        device=row.device,
        mapping=options.mappings[0] if options.mappings else None,
        references=sources,
        device_source=own,
        scorers=scorers,
    )
    return paired, _with_clock(summary, paired, options) if options.clock else summary


def _with_clock(summary: NightSummary, paired: PairedNight, options: ScoringOptions) -> NightSummary:
    from sleepagree.mapping.stages import default_mapping
    from sleepagree.scoring.clock_check import check_clock

    mapping = options.mappings[0] if options.mappings else default_mapping(paired.reference_set, paired.device_set)
    found = check_clock(paired, mapping)
    if found is None:
        return summary
    return replace(summary, best_offset_s=found.offset_s, offset_gain=found.gain, clock_hint=found.hint.value)


class _Files:
    """The files of one run of rows, and the layouts that were read for it.

    It lives no longer than the run: a file that was mended is read again by the next one.
    """

    def __init__(self, folder: Path, words: frozenset[str]) -> None:
        self._folder = str(folder)
        self._words = words
        self._layouts: dict[str, Layout] = {}
        self._scorings: dict[tuple[str, ...], _Scorings | SleepAgreeError] = {}

    def device(self, row: NightRow) -> ScoredSpans:
        return self._read(row.device_file, row.layout, row.device_zone)

    def scorings(self, row: NightRow) -> _Scorings:
        """Return the scorings of a row; the devices of one night share them."""
        key = (*row.references, row.reference_layout, row.reference_zone)
        if key not in self._scorings:
            try:
                found = tuple(self._read(name, row.reference_layout, row.reference_zone) for name in row.references)
            except SleepAgreeError as error:
                self._scorings[key] = error.with_traceback(None)  # a traceback would keep what was read
            else:
                self._scorings[key] = found
        scorings = self._scorings[key]
        if isinstance(scorings, SleepAgreeError):
            raise scorings
        return scorings

    def _read(self, name: str, layout: str, zone: str) -> ScoredSpans:
        how: Any = {"layout": self._layout(layout), "zone": zone or None, "own_words": self._words}
        if not is_remote(name):
            return read_spans(self._local(name), **how)
        with fetched(name) as path:
            return read_spans(path, **how)

    def _layout(self, name: str) -> Layout | None:
        if not name:
            return None
        if name not in self._layouts:
            from sleepagree.readers.layout import read_layout

            with fetched(name) if is_remote(name) else nullcontext(self._local(name)) as path:
                self._layouts[name] = read_layout(path)
        return self._layouts[name]

    def _local(self, name: str) -> str:
        return os.path.join(self._folder, name)  # noqa: PTH118 - a Path costs more than opening the file


def _agree_on_reference(scorings: tuple[ScoredSpans, ...], window: Window | None) -> ScoredSpans:
    """Return the one scoring, or the consensus of several."""
    if len(scorings) == 1:
        return scorings[0]
    _refuse_copies(scorings)
    from sleepagree.study.scorers import build_consensus

    return build_consensus(scorings, window=window)


def _refuse_copies(scorings: tuple[ScoredSpans, ...]) -> None:
    hashes = [s.origin.sha256 for s in scorings if s.origin.sha256]
    if len(set(hashes)) != len(hashes):
        raise InputError(
            "two scorings of this night are the same bytes",
            scorings[0].origin.name,
            "",
            ", ".join(s.origin.name for s in scorings),
            "scorings by different people",
            "Give each scorer's own file; one scoring counted twice would pass for agreement.",
        )


def epoch_text(paired: PairedNight, row: NightRow) -> str:
    """Return the epochs of one night as CSV lines: participant, night, device, epoch, reference, device, status."""
    from sleepagree.files.writing import csv_text
    from sleepagree.hypnogram.align import Status

    words = [status.word for status in Status]
    reference = [*paired.reference_set.stages, ""]
    device = [*paired.device_set.stages, ""]
    head = csv_text([[row.participant, row.night, row.device]]).rstrip("\n")
    cells = (paired.reference.astype(np.int64) * len(device) + paired.device) * len(words) + paired.status
    # a night holds few combinations of stages and status: their texts are made once, not for every epoch
    _, first, kind = np.unique(cells, return_index=True, return_inverse=True)
    ends = [f",{reference[paired.reference[i]]},{device[paired.device[i]]},{words[paired.status[i]]}\n" for i in first]
    return "".join([f"{head},{i}{ends[k]}" for i, k in enumerate(kind.tolist())])


# --- running ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Execution:
    """How chunks are run.

    Parameters
    ----------
    workers : int
        Processes; 1 for none but this.
    scheduler : str
        Address of a Dask scheduler, "" for none.
    keep : Path or None
        Folder for finished chunks.
    resume : bool
        Whether to use finished chunks found there.
    """

    workers: int = 1
    scheduler: str = ""
    keep: Path | None = None
    resume: bool = False


def run_rows(
    table: NightsTable,
    options: ScoringOptions,
    *,
    execution: Execution | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[ChunkResult]:
    """Score all rows of a table, chunk by chunk, in order.

    Parameters
    ----------
    table : NightsTable
        The table.
    options : ScoringOptions
        What was asked for.
    execution : Execution, optional
        Workers, and where finished chunks are kept.
    progress : callable, optional
        Called with rows done and rows in all: before anything is scored, with the rows that were kept by an earlier
        run, and after each chunk.

    Yields
    ------
    ChunkResult
        In the order of the table, whatever the workers do.
    """
    execution = execution or Execution()
    chunks = chunk_rows(table.rows)
    keep = execution.keep
    kept = [False] * len(chunks)
    keys: list[str] = []
    if keep is not None:
        _prepare(keep, resume=execution.resume)
        # before anything is read: a file that changes later gets another key, and is scored again
        stamps = Stamps()
        keys = [_key(chunk, table, options, stamps) for chunk in chunks]
        if execution.resume:
            kept = [_is_kept(_chunk_path(keep, i), key) for i, key in enumerate(keys)]
    missing = [chunk for chunk, found in zip(chunks, kept, strict=True) if not found]
    fresh = _compute(missing, table.folder, options, execution, len(table.rows))
    done = len(table.rows) - sum(map(len, missing))
    if progress is not None:
        progress(done, len(table.rows))
    for i, chunk in enumerate(chunks):
        if keep is not None and kept[i]:
            # one at a time: together they would take the room that chunks are there to save
            loaded = _load(_chunk_path(keep, i), keys[i])
            yield score_rows(chunk, table.folder.absolute(), options) if loaded is None else loaded
            continue
        result = next(fresh)
        if keep is not None:
            _store(_chunk_path(keep, i), keys[i], result)
        done += len(chunk)
        if progress is not None:
            progress(done, len(table.rows))
        yield result


def _compute(
    chunks: list[tuple[NightRow, ...]], folder: Path, options: ScoringOptions, execution: Execution, n_rows: int
) -> Iterator[ChunkResult]:
    folder = folder.absolute()  # in every process alike
    if not execution.scheduler and (execution.workers <= 1 or n_rows < FEWEST_ROWS_FOR_WORKERS):
        for chunk in chunks:
            yield score_rows(chunk, folder, options)
        return
    from joblib import Parallel, delayed

    tasks = (delayed(score_rows)(chunk, folder, options) for chunk in chunks)
    if execution.scheduler:
        yield from _on_cluster(tasks, execution.scheduler)
        return
    from joblib.externals.loky.process_executor import BrokenProcessPool

    try:
        with _deaf_children():
            results = Parallel(n_jobs=execution.workers, backend="loky", return_as="generator")(tasks)
        yield from results
    except BrokenProcessPool:
        raise _worker_died("--workers", "fewer workers") from None


@contextmanager
def _deaf_children() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach: this one hears it, ends them, and says what happened."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _on_cluster(tasks: Any, address: str) -> Iterator[ChunkResult]:
    try:
        from dask.distributed import Client
    except ImportError:
        raise InputError(
            "the cluster extra is not installed",
            "",
            "--scheduler",
            "no dask.distributed",
            "dask with distributed",
            "Install it: pip install 'sleepagree[cluster]'.",
        ) from None
    from joblib import Parallel, parallel_config

    try:
        connect: Any = Client
        client = connect(address, timeout="10s", set_as_default=True)
    except (OSError, ValueError) as error:
        raise InputError(
            "no Dask scheduler answers",
            "",
            "--scheduler",
            f"{address}: {error}",
            "the address of a running scheduler",
            "Check the address (tcp://HOST:PORT) and that the scheduler runs.",
        ) from None
    from dask.distributed import KilledWorker

    with client, parallel_config(backend="dask"):
        try:
            yield from Parallel(return_as="generator")(tasks)
        except KilledWorker:
            raise _worker_died("--scheduler", "more memory for the workers") from None


def _worker_died(option: str, remedy: str) -> InputError:
    return InputError(
        "a worker process died, for lack of memory or because it was killed",
        "",
        option,
        "",
        "workers that live until the study is done",
        f"Nights that were finished are kept: run the same command again with --resume, and with {remedy} or none.",
    )


# --- finished chunks --------------------------------------------------------------------------------------


def _prepare(keep: Path, *, resume: bool) -> None:
    keep.mkdir(parents=True, exist_ok=True)
    if not resume:
        forget_chunks(keep)


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
    names = {n for r in table.rows for n in (*r.references, r.device_file, r.layout, r.reference_layout) if n}
    for name in sorted(names):
        if not is_remote(name):
            path = table.path(name)
            yield path
            yield from companion_files(path)


def _key(chunk: tuple[NightRow, ...], table: NightsTable, options: ScoringOptions, stamps: Stamps) -> str:
    """Return a hash of everything a chunk's result depends on: rows, bytes of their files, options, version."""
    digest = hashlib.sha256()
    digest.update(json.dumps([_versions(), _KEPT_FORM, asdict(options), [asdict(r) for r in chunk]]).encode())
    names = {n for r in chunk for n in (*r.references, r.device_file, r.layout, r.reference_layout) if n}
    for name in sorted(names):
        digest.update(name.encode("utf-8", "surrogateescape"))
        # a store that tells no versions apart: nothing kept is used again
        digest.update((stamps.stamp(name) or os.urandom(32)) if is_remote(name) else _stamp(table.path(name)))
        # what a file means may stand in another one: one that comes, goes or changes counts like the file itself
        for companion in () if is_remote(name) else companion_files(table.path(name)):
            digest.update(os.path.basename(companion).encode("utf-8", "surrogateescape"))  # noqa: PTH119 - speed
            digest.update(_stamp(Path(companion)))
    return digest.hexdigest()


@cache
def _versions() -> dict[str, str]:
    """Return the versions of this package and of those that read files and times for it."""
    from importlib.metadata import PackageNotFoundError, version  # it costs as much as ten nights

    found = {"sleepagree": sleepagree.__version__, "python": platform.python_version()}
    for name in ("numpy", "pandas", "mne", "pyarrow", "tzdata"):
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


def _chunk_path(keep: Path, index: int) -> Path:
    return keep / f"chunk-{index:06d}.json"


def _is_kept(path: Path, key: str) -> bool:
    """Return whether a finished chunk begins with this key; the rest of it is read when its turn comes."""
    begin = json.dumps({"key": key})[:-1].encode()
    try:
        with path.open("rb") as stream:
            return stream.read(len(begin)) == begin
    except OSError:
        return False


def _load(path: Path, key: str) -> ChunkResult | None:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        if document["key"] != key:
            return None
        outcomes = tuple(
            Refusal(**o["refusal"]) if "refusal" in o else NightSummary.from_document(o) for o in document["outcomes"]
        )
        return ChunkResult(outcomes, base64.b64decode(document["epochs"], validate=True))
    except (OSError, ValueError, KeyError, TypeError):
        # not there, cut short or from another version: score it again
        return None


def _store(path: Path, key: str, result: ChunkResult) -> None:
    outcomes = [
        {"refusal": asdict(outcome)} if isinstance(outcome, Refusal) else outcome.to_document()
        for outcome in result.outcomes
    ]
    epochs = base64.b64encode(result.epochs).decode("ascii")
    write_text(path, json.dumps({"key": key, "outcomes": outcomes, "epochs": epochs}))


# --- duplicates -------------------------------------------------------------------------------------------


def refuse_duplicates(outcomes: Sequence[Outcome], table: NightsTable | None = None) -> tuple[Outcome, ...]:
    """Refuse nights whose files or stage sequences stand under another night already.

    Two devices of one night share its reference; one export may serve several nights of its owner, under one path.
    The same reference under two nights, the same bytes of a device in two files, or the same stage sequence on either
    side under two nights, is one night under two names.

    Parameters
    ----------
    outcomes : sequence of NightSummary or Refusal
        In the order of the table.
    table : NightsTable, optional
        Tells which rows name one device file by the same path; without it, equal bytes of devices pass.
    """
    files = {} if table is None else {row.row: row.device_file for row in table.rows}
    folder = Path() if table is None else table.folder
    seen: dict[tuple[str, str], NightSummary] = {}
    out: list[Outcome] = []
    for outcome in outcomes:
        if isinstance(outcome, Refusal):
            out.append(outcome)
            continue
        clash = _clash(outcome, seen) or _copied_device_file(outcome, seen, files, folder)
        if clash:
            out.append(Refusal(outcome.row, outcome.participant, outcome.night, outcome.device, clash))
            continue
        for key in (*_fingerprints(outcome), ("device file", outcome.device_source.sha256)):
            seen.setdefault(key, outcome)
        out.append(outcome)
    return tuple(out)


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):
        return path


def _fingerprints(night: NightSummary) -> list[tuple[str, str]]:
    keys = [("reference file", s.sha256) for s in night.references if s.sha256]
    keys += [("reference stages", night.sequences[0])] if night.sequences[0] else []
    keys += [("device stages", night.sequences[1])] if night.sequences[1] else []
    return keys


def _clash(night: NightSummary, seen: dict[tuple[str, str], NightSummary]) -> str:
    for what, value in _fingerprints(night):
        other = seen.get((what, value))
        if other is None or (other.participant, other.night) == (night.participant, night.night):
            continue
        return (
            f"the same {what} as {_name_row(other)}: one night under two names. Correct the table, or take one of the "
            "rows out."
        )
    return ""


def _copied_device_file(
    night: NightSummary, seen: dict[tuple[str, str], NightSummary], files: dict[int, str], folder: Path
) -> str:
    """Say that two device files hold the same bytes; one file that serves several rows is no copy."""
    other = seen.get(("device file", night.device_source.sha256)) if night.device_source.sha256 else None
    if other is None or not files or _resolved(folder / files[other.row]) == _resolved(folder / files[night.row]):
        return ""
    return (
        f"the device file is the same, byte for byte, as that of {_name_row(other)}. If one export holds several "
        "nights, name one file in all of its rows; else correct the table, or take the rows out that are wrong."
    )


def _name_row(night: NightSummary) -> str:
    return f"line {night.row} (participant {night.participant}, night {night.night}, device {night.device})"
