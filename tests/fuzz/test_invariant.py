"""The net of the fuzzing catches what it is meant to catch: faults that are planted break it."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import strategies as st

from sleepagree.errors import InputError
from sleepagree.hypnogram import align as pairing
from tests.fuzz import __main__ as fuzz
from tests.fuzz import invariant
from tests.fuzz.invariant import HangError, bounded, check_spans, or_message
from tests.fuzz.targets import Target
from tests.readers.edf_bytes import annotation_file, hypnogram


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(invariant, "LONGEST_S", 0.05)


def _spin(seconds: float) -> None:
    end = time.process_time() + seconds
    while time.process_time() < end:
        pass


def _spin_through(caught: type[BaseException]) -> None:
    try:
        _spin(60)
    except caught:
        _spin(60)


def test_a_hang_is_seen_even_by_code_that_catches_every_exception(short: None) -> None:
    with pytest.raises(HangError), bounded(100):
        _spin_through(Exception)


def test_an_alarm_that_is_swallowed_rings_again(short: None) -> None:
    with pytest.raises(HangError), bounded(100):
        _spin_through(HangError)


def test_memory_beyond_ten_times_the_file_is_seen() -> None:
    with pytest.raises(AssertionError, match="bytes of memory"), bounded(1000):
        np.zeros(invariant.BASE_BYTES + 20_000, np.uint8)
    with bounded(1000):
        np.zeros(invariant.BASE_BYTES // 2, np.uint8)


def _raise(error: BaseException) -> Callable[[], None]:
    def work() -> None:
        raise error

    return work


def test_one_fair_message_is_an_answer_and_nothing_else_is() -> None:
    assert or_message(_raise(InputError("no stage"))) is None
    for error in (ValueError("x"), UnicodeDecodeError("utf-8", b"\xff", 0, 1, "x"), MemoryError(), RecursionError()):
        with pytest.raises(type(error)):
            or_message(_raise(error))
    with pytest.raises(AssertionError):
        or_message(_raise(InputError("x" * (invariant.LONGEST_MESSAGE + 1))))


def test_epochs_that_a_ledger_loses_are_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sleepagree.readers.any_file import read_spans

    path = tmp_path / "night.edf"
    path.write_bytes(annotation_file(*hypnogram(20)).encode())
    spans = read_spans(path)
    assert check_spans(spans) == "scored"
    whole = pairing.cross_labels

    def loses_all(*sides: Any, **how: Any) -> Any:
        crossed = whole(*sides, **how)
        return crossed._replace(native=crossed.native * 0)

    monkeypatch.setattr(pairing, "cross_labels", loses_all)
    with pytest.raises(AssertionError):
        check_spans(spans)


@pytest.mark.parametrize("error", [ValueError("planted"), HangError("planted"), AssertionError("planted")])
def test_a_run_that_breaks_says_so(error: BaseException, capsys: pytest.CaptureFixture[str]) -> None:
    def survivor(folder: Path, value: int) -> str:
        if value > 100:
            raise error
        return "read"

    outcome = fuzz.Outcome()
    fuzz.by_strategies(outcome, 60, 1, targets=(Target("planted", st.integers(0, 1000), survivor),))
    assert len(outcome.broken) == 1
    assert "planted" in outcome.broken[0]
    assert "planted" in capsys.readouterr().err
