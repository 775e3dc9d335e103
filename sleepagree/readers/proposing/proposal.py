"""A layout proposed for a file: columns by what they hold, and what only a person can know left blank.

Guesses are made in one order, the same every time (docs/inspect.md): where the table stands, whose rows, when they
begin, what they say, how long they last. What is proposed is then read, and shown as it would be read.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import starmap
from pathlib import Path
from typing import Any, Final

from sleepagree.errors import FileFormatError, SleepAgreeError, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.hypnogram.zones import has_place
from sleepagree.mapping.words import fold_label, fold_table
from sleepagree.readers.any_file import kind_of_file, opened, whole_table
from sleepagree.readers.csv_table import MOST_BELOW, told_delimiter
from sleepagree.readers.encodings import likely_encodings
from sleepagree.readers.inspection import FileInspection, inspect_file, name_of
from sleepagree.readers.layout import AFTER_TIMES, COLUMNS, NO_LAYOUT, WIDE_SPACES, Layout, Marks, Shape, told_values
from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen
from sleepagree.readers.proposing.column_roles import Found
from sleepagree.readers.proposing.epoch_lengths import counted_rows
from sleepagree.readers.proposing.json_proposal import LEGENDS_ARE_SHORTER, json_readings
from sleepagree.readers.proposing.layout_proposal import Choice, LabelMeaning, LayoutProposal, Setting, Why, values_of
from sleepagree.readers.proposing.placed_roles import (
    begun,
    footed_roles,
    is_heading,
    iso_moments,
    of_lines,
    placed_layout,
    placed_table,
    roles_of,
    spans_told,
    taken_apart,
    with_beside,
)
from sleepagree.readers.proposing.sheet_proposal import one_of_sheets
from sleepagree.readers.proposing.stage_roles import called, meanings_of
from sleepagree.readers.proposing.table_place import (
    are_characters,
    dates_in,
    decoded,
    find_block,
    find_code_lines,
    has_header,
    legends_of_lines,
    lines_above,
    text_of_foot,
)
from sleepagree.readers.table.excel import sheet_names, sheets_kept
from sleepagree.readers.times.clock import Clock, naive_datetime
from sleepagree.readers.times.nights import runs_backwards
from sleepagree.readers.times.words import with_plain_digits

_MOST_ROWS_ABOVE: Final = 20
_MOST_DATES: Final = 12
#: Rows of other sheets that may explain codes.
_MOST_LEGENDS: Final = 200
_LONGEST_LEGEND: Final = 20
#: Lines of one cell above labels of one cell that tell something of all of them.
_MOST_HEADINGS: Final = 10
#: Labels or names of columns that show how a file reads in an encoding.
_SAMPLES: Final = 3
_TELLING: Final = 3
_ZONE: Final = Setting("zone", None, Why.UNTOLD)
_OVERLAPS: Final = Setting("overlaps", "later-wins", Why.OFFERED, (Choice("shorter-wins"),))
#: What an inspection calls a column -> its key in a layout, where they differ.
_KEY_OF: Final = {"person": "person_column", "night": "night_column", "zone": "zone_column"}


def propose_layout(
    path: str | Path, *, layout: Layout | None = None, near: datetime | None = None
) -> LayoutProposal | None:
    """Propose a layout for a table in any shape.

    Parameters
    ----------
    path : path-like
        A text table, spreadsheet, Parquet table or JSON file.
    layout : Layout, optional
        What is known already: kept, and completed.
    near : datetime, optional
        When the night is: of several in a file the nearest is proposed, in JSON else the latest.

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
    given = replace(given, person=given.person or None, night=given.night or None)
    if (known := _labels_alone(Path(path), given)) is not None:
        return known
    try:
        with sheets_kept():
            found = one_of_sheets(_without_legends(list(_readings(text, given, near))), near)
        readings = sorted(found, key=lambda reading: reading.score, reverse=True)
    except FileFormatError:
        return None
    proposals = (_proposal(text, found, given) for found in readings if found.is_whole)
    best = next(filter(_is_layout, proposals), None)
    return None if best is None else _as_read(text, best)


def _without_legends(found: Sequence[Found]) -> list[Found]:
    """Return readings of sheets without short ones that tell no times, where another of many rows tells some."""
    longest = max((one.rows for one in found if one.is_whole and "start" in one.told), default=0)
    enough = min(_LONGEST_LEGEND, longest // LEGENDS_ARE_SHORTER)
    return [one for one in found if "start" in one.told or "sheet" not in one.told or one.rows > enough]


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
        made.append(_OVERLAPS)
    kept = [setting for setting in made if setting.key not in told_values(given)]
    meanings = {meaning.label: meaning for meaning in meanings_of([label.label for label in seen.labels])}
    labels = [
        replace(meanings[label.label], rows=label.rows, is_counted=label.epochs is not None)
        if label.stage is None
        else LabelMeaning(label.label, label.rows, label.stage)
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


def _readings(path: str, given: Layout, near: datetime | None) -> Iterator[Found]:
    """Yield the ways in which a file can be taken apart, the likeliest first; what a layout says of it is kept."""
    with opened(path) as (held, name, _):
        kind = kind_of_file(name)
        data = read_bytes(held) if kind in ("table", "events", "json") else b""
    match kind:
        case "table" | "events":
            likely = () if given.encoding else likely_encodings(data)
            for text_found in _text_readings(path, data, next(iter(likely), given.encoding), given):
                yield _with_encodings(text_found, data, likely) if likely else text_found
        case "json":
            yield from json_readings(path, decoded(data), given, near)
        case "excel":
            yield from _sheet_readings(path, given)
        case "parquet":
            yield from filter(None, [roles_of(path, (), given)])


def _sheet_readings(path: str, given: Layout) -> Iterator[Found]:
    """Yield what stands on each sheet, or on the one of a layout, with its names in any of the first rows."""
    with opened(path) as (held, *_):
        sheets = () if given.sheet else sheet_names(held)
    for sheet in sheets if len(sheets) > 1 else ("",):
        for above in range(1 if given.skip_lines else _MOST_ROWS_ABOVE):
            values = {key: value for key, value in (("skip_lines", above), ("sheet", sheet)) if value}
            found = _roles_of_sheet(path, values, given)
            if found is None:
                continue
            yield _with_other_sheets(path, found, sheets)
            if found.is_whole:
                break  # further down, rows would be taken for names


def _roles_of_sheet(path: str, values: dict[str, Any], given: Layout) -> Found | None:
    """Return the same for a sheet, whose names stand in a row of their own: None where a column has none.

    Rows above the names may have as many cells as they.
    """
    table = placed_table(path, taken_apart(values), given)
    if table is not None and not given.skip_lines and given.header:
        rows = [list(row) for row in zip(*(table.cells(i) for i in sorted(table.columns)), strict=True)]
        rows = rows[:-MOST_BELOW] if len(rows) > 2 * MOST_BELOW else rows
        if above := lines_above([list(table.names), *rows]):
            values = values | {"skip_lines": int(str(table.places.numbers[above - 1])) - 1}
    found = footed_roles(path, taken_apart(values), given)
    if found is None or "" in found.told.values():
        return None
    return _hinted(found, _rows_above(path, placed_layout(given, values)), ())


def _rows_above(path: str, layout: Layout) -> list[str]:
    """Return the rows above a table on a sheet, as texts."""
    numbered = _rows_of_sheet(path, layout) if layout.skip_lines else []
    return [" ; ".join(cells) for number, cells in numbered if number <= layout.skip_lines]


def _rows_of_sheet(path: str, layout: Layout) -> list[tuple[int, tuple[str, ...]]]:
    """Return all rows of a sheet with their numbers."""
    table = whole_table(path, replace(layout, skip_lines=0, header=False))
    if table is None:
        return []
    rows = zip(*(table.cells(i) for i in table.columns), strict=True)
    return [(int(str(number)), row) for number, row in zip(table.places.numbers, rows, strict=True)]


def _with_other_sheets(path: str, found: Found, sheets: Sequence[str]) -> Found:
    """Return what was found on a sheet with what a legend on others calls labels, and with their dates.

    These stand beside the blank of the beginning, each with its night. Nothing else of those rows is shown.
    """
    here = found.told.get("sheet")
    nights = {o.value for s in found.settings if s.key == "night" for o in s.others}
    shown: list[str] = []
    beside = [s for s in sheets if s != here] if here is not None else []
    rows = [cells for sheet in beside for _, cells in _rows_of_sheet(path, Layout(sheet=sheet))]
    if not all(label.word for label in found.labels):
        lines = [" ; ".join(filter(None, cells)) for cells in rows[:_MOST_LEGENDS]]
        found = replace(found, labels=called(found.labels, legends_of_lines(lines)))
    if "begins" in found.told:
        for cells in rows:
            night = [f"{cell}:" for cell in cells if cell in nights][:1]
            if dates := [cell for cell in cells if dates_in([cell])]:
                shown.append(" ".join([*night, *dates]))
    made = (replace(s, shown=(*s.shown, *shown)[:_MOST_DATES]) if s.key == "begins" else s for s in found.settings)
    return replace(found, settings=tuple(made)) if shown else found


def _text_readings(path: str, data: bytes, encoding: str | None, given: Layout) -> Iterator[Found]:
    """Yield a text taken apart at a delimiter, and where no column tells times then behind times and at wide spaces."""
    settings = [] if encoding is None else [Setting("encoding", encoding, Why.TAKEN_APART)]
    text = data.decode(encoding or ("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"), "replace")
    text, _ = with_plain_digits(text)
    lines = text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    told = told_delimiter(text)
    mark = told.mark if told else given.delimiter
    found = _text_reading(path, lines, mark, settings, given, is_told=told is not None)
    if found is not None:
        yield found
    told_so_far = found.told if found is not None else {}
    if mark is None and ("start" not in told_so_far or told_so_far.get("delimiter") == AFTER_TIMES):
        ways = (_text_reading(path, lines, way, settings, given) for way in (AFTER_TIMES, WIDE_SPACES))
        yield from filter(None, ways)


def _text_reading(
    path: str, lines: Sequence[str], told: str | None, known: Sequence[Setting], given: Layout, *, is_told: bool = False
) -> Found | None:
    settings = list(known)
    block = find_block(lines, told, given.skip_lines)
    if not block.rows:
        return None
    if block.mark is None:
        block = find_code_lines(lines, given.skip_lines) or block
    mark, skip, rows, below = block
    alike = rows[:-MOST_BELOW] if len(rows) > 2 * MOST_BELOW else rows  # lines below a table may have as many cells
    above = lines_above(alike) if given.skip_lines == 0 else 0
    skip, rows = skip + above, rows[above:]
    if mark is None and not given.skip_lines:
        skip, rows = _below_headings(lines, skip, rows)
    header = given.header and has_header(rows)
    if skip > int(is_told):
        settings.append(Setting("skip_lines", skip, Why.ABOVE))
    if mark is not None and not is_told:
        settings.append(Setting("delimiter", mark, Why.TAKEN_APART))
    if not header:
        settings.append(Setting("header", False, Why.NO_NAMES))  # noqa: FBT003 - a value of a layout
    if below and given.foot is None:
        parting = "\t" if mark == WIDE_SPACES else mark
        cells = below[:1] if parting in (None, AFTER_TIMES) else next(csv.reader(below[:1], delimiter=parting))
        settings.append(Setting("foot", text_of_foot(cells), Why.BELOW))
    if not header and mark is None and are_characters([row[0] for row in rows]):
        return _hinted(_characters([row[0].strip() for row in rows], settings), lines[:skip], below)
    found = footed_roles(path, settings, given)
    return None if found is None else _hinted(found, lines[:skip], below or _lines_of_foot(lines, found))


def _below_headings(lines: Sequence[str], skip: int, rows: list[list[str]]) -> tuple[int, list[list[str]]]:
    """Return lines of one cell without those at their head that tell something of all rows, and how many to skip."""
    telling = [i for i, row in enumerate(rows[:_MOST_HEADINGS]) if is_heading(row[0])]
    if not telling or len(telling) == _MOST_HEADINGS:
        return skip, rows
    last = rows[telling[-1]][0].strip()
    return next(i for i, line in enumerate(lines) if line.strip() == last) + 1, rows[telling[-1] + 1 :]


def _lines_of_foot(lines: Sequence[str], found: Found) -> list[str]:
    """Return the lines below a table that fall into as many cells as its rows."""
    foot = found.told.get("foot")
    first = next((i for i, line in enumerate(lines) if foot and line.lstrip("\"' ").startswith(foot)), len(lines))
    return [line for line in lines[first:] if line.strip()]


def _hinted(found: Found, above: Sequence[str], below: Sequence[str]) -> Found:
    """Return what was found with what a legend beside the rows calls labels, and dates where a beginning is asked for.

    A legend is asked only where a label says nothing by itself.
    """
    lines = [*above, *below]
    beside = of_lines(lines)
    settings = tuple(
        Setting("begins", first.value, Why.ANCHOR, shown=(first.name,))
        if s.key == "begins" and s.value is None and (first := begun(beside)) is not None
        else s
        for s in with_beside(found.settings, beside, dates_in(lines), spans_told(found, iso_moments(beside)))
    )
    if all(label.word for label in found.labels):
        return replace(found, settings=settings)
    return replace(found, settings=settings, labels=called(found.labels, legends_of_lines(lines)))


def _with_encodings(found: Found, data: bytes, likely: Sequence[str]) -> Found:
    """Return what was found with all encodings that bytes may be in, and how some text of the file reads in each."""
    first, *others = likely
    texts = [*(m.called for m in found.labels), *(m.label for m in found.labels), *(c.name for c in found.columns)]
    odd = sorted({t: None for t in texts if not t.isascii()}, key=lambda text: len(text.encode(first)) < _TELLING)
    lines = [line.strip() for line in data.decode(first).splitlines() if not line.isascii()]
    held = ", ".join(odd[:_SAMPLES]) or lines[0]
    read = {encoding: shorten(held.encode(first).decode(encoding, "replace")) for encoding in others}
    choices = tuple(Choice(encoding, f"where it reads '{text}'") for encoding, text in read.items())
    made = Setting("encoding", first, Why.LIKELIEST, choices, shown=(f"'{shorten(held)}'",))
    return replace(found, settings=tuple(made if s.key == "encoding" else s for s in found.settings))


def _characters(lines: Sequence[str], settings: list[Setting]) -> Found:
    codes = "".join(lines)
    column = ColumnSeen("1", ColumnKind.CHARACTERS, len(lines), len(set(lines)))
    made = [*settings, Setting("shape", Shape.RUNS, Why.ONLY), Setting("stage", "1", Why.ONLY)]
    return Found((column,), (*made, *counted_rows(len(codes))), meanings_of(list(codes)))


# --- as it would be read ----------------------------------------------------------------------------------


def _proposal(path: str, found: Found, given: Layout) -> LayoutProposal:
    """Return what was found with what a layout says before it."""
    told = told_values(given)
    columns = {told[key] for key in COLUMNS if key in told}
    if "start" in told and found.told.get("end") == told["start"]:
        columns.discard(told["start"])  # its cells hold both
    kept = [s for s in found.settings if s.key not in told and not (s.key in COLUMNS and s.value in columns)]
    labels = _beside_given(found.labels, given)
    return LayoutProposal(name_of(Path(path)), found.columns, (*_given_settings(given), *kept), labels)


def _is_layout(proposal: LayoutProposal) -> bool:
    """Whether lines can stand in one layout: one that is refused is of no help to anybody."""
    try:
        proposal.layout()
    except FileFormatError:
        return False
    return True


def _as_read(path: str, proposal: LayoutProposal) -> LayoutProposal:
    """Return the proposal with the file as it would be read: the first choice stands for every blank."""
    answers = {s.key: s.others[0].value for s in proposal.blanks if s.others}
    if "begins" in values_of(proposal.blanks) and (begins := _some_beginning(proposal)):
        answers["begins"] = begins
    try:
        seen = inspect_file(Path(path), layout=proposal.layout(answers))
    except SleepAgreeError as error:
        return replace(proposal, problem=error)
    # labels without a meaning that stand in one row each, beside others, may be marks of the lights
    may_be_marks = seen.overlaps and seen.unknown and any(label.rows == 1 for label in proposal.blank_labels)
    offered = [_OVERLAPS] * bool(may_be_marks) + [_ZONE] * _lacks_place(proposal, seen)
    settings = (*proposal.settings, *offered)
    return replace(proposal, settings=settings, seen=replace(seen, assumed=tuple(answers.items())))


def _lacks_place(proposal: LayoutProposal, seen: FileInspection) -> bool:
    """Whether times are moments and no zone says where: the other side may have the clock of the place."""
    is_told = not {"zone", "zone_column"}.isdisjoint(values_of(proposal.settings))
    return not is_told and seen.start is not None and seen.start.tzinfo is not None and not has_place(seen.start)


def _some_beginning(proposal: LayoutProposal) -> str:
    """Return a moment from which times can be counted, "" where none is needed.

    That is noon for times of day, on a 12-hour clock the first of them, and a minute before the first of ends alone.
    """
    told = values_of(proposal.told)
    if "date" in told:
        return ""
    by_ends = told.get("marks") == Marks.END and told.get("shape") == Shape.INTERVALS
    for reading in (c.readings[0] for c in proposal.columns if c.readings):
        clock, us = reading.times.clock, reading.times.us
        is_half = clock is Clock.DAY and reading.has_half_days
        if by_ends or is_half:
            first = naive_datetime(int(us[-1 if runs_backwards(us) else 0])) - by_ends * timedelta(minutes=1)
            first = first.replace(year=2000) if clock is Clock.DAY else first
            return first.isoformat() + "+00:00" * (clock is Clock.UTC)
    return "2000-01-01T12:00:00" * any(c.kind is ColumnKind.TIMES_OF_DAY for c in proposal.columns)
