"""The simulator: its truth is known, so nearly every check is against arithmetic or a general library."""

import math
import pickle

import numpy as np
import pytest
from scipy import stats

from sleepagree.hypnogram.spans import GAP
from sleepagree.study.demo import simulate
from sleepagree.study.demo.simulate import (
    BAND_A,
    PAD_B,
    SECOND_SCORER,
    DeviceTraits,
    SleeperTraits,
    generator,
    simulate_device,
    simulate_hypnograms,
    simulate_study,
)

STAGES = ("W", "N1", "N2", "N3", "R")


def perfect_device(**changes):
    identity = tuple(tuple(float(row == column) for column in range(5)) for row in range(5))
    traits = {
        "name": "perfect",
        "labels": STAGES,
        "shares": identity[:4],
        "rem_shares": identity[4],
        "moved_share": 0.0,
    }
    return DeviceTraits(**{**traits, **changes})


def wrong_device(share, **changes):
    """Wake or sleep; every stage is called the other one with the same probability."""
    return DeviceTraits(
        name="coin",
        labels=("sleep", "W"),
        shares=((1 - share, share),) * 4,
        rem_shares=(1 - share, share),
        moved_share=0.0,
        **changes,
    )


# --- seeds --------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_study_and_another_seed_another():
    first = simulate_study(rng=generator(4), participants=3, devices=(BAND_A, PAD_B))
    again = simulate_study(rng=generator(4), participants=3, devices=(BAND_A, PAD_B))
    other = simulate_study(rng=generator(5), participants=3, devices=(BAND_A, PAD_B))
    assert np.array_equal(first.reference, again.reference)
    assert all(np.array_equal(a, b) for a, b in zip(first.devices, again.devices, strict=True))
    assert first.reference.shape != other.reference.shape or not np.array_equal(first.reference, other.reference)


def test_only_uniform_numbers_are_drawn():
    # the stream of uniform numbers is what numpy keeps the same over its releases
    class Uniform:
        def __init__(self):
            self.rng = generator(1)

        def random(self, *args):
            return self.rng.random(*args)

    study = simulate_study(rng=Uniform(), participants=2, devices=(BAND_A, PAD_B, SECOND_SCORER))
    assert np.array_equal(
        study.reference,
        simulate_study(rng=generator(1), participants=2, devices=(BAND_A, PAD_B, SECOND_SCORER)).reference,
    )


def test_a_study_is_write_protected_even_after_a_pickle():
    study = pickle.loads(pickle.dumps(simulate_study(rng=generator(0), participants=1)))
    for array in (study.reference, *study.devices, study.epochs, study.participant, study.night):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1


# --- random numbers against scipy ----------------------------------------------------------------------------


def test_normal_numbers_are_normal():
    drawn = simulate._normals(generator(2), 50_001)
    assert drawn.shape == (50_001,)
    assert stats.kstest(drawn, "norm").pvalue > 0.01


@pytest.mark.parametrize(("mean", "least"), [(3.5, 1), (12.0, 1), (1.5, 0), (1.0, 1), (0.0, 0)])
def test_geometric_numbers_have_their_mean_and_shape(mean, least):
    drawn = simulate._geometric(generator(3), 40_000, mean, least=least)
    stop = 1 / (mean - least + 1)
    assert drawn.min() >= least
    assert abs(drawn.mean() - mean) <= 5 * math.sqrt((1 - stop) / stop**2 / drawn.size) + 1e-12
    expected = stats.geom(stop, loc=least - 1).pmf(np.arange(least, least + 4)) * drawn.size
    observed = [(drawn == value).sum() for value in range(least, least + 4)]
    for seen, wanted in zip(observed, expected, strict=True):
        assert abs(seen - wanted) <= 5 * math.sqrt(wanted * (1 - wanted / drawn.size)) + 1e-9


def test_bout_lengths_are_the_quantiles_of_their_distributions():
    sleeper = SleeperTraits()
    table = simulate._bout_lengths(sleeper)
    p = (np.arange(table.shape[1]) + 0.5) / table.shape[1]
    longest = sleeper.wake_longest_min * 2
    assert table[0] == pytest.approx(np.minimum(stats.pareto(sleeper.wake_tail).ppf(p), longest))
    assert table[1] == pytest.approx(stats.geom(1 / sleeper.n1_mean_epochs).ppf(p))
    for row, median, spread in zip((2, 3, 4), sleeper.bout_median_epochs, sleeper.bout_sd, strict=True):
        assert table[row] == pytest.approx(stats.lognorm(spread, scale=median).ppf(p))


# --- hypnograms ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many_nights():
    return simulate_hypnograms(np.repeat(np.arange(200), 2), rng=generator(8))


def test_nights_have_the_length_asked_for_and_begin_and_end_awake(many_nights):
    stages, epochs = many_nights
    assert (epochs >= 7.0 * 120).all()
    assert (epochs <= 8.5 * 120).all()
    for night, length in zip(stages, epochs, strict=True):
        assert night[0] == night[length - 1] == 0
        assert (night[:length] >= 0).all()
        assert (night[length:] == GAP).all()


def test_deep_sleep_comes_early_and_rem_late(many_nights):
    stages, epochs = many_nights
    thirds = np.zeros((2, 3))
    for night, length in zip(stages, epochs, strict=True):
        for third, part in enumerate(np.array_split(night[:length], 3)):
            thirds[:, third] += (part == 3).sum(), (part == 4).sum()
    deep, rem = thirds
    assert deep[0] > deep[1] > deep[2] > 0
    assert 0 < rem[0] < rem[1] < rem[2]


def test_all_stages_occur_in_plausible_amounts(many_nights):
    # wide bands around the usual textbook figures for adults (from memory); the traits themselves are invented
    stages, _ = many_nights
    share = [(stages == code).sum() / (stages != GAP).sum() for code in range(5)]
    for got, (low, high) in zip(
        share, [(0.05, 0.2), (0.03, 0.12), (0.4, 0.55), (0.1, 0.22), (0.13, 0.25)], strict=True
    ):
        assert low < got < high


def test_wakes_within_sleep_have_a_heavy_tail(many_nights):
    stages, epochs = many_nights
    lengths = []
    for night, length in zip(stages, epochs, strict=True):
        sleep = np.flatnonzero(night[:length] > 0)
        awake = night[sleep[0] : sleep[-1] + 1] == 0
        edges = np.flatnonzero(np.diff(np.concatenate(([0], awake, [0]))))
        lengths += (edges[1::2] - edges[::2]).tolist()
    lengths = np.array(lengths)
    # exponential lengths of this mean would exceed ten times the mean in 1 of 22,000 wakes
    assert (lengths > 10 * lengths.mean()).mean() > 20 * math.exp(-10)
    assert np.median(lengths) < lengths.mean()


def test_nights_of_one_participant_resemble_each_other():
    sleeper = SleeperTraits(between_sd=0.5, within_sd=0.05)
    stages, _ = simulate_hypnograms(np.repeat(np.arange(150), 2), rng=generator(6), sleeper=sleeper)
    deep = (stages == 3).sum(axis=1).reshape(150, 2)
    assert np.corrcoef(deep.T)[0, 1] > 0.4
    alike = SleeperTraits(between_sd=0.0, within_sd=0.2, wake_between_sd=0.0, hours_between_sd=0.0)
    stages, _ = simulate_hypnograms(np.repeat(np.arange(150), 2), rng=generator(6), sleeper=alike)
    deep = (stages == 3).sum(axis=1).reshape(150, 2)
    assert abs(np.corrcoef(deep.T)[0, 1]) < 4 / math.sqrt(150)


# --- devices -------------------------------------------------------------------------------------------------


def test_a_perfect_device_repeats_the_reference():
    study = simulate_study(rng=generator(9), participants=3, devices=(perfect_device(),))
    assert np.array_equal(study.devices[0], study.reference)


def share_and_error(study, stage, label):
    """Share of a stage's epochs with a label, and its standard error over participants (ratio estimate)."""
    people = study.participant.max() + 1
    of_stage = study.reference == stage
    hits = np.bincount(study.participant, (of_stage & (study.devices[0] == label)).sum(axis=1), people)
    totals = np.bincount(study.participant, of_stage.sum(axis=1), people)
    share = hits.sum() / totals.sum()
    return share, (hits - share * totals).std(ddof=1) / totals.mean() / math.sqrt(people)


def test_rem_goes_where_the_band_is_told_to_send_it():
    study = simulate_study(rng=generator(10), participants=1500, nights=1, devices=(BAND_A,))
    for label, wanted in enumerate(BAND_A.rem_shares):
        share, error = share_and_error(study, 4, label)
        assert error < 0.01
        assert abs(share - wanted) < 4 * error
    assert not BAND_A.reports_rem
    assert PAD_B.reports_rem


def test_without_moved_changes_every_stage_goes_where_it_is_told():
    device = DeviceTraits(
        name="x",
        labels=BAND_A.labels,
        shares=BAND_A.shares,
        rem_shares=BAND_A.rem_shares,
        moved_share=0.0,
        participant_share=0.2,
        night_share=0.2,
        run_epochs=20,
    )
    study = simulate_study(rng=generator(11), participants=1500, nights=2, devices=(device,))
    for stage, row in enumerate((*device.shares, device.rem_shares)):
        for label, wanted in enumerate(row):
            share, error = share_and_error(study, stage, label)
            assert abs(share - wanted) <= 4 * error


def test_errors_come_in_runs_of_the_length_asked_for():
    # two epochs differ when a run ends between them (1 in run_epochs) and the two runs say different things
    share, run = 0.3, 8.0
    stages = np.full((300, 900), 2, np.int8)
    said = simulate_device(
        stages,
        np.arange(300),
        device=wrong_device(share, run_epochs=run, participant_share=0.0, night_share=0.0),
        rng=generator(12),
    )
    changes = (said[:, 1:] != said[:, :-1]).mean()
    expected = 2 * share * (1 - share) / run
    assert changes == pytest.approx(expected, abs=5 * math.sqrt(expected / said.size) * 2)


def test_a_participant_who_fits_badly_fits_badly_every_night():
    stages = np.full((600, 900), 2, np.int8)
    people = np.repeat(np.arange(300), 2)

    def correlation(of_participant, of_night):
        device = wrong_device(0.3, participant_share=of_participant, night_share=of_night)
        said = simulate_device(stages, people, device=device, rng=generator(13))
        return np.corrcoef((said == 1).mean(axis=1).reshape(300, 2).T)[0, 1]

    assert correlation(0.3, 0.0) > 0.8
    assert abs(correlation(0.0, 0.3)) < 4 / math.sqrt(300)


@pytest.mark.parametrize("minutes", [1, 5])
def test_a_coarse_device_says_one_thing_per_epoch(minutes):
    device = perfect_device(epoch_s=60.0 * minutes)
    study = simulate_study(rng=generator(16), participants=20, devices=(device,))
    step = 2 * minutes
    agree = 0
    for reference, said, length in zip(study.reference, study.devices[0], study.epochs, strict=True):
        for first in range(0, int(length) - step, step):
            block = reference[first : first + step]
            assert len(set(said[first : first + step].tolist())) == 1
            # what it says is one of the commonest stages of the block
            counts = np.bincount(block, minlength=5)
            assert counts[said[first]] == counts.max()
            agree += counts.max()
    assert agree > 0


def test_ties_of_a_coarse_device_lean_to_neither_side():
    study = simulate_study(rng=generator(17), participants=200, devices=(perfect_device(epoch_s=60.0),))
    total = study.reference.shape[1] // 2 * 2
    pairs = study.reference[:, :total].reshape(-1, 2)
    said = study.devices[0][:, :total].reshape(-1, 2)[:, 0]
    tied = (pairs[:, 0] != pairs[:, 1]) & (pairs >= 0).all(axis=1)
    first = (said == pairs[:, 0])[tied]
    assert abs(first.mean() - 0.5) < 4 * 0.5 / math.sqrt(tied.sum())


def test_changes_are_moved_both_ways_and_only_where_they_may_be():
    device = perfect_device(moved_share=1.0, moved_mean_epochs=1.0)
    stages = np.full((500, 400), 2, np.int8)
    stages[:, 200:] = 3
    said = simulate_device(stages, np.arange(500), device=device, rng=generator(18))
    change = (said == 3).argmax(axis=1)
    assert set(change.tolist()) == {199, 201}
    assert abs((change == 199).mean() - 0.5) < 4 * 0.5 / math.sqrt(500)
    # a device that cannot say REM gets its REM exactly where it was
    blind = DeviceTraits(
        name="blind",
        labels=("W", "sleep"),
        shares=((1.0, 0.0), (0.0, 1.0), (0.0, 1.0), (0.0, 1.0)),
        rem_shares=(1.0, 0.0),
        moved_share=1.0,
    )
    stages[:, 200:] = 4
    said = simulate_device(stages, np.arange(500), device=blind, rng=generator(18))
    assert ((said == 0) == (stages == 4)).all()


# --- misuse ----------------------------------------------------------------------------------------------------


def test_shares_that_do_not_add_up_are_refused():
    with pytest.raises(ValueError, match=r"the shares of N2 must hold 2 shares that add up to 1"):
        DeviceTraits("x", ("W", "sleep"), ((1.0, 0.0), (0.0, 1.0), (0.5, 0.6), (0.0, 1.0)), (0.0, 1.0))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"shares": BAND_A.shares[:3]}, "four rows"),
        ({"epoch_s": 45.0}, "multiple of 30 s, got 45"),
        ({"participant_share": 0.8, "night_share": 0.3}, r"must lie in \[0, 1\)"),
        ({"run_epochs": 0.5}, "at least one epoch"),
    ],
)
def test_traits_that_make_no_sense_are_refused(change, message):
    traits = {"name": "x", "labels": BAND_A.labels, "shares": BAND_A.shares, "rem_shares": BAND_A.rem_shares}
    with pytest.raises(ValueError, match=message):
        DeviceTraits(**{**traits, **change})


def test_studies_without_participants_are_refused():
    with pytest.raises(ValueError, match="at least 1, got 0 and 2"):
        simulate_study(rng=generator(0), participants=0)
    with pytest.raises(ValueError, match="one per night"):
        simulate_hypnograms([], rng=generator(0))
    with pytest.raises(ValueError, match="one row per entry"):
        simulate_device(np.zeros((2, 5), np.int8), [0], device=BAND_A, rng=generator(0))
