"""Cantor AB (1996). Sample-size calculations for Cohen's kappa. Psychol Methods 1:150-153.

Also Flack VF et al. (1988), Psychometrika 53:321-325. The 64 was seen in a public package's documentation; the
others, and the sizes for the width of an interval, are recomputed.
"""

import math

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from sleepagree.sample_size import (
    Sides,
    kappa_unit_variance,
    two_class_table,
    units_for_kappa_difference,
    units_for_kappa_width,
)
from tests.printed import agrees_with_print


@pytest.mark.parametrize(
    ("null_kappa", "kappa", "sides", "printed", "whole"),
    [
        (0.4, 0.7, Sides.TWO, "63.86", 64),
        (0.7, 0.85, Sides.ONE, "116.35", 117),
        (0.7, 0.85, Sides.TWO, "150.97", 151),
    ],
)
def test_even_margins(null_kappa: float, kappa: float, sides: Sides, printed: str, whole: int) -> None:
    units = units_for_kappa_difference(null_kappa=null_kappa, kappa=kappa, reference_share=0.5, sides=sides)
    assert agrees_with_print(units, printed)
    assert math.ceil(units) == whole


@pytest.mark.parametrize(("share", "whole"), [(0.5, 196), (0.2, 314), (0.1, 569)])
def test_width_of_an_interval(share: float, whole: int) -> None:
    table = two_class_table(kappa=0.7, reference_share=share)
    units = units_for_kappa_width(width=0.2, unit_variance=kappa_unit_variance(table))
    assert math.ceil(units) == whole


@pytest.mark.parametrize("kappa", [-0.2, 0.0, 0.4, 0.9])
def test_even_margins_give_one_less_kappa_squared(kappa: float) -> None:
    table = two_class_table(kappa=kappa, reference_share=0.5)
    assert kappa_unit_variance(table) == pytest.approx(1 - kappa**2)


@pytest.mark.parametrize("counts", [[[88, 14, 18], [10, 40, 10], [2, 6, 12]], [[40, 9], [6, 45]], [[118, 5], [2, 0]]])
def test_unit_variance_is_that_of_statsmodels(counts: list[list[int]]) -> None:
    oracle = cohens_kappa(np.array(counts))
    assert kappa_unit_variance(counts) == pytest.approx(oracle.var_kappa * np.sum(counts), rel=1e-12)
