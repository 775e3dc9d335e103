"""A column for each stage: invented files whose truth is the list of stages they were made from."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sleepagree import read_hypnogram
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import FileFormatError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.page.questions import Given
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout, parse_layout
from sleepagree.readers.proposing.proposal import propose_layout
from tests.commands import run
from tests.said import said

START = datetime(2026, 3, 14, 23, 1, 30)
KINDS = ("wake", "light", "deep", "rem")
BOUTS = [(label, 4 + i * 7 % 11) for i, label in enumerate(["wake", "light", "deep", "light", "rem"] * 20)]
STAGES = [label for label, epochs in BOUTS for _ in range(epochs)]
MOMENTS = [START + timedelta(seconds=30 * i) for i in range(len(STAGES) + 1)]
SPANISH = ("Despierto", "Ligero", "Profundo", "REM")
OWN_WORDS = ("Zed", "Yot", "Xil", "Wum")
MEANT = dict(zip(OWN_WORDS, KINDS, strict=True))


def marks(stages: Sequence[str], on: str, off: str) -> list[list[str]]:
    return [[on if stage == kind else off for kind in KINDS] for stage in stages]


def write(folder: Path, head: str, rows: Sequence[str], name: str = "night.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def table(folder: Path, names: Sequence[str], on: str, off: str) -> Path:
    rows = [f"{m.isoformat()};{';'.join(row)}" for m, row in zip(MOMENTS, marks(STAGES, on, off), strict=False)]
    return write(folder, ";".join(["When", *names]), rows)


def epochs(spans: ScoredSpans, start: datetime | None = START) -> list[str]:
    """Return the stage word of every 30 s from the first row on, "" for a gap."""
    assert spans.start == start
    words = {"W": "wake", "N3": "deep", "R": "rem", "light": "light"}
    out = [""] * len(STAGES)
    for onset, length, code in zip(spans.onset_s, spans.duration_s, spans.codes, strict=True):
        for i in range(round(onset / 30), round((onset + length) / 30)):
            out[i] = words[spans.stages[code]]
    return out


def one_round(path: Path, stages: dict[str, str] | None = None, **answers: Any) -> Layout:
    """Return the layout that is proposed, as it is written, with its blanks filled in."""
    proposal = propose_layout(path)
    assert proposal is not None
    assert {s.key for s in proposal.blanks} == {*answers}
    assert {m.label for m in proposal.blank_labels} == {*(stages or {})}
    return parse_layout(layout_text(proposal, answers, stages).encode(), "night.toml")


@pytest.mark.parametrize(
    ("on", "off"),
    [
        ("1", "0"),
        ("x", ""),
        ("X", "-"),
        ("TRUE", "FALSE"),
        ("VRAI", "FAUX"),
        ("ja", "nein"),
        ("0,5", "0,0"),
        ("30", ""),
    ],
)
@pytest.mark.parametrize("names", [SPANISH, OWN_WORDS, ("is_awake", "is_light", "is_deep", "is_rem")])
def test_whatever_the_marks_are_one_round_reads_them(tmp_path: Path, names: tuple[str, ...], on: str, off: str) -> None:
    path = table(tmp_path, names, on, off)
    layout = one_round(path, MEANT if names == OWN_WORDS else None)
    assert layout.stage_columns == names
    assert epochs(read_spans(path, layout=layout)) == STAGES


@pytest.mark.parametrize("kind", ["xlsx", "json", "parquet", "frame", "columns of lists"])
def test_any_kind_of_table_may_have_them(tmp_path: Path, kind: str) -> None:
    frame = pd.DataFrame({name: [stage == kind for stage in STAGES] for name, kind in zip(SPANISH, KINDS, strict=True)})
    frame.insert(0, "When", [m.isoformat() for m in MOMENTS[:-1]])
    path = tmp_path / f"night.{'json' if kind == 'columns of lists' else kind}"
    match kind:
        case "xlsx":
            pytest.importorskip("openpyxl")
            frame.to_excel(path, index=False)
        case "json":
            path.write_text(json.dumps(frame.to_dict("records")))
        case "columns of lists":
            path.write_text(json.dumps({"night": frame.astype(dict.fromkeys(SPANISH, int)).to_dict("list")}))
        case "parquet":
            pytest.importorskip("pyarrow")
            frame.to_parquet(path)
        case "frame":
            layout = one_round(table(tmp_path, SPANISH, "1", "0"))
            assert epochs(read_hypnogram(frame, layout=layout)) == STAGES
            return
    assert epochs(read_spans(path, layout=one_round(path))) == STAGES


def test_a_row_without_a_mark_is_a_gap_and_is_told(tmp_path: Path) -> None:
    held = [("" if i in (40, 41, 90) else stage) for i, stage in enumerate(STAGES)]
    for head, cells in (("When;", [f"{m.isoformat()};" for m in MOMENTS[:-1]]), ("", [""] * len(STAGES))):
        rows = [a + ";".join(b) for a, b in zip(cells, marks(held, "1", "0"), strict=True)]
        path = write(tmp_path, head + ";".join(SPANISH), rows)
        layout = one_round(path, **({} if head else {"begins": START.isoformat()}))
        spans = read_spans(path, layout=layout)
        assert epochs(spans) == held
        assert "3 rows without a mark in a column of stages: no label" in said(spans.notes)
    named = replace(layout, stages={"": "wake", **layout.stages})
    assert epochs(read_spans(path, layout=named)) == [stage or "wake" for stage in held]


def test_a_row_of_changes_without_a_mark_ends_the_stage_before_it(tmp_path: Path) -> None:
    rows = ["22:30:00;1;0;0", "22:40:00;0;1;0", "22:50:00;0;0;0", "22:55:00;0;0;1", "23:20:00;0;0;0"]
    path = write(tmp_path, "time;wake;light;deep", [f"2026-03-14 {row}" for row in rows])
    layout = Layout(stage_columns=("wake", "light", "deep"), shape=parse_layout(b'[file]\nshape="intervals"', "").shape)
    spans = read_spans(path, layout=layout)
    assert spans.onset_s.tolist() == [0, 600, 1500]
    assert spans.duration_s.tolist() == [600, 600, 1500]


@pytest.mark.parametrize("is_timed", [True, False])
def test_marks_that_are_lengths_are_read_as_such(tmp_path: Path, is_timed: bool) -> None:
    edges = np.cumsum([0, *(n for _, n in BOUTS)]).tolist()
    rows = [
        f"{(START + timedelta(seconds=30 * at)).isoformat() + ';' if is_timed else ''}"
        + ";".join(f"{n / 2:g}" if kind == label else "0" for kind in KINDS)
        for at, (label, n) in zip(edges, BOUTS, strict=False)
    ]
    path = write(tmp_path, "When;" * is_timed + ";".join(SPANISH), rows)
    layout = one_round(path, **({} if is_timed else {"begins": START.isoformat()}))
    assert layout.duration_unit == 60.0
    assert epochs(read_spans(path, layout=layout)) == STAGES


def test_two_marks_in_a_row_are_refused_once_with_the_row(tmp_path: Path) -> None:
    rows = [f"{m.isoformat()};{';'.join(row)}" for m, row in zip(MOMENTS, marks(STAGES, "1", "0"), strict=False)]
    rows[70] = f"{MOMENTS[70].isoformat()};1;0;1;0"
    path = write(tmp_path, ";".join(["When", *SPANISH]), rows)
    result = run("inspect", path, "--write-layout", tmp_path / "night.toml")
    assert "with the proposed layout: line 72: a row has a mark in more than one" in " ".join(result.stdout.split())
    with pytest.raises(FileFormatError) as caught:
        read_spans(path, layout=parse_layout((tmp_path / "night.toml").read_bytes(), "night.toml"))
    assert (caught.value.where, caught.value.found) == ("line 72", "'Despierto', 'Profundo'")


def test_a_cell_that_is_no_mark_is_refused_with_its_place(tmp_path: Path) -> None:
    path = write(tmp_path, "time;wake;light", ["2026-03-14T23:00:00;1;0", "2026-03-14T23:00:30;0;hm"])
    with pytest.raises(FileFormatError) as caught:
        read_spans(path, layout=Layout(stage_columns=("wake", "light")))
    assert (caught.value.where, caught.value.found) == ("line 3, column 'light'", "'hm'")


def test_numbers_beside_the_stages_are_no_marks(tmp_path: Path) -> None:
    """Columns that do not take turns, and those beside a column of words, are never taken for stages."""
    rows = [f"{m.isoformat()};{i % 4};{i % 2};1;0" for i, m in enumerate(MOMENTS)]
    path = write(tmp_path, "When;Code;Snore;Worn;Lost", rows)
    proposal = propose_layout(path)
    assert proposal is not None
    assert "stage_columns" not in {s.key for s in proposal.settings}
    rows = [
        f"{m.isoformat()};{stage};{';'.join(row)}"
        for m, stage, row in zip(MOMENTS, STAGES, marks(STAGES, "1", "0"), strict=False)
    ]
    path = write(tmp_path, ";".join(["When", "Says", *OWN_WORDS]), rows)
    assert one_round(path).stage == "Says"


@pytest.mark.parametrize(
    ("lines", "where"),
    [
        ('stage = "a"\nstage_columns = ["b", "c"]', "[file], keys 'stage' and 'stage_columns'"),
        ('start = "a"\nstage_columns = ["a", "c"]', "[file], keys 'start' and 'stage_columns'"),
        ('stage_columns = ["a", "a"]', "[file], keys 'stage_columns' and 'stage_columns'"),
        ('stage_columns = ["a"]', "[file], key 'stage_columns'"),
        ('stage_columns = "a"', "[file], key 'stage_columns'"),
    ],
)
def test_a_wrong_list_of_columns_is_refused(lines: str, where: str) -> None:
    with pytest.raises(FileFormatError) as caught:
        parse_layout(f"[file]\n{lines}\n".encode(), "band.toml")
    assert caught.value.where == where


def test_the_page_proposes_them_and_keeps_what_is_said_at_the_heads(tmp_path: Path) -> None:
    path = table(tmp_path, SPANISH, "1", "0")
    given = Given.proposed(path, path.name)
    look = given.look()
    assert look.problems == ()
    assert dict(look.columns) == {"When": "start", **dict.fromkeys(SPANISH, "stage_columns")}
    form = {f"device.column.{i}": name for i, (name, _) in enumerate(look.columns)}
    form |= {f"device.role.{i}": role for i, (_, role) in enumerate(look.columns)}
    assert given.answered(form, "device", look).look().layout == look.layout
    less = given.answered(form | {"device.role.4": ""}, "device", look)
    assert less.look().layout.stage_columns == SPANISH[:3]  # type: ignore[union-attr]


def shares(stage: str, row: int) -> list[float]:
    """Return invented shares that add up to 1, that of the stage the largest."""
    others = [0.05 + 0.01 * ((row + i) % 4) for i in range(4)]
    others[KINDS.index(stage)] = 0
    others[KINDS.index(stage)] = 1 - sum(others)
    return others


@pytest.mark.parametrize("names", [KINDS, OWN_WORDS])
@pytest.mark.parametrize("form", ["{:.2f}", "{:.0%}", "{:.2e}"])
def test_of_shares_the_largest_is_the_stage(tmp_path: Path, names: tuple[str, ...], form: str) -> None:
    """Rows 5 and 9 tell none: two of their shares are alike, or all are 0."""
    cells = [[form.format(share) for share in shares(stage, row)] for row, stage in enumerate(STAGES)]
    cells[5] = [form.format(share) for share in (0.5, 0.5, 0, 0)]
    cells[9] = [form.format(0)] * 4
    head = ";".join(["When", *names, "pulse"])
    rows = [f"{m.isoformat()};{';'.join(row)};{50 + m.minute % 7}" for m, row in zip(MOMENTS, cells, strict=False)]
    path = write(tmp_path, head, rows)
    proposal = propose_layout(path)
    assert proposal is not None
    assert {s.key: s.value for s in proposal.told}["stage_columns"] == tuple(names)
    spans = read_spans(path, layout=proposal.layout({}, MEANT if names is OWN_WORDS else {}))
    read = dict(zip(spans.onset_s.tolist(), (spans.labels[code] for code in spans.codes), strict=True))
    told = {30.0 * row: names[KINDS.index(stage)] for row, stage in enumerate(STAGES) if row not in (5, 9)}
    assert read == told
    assert any("largest of its shares; 2 rows" in text for text in said(spans.notes))


def test_numbers_that_add_up_to_nothing_are_no_shares(tmp_path: Path) -> None:
    rows = [
        f"{m.isoformat()};{';'.join(f'{s:.2f}' for s in shares(stage, 0))}"
        for m, stage in zip(MOMENTS, STAGES, strict=False)
    ]
    rows[7] = f"{MOMENTS[7].isoformat()};0.9;0.4;0.1;0.1"
    path = write(tmp_path, ";".join(["When", *KINDS]), rows)
    layout = Layout(start="When", stage_columns=KINDS)
    with pytest.raises(FileFormatError, match="a mark in more than one"):
        read_spans(path, layout=layout)


@pytest.mark.parametrize("mixed", [0.05, 0.2, 0.4])
def test_no_column_whose_name_is_a_stage_is_left_out(tmp_path: Path, mixed: float) -> None:
    """Rows of a minute, in seconds: light and rem share some of them."""
    seconds = {"wake": "60,0,0,0", "light": "0,60,0,0", "deep": "0,0,60,0", "rem": "0,0,0,60", "both": "0,40,0,20"}
    stages = ["wake"] * 20 + ["light"] * 100 + ["deep"] * 60 + ["rem"] * 40
    several = round(mixed * 220 / (1 - mixed))
    rows = [
        f"{(START + timedelta(minutes=i)).isoformat()},{seconds[s]}"
        for i, s in enumerate([*stages, *["both"] * several])
    ]
    path = write(tmp_path, "minute,wake,light,deep,rem", rows)
    proposal = propose_layout(path)
    assert proposal is not None
    (line,) = [s for s in proposal.settings if s.key == "stage_columns"]
    assert line.value == KINDS
    assert line.marked == (220 + several, 0, several)
    assert f"220 of {220 + several} rows have a mark in one of them, {several} in several" in layout_text(proposal)
    assert proposal.problem is not None
    assert "stage_columns =" not in str(proposal.problem)


def test_a_column_of_sums_is_no_stage_of_its_own(tmp_path: Path) -> None:
    rows = [
        f"{';'.join(row)};{int(stage != 'wake')}" for stage, row in zip(STAGES, marks(STAGES, "1", "0"), strict=True)
    ]
    assert (
        one_round(write(tmp_path, ";".join([*KINDS, "sleep"]), rows), begins="2026-03-01T22:30").stage_columns == KINDS
    )


def test_rows_without_a_mark_are_told_in_the_reason(tmp_path: Path) -> None:
    held = [("" if i < 40 else stage) for i, stage in enumerate(STAGES)]
    rows = [f"{m.isoformat()};{';'.join(row)}" for m, row in zip(MOMENTS, marks(held, "1", "0"), strict=False)]
    proposal = propose_layout(write(tmp_path, ";".join(["When", *KINDS]), rows))
    assert proposal is not None
    told = f"{len(STAGES) - 40} of {len(STAGES)} rows have a mark in one of them, 40 in none"
    assert told in layout_text(proposal)


@pytest.mark.parametrize(("marked", "left"), [("1,1,0,0", None), ("1,0,0,1", '["wake", "light", "deep"]')])
def test_only_a_column_that_is_no_stage_may_be_taken_out(tmp_path: Path, marked: str, left: str | None) -> None:
    path = write(tmp_path, "time,wake,light,deep,snore", [f"2026-03-14T23:00:00,{marked}"])
    with pytest.raises(FileFormatError) as caught:
        read_spans(path, layout=Layout(stage_columns=("wake", "light", "deep", "snore")))
    assert (f"stage_columns = {left}" in str(caught.value)) == (left is not None)
    assert ("shares" in str(caught.value)) == (left is None)
