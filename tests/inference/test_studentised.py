"""Bootstrap-t intervals of participants, against scipy's resamples and the definition done slowly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from sleepagree.inference.resampling import CORRELATION, SHARE, participant_weights
from sleepagree.scoring import coefficients
from tests.bootstraps import bootstrap, bootstrap_mean


def test_the_interval_of_a_mean_is_the_definition_with_scipys_standard_errors() -> None:
    values = np.random.default_rng(3).beta(4, 2, 14)
    found = bootstrap_mean(values, rng=np.random.default_rng(5), resamples=400, bounds=SHARE)
    drawn = [np.repeat(values, w) for w in participant_weights(14, 400, np.random.default_rng(5))]
    t = [(x.mean() - values.mean()) / stats.sem(x) for x in drawn]
    low, high = np.quantile(t, (0.025, 0.975))
    # the standard error of a resample of n is that of the sample's formula, with n - 1
    expected = values.mean() - high * stats.sem(values), values.mean() - low * stats.sem(values)
    assert found.studentised is not None
    assert (found.studentised.low, found.studentised.high) == pytest.approx(expected, rel=1e-7)
    assert found.primary is found.studentised
    assert found.primary.method == "bootstrap-t, 400 resamples of 14 participants"


def test_kappas_standard_error_is_that_of_each_resample() -> None:
    draw = np.random.default_rng(8)
    tables = draw.integers(0, 30, (12, 3, 3)) + np.eye(3, dtype=int) * draw.integers(20, 90, (12, 1, 1))
    influence = coefficients.kappa_influence
    found = bootstrap(
        tables, coefficients.kappa, influence=influence, rng=np.random.default_rng(9), resamples=150, bounds=CORRELATION
    )

    def kappa_and_error(people: np.ndarray) -> tuple[float, float]:
        # Yang & Zhou 2014, person by person
        table = people.sum(axis=0)
        pulls = np.einsum("pij,ij->p", people, influence(table))
        n = len(people)
        return float(coefficients.kappa(table)), float(np.sqrt(n / (n - 1) * (pulls**2).sum()) / table.sum())

    value, error = kappa_and_error(tables)
    t = []
    for weights in participant_weights(12, 150, np.random.default_rng(9)):
        own, spread = kappa_and_error(np.repeat(tables, weights, axis=0))
        t.append((own - value) / spread)
    low, high = np.quantile(t, (0.025, 0.975))
    assert (found.primary.low, found.primary.high) == pytest.approx((value - high * error, value - low * error))


@pytest.mark.parametrize(
    ("units", "kind"), [(9, "delta"), (10, "studentised"), (200, "studentised"), (201, "percentile")]
)
def test_which_interval_is_told_first_depends_on_the_number_of_people(units: int, kind: str) -> None:
    values = np.random.default_rng(units).beta(4, 2, units)
    found = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=100, bounds=SHARE)
    assert found.primary is getattr(found, kind)


def test_minutes_keep_students_interval_whatever_their_number() -> None:
    values = np.random.default_rng(2).exponential(20, 60)
    found = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=100)
    expected = stats.t.interval(0.95, 59, values.mean(), stats.sem(values))
    assert (found.primary.low, found.primary.high) == pytest.approx(expected)
    assert found.studentised is None


def test_few_people_have_kappas_interval_on_the_scale_of_atanh() -> None:
    values = np.array([0.99, 0.95, 0.2])
    found = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=50, bounds=CORRELATION)
    reach = stats.t.ppf(0.975, 2) * stats.sem(values) / (1 - values.mean() ** 2)
    expected = np.tanh(np.arctanh(values.mean()) + np.array([-reach, reach]))
    assert (found.primary.low, found.primary.high) == pytest.approx(tuple(expected))
    assert "scale of atanh" in found.primary.method


def test_a_perfect_kappa_of_everybody_has_no_interval_rather_than_one_of_no_width() -> None:
    tables = np.array([np.diag([10, 20, 30]), np.diag([5, 5, 9]), np.diag([7, 8, 9])])
    found = bootstrap(tables, coefficients.kappa, rng=np.random.default_rng(1), resamples=50, bounds=CORRELATION)
    assert found.value == 1.0
    assert np.isnan([found.primary.low, found.primary.high]).all()
    assert found.notes == ("no interval: the value is 1 on every night, so that nothing tells how sure it is",)
