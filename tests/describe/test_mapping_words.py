"""What is said under a mapping that merges stages or leaves some out, and what is said of latencies and scorers.

Every figure is worked by hand from the epochs written out in the test.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sleepagree import read_hypnogram
from sleepagree.describe.answer import finding_of_night
from sleepagree.describe.night import describe_night
from sleepagree.describe.paragraphs import methods_of_night, results_of_night
from sleepagree.describe.study_paragraphs import methods_of_study, results_of_study
from sleepagree.describe.study_tables import tables_of_study
from sleepagree.hypnogram.align import align
from sleepagree.mapping.files import read_mapping
from sleepagree.night.compare import compare
from sleepagree.render.night_json import night_document
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import simulated_nights
from tests.told import night_lines, study_lines
from tests.worked import BED_TIME, pair, side

WITHOUT_REM = ("wake", "light", "deep")


def night_under(*mappings):
    """20 wake, 60 light, 40 deep, 40 REM epochs; of REM 30 were called light and 10 deep."""
    scored, said = "W*20 N2*60 N3*40 R*40", "wake*20 light*60 deep*40 light*30 deep*10"
    return compare(pair(scored, said, reports=WITHOUT_REM), mappings=mappings)


def told(night):
    return " ".join(" ".join(night_lines(night)).split())


def test_what_a_mapping_leaves_out_stands_in_every_sentence():
    night = night_under("rem-left-out")
    assert (
        "In 100 of 100 epochs compared (120 of the 160 epochs scored on both sides; REM left out) both say the same"
    ) in finding_of_night(night)
    said = told(night)
    assert "All 20.0 min called deep, REM left out, were deep." in said
    assert "minutes and per cent of classes under 'rem-left-out', REM left out" in said
    off = compare(pair("W*9 N2*9 R*9", "wake*10 light*9 wake*8", reports=WITHOUT_REM), mappings="rem-left-out")
    assert "Of 5.0 min called wake, REM left out: 4.5 wake, 0.5 light." in told(off)
    assert "wake, REM left out: +0.5 min (4.5 by the reference) = +0.5 from light" in told(off)
    assert "The bias of wake with REM left out, +0.5 min, was +0.5 from light." in results_of_night(off)
    assert "Under 'rem-left-out' (REM left out) accuracy was" in results_of_night(off)


def test_a_class_that_holds_more_than_its_name_says_so():
    night = night_under("rem-as-light")
    assert "both say the same stage, REM counted as light." in finding_of_night(night)
    said = told(night)
    assert "Of 25.0 min called deep: 20.0 deep, 5.0 light+REM." in said
    assert "light+REM: -5.0 min (50.0 by the reference) = -5.0 lost to deep" in said
    assert "minutes light+REM" in said
    assert "(REM counted as light)" in results_of_night(night)
    assert "REM counted as light" in methods_of_night(night).text
    assert "The bias of light+REM, -5.0 min, was" in results_of_night(night)
    # wake, light+REM, deep, light+REM: a change of the class each time
    for row in ("wake to light+REM 1", "light+REM to deep 1", "deep to light+REM 1", "light+REM – – – – 2 of 2"):
        assert row in said
    # names in files stay
    document = night_document(night)
    assert document["mappings"][0]["reference_classes"] == ["wake", "light", "deep"]
    assert "minutes light" in {measure["measure"] for measure in document["measures"]}


def test_a_mapping_of_ones_own_is_told_by_what_it_holds(tmp_path: Path):
    file = tmp_path / "own.toml"
    file.write_text(
        'name = "own"\nclasses = ["wake", "deep"]\n[reference]\nwake = "wake"\nN1 = "wake"\nN2 = "leave-out"\n'
        'N3 = "deep"\nREM = "deep"\n[device]\nwake = "wake"\nlight = "leave-out"\ndeep = "deep"\n'
    )
    said = finding_of_night(night_under(read_mapping(file)))
    # 20 wake and 40 deep, and of REM the 10 epochs that were called deep
    assert "epochs compared (70 of the 160 epochs scored on both sides; N2 left out)" in said
    assert "N1 counted as wake and REM counted as deep" in said


#: What a reference calls the five stages: plain texts, and words that its layout explains.
IN_LABELS = {stage: f"Sleep stage {stage}" for stage in ("W", "N1", "N2", "N3", "R")}
IN_WORDS = {"W": "Up", "N1": "Sheet", "N2": "Berth", "N3": "Hold", "R": "Dream"}
LINES = 'name = "own"\nclasses = {}\n[reference]\n{}\n[device]\n{}\n'
OF_DEVICE = 'wake = "wake"\nlight = "light"\ndeep = "deep"'


def written(folder: Path, classes: dict[str, str], names: dict[str, str], device: str = OF_DEVICE):
    """A mapping from a file that names the stages of the reference as told."""
    file = folder / "own.toml"
    lines = "\n".join(f'"{names.get(stage, stage)}" = "{name}"' for stage, name in classes.items())
    held = [name for name in ("wake", "light", "deep") if name in classes.values()]
    file.write_text(LINES.format(held, lines, device))
    return read_mapping(file)


def night_in(names: dict[str, str], mapping, device: str = "wake*20 light*60 deep*40 light*30 deep*10"):
    """The night of `night_under` with N1 in it, in the words of a reference."""
    labels = [names[stage] for stage in ["W"] * 20 + ["N1"] * 10 + ["N2"] * 50 + ["N3"] * 40 + ["R"] * 40]
    reference = read_hypnogram(labels, stages={name: stage for stage, name in names.items()}, start=BED_TIME)
    words = frozenset(label for label, _ in mapping.device_labels)
    return compare(align(reference=reference, device=side(device, own_words=words)), mappings=mapping)


@pytest.mark.parametrize("names", [IN_LABELS, IN_WORDS])
@pytest.mark.parametrize(
    ("rem", "said"), [("light", "REM counted as light"), ("leave-out", "REM left out"), ("wake", "REM counted as wake")]
)
def test_a_mapping_file_says_the_same_in_stages_and_in_labels(tmp_path: Path, names, rem: str, said: str):
    """docs/mappings.md: a line about a label goes before the stage of that label, and every sentence says so."""
    classes = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": rem}
    by_stage, by_label = (night_in(names, written(tmp_path, classes, used)) for used in ({}, names))
    assert said in finding_of_night(by_label)
    assert told(by_label) == told(by_stage)
    assert methods_of_night(by_label).text == methods_of_night(by_stage).text
    assert results_of_night(by_label) == results_of_night(by_stage)
    assert by_label.mappings_asked == (written(tmp_path, classes, names),)
    studies = [summarise_study([("crew-1", "1", "band A", night)]) for night in (by_stage, by_label)]
    assert methods_of_study(studies[1]).text == methods_of_study(studies[0]).text
    assert results_of_study(studies[1]) == results_of_study(studies[0])
    assert studies[1].finding == studies[0].finding
    assert [str(table) for table in tables_of_study(studies[1]).values()] == [
        str(table) for table in tables_of_study(studies[0]).values()
    ]


def test_a_label_goes_before_the_line_of_its_stage_in_sentences_too(tmp_path: Path):
    """Where the night's label for REM has a line of its own, the line of REM is about no epoch."""
    classes = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "leave-out"}
    mapping = written(tmp_path, {**classes, "Dream": "light"}, {})
    assert "both say the same stage, REM counted as light." in finding_of_night(night_in(IN_WORDS, mapping))
    assert "REM left out" in finding_of_night(night_in(IN_LABELS, mapping))
    # one of two labels of a stage: neither the stage nor the class is told to be something it is not
    mapping = written(
        tmp_path, {"W": "wake", "S1": "light", "S2": "light", "S3": "deep", "S4": "light", "R": "light"}, {}
    )
    assert mapping.speak("light") == "light+REM"


def test_words_of_both_sides_in_a_mapping_file_are_known_by_the_stages_of_the_reference(tmp_path: Path):
    """The device's own words go into classes of the reference's labels: it has a word for each stage."""
    classes = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "leave-out"}
    device = 'Up = "wake"\nShallow = "light"\nSound = "deep"'
    for names in ({}, IN_LABELS):
        night = night_in(IN_LABELS, written(tmp_path, classes, names, device), "Up*20 Shallow*60 Sound*80")
        assert [traced.stage for traced in night.redistribution] == ["R"]
        tst = next(pair for pair in night.measures if pair.measure == "TST")
        assert (tst.reference, tst.device) == (70, 70)  # 60 light, 40 deep and 40 REM epochs
        # where one word holds wake and sleep nobody knows its minutes of sleep
        in_light = 'Up = "light"\nShallow = "light"\nSound = "deep"'
        mixed = written(tmp_path, classes | {"W": "light"}, names, in_light)
        night = night_in(IN_LABELS, mixed, "Up*20 Shallow*60 Sound*80")
        assert math.isnan(next(pair for pair in night.measures if pair.measure == "TST").device)


@pytest.fixture(scope="module")
def study():
    options = StudyOptions(mappings=("rem-as-light",), resamples=50, margins={"TST": 30})
    nights = [night for night in simulated_nights() if night.device == "band A"]
    return summarise_study(nights, options=options)


def test_tables_of_a_study_name_the_mapping_of_their_minutes(study):
    name = next(name for name in tables_of_study(study) if name.startswith("bias"))
    bias, tested = tables_of_study(study)[name]
    assert bias.caption.endswith("; minutes of classes under 'rem-as-light', REM counted as light")
    assert "minutes light+REM" in {row[0].text for row in bias.rows}
    assert [row[2].text for row in tested.rows] == ["bias", "both limits"]


def test_mean_bouts_of_a_study_name_a_class_for_what_it_holds():
    night = pair("W*20 N2*60 N3*40 R*40", "wake*20 light*60 deep*40 light*40", reports=WITHOUT_REM)
    options = StudyOptions(mappings=("rem-as-light",), resamples=0)
    said = " ".join(" ".join(study_lines(summarise_study([("crew-1", "1", "band A", night)], options))).split())
    assert "light+REM" in said.partition("mean bout of wake min")[2].partition("mean bout of deep min")[0]


def test_results_of_a_study_give_the_outcome_of_every_test(study):
    assert "Equivalence was tested" in methods_of_study(study).text
    assert "TST: the mean difference is " in results_of_study(study)


def test_methods_describe_what_the_results_give():
    apart = compare(pair("W*20 N2*60 N3*40 R*40", "wake*20 light*60 deep*40 light*40", reports=WITHOUT_REM))
    assert "PABAK" not in methods_of_night(apart).text
    assert "AASM definitions" not in methods_of_night(apart).text
    assert "Kappa was 1.00 (no interval: the sides differ in no epoch) under 'rem-left-out' (REM left out)" in (
        results_of_night(apart)
    )
    assert "PABAK" in methods_of_night(night_under("rem-as-light")).text


def test_an_onset_that_is_off_is_not_told_twice():
    """Deep begins at 20 min on both sides; the device falls asleep 10 min earlier."""
    night = compare(pair("W*20 N2*20 N3*20 W", "light*40 deep*20 wake", reports=WITHOUT_REM))
    assert "Deep latency counts from each side's own sleep onset: from the window's start it differs by 0.0 min." in (
        told(night)
    )


@pytest.mark.parametrize(
    ("scored", "said", "mapping", "is_told"),
    [
        ("W*20 N2*60 N3*40 R*9", "wake*20 light*60 deep*40 light*9", "rem-apart", True),
        ("W*20 N2*60 N3*40 R*9", "wake*20 light*60 deep*40 light*9", "wake-sleep", False),
        ("W*1 N2*1 N3*1 R*2", "wake*1 light*1 deep*1 light*2", "rem-apart", False),
    ],
)
def test_scorers_are_compared_with_only_where_the_stages_are_about_theirs(scored, said, mapping, is_told):
    night = compare(pair(scored, said, reports=WITHOUT_REM), mappings=mapping)
    assert ("two trained scorers" in " ".join(str(describe_night(night)).split())) is is_told
