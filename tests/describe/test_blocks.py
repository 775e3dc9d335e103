"""Sections and tables as they are built: what says nothing is left out, numbers are what columns are sorted by."""

from __future__ import annotations

import math

from sleepagree.describe.blocks import Cell, Items, Paragraph, beside, section, table, tabulate


def test_what_says_nothing_is_left_out() -> None:
    empty = Paragraph(""), None, Items(()), table("t", "Caption", ("a", "b"), ()), beside((Paragraph(""), None))
    assert section("one", "Title", *empty) is None
    assert section("one", "Title", *empty, detail=": none").blocks == ()
    assert section("one", "Title", *empty, Paragraph("Words.")).blocks == (Paragraph("Words."),)


def test_a_table_is_made_of_texts_whole_numbers_and_cells() -> None:
    heads, rows = ("name", "n", "share"), [("one", 3, Cell.share(0.25)), ("two", 0, Cell.share(math.nan))]
    made = table("t", "Caption", heads, rows)
    assert made.rows == ((Cell("one"), Cell("3", 3.0), Cell("25 %", 0.25)), (Cell("two"), Cell("0", 0.0), Cell("–")))
    told = [(head, lambda row, i=i: row[i]) for i, head in enumerate(heads)]
    assert tabulate("t", "Caption", told, rows) == made
