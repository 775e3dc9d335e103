"""Carkeet A (2015). Exact parametric confidence intervals for limits of agreement. Optom Vis Sci 92:e71-e80.

Also Shieh G (2018), BMC Med Res Methodol 18:45. The papers' tables were not seen: all factors are recomputed
from the noncentral t distribution. Two statements of
Carkeet & Goh 2018 about where approximations become adequate do not reproduce and are not tested.
"""

import numpy as np
import pytest
from scipy import stats

from sleepagree.inference.normal_theory import one_limit_factor
from tests.printed import agrees_with_print


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [
        (17, "1.315029", "3.148271"),
        (83, "1.632788", "2.385250"),
        (85, "1.636257", "2.379403"),
        (99, "1.657696", "2.344077"),
    ],
)
def test_factors_of_one_limit(n: int, low: str, high: str) -> None:
    for probability, printed in ((0.025, low), (0.975, high)):
        # The figures come from 1.96 and 1.959964 alike to four decimals; they were made with the latter.
        found = one_limit_factor(n=n, multiplier=stats.norm.ppf(0.975), probability=probability)
        assert found == pytest.approx(float(printed), abs=5e-5)
        expected = stats.nct.ppf(probability, n - 1, stats.norm.ppf(0.975) * np.sqrt(n)) / np.sqrt(n)
        assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("n", [2, 3, 4, 6, 10, 30, 200, 5000])
@pytest.mark.parametrize("multiplier", [0.5, 1.959963984540054, 3.0])
@pytest.mark.parametrize("probability", [0.005, 0.05, 0.5, 0.95, 0.995])
def test_against_the_noncentral_t_of_scipy(n: int, multiplier: float, probability: float) -> None:
    found = one_limit_factor(n=n, multiplier=multiplier, probability=probability)
    reached = stats.nct.cdf(found * np.sqrt(n), n - 1, multiplier * np.sqrt(n))
    assert reached == pytest.approx(probability, abs=2e-9)


def test_one_sided_tolerance_factors() -> None:
    # Tables of tolerance limits give 2.911 and 1.874 (from memory); recomputed further.
    assert agrees_with_print(one_limit_factor(n=10, multiplier=stats.norm.ppf(0.95), probability=0.95), "2.910963")
    assert agrees_with_print(one_limit_factor(n=43, multiplier=stats.norm.ppf(0.90), probability=0.99), "1.873954")
