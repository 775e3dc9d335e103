"""Compressed files, spreadsheets and standard input: bounded in memory, not quoted where they are no such thing."""

from __future__ import annotations

import builtins
import gzip
import io
import random
import sys
import zipfile
from collections.abc import Iterator
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.describe.file import describe_file
from sleepagree.errors import FileFormatError, InputError, SleepAgreeError
from sleepagree.files import packed
from sleepagree.readers.any_file import companion_files, read_spans
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.layout import Layout
from sleepagree.readers.table import excel
from tests.canaries import CANARY, TRACE
from tests.commands import run
from tests.ferry import FERRY
from tests.said import said

TABLE = b"time,stage\n2026-03-01T22:30:00,W\n2026-03-01T22:30:30,N2\n2026-03-01T22:31:00,R\n"
RECORDING = FERRY / "reference" / "crew-1-night-1.edf"


def pack(data: bytes) -> bytes:
    return gzip.compress(data, mtime=0)


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()


def book(*sheets: list[list[Any]]) -> bytes:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for i, rows in enumerate(sheets, 1):
        sheet = made.create_sheet(f"Night {i}")
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def write(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def refusal(path: Path | str, kind: type[SleepAgreeError] = SleepAgreeError, layout: Layout | None = None) -> str:
    with pytest.raises(kind) as caught:
        read_spans(path, layout=layout)
    return str(caught.value).removeprefix(f"{path}: ")


# --- compressed files -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("night.csv.gz", pack(TABLE)),
        ("night.csv.gz", pack(TABLE[:40]) + pack(TABLE[40:]) + b"\0" * 512),
        ("night.gz", pack(TABLE)),
        ("NIGHT.CSV.GZ", pack(TABLE)),
        ("night.zip", zipped(**{"a/": b"", "a/night.csv": TABLE})),
        ("night.zip", zipped(night=TABLE)),
    ],
)
def test_the_one_file_inside_is_read_as_it_would_be_alone(tmp_path: Path, name: str, data: bytes) -> None:
    alone = read_spans(write(tmp_path, "alone.csv", TABLE))
    inside = read_spans(write(tmp_path, name, data))
    assert (inside.labels, inside.start, inside.onset_s.tolist()) == (alone.labels, alone.start, alone.onset_s.tolist())
    assert inside.origin.name == name
    assert inside.origin.sha256 == alone.origin.sha256


def test_a_recording_and_events_inside_are_read_by_their_readers(tmp_path: Path) -> None:
    inside = read_spans(write(tmp_path, "night.edf.gz", pack(RECORDING.read_bytes())))
    assert inside.origin.reader == "edf"
    assert inside.start == read_spans(RECORDING).start
    (tmp_path / "events.json").write_text('{"stage": {"Levels": {"0": "Wake", "1": "REM"}}}')
    events = pack(b"onset\tduration\tstage\n0\t30\t0\n30\t30\t1\n")
    packed_events = write(tmp_path, "sub-01_events.tsv.gz", events)
    archive = write(tmp_path, "sub-01_events.zip", zipped(**{"sub-01_events.tsv": gzip.decompress(events)}))
    for path in (packed_events, archive):
        assert read_spans(path).stages == ("W", "R")
        # what decides the labels counts when kept results are used again
        assert companion_files(path) == (str(tmp_path / "events.json"),)


@pytest.mark.parametrize(
    ("name", "data", "message"),
    [
        (
            "a.zip",
            zipped(**{"a.csv": TABLE, "b.csv": TABLE}),
            "the archive holds another number of files than one. Found 2",
        ),
        ("a.zip", zipped(), "the archive holds another number of files than one. Found 0"),
        ("a.zip", zipped(**{"a.csv": b""}), "the file inside is empty. Found 0 bytes."),
        ("a.zip", zipped(**{"a.zip": zipped(**{"a.csv": TABLE})}), "the file is packed twice."),
        ("a.zip", zipped(**{"a.csv": TABLE})[:-30], "the archive is broken."),
        ("a.zip", zipped(**{f"{i}.csv": b"" for i in range(1001)}), "the archive holds too many files."),
        ("a.zip", TABLE, "this is no compressed file, although its name says so. Expected gzip or zip."),
        ("a.csv.gz", pack(TABLE)[:-12], "the compressed file is cut short."),
        ("a.csv.gz", pack(TABLE)[:10] + b"\xff" + b"Quenby" * 9, "the compressed file is broken."),
        ("a.csv.gz", pack(TABLE) + b"Quenby" * 9, "the compressed file is broken."),
        ("a.csv.gz", pack(b""), "the file inside is empty."),
        ("a.csv.gz", pack(pack(TABLE)), "the file is packed twice."),
        ("a.csv.gz", pack(RECORDING.read_bytes()), "this is an EDF recording, or the beginning of one."),
        ("a.csv.gz", pack(CANARY.encode() + b"\0\1\2\3\4\5\6" * 99), "this is a binary file."),
        ("a.zip", zipped(**{f"{CANARY}.doc": TABLE}), "no reader takes this kind of file. Found .doc"),
        ("a.zip", zipped(**{f"{CANARY}.vmrk": TABLE}), "a recording for MNE cannot be read inside a compressed file."),
    ],
)
def test_what_cannot_be_unpacked_is_refused_and_not_quoted(
    tmp_path: Path, name: str, data: bytes, message: str
) -> None:
    told = refusal(write(tmp_path, name, data))
    assert told.removeprefix("a.zip: ").startswith(message), told
    assert TRACE not in told


@pytest.mark.parametrize("pack", [gzip.compress, lambda data: zipped(**{"a.csv": data})], ids=["gzip", "zip"])
def test_what_unpacks_to_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pack: Any) -> None:
    monkeypatch.setattr(packed, "LARGEST_BYTES", 2_000_000)
    monkeypatch.setattr(packed.open_zip, "__kwdefaults__", {"largest": 2_000_000})
    path = write(tmp_path, "a.csv.gz" if pack is gzip.compress else "a.zip", pack(b"0" * 2_000_001))
    assert path.stat().st_size < 10_000
    assert "the file is too large to be unpacked in memory. Found" in refusal(path, InputError)


def test_a_directory_that_lies_about_sizes_unpacks_to_no_more_than_it_says(tmp_path: Path) -> None:
    data = bytearray(zipped(**{"a.csv": TABLE + b"0" * 5_000_000}))
    for mark, at in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        place = data.index(mark) + at
        data[place : place + 4] = len(TABLE).to_bytes(4, "little")
    assert refusal(write(tmp_path, "a.zip", bytes(data))).startswith("the archive cannot be unpacked.")


@pytest.mark.parametrize("method", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("has_lzma", [True, False])
def test_an_archive_with_any_byte_damaged_is_read_or_one_message(
    monkeypatch: pytest.MonkeyPatch, method: int, has_lzma: bool
) -> None:
    """Each way of packing has errors of its own, and Python may have been built without that of LZMA."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        archive.writestr("a.csv", TABLE)
    if not has_lzma:
        monkeypatch.setitem(sys.modules, "lzma", None)
        monkeypatch.setattr(zipfile, "lzma", None)
    problems = set()
    for i in range(2, out.tell()):
        damaged = bytearray(out.getvalue())
        damaged[i] ^= 0x55
        try:
            assert packed.unpack("a.zip", bytes(damaged)).data == TABLE
        except InputError as error:
            problems.add(error.problem)
    assert {"the archive cannot be unpacked", "the archive is packed in a way that is not known here"} <= problems


@pytest.mark.parametrize("suffix", [".csv.gz", ".zip", ".xlsx"])
def test_broken_bytes_are_refused_and_nothing_else(tmp_path: Path, suffix: str) -> None:
    whole = {
        ".csv.gz": pack(TABLE),
        ".zip": zipped(**{"a.csv": TABLE}),
        ".xlsx": book([["time", "stage"], ["2026-03-01T22:30:00", "W"], ["2026-03-01T22:30:30", "N2"]]),
    }[suffix]
    draw = random.Random(suffix)
    refused = 0
    for _ in range(60):
        data = bytearray(whole)
        for _ in range(draw.randint(1, 4)):
            data[draw.randrange(len(data))] = draw.randrange(256)
        try:
            read_spans(
                write(tmp_path, "a" + suffix, bytes(data[: draw.choice([len(data), draw.randrange(4, len(data))])]))
            )
        except SleepAgreeError:
            refused += 1
    assert refused > 20


# --- standard input ---------------------------------------------------------------------------------------


@pytest.fixture
def piped(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    def pipe(data: bytes) -> None:
        packed._standard_input.cache_clear()
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))

    yield pipe
    packed._standard_input.cache_clear()


@pytest.mark.parametrize(
    ("data", "reader"),
    [
        (TABLE, "table"),
        (
            b'\xef\xbb\xbf [{"time": "2026-03-01T22:30", "stage": "W"}, {"time": "2026-03-01T22:31", "stage": "N2"}]',
            "json",
        ),
        (RECORDING.read_bytes(), "edf"),
        (pack(TABLE), "table"),
        (zipped(**{"a.csv": TABLE}), "table"),
        (book([["time", "stage"], ["2026-03-01T22:30:00", "W"], ["2026-03-01T22:30:30", "N2"]]), "excel"),
    ],
    ids=["table", "json", "edf", "gzip", "zip", "sheet"],
)
def test_standard_input_is_taken_for_what_it_is(piped: Any, data: bytes, reader: str) -> None:
    piped(data)
    spans = read_spans("-")
    assert (spans.origin.name, spans.origin.reader) == ("standard input", reader)
    assert read_spans("-").start == spans.start  # it can be read again


def test_standard_input_has_a_name_where_it_is_looked_into(piped: Any) -> None:
    piped(TABLE)
    seen = inspect_file("-")
    assert seen.file == "standard input"
    assert describe_file(seen).sections[0].detail == "  standard input"


def test_a_layout_is_proposed_for_standard_input_as_for_a_file(piped: Any, tmp_path: Path) -> None:
    data = "Wann;Phase\n" + "".join(f"14.03.2026 22.3{i}.00;{'wach' if i < 3 else 'tief'}\n" for i in range(10))
    path = tmp_path / "night.csv"
    path.write_text(data, encoding="utf-8")
    of_file = run("inspect", path)
    packed._standard_input.cache_clear()
    of_input = CliRunner().invoke(main, ["inspect", "-"], input=data.encode())
    assert of_input.exit_code == of_file.exit_code == 0
    assert of_input.stdout == of_file.stdout.replace("night.csv", "standard input")
    assert 'time       "%d.%m.%Y %H.%M.%S"' in of_input.stdout


def test_standard_input_has_a_name_in_messages_and_a_bound(piped: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    piped(b"time,stage\nsoon,W\n")
    assert refusal("-").startswith("standard input: line 2, column 'time': the time cannot be read.")
    piped(b"")
    assert refusal("-") == "nothing came in at standard input. Found 0 bytes. Pipe a file into it."
    monkeypatch.setattr(packed, "LARGEST_BYTES", 20)
    piped(TABLE)
    assert refusal("-").startswith("standard input: the file is too large to be unpacked in memory.")


# --- spreadsheets -----------------------------------------------------------------------------------------


def test_times_are_times_whatever_day_they_are_filed_under(tmp_path: Path) -> None:
    """A time of day past midnight is a date of 1900 to the programs that write such files."""
    rows = [
        ["date", "time", "stage"],
        *(
            [datetime(2026, 3, 1) + timedelta(days=i > 1), cell, label]
            for i, (cell, label) in enumerate(
                [(time(23, 59), "W"), (time(23, 59, 30), "N1"), (datetime(1900, 1, 1), "N2"), (time(0, 0, 30), "R")]
            )
        ),
    ]
    spans = read_spans(write(tmp_path, "a.xlsx", book(rows)))
    assert spans.start == datetime(2026, 3, 1, 23, 59)
    assert spans.onset_s.tolist() == [0, 30, 60, 90]


def test_lengths_in_hours_are_lengths(tmp_path: Path) -> None:
    rows = [
        ["time", "duration", "stage"],
        [datetime(2026, 3, 1, 22), timedelta(minutes=90), "W"],
        [datetime(2026, 3, 1, 23, 30), timedelta(seconds=30), "N2"],
    ]
    assert read_spans(write(tmp_path, "a.xlsx", book(rows))).duration_s.tolist() == [5400, 30]


def test_one_sheet_is_read_and_the_choice_told(tmp_path: Path) -> None:
    rows = [["time", "stage"], [datetime(2026, 3, 1, 22, 30), "W"], [datetime(2026, 3, 1, 22, 30, 30), "N2"]]
    path = write(tmp_path, "a.xlsx", book([], rows))
    assert said(read_spans(path).notes) == ("read from the sheet 'Night 2', the only one that holds something",)
    both = write(tmp_path, "b.xlsx", book(rows, rows))
    assert refusal(both) == (
        "more than one sheet holds something. Found 'Night 1', 'Night 2'; expected one sheet. Say which in a layout "
        "(layout='FILE.toml') with\n    [file]\n    sheet = \"Night 1\""
    )
    assert not read_spans(both, layout=Layout(sheet="Night 2")).notes
    assert refusal(both, layout=Layout(sheet="x")).startswith("the sheet that the layout names is missing.")


def test_places_are_rows_of_the_sheet(tmp_path: Path) -> None:
    rows = [["made by hand"], [], ["time", "stage"], [datetime(2026, 3, 1, 22, 30), "W"], ["soon", "N2"]]
    path = write(tmp_path, "a.xlsx", book(rows))
    assert refusal(path).startswith("row 3: the row has too many cells. Found 2 cells; expected 1, as in the header.")
    assert refusal(path, layout=Layout(skip_lines=2)).startswith("row 5, column 'time': the time cannot be read.")


def test_without_the_library_the_message_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path, "a.xlsx", book([["time", "stage"], ["x", "W"]]))
    found = builtins.__import__

    def missing(name: str, *args: Any, **more: Any) -> Any:
        if name == "openpyxl":
            raise ImportError(name)
        return found(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", missing)
    assert refusal(path, InputError) == (
        "reading spreadsheets needs openpyxl, which is not installed. Install it with: pip install 'sleepagree[excel]'"
    )


def test_a_sheet_is_bounded_when_unpacked_and_by_its_cells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path, "a.xlsx", book([["time", "stage", CANARY]] * 50))
    monkeypatch.setattr(excel, "_MOST_CELLS", 100)
    assert refusal(path, InputError) == (
        "row 34: the sheet is too large for one night. Expected at most 100 cells. Give one night a file."
    )
    monkeypatch.setattr(excel, "_LARGEST_INSIDE", 1000)
    assert refusal(path, InputError).startswith("the file is too large to be unpacked in memory. Found")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (RECORDING.read_bytes(), "this is an EDF recording, or the beginning of one."),
        (zipped(**{"xl/workbook.xml": b"<a>" + CANARY.encode()}), "this is no spreadsheet that can be read."),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + CANARY.encode() * 20, "the archive is broken."),
        (f"{CANARY},stage\n".encode(), "the archive is broken."),
    ],
)
def test_what_is_no_spreadsheet_is_not_quoted(tmp_path: Path, data: bytes, message: str) -> None:
    told = refusal(write(tmp_path, "a.xlsx", data), FileFormatError)
    assert told.startswith(message)
    assert TRACE not in told


def test_the_command_line_takes_them(tmp_path: Path) -> None:
    reference = write(tmp_path, "reference.csv.gz", pack(TABLE))
    rows = [["time", "stage"], *([datetime(2026, 3, 1, 22, 30, 30 * i), s] for i, s in enumerate(["wake", "light"]))]
    result = run("night", reference, write(tmp_path, "device.xlsx", book(rows)), "--reports", "wake,light,deep,rem")
    assert result.exit_code == 0, result.output
    assert run("inspect", reference).exit_code == 0
    assert run("inspect", tmp_path / "device.xlsx").exit_code == 0
