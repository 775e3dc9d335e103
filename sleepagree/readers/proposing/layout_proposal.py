"""A layout proposed for a file, as facts: its lines, why each is proposed, and what only a person can know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, NamedTuple

from sleepagree.errors import SleepAgreeError
from sleepagree.readers.inspection import FileInspection
from sleepagree.readers.layout import Layout, layout_of
from sleepagree.readers.proposing.column_kinds import ColumnSeen


class Why(StrEnum):
    """Why a line of a layout is proposed."""

    NAMED = "named"
    ONLY = "only"
    WORDS = "words"
    FEW = "few"
    FIRST = "first"
    FOLLOWS = "follows"
    ONE_FORM = "one_form"
    TWO_FORMS = "two_forms"
    ABOVE = "above"
    NO_NAMES = "no_names"
    TAKEN_APART = "taken_apart"
    CHANGES = "changes"
    AS_LONG = "as_long"
    FROM_ZERO = "from_zero"
    ANCHOR = "anchor"
    USUAL = "usual"
    UNITS_TOLD = "units_told"
    NAME_TELLS = "name_tells"
    LENGTH_IN_NAME = "length_in_name"
    FROM_TO = "from_to"
    UNTOLD = "untold"
    SEVERAL_PEOPLE = "several_people"
    SEVERAL_SHEETS = "several_sheets"
    IN_BLOCKS = "in_blocks"
    LONG_BLOCKS = "long_blocks"
    LAYERS = "layers"
    OR_PEOPLE = "or_people"
    DATE_STAYS = "date_stays"
    UNREAD = "unread"
    GIVEN = "given"
    TOLD = "told"
    KNOWN = "known"
    OFFERED = "offered"
    NEAREST = "nearest"
    LATEST = "latest"
    LAST = "last"
    LIKELIEST = "likeliest"
    MARKED = "marked"
    MARKED_MOSTLY = "marked_mostly"
    ACROSS = "across"
    BELOW = "below"
    AMONG_WORDS = "among_words"
    TWO_STAGES = "two_stages"
    SEVERAL_STAGES = "several_stages"


@dataclass(frozen=True)
class Choice:
    """Another value that a line may have; in words when it holds, or the moment or day at which its night begins."""

    value: Any
    when: str = ""
    begins: str = ""
    day: str = ""


class NightsHeld(NamedTuple):
    """How many nights a file holds, and when the first and the last begin, "" where that is not known."""

    nights: int
    first: str = ""
    last: str = ""


class RowsMarked(NamedTuple):
    """How many rows columns of marks have, and in how many no column, or several, have a mark."""

    rows: int
    none: int
    several: int


@dataclass(frozen=True)
class Setting:
    """A line of a layout.

    Parameters
    ----------
    key : str
        As layouts call it.
    value : str, float, bool or None
        None: a blank, which somebody fills in.
    why : Why
        Why this value, or why it is blank.
    others : tuple of Choice
        Values that it may have instead; those of a blank are all that there are, if there are any.
    shown : tuple of str
        Texts of the file that the line is about: cells, names that tell it, what it says outside its rows.
    nights : NightsHeld, optional
        Of ``records`` and ``sheet``.
    marked : RowsMarked, optional
        Of ``stage_columns`` where not each row has one mark.
    """

    key: str
    value: Any
    why: Why
    others: tuple[Choice, ...] = ()
    shown: tuple[str, ...] = ()
    nights: NightsHeld | None = None
    marked: RowsMarked | None = None

    @property
    def is_comment(self) -> bool:
        """Whether the line changes nothing: the file is read so without it, or only somebody can tell that it holds."""
        return self.why in (Why.KNOWN, Why.OFFERED, Why.IN_BLOCKS, Why.OR_PEOPLE)


def choices_of(columns: Iterable[ColumnSeen]) -> tuple[Choice, ...]:
    """Return columns as what a line may name instead."""
    return tuple(Choice(column.name) for column in columns)


def values_of(settings: Iterable[Setting]) -> dict[str, Any]:
    """Return what lines of a layout say, by key; None for a blank."""
    return {setting.key: setting.value for setting in settings}


@dataclass(frozen=True)
class LabelMeaning:
    """A label, how many rows (or epochs, where one row holds many) it has in the file, and what it may mean.

    ``word`` is a stage word of a layout, "" for a blank; ``languages`` are those whose plain word it is, empty where
    no line is needed (plain) or nothing is known (blank). ``is_given`` tells that a layout said it before,
    ``called`` what a legend in the file calls the label; ``is_below`` that it stands only in rows without a time below
    the table, ``is_beside`` that it is the text of rows without a stage among others that have one in their texts;
    ``at`` when its row is, where it has one and may be about the light or the bed ("" where nobody knows);
    ``is_counted`` that it is known how many rows it has; ``is_explained`` that a mapping file explains it, which has no
    need of a stage.
    """

    label: str
    rows: int
    word: str
    languages: tuple[str, ...] = ()
    is_given: bool = False
    called: str = ""
    is_below: bool = False
    is_beside: bool = False
    at: str = ""
    is_counted: bool = True
    is_explained: bool = False

    @property
    def is_told(self) -> bool:
        """Whether its meaning needs a line: without one, the file would not be read so."""
        return bool(self.languages or self.is_given or self.called or self.is_below or self.is_beside)


@dataclass(frozen=True)
class LayoutProposal:
    """What a layout for a file may be.

    Parameters
    ----------
    file : str
        Name of the file.
    columns : tuple of ColumnSeen
        What the columns hold.
    settings : tuple of Setting
        Lines of the layout, blanks among them.
    labels : tuple of LabelMeaning
        Lines of ``[stages]``.
    seen : FileInspection or None
        The file as it would be read, with the first choice in the place of every blank; None where it is not.
    problem : SleepAgreeError or None
        Why it would not be read all the same.
    """

    file: str
    columns: tuple[ColumnSeen, ...]
    settings: tuple[Setting, ...]
    labels: tuple[LabelMeaning, ...]
    seen: FileInspection | None = None
    problem: SleepAgreeError | None = field(default=None, compare=False)

    @property
    def told(self) -> tuple[Setting, ...]:
        """Lines with a value that change how the file is read."""
        return tuple(s for s in self.settings if s.value is not None and not s.is_comment)

    @property
    def blanks(self) -> tuple[Setting, ...]:
        """Lines without a value."""
        return tuple(setting for setting in self.settings if setting.value is None)

    @property
    def questions(self) -> tuple[Setting, ...]:
        """Lines to ask for: blanks, and the length of an epoch where nothing in the file tells it."""
        return tuple(s for s in self.settings if s.value is None or s.key == "epoch_seconds")

    @property
    def encodings(self) -> Setting | None:
        """The line about the encoding where the bytes do not tell it; None where they do, or a layout does."""
        return next((s for s in self.settings if s.why is Why.LIKELIEST), None)

    @property
    def is_readable(self) -> bool:
        """Whether the file is read once the blanks are filled in.

        Rows that overlap may be marks of the lights, which a label without a meaning does not tell yet.
        """
        if self.seen is None:
            return False
        may_be_marks = any(setting.key == "overlaps" and setting.why is Why.OFFERED for setting in self.settings)
        return len(self.seen.problems) == (1 + may_be_marks if self.seen.unknown else 0)

    @property
    def has_unread_times(self) -> bool:
        """Whether a column seems to hold times in a form that somebody has to tell."""
        return any(setting.why is Why.UNREAD for setting in self.blanks)

    @property
    def is_part(self) -> bool:
        """Whether times are found and most rows hold words for stages, and something else stands in the way."""
        told = sum(label.rows for label in self.labels if label.word) * 2 > sum(label.rows for label in self.labels)
        return not self.is_readable and told and "start" in values_of(self.settings)

    @property
    def marked_window(self) -> tuple[str, str] | None:
        """When the light went off and on, or somebody lay down and got up, where two rows tell it."""
        marks = sorted(label.at for label in self.labels if label.at)
        return (marks[0], marks[1]) if len(marks) == 2 else None

    @property
    def blank_labels(self) -> tuple[LabelMeaning, ...]:
        """Labels without a meaning."""
        return tuple(label for label in self.labels if not (label.word or label.is_explained))

    def beside_mapping(self, words: frozenset[str]) -> LayoutProposal:
        """Return the proposal for a file of which a mapping file explains some labels."""
        labels = (m if m.word else replace(m, is_explained=m.label in words) for m in self.labels)
        return replace(self, labels=tuple(labels))

    def layout(self, answers: dict[str, Any] | None = None, stages: dict[str, str] | None = None) -> Layout:
        """Return the layout with blanks filled in.

        Parameters
        ----------
        answers : dict, optional
            Key of a line -> value; goes before what is proposed. A blank that is not among them stays unset.
        stages : dict, optional
            Label -> stage word; goes before what is proposed.

        Raises
        ------
        FileFormatError
            When an answer cannot stand in a layout.
        """
        values = values_of(self.told) | (answers or {})
        words = {m.label: m.word for m in self.labels if m.word and m.is_told} | (stages or {})
        return layout_of(values, words)
