"""Opening an input file and reading its bytes, with one message for everything that can go wrong there."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from types import MappingProxyType
from typing import Final, Self

from sleepagree.errors import InputError, Option
from sleepagree.files.kinds import HEAD_BYTES, FileKind, refuse_foreign
from sleepagree.files.writing import name_inputs

#: What a reader that says nothing else expects.
TABLE_OF_TEXTS: Final = "a table of texts such as CSV or TSV"

#: A night as a table is some 100 kB; a table of this size is something else.
LARGEST_TABLE_BYTES: Final = 512 * 1024 * 1024

# A named pipe without a writer would make a plain open wait for ever; O_NONBLOCK is missing on Windows, where
# O_BINARY is needed instead.
_FLAGS: Final = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
_CAN_READ_AT: Final = hasattr(os, "pread")

#: Contents that stand for files, by the path that names each: what was unpacked, or came in at standard input.
_HELD: Final[ContextVar[Mapping[str, bytes]]] = ContextVar("held", default=MappingProxyType({}))


@contextmanager
def holding(path: str, data: bytes) -> Iterator[None]:
    """Take bytes for the content of a file, inside the block, wherever that path is opened for reading."""
    token = _HELD.set({**_HELD.get(), path: data})
    try:
        yield
    finally:
        _HELD.reset(token)


class InputFile:
    """An input file that is open for reading; close it, or use it in a ``with`` statement.

    Parameters
    ----------
    path : str
        Path as the user gave it, for messages.
    descriptor : int
        Of the open file.
    status : os.stat_result or None
        Of the open file, taken when it was opened.
    data : bytes, optional
        Its content, where that is known already.
    """

    __slots__ = ("_data", "_descriptor", "_status", "path")

    def __init__(self, path: str, descriptor: int, status: os.stat_result | None, data: bytes | None = None) -> None:
        self.path = path
        self._descriptor = descriptor
        self._status = status
        self._data = data

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def size(self) -> int:
        """Bytes of the file when it was opened."""
        return len(self._data or b"") if self._status is None else self._status.st_size

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def load(self) -> bytes:
        """Read the whole file and close it; later reads take from what was read.

        Raises
        ------
        InputError
            As :meth:`read_at` and :meth:`check_unchanged`.
        """
        data = self.read_at(0, self.size)
        self.check_unchanged()
        self.close()
        self._data = data
        return data

    def read_at(self, offset: int, count: int) -> bytes:
        """Return ``count`` bytes from ``offset`` on, all of them.

        Raises
        ------
        InputError
            When the file ends before, because it was cut while it was read, or when the disk fails.
        """
        if self._data is not None and offset + count <= len(self._data):
            return self._data[offset : offset + count]
        data = b""
        while len(data) < count:
            part = self._read_some(offset + len(data), count - len(data))
            if not part:
                raise self._changed(f"{offset + len(data)} bytes")
            data += part
        return data

    def read_each(self, offsets: Iterable[int], count: int) -> list[bytes]:
        """Return ``count`` bytes from each of the offsets on.

        Raises
        ------
        InputError
            As :meth:`read_at`.
        """
        return [self.read_at(offset, count) for offset in offsets]

    def _read_some(self, offset: int, count: int) -> bytes:
        try:
            if _CAN_READ_AT:
                return os.pread(self._descriptor, count, offset)
            os.lseek(self._descriptor, offset, os.SEEK_SET)
            return os.read(self._descriptor, count)
        except OSError as error:
            problem = "the file cannot be read"
            remedy = "Copy the file to a local disk and try again."
            found = error.strerror or type(error).__name__
            raise InputError(problem, self.path, f"byte {offset}", found, remedy=remedy) from None

    def check_unchanged(self) -> None:
        """Raise an error when the file is not the one that was opened any more.

        Raises
        ------
        InputError
            When its size or its time of change differs.
        """
        if self._data is not None or self._status is None:
            return  # it was looked at when it was closed
        now = os.fstat(self._descriptor)
        if now.st_size != self._status.st_size or now.st_mtime_ns != self._status.st_mtime_ns:
            raise self._changed(f"{now.st_size} bytes")

    def _changed(self, found: str) -> InputError:
        problem, expected = "the file changed while it was being read", f"{self.size} bytes, as when it was opened"
        remedy = "Wait until the program that writes it has finished, then try again."
        return InputError(problem, self.path, found=found, expected=expected, remedy=remedy)


def open_input(path: str | os.PathLike[str]) -> InputFile:
    """Open an input file for reading.

    Parameters
    ----------
    path : path-like
        A regular file that is not empty.

    Returns
    -------
    InputFile
        To be used in a ``with`` statement.

    Raises
    ------
    InputError
        When there is no such file, it is a folder or no regular file, it may not be read, or it is empty.
    """
    name = os.fspath(path)
    if (held := _HELD.get().get(name)) is not None:
        return InputFile(name, -1, None, held)
    try:
        descriptor = os.open(name, _FLAGS)
    except (OSError, ValueError) as error:
        raise _cannot_open(name, error) from None
    status = os.fstat(descriptor)
    if status.st_size > 0 and stat.S_ISREG(status.st_mode):
        name_inputs(lambda: (name,))
        return InputFile(name, descriptor, status)
    os.close(descriptor)
    if stat.S_ISDIR(status.st_mode):
        raise _is_folder(name)
    if not stat.S_ISREG(status.st_mode):
        problem, expected = "this is a pipe or a device", "a regular file"
        raise InputError(problem, name, expected=expected, remedy="Write the data to a file first and give its path.")
    remedy = "Export or copy it again; a copy that was broken off leaves such files."
    raise InputError("the file is empty", name, found="0 bytes", remedy=remedy)


def _is_folder(name: str) -> InputError:
    return InputError("this is a folder", name, "", "", "a file", "Give the path of one file inside it.")


def _cannot_open(name: str, error: OSError | ValueError) -> InputError:
    if isinstance(error, ValueError):
        return InputError("this is no usable path", name, "", str(error), "", "Check the path.")
    if Path(name).is_dir():  # Windows answers "permission denied" when a folder is opened
        return _is_folder(name)
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        folder = Path(name).parent
        missing = "the file does not exist" if folder.is_dir() else "its folder does not exist"
        return InputError(missing, name, "", "", "", f"Check the path, seen from {Option.FOLDER:{Path.cwd()}}.")
    found = error.strerror or type(error).__name__
    return InputError("the file cannot be opened", name, "", found, "", "Check who may read it.")


def read_bytes(
    path: str | os.PathLike[str],
    *,
    expected: str = TABLE_OF_TEXTS,
    largest: int = LARGEST_TABLE_BYTES,
    own: tuple[FileKind, ...] = (),
) -> bytes:
    """Return all bytes of an input file that should be a text of any kind, or of its own kind.

    Parameters
    ----------
    path : path-like
        A regular file that is not empty.
    expected : str
        What should stand there, for messages.
    largest : int
        Bytes that are accepted.
    own : tuple of FileKind
        What is expected instead of a text.

    Returns
    -------
    bytes
        At least one byte.

    Raises
    ------
    InputError
        As :func:`open_input`; also when the file is larger than ``largest`` or changes while it is read.
    FileFormatError
        When it is a recording, a spreadsheet, a compressed file or another binary one. Nothing of it is shown.
    """
    with open_input(path) as file:
        if file.size > largest:
            refuse_foreign(file.read_at(0, min(HEAD_BYTES, file.size)), file.path, expected=expected, own=own)
            problem = "the file is too large for this kind of file"
            remedy = "Give one night a file, or check that this is the file that you meant."
            found = f"{file.size} bytes"
            raise InputError(problem, file.path, found=found, expected=f"at most {largest} bytes", remedy=remedy)
        data = file.load()
    refuse_foreign(data[:HEAD_BYTES], file.path, expected=expected, own=own)
    return data


@contextmanager
def open_known(
    path: str | os.PathLike[str], *, expected: str = TABLE_OF_TEXTS, own: tuple[FileKind, ...] = ()
) -> Iterator[InputFile]:
    """Open a text, or a file of its own kind, that may be too large to be held; errors as :func:`read_bytes`."""
    with open_input(path) as file:
        refuse_foreign(file.read_at(0, min(HEAD_BYTES, file.size)), file.path, expected=expected, own=own)
        yield file
