"""Scoring the rows of a table: chunks, refusals, duplicates, and what a summary keeps of a night."""

from __future__ import annotations

import csv
import gzip
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from sleepagree.errors import InputError, SleepAgreeError
from sleepagree.hypnogram.align import align
from sleepagree.mapping.stages import mapping_named
from sleepagree.readers import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.study import run as study_run
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.run import (
    CHUNK_ROWS,
    LARGE_CHUNK_ROWS,
    Execution,
    Outcome,
    ScoringOptions,
    chunk_rows,
    reason_without_folders,
    refuse_duplicates,
    run_rows,
    score_row,
    score_rows,
)
from sleepagree.study.table import NightRow, NightsTable, read_nights_table
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
    _, night = score_row(row(), tmp_path, ScoringOptions(clock=False))
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
    assert score_row(row(), tmp_path, options)[1].window_epochs == 4
    assert score_row(row(window="reference"), tmp_path, options)[1].window_epochs == 7
    moved = score_row(row(clock_offset_s=30.0, window="overlap"), tmp_path, options)[1]
    assert moved.window_epochs == 4
    assert int(moved.native[moved.reference_set.labels.index("W")].sum()) == 1


def test_silence_of_a_device_is_missing_or_wake_as_asked(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW122WW", device="..lll..")
    missing = score_row(row(), tmp_path, ScoringOptions(clock=False))[1]
    wake = score_row(row(), tmp_path, ScoringOptions(clock=False, outside="wake"))[1]
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
    night = score_row(first, FERRY, ScoringOptions())[1]
    assert (night.native == paired.count_native()).all()
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


def test_two_scorings_of_the_same_bytes_are_no_two_scorers(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW1223R2" * 3, device="wllllddl" * 3)
    shutil.copy(tmp_path / "r.csv", tmp_path / "again.csv")
    result = score_rows([row(references=("r.csv", "again.csv"))], tmp_path, ScoringOptions())
    assert isinstance(result.outcomes[0], Refusal)
    assert "two scorings of this night are the same bytes" in result.outcomes[0].reason


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
        _, night = score_row(row(references=names), tmp_path, ScoringOptions(clock=False))
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
        "this night. Expected marks within 30 s of each other, or a window that needs none of them. Say which in the "
        "column 'window' of the table, or with --window: FROM/TO, or reference."
    )
    for asked, options in (("reference", ScoringOptions()), ("", ScoringOptions(window="reference"))):
        (night,) = score_rows([row(references=names, window=asked)], tmp_path, options).outcomes
        assert isinstance(night, NightSummary)
        assert (night.window_rule, night.window_epochs) == ("reference", 17)


def test_silence_taken_as_wake_is_so_beside_every_scorer(tmp_path: Path) -> None:
    write_scorers(tmp_path, {"a.csv": "WW112233RR2222WWWW", "b.csv": "WW112233RR2W22WWWW"})
    write_night(tmp_path, reference="W2", device="..llllddrrllll....")
    options = ScoringOptions(clock=False, outside="wake")
    _, night = score_row(row(references=("a.csv", "b.csv")), tmp_path, options)
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
    error = SleepAgreeError("it is broken", path, "line 2", f"{Path(folder).absolute()}/x", "whole", "Mend it.")
    reason = reason_without_folders(error, Path(folder))
    assert reason.startswith(f"{shown}: line 2: it is broken" if shown else "line 2: it is broken")
    assert str(Path(folder).absolute()) not in reason
    # words of the message are no folders, whatever folders are called
    assert reason.endswith("it is broken. Found x; expected whole. Mend it.")


# --- chunks -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rows", "size"), [(1, CHUNK_ROWS), (999, CHUNK_ROWS), (1000, LARGE_CHUNK_ROWS), (2501, 125)])
def test_chunks_hold_every_row_once_in_order(rows: int, size: int) -> None:
    given = [row(i) for i in range(rows)]
    chunks = chunk_rows(given)
    assert [r for chunk in chunks for r in chunk] == given
    assert all(len(chunk) == size for chunk in chunks[:-1])
    assert 0 < len(chunks[-1]) <= size


def test_no_row_makes_no_chunk() -> None:
    assert chunk_rows([]) == ()
    assert list(run_rows(NightsTable("n.csv", Path(), "", ()), ScoringOptions())) == []


def test_progress_ends_with_every_row() -> None:
    seen: list[tuple[int, int]] = []
    list(run_rows(TABLE, ScoringOptions(clock=False), progress=lambda done, total: seen.append((done, total))))
    assert seen == [(0, 24), (24, 24)]


def test_rows_that_were_kept_are_done_before_anything_is_scored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(study_run, "CHUNK_ROWS", 10)
    run = Execution(keep=tmp_path / "kept", resume=True)
    whole = list(run_rows(TABLE, ScoringOptions(clock=False, epochs=True), execution=run))
    (tmp_path / "kept" / "chunk-000001.json").unlink()
    seen: list[tuple[int, int]] = []
    again = run_rows(
        TABLE, ScoringOptions(clock=False, epochs=True), execution=run, progress=lambda *told: seen.append(told)
    )
    resumed = list(again)
    assert seen == [(14, 24), (24, 24)]
    assert [c.epochs for c in resumed] == [c.epochs for c in whole]
    assert [o.to_document() for c in resumed for o in c.outcomes] == [
        o.to_document() for c in whole for o in c.outcomes
    ]


# --- duplicates -------------------------------------------------------------------------------------------


def outcomes_of(tmp_path: Path, *rows: NightRow) -> list[NightSummary | Refusal]:
    return list(score_rows(rows, tmp_path, ScoringOptions(clock=False)).outcomes)


LETTERS = "WW1122R3W12R" * 3
WORDS = "wwlllwrdwllr" * 3


def test_one_file_under_two_nights_is_refused(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    checked = refuse_duplicates(outcomes_of(tmp_path, row(2), row(3, participant="b")))
    assert isinstance(checked[0], NightSummary)
    assert isinstance(checked[1], Refusal)
    assert checked[1].reason == (
        "the same reference file as line 2 (participant a, night 1, device band A): one night under two names. "
        "Correct the table, or take one of the rows out."
    )


@pytest.mark.parametrize("side", ["reference", "device"])
def test_the_same_stages_under_another_name_are_refused(side: str, tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    first, second = tmp_path / "r.csv", tmp_path / "d.csv"
    # other bytes, the same stages; the other side is another night
    copy = tmp_path / "copy.csv"
    copy.write_text((first if side == "reference" else second).read_text().replace("\n", "\r\n"))
    other = tmp_path / "other.csv"
    (tmp_path / "more").mkdir()
    write_night(tmp_path / "more", reference=LETTERS[3:] + "WWW", device=WORDS[5:] + "wwwww")
    shutil.copy(tmp_path / "more" / ("d.csv" if side == "reference" else "r.csv"), other)
    names = ("copy.csv", "other.csv") if side == "reference" else ("other.csv", "copy.csv")
    again = row(3, night="2", references=(names[0],), device_file=names[1])
    checked = refuse_duplicates(outcomes_of(tmp_path, row(2), again))
    assert isinstance(checked[1], Refusal), checked[1]
    assert checked[1].reason.startswith(f"the same {side} stages as line 2")


def tables_and_outcomes(tmp_path: Path, *rows: NightRow) -> tuple[Outcome, ...]:
    table = NightsTable("nights.csv", tmp_path, "", rows)
    return refuse_duplicates(score_rows(rows, tmp_path, ScoringOptions(clock=False)).outcomes, table)


def copied_device(tmp_path: Path) -> NightRow:
    """Another person's night, whose device file holds the bytes of the first; other stages meet in its window."""
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    (tmp_path / "more").mkdir()
    write_night(tmp_path / "more", reference="W" + LETTERS[::-1][:30], device=WORDS)
    return row(3, participant="b", references=("more/r.csv",), device_file="more/d.csv")


@pytest.mark.parametrize("anonymous", [False, True])
def test_the_bytes_of_a_device_file_under_another_path_are_refused(anonymous: bool, tmp_path: Path) -> None:
    rows = (row(2), copied_device(tmp_path))
    options = ScoringOptions(clock=False, anonymous=anonymous)
    outcomes = score_rows(rows, tmp_path, options).outcomes
    assert [type(o) for o in outcomes] == [NightSummary, NightSummary]
    assert outcomes[0].sequences[1] != outcomes[1].sequences[1]  # type: ignore[union-attr]
    checked = refuse_duplicates(outcomes, NightsTable("nights.csv", tmp_path, "", rows))
    assert isinstance(checked[0], NightSummary)
    assert isinstance(checked[1], Refusal)
    assert checked[1].reason.startswith(
        "the device file is the same, byte for byte, as that of line 2 (participant a, night 1, device band A)."
    )


def test_the_same_bytes_are_not_two_devices_of_one_night(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    shutil.copy(tmp_path / "d.csv", tmp_path / "pad.csv")
    checked = tables_and_outcomes(tmp_path, row(2), row(3, device="pad B", device_file="pad.csv"))
    assert [type(o) for o in checked] == [NightSummary, Refusal]


def test_one_export_may_hold_several_nights_under_one_path(tmp_path: Path) -> None:
    second = copied_device(tmp_path)
    again = replace(second, participant="a", night="2", device_file="./more/../d.csv")
    checked = tables_and_outcomes(tmp_path, row(2), again)
    assert [type(o) for o in checked] == [NightSummary, NightSummary]


def test_two_devices_share_the_reference_of_their_night(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    (tmp_path / "pad.csv").write_text((tmp_path / "d.csv").read_text().replace("deep", "light"))
    both = outcomes_of(tmp_path, row(2), row(3, device="pad B", device_file="pad.csv"))
    assert all(isinstance(o, NightSummary) for o in refuse_duplicates(both))


def test_dull_nights_may_be_alike(tmp_path: Path) -> None:
    # fewer than ten changes of stage can happen twice by chance; other bytes, so that the file is not the same
    write_night(tmp_path, reference="WW22223333RR", device="wwlllldddrrr")
    (tmp_path / "r2.csv").write_text((tmp_path / "r.csv").read_text().replace("\n", "\r\n"))
    (tmp_path / "d2.csv").write_text((tmp_path / "d.csv").read_text().replace("\n", "\r\n"))
    again = row(3, night="2", references=("r2.csv",), device_file="d2.csv")
    assert all(isinstance(o, NightSummary) for o in refuse_duplicates(outcomes_of(tmp_path, row(2), again)))


def test_a_refused_night_counts_for_no_duplicate(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    refusal = Refusal(2, "a", "1", "band A", "broken")
    (night,) = outcomes_of(tmp_path, row(3))
    assert refuse_duplicates([refusal, night]) == (refusal, night)


# --- workers ----------------------------------------------------------------------------------------------


def test_a_scheduler_without_the_extra_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    from sleepagree.study.run import Execution

    monkeypatch.setitem(sys.modules, "dask.distributed", None)
    with pytest.raises(InputError, match=r"pip install 'sleepagree\[cluster\]'"):
        list(run_rows(TABLE, ScoringOptions(), execution=Execution(scheduler="tcp://127.0.0.1:1")))


def test_the_first_mapping_says_whether_a_stage_that_does_not_tell_is_sleep(tmp_path: Path) -> None:
    write_night(tmp_path, reference="WW2222RRWW" * 2, device="wwllllrrww" * 2)
    plain = score_row(row(), tmp_path, ScoringOptions(clock=False))[1]
    asked = score_row(row(), tmp_path, ScoringOptions((mapping_named("wake-sleep"),), clock=False))[1]
    # every stage here tells, so the mapping changes no measure
    assert plain.reference_measures == asked.reference_measures
