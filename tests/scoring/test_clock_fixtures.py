"""Nights under awkward clocks: the device of these fixtures agrees in every epoch, once its clock is read right.

What must come out stands in fixtures/clocks/truth.json and follows from how the files are written out: elapsed
minutes placed in a zone by the standard library's zoneinfo.
"""

import dataclasses
import json
from pathlib import Path

import pytest

from sleepagree.errors import ClockError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.ledger import Status
from sleepagree.readers import read_spans
from sleepagree.readers.layout import read_layout

CLOCKS = Path(__file__).resolve().parents[2] / "fixtures" / "clocks"
CASES = json.loads((CLOCKS / "truth.json").read_text("utf-8"))
CLASS_OF = {"W": "W", "N1": "light", "N2": "light", "N3": "N3", "R": "R"}


def pair(case):
    reference = read_spans(CLOCKS / case["reference"], zone=case["reference_zone"])
    device = read_spans(CLOCKS / case["device"], layout=read_layout(CLOCKS / case["layout"]))
    return align(reference=reference, device=device)


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "scored" in case["expected"]])
def test_a_night_whose_clock_is_read_right_agrees_in_every_epoch(name):
    expected = CASES[name]["expected"]
    paired = pair(CASES[name])
    assert paired.ledger.window_epochs == expected["window_epochs"]
    assert paired.ledger.scored == expected["scored"]
    late_epochs = expected["device_starts_after_reference_s"] // 30
    assert (paired.status[:late_epochs] == Status.DEVICE_GAP).all()
    scored = paired.status == Status.SCORED
    agreeing = sum(
        CLASS_OF[paired.reference_set.stages[row]] == paired.device_set.stages[column]
        for row, column in zip(paired.reference[scored], paired.device[scored], strict=True)
    )
    assert agreeing == expected["agreeing"]


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "error" in case["expected"]])
def test_a_start_that_names_two_moments_or_none_is_refused_with_both_readings(name):
    expected = CASES[name]["expected"]
    with pytest.raises(ClockError) as refusal:
        pair(CASES[name])
    for reading in expected["names_utc"]:
        assert reading in str(refusal.value)
    assert refusal.value.path == CASES[name]["reference"]


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if name.endswith("-utc")])
def test_utc_against_a_local_clock_without_a_zone_is_refused_with_the_option_to_give(name):
    case = CASES[name]
    with pytest.raises(ClockError, match="--reference-zone"):
        pair({**case, "reference_zone": None})


def test_a_local_clock_read_without_its_zone_would_be_an_hour_off():
    # what the zone is for: as bare clock readings the night agrees before the change and not after it
    case = CASES["spring-local"]
    reference = read_spans(CLOCKS / case["reference"])
    layout = dataclasses.replace(read_layout(CLOCKS / case["layout"]), zone=None)
    device = read_spans(CLOCKS / case["device"], layout=layout)
    paired = align(reference=reference, device=device)
    scored = paired.status == Status.SCORED
    agree = [
        CLASS_OF[paired.reference_set.stages[row]] == paired.device_set.stages[column]
        for row, column in zip(paired.reference[scored], paired.device[scored], strict=True)
    ]
    before = (90 - 10) * 2
    assert all(agree[:before])
    assert not all(agree[before:])
