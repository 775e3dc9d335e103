"""Ctrl-C at chosen moments from the first import to the interpreter's end: one line, exit 130, nothing half-made."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.ferry import FERRY

PAIR = (str(FERRY / "reference" / "crew-1-night-1.edf"), str(FERRY / "band-a" / "crew-1-night-1.csv"))
NIGHT = ("night", *PAIR, "--layout", str(FERRY / "band-a.toml"), "--quiet")
LINE = "sleepagree: interrupted.\n"

#: Sends the signal to itself when a module is about to be imported, or when the work is done.
HARNESS = """
import atexit, os, runpy, signal, sys

class AtImport:
    def find_spec(self, name, path=None, target=None):
        if name == MOMENT:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.SIGINT)
            for _ in range(1000):
                pass

MOMENT, WAY = sys.argv[1:3]
del sys.argv[1:3]
sys.meta_path.insert(0, AtImport())
if MOMENT == "the end":
    atexit.register(lambda: os.kill(os.getpid(), signal.SIGINT))
if MOMENT == "the work is done":
    from sleepagree.cli import interrupts
    whole = interrupts.end
    def end(code):
        whole(code)
        signal.raise_signal(signal.SIGINT)
    interrupts.end = end
if MOMENT == "a text that is executed":
    import sleepagree.night.compare
    sleepagree.night.compare.compare = lambda *args, **more: exec("import signal; signal.raise_signal(signal.SIGINT)")
if MOMENT == "a callback":
    import weakref
    class Dropped: ...
    import sleepagree.night.compare
    whole = sleepagree.night.compare.compare
    def compare(*args, **more):
        dropped = Dropped()
        watched = weakref.ref(dropped, lambda _: signal.raise_signal(signal.SIGINT))
        del dropped  # what is raised in the callback is printed and dropped by Python
        import time
        time.sleep(60)
    sleepagree.night.compare.compare = compare
if WAY == "module":
    runpy.run_module("sleepagree", run_name="__main__", alter_sys=True)
else:
    from importlib.metadata import EntryPoint
    import tomllib
    from pathlib import Path
    script = tomllib.loads(Path(WAY).read_text())["project"]["scripts"]["sleepagree"]
    sys.exit(EntryPoint("sleepagree", script, "console_scripts").load()())
"""

PYPROJECT = str(Path(__file__).parent.parent / "pyproject.toml")


def interrupted(
    moment: str, *words: str, way: str = "module", ignored: bool = False, cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    def set_signal() -> None:
        signal.signal(signal.SIGINT, signal.SIG_IGN if ignored else signal.SIG_DFL)

    return subprocess.run(
        [sys.executable, "-c", HARNESS, moment, way, *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        preexec_fn=set_signal,
        cwd=cwd,
    )


@pytest.mark.parametrize("way", ["module", PYPROJECT], ids=["module", "script"])
@pytest.mark.parametrize(
    "moment",
    [
        "sleepagree.cli",
        "click",
        "click.exceptions",
        "sleepagree.errors",
        "sleepagree.cli.night",
        "numpy",
        "numpy._core.multiarray",
        "sleepagree.readers.edf.recording",
        "sleepagree.night.compare",
        "sleepagree.render.terminal",
    ],
)
def test_at_an_import(moment: str, way: str) -> None:
    done = interrupted(moment, *NIGHT, way=way)
    assert (done.returncode, done.stderr, done.stdout) == (130, LINE, "")


def test_while_results_are_made(tmp_path: Path) -> None:
    done = interrupted("sleepagree.render.page", *NIGHT, "--out", "out", "--json", "night.json", cwd=tmp_path)
    assert (done.returncode, done.stderr, done.stdout) == (130, LINE, "")
    assert list(tmp_path.iterdir()) == []


def test_in_the_middle_of_writing_a_folder(tmp_path: Path) -> None:
    done = interrupted("sleepagree.render.figures", *NIGHT, "--out", "out", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (130, LINE)
    assert list(tmp_path.iterdir()) == []


def test_where_python_drops_what_is_raised() -> None:
    done = interrupted("a callback", *NIGHT)
    assert (done.returncode, done.stderr, done.stdout) == (130, LINE, "")


def test_in_a_text_that_is_executed() -> None:
    """Python took an interruption there for one that nobody handled, and ended by the signal."""
    done = interrupted("a text that is executed", *NIGHT)
    assert (done.returncode, done.stderr, done.stdout) == (130, LINE, "")


@pytest.mark.parametrize("way", ["module", PYPROJECT], ids=["module", "script"])
def test_when_the_work_is_done(way: str) -> None:
    whole = interrupted("never", *NIGHT, way=way)
    assert (whole.returncode, whole.stderr) == (0, "")
    done = interrupted("the work is done", *NIGHT, way=way)
    line = "sleepagree: interrupted while ending; what it has written is whole.\n"
    assert (done.returncode, done.stderr, done.stdout) == (130, line, whole.stdout)
    # nothing is left but the interpreter, which would say a traceback: it ends as if nobody had interrupted it
    done = interrupted("the end", *NIGHT, way=way)
    assert (done.returncode, done.stderr, done.stdout) == (0, "", whole.stdout)


def test_a_study_that_has_kept_nothing(tmp_path: Path) -> None:
    table = str(FERRY / "nights.csv")
    done = interrupted("sleepagree.readers.edf.recording", "study", table, "--out", "out", "--quiet", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (130, "sleepagree: interrupted; no results were written.\n")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("moment", ["click", "numpy", "sleepagree.night.compare", "the end"])
def test_a_run_that_was_started_with_the_signal_ignored_goes_on(moment: str) -> None:
    """As shells start jobs in the background of a script, and users long runs under nohup."""
    done = interrupted(moment, *NIGHT, ignored=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Kappa" in done.stdout


def test_importing_the_package_leaves_the_signal_alone() -> None:
    code = "import signal, sleepagree.cli.group, sleepagree.night.compare; "
    code += "print(signal.getsignal(2) is signal.default_int_handler)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert done.stdout == "True\n"


def test_nothing_is_imported_before_the_signal_is_taken_over() -> None:
    code = "import sys; before = set(sys.modules); import sleepagree; print(sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "['__future__', 'sleepagree']\n"


# --- standard streams that are closed -------------------------------------------------------------------------


def shell(line: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", "-c", f'"$0" -m sleepagree {line}', sys.executable],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        cwd=cwd,
        env={**os.environ, "FERRY": str(FERRY)},
    )


@pytest.mark.parametrize("closed", ["2>&-", "2>&- <&-", "1>&- 2>&- <&-"])
def test_a_study_with_standard_error_closed_does_its_work(closed: str, tmp_path: Path) -> None:
    words = 'study "$FERRY/nights.csv" --resamples 50 --out'
    plain = shell(f"{words} plain", tmp_path)
    done = shell(f"{words} out {closed}", tmp_path)
    assert done.returncode == plain.returncode == 0, done.stderr
    assert done.stderr == ""
    for path in (tmp_path / "plain").rglob("*"):
        if path.is_file() and path.name != "report.html":  # it tells the command
            assert (tmp_path / "out" / path.relative_to(tmp_path / "plain")).read_bytes() == path.read_bytes(), path


def test_a_fault_with_standard_error_closed_is_exit_1(tmp_path: Path) -> None:
    done = shell("study nothing.csv --out out 2>&-", tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert list(tmp_path.iterdir()) == []
