"""Coefficients and class figures: what each is known to be, their digits, and the standard error of kappa."""

from __future__ import annotations

import dataclasses
import itertools
import math
from fractions import Fraction

import numpy as np
import pytest

from sleepagree.inference.table_sums import stack_sums, sum_table, sums_from_stack
from sleepagree.scoring import coefficients
from sleepagree.scoring import table_agreement as agreement
from sleepagree.scoring.coefficients import CLASS_STATISTICS, TABLE_STATISTICS, Statistic

STATISTICS = (*TABLE_STATISTICS, *CLASS_STATISTICS)
SYMMETRIC = {"accuracy", "kappa", "pabak", "ac1", "mcc", "f1", "class_kappa"}
#: What becomes of a statistic when reference and device change places.
MIRROR = {"sensitivity": "ppv", "ppv": "sensitivity", "specificity": "npv", "npv": "specificity"}
NIGHT_OF_900 = np.array(
    [[80, 8, 10, 0, 2], [15, 10, 20, 0, 5], [10, 12, 330, 25, 23], [0, 0, 40, 110, 0], [3, 5, 32, 0, 160]]
)
by_name = pytest.mark.parametrize("statistic", STATISTICS, ids=lambda statistic: statistic.name)


def _random_tables(count: int = 300) -> list[np.ndarray]:
    rng = np.random.default_rng(11)
    tables = []
    for _ in range(count):
        k = int(rng.integers(2, 6))
        tables.append(rng.integers(0, rng.integers(2, 200), (k, k)) * (rng.random((k, k)) < 0.8))
    return tables


def _small_tables() -> list[np.ndarray]:
    """Every 2 x 2 table with cells 0, 1, 2 and every 3 x 3 table of 0 and 1: all kinds of 0/0 are among them."""
    twos = [np.array(cells).reshape(2, 2) for cells in itertools.product(range(3), repeat=4)]
    threes = [np.array(cells).reshape(3, 3) for cells in itertools.product(range(2), repeat=9)]
    return twos + threes


def test_reported_statistics_have_their_place_in_results() -> None:
    assert len({statistic.name for statistic in STATISTICS}) == len(STATISTICS)
    table_fields = {field.name for field in dataclasses.fields(agreement.TableAgreement)}
    assert {statistic.key for statistic in TABLE_STATISTICS} <= table_fields
    class_fields = {field.name for field in dataclasses.fields(agreement.ClassAgreement)}
    assert {statistic.key for statistic in CLASS_STATISTICS} <= class_fields


# ------------------------------------------------------------------------------------------------ symmetry


def _same(one: Statistic, other: Statistic) -> bool:
    """Whether one statistic takes the other's value when the sides change places."""
    return all(
        np.allclose(one.kernel(table), other.kernel(table.T), rtol=0, atol=1e-12, equal_nan=True)
        for table in _random_tables(100)
    )


@by_name
def test_what_becomes_of_it_when_the_sides_change_places(statistic: Statistic) -> None:
    assert _same(statistic, statistic) == (statistic.name in SYMMETRIC)
    if statistic.name in MIRROR:
        assert _same(statistic, next(s for s in STATISTICS if s.name == MIRROR[statistic.name]))


# --------------------------------------------------------------------------------------------------- bounds


def _passes_its_bounds(statistic: Statistic) -> bool:
    values = [statistic.kernel(table) for table in _random_tables() + _small_tables()]
    low = min(float(np.nanmin(v)) for v in values if not np.isnan(v).all())
    high = max(float(np.nanmax(v)) for v in values if not np.isnan(v).all())
    return low < statistic.lower - 1e-12 or high > statistic.upper + 1e-12


@by_name
def test_no_table_passes_the_bounds_and_perfect_agreement_reaches_the_upper(statistic: Statistic) -> None:
    assert not _passes_its_bounds(statistic)
    np.testing.assert_array_equal(statistic.kernel(np.diag([3, 5, 7])), statistic.upper)


# -------------------------------------------------------------------------------------------- undefined values


@by_name
def test_a_sentence_exactly_where_there_is_no_value(statistic: Statistic) -> None:
    with_reason = 0
    for table in _small_tables():
        values = np.atleast_1d(statistic.kernel(table))
        for position, value in enumerate(values):
            if math.isnan(value):
                assert statistic.why_undefined(sum_table(table), position), (table.tolist(), position)
                with_reason += 1
        assert not np.isinf(values).any()
    assert with_reason > 0


@by_name
def test_no_warning_for_0_over_0(statistic: Statistic) -> None:
    # Warnings are errors in this test run; that numpy would warn here is shown by the plain division.
    with pytest.raises(RuntimeWarning):
        np.zeros(1) / np.zeros(1)
    assert np.isnan(statistic.kernel(np.zeros((2, 3, 3)))).all()


@by_name
def test_a_source_is_given(statistic: Statistic) -> None:
    assert statistic.reference == "common definition" or statistic.reference[-4:].isdigit()


# ------------------------------------------------------------------------------------- digits, shapes, errors


@pytest.mark.parametrize("table", [[[0.3, 0.0], [0.1, 0.0]], [[0.1, 0.2], [0.0, 0.0]], [[0.1 + 0.2, 0.0], [0.7, 0.0]]])
def test_weights_that_are_not_whole_leave_undefined_undefined(table) -> None:
    assert math.isnan(coefficients.mcc(np.array(table)))


def test_a_constant_device_with_fractional_weights_has_no_npv() -> None:
    # Row sums and column sums round differently here; 0/0 must not become 1.
    table = np.zeros((3, 3))
    table[:, 1] = [0.1, 0.2, 0.3]
    assert math.isnan(coefficients.npv(table)[1])
    assert coefficients.kappa(table) == pytest.approx(0.0, abs=1e-15)


def test_interval_covers_as_often_as_it_says() -> None:
    # Simulation: 4,000 tables of 900 independent epochs; the true kappa from the cells' probabilities.
    shares = NIGHT_OF_900 / 900
    true = float(coefficients.kappa(shares))
    tables = np.random.default_rng(3).multinomial(900, shares.ravel(), size=4000).reshape(-1, 5, 5)
    k, se = coefficients.kappa(tables), coefficients.kappa_se(tables)
    covered = np.mean(np.abs(k - true) <= 1.959964 * se)
    assert abs(covered - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 4000)


def test_standard_errors_equal_the_spread_of_simulated_tables() -> None:
    shares = NIGHT_OF_900 / 900
    tables = np.random.default_rng(4).multinomial(900, shares.ravel(), size=4000).reshape(-1, 5, 5)
    assert np.std(coefficients.kappa(tables)) == pytest.approx(float(coefficients.kappa_se(NIGHT_OF_900)), rel=0.04)


def test_influence_is_the_change_of_kappa_per_epoch() -> None:
    # One epoch more in a cell changes kappa by psi/n to first order; checked by a small step.
    step = 1e-4
    psi = coefficients.kappa_influence(NIGHT_OF_900)
    for cell in np.ndindex(5, 5):
        more = NIGHT_OF_900.astype(float)
        more[cell] += step
        slope = float(coefficients.kappa(more) - coefficients.kappa(NIGHT_OF_900)) / step
        assert slope == pytest.approx(psi[cell] / 900, abs=1e-7)


def test_resampling_by_sums_equals_resampling_tables() -> None:
    rng = np.random.default_rng(7)
    participants = rng.integers(0, 200, (12, 5, 5))
    weights = rng.multinomial(12, np.full(12, 1 / 12), size=30)
    by_tables = sum_table(np.tensordot(weights, participants, axes=1))
    by_sums = sums_from_stack(stack_sums(participants) @ weights.T)
    for statistic in STATISTICS:
        np.testing.assert_array_equal(statistic.kernel.of_sums(by_tables), statistic.kernel.of_sums(by_sums))


@pytest.mark.parametrize("cells", [(96_000_000, 1, 1, 0), (96_000_000, 2, 1, 3), (5, 96_000_000, 7, 1)])
def test_a_hundred_million_epochs_of_one_class_lose_no_digits(cells) -> None:
    a, b, c, d = (Fraction(cell) for cell in cells)
    n = a + b + c + d
    chance = ((a + b) * (a + c) + (c + d) * (b + d)) / n**2
    exact = ((a + d) / n - chance) / (1 - chance)
    table = np.array(cells).reshape(2, 2)
    assert abs(float(coefficients.kappa(table)) - exact) < 1e-15
    assert np.abs(coefficients.class_kappa(table) - float(exact)).max() < 1e-15


@pytest.mark.parametrize("cells", [(96_000_000, 1, 1, 0), (96_000_000, 2, 1, 3)])
def test_a_hundred_million_epochs_keep_their_correlation(cells) -> None:
    a, b, c, d = cells
    phi = (a * d - b * c) / math.sqrt((a + b) * (c + d) * (a + c) * (b + d))
    assert abs(float(coefficients.mcc(np.array(cells).reshape(2, 2))) - phi) < 1e-15


@pytest.mark.parametrize("shape", [(3,), (2, 3), (1, 1), (4, 3, 2)])
def test_tables_that_are_not_square(shape) -> None:
    with pytest.raises(ValueError, match=r"counts must have shape \(\.\.\., k, k\) with k of 2 or more"):
        coefficients.kappa(np.zeros(shape))


def test_kernels_take_any_number_type_and_leave_their_input_alone() -> None:
    table = NIGHT_OF_900.copy()
    for kind in (np.int16, np.uint16, np.int32, np.float32, np.float64):
        assert float(coefficients.mcc(table.astype(kind))) == pytest.approx(float(coefficients.mcc(table)), abs=1e-12)
    frozen = table.copy()
    frozen.flags.writeable = False
    for statistic in STATISTICS:
        statistic.kernel(frozen)
    coefficients.kappa_se(frozen)
    assert (table == NIGHT_OF_900).all()


def test_leading_axes_are_kept() -> None:
    rng = np.random.default_rng(6)
    stack = rng.integers(0, 40, (3, 4, 5, 5))
    for statistic in STATISTICS:
        values = statistic.kernel(stack)
        assert values.shape == ((3, 4, 5) if statistic.per_class else (3, 4))
        for i, j in np.ndindex(3, 4):
            np.testing.assert_array_equal(statistic.kernel(stack[i, j]), values[i, j])
    assert coefficients.kappa(np.zeros((0, 4, 4))).shape == (0,)
