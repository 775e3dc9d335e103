"""What JSON itself forbids or leaves open: RFC 8259 (objects with unique names, no NaN, UTF-8; from memory)."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import FileFormatError, SleepAgreeError
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.json.fields import decode_json, read_instant
from sleepagree.readers.json.file import read_json
from sleepagree.readers.layout import Layout
from sleepagree.readers.proposing.proposal import propose_layout


def refusal(data: bytes | str) -> str:
    with pytest.raises(FileFormatError) as caught:
        decode_json(data if isinstance(data, bytes) else data.encode(), path="night.json")
    return str(caught.value)


def test_a_key_that_stands_twice_is_an_error_with_its_place():
    assert refusal('{"entry": [1, {"stage": "N1", "stage": "N2"}]}') == (
        "night.json: entry[1]: a key stands twice in one object. Found 'stage' twice; expected every key once. Which "
        "of the two values holds cannot be known; correct the file."
    )
    assert refusal('{"a": 1, "a": 1}').startswith("night.json: top level: a key stands twice")


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_numbers_that_are_none_are_errors_with_their_place(word):
    assert refusal(f'[{{"a": {{"b": {word}}}}}]') == (
        f"night.json: [0].a.b: this value is not allowed. Found {word}; expected a finite number or null. Correct the "
        "file."
    )


@pytest.mark.parametrize(
    ("number", "found"),
    [("1e999", "a number too large"), ("-1e400", "a number too large"), ("9" * 5000, "a number of 5000 digits")],
)
def test_huge_numbers_are_errors_with_their_place(number, found):
    assert f"night.json: [1].x: this value is not allowed. Found {found}" in refusal(f'[0, {{"x": {number}}}]')


@pytest.mark.parametrize("opening", ["[", '{"a":'])
def test_deep_nesting_is_one_error(opening):
    assert "the document is nested too deeply" in refusal(opening * 200_000)


@pytest.mark.parametrize(("opening", "closing"), [("[", "]"), ('{"a":', "}")])
def test_a_hundred_levels_are_read_and_one_more_is_refused(opening, closing):
    """Whatever goes through a document level by level would run out of a stack of Python at some hundreds."""
    assert decode_json((opening * 100 + "1" + closing * 100).encode(), path="night.json").fields
    assert refusal(opening * 101 + "1" + closing * 101) == (
        "night.json: the document is nested too deeply. Found more than 100 objects or lists inside each other; "
        "expected records of sleep stages, a few levels deep. This is no export of sleep stages."
    )


@pytest.mark.parametrize("inside", ['{"a": ' * 600 + "1" + "}" * 600, "[" * 600 + "1" + "]" * 600])
@pytest.mark.parametrize("form", ['{{"x": {}, "rows": [{{"stage": "N1"}}]}}', '[{{"stage": "N1", "x": {}}}]'])
@pytest.mark.parametrize("layout", [None, Layout(records="rows[0]"), Layout(stage="stage")])
def test_what_is_nested_beside_the_rows_is_one_error_to_inspect(tmp_path, inside, form, layout):
    path = tmp_path / "night.json"
    path.write_text(form.format(inside), encoding="utf-8")
    assert propose_layout(path, layout=layout) is None
    with pytest.raises(FileFormatError, match="nested too deeply"):
        inspect_file(path, layout=layout)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('{"a": 1', "line 1, column 8: this is no valid JSON. Found the end of the file; expected ',' delimiter."),
        ('{"a": 1,\n "b" 2}', "line 2, column 6: this is no valid JSON. Found '2'; expected ':' delimiter."),
        ("{'a': 1}", 'line 1, column 2: this is no valid JSON. Found "\'";'),
        ("   \n ", "the file is empty."),
        ('[1, 2]\n{"a": }\n', "line 2, column 7: this is no valid JSON. Found '}';"),
        ("[1] [2]", "line 1, column 5: this is no valid JSON: extra data. Found '['."),
    ],
)
def test_syntax_errors_tell_line_and_column(text, message):
    assert refusal(text).startswith(f"night.json: {message}")


def test_bytes_that_are_no_utf_8_are_told_by_position_only():
    assert refusal(b'{"name": "Jos\xe9 Canary"}') == (
        "night.json: byte 13: the text cannot be decoded. Found byte 0xe9; expected JSON in UTF-8. Save the file as "
        "UTF-8."
    )


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-32"])
def test_byte_order_marks_and_wider_encodings_are_read(encoding):
    document = decode_json('{"stage": "ä"}'.encode(encoding), path="")
    assert document.fields[0].value == {"stage": "ä"}
    assert bool(document.notes) == (encoding != "utf-8-sig")


def test_one_value_a_line_may_have_blank_lines_and_odd_characters():
    text = '{"a": "\u2028"}\r\n\r\n{"a": 2}\n'
    document = decode_json(text.encode(), path="")
    assert document.by_line
    assert [(f.place, f.value) for f in document.fields] == [("line 1: ", {"a": "\u2028"}), ("line 3: ", {"a": 2})]


def test_keys_cannot_carry_escapes_into_a_message():
    message = refusal('{"\\u001b[31m": {"x": NaN}}')
    assert "\x1b" not in message
    assert "\\x1b[31m.x" in message


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda children: st.lists(children) | st.dictionaries(st.text(), children),
    max_leaves=20,
)


def message_of(attempt) -> str:
    """Return the message of an error that is meant for people, "" for none; any other error fails the test."""
    try:
        attempt()
    except SleepAgreeError as error:
        return str(error)
    return ""


@given(json_values)
def test_valid_json_is_decoded_as_by_the_standard_library(value):
    text = json.dumps(value)
    assert decode_json(text.encode(), path="").fields[0].value == json.loads(text)


@given(st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_any_bytes_give_a_document_or_one_error(data):
    message = message_of(lambda: decode_json(data, path="night.json"))
    assert message == "" or message.startswith("night.json: ")


@given(st.text("0123456789-+:.,TZ ", max_size=40))
def test_any_text_is_a_moment_or_one_error(text):
    field = decode_json(json.dumps({"start": text}).encode(), path="night.json").fields[0].need("start", "")
    message = message_of(lambda: read_instant(field, naive_allowed=True))
    assert message == "" or message.startswith("night.json: start: ")


def broken(value, path):
    """Yield copies of a JSON value in which one part is replaced by something else."""
    yield from (None, 7, "x", [], {})
    if isinstance(value, dict):
        for key, child in value.items():
            yield {k: v for k, v in value.items() if k != key}
            for changed in broken(child, f"{path}.{key}"):
                yield {**value, key: changed}
    elif isinstance(value, list):
        for i, child in enumerate(value):
            for changed in broken(child, f"{path}[{i}]"):
                yield [*value[:i], changed, *value[i + 1 :]]


FHIR = {
    "resourceType": "Bundle",
    "entry": [
        {
            "resource": {
                "resourceType": "Observation",
                "status": "final",
                "subject": {"reference": "Patient/1"},
                "device": {"reference": "Device/1"},
                "code": {"coding": [{"system": "x", "code": "sleepAnalysis"}]},
                "effectivePeriod": {"start": "2026-03-01T22:40:00+02:00", "end": "2026-03-01T22:55:00+02:00"},
                "valueCodeableConcept": {
                    "coding": [
                        {"system": "http://hl7.org/fhir/uv/phr/CodeSystem/sleep-analysis-codes", "code": "awake"}
                    ]
                },
            }
        }
    ],
}
MOBILE = {
    "header": {"user_id": "1", "acquisition_provenance": {"source_name": "a"}},
    "body": {
        "sleep_stage_summary": {"total_sleep_time": {"value": 15, "unit": "min"}},
        "effective_time_frame": {
            "time_interval": {
                "start_date_time": "2026-03-01T22:40:00+02:00",
                "end_date_time": "2026-03-01T22:55:00+02:00",
            }
        },
        "is_main_sleep": True,
        "sleep_stage_episodes": [
            {
                "sleep_stage_state": "light",
                "sleep_stage_time_frame": {
                    "time_interval": {
                        "start_date_time": "2026-03-01T22:40:00+02:00",
                        "duration": {"value": 15, "unit": "min"},
                    }
                },
            }
        ],
    },
}


@pytest.mark.parametrize("document", [FHIR, MOBILE], ids=["FHIR", "mobile health"])
def test_every_part_that_is_missing_or_of_another_kind_gives_one_error_or_is_unused(tmp_path, document):
    path = tmp_path / "night.json"
    refused = 0
    for changed in broken(document, ""):
        path.write_text(json.dumps(changed))
        message = message_of(lambda: read_json(path))
        refused += message != ""
        assert message == "" or message.startswith(str(path))
    assert refused > 40
