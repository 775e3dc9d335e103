"""``study --by COLUMN``: the bias of groups of nights on every output."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from tests.commands import ended, run
from tests.ferry import copy_ferry


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """The fixture study with a column that says which watch each of its people has."""
    nights = copy_ferry(tmp_path / "ferry")
    rows = list(csv.reader(nights.read_text(encoding="utf-8").splitlines()))
    watches = {"crew-1": "day", "crew-2": "night", "crew-3": "day", "crew-4": "night"}
    lines = [[*rows[0], "Watch Kept"], *([*row, watches[row[0]]] for row in rows[1:])]
    nights.write_text("".join(",".join(line) + "\n" for line in lines), encoding="utf-8")
    return nights


def test_groups_are_told_on_the_terminal_the_page_in_json_and_csv(table: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = run("study", table, "--out", out, "--by", "watch kept", "--resamples", 50, "--full")
    assert done.exit_code == 0, done.output
    assert "BIAS OF 'band A' BY WATCH KEPT" in done.stdout.upper().replace("'BAND A'", "'band A'")
    assert "Bias by watch kept" in (out / "report.html").read_text(encoding="utf-8")
    device = json.loads((out / "results.json").read_text(encoding="utf-8"))["devices"][0]
    (tst,) = [row for row in device["bias"] if row["measure"] == "TST"]
    assert [(g["group"], g["participants"], g["nights"]) for g in tst["by_group"]["groups"]] == [
        ("day", 2, 6),
        ("night", 2, 6),
    ]
    # alike numbers of nights: the mean of all is that of the groups
    assert sum(g["bias"] for g in tst["by_group"]["groups"]) / 2 == pytest.approx(tst["bias"], abs=1e-6)
    rows = list(csv.DictReader((out / "bias_by_group.csv").read_text(encoding="utf-8").splitlines()))
    (own,) = [r for r in rows if (r["device"], r["measure"], r["group"]) == ("band A", "TST", "day")]
    assert float(own["bias"]) == tst["by_group"]["groups"][0]["bias"]
    assert own["by"] == "watch kept"
    ended("study", table, "--out", out, "--by", "watch kept", "--resamples", 50, "--overwrite")


def test_without_the_option_the_column_is_refused_and_nothing_speaks_of_groups(table: Path, tmp_path: Path) -> None:
    refused = run("study", table, "--out", tmp_path / "out")
    assert refused.exit_code == 1
    assert "column 'watch kept' is unknown" in refused.stderr
    assert "A study takes one more (--by COLUMN)" in " ".join(refused.stderr.split())


def test_a_column_that_is_not_there_is_one_message(table: Path, tmp_path: Path) -> None:
    refused = run("study", table, "--out", tmp_path / "out", "--by", "age")
    assert refused.exit_code == 1
    assert "there is no column 'age' to tell bias by" in refused.stderr
    assert not (tmp_path / "out").exists()


def regrouped(table: Path, group_of: dict[str, str]) -> Path:
    rows = list(csv.reader(table.read_text(encoding="utf-8").splitlines()))
    lines = [rows[0], *([*row[:-1], group_of[row[0]]] for row in rows[1:])]
    table.write_text("".join(",".join(line) + "\n" for line in lines), encoding="utf-8")
    return table


def test_a_column_that_is_empty_in_every_row_is_refused_before_anything_is_scored(table: Path, tmp_path: Path) -> None:
    regrouped(table, dict.fromkeys(("crew-1", "crew-2", "crew-3", "crew-4"), ""))
    refused = run("study", table, "--out", tmp_path / "out", "--by", "watch kept", "--count")
    assert refused.exit_code == 1
    assert "column 'watch kept', which is to tell bias by, is empty in every row" in " ".join(refused.stderr.split())
    assert "progress" not in refused.stderr
    assert "read_nights_table" not in refused.stderr


@pytest.mark.parametrize(
    ("groups", "told"),
    [(("day",) * 4, "1 group of 4 participants"), (("a", "b", "c", "d"), "4 groups of 4 participants")],
)
def test_groups_that_allow_no_bias_are_told(groups: tuple[str, ...], told: str, table: Path, tmp_path: Path) -> None:
    regrouped(table, dict(zip(("crew-1", "crew-2", "crew-3", "crew-4"), groups, strict=True)))
    done = ended("study", table, "--out", tmp_path / "out", "--by", "watch kept", "--resamples", 20, "--full")
    assert "bias by watch kept was asked for and is not told: that takes two groups and more" in done.stderr
    assert f"and there are {told}." in done.stderr


def test_nights_without_a_group_are_counted_and_named(table: Path, tmp_path: Path) -> None:
    regrouped(table, {"crew-1": "day", "crew-2": "night", "crew-3": "day", "crew-4": ""})
    done = ended("study", table, "--out", tmp_path / "out", "--by", "watch kept", "--resamples", 20, "--full")
    told = "band A: 3 of 12 nights have no watch kept and are in none of its groups (crew-4 1, crew-4 2, crew-4 3)."
    assert told in done.stderr
    assert "is not told" not in done.stderr
