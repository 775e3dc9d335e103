"""Files in shapes of their own: read by a layout that is right for them, and never read wrongly."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sleepagree import align, read_hypnogram
from sleepagree.errors import SleepAgreeError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from tests.readers.invented_shapes import LANGUAGES, Case, all_cases, epochs_of, mutations, outcomes, truth
from tests.said import said

CASES = all_cases()


@cache
def case_of(name: str) -> Case:
    return next(case for case in CASES if case.name == name)


def read(case: Case, folder: Path) -> ScoredSpans:
    layout = folder / "layout.toml"
    layout.write_text(case.layout, encoding="utf-8")
    return read_spans(case.write(folder), layout=read_layout(layout))


def test_there_are_enough_shapes_in_ten_languages() -> None:
    assert len(LANGUAGES) == 10
    assert len(CASES) >= 60
    assert len({case.name for case in CASES}) == len(CASES)
    assert all(len(set(case.labels)) == 4 for case in CASES)


@pytest.mark.parametrize("name", [case.name for case in CASES])
def test_every_shape_is_read_by_its_layout(tmp_path: Path, name: str) -> None:
    case = case_of(name)
    assert epochs_of(read(case, tmp_path), case) == truth(case)


def test_shares_are_counted_with_whatever_makes_the_layouts(tmp_path: Path) -> None:
    plain = sum(case.name.endswith("plain words") for case in CASES)
    counts = outcomes(lambda _, case: case.layout, CASES, tmp_path)
    assert counts == {"at once": plain, "after one round": len(CASES) - plain}
    assert outcomes(lambda _, case: None, CASES, tmp_path) == {"at once": plain, "refused": len(CASES) - plain}
    late = [replace(case, start=case.start + timedelta(minutes=1)) for case in CASES[:4]]
    assert outcomes(lambda _, case: case.layout, late, tmp_path) == {"wrong": 4}


@pytest.mark.parametrize("name", [case.name for case in CASES])
def test_without_a_layout_it_is_right_or_refused(tmp_path: Path, name: str) -> None:
    case = case_of(name)
    try:
        spans = read_spans(case.write(tmp_path))
    except SleepAgreeError:
        return
    assert epochs_of(spans, case) == truth(case)


@pytest.mark.parametrize("name", [case.name for case in CASES if case.rows])
def test_a_mutated_shape_is_right_or_refused(tmp_path: Path, name: str) -> None:
    case = case_of(name)
    true = truth(case)
    for what, mutated in mutations(case):
        try:
            spans = read(mutated, tmp_path)
        except SleepAgreeError:
            continue
        seen = epochs_of(spans, case)
        wrong = [i for i, (now, then) in enumerate(zip(seen, true, strict=True)) if now is not None and now != then]
        assert not wrong, f"{what}: epoch {wrong[0]} is {seen[wrong[0]]}, not {true[wrong[0]]}"
        assert np.mean([now is not None for now in seen]) > 0.5, what


@pytest.mark.parametrize("name", [c.name for c in CASES if c.name.split(" ", 1)[1] in {"epochs", "ends", "two people"}])
def test_a_frame_of_the_same_columns_says_the_same(tmp_path: Path, name: str) -> None:
    case = case_of(name)
    path = case.write(tmp_path)
    (tmp_path / "layout.toml").write_text(case.layout, encoding="utf-8")
    frame = pd.read_csv(path, sep=case.mark, encoding=case.encoding, dtype=str)
    assert epochs_of(read_hypnogram(frame, layout=tmp_path / "layout.toml"), case) == truth(case)


def test_a_frame_with_plain_names_needs_no_layout() -> None:
    begins = pd.date_range("2026-03-01T22:30", periods=4, freq="30s")
    frame = pd.DataFrame({"timestamp": begins, "bpm": 60, "sleep_stage": ["wake", "light", "deep", None]})
    spans = read_hypnogram(frame)
    assert spans.start == begins[0]
    assert spans.onset_s.tolist() == [0, 30, 60, 90]
    assert [spans.stages[code] for code in spans.codes] == ["W", "light", "N3", "unscored"]


def test_of_a_file_of_many_nights_the_reference_chooses_one(tmp_path: Path) -> None:
    rows = [
        f"{moment.isoformat()},{stage}"
        for night in range(3)
        for moment, stage in zip(
            pd.date_range(f"2026-03-0{night + 1}T22:30:{5 * night:02}", periods=40, freq="30s"),
            ["wake", "wake", "light", "light"] * 10,
            strict=True,
        )
    ]
    path = tmp_path / "band.csv"
    path.write_text("\n".join(["time,stage", *rows]) + "\n", encoding="utf-8")
    reference = pd.Series(
        ["W", "W", "N2", "N2"] * 10, index=pd.date_range("2026-03-02T22:30:05", periods=40, freq="30s")
    )
    paired = align(reference=reference, device=read_spans(path))
    assert (paired.ledger.window_epochs, paired.ledger.scored) == (40, 40)
    assert paired.ledger.outside_device == 80
    notes = said(paired.ledger.notes)
    assert notes[-1] == (
        "device: the file holds 3 nights, with 3 h of silence or more between them; by the reference's time night 2 "
        "was scored"
    )
