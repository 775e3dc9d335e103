"""Years of other calendars: read where a layout says so, refused elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.readers.times.clock import Microseconds, microseconds_of

_ERAS_APART: Final = 543
_BUDDHIST_YEAR: Final = re.compile(r"(?<!\d)2[56]\d\d(?!\d)", re.ASCII)
#: Years that no night of a wearable has, and that nobody shifts dates to: calendar, first and last year.
_OTHERS: Final = (("Buddhist era", 2500, 2600), ("Persian or Islamic calendar", 1300, 1500))


def in_common_era(cell: str) -> str:
    """Return a date of the Buddhist era with its year of the common era; raise a ValueError where it has none."""
    plain, found = _BUDDHIST_YEAR.subn(lambda year: str(int(year[0]) - _ERAS_APART), cell, count=1)
    if not found:
        raise ValueError(cell)
    return plain


def of_other_calendars(us: Microseconds) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Yield calendars with the rows whose year is one of them, if there are any."""
    for calendar, first, last in _OTHERS:
        rows = np.flatnonzero((us >= _year_us(first)) & (us < _year_us(last + 1)))
        if rows.size:
            yield calendar, rows


def _year_us(year: int) -> int:
    return microseconds_of(datetime(year, 1, 1))
