"""When the device tells that sleep, wake, REM and deep sleep begin and end: short nights worked by hand."""

import math

import numpy as np
import pytest
from worked import pair, side

from sleepagree.hypnogram.align import align
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS, StageMapping, mapping_named
from sleepagree.night.compare import compare
from sleepagree.scoring.following import shifts_of_night
from sleepagree.study.night_summary import read_shifts, summarise_night
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study

WORDS = {"W": "wake", "L": "light", "D": "deep", "R": "rem"}


def told(reference, device):
    """Return the shifts of a night by state; letters are epochs, an L of the reference is N2."""
    lab = [("N2" if letter == "L" else WORDS[letter]) for letter in reference]
    paired = align(reference=lab, device=[WORDS[letter] for letter in device])
    return {shifts.state: shifts for shifts in shifts_of_night(paired, None)}


def figures(moments):
    return moments.moments, moments.followed, moments.already, moments.missed, moments.median_min


def test_beginnings_and_ends_of_states_are_told_apart():
    # sleep begins at 2 (device at 1: early) and at 10 (the device sleeps through the wake at 9: no moment)
    # sleep ends at 9 (device sleeps on through it); its end with the recording is no end that anybody saw
    # wake begins at 9 (never said: missed); it ends at 2 (device at 1) and at 10 (missed)
    # REM begins at 12 (device at 13: late); deep begins at 5 (device at 4) and ends at 9 (device at 8)
    found = told("WWLLLDDDDWLLRRRR", "WLLLDDDDLLLLLRRW")
    assert list(found) == ["sleep", "wake", "rem", "deep"]
    assert figures(found["sleep"].starts) == (2, 1, 1, 0, -0.5)
    assert figures(found["sleep"].ends)[:4] == (1, 0, 1, 0)
    assert figures(found["wake"].starts)[:4] == (1, 0, 0, 1)
    assert figures(found["wake"].ends) == (2, 1, 0, 1, -0.5)
    assert figures(found["rem"].starts) == (1, 1, 0, 0, 0.5)
    assert figures(found["rem"].ends)[:4] == (0, 0, 0, 0)
    assert figures(found["deep"].starts) == figures(found["deep"].ends) == (1, 1, 0, 0, -0.5)
    assert math.isnan(found["wake"].starts.median_min)


def test_quartiles_of_the_moments_told():
    #            deep begins at +0, +1, +2 and +4 epochs; it always ends with the reference
    reference = "LDDDDDLLDDDDDLLDDDDDLLDDDDDL"
    device___ = "LDDDDDLLLDDDDLLLLDDDLLLLLLDL"
    deep = told(reference, device___)["deep"]
    assert (deep.starts.low_quartile_min, deep.starts.median_min, deep.starts.high_quartile_min) == (0.375, 0.75, 1.25)
    assert (deep.ends.low_quartile_min, deep.ends.median_min, deep.ends.high_quartile_min) == (0.0, 0.0, 0.0)


def test_a_shifted_night_begins_and_ends_late_alike():
    night = "".join(np.repeat(list("LDLRLWL"), [20, 30, 20, 30, 20, 10, 20]))
    late = told(night[4:], night[:-4])
    assert list(late) == ["sleep", "wake", "rem", "deep"]
    for shifts in late.values():
        assert shifts.starts.median_min == shifts.ends.median_min == 2.0


def test_a_state_without_a_label_has_no_moments():
    night = "WLLRRRLLDDL"
    assert list(told(night, night.replace("R", "L"))) == ["sleep", "wake", "deep"]


# W at the ends and in the middle, N1 on the way into sleep: sleep begins at 2, 8 and 15, and ends at 7 and 14
LAB = "W*2 N1 N2*3 N1 W N1 N2*2 N3*2 R W N1 N2*2"
BAND = "wake*2 light*5 wake light*3 deep*2 rem wake light*3"
SLEEP = [(3, 3, 0, 0, 0.0), (2, 2, 0, 0, 0.0)]


@pytest.mark.parametrize(
    "mapping",
    [m for m in BUILT_IN_MAPPINGS if m.name in ("n1-as-wake", "wake-sleep")]
    + [
        StageMapping(
            "merged",
            ("wake+rem", "nrem"),
            ("wake+rem", "nrem"),
            {"W": "wake+rem", "R": "wake+rem", "N1": "nrem", "N2": "nrem", "N3": "nrem"},
            {"W": "wake+rem", "R": "wake+rem", "light": "nrem", "N3": "nrem"},
            "None.",
        )
    ],
    ids=lambda m: m.name,
)
def test_no_mapping_changes_when_sleep_begins_and_a_study_says_the_same(mapping):
    paired = pair(LAB, BAND)
    default, mapped = compare(paired), compare(paired, mappings=mapping)
    assert mapped.disagreement.shifts == default.disagreement.shifts
    sleep, wake, *_ = mapped.disagreement.shifts
    assert [figures(sleep.starts), figures(sleep.ends)] == SLEEP
    assert [figures(wake.ends), figures(wake.starts)] == SLEEP  # the first and the last bout of wake end at the ends
    (study,) = summarise_study(
        [("crew-1", "1", "band A", paired)], StudyOptions(mappings=(mapping,), resamples=0)
    ).devices
    of_study = {(s.state, s.edge): (s.moments, s.told, s.missed, s.median_min) for s in study.shifts}
    for state in mapped.disagreement.shifts:
        for edge, part in (("begins", state.starts), ("ends", state.ends)):
            if part.moments:
                figured = part.moments, part.followed, part.missed, part.median_min
                assert of_study[state.state, edge] == figured


def own_words(reference, device):
    """Return a mapping of words that no stage has: Up, Low and Deep of the device."""
    names = tuple(dict.fromkeys(reference.values()))
    return StageMapping("own", names, tuple(n for n in names if n in device.values()), reference, device, "None.")


def read_own(text, mapping):
    return side(text, own_words=[word for word, _ in (*mapping.reference_labels, *mapping.device_labels)])


STAGED = "W*2 N2*3 N3*2 R*2 W N2*2"
OWN = "Up*3 Low*3 Deep*2 Low*1 Up*1 Low*2"


def test_own_words_are_what_their_class_holds():
    # sleep begins at 2 (the device at 3) and at 10 (on the spot), ends at 9 (on the spot); deep begins and ends late
    mapping = own_words(
        {"W": "up", "N1": "low", "N2": "low", "R": "low", "N3": "deep"}, {"Up": "up", "Low": "low", "Deep": "deep"}
    )
    found = {s.state: s for s in shifts_of_night(pair(STAGED, read_own(OWN, mapping)), mapping)}
    assert list(found) == ["sleep", "wake", "deep"]  # Low may be REM, and no word of the device says REM
    assert figures(found["sleep"].starts) == (2, 2, 0, 0, 0.25)
    assert figures(found["sleep"].ends) == (1, 1, 0, 0, 0.0)
    assert figures(found["wake"].ends) == (2, 2, 0, 0, 0.25)
    assert figures(found["deep"].starts) == figures(found["deep"].ends) == (1, 1, 0, 0, 0.5)


def test_what_a_class_of_several_states_does_not_tell_is_left_out():
    # Low may be wake; Deep is deep by its class, which alone holds N3
    mapping = own_words(
        {"W": "not deep", "N1": "not deep", "N2": "not deep", "R": "not deep", "N3": "deep"},
        {"Up": "not deep", "Low": "not deep", "Deep": "deep"},
    )
    found = shifts_of_night(pair(STAGED, read_own(OWN, mapping)), mapping)
    assert [(s.state, figures(s.starts)) for s in found] == [("deep", (1, 1, 0, 0, 0.5))]
    # without a stage on either side the class of the same name tells, and that no other class holds it
    both = own_words({"Wach": "not deep", "Tief": "deep"}, {"Up": "not deep", "Low": "not deep", "Deep": "deep"})
    lab = read_own("Wach*5 Tief*2 Wach*5", both)
    assert shifts_of_night(align(reference=lab, device=read_own(OWN, both)), both) == found


def test_an_epoch_whose_word_is_in_no_class_is_a_gap():
    # sleep begins at 2 where nothing is known of the device, and at 10
    mapping = own_words(
        {"W": "up", "N1": "low", "N2": "low", "R": "low", "N3": "deep"},
        {"Up": "up", "Low": "low", "Deep": "deep", "Hm": "leave-out"},
    )
    device = read_own("Up Hm*2 Low*2 Deep*2 Low*2 Up Low*2", mapping)
    sleep, *_ = shifts_of_night(pair(STAGED, device), mapping)
    assert figures(sleep.starts) == (1, 1, 0, 0, 0.0)


def test_wake_or_sleep_is_what_the_mapping_takes_it_for():
    paired = pair("W*3 N2*3 W*2 N2*2", "wake-or-sleep*4 sleep*2 wake-or-sleep*2 sleep*2")
    as_wake = shifts_of_night(paired, mapping_named("either-as-wake"))
    assert [(s.state, figures(s.starts)) for s in as_wake] == [
        ("sleep", (2, 2, 0, 0, 0.25)),
        ("wake", (1, 1, 0, 0, 0.0)),
    ]
    # without one no word of the device says wake, and gaps hide when sleep begins
    assert [(s.state, s.starts.moments) for s in shifts_of_night(paired, None)] == [("sleep", 0)]
    night = summarise_night(paired, participant="crew-1", night="1", device="band A")  # its default takes it for wake
    assert read_shifts([night])[0, 0].tolist() == [[2, 2, 0, 0.25], [1, 1, 0, 0.0]]
