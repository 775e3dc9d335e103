"""A first line such as sep=; tells the delimiter: it is no header and no row, and lines are counted with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sleepagree.errors import FileFormatError, InputError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout
from sleepagree.study.paired_epochs import is_paired_table, read_paired_nights
from sleepagree.study.table import is_nights_table, read_nights_table

ROWS = "time;stage\n2026-03-01T22:30:00;wake\n2026-03-01T22:30:30;light\n2026-03-01T22:31:00;light\n"


def write(folder: Path, text: str, name: str = "night.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode())
    return path


@pytest.mark.parametrize("first", ["sep=;\n", "SEP=;\r\n", '"sep=;"\n', "sep=;\r", "\ufeffsep=;\n"])
@pytest.mark.parametrize("quoted", [False, True])
def test_the_line_is_no_header(first: str, quoted: bool, tmp_path: Path) -> None:
    rows = ROWS.replace("wake", '"wake"') if quoted else ROWS
    spans = read_spans(write(tmp_path, first + rows))
    plain = read_spans(write(tmp_path, rows, "plain.csv"))
    assert (spans.labels, spans.onset_s.tolist(), spans.start) == (plain.labels, plain.onset_s.tolist(), plain.start)


def test_it_tells_what_could_not_be_sniffed(tmp_path: Path) -> None:
    text = "time:zone^stage\n2026-03-01T22:30:00^wake\n2026-03-01T22:30:30^light\n"
    layout = Layout(start="time:zone")
    assert read_spans(write(tmp_path, "sep=^\n" + text), layout=layout).labels == ("wake", "light")


@pytest.mark.parametrize("quote", ["", '"'])
def test_lines_in_messages_count_it(quote: str, tmp_path: Path) -> None:
    spoilt = ROWS.replace("2026-03-01T22:30:30", "late").replace("light", f"{quote}light{quote}")
    with pytest.raises(FileFormatError) as caught:
        read_spans(write(tmp_path, "sep=;\n" + spoilt))
    assert caught.value.where == "line 4, column 'time'"
    with pytest.raises(FileFormatError) as caught:
        read_spans(write(tmp_path, "sep=;\n" + ROWS.replace("stage", f"{quote}mood{quote}")))
    assert caught.value.where == "line 2"
    with pytest.raises(FileFormatError) as caught:
        read_spans(write(tmp_path, "sep=;\n" + ROWS + f"{quote}one{quote}\n"))
    assert caught.value.where == "line 6"


def test_a_layout_goes_before_it(tmp_path: Path) -> None:
    assert read_spans(write(tmp_path, "sep=,\n" + ROWS), layout=Layout(delimiter=";")).labels == ("wake", "light")


def test_in_a_table_of_nights(tmp_path: Path) -> None:
    for name in ("a.edf", "a.csv"):
        (tmp_path / name).write_text("x")
    header = "participant;night;device;reference;device_file\n"
    table = read_nights_table(write(tmp_path, f"sep=;\n{header}crew-1;1;band A;a.edf;a.csv\n", "nights.csv"))
    assert [(row.row, row.device_file) for row in table.rows] == [(3, "a.csv")]
    assert is_nights_table(tmp_path / "nights.csv")
    with pytest.raises(InputError, match="line 3: participant is empty"):
        read_nights_table(write(tmp_path, f"sep=;\n{header};1;band A;a.edf;a.csv\n", "nights.csv"))
    with pytest.raises(FileFormatError, match=r"nights\.csv: line 2: column night is missing"):
        read_nights_table(write(tmp_path, "sep=;\nparticipant;device;reference;device_file\n", "nights.csv"))


def test_in_a_table_of_paired_epochs(tmp_path: Path) -> None:
    rows = [f"crew-1|1|{i}|{r}|{d}\n" for i, (r, d) in enumerate([("W", "wake"), ("N2", "light"), ("N3", "deep")])]
    header = "participant|night|epoch|reference|device\n"
    path = write(tmp_path, "sep=|\n" + header + "".join(rows), "epochs.csv")
    with pytest.raises(FileFormatError, match=r"epochs\.csv: line 2: column epoch is missing"):
        list(read_paired_nights(write(tmp_path, "sep=|\n" + header.replace("epoch", "number"), "epochs.csv")))
    path.write_text("sep=;\n" + (header + "".join(rows)).replace("|", ";"))
    assert is_paired_table(path)
    (night,) = read_paired_nights(path)
    assert (night.participant, night.night) == ("crew-1", "1")
