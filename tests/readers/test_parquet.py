"""Parquet tables written by pyarrow, an open implementation of the format, in every type that may come."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sleepagree.errors import FileFormatError, InputError, SleepAgreeError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout, NightOf

pa = pytest.importorskip("pyarrow")
pq = pytest.importorskip("pyarrow.parquet")

T0 = dt.datetime(2026, 3, 1, 22, 30)
TIMES = [T0 + dt.timedelta(seconds=30 * i) for i in range(4)]
STAGES = ["wake", "light", "light", "deep"]


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def read(columns: dict[str, Any], layout: Layout | None = None, **options: Any) -> ScoredSpans:
    pq.write_table(pa.table(columns), "night.parquet")
    return read_spans("night.parquet", layout=layout, **options)


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_timestamps_without_a_zone_are_local_times(unit: str) -> None:
    spans = read({"time": pa.array(TIMES, pa.timestamp(unit)), "stage": STAGES})
    assert (spans.start, spans.wall_clock) == (T0, True)
    assert spans.onset_s.tolist() == [0, 30, 60, 90]
    assert [spans.labels[code] for code in spans.codes] == STAGES
    assert (spans.epoch_s, spans.epoch_from, spans.origin.reader) == (30.0, EpochLengthFrom.INFERRED, "parquet")


@pytest.mark.parametrize(("zone", "hours"), [("Europe/Helsinki", 2), ("UTC", 0), ("+05:30", 5.5), ("-03:00", -3)])
def test_timestamps_with_a_zone_are_moments(zone: str, hours: float) -> None:
    spans = read({"time": pa.array(TIMES, pa.timestamp("ms", tz=zone)), "stage": STAGES})
    assert spans.start is not None
    assert spans.start == T0.replace(tzinfo=dt.UTC)
    assert spans.start.utcoffset() == dt.timedelta(hours=hours)


def test_a_zone_that_the_type_names_is_that_of_a_night_in_which_the_clock_changes() -> None:
    """A window's end after the change is by the clock then; by that of the first row it would be an hour early."""
    begin = dt.datetime(2026, 10, 24, 21, 30)  # in UTC: 00:30 in Helsinki, where clocks go back at 01:00 UTC
    times = [begin + dt.timedelta(minutes=i) for i in range(300)]
    spans = read({"time": pa.array(times, pa.timestamp("s", tz="Europe/Helsinki")), "stage": STAGES * 75})
    paired = align(reference=spans, device=spans, reports=STAGES, window="2026-10-25T00:30/2026-10-25T04:30")
    assert paired.ledger.window_epochs == 600


def test_a_text_table_and_a_parquet_table_are_one_night() -> None:
    text = "time,stage\n" + "".join(f"{t.isoformat()},{s}\n" for t, s in zip(TIMES, STAGES, strict=True))
    Path("night.csv").write_text(text, encoding="utf-8")
    expected = read_spans("night.csv", zone="Europe/Helsinki")
    for times in (TIMES, [t.isoformat() for t in TIMES]):
        spans = read({"time": times, "stage": pa.array(STAGES).dictionary_encode()}, zone="Europe/Helsinki")
        assert spans.start == expected.start == T0.replace(tzinfo=ZoneInfo("Europe/Helsinki"))
        assert spans.onset_s.tolist() == expected.onset_s.tolist()
        assert (spans.labels, spans.codes.tolist()) == (expected.labels, expected.codes.tolist())


def test_typed_durations_need_no_unit() -> None:
    lengths = [dt.timedelta(seconds=s) for s in (300, 30, 600, 61)]
    begins = [T0, T0 + lengths[0], T0 + lengths[0] + lengths[1], T0 + dt.timedelta(seconds=930)]
    for name in ("duration", "duration_min"):
        spans = read({"start": begins, name: pa.array(lengths, pa.duration("ms")), "stage": STAGES})
        assert spans.duration_s.tolist() == [300, 30, 600, 61]


def test_numbers_are_read_as_a_text_table_would_hold_them() -> None:
    spans = read({"onset": [0.0, 30.0, 60.5, 90.0], "duration_s": [30, 30, 29, 30], "stage": STAGES})
    assert spans.onset_s.tolist() == [0, 30, 60.5, 90]
    assert spans.start is None
    seconds = [int(t.replace(tzinfo=dt.UTC).timestamp()) for t in TIMES]
    spans = read({"time": seconds, "stage": [1.0, 2.0, 2.0, 3.0]}, Layout(stages={"1": "W", "2": "N2", "3": "N3"}))
    assert spans.start == T0.replace(tzinfo=dt.UTC)
    assert spans.labels == ("1", "2", "3")


def test_dates_and_times_of_day() -> None:
    columns = {
        "date": pa.array([dt.date(2026, 3, 2)] * 3, pa.date32()),
        "time": pa.array([dt.time(23, 50), dt.time(0, 0), dt.time(0, 10)], pa.time32("s")),
        "stage": STAGES[:3],
    }
    spans = read(columns, Layout(date="date", night_of=NightOf.WAKE_DAY))
    assert spans.start == dt.datetime(2026, 3, 1, 23, 50)
    assert spans.onset_s.tolist() == [0, 600, 1200]


def test_only_the_columns_that_are_needed_are_read() -> None:
    spans = read({"time": TIMES, "stage": STAGES, "signal": [[1, 2]] * 4, "name": ["nobody"] * 4})
    assert spans.onset_s.size == 4


REFUSED: list[tuple[dict[str, Any], str]] = [
    (
        {"when": TIMES, "stage": STAGES},
        "no column holds the times. Found the columns 'when', 'stage'; expected a column called time, timestamp, start "
        "or onset. Give a layout (layout='FILE.toml') that names it\n    [file]\n    start = \"...\"",
    ),
    (
        {"time": [*TIMES[:3], None], "stage": STAGES},
        "row 4, column 'time': the time is missing. Found null; expected a value in every row. Complete the row or "
        "take it out.",
    ),
    (
        {"time": TIMES, "stage": [[1]] * 4},
        "column 'stage': a column has a type that holds neither times nor labels. Found list<element: int64>; "
        "expected timestamps, dates, times, durations, numbers or texts. Name another column in the layout, or write "
        "this one as text.",
    ),
    (
        {"time": TIMES, "stage": TIMES},
        "column 'stage': the column holds times, not texts. Expected labels or numbers. Name another column in the "
        "layout.",
    ),
    ({"time": [], "stage": []}, "there is no row in the table. Export the night again."),
    (
        {"time": [*TIMES[:3], TIMES[3] + dt.timedelta(seconds=7)], "stage": STAGES},
        "row 4: the step between rows varies. Found 2026-03-01 22:31:37, 37 s after the row before it; expected 30 s, "
        "the commonest step, or a multiple of it where rows are missing. Correct the row. If rows are epochs and some "
        'are missing, say so in a layout: [file] shape = "epochs"; if each row lasts until the next one, shape = '
        '"intervals".',
    ),
    (
        {"start": TIMES, "end": [0, 1, 2, 3], "stage": STAGES},
        "row 1, column 'end': a number that does not tell what it counts. Found 0; expected Unix seconds or "
        "milliseconds of the years 2000 to 2100, or a layout. If these count from the start of the recording, "
        'give a layout with\n    [file]\n    time = "elapsed-s"\n  or "elapsed-min", "elapsed-h", "elapsed-ms".',
    ),
]


@pytest.mark.parametrize(("columns", "message"), REFUSED)
def test_refusals(columns: dict[str, Any], message: str) -> None:
    with pytest.raises(SleepAgreeError) as caught:
        read(columns)
    assert str(caught.value) == f"night.parquet: {message}"


@pytest.mark.parametrize("damage", ["cut", "zeros", "text"])
def test_damaged_files(damage: str) -> None:
    pq.write_table(pa.table({"time": TIMES, "stage": STAGES}), "night.parquet")
    data = Path("night.parquet").read_bytes()
    spoilt = {"cut": data[:-20], "zeros": data[:4] + bytes(len(data) - 12) + data[-8:], "text": b"time,stage\n"}[damage]
    Path("night.parquet").write_bytes(spoilt)
    with pytest.raises(FileFormatError) as caught:
        read_spans("night.parquet")
    assert caught.value.problem == "this is no Parquet file that can be read"
    assert "\n" not in str(caught.value)


def test_without_pyarrow_the_message_tells_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    pq.write_table(pa.table({"time": TIMES, "stage": STAGES}), "night.parquet")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InputError) as caught:
        read_spans("night.parquet")
    assert str(caught.value) == (
        "night.parquet: reading Parquet needs pyarrow, which is not installed. Install it with: pip install "
        "'sleepagree[parquet]'"
    )
