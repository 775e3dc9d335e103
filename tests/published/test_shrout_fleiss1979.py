"""Shrout PE, Fleiss JL (1979). Intraclass correlations. Psychol Bull 86:420-428.

The ratings were seen in the documentation of two public packages; coefficient and interval (McGraw KO, Wong SP 1996,
Psychol Methods 1:30-46) are recomputed with two general libraries. The paper's .29 is from memory and agrees.
"""

from sleepagree.inference.reliability import intraclass_correlation
from tests.printed import agrees_with_print
from tests.published.method_comparison import FOUR_JUDGES


def test_agreement_of_single_values() -> None:
    icc = intraclass_correlation(FOUR_JUDGES)
    assert agrees_with_print(icc.value, ".289764")
    assert agrees_with_print(icc.low, ".018787")
    assert agrees_with_print(icc.high, ".761084")
