"""A JSON list of records with the same fields, read by the rules for the columns of a table."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import shorten
from sleepagree.hypnogram.spans import Origin, ScoredSpans
from sleepagree.readers.json.fields import Field, JsonDocument
from sleepagree.readers.layout import Layout
from sleepagree.readers.rows import Places
from sleepagree.readers.table.reader import spans_of_table
from sleepagree.readers.table.table import Table


@dataclass(frozen=True)
class Records:
    """Records of a file and how they were found.

    Parameters
    ----------
    fields : tuple of Field
        One object each, at least one.
    notes : tuple of Note
        Ledger lines.
    """

    fields: tuple[Field, ...]
    notes: tuple[Note, ...] = ()


def find_records(document: JsonDocument) -> Records | None:
    """Return the records of a document, or None where it holds none.

    Parameters
    ----------
    document : JsonDocument
        A list of objects, one object a line, or an object in which one field is a list of objects.

    Raises
    ------
    FileFormatError
        When more than one field is such a list, or a list holds something else besides objects.
    """
    if document.by_line:
        return Records(document.fields, document.notes)
    root, notes = document.fields[0], document.notes
    if isinstance(root.value, dict):
        lists = [key for key, value in root.value.items() if _holds_objects(value)]
        if not lists:
            return None
        if len(lists) > 1:
            root.fail(
                "more than one field holds a list of records",
                found=", ".join(f"'{shorten(key)}'" for key in lists[:6]),
                expected="one list of records",
                remedy="Write the one with the stages to a file of its own.",
            )
        root = root.need(lists[0], "a list of records")
        notes = (*notes, Note.of(NoteKind.RECORDS_FROM_FIELD, field=OwnWord(lists[0])))
    elif not _holds_objects(root.value):
        return None
    fields = tuple(root.elements())
    for field in fields:
        field.mapping()
    return Records(fields, notes)


def _holds_objects(value: object) -> bool:
    return isinstance(value, list) and any(isinstance(element, dict) for element in value)


def read_records(
    records: Records,
    *,
    origin: Origin,
    path: str,
    layout: Layout,
    zone: str | None = None,
    own_words: Iterable[str] = (),
) -> ScoredSpans:
    """Read records by the rules for tables.

    Parameters
    ----------
    records : Records
        At least one.
    origin : Origin
        File name and hash, carried into the result.
    path : str
        File, for messages.
    layout : Layout
        How to read them; what it leaves open is found by plain names of fields.
    zone : str, optional
        IANA zone of times without one.
    own_words : iterable of str
        Labels that a mapping file explains.

    Raises
    ------
    FileFormatError, EpochGridError, ClockError, UnknownStageError
        As for tables.
    """
    rows = [field.mapping() for field in records.fields]
    nested = {name for row in rows for name, value in row.items() if isinstance(value, dict | list)}
    names = [name for name in dict.fromkeys(name for row in rows for name in row) if name not in nested]
    notes = list(records.notes)
    if nested:
        notes.append(Note.of(NoteKind.FIELDS_NESTED, fields=tuple(map(OwnWord, sorted(nested)[:6]))))
    if not names:
        records.fields[0].fail(
            "the records hold no plain field",
            found="objects and lists only",
            expected="fields such as start, end and stage",
            remedy="Export flat records, or a table.",
        )
    columns = {position: [_cell(row.get(name)) for row in rows] for position, name in enumerate(names)}
    places = Places([field.place.removesuffix(": ") for field in records.fields], "{}", "{}")
    table = Table(
        tuple(names),
        columns,
        places,
        origin,
        path,
        tuple(notes),
        missing=frozenset({""}),
        header_place=str(places.numbers[0]),
        decimal_point=True,
    )
    return spans_of_table(table, layout=layout, zone=zone, own_words=own_words)


def _cell(value: object) -> str:
    """Return a value as the text that a table would hold."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        # 1714599660.0 is how some writers put a whole number
        return str(int(value))
    return str(value)
