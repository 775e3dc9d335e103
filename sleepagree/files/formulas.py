"""Cells of the tables that are written out: text from somebody else's file must not run as a formula.

What is written with an apostrophe for that reason reads back without it.
"""

from __future__ import annotations

from typing import Final

#: A spreadsheet takes a cell that begins with one of these for a formula, or may after it has cut the tab.
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


def escape_formula(text: str) -> str:
    """Return a table cell that no spreadsheet runs as a formula.

    A cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return gets a leading apostrophe,
    unless it is a plain number. One that has apostrophes there already gets one more, so that it reads back as it was.

    Parameters
    ----------
    text : str
        The cell.

    Examples
    --------
    >>> escape_formula("=2+5"), escape_formula("-12.5"), escape_formula("N2")
    ("'=2+5", '-12.5', 'N2')
    """
    return "'" + text if _is_formula(text.lstrip("'")) else text


def unescape_formula(cell: str) -> str:
    """Return the text that :func:`escape_formula` made a cell of.

    Examples
    --------
    >>> unescape_formula("'=2+5"), unescape_formula("'-12.5"), unescape_formula("'N2")
    ('=2+5', "'-12.5", "'N2")
    """
    return cell[1:] if cell.startswith("'") and _is_formula(cell.lstrip("'")) else cell


def _is_formula(text: str) -> bool:
    return text.startswith(_FORMULA_STARTS) and not _is_number(text)


def _is_number(text: str) -> bool:
    # float() also takes "1_000", spaces around and "nan", which a spreadsheet does not read as numbers
    if not text.isascii() or "_" in text or text != text.strip():
        return False
    try:
        float(text)
    except ValueError:
        return False
    return any(character.isdigit() for character in text)
