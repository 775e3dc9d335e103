"""Fleiss JL (1971). Measuring nominal scale agreement among many raters. Psychol Bull 76:378-382.

Thirty psychiatric patients by six raters into five diagnoses. The data are seen in the tests of a public statistics
library, which took them from an R package that attributes them to Fleiss; the paper itself was not opened. The figure
printed there, .430, was recomputed with statsmodels.
"""

import numpy as np
from statsmodels.stats.inter_rater import aggregate_raters
from statsmodels.stats.inter_rater import fleiss_kappa as fleiss_of_statsmodels

from sleepagree.scoring.coefficients import count_coincidences, fleiss_kappa
from tests.printed import agrees_with_print

#: One row a patient, one digit a rater.
DIAGNOSES = """
444444 222555 233335 555555 222444 113333 333355 113334 114444 555555 144444 124444 222333 144444 224445
333335 111455 111112 224444 133555 555555 244444 224555 114444 144445 222224 111155 224444 133333 555555
"""
VOTES = np.array([[int(digit) - 1 for digit in patient] for patient in DIAGNOSES.split()]).T


def test_kappa_of_six_raters() -> None:
    assert agrees_with_print(fleiss_kappa(count_coincidences(VOTES, 5)[0]), ".430")


def test_kappa_is_that_of_statsmodels() -> None:
    draw = np.random.default_rng(1)
    for scorers in (2, 3, 7):
        votes = np.where(
            draw.random((scorers, 200)) < 0.7, draw.integers(0, 4, 200), draw.integers(0, 4, (scorers, 200))
        )
        table, _ = aggregate_raters(votes.T)
        expected = fleiss_of_statsmodels(table)
        assert np.isclose(fleiss_kappa(count_coincidences(votes, 4)[0]), expected, rtol=1e-12)
