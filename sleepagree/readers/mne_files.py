"""Annotation files that MNE reads, and ``mne.Annotations`` both ways.

MNE keeps the clock reading of a file and calls it UTC, whatever zone it was made in: ``orig_time`` and
``meas_date`` of an EDF recording are local times that carry a UTC label. So a time that comes from MNE is taken
for a clock reading without a zone, which a zone of the user's may be added to, and goes back to MNE in the same
disguise, so that it fits the recording that MNE has loaded.

References
----------
.. [1] Gramfort A, Luessi M, Larson E, et al. MEG and EEG data analysis with MNE-Python. Front Neurosci
   2013;7:267.
"""

from __future__ import annotations

import hashlib
import math
import os
import re
import warnings
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from sleepagree.caution import Note, NoteKind, OtherText
from sleepagree.errors import (
    ClockError,
    FileFormatError,
    InputError,
    SleepAgreeError,
    asked,
    for_page,
    shorten,
    take_choice,
)
from sleepagree.files.kinds import BDF, EDF, HEAD_BYTES, kind_of_bytes
from sleepagree.files.reading import open_input
from sleepagree.hypnogram.spans import Origin, ScoredSpans
from sleepagree.readers.edf.annotation_lists import LARGEST_SECONDS
from sleepagree.readers.edf.stages import EdfAnnotation, Source, no_stage_error, spans_of_annotations
from sleepagree.readers.layout import NO_LAYOUT, Layout

READER: Final = "mne"
_CLOCK_NOTE: Final = Note.of(NoteKind.MNE_CLOCK)
#: A recording of this size is not read whole only to hash it.
_LARGEST_HASHED: Final = 256 * 1024 * 1024
#: MNE takes a whole EDF file into memory; a larger one is not read a second time only to compare.
_LARGEST_COMPARED: Final = 64 * 1024 * 1024
_MARKERS: Final = {".vhdr": ".vmrk", ".ahdr": ".amrk"}
#: Suffixes of the files that BrainVision and EEGLAB make of one recording. MNE takes the sampling rate of markers from
#: the header beside them.
_ONE_RECORDING: Final = (".vhdr", ".vmrk", ".ahdr", ".amrk", ".eeg", ".avg", ".seg", ".set", ".fdt")
#: A marker of BrainVision: its type, its position in samples from 1, and the rest, which a date may end.
_MARKER: Final = re.compile(rb"^Mk\d+=([^,\r\n]*),[^,\r\n]*,(\d{1,15})([^\r\n]*)", re.MULTILINE)
#: Times of files are rounded, and EEGLAB has a boundary half a sample before the first sample after it.
_ROUNDED_S: Final = 0.5


class OrigTime(StrEnum):
    """What ``orig_time`` of annotations made for MNE is."""

    CLOCK_AS_UTC = "clock-as-utc"  # as MNE labels recordings: fits the recording that MNE has loaded
    TRUE_UTC = "true-utc"  # the moment; needs spans with a zone
    NONE = "none"  # onsets count from the start of whatever they are attached to


def read_mne_file(
    path: str | os.PathLike[str], *, layout: Layout | None = None, own_words: Iterable[str] = ()
) -> ScoredSpans:
    """Read the sleep stages of an annotation file that MNE reads.

    Parameters
    ----------
    path : path-like
        FIF, BrainVision, EEGLAB ... A BrainVision header stands for its marker file.
    layout : Layout, optional
        ``stages`` names further texts, ``begins`` replaces the start, ``epoch_seconds`` is the duration of
        annotations that have none, ``overlaps`` settles overlaps.
    own_words : iterable of str
        Labels that a mapping file explains.

    Returns
    -------
    ScoredSpans
        Onsets in elapsed seconds after ``start``, a clock reading without a zone (see the module), or None
        where the file tells none.

    Raises
    ------
    FileFormatError
        When MNE cannot read the file.
    UnknownStageError
        When no annotation is a stage, or a stage has a text that nothing explains.
    EpochGridError
        When stages overlap or their durations cannot be told.
    """
    given = Path(path)
    markers = given.with_suffix(_MARKERS.get(given.suffix.casefold(), given.suffix))
    with open_input(markers) as file:
        head, expected = file.read_at(0, min(HEAD_BYTES, file.size)), "an annotation file"
        if (kind := kind_of_bytes(head)) in (EDF, BDF):
            raise FileFormatError(f"this is {kind.name}", file.path, "", "", expected, kind.remedy)
        data = file.read_at(0, file.size) if file.size <= _LARGEST_HASHED else b""
    digest = hashlib.sha256(data).hexdigest() if data else ""
    annotations, warned = read_annotations(markers)
    origin = Origin(markers.name, READER, digest)
    segments = _segments(data, annotations) if markers.suffix.casefold() in _MARKERS.values() else []
    if segments:
        pauses = _pauses_of_segments(segments)
    else:
        pauses = _boundaries(annotations) if markers.suffix.casefold() == ".set" else []
    if pauses:
        annotations = _after_pauses(annotations, pauses, file.path)
        seconds = sum(length_s for _, length_s in pauses)
        warned = (*warned, Note.of(NoteKind.MNE_PAUSES, count=len(pauses), seconds=seconds))
    spans = spans_from_mne(annotations, layout=layout, own_words=own_words, path=os.fspath(markers), origin=origin)
    if spans.start is None and segments and segments[0][0] == 0 and segments[0][1]:
        spans = spans.with_changes(start=segments[0][1], notes=(*spans.notes, Note.of(NoteKind.MNE_SEGMENT)))
    return spans.with_changes(notes=(*spans.notes, *warned))


def files_of_one_recording(path: Path) -> tuple[Path, ...]:
    """Return the other files that MNE may open to read this one, whether they are there or not.

    Parameters
    ----------
    path : Path
        File that :func:`read_mne_file` reads.

    Returns
    -------
    tuple of Path
        Files of the same name with the other suffixes of BrainVision and EEGLAB; none for FIF.
    """
    if path.suffix.casefold() not in _ONE_RECORDING:
        return ()
    return tuple(path.with_suffix(suffix) for suffix in _ONE_RECORDING if suffix != path.suffix)


def _segments(data: bytes, annotations: Any) -> list[tuple[float, datetime | None]]:
    """Return when BrainVision markers begin a segment, in seconds of the file, and its date; MNE passes over both."""
    markers = [(kind, int(position) - 1, rest) for kind, position, rest in _MARKER.findall(data)]
    last = max((position for _, position, _ in markers), default=0)
    sample_s = max(annotations.onset, default=0.0) / last if last > 0 else 0.0
    return [(position * sample_s, _date(rest)) for kind, position, rest in markers if kind == b"New Segment"]


def _date(rest: bytes) -> datetime | None:
    digits = rest.rpartition(b",")[2].strip()
    try:  # the format has no zone
        return datetime.strptime(digits.decode(), "%Y%m%d%H%M%S%f") if len(digits) == 20 else None
    except ValueError:
        return None


def _pauses_of_segments(segments: Sequence[tuple[float, datetime | None]]) -> list[tuple[float, float]]:
    """Return when each later segment begins, in seconds of the file, and the seconds between it and the one before."""
    pauses: list[tuple[float, float]] = []
    for (before_s, before), (at_s, at) in pairwise(segments):
        length_s = (at - before).total_seconds() - (at_s - before_s) if at and before else math.nan
        if at_s > 0 and round(length_s, 6) != 0:
            pauses.append((at_s, length_s))
    return pauses


def _boundaries(annotations: Any) -> list[tuple[float, float]]:
    """Return when EEGLAB has a boundary after the first sample, and the seconds cut out there."""
    rows = zip(annotations.onset, annotations.duration, annotations.description, strict=True)
    return [(float(at_s), float(cut_s) or math.nan) for at_s, cut_s, text in rows if text == "boundary" and at_s > 0]


def _after_pauses(annotations: Any, pauses: list[tuple[float, float]], path: str) -> Any:
    """Return annotations by the time that passed: later by each pause before them, and parted where one is inside."""
    import mne

    columns = annotations.onset, annotations.duration, annotations.description
    rows = list(zip(*(column.tolist() for column in columns), strict=True))
    for at_s, length_s in sorted(pauses, reverse=True):
        if not length_s > -_ROUNDED_S:
            problem, where = "the recording was paused, and it is not told for how long", f"{at_s:.10g} s into the file"
            found = "no length" if math.isnan(length_s) else "a segment dated before the end of the one before it"
            expected = "a date of each 'New Segment', or the samples cut out at each 'boundary'"
            remedy = "Export the scoring of each part by itself, or with the clock time of each stage."
            raise ClockError(problem, path, where, found, expected, remedy)
        parted = []
        for onset_s, duration_s, text in rows:
            before_s = at_s - onset_s
            if before_s < _ROUNDED_S:
                parted.append((onset_s + length_s, duration_s, text))
            elif duration_s > before_s + _ROUNDED_S:
                parted += [(onset_s, before_s, text), (at_s + length_s, duration_s - before_s, text)]
            else:
                parted.append((onset_s, duration_s, text))
        rows = parted
    return mne.Annotations(*zip(*rows, strict=True), orig_time=annotations.orig_time)


def read_annotations(path: Path) -> tuple[Any, tuple[Note, ...]]:
    """Return what MNE reads in a file, and what it warned about.

    Parameters
    ----------
    path : Path
        File.

    Returns
    -------
    tuple of (mne.Annotations, tuple of Note)
        Annotations and ledger lines.

    Raises
    ------
    FileFormatError
        When MNE cannot read the file.
    """
    import mne

    with warnings.catch_warnings(record=True) as caught, mne.utils.use_log_level("warning"):
        warnings.simplefilter("always")
        try:
            # a BrainVision text is "Comment/Sleep stage W" unless its marker type is left out
            is_markers = path.suffix.casefold() in _MARKERS.values()
            annotations = mne.read_annotations(path, ignore_marker_types=is_markers)
        except Exception as error:
            # a broken file makes MNE raise almost anything, and some of its messages quote the file
            told = f": {error}".partition("\n")[0] if isinstance(error, ImportError) else ""
            problem, found = "MNE cannot read this file", f"{type(error).__name__}{told}"
            remedy = "Export the scoring as EDF+ or as a table."
            raise FileFormatError(problem, str(path), "", found, "an annotation file", remedy) from None
    texts = dict.fromkeys(str(w.message).replace(str(path), path.name).partition("\n")[0] for w in caught)
    kept = [OtherText(text) for text in texts if "naming conventions" not in text]
    return annotations, tuple(Note.of(NoteKind.MNE_WARNING, text=text) for text in kept)


def spans_from_mne(
    annotations: Any,
    *,
    layout: Layout | None = None,
    stages: Mapping[str, str] | None = None,
    start: datetime | None = None,
    own_words: Iterable[str] = (),
    path: str = "mne.Annotations",
    origin: Origin | None = None,
) -> ScoredSpans:
    """Return the scored spans that ``mne.Annotations`` tell.

    Parameters
    ----------
    annotations : mne.Annotations
        Onsets and durations in seconds; stages by the EDF+ standard texts, plain names, or a layout.
    layout : Layout, optional
        As for :func:`read_mne_file`.
    stages : mapping of str to str, optional
        Text -> stage word, beside those of the layout and before them.
    start : datetime, optional
        Moment that onsets count from; goes before ``orig_time`` and the layout.
    own_words : iterable of str
        Labels that a mapping file explains.
    path : str
        What to call them in messages.
    origin : Origin, optional
        Carried into the result.

    Returns
    -------
    ScoredSpans
        ``start`` is the clock reading of ``orig_time``, without a zone: MNE labels it UTC even where the
        recording was made in another zone. It is None where ``orig_time`` is None.

    Raises
    ------
    UnknownStageError
        When no annotation is a stage, or a stage has a text that nothing explains.
    EpochGridError
        When stages overlap or their durations cannot be told.
    InputError
        When an onset or a duration is no finite number.
    """
    layout = layout or NO_LAYOUT
    layout = replace(layout, stages={**layout.stages, **stages}) if stages else layout
    onsets = [float(onset) for onset in annotations.onset]
    durations = [float(duration) for duration in annotations.duration]
    texts = [str(text) for text in annotations.description]
    for i, (onset, duration) in enumerate(zip(onsets, durations, strict=True)):
        if not (abs(onset) < LARGEST_SECONDS and 0 <= duration < LARGEST_SECONDS):
            problem, found = "an annotation has no usable time", f"onset {onset:g} s, duration {duration:g} s"
            expected = "finite numbers, the duration not negative"
            raise InputError(problem, path, f"annotation {i}", found, expected, "Correct the annotations.")
    begins, notes = (start, []) if start is not None else _start(annotations.orig_time, layout)
    source = Source(path, origin or Origin(path, READER), begins, notes)
    annotated = list(map(EdfAnnotation, onsets, durations, texts))
    spans = spans_of_annotations(annotated, source, layout=layout, own_words=frozenset(own_words))
    if spans is None:
        raise no_stage_error(path, texts)
    return spans


def _start(orig_time: datetime | None, layout: Layout) -> tuple[datetime | None, list[Note]]:
    begins = layout.begins
    if isinstance(begins, datetime):
        return begins, [Note.of(NoteKind.START_FROM_LAYOUT)]
    if orig_time is None:
        if begins is not None:
            problem = "the annotations tell elapsed time only, so " + for_page(
                "the layout must tell a date and a time", "a date and a time are wanted"
            )
            where = for_page("[file], key 'begins'", asked("begins"))
            expected = "a date and a time such as 2026-03-01T22:30:00"
            raise ClockError(problem, layout.name, where, str(begins), expected, "Add the time.")
        return None, []
    clock = orig_time.astimezone(UTC).replace(tzinfo=None) if orig_time.tzinfo else orig_time
    if begins is not None:
        return datetime.combine(begins, clock.time()), [_CLOCK_NOTE, Note.of(NoteKind.MNE_DATE_FROM_LAYOUT)]
    return clock, [_CLOCK_NOTE]


def annotations_from_spans(spans: ScoredSpans, *, orig_time: OrigTime | str = OrigTime.CLOCK_AS_UTC) -> Any:
    """Return scored spans as ``mne.Annotations``, with their native labels and the lights marks.

    Parameters
    ----------
    spans : ScoredSpans
        The spans.
    orig_time : OrigTime or str
        ``"clock-as-utc"``: the clock reading labelled UTC, which is what MNE makes of the recording itself, so
        that ``raw.set_annotations`` puts them where they belong. ``"true-utc"``: the moment, for spans with a
        zone. ``"none"``: onsets count from the first sample.

    Returns
    -------
    mne.Annotations
        Sorted by onset. Read back by :func:`spans_from_mne` they give the same spans; a zone is lost.

    Raises
    ------
    ValueError
        When ``orig_time`` is none of these, or ``"true-utc"`` is asked for and the spans have no zone.
    """
    import mne

    moment = _moment_for_mne(spans.start, take_choice("orig_time", orig_time, OrigTime))
    onsets, durations = spans.onset_s.tolist(), spans.duration_s.tolist()
    texts = [spans.labels[code] for code in spans.codes.tolist()]
    for mark_s, text in ((spans.lights_off_s, "Lights off"), (spans.lights_on_s, "Lights on")):
        if mark_s is not None:
            onsets.append(mark_s)
            durations.append(0.0)
            texts.append(text)
    return mne.Annotations(onsets, durations, texts, orig_time=moment)


def _moment_for_mne(start: datetime | None, orig_time: OrigTime) -> datetime | None:
    if orig_time is OrigTime.NONE or start is None:
        return None
    if orig_time is OrigTime.CLOCK_AS_UTC:
        return start.replace(tzinfo=UTC)
    if start.tzinfo is None:
        raise ValueError("orig_time TRUE_UTC needs spans with a zone; these have a clock reading only")
    return start.astimezone(UTC)


# --- a second opinion ---------------------------------------------------------------------------------------


def compare_edf_with_mne(path: Path, *, layout: Layout | None = None) -> tuple[str, ...]:
    """Say whether MNE reads other annotations out of an EDF or BDF file than our reader does.

    Parameters
    ----------
    path : Path
        File.
    layout : Layout, optional
        Its ``begins`` and ``encoding`` count.

    Returns
    -------
    tuple of str
        Sentences that show times and numbers and no text; empty where our own reader reads no annotations.
    """
    from sleepagree.readers.edf.recording import read_edf_annotations

    if path.stat().st_size > _LARGEST_COMPARED:
        return ("Not compared with MNE, which would take the whole file into memory.",)
    try:
        ours = read_edf_annotations(path, layout=layout).annotations
    except SleepAgreeError:
        return ()
    try:
        theirs, _ = read_annotations(path)
    except FileFormatError as error:
        return (f"MNE does not read this file ({shorten(error.found)}).",)
    return _differences(ours, theirs)


def _differences(ours: Sequence[EdfAnnotation], theirs: Any) -> tuple[str, ...]:
    # MNE tells an absent duration and one of 0 s alike, so they are alike here
    mine = Counter((round(a.onset_s, 3), round(a.duration_s or 0.0, 3), a.text) for a in ours)
    other = Counter(
        (round(float(onset), 3), round(float(duration), 3), str(text))
        for onset, duration, text in zip(theirs.onset, theirs.duration, theirs.description, strict=True)
    )
    same = (mine & other).total()
    clock = "it does not tell the clock of such a file"
    if mine == other:
        return (f"MNE reads the same {same} annotations; {clock}.",)
    sentences = [
        f"MNE reads the file differently: {mine.total()} annotations here, {other.total()} there, {same} of them "
        f"alike; {clock}."
    ]
    for only, who in ((mine - other, "here"), (other - mine, "by MNE")):
        if only:
            onset, duration, _ = min(only)
            sentences.append(f"Read only {who}: {only.total()}, the first at {onset:.10g} s for {duration:.10g} s.")
    return tuple(sentences)
