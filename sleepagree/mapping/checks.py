"""What every mapping must be, whether it stands in a file or is made in Python."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from sleepagree.errors import MappingError, printable, shorten
from sleepagree.mapping.words import LEAVE_OUT, canonical_stage


class CheckedMapping(NamedTuple):
    """The mapping that is checked: its name, and the file it stands in, "" for one that is made in Python."""

    name: str
    path: str = ""

    def wrong(self, where: str, problem: str, found: str, expected: str, remedy: str) -> MappingError:
        """Return the error that tells what is wrong with it, and where."""
        if not self.path:
            where = f"mapping '{shorten(self.name)}', {where.strip('[]')}"
        return MappingError(problem, self.path, where, found, expected, remedy)


def is_name(value: Any) -> bool:
    """Whether a value can name a mapping or a class."""
    return isinstance(value, str) and bool(value.strip()) and printable(value) == value


def check_name(name: Any, path: str) -> None:
    """Refuse a name of a mapping that cannot be shown."""
    if not is_name(name):
        remedy = 'Give it a name such as "deep or not".'
        raise MappingError("the name must be a printable text", path, "name", repr(name), "a text", remedy)


def check_classes(classes: Sequence[str], mapping: CheckedMapping) -> None:
    """Refuse classes of one side that cannot be told apart, or that nothing is told apart by."""
    nameless = next((name for name in classes if not is_name(name)), None)
    if nameless is not None:
        problem, expected = "the name of a class must be a printable text", "a text"
        raise mapping.wrong("classes", problem, repr(nameless), expected, "Give every class a name.")
    named = ", ".join(classes)
    if len(set(classes)) != len(classes) or LEAVE_OUT in classes:
        problem = "a class stands twice, or is called leave-out"
        raise mapping.wrong("classes", problem, named, "distinct names", "Name each class once.")
    if len(classes) < 2:
        problem, remedy = (
            "a mapping needs at least two classes on both sides",
            "Agreement needs something to tell apart.",
        )
        raise mapping.wrong("classes", problem, named or "none", "two or more", remedy)


def check_entries(
    side: str, entries: Iterable[tuple[str, str]], classes: Sequence[str], mapping: CheckedMapping
) -> None:
    """Refuse entries of one side that take one stage or label into two classes, or nothing into one."""
    first: dict[str, tuple[str, str]] = {}
    for label, target in entries:
        before, its_target = first.setdefault(canonical_stage(label) or label, (label, target))
        if its_target != target:
            problem, remedy = "one stage is assigned twice under two spellings", "Take one of the two out."
            found = f"'{shorten(before)}' and '{shorten(label)}'"
            raise mapping.wrong(f"[{side}]", problem, found, "each label once", remedy)
    used = {target for _, target in first.values()}
    empty = next((name for name in classes if name not in used), None)
    if empty is not None:
        problem, expected = f"no {side} label is taken into a declared class", "at least one label for every class"
        remedy = "Add a label to it, or take it out of the classes."
        raise mapping.wrong(f"[{side}]", problem, empty, expected, remedy)
