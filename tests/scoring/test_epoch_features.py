"""Features of epochs by hand, and the spline beside scipy's natural cubic spline."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from sleepagree.scoring.epoch_features import EpochFeatures, spline

RULE = EpochFeatures(("wake", "light", "deep"))
ASLEEP = (False, True, True)


def features_of(codes: list[int]) -> list[dict[str, float]]:
    table = RULE.of_night(np.array(codes), ASLEEP)
    assert table.shape == (len(codes), len(RULE.names))
    return [dict(zip(RULE.names, row, strict=True)) for row in table.tolist()]


def test_a_short_night_by_hand():
    found = features_of([0, 0, 1, 1, 1, 2, -1, 2, 1, 0])
    # the fourth epoch: light since one epoch, one more to come, sleep began one epoch before
    fourth = found[3]
    assert (fourth["is wake"], fourth["is light"], fourth["is deep"]) == (0, 1, 0)
    assert fourth["since change in light"] == pytest.approx(np.log2(1.5))
    assert fourth["until change in light"] == pytest.approx(np.log2(1.5))
    assert fourth["since change in wake"] == 0
    assert fourth["hours 1 in light"] == pytest.approx(0.5 / 60)
    assert fourth["part 1 in light"] == pytest.approx(0.35)
    # two minutes before: wake, wake, light; two minutes after: light, deep, silence, deep
    assert fourth["wake 2 min before"] == pytest.approx(2 / 3)
    assert fourth["light 2 min before"] == pytest.approx(1 / 3)
    assert fourth["deep 2 min after"] == pytest.approx(2 / 3)
    assert fourth["light 2 min after"] == pytest.approx(1 / 3)
    # silence has no class
    assert [found[6][f"is {name}"] for name in RULE.classes] == [0, 0, 0]
    # before sleep onset time is negative
    assert found[0]["hours 1 in wake"] == pytest.approx(-1 / 60)


def test_a_night_without_sleep_lies_before_sleep_onset():
    assert {row["hours 1 in wake"] for row in features_of([0] * 5)} == {-1.0}


def test_a_silent_night_has_finite_features(recwarn):
    silent = RULE.of_night(np.full(4, -1), ASLEEP)
    assert np.isfinite(silent).all()
    assert not recwarn.list


def test_the_basis_spans_natural_cubic_splines():
    """Any natural cubic spline through the knots, as scipy fits it, is a sum of the columns, and straight outside."""
    rng = np.random.default_rng(1)
    for knots in (RULE.hour_knots, RULE.part_knots, (0.0, 1.0, 5.0)):
        natural = CubicSpline(knots, rng.normal(size=len(knots)), bc_type="natural")
        x = np.linspace(knots[0], knots[-1], 200)
        basis = np.column_stack([np.ones(x.size), spline(x, knots)])
        weights, *_ = np.linalg.lstsq(basis, natural(x), rcond=None)
        assert basis @ weights == pytest.approx(natural(x), abs=1e-8)
        beyond = np.array([1.0, 2.0, 3.0]) + knots[-1]
        outside = np.column_stack([np.ones(3), spline(beyond, knots)]) @ weights
        slope = float(natural(knots[-1], 1))
        assert outside == pytest.approx(float(natural(knots[-1])) + slope * np.array([1.0, 2.0, 3.0]), abs=1e-7)
