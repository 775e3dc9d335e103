"""Intraclass and concordance correlation: against pingouin and numpy, and where they are undefined."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sleepagree.inference.reliability import concordance_correlation, fit_reliability, intraclass_correlation


def _table(seed: int, *, targets: int = 12, methods: int = 2, noise: float = 20.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    people = rng.normal(400, 30, targets)
    return people[:, None] + rng.normal(0, 8, methods) + rng.normal(0, noise, (targets, methods))


@pytest.mark.parametrize("methods", [2, 3])
@pytest.mark.parametrize("seed", range(5))
def test_intraclass_correlation_against_pingouin(seed: int, methods: int) -> None:
    table = _table(seed, methods=methods, noise=(2.0, 20.0, 60.0, 200.0, 10.0)[seed])
    rows = [(i, j, value) for (i, j), value in np.ndenumerate(table)]
    long = pd.DataFrame(rows, columns=["target", "method", "value"])
    with warnings.catch_warnings():
        # Its own use of pandas is behind the times; no concern of ours.
        warnings.simplefilter("ignore")
        oracle = pingouin.intraclass_corr(long, "target", "method", "value")
    found = intraclass_correlation(table)
    # row 1 is ICC(A,1); pingouin rounds its intervals to two decimals
    assert found.value == pytest.approx(oracle["ICC"][1], abs=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(oracle["CI95"][1]), abs=0.00501)
    assert found.n == 12
    assert "ICC(A,1)" in found.method


def test_agreement_sees_a_shift() -> None:
    table = _table(7)
    assert intraclass_correlation(table + np.array([0.0, 40.0])).value < intraclass_correlation(table).value


def test_wider_at_a_higher_level() -> None:
    narrow, wide = (intraclass_correlation(_table(8), level=level) for level in (0.5, 0.99))
    assert wide.low < narrow.low < narrow.value < narrow.high < wide.high
    narrow, wide = (
        concordance_correlation(reference=_table(8)[:, 0], device=_table(8)[:, 1], level=level) for level in (0.5, 0.99)
    )
    assert wide.low < narrow.low < narrow.value < narrow.high < wide.high


def test_equal_columns_agree_perfectly_and_have_no_interval() -> None:
    column = np.array([1.1, 2.3, 3.7, 4.9])
    icc = intraclass_correlation(np.column_stack([column, column]))
    assert icc.value == 1
    assert math.isnan(icc.low)
    assert icc.method.endswith("these mean squares leave no interval")


def test_a_pure_shift_leaves_agreement_an_interval() -> None:
    column = np.array([1.1, 2.3, 3.7, 4.9])
    icc = intraclass_correlation(np.column_stack([column, column + 0.5]))
    assert icc.low < icc.value < icc.high < 1


def test_undefined_intraclass_correlations_say_why() -> None:
    flat = intraclass_correlation([[5.0, 6.0], [5.0, 6.0], [5.0, 6.0]])
    assert "nothing to tell apart" in flat.undefined_because
    one = intraclass_correlation([[5.0, 6.0]])
    assert "at least 2 targets, here are 1" in one.undefined_because


@pytest.mark.parametrize("bad", [[[1.0], [2.0]], [1.0, 2.0], [[1.0, np.nan], [2.0, 3.0]]])
def test_tables_that_cannot_be_used(bad: object) -> None:
    with pytest.raises(ValueError, match="values must"):
        intraclass_correlation(bad)  # type: ignore[arg-type]


# ------------------------------------------------------------------ concordance


def test_concordance_from_its_definition() -> None:
    """1 - E(d^2) / (the same if both sides were independent), Lin 1989."""
    x, y = _table(9)[:, 0], _table(9)[:, 1]
    independent = x.var() + y.var() + (x.mean() - y.mean()) ** 2
    expected = 1 - np.mean((x - y) ** 2) / independent
    assert concordance_correlation(reference=x, device=y).value == pytest.approx(expected)


def test_standard_error_with_the_formula_as_published() -> None:
    """Lin 2000 divides by r; ours is rearranged so that it does not."""
    x, y = _table(10)[:, 0], _table(10)[:, 1]
    n, r = len(x), np.corrcoef(x, y)[0, 1]
    ccc = concordance_correlation(reference=x, device=y)
    c, u2 = ccc.value, (x.mean() - y.mean()) ** 2 / (x.std() * y.std())
    var = ((1 - r**2) * c**2 / ((1 - c**2) * r**2)
           + 2 * c**3 * (1 - c) * u2 / (r * (1 - c**2) ** 2)
           - c**4 * u2**2 / (2 * r**2 * (1 - c**2) ** 2)) / (n - 2)  # fmt: skip
    assert ccc.se == pytest.approx(math.sqrt(var) * (1 - c**2))
    z = stats.norm.ppf(0.975) * math.sqrt(var)
    assert (ccc.low, ccc.high) == pytest.approx((math.tanh(math.atanh(c) - z), math.tanh(math.atanh(c) + z)))


def test_no_correlation_has_an_interval_all_the_same() -> None:
    ccc = concordance_correlation(reference=[-1.0, 0, 0, 1], device=[1.0, -1, -1, 1])
    assert ccc.value == 0
    assert -1 < ccc.low < 0 < ccc.high < 1


def test_undefined_and_one_sided_concordance() -> None:
    flat = concordance_correlation(reference=[2.0, 2, 2], device=[3.0, 3, 3])
    assert "nothing to tell apart" in flat.undefined_because
    few = concordance_correlation(reference=[2.0, 3], device=[3.0, 3])
    assert "at least 3 targets, here are 2" in few.undefined_because
    stuck = concordance_correlation(reference=[2.0, 3, 4], device=[3.0, 3, 3])
    assert stuck.value == 0
    assert math.isnan(stuck.low)
    assert stuck.method.endswith("no interval where a side does not vary")
    perfect = concordance_correlation(reference=[2.1, 3.3, 4.7], device=[2.1, 3.3, 4.7])
    assert perfect.value == pytest.approx(1)
    assert perfect.method.endswith("no interval where concordance is perfect")


@pytest.mark.parametrize(
    ("reference", "device"), [([1.0, 2, 3], [1.0, 2]), ([[1.0, 2]], [[1.0, 2]]), ([1.0, np.nan, 2], [1.0, 2, 3])]
)
def test_concordance_of_columns_that_cannot_be_used(reference: object, device: object) -> None:
    with pytest.raises(ValueError, match="reference and device must"):
        concordance_correlation(reference=reference, device=device)  # type: ignore[arg-type]


def test_intervals_hold_in_a_small_simulation() -> None:
    """400 studies of 25 people; true CCC and ICC(A,1) .8; nominal 95 %, standard error 1.1 %."""
    rng = np.random.default_rng(11)
    hits = np.zeros(2)
    for _ in range(400):
        people = rng.normal(0, 2, 25)
        x, y = people + rng.normal(0, 1, 25), people + rng.normal(0, 1, 25)
        both = fit_reliability(reference=x, device=y, participant=range(25))
        hits += [e.low <= 0.8 <= e.high for e in (both.icc, both.ccc)]
    assert (hits / 400 > 0.915).all()
    assert (hits / 400 < 0.985).all()


# ------------------------------------------------------------------ nights of participants


def test_targets_are_participants_means() -> None:
    rng = np.random.default_rng(12)
    who = np.repeat(np.arange(8), [1, 2, 3, 2, 1, 4, 2, 2])
    x = rng.normal(400, 30, 8)[who] + rng.normal(0, 15, len(who))
    y = x + rng.normal(0, 15, len(who))
    x[4] = np.nan
    kept = ~np.isnan(x)
    found = fit_reliability(reference=x, device=y, participant=who)
    means = [[side[kept & (who == p)].mean() for side in (x, y)] for p in range(8)]
    assert found.icc.value == pytest.approx(intraclass_correlation(means).value)
    assert found.ccc.value == pytest.approx(
        concordance_correlation(reference=np.array(means)[:, 0], device=np.array(means)[:, 1]).value
    )
    assert (found.icc.n, found.ccc.n) == (8, 8)
    assert found.icc.method.endswith("targets are participants' means over their nights")
    assert found.ccc.method.endswith("targets are participants' means over their nights")


def test_targets_are_nights_when_there_is_one_participant() -> None:
    table = _table(13)
    found = fit_reliability(reference=table[:, 0], device=table[:, 1], participant=["Ada"] * 12)
    assert found.icc.value == intraclass_correlation(table).value
    assert "this person only" in found.ccc.method


def test_nothing_to_compare() -> None:
    found = fit_reliability(reference=[np.nan], device=[1.0], participant=["Ada"])
    assert (found.icc.n, found.ccc.n) == (0, 0)
    assert found.icc.undefined_because
    assert found.ccc.undefined_because


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(-500, 500), st.integers(-500, 500)), min_size=3, max_size=12).filter(
        lambda rows: len({a for a, _ in rows}) > 1 and len({b for _, b in rows}) > 1
    ),
    st.integers(-300, 300),
    st.sampled_from([-2.0, 0.25, 3.0]),
)
def test_laws(rows: list[tuple[int, int]], shift: int, factor: float) -> None:
    """Swapping sides, moving both and scaling both change neither coefficient; both lie between -1 and 1."""
    table = np.array(rows, dtype=float)
    for changed in (table[:, ::-1], table + shift, table * factor):
        before, after = intraclass_correlation(table), intraclass_correlation(changed)
        assert after.value == pytest.approx(before.value, rel=1e-6, abs=1e-9, nan_ok=True)
        if before.value > -0.3:  # well below 0 the degrees of freedom of the interval vanish
            assert (after.low, after.high) == pytest.approx((before.low, before.high), abs=1e-6, nan_ok=True)
        before = concordance_correlation(reference=table[:, 0], device=table[:, 1])
        after = concordance_correlation(reference=changed[:, 0], device=changed[:, 1])
        assert after.value == pytest.approx(before.value, abs=1e-9)
        assert after.low == pytest.approx(before.low, abs=1e-6, nan_ok=True)
        assert -1 <= after.value <= 1


def test_differences_that_vanish_when_squared_have_no_interval() -> None:
    found = intraclass_correlation([[0.0, 1e-100], [1e-100, 0.0], [3e-100, 1e-100]])
    assert math.isfinite(found.value)
    assert math.isnan(found.low)


def test_an_interval_never_leaves_out_its_coefficient() -> None:
    draw = np.random.default_rng(4)
    missing = 0
    for _ in range(400):
        found = intraclass_correlation(draw.normal(0, 1, (int(draw.integers(2, 9)), 2)), level=0.5)
        missing += math.isnan(found.low)
        assert math.isnan(found.low) or found.low <= found.value <= found.high
    assert 0 < missing < 200
