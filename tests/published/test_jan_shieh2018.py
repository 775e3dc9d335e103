"""Jan SL, Shieh G (2018). The Bland-Altman range of agreement: exact interval procedure and sample size.

Comput Biol Med 100:247-252. Sample sizes of table 4 were seen in a public implementation's test suite citing
page 251; factors and probabilities are recomputed.
"""

import numpy as np
import pytest

from sleepagree.normal_factors import joint_range_factor
from sleepagree.sample_size import (
    assurance_of_range,
    participants_for_assured_range,
    participants_for_expected_range,
)
from tests.printed import agrees_with_print


@pytest.mark.parametrize(("n", "printed"), [(17, "3.104223"), (85, "2.371141")])
def test_joint_factor(n: int, printed: str) -> None:
    assert agrees_with_print(joint_range_factor(n=n), printed)


@pytest.mark.parametrize(
    ("content", "half_range", "participants"),
    [
        (0.95, 2.2, 219),
        (0.95, 2.3, 116),
        (0.95, 2.4, 74),
        (0.95, 2.5, 52),
        (0.90, 2.2, 42),
        (0.90, 2.3, 32),
        (0.90, 2.4, 26),
        (0.90, 2.5, 21),
    ],
)
def test_expected_range_table_4(content: float, half_range: float, participants: int) -> None:
    assert participants_for_expected_range(half_range=half_range, content=content) == participants
    # The same in minutes: only the ratio to the SD counts.
    assert participants_for_expected_range(half_range=18 * half_range, sd=18, content=content) == participants


@pytest.mark.parametrize(("half_range", "participants", "probability"), [(2.5, 115, ".90248"), (2.25, 354, ".90074")])
def test_assurance(half_range: float, participants: int, probability: str) -> None:
    assert participants_for_assured_range(half_range=half_range, assurance=0.9) == participants
    assert agrees_with_print(assurance_of_range(n=participants, half_range=half_range), probability)


def test_joint_factor_covers_both_limits_as_often_as_it_says() -> None:
    """Simulated, 40,000 samples of 17: a standard error of .0011."""
    rng = np.random.default_rng(2018)
    sample = rng.standard_normal((40_000, 17))
    reach = joint_range_factor(n=17) * sample.std(axis=1, ddof=1)
    mean = sample.mean(axis=1)
    inside = (mean - reach <= -1.959964) & (mean + reach >= 1.959964)
    assert inside.mean() == pytest.approx(0.95, abs=0.005)
