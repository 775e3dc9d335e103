"""Messages: one shape, nothing that could move a cursor, and errors that survive a process pool."""

from __future__ import annotations

import copy
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree import errors
from sleepagree.errors import (
    ClockError,
    EpochGridError,
    FileFormatError,
    Front,
    InputError,
    MappingError,
    Option,
    OutputError,
    PairingError,
    SleepAgreeError,
    UnknownStageError,
    printable,
    shorten,
)

ALL = (
    SleepAgreeError,
    InputError,
    FileFormatError,
    UnknownStageError,
    EpochGridError,
    ClockError,
    MappingError,
    PairingError,
    OutputError,
)


def test_this_list_is_complete():
    found = {v for v in vars(errors).values() if isinstance(v, type) and issubclass(v, SleepAgreeError)}
    assert found == set(ALL)


def test_the_shape_of_a_message():
    error = FileFormatError(
        "unknown stage label",
        "night07.csv",
        "line 812, column 'stage'",
        "'N5'",
        "one of 'W', 'N1'",
        "Add it to the layout.",
    )
    assert str(error) == (
        "night07.csv: line 812, column 'stage': unknown stage label. Found 'N5'; expected one of 'W', 'N1'. Add it to "
        "the layout."
    )


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        (("wrong",), "wrong."),
        (("wrong.",), "wrong."),
        (("wrong", "a.csv"), "a.csv: wrong."),
        (("wrong", "", "line 2"), "line 2: wrong."),
        (("wrong", "", "", "x"), "wrong. Found x."),
        (("wrong", "", "", "", "y"), "wrong. Expected y."),
        (("wrong", "", "", "", "", "Mend it."), "wrong. Mend it."),
    ],
)
def test_fields_that_are_missing(fields, text):
    assert str(SleepAgreeError(*fields)) == text


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_an_error_survives_a_process_pool(kind, protocol):
    error = kind("problem", "path", "where", "found", "expected", "Remedy.")
    for again in (pickle.loads(pickle.dumps(error, protocol)), copy.deepcopy(error)):
        assert type(again) is kind
        assert str(again) == str(error)
        assert (again.problem, again.path, again.where) == ("problem", "path", "where")
        assert (again.found, again.expected, again.remedy) == ("found", "expected", "Remedy.")


@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_labels_without_a_stage_survive_it_too(protocol):
    error = UnknownStageError("problem", "path", "where", "found", "expected", "Remedy.", ["a", "b"])
    for again in (pickle.loads(pickle.dumps(error, protocol)), copy.deepcopy(error)):
        assert again.labels == ("a", "b")
        assert str(again) == str(error) == str(InputError(*error.args[:6]))
    assert UnknownStageError("problem").labels == ()


def test_errors_are_what_a_caller_would_expect():
    assert all(issubclass(kind, ValueError) for kind in ALL if kind not in (SleepAgreeError, OutputError))
    assert issubclass(OutputError, OSError)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("N2", "N2"),
        ("a\x1b[2J", "a\\x1b[2J"),
        ("a\rb\nc\td", "a\\x0db\\x0ac\\x09d"),
        ("\x9b31m", "\\x9b31m"),
        ("\u202egnikaw", "\\x202egnikaw"),
        ("half \ud800 pair", "half \ufffd pair"),
        ("naïve ☾ 睡眠", "naïve ☾ 睡眠"),
    ],
)
def test_hostile_text_is_shown_as_escapes(text, shown):
    assert printable(text) == shown
    assert shorten(text) == shown


def test_found_values_are_cut_and_paths_keep_their_end():
    assert shorten("x" * 80) == "x" * 80
    assert shorten("x" * 81) == "x" * 79 + "…"
    path = "/" + "deep/" * 100 + "night.csv"
    message = str(InputError("wrong", path))
    assert message.startswith("…")
    assert message.endswith("deep/night.csv: wrong.")
    assert len(message) < 260


@given(st.lists(st.text(max_size=200), min_size=6, max_size=6))
def test_no_message_moves_the_cursor_whatever_is_in_it(fields):
    message = str(SleepAgreeError(*fields))
    assert all(c == "\n" or c.isprintable() or c == "\ufffd" or not c.isascii() for c in message)
    assert not any(c in message for c in "\x1b\r\t\x07\x08\x9b\u202e\u2066")
    message.encode()


def test_an_error_is_given_its_file_afterwards():
    bare = UnknownStageError("unknown stage label", "", "line 3", "'q'", "a stage", "Name it.", ["q"])
    placed = bare.in_file("night.csv")
    assert str(placed) == "night.csv: line 3: unknown stage label. Found 'q'; expected a stage. Name it."
    assert type(placed) is UnknownStageError
    assert placed.labels == ("q",)
    assert str(bare.in_file("night.csv", "line 1")).startswith("night.csv: line 1: ")


def test_facts_of_an_error_survive_its_file_and_a_process_pool():
    told = FileFormatError(
        "problem", "folder/path", remedy=f"Give a layout ({Option.LAYOUT:FILE.toml}).", facts=[("%H:%M", "")]
    )
    told.side = "reference"
    for again in (told.in_file("path"), pickle.loads(pickle.dumps(told)), copy.copy(told)):
        assert (again.forms, again.side) == ((("%H:%M", ""),), "reference")
        assert again.told(Front.COMMAND).casefold().endswith("give a layout (--reference-layout file.toml).")
    labels = UnknownStageError("problem", "folder/path", facts=["folder", "N9"])
    again = labels.in_file("path")
    assert (again.path, again.labels) == ("path", ("folder", "N9"))


def test_an_error_names_the_key_of_a_layout_that_settles_it():
    assert pickle.loads(pickle.dumps(EpochGridError("two rows overlap", facts="overlaps"))).settled_by == "overlaps"
