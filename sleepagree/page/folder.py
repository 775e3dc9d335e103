"""The private folder of one run of the page: gone at its end, or on the next start after a crash."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import time
from pathlib import Path
from typing import IO, Final, Self

from sleepagree.readers import SUFFIXES

_PREFIX: Final = "sleepagree-page-"
_LOCK: Final = "in-use"
#: A folder that is younger may belong to a run that has not locked it yet.
_YOUNG_S: Final = 60.0
_LONGEST_NAME_BYTES: Final = 150
_NOT_IN_NAMES: Final = frozenset('<>:"|?*')


class PrivateFolder:
    """A folder that only its owner may enter, for a ``with`` statement; whatever it holds is removed at the end."""

    def __init__(self) -> None:
        remove_leftovers()
        self.path = Path(tempfile.mkdtemp(prefix=_PREFIX))
        self._lock: IO[bytes] = (self.path / _LOCK).open("wb")
        _lock(self._lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.remove()

    def remove(self) -> None:
        """Remove the folder and everything in it; a second call does nothing."""
        self._lock.close()
        shutil.rmtree(self.path, ignore_errors=True)


def remove_leftovers() -> None:
    """Remove the folders of runs that were killed: those of this user which no living process has locked."""
    for found in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        with contextlib.suppress(OSError):
            status = found.lstat()
            own = not hasattr(os, "getuid") or status.st_uid == os.getuid()
            if own and stat.S_ISDIR(status.st_mode) and _is_abandoned(found, status):
                shutil.rmtree(found)


def _is_abandoned(folder: Path, status: os.stat_result) -> bool:
    lock = folder / _LOCK
    if not lock.exists():
        return time.time() - status.st_mtime > _YOUNG_S
    with lock.open("rb") as file:
        return _lock(file)


def _lock(file: IO[bytes]) -> bool:
    """Whether the lock is taken now; where there are no locks, an open file keeps its folder from being removed."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def stored_name(given: str, *, instead: str = "file") -> str:
    r"""Return the name under which an upload is stored: its own where it is a plain one, else a plain one.

    What a browser, or whoever plays one, calls a file is a text. Its last part is a name only if nothing in it could
    lead to another place.

    Examples
    --------
    >>> stored_name("crew-3-night-2.csv"), stored_name("..\\etc/.passwd"), stored_name("a/b\0.edf")
    ('crew-3-night-2.csv', 'file', 'file.edf')
    """
    name = given.replace("\\", "/").rsplit("/", 1)[-1]
    plain = name.isprintable() and not _NOT_IN_NAMES & set(name) and name[:1] not in ("", ".", "-", " ")
    if plain and len(os.fsencode(name)) <= _LONGEST_NAME_BYTES:
        return name
    suffix = next((suffix for suffix in SUFFIXES if name.casefold().endswith(suffix)), "")
    return f"{instead}{suffix}"


def stored_path(given: str) -> Path:
    """Return the path below a folder under which a file of a dropped folder is stored; each part a plain name.

    Examples
    --------
    >>> stored_path("study/lab/../crew-1.edf").parts
    ('study', 'lab', 'crew-1.edf')
    """
    parts = [part for part in given.replace("\\", "/").split("/") if part not in ("", ".", "..")]
    return Path(*(stored_name(part) for part in parts)) if parts else Path("file")
