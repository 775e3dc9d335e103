"""Lu MJ et al. (2016). Sample size for assessing agreement by the Bland-Altman method. Int J Biostat 12(2).

Sizes seen in a public implementation's test suite, which takes the size whose power is nearest to the wanted
one; we take the smallest that reaches it, so ours is the same or one more. Powers are recomputed. The paper's
own example (83 participants) is not tested: its formula gives 79, as two other implementers found.
"""

import pytest

from sleepagree.sample_size import participants_for_limits_power, power_of_limits
from tests.printed import agrees_with_print


@pytest.mark.parametrize(
    ("sd", "n", "power"),
    [
        (2.5, 59, ".7986"),
        (2.5, 60, ".8059"),
        (2.5, 78, ".9014"),
        (2.6, 82, ".8019"),
        (2.6, 108, ".9003"),
        (2.7, 117, ".7989"),
        (2.7, 156, ".9002"),
    ],
)
def test_power(sd: float, n: int, power: str) -> None:
    assert agrees_with_print(power_of_limits(n=n, bias=0.5, sd=sd, margin=7.0), power)
    assert agrees_with_print(power_of_limits(n=n, bias=-0.5, sd=sd, margin=7.0), power)


@pytest.mark.parametrize(
    ("sd", "power", "nearest"),
    [(2.5, 0.8, 59), (2.5, 0.9, 78), (2.6, 0.8, 82), (2.6, 0.9, 108), (2.7, 0.8, 117), (2.7, 0.9, 156)],
)
def test_participants(sd: float, power: float, nearest: int) -> None:
    found = participants_for_limits_power(power=power, bias=0.5, sd=sd, margin=7.0)
    assert nearest <= found <= nearest + 1
    assert power_of_limits(n=found, bias=0.5, sd=sd, margin=7.0) >= power
    assert power_of_limits(n=found - 1, bias=0.5, sd=sd, margin=7.0) < power


def test_no_bias() -> None:
    assert participants_for_limits_power(power=0.8, bias=0.0, sd=3.3, margin=8.0) == 145  # recomputed


def test_formula_in_the_papers_own_example() -> None:
    found = participants_for_limits_power(power=0.8, bias=0.001167, sd=0.001129, margin=0.004)
    assert found == 79
    assert agrees_with_print(power_of_limits(n=79, bias=0.001167, sd=0.001129, margin=0.004), ".80230")
    assert agrees_with_print(power_of_limits(n=83, bias=0.001167, sd=0.001129, margin=0.004), ".82185")
