"""A commercial statistics package's printout of kappa, quoted in the test suite of statsmodels (seen
there)."""

import numpy as np

from sleepagree.scoring.coefficients import ac1, accuracy, kappa_se, pabak
from sleepagree.scoring.table_agreement import chance_corrected_kappa
from tests.printed import agrees_with_print

TABLE = np.array([[0, 4, 1], [0, 8, 0], [0, 1, 5]])


def test_printed_figures() -> None:
    estimate = chance_corrected_kappa(TABLE)
    assert agrees_with_print(estimate.value, ".4842")
    assert agrees_with_print(estimate.se, ".1380")
    assert agrees_with_print(estimate.low, ".2137")
    assert agrees_with_print(estimate.high, ".7547")


def test_recomputed_figures() -> None:
    assert agrees_with_print(accuracy(TABLE), ".68421")
    assert agrees_with_print(kappa_se(TABLE), ".1380")
    assert agrees_with_print(pabak(TABLE), ".52632")
    assert agrees_with_print(ac1(TABLE), ".55599")
