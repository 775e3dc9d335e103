"""What a notebook shows: tables with the numbers of the result, and no markup from labels."""

from __future__ import annotations

import re
from dataclasses import replace

from sleepagree import align, compare, read_hypnogram
from sleepagree.study import StudyOptions, summarise_study
from tests.ferry import simulated_nights


def test_a_night_shows_its_matrix() -> None:
    stages = ["W", "W", "N2", "N2", "N3", "R"]
    night = compare(align(reference=read_hypnogram(stages), device=read_hypnogram(stages)), resamples=0)
    html = night._repr_html_()
    assert re.search(r'<th scope="row">light</th><td>0</td><td>2</td>', html)
    assert html.count("<table>") == html.count("</table>") == 3


def test_a_study_shows_its_bias_table_and_escapes_names() -> None:
    nights = [n for n in simulated_nights(2, 1) if n.device == "pad B"]
    hostile = [replace(n, device="<b>pad</b>") for n in nights]
    html = summarise_study(hostile, StudyOptions(resamples=20))._repr_html_()
    assert "&lt;b&gt;pad&lt;/b&gt;" in html
    assert "<b>" not in html
