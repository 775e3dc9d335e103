"""One night: counts of every mapping by hand, published-style tables through the mappings, cautions by hand.

The tables of 600 and 900 epochs were constructed; their figures were recomputed with scikit-learn and statsmodels
(recomputed).
"""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from sleepagree.errors import MappingError
from sleepagree.hypnogram.spans import Origin
from sleepagree.inference.table_sums import fold_counts
from sleepagree.mapping.mapping import StageMapping, fitting_mappings, mapping_named
from sleepagree.mapping.words import AASM_STAGES
from sleepagree.night.compare import compare
from tests.said import said
from tests.worked import pair, side

# --- a night of 12 epochs, worked by hand --------------------------------------------------------------------

REFERENCE = "W N1 N1 N2 N2 N3 N3 R R R W N2"
FIVE = "     W W N1 N2 N3 N3 N2 R N2 R W N1"
FOUR = "     wake wake light light deep deep light rem light rem wake light"
NO_REM = "   wake wake light light deep deep light deep light deep wake light"
EITHER = " wake wake-or-sleep asleep asleep asleep asleep asleep asleep wake-or-sleep asleep wake-or-sleep asleep"
MERGED = "   wake wake x x deep deep x deep x x wake x"
UNKNOWN = "  wake wake light asleep deep deep light rem light rem wake light"

#: device, mapping -> counts (rows reference), epochs left out, kappa as a fraction (None: no kappa).
WORKED = {
    (FIVE, "w-n1-n2-n3-r"): (
        [[2, 0, 0, 0, 0], [1, 1, 0, 0, 0], [0, 1, 1, 1, 0], [0, 0, 1, 1, 0], [0, 0, 1, 0, 2]],
        0,
        55 / 115,  # po 7/12, pe 29/144
    ),
    (FIVE, "wake-light-deep-rem"): ([[2, 0, 0, 0], [1, 3, 1, 0], [0, 1, 1, 0], [0, 1, 0, 2]], 0, 55 / 103),
    (FIVE, "n1-as-wake"): ([[4, 0, 0, 0], [1, 1, 1, 0], [0, 1, 1, 0], [0, 1, 0, 2]], 0, (96 - 39) / (144 - 39)),
    (FIVE, "wake-nrem-rem"): ([[2, 0, 0], [1, 6, 0], [0, 1, 2]], 0, 59 / 83),  # po 10/12, pe 61/144
    (FIVE, "wake-sleep"): ([[2, 0], [1, 9]], 0, 0.75),  # po 11/12, pe 96/144
    (FOUR, "wake-light-deep-rem"): ([[2, 0, 0, 0], [1, 3, 1, 0], [0, 1, 1, 0], [0, 1, 0, 2]], 0, 55 / 103),
    # the device takes N1 for wake; its light is N2
    (FOUR, "n1-as-wake"): ([[3, 1, 0, 0], [0, 2, 1, 0], [0, 1, 1, 0], [0, 1, 0, 2]], 0, (96 - 37) / (144 - 37)),
    (FOUR, "wake-nrem-rem"): ([[2, 0, 0], [1, 6, 0], [0, 1, 2]], 0, 59 / 83),
    (FOUR, "wake-sleep"): ([[2, 0], [1, 9]], 0, 0.75),
    (NO_REM, "rem-apart"): ([[2, 0, 0], [1, 3, 1], [0, 1, 1], [0, 1, 2]], 0, None),
    (NO_REM, "rem-left-out"): ([[2, 0, 0], [1, 3, 1], [0, 1, 1]], 3, 24 / 51),  # po 6/9, pe 30/81
    (NO_REM, "rem-as-light"): ([[2, 0, 0], [1, 4, 3], [0, 1, 1]], 0, 30 / 90),  # po 7/12, pe 54/144
    (NO_REM, "rem-as-deep"): ([[2, 0, 0], [1, 3, 1], [0, 2, 3]], 0, 45 / 93),  # po 8/12, pe 51/144
    (NO_REM, "rem-as-wake"): ([[2, 1, 2], [1, 3, 1], [0, 1, 1]], 0, 24 / 96),  # po 6/12, pe 48/144
    (NO_REM, "wake-sleep"): ([[2, 0], [1, 9]], 0, 0.75),
    (EITHER, "wake-sleep"): ([[1, 0], [0, 8]], 3, 1.0),
    (EITHER, "either-as-wake"): ([[2, 0], [2, 8]], 0, (120 - 88) / (144 - 88)),
    (EITHER, "either-as-sleep"): ([[1, 1], [0, 10]], 0, (132 - 112) / (144 - 112)),
    (MERGED, "rem-as-light"): ([[2, 0, 0], [1, 5, 2], [0, 1, 1]], 0, (96 - 60) / (144 - 60)),
    (MERGED, "wake-sleep"): ([[2, 0], [1, 9]], 0, 0.75),
    # asleep of unknown stage counts where only sleep is asked for and is left out where stages are
    (UNKNOWN, "wake-light-deep-rem"): (
        [[2, 0, 0, 0], [1, 2, 1, 0], [0, 1, 1, 0], [0, 1, 0, 2]],
        1,
        (77 - 32) / (121 - 32),
    ),
    (UNKNOWN, "n1-as-wake"): ([[3, 1, 0, 0], [0, 1, 1, 0], [0, 1, 1, 0], [0, 1, 0, 2]], 1, (77 - 30) / (121 - 30)),
    (UNKNOWN, "wake-nrem-rem"): ([[2, 0, 0], [1, 5, 0], [0, 1, 2]], 1, (99 - 48) / (121 - 48)),
    (UNKNOWN, "wake-sleep"): ([[2, 0], [1, 9]], 0, 0.75),
}


def twelve(device: str):
    stages = {"x": "light-or-rem"} if device is MERGED else None
    return pair(REFERENCE, side(device, stages=stages))


@pytest.mark.parametrize(("device", "name"), WORKED, ids=[f"{name}-{i}" for i, (_, name) in enumerate(WORKED)])
def test_counts_of_every_mapping_by_hand(device, name):
    counts, left_out, kappa = WORKED[device, name]
    scored = compare(twelve(device), mappings=[mapping_named(name)]).mappings[0]
    assert scored.counts.tolist() == counts
    assert (scored.left_out, scored.table.n) == (left_out, 12 - left_out)
    trace = sum(counts[i][i] for i in range(len(counts[0])))
    assert scored.table.accuracy == pytest.approx(trace / (12 - left_out), abs=1e-15)
    if kappa is None:
        assert math.isnan(scored.table.kappa.value)
        assert scored.table.kappa.undefined_because == "the device has no class for REM"
    else:
        assert scored.table.kappa.value == pytest.approx(kappa, abs=1e-15)


@pytest.mark.parametrize("device", [FIVE, FOUR, NO_REM, EITHER, MERGED, UNKNOWN])
def test_the_worked_mappings_are_all_that_fit(device):
    paired = twelve(device)
    fitting = [m.name for m in fitting_mappings(paired.reference_set, paired.device_set)]
    assert fitting == [name for text, name in WORKED if text is device]


def test_the_first_mapping_names_classes_and_the_default_is_the_finest():
    night = compare(twelve(NO_REM))
    assert [m.mapping.name for m in night.mappings] == ["rem-apart"]
    assert [m.mapping.name for m in night.others] == ["rem-left-out", "wake-sleep"]
    assert [s.name for s in night.bias_sources] == ["wake", "light", "deep"]
    asked = compare(twelve(NO_REM), mappings=[mapping_named("wake-sleep"), mapping_named("rem-apart")])
    assert asked.others == ()
    assert [s.name for s in asked.bias_sources] == ["wake", "sleep"]
    assert [d.name for d in asked.redistribution[0].to] == ["wake", "sleep"]


# --- tables of statistics through the mappings ---------------------------------------------------------------


def night_of_counts(table, rows, columns, **device):
    """Return a pair whose native table this is, cell after cell."""
    reference, said = [], []
    for row, counts in zip(rows, table, strict=True):
        for column, n in zip(columns, counts, strict=True):
            reference += [row] * n
            said += [column] * n
    return pair(" ".join(reference), side(" ".join(said), **device))


T = [[50, 20, 10], [30, 300, 40], [5, 45, 100]]
U = [[50, 30, 0], [30, 340, 0], [5, 145, 0]]
COLUMNS = ("sensitivity", "specificity", "ppv", "npv", "f1", "kappa")
PER_CLASS = {
    "T": {
        "wake": (0.625, 0.932692, 0.588235, 0.941748, 0.606061, 0.543326),
        "nrem": (0.810811, 0.717391, 0.821918, 0.702128, 0.816327, 0.526039),
        "rem": (0.666667, 0.888889, 0.666667, 0.888889, 0.666667, 0.555556),
    },
    "U": {
        "wake": (0.625, 0.932692, 0.588235, 0.941748, 0.606061, 0.543326),
        "nrem": (0.918919, 0.239130, 0.660194, 0.647059, 0.768362, None),
        "rem": (0.0, 1.0, math.nan, 0.75, 0.0, 0.0),
    },
}
OVERALL = {"T": (0.75, 0.539995, 0.540078, 0.700826), "U": (0.65, 0.225330, 0.281074, 0.514640)}


@pytest.mark.parametrize(("name", "counts"), [("T", T), ("U", U)])
def test_per_class_tables(name, counts):
    paired = night_of_counts(counts, ("W", "N2", "R"), ("wake", "nrem", "rem"), reports=("wake", "nrem", "rem"))
    scored = compare(paired).mappings[0]
    assert scored.mapping.name == "wake-nrem-rem"
    assert scored.counts.tolist() == counts
    table = scored.table
    found = (table.accuracy, table.kappa.value, table.mcc, table.balanced_accuracy)
    assert found == pytest.approx(OVERALL[name], abs=5e-7)
    for agreement in table.classes:
        for field, expected in zip(COLUMNS, PER_CLASS[name][agreement.name], strict=True):
            if expected is not None:
                assert getattr(agreement, field) == pytest.approx(expected, abs=5e-7, nan_ok=True), (agreement, field)


def test_where_rem_went_of_a_device_that_never_says_it():
    paired = night_of_counts(U, ("W", "N2", "R"), ("wake", "nrem", "-"), reports=("wake", "nrem"))
    traced = {r.stage: r for r in compare(paired).redistribution}["R"]
    shares = {d.name: (d.epochs, d.share) for d in traced.to}
    assert shares["wake"] == (5, pytest.approx(5 / 150))
    assert shares["sleep"] == (145, pytest.approx(145 / 150))


FIVE_STAGES = [[80, 8, 10, 0, 2], [15, 10, 20, 0, 5], [10, 12, 330, 25, 23], [0, 0, 40, 110, 0], [3, 5, 32, 0, 160]]
#: mapping -> table, observed agreement, kappa, its standard error, MCC.
FOLDED = {
    "w-n1-n2-n3-r": (FIVE_STAGES, 0.766667, 0.666314, 0.020067, 0.667371),
    "wake-light-deep-rem": (
        [[80, 18, 0, 2], [25, 372, 25, 28], [0, 40, 110, 0], [3, 37, 0, 160]],
        0.802222,
        0.698191,
        0.020631,
        0.698663,
    ),
    "wake-nrem-rem": ([[80, 18, 2], [25, 547, 28], [3, 37, 160]], 0.874444, 0.745750, 0.022329, 0.745907),
    "wake-sleep": ([[80, 20], [28, 772]], 0.946667, 0.739130, 0.035835, 0.739830),
}


def test_stage_folding():
    paired = night_of_counts(FIVE_STAGES, AASM_STAGES, AASM_STAGES)
    night = compare(paired, mappings=[mapping_named(name) for name in FOLDED])
    for scored, (counts, accuracy, kappa, se, mcc) in zip(night.mappings, FOLDED.values(), strict=True):
        assert scored.counts.tolist() == counts
        table = scored.table
        found = (table.accuracy, table.kappa.value, table.kappa.se, table.mcc)
        assert found == pytest.approx((accuracy, kappa, se, mcc), abs=5e-7)
    # folding never lowers the observed agreement; kappa falls from three classes to two
    assert "Kappas at different numbers of classes cannot be compared with each other." in said(night.cautions)


def test_folding_is_a_product_of_matrices():
    native = np.arange(12).reshape(3, 4)
    assert fold_counts(native, [0, -1, 1], [1, 0, 0, -1], (2, 2)).tolist() == [[1 + 2, 0], [9 + 10, 8]]
    stack = np.stack([native, 2 * native])
    assert fold_counts(stack, [0, 0, 0], [0, 0, 0, 0], (1, 1)).ravel().tolist() == [66, 132]


# --- cautions ------------------------------------------------------------------------------------------------


def cautions(reference, device, *, mappings=(), **options):
    reports = options.pop("reports", ("wake", "light", "deep", "rem"))
    return said(compare(pair(reference, device, reports=reports, **options), mappings=mappings).cautions)


def test_more_than_an_hour_of_wake_by_hand():
    """Whole: wake 135 and 5, light 10 and 30 of 180 epochs. Kept: wake 65 and 5, light 10 and 30 of 110."""
    reference, device = "W*130 N2*40 W*10", "wake*125 light*5 light*30 wake*10 wake*10"
    whole = (165 * 180 - (140 * 145 + 40 * 35)) / (180 * 180 - (140 * 145 + 40 * 35))
    kept = (95 * 110 - (70 * 75 + 40 * 35)) / (110 * 110 - (70 * 75 + 40 * 35))
    assert (round(whole, 3), round(kept, 3)) == (0.748, 0.697)
    expected = (
        "The window holds 65 min of wake before and 5 min after the reference's sleep (130 and 10 epochs), which are "
        "easy to agree on. With 30 min kept on each side, kappa under 'wake-light-deep-rem' is 0.697 instead of 0.748."
    )
    assert expected in cautions(reference, device)
    # the same after sleep
    mirrored = cautions("W*10 N2*40 W*130", "wake*20 light*35 wake*125")
    assert any("5 min of wake before and 65 min after" in c and "is 0.697 instead of 0.748" in c for c in mirrored)
    # what the reference leaves unscored before and after is outside the window, and no wake
    assert expected in cautions(f"?*50 {reference} ?*40", f"wake*50 {device} wake*40")


def test_the_hour_is_counted_in_wake_and_must_be_passed():
    def about_wake(reference, device, **options):
        return [c for c in cautions(reference, device, **options) if "easy to agree on" in c]

    assert not about_wake("W*120 N2*40", "wake*120 light*40")
    assert about_wake("W*121 N2*40", "wake*121 light*40")
    assert not about_wake("W*60 ?*90 W*60 N2*40", "wake*210 light*40")
    lit = side("W*121 N2*40").with_changes(lights_off_s=0.0, lights_on_s=161 * 30.0)
    assert not about_wake(lit, "wake*121 light*40")


def test_a_night_awake_is_scored_and_has_no_such_caution():
    night = compare(pair("W*300", "wake*299 light", reports=("wake", "light", "deep", "rem")))
    assert night.mappings[0].mapping.name == "wake-light-deep-rem"
    assert night.mappings[0].table.accuracy == 299 / 300
    assert not any("easy to agree" in c for c in said(night.cautions))


def test_long_wake_of_a_device_without_rem_is_told_under_a_mapping_that_has_a_kappa():
    found = cautions("W*130 N2*40 R*9", "wake*125 light*45 deep*9", reports=("wake", "light", "deep"))
    assert any("kappa under 'rem-left-out' is " in c for c in found)


def test_one_file_on_both_sides_is_told():
    one, other = (Origin("night.csv", "table", sha) for sha in ("a" * 64, "b" * 64))
    same = "Reference and device are the same file, or copies of one: their agreement says nothing."
    for reference, device, told in ((one, one, True), (one, other, False), (Origin(), Origin(), False)):
        paired = pair(side("W N2").with_changes(origin=reference), side("W N2").with_changes(origin=device))
        assert (same in said(compare(paired).cautions)) is told
    # two columns of one table are two sides
    paired = pair(side("W N2").with_changes(origin=one), side("N2 W").with_changes(origin=one))
    assert same not in said(compare(paired).cautions)


def test_few_jointly_scored_epochs():
    assert (
        "Only 80 % of the window's epochs have a stage on both sides; the largest part of the rest is device gap (15 "
        "epochs)." in cautions("W*20 ?*5 N2*75", "wake*25 light*60 - - - - - - - - - - - - - - -")
    )
    assert any(c.startswith("Only 85 %") for c in cautions("W*10 ?*3 N2*7", "wake*10 light*10"))
    assert not any("Only" in c for c in cautions("W*10 N2*8 ?*2", "wake*10 light*10"))


def test_what_a_mapping_leaves_out_is_said():
    found = cautions(
        "W N2 N3 R", "wake light deep deep", reports=("wake", "light", "deep"), mappings=[mapping_named("rem-left-out")]
    )
    assert "Mapping 'rem-left-out' leaves out 1 epoch that both sides staged." in found


def test_a_rectangle_says_why_it_has_no_kappa():
    found = cautions("W N2 N3 R", "wake light deep deep", reports=("wake", "light", "deep"))
    assert found[0] == (
        "The device cannot report REM, so kappa does not exist under 'rem-apart': it takes a mapping that says how REM "
        "counts ('sleepagree mappings' shows each of them)."
    )


def test_a_mapping_that_classes_an_unscored_label_changes_nothing_and_says_so():
    mapping = StageMapping(
        "mine",
        ("wake", "sleep"),
        ("wake", "sleep"),
        (("W", "wake"), ("N2", "sleep"), ("movement", "wake")),
        (("W", "wake"), ("light", "sleep")),
        from_file="mine.toml",
    )
    night = compare(pair("W N2 movement movement N2", "wake light*4"), mappings=[mapping])
    assert night.mappings[0].counts.tolist() == [[1, 0], [0, 2]]
    assert any(
        c.startswith(
            "Mapping 'mine' takes the reference's label 'movement' into wake, but the label counts as unscored, "
        )
        and "its 2 epochs" in c
        for c in said(night.cautions)
    )


# --- the rest ------------------------------------------------------------------------------------------------


def test_two_mappings_of_one_name_are_refused():
    two = [mapping_named("wake-sleep")] * 2
    with pytest.raises(MappingError) as refusal:
        compare(twelve(FOUR), mappings=two)
    assert str(refusal.value) == (
        "mappings: two mappings have one name. Found wake-sleep; expected distinct names. "
        "Take one of them out, or rename the one in its file."
    )


def test_wake_is_known_by_what_is_taken_into_it():
    """A device of words of its own: "drowsy" is wake because its class holds wake."""
    mapping = StageMapping(
        "mine",
        ("up", "down"),
        ("up", "down"),
        (("W", "up"), ("N2", "down")),
        (("lively", "up"), ("drowsy", "up"), ("gone", "down")),
        from_file="mine.toml",
    )
    device = side("lively drowsy*2 gone*5 drowsy gone", own_words=frozenset({"lively", "drowsy", "gone"}))
    night = compare(pair("W*2 N2*8", device), mappings=[mapping])
    found = {p.measure: (p.reference, p.device) for p in night.measures}
    assert found["TST"] == (4.0, 3.0)
    assert found["SOL"] == (1.0, 1.5)
    assert found["WASO"] == (0.0, 0.5)
    assert found["minutes up"] == (1.0, 2.0)


def test_a_stage_that_may_be_wake_or_sleep_counts_as_its_mapping_says():
    for name, tst in (("either-as-wake", 4.0), ("either-as-sleep", 5.5), ("wake-sleep", 4.0)):
        night = compare(twelve(EITHER), mappings=[mapping_named(name)])
        assert {p.measure: p.device for p in night.measures}["TST"] == tst


def test_results_are_read_only_and_survive_a_pickle():
    night = compare(twelve(FOUR))
    again = pickle.loads(pickle.dumps(night))
    for one in (night, again):
        with pytest.raises(ValueError, match="read-only"):
            one.mappings[0].counts[0, 0] = 9
    assert again.mappings[0].table.kappa == night.mappings[0].table.kappa
    assert again.mappings[0].table.classes == night.mappings[0].table.classes
    assert said(again.cautions) == said(night.cautions)
