"""Scoring the rows of a table chunk by chunk: in this process, in several, or on a Dask cluster; kept and resumed.

How far it is stands in one line on the error stream.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sleepagree.errors import InputError, Option
from sleepagree.study.chunks import Chunk, KeptChunks, chunk_rows
from sleepagree.study.run import ChunkResult, ScoringOptions, score_rows
from sleepagree.study.table import NightsTable

#: Below this many rows, starting workers costs more than they save (docs/performance.md).
FEWEST_ROWS_FOR_WORKERS: Final = 1000
#: Characters of the bar that shows how far it is.
_BAR_WIDTH: Final = 30

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Execution:
    """How the nights of a table are scored: in how many processes, and what is kept for another run.

    Parameters
    ----------
    workers : int
        Processes; 1 for none but this.
    scheduler : str
        Address of a Dask scheduler, "" for none.
    keep : path or None
        Folder for finished chunks of nights.
    resume : bool
        Whether to use finished chunks found there.

    Raises
    ------
    ValueError
        When ``workers`` is no whole number from 1 on, or ``resume`` is given without ``keep``.

    Examples
    --------
    An interrupted run goes on where it was, when the same call is made again:

    >>> from sleepagree import score_table
    >>> how = Execution(workers=2, keep="finished-nights", resume=True)
    >>> nights = score_table("nights.csv", execution=how)  # doctest: +SKIP
    """

    workers: int = 1
    scheduler: str = ""
    keep: Path | str | None = None
    resume: bool = False

    def __post_init__(self) -> None:
        if not hasattr(self.workers, "__index__") or self.workers < 1:
            raise ValueError(f"workers must be a whole number from 1 on, not {self.workers!r}")
        if self.resume and self.keep is None:
            raise ValueError("resume needs keep, the folder in which finished nights were kept")


def run_rows(
    table: NightsTable, options: ScoringOptions, *, execution: Execution | None = None, progress: Progress | None = None
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
    folder, total = table.folder.absolute(), len(table.rows)  # in every process alike
    kept = None
    if execution.keep is not None:
        kept = KeptChunks(Path(execution.keep), chunks, table, options, resume=execution.resume)
    there = [kept is not None and kept.has(i) for i in range(len(chunks))]
    missing = [chunk for chunk, found in zip(chunks, there, strict=True) if not found]
    fresh = _score_chunks(missing, folder, options, execution, total)
    done = total - sum(map(len, missing))
    if progress is not None:
        progress(done, total)
    for i, chunk in enumerate(chunks):
        if kept is not None and there[i]:
            # one at a time: together they would take the room that chunks are there to save
            yield kept.load(i) or score_rows(chunk, folder, options)
            continue
        result = next(fresh)
        if kept is not None:
            kept.store(i, result)
        done += len(chunk)
        if progress is not None:
            progress(done, total)
        yield result


def _score_chunks(
    chunks: list[Chunk], folder: Path, options: ScoringOptions, execution: Execution, rows: int
) -> Iterator[ChunkResult]:
    if not execution.scheduler and (execution.workers <= 1 or rows < FEWEST_ROWS_FOR_WORKERS):
        yield from (score_rows(chunk, folder, options) for chunk in chunks)
        return
    from joblib import Parallel, delayed

    tasks = (delayed(score_rows)(chunk, folder, options) for chunk in chunks)
    if execution.scheduler:
        yield from _on_cluster(tasks, execution.scheduler)
        return
    from joblib.externals.loky.process_executor import BrokenProcessPool

    try:
        with _ignoring_interrupts():
            results = Parallel(n_jobs=execution.workers, backend="loky", return_as="generator")(tasks)
        yield from results
    except BrokenProcessPool:
        raise _worker_died(Option.WORKERS, "fewer workers") from None


@contextmanager
def _ignoring_interrupts() -> Iterator[None]:
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
        raise InputError.of_library(f"{Option.SCHEDULER}", "dask.distributed", "cluster") from None
    from joblib import Parallel, parallel_config

    try:
        connect: Any = Client
        client = connect(address, timeout="10s", set_as_default=True)
    except (OSError, ValueError) as error:
        problem = "no Dask scheduler answers"
        expected = "the address of a running scheduler"
        remedy = "Check the address (tcp://HOST:PORT) and that the scheduler runs."
        raise InputError(problem, "", f"{Option.SCHEDULER}", f"{address}: {error}", expected, remedy) from None
    from dask.distributed import KilledWorker

    with client, parallel_config(backend="dask"):
        try:
            client.wait_for_workers(1, timeout=10)
        except TimeoutError:
            problem, expected = "the Dask scheduler has no workers", "one at least within 10 s"
            remedy = f"Start workers that know its address (dask worker {address})."
            raise InputError(problem, "", f"{Option.SCHEDULER}", address, expected, remedy) from None
        try:
            yield from Parallel(return_as="generator")(tasks)
        except KilledWorker:
            raise _worker_died(Option.SCHEDULER, "more memory for the workers") from None


def _worker_died(option: Option, remedy: str) -> InputError:
    return InputError(
        "a worker process died, for lack of memory or because it was killed",
        "",
        f"{option}",
        "",
        "workers that live until the study is done",
        f"Nights that were finished are kept: run the same command again with {Option.RESUME:True}, and with {remedy} "
        "or none.",
    )


# --- one line of progress on the error stream -------------------------------------------------------------


def take_progress(given: Any, *, at_end: str = "all scored", what: str = "nights") -> Progress | None:
    """Return what is called with what is done and all there is: a line for True, a callable as it is, None for none."""
    if given is None or given is False:
        return None
    if given is True:
        return progress_line(at_end, what)
    if not callable(given):
        raise TypeError(f"progress must be True, False or a callable, not {given!r}")
    taken: Progress = given
    return taken


def progress_line(at_end: str, what: str = "nights") -> Progress:
    """Return a function that writes one line over and over, and says ``at_end`` when all are done."""
    begun: list[tuple[float, int]] = []

    def show(done: int, total: int) -> None:
        if not total:
            print(f"\r  {done} {what} read", end="", file=sys.stderr, flush=True)
            return
        now = time.monotonic()
        if not begun:
            begun.append((now, done))
        started, before = begun[0]
        filled = _BAR_WIDTH * done // total
        bar = "█" * filled + "·" * (_BAR_WIDTH - filled)
        if done == total:
            remaining = at_end
        elif done == before:
            remaining = "starting"
        else:
            # nights that were kept by an earlier run took no time and tell nothing of the others
            remaining = f"{spoken_duration((now - started) / (done - before) * (total - done))} left"
        end = "\n" if done == total else ""
        print(f"\r  {bar} {done} of {total} {what}, {remaining}   ", end=end, file=sys.stderr, flush=True)

    return show


def spoken_duration(seconds: float) -> str:
    """Return a duration for people, as coarse as an estimate is."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60} min"
