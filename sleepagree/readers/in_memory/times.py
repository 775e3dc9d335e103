"""Times in memory: columns of a DataFrame and the index of a Series, as pandas holds them."""

from __future__ import annotations

from datetime import UTC
from typing import Any, Final

import numpy as np

from sleepagree.errors import EpochGridError, InputError
from sleepagree.hypnogram.spans import ScoredSpans, Seconds
from sleepagree.hypnogram.zones import find_zone, place_in_zone
from sleepagree.readers.in_memory.labels import Declared, spans_of_epochs, spans_of_labels

#: What pandas calls a column of numbers, which it would take for nanoseconds since 1970.
_NO_TIMES: Final = frozenset({"integer", "floating", "mixed-integer-float", "decimal", "boolean", "timedelta"})


def spans_of_series(series: Any, declared: Declared) -> ScoredSpans:
    """Return the spans of a Series with one label per epoch; a DatetimeIndex tells when each begins."""
    import pandas as pd

    if not isinstance(series.index, pd.DatetimeIndex) or not len(series):
        return spans_of_labels(series.tolist(), declared)
    refuse_missing(series.index.to_series(), "the index", declared.name)
    if not series.index.is_monotonic_increasing or series.index.has_duplicates:
        problem, expected = "the times of the rows are not in order or stand twice", "one night, in order"
        remedy = "Sort the rows, and give one night at a time."
        raise EpochGridError(problem, declared.name, expected=expected, remedy=remedy)
    times = in_zone(series.index.to_series(), declared, "the index")
    onset = (times - times.iloc[0]).dt.total_seconds().to_numpy()
    return spans_of_epochs(onset, series.tolist(), declared, times.iloc[0].to_pydatetime())


def in_zone(times: Any, declared: Declared, where: str) -> Any:
    """Return a Series of times with their zone, each of them placed by itself: a clock may change in the night."""
    import pandas as pd

    if declared.zone is None or times.dt.tz is not None:
        return times
    readings = (place_in_zone(t.to_pydatetime(), declared.zone, path=declared.name, where=where) for t in times)
    placed = pd.DatetimeIndex([moment.astimezone(UTC) for moment in readings], tz=UTC)
    return pd.Series(placed, index=times.index).dt.tz_convert(find_zone(declared.zone))


def times_of(frame: Any, column: str, name: str) -> Any:
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
        times = pd.to_datetime(frame[column])
    except (ValueError, TypeError) as error:
        problem, expected = f"column '{column}' holds something that is no time", "times that pandas reads"
        remedy = "Turn the column into datetimes first."
        found = str(error).partition(chr(10))[0]
        raise InputError(problem, name, found=found, expected=expected, remedy=remedy) from None
    refuse_missing(times, f"column '{column}'", name)
    return times


def refuse_missing(times: Any, what: str, name: str) -> None:
    """Refuse a Series of times in which one is missing."""
    if times.isna().any():
        row = int(times.isna().argmax())
        raise InputError(f"{what} lacks a time", name, f"row {row}", "", "", "Drop such rows first.")


def numbers_of(frame: Any, column: str, name: str) -> Seconds:
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
