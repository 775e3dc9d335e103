"""Minutes and per cent of classes under mappings of one's own, worked by hand."""

from __future__ import annotations

import math

import pytest

from sleepagree import StageMapping, align, compare, read_hypnogram
from sleepagree.caution import CautionKind
from sleepagree.scoring.measures import MeasurePair

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
        assert found[measure].undefined_because == "it is not known which labels of the device are sleep"


OWN_REFERENCE = ["Wach"] * 20 + ["Leicht"] * 40 + ["Tief"] * 40 + ["Traum"] * 20 + ["Wach"] * 4 + ["Leicht"] * 36
OWN_DEVICE = ["Up"] * 22 + ["Shallow"] * 40 + ["Still"] * 40 + ["Shallow"] * 20 + ["Up"] * 4 + ["Shallow"] * 34


def measured_with_own_words(classes: dict[str, str], device: list[str]) -> dict[str, MeasurePair]:
    """Return the measures of a night of which a mapping alone explains the reference, by name."""
    words = {"Up": "Wach", "Shallow": "Leicht", "Still": "Tief", "wake": "Wach", "light": "Leicht", "deep": "Tief"}
    names = tuple(dict.fromkeys(classes.values()))
    mapping = StageMapping("own", names, names, classes, {own: classes[words[own]] for own in set(device)})
    own = frozenset(OWN_REFERENCE + OWN_DEVICE)
    reference, other = (read_hypnogram(labels, own_words=own) for labels in (OWN_REFERENCE, device))
    night = compare(align(reference=reference, device=other), mappings=[mapping])
    told = {caution["of_side"] for caution in night.cautions if caution.kind is CautionKind.SLEEP_UNTOLD}
    assert told == {side for side in ("reference", "device") if math.isnan(getattr(night.measures[1], side))}
    return {pair.measure: pair for pair in night.measures}


def test_words_in_a_class_of_wake_known_by_its_name_tell_sleep_from_wake() -> None:
    """By hand: 136 of 160 epochs asleep, 10 min before the first, 4 epochs awake after it; the device is 1 min late."""
    found = measured_with_own_words({"Wach": "wake", "Leicht": "light", "Tief": "deep", "Traum": "light"}, OWN_DEVICE)
    told = {name: (found[name].reference, found[name].device) for name in ("TST", "SOL", "WASO", "awakenings")}
    assert told == {"TST": (68.0, 67.0), "SOL": (10.0, 11.0), "WASO": (2.0, 2.0), "awakenings": (1.0, 1.0)}
    assert (found["deep latency"].reference, found["deep latency"].device) == (20.0, 20.0)


@pytest.mark.parametrize(
    "classes",
    [
        {"Wach": "up", "Leicht": "shallow", "Tief": "deep", "Traum": "shallow"},
        {"Wach": "not deep", "Leicht": "not deep", "Tief": "deep", "Traum": "not deep"},
    ],
)
def test_where_no_class_is_known_to_be_wake_alone_nobody_is_taken_to_sleep_all_night(classes: dict[str, str]) -> None:
    found = measured_with_own_words(classes, OWN_DEVICE)
    assert (found["minutes deep"].reference, found["minutes deep"].device) == (20.0, 20.0)
    for name in ("TST", "SOL", "WASO", "SE", "awakenings", "deep latency", "percent deep"):
        assert math.isnan(found[name].reference), name
        assert found[name].undefined_because == "it is not known which labels of either side are sleep"


def test_a_class_that_holds_the_devices_wake_and_sleep_does_not_tell_them_apart_for_the_reference() -> None:
    plain = [{"Up": "wake", "Shallow": "light", "Still": "deep"}[label] for label in OWN_DEVICE]
    classes = {"Wach": "not deep", "Leicht": "not deep", "Tief": "deep", "Traum": "not deep"}
    found = measured_with_own_words(classes, plain)
    assert math.isnan(found["TST"].reference)
    assert (found["TST"].device, found["SOL"].device) == (67.0, 11.0)
    assert found["TST"].undefined_because == "it is not known which labels of the reference are sleep"


def test_an_epoch_whose_word_may_be_wake_or_sleep_counts_on_neither_side() -> None:
    """The device is right wherever it says wake or sleep, and has no bias."""
    reference = ["W"] * 10 + ["N2"] * 60 + ["W"] * 10 + ["R"] * 20
    device = ["wake"] * 10 + ["light"] * 30 + ["wake-or-sleep"] * 36 + ["wake"] * 4 + ["rem"] * 20
    night = compare(align(reference=reference, device=device))
    found = {pair.measure: pair for pair in night.measures}
    told = {name: (found[name].reference, found[name].device) for name in ("TIB", "TST", "SOL", "WASO", "percent rem")}
    assert told == {
        "TIB": (50.0, 50.0),
        "TST": (25.0, 25.0),
        "SOL": (5.0, 5.0),
        "WASO": (2.0, 2.0),
        "percent rem": (40.0, 40.0),
    }
    assert night.uncounted is not None
    assert (night.uncounted["scored_min"], night.uncounted["untold_min"]) == (32.0, 18.0)


def test_percentages_are_of_sleep_that_is_in_a_class_of_both_sides() -> None:
    """The device says no more than "asleep" for 20 of 60 min; of the other 40 it calls a quarter deep."""
    reference = ["W"] * 10 + ["N3"] * 40 + ["N2"] * 80
    device = ["wake"] * 10 + ["asleep"] * 40 + ["light"] * 60 + ["deep"] * 20
    found = {p.measure: p for p in compare(align(reference=reference, device=device)).measures}
    assert (found["TST"].reference, found["TST"].device) == (60.0, 60.0)
    assert (found["minutes light"].reference, found["minutes light"].device) == (40.0, 30.0)
    assert (found["percent light"].reference, found["percent light"].device) == (100.0, 75.0)
    assert (found["percent deep"].reference, found["percent deep"].device) == (0.0, 25.0)
