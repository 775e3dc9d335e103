"""What ``night``, ``clock`` and ``study`` say of each case of fixtures/clocks, word for word.

Each file of tests/golden/clocks holds a case: of each command how its answer begins, what it says of the clock and of
what is next, and its cautions or its refusal, as somebody last read it and found it right. ``pytest
tests/describe/test_golden_clocks.py --regenerate-golden`` writes them anew; read the difference.
"""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from tests.describe.test_golden_nights import ROOT

CLOCKS = ROOT / "fixtures" / "clocks"
GOLDEN = ROOT / "tests" / "golden" / "clocks"
CASES = json.loads((CLOCKS / "truth.json").read_text("utf-8"))
#: The parts of an answer that are told here.
KEPT = re.compile(r"Clock|Next|Refused|  (?:Nothing|Proposed|Two offsets|The clock drifts)", re.IGNORECASE)


def told(words: list[str]) -> str:
    done = CliRunner().invoke(main, words)
    first, *parts = done.stdout.strip().split("\n\n") if done.stdout else [""]
    kept = [part for part in (first, *parts) if part is first or KEPT.match(part)]
    return "\n\n".join([f"$ sleepagree {' '.join(words)}  [exit {done.exit_code}]", *filter(None, kept), done.stderr])


@pytest.mark.parametrize("name", CASES)
def test_a_case_is_told_as_it_was_found_right(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config
) -> None:
    case, zone = CASES[name], CASES[name]["reference_zone"]
    for file in CLOCKS.iterdir():
        (tmp_path / file.name).symlink_to(file)
    monkeypatch.chdir(tmp_path)
    row = {"participant": "crew-1", "night": "1", "device": "pad B", "reference": case["reference"]}
    row |= {"device_file": case["device"], "layout": case["layout"], "reference_zone": zone or ""}
    with Path("nights.csv").open("w", newline="") as stream:
        table = csv.DictWriter(stream, row)
        table.writeheader()
        table.writerow(row)
    words = [case["reference"], case["device"], "--layout", case["layout"]]
    words += ["--reference-zone", zone] if zone else []
    commands = (["night", *words], ["clock", *words, "--resamples", "50"])
    study = ["study", "nights.csv", "--out", "out", "--resamples", "50"]
    text = "\n".join(map(told, (*commands, study)))
    path = GOLDEN / f"{name}.txt"
    if pytestconfig.getoption("--regenerate-golden"):
        path.write_bytes(text.encode("utf-8"))
    assert text == path.read_bytes().decode("utf-8")
