"""Hypnograms from whatever one has: a file, an array of labels, a pandas object, ``mne.Annotations``."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError, InputError, UnknownStageError, shorten
from sleepagree.hypnogram.spans import EPOCH_S, EpochLengthFrom, Origin, ScoredSpans, Seconds
from sleepagree.hypnogram.zones import find_zone, place_in_zone, with_zone
from sleepagree.mapping.words import NOT_A_STAGE, STAGE_WORDS, UNSCORED, assign_stages, recognise_label
from sleepagree.readers import read_spans
from sleepagree.readers.layout import NO_LAYOUT, Layout, read_layout

if TYPE_CHECKING:  # tables are loaded when one is read
    from sleepagree.readers.table.table import ColumnData, Table

#: Columns that tell the nights of a study apart.
_NAMES_OF_NIGHTS: Final = frozenset({"participant", "person", "subject", "night"})
#: Columns of a DataFrame of intervals.
_BY_TIME: Final = frozenset({"start", "end", "stage"})
_BY_SECONDS: Final = frozenset({"onset_s", "duration_s", "stage"})


def read_hypnogram(
    source: Any,
    *,
    layout: Layout | str | os.PathLike[str] | None = None,
    stages: Mapping[str, str] | None = None,
    start: datetime | None = None,
    epoch_s: float = EPOCH_S,
    zone: str | None = None,
    reports: Sequence[str] | None = None,
    own_words: frozenset[str] = frozenset(),
    name: str = "",
) -> ScoredSpans:
    """Return the scored spans of a file or of data in memory.

    Parameters
    ----------
    source : path, array-like of str or int, pandas.Series, pandas.DataFrame, mne.Annotations or ScoredSpans
        A file is read by the reader of its suffix. An array or a Series holds one label per epoch; None, nan
        and "" are gaps; a Series with a DatetimeIndex tells its own start and epoch length. A DataFrame has
        one row per interval (columns ``onset_s``, ``duration_s`` and ``stage``, or ``start``, ``end`` and ``stage``
        with times) or one row per epoch (``stage``, and when each epoch begins: ``start`` with times, ``onset_s``,
        the epoch's number ``epoch``, a DatetimeIndex, or nothing for epochs one after the other). With a layout, or
        with other plain names of columns, it is read as a table in a file would be.
    layout : Layout or path, optional
        How to read a file, or a DataFrame: its columns are named and found as those of a table.
    stages : mapping, optional
        Label -> stage word, for data in memory (numbers need it: ``{0: "W", 1: "N1", ...}``).
    start : datetime, optional
        Instant at which the first epoch begins, for data in memory.
    epoch_s : float
        Length of an epoch of an array, in seconds.
    zone : str, optional
        IANA zone of naive times.
    reports : sequence of str, optional
        What the source can report.
    own_words : frozenset of str
        Labels that a mapping file explains.
    name : str
        What to call data in memory.

    Raises
    ------
    SleepAgreeError
        When the source cannot be read.
    TypeError
        When it is none of the kinds above.
    ValueError
        When an array has more than one dimension, or ``epoch_s`` is not positive.

    Examples
    --------
    >>> night = read_hypnogram(["W", "W", "N1", "N2", None, "N2"])
    >>> night.labels, night.onset_s.tolist(), night.duration_s.tolist()
    (('W', 'N1', 'N2'), [0.0, 60.0, 90.0, 150.0], [60.0, 30.0, 30.0, 30.0])
    """
    if not hasattr(epoch_s, "__float__") or not epoch_s > 0:
        raise ValueError(f"epoch_s must be a positive number of seconds, not {epoch_s!r}")
    spans = _spans_of(source, _Declared(stages or {}, start, epoch_s, zone, own_words, name), layout)
    return spans if reports is None else spans.with_changes(reports=tuple(reports))


class _Declared(NamedTuple):
    """What the caller tells of data in memory."""

    stages: Mapping[str, str]
    start: datetime | None
    epoch_s: float
    zone: str | None
    own_words: frozenset[str]
    name: str


def _spans_of(source: Any, declared: _Declared, layout: Layout | str | os.PathLike[str] | None) -> ScoredSpans:
    is_file = isinstance(source, (str, os.PathLike))
    if is_file or (isinstance(source, (list, tuple)) and source and all(isinstance(p, os.PathLike) for p in source)):
        path = Path(source) if is_file else source
        return read_spans(path, layout=_loaded(layout), zone=declared.zone, own_words=declared.own_words)
    if isinstance(source, ScoredSpans):
        spans = source
    elif _is_from(source, "mne"):
        from sleepagree.readers.mne_files import spans_from_mne

        spans = spans_from_mne(source, stages=declared.stages, own_words=declared.own_words)
    elif _is_from(source, "pandas") and hasattr(source, "columns"):
        if layout is None:
            _refuse_several_nights(source, declared.name)
        if (as_table := _layout_for(source, layout, declared)) is not None:
            from sleepagree.readers.table.reader import spans_of_table

            table = _table_of_frame(source, declared.name)
            _refuse_two_sides(table, as_table)
            return spans_of_table(table, layout=as_table, zone=declared.zone, own_words=declared.own_words)
        spans = _from_epochs(source, declared) if _is_per_epoch(source) else _from_frame(source, declared)
    elif _is_from(source, "pandas") and hasattr(source, "index") and not callable(source.index):
        spans = _from_series(source, declared)
    elif isinstance(source, np.ndarray) and source.ndim != 1:
        raise ValueError(f"an array of labels must have one dimension, one label per epoch, not shape {source.shape}")
    elif _is_array(source):
        spans = _from_labels(list(source), declared)
    else:
        raise TypeError(
            f"source must be a path, labels, a pandas object, mne.Annotations or ScoredSpans, not {type(source)!r}"
        )
    return with_zone(spans, declared.zone)


def _is_array(source: Any) -> bool:
    """Whether a source holds labels one after the other: a sequence, an array, or what has an array inside."""
    if isinstance(source, (bytes, bytearray, memoryview, Mapping)):
        return False
    return isinstance(source, (Sequence, np.ndarray)) or (hasattr(source, "__array__") and hasattr(source, "__iter__"))


def _is_from(source: Any, package: str) -> bool:
    return type(source).__module__.partition(".")[0] == package


def _loaded(layout: Layout | str | os.PathLike[str] | None) -> Layout | None:
    if isinstance(layout, (str, os.PathLike)):
        return read_layout(layout)
    if layout is not None and not isinstance(layout, Layout):
        raise TypeError(
            f"layout must be the path of a layout or what read_layout() returns, not {type(layout).__name__}"
        )
    return layout


# --- a DataFrame as a table ------------------------------------------------------------------------------


def _layout_for(frame: Any, layout: Layout | str | os.PathLike[str] | None, declared: _Declared) -> Layout | None:
    """Return the layout by which a DataFrame is read as a table; None where it has a form of its own, or none."""
    given = _loaded(layout)
    if given is None:
        if _is_per_epoch(frame) or any(form.issubset(frame.columns) for form in (_BY_TIME, _BY_SECONDS)):
            return None
        from sleepagree.readers.columns import are_told

        if not are_told(_names(frame), NO_LAYOUT):
            return None
        given = NO_LAYOUT
    stages = {str(label): stage for label, stage in declared.stages.items()}
    return replace(given, stages=given.stages | stages, begins=given.begins or declared.start)


def _names(frame: Any) -> tuple[str, ...]:
    import pandas as pd

    index = (str(frame.index.name or "time"),) if isinstance(frame.index, pd.DatetimeIndex) else ()
    return (*index, *map(str, frame.columns))


def _table_of_frame(frame: Any, name: str) -> Table:
    import pandas as pd

    from sleepagree.readers.rows import Places
    from sleepagree.readers.table.table import Table

    if not len(frame):
        raise InputError("the DataFrame has no row", name, expected="a row for each epoch or interval")
    indices = [frame.index.to_series()] if isinstance(frame.index, pd.DatetimeIndex) else []
    series = [*indices, *(frame.iloc[:, i] for i in range(frame.shape[1]))]
    return Table(
        _names(frame),
        {i: _column_of(column, name) for i, column in enumerate(series)},
        Places(range(len(frame)), "row {}", "rows {}"),
        Origin(name, "memory"),
        name,
        header_place="",
        missing=frozenset({""}),
        decimal_point=True,
    )


def _refuse_several_nights(frame: Any, name: str) -> None:
    """Refuse a frame whose columns tell that it holds the nights of a study."""
    named = [column for column in frame.columns if str(column).casefold() in _NAMES_OF_NIGHTS]
    several = [column for column in named if frame[column].nunique() > 1]
    if several:
        problem, expected = "the DataFrame holds more than one night", "the rows of one night"
        found = f"{frame[several[0]].nunique()} names in column '{several[0]}'"
        by = ", ".join(repr(str(column)) for column in named)
        remedy = f"Group it: for names, rows in frame.groupby([{by}]). summarise_study() takes the nights then."
        raise InputError(problem, name, found=found, expected=expected, remedy=remedy)


def _refuse_two_sides(table: Table, layout: Layout) -> None:
    """Refuse a frame that holds the stages of both sides, of which one would be taken for either."""
    if layout.stage is not None or layout.stage_columns or "stage" in table.names:
        return
    columns = {table.names[i]: data for i, data in table.columns.items() if isinstance(data, list)}
    sides = _columns_of_stages(columns)
    if len(sides) > 1:
        problem, found = "more than one column holds stages", " and ".join(f"'{name}'" for name in sides)
        remedy = f"Give that side's column with its times, such as frame[['{table.names[0]}', '{sides[0]}']]."
        raise InputError(problem, table.path, found=found, expected="the stages of one side", remedy=remedy)


def _columns_of_stages(columns: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the names of columns in which every text is a word for a stage."""
    held = {name: set(texts) - {""} for name, texts in columns.items()}
    return [
        name
        for name, texts in held.items()
        if len(texts) > 1 and all(not text.isdecimal() and recognise_label(text) for text in texts)
    ]


def _column_of(column: Any, name: str) -> ColumnData:
    """Return a column of a DataFrame as times or texts."""
    import pandas as pd

    from sleepagree.readers.times.clock import Clock, Times, offset_of

    if isinstance(column.dtype, pd.DatetimeTZDtype) or pd.api.types.is_datetime64_dtype(column.dtype):
        _refuse_missing(column, column.name, name)
        aware = column.dt.tz is not None
        moments = column.dt.tz_convert("UTC").dt.tz_localize(None) if aware else column
        us = moments.to_numpy("M8[us]").view(np.int64)
        return Times(us, Clock.UTC if aware else Clock.LOCAL, offset_of(column.iloc[0]) or 0)
    if pd.api.types.is_timedelta64_dtype(column.dtype):
        column = column.dt.total_seconds()
    return [_label_text(value) or "" for value in column.tolist()]


def _label_text(value: Any) -> str | None:
    """Return the text of a label, None for a gap; whole floats read as whole numbers (1.0 is '1')."""
    if value is None or (isinstance(value, (float, np.floating)) and np.isnan(value)):
        return None
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        value = int(value)
    text = str(value).strip()
    return None if text in ("", "<NA>", "NaT") else text


def _from_labels(values: list[Any], declared: _Declared) -> ScoredSpans:
    labels, stages, codes = _coded(values, declared)
    edges = np.flatnonzero(np.diff(codes, prepend=-2, append=-2))
    begin, length = edges[:-1], np.diff(edges)
    kept = codes[begin] >= 0 if begin.size else np.zeros(0, bool)
    return ScoredSpans(
        np.asarray(begin[kept] * declared.epoch_s, np.float64),
        np.asarray(length[kept] * declared.epoch_s, np.float64),
        codes[begin[kept]],
        labels,
        stages,
        start=declared.start,
        epoch_s=declared.epoch_s,
        epoch_from=EpochLengthFrom.LAYOUT,
        origin=Origin(declared.name, "memory"),
        counted=None if declared.start is not None else (0, len(values)),
    )


def _coded(values: Sequence[Any], declared: _Declared) -> tuple[tuple[str, ...], tuple[str, ...], NDArray[np.int16]]:
    """Return the labels among some values, the stage of each, and the position of every value's label: -1 for gaps."""
    texts = [_label_text(value) for value in values]
    labels = tuple(dict.fromkeys(text for text in texts if text is not None))
    # first of all: labels without end are no stages, and more than a code can number
    stages = _stages_of(labels, declared)
    position = {label: i for i, label in enumerate(labels)}
    return labels, stages, np.array([-1 if text is None else position[text] for text in texts], np.int16)


def _stages_of(labels: tuple[str, ...], declared: _Declared) -> tuple[str, ...]:
    table = {str(key): value for key, value in declared.stages.items()}
    try:
        return assign_stages(labels, table=table, own_words=declared.own_words, path=declared.name)
    except UnknownStageError as error:
        if not error.labels:
            raise
        wanted = ", ".join(f"{label if label.isdecimal() else repr(label)}: ..." for label in error.labels[:6])
        more = ", ..." if len(error.labels) > 6 else ""
        expected = "a plain stage name, or a word for it in stages"
        remedy = (
            f"Give read_hypnogram(..., stages={{{wanted}{more}}}) with one of {', '.join(STAGE_WORDS)}, {UNSCORED} and "
            f"{NOT_A_STAGE} for each."
        )
        raise UnknownStageError(
            error.problem, error.path, error.where, error.found, expected, remedy, error.facts
        ) from None


def _from_series(series: Any, declared: _Declared) -> ScoredSpans:
    import pandas as pd

    if not isinstance(series.index, pd.DatetimeIndex):
        return _from_labels(series.tolist(), declared)
    if not series.index.is_monotonic_increasing or series.index.has_duplicates:
        problem, expected = "the times of the Series are not in order or stand twice", "one night, in order"
        remedy = "Sort the rows, and give one night at a time."
        raise EpochGridError(problem, declared.name, expected=expected, remedy=remedy)
    times = _in_zone(series.index.to_series(), declared, "the index")
    onset = (times - times.iloc[0]).dt.total_seconds().to_numpy()
    step = float(np.median(np.diff(onset))) if onset.size > 1 else declared.epoch_s
    spans = _from_intervals(onset, np.full(onset.size, step), series.tolist(), declared, times.iloc[0].to_pydatetime())
    return spans.with_changes(epoch_s=step, epoch_from=EpochLengthFrom.INFERRED)


def _in_zone(times: Any, declared: _Declared, where: str) -> Any:
    """Return a Series of times with their zone, each of them placed by itself: a clock may change in the night."""
    import pandas as pd

    if declared.zone is None or times.dt.tz is not None:
        return times
    readings = (place_in_zone(t.to_pydatetime(), declared.zone, path=declared.name, where=where) for t in times)
    placed = pd.DatetimeIndex([moment.astimezone(UTC) for moment in readings], tz=UTC)
    return pd.Series(placed, index=times.index).dt.tz_convert(find_zone(declared.zone))


def _times(frame: Any, column: str, name: str) -> Any:
    import pandas as pd

    try:
        times = pd.to_datetime(frame[column])
    except (ValueError, TypeError) as error:
        problem, expected = f"column '{column}' holds something that is no time", "times that pandas reads"
        remedy = "Turn the column into datetimes first."
        found = str(error).partition(chr(10))[0]
        raise InputError(problem, name, found=found, expected=expected, remedy=remedy) from None
    _refuse_missing(times, column, name)
    return times


def _refuse_missing(times: Any, column: str, name: str) -> None:
    """Refuse a Series of times in which one is missing."""
    if times.isna().any():
        row = int(times.isna().argmax())
        raise InputError(f"column '{column}' lacks a time", name, f"row {row}", "", "", "Drop such rows first.")


def _is_per_epoch(frame: Any) -> bool:
    """Whether a DataFrame has one row per epoch: stages, when each begins, and no column that might tell more."""
    return "stage" in frame.columns and {*frame.columns} <= {"stage", "start", "onset_s", "epoch"}


def _from_epochs(frame: Any, declared: _Declared) -> ScoredSpans:
    """Return the spans of a DataFrame with one row per epoch."""
    import pandas as pd

    tells_when = next((column for column in ("start", "onset_s", "epoch") if column in frame.columns), None)
    if tells_when is None:
        return _from_series(frame["stage"], declared)
    if tells_when == "start":
        index = pd.DatetimeIndex(_times(frame, "start", declared.name))
        return _from_series(pd.Series(frame["stage"].to_numpy(object), index=index), declared)
    at = pd.to_numeric(frame[tells_when], errors="coerce").to_numpy(float)
    if not np.isfinite(at).all() or (np.diff(at) <= 0).any():
        row = int(np.argmax(~np.isfinite(at))) if not np.isfinite(at).all() else int(np.argmax(np.diff(at) <= 0)) + 1
        problem = f"column '{tells_when}' is not in order, stands twice or lacks a number"
        found, expected = str(frame[tells_when].iloc[row]), "a greater number in every row"
        remedy = "Sort the rows, and give one night at a time."
        raise EpochGridError(problem, declared.name, f"row {row}", found, expected, remedy)
    onset = at if tells_when == "onset_s" else at * declared.epoch_s
    spans = _from_intervals(onset, np.full(at.size, declared.epoch_s), frame["stage"].tolist(), declared)
    if tells_when == "onset_s" or declared.start is not None or not at.size:
        return spans
    counted = int(at[0]), int(at[-1]) - int(at[0]) + 1
    return spans.with_changes(epoch_s=declared.epoch_s, epoch_from=EpochLengthFrom.LAYOUT, counted=counted)


def _from_frame(frame: Any, declared: _Declared) -> ScoredSpans:
    """Return the spans of a DataFrame with one row per interval."""
    values = frame["stage"].tolist() if "stage" in frame.columns else []
    if _BY_TIME.issubset(frame.columns):
        begin, end = (
            _in_zone(_times(frame, key, declared.name), declared, f"column '{key}'") for key in ("start", "end")
        )
        if (begin.dt.tz is None) != (end.dt.tz is None):
            problem, expected = (
                "one of 'start' and 'end' tells its zone, the other does not",
                "both with a zone, or none",
            )
            raise InputError(problem, declared.name, expected=expected, remedy="Give zone, or localise the column.")
        onset, duration = ((us.dt.total_seconds().to_numpy()) for us in (begin - begin.min(), end - begin))
        return _from_intervals(onset, duration, values, declared, None if begin.empty else begin.min().to_pydatetime())
    if _BY_SECONDS.issubset(frame.columns):
        onset, duration = (frame[key].to_numpy(float) for key in ("onset_s", "duration_s"))
        return _from_intervals(onset, duration, values, declared)
    problem = "the DataFrame lacks columns"
    expected = "onset_s, duration_s and stage; start, end and stage; or stage alone"
    texts = {name: [_label_text(x) or "" for x in frame[name].tolist()] for name in frame if isinstance(name, str)}
    sides = [f"frame[{shorten(side)!r}]" for side in _columns_of_stages(texts)]
    remedy = f"Give each side by itself: {' and '.join(sides)}." if sides else "Rename its columns."
    raise InputError(problem, declared.name, found=", ".join(map(str, frame.columns)), expected=expected, remedy=remedy)


def _from_intervals(
    onset: Seconds, duration: Seconds, values: Sequence[Any], declared: _Declared, begins: datetime | None = None
) -> ScoredSpans:
    """Return the spans of intervals in any order; ``begins`` is the first of them where the data tell times."""
    order = np.argsort(onset, kind="stable")
    labels, stages, codes = _coded([values[i] for i in order], declared)
    is_stage = codes >= 0
    codes, rows = codes[is_stage], order[is_stage]
    onset, duration = onset[rows], duration[rows]
    early = onset[1:] < (onset + duration)[:-1] - 1e-3  # as `ScoredSpans` looks at them
    if early.any():
        at = int(early.argmax()) + 1
        problem, expected = "the interval begins before one above it ends", "one stage at a time"
        remedy = "Shorten or drop one of the two."
        raise EpochGridError(problem, declared.name, f"row {rows[at]}", labels[codes[at]], expected, remedy)
    return ScoredSpans(
        onset,
        duration,
        codes,
        labels,
        stages,
        start=declared.start if begins is None else begins,
        wall_clock=begins is not None and begins.tzinfo is None,
        origin=Origin(declared.name, "memory"),
    )
