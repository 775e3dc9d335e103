"""Alternating runs of a subject and a peer in one session; ratios, never absolute limits."""

from __future__ import annotations

import contextlib
import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from importlib import metadata
from pathlib import Path
from typing import Any

import sleepagree

MIB = 1024 * 1024


@dataclass(frozen=True)
class Settings:
    """How much work a run does.

    ``smoke`` makes everything tiny and judges nothing: it tests the benchmark, not the budget.
    """

    smoke: bool = False
    repeats: int = 5
    folder: Path = Path()

    def size(self, full: int, tiny: int) -> int:
        return tiny if self.smoke else full


@dataclass(frozen=True)
class Row:
    """One budget of the table."""

    budget: str
    what: str
    subject: float
    subject_range: tuple[float, float]
    peer: float
    ratio: float
    limit: str
    met: bool
    unit: str = "ms"
    note: str = ""
    extra: dict[str, Any] = field(default_factory=dict)

    def as_record(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Timing:
    """Seconds of every repeat."""

    seconds: tuple[float, ...]

    @property
    def median(self) -> float:
        return statistics.median(self.seconds)

    @property
    def range(self) -> tuple[float, float]:
        return min(self.seconds), max(self.seconds)


def alternate(work: Sequence[Callable[[], Any]], *, repeats: int) -> list[Timing]:
    """Run all callables in turn, ``repeats`` times after a warm-up, and return their times."""
    for call in work:
        call()
    seconds: list[list[float]] = [[] for _ in work]
    for _ in range(repeats):
        for i, call in enumerate(work):
            begin = time.perf_counter()
            call()
            seconds[i].append(time.perf_counter() - begin)
    return [Timing(tuple(s)) for s in seconds]


def ratio(one: Timing, other: Timing) -> float:
    """Return the median of the pairwise ratios one / other, which a drifting machine disturbs least."""
    return statistics.median(a / b for a, b in zip(one.seconds, other.seconds, strict=True))


def process(args: Sequence[str], *, env: dict[str, str] | None = None) -> Callable[[], None]:
    """Return a callable that runs a whole process and fails when it fails."""
    # an installed package has its bytecode; where writing it is forbidden, a changed module is compiled in every run
    chosen = {name: value for name, value in (env or os.environ).items() if name != "PYTHONDONTWRITEBYTECODE"}

    def run() -> None:
        done = subprocess.run(
            args, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=chosen, text=True
        )
        if done.returncode:
            raise RuntimeError(f"exit {done.returncode} of {' '.join(args)}\n{done.stderr[-2000:]}")

    return run


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


def command(*words: str) -> list[str]:
    """Return the installed command as a user would start it."""
    return [str(Path(sys.executable).with_name("sleepagree")), *words]


# /proc/self/status is read rather than ru_maxrss, which survives exec and then tells the parent's peak. Memory that
# the inputs used and gave back would be used again unseen, so it is handed to the system before the marked part.
_METER = """
import ctypes, gc, json
def _status(key):
    for line in open('/proc/self/status'):
        if line.startswith(key):
            return int(line.split()[1]) * 1024
base = [0]
def begin():
    gc.collect()
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError):
        pass
    with open('/proc/self/clear_refs', 'w') as stream:
        stream.write('5')
    base[0] = _status('VmRSS')
"""
_BEGIN = "begin()\n"
_TRIAL_BYTES = 24 * MIB
#: Small blocks, which a heap that held on to its memory would find room for.
_TRIAL = f"blocks = [b'x' * 16384 * (i % 2 + 1) for i in range({_TRIAL_BYTES // 24576})]\n"


def peak_memory(code: str) -> tuple[int, int]:
    """Run code in a new process; return resident bytes before the marked part and the peak after it.

    The code marks the part with a line ``begin()`` after its imports and inputs. A trial with the same inputs first
    takes a known amount there, so that a meter that cannot see is found out.

    Raises
    ------
    RuntimeError
        When the trial's amount is not what was measured.
    """
    before, marked, _ = code.partition(_BEGIN)
    if not marked:
        raise ValueError("the code has no line 'begin()'")
    base, peak = _metered(before + _BEGIN + _TRIAL)
    if not 0.9 * _TRIAL_BYTES <= peak - base <= 1.2 * _TRIAL_BYTES:
        raise RuntimeError(
            f"memory cannot be measured here: {_TRIAL_BYTES / MIB:.0f} MiB were taken, {(peak - base) / MIB:.2f} seen"
        )
    return _metered(code)


def _metered(code: str) -> tuple[int, int]:
    script = _METER + code + "\nprint(json.dumps([base[0], _status('VmHWM')]))\n"
    done = subprocess.run([sys.executable, "-c", script], check=False, capture_output=True, text=True, cwd=Path.cwd())
    if done.returncode:
        raise RuntimeError(f"the measured code failed:\n{done.stderr[-2000:]}")
    base, peak = (int(v) for v in done.stdout.splitlines()[-1].strip("[]").split(","))
    return base, peak


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def machine() -> str:
    """Name the machine in a line."""
    model = "unknown processor"
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        model = next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        pass
    return f"{cores()} cores, {model}, {platform.system()}, Python {platform.python_version()}"


def versions() -> str:
    """Name the versions that the figures depend on."""
    told = [f"sleepagree {sleepagree.__version__}"]
    for name in ("numpy", "scipy", "pandas", "scikit-learn", "mne", "matplotlib", "pyarrow", "joblib", "dask"):
        with contextlib.suppress(metadata.PackageNotFoundError):
            told.append(f"{name} {metadata.version(name)}")
    return ", ".join(told)


def at_most(budget: str, what: str, subject: Timing, peer: Timing, limit: float, **more: Any) -> Row:
    """Judge that the subject takes at most ``limit`` times the peer's time."""
    value = ratio(subject, peer)
    return _row(budget, what, subject, peer, value, f"<= {limit:g} x", value <= limit, more)


def at_least(budget: str, what: str, subject: Timing, peer: Timing, limit: float, **more: Any) -> Row:
    """Judge that the subject is at least ``limit`` times faster than the peer."""
    value = ratio(peer, subject)
    return _row(budget, what, subject, peer, value, f">= {limit:g} x faster", value >= limit, more)


def stated(budget: str, what: str, subject: Timing, peer: Timing, **more: Any) -> Row:
    """State a ratio for which there is no limit."""
    return _row(budget, what, subject, peer, ratio(subject, peer), "stated", True, more)


def _row(
    budget: str, what: str, subject: Timing, peer: Timing, value: float, limit: str, met: bool, more: dict[str, Any]
) -> Row:
    low, high = subject.range
    return Row(
        budget, what, subject.median * 1e3, (low * 1e3, high * 1e3), peer.median * 1e3, value, limit, met, "ms", **more
    )


def used_memory(code: str) -> int:
    """Return the bytes that the marked part of some code takes at its peak; see :func:`peak_memory`."""
    base, peak = peak_memory(code)
    return max(0, peak - base)


def memory_row(budget: str, what: str, used: float, limit: float, note: str = "") -> Row:
    """Judge bytes used against a limit in bytes."""
    return Row(
        budget,
        what,
        used / MIB,
        (used / MIB, used / MIB),
        limit / MIB,
        used / limit,
        f"<= {limit / MIB:.1f} MiB",
        used <= limit,
        "MiB",
        note,
    )
