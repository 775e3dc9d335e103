"""Lin LI (1989). A concordance correlation coefficient. Biometrics 45:255-268; variance corrected 2000, 56:324.

Lin's own assay example was not found. Peak flow of Bland & Altman 1986 instead: recomputed with a public
epidemiological package and with own code.
"""

from statistics import NormalDist

import numpy as np

from sleepagree.inference.reliability import concordance_correlation
from tests.printed import agrees_with_print
from tests.published.method_comparison import LARGE_METER_1, SMALL_METER_1


def test_peak_flow() -> None:
    ccc = concordance_correlation(reference=LARGE_METER_1, device=SMALL_METER_1)
    assert agrees_with_print(ccc.value, ".942742")
    assert agrees_with_print(ccc.se, ".028617")
    assert agrees_with_print(ccc.low, ".850492")
    assert agrees_with_print(ccc.high, ".978726")
    z = NormalDist().inv_cdf(0.975)
    assert agrees_with_print(ccc.value - z * ccc.se, ".886655")
    assert agrees_with_print(ccc.value + z * ccc.se, ".998830")


def test_divisor_is_n() -> None:
    """With divisors n - 1 it would be .942752."""
    x, y = LARGE_METER_1, SMALL_METER_1
    other = 2 * np.cov(x, y)[0, 1] / (x.var(ddof=1) + y.var(ddof=1) + (x.mean() - y.mean()) ** 2)
    assert agrees_with_print(other, ".942752")
    assert not agrees_with_print(concordance_correlation(reference=x, device=y).value, ".942752")
