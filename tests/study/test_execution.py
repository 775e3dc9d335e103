"""Rows scored chunk by chunk: every row once and in order, kept ones counted as done, a scheduler that is not there."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sleepagree.errors import InputError
from sleepagree.study import chunks
from sleepagree.study.chunks import CHUNK_ROWS, LARGE_CHUNK_ROWS, chunk_rows
from sleepagree.study.execution import Execution, run_rows
from sleepagree.study.run import ScoringOptions
from sleepagree.study.table import NightsTable
from tests.study.test_run import TABLE, row


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
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 10)
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


def test_a_scheduler_without_the_extra_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "dask.distributed", None)
    with pytest.raises(InputError, match=r"pip install 'sleepagree\[cluster\]'"):
        list(run_rows(TABLE, ScoringOptions(), execution=Execution(scheduler="tcp://127.0.0.1:1")))
