"""Parquet tables, by pyarrow, which comes with the extra ``parquet``."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import numpy as np

from sleepagree.errors import FileFormatError, InputError, SleepAgreeError, for_page, shorten
from sleepagree.files.kinds import PARQUET
from sleepagree.files.reading import read_bytes
from sleepagree.readers.columns import find_columns
from sleepagree.readers.layout import Layout, Overlaps
from sleepagree.readers.rows import Places
from sleepagree.readers.table.table import ColumnData, Table, cell_text, origin_of
from sleepagree.readers.times.clock import EARLIEST_US, LATEST_US, SECOND_US, Clock, Microseconds, Times
from sleepagree.readers.times.zones import times_of_type

_MAGIC: Final = b"PAR1"


def parquet_table(path: str, layout: Layout, *, whole: bool = False) -> Table:
    """Return the columns of a Parquet file that are needed, or all that hold plain values.

    Parameters
    ----------
    path : str
        Parquet file with the columns that a text table would have. Times may be timestamps (with a zone: moments in
        UTC; without: local times), numbers or texts; durations may be Arrow durations, or numbers with a unit.
    layout : Layout
        The columns that it names are needed.
    whole : bool
        Whether all columns are.

    Raises
    ------
    FileFormatError
        When it is no such file, or lacks a column; rows are named by their number, from 1 on.
    InputError
        When the file cannot be read, or pyarrow is not installed.
    """
    data = read_bytes(path, expected="a complete Parquet file", own=(PARQUET,))
    with opened_parquet(data, path) as (arrow, file):
        names = tuple(file.schema_arrow.names)
        columns = None if whole else find_columns(names, layout, path=path, where="")
        # where a rule says which of two rows wins, another column may tell that they are of two recordings
        needed = set[int]() if columns is None else columns.used
        is_all = columns is None or layout.overlaps is not Overlaps.REFUSE
        wanted = range(len(names)) if is_all else sorted(needed)
        # a night is small: threads would cost more than they save
        content = file.read(columns=[names[i] for i in wanted], use_threads=False)
        if content.num_rows == 0:
            raise FileFormatError("there is no row in the table", path, remedy="Export the night again.")
        unit = layout.duration_unit or (columns.duration_unit if columns else None) or 1.0
        read: dict[int, ColumnData] = {}
        for i in wanted:
            with contextlib.suppress(*(() if i in needed else (FileFormatError,))):
                read[i] = _Column(arrow, names[i], path, unit).read(content.column(names[i]))
        duration = None if columns is None else columns.duration
        typed_duration = duration is not None and arrow.types.is_duration(content.schema.field(names[duration]).type)
    return Table(
        names,
        read,
        Places(range(1, content.num_rows + 1), "row {}", "rows {}"),
        origin_of(path, "parquet", data),
        path,
        duration_unit=1.0 if typed_duration else None,
        header_place="",
        decimal_point=True,
    )


@contextlib.contextmanager
def opened_parquet(data: bytes, path: str) -> Iterator[tuple[Any, Any]]:
    """Yield pyarrow and an open file; whatever pyarrow raises inside is told as a broken file.

    Raises
    ------
    InputError
        When pyarrow is not installed.
    FileFormatError
        When the bytes are no complete Parquet file.
    """
    if data[:4] != _MAGIC or data[-4:] != _MAGIC:
        raise _no_parquet(path, "the marks PAR1 at both ends are missing")
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise InputError.of_library("reading Parquet", "pyarrow", "parquet", path) from None
    try:
        yield pyarrow, parquet.ParquetFile(pyarrow.BufferReader(data), pre_buffer=False)
    except SleepAgreeError:
        raise
    except (pyarrow.ArrowException, OSError, ValueError, KeyError, OverflowError) as error:
        raise _no_parquet(path, str(error).partition("\n")[0]) from None


class _Column(NamedTuple):
    """How to read one column."""

    arrow: Any
    name: str
    path: str
    duration_unit: float

    def read(self, chunks: Any) -> ColumnData:
        """Return an Arrow column as times or texts."""
        values = chunks.combine_chunks() if hasattr(chunks, "combine_chunks") else chunks
        types = self.arrow.types
        kind = values.type
        if types.is_dictionary(kind):
            values = values.dictionary_decode()
            kind = values.type
        if types.is_timestamp(kind):
            return self._timestamps(values, kind.tz)
        if types.is_date(kind):
            return self._timestamps(values.cast(self.arrow.timestamp("us"), safe=False), None)
        if types.is_time(kind):
            return Times(self._whole(values.cast(self.arrow.time64("us"), safe=False)), Clock.DAY)
        if types.is_duration(kind):
            us = self._whole(values.cast(self.arrow.duration("us"), safe=False))
            return [repr(value / SECOND_US / self.duration_unit) for value in us.tolist()]
        plain = (types.is_boolean, types.is_integer, types.is_floating, types.is_string, types.is_large_string)
        if any(is_kind(kind) for is_kind in plain):
            return [_text(value) for value in values.to_pylist()]
        problem = "a column has a type that holds neither times nor labels"
        expected = "timestamps, dates, times, durations, numbers or texts"
        remedy = for_page("Name another column in the layout", "Choose another column") + ", or write this one as text."
        raise FileFormatError(problem, self.path, f"column '{shorten(self.name)}'", str(kind), expected, remedy)

    def _whole(self, values: Any) -> Microseconds:
        """Return the microseconds of a column in which every row has a value."""
        if values.null_count:
            row = values.is_null().index(True).as_py()
            where = f"row {row + 1}, column '{shorten(self.name)}'"
            remedy = "Complete the row or take it out."
            raise FileFormatError("the time is missing", self.path, where, "null", "a value in every row", remedy)
        return np.array(values.cast(self.arrow.int64()).to_numpy(zero_copy_only=False), np.int64)

    def _timestamps(self, values: Any, zone: str | None) -> Times:
        us = self._whole(values.cast(self.arrow.timestamp("us", tz=zone), safe=False))
        outside = np.flatnonzero((us < EARLIEST_US) | (us > LATEST_US))
        if outside.size:
            problem, where = "a time out of range", f"row {int(outside[0]) + 1}, column '{shorten(self.name)}'"
            found = f"{int(us[outside[0]])} microseconds from 1970"
            raise FileFormatError(problem, self.path, where, found, "years 1000 to 9000", "Correct the row.")
        return Times(us, Clock.LOCAL) if zone is None else times_of_type(us, zone)


def _text(value: object) -> str:
    """Return a value as a text table would hold it; what is no number as nothing."""
    return "" if isinstance(value, float) and not math.isfinite(value) else cell_text(value)


def _no_parquet(path: str, reason: str) -> FileFormatError:
    problem, expected = "this is no Parquet file that can be read", "a complete Parquet file"
    remedy = "The file may be cut short, or another kind of file with this suffix; export it again."
    return FileFormatError(problem, path, found=reason, expected=expected, remedy=remedy)
