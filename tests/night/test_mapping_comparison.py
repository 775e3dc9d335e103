"""One night under every mapping, side by side; the figures of the 12-epoch night are worked by hand."""

from __future__ import annotations

import math

import pytest

from sleepagree.errors import MappingError
from sleepagree.mapping.files import own_words, read_mapping
from sleepagree.mapping.mapping import StageMapping, mapping_named
from sleepagree.night.mappings import compare_mappings
from tests.said import said
from tests.worked import pair, side

REFERENCE = "W N1 N1 N2 N2 N3 N3 R R R W N2"
NO_REM = "wake wake light light deep deep light deep light deep wake light"
INFLATES = (
    "No mapping was declared beforehand. Choosing the one with the highest kappa after seeing it inflates that kappa: "
    "name the mapping before the data are seen (--declare NAME)."
)


def compared(**options):
    comparison = compare_mappings(pair(REFERENCE, side(NO_REM)), **options)
    return comparison, {c.scored.mapping.name: c for c in comparison.mappings}


def test_every_mapping_that_fits_stands_side_by_side():
    _, by_name = compared()
    assert list(by_name) == ["rem-apart", "rem-left-out", "rem-as-light", "rem-as-deep", "rem-as-wake", "wake-sleep"]


def test_accuracy_of_the_commonest_class_by_hand():
    """Of 12 epochs wake 2, light 5, deep 2, REM 3: the commonest class that the device can say."""
    _, by_name = compared()
    found = {name: c.commonest_accuracy for name, c in by_name.items()}
    assert found == pytest.approx(
        {
            "rem-apart": 5 / 12,
            "rem-left-out": 5 / 9,
            "rem-as-light": 8 / 12,
            "rem-as-deep": 5 / 12,
            "rem-as-wake": 5 / 12,
            "wake-sleep": 10 / 12,
        }
    )


def test_the_commonest_class_is_one_that_the_device_can_say():
    """REM fills 5 of 8 epochs, but a device without REM cannot always say it; of the others light has 2."""
    comparison = compare_mappings(pair("W N2 N2 R R R R R", side("wake light deep light*5")))
    assert comparison.mappings[0].commonest_accuracy == 2 / 8


def test_shares_of_the_ceiling_by_hand():
    """rem-apart: 6 of 12 right; at most 9 of 12 with REM under any one label."""
    _, by_name = compared()
    assert by_name["rem-apart"].share_of_ceiling == (pytest.approx(6 / 9), pytest.approx(math.nan, nan_ok=True))
    left_out = by_name["rem-left-out"]
    assert left_out.share_of_ceiling == pytest.approx(
        (left_out.scored.table.accuracy, left_out.scored.table.kappa.value)
    )


def test_bias_minutes_per_class_by_hand():
    _, by_name = compared()
    found = {name: {s.name: s.bias_min for s in c.bias} for name, c in by_name.items()}
    assert found["rem-apart"] == {"wake": 0.5, "light": 0.0, "deep": 1.0}
    assert found["rem-left-out"] == {"wake": 0.5, "light": -0.5, "deep": 0.0}
    assert found["rem-as-light"] == {"wake": 0.5, "light": -1.5, "deep": 1.0}
    assert found["rem-as-deep"] == {"wake": 0.5, "light": 0.0, "deep": -0.5}
    assert found["rem-as-wake"] == {"wake": -1.0, "light": 0.0, "deep": 1.0}
    assert found["wake-sleep"] == {"wake": 0.5, "sleep": -0.5}


def test_without_a_declared_mapping_the_reader_is_warned():
    comparison, by_name = compared()
    assert INFLATES in said(comparison.cautions)
    assert not any(c.declared for c in by_name.values())
    declared, by_name = compared(declared="rem-as-light")
    assert INFLATES not in said(declared.cautions)
    assert [name for name, c in by_name.items() if c.declared] == ["rem-as-light"]


def test_one_mapping_alone_needs_no_such_warning():
    comparison = compare_mappings(pair("W N2 N3 W", side("wake asleep asleep wake")))
    assert [c.scored.mapping.name for c in comparison.mappings] == ["wake-sleep"]
    assert INFLATES not in said(comparison.cautions)


def test_mappings_of_ones_own_come_last_and_one_that_fits_comes_once():
    mine = StageMapping(
        "mine",
        ("deep", "other"),
        ("deep", "other"),
        tuple((s, "deep" if s == "N3" else "other") for s in ("W", "N1", "N2", "N3", "R")),
        (("W", "other"), ("light", "other"), ("N3", "deep")),
        from_file="mine.toml",
    )
    _, by_name = compared(extra=[mine, mapping_named("wake-sleep")], declared="mine")
    assert list(by_name)[-2:] == ["wake-sleep", "mine"]
    # deep: N3 called deep 1 of 2; other called deep 3 times of 10
    assert by_name["mine"].scored.counts.tolist() == [[1, 1], [3, 7]]
    assert by_name["mine"].declared


def test_a_mapping_file_alone_serves_words_of_its_own(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(
        'classes = ["wake", "sleep"]\n[reference]\nW = "wake"\nN1 = "sleep"\nN2 = "sleep"\nN3 = "sleep"\nR = "sleep"\n'
        '[device]\nlively = "wake"\ngone = "sleep"\n'
    )
    mine = read_mapping(path)
    device = side("lively gone gone", own_words=own_words([mine], "device"))
    comparison = compare_mappings(pair("W N2 R", device), extra=[mine])
    assert [c.scored.mapping.name for c in comparison.mappings] == ["mine"]


def test_names_must_tell_mappings_apart():
    twin = StageMapping("wake-sleep", ("a", "b"), ("a", "b"), (("W", "a"), ("N1", "b")), (("W", "a"), ("N1", "b")))
    with pytest.raises(MappingError, match=r"two mappings have one name\. Found wake-sleep"):
        compared(extra=[twin])
    with pytest.raises(MappingError) as refusal:
        compared(declared="rem-as-dream")
    assert str(refusal.value) == (
        "declared: the declared mapping is not among those compared. Found rem-as-dream; expected one of rem-apart, "
        "rem-left-out, rem-as-light, rem-as-deep, rem-as-wake, wake-sleep. Give its file with extra, or another "
        "name."
    )
