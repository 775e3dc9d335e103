"""DataFrames that are read as a table in a file would be: by plain names of columns, or by a layout."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from sleepagree.errors import InputError
from sleepagree.hypnogram.spans import Origin, ScoredSpans
from sleepagree.readers.in_memory.frames import columns_of_stages, has_own_form
from sleepagree.readers.in_memory.labels import Declared, label_text
from sleepagree.readers.in_memory.times import refuse_missing
from sleepagree.readers.layout import NO_LAYOUT, Layout

if TYPE_CHECKING:  # tables are loaded when one is read
    from sleepagree.readers.table.table import ColumnData, Table


def spans_as_table(frame: Any, layout: Layout | None, declared: Declared) -> ScoredSpans | None:
    """Return the spans of a DataFrame that is read as a table; None where it has a form of its own, or none."""
    as_table = _layout_for(frame, layout, declared)
    if as_table is None:
        return None
    from sleepagree.readers.table.reader import spans_of_table

    table = _table_of_frame(frame, declared.name)
    _refuse_two_sides(table, as_table)
    return spans_of_table(table, layout=as_table, zone=declared.zone, own_words=declared.own_words)


def _layout_for(frame: Any, given: Layout | None, declared: Declared) -> Layout | None:
    """Return the layout by which a DataFrame is read as a table; None where it has a form of its own, or none."""
    if given is None:
        if has_own_form(frame):
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
    sides = columns_of_stages(columns)
    if len(sides) > 1:
        problem, found = "more than one column holds stages", " and ".join(f"'{name}'" for name in sides)
        remedy = f"Give that side's column with its times, such as frame[['{table.names[0]}', '{sides[0]}']]."
        raise InputError(problem, table.path, found=found, expected="the stages of one side", remedy=remedy)


def _column_of(column: Any, name: str) -> ColumnData:
    """Return a column of a DataFrame as times or texts."""
    import pandas as pd

    from sleepagree.readers.times.clock import Clock, Times, offset_of

    if isinstance(column.dtype, pd.DatetimeTZDtype) or pd.api.types.is_datetime64_dtype(column.dtype):
        refuse_missing(column, f"column '{column.name}'", name)
        aware = column.dt.tz is not None
        moments = column.dt.tz_convert("UTC").dt.tz_localize(None) if aware else column
        us = moments.to_numpy("M8[us]").view(np.int64)
        return Times(us, Clock.UTC if aware else Clock.LOCAL, offset_of(column.iloc[0]) or 0)
    if pd.api.types.is_timedelta64_dtype(column.dtype):
        column = column.dt.total_seconds()
    return [label_text(value) or "" for value in column.tolist()]
