"""Labels, Series and DataFrames in memory: an epoch or an interval each, or read as a table in a file would be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError, InputError, UnknownStageError, shorten
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans, Seconds
from sleepagree.hypnogram.zones import find_zone, place_in_zone, with_zone
from sleepagree.mapping.words import NOT_A_STAGE, STAGE_WORDS, UNSCORED, assign_stages, recognise_label
from sleepagree.readers.layout import NO_LAYOUT, Layout

if TYPE_CHECKING:  # tables are loaded when one is read
    from sleepagree.readers.table.table import ColumnData, Table


# --- labels: one after the other, or each with the time that it lasts ---------------------------------------


class Declared(NamedTuple):
    """What the caller tells of data in memory."""

    stages: Mapping[str, str]
    start: datetime | None
    epoch_s: float
    zone: str | None
    own_words: frozenset[str]
    name: str


def label_text(value: Any) -> str | None:
    """Return the text of a label, None for a gap; whole floats read as whole numbers (1.0 is '1')."""
    if value is None or value is np.ma.masked or (isinstance(value, (float, np.floating)) and np.isnan(value)):
        return None
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        value = int(value)
    text = str(value).strip()
    return None if text in ("", "<NA>", "NaT") else text


def spans_of_labels(values: list[Any], declared: Declared) -> ScoredSpans:
    """Return the spans of labels one after the other, an epoch each."""
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


def _coded(values: Sequence[Any], declared: Declared) -> tuple[tuple[str, ...], tuple[str, ...], NDArray[np.int16]]:
    """Return the labels among some values, the stage of each, and the position of every value's label: -1 for gaps."""
    texts = [label_text(value) for value in values]
    labels = tuple(dict.fromkeys(text for text in texts if text is not None))
    # first of all: labels without end are no stages, and more than a code can number
    stages = _stages_of(labels, declared)
    position = {label: i for i, label in enumerate(labels)}
    return labels, stages, np.array([-1 if text is None else position[text] for text in texts], np.int16)


def _stages_of(labels: tuple[str, ...], declared: Declared) -> tuple[str, ...]:
    try:
        return assign_stages(labels, table=declared.stages, own_words=declared.own_words, path=declared.name)
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


def spans_of_intervals(
    onset: Seconds, duration: Seconds, values: Sequence[Any], declared: Declared, begins: datetime | None = None
) -> ScoredSpans:
    """Return the spans of intervals in any order; ``begins`` is the first of them where the data tell times."""
    if begins is not None and declared.start is not None:
        raise ValueError("start is for data that do not tell when they begin, and source has times")
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


def spans_of_epochs(
    onset: Seconds, values: Sequence[Any], declared: Declared, begins: datetime | None = None
) -> ScoredSpans:
    """Return the spans of epochs in order, as long as the steps between them; missing ones leave gaps."""
    steps = np.diff(onset)
    # of two in the middle the shorter: with one epoch missing out of three, the other step is a multiple
    step = float(np.sort(steps)[(steps.size - 1) // 2]) if steps.size else declared.epoch_s
    if steps.size and steps.min() < step - 1e-3:
        problem, found = "the steps between the times of the rows differ", f"{steps.min():g} s to {steps.max():g} s"
        remedy = (
            f"Where a clock is not exact, round the times, as .round('{step:g}s') does for a pandas index; where rows "
            "are intervals, give start and end, or onset_s and duration_s."
        )
        expected = f"steps of {step:g} s, or more where epochs are missing"
        raise EpochGridError(problem, declared.name, found=found, expected=expected, remedy=remedy)
    spans = spans_of_intervals(onset, np.full(onset.size, step), values, declared, begins)
    return spans.with_changes(epoch_s=step, epoch_from=EpochLengthFrom.INFERRED)


# --- Series and DataFrames ----------------------------------------------------------------------------------

#: Columns that tell when an epoch begins.
_TELL_WHEN: Final = ("start", "onset_s", "epoch")
#: What pandas calls a column of numbers, which it would take for nanoseconds since 1970.
_NO_TIMES: Final = frozenset({"integer", "floating", "mixed-integer-float", "decimal", "boolean", "timedelta"})


def spans_of_series(series: Any, declared: Declared) -> ScoredSpans:
    """Return the spans of a Series with one label per epoch; an index of times tells when each begins."""
    import pandas as pd

    series = _by_begin(series)
    if not isinstance(series.index, (pd.DatetimeIndex, pd.TimedeltaIndex)) or not len(series):
        return spans_of_labels(series.tolist(), declared)
    _refuse_missing(series.index.to_series(), "the index", declared.name)
    if not series.index.is_monotonic_increasing or series.index.has_duplicates:
        problem, expected = "the times of the rows are not in order or stand twice", "one night, in order"
        remedy = "Sort the rows, and give one night at a time."
        raise EpochGridError(problem, declared.name, expected=expected, remedy=remedy)
    if isinstance(series.index, pd.TimedeltaIndex):  # seconds after the start, as a column onset_s
        return spans_of_epochs(series.index.total_seconds().to_numpy(), series.tolist(), declared)
    times = _in_zone(series.index.to_series(), declared, "the index")
    onset = (times - times.iloc[0]).dt.total_seconds().to_numpy()
    return spans_of_epochs(onset, series.tolist(), declared, times.iloc[0].to_pydatetime())


def _by_begin(held: Any) -> Any:
    """Return a Series or DataFrame whose index of periods tells when each begins."""
    import pandas as pd

    return held.set_axis(held.index.to_timestamp(how="start")) if isinstance(held.index, pd.PeriodIndex) else held


def _in_zone(times: Any, declared: Declared, where: str) -> Any:
    """Return a Series of times with their zone, each of them placed by itself: a clock may change in the night."""
    import pandas as pd

    if declared.zone is None or times.dt.tz is not None:
        return times
    readings = (place_in_zone(t.to_pydatetime(), declared.zone, path=declared.name, where=where) for t in times)
    placed = pd.DatetimeIndex([moment.astimezone(UTC) for moment in readings], tz=UTC)
    return pd.Series(placed, index=times.index).dt.tz_convert(find_zone(declared.zone))


def _times_of(frame: Any, column: str, name: str) -> Any:
    """Return a column of a DataFrame as times; numbers are none, whatever they count from."""
    import pandas as pd

    if pd.api.types.infer_dtype(frame[column].astype(object), skipna=True) in _NO_TIMES:
        problem, expected = f"column '{column}' holds numbers or lengths of time", "dates with times"
        remedy = (
            "Call seconds after the start onset_s and duration_s. Unix seconds become times by "
            f"pandas.to_datetime(frame['{column}'], unit='s', utc=True)."
        )
        raise InputError(problem, name, found=str(frame[column].iloc[0]), expected=expected, remedy=remedy)
    try:
        times = _iso_times(frame[column])
    except (ValueError, TypeError) as error:
        problem, expected = f"column '{column}' holds something that is no time", "datetimes, or texts in ISO 8601"
        remedy = f"Turn the column into datetimes first, by pandas.to_datetime(frame['{column}'], format=...)."
        found = str(error).partition(chr(10))[0]
        raise InputError(problem, name, found=found, expected=expected, remedy=remedy) from None
    _refuse_missing(times, f"column '{column}'", name)
    return times


def _iso_times(column: Any) -> Any:
    """Return texts in ISO 8601, or times, as times; in UTC where offsets differ, as when clocks change."""
    import pandas as pd

    try:
        return pd.to_datetime(column, format="ISO8601")
    except ValueError:
        moments = [pd.Timestamp(text) for text in column]
        if any(moment.tzinfo is None for moment in moments):
            raise
        return pd.Series(pd.to_datetime(moments, utc=True), index=column.index)


def _refuse_missing(times: Any, what: str, name: str) -> None:
    """Refuse a Series of times in which one is missing."""
    if times.isna().any():
        row = int(times.isna().argmax())
        raise InputError(f"{what} lacks a time", name, f"row {row}", "", "", "Drop such rows first.")


def _numbers_of(frame: Any, column: str, name: str) -> Seconds:
    """Return a column of a DataFrame as numbers, missing ones as nan; lengths of time as seconds."""
    import pandas as pd

    held = frame[column]
    if pd.api.types.is_numeric_dtype(held):
        return np.asarray(held.to_numpy(float, na_value=np.nan))
    held = held.astype(object)
    kind = pd.api.types.infer_dtype(held, skipna=True)
    if kind == "timedelta" and column != "epoch":
        return np.asarray(pd.to_timedelta(held).dt.total_seconds())
    is_other = kind.startswith(("date", "time"))
    numbers = np.full(len(held), np.nan) if is_other else pd.to_numeric(held, errors="coerce").to_numpy(float)
    odd = np.isnan(numbers) & held.notna().to_numpy()
    if odd.any():
        row = int(odd.argmax())
        problem, expected = f"column '{column}' holds something that is no number", "a number in every row"
        remedy = "Turn the column into numbers first; dates with times belong into a column called start."
        raise InputError(problem, name, f"row {row}", str(held.iloc[row]), expected, remedy)
    return np.asarray(numbers)


#: Columns that tell the nights of a study apart.
_NAMES_OF_NIGHTS: Final = frozenset({"participant", "person", "subject", "night"})
#: Columns of a DataFrame of intervals.
_BY_TIME: Final = frozenset({"start", "end", "stage"})
_BY_SECONDS: Final = frozenset({"onset_s", "duration_s", "stage"})


def spans_of_frame(frame: Any, layout: Layout | None, declared: Declared) -> ScoredSpans:
    """Return the spans of a DataFrame of a form of its own, or of one read as a table by a layout or plain names."""
    _refuse_levels(frame, declared.name)
    frame = _by_begin(frame)
    if layout is None:
        _refuse_same_names(frame, declared.name)
        _refuse_several_nights(frame, declared.name)
    as_table = _layout_for(frame, layout, declared)
    if as_table is None:
        _refuse_two_clocks(frame, declared.name)
        spans = _from_epochs(frame, declared) if _is_per_epoch(frame) else _from_frame(frame, declared)
        return with_zone(spans, declared.zone)
    from sleepagree.readers.table.reader import spans_of_table

    table = _table_of_frame(frame, declared.name)
    _refuse_two_sides(table, as_table)
    return spans_of_table(table, layout=as_table, zone=declared.zone, own_words=declared.own_words)


def _refuse_levels(frame: Any, name: str) -> None:
    """Refuse a DataFrame whose columns have names of several levels."""
    if frame.columns.nlevels > 1:
        problem, found = "the columns of the DataFrame have names of several levels", f"{frame.columns.nlevels} levels"
        remedy = "Choose the columns of one side and name them anew: frame.columns = ['start', 'stage']."
        raise InputError(problem, name, found=found, expected="one name for each column", remedy=remedy)


def _refuse_same_names(frame: Any, name: str) -> None:
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
    if column is not None and isinstance(frame.index, (pd.DatetimeIndex, pd.TimedeltaIndex)):
        problem, expected = f"the index tells when each row begins, and so does column '{column}'", "one of the two"
        begins = ", with start=frame.index[0]" if isinstance(frame.index, pd.DatetimeIndex) else ""
        remedy = f"Drop column '{column}', or the index: frame.reset_index(drop=True){begins}."
        raise InputError(problem, name, expected=expected, remedy=remedy)


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


def _columns_of_stages(columns: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the names of columns in which every text is a word for a stage."""
    held = {name: set(texts) - {""} for name, texts in columns.items()}
    return [
        name
        for name, texts in held.items()
        if len(texts) > 1 and all(not text.isdecimal() and recognise_label(text) for text in texts)
    ]


def _is_per_epoch(frame: Any) -> bool:
    """Whether a DataFrame has one row per epoch: stages, when each begins, and no column that might tell more."""
    return "stage" in frame.columns and {*frame.columns} <= {"stage", *_TELL_WHEN}


def _from_epochs(frame: Any, declared: Declared) -> ScoredSpans:
    """Return the spans of a DataFrame with one row per epoch."""
    import pandas as pd

    tells_when = next((column for column in _TELL_WHEN if column in frame.columns), None)
    if tells_when is None:
        return spans_of_series(frame["stage"], declared)
    if tells_when == "start":
        index = pd.DatetimeIndex(_times_of(frame, "start", declared.name))
        return spans_of_series(pd.Series(frame["stage"].to_numpy(object), index=index), declared)
    at = _numbers_of(frame, tells_when, declared.name)
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
            _in_zone(_times_of(frame, key, declared.name), declared, f"column '{key}'") for key in ("start", "end")
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
        onset, duration = (_numbers_of(frame, key, declared.name) for key in ("onset_s", "duration_s"))
        return spans_of_intervals(onset, duration, values, declared)
    problem = "the DataFrame lacks columns"
    expected = "onset_s, duration_s and stage; start, end and stage; start, onset_s or epoch and stage; or stage alone"
    tells_when = [column for column in _TELL_WHEN if column in frame.columns and "stage" in frame.columns]
    texts = {name: [label_text(x) or "" for x in frame[name].tolist()] for name in frame if isinstance(name, str)}
    sides = [f"frame[{shorten(side)!r}]" for side in _columns_of_stages(texts)]
    remedy = f"Give each side by itself: {' and '.join(sides)}." if sides else "Rename its columns."
    if tells_when:  # its further columns may tell something, or nothing
        remedy = f"Give the columns that are meant alone: frame[[{tells_when[0]!r}, 'stage']]."
    raise InputError(problem, declared.name, found=", ".join(map(str, frame.columns)), expected=expected, remedy=remedy)


def _layout_for(frame: Any, given: Layout | None, declared: Declared) -> Layout | None:
    """Return the layout by which a DataFrame is read as a table; None where it has a form of its own, or none."""
    if given is None:
        if _is_per_epoch(frame) or any(form.issubset(frame.columns) for form in (_BY_TIME, _BY_SECONDS)):
            return None
        from sleepagree.readers.columns import are_told

        if not are_told(_names(frame), NO_LAYOUT):
            return None
        given = NO_LAYOUT
    return replace(given, stages={**given.stages, **declared.stages}, begins=given.begins or declared.start)


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


def _column_of(column: Any, name: str) -> ColumnData:
    """Return a column of a DataFrame as times or texts."""
    import pandas as pd

    from sleepagree.readers.times.clock import Clock, Times
    from sleepagree.readers.times.zones import times_of_type

    if isinstance(column.dtype, pd.DatetimeTZDtype) or pd.api.types.is_datetime64_dtype(column.dtype):
        _refuse_missing(column, f"column '{column.name}'", name)
        aware = column.dt.tz is not None
        moments = column.dt.tz_convert("UTC").dt.tz_localize(None) if aware else column
        us = moments.to_numpy("M8[us]").view(np.int64)
        return times_of_type(us, str(column.dt.tz)) if aware else Times(us, Clock.LOCAL)
    if pd.api.types.is_timedelta64_dtype(column.dtype):
        column = column.dt.total_seconds()
    return [label_text(value) or "" for value in column.tolist()]
