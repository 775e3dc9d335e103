"""Writing results so that nothing is ever half-written and nothing is overwritten by accident."""

from __future__ import annotations

import contextlib
import errno
import os
import platform
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextvars import ContextVar
from enum import Enum
from pathlib import Path
from typing import Final

from sleepagree.errors import Option, OutputError, shorten
from sleepagree.files.formulas import escape_formula

#: Files of a results folder, as paths below it. Whoever writes a new one there adds it here: a folder that holds
#: any other file is never replaced.
RESULT_FILES: Final = frozenset((
    "results.json", "correction.json", "correction.csv", "corrected.json", "corrected.csv", "epochs.csv",
    "epochs.csv.gz", "epochs.parquet", "confusion.csv", "measures.csv", "nights.csv", "bias.csv", "bias_by_group.csv",
    "report.html", "aligned.edf", "aligned_events.tsv", "aligned_events.json", "aligned.csv", "aligned.parquet",
    "checklist.md",
))  # fmt: skip
#: What the system says where no more bytes can be written.
DISK_ERRORS: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
#: Kinds of file that a figure may be.
FIGURE_FORMS: Final = ("svg", "pdf", "png")
_RESULT_FOLDERS: Final = {"figures": "|".join(FIGURE_FORMS), "tables": "md|tex"}
_RESULT_BELOW: Final = re.compile("|".join(rf"{name}/[^/]+\.({ends})" for name, ends in _RESULT_FOLDERS.items()))
_OUR_JSON: Final = re.compile(rb'\s*\{\s*"schema"\s*:\s*"sleepagree\.')
_PARTIAL: Final = (".sleepagree-", ".part")
_MAKER: Final = re.compile(r"process (\d{1,19}) on (.+)")
_QUOTED: Final = re.compile(r'[",\r\n]')


class Replaces(Enum):
    """What ``--overwrite`` may do to a folder that exists."""

    #: Replace all of it, if it holds nothing but results of this package.
    RESULTS = "results"
    #: Replace files of the same names and leave every other file.
    SAME_NAMES = "same names"


# --- inputs -----------------------------------------------------------------------------------------------

_Found = Iterable[str | os.PathLike[str]]

#: What finds the inputs of the run that is going on; None where none is.
_INPUTS: ContextVar[list[Callable[[], _Found]] | None] = ContextVar("inputs", default=None)


@contextlib.contextmanager
def sparing_inputs() -> Iterator[None]:
    """Replace no file, inside the block, that was named as an input there (:func:`name_inputs`)."""
    token = _INPUTS.set([*(_INPUTS.get() or ())])
    try:
        yield
    finally:
        _INPUTS.reset(token)


def name_inputs(find: Callable[[], _Found]) -> None:
    """Name files that the run reads; outside :func:`sparing_inputs` nothing is remembered.

    Parameters
    ----------
    find : callable
        Returns their paths. It is called when an output exists that may be replaced, and not before: a study reads
        thousands of files, and most runs replace none.
    """
    inputs = _INPUTS.get()
    if inputs is not None:
        inputs.append(find)


def refuse_inputs(outputs: Iterable[Path]) -> None:
    """Raise an OutputError when one of the files that are to be replaced or removed is an input of the run.

    Two paths of one file are one file: through a link of either kind, another folder or another case of letters.

    Raises
    ------
    OutputError
        See above.
    """
    finders = _INPUTS.get()
    if not finders:
        return
    existing = {identity: path for path in outputs if (identity := _identity(path)) is not None}
    if not existing:
        return
    for find in finders:
        for given in find():
            identity = _identity(given)
            output = None if identity is None else existing.get(identity)
            if output is not None:
                problem, expected = "the output would replace a file that this command reads", "a file that is no input"
                remedy = f"Give another name; {Option.OVERWRITE:True} replaces results, never an input."
                found = f"the same file as {os.fspath(given)}"
                raise OutputError(problem, str(output), found=found, expected=expected, remedy=remedy)


def _identity(path: str | os.PathLike[str]) -> tuple[int, int] | None:
    """Return what two paths of one file share, None where there is no file."""
    try:
        status = os.stat(path)  # noqa: PTH116 - text or Path
    except (OSError, ValueError):
        return None
    return status.st_dev, status.st_ino


@contextlib.contextmanager
def _telling(fail: Callable[[Path, OSError], OutputError], path: Path) -> Iterator[None]:
    """Tell what the system refuses inside the block as an error about a file or a folder."""
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        raise fail(path, error) from None


# --- folders ----------------------------------------------------------------------------------------------


@contextlib.contextmanager
def fresh_folder(folder: Path, *, overwrite: bool = False, replaces: Replaces = Replaces.RESULTS) -> Iterator[Path]:
    """Yield an empty folder whose files reach ``folder`` when the block ends well, and vanish when it does not.

    A folder that exists stays the same folder: files are moved into it, so that the current folder, a mounted
    one and what a link points to are never removed.

    Parameters
    ----------
    folder : Path
        The folder; it is made, with the folders above it, when it is missing.
    overwrite : bool
        Whether it may exist and hold files.
    replaces : Replaces
        Which of those files.

    Raises
    ------
    OutputError
        When ``folder`` holds files that may not be replaced or are inputs, is no folder, or cannot be written to.
    """
    import shutil  # this and tempfile cost as much as a night that writes no file takes to read
    import tempfile

    refuse_folder(folder, overwrite=overwrite, replaces=replaces)
    exists = folder.is_dir()
    # inside a folder that exists, which may be a file system of its own; beside one that is still to be made
    parent = folder if exists else folder.absolute().parent
    with _telling(_cannot_write_folder, folder):
        parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=_PARTIAL[0], suffix=_PARTIAL[1], dir=parent))
    try:
        made.chmod(0o777 & ~_umask())
        yield made
        with _telling(_cannot_write_folder, folder):
            if exists:
                _move_into(made, folder, replaces)
            else:
                made.rename(folder)
    except OSError as error:
        if isinstance(error, OutputError) or not _is_about(error, made):
            raise
        raise _cannot_write_folder(folder, error) from None
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _is_about(error: OSError, folder: Path) -> bool:
    """Whether the system refuses a file of a folder, or any more bytes: those errors name no file."""
    return error.errno in DISK_ERRORS or str(error.filename or "").startswith(str(folder))


def refuse_folder(folder: Path, *, overwrite: bool, replaces: Replaces = Replaces.RESULTS) -> None:
    """Raise an OutputError when ``folder`` holds anything that may not be replaced; an empty one is free.

    Raises
    ------
    OutputError
        See above; also when it is a file, or a link to nothing.
    """
    with _telling(_cannot_write_folder, folder):
        if not folder.exists() and not folder.is_symlink():
            return
        is_folder, exists = folder.is_dir(), folder.exists()
        held = _held(folder) if is_folder else []
    if not is_folder:
        found = "a file" if exists else "a link to nothing"
        raise OutputError("this is not a folder", str(folder), "", found, "", "Give the name of a new folder.")
    if not held:
        return
    if not overwrite:
        may = "files of the same names in it" if replaces is Replaces.SAME_NAMES else "the results in it"
        remedy = f"Give the name of a new folder, or {Option.OVERWRITE:True} to replace {may}."
        raise OutputError("the folder exists and is not empty", str(folder), remedy=remedy)
    if replaces is Replaces.RESULTS:
        _refuse_strangers(folder, held)
        refuse_inputs(held)


def is_partial(name: str) -> bool:
    """Whether a name is that of a file or folder which is still being made, or was when a run was killed."""
    return name.startswith(_PARTIAL[0]) and name.endswith(_PARTIAL[1])


def _held(folder: Path) -> list[Path]:
    """Return what a folder holds, but for what an interrupted run left there under a name of our own."""
    found = [path for path in folder.iterdir() if not is_partial(path.name)]
    for below in (folder / name for name in _RESULT_FOLDERS):
        if below.is_dir() and not below.is_symlink():
            found += below.iterdir()
    return sorted(found)


def _refuse_strangers(folder: Path, held: Sequence[Path]) -> None:
    """Raise an OutputError unless a folder holds results of this package and nothing else."""
    strangers = [path for path in held if not _is_result(path, folder)]
    if not strangers and any(
        _wrote_results(folder / name) for name in ("results.json", "correction.json", "corrected.json")
    ):
        return
    names = ", ".join(f"'{shorten(path.relative_to(folder).as_posix())}'" for path in (strangers or held)[:3])
    more = len(strangers or held) - 3
    problem = "the folder holds files that are no results of sleepagree, so it is not replaced"
    found = names + (f" and {more} more" if more > 0 else "")
    raise OutputError(problem, str(folder), found=found, remedy="Give another name, or take these files out of it.")


def _is_result(path: Path, folder: Path) -> bool:
    text = path.relative_to(folder).as_posix()
    if path.is_symlink():
        return False
    if path.is_dir():
        return text in _RESULT_FOLDERS
    return text in RESULT_FILES or _RESULT_BELOW.fullmatch(text) is not None


def _wrote_results(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return _OUR_JSON.match(stream.read(200)) is not None
    except OSError:
        return False


def _move_into(made: Path, folder: Path, replaces: Replaces) -> None:
    """Move the files of ``made`` into a folder that exists; results that were not made again go."""
    new = sorted(path.relative_to(made) for path in made.rglob("*") if path.is_file())
    refuse_inputs(folder / below for below in new)
    for below in new:
        (folder / below).parent.mkdir(parents=True, exist_ok=True)
        (made / below).replace(folder / below)
    if replaces is Replaces.SAME_NAMES:
        return
    for path in _held(folder):
        if _is_result(path, folder) and not path.is_dir() and path.relative_to(folder) not in new:
            path.unlink()
    for name in _RESULT_FOLDERS:
        with contextlib.suppress(OSError):  # it is still full, or never was
            (folder / name).rmdir()


def _cannot_write_folder(folder: Path, error: OSError) -> OutputError:
    problem, expected = "the folder cannot be written", "a folder with room in it where you may write"
    remedy = "Give another folder."
    found = error.strerror or type(error).__name__
    return OutputError(problem, str(folder), found=found, expected=expected, remedy=remedy)


# --- one run at a time ------------------------------------------------------------------------------------

_LOCK: Final = "run.lock"


@contextlib.contextmanager
def sole_run(folder: Path, results: Path) -> Iterator[None]:
    """Let no second run keep its files in ``folder`` while the block lasts; an empty folder goes at its end.

    The system holds the lock for the process, so that a run that was killed holds nothing. On file systems that know
    no locks, the file tells who made it, and a process that is gone from this machine holds nothing either.

    Parameters
    ----------
    folder : Path
        Where the run keeps what it has finished; it is made when it is missing.
    results : Path
        What the run makes, for the message.

    Raises
    ------
    OutputError
        When another run holds the folder, or it cannot be written to.
    """
    path = folder / _LOCK
    with _telling(_cannot_write_folder, folder):
        try:
            descriptor = _hold(path, results)
        except OSError:
            with contextlib.suppress(OSError):
                folder.rmdir()
            raise
    try:
        yield
    finally:
        _let_go(path, descriptor)


def _hold(path: Path, results: Path) -> int:
    """Return the open lock file."""
    while True:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        if not _lock(descriptor):
            holder = shorten(_maker(descriptor).strip())
            os.close(descriptor)
            problem, expected = "another run is making these results", "one run at a time"
            remedy = f"Wait until it is done, or give another folder. If it is surely gone, remove {path}."
            found = holder or "a run that has just begun"
            raise OutputError(problem, str(results), found=found, expected=expected, remedy=remedy)
        # a run that ended in between has removed the file that was opened: this lock would keep nobody out
        if _identity(path) == (os.fstat(descriptor).st_dev, os.fstat(descriptor).st_ino):
            break
        os.close(descriptor)
    try:
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, f"process {os.getpid()} on {platform.node()}".encode())
    except OSError:
        _let_go(path, descriptor)
        raise
    return descriptor


def _maker(descriptor: int) -> str:
    """Return what an open lock file tells of who made it."""
    os.lseek(descriptor, 0, os.SEEK_SET)
    return os.read(descriptor, 300).decode("utf-8", "replace")


def _lock(descriptor: int) -> bool:
    """Take the lock of an open file; return False when another process has it."""
    if sys.platform == "win32":
        import msvcrt

        os.lseek(descriptor, 1024 * 1024, os.SEEK_SET)  # behind the text, which is to stay readable
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return not _lives(_maker(descriptor))
    return True


def _lives(maker: str) -> bool:
    """Whether the process that a lock file tells of is still there; one on another machine is taken to be."""
    found = _MAKER.fullmatch(maker.strip())
    if found is None:
        return False
    if found[2] != platform.node():
        return True
    try:
        os.kill(int(found[1]), 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return int(found[1]) != os.getpid()


def _let_go(path: Path, descriptor: int) -> None:
    """Remove the lock file while it is held, then let go of it; Windows removes no open file."""
    if sys.platform == "win32":
        os.close(descriptor)
    with contextlib.suppress(OSError):
        path.unlink()
    with contextlib.suppress(OSError):
        path.parent.rmdir()
    if sys.platform != "win32":
        os.close(descriptor)


# --- files ------------------------------------------------------------------------------------------------


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
        refuse_file(path, overwrite=overwrite)
    finished: list[tuple[Path, Path]] = []
    try:
        for path, data in files.items():
            finished.append((_write_beside(path, data), path))
        while finished:
            temporary, path = finished[0]
            with _telling(_cannot_write, path):
                temporary.replace(path)
            finished.pop(0)
    finally:
        for temporary, _ in finished:
            with contextlib.suppress(OSError):
                temporary.unlink()


def write_text(path: Path, text: str, *, overwrite: bool = True) -> None:
    """Write one file of text whole or not at all, as UTF-8 with the line ends that the text has.

    Raises
    ------
    OutputError
        As :func:`write_files`.
    """
    write_files({path: encode_text(text)}, overwrite=overwrite)


def encode_text(text: str) -> bytes:
    """Return UTF-8; half a surrogate pair, as a broken file name or label may hold one, becomes its escape."""
    return text.encode("utf-8", "backslashreplace")


def refuse_file(path: Path, *, overwrite: bool) -> None:
    """Raise an OutputError when a file cannot be written at ``path``, so that it is known before the work.

    Raises
    ------
    OutputError
        When it exists and may not be replaced, is an input or a folder, or lies in a folder that does not exist.
    """
    with _telling(_cannot_write, path):
        is_folder, has_folder = path.is_dir(), path.parent.is_dir()
    if is_folder:
        raise OutputError("this is a folder", str(path), "", "", "the name of a file", "Give a file name inside it.")
    refuse_existing(path, overwrite=overwrite)
    if not has_folder:
        problem, expected = "the folder of the file does not exist", "a folder that exists"
        remedy = "Make the folder first."
        raise OutputError(problem, str(path), found=str(path.parent), expected=expected, remedy=remedy)


def refuse_existing(path: Path, *, overwrite: bool) -> None:
    """Raise an OutputError when ``path`` is an input, or exists and may not be replaced; an empty folder is free."""
    with _telling(_cannot_write, path):
        is_folder = path.is_dir()
        taken = any(path.iterdir()) if is_folder else path.exists() or path.is_symlink()
    if taken and not overwrite:
        problem, expected = "the output exists", "a name that is free"
        remedy = f"Give another name, or {Option.OVERWRITE:True} to replace it."
        found = "a folder" if is_folder else "a file"
        raise OutputError(problem, str(path), found=found, expected=expected, remedy=remedy)
    if taken and not is_folder:
        refuse_inputs([path])


def _write_beside(path: Path, data: bytes) -> Path:
    """Write a temporary file in the folder of ``path``, where a rename into place is one step."""
    import tempfile

    with _telling(_cannot_write, path):
        # a prefix of its own: with the name of the file in it, it could become too long for the file system
        descriptor, name = tempfile.mkstemp(prefix=_PARTIAL[0], suffix=_PARTIAL[1], dir=path.parent)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(data)
            Path(name).chmod(0o666 & ~_umask())
        except OSError:
            with contextlib.suppress(OSError):
                Path(name).unlink()
            raise
    return Path(name)


def _umask() -> int:
    # tempfile makes what only its owner can read; results follow the user's umask like any other file
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _cannot_write(path: Path, error: OSError) -> OutputError:
    problem, found = "the file cannot be written", error.strerror or type(error).__name__
    return OutputError(problem, str(path), found=found, remedy="Check who may write there and how much room is left.")


# --- CSV --------------------------------------------------------------------------------------------------


def csv_text(rows: Iterable[Sequence[str]], *, delimiter: str = ",") -> str:
    """Return rows as CSV text (RFC 4180; any delimiter) with LF line ends and neutralised cells."""
    # a row of one empty cell would be a blank line, which readers skip
    return "".join((delimiter.join(_csv_cell(cell, delimiter) for cell in row) or '""') + "\n" for row in rows)


def _csv_cell(text: str, delimiter: str) -> str:
    # csv.writer leaves a lone carriage return unquoted when lines end in LF, and readers take it for a line end
    cell = escape_formula(text)
    return '"' + cell.replace('"', '""') + '"' if delimiter in cell or _QUOTED.search(cell) else cell
