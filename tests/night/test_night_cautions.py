"""What would mislead a reader of one night: words that the device lacks, swapped files, time that nobody counts.

Every figure is worked by hand from the epochs written out in the test.
"""

from __future__ import annotations

import json
import math

import pytest

from sleepagree import read_hypnogram
from sleepagree.describe.answer import finding_of_night, hypnograms
from sleepagree.describe.blocks import Table
from sleepagree.describe.night import describe_night
from sleepagree.describe.study_paragraphs import finding_of_device, say_reports
from sleepagree.figures.hypnograms import CODE_WORDS, compare_epochs
from sleepagree.hypnogram.align import Outside, align
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS, StageMapping, mapping_named, reported_classes
from sleepagree.mapping.sets import make_stage_set
from sleepagree.night.compare import compare
from sleepagree.night.mappings import compare_mappings
from sleepagree.readers.layout import parse_layout
from sleepagree.render.json_text import dump
from sleepagree.render.night_json import night_document
from sleepagree.study.summarise import summarise_study
from tests.said import said
from tests.told import night_lines
from tests.worked import pair, side

FOUR = mapping_named("wake-light-deep-rem")
WITHOUT_REM = ("wake", "light", "deep")


def of(night, start):
    return [caution for caution in said(night.cautions) if caution.startswith(start)]


# --- words that the device lacks -----------------------------------------------------------------------------


def night_without_rem(**options):
    # 4 wake, 10 light, 6 deep, 8 REM epochs; the device says light in every REM epoch
    return compare(pair("W*4 N2*10 N3*6 R*8", "wake*4 light*10 deep*6 light*8", **options), mappings=[FOUR])


def test_a_mapping_that_asks_for_a_word_the_device_lacks_is_told():
    night = night_without_rem(reports=WITHOUT_REM)
    assert of(night, "The device cannot report REM") == [
        "The device cannot report REM (so it is declared), yet 'wake-light-deep-rem' asks for it: all 8 REM epochs of "
        "the reference that it compares count as errors, whatever the device does, and kappa and accuracy say so. "
        "Mappings that fit this device: rem-apart, rem-left-out, rem-as-light, rem-as-deep, rem-as-wake, wake-sleep."
    ]
    assert "its file holds no such label" in of(night_without_rem(), "The device cannot report REM")[0]
    none = compare(pair("W*4 N2*10", "wake*4 light*10", reports=WITHOUT_REM), mappings=[FOUR])
    assert "it compares no REM epoch of the reference on this night" in of(none, "The device cannot report REM")[0]
    both = pair("W*4 N2*10 R*8", "wake*4 light*10 light*8", reports=WITHOUT_REM)
    compared = compare_mappings(both, extra=[FOUR])
    assert of(compared, "The device cannot report REM (so")
    assert [s.name for s in compared.mappings[-1].bias] == ["wake", "light", "deep"]


def test_the_ceiling_is_of_the_words_that_the_device_has_whatever_the_mapping_asks():
    """By hand, as docs/methods_agreement.md has it: of 4, 10, 6 and 8 epochs the 8 of REM cannot be told.

    Accuracy at most 20/28; with REM called wake, the rarest, pe = (4*12 + 10*10 + 6*6)/28² = 184/784, so kappa
    (560 - 184)/(784 - 184).
    """
    apart, asked = (
        compare(night_without_rem(reports=WITHOUT_REM).paired, mappings=[name]) for name in ("rem-apart", FOUR)
    )
    best = (pytest.approx(20 / 28), pytest.approx(376 / 600))
    for night in (apart, asked, night_without_rem()):
        assert night.mappings[0].ceiling[:2] == best
        assert "71 would be the most possible without a label for REM" in finding_of_night(night)
        no_label = "Of 28 epochs compared, 0 differ, 8 are of a stage that the device has no label for"
        assert no_label in hypnograms(night).caption
        strip = [CODE_WORDS[code] for code in compare_epochs(night.paired, night.mappings[0].mapping)]
        assert strip == ["same"] * 20 + ["no label for it"] * 8
    study = summarise_study([("crew-1", "1", "band A", asked)])
    assert study.devices[0].mappings[0].ceiling[:2] == best
    assert "(71.4 % would be the most possible without a label for REM)" in finding_of_device(study.devices[0], study)
    assert "wake, light, deep and REM (REM never reported)" in say_reports(study.devices[0])
    # always light, the commonest that it can say: 10 of 28
    compared = compare_mappings(asked.paired, extra=[FOUR])
    assert compared.mappings[-1].commonest_accuracy == 10 / 28
    # a device that may say REM and never does could have been right throughout
    assert night_without_rem(reports=(*WITHOUT_REM, "rem")).mappings[0].ceiling[:2] == (1, 1)


def test_a_device_that_can_say_no_class_of_the_mapping_has_no_ceiling():
    night = compare(pair("W*4 N2*10", "asleep*14"), mappings=[mapping_named("w-n1-n2-n3-r")])
    assert math.isnan(night.mappings[0].ceiling.accuracy)


def test_epochs_that_the_mapping_leaves_out_are_no_errors_and_no_part_of_what_is_compared():
    # the device's light, which N1 and N2 mostly were, has no class here
    paired = pair("W*4 N1*6 N2*10 N3*6 R*4", "wake*6 light*14 deep*6 rem*4")
    night = compare(paired, mappings="w-n1-n2-n3-r")
    (told,) = of(night, "The device cannot report N1 and N2")
    assert "all 2 N1 and N2 epochs of the reference that it compares count as errors" in told
    assert night.mappings[0].left_out == 14
    lines = " ".join(" ".join(night_lines(night)).split())
    assert "N1 is 12 % of what is compared" in lines
    assert "% of the night" not in lines


def test_minutes_of_a_class_without_a_label_are_undefined_and_not_0():
    night = night_without_rem(reports=WITHOUT_REM)
    found = {p.measure: p for p in night.measures}
    for name, reference in (("minutes rem", 4.0), ("percent rem", 100 * 8 / 24)):
        assert found[name].reference == pytest.approx(reference)
        assert math.isnan(found[name].device)
        assert math.isnan(found[name].difference)
        assert found[name].undefined_because == "the device has no label for it"
    assert (found["minutes light"].device, found["minutes deep"].device) == (9.0, 3.0)
    rows = {m["measure"]: m for m in json.loads(dump(night_document(night)))["measures"]}
    assert (rows["minutes rem"]["device"], rows["minutes rem"]["difference"]) == (None, None)
    # no bias of REM either, and no line for the REM that could not go to REM
    assert [s.name for s in night.bias_sources] == ["wake", "light", "deep"]
    assert [d.name for d in night.redistribution[0].to] == ["wake", "light", "deep"]
    assert [d.epochs for d in night.redistribution[0].to] == [0, 8, 0]


def test_a_device_that_may_say_rem_and_never_does_has_0_minutes_of_it():
    night = night_without_rem(reports=(*WITHOUT_REM, "rem"))
    assert {p.measure: p.device for p in night.measures}["minutes rem"] == 0.0
    assert not of(night, "The device cannot report")
    assert night.unreported == ()


def test_bouts_of_a_class_without_a_label_are_not_called_missed():
    night = night_without_rem(reports=WITHOUT_REM)
    tables = {b.name: b for s in describe_night(night).sections for b in s.blocks if isinstance(b, Table)}
    seen = {row[0].text: [c.text for c in row[1:]] for row in tables["seen"].rows}
    # one bout of REM of 8 epochs, in the column from 2 to 5 min
    assert [text for text in seen["REM"] if text != "–"] == ["no label (1)"]
    following = {row[0].text: [c.text for c in row[1:]] for row in tables["following"].rows}
    assert following["deep to REM"] == ["1", "no label", "–", "–", "–"]
    assert following["wake to light"][0:2] == ["1", "1"]


def test_which_classes_a_device_cannot_say():
    without = make_stage_set(("up", "shallow", "deep"), ("W", "light", "N3"))
    five = make_stage_set(("W", "N1"), ("W", "N1"), reports=("W", "N1", "N2", "N3", "R"))
    found = {m.name: set(m.reference_classes) - set(reported_classes(m, without.reportable)) for m in BUILT_IN_MAPPINGS}
    assert {name for name, classes in found.items() if classes == {"rem"}} == {
        "rem-apart",
        "wake-light-deep-rem",
        "n1-as-wake",
        "wake-nrem-rem",
    }
    assert found["w-n1-n2-n3-r"] == {"N1", "N2", "R"}
    assert all(reported_classes(m, five.reportable) == m.device_classes for m in BUILT_IN_MAPPINGS)
    # a label of the device's own in a mapping file is a word that the device has, heard this night or not
    own = StageMapping(
        "own", ("up", "dream"), ("up", "dream"), (("W", "up"), ("R", "dream")), (("lively", "up"), ("dreamy", "dream"))
    )
    assert reported_classes(own, ("lively",)) == ("up", "dream")


# --- which file is which -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reference", "device", "finer", "coarser"),
    [
        ("wake light deep rem", "W N1 N3 R", "N1", "light"),
        ("wake light deep", "W N1 N2 N3 R", "N1 and N2", "light"),
        ("wake asleep", "W light deep rem", "light, deep and REM", "sleep"),
        ("wake asleep", "W N1 N2 N3 R", "N1, N2, N3 and REM", "sleep"),
    ],
)
def test_a_device_finer_than_the_reference_may_be_the_reference(reference, device, finer, coarser):
    night = compare(pair(reference + " wake*5", device + " W*5"))
    assert of(night, "The device's file tells finer") == [
        f"The device's file tells finer stages ({finer}) than the reference's ({coarser}): are the two files swapped? "
        "The reference is named first, the device second."
    ]


@pytest.mark.parametrize(
    ("reference", "device"),
    [
        ("W N1 N2 N3 R", "wake light light deep rem"),
        ("W N1 N2 N3 R asleep", "W N1 N2 N3 R R"),
        ("W N1 N2 N3 R", "W N1 N2 N3 R"),
        ("W N2 N3 R", "wake asleep wake-or-sleep wake-or-sleep"),
    ],
)
def test_a_device_as_fine_or_coarser_is_not_asked_about(reference, device):
    assert not of(compare(pair(reference, device)), "The device's file tells finer")


def test_a_declaration_that_contradicts_the_layout_is_told():
    device = side("wake light*3 deep").with_changes(reports=WITHOUT_REM)
    options = {"reports": (*WITHOUT_REM, "REM")}
    night = compare(pair(side("W N2*3 N3"), device, **options))
    assert of(night, "The device's layout says") == [
        "The device's layout says that it can report wake, light and deep; --reports says wake, light, deep and REM, "
        "which was used."
    ]
    for same in (("Deep", "light", "W"), None):
        assert not of(compare(pair(side("W N2*3 N3"), device, reports=same)), "The device's layout")
    # wake that was put in for the device's silence is nobody's declaration
    quiet = side("- light*3 deep -").with_changes(reports=("light", "deep"))
    filled = pair(side("W N2*3 N3 W"), quiet, outside=Outside.WAKE)
    assert not of(compare(filled), "The device's layout")


# --- time that does not count --------------------------------------------------------------------------------


def test_time_that_one_side_did_not_score_is_told_beside_efficiency():
    """60 epochs of wake, 200 of sleep, of which the device misses 50: TST 75 of 130 min, 105 of them scored.

    100 * 75 / 105 = 71.43, 100 * 70 / 105 = 66.67.
    """
    reference, device = "W*60 N2*200", "wake*70 light*100 -*50 light*40"
    night = compare(pair(reference, device, reports=(*WITHOUT_REM, "rem")))
    measures = {p.measure: (p.reference, p.device) for p in night.measures}
    assert measures["TIB"] == (130.0, 130.0)
    assert measures["TST"] == (75.0, 70.0)
    assert measures["SE"] == pytest.approx((100 * 75 / 130, 100 * 70 / 130))
    told = (
        "TST, WASO, SE and the minutes of stages count only the 105.0 min that both sides scored; 25.0 min of the "
        "window are not in them, but are in TIB. Over the scored time alone SE would be 71.4 % (reference) and 66.7 % "
        "(device)."
    )
    assert of(night, "TST, WASO, SE") == [told]
    assert told in " ".join(" ".join(night_lines(night)).split())
    measured = next(s for s in describe_night(night).sections if s.name == "measures")
    assert measured.blocks[-1].text == told


def test_sleep_of_the_reference_before_the_device_begins_is_told():
    night = compare(pair("W*10 N2*130", "-*40 light*99 wake", reports=(*WITHOUT_REM, "rem")))
    assert {p.measure: p.reference for p in night.measures}["SOL"] == 20.0
    assert of(night, "TST, WASO, SE")[0].endswith(
        " Latencies too; by all that a side itself said: SOL of the reference 5.0 min."
    )


def test_the_first_deep_sleep_in_a_gap_of_the_other_side_is_told():
    """The reference's first N3, at 150 min, lies in an hour that the device missed."""
    night = compare(
        pair("N2*300 N3*60 N2*100 N3*40", "light*10 deep*10 light*260 -*120 light*60 deep*40", reports=WITHOUT_REM)
    )
    deep = next(p for p in night.measures if p.measure == "deep latency")
    assert (deep.reference, deep.device) == (230.0, 5.0)
    assert of(night, "TST, WASO, SE")[0].endswith(
        "by all that a side itself said: deep latency of the reference 150.0 min."
    )


def test_a_short_gap_is_told_where_it_moves_a_latency_by_ten_minutes():
    reference = "N2*300 N3*10 N2*1000 N3*40"
    moved = compare(pair(reference, "light*295 -*15 light*1000 deep*40", reports=WITHOUT_REM))
    assert "deep latency of the reference 150.0 min" in of(moved, "TST, WASO, SE")[0]
    harmless = compare(pair(reference, "light*200 -*15 light*1095 deep*40", reports=WITHOUT_REM))
    assert of(harmless, "TST, WASO, SE") == []


@pytest.mark.parametrize(("missing", "scored", "is_told"), [(2, 98, False), (3, 97, True), (20, 1980, False)])
def test_little_time_without_a_score_is_left_to_the_ledger(missing, scored, is_told):
    night = compare(pair(f"W*{missing + scored}", f"wake*{scored - 1} light -*{missing}"))
    assert bool(night.uncounted) is is_told
    assert bool(of(night, "TST, WASO, SE")) is is_told


def test_more_than_ten_minutes_are_told_however_long_the_night():
    assert compare(pair("W*2021", "wake*1999 light -*21")).uncounted


def test_another_night_of_the_file_is_not_taken_for_the_rest_of_the_recording() -> None:
    another = compare(pair("W*10 N2*480", "wake*10 light*480 -*720 light*480"))
    assert not of(another, "The device tells 240 min before and after")
    longer = compare(pair("W*10 N2*480", "wake*10 light*960"))
    assert of(longer, "The device tells 240 min before and after")


# --- epochs with numbers and no clock -------------------------------------------------------------------------


@pytest.mark.parametrize(("first", "declared", "told", "same"), [(1, "", True, 7), (0, "", False, 7), (1, 0, False, 4)])
def test_files_numbered_from_0_and_from_1_are_told(tmp_path, first, declared, told, same):
    # in the last case epoch n of one side meets epoch n of the other: 4 of the 6 have one stage then
    stages = ["W", "W", "N2", "N2", "N2", "R", "R"]
    sides = []
    for name, begins_with in (("reference", 0), ("device", first)):
        path = tmp_path / f"{name}.csv"
        path.write_text("n,stage\n" + "".join(f"{i},{s}\n" for i, s in enumerate(stages, begins_with)))
        base = f"first_epoch = {declared}\n" if declared != "" and name == "device" else ""
        layout = parse_layout(f'epoch_seconds = 30\n[file]\nepoch_number = "n"\n{base}'.encode(), "layout.toml")
        sides.append(read_hypnogram(path, layout=layout))
    night = compare(align(reference=sides[0], device=sides[1]))
    said_so = of(night, "The epochs of the reference are numbered from 0, those of the device from 1")
    assert [" first_epoch = 0." in caution for caution in said_so] == ([True] if told else [])
    table = night.mappings[0].table.counts
    assert int(table.trace()) == same
