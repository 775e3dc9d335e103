"""Minutes and per cent of classes under mappings of one's own, worked by hand."""

from __future__ import annotations

import math

from sleepagree import StageMapping, align, compare, read_hypnogram

SCORER = ["W"] * 10 + ["N1"] * 10 + ["N2"] * 40 + ["N3"] * 20 + ["R"] * 20


def test_a_class_that_holds_wake_has_no_share_of_sleep():
    deep_or_not = StageMapping(
        "deep or not",
        ("deep", "not deep"),
        ("deep", "not deep"),
        {"W": "not deep", "N1": "not deep", "N2": "not deep", "N3": "deep", "R": "not deep"},
        {"wake": "not deep", "light": "not deep", "deep": "deep"},
    )
    device = ["wake"] * 10 + ["light"] * 70 + ["deep"] * 20
    measures = {m.measure: m for m in compare(align(reference=SCORER, device=device), mappings=deep_or_not).measures}
    assert measures["minutes not deep"].reference == 40.0
    assert "percent not deep" not in measures
    # 10 of 45 minutes asleep
    assert round(measures["percent deep"].reference, 2) == 22.22


def test_a_label_known_by_a_class_of_wake_and_sleep_alone_tells_neither() -> None:
    """The device's own words stand in the mapping only: nobody says that Shallow is sleep."""
    mapping = StageMapping(
        "deep-or-not",
        ("deep", "not deep"),
        ("deep", "not deep"),
        tuple({"W": "not deep", "N1": "not deep", "N2": "not deep", "N3": "deep", "R": "not deep"}.items()),
        (),
        "",
        device_labels=(("Shallow", "not deep"), ("Still", "deep")),
    )
    words = frozenset({"Shallow", "Still"})
    device = read_hypnogram(["Shallow"] * 60 + ["Still"] * 60, own_words=words)
    night = compare(align(reference=["W"] * 20 + ["N2"] * 40 + ["N3"] * 60, device=device), mappings=[mapping])
    found = {pair.measure: pair for pair in night.measures}
    assert (found["minutes deep"].device, found["TST"].reference) == (30.0, 50.0)
    for measure in ("TST", "SOL", "WASO", "SE", "percent deep"):
        assert math.isnan(found[measure].device)
        assert found[measure].undefined_because == "a label of the device holds wake and sleep"
