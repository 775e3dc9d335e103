"""Both limits within a margin: bounds of scipy's noncentral t, statsmodels' Holm, and the size of the test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from sleepagree.inference.equivalence import ContainmentTest, containment_test, holm_adjusted
from sleepagree.inference.normal_theory import one_limit_factor

Z = stats.norm.ppf(0.975)


def _test(difference: np.ndarray, margin: float, who: object = None) -> ContainmentTest:
    people = range(difference.size) if who is None else who
    return containment_test(reference=np.zeros(difference.size), device=difference, participant=people, margin=margin)


@pytest.mark.parametrize("n", [2, 8, 30])
def test_bounds_and_p_are_those_of_noncentral_t_in_scipy(n: int) -> None:
    difference = np.random.default_rng(n).normal(-4, 10, n)
    found = _test(difference, 50.0)
    bias, sd = difference.mean(), difference.std(ddof=1)
    reach = stats.nct.ppf(0.95, n - 1, Z * math.sqrt(n)) / math.sqrt(n) * sd
    assert (found.low, found.high) == pytest.approx((bias - reach, bias + reach), rel=1e-6)
    t = math.sqrt(n) * (50 - abs(bias)) / sd
    assert found.p_value == pytest.approx(stats.nct.sf(t, n - 1, Z * math.sqrt(n)), abs=1e-7)
    assert found.contained is bool(found.p_value < 0.05)


@pytest.mark.parametrize(("bias", "n"), [(0.0, 10), (0.5, 10), (0.5, 34), (2.0, 34)])
def test_a_false_claim_is_made_in_at_most_five_per_cent_at_any_bias(bias: float, n: int) -> None:
    """40,000 studies whose upper limit touches the margin; one interval of both limits claims in 12 to 15 %."""
    sample = np.random.default_rng(n).normal(bias, 1, (40_000, n))
    reach = one_limit_factor(n=n, multiplier=Z, probability=0.95) * sample.std(axis=1, ddof=1)
    claims = np.mean(np.abs(sample.mean(axis=1)) + reach < bias + Z)
    assert claims < 0.054
    if bias >= 0.5:
        assert claims > 0.04


def test_several_nights_have_bounds_too() -> None:
    rng = np.random.default_rng(6)
    who = np.repeat(np.arange(20), 3)
    claims = 0
    for _ in range(1500):
        difference = 10 + rng.normal(0, 1, 20)[who] * 6 + rng.normal(0, 8, 60)
        claims += bool(_test(difference, 10 + Z * 10, who).contained)
    assert claims / 1500 < 0.065
    found = _test(difference, 60.0, who)
    assert found.contained is bool(found.p_value < 0.05)
    assert _test(difference, found.high, who).p_value == pytest.approx(0.05, abs=1e-6)
    # a margin inside the limits: the further inside, the more a study would be expected to find limits beyond it
    assert 0.5 < _test(difference, 24.0, who).p_value < _test(difference, 22.0, who).p_value < 1.0


def test_without_spread_there_is_no_verdict() -> None:
    assert _test(np.full(5, 3.0), 10.0).contained is None
    assert "at least 2" in _test(np.array([3.0]), 10.0).undefined_because


def test_holm_is_that_of_statsmodels() -> None:
    p = np.random.default_rng(2).random(9) ** 3
    assert holm_adjusted(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert holm_adjusted([0.02, math.nan, 0.5]) == pytest.approx((0.04, math.nan, 0.5), nan_ok=True)
