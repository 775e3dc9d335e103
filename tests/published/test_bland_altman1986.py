"""Bland JM, Altman DG (1986). Statistical methods for assessing agreement. Lancet 327:307-310.

Peak flow of 17 people. The readings were seen in three independent public copies; of the printed results the
mean -2.1 and SD 38.8 were seen in test suites of public programs. Everything else is recomputed from the
readings with the paper's formulas, not seen in print.
"""

import pytest

from sleepagree.inference.limits import LimitsOfAgreement, fit_limits_of_agreement
from sleepagree.inference.reliability import concordance_correlation
from tests.printed import agrees_with_print
from tests.published.method_comparison import LARGE_METER_1, SMALL_METER_1


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


def test_exact_intervals_of_the_limits() -> None:
    limits = _fit()
    found = (limits.lower_low, limits.lower_high, limits.upper_low, limits.upper_high)
    for value, text in zip(found, "-124.161 -53.095 48.860 119.926".split(), strict=True):
        assert agrees_with_print(value, text)


def test_slope_on_the_mean() -> None:
    assert agrees_with_print(_fit().slope, ".02869")


def test_correlation_behind_the_concordance() -> None:
    # r = .943279 is rc / Cb with Cb .999431; both sides rounded.
    ccc = concordance_correlation(reference=LARGE_METER_1, device=SMALL_METER_1)
    assert ccc.value / 0.999431 == pytest.approx(0.943279, abs=2e-6)
