"""Hypnograms from arrays, pandas objects, mne.Annotations and files give the same night."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import mne
import numpy as np
import pandas as pd
import pytest

from sleepagree.errors import ClockError, EpochGridError, InputError, SleepAgreeError, UnknownStageError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.readers.memory import read_hypnogram

FERRY = Path(__file__).parents[2] / "fixtures" / "ferry"
START = datetime(2026, 3, 1, 22, 30)
LABELS = ["W", "W", "N1", "N2", None, "N2", "R"]


def laid(spans: ScoredSpans) -> list[str | None]:
    codes = lay_on_epochs(spans, origin_s=0.0).codes.tolist()
    return [spans.labels[c] if c >= 0 else None for c in codes]


def frame_of_onsets() -> pd.DataFrame:
    kept = [(30.0 * i, label) for i, label in enumerate(LABELS) if label]
    return pd.DataFrame({"onset_s": [o for o, _ in kept], "duration_s": 30.0, "stage": [s for _, s in kept]})


SOURCES = {
    "list": LABELS,
    "tuple": tuple(LABELS),
    "object array": np.array(LABELS, dtype=object),
    "text array": np.array(["W", "W", "N1", "N2", "", "N2", "R"]),
    "Series": pd.Series(LABELS),
    "categories": pd.Series(pd.Categorical(LABELS)),
    "string Series": pd.Series(LABELS, dtype="string"),
    "frame": frame_of_onsets(),
    "frame in any order": frame_of_onsets().sample(frac=1, random_state=1),
    "mne": mne.Annotations(
        [30.0 * i for i, s in enumerate(LABELS) if s], 30.0, [f"Sleep stage {s}" for s in LABELS if s]
    ),
}


@pytest.mark.parametrize("kind", SOURCES)
def test_every_source_gives_the_same_epochs(kind):
    found = laid(read_hypnogram(SOURCES[kind]))
    assert [label and label.removeprefix("Sleep stage ") for label in found] == LABELS


@pytest.mark.parametrize("dtype", [int, np.int8, np.uint16, float, np.float32])
def test_numbers_need_a_table_and_whole_floats_are_whole(dtype):
    spans = read_hypnogram(np.array([0, 0, 2, 5], dtype), stages={0: "W", 2: "N2", 5: "rem"})
    assert (spans.labels, spans.stages) == (("0", "2", "5"), ("W", "N2", "R"))
    with pytest.raises(UnknownStageError, match="unknown stage label"):
        read_hypnogram(np.array([0, 1], dtype))


@pytest.mark.parametrize("gap", [None, float("nan"), np.float32("nan"), np.nan, "", "  ", pd.NA, pd.NaT])
def test_what_a_gap_is(gap):
    assert laid(read_hypnogram(["W", gap, "N2"])) == ["W", None, "N2"]


def test_a_series_with_times_tells_start_and_epoch_length():
    times = pd.date_range("2026-03-01 22:30", periods=4, freq="60s", tz="Europe/Helsinki")
    spans = read_hypnogram(pd.Series(["W", "light", "light", "deep"], index=times))
    assert spans.start == datetime(2026, 3, 1, 22, 30, tzinfo=ZoneInfo("Europe/Helsinki"))
    assert (spans.epoch_s, spans.epoch_from) == (60.0, EpochLengthFrom.INFERRED)
    assert laid(spans) == ["W", "W", "light", "light", "light", "light", "deep", "deep"]


def test_a_series_with_a_hole_in_its_times_has_a_gap():
    times = [START + timedelta(seconds=30 * i) for i in (0, 1, 2, 5)]
    assert laid(read_hypnogram(pd.Series(["W", "W", "N2", "N2"], index=pd.DatetimeIndex(times)))) == [
        "W",
        "W",
        "N2",
        None,
        None,
        "N2",
    ]


def test_naive_times_in_a_zone_are_placed_one_by_one_across_a_change_of_the_clock():
    """Helsinki, 29 March 2026: 03:00 is followed by 04:00, so a row at 04:00 is 30 s after one at 02:59:30."""
    before = pd.date_range("2026-03-29 02:59:00", periods=2, freq="30s")
    after = pd.date_range("2026-03-29 04:00:00", periods=2, freq="30s")
    times = before.append(after)
    series = read_hypnogram(pd.Series(["W", "W", "N2", "N2"], index=times), zone="Europe/Helsinki")
    frame = pd.DataFrame(
        {"start": times, "end": [*times[1:], times[-1] + timedelta(seconds=30)], "stage": list("WWRR")}
    )
    spans = read_hypnogram(frame, zone="Europe/Helsinki")
    for found in (series, spans):
        assert found.onset_s.tolist() == [0.0, 30.0, 60.0, 90.0]
        assert found.start == datetime(2026, 3, 29, 2, 59, tzinfo=ZoneInfo("Europe/Helsinki"))
        assert not found.wall_clock
    assert read_hypnogram(frame).wall_clock
    with pytest.raises(ClockError, match=r"x: the index: this hour happens twice in the zone"):
        read_hypnogram(pd.Series(["W"], index=pd.DatetimeIndex(["2026-10-25 03:10"])), zone="Europe/Helsinki", name="x")
    with pytest.raises(ClockError, match="no time zone has this name"):
        read_hypnogram(frame, zone="Mars")


def test_times_that_are_not_in_order_are_refused():
    times = pd.DatetimeIndex([START, START])
    with pytest.raises(EpochGridError, match="not in order or stand twice"):
        read_hypnogram(pd.Series(["W", "N2"], index=times), name="series")


def test_a_frame_of_starts_and_ends():
    frame = pd.DataFrame(
        {
            "start": ["2026-03-01 22:30", "2026-03-01 22:31"],
            "end": [START + timedelta(minutes=1), START + timedelta(minutes=3)],
            "stage": ["wake", "light"],
        }
    )
    spans = read_hypnogram(frame, zone="Europe/Helsinki", reports=("wake", "light"))
    assert (spans.onset_s.tolist(), spans.duration_s.tolist()) == ([0.0, 60.0], [60.0, 120.0])
    assert spans.start == datetime(2026, 3, 1, 22, 30, tzinfo=ZoneInfo("Europe/Helsinki"))
    assert spans.reports == ("wake", "light")


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (pd.DataFrame({"row": [0], "stage": ["W"]}), "x: the DataFrame lacks columns. Found row, stage; expected"),
        (
            pd.DataFrame({"start": ["soon"], "end": ["later"], "stage": ["W"]}),
            "x: column 'start' holds something that is no time.",
        ),
        (
            pd.DataFrame({"start": [START, None], "end": [START, START], "stage": ["W", "W"]}),
            "x: row 1: column 'start' lacks a time. Drop such rows first.",
        ),
        (
            pd.DataFrame({"start": [START], "end": pd.to_datetime([START], utc=True), "stage": ["W"]}),
            "x: one of 'start' and 'end' tells its zone, the other does not. Expected both with a zone, or none.",
        ),
        (
            pd.DataFrame({"start": [START], "end": [START - timedelta(1)], "stage": ["W"]}),
            "x: a span ends before it starts or lasts no time.",
        ),
        (
            pd.DataFrame({"onset_s": [np.nan], "duration_s": [30.0], "stage": ["W"]}),
            "x: a time is missing or no finite number.",
        ),
        (
            pd.DataFrame({"onset_s": [0.0, 20.0], "duration_s": [30.0, 30.0], "stage": ["W", "N2"]}),
            "x: row 1: the interval begins before one above it ends. Found N2; expected one stage at a time.",
        ),
    ],
    ids=["columns", "no time", "missing time", "one zone", "backwards", "nan", "overlap"],
)
def test_frames_that_are_no_night(frame, message):
    with pytest.raises(SleepAgreeError) as refusal:
        read_hypnogram(frame, name="x")
    assert str(refusal.value).startswith(message)


@pytest.mark.parametrize(
    "source",
    [
        [],
        np.array([]),
        pd.Series([], dtype=object),
        frame_of_onsets().iloc[:0],
        pd.DataFrame(columns=["start", "end", "stage"]),
    ],
    ids=["list", "array", "Series", "frame", "frame of times"],
)
def test_nothing_is_a_side_without_a_label(source):
    empty = read_hypnogram(source)
    assert (empty.labels, empty.onset_s.size) == ((), 0)
    with pytest.raises(InputError, match="the device has no scored epoch"):
        align(reference=read_hypnogram(["W"]), device=empty)


@pytest.mark.parametrize("source", [b"night.edf", 7, None, {"W": 1}, object()])
def test_what_is_no_source(source):
    with pytest.raises(TypeError, match="source must be a path, labels, a pandas object"):
        read_hypnogram(source)


@pytest.mark.parametrize("as_frame", [False, True])
def test_labels_without_end_are_one_message(as_frame):
    labels = [f"label {i}" for i in range(40_000)]
    frame = pd.DataFrame({"onset_s": np.arange(40_000) * 30.0, "duration_s": 30.0, "stage": labels})
    with pytest.raises(UnknownStageError, match="40000 unknown stage labels"):
        read_hypnogram(frame if as_frame else labels)


def test_misuse_names_the_parameter():
    with pytest.raises(ValueError, match="epoch_s must be a positive number of seconds, not 0"):
        read_hypnogram(["W"], epoch_s=0)
    with pytest.raises(ValueError, match=r"one label per epoch, not shape \(2, 2\)"):
        read_hypnogram(np.array([["W", "W"], ["N2", "N2"]]))


def test_files_and_spans_pass_through():
    path = FERRY / "band-a" / "crew-1-night-1.csv"
    from_text = read_hypnogram(str(path), layout=str(FERRY / "band-a.toml"))
    from_path = read_hypnogram(path, layout=FERRY / "band-a.toml", reports=("wake", "light", "deep", "rem"))
    assert from_text.labels == from_path.labels == ("Up", "Shallow", "Deep")
    assert (from_text.reports, from_path.reports) == (("wake", "light", "deep"), ("wake", "light", "deep", "rem"))
    assert read_hypnogram(from_text) is from_text


def test_a_start_and_an_epoch_length_of_ones_own():
    spans = read_hypnogram(["wake", "asleep"], start=START, epoch_s=300, name="watch", zone="UTC")
    assert spans.start == START.replace(tzinfo=ZoneInfo("UTC"))
    assert (spans.end_s, spans.origin.name) == (600.0, "watch")


def test_a_frame_of_both_sides_is_no_side() -> None:
    times = pd.date_range("2026-03-01T22:30", periods=4, freq="30s")
    frame = pd.DataFrame(
        {"time": times, "lab": ["W", "N2", "N3", "R"], "device_stage": ["wake", "light", "deep", "rem"]}
    )
    with pytest.raises(InputError) as refusal:
        read_hypnogram(frame)
    assert str(refusal.value).endswith(
        "more than one column holds stages. Found 'lab' and 'device_stage'; expected the stages of one side. Give that "
        "side's column with its times, such as frame[['time', 'lab']]."
    )
    assert read_hypnogram(frame[["time", "device_stage"]]).labels == ("wake", "light", "deep", "rem")
