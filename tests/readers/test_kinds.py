"""Files that are not what their name says: called what they are, and never quoted."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import sqlite3
import zipfile
from pathlib import Path

import pytest

from sleepagree.errors import FileFormatError, InputError
from sleepagree.files.kinds import kind_of_bytes
from sleepagree.mapping.files import read_mapping
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.study.paired_epochs import read_paired_nights
from sleepagree.study.table import read_nights_table
from tests.ferry import FERRY

RECORDING = (FERRY / "reference" / "crew-1-night-1.edf").read_bytes()
TABLE = b"time,stage\n" + b"".join(b"2026-03-01T22:%02d:00,wake\n" % i for i in range(20))


def zipped(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in names:
            archive.writestr(name, TABLE)
    return out.getvalue()


def spreadsheet(folder: Path, engine: str | None = None) -> bytes:
    """A workbook in the order of parts that ISO/IEC 29500 packages have."""
    return zipped("[Content_Types].xml", "_rels/.rels", "xl/workbook.xml", "xl/worksheets/sheet1.xml")


def database(folder: Path) -> bytes:
    path = folder / "any.db"
    with sqlite3.connect(path) as made:
        made.execute("create table nights (stage text)")
    made.close()
    return path.read_bytes()


def parquet(folder: Path) -> bytes:
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    pq.write_table(pa.table({"time": ["x"]}), folder / "any.parquet")
    return (folder / "any.parquet").read_bytes()


#: Made by other programs than ours, where the standard library or a library has one.
FILES = {
    "an EDF recording, or the beginning of one": lambda _: RECORDING,
    "a spreadsheet (.xlsx, .ods or .xls)": spreadsheet,
    "a zip archive": lambda _: zipped("night.csv"),
    "a file compressed with gzip": lambda _: gzip.compress(TABLE),
    "a file compressed with bzip2": lambda _: bz2.compress(TABLE),
    "a file compressed with xz": lambda _: lzma.compress(TABLE),
    "an SQLite database": database,
    "a Parquet file": parquet,
    "a binary file": lambda _: bytes(range(8)) * 50,
}


@pytest.mark.parametrize("name", FILES)
def test_what_stands_in_the_place_of_a_table_is_called_what_it_is(name: str, tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(FILES[name](tmp_path))
    with pytest.raises(FileFormatError) as caught:
        read_spans(path)
    error = caught.value
    assert (error.problem, error.found) == (f"this is {name}", "")
    assert error.expected == "a table of texts such as CSV or TSV"
    assert error.remedy.endswith(".")


def test_the_message_tells_how_to_mend_a_spreadsheet_and_a_compressed_file(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(spreadsheet(tmp_path))
    with pytest.raises(FileFormatError) as caught:
        read_spans(path)
    assert str(caught.value) == (
        f"{path}: this is a spreadsheet (.xlsx, .ods or .xls). Expected a table of texts such as CSV or TSV. Open it "
        "in a spreadsheet program and save the sheet as CSV in UTF-8."
    )
    path.write_bytes(gzip.compress(TABLE))
    with pytest.raises(FileFormatError, match=r"compressed with gzip\. .* Decompress it and give the file inside\.$"):
        read_spans(path)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("night.json", "JSON"),
        ("night.ndjson", "JSON"),
        ("task_events.tsv", "a table of texts such as CSV or TSV"),
        ("night.txt", "a table of texts such as CSV or TSV"),
        ("night.parquet", "a complete Parquet file"),
        ("night.vmrk", "an annotation file"),
        ("night.set", "an annotation file"),
    ],
)
def test_every_reader_looks(name: str, expected: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(RECORDING)
    with pytest.raises(FileFormatError) as caught:
        read_spans(path)
    assert (caught.value.problem, caught.value.expected) == (
        "this is an EDF recording, or the beginning of one",
        expected,
    )


@pytest.mark.parametrize("cut", [9, 30, 88, 200, 256, None])
@pytest.mark.parametrize("read", [read_layout, read_mapping, read_nights_table, lambda p: list(read_paired_nights(p))])
def test_a_recording_is_no_layout_no_mapping_and_no_table_of_nights(read, cut: int | None, tmp_path: Path) -> None:
    path = tmp_path / "night.txt"
    path.write_bytes(RECORDING[:cut])
    with pytest.raises(InputError) as caught:
        read(path)
    assert caught.value.problem == "this is an EDF recording, or the beginning of one"


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda data: b"\xef\xbb\xbf" + data, id="a byte-order mark"),
        pytest.param(lambda data: b"\r\n\r\n" + data, id="blank lines"),
        pytest.param(lambda data: data.decode("latin-1").encode("utf-16"), id="UTF-16"),
        pytest.param(lambda data: data.decode("latin-1").encode("utf-16-le"), id="UTF-16 without its mark"),
        pytest.param(lambda data: data.decode("latin-1").encode("utf-32"), id="UTF-32"),
        pytest.param(lambda data: b"0" + b"\x00" * 7 + data[8:], id="NUL for spaces"),
        pytest.param(lambda data: b"version1" + data[8:], id="another version"),
        pytest.param(lambda data: data[:8] + b"\xe9\xff\xfe" + data[11:], id="letters that are not ASCII"),
    ],
)
def test_an_edf_header_is_one_however_it_was_saved(spoil) -> None:
    kind = kind_of_bytes(spoil(RECORDING)[:1024])
    assert kind is not None
    assert kind.name == "an EDF recording, or the beginning of one"


def test_bdf_is_told_from_edf() -> None:
    kind = kind_of_bytes(b"\xffBIOSEMI" + RECORDING[8:100])
    assert kind is not None
    assert kind.name == "a BDF recording, or the beginning of one"


@pytest.mark.parametrize(
    "text",
    [
        "time,stage\n",
        "0,wake\n30,light\n",
        "0 wake\n30 light\n",
        '{"a": 1}',
        "\n\n[file]\n",
        "# a layout\n",
        "Zeit;Phase\n01.03.2026 22:30;\u00fcber\n",
        "\u6642\u9593,stage\n",
        "label\nN2\x1b[2J\x07\n" + "wake\n" * 20,
        "PK,stage\nBZ,1\n",
        "x" * 168 + "01.03.2622:30",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le"])
def test_texts_stay_texts(text: str, encoding: str) -> None:
    assert kind_of_bytes(text.encode(encoding)[:1024]) is None


def test_every_text_file_of_the_fixtures_is_one() -> None:
    texts = [p for p in FERRY.parent.rglob("*") if p.suffix in (".csv", ".tsv", ".json", ".toml")]
    assert len(texts) > 20
    assert [p for p in texts if kind_of_bytes(p.read_bytes()[:1024]) is not None] == []
