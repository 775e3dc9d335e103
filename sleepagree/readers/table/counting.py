"""Rows that tell no times: numbers of epochs, labels one after the other, labels with how long each lasts."""

from __future__ import annotations

import numpy as np

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import EpochGridError, FileFormatError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.readers.layout import Shape, for_layout
from sleepagree.readers.table.table import TableReading
from sleepagree.readers.table.unused import looks_like_times
from sleepagree.readers.times.clock import SECOND_US, Clock, Microseconds, Times
from sleepagree.readers.times.numbers import read_durations, read_numbers

_LONGEST_COUNT = 10_000_000


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
