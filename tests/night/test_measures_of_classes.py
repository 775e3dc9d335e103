"""Minutes and per cent of classes under mappings of one's own, worked by hand."""

from __future__ import annotations

from sleepagree import StageMapping, align, compare

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
