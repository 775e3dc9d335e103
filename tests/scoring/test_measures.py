"""Sleep measures against hypnograms worked by hand.

The ten nights and their figures were worked by hand and recomputed independently (recomputed; definitions of the
AASM manual as commonly quoted, the manual itself was not opened). WASO here is wake from sleep onset to lights on.
"""

from __future__ import annotations

import doctest
import math
import re
from pathlib import Path

import numpy as np
import pytest

from sleepagree.hypnogram.align import align
from sleepagree.night.compare import compare
from sleepagree.night.measures import measure_sides
from sleepagree.readers.memory import read_hypnogram

NAN = math.nan
NAMES = ("tib_min", "tst_min", "sol_min", "waso_min", "se_percent", "awakenings", "rem_latency_min")

#: id, epochs, then TIB, TST, SOL, WASO, SE, awakenings, REM latency from sleep onset.
WORKED = [
    ("A ordinary", "W W N1 N2 N2 W N2 N3 R R W W", (6, 3.5, 1, 1.5, 58.3333, 1, 3)),
    ("B no sleep", "W W W W W W", (3, 0, NAN, NAN, 0, NAN, NAN)),
    ("C asleep until lights on", "W N1 N2 R", (2, 1.5, 0.5, 0, 75, 0, 1)),
    ("D first epoch sleep", "N2 N2 W N2", (2, 1.5, 0, 0.5, 75, 1, NAN)),
    ("E no REM", "W N1 N2 N3", (2, 1.5, 0.5, 0, 75, 0, NAN)),
    ("F one unscored epoch", "W W N2 ? N2 W", (3, 1, 1, 0.5, 33.3333, 0, NAN)),
    ("G lone early N1", "N1 W W N2 N2 N2 W R", (4, 2.5, 0, 1.5, 62.5, 2, 3.5)),
    ("H sleep-onset REM", "W R R N2", (2, 1.5, 0.5, 0, 75, 0, 0)),
    ("I single epoch R", "R", (0.5, 0.5, 0, 0, 100, 0, 0)),
    ("J never returns to sleep", "N1 W W W", (2, 0.5, 0, 1.5, 25, 0, NAN)),
]


@pytest.mark.parametrize(("name", "text", "expected"), WORKED, ids=[row[0] for row in WORKED])
def test_hand_worked_night(name: str, text: str, expected: tuple[float, ...]) -> None:
    night = read_hypnogram(text.split())
    reports = ("W", "N1", "N2", "N3", "R")
    paired = align(reference=night.with_changes(reports=reports), device=night, reports=reports)
    for side in measure_sides(paired, None):
        for field, value in zip(NAMES, expected, strict=True):
            assert getattr(side, field) == pytest.approx(value, abs=5e-5, nan_ok=True), field


@pytest.mark.parametrize(
    ("text", "awakenings"),
    [("N2 W ? N2", 1), ("N2 ? W N2", 1), ("N2 W ? W N2", 1), ("N2 W ? ?", 0), ("N2 W ? N2 W N2", 2)],
)
def test_silence_between_wake_and_sleep_hides_no_awakening(text: str, awakenings: int) -> None:
    # worked by hand: a run of wake that sleep follows, whatever was not scored between the two
    night = read_hypnogram(text.split())
    paired = align(reference=night, device=night)
    assert [side.awakenings for side in measure_sides(paired, None)] == [awakenings, awakenings]


def test_percent_of_tst_of_the_ordinary_night() -> None:
    reference, device = "W W N1 N2 N2 W N2 N3 R R W W".split(), "W W N2 N2 N2 N2 N2 N3 R N1 W W".split()
    night = compare(align(reference=read_hypnogram(reference), device=read_hypnogram(device)))
    percent = {p.measure: (p.reference, p.device) for p in night.measures if p.measure.startswith("percent")}
    # worked by hand: 1, 3, 1 and 2 of 7 sleep epochs of the reference; 1, 5, 1 and 1 of 8 of the device
    by_hand = {"N1": (14.2857, 12.5), "N2": (42.8571, 62.5), "N3": (14.2857, 12.5), "R": (28.5714, 12.5)}
    assert percent == {f"percent {name}": pytest.approx(sides, abs=5e-5) for name, sides in by_hand.items()}


def test_differences_are_device_minus_reference() -> None:
    from sleepagree.night.compare import compare

    reference = read_hypnogram("W W N2 N2 N2 W".split())
    device = read_hypnogram("W W W N2 N2 N2".split())
    night = compare(align(reference=reference, device=device))
    found = {pair.measure: pair.difference for pair in night.measures}
    assert found["SOL"] == 0.5
    assert found["TST"] == 0
    assert found["WASO"] == -0.5


def test_a_stage_the_device_has_no_label_for_is_undefined_with_a_reason() -> None:
    from sleepagree.night.compare import compare

    reference = read_hypnogram("W N2 N3 R R N1".split())
    device = read_hypnogram("wake light deep deep light light".split(), reports=("wake", "light", "deep"))
    pairs = {p.measure: p for p in compare(align(reference=reference, device=device)).measures}
    assert math.isnan(pairs["minutes rem"].device)
    assert pairs["minutes rem"].reference == 1.0
    assert pairs["minutes rem"].undefined_because == "the device has no label for it"
    assert pairs["REM latency"].undefined_because == "the device has no label for it"
    assert pairs["minutes deep"].difference == 0.5
    assert np.isnan(pairs["percent rem"].difference)


def test_worked_examples_of_the_methods_page():
    page = Path(__file__).parents[2] / "docs" / "methods_measures.md"
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.failed == 0
    assert outcome.attempted >= 5


def test_every_measure_of_a_night_stands_on_the_methods_page():
    text = (Path(__file__).parents[2] / "docs" / "methods_measures.md").read_text("utf-8")
    night = compare(align(reference=read_hypnogram(["W", "N2"]), device=read_hypnogram(["W", "N2"])))
    for pair in night.measures:
        name = re.sub("^(minutes|percent) .*", r"\1 CLASS", pair.measure)
        assert re.search(rf"^\| {name}\b.* \| {re.escape(pair.unit)} \|", text, re.MULTILINE), pair.measure
