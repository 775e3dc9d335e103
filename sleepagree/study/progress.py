"""One line of progress on the error stream, kept by whoever scores many nights."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any, Final

Progress = Callable[[int, int], None]

_WIDTH: Final = 30


def take_progress(given: Any, *, at_end: str = "all scored", what: str = "nights") -> Progress | None:
    """Return what is called with what is done and all there is: a line for True, a callable as it is, None for none."""
    if given is None or given is False:
        return None
    if given is True:
        return progress_line(at_end, what)
    if not callable(given):
        raise TypeError(f"progress must be True, False or a callable, not {given!r}")
    taken: Progress = given
    return taken


def progress_line(at_end: str, what: str = "nights") -> Progress:
    """Return a function that writes one line over and over, and says ``at_end`` when all are done."""
    begun: list[tuple[float, int]] = []

    def show(done: int, total: int) -> None:
        if not total:
            print(f"\r  {done} {what} read", end="", file=sys.stderr, flush=True)
            return
        now = time.monotonic()
        if not begun:
            begun.append((now, done))
        started, before = begun[0]
        filled = _WIDTH * done // total
        bar = "█" * filled + "·" * (_WIDTH - filled)
        if done == total:
            remaining = at_end
        elif done == before:
            remaining = "starting"
        else:
            # nights that were kept by an earlier run took no time and tell nothing of the others
            remaining = f"{spoken_duration((now - started) / (done - before) * (total - done))} left"
        end = "\n" if done == total else ""
        print(f"\r  {bar} {done} of {total} {what}, {remaining}   ", end=end, file=sys.stderr, flush=True)

    return show


def spoken_duration(seconds: float) -> str:
    """Return a duration for people, as coarse as an estimate is."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60} min"
