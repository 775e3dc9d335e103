"""Krippendorff K (2011). Computing Krippendorff's alpha-reliability. University of Pennsylvania.

Four observers, twelve units, five categories, some values missing. Data and figure (.743 for nominal data) are seen in
the documentation of a public package on agreement of raters; the paper itself was not opened.
"""

import numpy as np
import pytest

from sleepagree.scoring.coefficients import count_coincidences, krippendorff_alpha
from tests.printed import agrees_with_print

#: One word a unit, one digit an observer; 0 for none.
UNITS = "1101 2232 3333 3333 2222 1234 4444 1121 2222 0555 0011 0030"
VOTES = np.array([[int(digit) - 1 for digit in unit] for unit in UNITS.split()]).T


def test_alpha_of_four_observers() -> None:
    assert agrees_with_print(krippendorff_alpha(count_coincidences(VOTES, 5)[1]), ".743")


def test_alpha_is_observed_over_expected_disagreement_of_all_pairs() -> None:
    draw = np.random.default_rng(4)
    votes = np.where(draw.random((3, 80)) < 0.2, -1, draw.integers(0, 3, (3, 80)))
    used = [[v for v in unit if v >= 0] for unit in votes.T]
    used = [unit for unit in used if len(unit) > 1]
    everything = [v for unit in used for v in unit]
    observed = sum(sum(a != b for i, a in enumerate(u) for j, b in enumerate(u) if i != j) / (len(u) - 1) for u in used)
    n = len(everything)
    expected = sum(a != b for i, a in enumerate(everything) for j, b in enumerate(everything) if i != j) / (n - 1)
    assert krippendorff_alpha(count_coincidences(votes, 3)[1]) == pytest.approx(1 - observed / expected)


def test_scorers_who_used_one_class_have_no_alpha() -> None:
    assert np.isnan(krippendorff_alpha(count_coincidences(np.zeros((3, 9), int), 2)[1]))
