"""The table of nights: every fault at once, each with its row."""

from __future__ import annotations

from pathlib import Path

import pytest

from sleepagree.errors import FileFormatError, InputError
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


def test_not_utf8_is_refused_with_its_byte(folder: Path) -> None:
    path = folder / "nights.csv"
    path.write_bytes(HEADER.encode() + b"\nJ\xf6rn,1,band A,r1.edf,d1.csv,\n")
    with pytest.raises(FileFormatError, match=f"byte {len(HEADER) + 2}"):
        read_nights_table(path)
