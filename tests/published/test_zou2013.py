"""Zou GY (2013). Confidence interval estimation for the Bland-Altman limits. Stat Methods Med Res 22:630-642.

The two examples with four people were seen in the test suite of a public implementation, which gives them as
examples from the paper; those with all twelve are recomputed with the formulas.
"""

import numpy as np
import pytest

from sleepagree.limits import LimitsOfAgreement, TrueValue, fit_limits_of_agreement
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


def test_four_people_true_value_constant_readings_missing() -> None:
    heart_y = HEART_Y[FIRST_FOUR].copy()
    heart_y[[4, 8]] = np.nan  # fifth of the first person, fourth of the second
    limits = fit_limits_of_agreement(
        reference=heart_y,
        device=HEART_X[FIRST_FOUR],
        participant=HEART_PERSON[FIRST_FOUR],
        true_value=TrueValue.CONSTANT,
        multiplier=1.96,
    )
    _check(limits, ".7152 -2.2318 3.6622 -9.769 -.478 1.908 11.199")
    # Seen: -2.23, 3.66; -9.76, -.48; 1.91, 11.20 (cut, not rounded, in places).
    assert (limits.lower, limits.upper) == pytest.approx((-2.23, 3.66), abs=5e-3)
    assert limits.lower_low == pytest.approx(-9.76, abs=0.01)
    assert (limits.lower_high, limits.upper_low) == pytest.approx((-0.48, 1.91), abs=5e-3)
    assert limits.upper_high == pytest.approx(11.20, abs=5e-3)


def test_four_people_true_value_varies() -> None:
    limits = fit_limits_of_agreement(
        reference=HEART_Y[FIRST_FOUR],
        device=HEART_X[FIRST_FOUR],
        participant=HEART_PERSON[FIRST_FOUR],
        multiplier=1.96,
    )
    _check(limits, ".7255 -2.1404 3.5915 -9.825 -.329 1.780 11.276")
    # Seen: .7255, -2.14, 3.59; -9.83, -.33; 1.78 (as 1.77), 11.27.
    assert limits.lower_low == pytest.approx(-9.83, abs=0.006)
    assert limits.upper_low == pytest.approx(1.77, abs=0.011)
    assert limits.upper_high == pytest.approx(11.27, abs=0.007)


@pytest.mark.parametrize(
    ("true_value", "printed"),
    [
        (TrueValue.CONSTANT, ".7092 -1.3524 2.7709 -2.699 -.628 2.047 4.118"),
        (TrueValue.VARIES, ".7092 -1.2969 2.7153 -2.663 -.561 1.980 4.081"),
    ],
)
def test_twelve_people(true_value: TrueValue, printed: str) -> None:
    _check(
        fit_limits_of_agreement(
            reference=HEART_Y,
            device=HEART_X,
            participant=HEART_PERSON,
            true_value=true_value,
            multiplier=1.96,
        ),
        printed,
    )


def test_components_of_twelve_people() -> None:
    limits = fit_limits_of_agreement(reference=HEART_Y, device=HEART_X, participant=HEART_PERSON, multiplier=1.96)
    assert agrees_with_print(limits.bias, ".709236")
    assert agrees_with_print(limits.sd, "1.023525")
    assert agrees_with_print(limits.within_sd**2, ".170714")
    assert agrees_with_print(limits.lower, "-1.296872")
    assert agrees_with_print(limits.upper, "2.715344")
    assert limits.between_sd**2 == pytest.approx(0.912691 - 0.170714 / 4.768212, abs=1e-6)
