"""Clocks of the two sides: naive with naive, aware with aware in UTC, never one of each by a guess."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from sleepagree.caution import Note, NoteKind, ZoneName, named_file
from sleepagree.errors import ClockError, Option, asked, for_page
from sleepagree.hypnogram.spans import ScoredSpans

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo


@lru_cache(maxsize=64)
def find_zone(name: str) -> ZoneInfo:
    """Return the IANA zone of that name.

    Raises
    ------
    ClockError
        When there is none.
    """
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError  # most nights name no zone

    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ClockError(
            "no time zone has this name",
            where="zone",
            found=name,
            expected="an IANA name such as Europe/Helsinki or UTC",
            remedy="See the list at https://www.iana.org/time-zones.",
        ) from None


_BESIDE_MOMENTS: Final = (NoteKind.ZONE_BESIDE_TIMES, NoteKind.ZONE_BESIDE_FILE, NoteKind.ZONE_BESIDE_OFFSETS)
_SAY_WHICH: Final = (
    "Say which by giving the time in the file with its offset, or read both files as UTC "
    f"(zone UTC and {Option.CLOCK_OFFSET:SECONDS})."
)


def place_in_zone(
    local: datetime, zone_name: str, *, path: str = "", where: str = "start", remedy: str = _SAY_WHICH
) -> datetime:
    """Return a naive local time as an aware one.

    Raises
    ------
    ClockError
        When the time stands in an hour that a change of the clock repeats or skips. The message names the
        two readings.
    """
    zone = find_zone(zone_name)
    early, late = local.replace(tzinfo=zone, fold=0), local.replace(tzinfo=zone, fold=1)
    if early.utcoffset() == late.utcoffset():
        return early
    first, second = sorted({early.astimezone(UTC), late.astimezone(UTC)})
    round_trip = first.astimezone(zone).replace(tzinfo=None)
    skipped = round_trip != local
    raise ClockError(
        "this hour does not exist in the zone: the clock was put forward over it"
        if skipped
        else "this hour happens twice in the zone: the clock was put back over it",
        path,
        where,
        f"{local.isoformat(sep=' ')} in {zone_name}",
        f"either {first:%Y-%m-%d %H:%M:%S} UTC or {second:%Y-%m-%d %H:%M:%S} UTC",
        remedy,
    )


def with_zone(spans: ScoredSpans, zone_name: str | None) -> ScoredSpans:
    """Return spans whose naive start is placed in a zone; spans with a zone of their own stay as they are."""
    if zone_name is None or spans.start is None:
        return spans
    if key_of_zone(spans.start) == zone_name:
        return spans
    if spans.start.tzinfo is not None:
        note = Note.of(NoteKind.ZONE_BESIDE_FILE, zone=ZoneName(zone_name), file=named_file(spans.origin.name))
        return spans.with_changes(notes=(*spans.notes, note))
    return spans.with_changes(start=place_in_zone(spans.start, zone_name, path=spans.origin.name))


def in_zone_of(spans: ScoredSpans, other: ScoredSpans) -> ScoredSpans:
    """Return spans on a clock without a zone in the one that is named for the other side, whose times need none.

    A zone beside times in UTC or with offsets says where the night was, and both sides are of that night.

    Raises
    ------
    ClockError
        When the start stands in an hour that a change of the clock repeats or skips, or times of a clock stand on
        both sides of a change: only a reader that knows the zone can place each of them.
    """
    zone = named_place(other)
    if spans.start is None or spans.start.tzinfo is not None or zone is None:
        return spans
    if spans.wall_clock and _is_changed(spans, find_zone(zone)):
        raise ClockError(
            "the clock is changed in this night, and the times of the file are those of a clock",
            spans.origin.name,
            "zone",
            "no zone beside the times",
            f"the zone of both files: the other one names {zone}",
            f"Read it by that zone: {Option.REFERENCE_ZONE:{zone}} for the reference, {Option.DEVICE_ZONE:{zone}} for "
            "the device.",
        )
    note = Note.of(NoteKind.ZONE_OF_OTHER, zone=ZoneName(zone))
    return with_zone(spans.with_changes(notes=(*spans.notes, note)), zone)


def _is_changed(spans: ScoredSpans, zone: ZoneInfo) -> bool:
    """Whether the clock of a zone is put forward or back between the first and the last reading, or hours beside."""
    if spans.start is None or not spans.onset_s.size:
        return False
    begin, end = (add_seconds(spans.start, float(at)) for at in (spans.onset_s[0], spans.end_s))
    return len({moment.replace(tzinfo=zone, fold=fold).utcoffset() for moment in (begin, end) for fold in (0, 1)}) > 1


def named_place(spans: ScoredSpans) -> str | None:
    """Return the zone that was named beside times which tell moments by themselves; None where none was."""
    if spans.start is None or spans.start.tzinfo is None:
        return None
    return next((str(note["zone"]) for note in spans.notes if note.kind in _BESIDE_MOMENTS), None)


def notes_of_place(spans: ScoredSpans) -> tuple[Note, ...]:
    """Return what was noted of the zone of the times, which a window without a zone is read by."""
    return tuple(note for note in spans.notes if note.kind in (*_BESIDE_MOMENTS, NoteKind.OFFSET_CHANGES))


def has_place(start: datetime) -> bool:
    """Whether a start is on the clock of some place, and not of UTC or an offset alone."""
    return key_of_zone(start) not in (None, "UTC", "Etc/UTC")


def key_of_zone(start: datetime) -> str | None:
    """Return the name of the zone of a start; None without one, and for an offset from UTC alone."""
    return getattr(start.tzinfo, "key", None)


def name_begin(spans: ScoredSpans) -> str:
    """Return how to tell when a side begins."""
    if spans.origin.reader == "memory":
        return "Give read_hypnogram(..., start=datetime(...))."
    return for_page(
        'Add to its layout\n    [file]\n    begins = "YYYY-MM-DDTHH:MM:SS"',
        f"Answer {asked('begins')} beside that file.",
    )


def seconds_between(reference: ScoredSpans, device: ScoredSpans, device_zone: Option = Option.DEVICE_ZONE) -> float:
    """Return the device's start minus the reference's, in seconds; ``device_zone`` is what gives the zone of its clock.

    Raises
    ------
    ClockError
        When only one side tells a clock, or only one side tells a zone.
    """
    first, second = reference.start, device.start
    if first is None and second is None:
        return 0.0
    if first is None or second is None:
        silent, telling = (reference, device) if first is None else (device, reference)
        raise ClockError(
            "this side tells elapsed time only, the other tells a clock",
            silent.origin.name,
            "start",
            "no date and time",
            f"a start to compare with {telling.start:%Y-%m-%d %H:%M:%S}",
            name_begin(silent),
        )
    if (first.tzinfo is None) != (second.tzinfo is None):
        naive, option = (reference, Option.REFERENCE_ZONE) if first.tzinfo is None else (device, device_zone)
        raise ClockError(
            "one side tells its time zone, this side does not",
            naive.origin.name,
            "start",
            f"{naive.start:%Y-%m-%d %H:%M:%S} without a zone",
            "both sides with a zone, or none",
            f"Give {option:ZONE} (an IANA name such as Europe/Helsinki)"
            + for_page(', or in its layout\n    [file]\n    zone = "Europe/Helsinki"', "."),
        )
    return elapsed_seconds(first, second)


def add_seconds(start: datetime, seconds: float) -> datetime:
    """Return ``start`` plus elapsed seconds; aware times are added in UTC and shown in their own zone."""
    try:
        if start.tzinfo is None:
            return start + timedelta(seconds=seconds)
        return (start.astimezone(UTC) + timedelta(seconds=seconds)).astimezone(start.tzinfo)
    except OverflowError:
        raise ClockError(
            "a time lies beyond the calendar",
            found=f"{seconds:.0f} s after {start:%Y-%m-%d %H:%M:%S}",
            expected="the years 1 to 9999",
            remedy="Check the dates (or the unit of the times) in the file.",
        ) from None


def elapsed_seconds(start: datetime, moment: datetime) -> float:
    """Return elapsed seconds from ``start`` to ``moment``; both naive, or both aware."""
    if start.tzinfo is not None:
        return (moment.astimezone(UTC) - start.astimezone(UTC)).total_seconds()
    return (moment - start).total_seconds()
