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
