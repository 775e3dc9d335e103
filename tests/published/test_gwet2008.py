"""Gwet KL (2008). Computing inter-rater reliability and its variance in the presence of high agreement. Br J
Math Stat Psychol 61:29-48.

The three-class table and its coefficients are seen in the documentation of a public implementation by the
author, all recomputed. That the 2 x 2 table is the paper's is from memory; its figures are recomputed.
"""

import numpy as np

from sleepagree.scoring.coefficients import ac1, accuracy, kappa, kappa_se, pabak
from sleepagree.scoring.table_agreement import chance_corrected_kappa
from tests.printed import agrees_with_print

THREE_CLASSES = np.array([[13, 0, 0], [0, 20, 7], [0, 4, 56]])
NEARLY_ALL_ONE = np.array([[118, 5], [2, 0]])


def test_coefficients_of_the_three_class_table() -> None:
    # Seen.
    assert agrees_with_print(accuracy(THREE_CLASSES), ".89")
    assert agrees_with_print(kappa(THREE_CLASSES), ".7964094")
    assert agrees_with_print(ac1(THREE_CLASSES), ".8493305")
    assert agrees_with_print(pabak(THREE_CLASSES), ".835")


def test_standard_errors_of_the_three_class_table() -> None:
    # Seen. (Its intervals go by t on n - 1 degrees of freedom, ours by z.)
    assert agrees_with_print(kappa_se(THREE_CLASSES), ".05891072")


def test_recomputed_digits_of_the_three_class_table() -> None:
    estimate = chance_corrected_kappa(THREE_CLASSES)
    assert agrees_with_print(estimate.low, ".68095")
    assert agrees_with_print(estimate.high, ".91187")


def test_kappa_below_nothing_at_high_agreement() -> None:
    # Recomputed.
    assert agrees_with_print(accuracy(NEARLY_ALL_ONE), ".944")
    assert agrees_with_print(kappa(NEARLY_ALL_ONE), "-.023392")
    assert agrees_with_print(kappa_se(NEARLY_ALL_ONE), ".012287")
    assert agrees_with_print(pabak(NEARLY_ALL_ONE), ".888")
    assert agrees_with_print(ac1(NEARLY_ALL_ONE), ".940776")
    estimate = chance_corrected_kappa(NEARLY_ALL_ONE)
    assert agrees_with_print(estimate.low, "-.04747")
    assert agrees_with_print(estimate.high, ".00069")
