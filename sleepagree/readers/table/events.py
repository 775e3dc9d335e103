"""BIDS ``*_events.tsv``: a table whose onsets are seconds and whose codes a JSON file beside or above it explains.

References
----------
.. [1] Gorgolewski KJ, Auer T, Calhoun VD, et al. The brain imaging data structure, a format for organizing and
   describing outputs of neuroimaging experiments. Sci Data 2016;3:160044. The rules for ``events.tsv`` (onset and
   duration in seconds, ``n/a`` for a missing value), for ``Levels`` and for the inheritance of JSON files are
   those of the BIDS specification, sections "Task events", "Tabular files" and "The inheritance principle".
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from sleepagree.caution import FileName, Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, UnknownStageError, for_page, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.columns import find_columns
from sleepagree.readers.layout import NO_LAYOUT, Layout, for_labels
from sleepagree.readers.table.reader import spans_of_table, table_of_text
from sleepagree.readers.table.table import Table

_MISSING: Final = "n/a"
#: Folders below the root of a BIDS dataset: participant, session, kind of data.
_FOLDER_BELOW_ROOT: Final = re.compile(r"(sub|ses)-[A-Za-z0-9]+", re.ASCII)
_LARGEST_SIDECAR: Final = 16 * 1024 * 1024


def read_events(
    path: str | os.PathLike[str],
    *,
    layout: Layout | None = None,
    zone: str | None = None,
    own_words: Iterable[str] = frozenset(),
) -> ScoredSpans:
    """Read a BIDS events file.

    Parameters
    ----------
    path : path-like
        ``*_events.tsv``; ``Levels`` of its stage column are looked up in the JSON files that belong to it, beside
        it and in the folders of session, participant and dataset.
    layout, zone, own_words
        As for `spans_of_table`. A layout goes before ``Levels``; it may name a code or what
        the code means.

    Returns
    -------
    ScoredSpans
        Labels are what ``Levels`` says of a code; ``start`` is None unless the layout says when second 0 was.

    Raises
    ------
    FileFormatError, EpochGridError, ClockError, InputError
        As :func:`sleepagree.readers.table.reader.spans_of_table`; also when a JSON file is broken.
    UnknownStageError
        When a label or code is explained neither by ``Levels`` nor by a layout.
    """
    name = os.fspath(path)
    layout = layout or NO_LAYOUT
    table = table_of_text(name, layout, "events")
    columns = find_columns(table.names, layout, path=name, where=table.header_place)
    stage = table.names[columns.stage]
    levels, notes = ({}, ()) if columns.marks else find_levels(Path(path), stage)
    if not levels and not columns.rechtschaffen_kales and not columns.marks:
        _refuse_bare_codes(table, columns.stage, layout, frozenset(own_words))
    table = table._replace(
        notes=(*table.notes, *notes),
        levels=levels,
        elapsed=True,
        duration_unit=1.0,
        missing=frozenset((_MISSING,)),
        decimal_point=True,
    )
    return spans_of_table(table, layout=layout, zone=zone, own_words=own_words)


def _refuse_bare_codes(table: Table, position: int, layout: Layout, own_words: frozenset[str]) -> None:
    """Refuse numbers that nothing explains: the same one means different stages in different data sets."""
    texts, stage = table.texts(position), table.names[position]
    labels = dict.fromkeys(text.strip() for text in dict.fromkeys(texts))
    codes = [label for label in labels if _code(label) and label not in layout.stages and label not in own_words]
    if not codes:
        return
    rows = [row for row, text in enumerate(texts) if text.strip() == codes[0]]
    first = sorted(codes, key=float)[:20]
    problem = "the stages are numbers, and no JSON file says what they mean"
    where = f"{table.places.listing(rows)}, " * (len(codes) == 1) + f"column '{shorten(stage)}'"
    expected = f"'Levels' of '{shorten(stage)}' in an events.json" + for_page(", or a layout", "")
    raise UnknownStageError(problem, table.path, where, ", ".join(first), expected, for_labels(first), codes)


def _code(label: str) -> bool:
    return re.fullmatch(r"-?\d{1,4}(\.0+)?", label, re.ASCII) is not None


# --- the JSON files that belong to a table ---------------------------------------------------------------


def find_levels(path: Path, column: str) -> tuple[Mapping[str, str], tuple[Note, ...]]:
    """Return what the codes of a column mean, by the JSON files that belong to an events file.

    Parameters
    ----------
    path : Path
        ``*_events.tsv``.
    column : str
        Name of the column.

    Returns
    -------
    tuple of (mapping of str to str, tuple of Note)
        Code -> meaning, and ledger lines. A file in a lower folder goes before one in a higher folder, and of two
        in one folder the one whose name says more.

    Raises
    ------
    FileFormatError
        When a JSON file is broken or its ``Levels`` are no texts.
    """
    held = [(file, content[column]) for file in find_sidecars(path) if column in (content := _read_object(file))]
    if not held:
        return {}, ()
    source, described = held[-1]
    if not isinstance(described, dict):
        raise _broken(source, f"'{shorten(column)}'", type(described).__name__, "an object that describes the column")
    if "Levels" not in described:
        return {}, ()
    levels = _texts_of_levels(described["Levels"], source, column)
    file = FileName(source.name)
    notes = [Note.of(NoteKind.LEVELS_READ, column=OwnWord(column), file=file)]
    if not _belongs(source, path, exact=True):
        notes.append(Note.of(NoteKind.LEVELS_NAMED_OTHERWISE, file=file))
    return levels, tuple(notes)


def _texts_of_levels(levels: Any, source: Path, column: str) -> dict[str, str]:
    where = f"'{shorten(column)}', 'Levels'"
    if not isinstance(levels, dict):
        raise _broken(source, where, type(levels).__name__, "an object of codes and their meanings")
    meanings: dict[str, str] = {}
    for code, meaning in levels.items():
        # since version 1.8 of the standard a level may be an object with a description
        text = meaning.get("Description", code) if isinstance(meaning, dict) else meaning
        if not isinstance(text, str):
            raise _broken(source, f"{where}, '{shorten(code)}'", str(text), "a text")
        meanings[code] = text
        if re.fullmatch(r"-?\d+", code, re.ASCII):
            # programs that know no missing integers write whole numbers as decimals
            meanings.setdefault(f"{code}.0", text)
    return meanings


def find_sidecars(path: Path) -> list[Path]:
    """Return the JSON files that belong to an events file, the one that counts most last.

    Parameters
    ----------
    path : Path
        ``*_events.tsv``.

    Returns
    -------
    list of Path
        Those that are there now; folders that cannot be listed are passed over.
    """
    found: list[Path] = []
    for folder in reversed(_folders(path)):
        try:
            here = [file for file in folder.iterdir() if file.name.casefold().endswith("events.json")]
        except OSError:
            continue
        found += sorted((file for file in here if _belongs(file, path)), key=lambda file: (len(_entities(file)), file))
    exact = [file for file in found if _belongs(file, path, exact=True)]
    return exact or found


def _folders(path: Path) -> list[Path]:
    """Return the folder of a table and those above it up to the root of its dataset."""
    folder = Path(os.path.abspath(path)).parent  # noqa: PTH100 - links stay as they are
    folders = [folder]
    if not _FOLDER_BELOW_ROOT.fullmatch(folder.name) and _FOLDER_BELOW_ROOT.fullmatch(folder.parent.name):
        folder = folder.parent  # a folder of one kind of data (eeg, beh ...)
        folders.append(folder)
    while _FOLDER_BELOW_ROOT.fullmatch(folder.name) and folder.parent != folder:
        folder = folder.parent
        folders.append(folder)
    return folders


def _entities(file: Path) -> frozenset[str]:
    return frozenset(file.name.split(".")[0].split("_")[:-1])


def _belongs(sidecar: Path, table: Path, *, exact: bool = False) -> bool:
    """Whether everything that a JSON file's name says is said by the table's name too."""
    said, asked = _entities(sidecar), _entities(table)
    if exact:
        return said <= asked
    return {part.casefold() for part in said} <= {part.casefold() for part in asked}


def _read_object(sidecar: Path) -> dict[str, Any]:
    data = read_bytes(sidecar, expected="a JSON object", largest=_LARGEST_SIDECAR)
    try:
        content = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise _broken(sidecar, f"byte {error.start}", "a byte that is not UTF-8", "UTF-8") from None
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise _broken(sidecar, where, error.msg, "a JSON object") from None
    except RecursionError as error:
        raise _broken(sidecar, "", type(error).__name__, "a JSON object") from None
    except ValueError:
        raise _broken(sidecar, "", "a number of thousands of digits", "a JSON object") from None
    if not isinstance(content, dict):
        raise _broken(sidecar, "", type(content).__name__, "a JSON object")
    return content


def _broken(sidecar: Path, where: str, found: str, expected: str) -> FileFormatError:
    problem = "the description of the columns cannot be used"
    remedy = "Correct this file; it belongs to the table that was to be read."
    return FileFormatError(problem, str(sidecar), where, found, expected, remedy)
