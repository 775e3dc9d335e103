"""Figures of corrections: artists and their data, never pixels; every one carries its numbers in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sleepagree.describe.blocks import Figure, flat
from sleepagree.describe.correction import describe_corrected, describe_correction
from sleepagree.figures import draw_correction_errors, draw_correction_line, draw_probabilities, draw_reliability
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.figures import draw_figures, figure_file
from sleepagree.study.correction_learning import learn_correction
from tests.ferry import simulated_nights


@pytest.fixture(scope="module")
def learnt():
    nights = [n for n in simulated_nights(participants=6, nights=1) if n.device == "pad B"]
    correction = learn_correction(nights)
    return correction, nights


@pytest.fixture(scope="module")
def night(learnt):
    labels = ["W"] * 30 + ["light"] * 200 + [None] * 20 + ["N3"] * 100 + ["R"] * 60
    return learnt[0].apply(read_hypnogram(labels))


def part(ax, name):
    return next(artist for artist in ax.findobj() if artist.get_gid() == name)


def test_the_line_and_its_band_are_those_that_are_applied(learnt):
    correction, nights = learnt
    names = [feature.measure for feature in correction.features]
    m = next(m for m in correction.measures if m.measure == "TST")
    ax = draw_correction_line(correction, nights)
    x, y = part(ax, "data-line").get_data()
    slope = m.learned.model.weights[names.index("TST")]
    assert y == pytest.approx(m.learned.model.intercept + slope * x)
    assert (x.min(), x.max()) == m.learned.own_range
    corners = part(ax, "data-band").get_paths()[0].vertices
    at = corners[np.isclose(corners[:, 0], x[0])]
    assert np.ptp(at[:, 1]) == pytest.approx(2 * m.learned.interval.half_width)
    assert ax.get_xlabel() == "device, TST (min)"


def test_a_correction_takes_a_night_as_it_is(learnt, night):
    labels = ["W"] * 30 + ["light"] * 200 + [None] * 20 + ["N3"] * 100 + ["R"] * 60
    assert learnt[0].apply(np.array(labels)).to_dict() == night.to_dict()
    assert learnt[0].apply(labels, window="reference").window_minutes == night.window_minutes


def test_errors_stand_beside_each_other(learnt):
    ax = draw_correction_errors(learnt[0])
    drawn = {round(float(x), 6) for line in ax.lines for x in line.get_xdata()}
    for m in learnt[0].measures:
        assert round(m.learned.corrected_error, 6) in drawn
        assert m.learned.raw is None or round(m.learned.raw.error, 6) in drawn
    assert [text.get_text() for text in ax.get_yticklabels()][:2] == ["TST", "SOL"]


def test_the_key_of_errors_shows_the_marks_and_a_ring_is_seen_round_a_disc_at_its_place(learnt):
    correction = learnt[0]
    ax = draw_correction_errors(correction)

    def look(mark):
        return mark.get_marker(), mark.get_markersize(), mark.get_markerfacecolor(), mark.get_markeredgecolor()

    drawn = {look(line) for line in ax.lines if line.get_linestyle() == "None"}
    shown = [look(mark) for mark in ax.get_legend().legend_handles]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["device", "corrected", "usual value"]
    assert set(shown) == drawn
    ring, disc, stroke = shown
    assert [mark[0] for mark in shown] == ["o", "o", "|"]
    assert ring[2] != ring[3]
    assert stroke[1] > ring[1] > disc[1] + 2


def test_reliability_is_drawn_in_per_cent(learnt):
    bins = learnt[0].epochs.reliability
    assert part(draw_reliability(learnt[0]), "data-seen").get_data()[0].tolist() == [100 * b.told for b in bins]
    told, seen = part(draw_reliability(bins), "data-seen").get_data()
    assert np.asarray(told) / 100 == pytest.approx([b.told for b in bins])
    assert np.asarray(seen) / 100 == pytest.approx([b.seen for b in bins])


def test_probabilities_fill_the_night_but_for_silence(learnt, night):
    ax = draw_probabilities(night)
    heights = [part(ax, f"data-class-{k}").get_data().values for k in range(4)]
    assert heights[-1][:230] == pytest.approx(100)
    assert heights[-1][230:250] == pytest.approx(0)
    assert heights[0] == pytest.approx(100 * np.nan_to_num(night.probabilities[:, 0]))
    bare = replace(night, correction=replace(learnt[0], epochs=None))
    with pytest.raises(ValueError, match="must have probabilities"):
        draw_probabilities(bare)


def test_every_figure_is_told_in_words_and_names_nobody(learnt, night):
    correction, nights = learnt
    described = describe_correction(correction, nights=nights), describe_corrected(night)
    figures = [b for d in described for s in d.sections for b in flat(s.blocks) if isinstance(b, Figure)]
    assert {f.name for f in figures} >= {"errors", "reliability", "probabilities"}
    for figure in figures:
        assert all((figure.title, figure.description.endswith("."), figure.caption))
        svg = figure_file(figure, draw_figures([figure])[figure.name]).decode()
        assert "crew" not in svg
