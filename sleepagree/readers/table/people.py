"""Rows of one person, or of one night, out of a table of several."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, InputError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.readers.columns import Columns, list_names
from sleepagree.readers.layout import Layout
from sleepagree.readers.table.table import Table


class _Of(NamedTuple):
    """Whose rows are chosen: key of a layout, of its column, and the words for it."""

    key: str
    column_key: str
    one: str
    many: str
    about: str  # what rows are to it
    ask: str
    absent: str


_PERSON: Final = _Of(
    *("person", "person_column", "person", "people", "about", "whose rows to read"),
    "no row is about the person whose rows to read",
)
_NIGHT: Final = _Of(
    *("night", "night_column", "night", "nights", "of", "which night to read"),
    "no row is of the night to read",
)


def rows_asked_for(table: Table, columns: Columns, layout: Layout) -> Table:
    """Return the rows of the person and of the night that a layout asks for; all where a table names neither.

    Raises
    ------
    FileFormatError
        When the layout names a person or a night, and no column of them.
    InputError
        When the column names several and none is asked for, or not the one that is.
    """
    table = _rows_of(_PERSON, table, columns.person, layout.person, layout)
    return _rows_of(_NIGHT, table, columns.night, layout.night, layout)


def _rows_of(of: _Of, table: Table, position: int | None, wanted: str | None, layout: Layout) -> Table:
    if position is None:
        if wanted is None:
            return table
        problem, expected = (
            for_page("the layout names", "the answers name") + f" a {of.one} and no column of {of.many}",
            "both",
        )
        remedy = for_page(
            f'Name the column too: [file] {of.column_key} = "..."',
            f'Say at the head of the columns which is "{of.one}", too.',
        )
        where = for_page(f"[file], key '{of.key}' of {layout.name or 'the layout'}", asked(of.key))
        raise FileFormatError(problem, table.path, where, "", expected, remedy)
    names = table.cells(position)
    column = table.names[position]
    held = list(dict.fromkeys(names))
    if not wanted and len(held) == 1:
        return table
    if wanted is None:
        line = f"{of.key} = {toml_text(held[0])}"
        in_layout = for_page(
            f"Say {of.ask} in a layout ({Option.LAYOUT:FILE.toml}) with\n    [file]\n    {line}",
            f"Answer {asked(of.key)}.",
        )
        problem = f"the rows are {of.about} {len(held)} {of.many}"
        raise _not_one(table, column, held, problem, f"one {of.one}", in_layout)
    if not wanted:
        problem, expected = f"it is not told {of.ask}", f"one {of.one} of {len(held)}"
        line = f"{of.key} = {toml_text(held[0])}"
        remedy = for_page(
            f"Fill in '{of.key}' in the layout, for instance\n    [file]\n    {line}", f"Answer {asked(of.key)}."
        )
        raise _not_one(table, column, held, problem, expected, remedy)
    if wanted not in held:
        problem, expected = of.absent, f"rows of '{shorten(wanted)}'"
        from_table = ", or the participant in the nights table" if of is _PERSON else ""
        remedy = for_page(f"Correct '{of.key}' in the layout{from_table}.", f"Correct {asked(of.key)}.")
        raise _not_one(table, column, held, problem, expected, remedy)
    if len(held) == 1:
        return table
    rows = np.flatnonzero([name == wanted for name in names])
    facts = {"rows": int(rows.size), "of": len(names), "column": OwnWord(column)}
    is_person = of is _PERSON
    note = Note.of(NoteKind.ROWS_OF_PERSON, **facts) if is_person else Note.of(NoteKind.ROWS_OF_NIGHT, **facts)
    return table.taking(rows)._replace(notes=(*table.notes, note))


def _not_one(table: Table, column: str, held: list[str], problem: str, expected: str, remedy: str) -> InputError:
    return InputError(problem, table.path, f"column '{shorten(column)}'", list_names(held), expected, remedy)
