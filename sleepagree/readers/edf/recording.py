"""EDF, EDF+, BDF and BDF+: sleep stages from annotations, or from a hypnogram stored as a signal.

The file layer: it finds the annotation bytes of each data record, reads those and nothing else, and accounts
for every one of them. What the bytes say is the business of `annotation_lists`, what the texts mean that of `stages`.

References
----------
.. [1] Kemp B, Olivan J. European data format 'plus' (EDF+), an EDF alike standard format for the exchange of
   physiological data. Clin Neurophysiol 2003;114:1755-1761.
.. [2] Kemp B, Varri A, Rosa AC, Nielsen KD, Gade J. A simple format for exchange of digitized polygraphic
   recordings. Electroencephalogr Clin Neurophysiol 1992;82:391-393.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from hashlib import sha256
from itertools import chain
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, InputError, SleepAgreeError, for_page, shorten
from sleepagree.files.reading import InputFile, open_input
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.mapping.words import UNSCORED, fold_label, fold_table, is_edf_stage_text
from sleepagree.readers.edf.annotation_lists import TalFaultError, parse_row
from sleepagree.readers.edf.header import BEGINS, EdfHeader, EdfSignal, HeaderBytes, read_header
from sleepagree.readers.edf.stages import (
    EdfAnnotation,
    Source,
    TimedLabels,
    marks_of_annotations,
    no_stage_error,
    settle_elapsed,
    spans_of_annotations,
)
from sleepagree.readers.layout import NO_LAYOUT, Layout
from sleepagree.readers.rows import Places, stages_of_labels

__all__ = ["EdfAnnotation", "EdfAnnotations", "EdfHeader", "EdfSignal", "read_edf", "read_edf_annotations"]

#: A file up to this size is read at once; of a larger one only the header and the annotations.
_SMALL_FILE: Final = 128 * 1024
#: Records this short are read in blocks: jumping over their signals would cost more than reading them.
_SHORT_RECORD: Final = 4096
_BLOCK: Final = 256 * 1024
#: Sixteen hours in records of 20 ms; and a hundred times what a night full of events takes.
_MOST_RECORDS: Final = 3_000_000
_MOST_ANNOTATION_BYTES: Final = 256 * 1024 * 1024
_GAP_SLACK_S: Final = 1e-3

#: The codes of a hypnogram stored as a signal [1]_: W, 1, 2, 3, 4, R, M and, for unscored, 9.
_SIGNAL_STAGES: Final[Mapping[str, str]] = {
    "0": "W",
    "1": "N1",
    "2": "N2",
    "3": "N3",
    "4": "N3",
    "5": "R",
    "6": UNSCORED,
    "9": UNSCORED,
}
_HYPNOGRAM_LABEL: Final = re.compile(r"hypno|stage|stadi|scor", re.IGNORECASE)
_SHORTEST_SIGNAL_EPOCH_S: Final = 4.0
_LONGEST_SIGNAL_EPOCH_S: Final = 600.0


class EdfAnnotations(NamedTuple):
    """All annotations of a file, in file order, stages and others.

    Parameters
    ----------
    header : EdfHeader
        Start and layout of the records; nothing that identifies a person.
    annotations : tuple of EdfAnnotation
        Without the empty ones that only tell the start of a data record.
    notes : tuple of Note
        What was out of the ordinary.
    """

    header: EdfHeader
    annotations: tuple[EdfAnnotation, ...]
    notes: tuple[Note, ...]


def read_edf(
    path: str | os.PathLike[str], *, layout: Layout | None = None, own_words: frozenset[str] = frozenset()
) -> ScoredSpans:
    """Read the sleep stages of an EDF, EDF+, BDF or BDF+ file.

    Parameters
    ----------
    path : path-like
        File, told by its content and not by its suffix.
    layout : Layout, optional
        ``stages`` names further texts, ``begins`` replaces the start (or its date), ``epoch_seconds`` is the
        duration of annotations that have none, ``overlaps`` settles overlaps, ``encoding`` is that of the
        texts where they are not UTF-8.
    own_words : frozenset of str
        Labels that a mapping file explains.

    Returns
    -------
    ScoredSpans
        Onsets in elapsed seconds after ``start``, a naive local clock (the format has no zone).
        ``origin.sha256`` is the hash of the header, with 160 spaces instead of the patient and the recording
        field, and of all bytes of the annotation channels. So it says nothing about a person, and hashing a
        large recording does not mean reading it. For a file of annotations only that is the whole file.

    Raises
    ------
    FileFormatError
        When the file breaks its format or holds neither annotations nor a hypnogram.
    UnknownStageError
        When a stage has a text that nothing explains, or no annotation is a stage.
    EpochGridError
        When stages overlap or their durations cannot be told.
    InputError
        When the file cannot be read.

    Notes
    -----
    Plain words ("N2", "Wake") are taken for stages only when the file has none of the texts that the EDF+
    standard has for stages. A hypnogram stored as a signal is read when no annotation is a stage; a caution names it
    where plain words alone kept it from being read.
    """
    with open_input(path) as file:
        given = layout or NO_LAYOUT
        contents = _read_contents(file, given)
        spans = spans_of_annotations(contents.annotations, contents.source, layout=given, own_words=own_words)
        if spans is None:
            spans = _spans_of_signal(file, contents, given, own_words)
        elif unread := _hypnogram_unread(contents.header, spans, given):
            spans = replace(spans, cautions=(*spans.cautions, unread))
        file.check_unchanged()
    if spans is None:
        raise _nothing_scored(file.path, contents)
    return spans


def _nothing_scored(path: str, contents: _Contents) -> SleepAgreeError:
    if contents.annotations:
        return no_stage_error(path, [annotation.text for annotation in contents.annotations])
    signals = contents.header.signals
    labels = ", ".join(f"'{shorten(s.label)}'{' (holds no annotation)' * s.is_annotations}" for s in signals[:6])
    more = f" and {len(signals) - 6} more" if len(signals) > 6 else ""
    problem = "the file holds no annotation and no hypnogram"
    expected = "annotations in a signal 'EDF Annotations', or a hypnogram signal with one sample for each epoch"
    remedy = "Scorings are often kept in a file of their own; give that one."
    return FileFormatError(problem, path, found=f"signals {labels}{more}", expected=expected, remedy=remedy)


def read_edf_annotations(path: str | os.PathLike[str], *, layout: Layout | None = None) -> EdfAnnotations:
    """Read all annotations of an EDF+ or BDF+ file, whatever they say.

    Parameters
    ----------
    path : path-like
        File.
    layout : Layout, optional
        Its ``begins`` and ``encoding`` are used as in :func:`read_edf`.

    Returns
    -------
    EdfAnnotations
        Without any annotation where the file has no annotation channel.

    Raises
    ------
    FileFormatError
        When the file breaks its format.
    InputError
        When the file cannot be read.
    """
    with open_input(path) as file:
        contents = _read_contents(file, layout or NO_LAYOUT)
        file.check_unchanged()
    return EdfAnnotations(contents.header, tuple(contents.annotations), tuple(contents.source.notes))


# --- annotation bytes -------------------------------------------------------------------------------------


class _Contents(NamedTuple):
    header: EdfHeader
    head: HeaderBytes
    record_starts_s: NDArray[np.float64]
    annotations: list[EdfAnnotation]
    source: Source


def _read_contents(file: InputFile, layout: Layout) -> _Contents:
    notes: list[Note] = []
    # what is read at once is not read again
    first = file.load() if file.size <= _SMALL_FILE else file.read_at(0, _SMALL_FILE)
    header, head = read_header(file, first, layout=layout, notes=notes)
    channels = [signal for signal in header.signals if signal.is_annotations and signal.size]
    _refuse_endless(file, header, channels)
    if len(channels) > 1:
        notes.append(Note.of(NoteKind.ANNOTATION_CHANNELS, count=len(channels)))
    digest = sha256(_without_identity(head.data))
    starts: list[float] = []
    found: list[list[EdfAnnotation]] = [[] for _ in channels]
    gaps = 0
    encoding = layout.encoding or "utf-8"
    for number, record in enumerate(_records(file, header, channels)):
        digest.update(b"".join(record))
        for i, row in enumerate(record):
            start, annotations, row_gaps = _parse_row(header, channels[i], number, row, encoding, file.path)
            found[i] += annotations
            gaps += row_gaps
            if i == 0:
                starts.append(start)
    if gaps:
        notes.append(Note.of(NoteKind.BYTES_BETWEEN_ANNOTATIONS, count=gaps))
    name = os.path.basename(file.path)  # noqa: PTH119 - a Path costs more than reading the header
    source = Source(file.path, Origin(name, "edf", digest.hexdigest()), header.start, notes)
    contents = _Contents(header, head, np.array(starts), list(chain.from_iterable(found)), source)
    return _counted_from_start(contents, layout) if starts else contents


def _without_identity(head: bytes) -> bytes:
    """Return the header with spaces instead of the patient and the recording field."""
    return head[:8] + b" " * 160 + head[168:]


def _refuse_endless(file: InputFile, header: EdfHeader, channels: Sequence[EdfSignal]) -> None:
    """Refuse what no night has, before it fills the memory: a copy that was broken off can be gigabytes of zeros."""
    room = header.records * sum(channel.size for channel in channels)
    if header.records > _MOST_RECORDS or room > _MOST_ANNOTATION_BYTES:
        problem = "the file is too large for a scoring"
        found = f"{header.records} data records with {room} bytes for annotations"
        expected = f"at most {_MOST_RECORDS} and {_MOST_ANNOTATION_BYTES} bytes"
        remedy = "Check that the file is whole: a download that was broken off may be filled up with zeros."
        raise FileFormatError(problem, file.path, found=found, expected=expected, remedy=remedy)


def _records(file: InputFile, header: EdfHeader, channels: Sequence[EdfSignal]) -> Iterator[tuple[bytes, ...]]:
    """Yield the bytes of the channels in one data record after the other."""
    if not channels:
        return
    size, begin = header.record_size, header.header_size
    end = begin + header.records * size
    is_short = size <= _SHORT_RECORD
    at_once = size if is_short else max(channel.size for channel in channels)
    step = max(1, _BLOCK // at_once) * size
    for at in range(begin, end, step):
        stop = min(at + step, end)
        if is_short:
            block = file.read_at(at, stop - at)
            columns = [[block[i : i + c.size] for i in range(c.offset, len(block), size)] for c in channels]
        else:
            columns = [file.read_each(range(at + c.offset, stop, size), c.size) for c in channels]
        yield from zip(*columns, strict=True)


def _parse_row(
    header: EdfHeader, channel: EdfSignal, number: int, row: bytes, encoding: str, path: str
) -> tuple[float, list[EdfAnnotation], int]:
    """Return the start of a data record (s, or nan), the annotations of a channel in it, and the unused bytes."""
    try:
        tals, gaps = parse_row(row.rstrip(b"\x00"), size=channel.size, encoding=encoding)
    except TalFaultError as fault:
        offset = header.header_size + number * header.record_size + channel.offset + fault.offset
        where = f"byte {offset}, in data record {number + 1}"
        raise FileFormatError(fault.problem, path, where, fault.found, fault.expected, fault.remedy) from None
    except LookupError:
        problem = for_page("the layout names an encoding that does not exist", "there is no such encoding")
        raise InputError(problem, path, "encoding", encoding) from None
    start = math.nan
    kept: list[EdfAnnotation] = []
    for tal in tals:
        onset, texts = float(tal.onset), tal.texts
        if tal is tals[0] and not tal.duration and not texts[0]:  # it tells when the record begins
            start, texts = onset, texts[1:]
        for text in texts:
            kept.append(EdfAnnotation(onset, float(tal.duration) if tal.duration else None, text))
    return start, kept, gaps


def _counted_from_start(contents: _Contents, layout: Layout) -> _Contents:
    """Take the fraction of the start from the first record, and count onsets from there."""
    header, source = contents.header, contents.source
    fraction_s = float(contents.record_starts_s[0])
    if header.records > 1 or math.isnan(fraction_s):
        _note_records(header, contents.record_starts_s, source.notes)
    if fraction_s == 0 or math.isnan(fraction_s) or isinstance(layout.begins, datetime):
        return contents
    if not 0 < fraction_s < 1:
        offset = next(s.offset for s in header.signals if s.is_annotations and s.size)
        problem = "the first data record does not start where the header says"
        where = f"byte {header.header_size + offset}, in data record 1"
        found = f"a start {fraction_s:.10g} s after the header's"
        remedy = f"It cannot be told whether all times are late by that much; {BEGINS}."
        raise FileFormatError(problem, source.path, where, found, "less than a second", remedy)
    start = header.start + timedelta(seconds=fraction_s)
    return contents._replace(
        header=header._replace(start=start),
        source=source._replace(start=start),
        annotations=[a._replace(onset_s=round(a.onset_s - fraction_s, 9)) for a in contents.annotations],
    )


def _note_records(header: EdfHeader, starts_s: NDArray[np.float64], notes: list[Note]) -> None:
    missing = int(np.isnan(starts_s).sum())
    if missing:
        notes.append(Note.of(NoteKind.RECORDS_WITHOUT_START, count=missing, records=header.records))
    expected = starts_s[:-1] + header.record_duration_s
    gaps = np.flatnonzero(np.abs(starts_s[1:] - expected) > _GAP_SLACK_S)
    if gaps.size and header.record_duration_s > 0:
        i = int(gaps[0])
        first = {"first": i + 2, "start_s": float(starts_s[i + 1]), "expected_s": float(expected[i])}
        counts, continuous = {"count": int(gaps.size), "records": header.records}, header.variant.endswith("C")
        notes.append(Note.of(NoteKind.GAP_BETWEEN_RECORDS, **counts, **first, against_header=continuous))


# --- a hypnogram as a signal ------------------------------------------------------------------------------


def _spans_of_signal(
    file: InputFile, contents: _Contents, layout: Layout, own_words: frozenset[str]
) -> ScoredSpans | None:
    header, source = contents.header, contents.source
    signal, is_named = _hypnogram_signal(header, file.path)
    if signal is None:
        return None
    values, digest = _read_signal(file, contents, signal)
    codes = np.rint(values)
    is_code = np.abs(values - codes) < 0.01
    if not (is_code.all() or is_named):
        return None
    if not is_code.all():
        i = int(is_code.argmin())
        problem, found = "a hypnogram signal holds a value that is no code", f"{values[i]:.6g}"
        where = f"signal '{shorten(signal.label)}', sample {i + 1}"
        raise FileFormatError(problem, file.path, where, found, "0 to 6, or 9", "Export the scoring as annotations.")
    distinct, positions = np.unique(codes.astype(np.int64), return_inverse=True)
    labels = tuple(map(str, distinct.tolist()))
    if not is_named and not {*_SIGNAL_STAGES, *layout.stages}.issuperset(labels):
        return None
    plain = {label: stage for label, stage in _SIGNAL_STAGES.items() if label not in own_words}
    places = Places(range(1, codes.size + 1), "sample {}", "samples {}")
    words = {"table": layout.stages, "defaults": plain, "own_words": own_words}
    stages = stages_of_labels(labels, positions, places, **words, path=file.path)
    source.notes.append(Note.of(NoteKind.HYPNOGRAM_SIGNAL, signal=OwnWord(signal.label)))
    if {"3", "4"}.intersection(labels, plain).difference(fold_table(layout.stages)):
        source.notes.append(Note.of(NoteKind.CODES_MERGED_INTO_N3))
    epoch_s = header.record_duration_s / signal.samples
    starts_s = _filled_starts(header, contents.record_starts_s, file.path)
    # a layout's start is that of the file, as for annotations; else the first record is, where it tells one
    zero_s = 0.0 if isinstance(layout.begins, datetime) else np.nansum(contents.record_starts_s[:1])
    onset_s = (starts_s[:, None] - zero_s + np.arange(signal.samples) * epoch_s).ravel()
    source = source._replace(start=header.start, origin=replace(source.origin, sha256=digest))
    timed = TimedLabels(onset_s, np.full(onset_s.size, epoch_s), positions, labels, stages, places)
    marks = marks_of_annotations(contents.annotations, file.path, layout=layout)
    facts = marks._replace(epoch_s=epoch_s, epoch_from=EpochLengthFrom.FILE)
    return settle_elapsed(timed, source, facts, layout)


def _filled_starts(header: EdfHeader, starts_s: NDArray[np.float64], path: str) -> NDArray[np.float64]:
    """Return the starts of data records; one that is not told follows from those told before and after it.

    Raises
    ------
    FileFormatError
        When these two contradict each other: there is a gap on one side of it, and nothing tells on which.
    """
    number = np.arange(header.records)
    late_s = starts_s - number * header.record_duration_s if starts_s.size else np.full(number.size, np.nan)
    if np.isnan(late_s[0]):  # the first record begins less than a second after the header's start
        late_s[0] = next((late for late in late_s.tolist() if abs(late) < 1), 0.0)
    known = np.flatnonzero(~np.isnan(late_s))
    before, after = known[np.searchsorted(known[1:], number, "right")], known[np.searchsorted(known[:-1], number)]
    unclear = (np.abs(late_s[after] - late_s[before]) > _GAP_SLACK_S) & np.isnan(late_s)
    if unclear.any():
        i = int(unclear.argmax())
        channel = next(signal for signal in header.signals if signal.is_annotations and signal.size)
        problem = "a data record does not tell when it begins, and there is a gap before or after it"
        where = f"byte {header.header_size + i * header.record_size + channel.offset}, in data record {i + 1}"
        found = f"a gap between data records {before[i] + 1} and {after[i] + 1}"
        expected = "the start of every data record beside a gap"
        raise FileFormatError(problem, path, where, found, expected, "Export the scoring as annotations.")
    filled_s: NDArray[np.float64] = (
        np.where(np.isnan(late_s), late_s[before], late_s) + number * header.record_duration_s
    )
    return filled_s


def _hypnogram_unread(header: EdfHeader, spans: ScoredSpans, layout: Layout) -> Caution | None:
    """Return the warning about a hypnogram signal that plain words alone kept from being read."""
    named = _named_hypnograms(header)
    if not named or any(map(is_edf_stage_text, spans.labels)):
        return None
    told = fold_table(layout.stages)
    plain = tuple(label for label in spans.labels if fold_label(label) not in told)
    return Caution.of(CautionKind.HYPNOGRAM_UNREAD, signal=OwnWord(named[0].label), labels=plain[:6]) if plain else None


def _slow_signals(header: EdfHeader) -> list[EdfSignal]:
    """Return the signals that have a sample for each stretch that could be an epoch."""
    seconds, shortest, longest = header.record_duration_s, _SHORTEST_SIGNAL_EPOCH_S, _LONGEST_SIGNAL_EPOCH_S
    ordinary = [signal for signal in header.signals if not signal.is_annotations and signal.samples]
    return [signal for signal in ordinary if shortest <= seconds / signal.samples <= longest]


def _named_hypnograms(header: EdfHeader) -> list[EdfSignal]:
    return [signal for signal in _slow_signals(header) if _HYPNOGRAM_LABEL.search(signal.label)]


def _hypnogram_signal(header: EdfHeader, path: str) -> tuple[EdfSignal | None, bool]:
    """Return the signal that could be a hypnogram, and whether its label says so; None where there is none."""
    ordinary = [signal for signal in header.signals if not signal.is_annotations]
    named = _named_hypnograms(header)
    candidates = named or (_slow_signals(header) if len(ordinary) == 1 else [])
    if not candidates or not header.records:
        return None, False
    if len(candidates) > 1:
        found = ", ".join(f"'{shorten(signal.label)}'" for signal in candidates)
        raise FileFormatError(
            "several signals could be the hypnogram", path, "", found, "one", "Keep one scoring a file."
        )
    return candidates[0], bool(named)


def _read_signal(file: InputFile, contents: _Contents, signal: EdfSignal) -> tuple[NDArray[np.float64], str]:
    """Return the physical values of a signal, and the hash of the masked header with the signal's bytes."""
    header, head = contents.header, contents.head
    i, n = header.signals.index(signal), len(header.signals)
    limits = ("physical minimum", "physical maximum", "digital minimum", "digital maximum")
    physical_low, physical_high, digital_low, digital_high = (
        head.decimal(256 + (104 + 8 * k) * n + 8 * i, field) for k, field in enumerate(limits)
    )
    if digital_low == digital_high:
        place, found = 256 + 128 * n + 8 * i, f"{digital_high:g}, as its minimum"
        raise head.bad_field(place, limits[3], "the signal has no range", found, "a maximum above the minimum")
    data = b"".join(row for (row,) in _records(file, header, [signal]))
    digest = sha256(_without_identity(head.data) + data).hexdigest()
    if signal.size == 2 * signal.samples:
        digital = np.frombuffer(data, "<i2").astype(np.float64)
    else:
        wide = np.zeros((len(data) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        digital = (wide.view("<i4").ravel() >> 8).astype(np.float64)
    gain = (physical_high - physical_low) / (digital_high - digital_low)
    return (digital - digital_low) * gain + physical_low, digest
