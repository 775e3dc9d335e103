"""Blocks as Markdown: tables with pipes, as most tools that take Markdown know them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import Block, Heading, Items, Paragraph, Table
from sleepagree.render.page import with_minus

_ACTIVE: Final = re.compile(r"([\\`*_\[\]<>|&~#$])")


def render_markdown(blocks: Sequence[Block]) -> str:
    """Return headings, paragraphs, lists and tables as Markdown; other blocks have no place there.

    Parameters
    ----------
    blocks : sequence of Block
        In reading order.

    Returns
    -------
    str
        Markdown in which no text of a block is markup, with a line end at its end.
    """
    return "\n\n".join(part for block in blocks if (part := _render(block))) + "\n"


def _render(block: Block) -> str:
    if isinstance(block, Table):
        return f"{_escape(block.caption)}.\n\n{_pipes(block)}"
    if isinstance(block, Items):
        return "\n".join(f"- {_escape(item)}" for item in block.items if isinstance(item, str))
    if isinstance(block, Heading):
        return f"## {_escape(block.text)}"
    return _escape(block.text) if isinstance(block, Paragraph) else ""


def _pipes(table: Table) -> str:
    lines = [[_escape(column.head) for column in table.columns]]
    lines += [[_escape(cell.text) for cell in row] for row in table.rows]
    widths = [max(3, *map(len, column)) for column in zip(*lines, strict=True)]
    rule = ["-" * w if c.is_words else f"{'-' * (w - 1)}:" for w, c in zip(widths, table.columns, strict=True)]
    return "\n".join(f"| {' | '.join(map(str.ljust, line, widths))} |" for line in (lines[0], rule, *lines[1:]))


def _escape(text: str) -> str:
    return _ACTIVE.sub(r"\\\1", with_minus(text).replace("\xa0", " "))
