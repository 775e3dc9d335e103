"""Artstein R, Poesio M (2008). Inter-coder agreement for computational linguistics. Comput Linguist
34:555-596.

Tables 1 and 4 with kappa .348 and .8013 are seen in the test suite of scikit-learn, which cites the paper;
standard errors are recomputed with statsmodels.
"""

import numpy as np

from sleepagree.scoring.coefficients import accuracy, kappa, kappa_se, pabak
from tests.printed import agrees_with_print

TABLE_1 = np.array([[20, 20], [10, 50]])
TABLE_4 = np.array([[46, 0, 0], [6, 32, 6], [0, 0, 10]])


def test_table_1() -> None:
    assert agrees_with_print(kappa(TABLE_1), ".348")
    assert agrees_with_print(accuracy(TABLE_1), ".70")
    assert agrees_with_print(kappa_se(TABLE_1), ".095008")
    assert agrees_with_print(pabak(TABLE_1), ".40")


def test_table_4() -> None:
    assert agrees_with_print(kappa(TABLE_4), ".8013")
    assert agrees_with_print(accuracy(TABLE_4), ".88")
    assert agrees_with_print(kappa_se(TABLE_4), ".051973")


def test_variant_of_table_4_in_the_same_test_suite() -> None:
    # Seen there: .9315.
    assert agrees_with_print(kappa(np.array([[46, 0, 0], [4, 40, 0], [0, 0, 10]])), ".9315")
