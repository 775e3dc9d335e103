"""Two runs into one folder: the second is refused at once, and a run that is dead holds nothing."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sleepagree.errors import OutputError
from sleepagree.files import writing as output
from sleepagree.files.writing import sole_run
from sleepagree.study import chunks, execution
from sleepagree.study.chunks import unfinished_folder
from tests.commands import bytes_below, run
from tests.ferry import copy_ferry

QUICK = ("--resamples", "50", "--quiet")

#: A study that tells when it has kept its first chunk and then waits for ever (or for a byte).
WAITING = """
import sys
from sleepagree.study import chunks, execution
from sleepagree.cli.group import main

chunks.CHUNK_ROWS = 6
whole, scored = execution.score_rows, []

def score_and_wait(*args):
    if scored:
        print("kept", flush=True)
        sys.stdin.read(1)
    scored.append(1)
    return whole(*args)

execution.score_rows = score_and_wait
main(sys.argv[1:])
"""


def start(table: Path, out: Path) -> subprocess.Popen[str]:
    """Return a study that has kept its first chunk and goes on when its input is closed."""
    words = [sys.executable, "-c", WAITING, "study", str(table), "--out", str(out), *QUICK]
    first = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert first.stdout is not None
    assert first.stdout.readline() == "kept\n"
    return first


@pytest.mark.parametrize("more", [(), ("--resume",), ("--overwrite",)])
def test_the_second_run_is_refused_and_the_first_goes_on(more: tuple[str, ...], tmp_path: Path) -> None:
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    first = start(table, out)
    before = bytes_below(tmp_path)
    began = time.monotonic()
    second = run("study", table, "--out", out, *QUICK, *more)
    assert time.monotonic() - began < 20
    assert second.exit_code == 1
    assert second.stderr.startswith(f"sleepagree: {out}: another run is making these results. ")
    assert f"process {first.pid} on {platform.node()}" in second.stderr
    assert second.stderr.count("sleepagree: ") == 1
    assert bytes_below(tmp_path) == before
    first.communicate("\n" * 9, timeout=120)
    assert first.returncode == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry", "out"]
    assert run("study", table, "--out", tmp_path / "plain" / "out", *QUICK).exit_code == 0
    assert bytes_below(out).keys() == bytes_below(tmp_path / "plain" / "out").keys()


@pytest.mark.parametrize("more", [(), ("--resume",)])
def test_a_killed_run_holds_nothing(more: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 6)
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    first = start(table, out)
    first.send_signal(signal.SIGKILL)
    first.communicate(timeout=60)
    left = sorted(p.name for p in unfinished_folder(out).iterdir())
    assert left == ["chunk-000000.json", "made-in", "run.lock"]
    scored: list[int] = []
    whole = execution.score_rows
    monkeypatch.setattr(execution, "score_rows", lambda *args: scored.append(1) or whole(*args))
    again = run("study", table, "--out", out, *QUICK, *more)
    assert again.exit_code == 0, again.output
    assert len(scored) == (3 if more else 4)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry", "out"]


def _no_locks(*args: object) -> None:
    raise OSError(95, "Operation not supported")


def test_where_the_file_system_knows_no_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(fcntl, "flock", _no_locks)
    folder = tmp_path / "out.unfinished"
    folder.mkdir()
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    here = platform.node()
    for maker, free in (
        ("", True),
        ("scrawl", True),
        (f"process {gone.pid} on {here}", True),
        (f"process {os.getppid()} on {here}", False),
        (f"process {gone.pid} on another-machine", False),
    ):
        (folder / "run.lock").write_text(maker)
        if free:
            with sole_run(folder, tmp_path / "out"):
                assert (folder / "run.lock").read_text() == f"process {os.getpid()} on {here}"
            folder.mkdir()  # it was empty and went
            continue
        with (
            pytest.raises(OutputError, match="another run is making these results"),
            sole_run(folder, tmp_path / "out"),
        ):
            pass
        assert (folder / "run.lock").read_text() == maker


def test_a_lock_file_that_was_removed_while_it_was_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that ends removes its lock file; who had just opened it must not take the removed one for a lock."""
    path = tmp_path / "out.unfinished" / "run.lock"
    whole, locked = output._lock, []

    def lock(descriptor: int) -> bool:
        if not locked:
            path.unlink()
        locked.append(descriptor)
        return whole(descriptor)

    monkeypatch.setattr(output, "_lock", lock)
    with sole_run(path.parent, tmp_path / "out"):
        assert len(locked) == 2
        with pytest.raises(OutputError, match="another run"), sole_run(path.parent, tmp_path / "out"):
            pass
    assert list(tmp_path.iterdir()) == []
