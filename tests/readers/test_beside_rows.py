"""What invented files say beside their rows about the length of an epoch and the beginning of the night."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.readers.proposing.epoch_lengths import length_in_name
from sleepagree.readers.proposing.layout_proposal import LayoutProposal, Setting, Why
from sleepagree.readers.proposing.placed_roles import of_lines
from sleepagree.readers.proposing.proposal import propose_layout

LABELS = [("wake", "light", "deep", "rem")[i // 7 % 4] for i in range(480)]


def proposed(path: Path) -> tuple[LayoutProposal, dict[str, Setting]]:
    proposal = propose_layout(path)
    assert proposal is not None
    return proposal, {setting.key: setting for setting in proposal.settings}


def text(folder: Path, above: list[str], below: tuple[str, ...] = ()) -> Path:
    lines = [*above, "Nr;Stage", *(f"{i};{label}" for i, label in enumerate(LABELS, 1)), *below]
    (folder / "night.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "night.csv"


def document(folder: Path, **beside: Any) -> Path:
    (folder / "night.json").write_text(json.dumps({**beside, "stages": LABELS}), encoding="utf-8")
    return folder / "night.json"


@pytest.mark.parametrize(
    ("line", "seconds"),
    [
        ("Epoch: 20 s", 20),
        ("Trajanje epohe;20 s", 20),
        ("Épocas (s): 20", 20),
        ("# epoch length = 0.5 min", 30),
        ("Эпоха, с;20", 20),
        ("エポック長: 20秒", 20),
        ("Scoring interval (sec);;20;;", 20),
        ("Epoch length 1 min", 60),
    ],
)
@pytest.mark.parametrize("is_below", [False, True])
def test_a_length_that_is_called_an_epochs_is_filled_in(
    tmp_path: Path, line: str, seconds: float, is_below: bool
) -> None:
    above, below = (["Night ferry"], ("", line)) if is_below else (["Night ferry", line], ())
    if is_below and ("#" in line or ";" in line):
        pytest.skip("below the table this would be a comment or a row")
    setting = proposed(text(tmp_path, above, below))[1]["epoch_seconds"]
    assert (setting.value, setting.why) == (seconds, Why.ANCHOR)


@pytest.mark.parametrize(
    ("beside", "seconds"),
    [
        ({"interval_sec": 20}, 20),
        ({"meta": {"epochLengthSeconds": 20}}, 20),
        ({"epoch_ms": 20000}, 20),
        ({"epoch": {"value": 20, "unit": "s"}}, 20),
        ({"epoca": "20 s", "latency": "30 s"}, 20),
    ],
)
def test_a_field_that_is_called_an_epochs_is_filled_in(tmp_path: Path, beside: dict[str, Any], seconds: float) -> None:
    setting = proposed(document(tmp_path, **beside))[1]["epoch_seconds"]
    assert (setting.value, setting.why) == (seconds, Why.ANCHOR)


def test_a_length_in_seconds_of_another_name_leaves_a_blank(tmp_path: Path) -> None:
    proposal, settings = proposed(document(tmp_path, buoc_giay=20))
    assert settings["epoch_seconds"].value is None
    assert [other.value for other in settings["epoch_seconds"].others] == [20, 60, 30]
    assert 'epoch_seconds = ""' in layout_text(proposal)
    assert "buoc_giay = 20" in layout_text(proposal)


@pytest.mark.parametrize("beside", [{"age": 40, "crew": 3}, {"latency": "12 min"}, {"asleep_h": 7}])
def test_other_numbers_leave_the_usual_length(tmp_path: Path, beside: dict[str, Any]) -> None:
    setting = proposed(document(tmp_path, **beside))[1]["epoch_seconds"]
    assert (setting.value, setting.why, setting.shown) == (60, Why.USUAL, ())


def test_a_number_without_a_unit_is_shown_beside_the_usual_length(tmp_path: Path) -> None:
    proposal, settings = proposed(document(tmp_path, every=20))
    assert settings["epoch_seconds"].why is Why.USUAL
    assert "nothing in the rows tells it; beside them stands every = 20" in layout_text(proposal)


def test_two_lengths_that_are_called_epochs_leave_a_blank(tmp_path: Path) -> None:
    settings = proposed(text(tmp_path, ["Epoch: 20 s", "Epoch of the signal: 10 s"]))[1]
    assert settings["epoch_seconds"].value is None


@pytest.mark.parametrize(
    ("lines", "value", "shown"),
    [
        (["Recording started: 2031-09-01 22:30:00"], "2031-09-01T22:30:00", "Recording started"),
        (["Start: 01.09.2031 22:30"], None, "Start = 01.09.2031 22:30"),
        (["Start;2031-09-01 22:30", "Begin;2031-09-01 22:31"], None, "Start = 2031-09-01 22:30"),
        (["Exported: 2031-09-02 08:00"], None, "Exported = 2031-09-02 08:00"),
        (["Restarted: 2031-09-02 08:00"], None, "Restarted = 2031-09-02 08:00"),
        (["Lights off;22:30"], None, "Lights off = 22:30"),
        (["Night of 1 September 2031"], None, "1 September 2031"),
    ],
)
def test_moments_beside_the_rows_stand_at_the_blank(
    tmp_path: Path, lines: list[str], value: str | None, shown: str
) -> None:
    setting = proposed(text(tmp_path, ["Night ferry", *lines]))[1]["begins"]
    assert setting.value == value
    assert shown in setting.shown


def test_a_time_and_a_date_in_fields_of_json_stand_at_the_blank(tmp_path: Path) -> None:
    setting = proposed(document(tmp_path, bedtime="22:30", day="2031-09-01"))[1]["begins"]
    assert setting.value is None
    assert {"bedtime = 22:30", "day = 2031-09-01"} <= set(setting.shown)


def test_a_sheet_tells_both_above_its_table(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    above = [["Night ferry"], ["Epoch (s)", 20], ["Start", "2031-09-01 22:30:00"], []]
    for row in [*above, ["Nr", "Stage"], *([i, label] for i, label in enumerate(LABELS, 1))]:
        book.active.append(row)
    book.save(tmp_path / "night.xlsx")
    settings = proposed(tmp_path / "night.xlsx")[1]
    assert (settings["epoch_seconds"].value, settings["begins"].value) == (20, "2031-09-01T22:30:00")


@pytest.mark.parametrize("line", ["a" + " " * 100_000 + "!", "a" * 100_000, ("a" + ":" * 1000) * 100])
def test_a_long_line_is_gone_over_once(line: str) -> None:
    """One pattern of name, marks and value would try it at every two of its places, for hours."""
    assert of_lines([line]) == ()
    assert [told.value for told in of_lines([line + "20 s"])] == ["20 s"]


@pytest.mark.parametrize(
    ("told", "begins"),
    [("2026-02-28 24:00", "2026-03-01T00:00:00"), ("2026-02-30 22:00", None), ("2026-02-28T25:00", None)],
)
def test_a_beginning_above_the_rows_is_filled_in_where_there_is_such_a_moment(
    tmp_path: Path, told: str, begins: str | None
) -> None:
    _, lines = proposed(text(tmp_path, [f"Recording started: {told}"]))
    assert lines["begins"].value == begins


@pytest.mark.parametrize(
    ("name", "seconds"),
    [
        ("stage_5min", 300),
        ("stages_10s", 10),
        ("Stage (0.5 min)", 30),
        ("night.hypnogram30s", 30),
        ("phase 1 Minute", 60),
        ("stage_2", None),
        ("n2s", None),
        ("stage_5min_30s", None),
        ("stage_of_40_minutes", None),
    ],
)
def test_a_name_may_tell_a_length(name: str, seconds: float | None) -> None:
    assert length_in_name(name) == seconds


def written(folder: Path, kind: str) -> Path:
    """Write 90 labels in one of the ways in which a name says that each lasts 5 min."""
    codes = "".join("1234"[i // 7 % 4] for i in range(90))
    rows = [{"date": "2031-09-02", "bedtime_start": "2031-09-01T22:30:00+02:00", "phase_5min": codes}]
    texts = {
        "codes": json.dumps({"nights": rows}),
        "list": json.dumps({"stages_5min": LABELS[:90]}),
        "numbered": "epoch,stage_5min\n" + "".join(f"{i},{label}\n" for i, label in enumerate(LABELS[:90], 1)),
        "labels": "stage_5min\n" + "\n".join(LABELS[:90]),
    }
    path = folder / f"night.{'json' if kind in ('codes', 'list') else 'csv'}"
    path.write_text(texts[kind], encoding="utf-8")
    return path


@pytest.mark.parametrize("kind", ["codes", "list", "numbered", "labels"])
def test_a_length_in_the_name_of_the_stages_is_filled_in(tmp_path: Path, kind: str) -> None:
    proposal, settings = proposed(written(tmp_path, kind))
    assert (settings["epoch_seconds"].value, settings["epoch_seconds"].why) == (300, Why.LENGTH_IN_NAME)
    assert "nothing in the rows tells it" not in layout_text(proposal)


@pytest.mark.parametrize("end", ["2031-09-02T06:00:00", "2031-09-02T05:55:00"])
@pytest.mark.parametrize("kind", ["fields", "lines"])
def test_a_beginning_and_an_end_tell_a_length(tmp_path: Path, kind: str, end: str) -> None:
    labels = LABELS[:90]
    if kind == "fields":
        path = tmp_path / "night.json"
        path.write_text(json.dumps({"begin": "2031-09-01T22:30:00", "end": end, "stages": labels}), encoding="utf-8")
    else:
        path = tmp_path / "night.txt"
        path.write_text("\n".join(["Begin: 2031-09-01T22:30:00", f"End: {end}", "stage", *labels]), encoding="utf-8")
    proposal, settings = proposed(path)
    assert (settings["epoch_seconds"].value, settings["epoch_seconds"].why) == (300, Why.FROM_TO)
    assert settings["begins"].value == "2031-09-01T22:30:00"
    assert "so the rows fill the time beside them between" in layout_text(proposal)


def test_ends_that_no_epoch_fits_tell_nothing(tmp_path: Path) -> None:
    settings = proposed(document(tmp_path, begin="2031-09-01T22:30:00", end="2031-09-02T06:13:00"))[1]
    assert (settings["epoch_seconds"].value, settings["epoch_seconds"].why) == (60, Why.USUAL)


@pytest.mark.parametrize(("line", "seconds"), [("Epoch: 20 s", 20), ("Epoch length: 1 min", 60)])
@pytest.mark.parametrize("names", [[], ["stage"]])
def test_a_line_above_labels_alone_names_no_column(tmp_path: Path, line: str, seconds: float, names: list[str]) -> None:
    path = tmp_path / "night.txt"
    path.write_text("\n".join([line, *names, *LABELS]), encoding="utf-8")
    proposal, settings = proposed(path)
    assert (settings["epoch_seconds"].value, settings["epoch_seconds"].why) == (seconds, Why.ANCHOR)
    assert settings["stage"].value == (names or ["1"])[0]
    assert sum(label.rows for label in proposal.labels) == len(LABELS)


def test_names_and_lines_that_differ_leave_a_blank(tmp_path: Path) -> None:
    path = tmp_path / "night.json"
    path.write_text(json.dumps({"epoch_sec": 20, "stages_30s": LABELS * 2}), encoding="utf-8")
    setting = proposed(path)[1]["epoch_seconds"]
    assert setting.value is None
    assert {other.value for other in setting.others[:2]} == {20, 30}


@pytest.mark.parametrize(("rows", "first"), [(90, 300), (2700, 10), (60, 600)])
def test_where_no_usual_epoch_makes_a_night_it_is_a_blank(tmp_path: Path, rows: int, first: float) -> None:
    path = tmp_path / "night.csv"
    path.write_text("\n".join(["stage", *(LABELS * 6)[:rows]]), encoding="utf-8")
    setting = proposed(path)[1]["epoch_seconds"]
    assert setting.value is None
    assert setting.others[0].value == first
    assert {30, 20, 60} <= {other.value for other in setting.others}
