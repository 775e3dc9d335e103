"""Resampling, checked against scipy, scikit-learn, closed forms and slow loops that do the same by definition."""

import doctest
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from sklearn.metrics import cohen_kappa_score

from sleepagree.inference import resampling
from sleepagree.inference.estimate import uneven_units
from sleepagree.inference.resampling import (
    bca_interval,
    cluster_bootstrap_all,
    participant_weights,
    percentile_interval,
    rng_for,
)
from sleepagree.inference.table_sums import ratio
from sleepagree.scoring import coefficients
from tests.bootstraps import bootstrap, bootstrap_mean, level_of_textbook, uneven_by_matrices


def rng(seed=0):
    return np.random.default_rng(seed)


def night_of_runs(seed=1, n=600, cells=6):
    return np.repeat(rng(seed).integers(0, cells, n // 10), 10)


def acceleration(left_out):
    """Efron 1987: the skewness of the jackknife over six."""
    away = left_out.mean() - left_out
    return (away**3).sum() / (6 * (away**2).sum() ** 1.5)


def participants(seed=2, n=12):
    """Tables of people who differ: 3 x 3, more on the diagonal."""
    draw = rng(seed)
    return draw.integers(0, 40, (n, 3, 3)) + np.eye(3, dtype=int) * draw.integers(20, 200, (n, 1, 1))


def test_a_purpose_has_its_own_stream_and_keeps_it():
    first = rng_for(7, "blocks of A").random(4)
    assert (rng_for(7, "blocks of A").random(4) == first).all()
    for other in (rng_for(7, "blocks of B"), rng_for(8, "blocks of A"), rng_for(7, "blocks of")):
        assert not (other.random(4) == first).any()
    with pytest.raises(ValueError, match="seed must be 0 or more, not -1"):
        rng_for(-1, "x")


# ---- intervals of replicates


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("size", [1, 2, 41, 2000])
def test_percentiles_are_numpys(level, size):
    values = rng(size).normal(size=size)
    found = percentile_interval(values, level=level)
    expected = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    assert (found.low, found.high) == pytest.approx(expected.tolist(), rel=1e-12, abs=1e-12)
    assert found.undefined == 0


def test_replicates_without_value_are_counted_and_too_many_end_the_interval():
    values = np.arange(100.0)
    values[:5] = np.nan
    found = percentile_interval(values, level=0.9)
    assert found.undefined == 5
    assert (found.low, found.high) == pytest.approx(np.quantile(np.arange(5.0, 100.0), [0.05, 0.95]).tolist())
    values[5] = np.nan
    found = percentile_interval(values, level=0.9)
    assert np.isnan([found.low, found.high]).all()
    assert found.because == "6 of 100 resamples have no value"


def test_levels_and_shapes_are_checked():
    with pytest.raises(ValueError, match=r"level must lie between 0 and 1, such as 0\.95, not 95"):
        percentile_interval(np.arange(3.0), level=95)
    with pytest.raises(ValueError, match="replicates must hold at least one value"):
        percentile_interval(np.empty(0))


@pytest.mark.parametrize("statistic", [np.mean, np.std, lambda x, axis: np.median(x, axis=axis)])
def test_bca_is_scipys(statistic):
    sample = rng(9).lognormal(size=40)
    result = stats.bootstrap(
        (sample,), statistic, n_resamples=3000, method="BCa", rng=rng(10), vectorized=True, axis=-1
    )
    leave_one_out = np.array([statistic(np.delete(sample, i), axis=-1) for i in range(40)])
    found = bca_interval(
        result.bootstrap_distribution,
        value=statistic(sample, axis=-1),
        acceleration=acceleration(leave_one_out),
        tail=0.025,
    )
    assert (found.low, found.high) == pytest.approx(tuple(result.confidence_interval), rel=1e-10)


def test_bca_says_why_there_is_none():
    values = rng().normal(size=200)
    assert (
        bca_interval(values, value=99.0, acceleration=0.0, tail=0.1).because
        == "all resamples lie on one side of the value"
    )
    assert "leaving out one unit" in bca_interval(values, value=0.0, acceleration=np.nan, tail=0.1).because


# ---- a study


def test_weights_are_draws_with_replacement():
    weights = participant_weights(5, 20_000, rng(11))
    assert (weights.sum(axis=1) == 5).all()
    # multinomial: mean 1, variance 1 - 1/5, covariance -1/5
    assert weights.mean(axis=0) == pytest.approx(np.ones(5), abs=0.03)
    assert np.cov(weights.T) == pytest.approx(np.eye(5) - 0.2, abs=0.03)


def test_cluster_bootstrap_equals_the_same_draws_done_epoch_by_epoch():
    tables = participants(n=6)
    level = level_of_textbook(0.9, tables.sum(axis=(1, 2)))
    found = bootstrap(tables, coefficients.kappa, rng=rng(14), resamples=200, level=level)
    sides = [np.unravel_index(np.repeat(np.arange(9), table.ravel()), (3, 3)) for table in tables]

    def kappa_of(people):
        return cohen_kappa_score(
            np.concatenate([sides[p][0] for p in people]), np.concatenate([sides[p][1] for p in people])
        )

    drawn = participant_weights(6, 200, rng(14))
    slow = [kappa_of(np.repeat(np.arange(6), weights)) for weights in drawn]
    assert found.value == pytest.approx(kappa_of(range(6)), rel=1e-12)
    assert (found.percentile.low, found.percentile.high) == pytest.approx(
        np.quantile(slow, [0.05, 0.95]).tolist(), rel=1e-10
    )
    assert found.percentile.se == pytest.approx(np.std(slow, ddof=1), rel=1e-10)


def test_bca_of_clusters_is_scipys():
    tables = participants(n=15)

    def kappa_of(index, axis=-1):
        return coefficients.kappa(tables[index].sum(axis=-3))

    # scipy draws its own resamples; hand its distribution to our interval, with our jackknife
    result = stats.bootstrap(
        (np.arange(15),), kappa_of, n_resamples=4000, method="BCa", rng=rng(15), vectorized=True, axis=-1
    )
    sample = resampling._Sample(tables, {"kappa": coefficients.kappa}, {})
    found = bca_interval(
        result.bootstrap_distribution,
        value=float(sample.values[0]),
        acceleration=sample.spreads()[0].acceleration,
        tail=0.025,
    )
    assert (found.low, found.high) == pytest.approx(tuple(result.confidence_interval), rel=1e-9)
    # and with our own resamples up to chance: the ends' standard error is about 0.0025 here
    own = bootstrap(tables, coefficients.kappa, rng=rng(16), resamples=4000, level=level_of_textbook(0.95, 15))
    assert (own.bca.low, own.bca.high) == pytest.approx(tuple(result.confidence_interval), abs=0.012)


def test_jackknife_figures_are_those_of_leaving_out_one_by_one():
    tables = participants(n=9)
    left_out = np.array([coefficients.kappa(np.delete(tables, i, axis=0).sum(axis=0)) for i in range(9)])
    moments = resampling._Sample(tables, {"kappa": coefficients.kappa}, {}).spreads()[0]
    assert moments.acceleration == pytest.approx(acceleration(left_out), rel=1e-9)
    # Efron & Tibshirani: jackknife standard error
    assert moments.jackknife_se == pytest.approx(np.sqrt(8 / 9 * ((left_out - left_out.mean()) ** 2).sum()), rel=1e-9)


def test_delta_by_differences_is_delta_in_closed_form():
    tables = participants()
    # Yang & Zhou 2014: K/(K - 1) times the sum of squared pulls of the participants, over N squared
    pulls = np.einsum("pij,ij->p", tables, coefficients.kappa_influence(tables.sum(axis=0)))
    closed = np.sqrt(12 / 11 * (pulls**2).sum()) / tables.sum()
    by_differences = bootstrap(tables, coefficients.kappa, rng=rng(), resamples=10)
    given = bootstrap(tables, coefficients.kappa, rng=rng(), resamples=10, influence=coefficients.kappa_influence)
    assert by_differences.delta.se == pytest.approx(closed, rel=1e-7)
    assert given.delta.se == pytest.approx(closed, rel=1e-12)


def test_each_resample_has_the_standard_error_of_the_people_drawn():
    tables, weights = participants(n=15), resampling.participant_weights(15, 40, rng(3)).astype(float)
    sample = resampling._Sample(tables, {"kappa": coefficients.kappa}, {})
    # Yang & Zhou 2014 once more: pulls by the sample's table in closed form, each as often as its person was drawn
    pulls = np.einsum("pij,ij->p", tables, coefficients.kappa_influence(tables.sum(axis=0))) / tables.sum()
    drawn = np.array([pulls.repeat(times.astype(int)) for times in weights])
    found = sample.standard_errors(weights, weights @ sample.flat)
    assert found[:, 0] == pytest.approx(np.sqrt(15 * drawn.var(axis=1, ddof=1)), rel=1e-6)


def test_student_tails_widen_by_what_few_participants_ask_for():
    tables = participants(n=8)
    options = {"resamples": 2000, "level": 0.95}
    sizes = tables.sum(axis=(1, 2))
    normal = bootstrap(tables, coefficients.kappa, rng=rng(17), resamples=2000, level=level_of_textbook(0.95, sizes))
    student = bootstrap(tables, coefficients.kappa, rng=rng(17), **options)
    inflation, degrees = uneven_by_matrices(sizes)
    t = stats.t.ppf(0.975, degrees)
    reach = t * student.delta.se * np.sqrt(inflation / (8 / 7))
    assert student.delta.high - student.value == pytest.approx(reach, rel=1e-9)
    drawn = participant_weights(8, 2000, rng(17))
    replicates = coefficients.kappa(np.einsum("bp,pij->bij", drawn, tables))
    # Hesterberg 2015 (formula from memory): tail = Phi(-sqrt(n/(n-1)) t)
    tail = stats.norm.cdf(-np.sqrt(inflation) * t)
    assert (student.percentile.low, student.percentile.high) == pytest.approx(
        np.quantile(replicates, [tail, 1 - tail]).tolist(), rel=1e-9
    )
    assert student.percentile.low < normal.percentile.low
    assert f"tails of t with {degrees:.3g} df" in student.percentile.method


def test_several_statistics_share_the_resamples_of_each_alone():
    tables = participants()
    kernels = {"accuracy": coefficients.accuracy, "sensitivity": coefficients.sensitivity, "kappa": coefficients.kappa}
    influence = coefficients.kappa_influence
    together = cluster_bootstrap_all(tables, kernels, rng=rng(18), resamples=300, influences={"kappa": influence})
    assert together["accuracy"] == (bootstrap(tables, coefficients.accuracy, rng=rng(18), resamples=300),)
    assert together["kappa"] == (
        bootstrap(tables, coefficients.kappa, rng=rng(18), resamples=300, influence=influence),
    )
    of_classes = together["sensitivity"]
    assert [part.value for part in of_classes] == coefficients.sensitivity(tables.sum(axis=0)).tolist()
    assert len({part.percentile.low for part in of_classes}) == 3


def test_same_seed_same_intervals():
    tables = participants()
    first, second, other = (
        bootstrap(tables, coefficients.kappa, rng=rng_for(seed, "study"), resamples=100) for seed in (3, 3, 4)
    )
    assert first == second
    assert first != other


def test_a_mean_over_participants_has_the_textbook_standard_error():
    values = np.array([0.3, 0.5, np.nan, 0.4, 0.8, np.nan, 0.55])
    found = bootstrap_mean(values, rng=rng(19), resamples=4000)
    kept = values[~np.isnan(values)]
    assert found.value == pytest.approx(kept.mean())
    assert found.delta.se == pytest.approx(stats.sem(kept), rel=1e-7)
    interval = stats.t.interval(0.95, 4, loc=kept.mean(), scale=stats.sem(kept))
    assert (found.delta.low, found.delta.high) == pytest.approx(interval, rel=1e-7)
    assert found.units == 5
    assert found.notes[0] == "2 of 7 participants have no value and were left out"


def test_no_participant_with_a_value():
    found = bootstrap_mean(np.array([np.nan, np.nan]), rng=rng())
    assert np.isnan(found.value)
    assert found.delta.undefined_because == "none of the 2 participants has a value"
    assert (found.units, found.undefined_replicates) == (0, 0)


def test_one_unit_has_a_value_and_no_interval():
    found = bootstrap(participants(n=1), coefficients.kappa, rng=rng(), unit="nights")
    assert not np.isnan(found.value)
    assert np.isnan([found.percentile.low, found.bca.high, found.delta.low, found.delta.se]).all()
    assert found.notes == ("an interval needs at least two nights",)


def test_replicates_in_which_kappa_is_undefined_are_counted():
    # two people; the first was awake all night, so a resample of the first twice (1 in 4) has no kappa
    tables = np.array([[[50, 0], [0, 0]], [[20, 5], [10, 60]]])
    found = bootstrap(tables, coefficients.kappa, rng=rng(20), resamples=1000)
    assert 190 < found.undefined_replicates < 310
    assert np.isnan([found.percentile.low, found.bca.low]).all()
    assert not np.isnan(found.value)
    assert f"{found.undefined_replicates} of 1000 resamples have no value" in found.notes[0]
    nobody = bootstrap(tables[[0, 0]], coefficients.kappa, rng=rng(20), resamples=50)
    assert np.isnan(nobody.value)
    assert nobody.undefined_replicates == 50
    assert nobody.delta.undefined_because


def test_people_who_are_all_alike_tell_nothing_of_others():
    """An interval without width would claim certainty, and rounding can leave the value outside it."""
    tables = np.array([np.diag([10, 20, 30]), np.diag([5, 5, 9]), np.diag([7, 8, 9])])
    found = bootstrap(tables, coefficients.kappa, rng=rng(21), resamples=100)
    alike = bootstrap(np.array([[[95, 5], [10, 109]]] * 12), coefficients.accuracy, rng=rng(21), resamples=100)
    for interval in (found.primary, found.percentile, found.bca, found.delta, alike.primary):
        assert np.isnan([interval.low, interval.high]).all()
    assert "that of each of the 3 participants" in found.notes[0]


def test_a_stage_that_few_people_have_is_told_by_those_alone():
    """Three of nine people have the class: the interval is that of these three, whoever else took part."""
    few = np.array([[20, 30], [33, 12], [41, 44]])
    everybody = np.concatenate((few, np.zeros((6, 2), int)))
    sums = np.concatenate((everybody, np.arange(500, 509)[:, np.newaxis]), axis=1)
    share = {"share": lambda t: ratio(t[..., 0], t[..., 0] + t[..., 1])}
    bounds = {"share": resampling.SHARE}
    (found,) = cluster_bootstrap_all(sums, share, rng=rng(3), resamples=200, bounds=bounds)["share"]
    (alone,) = cluster_bootstrap_all(sums[:3], share, rng=rng(3), resamples=200, bounds=bounds)["share"]
    assert (found.delta.low, found.delta.high) == pytest.approx((alone.delta.low, alone.delta.high))
    assert found.degrees == pytest.approx(uneven_by_matrices([50, 45, 85])[1])
    assert f"3 of 9 participants, tails of t with {found.degrees:.3g} df" in found.primary.method
    (one,) = cluster_bootstrap_all(sums[[0, 3, 4, 5]], share, rng=rng(3), resamples=200, bounds=bounds)["share"]
    assert one.primary.value == 0.4
    assert np.isnan(one.primary.low)
    assert one.notes[0] == "no interval: 1 of 4 participants has an epoch that it is about"


def test_a_mean_near_nothing_has_the_interval_of_its_spread():
    """Sums that nearly cancel out once left a step of differences too small to see anything."""
    values = np.array([-1.5, -0.4, -1.7, -0.6, -1.2, -0.6 + 6e-13])
    found = bootstrap_mean(values, rng=rng(), resamples=50)
    assert found.delta.se == pytest.approx(stats.sem(values), rel=1e-6)
    assert found.degrees == 5


@pytest.mark.parametrize("sizes", [[900] * 5, [1, 1, 1, 10] * 2, [3, 0, 7, 0.5], [200, 200, 1, 1]])
def test_uneven_units_are_those_of_the_matrices(sizes):
    assert [float(found) for found in uneven_units(sizes)] == pytest.approx(uneven_by_matrices(sizes), abs=1e-9)


def test_units_of_one_size_have_whole_degrees():
    for units in range(2, 250):
        inflation, degrees = uneven_units(np.full(units, 960))
        assert degrees == units - 1
        assert inflation == pytest.approx(units / (units - 1), rel=1e-12)


def test_the_inflated_variance_of_a_ratio_is_right_on_average():
    """By simulation, as Bell and McCaffrey promise it: people who vary alike, whatever their number of nights."""
    sizes, own = np.array([1.0, 1, 1, 10, 1, 1, 1, 10]), rng(8).normal(size=(40_000, 8))
    ratios = own @ sizes / sizes.sum()
    variance = (((own - ratios[:, None]) * sizes) ** 2).sum(axis=1) / sizes.sum() ** 2
    inflation, degrees = uneven_units(sizes)
    assert inflation * variance.mean() == pytest.approx(ratios.var(), rel=0.03)
    # a chi square with so many degrees varies so much
    assert variance.var() / variance.mean() ** 2 == pytest.approx(2 / degrees, rel=0.05)


def simulated_shares(sizes, rng):
    """Epochs found, and epochs of a class, of people whose share varies around .85."""
    epochs = np.array(sizes)
    return np.stack([rng.binomial(epochs, rng.beta(8.5, 1.5, epochs.size)), epochs], axis=1)


@pytest.mark.parametrize("sizes", [[200] * 6, [200] * 2 + [1] * 4, [300, 30, 30, 30] * 2, [200] * 3 + [1] * 12])
def test_intervals_of_a_share_hold_however_uneven_people_are(sizes):
    """By simulation; intervals that counted heads held .85 in 73, 81 and 83 % of the uneven ones."""
    rng = np.random.default_rng(5)
    held = []
    for _ in range(400):
        (found,) = cluster_bootstrap_all(
            simulated_shares(sizes, rng),
            {"share": found_share},
            rng=rng,
            resamples=0,
            bounds={"share": resampling.SHARE},
        )["share"]
        if not np.isnan(found.delta.low):
            held.append(found.delta.low <= 0.85 <= found.delta.high)
    assert len(held) > 380
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))


def test_one_person_with_nearly_all_epochs_tells_nothing_of_others():
    sums = np.array([[170, 200], [1, 1], [0, 1], [1, 1], [1, 1]])
    (found,) = cluster_bootstrap_all(
        sums, {"share": found_share}, rng=rng(), resamples=100, bounds={"share": resampling.SHARE}
    )["share"]
    assert np.isnan([found.primary.low, found.delta.high]).all()
    assert found.notes[0] == "no interval: one of 5 participants has 98% of the epochs that it is about"


CREW_SHARES = np.array([[57, 60], [88, 90], [70, 71], [40, 55]])  # invented: epochs found, epochs of the class


def found_share(sums):
    return sums[..., 0] / sums[..., 1]


def test_the_delta_interval_of_a_share_is_that_of_a_logit_regression_with_clusters():
    found = bootstrap(CREW_SHARES, found_share, rng=rng(), resamples=200, bounds=resampling.SHARE)
    # statsmodels as an oracle: a logistic regression with nothing but an intercept, and a sandwich by participants
    outcome = np.concatenate([np.arange(n) < k for k, n in CREW_SHARES]).astype(float)
    who = np.repeat(np.arange(4), CREW_SHARES[:, 1])
    model = sm.GLM(outcome, np.ones((outcome.size, 1)), family=sm.families.Binomial())
    fitted = model.fit(cov_type="cluster", cov_kwds={"groups": who}, tol=1e-14)
    # which inflates by n/(n - 1), as if people had as many epochs each
    inflation, degrees = uneven_by_matrices(CREW_SHARES.sum(axis=1))  # both columns are looked at
    reach = stats.t.ppf(0.975, degrees) * fitted.bse[0] * np.sqrt(inflation / (4 / 3))
    ends = 1 / (1 + np.exp(-(fitted.params[0] + np.array([-reach, reach]))))
    assert (found.delta.low, found.delta.high) == pytest.approx(tuple(ends), rel=1e-6)
    assert "logit" in found.delta.method
    plain = bootstrap(CREW_SHARES, found_share, rng=rng(), resamples=200).delta
    assert plain.high > 1  # which is why
    assert found.delta.se == plain.se


@pytest.mark.parametrize("value", [0, 1])
def test_a_share_that_nobody_varies_in_has_no_interval(value):
    sums = np.stack([value * CREW_SHARES[:, 1], CREW_SHARES[:, 1]], axis=1)
    found = bootstrap(sums, found_share, rng=rng(), resamples=50, bounds=resampling.SHARE)
    for estimate in (found.primary, found.percentile, found.bca, found.delta):
        assert estimate.value == value
        assert np.isnan([estimate.low, estimate.high]).all()
    assert "no interval" in found.notes[0]


def test_minutes_are_cut_at_nothing_and_say_so():
    values = np.array([1.0, 5.0, 80.0])
    found = bootstrap_mean(values, rng=rng(), resamples=50, bounds=resampling.Bounds(0.0, np.inf))
    # scipy as an oracle: the t interval begins below 0
    low, high = stats.t.interval(0.95, 2, values.mean(), stats.sem(values))
    assert low < 0
    assert (found.delta.low, found.delta.high) == (0.0, pytest.approx(high))
    assert "cut at 0 and inf" in found.delta.method


@pytest.mark.parametrize(
    ("tables", "options", "message"),
    [
        (np.zeros((0, 2, 2)), {}, "at least one unit"),
        (np.zeros(4), {}, "at least one unit"),
        (np.ones((3, 2, 2)), {"resamples": -1}, "resamples must be 0 or more, not -1"),
        (np.ones((3, 2, 2)), {"level": 1.0}, "level must lie between 0 and 1, such as 0.95, not 1.0"),
    ],
)
def test_misuse_of_clusters_is_told(tables, options, message):
    with pytest.raises(ValueError, match=message):
        bootstrap(tables, coefficients.kappa, rng=rng(), **options)


@pytest.mark.parametrize("people", [200, 150_000])
def test_memory_stays_flat(people):
    tables = np.ones((people, 5, 5), dtype=np.int32) + np.eye(5, dtype=np.int32) * 9
    tracemalloc.start()
    bootstrap(tables, coefficients.kappa, rng=rng(), resamples=5 if people > 1000 else 2000)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 64 << 20  # the input itself was made before


def test_the_path_of_one_night_stays_light():
    code = (
        "import sys, numpy as np, sleepagree.scoring.offsets as c, sleepagree.scoring.disagreement as d;"
        "import sleepagree.inference.one_night as o;"
        "x = np.array([0, 1] * 50); o.kappa_interval(x, x[::-1]); o.share_interval(x == 1, x == 2, level=0.95);"
        "c.quick_offset(x, x, 2);"
        "d.describe_disagreement(x, 1 - x, np.arange(100), classes=('a', 'b'));"
        "print([m for m in ('scipy', 'pandas', 'statistics', 'mne', 'sklearn', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", ["methods_intervals.md", "methods_time.md"])
def test_worked_examples_of_the_methods_pages(name):
    page = Path(__file__).parents[2] / "docs" / name
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.failed == 0
    assert outcome.attempted >= 10


# --- several means at once --------------------------------------------------------------------------------


def test_means_together_are_the_means_alone():
    values = np.random.default_rng(31).normal(size=(3, 12))
    values[2, [1, 5]] = np.nan
    columns = {"a": values[0], "b": values[1], "c": values[2]}
    found = resampling.mean_bootstrap_all(columns, rng=lambda: rng(32), resamples=500)
    assert list(found) == list(columns)
    for name, column in columns.items():
        alone = bootstrap_mean(column, rng=rng(32), resamples=500)
        for kind in ("percentile", "bca", "delta"):
            ours, theirs = getattr(found[name], kind), getattr(alone, kind)
            assert (ours.value, ours.low, ours.high) == pytest.approx((theirs.value, theirs.low, theirs.high), rel=1e-9)
        assert (found[name].units, found[name].notes) == (alone.units, alone.notes)


def test_columns_with_the_same_participants_are_drawn_once():
    made: list[int] = []

    def make() -> np.random.Generator:
        made.append(1)
        return rng(33)

    some = np.array([1.0, np.nan, 3.0, 4.0])
    none = np.full(4, np.nan)
    columns = {"a": np.arange(4.0), "b": some, "c": np.arange(4.0) ** 2, "d": 2 * some, "e": none}
    found = resampling.mean_bootstrap_all(columns, rng=make, resamples=20)
    assert len(made) == 2
    assert found["e"].delta.undefined_because == "none of the 4 participants has a value"


def test_a_mean_of_exactly_nothing_has_the_interval_of_its_spread():
    # below ten participants the delta method's interval is the one that is told: it must not have no width
    values = np.array([1.0, -1.0, 2.0, -2.0, 3.0, -3.0, 0.5, -0.5])
    found = bootstrap_mean(values, rng=rng(34), resamples=200)
    assert found.value == 0.0
    assert found.delta.se == pytest.approx(stats.sem(values), rel=1e-7)
    assert (found.delta.low, found.delta.high) == pytest.approx(
        stats.t.interval(0.95, values.size - 1, loc=0.0, scale=stats.sem(values)), rel=1e-7
    )
