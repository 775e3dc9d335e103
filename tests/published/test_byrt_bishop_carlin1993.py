"""Byrt T, Bishop J, Carlin JB (1993). Bias, prevalence and kappa. J Clin Epidemiol 46:423-429.

Their identity ties kappa to PABAK, the prevalence index and the bias index of a 2 x 2 table; it is recomputed
here exactly, in fractions.
"""

from fractions import Fraction

import numpy as np
import pytest

from sleepagree.scoring.coefficients import kappa, pabak


@pytest.mark.parametrize("cells", [(40, 9, 6, 45), (80, 10, 5, 5), (45, 15, 25, 15), (25, 35, 5, 35), (118, 5, 2, 0)])
def test_identity(cells: tuple[int, int, int, int]) -> None:
    a, b, c, d = (Fraction(cell) for cell in cells)
    n = a + b + c + d
    even, prevalence, bias = 2 * (a + d) / n - 1, (a - d) / n, (b - c) / n
    by_identity = (even - prevalence**2 + bias**2) / (1 - prevalence**2 + bias**2)
    table = np.array(cells).reshape(2, 2)
    assert abs(float(kappa(table)) - by_identity) < 1e-15
    assert abs(float(pabak(table)) - even) < 1e-15
