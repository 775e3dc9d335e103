"""The registry of statistics: complete, and true in what it says of each. The checks are themselves checked."""

from __future__ import annotations

import dataclasses
import inspect
import itertools
import math

import numpy as np
import pytest

from sleepagree import agreement
from sleepagree.agreement import CLASS_STATISTICS, STATISTICS, TABLE_STATISTICS, Statistic
from sleepagree.margins import count_margins

NOT_A_STATISTIC = {
    # Influences and standard errors; indices of 2 x 2 tables.
    "kappa_influence", "ac1_influence", "kappa_se", "kappa_null_se", "ac1_se",
    "prevalence_index", "bias_index",
}  # fmt: skip
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


def test_every_kernel_is_registered_once() -> None:
    kernels = {
        name
        for name, function in inspect.getmembers(agreement, inspect.isfunction)
        if not name.startswith("_")
        and list(inspect.signature(function).parameters) == ["counts"]
        and function.__annotations__["return"] == "Values"
    }
    registered = [statistic.name for statistic in STATISTICS]
    assert len(set(registered)) == len(registered)
    assert set(registered) == kernels - NOT_A_STATISTIC
    assert kernels >= NOT_A_STATISTIC
    assert all(statistic.kernel is getattr(agreement, statistic.name) for statistic in STATISTICS)


def test_reported_statistics_have_their_place_in_results() -> None:
    scores = {field.name for field in dataclasses.fields(agreement.TableScores)}
    assert scores == {"n", *(statistic.name for statistic in STATISTICS if statistic.reported)}
    table_fields = {field.name for field in dataclasses.fields(agreement.TableAgreement)}
    assert {statistic.key for statistic in TABLE_STATISTICS} <= table_fields
    class_fields = {field.name for field in dataclasses.fields(agreement.ClassAgreement)}
    assert {statistic.key for statistic in CLASS_STATISTICS} <= class_fields


@by_name
def test_shape_follows_from_per_class(statistic: Statistic) -> None:
    values = statistic.kernel(np.ones((3, 2, 4, 4), dtype=np.int64))
    assert values.shape == ((3, 2, 4) if statistic.per_class else (3, 2))


@by_name
def test_kernel_and_margins_give_the_same(statistic: Statistic) -> None:
    for table in _random_tables(50):
        np.testing.assert_array_equal(statistic.kernel(table), statistic.from_margins(count_margins(table)))


# ------------------------------------------------------------------------------------------------ symmetry


def _is_symmetric(statistic: Statistic, tables: list[np.ndarray]) -> bool:
    return all(
        np.allclose(statistic.kernel(table), statistic.kernel(table.T), rtol=0, atol=1e-12, equal_nan=True)
        for table in tables
    )


def _wrongly_classed(statistics: tuple[Statistic, ...]) -> list[str]:
    """Names whose ``symmetric`` is not what random tables show."""
    tables = _random_tables()
    return [s.name for s in statistics if s.symmetric != _is_symmetric(s, tables)]


def test_symmetric_or_not_is_classed_rightly() -> None:
    assert _wrongly_classed(STATISTICS) == []


@by_name
def test_the_symmetry_check_notices_a_wrong_class(statistic: Statistic) -> None:
    liar = dataclasses.replace(statistic, symmetric=not statistic.symmetric)
    assert _wrongly_classed((liar,)) == [statistic.name]


def _mirror_is_wrong(statistic: Statistic, mirror: Statistic) -> bool:
    return not all(
        np.allclose(statistic.kernel(table), mirror.kernel(table.T), rtol=0, atol=1e-12, equal_nan=True)
        for table in _random_tables(60)
    )


def test_mirrors_take_each_others_values() -> None:
    mirrored = [statistic for statistic in STATISTICS if statistic.mirror]
    assert {statistic.name for statistic in mirrored} == {"sensitivity", "specificity", "ppv", "npv"}
    for statistic in mirrored:
        mirror = agreement.find_statistic(statistic.mirror)
        assert not statistic.symmetric
        assert mirror.mirror == statistic.name
        assert not _mirror_is_wrong(statistic, mirror)
        assert _mirror_is_wrong(statistic, statistic)  # a test of the test


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


@by_name
def test_the_bounds_check_notices_a_bound_that_is_too_tight(statistic: Statistic) -> None:
    assert _passes_its_bounds(dataclasses.replace(statistic, upper=0.99))
    # The lowest values that these tables reach lie a good deal below the middle of the range.
    assert _passes_its_bounds(dataclasses.replace(statistic, lower=statistic.lower + 0.6))


# -------------------------------------------------------------------------------------------- undefined values


@by_name
def test_a_sentence_exactly_where_there_is_no_value(statistic: Statistic) -> None:
    with_reason = 0
    for table in _small_tables():
        values = np.atleast_1d(statistic.kernel(table))
        for position, value in enumerate(values):
            sentence = statistic.explain(table, position=position)
            assert bool(sentence) == math.isnan(value), (table.tolist(), position, value, sentence)
            with_reason += bool(sentence)
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
