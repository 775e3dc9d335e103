"""What a description is made of: sections of paragraphs, lists, tables and places for figures.

Every block holds text and facts, no markup and no columns of a terminal. A text may hold anything that a file held:
whatever renders it escapes it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, TypeVar

from sleepagree.describe.words import figure, percent, signed


class Rank(Enum):
    """Whether the terminal shows a section at once or only where everything is asked for."""

    FIRST_SCREEN = "first screen"
    FURTHER = "further"


class Role(Enum):
    """What a paragraph is there for."""

    PLAIN = "plain"
    NOTE = "note"
    TO_PASTE = "to paste into a paper"


class FigureKind(Enum):
    """What a figure shows, and what its subject is."""

    HYPNOGRAMS = "a NightAgreement"
    DEVICE_CLASSES = "a NightAgreement, of its first mapping"
    CONFUSION = "counts under a mapping: anything with .counts and .mapping"
    REDISTRIBUTION = "keyword arguments of draw_redistribution"
    BIAS_SOURCES = "keyword arguments of draw_bias_sources"
    AGREEMENT_BY_HOUR = "a sequence of PartAgreement"
    RUN_LENGTHS = "Runs"
    NIGHT_KAPPAS = "keyword arguments of draw_night_kappas"
    MINUTES = "keyword arguments of draw_minutes"
    BIAS_AGAINST_LEVEL = "keyword arguments of draw_bias_against_level"
    NORMAL_LOOK = "keyword arguments of draw_normal_look"
    CORRECTION_LINE = "keyword arguments of draw_correction_line"
    CORRECTION_ERRORS = "a Correction"
    RELIABILITY = "a sequence of ReliabilityBin"
    PROBABILITIES = "a CorrectedNight"


@dataclass(frozen=True)
class Cell:
    """One cell of a table.

    Parameters
    ----------
    text : str
        What it says.
    worth : float or None
        What it is sorted by; None for words and for what does not exist.
    is_marked : bool
        Whether a star stands before it, which another block explains.
    """

    text: str
    worth: float | None = None
    is_marked: bool = False

    @classmethod
    def valued(cls, text: str, worth: float) -> Cell:
        """Return a cell that is sorted by a number, unless the number does not exist."""
        return cls(text, None if math.isnan(worth) else worth)

    @classmethod
    def number(cls, value: float, digits: int = 3) -> Cell:
        """Return a cell with a number, or with a dash that is worth nothing."""
        return cls.valued(figure(value, digits), value)

    @classmethod
    def difference(cls, value: float, digits: int = 1, *, unit: str = "") -> Cell:
        """Return a cell with a signed number, or with a dash that is worth nothing."""
        return cls.valued(f"{signed(value, digits)}{unit if not math.isnan(value) else ''}", value)

    @classmethod
    def share(cls, value: float, digits: int = 0) -> Cell:
        """Return a cell with a share as per cent, or with a dash that is worth nothing."""
        return cls.valued(percent(value, digits), value)

    @classmethod
    def count(cls, count: int) -> Cell:
        """Return a cell with a whole number."""
        return cls(str(count), float(count))


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    head : str
        Its head; a table whose heads are all "" has none.
    is_words : bool
        Whether it holds words rather than numbers.
    has_bars : bool
        Whether a terminal, which has no figures, draws what its cells are worth as bars.
    """

    head: str
    is_words: bool = False
    has_bars: bool = False


@dataclass(frozen=True)
class Table:
    """A table.

    Parameters
    ----------
    name : str
        Its name among the tables of the description.
    caption : str
        What it holds; "" where the heading says it.
    columns : tuple of Column
        Its columns; the first one names the rows.
    rows : tuple of tuple of Cell
        One cell for each column.
    sortable : bool
        Whether the order of the rows means nothing, so that a reader may sort them.
    folded : str
        Words under which a page folds the table away; "" for never.
    rank : Rank
        Whether a terminal shows the table itself at once, in a section that is.
    leads : bool
        Whether it answers what people ask first, so that a notebook shows it right after the finding.
    """

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    sortable: bool = False
    folded: str = ""
    rank: Rank = Rank.FIRST_SCREEN
    leads: bool = False


@dataclass(frozen=True)
class Figure:
    """The place of a figure, and the same in words.

    Parameters
    ----------
    name : str
        Its name among the figures of the description, and that of its file.
    kind : FigureKind
        What is drawn.
    subject : object
        The result that it is drawn from, as `kind` tells.
    title, description : str
        What it is, and its numbers in words, for those who cannot see it.
    caption : str
        What stands under it.
    wide : bool
        Whether it wants the whole width of a page.
    leads : bool
        Whether it answers what people ask first, so that a notebook shows it right after the finding.
    """

    name: str
    kind: FigureKind
    subject: Any = field(compare=False, repr=False)
    title: str
    description: str
    caption: str
    wide: bool = False
    leads: bool = False


@dataclass(frozen=True)
class Paragraph:
    """A paragraph."""

    text: str
    role: Role = Role.PLAIN


@dataclass(frozen=True)
class Items:
    """A list, numbered or not; a list inside it belongs to the item before.

    What is verbatim may be copied into a file and is set as it stands.
    """

    items: tuple[str | Items, ...]
    numbered: bool = False
    verbatim: bool = False


@dataclass(frozen=True)
class Command:
    """A command to type."""

    text: str


@dataclass(frozen=True)
class Heading:
    """A heading inside a section."""

    text: str


@dataclass(frozen=True)
class Beside:
    """Parts that stand beside each other where there is room; each part is a column of blocks."""

    parts: tuple[tuple[Block, ...], ...]


Block = Table | Figure | Paragraph | Items | Command | Heading | Beside


@dataclass(frozen=True)
class Section:
    """A section with its heading.

    Parameters
    ----------
    name : str
        Its name among the sections of the description.
    title : str
        What its heading says.
    blocks : tuple of Block
        What stands below it, if anything does.
    rank : Rank
        Whether it is shown at once.
    detail : str
        What follows the title in the heading, with the space or colon between them; no terminal writes it in capitals.
    folded : bool
        Whether a page folds it away: what few read, and what is printed only where a reader unfolds it.
    """

    name: str
    title: str
    blocks: tuple[Block, ...]
    rank: Rank = Rank.FIRST_SCREEN
    detail: str = ""
    folded: bool = False

    @property
    def heading(self) -> str:
        """The title and its detail."""
        return f"{self.title}{self.detail}"


@dataclass(frozen=True)
class Description:
    """A result in words.

    Parameters
    ----------
    kind : str
        What kind of result it is.
    title : str
        What it is about.
    findings : tuple of str
        What was found, one sentence for each device.
    sections : tuple of Section
        In the order in which they are read.
    answer : tuple of Section
        What people came for, in so few lines that it fits one screen. Where there is such a part a terminal shows
        nothing else unless everything is asked for; elsewhere it stands before the sections.
    is_answer_part : bool
        Whether the sections say all that the answer says, which then stands alone or not at all.
    """

    kind: str
    title: str
    findings: tuple[str, ...]
    sections: tuple[Section, ...]
    answer: tuple[Section, ...] = ()
    is_answer_part: bool = False


Thing = TypeVar("Thing")
#: The head of a column, and what stands below it of one thing.
Told = tuple[str, Callable[[Thing], str | int | Cell]]


def points(unit: str) -> str:
    """Return what stands behind a difference of a measure: that of percentages is in percentage points."""
    return " pp" if unit.startswith("%") else ""


def can_differ(measure: str) -> bool:
    """Whether a measure can differ between the sides at all: time in bed is the window of both, all sleep is sleep."""
    return measure not in ("TIB", "percent sleep")


def note(text: str) -> Paragraph:
    """Return a paragraph that explains what it stands below."""
    return Paragraph(text, Role.NOTE)


def table(
    name: str,
    caption: str,
    heads: Sequence[str],
    rows: Iterable[Iterable[object]],
    *,
    words: Collection[int] = (0,),
    further: bool = False,
    **how: Any,
) -> Table:
    """Return a table of which each entry is a text, a whole number or a cell.

    Parameters
    ----------
    name, caption : str
        As of a table.
    heads : sequence of str
        The heads of its columns.
    rows : iterable of sequences
        What stands in a row.
    words : collection of int
        Positions of the columns that hold words.
    further : bool
        Whether a terminal shows it only where everything is asked for.
    how
        Other fields of the table.
    """
    columns = tuple(Column(head, i in words) for i, head in enumerate(heads))
    body = tuple(tuple(map(_cell, row)) for row in rows)
    return Table(name, caption, columns, body, rank=Rank.FURTHER if further else Rank.FIRST_SCREEN, **how)


def _cell(entry: object) -> Cell:
    if isinstance(entry, int):
        return Cell.count(entry)
    return entry if isinstance(entry, Cell) else Cell(str(entry))


def tabulate(name: str, caption: str, told: Sequence[Told[Thing]], things: Iterable[Thing], **how: Any) -> Table:
    """Return a table of things, one a row; ``told`` are its columns, each a head and what it says of a thing."""
    rows = ([say(thing) for _, say in told] for thing in things)
    return table(name, caption, [head for head, _ in told], rows, **how)


def section(
    name: str, title: str, *blocks: Block | None, detail: str = "", further: bool = False, folded: bool = False
) -> Section | None:
    """Return a section of the blocks that say something; None where it would be a mere title."""
    shown = present(*blocks)
    rank = Rank.FURTHER if further else Rank.FIRST_SCREEN
    return Section(name, title, shown, rank, detail, folded) if shown or detail else None


def present(*found: Block | None) -> tuple[Block, ...]:
    """Return the blocks that say something: no empty paragraph, list or table."""
    return tuple(one for one in found if one is not None and not _is_empty(one))


def _is_empty(block: Block) -> bool:
    match block:
        case Paragraph("") | Items(()) | Table(rows=()):
            return True
        case Beside(parts):
            return not any(parts)
        case _:
            return False


def sections_of(*found: Section | None) -> tuple[Section, ...]:
    """Return the sections that there are."""
    return tuple(section for section in found if section is not None)


def beside(*parts: Block | Sequence[Block | None]) -> Beside:
    """Return blocks, or columns of them, that stand beside each other; a column loses what says nothing."""
    return Beside(tuple(present(*part) if isinstance(part, Sequence) else (part,) for part in parts))


def is_further(block: Block) -> bool:
    """Whether a block is left out of what is shown at once."""
    return isinstance(block, Table) and block.rank is Rank.FURTHER


def flat(blocks: Sequence[Block]) -> Iterator[Block]:
    """Yield blocks in reading order, what stands beside each other one after the other."""
    for block in blocks:
        if isinstance(block, Beside):
            for part in block.parts:
                yield from flat(part)
        else:
            yield block


def all_sections(description: Description) -> tuple[Section, ...]:
    """Return everything in reading order."""
    return description.sections if description.is_answer_part else (*description.answer, *description.sections)
