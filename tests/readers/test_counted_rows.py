"""Rows that are counted, people, zones and halves of the day in columns: the exact words of every refusal."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from sleepagree import read_hypnogram
from sleepagree.errors import SleepAgreeError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout, read_layout
from tests.said import said


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def read(table: str, layout: str, zone: str | None = None, name: str = "night.csv") -> ScoredSpans:
    Path(name).write_text(table, encoding="utf-8")
    Path("band.toml").write_text(layout, encoding="utf-8")
    return read_spans(name, layout=read_layout("band.toml"), zone=zone)


NUMBERS = 'epoch_seconds = 30\n[file]\nepoch_number = "n"\nbegins = 2026-03-01T22:30:00\n'
LIST = 'epoch_seconds = 30\n[file]\nshape = "epochs"\nheader = false\n'
ZONES = '[file]\nzone_column = "zone"\n'
TIMES = "2026-03-01T22:30:00", "2026-03-01T22:30:30"

REFUSED = [
    (
        "n,stage\n121,W\n122,N2\n",
        NUMBERS,
        "line 2, column 'n': the numbers of epochs begin neither with 0 nor with 1. Found 121; expected to be "
        "told which "
        "one is the first. Say in a layout (layout='FILE.toml') which epoch began at 'begins'\n    [file]\n    "
        "first_epoch = 121",
    ),
    (
        "n,stage\n3,W\n4,N2\n",
        NUMBERS + "first_epoch = 4\n",
        "line 2, column 'n': the epoch comes before the first one. Found 3; expected numbers from 4 on (first_epoch). "
        "Correct the row, or 'first_epoch'.",
    ),
    (
        "n,stage\n1,W\n1.5,N2\n",
        NUMBERS,
        "line 3, column 'n': this is no number of an epoch. Found 1.5; expected the whole number of an epoch. "
        "Correct the "
        "row.",
    ),
    (
        "n,stage\n1,W\n2,N2\n",
        '[file]\nepoch_number = "n"\n',
        "column 'n': numbers of epochs do not tell how long an epoch lasts. Expected the length of an epoch. "
        "Give it in a "
        "layout (layout='FILE.toml'), above [file]:\n    epoch_seconds = 30",
    ),
    (
        "n,time,stage\n1,22:30:00,W\n2,22:30:30,N2\n",
        NUMBERS,
        "the layout does not go with this file: the times tell when rows begin. Take 'epoch_number' out of the "
        "layout, or "
        "correct it.",
    ),
    (
        "W\nN2\n\nN2\n",
        LIST,
        "line 3: there is a blank line among rows that follow each other, so it may be an epoch. Found a blank line; "
        'expected a label in every line. Take it out, or write a label there that a layout maps to "unscored"; if the '
        "rows end above it, tell in a layout how the line below it begins, for instance\n"
        '    [file]\n    foot = "Total"',
    ),
    (
        "stage,Uhr\nW,22:30:00\nN2,22:30:30\n",
        'epoch_seconds = 30\n[file]\nshape = "epochs"\n',
        "column 'Uhr': no column of times is named, and this one seems to hold them. Expected rows that tell no times. "
        "Name it in a layout (layout='FILE.toml') with\n    [file]\n    start = \"Uhr\"",
    ),
    (
        "stage,lasts\nW,4\nN2,2\n",
        '[file]\nshape = "intervals"\nduration = "lasts"\n',
        "column 'lasts': the unit of the durations is not told. Found rows without times; expected a unit. Give "
        "a layout "
        '(layout=\'FILE.toml\') with\n    [file]\n    duration_unit = "min"\n  or "s", "ms", "h" or "epochs".',
    ),
    (
        "stage,lasts\nW,4\nN2,0\n",
        '[file]\nshape = "intervals"\nduration = "lasts"\nduration_unit = "min"\n',
        "line 3, column 'lasts': this is no duration of a stage. Found 0; expected a positive number. Correct the row.",
    ),
    (
        f"who,time,stage\na,{TIMES[0]},W\nb,{TIMES[0]},N2\n",
        '[file]\nperson_column = "who"\n',
        "column 'who': the rows are about 2 people. Found 'a', 'b'; expected one person. Say whose rows to read "
        "in a layout "
        "(layout='FILE.toml') with\n    [file]\n    person = \"a\"",
    ),
    (
        f"who,time,stage\na,{TIMES[0]},W\na,{TIMES[1]},N2\n",
        '[file]\nperson_column = "who"\nperson = "c"\n',
        "column 'who': no row is about the person whose rows to read. Found 'a'; expected rows of 'c'. "
        "Correct 'person' in the layout, or the participant in the nights table.",
    ),
    (
        f"who,time,stage\na,{TIMES[0]},W\na,{TIMES[1]},N2\n",
        '[file]\nperson = "a"\n',
        "[file], key 'person' of band.toml: the layout names a person and no column of people. Expected both. Name the "
        'column too: [file] person_column = "..."',
    ),
    (
        f"zone,time,stage\n+02:00,{TIMES[0]},W\nEurope/Helsinki,{TIMES[1]},N2\n",
        ZONES,
        "line 3, column 'zone': the zones of the rows cannot be read together. Found 'Europe/Helsinki'; "
        "expected an offset "
        "from UTC such as +02:00 in every row, or the same IANA name. Take zone_column out of the layout and name the "
        'zone: [file] zone = "Europe/Helsinki".',
    ),
    (
        f"zone,time,stage\nFerry/Deck,{TIMES[0]},W\nFerry/Deck,{TIMES[1]},N2\n",
        ZONES,
        "line 2, column 'zone': no time zone has this name. Found Ferry/Deck; expected an IANA name such as "
        "Europe/Helsinki or UTC. See the list at https://www.iana.org/time-zones.",
    ),
    (
        f"zone,time,end,stage\n+03:00,{TIMES[0]},{TIMES[1]},W\n+02:00,{TIMES[1]},2026-03-01T22:40:00,N2\n",
        ZONES,
        "line 3, column 'zone': the offset from UTC changes, so the ends may have the one or the other. Found +02:00; "
        "expected +03:00, as in the rows before. Take zone_column out of the layout and name the zone: [file] zone = "
        '"Europe/Helsinki".',
    ),
    (
        "time,stage\n2026-03-04T22:30:00,W\n2026-04-03T22:30:30,N2\n2026-03-04T22:31:00,N2\n",
        "# nothing\n",
        "line 3, column 'time': day and month seem to be exchanged in one of two rows. Found 2026-04-03 "
        "22:30:30 beside "
        "2026-03-04 22:30:00; expected dates in one form. Correct the row, or export the times again in one form.",
    ),
]


@pytest.mark.parametrize(("table", "layout", "message"), REFUSED)
def test_refusals(table: str, layout: str, message: str) -> None:
    with pytest.raises(SleepAgreeError) as caught:
        read(table, layout)
    assert (
        str(caught.value).removeprefix("night.csv: ").replace("[file], key 'epoch_number' of band.toml: ", "")
        == message
    )


@pytest.mark.parametrize(
    ("table", "onsets"),
    [
        ("n,stage\n0,W\n1,W\n3,N2\n", [0, 30, 90]),
        ("n,stage\n1,W\n2,W\n4,N2\n", [0, 30, 90]),
        ("n,stage\n4,N2\n2,W\n1,W\n", [0, 30, 90]),
        ("n,stage\n1,W\n2,W\n2,W\n4,N2\n", [0, 30, 90]),
    ],
)
def test_numbers_are_places_on_the_grid(table: str, onsets: list[float]) -> None:
    spans = read(table, NUMBERS)
    assert (spans.start, spans.onset_s.tolist()) == (datetime(2026, 3, 1, 22, 30), onsets)


def test_what_was_counted_is_told() -> None:
    notes = said(read("n,stage\n121,W\n123,N2\n", NUMBERS + "first_epoch = 119\n").notes)
    assert notes == (
        "times counted from the numbers in column 'n': epoch 119 is the first one",
        "1 epoch without a row, in 1 gap",
    )
    assert said(read("W\nN2\n", LIST).notes) == ("no times are read: each row begins where the one before it ends",)


def test_a_blank_line_at_the_end_is_no_epoch() -> None:
    assert read("W\nN2\n\n", LIST).onset_s.tolist() == [0, 30]


def test_offsets_beside_times_may_change_where_rows_are_epochs() -> None:
    table = "zone,time,stage\nUTC+3,2026-10-25T03:59:30,W\nUTC+2,2026-10-25T03:00:00,N2\n"
    spans = read(table, "epoch_seconds = 30\n" + ZONES)
    assert spans.start is not None
    assert spans.start.astimezone(UTC) == datetime(2026, 10, 25, 0, 59, 30, tzinfo=UTC)
    assert spans.onset_s.tolist() == [0, 30]
    assert said(spans.notes) == ("offset from UTC changes from +03:00 to +02:00 at line 3",)


@pytest.mark.parametrize("records", ["sleep.parts", "sleep.parts.stage"])
def test_a_path_that_leads_nowhere_names_its_step(records: str) -> None:
    with pytest.raises(SleepAgreeError) as caught:
        read('{"sleep": {"segments": []}}', f'[file]\nrecords = "{records}"\n', name="night.json")
    assert str(caught.value) == (
        f"night.json: sleep.parts: a field is missing. Found nothing; expected the records at '{records}'. Correct "
        "'records' in the layout, or check that this is the file it was written for."
    )


def test_rows_of_one_person_may_be_counted_too() -> None:
    table = "who,stage\na,W\nb,N2\na,N2\nb,N2\na,R\n"
    layout = 'epoch_seconds = 30\n[file]\nshape = "epochs"\nperson_column = "who"\nperson = "a"\n'
    spans = read(table, layout)
    assert [spans.labels[code] for code in spans.codes] == ["W", "N2", "R"]
    assert said(spans.notes) == (
        "3 of 5 rows read: those of the person that the layout names in column 'who'",
        "no times are read: each row begins where the one before it ends",
    )


def test_times_that_are_stored_as_times_take_no_am_or_pm() -> None:
    frame = pd.DataFrame({"time": pd.to_datetime(["2026-03-01 10:30"]), "half": ["PM"], "stage": ["W"]})
    with pytest.raises(SleepAgreeError, match="the times are no texts that AM or PM could stand behind"):
        read_hypnogram(frame, layout=Layout(am_pm="half"))
