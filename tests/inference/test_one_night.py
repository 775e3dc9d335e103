"""Intervals of one night against scipy, statsmodels, scikit-learn and sums written out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.proportion import proportion_confint

from sleepagree.inference.one_night import (
    accuracy_interval,
    count_bouts,
    effective_epochs,
    episode_begins,
    kappa_interval,
    share_interval,
    t_quantile,
)


def held(rng: np.random.Generator, n: int, hold_epochs: float, share: float) -> np.ndarray:
    """Return answers that are drawn anew with one chance in each epoch."""
    drawn = np.cumsum(rng.random(n) < 1 / hold_epochs)
    return (rng.random(drawn[-1] + 1) < share)[drawn]


def wilson(share: float, effective: float) -> tuple[float, float]:
    """Return statsmodels' Wilson interval at the level whose normal quantile is Student's at 95 %."""
    t = stats.t.ppf(0.975, effective - 1)
    return proportion_confint(share * effective, effective, alpha=2 * stats.norm.sf(t), method="wilson")


# ---- Student's quantile


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95, 0.99, 0.9999])
def test_quantiles_are_those_of_scipy(level: float) -> None:
    for degrees in (0.05, 0.3, 0.5, 1, 1.5, 2, 3.7, 9, 33.3, 100, 1234.5, 1e5):
        assert t_quantile(level, degrees) == pytest.approx(stats.t.ppf((1 + level) / 2, degrees), rel=1e-9)


def test_without_degrees_of_freedom_the_quantile_is_infinite() -> None:
    assert t_quantile(0.95, 0.0) == t_quantile(0.95, -1.0) == t_quantile(0.95, 1e-4) == math.inf
    with pytest.raises(ValueError, match=r"level must lie between 0 and 1, such as 0\.95, not 95"):
        t_quantile(95, 3)


# ---- shares


def test_effective_epochs_of_a_chain_are_those_of_its_whole_covariance_matrix() -> None:
    """Correlations rho^|i - j| inside an episode, none between episodes, all pairs summed; the rate by hand."""
    hits = np.array([1, 1, 1, 0, 0, 1, 1, 0, 0, 0, 0, 1], dtype=bool)
    begins = np.zeros(12, dtype=bool)
    begins[[0, 5]] = True
    # neighbours within episodes: from a hit 1 1 0, then 1 0; from a miss 0, then 0 0 0 1
    rho = 1 - (2 + 0.5) / (5 + 1) - (1 + 0.5) / (5 + 1)
    episode = np.cumsum(begins)
    place = np.arange(12)
    matrix = np.where(episode[:, None] == episode, rho ** np.abs(place[:, None] - place), 0.0)
    found = share_interval(hits, begins)
    assert found.effective == pytest.approx(144 / matrix.sum(), rel=1e-12)
    assert found[:2] == pytest.approx(wilson(0.5, found.effective), rel=1e-8)


def test_answers_that_change_at_every_epoch_count_as_independent() -> None:
    hits = np.arange(100) % 2 == 0
    assert share_interval(hits, np.zeros(100, bool)).effective == pytest.approx(100)


@pytest.mark.parametrize(("alike", "independent"), [(None, 4), (9, 9), (1000, 60)])
def test_a_share_of_all_counts_as_its_episodes(alike: int | None, independent: int) -> None:
    begins = episode_begins(np.array([*range(10), *range(40, 55), *range(84, 104), *range(200, 215)]), longest_gap=29)
    assert begins.sum() == 4
    for hits in (np.ones(60, bool), np.zeros(60, bool)):
        found = share_interval(hits, begins, alike=alike)
        assert found[:2] == pytest.approx(wilson(float(hits[0]), independent), abs=1e-9)
        assert found.high - found.low > 0.05


def test_one_episode_taken_for_one_class_tells_nothing_and_no_epoch_has_no_interval() -> None:
    assert share_interval(np.ones(50, bool), np.zeros(50, bool)) == (0.0, 1.0, 1.0)
    assert math.isnan(share_interval(np.ones(0, bool), np.zeros(0, bool)).low)
    with pytest.raises(ValueError, match="one length"):
        share_interval(np.ones(3, bool), np.ones(2, bool))


@pytest.mark.parametrize("share", [0.55, 0.9, 0.95])
def test_intervals_of_answers_held_ten_minutes_cover_where_independent_epochs_do_not(share: float) -> None:
    rng = np.random.default_rng(5)
    begins = np.isin(np.arange(210), [0, 20, 50, 95, 150])
    covered = plain = 0
    for _ in range(300):
        hits = np.concatenate([held(rng, n, 20, share) for n in (20, 30, 45, 55, 60)])
        found = share_interval(hits, begins)
        assert found.low < found.high
        covered += found.low <= share <= found.high
        low, high = proportion_confint(hits.sum(), 210, method="wilson")
        plain += low <= share <= high
    assert covered > 0.85 * 300
    assert plain < 0.5 * 300


# ---- long-run variance


def autocovariance(values: np.ndarray, lag: int) -> float:
    away = values - values.mean()
    return float(away[: away.size - lag] @ away[lag:]) / away.size


@pytest.mark.parametrize(("n", "hold"), [(7, 1), (50, 3), (301, 10), (900, 40)])
def test_effective_epochs_are_those_of_autocovariances_written_out(n: int, hold: int) -> None:
    rng = np.random.default_rng(n)
    values = np.repeat(rng.normal(size=n), hold)[:n] + 0.1 * rng.normal(size=n)
    variance = autocovariance(values, 0)
    rho = min(max(0.0, autocovariance(values, 1) / variance + 1 / n), 1 - 1 / n)
    geyer = -variance
    for m in range(n // 2):
        pair = autocovariance(values, 2 * m) + autocovariance(values, 2 * m + 1)
        if pair <= 0:
            break
        geyer += 2 * pair
    expected = n * variance / max(variance * (1 + rho) / (1 - rho), geyer, variance)
    assert effective_epochs(values) == pytest.approx(expected, rel=1e-9)


def test_effective_epochs_of_a_first_order_series_are_near_those_of_its_law() -> None:
    rng = np.random.default_rng(0)
    steps = rng.normal(size=40_000)
    values = np.zeros(40_000)
    for i in range(1, 40_000):
        values[i] = 0.8 * values[i - 1] + steps[i]
    assert effective_epochs(values) == pytest.approx(40_000 * 0.2 / 1.8, rel=0.15)


def test_no_series_tells_more_than_independent_epochs_and_a_constant_one_has_no_number() -> None:
    assert effective_epochs(np.tile([0.0, 1.0], 50)) == 100
    assert math.isnan(effective_epochs(np.full(40, 0.1)))
    assert math.isnan(effective_epochs(np.array([])))


# ---- accuracy and kappa


def test_accuracy_has_wilsons_interval_of_its_effective_epochs() -> None:
    agrees = held(np.random.default_rng(2), 800, 12, 0.8)
    found = accuracy_interval(agrees, 40)
    assert found.effective == effective_epochs(agrees.astype(float))
    assert found[:2] == pytest.approx(wilson(agrees.mean(), found.effective), rel=1e-8)


def test_the_interval_of_kappa_rests_on_its_derivative_by_scikit_learn() -> None:
    """An epoch's influence is what more of it would do to kappa: scikit-learn with weights, by differences."""
    rng = np.random.default_rng(3)
    n = 400
    reference = np.repeat(rng.integers(0, 4, n // 20), 20)
    device = np.where(held(rng, n, 15, 0.7), reference, (reference + 1) % 4)

    def kappa_with(epoch: int, extra: float) -> float:
        weights = np.ones(n)
        weights[epoch] += extra
        return float(cohen_kappa_score(reference, device, sample_weight=weights))

    kappa = cohen_kappa_score(reference, device)
    influence = np.array([(kappa_with(i, 1e-4) - kappa_with(i, -1e-4)) / 2e-4 * n for i in range(n)])
    found = kappa_interval(reference, device)
    assert found.effective == pytest.approx(effective_epochs(influence), rel=1e-5)
    observed = np.mean(reference == device)
    by_chance = (observed - kappa) / (1 - kappa)
    alike = observed * (1 - observed) / (1 - by_chance) ** 2 / (influence.var() / found.effective)
    t = stats.t.ppf(0.975, found.effective - 1)
    ends = proportion_confint(observed * alike, alike, alpha=2 * stats.norm.sf(t), method="wilson")
    assert found[:2] == pytest.approx([(end - by_chance) / (1 - by_chance) for end in ends], rel=1e-5)


def test_a_perfect_night_carries_over_the_interval_of_its_accuracy() -> None:
    reference = np.repeat([0, 1, 2, 1, 3, 1, 2, 1], 25)
    assert count_bouts(reference) == 8
    low, high = wilson(1.0, 8)
    by_chance = 0.125**2 + 0.5**2 + 0.25**2 + 0.125**2
    found = kappa_interval(reference, reference)
    assert found[:2] == pytest.approx(((low - by_chance) / (1 - by_chance), high))
    assert accuracy_interval(np.ones(200, bool), 8)[:2] == pytest.approx((low, high))


@pytest.mark.parametrize(
    ("reference", "device"),
    [([0, 1], [0, 1]), ([0, 1], [1, 0]), ([0] * 5 + [1] * 5, [0] * 10), ([0] * 9 + [1], [0] * 9 + [1]),
     ([0, 0, 1], [2, 2, 2]), ([0] * 500 + [1] * 400, [0] * 499 + [1] * 401)],
)  # fmt: skip
def test_no_interval_of_a_kappa_has_width_0(reference: list[int], device: list[int]) -> None:
    found = kappa_interval(np.array(reference), np.array(device))
    assert -1 <= found.low < found.high <= 1


def test_a_night_on_which_no_epoch_agrees_has_the_interval_of_its_accuracy() -> None:
    """With 1 of 1,000 epochs agreeing the interval is narrow; with none it is no wider than the bouts allow."""
    reference = np.repeat(np.arange(200) % 3, 5)
    device = (reference + 1 + np.arange(1000) % 2) % 3
    by_chance = float(np.bincount(reference) @ np.bincount(device)) / 1000**2
    low, high = wilson(0.0, 200)
    found = kappa_interval(reference, device)
    assert found[:2] == pytest.approx(((low - by_chance) / (1 - by_chance), (high - by_chance) / (1 - by_chance)))


def test_kappa_that_is_undefined_has_no_interval() -> None:
    assert math.isnan(kappa_interval(np.zeros(5, int), np.zeros(5, int)).low)
    assert math.isnan(kappa_interval(np.zeros(0, int), np.zeros(0, int)).low)
    assert math.isnan(accuracy_interval(np.zeros(0, bool), 0).low)


def test_kappa_covers_where_errors_last_ten_minutes() -> None:
    rng = np.random.default_rng(8)
    covered = plain = 0
    for _ in range(200):
        reference = np.repeat(rng.choice(4, 60, p=[0.1, 0.5, 0.2, 0.2]), 15)
        device = np.where(held(rng, 900, 20, 0.7), reference, (reference + 1) % 4)
        rows = np.bincount(reference, minlength=4) / 900
        truth = 1 - 0.3 / (1 - float(rows @ (0.7 * rows + 0.3 * np.roll(rows, 1))))
        found = kappa_interval(reference, device)
        covered += found.low <= truth <= found.high
        plain += abs(cohen_kappa_score(reference, device) - truth) < 1.96 * 0.018
    assert covered > 0.88 * 200
    assert plain < 0.5 * 200
