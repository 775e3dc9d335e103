"""Where unreported epochs went and what a bias is made of, by hand; Wilson intervals against statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.words import speak
from sleepagree.mapping.mapping import StageMapping, mapping_named
from sleepagree.mapping.sets import make_stage_set
from sleepagree.mapping.words import AASM_STAGES
from sleepagree.night.compare import compare
from sleepagree.scoring.redistribution import BiasSource, account_for_bias, trace_unreported_stage, unreported_stages
from tests.worked import pair, side

LAB = make_stage_set(AASM_STAGES, AASM_STAGES)
NIGHT = ("W N1 N1 N2 N2 N3 N3 R R R W N2", "wake wake light light deep deep light deep light deep wake light")


def reporting(*stages: str):
    return make_stage_set(stages, stages, reports=stages)


# --- which stages are traced ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("device", "traced"),
    [
        (("W", "N1", "N2", "N3", "R"), ()),
        (("W", "light", "N3", "R"), ()),
        (("W", "light", "N3"), ("R",)),
        (("W", "N2", "N3", "R"), ("N1",)),
        (("W", "light", "R"), ("N3",)),
        (("W", "nrem", "R"), ("N1", "N2", "N3")),
        (("W", "sleep"), ("N1", "N2", "N3", "R")),
        (("W", "wake-or-sleep", "sleep"), ("N1", "N2", "N3", "R")),
        (("W", "light-or-rem", "N3"), ("N1", "N2", "R")),
    ],
)
def test_stages_that_no_label_of_the_device_names(device, traced):
    assert unreported_stages(LAB, reporting(*device)) == traced


def test_a_reference_of_four_classes_has_light_sleep_to_trace():
    four = reporting("W", "light", "N3", "R")
    assert unreported_stages(four, reporting("W", "sleep")) == ("N3", "R", "light")
    assert unreported_stages(four, reporting("W", "N1", "N2", "N3", "R")) == ()
    assert unreported_stages(reporting("W", "nrem", "R"), reporting("W", "light", "N3")) == ("R",)
    assert unreported_stages(reporting("W", "sleep"), reporting("W", "sleep")) == ()
    paired = pair(side("wake light light deep rem"), side("wake asleep*3 wake"))
    traced = {r.stage: r for r in compare(paired).redistribution}
    assert [(d.name, d.epochs) for d in traced["light"].to] == [("wake", 0), ("sleep", 2)]


# --- the account of one stage --------------------------------------------------------------------------------


def test_redistribution_by_hand():
    """REM is epochs 8, 9 and 10 of 12; the device calls them deep, light, deep; it says light 5 and deep 4 times."""
    (traced,) = compare(pair(NIGHT[0], side(NIGHT[1]))).redistribution
    assert (traced.stage, traced.epochs, traced.minutes) == ("R", 3, 1.5)
    found = [(d.name, d.epochs, d.minutes, d.share, d.share_of_class) for d in traced.to]
    assert found == [
        ("wake", 0, 0.0, 0.0, 0.0),
        ("light", 1, 0.5, pytest.approx(1 / 3), pytest.approx(1 / 5)),
        ("deep", 2, 1.0, pytest.approx(2 / 3), pytest.approx(2 / 4)),
    ]
    for d in traced.to:
        low, high = proportion_confint(d.epochs, 3, method="wilson")
        assert (d.low, d.high) == pytest.approx((low, high), abs=1e-12)
        assert d.primary_low <= low
        assert high <= d.primary_high
    # thirds are epochs 1-4, 5-8 and 9-12 of the window
    nothing = (("wake", 0), ("light", 0), ("deep", 0))
    assert traced.thirds == (
        nothing,
        (("wake", 0), ("light", 0), ("deep", 1)),
        (("wake", 0), ("light", 1), ("deep", 1)),
    )
    (episode,) = traced.episodes
    assert (episode.first_epoch, episode.last_epoch, episode.epochs) == (7, 9, 3)
    assert episode.to == (("wake", 0), ("light", 1), ("deep", 2))


def test_an_episode_joins_gaps_under_15_minutes():
    """29 epochs between two REM epochs are 14.5 min, 30 are 15 min."""
    reference = "W*5 R*4 N2*29 R*2 N2*30 R*3 W*5"
    device = "wake*5 light*2 deep*2 light*29 light*2 light*30 deep*3 wake*5"
    (traced,) = compare(pair(reference, side(device))).redistribution
    spans = [(e.first_epoch, e.last_epoch, e.epochs, dict(e.to)) for e in traced.episodes]
    assert spans == [(5, 39, 6, {"wake": 0, "light": 4, "deep": 2}), (70, 72, 3, {"wake": 0, "light": 0, "deep": 3})]


def test_epochs_the_device_did_not_stage_are_in_no_share():
    (traced,) = compare(pair("W R R R R N2", side("wake light - ? deep light"))).redistribution
    assert [(d.name, d.epochs) for d in traced.to] == [("wake", 0), ("light", 1), ("deep", 1)]
    assert sum(e.epochs for e in traced.episodes) == 2


def test_labels_that_the_mapping_leaves_out_have_a_column_of_their_own():
    device = side("wake light asleep deep asleep", reports=("wake", "light", "deep", "asleep"))
    (traced,) = compare(pair("W N2 R R R", device)).redistribution
    assert [(d.name, d.epochs) for d in traced.to] == [("wake", 0), ("light", 0), ("deep", 1), ("left out", 2)]


def test_a_night_without_the_stage_has_no_shares():
    device = side("wake light", reports=("wake", "light", "deep"))
    (traced,) = compare(pair("W N2", device)).redistribution
    assert (traced.epochs, traced.episodes) == (0, ())
    assert all(math.isnan(d.share) and math.isnan(d.low) and math.isnan(d.primary_low) for d in traced.to)
    assert [d.share_of_class for d in traced.to] == [0.0, 0.0, pytest.approx(math.nan, nan_ok=True)]


def test_an_asleep_awake_device_is_traced_for_every_stage():
    traced = compare(pair("W N1 N2 N3 R R", side("wake wake asleep*3 wake"))).redistribution
    assert [(r.stage, [(d.name, d.epochs) for d in r.to]) for r in traced] == [
        ("N1", [("wake", 1), ("sleep", 0)]),
        ("N2", [("wake", 0), ("sleep", 1)]),
        ("N3", [("wake", 0), ("sleep", 1)]),
        ("R", [("wake", 1), ("sleep", 1)]),
    ]


def test_all_of_a_stage_in_one_class_tells_as_much_as_its_episodes_are_many():
    """Three episodes of REM, all called light: Wilson's interval of 3 of 3 with t(2) by scipy."""
    at = np.zeros(400, dtype=bool)
    for begin in (50, 180, 300):
        at[begin : begin + 40] = True
    traced = trace_unreported_stage("R", is_stage=at, device_classes=np.ones(400, int), names=("wake", "light"))
    t = stats.t.ppf(0.975, 2)
    wake, light = traced.to
    assert (light.primary_low, light.primary_high) == pytest.approx((3 / (3 + t * t), 1.0))
    assert (wake.primary_low, wake.primary_high) == pytest.approx((0.0, t * t / (3 + t * t)))
    assert light.low == pytest.approx(120 / (120 + 1.959964**2), abs=1e-6)


def test_intervals_of_answers_that_last_surround_the_share_and_are_wider():
    rng = np.random.default_rng(3)
    reference = " ".join(f"N2*{rng.integers(20, 60)} R*{rng.integers(10, 40)}" for _ in range(12))
    labels = ["light" if rng.random() < 0.4 else "deep" for _ in range(1000)]
    device = " ".join(f"{label}*{7}" for label in labels)
    (traced,) = compare(pair(reference, side("wake " + device)), mappings=[mapping_named("rem-apart")]).redistribution
    for d in traced.to[1:]:
        assert d.primary_low < d.share < d.primary_high
        # errors come in runs of 7 epochs: epochs taken as independent tell too short an interval
        assert d.primary_high - d.primary_low > d.high - d.low


# --- the account of a bias -----------------------------------------------------------------------------------


def test_bias_account_by_hand():
    """Counts: wake 2 0 0, light 1 3 1, deep 0 1 1, REM 0 1 2 epochs; in minutes half of each."""
    wake, light, deep = compare(pair(NIGHT[0], side(NIGHT[1]))).bias_sources
    assert wake == BiasSource(
        "wake", 0.5, (("light", 0.5), ("deep", 0.0), ("rem", 0.0)), (("light", 0.0), ("deep", 0.0)), 0.5, "deep", 0.5
    )
    assert light == BiasSource(
        "light", 0.0, (("wake", 0.0), ("deep", 0.5), ("rem", 0.5)), (("wake", 0.5), ("deep", 0.5)), -0.5, "deep", 0.0
    )
    assert deep == BiasSource(
        "deep", 1.0, (("wake", 0.0), ("light", 0.5), ("rem", 1.0)), (("wake", 0.0), ("light", 0.5)), 0.0, "deep", -0.5
    )
    assert say_bias_source(deep) == "deep: +1.0 min = +1.0 from REM, +0.5 from light, -0.5 lost to light"
    assert (
        say_bias_source(light) == "light: 0.0 min = +0.5 from deep, +0.5 from REM, -0.5 lost to wake, -0.5 lost to deep"
    )


def test_a_counterfactual_equals_the_mapping_that_assumes_it():
    """Without REM is 'rem-left-out'; REM counted as the class that took most of it is 'rem-as-deep'."""
    paired = pair(NIGHT[0], side(NIGHT[1]))
    left_out, as_deep = (
        compare(paired, mappings=[mapping_named(name)]).bias_sources for name in ("rem-left-out", "rem-as-deep")
    )
    for source, without, returned in zip(compare(paired).bias_sources, left_out, as_deep, strict=True):
        assert source.without_unreported_min == without.bias_min
        assert (source.returned_to, source.returned_min) == ("deep", returned.bias_min)


def test_a_class_that_was_never_confused_says_so():
    (a, _) = account_for_bias(np.diag([4, 5]), reference_classes=("wake", "sleep"), device_classes=("wake", "sleep"))
    assert say_bias_source(a) == "wake: 0.0 min: no epoch of it was confused"
    assert (math.isnan(a.without_unreported_min), a.returned_to) == (True, "")


tables = st.integers(2, 6).flatmap(
    lambda rows: st.tuples(
        st.lists(st.lists(st.integers(0, 2000), min_size=rows, max_size=rows), min_size=rows, max_size=rows),
        st.sets(st.integers(0, rows - 1), min_size=2, max_size=rows),
    )
)


@given(tables)
def test_the_account_adds_up_to_the_last_half_minute(case):
    """Against the definition: device minutes less reference minutes, class by class."""
    rows, kept = case
    counts = np.array(rows)[:, sorted(kept)]
    names = [f"class {i}" for i in range(len(rows))]
    device = [names[i] for i in sorted(kept)]
    sources = account_for_bias(counts, reference_classes=names, device_classes=device)
    unreported = sum(counts[i].sum() for i in range(len(rows)) if i not in kept) / 2
    for j, source in enumerate(sources):
        bias = counts[:, j].sum() / 2 - counts[names.index(device[j])].sum() / 2
        assert source.bias_min == bias
        assert sum(m for _, m in source.gained) - sum(m for _, m in source.lost) == bias
        if len(device) < len(names):
            of_unreported = sum(m for name, m in source.gained if name not in device)
            assert source.without_unreported_min == bias - of_unreported
            assert source.returned_min == bias - (unreported if source.returned_to == device[j] else 0)
    assert sum(s.bias_min for s in sources) == unreported


def test_words_of_sentences():
    assert [speak(n) for n in ("W", "R", "rem", "N2", "deep")] == ["wake", "REM", "REM", "N2", "deep"]


@pytest.mark.parametrize("epochs", [100, 101, 950, 961])
def test_thirds_of_the_window_are_cut_as_those_of_agreement(epochs):
    found = trace_unreported_stage(
        "R", is_stage=np.ones(epochs, bool), device_classes=np.zeros(epochs, int), names=("wake", "light")
    )
    ends = [sum(number * 3 // epochs == part for number in range(epochs)) for part in range(3)]
    assert [dict(third)["wake"] for third in found.thirds] == ends


def test_a_label_that_a_mapping_takes_into_wake_leaves_no_wake_to_look_for():
    classes = ("wake", "asleep")
    stages = (("W", "wake"), *((stage, "asleep") for stage in ("N1", "N2", "N3", "R")))
    labels = (("Yo", "wake"), ("Zed", "asleep"))
    mapping = StageMapping("up or down", classes, classes, stages, (), device_labels=labels)
    device = make_stage_set(("Yo", "Zed"), ("Yo", "Zed"))
    assert unreported_stages(LAB, device) == ("W", "N1", "N2", "N3", "R")
    assert unreported_stages(LAB, device, mapping) == ("N1", "N2", "N3", "R")


def test_a_label_in_a_class_of_many_stages_names_none_of_them() -> None:
    device = reporting("W", "light", "N3")
    stages = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "light"}
    classes = ("wake", "light", "deep")
    labels = (("Up", "wake"), ("Shallow", "light"), ("Deep", "deep"))
    merged = StageMapping("own", classes, classes, tuple(stages.items()), (), "", device_labels=labels)
    assert unreported_stages(LAB, device, merged) == ("R",)
    asleep = {"W": "leave-out", **{s: c for s, c in stages.items() if s != "W"}, "R": "leave-out"}
    said = ("Up", "leave-out"), *labels[1:]
    apart = StageMapping("own", classes[1:], classes[1:], tuple(asleep.items()), (), "", device_labels=said)
    assert unreported_stages(LAB, device, apart) == ("R",)


OWN = {"Up": "up", "Shallow": "shallow", "Sunk": "deep"}


@pytest.mark.parametrize(
    ("merged", "traced"),
    [
        ({}, ("R",)),  # REM is left out
        ({"R": "shallow"}, ("R",)),
        ({"R": "deep"}, ("R",)),
        ({"R": "up"}, ("R",)),
        ({"N1": "up"}, ("N1", "R")),  # no word for N1 alone, and Shallow is N2
        ({"N1": "up", "R": "up"}, ("N1", "R")),
        ({"N3": "shallow", "R": "deep"}, ("N1", "N2", "N3")),  # three depths in one word: it names none of them
    ],
    ids=str,
)
def test_a_word_names_what_its_class_holds_beside_a_stage_that_is_merged_into_it(merged, traced):
    """The device's words are its wake, light and deep sleep; a mapping file counts REM, or N1, as one of them."""
    stages = {"W": "up", "N1": "shallow", "N2": "shallow", "N3": "deep", "R": "leave-out", **merged}
    classes = ("up", "shallow", "deep")
    mapping = StageMapping("own", classes, classes, stages, (), "", device_labels=tuple(OWN.items()))
    assert unreported_stages(LAB, make_stage_set(tuple(OWN), tuple(OWN)), mapping) == traced


def test_a_reference_of_four_classes_has_no_light_sleep_to_trace_beside_a_word_for_it():
    stages = {"W": "up", "light": "shallow", "N3": "deep", "R": "shallow"}
    classes = ("up", "shallow", "deep")
    mapping = StageMapping("own", classes, classes, stages, (), "", device_labels=tuple(OWN.items()))
    four = reporting("W", "light", "N3", "R")
    assert unreported_stages(four, make_stage_set(tuple(OWN), tuple(OWN)), mapping) == ("R",)
