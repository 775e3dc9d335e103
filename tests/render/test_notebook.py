"""What a notebook shows: tables with the numbers of the result, and no markup from labels."""

from __future__ import annotations

import re
from dataclasses import replace

from sleepagree import align, compare, compare_mappings, read_hypnogram
from sleepagree.study.summarise import StudyOptions, summarise_study
from tests.ferry import simulated_nights


def test_a_night_shows_its_matrix() -> None:
    stages = ["W", "W", "N2", "N2", "N3", "R"]
    night = compare(align(reference=read_hypnogram(stages), device=read_hypnogram(stages)))
    html = night._repr_html_()
    assert re.search(r'<th scope="row">light</th><td>0 \(0 %\)</td><td>2 \(100 %\)</td>', html)
    assert "accuracy" in html
    assert "<svg" not in html
    assert re.search(r'<th scope="row">TST</th><td>min</td><td>2\.0</td><td>2\.0</td><td>0\.0</td>', html)


def test_a_night_without_labels_of_its_own_is_escaped() -> None:
    hostile = "<b>up</b>"
    device = read_hypnogram([hostile] * 3 + ["deep"] * 3, stages={hostile: "wake", "deep": "deep"}, name=hostile)
    night = compare(align(reference=read_hypnogram(["W", "W", "N2", "N2", "N3", "R"]), device=device))
    html = night._repr_html_()
    assert "&lt;b&gt;up&lt;/b&gt;" in html
    assert "<b>" not in html


def test_a_study_shows_its_bias_table_and_escapes_names() -> None:
    nights = [n for n in simulated_nights(2, 1) if n.device == "pad B"]
    hostile = [replace(n, device="<b>pad</b>") for n in nights]
    html = summarise_study(hostile, StudyOptions(resamples=20))._repr_html_()
    assert "&lt;b&gt;pad&lt;/b&gt;" in html
    assert "<b>" not in html


def test_mappings_side_by_side_show_themselves() -> None:
    reference, device = read_hypnogram(["W", "N2", "N3", "R"] * 5), read_hypnogram(["wake", "light", "deep", "rem"] * 5)
    html = compare_mappings(align(reference=reference, device=device))._repr_html_()
    assert "wake-light-deep-rem" in html
    assert "<table" in html
