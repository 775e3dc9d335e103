"""docs/validation.md says what the tests and the records say, and the recorder behind it lets no failure pass."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_the_page_is_up_to_date() -> None:
    words = [sys.executable, str(ROOT / "docs" / "make_validation.py"), "--check"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_command_of_a_record_is_one() -> None:
    for path in (ROOT / "docs" / "evidence").glob("*.json"):
        record = json.loads(path.read_text(encoding="utf-8"))
        assert record["date"][:2] == "20"
        assert {"python", "sleepagree", "numpy"} <= set(record["versions"])
        module = record["command"].split()[2].replace(".", "/")
        assert (ROOT / f"{module}.py").exists() or (ROOT / module / "__main__.py").exists(), record["command"]


EXAMPLES = """
import numpy as np
import pytest
from tests.printed import agrees_with_print

def test_right():
    assert agrees_with_print(0.1739 * 2, ".348")
    assert 2 * 3.0 == pytest.approx(6.0001, abs=1e-3)
    assert np.array([1.0, 2.0]) == pytest.approx(np.array([1.0, 2.0]))

def test_figure_that_is_wrong():
    assert agrees_with_print(0.3478, ".349")

def test_number_that_is_wrong():
    assert (1.0, 2.0) == pytest.approx((1.0, 2.1))

def test_length_that_is_wrong():
    assert [1.0, 2.0] == pytest.approx([1.0])
"""


def test_the_recorder_changes_no_verdict(tmp_path: Path) -> None:
    (tmp_path / "test_examples.py").write_text(EXAMPLES)
    kept = tmp_path / "figures.json"
    words = [
        "-p",
        "no:cacheprovider",
        "-p",
        "tests.recorded_figures",
        "--figures",
        str(kept),
        "--rootdir",
        str(tmp_path),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-rA", *words, str(tmp_path / "test_examples.py")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    verdicts = {line.split("::")[1].split()[0]: line.split()[0] for line in done.stdout.splitlines() if ".py::" in line}
    assert verdicts == {
        "test_right": "PASSED",
        "test_figure_that_is_wrong": "FAILED",
        "test_number_that_is_wrong": "FAILED",
        "test_length_that_is_wrong": "FAILED",
    }
    figures = json.loads(kept.read_text())
    first = [figure for figure in figures if figure["test"] == "test_right"]
    assert [(f["what"], f["printed"], f["ours"], f["allowed"]) for f in first] == [
        ("0.1739 * 2", ".348", 0.3478, 0.0005),
        ("2 * 3.0", "6.0001", 6.0, 0.001),
        ("np.array([1.0, 2.0])", "1", 1.0, 1e-06),
        ("np.array([1.0, 2.0])", "2", 2.0, 2e-06),
    ]
    assert [f["agrees"] for f in figures if f["test"] == "test_number_that_is_wrong"] == [True, False]
