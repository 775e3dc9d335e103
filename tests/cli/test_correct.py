"""``calibrate`` and ``correct`` as they are typed."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from sleepagree.cli.options import tell_refused
from sleepagree.study.night_summary import Refusal
from tests.commands import bytes_below, ended, run
from tests.ferry import FERRY, copy_ferry
from tests.test_layers import loaded_by

NIGHT = (FERRY / "pad-b" / "crew-3-night-2.csv", "--layout", FERRY / "pad-b.toml")


@pytest.fixture(scope="module")
def learnt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("learnt") / "pad-b"
    done = ended("calibrate", FERRY / "nights.csv", "--device", "pad B", "--out", out, "--quiet")
    lines = done.stdout.splitlines()
    assert len(lines) <= 48
    assert max(len(line) for line in lines if str(out) not in line) <= 80
    assert lines[-1].startswith("--full")
    assert lines[0].startswith("Correcting pad B helps SOL (mean absolute error 4.7 min instead of 7.7 min).")
    assert any("The correction was learnt from 4 participants" in line for line in lines)
    return out


def test_calibrate_writes_what_correct_reads(learnt):
    files = set(bytes_below(learnt))
    assert {name for name in files if "/" not in name} == {"correction.json", "correction.csv", "report.html"}
    assert files >= {"figures/errors.svg", "figures/line-sol.svg", "figures/reliability.svg"}
    document = json.loads((learnt / "correction.json").read_text(encoding="utf-8"))
    assert document["schema"] == "sleepagree.correction/1"
    assert document["epochs"]["classes"] == ["wake", "light", "deep", "rem"]
    assert (learnt / "correction.json").stat().st_size < 20_000
    head, *rows = (learnt / "correction.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == len(document["measures"])
    assert len(head.split(",")) == len(rows[0].split(","))


def test_a_correction_names_nobody(learnt):
    for name, content in bytes_below(learnt).items():
        assert b"crew" not in content, name


def test_correct_says_the_answer_first(learnt):
    lines = ended("correct", learnt / "correction.json", *NIGHT).stdout.splitlines()
    assert len(lines) <= 48
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Corrected: SOL 7.6 min (95 % interval 0.0 to 25.9; the device says 0.0)."
    row = next(line for line in lines if line.strip().startswith("minutes deep"))
    assert row.split() == "minutes deep 107.0 89.6 51.9 to 127.3 line cannot be told".split()


def test_json_holds_the_same_numbers(learnt):
    done = ended("correct", learnt / "correction.json", *NIGHT, "--json", "-", "--quiet")
    document = json.loads(done.stdout)
    assert document["schema"] == "sleepagree.corrected/1"
    deep = next(m for m in document["measures"] if m["measure"] == "minutes deep")
    assert deep["corrected"] == pytest.approx(89.6, abs=0.05)
    assert {"measure", "unit", "device", "corrected", "low", "high", "level", "method", "extrapolated"} <= deep.keys()


def test_the_same_bytes_for_any_order_of_rows_workers_and_language(learnt, tmp_path):
    table = copy_ferry(tmp_path / "ferry")
    head, *rows = table.read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([head, *reversed(rows)]) + "\n", encoding="utf-8")
    words = ["calibrate", str(table), "--device", "pad B", "--out", str(tmp_path / "out"), "--workers", "2", "--quiet"]
    subprocess.run(
        [sys.executable, "-m", "sleepagree", *words],
        check=True,
        capture_output=True,
        env={**os.environ, "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "7"},
    )
    for name in ("correction.json", "correction.csv"):
        assert (tmp_path / "out" / name).read_bytes() == (learnt / name).read_bytes()


def test_one_night_is_corrected_without_heavy_libraries(learnt):
    args = ["correct", str(learnt / "correction.json"), *map(str, NIGHT)]
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli.group import main; "
        f"r = CliRunner().invoke(main, {args!r}); assert r.exit_code == 0, r.output"
    )
    assert not loaded & {"pandas", "sklearn", "scipy", "mne", "matplotlib"}


def test_wrong_use_is_told(learnt, tmp_path):
    several = run("calibrate", FERRY / "nights.csv", "--out", tmp_path / "out")
    assert several.exit_code == 1
    assert "the study has several devices" in several.stderr
    assert not (tmp_path / "out").exists()
    other = run(
        "correct", learnt / "correction.json", FERRY / "band-a/crew-3-night-2.csv", "--layout", FERRY / "band-a.toml"
    )
    assert other.exit_code == 1
    assert "a label that the correction was not learnt from" in other.stderr
    again = run("calibrate", FERRY / "nights.csv", "--device", "pad B", "--out", learnt)
    assert again.exit_code == 1
    ended("calibrate", FERRY / "nights.csv", "--device", "pad B", "--out", learnt, "--overwrite")
    before = (learnt / "correction.json").read_bytes()
    onto = run("correct", learnt / "correction.json", *NIGHT, "--json", learnt / "correction.json", "--overwrite")
    assert onto.exit_code == 1
    assert (learnt / "correction.json").read_bytes() == before


def test_nights_that_leave_too_few_people_are_named_with_their_reasons(tmp_path):
    words = ("--device", "pad B", "--out", tmp_path / "out", "--quiet")
    none = ended("calibrate", FERRY / "nights.csv", *words, "--reports", "wake,light,deep", code=1)
    assert none.stderr.startswith("sleepagree: nights.csv: no night can be scored.")
    assert "the file holds a stage (R) that the declared stages rule" in none.stderr
    assert "line 14, crew-1 1 pad B: crew-1-night-1.csv" in none.stderr
    table = copy_ferry(tmp_path / "ferry")
    for path in (table.parent / "pad-b").glob("crew-[14]-*.csv"):
        path.write_text("nothing\n", encoding="utf-8")
    few = ended("calibrate", table, *words, code=1)
    assert "so few people. Found 2 with a scored night; expected at least 3 participants." in few.stderr
    assert "Refused:\n  6 nights: " in few.stderr
    assert "line 14, crew-1 1 pad B: pad-b/crew-1-night-1.csv" in few.stderr
    assert not (tmp_path / "out").exists()


def test_refused_nights_of_the_device_stand_first_and_others_are_none_of_it(tmp_path):
    table = copy_ferry(tmp_path / "ferry")
    for path in (table.parent / "pad-b").glob("crew-1-*.csv"):
        path.write_text("nothing\n", encoding="utf-8")
    words = ("--device", "pad B", "--quiet", "--out")
    done = ended("calibrate", table, *words, tmp_path / "out", code=3)
    told = " ".join(done.stdout.split())
    assert "REFUSED: 3 OF 12 NIGHTS 3 nights: " in told
    assert told.index("REFUSED") < told.index("ERRORS IN PEOPLE")
    assert "line 14, crew-1 1 pad B: pad-b/crew-1-night-1.csv" in told
    assert done.stderr == ""
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Refused: 3 of 12 nights" in report
    assert b"crew-1" not in (tmp_path / "out" / "correction.json").read_bytes()
    other = ended("calibrate", table, "--device", "band A", "--quiet", "--out", tmp_path / "a")
    assert "REFUSED" not in other.stdout
    assert other.stderr == ""


def test_a_refused_night_without_a_line_is_named():
    context = click.Context(click.Command("calibrate"))
    night = Refusal(13, "crew-9", "1", "pad B", "one night under two names.", has_line=False)
    stream = io.StringIO()
    with contextlib.redirect_stderr(stream), pytest.raises(click.exceptions.Exit) as ended_with:
        tell_refused(context, [night])
    assert ended_with.value.exit_code == 3
    assert stream.getvalue() == "refused: crew-9 1 pad B: one night under two names.\n"


# --- epochs, folders, tables ------------------------------------------------------------------------------


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_epochs_have_probabilities(learnt, tmp_path):
    ended("correct", learnt / "correction.json", *NIGHT, "--epochs", tmp_path / "epochs.csv")
    rows = rows_of(tmp_path / "epochs.csv")
    assert list(rows[0]) == ["epoch", "start", "label", "class", *(f"probability_{c}" for c in STAGES)]
    assert len(rows) == 980
    for row in rows:
        told = [float(row[f"probability_{c}"]) for c in STAGES]
        assert sum(told) == pytest.approx(1, abs=3e-4)
    # what the device calls deep is deep rather than anything else, most of the time
    deep = [row for row in rows if row["class"] == "deep"]
    assert {row["label"] for row in deep} == {"sound"}
    assert sum(float(row["probability_deep"]) for row in deep) > 0.5 * len(deep)


STAGES = ("wake", "light", "deep", "rem")


def test_a_folder_holds_all_of_a_night(learnt, tmp_path):
    ended("correct", learnt / "correction.json", *NIGHT, "--out", tmp_path / "out")
    assert {"corrected.json", "corrected.csv", "epochs.csv", "report.html"} <= set(bytes_below(tmp_path / "out"))
    again = run("correct", learnt / "correction.json", *NIGHT, "--out", tmp_path / "out")
    assert again.exit_code == 1
    ended("correct", learnt / "correction.json", *NIGHT, "--out", tmp_path / "out", "--overwrite")
    document = json.loads((tmp_path / "out" / "corrected.json").read_text(encoding="utf-8"))
    rows = rows_of(tmp_path / "out" / "corrected.csv")
    assert [m["measure"] for m in document["measures"]] == [row["measure"] for row in rows]
    assert float(rows[6]["corrected"]) == pytest.approx(document["measures"][6]["corrected"], rel=1e-5)


def test_anonymous_tells_no_file_and_no_date(learnt, tmp_path):
    out = tmp_path / "out"
    done = ended("correct", learnt / "correction.json", *NIGHT, "--out", out, "--anonymous", "--json", "-")
    for text in (done.stdout, *(p.read_text(encoding="utf-8") for p in out.iterdir() if p.is_file())):
        assert "crew-3" not in text
        assert "2026-" not in text
    assert rows_of(out / "epochs.csv")[2]["start"] == "60"


def test_a_table_of_nights_is_corrected(learnt, tmp_path):
    table = copy_ferry(tmp_path / "ferry")
    out = tmp_path / "out"
    done = ended("correct", learnt / "correction.json", table, "--out", out, "--quiet")
    assert done.stdout.startswith("12 nights of 4 participants corrected; 12 rows of other devices left alone.")
    assert "The window lasts from the device's first to its last stage" in done.stdout
    rows = [row for row in rows_of(out / "corrected.csv") if (row["participant"], row["night"]) == ("crew-3", "2")]
    alone = json.loads(ended("correct", learnt / "correction.json", *NIGHT, "--json", "-", "--quiet").stdout)
    assert [float(row["corrected"]) for row in rows] == pytest.approx([m["corrected"] for m in alone["measures"]], 1e-5)
    hidden = ended("correct", learnt / "correction.json", table, "--json", "-", "--quiet", "--anonymous").stdout
    assert "crew" not in hidden
    assert json.loads(hidden)["schema"] == "sleepagree.corrected-nights/1"


def test_a_night_that_cannot_be_corrected_is_listed(learnt, tmp_path):
    table = copy_ferry(tmp_path / "ferry")
    lines = ["participant,night,device_file,layout"]
    lines += ["a,1,pad-b/crew-3-night-2.csv,pad-b.toml", "b,1,band-a/crew-1-night-1.csv,band-a.toml"]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run("correct", learnt / "correction.json", table)
    assert done.exit_code == 3
    assert done.stdout.startswith("1 night of 1 participant corrected, 1 refused.")
    told = " ".join(done.stdout.split())
    assert "REFUSED: 1 OF 2 NIGHTS line 3, b 1: crew-1-night-1.csv: the night has a label that" in told
    assert told.index("REFUSED") < told.index("MEASURES")
    assert "refused" not in done.stderr
    aside = run("correct", learnt / "correction.json", table, "--json", "-")
    assert "refused: line 3, b 1: crew-1-night-1.csv: the night has a label that" in aside.stderr
    table.write_text("participant,night,device_file,wrong\n", encoding="utf-8")
    assert "column 'wrong' is unknown" in run("correct", learnt / "correction.json", table).stderr
    wrong = run("correct", learnt / "correction.json", FERRY / "nights.csv", "--layout", FERRY / "pad-b.toml")
    assert wrong.exit_code == 2
    assert "give --layout as its column layout" in wrong.stderr


def test_a_table_of_which_no_night_can_be_corrected_writes_nothing(learnt, tmp_path):
    table = copy_ferry(tmp_path / "ferry")
    (table.parent / "odd.csv").write_text("nothing\n", encoding="utf-8")
    lines = [
        "participant,night,device_file,layout",
        "a,1,odd.csv,pad-b.toml",
        "b,1,band-a/crew-1-night-1.csv,band-a.toml",
    ]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    out, epochs, record = tmp_path / "out", tmp_path / "epochs.csv", tmp_path / "out.json"
    done = ended(
        "correct", learnt / "correction.json", table, "--out", out, "--epochs", epochs, "--json", record, code=1
    )
    assert done.stdout == ""
    assert done.stderr.startswith("sleepagree: nights.csv: no night can be corrected.")
    assert "line 2, a 1: odd.csv" in done.stderr
    assert "line 3, b 1: crew-1-night-1.csv: the night has a label that" in " ".join(done.stderr.split())
    assert not any(path.exists() for path in (out, epochs, record))


def test_epochs_that_were_not_learnt_are_refused(learnt, tmp_path):
    document = json.loads((learnt / "correction.json").read_text(encoding="utf-8"))
    (tmp_path / "old.json").write_text(json.dumps({**document, "epochs": None}), encoding="utf-8")
    done = run("correct", tmp_path / "old.json", *NIGHT, "--epochs", tmp_path / "epochs.csv")
    assert done.exit_code == 1
    assert "the correction has no probabilities of epochs" in done.stderr
    assert not (tmp_path / "epochs.csv").exists()


def _pad_night(tmp_path: Path, *, silent: range) -> tuple[Path, str, Path]:
    """Return the night of the crew without some of its rows, as options of a command."""
    head, *rows = NIGHT[0].read_text(encoding="utf-8").splitlines()
    kept = [row for i, row in enumerate(rows) if i not in silent]
    path = tmp_path / "pad.csv"
    path.write_text("\n".join([head, *kept, ""]), encoding="utf-8")
    return path, "--layout", FERRY / "pad-b.toml"


def test_silence_of_the_device_in_the_window_is_told(learnt, tmp_path):
    whole = ended("correct", learnt / "correction.json", *NIGHT).stdout
    assert "gave no stage" not in whole
    told = " ".join(
        ended("correct", learnt / "correction.json", *_pad_night(tmp_path, silent=range(200, 260))).stdout.split()
    )
    assert "The device gave no stage to 60.0 min of the window. They count as time in bed without sleep" in told


def test_a_file_of_several_nights_is_corrected_one_night_at_a_time(learnt, tmp_path):
    nights = [(FERRY / "pad-b" / f"crew-3-night-{n}.csv").read_text(encoding="utf-8").splitlines() for n in (1, 2)]
    both = tmp_path / "both.csv"
    both.write_text("\n".join([*nights[0], *nights[1][1:]]) + "\n", encoding="utf-8")
    refused = run("correct", learnt / "correction.json", both, *NIGHT[1:])
    assert refused.exit_code == 1
    assert refused.stderr.strip() == (
        "sleepagree: both.csv: the file holds several nights, and one is corrected at a time. Found 2 nights, with 3 h "
        "of silence or more between them; expected one, such as that from 2026-04-21 04:05:00 to 2026-04-21 12:12:00. "
        "Give the time in bed of one of them (--window FROM/TO), or a file of that night alone."
    )
    begin, end = (nights[1][i].split(";")[0] for i in (1, -1))
    found, alone = (
        json.loads(
            ended("correct", learnt / "correction.json", *night, "--window", f"{begin}/{end}", "--json", "-").stdout
        )
        for night in ((both, *NIGHT[1:]), NIGHT)
    )
    assert found["measures"] == alone["measures"]


@pytest.mark.parametrize("window", ["lights", "2026-01-01T22:00/2026-01-02T06:00", "lights/2026-01-02T06:00"])
def test_a_window_that_does_not_fit_is_not_told_of_a_reference(learnt, window):
    refused = run("correct", learnt / "correction.json", *NIGHT, "--window", window)
    assert refused.exit_code == 1
    assert "the window cannot be laid on this night" in refused.stderr
    assert f"Found {window if '/' not in window else window.split('/')[0]}" in refused.stderr
    assert "recording" not in refused.stderr
    assert "reference" not in refused.stderr


def test_a_rule_that_asks_for_a_reference_is_no_window_of_the_device(learnt):
    default, overlap = (
        ended("correct", learnt / "correction.json", *NIGHT, *more).stdout for more in ((), ("--window", "overlap"))
    )
    assert "The window lasts from the device's first to its last stage" in overlap
    assert default.split("CAUTIONS")[0] == overlap.split("CAUTIONS")[0]


def test_the_table_of_a_study_is_corrected_where_its_references_and_other_devices_are_not(learnt, tmp_path):
    rows = rows_of(FERRY / "nights.csv")
    for row in rows:
        row["reference"] = "elsewhere.edf"
        here = row["device"] == "pad B"
        row["device_file"] = (
            str(FERRY / row["device_file"]) if here else f"gone-{row['participant']}-{row['night']}.csv"
        )
        row["layout"], row["window"] = str(FERRY / row["layout"]), "lights"
    table = tmp_path / "nights.csv"
    with table.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    done = ended("correct", learnt / "correction.json", table)
    assert done.stdout.startswith("12 nights of 4 participants corrected; 12 rows of other devices left alone.")


NIGHT_2 = "2026-04-22T05:00/2026-04-22T11:30"


def table_with_window(path: Path, window: str, **more: str) -> Path:
    """Write a table of one night of pad B that gives a window, and perhaps a reference."""
    cells = {
        "participant": "crew-3",
        "night": "2",
        "device_file": NIGHT[0],
        "layout": NIGHT[2],
        "window": window,
        **more,
    }
    path.write_text(f"{','.join(cells)}\n{','.join(map(str, cells.values()))}\n", encoding="utf-8")
    return path


def nights_of(learnt: Path, table: Path, *more: str) -> list[dict]:
    return json.loads(ended("correct", learnt / "correction.json", table, "--json", "-", *more).stdout)["nights"]


def test_a_window_beside_a_reference_is_by_its_clock_and_not_looked_at(learnt, tmp_path):
    table = table_with_window(tmp_path / "n.csv", NIGHT_2, reference="elsewhere.edf", clock_offset="3600")
    (found,) = nights_of(learnt, table)
    alone = json.loads(ended("correct", learnt / "correction.json", *NIGHT, "--json", "-").stdout)
    assert found["measures"] == alone["measures"]
    assert found["window_rule"] == alone["window_rule"] == "device"
    assert found["cautions"][0]["kind"] == "window_of_reference"
    assert "window_by_device" in [c["kind"] for c in found["cautions"]]
    told = " ".join(ended("correct", learnt / "correction.json", table).stdout.split())
    assert (
        "The window in the table is by the clock of the reference that stands beside, and was not looked at. Give the "
        "time in bed by the device's clock: with --window FROM/TO, or in the column window of a table without "
        "references."
    ) in told
    (given,) = nights_of(learnt, table, "--window", NIGHT_2)
    assert (given["window_rule"], given["window_minutes"]) == ("given", 390.0)


def test_a_window_without_a_reference_is_by_the_clock_and_the_marks_of_the_device(learnt, tmp_path):
    (found,) = nights_of(learnt, table_with_window(tmp_path / "n.csv", NIGHT_2))
    assert (found["window_rule"], found["window_minutes"]) == ("given", 390.0)
    assert "window_of_reference" not in [c["kind"] for c in found["cautions"]]
    (ruled,) = nights_of(learnt, table_with_window(tmp_path / "r.csv", "overlap"))
    assert ruled["window_rule"] == "device"
    refused = run("correct", learnt / "correction.json", table_with_window(tmp_path / "l.csv", "lights"))
    assert refused.exit_code == 1
    assert "expected lights marks in the file" in " ".join(refused.stderr.split())


def test_windows_that_were_not_looked_at_are_told_where_no_night_could_be_corrected(learnt, tmp_path):
    nights = [(FERRY / "pad-b" / f"crew-3-night-{n}.csv").read_text(encoding="utf-8").splitlines() for n in (1, 2)]
    both = tmp_path / "both.csv"
    both.write_text("\n".join([*nights[0], *nights[1][1:]]) + "\n", encoding="utf-8")
    table = table_with_window(tmp_path / "n.csv", NIGHT_2, reference="elsewhere.edf", device_file=str(both))
    refused = " ".join(ended("correct", learnt / "correction.json", table, code=1).stderr.split())
    assert "the file holds several nights, and one is corrected at a time" in refused
    assert "caution: The window in the table is by the clock of the reference" in refused


def test_the_mean_of_what_the_device_has_no_label_for_is_told(tmp_path):
    out = tmp_path / "band-a"
    ended("calibrate", FERRY / "nights.csv", "--device", "band A", "--out", out, "--quiet")
    document = json.loads(ended("correct", out / "correction.json", FERRY / "nights.csv", "--json", "-").stdout)
    values = [m["corrected"] for n in document["nights"] for m in n["measures"] if m["measure"] == "minutes rem"]
    shown = ended("correct", out / "correction.json", FERRY / "nights.csv").stdout
    row = next(line.split() for line in shown.splitlines() if line.strip().startswith("minutes REM"))
    assert row[2:4] == ["–", f"{sum(values) / len(values):.1f}"]
