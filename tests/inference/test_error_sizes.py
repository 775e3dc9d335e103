"""Sizes of errors without a normal law, against statsmodels, scipy and numpy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.diagnostic import normal_ad
from statsmodels.stats.proportion import proportion_confint

from sleepagree.inference.error_sizes import ErrorSizes, measure_error_sizes
from sleepagree.inference.limits import Scale, fit_limits_of_agreement


def _sizes(difference: np.ndarray, who: object = None, **how: object) -> ErrorSizes:
    reference = 400.0 + np.zeros(len(difference))
    nights = {
        "reference": reference,
        "device": reference + difference,
        "participant": range(len(difference)) if who is None else who,
    }
    scale = how.pop("scale", Scale.RAW)
    return measure_error_sizes(**nights, limits=fit_limits_of_agreement(**nights, scale=scale), **how)


def test_shares_are_those_of_wilson_in_statsmodels() -> None:
    difference = np.random.default_rng(3).normal(5, 25, 23)
    found = _sizes(difference)
    for above in found.shares_above:
        nights = int(np.sum(np.abs(difference) > above.bound))
        assert above.nights == nights
        assert (above.low, above.high) == pytest.approx(proportion_confint(nights, 23, method="wilson"))
    assert [above.bound for above in found.shares_above] == [15, 30, 60]


def test_no_night_above_still_has_an_interval() -> None:
    (above,) = _sizes(np.linspace(-5, 5, 12), bounds=[30.0]).shares_above
    assert (above.share, above.low) == (0.0, 0.0)
    assert above.high == pytest.approx(proportion_confint(0, 12, method="wilson")[1])


def test_nights_of_one_person_that_are_alike_count_once() -> None:
    difference = np.repeat([40.0, 1.0, 2.0, 50.0, 3.0, 4.0], 5)
    (above,) = _sizes(difference, np.repeat(np.arange(6), 5), bounds=[30.0]).shares_above
    (single,) = _sizes(difference[::5], bounds=[30.0]).shares_above
    assert (above.nights, above.share) == (10, pytest.approx(1 / 3))
    assert above.low < single.low  # six people, and a quantile of t with five degrees of freedom
    assert above.high > single.high
    z = stats.t.ppf(0.975, 5)
    low, high = proportion_confint(2, 6, alpha=2 * stats.norm.sf(z), method="wilson")
    assert (above.low, above.high) == pytest.approx((low, high))


@pytest.mark.parametrize(("nights", "off"), [(10, 1), (3, 1), (7, 2), (10, 7)])
def test_people_with_the_same_share_count_for_one_each(nights: int, off: int) -> None:
    """A tenth is no binary fraction: what is left of a variance of such shares must not count as one."""
    difference = np.tile(np.repeat([40.0, 1.0], [off, nights - off]), 6)
    (above,) = _sizes(difference, np.repeat(np.arange(6), nights), bounds=[30.0]).shares_above
    z = stats.t.ppf(0.975, 5)
    low, high = proportion_confint(6 * off / nights, 6, alpha=2 * stats.norm.sf(z), method="wilson")
    assert (above.low, above.high) == pytest.approx((low, high))


def test_independent_nights_of_several_people_count_nearly_all() -> None:
    rng = np.random.default_rng(8)
    (above,) = _sizes(rng.normal(0, 30, 600), np.repeat(np.arange(200), 3), bounds=[30.0]).shares_above
    low, high = proportion_confint(above.nights, 600, method="wilson")
    assert above.high - above.low == pytest.approx(high - low, rel=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_anderson_darling_is_that_of_statsmodels(seed: int) -> None:
    difference = np.random.default_rng(seed).standard_t(3, 30) * 10
    found = _sizes(difference)
    plain, p = normal_ad(difference)
    assert found.anderson_darling == pytest.approx(plain * (1 + 0.75 / 30 + 2.25 / 900))
    assert (found.anderson_darling > 0.752) is bool(p < 0.05)
    assert found.excess_kurtosis == pytest.approx(stats.kurtosis(difference))
    assert found.skewness == pytest.approx(stats.skew(difference))


def test_a_few_bad_nights_among_good_ones_are_not_normal() -> None:
    difference = np.random.default_rng(1).normal(0, 5, 30)
    assert not _sizes(difference).is_not_normal
    difference[[3, 17]] = -120, 90
    found = _sizes(difference)
    assert found.is_not_normal
    assert found.outside == 2
    assert found.expected_outside == pytest.approx(1.5)


def test_false_alarms_of_the_look_at_normality() -> None:
    rng = np.random.default_rng(5)
    alarms = np.mean([_sizes(rng.normal(0, 10, 20), bounds=()).is_not_normal for _ in range(1000)])
    assert alarms < 0.06  # 5 % by the statistic alone; small departures are not told


@pytest.mark.parametrize("people", [40, 72, 150])
def test_centiles_have_the_ends_of_the_binomial_distribution(people: int) -> None:
    difference = np.random.default_rng(people).standard_t(3, people) * 10
    low, high = _sizes(difference).centiles
    ranked = np.sort(difference)
    assert low.value == pytest.approx(np.quantile(difference, 0.05, method="inverted_cdf"))
    assert high.value == pytest.approx(np.quantile(difference, 0.95, method="inverted_cdf"))
    first, last = (int(stats.binom.ppf(q, people, 0.05)) for q in (0.025, 0.975))
    assert low.high == pytest.approx(ranked[last])
    assert high.low == pytest.approx(ranked[int(stats.binom.ppf(0.025, people, 0.95)) - 1])
    # two ends exist from 72 people on: .95 ** 72 is under .025
    assert math.isnan(low.low) is math.isnan(high.high) is (people < 72)
    if people >= 72:
        assert low.low == pytest.approx(ranked[first - 1])


def test_no_centiles_before_forty_people() -> None:
    assert _sizes(np.arange(39.0)).centiles == ()


def test_intervals_of_centiles_cover() -> None:
    rng = np.random.default_rng(12)
    truth = 10 * stats.t.ppf(0.05, 3)
    inside = 0
    for _ in range(500):
        low, _ = _sizes(rng.standard_t(3, 100) * 10, bounds=()).centiles
        inside += low.low <= truth <= low.high
    assert inside / 500 > 0.93


def test_log_ratios_count_outside_on_their_own_scale() -> None:
    difference = np.r_[np.linspace(-40, 40, 19), 350.0]
    found = _sizes(difference, scale=Scale.LOG_RATIO)
    assert found.outside == 1
    assert found.shares_above[-1].nights == 1


def test_two_people_with_several_nights_say_next_to_nothing() -> None:
    (above,) = _sizes(np.array([40.0, 1, 2, 50, 3, 4]), [1, 1, 1, 2, 2, 2], bounds=[30.0]).shares_above
    assert above.low < 0.01
    assert above.high > 0.98


def test_nights_on_limits_of_no_width_are_not_outside():
    reference = np.append(np.full(30, 300.0), 3.7)  # whose sum with 0.1 is rounded otherwise
    nights = {"reference": reference, "device": reference + 0.1, "participant": np.arange(31)}
    limits = fit_limits_of_agreement(**nights)
    assert limits.upper - limits.lower < 1e-9
    assert measure_error_sizes(**nights, limits=limits).outside == 0
