"""``sleepagree night`` on files: what goes where, the same figures everywhere, and other libraries' figures."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sklearn import metrics

from sleepagree.readers.edf.writer import write_edf_annotations
from tests.commands import ended
from tests.generated import FIVE, generate_nights
from tests.worked import BED_TIME

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "ferry"
TRUTH = json.loads((FERRY / "truth.json").read_text("utf-8"))
NIGHTS = sorted(p.stem for p in (FERRY / "band-a").glob("*.csv"))


def band(name: str = "crew-1-night-1", *options: str) -> list[str]:
    folder = FERRY / "band-a"
    return ["night", str(FERRY / "reference" / f"{name}.edf"), str(folder / f"{name}.csv"), "--layout",
            str(FERRY / "band-a.toml"), *options]  # fmt: skip


def pad(name: str = "crew-1-night-1", *options: str) -> list[str]:
    folder = FERRY / "pad-b"
    return ["night", str(FERRY / "reference" / f"{name}.edf"), str(folder / f"{name}.csv"), "--layout",
            str(FERRY / "pad-b.toml"), "--reference-zone", "Europe/Helsinki", *options]  # fmt: skip


def invoke(arguments: list[str], code: int = 0):
    return ended(*arguments, code=code)


def as_json(arguments: list[str]) -> dict:
    return json.loads(invoke([*arguments, "--json", "-", "--quiet"]).stdout)


def files_of(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text("utf-8") for p in folder.iterdir() if p.is_file()}


# --- where things go -----------------------------------------------------------------------------------------


def test_tables_on_standard_output_and_cautions_on_standard_error():
    result = invoke(pad("crew-4-night-2"))
    assert result.stdout.startswith("The night's window is ")
    assert "\nWHAT EACH STAGE OF THE DEVICE WAS\n  Of " in result.stdout
    assert "caution:" not in result.stdout
    lines = result.stderr.splitlines()
    assert all(line.startswith("caution: ") for line in lines)
    assert any("Only 88 % of the window's epochs" in line for line in lines)
    assert invoke(pad("crew-4-night-2", "--quiet")).stderr == ""


def test_json_alone_on_standard_output():
    result = invoke(pad("crew-4-night-2", "--json", "-"))
    found = json.loads(result.stdout)
    # a terminal tells the weightiest first
    assert sorted(caution["text"] for caution in found["cautions"]) == sorted(
        line.removeprefix("caution: ") for line in result.stderr.splitlines()
    )


def test_a_json_file_beside_the_report(tmp_path):
    path = tmp_path / "night.json"
    result = invoke(band("crew-1-night-1", "--json", str(path)))
    assert "\nWHAT EACH STAGE OF THE DEVICE WAS\n" in result.stdout
    assert path.read_text("utf-8") == invoke(band("crew-1-night-1", "--json", "-")).stdout


def test_a_folder_holds_the_same_results(tmp_path):
    out = tmp_path / "a" / "results"
    invoke(band("crew-2-night-1", "--out", str(out)))
    files = files_of(out)
    assert {"results.json", "epochs.csv", "confusion.csv", "measures.csv"} <= set(files)
    assert files["results.json"] == invoke(band("crew-2-night-1", "--json", "-")).stdout
    found = json.loads(files["results.json"])
    rows = list(csv.DictReader(io.StringIO(files["epochs.csv"])))
    statuses = Counter(row["status"] for row in rows)
    assert sum(statuses.values()) == found["ledger"]["window_epochs"] == found["window"]["epochs"]
    assert statuses["scored"] == found["ledger"]["scored"]
    assert {k: v for k, v in statuses.items() if k != "scored"} == {
        k: v for k, v in found["ledger"]["excluded"].items() if v
    }
    counts = [int(row["epochs"]) for row in csv.DictReader(io.StringIO(files["confusion.csv"]))]
    assert counts == np.ravel(found["mappings"][0]["counts"]).tolist()
    measures = list(csv.DictReader(io.StringIO(files["measures.csv"])))
    for row, expected in zip(measures, found["measures"], strict=True):
        for field in ("reference", "device", "difference"):
            assert row[field] == ("" if expected[field] is None else repr(expected[field]))


def test_results_are_replaced_only_when_asked(tmp_path):
    out = tmp_path / "results"
    invoke(band("crew-2-night-1", "--out", str(out)))
    before = files_of(out)
    invoke(band("crew-2-night-2", "--out", str(out)), code=1)
    assert files_of(out) == before
    invoke(band("crew-2-night-2", "--out", str(out), "--overwrite"))
    assert files_of(out)["results.json"] != before["results.json"]
    assert set(files_of(out)) == set(before)


def test_every_file_of_a_results_folder_is_known_as_ours(tmp_path):
    """Else --overwrite would refuse the folder that the command itself wrote."""
    from sleepagree.files.writing import refuse_folder

    invoke(pad("crew-2-night-2", "--out", str(tmp_path / "night")))
    refuse_folder(tmp_path / "night", overwrite=True)


# --- every fixture night, against what the simulator put in --------------------------------------------------


@pytest.mark.parametrize("name", NIGHTS)
@pytest.mark.parametrize(("device", "arguments"), [("band A", band), ("pad B", pad)])
def test_counts_are_what_the_simulator_put_in(name, device, arguments):
    truth = next(n for n in TRUTH["nights"] if f"{n['participant']}-night-{n['night']}" == name)
    table = np.array(truth["counts"][device])
    slow = device == "band A" and name == "crew-2-night-3"
    options = ("--clock-offset", str(TRUTH["slow_clock"]["offset_to_add_seconds"])) if slow else ()
    found = as_json(arguments(name, *options))
    expected = np.stack([table[0], table[1] + table[2], table[3], table[4]])
    assert found["mappings"][0]["counts"] == expected.tolist()
    assert found["window"]["epochs"] == truth["epochs_between_lights"]
    assert found["window"]["from"].startswith(truth["lights_off"])
    assert found["window"]["rule"] == "lights"


def test_the_awkward_nights_say_so():
    slow = as_json(band("crew-2-night-3"))
    assert slow["clock"]["offset_seconds"] == 240.0
    assert any("+240 s are added to device times" in c["text"] for c in slow["cautions"])
    lost = as_json(pad("crew-4-night-2"))
    assert lost["ledger"]["excluded"]["device_gap"] == 120
    movement = as_json(band("crew-1-night-2"))["ledger"]
    assert movement["labels"]["reference"]["Movement time"] == TRUTH["movement_time"]["epochs"]
    assert movement["excluded"]["reference_unscored"] == TRUTH["movement_time"]["epochs"]
    unscored = as_json(pad("crew-4-night-1"))["ledger"]
    assert unscored["labels"]["reference"]["Sleep stage ?"] == TRUTH["unscored"]["epochs"]


def test_a_kappa_without_an_interval_says_why(tmp_path):
    """A night against itself: kappa is 1, and its large-sample standard error 0 (Fleiss, Cohen & Everitt 1969)."""
    path = str(FERRY / "reference" / "crew-1-night-1.edf")
    alike = as_json(["night", path, path])["mappings"][0]["kappa"]
    assert (alike["value"], alike["se"], alike["low"], alike["high"]) == (1.0, 0.0, None, None)
    assert alike["reason"].startswith("no interval: the standard error is 0")
    kappa = as_json(pad("crew-1-night-1"))["mappings"][0]["kappa"]
    assert kappa["low"] < kappa["value"] < kappa["high"]
    assert kappa["reason"] is None
    # undefined altogether: one reason, that of the statistic
    assert "no class for REM" in as_json(band("crew-1-night-1"))["mappings"][0]["kappa"]["reason"]


# --- options -------------------------------------------------------------------------------------------------


def test_options_are_told_in_the_results():
    found = as_json(
        band("crew-1-night-1", "--mapping", "rem-as-deep", "--mapping", "wake-sleep", "--window", "overlap",
             "--outside", "wake", "--clock-offset", "30", "--reports", "wake,light,deep",
             "--confidence", "0.9")
    )  # fmt: skip
    assert found["options"] | {"anonymous": False} == {
        "mappings": ["rem-as-deep", "wake-sleep"],
        "window": "overlap",
        "outside": "wake",
        "reports": ["wake", "light", "deep"],
        "layout": "band-a.toml",
        "reference_layout": None,
        "reference_zone": None,
        "device_zone": None,
        "clock_offset": 30.0,
        "confidence": 0.9,
        "anonymous": False,
    }
    assert [m["name"] for m in found["mappings"]] == ["rem-as-deep", "wake-sleep"]
    assert found["window"]["rule"] == "overlap"


def test_a_window_by_the_clock():
    found = as_json(band("crew-1-night-1", "--window", "2026-04-14T08:00/lights"))
    assert found["window"] == {
        "from": "2026-04-14T08:00:00",
        "to": "2026-04-14T15:30:30",
        "rule": "given",
        "epochs": 901,
    }


def test_a_mapping_file_of_ones_own(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(
        'name = "deep or not"\nclasses = ["deep", "rest"]\n[reference]\nW = "rest"\nN1 = "rest"\nN2 = "rest"\n'
        'N3 = "deep"\nR = "leave-out"\n[device]\nUp = "rest"\nShallow = "rest"\nDeep = "deep"\n'
    )
    found = as_json(band("crew-1-night-1", "--mapping", str(path)))["mappings"][0]
    table = np.array(TRUTH["nights"][0]["counts"]["band A"])
    rest = table[:3].sum(axis=0)
    assert found["counts"] == [[int(table[3, 2]), int(table[3, :2].sum())], [int(rest[2]), int(rest[:2].sum())]]
    assert found["left_out"] == int(table[4].sum())


def test_words_of_one_side_of_a_mapping_file_explain_nothing_in_the_file_of_the_other(tmp_path, monkeypatch):
    """A scorer remarks "Up" before the first stage and in the night; the device's word for wake is the same text.

    10 min of W, 20 min of N2 and 10 min of R from 22:40; the device says the same, but for 2 min of W called light.
    """
    monkeypatch.chdir(tmp_path)
    stages = ["W"] * 20 + ["N2"] * 40 + ["R"] * 20
    remarks = [(0.0, 600.0, "Up"), (1805.0, 10.0, "Up")]
    scored = [(600.0 + 30 * i, 30.0, f"Sleep stage {stage}") for i, stage in enumerate(stages)]
    write_edf_annotations("lab.edf", [*remarks, *scored], start=datetime(2026, 3, 1, 22, 30))
    words = ["Up"] * 16 + ["Doze"] * 44 + ["Dream"] * 20
    rows = [f"{datetime(2026, 3, 1, 22, 40) + timedelta(seconds=30 * i)},{word}\n" for i, word in enumerate(words)]
    Path("band.csv").write_text("".join(["time,stage\n", *rows]))
    classes = 'classes = ["wake", "light", "rem"]\n[reference]\nW = "wake"\nN1 = "light"\nN2 = "light"\nN3 = "light"\n'
    Path("mine.toml").write_text(f'{classes}R = "rem"\n[device]\nUp = "wake"\nDoze = "light"\nDream = "rem"\n')
    files = ["lab.edf", "band.csv", "--mapping", "mine.toml"]
    night = as_json(["night", *files])
    assert (night["window"]["from"], night["window"]["epochs"]) == ("2026-03-01T22:40:00", 80)
    assert night["mappings"][0]["counts"] == [[16, 4, 0], [0, 40, 0], [0, 0, 20]]
    assert json.loads(invoke(["clock", *files, "--json", "-", "--quiet"]).stdout)
    Path("nights.csv").write_text("participant,night,device,reference,device_file\ncrew-1,1,band A,lab.edf,band.csv\n")
    invoke(["study", "nights.csv", "--out", "out", "--mapping", "mine.toml", "--quiet", "--resamples", "0"])
    study = json.loads(Path("out/results.json").read_text())
    assert study["devices"][0]["mappings"][0]["counts"] == [[16, 4, 0], [0, 40, 0], [0, 0, 20]]
    # and a word of the reference alone explains no label of the device
    Path("mine.toml").write_text(
        f'{classes}R = "rem"\nDoze = "light"\n[device]\nUp = "wake"\nlight = "light"\nDream = "rem"\n'
    )
    assert "unknown stage label. Found 'Doze' (" in invoke(["night", *files], code=1).stderr


def test_the_same_command_gives_the_same_bytes_in_any_zone():
    outputs = {
        subprocess.run(
            [sys.executable, "-m", "sleepagree", *pad("crew-1-night-1", "--json", "-")],
            capture_output=True,
            env={**os.environ, "TZ": zone},
            check=True,
        ).stdout
        for zone in ("UTC", "Pacific/Chatham", "America/St_Johns")
    }
    assert len(outputs) == 1


# --- terminals and pipes -------------------------------------------------------------------------------------


@pytest.mark.parametrize("environment", [{}, {"NO_COLOR": "1"}, {"FORCE_COLOR": "1", "TERM": "xterm-256color"}])
def test_a_pipe_gets_no_colour(environment):
    done = subprocess.run(
        [sys.executable, "-m", "sleepagree", *pad("crew-4-night-2")],
        capture_output=True,
        env={**os.environ, **environment},
        check=True,
    )
    assert b"\x1b" not in done.stdout + done.stderr
    assert b"\r" not in done.stdout + done.stderr


def test_a_reader_that_closes_the_pipe_early_gets_no_traceback():
    command = f"{sys.executable} -m sleepagree {' '.join(band('crew-1-night-1'))} | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert done.stdout == "The night's window is 7 h 42.5 min long, all of it scored on both sides. In 69\n"
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1", "cp437"])
def test_an_output_without_our_characters_gets_their_escapes(encoding):
    done = subprocess.run(
        [sys.executable, "-m", "sleepagree", *band("crew-1-night-1", "--full")],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding},
        check=True,
    )
    # click takes "ascii" for a wrong setting and writes UTF-8
    shown = done.stdout.decode("utf-8" if encoding == "ascii" else encoding)
    dash = "–" if encoding in ("ascii", "cp1252") else "\\u2013"
    assert re.search(rf"^  REM +126  no label +{re.escape(dash)}", shown, re.M)


def test_json_through_a_pipe_that_lacks_characters_is_still_json(tmp_path):
    device = tmp_path / "Nächte–睡眠.csv"
    shutil.copy(FERRY / "band-a" / "crew-1-night-1.csv", device)
    arguments = [
        "night",
        str(FERRY / "reference" / "crew-1-night-1.edf"),
        str(device),
        "--layout",
        str(FERRY / "band-a.toml"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "sleepagree", *arguments, "--json", "-"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        check=True,
    )
    assert json.loads(done.stdout.decode("latin-1"))["inputs"]["device"]["name"] == device.name


# --- hostile names and labels --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        b"a\x1b[2Jb.csv",
        b"$(reboot).csv",
        "\u202egnp.csv".encode(),
        b"\xff\xfe.csv",
        b"new\nline.csv",
        b"-rf.csv",
        b"=1+1.csv",
    ],
)
def test_hostile_file_names(tmp_path, name):
    device = os.fsencode(tmp_path) + b"/" + name
    shutil.copy(FERRY / "band-a" / "crew-1-night-1.csv", os.fsdecode(device))
    out = tmp_path / "out"
    arguments = [str(FERRY / "reference" / "crew-1-night-1.edf"), device, "--layout", str(FERRY / "band-a.toml")]
    done = subprocess.run(
        [sys.executable, "-m", "sleepagree", "night", *arguments, "--out", str(out)], capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr
    shown = (done.stdout + done.stderr).decode("utf-8")
    assert not set(shown) & set("\x1b\u202e\r\x07")
    assert json.loads((out / "results.json").read_text("utf-8"))["inputs"]["device"]["name"] == os.fsdecode(name)


def test_hostile_labels_stay_labels(tmp_path):
    labels = ["=cmd|'/c calc'!A0", "@sum", "a\x1b[2J", "\u202edeep", '"quo"te', "com,ma", "x" * 300, "<script>", "+1"]
    start = datetime(2026, 4, 14, 7, 48)
    device = tmp_path / "band.csv"
    with device.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time", "stage"])
        writer.writerows(
            [(start + timedelta(seconds=30 * i)).isoformat(), label] for i, label in enumerate(labels * 40)
        )
    layout = tmp_path / "band.toml"
    lines = [f"{json.dumps(label)} = {json.dumps('wake' if i % 2 else 'light')}" for i, label in enumerate(labels)]
    layout.write_text("[stages]\n" + "\n".join(lines) + "\n", "utf-8")
    arguments = ["night", str(FERRY / "reference" / "crew-1-night-1.edf"), str(device), "--layout", str(layout)]
    out = tmp_path / "out"
    result = invoke([*arguments, "--reports", "wake,light", "--out", str(out)])
    assert not set(result.output) & set("\x1b\u202e\r")
    shown = result.stdout.partition("\nNEXT\n")[0]  # the next command holds paths, however long they are
    assert all(len(line) <= 80 for line in shown.splitlines())
    found = json.loads((out / "results.json").read_text("utf-8"))
    assert found["ledger"]["labels"]["device"] == dict.fromkeys(labels, 40)
    with (out / "epochs.csv").open(encoding="utf-8", newline="") as stream:
        cells = {row["device_label"] for row in csv.DictReader(stream)} - {""}
    # a plain number is no formula
    assert cells == {"'" + label if label.startswith(("=", "@")) else label for label in labels}


# --- other libraries -----------------------------------------------------------------------------------------


def test_generated_nights_through_files_and_json_agree_with_scikit_learn(tmp_path):
    """Reference and device as CSV with one row per epoch; the oracle counts the words before they are written."""
    four = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "rem"}
    classes = ["wake", "light", "deep", "rem"]
    for number, (reference, device) in enumerate(generate_nights(20, seed=5)):
        rows, columns = [FIVE[c] for c in reference], [four[FIVE[c]] for c in device]
        for name, labels in (("lab.csv", rows), ("pad.csv", columns)):
            lines = [f"{BED_TIME + timedelta(seconds=30 * i):%Y-%m-%d %H:%M:%S},{s}" for i, s in enumerate(labels)]
            (tmp_path / name).write_text("time,stage\n" + "\n".join(lines) + "\n")
        if len(rows) < 2:
            continue
        found = as_json(
            ["night", str(tmp_path / "lab.csv"), str(tmp_path / "pad.csv"), "--reports", "wake,light,deep,rem",
             ]
        )["mappings"][0]  # fmt: skip
        truth, said = np.array([four[r] for r in rows]), np.array(columns)
        assert found["counts"] == metrics.confusion_matrix(truth, said, labels=classes).tolist(), number
        assert found["accuracy"] == pytest.approx(metrics.accuracy_score(truth, said), abs=1e-12)
        if found["kappa"]["value"] is not None:
            assert found["kappa"]["value"] == pytest.approx(metrics.cohen_kappa_score(truth, said), abs=1e-12)
        if found["mcc"] is not None:
            assert found["mcc"] == pytest.approx(metrics.matthews_corrcoef(truth, said), abs=1e-12)
        sensitivity = metrics.recall_score(truth, said, labels=classes, average=None, zero_division=np.nan)
        for c, expected in zip(found["classes"], sensitivity, strict=True):
            assert (c["sensitivity"] is None) == np.isnan(expected)
            assert c["sensitivity"] is None or c["sensitivity"] == pytest.approx(expected, abs=1e-12)
