"""What the bytes of a file are, looked at before anything is made of them.

A file that is not what a reader takes it for must not be quoted: the first line of an EDF file that was given as a
table names the patient. So the first bytes are looked at where a file is opened, and a message calls the file what it
is and shows none of it.

References
----------
.. [1] Kemp B, Olivan J. European data format 'plus' (EDF+), an EDF alike standard format for the exchange of
   physiological data. Clin Neurophysiol 2003;114:1755-61 (the header: 8 bytes of version, 80 of the patient, 80 of the
   recording, then date and time as dd.mm.yy and hh.mm.ss at byte 168).
.. [2] RFC 1952 (gzip), ISO/IEC 21320-1 (zip), and the marks that other formats put before everything else.
"""

from __future__ import annotations

import codecs
import re
from typing import Final, NamedTuple

from sleepagree.errors import FileFormatError

#: Bytes that are looked at: more than the fixed part of an EDF header.
HEAD_BYTES: Final = 1024
#: Suffixes of files whose content is said in another form before it is read.
MARKUP: Final = (".xml", ".html", ".htm")


class FileKind(NamedTuple):
    """A kind of file.

    Parameters
    ----------
    name : str
        With its article, as a message calls it.
    remedy : str
        What to do with one that stands where a text was expected.
    """

    name: str
    remedy: str


_OTHER_PLACE: Final = "Give the file that was meant; a recording is read where its name ends in "
EDF: Final = FileKind("an EDF recording, or the beginning of one", _OTHER_PLACE + ".edf.")
BDF: Final = FileKind("a BDF recording, or the beginning of one", _OTHER_PLACE + ".bdf.")
SPREADSHEET: Final = FileKind(
    "a spreadsheet (.xlsx, .ods or .xls)", "Open it in a spreadsheet program and save the sheet as CSV in UTF-8."
)
ZIP: Final = FileKind("a zip archive", "Unpack it and give the file inside.")
_COMPRESSED: Final = "Decompress it and give the file inside."
_GZIP: Final = FileKind("a file compressed with gzip", _COMPRESSED)
PARQUET: Final = FileKind(
    "a Parquet file", "Give it a name that ends in .parquet where a night or paired epochs are read."
)
_BINARY: Final = FileKind("a binary file", "Give the file that was meant, or export it as text.")
_EXPORT: Final = "Give the file that was meant, or export it as text."

#: What a file begins with -> its kind.
_MARKS: Final[tuple[tuple[bytes, FileKind], ...]] = (
    (b"\xffBIOSEMI", BDF),
    (b"\x1f\x8b", _GZIP),
    (b"PAR1", PARQUET),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", SPREADSHEET),
    (b"BZh", FileKind("a file compressed with bzip2", _COMPRESSED)),
    (b"\xfd7zXZ\x00", FileKind("a file compressed with xz", _COMPRESSED)),
    (b"\x28\xb5\x2f\xfd", FileKind("a file compressed with zstd", _COMPRESSED)),
    (b"7z\xbc\xaf\x27\x1c", FileKind("a 7z archive", "Unpack it and give the file inside.")),
    (b"%PDF-", FileKind("a PDF document", _EXPORT)),
    (b"\x89PNG\r\n", FileKind("a picture", _EXPORT)),
    (b"\xff\xd8\xff", FileKind("a picture", _EXPORT)),
    (b"\x89HDF\r\n", FileKind("an HDF5 file", _EXPORT)),
    (b"MATLAB 5.0 MAT-file", FileKind("a MAT-file", _EXPORT)),
    (b"SQLite format 3\x00", FileKind("an SQLite database", _EXPORT)),
)
#: The version of EDF: 0, filled up with spaces, by some programs with NUL.
_VERSION_BYTES: Final = 8
_ZIP_MARKS: Final = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_SHEET_PARTS: Final = (b"[Content_Types].xml", b"_rels/.rels", b"xl/", b"vnd.oasis.opendocument.spreadsheet")
#: Date and time of an EDF header, at byte 168: it is one whatever stands in its version.
_EDF_START: Final = re.compile(rb"[\d ]{2}\.[\d ]{2}\.[\dy ]{2}[\d ]{2}[.:][\d ]{2}[.:][\d ]{2}", re.DOTALL)
#: The longer marks first: that of UTF-32 begins like that of UTF-16.
WIDE_MARKS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
#: Encoding, and which of four bytes are NUL most often and never.
_WIDE_WITHOUT_MARK: Final = (
    ("utf-16-le", (1, 3), (0, 2)),
    ("utf-16-be", (0, 2), (1, 3)),
    ("utf-32-le", (2, 3), (0,)),
    ("utf-32-be", (0, 1), (3,)),
)
_CONTROLS: Final = bytes(byte for byte in range(32) if byte not in b"\t\n\v\f\r\x1a\x1b") + b"\x7f"
_MOST_CONTROLS: Final = 0.1


def kind_of_bytes(head: bytes) -> FileKind | None:
    """Return what kind of file begins like this, or None for a text.

    Parameters
    ----------
    head : bytes
        The first :data:`HEAD_BYTES` bytes, or all of them.

    Returns
    -------
    FileKind or None
        An EDF header is one however short it was cut, behind a byte-order mark, blank lines or in UTF-16 too: a text
        editor leaves such files.
    """
    text = _in_single_bytes(head)
    if len(text) >= _VERSION_BYTES and text[:_VERSION_BYTES].rstrip(b" \x00") == b"0":
        return EDF
    for mark, kind in _MARKS:
        if text.startswith(mark):
            return kind
    if text.startswith(_ZIP_MARKS):
        return SPREADSHEET if any(part in head for part in _SHEET_PARTS) else ZIP
    if _EDF_START.match(text, 168) is not None:
        return BDF if text[:1] == b"\xff" else EDF
    return None if _few_controls(text) else _BINARY


def _few_controls(head: bytes) -> bool:
    left = head.translate(None, _CONTROLS)
    return len(head) - len(left) <= _MOST_CONTROLS * len(head)


def _in_single_bytes(head: bytes) -> bytes:
    """Return the head without byte-order mark and blank lines; UTF-16 and UTF-32 with one byte a character."""
    for mark, encoding in WIDE_MARKS:
        if head.startswith(mark):
            return _narrowed(head[len(mark) :], encoding)
    if b"\x00" in head:  # without a mark, NUL stands beside most characters, and always on one side of them
        zeros = [head[i::4].count(0) for i in range(4)]
        for encoding, empty, full in _WIDE_WITHOUT_MARK:
            if not any(zeros[i] for i in full) and min(zeros[i] for i in empty) > 0.1 * len(head) / 4:
                return _narrowed(head, encoding)
    return head.removeprefix(codecs.BOM_UTF8).lstrip(b"\r\n\t\x0b\x0c ")


def _narrowed(head: bytes, encoding: str) -> bytes:
    return head.decode(encoding, "ignore").encode("latin-1", "replace").lstrip(b"\r\n\t\x0b\x0c ")


def refuse_foreign(head: bytes, path: str, *, expected: str, own: tuple[FileKind, ...] = ()) -> None:
    """Refuse a file that is no text, before any of it could be shown.

    Parameters
    ----------
    head : bytes
        Its first :data:`HEAD_BYTES` bytes.
    path : str
        File, for messages.
    expected : str
        What should stand there, with its article.
    own : tuple of FileKind
        What is expected instead of a text.

    Raises
    ------
    FileFormatError
        That calls the file what it is.
    """
    kind = kind_of_bytes(head)
    if kind is not None and kind not in own:
        raise FileFormatError(f"this is {kind.name}", path, "", "", expected, kind.remedy)
