"""Nights that stand in a table under two names."""

from __future__ import annotations

import csv
import gzip
import io
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from sleepagree.errors import InputError
from sleepagree.hypnogram.align import align
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.study.correction_learning import learn_correction
from sleepagree.study.from_table import refuse_duplicates, score_table
from sleepagree.study.night_summary import NightSummary, Refusal, summarise_night
from sleepagree.study.run import EPOCHS_HEADER, Outcome, ScoringOptions, gzip_member, score_rows
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import NightRow, NightsTable
from tests.study.test_run import row, write_night


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
    assert isinstance(checked[0], Refusal) == (side == "device")


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
    first, second = checked
    assert isinstance(first, Refusal)  # it is as doubtful as the second
    assert isinstance(second, Refusal)
    assert "as that of line 3 (participant b, night 1, device band A). Both rows are refused" in first.reason
    assert second.reason.startswith(
        "the device file is the same, byte for byte, as that of line 2 (participant a, night 1, device band A)."
    )


def test_the_same_bytes_are_not_two_devices_of_one_night(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    shutil.copy(tmp_path / "d.csv", tmp_path / "pad.csv")
    checked = tables_and_outcomes(tmp_path, row(2), row(3, device="pad B", device_file="pad.csv"))
    assert [type(o) for o in checked] == [Refusal, Refusal]


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


@pytest.mark.parametrize("anonymous", [False, True])
def test_a_device_file_with_the_bytes_of_a_scorers_file_is_refused(anonymous: bool, tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    (tmp_path / "second.csv").write_text((tmp_path / "r.csv").read_text().replace("N1", "N2"))
    shutil.copy(tmp_path / "second.csv", tmp_path / "own.csv")
    copied = row(3, night="2", references=("r.csv", "second.csv"), device_file="own.csv")
    options = ScoringOptions(clock=False, anonymous=anonymous)
    scored, refused = score_rows([row(2), copied], tmp_path, options).outcomes
    assert isinstance(scored, NightSummary)
    problem = "the device's file is the reference's, byte for byte."
    assert isinstance(refused, Refusal)
    assert replace(refused, parts=None) == Refusal(
        3,
        "a",
        "2",
        "band A",
        problem
        if anonymous
        else f"own.csv: {problem} Found the bytes of second.csv; expected a file that the device wrote. "
        "Name the device's own file, or take this night out: a reference agrees with itself whatever "
        "the device does.",
    )


def test_one_file_with_both_sides_in_its_columns_is_a_night(tmp_path: Path) -> None:
    text = "time,scored,worn\n"
    for i in range(600):
        device = LETTERS[i % len(LETTERS)] if i % 5 else "W"
        text += f"2026-04-14T{22 + i // 120 if i < 240 else i // 120 - 2:02d}:{i // 2 % 60:02d}:{30 * (i % 2):02d},"
        text += f"{LETTERS[i % len(LETTERS)]},{device}\n"
    (tmp_path / "both.csv").write_text(text.replace("2026-04-14T0", "2026-04-15T0"))
    for column in ("scored", "worn"):
        stages = 'W = "W"\n1 = "N1"\n2 = "N2"\n3 = "N3"\nR = "R"\n'
        (tmp_path / f"{column}.toml").write_text(f'[file]\nstart = "time"\nstage = "{column}"\n[stages]\n{stages}')
    both = row(
        2,
        references=("both.csv",),
        device_file="both.csv",
        layout="worn.toml",
        reference_layout="scored.toml",
        window="reference",
    )
    (night,) = score_rows([both], tmp_path, ScoringOptions(clock=False)).outcomes
    assert isinstance(night, NightSummary)
    assert night.references[0].sha256 == night.device_source.sha256


def test_a_copy_of_the_reference_is_no_night_in_python(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    layout = read_layout(tmp_path / "seconds.toml")
    reference, device = (read_spans(tmp_path / name, layout=layout) for name in ("r.csv", "d.csv"))
    true, copied = align(reference=reference, device=device), align(reference=reference, device=reference)
    study = summarise_study([("a", "1", "band A", true), ("b", "1", "band A", copied)])
    assert [night.participant for night in study.devices[0].nights] == ["a"]
    (refused,) = study.refused
    assert (refused.participant, refused.night) == ("b", "1")
    assert "Found the bytes of r.csv" in refused.reason
    with pytest.raises(InputError, match="byte for byte"):
        learn_correction([summarise_night(copied, participant="b", night="1", device="band A")])


def test_epochs_of_a_night_that_is_refused_beside_another_are_taken_out(tmp_path: Path) -> None:
    write_night(tmp_path, reference=LETTERS, device=WORDS)
    (tmp_path / "more").mkdir()
    write_night(tmp_path / "more", reference="W" + LETTERS[::-1][:30], device=WORDS[::-1])
    third = row(4, participant='c, "the mate"', references=("more/r.csv",), device_file="more/d.csv")
    rows = (row(2), row(3, participant="b"), third)
    file = io.BytesIO(gzip_member(EPOCHS_HEADER))
    file.seek(0, io.SEEK_END)
    table = NightsTable("nights.csv", tmp_path, "", rows)
    outcomes = score_table(table, ScoringOptions(clock=False, epochs=True), epochs=file)
    assert [type(o) for o in outcomes] == [NightSummary, Refusal, NightSummary]
    lines = list(csv.DictReader(io.StringIO(gzip.decompress(file.getvalue()).decode())))
    kept = Counter(line["participant"] for line in lines)
    assert kept == {o.participant: o.window_epochs for o in outcomes if isinstance(o, NightSummary)}
    assert [line["epoch"] for line in lines if line["participant"] == "a"] == [str(i) for i in range(kept["a"])]
