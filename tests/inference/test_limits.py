"""Bias and limits of agreement: against general libraries, hand-worked cases and the awkward ones."""

from __future__ import annotations

import doctest
import math
import pickle
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.linalg
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW, ttost_paired

from sleepagree.inference.equivalence import containment_test, equivalence_test
from sleepagree.inference.limits import (
    FIGURES,
    LimitsOfAgreement,
    Scale,
    Spread,
    fit_limits_of_agreement,
    fit_regression_limits,
)
from sleepagree.inference.normal_theory import (
    LimitsInterval,
    containment_factor,
    one_limit_factor,
    sd_bias_factor,
    sd_nodes,
)
from sleepagree.inference.people import Design, number_participants


def _nights(seed: int, *, people: int = 14, most: int = 4, fewest: int = 1) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(people), rng.integers(fewest, most + 1, people))
    reference = rng.normal(400, 45, people)[who] + rng.normal(0, 30, len(who))
    device = 0.9 * reference + 52 + rng.normal(0, 12, people)[who] + rng.normal(0, 18, len(who))
    return {"reference": reference, "device": device, "participant": who}


# ------------------------------------------------------------------ one night each


def test_bias_interval_is_the_one_sample_t_interval_of_scipy() -> None:
    nights = _nights(1, most=1)
    limits = fit_limits_of_agreement(**nights, level=0.9)
    oracle = stats.ttest_1samp(nights["device"] - nights["reference"], 0).confidence_interval(0.9)
    assert (limits.bias_low, limits.bias_high) == pytest.approx((oracle.low, oracle.high))
    assert limits.design is Design.ONE_NIGHT_EACH
    assert limits.interval is LimitsInterval.EXACT
    assert "noncentral t" in limits.method
    assert limits.reason("within_sd").startswith("One night per participant")


def test_limit_intervals_are_quantiles_of_the_noncentral_t_of_scipy() -> None:
    limits = fit_limits_of_agreement(**_nights(2, most=1), level=0.9, multiplier=1.5)
    n, root = limits.nights, math.sqrt(limits.nights)
    low, high = stats.nct.ppf([0.05, 0.95], n - 1, 1.5 * root) / root * limits.sd
    assert (limits.upper_low, limits.upper_high) == pytest.approx((limits.bias + low, limits.bias + high))
    assert (limits.lower_low, limits.lower_high) == pytest.approx((limits.bias - high, limits.bias - low))


def test_means_spreads_and_absolute_differences_by_hand() -> None:
    limits = fit_limits_of_agreement(
        reference=[400.0, 300.0, 500.0], device=[410.0, 330.0, 495.0], participant=["a", "b", "c"]
    )
    assert (limits.reference_mean, limits.reference_sd) == pytest.approx((400, 100))
    assert limits.device_mean == pytest.approx(1235 / 3)
    assert limits.bias == pytest.approx(35 / 3)
    assert limits.mae == pytest.approx(15)
    assert limits.mape == pytest.approx((2.5 + 10 + 1) / 3)


def test_slope_and_its_interval_are_hc2_of_statsmodels_with_fewer_degrees_of_freedom() -> None:
    nights = _nights(3, most=1, people=25)
    level = (nights["device"] + nights["reference"]) / 2
    difference = nights["device"] - nights["reference"]
    design = sm.add_constant(level)
    absolute = np.abs(sm.OLS(difference, design).fit().resid)
    for values, name in ((difference, "slope"), (absolute, "spread_slope")):
        oracle = sm.OLS(values, design).fit(cov_type="HC2")
        limits = fit_limits_of_agreement(**nights)
        slope = getattr(limits, name)
        assert slope == pytest.approx(oracle.params[1])
        half = (getattr(limits, f"{name}_high") - getattr(limits, f"{name}_low")) / 2
        assert slope - getattr(limits, f"{name}_low") == pytest.approx(half)
        degrees = _satterthwaite(design, np.arange(25), np.ones(25))[1]
        assert half == pytest.approx(stats.t.ppf(0.975, degrees) * oracle.bse[1])
        assert 2 < degrees < 24


# ------------------------------------------------------------------ several nights each


def _satterthwaite(
    design: np.ndarray, who: np.ndarray, weight: np.ndarray, values: np.ndarray | None = None
) -> tuple[float, float]:
    """SE and degrees of freedom of the last coefficient by the matrices of Bell & McCaffrey 2002, in full."""
    root = np.sqrt(weight)
    x = design * root[:, None]
    bread = np.linalg.inv(x.T @ x)
    residual_maker = np.eye(len(x)) - x @ bread @ x.T
    residuals = residual_maker @ (values * root) if values is not None else np.zeros(len(x))
    scores, columns = [], []
    for person in np.unique(who):
        own = who == person
        block = residual_maker[np.ix_(own, own)]
        adjust = scipy.linalg.inv(scipy.linalg.sqrtm(block).real)
        direction = adjust @ x[own] @ bread[:, -1]
        scores.append(direction @ residuals[own])
        columns.append(residual_maker[:, own] @ direction)
    gram = np.array(columns) @ np.array(columns).T
    return float(np.sqrt(np.sum(np.square(scores)))), float(np.trace(gram) ** 2 / np.sum(gram**2))


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_slopes_of_repeated_nights_follow_bell_and_mccaffrey(seed: int) -> None:
    nights = _nights(seed)
    who = nights["participant"]
    level = (nights["device"] + nights["reference"]) / 2
    difference = nights["device"] - nights["reference"]
    weight = 1 / np.bincount(who)[who]
    design = sm.add_constant(level)
    line = sm.WLS(difference, design, weights=weight).fit()
    limits = fit_limits_of_agreement(**nights)
    lines = fit_regression_limits(**nights)
    assert limits.slope == pytest.approx(line.params[1])
    se, degrees = _satterthwaite(design, who, weight, difference)
    assert lines.slope_se == pytest.approx(se)
    assert (limits.slope_high - limits.slope_low) / 2 == pytest.approx(stats.t.ppf(0.975, degrees) * se)
    spread = sm.WLS(np.abs(difference - line.fittedvalues), design, weights=weight).fit()
    assert limits.spread_slope == pytest.approx(spread.params[1])
    se, _ = _satterthwaite(design, who, weight, np.abs(difference - line.fittedvalues))
    half = (limits.spread_slope_high - limits.spread_slope_low) / 2
    assert half == pytest.approx(stats.t.ppf(0.975, degrees) * se)


def test_bias_of_repeated_nights_rests_on_participants_means() -> None:
    nights = _nights(7)
    who, difference = nights["participant"], nights["device"] - nights["reference"]
    means = np.array([difference[who == person].mean() for person in np.unique(who)])
    oracle = stats.ttest_1samp(means, 0).confidence_interval(0.95)
    limits = fit_limits_of_agreement(**nights)
    assert limits.bias == pytest.approx(means.mean())
    assert (limits.bias_low, limits.bias_high) == pytest.approx((oracle.low, oracle.high))
    assert limits.design is Design.SEVERAL_NIGHTS
    assert limits.interval is LimitsInterval.MOVER
    assert "Zou 2013" in limits.method
    absolute = np.abs(difference)
    assert limits.mae == pytest.approx(np.mean([absolute[who == p].mean() for p in np.unique(who)]))


def test_components_add_up_to_the_spread_of_a_night() -> None:
    limits = fit_limits_of_agreement(**_nights(8))
    assert math.hypot(limits.between_sd, limits.within_sd) == pytest.approx(limits.sd)


def test_within_variance_is_the_mean_square_of_scipys_one_way_analysis() -> None:
    nights = _nights(9, fewest=2)
    groups = [(nights["device"] - nights["reference"])[nights["participant"] == p] for p in range(14)]
    limits = fit_limits_of_agreement(**nights)
    sizes, means = np.array([len(g) for g in groups]), np.array([g.mean() for g in groups])
    between = (sizes * (means - np.average(means, weights=sizes)) ** 2).sum() / 13
    assert between / limits.within_sd**2 == pytest.approx(stats.f_oneway(*groups).statistic)


def test_people_with_one_night_among_repeated_ones_count_for_the_mean_only() -> None:
    limits = fit_limits_of_agreement(reference=[0, 0, 0, 0.0], device=[1, 3, 5, 9.0], participant=["a", "a", "b", "c"])
    assert limits.bias == pytest.approx((2 + 5 + 9) / 3)
    assert limits.within_sd**2 == pytest.approx(2.0)  # one degree of freedom, from "a"


def test_a_variance_between_participants_below_0_is_said() -> None:
    limits = fit_limits_of_agreement(
        reference=[100.0] * 6, device=[90, 110, 89, 112, 91, 110.0], participant=[1, 1, 2, 2, 3, 3]
    )
    assert limits.between_sd == 0
    assert any("below 0" in note for note in limits.notes)
    assert limits.sd > 0


def test_intervals_of_repeated_nights_tell_more_nights_from_fewer_people() -> None:
    few = fit_limits_of_agreement(**_nights(10, people=5, fewest=6, most=6))
    many = fit_limits_of_agreement(**_nights(10, people=30, fewest=1, most=1))
    assert few.nights == many.nights == 30
    assert few.bias_high - few.bias_low > many.bias_high - many.bias_low


def test_intervals_hold_in_a_small_simulation() -> None:
    """300 studies of 10 people x 2 nights; 95 % nominal, standard error 1.3 %. The benchmark is elsewhere."""
    rng = np.random.default_rng(12)
    who = np.repeat(np.arange(10), 2)
    true_sd = math.hypot(12, 18)
    hits = np.zeros(3)
    for _ in range(300):
        reference = rng.normal(400, 40, 20)
        difference = -5 + rng.normal(0, 12, 10)[who] + rng.normal(0, 18, 20)
        f = fit_limits_of_agreement(reference=reference, device=reference + difference, participant=who)
        hits += (
            f.bias_low <= -5 <= f.bias_high,
            f.lower_low <= -5 - f.multiplier * true_sd <= f.lower_high,
            f.upper_low <= -5 + f.multiplier * true_sd <= f.upper_high,
        )
    assert (hits / 300 > 0.91).all()
    assert (hits / 300 < 0.995).all()


# ------------------------------------------------------------------ one participant, and less


def test_one_participant_speaks_of_that_person() -> None:
    nights = _nights(13, most=1)
    limits = fit_limits_of_agreement(reference=nights["reference"], device=nights["device"], participant=["Ada"] * 14)
    people = fit_limits_of_agreement(**nights)
    assert limits.design is Design.ONE_PARTICIPANT
    assert (limits.participants, limits.nights) == (1, 14)
    for name in ("bias_low", "upper_high", "slope_low", "mae"):
        assert getattr(limits, name) == getattr(people, name)
    assert limits.within_sd == limits.sd
    assert math.isnan(limits.between_sd)
    assert "this person only" in limits.method
    assert any("this person only" in note for note in limits.notes)


def test_a_single_night_has_a_difference_and_nothing_more() -> None:
    limits = fit_limits_of_agreement(reference=[400.0], device=[390.0], participant=["Ada"])
    assert (limits.bias, limits.mae, limits.mape) == (-10, 10, 2.5)
    assert math.isnan(limits.sd)
    assert "at least 2 participants" in limits.reason("upper_high")
    assert "at least 3" in limits.reason("slope")


def test_two_participants_have_limits_but_no_slope() -> None:
    limits = fit_limits_of_agreement(reference=[400.0, 410], device=[390.0, 420], participant=[1, 2])
    assert limits.upper_high > limits.upper > limits.upper_low
    assert math.isnan(limits.slope)


def test_no_nights() -> None:
    limits = fit_limits_of_agreement(reference=[], device=[], participant=[])
    assert limits.design is Design.EMPTY
    assert all(math.isnan(getattr(limits, name)) for name in FIGURES)
    limits = fit_limits_of_agreement(reference=[1.0, np.nan], device=[np.nan, 2], participant=[1, 2])
    assert (limits.participants, limits.nights, limits.dropped) == (0, 0, 2)
    assert limits.reason("bias") == "No night has a value on both sides."


def test_a_night_without_a_value_on_one_side_drops_out_and_is_counted() -> None:
    nights = _nights(14)
    gappy = nights["device"].copy()
    gappy[[0, 5]] = np.nan
    kept = ~np.isnan(gappy)
    limits = fit_limits_of_agreement(reference=nights["reference"], device=gappy, participant=nights["participant"])
    without = fit_limits_of_agreement(**{name: column[kept] for name, column in nights.items()})
    assert limits.dropped == 2
    assert replace(limits, dropped=0) == without


def test_equal_sides_give_zeros_and_a_note() -> None:
    value = [400.1, 312.7, 455.3, 398.9]
    limits = fit_limits_of_agreement(reference=value, device=value, participant=[1, 2, 3, 3])
    for name in ("bias", "bias_low", "bias_high", "sd", "lower_low", "upper_high", "slope", "mae"):
        assert getattr(limits, name) == 0
    assert limits.notes == ("All differences are equal, so the intervals have no width.",)


def test_two_people_whose_differences_are_equal_are_enough_for_the_note() -> None:
    limits = fit_limits_of_agreement(reference=[400.0, 410], device=[405.0, 415], participant=[1, 2])
    assert limits.notes == ("All differences are equal, so the intervals have no width.",)


def test_equal_readings_of_several_nights_have_intervals_without_width() -> None:
    limits = fit_limits_of_agreement(reference=[5.0, 5, 7, 7], device=[5.0, 5, 7, 7], participant=[1, 1, 2, 2])
    assert limits.interval is LimitsInterval.MOVER
    assert limits.lower_low == limits.upper_high == 0


def test_a_constant_shift_has_no_spread_either() -> None:
    value = np.array([400.25, 312.5, 455.75, 398.0])
    limits = fit_limits_of_agreement(reference=value, device=value + 7.5, participant=range(4))
    assert (limits.bias, limits.sd, limits.upper_high) == (7.5, 0, 7.5)


def test_nights_of_one_magnitude_have_no_slope() -> None:
    limits = fit_limits_of_agreement(
        reference=[400.0, 401, 402, 403], device=[406.0, 405, 404, 403], participant=range(4)
    )
    assert math.isnan(limits.slope)
    assert limits.reason("spread_slope_low") == "A slope needs nights of different magnitude."


def test_a_participant_who_alone_fixes_the_slope() -> None:
    limits = fit_limits_of_agreement(
        reference=[400.0, 400, 400, 300], device=[410.0, 410, 410, 330], participant=range(4)
    )
    assert limits.slope == pytest.approx(-2 / 9)
    assert math.isnan(limits.slope_low)
    assert "alone fixes the slope" in limits.reason("slope_low")


def test_per_cent_of_0_is_undefined() -> None:
    limits = fit_limits_of_agreement(reference=[0.0, 10, 20], device=[1.0, 10, 22], participant=range(3))
    assert limits.mae == pytest.approx(1)
    assert limits.reason("mape").endswith("as on 1 of these nights.")


def test_every_missing_figure_has_its_sentence_and_no_other() -> None:
    with pytest.raises(ValueError, match="undefined must explain exactly"):
        LimitsOfAgreement(participants=3, nights=3, dropped=0, bias=1.0)


def test_result_cannot_be_changed_and_survives_a_process() -> None:
    limits = fit_limits_of_agreement(**_nights(16))
    with pytest.raises(AttributeError):
        limits.bias = 0.0  # type: ignore[misc]
    assert pickle.loads(pickle.dumps(limits)) == limits


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"level": 1.0}, "level must lie between 0 and 1, such as 0.95, not 1.0"),
        ({"multiplier": 0.0}, "multiplier must be a positive number, got 0.0"),
        ({"device": [1.0, 2.0]}, "one entry per night, got 3, 2 and 3"),
        ({"device": [1.0, np.inf, 2.0]}, "device must be finite or nan, got inf at row 1"),
        ({"device": [[1.0, 2.0, 3.0]]}, "device must have one dimension"),
        ({"participant": ["a", None, "b"]}, "participant must name somebody in every row, got None"),
        ({"participant": [1.0, np.nan, 2.0]}, "participant must name somebody in every row, got nan"),
        ({"participant": [[1], [2], [3]]}, "participant must have one dimension"),
        ({"participant": ["a", "", "b"]}, "participant must name somebody in every row, got ''"),
        ({"participant": ["a", pd.NA, "b"]}, "participant must name somebody in every row, got <NA>"),
        ({"participant": np.ma.array(["a", "x", "b"], mask=[0, 1, 0])}, "must name somebody in every row, got None"),
        ({"scale": "ratio"}, "scale must be one of 'raw', 'log ratio', not 'ratio'"),
        ({"scale": None}, "scale must be one of 'raw', 'log ratio', not None"),
        ({"scale": False}, "scale must be one of 'raw', 'log ratio', not False"),
    ],
)
def test_misuse_names_the_parameter(change: dict[str, object], message: str) -> None:
    usual: dict[str, object] = {"reference": [1.0, 2.0, 3.0], "device": [1.0, 2.0, 4.0], "participant": ["a", "b", "c"]}
    with pytest.raises(ValueError, match=message.replace("(", r"\(")):
        fit_limits_of_agreement(**(usual | change))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "given",
    [
        [412.0, None, 450.0],
        np.ma.array([412.0, 9999.0, 450.0], mask=[0, 1, 0]),
        pd.Series([412, pd.NA, 450], dtype="Int64"),
        pd.Series([412, pd.NA, 450], dtype=object),
        [412.0, np.ma.masked, 450.0],
        [Decimal(412), Decimal("nan"), Decimal(450)],
    ],
)
def test_what_is_missing_is_no_number_however_that_is_written(given: object) -> None:
    nights = {"device": [430.0, 395.0, 455.0], "participant": ["a", "b", "c"]}
    limits = fit_limits_of_agreement(reference=given, **nights)  # type: ignore[arg-type]
    assert limits == fit_limits_of_agreement(reference=[412.0, np.nan, 450.0], **nights)  # type: ignore[arg-type]
    assert (limits.dropped, limits.bias) == (1, pytest.approx((18 + 5) / 2))


@pytest.mark.parametrize(
    ("given", "found"),
    [
        (pd.to_timedelta([412, 388, 450], unit="min"), "at row 0; give minutes or another unit, as numbers$"),
        ([412, timedelta(minutes=388), 450], "'6:28:00' at row 1; give minutes or another unit"),
        (pd.date_range("2026-03-01 22:00", periods=3), "'2026-03-01T22:00.* at row 0$"),
        (pd.date_range("2026-03-01 22:00", periods=3, tz="UTC"), r"'2026-03-01 22:00:00\+00:00' at row 0$"),
        ([412, 388 + 1j, 450], r"'\(412\+0j\)' at row 0$"),
        ([412, "much", 450], "'much' at row 1$"),
    ],
)
def test_what_is_no_number_is_refused_by_its_row(given: object, found: str) -> None:
    nights = {"device": [430.0, 395.0, 455.0], "participant": ["a", "b", "c"]}
    with pytest.raises(TypeError, match=f"^reference must hold numbers, got .*{found}"):
        fit_limits_of_agreement(reference=given, **nights)  # type: ignore[arg-type]


# ------------------------------------------------------------------ log ratio


def test_log_ratio_is_the_difference_of_logs() -> None:
    nights = _nights(17)
    logs = fit_limits_of_agreement(**nights, scale=Scale.LOG_RATIO)
    plain = fit_limits_of_agreement(
        reference=np.log(nights["reference"]), device=np.log(nights["device"]), participant=nights["participant"]
    )
    assert logs.upper_high == pytest.approx(plain.upper_high)
    ratios = logs.as_printed()
    assert ratios.bias == pytest.approx(
        stats.gmean(
            [stats.gmean((nights["device"] / nights["reference"])[nights["participant"] == p]) for p in range(14)]
        )
    )
    assert ratios.lower_low < ratios.lower < ratios.lower_high < ratios.bias < ratios.upper_high
    assert plain.as_printed() is plain


def test_a_scale_is_told_by_its_text() -> None:
    # minutes asleep of three people, by hand: the mean of 18, 7 and 5 min, and of ln(430/412), ln(395/388), ln(455/450)
    nights = {"reference": [412, 388, 450], "device": [430, 395, 455], "participant": ["a", "b", "c"]}
    raw, logs = (fit_limits_of_agreement(**nights, scale=scale) for scale in ("raw", "log ratio"))  # type: ignore[arg-type]
    assert (raw.bias, raw.scale) == (pytest.approx(10), Scale.RAW)
    by_hand = (math.log(430 / 412) + math.log(395 / 388) + math.log(455 / 450)) / 3
    assert (logs.bias, logs.scale) == (pytest.approx(by_hand), Scale.LOG_RATIO)


def test_log_ratio_of_0_is_undefined_for_the_measure() -> None:
    limits = fit_limits_of_agreement(
        reference=[10.0, 0.0, 20.0], device=[11.0, 5.0, 19.0], participant=range(3), scale=Scale.LOG_RATIO
    )
    assert limits.reason("bias") == ("The log ratio needs values above 0; 1 of 3 nights have 0 or less on a side.")
    assert math.isnan(limits.as_printed().upper)


# ------------------------------------------------------------------ regression limits


def test_lines_against_ordinary_least_squares_of_statsmodels() -> None:
    nights = _nights(19, most=1, people=30)
    level = (nights["device"] + nights["reference"]) / 2
    oracle = sm.OLS(nights["device"] - nights["reference"], sm.add_constant(level)).fit()
    lines = fit_regression_limits(**nights, multiplier=2.0)
    assert (lines.intercept, lines.slope) == pytest.approx(tuple(oracle.params))
    assert lines.residual_sd == pytest.approx(math.sqrt(oracle.mse_resid))
    at = lines.at(420.0)
    assert at.upper - at.bias == pytest.approx(2 * math.sqrt(oracle.mse_resid))
    assert lines.reference_mean == pytest.approx(nights["reference"].mean())


def test_a_spread_is_told_by_its_text_and_nothing_else_is_taken_for_one() -> None:
    nights = {"reference": [400, 300, 500, 350], "device": [420, 330, 500, 375], "participant": [1, 2, 3, 4]}
    text = Spread.VARYING.value
    assert fit_regression_limits(**nights, spread=text) == fit_regression_limits(**nights, spread=Spread.VARYING)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=f"spread must be one of .*'{text}', not 'wide'"):
        fit_regression_limits(**nights, spread="wide")  # type: ignore[arg-type]


def test_lines_pass_through_the_plain_bias_at_the_mean_of_both() -> None:
    nights = _nights(20)
    limits, lines = fit_limits_of_agreement(**nights), fit_regression_limits(**nights)
    assert lines.at((limits.reference_mean + limits.device_mean) / 2).bias == pytest.approx(limits.bias)
    assert lines.residual_sd < limits.sd


def test_a_line_of_the_spread_ends_at_0() -> None:
    reference = np.array([100.0, 200, 300, 400])
    lines = fit_regression_limits(
        reference=reference, device=reference + np.array([1, -10, 22, -38]), participant=range(4), spread=Spread.VARYING
    )
    assert lines.spread_slope > 0
    at = lines.at(-1000.0)
    assert at.lower == at.bias == at.upper  # the line of the spread ends at 0
    assert lines.at(300.0).upper > lines.at(300.0).bias


def test_lines_that_cannot_be() -> None:
    two = fit_regression_limits(reference=[1.0, 2], device=[1.0, 3], participant=[1, 2])
    assert "at least 3" in two.at(1.0).undefined_because
    none = fit_regression_limits(reference=[], device=[], participant=[])
    assert none.reason("reference_mean") == none.at(1.0).undefined_because
    alone = fit_regression_limits(reference=[400.0, 400, 400, 300], device=[410.0, 410, 410, 330], participant=range(4))
    assert "alone fixes" in alone.reason("slope_se")
    person = fit_regression_limits(**(_nights(21, most=1) | {"participant": ["Ada"] * 14}))
    assert "this person only" in person.method


# ------------------------------------------------------------------ tests against a margin


def test_equivalence_against_statsmodels() -> None:
    nights = _nights(22, most=1)
    found = equivalence_test(**nights, margin=(-8.0, 25.0), alpha=0.05)
    p_value, *_ = ttost_paired(nights["device"], nights["reference"], -8.0, 25.0)
    assert found.p_value == pytest.approx(p_value)
    low, high = DescrStatsW(nights["device"] - nights["reference"]).tconfint_mean(alpha=0.1)
    assert (found.low, found.high) == pytest.approx((low, high))
    assert found.equivalent is bool(p_value < 0.05)
    assert found.equivalent is bool(found.low > -8 and found.high < 25)


def test_equivalence_of_repeated_nights_tests_participants_means() -> None:
    nights = _nights(23)
    who, difference = nights["participant"], nights["device"] - nights["reference"]
    means = np.array([difference[who == person].mean() for person in range(14)])
    found = equivalence_test(**nights, margin=30.0)
    p_value = DescrStatsW(means).ttost_mean(-30, 30)[0]
    assert found.p_value == pytest.approx(p_value)
    assert found.equivalent is True
    assert (found.margin_low, found.margin_high) == (-30, 30)


def test_equivalence_without_enough_is_undefined() -> None:
    one = equivalence_test(reference=[1.0], device=[2.0], participant=[1], margin=5.0)
    assert one.equivalent is None
    assert one.bias == 1.0
    same = equivalence_test(reference=[1.0, 2], device=[2.0, 3], participant=[1, 2], margin=5.0)
    assert (same.equivalent, same.undefined_because) == (
        None,
        "All participants differ by the same amount, so there is no spread to test against.",
    )
    none = equivalence_test(reference=[], device=[], participant=[], margin=5.0)
    assert math.isnan(none.bias)
    person = equivalence_test(reference=[1.0, 2, 3], device=[2.0, 3, 5], participant=["Ada"] * 3, margin=5.0)
    assert "nights of one participant" in person.method


@pytest.mark.parametrize("margin", [0.0, -1.0, (3.0, 1.0), math.inf])
def test_empty_margin(margin: float) -> None:
    with pytest.raises(ValueError, match="margin must be"):
        equivalence_test(reference=[1.0], device=[2.0], participant=[1], margin=margin)


def test_alpha_of_equivalence() -> None:
    with pytest.raises(ValueError, match=r"alpha must lie between 0 and 0\.5"):
        equivalence_test(reference=[1.0], device=[2.0], participant=[1], margin=1.0, alpha=0.5)


def test_containment_of_single_and_of_repeated_nights() -> None:
    repeated = containment_test(**_nights(24, fewest=2), margin=200.0)
    assert repeated.contained is True
    assert "MOVER" in repeated.method
    one = containment_test(reference=[1.0], device=[2.0], participant=[1], margin=5.0)
    assert "at least 2" in one.undefined_because
    wide, narrow = (containment_test(**_nights(25, most=1), margin=m) for m in (200.0, 20.0))
    assert (wide.contained, narrow.contained) == (True, False)


# ------------------------------------------------------------------ factors


@pytest.mark.parametrize("degrees", [1, 2, 5, 40, 3000])
def test_average_over_the_sampling_distribution_of_an_sd(degrees: int) -> None:
    ratio, weights = sd_nodes(degrees=degrees)
    assert weights.sum() == pytest.approx(1, abs=1e-9)
    assert weights @ ratio**2 == pytest.approx(1, abs=1e-9)
    assert weights @ ratio == pytest.approx(1 / sd_bias_factor(n=degrees + 1))
    below = sd_nodes(degrees=degrees, high=0.9)[1].sum()
    assert below == pytest.approx(stats.chi2.cdf(0.81 * degrees, degrees), abs=1e-9)
    assert sd_nodes(degrees=degrees, high=1e-30)[1].sum() == 0


def test_the_exact_factor_closes_in_on_the_true_limit() -> None:
    assert one_limit_factor(n=200_000, multiplier=1.96, probability=0.975) == pytest.approx(1.96, abs=0.01)


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (
            lambda: one_limit_factor(n=1, multiplier=2.0, probability=0.5),
            ValueError,
            "n must be a whole number from 2 on, not 1",
        ),
        (lambda: one_limit_factor(n=2.5, multiplier=2.0, probability=0.5), ValueError, "n must be a whole number"),
        (
            lambda: one_limit_factor(n=2, multiplier=2.0, probability=1 - 1e-16),
            ValueError,
            "at least 1e-9 away from both",
        ),
        (lambda: containment_factor(n=5, alpha=2.0), ValueError, "alpha must lie between 0 and 1"),
    ],
)
def test_misuse_of_factors(call: object, error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        call()  # type: ignore[operator]


def test_numbers_of_participants_follow_first_appearance() -> None:
    assert number_participants(["z", "a", "z", "b"]).tolist() == [0, 1, 0, 2]
    assert number_participants(np.array([5, 3, 5])).tolist() == [0, 1, 0]


def test_worked_examples_of_the_methods_page() -> None:
    page = Path(__file__).parents[2] / "docs" / "methods_bias.md"
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 10
    assert outcome.failed == 0
