"""Offsets from UTC, and readings of a wall clock placed in a zone, also where the clock is changed."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, ZoneName
from sleepagree.errors import ClockError
from sleepagree.readers.times.clock import (
    DAY_US,
    HOUR_US,
    SECOND_US,
    Clock,
    Column,
    Microseconds,
    Times,
    naive_datetime,
)

# --- offsets from UTC ---------------------------------------------------------------------------------------

_OFFSET: Final = re.compile(r"(?:(?:UTC|GMT) ?)?([+-])(\d{1,2})(?::?([0-5]\d))?|Z|UTC|GMT", re.ASCII | re.IGNORECASE)
_SHOWN_CHANGES: Final = 3


def offset_of(moment: datetime) -> int | None:
    """Return the offset of a moment from UTC in seconds; None where it has none."""
    offset = moment.utcoffset()
    return None if offset is None else round(offset.total_seconds())


def read_offset(text: str) -> int | None:
    """Return the seconds of an offset such as +02:00, +0200, UTC+2, GMT or Z; None where it is none."""
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    hours, minutes = int(match[2] or 0), int(match[3] or 0)
    return None if hours > 18 else (-1 if match[1] == "-" else 1) * (hours * 3600 + minutes * 60)


def _show_offset(seconds: int) -> str:
    """Return an offset from UTC as it is written, such as +02:00."""
    minutes = abs(seconds) // 60
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def fixed_zone(offset_s: int) -> tzinfo:
    """Return the zone of a fixed offset from UTC."""
    return UTC if offset_s == 0 else timezone(timedelta(seconds=offset_s))


def with_offsets(
    values: Microseconds, offsets: Sequence[int | None], texts: Sequence[str], column: Column, notes: tuple[Note, ...]
) -> Times:
    """Return times in UTC where every row tells an offset, in local time where none does; raise where some do."""
    first = offsets[0]
    odd = next((row for row, offset in enumerate(offsets) if (offset is None) != (first is None)), None)
    if odd is not None:
        problem = "some times carry an offset from UTC, others none"
        expected = "all of them with an offset, or all without"
        remedy = "Export the times again in one form."
        found = f"{texts[odd].strip()}, but {texts[0].strip()} at {column.at(0)}"
        raise column.error(ClockError, odd, problem, found, expected, remedy)
    if first is None:
        return Times(values, Clock.LOCAL, 0, notes)
    known = np.array(offsets, np.int64)
    moments = values - known * SECOND_US
    return Times(moments, Clock.UTC, int(known[moments.argmin()]), (*notes, *offset_changes(known, column.at)))


def times_of_type(us: Microseconds, zone: str) -> Times:
    """Return moments of a column whose type names a zone or an offset; one that nobody knows only shows them in UTC."""
    offset = read_offset(zone)
    with suppress(ClockError):
        return Times(us, Clock.UTC, offset or 0, zone=None if offset is not None else known_zone(zone, ""))
    return Times(us, Clock.UTC)


def offset_changes(offsets_s: NDArray[np.int64], at: Callable[[int], str], **more: bool) -> list[Note]:
    """Return the notes that the offset from UTC changes: the first with their places, and how many more there are."""
    changes = (np.flatnonzero(offsets_s[1:] != offsets_s[:-1]) + 1).tolist()
    notes = []
    for row in changes[:_SHOWN_CHANGES]:
        before, after = (ZoneName(_show_offset(int(offsets_s[i]))) for i in (row - 1, row))
        notes.append(Note.of(NoteKind.OFFSET_CHANGES, before=before, after=after, place=at(row)))
    if len(changes) > _SHOWN_CHANGES:
        notes.append(Note.of(NoteKind.OFFSET_CHANGES_MORE, count=len(changes) - _SHOWN_CHANGES, **more))
    return notes


# --- zones --------------------------------------------------------------------------------------------------


def known_zone(name: str, path: str, where: str = "") -> tzinfo:
    """Return the IANA zone that a file or its layout names; raise a ClockError about it where there is none."""
    from sleepagree.hypnogram.zones import find_zone

    try:
        return find_zone(name)
    except ClockError as error:
        raise error.in_file(path, where) from None


class Resolved(NamedTuple):
    """Wall-clock readings placed in a zone."""

    us: Microseconds
    zone: tzinfo
    notes: tuple[Note, ...]


def resolve_wall_clock(
    readings_us: Microseconds, zone_name: str, *, path: str, where: Callable[[int], str], in_order: bool = True
) -> Resolved:
    """Place readings of a local clock in a zone.

    Parameters
    ----------
    readings_us : int array, shape (n,)
        Wall-clock microseconds since 1970, the oldest first as far as the file tells it (starts and ends in turn,
        where rows have both).
    zone_name : str
        IANA name.
    path : str
        File, for messages.
    where : callable
        Position in ``readings_us`` -> place in the file.
    in_order : bool
        Whether the file tells that order, so that a reading that goes back tells a repeated hour.

    Returns
    -------
    Resolved
        Microseconds since 1970 in UTC, the zone, and a note where the clock changes.

    Raises
    ------
    ClockError
        When the zone is unknown; when a reading falls into an hour that the clock skips; when a reading falls
        into an hour that it repeats and the order of the rows does not tell which of the two it was.
    """
    first_pass, second_pass, zone = each = resolve_each(readings_us, zone_name, path=path, where=where)
    doubtful = first_pass != second_pass
    if not doubtful.any():
        return Resolved(first_pass, zone, ())
    if not in_order:
        row = int(np.flatnonzero(doubtful)[0])
        raise _repeated(readings_us, each, row, zone_name, path, where(row))
    # as early as the rows before allow, and as late as the rows after allow
    earliest, latest = first_pass.copy(), second_pass.copy()
    for i in range(1, readings_us.size):
        if doubtful[i] and earliest[i] < earliest[i - 1]:
            earliest[i] = second_pass[i]
    for i in range(readings_us.size - 2, -1, -1):
        if doubtful[i] and latest[i] > latest[i + 1]:
            latest[i] = first_pass[i]
    undecided = np.flatnonzero(earliest != latest)
    if undecided.size:
        row = int(undecided[0])
        ends_inside = bool(doubtful[row:].all())
        if row == 0 or not ends_inside:
            raise _repeated(readings_us, each, row, zone_name, path, where(row))
        # nothing follows that would need a jump: the clock ran on
    count = int(np.count_nonzero(doubtful))
    note = Note.of(NoteKind.REPEATED_HOUR, count=count, zone=ZoneName(zone_name))
    return Resolved(earliest, zone, (note,))


class ResolvedRows(NamedTuple):
    """Rows of a file placed in a zone: as :class:`Resolved`, beginnings and ends apart."""

    starts_us: Microseconds
    ends_us: Microseconds
    zone: tzinfo
    notes: tuple[Note, ...]


def resolve_rows(
    starts_us: Microseconds,
    ends_us: Microseconds,
    row_of_end: NDArray[np.intp],
    zone_name: str,
    *,
    path: str,
    where: Callable[[int], str],
    may_overlap: bool,
) -> ResolvedRows:
    """Place the rows of a file in a zone, in the order of the file, be it the newest first.

    Parameters
    ----------
    starts_us : int array, shape (n,)
        Wall-clock microseconds since 1970 of each row's beginning, in file order.
    ends_us, row_of_end : int array, shape (m,)
        Ends, and the row of each; some or all rows may have none.
    zone_name, path
        As for :func:`resolve_wall_clock`, whose errors are those of this function.
    where : callable
        Row -> its place in the file.
    may_overlap : bool
        Whether the layout lets rows overlap: an end then tells nothing of the row after it.
    """
    readings, row_of = starts_us, np.arange(starts_us.size)
    if not may_overlap:
        readings, row_of = np.concatenate((readings, ends_us)), np.concatenate((row_of, row_of_end))
    steps = np.diff(starts_us)
    newest_first = np.count_nonzero(steps < 0) > np.count_nonzero(steps > 0)
    turn = np.argsort(-row_of if newest_first else row_of, kind="stable")  # each row's beginning before its end
    back = steps[steps > 0] if newest_first else -steps[steps < 0]
    resolved = resolve_wall_clock(
        readings[turn],
        zone_name,
        path=path,
        where=lambda i: where(int(row_of[turn[i]])),
        # one step alone tells no newest first from a repeated hour
        in_order=back.size <= 1 and not np.any(back > HOUR_US) and not (newest_first and steps.size == 1),
    )
    moments = np.empty_like(resolved.us)
    moments[turn] = resolved.us
    starts, ends = moments[: starts_us.size], moments[starts_us.size :]
    if may_overlap and ends_us.size:  # each from its own beginning
        each = resolve_each(ends_us, zone_name, path=path, where=lambda i: where(int(row_of_end[i])))
        ends = np.where(each.first > starts[row_of_end], each.first, each.second)
    return ResolvedRows(starts, ends, resolved.zone, resolved.notes)


class EachReading(NamedTuple):
    """The moments that wall-clock readings may stand for, one or two each."""

    first: Microseconds
    second: Microseconds
    zone: tzinfo


def resolve_each(readings_us: Microseconds, zone_name: str, *, path: str, where: Callable[[int], str]) -> EachReading:
    """Return the first and the second moment at which the clock of a zone shows each reading.

    The two are the same but in an hour that is repeated. Parameters and errors as
    :func:`resolve_wall_clock`, which also tells the two apart by the order of the readings.
    """
    zone = known_zone(zone_name, path)
    offset = _constant_offset(int(readings_us.min()), int(readings_us.max()), zone)
    if offset is not None:
        moments = readings_us - offset
        return EachReading(moments, moments, zone)
    early = np.array([_offset_us(int(us), zone, 0) for us in readings_us], np.int64)
    late = np.array([_offset_us(int(us), zone, 1) for us in readings_us], np.int64)
    if (early < late).any():
        row = int(np.flatnonzero(early < late)[0])
        raise _skipped(int(readings_us[row]), int(early[row]), int(late[row]), zone_name, path, where(row))
    return EachReading(readings_us - early, readings_us - late, zone)


def _offset_us(reading_us: int, zone: tzinfo, fold: int) -> int:
    offset = naive_datetime(reading_us).replace(tzinfo=zone, fold=fold).utcoffset()
    return 0 if offset is None else offset // timedelta(microseconds=1)


def _constant_offset(first_us: int, last_us: int, zone: tzinfo) -> int | None:
    """Return the zone's offset where the clock is not changed within a day of the readings, else None."""
    if last_us - first_us > 60 * DAY_US:
        return None
    # a zone changes its clock at most twice within a few weeks, never twice within six hours
    probes = range(first_us - DAY_US, last_us + DAY_US + 6 * HOUR_US, 6 * HOUR_US)
    offsets = {_offset_us(us, zone, 0) for us in probes}
    return offsets.pop() if len(offsets) == 1 else None


def _skipped(reading_us: int, early: int, late: int, zone_name: str, path: str, where: str) -> ClockError:
    first, second = sorted((reading_us - early, reading_us - late))
    problem = "this time does not exist in the zone: the clock was put forward over it"
    expected = f"a time that exists; before the change it would be {_show(second)} UTC, after it {_show(first)} UTC"
    remedy = "The file's clock may not be the local one; if it is UTC, give the zone UTC."
    return ClockError(problem, path, where, f"{_show(reading_us)} in {zone_name}", expected, remedy)


def _repeated(
    readings_us: Microseconds, each: EachReading, row: int, zone_name: str, path: str, where: str
) -> ClockError:
    problem = "this time happens twice in the zone, and the rows around it do not tell which it is"
    expected = f"either {_show(each.first[row])} UTC or {_show(each.second[row])} UTC"
    remedy = "Export the times with their offset from UTC."
    return ClockError(problem, path, where, f"{_show(readings_us[row])} in {zone_name}", expected, remedy)


def _show(us: int) -> str:
    return naive_datetime(us).isoformat(sep=" ")
