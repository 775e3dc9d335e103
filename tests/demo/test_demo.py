"""The demo and the fixtures: same bytes, nothing half-written, and files that hold what truth.json says.

The files are read here by general means (edfio, csv, datetime), not by this package's readers.
"""

import csv
import itertools
import json
import os
import subprocess
import sys
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import edfio
import numpy as np
import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.errors import OutputError
from sleepagree.study.demo.write import PARTICIPANTS, TYPICAL_NIGHT, write_demo
from tests.commands import bytes_below

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
FERRY = FIXTURES / "ferry"
HELSINKI = ZoneInfo("Europe/Helsinki")
STAGES = ("W", "N1", "N2", "N3", "R")
NAMES = [f"crew-{person}-night-{night}" for person in (1, 2, 3, 4) for night in (1, 2, 3)]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return write_demo(tmp_path_factory.mktemp("demo") / "ferry")


@pytest.fixture(scope="module")
def truth():
    return json.loads((FERRY / "truth.json").read_text("utf-8"))


# --- bytes --------------------------------------------------------------------------------------------------


def test_the_committed_fixtures_are_what_the_command_writes(tmp_path):
    script = FIXTURES / "make_fixtures.py"
    # a zone and a locale of their own must not matter
    environment = {**os.environ, "TZ": "America/St_Johns", "LC_ALL": "C"}
    subprocess.run([sys.executable, script, tmp_path], check=True, env=environment)
    for name in ("ferry", "clocks"):
        made, committed = bytes_below(tmp_path / name), bytes_below(FIXTURES / name)
        assert made.keys() == committed.keys()
        assert [file for file in made if made[file] != committed[file]] == []


def test_another_seed_gives_another_study(written, tmp_path):
    other = write_demo(tmp_path / "other", seed=1)
    assert [str(f) for f in other.files] == [str(f) for f in written.files]
    first, second = bytes_below(written.directory), bytes_below(other.directory)
    assert first[f"band-a/{TYPICAL_NIGHT}.csv"] != second[f"band-a/{TYPICAL_NIGHT}.csv"]
    assert json.loads(second["truth.json"])["seed"] == 1


def test_the_demo_is_small_and_says_that_it_is_invented(written):
    files = bytes_below(written.directory)
    assert sum(len(data) for data in files.values()) < 250_000
    assert [str(f) for f in written.files] == list(files)
    assert "There is no such ferry, no such crew and no such device" in files["README.txt"].decode()
    assert all(b"\r" not in data for name, data in files.items() if not name.endswith(".edf"))


# --- what the files hold -------------------------------------------------------------------------------------


def read_reference(path):
    """Return the start, the stage text of each 30-s epoch, and the epochs of the lights marks, by edfio."""
    recording = edfio.read_edf(path)
    start = datetime.combine(recording.startdate, recording.starttime)
    epochs, marks = [], {}
    for annotation in recording.annotations:
        if annotation.text == "Recording starts":
            assert annotation.onset == 0
        elif annotation.text.startswith("Lights"):
            marks[annotation.text] = round(annotation.onset / 30)
        else:
            assert annotation.onset == 30 * len(epochs)
            epochs += [annotation.text] * round(annotation.duration / 30)
    return start, epochs, marks["Lights off"], marks["Lights on"]


def read_band(name, *, add_s=0):
    with (FERRY / "band-a" / f"{name}.csv").open(newline="") as stream:
        for row in csv.DictReader(stream):
            shift = timedelta(seconds=add_s)
            yield datetime.fromisoformat(row["from"]) + shift, datetime.fromisoformat(row["to"]) + shift, row["state"]


def read_pad(name):
    with (FERRY / "pad-b" / f"{name}.csv").open(newline="") as stream:
        for row in csv.DictReader(stream, delimiter=";"):
            moment = datetime.fromisoformat(row["utc"])
            assert moment.tzinfo is not None
            begin = moment.astimezone(HELSINKI).replace(tzinfo=None)
            yield begin, begin + timedelta(minutes=1), row["reads"]


def count(name, rows, words):
    start, epochs, lights_off, lights_on = read_reference(FERRY / "reference" / f"{name}.edf")
    said = [None] * len(epochs)
    for begin, end, word in rows:
        first, after = ((moment - start) / timedelta(seconds=30) for moment in (begin, end))
        assert first == int(first)
        assert after == int(after)
        said[int(first) : int(after)] = [word] * (int(after) - int(first))
    table = np.zeros((5, len(words)), int)
    for stage, word in zip(epochs[lights_off:lights_on], said[lights_off:lights_on], strict=True):
        if stage.removeprefix("Sleep stage ") in STAGES and word is not None:
            table[STAGES.index(stage.removeprefix("Sleep stage ")), words.index(word)] += 1
    return table.tolist()


@pytest.mark.parametrize("name", NAMES)
def test_the_files_hold_the_counts_that_truth_tells(truth, name):
    night = truth["nights"][NAMES.index(name)]
    assert f"{night['participant']}-night-{night['night']}" == name
    slow = truth["slow_clock"]
    is_slow = (night["participant"], night["night"]) == (slow["participant"], slow["night"])
    band, pad = truth["devices"]
    add_s = slow["offset_to_add_seconds"] if is_slow else 0
    assert count(name, read_band(name, add_s=add_s), list(band["words"])) == night["counts"]["band A"]
    assert count(name, read_pad(name), list(pad["words"])) == night["counts"]["pad B"]


def test_the_lost_hour_is_lost_and_nothing_else_is(truth):
    lost = truth["lost_hour"]
    begin, end = datetime.fromisoformat(lost["from"]), datetime.fromisoformat(lost["to"])
    assert end - begin == timedelta(hours=1)
    for name in NAMES:
        moments = [begin.replace(tzinfo=HELSINKI).astimezone(UTC) for begin, _, _ in read_pad(name)]
        steps = [after - before for before, after in itertools.pairwise(moments)]
        if name == f"{lost['participant']}-night-{lost['night']}":
            gap = steps.index(timedelta(minutes=61))
            assert moments[gap] + timedelta(minutes=1) == begin
            assert moments[gap + 1] == end
            steps.pop(gap)
        assert set(steps) == {timedelta(minutes=1)}


def test_intervals_of_the_band_follow_each_other_without_a_gap():
    for name in NAMES:
        rows = list(read_band(name))
        assert all(row[1] == following[0] for row, following in itertools.pairwise(rows))
        assert all(row[2] != following[2] for row, following in itertools.pairwise(rows))
        assert all(begin < end for begin, end, _ in rows)


def test_nights_have_what_truth_says_of_them(truth):
    texts = {name: read_reference(FERRY / "reference" / f"{name}.edf")[1] for name in NAMES}
    for kind, text in (("movement_time", "Movement time"), ("unscored", "Sleep stage ?")):
        told = truth[kind]
        assert {name: epochs.count(text) for name, epochs in texts.items() if text in epochs} == {
            f"{told['participant']}-night-{told['night']}": told["epochs"]
        }
    scored_twice = truth["two_scorers"]
    name = f"{scored_twice['participant']}-night-{scored_twice['night']}"
    first = read_reference(FERRY / "reference" / f"{name}.edf")
    second = read_reference(FERRY / "reference" / f"{name}-second.edf")
    assert (first[0], first[2:], len(first[1])) == (second[0], second[2:], len(second[1]))
    assert 0.75 < np.mean([a == b for a, b in zip(first[1], second[1], strict=True)]) < 1
    assert len(list((FERRY / "reference").iterdir())) == len(NAMES) + 1


def test_band_a_shows_too_much_deep_sleep_mostly_by_taking_rem_for_it(truth):
    counts = np.sum([night["counts"]["band A"] for night in truth["nights"]], axis=0)
    from_rem, from_light, lost = counts[4, 2], counts[1:3, 2].sum(), counts[3, :2].sum()
    assert from_rem > from_light > lost
    assert counts[:, 2].sum() > 1.5 * counts[3].sum()
    # and it is a fair sample of what the simulator aims at
    assert counts[4] / counts[4].sum() == pytest.approx(list(truth["band_a_rem_shares"].values()), abs=0.05)


def test_layouts_name_the_columns_and_all_the_words(truth):
    for device, folder in zip(truth["devices"], ("band-a", "pad-b"), strict=True):
        layout = tomllib.loads((FERRY / f"{folder}.toml").read_text("utf-8"))
        assert set(layout["stages"]) == set(device["words"])
        assert sorted(layout["stages"].values()) == sorted(layout["reports"])
        header = (FERRY / folder / f"{TYPICAL_NIGHT}.csv").read_text("utf-8").splitlines()[0]
        columns = header.split(layout["file"].get("delimiter", ","))
        assert {layout["file"][key] for key in ("start", "end", "stage") if key in layout["file"]} <= set(columns)


def test_the_nights_table_names_every_file_once():
    with (FERRY / "nights.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 2 * len(NAMES)
    assert len({row["participant"] for row in rows}) == PARTICIPANTS
    named = [row["device_file"] for row in rows]
    assert sorted(named) == sorted(f"{folder}/{name}.csv" for folder in ("band-a", "pad-b") for name in NAMES)
    references = {file for row in rows for file in row["reference"].split(";")}
    assert references == {f"reference/{path.name}" for path in (FERRY / "reference").iterdir()}
    assert {(row["device"], row["reference_zone"]) for row in rows} == {("band A", ""), ("pad B", "Europe/Helsinki")}


# --- folders -------------------------------------------------------------------------------------------------


def test_a_folder_that_is_not_empty_is_refused_and_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(OutputError) as refusal:
        write_demo(tmp_path)
    assert str(refusal.value) == (
        f"{tmp_path}: the folder exists and is not empty. Give the name of a new folder, or overwrite=True to replace "
        "files of the same names in it."
    )
    assert bytes_below(tmp_path) == {"letter.txt": b"mine"}


def test_overwrite_replaces_the_demo_and_nothing_else(tmp_path, written):
    write_demo(tmp_path, seed=3)
    (tmp_path / "letter.txt").write_text("mine")
    (tmp_path / "band-a" / "letter.txt").write_text("mine too")
    write_demo(tmp_path, overwrite=True)
    found = bytes_below(tmp_path)
    assert found.pop("letter.txt") == b"mine"
    assert found.pop("band-a/letter.txt") == b"mine too"
    assert found == bytes_below(written.directory)


def test_an_empty_folder_and_the_current_one_are_fine(tmp_path, written, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_demo(".")
    assert bytes_below(tmp_path) == bytes_below(written.directory)


def test_a_new_folder_may_lie_deep(tmp_path, written):
    made = write_demo(tmp_path / "a" / "b")
    assert bytes_below(tmp_path / "a" / "b") == bytes_below(written.directory)
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == ["b"]
    assert made.directory.stat().st_mode & 0o777 == (tmp_path / "a").stat().st_mode & 0o777


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "ferry").write_text("mine")
    with pytest.raises(OutputError, match="this is not a folder"):
        write_demo(tmp_path / "ferry", overwrite=True)
    with pytest.raises(OutputError, match="cannot be written"):
        write_demo(tmp_path / "ferry" / "below")
    assert (tmp_path / "ferry").read_text() == "mine"


@pytest.mark.parametrize("exists", [False, True])
def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch, exists):
    write_bytes = Path.write_bytes

    def full(path, data):
        if path.name == "nights.csv":
            raise OSError(28, "No space left on device")
        return write_bytes(path, data)

    folder = tmp_path / "ferry"
    if exists:
        folder.mkdir()
    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_demo(folder)
    assert folder.exists() == exists
    assert list(tmp_path.rglob("*")) == ([folder] if exists else [])


# --- the command ---------------------------------------------------------------------------------------------


def test_the_command_writes_the_study_and_prints_what_to_type(tmp_path, written):
    folder = tmp_path / "night ferry"
    result = CliRunner().invoke(main, ["demo", str(folder)])
    assert result.exit_code == 0, result.output
    assert bytes_below(folder) == bytes_below(written.directory)
    lines = result.stdout.splitlines()
    assert lines[0] == f"Wrote an invented study to {folder} ({len(written.files)} files). Try:"
    typed = [line for line in lines if line.startswith("sleepagree ")]
    assert [line.split()[1] for line in typed] == ["night", "mappings", "night", "study"]
    assert f"'{folder}/reference/{TYPICAL_NIGHT}.edf'" in typed[0]


def test_the_command_refuses_a_full_folder_with_one_message(tmp_path):
    (tmp_path / "x").write_text("x")
    result = CliRunner().invoke(main, ["demo", str(tmp_path)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.startswith(f"sleepagree: {tmp_path}: the folder exists and is not empty.")
    assert "Traceback" not in result.stderr
    assert CliRunner().invoke(main, ["demo", str(tmp_path), "--overwrite"]).exit_code == 0


def test_a_wrong_seed_is_a_wrong_use():
    assert CliRunner().invoke(main, ["demo", "x", "--seed", "-1"]).exit_code == 2


def test_the_commands_to_try_name_no_folder_like_an_option(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, ["demo", "--", "-deck"])
    assert done.exit_code == 0
    assert "sleepagree study ./-deck/nights.csv --out ./-deck-results" in done.stdout
    assert " -deck/" not in done.stdout
