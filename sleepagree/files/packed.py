"""What is inside a compressed file, and what comes in at standard input: held in memory, within bounds.

References
----------
.. [1] RFC 1952 (gzip: members one after the other) and ISO/IEC 21320-1 (zip).
"""

from __future__ import annotations

import io
import os
import sys
import zlib
from collections.abc import Mapping
from functools import cache
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final, NamedTuple

from sleepagree.errors import FileFormatError, InputError, counted
from sleepagree.files.kinds import BDF, EDF, HEAD_BYTES, PARQUET, SPREADSHEET, FileKind, kind_of_bytes
from sleepagree.files.reading import open_input

if TYPE_CHECKING:
    from zipfile import ZipFile

#: A night of signals is some hundred megabytes; what unpacks to more is no night.
LARGEST_BYTES: Final = 256 * 1024 * 1024
#: Names of files that are packed.
PACKED: Final = (".gz", ".zip")
#: The path of standard input, and what messages call it.
STANDARD_INPUT: Final = "-"
STANDARD_INPUT_NAME: Final = "standard input"
_MOST_ENTRIES: Final = 1000
_CHUNK: Final = 1024 * 1024
_GZIP: Final = b"\x1f\x8b"
_ZIP: Final = b"PK"
_ENTRY_MARK: Final = b"PK\x01\x02"
_BROKEN: Final = "It may be cut short; copy or export it again."
_SUFFIXES: Final[Mapping[FileKind | None, str]] = {EDF: ".edf", BDF: ".bdf", PARQUET: ".parquet", SPREADSHEET: ".xlsx"}


class Content(NamedTuple):
    """What stands for a file: its name, as a reader is chosen by it, and its bytes."""

    name: str
    data: bytes


def unpack(path: str, data: bytes | None = None) -> Content:
    """Return the one file inside a compressed one.

    Parameters
    ----------
    path : str
        File with a name in ``.gz`` or ``.zip``.
    data : bytes, optional
        Its content, if it is known.

    Raises
    ------
    FileFormatError
        When it is broken, encrypted, packed twice, or holds another number of files than one.
    InputError
        When it cannot be read, or holds more than :data:`LARGEST_BYTES`.
    """
    if data is None:
        with open_input(path) as file:
            if file.size > LARGEST_BYTES:
                raise _too_large(path, f"{file.size} bytes")
            data = file.load()
    if data.startswith(_GZIP):
        name = os.path.basename(path)  # noqa: PTH119 - speed
        content = Content(name[:-3] if name.casefold().endswith(".gz") else "", _gunzip(data, path))
    elif data.startswith(_ZIP):
        content = _unzip(data, path)
    else:
        problem, expected = "this is no compressed file, although its name says so", "gzip or zip"
        raise FileFormatError(problem, path, "", "", expected, "Rename it as what it is.")
    if _is_packed(content.data):
        problem, remedy = "the file is packed twice", "Unpack it and give the file inside."
        raise FileFormatError(problem, path, "", "", "one file inside", remedy)
    return content._replace(name=content.name if PurePosixPath(content.name).suffix else _named(content.data))


def read_standard_input() -> Content:
    """Return what comes in at standard input, under a name that says what it is; read once, and kept.

    Raises
    ------
    InputError
        When nothing comes in, or more than :data:`LARGEST_BYTES`.
    """
    data = _standard_input()
    if _is_packed(data):
        return unpack(STANDARD_INPUT_NAME, data)
    return Content(_named(data), data)


def _is_packed(data: bytes) -> bool:
    """Whether bytes are compressed; a spreadsheet is an archive to itself."""
    return data.startswith(_GZIP) or (data.startswith(_ZIP) and kind_of_bytes(data[:HEAD_BYTES]) is not SPREADSHEET)


@cache
def _standard_input() -> bytes:
    data = sys.stdin.buffer.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise _too_large(STANDARD_INPUT_NAME, f"more than {LARGEST_BYTES} bytes")
    if not data:
        raise InputError("nothing came in at standard input", "", "", "0 bytes", "", "Pipe a file into it.")
    return data


def _named(data: bytes) -> str:
    """Return a name with the suffix of what the bytes are."""
    head = data[:HEAD_BYTES]
    if suffix := _SUFFIXES.get(kind_of_bytes(head)):
        return "night" + suffix
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    return "night.json" if text[:1] in (b"{", b"[") else "night.csv"


def _gunzip(data: bytes, path: str) -> bytes:
    parts: list[bytes] = []
    size = 0
    while data.strip(b"\0"):  # zeros may fill up the end
        member = zlib.decompressobj(wbits=31)
        try:
            while not member.eof:
                part = member.decompress(data, _CHUNK)
                data = member.unconsumed_tail
                size += len(part)
                parts.append(part)
                if size > LARGEST_BYTES:
                    raise _too_large(path, f"more than {LARGEST_BYTES} bytes inside")
                if not part and not data and not member.eof:
                    raise FileFormatError("the compressed file is cut short", path, remedy=_BROKEN)
        except zlib.error:
            raise FileFormatError("the compressed file is broken", path, remedy=_BROKEN) from None
        data = member.unused_data
    if not size:
        raise InputError("the file inside is empty", path, found="0 bytes", remedy=_BROKEN)
    return b"".join(parts)


def _unzip(data: bytes, path: str) -> Content:
    archive = open_zip(data, path)
    entries = [info for info in archive.infolist() if not info.is_dir() and not info.filename.startswith("__MACOSX/")]
    if len(entries) != 1:
        problem, expected = "the archive holds another number of files than one", "one file"
        found = counted(len(entries), "file")
        raise FileFormatError(problem, path, "", found, expected, "Unpack it and give the file inside.")
    entry = entries[0]
    try:
        content = archive.read(entry)
    except _damages():
        raise FileFormatError("the archive cannot be unpacked", path, remedy=_BROKEN) from None
    except RuntimeError:  # also NotImplementedError: a way that nobody knows, or that this Python was built without
        problem, remedy = "the archive is packed in a way that is not known here", "Unpack it and give the file inside."
        raise FileFormatError(problem, path, remedy=remedy) from None
    if not content:
        raise InputError("the file inside is empty", path, found="0 bytes", remedy=_BROKEN)
    return Content(PurePosixPath(entry.filename).name, content)


def _damages() -> tuple[type[Exception], ...]:
    """Return what is raised for damaged data by all ways of packing; a Python may have been built without LZMA."""
    from zipfile import BadZipFile

    found = (BadZipFile, zlib.error, EOFError, OSError, ValueError, MemoryError)
    try:
        from lzma import LZMAError
    except ImportError:
        return found
    return (*found, LZMAError)


def open_zip(data: bytes, path: str, *, largest: int = LARGEST_BYTES) -> ZipFile:
    """Return an archive whose files are no more than ``largest`` bytes together, by its directory.

    What is read of a file is never more than its directory says.

    Raises
    ------
    FileFormatError
        When it is broken or encrypted, or has too many entries.
    InputError
        When it would unpack to more.
    """
    import zipfile  # few nights come in one

    if data.count(_ENTRY_MARK) > _MOST_ENTRIES:
        raise InputError("the archive holds too many files", path, expected=f"at most {_MOST_ENTRIES}")
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        raise FileFormatError("the archive is broken", path, remedy=_BROKEN) from None
    size = sum(info.file_size for info in archive.infolist())
    if size > largest:
        raise _too_large(path, f"{size} bytes inside")
    if any(info.flag_bits & 1 for info in archive.infolist()):
        raise FileFormatError("the archive is encrypted", path, remedy="Unpack it and give the file inside.")
    return archive


def _too_large(path: str, found: str) -> InputError:
    problem, remedy = "the file is too large to be unpacked in memory", "Unpack it and give the file of one night."
    return InputError(problem, path, "", found, f"at most {LARGEST_BYTES} bytes", remedy)
