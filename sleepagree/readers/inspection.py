"""What a reader sees in a file, as facts; `describe/file.py` tells them, and what scoring a night would do.

A file whose labels are unknown, or whose rows overlap, is looked at all the same: what stands in the way is told
first, then what is there.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from sleepagree.caution import Caution, Note, NoteKind
from sleepagree.errors import (
    EpochGridError,
    FileFormatError,
    Front,
    SleepAgreeError,
    UnknownStageError,
    counted,
    name_options,
)
from sleepagree.files.packed import STANDARD_INPUT, STANDARD_INPUT_NAME
from sleepagree.hypnogram.clock_changes import change_caution, skipped_hours
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.zones import add_seconds, key_of_zone
from sleepagree.mapping.words import UNSCORED
from sleepagree.readers.layout import Layout, Overlaps

if TYPE_CHECKING:
    from sleepagree.readers.columns import Columns

#: From wake to REM, the unclear ones last.
STAGE_ORDER: Final = ("W", "N1", "N2", "light", "light-or-rem", "N3", "R", "nrem", "sleep", "wake-or-sleep")
_EDF: Final = "edf"
#: Columns of a table, each with what it holds, or of what is looked for, each with the column that has it.
_Pairs = tuple[tuple[str, str], ...]
_NUMBER: Final = re.compile(r"[+-]?\d+([.,]\d+)?")
_TIME: Final = re.compile(r"\d:\d\d|\d[-/.]\d+[-/.]\d")
_ROLES: Final = (*("start", "end", "duration", "stage", "date"), *("epoch_number", "person", "night", "zone", "am_pm"))
_MOST_ROUNDS: Final = 50
_FIRST: Final = 4
_OF_OVERLAPS: Final = (NoteKind.ENDS_ROUNDED, NoteKind.ROWS_MERGED, NoteKind.ROWS_OVERLAID)
_SLACK_S: Final = 1e-3


@dataclass(frozen=True)
class LabelSeen:
    """A label of a file.

    Parameters
    ----------
    label : str
        Native text.
    stage : str or None
        The stage it names, "unscored", or None where nothing explains it.
    epochs : int or None
        30-s epochs that it takes on a grid from the first scored epoch on; None where the times could not be
        laid out.
    minutes : float or None
        Time that its spans last.
    rows : int
        Spans that it has.
    """

    label: str
    stage: str | None
    epochs: int | None
    minutes: float | None
    rows: int = 0


@dataclass(frozen=True)
class Gap:
    """Time between two spans that no label covers.

    Parameters
    ----------
    begin, end : datetime or None
        Clock times, None where the file tells elapsed time only.
    begin_s, end_s : float
        Seconds after the file's start.
    """

    begin: datetime | None
    end: datetime | None
    begin_s: float
    end_s: float

    @property
    def minutes(self) -> float:
        """Length."""
        return (self.end_s - self.begin_s) / 60


@dataclass(frozen=True)
class SpanRead:
    """A span of a file as it is read: its label, the stage (None where unknown), and when it begins."""

    begin: datetime | float
    seconds: float
    label: str
    stage: str | None


@dataclass(frozen=True)
class FileInspection:
    """What a reader sees in a file.

    Parameters
    ----------
    file : str
        File name without its folder.
    reader : str
        The reader that read it.
    start : datetime or None
        When the first span begins by the file's clock.
    end : datetime or None
        When the last span ends.
    zone : str or None
        Zone name or offset of the clock; None for a clock without a zone, or none at all.
    duration_s : float
        From the first span's begin to the last span's end.
    spans : int
        Number of spans.
    epoch_seconds : float or None
        The source's own epoch length.
    epoch_seconds_from : str
        "file", "layout", "inferred" or "".
    labels : tuple of LabelSeen
        In order of first appearance.
    gaps : tuple of Gap
        Time without a label.
    overlaps : tuple of Note
        What overlaps.
    lights_off, lights_on : datetime or float or None
        Marks: clock times, or seconds after the file's start where it has no clock.
    columns : tuple of (str, str)
        For tables: what was looked for -> name of the column that has it.
    unused : tuple of str
        For tables: names of the columns that nothing is read from.
    header : tuple of (str, str)
        For tables whose columns of times and stages are not known: name of each column -> what it seems to hold.
    ignored : tuple of (str, int)
        Texts that are no stages. They may say anything about anybody: outputs tell their number only.
    notes, cautions : tuple of Note, tuple of Caution
        Of the reader.
    problems : tuple of str
        Why the file cannot be scored as it is, or by the layout proposed for it; empty where it can.
    faults : tuple of str
        The same in short, without how to mend it.
    settled : tuple of str
        Faults that the layout proposed for the file takes care of.
    read : ScoredSpans or None
        What was read; None where nothing can be.
    read_by_mne : tuple of str
        For EDF and BDF: how MNE reads the same file.
    unknown : tuple of str
        Labels that a layout must name.
    time_forms : tuple of (str, str)
        Where times do not say which of two forms they have: each form as a layout names it, and when it holds.
    first : tuple of SpanRead
        The first spans.
    assumed : tuple of (str, str)
        Key of a layout -> what stands in its place until somebody fills it in.
    """

    file: str
    reader: str
    start: datetime | None = None
    end: datetime | None = None
    zone: str | None = None
    duration_s: float = 0.0
    spans: int = 0
    epoch_seconds: float | None = None
    epoch_seconds_from: str = ""
    labels: tuple[LabelSeen, ...] = ()
    gaps: tuple[Gap, ...] = ()
    overlaps: tuple[Note, ...] = ()
    lights_off: datetime | float | None = None
    lights_on: datetime | float | None = None
    columns: _Pairs = ()
    unused: tuple[str, ...] = ()
    header: _Pairs = ()
    ignored: tuple[tuple[str, int], ...] = ()
    notes: tuple[Note, ...] = ()
    cautions: tuple[Caution, ...] = ()
    problems: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    settled: tuple[str, ...] = ()
    read: ScoredSpans | None = field(default=None, compare=False, repr=False)
    read_by_mne: tuple[str, ...] = ()
    unknown: tuple[str, ...] = field(default=())
    time_forms: _Pairs = ()
    first: tuple[SpanRead, ...] = ()
    assumed: _Pairs = ()

    @property
    def is_dated(self) -> bool:
        """Whether its dates are told, and not assumed until somebody tells them."""
        return "begins" not in dict(self.assumed)

    @property
    def columns_by_role(self) -> dict[str, list[str]]:
        """What was looked for -> names of the columns that have it: several where each has the marks of one stage."""
        return {role: [name for other, name in self.columns if other == role] for role, _ in self.columns}


@dataclass(frozen=True)
class _Reading:
    """Spans of a file, read as far as it goes."""

    spans: ScoredSpans | None
    unknown: tuple[str, ...]
    problems: tuple[SleepAgreeError, ...]
    overlap: str


def inspect_file(
    path: Path, *, layout: Layout | None = None, zone: str | None = None, front: Front = Front.COMMAND
) -> FileInspection:
    """Return what a reader sees in a file.

    Parameters
    ----------
    path : Path
        Any file that a night can be scored from.
    layout : Layout, optional
        How to read it.
    zone : str, optional
        IANA zone of its naive times.
    front : Front
        Who shows its ``problems``.

    Returns
    -------
    FileInspection
        Also where labels are unknown or rows overlap; ``problems`` says so.

    Raises
    ------
    SleepAgreeError
        When the file cannot be read at all.
    """
    path = Path(path)
    reading = _read_as_far_as_it_goes(path, layout, zone)
    spans = reading.spans
    known = FileInspection(
        file=name_of(path),
        reader=reader_of(path) if spans is None else spans.origin.reader,
        problems=tuple(_sentence(problem, front) for problem in reading.problems),
        faults=tuple(fault_of(problem, front) for problem in reading.problems),
        unknown=reading.unknown,
    )
    if spans is None:
        return _labels_only(path, layout, reading, known)
    begin_s = float(spans.onset_s[0])
    overlaps = tuple(note for note in spans.notes if note.kind in _OF_OVERLAPS)
    columns, unused, _ = _table(path, layout)
    refused = (Note.of(NoteKind.OVERLAP_REFUSED, problem=reading.overlap),) if reading.overlap else ()
    return replace(
        known,
        start=_moment(spans, begin_s),
        end=_moment(spans, spans.end_s),
        zone=_zone_name(spans.start),
        duration_s=spans.end_s - begin_s,
        spans=int(spans.onset_s.size),
        epoch_seconds=spans.epoch_s,
        epoch_seconds_from=str(spans.epoch_from),
        labels=_labels(spans, reading.unknown),
        gaps=_gaps(spans),
        overlaps=overlaps or refused,
        lights_off=_mark(spans, spans.lights_off_s),
        lights_on=_mark(spans, spans.lights_on_s),
        columns=columns,
        unused=unused,
        ignored=spans.ignored,
        notes=tuple(note for note in spans.notes if note not in overlaps),
        cautions=(*spans.cautions, *(change_caution(change, gap_of="file") for change in skipped_hours(spans))),
        read=spans,
        read_by_mne=_by_mne(path, layout) if known.reader == _EDF else (),
        first=_first(spans, reading.unknown),
    )


# --- reading ----------------------------------------------------------------------------------------------


def _read_as_far_as_it_goes(path: Path, layout: Layout | None, zone: str | None) -> _Reading:
    """Read a file; take unknown labels for words of their own, and let later rows win where rows overlap."""
    from sleepagree.readers.any_file import read_spans

    unknown: dict[str, None] = {}
    problems: list[SleepAgreeError] = []
    overlap = ""
    settled = layout
    for _ in range(_MOST_ROUNDS):
        try:
            spans = read_spans(path, layout=settled, zone=zone, own_words=frozenset(unknown))
        except UnknownStageError as error:
            labels = [label for label in error.labels if label not in unknown]
            if not labels:
                raise
            if not unknown:
                problems.append(error)
            unknown |= dict.fromkeys(labels)
        except FileFormatError as error:
            if error.forms or _table(path, layout)[2]:
                return _Reading(None, tuple(unknown), (*problems, error), overlap)
            raise
        except EpochGridError as error:
            is_first = settled is None or settled.overlaps is Overlaps.REFUSE
            if is_first and error.settled_by == "overlaps":
                overlap = _without_path(error)
                problems.append(error)
                settled = replace(settled or Layout(), overlaps=Overlaps.LATER_WINS)
            elif unknown:
                left = () if error.settled_by == "stages" else (error,)
                return _Reading(None, tuple(unknown), (*problems, *left), overlap)
            else:
                raise
        else:
            held = set(spans.labels)
            return _Reading(spans, tuple(label for label in unknown if label in held), tuple(problems), overlap)
    raise problems[0]


def _by_mne(path: Path, layout: Layout | None) -> tuple[str, ...]:
    from sleepagree.readers.mne_files import compare_edf_with_mne

    return compare_edf_with_mne(path, layout=layout)


def name_of(path: Path) -> str:
    """Return what a file is called, without its folder."""
    return STANDARD_INPUT_NAME if str(path) == STANDARD_INPUT else path.name


def _labels_only(path: Path, layout: Layout | None, reading: _Reading, known: FileInspection) -> FileInspection:
    """Return what is known of a file whose labels are unknown and whose times cannot be laid out either."""
    inspection = replace(
        known,
        labels=tuple(LabelSeen(label, None, None, None) for label in reading.unknown),
        time_forms=tuple(form for problem in reading.problems for form in getattr(problem, "forms", ())),
    )
    if inspection.reader != _EDF:
        columns, unused, header = _table(path, layout)
        return replace(inspection, columns=columns, unused=unused, header=header)
    from sleepagree.readers.edf.recording import read_edf_annotations

    read = read_edf_annotations(path, layout=layout)
    count, seconds = Counter[str](), Counter[str]()
    for _, duration_s, text in read.annotations:
        count[text.strip()] += 1
        seconds[text.strip()] += round(duration_s or 0)
    return replace(
        inspection,
        start=read.header.start,
        labels=tuple(LabelSeen(text, None, None, seconds[text] / 60) for text in count if text in reading.unknown),
        ignored=tuple((text, n) for text, n in count.items() if text not in reading.unknown),
        notes=read.notes,
        read_by_mne=_by_mne(path, layout),
    )


def reader_of(path: Path) -> str:
    """Return the name of the reader of a file, by its name or, at standard input, by its first bytes."""
    from sleepagree.readers.any_file import kind_of_file, opened

    with opened(str(path)) as file:
        return kind_of_file(file.name)


def fault_of(problem: SleepAgreeError, front: Front = Front.COMMAND) -> str:
    """Return what is wrong, without the file's name and how to mend it."""
    return SleepAgreeError(problem.problem, "", problem.where, problem.found).told(front)


def _sentence(problem: SleepAgreeError, front: Front) -> str:
    """Return a problem without the file's name; what to do about labels is told elsewhere in an inspection."""
    if isinstance(problem, UnknownStageError):
        place = f"{problem.where}: " if problem.where else ""
        return name_options(f"{place}{problem.problem}. Found {problem.found}.", front)
    return _without_path(problem, front)


def _without_path(problem: SleepAgreeError, front: Front = Front.COMMAND) -> str:
    told = problem.in_file("")
    told.side = "file"
    return told.told(front)


# --- what is there ----------------------------------------------------------------------------------------


def _moment(spans: ScoredSpans, seconds: float) -> datetime | None:
    return None if spans.start is None else add_seconds(spans.start, seconds)


def _mark(spans: ScoredSpans, seconds: float | None) -> datetime | float | None:
    return None if seconds is None else _moment(spans, seconds) or seconds


def _zone_name(start: datetime | None) -> str | None:
    if start is None or start.tzinfo is None:
        return None
    return key_of_zone(start) or start.tzname() or start.isoformat()[-6:]


def scored_spans(spans: ScoredSpans) -> list[int]:
    """Return the positions of the spans that hold a stage."""
    return [i for i, code in enumerate(spans.codes.tolist()) if spans.stages[code] != UNSCORED]


def _labels(spans: ScoredSpans, unknown: Sequence[str]) -> tuple[LabelSeen, ...]:
    first = next(iter(scored_spans(spans)), 0)
    on_grid = lay_on_epochs(spans, origin_s=float(spans.onset_s[first]))
    epochs = np.bincount(on_grid.codes[on_grid.codes >= 0], minlength=len(spans.labels))
    rows = np.bincount(spans.codes, minlength=len(spans.labels))
    seconds = np.bincount(spans.codes, weights=spans.duration_s, minlength=len(spans.labels))
    appearing = list(dict.fromkeys(spans.codes.tolist()))
    stages = [None if label in unknown else stage for label, stage in zip(spans.labels, spans.stages, strict=True)]
    return tuple(
        LabelSeen(spans.labels[c], stages[c], int(epochs[c]), float(seconds[c]) / 60, int(rows[c])) for c in appearing
    )


def _first(spans: ScoredSpans, unknown: Sequence[str]) -> tuple[SpanRead, ...]:
    out = []
    for i in range(min(_FIRST, spans.codes.size)):
        onset_s, code = float(spans.onset_s[i]), int(spans.codes[i])
        label = spans.labels[code]
        stage = None if label in unknown else spans.stages[code]
        out.append(SpanRead(_moment(spans, onset_s) or onset_s, float(spans.duration_s[i]), label, stage))
    return tuple(out)


def _gaps(spans: ScoredSpans) -> tuple[Gap, ...]:
    ends, begins = spans.onset_s[:-1] + spans.duration_s[:-1], spans.onset_s[1:]
    pairs = [(float(ends[i]), float(begins[i])) for i in np.flatnonzero(begins - ends > _SLACK_S)]
    return tuple(Gap(_moment(spans, begin), _moment(spans, end), begin, end) for begin, end in pairs)


def _table(path: Path, layout: Layout | None) -> tuple[_Pairs, tuple[str, ...], _Pairs]:
    """Return which column of a table holds what and which hold nothing needed, or what each column seems to hold.

    Nothing where the file is no table; what columns seem to hold is told where those needed are not known.
    """
    from sleepagree.readers.any_file import whole_table
    from sleepagree.readers.columns import find_columns

    try:
        table = whole_table(path, layout)
    except SleepAgreeError:
        table = None
    if table is None:
        return (), (), ()
    names = tuple(table.names[i] for i in table.columns)
    try:
        found = find_columns(names, layout or Layout(), path=str(path))
    except FileFormatError:
        return (), (), tuple((table.names[i], _kind(table.cells(i))) for i in table.columns)
    return roles_of_columns(found, names), tuple(name for i, name in enumerate(names) if i not in found.used), ()


def roles_of_columns(found: Columns, names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Return what each column that is read holds, and its name."""
    left_out = {"start": found.counted, "stage": bool(found.marks)}
    roles = [role for role in _ROLES if not left_out.get(role)]
    positions = [*((role, getattr(found, role)) for role in roles), *(("stage_columns", i) for i in found.marks)]
    return tuple((role, names[position]) for role, position in positions if position is not None)


def _kind(texts: Sequence[str]) -> str:
    """Return what a column seems to hold, without showing any of it."""
    distinct = set(texts)
    if all(_NUMBER.fullmatch(text) for text in distinct):
        kind = "numbers"
    elif all(_TIME.search(text) for text in distinct):
        kind = "times"
    else:
        kind = "texts"
    return f"{kind}, {len(distinct)} different in {counted(len(texts), 'row')}"
