"""The command in a report repeats the run: what was given, no folders, and no names when anonymous."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

from tests.commands import ended
from tests.ferry import FERRY

NIGHT = (
    str(FERRY / "reference" / "crew-3-night-2.edf"),
    str(FERRY / "band-a" / "crew-3-night-2.csv"),
    "--layout",
    str(FERRY / "band-a.toml"),
)


def command_in(folder: Path) -> str:
    found = re.search(r"sleepagree (?:night|study) [^<]*", (folder / "report.html").read_text(encoding="utf-8"))
    assert found
    return html.unescape(found.group()).strip()


def test_options_that_change_the_result_are_told_and_others_are_not(tmp_path: Path) -> None:
    options = ("--mapping", "rem-left-out", "--mapping", "wake-sleep", "--clock-offset", "-30")
    ended("night", *NIGHT, *options, "--quiet", "--overwrite", "--json", "-", "--out", str(tmp_path / "made here"))
    assert command_in(tmp_path / "made here") == (
        "sleepagree night crew-3-night-2.edf crew-3-night-2.csv --mapping rem-left-out --mapping wake-sleep "
        "--layout band-a.toml --clock-offset -30.0 --out 'made here'"
    )


def test_the_command_of_a_study_tells_its_options(tmp_path: Path) -> None:
    options = ("--resamples", "20", "--margin", "TST=30", "--workers", "2")
    ended("study", str(FERRY / "nights.csv"), "--out", str(tmp_path / "results"), *options, "--quiet")
    assert command_in(tmp_path / "results") == (
        "sleepagree study nights.csv --out results --margin TST=30 --resamples 20"
    )


@pytest.mark.parametrize("given", ["2026-04-22T08:00/2026-04-22T15:00", "lights"])
def test_an_anonymous_command_tells_no_name_and_no_time(given: str, tmp_path: Path) -> None:
    ended("night", *NIGHT, "--window", given, "--anonymous", "--quiet", "--out", str(tmp_path / "x"))
    told = command_in(tmp_path / "x")
    assert told.startswith("sleepagree night REFERENCE DEVICE --layout")
    assert "--window RULE" in told
    assert not {"crew", "2026", "band"} & set(re.split(r"[^a-z0-9]+", told))


def test_a_file_whose_name_begins_like_an_option_is_told_as_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("-x.csv").write_bytes(Path(NIGHT[1]).read_bytes())
    ended("night", NIGHT[0], "./-x.csv", *NIGHT[2:], "--out", "o")
    told = command_in(tmp_path / "o")
    assert told.startswith("sleepagree night crew-3-night-2.edf ./-x.csv ")
