"""Edges of the statistics and the alignment that random changes to the code showed to be looked at by no other test."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from scipy import stats

from sleepagree.errors import PairingError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.window import parse_window
from sleepagree.inference import resampling
from sleepagree.inference.limits import Scale, fit_limits_of_agreement
from sleepagree.readers.memory import read_hypnogram
from sleepagree.scoring import coefficients
from sleepagree.scoring.measures import SleepMeasures, pair_measures
from sleepagree.scoring.redistribution import account_for_bias
from tests.bootstraps import bootstrap, bootstrap_mean, level_of_textbook

START = datetime(2026, 3, 1, 22, 30)


# --- epochs and pairing -----------------------------------------------------------------------------------


@pytest.mark.parametrize("day", [0, 8])
def test_epochs_off_the_grid_are_shared_out_alike_on_every_day(day: int) -> None:
    # 20-s spans W N1 N2 W N1 N2: the three 30-s epochs hold 20 W + 10 N1, 10 N1 + 20 N2, 20 W + 10 N1 ...
    onset = 86_400.0 * day + 20.0 * np.arange(6)
    spans = ScoredSpans(onset, np.full(6, 20.0), np.array([0, 1, 2] * 2), ("W", "N1", "N2"), ("W", "N1", "N2"))
    laid = lay_on_epochs(spans, origin_s=0.0)
    assert laid.first == 2880 * day
    assert laid.codes.tolist() == [0, 2, 0, 2]
    assert laid.split_epochs == 4


def test_a_tie_is_the_earlier_one_s_on_every_day() -> None:
    for day in (0, 8):
        onset = 86_400.0 * day + np.array([0.0, 15.0, 30.0, 45.0])
        spans = ScoredSpans(onset, np.full(4, 15.0), np.array([2, 0, 0, 1]), ("W", "N1", "N2"), ("W", "N1", "N2"))
        assert lay_on_epochs(spans, origin_s=0.0).codes.tolist() == [2, 0]


def test_a_night_of_more_than_a_thousand_epochs_keeps_its_end() -> None:
    words = [["W", "N1", "N2", "N3", "R"][i // 9 % 5] for i in range(1500)]
    spans = read_hypnogram(words, start=START)
    assert align(reference=spans, device=spans).ledger.window_epochs == 1500
    given = parse_window("2026-03-01T22:30/2026-03-02T10:59:30")  # 1499 epochs of 30 s
    assert align(reference=spans, device=spans, window=given).ledger.window_epochs == 1499


def test_a_window_that_begins_a_thousand_epochs_in_begins_there() -> None:
    spans = read_hypnogram([["W", "N2"][i // 7 % 2] for i in range(1500)], start=START)
    late = parse_window("2026-03-02T08:30/2026-03-02T11:00")  # from epoch 1200 to the end
    paired = align(reference=spans, device=spans, window=late)
    assert paired.begin == datetime(2026, 3, 2, 8, 30)
    assert paired.ledger.window_epochs == 300
    assert paired.reference.tolist() == [(1200 + i) // 7 % 2 for i in range(300)]


@pytest.mark.parametrize("offset_s", [0.0, 600.0])
def test_the_offset_that_a_message_names_puts_the_starts_together(offset_s: float) -> None:
    # the reference's first stage lies an hour after its start, the device begins three hours after that
    reference = read_hypnogram([None] * 120 + ["W", "N1", "N2"] * 20, start=START)
    device = read_hypnogram(["wake", "light", "deep"] * 20, start=datetime(2026, 3, 2, 2, 30))
    with pytest.raises(PairingError) as refusal:
        align(reference=reference, device=device, clock_offset_s=offset_s)
    assert "clock_offset_s=-10800 would put their starts together" in str(refusal.value)
    together = align(reference=reference, device=device, clock_offset_s=-10_800.0)
    assert together.ledger.scored == 60


# --- measures ---------------------------------------------------------------------------------------------


def test_reasons_say_what_is_missing_and_where() -> None:
    nothing = SleepMeasures(*[math.nan] * len(SleepMeasures.__dataclass_fields__))
    awake = replace(nothing, tst_min=0.0)
    slept = SleepMeasures(*[1.0] * len(SleepMeasures.__dataclass_fields__))
    pairs = pair_measures(awake, awake, class_minutes=(("light", 0.0, 0.0),))
    why = {pair.measure: pair.undefined_because for pair in pairs}
    assert why["SOL"] == why["WASO"] == why["awakenings"] == why["percent light"] == "no sleep on either side"
    assert why["REM latency"] == "no such epoch on either side"
    one = {p.measure: p.undefined_because for p in pair_measures(slept, awake, class_minutes=())}
    assert one["SOL"] == "no sleep on the device side"
    assert one["REM latency"] == "no such epoch on the device side"


# --- bias -------------------------------------------------------------------------------------------------


def test_nothing_is_returned_to_a_class_when_no_epoch_went_unreported() -> None:
    names = {"reference_classes": ("wake", "light", "rem"), "device_classes": ("wake", "light")}
    none = account_for_bias(np.array([[5, 1], [2, 9], [0, 0]]), **names)
    assert [source.returned_to for source in none] == ["", ""]
    some = account_for_bias(np.array([[5, 1], [2, 9], [4, 1]]), **names)
    assert [source.returned_to for source in some] == ["wake", "wake"]


def test_ratios_need_values_above_zero_and_no_more() -> None:
    below_one = {"reference": [0.5, 0.25, 0.8], "device": [0.6, 0.3, 0.9], "participant": [1, 2, 3]}
    fitted = fit_limits_of_agreement(**below_one, scale=Scale.LOG_RATIO)
    # the mean log ratio by hand
    mean = np.mean(np.log([0.6 / 0.5, 0.3 / 0.25, 0.9 / 0.8]))
    assert fitted.bias == pytest.approx(mean)
    with_zero = fit_limits_of_agreement(reference=[0.5, 0.0, 0.8], device=[0.6, 0.3, 0.0], participant=[1, 2, 3],
                                        scale=Scale.LOG_RATIO)  # fmt: skip
    assert math.isnan(with_zero.bias)
    assert "2 of 3 nights have 0 or less" in str(with_zero.undefined)


# --- resampling -------------------------------------------------------------------------------------------


def test_bca_of_a_skewed_mean_is_that_of_scipy_far_from_the_middle() -> None:
    # values of which one stands out: most resamples lie on one side, and the correction is large
    values = np.array([1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 1.02, 0.98, 1.01, 14.0])
    ours = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=20_000, level=level_of_textbook(0.9, 10)).bca
    theirs = stats.bootstrap(
        (values,), np.mean, method="BCa", n_resamples=20_000, confidence_level=0.9, rng=np.random.default_rng(2)
    ).confidence_interval
    assert ours.low == pytest.approx(theirs.low, abs=0.12)
    assert ours.high == pytest.approx(theirs.high, rel=0.06)


def test_a_note_when_the_ends_are_the_outermost_resamples() -> None:
    values = np.arange(12.0)
    few = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=45)
    many = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=2000)
    assert any("outermost resamples" in note for note in few.notes)
    assert not any("outermost resamples" in note for note in many.notes)


def test_the_standard_error_of_few_resamples_is_that_of_numpy() -> None:
    values = np.arange(12.0)
    two = bootstrap_mean(values, rng=np.random.default_rng(1), resamples=2)
    assert two.percentile.se > 0
    assert math.isnan(bootstrap_mean(values, rng=np.random.default_rng(1), resamples=1).percentile.se)


@pytest.mark.parametrize("units", [9, 10, 11])
def test_a_statistic_without_bounds_has_the_interval_of_the_delta_method(units: int) -> None:
    tables = np.random.default_rng(6).integers(1, 40, (units, 2, 2))
    found = bootstrap(tables, coefficients.accuracy, rng=np.random.default_rng(7), resamples=200)
    assert found.primary is found.delta


def test_pieces_of_the_resampling_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    tables = np.random.default_rng(6).integers(1, 40, (60, 3, 3))
    whole = bootstrap(tables, coefficients.kappa, rng=np.random.default_rng(7), resamples=500)
    for name, value in (("_PIECE_ROWS", 7), ("_PIECE_PRODUCTS", 40), ("_PIECE_PRODUCTS_OF_ONE", 9)):
        monkeypatch.setattr(resampling, name, value)
    parts = bootstrap(tables, coefficients.kappa, rng=np.random.default_rng(7), resamples=500)
    assert (parts.percentile.low, parts.percentile.high) == pytest.approx((whole.percentile.low, whole.percentile.high))
    assert parts.delta.se == pytest.approx(whole.delta.se)


@pytest.mark.parametrize("share", [0.08, 0.5, 0.92])
def test_bca_where_few_resamples_lie_below_the_value(share: float) -> None:
    # Efron 1987 in closed form: replicates that are normal and no acceleration give shares of Phi(2 z0 +- z)
    replicates = stats.norm.ppf((np.arange(100_000) + 0.5) / 100_000)
    found = resampling.bca_interval(replicates, value=float(stats.norm.ppf(share)), acceleration=0.0, tail=0.25)
    middle, reach = 2 * stats.norm.ppf(share), stats.norm.ppf(0.75)
    assert (found.low, found.high) == pytest.approx((middle - reach, middle + reach), abs=0.02)
