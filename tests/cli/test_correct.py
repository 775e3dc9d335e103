"""``calibrate`` and ``correct`` as they are typed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands import bytes_below, ended, run
from tests.ferry import FERRY, copy_ferry
from tests.test_layers import loaded_by

NIGHT = (FERRY / "pad-b" / "crew-3-night-2.csv", "--layout", FERRY / "pad-b.toml")


@pytest.fixture(scope="module")
def learnt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("learnt") / "pad-b"
    done = ended("calibrate", FERRY / "nights.csv", "--device", "pad B", "--out", out, "--quiet")
    lines = done.stdout.splitlines()
    assert len(lines) <= 48
    assert max(map(len, lines[:-2])) <= 80
    assert lines[0].startswith("Correcting pad B helps SOL (mean absolute error 4.7 min instead of 7.7 min).")
    assert any("The correction was learnt from 4 participants" in line for line in lines)
    return out


def test_calibrate_writes_what_correct_reads(learnt):
    assert set(bytes_below(learnt)) == {"correction.json", "correction.csv", "report.html"}
    document = json.loads((learnt / "correction.json").read_text(encoding="utf-8"))
    assert document["schema"] == "sleepagree.correction/1"
    assert document["epochs"] is None
    assert (learnt / "correction.json").stat().st_size < 20_000
    head, *rows = (learnt / "correction.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == len(document["measures"])
    assert len(head.split(",")) == len(rows[0].split(","))


def test_correct_says_the_answer_first(learnt):
    lines = ended("correct", learnt / "correction.json", *NIGHT).stdout.splitlines()
    assert len(lines) <= 48
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Corrected: SOL 7.6 min (95 % interval 0.0 to 25.9; the device says 0.0)."
    row = next(line for line in lines if line.strip().startswith("minutes deep"))
    assert row.split() == "minutes deep 107.0 89.6 51.9 to 127.3 line cannot be told".split()


def test_json_holds_the_same_numbers(learnt):
    done = ended("correct", learnt / "correction.json", *NIGHT, "--json", "-", "--quiet")
    document = json.loads(done.stdout)
    assert document["schema"] == "sleepagree.corrected/1"
    deep = next(m for m in document["measures"] if m["measure"] == "minutes deep")
    assert deep["corrected"] == pytest.approx(89.6, abs=0.05)
    assert {"measure", "unit", "device", "corrected", "low", "high", "level", "method", "extrapolated"} <= deep.keys()


def test_the_same_bytes_for_any_order_of_rows_workers_and_language(learnt, tmp_path):
    table = copy_ferry(tmp_path / "ferry")
    head, *rows = table.read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([head, *reversed(rows)]) + "\n", encoding="utf-8")
    words = ["calibrate", str(table), "--device", "pad B", "--out", str(tmp_path / "out"), "--workers", "2", "--quiet"]
    subprocess.run(
        [sys.executable, "-m", "sleepagree", *words],
        check=True,
        capture_output=True,
        env={**os.environ, "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "7"},
    )
    for name in ("correction.json", "correction.csv"):
        assert (tmp_path / "out" / name).read_bytes() == (learnt / name).read_bytes()


def test_one_night_is_corrected_without_heavy_libraries(learnt):
    args = ["correct", str(learnt / "correction.json"), *map(str, NIGHT)]
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli.group import main; "
        f"r = CliRunner().invoke(main, {args!r}); assert r.exit_code == 0, r.output"
    )
    assert not loaded & {"pandas", "sklearn", "scipy", "mne", "matplotlib"}


def test_wrong_use_is_told(learnt, tmp_path):
    several = run("calibrate", FERRY / "nights.csv", "--out", tmp_path / "out")
    assert several.exit_code == 1
    assert "the study has several devices" in several.stderr
    assert not (tmp_path / "out").exists()
    other = run(
        "correct", learnt / "correction.json", FERRY / "band-a/crew-3-night-2.csv", "--layout", FERRY / "band-a.toml"
    )
    assert other.exit_code == 1
    assert "a label that the correction was not learnt from" in other.stderr
    again = run("calibrate", FERRY / "nights.csv", "--device", "pad B", "--out", learnt)
    assert again.exit_code == 1
    ended("calibrate", FERRY / "nights.csv", "--device", "pad B", "--out", learnt, "--overwrite")
    before = (learnt / "correction.json").read_bytes()
    onto = run("correct", learnt / "correction.json", *NIGHT, "--json", learnt / "correction.json", "--overwrite")
    assert onto.exit_code == 1
    assert (learnt / "correction.json").read_bytes() == before
