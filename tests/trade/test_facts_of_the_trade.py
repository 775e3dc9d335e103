"""What people who score nights know. Each fact is common practice, no source."""

from __future__ import annotations

import json
import math

import drawn
import numpy as np
import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.describe.paragraphs import say_runs
from sleepagree.describe.study import describe_study
from sleepagree.figures import draw_minutes
from sleepagree.hypnogram.align import align
from sleepagree.inference.planning import MeanPrecision, VarianceComponents
from sleepagree.mapping.mapping import mapping_named
from sleepagree.night.compare import NightAgreement, compare
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.study_json import study_document
from sleepagree.render.terminal import render_terminal
from sleepagree.study.night_summary import summarise_night
from sleepagree.study.summarise import summarise_study
from tests.told import night_lines

STAGES = ("wake", "light", "deep", "rem")

#: A night of 8 hours: deep lies mostly in the first third, REM in the last.
NIGHT = [
    stage
    for stage, epochs in (
        ("wake", 20), ("light", 40), ("deep", 90), ("light", 30), ("rem", 10), ("light", 60), ("deep", 50),
        ("light", 60), ("rem", 30), ("wake", 15), ("light", 120), ("deep", 15), ("light", 100), ("rem", 60),
        ("light", 90), ("rem", 90), ("light", 60), ("wake", 20),
    )
    for _ in range(epochs)
]  # fmt: skip


def score(device: list[str], *, reports: tuple[str, ...] = STAGES, mapping: str = "") -> NightAgreement:
    """Return the night against what a device said."""
    paired = align(reference=read_hypnogram(NIGHT, reports=STAGES), device=read_hypnogram(device, reports=reports))
    return compare(paired, mappings=[mapping_named(mapping)] if mapping else [])


def swap(pairs: dict[str, str]) -> list[str]:
    """Return the night with stages taken for others."""
    return [pairs.get(stage, stage) for stage in NIGHT]


@pytest.mark.parametrize("parts", [("wake",), ("light",), ("deep",), ("light", "deep"), ("wake", "light", "deep")])
def test_without_a_word_for_rem_the_other_stages_are_too_long_by_exactly_the_rem_minutes(parts) -> None:
    """Common practice, no source: minutes of REM go nowhere, whatever the device takes REM for."""
    rng = np.random.default_rng(len(parts))
    device = [parts[rng.integers(len(parts))] if stage == "rem" else stage for stage in NIGHT]
    night = score(device, reports=("wake", "light", "deep"))
    minutes = {m.measure: m for m in night.measures}
    too_long = sum(minutes[f"minutes {stage}"].difference for stage in ("wake", "light", "deep"))
    assert too_long == NIGHT.count("rem") / 2 == minutes["minutes rem"].reference
    assert sum(source.bias_min for source in night.bias_sources) == too_long
    (rem,) = night.redistribution
    assert {d.name for d in rem.to if d.epochs} == set(parts)


def test_errors_among_the_other_stages_do_not_change_that() -> None:
    """Common practice, no source: what one stage loses to another, the other gains."""
    night = score(swap({"rem": "deep", "deep": "light", "wake": "light"}), reports=("wake", "light", "deep"))
    assert sum(source.bias_min for source in night.bias_sources) == NIGHT.count("rem") / 2


def test_perfect_agreement_lies_on_the_diagonal() -> None:
    """Common practice, no source."""
    night = score(NIGHT)
    counts = night.mappings[0].counts
    assert counts.tolist() == np.diag(np.diag(counts)).tolist()
    assert counts.trace() == len(NIGHT)
    assert all(m.difference == 0 for m in night.measures)
    assert all(source.bias_min == 0 for source in night.bias_sources)
    # and one night of it is no certainty: no interval has width 0, and kappa, which nothing could move, has none
    intervals = night.mappings[0].intervals
    assert np.isnan(intervals.kappa[:2]).all()
    assert intervals.accuracy.low < intervals.accuracy.high == 1.0
    assert all(c.sensitivity.low < c.sensitivity.high == 1.0 for c in intervals.classes)


def test_perfect_agreement_lies_on_the_line_of_identity() -> None:
    """Common practice, no source: the line on which both sides are equal."""
    minutes = [float(NIGHT[at:].count("deep")) for at in (0, 200, 400)]
    ax = draw_minutes(drawn.study_of_measure(minutes, minutes, ["a", "b", "c"], measure="minutes deep"), "minutes deep")
    line = next(line for line in ax.lines if line.get_linestyle() == "-")
    assert line.get_xdata() == pytest.approx(line.get_ydata())
    points = [xy for line in ax.lines if line.get_linestyle() == "None" for xy in line.get_xydata()]
    assert [x for x, _ in points] == pytest.approx([y for _, y in points])
    assert {x for x, _ in points} >= set(minutes)
    low, high = line.get_xdata()[[0, -1]]
    assert low <= min(minutes) < max(minutes) <= high


def test_two_nights_of_one_person_show_no_bias_of_the_size_of_one_nights_spread(tmp_path) -> None:
    """Common practice, no source: two nights that differ as much as the bias is large could be chance."""
    nights = []
    for number, wrong in enumerate((10, 60)):  # deep 5 and 30 min too long: on average as much as the nights' SD
        device = list(NIGHT)
        device[60 - wrong : 60] = ["deep"] * wrong
        paired = align(reference=read_hypnogram(NIGHT, reports=STAGES), device=read_hypnogram(device, reports=STAGES))
        row = {"row": number + 2, "participant": "crew-1", "night": f"{number + 1}", "device": "pad B"}
        nights.append(summarise_night(paired, **row))
    study = summarise_study(nights)
    deep = next(row for row in study.devices[0].bias if row.measure == "minutes deep")
    assert deep.limits.bias == pytest.approx(17.5)
    assert deep.limits.sd == pytest.approx(17.5, rel=0.02)
    assert deep.limits.bias_low < 0 < deep.limits.bias_high
    words = " ".join(" ".join(render_terminal(describe_study(study))).split())
    assert "With 2 nights of one participant no bias is shown" in words
    assert "Nothing is claimed of other people" in words
    # a plan from such a study is refused, and one of two people says that a bias would be lost in the interval
    (tmp_path / "results.json").write_text(json.dumps(study_document(study)), encoding="utf-8")
    refused = CliRunner().invoke(main, ["plan", "--from", str(tmp_path / "results.json")])
    assert refused.exit_code == 1
    assert "nothing can be planned" in refused.output
    for components in (VarianceComponents(17.5, math.nan), VarianceComponents(0.0, 17.5)):
        assert MeanPrecision(components).half_width(participants=2, nights=1) > 5 * 17.5


def test_a_wrong_stretch_on_end_is_one_run_and_no_scatter() -> None:
    """Common practice, no source: ten minutes of one mistake are one event."""
    device = list(NIGHT)
    device[300:320] = ["deep" if stage != "deep" else "light" for stage in NIGHT[300:320]]
    runs = score(device).disagreement.runs
    assert (runs.count, runs.epochs, runs.longest) == (1, 20, 20)
    assert say_runs(runs).startswith("Errors come in runs")
    scattered = list(NIGHT)
    for at in range(20, 920, 45):
        scattered[at] = "deep" if NIGHT[at] != "deep" else "light"
    runs = score(scattered).disagreement.runs
    assert (runs.count, runs.epochs, runs.longest) == (20, 20, 1)
    assert not say_runs(runs).startswith("Errors come in runs")


def test_percentages_may_agree_where_epochs_do_not() -> None:
    """Common practice, no source: the right amount of each stage at the wrong time."""
    night = score(NIGHT[::-1])
    percentages = [m for m in night.measures if m.measure.startswith("percent")]
    assert len(percentages) >= 3
    assert all(m.difference == 0 for m in percentages)
    assert night.mappings[0].table.accuracy < 0.6
    assert night.mappings[0].table.kappa.value < 0.3
    words = " ".join(" ".join(night_lines(night)).split())
    assert "Minutes hide most of it: 52 % of the epochs differ, and 100 % of these leave the minutes" in words
    # one stage in the place of another shows in minutes, and few errors are nothing to tell of
    for other in (swap({"light": "deep"}), [*NIGHT[:-1], "light"]):
        assert not any("Minutes hide" in line for line in night_lines(score(other)))


def test_confusing_deep_shows_in_the_first_third_and_confusing_rem_in_the_last() -> None:
    """Common practice, no source: deep sleep comes early, REM late."""

    def wrong_by_third(device: list[str]) -> list[float]:
        return [1 - part.agreement for part in score(device).disagreement.thirds]

    first, _, last = wrong_by_third(swap({"deep": "light"}))
    assert first > 3 * last
    first, _, last = wrong_by_third(swap({"rem": "light"}))
    assert last > 3 * first


def test_the_thirds_of_unreported_rem_lie_late() -> None:
    """Common practice, no source."""
    (rem,) = score(swap({"rem": "light"}), reports=("wake", "light", "deep")).redistribution
    first, _, last = (sum(epochs for _, epochs in third) for third in rem.thirds)
    assert last > 3 * first
    assert len(rem.episodes) == 4
