"""All columns of a table of any kind, before anything is known of them."""

from __future__ import annotations

import os

from sleepagree.readers import kind_of_file, opened
from sleepagree.readers.json.file import json_table
from sleepagree.readers.layout import NO_LAYOUT, Layout
from sleepagree.readers.table.excel import table_of_sheet
from sleepagree.readers.table.parquet import parquet_table
from sleepagree.readers.table.reader import table_of_text
from sleepagree.readers.table.table import Table


def whole_table(path: str | os.PathLike[str], layout: Layout | None = None) -> Table | None:
    """Return the table that a file holds, with all of its columns.

    Parameters
    ----------
    path : path-like
        Any file that can be read; ``-`` is standard input.
    layout : Layout, optional
        Of which the keys count that say where the table stands: ``delimiter``, ``encoding``, ``skip_lines``,
        ``header``, ``records``, ``sheet``, and ``shape`` for texts of codes without names.

    Returns
    -------
    Table or None
        None where the file is none: a recording, or records of a standard.

    Raises
    ------
    SleepAgreeError
        When it cannot be taken apart.
    """
    layout = layout or NO_LAYOUT
    with opened(os.fspath(path)) as (held, name, _):
        match kind_of_file(name):
            case "table" | "events" as kind:
                return table_of_text(held, layout, kind)
            case "excel":
                return table_of_sheet(held, layout)
            case "parquet":
                return parquet_table(held, layout, whole=True)
            case "json":
                return json_table(held, layout)
    return None
