"""Which mappings fit two sides, and what a mapping says about their labels."""

from __future__ import annotations

import itertools

import pytest

from sleepagree.errors import MappingError
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS, StageMapping, default_mapping, fitting_mappings, mapping_named
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import AASM_STAGES, COVERAGE, LEAVE_OUT, UNSCORED

LAB = make_stage_set(AASM_STAGES, AASM_STAGES)


def reporting(*stages: str) -> StageSet:
    """A side with one label per stage, all of them declared."""
    return make_stage_set(stages, stages, reports=stages)


# --- mappings ------------------------------------------------------------------------------------------------

FITTING = {
    ("W", "N1", "N2", "N3", "R"): ("w-n1-n2-n3-r", "wake-light-deep-rem", "n1-as-wake", "wake-nrem-rem", "wake-sleep"),
    ("W", "light", "N3", "R"): ("wake-light-deep-rem", "n1-as-wake", "wake-nrem-rem", "wake-sleep"),
    ("W", "light", "N3"): ("rem-apart", "rem-left-out", "rem-as-light", "rem-as-deep", "rem-as-wake", "wake-sleep"),
    ("W", "N1", "N2", "N3"): ("rem-apart", "rem-left-out", "rem-as-light", "rem-as-deep", "rem-as-wake", "wake-sleep"),
    # "light or REM" in one word: only the rule that takes REM as light has room for it
    ("W", "light-or-rem", "N3"): ("rem-as-light", "wake-sleep"),
    # a definite label that a mapping would drop means that the mapping is not made for the device
    ("W", "light", "N3", "R", "light-or-rem"): ("wake-sleep",),
    ("W", "nrem", "R"): ("wake-nrem-rem", "wake-sleep"),
    ("W", "light", "R"): ("wake-nrem-rem", "wake-sleep"),
    ("W", "nrem"): ("wake-sleep",),
    ("W", "sleep"): ("wake-sleep",),
    ("W", "wake-or-sleep", "sleep"): ("wake-sleep", "either-as-wake", "either-as-sleep"),
    # asleep of unknown stage beside stages: left out where stages count
    ("W", "light", "N3", "R", "sleep"): ("wake-light-deep-rem", "n1-as-wake", "wake-nrem-rem", "wake-sleep"),
}


@pytest.mark.parametrize(("reports", "names"), FITTING.items(), ids=["/".join(r) for r in FITTING])
def test_which_mappings_fit_and_the_finest_is_the_default(reports, names):
    device = reporting(*reports)
    assert tuple(m.name for m in fitting_mappings(LAB, device)) == names
    assert default_mapping(LAB, device).name == names[0]


def test_a_night_without_deep_sleep_or_rem_is_still_scored_at_five_stages():
    lab = make_stage_set(("W", "N1", "N2"), ("W", "N1", "N2"))
    assert default_mapping(lab, reporting("W", "light", "N3", "R")).name == "wake-light-deep-rem"
    assert default_mapping(lab, reporting("W", "light", "N3")).name == "rem-apart"
    awake = make_stage_set(("W", "?"), ("W", UNSCORED))
    assert default_mapping(awake, reporting("W", "light", "N3", "R")).name == "wake-light-deep-rem"


def test_a_reference_of_four_classes_has_no_five_stage_mapping():
    four = reporting("W", "light", "N3", "R")
    assert default_mapping(four, LAB).name == "wake-light-deep-rem"
    assert [m.name for m in fitting_mappings(reporting("W", "sleep"), LAB)] == ["wake-sleep"]


def test_nothing_fits_a_device_that_never_says_wake():
    with pytest.raises(MappingError) as refusal:
        default_mapping(LAB, reporting("light", "N3"))
    assert str(refusal.value) == (
        "no built-in mapping fits the two label sets. Found the reference can say W, N1, N2, N3, R; the device light, "
        "N3; expected at least wake and some sleep on both sides. If the device writes only sleep, and nothing where "
        'it sees wake, say so in its layout ([file], silence = "wake") and give '
        "outside='wake' for the time before and "
        "after. Declare what the device can report (reports=['wake', 'light', 'deep']), or give a mapping of your own "
        "(mappings=['FILE.toml'])."
    )


def test_no_built_in_mapping_guesses():
    """A stage goes into a class only if everything it may stand for does; said otherwise for three of them only."""
    said_otherwise = {
        ("n1-as-wake", "light"),
        ("either-as-wake", "wake-or-sleep"),
        ("either-as-sleep", "wake-or-sleep"),
    }
    for mapping in BUILT_IN_MAPPINGS:
        for table, side in ((dict(mapping.reference), "reference"), (dict(mapping.device), "device")):
            assert set(table) == set(COVERAGE)
            rows = dict(mapping.reference)
            for stage, covered in COVERAGE.items():
                goals = {rows[s] for s in covered}
                whole = goals.pop() if len(goals) == 1 else LEAVE_OUT
                if side == "device" and whole not in mapping.device_classes:
                    whole = LEAVE_OUT
                if side == "device" and (mapping.name, stage) in said_otherwise:
                    assert table[stage] != whole
                else:
                    assert table[stage] == whole, (mapping.name, side, stage)


def test_built_in_names_are_distinct_and_found():
    names = [m.name for m in BUILT_IN_MAPPINGS]
    assert len(set(names)) == len(names)
    assert all(mapping_named(m.name) is m and m.assumption.endswith(".") for m in BUILT_IN_MAPPINGS)
    with pytest.raises(MappingError) as refusal:
        mapping_named("wake-asleep")
    assert str(refusal.value).startswith(
        "mappings: no built-in mapping has this name. Found wake-asleep; expected one of w-n1-n2-n3-r, "
    )


def test_only_rem_apart_is_a_rectangle():
    assert [m.name for m in BUILT_IN_MAPPINGS if not m.is_square] == ["rem-apart"]
    assert mapping_named("rem-apart").device_index == (0, 1, 2)


def test_every_coarser_mapping_is_a_sum_of_a_finer_one():
    """Two stages that one mapping merges stay merged in the next: w-n1.. > w-l-d-r > wake-nrem-rem > wake-sleep."""
    chain = [dict(mapping_named(n).reference) for n in FITTING[AASM_STAGES] if n != "n1-as-wake"]
    for finer, coarser in itertools.pairwise(chain):
        for a, b in itertools.combinations(AASM_STAGES, 2):
            assert finer[a] != finer[b] or coarser[a] == coarser[b]


def test_a_label_that_a_mapping_says_nothing_about_is_told_with_the_lines_to_paste():
    mapping = StageMapping(
        "mine",
        ("wake", "sleep"),
        ("wake", "sleep"),
        (("W", "wake"), ("N2", "sleep")),
        (("W", "wake"), ("light", "sleep")),
        from_file="mine.toml",
    )
    with pytest.raises(MappingError) as refusal:
        mapping.reference_codes(LAB)
    assert str(refusal.value) == (
        "mine.toml: [reference]: mapping 'mine' says nothing about 3 of the reference's labels. Found 'N1', 'N3', 'R'; "
        "expected a class (wake, sleep) or leave-out for every label. Add to the mapping file\n"
        "    [reference]\n"
        '    "N1" = "..."\n'
        '    "N3" = "..."\n'
        '    "R" = "..."'
    )


def test_a_word_that_only_another_mapping_explains_wants_a_layout():
    with pytest.raises(MappingError) as refusal:
        mapping_named("wake-sleep").device_codes(make_stage_set(("W", "doze"), ("W", "doze")))
    assert str(refusal.value) == (
        "[device]: mapping 'wake-sleep' says nothing about 1 of the device's labels. Found 'doze'; expected a class "
        "(wake, sleep) or leave-out for every label. Say in a layout which stages they are\n"
        "    [stages]\n"
        '    "doze" = "..."'
    )


def test_an_unscored_label_needs_no_line():
    sides = make_stage_set(("W", "?", "N2"), ("W", UNSCORED, "N2"))
    assert mapping_named("wake-sleep").reference_codes(sides) == (0, -1, 1)


def test_a_native_label_goes_before_its_stage():
    mapping = StageMapping(
        "s4 apart",
        ("wake", "s3", "s4"),
        ("wake", "s3", "s4"),
        (("W", "wake"), ("N3", "s3"), ("S4", "s4")),
        (("W", "wake"), ("N3", "s3"), ("S4", "s4")),
    )
    assert mapping.reference_codes(make_stage_set(("W", "S3", "S4"), ("W", "N3", "N3"))) == (0, 1, 2)


def test_a_mapping_needs_two_classes_on_both_sides():
    with pytest.raises(MappingError, match=r"needs at least two classes on both sides\. Found wake; expected two"):
        StageMapping("m", ("wake", "sleep"), ("wake",), (("W", "wake"),), (("W", "wake"),))
    with pytest.raises(MappingError, match=r"that no reference label is taken into\. Found doze"):
        StageMapping("m", ("wake", "sleep"), ("wake", "doze"), (), ())


def test_a_mapping_for_devices_without_rem_is_refused_for_one_that_reports_it():
    from sleepagree import StudyOptions, align, compare, summarise_study
    from sleepagree.mapping.mapping import mapping_named

    scorer, device = ["W", "N1", "N2", "N3", "R"] * 20, ["wake", "light", "light", "deep", "rem"] * 20
    paired = align(reference=scorer, device=device)
    with pytest.raises(MappingError, match="compares REM and leaves out what the device calls so"):
        compare(paired, mappings="rem-apart")
    without = align(reference=scorer, device=[label if label != "rem" else "deep" for label in device])
    assert compare(without, mappings="rem-apart").unreported == ("rem",)
    nights = [(f"crew-{i}", "1", "pad B", compare(paired)) for i in range(3)]
    with pytest.raises(MappingError, match="Found rem-apart"):
        summarise_study(nights, StudyOptions(mappings=(mapping_named("rem-apart"),)))


# --- what a file and Python are refused alike -------------------------------------------------------------------

ROWS = {"W": "wake", "N1": "sleep", "N2": "sleep", "N3": "sleep", "R": "sleep"}
COLUMNS = {"wake": "wake", "light": "sleep", "deep": "sleep"}


def own(**changes: object) -> StageMapping:
    """A mapping of one's own, with something wrong."""
    two = ("wake", "sleep")
    given = {"name": "own", "reference_classes": two, "device_classes": two, "reference": ROWS, "device": COLUMNS}
    return StageMapping(**(given | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"reference": ROWS | {"awake": "sleep"}}, "reference: one stage is assigned twice.* Found 'W' and 'awake'"),
        ({"device": COLUMNS | {"N3": "wake"}}, "device: one stage is assigned twice.* Found 'deep' and 'N3'"),
        ({"device": [*COLUMNS.items(), ("deep", "wake")]}, "device: one stage is .* Found 'deep' and 'deep'"),
        ({"device": [*COLUMNS.items(), ("Up", "wake"), ("Up", "sleep")]}, "device: one .* Found 'Up' and 'Up'"),
        ({"device_labels": [("light", "wake")]}, "device: one stage is assigned twice.* Found 'light' and 'light'"),
        ({"reference_classes": ("wake", "sleep", "ghost")}, "reference: no reference label is taken .* Found ghost"),
        (
            {"reference": ROWS | {"R": "rem"}}
            | dict.fromkeys(("reference_classes", "device_classes"), ("wake", "sleep", "rem")),
            "device: no device label is taken into a declared class. Found rem",
        ),
        ({"reference_classes": ("wake", "sleep", "sleep")}, "classes: a class stands twice"),
        ({"device_classes": ("wake", "sleep", "sleep")}, "classes: a class stands twice"),
        ({"device_classes": ("wake", "leave-out")}, "classes: a class stands twice, or is called leave-out"),
        ({"reference_classes": ("wake", "")}, "classes: the name of a class must be a printable text. Found ''"),
    ],
)
def test_a_mapping_made_in_python_is_checked_as_one_in_a_file(changes, message):
    with pytest.raises(MappingError, match=f"^mapping 'own', {message}"):
        own(**changes)
    assert own().device_codes(reporting("W", "light", "N3")) == (0, 1, 1)


@pytest.mark.parametrize("name", [None, 3, "", "a\nb"])
def test_a_mapping_has_a_name_that_can_be_shown(name):
    with pytest.raises(MappingError, match=r"^name: the name must be a printable text\. Found "):
        own(name=name)
