"""Integers that TOML cannot hold: one message, whoever reads them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.canaries import run
from tests.ferry import FERRY

NIGHT = FERRY / "reference" / "crew-1-night-1.edf", FERRY / "band-a" / "crew-1-night-1.csv"
LONG = "9" * 5000


def refusal(*words: object) -> str:
    result = run(*words)
    assert result.exit_code == 1, result.output
    assert isinstance(result.exception, SystemExit)
    return " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("number", "found"),
    [
        (LONG, "Found an integer of thousands of digits; expected TOML 1.0."),
        ("0x" + "f" * 5000, "Found an integer beyond 64 bits; expected TOML 1.0."),
        ("1" + "0" * 400, "Found an integer beyond 64 bits; expected TOML 1.0."),
        (str(-(2**63) - 1), "Found an integer beyond 64 bits; expected TOML 1.0."),
    ],
)
@pytest.mark.parametrize(
    "line", ["epoch_seconds = {}", "[stages]\nUp = {}", "reports = [1, [{}]]", "[file]\nbegins = {}"]
)
def test_in_a_layout(number: str, found: str, line: str, tmp_path: Path) -> None:
    path = tmp_path / "band.toml"
    path.write_text("# a remark\n" + line.format(number) + "\n")
    said = refusal("night", *NIGHT, "--layout", path)
    assert said.startswith(f"sleepagree: {path}: ")
    assert f": the layout is not valid TOML. {found}" in said
    if number == LONG:
        assert f": line {2 + line.count(chr(10))}: " in said


@pytest.mark.parametrize("number", [LONG, "0o" + "7" * 6000])
@pytest.mark.parametrize("line", ["name = {}", 'classes = ["wake", {}]', "[reference]\nW = {}"])
def test_in_a_mapping(number: str, line: str, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(line.format(number) + "\n")
    assert "mine.toml: not valid TOML. Found an integer " in refusal("night", *NIGHT, "--mapping", path)


def test_the_largest_integers_of_toml_are_read(tmp_path: Path) -> None:
    path = tmp_path / "band.toml"
    for number in (2**63 - 1, -(2**63)):
        path.write_text(f"epoch_seconds = {number}\n")
        assert f"Found {number}; expected a number of seconds" in refusal("night", *NIGHT, "--layout", path)


def test_in_json_files(tmp_path: Path) -> None:
    records = tmp_path / "night.json"
    records.write_text(f'[{{"time": {LONG}, "stage": "wake"}}]')
    assert "Found a number of 5000 digits" in refusal("inspect", records)
    table, sidecar = tmp_path / "task_events.tsv", tmp_path / "events.json"
    table.write_text("onset\tduration\tstaging\n0\t30\t1\n30\t30\t2\n60\t30\t1\n")
    sidecar.write_text(f'{{"staging": {{"Levels": {{"1": {LONG}}}}}}}')
    assert (
        f"{sidecar}: the description of the columns cannot be used. Found a number of thousands of digits"
        in refusal("inspect", table)
    )
    results = tmp_path / "results.json"
    results.write_text(f'{{"schema": "sleepagree.study/1", "devices": {LONG}}}')
    assert "this is no results.json of a study. Found a number of thousands of digits." in refusal(
        "plan", "--from", results
    )
