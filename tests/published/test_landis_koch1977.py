"""Landis JR, Koch GG (1977). The measurement of observer agreement for categorical data. Biometrics
33:159-174.

The two tables are seen as a data set of a public library for categorical data; that the paper prints .208 and
.297 is from memory. The words are seen in a table of an open-access article that quotes the scale.
"""

import math

import numpy as np
import pytest

from sleepagree.agreement import (
    ac1,
    accuracy,
    chance_corrected_kappa,
    describe_kappa,
    kappa,
    kappa_null_se,
    kappa_se,
    maximum_kappa,
    pabak,
)
from tests.printed import agrees_with_print

WINNIPEG = np.array([[38, 5, 0, 1], [33, 11, 3, 0], [10, 14, 5, 6], [3, 7, 3, 10]])
NEW_ORLEANS = np.array([[5, 3, 0, 0], [3, 11, 4, 0], [2, 13, 3, 4], [1, 2, 4, 14]])


@pytest.mark.parametrize(
    ("table", "printed", "figures"),
    [
        (
            WINNIPEG,
            ".208",
            (
                ".42953",
                ".2079",
                ".05046",
                ".10905",
                ".30683",
                ".045608",
                "4.5594",
                ".62727",
                ".23937",
                ".25778",
            ),
        ),
        (
            NEW_ORLEANS,
            ".297",
            (
                ".47826",
                ".2965",
                ".07850",
                ".14265",
                ".45038",
                ".068124",
                "4.3526",
                ".72642",
                ".30435",
                ".31108",
            ),
        ),
    ],
)
def test_patients_of_two_cities(table, printed, figures) -> None:
    assert agrees_with_print(kappa(table), printed)  # from memory
    estimate = chance_corrected_kappa(table)
    found = (
        accuracy(table),
        estimate.value,
        kappa_se(table),
        estimate.low,
        estimate.high,
        kappa_null_se(table),
        kappa(table) / kappa_null_se(table),
        maximum_kappa(table),
        pabak(table),
        ac1(table),
    )
    for value, recomputed in zip(found, figures, strict=True):
        assert agrees_with_print(value, recomputed), (value, recomputed)


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (-0.01, "poor"),
        (0.00, "slight"),
        (0.20, "slight"),
        (0.21, "fair"),
        (0.40, "fair"),
        (0.41, "moderate"),
        (0.60, "moderate"),
        (0.61, "substantial"),
        (0.80, "substantial"),
        (0.81, "almost perfect"),
        (1.00, "almost perfect"),
    ],
)
def test_both_ends_of_every_printed_band(value: float, word: str) -> None:
    assert describe_kappa(value) == word


@pytest.mark.parametrize(
    ("value", "word"), [(-1e-9, "poor"), (0.2001, "fair"), (0.604, "substantial"), (0.605, "substantial")]
)
def test_unrounded_value_decides_in_the_gaps_between_bands(value: float, word: str) -> None:
    # Our own rule, not the paper's: it leaves the gaps open.
    assert describe_kappa(value) == word


def test_no_word_without_a_value() -> None:
    assert describe_kappa(math.nan) == "undefined"


@pytest.mark.parametrize("value", [-1.01, 1.01, math.inf])
def test_no_word_outside_the_range(value: float) -> None:
    with pytest.raises(ValueError, match="value must lie between -1 and 1"):
        describe_kappa(value)
