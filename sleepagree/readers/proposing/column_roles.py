"""What the columns of a table are taken for: stages, times, lengths, persons; and what could not be decided."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import SleepAgreeError
from sleepagree.mapping.languages import words_for_stages
from sleepagree.readers.columns import marks_in_name, plain_columns, told_unit
from sleepagree.readers.json.records import ANY, KEY
from sleepagree.readers.layout import COLUMNS, DURATION_UNITS, Layout, Marks, Shape
from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen, TimeReading, may_be_times, see_column
from sleepagree.readers.proposing.epoch_lengths import counted_rows, usual_length
from sleepagree.readers.proposing.layout_proposal import Choice, LabelMeaning, Setting, Why, choices_of, values_of
from sleepagree.readers.proposing.recording_roles import (
    layers_together,
    night_of_blocks,
    one_recording,
    people_lines,
    with_beginnings,
)
from sleepagree.readers.proposing.stage_roles import (
    Worded,
    columns_of_marks,
    find_worded,
    lengths_of_marks,
    marked_labels,
    marks_line,
    meanings_of,
    meanings_of_names,
    varies_in_numbers,
    with_moments,
)
from sleepagree.readers.proposing.table_place import are_runs, foot_apart, ranges_apart, with_foot
from sleepagree.readers.proposing.time_roles import (
    always_differs,
    form_settings,
    lengths_of_one,
    nearly_always_differs,
    tells_lengths,
    time_settings,
    unread_times,
    zone_settings,
)
from sleepagree.readers.table.reader import codes_of_texts
from sleepagree.readers.table.recordings import are_blocks
from sleepagree.readers.table.shapes import ENDS, LENGTHS_OF_MARKS
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Column, Microseconds, Times
from sleepagree.readers.times.nights import runs_backwards
from sleepagree.readers.times.reading import read_times

#: From half an hour to twenty hours: what a night may last when nothing but a sum of numbers tells it.
_NIGHT_S: Final = (1_800.0, 72_000.0)
_MOST_ALIKE: Final = 20
_OF_TIMES: Final = ("start", "date")
_BESIDE_TIMES: Final = (ColumnKind.DATES, ColumnKind.HALVES, ColumnKind.ZONES)
_FEWEST_CLOCKS: Final = 9
#: So many of the texts of two columns of stages are known words.
_MOSTLY: Final = 0.5
_FEWEST_SAME: Final = 3


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
    def told(self) -> dict[str, Any]:
        """What its lines say, by key; None for a blank."""
        return values_of(self.settings)

    @property
    def records(self) -> str:
        """The path of its rows in a JSON document, "" where no line tells one."""
        return str(self.told.get("records", ""))

    @property
    def is_runs(self) -> bool:
        """Whether its cells hold the codes of many epochs each."""
        return bool(self.told.get("shape") == Shape.RUNS)

    @property
    def rows(self) -> int:
        """Rows of its table."""
        return max((column.rows for column in self.columns), default=0)

    @property
    def known(self) -> float:
        """Share of the rows whose labels are words that are known."""
        rows = sum(label.rows for label in self.labels)
        return sum(label.rows for label in self.labels if label.word) / rows if rows else 0.0

    @property
    def score(self) -> tuple[bool, bool, bool, float, int, int]:
        """Better with stages, with known words, with times, with more of these words, with more rows or columns."""
        is_timed = not {"start", "epoch_number"}.isdisjoint(self.told)
        rows = sum(label.rows for label in self.labels)
        return self.is_whole, self.known > 0, is_timed, self.known, rows, len(self.columns)


def find_roles(table: Table, settings: list[Setting], given: Layout) -> Found:
    """Return what the columns of a table are taken for; those that a layout names are taken for what it says."""
    if given.start is not None and given.start == given.end:
        given = replace(given, end=None)
    table, foot = foot_apart(table)
    if (worded := _worded(table, given)) is not None:
        given = replace(given, stage=worded.stage, stage_form=None)
        found = find_roles(worded.table, [*settings, *worded.settings], given)
        return replace(found, labels=(*found.labels, *worded.others))
    whole = ranges_apart(table)
    seen = [_see(whole, i, given) for i in sorted(whole.columns)]
    rows, chosen = one_recording(seen, given)
    found = _find_roles(whole.taking(rows), [*settings, *chosen], given)
    if rows.size < len(table.places.numbers):
        found = _with_all_labels(found, table)
    found = replace(found, labels=with_foot(found.labels, found.told.get("stage"), table.names, foot))
    made = [replace(s, value=s.value.removesuffix(ENDS)) if s.key == "end" else s for s in found.settings]
    made = layers_together(made if given.end else _with_marks_told(made), seen)
    columns = tuple(c for c in found.columns if not c.name.endswith(ENDS))
    return replace(found, settings=with_beginnings(made, seen), columns=columns)


def _with_marks_told(settings: list[Setting]) -> list[Setting]:
    """Return lines with what lacks where the column of times says that they are no beginnings.

    `marks` is about one epoch: of a row of many the column of times is asked. The first of rows by their ends alone has
    no beginning.
    """
    told = values_of(settings)
    name = told.get("start") or ""
    marks = marks_in_name(name)
    if marks is None or "end" in told:
        return settings
    if told.get("shape") == Shape.RUNS:
        blank = Setting("start", None, Why.UNTOLD, (Choice(name, "if rows begin then"),))
        return [blank if s.key == "start" else s for s in settings]
    line = Setting("marks", marks.value, Why.NAME_TELLS, (Choice(Marks.START.value),))
    lacks_first = marks is Marks.END and told.get("shape") == Shape.INTERVALS and "begins" not in told
    return [*settings, line, *([Setting("begins", None, Why.UNTOLD)] if lacks_first else [])]


def _worded(table: Table, given: Layout) -> Worded | None:
    """Return the table with its stages taken out of the texts around them; None where some stand by themselves."""
    columns = [_see(table, i, given) for i in sorted(table.columns)]
    named = {table.names[i] for role, at in plain_columns(table.names) if role == "stage" for i in at}
    able = _stage_columns(columns, ())
    alone = [
        c for c in able if (_known(c) and not varies_in_numbers(c)) or (c.name in named and c.kind is ColumnKind.CODES)
    ]
    marks = given.stage_columns or columns_of_marks(columns) or any(are_runs(c.cells) for c in columns)
    return None if marks or (alone and not given.stage_form) else find_worded(table, columns, given, able)


def _with_all_labels(found: Found, table: Table) -> Found:
    """Return what was found in one recording with the labels of all of them."""
    stage = found.told.get("stage")
    if stage not in table.names or found.is_runs:
        return found
    return replace(found, labels=meanings_of(table.cells(table.names.index(stage))))


def _oldest_first(columns: tuple[ColumnSeen, ...]) -> tuple[ColumnSeen, ...]:
    """Return columns with their rows turned round where the newest stands first, as readers sort them."""
    for column in columns:
        is_number = column.kind.is_numeric and column.distinct == column.rows
        values: NDArray[Any] = column.numbers if is_number else np.zeros(0)
        if runs_backwards(column.us if column.readings else values):
            return tuple(c.taking(np.arange(c.rows)[::-1]) for c in columns)
    return columns


def _find_roles(table: Table, settings: list[Setting], given: Layout) -> Found:
    columns = _oldest_first(tuple(_see(table, i, given) for i in sorted(table.columns)))
    named = {role: [table.names[i] for i in at] for role, at in plain_columns(table.names)}
    told = _columns_told(given)
    told |= {setting.value: setting.key for setting in settings if setting.key in ("person_column", "night_column")}
    free = [column for column in columns if told.get(column.name, "stage") == "stage"]
    if run := next((c for c in free if are_runs(c.cells)), None):
        return _runs(columns, run, settings)
    stages = _stage_columns([c for c in free if c.name == given.stage] or free, named["stage"])
    if marked := _marked(columns, stages, named["stage"], given):
        return _with_marks(columns, marked, settings, given)
    if not stages or len(stages) > _MOST_ALIKE:  # a grid of hours and minutes has no column of stages
        return Found(columns, tuple(settings), ())
    stage = stages[0]
    rivals = _rivals(stage, stages[1:], named["stage"])
    if rivals:
        line = Setting("stage", None, Why.SEVERAL_STAGES, choices_of((stage, *rivals)))
    else:
        codes = [c for c in free if c not in stages and stage.name not in named["stage"] and _may_be_stages(c)]
        line = Setting("stage", stage.name, _why([*stages, *codes], named["stage"]), choices_of([*stages[1:], *codes]))
    made = [*settings, line]
    # the names above parts of JSON stand in no order
    is_key = stage.name == KEY and str(values_of(settings).get("records")).endswith(ANY)
    if is_key:
        columns = _in_turn(columns, stage)
        stage = _of(columns, stage.name)
    rest = [column for column in columns if column is not stage and told.get(column.name, "start") in _OF_TIMES]
    found = _with_times(columns, stage, rest, made, named["start"], given, is_key=is_key)
    held = {label.label for label in found.labels}
    more = [m for m in meanings_of([cell for c in rivals for cell in c.cells if cell]) if m.label not in held]
    return replace(found, labels=(*found.labels, *more))


def _why(stages: Sequence[ColumnSeen], named: Sequence[str]) -> Why:
    """Return why the first of columns is that of the stages."""
    if stages[0].name in named:
        return Why.NAMED
    if len(stages) == 1:
        return Why.ONLY
    return Why.WORDS if _known(stages[0]) else Why.FEW


def _columns_told(given: Layout) -> dict[str, str]:
    """Return the columns that a layout names -> for what."""
    return {column: key for key in COLUMNS if (column := getattr(given, key)) is not None}


def _rivals(stage: ColumnSeen, others: Sequence[ColumnSeen], named: Sequence[str]) -> list[ColumnSeen]:
    """Return columns that hold stages as well, such as another person's: words for them, or the same few texts."""
    is_known, held = _known(stage) >= _MOSTLY, set(filter(None, stage.values))
    alike = []
    for column in others:
        same = held & set(column.values)
        either = held | set(filter(None, column.values))
        # numbers of nights or of cycles may be those of stages
        is_alike = same == either and not are_blocks(column.cells) if column.kind is ColumnKind.CODES else True
        is_same = is_alike and len(same) >= _FEWEST_SAME and len(same) >= _MOSTLY * len(either)
        is_varied = column.distinct > 1
        if is_varied and (column.name in named) == (stage.name in named) and column.cells != stage.cells:
            alike += [column] * (is_same or (is_known and _known(column) >= _MOSTLY))
    return alike


def _named_by(lines: Sequence[Setting]) -> set[Any]:
    """Return the columns that lines name; a list or a sheet may be called like one and uses none."""
    return {line.value for line in lines if line.key in COLUMNS}


def _with_times(
    columns: tuple[ColumnSeen, ...],
    stage: ColumnSeen,
    rest: Sequence[ColumnSeen],
    made: list[Setting],
    named: Sequence[str],
    given: Layout,
    *,
    is_key: bool = False,
) -> Found:
    """Return what columns are taken for beside that of the stages, ``named`` those with plain names of times."""
    if given.epoch_number is not None:
        of_rows = counted_rows(stage.rows, names=_names(stage, made))
        return Found(columns, (*made, *of_rows), meanings_of(stage.cells))
    if given.start is not None:
        beside = [column for column in rest if column.kind in _BESIDE_TIMES or column.name == given.date]
        times = [column for column in rest if column.name == given.start]
        timed, starts = time_settings([*times, *(c for c in beside if c.name != given.start)])
    else:
        timed, starts = time_settings(sorted(rest, key=lambda column: column.name not in named))
    made += timed
    used = _named_by(made)
    may_tell_lengths = given.end is None and given.duration is None and given.shape is not Shape.EPOCHS
    if starts is not None:
        free = [c for c in rest if c.name not in used]
        made += people_lines(free, starts)
        if may_tell_lengths:
            chosen = [c for c in columns if c.name in {s.value for s in made if s.key.endswith("_column")} - used]
            made += lengths_of_one(free, starts, stage, timed, chosen)
    elif not timed and (unread := [c for c in rest if c.name == given.start or (not given.start and may_be_times(c))]):
        made += unread_times(rest, unread, stage)
        if may_tell_lengths:
            made += [Setting("duration", c.name, Why.UNITS_TOLD) for c in rest if tells_lengths(c, stage)][:1]
    elif not named and not timed and not is_key:
        made += (night := night_of_blocks(rest, stage))
        counted = stage
        if night:
            telling = _of(rest, night[0].value)
            first = np.flatnonzero([cell == telling.cells[0] for cell in telling.cells])
            rest = [c.taking(first) for c in rest if c.name != telling.name]
            counted = stage.taking(first)
        lines = _count_settings(rest, counted, _names(stage, made))
        used |= _named_by(lines)
        blocks = [c.name for c in rest if c.kind is ColumnKind.CODES and are_blocks(c.cells) and c.distinct > 1]
        offered = [Setting("night_column", name, Why.IN_BLOCKS) for name in blocks if name not in used]
        made += [*lines, *offered[: bool(lines)]]
    labels = meanings_of(stage.cells)
    if starts is not None and all(s.value is not None for s in timed):
        labels = with_moments(labels, stage, starts, _of(columns, timed[0].value))
    return Found(columns, tuple(made), labels)


def _of(columns: Sequence[ColumnSeen], name: str) -> ColumnSeen:
    return next(column for column in columns if column.name == name)


def _marked(
    columns: Sequence[ColumnSeen], stages: Sequence[ColumnSeen], named: Sequence[str], given: Layout
) -> tuple[ColumnSeen, ...]:
    """Return the columns that have the marks of one stage each; none where another column tells stages by words."""
    if given.stage_columns:
        return tuple(column for column in columns if column.name in given.stage_columns)
    marked = () if given.stage else columns_of_marks(columns)
    told = stages and stages[0] not in marked and (stages[0].name in named or _known(stages[0]) > 0)
    return () if told else marked


def _with_marks(
    columns: tuple[ColumnSeen, ...], marked: tuple[ColumnSeen, ...], settings: Sequence[Setting], given: Layout
) -> Found:
    """Return what columns are taken for beside those that have the marks of one stage each."""
    line, labels = marks_line(marked), marked_labels(marked)
    stage = see_column("", labels)
    made = [*settings, line]
    told = _columns_told(given)
    rest = [c for c in columns if c not in marked and told.get(c.name, "start") in _OF_TIMES]
    found = _with_times(columns, stage, [*rest, *lengths_of_marks(marked)], made, (), given)
    kept = tuple(s for s in found.settings if s.value != LENGTHS_OF_MARKS)  # their unit says that they are lengths
    return replace(found, settings=kept, labels=meanings_of_names(line.value, labels))


def _runs(columns: tuple[ColumnSeen, ...], run: ColumnSeen, settings: Sequence[Setting]) -> Found:
    """Return what columns are taken for beside one whose cells hold the codes of many epochs each."""
    codes = codes_of_texts(run.cells)
    made = [*settings, Setting("shape", Shape.RUNS, Why.ONLY), Setting("stage", run.name, Why.ONLY)]
    labels = meanings_of([code for part in codes for code in part])
    length, begins = counted_rows(sum(map(len, codes)), names=_names(run, made))
    moments = [column for column in columns if column.kind is ColumnKind.MOMENTS]
    moments.sort(key=lambda column: marks_in_name(column.name) is not None)
    if not moments:
        timed, starts = time_settings(
            [c for c in columns if c.kind in (ColumnKind.TIMES_OF_DAY, ColumnKind.DATES, ColumnKind.HALVES)]
        )
        if starts is None:
            return Found(columns, (*made, length, begins), labels)
        return Found(columns, (*made, *timed, _step_of_codes(starts, codes) or length), labels)
    start, *others = moments
    readings = start.readings
    for end, reading in product(others, start.readings):
        until = next((other.times.us for other in end.readings if other.form == reading.form), reading.times.us)
        each = (until - reading.times.us) / np.array([SECOND_US * len(part) for part in codes])
        if 0 < each[0] * len(codes[0]) < _NIGHT_S[1] and np.ptp(each) == 0:
            length, _ = counted_rows(0, float(each[0]))
            made.append(Setting("end", end.name, Why.FOLLOWS))
            readings = (reading,)
            break
    else:
        length = _step_of_codes(start.us, codes) or length
    made += [Setting("start", start.name, Why.ONLY), *form_settings(readings), *zone_settings(columns, readings[0])]
    return Found(columns, (*made, length), labels)


def _step_of_codes(starts: Microseconds, codes: Sequence[Sequence[str]]) -> Setting | None:
    """Return the line about the length of an epoch where each row lasts until the next; None where it varies."""
    each = np.diff(starts) / (SECOND_US * np.array([len(part) for part in codes[:-1]]))
    return counted_rows(0, float(each[0]))[0] if each.size and each[0] > 0 and np.ptp(each) == 0 else None


def _in_turn(columns: tuple[ColumnSeen, ...], stage: ColumnSeen) -> tuple[ColumnSeen, ...]:
    """Return columns whose rows stand under labels in the order of the first column that rises under each of them."""
    for column in columns:
        is_number = column.kind in (ColumnKind.NUMBERS, ColumnKind.COUNT)
        if is_number or column.readings:
            values = column.numbers if is_number else column.us
            under = [values[[cell == label for cell in stage.cells]] for label in stage.values]
            if all((np.diff(part) > 0).all() for part in under):
                return tuple(c.taking(np.argsort(values, kind="stable")) for c in columns)
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
        kind = ColumnKind.TIMES_OF_DAY if times.clock is Clock.DAY else ColumnKind.MOMENTS
        return replace(seen, kind=kind, readings=(TimeReading(given.time, "", times),))
    us = data.us
    days = data.clock is Clock.LOCAL and not (us % DAY_US).any()
    kind = ColumnKind.TIMES_OF_DAY if data.clock is Clock.DAY else ColumnKind.DATES if days else ColumnKind.MOMENTS
    cells = tuple(table.cells(position))
    return ColumnSeen(name, kind, len(cells), len(set(cells)), (TimeReading(None, "", data),), cells)


def _known(column: ColumnSeen) -> float:
    """Return the share of the different texts of a column that are words for stages."""
    return len(_words_known(column)) / sum(map(bool, column.values))


def _words_known(column: ColumnSeen) -> list[str]:
    """Return the different texts of a column that are words for stages."""
    return words_for_stages([value for value in column.values if value])


def _stage_columns(columns: Sequence[ColumnSeen], named: Sequence[str]) -> list[ColumnSeen]:
    """Return the columns that may hold stages: one of a plain name, known words, few texts, few numbers in turn.

    Several known words among numbers, as where one list holds stages and pulses, say more than "sleep" alone.

    One text in every row, such as "sleep", is what rows are about where another column has several with stages.
    Values that each stand in one block are rather those of parts of a table, and numbers of two digits measured.
    """
    able = [c for c in columns if c.kind in (ColumnKind.WORDS, ColumnKind.CODES)]
    varied = [c for c in able if c.distinct > 1 or _known(c)]
    told = max((len(_words_known(c)) for c in able if _has_several(c)), default=0)
    ranked = sorted(
        varied,
        key=lambda c: (
            c.distinct == 1 and told > (c.name in named),
            c.name not in named,
            len(_words_known(c)) < _FEWEST_SAME,
            -_known(c),
            _are_numbers(c),
            c.kind is ColumnKind.CODES,
            are_blocks(c.cells),
            _is_measured(c),
        ),
    )
    return [c for c in ranked if _known(c) > 0 or c.name in named] or ranked


def _has_several(column: ColumnSeen) -> bool:
    return column.kind is ColumnKind.WORDS and column.distinct >= _FEWEST_SAME


def _may_be_stages(column: ColumnSeen) -> bool:
    """Whether a column of few numbers, which come back, may be one of stages beside another of words for them."""
    is_few = column.kind is ColumnKind.CODES and column.distinct >= _FEWEST_SAME
    return is_few and not are_blocks(column.cells) and not _is_measured(column)


def _are_numbers(column: ColumnSeen) -> bool:
    """Whether texts are numbers but for a few, such as "--" among heart rates."""
    numbers = sum(value.replace(".", "", 1).replace(",", "", 1).isdigit() for value in column.values)
    return column.kind is ColumnKind.WORDS and numbers >= _MOSTLY * len(column.values)


def _is_measured(column: ColumnSeen) -> bool:
    return column.kind is ColumnKind.CODES and any(len(value.lstrip("+-")) > 1 for value in column.values)


def _names(stage: ColumnSeen, made: Sequence[Setting]) -> tuple[str, ...]:
    """Return names that may say how long an epoch lasts: of the column of stages, and of the list of its rows."""
    return stage.name, str(values_of(made).get("records", ""))


def _count_settings(columns: Sequence[ColumnSeen], stage: ColumnSeen, names: Sequence[str]) -> list[Setting]:
    """Return the lines for rows without times: numbers of epochs, labels with lengths, labels alone."""
    for column in (c for c in columns if c.kind is ColumnKind.LENGTHS):
        lines = {"shape": Shape.INTERVALS, "duration": column.name, "begins": None}
        return [Setting(key, value, Why.UNITS_TOLD if value else Why.UNTOLD) for key, value in lines.items()]
    lengths = [c for c in columns if c.kind in (ColumnKind.NUMBERS, ColumnKind.CODES) and "" not in c.values]
    lengths.sort(key=lambda column: are_blocks(column.cells))
    if lengths and always_differs(stage) and (lengths[0].numbers > 0).all():
        units = _units(lengths[0])
        made = [Setting("shape", Shape.INTERVALS, Why.CHANGES), Setting("duration", lengths[0].name, Why.ONLY)]
        named = told_unit(lengths[0].name)
        unit = next((u for u in units if named is not None and DURATION_UNITS.get(u) == named), None)
        if unit is not None:
            made.append(Setting("duration_unit", unit, Why.NAME_TELLS))
        elif len(units) == 1 and named is None:
            made.append(Setting("duration_unit", units[0], Why.USUAL))
        else:
            made.append(Setting("duration_unit", None, Why.UNTOLD, tuple(map(Choice, units))))
        length = usual_length(round(float(lengths[0].numbers.sum())))
        begins = Setting("begins", None, Why.UNTOLD)
        return [*made, *([length] if unit is None and "epochs" in units else []), begins]
    if nearly_always_differs(stage):
        return []  # rows of different lengths, which nothing tells: no rows to count
    if counts := [c for c in columns if c.kind is ColumnKind.COUNT]:
        first = int(counts[0].numbers[0])
        told = [Setting("first_epoch", first, Why.FOLLOWS)] if first > 1 else []
        lasting = counted_rows(stage.rows, told_unit(counts[0].name), (*names, counts[0].name))
        return [Setting("epoch_number", counts[0].name, Why.ONLY), *told, *lasting]
    falls = [np.count_nonzero(~(np.diff(c.numbers) > 0)) for c in columns if c.kind is ColumnKind.NUMBERS]
    if 0 in falls or (1 in falls and stage.rows > _FEWEST_CLOCKS):
        return []  # a clock of some kind that nobody can read
    return [Setting("shape", Shape.EPOCHS, Why.ONLY), *counted_rows(stage.rows, names=names)]


def _units(column: ColumnSeen) -> list[str]:
    """Return the units in which all lengths together may be a night."""
    total, whole = float(column.numbers.sum()), not (column.numbers % 1).any()
    seconds = {"min": 60.0, "s": 1.0, "ms": 0.001, "h": 3600.0} | ({"epochs": 30.0} if whole else {})
    return [u for u, s in seconds.items() if _NIGHT_S[0] <= total * s <= _NIGHT_S[1]] or list(seconds)
