"""Room: whatever names are long, no text of a figure is cut off and none lies on another."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import drawn
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from on_paper import faults_of, texts_drawn
from scipy.optimize import minimize

from sleepagree import StageMapping, align, compare, figures
from sleepagree.describe.blocks import Figure as FigureBlock
from sleepagree.describe.blocks import flat
from sleepagree.describe.night import describe_night
from sleepagree.figures.drawing import apart, fit, width_mm
from sleepagree.figures.hypnograms import clock_ticks, draw_stages
from sleepagree.figures.style import figure_style
from sleepagree.inference.estimate import Estimate
from sleepagree.inference.limits import Scale, fit_limits_of_agreement
from sleepagree.inference.planning import MeanPrecision, VarianceComponents, plan_grid
from sleepagree.night.compare import NightAgreement
from sleepagree.readers.memory import read_hypnogram

# --- names of classes -------------------------------------------------------------------------------------

LONG = ("restless state of the body", "quiet and calm", "still as a stone")
HUGE = tuple(f"{serial} a name of a class that goes on and on and comes to no end {serial}" for serial in "123")


def night_of_classes(names: Sequence[str]) -> NightAgreement:
    """Return a night under a mapping with three classes of one's own."""
    restless, quiet, still = names
    mapping = StageMapping(
        "own", names, names, {"W": restless, "N1": restless, "N2": quiet, "N3": still, "R": quiet},
        {"wake": restless, "light": quiet, "deep": still, "rem": quiet},
    )  # fmt: skip
    return compare(drawn.night_with_rem().paired, mappings=mapping)


OF_CLASSES = (figures.draw_confusion, figures.draw_device_classes, figures.draw_bias_sources)


@pytest.mark.parametrize("mapping", ["rem-as-light", "rem-as-deep", "rem-as-wake", "wake-sleep"])
def test_the_name_of_the_reference_is_on_the_paper_beside_classes_with_rem(mapping: str) -> None:
    night = compare(drawn.night_with_rem().paired, mappings=mapping)
    assert not faults_of(figures.draw_confusion(night))


@pytest.mark.parametrize("names", [("wake", "deep", "wakefulness"), LONG, HUGE], ids=["eleven", "long", "huge"])
@pytest.mark.parametrize("draw", OF_CLASSES)
def test_classes_of_ones_own_have_room(draw: object, names: tuple[str, ...]) -> None:
    assert not faults_of(draw(night_of_classes(names)))


def test_a_device_that_says_wake_or_sleep_is_named_whole_beside_its_row() -> None:
    said = ["wake", "wake-or-sleep", "light", "light", "deep", "rem"] * 20
    night = compare(align(reference=["W", "W", "N1", "N2", "N3", "R"] * 20, device=said))
    ax = figures.draw_hypnograms(night)
    assert not faults_of(ax)
    assert "wake-or-sleep" in [label.get_text() for label in ax.get_yticklabels()]


def test_words_of_ones_own_have_room_beside_hypnograms() -> None:
    words = ("quiet and calm as the sea", "still as a stone")
    mapping = StageMapping(
        "own", ("wake", *words), ("wake", *words),
        {"W": "wake", "N1": words[0], "N2": words[0], "N3": words[1], "R": words[0]},
        {"wake": "wake", **{word: word for word in words}},
    )  # fmt: skip
    device = read_hypnogram(["wake", *words] * 40, own_words=frozenset(words))
    night = compare(align(reference=["W", "N2", "N3"] * 40, device=device), mappings=mapping)
    ax = figures.draw_hypnograms(night)
    assert not faults_of(ax)
    assert set(words) <= {label.get_text() for label in ax.get_yticklabels()}


def test_long_names_of_classes_are_whole_where_a_wider_figure_has_room() -> None:
    shown = [text for text, _ in texts_drawn(figures.draw_confusion(night_of_classes(LONG)))]
    assert all(shown.count(name) == 2 for name in LONG)


def test_the_key_of_classes_is_on_the_paper_of_somebody_elses_panels() -> None:
    first, second = Figure(figsize=(9, 4), layout="constrained").subplots(1, 2)
    for ax in (first, second):
        figures.draw_device_classes(drawn.night_without_rem(), ax=ax)
    assert not faults_of(first)


# --- names that are too long ------------------------------------------------------------------------------


def test_a_long_name_loses_its_middle_and_a_short_one_nothing() -> None:
    with figure_style():
        name, short = fit(["volunteer-of-the-north-001", "Ada"], 20.0)
        assert width_mm(name) <= 20.0 < width_mm("volunteer-of-the-north-001")
    assert short == "Ada"
    begin, end = name.split("…")
    assert "volunteer-of-the-north-001".startswith(begin)
    assert "volunteer-of-the-north-001".endswith(end)


@pytest.mark.parametrize(
    "names",
    [
        [f"volunteer-of-the-north-{serial:03d}" for serial in range(12)],
        [f"{serial:03d}-volunteer-of-the-north" for serial in range(12)],
        [f"volunteer-{serial:03d}-of-the-north-{10 + serial}" for serial in range(12)],
    ],
)
def test_names_that_differ_look_different_when_they_are_shortened(names: list[str]) -> None:
    with figure_style():
        assert len(set(fit(names, 16.0))) == 12
        assert all(width_mm(name) <= 16.0 for name in fit(names, 16.0))


def test_the_measured_width_is_the_width_of_what_is_drawn() -> None:
    ax = figures.draw_confusion(night_of_classes(LONG))
    box = next(box for text, box in texts_drawn(ax) if text == LONG[0])
    with figure_style():
        assert box.width / ax.figure.dpi * 25.4 == pytest.approx(width_mm(LONG[0]), rel=0.03)


# --- names beside lines -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reference", "device"),
    [
        ([400, 410], [403, 412.5]),  # limits far wider than what they are limits of
        ([400, 410, 420, 430], [400, 410, 420, 430]),  # bias and both limits at one place
        ([400, 410, 420, 430], [396.9, 410.9, 414.0, 431.9]),
    ],
)
@pytest.mark.parametrize("scale", list(Scale))
def test_names_of_limits_stand_apart_and_in_their_order(
    reference: list[float], device: list[float], scale: Scale
) -> None:
    data = {"reference": np.array(reference, float), "device": np.array(device, float)}
    people = [f"crew-{i}" for i in range(len(reference))]
    limits = fit_limits_of_agreement(**data, participant=people, scale=scale)
    ax = figures.draw_bias_against_level(drawn.study_of_measure(**data, participant=people, limits=limits))
    assert not faults_of(ax)
    found = [(box.y0, text.split("\n")[0].strip()) for text, box in texts_drawn(ax) if "\n" in text]
    assert [name for _, name in sorted(found)] == ["lower limit", "bias", "upper limit"]


def test_a_limit_that_rounds_to_nothing_has_no_sign() -> None:
    data = {"reference": np.array([400.0, 410, 420, 430]), "device": np.array([399.98, 410, 419.98, 430])}
    people = ["Ada", "Bo", "Cy", "Di"]
    ax = figures.draw_bias_against_level(drawn.study_of_measure(**data, participant=people))
    numbers = [text.split("\n")[1] for text, _ in texts_drawn(ax) if "\n" in text]
    assert numbers == ["0.0", "0.0", "0.0"]


@pytest.mark.parametrize("places", [[0.0], [0.0, 0.0, 0.0], [1.0, 1.5, 9.8, 9.9], [0.0, 4.0, 5.0, 5.0, 6.0, 9.0]])
def test_pushed_places_are_the_nearest_that_stand_apart(places: list[float]) -> None:
    moved = apart(places, 1.0, 0.5, 9.5)
    assert min(np.diff(moved), default=1.0) >= 1.0 - 1e-9
    assert 0.5 - 1e-9 <= moved[0] <= moved[-1] <= 9.5 + 1e-9
    # the least squares that scipy finds under the same bounds
    n = len(places)
    gaps = [{"type": "ineq", "fun": lambda y, i=i: y[i + 1] - y[i] - 1} for i in range(n - 1)]
    start = np.linspace(0.5, 9.5, n) if n > 1 else [1.0]
    nearest = minimize(lambda y: ((y - places) ** 2).sum(), start, bounds=[(0.5, 9.5)] * n, constraints=gaps)
    assert moved == pytest.approx(nearest.x, abs=1e-4)


def test_names_of_precision_stand_apart() -> None:
    parts = MeanPrecision(VarianceComponents(18, 3))
    grid = plan_grid({"bias": parts}, participants=(4, 40), nights=(1, 2, 3, 4, 5), wanted={"bias": 5.0})
    assert not faults_of(figures.draw_precision(grid))


# --- names of participants and nights ---------------------------------------------------------------------

PEOPLE = {
    "volunteers": [f"volunteer-{serial:03d}" for serial in range(1, 9)],
    "sites": [f"participant-{serial:04d}-north" for serial in range(8)],
    "huge": [
        f"{serial} a participant with a name that goes on and on and comes to no end {serial}" for serial in range(8)
    ],
}


@pytest.mark.parametrize("people", PEOPLE.values(), ids=PEOPLE)
@pytest.mark.parametrize("count", [2, 4, 8])
@pytest.mark.parametrize("draw", [figures.draw_minutes, figures.draw_bias_against_level])
def test_the_key_of_participants_is_on_the_paper(draw: Any, count: int, people: list[str]) -> None:
    rng = np.random.default_rng(2)
    reference = 400 + 30 * rng.normal(size=2 * count)
    device = reference + 20 * rng.normal(size=2 * count)
    ax = draw(drawn.study_of_measure(reference, device, [name for name in people[:count] for _ in "12"]))
    assert not faults_of(ax)
    assert len({text.get_text() for text in ax.get_legend().get_texts()}) == count


@pytest.mark.parametrize("people", PEOPLE.values(), ids=PEOPLE)
@pytest.mark.parametrize(
    "nights", [("1", "2"), ("2026-04-14", "2026-04-15"), ("night-of-2026-04-14", "night-of-2026-04-15")]
)
def test_participants_and_nights_stand_beside_each_other_and_can_be_told_apart(
    people: list[str], nights: tuple[str, ...]
) -> None:
    names = [(name, night) for name in people for night in nights]
    kappa = np.linspace(0.4, 0.8, len(names))
    ax = figures.draw_night_kappas(drawn.study_of_kappas(kappa, names, Estimate(0.6, 0.5, 0.7)))
    assert not faults_of(ax)
    assert len({text.get_text() for text in ax.texts if text.get_fontweight() == "bold"}) == 8
    assert len({label.get_text() for label in ax.get_yticklabels()}) == 2


# --- clocks -----------------------------------------------------------------------------------------------


def night_of_hours(hours: float, start: str | None) -> NightAgreement:
    """Return a night with a window of so many hours."""
    begin = None if start is None else datetime.fromisoformat(start)
    return drawn.invented_night(epochs=round(120 * hours), start=begin, gaps=False)


def ticks_of(ax: Axes) -> list[str]:
    """Return the names of ticks below that stand on the axis."""
    low, high = ax.get_xlim()
    places = zip(ax.get_xticks(), ax.get_xticklabels(), strict=True)
    return [label.get_text() for at, label in places if low <= at <= high]


@pytest.mark.parametrize(
    ("hours", "start", "expected"),
    [
        (0.5, "2026-03-01 14:05", ["14:15", "14:30"]),
        (0.7, "2026-03-01 14:05", ["14:15", "14:30", "14:45"]),
        (0.5, None, ["0:00 h", "0:30 h"]),
        (0.05, "2026-03-01 23:58:30", ["23:59", "00:00", "00:01"]),
        (1.8, "2026-03-01 14:05", ["14:30", "15:00", "15:30"]),
        (3.0, "2026-03-01 23:30", ["00:00", "01:00", "02:00"]),
    ],
)
def test_a_short_window_has_two_ticks_at_least(hours: float, start: str | None, expected: list[str]) -> None:
    ax = figures.draw_hypnograms(night_of_hours(hours, start))
    assert ticks_of(ax) == expected
    assert not faults_of(ax)


@pytest.mark.parametrize("start", ["2026-03-01 12:34", None, "2026-03-28 18:00+01:00"])
@pytest.mark.parametrize("hours", [11, 13, 30, 80, 200])
def test_names_of_hours_stand_apart_in_long_windows(hours: float, start: str | None) -> None:
    night = night_of_hours(hours, start)
    ax = figures.draw_hypnograms(night)
    assert not faults_of(ax)
    assert len(ticks_of(ax)) >= 7
    assert not faults_of(draw_stages(night.paired))
    assert not faults_of(figures.draw_agreement_by_hour(night))


def test_coarse_ticks_stand_at_even_hours_of_the_clock() -> None:
    positions, texts, _ = clock_ticks(night_of_hours(30, "2026-03-01 12:34").paired, step_s=6 * 3600)
    assert texts == ["18:00", "00:00", "06:00", "12:00", "18:00"]
    # 5 h 26 min are 652 epochs
    assert positions == [652, 1372, 2092, 2812, 3532]


def test_coarse_ticks_stand_at_even_hours_after_the_clock_was_changed() -> None:
    begin = datetime(2026, 3, 28, 20, tzinfo=ZoneInfo("Europe/Berlin"))
    night = drawn.invented_night(epochs=120 * 15, start=begin, gaps=False)
    positions, texts, _ = clock_ticks(night.paired, step_s=4 * 3600)
    assert texts == ["20:00", "00:00", "04:00", "08:00", "12:00"]
    assert positions == [0, 480, 840, 1320, 1800]  # an hour less in the night in which clocks go forward


@pytest.mark.parametrize("layout", ["constrained", None])
@pytest.mark.parametrize("start", ["2026-03-01 21:34", None])
def test_names_of_hours_stand_apart_in_panels(layout: str | None, start: str | None) -> None:
    figure = Figure(figsize=(9, 4), layout=layout)
    FigureCanvasAgg(figure)
    night = night_of_hours(9, start)
    for ax in figure.subplots(1, 2):
        figures.draw_hypnograms(night, ax=ax)
    figure.draw_without_rendering()
    for ax in figure.axes:
        boxes = [label.get_window_extent() for label in ax.get_xticklabels()]
        assert min(b.x0 - a.x1 for a, b in pairwise(boxes)) > 0
        assert len(boxes) > 2


@pytest.mark.parametrize(("hours", "is_told"), [(23, False), (30, True)])
def test_hours_of_different_days_are_told_to_be_taken_together(hours: float, is_told: bool) -> None:
    sections = describe_night(night_of_hours(hours, "2026-03-01 12:34")).sections
    blocks = [block for section in sections for block in section.blocks]
    (figure,) = (b for b in flat(blocks) if isinstance(b, FigureBlock) and b.name == "agreement-by-hour")
    for text in (figure.caption, figure.description):
        assert ("An hour that comes on several days is one part" in text) is is_told
