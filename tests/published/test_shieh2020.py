"""Shieh G (2020). Assessing agreement: exact test procedure and sample size. Stat Biopharm Res 12:352-359.

Factor 6.39, power .8315 and the sizes were seen in a public implementation's test suite, but for 62, which is
recomputed.
"""

import numpy as np
import pytest

from sleepagree.inference.normal_theory import containment_factor, containment_power
from tests.printed import agrees_with_print


def _power(n: int, *, bias: float, sd: float, margin: float, proportion: float = 0.95) -> float:
    factor = containment_factor(n=n, proportion=proportion)
    return containment_power(n=n, factor=factor, bias=bias / sd, margin=margin / sd)


def test_example_with_15() -> None:
    assert agrees_with_print(containment_factor(n=15, proportion=0.8), "6.39")
    assert agrees_with_print(containment_factor(n=15, proportion=0.8), "6.3911")
    power = _power(15, bias=0.011, sd=0.044, margin=0.1, proportion=0.8)
    assert agrees_with_print(power, ".8315")
    assert agrees_with_print(power, ".83154")
    # the smallest study with a power of .8 has 14
    assert _power(13, bias=0.011, sd=0.044, margin=0.1, proportion=0.8) < 0.8
    assert _power(14, bias=0.011, sd=0.044, margin=0.1, proportion=0.8) >= 0.8


@pytest.mark.parametrize(("sd", "for_80", "for_90"), [(2.5, 34, 48), (2.6, 45, 64), (2.7, 62, 90)])
def test_participants(sd: float, for_80: int, for_90: int) -> None:
    for power, participants in ((0.8, for_80), (0.9, for_90)):
        reached = [_power(n, bias=0.5, sd=sd, margin=7.0) for n in (participants - 1, participants)]
        assert reached[0] < power <= reached[1]


def test_size_where_the_limits_touch_the_margin() -> None:
    """Simulated, 40,000 samples of 15 with limits exactly at the margin: rejects 5 % (SE .1 %)."""
    rng = np.random.default_rng(2020)
    sample = rng.standard_normal((40_000, 15))
    margin = 1.2815515655446004  # middle 80 %
    reach = containment_factor(n=15, proportion=0.8) * sample.std(axis=1, ddof=1) / np.sqrt(15)
    inside = np.abs(sample.mean(axis=1)) + reach < margin
    assert inside.mean() == pytest.approx(0.05, abs=0.005)
