"""What a page is made of: sections of paragraphs, tables and figures, all of them plain text until the template.

Every text here may hold anything a file held; the template escapes it. Only drawings are markup, and in those the
letters have been escaped when the figure was written as SVG.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sleepagree.errors import shorten
from sleepagree.figures.drawing import figure_of
from sleepagree.figures.saving import page_drawing

_NOTHING: Final = Markup("")


@dataclass(frozen=True)
class Cell:
    """One cell: what it says and, for sorting, what it is worth."""

    text: str
    worth: float | None = None


@dataclass(frozen=True)
class TableView:
    """A table.

    Parameters
    ----------
    name : str
        Its id in the page.
    caption : str
        What it holds.
    header : tuple of str
        Column heads.
    rows : tuple of tuple of Cell
        Rows; the first cell of each is its head.
    left : int
        Columns that hold words rather than numbers, from the left.
    words : tuple of int
        Further columns that hold words.
    sortable : bool
        Whether rows may be sorted.
    folded : str
        If not "", the table is folded away under these words.
    """

    name: str
    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    left: int = 1
    words: tuple[int, ...] = ()
    sortable: bool = False
    folded: str = ""
    kind: str = "table"


@dataclass(frozen=True)
class FigureView:
    """A figure.

    Parameters
    ----------
    name : str
        Its id in the page.
    title, description : str
        Alternative text: what it is, and its numbers in words.
    caption : str
        What stands under it.
    figure : Figure
        What is drawn.
    wide : bool
        Whether it fills both columns.
    trace : str
        JSON for looking at single epochs, "" without.
    """

    name: str
    title: str
    description: str
    caption: str
    figure: Figure
    wide: bool = False
    trace: Markup = _NOTHING
    kind: str = "figure"

    @property
    def points(self) -> tuple[float, float]:
        """Width and height in points."""
        width, height = self.figure.get_size_inches()
        return 72.0 * float(width), 72.0 * float(height)

    def drawing(self) -> Markup:
        """Return the SVG elements to stand in the page."""
        return Markup(page_drawing(self.figure, prefix=self.name))  # noqa: S704 - every text in it is escaped


@dataclass(frozen=True)
class Beside:
    """Parts that stand beside each other where there is room; each part is a column of blocks."""

    parts: tuple[tuple[Block, ...], ...]
    kind: str = "beside"


@dataclass(frozen=True)
class Words:
    """A paragraph; ``role`` names its look: "" plain, "note" small, "paste" to be pasted into a paper."""

    text: str
    role: str = ""
    kind: str = "words"


@dataclass(frozen=True)
class Items:
    """A list, numbered or not."""

    items: tuple[str, ...]
    numbered: bool = False
    kind: str = "items"


@dataclass(frozen=True)
class Code:
    """A command to type."""

    text: str
    kind: str = "code"


@dataclass(frozen=True)
class Heading:
    """A heading inside a section."""

    text: str
    kind: str = "heading"


Block = TableView | FigureView | Beside | Words | Items | Code | Heading


@dataclass(frozen=True)
class Section:
    """A section with its heading."""

    name: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Page:
    """A whole page.

    Parameters
    ----------
    kicker : str
        What kind of report it is.
    title : str
        The heading.
    findings : tuple of str
        The finding, one sentence for each device.
    sections : tuple of Section
        In order.
    """

    kicker: str
    title: str
    findings: tuple[str, ...]
    sections: tuple[Section, ...]


def cells(*values: Any) -> tuple[Cell, ...]:
    """Return a row: numbers given as (text, worth) pairs, words as text."""
    return tuple(Cell(*v) if isinstance(v, tuple) else Cell(str(v)) for v in values)


def figure_view(
    ax: Axes, *, name: str, title: str, description: str, caption: str, wide: bool = False, trace: Markup = _NOTHING
) -> FigureView:
    """Return a drawn figure as it stands in a page."""
    return FigureView(name, title, description, caption, figure_of(ax), wide, trace)


def figures_of(page: Page) -> Iterator[FigureView]:
    """Yield the figures of a page in order."""

    def walk(blocks: Sequence[Block]) -> Iterator[FigureView]:
        for block in blocks:
            if isinstance(block, FigureView):
                yield block
            elif isinstance(block, Beside):
                for part in block.parts:
                    yield from walk(part)

    for section in page.sections:
        yield from walk(section.blocks)


_MINUS: Final = re.compile(r"(?<![\w.−-])-(?=\.?\d)")

#: Words with more letters than this may be broken anywhere; others stay whole.
LONGEST_WHOLE_WORD: Final = 24


def with_minus(text: str) -> str:
    """Return text in which negative numbers have a minus sign, as in figures; dates and names keep their hyphens.

    Examples
    --------
    >>> print(with_minus("-8.7 (-15.6 to -1.8) on 2026-03-01 under 'rem-apart'"))
    −8.7 (−15.6 to −1.8) on 2026-03-01 under 'rem-apart'
    """
    return _MINUS.sub("−", text)


def has_long_word(text: str) -> bool:
    """Whether a text holds a word that a narrow column has to break."""
    return any(len(word) > LONGEST_WHOLE_WORD for word in text.split())


def file_word(name: str, otherwise: str) -> str:
    """Return a file name fit to be shown, or other words where there is none."""
    return shorten(name) or otherwise


def some(blocks: Sequence[Block | None]) -> tuple[Block, ...]:
    """Return the blocks that are there."""
    return tuple(block for block in blocks if block is not None)


def beside(*parts: Block | Sequence[Block | None]) -> Beside:
    """Return blocks, or columns of them, that stand beside each other."""
    return Beside(tuple(some(p) if isinstance(p, Sequence) else (p,) for p in parts))
