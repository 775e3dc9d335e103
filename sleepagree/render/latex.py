"""Tables as LaTeX that needs no package."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import Table
from sleepagree.render.page import with_minus

#: A bracket or a star after the end of a row would be an option of it, so it stands in braces.
_SPECIAL: Final = {
    "\\": r"\textbackslash{}", "{": r"\{", "}": r"\}", "$": r"\$", "&": r"\&", "#": r"\#", "_": r"\_", "%": r"\%",
    "^": r"\textasciicircum{}", "~": r"\textasciitilde{}", "<": r"\textless{}", ">": r"\textgreater{}",
    "|": r"\textbar{}", '"': "''", "[": "{[}", "]": "{]}", "*": "{*}", "−": "$-$", "–": "--", "±": r"$\pm$",
    "…": r"\ldots{}", "\xa0": "~",
}  # fmt: skip
#: What about fits between the margins of LaTeX's own article at 10 points; a gap between columns is about 2.5 of them.
_CHARACTERS: Final = 70
_COLUMN_GAP: Final = 2.5
_ANY_SPECIAL: Final = re.compile("|".join(map(re.escape, _SPECIAL)))


def render_latex(tables: Sequence[Table]) -> str:
    r"""Return tables as ``table`` environments with a caption and ``\hline``, one below the other.

    Parameters
    ----------
    tables : sequence of Table
        Tables.

    Returns
    -------
    str
        LaTeX in which no text of a table is a command, with a line end at its end. Wide tables are set small, across
        both columns where the paper has two.
    """
    return "\n".join(map(_environment, tables))


def _environment(table: Table) -> str:
    places = "".join("l" if column.is_words else "r" for column in table.columns)
    heads = [column.head for column in table.columns]
    rows = [[cell.text for cell in row] for row in table.rows]
    width = sum(max(map(len, texts)) + _COLUMN_GAP for texts in zip(heads, *rows, strict=True))
    name, small = ("table*", [r"  \footnotesize\setlength{\tabcolsep}{2pt}"]) if width > _CHARACTERS else ("table", [])
    lines = [
        rf"\begin{{{name}}}",
        r"  \centering",
        rf"  \caption{{{_escape(table.caption)}.}}",
        *small,
        rf"  \begin{{tabular}}{{{places}}}",
        r"    \hline",
        _row(heads),
        r"    \hline",
        *map(_row, rows),
        r"    \hline",
        r"  \end{tabular}",
        rf"\end{{{name}}}",
    ]
    return "\n".join(lines) + "\n"


def _row(texts: Sequence[str]) -> str:
    return rf"    {' & '.join(map(_escape, texts))} \\"


def _escape(text: str) -> str:
    return _ANY_SPECIAL.sub(lambda found: _SPECIAL[found[0]], with_minus(text))
