"""Intervals out of JSON records: put on one clock, taken from one source, and made into spans."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Moment, Note, NoteKind, ZoneName
from sleepagree.errors import ClockError, FileFormatError, InputError
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.mapping.words import NOT_A_STAGE, UNSCORED, put_layout_first
from sleepagree.readers.json.fields import Field, read_instant
from sleepagree.readers.layout import Layout
from sleepagree.readers.row_lengths import NIGHT_BREAK_US, common_step_us, settle_inclusive_ends
from sleepagree.readers.rows import LabelledRows, Places, SourceFacts, make_spans, number_labels, stages_of_labels
from sleepagree.readers.times.clock import (
    SECOND_US,
    Clock,
    FileClock,
    Microseconds,
    fixed_zone,
    microseconds_of,
    offset_changes,
    offset_of,
)
from sleepagree.readers.times.zones import resolve_wall_clock

#: Zones in which a claimed UTC is what it claims to be.
_UTC_NAMES: Final = ("UTC", "Etc/UTC", "Etc/UCT", "UCT", "Zulu", "Etc/Zulu", "Etc/Universal", "Universal")
_SHOWN: Final = 3
#: A common step of all times outside these is no length of an epoch.
_SHORTEST_EPOCH_S: Final = 5.0
_LONGEST_EPOCH_S: Final = 3600.0


class StagedInterval(NamedTuple):
    """One interval with a stage, as a record tells it; the end belongs to what follows."""

    begin: datetime
    end: datetime
    label: str
    place: str
    source: str = ""  # compared with others, never shown


@dataclass
class Gathered:
    """What has been gathered from the records of a file.

    Parameters
    ----------
    path : str
        File, for messages.
    layout : Layout
        How to read it; times need an offset from UTC where it names no zone.
    table : mapping of str to str
        Labels of the format that are no plain names -> stage; the layout goes before it.
    source_words : str
        What tells sources apart in this format, for messages.
    intervals, in_bed : list of StagedInterval
        Stages, and containers around them.
    ignored : Counter
        What else the file holds, in words of our own.
    notes : list of Note
        Ledger lines.
    people : dict
        Who slept -> where that is said first; compared and never shown.
    """

    path: str
    layout: Layout
    table: Mapping[str, str] = field(default_factory=dict)
    source_words: str = "source"
    intervals: list[StagedInterval] = field(default_factory=list)
    in_bed: list[StagedInterval] = field(default_factory=list)
    ignored: Counter[str] = field(default_factory=Counter)
    notes: list[Note] = field(default_factory=list)
    people: dict[str, str] = field(default_factory=dict)

    def instant(self, told: Field) -> datetime:
        """Return the moment that a field tells."""
        return read_instant(told, naive_allowed=self.layout.zone is not None)

    def refuse_second_person(self, who: str, place: str) -> None:
        """Raise a FileFormatError where somebody else slept than in the records before."""
        self.people.setdefault(who, place)
        if len(self.people) > 1:
            first, second = list(self.people.values())[:2]
            problem, found = "the file holds sleep of more than one person", f"another one than in {first}"
            expected = "records of one person"
            raise FileFormatError(problem, self.path, second, found, expected, "Export one file a person.")

    def no_sequence(self, parts: Sequence[str], expected: str) -> FileFormatError:
        """Return the error for a file without stages; ``parts`` say what it holds."""
        problem, found = "no sequence of stages is in this file", ", ".join(parts) or "no record"
        remedy = "Totals of a night can be compared by their bias only; export the intervals."
        return FileFormatError(problem, self.path, found=found, expected=expected, remedy=remedy)


def refuse_moment(holder: Field, *keys: str, named: str, expected: str) -> None:
    """Raise a FileFormatError where one of the fields tells a moment in the place of an interval."""
    for key in keys:
        moment = holder.get(key)
        if moment is not None:
            moment.fail(f"{named} is no interval of sleep", found=key, expected=expected, remedy="Export intervals.")


class _Timed(NamedTuple):
    """Intervals on one clock, in file order; arrays in microseconds since 1970 UTC."""

    intervals: list[StagedInterval]
    begin_us: Microseconds
    end_us: Microseconds
    clock: FileClock
    notes: tuple[Note, ...]
    cautions: tuple[Caution, ...]

    def taking(self, keep: NDArray[np.bool_]) -> _Timed:
        """Return some of the intervals."""
        kept = [interval for interval, wanted in zip(self.intervals, keep.tolist(), strict=True) if wanted]
        return self._replace(intervals=kept, begin_us=self.begin_us[keep], end_us=self.end_us[keep])


def assemble_intervals(
    gathered: Gathered, *, origin: Origin, own_words: Iterable[str], source: int | None
) -> ScoredSpans:
    """Make spans of intervals.

    Parameters
    ----------
    gathered : Gathered
        At least one interval.
    origin : Origin
        Carried into the result.
    own_words : iterable of str
        Labels that a mapping file explains.
    source : int, optional
        Which source to keep, counted from 1 in order of the file.
    """
    path, layout = gathered.path, gathered.layout
    everything = _on_one_clock([*gathered.intervals, *gathered.in_bed], layout.zone, path)
    is_stage = np.arange(len(everything.intervals)) < len(gathered.intervals)
    timed, source_notes = _one_source(everything.taking(is_stage), source, gathered.source_words, path)
    places = Places([interval.place for interval in timed.intervals], "{}", "{}")
    labels, codes = number_labels([interval.label for interval in timed.intervals])
    table = put_layout_first(gathered.table, layout.stages)
    stages = stages_of_labels(labels, codes, places, table=table, own_words=own_words, path=path)
    end_us, end_notes = _settle_ends(timed, layout, path)
    epoch_s, epoch_from = _epoch_length(timed.begin_us, end_us, layout)
    in_bed_notes = _in_bed_note(everything.taking(~is_stage))
    ignored = dict(sorted(gathered.ignored.items()))
    notes = (*gathered.notes, *source_notes, *everything.notes, *end_notes, *in_bed_notes)
    cautions = (*everything.cautions, *_no_wake_caution(stages))
    facts = SourceFacts(epoch_s, epoch_from, ignored=ignored, notes=notes, cautions=cautions)
    file_row = np.arange(len(timed.intervals))
    rows = LabelledRows(timed.begin_us, end_us, codes, file_row, labels, stages, places, timed.clock, path)
    return make_spans(rows, origin=origin, facts=facts, layout=layout)


def _settle_ends(timed: _Timed, layout: Layout, path: str) -> tuple[Microseconds, tuple[Note, ...]]:
    order = np.argsort(timed.begin_us, kind="stable")
    end_us = timed.end_us.copy()
    listing = timed.intervals[int(order[0])].place
    end_us[order], notes = settle_inclusive_ends(
        timed.begin_us[order], end_us[order], ends=layout.ends, path=path, listing=listing
    )
    return end_us, notes


def _epoch_length(begin_us: Microseconds, end_us: Microseconds, layout: Layout) -> tuple[float | None, EpochLengthFrom]:
    if layout.epoch_seconds is not None:
        return layout.epoch_seconds, EpochLengthFrom.LAYOUT
    step_s = common_step_us(begin_us, end_us) / SECOND_US
    if not _SHORTEST_EPOCH_S <= step_s <= _LONGEST_EPOCH_S:
        return None, EpochLengthFrom.UNKNOWN
    return step_s, EpochLengthFrom.INFERRED


def _in_bed_note(containers: _Timed) -> tuple[Note, ...]:
    if not containers.intervals:
        return ()
    times = sorted(zip(containers.begin_us.tolist(), containers.end_us.tolist(), strict=True), key=lambda t: t[0])
    begins, ends = (
        tuple(Moment(containers.clock.show(us)) for us in side) for side in zip(*times[:_SHOWN], strict=True)
    )
    return (Note.of(NoteKind.IN_BED, begins=begins, ends=ends, more=len(times) - len(begins)),)


def _no_wake_caution(stages: Sequence[str]) -> tuple[Caution, ...]:
    if "W" in stages or {UNSCORED, NOT_A_STAGE}.issuperset(stages):
        return ()
    return (Caution.of(CautionKind.NO_WAKE_INTERVAL),)


# --- clocks -----------------------------------------------------------------------------------------------


def _on_one_clock(intervals: list[StagedInterval], zone: str | None, path: str) -> _Timed:
    """Return intervals in microseconds since 1970 UTC."""
    offsets = [offset_of(moment) for interval in intervals for moment in interval[:2]]
    naive = [offset is None for offset in offsets]
    if any(naive) and not all(naive):
        i = naive.index(not naive[0])
        problem, found = "some times carry an offset from UTC, others none", str(intervals[i // 2][i % 2])
        expected = "all of them with an offset, or all without"
        raise ClockError(problem, path, intervals[i // 2].place, found, expected, "Export the times again in one form.")
    readings = np.array([[microseconds_of(m) for m in interval[:2]] for interval in intervals], np.int64)
    order = np.argsort(readings[:, 0], kind="stable")
    claims_utc = not any(naive) and not any(offsets)
    cautions: tuple[Caution, ...] = ()
    if all(naive) or (claims_utc and zone is not None and zone not in _UTC_NAMES):
        # readings of a local clock: their order tells a repeated hour apart
        local = zone or "UTC"
        places = [intervals[i].place for i in order]
        resolved = resolve_wall_clock(readings[order].ravel(), local, path=path, where=lambda i: places[i // 2])
        readings[order] = resolved.us.reshape(-1, 2)
        if claims_utc:
            cautions = (Caution.of(CautionKind.UTC_READ_AS_LOCAL, zone=ZoneName(local)),)
        clock = FileClock(Clock.UTC, resolved.zone)
        return _Timed(intervals, readings[:, 0], readings[:, 1], clock, resolved.notes, cautions)
    moments = readings - np.array(offsets, np.int64).reshape(-1, 2) * SECOND_US
    order = np.argsort(moments[:, 0], kind="stable")
    begun = np.array(offsets[::2], np.int64)[order]
    notes = offset_changes(begun, lambda row: intervals[order[row]].place, of_intervals=True)
    if claims_utc and zone is None:
        notes.append(Note.of(NoteKind.UTC_CLAIMED))
    if zone is not None and not claims_utc:
        notes.append(Note.of(NoteKind.ZONE_BESIDE_OFFSETS, zone=ZoneName(zone)))
    clock = FileClock(Clock.UTC, fixed_zone(offsets[2 * int(order[0])] or 0))
    return _Timed(intervals, moments[:, 0], moments[:, 1], clock, tuple(notes), cautions)


# --- sources ----------------------------------------------------------------------------------------------


class _Stay(NamedTuple):
    """What one source says about one night: from its first to its last word."""

    begin_us: int
    end_us: int
    source: int
    place: str


def _one_source(timed: _Timed, source: int | None, source_words: str, path: str) -> tuple[_Timed, tuple[Note, ...]]:
    """Keep one source, or all of them where no two scored the same night."""
    numbers = {name: i for i, name in enumerate(dict.fromkeys(i.source for i in timed.intervals), 1)}
    if source is not None and not 1 <= source <= len(numbers):
        raise ValueError(f"source must be 1 to {len(numbers)} for this file, not {source!r}")
    if len(numbers) == 1:
        return timed, ()
    codes = np.array([numbers[interval.source] for interval in timed.intervals])
    if source is not None:
        note = Note.of(NoteKind.ONE_SOURCE, source=source, sources=len(numbers), told_apart_by=source_words)
        return timed.taking(codes == source), (note,)
    _refuse_two_at_once(timed, codes, source_words, path)
    note = Note.of(NoteKind.SOURCES_TOGETHER, sources=len(numbers), told_apart_by=source_words)
    return timed, (note,)


def _refuse_two_at_once(timed: _Timed, codes: NDArray[np.intp], source_words: str, path: str) -> None:
    stays = sorted(_stays(timed, codes))
    latest = stays[0]
    for stay in stays[1:]:
        if stay.begin_us < latest.end_us and stay.source != latest.source:
            (_, _, one, place), (_, _, other, where) = sorted((latest, stay), key=lambda s: s.source)
            n = np.bincount(codes)
            both = f"source {one} ({n[one]} intervals, one of them {place}) and source {other} ({n[other]})"
            found, expected = f"{both}, both at {timed.clock.show(stay.begin_us)}", "one source a night"
            in_python = f"in Python, read_json(path, source={one}) or source={other} reads one of them."
            remedy = f"Keep the records of one {source_words} in the file; {in_python}"
            raise InputError("two sources scored the same night", path, where, found, expected, remedy)
        latest = max(latest, stay, key=lambda s: s.end_us)


def _stays(timed: _Timed, codes: NDArray[np.intp]) -> list[_Stay]:
    """Return the nights of each source: its intervals with no longer silence between them than a night has."""
    stays: list[_Stay] = []
    last: dict[int, int] = {}
    for i in np.argsort(timed.begin_us, kind="stable"):
        begin, end, code = int(timed.begin_us[i]), int(timed.end_us[i]), int(codes[i])
        at = last.get(code)
        if at is not None and begin - stays[at].end_us < NIGHT_BREAK_US:
            stays[at] = stays[at]._replace(end_us=max(stays[at].end_us, end))
        else:
            last[code] = len(stays)
            stays.append(_Stay(begin, end, code, timed.intervals[i].place))
    return stays
