"""The private folder of one run of the page: gone at its end, or on the next start after a crash."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import IO, Final, NamedTuple, Self

from sleepagree.readers.any_file import SUFFIXES

_PREFIX: Final = "sleepagree-page-"
_LOCK: Final = "in-use"
#: A folder that is younger may belong to a run that has not locked it yet.
_YOUNG_S: Final = 60.0
_LONGEST_NAME_BYTES: Final = 150
#: A semicolon stands between the references in a cell of a nights table.
_NOT_IN_NAMES: Final = frozenset('<>:"|?*;')


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
    r"""Return the name under which an upload is stored: its own, with ``_`` for what cannot stand in names everywhere.

    What a browser, or whoever plays one, calls a file is a text. Its last part is a name only if nothing in it could
    lead to another place.

    Examples
    --------
    >>> stored_name("crew-3-night-2.csv"), stored_name("..\\etc/.passwd"), stored_name("2026-04-13 22:30.edf")
    ('crew-3-night-2.csv', '_passwd', '2026-04-13 22_30.edf')
    """
    name = given.replace("\\", "/").rsplit("/", 1)[-1]
    plain = "".join("_" if c in _NOT_IN_NAMES or not c.isprintable() else c for c in name)
    if plain[:1] in (".", "-", " "):  # hidden, an option, or lost
        plain = f"_{plain[1:]}"
    return _shortened(plain) if plain else instead


def _shortened(name: str, mark: str = "") -> str:
    """Return a name with a mark before its suffix, cut there where it would be too long."""
    suffix = next((suffix for suffix in SUFFIXES if name.casefold().endswith(suffix)), "")
    stem, end = (name[: -len(suffix)], name[-len(suffix) :]) if suffix else (name, "")
    room = _LONGEST_NAME_BYTES - len(os.fsencode(end)) - len(mark)
    # in UTF-8, as a cut through the middle of a character leaves the whole ones
    return stem.encode("utf-8", "replace")[:room].decode("utf-8", "ignore") + mark + end


class Place(NamedTuple):
    """Where an upload is stored, below a folder, and what it is called there by who gave it."""

    path: Path
    given: str


def stored_paths(given: Sequence[str], *, taken: Collection[str] = ()) -> list[Place]:
    """Return where the uploads of a dropped folder are stored; no two lie at one place.

    The name of the folder that was dropped is left out, unless several were. Uploads keep their names where these are
    plain; where names would be the same, or are taken, one gets a number.

    Parameters
    ----------
    given : sequence of str
        What the browser calls them: paths, of which each part becomes a plain name.
    taken : collection of str
        Names in the folder that are somebody else's.

    Examples
    --------
    >>> [str(place.path) for place in stored_paths(["st/lab/../n1.edf", "st/22:30.csv", "st/22?30.csv"])]
    ['lab/n1.edf', '22_30.csv', '22_30-2.csv']
    """
    paths = _without_top([_parts(name) for name in given])
    held: dict[Path, set[str]] = {Path(): set(map(os.path.normcase, taken))}
    folders: dict[tuple[str, ...], Path] = {(): Path()}  # as it was given -> as it is stored
    places: dict[int, Place] = {}
    # names that can stay go first, so that none of them is taken by one that was made
    for i in sorted(range(len(paths)), key=lambda i: any(part != _stored_part(part) for part in paths[i])):
        *above, name = paths[i]
        for depth in range(1, len(above) + 1):
            folder, outer = tuple(above[:depth]), folders[tuple(above[: depth - 1])]
            if folder not in folders:
                folders[folder] = outer / _free_name(_stored_part(folder[-1]), held.setdefault(outer, set()))
        inner = folders[tuple(above)]
        places[i] = Place(inner / _free_name(_stored_part(name), held.setdefault(inner, set())), "/".join(paths[i]))
    return [places[i] for i in range(len(paths))]


def _parts(given: str) -> tuple[str, ...]:
    parts = (part for part in given.replace("\\", "/").split("/") if part not in ("", ".", ".."))
    return tuple(parts) or ("file",)


def _without_top(paths: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Return paths without the one folder that was dropped, as they are where several were or two would be the same."""
    below = [path[1:] or path for path in paths]
    is_one = len({path[0] for path in paths if len(path) > 1}) == 1
    return below if is_one and len(set(below)) == len(set(paths)) else paths


def _stored_part(part: str) -> str:
    # what is hidden stays so: the commands pass it over
    return f".{stored_name(part[1:])}" if part.startswith(".") else stored_name(part)


def _free_name(name: str, held: set[str]) -> str:
    """Return a name that is not held, and hold it."""
    free, number = name, 1
    while os.path.normcase(free) in held:
        number += 1
        free = _shortened(name, f"-{number}")
    held.add(os.path.normcase(free))
    return free
