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
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from hashlib import sha256
from itertools import chain
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, InputError, SleepAgreeError, shorten
from sleepagree.files.reading import InputFile, open_input
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.mapping.words import UNSCORED, assign_stages, put_layout_first
from sleepagree.readers.edf.annotation_lists import (
    ONSET,
    NotPlainError,
    TalFaultError,
    parse_row,
    split_plain,
    split_rest,
)
from sleepagree.readers.edf.header import BEGINS, EdfHeader, EdfSignal, bad_field, decimal, read_header
from sleepagree.readers.edf.stages import (
    STANDARD_MEANINGS,
    Annotations,
    Source,
    marks_of_annotations,
    no_stage_error,
    spans_of_annotations,
)
from sleepagree.readers.layout import Layout

__all__ = ["EdfAnnotation", "EdfAnnotations", "EdfHeader", "EdfSignal", "read_edf", "read_edf_annotations"]

#: A file up to this size is read at once; of a larger one only the header and the annotations.
_SMALL_FILE: Final = 128 * 1024
#: Records this short are read in blocks: jumping over their signals would cost more than reading them.
_SHORT_RECORD: Final = 4096
_BLOCK: Final = 256 * 1024
_RECORDS_AT_ONCE: Final = 1024
#: Sixteen hours in records of 20 ms; and a hundred times what a night full of events takes.
_MOST_RECORDS: Final = 3_000_000
_MOST_ANNOTATION_BYTES: Final = 256 * 1024 * 1024
_GAP_SLACK_S: Final = 1e-3
_MEMO_SIZE: Final = 8192

_ONSET_BYTES: Final = re.compile(ONSET.pattern.encode())
_ONSETS_BYTES: Final = re.compile(b"(?:" + ONSET.pattern.encode() + b" )+")

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


class EdfAnnotation(NamedTuple):
    """One annotation: seconds after the start, seconds it lasts (None: not told), text as in the file."""

    onset_s: float
    duration_s: float | None
    text: str


@dataclass(frozen=True)
class EdfAnnotations:
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
    standard has for stages. A hypnogram stored as a signal is read when no annotation is a stage.
    """
    with open_input(path) as file:
        contents = _read_contents(file, layout)
        spans = spans_of_annotations(contents.annotations, contents.source, layout=layout, own_words=own_words)
        if spans is None:
            spans = _spans_of_signal(file, contents, layout, own_words)
        file.check_unchanged()
    if spans is None:
        raise _nothing_scored(file.path, contents)
    return spans


def _nothing_scored(path: str, contents: _Contents) -> SleepAgreeError:
    texts = [text for _, text in contents.annotations.pieces]
    if texts:
        return no_stage_error(path, texts)
    labels = ", ".join(
        f"'{shorten(signal.label)}'" + (" (holds no annotation)" if signal.is_annotations else "")
        for signal in contents.header.signals[:6]
    )
    more = f" and {len(contents.header.signals) - 6} more" if len(contents.header.signals) > 6 else ""
    return FileFormatError(
        "the file holds no annotation and no hypnogram",
        path,
        "",
        f"signals {labels}{more}",
        "annotations in a signal 'EDF Annotations', or a hypnogram signal with one sample for each epoch",
        "Scorings are often kept in a file of their own; give that one.",
    )


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
        contents = _read_contents(file, layout)
        file.check_unchanged()
    annotations = tuple(
        EdfAnnotation(onset_s, None if math.isnan(duration_s) else duration_s, text)
        for onset_s, (duration_s, text) in zip(*contents.annotations, strict=True)
    )
    return EdfAnnotations(contents.header, annotations, tuple(contents.source.notes))


# --- annotation bytes -------------------------------------------------------------------------------------


class _Contents(NamedTuple):
    header: EdfHeader
    head: bytes
    record_starts_s: NDArray[np.float64]
    annotations: Annotations
    source: Source


def _read_contents(file: InputFile, layout: Layout | None) -> _Contents:
    notes: list[Note] = []
    is_small = file.size <= _SMALL_FILE
    first = file.load() if is_small else file.read_at(0, _SMALL_FILE)
    header, head = read_header(file, first, layout=layout, notes=notes)
    digest = sha256(head[:8] + b" " * 160 + head[168:])
    channels = [signal for signal in header.signals if signal.is_annotations and signal.size]
    _refuse_endless(file, header, channels)
    if len(channels) > 1:
        notes.append(Note.of(NoteKind.ANNOTATION_CHANNELS, count=len(channels)))
    encoding = (layout.encoding if layout is not None else None) or "utf-8"
    try:
        starts_s, annotations = _parse_plain(_batches(file, first, header, channels), channels, digest.update)
        if encoding != "utf-8":
            raise NotPlainError
    except (NotPlainError, UnicodeDecodeError):
        batches = _batches(file, first, header, channels)
        starts_s, annotations = _parse_carefully(batches, file, header, channels, encoding, notes)
    if channels:
        header, annotations = _count_from_start(file, header, starts_s, annotations, layout, notes)
    name = os.path.basename(file.path)  # noqa: PTH119 - a Path costs more than reading the header
    source = Source(file.path, Origin(name, "edf", digest.hexdigest()), header.start, notes)
    return _Contents(header, head, starts_s, annotations, source)


def _refuse_endless(file: InputFile, header: EdfHeader, channels: Sequence[EdfSignal]) -> None:
    """Refuse what no night has, before it fills the memory: a copy that was broken off can be gigabytes of zeros."""
    room = header.records * sum(channel.size for channel in channels)
    if header.records > _MOST_RECORDS or room > _MOST_ANNOTATION_BYTES:
        raise FileFormatError(
            "the file is too large for a scoring",
            file.path,
            "",
            f"{header.records} data records with {room} bytes for annotations",
            f"at most {_MOST_RECORDS} and {_MOST_ANNOTATION_BYTES} bytes",
            "Check that the file is whole: a download that was broken off may be filled up with zeros.",
        )


def _batches(
    file: InputFile, first: bytes, header: EdfHeader, channels: Sequence[EdfSignal]
) -> Iterator[list[list[bytes]]]:
    """Yield the bytes of each channel in some data records at a time."""
    if not channels:
        return
    size = header.record_size
    begin = header.header_size
    end = begin + header.records * size
    if len(first) >= end:
        yield [
            [first[at : at + channel.size] for at in range(begin + channel.offset, end, size)] for channel in channels
        ]
    elif size <= _SHORT_RECORD:
        step = _BLOCK // size * size
        for at in range(begin, end, step):
            block = file.read_at(at, min(step, end - at))
            yield [
                [block[place : place + channel.size] for place in range(channel.offset, len(block), size)]
                for channel in channels
            ]
    else:
        largest = max(channel.size for channel in channels)
        step = min(max(1, _BLOCK // largest), _RECORDS_AT_ONCE) * size
        for at in range(begin, end, step):
            stop = min(at + step, end)
            yield [file.read_each(range(at + channel.offset, stop, size), channel.size) for channel in channels]


# --- annotations ------------------------------------------------------------------------------------------


class _PieceMemo(dict[str, tuple[float, str]]):
    """What follows an onset -> duration and text, checked once.

    The texts of the standard stay from file to file. Others are dropped after each file: they may say anything.
    """

    def __init__(self) -> None:
        super().__init__()
        self._foreign: list[str] = []

    def __missing__(self, key: str) -> tuple[float, str]:
        piece = self[key] = split_rest(key)
        if piece[1] not in STANDARD_MEANINGS or len(self) > _MEMO_SIZE:
            self._foreign.append(key)
        return piece

    def look_up(self, keys: Sequence[str]) -> list[tuple[float, str]]:
        """Return the pieces of all keys, or raise NotPlainError."""
        try:
            return list(map(self.__getitem__, keys))
        finally:
            while self._foreign:
                self.pop(self._foreign.pop(), None)


_PIECES: Final = _PieceMemo()


def _parse_plain(
    batches: Iterator[list[list[bytes]]], channels: Sequence[EdfSignal], feed: Callable[[bytes], object]
) -> tuple[NDArray[np.float64], Annotations]:
    """Take everything at once, or raise NotPlainError (or UnicodeDecodeError) and take nothing.

    All bytes are fed to the hash first, whatever comes of them.
    """
    starts: list[NDArray[np.float64]] = []
    streams: list[list[bytes]] = [[] for _ in channels]
    is_plain = True
    for batch in batches:
        feed(b"".join(batch[0] if len(batch) == 1 else chain.from_iterable(zip(*batch, strict=True))))
        try:
            for i, (raw, stream, channel) in enumerate(zip(batch, streams, channels, strict=True)):
                rows = [part.rstrip(b"\x00") for part in raw]
                if not is_plain or (rows and max(map(len, rows)) >= channel.size):
                    raise NotPlainError
                channel_starts, lists = _split_starts(rows)
                stream.append(lists)
                if i == 0:
                    starts.append(np.array(channel_starts))
        except NotPlainError:
            is_plain = False
    if not is_plain:
        raise NotPlainError
    onset_s: list[float] = []
    keys: list[str] = []
    for stream in streams:
        more_onsets, more_keys = split_plain(b"".join(stream).decode())
        onset_s += more_onsets
        keys += more_keys
    return _joined(starts), Annotations(onset_s, _PIECES.look_up(keys))


def _joined(parts: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else np.empty(0)


def _split_starts(rows: Sequence[bytes]) -> tuple[list[float], bytes]:
    """Return the start of each record (nan where none stands) and all other annotation lists in one piece."""
    parts = [row.partition(b"\x14\x14") for row in rows]
    heads = b" ".join([head for head, _, _ in parts]) + b" "
    if _ONSETS_BYTES.fullmatch(heads) and all(mark for _, mark, _ in parts):
        starts = list(map(float, heads.split()))
        return starts, b"".join([_after_start(head, tail) for head, _, tail in parts if tail])
    starts = []
    stream: list[bytes] = []
    for row, (head, mark, tail) in zip(rows, parts, strict=True):
        if mark and _ONSET_BYTES.fullmatch(head):
            starts.append(float(head))
            stream.append(_after_start(head, tail) if tail else b"")
        else:
            starts.append(math.nan)
            stream.append(row + b"\x00" if row else b"")
    return starts, b"".join(stream)


def _after_start(head: bytes, tail: bytes) -> bytes:
    if tail[0] == 0:
        return tail[1:] + b"\x00"
    # Texts in the list that tells the record's start happen at that start. One that looks like an onset is
    # the sign of a missing 0x00.
    if tail[:1] in b"+-":
        raise NotPlainError
    return head + b"\x14" + tail + b"\x00"


def _parse_carefully(
    batches: Iterator[list[list[bytes]]],
    file: InputFile,
    header: EdfHeader,
    channels: Sequence[EdfSignal],
    encoding: str,
    notes: list[Note],
) -> tuple[NDArray[np.float64], Annotations]:
    """Go through the bytes one annotation list at a time, and tell where the first fault is."""
    starts: list[float] = []
    found: list[list[tuple[float, tuple[float, str]]]] = [[] for _ in channels]
    gaps = 0
    records = 0
    for batch in batches:
        for i, (raw, channel, kept) in enumerate(zip(batch, channels, found, strict=True)):
            for number, part in enumerate(raw, records):
                try:
                    tals, row_gaps = parse_row(part.rstrip(b"\x00"), size=channel.size, encoding=encoding)
                except TalFaultError as fault:
                    raise _located(file, header, channel, number, fault) from None
                except LookupError:
                    raise InputError(
                        "the layout names an encoding that does not exist", file.path, "encoding", encoding
                    ) from None
                gaps += row_gaps
                start = math.nan
                if tals and not tals[0].duration and not tals[0].texts[0]:
                    start = float(tals[0].onset)
                    tals[0] = tals[0]._replace(texts=tals[0].texts[1:])
                for tal in tals:
                    duration_s = float(tal.duration) if tal.duration else math.nan
                    kept += [(float(tal.onset), (duration_s, text)) for text in tal.texts]
                if i == 0:
                    starts.append(start)
        records += len(batch[0])
    if gaps:
        notes.append(Note.of(NoteKind.BYTES_BETWEEN_ANNOTATIONS, count=gaps))
    all_found = list(chain.from_iterable(found))
    return np.array(starts), Annotations([onset for onset, _ in all_found], [piece for _, piece in all_found])


def _located(
    file: InputFile, header: EdfHeader, channel: EdfSignal, number: int, fault: TalFaultError
) -> FileFormatError:
    offset = header.header_size + number * header.record_size + channel.offset + fault.offset
    return FileFormatError(
        fault.problem,
        file.path,
        f"byte {offset}, in data record {number + 1}",
        fault.found,
        fault.expected,
        fault.remedy,
    )


def _count_from_start(
    file: InputFile,
    header: EdfHeader,
    starts_s: NDArray[np.float64],
    annotations: Annotations,
    layout: Layout | None,
    notes: list[Note],
) -> tuple[EdfHeader, Annotations]:
    """Take the fraction of the start from the first record, and count onsets from there."""
    if starts_s.size == 0:
        return header, annotations
    fraction_s = float(starts_s[0])
    if header.records > 1 or math.isnan(fraction_s):
        _note_records(header, starts_s, notes)
    if fraction_s == 0 or math.isnan(fraction_s):
        return header, annotations
    if layout is not None and isinstance(layout.begins, datetime):
        return header, annotations
    if not 0 < fraction_s < 1:
        raise FileFormatError(
            "the first data record does not start where the header says",
            file.path,
            f"byte {header.header_size + next(s.offset for s in header.signals if s.is_annotations and s.size)}, "
            "in data record 1",
            f"a start {fraction_s:.10g} s after the header's",
            "less than a second",
            f"It cannot be told whether all times are late by that much; {BEGINS}.",
        )
    onset_s = np.round(np.array(annotations.onset_s) - fraction_s, 9).tolist()
    start = header.start + timedelta(seconds=fraction_s)
    return replace(header, start=start), annotations._replace(onset_s=onset_s)


def _note_records(header: EdfHeader, starts_s: NDArray[np.float64], notes: list[Note]) -> None:
    missing = int(np.isnan(starts_s).sum())
    if missing:
        notes.append(Note.of(NoteKind.RECORDS_WITHOUT_START, count=missing, records=header.records))
    if header.record_duration_s <= 0:
        return
    steps = np.diff(starts_s)
    gaps = np.flatnonzero(np.abs(steps - header.record_duration_s) > _GAP_SLACK_S)
    if gaps.size:
        i = int(gaps[0])
        expected = starts_s[i] + header.record_duration_s
        notes.append(
            Note.of(
                NoteKind.GAP_BETWEEN_RECORDS,
                count=int(gaps.size),
                records=header.records,
                first=i + 2,
                start_s=float(starts_s[i + 1]),
                expected_s=float(expected),
                against_header=header.variant.endswith("C"),
            )
        )


# --- a hypnogram as a signal ------------------------------------------------------------------------------


def _spans_of_signal(
    file: InputFile, contents: _Contents, layout: Layout | None, own_words: frozenset[str]
) -> ScoredSpans | None:
    header = contents.header
    ordinary = [signal for signal in header.signals if not signal.is_annotations]
    slow = [
        signal
        for signal in ordinary
        if signal.samples
        and _SHORTEST_SIGNAL_EPOCH_S <= header.record_duration_s / signal.samples <= _LONGEST_SIGNAL_EPOCH_S
    ]
    named = [signal for signal in slow if _HYPNOGRAM_LABEL.search(signal.label)]
    candidates = named or [signal for signal in slow if len(ordinary) == 1]
    if not candidates or not header.records:
        return None
    if len(candidates) > 1:
        raise FileFormatError(
            "several signals could be the hypnogram",
            file.path,
            "",
            ", ".join(f"'{shorten(signal.label)}'" for signal in candidates),
            "one",
            "Keep one scoring a file.",
        )
    signal = candidates[0]
    values, digest = _read_signal(file, contents, signal)
    codes = np.rint(values)
    is_code = np.abs(values - codes) < 0.01
    if not is_code.all():
        if not named:
            return None
        i = int(np.flatnonzero(~is_code)[0])
        raise FileFormatError(
            "a hypnogram signal holds a value that is no code",
            file.path,
            f"signal '{shorten(signal.label)}', sample {i + 1}",
            f"{values[i]:.6g}",
            "0 to 6, or 9",
            "Export the scoring as annotations.",
        )
    distinct, first, inverse, counts = np.unique(
        codes.astype(np.int64), return_index=True, return_inverse=True, return_counts=True
    )
    labels = [str(code) for code in distinct]
    table = {**_SIGNAL_STAGES, **(layout.stages if layout is not None else {})}
    if not named and not all(label in table for label in labels):
        return None
    places = {
        label: f"{n} samples, the first is number {i + 1}"
        for label, i, n in zip(labels, first.tolist(), counts.tolist(), strict=True)
    }
    plain = {label: stage for label, stage in _SIGNAL_STAGES.items() if label not in own_words}
    table = put_layout_first(plain, {} if layout is None else layout.stages)
    stages = assign_stages(labels, counts=places, table=table, own_words=own_words, path=file.path)
    notes = [*contents.source.notes, Note.of(NoteKind.HYPNOGRAM_SIGNAL, signal=OwnWord(signal.label))]
    if any(label in labels and table.get(label) == _SIGNAL_STAGES[label] for label in ("3", "4")):
        notes.append(Note.of(NoteKind.CODES_MERGED_INTO_N3))
    epoch_s = header.record_duration_s / signal.samples
    starts_s = contents.record_starts_s
    if starts_s.size != header.records or np.isnan(starts_s).any():
        starts_s = np.arange(header.records, dtype=np.float64) * header.record_duration_s
    onset_s = (starts_s[:, None] - starts_s[0] + np.arange(signal.samples) * epoch_s).ravel()
    marks = marks_of_annotations(contents.annotations, file.path, layout=layout)
    return ScoredSpans(
        onset_s,
        np.full(onset_s.size, epoch_s),
        inverse.astype(np.int16),
        tuple(labels),
        stages,
        header.start,
        lights_off_s=marks.lights_off_s,
        lights_on_s=marks.lights_on_s,
        epoch_s=epoch_s,
        epoch_from=EpochLengthFrom.FILE,
        reports=layout.reports if layout is not None else None,
        ignored=marks.ignored,
        notes=tuple(notes),
        origin=replace(contents.source.origin, sha256=digest),
    )


def _read_signal(file: InputFile, contents: _Contents, signal: EdfSignal) -> tuple[NDArray[np.float64], str]:
    """Return the physical values of a signal, and the hash of the masked header with the signal's bytes."""
    header, head = contents.header, contents.head
    i, n = header.signals.index(signal), len(header.signals)
    limits = [
        decimal(head, 256 + before * n + 8 * i, 8, field, file.path)
        for before, field in (
            (104, "physical minimum"),
            (112, "physical maximum"),
            (120, "digital minimum"),
            (128, "digital maximum"),
        )
    ]
    physical_low, physical_high, digital_low, digital_high = limits
    if digital_low == digital_high:
        raise bad_field(
            file.path,
            256 + 128 * n + 8 * i,
            "digital maximum",
            "the signal has no range",
            f"{digital_high:g}, as its minimum",
            "a maximum above the minimum",
        )
    parts: list[bytes] = []
    for batch in _batches(file, b"", header, [signal]):
        parts += batch[0]
    data = b"".join(parts)
    digest = sha256(head[:8] + b" " * 160 + head[168:] + data).hexdigest()
    if signal.size == 2 * signal.samples:
        digital = np.frombuffer(data, "<i2").astype(np.float64)
    else:
        wide = np.zeros((len(data) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        digital = (wide.view("<i4").ravel() >> 8).astype(np.float64)
    gain = (physical_high - physical_low) / (digital_high - digital_low)
    return (digital - digital_low) * gain + physical_low, digest
