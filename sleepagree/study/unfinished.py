"""The folder beside a study's results that keeps finished nights until all of the results are there."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from sleepagree.files.writing import is_partial, sole_run
from sleepagree.study.chunks import forget_chunks

#: How its name ends; `sleepagree nights` passes it over.
UNFINISHED: Final = ".unfinished"
_MADE_IN: Final = "made-in"


def unfinished_folder(out: Path) -> Path:
    """Return where the finished chunks of an interrupted study are kept."""
    return out.with_name(f"{out.name}{UNFINISHED}")


@contextlib.contextmanager
def sole_study(out: Path) -> Iterator[Path]:
    """Hold the folder of finished chunks for the one study that makes ``out``; yield it.

    What a killed run left half-made goes first. At the end the folder goes too; after an error the finished chunks
    stay in it, for a run that goes on.

    Raises
    ------
    OutputError
        When another run is making ``out``, or the folder cannot be written to.
    """
    keep = unfinished_folder(out)
    with sole_run(keep, out):
        _sweep(keep, out)
        try:
            yield keep
        except BaseException:
            _forget(keep)
            raise
        with contextlib.suppress(OSError):
            forget_chunks(keep)
        _forget(keep)


def remember(keep: Path, made: Path) -> None:
    """Note the folder that results are made in, for a run that is killed cannot remove it."""
    keep.mkdir(parents=True, exist_ok=True)
    (keep / _MADE_IN).write_text(made.name, encoding="utf-8")


def _forget(keep: Path) -> None:
    with contextlib.suppress(OSError):
        (keep / _MADE_IN).unlink()
        keep.rmdir()


def _sweep(keep: Path, out: Path) -> None:
    """Remove the half-made results that a killed run left beside the folder of results, or in it."""
    try:
        name = (keep / _MADE_IN).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return
    if is_partial(name) and Path(name).name == name:
        for folder in (out, out.parent):
            shutil.rmtree(folder / name, ignore_errors=True)
