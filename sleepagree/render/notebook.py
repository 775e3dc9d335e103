"""A result as a notebook shows it: the first screen of its description as plain HTML, figures left out."""

from __future__ import annotations

from collections.abc import Sequence
from functools import singledispatch
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
    cells,
    columns,
    flat,
)
from sleepagree.describe.night import describe_night
from sleepagree.describe.words import figure, interval, say_measure, signed
from sleepagree.errors import counted
from sleepagree.night.compare import NightAgreement
from sleepagree.study.summarise import StudyAgreement


@singledispatch
def notebook_html(result: object) -> str:
    """Return a result as HTML.

    Raises
    ------
    TypeError
        For what is no result.
    """
    raise TypeError(f"no description of {type(result).__name__}")


@notebook_html.register
def _(night: NightAgreement) -> str:
    return render_notebook(describe_night(night))


@notebook_html.register
def _(study: StudyAgreement) -> str:
    return "".join(_table_html(table) for table in _bias_tables(study))


def render_notebook(description: Description) -> str:
    """Return the first screen of a description as HTML, every text from inputs escaped."""
    parts = [f"<p><strong>{escape(finding)}</strong></p>" for finding in description.findings]
    for section in description.sections:
        if section.rank is Rank.FIRST_SCREEN:
            parts.append(f"<h4>{escape(section.heading)}</h4>")
            parts += [_block_html(block) for block in flat(section.blocks)]
    return "".join(parts)


def _block_html(block: Block) -> str:
    match block:
        case Paragraph(text):
            return f"<p>{escape(text)}</p>"
        case Items(items, numbered):
            tag = "ol" if numbered else "ul"
            return f"<{tag}>{''.join(f'<li>{escape(item)}</li>' for item in items)}</{tag}>"
        case Heading(text):
            return f"<h5>{escape(text)}</h5>"
        case Command(text):
            return f"<pre>{escape(text)}</pre>"
        case Table():
            return _table_html(block)
        case _:
            return ""


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
    return f'<th scope="col">{escape(column.head)}</th>'


def _bias_tables(study: StudyAgreement) -> Sequence[Table]:
    """Return the bias table of every device."""
    ratios = study.options.log_ratio
    digits = 3 if ratios else 1
    tables = []
    for device in study.devices:
        rows = tuple(
            cells(
                say_measure(row.measure),
                row.difference_unit,
                str(row.limits.nights),
                figure(row.printed.bias, 3) if ratios else signed(row.printed.bias),
                interval(row.printed.bias_low, row.printed.bias_high, digits),
                interval(row.printed.lower, row.printed.upper, digits),
            )
            for row in device.bias
        )
        level = f"{100 * study.options.level:g} %"
        heads = columns("", "unit", "nights", "ratio" if ratios else "bias", level, "limits of agreement")
        people = counted(len(device.participants), "participant")
        caption = f"{device.device}: device {'/' if ratios else '-'} reference, {people}"
        tables.append(Table("bias", caption, heads, rows))
    return tables
