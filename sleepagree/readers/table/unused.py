"""Columns of a table that nobody used and that seem to tell how long its rows last."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, OwnWord
from sleepagree.errors import SleepAgreeError
from sleepagree.readers.columns import told_unit
from sleepagree.readers.layout import DURATION_UNITS
from sleepagree.readers.rows import Rows
from sleepagree.readers.table.table import ColumnData
from sleepagree.readers.times.clock import DAY_US, SECOND_US, Clock, Column, Times
from sleepagree.readers.times.nights import ends_after_starts
from sleepagree.readers.times.reading import read_times
from sleepagree.readers.times.words import NUMBER, read_length

_TIME: Final = re.compile(r"\d\d?:\d\d|\d[-/.]\d+[-/.]\d")
#: What a length begins with, whatever words follow.
_FEWEST_ROWS: Final = 3
_FIT: Final = 0.02
_NEARLY_ALL: Final = 0.8
_MOSTLY: Final = 0.5
#: Share of the variation of the steps that lengths may miss them by.
_MOST_MISSED: Final = 0.25


def unused_lengths(
    names: Sequence[str], columns: Mapping[int, ColumnData], used: set[int], starts: Times, *, form: str | None
) -> list[Caution]:
    """Return a caution for each unused column that seems to hold ends or durations of the rows.

    Parameters
    ----------
    names : sequence of str
        Names of the columns.
    columns : mapping
        Position of a column -> its cells, or its times.
    used : set of int
        Positions that were read.
    starts : Times
        When each row begins.
    form : str or None
        How times are written, as a layout says it.

    Returns
    -------
    list of Caution
        Nothing for a column that would change nothing: lengths that are all the same are those of epochs. Rows without
        a length, such as a closing one, prove nothing and hide nothing.
    """
    out = []
    for position, name in enumerate(names):
        data = columns.get(position)  # a reader may have left out what it does not need
        if data is None or position in used or starts.us.size < _FEWEST_ROWS:
            continue
        is_end = _are_ends(data, starts, name, form)
        if is_end or _are_durations(data, starts, told_unit(name)):
            role = "end" if is_end else "duration"
            out.append(Caution.of(CautionKind.LENGTHS_UNUSED, column=OwnWord(name), role=role))
    return out


def looks_like_times(data: ColumnData) -> bool:
    """Whether a column seems to hold times that differ from row to row."""
    if isinstance(data, Times):
        return bool(data.us.min() < data.us.max())
    return all(_TIME.search(text) for text in data) and len(set(data)) > 1


def _are_ends(data: ColumnData, starts: Times, name: str, form: str | None) -> bool:
    ends = data if isinstance(data, Times) else _read(data, name, form)
    if ends is None:
        return False
    if ends.us.size != starts.us.size:
        starts = starts._replace(us=starts.us[_filled(data)])
    end_us = ends.us
    if ends.clock is Clock.DAY and starts.clock in (Clock.LOCAL, Clock.UTC):
        end_us = ends_after_starts(starts.us, end_us % DAY_US)
    elif ends.clock is not starts.clock:
        return False
    length = end_us - starts.us
    # a closing row may last no time
    if not (length >= 0).all() or length.min() == length.max():
        return False
    order = np.argsort(starts.us, kind="stable")
    # an end comes before the next beginning, as a time of upload does not
    before_next: NDArray[np.bool_] = end_us[order][:-1] <= starts.us[order][1:]
    return bool(before_next.mean() > 0.5)


def _read(texts: Sequence[str], name: str, form: str | None) -> Times | None:
    """Read a column as times; None where it is none. A look at three cells spares most columns the reading."""
    texts = [text for text in texts if text.strip()]
    if len(texts) < _FEWEST_ROWS or not all(_TIME.search(texts[i]) for i in (0, len(texts) // 2, len(texts) - 1)):
        return None
    try:
        return read_times(texts, Column(name, "", str), form=form)
    except SleepAgreeError:
        return None


def _are_durations(data: ColumnData, starts: Times, unit_s: float | None) -> bool:
    if isinstance(data, Times):
        return False
    filled = _filled(data)
    texts = [data[row].strip() for row in filled.tolist()]
    heads = [NUMBER.match(text) for text in texts]
    if len(texts) < _FEWEST_ROWS or None in heads:
        return False
    told = [read_length(text) for text in texts]
    numbers = np.full(len(data), np.nan)
    numbers[filled] = [float(head[0].replace(",", ".")) for head in heads if head] if None in told else told
    if np.nanmin(numbers) == np.nanmax(numbers):
        return False
    order = np.argsort(starts.us, kind="stable")
    steps_s, lengths = np.diff(starts.us[order]) / SECOND_US, numbers[order][:-1]
    has_length = ~np.isnan(lengths)
    steps_s, lengths = steps_s[has_length], lengths[has_length]
    if unit_s is not None and mostly_fill(steps_s, lengths * unit_s):
        return True
    return any(_lead_on(steps_s, lengths * unit) for unit in DURATION_UNITS.values())


def mostly_fill(steps_s: NDArray[np.float64], lengths_s: NDArray[np.float64]) -> bool:
    """Whether lengths in a unit that is told may be those of rows with gaps: few pass the next row, most come near it.

    Where rows are missing among epochs, a measure of one epoch does not.
    """
    telling = _off_the_grid(steps_s)
    is_within = bool((lengths_s <= steps_s + 1).mean() > _NEARLY_ALL)
    return is_within and telling.sum() >= _FEWEST_ROWS and bool((2 * lengths_s > steps_s)[telling].mean() > _MOSTLY)


def _filled(data: Sequence[str] | Times) -> Rows:
    """Return the rows whose cells are not empty."""
    if isinstance(data, Times):
        return np.arange(data.us.size)
    return np.flatnonzero([bool(text.strip()) for text in data])


def _lead_on(steps_s: NDArray[np.float64], lengths_s: NDArray[np.float64]) -> bool:
    """Whether lengths follow the steps between rows as these vary.

    The size of a number proves nothing: beside rows a minute apart, a heart rate of about 60 leads from each to the
    next. It does not where a row is missing, and it does not vary as the steps do.
    """
    fits = np.abs(lengths_s - steps_s) <= _FIT * steps_s
    telling = _off_the_grid(steps_s)
    if np.count_nonzero(telling) < _FEWEST_ROWS or fits.mean() <= 0.5 or fits[telling].mean() <= 0.5:
        return False
    missed, varied = np.abs(lengths_s - steps_s), np.abs(steps_s - np.median(steps_s))
    return bool(np.median(missed[telling]) <= _MOST_MISSED * np.median(varied[telling]))


def _off_the_grid(steps_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return where a step is not the commonest one."""
    values, counts = np.unique(steps_s, return_counts=True)
    commonest = values[int(np.argmax(counts))]
    off: NDArray[np.bool_] = (steps_s > 0) & ((steps_s != commonest) | (counts.max() == 1))
    return off
