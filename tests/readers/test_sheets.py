"""Invented sheets with titles, repeated page heads and sums, and clock times that a program took for numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from sleepagree.caution import CautionKind, NoteKind
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import FileFormatError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import parse_layout
from sleepagree.readers.proposing.proposal import propose_layout

BEGINS = datetime(2031, 9, 1, 22, 50)
STAGES = ("wake", "light", "deep", "rem")
LABELS = [STAGES[i // 7 % 4] for i in range(120)]
NAMES = ["Time", "Stage", "Pulse"]
ROWS = [[BEGINS + timedelta(seconds=30 * i), label, 50 + i % 7] for i, label in enumerate(LABELS)]
TITLES = [["Night ferry"], ["crew", "deck hand"], []]
PAGES = [row for first in range(0, 120, 40) for row in (NAMES, *ROWS[first : first + 40])]


def write(folder: Path, rows: Sequence[Sequence[Any]]) -> Path:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(list(row))
    book.save(folder / "night.xlsx")
    return folder / "night.xlsx"


def write_nights(folder: Path, heads: Sequence[str], nights: dict[str, Sequence[Sequence[Any]]]) -> Path:
    """Write a sheet for each night, and one that is none."""
    book = openpyxl.Workbook()
    book.active.append(["made by hand"])
    for title, rows in nights.items():
        sheet = book.create_sheet(title)
        for row in (heads, *rows):
            sheet.append(list(row))
    book.save(folder / "nights.xlsx")
    return folder / "nights.xlsx"


def labels_of(spans: ScoredSpans) -> list[str]:
    """Return the label of every 30 s, of spans without gaps."""
    labels: list[str] = []
    for onset, duration, code in zip(spans.onset_s, spans.duration_s, spans.codes, strict=True):
        assert onset == 30 * len(labels)
        labels += [spans.labels[code]] * round(duration / 30)
    return labels


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([*TITLES, NAMES, *ROWS], {"skip_lines": 2}),
        ([["made", "by", "hand"], NAMES, *ROWS], {"skip_lines": 1}),
        ([["Report"], ["made", "by", "hand"], [], NAMES, *ROWS], {"skip_lines": 3}),
        ([NAMES, *ROWS, [], ["Total", 60], ["made by hand"]], {"foot": "Total"}),
        ([*TITLES, *PAGES, [], ["Total", 60]], {"skip_lines": 2, "foot": "Total"}),
        ([*PAGES[:82], ["Night ferry"], ["page 3"], *PAGES[82:]], {}),
    ],
)
def test_what_stands_about_a_table_on_a_sheet_is_left_out(
    tmp_path: Path, rows: list[list[Any]], told: dict[str, Any]
) -> None:
    path = write(tmp_path, rows)
    proposal = propose_layout(path)
    values = {} if proposal is None else {s.key: s.value for s in proposal.told}
    assert {key: values[key] for key in ("skip_lines", "foot") if key in values} == told
    spans = read_spans(path, layout=proposal.layout({}) if proposal else None)
    assert spans.start == BEGINS
    assert labels_of(spans) == LABELS


def test_repeated_page_heads_are_counted(tmp_path: Path) -> None:
    spans = read_spans(write(tmp_path, [*PAGES[:82], ["page 3"], *PAGES[82:]]))
    (note,) = (note for note in spans.notes if note.kind is NoteKind.PAGE_HEADS)
    assert dict(note.values) == {"count": 2, "lines": 3}


def clock(minutes: int) -> str:
    """Return an hour and a minute as a number shows them, without the zeros at its end."""
    return repr(float(f"{BEGINS + timedelta(minutes=minutes):%H.%M}")).removesuffix(".0")


@pytest.mark.parametrize("kind", ["sheet", "text", "decimal commas"])
@pytest.mark.parametrize("step", [1, 5])
def test_clock_times_that_are_numbers_are_read_as_clocks_show_them(tmp_path: Path, kind: str, step: int) -> None:
    cells = [clock(step * i) for i in range(120)]
    assert {"22.5", "23", "23.05"} <= set(cells)
    if kind == "sheet":
        path = write(tmp_path, [["Klo", "Vaihe"], *([float(c), s] for c, s in zip(cells, LABELS, strict=True))])
    else:
        path = tmp_path / "night.csv"
        lines = [f"{cell};{label}\n" for cell, label in zip(cells, LABELS, strict=True)]
        text = "".join(lines).replace(".", "," if "commas" in kind else ".")
        path.write_text(f"Klo;Vaihe\n{text}", encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    spans = read_spans(path, layout=proposal.layout({"begins": BEGINS.isoformat()}))
    assert spans.start == BEGINS
    assert spans.epoch_s == 60 * step
    begins = {BEGINS + timedelta(seconds=float(onset)) for onset in spans.onset_s}
    assert begins <= {BEGINS + timedelta(minutes=step * i) for i in range(120)}
    assert float(spans.onset_s[-1] + spans.duration_s[-1]) == 120 * 60 * step
    (note,) = (note for note in spans.notes if note.kind is NoteKind.ZEROS_ADDED)
    lost = sum(len(cell.partition(".")[2]) < 2 for cell in cells)
    assert dict(note.values) == {"count": lost}


@pytest.mark.parametrize(("cells", "refused"), [(("22.5", "22.51"), "22.5"), (("22.55", "23"), "23")])
def test_a_minute_of_one_digit_that_may_have_lost_a_zero_is_refused(
    tmp_path: Path, cells: tuple[str, ...], refused: str
) -> None:
    path = tmp_path / "night.csv"
    path.write_text("time;stage\n" + "".join(f"{cell};wake\n" for cell in cells), encoding="utf-8")
    layout = parse_layout(b'[file]\ntime = "%H.%M"\nbegins = 2031-09-01T22:00:00\n', "band.toml")
    with pytest.raises(FileFormatError, match=f"may have lost a zero.*'{refused}'"):
        read_spans(path, layout=layout)


def test_minutes_written_without_a_zero_before_them_stay_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_text("time;stage\n22.8;wake\n22.9;wake\n22.10;light\n22.11;light\n", encoding="utf-8")
    layout = parse_layout(b'[file]\ntime = "%H.%M"\nbegins = 2031-09-01T22:00:00\n', "band.toml")
    assert read_spans(path, layout=layout).start == datetime(2031, 9, 1, 22, 8)


def test_numbers_that_begin_again_below_the_first_are_no_time_since_the_start(tmp_path: Path) -> None:
    """Every ten minutes of a clock, which as hours since the start would be a night as well."""
    cells = [clock(10 * i) for i in range(48)]
    path = write(tmp_path, [["Klo", "Vaihe"], *([float(c), s] for c, s in zip(cells, LABELS, strict=False))])
    proposal = propose_layout(path)
    assert proposal is None or not any(s.key in ("time", "shape", "epoch_number") and s.value for s in proposal.told)


def test_sums_below_columns_of_marks_are_a_foot(tmp_path: Path) -> None:
    """They have no time, and no label that could say that they are no stages."""
    stages = ["Czuwanie", "Płytki", "Głęboki", "REM"]
    body = [
        [i + 1, time((22 + (14 + i) // 60) % 24, (14 + i) % 60), *("x" if n == i // 9 % 4 else None for n in range(4))]
        for i in range(300)
    ]
    rows = [["Pracownia"], [], ["Lp.", "Godzina", *stages], *body, [], ["Razem (min)", None, 43, 20, 68, 119]]
    path = write(tmp_path, rows)
    proposal = propose_layout(path)
    assert proposal is not None
    values = {s.key: s.value for s in proposal.settings}
    assert (values["foot"], values["stage_columns"]) == ("Razem (min)", tuple(stages))
    meanings = dict(zip(stages, STAGES, strict=True))
    layout = proposal.layout({"begins": "2031-09-01T22:14:00"}, meanings)
    spans = read_spans(path, layout=layout)
    assert int(spans.duration_s.sum()) == 300 * 60


def test_dates_as_texts_beside_times_as_cells(tmp_path: Path) -> None:
    """Thai dates of the Buddhist era, which no spreadsheet program takes for dates."""
    moments = [BEGINS + timedelta(seconds=30 * i) for i in range(len(LABELS) + 240)]
    labels = [STAGES[i // 7 % 4] for i in range(len(moments))]
    rows = [[f"{m:%d/%m}/{m.year + 543}", m.time(), s] for m, s in zip(moments, labels, strict=True)]
    path = write(tmp_path, [["วันที่", "เวลา", "ระยะ"], *rows])
    proposal = propose_layout(path)
    assert proposal is not None
    assert {s.key: s.value for s in proposal.settings}["time"] == "%d/%m/%EY %H:%M:%S"
    spans = read_spans(path, layout=proposal.layout())
    assert spans.start == BEGINS
    assert labels_of(spans) == labels


def test_a_book_is_read_once_for_all_rows_that_may_have_the_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of numbers alone any of the first rows may have them, on each of the sheets."""
    book, opened = openpyxl.Workbook(), []
    for sheet in (book.active, book.create_sheet("more")):
        for i in range(40):
            sheet.append([i * n % 13 + 0.25 for n in range(6)])
    book.save(tmp_path / "night.xlsx")
    load = openpyxl.load_workbook
    monkeypatch.setattr(openpyxl, "load_workbook", lambda *args, **more: opened.append(1) or load(*args, **more))
    assert propose_layout(tmp_path / "night.xlsx") is None
    assert len(opened) == 2  # as it is, and taken apart


def test_lengths_keep_fractions_of_seconds(tmp_path: Path) -> None:
    seconds = [10.5, 59.7, 119.999, 3600.25, 30]
    begins = [BEGINS + timedelta(seconds=sum(seconds[:i])) for i in range(len(seconds))]
    rows = [[t, timedelta(seconds=s), label] for t, s, label in zip(begins, seconds, LABELS[5:10], strict=True)]
    spans = read_spans(write(tmp_path, [["time", "duration", "stage"], *rows]))
    assert spans.duration_s.tolist() == seconds


def test_lengths_beside_ends_may_be_cells_with_times(tmp_path: Path) -> None:
    rows = [[BEGINS, BEGINS + timedelta(minutes=10), time(0, 10), "wake"]]
    rows += [[rows[0][1], rows[0][1] + timedelta(minutes=20), time(0, 7), "light"]]
    spans = read_spans(write(tmp_path, [["start", "end", "duration", "stage"], *rows]))
    assert spans.duration_s.tolist() == [600, 1200]
    (caution,) = spans.cautions
    values = {"column": "duration", "count": 1, "place": "row 3", "told": "00:07:00", "lasts_s": 1200.0}
    assert (caution.kind, dict(caution.values)) == (CautionKind.LENGTHS_CONTRADICT, values)


def test_which_of_alike_sheets_to_read_is_asked(tmp_path: Path) -> None:
    """They are two nights of 40 and 50 rows that tell no date; a label stands in the shorter one alone."""
    nights = {f"Night {n}": [[(5 + i % 7) / 2, STAGES[i % 4]] for i in range(30 + 10 * n)] for n in (1, 2)}
    nights["Night 1"][-1] = [3, "awake"]
    path = write_nights(tmp_path, ["minutes", "stage"], nights)
    proposal = propose_layout(path)
    assert proposal is not None
    assert proposal.is_readable
    asked = {setting.key: [(other.value, other.when) for other in setting.others] for setting in proposal.blanks}
    assert asked == {"sheet": [("Night 1", "with 40 rows"), ("Night 2", "with 50 rows")], "begins": []}
    assert {label.label for label in proposal.labels} == {*STAGES, "awake"}
    text = layout_text(proposal)
    assert 'sheet = ""' in text
    assert '#     "Night 2"    with 50 rows' in text
    for night, rows in nights.items():
        spans = read_spans(path, layout=proposal.layout({"sheet": night}))
        assert spans.end_s == sum(60 * minutes for minutes, _ in rows)
    begun = replace(proposal, settings=tuple(s for s in proposal.settings if s.key != "begins"))
    with pytest.raises(FileFormatError, match="key 'sheet'"):
        parse_layout(layout_text(begun).encode(), "l.toml")


@pytest.mark.parametrize(("day", "sheet"), [(1, "Night 1"), (2, "Night 2"), (4, None)])
def test_of_dated_sheets_the_one_near_the_other_side_is_proposed(tmp_path: Path, day: int, sheet: str | None) -> None:
    nights = {f"Night {n}": [[at + timedelta(days=n - 1), *more] for at, *more in ROWS] for n in (1, 2)}
    path = write_nights(tmp_path, NAMES, nights)
    proposal = propose_layout(path, near=datetime(2031, 9, day, 22, 30))
    assert proposal is not None
    line = next(setting for setting in proposal.settings if setting.key == "sheet")
    assert line.value == sheet
    assert len(line.others) == (2 if sheet is None else 1)
    if sheet is not None:
        spans = read_spans(path, layout=proposal.layout())
        assert spans.start == BEGINS + timedelta(days=day - 1)
        assert labels_of(spans) == LABELS


def test_sheets_that_begin_at_the_same_time_are_asked_for(tmp_path: Path) -> None:
    """They may be those of two people, or of two scorers."""
    path = write_nights(tmp_path, NAMES, {"deck": ROWS, "engine": ROWS[:110]})
    proposal = propose_layout(path, near=BEGINS)
    assert proposal is not None
    assert [setting.key for setting in proposal.blanks] == ["sheet"]
