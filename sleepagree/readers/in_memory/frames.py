"""DataFrames of a night that have a form of their own: one row per interval, or one per epoch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from sleepagree.errors import EpochGridError, InputError, shorten
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.mapping.words import recognise_label
from sleepagree.readers.in_memory.labels import Declared, label_text, spans_of_epochs, spans_of_intervals
from sleepagree.readers.in_memory.times import in_zone, numbers_of, spans_of_series, times_of

#: Columns that tell the nights of a study apart.
_NAMES_OF_NIGHTS: Final = frozenset({"participant", "person", "subject", "night"})
#: Columns of a DataFrame of intervals.
_BY_TIME: Final = frozenset({"start", "end", "stage"})
_BY_SECONDS: Final = frozenset({"onset_s", "duration_s", "stage"})


def has_own_form(frame: Any) -> bool:
    """Whether the columns of a DataFrame are those of a form of its own."""
    return _is_per_epoch(frame) or any(form.issubset(frame.columns) for form in (_BY_TIME, _BY_SECONDS))


def spans_of_frame(frame: Any, declared: Declared) -> ScoredSpans:
    """Return the spans of a DataFrame of a form of its own."""
    _refuse_two_clocks(frame, declared.name)
    return _from_epochs(frame, declared) if _is_per_epoch(frame) else _from_frame(frame, declared)


def refuse_levels(frame: Any, name: str) -> None:
    """Refuse a DataFrame whose columns have names of several levels."""
    if frame.columns.nlevels > 1:
        problem, found = "the columns of the DataFrame have names of several levels", f"{frame.columns.nlevels} levels"
        remedy = "Choose the columns of one side and name them anew: frame.columns = ['start', 'stage']."
        raise InputError(problem, name, found=found, expected="one name for each column", remedy=remedy)


def refuse_same_names(frame: Any, name: str) -> None:
    """Refuse a DataFrame in which two columns are called what this package asks for by name."""
    known = _BY_TIME | _BY_SECONDS | {"epoch"} | _NAMES_OF_NIGHTS
    twice = next((str(c) for c in frame.columns[frame.columns.duplicated()] if str(c).casefold() in known), None)
    if twice is not None:
        problem, found = f"more than one column is called '{twice}'", ", ".join(map(str, frame.columns))
        remedy = "Rename or drop all but one: frame.loc[:, ~frame.columns.duplicated()] keeps the first."
        raise InputError(problem, name, found=found, expected="one column of that name", remedy=remedy)


def _refuse_two_clocks(frame: Any, name: str) -> None:
    """Refuse a DataFrame whose index tells times beside a column that tells when each row begins."""
    import pandas as pd

    column = next((c for c in ("onset_s", "epoch") if c in frame.columns and "start" not in frame.columns), None)
    if column is not None and isinstance(frame.index, pd.DatetimeIndex):
        problem, expected = f"the index tells when each row begins, and so does column '{column}'", "one of the two"
        remedy = f"Drop column '{column}', or the index: frame.reset_index(drop=True), with start=frame.index[0]."
        raise InputError(problem, name, expected=expected, remedy=remedy)


def refuse_several_nights(frame: Any, name: str) -> None:
    """Refuse a frame whose columns tell that it holds the nights of a study."""
    named = [column for column in frame.columns if str(column).casefold() in _NAMES_OF_NIGHTS]
    several = [column for column in named if frame[column].nunique() > 1]
    if several:
        problem, expected = "the DataFrame holds more than one night", "the rows of one night"
        found = f"{frame[several[0]].nunique()} names in column '{several[0]}'"
        by = ", ".join(repr(str(column)) for column in named)
        remedy = f"Group it: for names, rows in frame.groupby([{by}]). summarise_study() takes the nights then."
        raise InputError(problem, name, found=found, expected=expected, remedy=remedy)


def columns_of_stages(columns: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the names of columns in which every text is a word for a stage."""
    held = {name: set(texts) - {""} for name, texts in columns.items()}
    return [
        name
        for name, texts in held.items()
        if len(texts) > 1 and all(not text.isdecimal() and recognise_label(text) for text in texts)
    ]


def _is_per_epoch(frame: Any) -> bool:
    """Whether a DataFrame has one row per epoch: stages, when each begins, and no column that might tell more."""
    return "stage" in frame.columns and {*frame.columns} <= {"stage", "start", "onset_s", "epoch"}


def _from_epochs(frame: Any, declared: Declared) -> ScoredSpans:
    """Return the spans of a DataFrame with one row per epoch."""
    import pandas as pd

    tells_when = next((column for column in ("start", "onset_s", "epoch") if column in frame.columns), None)
    if tells_when is None:
        return spans_of_series(frame["stage"], declared)
    if tells_when == "start":
        index = pd.DatetimeIndex(times_of(frame, "start", declared.name))
        return spans_of_series(pd.Series(frame["stage"].to_numpy(object), index=index), declared)
    at = numbers_of(frame, tells_when, declared.name)
    if not np.isfinite(at).all() or (np.diff(at) <= 0).any():
        row = int(np.argmax(~np.isfinite(at))) if not np.isfinite(at).all() else int(np.argmax(np.diff(at) <= 0)) + 1
        problem = f"column '{tells_when}' is not in order, stands twice or lacks a number"
        found, expected = str(frame[tells_when].iloc[row]), "a greater number in every row"
        remedy = "Sort the rows, and give one night at a time."
        raise EpochGridError(problem, declared.name, f"row {row}", found, expected, remedy)
    if tells_when == "onset_s":
        return spans_of_epochs(at, frame["stage"].tolist(), declared)
    lengths = np.full(at.size, declared.epoch_s)
    spans = spans_of_intervals(at * declared.epoch_s, lengths, frame["stage"].tolist(), declared)
    if declared.start is not None or not at.size:
        return spans
    counted = int(at[0]), int(at[-1]) - int(at[0]) + 1
    return spans.with_changes(epoch_s=declared.epoch_s, epoch_from=EpochLengthFrom.LAYOUT, counted=counted)


def _from_frame(frame: Any, declared: Declared) -> ScoredSpans:
    """Return the spans of a DataFrame with one row per interval."""
    values = frame["stage"].tolist() if "stage" in frame.columns else []
    if _BY_TIME.issubset(frame.columns):
        begin, end = (
            in_zone(times_of(frame, key, declared.name), declared, f"column '{key}'") for key in ("start", "end")
        )
        if (begin.dt.tz is None) != (end.dt.tz is None):
            problem, expected = (
                "one of 'start' and 'end' tells its zone, the other does not",
                "both with a zone, or none",
            )
            raise InputError(problem, declared.name, expected=expected, remedy="Give zone, or localise the column.")
        onset, duration = ((us.dt.total_seconds().to_numpy()) for us in (begin - begin.min(), end - begin))
        return spans_of_intervals(
            onset, duration, values, declared, None if begin.empty else begin.min().to_pydatetime()
        )
    if _BY_SECONDS.issubset(frame.columns):
        onset, duration = (numbers_of(frame, key, declared.name) for key in ("onset_s", "duration_s"))
        return spans_of_intervals(onset, duration, values, declared)
    problem = "the DataFrame lacks columns"
    expected = "onset_s, duration_s and stage; start, end and stage; or stage alone"
    texts = {name: [label_text(x) or "" for x in frame[name].tolist()] for name in frame if isinstance(name, str)}
    sides = [f"frame[{shorten(side)!r}]" for side in columns_of_stages(texts)]
    remedy = f"Give each side by itself: {' and '.join(sides)}." if sides else "Rename its columns."
    raise InputError(problem, declared.name, found=", ".join(map(str, frame.columns)), expected=expected, remedy=remedy)
