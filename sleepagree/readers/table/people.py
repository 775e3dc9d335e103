"""Rows of one person out of a table of several."""

from __future__ import annotations

import numpy as np

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, InputError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.readers.columns import Columns, list_names
from sleepagree.readers.layout import Layout
from sleepagree.readers.table.table import Table


def rows_of_person(table: Table, columns: Columns, layout: Layout) -> Table:
    """Return the rows of the person that a layout asks for; all of them where a table has no column of people.

    Raises
    ------
    FileFormatError
        When the layout names a person and no column of people.
    InputError
        When the column names several people and none is asked for, or not the one who is.
    """
    if columns.person is None:
        if layout.person is None:
            return table
        problem, expected = (
            for_page("the layout names", "the answers name") + " a person and no column of people",
            "both",
        )
        remedy = for_page(
            'Name the column too: [file] person_column = "..."',
            'Say at the head of the columns which is "person", too.',
        )
        where = for_page(f"[file], key 'person' of {layout.name or 'the layout'}", asked("person"))
        raise FileFormatError(problem, table.path, where, "", expected, remedy)
    names = [text.strip() for text in table.texts(columns.person)]
    column = table.names[columns.person]
    people = list(dict.fromkeys(names))
    if layout.person is None:
        if len(people) == 1:
            return table
        line = f"person = {toml_text(people[0])}"
        in_layout = for_page(
            f"Say whose rows to read in a layout ({Option.LAYOUT:FILE.toml}) with\n    [file]\n    {line}",
            f"Answer {asked('person')}.",
        )
        raise _not_one(table, column, people, f"the rows are about {len(people)} people", "one person", in_layout)
    if layout.person not in people:
        problem, expected = "no row is about the person whose rows to read", f"rows of '{shorten(layout.person)}'"
        remedy = for_page(
            "Correct 'person' in the layout, or the participant in the nights table.", f"Correct {asked('person')}."
        )
        raise _not_one(table, column, people, problem, expected, remedy)
    if len(people) == 1:
        return table
    rows = np.flatnonzero([name == layout.person for name in names])
    note = Note.of(NoteKind.ROWS_OF_PERSON, rows=int(rows.size), of=len(names), column=OwnWord(column))
    return table.taking(rows)._replace(notes=(*table.notes, note))


def _not_one(table: Table, column: str, people: list[str], problem: str, expected: str, remedy: str) -> InputError:
    return InputError(problem, table.path, f"column '{shorten(column)}'", list_names(people), expected, remedy)
