"""The table of nights: every fault at once, each with its row."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from sleepagree.errors import FileFormatError, InputError
from sleepagree.files.writing import csv_text
from sleepagree.study.table import read_nights_table
from tests.ferry import FERRY

HEADER = "participant,night,device,reference,device_file,clock_offset"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("r1.edf", "r2.edf", "d1.csv", "d2.csv"):
        (tmp_path / name).write_bytes(b"x")
    return tmp_path


def written(folder: Path, *rows: str, header: str = HEADER) -> Path:
    path = folder / "nights.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def test_the_fixture_study_is_read() -> None:
    table = read_nights_table(FERRY / "nights.csv")
    assert len(table.rows) == 24
    assert len(table.sha256) == 64
    assert sum(len(row.references) == 2 for row in table.rows) == 2


def test_all_faults_are_listed_with_their_lines(folder: Path) -> None:
    path = written(
        folder,
        "crew-1,1,band A,r1.edf,d1.csv,",
        "crew-1,1,band A,r2.edf,d2.csv,",
        "crew-2,1,band A,missing.edf,d2.csv,",
        "crew-3,1,band A,r2.edf,,",
        "crew-4,1,band A,r2.edf,d2.csv,soon",
        "crew-5,1,band A,r2.edf",
    )
    with pytest.raises(InputError) as caught:
        read_nights_table(path)
    text = str(caught.value)
    assert "nights.csv: 5 faults in the table of nights; nothing was run." in text
    assert "line 3: participant crew-1, night 1, device band A stand in line 2 already" in text
    assert "line 4: reference 'missing.edf' does not exist" in text
    assert "line 5: device_file is empty" in text
    assert "line 6: clock_offset 'soon' is no number of seconds" in text
    assert "line 7: 4 cells, the header has 6" in text


def test_one_device_file_under_two_nights_of_one_reference_is_a_fault(folder: Path) -> None:
    path = written(folder, "crew-1,1,band A,r1.edf,d1.csv,", "crew-1,2,band A,r1.edf,d1.csv,")
    with pytest.raises(InputError, match=r"line 3: device_file 'd1\.csv' belongs to line 2 already"):
        read_nights_table(path)


@pytest.mark.parametrize(
    ("header", "problem"),
    [
        ("participant,night,device,reference", "column device_file is missing"),
        (HEADER + ",colour", "column 'colour' is unknown"),
        (HEADER + ",night", "column night stands twice"),
    ],
)
def test_a_wrong_header_is_refused(folder: Path, header: str, problem: str) -> None:
    with pytest.raises(FileFormatError, match=problem):
        read_nights_table(written(folder, "a,b,c,d,e", header=header))


def test_semicolons_byte_order_mark_and_blank_lines_are_read(folder: Path) -> None:
    path = folder / "nights.csv"
    text = "participant;night;device;reference;device_file\r\n\r\ncrew-1;1;band A;r1.edf;d1.csv\r\n"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    (row,) = read_nights_table(path).rows
    assert (row.row, row.participant, row.device_file) == (3, "crew-1", "d1.csv")


#: Texts without spaces around them, which are no part of a cell; many begin as a formula does.
_NAMES = st.builds(
    "{}{}".format,
    st.sampled_from(("", "=", "+", "-", "@", "\t", "\r", "'", "'=", "''@")),
    st.text(min_size=1, max_size=8).filter(lambda text: text == text.strip()),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(_NAMES, _NAMES, _NAMES)
@example("@anna", "-1", "'=pad")
@example("'@anna", "'-1", "--1")
def test_names_that_are_written_read_back_as_they_were(folder: Path, participant: str, night: str, device: str) -> None:
    path = folder / "nights.csv"
    columns = HEADER.split(",")
    written_text = csv_text([columns, [participant, night, device, "r1.edf", "d1.csv", "-60"]])
    path.write_bytes(written_text.encode())
    (row,) = read_nights_table(path).rows
    assert (row.participant, row.night, row.device, row.clock_offset_s) == (participant, night, device, -60)


def test_files_whose_names_begin_as_formulas_do_are_found(folder: Path) -> None:
    for name in ("@anna_psg.edf", "=second.edf", "+d.csv"):
        (folder / name).write_bytes(b"x")
    path = folder / "nights.csv"
    path.write_text(csv_text([HEADER.split(","), ["a", "1", "pad B", "@anna_psg.edf;=second.edf", "+d.csv", ""]]))
    (row,) = read_nights_table(path).rows
    assert (row.references, row.device_file) == (("@anna_psg.edf", "=second.edf"), "+d.csv")


def test_not_utf8_is_refused_with_its_byte(folder: Path) -> None:
    path = folder / "nights.csv"
    path.write_bytes(HEADER.encode() + b"\nJ\xf6rn,1,band A,r1.edf,d1.csv,\n")
    with pytest.raises(FileFormatError, match=f"byte {len(HEADER) + 2}"):
        read_nights_table(path)
