"""Sleep-stage records of IEEE 1752.1 and Open mHealth.

Field names: omh:sleep-episode:1.1, omh:time-interval:1.1 and the duration units (schemas seen);
``sleep_stage_summary``, ``sleep_stage_episodes``, ``sleep_stage_state`` and the two keys of time frames as public
code writes and reads them (seen; the IEEE schema files themselves could not be opened). The nights are invented.
"""

import copy
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest

from sleepagree.errors import FileFormatError, InputError, SleepAgreeError, UnknownStageError
from sleepagree.readers.json.file import read_json
from sleepagree.readers.layout import Layout
from tests.said import said


def minutes(value):
    return {"value": value, "unit": "min"}


def between(start, end):
    return {"time_interval": {"start_date_time": start, "end_date_time": end}}


STAGES = (
    ("awake", "2026-03-01T22:40:00+02:00", "2026-03-01T22:55:00+02:00"),
    ("light", "2026-03-01T22:55:00+02:00", "2026-03-01T23:25:00+02:00"),
    ("deep", "2026-03-01T23:25:00+02:00", "2026-03-01T23:50:30+02:00"),
    ("rem", "2026-03-01T23:50:30+02:00", "2026-03-02T00:10:30+02:00"),
)


def record(**more):
    return {
        "sleep_stage_summary": {
            "total_sleep_time": minutes(75.5),
            "light_sleep_duration": minutes(30),
            "deep_sleep_duration": minutes(25),
            "rem_sleep_duration": {"value": 1200, "unit": "sec"},
        },
        "effective_time_frame": between("2026-03-01T22:40:00+02:00", "2026-03-02T00:10:30+02:00"),
        "sleep_stage_episodes": [
            {"sleep_stage_state": state, "sleep_stage_time_frame": between(start, end)} for state, start, end in STAGES
        ],
        **more,
    }


def write(tmp_path, content, name="night.json"):
    path = tmp_path / name
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def flat(spans):
    return [
        (spans.stages[c], float(o), float(d))
        for c, o, d in zip(spans.codes, spans.onset_s, spans.duration_s, strict=True)
    ]


# seconds after 22:40, worked out by hand
EXPECTED = [("W", 0.0, 900.0), ("light", 900.0, 1800.0), ("N3", 2700.0, 1530.0), ("R", 4230.0, 1200.0)]


@pytest.mark.parametrize(
    "form",
    [
        "body",
        "data point",
        "list",
        "lines",
        "episodes inside the summary",
        "body.sleep[]",
        "one stage a record",
        "other key",
    ],
)
def test_every_form_of_a_record_gives_the_same_night(tmp_path, form):
    body = record()
    singles = body["sleep_stage_episodes"]
    nested = copy.deepcopy(body)
    nested["sleep_stage_summary"]["sleep_stage_episodes"] = nested.pop("sleep_stage_episodes")
    content = {
        "body": body,
        "data point": {"header": {"schema_id": {"namespace": "ieee", "name": "sleep-stage-summary"}}, "body": body},
        "list": [{"body": body}],
        "lines": json.dumps(record(sleep_stage_episodes=singles[:2]))
        + "\n"
        + json.dumps(record(sleep_stage_episodes=singles[2:])),
        "episodes inside the summary": nested,
        "body.sleep[]": {"header": {}, "body": {"sleep": singles}},
        "one stage a record": [{"body": single} for single in singles],
        "other key": {"body": {"sleep": [
            {"sleep_stage_state": s["sleep_stage_state"], "effective_time_frame": s["sleep_stage_time_frame"]}
            for s in singles
        ]}},
    }[form]  # fmt: skip
    spans = read_json(write(tmp_path, content))
    assert flat(spans) == EXPECTED
    assert spans.start == datetime(2026, 3, 1, 22, 40, tzinfo=timezone(timedelta(hours=2)))
    assert spans.origin.reader == "mobile-health"
    key = "effective_time_frame" if form == "other key" else "sleep_stage_time_frame"
    assert f"4 stages tell their time under {key}" in said(spans.notes)
    assert any("inside sleep_stage_summary" in note for note in said(spans.notes)) == (
        form == "episodes inside the summary"
    )


def frame_of(**interval):
    body = record()
    body["sleep_stage_episodes"][2]["sleep_stage_time_frame"] = {"time_interval": interval}
    return body


@pytest.mark.parametrize(
    "interval",
    [
        {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": minutes(25.5)},
        {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": {"value": 1530, "unit": "sec"}},
        {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": {"value": 0.425, "unit": "h"}},
        {"end_date_time": "2026-03-01T23:50:30+02:00", "duration": {"value": 1530000, "unit": "ms"}},
        {
            "start_date_time": "2026-03-01T23:25:00+02:00",
            "end_date_time": "2026-03-01T21:50:30Z",
            "duration": minutes(25.5),
        },
    ],
)
def test_start_end_and_duration_in_any_pair(tmp_path, interval):
    assert flat(read_json(write(tmp_path, frame_of(**interval)))) == EXPECTED


PLACE = "sleep_stage_episodes[2].sleep_stage_time_frame.time_interval"


@pytest.mark.parametrize(
    ("interval", "message"),
    [
        (
            {"date": "2026-03-01", "part_of_day": "night"},
            f"{PLACE}: a date with a part of the day tells no clock time. Found date and part_of_day; expected "
            "start_date_time with end_date_time or duration, or end_date_time with duration.",
        ),
        (
            {"start_date_time": "2026-03-01T23:25:00+02:00"},
            f"{PLACE}: the interval is not complete. Found start_date_time;",
        ),
        ({"duration": minutes(5)}, f"{PLACE}: the interval is not complete. Found duration;"),
        ({}, f"{PLACE}: the interval is not complete. Found none of these;"),
        (
            {"start_date_time": "2026-03-01T23:25:00", "duration": minutes(5)},
            f"{PLACE}.start_date_time: a time without an offset names no moment",
        ),
        (
            {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": {"value": 1, "unit": "Mo"}},
            f"{PLACE}.duration.unit: this unit has no fixed length or is unknown. Found Mo;",
        ),
        (
            {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": {"value": "25", "unit": "min"}},
            f"{PLACE}.duration.value: a number is needed here. Found a text;",
        ),
        (
            {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": minutes(-5)},
            f"{PLACE}.duration: no sleep has this duration. Found -5 min",
        ),
        (
            {"start_date_time": "2026-03-01T23:25:00+02:00", "duration": {"unit": "min"}},
            f"{PLACE}.duration.value: a field is missing.",
        ),
        (
            {
                "start_date_time": "2026-03-01T23:25:00+02:00",
                "end_date_time": "2026-03-01T23:50:30+02:00",
                "duration": minutes(60),
            },
            "sleep_stage_episodes[2]: the duration disagrees with start and end. Found 3600 s; expected 1530 s.",
        ),
        (
            {"start_date_time": "2026-03-01T23:25:00+02:00", "end_date_time": "2026-03-01T23:20:00+02:00"},
            "sleep_stage_episodes[2]: the row ends before it begins",
        ),
    ],
)
def test_a_malformed_interval_is_told_by_its_path(tmp_path, interval, message):
    path = write(tmp_path, frame_of(**interval))
    with pytest.raises(SleepAgreeError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: {message}")


@pytest.mark.parametrize(
    ("stage", "message"),
    [
        (
            {"sleep_stage_time_frame": between(*STAGES[2][1:])},
            "sleep_stage_episodes[2].sleep_stage_state: a field is missing. Found nothing; expected awake, light, deep "
            "or rem.",
        ),
        ({"sleep_stage_state": "deep"}, "sleep_stage_episodes[2].sleep_stage_time_frame: a field is missing"),
        (
            {"sleep_stage_state": "deep", "sleep_stage_time_frame": {"date_time": "2026-03-01T23:25:00+02:00"}},
            "sleep_stage_episodes[2].sleep_stage_time_frame.date_time: a moment is no interval of sleep",
        ),
        ({"sleep_stage_state": 3}, "sleep_stage_episodes[2].sleep_stage_state: a text is needed here"),
        (
            {
                "sleep_stage_state": "deep",
                "sleep_stage_time_frame": between(*STAGES[2][1:]),
                "effective_time_frame": between(*STAGES[1][1:]),
            },
            "sleep_stage_episodes[2].effective_time_frame: two time frames of one stage disagree",
        ),
    ],
)
def test_a_malformed_stage_is_told_by_its_path(tmp_path, stage, message):
    body = record()
    body["sleep_stage_episodes"][2] = stage
    path = write(tmp_path, body)
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: {message}")


def test_paths_start_at_the_root_of_the_file(tmp_path):
    body = record()
    del body["sleep_stage_episodes"][2]["sleep_stage_state"]
    path = write(tmp_path, [{"header": {}, "body": record()}, {"header": {}, "body": {"sleep": [body]}}])
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert "[1].body.sleep[0].sleep_stage_episodes[2].sleep_stage_state" in str(caught.value)


def test_an_unknown_state_needs_a_layout(tmp_path):
    body = record()
    body["sleep_stage_episodes"][2]["sleep_stage_state"] = "drowsy"
    path = write(tmp_path, body)
    with pytest.raises(UnknownStageError, match=r"drowsy.*sleep_stage_episodes\[2\]"):
        read_json(path)
    assert read_json(path, layout=Layout(stages={"drowsy": "N1"})).stages[2] == "N1"


# --- totals -----------------------------------------------------------------------------------------------


def test_totals_alone_are_no_sequence_of_stages(tmp_path):
    episode = {
        "effective_time_frame": {
            "time_interval": {"start_date_time": "2026-03-01T23:41:00+02:00", "duration": {"value": 7.2, "unit": "h"}}
        },
        "total_sleep_time": minutes(401),
        "is_main_sleep": True,
    }
    path = write(tmp_path, [episode, {"header": {}, "body": {"steps": 7}}])
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value) == (
        f"{path}: no sequence of stages is in this file. Found 1 records with totals only, 1 records of another "
        "kind; expected sleep_stage_episodes, each with sleep_stage_state and a time_interval. Totals of a night can "
        "be compared by their bias only; export the intervals."
    )


def test_a_total_that_differs_by_more_than_an_epoch_is_noted_with_both_numbers(tmp_path):
    # stages by hand: light 30, deep 25.5, rem 20 min; deep is stated as 25 min, within one epoch of 30 s
    assert not [n for n in said(read_json(write(tmp_path, record())).notes) if n.startswith("summary_disagrees")]
    body = record()
    body["sleep_stage_summary"]["rem_sleep_duration"] = minutes(22)
    body["sleep_stage_summary"]["total_sleep_time"] = minutes(80)
    assert [n for n in said(read_json(write(tmp_path, body)).notes) if n.startswith("summary_disagrees")] == [
        "summary_disagrees: sleep_stage_summary.rem_sleep_duration says 22.0 min, its stages sum to 20.0 min; the "
        "stages were used",
        "summary_disagrees: sleep_stage_summary.total_sleep_time says 80.0 min, its stages sum to 75.5 min; the "
        "stages were used",
    ]


def test_a_layout_goes_before_the_formats_own_words_in_any_case(tmp_path):
    """Totals of a summary count a label as what the layout says of it; light is rem here, and rem light."""
    body = record()
    body["sleep_stage_summary"] |= {"light_sleep_duration": minutes(20), "rem_sleep_duration": minutes(30)}
    spans = read_json(write(tmp_path, body), layout=Layout(stages={"LIGHT": "rem", "Rem": "light"}))
    assert dict(zip(spans.labels, spans.stages, strict=True))["light"] == "R"
    assert not [n for n in said(spans.notes) if n.startswith("summary_disagrees")]


def test_totals_follow_the_stages_that_a_layout_names(tmp_path):
    body = json.loads(json.dumps(record()).replace('"deep"', '"slow"'))
    notes = said(read_json(write(tmp_path, body), layout=Layout(stages={"slow": "deep"})).notes)
    assert not [n for n in notes if n.startswith("summary_disagrees")]


def test_stages_outside_their_record_and_naps_are_noted(tmp_path):
    body = record(effective_time_frame=between("2026-03-01T22:50:00+02:00", "2026-03-02T00:10:30+02:00"))
    notes = said(read_json(write(tmp_path, {**body, "is_main_sleep": False})).notes)
    assert "1 stages reach outside their record's effective_time_frame" in notes
    assert "1 of 1 records are marked as not the main sleep; read all the same" in notes


# --- people and sources -----------------------------------------------------------------------------------


def from_source(source, body, **header):
    provenance = {"source_name": f"canary {source}", "source_creation_date_time": "2026-03-02T07:00:00Z"}
    return {"header": {"acquisition_provenance": provenance, **header}, "body": body}


def test_two_sources_on_one_night_are_asked_about(tmp_path):
    path = write(tmp_path, [from_source("A", record()), from_source("B", record())])
    with pytest.raises(InputError) as caught:
        read_json(path)
    assert "two sources scored the same night" in str(caught.value)
    assert "canary" not in str(caught.value)
    assert flat(read_json(path, layout=Layout(source=2))) == EXPECTED


def test_two_users_are_refused_without_naming_them(tmp_path):
    path = write(
        tmp_path, [from_source("A", record(), user_id="canary-1"), from_source("A", record(), user_id="canary-2")]
    )
    with pytest.raises(FileFormatError) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: [1].header.user_id: the file holds sleep of more than one person")
    assert "canary" not in str(caught.value)


def test_nothing_that_tells_a_person_is_kept(tmp_path):
    point = from_source("A", record(notes="canary note"), user_id="canary user", uuid="canary uuid")
    spans = read_json(write(tmp_path, point))
    assert "canary" not in repr([getattr(spans, name) for name in spans.__dataclass_fields__])


def test_z_may_be_overridden_by_a_zone(tmp_path):
    content = json.loads(json.dumps(record()).replace("+02:00", "Z"))
    path = write(tmp_path, content)
    assert read_json(path).start == datetime(2026, 3, 1, 22, 40, tzinfo=UTC)
    placed = read_json(path, zone="Europe/Helsinki")
    assert placed.start == datetime(2026, 3, 1, 20, 40, tzinfo=UTC)
    assert len(said(placed.cautions)) == 1


def over_spring_change(*told, suffix=""):
    """Return a night of clock times in Helsinki over 2026-03-29, when 03:00 became 04:00, telling what is asked for."""
    rows = (
        ("awake", "2026-03-28T23:00:00", "2026-03-29T01:15:00", minutes(135)),
        ("light", "2026-03-29T01:15:00", "2026-03-29T05:15:00", minutes(180)),
        ("rem", "2026-03-29T05:15:00", "2026-03-29T06:00:00", minutes(45)),
    )
    keys = ("start_date_time", "end_date_time", "duration")
    frames = [
        (state, dict(zip(keys, (begin + suffix, end + suffix, length), strict=True)))
        for state, begin, end, length in rows
    ]
    return {
        "total_sleep_time": minutes(225),
        "effective_time_frame": between("2026-03-28T23:00:00" + suffix, "2026-03-29T06:00:00" + suffix),
        "sleep_stage_episodes": [
            {"sleep_stage_state": state, "effective_time_frame": {"time_interval": {key: frame[key] for key in told}}}
            for state, frame in frames
        ],
    }


@pytest.mark.parametrize("suffix", ["", "Z"])
@pytest.mark.parametrize(
    "told",
    [
        ("start_date_time", "duration"),
        ("end_date_time", "duration"),
        ("start_date_time", "end_date_time"),
        ("start_date_time", "end_date_time", "duration"),
    ],
)
def test_a_duration_is_elapsed_time_over_a_change_of_the_clock(tmp_path, told, suffix):
    # omh:duration-unit-value: an amount of time, whatever a clock shows meanwhile (from memory)
    spans = read_json(write(tmp_path, over_spring_change(*told, suffix=suffix)), zone="Europe/Helsinki")
    assert (spans.onset_s / 60).tolist() == [0, 135, 315]
    assert (spans.duration_s / 60).tolist() == [135, 180, 45]
    assert {note.kind.value for note in spans.notes} == {"time_key"}  # neither the totals nor the frame are missed


def test_a_duration_over_the_hour_that_is_repeated_is_no_overlap(tmp_path):
    # in Helsinki 2026-10-25 04:00 became 03:00
    night = frame_of(start_date_time="2026-10-25T02:15:00", duration=minutes(180))
    night["sleep_stage_episodes"] = [
        night["sleep_stage_episodes"][2],
        {"sleep_stage_state": "rem", "effective_time_frame": between("2026-10-25T04:15:00", "2026-10-25T05:00:00")},
    ]
    spans = read_json(write(tmp_path, {"sleep_stage_episodes": night["sleep_stage_episodes"]}), zone="Europe/Helsinki")
    assert (spans.onset_s / 60).tolist() == [0, 180]


def test_two_time_frames_of_one_stage_may_tell_different_parts(tmp_path):
    night = frame_of(start_date_time="2026-03-01T23:25:00+02:00", duration=minutes(25.5))
    night["sleep_stage_episodes"][2]["effective_time_frame"] = between(*STAGES[2][1:])
    assert flat(read_json(write(tmp_path, night))) == flat(read_json(write(tmp_path, record())))
