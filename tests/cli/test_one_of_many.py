"""One epoch, one run, one label: what is printed stays a sentence when there is only one of a thing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from tests.commands import ended

ONE_OF_MANY = re.compile(r"\b1 (?:epochs|runs|rows|labels|spans|texts|times|nights|participants|stages|gaps)\b")
FEW = "start,end,stage\n2026-03-01T22:30:00,2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,2026-03-01T22:31:30,light\n"
OTHER = (
    "start,end,stage\n2026-03-01T22:30:00,2026-03-01T22:30:30,light\n2026-03-01T22:31:00,2026-03-01T22:31:30,light\n"
    "2026-03-01T22:40:00,2026-03-01T22:40:30,wake\n"
)


def out(*words: object) -> str:
    return " ".join(ended(*words).stdout.split())


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    for name, text in (("lab.csv", FEW), ("band.csv", OTHER)):
        (tmp_path / name).write_text(text)
    return tmp_path / "lab.csv", tmp_path / "band.csv"


def test_a_night_with_one_of_everything(files: tuple[Path, Path]) -> None:
    shown = out("night", *files, "--reports", "wake,light,deep", "--window", "overlap", "--quiet", "--full")
    assert "In 50 of 100 epochs both say the same stage" in shown
    assert "Agreement over 2 epochs" in shown
    assert "0 epochs of the reference, 1 of the device" in shown
    assert "1 run of disagreement" in shown
    assert ONE_OF_MANY.search(shown) is None
    window = ("--window", "2026-03-01T22:30:00/2026-03-01T22:30:30")
    shown = out("night", *files, "--reports", "wake,light,deep", *window, "--quiet", "--full")
    assert "1 epoch (0.5 min); rule: given" in shown
    assert "In 0 of 100 epochs both say the same stage" in shown
    assert "outside the window: 1 epoch of the reference, 2 of the device" in shown
    assert ONE_OF_MANY.search(shown) is None


def test_the_mappings_of_one_epoch(files: tuple[Path, Path]) -> None:
    window = ("--window", "2026-03-01T22:30:00/2026-03-01T22:30:30")
    shown = out("mappings", *files, "--reports", "wake,light,deep", *window, "--quiet", "--full")
    assert "1 of 1 epoch scored on both sides" in shown


def test_an_inspection_of_one_row(tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    path.write_text("start,end,stage\n2026-03-01T22:30:00,2026-03-01T22:30:30,snooze\n")
    layout = tmp_path / "layout.toml"
    result = CliRunner().invoke(main, ["inspect", str(path), "--write-layout", str(layout)])
    assert result.stderr.endswith("fill in 1 stage in it\n")
    layout.write_text(layout.read_text().replace('"snooze" = ""', '"snooze" = "wake"'))
    shown = out("inspect", path, "--layout", layout)
    assert "in 1 span" in shown
    assert "would give 1 epoch of 30 s" in shown
    assert ONE_OF_MANY.search(shown) is None
    path.write_text("when,phase\n22:30:00,wake\n")
    assert "times, 1 different in 1 row" in out("inspect", path)


def test_a_table_of_one_night(tmp_path: Path) -> None:
    (tmp_path / "lab-x.csv").write_text(FEW)
    (tmp_path / "band-x.csv").write_text(OTHER)
    patterns = ("--reference", "lab-{participant}.csv", "--device", "band-{participant}.csv")
    shown = out("nights", tmp_path, *patterns, "--out", tmp_path / "nights.csv")
    assert shown.startswith("1 row from 1 participant, 1 night and 1 device ")
    assert "(1 row)" in shown
    assert ONE_OF_MANY.search(shown) is None
