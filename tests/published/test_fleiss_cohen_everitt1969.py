"""Fleiss JL, Cohen J, Everitt BS (1969). Large sample standard errors of kappa and weighted kappa. Psychol
Bull 72:323-327.

The table and its kappa (.43, interval .32 to .53) are seen in the example output of a public library of
psychometric functions; standard errors are recomputed with statsmodels. The paper was not opened.
"""

import numpy as np

from sleepagree.scoring.coefficients import ac1, kappa, kappa_influence, kappa_se, pabak
from sleepagree.scoring.table_agreement import chance_corrected_kappa
from tests.printed import agrees_with_print

TABLE = np.array([[106, 10, 4], [22, 28, 10], [2, 12, 6]])


def test_kappa_and_interval_as_printed_elsewhere() -> None:
    estimate = chance_corrected_kappa(TABLE)
    assert agrees_with_print(estimate.value, ".43")
    assert agrees_with_print(estimate.low, ".32")
    assert agrees_with_print(estimate.high, ".53")


def test_recomputed_digits() -> None:
    assert agrees_with_print(kappa(TABLE), ".428571")
    assert agrees_with_print(kappa_se(TABLE), ".053711")
    assert agrees_with_print(pabak(TABLE), ".55")
    assert agrees_with_print(ac1(TABLE), ".59356")
    estimate = chance_corrected_kappa(TABLE)
    assert agrees_with_print(estimate.low, ".32330")
    assert agrees_with_print(estimate.high, ".53384")


def test_variance_in_the_three_parts_of_the_paper() -> None:
    # The printed form of the variance, {A + B - C}/[n(1-pe)^2], written out cell by cell.
    n = TABLE.sum()
    p = TABLE / n
    a, b = p.sum(axis=1), p.sum(axis=0)
    po, pe = np.trace(p), float(a @ b)
    k = (po - pe) / (1 - pe)
    part_a = sum(p[i, i] * (1 - (a[i] + b[i]) * (1 - k)) ** 2 for i in range(3))
    part_b = (1 - k) ** 2 * sum(p[i, j] * (b[i] + a[j]) ** 2 for i in range(3) for j in range(3) if i != j)
    part_c = (k - pe * (1 - k)) ** 2
    variance = (part_a + part_b - part_c) / (n * (1 - pe) ** 2)
    assert abs(variance - float(kappa_se(TABLE)) ** 2) < 1e-15


def test_influences_of_all_epochs_add_up_to_nothing() -> None:
    assert abs(float((TABLE * kappa_influence(TABLE)).sum())) < 1e-10
