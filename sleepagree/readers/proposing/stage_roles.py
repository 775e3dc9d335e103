"""What the stages of a file may be: what labels mean, which columns have marks, where texts have words for stages."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from sleepagree.mapping.languages import propose_meanings, without_aside, word_for, word_in_name
from sleepagree.mapping.words import NOT_A_STAGE, canonical_stage, recognise_label
from sleepagree.readers.layout import STAGE_PLACE, Layout, Shape
from sleepagree.readers.log_lines import ARROW
from sleepagree.readers.proposing.column_kinds import ColumnKind, ColumnSeen, see_column
from sleepagree.readers.proposing.layout_proposal import Choice, LabelMeaning, RowsMarked, Setting, Why
from sleepagree.readers.rows import lights_mark
from sleepagree.readers.table.labels import NUMBER, label_in, labels_by_form, without_numbers
from sleepagree.readers.table.shapes import LENGTHS_OF_MARKS, is_marked, largest_shares, marks_a_row
from sleepagree.readers.table.table import Table
from sleepagree.readers.times.clock import Clock, Microseconds, naive_datetime

# --- what labels may mean: plain words, words of languages, legends, and names of columns -------------------

#: Rows of one label about the light or the bed: more are no marks of one night.
_MOST_MARKS: Final = 2


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
            label = replace(label, word=word, called=without_aside(name))
        out.append(label)
    return tuple(out)


# --- columns of marks ---------------------------------------------------------------------------------------

_ABLE: Final = (ColumnKind.CODES, ColumnKind.NUMBERS, ColumnKind.WORDS, ColumnKind.NOTHING, ColumnKind.LENGTHS)
_NEARLY_ALL: Final = 0.95
_MOST_ROWS: Final = 0.5
#: Columns without known names that take turns: two might do so by chance.
_FEWEST_UNKNOWN: Final = 3
_MOST_COLUMNS: Final = 12
#: Stages whose time is also that of others: columns of both would count it twice.
_INSIDE: Final = {
    "light": frozenset({"N1", "N2"}),
    "nrem": frozenset({"light", "N1", "N2", "N3"}),
    "sleep": frozenset({"nrem", "light", "N1", "N2", "N3", "R"}),
}
_STAGES: Final = frozenset({"W", "R", "N3", *_INSIDE}).union(*_INSIDE.values())


def columns_of_marks(columns: Sequence[ColumnSeen]) -> tuple[ColumnSeen, ...]:
    """Return neighbouring columns in exactly one of which nearly every row has a mark, or shares; none where none are.

    None of them is left out whose name is a stage of its own, even where rows then have several marks. A column without
    any mark, such as that of a stage that does not occur, belongs to them where it stands among them or its name is a
    word for a stage, or its cells say so.
    """
    able = [column.kind in _ABLE and all(is_marked(cell) is not None for cell in column.values) for column in columns]
    best: tuple[ColumnSeen, ...] = ()
    first = 0
    for end in range(len(columns) + 1):
        if end < len(columns) and able[end]:
            continue
        run = tuple(columns[first:end])
        first = end + 1
        best = max((best, _with_named(run, _of_run(run))), key=len)
    return best


def _of_run(run: tuple[ColumnSeen, ...]) -> tuple[ColumnSeen, ...]:
    """Return the longest part of neighbouring columns that take turns."""
    for length in range(min(len(run), _MOST_COLUMNS), 1, -1):
        for at in range(len(run) - length + 1):
            part = run[at : at + length]
            while len(part) > 1 and _is_empty(part[-1]):
                part = part[:-1]
            while len(part) > 1 and _is_empty(part[0]):
                part = part[1:]
            if _take_turns(part) or _are_shares(part):
                return part
    return ()


def _with_named(run: tuple[ColumnSeen, ...], part: tuple[ColumnSeen, ...]) -> tuple[ColumnSeen, ...]:
    """Return a part of neighbouring columns with those whose names are stages that it lacks.

    Without a part these alone, where most rows have a mark in one of them.
    """
    if part and _are_shares(part):
        return part
    stages = {column.name: canonical_stage(word_in_name(column.name)) for column in run}
    held = {stages[column.name] for column in part}
    names = {column.name for column in part}
    # those that say less come last
    for column in sorted(run, key=lambda c: stages[c.name] in _INSIDE):
        stage = stages[column.name]
        if stage in _STAGES and not any(_is_same_time(stage, other) for other in held):
            names.add(column.name)
            held.add(stage)
    named = tuple(column for column in run if column.name in names)
    return named if part or (len(named) >= _FEWEST_UNKNOWN and _mostly_one(named, _MOST_ROWS)) else ()


def _is_same_time(stage: str | None, other: str | None) -> bool:
    return stage == other or other in _INSIDE.get(stage or "", ()) or stage in _INSIDE.get(other or "", ())


def _is_empty(column: ColumnSeen) -> bool:
    return column.kind is ColumnKind.NOTHING and not word_in_name(column.name)


def _are_shares(part: Sequence[ColumnSeen]) -> bool:
    enough = len(part) >= _FEWEST_UNKNOWN or all(word_in_name(column.name) for column in part)
    return enough and len(part) > 1 and largest_shares([column.cells for column in part]) is not None


def _take_turns(part: Sequence[ColumnSeen]) -> bool:
    turning = [column for column in part if len({is_marked(cell) for cell in column.values}) > 1]
    known = sum(bool(word_in_name(column.name)) for column in turning)
    if len(turning) < _FEWEST_UNKNOWN and not (len(turning) > 1 and known == len(turning)):
        return False
    return _mostly_one(part, _NEARLY_ALL)


def _mostly_one(part: Sequence[ColumnSeen], share: float) -> bool:
    """Whether most rows have a mark, and of these such a share a single one."""
    marks = np.array(marks_a_row([column.cells for column in part]))
    return bool((marks > 0).mean() > _MOST_ROWS and (marks == 1).sum() >= share * (marks > 0).sum())


def marks_line(part: Sequence[ColumnSeen]) -> Setting:
    """Return the line that names columns of marks, with how many rows have none and how many have several."""
    names = tuple(column.name for column in part)
    cells = [column.cells for column in part]
    marks = np.array(marks_a_row(cells))
    if largest_shares(cells) is not None or (marks == 1).all():
        return Setting("stage_columns", names, Why.MARKED)
    marked = RowsMarked(marks.size, int((marks == 0).sum()), int((marks > 1).sum()))
    return Setting("stage_columns", names, Why.MARKED_MOSTLY, marked=marked)


def marked_labels(part: Sequence[ColumnSeen]) -> tuple[str, ...]:
    """Return the name of the column in which each row has its mark, "" where it has none; the first of several."""
    shares = largest_shares([column.cells for column in part])
    if shares is not None:
        return tuple("" if at is None else part[at].name for at in shares)
    rows = zip(*(column.cells for column in part), strict=True)
    return tuple(next((c.name for c, cell in zip(part, row, strict=True) if is_marked(cell)), "") for row in rows)


def lengths_of_marks(part: Sequence[ColumnSeen]) -> tuple[ColumnSeen, ...]:
    """Return the marks of rows as a column of numbers that may be lengths; nothing where all of them are the same.

    Nothing either where rows have several: none of them is how long the row lasts.
    """
    if largest_shares([column.cells for column in part]) is not None or not _mostly_one(part, _NEARLY_ALL):
        return ()
    rows = zip(*(column.cells for column in part), strict=True)
    lengths = see_column(LENGTHS_OF_MARKS, [next(filter(is_marked, row), "") for row in rows])
    is_varied = lengths.kind.is_numeric and lengths.distinct > 1
    return (replace(lengths, kind=ColumnKind.NUMBERS),) if is_varied else ()


# --- stages among other words, as in the lines of a log -----------------------------------------------------

_WORD: Final = re.compile(r"[^\W_]+(?:[-'’][^\W_]+)*")
#: Writing that puts no space between words.
_UNSPACED: Final = re.compile("[\u0e00-\u0eff\u3040-\u30ff\u3400-\u9fff]")
_LONGEST: Final = {False: 4, True: 8}
_FEWEST_ROWS: Final = 6
_FEWEST_SHARE: Final = 0.1
#: Stages come back; measured values rarely do.
_MOST_ALIKE: Final = 3
_FEWEST_ALIKE: Final = 3
_MOST_TEXTS: Final = 3000


class Worded(NamedTuple):
    """A table whose stages stand among other words.

    Parameters
    ----------
    table : Table
        The rows that hold a stage, with nothing but it in the column of stages.
    stage : str
        Name of that column.
    settings : tuple of Setting
        The line that says where the stage stands in its texts.
    others : tuple of LabelMeaning
        Texts of the other rows: no stages where they hold a number and no word for a stage, else blanks.
    """

    table: Table
    stage: str
    settings: tuple[Setting, ...]
    others: tuple[LabelMeaning, ...]


def find_worded(
    table: Table, columns: Sequence[ColumnSeen], given: Layout, rivals: Sequence[ColumnSeen]
) -> Worded | None:
    """Return the table with the stages taken out of the texts around them; None where they stand by themselves.

    Beside rivals, other columns that may hold stages, most rows have to have a text of that form.
    """
    able = [c for c in columns if c.kind in (ColumnKind.TEXTS, ColumnKind.WORDS) and c.name == (given.stage or c.name)]
    if given.shape is Shape.RUNS:
        return None
    for column in able:
        forms = (
            (given.stage_form,) if given.stage_form else _likely_forms(column, is_sole=all(r is column for r in rivals))
        )
        if forms:
            return _taken_out(table, column, forms, is_given=bool(given.stage_form))
    return None


def _taken_out(table: Table, column: ColumnSeen, forms: Sequence[str], *, is_given: bool) -> Worded | None:
    form, *others = forms
    labels = labels_by_form(column.cells, form)
    fits = np.array([label_in(cell, form) is not None for cell in column.cells])
    if not fits.any():
        return None
    position = table.names.index(column.name)
    whole = table._replace(columns={**table.columns, position: labels})
    value, choices = (None, forms) if others else (form, ())
    line = Setting("stage_form", value, Why.TWO_STAGES if others else Why.AMONG_WORDS, tuple(map(Choice, choices)))
    rest = meanings_of([label for label, fit in zip(labels, fits, strict=True) if not fit])
    open_ = {label for label, fit, cell in zip(labels, fits, column.cells, strict=True) if not fit and _stages(cell)}
    # what has no number, is rare, or shares a word with the stages may be one, or say that nothing is recorded
    shared = set(_WORD.findall(form.replace(STAGE_PLACE, ""))) | _common_words(
        [label for label, fit in zip(labels, fits, strict=True) if fit]
    )
    told = tuple(
        replace(m, word=NOT_A_STAGE * (m.label not in open_ and _is_measured(m, shared)), languages=(), is_beside=True)
        for m in rest
    )
    return Worded(whole.taking(np.flatnonzero(fits)), column.name, () if is_given else (line,), told)


def _common_words(labels: Sequence[str]) -> set[str]:
    """Return the words that stand in each of several labels."""
    words = [set(_WORD.findall(label)) for label in dict.fromkeys(labels)]
    return set.intersection(*words) if len(words) > 1 else set()


def _is_measured(label: LabelMeaning, shared: set[str]) -> bool:
    """Whether the text of other rows has a number, comes again and again, and has no word of the rows with stages."""
    is_often = label.rows >= _FEWEST_ALIKE
    return NUMBER in label.label and is_often and shared.isdisjoint(_WORD.findall(label.label))


def _likely_forms(column: ColumnSeen, *, is_sole: bool) -> tuple[str, ...]:
    """Return where the stage stands in the texts of a column; more than one form where there are two places."""
    counts = Counter(filter(None, column.cells))
    alone = column.kind is ColumnKind.WORDS and not varies_in_numbers(column) and any(map(_means, counts))
    if len(counts) > _MOST_TEXTS or alone:
        return ()
    places: dict[int, Counter[str]] = defaultdict(Counter)
    said: dict[str, set[str]] = defaultdict(set)
    for cell, rows in counts.items():
        for i, (form, word) in enumerate(_forms_of(cell)):
            places[i][form] += rows
            said[form].add(word)
    enough = max(_FEWEST_ROWS, (_FEWEST_SHARE if is_sole else _MOST_ROWS) * column.rows)
    likely = [form for place in places.values() for form, rows in place.most_common(1) if rows >= enough]
    return tuple(form for form in dict.fromkeys(likely) if len(said[form]) > 1)


def varies_in_numbers(column: ColumnSeen) -> bool:
    """Whether many texts of a column that mean no stage are alike but for numbers in them."""
    counts = Counter(column.cells)
    others = [text for text, rows in counts.items() if rows <= _MOST_ALIKE and not _means(text)]
    return len(others) - len(set(map(without_numbers, others))) >= _FEWEST_ALIKE


def _forms_of(cell: str) -> Iterator[tuple[str, str]]:
    """Yield the forms of one text, each with its stage: the last of a change alone."""
    text = " ".join(cell.split())
    found = _stages(text)
    if found and ARROW.search(text):
        found = found[-1:]
    for begin, end, word in found:
        before, after = (_other_words(text[a:b]) for a, b in ((0, begin), (end, len(text))))
        yield f"{before}{STAGE_PLACE}{after}", word


def _other_words(text: str) -> str:
    """Return what stands beside a stage with * for other stages, and # for numbers."""
    for begin, end, _ in reversed(_stages(text)):
        text = f"{text[:begin]}*{text[end:]}"
    return re.sub(r"\*[\s*]*\*", "*", without_numbers(text))


def _stages(text: str) -> list[tuple[int, int, str]]:
    """Return where words for stages stand in a text, and what they mean; those for any sleep where no others do."""
    found = []
    last = 0
    for begin, ends in _phrases(text):
        if begin < last:
            continue
        for end in ends:
            if word := _means(text[begin:end]):
                found.append((begin, end, word))
                last = end
                break
    kinds = [place for place in found if place[2] != "sleep"]
    return kinds or found


def _phrases(text: str) -> Iterator[tuple[int, list[int]]]:
    """Yield where a phrase may begin, with its possible ends, the furthest first."""
    words = list(_WORD.finditer(text))
    for i, word in enumerate(words):
        if _UNSPACED.search(word[0]):
            for begin in range(word.start(), word.end()):
                yield begin, list(range(min(word.end(), begin + _LONGEST[True]), begin, -1))
        else:
            yield word.start(), [w.end() for w in reversed(words[i : i + _LONGEST[False]])]


@lru_cache(maxsize=16384)
def _means(phrase: str) -> str:
    """Return the stage that a phrase means, "" for none."""
    if phrase.isdigit() or (len(phrase) == 1 and phrase.isascii()):
        return ""
    word = word_for(phrase)
    return "" if word == NOT_A_STAGE else word
