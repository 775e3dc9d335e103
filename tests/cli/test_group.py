"""The command line as a whole: help that loads nothing heavy, versions, debug, and one caution everywhere."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from click.testing import CliRunner

import sleepagree
from sleepagree.cli.group import CAUTION, COMMANDS, main
from sleepagree.errors import InputError


def test_help_lists_every_command():
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    for name, text in COMMANDS.items():
        assert f"  {name} " in result.output
        assert text.split()[0] in result.output
    assert " ".join(CAUTION.split()[:8]) in " ".join(result.output.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_says_what_it_is_not(name):
    result = CliRunner().invoke(main, [name, "--help"])
    assert result.exit_code == 0
    shown = " ".join(result.output.split())
    assert f"Usage: main {name}" in shown
    # what prints figures about somebody's sleep says so
    assert ("no medical device" in shown) or name in ("inspect", "nights", "demo")
    assert ("--json" in shown) or name in ("page", "demo", "study", "calibrate")


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "page"])  # that one goes on until Ctrl-C
def test_a_command_without_arguments_is_wrong_use_or_help(name):
    result = CliRunner().invoke(main, [name])
    assert result.exit_code in ((2,) if name != "plan" else (1, 2))
    assert "Traceback" not in result.output


def test_a_message_is_broken_at_the_width_of_a_terminal(tmp_path):
    """By a terminal of 80 columns, which a pipe is not."""
    pty = pytest.importorskip("pty")
    table = tmp_path / "nights.csv"
    table.write_text("subject,night,device,ref,dev\n")
    command = [sys.executable, "-m", "sleepagree", "study", str(table), "--out", str(tmp_path / "out")]
    piped = subprocess.run(command, capture_output=True, text=True, check=False).stderr
    assert max(map(len, piped.splitlines())) > 100
    ours, theirs = pty.openpty()
    environment = {**os.environ, "COLUMNS": "80"}
    with os.fdopen(theirs, "w") as stream:
        subprocess.run(command, stderr=stream, env=environment, check=False)
    shown = b""
    while b"overlooked." not in shown:
        shown += os.read(ours, 4096)
    os.close(ours)
    lines = shown.decode().replace("\r", "").splitlines()
    assert max(map(len, lines)) <= 80
    assert "".join(piped.split()) == "".join("".join(lines).split())


def test_version():
    result = CliRunner().invoke(main, ["--version"])
    assert result.exit_code == 0
    assert result.output.splitlines()[0] == f"sleepagree {sleepagree.__version__}"
    assert any(line.startswith("numpy ") for line in result.output.splitlines())


def test_no_command_shows_help():
    result = CliRunner().invoke(main, [])
    assert "Usage:" in result.output
    assert result.exit_code in (0, 2)


def test_debug_shows_where_an_error_came_from():
    plain = CliRunner().invoke(main, ["night", "no.edf", "no.csv"])
    assert (plain.exit_code, isinstance(plain.exception, SystemExit)) == (1, True)
    debug = CliRunner().invoke(main, ["--debug", "night", "no.edf", "no.csv"])
    assert isinstance(debug.exception, InputError)
    done = subprocess.run(
        [sys.executable, "-m", "sleepagree", "--debug", "night", "no.edf", "no.csv"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" in done.stderr
    assert done.returncode == 1
