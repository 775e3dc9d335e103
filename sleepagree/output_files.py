"""Writing results: a file is there whole or not at all, and nothing is replaced unless asked."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from sleepagree.errors import OutputError
from sleepagree.output import refuse_existing


def write_files(files: Mapping[Path, bytes], *, overwrite: bool = False) -> None:
    """Write files that belong together; when one of them cannot be written, none of them changes.

    Parameters
    ----------
    files : mapping of Path to bytes
        Path -> content. The folders must exist.
    overwrite : bool
        Whether files that exist may be replaced.

    Raises
    ------
    OutputError
        When a file exists and may not be replaced, or its folder is missing or not writable.
    """
    for path in files:
        _refuse(path, overwrite=overwrite)
    finished: list[tuple[Path, Path]] = []
    try:
        for path, data in files.items():
            finished.append((_write_beside(path, data), path))
        while finished:
            temporary, path = finished[0]
            try:
                temporary.replace(path)
            except OSError as error:
                raise _cannot_write(path, error) from None
            finished.pop(0)
    finally:
        for temporary, _ in finished:
            with contextlib.suppress(OSError):
                temporary.unlink()


def _refuse(path: Path, *, overwrite: bool) -> None:
    if path.is_dir():
        raise OutputError("this is a folder", str(path), "", "", "the name of a file", "Give a file name inside it.")
    refuse_existing(path, overwrite=overwrite)
    if not path.parent.is_dir():
        raise OutputError(
            "the folder of the file does not exist",
            str(path),
            "",
            str(path.parent),
            "a folder that exists",
            "Make the folder first.",
        )


def _write_beside(path: Path, data: bytes) -> Path:
    """Write a temporary file in the folder of ``path``, where a rename into place is one step."""
    name = ""
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
        # mkstemp makes files that only their owner can read; results follow the user's umask like any file
        mask = os.umask(0)
        os.umask(mask)
        Path(name).chmod(0o666 & ~mask)
    except OSError as error:
        if name:
            with contextlib.suppress(OSError):
                Path(name).unlink()
        raise _cannot_write(path, error) from None
    return Path(name)


def _cannot_write(path: Path, error: OSError) -> OutputError:
    return OutputError(
        "the file cannot be written",
        str(path),
        "",
        error.strerror or type(error).__name__,
        "",
        "Check who may write there and how much room is left.",
    )
