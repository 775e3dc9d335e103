"""Patterns that say how the files of a study are named."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NoReturn

from sleepagree.errors import InputError, for_page

PARTICIPANT: Final = "participant"
NIGHT: Final = "night"

NOBODYS: Final = "the pattern does not say whose file it is"

_PARTS: Final = re.compile(r"\{[^{}/]*\}|[*?]|[^{}*?]+|[{}]")
_Values = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class FilePattern:
    """How the files of one side are named, relative to the folder.

    Parameters
    ----------
    text : str
        The pattern: ``/`` between folders, ``{participant}``, ``{night}`` and so on for one or more
        characters, ``*`` for any characters, ``?`` for one; none of them reaches over a ``/``. A field that
        stands twice must be the same text in both places.
    option : str
        The option that gave it, ``--reference`` or ``--device``, for messages.
    people : frozenset of str or None
        What ``{participant}`` may be; None for any text.
    """

    text: str
    option: str
    people: frozenset[str] | None = None

    @property
    def parts(self) -> tuple[str, ...]:
        """The pattern cut into fields with their braces, wildcards, and the texts between them."""
        return tuple(_PARTS.findall(self.text))

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the fields in order of first use."""
        return tuple(dict.fromkeys(part[1:-1] for part in self.parts if part.startswith("{")))

    @property
    def called(self) -> str:
        """What messages call it: its option, on the page its field."""
        return for_page(self.option, f'"Names of the {self.option[2:]}\'s files"')

    def refuse(self, problem: str, found: str, expected: str, remedy: str) -> NoReturn:
        """Refuse the pattern, or what it was given for."""
        raise InputError(problem, "", self.called, found, expected, remedy)

    def readings(self, path: str) -> tuple[dict[str, str], ...]:
        """Return the ways in which a path fits the pattern, at most two of them.

        Parameters
        ----------
        path : str
            Path relative to the folder, with ``/``.

        Examples
        --------
        >>> pattern = parse_pattern("{participant}_n{night}.csv", option="--device", allowed=(PARTICIPANT, "night"))
        >>> pattern.readings("cook_n2.csv")
        ({'participant': 'cook', 'night': '2'},)
        """
        path = same_letters(path)
        if path.count("/") != self.text.count("/"):
            return ()
        parts = self.parts
        found: list[dict[str, str]] = []
        # states reached so far; the same place with the same values leads nowhere new
        pending: list[tuple[int, int, _Values]] = [(0, 0, ())]
        seen = set()
        while pending and len(found) < 2:
            state = pending.pop()
            if state in seen:
                continue
            seen.add(state)
            i, at, values = state
            if i < len(parts):
                allowed = self.people if parts[i] == f"{{{PARTICIPANT}}}" else None
                # what goes on with a text is looked at no further where that text does not stand
                after = next((part for part in parts[i + 1 : i + 2] if part[0] not in "{*?"), "")
                ends = [own for own in _ends(parts[i], path, at, values) if path.startswith(after, own[0])]
                pending += [(i + 1, end, more) for end, more in ends if allowed is None or path[at:end] in allowed]
            elif at == len(path):
                found.append(dict(values))
        return tuple(found)


def same_letters(text: str) -> str:
    """Return a text with each letter written in one way: some systems store é as e and an accent."""
    return unicodedata.normalize("NFC", text)


def _ends(part: str, path: str, at: int, values: _Values) -> Iterator[tuple[int, _Values]]:
    """Yield where a part can end when it begins at ``at``, with the values of fields by then."""
    known = dict(values)
    name = part[1:-1] if part.startswith("{") else ""
    if part not in ("*", "?") and (not name or name in known):
        text = known.get(name, part)
        if path.startswith(text, at):
            yield at + len(text), values
        return
    first = at if part == "*" else at + 1
    stop = path.find("/", at)
    last = len(path) if stop < 0 else stop
    for end in range(first, min(last, first if part == "?" else last) + 1):
        yield end, (*values, (name, path[at:end])) if name else values


def parse_pattern(
    text: str, *, option: str, allowed: Sequence[str], people: frozenset[str] | None = None, of_many: bool = False
) -> FilePattern:
    """Read a pattern of file names.

    Parameters
    ----------
    text : str
        The pattern.
    option : str
        The option that gave it, for messages.
    allowed : sequence of str
        Fields that may stand in it; ``{participant}`` must, or ``{night}`` where all nights are of one person.
    people : frozenset of str, optional
        What ``{participant}`` may be.
    of_many : bool
        Whether the files hold rows of several people, and so may be named after nobody.

    Raises
    ------
    InputError
        When it names an unknown field, lacks both, is absolute or leaves the folder.
    """
    known = None if people is None else frozenset(map(same_letters, people))
    found = FilePattern(same_letters(text.replace(os.sep, "/").removeprefix("./")), option, known)
    if not found.text or found.text.startswith("/") or ".." in found.text.split("/") or "**" in found.text:
        expected, remedy = "a relative path without .. and **", "Write one * for each folder in between."
        found.refuse("the pattern must name files below the folder", text or "nothing", expected, remedy)
    braces = [f"{{{name}}}" for name in allowed]
    for part in found.parts:
        if part[0] in "{}" and part not in braces:
            remedy = "A name in braces stands for the part that differs from file to file."
            expected = f"fields out of {', '.join(braces)}"
            found.refuse("the pattern has a field that means nothing here", part, expected, remedy)
    if not of_many and not {PARTICIPANT, NIGHT} & set(found.fields):
        expected, remedy = (
            "{participant}, or {night} of one person, somewhere in it",
            "For example lab/{participant}_{night}.edf.",
        )
        found.refuse(NOBODYS, text, expected, remedy)
    return found
