"""Columns of times: against pandas, zoneinfo and Python's own datetime, and cells that cannot be read."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.errors import ClockError, EpochGridError, FileFormatError, SleepAgreeError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout
from sleepagree.readers.times import zones
from sleepagree.readers.times.clock import HOUR_US, SECOND_US, Clock, Column, Times, naive_datetime
from sleepagree.readers.times.declared import read_declared
from sleepagree.readers.times.forms import declarable_forms
from sleepagree.readers.times.reading import read_durations, read_numbers, read_times
from sleepagree.readers.times.zones import resolve_wall_clock
from tests.said import said

COLUMN = Column("time", "night.csv", lambda row: f"line {row + 2}")
EPOCH = dt.datetime(1970, 1, 1)


def read(*texts: str, form: str | None = None, elapsed: bool = False) -> Times:
    return read_times(texts, COLUMN, form=form, elapsed=elapsed)


def microseconds(moment: dt.datetime) -> int:
    return (moment - EPOCH) // dt.timedelta(microseconds=1)


moments = st.datetimes(dt.datetime(1901, 1, 1), dt.datetime(2199, 12, 31))

ISO_FORMS = {
    "%Y-%m-%dT%H:%M": dt.timedelta(minutes=1),
    "%Y-%m-%d %H:%M:%S": dt.timedelta(seconds=1),
    "%Y-%m-%dT%H:%M:%S.%f": dt.timedelta(microseconds=1),
    "%Y%m%dT%H%M%S": dt.timedelta(seconds=1),
}


@given(st.lists(moments, min_size=1, max_size=8), st.sampled_from(sorted(ISO_FORMS)), st.booleans())
@settings(deadline=None)
def test_iso_texts_are_what_pandas_reads(values: list[dt.datetime], form: str, spoil: bool) -> None:
    texts = [value.strftime(form).rjust(len(EPOCH.strftime(form)), "0") for value in values]
    expected = [int(stamp.value) // 1000 for stamp in pd.to_datetime(texts, format=form).as_unit("ns")]
    # one cell of another shape sends the whole column the careful way, which must agree
    found = read(*texts, *([" 2026-03-01T22:30:00"] if spoil else []))
    assert found.us[: len(texts)].tolist() == expected
    assert found.clock is Clock.LOCAL


@given(
    st.lists(moments, min_size=1, max_size=8),
    st.sampled_from([-570, -300, 0, 60, 345, 840]),
    st.sampled_from(["+hh:mm", "+hhmm", "Z"]),
)
@settings(deadline=None)
def test_offsets_are_taken_off(values: list[dt.datetime], minutes: int, style: str) -> None:
    minutes = 0 if style == "Z" else minutes
    sign, hours, rest = "-" if minutes < 0 else "+", abs(minutes) // 60, abs(minutes) % 60
    suffix = {"+hh:mm": f"{sign}{hours:02d}:{rest:02d}", "+hhmm": f"{sign}{hours:02d}{rest:02d}", "Z": "Z"}[style]
    texts = [value.replace(microsecond=0).isoformat() + suffix for value in values]
    found = read(*texts)
    expected = [microseconds(dt.datetime.fromisoformat(text).astimezone(dt.UTC).replace(tzinfo=None)) for text in texts]
    assert found.us.tolist() == expected
    assert (found.clock, found.offset_s) == (Clock.UTC, minutes * 60)


FORMS = ["%d/%m/%Y %H:%M:%S", "%m-%d-%Y %H:%M", "%Y/%m/%d %H:%M:%S", "%d.%m.%y %H:%M:%S", "%b %d %Y %I:%M:%S %p"]


@given(st.lists(st.datetimes(dt.datetime(1970, 1, 1), dt.datetime(2068, 1, 1)), min_size=1), st.sampled_from(FORMS))
@settings(deadline=None)
def test_declared_forms_are_what_strptime_reads(values: list[dt.datetime], form: str) -> None:
    texts = [value.strftime(form) for value in values]
    expected = [microseconds(dt.datetime.strptime(text, form)) for text in texts]
    assert read(*texts, form=form).us.tolist() == expected


def test_single_digits_are_read_as_strptime_reads_them() -> None:
    found = read("01/02/2003 04:05:06", "1/2/2003 4:05:06", form="%d/%m/%Y %H:%M:%S")
    assert [naive_datetime(us) for us in found.us] == [dt.datetime(2003, 2, 1, 4, 5, 6)] * 2


@pytest.mark.parametrize(
    ("text", "form", "expected"),
    [
        ("22:30:15", None, 81_015_000_000),
        ("7:05", None, 25_500_000_000),
        ("24:00", None, 86_400_000_000),
        ("10:30 PM", "%I:%M %p", 81_000_000_000),
        ("22h30", "%Hh%M", 81_000_000_000),
        ("24:00:00", "%H:%M:%S", 86_400_000_000),
    ],
)
def test_times_of_day(text: str, form: str | None, expected: int) -> None:
    found = read(text, form=form)
    assert (found.us.tolist(), found.clock) == ([expected], Clock.DAY)


@pytest.mark.parametrize("form", [None, "%Y-%m-%d %H:%M:%S"])
def test_24_hours_are_midnight_of_the_next_day(form: str | None) -> None:
    found = read("2026-02-28 24:00:00", "2026-12-31 24:00:00", form=form)
    assert [naive_datetime(us) for us in found.us] == [dt.datetime(2026, 3, 1), dt.datetime(2027, 1, 1)]
    assert said(found.notes) == ("24:00 read as midnight of the next day (2 times)",)


@pytest.mark.parametrize("text", ["24:30", "24:00:01", "12:60", "25:00", "12:30:60"])
def test_times_of_day_that_are_none(text: str) -> None:
    with pytest.raises(FileFormatError, match="there is no such date or time"):
        read("22:30:00", text)


def test_unix_times_are_told_with_their_unit() -> None:
    assert said(read("1772404200").notes) == ("times read as Unix seconds",)
    assert said(read("1772404200123").notes) == ("times read as Unix milliseconds",)


def test_other_letters_in_a_declared_form() -> None:
    expected = [dt.datetime(2026, 3, 1, 22, 30)]
    for text, form in (("2026年03月01日 22:30", "%Y年%m月%d日 %H:%M"), ("T2026-03-01 T22:30", "T%Y-%m-%d T%H:%M")):
        assert [naive_datetime(us) for us in read(text, form=form).us] == expected


def test_24_minutes_are_no_24_hours() -> None:
    found = read("01.01.00 00:24:00", "1.1.00 00:24:00", form="%d.%m.%y %H:%M:%S")
    assert [naive_datetime(us) for us in found.us] == [dt.datetime(2000, 1, 1, 0, 24)] * 2


@pytest.mark.parametrize(
    ("texts", "form", "elapsed", "us", "clock"),
    [
        (["1772404200", "1772404230.5"], None, False, [1_772_404_200_000_000, 1_772_404_230_500_000], Clock.UTC),
        (["1772404200123"], None, False, [1_772_404_200_123_000], Clock.UTC),
        (["946684800"], "unix-s", False, [946_684_800_000_000], Clock.UTC),
        (["4102444800000"], "unix-ms", False, [4_102_444_800_000_000], Clock.UTC),
        (["-30.000", "0.000", "691.916"], "elapsed-s", False, [-30_000_000, 0, 691_916_000], Clock.ELAPSED),
        (["0,5", "30,5"], "elapsed-s", False, [500_000, 30_500_000], Clock.ELAPSED),
        (["0", "30"], None, True, [0, 30_000_000], Clock.ELAPSED),
    ],
)
def test_numbers(texts: list[str], form: str | None, elapsed: bool, us: list[int], clock: Clock) -> None:
    found = read(*texts, form=form, elapsed=elapsed)
    assert (found.us.tolist(), found.clock) == (us, clock)


@given(st.lists(st.integers(-99_999_999_000, 99_999_999_000), min_size=1, max_size=20))
def test_elapsed_milliseconds_are_exact(milliseconds: list[int]) -> None:
    texts = [f"{'-' if ms < 0 else ''}{abs(ms) // 1000}.{abs(ms) % 1000:03d}" for ms in milliseconds]
    found = read(*texts, form="elapsed-s")
    assert found.us.tolist() == [ms * 1000 for ms in milliseconds]
    # and so are the seconds that become of them
    assert (found.us / 1_000_000).tolist() == [float(text) for text in texts]


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-29T00:00:00",
        "2026-13-01T00:00:00",
        "2026-03-01T25:00:00",
        "2026-03-01T24:00:01",
        "2026-03-01T23:60:00",
        "2026-03-01T23:59:60",
        "2026-03-01T22:30:00+19:00",
        "2026-03-01T22:30:00+02:60",
        "0000-03-01T22:30:00",
        "0999-12-31T22:30:00",
        "9999-12-31T24:00:00",
        "9999-12-31T23:59:59Z",
    ],
)
def test_moments_that_are_none(text: str) -> None:
    with pytest.raises(FileFormatError, match="line 3, column 'time': there is no such date or time"):
        read("2026-03-01T22:30:00" + text[19:].replace("+19:00", "Z").replace("+02:60", "Z"), text)


@pytest.mark.parametrize(
    "text", ["NaT", "today", "now", "2026-03", "2026-W09-7", "22.30", "2026-03-01T22", "２０２６-03-01T22:30:00", "+1"]
)
def test_words_that_other_libraries_take_for_times(text: str) -> None:
    with pytest.raises(SleepAgreeError, match="line 3, column 'time'"):
        read("2026-03-01T22:30:00", text)


def test_joined_cells_of_two_lengths_cannot_pass_for_cells_of_one() -> None:
    # 18 and 20 characters make 38, as two right cells would
    with pytest.raises(
        FileFormatError, match=r"line 2, column 'time': the time cannot be read. Found '2026-03-01T22:30:0'"
    ):
        read("2026-03-01T22:30:0", "02026-03-01T22:30:30")


def test_a_day_that_tells_the_order_is_named_alone() -> None:
    for text, form in (("13/03/2026 22:30", "%d/%m/%Y %H:%M"), ("3-13-26 10:30:05 pm", "%m-%d-%y %I:%M:%S %p")):
        with pytest.raises(FileFormatError) as caught:
            read(text)
        assert str(caught.value).endswith(f"Give a layout (layout='FILE.toml') with\n    [file]\n    time = \"{form}\"")
        assert read(text, form=form).us.size == 1


@pytest.mark.parametrize(
    ("texts", "problem"),
    [
        (["1,500"], "a comma that may part decimals or thousands"),
        (["1.5", "2,5"], "a comma that may part decimals or thousands"),
        (["1_000"], "this is no number"),
        (["nan"], "this is no number"),
        (["-inf"], "this is no number"),
        (["1e3"], "a number with an exponent may have lost digits"),
        (["--1"], "this is no number"),
        (["1,000,000"], "this is no number"),
        (["٣"], "this is no number"),
        ([" "], "the cell is empty"),
    ],
)
def test_numbers_that_are_none(texts: list[str], problem: str) -> None:
    with pytest.raises(FileFormatError) as caught:
        read_numbers(texts, COLUMN)
    assert caught.value.problem == problem


def test_decimal_commas_are_told_from_thousands() -> None:
    assert read_numbers(["0,000", "30,000"], COLUMN).tolist() == [0.0, 30.0]
    assert read_numbers(["1020,000", "1,5"], COLUMN).tolist() == [1020.0, 1.5]


def test_offsets_that_come_and_go_are_told_three_times_at_most() -> None:
    texts = [f"2026-03-01T22:{m:02d}:00+0{1 + m % 2}:00" for m in range(8)]
    notes = said(read(*texts).notes)
    assert notes[0] == "offset from UTC changes from +01:00 to +02:00 at line 3"
    assert notes[3:] == ("offset from UTC changes 4 times more",)


# --- wall clocks -----------------------------------------------------------------------------------------


def where(i: int) -> str:
    return f"line {i + 2}"


@given(
    st.sampled_from(
        ["Europe/Helsinki", "America/Santiago", "Australia/Lord_Howe", "Asia/Kathmandu", "Africa/Casablanca"]
    ),
    st.datetimes(dt.datetime(2005, 1, 1), dt.datetime(2030, 1, 1)),
    st.lists(st.integers(1, 1800), min_size=2, max_size=60),
)
@settings(deadline=None)
def test_readings_in_order_give_back_the_moments_or_are_refused(
    zone: str, first: dt.datetime, steps: list[int]
) -> None:
    start = first.replace(microsecond=0, tzinfo=dt.UTC)
    times = [start + dt.timedelta(seconds=int(s)) for s in np.cumsum(steps)]
    readings = np.array([microseconds(t.astimezone(ZoneInfo(zone)).replace(tzinfo=None)) for t in times])
    result: np.ndarray | None = None
    try:
        result = resolve_wall_clock(readings, zone, path="", where=where).us
    except ClockError:
        result = None
    expected = [microseconds(t.replace(tzinfo=None)) for t in times]
    assert result is None or result.tolist() == expected or ends_in_a_repeated_hour(times[-1], zone)


def ends_in_a_repeated_hour(moment: dt.datetime, zone: str) -> bool:
    local = moment.astimezone(ZoneInfo(zone))
    return local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()


def test_a_zone_without_a_change_costs_no_look_at_each_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    plain = zones._offset_us
    monkeypatch.setattr(zones, "_offset_us", lambda us, *rest: asked.append(us) or plain(us, *rest))
    readings = microseconds(dt.datetime(2026, 3, 1, 22, 30)) + np.arange(960) * 30_000_000
    resolve_wall_clock(readings, "Europe/Helsinki", path="", where=where)
    assert len(asked) < 20


def test_a_skipped_time_names_both_readings() -> None:
    readings = np.array([microseconds(dt.datetime(2026, 3, 29, 3, 30))])
    with pytest.raises(ClockError) as caught:
        resolve_wall_clock(readings, "Europe/Helsinki", path="night.csv", where=where)
    # before the change the clock is 2 h ahead of UTC, after it 3 h
    assert caught.value.expected == (
        "a time that exists; before the change it would be 2026-03-29 01:30:00 UTC, after it 2026-03-29 00:30:00 UTC"
    )


def test_a_start_in_the_repeated_hour_is_told_when_the_hour_comes_round_again() -> None:
    clock = [dt.datetime(2026, 10, 25, 3, 40), dt.datetime(2026, 10, 25, 3, 50), dt.datetime(2026, 10, 25, 3, 0)]
    resolved = resolve_wall_clock(np.array([microseconds(c) for c in clock]), "Europe/Helsinki", path="", where=where)
    assert [naive_datetime(us) for us in resolved.us] == [
        dt.datetime(2026, 10, 25, 0, 40),
        dt.datetime(2026, 10, 25, 0, 50),
        dt.datetime(2026, 10, 25, 1, 0),
    ]


@pytest.mark.parametrize(
    "texts", [["930", "960", "1.020"], ["900", "1.200"], ["30", "1.020"], ["-930", "0", "-1.200"], ["0", "691.916"]]
)
def test_points_that_may_part_thousands_are_asked_about(texts: list[str]) -> None:
    with pytest.raises(FileFormatError, match=r"a point that may part .* thousands\. Found '-?[\d.]+' beside '"):
        read_numbers(texts, COLUMN)
    with pytest.raises(FileFormatError, match="a comma that may part decimals or thousands"):
        read_numbers([text.replace(".", ",") for text in texts], COLUMN)


@pytest.mark.parametrize(
    "texts",
    [
        *(["30.500", "61.250"], ["0.000", "930.000", "1020.000"], ["900", "1020", "1.200"], ["900", "1.25"]),
        *(["0", "0.125"], ["30", "1.200", "1.5"], ["930", "1020.000"], ["0.5", "1.200"]),
    ],
)
def test_points_that_part_decimals(texts: list[str]) -> None:
    assert read_numbers(texts, COLUMN).tolist() == [float(text) for text in texts]


def test_the_point_of_a_standard_parts_decimals() -> None:
    told = COLUMN._replace(decimal_point=True)
    assert read_numbers(["0", "691.916"], told).tolist() == [0.0, 691.916]


def test_p_beside_words_that_are_neither_am_nor_pm_names_the_column_for_them() -> None:
    with pytest.raises(FileFormatError) as caught:
        read_declared(["10:47 PM", "10:48 iltaa"], Column("", "", str), "%I:%M %p")
    assert caught.value.remedy.startswith("%p reads AM and PM, and words for them")
    assert "'am_pm'" in caught.value.remedy
    with pytest.raises(FileFormatError) as caught:
        read_declared(["10.47 PM"], Column("", "", str), "%I:%M %p")
    assert "am_pm" not in caught.value.remedy


@pytest.mark.parametrize(
    ("cell", "hour"),
    [
        *(("10:30 p. m.", 22), ("10:30 p.\u202fm.", 22), ("午後10:30", 22), ("오전 9:30", 9), ("上午0:30", 0)),
        *(("下午12:30", 12), ("12:30 a.m.", 0), ("10:30 ip.", 22), ("μ.μ. 1:30", 13), ("10:30 م", 22), ("9:30 ص", 9)),
        *(("10:30 PTG", 22), ("10:30 ق.ظ.", 10), ("12:30 अपराह्न", 12), ("10:30 сл.об.", 22), ("9:30 לפנה״צ", 9)),
        *(
            ("晚上10:30", 22),
            ("凌晨12:30", 0),
            ("凌晨 1:30", 1),
            ("早上8:30", 8),
            ("中午12:30", 12),
            ("10:30 晚上", 22),
        ),
        *(("夜10:30", 22), ("밤 11:30", 23), ("새벽 2:30", 2)),
    ],
)
def test_halves_of_a_day_are_read_in_many_languages(cell: str, hour: int) -> None:
    """Words of Unicode CLDR; its Japanese form counts the hours of a half from 0."""
    ((form, _),) = declarable_forms(cell)
    assert read_declared([cell], Column("", "", str), form).us.tolist() == [hour * HOUR_US + 30 * 60 * SECOND_US]


@pytest.mark.parametrize("cell", ["晚上12:30", "晚上22:30", "中午11:30", "夜中1:30", "밤 1:30"])
def test_an_hour_that_is_no_hour_of_its_part_of_a_day_has_no_half(cell: str) -> None:
    """By the day periods of Unicode CLDR."""
    assert declarable_forms(cell) == ()
    with pytest.raises(FileFormatError, match="the time does not have the declared form"):
        read_declared([cell], Column("", "", str), "%p%I:%M")


def test_lengths_tell_their_units_in_words_or_as_iso_8601_has_them() -> None:
    cells = ["1 h 5 min", "1 min 0 s", "00:01:00", "PT30S", "PT1H5M", "1 Std. 5 Min.", "1時間5分", "1,5 h", "5 минут"]
    seconds, unit = read_durations(cells, COLUMN)
    assert seconds.tolist() == [3900, 60, 60, 30, 3900, 3900, 3900, 5400, 300]
    assert unit == 1.0


@pytest.mark.parametrize(
    "cell", ["1" + " " * 100_000 + "2", "1 h" + " " * 100_000 + "5 min", "1" * 300_000, "1." * 100_000]
)
def test_a_cell_too_long_for_a_length_is_none(cell: str) -> None:
    """Patterns that go over a run of spaces from each of them would take minutes."""
    with pytest.raises(FileFormatError, match="this is no number"):
        read_durations([cell + "-"], COLUMN)


def test_lengths_of_two_parts_are_numbers_of_the_unit_of_the_first_which_is_minutes_or_hours() -> None:
    cells = ["01:05", "17:30"]
    numbers, unit = read_durations(cells, COLUMN)
    assert (numbers * 60).tolist() == [65, 1050]
    assert unit is None
    with pytest.raises(EpochGridError, match=r'duration_unit = "min" \(17:30 is 17 min 30 s\) or "h"'):
        read_durations(cells, COLUMN, 1.0)


@pytest.mark.parametrize("cell", ["1,500 s", "5 min 1 h", "P1D", "5 d", "PT", "1 h 2 h", "h"])
def test_lengths_that_may_be_another_are_refused(cell: str) -> None:
    with pytest.raises(FileFormatError, match="this is no number"):
        read_durations([cell], COLUMN)


# --- rows with ends in a repeated hour -----------------------------------------------------------------------

_AUTUMN = ("00:00", "02:30", "wake"), ("02:30", "02:10", "light"), ("02:10", "02:50", "deep"), ("02:50", "04:00", "rem")
_DOUBTFUL = (
    ("00:00", "01:00", "wake"),
    ("01:00", "02:10", "light"),
    ("02:10", "03:30", "deep"),
    ("03:30", "04:00", "rem"),
)


def _autumn_night(folder, rows):
    path = folder / "autumn.csv"
    lines = (f"2026-10-25T{begin}:00,2026-10-25T{end}:00,{stage}" for begin, end, stage in rows)
    path.write_text("\n".join(["start,end,stage", *lines]) + "\n", encoding="utf-8")
    return read_spans(path, layout=Layout(zone="Europe/Berlin"))


def test_rows_with_ends_may_stand_newest_first_in_a_repeated_hour(tmp_path):
    first, turned = (_autumn_night(tmp_path, rows) for rows in (_AUTUMN, _AUTUMN[::-1]))
    assert first.onset_s.tolist() == turned.onset_s.tolist() == [0, 9000, 11400, 13800]
    assert first.duration_s.tolist() == turned.duration_s.tolist() == [9000, 2400, 2400, 4200]


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 2, 1, 0), (2, 0, 3, 1), (1, 0, 3, 2)])
def test_a_repeated_hour_that_rows_do_not_tell_is_refused_in_any_order(tmp_path, order):
    with pytest.raises(ClockError, match="happens twice in the zone"):
        _autumn_night(tmp_path, [_DOUBTFUL[i] for i in order])
