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
    """Whose rows are chosen: key of a layout, which is the word for one, and other words."""

    key: str
    many: str
    about: str  # what rows are to it
    ask: str
    absent: str
    note: NoteKind


_PERSON: Final = _Of(
    *("person", "people", "about", "whose rows to read", "no row is about the person whose rows to read"),
    NoteKind.ROWS_OF_PERSON,
)
_NIGHT: Final = _Of(
    *("night", "nights", "of", "which night to read", "no row is of the night to read"), NoteKind.ROWS_OF_NIGHT
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
    key = of.key
    if position is None:
        if wanted is None:
            return table
        problem = for_page("the layout names", "the answers name") + f" a {key} and no column of {of.many}"
        remedy = for_page(
            f'Name the column too: [file] {key}_column = "..."',
            f'Say at the head of the columns which is "{key}", too.',
        )
        where = for_page(f"[file], key '{key}' of {layout.name or 'the layout'}", asked(key))
        raise FileFormatError(problem, table.path, where, "", "both", remedy)
    names = table.cells(position)
    held = list(dict.fromkeys(names))
    if len(held) == 1 and (not wanted or wanted in held):
        return table
    line, answer = f"{key} = {toml_text(held[0])}", f"Answer {asked(key)}."
    if wanted is None:
        problem, expected = f"the rows are {of.about} {len(held)} {of.many}", f"one {key}"
        remedy = for_page(f"Say {of.ask} in a layout ({Option.LAYOUT:FILE.toml}) with\n    [file]\n    {line}", answer)
    elif not wanted:
        problem, expected = f"it is not told {of.ask}", f"one {key} of {len(held)}"
        remedy = for_page(f"Fill in '{key}' in the layout, for instance\n    [file]\n    {line}", answer)
    elif wanted not in held:
        problem, expected = of.absent, f"rows of '{shorten(wanted)}'"
        from_table = ", or the participant in the nights table" if of is _PERSON else ""
        remedy = for_page(f"Correct '{key}' in the layout{from_table}.", f"Correct {asked(key)}.")
    else:
        rows = np.flatnonzero([name == wanted for name in names])
        note = Note.of(of.note, rows=int(rows.size), of=len(names), column=OwnWord(table.names[position]))
        return table.taking(rows)._replace(notes=(*table.notes, note))
    where = f"column '{shorten(table.names[position])}'"
    raise InputError(problem, table.path, where, list_names(held), expected, remedy)
