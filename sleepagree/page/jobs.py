"""Commands that the page runs in processes of their own: what they say, how far they are, and how they are stopped."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

#: Report in the words of the page, in the folder of a command.
SHOWN: Final = "shown.html"
_PROGRESS: Final = re.compile(r"progress (\d+) (\d+)")
_MOST_LINES: Final = 400
_LONGEST_LINE: Final = 64 * 1024
_PATIENCE_S: Final = 3.0


class Job:
    """One command that runs, or has run.

    Parameters
    ----------
    words : sequence of str
        What follows ``sleepagree``.
    folder : Path
        Where it runs; paths in ``words`` are relative to it.
    """

    def __init__(self, words: Sequence[str], folder: Path) -> None:
        self._words = words
        self._folder = folder
        self._process: asyncio.subprocess.Process | None = None
        self._lines: list[str] = []
        self.done = self.total = 0
        self.stopped = False
        self.task = asyncio.create_task(self._run())

    @property
    def running(self) -> bool:
        """Whether it has not ended."""
        return not self.task.done()

    @property
    def exit_code(self) -> int | None:
        """Its exit code, None while it runs or where it could not be started."""
        return None if self._process is None or self.running else self._process.returncode

    @property
    def said(self) -> str:
        """What it said on standard error, without the head of the line."""
        return "\n".join(line.removeprefix("sleepagree: ") for line in self._lines)

    async def _run(self) -> None:
        # -P: a file that somebody uploads as numpy.py is no module
        command = (sys.executable, "-P", "-m", "sleepagree", "--for-page", SHOWN, *self._words)
        self._process = process = await asyncio.create_subprocess_exec(
            *command,
            cwd=self._folder,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            start_new_session=True,
            limit=_LONGEST_LINE,
        )
        assert process.stderr is not None  # noqa: S101 - for mypy: it is a pipe
        with contextlib.suppress(ValueError):  # a line without an end
            async for line in process.stderr:
                self._hear(line.decode("utf-8", "replace").rstrip("\r\n"))
        await process.wait()

    def _hear(self, line: str) -> None:
        if found := _PROGRESS.fullmatch(line):
            self.done, self.total = int(found[1]), int(found[2])
        elif len(self._lines) < _MOST_LINES:
            self._lines.append(line)

    async def stop(self) -> None:
        """End it as Ctrl-C does, and hard where that is not heard."""
        self.stopped = True
        self._signal(signal.SIGINT)
        await asyncio.wait([self.task], timeout=_PATIENCE_S)
        self.kill()

    def kill(self) -> None:
        """End it, and whatever it has started, at once."""
        self._signal(getattr(signal, "SIGKILL", signal.SIGTERM))

    def _signal(self, number: int) -> None:
        if self._process is None or self._process.returncode is not None:
            return
        with contextlib.suppress(ProcessLookupError):
            if hasattr(os, "killpg"):
                os.killpg(self._process.pid, number)
            else:
                self._process.terminate()
