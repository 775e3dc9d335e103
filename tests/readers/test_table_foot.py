"""Lines above and below a table: left out by a layout that is proposed, and no row of the table with them."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.errors import FileFormatError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout, parse_layout
from sleepagree.readers.proposing.proposal import propose_layout
from tests.said import said

START = datetime(2026, 3, 14, 23, 1, 30)
BOUTS = [(label, 4 + i * 7 % 11) for i, label in enumerate(["wach", "leicht", "tief", "leicht", "rem"] * 20)]
LABELS = [label for label, epochs in BOUTS for _ in range(epochs)]
COMMENTS = ["# Export, made by pad B", "# two; lines"]


def rows(mark: str, *, wide: bool) -> list[str]:
    """Return a table of an epoch a row, with a third column of decimal commas where it is wide."""
    moments = [START + timedelta(seconds=30 * i) for i in range(len(LABELS))]
    cells = [
        [f"{m:%d.%m.%Y %H:%M:%S}", label, f"0,{i % 10}"]
        for i, (m, label) in enumerate(zip(moments, LABELS, strict=True))
    ]
    return [mark.join(row if wide else row[:2]) for row in [["Zeit", "Phase", "Wert"], *cells]]


def write(folder: Path, lines: list[str], name: str = "night.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def one_round(path: Path) -> Layout:
    proposal = propose_layout(path)
    assert proposal is not None
    assert not proposal.blanks
    assert not proposal.blank_labels
    return parse_layout(layout_text(proposal).encode(), "night.toml")


def labels(path: Path, layout: Layout) -> list[str]:
    spans = read_spans(path, layout=layout)
    assert spans.start == START
    return [
        spans.labels[code] for code, s in zip(spans.codes, spans.duration_s, strict=True) for _ in range(round(s / 30))
    ]


FEET = [
    (["Summe;447 min"], 1),
    (["", "Summe", "447 min", "", ""], 2),
    (["# Legende", "0 = wach", "1 = leicht, oft"], 3),
    (["# W = wach; L = leicht"], 1),
    (["Summe;447 min;;;"], 1),
    (["wach: 87 min", "leicht; 179 min", "von Hand; gezählt"], 3),
]


@pytest.mark.parametrize("wide", [True, False])
@pytest.mark.parametrize(("foot", "count"), FEET)
@pytest.mark.parametrize("head", [[], COMMENTS, ["Nacht 3, Deck 2", "", ""], ["Nacht 3; Deck 2; Band A, Nr. 4; x"]])
def test_lines_below_a_table_are_left_out_and_told(
    tmp_path: Path, head: list[str], foot: list[str], count: int, wide: bool
) -> None:
    path = write(tmp_path, [*head, *rows(";", wide=wide), *foot])
    layout = one_round(path)
    assert labels(path, layout) == LABELS
    told = [
        note for note in said(read_spans(path, layout=layout).notes) if "below the table" in note or "with #" in note
    ]
    if layout.foot is not None:
        assert told[-1] == f"{count} line{'s' * (count > 1)} below the table left out, from '{layout.foot}' on"
    else:
        assert foot[0].startswith("#")


@pytest.mark.parametrize(
    "head", [["Nacht 3, Deck 2"], ["Nacht 3, Deck 2", "", "", ""], ['{"id": 4, "x": [1, 2]}', "", "a, b"]]
)
def test_a_title_with_commas_does_not_part_a_table_with_tabs(tmp_path: Path, head: list[str]) -> None:
    path = write(tmp_path, [*head, *rows("\t", wide=True)], "night.tsv")
    assert labels(path, one_round(path)) == LABELS


def test_a_layout_with_a_foot_reads_a_file_without_one(tmp_path: Path) -> None:
    layout = one_round(write(tmp_path, [*rows(";", wide=True), "Summe;447 min"], "first.csv"))
    path = write(tmp_path, rows(";", wide=True))
    assert labels(path, layout) == LABELS
    assert not any("below" in note for note in said(read_spans(path, layout=layout).notes))


@pytest.mark.parametrize("at", [3, 40, len(LABELS) - 8, len(LABELS) - 1])
@pytest.mark.parametrize("torn", ["{0}", "{0};", "{0};{1}", "{0:.10}"])
def test_a_row_that_lacks_a_cell_is_no_foot(tmp_path: Path, at: int, torn: str) -> None:
    table = rows(";", wide=True)
    when, label, _ = table[at + 1].split(";")
    table[at + 1] = torn.format(when, label)
    path = write(tmp_path, table)
    proposal = propose_layout(path)
    assert proposal is None or "foot" not in {s.key for s in proposal.settings}
    with pytest.raises(FileFormatError, match=f"line {at + 2}: the row has too few cells"):
        read_spans(path)


@pytest.mark.parametrize("end", ["-", "offen", ""])
def test_a_last_row_without_its_end_is_no_foot(tmp_path: Path, end: str) -> None:
    """It holds a stage, whichever column comes first."""
    edges = [START + timedelta(minutes=5 * i) for i in range(41)]
    for first in ("", "leicht;"):
        spans = [f"{a:%Y-%m-%d %H:%M};{b:%Y-%m-%d %H:%M}" for a, b in pairwise(edges)]
        table = [f"{first}{span};{'wach' if first else LABELS[i]}" for i, span in enumerate(spans)]
        table[-1] = table[-1].replace(f"{edges[-1]:%Y-%m-%d %H:%M}", end)
        path = write(tmp_path, ["Art;" * bool(first) + "Von;Bis;Phase", *table])
        proposal = propose_layout(path)
        assert proposal is None or "foot" not in {s.key for s in proposal.settings}


def test_rows_below_a_sheet_are_left_out(tmp_path: Path) -> None:
    book = pytest.importorskip("openpyxl").Workbook()
    book.active.append(["Nacht 3"])
    for row in [*rows(";", wide=True), "Summe;447 min", "gezählt"]:
        book.active.append(row.split(";"))
    path = tmp_path / "night.xlsx"
    book.save(path)
    layout = one_round(path)
    assert layout.foot == "Summe"
    assert labels(path, layout) == LABELS
    assert "2 lines below the table left out, from 'Summe' on" in said(read_spans(path, layout=layout).notes)


@pytest.mark.parametrize("mark", [";", ",", "\t"])
def test_a_sheet_saved_as_text_has_title_and_sums_in_as_many_cells(tmp_path: Path, mark: str) -> None:
    """As spreadsheet programs write it: every line has all delimiters, and sums have a date first as rows do."""
    padded = [
        ["Schlafprotokoll", "", ""],
        ["Exportiert am", "15.03.2026 08:41", ""],
        ["", "", ""],
        ["Zeit", "Phase", "Puls"],
        *([f"{START + timedelta(seconds=30 * i):%d.%m.%Y %H:%M:%S}", s, str(50 + i % 9)] for i, s in enumerate(LABELS)),
        ["", "", ""],
        ["Zusammenfassung", "", ""],
        ["Nacht vom", "Wach (min)", "Tief (min)"],
        ["14.03.2026", "41", "58"],
    ]
    path = write(tmp_path, [mark.join(row) for row in padded])
    layout = one_round(path)
    assert (layout.skip_lines, layout.foot) == (3, "Zusammenfassung")
    assert labels(path, layout) == LABELS


def test_a_legend_below_a_blank_line_may_begin_as_rows_do(tmp_path: Path) -> None:
    """A number first in both, and a first column that only numbers the rows."""
    codes = {"wach": "1", "leicht": "2", "tief": "3", "rem": "4"}
    table = [
        f"{i + 1}\t{START + timedelta(seconds=30 * i):%Y-%m-%d %H:%M:%S}\t{codes[label]}\t{50 + i % 9},5"
        for i, label in enumerate(LABELS)
    ]
    head = ["Aufzeichnung", "Nacht:\t14.3.2026 - 15.3.2026", "", "Nr\tZeit\tPhase\tPuls"]
    legend = ["", "Erklärung:", "1\twach", "2\tleicht", "3\ttief", "4\trem", "", "Summe:\t7 h"]
    path = write(tmp_path, [*head, *table, *legend], "night.tsv")
    layout = one_round(path)
    assert labels(path, layout) == [codes[label] for label in LABELS]
    assert layout.stages == {"1": "wake", "2": "light", "3": "deep", "4": "R"}


def test_a_diary_of_rows_with_numbers_drops_no_half_of_the_night(tmp_path: Path) -> None:
    """Where rows with three figures look like times, those before them are no title."""
    table = [f"{i + 1}\t23.{i // 60}:{i % 60}\twach" for i in range(400)]
    proposal = propose_layout(write(tmp_path, [*table, "", "Ende\tzwei"], "night.txt"))
    skipped = [s.value for s in proposal.settings if s.key == "skip_lines"] if proposal else []
    assert not skipped or skipped[0] <= 20


def test_tables_of_several_nights_below_titles_are_told_apart_by_them(tmp_path: Path) -> None:
    lines = ["# Nights", ""]
    for day in (13, 14, 15):
        lines += [
            f"## Night of {day} March 2026",
            "",
            "- in bed at 22.40",
            "",
            "| Zeit | Dauer | Phase |",
            "|---|---|---|",
        ]
        moment = datetime(2026, 3, day, 23, 1)
        for label, epochs in BOUTS[day - 13 : day + 37]:
            lines.append(f"| {moment:%H.%M} | {epochs} min | {label} |")
            moment += timedelta(minutes=epochs)
        lines += ["", f"**Summe: {day} min**, tief 5", ""]
    path = write(tmp_path, lines, "nights.md")
    proposal = propose_layout(path)
    assert proposal is not None
    values = {s.key: s.value for s in proposal.settings}
    assert values["night_column"] == "title above"
    blanks = {s.key: [o.value for o in s.others] for s in proposal.blanks}
    assert blanks["night"] == [f"Night of {day} March 2026" for day in (13, 14, 15)]
    assert set(blanks) == {"night", "begins"}
    answers = {"night": "Night of 14 March 2026", "begins": "2026-03-14T23:01:00"}
    spans = read_spans(path, layout=proposal.layout(answers))
    assert spans.start == datetime(2026, 3, 14, 23, 1)
    assert [round(s / 60) for s in spans.duration_s] == [epochs for _, epochs in BOUTS[1:51]]
    assert [spans.labels[code] for code in spans.codes] == [label for label, _ in BOUTS[1:51]]
