"""A recording in parts scores like the whole recording, and what is no part of it is refused."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from sleepagree.caution import CautionKind, NoteKind
from sleepagree.cli.group import main
from sleepagree.describe.cautions import say_caution
from sleepagree.describe.notes import say_note
from sleepagree.errors import ClockError, EpochGridError, InputError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.joining import join_parts
from sleepagree.night.compare import compare
from sleepagree.readers.any_file import part_files, read_spans
from sleepagree.readers.edf.writer import write_edf_annotations
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study.chunks import KeptChunks, chunk_rows, input_files
from sleepagree.study.run import ScoringOptions
from sleepagree.study.table import read_nights_table

BEGIN = datetime(2026, 6, 10, 22, 0)
STAGES = ("W", "N1", "N2", "N3", "N2", "R", "N2", "W")
LASTS_S = (900.0, 600.0, 5700.0, 3600.0, 5400.0, 1800.0, 7200.0, 600.0)


def write_part(path: Path, first: int, last: int, *, gap_min: float = 0.0) -> None:
    """Write some of the night's bouts as a recording of its own, which begins so much later."""
    start_s, at, rows = sum(LASTS_S[:first]), 0.0, []
    for stage, lasts in list(zip(STAGES, LASTS_S, strict=True))[first:last]:
        rows.append((at, lasts, f"Sleep stage {stage}"))
        at += lasts
    write_edf_annotations(path, rows, start=BEGIN + timedelta(seconds=start_s, minutes=gap_min), overwrite=True)


@pytest.fixture
def night(tmp_path: Path) -> Path:
    write_part(tmp_path / "whole.edf", 0, 8)
    write_part(tmp_path / "A.edf", 0, 3)
    write_part(tmp_path / "B.edf", 3, 8)
    lines = ["start,end,stage"]
    at = BEGIN
    for stage, lasts in zip(STAGES, LASTS_S, strict=True):
        lines.append(f"{at.isoformat()},{(at + timedelta(seconds=lasts)).isoformat()},{stage}")
        at += timedelta(seconds=lasts)
    (tmp_path / "band.csv").write_text("\n".join(lines) + "\n")
    return tmp_path


def score(folder: Path, reference: str):
    spans = read_spans(f"{folder}/{reference.replace('+', f'+{folder}/')}")
    return compare(align(reference=spans, device=read_spans(folder / "band.csv")))


def test_parts_score_like_the_whole_recording(night):
    whole, parts = score(night, "whole.edf"), score(night, "A.edf+B.edf")
    assert (parts.native == whole.native).all()
    assert parts.paired.ledger.scored == sum(LASTS_S) / 30
    assert parts.paired.reference_spans.origin.name == "A.edf+B.edf"
    (note,) = [n for n in parts.paired.ledger.notes if n.kind is NoteKind.PARTS_JOINED]
    assert say_note(note) == "reference: 2 parts joined in order, with 0.0 min between them that none covers"
    listed = read_hypnogram([night / "A.edf", night / "B.edf"])
    assert listed.onset_s.tolist() == parts.paired.reference_spans.onset_s.tolist()


def test_the_first_part_alone_brings_a_caution_with_the_minutes_left_over(night):
    (caution,) = [c for c in score(night, "A.edf").cautions if c.kind is CautionKind.TIME_LEFT_OVER]
    assert (caution["minutes"], caution["asleep_min"]) == (310.0, 300.0)
    assert "310 min before and after the reference, 300 of them sleep" in say_caution(caution)
    assert "is the reference only a part of the recording?" in say_caution(caution)
    for reference in ("whole.edf", "A.edf+B.edf"):
        assert not [c for c in score(night, reference).cautions if c.kind is CautionKind.TIME_LEFT_OVER]


def test_time_between_parts_is_a_gap_of_the_reference(night):
    write_part(night / "B.edf", 3, 8, gap_min=20.0)
    ledger = score(night, "A.edf+B.edf").paired.ledger
    assert dict(ledger.excluded)["reference_gap"] == 40


def test_parts_that_overlap_or_are_out_of_order_are_refused(night):
    write_part(night / "C.edf", 2, 8)
    for reference in ("A.edf+C.edf", "B.edf+A.edf"):
        with pytest.raises(EpochGridError, match="overlap or are out of order"):
            score(night, reference)
    shutil.copy(night / "A.edf", night / "D.edf")
    with pytest.raises(InputError, match="two parts are the same bytes"):
        score(night, "A.edf+D.edf")


def test_parts_of_other_kinds_and_without_clocks_are_refused(night):
    with pytest.raises(InputError, match="different kinds of files"):
        score(night, "A.edf+band.csv")
    silent = read_hypnogram(["W", "N1"])
    with pytest.raises(ClockError, match="need clocks that can be compared"):
        join_parts([silent, silent])


def test_parts_on_both_sides_of_a_change_of_the_clock_are_placed_by_the_zone_of_their_own_option(tmp_path):
    """Helsinki, 25 October 2026: 04:00 is put back to 03:00, so 01:00 to 05:00 are five hours. Invented night."""
    zone = ZoneInfo("Europe/Helsinki")
    begins = [datetime(2026, 10, 25, hour, 0) for hour in (1, 5)]
    for name, begin in zip(("a.edf", "b.edf"), begins, strict=True):
        rows = [(0.0, 600.0, "Sleep stage W"), (600.0, 3000.0, "Sleep stage N2")]
        write_edf_annotations(tmp_path / name, rows, start=begin)
    moments = [begin.replace(tzinfo=zone).astimezone(UTC) for begin in begins]
    lines = [
        f"{m + timedelta(seconds=30 * i):%Y-%m-%dT%H:%M:%SZ},{'W' if i < 20 else 'N2'}"
        for m in moments
        for i in range(120)
    ]
    (tmp_path / "band.csv").write_text("\n".join(["time,stage", *lines]) + "\n")
    parts = [tmp_path / "a.edf", tmp_path / "b.edf"]
    own = align(reference=read_spans(parts, zone="Europe/Helsinki"), device=read_spans(tmp_path / "band.csv"))
    assert (own.ledger.scored, own.ledger.window_epochs) == (240, 6 * 120)
    with pytest.raises(ClockError, match="the clock is changed in this night") as refusal:
        align(reference=read_spans(parts), device=read_spans(tmp_path / "band.csv", zone="Europe/Helsinki"))
    assert "zone='Europe/Helsinki' (of the reference) for the reference" in str(refusal.value)


def test_marks_of_several_parts_are_refused_as_those_of_one_file_are(tmp_path):
    stages = [(0.0, 3600.0, "Sleep stage N2")]
    write_edf_annotations(tmp_path / "a.edf", [(60.0, None, "Lights off"), *stages], start=BEGIN)
    later = BEGIN + timedelta(hours=1)
    write_edf_annotations(tmp_path / "b.edf", [(90.0, None, "Lights off"), *stages], start=later)
    write_edf_annotations(tmp_path / "c.edf", [*stages, (3600.0, None, "Lights on")], start=later)
    joined = read_spans([tmp_path / "a.edf", tmp_path / "c.edf"])
    assert (joined.lights_off_s, joined.lights_on_s) == (60.0, 7200.0)
    with pytest.raises(EpochGridError) as refusal:
        read_spans([tmp_path / "a.edf", tmp_path / "b.edf"])
    assert str(refusal.value).split(" Keep")[0] == (
        "b.edf: parts of one recording have several 'lights off' marks. Found 2026-06-10 22:01:00 in a.edf and "
        "2026-06-10 23:01:30 in b.edf; expected one."
    )


def test_parts_whose_stages_last_unlike_are_joined(tmp_path):
    """Lengths of epochs are deduced from durations: 600 s of two bouts of ten minutes, 30 s of others."""
    for name, later_s, lasts_s in (("a.edf", 0, 600.0), ("b.edf", 1200, 90.0)):
        rows = [(0.0, lasts_s, "Sleep stage W"), (lasts_s, 600.0, "Sleep stage N2")]
        write_edf_annotations(tmp_path / name, rows, start=BEGIN + timedelta(seconds=later_s))
    parts = [tmp_path / "a.edf", tmp_path / "b.edf"]
    assert [read_spans(part).epoch_s for part in parts] == [600.0, 30.0]
    joined = read_spans(parts)
    assert (joined.epoch_s, joined.epoch_from) == (None, "")
    assert joined.onset_s.tolist() == [0.0, 600.0, 1200.0, 1290.0]


def test_a_file_of_that_very_name_wins(night):
    shutil.copy(night / "whole.edf", night / "A.edf+B.edf")
    assert part_files("A.edf+B.edf", str(night)) == (str(night / "A.edf+B.edf"),)
    assert read_spans(night / "A.edf+B.edf").onset_s.size == len(STAGES)


def test_a_table_names_parts_and_every_part_is_an_input(night):
    (night / "nights.csv").write_text(
        "participant,night,device,reference,device_file\nP1,1,band A,A.edf+B.edf,band.csv\n"
    )
    table = read_nights_table(night / "nights.csv")
    assert {Path(p).name for p in input_files(table)} == {"nights.csv", "A.edf", "B.edf", "band.csv"}

    def key():
        chunks = chunk_rows(table.rows)
        return KeptChunks(night / "kept", chunks, table, ScoringOptions(), resume=True)._keys

    before = key()
    write_part(night / "B.edf", 3, 8, gap_min=1.0)  # the second part alone changes
    assert key() != before
    done = CliRunner().invoke(main, ["study", str(night / "nights.csv"), "--out", str(night / "out"), "--quiet"])
    assert done.exit_code == 0, done.output
    (night / "nights.csv").write_text(
        "participant,night,device,reference,device_file\nP1,1,band A,A.edf+missing.edf,band.csv\n"
    )
    with pytest.raises(InputError, match=r"'A\.edf\+missing\.edf' does not exist"):
        read_nights_table(night / "nights.csv")


def test_night_takes_parts_and_replaces_none_of_them(night, monkeypatch):
    monkeypatch.chdir(night)
    done = CliRunner().invoke(main, ["night", "A.edf+B.edf", "band.csv"])
    assert done.exit_code == 0, done.output
    for part in ("A.edf", "B.edf"):
        before = Path(part).read_bytes()
        refused = CliRunner().invoke(main, ["night", "A.edf+B.edf", "band.csv", "--json", part, "--overwrite"])
        assert refused.exit_code == 1, refused.output
        assert Path(part).read_bytes() == before
