"""Every error this package raises on purpose, with one shape of message.

A message tells where (file, then row, byte or field), what is wrong, what was found, what was expected
and how to mend it. The fields travel positionally so that an error survives a process pool unchanged.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from typing import Any, Self

_LONGEST_FOUND = 80
_LONGEST_PATH = 240
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def printable(text: str) -> str:
    r"""Return text that a terminal shows as it stands.

    Control and bidirectional characters are written as escapes, so that a hostile label cannot move the cursor
    of a terminal or turn a line of text around; half a surrogate pair becomes the replacement character.

    Examples
    --------
    >>> print(printable("N2" + chr(27) + "[2J"))
    N2\x1b[2J
    """
    shown = _CONTROL.sub(lambda match: f"\\x{ord(match.group()):02x}", text)
    return shown if shown.isascii() else "".join(c if unicodedata.category(c) != "Cs" else "\ufffd" for c in shown)


def shorten(found: object) -> str:
    """Return ``found`` as :func:`printable` text of at most 80 characters."""
    text = printable(str(found))
    return text if len(text) <= _LONGEST_FOUND else text[: _LONGEST_FOUND - 1] + "…"


def counted(count: int, word: str) -> str:
    """Return a count with its word.

    Examples
    --------
    >>> counted(1, "epoch"), counted(0, "epoch")
    ('1 epoch', '0 epochs')
    """
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _cut_path(path: str) -> str:
    """Return a path whose file name stays whole: a long one loses its beginning."""
    shown = printable(path)
    return shown if len(shown) <= _LONGEST_PATH else "…" + shown[1 - _LONGEST_PATH :]


class SleepAgreeError(Exception):
    """Root of all errors raised on purpose.

    Parameters
    ----------
    problem : str
        What is wrong, as a clause without a full stop.
    path : str
        File concerned, or "".
    where : str
        Place in the file: ``"line 812, column 'stage'"``, ``"byte 236, field 'number of records'"``.
    found, expected : str
        What stood there and what would have been right.
    remedy : str or tuple of str
        A full sentence that tells how to mend it. One that names the option for a layout is given as what stands
        before and after that name: a reader does not know of which side its file is.

    Attributes
    ----------
    layout_option : str
        What whoever shows the error calls the option for a layout; a study calls it a column.
    """

    layout_option = "--layout FILE.toml"

    def __init__(
        self,
        problem: str,
        path: str = "",
        where: str = "",
        found: str = "",
        expected: str = "",
        remedy: str | tuple[str, ...] = "",
    ) -> None:
        super().__init__(problem, path, where, found, expected, remedy)
        self.problem = problem
        self.path = path
        self.where = where
        self.found = found
        self.expected = expected
        self._remedy = (remedy,) if isinstance(remedy, str) else remedy

    @property
    def remedy(self) -> str:
        """How to mend it."""
        return self.remedy_naming(self.layout_option)

    def remedy_naming(self, layout_option: str) -> str:
        """Return the remedy with another name for the option for a layout.

        Examples
        --------
        >>> InputError("unknown label", remedy=("Give a layout (", ").")).remedy_naming("--reference-layout FILE.toml")
        'Give a layout (--reference-layout FILE.toml).'
        """
        return layout_option.join(self._remedy)

    def in_file(self, path: str, where: str = "") -> Self:
        """Return the same error with its file, and its place there, for what was raised without knowing them."""
        return self._copied(self.problem, path, where or self.where, *self.args[3:])

    def with_texts(self, change: Callable[[str], str]) -> Self:
        """Return the same error with each of its texts changed; labels and forms stay."""
        remedy = tuple(map(change, self._remedy))
        return self._copied(*map(change, self.args[:5]), remedy, *self.args[6:])

    def _copied(self, *args: Any) -> Self:
        again = type(self)(*args)
        again.layout_option = self.layout_option
        return again

    def __str__(self) -> str:
        place = ": ".join(part for part in (_cut_path(self.path), self.where) if part)
        head = f"{place}: {self.problem}" if place else self.problem
        sentences = [head.rstrip(".") + "."]
        clauses = []
        if self.found:
            clauses.append(f"found {shorten(self.found)}")
        if self.expected:
            clauses.append(f"expected {self.expected}")
        if clauses:
            joined = "; ".join(clauses)
            sentences.append(joined[0].upper() + joined[1:] + ".")
        if self.remedy:
            sentences.append(self.remedy)
        # remedies hold lines to paste; whatever else came from a file must not move the cursor
        return "\n".join(printable(line) for line in " ".join(sentences).split("\n"))


class InputError(SleepAgreeError, ValueError):
    """The input cannot be used as it is."""


class FileFormatError(InputError):
    """Bytes or rows of a file break its format.

    Parameters
    ----------
    problem, path, where, found, expected, remedy
        As in :class:`SleepAgreeError`.
    forms : iterable of (str, str)
        Forms that a layout can declare for times which do not tell their own, and when each of them holds ("" where
        there is but one).
    """

    def __init__(
        self,
        problem: str,
        path: str = "",
        where: str = "",
        found: str = "",
        expected: str = "",
        remedy: str | tuple[str, ...] = "",
        forms: Iterable[tuple[str, str]] = (),
    ) -> None:
        super().__init__(problem, path, where, found, expected, remedy)
        self.forms = tuple(forms)
        # what a copy, and the other side of a process pool, is made from
        self.args = (*self.args, self.forms)


class UnknownStageError(InputError):
    """A label that no table of stages explains.

    Parameters
    ----------
    problem, path, where, found, expected, remedy : str
        As in :class:`SleepAgreeError`.
    labels : iterable of str
        The labels that want a stage, all of them, in order of appearance; a message shows the first few. Empty
        where something else is no stage, such as a word of a layout.
    """

    def __init__(
        self,
        problem: str,
        path: str = "",
        where: str = "",
        found: str = "",
        expected: str = "",
        remedy: str | tuple[str, ...] = "",
        labels: Iterable[str] = (),
    ) -> None:
        super().__init__(problem, path, where, found, expected, remedy)
        self.labels = tuple(labels)
        self.args = (*self.args, self.labels)


class EpochGridError(InputError):
    """Times that cannot be laid on epochs: overlaps, ends before starts, steps that vary.

    Parameters
    ----------
    problem, path, where, found, expected, remedy
        As in :class:`SleepAgreeError`.
    settled_by : str
        Key of a layout that settles it ("overlaps"), or "".
    """

    def __init__(
        self,
        problem: str,
        path: str = "",
        where: str = "",
        found: str = "",
        expected: str = "",
        remedy: str | tuple[str, ...] = "",
        settled_by: str = "",
    ) -> None:
        super().__init__(problem, path, where, found, expected, remedy)
        self.settled_by = settled_by
        self.args = (*self.args, settled_by)


class ClockError(InputError):
    """Clocks or zones that cannot be compared, or a time that names two moments or none."""


class MappingError(InputError):
    """A mapping of stages to classes that does not fit the two label sets."""


class PairingError(InputError):
    """Two sides that share no usable epoch."""


class OutputError(SleepAgreeError, OSError):
    """A result that cannot be written where it was asked for."""
