"""A night written for other tools, read back by other tools: MNE, edfio, pandas, pyarrow, and our own readers."""

import csv
import io
import json
import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import edfio
import mne
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import OutputError
from sleepagree.files.formulas import escape_formula, unescape_formula
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.ledger import Status
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.mapping import mapping_named
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.edf.recording import read_edf_annotations
from sleepagree.readers.layout import Layout, read_layout
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.export import (
    AlignedNight,
    NightFormat,
    aligned_files,
    aligned_night,
    aligned_rows,
    annotation_texts,
    bids_events,
    csv_bytes,
    edf_bytes,
    parquet_bytes,
    stages_disagree,
    write_aligned_night,
)

CLOCK = datetime(2026, 3, 1, 22, 30, 15)

# one epoch of every kind; what disagrees was decided by hand
KINDS = (
    ("W", "W", "scored", False),
    ("W", "light", "scored", True),
    ("N1", "light", "scored", False),
    ("N2", "light", "scored", False),
    ("N2", "N3", "scored", True),
    ("R", "light", "scored", True),
    ("N2", "sleep", "scored", False),
    ("W", "sleep", "scored", True),
    ("N2", "wake-or-sleep", "scored", False),
    ("N3", None, "device_gap", None),
    (None, "light", "reference_gap", None),
    ("unscored", "light", "reference_unscored", None),
    ("N3", "unscored", "device_unscored", None),
)

#: Page of the docs that has the layouts by which a night is read back.
DOCS = (Path(__file__).parents[2] / "docs" / "export.md").read_text(encoding="utf-8")


def night(kinds=KINDS, **changes):
    reference, device, status, _ = zip(*kinds, strict=True)
    fields = {"start": CLOCK, "epoch_s": 30.0, "reference": reference, "device": device, "status": status}
    return AlignedNight(**{**fields, **changes})


def long_night(seed=1, epochs=960):
    rng = np.random.default_rng(seed)
    return night([KINDS[i] for i in rng.integers(0, len(KINDS), epochs)])


def test_disagreement_is_what_cannot_both_hold():
    assert night().disagrees == tuple(kind[3] for kind in KINDS)
    assert stages_disagree("own word", "own word") is False
    assert stages_disagree("own word", "light") is True


def test_lengths_and_epochs_are_checked():
    with pytest.raises(ValueError, match="device has 2 epochs, status has 1"):
        AlignedNight(None, 30.0, ("W",), ("W", "W"), ("scored",))
    with pytest.raises(ValueError, match="first_onset_s must be a finite number"):
        night(first_onset_s=float("nan"))
    with pytest.raises(ValueError, match="epoch_s must be a positive number"):
        AlignedNight(None, 0.0, (), (), ())


# --- EDF+ -------------------------------------------------------------------------------------------------


def expected_texts(aligned):
    """The annotations worked out once more, from the list of epochs."""
    texts = set()
    for i, (reference, device) in enumerate(zip(aligned.reference, aligned.device, strict=True)):
        texts |= {(30.0 * i, 30.0, f"reference: {reference}")} if reference else set()
        texts |= {(30.0 * i, 30.0, f"device: {device}")} if device else set()
    i = 0
    while i < len(aligned.status):
        j = i
        key = (aligned.reference[i], aligned.device[i], aligned.disagrees[i])
        while j < len(aligned.status) and (aligned.reference[j], aligned.device[j], aligned.disagrees[j]) == key:
            j += 1
        if aligned.disagrees[i]:
            texts.add((30.0 * i, 30.0 * (j - i), f"disagreement: {key[0]} / {key[1]}"))
        i = j
    return texts


def test_edf_is_read_back_by_mne_and_edfio_annotation_for_annotation(tmp_path):
    aligned = long_night()
    path = tmp_path / "night.edf"
    assert write_aligned_night(aligned, path, as_format=NightFormat.EDF) == (path,)
    expected = expected_texts(aligned)
    by_mne = mne.read_annotations(path)
    # the first annotation says what the start of a file without signals is
    read = set(zip(by_mne.onset.tolist(), by_mne.duration.tolist(), by_mne.description.tolist(), strict=True))
    assert read - {(0.0, 0.0, "Recording starts")} == expected
    edf = edfio.read_edf(path)
    by_edfio = {(a.onset, a.duration, a.text) for a in edf.annotations if a.text != "Recording starts"}
    assert by_edfio == expected
    assert datetime.combine(edf.startdate, edf.starttime) == CLOCK
    ours = read_edf_annotations(path)
    assert {tuple(a) for a in ours.annotations if a.text != "Recording starts"} == expected


def test_edf_gives_the_stages_of_both_sides_epoch_by_epoch(tmp_path):
    aligned = long_night(2)
    path = tmp_path / "night.edf"
    write_aligned_night(aligned, path, as_format=NightFormat.EDF)
    for side in ("reference", "device"):
        stages = {}
        for onset, duration, text in zip(
            *(getattr(mne.read_annotations(path), k) for k in ("onset", "duration", "description")), strict=True
        ):
            if text.startswith(f"{side}: "):
                assert duration == 30
                stages[round(onset / 30)] = text.removeprefix(f"{side}: ")
        assert [stages.get(i) for i in range(960)] == list(getattr(aligned, side))


def test_edf_of_one_side_is_read_by_our_own_reader_with_a_layout(tmp_path):
    aligned = night(KINDS[:8] * 5)
    path = tmp_path / "night.edf"
    write_aligned_night(aligned, path, as_format=NightFormat.EDF)
    words = {f"reference: {stage}": stage for stage in ("W", "N1", "N2", "R")}
    spans = read_spans(path, layout=Layout(stages=words))
    assert [spans.stages[c] for c in spans.codes] == list(aligned.reference)
    assert spans.start == CLOCK


@pytest.mark.parametrize(
    ("start", "written"),
    [
        (None, datetime(1985, 1, 1)),
        (CLOCK.replace(microsecond=500_000), CLOCK.replace(microsecond=500_000)),
        (CLOCK.replace(tzinfo=timezone(timedelta(hours=2))), CLOCK),
    ],
)
def test_edf_starts(tmp_path, start, written):
    path = tmp_path / "night.edf"
    path.write_bytes(edf_bytes(night(start=start)))
    edf = edfio.read_edf(path)
    assert datetime.combine(edf.startdate, edf.starttime) == written
    assert mne.read_annotations(path).onset.min() == 0


def test_disagreement_runs_are_one_annotation():
    aligned = night([KINDS[1]] * 4 + [KINDS[0]] + [KINDS[1]] * 2 + [KINDS[5]])
    assert [t for t in annotation_texts(aligned) if t[2].startswith("disagreement")] == [
        (0.0, 120.0, "disagreement: W / light"),
        (150.0, 60.0, "disagreement: W / light"),
        (210.0, 30.0, "disagreement: R / light"),
    ]


# --- BIDS -------------------------------------------------------------------------------------------------


def test_bids_events_are_read_back_by_our_events_reader(tmp_path):
    aligned = long_night(3)
    path = tmp_path / "sub-cook_task-sleep_events.tsv"
    written = write_aligned_night(aligned, path, as_format=NightFormat.BIDS)
    assert [p.name for p in written] == ["sub-cook_task-sleep_events.tsv", "sub-cook_task-sleep_events.json"]
    reference = read_spans(path)
    device = read_spans(path, layout=Layout(stage="device"))
    for spans, side in ((reference, aligned.reference), (device, aligned.device)):
        np.testing.assert_array_equal(spans.onset_s, np.arange(960) * 30)
        np.testing.assert_array_equal(spans.duration_s, np.full(960, 30))
        # a silent side is n/a in the table, which is unscored where no layout says otherwise
        assert [spans.stages[c] for c in spans.codes] == [stage or "unscored" for stage in side]


@pytest.mark.parametrize("as_format", [NightFormat.BIDS, NightFormat.CSV, NightFormat.PARQUET])
def test_a_night_with_silence_is_read_back_as_it_was_by_the_layouts_of_the_docs(as_format, tmp_path):
    aligned = replace(aligned_night(paired_night()), first_onset_s=0.0)
    path = tmp_path / "night_events.tsv" if as_format is NightFormat.BIDS else tmp_path / f"night.{as_format}"
    write_aligned_night(aligned, path, as_format=as_format)
    times = {} if as_format is NightFormat.BIDS else {"start": "start", "duration_unit": 1.0}
    columns = {"reference": "trial_type" if as_format is NightFormat.BIDS else "reference", "device": "device"}
    silent = {"n/a" if as_format is NightFormat.BIDS else "": "not-a-stage"}
    sides = {
        side: read_spans(path, layout=Layout(stage=column, stages=silent, **times)) for side, column in columns.items()
    }
    again = aligned_night(align(**sides))
    assert (again.reference, again.device, again.status) == (aligned.reference, aligned.device, aligned.status)


@pytest.mark.parametrize("as_format", [NightFormat.CSV, NightFormat.PARQUET])
@pytest.mark.parametrize("said", [("wake", None, "deep", None) * 10, ("wake", None, None, "deep", None, None) * 7])
def test_a_device_that_speaks_now_and_then_is_read_back_by_the_layout_of_the_docs(said, as_format, tmp_path):
    # alone, such rows would be as long as they are apart, or as their durations say
    layout = tmp_path / "night.toml"
    layout.write_text(re.search(r"and Parquet it is\n\n```toml\n(.*?)```", DOCS, re.DOTALL)[1])
    reference = read_hypnogram(["W", "N2", "N3", "R", "N2", "W"] * 7, start=CLOCK)
    paired = align(reference=reference, device=read_hypnogram(said, start=CLOCK), window="reference")
    path = tmp_path / f"night.{as_format}"
    write_aligned_night(aligned_night(paired), path, as_format=as_format)
    again = read_spans(path, layout=read_layout(layout))
    spoken = [30.0 * i for i, word in enumerate(said) if word]
    assert (again.onset_s.tolist(), again.duration_s.tolist()) == (spoken, [30.0] * len(spoken))


def test_bids_tables_follow_the_standard():
    # onset and duration first, in seconds; n/a for what is missing; the sidecar describes every column (BIDS)
    table, sidecar = bids_events(night(first_onset_s=12.25))
    frame = pd.read_csv(io.BytesIO(table), sep="\t", keep_default_na=False)
    assert list(frame.columns[:3]) == ["onset", "duration", "trial_type"]
    assert frame["onset"].tolist() == [12.25 + 30 * i for i in range(len(KINDS))]
    assert frame["trial_type"].tolist() == [kind[0] or "n/a" for kind in KINDS]
    assert frame["disagreement"].tolist() == [{True: "1", False: "0", None: "n/a"}[kind[3]] for kind in KINDS]
    described = json.loads(sidecar)
    assert set(described) == set(frame.columns)
    for name in ("trial_type", "device", "status", "disagreement"):
        assert set(described[name]["Levels"]) == set(frame[name]) - {"n/a"}


def test_a_format_is_told_by_its_text(tmp_path):
    for as_format in NightFormat:
        path = tmp_path / "night_events.tsv"
        told = aligned_files(night(), path, as_format=str(as_format))
        assert told == aligned_files(night(), path, as_format=as_format)
    with pytest.raises(ValueError, match="as_format must be one of 'edf', 'bids', 'csv', 'parquet', not 'xls'"):
        aligned_files(night(), tmp_path / "night.xls", as_format="xls")


def test_a_bids_name_is_checked_and_both_files_are_kept_from_being_overwritten(tmp_path):
    with pytest.raises(OutputError, match=r"a name that ends in events\.tsv"):
        write_aligned_night(night(), tmp_path / "night.tsv", as_format=NightFormat.BIDS)
    (tmp_path / "x_events.json").write_text("mine")
    with pytest.raises(OutputError, match=r"x_events\.json: the output exists"):
        write_aligned_night(night(), tmp_path / "x_events.tsv", as_format=NightFormat.BIDS)
    assert [p.name for p in tmp_path.iterdir()] == ["x_events.json"]
    write_aligned_night(night(), tmp_path / "x_events.tsv", as_format=NightFormat.BIDS, overwrite=True)
    assert json.loads((tmp_path / "x_events.json").read_text())


# --- CSV and Parquet --------------------------------------------------------------------------------------


def test_csv_holds_every_epoch():
    rows = list(csv.DictReader(io.StringIO(csv_bytes(night()).decode())))
    assert [(r["reference"] or None, r["device"] or None, r["status"]) for r in rows] == [k[:3] for k in KINDS]
    assert {r["duration"] for r in rows} == {"30"}
    assert [r["disagreement"] for r in rows] == [{True: "1", False: "0", None: ""}[k[3]] for k in KINDS]
    assert [datetime.fromisoformat(r["start"]) for r in rows] == [CLOCK + timedelta(seconds=30 * i) for i in range(13)]
    assert rows[-1]["epoch"] == "12"
    assert rows[-1]["onset"] == "360"


@pytest.mark.parametrize(
    ("start", "zone"),
    [
        (CLOCK, None),
        (None, None),
        (CLOCK.replace(tzinfo=ZoneInfo("Europe/Helsinki")), "Europe/Helsinki"),
        (CLOCK.replace(tzinfo=timezone(timedelta(hours=-3, minutes=-30))), "-03:30"),
    ],
)
def test_parquet_keeps_types_and_zones(tmp_path, start, zone):
    path = tmp_path / "night.parquet"
    write_aligned_night(night(start=start), path, as_format=NightFormat.PARQUET)
    table = pq.read_table(path)
    assert table.column("reference").to_pylist() == [k[0] for k in KINDS]
    assert table.column("device").to_pylist() == [k[1] for k in KINDS]
    assert table.column("status").to_pylist() == [k[2] for k in KINDS]
    assert table.column("disagreement").to_pylist() == [k[3] for k in KINDS]
    assert table.schema.field("start").type.tz == zone
    starts = table.column("start").to_pylist()
    assert starts == [None if start is None else start + timedelta(seconds=30 * i) for i in range(13)]
    assert pd.read_parquet(path).shape == (13, 8)


def test_times_run_on_over_a_change_of_the_clock(tmp_path):
    # 25 October 2026 in Helsinki: 03:59:30+03:00 is followed by 03:00:00+02:00
    start = datetime(2026, 10, 25, 3, 59, 30, tzinfo=ZoneInfo("Europe/Helsinki"))
    rows = list(csv.DictReader(io.StringIO(csv_bytes(night(KINDS[:2], start=start)).decode())))
    assert [r["start"] for r in rows] == ["2026-10-25T03:59:30+03:00", "2026-10-25T03:00:00+02:00"]


def test_labels_of_ones_own_run_no_formula():
    own = night([("=1+1", "@x", "scored", True), ("-5", "+cmd|' /C calc'!A0", "scored", True)])
    rows = list(csv.DictReader(io.StringIO(csv_bytes(own).decode())))
    assert [(r["reference"], r["device"]) for r in rows] == [("'=1+1", "'@x"), ("-5", "'+cmd|' /C calc'!A0")]


def test_levels_of_the_sidecar_are_the_values_of_the_table():
    """BIDS, "Tabular files": the keys of Levels are the values that a column may have."""
    own = night([("W", "=up", "scored", False), ("N2", "@x", "scored", True), ("R", "dream", "scored", False)])
    table, sidecar = bids_events(own)
    rows = list(csv.DictReader(io.StringIO(table.decode()), delimiter="\t"))
    levels = {name: told["Levels"] for name, told in json.loads(sidecar).items() if "Levels" in told}
    assert levels.keys() == {"trial_type", "device", "status", "disagreement"}
    for name, told in levels.items():
        assert {row[name] for row in rows} <= told.keys()
    assert levels["device"] == {"'=up": "=up", "'@x": "@x", "dream": "dream"}


@given(st.text(max_size=12))
def test_no_cell_begins_like_a_formula_unless_it_is_a_number(text):
    cell = escape_formula(text)
    assert cell in (text, "'" + text)
    assert unescape_formula(cell) == text
    if cell.startswith(("=", "+", "-", "@", "\t", "\r")):
        assert str(float(cell)) not in ("nan", "inf", "-inf")


@pytest.mark.parametrize("cell", ["-1", "+2.5", "-1e-3", "12", "N2", "", "1-2"])
def test_numbers_and_plain_texts_stay(cell):
    assert escape_formula(cell) == cell


@pytest.mark.parametrize("cell", ["=1", "-x", "+1_0", "- 1", "@SUM(1)", "\t=1", "\r=1", "-inf", "-nan", "--1"])
def test_what_a_spreadsheet_might_run_gets_an_apostrophe(cell):
    assert escape_formula(cell) == "'" + cell


# --- from a paired night ----------------------------------------------------------------------------------


def paired_night():
    reference = ScoredSpans(
        [0, 60, 120, 180],
        [60, 60, 60, 60],
        [0, 1, 2, 3],
        ("W", "N2", "?", "R"),
        ("W", "N2", "unscored", "R"),
        start=CLOCK,
    )
    device = ScoredSpans(
        [0, 30, 90, 210], [30, 60, 60, 30], [0, 1, 0, 1], ("wake", "light"), ("W", "light"), start=CLOCK
    )
    return align(reference=reference, device=device)


def test_a_paired_night_is_laid_out_epoch_by_epoch():
    aligned = aligned_night(paired_night())
    # two epochs each of W, N2, unscored, R; the device: wake, light, light, wake, wake, gap, gap, light
    assert aligned.reference == ("W", "W", "N2", "N2", "unscored", "unscored", "R", "R")
    assert aligned.device == ("W", "light", "light", "W", "W", None, None, "light")
    assert aligned.status == (*["scored"] * 4, *["reference_unscored"] * 2, "device_gap", "scored")
    assert set(aligned.status) <= {status.word for status in Status}
    assert aligned.disagrees == (False, True, False, True, None, None, None, True)
    assert aligned.start == CLOCK
    assert aligned.first_onset_s == 0
    assert aligned.mapping == ""


def test_onsets_count_from_the_start_of_the_reference():
    reference = ScoredSpans([90, 120, 150], [30] * 3, [0, 1, 0], ("W", "N2"), ("W", "N2"), start=CLOCK)
    device = ScoredSpans([0, 120, 150], [30, 30, 60], [0, 1, 0], ("W", "N2"), ("W", "N2"), start=CLOCK)
    aligned = aligned_night(align(reference=reference, device=device))
    assert aligned.first_onset_s == 90
    assert aligned.start == CLOCK + timedelta(seconds=90)
    assert [row["onset"] for row in aligned_rows(aligned)] == [90, 120, 150]
    edf = edfio.read_edf(io.BytesIO(edf_bytes(aligned)))
    assert datetime.combine(edf.startdate, edf.starttime) == CLOCK
    assert [a.onset for a in edf.annotations if a.text.startswith("reference")] == [90, 120, 150]


def test_a_window_before_the_recording_begins_the_edf_file(tmp_path):
    path = tmp_path / "night.edf"
    path.write_bytes(edf_bytes(night(KINDS[:2], first_onset_s=-45.5)))
    edf = edfio.read_edf(path)
    assert datetime.combine(edf.startdate, edf.starttime) == CLOCK
    assert [a.onset for a in edf.annotations if a.text.startswith("device")] == [0, 30]
    # the tables count from the recording all the same
    assert [row["onset"] for row in aligned_rows(night(KINDS[:2], first_onset_s=-45.5))] == [-45.5, -15.5]


@pytest.mark.parametrize("first_onset_s", [0.1, 12.3, 780.7, 1e6 + 0.1])
@pytest.mark.parametrize("start", [CLOCK, CLOCK.replace(microsecond=123_456), None])
def test_onsets_between_seconds_are_the_same_numbers_in_every_format(tmp_path, first_onset_s, start):
    aligned = long_night(5)
    aligned = replace(aligned, first_onset_s=first_onset_s, start=start and start + timedelta(seconds=first_onset_s))
    expected = [row["onset"] for row in aligned_rows(aligned)]
    kept = [expected[i] for i, stage in enumerate(aligned.reference) if stage]
    # where the recording starts between two seconds, other readers take the fraction off again in floating point
    from_edf = pytest.approx(kept, rel=0, abs=1e-9) if start and start.microsecond else kept
    path = tmp_path / "night.edf"
    path.write_bytes(edf_bytes(aligned))
    edf = edfio.read_edf(path)
    assert [a.onset for a in edf.annotations if a.text.startswith("reference")] == from_edf
    by_mne = mne.read_annotations(path)
    told = [o for o, t in zip(by_mne.onset.tolist(), by_mne.description, strict=True) if t.startswith("reference")]
    assert told == from_edf
    for table, delimiter in ((bids_events(aligned)[0], "\t"), (csv_bytes(aligned), ",")):
        rows = csv.DictReader(io.StringIO(table.decode()), delimiter=delimiter)
        assert [float(row["onset"]) for row in rows] == expected
    assert pq.read_table(io.BytesIO(parquet_bytes(aligned))).column("onset").to_pylist() == expected


def test_edf_tells_no_date_before_1985():
    # two digits of a year mean 1985 to 2084 (EDF+, item 2 of the additional specifications)
    with pytest.raises(OutputError, match=r"EDF tells no date before 1985\. Found 1984-12-31"):
        edf_bytes(night(start=datetime(1985, 1, 1, 0, 10), first_onset_s=900))
    assert edf_bytes(night(start=datetime(1985, 1, 1, 0, 10)))


def test_a_label_of_control_characters_stays_one_annotation(tmp_path):
    # 0x14 ends a text of an annotation, 0x00 the annotation: a label must do neither
    path = tmp_path / "night.edf"
    path.write_bytes(edf_bytes(night([("a\x14b\x00c\x15d", "\ud800", "scored", True)])))
    expected = {
        "Recording starts",
        r"reference: a\x14b\x00c\x15d",
        "device: \ufffd",
        r"disagreement: a\x14b\x00c\x15d / " + "\ufffd",
    }
    assert {a.text for a in edfio.read_edf(path).annotations} == expected
    assert set(mne.read_annotations(path).description) == expected


def test_the_rule_of_disagreement_is_told(tmp_path):
    free = json.loads(bids_events(night())[1])["disagreement"]["Levels"]
    assert free["1"] == "The two stages cannot both hold"
    aligned = aligned_night(paired_night(), mapping=mapping_named("wake-sleep"))
    assert aligned.mapping == "wake-sleep"
    bound = json.loads(bids_events(aligned)[1])["disagreement"]["Levels"]
    assert bound["1"] == "The two stages are of two classes under the mapping 'wake-sleep'"
    field = pq.read_schema(io.BytesIO(parquet_bytes(aligned))).field("disagreement")
    assert b"mapping 'wake-sleep'" in field.metadata[b"description"]


def test_a_mapping_decides_what_disagrees():
    paired = paired_night()
    asleep = aligned_night(paired, mapping=mapping_named("wake-sleep"))
    assert asleep.disagrees == (False, True, False, True, None, None, None, False)
    counts = paired.native
    # the disagreements are the off-diagonal of wake against sleep: rows W, N2, ?, R; columns wake, light
    assert asleep.disagrees.count(True) == counts[0, 1] + counts[1, 0] + counts[3, 0]
    apart = aligned_night(paired, mapping=mapping_named("rem-apart"))
    assert apart.disagrees[-1] is True


def test_an_output_that_exists_is_kept(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("mine")
    with pytest.raises(OutputError, match="the output exists"):
        write_aligned_night(night(), path, as_format=NightFormat.CSV)
    assert path.read_text() == "mine"
    write_aligned_night(night(), path, as_format=NightFormat.CSV, overwrite=True)
    assert path.read_bytes() == csv_bytes(night())
    with pytest.raises(OutputError, match="the folder of the file does not exist"):
        write_aligned_night(night(), Path(tmp_path / "no" / "night.csv"), as_format=NightFormat.CSV)
