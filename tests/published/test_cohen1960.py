"""Cohen J (1960). A coefficient of agreement for nominal scales. Educ Psychol Meas 20:37-46.

The table is seen in the documentation of a public library of psychometric functions, which attributes it to
Cohen; the paper itself was not opened.
"""

import numpy as np

from sleepagree.scoring.coefficients import accuracy, kappa, kappa_se, pabak
from sleepagree.scoring.table_agreement import chance_corrected_kappa
from tests.printed import agrees_with_print

TWO_CLINICIANS = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])


def test_kappa() -> None:
    # Seen: .492.
    assert agrees_with_print(kappa(TWO_CLINICIANS), ".492")


def test_observed_agreement() -> None:
    assert agrees_with_print(accuracy(TWO_CLINICIANS), ".70")


def test_later_standard_errors_and_interval() -> None:
    # Recomputed with statsmodels. The paper's own crude standard error (.055) is another quantity.
    assert agrees_with_print(kappa_se(TWO_CLINICIANS), ".051002")
    estimate = chance_corrected_kappa(TWO_CLINICIANS)
    assert agrees_with_print(estimate.low, ".39156")
    assert agrees_with_print(estimate.high, ".59149")
    assert estimate.n == 200


def test_crude_standard_error_is_another_quantity() -> None:
    # Cohen's sqrt(po(1-po)/[n(1-pe)^2]): .05492 recomputed, .055 from memory of the paper.
    crude = np.sqrt(0.70 * 0.30 / 200) / (1 - 0.41)
    assert agrees_with_print(crude, ".05492")
    assert not agrees_with_print(kappa_se(TWO_CLINICIANS), ".055")


def test_even_chance() -> None:
    # Recomputed: (3 x .70 - 1)/2.
    assert agrees_with_print(pabak(TWO_CLINICIANS), ".55")
