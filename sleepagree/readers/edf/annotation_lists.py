"""Time-stamped annotation lists (TALs) of EDF+ and BDF+: bytes to numbers and texts, and back. Opens no file.

A TAL is ``onset [0x15 duration] 0x14 text 0x14 [text 0x14 ...] 0x00``. :func:`parse_row` accounts for every byte: it
takes every legal form and tells where a fault is.

References
----------
.. [1] Kemp B, Olivan J. European data format 'plus' (EDF+), an EDF alike standard format for the exchange of
   physiological data. Clin Neurophysiol 2003;114:1755-1761, section 2.2.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final, NamedTuple

from sleepagree.errors import asked, for_page

# A fraction may be of any accuracy; nine digits before the dot are 31 years. No exponent, comma or grouping.
_DURATION: Final = re.compile(rb"(?:[0-9]{1,9}(?:\.[0-9]*)?|\.[0-9]+)")
_ONSET: Final = re.compile(rb"[+-]" + _DURATION.pattern)
_STAMP: Final = re.compile(rb"(" + _ONSET.pattern + rb")(?:\x15(" + _DURATION.pattern + rb"))?")
_CONTROL: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")
# What may be quoted in a message: a number or a date that went wrong, but no word and no row of digits.
_LONGEST_NUMBER: Final = 24
_NUMBER_LIKE: Final = re.compile(rb"[0-9 .,:/+-]*(?:(?:nan|NaN|NAN|inf|yy|[eE])[0-9 .,:/+-]*)?")
_EXPORT_AGAIN: Final = "Export the annotations again with a program that follows EDF+."

#: Seconds have at most nine digits before the dot.
LARGEST_SECONDS: Final = 1e9


class TalFaultError(Exception):
    """Bytes that are no TAL.

    Parameters
    ----------
    offset : int
        Position of the fault in the row that was parsed.
    problem, found, expected, remedy : str
        As in :class:`sleepagree.errors.SleepAgreeError`; ``found`` never quotes text of the file.
    """

    def __init__(self, offset: int, problem: str, found: str, expected: str, remedy: str = _EXPORT_AGAIN) -> None:
        super().__init__(offset, problem, found, expected, remedy)
        self.offset, self.problem, self.found, self.expected, self.remedy = offset, problem, found, expected, remedy


class Tal(NamedTuple):
    """One time-stamped annotation list: texts that share an onset and a duration."""

    onset: str
    duration: str
    texts: tuple[str, ...]


def parse_row(row: bytes, *, size: int, encoding: str = "utf-8") -> tuple[list[Tal], int]:
    """Parse the annotation bytes of one channel in one data record.

    Parameters
    ----------
    row : bytes
        The bytes without the 0x00 that fill up their end.
    size : int
        Bytes that the channel has in the record.
    encoding : str
        Of the texts; the format knows only UTF-8.

    Returns
    -------
    tals : list of Tal
        In the order of the file.
    gaps : int
        0x00 bytes that stand between TALs, where none belong.

    Raises
    ------
    TalFaultError
        At the first byte that does not fit.
    """
    if row and len(row) >= size:
        problem = "an annotation does not end inside its data record"
        found = "no 0x00 up to the end of the record"
        remedy = "The writing program ran out of room here; export the file with more bytes for annotations."
        raise TalFaultError(row.rfind(b"\x00") + 1, problem, found, "0x00 after every annotation list", remedy)
    tals: list[Tal] = []
    gaps = position = 0
    for tal in row.split(b"\x00") if row else ():
        if tal:
            tals.append(_parse_tal(tal, position, encoding))
        else:
            gaps += 1
        position += len(tal) + 1
    return tals, gaps


def _parse_tal(tal: bytes, offset: int, encoding: str) -> Tal:
    stamp, *texts = tal.split(b"\x14")
    match = _STAMP.fullmatch(stamp)
    if match is None:
        raise _malformed_stamp(stamp, offset)
    if len(texts) < 2 or texts[-1]:
        problem, found = "an annotation is not closed", "0x00" if texts else "0x00 without any 0x14 before it"
        raise TalFaultError(offset + len(tal), problem, found, "0x14 after the onset and after every text, then 0x00")
    decoded: list[str] = []
    position = offset + len(stamp) + 1
    for text in texts[:-1]:
        decoded.append(_decode(text, position, encoding, is_only=len(texts) == 2))
        position += len(text) + 1
    onset, duration = match.groups(b"")
    return Tal(onset.decode(), duration.decode(), tuple(decoded))


def _malformed_stamp(stamp: bytes, offset: int) -> TalFaultError:
    onset, _, duration = stamp.partition(b"\x15")
    if _ONSET.fullmatch(onset) is None:
        expected = "a sign and a decimal number of seconds, such as +30 or +30.5"
        return TalFaultError(offset, "an annotation has a malformed onset", quote_number(onset), expected)
    at, expected = offset + len(onset) + 1, "a decimal number of seconds without a sign, or no 0x15 at all"
    return TalFaultError(at, "an annotation has a malformed duration", quote_number(duration), expected)


def _decode(text: bytes, offset: int, encoding: str, *, is_only: bool) -> str:
    if not text:
        return ""
    if text[:1] in (b"+", b"-") and _ONSET.fullmatch(text.partition(b"\x15")[0]) and (not is_only or b"\x15" in text):
        problem = "an onset stands where a text should be"
        found = "a further annotation without the 0x00 that closes the one before"
        remedy = "All later stages would get the wrong time; export the file again with a program that follows EDF+."
        raise TalFaultError(offset, problem, found, "0x00 between annotation lists", remedy)
    try:
        decoded = text.decode(encoding)
    except UnicodeError as error:
        at = min(max(getattr(error, "start", 0), 0), len(text) - 1)
        problem, found = f"an annotation text is not {encoding}", f"byte 0x{text[at]:02X}"
        remedy = for_page(
            'Name the encoding of the texts in a layout, such as encoding = "latin-1".',
            f"Answer {asked('encoding')}, such as latin-1.",
        )
        raise TalFaultError(offset + at, problem, found, "text in UTF-8, as EDF+ demands", remedy) from None
    control = None if decoded.isprintable() else _CONTROL.search(decoded)
    if control is not None:
        at = offset + len(decoded[: control.start()].encode(encoding, "replace"))
        problem, found = "an annotation text holds a control character", f"0x{ord(control.group()):02X}"
        raise TalFaultError(at, problem, found, "printable characters, tab, line feed or carriage return")
    return decoded


def quote_number(found: bytes) -> str:
    """Return what stands where a number should; text of the file may be part of a name, and is counted, not shown."""
    if not found:
        return "nothing"
    if len(found) <= _LONGEST_NUMBER and _NUMBER_LIKE.fullmatch(found):
        return f"'{found.decode('latin-1').strip()}'"
    return f"{len(found)} bytes that are no number"


def format_seconds(seconds: Decimal | float) -> str:
    """Return seconds as a decimal number with all its digits and no exponent.

    Raises
    ------
    ValueError
        When it is not finite, or too large for an annotation.

    Examples
    --------
    >>> format_seconds(1000000.25), format_seconds(1e-05), format_seconds(-30.0)
    ('1000000.25', '0.00001', '-30')
    """
    value = seconds if isinstance(seconds, Decimal) else Decimal(repr(float(seconds)))
    if not value.is_finite() or abs(value) >= Decimal(LARGEST_SECONDS):
        raise ValueError(f"seconds must be finite and below {LARGEST_SECONDS:.0f}, got {seconds}")
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "0") else text


def format_tal(onset_s: Decimal | float, duration_s: Decimal | float | None, texts: tuple[str, ...]) -> bytes:
    r"""Return one TAL with its closing 0x00.

    Parameters
    ----------
    onset_s : Decimal or float
        Seconds after the start of the file.
    duration_s : Decimal, float or None
        Seconds, not negative; None leaves it out.
    texts : tuple of str
        At least one; a record's own start is ``("",)``.

    Raises
    ------
    ValueError
        When a number or a text cannot be written.

    Examples
    --------
    >>> format_tal(30, 60.5, ("Sleep stage N2",))
    b'+30\x1560.5\x14Sleep stage N2\x14\x00'
    """
    onset = format_seconds(onset_s)
    stamp = onset if onset.startswith("-") else "+" + onset
    if duration_s is not None:
        duration = format_seconds(duration_s)
        if duration.startswith("-"):
            raise ValueError(f"duration_s must not be negative, got {duration_s}")
        stamp += "\x15" + duration
    for text in texts:
        control = _CONTROL.search(text)
        if control is not None:
            raise ValueError(f"text must not hold the control character 0x{ord(control.group()):02X}")
    try:
        return ("\x14".join((stamp, *texts)) + "\x14\x00").encode()
    except UnicodeEncodeError as error:
        raise ValueError(f"text cannot be written as UTF-8: {error.reason}") from None
