"""``sleepagree clock``: reads the slow clock of a fixture night, proposes and never applies."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.describe.blocks import Command
from sleepagree.render.terminal import block_lines
from tests.commands import ended

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "ferry"
TRUTH = json.loads((FERRY / "truth.json").read_text("utf-8"))
SLOW = f"{TRUTH['slow_clock']['participant']}-night-{TRUTH['slow_clock']['night']}"


def invoke(name: str, *options: str, code: int = 0, command: str = "clock"):
    files = [str(FERRY / "reference" / f"{name}.edf"), str(FERRY / "band-a" / f"{name}.csv")]
    return ended(command, *files, "--layout", FERRY / "band-a.toml", *options, code=code)


def test_the_slow_clock_is_read_and_proposed():
    found = json.loads(invoke(SLOW, "--json", "-").stdout)
    assert found["schema"] == "sleepagree.clock/1"
    assert found["proposed"] is True
    assert abs(found["offset_seconds"] - TRUTH["slow_clock"]["offset_to_add_seconds"]) <= 5
    assert found["low"] <= found["offset_seconds"] <= found["high"]
    assert found["kappa_at_best"] > found["kappa_at_zero"]
    assert set(found) >= {
        "mapping", "offset_seconds", "low", "high", "kappa_at_zero", "kappa_at_best", "drift_seconds_per_hour",
        "drift_low", "drift_high", "proposed", "reason", "curve",
    }  # fmt: skip
    offsets = [offset for offset, _ in found["curve"]]
    assert (offsets[0], offsets[-1], len(offsets)) == (-1800, 1800, 721)


def test_an_offset_that_was_already_added_is_told_and_counts_in_the_next_command():
    truth = TRUTH["slow_clock"]["offset_to_add_seconds"]
    given = ("--clock-offset", "100", "--range", "20", "--confidence", "0.9")
    found = json.loads(invoke(SLOW, *given, "--json", "-").stdout)
    assert found["options"] == {"clock_offset": 100.0, "confidence": 0.9}
    assert abs(found["offset_seconds"] + 100 - truth) <= 5
    assert isinstance(found["offset_at_middle_seconds"], float)
    shown = invoke(SLOW, *given).stdout
    assert "+100 s; the offsets below come on top" in shown
    assert "kappa with +100 s" in shown
    assert "as recorded" not in invoke(SLOW, *given, "--full").stdout
    command = " ".join(shown.split("NEXT")[1].replace("\\\n", " ").split())
    assert command.count("--clock-offset") == 1
    assert f"--clock-offset {100 + found['offset_seconds']:g}" in command


def test_the_cautions_of_a_clock_stand_in_its_json(tmp_path):
    night = tmp_path / "night.csv"
    rows = [f"2026-03-01T{22 + i // 120}:{i // 2 % 60:02}:{i % 2 * 30:02},{'WNW'[i // 80]}" for i in range(240)]
    night.write_text("\n".join(["start,stage", *rows]).replace(",N", ",N2"), "utf-8")
    found = json.loads(ended("clock", night, night, "--json", "-").stdout)
    assert "reports_from_labels" in {caution["kind"] for caution in found["cautions"]}


def test_nothing_is_applied_unless_asked():
    def kappa(*options: str) -> float:
        arguments = ("--mapping", "rem-left-out", "--json", "-", *options)
        return json.loads(invoke(SLOW, *arguments, command="night").stdout)["mappings"][0]["kappa"]["value"]

    before = kappa()
    invoke(SLOW)
    assert kappa() == before
    assert kappa("--clock-offset", "240") > before + 0.1


@pytest.mark.parametrize("name", ["crew-1-night-1", "crew-3-night-3"])
def test_a_clock_that_is_right_is_left_alone(name):
    found = json.loads(invoke(name, "--json", "-", "--resamples", "100").stdout)
    assert found["proposed"] is False
    assert abs(found["offset_seconds"]) <= 30
    assert found["reason"]


def test_the_report_says_both_figures_and_warns():
    result = invoke(SLOW, "--resamples", "100")
    assert result.stdout.startswith(f"CLOCK of device {SLOW}.csv against reference {SLOW}.edf\n")
    shown = " ".join(result.stdout.split())
    assert "kappa as recorded" in shown
    assert "kappa at best offset" in shown
    assert "An offset found by looking for the best agreement makes agreement look better than it is." in shown
    assert "NEXT Nothing was shifted. To score the night with this offset: sleepagree night " in shown
    assert "--clock-offset 240 " in shown
    assert all(len(line) <= 80 for line in result.stdout.splitlines() if "/" not in line)
    assert "\x1b" not in result.output


def test_json_to_a_file(tmp_path):
    path = tmp_path / "clock.json"
    invoke(SLOW, "--resamples", "100", "--json", str(path))
    assert json.loads(path.read_text("utf-8"))["inputs"]["device"]["name"] == f"{SLOW}.csv"
    refused = invoke(SLOW, "--resamples", "100", "--json", str(path), code=1)
    assert refused.stdout == ""
    assert "the output exists" in refused.stderr


def test_a_pair_that_shares_no_time_is_one_message():
    files = [str(FERRY / "reference" / "crew-1-night-1.edf"), str(FERRY / "band-a" / "crew-1-night-2.csv")]
    result = CliRunner().invoke(main, ["clock", *files, "--layout", str(FERRY / "band-a.toml")])
    assert (result.exit_code, result.stdout) == (1, "")
    # crew 1's second night began at 08:07 on the next day, the first at 07:35
    assert "Their starts are 24.5 h apart: these look like two different nights." in result.stderr
    assert "--clock-offset" not in result.stderr


def test_a_command_to_paste_keeps_a_quoted_name_on_one_line():
    # the standard library's reading of a shell's words
    words = ["sleepagree", "clock", "lab/crew 1.edf", "pad B/it's a night of crew 1.csv", "--range", "75"]
    lines = block_lines(Command(shlex.join(words)), 44)
    assert len(lines) > 2
    assert shlex.split(" ".join(line.removesuffix("\\") for line in lines)) == words
