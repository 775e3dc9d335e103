"""Finished chunks are used again only where every byte that decides their results is the same."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from sleepagree.render.study_folder import load_nights
from sleepagree.study import run as study_run
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.run import Execution, Outcome, ScoringOptions, run_rows
from tests.readers.test_mne_files import brain_vision

LABELS = ["Wake", "N1", "N2", "N2", "N3", "REM"] * 4
CODES = {"1": "Wake", "2": "REM", "3": "N1", "4": "N2", "5": "N3"}
OTHER_CODES = {"1": "Wake", "2": "REM", "3": "N1", "4": "N3", "5": "N2"}
WORDS = {"Wake": "W", "REM": "R"}


def level_file(codes: dict[str, str]) -> str:
    return json.dumps({"staging": {"Levels": codes}})


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A night scored in BIDS events (codes explained in the dataset's root) and BrainVision markers; its table."""
    beh = tmp_path / "set" / "sub-01" / "beh"
    beh.mkdir(parents=True)
    of_label = {label: code for code, label in CODES.items()}
    rows = "".join(f"{30 * i}\t30\t{of_label[label]}\n" for i, label in enumerate(LABELS))
    (beh / "sub-01_task-sleep_events.tsv").write_text(f"onset\tduration\tstaging\n{rows}")
    (tmp_path / "set" / "task-sleep_events.json").write_text(level_file(CODES))
    for folder in (tmp_path / "marks", tmp_path / "more"):
        folder.mkdir()
        brain_vision(folder, [f"Sleep stage {WORDS.get(label, label)}" for label in LABELS])
    (tmp_path / "more" / "night.vhdr").rename(tmp_path / "more" / "night.ahdr")
    device = tmp_path / "device.csv"
    device.write_text("onset_s,duration_s,stage\n" + "".join(f"{30 * i},30,{s}\n" for i, s in enumerate(LABELS)))
    times = [datetime(2026, 3, 1, 22, 30) + timedelta(seconds=30 * i) for i in range(len(LABELS))]
    rows = "".join(f"{time.isoformat()},30,{label}\n" for time, label in zip(times, LABELS, strict=True))
    (tmp_path / "clock.csv").write_text(f"start,duration_s,stage\n{rows}")
    (tmp_path / "device.toml").write_text('[stages]\n"N3" = "N3"\n')
    table = tmp_path / "nights.csv"
    table.write_text(
        "participant,night,device,reference,device_file,layout\n"
        "P1,1,pad B,set/sub-01/beh/sub-01_task-sleep_events.tsv,device.csv,\n"
        "P2,1,pad B,more/night.vmrk,clock.csv,device.toml\n"
        "P3,1,pad B,marks/night.vhdr,clock.csv,\n"
    )
    return table


def outcomes(table: Path, **how: object) -> list[Outcome]:
    execution = Execution(**how) if how else None  # type: ignore[arg-type]
    return [o for chunk in run_rows(load_nights(table), ScoringOptions(), execution=execution) for o in chunk.outcomes]


def told(found: list[Outcome]) -> list[object]:
    return [o.to_document() if isinstance(o, NightSummary) else o for o in found]


def change_root_levels(folder: Path) -> None:
    (folder / "set" / "task-sleep_events.json").write_text(level_file(OTHER_CODES))


def add_nearer_levels(folder: Path) -> None:
    (folder / "set" / "sub-01" / "sub-01_events.json").write_text(level_file(OTHER_CODES))


def remove_levels(folder: Path) -> None:
    (folder / "set" / "task-sleep_events.json").unlink()


def change_rate_in_header(folder: Path) -> None:
    header = folder / "marks" / "night.vhdr"
    header.write_text(header.read_text().replace("SamplingInterval=10000", "SamplingInterval=5000"))


def change_markers(folder: Path) -> None:
    markers = folder / "marks" / "night.vmrk"
    markers.write_text(markers.read_text().replace("Sleep stage N1", "Sleep stage N2"))


def add_header(folder: Path) -> None:
    # of two headers MNE takes the .vhdr
    header = (folder / "more" / "night.ahdr").read_text()
    (folder / "more" / "night.vhdr").write_text(header.replace("=10000", "=5000"))


def change_layout(folder: Path) -> None:
    (folder / "device.toml").write_text('[stages]\n"N3" = "N2"\n')


CHANGES = [
    change_root_levels,
    add_nearer_levels,
    remove_levels,
    change_rate_in_header,
    change_markers,
    add_header,
    change_layout,
]


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_what_decides_a_result_is_looked_at_before_it_is_used_again(
    change: Callable[[Path], None], study: Path, tmp_path: Path
) -> None:
    keep = tmp_path / "kept"
    before = outcomes(study, keep=keep)
    assert all(isinstance(o, NightSummary) for o in before), before
    change(tmp_path)
    fresh = outcomes(study)
    assert told(fresh) != told(before)  # the change does decide a result
    assert told(outcomes(study, keep=keep, resume=True)) == told(fresh)


def test_unchanged_files_are_used_again(study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep = tmp_path / "kept"
    before = outcomes(study, keep=keep)
    # a file of the same folder that no reader opens decides nothing
    (tmp_path / "set" / "sub-01" / "beh" / "sub-01_task-sleep_channels.tsv").write_text("name\n")
    monkeypatch.delattr(study_run, "score_rows")
    assert told(outcomes(study, keep=keep, resume=True)) == told(before)


@pytest.mark.parametrize("name", ["sleepagree", "numpy", "mne", "tzdata"])
def test_other_versions_use_nothing_again(
    name: str, study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = tmp_path / "kept"
    outcomes(study, keep=keep)
    versions = {**study_run._versions(), name: "0"}
    monkeypatch.setattr(study_run, "_versions", lambda: versions)
    scored: list[int] = []
    whole = study_run.score_rows
    monkeypatch.setattr(study_run, "score_rows", lambda *args: scored.append(1) or whole(*args))
    outcomes(study, keep=keep, resume=True)
    assert scored == [1]


def test_a_large_recording_whose_time_was_set_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(study_run, "_HASHED_WHOLE_BYTES", 100)
    path = tmp_path / "night.edf"
    path.write_bytes(b"x" * (2 * 1024 * 1024))
    first = study_run._stamp(path)
    assert study_run._stamp(path) == first
    status = path.stat()
    with path.open("r+b") as stream:
        stream.seek(-1, os.SEEK_END)
        stream.write(b"y")
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert study_run._stamp(path) != first
