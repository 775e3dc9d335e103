"""What is said of data in memory is heard or refused: times, steps, numbers, and what stands beside them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import mne
import numpy as np
import pandas as pd
import pytest

from sleepagree.errors import EpochGridError, InputError
from sleepagree.hypnogram.align import align
from sleepagree.readers.memory import read_hypnogram

FERRY = Path(__file__).parents[2] / "fixtures" / "ferry"
START = datetime(2026, 3, 1, 22)
STAGES = ["W", "N1", "N2", "N3"]
TIMES = pd.date_range(START, periods=4, freq="30s")


def frame(index: Any = None, **columns: Any) -> pd.DataFrame:
    return pd.DataFrame({"stage": STAGES, **columns}, index=index)


# --- times and steps ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [20, 30, 60])
def test_epochs_last_as_long_as_their_seconds_are_apart(step):
    """As those of ``start`` and of an index do."""
    onset = np.arange(4) * step
    starts = pd.DatetimeIndex([START + timedelta(seconds=int(s)) for s in onset])
    for given in (frame(onset_s=onset), frame(start=starts), pd.Series(STAGES, index=starts)):
        spans = read_hypnogram(given)
        assert (spans.onset_s.tolist(), spans.duration_s.tolist()) == (onset.tolist(), [step] * 4)
        assert spans.epoch_s == step


def test_one_epoch_missing_of_three_is_a_gap():
    spans = read_hypnogram(pd.DataFrame({"stage": ["W", "N1", "N2"], "onset_s": [0, 30, 120]}))
    assert spans.duration_s.tolist() == [30, 30, 30]


def test_lengths_of_time_are_seconds_and_texts_of_numbers_are_numbers():
    lengths = [timedelta(seconds=60 * i) for i in range(4)]
    for onset in (pd.to_timedelta(lengths), pd.Series(lengths, dtype=object), ["0", "60", "120", "180"]):
        spans = read_hypnogram(frame(onset_s=onset, duration_s=pd.to_timedelta([60] * 4, unit="s")))
        assert (spans.onset_s.tolist(), spans.duration_s.tolist()) == ([0, 60, 120, 180], [60] * 4)
        assert read_hypnogram(frame(onset_s=onset)).onset_s.tolist() == [0, 60, 120, 180]


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (
            frame(start=[0, 30, 60, 90]),
            "column 'start' holds numbers or lengths of time. Found 0; expected dates with times. Call seconds after "
            "the start onset_s and duration_s. Unix seconds become times by pandas.to_datetime(frame['start'], unit='s'"
            ", utc=True).",
        ),
        (
            frame(start=[0, 30, 60, 90], end=[30, 60, 90, 120.0]),
            "column 'start' holds numbers or lengths of time. Found 0",
        ),
        (frame(start=TIMES, end=[1, 2, 3, 4]), "column 'end' holds numbers or lengths of time. Found 1; expected"),
        (
            frame(start=TIMES - TIMES[0]),
            "column 'start' holds numbers or lengths of time. Found 0 days 00:00:00; expected",
        ),
        (
            frame(onset_s=list("abcd"), duration_s=30),
            "row 0: column 'onset_s' holds something that is no number. Found a; expected a number in every row. Turn "
            "the column into numbers first; dates with times belong into a column called start.",
        ),
        (frame(onset_s=[0, 30, 60, "soon"]), "row 3: column 'onset_s' holds something that is no number. Found soon;"),
        (frame(onset_s=TIMES), "row 0: column 'onset_s' holds something that is no number. Found 2026-03-01 22:00:00;"),
        (frame(epoch=TIMES - TIMES[0]), "row 0: column 'epoch' holds something that is no number. Found 0 days"),
        (
            frame(onset_s=[0, 31, 60, 90]),
            "the steps between the times of the rows differ. Found 29 s to 31 s; expected steps of 30 s, or more where "
            "epochs are missing. Where a clock is not exact, round the times, as .round('30s') does for a pandas "
            "index; where rows are intervals, give start and end, or onset_s and duration_s.",
        ),
        (
            pd.Series(STAGES, index=TIMES[:1].append([TIMES[1:2] + pd.Timedelta("1s"), TIMES[2:]])),
            "the steps between the times of the rows differ. Found 29 s to 31 s;",
        ),
        (
            pd.Series(STAGES, index=pd.DatetimeIndex([START, None, *TIMES[2:]])),
            "row 1: the index lacks a time. Drop such rows first.",
        ),
        *(
            (
                frame(TIMES, **{column: range(4)}, **more),
                f"the index tells when each row begins, and so does column '{column}'. Expected one of the two. Drop "
                f"column '{column}', or the index: frame.reset_index(drop=True), with start=frame.index[0].",
            )
            for column, more in (("epoch", {}), ("onset_s", {}), ("onset_s", {"duration_s": 1}))
        ),
        (
            pd.DataFrame([["W", "W"]], columns=["stage", "stage"]),
            "more than one column is called 'stage'. Found stage, stage; expected one column of that name. Rename",
        ),
        (
            pd.DataFrame([["W", "W"]], columns=pd.MultiIndex.from_tuples([("lab", "stage"), ("band", "stage")])),
            "the columns of the DataFrame have names of several levels. Found 2 levels; expected one name for",
        ),
    ],
)
def test_what_tells_no_times_is_one_message(given, message):
    with pytest.raises(InputError) as refusal:
        read_hypnogram(given)
    assert str(refusal.value).startswith(message)


@pytest.mark.parametrize("form", ["%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%H:%M:%S"])
def test_texts_of_times_are_not_guessed(form):
    """pandas takes the month for the first number, and today for a missing date."""
    texts = pd.Series(TIMES).dt.strftime(form)
    with pytest.raises(InputError, match=r"column 'start' holds something that is no time.*texts in ISO 8601"):
        read_hypnogram(pd.DataFrame({"start": texts, "stage": STAGES}))


def test_texts_of_times_in_iso_8601_are_times():
    frame = pd.DataFrame({"start": TIMES, "stage": STAGES})
    written = read_hypnogram(frame.assign(start=TIMES.strftime("%Y-%m-%dT%H:%M:%S")))
    assert written.start == read_hypnogram(frame).start


def test_the_mending_that_a_jittering_clock_is_told_works():
    jittering = TIMES + pd.to_timedelta([0, 1, 0, 0], unit="s")
    with pytest.raises(EpochGridError):
        read_hypnogram(pd.Series(STAGES, index=jittering))
    assert read_hypnogram(pd.Series(STAGES, index=jittering.round("30s"))).onset_s.tolist() == [0, 30, 60, 90]


@pytest.mark.parametrize("given", [pd.Series(STAGES, index=TIMES)[:0], frame(TIMES)[:0], frame(start=TIMES)[:0]])
def test_no_row_of_a_clock_is_a_side_without_a_label(given):
    assert read_hypnogram(given).labels == ()


def test_masked_labels_are_gaps():
    spans = read_hypnogram(np.ma.array(STAGES, mask=[False, True, False, False]))
    assert (spans.labels, spans.onset_s.tolist()) == (("W", "N2", "N3"), [0, 60, 90])


# --- what is said beside ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "given", ["2026-03-01 22:00", "20260301T2200", np.datetime64("2026-03-01T22:00"), pd.Timestamp(START), START]
)
def test_a_moment_in_any_form_is_a_start(given):
    assert read_hypnogram(STAGES, start=given).start == START


@pytest.mark.parametrize(
    "given", ["2026-03-01", "22:00", "", date(2026, 3, 1), np.datetime64("2026-03-01"), np.datetime64("NaT"), pd.NaT, 3]
)
def test_what_is_no_moment_is_no_start(given):
    with pytest.raises(TypeError, match=r"start must be a date with a time, such as .*, not "):
        read_hypnogram(STAGES, start=given)


def test_annotations_begin_at_the_start_that_is_given():
    texts = ["Sleep stage W", "Sleep stage N2"]
    for orig_time in (None, datetime(2026, 1, 1, tzinfo=UTC)):
        spans = read_hypnogram(mne.Annotations([0, 30], [30, 30], texts, orig_time=orig_time), start=START)
        assert (spans.start, spans.notes) == (START, ())


def test_numbers_name_texts_of_numbers():
    marks = mne.Annotations([0, 30], [30, 30], ["0", "1"])
    assert read_hypnogram(marks, stages={0: "W", 1: "N1"}).stages == ("W", "N1")
    assert read_hypnogram([0, 1], stages={np.int8(0): "W", 1.0: "N1"}).stages == ("W", "N1")


@pytest.mark.parametrize("source", [read_hypnogram(STAGES), FERRY / "reference" / "crew-1-night-1.edf"])
@pytest.mark.parametrize("said", [{"start": START}, {"stages": {"W": "N1"}}])
def test_what_would_not_be_heard_is_refused(source, said):
    with pytest.raises(ValueError, match=f"^{next(iter(said))} is for data in memory, and source is "):
        read_hypnogram(source, **said)


@pytest.mark.parametrize("source", [STAGES, np.array(STAGES), read_hypnogram(STAGES)])
def test_a_layout_is_refused_where_there_are_no_columns(source):
    with pytest.raises(ValueError, match=r"^layout is for a file, a DataFrame or "):
        read_hypnogram(source, layout=FERRY / "band-a.toml")


def test_a_start_beside_times_is_refused():
    times = pd.date_range("2026-03-01T22:30", periods=len(STAGES), freq="30s")
    frame = pd.DataFrame({"start": times, "end": times + pd.Timedelta("30s"), "stage": STAGES})
    for source in (pd.Series(STAGES, index=times), frame[["start", "stage"]], frame):
        assert read_hypnogram(source).start == times[0].to_pydatetime()
        with pytest.raises(ValueError, match=r"^start is for data that do not tell when they begin"):
            read_hypnogram(source, start=START)


@pytest.mark.parametrize(
    ("said", "error", "message"),
    [
        ({"stages": ["W", "N1"]}, TypeError, "stages must tell the stage of each label, such as .*, not "),
        ({"stages": {0: 1}}, TypeError, "stages must tell the stage of each label, such as .*, not '1'"),
        ({"epoch_s": True}, ValueError, "epoch_s must be a positive number of seconds, not True"),
        ({"epoch_s": float("inf")}, ValueError, "epoch_s must be a positive number of seconds, not inf"),
        ({"epoch_s": "30"}, ValueError, "epoch_s must be a positive number of seconds, not '30'"),
        ({"reports": "wake,light"}, TypeError, r"reports must list stages, such as \['wake', .*, not 'wake,light'"),
        ({"reports": ["wake", 3]}, TypeError, "reports must list stages, .* not '3'"),
    ],
)
def test_what_is_said_wrongly_is_named(said, error, message):
    with pytest.raises(error, match=message):
        read_hypnogram(STAGES, **said)


@pytest.mark.parametrize("offset", ["30", timedelta(seconds=30), float("nan"), True, None])
def test_an_offset_is_a_finite_number(offset):
    with pytest.raises(ValueError, match="clock_offset_s must be a finite number of seconds, not "):
        align(reference=STAGES, device=STAGES, clock_offset_s=offset)


# --- lists of files -----------------------------------------------------------------------------------------


def test_a_list_of_texts_that_end_as_files_do_names_files():
    path = FERRY / "reference" / "crew-1-night-1.edf"
    for listed in ([str(path)], (str(path),), [path]):
        assert read_hypnogram(listed).origin.name == path.name
    with pytest.raises(InputError, match=r"there-is-none\.edf: the file does not exist"):
        read_hypnogram(["there-is-none.edf", "nor-this.edf"])


def test_a_label_is_no_file_even_where_a_file_has_its_name(tmp_path, monkeypatch):
    (tmp_path / "W").write_text("stage\nW\n")
    monkeypatch.chdir(tmp_path)
    assert read_hypnogram(["W"]).labels == ("W",)


def test_texts_with_offsets_that_differ_are_read_over_a_change_of_the_clock():
    """In Helsinki 2026-10-25 04:00 +03:00 was 03:00 +02:00: four epochs of 30 s run on without a gap."""
    frame = pd.DataFrame(
        {
            "start": [f"2026-10-25T03:59:{s}+03:00" for s in ("00", "30")]
            + [f"2026-10-25T03:00:{s}+02:00" for s in ("00", "30")],
            "stage": ["W", "N2", "N2", "R"],
        }
    )
    spans = read_hypnogram(frame)
    assert spans.onset_s.tolist() == [0.0, 30.0, 60.0, 90.0]
    assert spans.start == datetime(2026, 10, 25, 0, 59, tzinfo=UTC)
    with pytest.raises(InputError, match="holds something that is no time"):
        read_hypnogram(frame.assign(start=[*frame["start"][:3], "2026-10-25T03:00:30"]))


def test_a_further_column_does_not_lead_to_advice_that_closes_a_gap():
    frame = pd.DataFrame({"epoch": [0, 1, 2, 7, 8], "stage": ["W", "N2", "N2", "R", "R"], "confidence": 0.9})
    with pytest.raises(InputError) as caught:
        read_hypnogram(frame)
    assert "Give the columns that are meant alone: frame[['epoch', 'stage']]." in str(caught.value)
    assert read_hypnogram(frame[["epoch", "stage"]]).onset_s.tolist() == [0.0, 30.0, 60.0, 210.0, 240.0]
