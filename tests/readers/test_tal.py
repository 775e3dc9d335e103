"""The codec of annotation lists, against the grammar and examples of Kemp & Olivan 2003, section 2.2.

The examples of the paper are from memory; the grammar was seen in a copy of the specification.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sleepagree.readers.edf.annotation_lists import Tal, TalFaultError, format_seconds, format_tal, parse_row


def parse(row: bytes) -> list[Tal]:
    tals, gaps = parse_row(row.rstrip(b"\x00"), size=len(row) + 1)
    assert gaps == 0
    return tals


def read(stream: bytes) -> list[tuple[float, float | None, str]]:
    return [
        (float(tal.onset), float(tal.duration) if tal.duration else None, text)
        for tal in parse(stream)
        for text in tal.texts
    ]


# --- examples of the paper --------------------------------------------------------------------------------


def test_two_texts_share_an_onset():
    assert parse(b"+180\x14Lights off\x14Close door\x14\x00") == [Tal("+180", "", ("Lights off", "Close door"))]


def test_two_lists_with_one_text_each():
    row = b"+180\x14Lights off\x14\x00+180\x14Close door\x14\x00"
    assert parse(row) == [Tal("+180", "", ("Lights off",)), Tal("+180", "", ("Close door",))]
    assert read(row) == [(180.0, None, "Lights off"), (180.0, None, "Close door")]


def test_fractions_of_onset_and_duration():
    row = b"+1800.2\x1525.5\x14Apnea\x14\x00"
    assert parse(row) == [Tal("+1800.2", "25.5", ("Apnea",))]
    assert read(row) == [(1800.2, 25.5, "Apnea")]


def test_start_of_a_record_and_the_event_that_defines_it():
    assert parse(b"+3456.789\x14\x14R-wave\x14\x00") == [Tal("+3456.789", "", ("", "R-wave"))]


def test_onset_before_the_start():
    assert read(b"-0.065\x14pre-stimulus beep\x14\x00") == [(-0.065, None, "pre-stimulus beep")]


def test_texts_are_utf8_and_may_hold_tab_line_feed_and_carriage_return():
    text = "Änderung\tα→β\r\nzweite Zeile"
    row = b"+1\x14" + text.encode() + b"\x14\x00"
    assert parse(row)[0].texts == (text,)
    assert read(row) == [(1.0, None, text)]


def test_absent_and_zero_durations_are_told_apart():
    assert read(b"+0\x14a\x14\x00+0\x150\x14a\x14\x00") == [(0.0, None, "a"), (0.0, 0.0, "a")]


# --- faults -----------------------------------------------------------------------------------------------

BAD_ONSETS = (b"30", b"+ 30", b"+30,5", b"+1.2.3", b"+1e+05", b"+1.2e3", b"", b"+", b"+.", b"++30", b"+0x1e")
BAD_DURATIONS = (b"", b"-30", b"+30", b"30,0", b"NaN", b"inf", b"3e1", b".", b" 30", b"30\x1530")


@pytest.mark.parametrize("onset", BAD_ONSETS)
def test_malformed_onset(onset: bytes):
    row = b"+0\x14x\x14\x00" + onset + b"\x1530\x14Sleep stage W\x14"
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=len(row) + 1)
    assert caught.value.problem == "an annotation has a malformed onset"
    assert caught.value.offset == 6


@pytest.mark.parametrize("duration", BAD_DURATIONS)
def test_malformed_duration(duration: bytes):
    row = b"+30\x15" + duration + b"\x14Sleep stage W\x14"
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=len(row) + 1)
    assert caught.value.problem == "an annotation has a malformed duration"
    assert caught.value.offset == 4


@pytest.mark.parametrize("onset", ["+30.", "+.5", "-.5"])
def test_a_number_may_lack_digits_on_one_side_of_its_dot(onset: str):
    assert read(f"{onset}\x14x\x14\x00".encode())[0][0] == float(onset)
    assert parse(f"{onset}\x14x\x14\x00".encode())[0].onset == onset


@pytest.mark.parametrize(
    ("row", "offset"),
    [(b"+0\x14Sleep stage W", 16), (b"+0\x14", 3), (b"+0\x1530", 5), (b"+0\x14a\x14\x00+30\x14b", 11)],
)
def test_list_that_is_not_closed(row: bytes, offset: int):
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=len(row) + 1)
    assert (caught.value.problem, caught.value.offset) == ("an annotation is not closed", offset)


@pytest.mark.parametrize(
    "row",
    [
        b"+0\x1530\x14Sleep stage W\x14+30\x1530\x14Sleep stage R\x14",
        b"+0\x14Sleep stage W\x14+30\x14Sleep stage R\x14",
        b"+0\x14\x14+0\x1530\x14Sleep stage W\x14",
    ],
)
def test_missing_nul_between_lists(row: bytes):
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=len(row) + 1)
    assert caught.value.problem == "an onset stands where a text should be"


def test_list_that_fills_its_record():
    row = b"+0\x14Sleep stage W\x14"
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=len(row))
    assert caught.value.problem == "an annotation does not end inside its data record"


@pytest.mark.parametrize(("byte", "found"), [(b"\xe4", "byte 0xE4"), (b"\x01", "0x01"), (b"\x1b", "0x1B")])
def test_byte_that_no_text_may_hold(byte: bytes, found: str):
    row = b"+0\x14Schlafl" + byte + b"nge\x14"
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=99)
    assert (caught.value.offset, caught.value.found) == (10, found)


def test_text_in_an_encoding_that_was_named():
    assert parse_row("+0\x14Anfälle\x14".encode("latin-1"), size=99, encoding="latin-1")[0][0].texts == ("Anfälle",)


def test_what_was_found_is_never_quoted_unless_it_was_meant_as_a_number():
    row = b"+0\x14a\x14\x00Jane Doe born 1970\x14Sleep stage W\x14"
    with pytest.raises(TalFaultError) as caught:
        parse_row(row, size=99)
    assert "Jane" not in "".join(map(str, caught.value.args))
    assert caught.value.found == "18 bytes that are no number"


def test_unused_bytes_between_lists_are_counted():
    tals, gaps = parse_row(b"+0\x14a\x14\x00\x00\x00+1\x14b\x14", size=99)
    assert [tal.texts for tal in tals] == [("a",), ("b",)]
    assert gaps == 2


# --- any bytes ---------------------------------------------------------------------------------------------

PIECES = st.sampled_from(
    [b"+", b"-", b"0", b"30", b".", b"5", b"\x14", b"\x15", b"\x00", b"\x14\x00", b"W", b"+30\x1530\x14W\x14\x00"]
)
STREAMS = st.lists(PIECES, max_size=24).map(b"".join)


def rebuild(tals: list[Tal]) -> bytes:
    return b"".join(
        (
            tal.onset + ("\x15" + tal.duration if tal.duration else "") + "\x14" + "\x14".join(tal.texts) + "\x14"
        ).encode()
        for tal in tals
    )


@given(STREAMS)
@example(b"+0\x14\x005\x14W\x15+30\x155\x14X\x14\x00")
@example(b"+0\x1530\x14W\x00\x15+30\x155\x14X\x14\x00")
@example(b"+0\x15\x14W\x14\x00")
def test_every_byte_is_accounted_for(stream: bytes):
    row = stream.rstrip(b"\x00")
    try:
        tals, gaps = parse_row(row, size=len(row) + 1)
    except TalFaultError:
        return
    assert rebuild(tals) == row.replace(b"\x00", b"")
    assert gaps == row.count(b"\x00") - max(0, len(tals) - 1)


TIMES = st.floats(-1e8, 1e8, allow_nan=False)
TEXTS = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="".join(map(chr, range(32)))), max_size=20)


@given(st.lists(st.tuples(TIMES, st.none() | st.floats(0, 1e8), TEXTS), max_size=8))
def test_what_is_written_is_read(annotations: list[tuple[float, float | None, str]]):
    stream = b"".join(format_tal(onset, duration, (text,)) for onset, duration, text in annotations)
    assert read(stream) == annotations
    tals = parse_row(stream[:-1], size=len(stream) + 1)[0]
    assert [tal.texts for tal in tals] == [(text,) for _, _, text in annotations]


# --- writing ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (1e6, "1000000"),
        (123456.75, "123456.75"),
        (1e-7, "0.0000001"),
        (-0.0, "0"),
        (Decimal("30.50"), "30.5"),
        (30.1, "30.1"),
    ],
)
def test_seconds_are_never_written_with_an_exponent(seconds: float, text: str):
    assert format_seconds(seconds) == text


@pytest.mark.parametrize("seconds", [math.nan, math.inf, -math.inf, 1e9])
def test_seconds_that_cannot_be_written(seconds: float):
    with pytest.raises(ValueError, match="seconds must be finite"):
        format_seconds(seconds)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0, -1, ("x",)), "duration_s must not be negative, got -1"),
        ((0, None, ("a\x14b",)), "control character 0x14"),
        ((0, None, ("\ud800",)), "cannot be written as UTF-8"),
    ],
)
def test_annotations_that_cannot_be_written(arguments, message: str):
    with pytest.raises(ValueError, match=message):
        format_tal(*arguments)
