"""What the commands other than ``night`` and ``study`` print, word for word.

Each folder of tests/golden/COMMAND holds a command, the files that it reads unless they are fixtures, and what it
printed, in 80 and in 40 columns, when somebody last read it and found it right. ``pytest
tests/describe/test_golden_commands.py --regenerate-golden`` writes it anew; read the difference.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.render.columns import columns_of
from tests.commands import narrow_terminal

ROOT = Path(__file__).parents[2]
GOLDEN = ROOT / "tests" / "golden"
COMMANDS = ("mappings", "bias", "clock", "inspect", "nights", "plan", "calibrate", "correct")
PASTED = re.compile(r"\.json|fixtures/|tests/|T\d\d:\d\d:\d\d/")
CASES = sorted(path.parent for command in COMMANDS for path in (GOLDEN / command).glob("*/command.txt"))


def test_every_command_has_a_case() -> None:
    assert {case.parent.name for case in CASES} == set(COMMANDS)


@pytest.mark.parametrize("case", CASES, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_a_command_prints_what_was_found_right(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config
) -> None:
    # a command may write beside what it reads, and tells the path
    for name in ("fixtures", "tests"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, shlex.split((case / "command.txt").read_text(encoding="utf-8")))
    assert done.exit_code == 0, done.output
    for table in tmp_path.glob("**/nights.csv"):
        if not table.resolve().is_relative_to(ROOT):
            table.unlink()
    narrow_terminal(monkeypatch)
    narrow = CliRunner().invoke(main, shlex.split((case / "command.txt").read_text(encoding="utf-8")))
    # what is to be pasted stays whole
    assert max(columns_of(line) for line in narrow.stdout.splitlines() if not PASTED.search(line)) <= 40
    for name, text in (("terminal.txt", done.stdout), ("terminal-40.txt", narrow.stdout)):
        path = case / name
        if pytestconfig.getoption("--regenerate-golden"):
            path.write_bytes(text.encode("utf-8"))
        assert text == path.read_bytes().decode("utf-8")
