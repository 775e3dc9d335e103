"""``sleepagree study`` and ``sleepagree bias``: exit codes, what is printed where, what is written and what is not."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import pytest

from sleepagree.study import execution
from tests.commands import ended, run
from tests.ferry import FERRY, copy_ferry

QUICK = ("--resamples", "50")


@pytest.fixture
def table(tmp_path: Path) -> Path:
    return copy_ferry(tmp_path / "ferry")


def spoil(table: Path, *names: str) -> None:
    for name in names:
        (table.parent / name).write_text("nothing\n")


# --- exit 0 -----------------------------------------------------------------------------------------------


def test_a_study_that_goes_well(table: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run("study", table, "--out", out, *QUICK, "--full")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Over 12 nights of 4 participants, band A gave the same stage")
    assert "\nWHAT WAS COMPARED\n  band A: 4 participants, 12 nights" in result.stdout
    assert f"Written to {out}: start with {out / 'report.html'}" in result.stdout
    assert "REFUSED" not in result.stdout
    # cautions are no results: they go to the other stream, and are in the files all the same
    assert "caution: band A: 4 participants are few" in result.stderr
    assert "caution" not in result.stdout
    cautions = [caution["text"] for caution in json.loads((out / "results.json").read_text())["cautions"]]
    printed = [line.removeprefix("caution: ") for line in result.stderr.splitlines()]
    assert sorted(printed) == sorted(cautions)
    assert "crew-2 3: +240 s" in printed[0]
    # the night's files as the table names them
    report = (out / "report.html").read_text()
    assert "sleepagree clock reference/crew-2-night-3.edf band-a/crew-2-night-3.csv --layout band-a.toml" in report
    assert "REFERENCE DEVICE" not in report


def test_quiet_is_quiet(table: Path, tmp_path: Path) -> None:
    result = run("study", table, "--out", tmp_path / "out", *QUICK, "--quiet")
    assert result.exit_code == 0
    assert result.stderr == ""


def test_no_progress_where_there_is_no_terminal(table: Path, tmp_path: Path) -> None:
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert "\r" not in result.output
    assert "nights," not in result.stderr.split("caution")[0]


def test_options_reach_the_results(table: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ("--mapping", "wake-sleep", "--seed", "7", "--confidence", "0.9", "--outside", "wake", "--margin", "TST=30")
    result = run("study", table, "--out", out, *QUICK, "--full", *words)
    assert result.exit_code == 0, result.output
    document = json.loads((out / "results.json").read_text())
    options = document["options"]
    assert options["mappings"] == ["wake-sleep"]
    assert (options["seed"], options["confidence"], options["resamples"]) == (7, 0.9, 50)
    assert options["outside"] == "wake"
    assert options["margins"] == {"TST": 30.0}
    tests = {b["measure"]: "equivalence" in b for d in document["devices"] for b in d["bias"]}
    assert [measure for measure, tested in tests.items() if tested] == ["TST"]
    assert "two one-sided tests" in result.stdout


def test_an_empty_folder_is_free(table: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    assert run("study", table, "--out", out, *QUICK).exit_code == 0
    assert (out / "results.json").exists()


# --- exit 3: some nights refused --------------------------------------------------------------------------


def test_results_may_go_where_one_stands(table: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "out").mkdir()
    monkeypatch.chdir(tmp_path / "out")
    for more in ((), ("--overwrite",)):
        result = run("study", table, "--out", ".", *QUICK, *more)
        assert result.exit_code == 0, result.output
        assert "Written to .: start with report.html" in result.stdout
    assert {path.name for path in tmp_path.iterdir()} == {"ferry", "out"}


@pytest.mark.parametrize("more", [(), ("--overwrite",)])
def test_the_root_of_a_file_system_is_no_folder_of_results(more: tuple[str, ...], table: Path) -> None:
    result = run("study", table, "--out", "/", *QUICK, *more)
    assert result.exit_code == 1
    problem = "a whole file system cannot be the folder of results" if more else "the output exists"
    assert result.stderr.startswith(f"sleepagree: /: {problem}.")
    assert len(result.stderr.splitlines()) < 4


def test_refused_nights_head_every_output(table: Path, tmp_path: Path) -> None:
    spoil(table, "band-a/crew-1-night-2.csv", "pad-b/crew-4-night-3.csv")
    out = tmp_path / "out"
    result = run("study", table, "--out", out, *QUICK, "--full")
    assert result.exit_code == 3
    head = result.stdout.split("WHAT WAS COMPARED")[0]
    assert "\nREFUSED: 2 OF 24 DEVICE-NIGHTS OF 12 NIGHTS\n  line 3, crew-1 2 band A: band-a/crew-1-night-2.csv: " in (
        head
    )
    assert "line 25, crew-4 3 pad B: pad-b/crew-4-night-3.csv: " in head
    document = json.loads((out / "results.json").read_text())
    assert list(document).index("nights") < list(document).index("devices")
    assert [r["row"] for r in document["nights"]["refused"]] == [3, 25]
    page = (out / "report.html").read_text()
    first_number = page.index("crew-1-night-2.csv")
    assert first_number < page.index("<figure")
    rows = list(csv.DictReader(io.StringIO((out / "nights.csv").read_text())))
    assert [(r["row"], r["outcome"]) for r in rows if r["outcome"] != "scored"] == [("3", "refused"), ("25", "refused")]
    bias = run("bias", table, *QUICK)
    assert bias.exit_code == 3
    assert bias.stdout.startswith("REFUSED: 2 OF 24 DEVICE-NIGHTS OF 12 NIGHTS\n")


def test_a_refusal_names_the_columns_of_the_table_and_no_option_that_a_study_lacks(table: Path, tmp_path: Path) -> None:
    path = table.parent / "band-a/crew-1-night-2.csv"
    path.write_text(path.read_text().replace("Deep", "Fathomless"))
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 3, result.output
    (refused,) = json.loads((tmp_path / "out" / "results.json").read_text())["nights"]["refused"]
    assert "Found 'Fathomless'" in refused["reason"]
    told = "Give a layout (column layout or reference_layout of the nights table) with\n    [stages]\n"
    assert told in refused["reason"]
    assert "--layout" not in refused["reason"]


@pytest.mark.parametrize("written", ["minutes REM", "MINUTES rem"])
def test_a_margin_is_found_in_either_spelling(written: str, table: Path) -> None:
    result = run("bias", table, *QUICK, "--margin", f"{written}=20", "--json", "-")
    assert result.exit_code == 0, result.output
    (tested,) = [b["measure"] for b in json.loads(result.stdout)["pad B"] if "equivalence" in b]
    assert tested == "minutes rem"
    assert "minutes REM: the mean difference is" in run("bias", table, *QUICK, "--margin", f"{written}=20").stdout


def test_a_reason_that_many_nights_share_stands_once(table: Path, tmp_path: Path) -> None:
    files = sorted(p.relative_to(table.parent).as_posix() for p in (table.parent / "band-a").glob("*.csv"))
    spoil(table, *files)
    result = run("study", table, "--out", tmp_path / "out", *QUICK, "--full")
    assert result.exit_code == 3, result.output
    head = result.stdout.split("WHAT WAS COMPARED")[0]
    assert "\nREFUSED: 12 OF 24 DEVICE-NIGHTS OF 12 NIGHTS\n  12 nights: " in head
    assert "    line 2, crew-1 1 band A: band-a/crew-1-night-1.csv\n" in head
    assert "    and 9 more\n" in head
    with (tmp_path / "out" / "nights.csv").open() as stream:
        reasons = [r["reason"] for r in csv.DictReader(stream) if r["outcome"] == "refused"]
    assert len(reasons) == 12
    told = reasons[0].partition(": ")[2].split()[:4]
    listing = head[head.index("REFUSED") :].split("\n\n")[0]  # below it --full has a table of all of them
    assert listing.count(" ".join(told)) == 1
    strict = run("study", table, "--out", tmp_path / "strict", *QUICK, "--strict")
    assert strict.exit_code == 1
    assert strict.stderr.count(" ".join(told)) == 1


def test_one_fault_at_other_lines_of_each_file_stands_once(table: Path, tmp_path: Path) -> None:
    files = sorted((table.parent / "band-a").glob("*.csv"))
    for number, path in enumerate(files, start=2):
        lines = path.read_text().splitlines()
        lines[number] = lines[number].rpartition(",")[0] + ",Dreamy"
        path.write_text("\n".join(lines) + "\n")
    shown = run("study", table, "--out", tmp_path / "out", *QUICK, "--full").stdout
    told = " ".join(shown.split("WHAT WAS COMPARED")[0].split("\n\n")[1].split())
    assert told.count("unknown stage label") == told.count("12 nights: unknown stage label. Expected") == 1
    assert "line 2, crew-1 1 band A: band-a/crew-1-night-1.csv: line 3: found 'Dreamy' (line 3) line 3, " in told
    assert "line 3, crew-1 2 band A: band-a/crew-1-night-2.csv: line 4: found 'Dreamy' (line 4) line 4, " in told


def test_json_alone_tells_refusals_on_the_other_stream(table: Path) -> None:
    spoil(table, "band-a/crew-1-night-2.csv")
    result = run("bias", table, *QUICK, "--json", "-")
    assert result.exit_code == 3
    assert set(json.loads(result.stdout)) == {"band A", "pad B"}
    assert "refused: line 3, crew-1 2 band A: band-a/crew-1-night-2.csv: " in result.stderr


def test_duplicates_are_refused(table: Path, tmp_path: Path) -> None:
    folder = table.parent
    shutil.copy(folder / "reference" / "crew-1-night-1.edf", folder / "reference" / "crew-2-night-1.edf")
    # one participant's file under another's name: other bytes, the same stages
    first, copy = (folder / "band-a" / f"crew-{n}-night-3.csv" for n in (3, 4))
    copy.write_text(first.read_text().replace("\n", "\r\n"))
    shutil.copy(folder / "reference" / "crew-3-night-3.edf", folder / "reference" / "crew-4-night-3.edf")
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 3, result.output
    refused = json.loads((tmp_path / "out" / "results.json").read_text())["nights"]["refused"]
    by_row = {r["row"]: r["reason"] for r in refused}
    assert "one night under two names" in by_row[13]
    assert by_row[13].startswith("the same reference file as line 10 (participant crew-3, night 3, device band A)")
    assert all("two names" in r or "share no time" in r for r in by_row.values()), by_row


def test_a_row_whose_device_file_is_the_reference_is_refused(table: Path, tmp_path: Path) -> None:
    folder = table.parent
    copied = table.read_text().replace("band-a/crew-2-night-1.csv,band-a.toml", "band-a/copy.edf,")
    shutil.copy(folder / "reference" / "crew-2-night-1.edf", folder / "band-a" / "copy.edf")
    table.write_text(copied)
    result = run("bias", table, *QUICK, "--json", "-")
    assert result.exit_code == 3
    assert (
        "refused: line 5, crew-2 1 band A: copy.edf: the device's file is the reference's, byte for byte. Found the "
        "bytes of crew-2-night-1.edf; expected a file that the device wrote" in result.stderr
    )


def test_strict_refuses_the_whole_study(table: Path, tmp_path: Path) -> None:
    spoil(table, "band-a/crew-1-night-2.csv")
    spoil(table, "band-a/crew-4-night-2.csv")
    out = tmp_path / "out"
    for words in (("study", table, "--out", out), ("bias", table, "--csv", tmp_path / "bias.csv")):
        result = run(*words, *QUICK, "--strict")
        assert result.exit_code == 1
        assert result.stdout == ""
        assert "2 nights cannot be scored" in result.stderr
        assert "line 3, crew-1 2 band A: band-a/crew-1-night-2.csv" in result.stderr
        assert "line 12, crew-4 2 band A: band-a/crew-4-night-2.csv" in result.stderr
    assert not out.exists()
    assert not (tmp_path / "bias.csv").exists()


# --- exit 1: it cannot be used ----------------------------------------------------------------------------


def test_every_fault_of_a_table_is_listed_at_once(table: Path, tmp_path: Path) -> None:
    lines = table.read_text().splitlines()
    lines[2] = lines[2].replace("band-a/crew-1-night-2.csv", "band-a/nowhere.csv")
    lines[4] = lines[4].replace("crew-2,1", ",1")
    lines[6] = lines[6].replace(",band-a.toml,,", ",band-a.toml,soon,")
    lines[8] = lines[8] + ",x"
    lines[10] = lines[9]
    table.write_text("\n".join(lines) + "\n")
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 1
    assert result.stdout == ""
    for text in (
        "faults in the table of nights; nothing was run",
        "line 3: device_file 'band-a/nowhere.csv' does not exist",
        "line 5: participant is empty",
        "line 7: clock_offset 'soon'",
        "line 9: 9 cells, the header has 8",
        "line 11: participant crew-3, night 3, device band A stand in line 10 already",
    ):
        assert text in result.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry"]


def test_a_folder_of_results_is_replaced_on_request_only(table: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run("study", table, "--out", out, *QUICK).exit_code == 0
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    refused = run("study", table, "--out", out, *QUICK, "--seed", "3")
    assert refused.exit_code == 1
    assert "--overwrite" in refused.stderr
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    assert run("study", table, "--out", out, *QUICK, "--seed", "3", "--overwrite").exit_code == 0
    assert (out / "results.json").read_bytes() != before[out / "results.json"]


@pytest.mark.parametrize("name", ["nights.csv", "nights.xlsx", ""])
def test_a_table_that_is_not_there(name: str, tmp_path: Path) -> None:
    result = run("study", tmp_path / name, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr.startswith("sleepagree: ")
    assert "Traceback" not in result.output


def test_a_study_that_fails_leaves_nothing_half_written(
    table: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: object, **options: object) -> None:
        raise RuntimeError("a bug of ours")

    monkeypatch.setattr("sleepagree.render.study_folder.night_rows", broken)
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert isinstance(result.exception, RuntimeError)
    # finished nights wait for --resume; no results, and no folder of half of them
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry", "out.unfinished"]
    assert [p.name for p in (tmp_path / "out.unfinished").iterdir()] == ["chunk-000000.json"]
    monkeypatch.undo()
    scored: list[int] = []
    whole = execution.score_rows
    monkeypatch.setattr(execution, "score_rows", lambda *args: scored.append(1) or whole(*args))
    assert run("study", table, "--out", tmp_path / "out", *QUICK, "--resume").exit_code == 0
    assert scored == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry", "out"]


def test_resume_without_anything_to_resume(table: Path, tmp_path: Path) -> None:
    assert run("study", table, "--out", tmp_path / "out", *QUICK, "--resume").exit_code == 0


# --- exit 2: wrong use ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--out",),
        ("--out", "x", "--margin", "TST"),
        ("--out", "x", "--margin", "=30"),
        ("--out", "x", "--margin", "TST=-1"),
        ("--out", "x", "--margin", "TST=nan"),
        ("--out", "x", "--margin", "TST=inf"),
        ("--out", "x", "--workers", "0"),
        ("--out", "x", "--resamples", "-1"),
        ("--out", "x", "--confidence", "nan"),
        ("--out", "x", "--confidence", "1"),
        ("--out", "x", "--outside", "sleep"),
        ("--out", "x", "--mapping", "no-such"),
        ("--out", "x", "--window", "midnight"),
        ("--out", "x", "--window", "a/b"),
        ("--out", "x", "--reports", "wake,naps"),
        ("--out", "x", "--no-such-option"),
    ],
)
def test_wrong_use(words: tuple[str, ...], table: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("study", table, *words)
    assert result.exit_code == 2, result.output
    assert result.stderr.startswith(("Usage: ", "Error: "))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry"]


def test_a_margin_of_a_measure_that_the_study_lacks(table: Path, tmp_path: Path) -> None:
    result = run("study", table, "--out", tmp_path / "out", *QUICK, "--margin", "naps=3")
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("sleepagree: ")
    assert not (tmp_path / "out").exists()


def test_a_window_of_a_row_that_cannot_be_read_is_one_of_the_column(table: Path, tmp_path: Path) -> None:
    head, first, *rest = table.read_text(encoding="utf-8").splitlines()
    lines = [f"{head},window", f"{first},soon", *(f"{row}," for row in rest)]
    table.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    result = run("study", table, "--out", tmp_path / "out", *QUICK, "--full")
    assert result.exit_code == 3, result.output
    told = " ".join(result.stdout.split())
    assert "column window of the nights table or --window: the window cannot be read. Found soon" in told
    assert "For example column window of the nights table or --window 2026-03-01T22:30/2026-03-02T06:45." in told


@pytest.mark.parametrize("second", ["tst=1", "TST=30", "Tst=30.0"])
def test_two_margins_of_one_measure_are_refused(second: str, table: Path, tmp_path: Path) -> None:
    result = run("study", table, "--out", tmp_path / "out", *QUICK, "--margin", "TST=30", "--margin", second)
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("sleepagree: --margin: two margins are stated for TST. Found 30 and ")
    assert not (tmp_path / "out").exists()


def test_a_mapping_given_twice_is_refused_before_anything_is_scored(table: Path, tmp_path: Path) -> None:
    twice = ("--mapping", "wake-sleep", "--mapping", "wake-sleep")
    result = run("study", table, "--out", tmp_path / "out", *QUICK, "--count", *twice)
    assert result.exit_code == 1, result.output
    assert "two mappings have one name" in result.stderr
    assert "progress" not in result.stderr
    assert not (tmp_path / "out").exists()


# --- the table of bias alone ------------------------------------------------------------------------------


def test_bias_prints_what_the_study_writes(table: Path, tmp_path: Path) -> None:
    out, rows = tmp_path / "out", tmp_path / "bias.csv"
    study = run("study", table, "--out", out, *QUICK, "--full")
    bias = run("bias", table, *QUICK, "--csv", rows, "--json", tmp_path / "bias.json")
    assert bias.exit_code == 0, bias.output
    assert rows.read_bytes() == (out / "bias.csv").read_bytes()
    devices = json.loads((out / "results.json").read_text())["devices"]
    assert json.loads((tmp_path / "bias.json").read_text()) == {d["device"]: d["bias"] for d in devices}
    block = study.stdout[study.stdout.index("BIAS OF 'band A'") :]
    assert bias.stdout.splitlines()[:10] == block.splitlines()[:10]


def test_bias_files_that_exist_are_kept(table: Path, tmp_path: Path) -> None:
    rows = tmp_path / "bias.csv"
    rows.write_text("old")
    refused = run("bias", table, *QUICK, "--csv", rows)
    assert refused.exit_code == 1
    assert refused.stdout == ""
    assert rows.read_text() == "old"
    assert run("bias", table, *QUICK, "--csv", rows, "--overwrite").exit_code == 0
    assert rows.read_text().startswith("device,measure,")


@pytest.mark.parametrize(("forms", "unknown"), [("svg,gif", "gif"), ("", ""), ("pdf,,png", "")])
def test_an_unknown_form_of_figures_is_wrong_use_and_told_at_once(forms: str, unknown: str, tmp_path: Path) -> None:
    result = ended("study", FERRY / "nights.csv", "--out", tmp_path / "out", "--figures", forms, code=2)
    assert f"Invalid value for '--figures': '{unknown}' is none of svg, pdf, png." in result.output
    assert not list(tmp_path.iterdir())


def test_forms_of_figures_without_a_folder_are_wrong_use() -> None:
    night = (FERRY / "reference/crew-1-night-1.edf", FERRY / "band-a/crew-1-night-1.csv")
    result = ended("night", *night, "--figures", "png", code=2)
    assert "--figures writes into the folder of results: give --out DIR, too." in result.output
