"""Laws that bias and limits of agreement keep for any nights."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.inference.equivalence import equivalence_test
from sleepagree.inference.limits import FIGURES, LimitsOfAgreement, fit_limits_of_agreement, fit_regression_limits

Nights = dict[str, Any]
# Minutes in quarters: sums and differences are exact, so laws need no slack but for division.
_minutes = st.one_of(st.integers(0, 2400).map(lambda quarters: quarters / 4), st.just(math.nan))


@st.composite
def nights(draw: st.DrawFn) -> Nights:
    rows = draw(st.lists(st.tuples(_minutes, _minutes, st.integers(0, 6)), min_size=0, max_size=25))
    reference, device, participant = (list(column) for column in zip(*rows, strict=True)) if rows else ([], [], [])
    return {"reference": np.array(reference), "device": np.array(device), "participant": participant}


def _same(found: float, expected: float) -> bool:
    return found == pytest.approx(expected, rel=1e-7, abs=1e-7, nan_ok=True)


def _same_line(found: float, expected: float) -> bool:
    """With few participants, one of whom nearly fixes the line, rounding is magnified."""
    return found == pytest.approx(expected, rel=1e-3, abs=1e-5, nan_ok=True)


def _steep(limits: LimitsOfAgreement) -> bool:
    """Whether rounding decides if there is a slope: everything but a hair is of one magnitude."""
    return math.isnan(limits.slope) or math.isnan(limits.slope_low)


@settings(deadline=None)
@given(nights())
def test_swapping_sides_negates_the_bias_and_mirrors_the_limits(data: Nights) -> None:
    limits = fit_limits_of_agreement(**data)
    swapped = fit_limits_of_agreement(
        reference=data["device"], device=data["reference"], participant=data["participant"]
    )
    for name, mirror in (
        ("bias", "bias"),
        ("bias_low", "bias_high"),
        ("lower", "upper"),
        ("lower_low", "upper_high"),
        ("lower_high", "upper_low"),
    ):
        assert _same(getattr(swapped, name), -getattr(limits, mirror))
    for name in ("sd", "between_sd", "within_sd", "mae"):
        assert _same(getattr(swapped, name), getattr(limits, name))
    if not (_steep(limits) or _steep(swapped)):
        assert _same_line(swapped.slope, -limits.slope)
        assert _same_line(swapped.spread_slope, limits.spread_slope)


@settings(deadline=None)
@given(nights(), st.integers(-400, 400))
def test_adding_a_constant_to_the_device_moves_bias_and_limits_by_it(data: Nights, shift: int) -> None:
    limits = fit_limits_of_agreement(**data)
    moved = fit_limits_of_agreement(**(data | {"device": data["device"] + shift}))
    for name in FIGURES:
        if name.startswith(("bias", "lower", "upper", "device_mean")):
            assert _same(getattr(moved, name), getattr(limits, name) + shift)
        elif name not in ("mae", "mape") and not name.startswith(("slope", "spread")):
            assert _same(getattr(moved, name), getattr(limits, name))
    if not (_steep(limits) or _steep(moved)):
        assert _same_line(moved.slope, limits.slope)


@settings(deadline=None)
@given(nights(), st.sampled_from([0.25, 2.0, 60.0]))
def test_another_unit_scales_every_figure_but_slopes_and_per_cent(data: Nights, factor: float) -> None:
    limits = fit_limits_of_agreement(**data)
    scaled = fit_limits_of_agreement(
        **(data | {"reference": data["reference"] * factor, "device": data["device"] * factor})
    )
    for name in FIGURES:
        if name.startswith(("slope", "spread")):
            if not (_steep(limits) or _steep(scaled)):
                assert _same_line(getattr(scaled, name), getattr(limits, name))
        else:
            by = 1.0 if name == "mape" else factor
            assert _same(getattr(scaled, name), by * getattr(limits, name))


@settings(deadline=None)
@given(nights())
def test_names_of_participants_change_nothing(data: Nights) -> None:
    limits = fit_limits_of_agreement(**data)
    names = ["Gil", "Ada", "Fay", "Bo", "Eli", "Cy", "Dee"]
    renamed = fit_limits_of_agreement(**(data | {"participant": [names[p] for p in data["participant"]]}))
    assert repr(renamed) == repr(limits)


@settings(deadline=None)
@given(nights(), st.randoms(use_true_random=False))
def test_order_of_nights_changes_nothing(data: Nights, random: Any) -> None:
    order = list(range(len(data["participant"])))
    random.shuffle(order)
    limits = fit_limits_of_agreement(**data)
    shuffled = fit_limits_of_agreement(
        reference=data["reference"][order],
        device=data["device"][order],
        participant=[data["participant"][i] for i in order],
    )
    for name in FIGURES:
        if not name.startswith(("slope", "spread")):
            assert _same(getattr(shuffled, name), getattr(limits, name))
        elif not (_steep(limits) or _steep(shuffled)):
            assert _same_line(getattr(shuffled, name), getattr(limits, name))


@settings(deadline=None)
@given(nights())
def test_limits_lie_in_their_intervals_and_reasons_stand_for_nan_only(data: Nights) -> None:
    limits = fit_limits_of_agreement(**data)
    for name in FIGURES:
        assert bool(limits.reason(name)) is math.isnan(getattr(limits, name))
    if not math.isnan(limits.sd):
        slack = 1e-9 * (1 + abs(limits.bias) + limits.sd)
        assert limits.lower_low - slack <= limits.lower <= limits.lower_high + slack
        assert limits.upper_low - slack <= limits.upper <= limits.upper_high + slack
        assert limits.bias_low <= limits.bias <= limits.bias_high
        assert limits.device_mean - limits.reference_mean == pytest.approx(limits.bias, abs=1e-9)
    assert limits.participants <= limits.nights
    assert limits.nights + limits.dropped == len(data["participant"])
    assert replace(limits, method="") != limits


@settings(deadline=None)
@given(nights())
def test_a_higher_level_never_narrows_an_interval(data: Nights) -> None:
    narrow, wide = (fit_limits_of_agreement(**data, level=level) for level in (0.8, 0.99))
    if not math.isnan(narrow.sd):
        for name in ("bias", "lower", "upper"):
            assert getattr(wide, f"{name}_low") <= getattr(narrow, f"{name}_low") + 1e-9
            assert getattr(wide, f"{name}_high") >= getattr(narrow, f"{name}_high") - 1e-9


@settings(deadline=None)
@given(nights())
def test_the_line_meets_the_bias_at_the_mean_of_both(data: Nights) -> None:
    limits, lines = fit_limits_of_agreement(**data), fit_regression_limits(**data)
    if not _steep(limits):
        at = lines.at((limits.reference_mean + limits.device_mean) / 2)
        assert at.bias == pytest.approx(limits.bias, abs=1e-6)
        assert lines.slope == limits.slope
        assert lines.slope_low == limits.slope_low


@settings(deadline=None)
@given(nights(), st.integers(1, 600))
def test_equivalent_is_an_interval_inside_the_margin(data: Nights, margin: int) -> None:
    found = equivalence_test(**data, margin=float(margin))
    if found.equivalent is None:
        assert found.undefined_because
        assert math.isnan(found.p_value)
    elif abs(found.p_value - 0.05) > 1e-9:
        assert found.equivalent is (-margin < found.low and found.high < margin)
