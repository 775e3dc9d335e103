"""Figures: what is drawn are the numbers, labels are never formulas or markup, nothing global changes."""

from __future__ import annotations

import dataclasses
import io
import re
import subprocess
import sys
import warnings
import xml.etree.ElementTree as ET
from functools import lru_cache, partial
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import drawn
import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.style import context as style_context
from matplotlib.text import Text
from PIL import Image
from scipy import stats

from sleepagree import StageMapping, align, compare, figures
from sleepagree.describe.night import describe_night
from sleepagree.errors import OutputError
from sleepagree.figures import style
from sleepagree.figures.class_bars import steps_of
from sleepagree.figures.hypnograms import CODE_WORDS, clock_ticks, compare_epochs, lanes_of
from sleepagree.figures.in_time import minutes_in_runs
from sleepagree.figures.saving import borrowed_letters, figure_bytes, page_drawing, save_figure, svg_tree
from sleepagree.figures.style import PAPER, figure_style, house_style
from sleepagree.figures.tables_of_counts import _STRONGEST_TINT
from sleepagree.inference.estimate import Estimate
from sleepagree.inference.limits import Scale, Spread, fit_limits_of_agreement, fit_regression_limits
from sleepagree.inference.planning import MeanPrecision, VarianceComponents, plan_grid
from sleepagree.night.compare import NightAgreement
from sleepagree.render.page import page_files
from sleepagree.scoring.clock import ClockReading
from sleepagree.scoring.clock_blocks import OffsetCurve
from sleepagree.scoring.clock_check import scan_clock
from sleepagree.scoring.disagreement import PartAgreement
from sleepagree.study.correction_learning import learn_correction
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.summarise import summarise_study

SVG = "{http://www.w3.org/2000/svg}"

# --- colours ----------------------------------------------------------------------------------------------

# Dichromats: Vienot, Brettel & Mollon 1999 (Color Res Appl 24:243) for protan and deutan, Machado, Oliveira &
# Fernandes 2009 (IEEE Trans Vis Comput Graph 15:1291, severity 1) for all three. Matrices from memory; that each
# leaves greys as they are is checked below.
_TO_LMS = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
_VIENOT = {
    "protan 1999": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
    "deutan 1999": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
}
EYES = {name: np.linalg.inv(_TO_LMS) @ seen @ _TO_LMS for name, seen in _VIENOT.items()} | {
    "ordinary": np.eye(3),
    "protan 2009": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan 2009": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan 2009": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# sRGB to XYZ, D65 (IEC 61966-2-1)
_TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colour: str) -> np.ndarray:
    part = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """CIELAB of linear sRGB."""
    ratio = (_TO_XYZ @ np.clip(light, 0, 1)) / _TO_XYZ.sum(axis=1)
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def contrast(one: np.ndarray, two: np.ndarray) -> float:
    """Contrast of WCAG 2.2 from linear sRGB."""
    high, low = sorted((float(_TO_XYZ[1] @ one), float(_TO_XYZ[1] @ two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


VARIANTS = ("light", "dark")


def test_contrast_of_black_on_white_is_the_21_of_the_standard() -> None:
    assert contrast(linear("#000000"), linear("#ffffff")) == pytest.approx(21)


@pytest.mark.parametrize("eye", EYES)
def test_simulated_eyes_leave_greys_as_they_are(eye: str) -> None:
    assert EYES[eye] @ np.ones(3) == pytest.approx(np.ones(3), abs=0.02)


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("eye", EYES)
def test_stage_colours_stay_apart_for_every_eye(eye: str, variant: str) -> None:
    seen = [lab(EYES[eye] @ linear(getattr(shade, variant))) for shade in style.STAGE_LADDER]
    # 20 in CIELAB is several times what is needed to tell two patches apart side by side
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > 20


@pytest.mark.parametrize("variant", VARIANTS)
def test_stage_colours_differ_in_grey_print(variant: str) -> None:
    lightness = [lab(linear(getattr(shade, variant)))[0] for shade in style.STAGE_LADDER]
    assert all(a - b > 6.5 for a, b in pairwise(lightness))


@pytest.mark.parametrize("variant", VARIANTS)
def test_shapes_have_the_contrast_that_wcag_asks_of_graphics(variant: str) -> None:
    paper = linear(getattr(style.PAPER, variant))
    for shade in (*style.STAGE_LADDER, style.INK, style.MUTED, style.ACCENT, style.SILENT):
        assert contrast(linear(getattr(shade, variant)), paper) >= 3.0, shade.role


@pytest.mark.parametrize("variant", VARIANTS)
def test_letters_have_the_contrast_that_wcag_asks_of_text(variant: str) -> None:
    for paper in (style.PAPER, style.PANEL):
        for shade in (style.INK, style.MUTED, style.ACCENT):
            assert contrast(linear(getattr(shade, variant)), linear(getattr(paper, variant))) >= 4.5, shade.role


@pytest.mark.parametrize("variant", VARIANTS)
def test_letters_can_be_read_on_the_darkest_cell_of_a_matrix(variant: str) -> None:
    tint, paper = (
        np.array([int(getattr(s, variant)[i : i + 2], 16) for i in (1, 3, 5)]) for s in (style.ACCENT, style.PAPER)
    )
    mixed = np.rint(_STRONGEST_TINT * tint + (1 - _STRONGEST_TINT) * paper).astype(int)
    cell = "#" + "".join(f"{part:02x}" for part in mixed)
    assert contrast(linear(getattr(style.INK, variant)), linear(cell)) >= 4.5


def test_every_role_and_every_light_colour_is_used_once() -> None:
    assert len({shade.role for shade in style.SHADES}) == len(style.SHADES)
    assert len({shade.light for shade in style.SHADES}) == len(style.SHADES)


def test_css_declares_every_variable_in_both_variants() -> None:
    for dark in (False, True):
        declared = dict(re.findall(r"--([a-z0-9]+): (#[0-9a-f]{6});", style.css_variables(dark=dark)))
        assert declared == {s.role: s.dark if dark else s.light for s in style.SHADES}


def test_own_classes_never_share_a_colour_with_those_of_the_trade() -> None:
    shades = style.shades_of(("wake", "dozing", "deep", "dreaming"))
    assert len(set(shades)) == 4


def test_one_name_has_one_colour_however_often_it_is_asked_for() -> None:
    shades = style.shades_of(("dozing", "wake", "dreaming", "dozing", "dreaming"))
    assert shades[0] == shades[3] != shades[2] == shades[4]


def night_of_own_classes() -> NightAgreement:
    """Return a night under classes of one's own, of which the device has no label for the first."""
    classes = ("vivid", "wake", "dozing", "firm")
    mapping = StageMapping(
        "own", classes, classes[1:], {"W": "wake", "N1": "dozing", "N2": "dozing", "N3": "firm", "R": "vivid"},
        {"wake": "wake", "light": "dozing", "deep": "firm"},
    )  # fmt: skip
    return compare(drawn.night_without_rem().paired, mappings=mapping)


def colours_of_boxes(ax: mpl.axes.Axes) -> list[tuple[float, ...]]:
    """Return the colour of each bar from the top down: of its face, or of its edge where it is hollow."""
    boxes = [a for a in ax.get_children() if isinstance(a, PathPatch) and len(a.get_path().vertices) == 5]
    boxes.sort(key=lambda box: box.get_path().vertices[:, 1].mean())
    paper = to_rgba(PAPER.light)
    return [box.get_edgecolor() if box.get_facecolor() == paper else box.get_facecolor() for box in boxes]


def test_a_class_of_ones_own_has_one_colour_in_every_figure_of_its_mapping() -> None:
    night = night_of_own_classes()
    classes = night.mappings[0].mapping.reference_classes
    expected = {name: to_rgba(s.light) for name, s in zip(classes, style.shades_of(classes), strict=True)}
    assert len(set(expected.values())) == 4

    steps = [step for source in night.bias_sources for step in steps_of(source)]
    found = colours_of_boxes(figures.draw_bias_sources(night))
    assert found == [expected.get(step.other, to_rgba(style.INK.light)) for step in steps]

    went = colours_of_boxes(figures.draw_redistribution(night))
    assert went == [expected[to.name] for to in night.redistribution[0].to if to.name != "left out"]

    key = figures.draw_device_classes(night).get_legend()
    marks = [to_rgba(mark.get_markerfacecolor()) for mark in key.legend_handles]
    assert marks == list(expected.values())


# --- hypnograms -------------------------------------------------------------------------------------------


def areas(ax: mpl.axes.Axes, name: str) -> dict[str, float]:
    """Return width covered by the boxes of each artist whose name begins so."""
    found = {}
    for patch in ax.patches + [a for a in ax.artists if isinstance(a, PathPatch)]:
        gid = patch.get_gid() or ""
        if gid.startswith(name):
            corners = patch.get_path().vertices.reshape(-1, 5, 2)
            found[gid] = float((corners[:, 2, 0] - corners[:, 0, 0]).sum())
    return found


@pytest.mark.parametrize("rem", [True, False])
def test_hypnograms_cover_as_many_epochs_as_each_side_has_of_each_stage(rem: bool) -> None:
    night = drawn.night_with_rem() if rem else drawn.night_without_rem()
    ax = figures.draw_hypnograms(night)
    boxes = areas(ax, "data-row-")
    for serial, (codes, stage_set) in enumerate(
        ((night.paired.reference, night.paired.reference_set), (night.paired.device, night.paired.device_set))
    ):
        lane = lanes_of(night.paired)[serial]
        for i, stage in enumerate(lane.rows):
            labels = [k for k, s in enumerate(stage_set.stages) if s == stage]
            expected = sum(1 for code in codes.tolist() if code in labels)
            assert boxes.get(f"data-row-{serial}-{i}", 0.0) == expected


def test_gaps_are_gaps() -> None:
    ax = figures.draw_hypnograms(drawn.night_with_rem())
    assert areas(ax, "data-gap-") == {"data-gap-1": 40.0}
    band = next(a for a in ax.get_children() if a.get_gid() == "data-gap-1")
    height = np.ptp(band.get_path().vertices[:, 1])
    assert height == len(lanes_of(drawn.night_with_rem().paired)[1].rows)


@pytest.mark.parametrize("rem", [True, False])
def test_strip_tells_what_a_plain_loop_finds(rem: bool) -> None:
    night = drawn.night_with_rem() if rem else drawn.night_without_rem()
    paired, mapping = night.paired, night.mappings[0].mapping
    rows, columns = dict(mapping.reference), dict(mapping.device)
    expected = []
    for row, column in zip(paired.reference.tolist(), paired.device.tolist(), strict=True):
        if row < 0 or column < 0:
            expected.append("not compared")
            continue
        stage, said = paired.reference_set.stages[row], paired.device_set.stages[column]
        if "unscored" in (stage, said):
            expected.append("not compared")
        elif rows[stage] == columns[said]:
            expected.append("same")
        else:
            expected.append("differ" if rows[stage] in mapping.device_classes else "no label for it")
    assert [CODE_WORDS[code] for code in compare_epochs(paired, mapping)] == expected
    boxes = areas(figures.draw_hypnograms(night), "data-strip-")
    for code, word in enumerate(CODE_WORDS):
        if word != "same":
            assert boxes.get(f"data-strip-{code}", 0.0) == expected.count(word)


def test_clock_ticks_stand_at_whole_hours() -> None:
    night = drawn.night_with_rem()
    positions, texts, name = clock_ticks(night.paired)
    assert name == "clock time"
    assert texts[0] == "23:00"
    # the night begins at 22:41:30: 37 epochs of 30 s to 23:00
    assert positions[0] == 37
    assert np.diff(positions) == pytest.approx(120)


def test_without_a_clock_ticks_count_hours() -> None:
    night = drawn.invented_night(start=None)
    assert clock_ticks(night.paired)[1][:3] == ["0:00 h", "1:00 h", "2:00 h"]


# --- other figures of a night -----------------------------------------------------------------------------


def texts_of(ax: mpl.axes.Axes) -> list[str]:
    labels = [*ax.get_xticklabels(), *ax.get_yticklabels()]
    return [text.get_text() for text in (*ax.texts, *labels)]


def test_confusion_matrix_shows_every_count_share_and_total() -> None:
    counts = np.array([[50, 20, 10], [30, 300, 40], [5, 45, 100]])
    classes = ("wake", "nrem", "rem")
    ax = figures.draw_confusion(drawn.counts_of(counts, classes, classes))
    shown = texts_of(ax)
    for text in ("50", "62 %", "300", "81 %", "100", "67 %", "80", "370", "150", "85", "365", "600"):
        assert text in shown, text
    assert shown.count("REM") == 2


def test_confusion_matrix_may_lack_a_column_and_hold_an_empty_row() -> None:
    counts = drawn.counts_of([[5, 1], [0, 0], [2, 3]], ("wake", "light", "rem"), ("wake", "light"))
    ax = figures.draw_confusion(counts)
    assert texts_of(ax).count("–") == 2


def test_steps_of_bias_add_up_and_are_drawn_so() -> None:
    night = drawn.night_without_rem()
    for source in night.bias_sources:
        steps = steps_of(source)
        assert steps[-2].end == pytest.approx(source.bias_min)
        assert sum(step.minutes for step in steps[:-1]) == pytest.approx(source.bias_min)
        assert all(a.end == pytest.approx(b.begin) for a, b in pairwise(steps[:-1]))
    ax = figures.draw_bias_sources(night.bias_sources)
    shown = texts_of(ax)
    for source in night.bias_sources:
        assert f"{source.bias_min:+.1f}".replace("-", "−") in shown


def test_redistribution_shows_shares_and_refuses_to_draw_nothing() -> None:
    night = drawn.night_without_rem()
    ax = figures.draw_redistribution(night.redistribution)
    (traced,) = night.redistribution
    for to in traced.to:
        assert f"{100 * to.share:.0f} %, {to.minutes:.1f} min" in texts_of(ax)
    with pytest.raises(ValueError, match="at least one epoch"):
        figures.draw_redistribution([])


def test_runs_of_disagreement_are_all_there_and_expected_ones_sum_to_the_same_minutes() -> None:
    found = drawn.night_with_rem().disagreement
    assert found is not None
    observed, expected = minutes_in_runs(found.runs)
    assert observed.sum() == pytest.approx(found.runs.epochs / 2)
    # a geometric law with that mean holds all errors; what is beyond the last class is in it
    assert expected.sum() == pytest.approx(found.runs.epochs / 2, rel=1e-6)
    figures.draw_run_lengths(found.runs)


def test_numbers_on_runs_of_disagreement_tell_half_minutes_and_add_up() -> None:
    device = ["W"] * 10 + ["N2"] * 100 + ["N3"] * 60
    for begin, end in ((3, 4), (40, 45), (120, 123)):
        device[begin:end] = ["R"] * (end - begin)
    night = compare(align(reference=["W"] * 10 + ["N2"] * 100 + ["N3"] * 60, device=device))
    ax = figures.draw_run_lengths(night)
    numbers = [text.get_text() for text in ax.texts if re.fullmatch(r"[\d.]+", text.get_text())]
    assert numbers == ["0.5", "1.5", "2.5"]
    assert sum(map(float, numbers)) == night.disagreement.runs.epochs / 2
    # a whole number has no decimal
    ax = figures.draw_run_lengths(compare(align(reference=["W"] * 9, device=["W"] * 7 + ["R"] * 2)))
    assert [text.get_text() for text in ax.texts if re.fullmatch(r"[\d.]+", text.get_text())] == ["1"]


def test_expected_minutes_follow_the_geometric_law() -> None:
    from scipy.stats import geom

    found = drawn.night_with_rem().disagreement
    assert found is not None
    _, expected = minutes_in_runs(found.runs)
    law = geom(1 / found.runs.expected_mean_length)
    lengths = np.arange(3, 5)  # the class of 3 and 4 epochs
    by_scipy = found.runs.expected_count * (lengths * law.pmf(lengths)).sum() / 2
    assert expected[2] == pytest.approx(by_scipy)


def test_hours_with_few_epochs_are_hollow() -> None:
    parts = [PartAgreement("23", 120, 90, 0.75), PartAgreement("00", 30, 30, 1.0)]
    ax = figures.draw_agreement_by_hour(parts)
    line, solid, hollow = ax.lines[:3]
    assert line.get_ydata().tolist() == [75.0, 100.0]
    assert solid.get_ydata().tolist() == [75.0]
    assert hollow.get_ydata().tolist() == [100.0]
    assert hollow.get_markerfacecolor() == style.PAPER.light


# --- figures of a study -----------------------------------------------------------------------------------


def invented_differences(participants: int, nights: int, seed: int = 1) -> dict[str, object]:
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(participants), nights)
    reference = 400 + 30 * rng.normal(size=participants)[who] + 20 * rng.normal(size=who.size)
    device = reference + 15 + 8 * rng.normal(size=participants)[who] + 10 * rng.normal(size=who.size)
    return {"reference": reference, "device": device, "participant": [f"crew-{i + 1}" for i in who]}


def test_limits_stand_where_they_were_estimated() -> None:
    data = invented_differences(6, 2)
    limits = fit_limits_of_agreement(**data)
    ax = figures.draw_bias_against_level(drawn.study_of_measure(**data, limits=limits))
    levels = {
        round(float(line.get_ydata()[0]), 6)
        for line in ax.lines
        if len(line.get_ydata()) == 2 and line.get_ydata()[0] == line.get_ydata()[1]
    }
    assert {round(v, 6) for v in (limits.bias, limits.lower, limits.upper)} <= levels
    bars = [line.get_ydata() for line in ax.lines if len(line.get_ydata()) == 2 and line.get_xdata()[0] > 1]
    assert [limits.bias_low, limits.bias_high] in [list(b) for b in bars]
    assert [limits.lower_low, limits.lower_high] in [list(b) for b in bars]


def test_uneven_spread_draws_lines_where_the_regression_puts_them() -> None:
    data = invented_differences(12, 1)
    limits = fit_limits_of_agreement(**data)
    lines = fit_regression_limits(**data, spread=Spread.VARYING)
    ax = figures.draw_bias_against_level(drawn.study_of_measure(**data, limits=limits, lines=lines))
    drawn_lines = [line for line in ax.lines if line.get_linestyle() == "-" and len(line.get_xdata()) == 2]
    slopes = [np.diff(line.get_ydata())[0] / np.diff(line.get_xdata())[0] for line in drawn_lines]
    assert any(slope == pytest.approx(lines.slope) for slope in slopes)


def test_limits_of_log_ratios_fan_out_as_the_ratio_says() -> None:
    data = invented_differences(8, 1)
    limits = fit_limits_of_agreement(**data, scale=Scale.LOG_RATIO)
    ax = figures.draw_bias_against_level(drawn.study_of_measure(**data, limits=limits))
    ratio = np.exp(limits.upper)
    # with device = ratio * reference, the difference over the mean of both
    expected = (ratio - 1) / ((ratio + 1) / 2)
    slopes = [
        line.get_ydata()[-1] / line.get_xdata()[-1]
        for line in ax.lines
        if len(line.get_xdata()) == 2 and line.get_xdata()[-1] > 2
    ]
    assert any(slope == pytest.approx(expected) for slope in slopes)


def test_few_participants_have_shapes_and_names() -> None:
    data = invented_differences(4, 3)
    ax = figures.draw_minutes(drawn.study_of_measure(**data))
    legend = ax.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["crew-1", "crew-2", "crew-3", "crew-4"]
    markers = [line.get_marker() for line in ax.lines if line.get_linestyle() == "None"]
    assert len(set(markers[:4])) == 4
    identity = next(line for line in ax.lines if line.get_linestyle() == "-")
    assert identity.get_xdata() == pytest.approx(identity.get_ydata())


def test_many_participants_are_joined_to_their_means() -> None:
    data = invented_differences(20, 3)
    ax = figures.draw_minutes(drawn.study_of_measure(**data))
    strokes = next(a for a in ax.get_children() if isinstance(a, PathPatch) and len(a.get_path().vertices) == 2 * 60)
    means = strokes.get_path().vertices[0::2]
    first = np.asarray(data["reference"])[:3].mean()
    assert means[0][0] == pytest.approx(first)


def test_large_studies_are_counted_in_cells_and_say_so() -> None:
    data = invented_differences(450, 1)
    ax = figures.draw_minutes(drawn.study_of_measure(**data))
    said = next(text for text in texts_of(ax) if "counted in cells" in text)
    assert said.startswith("450 nights")
    assert not [line for line in ax.lines if line.get_linestyle() == "None" and len(line.get_xdata()) > 20]


def test_nights_without_a_value_are_left_out() -> None:
    data = invented_differences(3, 1)
    data["device"] = np.array([410.0, np.nan, 390.0])
    ax = figures.draw_minutes(drawn.study_of_measure(**data))
    points = [
        x
        for line in ax.lines
        if line.get_linestyle() == "None" and line.get_marker() in "os^"
        for x in line.get_xdata()
    ]
    assert len(points) == 2


def test_normal_look_agrees_with_statsmodels() -> None:
    from statsmodels.graphics.gofplots import ProbPlot

    data = invented_differences(15, 1)
    ax = figures.draw_normal_look(drawn.study_of_measure(**data))
    points = next(line for line in ax.lines if line.get_linestyle() == "None" and len(line.get_xdata()) == 15)
    oracle = ProbPlot(np.asarray(data["device"]) - np.asarray(data["reference"]), a=3 / 8)
    assert points.get_xdata() == pytest.approx(oracle.theoretical_quantiles)
    assert points.get_ydata() == pytest.approx(oracle.sample_quantiles)


def test_normal_look_of_many_people_draws_both_ends_whole_and_a_thousand_points() -> None:
    rng = np.random.default_rng(5)
    n = 30_000
    difference = np.sort(rng.normal(size=n))
    ax = figures.draw_normal_look(drawn.study_of_measure(np.zeros(n), difference, range(n)))
    points = next(line for line in ax.lines if line.get_linestyle() == "None")
    y = np.asarray(points.get_ydata())
    assert y.size == 1000
    assert y[:100] == pytest.approx(difference[:100])
    assert y[-100:] == pytest.approx(difference[-100:])
    assert np.isin(y, difference).all()
    # they stand at the quantiles of all 30,000 by Blom's positions
    place = (np.searchsorted(difference, y) + 1 - 3 / 8) / (n + 1 / 4)
    assert points.get_xdata() == pytest.approx(stats.norm.ppf(place))
    assert ax.get_xlabel() == "normal quantile (1000 of 30000 participants, all at the two ends)"


def test_kappa_of_every_night_has_a_row_by_participant() -> None:
    names = [("Ada", "1"), ("Bo", "1"), ("Ada", "2"), ("Bo", "2")]
    pooled = Estimate(0.61, 0.55, 0.66)
    ax = figures.draw_night_kappas(drawn.study_of_kappas([0.5, 0.6, 0.7, np.nan], names, pooled))
    points = next(line for line in ax.lines if line.get_marker() == "o")
    assert points.get_xdata()[:3].tolist() == [0.5, 0.7, 0.6]
    assert {"Ada", "Bo", "pooled 0.61"} <= set(texts_of(ax))


@pytest.mark.parametrize(("count", "shown"), [(120, 120), (900, 150)])
def test_many_nights_are_sorted_and_sampled_by_rank_which_is_said(count: int, shown: int) -> None:
    rng = np.random.default_rng(0)
    kappa = rng.uniform(0.2, 0.8, count)
    ax = figures.draw_night_kappas(drawn.study_of_kappas(kappa, [("x", "1")] * count, Estimate(0.5)))
    points = next(line for line in ax.lines if line.get_marker() == "o")
    values = points.get_xdata()
    assert len(values) == shown
    assert (np.diff(values) >= 0).all()
    assert values[0] == kappa.min()
    assert values[-1] == kappa.max()
    assert ("150 of 900" in ax.get_ylabel()) == (count == 900)


def test_clock_curve_marks_what_was_recorded_and_what_is_best() -> None:
    offsets = np.arange(-600.0, 601.0, 30.0)
    kappa = 0.5 - 0.0005 * np.abs(offsets - 120)
    reading = ClockReading(
        "wake-sleep", OffsetCurve(offsets, kappa), None, proposed=True, reason="", offset_s=120.0, low_s=105.0,
        high_s=135.0, kappa_at_zero=0.44, kappa_at_best=0.5,
    )  # fmt: skip
    ax = figures.draw_clock_curve(reading)
    assert {"as recorded 0.44", "best 0.50"} <= set(texts_of(ax))
    curve = max(ax.lines, key=lambda line: len(line.get_xdata()))
    assert curve.get_xdata() == pytest.approx(offsets / 60)


def test_precision_lines_are_the_grid() -> None:
    grid = plan_grid(
        {"bias TST": MeanPrecision(VarianceComponents(18, 25))}, participants=(4, 8, 16), nights=(1, 3),
        wanted={"bias TST": 10.0},
    )  # fmt: skip
    ax = figures.draw_precision(grid, statistic="bias TST", unit="min")
    expected = [dict(c.half_widths)["bias TST"] for c in grid.sizes if c.nights == 3]
    assert any(line.get_ydata() == pytest.approx(expected) for line in ax.lines if len(line.get_ydata()) == 3)
    with pytest.raises(ValueError, match="bias TST, not 'kappa'"):
        figures.draw_precision(grid, statistic="kappa")


# --- saving and pages -------------------------------------------------------------------------------------


def test_saved_figures_are_the_same_bytes_every_time(tmp_path: Path) -> None:
    for suffix in ("svg", "pdf", "png"):
        first = figure_bytes(figures.draw_hypnograms(drawn.night_with_rem()).figure, suffix)
        second = figure_bytes(figures.draw_hypnograms(drawn.night_with_rem()).figure, suffix)
        assert first == second, suffix
        assert b"2026-" not in first.replace(b"2026-04", b"")


def test_pdf_embeds_its_fonts() -> None:
    data = figure_bytes(figures.draw_agreement_by_hour([PartAgreement("23", 120, 90, 0.75)]).figure, "pdf")
    assert b"/FontFile2" in data
    assert b"/Type3" not in data


def test_png_has_the_printed_size_at_300_dots_per_inch() -> None:
    data = figure_bytes(figures.draw_agreement_by_hour([PartAgreement("23", 120, 90, 0.75)]).figure, "png")
    with Image.open(io.BytesIO(data)) as image:
        assert image.width == pytest.approx(85 / 25.4 * 300, abs=1)
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)


def test_save_figure_replaces_nothing_unless_asked(tmp_path: Path) -> None:
    figure = figures.draw_agreement_by_hour([PartAgreement("23", 120, 90, 0.75)]).figure
    path = save_figure(figure, tmp_path / "hours.svg")
    with pytest.raises(OutputError):
        save_figure(figure, path)
    save_figure(figure, path, overwrite=True)
    with pytest.raises(ValueError, match="svg, pdf, png, not 'gif'"):
        save_figure(figure, tmp_path / "hours.gif")


def test_a_label_is_never_a_formula_in_any_form() -> None:
    label = "$\\frac{1}{2}$ <b>&"
    with figure_style():
        ax = figures.draw_confusion(drawn.counts_of([[3, 1], [1, 3]], ("wake", label), ("wake", label)))
    for name in ("svg", "pdf", "png"):
        figure_bytes(ax.figure, name)
    page = page_drawing(svg_tree(ax.figure), prefix="x")
    assert "$\\frac{1}{2}$ &lt;b&gt;&amp;" in page
    assert "<b>" not in page


def test_labels_in_unknown_scripts_and_control_characters_do_no_harm() -> None:
    label = "深い眠り\u202e\x07"
    ax = figures.draw_confusion(drawn.counts_of([[3, 1], [1, 3]], ("wake", label), ("wake", label)))
    for name in ("svg", "pdf", "png"):
        figure_bytes(ax.figure, name)
    ET.fromstring(figure_bytes(ax.figure, "svg"))
    page = page_drawing(svg_tree(ax.figure), prefix="x")
    assert "深い眠り" in page
    assert "\u202e" not in page
    assert "\x07" not in page


def test_letters_that_the_font_lacks_are_taken_from_another_font_of_the_machine() -> None:
    # a clock's face is in STIX, which comes with matplotlib, and not in the font of figures
    label = "doze \u231a"
    figure = figures.draw_confusion(drawn.counts_of([[3, 1], [1, 3]], ("wake", label), ("wake", label))).figure
    before = [text.get_fontfamily() for text in figure.findobj(Text)]
    data = figure_bytes(figure, "pdf")
    assert b"DejaVuSans" in data
    assert b"STIXGeneral" in data
    assert [text.get_fontfamily() for text in figure.findobj(Text)] == before
    with borrowed_letters(figure), warnings.catch_warnings():
        warnings.simplefilter("error")  # matplotlib warns of letters that are boxes
        figure.savefig(io.BytesIO(), format="png")
    # an SVG names the same fonts on every machine
    assert b"STIX" not in figure_bytes(figure, "svg")


def test_letters_that_no_font_has_borrow_none() -> None:
    label = "doze \U000f0000"
    figure = figures.draw_confusion(drawn.counts_of([[3, 1], [1, 3]], ("wake", label), ("wake", label))).figure
    with borrowed_letters(figure):
        assert {tuple(text.get_fontfamily()) for text in figure.findobj(Text)} == {("DejaVu Sans",)}


def test_labels_of_run_lengths_keep_apart() -> None:
    ax = figures.draw_run_lengths(drawn.night_without_rem().disagreement.runs)
    ax.figure.draw_without_rendering()
    names = ["0.5", "1", "to 2", "to 5", "to 10", "to 20", "over 20"]
    labels = ax.get_xticklabels()
    assert [label.get_text() for label in labels] == names
    boxes = [label.get_window_extent() for label in labels]
    points = [(b.x0 - a.x1) * 72 / ax.figure.dpi for a, b in pairwise(boxes)]
    assert min(points) >= 4.0


@pytest.mark.parametrize("share", [0.0, 0.05, 0.123, 0.13, 0.15, 0.35])
def test_no_line_of_scattered_errors_strikes_through_the_number_of_a_bar(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    found, expected = np.array([11.0, 7, 10.5, 42, 32, 11.5, 0]), np.array([65.0, 32, 10.5, 2, 1, 0, 0])
    expected[2] += share * found.max()
    monkeypatch.setattr("sleepagree.figures.in_time.minutes_in_runs", lambda _: (found, expected))
    ax = figures.draw_run_lengths(drawn.night_without_rem().disagreement.runs)
    ax.figure.draw_without_rendering()
    (number,) = [text.get_window_extent() for text in ax.texts if text.get_text() == "10.5"]
    line = ax.transData.transform((2, expected[2]))[1]
    assert not number.y0 <= line <= number.y1


def test_the_dashed_line_of_a_clock_is_told() -> None:
    offsets = np.arange(-600.0, 601.0, 30.0)
    curve = OffsetCurve(offsets, 0.5 - 0.0005 * np.abs(offsets))
    known = {"proposed": False, "reason": "", "offset_s": 0.0, "low_s": 0.0, "high_s": 0.0}
    two = ClockReading("five-stage", curve, curve, kappa_at_zero=0.5, kappa_at_best=0.5, **known)  # type: ignore[arg-type]
    legend = figures.draw_clock_curve(two).get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["five-stage", "dashed: wake against sleep"]
    one = dataclasses.replace(two, mapping="wake-sleep", wake_sleep=None)
    assert figures.draw_clock_curve(one).get_legend() is None


def test_ids_in_a_page_begin_with_the_prefix_and_refer_to_what_is_there() -> None:
    page = page_drawing(svg_tree(figures.draw_hypnograms(drawn.night_with_rem()).figure), prefix="night")
    ids = re.findall(r' id="([^"]*)"', page)
    assert len(ids) == len(set(ids))
    assert all(name.startswith("night-") for name in ids)
    assert set(re.findall(r'(?:url\(#|href="#)([^")]*)', page)) <= set(ids)


def test_a_page_drawing_brings_no_style_no_date_and_no_address_and_its_colours_are_variables() -> None:
    page = page_drawing(svg_tree(figures.draw_hypnograms(drawn.night_with_rem()).figure), prefix="night")
    root = ET.fromstring(f"<svg>{page}</svg>")
    assert {element.tag for element in root.iter()} <= {"svg", "g", "defs", "clipPath", "rect", "path", "use", "text"}
    assert "://" not in page
    # without the variables no colour is left
    assert not re.search("#[0-9a-f]{6}", re.sub(r"var\(--[a-z0-9]+, #[0-9a-f]{6}\)", "", page))
    texts = ["".join(element.itertext()) for element in root.iter("text")]
    assert {"reference", "device", "wake", "23:00", "clock time", "not compared, or gap"} <= set(texts)


def test_both_axes_of_the_minutes_have_the_same_ticks() -> None:
    ax = figures.draw_minutes(drawn.study_of_measure(**invented_differences(4, 2, seed=2)))
    ax.figure.draw_without_rendering()
    low, high = ax.get_xlim()
    x, y = ([t for t in ticks if low <= t <= high] for ticks in (ax.get_xticks(), ax.get_yticks()))
    assert list(x) == list(y)
    assert len(x) >= 3


@pytest.mark.parametrize("start", [None, drawn.BEGIN])
def test_every_letter_of_the_hypnograms_lies_on_the_paper(start: object) -> None:
    figure = figures.draw_hypnograms(drawn.invented_night(start=start)).figure
    figure.draw_without_rendering()
    (ax,) = figure.axes
    width, height = figure.bbox.size
    for text in (*ax.texts, *ax.get_xticklabels(), *ax.get_yticklabels(), *ax.get_legend().get_texts()):
        box = text.get_window_extent()
        assert box.x0 >= 0, text
        assert box.y0 >= 0, text
        assert box.x1 <= width, text
        assert box.y1 <= height, text


def test_svg_files_hold_text_and_alternative_text_and_stand_on_paper() -> None:
    figure = figures.draw_hypnograms(drawn.night_with_rem()).figure
    data = figure_bytes(figure, "svg", title="Hypnograms <1>", description="All & everything")
    root = ET.fromstring(data)
    assert "reference" in {element.text for element in root.iter(f"{SVG}text")}
    assert root.find(f"{SVG}rect").get("fill") == PAPER.light
    assert root.find(f"{SVG}title").text == "Hypnograms <1>"
    assert root.find(f"{SVG}desc").text == "All & everything"
    assert root.get("role") == "img"
    assert root.get("aria-labelledby").split() == [root.find(f"{SVG}{tag}").get("id") for tag in ("title", "desc")]
    assert float(root.get("width").removesuffix("pt")) / 72 * 25.4 == pytest.approx(178, abs=0.01)
    assert b"var(" not in data


# --- manners ----------------------------------------------------------------------------------------------


def test_drawing_leaves_no_setting_behind() -> None:
    before = dict(mpl.rcParams)
    figures.draw_hypnograms(drawn.night_with_rem())
    figure_bytes(figures.draw_bias_sources(drawn.night_without_rem().bias_sources).figure, "svg")
    assert dict(mpl.rcParams) == before


_OWN = {
    "font.size": 14,
    "text.color": "#0000aa",
    "axes.edgecolor": "#00aa00",
    "ytick.labelsize": 9,
    "text.usetex": True,
}


def test_what_a_user_has_set_wins_over_our_style() -> None:
    with mpl.rc_context(_OWN):
        ax = figures.draw_run_lengths(drawn.night_with_rem())
        told = figure_bytes(ax.figure, "svg").decode()
    assert {text.get_fontsize() for text in ax.texts} == {12.0, 13.0}  # 6 and 6.5 where "font.size" is ours, 7
    assert "#0000aa" in told
    assert ax.spines["left"].get_edgecolor() == to_rgba("#00aa00")
    assert {label.get_fontsize() for label in ax.get_yticklabels()} == {9.0}
    # what a user has left alone is ours, and labels, which come from files, are never formulas
    assert not ax.spines["top"].get_visible()
    assert not any(text.get_usetex() for text in ax.texts)


def test_a_users_dark_paper_gets_the_dark_colours() -> None:
    with style_context("dark_background"):
        told = figure_bytes(figures.draw_device_classes(drawn.night_with_rem()).figure, "svg").decode()
    assert f"fill: {style.REM.dark}" in told
    assert f"fill: {style.REM.light}" not in told
    assert 'fill="#000000"' in told


@pytest.mark.parametrize("ax", [None, "own"])
def test_labels_of_ticks_have_the_colour_of_a_users_ticks(ax: str | None) -> None:
    own = {"xtick.color": "#0000aa", "ytick.color": "#aa0000"}
    for settings, x, y in (("dark_background", "white", "white"), (own, "#0000aa", "#aa0000")):
        with style_context(settings):
            given = None if ax is None else Figure(figsize=(5, 3)).add_subplot()
            drawn_on = figures.draw_run_lengths(drawn.night_with_rem(), ax=given)
        assert {to_rgba(label.get_color()) for label in drawn_on.get_xticklabels()} == {to_rgba(x)}
        assert {to_rgba(label.get_color()) for label in drawn_on.get_yticklabels()} == {to_rgba(y)}


def test_reports_look_the_same_whatever_a_user_has_set() -> None:
    night = drawn.night_with_rem()
    plain = [*page_files(describe_night(night), ("svg", "png")).values(), night._repr_html_()]
    with mpl.rc_context({**_OWN, "figure.facecolor": "black"}):
        assert [*page_files(describe_night(night), ("svg", "png")).values(), night._repr_html_()] == plain
        with house_style():
            own = figure_bytes(figures.draw_confusion(night).figure, "svg")
    assert own == figure_bytes(figures.draw_confusion(night).figure, "svg")


def test_axes_of_ones_own_are_dressed_like_ours() -> None:
    night = drawn.night_with_rem()
    own, ours = (
        figures.draw_run_lengths(night, ax=Figure(figsize=(5, 3)).add_subplot()),
        figures.draw_run_lengths(night),
    )
    for look in (
        lambda ax: [label.get_fontsize() for label in (*ax.get_xticklabels(), ax.xaxis.label, ax.yaxis.label)],
        lambda ax: [(spine.get_visible(), spine.get_edgecolor()) for spine in ax.spines.values()],
        lambda ax: [tick.tick1line.get_markersize() for tick in ax.xaxis.get_major_ticks()],
    ):
        assert look(own) == look(ours)


def test_figures_take_axes_and_return_them() -> None:
    for draw, *given in drawn_of_results():
        ax = Figure().add_subplot()
        assert draw(*given, ax=ax) is ax
        figure_bytes(ax.figure, "svg")


@lru_cache(maxsize=1)
def small_study() -> StudyAgreement:
    """Two nights of six people with two devices."""
    nights = [
        (f"crew-{who}", night, device, drawn.invented_night(seed=10 * who + night, epochs=300, rem=device == "pad B"))
        for who in range(6)
        for night in (1, 2)
        for device in ("pad B", "band A")
    ]
    return summarise_study(nights, StudyOptions(resamples=50))


@lru_cache(maxsize=1)
def drawn_of_results() -> tuple[tuple[Any, ...], ...]:
    """Every figure of the package with the whole result that it takes."""
    night, study = drawn.night_without_rem(), small_study()
    pad = {"device": "pad B"}
    parts = VarianceComponents(9.0, 20.0)
    grid = plan_grid({"bias": MeanPrecision(parts)}, participants=range(4, 41, 4), nights=(1, 2), wanted={"bias": 9.0})
    correction = learn_correction(study, device="pad B")
    corrected = correction.apply(drawn.night_with_rem().paired.device_spans)
    return (
        (figures.draw_hypnograms, night),
        (figures.draw_device_classes, night),
        (figures.draw_confusion, night),
        (partial(figures.draw_confusion, **pad), study),
        (figures.draw_bias_sources, night),
        (partial(figures.draw_bias_sources, **pad), study),
        (figures.draw_redistribution, night),
        (partial(figures.draw_redistribution, device="band A"), study),
        (figures.draw_agreement_by_hour, night),
        (figures.draw_run_lengths, night),
        (figures.draw_clock_curve, scan_clock(night.paired, night.mappings[0].mapping)),
        (partial(figures.draw_night_kappas, **pad), study),
        (partial(figures.draw_minutes, **pad), study),
        (partial(figures.draw_bias_against_level, **pad), study, "minutes REM"),
        (partial(figures.draw_normal_look, **pad), study, "SE"),
        (figures.draw_precision, grid),
        (figures.draw_correction_line, correction, study, next(m.measure for m in correction.measures if m.is_line)),
        (figures.draw_correction_errors, correction),
        (figures.draw_reliability, correction),
        (figures.draw_probabilities, corrected),
    )


def test_every_figure_takes_a_whole_result() -> None:
    drawn_by = {getattr(draw, "func", draw) for draw, *_ in drawn_of_results()}
    assert drawn_by == {getattr(figures, name) for name in figures.__all__ if name.startswith("draw_")}


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({}, "device must be one of 'pad B', 'band A', not None"),
        ({"device": "pad C"}, "device must be one of 'pad B', 'band A', not 'pad C'"),
        ({"device": "pad B", "measure": "naps"}, "measure must be one of .*'TST'.*, not 'naps'"),
    ],
)
def test_a_figure_says_what_a_study_lacks(settings: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        figures.draw_minutes(small_study(), **settings)
    with pytest.raises(TypeError, match="study must be a StudyAgreement, not NightAgreement"):
        figures.draw_minutes(drawn.night_with_rem())


@pytest.mark.parametrize("layout", [None, "constrained", "subfigures"])
@pytest.mark.parametrize("serial", range(20))
def test_two_panels_of_one_figure_do_not_overlap(serial: int, layout: str | None) -> None:
    """All that belongs to a panel, to its last letter, lies above the panel below and left of the one beside it."""
    draw, *given = drawn_of_results()[serial]
    for rows, columns in ((2, 1), (1, 2)):
        figure = Figure(figsize=(7 * columns, 4 * rows), layout=None if layout == "subfigures" else layout)
        FigureCanvasAgg(figure)
        if layout == "subfigures":
            places = [part.subplots() for part in figure.subfigures(rows, columns).flat]
        else:
            places = list(figure.subplots(rows, columns).flat)
        first, second = (draw(*given, ax=ax) for ax in places)
        figure.draw_without_rendering()
        one, two = (ax.get_tightbbox() for ax in (first, second))
        assert (two.y1 <= one.y0 + 1) if rows > 1 else (one.x1 <= two.x0 + 1)


def test_the_table_of_a_night_is_that_of_its_first_mapping() -> None:
    night = drawn.night_without_rem()
    expected = figure_bytes(figures.draw_confusion(night.mappings[0]).figure, "svg")
    assert figure_bytes(figures.draw_confusion(night).figure, "svg") == expected


def test_pyplot_is_never_imported() -> None:
    code = (
        "import sys; from sleepagree.figures import *; import sleepagree.render.figures, sleepagree.render.page, "
        "sleepagree.describe.study; sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_every_name_of_the_package_is_there() -> None:
    for name in figures.__all__:
        assert callable(getattr(figures, name))


def test_pictures_of_the_docs_can_be_made_again(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    subprocess.run([sys.executable, str(root / "docs" / "make_pictures.py"), str(tmp_path)], check=True)
    made = {path.name for path in tmp_path.iterdir()}
    assert made == {path.name for path in (root / "docs" / "pictures").iterdir()}
    text = (root / "docs" / "reading_the_report.md").read_text(encoding="utf-8")
    assert set(re.findall(r"pictures/(\w+\.\w+)", text)) <= made
    for path in tmp_path.glob("*.svg"):
        ET.fromstring(path.read_bytes())


def test_the_gallery_shows_every_figure() -> None:
    root = Path(__file__).parents[2]
    subprocess.run([sys.executable, str(root / "docs" / "make_pictures.py"), "--check"], check=True)
    text = (root / "docs" / "gallery.md").read_text(encoding="utf-8")
    heads = re.findall(r"^## (\w+)$", text, re.MULTILINE)
    assert sorted(heads) == [name for name in figures.__all__ if name.startswith("draw_")]
    shown = set(re.findall(r"pictures/(\w+\.\w+)", text))
    assert shown == {path.name for path in (root / "docs" / "pictures").iterdir()}


def test_the_example_of_the_docs_runs(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    text = (root / "docs" / "reading_the_report.md").read_text(encoding="utf-8")
    (tmp_path / "fixtures").symlink_to(root / "fixtures")
    for block in re.findall(r"```python\n(.*?)```", text, re.DOTALL):
        subprocess.run([sys.executable, "-c", block], cwd=tmp_path, check=True)
    assert (tmp_path / "hypnograms.pdf").read_bytes().startswith(b"%PDF")


def test_nights_outside_the_limits_are_ringed_and_the_slope_is_drawn() -> None:
    data = invented_differences(20, 1)
    data["device"] = np.asarray(data["device"], float)
    data["device"][4] += 300.0
    limits, sloped = fit_limits_of_agreement(**data), fit_regression_limits(**data)
    ax = figures.draw_bias_against_level(drawn.study_of_measure(**data, limits=limits, sloped=sloped))
    difference = data["device"] - data["reference"]
    outside = sorted(difference[(difference < limits.lower) | (difference > limits.upper)])
    (rings,) = [line for line in ax.lines if line.get_markersize() == 8.0]
    assert sorted(rings.get_ydata()) == pytest.approx(outside)
    assert outside
    slopes = [np.diff(li.get_ydata()) / np.diff(li.get_xdata()) for li in ax.lines if np.ptp(li.get_xdata()) > 10]
    assert any(np.ravel(slope)[0] == pytest.approx(sloped.slope) for slope in slopes)
    # in place of the level bias, which the page's table and the mark beside the axes still tell
    level = [line.get_ydata()[0] for line in ax.lines if list(line.get_xdata()) == [0, 1]]
    assert sorted(level) == pytest.approx(sorted([0.0, limits.lower, limits.upper]))


@pytest.mark.parametrize("inches", [(10, 4), (7, 3)])
def test_what_a_narrow_panel_says_does_not_overlap(inches: tuple[float, float]) -> None:
    panels = list(Figure(figsize=inches).subplots(1, 2))
    FigureCanvasAgg(panels[0].figure)
    night = drawn.night_without_rem()
    hypnograms, sources = figures.draw_hypnograms(night, ax=panels[0]), figures.draw_bias_sources(night, ax=panels[1])
    hypnograms.figure.draw_without_rendering()
    key = hypnograms.get_legend().get_window_extent()
    (name,) = [text for text in hypnograms.texts if text.get_text() == "clock time"]
    assert not key.overlaps(name.get_window_extent())
    numbers = [text.get_window_extent() for text in sources.texts if text.get_text()[:1] in "+−"]
    rows = [label.get_window_extent() for label in sources.get_yticklabels()]
    assert numbers
    assert not [1 for number in numbers for row in rows if number.overlaps(row)]
