"""A description as lines of text for a terminal: figures left out, tables fitted to its width."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from sleepagree.describe.blocks import (
    Block,
    Cell,
    Column,
    Command,
    Description,
    Figure,
    Heading,
    Items,
    Paragraph,
    Rank,
    Role,
    Section,
    Table,
    all_sections,
    flat,
    is_further,
)
from sleepagree.errors import printable
from sleepagree.render.columns import WIDTH, columns_of, cut, to_left, to_right, wrap

_INDENT: Final = "  "
_GAP: Final = "  "

#: No column of words is made narrower than this, and no head is broken into more lines, for want of room.
_NARROWEST_WORDS: Final = 16
_MOST_HEAD_LINES: Final = 3

#: An answer takes no more lines than these, its last one among them.
MOST_LINES: Final = 48

#: A quoted name with a space stays on one line.
_SHELL_WORD: Final = re.compile(r"(?:'[^']*'|\S)+")

#: The last line of an answer.
SAY_FULL: Final = "--full prints all that was found."

#: So few lines are shown rather than counted.
_FEWEST_HIDDEN: Final = 3

#: Columns of the bar of the largest number.
_LONGEST_BAR: Final = 40


def render_terminal(
    description: Description, *, width: int = WIDTH, full: bool = False, colour: bool = False
) -> list[str]:
    """Return a description as lines of text.

    Parameters
    ----------
    description : Description
        What is said.
    width : int
        Columns of the terminal, 40 at least; no line is longer.
    full : bool
        Whether everything is shown. Otherwise, where there is an answer, that is all that is shown, in no more than
        48 lines of 80 columns (a line more rather than three left out), and the last line tells how to see the rest.
    colour : bool
        Whether findings and headings are set off by the codes of a terminal.

    Returns
    -------
    list of str
        What was found, then the sections; every text is printable as it stands and moves no cursor.
    """
    bold, green = ("\x1b[1m{}\x1b[0m", "\x1b[32m{}\x1b[0m") if colour else ("{}", "{}")
    lines: list[str] = []
    for finding in description.findings:
        lines += [*(green.format(line) for line in wrap(finding, indent="", hang="", width=width)), ""]
    shown = description.answer if description.answer and not full else all_sections(description)
    last: list[str] = []
    for section in shown:
        if full or section.rank is Rank.FIRST_SCREEN:
            last = _section_lines(section, width, full=full, bold=bold)
            lines += last
    if full or not description.answer:
        return lines[:-1]
    # what is next stays on a screen of full width; a narrow one shows how the answer begins
    return [*_within_a_screen(lines, len(last) if width >= WIDTH else 0), SAY_FULL]


def _within_a_screen(lines: list[str], last: int) -> list[str]:
    """Return as many lines as leave room for so many at their end; what holds many classes or devices is longer."""
    if len(lines) - (MOST_LINES - 3) <= _FEWEST_HIDDEN:
        return lines
    kept = max(0, MOST_LINES - 3 - last)
    end = len(lines) - last
    return [*lines[:kept], f"... {end - kept} lines more.", "", *lines[end:]]


def _section_lines(section: Section, width: int, *, full: bool, bold: str) -> list[str]:
    """Return a section and an empty line after it; nothing where all that it holds is figures."""
    lines: list[str] = []
    before: Block | None = None
    for block in _shown(section, full=full):
        if before is not None and _stands_apart(before, block):
            lines.append("")
        lines += block_lines(block, width)
        before = block
    if section.blocks and not lines:
        return []
    return [*map(bold.format, _heading_lines(section, width)), *lines, ""]


def _heading_lines(section: Section, width: int) -> list[str]:
    """Return the title in capitals and its detail as it is written, the space between them kept."""
    *lines, last = wrap(_title(section.title), indent="", width=width) or [""]
    told = section.detail.lstrip()
    space = section.detail[: len(section.detail) - len(told)]
    if told:
        return [*lines, *wrap(told, indent=f"{last}{space}", width=width)]
    return [*lines, last] if last else []


def _shown(section: Section, *, full: bool) -> Iterator[Block]:
    """Yield the blocks that a terminal shows; a heading only where something stands below it."""
    heading: Heading | None = None
    for block in flat(section.blocks):
        if isinstance(block, Heading):
            heading = block
        elif not isinstance(block, Figure) and (full or not is_further(block)):
            yield from (block,) if heading is None else (heading, block)
            heading = None


def _stands_apart(before: Block, block: Block) -> bool:
    """Whether an empty line stands between two blocks: around tables, above headings, and below a list with a note."""
    if isinstance(before, Heading):
        return False
    if isinstance(before, Items) and isinstance(block, Paragraph) and block.role is Role.NOTE:
        return True
    return isinstance(before, Table) or isinstance(block, Table | Heading)


def _title(title: str) -> str:
    """Return a title in capitals; what it quotes stays as it is written."""
    words, quote, quoted = title.partition("'")
    return words.upper() + quote + quoted


def block_lines(block: Block, width: int = WIDTH) -> list[str]:
    """Return one block as lines of text; nothing of a figure."""
    match block:
        case Paragraph(text):
            return wrap(text, width=width)
        case Items():
            return _item_lines(block, width, _INDENT)
        case Heading(text):
            return wrap(text if text.endswith("?") else f"{text}:", width=width)
        case Command(text):
            return _command_lines(printable(text), width)
        case Table():
            return [*wrap(block.caption, width=width), *table_lines(block, width)]
        case _:
            return []


def _command_lines(text: str, width: int) -> list[str]:
    """Return a command as it may be typed; where it is too long it goes on behind backslashes, cut between words."""
    lines = [_INDENT]
    for word in _SHELL_WORD.findall(text):
        if lines[-1].strip() and columns_of(f"{lines[-1]} {word} \\") > width:
            lines[-1] += " \\"
            lines.append(f"{_INDENT}{_INDENT}{word}")
        else:
            lines[-1] += word if not lines[-1].strip() else f" {word}"
    return lines


def _item_lines(block: Items, width: int, indent: str) -> list[str]:
    lines: list[str] = []
    deeper = indent + _INDENT
    for number, item in enumerate(block.items, start=1):
        if isinstance(item, Items):
            lines += _item_lines(item, width, deeper)
        else:
            lines += wrap(f"{number}. {item}" if block.numbered else item, indent=indent, hang=deeper, width=width)
    return lines


# --- tables -----------------------------------------------------------------------------------------------


def table_lines(table: Table, width: int = WIDTH) -> list[str]:
    """Return a table within a number of columns.

    Where it is too wide heads are broken into several lines, then long words; where that is not enough its last
    columns stand below the others, beside the names of the rows.
    """
    room = width - len(_INDENT)
    by_column = [_column_texts(column, [row[i] for row in table.rows]) for i, column in enumerate(table.columns)]
    grid = list(zip(*by_column, strict=True))
    cells = [max((columns_of(row[i]) for row in grid), default=0) for i in range(len(table.columns))]
    widths = _fit(table.columns, cells, room)
    lines: list[str] = []
    for group in _groups(widths, room):
        shown = [table.columns[i] for i in group]
        fitted = [widths[i] for i in group]
        if any(column.head for column in shown):
            lines += _row_lines([printable(column.head) for column in shown], shown, fitted, is_head=True)
        for row, texts in zip(table.rows, grid, strict=True):
            if len(group) == 1 or any(texts[i] for i in group[1:]):
                told = _row_lines([texts[i] for i in group], shown, fitted)
                lines += [f"* {told[0].removeprefix(_INDENT)}", *told[1:]] if row[0].is_marked else told
    return lines


def _column_texts(column: Column, cells: Sequence[Cell]) -> list[str]:
    """Return what the cells of a column say, with a bar behind each where the column has bars."""
    texts = [printable(cell.text) for cell in cells]
    if not column.has_bars or not texts:
        return texts
    widest = max(map(columns_of, texts))
    most = max(cell.worth or 0.0 for cell in cells)
    drawn = ["█" * round(_LONGEST_BAR * max(cell.worth or 0.0, 0.0) / most) if most > 0 else "" for cell in cells]
    return [
        to_left(f"{to_right(text, widest)}{_GAP}{bar}", widest + len(_GAP) + _LONGEST_BAR)
        for text, bar in zip(texts, drawn, strict=True)
    ]


def _fit(columns: Sequence[Column], cells: Sequence[int], room: int) -> list[int]:
    """Return the width of each column: as wide as what it holds, narrower where the whole would not fit."""
    heads = [printable(column.head) for column in columns]
    widths: list[int] = []
    for lines in range(1, _MOST_HEAD_LINES + 1):
        widths = [_head_width(head, cell, lines) for cell, head in zip(cells, heads, strict=True)]
        if _total(widths) <= room:
            # the head over the names of the rows is broken last
            return [min(max(widths[0], columns_of(heads[0])), widths[0] + room - _total(widths)), *widths[1:]]
    over = _total(widths) - room
    for i in sorted(range(len(columns)), key=lambda i: -widths[i]):
        if columns[i].is_words and over > 0:
            given = min(over, max(0, widths[i] - _NARROWEST_WORDS))
            widths[i], over = widths[i] - given, over - given
    if over > 0:
        # columns go below the others whatever the names of the rows take
        widths[0] = max(widths[0], min(cells[0], room // 3))
    # one column beside the names of the rows has to fit
    most = [room if i == 0 else room - widths[0] - len(_GAP) for i in range(len(widths))]
    return [min(pair) for pair in zip(widths, most, strict=True)]


def _head_width(head: str, cell: int, lines: int) -> int:
    """Return the least width that holds the cells, and a head in so many lines; only very long words are broken."""
    longest = max((columns_of(word) for word in head.split()), default=0)
    width = max(cell, min(longest, _NARROWEST_WORDS), 1)
    while width < columns_of(head) and len(wrap(head, indent="", hang="", width=width)) > lines:
        width += 1
    return width


def _total(widths: Sequence[int]) -> int:
    return sum(widths) + len(_GAP) * (len(widths) - 1)


def _groups(widths: Sequence[int], room: int) -> Iterator[list[int]]:
    """Yield the columns that stand side by side; each group begins with the names of the rows."""
    group = [0]
    for i in range(1, len(widths)):
        if len(group) > 1 and _total([widths[j] for j in [*group, i]]) > room:
            yield group
            group = [0]
        group.append(i)
    yield group


def _row_lines(
    texts: Sequence[str], columns: Sequence[Column], widths: Sequence[int], *, is_head: bool = False
) -> list[str]:
    """Return one row, of several lines where a text is broken; heads stand on their last line."""
    broken = [
        wrap(text, indent="", hang="", width=width) if is_head or column.is_words else [cut(text, width)]
        for text, column, width in zip(texts, columns, widths, strict=True)
    ]
    height = max(map(len, broken))
    lines = []
    for k in range(height):
        line = _INDENT
        for i, (parts, column, width) in enumerate(zip(broken, columns, widths, strict=True)):
            at = k - (height - len(parts)) if is_head else k
            part = parts[at] if 0 <= at < len(parts) else ""
            line += (_GAP if i else "") + (to_left if column.is_words else to_right)(part, width)
        lines.append(line.rstrip())
    return lines
