"""What must hold for any bytes: a result whose ledger adds up, or one SleepAgreeError; soon, and in little memory."""

from __future__ import annotations

import json
import re
import signal
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from types import FrameType
from typing import TypeVar

from sleepagree.describe.file import describe_file
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import SleepAgreeError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.night.compare import compare
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.layout import NO_LAYOUT, Layout, read_layout
from sleepagree.readers.proposing.proposal import layout_as_seen
from sleepagree.render.inspection_json import inspection_document
from sleepagree.render.json_text import dump
from sleepagree.render.night_json import night_document
from sleepagree.render.terminal import render_terminal
from tests.readers.edf_bytes import annotation_file, hypnogram
from tests.told import night_lines

#: A hang: seconds of processor time, so that a busy machine does not count.
LONGEST_S = 2.0
#: Memory: ten times the file, and room for what a few bytes may ask for. Two stages almost two years apart are laid
#: on a grid before the window is refused (8 MB); a window of up to 31 days is scored, at 400 bytes an epoch (36 MB).
TIMES_THE_FILE = 10
BASE_BYTES = 48 * 1024 * 1024
LONGEST_MESSAGE = 4000

T = TypeVar("T")

MOVES = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


class HangError(BaseException):
    """The processor time is up; no ``except Exception`` on the way may swallow it."""


@contextmanager
def bounded(size: int) -> Iterator[None]:
    """Fail when what is inside takes too long or too much memory for an input of ``size`` bytes."""

    def ring(signum: int, frame: FrameType | None) -> None:
        raise HangError(f"more than {LONGEST_S} s for {size} bytes")

    before = signal.signal(signal.SIGPROF, ring)
    started = not tracemalloc.is_tracing()
    if started:
        tracemalloc.start()
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.reset_peak()
    # it rings again: the first may fall where Python drops exceptions, as in a callback
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S, LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        # a last ring may still be on its way, and the system's own answer to one is to end the process
        signal.signal(signal.SIGPROF, signal.SIG_IGN if before is signal.SIG_DFL else before)
        peak = tracemalloc.get_traced_memory()[1] - held
        if started:
            tracemalloc.stop()
    assert peak <= TIMES_THE_FILE * size + BASE_BYTES, f"{peak} bytes of memory for a file of {size}"


#: Of the recording that the markers belong to.
MARKER_HEADER = """Brain Vision Data Exchange Header File Version 1.0

[Common Infos]
DataFile=night.eeg
MarkerFile=night.vmrk
DataFormat=BINARY
DataOrientation=MULTIPLEXED
NumberOfChannels=1
SamplingInterval=10000

[Binary Infos]
BinaryFormat=INT_16

[Channel Infos]
Ch1=EEG,,1,uV
"""


@cache
def warm_up(folder: Path) -> None:
    """Import what readers import when they first read, so that no input has to pay for it.

    A bell that rings while a library's own modules are imported can also bring the whole process down.
    """
    path = folder / "warm.edf"
    path.write_bytes(annotation_file(*hypnogram(20)).encode())
    (folder / "warm.csv").write_text("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,rem\n")
    names = ["warm.edf", "warm.csv"]
    with suppress(ImportError):
        import pyarrow as pa
        import pyarrow.parquet as pq

        rows = {"time": ["2026-03-01T22:30:00", "2026-03-01T22:30:30"], "stage": ["wake", "rem"]}
        pq.write_table(pa.table(rows), folder / "warm.parquet")
        names.append("warm.parquet")
    with suppress(ImportError):
        import mne

        # the parts of it that read markers are loaded with the first file only
        (folder / "warm.vhdr").write_text(MARKER_HEADER.replace("night.", "warm."))
        (folder / "warm.vmrk").write_text(
            "Brain Vision Data Exchange Marker File, Version 1.0\n\n[Marker Infos]\nMk1=Comment,W,1,1,0\n"
        )
        mne.read_annotations(folder / "warm.vmrk")
        names += ["warm.vmrk"]
    for name in names:
        outcome_of(folder / name, zone="Europe/Helsinki")
        (folder / name).unlink()


def survive(path: Path, *, layout: Path | None = None, zone: str | None = None) -> str:
    """Read a file as every command would; return what became of it, and fail where the invariant does."""
    size = path.stat().st_size + (layout.stat().st_size if layout else 0)
    with bounded(size):
        return outcome_of(path, layout_path=layout, zone=zone)


def outcome_of(path: Path, *, layout_path: Path | None = None, zone: str | None = None) -> str:
    """Inspect, read and score a file; return what became of it."""
    layout: Layout | None = None
    if layout_path is not None:
        layout = or_message(lambda: read_layout(layout_path))
        if layout is None:
            return "layout refused"
    seen = or_message(lambda: inspect_file(path, layout=layout, zone=zone))
    if seen is not None:
        json.loads(dump(inspection_document(seen)))
        assert not MOVES.search("\n".join(render_terminal(describe_file(seen))))
        layout_text(layout_as_seen(seen, layout or NO_LAYOUT))
    spans = or_message(lambda: read_spans(path, layout=layout, zone=zone))
    if spans is None:
        return "file refused"
    return check_spans(spans)


def check_spans(spans: ScoredSpans) -> str:
    """Score a night against itself and see that every epoch is accounted for."""
    assert (spans.duration_s > 0).all()
    assert (spans.onset_s[1:] >= spans.onset_s[:-1] + spans.duration_s[:-1] - 1e-3).all()
    paired = or_message(lambda: align(reference=spans, device=spans))
    if paired is None:
        return "read, not paired"
    ledger = paired.ledger
    assert ledger.scored + sum(count for _, count in ledger.excluded) == ledger.window_epochs == paired.status.size
    gaps = dict(ledger.excluded)["reference_gap"]
    assert sum(count for _, count in ledger.reference_labels) == ledger.window_epochs - gaps
    assert int(paired.native.sum()) == ledger.scored
    night = or_message(lambda: compare(paired))
    if night is None:
        return "paired, no mapping"
    # against itself everything agrees
    assert all(m.counts.sum() + m.left_out == ledger.scored for m in night.mappings)
    assert night.native.trace() == ledger.scored
    json.loads(dump(night_document(night)))
    assert not MOVES.search("\n".join(night_lines(night)))
    return "scored"


def or_message(work: Callable[[], T]) -> T | None:
    """Return a result, or None after one fair message; every other exception goes through."""
    try:
        return work()
    except SleepAgreeError as error:
        text = str(error)
        assert text.strip()
        assert len(text) <= LONGEST_MESSAGE, len(text)
        assert not MOVES.search(text), repr(text)
        return None
