"""Scoring the rows of a nights table, one after the other; a night that cannot be scored becomes a refusal."""

from __future__ import annotations

import gzip
import io
import os
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Any, BinaryIO, Final

from sleepagree.errors import Front, InputError, SleepAgreeError, name_options, take_choice
from sleepagree.files.object_store import fetched, is_remote
from sleepagree.files.writing import csv_text
from sleepagree.hypnogram.align import Outside, PairedNight, align
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.ledger import Status
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.window import parse_window
from sleepagree.mapping.files import own_words, take_mappings
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import make_stage_set, take_reports
from sleepagree.readers.any_file import part_files, read_spans
from sleepagree.readers.layout import Layout, read_layout
from sleepagree.study.anonymous import anonymous_night, rename_spans
from sleepagree.study.clocks import with_clock_check
from sleepagree.study.night_summary import (
    NightSummary,
    Refusal,
    SourceFile,
    Undecided,
    hash_sequence,
    refuse_own_reference,
    summarise_night,
)
from sleepagree.study.scorers import (
    build_consensus,
    compare_scorers,
    count_staged_outside,
    count_undecided,
    refuse_label_lines,
)
from sleepagree.study.table import NightRow

#: First line of the epochs file.
EPOCHS_HEADER: Final = "participant,night,device,epoch,reference,device_stage,status\n"

Outcome = NightSummary | Refusal
_Scorings = tuple[ScoredSpans, ...]


@dataclass(frozen=True)
class ScoringOptions:
    """What the user asked for, as far as single nights go.

    Parameters
    ----------
    mappings : tuple of StageMapping
        Mappings asked for, as objects, names of built-in ones or paths of files; () for the default of each device.
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

    Raises
    ------
    InputError
        When ``window`` is no window, ``reports`` holds a word that is no stage, or a mapping cannot be found.
    TypeError, ValueError
        When another option is none of the forms above.

    Examples
    --------
    >>> options = ScoringOptions(mappings=["wake-sleep"], window="overlap")
    >>> [mapping.name for mapping in options.mappings]
    ['wake-sleep']
    """

    mappings: tuple[StageMapping, ...] = ()
    window: str = ""
    outside: str = "missing"
    reports: tuple[str, ...] = ()
    clock: bool = True
    epochs: bool = False
    anonymous: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "mappings", take_mappings(self.mappings))
        if not isinstance(self.window, str):
            raise TypeError(f'window must be text such as "overlap" or "FROM/TO", not {self.window!r}')
        if self.window:
            parse_window(self.window)
        take_choice("outside", self.outside, Outside)
        reports = take_reports(self.reports) or ()
        # a word of a mapping file is a stage of its own where a label has it
        words = tuple(word for word in dict.fromkeys(reports) if word in own_words(self.mappings, "device"))
        make_stage_set(words, words, reports=reports)
        object.__setattr__(self, "reports", reports)


@dataclass(frozen=True)
class ChunkResult:
    """Outcomes of the rows of one chunk, in order, and their epochs as CSV lines in a gzip member (no header).

    Whoever scores compresses: the lines are thirty times as large, and travel from a cluster's workers.
    """

    outcomes: tuple[Outcome, ...]
    epochs: bytes = b""


def score_rows(rows: Sequence[NightRow], folder: Path, options: ScoringOptions) -> ChunkResult:
    """Score rows; a night that cannot be scored becomes a refusal."""
    files = NightFilesReader(folder, options.mappings)
    outcomes: list[Outcome] = []
    texts: list[str] = []
    for row in rows:
        try:
            paired, summary = _score_row(row, files, options)
        except SleepAgreeError as error:
            outcomes.append(refuse_row(row, error, folder, anonymous=options.anonymous))
            continue
        outcomes.append(summary)
        if options.epochs:
            texts.append(epoch_text(paired, row))
    return ChunkResult(tuple(outcomes), gzip_member("".join(texts)) if texts else b"")


def refuse_row(row: NightRow, error: SleepAgreeError, folder: Path, *, anonymous: bool) -> Refusal:
    """Return a row that cannot be scored or corrected, with its reason; an anonymous one names no file."""
    whose = row.row, row.participant, row.night, row.device
    if anonymous:
        return Refusal(*whose, f"{name_options(error.problem, Front.TABLE)}.")
    parts = error.parts(Front.TABLE, folder)
    return Refusal(*whose, str(parts), parts=parts)


def gzip_member(text: str) -> bytes:
    """Return text as a gzip member without name and time; members one after the other are a gzip file."""
    stream = io.BytesIO()
    with gzip.GzipFile("", "wb", 6, stream, mtime=0) as member:
        member.write(text.encode())
    return stream.getvalue()


def _score_row(row: NightRow, files: NightFilesReader, options: ScoringOptions) -> tuple[PairedNight, NightSummary]:
    scorings, device = files.scorings(row), files.device(row)
    several = len(scorings) > 1
    if several:
        scorings = _tell_apart(scorings, row.references)
    sources = tuple(_source(name, s) for name, s in zip(row.references, scorings, strict=True))
    own = _source(row.device_file, device)
    asked = options.mappings[0] if options.mappings else None
    window = row.window or options.window
    if several:
        _refuse_copies(scorings)
        refuse_label_lines(scorings, options.mappings)
        if options.anonymous:
            scorings = tuple(rename_spans(s, f"scorer {i}") for i, s in enumerate(scorings, 1))
    within = parse_window(window) if window else None
    paired = align(
        reference=build_consensus(scorings, window=within) if several else scorings[0],
        device=device,
        clock_offset_s=row.clock_offset_s,
        window=within,
        outside=Outside(options.outside),
        reports=options.reports or None,
    )
    scorers, together = compare_scorers(scorings, paired, options.mappings) if several else ((), ())
    staged_outside = count_staged_outside(scorings, paired) if several else 0
    undecided = count_undecided(scorings, paired) if several else Undecided()
    if options.anonymous:  # which takes the clock away that scorers are laid by
        paired = anonymous_night(paired)
        # hashes stay, for they find one night under two names; no output holds them
        sources = tuple(SourceFile(f"reference {i}", s.sha256) for i, s in enumerate(sources, 1))
        own = SourceFile(paired.device_spans.origin.name, own.sha256)
    summary = summarise_night(
        paired,
        row=row.row,
        participant=row.participant,
        night=row.night,
        device=row.device,
        mapping=asked,
        references=sources,
        device_source=own,
        scorers=scorers,
        coincidences=together,
        group=row.group,
        staged_outside=staged_outside,
        undecided=undecided,
    )
    refuse_own_reference(summary)
    return paired, with_clock_check(summary, paired, asked) if options.clock else summary


def _tell_apart(scorings: _Scorings, written: Sequence[str]) -> _Scorings:
    """Return scorings whose names differ: with as many folders of the paths in the table as that takes."""
    places = [PurePath(name).parts for name in written]
    names = [s.origin.name for s in scorings]
    for folders in range(1, max(map(len, places))):
        if len(set(names)) == len(names):
            break
        names = ["/".join(place[-folders - 1 :]) for place in places]
    return tuple(
        s.with_changes(origin=replace(s.origin, name=name)) if s.origin.name != name else s
        for s, name in zip(scorings, names, strict=True)
    )


def _source(written: str, spans: ScoredSpans) -> SourceFile:
    """Return name and hash of a file; the name is the table's own text where it can be."""
    return SourceFile(written if written == spans.origin.name else spans.origin.name, spans.origin.sha256)


class NightFilesReader:
    """The files of one run of rows, and the layouts that were read for it.

    It lives no longer than the run: a file that was mended is read again by the next one.
    """

    def __init__(self, folder: Path, mappings: Sequence[StageMapping]) -> None:
        self._folder = str(folder)
        self._words = {side: own_words(mappings, side) for side in ("reference", "device")}
        self._layouts: dict[str, Layout] = {}
        self._scorings: dict[tuple[str, ...], _Scorings | SleepAgreeError] = {}

    def device(self, row: NightRow) -> ScoredSpans:
        """Return what the device's file holds; of a file of several people, the rows of the participant."""
        layout = self._layout(row.layout)
        if layout is not None and layout.person_column is not None and not layout.person:
            layout = replace(layout, person=row.person or row.participant)
        return self._read(row.device_file, layout, row.device_zone, "device")

    def scorings(self, row: NightRow) -> _Scorings:
        """Return the scorings of a row; the devices of one night share them."""
        key = (*row.references, row.reference_layout, row.reference_zone)
        if key not in self._scorings:
            try:
                layout = self._layout(row.reference_layout)
                zone = row.reference_zone
                found = tuple(self._read(name, layout, zone, "reference") for name in row.references)
            except SleepAgreeError as error:
                self._scorings[key] = error.with_traceback(None)  # a traceback would keep what was read
            else:
                self._scorings[key] = found
        scorings = self._scorings[key]
        if isinstance(scorings, SleepAgreeError):
            raise scorings
        return scorings

    def _read(self, name: str, layout: Layout | None, zone: str, side: str) -> ScoredSpans:
        how: Any = {"layout": layout, "zone": zone or None, "own_words": self._words[side]}
        if not is_remote(name):
            return read_spans(part_files(name, self._folder), **how)
        with fetched(name) as path:
            return read_spans(path, **how)

    def _layout(self, name: str) -> Layout | None:
        if not name:
            return None
        if name not in self._layouts:
            with fetched(name) if is_remote(name) else nullcontext(self._local(name)) as path:
                self._layouts[name] = read_layout(path)
        return self._layouts[name]

    def _local(self, name: str) -> str:
        return os.path.join(self._folder, name)  # noqa: PTH118 - a Path costs more than opening the file


def _refuse_copies(scorings: tuple[ScoredSpans, ...]) -> None:
    """Refuse scorings of the same bytes, or of the same stages epoch for epoch in whatever file or at whatever time."""
    sequences = [
        hash_sequence(lay_on_epochs(s, origin_s=0.0).codes, make_stage_set(s.labels, s.stages)) for s in scorings
    ]
    told = {"bytes": [s.origin.sha256 for s in scorings], "stages, epoch for epoch": sequences}
    for what, given in told.items():
        hashes = [one for one in given if one]
        if len(set(hashes)) == len(hashes):
            continue
        problem = f"two scorings of this night are the same {what}"
        found = ", ".join(s.origin.name for s in scorings)
        remedy = "Give each scorer's own file; one scoring counted twice would pass for agreement."
        raise InputError(problem, scorings[0].origin.name, "", found, "scorings by different people", remedy)


def epoch_text(paired: PairedNight, row: NightRow) -> str:
    """Return the epochs of one night as CSV lines: participant, night, device, epoch, reference, device, status."""
    head = _names(row)
    words = [status.word for status in Status]
    reference, device = (*paired.reference_set.stages, ""), (*paired.device_set.stages, "")
    epochs = zip(paired.reference.tolist(), paired.device.tolist(), paired.status.tolist(), strict=True)
    return "".join(f"{head}{i},{reference[r]},{device[d]},{words[s]}\n" for i, (r, d, s) in enumerate(epochs))


def _names(night: NightRow | Outcome) -> str:
    """Return how a line of a night's epochs begins."""
    return csv_text([[night.participant, night.night, night.device]]).rstrip("\n") + ","


def leave_out_nights(epochs: BinaryIO, nights: Sequence[Outcome]) -> None:
    """Take the lines of some nights out of a gzip file of epochs.

    Parameters
    ----------
    epochs : binary stream
        A file open for reading and writing; it is read from its beginning.
    nights : sequence of NightSummary or Refusal
        Whose lines go.
    """
    gone = tuple(_names(night).encode() for night in nights)
    with tempfile.TemporaryFile() as kept:
        epochs.seek(0)
        with gzip.GzipFile(fileobj=epochs) as lines, gzip.GzipFile("", "wb", 6, kept, mtime=0) as member:
            member.writelines(line for line in lines if not line.startswith(gone))
        epochs.seek(0)
        epochs.truncate()
        kept.seek(0)
        shutil.copyfileobj(kept, epochs)
