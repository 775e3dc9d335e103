"""FHIR Observations of sleep stages.

Codes, field names and the shape of an Observation: HL7 Personal Health Record Format implementation guide,
1.0.0-ballot2, code system sleep-analysis-codes and profile pghd-sleep (seen); FHIR R4 Observation and Bundle
(from memory). The nights are invented.
"""

import copy
import json
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise

import numpy as np
import pytest

from sleepagree.errors import (
    ClockError,
    EpochGridError,
    FileFormatError,
    InputError,
    SleepAgreeError,
    UnknownStageError,
)
from sleepagree.readers.json.file import read_json
from sleepagree.readers.layout import Layout, Overlaps
from sleepagree.readers.proposing.proposal import propose_layout
from tests.said import said

STAGE_SYSTEM = "http://hl7.org/fhir/uv/phr/CodeSystem/sleep-analysis-codes"
CODE_SYSTEM = "http://hl7.org/fhir/uv/phr/CodeSystem/observation-pghd-codes"


def observation(code, start, end, **more):
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": CODE_SYSTEM, "code": "sleepAnalysis"}]},
        "effectivePeriod": {"start": start, "end": end},
        "valueCodeableConcept": {"coding": [{"system": STAGE_SYSTEM, "code": code}]},
        **more,
    }


def bundle(*resources):
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in resources]}


NIGHT = (
    observation("inBed", "2026-03-01T22:30:00+02:00", "2026-03-02T06:40:00+02:00"),
    observation("awake", "2026-03-01T22:40:00+02:00", "2026-03-01T22:55:00+02:00"),
    observation("asleepCore", "2026-03-01T22:55:00+02:00", "2026-03-01T23:20:30+02:00"),
    observation("asleepDeep", "2026-03-01T23:20:30+02:00", "2026-03-01T23:50:00+02:00"),
    observation("asleepREM", "2026-03-01T23:50:00+02:00", "2026-03-02T00:10:00+02:00"),
    observation("asleepUnspecified", "2026-03-02T00:30:00+02:00", "2026-03-02T01:00:00+02:00"),
)


def write(tmp_path, content, name="night.json"):
    path = tmp_path / name
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def changed(index, change):
    """Return the night as a Bundle in which one Observation was changed."""
    night = copy.deepcopy(NIGHT)
    change(night[index])
    return bundle(*night)


def test_a_bundle_gives_its_intervals_and_keeps_in_bed_as_a_note(tmp_path):
    spans = read_json(write(tmp_path, bundle(*NIGHT)))
    assert [spans.labels[c] for c in spans.codes] == [
        "awake", "asleepCore", "asleepDeep", "asleepREM", "asleepUnspecified",
    ]  # fmt: skip
    assert [spans.stages[c] for c in spans.codes] == ["W", "light", "N3", "R", "sleep"]
    assert spans.start == datetime(2026, 3, 1, 22, 40, tzinfo=timezone(timedelta(hours=2)))
    # minutes after 22:40, worked out by hand
    assert (spans.onset_s / 60).tolist() == [0, 15, 40.5, 70, 110]
    assert (spans.duration_s / 60).tolist() == [15, 25.5, 29.5, 20, 30]
    assert spans.lights_off_s is None
    assert spans.lights_on_s is None
    assert any("in bed from 2026-03-01 22:30:00+02:00 to 2026-03-02 06:40:00+02:00" in n for n in said(spans.notes))
    assert spans.origin.reader == "fhir"
    assert spans.origin.name == "night.json"


@pytest.mark.parametrize("form", ["list", "lines", "lines with blank ones", "single bundle a line"])
def test_lists_and_lines_give_the_same_night_as_a_bundle(tmp_path, form):
    expected = read_json(write(tmp_path, bundle(*NIGHT)))
    lines = [json.dumps(resource) for resource in NIGHT]
    content = {
        "list": list(NIGHT),
        "lines": "\n".join(lines),
        "lines with blank ones": "\r\n\r\n".join(lines) + "\r\n",
        "single bundle a line": "\n".join([json.dumps(bundle(*NIGHT[:3])), json.dumps(bundle(*NIGHT[3:]))]),
    }[form]
    spans = read_json(write(tmp_path, content, "night.ndjson"))
    np.testing.assert_array_equal(spans.onset_s, expected.onset_s)
    np.testing.assert_array_equal(spans.duration_s, expected.duration_s)
    assert [spans.stages[c] for c in spans.codes] == [expected.stages[c] for c in expected.codes]


def test_other_resources_are_counted(tmp_path):
    pulse = {"resourceType": "Observation", "status": "final", "code": {"coding": [{"code": "8867-4"}]}}
    odd = {"resourceType": "Observation", "code": None, "component": [7, {"code": "x"}]}
    strange = {"resourceType": "not a type: Jane"}
    spans = read_json(write(tmp_path, bundle({"resourceType": "Patient"}, *NIGHT, pulse, odd, strange)))
    assert dict(spans.ignored) == {
        "resource Patient": 1,
        "Observation of another kind": 2,
        "resource of unknown type": 1,
    }


def test_a_stated_absence_of_data_is_no_stage(tmp_path):
    absent = observation("awake", "2026-03-02T00:10:00+02:00", "2026-03-02T00:30:00+02:00")
    del absent["valueCodeableConcept"]
    absent["dataAbsentReason"] = {"coding": [{"code": "error"}]}
    spans = read_json(write(tmp_path, bundle(*NIGHT, absent)))
    assert spans.stages[spans.labels.index("data absent")] == "unscored"


def test_a_layout_goes_before_the_codes_in_any_case(tmp_path):
    spans = read_json(write(tmp_path, bundle(*NIGHT)), layout=Layout(stages={"asleepcore": "rem", "ASLEEPREM": "deep"}))
    said = dict(zip(spans.labels, spans.stages, strict=True))
    assert (said["asleepCore"], said["asleepREM"], said["asleepDeep"]) == ("R", "N3", "N3")


def test_another_code_system_needs_a_layout(tmp_path):
    def use_own_code(resource):
        resource["valueCodeableConcept"] = {"coding": [{"system": "urn:own", "code": "phase-3"}]}

    path = write(tmp_path, changed(3, use_own_code))
    with pytest.raises(UnknownStageError) as caught:
        read_json(path)
    assert "phase-3" in str(caught.value)
    assert "entry[3]" in str(caught.value)
    spans = read_json(path, layout=Layout(stages={"phase-3": "deep"}))
    assert spans.stages[spans.labels.index("phase-3")] == "N3"
    assert any("another code system" in note for note in said(spans.notes))


def test_codes_are_told_by_their_system_where_there_are_several(tmp_path):
    def add_coding(resource):
        resource["valueCodeableConcept"]["coding"].insert(0, {"system": "urn:own", "code": "phase-3"})

    spans = read_json(write(tmp_path, changed(3, add_coding)))
    assert "phase-3" not in spans.labels


# --- malformed: the message gives the path of the field ---------------------------------------------------


def set_at(*keys, value):
    def change(resource):
        for key in keys[:-1]:
            resource = resource[key]
        if value is KeyError:
            del resource[keys[-1]]
        else:
            resource[keys[-1]] = value

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            set_at("effectivePeriod", "end", value=KeyError),
            "entry[3].effectivePeriod.end: a field is missing. Found nothing; expected the moment at which the "
            "interval ends. A period without an end is still going on; complete it or take the Observation out.",
        ),
        (set_at("effectivePeriod", "end", value=None), "entry[3].effectivePeriod.end: a field is missing"),
        (
            set_at("effectivePeriod", "end", value=17),
            "entry[3].effectivePeriod.end: a text is needed here. Found the number 17; expected a date, a time and an "
            "offset such as 2026-03-01T22:41:00+02:00.",
        ),
        (
            set_at("effectivePeriod", "start", value="2026-03-01"),
            "entry[3].effectivePeriod.start: a date alone tells no moment. Found 2026-03-01",
        ),
        (
            set_at("effectivePeriod", "start", value="2026-02-30T23:20:30+02:00"),
            "entry[3].effectivePeriod.start: there is no such date or time. Found 2026-02-30T23:20:30+02:00",
        ),
        (
            set_at("effectivePeriod", "start", value="2026-03-01T23:20:30"),
            "entry[3].effectivePeriod.start: a time without an offset names no moment",
        ),
        (
            set_at("effectivePeriod", "start", value="half past nine, says Jane"),
            "entry[3].effectivePeriod.start: the time cannot be read. Found a text",
        ),
        (
            set_at("effectivePeriod", "start", value="0001-01-01T00:00:00+02:00"),
            "entry[3].effectivePeriod.start: the year is out of range",
        ),
        (set_at("effectivePeriod", value=[]), "entry[3].effectivePeriod: an object is needed here. Found a list of 0"),
        (set_at("effectivePeriod", value=KeyError), "entry[3].effectivePeriod: a field is missing"),
        (
            set_at("effectiveDateTime", value="2026-03-01T23:20:30+02:00"),
            "entry[3].effectiveDateTime: a moment or a timing is no interval of sleep",
        ),
        (
            set_at("status", value="entered-in-error"),
            "entry[3].status: this Observation was withdrawn. Found entered-in-error",
        ),
        (set_at("status", value="cancelled"), "entry[3].status: this Observation was withdrawn. Found cancelled"),
        (set_at("status", value="done"), "entry[3].status: this is no status of an Observation. Found done"),
        (set_at("status", value=KeyError), "entry[3].status: a field is missing"),
        (
            set_at("valueCodeableConcept", value=KeyError),
            "entry[3].valueCodeableConcept: a field is missing. Found nothing; expected a code of "
            "sleep-analysis-codes: inBed, awake, asleepREM, asleepCore, asleepDeep, asleepUnspecified",
        ),
        (
            set_at("valueCodeableConcept", "coding", value="deep"),
            "entry[3].valueCodeableConcept.coding: a list is needed here. Found a text",
        ),
        (
            set_at("valueCodeableConcept", "coding", value=[{"display": "Jane sleeps"}]),
            "entry[3].valueCodeableConcept: the coded value holds no code",
        ),
        (
            set_at(
                "valueCodeableConcept",
                "coding",
                value=[{"system": STAGE_SYSTEM, "code": c} for c in ("awake", "asleepDeep")],
            ),
            "entry[3].valueCodeableConcept: two codes name two stages. Found awake, asleepDeep",
        ),
    ],
)
def test_a_malformed_observation_is_told_by_the_path_of_its_field(tmp_path, change, message):
    path = write(tmp_path, changed(3, change))
    with pytest.raises(SleepAgreeError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: {message}")
    assert "Jane" not in str(caught.value)


def test_a_value_of_another_type_is_told(tmp_path):
    def change(resource):
        del resource["valueCodeableConcept"]
        resource["valueString"] = "deep, says Jane"

    path = write(tmp_path, changed(3, change))
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert "entry[3].valueString: the stage must be a coded value" in str(caught.value)
    assert "Jane" not in str(caught.value)


def test_a_code_the_system_does_not_have_is_an_unknown_label(tmp_path):
    # the code system is case-sensitive
    path = write(tmp_path, changed(3, lambda r: r["valueCodeableConcept"]["coding"][0].update(code="asleepdeepest")))
    with pytest.raises(UnknownStageError, match="asleepdeepest"):
        read_json(path)


def test_an_end_before_the_start_is_told_by_its_place(tmp_path):
    path = write(tmp_path, changed(3, set_at("effectivePeriod", "end", value="2026-03-01T23:10:00+02:00")))
    with pytest.raises(EpochGridError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: entry[3]: the row ends before it begins")


def test_overlaps_within_one_source_are_refused_unless_a_layout_settles_them(tmp_path):
    path = write(tmp_path, changed(3, set_at("effectivePeriod", "end", value="2026-03-01T23:55:00+02:00")))
    with pytest.raises(EpochGridError, match=r"entry\[3\] and entry\[4\]"):
        read_json(path)
    spans = read_json(path, layout=Layout(overlaps=Overlaps.LATER_WINS))
    assert (spans.duration_s / 60).tolist() == [15, 25.5, 29.5, 20, 30]


def test_places_in_files_of_one_resource_a_line(tmp_path):
    night = copy.deepcopy(NIGHT)
    del night[2]["effectivePeriod"]["end"]
    path = write(tmp_path, "\n".join(json.dumps(r) for r in night), "night.ndjson")
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: line 3: effectivePeriod.end: a field is missing")


# --- totals, people, sources ------------------------------------------------------------------------------


def test_a_summary_is_no_sequence_of_stages(tmp_path):
    summary = {
        "resourceType": "Observation",
        "status": "final",
        "effectivePeriod": {"start": "2026-03-01T22:40:00Z", "end": "2026-03-02T06:40:00Z"},
        "component": [{"code": {"coding": [{"code": "totalSleepTime"}]}, "valueQuantity": {"value": 401}}],
    }
    path = write(tmp_path, bundle(summary, NIGHT[0]))
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value).startswith(
        f"{path}: no sequence of stages is in this file. Found 1 summaries of a night, 1 in-bed intervals; expected "
        "Observations with the code sleepAnalysis"
    )
    beside = read_json(write(tmp_path, bundle(summary, *NIGHT)))
    assert dict(beside.ignored) == {"summary of a night (totals)": 1}


def test_a_bundle_without_entries_is_told(tmp_path):
    with pytest.raises(FileFormatError, match="entry: a field is missing"):
        read_json(write(tmp_path, {"resourceType": "Bundle", "type": "collection"}))


def second_source(resource):
    return {**copy.deepcopy(resource), "device": {"reference": "Device/canary-2", "display": "Jane's second band"}}


def first_source(resource):
    return {**copy.deepcopy(resource), "device": {"reference": "Device/canary-1", "display": "Jane's band"}}


def test_two_sources_on_one_night_are_asked_about(tmp_path):
    mixed = bundle(*(first_source(r) for r in NIGHT[1:4]), second_source(NIGHT[1]), second_source(NIGHT[4]))
    path = write(tmp_path, mixed)
    with pytest.raises(InputError) as caught:
        read_json(path)
    message = str(caught.value)
    assert "Choose one in a layout: [file] source = 1, or 2." in message
    assert message.startswith(f"{path}: entry[3]: two sources scored the same night. Found source 1 (3 intervals")
    assert "canary" not in message
    assert "Jane" not in message
    second = read_json(path, layout=Layout(source=2))
    assert [second.stages[c] for c in second.codes] == ["W", "R"]
    assert any("only source 2 of 2" in note for note in said(second.notes))
    with pytest.raises(InputError, match="Found source 3; expected a number from 1 to 2"):
        read_json(path, layout=Layout(source=3))


def test_two_sources_on_two_nights_are_both_read(tmp_path):
    later = copy.deepcopy(NIGHT[1])
    later["effectivePeriod"] = {"start": "2026-03-02T22:40:00+02:00", "end": "2026-03-02T22:55:00+02:00"}
    spans = read_json(write(tmp_path, bundle(*(first_source(r) for r in NIGHT[1:4]), second_source(later))))
    assert spans.onset_s.size == 4
    assert any("2 sources" in note for note in said(spans.notes))


def test_the_bed_of_another_source_is_no_second_source(tmp_path):
    spans = read_json(write(tmp_path, bundle(second_source(NIGHT[0]), *(first_source(r) for r in NIGHT[1:]))))
    assert spans.onset_s.size == 5


def test_two_people_in_one_file_are_refused_without_naming_them(tmp_path):
    people = [{**copy.deepcopy(r), "subject": {"reference": f"Patient/canary-{i // 3}"}} for i, r in enumerate(NIGHT)]
    path = write(tmp_path, bundle(*people))
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: entry[3].subject: the file holds sleep of more than one person")
    assert "canary" not in str(caught.value)


def test_nothing_that_tells_a_person_is_kept(tmp_path):
    canaries = {
        "subject": {"reference": "Patient/canary-subject", "display": "canary-name"},
        "performer": [{"reference": "Patient/canary-performer", "display": "canary-performer-name"}],
        "device": {"reference": "Device/canary-device", "display": "canary-device-name"},
        "note": [{"text": "canary-note"}],
        "text": {"div": "<div>canary-div</div>"},
        "extension": [{"url": "x", "valueString": "canary-extension"}],
    }
    named = [{**copy.deepcopy(resource), **canaries, "id": f"canary-{i}"} for i, resource in enumerate(NIGHT)]
    patient = {"resourceType": "Patient", "id": "canary", "name": [{"family": "canary-family"}]}
    spans = read_json(write(tmp_path, bundle(patient, *named)))
    kept = repr(spans) + repr([getattr(spans, name) for name in spans.__dataclass_fields__])
    assert "canary" not in kept


# --- clocks -----------------------------------------------------------------------------------------------


def in_z(resource):
    return json.loads(json.dumps(resource).replace("+02:00", "Z"))


def test_z_is_taken_at_its_word_and_noted(tmp_path):
    spans = read_json(write(tmp_path, bundle(*map(in_z, NIGHT))))
    assert spans.start == datetime(2026, 3, 1, 22, 40, tzinfo=UTC)
    assert any("written as UTC (Z), which is a claim" in note for note in said(spans.notes))


def test_a_zone_given_goes_before_a_claim_of_utc_and_says_so(tmp_path):
    spans = read_json(write(tmp_path, bundle(*map(in_z, NIGHT))), zone="Europe/Helsinki")
    # Helsinki is two hours before UTC in early March
    assert spans.start == datetime(2026, 3, 1, 20, 40, tzinfo=UTC)
    assert said(spans.cautions) == (
        "The file's times end in Z, which claims UTC; as asked they were read as local times of Europe/Helsinki.",
    )


def test_a_zone_does_not_touch_offsets_that_the_file_tells(tmp_path):
    spans = read_json(write(tmp_path, bundle(*NIGHT)), zone="America/Lima")
    assert spans.start == datetime(2026, 3, 1, 20, 40, tzinfo=UTC)
    assert "zone America/Lima not used: the file tells offsets from UTC" in said(spans.notes)


def test_two_zones_that_differ_are_refused(tmp_path):
    with pytest.raises(ClockError, match="the layout names one zone, the command another"):
        read_json(write(tmp_path, bundle(*NIGHT)), zone="Asia/Tokyo", layout=Layout(zone="Europe/Paris"))


def test_times_without_offset_are_read_with_a_zone(tmp_path):
    naive = json.loads(json.dumps(bundle(*NIGHT)).replace("+02:00", ""))
    path = write(tmp_path, naive)
    with pytest.raises(ClockError, match=r"entry\[0\].effectivePeriod.start"):
        read_json(path)
    spans = read_json(path, zone="Europe/Helsinki")
    assert spans.start == datetime(2026, 3, 1, 20, 40, tzinfo=UTC)
    assert said(spans.cautions) == ()


def test_some_times_without_offset_are_refused(tmp_path):
    path = write(tmp_path, changed(3, set_at("effectivePeriod", "start", value="2026-03-01T23:20:30")))
    with pytest.raises(ClockError, match="some times carry an offset from UTC, others none"):
        read_json(path, zone="Europe/Helsinki")


def test_elapsed_time_across_a_change_of_the_clock(tmp_path):
    # 2026-10-25: Helsinki goes from +03:00 to +02:00 at 04:00; 03:30+03:00 to 03:30+02:00 is one hour
    spans = read_json(
        write(
            tmp_path,
            [
                observation("awake", "2026-10-25T03:00:00+03:00", "2026-10-25T03:30:00+03:00"),
                observation("asleepCore", "2026-10-25T03:30:00+03:00", "2026-10-25T03:30:00+02:00"),
                observation("asleepDeep", "2026-10-25T03:30:00+02:00", "2026-10-25T05:00:00+02:00"),
            ],
        )
    )
    assert (spans.onset_s / 60).tolist() == [0, 30, 90]
    assert any("offset from UTC changes from +03:00 to +02:00" in note for note in said(spans.notes))


def test_local_times_in_a_repeated_hour_are_told_apart_by_their_order(tmp_path):
    naive = [
        observation("awake", "2026-10-25T02:30:00", "2026-10-25T03:15:00"),
        observation("asleepCore", "2026-10-25T03:15:00", "2026-10-25T05:00:00"),
    ]
    with pytest.raises(ClockError, match="this time happens twice in the zone"):
        read_json(write(tmp_path, naive), zone="Europe/Helsinki")


def test_a_file_that_never_says_wake_is_cautioned_about(tmp_path):
    spans = read_json(write(tmp_path, bundle(NIGHT[0], NIGHT[5])))
    assert said(spans.cautions) == (
        "The file holds no interval of wake: time without an interval is a gap in it, not wake.",
    )


def test_inclusive_ends_are_asked_about(tmp_path):
    minutes = [
        observation(
            code, f"2026-03-01T23:{10 * i:02d}:00Z", f"2026-03-01T23:{10 * i + 9:02d}:59Z"
        )
        for i, code in enumerate(["awake", "asleepCore", "asleepDeep", "asleepCore", "asleepREM", "awake"])
    ]  # fmt: skip
    with pytest.raises(EpochGridError, match="the ends lie 1 s before the next beginning"):
        read_json(write(tmp_path, minutes))


def test_a_night_as_a_bundle_equals_the_same_night_as_intervals(tmp_path):
    rng = np.random.default_rng(5)
    lengths = rng.integers(1, 40, 60) * 30
    edges = np.concatenate([[0], np.cumsum(lengths)])
    codes = rng.choice(["awake", "asleepCore", "asleepDeep", "asleepREM"], 60)
    base = datetime(2026, 3, 1, 21, 0, 0, tzinfo=UTC)
    moments = [(base + timedelta(seconds=int(edge))).isoformat().replace("+00:00", "Z") for edge in edges]
    resources = [observation(c, a, b) for c, a, b in zip(codes, moments[:-1], moments[1:], strict=True)]
    order = rng.permutation(60)
    spans = read_json(write(tmp_path, bundle(*(resources[i] for i in order))))
    np.testing.assert_array_equal(spans.onset_s, edges[:-1] - edges[0])
    np.testing.assert_array_equal(spans.duration_s, lengths)
    assert [spans.labels[c] for c in spans.codes] == codes.tolist()
    assert spans.epoch_s == 30


def local(*rows):
    """Return a Bundle of rows of a clock in Helsinki on 2026-10-25, when 04:00 became 03:00."""
    return bundle(*(observation(code, f"2026-10-25T{begin}:00", f"2026-10-25T{end}:00") for code, begin, end in rows))


NAP = (
    ("asleepREM", "03:30", "03:35"),
    ("asleepDeep", "03:35", "03:45"),
    ("asleepCore", "03:45", "03:55"),
    ("asleepREM", "03:00", "03:20"),
    ("asleepREM", "03:20", "03:40"),
)


@pytest.mark.parametrize("turn", [1, -1])
def test_a_repeated_hour_is_told_apart_by_the_order_of_the_file(tmp_path, turn):
    spans = read_json(write(tmp_path, local(*NAP[::turn])), zone="Europe/Helsinki")
    assert spans.start.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert (spans.onset_s / 60).tolist() == [0, 5, 15, 30, 50]


def test_each_source_has_its_own_order(tmp_path):
    rows = [*local(*NAP)["entry"], *local(("asleepCore", "11:00", "11:30"))["entry"]]
    for entry in rows[:-1]:
        entry["resource"]["device"] = {"reference": "Device/pad-b"}
    spans = read_json(
        write(tmp_path, {"resourceType": "Bundle", "entry": rows[-1:] + rows[:-1]}), zone="Europe/Helsinki"
    )
    assert spans.start.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_one_step_back_alone_tells_no_hour(tmp_path):
    with pytest.raises(ClockError, match="happens twice"):
        read_json(write(tmp_path, local(NAP[0], NAP[3])), zone="Europe/Helsinki")


@pytest.mark.parametrize("bed", [(), (("inBed", "02:00", "03:30"),)])
def test_a_container_decides_no_hour(tmp_path, bed):
    rows = (("asleepCore", "01:00", "02:30"), ("awake", "03:10", "03:20"), ("asleepCore", "04:30", "05:00"))
    with pytest.raises(ClockError, match="happens twice"):
        read_json(write(tmp_path, local(*bed, *rows)), zone="Europe/Helsinki")


# --- Bundles, histories, pages ----------------------------------------------------------------------------


def entries(*resources, **more):
    """Return entries with the URL of a server, and ids by position where a resource has none."""
    named = [{"id": f"s{i}", **copy.deepcopy(resource)} for i, resource in enumerate(resources)]
    return [{"fullUrl": f"https://ferry.example/Observation/{r['id']}", "resource": r, **more} for r in named]


def history(*listed):
    return {"resourceType": "Bundle", "type": "history", "entry": list(listed)}


def corrected(**meta):
    """Return another version of the deep sleep of the night, id s3, that ends 20 min earlier."""
    newer = observation("asleepDeep", "2026-03-01T23:20:30+02:00", "2026-03-01T23:30:00+02:00", id="s3", meta=meta)
    return newer | {"status": "corrected"}


DELETED = {"fullUrl": "https://ferry.example/Observation/s3", "request": {"method": "DELETE", "url": "Observation/s3"}}


def deep_min(spans):
    return [float(d) / 60 for d, c in zip(spans.duration_s, spans.codes, strict=True) if spans.stages[c] == "N3"]


def test_of_a_history_the_newest_version_holds(tmp_path):
    # R4, http.html#history: the oldest versions last; a deletion is an entry without a resource (from memory)
    night = entries(*NIGHT)
    assert deep_min(read_json(write(tmp_path, history(*entries(corrected()), *night)))) == [9.5]
    withdrawn = copy.deepcopy(NIGHT[3]) | {"id": "s3", "status": "entered-in-error"}
    spans = read_json(write(tmp_path, history(*night, *entries(withdrawn))))
    assert deep_min(spans) == [29.5]
    assert dict(spans.ignored) == {"deleted or earlier version": 1}
    assert deep_min(read_json(write(tmp_path, history(DELETED, *night)))) == []
    assert deep_min(read_json(write(tmp_path, history(*night, DELETED)))) == [29.5]


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ({"versionId": "2"}, {"versionId": "10"}),
        # lastUpdated goes first: versions need not be numbers (R4, resource.html#Meta; from memory)
        (
            {"versionId": "9", "lastUpdated": "2026-03-02T08:00:00Z"},
            {"versionId": "1", "lastUpdated": "2026-03-02T11:00:00+02:00"},
        ),
    ],
)
def test_of_several_versions_anywhere_the_newest_holds(tmp_path, older, newer):
    first = NIGHT[3] | {"id": "s3", "meta": older}
    for form in ([*NIGHT, corrected(**newer), first, first], [first, *NIGHT, corrected(**newer)]):
        listed = [resource for resource in form if resource is not NIGHT[3]]
        assert deep_min(read_json(write(tmp_path, listed))) == [9.5]


@pytest.mark.parametrize(
    "content",
    [
        [NIGHT[3] | {"id": "s3"}, corrected()],
        [NIGHT[3] | {"id": "s3", "meta": {"versionId": "1"}}, corrected(versionId="1")],
        history(*entries(NIGHT[3] | {"id": "s3", "meta": {"versionId": "1"}}, corrected(versionId="2"))),
    ],
)
def test_versions_that_nothing_tells_apart_are_refused(tmp_path, content):
    with pytest.raises(FileFormatError, match=r"\[\d\]: this Observation stands here in several versions"):
        read_json(write(tmp_path, content))


def test_one_id_on_two_servers_is_two_observations(tmp_path):
    # R4, bundle.html#bundle-unique: an id is unique on its server (from memory)
    night = entries(*({**r, "id": f"s{i // 2}"} for i, r in enumerate(NIGHT)))
    for entry in night[1::2]:
        entry["fullUrl"] = entry["fullUrl"].replace("ferry", "pad")
    assert read_json(write(tmp_path, history(*night))).onset_s.size == 5


@pytest.mark.parametrize("page", [0, 1])
def test_one_page_of_a_search_is_refused(tmp_path, page):
    # R4, http.html#paging: links "next" and "previous" (from memory)
    pages = [bundle(*NIGHT[:3]), bundle(*NIGHT[3:])]
    for one, relation in zip(pages, ("next", "previous"), strict=True):
        one["link"] = [{"relation": "self", "url": "x"}, {"relation": relation, "url": "x"}]
    assert read_json(write(tmp_path, pages)).onset_s.size == 5
    with pytest.raises(FileFormatError, match=f"this is one page of a search.*link '{('next', 'previous')[page]}'"):
        read_json(write(tmp_path, pages[page]))


@pytest.mark.parametrize("form", ["list", "inside"])
def test_bundles_may_stand_in_lists_and_in_bundles(tmp_path, form):
    content = {
        "list": [bundle(*NIGHT[:3]), bundle(*NIGHT[3:])],
        "inside": bundle(*NIGHT[:2], bundle(NIGHT[2], bundle(NIGHT[3])), *NIGHT[4:]),
    }[form]
    assert read_json(write(tmp_path, content)).onset_s.size == 5


def test_an_unknown_modifier_is_refused(tmp_path):
    # R4, extensibility.html#modifierExtension: what is modified by what is unknown is not processed (from memory)
    path = write(tmp_path, changed(3, lambda r: r.update(modifierExtension=[{"url": "urn:not-done"}])))
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: entry[3].modifierExtension: an extension that changes what this says")


# --- references -------------------------------------------------------------------------------------------


def with_own(key, *names):
    """Return the night with the reference #x of each Observation to what it contains under that id."""
    return [
        {
            **r,
            key: {"reference": "#x"},
            "contained": [{"resourceType": "Any", "id": "x", "name": names[i % len(names)]}],
        }
        for i, r in enumerate(NIGHT)
    ]


def test_what_a_resource_contains_is_its_own(tmp_path):
    # R4, references.html#contained: the id of a contained resource is known inside its container alone (from memory)
    assert read_json(write(tmp_path, with_own("subject", "canary"))).onset_s.size == 5
    with pytest.raises(FileFormatError, match="more than one person") as caught:
        read_json(write(tmp_path, with_own("subject", "canary", "other canary")))
    assert "canary" not in str(caught.value)
    with pytest.raises(InputError, match="two sources scored the same night"):
        read_json(write(tmp_path, [*with_own("device", "band A"), *with_own("device", "pad B")]))
    with pytest.raises(FileFormatError, match="a reference leads to nothing inside the Observation"):
        read_json(write(tmp_path, changed(3, lambda r: r.update(subject={"reference": "#x"}))))


def told_by(*references):
    return [r | {"subject": {"reference": references[i % len(references)]}} for i, r in enumerate(NIGHT)]


def test_references_to_one_person_may_differ_in_form(tmp_path):
    # R4, references.html#literal and bundle.html#references: a version does not matter to who it is; what is relative
    # is on the server of the fullUrl (from memory)
    assert read_json(write(tmp_path, told_by("Patient/1", "Patient/1/_history/3"))).onset_s.size == 5
    forms = told_by("Patient/1", "https://ferry.example/Patient/1/_history/2", "https://ferry.example/Patient/1")
    night = {"resourceType": "Bundle", "entry": entries(*forms)}
    assert read_json(write(tmp_path, night)).onset_s.size == 5
    with pytest.raises(FileFormatError, match=r"\[1\].subject: whether this is the person of the records before"):
        read_json(write(tmp_path, forms))
    with pytest.raises(FileFormatError, match="more than one person"):
        read_json(write(tmp_path, {**night, "entry": entries(*told_by("Patient/1", "https://pad.example/Patient/1"))}))


# --- codes ------------------------------------------------------------------------------------------------


def test_codes_differ_by_their_case(tmp_path):
    # sleep-analysis-codes: caseSensitive is true (seen)
    path = write(tmp_path, changed(3, lambda r: r["valueCodeableConcept"]["coding"][0].update(code="ASLEEPDEEP")))
    with pytest.raises(UnknownStageError, match="ASLEEPDEEP"):
        read_json(path)


def test_of_several_codings_the_one_that_is_known_counts(tmp_path):
    def add_codings(resource):
        codings = [{"system": "urn:raw", "code": "17"}, {"system": "urn:own", "code": "phase-3"}]
        resource["valueCodeableConcept"] = {"coding": codings}

    path = write(tmp_path, changed(3, add_codings))
    with pytest.raises(UnknownStageError, match="17"):
        read_json(path)
    assert deep_min(read_json(path, layout=Layout(stages={"phase-3": "deep"}))) == [29.5]
    assert deep_min(read_json(path, layout=Layout(stages={"phase-3": "deep", "17": "deep"}))) == [29.5]
    with pytest.raises(FileFormatError, match="two codes name two stages"):
        read_json(path, layout=Layout(stages={"phase-3": "deep", "17": "light"}))


def test_no_layout_is_proposed_past_the_rules_of_fhir(tmp_path):
    def only_text(resource):
        resource["valueCodeableConcept"] = {"coding": [{"system": STAGE_SYSTEM}], "text": "deep sleep"}

    assert propose_layout(write(tmp_path, changed(3, only_text))) is None


# --- places and steps -------------------------------------------------------------------------------------


def test_lines_are_told_by_their_number_alone(tmp_path):
    overlap = observation("asleepREM", "2026-03-01T23:30:00+02:00", "2026-03-01T23:50:00+02:00")
    lines = "\n".join(map(json.dumps, (*NIGHT[:4], overlap)))
    with pytest.raises(EpochGridError) as caught:
        read_json(write(tmp_path, lines, "night.ndjson"))
    assert "night.ndjson: line 4 and line 5: two rows with different labels overlap" in str(caught.value)


def test_steps_longer_than_an_epoch_are_cautioned_about(tmp_path):
    hours = [f"2026-03-02T0{hour}:{minute}:00+02:00" for hour in range(3) for minute in ("00", "20", "40")]
    night = [observation(code, *pair) for code, pair in zip(["awake", "asleepREM"] * 4, pairwise(hours), strict=True)]
    assert [(c.kind.value, c["seconds"]) for c in read_json(write(tmp_path, night)).cautions] == [("long_step", 1200)]
