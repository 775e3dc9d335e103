"""A table of any origin, and what is known while it is read."""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import NamedTuple

from sleepagree.caution import Caution, Note
from sleepagree.errors import ASKED, FileFormatError, asked, for_page, shorten
from sleepagree.hypnogram.spans import Origin
from sleepagree.readers.columns import Columns
from sleepagree.readers.layout import Layout, Shape
from sleepagree.readers.rows import Places, Rows
from sleepagree.readers.times.clock import Clock, Column, Times, naive_datetime

#: A column: texts, or times that the file stores as such.
ColumnData = Sequence[str] | Times


class Table(NamedTuple):
    """Columns of a table of any origin.

    Parameters
    ----------
    names : tuple of str
        Names of the columns.
    columns : mapping
        Position of a column -> its cells as texts, or its times.
    places : Places
        Where each row stands.
    origin : Origin
        Where it came from.
    path : str
        File, for messages.
    notes : tuple of Note
        Ledger lines of the reader.
    levels : mapping of str to str
        What codes of the stage column mean, where the file's own description tells it.
    elapsed : bool
        Whether plain numbers in the column of beginnings are elapsed seconds by the standard of the format.
    duration_unit : float or None
        Seconds in a unit of duration by the standard of the format.
    missing : frozenset of str
        Labels that stand for a missing value by the standard of the format.
    header_place : str
        Where the names of the columns stand.
    decimal_point : bool
        Whether a point parts decimals by the standard of the format, and never thousands.
    """

    names: tuple[str, ...]
    columns: Mapping[int, ColumnData]
    places: Places
    origin: Origin
    path: str
    notes: tuple[Note, ...] = ()
    levels: Mapping[str, str] = MappingProxyType({})
    elapsed: bool = False
    duration_unit: float | None = None
    missing: frozenset[str] = frozenset()
    header_place: str = "line 1"
    decimal_point: bool = False

    def texts(self, position: int) -> Sequence[str]:
        """Return a column as texts."""
        data = self.columns[position]
        if isinstance(data, Times):
            problem, where = "the column holds times, not texts", f"column '{shorten(self.names[position])}'"
            remedy = for_page("Name another column in the layout.", "Choose another column.")
            raise FileFormatError(problem, self.path, where, expected="labels or numbers", remedy=remedy)
        return data

    def cells(self, position: int) -> list[str]:
        """Return the cells of a column without the space around them, times as texts."""
        data = self.columns[position]
        if not isinstance(data, Times):
            return [text.strip() for text in data]
        if data.clock is Clock.DAY:
            return [str(naive_datetime(us).time()) for us in data.us.tolist()]
        return [str(naive_datetime(us)).removesuffix(" 00:00:00") for us in data.us.tolist()]

    def taking(self, rows: Rows) -> Table:
        """Return some of the rows, in the order given."""
        kept = rows.tolist()
        numbers = [self.places.numbers[row] for row in kept]
        columns: dict[int, ColumnData] = {
            i: data._replace(us=data.us[rows]) if isinstance(data, Times) else [data[row] for row in kept]
            for i, data in self.columns.items()
        }
        return self._replace(columns=columns, places=self.places._replace(numbers=numbers))


def origin_of(path: str, reader: str, data: bytes) -> Origin:
    """Return what a result tells of the file that a table came from."""
    return Origin(os.path.basename(path), reader, hashlib.sha256(data).hexdigest())  # noqa: PTH119 - text or Path


def cell_text(value: object, *, largest: float = math.inf) -> str:
    """Return a value as a text table would hold it: a whole number below ``largest`` without decimals, None as ""."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and value.is_integer() and abs(value) < largest:
        return str(int(value))
    return str(value)


@dataclass(eq=False)
class TableReading:
    """A table being read: what is asked of it, and what there is to tell.

    Parameters
    ----------
    table : Table
        What is read.
    layout : Layout
        How.
    columns : Columns
        Where everything stands.
    zone : str or None
        IANA zone of times without one.
    own_words : frozenset of str
        Labels that a mapping file explains.
    notes, cautions : list of Note, list of Caution
        Ledger lines and warnings so far.
    """

    table: Table
    layout: Layout
    columns: Columns
    zone: str | None
    own_words: frozenset[str]
    notes: list[Note]
    cautions: list[Caution] = field(default_factory=list)

    @property
    def path(self) -> str:
        """File, for messages."""
        return self.table.path

    @property
    def places(self) -> Places:
        """Where each row stands."""
        return self.table.places

    @property
    def end(self) -> int | None:
        """Position of the ends, where each row tells when it ends."""
        return None if self.layout.shape is Shape.EPOCHS else self.columns.end

    @property
    def duration_unit(self) -> float | None:
        """Seconds in a unit of the durations, as layout, name of the column or format tell it."""
        return self.layout.duration_unit or self.columns.duration_unit or self.table.duration_unit

    def column(self, position: int, rows: Rows | None = None) -> Column:
        """Return what messages call a column, and where the rows of it stand that are read (all, if None)."""
        at = self.places.at if rows is None else lambda row: self.places.at(int(rows[row]))
        return Column(self.table.names[position], self.path, at, self.table.decimal_point)

    def contradiction(self, key: str, reason: str) -> FileFormatError:
        """Return the error for a key of the layout that does not go with the file."""
        problem = for_page("the layout does not go", "an answer does not go") + f" with this file: {reason}"
        question = asked(key) if key in ASKED else f"'{key}'"
        where = for_page(f"[file], key '{key}' of {self.layout.name or 'the layout'}", question)
        remedy = for_page(f"Take '{key}' out of the layout, or correct it.", "Take it back, or correct it.")
        return FileFormatError(problem, self.path, where, remedy=remedy)
