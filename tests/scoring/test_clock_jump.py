"""A clock that jumps in the night: what was put into simulated nights must come out, and nothing where nothing was."""

import numpy as np
import pytest
import simulated
from sklearn.metrics import cohen_kappa_score

from sleepagree.scoring.clock import ClockReading, with_jump
from sleepagree.scoring.clock_blocks import best_jump
from tests.worked import epochs

#: A device that is right but for runs of errors, by a clock that is 240 s slow all night.
SLOW_ALL_NIGHT = (
    "W*21 L*22 W*2 L*28 D*30 L*5 R*18 W*6 L*28 D*26 L*8 R*23 W*10 L*7 W*3 L*30 D*44 L*14 R*25 L*37 W*2 L*10 D*39 L*13 "
    "R*28 L*53 W L*2 D*20 L*12 R*23 W*2 L*2 W*3 L*55 R*37 W L*43 W*2 L*7 R*33 W*2 L*36 W*3 L*54 R*39 L*51",
    "W*13 L*22 W*2 L*28 D*10 W*15 D*5 L*5 R*17 L*42 D*19 L*8 R*23 W*10 L*7 W*3 L*30 D*27 W*8 D*19 L*4 R*25 L*12 W*9 "
    "L*4 D*9 L*3 W*2 L*14 W*2 D*19 L*3 D*11 L*13 R*20 W*15 L*22 W*4 L*3 D*8 L*9 W L*5 D*17 L*12 R*15 W*5 R*3 W*2 "
    "L*2 W*3 L*7 D*11 L*37 R*7 W*3 R*27 W L*43 W*2 L*7 R*33 W*2 L*36 W*3 L*18 W*4 L*25 D*61 L*34 D*2 -*8",
)


def written_night(*sides):
    return [np.array(["-WLDR".index(word or "-") - 1 for word in epochs(side)], np.int8) for side in sides]


def with_long_runs(seed, *, share, run_min, **clock):
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    device = simulated.score_epochs(truth, **clock)
    device = simulated.add_error_runs(device, rng, share=share, mean_run_epochs=2 * run_min)
    return simulated.score_epochs(truth), device


def night(seed, **clock):
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    score = simulated.score_with_jump if "jump_s" in clock else simulated.score_epochs
    device = simulated.add_error_runs(score(truth, **clock), rng, share=0.25)
    return simulated.score_epochs(truth), device


@pytest.mark.parametrize("jump_s", [600.0, -600.0, 3600.0, -3600.0, 7200.0, -7200.0])
def test_both_offsets_and_the_place_come_out(jump_s):
    at_s = 3 * 3600.0 if jump_s == 7200.0 else 4 * 3600.0  # two hours are lost, and the rest must tell of itself
    jump = best_jump(*night(5, jump_s=jump_s, at_s=at_s, clock_slow_s=60.0), simulated.CLASSES)
    assert jump is not None
    assert jump.stands_out
    assert (jump.before_s, jump.after_s) == (60.0, 60.0 + jump_s)
    assert jump.lost_s == max(0.0, jump_s)
    assert abs(jump.at_s - at_s) <= 900.0
    assert jump.kappa > jump.kappa_one_offset


def test_nine_in_ten_of_the_stretches_told_hold_the_jump():
    found = [best_jump(*night(seed, jump_s=600.0, at_s=4 * 3600.0), simulated.CLASSES) for seed in range(8)]
    told = [jump for jump in found if jump is not None and jump.stands_out]
    assert len(told) >= 7
    assert sum(jump.at_low_s <= 4 * 3600.0 <= jump.at_high_s for jump in told) >= 7


def test_without_errors_the_place_is_found_to_the_epoch():
    # the reference's own stages: 3 h as they are, then the device is 10 min late
    reference = simulated.score_epochs(simulated.simulate_sleep(np.random.default_rng(1)))
    device = np.concatenate((reference[:360], reference[380:], np.full(20, -1, np.int8)))
    jump = best_jump(reference, device, simulated.CLASSES)
    assert jump is not None
    assert (jump.before_s, jump.after_s, jump.lost_s) == (0.0, 600.0, 600.0)
    assert jump.kappa > 0.95
    # the epoch before and the one after the lost time may have one stage
    assert abs(jump.at_s - 360 * 30) <= 60


@pytest.mark.parametrize("clock", [{}, {"clock_slow_s": 240.0}, {"drift_s_per_h": 20.0}, {"drift_s_per_h": -40.0}])
def test_an_offset_and_a_drift_are_no_jump(clock):
    for seed in range(3):
        jump = best_jump(*night(seed, **clock), simulated.CLASSES)
        assert jump is not None
        assert not jump.stands_out


def test_a_night_is_not_explained_by_leaving_out_what_agrees():
    reference, device = written_night(*SLOW_ALL_NIGHT)
    moved = np.concatenate((np.full(8, -1, np.int8), device[:-8]))
    jump = best_jump(reference, device, simulated.CLASSES)
    assert jump is not None
    assert not jump.stands_out
    assert jump.agreeing_one_offset == np.count_nonzero(reference == moved)


@pytest.mark.parametrize(
    ("seed", "share", "run_min", "slow_s"), [(42, 0.5, 10, 0.0), (25, 0.5, 20, 0.0), (33, 0.5, 20, 240.0)]
)
def test_long_runs_of_errors_are_no_jump(seed, share, run_min, slow_s):
    jump = best_jump(*with_long_runs(seed, share=share, run_min=run_min, clock_slow_s=slow_s), simulated.CLASSES)
    assert jump is not None
    assert not jump.stands_out


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("jump_s", [600.0, 3600.0, -3600.0, 0.0])
def test_kappa_is_that_of_the_epochs_told_and_no_epoch_counts_twice(seed, jump_s):
    if jump_s:
        reference, device = night(seed, jump_s=jump_s, at_s=4 * 3600.0)
    else:
        reference, device = with_long_runs(seed, share=0.5, run_min=20)
    jump = best_jump(reference, device, simulated.CLASSES)
    assert jump is not None
    at, lost, before, after = (round(s / 30) for s in (jump.at_s, jump.lost_s, jump.before_s, jump.after_s))
    pairs = [(i, i - before) for i in range(at)] + [(i, i - after) for i in range(at + lost, reference.size)]
    pairs = [(i, j) for i, j in pairs if 0 <= j < device.size and reference[i] >= 0 and device[j] >= 0]
    ours, theirs = zip(*pairs, strict=True)
    assert len(set(theirs)) == len(theirs)
    told = reference[list(ours)], device[list(theirs)]
    assert jump.kappa == pytest.approx(cohen_kappa_score(*told), abs=1e-12)
    assert jump.agreeing == np.count_nonzero(told[0] == told[1])


def test_wake_and_sleep_alone_and_short_nights_tell_nothing_of_a_jump():
    reference, device = night(5, jump_s=3600.0, at_s=4 * 3600.0)
    assert best_jump(np.minimum(reference, 1), np.minimum(device, 1), 2) is None
    assert best_jump(reference[:230], device[:230], simulated.CLASSES) is None


def test_a_jump_takes_the_place_of_the_one_offset():
    jump = best_jump(*night(5, jump_s=600.0, at_s=4 * 3600.0), simulated.CLASSES)
    one = ClockReading("light", None, None, proposed=True, reason="one offset", kappa_at_zero=0.4)
    two = with_jump(one, jump)
    assert not two.proposed
    assert "adding 0 s to device times at first and +600 s later raises kappa from 0.400" in two.reason
    assert two.jump == jump
    assert with_jump(one, None) is one
