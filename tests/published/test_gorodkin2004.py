"""Gorodkin J (2004). Comparing two K-category assignments by a K-category correlation coefficient. Comput
Biol Chem 28:367-374.

The formula is seen in a public text that quotes the paper. The known answers are seen in the documentation
and tests of scikit-learn and recomputed; they write 0 for 0/0, which is a convention we do not follow.
"""

import math

import pytest
from sklearn.metrics import confusion_matrix

from sleepagree.scoring.coefficients import balanced_accuracy, kappa, mcc
from tests.printed import agrees_with_print


@pytest.mark.parametrize(
    ("reference", "device", "printed"),
    [
        ([1, 1, 1, -1], [1, -1, 1, 1], "-.33"),
        ([0, 0, 1, 1, 2, 2], [2, 2, 0, 0, 1, 1], "-.5"),
        ([0, 0, 1, 1, 2, 2], [1, 1, 0, 0, 0, 0], "-.612372"),
        ([0, 1, 2] * 3, [1, 1, 1, 2, 2, 2, 0, 0, 0], "0"),
    ],
)
def test_known_answers(reference, device, printed) -> None:
    assert agrees_with_print(mcc(confusion_matrix(reference, device)), printed)


def test_third_answer_by_hand() -> None:
    # (c n - t.q)/sqrt((n^2 - q.q)(n^2 - t.t)) with c = 0, t = 2 2 2, q = 4 2 0, n = 6.
    assert float(mcc(confusion_matrix([0, 0, 1, 1, 2, 2], [1, 1, 0, 0, 0, 0]))) == -12 / math.sqrt(24 * 16)


@pytest.mark.parametrize(
    ("reference", "device"), [([0, 0, 0, 0], [0, 1, 1, 0]), ([0, 1, 1, 0], [0, 0, 0, 0]), ([0, 0], [0, 0])]
)
def test_a_constant_side_correlates_with_nothing(reference, device) -> None:
    assert math.isnan(mcc(confusion_matrix(reference, device, labels=[0, 1])))


def test_neighbouring_known_answers() -> None:
    # Seen in the same places: balanced accuracy .625, kappa .6875.
    assert float(balanced_accuracy(confusion_matrix([0, 1, 0, 0, 1, 0], [0, 1, 0, 0, 0, 1]))) == 0.625
    reference = ["negative", "positive", "negative", "neutral", "positive"]
    device = ["negative", "positive", "negative", "neutral", "negative"]
    assert float(kappa(confusion_matrix(reference, device))) == 0.6875
