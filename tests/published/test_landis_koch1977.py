"""Landis JR, Koch GG (1977). The measurement of observer agreement for categorical data. Biometrics
33:159-174.

The two tables are seen as a data set of a public library for categorical data; that the paper prints .208 and
.297 is from memory.
"""

import numpy as np
import pytest

from sleepagree.scoring.coefficients import ac1, accuracy, kappa, kappa_se, pabak
from sleepagree.scoring.table_agreement import chance_corrected_kappa
from tests.printed import agrees_with_print

WINNIPEG = np.array([[38, 5, 0, 1], [33, 11, 3, 0], [10, 14, 5, 6], [3, 7, 3, 10]])
NEW_ORLEANS = np.array([[5, 3, 0, 0], [3, 11, 4, 0], [2, 13, 3, 4], [1, 2, 4, 14]])


@pytest.mark.parametrize(
    ("table", "printed", "figures"),
    [
        (WINNIPEG, ".208", (".42953", ".2079", ".05046", ".10905", ".30683", ".23937", ".25778")),
        (NEW_ORLEANS, ".297", (".47826", ".2965", ".07850", ".14265", ".45038", ".30435", ".31108")),
    ],
)
def test_patients_of_two_cities(table, printed, figures) -> None:
    assert agrees_with_print(kappa(table), printed)  # from memory
    estimate = chance_corrected_kappa(table)
    found = (accuracy(table), estimate.value, kappa_se(table), estimate.low, estimate.high, pabak(table), ac1(table))
    for value, recomputed in zip(found, figures, strict=True):
        assert agrees_with_print(value, recomputed), (value, recomputed)
