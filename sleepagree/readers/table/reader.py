"""Read a table of epochs, of intervals or of codes, whose columns a layout names or whose names are plain ones."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import EpochGridError, FileFormatError, Option, for_page
from sleepagree.files.reading import read_bytes
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.mapping.words import UNSCORED
from sleepagree.readers.columns import find_columns, list_names, plain_columns
from sleepagree.readers.csv_table import WHOLE_LINES, parse_csv
from sleepagree.readers.layout import NO_LAYOUT, Layout, Marks, Shape, for_layout, one_zone, toml_value
from sleepagree.readers.rows import LabelledRows, Places, Rows, SourceFacts, make_spans
from sleepagree.readers.table.labels import Labels, lights_of, read_labels, staged_rows, with_form, without_foot
from sleepagree.readers.table.lengths import LONGEST_STEP_S, Extent, coarse_grid_caution, find_extent, marked_starts
from sleepagree.readers.table.recordings import refuse_counted_recordings, refuse_several_recordings, rows_asked_for
from sleepagree.readers.table.shapes import as_epochs, is_marked, marks_a_row, with_ends_apart, with_labels
from sleepagree.readers.table.table import Table, TableReading, origin_of
from sleepagree.readers.table.times import RowTimes, read_row_times, read_starts
from sleepagree.readers.table.unused import unused_lengths
from sleepagree.readers.times.clock import SECOND_US, Column, FileClock, Microseconds, Times, show_number
from sleepagree.readers.times.reading import read_numbers

_FEWEST_STAGES: Final = 3
_MOST_ROWS: Final = 0.5


def table_of_text(path: str, layout: Layout, reader: str = "table") -> Table:
    """Return the columns of a text table (CSV, TSV and the like) that ``reader`` reads."""
    data = read_bytes(path)
    delimiter = layout.delimiter
    if delimiter is None and reader == "events" and b"\t" in data.partition(b"\n")[0]:
        delimiter = "\t"
    bare_codes = layout.shape is Shape.RUNS and not layout.header and (layout.stage or "1") == "1" and not layout.start
    delimiter = delimiter or (WHOLE_LINES if bare_codes else None)
    parsed = parse_csv(data, path, layout if delimiter == layout.delimiter else replace(layout, delimiter=delimiter))
    return Table(
        parsed.names,
        dict(enumerate(map(list, zip(*parsed.rows, strict=True)))),
        Places(parsed.lines),
        origin_of(path, reader, data),
        path,
        parsed.notes,
        header_place=f"line {parsed.header_line}",
    )


def spans_of_table(
    table: Table, *, layout: Layout = NO_LAYOUT, zone: str | None = None, own_words: Iterable[str] = frozenset()
) -> ScoredSpans:
    """Return the scored spans of a table.

    Parameters
    ----------
    table : Table
        Of any origin.
    layout : Layout
        How to read it; what it leaves open is found by plain names, or sniffed.
    zone : str, optional
        IANA zone of times without one. It must not contradict the layout's.
    own_words : iterable of str
        Labels that a mapping file explains.

    Returns
    -------
    ScoredSpans
        With an aware start where the file tells offsets or Unix time, or a zone is given; a naive one with
        ``wall_clock`` where it tells local times only; None where it tells elapsed seconds and the layout does
        not say when they begin.

    Raises
    ------
    FileFormatError
        When the table lacks a column, or a cell cannot be read.
    EpochGridError
        When rows overlap, contradict each other, end before they begin, or their step varies.
    ClockError
        When times and zone do not go together, or a time names two moments or none.
    UnknownStageError
        When a label is not plain and no layout explains it.
    """
    zone = one_zone(zone, layout, table.path)
    table, layout = with_ends_apart(*as_epochs(table, layout))
    _refuse_columns_of_stages(table, layout)
    columns = find_columns(table.names, layout, path=table.path, where=table.header_place)
    table, columns, layout = with_labels(rows_asked_for(table, columns, layout), columns, layout)
    table = with_form(table, columns, layout)
    table = without_foot(table, columns, layout)
    reading = TableReading(table, layout, columns, zone, frozenset(own_words), list(table.notes))
    return _read_runs(reading) if layout.shape is Shape.RUNS else _read_rows(reading)


def _refuse_columns_of_stages(table: Table, layout: Layout) -> None:
    """Refuse a table with a column for each stage until a layout names them.

    Such are wake, light and deep with an x in one of the three in each row. One column of marks alone may be anything,
    and a layout that names another column of stages has decided.
    """
    marked = [table.names[i] for i, data in table.columns.items() if not isinstance(data, Times) and _are_marks(data)]
    if layout.stage_columns or len(marked) < _FEWEST_STAGES or (layout.stage or marked[0]) not in marked:
        return
    from sleepagree.mapping.languages import words_for_stages  # few files come here

    stages = words_for_stages(marked)
    named = [table.names[i] for role, at in plain_columns(table.names) if role == "stage" for i in at]
    if len(stages) < _FEWEST_STAGES or (layout.stage is None and any(name not in stages for name in named)):
        return
    marks = marks_a_row([table.texts(table.names.index(name)) for name in stages])
    if marks.count(1) < _MOST_ROWS * len(marks):
        return
    problem, expected = "the table has one column for each stage", "one column that names the stage of each row"
    remedy = for_page(
        f"Name these columns in a layout ({Option.LAYOUT:FILE.toml}) with\n"
        f"    [file]\n    stage_columns = {toml_value(stages)}",
        "Say at the head of each of these columns that it has the marks of a stage.",
    )
    raise FileFormatError(problem, table.path, table.header_place, list_names(stages), expected, remedy)


def _are_marks(cells: Sequence[str]) -> bool:
    return all(is_marked(cell) is not None for cell in cells[:1]) and all(
        is_marked(cell) is not None for cell in dict.fromkeys(cells)
    )


def _read_rows(reading: TableReading) -> ScoredSpans:
    """Read rows that hold one label each."""
    said = read_labels(reading, reading.table.texts(reading.columns.stage))
    staged, ignored = staged_rows(said, reading.path)
    if reading.columns.marks:
        ignored.pop("", None)  # no text that was passed over, but none at all
    if reading.columns.counted and reading.columns.epoch_number is None and reading.columns.duration is None:
        refuse_counted_recordings(reading)
    starts = read_starts(reading)
    _tell_unused_lengths(reading, starts)
    times = read_row_times(reading, starts, staged)
    staged = _without_closing(reading, said, times, staged)
    codes = said.codes[staged]
    extent = find_extent(reading, times, staged, codes)
    off_us, on_us = lights_of(reading, said, times.starts.us)
    said = said._replace(codes=codes)
    facts = SourceFacts(lights_off_us=off_us, lights_on_us=on_us, ignored=ignored)
    return _spans_of_rows(reading, said, extent, staged, times.clock, facts)


def _without_closing(reading: TableReading, said: Labels, times: RowTimes, staged: Rows) -> Rows:
    """Return rows without those that last no time, where each row lasts until the next one begins.

    Of 22:30 deep, 22:35 wake, 23:00 unscored the last row only ends the one before it; of 22:35 unscored, 22:35 wake
    the first one lasts no time.
    """
    lasts = times.ends is not None or reading.columns.duration is not None or reading.layout.marks is Marks.END
    if lasts or reading.layout.shape is not Shape.INTERVALS:
        return staged
    onset = times.starts.us[staged]
    unscored = np.array([stage == UNSCORED for stage in said.stages])[said.codes[staged]]
    doubled = unscored & np.isin(onset, onset[~unscored])
    if doubled.any():
        reading.notes.append(Note.of(NoteKind.UNSCORED_AT_STAGE, count=int(np.count_nonzero(doubled))))
    at_end = onset == times.starts.us.max()
    is_closed = at_end.any() and unscored[at_end].all() and not at_end.all()
    kept: Rows = staged[~(doubled | (at_end & is_closed))]
    return kept


def _read_runs(reading: TableReading) -> ScoredSpans:
    """Read rows that hold the codes of many epochs each."""
    texts = reading.table.texts(reading.columns.stage)
    times = read_row_times(reading, read_starts(reading), np.arange(len(texts)))
    steps_us, epoch_from = _steps(reading, len(texts))
    column = reading.column(reading.columns.stage)
    runs = codes_of_texts([_checked_cell(text, row, column) for row, text in enumerate(texts)])
    if times.ends is not None:
        for row, span_us in enumerate((times.ends.us - times.starts.us).tolist()):
            _check_length(reading, len(runs[row]), int(steps_us[row]), span_us, row)
    file_row = np.repeat(np.arange(len(runs)), [len(run) for run in runs])
    place = np.array([i for run in runs for i in range(len(run))], np.int64)
    length_us = steps_us[file_row]
    follow = np.cumsum(length_us) - length_us
    onset_us = follow if reading.columns.counted else times.starts.us[file_row] + place * length_us
    numbers = [reading.places.numbers[row] for row in file_row.tolist()]
    said = read_labels(reading, [code for run in runs for code in run], reading.places._replace(numbers=numbers))
    onset_us = marked_starts(reading, onset_us, length_us)
    extent = Extent(onset_us, onset_us + length_us)
    if (length_us == length_us[0]).all():
        epoch_s = int(length_us[0]) / SECOND_US
        extent = extent._replace(epoch_s=epoch_s, epoch_from=epoch_from)
        reading.cautions += coarse_grid_caution(epoch_s)
    return _spans_of_rows(reading, said, extent, file_row, times.clock, SourceFacts())


def _spans_of_rows(
    reading: TableReading, said: Labels, extent: Extent, file_row: Rows, clock: FileClock, facts: SourceFacts
) -> ScoredSpans:
    """Return the rows of a table as scored spans."""
    begin_us, end_us, epoch_s, epoch_from = extent
    labels, stages, codes, _ = said
    rows = LabelledRows(begin_us, end_us, codes, file_row, labels, stages, reading.places, clock, reading.path)
    refuse_several_recordings(reading, rows)
    notes, cautions = tuple(reading.notes), tuple(reading.cautions)
    facts = facts._replace(epoch_s=epoch_s, epoch_from=epoch_from, notes=notes, cautions=cautions)
    return make_spans(rows, origin=reading.table.origin, facts=facts, layout=reading.layout)


def _tell_unused_lengths(reading: TableReading, starts: Times) -> None:
    """Warn about unused columns that seem to tell how long rows last, where nothing else does."""
    columns, table = reading.columns, reading.table
    told = reading.end is not None or columns.counted or columns.duration is not None
    if told or reading.layout.shape is Shape.EPOCHS:
        return
    reading.cautions += unused_lengths(table.names, table.columns, columns.used, starts, form=reading.layout.time)


# --- texts of the codes of many epochs, and the step between them -------------------------------------------

_REPEATED: Final = re.compile(r"(\S)\1{3}")
#: Different codes of one device, at most.
MOST_CODES: Final = 12


def _steps(reading: TableReading, n: int) -> tuple[Microseconds, EpochLengthFrom]:
    """Return the length of a code in each row, and how it is known."""
    declared = reading.layout.epoch_seconds
    if declared is not None:
        return np.full(n, round(declared * SECOND_US), np.int64), EpochLengthFrom.LAYOUT
    if reading.columns.step is None:
        problem, found = "a text of codes does not tell how long a code lasts", "no column 'step'"
        remedy = for_layout("Give it in the layout, above [file]:", "epoch_seconds", 30)
        raise EpochGridError(problem, reading.path, found=found, expected="the length of an epoch", remedy=remedy)
    column = reading.column(reading.columns.step)
    numbers = read_numbers(reading.table.texts(reading.columns.step), column, expected="a step in seconds")
    are_wrong = ~((numbers >= 1) & (numbers <= LONGEST_STEP_S))
    column.refuse_numbers(EpochGridError, numbers, are_wrong, "this is no length of an epoch", "seconds from 1 to 3600")
    return np.rint(numbers * SECOND_US).astype(np.int64), EpochLengthFrom.FILE


def _checked_cell(text: str, row: int, column: Column) -> str:
    text = text.strip()
    if not text:
        problem, expected = "the text of codes is empty", "a code for each epoch"
        raise column.error(FileFormatError, row, problem, "", expected)
    if re.fullmatch(r"\d+([.,]\d+)?[eE][+-]?\d+", text, re.ASCII):
        problem = "a spreadsheet has turned the text of codes into a number"
        remedy = "Export the file again without opening it in a spreadsheet."
        raise column.error(FileFormatError, row, problem, f"'{text}'", "a code for each epoch", remedy)
    return text


def codes_of_texts(texts: Sequence[str]) -> list[list[str]]:
    """Return the codes of each text: its words, or its characters where no space parts them or it parts groups of them.

    Examples
    --------
    >>> [len(codes) for codes in codes_of_texts(["W W N", "N D D"])], codes_of_texts(["WWN", "NDD"])[1]
    ([3, 3], ['N', 'D', 'D'])
    """
    runs = [codes_of_text(text) for text in texts]
    groups = {code for run in runs for code in run}
    characters = {character for code in groups for character in code}
    # groups of codes differ, or repeat a character, as words for a few stages never do
    are_groups = len(groups) > MOST_CODES or any(_REPEATED.search(group) for group in groups)
    if are_groups and len(characters) <= MOST_CODES and min(map(len, groups)) > 1:
        return [list("".join(run)) for run in runs]
    return runs


def codes_of_text(text: str) -> list[str]:
    """Return the words of a text that space or a comma parts, or its characters."""
    parts = re.split(r"[\s,;|]+", text)
    return [part for part in parts if part] if len(parts) > 1 else list(text)


def _check_length(reading: TableReading, codes: int, step_us: int, span_us: int, row: int) -> None:
    if codes * step_us == span_us:
        return
    step, told, span = (show_number(us / SECOND_US) for us in (step_us, codes * step_us, span_us))
    problem, expected = "the text of codes does not fill its time", f"{span} s from beginning to end"
    remedy = "A spreadsheet that drops leading zeros does this; export the file again, or correct the step."
    found = f"{codes} codes of {step} s, which is {told} s"
    raise EpochGridError(problem, reading.path, reading.places.at(row), found, expected, remedy)
