"""What the nights of a device together say of its clock, on simulated nights whose clocks are known."""

from __future__ import annotations

import json
import math
import tracemalloc
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
import simulated

from sleepagree import StudyOptions, align, summarise_study
from sleepagree.caution import CautionKind
from sleepagree.describe.clock import say_device_clock
from sleepagree.scoring.offsets import HOUR_SHIFTS, PROFILE_SHIFTS, ClockHint, quick_offset
from sleepagree.study.cautions import doubtful_night
from sleepagree.study.clocks import ClockVerdict, NightClock, judge_device_clock
from sleepagree.study.night_summary import NightSummary, summarise_night
from tests.ferry import simulated_nights


def night(seed, *, wrong_s=0.0, share=0.5, participant="", date="", two_classes=False):
    """What is kept of a simulated night; ``wrong_s`` must be added to device times."""
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    reference = simulated.score_epochs(truth)
    device = simulated.add_error_runs(simulated.score_epochs(truth, clock_slow_s=wrong_s), rng, share=share)
    if two_classes:
        reference, device = np.minimum(reference, 1), np.minimum(device, 1)
    found = quick_offset(reference, device, 2 if two_classes else simulated.CLASSES)
    return NightClock(participant or f"P{seed}", date, found.offset_s, found.peak_score, found.profile)


def told(*offsets_s):
    return judge_device_clock([NightClock(f"P{i}", "", offset) for i, offset in enumerate(offsets_s)])


@pytest.mark.parametrize(("wrong_s", "share"), [(3600.0, 0.5), (3600.0, 0.7), (-7200.0, 0.7), (3720.0, 0.5)])
def test_hours_are_told_where_single_nights_say_little(wrong_s, share):
    clock = judge_device_clock([night(seed, wrong_s=wrong_s, share=share) for seed in range(9)])
    assert clock.verdict is ClockVerdict.HOURS
    assert clock.seconds == wrong_s
    assert clock.low < wrong_s < clock.high


def test_hours_of_a_device_that_tells_wake_and_sleep_only():
    clock = judge_device_clock([night(seed, wrong_s=3600.0, share=0.5, two_classes=True) for seed in range(9)])
    assert (clock.verdict, clock.seconds) == (ClockVerdict.HOURS, 3600.0)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.7, 0.9])
def test_a_right_clock_is_steady_however_poor_the_device(share):
    clock = judge_device_clock([night(seed, share=share) for seed in range(9)])
    assert (clock.verdict, clock.seconds, clock.parts) == (ClockVerdict.STEADY, 0.0, ())


@pytest.mark.parametrize(("wrong_s", "share"), [(120.0, 0.5), (240.0, 0.7), (-600.0, 0.7)])
def test_constant_minutes_are_told(wrong_s, share):
    clock = judge_device_clock([night(seed, wrong_s=wrong_s, share=share) for seed in range(9)])
    assert (clock.verdict, clock.seconds) == (ClockVerdict.CONSTANT, wrong_s)
    assert "this looks like a clock that is off, or drifts" in say_device_clock(clock)
    assert clock.low <= wrong_s <= clock.high


def test_another_clock_every_night_is_scattered():
    wrong = (-900.0, 30.0, 600.0, 1500.0, -300.0, 240.0)
    clock = judge_device_clock([night(seed, wrong_s=s) for seed, s in enumerate(wrong)])
    assert clock.verdict is ClockVerdict.SCATTERED
    assert math.isnan(clock.seconds)
    assert "not a constant clock error" in say_device_clock(clock)


def test_unrelated_nights_leave_the_clock_untold():
    nights = []
    for seed in range(9):
        rng = np.random.default_rng(seed)
        sides = [simulated.score_epochs(simulated.simulate_sleep(rng)) for _ in range(2)]
        found = quick_offset(*sides, simulated.CLASSES)
        nights.append(NightClock(f"P{seed}", "", found.offset_s, found.peak_score, found.profile))
    clock = judge_device_clock(nights)
    assert clock.verdict is ClockVerdict.UNTOLD
    assert "a clock may be right or wrong: nothing can be said of the clock" in say_device_clock(clock)


def test_one_participant_whose_zone_is_wrong_is_named():
    nights = [night(i, wrong_s=3600.0 if i // 3 == 2 else 0.0, participant=f"P{i // 3}") for i in range(15)]
    clock = judge_device_clock(nights)
    assert clock.verdict is ClockVerdict.STEADY
    ((participant, seconds, count),) = [(p.participant, p.seconds, p.nights) for p in clock.parts]
    assert (participant, seconds, count) == ("P2", 3600.0, 3)
    assert "The 3 nights of P2 agree far better when +3600 s (+1 h) are added" in say_device_clock(clock)


def test_the_dates_between_which_summer_time_was_missed_are_named():
    nights = [
        night(i, wrong_s=-3600.0 if i >= 11 else 0.0, participant=f"P{i}", date=f"2026-03-{15 + i:02d}")
        for i in range(16)
    ]
    clock = judge_device_clock(nights[::-1])  # in whatever order the table has them
    (part,) = clock.parts
    assert (part.first, part.last, part.seconds, part.nights) == ("2026-03-26", "2026-03-30", -3600.0, 5)
    assert "The 5 nights from 2026-03-26 to 2026-03-30 agree far better when -3600 s (-1 h)" in say_device_clock(clock)


def test_nights_that_are_right_keep_their_clock_where_most_are_off():
    nights = [
        night(i, wrong_s=3600.0 if i < 9 else 0.0, participant=f"P{i}", date=f"2026-03-{15 + i:02d}") for i in range(14)
    ]
    clock = judge_device_clock(nights)
    assert clock.verdict is not ClockVerdict.HOURS  # it would tell the five last ones to shift, too
    (part,) = clock.parts
    assert (part.first, part.last, part.seconds) == ("2026-03-15", "2026-03-23", 3600.0)


@pytest.mark.parametrize("hours", [-13, -6, 8, 14])
def test_a_device_worn_day_and_night_may_be_off_by_many_hours(hours):
    rng = np.random.default_rng(7)
    truth = simulated.simulate_sleep(rng)
    reference = simulated.score_epochs(truth)

    def around(more):
        whole = np.zeros(reference.size + 2 * more, np.int8)
        begin = more - hours * 120
        device = simulated.add_error_runs(reference, np.random.default_rng(8), share=0.5)
        whole[max(0, begin) : begin + device.size] = device[max(0, -begin) : device.size][: whole.size - begin]
        return whole

    inside = around(1720)[1720 : 1720 + reference.size]
    found = quick_offset(reference, inside, simulated.CLASSES, device_around=around)
    assert (found.hint, found.zone_s) == ("zone", hours * 3600.0)


def test_profiles_hold_whole_hours_up_to_14():
    assert {round(shift / 120) for shift in HOUR_SHIFTS} == {h for h in range(-14, 15) if h}
    profile = np.frombuffer(night(1, wrong_s=3600.0).profile, np.int8)
    assert profile.size == len(PROFILE_SHIFTS)
    assert PROFILE_SHIFTS[int(profile.argmax())] == 120


def test_offsets_of_nights_that_agree_well():
    assert told(240.0, 235.0, 240.0, 250.0).verdict is ClockVerdict.UNTOLD  # gains too small to be looked at closer
    clock = told(0.0, 5.0, -5.0, 0.0)
    assert clock.verdict is ClockVerdict.STEADY
    assert say_device_clock(clock) == ("no constant clock error (4 of 4 nights: median offset -20 to +20 s)")
    few = told(30.0, math.nan, 40.0)
    assert (few.verdict, few.nights) == (ClockVerdict.UNTOLD, 2)
    assert "fewer than three nights" in say_device_clock(few)


def test_one_night_with_a_wrong_clock_among_right_ones_is_named():
    nights = [replace(night(seed, wrong_s=240.0 if seed == 2 else 0.0), night="1") for seed in range(9)]
    clock = judge_device_clock(nights)
    assert (clock.verdict, [n.participant for n in clock.away]) == (ClockVerdict.STEADY, ["P2"])
    assert say_device_clock(clock) == (
        "no constant clock error (9 of 9 nights: median offset -15 to +15 s); but P2 1 at +240 s, scored as recorded"
    )


# --- a clock that gains or loses time from night to night ---------------------------------------------------


def worn(rate_s, *, participant="P1", nights=9, share=0.25, wrong_s=0.0, hour="T22:30:00"):
    """Nights, a day apart, of one clock that loses ``rate_s`` a day."""
    return [
        night(
            seed,
            wrong_s=wrong_s + rate_s * seed,
            share=share,
            participant=participant,
            date=f"2026-03-{seed + 1:02d}{hour}",
        )
        for seed in range(nights)
    ]


@pytest.mark.parametrize(("rate_s", "share", "does"), [(20.0, 0.25, "loses"), (-15.0, 0.5, "gains")])
def test_a_clock_that_nobody_sets_is_neither_constant_nor_scattered(rate_s, share, does):
    clock = judge_device_clock(worn(rate_s, share=share)[::-1])  # in whatever order the table has them
    (rate,) = clock.rates
    assert (clock.verdict, rate.participant, rate.nights) == (ClockVerdict.RATE, "P1", 9)
    assert (rate.first, rate.last) == ("2026-03-01", "2026-03-09")
    assert rate.low < rate_s < rate.high
    assert abs(rate.last_s - 8 * rate_s) < 30.0
    assert f"For P1 the device's clock {does} " in say_device_clock(clock)


def test_the_line_of_a_rate_is_that_of_scipy():
    from scipy.stats import linregress

    nights = worn(20.0)
    (rate,) = judge_device_clock(nights).rates
    assert rate.seconds_per_day == linregress(range(9), [n.best_offset_s for n in nights]).slope


def test_one_person_whose_clock_loses_time_does_not_move_the_others():
    clock = judge_device_clock([*worn(30.0), *worn(0.0, participant="P2"), *worn(0.0, participant="P3")])
    assert (clock.verdict, clock.away, [r.participant for r in clock.rates]) == (ClockVerdict.STEADY, (), ["P1"])
    assert (clock.telling, clock.nights) == (18, 27)


def test_one_device_that_people_wear_in_turn_is_followed_over_all_its_nights():
    nights = [replace(n, participant=f"P{i}") for i, n in enumerate(worn(20.0))]
    (rate,) = judge_device_clock(nights).rates
    assert rate.participant == ""
    assert rate.low < 20.0 < rate.high
    assert ". The device's clock loses " in say_device_clock(judge_device_clock(nights))


def test_a_device_of_very_many_nights_is_followed_without_every_pair_of_them():
    first = date(2016, 3, 1)
    offsets_s = [30.0 * round(0.3 * day / 30.0) for day in range(4000)]
    profile = bytes(len(PROFILE_SHIFTS))
    nights = [
        NightClock(f"P{day}", f"{first + timedelta(days=day)}T22:30:00", offset_s, 9.0, profile)
        for day, offset_s in enumerate(offsets_s)
    ]
    tracemalloc.start()
    try:
        (rate,) = judge_device_clock(nights).rates
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert (rate.nights, round(rate.seconds_per_day, 3)) == (4000, 0.3)
    assert most < 64 * 2**20  # all pairs are 8 million


def test_a_stray_night_does_not_hide_a_rate():
    nights = worn(20.0)
    nights[4] = replace(nights[4], best_offset_s=-1200.0)
    (rate,) = judge_device_clock(nights).rates
    assert rate.low < 20.0 < rate.high


@pytest.mark.parametrize("nights", [worn(0.0), worn(0.0, wrong_s=240.0), worn(5.0), worn(30.0, nights=4)])
def test_no_rate_is_told_of_clocks_that_keep_time_or_of_a_few_nights(nights):
    assert judge_device_clock(nights).rates == ()


def test_nights_without_dates_tell_no_rate():
    assert judge_device_clock([replace(n, begin="") for n in worn(20.0)]).rates == ()


def test_a_range_of_days_in_one_study_with_zones_is_one_line():
    nights = [replace(n, begin=n.begin + ("+02:00" if i < 5 else "+03:00")) for i, n in enumerate(worn(20.0))]
    assert judge_device_clock(nights).verdict is ClockVerdict.RATE


# --- beginnings and ends of states over people --------------------------------------------------------------


def summary(person, delays_epochs, label="pad B"):
    """A night with one episode of deep sleep, whose beginning the device tells so many epochs late."""
    lab = "W*4 N2*10 N3*40 N2*10 W*4"
    device = f"wake*4 light*{10 + delays_epochs} deep*{40 - delays_epochs} light*10 wake*4"
    return summarise_night(
        align(reference=spelt(lab), device=spelt(device)), participant=person, night=str(delays_epochs), device=label
    )


def spelt(text):
    return [word.partition("*")[0] for word in text.split() for _ in range(int(word.partition("*")[2]))]


def test_delays_over_people_are_medians_of_each_ones_nights():
    # P1: 2, 4 and 20 epochs, median 2 min; P2: 8 epochs, 4 min; P3: 12 epochs, 6 min; all ends on the spot
    nights = [summary("P1", n) for n in (2, 4, 20)] + [summary("P2", 8), summary("P3", 12)]
    told = {(s.state, s.edge): s for s in summarise_study(nights).devices[0].shifts}
    begins, ends = told["deep", "begins"], told["deep", "ends"]
    assert (begins.participants, begins.nights, begins.moments, begins.told, begins.missed) == (3, 5, 5, 5, 0)
    assert (begins.low_quartile_min, begins.median_min, begins.high_quartile_min) == (3.0, 4.0, 5.0)
    assert ends.median_min == 0.0
    assert ("rem", "begins") not in told  # the device has no word for it, and nobody had any
    again = [NightSummary.from_document(json.loads(json.dumps(night.to_document()))) for night in nights]
    assert [night.shifts for night in again] == [night.shifts for night in nights]


def test_nights_given_beside_their_names_tell_the_clock_of_their_device_too():
    late = []
    for night in simulated_nights(3, 2):
        reference, device = night.epochs.unpack()
        sides = [
            [labels[code] if code >= 0 else None for code in codes]
            for labels, codes in (
                (night.reference_set.labels, reference),
                (night.device_set.labels, np.roll(device, 10)),
            )
        ]
        late.append((night.participant, night.night, night.device, align(reference=sides[0], device=sides[1])))
    clocks = [device.clock for device in summarise_study(late, StudyOptions(resamples=0)).devices]
    assert {(clock.verdict, clock.seconds) for clock in clocks} == {(ClockVerdict.CONSTANT, -300.0)}


def test_a_night_near_chance_is_doubtful_beside_nights_that_agree(monkeypatch):
    nights = simulated_nights(3, 2)
    odd = replace(nights[0], clock_hint=ClockHint.UNTOLD.value)
    study = summarise_study([odd, *nights[1:]], StudyOptions(resamples=20))
    device = next(d for d in study.devices if d.device == odd.device)
    (caution,) = [c for c in study.cautions if c.kind is CautionKind.CLOCKS_DOUBTFUL]
    assert (caution["device"], caution["count"]) == (odd.device, 1)
    assert doubtful_night(study) == device.nights[0]
    # all nights of a device that hardly tells stages are near chance
    monkeypatch.setattr("sleepagree.study.cautions.SURE_KAPPA", 1.0)
    again = summarise_study([odd, *nights[1:]], StudyOptions(resamples=20))
    assert not [c for c in again.cautions if c.kind is CautionKind.CLOCKS_DOUBTFUL]
