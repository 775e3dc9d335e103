"""What a typed moment may mean: the clock and the offset that were typed, and every day that it can be."""

from __future__ import annotations

import datetime as dt

import pytest

from sleepagree.page.moments import read_moment

NEAR = dt.datetime(2026, 4, 22, 22, 0)


@pytest.mark.parametrize(
    ("typed", "values"),
    [
        ("22/04/2026 22:38 +0200", ["2026-04-22 22:38+02:00"]),
        ("22.04.2026 22:38+02:00", ["2026-04-22 22:38+02:00"]),
        ("22 April 2026 22:38 +0200", ["2026-04-22 22:38+02:00"]),
        ("Wed, 22 Apr 2026 22:38:00 +0200", ["2026-04-22 22:38+02:00"]),
        ("2026-04-22 10:38 PM+02:00", ["2026-04-22 22:38+02:00"]),
        ("2026-04-22 22:38 -0330", ["2026-04-22 22:38-03:30"]),
        ("22.04.2026 24:00 +0200", ["2026-04-23 00:00+02:00"]),
        ("22/04/2026 01:38 GMT+0200", ["2026-04-22 01:38+02:00"]),
        ("22/04/2026 22:38 Z", ["2026-04-22 22:38+00:00"]),
        ("22/04/2026 22:38 UTC", ["2026-04-22 22:38+00:00"]),
        ("22/04/2026 22:38", ["2026-04-22 22:38"]),
        ("03/04/2026 22:38 +0200", ["2026-04-03 22:38+02:00", "2026-03-04 22:38+02:00"]),
        ("03/04/2026 22:38", ["2026-04-03 22:38", "2026-03-04 22:38"]),
        ("22:38", ["2026-04-22 22:38"]),
        # whose day is the nearest one to a clock of no offset cannot be told
        ("22:38+02:00", []),
        ("22:38 UTC", []),
    ],
)
def test_a_typed_offset_is_kept_with_the_clock_that_it_belongs_to(typed: str, values: list[str]) -> None:
    readings = read_moment(typed, NEAR)
    assert [reading.value for reading in readings] == values
    for reading in readings:
        assert dt.datetime.fromisoformat(reading.value).strftime("%H:%M") in reading.said
        assert reading.said.endswith(reading.value[16:])
