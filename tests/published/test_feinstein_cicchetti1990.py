"""Feinstein AR, Cicchetti DV (1990). High agreement but low kappa: I. The problems of two paradoxes. J Clin
Epidemiol 43:543-549.

The first two tables with po .85/.85, pe .50/.78 and kappa .70/.32 are seen in a textbook of epidemiology that
attributes them to the paper; that the other two are the paper's is from memory, their figures are recomputed.
"""

import numpy as np
import pytest

from sleepagree.scoring.coefficients import ac1, accuracy, f1, kappa, kappa_se, pabak
from sleepagree.scoring.table_agreement import chance_corrected_kappa
from tests.printed import agrees_with_print

BALANCED = np.array([[40, 9], [6, 45]])
ONE_PREVAILS = np.array([[80, 10], [5, 5]])
LIKE_MARGINS = np.array([[45, 15], [25, 15]])
UNLIKE_MARGINS = np.array([[25, 35], [5, 35]])


def test_same_accuracy_but_a_low_kappa_where_one_class_prevails() -> None:
    # Seen.
    assert agrees_with_print(accuracy(BALANCED), ".85")
    assert agrees_with_print(accuracy(ONE_PREVAILS), ".85")
    assert agrees_with_print(kappa(BALANCED), ".70")
    assert agrees_with_print(kappa(ONE_PREVAILS), ".32")


def test_same_accuracy_but_more_kappa_where_margins_differ() -> None:
    # Recomputed; the tables are the paper's from memory.
    assert agrees_with_print(kappa(LIKE_MARGINS), ".13")
    assert agrees_with_print(kappa(UNLIKE_MARGINS), ".26")
    assert accuracy(LIKE_MARGINS) == accuracy(UNLIKE_MARGINS) == 0.6


@pytest.mark.parametrize(
    ("table", "k", "ase", "low", "high", "even", "gwet"),
    [
        (BALANCED, ".699519", ".071394", ".55959", ".83945", ".70", ".70075"),
        (ONE_PREVAILS, ".318182", ".133457", ".05661", ".57975", ".70", ".80800"),
        (LIKE_MARGINS, ".130435", ".098662", "-.06294", ".32381", ".20", ".26606"),
        (UNLIKE_MARGINS, ".259259", ".077160", ".10803", ".41049", ".20", ".20792"),
    ],
)
def test_recomputed_digits(table, k, ase, low, high, even, gwet) -> None:
    estimate = chance_corrected_kappa(table)
    found = (estimate.value, kappa_se(table), estimate.low, estimate.high, pabak(table), ac1(table))
    for value, printed in zip(found, (k, ase, low, high, even, gwet), strict=True):
        assert agrees_with_print(value, printed), (value, printed)


@pytest.mark.parametrize(
    ("table", "positive", "negative"),
    [
        (BALANCED, ".842105", ".857143"),
        (ONE_PREVAILS, ".914286", ".40"),
        (LIKE_MARGINS, ".692308", ".428571"),
        (UNLIKE_MARGINS, ".555556", ".636364"),
    ],
)
def test_agreement_by_class(table, positive, negative) -> None:
    # Recomputed. Positive and negative agreement, 2a/(2a+b+c) and 2d/(2d+b+c), are the F1 of the two classes.
    assert agrees_with_print(f1(table)[0], positive)
    assert agrees_with_print(f1(table)[1], negative)
