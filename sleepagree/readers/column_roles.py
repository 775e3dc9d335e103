"""What the columns of a table are taken for: stages, times, lengths, persons, and what stays open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import Any, Final

import numpy as np

from sleepagree.errors import SleepAgreeError
from sleepagree.mapping.languages import propose_meanings
from sleepagree.mapping.words import recognise_label
from sleepagree.readers.column_kinds import ColumnSeen, Kind, TimeReading, may_be_times, read_every_way, see_column
from sleepagree.readers.columns import plain_columns, told_unit
from sleepagree.readers.json.records import ANY, KEY
from sleepagree.readers.layout import COLUMNS, Layout, Shape, TimeForm
from sleepagree.readers.layout_proposal import Choice, LabelMeaning, Setting, Why
from sleepagree.readers.table.code_runs import codes_of_text
from sleepagree.readers.table.table import Table
from sleepagree.readers.table_place import are_runs
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Column, Microseconds, Times, naive_datetime
from sleepagree.readers.times.reading import read_times

_MOST_PEOPLE: Final = 200
#: From half an hour to twenty hours: what a night may last when nothing but a sum of numbers tells it.
_NIGHT_S: Final = (1_800.0, 72_000.0)
_EPOCH_LENGTHS: Final = (30.0, 20.0, 60.0)
_MOST_ALIKE: Final = 20
_OF_TIMES: Final = ("start", "date")
_BESIDE_TIMES: Final = (Kind.DATES, Kind.HALVES, Kind.ZONES)
_FEWEST_CHANGES: Final = 5
_SAME_STEP: Final = 1e-3


@dataclass(frozen=True)
class Found:
    """One way to take a file apart, and what its columns are taken for."""

    columns: tuple[ColumnSeen, ...]
    settings: tuple[Setting, ...]
    labels: tuple[LabelMeaning, ...]

    @property
    def is_whole(self) -> bool:
        """Whether stages were found."""
        return bool(self.labels)

    @property
    def score(self) -> tuple[bool, bool, float, int]:
        """Better with stages, with times, with words that are known, with more rows."""
        keys = {setting.key for setting in self.settings}
        known = sum(label.rows for label in self.labels if label.word)
        rows = sum(label.rows for label in self.labels)
        return self.is_whole, "start" in keys, known / rows if rows else 0.0, rows


def counted_rows(seconds: float | None = None) -> tuple[Setting, ...]:
    """Return the lines for rows that tell no times, or only how long they last."""
    first, *others = _EPOCH_LENGTHS
    length = Setting("epoch_seconds", first, Why.USUAL, tuple(map(Choice, others)))
    if seconds is not None:
        length = Setting("epoch_seconds", round(seconds, 3), Why.FOLLOWS)
    return length, Setting("begins", None, Why.UNTOLD)


def find_roles(table: Table, settings: list[Setting], given: Layout) -> Found:
    """Return what the columns of a table are taken for; those that a layout names are taken for what it says."""
    columns = tuple(_see(table, i, given) for i in sorted(table.columns))
    named = {role: [table.names[i] for i in at] for role, at in plain_columns(table.names)}
    told = {column: key for key in COLUMNS if (column := getattr(given, key)) is not None}
    free = [column for column in columns if told.get(column.name, "stage") == "stage"]
    if run := next((c for c in free if are_runs(c.cells)), None):
        return _runs(columns, run, settings)
    stages = _stage_columns([c for c in free if c.name == given.stage] or free, named["stage"])
    if not stages or len(stages) > _MOST_ALIKE:  # a grid of hours and minutes has no column of stages
        return Found(columns, tuple(settings), ())
    stage = stages[0]
    why = (
        Why.NAMED
        if stage.name in named["stage"]
        else Why.ONLY
        if len(stages) == 1
        else Why.WORDS
        if _known(stage)
        else Why.FEW
    )
    others = tuple(Choice(column.name) for column in stages[1:])
    made = [*settings, Setting("stage", stage.name, why, others)]
    if is_key := _is_key(stage, settings):
        columns = _in_turn(columns, stage)
        stage = next(column for column in columns if column.name == stage.name)
    rest = [column for column in columns if column is not stage and told.get(column.name, "start") in _OF_TIMES]
    if given.epoch_number is not None:
        return Found(columns, (*made, *counted_rows()), meanings_of(stage.cells))
    if given.start is not None:
        beside = [column for column in rest if column.kind in _BESIDE_TIMES or column.name == given.date]
        times = [column for column in rest if column.name == given.start]
        timed, starts = _time_settings([*times, *(c for c in beside if c.name != given.start)])
    else:
        timed, starts = _time_settings(sorted(rest, key=lambda column: column.name not in named["start"]))
    made += timed
    used = {setting.value for setting in made}
    if starts is not None:
        made += _people(rest, starts, used)
        if given.end is None and given.duration is None and given.shape is not Shape.EPOCHS:
            made += _lengths([c for c in rest if c.name not in used], starts, stage, timed)
    elif not timed and (unread := [c for c in rest if c.name == given.start or (not given.start and may_be_times(c))]):
        made += _unread_times(rest, unread, stage)
    elif not named["start"] and not timed and not is_key:
        made += _count_settings(rest, stage)
    return Found(columns, tuple(made), meanings_of(stage.cells))


def _runs(columns: tuple[ColumnSeen, ...], run: ColumnSeen, settings: Sequence[Setting]) -> Found:
    """Return what columns are taken for beside one whose cells hold the codes of many epochs each."""
    codes = [codes_of_text(cell) for cell in run.cells]
    made = [*settings, Setting("shape", "runs", Why.ONLY), Setting("stage", run.name, Why.ONLY)]
    length, begins = counted_rows()
    labels = meanings_of([code for part in codes for code in part])
    moments = [column for column in columns if column.kind is Kind.MOMENTS]
    if not moments:
        return Found(columns, (*made, length, begins), labels)
    start, *others = moments
    readings = start.readings
    for end, reading in product(others, start.readings):
        until = next((other.times.us for other in end.readings if other.form == reading.form), reading.times.us)
        each = (until - reading.times.us) / np.array([SECOND_US * len(part) for part in codes])
        if 0 < each[0] * len(codes[0]) < _NIGHT_S[1] and np.ptp(each) == 0:
            length, _ = counted_rows(float(each[0]))
            made.append(Setting("end", end.name, Why.FOLLOWS))
            readings = (reading,)
            break
    made += [Setting("start", start.name, Why.ONLY), *_form(readings), *_zone_column(columns, readings[0])]
    return Found(columns, (*made, length), labels)


def _is_key(column: ColumnSeen, settings: Sequence[Setting]) -> bool:
    """Whether a column holds the names above parts of JSON: its rows are no sequence."""
    records = next((str(s.value) for s in settings if s.key == "records"), "")
    return column.name == KEY and records.endswith(ANY)


def _in_turn(columns: tuple[ColumnSeen, ...], stage: ColumnSeen) -> tuple[ColumnSeen, ...]:
    """Return columns whose rows stand under labels in the order of the first column that rises under each of them."""
    for column in columns:
        is_number = column.kind in (Kind.NUMBERS, Kind.COUNT)
        if is_number or column.readings:
            values = column.numbers if is_number else column.readings[0].times.us
            under = [values[[cell == label for cell in stage.cells]] for label in stage.values]
            if all((np.diff(part) > 0).all() for part in under):
                order = np.argsort(values, kind="stable").tolist()
                return tuple(see_column(c.name, [c.cells[row] for row in order]) for c in columns)
    return columns


def _see(table: Table, position: int, given: Layout) -> ColumnSeen:
    data, name = table.columns[position], table.names[position]
    if not isinstance(data, Times):
        seen = see_column(name, data)
        if given.time is None or given.start not in (None, name) or given.date is not None:
            return seen
        try:
            times = read_times(data, Column("", "", str), form=given.time)
        except SleepAgreeError:
            return seen
        kind = Kind.TIMES_OF_DAY if times.clock is Clock.DAY else Kind.MOMENTS
        return replace(seen, kind=kind, readings=(TimeReading(given.time, "", times),))
    us = data.us
    days = data.clock is Clock.LOCAL and not (us % DAY_US).any()
    kind = Kind.TIMES_OF_DAY if data.clock is Clock.DAY else Kind.DATES if days else Kind.MOMENTS
    cells = tuple(str(naive_datetime(value)) for value in us.tolist())
    return ColumnSeen(name, kind, len(cells), len(set(cells)), (TimeReading(None, "", data),), cells)


def _known(column: ColumnSeen) -> float:
    """Return the share of the different texts of a column that are words for stages."""
    values = [value for value in column.values if value]
    meanings = propose_meanings(values)
    return sum(value in meanings or recognise_label(value) is not None for value in values) / len(values)


def _stage_columns(columns: Sequence[ColumnSeen], named: Sequence[str]) -> list[ColumnSeen]:
    """Return the columns that may hold stages: one of a plain name, known words, few texts, few numbers in turn."""
    able = [c for c in columns if c.kind in (Kind.WORDS, Kind.CODES)]
    varied = [c for c in able if c.distinct > 1 or _known(c)]
    ranked = sorted(varied, key=lambda c: (c.name not in named, -_known(c), c.kind is Kind.CODES))
    return [c for c in ranked if _known(c) > 0 or c.name in named] or ranked


def meanings_of(cells: Sequence[str]) -> tuple[LabelMeaning, ...]:
    """Return what labels may mean, in the order in which they are first met."""
    labels = list(dict.fromkeys(cell.strip() for cell in cells))
    proposed = propose_meanings(labels)
    stripped = [cell.strip() for cell in cells]
    out = []
    for label in labels:
        plain = recognise_label(label)
        meaning = proposed.get(label)
        word = plain or (meaning.word if meaning else "")
        out.append(LabelMeaning(label, stripped.count(label), word, () if plain or not meaning else meaning.languages))
    return tuple(out)


def _time_settings(columns: Sequence[ColumnSeen]) -> tuple[list[Setting], Microseconds | None]:
    """Return the lines about when rows begin, and when they do; None where no column tells."""
    moments = [c for c in columns if c.kind is Kind.MOMENTS and c.distinct > 1]
    if moments:
        start = _first_of_pair(moments)
        others = tuple(Choice(c.name) for c in moments if c is not start and not _pair(start, c))
        made = [Setting("start", start.name, Why.ONLY if not others else Why.FIRST, others)]
        made += _form(start.readings)
        made += _zone_column(columns, start.readings[0])
        return made, start.readings[0].times.us
    days = [c for c in columns if c.kind is Kind.TIMES_OF_DAY and c.distinct > 1]
    dates = [c for c in columns if c.kind is Kind.DATES]
    if days and dates:
        return _dated(columns, dates, days)
    if days:
        made = [Setting("start", days[0].name, Why.ONLY if len(days) == 1 else Why.FIRST)]
        form = days[0].readings[0].form
        made += [Setting("time", form, Why.ONE_FORM)] if form else []
        us = days[0].readings[0].times.us
        return [*made, Setting("begins", None, Why.UNTOLD)], us + np.cumsum(np.diff(us, prepend=us[0]) < 0) * DAY_US
    for column in columns:
        if column.kind in (Kind.NUMBERS, Kind.COUNT) and not may_be_times(column):
            numbers = column.numbers
            steps = np.diff(numbers)
            if (
                numbers.size > 2
                and _is_night(numbers[-1] - numbers[0])
                and (steps >= 0).all()
                and np.median(steps) >= 5
            ):
                made = [Setting("start", column.name, Why.ONLY), Setting("time", TimeForm.ELAPSED_S.value, Why.FOLLOWS)]
                return [*made, Setting("begins", None, Why.UNTOLD)], (numbers * SECOND_US).astype(np.int64)
    return [], None


def _form(readings: Sequence[TimeReading]) -> list[Setting]:
    """Return the line about the form of times; both forms where no row tells which."""
    if len(readings) > 1:
        return [Setting("time", None, Why.TWO_FORMS, tuple(Choice(r.form, r.when) for r in readings))]
    return [Setting("time", readings[0].form, Why.ONE_FORM)] if readings[0].form else []


def _dated(
    columns: Sequence[ColumnSeen], dates: Sequence[ColumnSeen], days: Sequence[ColumnSeen]
) -> tuple[list[Setting], Microseconds | None]:
    """Return the lines about dates and times of day in columns of their own."""
    date, day = dates[0], days[0]
    half = next((c for c in columns if c.kind is Kind.HALVES), None)
    made = [
        Setting("start", day.name, Why.ONLY if len(days) == 1 else Why.FIRST),
        Setting(
            "date", date.name, Why.ONLY if len(dates) == 1 else Why.FIRST, tuple(Choice(c.name) for c in dates[1:])
        ),
    ]
    if date.readings:  # both are times by the file's own types
        readings: tuple[TimeReading, ...] = ()
        us = date.readings[0].times.us + day.readings[0].times.us
    else:
        ends = [""] * date.rows if half is None else [f" {cell}" for cell in half.cells]
        joined = [f"{a} {b}{c}" for a, b, c in zip(date.cells, day.cells, ends, strict=True)]
        readings = read_every_way(joined)
        if not readings:
            return [*made, _form_to_tell(joined)], None
        us = readings[0].times.us
        made += _form(readings)
    if half is not None:
        made.append(Setting("am_pm", half.name, Why.ONLY))
    if (np.diff(us) < -DAY_US // 2).any():
        both = (
            Choice("wake-day", "if the date is that of waking up"),
            Choice("bed-day", "if it is that of going to bed"),
        )
        made.append(Setting("night_of", None, Why.DATE_STAYS, both))
    return [*made, *_zone_column(columns, readings[0] if readings else day.readings[0])], us


def _unread_times(columns: Sequence[ColumnSeen], unread: Sequence[ColumnSeen], stage: ColumnSeen) -> list[Setting]:
    """Return the lines about times that no form reads: rows beside them are never counted."""
    start, *others = unread
    made = [Setting("start", start.name, Why.FIRST if others else Why.ONLY, tuple(Choice(c.name) for c in others))]
    cells = start.cells
    if dates := [c for c in columns if c.kind is Kind.DATES]:
        made.append(Setting("date", dates[0].name, Why.FIRST if len(dates) > 1 else Why.ONLY))
        cells = tuple(f"{day} {cell}" for day, cell in zip(dates[0].cells, cells, strict=True))
    made.append(_form_to_tell(cells))
    return [*made, Setting("shape", "intervals", Why.CHANGES)] if _changes_always(stage) else made


def _form_to_tell(cells: Sequence[str]) -> Setting:
    """Return the blank for the form of times, with the first and the last of them."""
    return Setting("time", None, Why.UNREAD, shown=(cells[0], cells[-1]))


def _always_differs(stage: ColumnSeen) -> bool:
    """Whether no row says what the row before it says."""
    return all(a != b for a, b in pairwise(stage.cells))


def _changes_always(stage: ColumnSeen) -> bool:
    """Whether so many rows differ from the one before that no file with a row an epoch is like that."""
    return len(stage.cells) > _FEWEST_CHANGES and _always_differs(stage)


def _zone_column(columns: Sequence[ColumnSeen], reading: TimeReading) -> list[Setting]:
    zones = [c for c in columns if c.kind is Kind.ZONES]
    if not zones or reading.times.clock not in (Clock.LOCAL, Clock.DAY):
        return []
    return [Setting("zone_column", zones[0].name, Why.ONLY)]


def _first_of_pair(moments: Sequence[ColumnSeen]) -> ColumnSeen:
    """Return the column of beginnings: the one that another follows as its ends, else the first."""
    return next((a for a in moments if any(_pair(a, b) for b in moments if b is not a)), moments[0])


def _pair(start: ColumnSeen, end: ColumnSeen) -> bool:
    """Whether rows that begin in one column end in the other, before the next begins."""
    a, b = start.readings[0].times.us, end.readings[0].times.us
    if a.size != b.size or start.readings[0].times.clock is not end.readings[0].times.clock:
        return False
    return bool((a <= b).all() and (a < b).mean() > 0.5 and (b[:-1] <= a[1:] + SECOND_US).mean() > 0.5)


def _people(columns: Sequence[ColumnSeen], starts: Microseconds, used: set[Any]) -> list[Setting]:
    """Return the lines about whose rows to read, where times of one person alone follow each other."""
    if (np.diff(starts) > 0).all():
        return []
    for column in columns:
        if column.name in used or not 2 <= column.distinct <= min(_MOST_PEOPLE, column.rows // 3):
            continue
        cells = np.array(column.cells)
        if all((np.diff(starts[cells == value]) > 0).all() for value in column.values):
            people = tuple(map(Choice, column.values))
            return [
                Setting("person_column", column.name, Why.SEVERAL_PEOPLE),
                Setting("person", None, Why.SEVERAL_PEOPLE, people),
            ]
    return []


def _lengths(
    columns: Sequence[ColumnSeen], starts: Microseconds, stage: ColumnSeen, timed: Sequence[Setting]
) -> list[Setting]:
    """Return the lines about how long rows last."""
    begin = next(setting.value for setting in timed if setting.key == "start")
    elapsed = any(setting.value == TimeForm.ELAPSED_S for setting in timed)
    for column in columns:
        if (column.kind is Kind.MOMENTS or (elapsed and column.kind is Kind.NUMBERS)) and column.name != begin:
            b = column.numbers * SECOND_US if elapsed else column.readings[0].times.us
            if (starts <= b).all() and (b[:-1] <= starts[1:] + SECOND_US).mean() > 0.5:
                return [Setting("end", column.name, Why.FOLLOWS)]
        if column.kind is Kind.TIMES_OF_DAY and column.name != begin:
            lasting = (column.readings[0].times.us - starts) % DAY_US
            if (starts[:-1] + lasting[:-1] <= starts[1:] + SECOND_US).mean() > 0.5:
                return [Setting("end", column.name, Why.FOLLOWS)]
    steps = np.diff(starts) / SECOND_US
    if steps.size == 0 or np.unique(steps).size == 1:
        return []
    for column in columns:
        if column.kind is Kind.LENGTHS:
            return [Setting("duration", column.name, Why.UNITS_TOLD)]
        if column.kind in (Kind.NUMBERS, Kind.CODES) and "" not in column.values:
            for unit, seconds in (("s", 1.0), ("min", 60.0), ("ms", 0.001)):
                lasts = column.numbers[:-1] * seconds
                if np.unique(lasts).size > 1 and (np.abs(lasts - steps) <= 1).mean() > 0.8:
                    return [
                        Setting("duration", column.name, Why.FOLLOWS),
                        Setting("duration_unit", unit, Why.FOLLOWS),
                    ]
    if _always_differs(stage) and (steps > 0).all():
        return [Setting("shape", "intervals", Why.CHANGES)]
    return []


def _count_settings(columns: Sequence[ColumnSeen], stage: ColumnSeen) -> list[Setting]:
    """Return the lines for rows without times: numbers of epochs, labels with lengths, labels alone."""
    for column in (c for c in columns if c.kind is Kind.LENGTHS):
        lines = {"shape": "intervals", "duration": column.name, "begins": None}
        return [Setting(key, value, Why.UNITS_TOLD if value else Why.UNTOLD) for key, value in lines.items()]
    lengths = [c for c in columns if c.kind in (Kind.NUMBERS, Kind.CODES) and "" not in c.values]
    if lengths and _always_differs(stage) and (lengths[0].numbers > 0).all():
        units = _units(lengths[0])
        made = [Setting("shape", "intervals", Why.CHANGES), Setting("duration", lengths[0].name, Why.ONLY)]
        if len(units) == 1:
            made.append(Setting("duration_unit", units[0], Why.USUAL))
        else:
            made.append(Setting("duration_unit", None, Why.UNTOLD, tuple(map(Choice, units))))
        length, begins = counted_rows()
        return [*made, *([length] if "epochs" in units else []), begins]
    if _changes_always(stage):
        return []  # rows of different lengths, which nothing tells: no rows to count
    if counts := [c for c in columns if c.kind is Kind.COUNT]:
        first = int(counts[0].numbers[0])
        told = [Setting("first_epoch", first, Why.FOLLOWS)] if first > 1 else []
        return [Setting("epoch_number", counts[0].name, Why.ONLY), *told, *counted_rows(told_unit(counts[0].name))]
    for column in (c for c in columns if c.kind is Kind.NUMBERS and (np.diff(c.numbers) > 0).all()):
        steps = np.diff(column.numbers)
        fitting = [unit for unit in (1.0, 60.0, 3600.0) if _is_night(unit * float(np.ptp(column.numbers)))]
        if len(fitting) != 1 or np.ptp(steps) > _SAME_STEP * steps[0]:
            return []  # a clock of some kind that nobody can read
        return [Setting("shape", "epochs", Why.ONLY), *counted_rows(fitting[0] * float(steps[0]))]
    return [Setting("shape", "epochs", Why.ONLY), *counted_rows()]


def _is_night(seconds: float) -> bool:
    """Whether a night may last that long."""
    return _NIGHT_S[0] <= seconds <= _NIGHT_S[1]


def _units(column: ColumnSeen) -> list[str]:
    """Return the units in which all lengths together may be a night."""
    total, whole = float(column.numbers.sum()), not (column.numbers % 1).any()
    seconds = {"min": 60.0, "s": 1.0, "ms": 0.001} | ({"epochs": 30.0} if whole else {})
    return [u for u, s in seconds.items() if _is_night(total * s)] or list(seconds)
