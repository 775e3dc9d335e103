"""Kappa of arrays: scikit-learn's by value, a study's by interval, every epoch in the ledger."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import accuracy_score, cohen_kappa_score

from sleepagree import StudyOptions, agreement_score, align, compare, summarise_study
from sleepagree.errors import UnknownStageError

STAGES = np.array(["W", "N1", "N2", "N3", "R"])
QUICK = StudyOptions(resamples=100)


def labels(seed: int = 3, epochs: int = 2400) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = rng.integers(0, 5, epochs)
    wrong = rng.random(epochs) < 0.3
    predicted = np.where(wrong, rng.integers(0, 5, epochs), true)
    who = np.sort(rng.integers(0, 12, epochs))
    return true, predicted, who


def test_the_value_is_that_of_scikit_learn() -> None:
    true, predicted, who = labels()
    score = agreement_score(STAGES[true], STAGES[predicted], who, options=QUICK)
    assert float(score) == pytest.approx(cohen_kappa_score(true, predicted), abs=1e-12)
    assert score.accuracy.value == pytest.approx(accuracy_score(true, predicted), abs=1e-12)
    assert score.ledger == (("scored", 2400),)
    assert score.participants == 12
    coded = agreement_score(true, predicted, who, stages=dict(enumerate(STAGES)), options=QUICK)
    assert (coded.kappa, coded.accuracy) == (score.kappa, score.accuracy)


def test_a_stage_that_is_never_predicted_still_counts() -> None:
    true, predicted, who = labels()
    predicted = np.where(predicted == 1, 2, predicted)
    score = agreement_score(STAGES[true], STAGES[predicted], who, options=QUICK)
    assert float(score) == pytest.approx(cohen_kappa_score(true, predicted), abs=1e-12)


def test_the_interval_is_that_of_the_study() -> None:
    true, predicted, who = labels()
    nights = [
        (
            str(one),
            "1",
            "y_pred",
            compare(align(reference=STAGES[true[who == one]], device=STAGES[predicted[who == one]])),
        )
        for one in range(12)
    ]
    study = summarise_study(nights, QUICK)
    expected = study.devices[0].mappings[0].find("kappa").pooled.primary
    score = agreement_score(STAGES[true], STAGES[predicted], who, options=QUICK)
    assert score.kappa == expected
    assert score.mapping == study.devices[0].mappings[0].mapping.name
    assert expected.low < expected.value < expected.high


def test_every_epoch_is_in_the_ledger() -> None:
    true = [None, None, "W", "N2", "N2", "?", "R", None, "W", "W"] + [None, "N2"] + ["W", "N2"] * 20
    predicted = [None, "W", "W", None, "N2", "N2", "R", "R", "", None] + ["W", None] + ["W", "W"] * 20
    who = ["a"] * 10 + ["nothing"] * 2 + ["b"] * 40
    score = agreement_score(true, predicted, who, options=QUICK)
    assert sum(epochs for _, epochs in score.ledger) == len(true)
    assert dict(score.ledger) == {
        "scored": 43,
        "reference_gap": 2,
        "reference_unscored": 1,
        "device_gap": 3,
        "gap_on_both_sides": 1,
        "refused": 2,
    }
    (refused,) = score.study.refused
    assert refused.participant == "nothing"


def test_a_device_without_rem_has_the_kappa_of_the_mapping_that_is_named() -> None:
    true, predicted = ["W", "N2", "N3", "R"] * 60, ["wake", "light", "deep", "light"] * 60
    score = agreement_score(true, predicted, [i // 60 for i in range(240)], options=QUICK)
    assert (score.mapping, float(score)) == ("rem-left-out", 1.0)


@pytest.mark.parametrize(
    ("given", "error", "message"),
    [
        ((["W"], ["W", "N2"], ["a"]), ValueError, "one entry for each epoch, not 1, 2 and 1"),
        (([], [], []), ValueError, "not 0, 0 and 0"),
        ((["W"], ["W"], [None]), ValueError, r"groups\[0\] must be a name, not None"),
        ((["W"], ["W"], "a"), ValueError, "groups must be an array or a list"),
        ((np.zeros((2, 2)), ["W"], ["a"]), ValueError, "y_true must have one dimension, not 2"),
        ((["W"], [None], ["a"]), ValueError, "no epoch has a stage in both"),
        ((["W"], ["naps"], ["a"]), UnknownStageError, "naps"),
    ],
)
def test_what_cannot_be_scored_is_named(given: tuple[object, ...], error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        agreement_score(*given)


def test_a_score_tells_its_kappa_and_what_its_study_tells() -> None:
    true, predicted = ["W", "N2", "R"] * 40, ["W", "N2", "N2"] * 40
    score = agreement_score(true, predicted, ["a", "b", "b"] * 40, options=QUICK)
    low, high = score.kappa.low, score.kappa.high
    assert f"{float(score):.3f}, 95 % interval {low:.3f} to {high:.3f}, mapping 'wake-nrem-rem'" in repr(score)
    assert (f"{score:.2f}", f"{score}") == (f"{float(score):.2f}", repr(score))
    assert score.finding == score.study.finding
    assert score.cautions == score.study.cautions
    assert score.to_frame("nights").equals(score.study.to_frame("nights"))


def test_a_score_of_one_participant_says_that_it_has_no_interval() -> None:
    true, predicted, who = labels()
    score = agreement_score(STAGES[true], STAGES[predicted], np.zeros_like(who), options=QUICK)
    assert f"{float(score):.3f}, no interval, mapping" in repr(score)
    assert "nan" not in repr(score)
