"""Shrout PE, Fleiss JL (1979). Intraclass correlations. Psychol Bull 86:420-428.

The ratings were seen in the documentation of two public packages; mean squares, coefficients and intervals
(McGraw KO, Wong SP 1996, Psychol Methods 1:30-46) are recomputed with two general libraries. The paper's
.17, .29, .71, .44, .62, .91 are from memory and agree.
"""

import pytest

from sleepagree.reliability import IntraclassForm, intraclass_correlation, split_variance
from tests.printed import agrees_with_print
from tests.published.method_comparison import FOUR_JUDGES


def test_mean_squares() -> None:
    squares = split_variance(FOUR_JUDGES)
    assert agrees_with_print(squares.between_targets, "11.241667")
    assert agrees_with_print(squares.within_targets, "6.263889")
    assert agrees_with_print(squares.between_methods, "32.486111")
    assert agrees_with_print(squares.residual, "1.019444")
    assert agrees_with_print(squares.between_targets / squares.within_targets, "1.794678")
    assert squares.between_targets / squares.residual == pytest.approx(11.027247, abs=1e-6)


@pytest.mark.parametrize(
    ("form", "value", "low", "high"),
    [
        (IntraclassForm.ONE_WAY_SINGLE, ".165742", "-.132932", ".722560"),
        (IntraclassForm.AGREEMENT_SINGLE, ".289764", ".018787", ".761084"),
        (IntraclassForm.CONSISTENCY_SINGLE, ".714841", ".342465", ".945858"),
        (IntraclassForm.ONE_WAY_AVERAGE, ".442797", "-.884442", ".912415"),
        (IntraclassForm.AGREEMENT_AVERAGE, ".620051", ".071137", ".927232"),
        (IntraclassForm.CONSISTENCY_AVERAGE, ".909316", ".675675", ".985892"),
    ],
)
def test_six_forms(form: IntraclassForm, value: str, low: str, high: str) -> None:
    icc = intraclass_correlation(FOUR_JUDGES, form=form)
    assert agrees_with_print(icc.value, value)
    assert agrees_with_print(icc.low, low)
    assert agrees_with_print(icc.high, high)
