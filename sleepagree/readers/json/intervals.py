"""Intervals out of JSON records: put on one clock, taken from one source, and made into spans."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Moment, Note, NoteKind, ZoneName
from sleepagree.errors import ClockError, FileFormatError, InputError, asked, for_page
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.mapping.words import NOT_A_STAGE, UNSCORED
from sleepagree.readers.json.fields import Field, read_instant
from sleepagree.readers.layout import Layout, Overlaps
from sleepagree.readers.rows import LabelledRows, Places, SourceFacts, make_spans, number_labels, stages_of_labels
from sleepagree.readers.table.lengths import NIGHT_BREAK_US, coarse_grid_caution, common_step_us, settle_inclusive_ends
from sleepagree.readers.times.clock import SECOND_US, Clock, FileClock, Microseconds, microseconds_of, naive_datetime
from sleepagree.readers.times.zones import fixed_zone, offset_changes, offset_of, resolve_each, resolve_rows

#: Zones in which a claimed UTC is what it claims to be.
_UTC_NAMES: Final = ("UTC", "Etc/UTC", "Etc/UCT", "UCT", "Zulu", "Etc/Zulu", "Etc/Universal", "Universal")
_SHOWN: Final = 3
#: A common step of all times outside these is no length of an epoch.
_SHORTEST_EPOCH_S: Final = 5.0
_LONGEST_EPOCH_S: Final = 3600.0
#: Fewer rows may have a long step by chance.
_TELLING_ROWS: Final = 5


class StagedInterval(NamedTuple):
    """One interval with a stage, as a record tells it; the end belongs to what follows.

    Of beginning, end and length two are told at least. A length is elapsed time, so that it is counted from a moment,
    never from the reading of a clock that may be changed.
    """

    begin: datetime | None
    end: datetime | None
    label: str
    place: str
    source: str = ""  # compared with others, never shown
    length: timedelta | None = None

    @property
    def first(self) -> datetime:
        """The moment that is told, the beginning where both are."""
        return self.begin or cast("datetime", self.end)  # one of the two is told

    def in_utc(self) -> StagedInterval:
        """Return the interval with its times, which have offsets, in UTC."""
        begin, end = (None if moment is None else moment.astimezone(UTC) for moment in (self.begin, self.end))
        return self._replace(begin=begin, end=end)


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
        Labels of the format that are no plain names, as it spells them -> stage; the layout goes before it.
    source_words : str
        What tells sources apart in this format, for messages.
    intervals, around : list of StagedInterval
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
    around: list[StagedInterval] = field(default_factory=list)
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

    def timed_notes(self, timed: Timed, around: Timed) -> tuple[Note, ...]:
        """Return what is to be told of stages and containers once their times are known."""
        del timed  # of use to formats whose containers make claims about stages
        if not around.intervals:
            return ()
        times = sorted(zip(around.begin_us.tolist(), around.end_us.tolist(), strict=True), key=lambda t: t[0])
        begins, ends = (
            tuple(Moment(around.clock.show(us)) for us in side) for side in zip(*times[:_SHOWN], strict=True)
        )
        return (Note.of(NoteKind.IN_BED, begins=begins, ends=ends, more=len(times) - len(begins)),)

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


class Timed(NamedTuple):
    """Intervals on one clock, in file order; arrays in microseconds since 1970 UTC."""

    intervals: list[StagedInterval]
    begin_us: Microseconds
    end_us: Microseconds
    clock: FileClock
    notes: tuple[Note, ...] = ()
    cautions: tuple[Caution, ...] = ()

    def taking(self, keep: NDArray[np.bool_]) -> Timed:
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
    everything, around = _on_one_clock(gathered)
    timed, source_notes = _one_source(everything, source, gathered.source_words, path)
    places = Places([interval.place for interval in timed.intervals], "{}", "{}")
    labels, codes = number_labels([interval.label for interval in timed.intervals])
    words = {"table": layout.stages, "defaults": gathered.table, "own_words": own_words}
    stages = stages_of_labels(labels, codes, places, **words, path=path)
    earliest = timed.intervals[int(timed.begin_us.argmin())].place
    end_us, end_notes = settle_inclusive_ends(
        timed.begin_us, timed.end_us, ends=layout.ends, path=path, listing=earliest
    )
    epoch_s, epoch_from, coarse = _epoch_length(timed.begin_us, end_us, layout)
    ignored = dict(sorted(gathered.ignored.items()))
    notes = (*gathered.notes, *source_notes, *everything.notes, *end_notes, *gathered.timed_notes(everything, around))
    cautions = (*everything.cautions, *coarse, *_no_wake_caution(stages))
    facts = SourceFacts(epoch_s, epoch_from, ignored=ignored, notes=notes, cautions=cautions)
    file_row = np.arange(len(timed.intervals))
    rows = LabelledRows(timed.begin_us, end_us, codes, file_row, labels, stages, places, timed.clock, path)
    return make_spans(rows, origin=origin, facts=facts, layout=layout)


def _epoch_length(
    begin_us: Microseconds, end_us: Microseconds, layout: Layout
) -> tuple[float | None, EpochLengthFrom, tuple[Caution, ...]]:
    """Return how long epochs are and how that is known, with a caution where the step of all times is longer."""
    step_s = common_step_us(begin_us, end_us) / SECOND_US
    is_step = _SHORTEST_EPOCH_S <= step_s <= _LONGEST_EPOCH_S
    coarse = coarse_grid_caution(step_s) if is_step and begin_us.size >= _TELLING_ROWS else ()
    if layout.epoch_seconds is not None:
        return layout.epoch_seconds, EpochLengthFrom.LAYOUT, coarse
    return (step_s, EpochLengthFrom.INFERRED, coarse) if is_step else (None, EpochLengthFrom.UNKNOWN, ())


def _no_wake_caution(stages: Sequence[str]) -> tuple[Caution, ...]:
    if "W" in stages or {UNSCORED, NOT_A_STAGE}.issuperset(stages):
        return ()
    return (Caution.of(CautionKind.NO_WAKE_INTERVAL),)


# --- clocks -----------------------------------------------------------------------------------------------


def _on_one_clock(gathered: Gathered) -> tuple[Timed, Timed]:
    """Return stages, and containers around them, in microseconds since 1970 UTC."""
    path, zone, intervals = gathered.path, gathered.layout.zone, gathered.intervals
    everything = [*intervals, *gathered.around]
    told = [(interval, m) for interval in everything for m in (interval.begin, interval.end) if m is not None]
    offsets = [offset_of(moment) for _, moment in told]
    naive = [offset is None for offset in offsets]
    if any(naive) and not all(naive):
        interval, moment = told[naive.index(not naive[0])]
        problem, found = "some times carry an offset from UTC, others none", str(moment)
        expected = "all of them with an offset, or all without"
        raise ClockError(problem, path, interval.place, found, expected, "Export the times again in one form.")
    claims_utc = not any(naive) and not any(offsets)
    if all(naive) or (claims_utc and zone is not None and zone not in _UTC_NAMES):
        local = zone or "UTC"
        timed = _in_order_of_file(gathered, local)
        if claims_utc:
            timed = timed._replace(cautions=(Caution.of(CautionKind.UTC_READ_AS_LOCAL, zone=ZoneName(local)),))
        return timed, _as_wide_as_can_be(gathered, local, timed.clock)
    order = sorted(intervals, key=lambda interval: interval.first)
    begun = [offset_of(interval.first) or 0 for interval in order]
    notes = offset_changes(np.array(begun), lambda row: order[row].place, of_intervals=True)
    if claims_utc and zone is None:
        notes.append(Note.of(NoteKind.UTC_CLAIMED))
    if zone is not None and not claims_utc:
        notes.append(Note.of(NoteKind.ZONE_BESIDE_OFFSETS, zone=ZoneName(zone)))
    clock = FileClock(Clock.UTC, fixed_zone(begun[0]))
    in_utc = [[i.in_utc() for i in held] for held in (intervals, gathered.around)]
    timed, around = (_with_lengths(held, *_readings(held), clock, path) for held in in_utc)
    return timed._replace(notes=tuple(notes)), around


def _readings(intervals: list[StagedInterval]) -> tuple[Microseconds, Microseconds]:
    """Return what a clock showed first, and at the end (where none is told, first again)."""
    first_us = np.array([microseconds_of(i.first) for i in intervals], np.int64)
    return first_us, np.array([microseconds_of(i.end or i.first) for i in intervals], np.int64)


def _in_order_of_file(gathered: Gathered, zone: str) -> Timed:
    """Return stages whose times are readings of a local clock, each source in the order of the file."""
    intervals, path = gathered.intervals, gathered.path
    first_us, end_us = _readings(intervals)
    has_end = np.array([i.begin is not None and i.length is None for i in intervals])
    sources = np.array([interval.source for interval in intervals])
    notes: list[Note] = []
    for source in dict.fromkeys(sources.tolist()):
        rows = np.flatnonzero(sources == source)
        places = [intervals[row].place for row in rows]
        ended = np.flatnonzero(has_end[rows])
        may_overlap = gathered.layout.overlaps is not Overlaps.REFUSE
        resolved = resolve_rows(
            first_us[rows],
            end_us[rows[ended]],
            ended,
            zone,
            path=path,
            where=places.__getitem__,
            may_overlap=may_overlap,
        )
        first_us[rows], end_us[rows[ended]] = resolved.starts_us, resolved.ends_us
        notes += resolved.notes
    timed = _with_lengths(intervals, first_us, end_us, FileClock(Clock.UTC, resolved.zone), path, resolved.zone)
    return timed._replace(notes=tuple(notes))


def _as_wide_as_can_be(gathered: Gathered, zone: str, clock: FileClock) -> Timed:
    """Return containers whose times are readings of a local clock; a repeated hour is within them."""
    path = gathered.path
    around = [i if i.begin is None or i.end is None else i._replace(length=None) for i in gathered.around]
    first_us, end_us = (
        resolve_each(us, zone, path=path, where=lambda i: around[i].place) if around else (us, us)
        for us in _readings(around)
    )
    return _with_lengths(around, first_us[0], end_us[1], clock, path)


def _with_lengths(
    intervals: list[StagedInterval],
    first_us: Microseconds,
    end_us: Microseconds,
    clock: FileClock,
    path: str,
    ends_by: tzinfo = UTC,
) -> Timed:
    """Return intervals of which some tell their length, counted from the first moment that they tell.

    An end beside a beginning and a length, by the clock of ``ends_by``, must be theirs.
    """
    length_us = np.array([(i.length or timedelta()) // timedelta(microseconds=1) for i in intervals], np.int64)
    begin_us = np.where([i.begin is not None for i in intervals], first_us, first_us - length_us)
    counted_us = begin_us + length_us
    for row, (begin, end, length) in enumerate((i.begin, i.end, i.length) for i in intervals):
        if begin is not None and end is not None and length is not None:
            shown = naive_datetime(int(counted_us[row])).replace(tzinfo=UTC).astimezone(ends_by)
            off = timedelta(microseconds=int(end_us[row]) - microseconds_of(shown))
            if abs(off) > timedelta(seconds=1):
                problem, found = "the duration disagrees with start and end", f"{length.total_seconds():g} s"
                expected = f"{(length + off).total_seconds():g} s"
                raise FileFormatError(problem, path, intervals[row].place, found, expected)
            counted_us[row] += off // timedelta(microseconds=1)
    end_us = np.where([i.length is None for i in intervals], end_us, counted_us)
    return Timed(intervals, begin_us, end_us, clock)


# --- sources ----------------------------------------------------------------------------------------------


class _Stay(NamedTuple):
    """What one source says about one night: from its first to its last word."""

    begin_us: int
    end_us: int
    source: int
    place: str


def _one_source(timed: Timed, source: int | None, source_words: str, path: str) -> tuple[Timed, tuple[Note, ...]]:
    """Keep one source, or all of them where no two scored the same night."""
    numbers = {name: i for i, name in enumerate(dict.fromkeys(i.source for i in timed.intervals), 1)}
    if source is not None and not 1 <= source <= len(numbers):
        problem, found = f"there is no such {source_words} in this file", f"source {source}"
        expected, remedy = f"a number from 1 to {len(numbers)}", for_page("Correct the layout.", "Correct the answer.")
        raise InputError(problem, path, "source", found, expected, remedy)
    if len(numbers) == 1:
        return timed, ()
    codes = np.array([numbers[interval.source] for interval in timed.intervals])
    if source is not None:
        note = Note.of(NoteKind.ONE_SOURCE, source=source, sources=len(numbers), told_apart_by=source_words)
        return timed.taking(codes == source), (note,)
    _refuse_two_at_once(timed, codes, path)
    note = Note.of(NoteKind.SOURCES_TOGETHER, sources=len(numbers), told_apart_by=source_words)
    return timed, (note,)


def _refuse_two_at_once(timed: Timed, codes: NDArray[np.intp], path: str) -> None:
    stays = sorted(_stays(timed, codes))
    latest = stays[0]
    for stay in stays[1:]:
        if stay.begin_us < latest.end_us and stay.source != latest.source:
            (_, _, one, place), (_, _, other, where) = sorted((latest, stay), key=lambda s: s.source)
            n = np.bincount(codes)
            both = f"source {one} ({n[one]} intervals, one of them {place}) and source {other} ({n[other]})"
            found, expected = f"{both}, both at {timed.clock.show(stay.begin_us)}", "one source a night"
            remedy = for_page(
                f"Choose one in a layout: [file] source = {one}, or {other}.",
                f"Answer {asked('source')}: {one} or {other}.",
            )
            raise InputError("two sources scored the same night", path, where, found, expected, remedy)
        latest = max(latest, stay, key=lambda s: s.end_us)


def _stays(timed: Timed, codes: NDArray[np.intp]) -> list[_Stay]:
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
