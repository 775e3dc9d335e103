"""Zou GY (2013). Confidence interval estimation for the Bland-Altman limits. Stat Methods Med Res 22:630-642.

The example with four people was seen in the test suite of a public implementation, which gives it as an
example from the paper; those with all twelve are recomputed with the formulas.
"""

import pytest

from sleepagree.inference.limits import LimitsOfAgreement, fit_limits_of_agreement
from tests.printed import agrees_with_print
from tests.published.method_comparison import HEART_PERSON, HEART_X, HEART_Y

FIRST_FOUR = HEART_PERSON <= 4


def _check(limits: LimitsOfAgreement, printed: str) -> None:
    found = (
        *(limits.bias, limits.lower, limits.upper),
        *(limits.lower_low, limits.lower_high, limits.upper_low, limits.upper_high),
    )
    for value, text in zip(found, printed.split(), strict=True):
        assert agrees_with_print(value, text), (value, text)


def test_four_people_true_value_varies() -> None:
    limits = fit_limits_of_agreement(
        reference=HEART_Y[FIRST_FOUR], device=HEART_X[FIRST_FOUR], participant=HEART_PERSON[FIRST_FOUR], multiplier=1.96
    )
    _check(limits, ".7255 -2.1404 3.5915 -9.825 -.329 1.780 11.276")
    # Seen: .7255, -2.14, 3.59; -9.83, -.33; 1.78 (as 1.77), 11.27.
    assert limits.lower_low == pytest.approx(-9.83, abs=0.006)
    assert limits.upper_low == pytest.approx(1.77, abs=0.011)
    assert limits.upper_high == pytest.approx(11.27, abs=0.007)


def test_twelve_people() -> None:
    limits = fit_limits_of_agreement(reference=HEART_Y, device=HEART_X, participant=HEART_PERSON, multiplier=1.96)
    _check(limits, ".7092 -1.2969 2.7153 -2.663 -.561 1.980 4.081")


def test_components_of_twelve_people() -> None:
    limits = fit_limits_of_agreement(reference=HEART_Y, device=HEART_X, participant=HEART_PERSON, multiplier=1.96)
    assert agrees_with_print(limits.bias, ".709236")
    assert agrees_with_print(limits.sd, "1.023525")
    assert agrees_with_print(limits.within_sd**2, ".170714")
    assert agrees_with_print(limits.lower, "-1.296872")
    assert agrees_with_print(limits.upper, "2.715344")
    assert limits.between_sd**2 == pytest.approx(0.912691 - 0.170714 / 4.768212, abs=1e-6)
