"""The reader of EDF files as a whole: against other readers, under mutation, and in what it touches."""

from __future__ import annotations

import os
import pickle
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.errors import InputError, SleepAgreeError
from sleepagree.files import reading as _text
from sleepagree.files.reading import open_input, read_bytes
from sleepagree.readers.edf.recording import read_edf, read_edf_annotations
from sleepagree.readers.layout import Layout
from tests.readers.edf_bytes import (
    HYPNOGRAM_TEXTS,
    EdfBytes,
    Signal,
    annotation_file,
    hypnogram,
    record_start,
    stage,
    tal,
)
from tests.said import said


def recording(records: int, *, signal_size: int, sample_size: int = 2) -> EdfBytes:
    """A recording with one epoch of scoring in each data record of 30 s."""
    lists = tuple(record_start(f"+{30 * i}") + stage(30 * i, HYPNOGRAM_TEXTS[i % 5]) for i in range(records))
    noise = np.random.default_rng(1).integers(0, 256, signal_size, dtype=np.uint8).tobytes()
    signals = (Signal("EEG", (noise,) * records), Signal(records=lists, size=60))
    return EdfBytes(signals, duration="30", sample_size=sample_size)


# --- against edfio ----------------------------------------------------------------------------------------


def test_file_written_by_another_library(tmp_path):
    import edfio

    annotations = [edfio.EdfAnnotation(30.0 * i, 30.0, HYPNOGRAM_TEXTS[i * i % 5]) for i in range(200)]
    annotations += [edfio.EdfAnnotation(45.5, None, "Lights off"), edfio.EdfAnnotation(5000.25, 0.75, "Husten, kurz")]
    rng = np.random.default_rng(0)
    signals = [
        edfio.EdfSignal(rng.normal(size=256 * 6000), 256, label=f"EEG {i}", physical_range=(-6, 6)) for i in "ab"
    ]
    edf = edfio.Edf(
        signals,
        annotations=annotations,
        starttime=datetime(2026, 3, 1, 22, 30, 7, 250000).time(),
        recording=edfio.Recording(startdate=datetime(2026, 3, 1).date()),
        data_record_duration=1,
    )
    edf.write(tmp_path / "night.edf")
    spans = read_edf(tmp_path / "night.edf")
    assert spans.start == datetime(2026, 3, 1, 22, 30, 7, 250000)
    assert spans.onset_s.tolist() == [30.0 * i for i in range(200)]
    assert [spans.labels[code] for code in spans.codes] == [a.text for a in annotations[:200]]
    assert spans.lights_off_s == 45.5
    assert spans.ignored == (("Husten, kurz", 1),)
    assert said(spans.notes) == ()
    theirs = edfio.read_edf(tmp_path / "night.edf").annotations
    ours = read_edf_annotations(tmp_path / "night.edf").annotations
    assert sorted(ours) == sorted((a.onset, a.duration, a.text) for a in theirs)


@pytest.mark.parametrize("family", ["edf", "bdf"])
def test_night_written_by_another_library(tmp_path, family):
    import edfio

    annotations = [edfio.EdfAnnotation(30.0 * i, 30.0, HYPNOGRAM_TEXTS[i % 5]) for i in range(120)]
    kind = edfio.Edf if family == "edf" else edfio.Bdf
    kind([], annotations=annotations, starttime=datetime(2026, 3, 1, 23).time()).write(tmp_path / f"night.{family}")
    spans = read_edf(tmp_path / f"night.{family}")
    assert spans.onset_s.tolist() == [30.0 * i for i in range(120)]
    assert spans.epoch_s == 30.0


# --- how it reads -----------------------------------------------------------------------------------------


def test_small_and_large_files_are_read_alike(tmp_path, monkeypatch):
    path = recording(40, signal_size=700).write(tmp_path)
    at_once = read_edf(path)
    monkeypatch.setattr("sleepagree.readers.edf.recording._SMALL_FILE", 300)
    in_blocks = read_edf(path)
    monkeypatch.setattr("sleepagree.readers.edf.recording._SHORT_RECORD", 0)
    by_record = read_edf(path)
    monkeypatch.setattr("sleepagree.readers.edf.recording._BLOCK", 100)
    one_by_one = read_edf(path)
    monkeypatch.setattr(_text, "_CAN_READ_AT", False)
    by_seeking = read_edf(path)
    for other in (in_blocks, by_record, one_by_one, by_seeking):
        assert (other.onset_s == at_once.onset_s).all()
        assert (other.codes == at_once.codes).all()
        assert other.origin == at_once.origin


def test_of_a_large_recording_only_the_annotations_are_read(tmp_path, monkeypatch):
    path = recording(60, signal_size=60_000).write(tmp_path)
    taken = []
    plain_read = os.pread

    def counting(descriptor, count, offset):
        taken.append(count)
        return plain_read(descriptor, count, offset)

    monkeypatch.setattr("sleepagree.readers.edf.recording._SMALL_FILE", 1024)
    monkeypatch.setattr(os, "pread", counting)
    spans = read_edf(path)
    assert len(spans.codes) == 60
    assert sum(taken) < 1024 + 60 * 80
    assert path.stat().st_size > 3_000_000


def test_hash_of_a_recording_is_that_of_header_and_annotations(tmp_path):
    first = recording(10, signal_size=500)
    other_signals = first.but(signals=(Signal("EEG", (b"\x01" * 500,) * 10), first.signals[1]))
    assert read_edf(first.write(tmp_path)).origin == read_edf(other_signals.write(tmp_path)).origin


def test_spans_survive_a_pickle(tmp_path):
    spans = read_edf(annotation_file(*hypnogram()).write(tmp_path))
    again = pickle.loads(pickle.dumps(spans))
    assert (again.onset_s == spans.onset_s).all()
    assert not again.onset_s.flags.writeable
    assert again.origin == spans.origin


def test_reading_twice_gives_the_same(tmp_path):
    path = annotation_file(*hypnogram(), tal("+5", "Husten")).write(tmp_path)
    assert repr(read_edf(path)) == repr(read_edf(path))


# --- files that cannot be opened --------------------------------------------------------------------------


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(InputError, match=r"night\.edf: the file does not exist\. Check the path, seen from "):
        read_edf(tmp_path / "night.edf")
    with pytest.raises(InputError, match="its folder does not exist"):
        read_edf(tmp_path / "no" / "night.edf")
    (tmp_path / "file").write_bytes(b"x")
    with pytest.raises(InputError, match="its folder does not exist"):
        read_edf(tmp_path / "file" / "night.edf")
    with pytest.raises(InputError, match="this is a folder"):
        read_edf(tmp_path)
    with pytest.raises(InputError, match="this is no usable path"):
        read_edf("night\x00.edf")


def test_pipe_does_not_wait_for_ever(tmp_path):
    os.mkfifo(tmp_path / "pipe.edf")
    with pytest.raises(InputError, match="this is a pipe or a device"):
        read_edf(tmp_path / "pipe.edf")


def test_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = annotation_file(*hypnogram()).write(tmp_path)
    path.chmod(0)

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)  # a superuser may read everything
    with pytest.raises(InputError, match=r"the file cannot be opened\. Found Permission denied"):
        read_edf(path)


def test_file_that_changes_while_it_is_read(tmp_path):
    path = annotation_file(*hypnogram()).write(tmp_path)
    with open_input(path) as file:
        path.write_bytes(b"0" * 10)
        with pytest.raises(InputError, match=r"changed while it was being read\. Found 10 bytes; expected \d+ bytes"):
            file.read_at(0, file.size)
        with pytest.raises(InputError, match="changed while it was being read"):
            file.check_unchanged()
        with pytest.raises(InputError, match="changed while it was being read"):
            file.read_each([0, 400], 20)


def test_file_too_large_for_its_kind(tmp_path):
    path = tmp_path / "night.csv"
    path.write_bytes(b"time,stage\n")
    assert read_bytes(path) == b"time,stage\n"
    with pytest.raises(
        InputError, match=r"too large for this kind of file\. Found 11 bytes; expected at most 10 bytes"
    ):
        read_bytes(path, largest=10)


def test_disk_that_fails(tmp_path, monkeypatch):
    path = annotation_file(*hypnogram()).write(tmp_path)

    def fail(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "pread", fail)
    with pytest.raises(InputError, match=r"byte 0: the file cannot be read\. Found Input/output error"):
        read_edf(path)


def test_every_file_is_closed(tmp_path):
    before = len(list(Path("/proc/self/fd").iterdir()))
    good = annotation_file(*hypnogram()).write(tmp_path)
    bad = annotation_file(tal("30", "x")).write(tmp_path, "bad.edf")
    for _ in range(5):
        read_edf(good)
        with pytest.raises(SleepAgreeError):
            read_edf(bad)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


# --- under mutation ---------------------------------------------------------------------------------------

GOOD = (
    annotation_file(*hypnogram(12), tal("+0", "Lights off"), tal("+33.5", "Arousal", "Husten", duration="4")).encode(),
    recording(4, signal_size=40).encode(),
    recording(4, signal_size=40, sample_size=3).but(version=b"\xffBIOSEMI", reserved="BDF+C").encode(),
    EdfBytes(
        (Signal("Hypnogram", tuple(bytes((c, 0)) for c in (0, 1, 2, 9)), digital=("0", "9"), physical=("0", "9")),),
        duration="30",
        reserved="",
    ).encode(),
)
MUTATION = st.tuples(
    st.sampled_from(["replace", "insert", "delete", "repeat", "cut"]),
    st.floats(0, 1, exclude_max=True),
    st.sampled_from([b"\x00", b"\x14", b"\x15", b"+", b"-", b"0", b"9", b".", b" ", b"\xff", b"X", b"W", b"\x14\x00"]),
    st.integers(1, 40),
)


@pytest.fixture(name="folder", scope="module")
def _folder(tmp_path_factory):
    return tmp_path_factory.mktemp("mutations")


def mutated(data: bytes, mutations, *, first: int) -> bytes:
    for kind, place, piece, length in mutations:
        at = first + int(place * max(1, len(data) - first))
        if kind == "replace":
            data = data[:at] + piece + data[at + len(piece) :]
        elif kind == "insert":
            data = data[:at] + piece + data[at:]
        elif kind == "delete":
            data = data[:at] + data[at + length :]
        elif kind == "repeat":
            data = data[:at] + data[at : at + length] + data[at:]
        else:
            data = data[:at]
    return data


def check_outcome(path: Path, layout: Layout | None) -> None:
    try:
        spans = read_edf(path, layout=layout)
    except SleepAgreeError as error:
        text = str(error)
        assert len(text) < 2000
        assert "\x00" not in text
        return
    assert spans.codes.size > 0
    assert (spans.duration_s > 0).all()


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(GOOD), st.lists(MUTATION, min_size=1, max_size=4), st.booleans())
def test_any_mutation_gives_spans_or_one_error(folder, good, mutations, in_records):
    path = folder / "mutation.edf"
    path.write_bytes(mutated(good, mutations, first=512 if in_records else 0))
    check_outcome(path, None)
    check_outcome(path, Layout(encoding="latin-1"))


def test_start_counts_in_local_time_across_midnight(tmp_path):
    spans = read_edf(annotation_file(*hypnogram(400)).write(tmp_path))
    assert spans.start + timedelta(seconds=spans.end_s) == datetime(2026, 3, 2, 1, 50)
