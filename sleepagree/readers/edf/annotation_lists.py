"""Time-stamped annotation lists (TALs) of EDF+ and BDF+: bytes to numbers and texts, and back. Opens no file.

A TAL is ``onset [0x15 duration] 0x14 text 0x14 [text 0x14 ...] 0x00``. Two readers live here:
:func:`split_plain` accepts the ordinary case at once and says no to everything else, :func:`parse_row` goes
through the bytes one by one, takes every legal form, and tells where a fault is. Both take all of what they
are given or nothing.

References
----------
.. [1] Kemp B, Olivan J. European data format 'plus' (EDF+), an EDF alike standard format for the exchange of
   physiological data. Clin Neurophysiol 2003;114:1755-1761, section 2.2.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from decimal import Decimal

# A fraction may be of any accuracy; nine digits before the dot are 31 years. No exponent, comma or grouping.
_NUMBER: Final = r"(?:[0-9]{1,9}(?:\.[0-9]*)?|\.[0-9]+)"
_TEXT: Final = "[^\x00-\x08\x0b\x0c\x0e-\x1f]*"
ONSET: Final = re.compile(rf"[+-]{_NUMBER}")
_ONSET_BYTES: Final = re.compile(ONSET.pattern.encode())
_DURATION_BYTES: Final = re.compile(_NUMBER.encode())
_REST: Final = re.compile(f"(?:({_NUMBER})|\x00)\x14({_TEXT})\x14\x00")
_CONTROL: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")
# What may be quoted in a message: something that was meant as a number cannot hold a name.
_NUMBER_LIKE: Final = re.compile(rb"[0-9+\-.,:eE ]{1,24}|[+-]?(?:nan|NaN|NAN|inf)")

LARGEST_SECONDS: Final = 1e9
_MEMO_SIZE: Final = 8192
_MEMO_TEXT: Final = 24


class NotPlainError(Exception):
    """The bytes are not of the plain form; :func:`parse_row` tells whether they are legal."""


class TalFaultError(Exception):
    """Bytes that are no TAL.

    Parameters
    ----------
    offset : int
        Position of the fault in the row that was parsed.
    problem, found, expected, remedy : str
        As in :class:`sleepagree.errors.SleepAgreeError`; ``found`` never quotes text of the file.
    """

    def __init__(self, offset: int, problem: str, found: str, expected: str, remedy: str) -> None:
        super().__init__(offset, problem, found, expected, remedy)
        self.offset = offset
        self.problem = problem
        self.found = found
        self.expected = expected
        self.remedy = remedy


class Tal(NamedTuple):
    """One time-stamped annotation list: texts that share an onset and a duration."""

    onset: str
    duration: str
    texts: tuple[str, ...]


class _OnsetMemo(dict[str, float]):
    """Onset text -> seconds, checked once: onsets repeat from night to night. Holds nothing but numbers."""

    def __missing__(self, text: str) -> float:
        if ONSET.fullmatch(text) is None:
            raise NotPlainError
        seconds = float(text)
        if len(self) < _MEMO_SIZE and len(text) < _MEMO_TEXT:
            self[text] = seconds
        return seconds


_ONSETS: Final = _OnsetMemo()


def split_plain(stream: str) -> tuple[list[float], list[str]]:
    r"""Split TALs that hold one text each and follow one another without a gap.

    Parameters
    ----------
    stream : str
        Any number of TALs, each with its closing 0x00.

    Returns
    -------
    onset_s : list of float
        Seconds.
    rests : list of str
        What follows each onset, ``"<duration>\x14<text>\x14\0"`` with 0x00 as the duration where none stands. They
        are not checked yet: give every distinct one to :func:`split_rest`.

    Raises
    ------
    NotPlainError
        When anything is not of that form.
    """
    if not stream:
        return [], []
    tals = stream.split("\x00")
    lacking = len(tals) - 1 - stream.count("\x15")
    if lacking:
        _mark_lacking(tals, lacking)
    # The 0x00 goes back to what it closes, so that an onset and a rest of different lists never match; and the two
    # take turns, or else one of them is refused.
    tokens = "\x00\x15".join(tals).split("\x15")
    if tokens[-1] or not len(tokens) % 2:
        raise NotPlainError
    return list(map(_ONSETS.__getitem__, tokens[:-1:2])), tokens[1::2]


def _mark_lacking(tals: list[str], lacking: int) -> None:
    """Put a 0x00 where a TAL has no duration: no other is left in any of them."""
    for i, tal in enumerate(tals):
        if "\x15" not in tal:
            tals[i] = tal.replace("\x14", "\x15\x00\x14", 1)
            lacking -= 1
            if not lacking:
                return


def split_rest(rest: str) -> tuple[float, str]:
    r"""Return duration (seconds, nan where none stands) and text of what follows an onset.

    Raises
    ------
    NotPlainError
        When it is not one duration and one text.

    Examples
    --------
    >>> split_rest("30\x14Sleep stage N2\x14\0")
    (30.0, 'Sleep stage N2')
    """
    match = _REST.fullmatch(rest)
    if match is None:
        raise NotPlainError
    duration, text = match.groups()
    return float(duration) if duration else math.nan, text


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
        raise TalFaultError(
            row.rfind(b"\x00") + 1,
            "an annotation does not end inside its data record",
            "no 0x00 up to the end of the record",
            "0x00 after every annotation list",
            "The writing program ran out of room here; export the file with more bytes for annotations.",
        )
    tals: list[Tal] = []
    gaps = 0
    position = 0
    while position < len(row):
        if row[position] == 0:
            gaps += 1
            position += 1
            continue
        end = row.find(b"\x00", position)
        end = len(row) if end < 0 else end
        tals.append(_parse_tal(row[position:end], position, encoding))
        position = end + 1
    return tals, gaps


def _parse_tal(tal: bytes, offset: int, encoding: str) -> Tal:
    stamp, *texts = tal.split(b"\x14")
    onset, has_duration, duration = stamp.partition(b"\x15")
    if _ONSET_BYTES.fullmatch(onset) is None:
        raise TalFaultError(
            offset,
            "an annotation has a malformed onset",
            _quote(onset),
            "a sign and a decimal number of seconds, such as +30 or +30.5",
            "Export the annotations again with a program that follows EDF+.",
        )
    if has_duration and _DURATION_BYTES.fullmatch(duration) is None:
        raise TalFaultError(
            offset + len(onset) + 1,
            "an annotation has a malformed duration",
            _quote(duration),
            "a decimal number of seconds without a sign, or no 0x15 at all",
            "Export the annotations again with a program that follows EDF+.",
        )
    if len(texts) < 2 or texts[-1]:
        raise TalFaultError(
            offset + len(tal),
            "an annotation is not closed",
            "0x00" if texts else "0x00 without any 0x14 before it",
            "0x14 after the onset and after every text, then 0x00",
            "Export the annotations again with a program that follows EDF+.",
        )
    decoded: list[str] = []
    position = offset + len(stamp) + 1
    for text in texts[:-1]:
        decoded.append(_decode(text, position, encoding, is_only=len(texts) == 2))
        position += len(text) + 1
    return Tal(onset.decode(), duration.decode(), tuple(decoded))


def _decode(text: bytes, offset: int, encoding: str, *, is_only: bool) -> str:
    before_duration = text.partition(b"\x15")[0]
    if _ONSET_BYTES.fullmatch(before_duration) and (not is_only or b"\x15" in text):
        raise TalFaultError(
            offset,
            "an onset stands where a text should be",
            "a further annotation without the 0x00 that closes the one before",
            "0x00 between annotation lists",
            "All later stages would get the wrong time; export the file again with a program that follows EDF+.",
        )
    try:
        decoded = text.decode(encoding)
    except UnicodeError as error:
        at = min(max(getattr(error, "start", 0), 0), len(text) - 1)
        raise TalFaultError(
            offset + at,
            f"an annotation text is not {encoding}",
            f"byte 0x{text[at]:02X}",
            "text in UTF-8, as EDF+ demands",
            'Name the encoding of the texts in a layout, such as encoding = "latin-1".',
        ) from None
    control = _CONTROL.search(decoded)
    if control is not None:
        raise TalFaultError(
            offset + len(decoded[: control.start()].encode(encoding, "replace")),
            "an annotation text holds a control character",
            f"0x{ord(control.group()):02X}",
            "printable characters, tab, line feed or carriage return",
            "Export the annotations again with a program that follows EDF+.",
        )
    return decoded


def _quote(number: bytes) -> str:
    if not number:
        return "nothing"
    if _NUMBER_LIKE.fullmatch(number):
        return repr(number.decode())
    return f"{len(number)} bytes that are no number"


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
    from decimal import Decimal  # for writing only

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
