"""When the rows of a table begin and end: columns of times, dates beside them, the zone of their clock, or a count."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, tzinfo
from typing import Final, NamedTuple

import numpy as np

from sleepagree.caution import Note, NoteKind, OwnWord, ZoneName
from sleepagree.errors import ClockError, EpochGridError, FileFormatError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.readers.layout import Overlaps, Shape, for_layout, strptime_has_date, strptime_has_half_days
from sleepagree.readers.rows import Rows
from sleepagree.readers.table.table import TableReading
from sleepagree.readers.table.unused import looks_like_times
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Column, FileClock, Microseconds, Times
from sleepagree.readers.times.declared import says_24
from sleepagree.readers.times.nights import (
    ends_after_starts,
    place_after,
    place_half_days,
    place_in_nights,
    read_dates,
    refuse_evening_dates,
    refuse_exchanged_dates,
    refuse_half_days,
    refuse_late,
    runs_backwards,
)
from sleepagree.readers.times.reading import read_durations, read_numbers, read_times
from sleepagree.readers.times.zones import fixed_zone, known_zone, read_offset, resolve_rows, with_offsets

_OFFSET_CHANGES: Final = (NoteKind.OFFSET_CHANGES, NoteKind.OFFSET_CHANGES_MORE)
_CLOCK_WORDS: Final = {
    Clock.UTC: "with an offset from UTC, or Unix time",
    Clock.LOCAL: "local time without an offset",
    Clock.ELAPSED: "elapsed seconds",
    Clock.DAY: "times of day",
}

_NAME_ZONE: Final = for_page(
    'Take zone_column out of the layout and name the zone: [file] zone = "Europe/Helsinki".',
    f"Say that this column is not used, and answer {asked('zone')}.",
)


class RowTimes(NamedTuple):
    """When rows begin and end.

    Parameters
    ----------
    starts : Times
        Of all rows.
    ends : Times or None
        Of the rows that hold a stage, where the table tells them.
    clock : FileClock
        What both count from.
    """

    starts: Times
    ends: Times | None
    clock: FileClock


def read_row_times(reading: TableReading, starts: Times, staged: Rows) -> RowTimes:
    """Return beginnings, and ends where the table has them, on one clock.

    Parameters
    ----------
    reading : TableReading
        The table.
    starts : Times
        Of all rows, as :func:`read_starts` returns them.
    staged : int array
        Rows that hold a stage.

    Raises
    ------
    FileFormatError, EpochGridError, ClockError
        As :func:`sleepagree.readers.table.reader.spans_of_table`.
    """
    end = reading.end
    ends = None if end is None else _read_ends(reading, end, starts, staged)
    if starts.clock in (Clock.LOCAL, Clock.UTC):
        refuse_exchanged_dates(starts.us[:-1], starts.us[1:], reading.column(reading.columns.start))
        if ends is not None and end is not None:
            refuse_exchanged_dates(starts.us[staged], ends.us, reading.column(end, staged), first=0)
    starts, ends, shown_in = _in_zone(reading, starts, ends, staged)
    return RowTimes(starts, ends, _clock(reading, starts, shown_in))


def read_starts(reading: TableReading) -> Times:
    """Return the beginnings of all rows, in local time where neither offset nor zone is applied yet."""
    layout, table, position = reading.layout, reading.table, reading.columns.start
    if reading.columns.counted:
        return counted_starts(reading)
    if reading.columns.epoch_number is not None:
        raise reading.contradiction("epoch_number", "the times tell when rows begin")
    data = table.columns[position]
    column = reading.column(position)
    if isinstance(data, Times) and data.clock is Clock.DAY and _has_texts_of_dates(reading):
        data = table.cells(position)
    if isinstance(data, Times):
        if reading.columns.am_pm is not None:
            raise reading.contradiction("am_pm", "the times are no texts that AM or PM could stand behind")
        times = data
    else:
        if _dates_apart(reading):
            data = _beside_dates(reading, data, range(len(data)))
        if reading.columns.am_pm is not None:
            halves = table.texts(reading.columns.am_pm)
            data = [f"{text.strip()} {half.strip()}" for text, half in zip(data, halves, strict=True)]
        times = read_times(data, column, form=layout.time, elapsed=reading.columns.seconds or table.elapsed)
    reading.notes += times.notes
    refuse_half_days(times, column)
    if times.clock is Clock.DAY:
        return _on_days(reading, times, column)
    if layout.date is not None:
        if not _dates_apart(reading) or times.clock is not Clock.LOCAL:
            raise reading.contradiction("date", "the times tell their dates themselves")
        if layout.night_of is not None:
            time_of_day = times.us % DAY_US
            return Times(place_in_nights(times.us - time_of_day, time_of_day, layout.night_of, column), Clock.LOCAL)
    elif layout.night_of is not None:
        reading.notes.append(Note.of(NoteKind.NIGHT_OF_UNUSED))
    return times


def _has_texts_of_dates(reading: TableReading) -> bool:
    """Whether a layout names a column of dates that are texts, as a sheet may have them beside cells of times."""
    date = reading.columns.date
    return reading.layout.date is not None and date is not None and not isinstance(reading.table.columns[date], Times)


def _dates_apart(reading: TableReading) -> bool:
    """Whether the layout reads the dates of one column and the times of another together."""
    form = reading.layout.time
    return reading.layout.date is not None and form is not None and strptime_has_date(form)


def _beside_dates(reading: TableReading, texts: Sequence[str], rows: Sequence[int]) -> list[str]:
    """Return times of rows with their dates before them."""
    position = reading.columns.date
    dates = reading.table.texts(position) if position is not None else []
    return [f"{dates[row].strip()} {text.strip()}" for row, text in zip(rows, texts, strict=True)]


def _on_days(reading: TableReading, times: Times, column: Column) -> Times:
    """Return times of day on the days that a column of dates or the layout tells."""
    night_of, begins, table = reading.layout.night_of, reading.layout.begins, reading.table
    if _in_half_days(reading):
        return _on_half_days(reading, times, column)
    if reading.columns.date is not None:
        dates_column = reading.column(reading.columns.date)
        data, written = table.columns[reading.columns.date], table.columns[reading.columns.start]
        beside = None if isinstance(written, Times) else written
        dates = data.us if isinstance(data, Times) else read_dates(data, dates_column, beside=beside)
        if night_of is not None:
            return Times(place_in_nights(dates, times.us, night_of, column), Clock.LOCAL)
        us = dates + times.us
        refuse_evening_dates(us, dates, dates_column)
        reading.notes.append(Note.of(NoteKind.DATES_FROM_COLUMN, column=OwnWord(dates_column.name)))
        return Times(us, Clock.LOCAL)
    if isinstance(begins, datetime):
        if begins.tzinfo is not None:
            reason = "an offset does not go with times of day; give " + for_page("'zone'", asked("zone")) + " instead"
            raise reading.contradiction("begins", reason)
        turn = slice(None, None, -1 if runs_backwards(times.us) else 1)
        us = place_after(begins, times.us[turn], column)[turn]
        refuse_late(us, begins, column)
        return Times(us, Clock.LOCAL)
    if begins is not None and night_of is not None:
        dates = np.full(times.us.size, (begins - date(1970, 1, 1)).days * DAY_US, np.int64)
        return Times(place_in_nights(dates, times.us, night_of, column), Clock.LOCAL)
    remedy = for_page(
        f"Give a layout ({Option.LAYOUT:FILE.toml}) that names the column of dates, or the date,\n"
        '    [file]\n    date = "..."\n  or\n    begins = 2026-03-01\n'
        '  and says which day a night\'s date names\n    night_of = "wake-day"',
        f"Say which column is the date; or answer {asked('begins')}, or {asked('night_of')} and the date as "
        f"{asked('begins')}.",
    )
    expected = "dates and times, a column of dates, or a date" + for_page(" in a layout", "")
    raise column.error(ClockError, 0, "the times tell no date", "times of day only", expected, remedy)


def _in_half_days(reading: TableReading) -> bool:
    """Whether the layout says that times are those of a 12-hour clock without AM or PM."""
    form = reading.layout.time
    return form is not None and strptime_has_half_days(form)


def _on_half_days(reading: TableReading, times: Times, column: Column) -> Times:
    """Return times of a 12-hour clock as counted on from the beginning that the layout tells."""
    begins = reading.layout.begins
    if not isinstance(begins, datetime) or begins.tzinfo is not None or reading.columns.date is not None:
        reason = "a 12-hour clock without AM or PM needs the moment, without an offset, from which its hours count on"
        raise reading.contradiction("time", reason + ": 'begins', and no column of dates")
    reading.notes.append(Note.of(NoteKind.HALF_DAYS))
    return Times(place_half_days(begins, times.us, column), Clock.LOCAL)


def _read_ends(reading: TableReading, position: int, starts: Times, staged: Rows) -> Times:
    """Return the ends of the staged rows."""
    data = reading.table.columns[position]
    column = reading.column(position, staged)
    if isinstance(data, Times):
        ends = Times(data.us[staged], data.clock, data.offset_s)
        if ends.clock is Clock.DAY and starts.clock is Clock.LOCAL:  # cells of a sheet that hold times of day
            ends = Times(ends_after_starts(starts.us[staged], ends.us), Clock.LOCAL)
    else:
        ends = _parse_ends(reading, [data[row] for row in staged.tolist()], column, starts, staged)
    if ends.clock is not starts.clock:
        problem = "beginnings and ends do not tell time in the same way"
        remedy = "Export both columns in one form."
        found = f"beginnings: {_CLOCK_WORDS[starts.clock]}; ends: {_CLOCK_WORDS[ends.clock]}"
        raise column.error(ClockError, 0, problem, found, "one way", remedy)
    return ends


def _parse_ends(reading: TableReading, texts: Sequence[str], column: Column, starts: Times, staged: Rows) -> Times:
    if not texts[-1].strip():
        remedy = "Complete the row or take it out."
        problem, expected = "the last row has no end", "a time at which it ends"
        raise column.error(EpochGridError, len(texts) - 1, problem, "", expected, remedy)
    if _dates_apart(reading):
        texts = _beside_dates(reading, texts, staged.tolist())
    ends = read_times(texts, column, form=reading.layout.time, elapsed=starts.clock is Clock.ELAPSED)
    told = any(note.kind in _OFFSET_CHANGES for note in starts.notes)
    new = [note for note in ends.notes if note not in reading.notes]
    reading.notes += [note for note in new if not (told and note.kind in _OFFSET_CHANGES)]
    if ends.clock is not Clock.DAY and not (reading.layout.date is not None and starts.clock is Clock.LOCAL):
        return ends
    turn = DAY_US // 2 if _in_half_days(reading) else DAY_US
    us = ends_after_starts(starts.us[staged], ends.us % turn, turn)
    # an end at 24:00 of a row that begins at 00:00 is the end of that day
    began = reading.table.columns[reading.columns.start]
    for row in np.flatnonzero(us == starts.us[staged]).tolist():
        first = "" if isinstance(began, Times) else began[int(staged[row])]
        if says_24(texts[row]) and not says_24(first):
            us[row] += DAY_US
    return Times(us, Clock.LOCAL)


def _in_zone(
    reading: TableReading, starts: Times, ends: Times | None, staged: Rows
) -> tuple[Times, Times | None, tzinfo]:
    """Return local times as moments in UTC where a zone is known, and the zone in which they are shown."""
    if reading.columns.zone is not None:
        starts, ends = _in_zones_of_column(reading, reading.columns.zone, starts, ends)
    zone = reading.zone
    if starts.clock is not Clock.LOCAL:
        if zone is not None and starts.clock is Clock.UTC:
            reading.notes.append(Note.of(NoteKind.ZONE_BESIDE_TIMES, zone=ZoneName(zone)))
        return starts, ends, starts.zone or fixed_zone(starts.offset_s)
    if zone is None:
        if not reading.columns.utc:
            return starts, ends, UTC
        zone = "UTC"
        column = OwnWord(reading.table.names[reading.columns.start])
        reading.notes.append(Note.of(NoteKind.UTC_BY_COLUMN, column=column))
    resolved = resolve_rows(
        starts.us,
        starts.us[:0] if ends is None else ends.us,
        staged[:0] if ends is None else staged,
        zone,
        path=reading.path,
        where=reading.places.at,
        may_overlap=reading.layout.overlaps is not Overlaps.REFUSE,
    )
    reading.notes += resolved.notes
    in_utc = None if ends is None else Times(resolved.ends_us, Clock.UTC)
    return Times(resolved.starts_us, Clock.UTC), in_utc, resolved.zone


def _in_zones_of_column(
    reading: TableReading, position: int, starts: Times, ends: Times | None
) -> tuple[Times, Times | None]:
    """Return local times as moments in UTC where the column holds offsets; take its zone where it holds one name.

    Raises
    ------
    ClockError
        When the times tell their zone themselves, a cell is no offset, or the column holds several names, or offsets
        that change beside ends.
    """
    column = reading.column(position)
    if starts.clock is not Clock.LOCAL:
        raise reading.contradiction("zone_column", "the times tell no clock that a zone could be of")
    cells = [text.strip() for text in reading.table.texts(position)]
    offsets = {cell: read_offset(cell) for cell in dict.fromkeys(cells)}
    if all(offset is None for offset in offsets.values()) and len(offsets) == 1 and cells[0]:
        reading.zone = _same_zone(reading, cells[0], column)
        reading.notes.append(Note.of(NoteKind.ZONE_FROM_COLUMN, zone=ZoneName(cells[0]), column=OwnWord(column.name)))
        return starts, ends
    expected = "an offset from UTC such as +02:00 in every row, or the same IANA name"
    for row, cell in enumerate(cells):
        if offsets[cell] is None:
            problem = "the zones of the rows cannot be read together" if cell else "the zone is missing"
            found = f"'{shorten(cell)}'" if cell else ""
            raise column.error(ClockError, row, problem, found, expected, _NAME_ZONE)
    if reading.zone is not None:
        raise reading.contradiction(
            "zone_column", f"it tells offsets from UTC, and the zone is said to be {reading.zone}"
        )
    if ends is not None and len(set(offsets.values())) > 1:
        row = next(row for row, cell in enumerate(cells) if offsets[cell] != offsets[cells[0]])
        problem = "the offset from UTC changes, so the ends may have the one or the other"
        raise column.error(ClockError, row, problem, cells[row], f"{cells[0]}, as in the rows before", _NAME_ZONE)
    told = [offsets[cell] for cell in cells]
    moments = with_offsets(starts.us, told, cells, column, starts.notes)
    reading.notes += [note for note in moments.notes if note not in starts.notes]
    if ends is not None:
        ends = Times(ends.us - moments.offset_s * SECOND_US, Clock.UTC)
    return moments, ends


def _same_zone(reading: TableReading, name: str, column: Column) -> str:
    if reading.zone is None:
        known_zone(name, column.path, column.where(0))
        return name
    if reading.zone != name:
        raise reading.contradiction(
            "zone_column", f"it says {shorten(name)}, and the zone is said to be {reading.zone}"
        )
    return name


def _clock(reading: TableReading, starts: Times, shown_in: tzinfo) -> FileClock:
    """Return what the times count from."""
    begins, layout = reading.layout.begins, reading.layout
    if starts.clock is not Clock.ELAPSED:
        return FileClock(starts.clock, shown_in if starts.clock is Clock.UTC else None)
    if begins is None:
        return FileClock(Clock.ELAPSED)
    if not isinstance(begins, datetime):
        raise reading.contradiction("begins", "elapsed seconds need a date and a time to count from")
    if reading.zone is not None:
        from sleepagree.hypnogram.zones import place_in_zone

        where = for_page("[file], key 'begins'", asked("begins"))
        if begins.tzinfo is None:
            begins = place_in_zone(begins, reading.zone, path=layout.name, where=where)
        else:  # a moment as it is, by the clock of the zone
            begins = begins.astimezone(known_zone(reading.zone, layout.name))
            reading.notes.append(Note.of(NoteKind.ZONE_BESIDE_TIMES, zone=ZoneName(reading.zone)))
    return FileClock(Clock.ELAPSED, None, begins)


# --- rows that tell no times: numbers of epochs, labels one after the other, or with how long each lasts ------

_LONGEST_COUNT: Final = 10_000_000


def counted_starts(reading: TableReading) -> Times:
    """Return when rows begin, in elapsed time, where they are counted: second 0 is that of ``begins``.

    Raises
    ------
    FileFormatError
        When a number is none of an epoch, or rows that follow each other stand around a blank line or beside times.
    EpochGridError
        When the length of an epoch, the unit of the durations or the first epoch is not told.
    """
    if reading.columns.epoch_number is not None:
        return _by_number(reading, reading.columns.epoch_number)
    _refuse_what_tells_more(reading)
    layout, n = reading.layout, len(reading.places.numbers)
    reading.notes.append(Note.of(NoteKind.ROWS_COUNTED))
    if layout.shape is Shape.RUNS:
        return Times(np.zeros(n, np.int64), Clock.ELAPSED)  # the codes themselves are counted
    if layout.shape is Shape.INTERVALS and reading.columns.duration is not None:
        return Times(_after_each_other(reading, reading.columns.duration), Clock.ELAPSED)
    return Times(np.arange(n, dtype=np.int64) * round((layout.epoch_seconds or 0.0) * SECOND_US), Clock.ELAPSED)


def _by_number(reading: TableReading, position: int) -> Times:
    layout, column = reading.layout, reading.column(position)
    if layout.epoch_seconds is None:
        problem, expected = "numbers of epochs do not tell how long an epoch lasts", "the length of an epoch"
        remedy = for_layout(f"Give it in a layout ({Option.LAYOUT:FILE.toml}), above [file]:", "epoch_seconds", 30)
        raise EpochGridError(problem, reading.path, f"column '{shorten(column.name)}'", "", expected, remedy)
    expected = "the whole number of an epoch"
    numbers = read_numbers(reading.table.texts(position), column, expected=expected)
    are_odd = (numbers != np.rint(numbers)) | (numbers < 0) | (numbers > _LONGEST_COUNT)
    column.refuse_numbers(FileFormatError, numbers, are_odd, "this is no number of an epoch", expected)
    first = int(numbers.min())
    base = layout.first_epoch if layout.first_epoch is not None else first
    if layout.first_epoch is None and first > 1:
        row = int(numbers.argmin())
        problem, expected = "the numbers of epochs begin neither with 0 nor with 1", "to be told which one is the first"
        remedy = for_layout(
            f"Say in a layout ({Option.LAYOUT:FILE.toml}) which epoch began at 'begins'", "first_epoch", first
        )
        raise column.error(EpochGridError, row, problem, str(first), expected, remedy)
    if first < base:
        row = int(numbers.argmin())
        problem, expected = "the epoch comes before the first one", f"numbers from {base} on"
        expected += for_page(" (first_epoch)", "")
        remedy = "Correct the row, or " + for_page("'first_epoch'.", f"{asked('first_epoch')}.")
        raise column.error(EpochGridError, row, problem, str(first), expected, remedy)
    reading.notes.append(Note.of(NoteKind.EPOCHS_NUMBERED, column=OwnWord(column.name), first=base))
    return Times(np.rint(numbers - base).astype(np.int64) * round(layout.epoch_seconds * SECOND_US), Clock.ELAPSED)


def _after_each_other(reading: TableReading, position: int) -> Microseconds:
    """Return when rows begin that each last as long as they say."""
    column = reading.column(position)
    numbers, unit = read_durations(reading.table.texts(position), column, reading.duration_unit)
    unit = unit or reading.duration_unit
    if unit is None:
        remedy = for_layout(
            f"Give a layout ({Option.LAYOUT:FILE.toml}) with", "duration_unit", "min", "s", "ms", "h", "epochs"
        )
        problem, where = "the unit of the durations is not told", f"column '{shorten(column.name)}'"
        raise EpochGridError(problem, reading.path, where, "rows without times", "a unit", remedy)
    are_wrong = ~((numbers > 0) & (numbers * unit < _LONGEST_COUNT))
    column.refuse_numbers(EpochGridError, numbers, are_wrong, "this is no duration of a stage", "a positive number")
    lasts = np.rint(numbers * unit * SECOND_US).astype(np.int64)
    begins: Microseconds = np.cumsum(lasts) - lasts
    return begins


def _refuse_what_tells_more(reading: TableReading) -> None:
    """Refuse rows that cannot be counted, or need not be: around a blank line, or beside times that nobody named."""
    numbers = reading.places.numbers
    are_chosen = any(note.kind in (NoteKind.ROWS_OF_PERSON, NoteKind.ROWS_OF_NIGHT) for note in reading.table.notes)
    for row in range(1, 1 if are_chosen else len(numbers)):
        before, now = numbers[row - 1], numbers[row]
        if isinstance(before, int) and isinstance(now, int) and now != before + 1:
            problem = "there is a blank line among rows that follow each other, so it may be an epoch"
            remedy = "Take it out, or write a label there " + for_page(
                'that a layout maps to "unscored"; if the rows end above it, tell in a layout how the line below it '
                'begins, for instance\n    [file]\n    foot = "Total"',
                'and say that it is "not scored".',
            )
            where = reading.places.one.format(before + 1)
            raise FileFormatError(problem, reading.path, where, "a blank line", "a label in every line", remedy)
    for position, name in enumerate(reading.table.names):
        data = reading.table.columns.get(position)
        if position not in reading.columns.used and data is not None and looks_like_times(data):
            problem, where = "no column of times is named, and this one seems to hold them", f"column '{shorten(name)}'"
            in_layout = for_page(
                f"Name it in a layout ({Option.LAYOUT:FILE.toml}) with\n    [file]\n    start = {toml_text(name)}",
                'Say at the head of the columns that it is "when it begins".',
            )
            raise FileFormatError(problem, reading.path, where, "", "rows that tell no times", in_layout)
