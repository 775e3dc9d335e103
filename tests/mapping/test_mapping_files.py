"""Mapping files: what one looks like, and one message for everything that can be wrong in one."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from sleepagree.errors import InputError, MappingError
from sleepagree.mapping.files import find_mapping, own_words, read_mapping
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS
from sleepagree.night.compare import compare
from tests.worked import pair, side

GOOD = """\
name = "deep-against-rest"
classes = ["wake", "deep", "other"]
assumption = "Only wake and deep sleep matter."

[reference]
W = "wake"
N1 = "other"
N2 = "other"
N3 = "deep"
R = "other"

[device]
Up = "wake"
Shallow = "other"
Deep = "deep"
Lost = "leave-out"
"""

EXAMPLE = (
    'A mapping file looks like\n    name = "my-mapping"\n    classes = ["wake", "sleep"]\n    [reference]\n'
    '    W = "wake"\n    N1 = "sleep"\n    ...\n    [device]\n    Awake = "wake"\n    ...'
)


def written(tmp_path: Path, text: str | bytes, name: str = "mine.toml") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refusal_of(path: Path) -> str:
    with pytest.raises(MappingError) as refusal:
        read_mapping(path)
    return str(refusal.value)


# --- good files ----------------------------------------------------------------------------------------------


def test_a_byte_order_mark_is_none_of_the_text(tmp_path):
    path = written(tmp_path, GOOD.encode("utf-8-sig"))
    assert read_mapping(path) == read_mapping(written(tmp_path, GOOD))


def test_a_good_file(tmp_path):
    mapping = read_mapping(written(tmp_path, GOOD))
    assert (mapping.name, mapping.from_file) == ("deep-against-rest", "mine.toml")
    assert mapping.reference_classes == mapping.device_classes == ("wake", "deep", "other")
    assert mapping.assumption == "Only wake and deep sleep matter."
    assert own_words([mapping], "device") == {"Up", "Shallow", "Lost"}
    assert own_words([mapping], "reference") == set()


def test_a_device_of_words_of_its_own_needs_no_layout(tmp_path):
    mapping = read_mapping(written(tmp_path, GOOD))
    device = side("Up Shallow Shallow Deep Lost Deep", own_words=own_words([mapping], "device"))
    scored = compare(pair("W N1 N2 N3 N3 R", device), mappings=[mapping]).mappings[0]
    # epochs: wake-wake, other-other twice, deep-deep, one left out, REM (other) called deep
    assert scored.counts.tolist() == [[1, 0, 0], [0, 1, 0], [0, 1, 2]]
    assert scored.left_out == 1


def test_a_class_that_the_device_never_says_makes_a_rectangle(tmp_path):
    text = GOOD.replace('Deep = "deep"', 'Deep = "other"')
    mapping = read_mapping(written(tmp_path, text))
    assert mapping.device_classes == ("wake", "other")
    assert not mapping.is_square


def test_the_name_defaults_to_the_files(tmp_path):
    text = "\n".join(line for line in GOOD.splitlines() if not line.startswith(("name", "assumption")))
    mapping = read_mapping(written(tmp_path, text, "my rule.toml"))
    assert (mapping.name, mapping.assumption) == ("my rule", "As the mapping file says.")


def test_stages_may_stand_for_labels_in_any_spelling(tmp_path):
    text = GOOD.replace("Up =", "AWAKE =").replace("Shallow =", "Light =")
    mapping = read_mapping(written(tmp_path, text))
    device = side("wake light deep")
    assert compare(pair("W N2 N3", device), mappings=[mapping]).mappings[0].counts.trace() == 3


def test_r_and_k_stages_can_be_told_apart(tmp_path):
    text = """
        classes = ["wake", "deep", "other"]
        [reference]
        W = "wake"
        S1 = "other"
        S2 = "other"
        S3 = "other"
        S4 = "deep"
        [device]
        wake = "wake"
        light = "other"
        deep = "deep"
        """
    mapping = read_mapping(written(tmp_path, text))
    paired = pair("W S1 S2 S3 S4", "wake light light deep deep")
    assert compare(paired, mappings=[mapping]).mappings[0].counts.tolist() == [[1, 0, 0], [0, 1, 0], [0, 1, 2]]


def test_a_name_or_a_path_finds_a_mapping(tmp_path):
    path = written(tmp_path, GOOD, "MINE.TOML")
    assert find_mapping(str(path)).name == "deep-against-rest"
    for mapping in BUILT_IN_MAPPINGS:
        assert find_mapping(mapping.name) is mapping


# --- bad files -----------------------------------------------------------------------------------------------


def test_an_unknown_key(tmp_path):
    assert refusal_of(written(tmp_path, "clases = []\n" + GOOD)) == (
        "mine.toml: key 'clases': unknown key. Found clases; expected one of name, classes, assumption, reference, "
        f"device. {EXAMPLE}"
    )


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("", "None"),
        ('classes = "wake"', "'wake'"),
        ("classes = [1, 2]", "[1, 2]"),
        ('classes = ["a", "\\u001b"]', "['a', '\\x1b']"),
    ],
)
def test_classes_that_are_no_list_of_texts(tmp_path, line, found):
    text = GOOD.replace('classes = ["wake", "deep", "other"]', line)
    assert refusal_of(written(tmp_path, text)) == (
        f"mine.toml: classes: 'classes' must list the classes in the order of rows, as printable texts. Found {found}; "
        f'expected a list such as ["wake", "light", "deep"]. {EXAMPLE}'
    )


@pytest.mark.parametrize("classes", ['["wake", "wake"]', '["wake", "leave-out"]'])
def test_a_class_twice_or_a_reserved_word(tmp_path, classes):
    text = GOOD.replace('["wake", "deep", "other"]', classes)
    assert refusal_of(written(tmp_path, text)).startswith(
        "mine.toml: classes: a class stands twice, or is called leave-out. Found wake, "
    )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {'["wake", "deep", "other"]': '["wake"]'},
            "classes: a mapping needs at least two classes on both sides. Found wake; expected two or more. Agreement "
            "needs something to tell apart.",
        ),
        (
            {'Shallow = "other"': 'Shallow = "wake"', 'Deep = "deep"': 'Deep = "wake"'},
            "classes: a mapping needs at least two classes on both sides. Found wake; expected two or more. Agreement "
            "needs something to tell apart.",
        ),
        (
            {'N1 = "other"': 'N1 = "light"'},
            "[reference], label 'N1': unknown class. Found light; expected one of wake, deep, other, leave-out. "
            "Correct the line, or add the class to 'classes'.",
        ),
        (
            {'N3 = "deep"': 'N3 = "other"'},
            "[reference]: no reference label is taken into a declared class. Found deep; expected at least one label "
            "for every class. Add a label to it, or take it out of the classes.",
        ),
    ],
    ids=["one class", "a device with one class", "an unknown class", "a class that nothing is taken into"],
)
def test_classes_that_compare_nothing(tmp_path, changes, message):
    text = GOOD
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    assert refusal_of(written(tmp_path, text)) == f"mine.toml: {message}"


@pytest.mark.parametrize("side_name", ["reference", "device"])
def test_a_missing_side(tmp_path, side_name):
    other = "device" if side_name == "reference" else "reference"
    cut = GOOD.partition("[reference]")[0] + f'[{other}]\nW = "wake"\n'
    cut += 'N3 = "deep"\nN2 = "other"\n'
    assert refusal_of(written(tmp_path, cut)) == (
        f"mine.toml: [{side_name}]: no [{side_name}] table. Found nothing; expected lines of the form label = class. "
        f"{EXAMPLE}"
    )


def test_one_stage_under_two_spellings(tmp_path):
    text = GOOD.replace('W = "wake"', 'W = "wake"\nAwake = "other"')
    assert refusal_of(written(tmp_path, text)) == (
        "mine.toml: [reference]: one stage is assigned twice under two spellings. Found 'W' and 'Awake'; expected each "
        "label once. Take one of the two out."
    )


def test_a_label_twice(tmp_path):
    text = GOOD.replace('W = "wake"', 'W = "wake"\nW = "other"')
    assert refusal_of(written(tmp_path, text)).startswith("mine.toml: not valid TOML. Found ")


def test_a_name_that_is_no_text(tmp_path):
    for line, found in (("name = 7", "7"), ('name = " "', "' '"), ('name = "a\\u001b[2J"', "'a\\x1b[2J'")):
        text = GOOD.replace('name = "deep-against-rest"', line)
        assert refusal_of(written(tmp_path, text)) == (
            f"mine.toml: name: the name must be a printable text. Found {found}; expected a text. Give it a name "
            'such as "deep or not".'
        )


def test_bytes_that_are_no_utf8(tmp_path):
    assert refusal_of(written(tmp_path, b'name = "\xff"\n')) == (
        f"mine.toml: byte 8: not UTF-8. Found a byte that is not UTF-8; expected a UTF-8 text. {EXAMPLE}"
    )


def test_nested_beyond_reason_is_one_message(tmp_path):
    assert refusal_of(written(tmp_path, "x = " + "[" * 100_000)).startswith("mine.toml: not valid TOML.")


def test_no_file_and_an_empty_one(tmp_path):
    with pytest.raises(InputError, match="the file does not exist"):
        find_mapping(str(tmp_path / "no.toml"))
    with pytest.raises(InputError, match="the file is empty"):
        read_mapping(written(tmp_path, ""))


def test_missing_labels_are_shown_as_lines_that_complete_the_file(tmp_path):
    text = GOOD.replace('N2 = "other"\n', "").replace("Shallow", '"Half \\"asleep\\""')
    mapping = read_mapping(written(tmp_path, text))
    device = side('Up Half_"asleep" Deep', own_words=own_words([mapping], "device"))
    with pytest.raises(MappingError) as refusal:
        compare(pair("W N1 N2", device), mappings=[mapping])
    message = str(refusal.value)
    assert message.startswith(
        "mine.toml: [reference]: mapping 'deep-against-rest' says nothing about 1 of the reference's labels. Found 'N2'"
    )
    lines = "\n".join(line.strip() for line in message.split("Add to the mapping file\n")[1].splitlines())
    completed = tomllib.loads(lines.replace('"..."', '"other"'))
    assert completed == {"reference": {"N2": "other"}}
    fixed = text.replace("[reference]\n", lines.replace('"..."', '"other"') + "\n")
    assert compare(pair("W N1 N2", device), mappings=[read_mapping(written(tmp_path, fixed))])
