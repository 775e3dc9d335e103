"""Plain JSON records: they must read as the CSV table with the same cells does, and as pandas writes them."""

import csv
import io
import json
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import EpochGridError, FileFormatError, InputError, SleepAgreeError, UnknownStageError
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.json.file import read_json
from sleepagree.readers.layout import Layout
from sleepagree.readers.proposing.proposal import propose_layout
from tests.said import said

LABELS = ["wake", "light", "deep", "rem"]


def write(tmp_path, content, name="night.json"):
    path = tmp_path / name
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def same_night(first, second):
    np.testing.assert_array_equal(first.onset_s, second.onset_s)
    np.testing.assert_array_equal(first.duration_s, second.duration_s)
    assert [first.labels[c] for c in first.codes] == [second.labels[c] for c in second.codes]
    assert (first.start, first.stages, first.epoch_s) == (second.start, second.stages, second.epoch_s)


def as_csv(records):
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(records[0]))
    writer.writeheader()
    writer.writerows(records)
    return stream.getvalue()


EPOCHS = [{"time": f"2026-03-01T22:{i // 2:02d}:{30 * (i % 2):02d}", "stage": LABELS[i % 4]} for i in range(12)]
INTERVALS = [
    {"start": f"2026-03-01T22:{10 * i:02d}:00Z", "end": f"2026-03-01T22:{10 * i + 10:02d}:00Z", "label": LABELS[i]}
    for i in range(4)
]
UNIX = [{"timestamp": 1772395200 + 60 * i, "stage": LABELS[i % 4]} for i in range(8)]


@pytest.mark.parametrize("records", [EPOCHS, INTERVALS, UNIX], ids=["epochs", "intervals", "Unix seconds"])
@pytest.mark.parametrize("form", ["list", "one a line", "in a field"])
def test_records_read_as_the_table_with_the_same_cells_does(tmp_path, records, form):
    content = {
        "list": records,
        "one a line": "\n".join(json.dumps(record) for record in records),
        "in a field": {"version": 3, "night": records, "tags": []},
    }[form]
    table = read_spans(write(tmp_path, as_csv(records), "night.csv"))
    spans = read_json(write(tmp_path, content))
    same_night(spans, table)
    assert spans.origin.reader == "json"


def test_records_that_pandas_writes_are_read(tmp_path):
    frame = pd.DataFrame(EPOCHS)
    frame.to_json(tmp_path / "records.json", orient="records")
    frame.to_json(tmp_path / "lines.json", orient="records", lines=True)
    expected = read_json(write(tmp_path, EPOCHS))
    same_night(read_json(tmp_path / "records.json"), expected)
    same_night(read_json(tmp_path / "lines.json"), expected)


@given(st.lists(st.sampled_from(LABELS), min_size=3, max_size=40), st.sampled_from([30, 60, 300]))
def test_any_night_of_records_equals_its_table(tmp_path_factory, labels, step):
    folder = tmp_path_factory.mktemp("records")
    records = [{"timestamp": 1772395200 + step * i, "stage": label} for i, label in enumerate(labels)]
    spans = read_json(write(folder, records))
    same_night(spans, read_spans(write(folder, as_csv(records), "night.csv")))
    assert [spans.labels[c] for c in spans.codes] == labels


def test_columns_named_in_a_layout_are_fields(tmp_path):
    records = [{"t0": r["time"], "phase": str(LABELS.index(r["stage"]))} for r in EPOCHS]
    layout = Layout(start="t0", stage="phase", stages=dict(zip("0123", LABELS, strict=True)))
    spans = read_json(write(tmp_path, records), layout=layout)
    assert spans.stages == ("W", "light", "N3", "R")


def test_numbers_as_labels_need_a_layout_and_whole_floats_are_whole(tmp_path):
    records = [{"time": r["time"], "stage": float(LABELS.index(r["stage"]))} for r in EPOCHS]
    path = write(tmp_path, records)
    with pytest.raises(UnknownStageError, match=r"'0' \(\[0\], \[4\] and \[8\]\)"):
        read_json(path)
    assert read_json(path, layout=Layout(stages=dict(zip("0123", LABELS, strict=True)))).labels == ("0", "1", "2", "3")


def test_a_missing_stage_is_unscored_and_told(tmp_path):
    records = [dict(r) for r in EPOCHS]
    records[3]["stage"] = None
    del records[4]["stage"]
    spans = read_json(write(tmp_path, records))
    assert [spans.stages[c] for c in spans.codes][3:5] == ["unscored", "unscored"]
    assert "'' read as unscored (2 rows)" in said(spans.notes)


def test_nested_fields_are_not_looked_at_and_told(tmp_path):
    records = [{**r, "quality": {"score": 3}} for r in EPOCHS]
    assert "fields that hold objects or lists were not looked at: 'quality'" in said(
        read_json(write(tmp_path, records)).notes
    )


@pytest.mark.parametrize(
    ("content", "error", "message"),
    [
        ([*EPOCHS, 7], FileFormatError, "[12]: an object is needed here. Found the number 7"),
        ({"a": EPOCHS, "b": EPOCHS}, FileFormatError, "top level: more than one field holds a list of records"),
        ([1, 2], FileFormatError, "nothing in this JSON looks like sleep stages. Found a list of 2"),
        ({"time": {"0": 1}}, FileFormatError, "nothing in this JSON looks like sleep stages. Found an object"),
        ("7", FileFormatError, "nothing in this JSON looks like sleep stages. Found the number 7"),
        ("[]", FileFormatError, "nothing in this JSON looks like sleep stages. Found a list of 0"),
        ([{"a": {}}], FileFormatError, "[0]: the records hold no plain field"),
        ([{"begin": "x", "level": 2}], FileFormatError, "[0]: no column holds the stages"),
        (
            [INTERVALS[0], {**INTERVALS[1], "end": "2026-03-01T22:05:00Z"}, *INTERVALS[2:]],
            EpochGridError,
            "[1]: the row ends before it begins",
        ),
        ([*EPOCHS[:5], {"time": "later", "stage": "rem"}], FileFormatError, "[5], column 'time'"),
    ],
)
def test_bad_records_are_told_by_their_place(tmp_path, content, error, message):
    path = write(tmp_path, content)
    with pytest.raises(error) as caught:
        read_json(path)
    assert str(caught.value).startswith(f"{path}: {message}")


def test_a_source_is_not_asked_of_plain_records(tmp_path):
    with pytest.raises(InputError, match="a source was chosen, and this file tells of none"):
        read_json(write(tmp_path, EPOCHS), layout=Layout(source=1))


cells = (
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8)
)


@given(st.lists(st.dictionaries(st.sampled_from(["time", "stage", "end", "duration"]), cells), min_size=1, max_size=5))
def test_any_records_give_spans_or_one_error(tmp_path_factory, records):
    path = write(tmp_path_factory.mktemp("any"), records)
    try:
        spans = read_json(path)
    except SleepAgreeError:
        return
    assert spans.onset_s.size > 0


BOUTS = [("wake", 0, 10), ("light", 10, 40), ("deep", 40, 70), ("light", 70, 90), ("rem", 90, 95), ("wake", 95, 96)]
STEPS = [label for label, begin, end in BOUTS for _ in range(2 * (end - begin))]


def at(minutes):
    return (datetime(2026, 3, 1, 22, 30) + timedelta(minutes=minutes)).isoformat()


def by_stage(make):
    return {label: [make(a, b) for name, a, b in BOUTS if name == label] for label in LABELS}


AWAY = {
    "stages as keys of pairs": by_stage(lambda a, b: [at(a), at(b)]),
    "stages as keys of objects": {"sleep": {"stages": by_stage(lambda a, b: {"from": at(a), "to": at(b)})}},
    "stages as keys of times": by_stage(lambda a, b: at(a))
    | {label: [at(m / 2) for m, name in enumerate(STEPS) if name == label] for label in LABELS},
    "stages as keys of pairs of seconds": by_stage(lambda a, b: [60 * a, 60 * b]),
    "stages as keys of times and minutes": by_stage(lambda a, b: [at(a), b - a]),
    "times as keys": {"night": {at(i / 2): label for i, label in enumerate(STEPS)}},
    "rows as lists": [[label, at(i / 2)] for i, label in enumerate(STEPS)],
    "columns as lists": {"a": [{"b": {"when": [at(i / 2) for i in range(len(STEPS))], "says": STEPS, "n": 1}}]},
    "a flat list": {"hypnogram": STEPS},
    "nothing but a flat list": STEPS,
}


@pytest.mark.parametrize("name", AWAY)
def test_stages_are_proposed_and_read_wherever_they_stand(tmp_path, name):
    path = write(tmp_path, AWAY[name])
    proposal = propose_layout(path)
    blanks = {setting.key for setting in proposal.blanks}
    assert blanks <= {"begins", "zone", *(["epoch_seconds"] if "flat" in name else [])}
    assert proposal.blank_labels == ()
    answers = ({"begins": at(0)} if blanks else {}) | ({"epoch_seconds": 30} if "epoch_seconds" in blanks else {})
    spans = read_json(path, layout=proposal.layout(answers))
    grid = lay_on_epochs(spans, origin_s=0.0)
    assert spans.start.isoformat() == at(0)
    assert [spans.labels[code] for code in grid.codes] == STEPS


def test_rows_under_stages_are_never_taken_for_a_sequence(tmp_path):
    path = write(tmp_path, by_stage(lambda a, b: [f"x{a}", f"y{b}"]))
    proposal = propose_layout(path)
    assert proposal is None or not proposal.is_readable


def test_a_field_called_body_is_a_column_unless_it_holds_an_object(tmp_path):
    posture = [{**row, "body": "supine"} for row in EPOCHS]
    same_night(read_json(write(tmp_path, posture)), read_json(write(tmp_path, EPOCHS, "without.json")))
