"""The design ceiling against every table that a device could give, counted out in fractions."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
import pytest

from sleepagree.scoring import coefficients
from sleepagree.scoring import table_agreement as agreement
from sleepagree.scoring.ceiling import NO_EPOCH, ONE_CLASS, Ceiling, design_ceiling, share_of_ceiling

Table = tuple[tuple[int, ...], ...]


def best_destination(ceiling: Ceiling) -> int:
    """Where a device after kappa alone would send the epochs that it has no label for."""
    return int(np.nanargmax(ceiling.kappa_by_destination))


def _splits(total: int, parts: int) -> Iterator[tuple[int, ...]]:
    """Every way to deal ``total`` epochs to ``parts`` answers."""
    for cuts in itertools.combinations(range(total + parts - 1), parts - 1):
        edges = (-1, *cuts, total + parts - 1)
        yield tuple(high - low - 1 for low, high in itertools.pairwise(edges))


def _all_tables(reference: tuple[int, ...], has: tuple[bool, ...]) -> Iterator[Table]:
    """Every table with these row sums that leaves the columns of lacking classes empty."""
    columns = [j for j, can in enumerate(has) if can]
    rows = []
    for total in reference:
        choices = []
        for split in _splits(total, len(columns)):
            row = [0] * len(has)
            for column, epochs in zip(columns, split, strict=True):
                row[column] = epochs
            choices.append(tuple(row))
        rows.append(choices)
    yield from itertools.product(*rows)


def _exact_kappa(table: Table) -> Fraction | None:
    """Cohen's kappa by its definition; None where it is 0/0."""
    n = sum(map(sum, table))
    if n == 0:
        return None
    k = len(table)
    rows = [sum(row) for row in table]
    columns = [sum(row[j] for row in table) for j in range(k)]
    po = Fraction(sum(table[i][i] for i in range(k)), n)
    pe = Fraction(sum(rows[i] * columns[i] for i in range(k)), n * n)
    return None if pe == 1 else (po - pe) / (1 - pe)


def _nights(k: int, most: int) -> Iterator[tuple[int, ...]]:
    """Every reference with at most ``most`` epochs of each class."""
    yield from itertools.product(range(most + 1), repeat=k)


def _label_sets(k: int) -> Iterator[tuple[bool, ...]]:
    yield from (has for has in itertools.product((False, True), repeat=k) if any(has))


@pytest.mark.parametrize(("k", "most"), [(2, 6), (3, 3)])
def test_no_table_at_all_beats_the_ceiling_and_one_reaches_it(k, most) -> None:
    for reference, has in itertools.product(_nights(k, most), _label_sets(k)):
        kappas = [_exact_kappa(table) for table in _all_tables(reference, has)]
        defined = [kappa for kappa in kappas if kappa is not None]
        ceiling = design_ceiling(reference, device_has=has)
        if math.isnan(ceiling.kappa):
            # Nothing to be best at: no device has a kappa, or those that have one have 0.
            assert not defined or set(defined) == {0}
            assert ceiling.kappa_reason in (NO_EPOCH, ONE_CLASS)
        else:
            assert abs(ceiling.kappa - max(defined)) < 1e-15, (reference, has)
            assert ceiling.kappa_reason == ""


def test_four_classes_of_a_few_nights() -> None:
    # All assignments of every epoch; the full set of four-class nights would take hours.
    rng = np.random.default_rng(8)
    for _ in range(25):
        reference = tuple(int(epochs) for epochs in rng.integers(0, 4, 4))
        has = [True, True, True, False]
        rng.shuffle(has)
        if sum(reference) == 0:
            continue
        best = max(
            (kappa for table in _all_tables(reference, tuple(has)) if (kappa := _exact_kappa(table)) is not None),
            default=None,
        )
        ceiling = design_ceiling(reference, device_has=has)
        if not math.isnan(ceiling.kappa):
            assert best is not None
            assert abs(ceiling.kappa - best) < 1e-15, (reference, has)


def test_best_accuracy_by_counting_out() -> None:
    for reference, has in itertools.product(_nights(3, 3), _label_sets(3)):
        n = sum(reference)
        if n == 0:
            continue
        best = max(sum(table[i][i] for i in range(3)) for table in _all_tables(reference, has))
        assert design_ceiling(reference, device_has=has).accuracy == best / n


def test_kappas_by_destination_are_those_of_the_tables() -> None:
    reference, has = (100, 450, 150, 200), (True, True, True, False)
    ceiling = design_ceiling(reference, device_has=has)
    for destination in range(3):
        table = np.diag([100, 450, 150, 0])
        table[3, destination] = 200
        assert ceiling.kappa_by_destination[destination] == pytest.approx(float(coefficients.kappa(table)), abs=1e-15)
    assert math.isnan(ceiling.kappa_by_destination[3])
    assert best_destination(ceiling) == 0
    assert ceiling.kappa == ceiling.kappa_by_destination[0] == max(ceiling.kappa_by_destination[:3])


def test_a_night_of_a_device_without_rem_by_hand() -> None:
    # Shares wake .1, light .5, deep .2, REM .2. All REM called wake: po .8, pe .1(.3) + .5(.5) + .2(.2) = .32,
    # kappa .48/.68.
    ceiling = design_ceiling([96, 480, 192, 192], device_has=(True, True, True, False))
    assert ceiling.accuracy == pytest.approx(0.8, abs=1e-15)
    assert ceiling.kappa == pytest.approx(0.48 / 0.68, abs=1e-15)


def test_a_sleep_wake_device_at_five_classes_by_hand() -> None:
    # A device that says W and N2 only: W .2, N1 .1, N2 .4, N3 .1, R .2. The .4 without a label go to W:
    # pe = .2(.6) + .4(.4) = .28, po = .6.
    ceiling = design_ceiling([20, 10, 40, 10, 20], device_has=(True, False, True, False, False))
    assert ceiling.kappa == pytest.approx(0.32 / 0.72, abs=1e-15)
    assert best_destination(ceiling) == 0


def test_a_class_that_the_night_does_not_hold_is_the_best_place() -> None:
    # No deep sleep in this reference: calling REM deep adds nothing to chance agreement.
    ceiling = design_ceiling([50, 300, 0, 50], device_has=(True, True, True, False))
    assert best_destination(ceiling) == 2
    assert ceiling.kappa == pytest.approx(1 - 0.125 / (1 - 0.125**2 - 0.75**2), abs=1e-15)


def test_a_single_epoch_without_a_label_has_a_destination() -> None:
    assert best_destination(design_ceiling([3, 2, 1], device_has=(True, True, False))) == 1


def test_the_first_of_several_equally_rare_classes() -> None:
    assert best_destination(design_ceiling([30, 30, 40], device_has=(True, True, False))) == 0


def test_a_device_with_every_class_can_be_perfect() -> None:
    ceiling = design_ceiling([100, 500, 100, 200], device_has=(True,) * 4)
    assert (ceiling.accuracy, ceiling.kappa) == (1.0, 1.0)
    assert set(ceiling.kappa_by_destination) == {1.0}


def test_a_lacking_class_that_does_not_occur_costs_nothing() -> None:
    ceiling = design_ceiling([100, 500, 100, 0], device_has=(True, True, True, False))
    assert (ceiling.accuracy, ceiling.kappa) == (1.0, 1.0)


def test_a_device_with_one_label_has_no_kappa_to_win() -> None:
    ceiling = design_ceiling([100, 500], device_has=(False, True))
    assert ceiling.accuracy == pytest.approx(5 / 6)
    assert ceiling.kappa == 0.0
    assert best_destination(ceiling) == 1


def test_no_epoch() -> None:
    ceiling = design_ceiling([0, 0, 0], device_has=(True, True, False))
    assert math.isnan(ceiling.accuracy)
    assert math.isnan(ceiling.kappa)
    assert ceiling.kappa_reason == "the reference holds no epoch"


def test_one_reported_class_fills_the_night() -> None:
    ceiling = design_ceiling([0, 900, 0], device_has=(True, True, False))
    assert ceiling.accuracy == 1.0
    assert math.isnan(ceiling.kappa)
    assert ceiling.kappa_reason == (
        "the reference holds one class only, so kappa is undefined for a device that agrees throughout "
        "and 0 for every other"
    )


def test_a_lacking_class_fills_the_night() -> None:
    ceiling = design_ceiling([0, 0, 900], device_has=(True, True, False))
    assert (ceiling.accuracy, ceiling.kappa, ceiling.kappa_reason) == (0.0, 0.0, "")


def test_share_of_an_accuracy_is_the_accuracy_over_reported_classes() -> None:
    table = np.array([[70, 25, 5], [30, 380, 40], [0, 45, 105], [10, 150, 40]])
    night = agreement.summarise_table(
        table, reference_classes=("wake", "light", "deep", "rem"), device_classes=("wake", "light", "deep")
    )
    ceiling = design_ceiling(table.sum(axis=1), device_has=(True, True, True, False))
    assert float(share_of_ceiling(night.accuracy, ceiling.accuracy)) == pytest.approx(555 / 700, abs=1e-15)


def test_share_of_a_ceiling_of_nothing() -> None:
    shares = share_of_ceiling([0.5, 0.0, 0.1, np.nan, 0.3, -0.1], [0.5, 0.0, 0.0, 0.8, np.nan, 0.5])
    np.testing.assert_array_equal(shares, [1.0, np.nan, np.nan, np.nan, np.nan, -0.2])


@pytest.mark.parametrize(
    ("counts", "has", "error", "message"),
    [
        ([1, 2], (True,), ValueError, "one entry for each of the 2 classes, not shape"),
        ([1, 2], (False, False), ValueError, "device_has must hold at least one class"),
        ([1, 2], (1, 0), TypeError, "device_has must hold booleans, not int64"),
        ([1, -2], (True, True), ValueError, r"finite and not negative, not \[1.0, -2.0\]"),
        ([1, math.nan], (True, True), ValueError, "finite and not negative"),
        ([[1, 2]], (True, True), ValueError, r"must have shape \(k,\), not \(1, 2\)"),
        ([], (), ValueError, r"must have shape \(k,\), not \(0,\)"),
    ],
)
def test_wrong_use(counts, has, error, message) -> None:
    with pytest.raises(error, match=message):
        design_ceiling(counts, device_has=has)
