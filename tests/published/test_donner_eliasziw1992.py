"""Donner A, Eliasziw M (1992). A goodness-of-fit approach to inference for kappa. Stat Med 11:1511-1519.

73.26 and 107 were seen in notes on a public package for sample sizes of kappa; the others are recomputed.
"""

import math

import pytest

from sleepagree.sample_size import units_for_kappa_fit
from tests.printed import agrees_with_print


@pytest.mark.parametrize(
    ("null_kappa", "kappa", "share", "printed", "whole"),
    [
        (0.4, 0.7, 0.5, "73.256", 74),
        (0.4, 0.7, 0.2, "106.894", 107),
        (0.4, 0.6, 0.3, "190.455", 191),
        (0.6, 0.8, 0.3, "148.007", 149),
    ],
)
def test_units(null_kappa: float, kappa: float, share: float, printed: str, whole: int) -> None:
    units = units_for_kappa_fit(null_kappa=null_kappa, kappa=kappa, share=share)
    assert agrees_with_print(units, printed)
    assert math.ceil(units) == whole
