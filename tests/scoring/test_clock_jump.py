"""A clock that jumps in the night: what was put into simulated nights must come out, and nothing where nothing was."""

import numpy as np
import pytest
import simulated

from sleepagree.scoring.clock import ClockReading, with_jump
from sleepagree.scoring.clock_blocks import best_jump


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
