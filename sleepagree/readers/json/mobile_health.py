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
from datetime import UTC, datetime, timedelta
from typing import Final

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import FileFormatError
from sleepagree.hypnogram.spans import EPOCH_S, Origin, ScoredSpans
from sleepagree.mapping.words import canonical_stage, fold_label, fold_table, recognise_label
from sleepagree.readers.json.fields import Field, JsonDocument, read_instant
from sleepagree.readers.json.intervals import Gathered, StagedInterval, assemble_intervals
from sleepagree.readers.layout import Layout

#: Units of a duration of fixed length, in seconds; months and years have none.
_UNITS_S: Final = {
    "ms": 0.001,
    "s": 1.0,
    "sec": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "d": 86400.0,
    "wk": 604800.0,
}
_FRAME_KEYS: Final = ("sleep_stage_time_frame", "effective_time_frame")
_RECORD_KEYS: Final = (
    "sleep_stage_episodes",
    "sleep_stage_summary",
    "sleep_stage_state",
    "sleep_stage_time_frame",
    "effective_time_frame",
    "total_sleep_time",
    "body",
)
#: Total of the summary -> the stages that it sums.
_TOTALS: Final = {
    "light_sleep_duration": ("light", "N1", "N2"),
    "deep_sleep_duration": ("N3",),
    "rem_sleep_duration": ("R",),
    "total_sleep_time": ("light", "N3", "R", "sleep", "N1", "N2", "nrem"),
}


@dataclass
class _Found:
    """What was met on the way through the records."""

    gathered: Gathered = field(default_factory=Gathered)
    users: dict[str, str] = field(default_factory=dict)
    frame_keys: Counter[str] = field(default_factory=Counter)
    nested_episodes: int = 0
    summaries: int = 0
    main_sleep: Counter[bool] = field(default_factory=Counter)
    outside_frame: int = 0


def is_mobile_health(root: Field) -> bool:
    """Whether a JSON value is a record of [1]_ or [2]_ or a list of them."""
    if isinstance(root.value, list):
        return any(element.has(*_RECORD_KEYS) for element in root.elements())
    return root.has(*_RECORD_KEYS)


def read_mobile_health(
    document: JsonDocument,
    *,
    origin: Origin,
    path: str,
    layout: Layout,
    own_words: Iterable[str] = (),
    source: int | None = None,
) -> ScoredSpans:
    """Read sleep-stage records.

    Parameters
    ----------
    document : JsonDocument
        A record, a list of records, or one record a line.
    origin : Origin
        File name and hash, carried into the result.
    path : str
        File, for messages.
    layout : Layout
        Stages of other states; zone; what the device can report.
    own_words : iterable of str
        Labels that a mapping file explains.
    source : int, optional
        Which source to read where several scored the same time, counted from 1 in order of the file.

    Raises
    ------
    FileFormatError
        With the path of the field (``sleep_stage_episodes[3].sleep_stage_state``) that is missing or wrong,
        or when the file holds totals only.
    """
    found = _Found()
    naive_allowed = layout.zone is not None
    for root in document.fields:
        for record in root.elements() if isinstance(root.value, list) else (root,):
            _read_record(record, found, layout, naive_allowed=naive_allowed)
    if not found.gathered.intervals:
        raise _no_sequence(path, found)
    found.gathered.notes += _notes(found)
    return assemble_intervals(
        found.gathered,
        origin=origin,
        path=path,
        layout=layout,
        table={},
        own_words=own_words,
        source=source,
        source_words="source",
    )


# --- records ----------------------------------------------------------------------------------------------


def _read_record(record: Field, found: _Found, layout: Layout, *, naive_allowed: bool) -> None:
    header, body = record.get("header"), record.get("body") or record
    source = "" if header is None else _source(header)
    if header is not None:
        _one_person(header, found.users)
    if body.has("sleep"):
        parts = list(body.need("sleep", "a list of stages").elements())
        stages = [part for part in parts if part.has("sleep_stage_state")]
        _read_body(body, stages, source, found, layout, naive_allowed=naive_allowed)
        for part in parts:
            if not part.has("sleep_stage_state"):
                _read_body(part, _episodes(part, found), source, found, layout, naive_allowed=naive_allowed)
        return
    stages = [body] if body.has("sleep_stage_state") else _episodes(body, found)
    _read_body(body, stages, source, found, layout, naive_allowed=naive_allowed)


def _episodes(body: Field, found: _Found) -> list[Field]:
    """Return the stages of a body; some writers put them inside the summary."""
    summary = body.get("sleep_stage_summary")
    if body.has("sleep_stage_episodes"):
        return list(body.need("sleep_stage_episodes", "a list of stages").elements())
    if summary is not None and summary.has("sleep_stage_episodes"):
        found.nested_episodes += 1
        return list(summary.need("sleep_stage_episodes", "a list of stages").elements())
    return []


def _read_body(
    body: Field, stages: list[Field], source: str, found: _Found, layout: Layout, *, naive_allowed: bool
) -> None:
    has_totals = body.has("sleep_stage_summary", *_TOTALS)
    if not stages:
        if has_totals:
            found.summaries += 1
        elif not body.has("sleep"):
            found.gathered.ignored["record of another kind"] += 1
        return
    if body.has("is_main_sleep"):
        found.main_sleep[body.need("is_main_sleep", "true or false").flag()] += 1
    intervals = [_read_stage(stage, source, found, naive_allowed=naive_allowed) for stage in stages]
    found.gathered.intervals += intervals
    if body.has("effective_time_frame") and not body.has("sleep_stage_state"):
        frame = body.need("effective_time_frame", "a time frame")
        begin, end = _time_interval(frame, naive_allowed=naive_allowed)
        found.outside_frame += sum(_before(i.begin, begin) or _before(end, i.end) for i in intervals)
    if has_totals:
        found.gathered.notes += _disagreements(body.get("sleep_stage_summary") or body, intervals, layout)


def _before(first: datetime, second: datetime) -> bool:
    """Whether a moment comes before another; one with and one without an offset cannot be told."""
    return (first.tzinfo is None) == (second.tzinfo is None) and first < second


def _read_stage(stage: Field, source: str, found: _Found, *, naive_allowed: bool) -> StagedInterval:
    state = stage.need("sleep_stage_state", "awake, light, deep or rem").text("awake, light, deep or rem")
    frames = [(key, stage.get(key)) for key in _FRAME_KEYS if stage.has(key)]
    if not frames:
        stage.need(_FRAME_KEYS[0], f"{_FRAME_KEYS[0]} or {_FRAME_KEYS[1]} with a time_interval")
    read = [(frame, _time_interval(frame, naive_allowed=naive_allowed)) for _, frame in frames if frame is not None]
    if any(interval != read[0][1] for _, interval in read):
        read[1][0].fail("two time frames of one stage disagree", expected=f"what {read[0][0].place} says")
    found.frame_keys.update(key for key, _ in frames)
    begin, end = read[0][1]
    return StagedInterval(begin, end, state, stage.place, source)


def _time_interval(frame: Field, *, naive_allowed: bool) -> tuple[datetime, datetime]:
    """Return the two ends of a time frame: start and end, start and duration, or end and duration."""
    moment = frame.get("date_time")
    if moment is not None:
        moment.fail(
            "a moment is no interval of sleep", found="date_time", expected="time_interval", remedy="Export intervals."
        )
    expected = "start_date_time with end_date_time or duration, or end_date_time with duration"
    interval = frame.need("time_interval", expected)
    start, end = interval.get("start_date_time"), interval.get("end_date_time")
    duration = interval.get("duration")
    if interval.has("part_of_day") or (interval.has("date") and start is None and end is None):
        interval.fail(
            "a date with a part of the day tells no clock time",
            found="date and part_of_day",
            expected=expected,
            remedy="Stages need clock times; such a record is enough for totals only.",
        )
    begin = None if start is None else read_instant(start, naive_allowed=naive_allowed)
    finish = None if end is None else read_instant(end, naive_allowed=naive_allowed)
    length = None if duration is None else _duration(duration)
    if begin is not None and finish is None and length is not None:
        return begin, _add(begin, length)
    if begin is None and finish is not None and length is not None:
        return _add(finish, -length), finish
    if begin is None or finish is None:
        given = [key for key in ("start_date_time", "end_date_time", "duration") if interval.has(key)]
        interval.fail("the interval is not complete", found=", ".join(given) or "none of these", expected=expected)
    if (begin.tzinfo is None) == (finish.tzinfo is None) and length is not None and duration is not None:
        between = finish - begin
        if abs((between - length).total_seconds()) > 1:
            duration.fail(
                "the duration disagrees with start and end",
                found=f"{length.total_seconds():g} s",
                expected=f"{between.total_seconds():g} s",
            )
    return begin, finish


def _add(moment: datetime, length: timedelta) -> datetime:
    if moment.tzinfo is None:
        return moment + length
    return (moment.astimezone(UTC) + length).astimezone(moment.tzinfo)


def _duration(field: Field) -> timedelta:
    value = field.need("value", "a number").number()
    unit = field.need("unit", "one of " + ", ".join(_UNITS_S))
    word = unit.text("one of " + ", ".join(_UNITS_S))
    if word not in _UNITS_S:
        unit.fail(
            "this unit has no fixed length or is unknown",
            found=word if len(word) < 12 and word.isalpha() else None,
            expected="one of " + ", ".join(_UNITS_S),
        )
    seconds = value * _UNITS_S[word]
    if not 0 <= seconds <= 366 * 86400:
        field.fail("no sleep has this duration", found=f"{value:g} {word}", expected="0 to a year")
    return timedelta(seconds=seconds)


# --- people and sources -----------------------------------------------------------------------------------


def _one_person(header: Field, users: dict[str, str]) -> None:
    user = header.mapping().get("user_id")
    if user is None:
        return
    users.setdefault(json.dumps(user, sort_keys=True), header.place)
    if len(users) > 1:
        first, second = list(users.values())[:2]
        raise FileFormatError(
            "the file holds sleep of more than one person",
            header.path,
            f"{second}.user_id",
            f"another user than in {first}",
            "records of one person",
            "Export one file a person.",
        )


def _source(header: Field) -> str:
    provenance = header.mapping().get("acquisition_provenance")
    if isinstance(provenance, dict):
        # its date and modality differ from record to record of one device
        return json.dumps(provenance.get("source_name"), sort_keys=True)
    sheets = header.mapping().get("external_datasheets")
    return "" if sheets is None else json.dumps(sheets, sort_keys=True)


# --- notes and refusals -----------------------------------------------------------------------------------


def _disagreements(summary: Field, intervals: list[StagedInterval], layout: Layout) -> list[Note]:
    """Return a note for each total of a summary that its stages do not add up to, within one epoch."""
    seconds: Counter[str] = Counter()
    explained = fold_table(layout.stages)
    for interval in intervals:
        word = explained.get(fold_label(interval.label))
        stage = recognise_label(interval.label) if word is None else canonical_stage(word)
        if stage is not None and (interval.begin.tzinfo is None) == (interval.end.tzinfo is None):
            seconds[stage] += round((interval.end - interval.begin).total_seconds())
    notes = []
    for key, stages in _TOTALS.items():
        total = summary.get(key)
        if total is None:
            continue
        stated = _duration(total).total_seconds()
        summed = sum(seconds[stage] for stage in stages)
        if abs(stated - summed) > EPOCH_S:
            notes.append(
                Note.of(NoteKind.SUMMARY_DISAGREES, place=total.place, stated_min=stated / 60, summed_min=summed / 60)
            )
    return notes


def _notes(found: _Found) -> list[Note]:
    notes = [Note.of(NoteKind.TIME_KEY, count=count, key=key) for key, count in sorted(found.frame_keys.items())]
    if found.nested_episodes:
        notes.append(Note.of(NoteKind.EPISODES_NESTED, count=found.nested_episodes))
    if found.main_sleep[False]:
        count, records = found.main_sleep[False], found.main_sleep.total()
        notes.append(Note.of(NoteKind.NOT_MAIN_SLEEP, count=count, records=records))
    if found.outside_frame:
        notes.append(Note.of(NoteKind.OUTSIDE_TIME_FRAME, count=found.outside_frame))
    if found.summaries:
        notes.append(Note.of(NoteKind.TOTALS_UNUSED, count=found.summaries))
    return notes


def _no_sequence(path: str, found: _Found) -> FileFormatError:
    other = found.gathered.ignored.total()
    parts = [f"{found.summaries} records with totals only"] if found.summaries else []
    parts += [f"{other} records of another kind"] if other else []
    return FileFormatError(
        "no sequence of stages is in this file",
        path,
        "",
        " and ".join(parts) or "no record",
        "sleep_stage_episodes, each with sleep_stage_state and a time_interval",
        "Totals of a night can be compared by their bias only; export the stages one by one.",
    )
