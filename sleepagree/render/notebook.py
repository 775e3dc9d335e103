"""A result as a notebook shows it: its finding, what leads, its cautions, and the rest as plain HTML."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from sleepagree.caution import Caution
from sleepagree.describe.blocks import (
    Block,
    Column,
    Command,
    Description,
    Figure,
    Heading,
    Items,
    Paragraph,
    Rank,
    Section,
    Table,
    all_sections,
    flat,
    is_further,
)
from sleepagree.describe.cautions import say_cautions
from sleepagree.errors import Front, counted

#: A notebook keeps what it showed: a larger drawing, of bytes, is shown as pixels.
_LONGEST_SVG: Final = 100_000


def notebook_html(description: Description, cautions: Sequence[Caution]) -> str:
    """Return a result as HTML: finding, the figure and the table that lead, cautions, the rest folded away."""
    blocks = [block for section in all_sections(description) for block in flat(section.blocks)]
    leading = [_block_html(block) for block in blocks if _leads(block)]
    said = say_cautions(cautions, Front.PYTHON)
    told = [_folded(counted(len(said), "caution"), _block_html(Items(said)))] if said else []
    rest = (section for section in all_sections(description) if section.name != "cautions")
    return "".join([_findings_html(description), *leading, *told, _folded("More", _sections_html(rest))])


def _folded(head: str, html: str) -> str:
    return f"<details><summary>{head}</summary>{html}</details>"


def render_notebook(description: Description) -> str:
    """Return the first screen of a description as HTML, every text from inputs escaped, headings as on the page."""
    return _findings_html(description) + _sections_html(description.sections, level=3)


def _findings_html(description: Description) -> str:
    return "".join(f"<p><strong>{escape(finding)}</strong></p>" for finding in description.findings)


def _sections_html(sections: Iterable[Section], *, level: int = 4) -> str:
    """Return what sections show at once, without figures and tables that lead."""
    parts = []
    for section in sections:
        if section.rank is Rank.FIRST_SCREEN:
            parts.append(f"<h{level}>{escape(section.heading)}</h{level}>" if section.heading else "")
            shown = (block for block in flat(section.blocks) if not is_further(block))
            parts += [_block_html(b) for b in shown if not isinstance(b, Figure) and not _leads(b)]
    return "".join(parts)


def _leads(block: Block) -> bool:
    return isinstance(block, Figure | Table) and block.leads


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
        case Figure():
            return _figure_html(block)
        case _:
            return ""


def _figure_html(figure: Figure) -> str:
    """Return a figure as an image, whose names of parts cannot meet those of the same figure shown again."""
    from sleepagree.render.figures import draw_figures, figure_file  # it draws

    drawing, form = draw_figures([figure])[figure.name], "svg+xml"
    data = figure_file(figure, drawing)
    if len(data) > _LONGEST_SVG:
        data, form = figure_file(figure, drawing, "png"), "png"
    alt = escape(f"{figure.title}. {figure.description}")
    source = f"data:image/{form};base64,{base64.b64encode(data).decode()}"
    image = f'<img alt="{alt}" src="{source}" style="width: {drawing.width:.0f}pt; max-width: 100%">'
    return f"<figure>{image}<figcaption>{escape(figure.caption)}</figcaption></figure>"


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
