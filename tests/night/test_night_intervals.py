"""Intervals of one night through mappings and results: which series each rests on, and how they are told."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.proportion import proportion_confint

from sleepagree.cli.group import main
from sleepagree.describe.paragraphs import say_kappa_beside_ceiling
from sleepagree.inference.one_night import kappa_interval, share_interval
from sleepagree.mapping.mapping import mapping_named
from sleepagree.night.compare import compare
from sleepagree.render.night_json import night_document
from tests.drawn import night_with_rem, night_without_rem
from tests.ferry import FERRY
from tests.worked import pair, side

FIGURES = ("sensitivity", "specificity", "ppv", "npv", "f1", "kappa")


def test_every_figure_of_a_class_lies_inside_an_interval_that_has_a_width() -> None:
    scored = night_with_rem().mappings[0]
    for found, intervals in zip(scored.table.classes, scored.intervals.classes, strict=True):
        assert found.name == intervals.name
        for figure in FIGURES:
            value, ends = getattr(found, figure), getattr(intervals, figure)
            assert ends.low < ends.high
            assert ends.low <= value <= ends.high, (found.name, figure)
    table, intervals = scored.table, scored.intervals
    assert intervals.accuracy.low < table.accuracy < intervals.accuracy.high
    k = len(table.classes)
    assert intervals.pabak[:2] == pytest.approx([(k * end - 1) / (k - 1) for end in intervals.accuracy[:2]])


def test_sensitivity_specificity_and_predictive_values_rest_on_the_epochs_they_are_shares_of() -> None:
    """Wake 40, light 60, a gap of 15 min inside light, deep 30: two episodes of light, one of the others."""
    reference = "W*40 N2*30 ?*30 N2*30 N3*30"
    device = "wake*35 light*45 light*30 light*10 deep*40"
    scored = compare(pair(reference, side(device, reports=("wake", "light", "deep")))).mappings[0]
    light = next(c for c in scored.intervals.classes if c.name == "light")
    # sensitivity of light: 30 + 20 of 60 epochs; the second episode begins after the gap
    hits = np.array([True] * 30 + [True] * 20 + [False] * 10)
    assert light.sensitivity == share_interval(hits, np.isin(np.arange(60), [0, 30]))
    # its PPV: 5 epochs were wake
    hits = np.array([False] * 5 + [True] * 50)
    assert light.ppv == share_interval(hits, np.isin(np.arange(55), [0, 35]))
    wake = next(c for c in scored.intervals.classes if c.name == "wake")
    # no epoch was wrongly called wake: two stretches of other stages in the reference, light and deep
    low, _ = proportion_confint(2, 2, alpha=2 * stats.norm.sf(stats.t.ppf(0.975, 1)), method="wilson")
    assert wake.specificity[:2] == pytest.approx((low, 1.0))


def test_f1_is_carried_over_from_the_share_of_overlap() -> None:
    scored = night_with_rem().mappings[0]
    for found, intervals in zip(scored.table.classes, scored.intervals.classes, strict=True):
        both = found.sensitivity * found.reference_epochs
        overlap = both / (found.reference_epochs + found.device_epochs - both)
        assert found.f1 == pytest.approx(2 * overlap / (1 + overlap))
        assert 0 < intervals.f1.low < found.f1 < intervals.f1.high < 1


def test_kappa_under_a_mapping_rests_on_its_classes() -> None:
    night = compare(night_with_rem().paired, mappings=[mapping_named("wake-sleep")])
    paired, found = night.paired, night.mappings[0].intervals.kappa
    sides = []
    for codes, codes_of in (
        (paired.reference, night.mappings[0].mapping.reference_codes(paired.reference_set)),
        (paired.device, night.mappings[0].mapping.device_codes(paired.device_set)),
    ):
        sides.append(np.array(codes_of)[codes[paired.scored]])
    assert found == kappa_interval(*sides)


def test_without_a_label_there_is_no_kappa_and_accuracy_counts_its_epochs_as_wrong() -> None:
    first = night_without_rem().mappings[0]
    assert math.isnan(first.intervals.kappa.low)
    assert first.intervals.accuracy.low < first.table.accuracy < first.intervals.accuracy.high
    rem = next(c for c in first.intervals.classes if c.name == "rem")
    assert all(math.isnan(getattr(rem, figure).low) for figure in FIGURES)
    document = night_document(night_without_rem())["mappings"][0]["intervals"]
    assert document["kappa"] == [None, None]
    assert document["accuracy"] == list(first.intervals.accuracy[:2])
    assert [c["class"] for c in document["classes"]] == ["wake", "light", "deep", "rem"]


def test_beside_the_ceiling_stands_kappa_of_the_same_table_by_scikit_learn() -> None:
    night = night_without_rem()
    first = night.mappings[0]
    rows, columns = np.indices(first.counts.shape)
    labels = np.array(first.mapping.device_index)
    expected = cohen_kappa_score(
        np.repeat(rows.ravel(), first.counts.ravel()), np.repeat(labels[columns.ravel()], first.counts.ravel())
    )
    assert first.kappa_beside_ceiling == pytest.approx(expected)
    assert first.kappa_beside_ceiling < first.ceiling.kappa
    assert night_document(night)["mappings"][0]["ceiling"]["device_kappa"] == pytest.approx(expected)
    said = f" and, counting REM as never found as the ceiling does, has kappa {expected:.3f}"
    assert say_kappa_beside_ceiling(first) == said
    # where the table is the one that is shown, nothing is said twice
    assert say_kappa_beside_ceiling(night_with_rem().mappings[0]) == ""


@pytest.mark.parametrize("command", ["night", "mappings"])
@pytest.mark.parametrize("option", ["--resamples", "--seed"])
def test_one_night_takes_no_options_of_resampling(command: str, option: str) -> None:
    from click.testing import CliRunner

    files = (str(FERRY / "reference/crew-1-night-1.edf"), str(FERRY / "band-a/crew-1-night-1.csv"))
    result = CliRunner().invoke(main, [command, *files, option, "50"])
    assert result.exit_code == 2
    assert f"No such option '{option}'" in result.output
