"""Disagreement in time: short nights worked by hand, and the law of scattered errors against shuffling."""

import itertools
import json
import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import simulated
from scipy import stats

from sleepagree.render.night_json import disagreement_document
from sleepagree.scoring.disagreement import (
    BoutsSeen,
    ClassBouts,
    Following,
    NearTransitions,
    PartAgreement,
    describe_disagreement,
)
from sleepagree.scoring.runs import expected_runs

CLASSES = ("wake", "light", "deep", "rem")
LETTER = {"W": 0, "L": 1, "D": 2, "R": 3}


def codes(text):
    return np.array([LETTER[letter] for letter in text.replace(" ", "")])


def describe(reference, device, numbers=None, **options):
    reference, device = codes(reference), codes(device)
    numbers = np.arange(reference.size) if numbers is None else np.array(numbers)
    return describe_disagreement(reference, device, numbers, classes=CLASSES, **options)


# A night of 16 epochs (8 min).
#            0     5     10    15
REFERENCE = "WWLLL DDDDW LLRRR R"
DEVICE___ = "WLLLD DDDLL LLLRR W"


def test_the_night_worked_by_hand():
    # reference  W W L L L D D D D W L L R R R R
    # device     W L L L D D D D L L L L L R R W
    # wrong        1     4       8 9     12    15
    found = describe(REFERENCE, DEVICE___)
    assert (found.epochs, found.agreeing, found.gaps) == (16, 10, 0)
    runs = found.runs
    assert (runs.count, runs.epochs) == (5, 6)  # 1 | 4 | 8 9 | 12 | 15
    assert runs.lengths == ((1, 4), (2, 1))
    assert runs.mean_length == pytest.approx(6 / 5)
    assert (runs.longest_from, runs.longest_to, runs.longest) == (8, 9, 2)
    # wrong of all: wake 2 of 3, light 1 of 5, deep 1 of 4, rem 2 of 4. Neighbouring pairs that are both wrong if
    # scattered: WW 2/3 1/2; WL twice 2/3 1/5; LD 1/5 1/4; DW 1/4 2/3; LR 1/5 2/4; RR three times 2/4 1/3
    together = 1 / 3 + 2 * 2 / 15 + 1 / 20 + 1 / 6 + 1 / 10 + 3 / 6
    assert runs.expected_count == pytest.approx(6 - together)
    assert runs.expected_mean_length == pytest.approx(6 / (6 - together))
    # transitions of the reference: before epochs 2 (W L), 5 (L D), 9 (D W), 10 (W L), 12 (L R)
    # within 1: 1 2 | 4 5 | 8 9 10 | 11 12 = 9 epochs, of the wrong ones 1 4 8 9 12
    # within 2: 0-3 | 3-6 | 7-13 = 0 to 13 but nothing left out: 14 epochs; 15 is wrong and not among them
    assert found.near_transitions == (
        NearTransitions(1, 9, 5, 9 / 16, 5 / 6),
        NearTransitions(2, 14, 5, 14 / 16, 5 / 6),
    )
    # transitions of the device: 1 (W L), 4 (L D), 8 (D L), 13 (L R), 15 (R W)
    assert (found.reference_transitions, found.device_transitions) == (5, 5)
    assert found.reference_transitions_per_h == pytest.approx(5 / (16 * 30 / 3600))
    # reference bouts: W 2, L 3, D 4, W 1, L 2, R 4; device bouts: W 1, L 3, D 4, L 5, R 2, W 1 (epochs)
    assert found.bouts == (
        ClassBouts("wake", 2, 2, 0.75, 0.5),
        ClassBouts("light", 2, 2, 1.25, 2.0),
        ClassBouts("deep", 1, 1, 2.0, 2.0),
        ClassBouts("rem", 1, 1, 2.0, 1.0),
    )
    # thirds of 16 epochs: 3 i // 16: 0-5 (6), 6-10 (5), 11-15 (5); wrong 1 4 | 8 9 | 12 15
    assert found.thirds == (
        PartAgreement("first", 6, 4, 4 / 6),
        PartAgreement("middle", 5, 3, 3 / 5),
        PartAgreement("last", 5, 3, 3 / 5),
    )
    assert found.hours == ()


def test_bouts_seen_by_length():
    found = describe(REFERENCE, DEVICE___)
    by_key = {(part.name, part.from_min): part for part in found.seen}
    assert len(found.seen) == 4 * 5
    # wake: one bout of 1 min (W W against W L: seen in 1 of 2 epochs), one of 0.5 min (never seen)
    assert by_key["wake", 0.5] == BoutsSeen("wake", 0.5, 1.0, 1, 0, 0.0, 1, 0)
    assert by_key["wake", 1.0] == BoutsSeen("wake", 1.0, 2.0, 1, 1, 1.0, 2, 1)
    # light: 1.5 min (L L L against L L D) and 1 min (L L against L L); deep and rem of 2 min
    assert by_key["light", 1.0] == BoutsSeen("light", 1.0, 2.0, 2, 2, 1.0, 5, 4)
    assert by_key["deep", 2.0] == BoutsSeen("deep", 2.0, 5.0, 1, 1, 1.0, 4, 3)
    assert by_key["rem", 2.0] == BoutsSeen("rem", 2.0, 5.0, 1, 1, 1.0, 4, 2)
    nothing = by_key["rem", 10.0]
    assert (nothing.bouts, nothing.to_min) == (0, math.inf)
    assert math.isnan(nothing.share)


def test_how_late_the_device_follows():
    # W>L before 2: the device says L from 1 on, half a minute early
    # L>D before 5: D from 4 on, half a minute early;  D>W before 9: no W until 10, never
    # W>L before 10: L since 8, which is within the W bout only from 9 on: said throughout it, already there
    # L>R before 12: R from 13 on, half a minute late
    found = describe(REFERENCE, DEVICE___).following
    assert found[:3] == (
        Following("wake", "light", 2, 1, 1, 0, -0.5, -0.5, -0.5),
        Following("light", "deep", 1, 1, 0, 0, -0.5, -0.5, -0.5),
        Following("light", "rem", 1, 1, 0, 0, 0.5, 0.5, 0.5),
    )
    never = found[3]
    assert (never.before, never.after, never.transitions, never.followed, never.never) == ("deep", "wake", 1, 0, 1)
    assert math.isnan(never.median_min)
    assert len(found) == 4


def test_lateness_has_median_and_range():
    #        |         |         |         |       W>L four times: 0, +1, +3 epochs, never
    reference = "WWLLLL WWLLLL WWLLLL WWLLLL"
    device___ = "WWLLLL WWWLLL WWWWWL WWWWWW"
    found = describe(reference, device___)
    to_light = next(part for part in found.following if part.after == "light")
    assert to_light == Following("wake", "light", 4, 3, 0, 1, 0.5, 0.0, 1.5)
    # L>W three times, the device each time on the spot
    to_wake = next(part for part in found.following if part.after == "wake")
    # before the fourth W bout the device says L for the last epoch only; wake comes with the reference
    assert to_wake == Following("light", "wake", 3, 3, 0, 0, 0.0, 0.0, 0.0)


def test_a_gap_ends_runs_and_bouts_and_hides_transitions():
    # epochs 3 to 9 were not scored by one side
    reference, device = "WWL LLDD", "WLL WWDD"
    numbers = [0, 1, 2, 10, 11, 12, 13]
    found = describe(reference, device, numbers, window_epochs=20)
    assert found.gaps == 1
    # wrong: 1, 10, 11: 10 does not go on from anything
    assert (found.runs.count, found.runs.lengths) == (2, ((1, 1), (2, 1)))
    assert (found.runs.longest_from, found.runs.longest_to) == (10, 11)
    # light before and light after the gap are two bouts, and no transition lies between wake and light there
    assert found.bouts[1].reference_bouts == 2
    assert (found.reference_transitions, found.device_transitions) == (2, 2)
    assert [part.epochs for part in found.thirds] == [3, 4, 0]
    assert math.isnan(found.thirds[2].agreement)
    closed = describe(reference, device)
    assert (closed.runs.count, closed.gaps, closed.bouts[1].reference_bouts) == (2, 0, 1)
    apart = describe("LLLL", "WWWW", [0, 1, 3, 4])
    assert (apart.runs.count, apart.runs.lengths) == (2, ((2, 2),))
    assert (apart.reference_transitions, apart.following) == (0, ())


def test_agreement_by_hour_of_the_clock():
    reference, device = "W" * 12, "WWWLLLWWWWWW"
    # an epoch every 10 min from 23:20: 23:20 to 23:50 (4), 00:00 to 00:50 (6), 01:00, 01:10
    found = describe(reference, device, np.arange(12) * 20, begin=datetime(2026, 3, 1, 23, 20))
    assert found.hours == (
        PartAgreement("23", 4, 3, 0.75),
        PartAgreement("00", 6, 4, 4 / 6),
        PartAgreement("01", 2, 2, 1.0),
    )


def test_hours_of_the_wall_clock_across_a_change_of_the_clock():
    # 2026-03-29, Europe: 01:00 UTC; the clock jumps from 02:00 to 03:00. Epochs every 30 min from 00:30.
    zone = ZoneInfo("Europe/Berlin")
    begin = datetime(2026, 3, 29, 0, 30, tzinfo=zone)
    found = describe("W" * 6, "W" * 6, np.arange(6) * 60, begin=begin)
    utc = begin.astimezone(UTC).timestamp()
    told = [datetime.fromtimestamp(utc + i * 1800, zone).hour for i in range(6)]
    assert told == [0, 1, 1, 3, 3, 4]
    assert [(part.part, part.epochs) for part in found.hours] == [("00", 1), ("01", 2), ("03", 2), ("04", 1)]


def test_an_hour_that_comes_twice_where_the_clock_goes_back_is_two_parts():
    # 2026-10-25, Helsinki: at 01:00 UTC the clock goes from 04:00 back to 03:00. Epochs every 30 min from 02:30.
    begin = datetime(2026, 10, 25, 2, 30, tzinfo=ZoneInfo("Europe/Helsinki"))
    found = describe("W" * 7, "WLWWLLW", np.arange(7) * 60, begin=begin)
    told = [(part.part, part.epochs, part.agreeing) for part in found.hours]
    assert told == [("02", 1, 1), ("03 +0300", 2, 1), ("03 +0200", 2, 1), ("04", 2, 1)]


# ---- scattered errors


def stretches(reference, wrong, joined):
    """Runs of errors counted in a loop."""
    return sum(1 for i, error in enumerate(wrong) if error and not (i > 0 and joined[i - 1] and wrong[i - 1]))


@pytest.mark.parametrize("gap", [None, 3])
def test_mean_and_spread_of_runs_against_all_arrangements(gap):
    # every way to place the errors within their stages, one by one: exact
    reference = codes("WWLLLWLDD")
    wrong = np.array([1, 0, 1, 1, 0, 0, 0, 1, 0], dtype=bool)
    joined = np.ones(8, dtype=bool)
    if gap is not None:
        joined[gap] = False
    places = [np.flatnonzero(reference == stage) for stage in (0, 1, 2)]
    choices = [itertools.combinations(at, int(wrong[at].sum())) for at in places]
    counts = []
    for chosen in itertools.product(*choices):
        errors = np.zeros(9, dtype=bool)
        errors[[i for part in chosen for i in part]] = True
        counts.append(stretches(reference, errors, joined))
    assert len(counts) == 3 * 6 * 2
    mean, sd = expected_runs(reference, wrong, joined, n_classes=4)
    assert mean == pytest.approx(np.mean(counts), rel=1e-12)
    assert sd == pytest.approx(np.std(counts), rel=1e-12)


def test_one_stage_is_the_runs_test_of_wald_and_wolfowitz():
    # within one stage the number of runs of errors among n epochs, m wrong: mean m (n - m + 1)/n and variance
    # m (m - 1) (n - m + 1) (n - m)/(n^2 (n - 1)) (Mood 1940, Ann Math Stat 11:367; from memory, derivable)
    n, m = 50, 12
    wrong = np.zeros(n, dtype=bool)
    wrong[:m] = True
    mean, sd = expected_runs(np.zeros(n, dtype=int), wrong, np.ones(n - 1, dtype=bool), n_classes=2)
    assert mean == pytest.approx(m * (n - m + 1) / n, rel=1e-12)
    assert sd**2 == pytest.approx(m * (m - 1) * (n - m + 1) * (n - m) / (n**2 * (n - 1)), rel=1e-9)


def test_scattered_errors_are_not_called_runs_and_runs_are():
    rng = np.random.default_rng(5)
    reference = simulated.score_epochs(simulated.simulate_sleep(rng)).astype(int)
    numbers = np.arange(reference.size)
    p_scattered = []
    for _ in range(200):
        # errors with a rate for each stage, one by one
        wrong = rng.random(reference.size) < np.array([0.3, 0.1, 0.4, 0.2])[reference]
        device = np.where(wrong, (reference + 1) % 4, reference)
        p_scattered.append(describe_disagreement(reference, device, numbers, classes=tuple("abcd")).runs.p)
    assert stats.kstest(p_scattered, "uniform").pvalue > 0.001
    assert 0.01 <= np.mean(np.array(p_scattered) < 0.05) <= 0.11
    device = simulated.add_error_runs(reference, rng, share=0.2, mean_run_epochs=6)
    found = describe_disagreement(reference, device, numbers, classes=tuple("abcd")).runs
    assert found.z < -10
    assert found.p < 1e-20
    assert found.mean_length > 2 * found.expected_mean_length


def test_a_stage_that_is_always_missed_makes_expected_runs():
    # deep sleep is never seen: long runs, all of them expected
    found = describe("LLLLDDDDDDLLLLDDDDWW", "LLLLLLLLLLLLLLLLLLWW").runs
    assert (found.count, found.mean_length) == (2, 5.0)
    assert found.expected_count == pytest.approx(2.0)
    assert found.expected_sd == 0.0
    assert math.isnan(found.z)
    assert math.isnan(found.p)


def test_a_night_without_disagreement_and_one_without_agreement():
    same = describe("WWLL", "WWLL")
    assert (same.runs.count, same.runs.lengths, same.runs.longest) == (0, (), 0)
    assert (same.runs.longest_from, same.runs.longest_to) == (-1, -1)
    assert math.isnan(same.runs.mean_length)
    assert math.isnan(same.near_transitions[0].share_of_disagreement)
    never = describe("WWLL", "LLWW")
    assert (never.runs.count, never.runs.lengths, never.runs.expected_count) == (1, ((4, 1),), 1.0)
    lone = describe("W", "L")
    assert (lone.runs.count, lone.following, lone.reference_transitions) == (1, (), 0)


def test_renaming_classes_and_turning_the_night_around_keep_what_they_must():
    rng = np.random.default_rng(8)
    reference = simulated.score_epochs(simulated.simulate_sleep(rng, hours=3)).astype(int)
    device = simulated.add_error_runs(reference, rng, share=0.4).astype(int)
    numbers = np.arange(reference.size)
    order = np.array([2, 0, 3, 1])
    here = describe_disagreement(reference, device, numbers, classes=CLASSES)
    renamed = describe_disagreement(order[reference], order[device], numbers, classes=CLASSES)
    backwards = describe_disagreement(reference[::-1], device[::-1], numbers, classes=CLASSES)
    for other in (renamed, backwards):
        assert other.runs.lengths == here.runs.lengths
        assert other.runs.z == pytest.approx(here.runs.z, rel=1e-9)
        assert other.near_transitions == here.near_transitions
        assert other.reference_transitions == here.reference_transitions
    assert sum(length * count for length, count in here.runs.lengths) == here.runs.epochs
    assert sum(part.epochs for part in here.thirds) == here.epochs
    assert sum(part.transitions for part in here.following) == here.reference_transitions
    assert all(part.followed + part.already_there + part.never == part.transitions for part in here.following)
    assert sum(part.epochs for part in here.seen) == here.epochs
    assert sum(part.epochs_seen for part in here.seen) == here.agreeing


def test_lateness_against_a_loop():
    rng = np.random.default_rng(9)
    reference = simulated.score_epochs(simulated.simulate_sleep(rng, hours=5)).astype(int)
    device = simulated.add_error_runs(reference, rng, share=0.5, mean_run_epochs=4).astype(int)
    found = describe_disagreement(reference, device, np.arange(reference.size), classes=CLASSES)
    expected = {}
    edges = [0, *(np.flatnonzero(np.diff(reference)) + 1).tolist(), reference.size]
    for index in range(1, len(edges) - 1):
        since, at, leave = edges[index - 1], edges[index], edges[index + 1]
        said = reference[at]
        entry = expected.setdefault((CLASSES[reference[at - 1]], CLASSES[said]), {"late": [], "there": 0, "never": 0})
        if device[at] == said and device[at - 1] == said:
            came = at - 1
            while came > since and device[came - 1] == said:
                came -= 1
            if came == since:
                entry["there"] += 1
            else:
                entry["late"].append((came - at) / 2)
        else:
            hits = [i for i in range(at, leave) if device[i] == said]
            if hits:
                entry["late"].append((hits[0] - at) / 2)
            else:
                entry["never"] += 1
    assert {(part.before, part.after) for part in found.following} == set(expected)
    for part in found.following:
        entry = expected[part.before, part.after]
        assert (part.already_there, part.never, part.followed) == (entry["there"], entry["never"], len(entry["late"]))
        if entry["late"]:
            told = (part.median_min, part.earliest_min, part.latest_min)
            assert told == (np.median(entry["late"]), min(entry["late"]), max(entry["late"]))


def test_the_document_is_plain_json():
    document = disagreement_document(describe("WWLLLLLLDD", "WWLLLLLLDD"))
    text = json.dumps(document, allow_nan=False)
    assert json.loads(text) == document
    assert document["classes"] == list(CLASSES)
    assert document["runs"]["mean_length"] is None
    assert document["runs"]["longest"] == 0
    assert document["seen"][4]["to_min"] is None
    assert document["following"][0]["median_min"] == 0.0


@pytest.mark.parametrize(
    ("reference", "device", "numbers", "options", "message"),
    [
        ([], [], [], {}, "at least one epoch"),
        ([0, 1], [0], [0, 1], {}, "must have one length, not 2, 1 and 2"),
        ([0, 4], [0, 1], [0, 1], {}, "codes must lie from 0 to 3, not 0 to 4"),
        ([0, 1], [0, -1], [0, 1], {}, "codes must lie from 0 to 3, not -1 to 0"),
        ([0, 1], [0, 1], [1, 1], {}, "epoch_numbers must rise"),
        ([0, 1], [0, 1], [0, 9], {"window_epochs": 9}, "must stay below window_epochs 9, not 9"),
    ],
)
def test_misuse_is_told(reference, device, numbers, options, message):
    with pytest.raises(ValueError, match=message):
        describe_disagreement(
            np.array(reference, dtype=int), np.array(device, dtype=int), np.array(numbers), classes=CLASSES, **options
        )
