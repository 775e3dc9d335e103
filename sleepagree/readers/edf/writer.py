"""Writing an EDF+ or BDF+ file that holds nothing but annotations."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import Final

from sleepagree.errors import take_choice
from sleepagree.files.writing import write_files
from sleepagree.readers.edf.annotation_lists import format_tal
from sleepagree.readers.edf.header import MONTHS

_RECORDING_STARTS: Final = "Recording starts"


class EdfFamily(StrEnum):
    """Which of the two formats to write: two or three bytes a sample."""

    EDF = "EDF+"
    BDF = "BDF+"


def write_edf_annotations(
    path: str | os.PathLike[str],
    annotations: Sequence[tuple[float, float | None, str]],
    *,
    start: datetime,
    family: EdfFamily | str = EdfFamily.EDF,
    overwrite: bool = False,
) -> None:
    """Write annotations as an EDF+ file without signals.

    Parameters
    ----------
    path : path-like
        File to write; its folder must exist. It appears whole or not at all.
    annotations : sequence of (float, float or None, str)
        Onset in seconds after ``start``, duration in seconds (None: not told), text. They are written in the
        order given, with all digits of their times.
    start : datetime
        Of the recording, from 1985 on. The format has no zone: the clock reading is written, and an aware
        start loses its zone.
    family : EdfFamily or str
        ``"EDF+"`` or ``"BDF+"``.
    overwrite : bool
        Whether a file that exists may be replaced.

    Raises
    ------
    ValueError
        When an annotation or the start cannot be written in this format, or ``family`` is none of the two.
    OutputError
        When the file exists and may not be replaced, or cannot be written.

    Notes
    -----
    All fields that could identify a person, a technician or a device are ``X``, "unknown". The recording field
    tells the date, as EDF+ demands.
    """
    data = encode_edf_annotations(annotations, start=start, family=family)
    write_files({Path(path): data}, overwrite=overwrite)


def encode_edf_annotations(
    annotations: Sequence[tuple[float, float | None, str]], *, start: datetime, family: EdfFamily | str = EdfFamily.EDF
) -> bytes:
    r"""Return the bytes that :func:`write_edf_annotations` writes.

    Parameters
    ----------
    annotations, start, family
        As there.

    Returns
    -------
    bytes
        Header of 512 bytes and one data record.

    Raises
    ------
    ValueError
        When an annotation or the start cannot be written in this format, or ``family`` is none of the two.

    Examples
    --------
    >>> from datetime import datetime
    >>> data = encode_edf_annotations([(0, 30, "Sleep stage W")], start=datetime(2026, 3, 1, 22, 30))
    >>> data[512:556]
    b'+0\x14\x14Recording starts\x14\x00+0\x1530\x14Sleep stage W\x14\x00\x00'
    """
    family = take_choice("family", family, EdfFamily)
    if start.year < 1985:
        raise ValueError(f"start must not be before 1985, got {start}")
    fraction_s = Decimal(start.microsecond).scaleb(-6)
    # A file without signals begins with an event that says what its start is.
    lists = [format_tal(fraction_s, None, ("", _RECORDING_STARTS))]
    for i, (onset_s, duration_s, text) in enumerate(annotations):
        try:
            if not math.isfinite(onset_s):
                raise ValueError(f"the onset must be finite, got {onset_s}")
            lists.append(format_tal(Decimal(repr(float(onset_s))) + fraction_s, duration_s, (text,)))
        except ValueError as error:
            raise ValueError(f"annotations[{i}]: {error}") from None
    record = b"".join(lists)
    sample_size = 3 if family is EdfFamily.BDF else 2
    samples = math.ceil((len(record) + 1) / sample_size)
    if samples >= 10**8:
        raise ValueError(f"annotations take {len(record)} bytes, more than one data record can have")
    return _header(start, samples, family) + record.ljust(samples * sample_size, b"\x00")


def _header(start: datetime, samples: int, family: EdfFamily) -> bytes:
    """Return the header of a file with one annotation channel; the widths of the fields are those of the standard."""
    kind, bits = family[:3], 24 if family is EdfFamily.BDF else 16
    # Two digits mean 1985 to 2084; after that only the recording field tells the year.
    year = f"{start.year % 100:02}" if start.year <= 2084 else "yy"
    recording = f"Startdate {start.day:02}-{MONTHS[start.month - 1]}-{start.year} X X X"
    text = (
        f"{'X X X X':80}{recording:80}{start:%d.%m}.{year}{start:%H.%M.%S}"
        f"{'512':8}{family + 'C':44}{'1':8}{'0':8}{'1':4}"
        f"{kind + ' Annotations':16}{'':80}{'':8}{'-1':8}{'1':8}"
        f"{-(2 ** (bits - 1)):<8}{2 ** (bits - 1) - 1:<8}{'':80}{samples:<8}{'':32}"
    )
    return (b"\xffBIOSEMI" if family is EdfFamily.BDF else b"0       ") + text.encode("ascii")
