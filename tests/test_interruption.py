"""Ctrl-C in a terminal: one line says how to go on, and going on brings the bytes of an undisturbed run."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.commands import bytes_below
from tests.performance.inputs import write_nights

pty = pytest.importorskip("pty", reason="no pseudo-terminals here")

#: The command, made to wait for Ctrl-C once its second chunk is kept: the line of progress has told of the first.
WAITING = """
import runpy, sys, time
from sleepagree.study.chunks import KeptChunks

store, kept = KeptChunks.store, []

def store_and_wait(*args):
    store(*args)
    kept.append(1)
    if len(kept) == 2:
        print("waiting", flush=True)
        time.sleep(600)

KeptChunks.store = store_and_wait
runpy.run_module("sleepagree", run_name="__main__", alter_sys=True)
"""
COMMAND = (sys.executable, "-m", "sleepagree", "study")
OPTIONS = ("--resamples", "50")


def in_terminal(words: list[str], *, interrupt_at: bytes = b"", limit_s: float = 600) -> tuple[int, str]:
    """Run in a pseudo-terminal of its own; type Ctrl-C once this text has come; return exit and text."""
    child, terminal = pty.fork()
    if not child:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # whoever runs the tests may ignore it
        os.execv(words[0], words)
    text, typed = b"", False
    deadline = time.monotonic() + limit_s
    while time.monotonic() < deadline:
        ready, _, _ = select.select([terminal], [], [], 1)
        if ready:
            try:
                data = os.read(terminal, 65536)
            except OSError:  # the other end is closed
                break
            if not data:
                break
            text += data
        if interrupt_at and not typed and interrupt_at in text:
            os.write(terminal, b"\x03")
            typed = True
    else:
        os.kill(child, signal.SIGKILL)
    os.close(terminal)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), text.decode()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_study_that_is_interrupted_goes_on_where_it_was(workers: int, tmp_path: Path) -> None:
    # workers are not used for fewer rows, and then the chunks are large
    nights = 150 if workers == 1 else 1250
    write_nights(tmp_path / "data", nights, table=True)
    table, out = str(tmp_path / "data" / "nights.csv"), tmp_path / "out"
    words = [*COMMAND, table, "--out", str(out), *OPTIONS, "--workers", str(workers)]
    kept = tmp_path / "out.unfinished"
    waiting = [sys.executable, "-c", WAITING, *words[3:]]
    status, text = in_terminal(waiting, interrupt_at=b"waiting")
    assert status == 130, text
    assert not out.exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["data", "out.unfinished"]
    last = text.replace("\r", "\n").strip().splitlines()
    assert (
        last[-1]
        == f"sleepagree: interrupted; finished nights wait in {kept}. To go on, give the same command with --resume."
    )
    assert "Traceback" not in text
    assert "Error" not in text
    # the bar begins at nothing and estimates what is left once some nights are done
    assert re.search(rf"\r  ·+ 0 of {nights} nights, starting", text)
    assert re.search(rf"█·+ \d+ of {nights} nights, \d+ (s|min) left", text)

    status, text = in_terminal([*words, "--resume"])
    assert status == 0, text
    begun = re.search(r"(\d+) of \d+ nights", text)
    assert begun is not None
    assert int(begun[1]) > 0
    assert f"{nights} of {nights} nights, all scored; summing up" in text
    plain = tmp_path / "plain" / "out"
    done = subprocess.run([*COMMAND, table, "--out", str(plain), *OPTIONS, "--quiet"], check=False, capture_output=True)
    assert done.returncode == 0
    assert _without_command(bytes_below(out)) == _without_command(bytes_below(plain))


def _without_command(files: dict[str, bytes]) -> dict[str, bytes]:
    """Leave out the report, which tells the command and with it the folder; every figure in it stands elsewhere."""
    return {name: data for name, data in files.items() if name != "report.html"}
