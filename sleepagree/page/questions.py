"""One file that was given, what was answered about it, and what it looks like read that way."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import re
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from sleepagree.describe.file import describe_file
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import ASKED, ClockError, Front, SleepAgreeError, UnknownStageError, name_options
from sleepagree.files.toml import TomlError, parse_toml
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.zones import find_zone
from sleepagree.mapping.sets import make_stage_set
from sleepagree.mapping.words import NOT_A_STAGE, UNSCORED
from sleepagree.page.moments import Reading, read_moment
from sleepagree.readers.any_file import read_spans, whole_table
from sleepagree.readers.columns import find_columns
from sleepagree.readers.inspection import FileInspection, inspect_file, roles_of_columns
from sleepagree.readers.layout import (
    COLUMNS,
    DURATION_UNITS,
    Ends,
    Layout,
    Marks,
    NightOf,
    Overlaps,
    Shape,
    Silence,
    layout_of,
    told_values,
    toml_value,
)
from sleepagree.readers.proposing.proposal import layout_as_seen, propose_layout
from sleepagree.readers.table.table import Table
from sleepagree.render.notebook import render_notebook

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: What may be said of a label: the word of a layout, and how it is shown.
MEANINGS: Final = {
    "wake": "wake",
    "N1": "N1",
    "N2": "N2",
    "light": "light (N1 or N2)",
    "N3": "deep (N3)",
    "rem": "REM",
    "nrem": "NREM of some kind",
    "sleep": "sleep of some kind",
    UNSCORED: "not scored",
    NOT_A_STAGE: "no stage: pass over it",
}
#: What may be said of a column.
ROLES: Final = {
    "": "not used",
    "stage": "stage",
    "stage_columns": "marks of one stage",
    "start": "when it begins",
    "end": "when it ends",
    "duration": "how long it lasts",
    "date": "date",
    "epoch_number": "number of the epoch",
    "person_column": "person",
    "night_column": "night",
    "zone_column": "zone",
    "am_pm": "AM or PM",
}

#: What may be said of a file, beside its columns and labels: key of a layout, what is asked, and the answers ("" for a
#: text of one's own).
BLANKS: Final[tuple[tuple[str, str, tuple[str, ...]], ...]] = tuple(
    (key, ASKED[key] + example, answers)
    for key, example, answers in (
        ("begins", ", such as 2026-03-01 22:30", ()),
        ("zone", ", such as Europe/Helsinki", ()),
        ("person", "", ()),
        ("night", "", ()),
        ("epoch_seconds", "", ()),
        ("reports", ", such as wake, light, deep", ()),
        ("time", "", ()),
        ("duration_unit", "", (*DURATION_UNITS, "epochs")),
        ("shape", "", tuple(Shape)),
        ("marks", "", tuple(Marks)),
        ("ends", "", tuple(Ends)),
        ("night_of", "", tuple(NightOf)),
        ("overlaps", "", tuple(Overlaps)),
        ("silence", "", tuple(Silence)),
        ("first_epoch", "", ()),
        ("skip_lines", "", ()),
        ("foot", "", ()),
        ("stage_form", ", such as state changed to {stage} (pulse #)", ()),
        ("delimiter", "", ()),
        ("encoding", ", such as cp1252", ()),
        ("records", "", ()),
        ("source", ", such as 2", ()),
        ("sheet", "", ()),
    )
)
_NUMBERS: Final = ("epoch_seconds", "skip_lines", "first_epoch", "source")
_ROWS_SHOWN: Final = 6

#: matplotlib's settings are those of the whole process.
DRAWING: Final = threading.Lock()


@dataclass(frozen=True)
class Look:
    """What a file looks like, read as was answered.

    Parameters
    ----------
    problems : tuple of str
        What stands in the way, as messages say it.
    columns : tuple of (str, str)
        Name and role of each column of a table; "" for a column without one.
    rows : tuple of tuple of str
        Its first rows.
    labels : tuple of (str, str, float or None)
        Each label, its stage ("" where nothing tells) and its minutes.
    forms : tuple of (str, str)
        Ways in which its times can be read, and when each holds.
    seen : str
        HTML of what ``inspect`` says.
    drawing : str
        An SVG element with its hypnogram, "" where there is none yet.
    layout : Layout or None
        How it is read; None where plain names do.
    layout_text : str
        The same as a file, "" where nothing was answered or it is no layout.
    asked : tuple of str
        Keys of `BLANKS` that the file leaves open; the others may be answered, too.
    spans : ScoredSpans or None
        What is read, None where something stands in the way.
    """

    problems: tuple[str, ...] = ()
    columns: tuple[tuple[str, str], ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    labels: tuple[tuple[str, str, float | None], ...] = ()
    forms: tuple[tuple[str, str], ...] = ()
    seen: str = ""
    drawing: str = ""
    layout: Layout | None = None
    layout_text: str = ""
    asked: tuple[str, ...] = ("begins", "zone", "reports")
    spans: ScoredSpans | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Typed:
    """An answer that was typed, where more is to be said of it.

    Parameters
    ----------
    text : str
        As it was typed.
    wrong : str
        Why it is not used, "" where it is.
    choices : tuple of Reading
        What it may mean, where somebody has to say which.
    taken : str
        As what it was taken, where it was taken for something.
    """

    text: str
    wrong: str = ""
    choices: tuple[Reading, ...] = ()
    taken: str = ""


@dataclass(frozen=True)
class Given:
    """A file that was given, and what was answered about it.

    Parameters
    ----------
    path : Path
        Where it is stored, under a folder of its own.
    name : str
        What its owner calls it.
    answers : dict of str to str
        Key of a layout -> answer, as it was typed.
    stages : dict of str to str
        Label -> stage.
    typed : dict of str to Typed
        Key of a layout -> an answer of which more is to be said; one that is not used is not among ``answers``.
    blanks : tuple of str
        Keys of a layout that only a person can answer.
    unsaid : frozenset of (str, str)
        "role" and a column, "stage" and a label, of which last was said that it is not used, or has no meaning: what
        their own words say stays, as no layout can take it back.
    is_proposed : bool
        Whether the answers were proposed, and nobody has gone on with them.
    aside : Given or None
        The file that was there before, whose answers do not fit this one; they are not lost.
    """

    path: Path
    name: str
    answers: Mapping[str, str] = field(default_factory=dict)
    stages: Mapping[str, str] = field(default_factory=dict)
    typed: Mapping[str, Typed] = field(default_factory=dict)
    blanks: tuple[str, ...] = ()
    unsaid: frozenset[tuple[str, str]] = frozenset()
    is_proposed: bool = False
    aside: Given | None = None

    @classmethod
    def proposed(cls, path: Path, name: str) -> Given:
        """Return a file, and where it cannot be read as it is what is proposed for it as answers."""
        with contextlib.suppress(SleepAgreeError):
            if not inspect_file(path).problems:
                return cls(path, name)
        proposal = None
        with contextlib.suppress(SleepAgreeError):
            proposal = propose_layout(path)
        if proposal is None:
            return cls(path, name)
        given = cls.with_layout(path, name, proposal.layout())
        return dataclasses.replace(given, blanks=tuple(setting.key for setting in proposal.questions), is_proposed=True)

    @classmethod
    def with_layout(cls, path: Path, name: str, layout: Layout | None) -> Given:
        """Return a file whose answers are those of a layout."""
        if layout is None:
            return cls(path, name)
        return cls(path, name, _answers_of(layout), dict(layout.stages))

    def read_as(self, layout: Layout) -> Given:
        """Return the file read by a layout of its kind; what holds for it alone, and was answered, stays."""
        texts = {key: typed.text for key, typed in self.typed.items()} | dict(self.answers)
        own = {key: text for key, text in texts.items() if key in ("begins", "person", "night", "sheet")}
        again = Given.with_layout(self.path, self.name, layout)
        told = {key: text for key, text in own.items() if key not in again.answers}
        return dataclasses.replace(again, blanks=self.blanks, aside=self).with_answers(told)

    def another(self, path: Path, name: str) -> Given:
        """Return another file with the answers that were given last for one like it."""
        fresh = Given.proposed(path, name)
        before: Given | None = self
        while before is not None:
            given = dataclasses.replace(before, path=path, name=name)
            named = {*_roles(given.answers)}
            found = given.columns()
            if not found or (named <= {*found} if named else not fresh.is_proposed):
                return given if before is self else dataclasses.replace(given, aside=self)
            before = before.aside
        return dataclasses.replace(fresh, aside=self)

    def columns(self) -> tuple[str, ...]:
        """Return the names of its columns, none where it is no table that can be read."""
        with contextlib.suppress(SleepAgreeError):
            return _first_rows(self.path, self._layout())[0]
        return ()

    @property
    def is_clear(self) -> bool:
        """Whether every answer is used."""
        return not any(typed.wrong for typed in self.typed.values())

    def answered(self, form: Mapping[str, str], side: str, shown: Look, near: dt.datetime | None = None) -> Given:
        """Return the file with the answers of a form; what it proposed and nobody changed is no answer.

        Parameters
        ----------
        form : mapping
            ``SIDE.key`` -> text. Columns and labels come with their names: ``SIDE.column.N`` beside ``SIDE.role.N``,
            ``SIDE.label.N`` beside ``SIDE.stage.N``.
        side : str
            "reference" or "device".
        shown : Look
            What the form was made from.
        near : datetime or None
            When the other file begins.
        """
        proposed_roles, proposed_stages = dict(shown.columns), {label: stage for label, stage, _ in shown.labels}
        columns = _pairs(form, f"{side}.column.", f"{side}.role.")
        answers = {k: v for k, v in self.answers.items() if k not in (*COLUMNS, "stage_columns") or not columns}
        for name, role in columns:
            changed = role != proposed_roles.get(name, "")
            if role in COLUMNS and (changed or self.answers.get(role) == name):
                answers[role] = name
        if marks := [name for name, role in columns if role == "stage_columns"]:
            answers["stage_columns"] = toml_value(marks)
        for key, _, _ in BLANKS:
            if (text := form.get(f"{side}.{key}")) is not None:
                answers[key] = text.strip()
        stages = dict(self.stages)
        labels = _pairs(form, f"{side}.label.", f"{side}.stage.")
        unsaid = {("role", name) for name, role in columns if not role and proposed_roles.get(name)}
        unsaid |= {("stage", label) for label, stage in labels if not stage and proposed_stages.get(label)}
        for label, stage in labels:
            if stage != proposed_stages.get(label, "") and (stage in MEANINGS or stage == ""):
                stages[label] = stage
        return dataclasses.replace(
            self,
            answers={key: text for key, text in answers.items() if text and self.answers.get(key) == text},
            stages={label: stage for label, stage in stages.items() if stage},
            typed={key: typed for key, typed in self.typed.items() if typed.taken and answers.get(key) == typed.text},
            unsaid=frozenset(unsaid),
        ).with_answers(
            {key: text for key, text in answers.items() if text and self.answers.get(key) != text}, near, self.answers
        )

    def with_answers(
        self,
        fresh: Mapping[str, str],
        near: dt.datetime | None = None,
        before: Mapping[str, str] = MappingProxyType({}),
    ) -> Given:
        """Return the file with fresh answers; the place of one that cannot be used is kept by the one before it."""
        given = self
        chosen = {key for key, _, answers in BLANKS if answers} | {*COLUMNS, "stage_columns"}
        for key, text in sorted(fresh.items(), key=lambda answer: answer[0] not in chosen):
            typed = _read_typed(key, text, near)
            older, newer = (given.answering(key, said) for said in (before.get(key, ""), typed.text))
            if not typed.wrong and key not in chosen and older.fault() is None and (fault := newer.fault()) is not None:
                typed = Typed(text, _beside(fault))
            given = older if typed.wrong else newer
            if typed.wrong or typed.taken:
                given = dataclasses.replace(given, typed={**given.typed, key: typed})
        return given

    def answering(self, key: str, text: str) -> Given:
        """Return the file with one more answer, "" for none."""
        return dataclasses.replace(self, answers={**self.answers, key: text}) if text else self

    def fault(self) -> SleepAgreeError | None:
        """Return why nothing can be shown of the file, None where something can."""
        try:
            inspect_file(self.path, layout=self._layout())
        except SleepAgreeError as error:
            return error
        return None

    def look(self) -> Look:
        """Return what the file looks like; whatever is wrong with it is told there."""
        roles = _roles(self.answers)
        look = Look(labels=tuple((label, stage, None) for label, stage in self.stages.items()))
        try:
            layout = self._layout()
            columns, rows = _first_rows(self.path, layout)
            found = _roles_by_name(columns, layout)
            named = tuple((name, roles.get(name) or found.get(name, "")) for name in columns)
            look = dataclasses.replace(look, layout=layout, columns=named, rows=rows)
            seen = inspect_file(self.path, layout=layout, front=Front.PAGE)
        except SleepAgreeError as error:
            asked = tuple(key for key, _, _ in BLANKS if key in (*look.asked, *self.blanks))
            return dataclasses.replace(look, problems=(error.told(Front.PAGE, self.path.parent),), asked=asked)
        spans = _spans(self.path, layout, seen)
        return dataclasses.replace(
            look,
            problems=seen.problems,
            labels=tuple((label.label, _word(label.stage), label.minutes) for label in seen.labels),
            forms=seen.time_forms,
            seen=render_notebook(describe_file(seen, front=Front.PAGE)),
            drawing="" if spans is None else draw_spans(spans, self.path.parent.name),
            layout_text="" if layout is None else layout_text(layout_as_seen(seen, layout)),
            asked=_open_blanks(seen, {*self.answers, *(role for role, _ in seen.columns)}, self.answers, self.blanks),
            spans=None if seen.problems else spans,
        )

    def _layout(self) -> Layout | None:
        """Return what was answered as a layout, None where nothing was."""
        if not self.answers and not self.stages:
            return None
        values = {key: _typed(key, text) for key, text in self.answers.items()}
        return layout_of(values, self.stages, name=self.path.name)


def draw_spans(spans: ScoredSpans, name: str) -> str:
    """Return the hypnogram of one file as an SVG element, "" where it holds no stage."""
    from sleepagree.figures.hypnograms import draw_stages
    from sleepagree.hypnogram.align import align

    try:
        paired = align(reference=spans, device=spans, window="reference")
    except SleepAgreeError:
        return ""
    with DRAWING:
        return svg_element(draw_stages(paired), f"look-{name}", "Hypnogram")


def svg_element(ax: Axes, name: str, title: str) -> str:
    """Return what was drawn as an SVG element in the colours of the page."""
    from sleepagree.figures.drawing import figure_of
    from sleepagree.figures.saving import page_drawing, svg_tree

    drawn = figure_of(ax)
    width, height = (float(inches * 72) for inches in drawn.get_size_inches())
    inside = page_drawing(svg_tree(drawn), prefix=name)
    return (
        f'<svg class="figure" role="img" aria-label="{title}" viewBox="0 0 {width:.2f} {height:.2f}" '
        f'style="--wide: {width:.2f}">{inside}</svg>'
    )


def _spans(path: Path, layout: Layout | None, seen: FileInspection) -> ScoredSpans | None:
    with contextlib.suppress(SleepAgreeError):
        return read_spans(path, layout=layout, own_words=frozenset(seen.unknown))
    return None


def _open_blanks(
    seen: FileInspection, roles: Collection[str], answers: Collection[str], blanks: Collection[str]
) -> tuple[str, ...]:
    """Return what the file does not say, answered or not."""
    is_open = {
        "begins": seen.start is None,
        "zone": seen.zone is None and seen.start is not None,
        "person": "person_column" in roles,
        "night": "night_column" in roles,
        "time": bool(seen.time_forms),
        "overlaps": bool(seen.overlaps),
        "reports": True,
    }
    return tuple(k for k, _, _ in BLANKS if is_open.get(k) or k in blanks or (k in is_open and k in answers))


def _first_rows(path: Path, layout: Layout | None) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the names of a table's columns and its first rows; nothing where it is no table."""
    try:
        table = whole_table(path, layout)
    except SleepAgreeError:
        return (), ()
    if table is None:
        return (), ()
    return tuple(table.names), tuple(zip(*(_cells(table, i) for i in range(len(table.names))), strict=True))


def _roles_by_name(names: tuple[str, ...], layout: Layout | None) -> dict[str, str]:
    """Return the roles that columns have, those by their plain names included: name -> role."""
    with contextlib.suppress(SleepAgreeError):
        return {name: role for role, name in roles_of_columns(find_columns(names, layout or Layout(), path=""), names)}
    return {}


def _cells(table: Table, position: int) -> list[str]:
    """Return the first cells of a column; those of one that holds moments, not texts, are left open."""
    with contextlib.suppress(SleepAgreeError):
        return [str(text) for text in table.texts(position)[:_ROWS_SHOWN]]
    return [""] * min(_ROWS_SHOWN, len(table.places.numbers))


def _read_typed(key: str, text: str, near: dt.datetime | None) -> Typed:
    """Return a typed answer as it is used, or what is wrong with it whatever the file is."""
    if key == "begins":
        return typed_moment(text, near, "the other file", "begins")
    try:
        layout_of({"epoch_seconds": 30, key: _typed(key, text)}, {})
        if key == "zone":
            find_zone(text)
        if key == "reports":
            make_stage_set((), (), reports=_typed(key, text))
    except (ClockError, UnknownStageError) as error:
        return Typed(text, _beside(error))
    except SleepAgreeError as error:
        return Typed(text, f"This cannot be used here. Expected {name_options(error.expected, Front.PAGE)}.")
    return Typed(text)


def typed_moment(text: str, near: dt.datetime | None, file: str, happens: str) -> Typed:
    """Return a moment that was typed; one without a date is the nearest to when a file begins, or ends."""
    readings = read_moment(text, near)
    if len(readings) == 1:
        dated = f", the date nearest to when {file} {happens}" * readings[0].is_dated
        return Typed(readings[0].value, taken=f"Taken as {readings[0].said}{dated}.")
    if readings:
        return Typed(text, "This can be more than one day: choose which.", readings)
    undated = near is None and read_moment(text, dt.datetime(2000, 1, 2))
    told = f"Give the date, too: {file} tells none. For example" if undated else "Give a date and a time, such as"
    return Typed(text, f"{told} 2026-03-01 22:30 or 1 March 2026 10:30 pm.")


def _beside(error: SleepAgreeError) -> str:
    """Return a message as it stands beside the field that it is about."""
    return error.in_file("").told(Front.PAGE)


def _pairs(form: Mapping[str, str], names: str, values: str) -> list[tuple[str, str]]:
    """Return name and value of every numbered pair of a form."""
    keys = [key for key in form if key.startswith(names)]
    return [(form[key], form.get(values + key.removeprefix(names), "")) for key in keys]


def _roles(answers: Mapping[str, str]) -> dict[str, str]:
    """Return what was said of the columns of a table: name -> role."""
    marks = _typed("stage_columns", answers.get("stage_columns", "[]"))
    named = {name: key for key, name in answers.items() if key in COLUMNS}
    return named | dict.fromkeys(marks if isinstance(marks, list) else [], "stage_columns")


def _word(stage: str | None) -> str:
    """Return a stage as a layout writes it; what none can write, such as words of one's own, as it is."""
    return {"R": "rem", "W": "wake", None: ""}.get(stage, stage or "")


def _answers_of(layout: Layout) -> dict[str, str]:
    """Return what a layout says, as somebody would type it."""
    typed = {
        key: str(value) if isinstance(value, str) else toml_value(value) for key, value in told_values(layout).items()
    }
    return typed if layout.reports is None else typed | {"reports": ", ".join(layout.reports)}


def _typed(key: str, text: str) -> Any:
    """Return an answer as a layout has it; what is no number where one is wanted stays a text, which is refused."""
    if key == "reports":
        return [word.strip() for word in text.split(",") if word.strip()]
    if key == "stage_columns":
        with contextlib.suppress(TomlError):
            return parse_toml(f"{key} = {text}")[key]
    if key == "header" and text in ("true", "false"):
        return text == "true"
    return float(text) if key in _NUMBERS and re.fullmatch(r"\d{1,9}(\.\d+)?", text, re.ASCII) else text
