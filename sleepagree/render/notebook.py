"""A result as a notebook shows it: the first screen of its description as plain HTML, figures left out."""

from __future__ import annotations

from html import escape

from sleepagree.describe.blocks import (
    Block,
    Column,
    Command,
    Description,
    Heading,
    Items,
    Paragraph,
    Rank,
    Table,
    flat,
    is_further,
)


def render_notebook(description: Description, *, level: int = 4) -> str:
    """Return the first screen of a description as HTML, every text from inputs escaped, headings of one level."""
    parts = [f"<p><strong>{escape(finding)}</strong></p>" for finding in description.findings]
    for section in description.sections:
        if section.rank is Rank.FIRST_SCREEN:
            parts.append(f"<h{level}>{escape(section.heading)}</h{level}>" if section.heading else "")
            parts += [_block_html(block) for block in flat(section.blocks) if not is_further(block)]
    return "".join(parts)


def _block_html(block: Block) -> str:
    match block:
        case Paragraph(text):
            return f"<p>{escape(text)}</p>"
        case Items(items, numbered):
            tag = "ol" if numbered else "ul"
            return f"<{tag}>{''.join(f'<li>{_item_html(item)}</li>' for item in items)}</{tag}>"
        case Heading(text):
            return f"<h5>{escape(text)}</h5>"
        case Command(text):
            return f"<pre>{escape(text)}</pre>"
        case Table():
            return _table_html(block)
        case _:
            return ""


def _item_html(item: str | Items) -> str:
    return escape(item) if isinstance(item, str) else _block_html(item)


def _table_html(table: Table) -> str:
    head = "".join(_head_html(column) for column in table.columns)
    rows = ([f"{'* ' if cell.is_marked else ''}{cell.text}" for cell in row] for row in table.rows)
    body = "".join(
        f'<tr><th scope="row">{escape(name)}</th>{"".join(f"<td>{escape(text)}</td>" for text in rest)}</tr>'
        for name, *rest in rows
    )
    caption = f"<caption>{escape(table.caption)}</caption>"
    return f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _head_html(column: Column) -> str:
    return f'<th scope="col">{escape(column.head)}</th>' if column.head else "<td></td>"
