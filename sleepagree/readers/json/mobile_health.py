"""Sleep-stage records after IEEE 1752.1 and Open mHealth.

A record is a data point (``header`` and ``body``) or a body alone. Its stages stand in
``sleep_stage_episodes[]``, or one by one in ``body.sleep[]``, each with a state (awake, light, deep, rem) and a
time frame under ``sleep_stage_time_frame`` or ``effective_time_frame``; both keys are in use. Intervals are
half-open. Users and sources are compared to tell people and devices apart, and never kept or shown.

References
----------
.. [1] IEEE 1752.1-2021, IEEE Standard for Open Mobile Health Data: Representation of Metadata, Sleep, and
   Physical Activity Measures.
.. [2] Open mHealth schemas, omh:sleep-episode:1.1, omh:time-interval:1.1, omh:duration-unit-value:1.0.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, NamedTuple

import numpy as np

from sleepagree.caution import Note, NoteKind
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.mapping.words import canonical_stage, fold_label, fold_table, recognise_label
from sleepagree.readers.json.fields import Field, JsonDocument
from sleepagree.readers.json.intervals import Gathered, StagedInterval, Timed, refuse_moment
from sleepagree.readers.layout import Layout
from sleepagree.readers.times.clock import SECOND_US

#: Units of a duration of fixed length, in seconds; months and years have none.
_UNITS_S: Final = {"ms": 0.001, "s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "wk": 604800.0}
_ONE_UNIT: Final = "one of " + ", ".join(_UNITS_S)
_INTERVAL_KEYS: Final = ("start_date_time", "end_date_time", "duration")
_FRAME_KEYS: Final = ("sleep_stage_time_frame", "effective_time_frame")
_RECORD_KEYS: Final = (
    *_FRAME_KEYS,
    *("sleep_stage_episodes", "sleep_stage_summary", "sleep_stage_state", "total_sleep_time"),
)
#: Total of the summary -> the stages that it sums.
_TOTALS: Final = {
    "light_sleep_duration": ("light", "N1", "N2"),
    "deep_sleep_duration": ("N3",),
    "rem_sleep_duration": ("R",),
    "total_sleep_time": ("light", "N3", "R", "sleep", "N1", "N2", "nrem"),
}


class _Body(NamedTuple):
    """What stands around the stages from one to another: the number of their time frame, and their totals."""

    first: int
    last: int
    frame: int | None
    summary: Field | None


@dataclass
class _Found(Gathered):
    """What was met on the way through the records."""

    frame_keys: Counter[str] = field(default_factory=Counter)
    nested_episodes: int = 0
    summaries: int = 0
    main_sleep: Counter[bool] = field(default_factory=Counter)
    bodies: list[_Body] = field(default_factory=list)

    def timed_notes(self, timed: Timed, around: Timed) -> tuple[Note, ...]:
        """Return what is to be told of stages outside the time frame of their body, and of totals that differ."""
        notes: list[Note] = []
        outside = 0
        for first, last, frame, summary in self.bodies:
            begin_us, end_us = timed.begin_us[first:last], timed.end_us[first:last]
            if frame is not None:
                outside += int(np.count_nonzero((begin_us < around.begin_us[frame]) | (end_us > around.end_us[frame])))
            if summary is not None:
                lengths = zip(self.intervals[first:last], (end_us - begin_us).tolist(), strict=True)
                notes += _disagreements(summary, lengths, self.layout)
        return (*notes, *((Note.of(NoteKind.OUTSIDE_TIME_FRAME, count=outside),) if outside else ()))


def is_mobile_health(root: Field) -> bool:
    """Whether a JSON value is a record of [1]_ or [2]_ or a list of them."""
    return any(value.has(*_RECORD_KEYS) or _has_body(value) for value in root.parts())


def _has_body(record: Field) -> bool:
    return record.has("body") and isinstance(record.mapping()["body"], dict)


def gather_mobile_health(document: JsonDocument, *, layout: Layout) -> Gathered:
    """Gather sleep-stage records.

    Parameters
    ----------
    document : JsonDocument
        A record, a list of records, or one record a line.
    layout : Layout
        Stages of other states; zone; what the device can report.

    Raises
    ------
    FileFormatError
        With the path of the field (``sleep_stage_episodes[3].sleep_stage_state``) that is missing or wrong,
        or when the file holds totals only.
    """
    found = _Found(document.fields[0].path, layout)
    for root in document.fields:
        for record in root.parts():
            _read_record(record, found)
    if not found.intervals:
        other = found.ignored.total()
        parts = [f"{found.summaries} records with totals only"] if found.summaries else []
        parts += [f"{other} records of another kind"] if other else []
        raise found.no_sequence(parts, "sleep_stage_episodes, each with sleep_stage_state and a time_interval")
    found.notes += _notes(found)
    return found


# --- records ----------------------------------------------------------------------------------------------


def _read_record(record: Field, found: _Found) -> None:
    header, body = record.get("header"), record.get("body") or record
    source = "" if header is None else _source(header)
    if header is not None and header.has("user_id"):
        user = header.need("user_id", "who slept")
        found.refuse_second_person(json.dumps(user.value, sort_keys=True), user.place)
    if body.has("sleep"):
        parts = body.need("sleep", "a list of stages").elements()
        _read_body(body, [part for part in parts if part.has("sleep_stage_state")], source, found)
        others = [part for part in parts if not part.has("sleep_stage_state")]
    else:
        others = [body]
    for part in others:
        stages = [part] if part.has("sleep_stage_state") else _episodes(part, found)
        _read_body(part, stages, source, found)


def _episodes(body: Field, found: _Found) -> list[Field]:
    """Return the stages of a body; some writers put them inside the summary."""
    for holder in (body, body.get("sleep_stage_summary")):
        if holder is not None and holder.has("sleep_stage_episodes"):
            found.nested_episodes += holder is not body
            return holder.need("sleep_stage_episodes", "a list of stages").elements()
    return []


def _read_body(body: Field, stages: list[Field], source: str, found: _Found) -> None:
    has_totals = body.has("sleep_stage_summary", *_TOTALS)
    if not stages:
        if has_totals:
            found.summaries += 1
        elif not body.has("sleep"):
            found.ignored["record of another kind"] += 1
        return
    if body.has("is_main_sleep"):
        found.main_sleep[body.need("is_main_sleep", "true or false").flag()] += 1
    first, frame = len(found.intervals), body.get("effective_time_frame")
    found.intervals += [_read_stage(stage, source, found) for stage in stages]
    around = None
    if frame is not None and not body.has("sleep_stage_state"):
        around = len(found.around)
        begin, end, length = _time_interval(frame, found)
        found.around.append(StagedInterval(begin, end, "", frame.at, length=length))
    summary = (body.get("sleep_stage_summary") or body) if has_totals else None
    found.bodies.append(_Body(first, len(found.intervals), around, summary))


def _read_stage(stage: Field, source: str, found: _Found) -> StagedInterval:
    state = stage.need("sleep_stage_state", "awake, light, deep or rem").text("awake, light, deep or rem")
    keys = [key for key in _FRAME_KEYS if stage.has(key)] or [_FRAME_KEYS[0]]
    frames = [stage.need(key, f"{' or '.join(_FRAME_KEYS)} with a time_interval") for key in keys]
    read = [_time_interval(frame, found) for frame in frames]
    if any(None not in both and both[0] != both[1] for both in zip(read[0], read[-1], strict=True)):
        frames[1].fail("two time frames of one stage disagree", expected=f"what {frames[0].place} says")
    found.frame_keys.update(keys)
    (begin, end, length), other = read[0], read[-1]
    begin, end, length = begin or other.begin, end or other.end, other.length if length is None else length
    return StagedInterval(begin, end, state, stage.at, source, length)


class _TimeInterval(NamedTuple):
    """What a time frame tells of beginning, end and length: two of them, or all."""

    begin: datetime | None
    end: datetime | None
    length: timedelta | None


def _time_interval(frame: Field, seen: _Found) -> _TimeInterval:
    """Return what a time frame tells."""
    refuse_moment(frame, "date_time", named="a moment", expected="time_interval")
    expected = "start_date_time with end_date_time or duration, or end_date_time with duration"
    interval = frame.need("time_interval", expected)
    start, end, duration = map(interval.get, _INTERVAL_KEYS)
    if interval.has("part_of_day") or (interval.has("date") and start is None and end is None):
        problem, found = "a date with a part of the day tells no clock time", "date and part_of_day"
        remedy = "Stages need clock times; such a record is enough for totals only."
        interval.fail(problem, found=found, expected=expected, remedy=remedy)
    if [start, end, duration].count(None) > 1:
        given = [key for key in _INTERVAL_KEYS if interval.has(key)]
        interval.fail("the interval is not complete", found=", ".join(given) or "none of these", expected=expected)
    return _TimeInterval(
        None if start is None else seen.instant(start),
        None if end is None else seen.instant(end),
        None if duration is None else _duration(duration),
    )


def _duration(field: Field) -> timedelta:
    value = field.need("value", "a number").number()
    unit = field.need("unit", _ONE_UNIT)
    word = unit.text(_ONE_UNIT)
    if word not in _UNITS_S:
        found = word if len(word) < 12 and word.isalpha() else None
        unit.fail("this unit has no fixed length or is unknown", found=found, expected=_ONE_UNIT)
    seconds = value * _UNITS_S[word]
    if not 0 <= seconds <= 366 * 86400:
        field.fail("no sleep has this duration", found=f"{value:g} {word}", expected="0 to a year")
    return timedelta(seconds=seconds)


# --- sources, totals, notes -------------------------------------------------------------------------------------


def _source(header: Field) -> str:
    provenance = header.mapping().get("acquisition_provenance")
    if isinstance(provenance, dict):
        # its date and modality differ from record to record of one device
        return json.dumps(provenance.get("source_name"), sort_keys=True)
    sheets = header.mapping().get("external_datasheets")
    return "" if sheets is None else json.dumps(sheets, sort_keys=True)


def _disagreements(summary: Field, lengths: Iterable[tuple[StagedInterval, int]], layout: Layout) -> list[Note]:
    """Return a note for each total of a summary that its stages, with their microseconds, miss by over an epoch."""
    seconds: Counter[str] = Counter()
    explained = fold_table(layout.stages)
    for interval, length_us in lengths:
        word = explained.get(fold_label(interval.label))
        stage = recognise_label(interval.label) if word is None else canonical_stage(word)
        if stage is not None:
            seconds[stage] += round(length_us / SECOND_US)
    notes = []
    for key, stages in _TOTALS.items():
        total = summary.get(key)
        if total is None:
            continue
        stated, summed = _duration(total).total_seconds(), sum(seconds[stage] for stage in stages)
        if abs(stated - summed) > EPOCH_S:
            minutes = {"stated_min": stated / 60, "summed_min": summed / 60}
            notes.append(Note.of(NoteKind.SUMMARY_DISAGREES, place=total.place, **minutes))
    return notes


def _notes(found: _Found) -> list[Note]:
    notes = [Note.of(NoteKind.TIME_KEY, count=count, key=key) for key, count in sorted(found.frame_keys.items())]
    if found.nested_episodes:
        notes.append(Note.of(NoteKind.EPISODES_NESTED, count=found.nested_episodes))
    if found.main_sleep[False]:
        count, records = found.main_sleep[False], found.main_sleep.total()
        notes.append(Note.of(NoteKind.NOT_MAIN_SLEEP, count=count, records=records))
    if found.summaries:
        notes.append(Note.of(NoteKind.TOTALS_UNUSED, count=found.summaries))
    return notes
