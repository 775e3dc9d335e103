"""Writing results so that nothing is ever half-written and nothing is overwritten by accident."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from sleepagree.cells import neutralise_cell
from sleepagree.errors import OutputError


@contextlib.contextmanager
def fresh_folder(folder: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Yield an empty folder beside ``folder`` that takes its name when the block ends well.

    Raises
    ------
    OutputError
        When ``folder`` exists (and is not to be overwritten) or its parent cannot be written to.
    """
    refuse_existing(folder, overwrite=overwrite)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".part", dir=folder.parent))
        made.chmod(0o755)
    except OSError as error:
        raise _unwritable(folder, error) from None
    try:
        yield made
        _replace_folder(made, folder)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise _unwritable(folder, error) from None
    finally:
        shutil.rmtree(made, ignore_errors=True)


def refuse_existing(path: Path, *, overwrite: bool) -> None:
    """Raise an OutputError when ``path`` exists and is not to be overwritten."""
    if path.is_dir() and not any(path.iterdir()):
        return
    if (path.exists() or path.is_symlink()) and not overwrite:
        raise OutputError(
            "the output exists",
            str(path),
            "",
            "a folder" if path.is_dir() else "a file",
            "a name that is free",
            "Give another name, or --overwrite to replace it.",
        )


def _replace_folder(made: Path, folder: Path) -> None:
    if not folder.exists():
        made.rename(folder)
        return
    old = folder.with_name(made.name + ".old")
    folder.rename(old)
    made.rename(folder)
    if old.is_dir():
        shutil.rmtree(old)
    else:
        old.unlink()


def write_text(path: Path, text: str, *, overwrite: bool = True) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    OutputError
        When it exists and is not to be overwritten, or cannot be written.
    """
    refuse_existing(path, overwrite=overwrite)
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        # mkstemp makes files only their owner can read; results are as shareable as any other file
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: OSError) -> OutputError:
    return OutputError(
        "the output cannot be written",
        str(path),
        "",
        error.strerror or str(error),
        "a folder one may write to",
        "Nothing was left half-written; free space or give another place.",
    )


def csv_text(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as CSV text with LF line ends and neutralised cells."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerows([neutralise_cell(cell) for cell in row] for row in rows)
    return stream.getvalue()
