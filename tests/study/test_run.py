"""Scoring the rows of a table: chunks, refusals, duplicates, and what a summary keeps of a night."""

from __future__ import annotations

import csv
import gzip
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import confusion_matrix

from sleepagree.caution import CautionKind
from sleepagree.errors import Front, Option, SleepAgreeError
from sleepagree.hypnogram.align import align
from sleepagree.mapping.mapping import mapping_named
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.study.execution import run_rows
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.run import ScoringOptions, score_rows
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import NightRow, read_nights_table
from tests.ferry import FERRY, copy_ferry

TABLE = read_nights_table(FERRY / "nights.csv")


def row(number: int = 2, **changes: object) -> NightRow:
    values = {"participant": "a", "night": "1", "device": "band A", "references": ("r.csv",), "device_file": "d.csv"}
    values |= {"layout": "seconds.toml", "reference_layout": "seconds.toml"}
    return NightRow(number, **{**values, **changes})  # type: ignore[arg-type]


def write_night(folder: Path, *, reference: str, device: str) -> None:
    """Write epochs of 30 s, one letter each: W, N1 (1), N2 (2), N3 (3), R; w, l, d, r; and . for a gap."""
    stages = {"W": "W", "1": "N1", "2": "N2", "3": "N3", "R": "R", "?": "?"}
    words = {"w": "wake", "l": "light", "d": "deep", "r": "rem"}
    for name, letters, table in (("r.csv", reference, stages), ("d.csv", device, words)):
        rows = [f"{30 * i},30,{table[c]}" for i, c in enumerate(letters) if c != "."]
        (folder / name).write_text("\n".join(["onset,duration,stage", *rows]) + "\n")
    (folder / "seconds.toml").write_text('[file]\nduration_unit = "s"\n')


# --- one row ----------------------------------------------------------------------------------------------


def test_a_row_is_read_aligned_and_reduced(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW1223R?2.", device="wlllddr.lw")
    night = score_rows([row()], tmp_path, ScoringOptions(clock=False)).outcomes[0]
    # the window is the reference's first to last stage: nine epochs; the seventh is unscored
    assert (night.window_epochs, night.scored) == (9, 8)
    assert dict(night.excluded) == {
        "reference_gap": 0, "reference_unscored": 1, "device_gap": 0, "device_unscored": 0,
    }  # fmt: skip
    assert (night.outside_reference, night.outside_device) == (0, 1)
    labels = night.reference_set.labels, night.device_set.labels
    cells = {
        (labels[0][i], labels[1][j]): int(n) for i, line in enumerate(night.native) for j, n in enumerate(line) if n
    }
    # read off the two lines of letters above, one by one
    assert cells == {
        ("W", "wake"): 1, ("W", "light"): 1, ("N1", "light"): 1, ("N2", "light"): 2, ("N2", "deep"): 1,
        ("N3", "deep"): 1, ("R", "rem"): 1,
    }  # fmt: skip
    assert night.begin == ""
    assert night.window_rule == "reference"


def test_options_of_the_row_go_before_those_of_the_study(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW122WW", device=".l222.."[:2].replace("2", "l") + "lll..")
    options = ScoringOptions(window="overlap", clock=False)
    assert score_rows([row()], tmp_path, options).outcomes[0].window_epochs == 4
    assert score_rows([row(window="reference")], tmp_path, options).outcomes[0].window_epochs == 7
    moved = score_rows([row(clock_offset_s=30.0, window="overlap")], tmp_path, options).outcomes[0]
    assert moved.window_epochs == 4
    assert int(moved.native[moved.reference_set.labels.index("W")].sum()) == 1


def test_silence_of_a_device_is_missing_or_wake_as_asked(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW122WW", device="..lll..")
    missing = score_rows([row()], tmp_path, ScoringOptions(clock=False)).outcomes[0]
    wake = score_rows([row()], tmp_path, ScoringOptions(clock=False, outside="wake")).outcomes[0]
    assert (missing.scored, dict(missing.excluded)["device_gap"]) == (3, 4)
    assert (wake.scored, dict(wake.excluded)["device_gap"]) == (7, 0)


def test_the_epochs_file_has_a_line_for_every_epoch_of_the_window(tmp_path: Path) -> None:
    write_night(tmp_path, reference="W1?2R", device="wl.ll"[:3] + "lr")
    result = score_rows([row(participant="=a", device='pad "B"')], tmp_path, ScoringOptions(epochs=True))
    lines = list(csv.reader(io.StringIO(gzip.decompress(result.epochs).decode())))
    # a name that a spreadsheet would run has an apostrophe in front; quotes are doubled as CSV does
    assert lines == [
        ["'=a", "1", 'pad "B"', "0", "W", "W", "scored"],
        ["'=a", "1", 'pad "B"', "1", "N1", "light", "scored"],
        ["'=a", "1", 'pad "B"', "2", "unscored", "", "reference_unscored"],
        ["'=a", "1", 'pad "B"', "3", "N2", "light", "scored"],
        ["'=a", "1", 'pad "B"', "4", "R", "R", "scored"],
    ]


def test_a_summary_comes_back_from_json_as_it_was() -> None:
    for chunk in run_rows(TABLE, ScoringOptions()):
        for night in chunk.outcomes:
            assert isinstance(night, NightSummary)
            again = NightSummary.from_document(json.loads(json.dumps(night.to_document(), allow_nan=False)))
            assert again.to_document() == night.to_document()
            assert (again.native == night.native).all()
            assert again.reference_set == night.reference_set


def test_a_summary_counts_what_the_night_itself_counts() -> None:
    # against the path of one night, which tests of pairing and of measures check by hand
    first = TABLE.rows[0]
    reference = read_spans(FERRY / first.references[0])
    device = read_spans(FERRY / first.device_file, layout=read_layout(FERRY / first.layout))
    paired = align(reference=reference, device=device)
    night = score_rows([first], FERRY, ScoringOptions()).outcomes[0]
    assert (night.native == paired.native).all()
    assert night.excluded == paired.ledger.excluded
    assert night.begin == paired.begin.isoformat()


# --- refusals ---------------------------------------------------------------------------------------------


def test_a_night_that_cannot_be_scored_stands_between_the_others(tmp_path: Path) -> None:
    table = copy_ferry(tmp_path / "ferry")
    (table.parent / "band-a" / "crew-1-night-2.csv").write_text("from,to,state\n2026-04-15 07:00:00,soon,Up\n")
    outcomes = [o for c in run_rows(read_nights_table(table), ScoringOptions(clock=False)) for o in c.outcomes]
    assert [o.row for o in outcomes] == list(range(2, 26))
    refused = [o for o in outcomes if isinstance(o, Refusal)]
    assert [(r.row, r.participant, r.night, r.device) for r in refused] == [(3, "crew-1", "2", "band A")]
    assert refused[0].reason.startswith("band-a/crew-1-night-2.csv: line 2, column 'to': ")


@pytest.mark.parametrize(("reference", "device"), [("WW122R33" * 30, "w" * 240), ("W" * 240, "wllldrrw" * 30)])
def test_a_night_on_which_one_side_says_nothing_but_wake_counts(reference: str, device: str, tmp_path: Path) -> None:
    """A device that failed on a night must not lose that night: figures of the others alone would flatter it."""
    write_night(tmp_path, reference=reference, device=device)
    (night,) = score_rows([row()], tmp_path, ScoringOptions()).outcomes
    assert isinstance(night, NightSummary)
    assert night.scored == 240
    shutil.move(tmp_path / "r.csv", tmp_path / "r1.csv")
    shutil.move(tmp_path / "d.csv", tmp_path / "d1.csv")
    write_night(tmp_path, reference="WW122R33" * 30, device="wwlldrdd" * 30)
    rows = [row(references=("r1.csv",), device_file="d1.csv"), row(3, night="2")]
    study = summarise_study(score_rows(rows, tmp_path, ScoringOptions()).outcomes)
    table = study.devices[0].mappings[0].counts
    truth, told = (np.array([*one, *other]) for one, other in ((reference, "WW122R33" * 30), (device, "wwlldrdd" * 30)))
    classes = {"W": 0, "1": 1, "2": 1, "3": 2, "R": 3, "w": 0, "l": 1, "d": 2, "r": 3}
    expected = confusion_matrix([classes[c] for c in truth], [classes[c] for c in told])
    assert table.tolist() == expected.tolist()
    told = [c["named"] for c in study.cautions if c.kind is CautionKind.NIGHTS_WITHOUT_SLEEP]
    assert told == ([(("a", "1"),)] if set(device) == {"w"} else [])


def test_two_scorings_of_the_same_bytes_are_no_two_scorers(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW1223R2" * 3, device="wllllddl" * 3)
    shutil.copy(tmp_path / "r.csv", tmp_path / "again.csv")
    result = score_rows([row(references=("r.csv", "again.csv"))], tmp_path, ScoringOptions())
    assert isinstance(result.outcomes[0], Refusal)
    assert "two scorings of this night are the same bytes" in result.outcomes[0].reason


def test_one_scoring_in_two_files_is_no_two_scorers(tmp_path: Path) -> None:
    letters = "WW112233RR2222RRWW12W"
    write_scorers(tmp_path, {"a.csv": letters, "b.csv": letters})
    (tmp_path / "b.csv").write_text((tmp_path / "b.csv").read_text() + "\n")
    (refusal,) = score_rows([row(references=("a.csv", "b.csv"))], tmp_path, ScoringOptions()).outcomes
    assert isinstance(refusal, Refusal)
    assert "two scorings of this night are the same stages, epoch for epoch" in refusal.reason
    write_scorers(tmp_path, {"b.csv": letters.replace("33", "23")})
    (night,) = score_rows([row(references=("a.csv", "b.csv"))], tmp_path, ScoringOptions()).outcomes
    assert dict(night.excluded)["reference_no_majority"] == 1


def write_scorers(folder: Path, scorings: dict[str, str]) -> None:
    """Write one file a scorer: letters as in ``write_night``, "(" for lights off and ")" for lights on."""
    for name, letters in scorings.items():
        write_night(folder, reference=letters.replace("(", "").replace(")", ""), device="wwllllddrrlllllwww")
        (folder / "r.csv").rename(folder / name)
        marks = [(letters.index("("), "Lights off"), (letters.index(")") - 1, "Lights on")] if "(" in letters else []
        with (folder / name).open("a") as stream:
            stream.writelines(f"{30 * i},0,{word}\n" for i, word in marks)


def test_several_scorers_give_one_window_whatever_their_order(tmp_path: Path) -> None:
    write_scorers(tmp_path, {"a.csv": "??WW112233RR2222WWW", "b.csv": "..??112233RR2W22WW"})
    found = {}
    for names in (("a.csv", "b.csv"), ("b.csv", "a.csv")):
        night = score_rows([row(references=names)], tmp_path, ScoringOptions(clock=False)).outcomes[0]
        # worked out by hand: both scored the fifth to the eighteenth epoch, and differ on one of them; the five others
        # are seen by one of the two, which is no majority
        assert (night.window_epochs, night.scored, night.outside_reference) == (14, 13, 5)
        assert dict(night.excluded)["reference_no_majority"] == 1
        found[names] = replace(night, references=(), notes=(), scorers=())
        assert {s.n for s in night.scorers if s.second != "device"} == {14}
    one, other = (night.to_document() for night in found.values())
    assert one == other


def test_marks_of_scorers_that_differ_are_refused_until_the_window_says_which(tmp_path: Path) -> None:
    write_scorers(tmp_path, {"a.csv": "WW(112233RR2222W)WW", "b.csv": "(WW112233RR2W22W)WW"})
    names = ("a.csv", "b.csv")
    (refusal,) = score_rows([row(references=names)], tmp_path, ScoringOptions()).outcomes
    assert isinstance(refusal, Refusal)
    assert refusal.reason == (
        "'Lights off' at 60 s (a.csv), 0 s (b.csv): lights marks differ by more than one epoch between the scorers of "
        "this night. Expected marks within 30 s of each other, or a window that needs none of them. Say which with "
        "column window of the nights table or --window: FROM/TO, or reference."
    )
    for asked, options in (("reference", ScoringOptions()), ("", ScoringOptions(window="reference"))):
        (night,) = score_rows([row(references=names, window=asked)], tmp_path, options).outcomes
        assert isinstance(night, NightSummary)
        assert (night.window_rule, night.window_epochs) == ("reference", 17)


def test_silence_taken_as_wake_is_so_beside_every_scorer(tmp_path: Path) -> None:
    write_scorers(tmp_path, {"a.csv": "WW112233RR2222WWWW", "b.csv": "WW112233RR2W22WWWW"})
    write_night(tmp_path, reference="W2", device="..llllddrrllll....")
    options = ScoringOptions(clock=False, outside="wake")
    night = score_rows([row(references=("a.csv", "b.csv"))], tmp_path, options).outcomes[0]
    assert {s.first: s.n for s in night.scorers if s.second == "device"} == {"a.csv": 18, "b.csv": 18, "consensus": 17}


@pytest.mark.parametrize(
    ("path", "folder", "shown"),
    [
        ("/home/ada/study/band/a.csv", "/home/ada/study", "band/a.csv"),
        ("/home/ada/study/../else/a.csv", "/home/ada/study", "a.csv"),
        ("/mnt/secret/a.csv", "/home/ada/study", "a.csv"),
        ("study/band/a.csv", "study", "band/a.csv"),
        ("it/a.csv", "it", "a.csv"),
        ("a.csv", ".", "a.csv"),
        ("", "/home/ada/study", ""),
    ],
)
def test_reasons_tell_files_as_the_table_does(path: str, folder: str, shown: str) -> None:
    remedy = f"Mend it, seen from {Option.FOLDER:{Path(folder).absolute()}}."
    reason = SleepAgreeError("it is broken", path, "line 2", "x", "whole", remedy).told(Front.TABLE, Path(folder))
    assert reason.startswith(f"{shown}: line 2: it is broken" if shown else "line 2: it is broken")
    assert str(Path(folder).absolute()) not in reason
    # words of the message are no folders, whatever folders are called
    assert reason.endswith("it is broken. Found x; expected whole. Mend it, seen from the study's folder.")


def test_the_first_mapping_says_whether_a_stage_that_does_not_tell_is_sleep(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW2222RRWW" * 2, device="wwllllrrww" * 2)
    plain = score_rows([row()], tmp_path, ScoringOptions(clock=False)).outcomes[0]
    asked = score_rows([row()], tmp_path, ScoringOptions((mapping_named("wake-sleep"),), clock=False)).outcomes[0]
    # every stage here tells, so the mapping changes no measure
    assert plain.reference_measures == asked.reference_measures
