"""What the text of a label says, with a layout and without.

Stage names: Iber et al. 2007 (W, N1, N2, N3, R) and Rechtschaffen & Kales 1968 (S1..S4; 3 and 4 form N3); EDF+ texts:
Kemp & Olivan 2003.
"""

from __future__ import annotations

import pytest

from sleepagree.errors import UnknownStageError
from sleepagree.mapping.languages import propose_meanings
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import (
    AASM_STAGES,
    UNSCORED,
    assign_stages,
    canonical_stage,
    is_edf_stage_text,
    is_sleep,
    recognise_label,
)

LAB = make_stage_set(AASM_STAGES, AASM_STAGES)


def reporting(*stages: str) -> StageSet:
    """A side with one label per stage, all of them declared."""
    return make_stage_set(stages, stages, reports=stages)


# --- texts ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("Sleep stage W", "W"),
        ("Sleep stage 1", "N1"),
        ("Sleep stage 2", "N2"),
        ("Sleep stage 3", "N3"),
        ("Sleep stage 4", "N3"),
        ("Sleep stage N1", "N1"),
        ("Sleep stage N2", "N2"),
        ("Sleep stage N3", "N3"),
        ("Sleep stage R", "R"),
        ("Sleep stage N", "nrem"),
        ("Sleep stage ?", UNSCORED),
        ("Movement time", UNSCORED),
        ("sleep  STAGE   w ", "W"),
        ("\tAwake", "W"),
        ("WAKE", "W"),
        ("s4", "N3"),
        ("S1", "N1"),
        ("rem", "R"),
        ("Light sleep", "light"),
        ("DEEP", "N3"),
        ("asleep", "sleep"),
        ("Wake-or-sleep", "wake-or-sleep"),
        ("?", UNSCORED),
        ("Unknown", UNSCORED),
        ("off-body", UNSCORED),
    ],
)
def test_plain_texts(text, stage):
    assert recognise_label(text) == stage


@pytest.mark.parametrize(
    "text", ["", "0", "1", "2", "5", "Sleep stage 5", "Sleep stage", "N4", "Stage", "REM?", "lights"]
)
def test_texts_that_are_not_plain(text):
    assert recognise_label(text) is None


def test_edf_texts_are_told_from_other_annotations():
    assert is_edf_stage_text(" sleep STAGE r")
    assert is_edf_stage_text("Movement time")
    assert not is_edf_stage_text("wake")
    assert not is_edf_stage_text("Lights off")


@pytest.mark.parametrize(
    ("word", "stage"),
    [("wake", "W"), ("Awake", "W"), ("w", "W"), ("deep", "N3"), ("REM", "R"), ("asleep", "sleep"), (" n1 ", "N1")],
)
def test_words_of_layouts_and_options(word, stage):
    assert canonical_stage(word) == stage


def test_what_is_sleep_and_what_does_not_tell():
    assert [is_sleep(s) for s in ("W", "N1", "R", "light", "sleep", "light-or-rem")] == [False] + [True] * 5
    assert is_sleep("wake-or-sleep") is None
    assert is_sleep("a word of one's own") is None


def test_digits_are_stages_only_where_the_file_says_so():
    assert assign_stages(("1", "2", "3", "4"), rechtschaffen_kales="column 'R&K'") == ("N1", "N2", "N3", "N3")
    with pytest.raises(UnknownStageError):
        assign_stages(("1", "2"))


def test_the_layout_goes_before_the_plain_names_whatever_the_case():
    assert assign_stages(("Deep", "light", "x"), table={"deep": "light", "light": "rem", "X": "unscored"}) == (
        "light",
        "R",
        UNSCORED,
    )


def test_words_that_a_mapping_explains_are_stages_of_their_own():
    assert assign_stages(("doze", "wake"), own_words={"doze"}) == ("doze", "W")
    assert assign_stages(("a",), table={"a": "doze"}, own_words={"doze"}) == ("doze",)


def test_one_unknown_label_is_told_with_its_rows_and_the_line_to_add():
    with pytest.raises(UnknownStageError) as refusal:
        assign_stages(("W", "N5"), counts={"N5": "rows 12, 13, 14 and 20 more"}, path="night.csv")
    assert str(refusal.value) == (
        "night.csv: rows 12, 13, 14 and 20 more: unknown stage label. Found 'N5' (rows 12, 13, 14 and 20 more); "
        "expected a plain stage name, or a line for it in the layout. Give a layout (layout='FILE.toml') with\n"
        "    [stages]\n"
        '    "N5" = "..."\n'
        "  and for each one of wake, light, deep, rem, sleep, nrem, W, N1, N2, N3, R, unscored, not-a-stage."
    )


def test_an_error_carries_every_label_however_many_the_message_shows():
    labels = tuple(f"x{i}" for i in range(300))
    with pytest.raises(UnknownStageError) as refusal:
        assign_stages(("W", *labels[:150], "N2", *labels[150:]))
    assert refusal.value.labels == labels
    with pytest.raises(UnknownStageError) as refusal:
        assign_stages(("a",), table={"a": "no stage"})
    # a word of the layout is at fault, not a label of the file
    assert refusal.value.labels == ()


def test_hostile_labels_are_shown_so_that_they_can_be_pasted():
    import tomllib

    labels = ('q"uote', "back\\slash", "esc\x1b[2J", "turn\u202eed")
    with pytest.raises(UnknownStageError) as refusal:
        assign_stages(labels)
    text = str(refusal.value)
    assert "\x1b" not in text
    assert "\u202e" not in text
    lines = [line for line in text.splitlines() if line.endswith('= "..."')]
    assert list(tomllib.loads("\n".join(lines))) == sorted(labels)


def test_a_layout_that_maps_to_no_stage_is_refused():
    with pytest.raises(UnknownStageError) as refusal:
        assign_stages(("a",), table={"a": "lite"}, path="band.csv")
    assert str(refusal.value).startswith(
        "band.csv: [stages]: the layout maps label 'a' to a word that is no stage. Found lite; expected one of wake, "
    )


# --- what a side can say -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "word"),
    [
        ("sleeps lightly", "light"),
        ("dorme profondamente", "deep"),
        ("sover djupt", "deep"),
        ("vaknade", "wake"),
        ("álomfázis", "rem"),
        ("duerme ligeramente", "light"),
        ("фаза глубокого сна", "deep"),
        ("швидкий сон", "rem"),
        ("heräsi", "wake"),
        ("schläft tief", "deep"),
    ],
)
def test_verbs_and_words_for_phases_are_proposed(label: str, word: str) -> None:
    assert propose_meanings([label])[label].word == word
    assert recognise_label(label) is None  # readers take none of them without being told
