"""Work in steps gives what the same work gives alone, whatever fails and however much is held."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sleepagree import steps
from sleepagree.errors import InputError, SleepAgreeError
from sleepagree.hypnogram import ScoredSpans
from sleepagree.readers import read_spans
from sleepagree.steps import Steps, finish, take_together
from tests.ferry import FERRY


def counting(number: int, pauses: int, log: list[tuple[int, int]], held: int = 0) -> Steps[int]:
    for pause in range(pauses):
        log.append((number, pause))
        yield held if pause == 0 else 0
    return 10 * number


def test_results_stand_in_the_order_given_however_many_steps_each_takes():
    assert take_together(counting(i, pauses, []) for i, pauses in enumerate((3, 0, 5, 1))) == [0, 10, 20, 30]


def test_all_take_a_step_before_one_takes_the_next():
    log: list[tuple[int, int]] = []
    take_together(counting(i, 2, log) for i in range(3))
    assert log == [(0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (2, 1)]


def test_more_than_are_taken_at_once_are_taken_in_groups():
    log: list[tuple[int, int]] = []
    n = 2 * steps._AT_ONCE + 1
    assert take_together(counting(i, 2, log) for i in range(n)) == [10 * i for i in range(n)]
    assert log.index((0, 1)) == steps._AT_ONCE


def test_large_inputs_are_not_held_together():
    log: list[tuple[int, int]] = []
    take_together(counting(i, 2, log, held=steps._MOST_BYTES // 2 + 1) for i in range(5))
    # two of them are more than is held at once: the second closes the group
    assert [number for number, pause in log] == [0, 1, 0, 1, 2, 3, 2, 3, 4, 4]


def test_work_that_ends_without_a_pause_does_not_stop_the_others():
    assert take_together(counting(i, 0, []) for i in range(100)) == [10 * i for i in range(100)]


def failing(pauses: int, error: Exception) -> Steps[int]:
    for _ in range(pauses):
        yield 0
    raise error


@pytest.mark.parametrize("pauses", [0, 1, 2])
def test_one_that_fails_becomes_its_error_and_the_others_go_on(pauses: int):
    error = InputError("this one fails")
    before, found, after = take_together([counting(1, 2, []), failing(pauses, error), counting(2, 2, [])])
    assert (before, after) == (10, 20)
    assert found is error
    assert error.__traceback__ is None


def test_a_defect_is_raised():
    with pytest.raises(ZeroDivisionError):
        take_together([counting(1, 2, []), failing(1, ZeroDivisionError())])


@pytest.mark.parametrize("was_on", [True, False])
def test_the_collector_is_as_it_was(was_on: bool):
    import gc

    def looking() -> Steps[bool]:
        yield 0
        return gc.isenabled()

    if not was_on:
        gc.disable()
    try:
        assert take_together([looking()]) == [False]
        assert gc.isenabled() is was_on
        with pytest.raises(ZeroDivisionError):
            take_together([failing(1, ZeroDivisionError())])
        assert gc.isenabled() is was_on
    finally:
        gc.enable()


def test_nothing_to_do():
    assert take_together([]) == []


def test_one_piece_alone():
    assert finish(counting(7, 3, [])) == 70
    with pytest.raises(InputError):
        finish(failing(2, InputError("no")))


# --- readers ----------------------------------------------------------------------------------------------


def files() -> Iterator[Path]:
    for pattern in ("reference/*.edf", "pad-b/*", "band-a/*"):
        yield from sorted(FERRY.glob(pattern))


def test_files_read_together_are_the_files_read_alone(tmp_path: Path):
    paths = [path for path in files() if path.suffix in (".edf", ".csv", ".json")]
    assert len({path.suffix for path in paths}) > 1
    broken = tmp_path / "broken.edf"
    broken.write_bytes(paths[0].read_bytes()[:700])
    paths[3:3] = [broken, tmp_path / "missing.csv"]
    together = take_together([read_spans.steps(path) for path in paths])
    assert [known(read) for read in together] == [known(read_alone(path)) for path in paths]


def read_alone(path: Path) -> ScoredSpans | SleepAgreeError:
    try:
        return read_spans(path)
    except SleepAgreeError as error:
        return error


def known(read: ScoredSpans | SleepAgreeError) -> object:
    """Return everything that is known of a file, or the message."""
    if isinstance(read, SleepAgreeError):
        return str(read)
    return [v.tolist() if isinstance(v, np.ndarray) else v for v in vars(read).values()]


def test_a_small_file_is_closed_before_anything_else_takes_a_step(monkeypatch: pytest.MonkeyPatch):
    # a thousand nights read together would run out of open files otherwise
    import os

    opened: set[int] = set()
    real_open, real_close = os.open, os.close
    monkeypatch.setattr(os, "open", lambda *args, **more: opened.add(d := real_open(*args, **more)) or d)
    monkeypatch.setattr(os, "close", lambda d: (opened.discard(d), real_close(d))[1])
    work = read_spans.steps(next(files()))
    assert next(work) == next(files()).stat().st_size
    assert opened == set()
    finish(work)
