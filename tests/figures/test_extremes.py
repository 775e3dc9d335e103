"""Extremes: however far or near values lie, every text of a figure is on its paper and no two ticks run together."""

from __future__ import annotations

from functools import partial
from typing import Any

import drawn
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from on_paper import crowded_ticks, faults_of, texts_drawn

from sleepagree import align, compare, figures
from sleepagree.inference.estimate import Estimate
from sleepagree.inference.limits import Scale, fit_limits_of_agreement
from sleepagree.inference.planning import MeanPrecision, VarianceComponents, plan_grid
from sleepagree.scoring.clock import ClockReading
from sleepagree.scoring.clock_blocks import OffsetCurve
from sleepagree.scoring.disagreement import PartAgreement
from sleepagree.scoring.redistribution import BiasSource

PEOPLE = ("Ada", "Bo", "Cy", "Di")


def kappas(pooled: float, low: float = np.nan, high: float = np.nan, *, nights: int = 4) -> Axes:
    """Draw nights with kappas around a pooled one."""
    names = [(f"crew-{serial}", "1") for serial in range(nights)]
    values = np.clip(pooled + np.linspace(-0.02, 0.02, nights), -1, 1)
    because = "Nothing was counted." if np.isnan(pooled) else ""
    found = Estimate(pooled, low, high, undefined_because=because)
    return figures.draw_night_kappas(drawn.study_of_kappas(values, names, found))


def clock(best_min: float, *, reach_min: float = 30.0, at_zero: float = 0.3, at_best: float = 1.0) -> Axes:
    """Draw a clock that is off by so many minutes."""
    offsets = np.arange(-60 * reach_min, 60 * reach_min + 1, 30.0)
    far = np.abs(offsets / 60 - best_min)
    kappa = at_best - (at_best - at_zero) * np.minimum(far / max(abs(best_min), 1.0), 1.2)
    best = 60 * best_min
    reading = ClockReading(
        "wake-light-deep-rem", OffsetCurve(offsets, kappa), None, proposed=True, reason="", offset_s=best,
        low_s=best - 60, high_s=best + 60, kappa_at_zero=at_zero, kappa_at_best=at_best,
    )  # fmt: skip
    return figures.draw_clock_curve(reading)


def precision(wanted: float, participants: tuple[int, ...], nights: tuple[int, ...], *, scale: float = 1.0) -> Axes:
    """Draw a plan, with a half-width wanted where it is not 0."""
    parts = MeanPrecision(VarianceComponents(15.0 * scale, 20.0 * scale))
    asked = {"bias": wanted} if wanted else {}
    return figures.draw_precision(plan_grid({"bias": parts}, participants=participants, nights=nights, wanted=asked))


def nights(reference: Any, device: Any, draw: Any, *, scale: Scale = Scale.RAW, **more: Any) -> Axes:
    """Draw one measure of nights of four people."""
    values = {"reference": np.array(reference, float), "device": np.array(device, float)}
    who = [PEOPLE[i % 4] for i in range(values["device"].size)]
    limits = fit_limits_of_agreement(**values, participant=who, scale=scale)
    return draw(drawn.study_of_measure(**values, participant=who, limits=limits, **more))


def sources(gained: float, lost: float) -> Axes:
    """Draw the account of one class."""
    to, away = (("light", gained), ("rem", gained / 7), ("wake", 0.0)), (("wake", lost),)
    return figures.draw_bias_sources([BiasSource("deep", gained * 8 / 7 - lost, to, away)])


def hours(agreement: float, parts: int) -> Axes:
    """Draw agreement by hour."""
    found = [PartAgreement(f"{(serial + 21) % 24:02d}", 120, 60, agreement) for serial in range(parts)]
    return figures.draw_agreement_by_hour(found)


def confusion(counts: Any) -> Axes:
    """Draw a table of counts."""
    names = ("wake", "light", "deep", "rem", "other")[: len(counts)]
    return figures.draw_confusion(drawn.counts_of(counts, names, names))


def whole_night(reference: list[str], device: list[str], draw: Any) -> Axes:
    """Draw a night of labels, each held for so many epochs."""
    return draw(compare(align(reference=reference, device=device)))


LEVELS = np.array([400.0, 410.0, 395.0, 420.0])
OF_NIGHTS = (figures.draw_minutes, figures.draw_bias_against_level, figures.draw_normal_look)
FAR = {
    "near": (307.5 + np.array([0.0, 0.05, 0.1, 0.15]), 307.5 + np.array([0.0, 0.05, 0.1, 0.05])),
    "two minutes": (307.5 + np.array([0, 0.5, 1, 2]), 307.5 + np.array([0, 0.5, 1.5, 1])),
    "one minute": (307.5 + np.array([0, 0.25, 0.5, 1]), 307.5 + np.array([0, 0.5, 0.5, 1])),
    "equal": (LEVELS, LEVELS),
    "one place": (np.full(4, 400.0), np.full(4, 400.0)),
    "all late": (LEVELS, LEVELS + 333.3),
    "far below": (LEVELS * 3, LEVELS - 390),
    "far above": (LEVELS - 390, LEVELS * 3),
    "days": (LEVELS * 31.7, LEVELS * 33.3 + [0, 900, 50, -1800]),
    "nothing": (np.zeros(4), np.zeros(4)),
    "tiny": (np.array([0, 0.001, 0.002, 0.001]), np.array([0, 0.002, 0.001, 0.001])),
    "one night": (np.array([412.5]), np.array([398.0])),
    "two nights": (np.array([412.5, 413.0]), np.array([398.0, 512.0])),
}

EXTREMES: dict[str, Any] = {
    **{f"kappas pooled {v}": partial(kappas, v) for v in (-1, -0.97, -0.3, 0.0, 0.04, 0.5, 0.9, 0.96, 0.99, 1.0)},
    "kappas band below": partial(kappas, 0.85, -1.0, 1.0),
    "kappas one night": partial(kappas, 1.0, nights=1),
    "kappas many": partial(kappas, 0.99, nights=90),
    "kappas unknown": partial(kappas, np.nan),
    **{f"clock {v}": partial(clock, v) for v in (-30, -29, -26, -20, -15, -3, -1, 0, 0.5, 1, 3, 15, 20, 26, 29, 30)},
    "clock of hours": partial(clock, 840.0, reach_min=900.0),
    "clock of hours before": partial(clock, -885.0, reach_min=900.0),
    "clock below chance": partial(clock, 25.0, at_zero=-0.3, at_best=-0.05),
    "clock before below chance": partial(clock, -25.0, at_zero=-0.3, at_best=-0.05),
    "precision narrow": partial(precision, 0.5, (10, 20, 40), (1, 3)),
    "precision wide": partial(precision, 40.0, (5, 10, 20), (1, 3)),
    "precision one size": partial(precision, 0.0, (10,), (1,)),
    "precision one number": partial(precision, 8.0, (10,), (1, 2, 3)),
    "precision many nights": partial(precision, 8.0, (10, 20, 80), tuple(range(1, 15))),
    "precision thousands": partial(precision, 0.0, (10_000, 20_000, 100_000), (1, 100)),
    "precision tiny": partial(precision, 0.0, (2, 3, 4), (1, 2), scale=0.0001),
    "precision most nights": partial(precision, 0.0, (10, 20, 80), tuple(range(1, 26))),
    **{f"{draw.__name__} {name}": partial(nights, *values, draw) for draw in OF_NIGHTS for name, values in FAR.items()},
    **{
        f"ratio {name}": partial(nights, *FAR[name], figures.draw_bias_against_level, scale=Scale.LOG_RATIO)
        for name in ("near", "two minutes", "all late", "far below", "far above", "days")
    },
    "precision huge": partial(precision, 0.0, (2, 3, 4), (1, 2), scale=1000.0),
    "sources tiny": partial(sources, 0.5, 0.5),
    "sources gained": partial(sources, 4321.5, 0.5),
    "sources lost": partial(sources, 0.5, 4321.5),
    "sources both": partial(sources, 4321.5, 4321.5),
    **{f"hours {n} {v}": partial(hours, v, n) for n in (1, 2, 10, 24) for v in (0.0, 1.0)},
    "confusion of millions": partial(confusion, np.full((4, 4), 12_345_678)),
    "confusion of two": partial(confusion, [[123_456_789, 0], [1, 99_999_999]]),
    "confusion of one": partial(confusion, [[7]]),
    "confusion of five": partial(confusion, np.full((5, 5), 1_234_567)),
    **{
        f"{draw.__name__} of {name}": partial(whole_night, *sides, draw)
        for draw in (
            figures.draw_hypnograms,
            figures.draw_device_classes,
            figures.draw_redistribution,
            figures.draw_confusion,
            figures.draw_bias_sources,
            figures.draw_run_lengths,
            figures.draw_agreement_by_hour,
        )
        for name, sides in {
            "a week": (["W", "N2", "R", "N3"] * 5000, ["wake", "light", "light", "deep"] * 5000),
            "one long run": (["W"] * 10 + ["R"] * 9000, ["wake"] * 10 + ["light"] * 8999 + ["deep"]),
            "four epochs": (["W", "N2", "R", "R"], ["wake", "light", "light", "light"]),
        }.items()
    },
}


@pytest.mark.parametrize("name", EXTREMES)
def test_extreme_values_leave_every_text_on_the_paper(name: str) -> None:
    ax = EXTREMES[name]()
    assert not faults_of(ax)
    assert not crowded_ticks(ax)


@pytest.mark.parametrize("pooled", [-1.0, 0.9, 0.96, 0.99, 1.0])
def test_the_pooled_kappa_is_written_between_the_ends_of_the_axis(pooled: float) -> None:
    ax = kappas(pooled)
    (box,) = [box for text, box in texts_drawn(ax) if text == f"pooled {pooled:.2f}"]
    place = ax.get_window_extent()
    assert place.x0 - 1 <= box.x0 < box.x1 <= place.x1 + 1


@pytest.mark.parametrize(("low", "high"), [(-1.0, 1.0), (-0.4, 0.99), (0.7, 0.9)])
def test_the_interval_of_the_pooled_kappa_is_drawn_whole(low: float, high: float) -> None:
    ax = kappas(0.85, low, high)
    (band,) = [patch for patch in ax.patches if isinstance(patch, Rectangle)]
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((low, high))
    left, right = ax.get_xlim()
    assert left <= low < high <= right


@pytest.mark.parametrize("best_min", [-30.0, -29.0, -26.0, -5.0, 5.0, 26.0, 29.0, 30.0])
def test_the_kappas_of_a_clock_are_written_between_the_ends_of_the_axis(best_min: float) -> None:
    ax = clock(best_min)
    boxes = [box for text, box in texts_drawn(ax) if text in ("best 1.00", "as recorded 0.30")]
    place = ax.get_window_extent()
    assert len(boxes) == 2
    assert all(place.x0 <= box.x0 < box.x1 <= place.x1 for box in boxes)


@pytest.mark.parametrize("wanted", [0.5, 0.01, 8.0, 40.0])
def test_every_line_of_precision_that_is_named_is_seen(wanted: float) -> None:
    ax = precision(wanted, (10, 20, 40), (1, 3))
    bottom, top = ax.get_ylim()
    lines = [line.get_ydata() for line in ax.lines if len(line.get_ydata()) == 3]
    assert len(lines) == 2
    assert all(sum(bottom <= value <= top for value in y) >= 2 for y in lines)


def test_a_small_study_does_not_squeeze_the_lines_of_precision_to_the_ground() -> None:
    assert precision(8.0, (3, 10, 20, 40), (1, 3)).get_ylim()[1] == 40.0


@pytest.mark.parametrize("nights", [(1,), (1, 2, 3)])
def test_precision_at_one_number_of_participants_is_drawn_as_points(nights: tuple[int, ...]) -> None:
    ax = precision(0.0, (10,), nights)
    assert [line.get_marker() for line in ax.lines] == ["o"] * len(nights)
    assert all(float(label.get_text()).is_integer() for label in ax.get_xticklabels() if label.get_text())


def test_lines_of_precision_look_different() -> None:
    ax = precision(0.0, (10, 20, 80), tuple(range(1, 26)))
    # dashes are kept as they are drawn: offset and lengths
    looks = {(line.get_color(), str(line._dash_pattern)) for line in ax.lines}
    assert len(looks) == len(ax.lines) == 25


@pytest.mark.parametrize("draw", OF_NIGHTS)
@pytest.mark.parametrize("begin", [0.0, 7.5, 307.5, 1307.5])
@pytest.mark.parametrize("span", [0.1, 0.3, 0.5, 0.7, 0.9, 1.1, 1.3, 1.6, 2.0, 2.5, 3.0, 5.0, 8.0, 13.0, 40.0, 90.0])
def test_ticks_keep_apart_however_near_levels_lie(span: float, begin: float, draw: Any) -> None:
    reference = begin + span * np.array([0.0, 0.2, 0.7, 1.0])
    ax = nights(reference, reference + span * np.array([0.1, -0.05, 0.08, 0.0]), draw)
    assert not faults_of(ax)
    assert not crowded_ticks(ax)
    assert len([at for at in ax.get_xticks() if ax.get_xlim()[0] <= at <= ax.get_xlim()[1]]) > 1


@pytest.mark.parametrize("draw", OF_NIGHTS)
@pytest.mark.parametrize("span", [0.2, 0.3, 0.5, 0.8, 1.0, 1.5, 2.0])
def test_ticks_of_narrow_panels_keep_apart(span: float, draw: Any) -> None:
    reference = 307.5 + span * np.array([0.0, 0.3, 0.5, 1.0])
    for ax in Figure(figsize=(7, 3)).subplots(1, 2):
        nights(reference, reference[[0, 2, 1, 3]], partial(draw, ax=ax))
        assert not crowded_ticks(ax)
