"""What a reader sees in a file: expected figures are worked out by hand from the files written here."""

import json
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta

import mne
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.describe.file import say_prospect
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import FileFormatError, InputError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.edf.writer import EdfFamily, write_edf_annotations
from sleepagree.readers.inspection import LabelSeen, inspect_file
from sleepagree.readers.layout import Layout, read_layout
from sleepagree.readers.proposing.proposal import layout_as_seen
from sleepagree.render.inspection_json import inspection_document
from tests.commands import run
from tests.said import said

CLOCK = datetime(2026, 3, 1, 22, 30)

EPOCHS_CSV = "time,stage\n" + "".join(
    f"2026-03-01T22:{30 + i // 2:02d}:{30 * (i % 2):02d},{label}\n"
    for i, label in enumerate(["wake", "wake", "light", "light", "light", "deep", "deep", "rem"])
)
GAPPY_CSV = (
    "start,end,stage\n"
    "2026-03-01T22:30:00+02:00,2026-03-01T22:40:00+02:00,W\n"
    "2026-03-01T22:40:00+02:00,2026-03-01T23:00:00+02:00,N2\n"
    "2026-03-01T23:05:00+02:00,2026-03-01T23:10:30+02:00,N2\n"
    "2026-03-01T23:12:00+02:00,2026-03-01T23:20:00+02:00,?\n"
)
OVERLAPPING_CSV = (
    "start,end,stage\n"
    "2026-03-01T22:30:00,2026-03-01T22:50:00,light\n"
    "2026-03-01T22:40:00,2026-03-01T23:00:00,deep\n"
    "2026-03-01T23:00:00,2026-03-01T23:10:00,wake\n"
)
UNKNOWN_CSV = EPOCHS_CSV.replace("light", "doze").replace("rem", 'say ""dream""')
RUNS_WITHOUT_COLUMNS = "when;phase\n2026-03-01T22:30:00;a\n2026-03-01T22:30:30;b\n"


def write(tmp_path, text, name="night.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def edf(tmp_path, annotations, name="night.edf"):
    path = tmp_path / name
    write_edf_annotations(path, annotations, start=CLOCK)
    return path


def test_a_table_of_epochs(tmp_path):
    seen = inspect_file(write(tmp_path, EPOCHS_CSV))
    assert (seen.file, seen.reader) == ("night.csv", "table")
    assert (seen.start, seen.end) == (CLOCK, datetime(2026, 3, 1, 22, 34))
    assert seen.zone is None
    assert (seen.spans, seen.duration_s) == (8, 240.0)
    assert (seen.epoch_seconds, seen.epoch_seconds_from) == (30.0, "inferred")
    assert seen.labels == (
        LabelSeen("wake", "W", 2, 1.0, 2),
        LabelSeen("light", "light", 3, 1.5, 3),
        LabelSeen("deep", "N3", 2, 1.0, 2),
        LabelSeen("rem", "R", 1, 0.5, 1),
    )
    assert seen.columns == (("start", "time"), ("stage", "stage"))
    assert (seen.gaps, seen.overlaps, seen.problems, seen.unknown) == ((), (), (), ())
    said = " ".join(say_prospect(seen))
    assert "As a device it can report W, light, N3, R (taken from its labels" in said
    assert "compared under wake-light-deep-rem;" in said
    assert "8 epochs of 30 s" in said
    assert "no lights marks" in said


def test_gaps_zones_and_labels_without_a_stage(tmp_path):
    seen = inspect_file(write(tmp_path, GAPPY_CSV))
    assert seen.zone == "UTC+02:00"
    assert [(gap.begin_s, gap.end_s, gap.minutes) for gap in seen.gaps] == [
        (1800.0, 2100.0, 5.0),
        (2430.0, 2520.0, 1.5),
    ]
    assert seen.gaps[0].begin == datetime(2026, 3, 1, 21, 0, tzinfo=UTC)
    assert seen.labels[2] == LabelSeen("?", "unscored", 16, 8.0, 1)
    document = inspection_document(seen)
    assert document["gaps"][1] == {
        "from": "2026-03-01T23:10:30+02:00",
        "to": "2026-03-01T23:12:00+02:00",
        "minutes": 1.5,
    }
    placed = inspect_file(write(tmp_path, EPOCHS_CSV), zone="Europe/Helsinki")
    assert placed.zone == "Europe/Helsinki"


def test_overlaps_are_shown_and_said_to_stand_in_the_way(tmp_path):
    seen = inspect_file(write(tmp_path, OVERLAPPING_CSV))
    assert len(seen.problems) == 1
    assert "overlap" in seen.problems[0]
    assert "600 s overlaid" in said(seen.overlaps)[0]
    assert not any("overlap" in note for note in said(seen.notes))
    assert say_prospect(seen) == (
        "Nothing yet: the file is refused as it is. Settle the overlaps (--write-layout FILE.toml writes a start).",
    )
    # later rows win: light keeps its first ten minutes
    assert seen.labels[0] == LabelSeen("light", "light", 20, 10.0, 1)
    layout = layout_text(layout_as_seen(seen))
    assert '# overlaps = "later-wins"' in layout


def test_unknown_labels_are_counted_and_listed_to_fill_in(tmp_path):
    path = write(tmp_path, UNKNOWN_CSV)
    seen = inspect_file(path)
    assert seen.unknown == ("doze", 'say ""dream""')
    assert seen.labels[1] == LabelSeen("doze", None, 3, 1.5, 3)
    assert seen.problems == ("2 unknown stage labels. Found 'doze' (lines 4, 5 and 6), 'say \"\"dream\"\"' (line 9).",)
    start = layout_text(layout_as_seen(seen))
    layout_path = write(tmp_path, start, "layout.toml")
    with pytest.raises(FileFormatError, match="doze"):
        read_layout(layout_path)
    filled = start.replace('"doze" = ""', '"doze" = "light"').replace('dream\\"\\"" = ""', 'dream\\"\\"" = "rem"')
    layout_path.write_text(filled)
    spans = read_spans(path, layout=read_layout(layout_path))
    assert spans.stages == ("W", "light", "N3", "R")


def test_more_unknown_labels_than_one_message_shows(tmp_path):
    rows = "".join(f"2026-03-01T22:{30 + i // 2:02d}:{30 * (i % 2):02d},x{i}\n" for i in range(45))
    seen = inspect_file(write(tmp_path, "time,stage\n" + rows))
    assert seen.unknown == tuple(f"x{i}" for i in range(45))
    assert layout_text(layout_as_seen(seen)).count("fill in") == 45


def test_a_table_whose_columns_are_not_known_shows_what_they_hold_but_no_cell(tmp_path):
    seen = inspect_file(write(tmp_path, RUNS_WITHOUT_COLUMNS))
    assert seen.header == (("when", "times, 2 different in 2 rows"), ("phase", "texts, 2 different in 2 rows"))
    assert "no column holds the times" in seen.problems[0]
    layout = layout_text(layout_as_seen(seen))
    asked = '"when" times, 2 different in 2 rows, "phase" texts, 2 different in 2 rows'
    assert f'start = ""    # the column of the times: {asked}' in layout.splitlines()
    assert f'stage = ""    # the column of the stages: {asked}' in layout.splitlines()


def test_times_of_two_readings_get_both_forms_in_the_written_layout(tmp_path):
    path = write(tmp_path, "time,stage\n03/01/2026 10:30:00 PM,doze\n03/01/2026 10:30:30 PM,wake\n")
    seen = inspect_file(path)
    assert seen.columns == (("start", "time"), ("stage", "stage"))
    assert seen.unknown == ("doze",)
    assert any("the form of this date must be declared" in problem for problem in seen.problems)
    text = layout_text(layout_as_seen(seen))
    (offered,) = (line for line in text.splitlines() if line.startswith("time = "))
    assert offered == (
        'time = ""    # the form of the times; all rows fit more than one: '
        '"%d/%m/%Y %I:%M:%S %p" if the day comes first, "%m/%d/%Y %I:%M:%S %p" if the month comes first'
    )
    filled = text.replace('time = ""', 'time = "%m/%d/%Y %I:%M:%S %p"').replace('"doze" = ""', '"doze" = "light"')
    spans = read_spans(path, layout=read_layout(write(tmp_path, filled, "filled.toml")))
    assert f"{spans.start}" == "2026-03-01 22:30:00"


def test_what_a_layout_said_is_kept_in_the_next_one(tmp_path):
    layout = read_layout(
        write(
            tmp_path,
            'reports = ["wake", "light"]\nepoch_seconds = 30\n[file]\nstart = "when"\nstage = "phase"\n'
            'delimiter = ";"\ntime = "iso"\nmarks = "end"\noverlaps = "shorter-wins"\nbegins = 2026-03-01\n'
            'zone = "Asia/Tokyo"\nduration_unit = "min"\n[stages]\na = "wake"\n',
            "first.toml",
        )
    )
    path = write(tmp_path, RUNS_WITHOUT_COLUMNS)
    seen = inspect_file(path, layout=layout)
    assert seen.unknown == ("b",)
    text = layout_text(layout_as_seen(seen, layout)).replace('"b" = ""', '"b" = "light"')
    again = write(tmp_path, text, "again.toml")
    kept = read_layout(again)
    assert kept.stages == {"a": "wake", "b": "light"}
    for name in (
        "reports",
        "epoch_seconds",
        "start",
        "stage",
        "delimiter",
        "time",
        "marks",
        "overlaps",
        "begins",
        "zone",
    ):
        assert getattr(kept, name) == getattr(layout, name)
    assert kept.duration_unit == 60.0


EVERY_KEY = """
reports = ["wake", "light", "rem"]
epoch_seconds = 12.3456789
[file]
shape = "intervals"
start = "a"
end = "b"
duration = "c"
stage = "d"
date = "e"
duration_unit = "epochs"
marks = "middle"
ends = "inclusive"
time = "%d.%m.%Y %H:%M"
night_of = "bed-day"
begins = 2026-03-01T22:30:00
zone = "Europe/Helsinki"
overlaps = "later-wins"
silence = "wake"
delimiter = "\\t"
encoding = "cp1252"
epoch_number = "f"
person_column = "g"
night_column = "j"
zone_column = "h"
am_pm = "i"
first_epoch = 1234567
person = "crew-3"
night = "2"
skip_lines = 4
header = false
records = "sleep.segments"
source = 2
sheet = "Night 1"
foot = "Total"
stage_form = "is {stage} now"
[stages]
x = "light"
"""


@pytest.mark.parametrize("unit", ["epochs", "s", "min", "ms"])
def test_every_key_of_a_layout_is_written_back(tmp_path, unit):
    # one of the two stands in the place of the other
    lines = 'stage = "d"', 'stage_form = "is {stage} now"'
    for instead, left_out in (
        (lines, ["stage_columns"]),
        (('stage_columns = ["d", "k"]', ""), ["stage", "stage_form"]),
    ):
        told = EVERY_KEY.replace('"epochs"', f'"{unit}"')
        for line, other in zip(lines, instead, strict=True):
            told = told.replace(line, other)
        layout = read_layout(write(tmp_path, told, "given.toml"))
        # nothing has been forgotten here: every field differs from what it is without a layout
        assert [f.name for f in fields(Layout) if getattr(layout, f.name) == getattr(Layout(), f.name)] == left_out
        text = layout_text(layout_as_seen(inspect_file(write(tmp_path, EPOCHS_CSV)), layout))
        assert replace(read_layout(write(tmp_path, text, "again.toml")), name="given.toml") == layout


def test_labels_that_would_break_toml_are_written_safely(tmp_path):
    odd = 'a\\b "c" \u2028 = [x] #'
    path = write(
        tmp_path,
        json.dumps([{"time": "2026-03-01T22:30:00", "stage": odd}, {"time": "2026-03-01T22:30:30", "stage": odd}]),
        "n.json",
    )
    seen = inspect_file(path)
    assert seen.unknown == (odd,)
    filled = layout_text(layout_as_seen(seen)).replace('= ""', '= "light"')
    layout = read_layout(write(tmp_path, filled, "layout.toml"))
    assert read_spans(path, layout=layout).stages == ("light",)


def test_records_whose_fields_are_not_known_show_what_they_hold_but_no_value(tmp_path):
    rows = [
        {"when": f"2026-03-01T22:3{i}:00", "phase": "Frau Muster" if i else "x", "bpm": 60 + i, "more": {"a": 1}}
        for i in range(3)
    ]
    for name, text in (
        ("night.json", json.dumps({"rows": rows})),
        ("night.ndjson", "\n".join(map(json.dumps, rows))),
        ("night.jsonl", "\n".join(map(json.dumps, rows))),
    ):
        seen = inspect_file(write(tmp_path, text, name))
        assert seen.reader == "json"
        assert seen.header == (
            ("when", "times, 3 different in 3 rows"),
            ("phase", "texts, 2 different in 3 rows"),
            ("bpm", "numbers, 3 different in 3 rows"),
            ("more.a", "numbers, 1 different in 3 rows"),
        )
        assert "no column holds the times and none the stages" in seen.problems[0]
        assert "Muster" not in json.dumps(inspection_document(seen)) + layout_text(layout_as_seen(seen))


def test_parquet_whose_columns_are_not_known_shows_what_they_hold_but_no_cell(tmp_path):
    path = tmp_path / "night.parquet"
    moments = [CLOCK + timedelta(seconds=30 * i) for i in range(3)]
    table = {"when": moments, "phase": ["a", "b", None], "bpm": [60, 0, 62], "more": [[1], [2], [3]]}
    pq.write_table(pa.table(table), path)
    seen = inspect_file(path)
    assert seen.reader == "parquet"
    assert seen.header == (
        ("when", "times, 3 different in 3 rows"),
        ("phase", "texts, 3 different in 3 rows"),
        ("bpm", "numbers, 3 different in 3 rows"),
    )
    assert "no column holds the times and none the stages" in seen.problems[0]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("broken.json", b'[{"when": 1'),
        ("list.json", b"[1, 2, 3]"),
        ("fhir.json", b'{"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Patient"}}]}'),
        ("cut.parquet", b"PAR1 no more PAR1"),
        ("night.fif", b"no FIF"),
        ("night.set", b"time,stage\n"),
    ],
)
def test_a_file_that_is_no_table_is_still_one_error(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(InputError, match=name):
        inspect_file(path)


# --- a layout from every format -----------------------------------------------------------------------------

WORDS = {"uno": "wake", "dos": "light", "tres": "deep", "quatro": "rem"}
LABELS = [*WORDS, "dos", "dos"] * 10
MOMENTS = [CLOCK + timedelta(seconds=30 * i) for i in range(len(LABELS) + 1)]


def _rows(start="time", stage="stage"):
    return [{start: m.isoformat(), stage: label} for m, label in zip(MOMENTS, LABELS, strict=False)]


def _text(delimiter, **names):
    rows = _rows(**names)
    return "\n".join(map(delimiter.join, [rows[0].keys(), *(row.values() for row in rows)])) + "\n"


def _zoned(i):
    return MOMENTS[i].isoformat() + "+02:00"


def _observation(i, label):
    coding = "http://hl7.org/fhir/uv/phr/CodeSystem/observation-pghd-codes"
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": coding, "code": "sleepAnalysis"}]},
        "effectivePeriod": {"start": _zoned(i), "end": _zoned(i + 1)},
        "valueCodeableConcept": {"coding": [{"system": "urn:ferry", "code": label}]},
    }


def _episode(i, label):
    frame = {"time_interval": {"start_date_time": _zoned(i), "end_date_time": _zoned(i + 1)}}
    return {"sleep_stage_state": label, "sleep_stage_time_frame": frame}


def _write_edf(path, family=EdfFamily.EDF):
    annotations = [(30.0 * i, 30.0, label) for i, label in enumerate(LABELS)]
    write_edf_annotations(path, annotations, start=CLOCK, family=family)


def _write_fif(path):
    onsets = [30.0 * i for i in range(len(LABELS))]
    mne.Annotations(onsets, 30.0, LABELS, orig_time="2026-03-01 22:30:00").save(path)


FORMATS = {
    "a.edf": _write_edf,
    "a.bdf": lambda path: _write_edf(path, EdfFamily.BDF),
    "a.csv": lambda path: path.write_text(_text(",")),
    "a.tsv": lambda path: path.write_text(_text("\t")),
    "a.txt": lambda path: path.write_text(_text(";")),
    "columns.csv": lambda path: path.write_text(_text(";", start="when", stage="phase")),
    "sub-1_events.tsv": lambda path: path.write_text(
        "onset\tduration\ttrial_type\n" + "".join(f"{30 * i}\t30\t{s}\n" for i, s in enumerate(LABELS))
    ),
    "records.json": lambda path: path.write_text(json.dumps(_rows())),
    "columns.json": lambda path: path.write_text(json.dumps({"night": _rows("when", "phase")})),
    "records.ndjson": lambda path: path.write_text("\n".join(map(json.dumps, _rows()))),
    "fhir.json": lambda path: path.write_text(
        json.dumps(
            {
                "resourceType": "Bundle",
                "type": "collection",
                "entry": [{"resource": _observation(i, s)} for i, s in enumerate(LABELS)],
            }
        )
    ),
    "fhir.ndjson": lambda path: path.write_text(
        "\n".join(json.dumps(_observation(i, s)) for i, s in enumerate(LABELS))
    ),
    "mobile.json": lambda path: path.write_text(
        json.dumps({"sleep_stage_episodes": [_episode(i, s) for i, s in enumerate(LABELS)]})
    ),
    "a.parquet": lambda path: pq.write_table(pa.table({"time": MOMENTS[:-1], "stage": LABELS}), path),
    "columns.parquet": lambda path: pq.write_table(pa.table({"when": MOMENTS[:-1], "phase": LABELS}), path),
    "a-annot.fif": _write_fif,
}


@pytest.mark.parametrize("name", FORMATS)
def test_a_layout_that_is_filled_in_reads_the_file_it_was_made_from(tmp_path, name):
    """What a person does: inspect, fill in the blanks, inspect again, until nothing stands in the way."""
    path = tmp_path / name
    FORMATS[name](path)
    given = ()
    rounds = 0
    while True:
        layout = tmp_path / f"layout-{rounds}.toml"  # a layout that is read is not replaced
        result = invoke(path, *given, "--write-layout", layout)
        assert result.exit_code == 0, result.output
        text = layout.read_text("utf-8")
        if ' = ""' not in text:
            break
        rounds += 1
        assert rounds <= 2, text
        blanks = {**{f'"{label}"': word for label, word in WORDS.items()}, "start": "when", "stage": "phase"}
        for key, word in blanks.items():
            text = text.replace(f'\n{key} = ""', f'\n{key} = "{word}"')
        layout.write_text(text, "utf-8")
        given = ("--layout", layout)
    assert rounds == 1
    spans = read_spans(path, layout=read_layout(layout))
    stages = {"uno": "W", "dos": "light", "tres": "N3", "quatro": "R"}
    on_epochs = [
        spans.stages[code]
        for code, duration in zip(spans.codes, spans.duration_s, strict=True)
        for _ in range(round(duration / 30))
    ]
    assert on_epochs == [stages[label] for label in LABELS]
    assert "WHAT STANDS IN THE WAY" not in result.stdout


# --- EDF --------------------------------------------------------------------------------------------------

SCORED = [(30.0 * i, 30.0, f"Sleep stage {s}") for i, s in enumerate(["W", "N1", "N2", "N2", "R"])]


def test_an_edf_with_lights_and_other_texts(tmp_path):
    marks = [(15.0, None, "Lights off"), (140.0, None, "Lights on"), (50.0, 5.0, "Limb movement")]
    seen = inspect_file(edf(tmp_path, [*SCORED, *marks]))
    assert (seen.lights_off, seen.lights_on) == (datetime(2026, 3, 1, 22, 30, 15), datetime(2026, 3, 1, 22, 32, 20))
    assert ("Limb movement", 1) in seen.ignored
    assert seen.epoch_seconds_from == "file"
    assert "sets the window from lights off to lights on (2.1 min)" in " ".join(say_prospect(seen))
    # five stages, two marks, a movement, and the event that says what the start is
    assert seen.read_by_mne == ("MNE reads the same 9 annotations; it does not tell the clock of such a file.",)


def test_where_mne_reads_an_edf_differently(tmp_path):
    # a line break inside a text is legal in EDF+, and MNE drops the annotation without a word (measured)
    seen = inspect_file(edf(tmp_path, [*SCORED, (60.0, 5.0, "a note\nof two lines")]))
    assert seen.read_by_mne == (
        "MNE reads the file differently: 7 annotations here, 6 there, 6 of them alike; it does not tell the clock of "
        "such a file.",
        "Read only here: 1, the first at 60 s for 5 s.",
    )


def test_an_edf_suffix_that_mne_does_not_know(tmp_path):
    seen = inspect_file(edf(tmp_path, SCORED, "NIGHT.EDF"))
    assert seen.read_by_mne[0].startswith("MNE does not read this file")
    assert seen.labels[0] == LabelSeen("Sleep stage W", "W", 1, 0.5, 1)


def test_an_edf_in_which_no_text_is_a_stage(tmp_path):
    texts = ["Schlaf 1", "Schlaf 2", "wach!"] * 5 + ["Frau Muster schnarcht"]
    seen = inspect_file(edf(tmp_path, [(30.0 * i, 30.0, text) for i, text in enumerate(texts)]))
    assert seen.unknown == ("Schlaf 1", "Schlaf 2", "wach!")
    assert {label.label: label.minutes for label in seen.labels}["Schlaf 1"] == 2.5
    # a remark that stands there once is no label, and it may name a person
    assert "Muster" not in str(seen.problems) + str(inspection_document(seen)) + layout_text(layout_as_seen(seen))


def test_an_edf_whose_texts_could_not_be_laid_out_lists_them_all_the_same(tmp_path):
    pairs = [pair for i in range(5) for pair in ((60.0 * i, 30.0, "a"), (60.0 * i + 30, None, "b"))]
    seen = inspect_file(edf(tmp_path, pairs))
    assert {label.label: label.minutes for label in seen.labels} == {"a": 2.5, "b": 0.0}
    assert len(seen.problems) == 2
    assert seen.start == CLOCK


def test_no_field_of_the_header_that_names_a_person_is_shown(tmp_path):
    path = edf(tmp_path, SCORED)
    data = path.read_bytes()
    path.write_bytes(data[:8] + b"CANARY-1 F 01-JAN-1980 Canary_Jane".ljust(80) + data[88:])
    result = CliRunner().invoke(main, ["inspect", str(path), "--json", str(tmp_path / "x.json")])
    assert result.exit_code == 0, result.output
    assert "anary" not in result.output + (tmp_path / "x.json").read_text()


@pytest.mark.parametrize(
    ("text", "name", "reader"),
    [
        (
            '[{"time": "2026-03-01T22:30:00", "stage": "N1"}, {"time": "2026-03-01T22:30:30", "stage": "N2"}]',
            "a.json",
            "json",
        ),
        ("onset\tduration\ttrial_type\n0\t30\tWake\n30\t30\tN2\n", "sub-1_events.tsv", "events"),
        (
            json.dumps(
                {
                    "sleep_stage_episodes": [
                        {
                            "sleep_stage_state": "light",
                            "sleep_stage_time_frame": {
                                "time_interval": {
                                    "start_date_time": "2026-03-01T22:30:00Z",
                                    "duration": {"value": 9, "unit": "min"},
                                }
                            },
                        }
                    ]
                }
            ),
            "b.json",
            "mobile-health",
        ),
    ],
)
def test_every_format_is_inspected(tmp_path, text, name, reader):
    seen = inspect_file(write(tmp_path, text, name))
    assert seen.reader == reader
    assert seen.problems == ()


@pytest.mark.parametrize("name", ["gone.csv", "gone.edf", "night.xyz"])
def test_a_file_that_cannot_be_read_is_one_error(tmp_path, name):
    with pytest.raises(InputError):
        inspect_file(tmp_path / name)


# --- the command ------------------------------------------------------------------------------------------


def invoke(*arguments):
    return CliRunner().invoke(main, ["inspect", *map(str, arguments)])


def test_the_command_fits_a_terminal_and_keeps_cautions_apart(tmp_path):
    path = write(tmp_path, UNKNOWN_CSV.replace("doze", "d" * 200))
    result = invoke(path)
    assert result.exit_code == 0, result.output
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert result.stdout.startswith("FILE  night.csv\n  reader        table\n")
    minute = write(tmp_path, "time,stage\n" + "".join(f"2026-03-01T22:{i:02d}:00,wake\n" for i in range(9)), "m.csv")
    loud, quiet = invoke(minute), invoke(minute, "--quiet")
    assert "caution:" in loud.stderr
    assert "caution:" not in loud.stdout
    assert quiet.stderr == ""


def test_json_on_standard_output_is_nothing_else(tmp_path):
    result = invoke(write(tmp_path, EPOCHS_CSV), "--json", "-")
    document = json.loads(result.stdout)
    assert document["schema"] == "sleepagree.inspect/2"
    published = "file reader start zone epoch_seconds epoch_seconds_from labels gaps overlaps lights ignored cautions"
    assert set(published.split()) <= set(document)
    assert document["start"] == "2026-03-01T22:30:00"
    assert document["labels"][0] == {"label": "wake", "stage": "W", "epochs": 2, "minutes": 1.0}
    assert document["lights"] == {"off": None, "on": None}
    assert document["ignored"] == {"texts": 0, "times": 0}


def test_a_layout_is_written_once_and_read_back(tmp_path):
    path, layout = write(tmp_path, UNKNOWN_CSV), tmp_path / "layout.toml"
    result = invoke(path, "--write-layout", layout)
    assert result.exit_code == 0, result.output
    assert "fill in 2 stages in it" in result.stderr
    assert invoke(path, "--write-layout", layout).exit_code == 1
    layout.write_text(layout.read_text().replace('= ""', '= "light"'))
    assert invoke(path, "--layout", layout, "--write-layout", layout, "--overwrite").exit_code == 1  # it is read
    again = invoke(path, "--layout", layout, "--write-layout", tmp_path / "again.toml")
    assert again.exit_code == 0, again.output
    assert "fill in" not in again.stderr
    assert 'doze" = "light"' in (tmp_path / "again.toml").read_text()


def test_a_bad_file_is_one_message(tmp_path):
    result = invoke(write(tmp_path, "time,stage\n2026-03-01T22:30:00,W,extra\n"))
    assert result.exit_code == 1
    assert result.stderr.startswith("sleepagree: ")
    assert "Traceback" not in result.output
    assert result.stdout == ""


def test_outputs_that_cannot_be_written_are_told_before_anything_is(tmp_path):
    path, record = write(tmp_path, EPOCHS_CSV), tmp_path / "x.json"
    refused = invoke(path, "--json", record, "--write-layout", tmp_path / "no" / "layout.toml")
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert "the folder of the file does not exist" in refused.stderr
    assert not record.exists()
    record.write_text("mine")
    refused = invoke(path, "--json", record, "--write-layout", tmp_path / "layout.toml")
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert not (tmp_path / "layout.toml").exists()


def test_a_starter_layout_does_not_say_again_what_the_layout_says_in_other_case(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("onset,stage\n0,wake\n30,N2\n60,wake\n")
    layout = tmp_path / "device.toml"
    layout.write_text('epoch_seconds = 30\n[stages]\nWAKE = "N1"\n')
    given = read_layout(layout)
    lines = layout_text(layout_as_seen(inspect_file(path, layout=given), given)).splitlines()
    told = [line for line in lines if line.strip("# ").casefold().startswith('"wake"')]
    assert told == ['"wake" = "N1"    # 2 times; as the layout says']


def test_what_the_proposed_layout_takes_care_of_does_not_stand_in_the_way(tmp_path):
    """It is told in short, without advice that the layout makes needless; what it leaves stands in the way."""
    rows = [f"{i};14.3.2026 22:{i:02}:00;{'Wach' if i % 3 else 'REM'}" for i in range(16)]
    path = tmp_path / "band.csv"
    path.write_text("\n".join(["nro;alkoi;vaihe", *rows]) + "\n", encoding="utf-8")
    document = json.loads(run("inspect", path, "--json", "-").stdout)
    columns = "Found the columns 'nro', 'alkoi', 'vaihe'."
    assert document["settled"] == [f"line 1: no column holds the times and none the stages. {columns}"]
    assert (document["problems"], len(document["first"])) == ([], 4)
    shown = run("inspect", path).stdout
    assert "WHAT THE LAYOUT BELOW TAKES CARE OF" in shown
    assert "WHAT STANDS IN THE WAY" not in shown
    path.write_text("\n".join(["nro;alkoi;vaihe", *rows[:9], "9;14.3.2026 22:08:20;Wach", *rows[9:]]), encoding="utf-8")
    document = json.loads(run("inspect", path, "--json", "-").stdout)
    assert document["settled"] == [f"line 1: no column holds the times and none the stages. {columns}"]
    assert [text.split(".")[0] for text in document["problems"]] == [
        "with the proposed layout: line 11: the step between rows varies"
    ]


def test_a_row_over_the_night_that_the_proposed_layout_takes_for_no_stage_does_not_stand_in_the_way(tmp_path):
    rows = [f"2026-03-01 22:{i:02}:00,2026-03-01 22:{i + 1:02}:00,{'wake' if i % 3 else 'rem'}" for i in range(16)]
    path = tmp_path / "band.csv"
    rows.append("2026-03-01 22:00:00,2026-03-01 22:16:00,in bed")
    path.write_text("\n".join(["start,end,stage", *rows]) + "\n", encoding="utf-8")
    document = json.loads(run("inspect", path, "--json", "-").stdout)
    assert document["problems"] == []
    assert [text.split(".")[0].partition(": ")[2] for text in document["settled"]] == [
        "unknown stage label",
        "two rows with different labels overlap",
    ]
    assert "overlaps = " not in run("inspect", path).stdout


@pytest.mark.parametrize("zone", [None, "Europe/Helsinki"])
def test_a_zone_that_was_told_is_no_blank_of_a_proposed_layout(tmp_path, zone):
    """The times are moments, Unix seconds from 2026-03-01 20:30 UTC on, of which none tells the place."""
    rows = [{"from": 1772397000 + 30 * i, "is": "wake" if i % 3 else "rem"} for i in range(40)]
    path, written = tmp_path / "band.json", tmp_path / "band.toml"
    path.write_text(json.dumps({"sleep": {"rows": rows}}), encoding="utf-8")
    shown = run("inspect", path, "--write-layout", written, *(["--zone", zone] if zone else [])).stdout
    lines = [line for line in written.read_text(encoding="utf-8").splitlines() if line.startswith("zone = ")]
    assert [line.partition("    #")[0] for line in lines] == [f'zone = "{zone or ""}"']
    assert ("TO FILL IN" in shown) == (zone is None)
    assert (f"taken for that of {zone}" in " ".join(shown.split())) == (zone is not None)
    if zone:
        assert "WHAT STANDS IN THE WAY" not in run("inspect", path, "--layout", written).stdout
