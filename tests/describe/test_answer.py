"""The answer of a night stands first, fits a screen, and its numbers are those of the table of counts."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sleepagree.caution import Caution, CautionKind
from sleepagree.describe.answer import next_step
from sleepagree.describe.blocks import Command
from sleepagree.describe.night import describe_night
from sleepagree.describe.study import describe_study
from sleepagree.hypnogram.align import align
from sleepagree.night.answer import answer_night
from sleepagree.night.compare import NightAgreement, compare
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.columns import columns_of, wrap
from sleepagree.render.night_json import night_document
from sleepagree.render.terminal import SAY_FULL, render_terminal
from sleepagree.scoring.disagreement import describe_disagreement
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.summarise import summarise_study
from tests import drawn
from tests.commands import ended
from tests.ferry import simulated_nights

ROOT = Path(__file__).parents[2]


def night_of(reference: str, device: str) -> NightAgreement:
    words = {"W": "W", "1": "N1", "2": "N2", "3": "N3", "R": "R"}
    can_say = tuple(words.values())
    sides = [read_hypnogram([words[letter] for letter in side], reports=can_say) for side in (reference, device)]
    return compare(align(reference=sides[0], device=sides[1]))


NIGHTS = {
    "with REM": drawn.night_with_rem,
    "without REM": drawn.night_without_rem,
    "perfect": lambda: night_of("WW2233RR22" * 20, "WW2233RR22" * 20),
    "no overlap of classes": lambda: night_of("WWWWWWWWWW" * 20, "2222222222" * 20),
}


@pytest.mark.parametrize("kind", NIGHTS)
@pytest.mark.parametrize("width", [80, 40])
def test_the_answer_fits_a_screen_and_tells_of_the_rest(kind: str, width: int) -> None:
    lines = render_terminal(describe_night(NIGHTS[kind](), next_command="sleepagree clock a.edf b.csv"), width=width)
    assert lines[-1] == SAY_FULL
    assert max(map(columns_of, lines)) <= width
    assert len(lines) <= 48
    assert not any("-0.0" in line for line in lines)


def test_the_first_twelve_lines_tell_what_deep_was_and_how_much_rem_there_is() -> None:
    night = drawn.night_without_rem()
    counts = night.mappings[0].counts
    rows, columns = night.mappings[0].mapping.reference_classes, night.mappings[0].mapping.device_classes
    deep = counts[:, columns.index("deep")]
    rem = int(deep[rows.index("rem")])
    told = " ".join(" ".join(render_terminal(describe_night(night))[:12]).split())
    assert f"In {100 * night.mappings[0].table.accuracy:.0f} of 100 epochs" in told
    assert f"Of {deep.sum() / 2:.1f} min called deep: " in told
    share, of_night = 100 * rem / deep.sum(), 100 * counts[rows.index("rem")].sum() / counts.sum()
    assert f"{rem / 2:.1f} REM ({share:.0f} %; REM is {of_night:.0f} % of the night)" in told


def test_beside_a_device_with_rem_deep_sleep_tells_rem_and_its_share_of_the_night() -> None:
    told = "\n".join(render_terminal(describe_night(night_of("33333333RR22" * 10, "333333333322" * 10))))
    assert "Of 50.0 min called N3: 40.0 N3, 10.0 REM (20 %; REM is 17 % of the night)." in " ".join(told.split())
    none = "\n".join(render_terminal(describe_night(night_of("3333RR22" * 10, "3333RR22" * 10))))
    assert "All 20.0 min called N3 were N3, no REM (REM is 25 % of the night)." in " ".join(none.split())


def test_what_is_next_fits_the_night() -> None:
    later = night_of("WW2233RR22" * 20 + "W" * 40, "W" * 20 + "WW2233RR22" * 20 + "W" * 20)
    assert next_step(later) == "clock"
    assert next_step(drawn.night_without_rem()) == "mappings"
    assert next_step(night_of("WW2233RR22" * 20, "WW2233RR22" * 20)) == "nights"


def test_a_number_keeps_its_unit_on_its_line() -> None:
    text = "1 min and 22 % of 7 h 30.5 min, z = -3.2 and p < 0.001 or p = 0.050"
    for width in range(12, 40):
        lines = wrap(text, indent="", hang="", width=width)
        assert " ".join(lines) == text
        assert not [line for line in lines if line.split()[0] in ("%", "min", "h", "=", "<")]


def test_json_tells_the_answer_from_the_counts() -> None:
    night = drawn.night_without_rem()
    first, found = night.mappings[0], night_document(night)["answer"]
    assert found["same_stage"] == first.table.accuracy
    assert found["best_possible"] == first.ceiling.accuracy
    for j, device_class in enumerate(found["device_classes"]):
        column = first.counts[:, j]
        assert device_class["minutes"] == column.sum() / 2
        assert list(device_class["from"].values()) == pytest.approx((column / column.sum()).tolist())
    shares = first.counts.sum(axis=1) / first.counts.sum()
    assert list(found["reference_shares"].values()) == pytest.approx(shares.tolist())


def test_a_class_that_the_device_never_gave_has_no_shares() -> None:
    night = night_of("WW22" * 10, "2222" * 10)
    found = {c["class"]: c["from"] for c in night_document(night)["answer"]["device_classes"]}
    assert set(found["W"].values()) == {None}
    assert "No epoch was called wake." in "\n".join(render_terminal(describe_night(night)))
    assert answer_night(night).same_stage == 0.5


def test_epochs_of_a_stage_without_a_label_are_no_disagreement_in_time() -> None:
    reference = np.array([0, 0, 2, 2, 2, 0, 0, 1])
    device = np.array([0, 1, 0, 0, 0, 0, 0, 1])
    found = describe_disagreement(
        reference, device, np.arange(8), classes=("light", "deep", "rem"), unreported=("rem",)
    )
    assert (found.epochs, found.agreeing, found.unreported_epochs) == (5, 4, 3)
    assert (found.runs.count, found.runs.longest) == (1, 1)
    assert [part.epochs for part in found.thirds] == [2, 1, 2]


@pytest.mark.parametrize(("more", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False)], ids=["colour", "NO_COLOR"])
def test_a_terminal_gets_colour_unless_told_otherwise(more: dict[str, str], *, coloured: bool) -> None:
    night = "fixtures/ferry/{}/crew-1-night-1.{}"
    words = [night.format("reference", "edf"), night.format("band-a", "csv"), "--layout", "fixtures/ferry/band-a.toml"]
    environment = {k: v for k, v in os.environ.items() if k != "NO_COLOR"} | {"TERM": "xterm"} | more
    ours, theirs = pty.openpty()
    run = [sys.executable, "-m", "sleepagree", "night", *words, "--quiet"]
    subprocess.run(run, stdout=theirs, stderr=subprocess.DEVNULL, env=environment, cwd=ROOT, check=True)
    os.close(theirs)
    seen = os.read(ours, 100_000)
    os.close(ours)
    assert (b"\x1b[" in seen) is coloured


def test_learning_a_correction_prints_one_screen(tmp_path: Path) -> None:
    words = ROOT / "fixtures" / "ferry" / "nights.csv", "--device", "pad B", "--out", tmp_path / "learnt"
    lines = ended("calibrate", *words).stdout.splitlines()
    assert len(lines) <= 48
    assert max(columns_of(line) for line in lines if "learnt" not in line) <= 80


def test_a_study_says_what_is_next(monkeypatch: pytest.MonkeyPatch) -> None:
    nights = simulated_nights(30, 2)
    study = summarise_study(nights, StudyOptions(resamples=20))

    def command_for(found: StudyAgreement) -> str:
        (section,) = [s for s in describe_study(found, folder="out").answer if s.name == "answer-next"]
        return next(block.text for block in section.blocks if isinstance(block, Command))

    monkeypatch.setattr("sleepagree.describe.closing.say_caution", lambda caution, _: repr(caution))
    calm = replace(study, cautions=())
    doubtful = replace(study, cautions=(Caution.of(CautionKind.CLOCKS_DOUBTFUL),))
    assert command_for(doubtful) == "sleepagree clock REFERENCE DEVICE"
    assert command_for(calm).startswith("sleepagree plan --from out/results.json --device ")
    monkeypatch.setattr("sleepagree.describe.study.is_open", lambda _: False)
    assert command_for(calm) == "sleepagree calibrate NIGHTS --out DIR --device 'band A'"
