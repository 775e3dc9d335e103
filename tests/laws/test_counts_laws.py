"""Laws that statistics of count tables keep for every table."""

from __future__ import annotations

import math
import warnings

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from sleepagree.inference.estimate import normal_quantile, wilson_interval
from sleepagree.inference.table_sums import stack_sums, sum_table
from sleepagree.scoring import coefficients
from sleepagree.scoring import table_agreement as agreement
from sleepagree.scoring.ceiling import design_ceiling
from sleepagree.scoring.coefficients import CLASS_STATISTICS, TABLE_STATISTICS, kappa, kappa_influence, kappa_se
from sleepagree.scoring.table_agreement import summarise_table

STATISTICS = (*TABLE_STATISTICS, *CLASS_STATISTICS)
# Zeros are frequent on purpose: classes that one side or both never used are where definitions part.
CELLS = st.one_of(st.just(0), st.integers(0, 3), st.integers(0, 500))


@st.composite
def tables(draw: st.DrawFn, *, least: int = 2, most: int = 5) -> np.ndarray:
    k = draw(st.integers(least, most))
    return draw(hnp.arrays(np.int64, (k, k), elements=CELLS))


@st.composite
def paired_codes(draw: st.DrawFn) -> tuple[list[int], list[int], int]:
    k = draw(st.integers(2, 5))
    codes = st.lists(st.integers(0, k - 1), min_size=1, max_size=60)
    reference = draw(codes)
    device = draw(st.lists(st.integers(0, k - 1), min_size=len(reference), max_size=len(reference)))
    return reference, device, k


def same(left: np.ndarray, right: np.ndarray) -> bool:
    return np.allclose(left, right, rtol=0, atol=1e-12, equal_nan=True)


@given(tables())
def test_swapping_the_sides_leaves_symmetric_statistics(table: np.ndarray) -> None:
    for statistic in STATISTICS:
        if statistic.name not in ("balanced_accuracy", "sensitivity", "specificity", "ppv", "npv"):
            assert same(statistic.kernel(table), statistic.kernel(table.T)), statistic.name
    assert same(kappa_se(table), kappa_se(table.T))


@given(tables(), st.randoms(use_true_random=False))
def test_names_and_order_of_classes_do_not_matter(table: np.ndarray, random) -> None:
    order = list(range(len(table)))
    random.shuffle(order)
    renamed = table[np.ix_(order, order)]
    for statistic in STATISTICS:
        values = statistic.kernel(table)
        assert same(values[order] if statistic.per_class else values, statistic.kernel(renamed)), statistic.name


@given(tables(least=3), st.data())
def test_merging_classes_never_lowers_accuracy(table: np.ndarray, data: st.DataObject) -> None:
    k = len(table)
    merged_into = data.draw(st.lists(st.integers(0, k - 2), min_size=k, max_size=k))
    merge = np.eye(k - 1, dtype=np.int64)[merged_into]
    folded = merge.T @ table @ merge
    assert folded.sum() == table.sum()
    if table.sum():
        assert coefficients.accuracy(folded) >= coefficients.accuracy(table)


@given(paired_codes())
@example(([1, 1, 1], [1, 1, 1], 3))
@example(([0, 0], [1, 1], 2))
def test_kappa_equals_scikit_learns_undefined_included(pair: tuple[list[int], list[int], int]) -> None:
    reference, device, k = pair
    table = np.zeros((k, k), dtype=np.int64)
    np.add.at(table, (reference, device), 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        oracle = cohen_kappa_score(reference, device, labels=list(range(k)))
    assert same(kappa(table), oracle)


@given(tables())
def test_kappa_is_the_weighted_mean_of_the_classes_kappas(table: np.ndarray) -> None:
    # Fleiss JL (1981), Statistical methods for rates and proportions, chapter on agreement: weights
    # a(1 - b) + b(1 - a). From memory; proved by adding numerators and denominators.
    n = table.sum()
    assume(n > 0 and not math.isnan(kappa(table)))
    a, b = table.sum(axis=1) / n, table.sum(axis=0) / n
    weights = a * (1 - b) + b * (1 - a)
    used = weights > 0
    mean = (weights[used] * coefficients.class_kappa(table)[used]).sum() / weights[used].sum()
    assert same(kappa(table), mean)


@given(tables(most=2))
def test_for_two_classes_both_have_the_kappa_of_the_table(table: np.ndarray) -> None:
    assert same(coefficients.class_kappa(table), np.repeat(kappa(table), 2))


@given(tables(most=2))
def test_identity_of_byrt_bishop_and_carlin(table: np.ndarray) -> None:
    assume(table.sum() > 0 and not math.isnan(kappa(table)))
    (a, b), (c, d) = table / table.sum()
    bias, prevalence = b - c, a - d
    even = coefficients.pabak(table)
    expected = (even - prevalence**2 + bias**2) / (1 - prevalence**2 + bias**2)
    assert same(kappa(table), expected)


@given(tables())
def test_f1_is_the_harmonic_mean_of_sensitivity_and_ppv(table: np.ndarray) -> None:
    both = coefficients.sensitivity(table), coefficients.ppv(table)
    for f1, sensitivity, ppv in zip(coefficients.f1(table), *both, strict=True):
        if sensitivity > 0:
            assert same(f1, 2 / (1 / sensitivity + 1 / ppv))


@given(tables(), st.integers(2, 50))
def test_more_of_the_same_epochs_change_only_the_standard_error(table: np.ndarray, times: int) -> None:
    for statistic in STATISTICS:
        assert same(statistic.kernel(table), statistic.kernel(table * times)), statistic.name
    np.testing.assert_allclose(kappa_se(table * times) * math.sqrt(times), kappa_se(table), rtol=1e-9, atol=1e-12)


@given(st.integers(2, 5).flatmap(lambda k: hnp.arrays(np.int64, (7, k, k), elements=CELLS)))
def test_sums_of_tables_are_sums_of_their_margins(stack: np.ndarray) -> None:
    np.testing.assert_array_equal(stack_sums(stack.sum(axis=0)), stack_sums(stack).sum(axis=1))


@given(tables())
def test_margins_are_those_of_numpy(table: np.ndarray) -> None:
    margins = sum_table(table)
    np.testing.assert_array_equal(margins.rows, table.sum(axis=1))
    np.testing.assert_array_equal(margins.columns, table.sum(axis=0))
    np.testing.assert_array_equal(margins.diagonal, np.diag(table))
    assert (margins.n, margins.agreed) == (table.sum(), np.trace(table))


@given(tables())
def test_influences_add_up_to_nothing(table: np.ndarray) -> None:
    psi = kappa_influence(table)
    if not np.isnan(psi).any():
        total = np.abs(table * psi).sum()
        assert abs((table * psi).sum()) <= 1e-9 * (1 + total)


@given(tables())
def test_an_undefined_value_has_a_sentence_and_a_value_has_none(table: np.ndarray) -> None:
    names = tuple("abcde"[: len(table)])
    night = summarise_table(table, reference_classes=names, device_classes=names)
    explained = dict(night.reasons)
    assert math.isnan(night.kappa.value) == bool(night.kappa.undefined_because) == ("kappa" in explained)
    for statistic in TABLE_STATISTICS:
        if statistic.key != "kappa":
            assert math.isnan(getattr(night, statistic.key)) == (statistic.key in explained)
    for stage in night.classes:
        reasons = dict(stage.reasons)
        for statistic in CLASS_STATISTICS:
            assert math.isnan(getattr(stage, statistic.key)) == bool(reasons.get(statistic.key))
    assert sum(stage.reference_epochs for stage in night.classes) == night.n


@given(tables())
def test_the_interval_holds_its_estimate(table: np.ndarray) -> None:
    estimate = agreement.chance_corrected_kappa(table)
    if estimate.defined and not math.isnan(estimate.low):
        assert -1.0 <= estimate.low <= estimate.value <= estimate.high <= 1.0
        assert estimate.se > 0


@given(st.integers(0, 2000), st.integers(1, 2000), st.floats(0.5, 0.999))
def test_wilson_interval_solves_its_own_equation(hits: int, n: int, level: float) -> None:
    # Each limit p satisfies |share - p| = z sqrt(p(1-p)/n): Wilson 1927.
    assume(hits <= n)
    low, high = wilson_interval(hits, n, level=level)
    z = normal_quantile(level)
    assert 0.0 <= low <= hits / n <= high <= 1.0
    for limit in (float(low), float(high)):
        if 0.0 < limit < 1.0:
            assert abs(hits / n - limit) == pytest.approx(z * math.sqrt(limit * (1 - limit) / n), abs=1e-9)


@given(tables(), st.data())
def test_no_device_beats_its_ceiling(table: np.ndarray, data: st.DataObject) -> None:
    k = len(table)
    has = np.array(data.draw(st.lists(st.booleans(), min_size=k, max_size=k).filter(any)))
    device = table * has  # empty columns where it has no label
    ceiling = design_ceiling(device.sum(axis=1), device_has=has)
    if device.sum():
        assert coefficients.accuracy(device) <= ceiling.accuracy + 1e-12
    if not math.isnan(ceiling.kappa):
        assert kappa(device) <= ceiling.kappa + 1e-12
        assert 0.0 <= ceiling.kappa <= 1.0


@given(st.lists(st.integers(0, 500), min_size=2, max_size=6), st.data())
def test_a_further_label_never_lowers_the_ceiling(reference: list[int], data: st.DataObject) -> None:
    k = len(reference)
    has = data.draw(st.lists(st.booleans(), min_size=k, max_size=k).filter(any))
    more = list(has)
    more[data.draw(st.integers(0, k - 1))] = True
    poor, rich = design_ceiling(reference, device_has=has), design_ceiling(reference, device_has=more)
    if sum(reference):
        assert poor.accuracy <= rich.accuracy
    if not math.isnan(poor.kappa) and not math.isnan(rich.kappa):
        assert poor.kappa <= rich.kappa + 1e-12
