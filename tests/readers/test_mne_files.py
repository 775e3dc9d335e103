"""``mne.Annotations`` both ways and files that MNE writes and reads; MNE itself is the second opinion."""

import pickle
from datetime import UTC, date, datetime, timedelta, timezone

import mne
import numpy as np
import pytest
from scipy.io import savemat

from sleepagree.errors import ClockError, EpochGridError, FileFormatError, InputError, UnknownStageError
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.edf.writer import write_edf_annotations
from sleepagree.readers.layout import Layout
from sleepagree.readers.memory import read_hypnogram
from sleepagree.readers.mne_files import OrigTime, annotations_from_spans, read_mne_file, spans_from_mne
from tests.said import said

CLOCK = datetime(2026, 3, 1, 22, 30, 0, 250000)
LABELS = ("Sleep stage W", "Sleep stage N2", "Sleep stage ?", "Sleep stage R")


def night(**changes):
    rng = np.random.default_rng(3)
    fields = {
        "onset_s": np.arange(200) * 30 + 12.5,
        "duration_s": np.full(200, 30.0),
        "codes": rng.integers(0, 4, 200),
        "labels": LABELS,
        "stages": ("W", "N2", "unscored", "R"),
        "start": CLOCK,
        "lights_off_s": 5.0,
        "lights_on_s": 6100.5,
        "epoch_s": 30.0,
        "epoch_from": EpochLengthFrom.FILE,
    }
    return ScoredSpans(**{**fields, **changes})


def assert_same_night(back, spans):
    np.testing.assert_array_equal(back.onset_s, spans.onset_s)
    np.testing.assert_array_equal(back.duration_s, spans.duration_s)
    assert [back.labels[c] for c in back.codes] == [spans.labels[c] for c in spans.codes]
    assert [back.stages[c] for c in back.codes] == [spans.stages[c] for c in spans.codes]
    assert (back.lights_off_s, back.lights_on_s) == (spans.lights_off_s, spans.lights_on_s)
    assert back.epoch_s == spans.epoch_s


def test_to_mne_and_back_is_the_same_night():
    spans = night()
    annotations = annotations_from_spans(spans)
    assert isinstance(annotations, mne.Annotations)
    assert annotations.orig_time == CLOCK.replace(tzinfo=UTC)
    back = spans_from_mne(annotations)
    assert_same_night(back, spans)
    assert back.start == CLOCK
    assert back.start.tzinfo is None
    assert said(back.notes) == ("MNE labels clock times UTC whatever their zone: read as a clock without a zone",)


def test_annotations_fit_the_recording_that_mne_has_loaded():
    # MNE itself tells where they land: its recordings carry the clock reading as UTC
    info = mne.create_info(["EEG"], 10.0, "eeg")
    raw = mne.io.RawArray(np.zeros((1, 70_000)), info, verbose="error")
    raw.set_meas_date((CLOCK - timedelta(minutes=10)).replace(tzinfo=UTC))
    raw.set_annotations(annotations_from_spans(night()))
    # 10 min between the two starts, 12.5 s to the first span, 5 s to lights off
    assert raw.annotations.description[0] == "Lights off"
    assert raw.annotations.onset[:2] == pytest.approx([605.0, 612.5])
    assert_same_night(
        spans_from_mne(raw.annotations), night(onset_s=night().onset_s + 600, lights_off_s=605.0, lights_on_s=6700.5)
    )


def test_a_zone_is_lost_on_purpose_or_kept_as_the_true_moment():
    helsinki = timezone(timedelta(hours=2))
    spans = night(start=CLOCK.replace(tzinfo=helsinki))
    assert annotations_from_spans(spans).orig_time == CLOCK.replace(tzinfo=UTC)
    true = annotations_from_spans(spans, orig_time=OrigTime.TRUE_UTC)
    assert true.orig_time == datetime(2026, 3, 1, 20, 30, 0, 250000, tzinfo=UTC)
    with pytest.raises(ValueError, match="TRUE_UTC needs spans with a zone"):
        annotations_from_spans(night(), orig_time=OrigTime.TRUE_UTC)


def test_elapsed_time_stays_elapsed():
    assert annotations_from_spans(night(), orig_time=OrigTime.NONE).orig_time is None


@pytest.mark.parametrize(
    ("told", "moment"),
    [
        # 22:30 in winter, two hours before UTC: by hand
        ("none", None),
        ("clock-as-utc", datetime(2026, 3, 1, 22, 30, tzinfo=UTC)),
        ("true-utc", datetime(2026, 3, 1, 20, 30, tzinfo=UTC)),
    ],
)
def test_orig_time_is_told_by_its_text(told, moment):
    spans = night().with_changes(start=datetime(2026, 3, 1, 22, 30, tzinfo=timezone(timedelta(hours=2))))
    assert annotations_from_spans(spans, orig_time=told).orig_time == moment


@pytest.mark.parametrize("told", ["nonsense", None])
def test_what_is_no_orig_time_is_refused(told):
    with pytest.raises(ValueError, match=f"orig_time must be one of 'clock-as-utc', 'true-utc', 'none', not {told!r}"):
        annotations_from_spans(night(), orig_time=told)
    back = spans_from_mne(annotations_from_spans(night(start=None)))
    assert back.start is None
    assert_same_night(back, night())


def test_a_layout_tells_the_start_and_the_stages():
    annotations = mne.Annotations([0, 30, 60], [30, 30, 30], ["a", "b", "a"])
    layout = Layout(stages={"a": "wake", "b": "light"}, begins=CLOCK)
    spans = spans_from_mne(annotations, layout=layout)
    assert (spans.start, spans.stages) == (CLOCK, ("W", "light"))


def test_stages_given_by_name_go_before_a_layout():
    annotations = mne.Annotations([0, 30], [30, 30], ["a", "b"])
    spans = spans_from_mne(annotations, layout=Layout(stages={"a": "deep", "b": "light"}), stages={"a": "wake"})
    assert spans.stages == ("W", "light")
    assert read_hypnogram(annotations, stages={"a": "wake", "b": "rem"}).stages == ("W", "R")


def test_a_layout_may_tell_the_date_only_beside_a_clock():
    layout = Layout(begins=date(2025, 2, 1))
    spans = spans_from_mne(annotations_from_spans(night()), layout=layout)
    assert spans.start == datetime(2025, 2, 1, 22, 30, 0, 250000)
    with pytest.raises(ClockError, match="elapsed time only"):
        spans_from_mne(annotations_from_spans(night(start=None)), layout=layout)


def test_durations_of_zero_are_inferred_or_refused():
    equal = mne.Annotations([0, 30, 60, 90], 0, ["Sleep stage W"] * 4)
    spans = spans_from_mne(equal)
    assert spans.duration_s.tolist() == [30.0] * 4
    assert spans.epoch_from is EpochLengthFrom.INFERRED
    uneven = mne.Annotations([0, 30, 75, 90], 0, ["Sleep stage W"] * 4)
    with pytest.raises(EpochGridError, match="no duration and no constant step"):
        spans_from_mne(uneven)


def test_annotations_without_stages_or_with_unknown_ones_are_refused():
    with pytest.raises(UnknownStageError, match="no annotation is a sleep stage"):
        spans_from_mne(mne.Annotations([0], [1], ["Limb movement"]))
    with pytest.raises(UnknownStageError, match="Sleep stage U"):
        spans_from_mne(mne.Annotations([0, 30], [30, 30], ["Sleep stage W", "Sleep stage U"]))


def test_times_that_are_no_numbers_are_refused():
    # mne.Annotations takes a negative duration without a word
    with pytest.raises(InputError, match="annotation 1"):
        spans_from_mne(mne.Annotations([0, 30], [30, -5], ["Sleep stage W"] * 2))


def test_times_of_a_thousand_million_seconds_are_refused():
    annotations = mne.Annotations([0.0, 1e300], [30.0, 30.0], ["Sleep stage W"] * 2)
    with pytest.raises(InputError, match="annotation 1: an annotation has no usable time"):
        spans_from_mne(annotations)


def test_the_result_survives_a_process_pool():
    back = pickle.loads(pickle.dumps(spans_from_mne(annotations_from_spans(night()))))
    assert_same_night(back, night())


# --- files ------------------------------------------------------------------------------------------------


def test_a_fif_file_is_read_and_placed_in_a_zone(tmp_path):
    path = tmp_path / "night-annot.fif"
    annotations_from_spans(night()).save(path)
    spans = read_mne_file(path)
    assert_same_night(spans, night())
    assert spans.origin.name == "night-annot.fif"
    assert spans.origin.reader == "mne"
    assert len(spans.origin.sha256) == 64
    placed = read_spans(path, zone="Europe/Helsinki")
    assert placed.start == datetime(2026, 3, 1, 20, 30, 0, 250000, tzinfo=UTC)


FIRST_SEGMENT = "New Segment,,1,1,0,20260301223000250000"


def brain_vision(folder, texts, *, samples=3000, segments=(FIRST_SEGMENT,)):
    """Write a BrainVision header and marker file by hand (format as MNE reads it)."""
    header = (
        "Brain Vision Data Exchange Header File Version 1.0\n[Common Infos]\nDataFile=night.eeg\n"
        "MarkerFile=night.vmrk\nDataFormat=BINARY\nDataOrientation=MULTIPLEXED\nNumberOfChannels=1\nSamplingInterval=10000\n"
        "[Binary Infos]\nBinaryFormat=INT_16\n[Channel Infos]\nCh1=EEG,,0.1,uV\n"
    )
    markers = [*segments, *(f"Comment,{text},{1 + 3000 * i},{samples},0" for i, text in enumerate(texts))]
    marker_file = (
        "Brain Vision Data Exchange Marker File, Version 1.0\n[Common Infos]\nDataFile=night.eeg\n[Marker Infos]\n"
    )
    (folder / "night.vhdr").write_text(header)
    (folder / "night.vmrk").write_text(marker_file + "".join(f"Mk{i + 1}={m}\n" for i, m in enumerate(markers)))
    (folder / "night.eeg").write_bytes(b"\0\0" * 30000)


def eeglab(folder, events):
    """Write an EEGLAB file of (type, latency in samples from 1, duration in samples), 100 Hz, as MNE reads it."""
    rows = np.array(events, dtype=[(name, object) for name in ("type", "latency", "duration")])
    eeg = {"setname": "n", "nbchan": 1, "trials": 1, "pnts": 30000, "srate": 100.0, "xmin": 0.0, "xmax": 300.0}
    savemat(folder / "night.set", {"EEG": {**eeg, "event": rows, "data": "x.fdt", "chanlocs": []}}, appendmat=False)
    return folder / "night.set"


STAGES = ["Sleep stage W", "Sleep stage N1", "Sleep stage N2", "Sleep stage N2"]


def shown(spans):
    return [(spans.stages[c], o, d) for c, o, d in zip(spans.codes, spans.onset_s, spans.duration_s, strict=True)]


def test_markers_of_one_sample_last_until_the_next(tmp_path):
    brain_vision(tmp_path, STAGES, samples=1)
    assert read_mne_file(tmp_path / "night.vhdr").duration_s.tolist() == [30.0] * 4
    path = eeglab(tmp_path, [(text, 1.0 + 3000 * i, 1.0) for i, text in enumerate(STAGES)])
    assert read_mne_file(path).duration_s.tolist() == [30.0] * 4


@pytest.mark.parametrize("channel", [",0", ""])
def test_a_later_segment_of_brain_vision_is_placed_by_its_date(tmp_path, channel):
    # 60 s of samples, then a break: the second segment begins at 22:40:00.25, 540 s after the first one ended
    brain_vision(
        tmp_path,
        STAGES,
        segments=[
            f"New Segment,,{at},1{channel},{date}"
            for at, date in ((1, "20260301223000250000"), (6001, "20260301224000250000"))
        ],
    )
    spans = read_mne_file(tmp_path / "night.vhdr")
    assert shown(spans) == [("W", 0.0, 30.0), ("N1", 30.0, 30.0), ("N2", 600.0, 30.0), ("N2", 630.0, 30.0)]
    assert spans.start == CLOCK
    assert "the recording was paused once, for 540 s in all: what follows is placed later" in said(spans.notes)


def test_markers_of_any_form_tell_the_sampling_rate(tmp_path):
    # the last marker has fields of its own; MNE reads it all the same
    segments = (FIRST_SEGMENT, "New Segment,,6001,1,0,20260301224000250000", "Comment,remark,12001,1,0,x,y")
    brain_vision(tmp_path, STAGES, segments=segments)
    assert [onset for _, onset, _ in shown(read_mne_file(tmp_path / "night.vmrk"))] == [0.0, 30.0, 600.0, 630.0]


def test_a_segment_that_follows_without_a_break_changes_nothing(tmp_path):
    brain_vision(tmp_path, STAGES, segments=(FIRST_SEGMENT, "New Segment,,6001,1,0,20260301223100250000"))
    spans = read_mne_file(tmp_path / "night.vmrk")
    assert [onset for _, onset, _ in shown(spans)] == [0.0, 30.0, 60.0, 90.0]
    assert not any("paused" in sentence for sentence in said(spans.notes))


@pytest.mark.parametrize("date", ["", ",20260301223000250000", ",20269901223000250000"])
def test_a_segment_without_a_usable_date_is_refused(tmp_path, date):
    brain_vision(tmp_path, STAGES, segments=(FIRST_SEGMENT, f"New Segment,,6001,1,0{date}"))
    with pytest.raises(ClockError, match="60 s into the file: the recording was paused, and it is not told for how"):
        read_mne_file(tmp_path / "night.vmrk")


def test_what_eeglab_cut_out_at_a_boundary_is_added(tmp_path):
    # a boundary lies half a sample before the first sample after it, and lasts as many samples as were cut out
    stages = [(text, 1.0 + 3000 * i, 3000.0) for i, text in enumerate(STAGES)]
    path = eeglab(
        tmp_path, [("boundary", 0.5, 700.0), *stages, ("boundary", 3000.5, 6000.0), ("boundary", 7500.5, 100.0)]
    )
    spans = read_mne_file(path)
    # the last but one is parted by a second that was cut out of it; what was cut before the first sample shifts nothing
    whole = [("W", 0.0, 30.0), ("N1", 90.0, 30.0), ("N2", 120.0, 14.995), ("N2", 135.995, 15.005), ("N2", 151.0, 30.0)]
    assert [row[0] for row in shown(spans)] == [row[0] for row in whole]
    np.testing.assert_allclose([row[1:] for row in shown(spans)], [row[1:] for row in whole], atol=1e-6)
    assert "the recording was paused 2 times, for 61 s in all: what follows is placed later" in said(spans.notes)


@pytest.mark.parametrize("samples", [0.0, np.nan])
def test_a_boundary_that_does_not_tell_what_was_cut_out_is_refused(tmp_path, samples):
    stages = [(text, 1.0 + 3000 * i, 3000.0) for i, text in enumerate(STAGES)]
    with pytest.raises(ClockError, match="not told for how long"):
        read_mne_file(eeglab(tmp_path, [*stages, ("boundary", 6000.5, samples)]))


@pytest.mark.parametrize("name", ["night.vmrk", "night.vhdr"])
def test_brain_vision_markers_are_read_without_their_type(tmp_path, name):
    brain_vision(tmp_path, ["Sleep stage W", "Sleep stage N1", "Sleep stage N2", "Note of a kind"])
    spans = read_mne_file(tmp_path / name)
    # 100 Hz, 3000 samples: 30 s each
    assert [(spans.stages[c], o, d) for c, o, d in zip(spans.codes, spans.onset_s, spans.duration_s, strict=True)] == [
        ("W", 0.0, 30.0),
        ("N1", 30.0, 30.0),
        ("N2", 60.0, 30.0),
    ]
    assert spans.start == CLOCK
    assert spans.origin.name == "night.vmrk"
    assert ("Note of a kind", 1) in spans.ignored


@pytest.mark.parametrize(
    "content", [b"\0" * 100, b"hello", b"Brain Vision Data Exchange Marker File\n[Marker Infos]\nx"]
)
@pytest.mark.parametrize("suffix", [".fif", ".vmrk", ".set"])
def test_a_file_that_mne_cannot_read_is_one_error(tmp_path, content, suffix):
    path = tmp_path / f"night{suffix}"
    path.write_bytes(content)
    with pytest.raises((FileFormatError, UnknownStageError)) as caught:
        read_mne_file(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert str(tmp_path) not in str(caught.value).removeprefix(f"{path}: ")


def test_a_missing_file_is_one_error(tmp_path):
    with pytest.raises(InputError, match="the file does not exist"):
        read_mne_file(tmp_path / "night.fif")


def test_an_edf_file_gives_mne_and_us_the_same_stages(tmp_path):
    path = tmp_path / "night.edf"
    spans = night(start=CLOCK.replace(microsecond=0))
    texts = [spans.labels[c] for c in spans.codes]
    write_edf_annotations(
        path, list(zip(spans.onset_s.tolist(), spans.duration_s.tolist(), texts, strict=True)), start=spans.start
    )
    ours, theirs = read_spans(path), spans_from_mne(mne.read_annotations(path))
    np.testing.assert_array_equal(ours.onset_s, theirs.onset_s)
    assert [ours.stages[c] for c in ours.codes] == [theirs.stages[c] for c in theirs.codes]
    # MNE loses the clock of an EDF file; we do not
    assert (ours.start, theirs.start) == (spans.start, None)
