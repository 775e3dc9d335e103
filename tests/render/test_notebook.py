"""What a notebook shows: tables with the numbers of the result, and no markup from labels."""

from __future__ import annotations

import base64
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from html import escape

import drawn
import pytest

from sleepagree import NightSummary, StudyAgreement, align, compare, compare_mappings, read_hypnogram
from sleepagree.render import notebook
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import simulated_nights


def study_of(nights: list[NightSummary]) -> StudyAgreement:
    return summarise_study(nights, StudyOptions(resamples=20))


def test_a_night_shows_its_matrix() -> None:
    stages = ["W", "W", "N2", "N2", "N3", "R"]
    night = compare(align(reference=read_hypnogram(stages), device=read_hypnogram(stages)))
    html = night._repr_html_()
    assert html.startswith(f"<p><strong>{escape(night.finding)}</strong></p><figure><img alt=")
    assert re.search(r'<th scope="row">light</th><td>0 \(0 %\)</td><td>2 \(100 %\)</td>', html)
    assert "accuracy" in html
    assert "<svg" not in html  # names of its parts would meet those of the same figure shown again
    assert re.search(r'<th scope="row">TST</th><td>min</td><td>2\.0</td><td>2\.0</td><td>0\.0</td>', html)


def test_finding_figure_and_what_became_of_rem_come_first() -> None:
    """The rest is folded away, and nothing stands in it again that stands above."""
    for result, tables in (
        (drawn.night_without_rem(), [" of REM that the device has no label for"]),
        (drawn.night_with_rem(), ["Epochs, and their share of the row"]),
        (study_of(simulated_nights(3, 1)), [" of REM in all", "Epochs, and their share of the row"]),
    ):
        first, *_ = result._repr_html_().split("<details>")
        assert re.sub("<(?!table|figure|strong)[^>]*>", "", first).startswith("<strong>")
        assert re.findall("<(table|figure)>", first) == ["figure", "table"] * len(tables)
        for table, caption in zip(tables, re.findall("<caption>(.*?)</caption>", first), strict=True):
            assert table in caption
            assert result._repr_html_().count(f">{caption}<") == 1
        for source in re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', first):
            assert ET.fromstring(base64.b64decode(source)).get("role") == "img"


def test_nothing_is_drawn_before_a_result_shows_itself() -> None:
    code = """
import sys
from sleepagree import align, compare
night = compare(align(reference=["W", "N2", "N3"], device=["wake", "light", "deep"]))
repr(night), night.finding, night.to_dict()
assert "matplotlib" not in sys.modules
night._repr_html_()
assert "matplotlib.figure" in sys.modules and "matplotlib.pyplot" not in sys.modules
"""
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_drawing_that_would_fill_the_notebook_is_shown_as_pixels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notebook, "_LONGEST_SVG", 10)
    (source,) = re.findall(r'src="data:image/png;base64,([^"]+)"', drawn.night_with_rem()._repr_html_())
    assert base64.b64decode(source).startswith(b"\x89PNG")


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
    html = study_of(hostile)._repr_html_()
    assert "&lt;b&gt;pad&lt;/b&gt;" in html
    assert "<b>" not in html


def test_mappings_side_by_side_show_themselves() -> None:
    reference, device = read_hypnogram(["W", "N2", "N3", "R"] * 5), read_hypnogram(["wake", "light", "deep", "rem"] * 5)
    html = compare_mappings(align(reference=reference, device=device))._repr_html_()
    assert "wake-light-deep-rem" in html
    assert "<table" in html
