"""What is asked on a terminal about a file that cannot be read, through a pseudo-terminal as a person would answer."""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main

pty = pytest.importorskip("pty", reason="no pseudo-terminals here")

WORDS = ["Up"] * 4 + ["Shallow"] * 20 + ["Sound"] * 16
REFERENCE = "time,stage\n" + "".join(
    f"2026-03-01T22:{30 + i // 2}:{30 * (i % 2):02},{stage}\n"
    for i, stage in enumerate(["W"] * 4 + ["N2"] * 20 + ["N3"] * 16)
)
NUMBERED = "made on the ferry\n\nNr;Says\n" + "".join(f"{i + 1};{word}\n" for i, word in enumerate(WORDS))
MONTHS = "When;Says\n" + "".join(
    f"03/01/2026 22:{30 + i // 2}:{30 * (i % 2):02};{word}\n" for i, word in enumerate(WORDS)
)


def on_terminal(arguments: Sequence[str], answers: Sequence[tuple[str, str]], folder: Path) -> tuple[int, str]:
    """Run a command on a terminal; write each answer once its question is there. Return exit code and what is shown."""
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(folder)
        os.environ |= {"TERM": "dumb", "NO_COLOR": "1", "COLUMNS": "100"}
        os.execv(sys.executable, [sys.executable, "-m", "sleepagree", *arguments])
    shown, asked, left = "", 0, list(answers)
    while select.select([terminal], [], [], 60)[0]:
        try:
            data = os.read(terminal, 65536)
        except OSError:
            break
        if not data:
            break
        shown += data.decode("utf-8", "replace")
        if left and left[0][0] in shown[asked:]:
            asked = len(shown)
            os.write(terminal, (left.pop(0)[1] + "\n").encode())
    else:
        os.kill(child, 9)
        pytest.fail(f"it waits:\n{shown}")
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    os.close(terminal)
    assert not left, shown
    return code, shown.replace("\r\n", "\n")


def write(folder: Path, device: str) -> None:
    (folder / "lab.csv").write_text(REFERENCE, encoding="utf-8")
    (folder / "band.csv").write_text(device, encoding="utf-8")


def test_one_round_from_a_file_that_cannot_be_read_to_the_answer(tmp_path: Path) -> None:
    write(tmp_path, NUMBERED)
    answers = [
        ("go on? [Y/n]:", ""),
        ("Which number", "3"),
        ("22:30:00:", ""),
        ("expected a date and time", "last night"),
        ("expected a date and time", "2026-03-01T22:30:00"),
        ("what 'Up' means (4 times):", "upright"),
        ("that is no stage", "wake"),
        ("what 'Sound' means", ""),
        ("expected one of the words above", "deep"),
        ("[band.toml]:", ""),
    ]
    code, shown = on_terminal(["night", "lab.csv", "band.csv"], answers, tmp_path)
    assert code == 0, shown
    assert "wrote band.toml" in shown
    assert "All 2.0 min called wake were wake." in shown
    assert "--layout band.toml" in shown
    again = CliRunner().invoke(
        main,
        ["night", *(str(tmp_path / name) for name in ("lab.csv", "band.csv")), "--layout", str(tmp_path / "band.toml")],
    )
    assert again.exit_code == 0, again.output


def test_the_order_of_day_and_month_is_a_choice_by_number(tmp_path: Path) -> None:
    write(tmp_path, MONTHS)
    answers = [
        ("go on?", "y"),
        ("Which number", "3"),
        ("not in the range", "2"),
        ("'Up'", "wake"),
        ("'Sound'", "deep"),
        ("[band.toml]:", "mine.toml"),
    ]
    code, shown = on_terminal(["night", "lab.csv", "band.csv"], answers, tmp_path)
    assert code == 0, shown
    assert 'time = "%m/%d/%Y %H:%M:%S"    # as answered' in (tmp_path / "mine.toml").read_text("utf-8")


@pytest.mark.parametrize(("more", "answers"), [((), [("go on?", "n")]), (("--no-input",), [])], ids=["no", "no-input"])
def test_who_will_not_be_asked_gets_the_message(
    tmp_path: Path, more: tuple[str, ...], answers: list[tuple[str, str]]
) -> None:
    write(tmp_path, NUMBERED)
    code, shown = on_terminal(["night", "lab.csv", "band.csv", *more], answers, tmp_path)
    assert code == 1
    assert "sleepagree: band.csv: line " in shown
    assert not (tmp_path / "band.toml").exists()


def test_without_a_terminal_nothing_is_asked_and_the_command_is_told(tmp_path: Path) -> None:
    write(tmp_path, NUMBERED)
    device = tmp_path / "band.csv"
    result = CliRunner().invoke(main, ["night", str(tmp_path / "lab.csv"), str(device)])
    assert (result.exit_code, result.stdout) == (1, "")
    assert '  epoch_number  "Nr"    the only one that can be\n' in result.stderr
    assert result.stderr.endswith(
        " A layout for it, to fill in and give as --layout band.toml, is written by\n"
        f"    sleepagree inspect {device} --write-layout band.toml\n"
    )


def test_what_a_mapping_file_explains_is_neither_asked_nor_to_be_filled_in(tmp_path: Path) -> None:
    """The file's [device] names Up; what it says of a Sound of the reference says nothing of the device's."""
    rows = zip(REFERENCE.splitlines()[1:], WORDS, strict=True)
    write(tmp_path, "time,stage\n" + "".join(f"{line.split(',')[0]},{word}\n" for line, word in rows))
    (tmp_path / "mine.toml").write_text(
        'classes = ["wake", "sleep"]\n[reference]\nW = "wake"\nN1 = "sleep"\nN2 = "sleep"\nN3 = "sleep"\nR = "sleep"\n'
        'Sound = "sleep"\n[device]\nUp = "wake"\nShallow = "sleep"\nlight = "sleep"\ndeep = "sleep"\n'
    )
    command = ["night", "lab.csv", "band.csv", "--mapping", "mine.toml"]
    code, shown = on_terminal(
        command,
        [("Write a layout", "y"), ("epoch_seconds", ""), ("what 'Sound' means", "deep"), ("Write the layout to", "")],
        tmp_path,
    )
    assert code == 0
    assert "'Up' means" not in shown
    told = [line.split() for line in shown.splitlines() if "the mapping file explains it" in line]
    assert [(words[0], words[1], words[-1]) for words in told] == [("Up", "–", "4")]
    written = (tmp_path / "band.toml").read_text("utf-8")
    assert '\n# "Up" = ""    # 4 times; the mapping file explains it\n' in written
    assert '\n"Sound" = "deep"    # 16 times; as answered\n' in written
    # where nobody can be asked
    (tmp_path / "band.toml").unlink()
    with contextlib.chdir(tmp_path):
        result = CliRunner().invoke(main, command)
    assert result.stderr.partition("TO FILL IN\n")[2].startswith("  what 'Sound' means (16 times)\n\n")
    assert result.stderr.endswith("  Take the lines of labels out of it that the mapping file explains.\n")


SPOKEN = "nro;alkoi;vaihe\n" + "".join(
    f"{i};1.3.2026 kellonaika 22.{30 + i // 2}.{30 * (i % 2):02};{word}\n" for i, word in enumerate(WORDS)
)


def test_a_layout_that_is_given_is_completed_with_the_form_of_times_and_yes_takes_the_name(tmp_path: Path) -> None:
    write(tmp_path, SPOKEN)
    (tmp_path / "band.toml").write_text('[stages]\nUp = "wake"\nSound = "deep"\n', encoding="utf-8")
    answers = [
        ("go on?", "y"),
        ("'1.3.2026 kellonaika 22.30.00' and '1.3.2026 kellonaika 22.49.30'", "%d.%m.%Y %H:%M"),
        ("expected the form", "%d.%m.%Y kellonaika %H.%M.%S"),
        ("[band-2.toml]:", "yes"),
    ]
    code, shown = on_terminal(["night", "lab.csv", "band.csv", "--layout", "band.toml"], answers, tmp_path)
    assert code == 0, shown
    assert "wrote band-2.toml" in shown
    assert "All 2.0 min called wake were wake." in shown
    assert not (tmp_path / "yes").exists()


def test_a_layout_that_is_given_is_in_the_command_that_is_told(tmp_path: Path) -> None:
    write(tmp_path, SPOKEN)
    layout = tmp_path / "mine.toml"
    layout.write_text('[stages]\nUp = "wake"\n', encoding="utf-8")
    device = tmp_path / "band.csv"
    result = CliRunner().invoke(main, ["night", str(tmp_path / "lab.csv"), str(device), "--layout", str(layout)])
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.endswith(f"    sleepagree inspect {device} --layout {layout} --write-layout band.toml\n")


def test_inspect_tells_what_is_left_with_the_proposed_layout(tmp_path: Path) -> None:
    path = tmp_path / "band.csv"
    rows = "".join(
        f"{i};14.3.2026 22:{i * (i + 1) // 5:02}:00;{word}\n" for i, word in enumerate(["Wach", "REM"] * 8, 1)
    )
    path.write_text("nro;alkoi;vaihe\n" + rows, encoding="utf-8")
    shown = CliRunner().invoke(main, ["inspect", str(path)])
    assert shown.exit_code == 0
    assert "  with the proposed layout: line 17: the last row has no end." in shown.stdout
    assert '  start      "alkoi"' in shown.stdout


def test_inspect_proposes_the_encoding_though_the_form_of_times_is_asked_for(tmp_path: Path) -> None:
    path, layout = tmp_path / "band.csv", tmp_path / "band.toml"
    rows = "".join(f"22:{30 + i // 2}:{30 * (i % 2):02} Glas;Gähnen;{word}\n" for i, word in enumerate(["Wach"] * 9))
    path.write_bytes(f"made on the ferry\n\nZeit;Güte;Phase\n{rows}".encode("cp1252"))
    shown = CliRunner().invoke(main, ["inspect", str(path), "--write-layout", str(layout)])
    assert shown.exit_code == 0, shown.output
    assert "the text is not UTF-8" in shown.stdout
    assert '  encoding    "cp1252"' in shown.stdout
    assert "time: the form of '22:30:00 Glas' and '22:34:00 Glas'" in shown.stdout
    assert "fill in 1 blank in it" in shown.stderr
    assert '\nencoding = "cp1252"' in layout.read_text("utf-8")


def test_the_encoding_is_picked_by_looking(tmp_path: Path) -> None:
    write(tmp_path, "")
    words = ["бодр"] * 4 + ["лёгкий"] * 20 + ["глубокий"] * 16
    rows = "".join(f"2026-03-01T22:{30 + i // 2}:{30 * (i % 2):02};{word}\n" for i, word in enumerate(words))
    (tmp_path / "band.csv").write_bytes(f"начало;стадия\n{rows}".encode("cp1251"))
    answers = [
        ("go on? [Y/n]:", ""),
        ("Which number [1]:", "2"),
        ("what ", "wake"),
        ("what ", "light"),
        ("what ", "deep"),
        ("[band.toml]:", ""),
    ]
    code, shown = on_terminal(["night", "lab.csv", "band.csv"], answers, tmp_path)
    assert code == 0, shown
    assert "  1  cp1251  where it reads 'бодр, лёгкий, глубокий'" in shown
    second = next(line.split()[1] for line in shown.splitlines() if line.startswith("  2  "))
    layout = (tmp_path / "band.toml").read_text("utf-8")
    assert f'\nencoding = "{second}"    # as answered\n' in layout
    assert "бодр".encode("cp1251").decode(second) in layout


@pytest.mark.parametrize(
    ("reference", "form", "told"),
    [
        ("", "%Y-%m-%dT%H:%M:%SZ", "the zone of the place of the night"),
        ("+02:00", "%Y-%m-%dT%H:%M:%S", "fill in the line 'zone', too"),
        ("", "%Y-%m-%dT%H:%M:%S", ""),
        ("+02:00", "%Y-%m-%dT%H:%M:%SZ", ""),
    ],
)
def test_a_zone_that_one_side_alone_tells_is_asked_for_at_once(
    tmp_path: Path, reference: str, form: str, told: str
) -> None:
    begins = datetime(2026, 3, 1, 22, 30)
    moments = [begins + timedelta(seconds=30 * i) for i in range(len(WORDS))]
    rows = [f"{moment:%Y-%m-%dT%H:%M:%S}{reference},W\n" for moment in moments]
    (tmp_path / "lab.csv").write_text("time,stage\n" + "".join(rows))
    (tmp_path / "band.csv").write_text(
        "When;Says\n" + "".join(f"{moment:{form}};{word}\n" for moment, word in zip(moments, WORDS, strict=True))
    )
    words = ["night", str(tmp_path / "lab.csv"), str(tmp_path / "band.csv"), "--no-input"]
    shown = CliRunner().invoke(main, words).output
    assert "is written by" in shown
    assert told in shown
    assert ("reference tells" in shown) is (reference != "" and not form.endswith("Z"))
    layout = tmp_path / "band.toml"
    CliRunner().invoke(main, ["inspect", words[2], "--write-layout", str(layout)])
    assert ('\nzone = ""' in layout.read_text()) is form.endswith("Z")
