"""What the labels of a file may mean: plain words, words of languages, legends, and names of columns."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from sleepagree.mapping.languages import propose_meanings
from sleepagree.mapping.words import NOT_A_STAGE, recognise_label
from sleepagree.readers.proposing.column_kinds import ColumnSeen
from sleepagree.readers.proposing.layout_proposal import LabelMeaning
from sleepagree.readers.rows import lights_mark
from sleepagree.readers.times.clock import Clock, Microseconds, naive_datetime

#: Rows of one label about the light or the bed: more are no marks of one night.
_MOST_MARKS: Final = 2
#: What is said around the word for a stage in the name of a column.
_ASIDE: Final = re.compile(r"[\[(][^\])]*[\])]|%|\b(?:is|stage|pct|percent|mins?|minutes|secs?|seconds|s|flag)\b")


def meanings_of(cells: Sequence[str]) -> tuple[LabelMeaning, ...]:
    """Return what labels may mean, in the order in which they are first met."""
    counts = Counter(cell.strip() for cell in cells)
    proposed = propose_meanings(list(counts))
    out = []
    for label, rows in counts.items():
        plain = NOT_A_STAGE if lights_mark(label) else recognise_label(label)
        meaning = proposed.get(label)
        if meaning and meaning.word == NOT_A_STAGE and rows > _MOST_MARKS:
            meaning = None  # "in bed" again and again may be wake
        word = plain or (meaning.word if meaning else "")
        out.append(LabelMeaning(label, rows, word, () if plain or not meaning else meaning.languages))
    return tuple(out)


def called(labels: Sequence[LabelMeaning], legends: Sequence[dict[str, str]]) -> tuple[LabelMeaning, ...]:
    """Return labels with what the one legend that has them calls them, and what that may mean.

    Marks of the lights may stand as words beside the codes that it explains.
    """
    fitting = {tuple(legend.get(m.label) for m in labels) for legend in legends if _fits(legend, labels)}
    if len(fitting) != 1:
        return tuple(labels)
    (names,) = fitting
    meant = {m.label: m.word for m in meanings_of([name for name in names if name is not None])}
    return tuple(
        m if name is None else replace(m, called=name, word=meant[name.strip()])
        for m, name in zip(labels, names, strict=True)
    )


def _fits(legend: dict[str, str], labels: Sequence[LabelMeaning]) -> bool:
    others = [m for m in labels if m.label not in legend]
    return not others or (
        len(labels) - len(others) > 1 and all(m.word or m.rows <= _MOST_MARKS or not m.label.isalnum() for m in others)
    )


def with_moments(
    labels: Sequence[LabelMeaning], stage: ColumnSeen, starts: Microseconds, start: ColumnSeen
) -> tuple[LabelMeaning, ...]:
    """Return labels, with the moments of those about the light or the bed."""
    clocks = {reading.times.clock for reading in start.readings}
    if clocks == {Clock.ELAPSED}:
        return tuple(labels)
    utc = "Z" * (clocks == {Clock.UTC})
    return tuple(
        replace(m, at=naive_datetime(int(starts[stage.cells.index(m.label)])).isoformat() + utc)
        if m.word == NOT_A_STAGE and m.languages and m.rows == 1
        else m
        for m in labels
    )


def meanings_of_names(names: Sequence[str], cells: Sequence[str]) -> tuple[LabelMeaning, ...]:
    """Return what names of columns may mean, each of which has the rows of its cells; "Wake (min)" by its one word."""
    out = []
    for name, known in zip(names, meanings_of(names), strict=True):
        label = replace(known, rows=cells.count(name))
        if not label.word and (word := word_in_name(name)):
            label = replace(label, word=word, called=_bare(name))
        out.append(label)
    return tuple(out)


def _bare(name: str) -> str:
    return " ".join(_ASIDE.sub(" ", " ".join(re.split(r"[\s_.-]+", name.casefold()))).split())


def word_in_name(name: str) -> str:
    """Return the stage that the name of a column tells, "" where it tells none.

    Examples
    --------
    >>> word_in_name("is_awake"), word_in_name("Traum [%]"), word_in_name("pulse")
    ('W', 'rem', '')
    """
    for text in (name, _bare(name)):
        if plain := recognise_label(text):
            return plain
        if meaning := propose_meanings([text]).get(text):
            return meaning.word
    return ""
