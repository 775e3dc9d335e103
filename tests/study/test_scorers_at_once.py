"""All scorers of a study's nights at once, against statsmodels and pairs counted one by one."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.inter_rater import aggregate_raters, fleiss_kappa

from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.spans import Origin
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.study_json import study_document
from sleepagree.study.night_summary import NightSummary, summarise_night
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.scorers import build_consensus, compare_scorers
from sleepagree.study.summarise import summarise_study
from tests.told import study_lines

STAGES = {"W": "W", "1": "N1", "2": "N2", "3": "N3", "R": "R", ".": None}
DEVICE = {"w": "wake", "l": "light", "d": "deep", "r": "rem"}
SCORINGS = (
    ("WW1122R3R2" * 5, "WW1222R3W2" * 5, "W11122R3R2" * 5),
    ("W21122R3R2" * 5, "WW1232R3W2" * 5, "WW1122.3R2" * 5),
)


def night(number: int, scorers: tuple[str, ...]) -> NightSummary:
    spans = [
        read_hypnogram([STAGES[c] for c in s]).with_changes(origin=Origin(f"{i}.edf", "test", str(i)))
        for i, s in enumerate(scorers)
    ]
    pad = read_hypnogram([DEVICE[c] for c in "wwlllrrdrl" * 5], reports=tuple(DEVICE.values()))
    paired = align(reference=build_consensus(spans), device=pad)
    pairs, tables = compare_scorers(spans, paired)
    return summarise_night(
        paired, participant=f"crew-{number}", night="1", device="pad B", scorers=pairs, coincidences=tables
    )


def study() -> StudyAgreement:
    return summarise_study([night(i, s) for i, s in enumerate(SCORINGS)], StudyOptions(resamples=50))


def test_fleiss_kappa_of_all_nights_is_statsmodels_of_their_epochs() -> None:
    found = {s.mapping: s for s in study().devices[0].several}
    assert set(found) == {"w-n1-n2-n3-r", "wake-light-deep-rem"}
    five = found["w-n1-n2-n3-r"]
    epochs = [letters for scorers in SCORINGS for letters in zip(*scorers, strict=True)]
    complete = [letters for letters in epochs if "." not in letters]
    table, _ = aggregate_raters(np.array([["W123R".index(c) for c in letters] for letters in complete]))
    assert five.fleiss.value == pytest.approx(fleiss_kappa(table))
    assert (five.scorers, five.nights, five.epochs) == ((3, 3), 2, (95, 100))
    merged, _ = aggregate_raters(np.array([["W1 3R".index(c.replace("2", "1")) for c in each] for each in complete]))
    assert found["wake-light-deep-rem"].fleiss.value == pytest.approx(fleiss_kappa(merged))


def test_alpha_keeps_epochs_that_one_scorer_left_out() -> None:
    five = study().devices[0].several[0]
    pairs = []
    for letters in (letters for scorers in SCORINGS for letters in zip(*scorers, strict=True)):
        given = [c for c in letters if c != "."]
        pairs += [(a != b, 1 / (len(given) - 1)) for i, a in enumerate(given) for j, b in enumerate(given) if i != j]
    every = [c for scorers in SCORINGS for letters in zip(*scorers, strict=True) for c in letters if c != "."]
    n = len(every)
    expected = sum(every.count(a) * (n - every.count(a)) for a in set(every)) / (n * (n - 1))
    observed = sum(apart * weight for apart, weight in pairs) / n
    assert five.alpha.value == pytest.approx(1 - observed / expected)


def test_terminal_and_json_tell_of_all_scorers_at_once() -> None:
    found = study()
    told = " ".join(" ".join(study_lines(found)).split())
    kappa = found.devices[0].several[0].fleiss.value
    assert f"pad B, 'w-n1-n2-n3-r', all 3 scorers of 2 nights at once: Fleiss' kappa {kappa:.3f} (" in told
    at_once = study_document(found)["scorers"]["at_once"]
    assert [one["mapping"] for one in at_once] == ["w-n1-n2-n3-r", "wake-light-deep-rem"]
    assert at_once[0]["krippendorff_alpha"]["epochs"] == 100
    assert at_once[0]["fleiss_kappa"]["low"] < at_once[0]["fleiss_kappa"]["value"]


def test_tables_of_scorers_live_through_the_document_of_a_night() -> None:
    one = night(1, SCORINGS[1])
    assert NightSummary.from_document(one.to_document()).coincidences == one.coincidences
