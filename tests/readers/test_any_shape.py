"""Files in shapes of their own: read by a layout that is right for them, and never read wrongly."""

from __future__ import annotations

from datetime import UTC, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from sleepagree.errors import SleepAgreeError
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.words import canonical_stage
from sleepagree.readers import read_spans
from sleepagree.readers.layout import read_layout
from tests.readers.invented_shapes import LANGUAGES, Case, all_cases, mutations

CASES = all_cases()


@cache
def case_of(name: str) -> Case:
    return next(case for case in CASES if case.name == name)


def read(case: Case, folder: Path) -> ScoredSpans:
    layout = folder / "layout.toml"
    layout.write_text(case.layout, encoding="utf-8")
    return read_spans(case.write(folder), layout=read_layout(layout))


def epochs_of(spans: ScoredSpans, case: Case) -> list[tuple[str, str] | None]:
    """Return label and stage of each epoch from the true start on, None in gaps; what lies elsewhere fails."""
    start = case.start
    assert spans.start is not None
    if spans.start.tzinfo is not None and start.tzinfo is None:
        start = start.replace(tzinfo=ZoneInfo(case.answers["zone_name"]))
    offset_s = (
        (spans.start.astimezone(UTC) - start.astimezone(UTC)).total_seconds()
        if start.tzinfo
        else (spans.start - start) / timedelta(seconds=1)
    )
    grid = lay_on_epochs(spans, origin_s=-offset_s)
    codes = grid.window(0, len(case.labels))
    assert (spans.onset_s + offset_s >= 0).all(), "a span before the night"
    assert (spans.onset_s + offset_s + spans.duration_s <= 30 * len(case.labels) + 0.001).all(), "a span after it"
    return [None if code < 0 else (spans.labels[code], spans.stages[code]) for code in codes.tolist()]


def truth(case: Case) -> list[tuple[str, str]]:
    return [(label, canonical_stage(case.meanings[label]) or "") for label in case.labels]


def test_there_are_enough_shapes_in_ten_languages() -> None:
    assert len(LANGUAGES) == 10
    assert len(CASES) >= 60
    assert len({case.name for case in CASES}) == len(CASES)
    assert all(len(set(case.labels)) == 4 for case in CASES)


@pytest.mark.parametrize("name", [case.name for case in CASES])
def test_every_shape_is_read_by_its_layout(tmp_path: Path, name: str) -> None:
    case = case_of(name)
    assert epochs_of(read(case, tmp_path), case) == truth(case)


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
