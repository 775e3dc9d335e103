"""``sleepagree night --export``: the aligned night beside the results, read back by MNE, edfio, pandas and pyarrow."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import edfio
import mne
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from sleepagree.cli.night import night as night_command
from sleepagree.render.export import FILE_NAMES, NightFormat
from tests.commands import ended
from tests.ferry import FERRY

ALL = tuple(word for one in NightFormat for word in ("--export", one.value))
ALIGNED = {"aligned.edf", "aligned_events.tsv", "aligned_events.json", "aligned.csv", "aligned.parquet"}


def words(name: str, device: str, *options: object) -> list[str]:
    zone = ("--reference-zone", "Europe/Helsinki") if device == "pad-b" else ()
    files = (FERRY / "reference" / f"{name}.edf", FERRY / device / f"{name}.csv", "--layout", FERRY / f"{device}.toml")
    return [str(word) for word in ("night", *files, *zone, "--quiet", *options)]


def rows_of(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream, delimiter=delimiter))


#: Two nights with a device that says less than the reference, a lost hour, and movement that no side stages.
NIGHTS = (("crew-1-night-2", "band-a"), ("crew-4-night-2", "pad-b"), ("crew-4-night-1", "band-a"))


@pytest.fixture(scope="module", params=NIGHTS, ids="-".join)
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("night") / "out"
    ended(*words(*request.param, "--out", out, *ALL))
    return out


def epochs(out: Path) -> list[dict[str, str]]:
    """The epochs as ``epochs.csv`` has them: what every format is held against."""
    return rows_of(out / "epochs.csv")


def recording_start(out: Path) -> datetime:
    """The clock reading in the header of the reference's file, as edfio reads it."""
    name = json.loads((out / "results.json").read_text())["inputs"]["reference"]["name"]
    edf = edfio.read_edf(FERRY / "reference" / name)
    return datetime.combine(edf.startdate, edf.starttime)


def onsets(out: Path) -> list[float]:
    """Seconds from the start of the reference's recording to each epoch, worked out from the clock."""
    start = recording_start(out)
    return [(datetime.fromisoformat(row["start"]).replace(tzinfo=None) - start).total_seconds() for row in epochs(out)]


def disagreements(out: Path) -> list[str | None]:
    """Whether the classes differ, from ``epochs.csv``; None where an epoch was not compared or is left out."""
    return [
        None
        if row["status"] != "scored" or not row["reference_class"] or not row["device_class"]
        else str(int(row["reference_class"] != row["device_class"]))
        for row in epochs(out)
    ]


def expected_annotations(out: Path) -> set[tuple[float, float, str]]:
    found: set[tuple[float, float, str]] = set()
    run_of: tuple[float, float, str] | None = None
    for onset, row, differs in zip(onsets(out), epochs(out), disagreements(out), strict=True):
        for side in ("reference", "device"):
            if row[f"{side}_stage"]:
                found.add((onset, 30.0, f"{side}: {row[f'{side}_stage']}"))
        text = f"disagreement: {row['reference_stage']} / {row['device_stage']}"
        if differs == "1" and run_of and run_of[2] == text and run_of[0] + run_of[1] == onset:
            run_of = (run_of[0], run_of[1] + 30, text)
            continue
        found |= {run_of} if run_of else set()
        run_of = (onset, 30.0, text) if differs == "1" else None
    return found | ({run_of} if run_of else set())


# --- what is written ------------------------------------------------------------------------------------------


def test_the_words_of_the_option_are_the_formats() -> None:
    option = next(p for p in night_command.params if p.name == "export_names")
    assert list(option.type.choices) == [one.value for one in NightFormat]  # type: ignore[attr-defined]
    assert {*FILE_NAMES.values(), "aligned_events.json"} == ALIGNED


def test_edf_is_read_by_mne_and_edfio_annotation_for_annotation(written: Path) -> None:
    expected = expected_annotations(written)
    assert any(text.startswith("disagreement") for *_, text in expected)
    edf = edfio.read_edf(written / "aligned.edf")
    assert datetime.combine(edf.startdate, edf.starttime) == recording_start(written)
    begin = (0.0, None, "Recording starts")
    assert {(a.onset, a.duration, a.text) for a in edf.annotations} - {begin} == expected
    by_mne = mne.read_annotations(written / "aligned.edf")
    columns = (by_mne.onset.tolist(), by_mne.duration.tolist(), by_mne.description.tolist())
    read = list(zip(*columns, strict=True))
    assert set(read) - {(0.0, 0.0, "Recording starts")} == expected
    # as many as there are: nothing twice
    assert len(read) == len(expected) + 1 == len(edf.annotations)


def test_edf_lies_beside_the_recording_that_was_scored(written: Path) -> None:
    """The scorer's own annotation at an onset says the same stage as ours at the same onset."""
    name = json.loads((written / "results.json").read_text())["inputs"]["reference"]["name"]
    scored = mne.read_annotations(FERRY / "reference" / name)
    told = {
        onset: text.removeprefix("Sleep stage ")
        for onset, text in zip(scored.onset, scored.description, strict=True)
        if text.startswith("Sleep stage ") and text != "Sleep stage ?"
    }
    ours = mne.read_annotations(written / "aligned.edf")
    stages = {
        onset: text.removeprefix("reference: ")
        for onset, text in zip(ours.onset, ours.description, strict=True)
        if text.startswith("reference: ") and text != "reference: unscored"
    }
    shared = told.keys() & stages.keys()
    assert len(shared) > 20
    assert [told[onset] for onset in shared] == [stages[onset] for onset in shared]


def test_bids_events_and_csv_hold_every_epoch(written: Path) -> None:
    table = rows_of(written / "aligned_events.tsv", "\t")
    assert [float(row["onset"]) for row in table] == onsets(written)
    assert {row["duration"] for row in table} == {"30"}
    for ours, theirs in (("trial_type", "reference_stage"), ("device", "device_stage"), ("status", "status")):
        assert [row[ours] for row in table] == [row[theirs] or "n/a" for row in epochs(written)]
    assert [row["disagreement"] for row in table] == [said or "n/a" for said in disagreements(written)]
    rows = rows_of(written / "aligned.csv")
    assert [row["start"] for row in rows] == [row["start"] for row in epochs(written)]
    assert [float(row["onset"]) for row in rows] == onsets(written)
    assert [row["reference"] for row in rows] == [row["reference_stage"] for row in epochs(written)]
    assert [row["device"] for row in rows] == [row["device_stage"] for row in epochs(written)]
    assert [row["disagreement"] for row in rows] == [said or "" for said in disagreements(written)]


def test_the_sidecar_describes_the_table(written: Path) -> None:
    sidecar = json.loads((written / "aligned_events.json").read_text("utf-8"))
    frame = pd.read_csv(written / "aligned_events.tsv", sep="\t", keep_default_na=False, dtype=str)
    assert list(sidecar) == list(frame.columns)
    for name in ("trial_type", "device", "status"):
        assert set(sidecar[name]["Levels"]) == set(frame[name]) - {"n/a"}
    name = json.loads((written / "results.json").read_text())["mappings"][0]["name"]
    assert all(f"'{name}'" in text for text in sidecar["disagreement"]["Levels"].values())


def test_parquet_holds_every_epoch_with_types(written: Path) -> None:
    table = pq.read_table(written / "aligned.parquet")
    assert table.column("onset").to_pylist() == onsets(written)
    assert table.column("reference").to_pylist() == [row["reference_stage"] or None for row in epochs(written)]
    assert table.column("device").to_pylist() == [row["device_stage"] or None for row in epochs(written)]
    said = [None if word is None else word == "1" for word in disagreements(written)]
    assert table.column("disagreement").to_pylist() == said
    starts = [datetime.fromisoformat(row["start"]) for row in epochs(written)]
    assert table.column("start").to_pylist() == starts


def test_the_epochs_that_disagree_are_those_off_the_diagonal_of_the_results(written: Path) -> None:
    found = json.loads((written / "results.json").read_text())["mappings"][0]
    counts, classes = np.array(found["counts"]), found["reference_classes"]
    agreed = sum(int(counts[classes.index(name), j]) for j, name in enumerate(found["device_classes"]))
    said = pq.read_table(written / "aligned.parquet").column("disagreement").to_pylist()
    assert said.count(True) == counts.sum() - agreed
    assert said.count(False) == agreed


def test_the_first_mapping_decides_what_disagrees(tmp_path: Path) -> None:
    mappings = ("--mapping", "wake-sleep", "--mapping", "rem-left-out")
    ended(*words("crew-1-night-1", "band-a", "--out", tmp_path / "out", *mappings, "--export", "csv"))
    for row in rows_of(tmp_path / "out" / "aligned.csv"):
        assert row["disagreement"] == ("" if row["status"] != "scored" else str(
            int((row["reference"] == "W") != (row["device"] == "W"))
        ))  # fmt: skip


def test_each_side_of_the_edf_is_the_hypnogram_that_it_was(written: Path, tmp_path: Path) -> None:
    """Scored once more from the exported file alone, reference against device, the counts are the same."""
    results = json.loads((written / "results.json").read_text())
    layouts = {}
    for side in ("reference", "device"):
        stages = {row[f"{side}_stage"] for row in epochs(written)} - {""}
        layouts[side] = tmp_path / f"{side}.toml"
        lines = [f'"{side}: {stage}" = "{stage}"' for stage in sorted(stages)]
        layouts[side].write_text("[stages]\n" + "\n".join(lines) + "\n")
    path = str(written / "aligned.edf")
    options = ("--layout", str(layouts["device"]), "--reference-layout", str(layouts["reference"]))
    again = json.loads(ended("night", path, path, *options, "--json", "-", "--quiet").stdout)
    assert again["mappings"][0]["counts"] == results["mappings"][0]["counts"]
    assert again["ledger"]["scored"] == results["ledger"]["scored"]


# --- only what was asked for, all or nothing ------------------------------------------------------------------


@pytest.mark.parametrize("one", list(NightFormat))
def test_only_what_was_asked_for(one: NightFormat, tmp_path: Path) -> None:
    ended(*words("crew-2-night-1", "band-a", "--out", tmp_path / "out", "--export", one.value, "--export", one.value))
    held = {path.name for path in (tmp_path / "out").iterdir()} & ALIGNED
    assert held == {FILE_NAMES[one]} | ({"aligned_events.json"} if one is NightFormat.BIDS else set())


def test_the_other_results_are_those_of_a_run_without(tmp_path: Path) -> None:
    ended(*words("crew-2-night-1", "band-a", "--out", tmp_path / "plain"))
    ended(*words("crew-2-night-1", "band-a", "--out", tmp_path / "more", *ALL))
    names = {path.name for path in (tmp_path / "plain").iterdir() if path.is_file()}
    assert {path.name for path in (tmp_path / "more").iterdir() if path.is_file()} == names | ALIGNED
    for name in names - {"report.html"}:
        assert (tmp_path / "plain" / name).read_bytes() == (tmp_path / "more" / name).read_bytes()


def test_files_that_were_not_asked_for_again_go(tmp_path: Path) -> None:
    out = tmp_path / "out"
    ended(*words("crew-2-night-1", "band-a", "--out", out, *ALL))
    ended(*words("crew-2-night-1", "band-a", "--out", out, "--export", "csv", "--overwrite"))
    assert {path.name for path in out.iterdir()} & ALIGNED == {"aligned.csv"}


def test_without_a_folder_it_is_wrong_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = ended(*words("crew-2-night-1", "band-a", "--export", "edf"), code=2)
    assert result.stdout == ""
    assert result.stderr.endswith("Error: --export writes into the folder of results: give --out DIR, too.\n")
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_format_is_wrong_use() -> None:
    result = ended(*words("crew-2-night-1", "band-a", "--out", "x", "--export", "docx"), code=2)
    assert "'docx' is not one of 'edf', 'bids', 'csv', 'parquet'." in result.stderr


def test_parquet_without_its_library_is_one_message_and_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    result = ended(*words("crew-2-night-1", "band-a", "--out", tmp_path / "out", *ALL), code=1)
    assert result.stderr == (
        "sleepagree: writing Parquet needs pyarrow, which is not installed. Install it with: "
        "pip install 'sleepagree[parquet]'\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_date_that_edf_cannot_tell_is_one_message_and_no_folder(tmp_path: Path) -> None:
    start = datetime(1979, 12, 31, 22, 0)
    lines = [f"{start + timedelta(seconds=30 * i)},{'wake' if i % 7 else 'light'}" for i in range(60)]
    for name in ("lab.csv", "band.csv"):
        (tmp_path / name).write_text("time,stage\n" + "\n".join(lines) + "\n")
    arguments = ("night", str(tmp_path / "lab.csv"), str(tmp_path / "band.csv"), "--quiet")
    out = tmp_path / "out"
    result = ended(*arguments, "--export", "edf", "--out", str(out), code=1)
    assert result.stderr == (
        "sleepagree: EDF tells no date before 1985. Found 1979-12-31; expected 1985 or later. Correct the date of the "
        "reference, or ask for another format.\n"
    )
    assert not out.exists()
    ended(*arguments, "--export", "bids", "--out", str(out))


# --- anonymous ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("device", ["band-a", "pad-b"])
def test_an_anonymous_night_exports_no_date(device: str, tmp_path: Path) -> None:
    named, nameless = tmp_path / "named", tmp_path / "nameless"
    ended(*words("crew-1-night-1", device, "--out", named, *ALL))
    ended(*words("crew-1-night-1", device, "--out", nameless, *ALL, "--anonymous"))
    edf = edfio.read_edf(nameless / "aligned.edf")
    # 1 January 1985, midnight, is EDF's way to say that no date is told
    assert datetime.combine(edf.startdate, edf.starttime) == datetime(1985, 1, 1)
    dated = re.compile(rb"2026|APR|14\.04|Helsinki|crew|night-1", re.IGNORECASE)
    for name in sorted(ALIGNED):
        assert dated.search((nameless / name).read_bytes()) is None, name
    assert {row["start"] for row in rows_of(nameless / "aligned.csv")} == {""}
    assert set(pq.read_table(nameless / "aligned.parquet").column("start").to_pylist()) == {None}
    # the epochs are the same
    assert (nameless / "aligned_events.tsv").read_bytes() == (named / "aligned_events.tsv").read_bytes()
    both = [mne.read_annotations(folder / "aligned.edf") for folder in (named, nameless)]
    assert both[0].description.tolist() == both[1].description.tolist()
    assert both[0].onset.tolist() == both[1].onset.tolist()


def test_the_patient_fields_are_unknown(written: Path) -> None:
    header = (written / "aligned.edf").read_bytes()[:256]
    # X for every subfield that is not told (EDF+, additional specifications 3 and 4)
    assert header[8:88].decode("ascii").split() == ["X", "X", "X", "X"]
    assert header[88:168].decode("ascii").split()[2:] == ["X", "X", "X"]


# --- the command in the report, and what is loaded ------------------------------------------------------------


@pytest.mark.parametrize("anonymous", [False, True])
def test_the_command_in_the_report_repeats_it(anonymous: bool, tmp_path: Path) -> None:
    options = ("--outside", "wake", "--out", tmp_path / "out", "--export", "edf", "--export", "bids")
    ended(*words("crew-1-night-1", "band-a", *options, *(("--anonymous",) if anonymous else ())))
    found = re.search(r"sleepagree night [^<]*", (tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    assert found
    assert "--export edf --export bids" in found.group()
    assert "--outside wake" in found.group()


def loaded_by(*more: str, out: Path) -> set[str]:
    arguments = words("crew-1-night-1", "band-a", "--out", out, *more)
    script = (
        "import sys; from click.testing import CliRunner; from sleepagree.cli.group import main; "
        f"r = CliRunner().invoke(main, {arguments!r}); assert r.exit_code == 0, r.output; "
        "print(' '.join(sorted(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_nothing_is_loaded_for_a_format_that_was_not_asked_for(tmp_path: Path) -> None:
    plain = loaded_by(out=tmp_path / "plain")
    assert "sleepagree.render.night_folder" in plain
    assert not plain & {"sleepagree.render.export", "sleepagree.readers.edf.writer", "pyarrow", "mne", "pandas"}
    more = loaded_by("--export", "edf", "--export", "bids", "--export", "csv", out=tmp_path / "more")
    assert "sleepagree.render.export" in more
    assert not more & {"pyarrow", "mne", "pandas", "scipy"}
