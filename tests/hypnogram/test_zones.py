"""Clocks and zones, against the standard library's zoneinfo and changes of the clock known from the law.

European Union: clocks change at 01:00 UTC on the last Sunday of March and of October (Directive 2000/84/EC, from
memory). In Helsinki 2026 that is 03:00 to 04:00 on 29 March, and 04:00 back to 03:00 on 25 October.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import ClockError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.ledger import Status
from sleepagree.hypnogram.zones import (
    add_seconds,
    elapsed_seconds,
    find_zone,
    place_in_zone,
    seconds_between,
    with_zone,
)
from tests.said import said
from tests.worked import BED_TIME, side

HELSINKI = ZoneInfo("Europe/Helsinki")
TWICE = "happens twice in the zone: the clock was put back over it"
NEVER = "does not exist in the zone: the clock was put forward over it"


def test_an_ordinary_time_is_placed():
    assert place_in_zone(datetime(2026, 3, 1, 22, 30), "Europe/Helsinki").astimezone(UTC) == datetime(
        2026, 3, 1, 20, 30, tzinfo=UTC
    )


@pytest.mark.parametrize(
    ("local", "happens", "first", "second"),
    [
        (datetime(2026, 10, 25, 3, 15), "happens twice in the zone: the clock was put back over it", "00:15", "01:15"),
        (datetime(2026, 10, 25, 3, 0), "happens twice in the zone: the clock was put back over it", "00:00", "01:00"),
        (datetime(2026, 3, 29, 3, 15), NEVER, "00:15", "01:15"),
    ],
)
def test_a_repeated_or_skipped_hour_is_refused_with_its_two_readings(local, happens, first, second):
    with pytest.raises(ClockError) as refusal:
        place_in_zone(local, "Europe/Helsinki", path="lab.edf")
    assert str(refusal.value) == (
        f"lab.edf: start: this hour {happens}. Found {local} in Europe/Helsinki; expected either {local.date()} "
        f"{first}:00 UTC or {local.date()} {second}:00 UTC. Say which by giving the time in the file with its offset, "
        "or read both files as UTC (zone UTC and clock_offset_s=...)."
    )


@pytest.mark.parametrize(
    "local",
    [
        datetime(2026, 10, 25, 2, 59, 59),
        datetime(2026, 10, 25, 4, 0),
        datetime(2026, 3, 29, 2, 59, 59),
        datetime(2026, 3, 29, 4, 0),
    ],
)
def test_the_hours_beside_a_change_are_ordinary(local):
    assert place_in_zone(local, "Europe/Helsinki").replace(tzinfo=None) == local


@pytest.mark.parametrize("name", ["Mars/Olympus", "", "../../etc/passwd", "Europe", "\0", "x" * 300])
def test_a_zone_that_does_not_exist(name):
    with pytest.raises(ClockError, match="no time zone has this name"):
        find_zone(name)


def test_two_naive_clocks_are_one_clock():
    assert seconds_between(side("W"), side("W", start=BED_TIME + timedelta(minutes=3))) == 180.0


def test_two_aware_clocks_are_compared_in_utc():
    reference = side("W", start=datetime(2026, 3, 1, 22, 30, tzinfo=HELSINKI))
    assert seconds_between(reference, side("W", start=datetime(2026, 3, 1, 20, 31, tzinfo=UTC))) == 60.0
    plus_nine = datetime(2026, 3, 2, 5, 30, tzinfo=timezone(timedelta(hours=9)))
    assert seconds_between(reference, side("W", start=plus_nine)) == 0.0


def test_one_of_each_is_refused_with_the_option_to_give():
    naive, aware = side("W", name="n.csv"), side("W", start=BED_TIME.replace(tzinfo=UTC), name="a.csv")
    for sides, option in (((naive, aware), "reference"), ((aware, naive), "device")):
        with pytest.raises(ClockError) as refusal:
            seconds_between(*sides)
        assert str(refusal.value) == (
            "n.csv: start: one side tells its time zone, this side does not. Found 2026-03-01 22:30:00 without a zone; "
            f"expected both sides with a zone, or none. Give zone=... (of the {option}) (an IANA name such as "
            'Europe/Helsinki), or in its layout\n    [file]\n    zone = "Europe/Helsinki"'
        )


def test_elapsed_time_against_a_clock_is_refused_with_the_lines_to_add():
    silent, telling = side("W", start=None, name="s.csv"), side("W", name="t.csv")
    read = replace(silent, origin=replace(silent.origin, reader="table"))
    in_layout = 'Add to its layout\n    [file]\n    begins = "YYYY-MM-DDTHH:MM:SS"'
    for of_its_kind, remedy in ((read, in_layout), (silent, "Give read_hypnogram(..., start=datetime(...)).")):
        for sides in ((of_its_kind, telling), (telling, of_its_kind)):
            with pytest.raises(ClockError) as refusal:
                seconds_between(*sides)
            assert str(refusal.value) == (
                "s.csv: start: this side tells elapsed time only, the other tells a clock. Found no date and time; "
                f"expected a start to compare with 2026-03-01 22:30:00. {remedy}"
            )


def test_a_zone_of_its_own_is_kept_and_the_other_is_noted():
    aware = side("W", start=datetime(2026, 3, 1, 22, 30, tzinfo=HELSINKI), name="a.csv")
    assert with_zone(aware, "Europe/Helsinki") is aware
    assert with_zone(aware, None) is aware
    other = with_zone(aware, "UTC")
    assert (other.start, said(other.notes)) == (aware.start, ("zone UTC not used: a.csv tells its own",))
    assert with_zone(side("W", start=None), "UTC").start is None
    assert with_zone(side("W"), "Europe/Helsinki").start == datetime(2026, 3, 1, 22, 30, tzinfo=HELSINKI)


def test_a_local_lab_against_a_utc_device_across_the_change_of_the_clock():
    """The lab's elapsed time runs on through the change: 2 h of epochs from 02:30 end at 03:30 winter time."""
    lab = with_zone(side("W*120 N2*120", start=datetime(2026, 10, 25, 2, 30)), "Europe/Helsinki")
    device = side("wake*120 light*120", start=datetime(2026, 10, 24, 23, 30, tzinfo=UTC))
    paired = align(reference=lab, device=device)
    assert (paired.status == Status.SCORED).all()
    assert paired.native.tolist() == [[120, 0], [0, 120]]
    shown = [paired.epoch_start(i) for i in (0, 60, 180, 239)]
    assert [f"{t:%H:%M:%S %z}" for t in shown] == [
        "02:30:00 +0300",
        "03:00:00 +0300",
        "03:00:00 +0200",
        "03:29:30 +0200",
    ]


@given(
    st.datetimes(min_value=datetime(2020, 1, 1), max_value=datetime(2030, 1, 1)),
    st.integers(-86_400, 86_400),
    st.sampled_from(["Europe/Helsinki", "America/St_Johns", "Pacific/Chatham", "Australia/Lord_Howe", "UTC"]),
)
def test_elapsed_seconds_undo_add_seconds(utc, seconds, zone):
    start = utc.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
    later = add_seconds(start, seconds)
    assert later.astimezone(UTC) == start.astimezone(UTC) + timedelta(seconds=seconds)
    assert elapsed_seconds(start, later) == seconds
    assert elapsed_seconds(utc, add_seconds(utc, seconds)) == seconds


def test_a_time_beyond_the_calendar_is_one_error():
    for start in (datetime(9999, 12, 31, 23), datetime(9999, 12, 31, 23, tzinfo=UTC)):
        with pytest.raises(ClockError, match="a time lies beyond the calendar"):
            add_seconds(start, 7200)
