"""Several recordings in one table: the rows asked for, those whose times begin again, and what tells them apart."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import EpochGridError, FileFormatError, InputError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.readers.columns import Columns, list_names
from sleepagree.readers.csv_table import TITLES
from sleepagree.readers.layout import Layout
from sleepagree.readers.rows import LabelledRows, Rows
from sleepagree.readers.table.table import Table, TableReading
from sleepagree.readers.times.clock import SECOND_US, Clock, Microseconds

# --- the rows of one person, or of one night ------------------------------------------------------------------


class _Of(NamedTuple):
    """Whose rows are chosen: key of a layout, which is the word for one, and other words."""

    key: str
    many: str
    about: str  # what rows are to it
    ask: str
    absent: str
    note: NoteKind


_PERSON: Final = _Of(
    *("person", "people", "about", "whose rows to read", "no row is about the person whose rows to read"),
    NoteKind.ROWS_OF_PERSON,
)
_NIGHT: Final = _Of(
    *("night", "nights", "of", "which night to read", "no row is of the night to read"), NoteKind.ROWS_OF_NIGHT
)


def rows_asked_for(table: Table, columns: Columns, layout: Layout) -> Table:
    """Return the rows of the person and of the night that a layout asks for; all where a table names neither.

    Raises
    ------
    FileFormatError
        When the layout names a person or a night, and no column of them.
    InputError
        When the column names several and none is asked for, or not the one that is.
    """
    table = _rows_of(_PERSON, table, columns.person, layout.person, layout)
    return _rows_of(_NIGHT, table, columns.night, layout.night, layout)


def _rows_of(of: _Of, table: Table, position: int | None, wanted: str | None, layout: Layout) -> Table:
    key = of.key
    if position is None:
        if wanted is None:
            return table
        problem = for_page("the layout names", "the answers name") + f" a {key} and no column of {of.many}"
        remedy = for_page(
            f'Name the column too: [file] {key}_column = "..."',
            f'Say at the head of the columns which is "{key}", too.',
        )
        where = for_page(f"[file], key '{key}' of {layout.name or 'the layout'}", asked(key))
        raise FileFormatError(problem, table.path, where, "", "both", remedy)
    names = table.cells(position)
    held = list(dict.fromkeys(names))
    if len(held) == 1 and (not wanted or wanted in held):
        return table
    line, answer = f"{key} = {toml_text(held[0])}", f"Answer {asked(key)}."
    if wanted is None:
        problem, expected = f"the rows are {of.about} {len(held)} {of.many}", f"one {key}"
        remedy = for_page(f"Say {of.ask} in a layout ({Option.LAYOUT:FILE.toml}) with\n    [file]\n    {line}", answer)
    elif not wanted:
        problem, expected = f"it is not told {of.ask}", f"one {key} of {len(held)}"
        remedy = for_page(f"Fill in '{key}' in the layout, for instance\n    [file]\n    {line}", answer)
    elif wanted not in held:
        problem, expected = of.absent, f"rows of '{shorten(wanted)}'"
        from_table = ", or the participant in the nights table" if of is _PERSON else ""
        remedy = for_page(f"Correct '{key}' in the layout{from_table}.", f"Correct {asked(key)}.")
    else:
        rows = np.flatnonzero([name == wanted for name in names])
        note = Note.of(of.note, rows=int(rows.size), of=len(names), column=OwnWord(table.names[position]))
        return table.taking(rows)._replace(notes=(*table.notes, note))
    where = f"column '{shorten(table.names[position])}'"
    raise InputError(problem, table.path, where, list_names(held), expected, remedy)


# --- rows whose times begin again, and the columns that tell recordings apart ---------------------------------

_MOST_RECORDINGS: Final = 200
_MOST_COLUMNS: Final = 12
#: Two hours in epochs of 30 s: no cycle of sleep lasts as long.
_FEWEST_COUNTED: Final = 240
#: Rows of one recording do not stand closer together than this part of their usual step.
_CLOSE: Final = 0.9
#: A number or a date, a title with a year in it, or a word for night and its number.
_NUMBER: Final = re.compile(
    r"\d+(?:[-./ :T]+\d+)*|.*\b(?:19|20)\d\d\b.*|(?:nights?|nacht|nuit|noche|notte|noite|natt)[ _-]*\d+",
    re.ASCII | re.IGNORECASE,
)
_PROBLEM: Final = "the times start again, so the file holds more than one recording"


def are_blocks(cells: Sequence[str]) -> bool:
    """Whether no value comes back once it has gone."""
    return 1 + sum(a != b for a, b in pairwise(cells)) == len(set(cells))


def tells_recordings(name: str, cells: Sequence[str]) -> bool:
    """Whether a column parts counted rows: each of its values stands in one block longer than a part of a night.

    Titles part them in any case.

    Examples
    --------
    >>> tells_recordings("n", ["1"] * 300 + ["2"] * 300), tells_recordings("n", ["1"] * 180 + ["2"] * 180)
    (True, False)
    """
    counts = Counter(cells)
    is_long = are_blocks(cells) and min(counts.values()) >= _FEWEST_COUNTED
    return len(counts) > 1 and (name == TITLES or is_long)


def refuse_counted_recordings(reading: TableReading) -> None:
    """Refuse rows that are counted as one recording beside a column that numbers or names several.

    Raises
    ------
    EpochGridError
        When one does.
    """
    table = reading.table
    for position in sorted(table.columns.keys() - reading.columns.used):
        cells = table.cells(position)
        if not tells_recordings(table.names[position], cells):
            continue
        (key,) = choosing_keys([list(dict.fromkeys(cells))])
        row = next(row for row in range(1, len(cells)) if cells[row] != cells[row - 1])
        name = shorten(table.names[position])
        problem = "another recording seems to begin where this column changes, and no row tells a time"
        found = f"'{shorten(cells[row])}' after {row} rows of '{shorten(cells[row - 1])}'"
        column, value = toml_text(table.names[position]), toml_text(cells[0])
        remedy = for_page(
            f"Say which to read in a layout, with\n    [file]\n    {key}_column = {column}\n    {key} = {value}",
            f'Say at the head of the column that it is "{key}", and {asked(key)}',
        )
        remedy += "; if it is something else, take the column out of a copy."
        where = f"{reading.places.at(row)}, column '{name}'"
        raise EpochGridError(problem, reading.path, where, found, "one recording", remedy)


def choosing_keys(columns: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return what a layout may call the recordings that columns tell apart: numbers and dates are those of nights."""
    numbered = [all(_NUMBER.fullmatch(text) for text in cells) for cells in columns]
    if len(columns) == 1:
        return ("night",) if numbered[0] else ("person",)
    return ("night", "person") if numbered[0] and not numbered[1] else ("person", "night")


def telling_columns(columns: Mapping[int, Sequence[str]], times: NDArray[Any], *, fewest: int = 2) -> tuple[int, ...]:
    """Return the positions of the column, or of the two, within each value of which times follow each other.

    Parameters
    ----------
    columns : mapping
        Position of a column -> its cells.
    times : array
        When rows begin.
    fewest : int
        Rows of a recording.

    Returns
    -------
    tuple of int
        Empty where no column tells, or all times follow each other without one.
    """
    if _follow(times, np.zeros(times.size, np.intp)):
        return ()
    most = min(_MOST_RECORDINGS, times.size // fewest)
    numbered = {i: np.unique(np.array(cells), return_inverse=True)[1] for i, cells in columns.items()}
    able = {i: ids for i, ids in numbered.items() if 1 <= ids.max(initial=0) < most}
    for position, ids in able.items():
        if _tells(ids, times, fewest):
            return (position,)
    for first, second in combinations(list(able)[:_MOST_COLUMNS], 2):
        ids = np.unique(able[first] * _MOST_RECORDINGS + able[second], return_inverse=True)[1]
        if _tells(ids, times, fewest):
            return first, second
    return ()


def _tells(ids: Rows, times: NDArray[Any], fewest: int) -> bool:
    """Whether rows of one number follow each other, and those of several stand in each other's time."""
    counts = np.bincount(ids)
    if counts.min() < fewest or not _follow(times, ids):
        return False
    order = np.lexsort((times, ids))
    own = np.diff(times[order])[ids[order][1:] == ids[order][:-1]]
    together = np.argsort(times, kind="stable")
    among = (np.diff(times[together]) < _CLOSE * np.median(own)) & (ids[together][1:] != ids[together][:-1])
    blocks = 1 + np.count_nonzero(ids[1:] != ids[:-1])
    return bool(among.sum() >= (1 if blocks == counts.size else np.sort(counts)[-2] // 2))


def _follow(times: NDArray[Any], ids: Rows) -> bool:
    """Whether the times of each number rise from row to row, or fall in all of them."""
    order = np.argsort(ids, kind="stable")
    steps = np.diff(times[order])[ids[order][1:] == ids[order][:-1]]
    return bool((steps > 0).all() or (steps < 0).all())


def refuse_several_recordings(reading: TableReading, rows: LabelledRows) -> None:
    """Refuse rows that begin again while others last, whatever is to win where rows overlap.

    Layers of one recording (short wakes over long stages) stand apart from each other, and rows that correct others do
    not begin where the recording does.

    Raises
    ------
    EpochGridError
        When a column tells recordings apart, or rows that count from a start do so from there again.
    """
    if not _overlap(rows.onset_us, rows.end_us):
        return
    table, taken = reading.table, rows.file_row.tolist()
    held = {}
    for position in table.columns.keys() - reading.columns.used:
        cells = table.cells(position)
        held[position] = [cells[row] for row in taken]
    told = telling_columns(dict(sorted(held.items())), rows.onset_us)
    recordings = list(zip(*(held[position] for position in told), strict=True))
    if told and _run_on(rows, np.unique(np.array(recordings), axis=0, return_inverse=True)[1].reshape(-1)):
        raise _apart_by(reading, rows, told, recordings)
    if rows.clock.kind is Clock.ELAPSED and (again := _beginning_again(rows)):
        remedy = "Write each recording into a file of its own, or add a column that numbers them and choose by it: "
        remedy += for_page('[file] night_column = "..." and night.', f"{asked('night')}.")
        found = _after(rows, again)
        raise EpochGridError(_PROBLEM, reading.path, rows.at(again), found, "one recording a file", remedy)


def _overlap(onset_us: Microseconds, end_us: Microseconds) -> bool:
    if not (onset_us[1:] < end_us[:-1]).any():
        return False
    order = np.lexsort((end_us, onset_us))
    return bool(np.any(onset_us[order][1:] < end_us[order][:-1]))


def _run_on(rows: LabelledRows, ids: Rows) -> bool:
    """Whether most rows of each number begin where another one of it ends."""
    order = np.lexsort((rows.onset_us, ids))
    same = ids[order][1:] == ids[order][:-1]
    is_next = np.abs(rows.onset_us[order][1:] - rows.end_us[order][:-1]) <= SECOND_US
    return bool((2 * np.bincount(ids[order][1:], same & is_next) >= np.bincount(ids[order][1:], same)).all())


def _beginning_again(rows: LabelledRows) -> int:
    """Return the first row from which on another recording is counted; 0 where none is, or it is the same once more."""
    once = np.unique(np.stack((rows.onset_us, rows.end_us, rows.codes)), axis=1)
    if not _overlap(once[0], once[1]):
        return 0
    first = np.unique(rows.onset_us, return_index=True)[1]
    if 3 * first.size <= 2 * rows.onset_us.size:  # every other time at least is told twice
        return int(np.setdiff1d(np.arange(rows.onset_us.size), first)[0])
    falls = np.flatnonzero(rows.onset_us[1:] < rows.onset_us[:-1]) + 1
    if not falls.size or falls.size > rows.onset_us.size // 2:
        return 0
    middle = (int(rows.onset_us.min()) + int(rows.onset_us.max())) // 2
    early = falls[rows.onset_us[falls] < middle]
    ids = np.searchsorted(falls, np.arange(rows.onset_us.size), side="right")
    return int(early[0]) if early.size and _run_on(rows, ids) else 0


def _after(rows: LabelledRows, row: int) -> str:
    now, before = (rows.clock.show(int(rows.onset_us[i])) for i in (row, row - 1))
    return f"{now} after {before}"


def _apart_by(
    reading: TableReading, rows: LabelledRows, told: tuple[int, ...], recordings: Sequence[tuple[str, ...]]
) -> EpochGridError:
    """Return the error that names the columns to choose by."""
    row = next(
        i
        for i in range(1, len(recordings))
        if recordings[i] != recordings[i - 1] and rows.onset_us[i] < rows.end_us[i - 1]
    )
    now, before = (", ".join(f"'{shorten(text)}'" for text in recordings[i]) for i in (row, row - 1))
    names = [reading.table.names[position] for position in told]
    where = f"{rows.at(row)}, " + " and ".join(f"column '{shorten(name)}'" for name in names)
    keys = choosing_keys([[recording[i] for recording in recordings] for i in range(len(told))])
    pairs = list(zip(keys, names, strict=True))
    in_layout = ", ".join(f"{key}_column = {toml_text(name)} and {key}" for key, name in pairs)
    on_page = ", ".join(f"that '{shorten(name)}' is \"{key}\", and {asked(key)}" for key, name in pairs)
    remedy = f"Say which to read: {for_page(f'[file] {in_layout}', f'at the head of the columns {on_page}')}."
    problem = _PROBLEM.replace("again,", "again where another column changes,")
    found = f"{now} after {before}, and {_after(rows, row)}"
    return EpochGridError(problem, reading.path, where, found, "one recording", remedy)
