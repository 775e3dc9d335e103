"""A JSON list of records with the same fields, read by the rules for the columns of a table."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import asked, for_page, shorten
from sleepagree.hypnogram.spans import Origin
from sleepagree.readers.columns import are_told
from sleepagree.readers.json.fields import Field, JsonDocument
from sleepagree.readers.layout import Layout
from sleepagree.readers.rows import Places
from sleepagree.readers.table.table import Table, cell_text

#: What the field of plain values in a list is called, and that of the names that "*" stands for.
_VALUE: Final = "value"
KEY: Final = "key"
ANY: Final = "*"
_PATH_REMEDY: Final = for_page(
    "Correct 'records' in the layout, or check that this is the file it was written for.",
    f"Correct {asked('records')}, or check that this is the right file.",
)


def find_records(document: JsonDocument, path: str | None = None) -> JsonDocument | None:
    """Return a document of which each field is a record, one at least, or None where it holds none.

    Parameters
    ----------
    document : JsonDocument
        A list of objects, one object a line, or an object in which one field is a list of objects.
    path : str, optional
        Where the list stands: names of fields parted by dots, such as ``sleep.segments``; "." is the document itself. A
        name that leads into each object of a list makes one list of theirs, and so does "*", which is every field: its
        name is then a field ``key``; ``nights[0]`` is the first element of a list alone. A list of plain values, or one
        text, is a field ``value``; elements that are lists have the fields ``1``, ``2`` ...; lists of one length inside
        one object are the fields.

    Raises
    ------
    FileFormatError
        When more than one field is such a list, a list holds something else besides objects, or the path leads nowhere.
    """
    if path is not None:
        return _records_at(document, path)
    if document.by_line:
        return document
    root, notes = document.fields[0], document.notes
    if isinstance(root.value, dict):
        lists = [key for key, value in root.value.items() if _holds_objects(value)]
        if not lists:
            return None
        if len(lists) > 1:
            found, expected = ", ".join(f"'{shorten(key)}'" for key in lists[:6]), "one list of records"
            remedy = "Write the one with the stages to a file of its own."
            root.fail("more than one field holds a list of records", found=found, expected=expected, remedy=remedy)
        root = root.need(lists[0], "a list of records")
        notes = (*notes, Note.of(NoteKind.RECORDS_FROM_FIELD, field=OwnWord(lists[0])))
    elif not _holds_objects(root.value):
        return None
    fields = tuple(root.elements())
    for field in fields:
        field.mapping()
    return replace(document, fields=fields, notes=notes)


def _holds_objects(value: object) -> bool:
    return isinstance(value, list) and any(isinstance(element, dict) for element in value)


def _records_at(document: JsonDocument, path: str) -> JsonDocument:
    found: list[tuple[dict[str, object], Field]] = [({}, field) for field in document.fields]
    for step in filter(None, path.split(".")):
        holders = [(name, part) for name, field in found for part in field.parts()]
        if step == ANY:
            inner = [(key, holder.get(key)) for _, holder in holders for key in holder.mapping()]
            found = [({KEY: key}, field) for key, field in inner if field is not None]
        elif step.startswith("["):
            found = [(name, _element(field, step)) for name, field in found]
        else:
            expected = f"the records at '{shorten(path)}'"
            key, bracket, index = step.partition("[")
            found = [(name, holder.need(key, expected, _PATH_REMEDY)) for name, holder in holders]
            found = [(name, _element(field, bracket + index) if bracket else field) for name, field in found]
    parts = [(name, part) for name, field in found for part in field.parts()]
    if not parts:
        remedy = "Export the night again, or correct " + for_page("'records' in the layout.", f"{asked('records')}.")
        document.fields[0].fail("the list of records is empty", expected="a record or more", remedy=remedy)
    if len(parts) == 1 and (rows := rows_of_columns(parts[0][1].value)):
        ((name, whole),) = parts
        parts = [(name, Field(row, f"{whole.place}[{i}]", whole.path)) for i, row in enumerate(rows)]
    are_plain = not any(isinstance(part.value, dict) for _, part in parts)
    records = tuple(_record(name, part, is_plain=are_plain) for name, part in parts)
    notes = (*document.notes, Note.of(NoteKind.RECORDS_FROM_FIELD, field=OwnWord(path)))
    return replace(document, fields=records, notes=notes)


def _element(field: Field, index: str) -> Field:
    """Return one element of a list, as messages count them: "[0]" is the first."""
    elements, digits = field.elements(), index.removeprefix("[").removesuffix("]")
    if not digits.isdecimal() or int(digits) >= len(elements):
        last = f"a number from [0] to [{len(elements) - 1}]"
        field.fail("the list has no such element", found=f"'{shorten(index)}'", expected=last, remedy=_PATH_REMEDY)
    return elements[int(digits)]


def recordings(records: JsonDocument, path: str, *, are_runs: bool) -> list[str]:
    """Return the paths of the lists that a path leads to, in order: rows without times go on within one list only.

    Each object is a list of its own where its text holds the codes of many epochs.
    """
    places = [field.place.rpartition(": ")[2] for field in records.fields]
    if are_runs and (path.endswith(ANY) or any(len(flat_record(field.mapping())) > 1 for field in records.fields)):
        return list(dict.fromkeys(places))
    if path.endswith(ANY):
        return list(dict.fromkeys(place.rpartition(".")[0] for place in places))
    return list(dict.fromkeys(re.sub(r"\[\d+\]$", "", place) for place in places))


def _record(name: Mapping[str, object], part: Field, *, is_plain: bool) -> Field:
    """Return the fields of an element of a list, with the name above it."""
    if isinstance(part.value, list):
        fields: Mapping[str, object] = {str(i): value for i, value in enumerate(part.value, 1)}
    else:
        fields = {_VALUE: part.value} if is_plain else part.mapping()
    if name and KEY in fields:
        part.fail(f"a field is called '{KEY}', as '{ANY}' calls the names above it", remedy=_PATH_REMEDY)
    return Field({**name, **fields}, part.place, part.path)


def rows_of_columns(value: object) -> list[dict[str, object]]:
    """Return the rows of an object in which two or more lists of one length stand for columns."""
    if not isinstance(value, dict):
        return []
    lists = {key: inner for key, inner in value.items() if isinstance(inner, list) and is_plain_list(inner)}
    if len(lists) < 2 or len({len(inner) for inner in lists.values()}) > 1:
        return []
    return [dict(zip(lists, row, strict=True)) for row in zip(*lists.values(), strict=True)]


def is_plain_list(values: list[object]) -> bool:
    """Whether a list holds values, and none that hold others."""
    return bool(values) and not any(isinstance(value, dict | list) for value in values)


def table_of_records(records: JsonDocument, *, origin: Origin, path: str, layout: Layout) -> Table:
    """Return records as a table, to be read by its rules.

    Parameters
    ----------
    records : JsonDocument
        As :func:`find_records` returns it.
    origin : Origin
        File name and hash, carried into the result.
    path : str
        File, for messages.
    layout : Layout
        Fields it names may stand inside objects; what it leaves open is found by plain names.

    Raises
    ------
    FileFormatError
        When the records hold no plain field.
    """
    names, columns, skipped = _columns_of(records, layout)
    notes = list(records.notes)
    if skipped:
        notes.append(Note.of(NoteKind.FIELDS_NESTED, fields=tuple(map(OwnWord, sorted(skipped)[:6]))))
    if not names:
        problem, found = "the records hold no plain field", "objects and lists only"
        expected = "fields such as start, end and stage"
        records.fields[0].fail(problem, found=found, expected=expected, remedy="Export flat records, or a table.")
    places = Places([field.at for field in records.fields], "{}", "{}")
    return Table(
        tuple(names),
        dict(enumerate(columns)),
        places,
        origin,
        path,
        tuple(notes),
        missing=frozenset({""}),
        header_place=str(places.numbers[0]),
        decimal_point=True,
    )


def _columns_of(records: JsonDocument, layout: Layout) -> tuple[list[str], list[list[str]], set[str]]:
    """Return names and cells of the fields, and the names of those that were not looked at.

    Fields inside objects count where the layout names one, or where the plain fields hold no times or no stages.
    """
    rows = [field.mapping() for field in records.fields]
    names, nested = plain_fields(rows)
    if nested and not are_told(tuple(names), layout):
        flat = [flat_record(row) for row in rows]
        deeper, left = plain_fields(flat)
        if len(deeper) > len(names):
            rows, names, nested = flat, deeper, left
    # 1714599660.0 is how some writers put a whole number; beyond 2**53 there is no telling
    return names, [[cell_text(row.get(name), largest=2**53) for row in rows] for name in names], nested


def flat_record(record: Mapping[str, object], above: str = "") -> dict[str, object]:
    """Return the fields of a record, those of objects inside it under names parted by dots."""
    flat: dict[str, object] = {}
    for key, value in record.items():
        if isinstance(value, dict) and value:
            flat |= flat_record(value, f"{above}{key}.")
        else:
            flat[f"{above}{key}"] = value
    return flat


def plain_fields(rows: Sequence[Mapping[str, object]]) -> tuple[list[str], set[str]]:
    """Return the names of fields with plain values, in order of appearance, and of those with objects or lists."""
    nested = {name for row in rows for name, value in row.items() if isinstance(value, dict | list)}
    return [name for name in dict.fromkeys(name for row in rows for name in row) if name not in nested], nested
