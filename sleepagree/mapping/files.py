"""Mappings from TOML files: ``name``, ``classes``, ``[reference]`` and ``[device]`` stage or label = class.

An entry that is spelt like a stage word, in any case, is about that stage and is never looked up by a label. Any other
entry is about the native label of that spelling.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from sleepagree.errors import MappingError, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.files.toml import TomlError, parse_toml
from sleepagree.mapping.checks import CheckedMapping, check_classes, check_name, is_name
from sleepagree.mapping.mapping import StageMapping, mapping_named
from sleepagree.mapping.words import LEAVE_OUT, recognise_label

_KEYS: Final = ("name", "classes", "assumption", "reference", "device")
_EXAMPLE: Final = (
    'A mapping file looks like\n    name = "my-mapping"\n    classes = ["wake", "sleep"]\n'
    '    [reference]\n    W = "wake"\n    N1 = "sleep"\n    ...\n    [device]\n    Awake = "wake"\n    ...'
)


def find_mapping(text: str | os.PathLike[str]) -> StageMapping:
    """Return the built-in mapping of that name, or the one in the file of that path (``.toml``).

    Parameters
    ----------
    text : str or path
        A name, such as ``"rem-left-out"``, or the path of a mapping file.

    Raises
    ------
    MappingError
        When the name is unknown or the file is no mapping.

    Examples
    --------
    >>> find_mapping("wake-sleep").reference_classes
    ('wake', 'sleep')
    """
    name = os.fspath(text)
    return read_mapping(name) if is_mapping_file(name) else mapping_named(name)


#: What stands for one mapping or several wherever mappings are taken.
Mappings = StageMapping | str | os.PathLike[str] | Iterable[StageMapping | str | os.PathLike[str]] | None


def take_mappings(given: Mappings) -> tuple[StageMapping, ...]:
    """Return mappings given as such, as names of built-in ones, or as paths of files; one alone or several.

    Raises
    ------
    MappingError
        As :func:`find_mapping`.
    TypeError
        For what is none of these.

    Examples
    --------
    >>> [mapping.name for mapping in take_mappings(["wake-sleep", find_mapping("rem-left-out")])]
    ['wake-sleep', 'rem-left-out']
    """
    if given is None:
        return ()
    if isinstance(given, (StageMapping, str, os.PathLike)) or not isinstance(given, Iterable):
        return (_take_mapping(given, "mappings"),)
    return tuple(_take_mapping(each, f"mappings[{i}]") for i, each in enumerate(given))


def _take_mapping(given: object, where: str) -> StageMapping:
    if isinstance(given, StageMapping):
        return given
    if isinstance(given, (str, os.PathLike)):
        return find_mapping(given)
    expected = "a StageMapping, the name of a built-in one or the path of a file"
    raise TypeError(f"{where} must be {expected}, not {shorten(given)!r}")


def is_mapping_file(text: str) -> bool:
    """Whether a text is the path of a mapping file, by its ending, and no name of a built-in mapping."""
    return text.casefold().endswith(".toml")


def read_mapping(path: str | os.PathLike[str]) -> StageMapping:
    r"""Read a mapping file.

    Parameters
    ----------
    path : path
        TOML file with ``name``, ``classes`` (in the order of rows and columns), ``[reference]`` and
        ``[device]``: stage or native label = class or ``"leave-out"``. A class that no device label is taken into is
        one that the device cannot report.

    Raises
    ------
    MappingError
        When a key is missing or unknown, a class is not declared, or as :class:`StageMapping` says.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> text = 'classes = ["awake", "asleep"]\n[reference]\nW = "awake"\nsleep = "asleep"\n'
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "watch.toml"
    ...     _ = path.write_text(text + '[device]\nW = "awake"\nsleep = "asleep"\n')
    ...     read_mapping(path).device_classes
    ('awake', 'asleep')
    """
    path = Path(path)
    document = _parse(path)
    for key in document:
        if key not in _KEYS:
            raise _wrong(path.name, f"key '{shorten(key)}'", "unknown key", str(key), "one of " + ", ".join(_KEYS))
    name = document.get("name", path.stem)
    check_name(name, path.name)
    classes = _read_classes(document.get("classes"), path.name)
    check_classes(classes, CheckedMapping(name, path.name))
    reference = _read_side(document, "reference", classes, path.name)
    device = _read_side(document, "device", classes, path.name)
    said = {target for _, target in device}
    assumption = document.get("assumption", "As the mapping file says.")
    return StageMapping(
        name, classes, tuple(c for c in classes if c in said), reference, device, str(assumption), path.name
    )


def own_words(mappings: Sequence[StageMapping], side: str) -> frozenset[str]:
    """Return the native labels of a side that mappings explain and that are no plain words either.

    Parameters
    ----------
    mappings : sequence of StageMapping
        The mappings.
    side : str
        ``"reference"`` or ``"device"``: a word of one side says nothing about a text in the file of the other.
    """
    return frozenset(
        label
        for mapping in mappings
        for label, _ in getattr(mapping, side + "_labels")
        if recognise_label(label) is None
    )


def _parse(path: Path) -> dict[str, Any]:
    try:
        return parse_toml(read_bytes(path, expected="a mapping (TOML)").decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        found = "a byte that is not UTF-8"
        raise _wrong(path.name, f"byte {error.start}", "not UTF-8", found, "a UTF-8 text") from None
    except TomlError as error:
        raise _wrong(path.name, "", "not valid TOML", str(error), "TOML 1.0 (each label once)") from None


def _wrong(path: str, where: str, problem: str, found: str, expected: str, remedy: str = _EXAMPLE) -> MappingError:
    return MappingError(problem, path, where, found, expected, remedy)


def _read_classes(value: Any, path: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(is_name(item) for item in value):
        problem = "'classes' must list the classes in the order of rows, as printable texts"
        raise _wrong(path, "classes", problem, repr(value), 'a list such as ["wake", "light", "deep"]')
    return tuple(value)


def _read_side(
    document: Mapping[str, Any], side: str, classes: tuple[str, ...], path: str
) -> tuple[tuple[str, str], ...]:
    table = document.get(side)
    if not isinstance(table, dict) or not table:
        found = "nothing" if table is None else repr(table)
        raise _wrong(path, f"[{side}]", f"no [{side}] table", found, "lines of the form label = class")
    for label, target in table.items():
        if not isinstance(target, str) or target not in (*classes, LEAVE_OUT):
            where, expected = f"[{side}], label '{shorten(label)}'", "one of " + ", ".join((*classes, LEAVE_OUT))
            remedy = "Correct the line, or add the class to 'classes'."
            raise _wrong(path, where, "unknown class", str(target), expected, remedy)
    return tuple(table.items())
