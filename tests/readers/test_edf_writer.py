"""Writing annotation files: read back by us and by two general-purpose libraries."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.errors import OutputError
from sleepagree.readers.edf.recording import read_edf, read_edf_annotations
from sleepagree.readers.edf.writer import EdfFamily, encode_edf_annotations, write_edf_annotations

START = datetime(2026, 3, 1, 22, 30)
NIGHT = [
    (0.0, 30.0, "Sleep stage W"),
    (30.0, 600.5, "Sleep stage N2"),
    (1_000_000.25, 30.0, "Sleep stage R"),
    (12.0, None, "Lights off"),
    (13.5, 0.0, "Türklingel\nzweimal"),
]


@pytest.mark.parametrize(("family", "suffix"), [(EdfFamily.EDF, "edf"), (EdfFamily.BDF, "bdf")])
def test_other_libraries_read_what_is_written(tmp_path, family, suffix):
    import edfio
    import mne

    path = tmp_path / f"night.{suffix}"
    night = [a for a in NIGHT if "\n" not in a[2]]  # both libraries lose legal line feeds
    write_edf_annotations(path, night, start=START, family=family)
    theirs = (edfio.read_bdf if suffix == "bdf" else edfio.read_edf)(path)
    assert [(a.onset, a.duration, a.text) for a in theirs.annotations if a.text != "Recording starts"] == sorted(
        night, key=lambda annotation: annotation[0]
    )
    assert datetime.combine(theirs.startdate, theirs.starttime) == START
    seen = mne.read_annotations(path)
    theirs = sorted(zip(seen.onset.tolist(), seen.description.tolist(), strict=True))
    assert theirs == sorted([(0.0, "Recording starts"), *((onset, text) for onset, _, text in night)])


def test_what_is_written_is_read(tmp_path):
    path = tmp_path / "night.edf"
    write_edf_annotations(path, NIGHT, start=START)
    seen = read_edf_annotations(path)
    assert list(seen.annotations) == [(0.0, None, "Recording starts"), *NIGHT]
    assert (seen.header.start, seen.header.variant, seen.notes) == (START, "EDF+C", ())


def test_all_that_could_identify_somebody_is_x():
    data = encode_edf_annotations(NIGHT, start=START)
    assert data[8:88] == b"X X X X".ljust(80)
    assert data[88:168] == b"Startdate 01-MAR-2026 X X X".ljust(80)
    assert data[168:184] == b"01.03.2622.30.00"


def test_layout_of_the_header_follows_the_specification():
    # widths of the fields: Kemp et al. 1992, table 1 (from memory); reserved field: Kemp & Olivan 2003
    data = encode_edf_annotations(NIGHT, start=START)
    assert data[:8] == b"0       "
    assert data[184:256] == b"512     " + b"EDF+C".ljust(44) + b"1       " + b"0       " + b"1   "
    assert data[256:272] == b"EDF Annotations "
    assert int(data[472:480]) * 2 == len(data) - 512
    assert data.rstrip(b"\x00").endswith(b"\x14")
    assert data.endswith(b"\x00")
    bdf = encode_edf_annotations(NIGHT, start=START, family=EdfFamily.BDF)
    assert bdf[:8] == b"\xffBIOSEMI"
    assert bdf[192:197] == b"BDF+C"
    assert int(bdf[472:480]) * 3 == len(bdf) - 512


def test_start_with_a_fraction_of_a_second(tmp_path):
    start = START.replace(microsecond=250_000)
    write_edf_annotations(tmp_path / "x.edf", NIGHT, start=start)
    seen = read_edf_annotations(tmp_path / "x.edf")
    assert seen.header.start == start
    assert list(seen.annotations[1:]) == NIGHT


def test_the_family_is_told_by_its_text_and_nothing_else_is_taken_for_one():
    for family in EdfFamily:
        told = encode_edf_annotations(NIGHT, start=START, family=str(family))
        # the standards: 8 bytes of version, "0" or 255 and "BIOSEMI", and 44 from byte 192 on that say what it is
        assert told[:8] == (b"\xffBIOSEMI" if family == "BDF+" else b"0       ")
        assert told[192:197] == family.encode() + b"C"
        assert told == encode_edf_annotations(NIGHT, start=START, family=family)
    with pytest.raises(ValueError, match="family must be one of 'EDF\\+', 'BDF\\+', not 'bdf'"):
        encode_edf_annotations(NIGHT, start=START, family="bdf")


def test_aware_start_keeps_its_clock_reading(tmp_path):
    write_edf_annotations(tmp_path / "x.edf", NIGHT, start=START.replace(tzinfo=UTC))
    assert read_edf(tmp_path / "x.edf").start == START


@pytest.mark.parametrize("year", [1985, 1999, 2000, 2084, 2085, 2191])
def test_years(tmp_path, year):
    start = START.replace(year=year)
    write_edf_annotations(tmp_path / "x.edf", NIGHT, start=start)
    assert read_edf_annotations(tmp_path / "x.edf").header.start == start


@pytest.mark.parametrize(
    ("annotation", "message"),
    [
        ((math.nan, 30.0, "x"), r"annotations\[1\]: the onset must be finite, got nan"),
        ((0.0, math.inf, "x"), r"annotations\[1\]: seconds must be finite"),
        ((0.0, -30.0, "x"), r"annotations\[1\]: duration_s must not be negative, got -30.0"),
        ((0.0, 30.0, "a\x00"), r"annotations\[1\]: text must not hold the control character 0x00"),
    ],
)
def test_annotation_that_cannot_be_written(tmp_path, annotation, message):
    with pytest.raises(ValueError, match=message):
        write_edf_annotations(tmp_path / "x.edf", [NIGHT[0], annotation], start=START)
    assert list(tmp_path.iterdir()) == []


def test_start_before_1985_cannot_be_written():
    with pytest.raises(ValueError, match="start must not be before 1985"):
        encode_edf_annotations(NIGHT, start=datetime(1984, 12, 31))


def test_existing_file_is_kept_unless_asked(tmp_path):
    path = tmp_path / "x.edf"
    path.write_bytes(b"precious")
    with pytest.raises(OutputError):
        write_edf_annotations(path, NIGHT, start=START)
    assert path.read_bytes() == b"precious"
    write_edf_annotations(path, NIGHT, start=START, overwrite=True)
    assert len(read_edf_annotations(path).annotations) == 6
    assert [p.name for p in tmp_path.iterdir()] == ["x.edf"]


@pytest.fixture(name="folder", scope="module")
def _folder(tmp_path_factory):
    return tmp_path_factory.mktemp("round-trip")


SECONDS = st.floats(-1e6, 1e6, allow_nan=False).map(lambda x: round(x, 6))
ANNOTATIONS = st.lists(
    st.tuples(
        SECONDS,
        st.none() | st.floats(0, 1e6).map(lambda x: round(x, 6)),
        st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=12),
    ),
    max_size=6,
)


@settings(deadline=None)
@given(ANNOTATIONS, st.datetimes(datetime(1985, 1, 1), datetime(2300, 1, 1)), st.sampled_from(EdfFamily))
def test_any_annotations_at_any_start_come_back(folder, annotations, start, family):
    path = folder / "night.edf"
    write_edf_annotations(path, annotations, start=start, family=family, overwrite=True)
    seen = read_edf_annotations(path)
    assert seen.header.start == start
    assert [(d, t) for _, d, t in seen.annotations[1:]] == [(d, t) for _, d, t in annotations]
    assert [o for o, _, _ in seen.annotations[1:]] == pytest.approx([o for o, _, _ in annotations], abs=1e-8)
