"""Gwet KL (2008). Computing inter-rater reliability and its variance in the presence of high agreement. Br J
Math Stat Psychol 61:29-48.

The three-class table and its coefficients are seen in the documentation of a public implementation by the
author, all recomputed. That the 2 x 2 table is the paper's is from memory; its figures are recomputed.
"""

import numpy as np

from sleepagree.agreement import (
    ac1,
    ac1_se,
    accuracy,
    chance_corrected_kappa,
    kappa,
    kappa_null_se,
    kappa_se,
    maximum_kappa,
    pabak,
    scott_pi,
)
from tests.printed import agrees_with_print

THREE_CLASSES = np.array([[13, 0, 0], [0, 20, 7], [0, 4, 56]])
NEARLY_ALL_ONE = np.array([[118, 5], [2, 0]])


def test_coefficients_of_the_three_class_table() -> None:
    # Seen.
    assert agrees_with_print(accuracy(THREE_CLASSES), ".89")
    assert agrees_with_print(kappa(THREE_CLASSES), ".7964094")
    assert agrees_with_print(scott_pi(THREE_CLASSES), ".7962397")
    assert agrees_with_print(ac1(THREE_CLASSES), ".8493305")
    assert agrees_with_print(pabak(THREE_CLASSES), ".835")


def test_standard_errors_of_the_three_class_table() -> None:
    # Seen. (Its intervals go by t on n - 1 degrees of freedom, ours by z.)
    assert agrees_with_print(ac1_se(THREE_CLASSES), ".04321747")
    assert agrees_with_print(kappa_se(THREE_CLASSES), ".05891072")


def test_recomputed_digits_of_the_three_class_table() -> None:
    estimate = chance_corrected_kappa(THREE_CLASSES)
    assert agrees_with_print(estimate.low, ".68095")
    assert agrees_with_print(estimate.high, ".91187")
    assert agrees_with_print(kappa_null_se(THREE_CLASSES), ".076006")
    assert agrees_with_print(kappa(THREE_CLASSES) / kappa_null_se(THREE_CLASSES), "10.4782")
    assert agrees_with_print(maximum_kappa(THREE_CLASSES), ".94448")


def test_kappa_below_nothing_at_high_agreement() -> None:
    # Recomputed.
    assert agrees_with_print(accuracy(NEARLY_ALL_ONE), ".944")
    assert agrees_with_print(kappa(NEARLY_ALL_ONE), "-.023392")
    assert agrees_with_print(kappa_se(NEARLY_ALL_ONE), ".012287")
    assert agrees_with_print(kappa_null_se(NEARLY_ALL_ONE), ".080381")
    assert agrees_with_print(kappa(NEARLY_ALL_ONE) / kappa_null_se(NEARLY_ALL_ONE), "-.2910")
    assert agrees_with_print(maximum_kappa(NEARLY_ALL_ONE), ".56140")
    assert agrees_with_print(pabak(NEARLY_ALL_ONE), ".888")
    assert agrees_with_print(ac1(NEARLY_ALL_ONE), ".940776")
    assert agrees_with_print(ac1_se(NEARLY_ALL_ONE), ".022965")
    estimate = chance_corrected_kappa(NEARLY_ALL_ONE)
    assert agrees_with_print(estimate.low, "-.04747")
    assert agrees_with_print(estimate.high, ".00069")


def test_variance_as_published() -> None:
    # The published form for two raters, written out; ours goes by influences instead.
    for table in (THREE_CLASSES, NEARLY_ALL_ONE):
        n, q = table.sum(), len(table)
        p = table / n
        share = (p.sum(axis=1) + p.sum(axis=0)) / 2
        po = float(np.trace(p))
        pe = float((share * (1 - share)).sum() / (q - 1))
        g = (po - pe) / (1 - pe)
        middle = sum(p[k, k] * (1 - share[k]) for k in range(q)) / (q - 1) - po * pe
        last = (
            sum(p[k, m] * (1 - (share[k] + share[m]) / 2) ** 2 for k in range(q) for m in range(q)) / (q - 1) ** 2
            - pe**2
        )
        variance = (po * (1 - po) - 4 * (1 - g) * middle + 4 * (1 - g) ** 2 * last) / (n * (1 - pe) ** 2)
        assert abs(variance - float(ac1_se(table)) ** 2) < 1e-15
