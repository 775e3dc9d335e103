"""The header of EDF, EDF+, BDF and BDF+ files: start and layout of the data records, and nothing else.

Nobody makes text of the 80 bytes that identify a patient. Of the 80 bytes that identify the recording only the
word after ``Startdate`` is looked at.
"""

from __future__ import annotations

import math
import re
from datetime import date, datetime, time
from typing import Final, NamedTuple

from sleepagree.caution import Moment, Note, NoteKind
from sleepagree.errors import FileFormatError, asked, counted, for_page
from sleepagree.files.reading import InputFile
from sleepagree.readers.edf.annotation_lists import quote_number
from sleepagree.readers.layout import Layout

_FIXED_HEADER: Final = 256
_ANNOTATION_LABELS: Final = (b"EDF Annotations ", b"BDF Annotations ")
MONTHS: Final = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
_DATE: Final = re.compile(rb"(\d\d)\.(\d\d)\.(\d\d|yy)")
_CLOCK: Final = re.compile(rb"(\d\d)([.:])(\d\d)\2(\d\d)")
_STARTDATE: Final = re.compile(rb"Startdate +(?:(\d\d)-([^\s-]{3,5})-(\d{4})|(X))(?= |$)", re.IGNORECASE)
_WHOLE: Final = re.compile(rb"-?\d{1,8}")
_DECIMAL: Final = re.compile(rb"-?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?")

_EXPORT_AGAIN: Final = "Export the file again with a program that follows EDF+."
BEGINS: Final = for_page(
    'tell the true start in a layout, such as begins = "2026-03-01T22:30:00" under [file]', f"answer {asked('begins')}"
)
_CORRECT: Final = f"Correct the header, or {BEGINS}."


class EdfSignal(NamedTuple):
    """One signal of a data record: its label, samples, and the bytes that it takes inside the record."""

    label: str
    samples: int
    offset: int
    size: int
    is_annotations: bool


class EdfHeader(NamedTuple):
    """What the header of a file says about times and the layout of its records; no identity.

    Parameters
    ----------
    variant : str
        "EDF", "EDF+C", "EDF+D", "BDF", "BDF+C" or "BDF+D".
    start : datetime
        At the first data record, with its fraction of a second: naive local clock, since the format has no
        zone, or what a layout says instead.
    records : int
        Data records that are read.
    record_duration_s : float
        Seconds of a data record; 0 in a file of annotations only.
    header_size, record_size : int
        Bytes.
    signals : tuple of EdfSignal
        In file order, annotation channels among them.
    """

    variant: str
    start: datetime
    records: int
    record_duration_s: float
    header_size: int
    record_size: int
    signals: tuple[EdfSignal, ...]


class HeaderBytes(NamedTuple):
    """The bytes of a header, and the numbers in its fields."""

    data: bytes
    path: str

    def decimal(self, offset: int, field: str) -> float:
        """Return a field that holds a decimal number."""
        return float(self._number(offset, 8, field, _DECIMAL, "a number"))

    def integer(self, offset: int, field: str, size: int = 8) -> int:
        """Return a field that holds a whole number."""
        return int(self._number(offset, size, field, _WHOLE, "a whole number"))

    def _number(self, offset: int, size: int, field: str, form: re.Pattern[bytes], expected: str) -> bytes:
        raw = self.data[offset : offset + size]
        # Fields are filled with spaces; some programs fill them with 0x00, which changes nothing.
        text = raw.strip(b" \x00")
        if form.fullmatch(text) is None:
            raise self.bad_field(offset, field, "the header field is no number", raw, expected)
        return text

    def bad_field(
        self, offset: int, field: str, problem: str, found: bytes | str, expected: str, remedy: str = _EXPORT_AGAIN
    ) -> FileFormatError:
        """Return the error for a field that cannot be used; a text is shown whole, bytes where they are a number.

        In a header whose fields are shifted other bytes may be part of a name.
        """
        shown = found if isinstance(found, str) else quote_number(found)
        return FileFormatError(problem, self.path, f"byte {offset}, field '{field}'", shown, expected, remedy)


def read_header(file: InputFile, first: bytes, *, layout: Layout, notes: list[Note]) -> tuple[EdfHeader, HeaderBytes]:
    """Read the header of an open file.

    Parameters
    ----------
    file : InputFile
        The file.
    first : bytes
        Its first bytes, 256 at least where it has as many.
    layout : Layout
        Its ``begins`` replaces the start, or only the date where it is a date.
    notes : list of Note
        Gets a line for everything out of the ordinary.

    Returns
    -------
    header : EdfHeader
        Its start does not have a fraction of a second yet, which stands in the first data record.
    head : HeaderBytes
        All of it.

    Raises
    ------
    FileFormatError
        When this is no such file, it is truncated, or a header field is wrong.
    """
    version, path = first[:8], file.path
    is_bdf = version == b"\xffBIOSEMI"
    if not is_bdf and version.rstrip(b" \x00") != b"0":
        found, expected = "something else", "'0' and seven spaces (EDF), or 0xFF and 'BIOSEMI' (BDF)"
        remedy = "Check that this is the file that you meant; the ending of a name must tell the format."
        raise FileFormatError("this is no EDF or BDF file", path, "byte 0, field 'version'", found, expected, remedy)
    if file.size < _FIXED_HEADER:
        raise truncated(file, _FIXED_HEADER, "the header")
    header_size = _header_size(HeaderBytes(first, path))
    if file.size < header_size:
        raise truncated(file, header_size, "the header")
    head = HeaderBytes(first[:header_size] if len(first) >= header_size else file.read_at(0, header_size), path)
    start = _read_start(head, layout, notes)
    signals, record_size = _read_signals(head, 3 if is_bdf else 2, notes)
    variant = "BDF" if is_bdf else "EDF"
    if head.data[192:197] in (b"EDF+C", b"EDF+D", b"BDF+C", b"BDF+D"):
        variant += head.data[195:197].decode()
    elif any(signal.is_annotations for signal in signals):
        notes.append(Note.of(NoteKind.ANNOTATIONS_UNDECLARED, variant=variant))
    field = "duration of a data record"
    duration_s = head.decimal(244, field)
    if not 0 <= duration_s < math.inf:
        raise head.bad_field(244, field, "a data record has no such duration", head.data[244:252], "0 or more")
    records = _count_records(file, head, header_size, record_size, notes)
    return EdfHeader(variant, start, records, duration_s, header_size, record_size, signals), head


def _header_size(head: HeaderBytes) -> int:
    n_signals = head.integer(252, "number of signals", 4)
    field = "number of bytes in the header"
    told_size = head.integer(184, field)
    header_size = _FIXED_HEADER * (n_signals + 1)
    if n_signals < 1 or told_size != header_size:
        found = f"{told_size} bytes for {n_signals} signals"
        expected = "256 bytes and 256 more for each signal, and at least one signal"
        raise head.bad_field(184, field, "the header contradicts itself", found, expected)
    return header_size


def truncated(file: InputFile, expected: int, what: str) -> FileFormatError:
    """Return the error for a file that ends too early."""
    problem, where = "the file is truncated", f"byte {file.size}"
    remedy = "Copy or export the file again."
    return FileFormatError(problem, file.path, where, f"{file.size} bytes", f"{expected} bytes for {what}", remedy)


def _read_signals(head: HeaderBytes, sample_size: int, notes: list[Note]) -> tuple[tuple[EdfSignal, ...], int]:
    """Return the signals of a data record, and its size."""
    n_signals = len(head.data) // _FIXED_HEADER - 1
    field = "number of samples in a data record"
    signals: list[EdfSignal] = []
    offset = 0
    for i in range(n_signals):
        at = _FIXED_HEADER + 16 * i
        raw = head.data[at : at + 16]
        label = raw.decode("latin-1").strip(" \x00")
        place = _FIXED_HEADER + 216 * n_signals + 8 * i
        samples = head.integer(place, field)
        if samples < 0:
            raise head.bad_field(place, field, "a signal has no such number of samples", f"{samples}", "0 or more")
        is_annotations = raw in _ANNOTATION_LABELS
        if not is_annotations and label.casefold() in ("edf annotations", "bdf annotations"):
            is_annotations = True
            notes.append(Note.of(NoteKind.SIGNAL_NORMALISED, signal=label))
        size = samples * sample_size
        signals.append(EdfSignal(label, samples, offset, size, is_annotations))
        offset += size
    if offset == 0:
        place = _FIXED_HEADER + 216 * n_signals
        raise head.bad_field(place, field, "the data records are empty", "0 in all signals", "1 or more")
    return tuple(signals), offset


def _count_records(file: InputFile, head: HeaderBytes, header_size: int, record_size: int, notes: list[Note]) -> int:
    declared = head.integer(236, "number of data records")
    records, rest = divmod(file.size - header_size, record_size)
    if declared == records and not rest:
        return records
    if declared > records:
        what = f"{counted(declared, 'data record')} (byte 236, field 'number of data records')"
        raise truncated(file, header_size + declared * record_size, what)
    if declared < 1:
        notes.append(Note.of(NoteKind.RECORDS_COUNTED, declared=declared, records=records))
    elif records > declared:
        notes.append(Note.of(NoteKind.RECORDS_UNDECLARED, declared=declared, records=records))
    if rest:
        notes.append(Note.of(NoteKind.BYTES_AFTER_RECORDS, count=rest))
    return records


# --- start ------------------------------------------------------------------------------------------------


def _read_start(head: HeaderBytes, layout: Layout, notes: list[Note]) -> datetime:
    recorded = _STARTDATE.match(head.data, 88, 168)
    begins = layout.begins
    if isinstance(begins, datetime):
        notes.append(Note.of(NoteKind.START_FROM_LAYOUT, start=Moment(begins.isoformat(" "))))
        return begins
    clock = _read_clock(head, notes)
    if begins is not None:
        notes.append(Note.of(NoteKind.START_DATE_FROM_LAYOUT, date=Moment(begins.isoformat())))
        return datetime.combine(begins, clock)
    day = _read_date(head, recorded)
    if recorded is not None and recorded[4] is not None:
        notes.append(Note.of(NoteKind.START_ANONYMISED, date=Moment(day.isoformat())))
    elif recorded is not None:
        _check_date(head.path, day, recorded, notes)
    return datetime.combine(day, clock)


def _read_clock(head: HeaderBytes, notes: list[Note]) -> time:
    match = _CLOCK.fullmatch(head.data, 176, 184)
    try:
        if match is None:
            raise ValueError
        clock = time(int(match[1]), int(match[3]), int(match[4]))
    except ValueError:
        problem, expected = "the start time is no time of day", "hh.mm.ss from 00.00.00 to 23.59.59"
        raise head.bad_field(176, "start time", problem, head.data[176:184], expected, _CORRECT) from None
    if match[2] == b":":
        notes.append(Note.of(NoteKind.START_WITH_COLONS))
    return clock


def _read_date(head: HeaderBytes, recorded: re.Match[bytes] | None) -> date:
    match = _DATE.fullmatch(head.data, 168, 176)
    try:
        if match is None:
            raise ValueError
        if match[3] == b"yy":
            # After 2084 two digits do not do, and only the recording field has the year; 0 is no year.
            year = int(recorded[3] or 0) if recorded else 0
        else:
            year = int(match[3]) + (1900 if match[3] >= b"85" else 2000)
        return date(year, int(match[2]), int(match[1]))
    except ValueError:
        expected = "dd.mm.yy, and for the years after 2084 'yy' with the year in the recording field"
        problem = "the start date is no date"
        raise head.bad_field(168, "start date", problem, head.data[168:176], expected, _CORRECT) from None


def _check_date(path: str, day: date, recorded: re.Match[bytes], notes: list[Note]) -> None:
    name = recorded[2].decode("latin-1").upper()
    month = MONTHS.index(name) + 1 if name in MONTHS else None
    if int(recorded[1]) == day.day and int(recorded[3]) == day.year and month in (day.month, None):
        if month is None:
            notes.append(Note.of(NoteKind.MONTH_UNREADABLE, date=Moment(day.isoformat())))
        return
    other = f"{recorded[3].decode()}-{'??' if month is None else f'{month:02}'}-{recorded[1].decode()}"
    problem = "the header holds two different start dates"
    where = "byte 168, field 'start date', and byte 88, field 'recording'"
    remedy = f"Correct the wrong one in the header, or {BEGINS}."
    raise FileFormatError(problem, path, where, f"{day.isoformat()} and {other}", "the same date in both", remedy)
