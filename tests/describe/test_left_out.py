"""A device without REM that says "asleep" in REM: what its mapping leaves out is told as that, and not as a class."""

from __future__ import annotations

from sleepagree.caution import CautionKind
from sleepagree.describe.cautions import say_caution
from sleepagree.describe.study_paragraphs import finding_of_device, results_of_study
from sleepagree.mapping.mapping import mapping_named
from sleepagree.night.compare import compare
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.told import night_lines
from tests.worked import pair

LAB = "W*4 N2*20 N3*10 R*8 N2*10 R*8 W*4"
GENERIC = pair(LAB, "wake*4 light*20 deep*10 asleep*8 light*10 asleep*8 wake*4")
MIXED = pair(LAB, "wake*4 light*20 deep*10 asleep*4 light*14 asleep*8 wake*4")
NEVER = pair(LAB, "wake*4 light*20 deep*10 light*18 deep*8 wake*4")


def told(night):
    return " ".join(" ".join(night_lines(night)).split())


def test_a_night_names_the_label_that_is_left_out_and_has_no_empty_head() -> None:
    night = compare(GENERIC)
    (rem,) = night.redistribution
    assert (rem.left_out_labels, [d.epochs for d in rem.to]) == (("asleep",), [0, 0, 0, 16])
    said = told(night)
    assert "Of its 8.0 min, 8.0 were given the label 'asleep', which the mapping leaves out (100 %" in said
    assert "100 % went to a label that the mapping leaves out" in said
    assert "called left out" not in said
    assert "counted as" not in said  # no epoch of REM is left that could be counted as anything
    mixed = told(compare(MIXED))
    assert "6.0 were given the label 'asleep', which the mapping leaves out (75 %" in mixed
    assert "and 2.0 were called light (25 %" in mixed
    assert "with REM counted as light" in mixed
    # another device of the same stages calls all of REM something
    assert compare(NEVER).redistribution[0].left_out_labels == ()


def test_a_study_cautions_of_what_the_mapping_leaves_out_as_a_night_does() -> None:
    nights = [("crew-1", "1", "band A", GENERIC), ("crew-1", "2", "band A", NEVER), ("crew-2", "1", "band A", MIXED)]
    study = summarise_study(nights, StudyOptions(resamples=20))
    (device,) = study.devices
    (found,) = [c for c in study.cautions if c.kind is CautionKind.NIGHTS_LEFT_OUT_BY_MAPPING]
    # 16 of 64 epochs of the first night, 12 of the third, none of the second: 28 of 192
    assert say_caution(found) == (
        "band A: on 2 of 3 nights mapping 'rem-apart' leaves out 28 epochs that both sides staged, 15 % of all "
        "(crew-1 1: 16 epochs, crew-2 1: 12 epochs)."
    )
    # in a night and in a study under the same mapping, the same epochs
    own = [c for c in compare(GENERIC).cautions if c.kind is CautionKind.LEFT_OUT_BY_MAPPING]
    assert [(c["mapping"], c["epochs"]) for c in own] == [("rem-apart", 16)]
    for said in (finding_of_device(device, study), results_of_study(study)):
        assert "called left out" not in str(said)
        assert "as left out" not in str(said)
    without = summarise_study([nights[1]], StudyOptions(resamples=0))
    assert CautionKind.NIGHTS_LEFT_OUT_BY_MAPPING not in {c.kind for c in without.cautions}


def test_of_mappings_that_were_asked_for_each_one_is_cautioned_of() -> None:
    asked = tuple(map(mapping_named, ("wake-sleep", "rem-left-out")))
    study = summarise_study([("crew-1", "1", "band A", GENERIC)], StudyOptions(mappings=asked, resamples=0))
    found = [c for c in study.cautions if c.kind is CautionKind.NIGHTS_LEFT_OUT_BY_MAPPING]
    assert [(c["mapping"], c["epochs"], c["share"]) for c in found] == [("rem-left-out", 16, 0.25)]
