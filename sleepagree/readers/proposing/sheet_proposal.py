"""Which of several sheets with columns of the same names to read: as of one night each, and often not dated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Final

from sleepagree.errors import counted
from sleepagree.readers.layout import COLUMNS
from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen
from sleepagree.readers.proposing.column_roles import Found
from sleepagree.readers.proposing.layout_proposal import Choice, NightsHeld, Setting, Why
from sleepagree.readers.times.clock import naive_datetime

_FEWEST_ROWS: Final = 3
#: A night that begins further from a moment than this is another one.
_NEAR: Final = timedelta(hours=12)
#: What a day of a column of dates is taken for: that of the evening, as most say.
_EVENING: Final = time(20)


def one_of_sheets(found: Sequence[Found], near: datetime | None) -> list[Found]:
    """Return readings of sheets in which the likeliest stands for all that have the same columns.

    Which of them to read is the one that begins near a moment, where one alone does, else a blank.
    """
    likeliest = max(found, key=lambda one: one.score, default=None)
    if likeliest is None or "sheet" not in likeliest.told:
        return list(found)
    alike = [one for one in found if one.is_whole and one.rows >= _FEWEST_ROWS and _roles(one) == _roles(likeliest)]
    if len(alike) < 2:
        return list(found)
    others = [one for one in found if not any(one is other for other in alike)]
    begun = [_begins(one) for one in alike]
    at = [i for i, moment in enumerate(begun) if near and moment and abs(moment - near.replace(tzinfo=None)) <= _NEAR]
    if len(at) == 1:
        return [_with_sheet(alike[at[0]], alike, _nearest(alike, begun, at[0])), *others]
    return [_with_sheet(likeliest, alike, _asked(alike)), *others]


def _roles(found: Found) -> dict[str, object]:
    """Return what the columns of a sheet are taken for."""
    return {key: value for key, value in found.told.items() if key in (*COLUMNS, "stage_columns", "shape")}


def _begins(found: Found) -> datetime | None:
    """Return when the first row of a sheet begins by its moments, or by its dates; None where it tells neither."""
    column = _named(found, "date") or _named(found, "start")
    if column is None or len(column.readings) != 1 or column.kind not in (ColumnKind.MOMENTS, ColumnKind.DATES):
        return None
    first = naive_datetime(int(column.us.min()))
    return datetime.combine(first, _EVENING) if column.kind is ColumnKind.DATES else first


def _named(found: Found, key: str) -> ColumnSeen | None:
    return next((column for column in found.columns if column.name == found.told.get(key)), None)


def _nearest(alike: Sequence[Found], begun: Sequence[datetime | None], at: int) -> Setting:
    """Return the line about the sheet that begins near a moment, with the others and when they begin."""
    moments = sorted(moment.isoformat() for moment in begun if moment)
    told = [(one.told["sheet"], moment) for one, moment in zip(alike, begun, strict=True)]
    others = tuple(Choice(n, begins=moment.isoformat() if moment else "") for n, moment in told[:at] + told[at + 1 :])
    nights = NightsHeld(len(alike), moments[0], moments[-1])
    return Setting("sheet", alike[at].told["sheet"], Why.NEAREST, others, nights=nights)


def _asked(alike: Sequence[Found]) -> Setting:
    """Return the blank for the sheet, beside the number of rows of each and its first and last time."""
    return Setting("sheet", None, Why.SEVERAL_SHEETS, tuple(Choice(one.told["sheet"], _holds(one)) for one in alike))


def _holds(found: Found) -> str:
    times = _named(found, "start")
    cells = "" if times is None else f" from {times.cells[0]} to {times.cells[-1]}"
    return f"with {counted(found.rows, 'row')}{cells}"


def _with_sheet(found: Found, alike: Sequence[Found], line: Setting) -> Found:
    """Return a sheet with the line that chooses it, and with the labels that only others have."""
    held = {label.label for label in found.labels}
    more = {m.label: replace(m, is_counted=False) for one in alike for m in one.labels if m.label not in held}
    settings = tuple(line if setting.key == "sheet" else setting for setting in found.settings)
    return replace(found, settings=settings, labels=(*found.labels, *more.values()))
