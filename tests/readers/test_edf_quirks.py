"""Every way in which hypnograms in EDF files are known to go wrong, one test each, named after it.

Layout and grammar follow Kemp & Olivan 2003 (seen in a copy of its text) and Kemp et al. 1992. The faults were seen in
files, or in what two general-purpose readers do to files that hold them: what they drop or misplace in silence
is here an error that tells its place, or a note. ``second_opinions`` compares with them where they read right.
"""

from __future__ import annotations

import hashlib
from datetime import date, datetime

import numpy as np
import pytest

from sleepagree.caution import CautionKind
from sleepagree.errors import EpochGridError, FileFormatError, InputError, SleepAgreeError, UnknownStageError
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.mapping.words import NOT_A_STAGE
from sleepagree.readers.edf.recording import read_edf, read_edf_annotations
from sleepagree.readers.layout import Layout, Overlaps, Shape
from tests.readers.edf_bytes import (
    HYPNOGRAM_TEXTS,
    EdfBytes,
    Signal,
    annotation_file,
    hypnogram,
    raw_annotation_file,
    record_start,
    stage,
    tal,
)
from tests.said import said

SECRET = b"crew-0234567 F 02-MAY-1951 Harry_Mate"


@pytest.fixture(name="read")
def _read(tmp_path):
    def read(content: EdfBytes, *, name: str = "night.edf", **options) -> ScoredSpans:
        return read_edf(content.write(tmp_path, name), **options)

    return read


@pytest.fixture(name="fail")
def _fail(tmp_path):
    def fail(content: EdfBytes | bytes, kind: type[SleepAgreeError] = FileFormatError, **options) -> SleepAgreeError:
        path = tmp_path / "night.edf"
        path.write_bytes(content.encode() if isinstance(content, EdfBytes) else content)
        with pytest.raises(kind) as caught:
            read_edf(path, **options)
        assert caught.value.path == str(path)
        return caught.value

    return fail


def rows(spans: ScoredSpans) -> list[tuple[float, float, str]]:
    return [
        (onset, duration, spans.labels[code])
        for onset, duration, code in zip(
            spans.onset_s.tolist(), spans.duration_s.tolist(), spans.codes.tolist(), strict=True
        )
    ]


def second_opinions(path) -> list[list[tuple[float, float]]]:
    """Onset and duration of the stages as two general-purpose readers see them."""
    import edfio
    import mne

    theirs = mne.read_annotations(path)
    read = edfio.read_bdf if path.suffix == ".bdf" else edfio.read_edf
    ours = [(a.onset, a.duration) for a in read(path).annotations if a.text.startswith("Sleep stage")]
    keep = [d.startswith("Sleep stage") for d in theirs.description]
    return [list(zip(theirs.onset[keep].tolist(), theirs.duration[keep].tolist(), strict=True)), ours]


# --- layout of the header ---------------------------------------------------------------------------------


def test_years_85_to_99_are_1985_to_1999_and_00_to_84_are_2000_to_2084(read):
    for two, year in (("85", 1985), ("99", 1999), ("00", 2000), ("84", 2084)):
        spans = read(annotation_file(*hypnogram(), date=f"01.03.{two}", recording=b""))
        assert spans.start == datetime(year, 3, 1, 22, 30)


def test_after_2084_the_recording_field_tells_the_year(read, fail):
    content = annotation_file(*hypnogram(), date="01.03.yy", recording=b"Startdate 01-MAR-2091 X X X")
    assert read(content).start == datetime(2091, 3, 1, 22, 30)
    error = fail(content.but(recording=b"Startdate X X X X"))
    assert error.where == "byte 168, field 'start date'"


def test_start_is_a_naive_local_clock_and_onsets_are_elapsed_seconds(read):
    spans = read(annotation_file(*hypnogram()))
    assert spans.start == datetime(2026, 3, 1, 22, 30)
    assert spans.start.tzinfo is None
    assert not spans.wall_clock


def test_reserved_says_c_or_d_or_nothing(tmp_path):
    for reserved, variant in (("EDF+C", "EDF+C"), ("EDF+D", "EDF+D"), ("EDF+C any text", "EDF+C"), ("", "EDF")):
        seen = read_edf_annotations(annotation_file(*hypnogram(), reserved=reserved).write(tmp_path))
        assert seen.header.variant == variant
        assert len(seen.annotations) == 20
        assert (said(seen.notes) != ()) == (variant == "EDF")


@pytest.mark.parametrize(
    ("changes", "where", "problem"),
    [
        ({"version": b"1       "}, "byte 0, field 'version'", "this is no EDF or BDF file"),
        ({"header_size": "256"}, "byte 184, field 'number of bytes in the header'", "the header contradicts itself"),
        ({"header_size": "five"}, "byte 184, field 'number of bytes in the header'", "the header field is no number"),
        ({"records": "1_0"}, "byte 236, field 'number of data records'", "the header field is no number"),
        ({"duration": "-1"}, "byte 244, field 'duration of a data record'", "a data record has no such duration"),
        ({"duration": "nan"}, "byte 244, field 'duration of a data record'", "the header field is no number"),
        ({"date": "31.02.24"}, "byte 168, field 'start date'", "the start date is no date"),
        ({"date": "2024-0-1"}, "byte 168, field 'start date'", "the start date is no date"),
        ({"time": "24.00.00"}, "byte 176, field 'start time'", "the start time is no time of day"),
        ({"time": "10 pm"}, "byte 176, field 'start time'", "the start time is no time of day"),
    ],
)
def test_header_field_that_is_wrong(fail, changes, where, problem):
    error = fail(annotation_file(*hypnogram(), **changes))
    assert (error.where, error.problem) == (where, problem)
    assert error.expected
    assert error.remedy


def test_header_fields_filled_up_with_nul(read):
    content = annotation_file(*hypnogram(), duration="0\x00\x00\x00", records="1\x00\x00\x00\x00\x00\x00\x00")
    assert len(rows(read(content))) == 20


def test_start_time_with_colons(read):
    spans = read(annotation_file(*hypnogram(), time="23:00:00"))
    assert spans.start == datetime(2026, 3, 1, 23, 0)
    assert "the start time is written with ':' instead of '.'" in said(spans.notes)


def test_header_date_differs_from_recording_field(fail, read):
    content = annotation_file(*hypnogram(), date="02.03.26")
    error = fail(content)
    assert str(error).removeprefix(error.path) == (
        ": byte 168, field 'start date', and byte 88, field 'recording': the header holds two different start dates. "
        "Found 2026-03-02 and 2026-03-01; expected the same date in both. Correct the wrong one in the header, or tell "
        'the true start in a layout, such as begins = "2026-03-01T22:30:00" under [file].'
    )
    begins = datetime(2026, 3, 1, 22, 30)
    assert read(content, layout=Layout(begins=begins)).start == begins
    assert read(content, layout=Layout(begins=date(2026, 3, 4))).start == datetime(2026, 3, 4, 22, 30)


def test_startdate_x_is_anonymised_and_keeps_the_time_of_day(read):
    spans = read(annotation_file(*hypnogram(), recording=b"Startdate X X X X", date="01.01.85"))
    assert spans.start == datetime(1985, 1, 1, 22, 30)
    assert said(spans.notes) == (
        "start anonymised: the recording field says 'Startdate X', so 1985-01-01 need not be the true date; the time "
        "of day was kept",
    )


def test_month_in_another_language(read, fail):
    spans = read(annotation_file(*hypnogram(), recording=b"Startdate 01-MAI-2026 X X X", date="01.05.26"))
    assert spans.start == datetime(2026, 5, 1, 22, 30)
    assert "no English abbreviation" in said(spans.notes)[0]
    error = fail(annotation_file(*hypnogram(), recording=b"Startdate 02-MAI-2026 X X X", date="01.05.26"))
    assert error.found == "2026-05-01 and 2026-??-02"


def test_month_in_lower_case(read):
    spans = read(annotation_file(*hypnogram(), recording=b"Startdate 01-mar-2026 X X X"))
    assert (spans.start, said(spans.notes)) == (datetime(2026, 3, 1, 22, 30), ())


def test_patient_and_recording_fields_are_never_shown(fail, tmp_path):
    recording = b"Startdate 01-MAR-2026 EMG561 QV/ZOP Recorder9"
    path = annotation_file(*hypnogram(), patient=SECRET, recording=recording).write(tmp_path)
    shown = repr(read_edf(path)) + repr(read_edf_annotations(path))
    for bad in (
        annotation_file(tal("30", "x"), patient=SECRET, recording=recording),
        annotation_file(*hypnogram(), patient=SECRET, recording=recording, date="02.03.26"),
        EdfBytes((Signal("EEG", (b"1234",)),), patient=SECRET, recording=recording),
    ):
        shown += str(fail(bad))
    for word in ("Harry", "0234567", "1951", "EMG561", "ZOP", "Recorder9"):
        assert word not in shown


def test_byte_that_is_no_ascii_in_the_patient_field(read):
    assert len(rows(read(annotation_file(*hypnogram(), patient=b"J\xf6rg \xff")))) == 20


def test_hash_leaves_the_patient_and_recording_fields_out(read, tmp_path):
    content = annotation_file(*hypnogram())
    spans = read(content)
    data = content.encode()
    assert spans.origin.sha256 == hashlib.sha256(data[:8] + b" " * 160 + data[168:]).hexdigest()
    assert read(content.but(patient=SECRET, recording=b"Startdate 01-MAR-2026 A B C")).origin == spans.origin
    assert read(annotation_file(*hypnogram(21))).origin != spans.origin


def test_suffix_in_capitals(read):
    assert len(rows(read(annotation_file(*hypnogram()), name="NIGHT.EDF"))) == 20


def test_label_of_the_annotation_channel_in_another_case(read):
    record = record_start() + b"".join(hypnogram())
    spans = read(EdfBytes((Signal("EDF annotations", (record + bytes(2),)),)))
    assert len(rows(spans)) == 20
    assert said(spans.notes) == ("label normalised: signal 'EDF annotations' was read as an annotation channel",)


# --- length of the file -----------------------------------------------------------------------------------


def test_empty_file(fail):
    assert fail(b"", InputError).problem == "the file is empty"


def test_truncated_header(fail):
    data = annotation_file(*hypnogram()).encode()
    assert str(fail(data[:200])).endswith(
        ": byte 200: the file is truncated. Found 200 bytes; expected 256 bytes for the header. Copy or export the "
        "file again."
    )
    assert fail(data[:400]).expected == "512 bytes for the header"


def test_truncated_inside_the_only_record(fail):
    data = annotation_file(*hypnogram()).encode()
    error = fail(data[:-200])
    assert error.problem == "the file is truncated"
    assert error.found == f"{len(data) - 200} bytes"
    assert error.expected.startswith(f"{len(data)} bytes for 1 data record")


def test_text_file_named_edf(fail):
    error = fail(b"onset,duration,stage\n0,30,W\n" * 40)
    assert error.problem == "this is no EDF or BDF file"
    assert "onset" not in str(error)


@pytest.mark.parametrize("count", ["-1", "0"])
def test_record_count_left_at_minus_one_or_zero(read, count):
    spans = read(annotation_file(*hypnogram(), records=count))
    assert len(rows(spans)) == 20
    assert said(spans.notes)[0].startswith(f"the header gives {count} data records, as while recording; 1 were counted")


def test_record_count_too_large(fail):
    assert fail(annotation_file(*hypnogram(), records="2")).problem == "the file is truncated"


def several_records(*, starts=(0, 300, 600), reserved="EDF+C", **changes) -> EdfBytes:
    """Three records of 300 s with one signal and ten epochs of scoring each."""
    lists = [
        record_start(f"+{s}") + b"".join(stage(s + 30 * i, HYPNOGRAM_TEXTS[i % 5]) for i in range(10)) for s in starts
    ]
    size = max(map(len, lists)) + 1
    signals = (Signal("EEG", tuple(bytes(600) for _ in starts)), Signal(records=tuple(lists), size=size))
    return EdfBytes(signals, duration="300", reserved=reserved).but(**changes)


def test_annotations_after_the_last_declared_record(read):
    spans = read(several_records(records="2"))
    assert len(rows(spans)) == 30
    assert said(spans.notes) == (
        "data records after the declared ones: the header gives 2, the file holds 3, and all were read",
    )


def test_bytes_after_the_last_record(read):
    spans = read(several_records(tail=b"\x1a\x00\x00"))
    assert len(rows(spans)) == 30
    assert said(spans.notes) == ("3 bytes after the last whole data record were not read",)


# --- records and channels ---------------------------------------------------------------------------------


def test_annotations_inside_a_recording(read, tmp_path):
    content = several_records()
    spans = read(content)
    assert rows(spans) == [(30.0 * i, 30.0, HYPNOGRAM_TEXTS[i % 10 % 5]) for i in range(30)]
    assert said(spans.notes) == ()
    for opinion in second_opinions(content.write(tmp_path)):
        assert opinion == [(onset, duration) for onset, duration, _ in rows(spans)]


def test_record_duration_0_although_there_are_ordinary_signals(read):
    assert len(rows(read(several_records(duration="0")))) == 30


def test_edf_d_with_a_gap_keeps_file_time(read, tmp_path):
    content = several_records(starts=(0, 300, 900), reserved="EDF+D")
    spans = read(content)
    assert spans.onset_s[20] == 900.0
    assert said(spans.notes) == (
        "gap between records: 1 of 3 data records do not start where the one before ends, the first is record 3 at "
        "900 s instead of 600 s; annotations keep their time",
    )
    assert all(opinion[20] == (900.0, 30.0) for opinion in second_opinions(content.write(tmp_path)))


def test_edf_c_with_a_gap_says_so(read):
    spans = read(several_records(starts=(0, 300, 900)))
    assert spans.onset_s[20] == 900.0
    assert "although the header says that there is none" in said(spans.notes)[0]


def test_two_annotation_channels_are_merged(read):
    night = hypnogram(10)
    first = record_start() + b"".join(night[:5]) + bytes(2)
    second = b"".join(night[5:]) + bytes(2)
    spans = read(EdfBytes((Signal(records=(first,)), Signal(records=(second,)))))
    assert rows(spans) == [(30.0 * i, 30.0, HYPNOGRAM_TEXTS[i % 5]) for i in range(10)]
    assert said(spans.notes) == ("2 annotation channels were read together",)


def test_a_second_annotation_channel_may_repeat_the_start_of_the_record(tmp_path):
    first = record_start() + b"".join(hypnogram(10)) + bytes(2)
    second = record_start() + tal("+60", "Limb movement", duration="3") + bytes(2)
    content = EdfBytes((Signal(records=(first,)), Signal("EEG", (bytes(50),)), Signal(records=(second,))))
    seen = read_edf_annotations(content.write(tmp_path))
    assert len(seen.annotations) == 11
    assert seen.annotations[-1] == (60.0, 3.0, "Limb movement")


def test_bytes_like_annotations_inside_a_signal_are_not_read(read):
    fake = tal("+0", "Sleep stage R", duration="30").ljust(600, b"\x00")
    content = several_records()
    signals = (Signal("EEG", (fake,) * 3), content.signals[1])
    assert rows(read(content.but(signals=signals))) == rows(read(content))


def test_bdf_plus(read, tmp_path):
    content = several_records(version=b"\xffBIOSEMI", reserved="BDF+C", sample_size=3)
    signals = (content.signals[0], Signal("BDF Annotations", content.signals[1].records, content.signals[1].size))
    content = content.but(signals=signals)
    spans = read(content, name="night.bdf")
    assert len(rows(spans)) == 30
    assert read_edf_annotations(content.write(tmp_path, "night.bdf")).header.variant == "BDF+C"
    for opinion in second_opinions(content.write(tmp_path, "night.bdf")):
        assert opinion == [(onset, duration) for onset, duration, _ in rows(spans)]


# --- the start of the first record ------------------------------------------------------------------------


def test_first_record_starts_half_a_second_late_and_onsets_count_from_the_header(read, tmp_path):
    content = raw_annotation_file(
        record_start("+0.5") + stage("+0.5", "Sleep stage W") + stage("+30.5", "Sleep stage R")
    )
    spans = read(content)
    assert spans.start == datetime(2026, 3, 1, 22, 30, 0, 500000)
    assert spans.onset_s.tolist() == [0.0, 30.0]
    assert all([o for o, _ in opinion] == [0.0, 30.0] for opinion in second_opinions(content.write(tmp_path)))


def test_first_record_starts_late_but_onsets_were_written_from_0(read, tmp_path):
    content = raw_annotation_file(record_start("+0.25") + stage("+0", "Sleep stage W") + stage("+30", "Sleep stage R"))
    spans = read(content)
    assert spans.onset_s.tolist() == [-0.25, 29.75]
    assert spans.start == datetime(2026, 3, 1, 22, 30, 0, 250000)
    assert all([o for o, _ in opinion] == [-0.25, 29.75] for opinion in second_opinions(content.write(tmp_path)))


@pytest.mark.parametrize("start", ["+600", "-5", "+1"])
def test_first_record_starts_far_from_the_header_start(fail, read, start):
    content = raw_annotation_file(record_start(start) + stage(630, "Sleep stage W"))
    error = fail(content)
    assert error.problem == "the first data record does not start where the header says"
    assert error.where == "byte 512, in data record 1"
    begins = datetime(2026, 3, 1, 22, 30)
    spans = read(content, layout=Layout(begins=begins))
    assert (spans.start, spans.onset_s.tolist()) == (begins, [630.0])


def test_no_record_start_loses_no_annotation(read):
    spans = read(raw_annotation_file(b"".join(hypnogram())))
    assert len(rows(spans)) == 20
    assert said(spans.notes) == ("1 of 1 data records do not begin with their start time",)


def test_text_in_the_list_of_the_record_start(tmp_path):
    content = raw_annotation_file(record_start("+0", "Recording starts") + b"".join(hypnogram()))
    seen = read_edf_annotations(content.write(tmp_path))
    assert seen.annotations[0] == (0.0, None, "Recording starts")
    assert len(seen.annotations) == 21
    assert read_edf(content.write(tmp_path)).ignored == (("Recording starts", 1),)


# --- annotation lists -------------------------------------------------------------------------------------

MALFORMED = {
    "duration NaN": stage(0, "Sleep stage W", "NaN"),
    "duration empty after 0x15": stage(0, "Sleep stage W", ""),
    "duration with a comma": stage(0, "Sleep stage W", "30,0"),
    "duration negative": stage(0, "Sleep stage W", "-30"),
    "onset with a comma": stage("+30,5", "Sleep stage W"),
    "onset without sign": stage("30", "Sleep stage W"),
    "onset with a space": stage("+ 30", "Sleep stage W"),
    "onset with two dots": stage("+1.2.3", "Sleep stage W"),
    "onset with an exponent": stage("+1.2e3", "Sleep stage W"),
    "onset with exponent and sign": stage("+1e+05", "Sleep stage W"),
}


@pytest.mark.parametrize("fault", MALFORMED)
def test_malformed_number_is_refused_at_its_byte(fail, fault):
    before = hypnogram(3)
    error = fail(annotation_file(*before, MALFORMED[fault], *hypnogram(2)))
    at = 512 + len(record_start()) + sum(map(len, before))
    if fault.startswith("duration"):
        at += 3
    assert error.where == f"byte {at}, in data record 1"
    assert error.problem == f"an annotation has a malformed {fault.split()[0]}"


def test_malformed_number_in_a_later_record(fail):
    content = several_records()
    records = [r.replace(b"+660", b"+6x0") for r in content.signals[1].records]
    signal = Signal(records=tuple(records), size=content.signals[1].size)
    error = fail(content.but(signals=(content.signals[0], signal)))
    data = content.encode()
    assert error.where == f"byte {data.index(b'+660')}, in data record 3"


@pytest.mark.parametrize("onset", ["+.5", "+30."])
def test_onset_without_digits_on_one_side_of_the_dot(read, onset):
    assert read(annotation_file(stage(onset, "Sleep stage W"))).onset_s.tolist() == [float(onset)]


def test_nul_missing_between_lists(fail):
    first, *others = hypnogram(5)
    error = fail(annotation_file(first[:-1], *others))
    assert error.problem == "an onset stands where a text should be"
    assert error.where == f"byte {512 + len(record_start()) + len(first) - 1}, in data record 1"


def test_record_exactly_full_without_nul(fail):
    record = (record_start() + b"".join(hypnogram(3)) + stage(90, "Sleep stage N1"))[:-1]
    assert len(record) % 2 == 0
    content = EdfBytes((Signal(records=(record, record_start("+1"))),))
    error = fail(content)
    assert error.problem == "an annotation does not end inside its data record"
    assert error.where == f"byte {512 + record.rindex(b'+90')}, in data record 1"


def test_line_feed_inside_a_text(tmp_path):
    content = annotation_file(*hypnogram(), tal("+10", "turned over\nto the left", duration="2"))
    assert read_edf_annotations(content.write(tmp_path)).annotations[-1].text == "turned over\nto the left"
    assert read_edf(content.write(tmp_path)).ignored == (("turned over\nto the left", 1),)


def test_several_texts_in_one_list(read):
    spans = read(annotation_file(*hypnogram(5), tal("+150", "Sleep stage W", "Arousal", duration="30")))
    assert rows(spans)[-1] == (150.0, 30.0, "Sleep stage W")
    assert spans.ignored == (("Arousal", 1),)


def test_empty_text_with_a_duration_is_counted(read):
    spans = read(annotation_file(*hypnogram(), tal("+60", "", duration="30")))
    assert spans.ignored == (("(empty text)", 1),)


def test_negative_onset(read, tmp_path):
    content = annotation_file(stage("-30", "Sleep stage W"), stage(0, "Sleep stage N1"))
    assert read(content).onset_s.tolist() == [-30.0, 0.0]
    assert all(opinion[0] == (-30.0, 30.0) for opinion in second_opinions(content.write(tmp_path)))


def test_text_that_is_not_utf8(fail, read):
    bad = tal("+10", "x").replace(b"x", "Kopfkissen zurückgelegt".encode("latin-1"))
    content = annotation_file(*hypnogram(), bad)
    error = fail(content)
    assert error.problem == "an annotation text is not utf-8"
    assert error.found == "byte 0xFC"
    assert "zur" not in str(error)
    assert read(content, layout=Layout(encoding="latin-1")).ignored == (("Kopfkissen zurückgelegt", 1),)


def test_unused_bytes_between_lists(read):
    spans = read(annotation_file(*hypnogram(5), bytes(3), stage(150, "Sleep stage W")))
    assert len(rows(spans)) == 6
    assert said(spans.notes) == ("3 unused bytes stand between annotations, where none belong; nothing was lost",)


def test_onset_of_a_million_seconds(read):
    assert read(annotation_file(stage("+1000000.25", "Sleep stage W"))).onset_s.tolist() == [1000000.25]


# --- durations --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("duration", [None, 0, "0.0"])
def test_duration_absent_or_0_everywhere_and_a_constant_step(read, duration):
    spans = read(annotation_file(*hypnogram(20, duration=duration, step=20)))
    assert spans.duration_s.tolist() == [20.0] * 20
    assert (spans.epoch_s, spans.epoch_from) == (20.0, EpochLengthFrom.INFERRED)
    assert said(spans.notes) == (
        "epoch length inferred: no stage annotation has a duration, and all of them start 20 s apart",
    )


@pytest.mark.parametrize("duration", ["0.002", "1"])
def test_markers_are_no_durations(read, fail, duration):
    # one sample of a recording at 500 Hz, or at 1 Hz
    spans = read(annotation_file(*hypnogram(20, duration=duration)))
    assert spans.duration_s.tolist() == [30.0] * 20
    assert said(spans.notes) == (
        f"all stage annotations last {duration} s, far less than from one to the next: taken for no duration",
        "epoch length inferred: no stage annotation has a duration, and all of them start 30 s apart",
    )
    gap = annotation_file(*hypnogram(6, duration=duration), stage(240, "Sleep stage W", duration))
    assert fail(gap, EpochGridError).problem == "the stage annotations have no duration and no constant step"
    assert read(gap, layout=Layout(epoch_seconds=30)).duration_s.tolist() == [30.0] * 7
    until_next = read(gap, layout=Layout(shape=Shape.INTERVALS, epoch_seconds=30))
    assert until_next.duration_s.tolist() == [30.0] * 5 + [90.0, 30.0]


@pytest.mark.parametrize(("duration", "step"), [("1", 1), ("1", 9), ("2", 30), ("30", 600)])
def test_short_or_sparse_epochs_keep_their_durations(read, duration, step):
    spans = read(annotation_file(*hypnogram(20, duration=duration, step=step)))
    assert spans.duration_s.tolist() == [float(duration)] * 20


def test_duration_0_on_some_only(fail, read):
    content = annotation_file(*hypnogram(4), stage(120, "Sleep stage R", 0), stage(150, "Sleep stage W"))
    error = fail(content, EpochGridError)
    assert error.problem == "some stage annotations have no duration, others have one"
    assert error.where == "annotation at 120 s"
    assert error.found == "'Sleep stage R' without a duration or with 0 s, as 1 of 6"
    spans = read(content, layout=Layout(epoch_seconds=30))
    assert rows(spans)[4] == (120.0, 30.0, "Sleep stage R")
    assert spans.epoch_from is EpochLengthFrom.LAYOUT


def test_duration_absent_and_a_step_that_varies(fail, read):
    content = annotation_file(*hypnogram(6, duration=None), stage(240, "Sleep stage W", None))
    error = fail(content, EpochGridError)
    assert error.problem == "the stage annotations have no duration and no constant step"
    assert (error.where, error.found) == ("annotation at 240 s", "a step of 90 s")
    assert "epoch_seconds = 30" in error.remedy
    assert 'shape = "intervals"' in error.remedy
    assert len(rows(read(content, layout=Layout(epoch_seconds=30)))) == 7


CHANGES = ((0, "Sleep stage W"), (600, "Sleep stage N1"), (780, "Sleep stage N2"), (1980, "Sleep stage R"))


def test_changes_of_stage_without_durations(fail, read):
    changes = [stage(at, text, 0) for at, text in CHANGES]
    marks = [tal("+0", "Lights off"), *(tal(f"+{t}", "Arousal") for t in (700, 2000)), tal("+2100", "Lights on")]
    error = fail(annotation_file(*changes), EpochGridError)
    assert error.problem == "the stage annotations have no duration and no constant step"
    assert str(error).endswith(
        "Export them with durations. If each stage lasts until the next one, say so in a layout: "
        '[file] shape = "intervals".'
    )
    layout = Layout(shape=Shape.INTERVALS)
    spans = read(annotation_file(*changes, *marks), layout=layout)
    assert spans.duration_s.tolist() == [600.0, 180.0, 1200.0, 120.0]
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.FILE)
    assert said(spans.notes) == (
        "stage annotations without durations last until the next one each, the last until 2100 s, as the layout says",
    )
    # an arousal stands between stages, too, and ends none
    error = fail(annotation_file(*changes, *marks[:3]), EpochGridError, layout=layout)
    assert (error.problem, error.where) == ("the last stage annotation has no end", "annotation at 1980 s")
    last = read(annotation_file(*changes), layout=Layout(shape=Shape.INTERVALS, epoch_seconds=60))
    assert last.duration_s.tolist() == [600.0, 180.0, 1200.0, 60.0]
    told = read(annotation_file(*hypnogram(4)), layout=layout)
    assert told.duration_s.tolist() == [30.0] * 4


def test_duration_absent_and_too_few_annotations_to_show_a_step(fail):
    error = fail(annotation_file(*hypnogram(2, duration=None)), EpochGridError)
    assert error.problem == "the stage annotations have no duration"


def test_durations_of_other_annotations_do_not_matter(read):
    marks = (tal("+0", "Lights off"), tal("+10", "Arousal", duration="3.7"), tal("+600", "Lights on"))
    spans = read(annotation_file(*marks, *hypnogram()))
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.FILE)
    assert (spans.lights_off_s, spans.lights_on_s) == (0.0, 600.0)


@pytest.mark.parametrize(
    ("durations", "epoch_s"),
    [
        ([30, 30, 30], 30.0),
        ([300, 300], 300.0),
        ([60, 30, 90], 30.0),
        ([600, 1200, 60], 30.0),
        ([40, 20, 100], 20.0),
        ([20.5, 41], None),
        ([28800], 30.0),
        ([10, *[30] * 9, 13], 30.0),  # a part of an epoch at either end
        ([10, *[20.5] * 9], 20.5),
        ([10, 30, 30, 13], 1.0),  # too few to tell
        ([60, *[30] * 9], 30.0),
        ([45, *[30] * 9], 15.0),  # longer than an epoch: no part of one
    ],
)
def test_epoch_of_runs(read, durations, epoch_s):
    onsets = [sum(durations[:i]) for i in range(len(durations))]
    lists = [stage(f"+{o}", HYPNOGRAM_TEXTS[i % 5], d) for i, (o, d) in enumerate(zip(onsets, durations, strict=True))]
    assert read(annotation_file(*lists)).epoch_s == epoch_s


# --- order, duplicates, overlaps --------------------------------------------------------------------------


def test_unsorted_annotations_are_legal(read):
    night = hypnogram(10)
    assert rows(read(annotation_file(*night[::-1]))) == rows(read(annotation_file(*night)))
    assert said(read(annotation_file(*night[::-1])).notes) == ()


def test_exact_duplicates_are_dropped_with_a_count(read):
    night = hypnogram(10)
    spans = read(annotation_file(*night, night[3], night[3], night[5]))
    assert len(rows(spans)) == 10
    assert said(spans.notes)[0].startswith("3 rows that repeat another exactly dropped")


def test_overlap_is_refused_with_both_annotations(fail):
    error = fail(annotation_file(*hypnogram(4), stage(105, "Sleep stage R")), EpochGridError)
    assert error.where == "annotation at 90 s and annotation at 105 s"
    for part in ("'Sleep stage N3'", "90 s to 120 s", "'Sleep stage R'", "105 s to 135 s"):
        assert part in error.found
    assert "overlaps" in error.remedy


def test_overlap_with_merged_rows_names_the_one_that_reaches_into_the_next(fail):
    # each lasts 0.6 s into the next; the first two are merged, and the second overlaps the third
    error = fail(
        annotation_file(*(stage(30 * i, f"Sleep stage {s}", "30.6") for i, s in enumerate("WWR"))), EpochGridError
    )
    assert error.where == "annotation at 30 s and annotation at 60 s"
    assert error.found == "'Sleep stage W' 30 s to 60.6 s, 'Sleep stage R' 60 s to 90.6 s"


def test_same_time_with_two_stages_is_refused(fail):
    error = fail(annotation_file(*hypnogram(4), stage(30, "Sleep stage R")), EpochGridError)
    for part in ("'Sleep stage N1'", "30 s to 60 s", "'Sleep stage R'"):
        assert part in error.found


def test_overlaps_settled_by_the_layout(read):
    content = annotation_file(
        stage(30, "Sleep stage W", 30), stage(0, "Sleep stage N2", 120), stage(60, "Sleep stage R", 90)
    )
    shorter = read(content, layout=Layout(overlaps=Overlaps.SHORTER_WINS))
    assert rows(shorter) == [
        (0.0, 30.0, "Sleep stage N2"),
        (30.0, 30.0, "Sleep stage W"),
        (60.0, 90.0, "Sleep stage R"),
    ]
    later = read(content, layout=Layout(overlaps=Overlaps.LATER_WINS))
    assert rows(later) == [(0.0, 60.0, "Sleep stage N2"), (60.0, 90.0, "Sleep stage R")]
    assert any("overlapping rows (later-wins)" in note for note in said(later.notes))


def test_overlap_of_the_same_stage_is_merged_with_a_note(read):
    spans = read(annotation_file(stage(0, "Sleep stage W", 60), stage(30, "Sleep stage W", 60)))
    assert rows(spans) == [(0.0, 90.0, "Sleep stage W")]
    assert "merged" in said(spans.notes)[0]


def test_decimals_that_were_rounded_do_not_overlap(read):
    """Up to a millisecond is rounding; more is noted, as in tables."""
    spans = read(annotation_file(stage(0, "Sleep stage W", "30.0004"), stage(30, "Sleep stage R")))
    assert (rows(spans)[0][1], spans.notes) == (30.0, ())
    spans = read(annotation_file(stage(0, "Sleep stage W", "30.4"), stage(30, "Sleep stage R")))
    assert rows(spans)[0][1] == 30.0
    assert said(spans.notes) == ("1 ends cut to the next beginning: rounded times overlap by up to 0.4 s",)


# --- texts ------------------------------------------------------------------------------------------------

STANDARD = {
    "Sleep stage W": "W",
    "Sleep stage 1": "N1",
    "Sleep stage 2": "N2",
    "Sleep stage 3": "N3",
    "Sleep stage 4": "N3",
    "Sleep stage N1": "N1",
    "Sleep stage N2": "N2",
    "Sleep stage N3": "N3",
    "Sleep stage R": "R",
    "Sleep stage ?": "unscored",
    "Sleep stage N": "nrem",
    "Movement time": "unscored",
}


def test_standard_texts(read):
    spans = read(annotation_file(*(stage(30 * i, text) for i, text in enumerate(STANDARD))))
    assert dict(zip(spans.labels, spans.stages, strict=True)) == STANDARD
    assert said(spans.notes) == ("R&K merged: 'Sleep stage 3' and 'Sleep stage 4' (Rechtschaffen & Kales) read as N3",)


def test_other_case_and_spacing_is_noted(read):
    spans = read(annotation_file(stage(0, "SLEEP STAGE w"), stage(30, " Sleep  stage R "), stage(60, "Sleep stage W ")))
    assert spans.labels == ("SLEEP STAGE w", "Sleep  stage R")  # one stage, as the file spells it first
    assert spans.stages == ("W", "R")
    assert said(spans.notes) == (
        "label normalised: 'SLEEP STAGE w' read as 'Sleep stage W'",
        "label normalised: ' Sleep  stage R ' read as 'Sleep stage R'",
        "label normalised: 'Sleep stage W ' read as 'Sleep stage W'",
    )


def test_two_spellings_of_one_stage_at_one_time_are_one(read, fail):
    both = annotation_file(stage(0, "Sleep stage W"), stage(0, "sleep stage w"), stage(30, "Sleep stage N2"))
    spans = read(both)
    assert rows(spans) == [(0.0, 30.0, "Sleep stage W"), (30.0, 30.0, "Sleep stage N2")]
    assert "1 row that repeats another exactly dropped (annotation at 0 s)" in said(spans.notes)
    # a layout may tell two spellings apart
    fail(both, EpochGridError, layout=Layout(stages={"Sleep stage W": "wake", "sleep stage w": "N1"}))


def test_underscores_between_the_words_of_the_standard(read, fail):
    texts = ("Sleep_stage_W", "SLEEP STAGE N1", "Sleep_stage_N2", "sleep_stage_4")
    spans = read(annotation_file(*(stage(30 * i, text) for i, text in enumerate(texts))))
    assert (spans.labels, spans.stages) == (texts, ("W", "N1", "N2", "N3"))
    assert said(spans.notes)[:2] == (
        "label normalised: 'Sleep_stage_W' read as 'Sleep stage W'",
        "label normalised: 'SLEEP STAGE N1' read as 'Sleep stage N1'",
    )
    assert "R&K merged: 'sleep_stage_4' (Rechtschaffen & Kales) read as N3" in said(spans.notes)
    fail(annotation_file(*hypnogram(2), stage(60, "Sleep_stage_U")), UnknownStageError)


def test_a_text_that_a_layout_explains_is_not_said_to_be_read_as_the_standard_says(read):
    content = annotation_file(stage(0, "sleep stage w"), stage(30, "sleep stage r"))
    spans = read(content, layout=Layout(stages={"sleep stage w": "N2"}))
    assert spans.stages == ("N2", "R")
    assert said(spans.notes) == ("label normalised: 'sleep stage r' read as 'Sleep stage R'",)


@pytest.mark.parametrize("text", ["Sleep stage U", "Sleep stage N4", "Sleep stage REM"])
def test_stage_that_only_a_layout_explains(fail, read, text):
    content = annotation_file(*hypnogram(4), stage(120, text), stage(150, text))
    error = fail(content, UnknownStageError)
    assert error.where == "annotations at 120 and 150 s"
    assert text in error.found
    spans = read(content, layout=Layout(stages={text.lower(): "unscored"}))
    assert spans.stages[spans.labels.index(text)] == "unscored"
    assert text in read(content, own_words=frozenset({text})).stages


def test_text_with_a_channel_is_split_at_the_first_at_signs(read):
    spans = read(
        annotation_file(
            stage(0, "Sleep stage W@@EEG F4-A1"), stage(30, "Sleep stage R@@EEG@@x"), tal("+0", "Lights off@@EEG F4-A1")
        )
    )
    assert spans.labels == ("Sleep stage W", "Sleep stage R")
    assert spans.lights_off_s == 0.0
    assert said(spans.notes) == ("3 annotation texts name a channel after '@@'; the part before it was read",)


def test_same_stage_on_two_channels_counts_once_and_two_stages_are_refused(read, fail):
    spans = read(annotation_file(stage(0, "Sleep stage W@@C3"), stage(0, "Sleep stage W@@C4")))
    assert rows(spans) == [(0.0, 30.0, "Sleep stage W")]
    fail(annotation_file(stage(0, "Sleep stage W@@C3"), stage(0, "Sleep stage R@@C4")), EpochGridError)


def test_two_lights_off_marks(fail, read):
    content = annotation_file(*hypnogram(), tal("+0", "Lights off"), tal("+90", "Lights off"))
    error = fail(content, EpochGridError)
    assert (error.problem, error.found) == ("two 'lights off' marks", "0 s and 90 s")
    assert read(content, layout=Layout(stages={"Lights off": "not-a-stage"})).lights_off_s is None


def test_the_same_lights_off_mark_twice(read):
    assert read(annotation_file(*hypnogram(), *[tal("+30", "Lights off")] * 2)).lights_off_s == 30.0


def test_lights_on_before_off(fail):
    error = fail(annotation_file(*hypnogram(), tal("+90", "Lights off"), tal("+60", "lights on")), EpochGridError)
    assert error.found == "off at 90 s, on at 60 s"


def test_lights_marks_are_known_in_the_spellings_that_tables_know(read):
    spans = read(annotation_file(tal("+0", "Lights out"), *hypnogram(), tal("+600", "lights_on")))
    assert (spans.lights_off_s, spans.lights_on_s, spans.ignored) == (0.0, 600.0, ())
    assert said(spans.notes) == (
        "label normalised: 'Lights out' read as 'Lights off'",
        "label normalised: 'lights_on' read as 'Lights on'",
    )


def test_lights_marks_beside_plain_words(read):
    """A lights mark is no stage, so that plain words count although the standard writes the mark like this."""
    spans = read(annotation_file(tal("+0", "Lights off"), stage(0, "Wake"), stage(30, "N2")))
    assert (spans.stages, spans.lights_off_s) == (("W", "N2"), 0.0)


def test_recording_marks_apnea_and_notes_are_counted(read):
    others = [tal("+0", "Recording starts"), tal("+600", "Recording ends")]
    others += [tal(f"+{t}", "Obstructive apnea", duration="12") for t in (40, 80, 200)]
    spans = read(annotation_file(*hypnogram(), *others))
    assert spans.ignored == (("Recording starts", 1), ("Recording ends", 1), ("Obstructive apnea", 3))
    assert len(rows(spans)) == 20


def test_plain_words_count_only_without_standard_texts(read):
    plain = annotation_file(stage(0, "Wake"), stage(30, "N2"), stage(60, "Artefact"))
    spans = read(plain)
    assert spans.stages == ("W", "N2", "unscored")
    assert said(spans.notes) == (
        "no annotation has a text that EDF+ knows for stages; plain words were read: 'Artefact', 'N2', 'Wake'",
    )
    mixed = read(annotation_file(*hypnogram(4), stage(15, "N2"), tal("+10", "Artefact", duration="3")))
    assert mixed.labels == HYPNOGRAM_TEXTS[:4]
    assert mixed.ignored == (("N2", 1), ("Artefact", 1))
    assert said(mixed.cautions) == (
        "Annotations that could be stages were ignored, since the file also has the texts that EDF+ knows for stages: "
        "'N2'. A layout can name their stages.",
    )


def test_texts_that_a_layout_names(read, fail):
    content = annotation_file(stage(0, "Schlaf 2"), stage(30, "wach"), tal("+5", "Husten", duration="1"))
    assert fail(content, UnknownStageError).problem == "no annotation is a sleep stage"
    table = {"schlaf 2": "N2", "wach": "wake", "Husten": "not-a-stage"}
    spans = read(content, layout=Layout(stages=table, reports=("wake", "N2")))
    assert (spans.labels, spans.stages, spans.reports) == (("Schlaf 2", "wach"), ("N2", "W"), ("wake", "N2"))
    assert spans.ignored == (("Husten", 1),)


def test_layout_goes_before_the_standard(read):
    spans = read(annotation_file(*hypnogram(4)), layout=Layout(stages={"Sleep stage N3": "not-a-stage"}))
    assert spans.labels == HYPNOGRAM_TEXTS[:3]
    assert spans.ignored == (("Sleep stage N3", 1),)


def test_no_stage_texts_lists_what_recurs(fail):
    texts = [tal(f"+{i}", "Limb movement\x7f", duration="2") for i in range(7)] + [tal("+9", "Öffnen \u202e der Tür")]
    error = fail(annotation_file(*texts), UnknownStageError)
    assert error.found == "2 texts: 'Limb movement\\x7f' (7), 1 that stands fewer than 5 times"
    assert '"Limb movement\\U0000007f" = "..."' in error.remedy
    assert "Tür" not in str(error)


def test_events_named_like_artefacts_make_no_hypnogram(fail):
    fail(annotation_file(tal("+0", "Artefact", duration="3"), tal("+9", "movement", duration="2")), UnknownStageError)


@pytest.mark.parametrize("text", ["Sleep stage ?", "Movement time"])
def test_time_left_unscored_by_a_standard_text_hides_no_plain_words(read, fail, text):
    spans = read(annotation_file(stage(0, "W"), stage(30, "N2"), stage(60, text), stage(90, "N2")))
    assert [label for _, _, label in rows(spans)] == ["W", "N2", text, "N2"]
    assert spans.stages == ("W", "N2", "unscored")
    assert spans.cautions == ()
    error = fail(annotation_file(*(stage(30 * i, text) for i in range(6))), UnknownStageError)
    assert (error.problem, error.found) == ("no annotation is a sleep stage", f"1 text: '{text}' (6)")


def test_movement_time_hides_no_hypnogram_signal(read):
    lists = [record_start(f"+{30 * i}") for i in range(len(CODES))]
    lists[2] += tal("+61", "Movement time", duration="5") + tal("+70", "Movement time", duration="5")
    signals = (*signal_file().signals, Signal(records=tuple(lists), size=80))
    spans = read(signal_file().but(signals=signals, reserved="EDF+C"))
    assert [label for _, _, label in rows(spans)] == [str(code) for code in CODES]
    assert spans.ignored == (("Movement time", 2),)


def test_no_annotations(fail):
    error = fail(annotation_file())
    assert error.problem == "the file holds no annotation and no hypnogram"
    assert error.found == "signals 'EDF Annotations' (holds no annotation)"


def test_no_annotation_channel_and_no_hypnogram(fail, tmp_path):
    content = EdfBytes(
        (Signal("EEG Fpz-Cz", (bytes(200),) * 3), Signal("Resp", (bytes(20),) * 3)), duration="1", reserved=""
    )
    error = fail(content)
    assert error.found == "signals 'EEG Fpz-Cz', 'Resp'"
    assert read_edf_annotations(content.write(tmp_path)).annotations == ()


# --- a hypnogram as an ordinary signal --------------------------------------------------------------------

CODES = (0, 1, 2, 3, 4, 5, 6, 9, 2, 2)


def signal_file(*, codes=CODES, label="Hypnogram", sample_size=2, **changes) -> EdfBytes:
    records = tuple(int(c).to_bytes(sample_size, "little", signed=True) for c in codes)
    signal = Signal(label, records, physical=("0", "9"), digital=("0", "9"))
    return EdfBytes((signal,), duration="30", reserved="", sample_size=sample_size).but(**changes)


def test_hypnogram_stored_as_a_signal(read):
    spans = read(signal_file())
    assert [label for _, _, label in rows(spans)] == [str(code) for code in CODES]
    assert spans.stages == ("W", "N1", "N2", "N3", "N3", "R", "unscored", "unscored")
    assert spans.onset_s.tolist() == [30.0 * i for i in range(10)]
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.FILE)
    assert said(spans.notes) == (
        "hypnogram read from the signal 'Hypnogram', one sample an epoch",
        "R&K merged: codes 3 and 4 (Rechtschaffen & Kales) read as N3",
    )
    assert spans.start == datetime(2026, 3, 1, 22, 30)


def test_codes_of_a_signal_that_a_layout_explains(read):
    """The layout goes before the codes' usual meaning, and before a mapping file's word for a code."""
    layout = Layout(stages={"3": "R", "4": "light"})
    spans = read(signal_file(), layout=layout, own_words=frozenset({"3", "2"}))
    assert dict(zip(spans.labels, spans.stages, strict=True)) | {"9": ""} == {
        "0": "W", "1": "N1", "2": "2", "3": "R", "4": "light", "5": "R", "6": "unscored", "9": ""
    }  # fmt: skip
    assert said(spans.notes) == ("hypnogram read from the signal 'Hypnogram', one sample an epoch",)


def test_hypnogram_stored_as_a_signal_with_several_samples_a_record(read):
    record = np.array(CODES, "<i2").tobytes()
    signal = Signal("Hypnogram", (record, record), physical=("0", "9"), digital=("0", "9"))
    spans = read(EdfBytes((signal, Signal("EEG", (bytes(100),) * 2)), duration="200", reserved=""))
    assert spans.epoch_s == 20.0
    assert spans.onset_s.tolist() == [20.0 * i for i in range(20)]


def test_hypnogram_stored_as_a_signal_over_the_whole_range_of_a_sample(tmp_path):
    import edfio

    values = np.array(CODES, float)
    signal = edfio.EdfSignal(values, 1 / 30, label="Hypnogram", physical_range=(0, 9))
    edfio.Edf([signal], data_record_duration=30).write(tmp_path / "night.edf")
    spans = read_edf(tmp_path / "night.edf")
    assert [int(label) for _, _, label in rows(spans)] == list(CODES)


def test_hypnogram_stored_as_a_signal_beside_annotations_that_are_no_stages(read):
    lists = [record_start(f"+{30 * i}") for i in range(len(CODES))]
    lists[2] += tal("+61", "Lights off") + tal("+65", "Husten", duration="2")
    signals = (*signal_file().signals, Signal(records=tuple(lists), size=60))
    spans = read(signal_file().but(signals=signals, reserved="EDF+C"))
    assert len(rows(spans)) == len(CODES)
    assert (spans.lights_off_s, spans.lights_on_s) == (61.0, None)
    assert spans.ignored == (("Husten", 1),)


def beside_signal(*annotations) -> EdfBytes:
    """A file with a hypnogram signal, and annotations in its third data record."""
    lists = [record_start(f"+{30 * i}") for i in range(len(CODES))]
    for onset, text in annotations:
        lists[2] += tal(onset, text, duration="30")
    return signal_file().but(signals=(*signal_file().signals, Signal(records=tuple(lists), size=120)), reserved="EDF+C")


def test_a_hypnogram_signal_that_remarks_in_plain_words_hide_is_named(read):
    content = beside_signal(("+60", "awake"), ("+120", "REM"))
    (caution,) = read(content).cautions
    assert (caution.kind, dict(caution.values)["signal"], dict(caution.values)["labels"]) == (
        CautionKind.HYPNOGRAM_UNREAD, "Hypnogram", ("awake", "REM")
    )  # fmt: skip
    # what the caution advises has the signal read
    spans = read(content, layout=Layout(stages={"awake": NOT_A_STAGE, "REM": NOT_A_STAGE}))
    assert (len(rows(spans)), spans.cautions) == (len(CODES), ())


@pytest.mark.parametrize("layout", [None, Layout(stages={"awake": "W", "REM": "R"})])
def test_a_hypnogram_signal_beside_stages_of_the_standard_or_of_a_layout_is_no_surprise(read, layout):
    texts = ("awake", "REM") if layout else ("Sleep stage W", "Sleep stage R")
    spans = read(beside_signal(*zip(("+60", "+90"), texts, strict=True)), layout=layout)
    assert (len(rows(spans)), spans.cautions) == (2, ())


def test_a_stage_of_0_s_where_another_begins_ended_where_the_file_was_cut(read):
    spans = read(annotation_file(stage(0, "W", duration="0"), stage(0, "N2"), stage(30, "N3")))
    assert [label for _, _, label in rows(spans)] == ["N2", "N3"]
    left_out = "left out: 1 stage annotation of 0 s where another begins, as cropping a recording makes them"
    assert left_out in said(spans.notes)


def test_a_stage_of_0_s_with_a_time_of_its_own_is_refused(fail):
    error = fail(annotation_file(stage(0, "W", duration="0"), stage(30, "N2")), EpochGridError)
    assert error.problem == "some stage annotations have no duration, others have one"


@pytest.mark.parametrize(("first_s", "begins"), [("+0.5", None), ("+0.5", 1), ("+3600", 1)])
def test_a_hypnogram_signal_and_its_marks_count_from_one_start(read, first_s, begins):
    first = float(first_s)
    lists = [record_start(f"+{first + 30 * i:g}") for i in range(len(CODES))]
    lists[2] += tal(f"+{first + 61:g}", "Lights off")
    signals = (*signal_file().signals, Signal(records=tuple(lists), size=60))
    start = datetime(2026, 3, 1, 23, 30) if begins else None
    spans = read(signal_file().but(signals=signals, reserved="EDF+C"), layout=Layout(begins=start))
    assert spans.lights_off_s - spans.onset_s[0] == pytest.approx(61.0)
    assert spans.onset_s[0] == (first if begins else 0.0)


def signal_with_starts(*starts: float | None, begin: float = 0) -> EdfBytes:
    """One epoch a record, of which some do not tell when they begin."""
    lists = tuple(tal("+0", "a remark") if s is None else record_start(f"+{begin + s:g}") for s in starts)
    signals = (*signal_file(codes=CODES[: len(starts)]).signals, Signal(records=lists, size=40))
    return signal_file().but(signals=signals, reserved="EDF+D")


@pytest.mark.parametrize("begin", [0, 0.25])
@pytest.mark.parametrize("missing", [0, 1, 4, 5])
def test_one_record_of_a_signal_without_its_start_does_not_move_the_others(read, missing, begin):
    # EDF+D (Kemp & Olivan 2003, section 2.2.4): each record tells its own start, here with a gap of ten minutes
    starts = [0, 30, 60, 660, 690, 720]
    told = [None if i == missing else s for i, s in enumerate(starts)]
    spans = read(signal_with_starts(*told, begin=begin))
    first_is_told = missing != 0
    np.testing.assert_allclose(spans.onset_s, np.array(starts) + (0 if first_is_told else begin))
    assert "1 of 6 data records do not begin with their start time" in said(spans.notes)


@pytest.mark.parametrize("told", [(0, 30, None, 660, 690), (None, None, 660, 690)])
def test_a_record_of_a_signal_without_its_start_beside_a_gap_is_refused(fail, told):
    content, i = signal_with_starts(*told), len(told) - 3
    error = fail(content)
    assert error.problem == "a data record does not tell when it begins, and there is a gap before or after it"
    assert error.where == f"byte {256 * 3 + 42 * i + 2}, in data record {i + 1}"
    assert error.found == f"a gap between data records {i} and {i + 2}"


def test_hypnogram_stored_as_a_signal_in_bdf(read):
    spans = read(signal_file(sample_size=3, version=b"\xffBIOSEMI"), name="night.bdf")
    assert [int(label) for _, _, label in rows(spans)] == list(CODES)


def test_hypnogram_signal_with_a_code_that_nothing_explains(fail, read):
    content = signal_file(codes=(0, 1, 7, 7))
    error = fail(content, UnknownStageError)
    assert error.where == "samples 3 and 4"
    assert read(content, layout=Layout(stages={"7": "unscored"})).stages == ("W", "N1", "unscored")


def test_hypnogram_signal_with_a_value_between_codes(fail):
    signal = Signal("Hypnogram", (b"\x00\x00", b"\x05\x00"), physical=("0", "0.9"), digital=("0", "9"))
    error = fail(EdfBytes((signal,), duration="30", reserved=""))
    assert (error.where, error.found) == ("signal 'Hypnogram', sample 2", "0.5")


def test_single_slow_signal_without_a_telling_name_is_a_hypnogram_only_if_it_holds_codes(read, fail):
    assert len(rows(read(signal_file(label="Channel 1")))) == 10
    assert fail(signal_file(label="Temp", codes=(36, 37, 36))).problem.startswith("the file holds no annotation")


def test_two_hypnogram_signals_are_refused(fail):
    one = signal_file().signals[0]
    error = fail(EdfBytes((one, Signal("Hypnogram 2", one.records, digital=("0", "9"))), duration="30", reserved=""))
    assert error.problem == "several signals could be the hypnogram"
