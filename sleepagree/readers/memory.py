"""Hypnograms from whatever one has: a file, an array of labels, a pandas object, ``mne.Annotations``."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from sleepagree.errors import EpochGridError, FileFormatError, InputError, UnknownStageError, shorten
from sleepagree.hypnogram.spans import EPOCH_S, EpochLengthFrom, Origin, ScoredSpans
from sleepagree.hypnogram.zones import find_zone, place_in_zone, with_zone
from sleepagree.mapping.words import NOT_A_STAGE, STAGE_WORDS, UNSCORED, assign_stages, recognise_label
from sleepagree.readers import read_spans
from sleepagree.readers.layout import NO_LAYOUT, Layout, read_layout

if TYPE_CHECKING:  # tables are loaded when one is read
    from sleepagree.readers.table.table import ColumnData, Table

#: Columns that tell the nights of a study apart.
_NAMES_OF_NIGHTS: Final = frozenset({"participant", "person", "subject", "night"})


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
    if isinstance(source, ScoredSpans):
        spans = source
    elif isinstance(source, (str, os.PathLike)):
        return _with_reports(_read_file(Path(source), layout, zone, own_words), reports)
    elif isinstance(source, (list, tuple)) and source and all(isinstance(part, os.PathLike) for part in source):
        return _with_reports(_read_file(source, layout, zone, own_words), reports)
    elif _is_from(source, "mne"):
        from sleepagree.readers.mne_files import spans_from_mne

        spans = spans_from_mne(source, stages=stages, own_words=own_words)
    elif _is_from(source, "pandas") and hasattr(source, "columns"):
        if layout is None:
            _refuse_several_nights(source, name)
        asked = _layout_for(source, layout, stages, start)
        if asked is not None:
            from sleepagree.readers.table.reader import spans_of_table

            table = _table_of_frame(source, name)
            _refuse_two_sides(table, asked)
            return _with_reports(spans_of_table(table, layout=asked, zone=zone, own_words=own_words), reports)
        counted = None
        if _is_per_epoch(source):
            given, source = source, _one_row_an_epoch(source, epoch_s, name)
            counted = _numbers_of_epochs(given) if start is None else None
        if hasattr(source, "columns"):
            spans = _from_frame(source, stages, zone, own_words, name)
            if counted is not None:
                spans = spans.with_changes(epoch_s=epoch_s, epoch_from=EpochLengthFrom.LAYOUT, counted=counted)
            spans = spans if start is None or spans.start is not None else spans.with_changes(start=start)
        else:
            spans = _from_series(source, stages, start, epoch_s, zone, own_words, name)
    elif _is_from(source, "pandas") and hasattr(source, "index") and not callable(source.index):
        spans = _from_series(source, stages, start, epoch_s, zone, own_words, name)
    elif isinstance(source, np.ndarray) and source.ndim != 1:
        raise ValueError(f"an array of labels must have one dimension, one label per epoch, not shape {source.shape}")
    elif _is_array(source):
        spans = _from_labels(list(source), stages, start, epoch_s, own_words, name)
    else:
        raise TypeError(
            f"source must be a path, labels, a pandas object, mne.Annotations or ScoredSpans, not {type(source)!r}"
        )
    return _with_reports(with_zone(spans, zone), reports)


def _is_array(source: Any) -> bool:
    """Whether a source holds labels one after the other: a sequence, an array, or what has an array inside."""
    if isinstance(source, (bytes, bytearray, memoryview, Mapping)):
        return False
    return isinstance(source, (Sequence, np.ndarray)) or (hasattr(source, "__array__") and hasattr(source, "__iter__"))


def _is_from(source: Any, package: str) -> bool:
    return type(source).__module__.partition(".")[0] == package


def _with_reports(spans: ScoredSpans, reports: Sequence[str] | None) -> ScoredSpans:
    return spans if reports is None else spans.with_changes(reports=tuple(reports))


def _read_file(
    path: Path | Sequence[Path], layout: Layout | str | os.PathLike[str] | None, zone: str | None, own: frozenset[str]
) -> ScoredSpans:
    return read_spans(path, layout=_loaded(layout), zone=zone, own_words=own)


def _loaded(layout: Layout | str | os.PathLike[str] | None) -> Layout | None:
    if isinstance(layout, (str, os.PathLike)):
        return read_layout(layout)
    if layout is not None and not isinstance(layout, Layout):
        raise TypeError(
            f"layout must be the path of a layout or what read_layout() returns, not {type(layout).__name__}"
        )
    return layout


# --- a DataFrame as a table ------------------------------------------------------------------------------


def _layout_for(
    frame: Any,
    layout: Layout | str | os.PathLike[str] | None,
    stages: Mapping[str, str] | None,
    start: datetime | None,
) -> Layout | None:
    """Return the layout by which a DataFrame is read as a table; None where it has a form of its own, or none."""
    given = _loaded(layout)
    columns = set(frame.columns)
    if given is None:
        if (
            _is_per_epoch(frame)
            or {"onset_s", "duration_s", "stage"} <= columns
            or {"start", "end", "stage"} <= columns
        ):
            return None
        from sleepagree.readers.columns import find_columns

        try:
            find_columns(_names(frame), NO_LAYOUT, path="")
        except FileFormatError:
            return None
        given = NO_LAYOUT
    told = {str(label): stage for label, stage in (stages or {}).items()}
    return replace(given, stages=given.stages | told, begins=given.begins or start)


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
        by = ", ".join(repr(str(column)) for column in named)
        raise InputError(
            "the DataFrame holds more than one night",
            name,
            found=f"{frame[several[0]].nunique()} names in column '{several[0]}'",
            expected="the rows of one night",
            remedy=f"Group it: for names, rows in frame.groupby([{by}]). summarise_study() takes the nights then.",
        )


def _refuse_two_sides(table: Table, layout: Layout) -> None:
    """Refuse a frame that holds the stages of both sides, of which one would be taken for either."""
    if layout.stage is not None or layout.stage_columns or "stage" in table.names:
        return
    told = {table.names[i]: data for i, data in table.columns.items() if isinstance(data, list)}
    sides = _columns_of_stages(told)
    if len(sides) > 1:
        raise InputError(
            "more than one column holds stages",
            table.path,
            found=" and ".join(f"'{name}'" for name in sides),
            expected="the stages of one side",
            remedy=f"Give that side's column with its times, such as frame[['{table.names[0]}', '{sides[0]}']].",
        )


def _columns_of_stages(columns: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the names of columns in which every text is a word for a stage."""
    told = {name: set(texts) - {""} for name, texts in columns.items()}
    return [
        name
        for name, texts in told.items()
        if len(texts) > 1 and all(not text.isdecimal() and recognise_label(text) for text in texts)
    ]


def _column_of(column: Any, name: str) -> ColumnData:
    """Return a column of a DataFrame as times or texts."""
    import pandas as pd

    from sleepagree.readers.times.clock import Clock, Times

    if isinstance(column.dtype, pd.DatetimeTZDtype) or pd.api.types.is_datetime64_dtype(column.dtype):
        if column.isna().any():
            row = int(column.isna().argmax())
            raise InputError(
                f"column '{column.name}' lacks a time", name, f"row {row}", "", "", "Drop such rows first."
            )
        aware = column.dt.tz is not None
        moments = column.dt.tz_convert("UTC").dt.tz_localize(None) if aware else column
        us = moments.to_numpy("M8[us]").view(np.int64)
        offset = column.iloc[0].utcoffset() if aware else None
        return Times(us, Clock.UTC if aware else Clock.LOCAL, 0 if offset is None else round(offset.total_seconds()))
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


def _from_labels(
    values: list[Any],
    stages: Mapping[str, str] | None,
    start: datetime | None,
    epoch_s: float,
    own: frozenset[str],
    name: str,
) -> ScoredSpans:
    texts = [_label_text(value) for value in values]
    labels = tuple(dict.fromkeys(text for text in texts if text is not None))
    # first of all: labels without end are no stages, and more than a code can number
    label_stages = _stages_of(labels, stages, own, name)
    position = {label: i for i, label in enumerate(labels)}
    codes = np.array([-1 if text is None else position[text] for text in texts], np.int16)
    edges = np.flatnonzero(np.diff(codes, prepend=-2, append=-2))
    begin, length = edges[:-1], np.diff(edges)
    kept = codes[begin] >= 0 if begin.size else np.zeros(0, bool)
    return ScoredSpans(
        np.asarray(begin[kept] * epoch_s, np.float64),
        np.asarray(length[kept] * epoch_s, np.float64),
        codes[begin[kept]],
        labels,
        label_stages,
        start=start,
        epoch_s=epoch_s,
        epoch_from=EpochLengthFrom.LAYOUT,
        origin=Origin(name, "memory"),
        counted=None if start is not None else (0, len(values)),
    )


def _stages_of(
    labels: tuple[str, ...], stages: Mapping[str, str] | None, own: frozenset[str], name: str
) -> tuple[str, ...]:
    table = {str(key): value for key, value in (stages or {}).items()}
    try:
        return assign_stages(labels, table=table, own_words=own, path=name)
    except UnknownStageError as error:
        if not error.labels:
            raise
        wanted = ", ".join(f"{label if label.isdecimal() else repr(label)}: ..." for label in error.labels[:6])
        more = ", ..." if len(error.labels) > 6 else ""
        raise UnknownStageError(
            error.problem,
            error.path,
            error.where,
            error.found,
            "a plain stage name, or a word for it in stages",
            f"Give read_hypnogram(..., stages={{{wanted}{more}}}) with one of {', '.join(STAGE_WORDS)}, {UNSCORED} and "
            f"{NOT_A_STAGE} for each.",
            error.facts,
        ) from None


def _from_series(
    series: Any,
    stages: Mapping[str, str] | None,
    start: datetime | None,
    epoch_s: float,
    zone: str | None,
    own: frozenset[str],
    name: str,
) -> ScoredSpans:
    import pandas as pd

    if not isinstance(series.index, pd.DatetimeIndex):
        return _from_labels(series.tolist(), stages, start, epoch_s, own, name)
    if not series.index.is_monotonic_increasing or series.index.has_duplicates:
        raise EpochGridError(
            "the times of the Series are not in order or stand twice",
            name,
            expected="one night, in order",
            remedy="Sort the rows, and give one night at a time.",
        )
    times = _in_zone(series.index.to_series(), zone, "the index", name)
    onset = (times - times.iloc[0]).dt.total_seconds().to_numpy()
    step = float(np.median(np.diff(onset))) if onset.size > 1 else epoch_s
    frame = pd.DataFrame({"onset_s": onset, "duration_s": step, "stage": series.to_numpy()})
    spans = _from_frame(frame, stages, None, own, name)
    first = times.iloc[0].to_pydatetime()
    return spans.with_changes(
        start=first, wall_clock=first.tzinfo is None, epoch_s=step, epoch_from=EpochLengthFrom.INFERRED
    )


def _in_zone(times: Any, zone: str | None, where: str, name: str) -> Any:
    """Return a Series of times with their zone, each of them placed by itself: a clock may change in the night."""
    import pandas as pd

    if zone is None or times.dt.tz is not None:
        return times
    placed = [place_in_zone(t.to_pydatetime(), zone, path=name, where=where).astimezone(UTC) for t in times]
    return pd.Series(pd.DatetimeIndex(placed, tz=UTC), index=times.index).dt.tz_convert(find_zone(zone))


def _times(frame: Any, column: str, zone: str | None, name: str) -> Any:
    import pandas as pd

    try:
        times = pd.to_datetime(frame[column])
    except (ValueError, TypeError) as error:
        problem, expected = f"column '{column}' holds something that is no time", "times that pandas reads"
        remedy = "Turn the column into datetimes first."
        found = str(error).partition(chr(10))[0]
        raise InputError(problem, name, found=found, expected=expected, remedy=remedy) from None
    if times.isna().any():
        row = int(times.isna().argmax())
        raise InputError(f"column '{column}' lacks a time", name, f"row {row}", "", "", "Drop such rows first.")
    return _in_zone(times, zone, f"column '{column}'", name)


def _is_per_epoch(frame: Any) -> bool:
    """Whether a DataFrame has one row per epoch: stages, when each begins, and no column that might tell more."""
    return "stage" in frame.columns and {*frame.columns} <= {"stage", "start", "onset_s", "epoch"}


def _numbers_of_epochs(frame: Any) -> tuple[int, int] | None:
    """Return the first number of an epoch and how many the numbers span; None where no column ``epoch`` tells when."""
    if "epoch" not in frame.columns or {"start", "onset_s"} & {*frame.columns} or not len(frame):
        return None
    first, last = (int(float(frame["epoch"].iloc[row])) for row in (0, -1))
    return first, last - first + 1


def _one_row_an_epoch(frame: Any, epoch_s: float, name: str) -> Any:
    """Return epochs as a Series by position or by time, or as intervals."""
    import pandas as pd

    told = [column for column in ("start", "onset_s", "epoch") if column in frame.columns]
    if not told:
        return frame["stage"]
    if told[0] == "start":
        return pd.Series(frame["stage"].to_numpy(object), index=pd.DatetimeIndex(_times(frame, "start", None, name)))
    at = pd.to_numeric(frame[told[0]], errors="coerce").to_numpy(float)
    if not np.isfinite(at).all() or (np.diff(at) <= 0).any():
        row = int(np.argmax(~np.isfinite(at))) if not np.isfinite(at).all() else int(np.argmax(np.diff(at) <= 0)) + 1
        raise EpochGridError(
            f"column '{told[0]}' is not in order, stands twice or lacks a number",
            name,
            f"row {row}",
            str(frame[told[0]].iloc[row]),
            "a greater number in every row",
            "Sort the rows, and give one night at a time.",
        )
    onset = at if told[0] == "onset_s" else at * epoch_s
    return pd.DataFrame({"onset_s": onset, "duration_s": epoch_s, "stage": frame["stage"].to_numpy(object)})


def _from_frame(
    frame: Any, stages: Mapping[str, str] | None, zone: str | None, own: frozenset[str], name: str
) -> ScoredSpans:
    start = None
    columns = set(frame.columns)
    if {"start", "end", "stage"} <= columns:
        begin, end = _times(frame, "start", zone, name), _times(frame, "end", zone, name)
        if (begin.dt.tz is None) != (end.dt.tz is None):
            raise InputError(
                "one of 'start' and 'end' tells its zone, the other does not",
                name,
                expected="both with a zone, or none",
                remedy="Give zone, or localise the column.",
            )
        start = None if begin.empty else begin.min().to_pydatetime()
        onset = (begin - begin.min()).dt.total_seconds().to_numpy()
        duration = (end - begin).dt.total_seconds().to_numpy()
    elif {"onset_s", "duration_s", "stage"} <= columns:
        onset, duration = frame["onset_s"].to_numpy(float), frame["duration_s"].to_numpy(float)
    else:
        problem, expected = (
            "the DataFrame lacks columns",
            "onset_s, duration_s and stage; start, end and stage; or stage alone",
        )
        columns_told = {
            name: [_label_text(x) or "" for x in frame[name].tolist()] for name in frame if isinstance(name, str)
        }
        sides = _columns_of_stages(columns_told)
        remedy = "Rename its columns."
        if sides:
            remedy = f"Give each side by itself: {' and '.join(f'frame[{shorten(side)!r}]' for side in sides)}."
        raise InputError(problem, name, found=", ".join(map(str, frame.columns)), expected=expected, remedy=remedy)
    order = np.argsort(onset, kind="stable")
    texts = [_label_text(value) for value in frame["stage"].tolist()]
    kept = np.array([i for i in order if texts[i] is not None], int)
    labels = tuple(dict.fromkeys(text for i in kept if (text := texts[i]) is not None))
    label_stages = _stages_of(labels, stages, own, name)
    position = {label: i for i, label in enumerate(labels)}
    codes = np.array([position[texts[i] or ""] for i in kept], np.int16)
    early = onset[kept][1:] < (onset + duration)[kept][:-1] - 1e-3  # as `ScoredSpans` looks at them
    if early.any():
        row = int(kept[1:][early.argmax()])
        raise EpochGridError(
            "the interval begins before one above it ends",
            name,
            f"row {row}",
            texts[row] or "",
            "one stage at a time",
            "Shorten or drop one of the two.",
        )
    return ScoredSpans(
        onset[kept],
        duration[kept],
        codes,
        labels,
        label_stages,
        start=start,
        wall_clock=start is not None and start.tzinfo is None,
        origin=Origin(name, "memory"),
    )
