"""A layout proposed for a file: columns by what they hold, and what only a person can know left blank.

Guesses are made in one order, the same every time (docs/inspect.md): where the table stands, whose rows, when they
begin, what they say, how long they last. What is proposed is then read, and shown as it would be read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product, starmap
from pathlib import Path
from typing import Any, Final

import numpy as np

from sleepagree.errors import FileFormatError, SleepAgreeError
from sleepagree.files.reading import read_bytes
from sleepagree.mapping.languages import propose_meanings
from sleepagree.mapping.words import fold_label, fold_table, recognise_label
from sleepagree.readers import kind_of_file, opened
from sleepagree.readers.column_kinds import ColumnSeen, Kind, TimeReading, may_be_times, read_every_way, see_column
from sleepagree.readers.columns import plain_columns, told_unit
from sleepagree.readers.csv_table import told_delimiter
from sleepagree.readers.inspection import FileInspection, inspect_file, name_of
from sleepagree.readers.json.records import ANY, KEY
from sleepagree.readers.layout import COLUMNS, NO_LAYOUT, Layout, Shape, TimeForm, layout_of, told_values
from sleepagree.readers.layout_proposal import Choice, LabelMeaning, LayoutProposal, Setting, Why
from sleepagree.readers.table.code_runs import codes_of_text
from sleepagree.readers.table.excel import sheet_names
from sleepagree.readers.table.table import Table
from sleepagree.readers.table_place import (
    are_characters,
    are_runs,
    encodings_of,
    find_block,
    has_header,
    lines_above,
    record_paths,
)
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Column, Microseconds, Times, naive_datetime
from sleepagree.readers.times.reading import read_times
from sleepagree.readers.whole_table import whole_table

_MOST_ABOVE: Final = 10
_MOST_PEOPLE: Final = 200
#: From half an hour to twenty hours: what a night may last when nothing but a sum of numbers tells it.
_NIGHT_S: Final = (1_800.0, 72_000.0)
_EPOCH_LENGTHS: Final = (30.0, 20.0, 60.0)
_MOST_ALIKE: Final = 20
_FEWEST_ROWS: Final = 3
#: Lines of a layout that say where a table stands.
_PLACE: Final = ("delimiter", "encoding", "skip_lines", "header", "records", "sheet")
_OF_TIMES: Final = ("start", "date")
_BESIDE_TIMES: Final = (Kind.DATES, Kind.HALVES, Kind.ZONES)
_FEWEST_CHANGES: Final = 5
_SAME_STEP: Final = 1e-3
#: What an inspection calls a column -> its key in a layout, where they differ.
_KEY_OF: Final = {"person": "person_column", "zone": "zone_column"}


def propose_layout(path: str | Path, *, layout: Layout | None = None) -> LayoutProposal | None:
    """Propose a layout for a table in any shape.

    Parameters
    ----------
    path : path-like
        A text table, spreadsheet, Parquet table or JSON file.
    layout : Layout, optional
        What is known already: kept, and completed.

    Returns
    -------
    LayoutProposal or None
        None where nothing can be proposed: the file is no table, or holds no column that could be of stages.

    Raises
    ------
    InputError
        When the file cannot be opened.
    """
    text, given = str(path), layout or NO_LAYOUT
    if (known := _labels_alone(Path(path), given)) is not None:
        return known
    try:
        found = max(_readings(text, given), key=lambda reading: reading.score, default=None)
    except FileFormatError:
        return None
    if found is None or not found.is_whole:
        return None
    return _as_read(text, found, given)


def _labels_alone(path: Path, given: Layout) -> LayoutProposal | None:
    """Return the proposal for a file that lacks nothing but meanings of labels: no line about its columns."""
    try:
        seen = inspect_file(path, layout=given)
    except SleepAgreeError:
        return None
    is_all = seen.unknown and seen.spans and len(seen.problems) == 1
    return layout_as_seen(seen, given) if is_all else None


def layout_as_seen(seen: FileInspection, given: Layout = NO_LAYOUT) -> LayoutProposal:
    """Return the layout that a file needs as it was seen: what is given, what is known without it, and blanks.

    Parameters
    ----------
    seen : FileInspection
        The file.
    given : Layout
        The layout it was read with.
    """
    told = _given_settings(given)
    known: dict[str, Any] = {_KEY_OF.get(role, role): name for role, name in seen.columns}
    if seen.epoch_seconds is not None:
        known["epoch_seconds"] = seen.epoch_seconds
    made = [Setting(key, value, Why.KNOWN) for key, value in known.items()]
    if seen.header:
        made += [Setting(key, None, Why.UNTOLD, tuple(starmap(Choice, seen.header))) for key in ("start", "stage")]
    if seen.time_forms:
        made.append(Setting("time", None, Why.TWO_FORMS, tuple(starmap(Choice, seen.time_forms))))
    if seen.overlaps:
        made.append(Setting("overlaps", "later-wins", Why.OFFERED, (Choice("shorter-wins"),)))
    kept = [setting for setting in made if setting.key not in {s.key for s in told}]
    meanings = {meaning.label: meaning for meaning in _meanings([label.label for label in seen.labels])}
    labels = [
        replace(meanings[label.label], rows=label.epochs or 0)
        if label.stage is None
        else LabelMeaning(label.label, label.epochs or 0, label.stage)
        for label in seen.labels
    ]
    return LayoutProposal(seen.file, (), (*told, *kept), _beside_given(labels, given), seen)


def layout_as_given(given: Layout) -> LayoutProposal:
    """Return what a layout says, whatever the file."""
    return LayoutProposal("", (), _given_settings(given), _beside_given((), given))


def _given_settings(given: Layout) -> tuple[Setting, ...]:
    return tuple(Setting(key, value, Why.GIVEN) for key, value in told_values(given).items())


def _beside_given(labels: Sequence[LabelMeaning], given: Layout) -> tuple[LabelMeaning, ...]:
    """Return meanings of labels of which those that a layout says go first, also of labels that are not in the file."""
    known, held = fold_table(given.stages), {fold_label(m.label) for m in labels}
    told = [
        replace(m, word=known[fold_label(m.label)], languages=(), is_given=True) if fold_label(m.label) in known else m
        for m in labels
    ]
    absent = [(label, word) for label, word in given.stages.items() if fold_label(label) not in held]
    return (*told, *(LabelMeaning(label, 0, word, is_given=True) for label, word in absent))


# --- where the table stands -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Found:
    """One way to take a file apart, and what its columns are taken for."""

    columns: tuple[ColumnSeen, ...]
    settings: tuple[Setting, ...]
    labels: tuple[LabelMeaning, ...]

    @property
    def is_whole(self) -> bool:
        return bool(self.labels)

    @property
    def score(self) -> tuple[bool, bool, float, int]:
        """Better with stages, with times, with words that are known, with more rows."""
        keys = {setting.key for setting in self.settings}
        known = sum(label.rows for label in self.labels if label.word)
        rows = sum(label.rows for label in self.labels)
        return self.is_whole, "start" in keys, known / rows if rows else 0.0, rows


def _readings(path: str, given: Layout) -> Iterator[_Found]:
    """Yield the ways in which a file can be taken apart, the likeliest first; what a layout says of it is kept."""
    with opened(path) as (held, name):
        kind = kind_of_file(name)
        data = read_bytes(held) if kind in ("table", "events", "json") else b""
    match kind:
        case "table" | "events":
            for encoding in [given.encoding] if given.encoding else encodings_of(data):
                yield from _text_readings(path, data, encoding, given)
            return
        case "json":
            paths = [] if given.records else record_paths(data)
            where: list[dict[str, Any]] = [{}, *({"records": records} for records in paths)]
        case "excel":
            above = [{"skip_lines": n} if n else {} for n in range(1 if given.skip_lines else _MOST_ABOVE)]
            with opened(path) as (held, _):
                sheets = () if given.sheet else sheet_names(held)
            where = [at | {"sheet": sheet} for sheet in sheets for at in above] if len(sheets) > 1 else above
        case "parquet":
            where = [{}]
        case _:
            return
    taken: set[str | None] = set()
    for values in where:
        if (sheet := values.get("sheet")) in taken:
            continue  # further down, rows would be taken for names
        try:
            table = whole_table(path, _placed(given, values))
        except SleepAgreeError:
            continue
        if table is not None:
            found = _roles(table, [Setting(key, value, Why.TAKEN_APART) for key, value in values.items()], given)
            if kind == "json" and len(table.places.numbers) < _FEWEST_ROWS:
                continue
            yield found
            if kind == "excel" and found.is_whole:
                taken.add(sheet)


def _placed(given: Layout, values: dict[str, Any]) -> Layout:
    """Return the layout that tells where a table stands: as found, or as given."""
    told = {key: value for key, value in told_values(given).items() if key in _PLACE}
    return layout_of(values | told, {})


def _text_readings(path: str, data: bytes, encoding: str | None, given: Layout) -> Iterator[_Found]:
    settings = [] if encoding is None else [Setting("encoding", encoding, Why.TAKEN_APART)]
    text = data.decode(encoding or ("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"), "replace")
    lines = text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    told = told_delimiter(text)
    mark, skip, rows = find_block(lines, told.mark if told else given.delimiter, given.skip_lines)
    if not rows:
        return
    above = lines_above(rows) if given.skip_lines == 0 else 0
    skip, rows = skip + above, rows[above:]
    header = given.header and has_header(rows)
    first = int(told is not None)
    if skip > first:
        settings.append(Setting("skip_lines", skip, Why.ABOVE))
    if mark is not None and told is None:
        settings.append(Setting("delimiter", mark, Why.TAKEN_APART))
    if not header:
        settings.append(Setting("header", False, Why.NO_NAMES))  # noqa: FBT003 - a value of a layout
    if not header and mark is None and are_characters([row[0] for row in rows]):
        yield _characters([row[0].strip() for row in rows], settings)
        return
    values = {setting.key: setting.value for setting in settings}
    try:
        table = whole_table(path, _placed(given, values))
    except SleepAgreeError:
        return
    if table is not None:
        yield _roles(table, settings, given)


def _characters(lines: Sequence[str], settings: list[Setting]) -> _Found:
    codes = "".join(lines)
    column = ColumnSeen("1", Kind.CHARACTERS, len(lines), len(set(lines)))
    made = [*settings, Setting("shape", "runs", Why.ONLY), Setting("stage", "1", Why.ONLY)]
    return _Found((column,), (*made, *_counted()), _meanings(list(codes)))


def _counted(seconds: float | None = None) -> tuple[Setting, ...]:
    """Return the lines for rows that tell no times, or only how long they last."""
    first, *others = _EPOCH_LENGTHS
    length = Setting("epoch_seconds", first, Why.USUAL, tuple(map(Choice, others)))
    if seconds is not None:
        length = Setting("epoch_seconds", round(seconds, 3), Why.FOLLOWS)
    return length, Setting("begins", None, Why.UNTOLD)


# --- what the columns are ---------------------------------------------------------------------------------


def _roles(table: Table, settings: list[Setting], given: Layout) -> _Found:
    """Return what the columns of a table are taken for; those that a layout names are taken for what it says."""
    columns = tuple(_see(table, i, given) for i in sorted(table.columns))
    named = {role: [table.names[i] for i in at] for role, at in plain_columns(table.names)}
    told = {column: key for key in COLUMNS if (column := getattr(given, key)) is not None}
    free = [column for column in columns if told.get(column.name, "stage") == "stage"]
    if run := next((c for c in free if are_runs(c.cells)), None):
        return _runs(columns, run, settings)
    stages = _stage_columns([c for c in free if c.name == given.stage] or free, named["stage"])
    if not stages or len(stages) > _MOST_ALIKE:  # a grid of hours and minutes has no column of stages
        return _Found(columns, tuple(settings), ())
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
        return _Found(columns, (*made, *_counted()), _meanings(stage.cells))
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
    return _Found(columns, tuple(made), _meanings(stage.cells))


def _runs(columns: tuple[ColumnSeen, ...], run: ColumnSeen, settings: Sequence[Setting]) -> _Found:
    """Return what columns are taken for beside one whose cells hold the codes of many epochs each."""
    codes = [codes_of_text(cell) for cell in run.cells]
    made = [*settings, Setting("shape", "runs", Why.ONLY), Setting("stage", run.name, Why.ONLY)]
    length, begins = _counted()
    labels = _meanings([code for part in codes for code in part])
    moments = [column for column in columns if column.kind is Kind.MOMENTS]
    if not moments:
        return _Found(columns, (*made, length, begins), labels)
    start, *others = moments
    readings = start.readings
    for end, reading in product(others, start.readings):
        until = next((other.times.us for other in end.readings if other.form == reading.form), reading.times.us)
        each = (until - reading.times.us) / np.array([SECOND_US * len(part) for part in codes])
        if 0 < each[0] * len(codes[0]) < _NIGHT_S[1] and np.ptp(each) == 0:
            length, _ = _counted(float(each[0]))
            made.append(Setting("end", end.name, Why.FOLLOWS))
            readings = (reading,)
            break
    made += [Setting("start", start.name, Why.ONLY), *_form(readings), *_zone_column(columns, readings[0])]
    return _Found(columns, (*made, length), labels)


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


def _meanings(cells: Sequence[str]) -> tuple[LabelMeaning, ...]:
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
        length, begins = _counted()
        return [*made, *([length] if "epochs" in units else []), begins]
    if _changes_always(stage):
        return []  # rows of different lengths, which nothing tells: no rows to count
    if counts := [c for c in columns if c.kind is Kind.COUNT]:
        first = int(counts[0].numbers[0])
        told = [Setting("first_epoch", first, Why.FOLLOWS)] if first > 1 else []
        return [Setting("epoch_number", counts[0].name, Why.ONLY), *told, *_counted(told_unit(counts[0].name))]
    for column in (c for c in columns if c.kind is Kind.NUMBERS and (np.diff(c.numbers) > 0).all()):
        steps = np.diff(column.numbers)
        fitting = [unit for unit in (1.0, 60.0, 3600.0) if _is_night(unit * float(np.ptp(column.numbers)))]
        if len(fitting) != 1 or np.ptp(steps) > _SAME_STEP * steps[0]:
            return []  # a clock of some kind that nobody can read
        return [Setting("shape", "epochs", Why.ONLY), *_counted(fitting[0] * float(steps[0]))]
    return [Setting("shape", "epochs", Why.ONLY), *_counted()]


def _is_night(seconds: float) -> bool:
    """Whether a night may last that long."""
    return _NIGHT_S[0] <= seconds <= _NIGHT_S[1]


def _units(column: ColumnSeen) -> list[str]:
    """Return the units in which all lengths together may be a night."""
    total, whole = float(column.numbers.sum()), not (column.numbers % 1).any()
    seconds = {"min": 60.0, "s": 1.0, "ms": 0.001} | ({"epochs": 30.0} if whole else {})
    return [u for u, s in seconds.items() if _is_night(total * s)] or list(seconds)


# --- as it would be read ----------------------------------------------------------------------------------


def _as_read(path: str, found: _Found, given: Layout) -> LayoutProposal:
    """Return the proposal with the file as it would be read: the first choice stands for every blank."""
    told = {setting.key: setting for setting in _given_settings(given)}
    columns = {told[key].value for key in COLUMNS if key in told}
    kept = [s for s in found.settings if s.key not in told and not (s.key in COLUMNS and s.value in columns)]
    proposal = LayoutProposal(
        name_of(Path(path)),
        found.columns,
        (*told.values(), *kept),
        _beside_given(found.labels, given),
    )
    answers = {s.key: s.others[0].value for s in proposal.blanks if s.others}
    if any(s.key == "begins" for s in proposal.blanks) and any(c.kind is Kind.TIMES_OF_DAY for c in found.columns):
        answers["begins"] = "2000-01-01T12:00:00"
    try:
        return replace(proposal, seen=inspect_file(Path(path), layout=proposal.layout(answers)))
    except SleepAgreeError as error:
        return replace(proposal, problem=error)
