"""Bland JM, Altman DG (1986). Statistical methods for assessing agreement. Lancet 327:307-310.

Peak flow of 17 people. The readings were seen in three independent public copies; of the printed results the
mean -2.1 and SD 38.8 and the interval -114.3 to -45.1 of the lower limit were seen in test suites of public
programs. Everything else is recomputed from the readings with the paper's formulas, not seen in print.
"""

import numpy as np
import pytest

from sleepagree.limits import LimitsOfAgreement, TrueValue, fit_limits_of_agreement, joint_outer_limits
from sleepagree.normal_factors import LimitsInterval, approximate_limit_half_width
from sleepagree.reliability import concordance_correlation
from tests.printed import agrees_with_print
from tests.published.method_comparison import (
    LARGE_METER_1,
    LARGE_METER_2,
    SMALL_METER_1,
    SMALL_METER_2,
)


def _fit(**options: object) -> LimitsOfAgreement:
    return fit_limits_of_agreement(
        reference=SMALL_METER_1,
        device=LARGE_METER_1,
        participant=range(17),
        **options,  # type: ignore[arg-type]
    )


def test_bias_and_spread() -> None:
    limits = _fit()
    assert agrees_with_print(limits.bias, "-2.1")  # seen
    assert agrees_with_print(limits.sd, "38.8")  # seen
    assert agrees_with_print(limits.bias, "-2.11765")
    assert agrees_with_print(limits.sd, "38.76513")
    assert agrees_with_print(limits.bias_low, "-22.0488")
    assert agrees_with_print(limits.bias_high, "17.8135")


@pytest.mark.parametrize(("multiplier", "lower", "upper"), [(2.0, "-79.648", "75.413"), (1.96, "-78.0973", "73.8620")])
def test_limits(multiplier: float, lower: str, upper: str) -> None:
    limits = _fit(multiplier=multiplier)
    assert agrees_with_print(limits.lower, lower)
    assert agrees_with_print(limits.upper, upper)


@pytest.mark.parametrize(
    ("interval", "multiplier", "printed"),
    [
        (LimitsInterval.APPROXIMATE_1986, 2.0, "-114.170 -45.126 40.891 109.934"),
        (LimitsInterval.APPROXIMATE_1999, 1.96, "-112.853 -43.341 39.106 108.618"),
        (None, 1.959963984540054, "-124.161 -53.095 48.860 119.926"),
    ],
)
def test_intervals_of_the_limits(interval: LimitsInterval | None, multiplier: float, printed: str) -> None:
    limits = _fit(interval=interval, multiplier=multiplier)
    found = (limits.lower_low, limits.lower_high, limits.upper_low, limits.upper_high)
    for value, text in zip(found, printed.split(), strict=True):
        assert agrees_with_print(value, text)


def test_interval_by_recovered_variance() -> None:
    # Recomputed with 1.96 in some places and 1.959964 in others, so to a thousandth only.
    limits = _fit(interval=LimitsInterval.MOVER, multiplier=1.96)
    found = (limits.lower_low, limits.lower_high, limits.upper_low, limits.upper_high)
    assert found == pytest.approx((-121.826, -51.346, 47.110, 117.590), abs=1e-3)


def test_printed_interval_of_the_lower_limit() -> None:
    # Seen: -114.3 and -45.1. The paper works with rounded mean and SD, hence a tenth or two of slack.
    limits = _fit(interval=LimitsInterval.APPROXIMATE_1986, multiplier=2.0)
    assert limits.lower_low == pytest.approx(-114.3, abs=0.2)
    assert limits.lower_high == pytest.approx(-45.1, abs=0.05)


def test_outer_ends_as_a_public_program_prints_them() -> None:
    # Seen in its tests with the difference reversed: 109 (approximate) and 122 (MOVER).
    assert agrees_with_print(-_fit(interval=LimitsInterval.MOVER, multiplier=1.96).lower_low, "122")
    assert agrees_with_print(_fit(interval=LimitsInterval.APPROXIMATE_1999, multiplier=1.96).upper_high, "109")


def test_standard_error_of_a_limit() -> None:
    t_16 = 2.119905299
    for form, printed in (
        (LimitsInterval.APPROXIMATE_1986, "16.2846"),
        (LimitsInterval.APPROXIMATE_1999, "16.3951"),
    ):
        half = approximate_limit_half_width(n=17, sd=38.765130, multiplier=1.96, form=form)
        assert agrees_with_print(half / t_16, printed)


def test_outer_limits_of_the_exact_joint_range() -> None:
    outer = joint_outer_limits(_fit())
    assert agrees_with_print(outer.low, "-122.453")
    assert agrees_with_print(outer.high, "118.218")


def test_slope_on_the_mean() -> None:
    assert agrees_with_print(_fit().slope, ".02869")


def test_correlation_behind_the_concordance() -> None:
    # r = .943279 is rc / Cb with Cb .999431; both sides rounded.
    ccc = concordance_correlation(reference=LARGE_METER_1, device=SMALL_METER_1)
    assert ccc.value / 0.999431 == pytest.approx(0.943279, abs=2e-6)


def test_two_readings_by_each_meter() -> None:
    """The correction for means of two readings is the case of a true value that stays the same."""
    who = np.tile(np.arange(17), 2)
    limits = fit_limits_of_agreement(
        reference=np.concatenate([SMALL_METER_1, SMALL_METER_2]),
        device=np.concatenate([LARGE_METER_1, LARGE_METER_2]),
        participant=who,
        true_value=TrueValue.CONSTANT,
    )
    assert agrees_with_print(limits.bias, "-6.0294")
    assert agrees_with_print(limits.sd, "37.6548")
    # SD of the differences of means 33.2041 and rms of differences between readings 21.647 and 28.158.
    within = (21.647**2 + 28.158**2) / 2
    assert limits.within_sd == pytest.approx(np.sqrt(within), abs=1e-3)
    assert limits.between_sd == pytest.approx(np.sqrt(33.2041**2 - within / 2), abs=1e-3)
