"""Bland JM, Altman DG (2007). Agreement between methods with multiple observations. J Biopharm Stat 17:571-582.

Heart output of 12 people, 60 pairs, from table 4 of the 1999 paper (the table printed in 2007 differs and does
not fit its own figure, says a comment in a public implementation). Results are recomputed: the paper's were
not seen. The mixed-model row agrees with a public tutorial (bias -.705, SD .934, .413, 1.022; seen).
"""

import numpy as np
import pandas as pd
import pytest

from sleepagree.inference.limits import fit_limits_of_agreement
from tests.published.method_comparison import HEART_PERSON, HEART_X, HEART_Y, MACHINE, OBSERVER


def test_components_are_those_of_a_mixed_model() -> None:
    """REML on the differences; with equal numbers of readings it must agree with the moments exactly."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    difference = (OBSERVER - MACHINE).ravel()
    who = np.tile(np.arange(85), 3)
    table = pd.DataFrame({"d": difference, "one": 1.0})
    fitted = MixedLM(table["d"], table[["one"]], groups=who).fit(reml=True)
    limits = fit_limits_of_agreement(reference=MACHINE.ravel(), device=OBSERVER.ravel(), participant=who)
    assert limits.within_sd**2 == pytest.approx(fitted.scale, rel=1e-4)
    assert limits.between_sd**2 == pytest.approx(float(fitted.cov_re.iloc[0, 0]), rel=1e-3)


def test_unequal_numbers_stay_near_the_mixed_model() -> None:
    # Seen: bias .705, total SD 1.022, limits -1.298 to 2.707 by REML; the moments give .709, 1.024.
    limits = fit_limits_of_agreement(reference=HEART_Y, device=HEART_X, participant=HEART_PERSON, multiplier=1.96)
    assert limits.bias == pytest.approx(0.705, abs=0.005)
    assert limits.sd == pytest.approx(1.022, abs=0.003)
    assert (limits.lower, limits.upper) == pytest.approx((-1.298, 2.707), abs=0.01)
