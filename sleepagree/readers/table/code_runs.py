"""Rows that hold the codes of many epochs each: a text of codes, and the step between them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from sleepagree.errors import EpochGridError, FileFormatError
from sleepagree.hypnogram.spans import EpochLengthFrom
from sleepagree.readers.layout import for_layout
from sleepagree.readers.rows import Rows
from sleepagree.readers.table.lengths import LONGEST_STEP_S
from sleepagree.readers.table.table import TableReading
from sleepagree.readers.table.times import RowTimes
from sleepagree.readers.times.clock import SECOND_US, Column, Microseconds, show_number
from sleepagree.readers.times.numbers import read_numbers

_REPEATED: Final = re.compile(r"(\S)\1{3}")
#: Different codes of one device, at most.
MOST_CODES: Final = 12


class CodeRuns(NamedTuple):
    """The epochs of a table of texts of codes: code, row of the file, beginning and length of each."""

    codes: list[str]
    file_row: Rows
    onset_us: Microseconds
    length_us: Microseconds
    epoch_from: EpochLengthFrom


def read_code_runs(reading: TableReading, texts: Sequence[str], times: RowTimes) -> CodeRuns:
    """Return the epochs of rows that hold many each.

    Raises
    ------
    FileFormatError
        When a text is empty, or a spreadsheet has made a number of it.
    EpochGridError
        When the step is not told or no length of an epoch, or the codes do not fill the time of their row.
    """
    steps_us, epoch_from = _steps(reading, len(texts))
    column = reading.column(reading.columns.stage)
    runs = codes_of_texts([_checked_cell(text, row, column) for row, text in enumerate(texts)])
    for row, run in enumerate(runs):
        if times.ends is not None:
            _check_length(reading, len(run), int(steps_us[row]), int(times.ends.us[row] - times.starts.us[row]), row)
    file_row = np.repeat(np.arange(len(runs)), [len(run) for run in runs])
    place = np.array([i for run in runs for i in range(len(run))], np.int64)
    length_us = steps_us[file_row]
    follow = np.cumsum(length_us) - length_us
    onset_us = follow if reading.columns.counted else times.starts.us[file_row] + place * length_us
    return CodeRuns([code for run in runs for code in run], file_row, onset_us, length_us, epoch_from)


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
