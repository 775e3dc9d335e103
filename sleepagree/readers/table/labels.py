"""The labels of a table: where they stand in texts, what each means, which rows hold a stage, and the lights marks."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.errors import FileFormatError, Option
from sleepagree.mapping.words import NOT_A_STAGE, UNSCORED, fold_label, fold_table, recognise_label
from sleepagree.readers.columns import Columns
from sleepagree.readers.layout import STAGE_PLACE, Layout
from sleepagree.readers.rows import Places, Rows, lights_mark, no_stage_rows, number_labels, stages_of_labels
from sleepagree.readers.table.table import Table, TableReading
from sleepagree.readers.times.clock import Microseconds, Times

# --- texts in which the stage stands among other words, such as lines of a log: a form says where ------------

#: What stands for a number; "*" stands for whatever else differs from row to row.
NUMBER: Final = "#"
_SPACES: Final = re.compile(r"\s+")
_NUMBER: Final = re.compile(r"\d+(?:[.,:]\d+)*")
_WILD: Final = {re.escape(NUMBER): rf"(?:{NUMBER}|{_NUMBER.pattern})", re.escape("*"): ".*?"}


def without_numbers(text: str) -> str:
    """Return a text with # in the place of each number, so that rows which differ in nothing else are alike.

    Examples
    --------
    >>> without_numbers("pulse 52, 18,7 degrees")
    'pulse #, # degrees'
    """
    return _NUMBER.sub(NUMBER, _SPACES.sub(" ", text))


def label_in(text: str, form: str) -> str | None:
    """Return what stands in a text where a form has its stage; None where the text is not of that form.

    Examples
    --------
    >>> label_in("state -> light sleep (pulse 52)", "state -> {stage} (pulse #)")
    'light sleep'
    >>> label_in("battery 80 %", "state -> {stage} (pulse #)")

    Among texts of other kinds a stage that stands by itself has no number, unless it is a plain word such as N2:

    >>> label_in("Light", "{stage}"), label_in("N2", "{stage}"), label_in("pulse 52", "{stage}")
    ('Light', 'N2', None)
    """
    if form == STAGE_PLACE and _NUMBER.search(text) and recognise_label(text) is None:
        return None
    match = _pattern(form).fullmatch(" ".join(text.split()))
    return match["stage"].strip() if match else None


@lru_cache(maxsize=64)
def _pattern(form: str) -> re.Pattern[str]:
    around = (re.escape(part) for part in " ".join(form.split()).split(STAGE_PLACE))
    before, after = (re.sub("|".join(map(re.escape, _WILD)), lambda wild: _WILD[wild[0]], part) for part in around)
    return re.compile(f"{before}(?P<stage>.+?){after}")


def labels_by_form(texts: Sequence[str], form: str) -> list[str]:
    """Return the label of each row: what the form finds, else the whole text without its numbers."""
    found = {text: label_in(text, form) for text in dict.fromkeys(texts)}
    return [without_numbers(text.strip()) if (label := found[text]) is None else label for text in texts]


def with_form(table: Table, columns: Columns, layout: Layout) -> Table:
    """Return a table whose column of stages holds what the form of a layout finds there."""
    if layout.stage_form is None:
        return table
    labels = labels_by_form(table.texts(columns.stage), layout.stage_form)
    return table._replace(columns={**table.columns, columns.stage: labels})


# --- what labels mean ---------------------------------------------------------------------------------------

#: A code that never speaks for itself.
_CODE: Final = re.compile(r"-?\d+(\.\d+)?", re.ASCII)


class Labels(NamedTuple):
    """The labels of all rows, before any row is taken out."""

    labels: tuple[str, ...]
    stages: tuple[str, ...]
    codes: NDArray[np.intp]
    lights: tuple[str, ...]  # of each label: "off", "on" or ""


def read_labels(reading: TableReading, texts: Sequence[str], places: Places | None = None) -> Labels:
    """Return what the labels of a column mean; ``places`` where they stand, if not in the rows of the file."""
    layout, columns, table = reading.layout, reading.columns, reading.table
    labels, codes = number_labels(texts)
    known: Mapping[str, str] = layout.stages
    if table.levels:
        labels, codes, known = _through_levels(reading, labels, codes)
    explained = fold_table(known)
    lights = tuple("" if fold_label(label) in explained else lights_mark(label) for label in labels)
    missing = [label for label in labels if label in table.missing and fold_label(label) not in explained]
    own = {label: NOT_A_STAGE for label, mark in zip(labels, lights, strict=True) if mark}
    stages = stages_of_labels(
        labels,
        codes,
        places or reading.places,
        table={**known, **own, **dict.fromkeys(missing, UNSCORED)},
        own_words=reading.own_words,
        rechtschaffen_kales=columns.rechtschaffen_kales,
        path=reading.path,
    )
    digits = any(label.isdigit() and fold_label(label) not in explained for label in labels)
    if columns.rechtschaffen_kales and digits:
        reading.notes.append(Note.of(NoteKind.DIGITS_AS_RK, told_by=OwnWord(columns.rechtschaffen_kales)))
    for label in missing:
        count = int(np.count_nonzero(codes == labels.index(label)))
        reading.notes.append(Note.of(NoteKind.MISSING_AS_UNSCORED, label=label, count=count))
    return Labels(labels, stages, codes, lights)


def _through_levels(
    reading: TableReading, labels: tuple[str, ...], codes: NDArray[np.intp]
) -> tuple[tuple[str, ...], NDArray[np.intp], Mapping[str, str]]:
    """Return labels in which codes are replaced by what the file's own description says they mean."""
    explained = fold_table(reading.layout.stages)
    known = dict(reading.layout.stages)
    texts = [_text_of_level(reading.table.levels, label) for label in labels]
    count = Counter(map(fold_label, texts))
    codes_of_layout = explained.keys() & set(map(fold_label, labels))
    position: dict[str, int] = {}
    new_codes = np.empty(len(labels), np.intp)
    for code, (label, meaning) in enumerate(zip(labels, texts, strict=True)):
        text, folded = meaning, fold_label(meaning)
        word = explained.get(fold_label(label))
        # a line of the layout for a code is about that code alone: where its meaning is not, the code is shown
        if word is not None:
            if count[folded] > 1 or explained.get(folded, word) != word:
                text = label
            known.setdefault(text, word)
        elif folded in codes_of_layout and (stage := recognise_label(meaning)) is not None:
            text = label
            known[label] = stage
        new_codes[code] = position.setdefault(text, len(position))
    return tuple(position), new_codes[codes], known


def _text_of_level(levels: Mapping[str, str], label: str) -> str:
    """Return the label that stands for a code: its description where that says more about its stage."""
    meaning = levels.get(label, label).strip()
    if _CODE.fullmatch(label) is not None:
        return meaning
    # a text keeps its own words unless its description is plain and says something else
    return label if recognise_label(meaning) in (None, recognise_label(label)) else meaning


def without_foot(table: Table, columns: Columns, layout: Layout) -> Table:
    """Return a table without the rows at its end that tell no time and whose labels a layout says are no stages."""
    starts, labels = table.columns.get(columns.start), table.columns.get(columns.stage)
    known = fold_table(layout.stages)
    if isinstance(starts, Times) or isinstance(labels, Times) or starts is None or labels is None:
        return table
    last = len(starts)
    while last and not starts[last - 1].strip() and known.get(fold_label(labels[last - 1])) == NOT_A_STAGE:
        last -= 1
    if last in (0, len(starts)):
        return table
    note = Note.of(NoteKind.FOOT_ROWS, count=len(starts) - last)
    return table.taking(np.arange(last))._replace(notes=(*table.notes, note))


def staged_rows(said: Labels, path: str) -> tuple[Rows, dict[str, int]]:
    """Return the rows that hold a stage, and how often each label that is none stands there."""
    left_out = np.array([stage == NOT_A_STAGE for stage in said.stages])
    staged = np.flatnonzero(~left_out[said.codes])
    counts = np.bincount(said.codes, minlength=left_out.size).tolist()
    dropped = [code for code in range(left_out.size) if left_out[code]]
    ignored = {said.labels[code]: counts[code] for code in dropped if not said.lights[code]}
    if staged.size == 0:
        raise no_stage_rows(path, ignored | {said.labels[code]: counts[code] for code in dropped})
    return staged, ignored


def lights_of(reading: TableReading, said: Labels, starts_us: Microseconds) -> tuple[int | None, int | None]:
    """Return when the lights went off and on, in microseconds, where marks tell it."""
    off, on = (_one_mark(reading, said, starts_us, mark) for mark in ("off", "on"))
    if off is not None and on is not None and on <= off:
        problem, remedy = "lights on stands before lights off", "Correct the rows of the two marks."
        raise FileFormatError(problem, reading.path, "", "", "lights off first", remedy)
    return off, on


def _one_mark(reading: TableReading, said: Labels, starts_us: Microseconds, mark: str) -> int | None:
    if mark not in said.lights:
        return None
    wanted = np.array([light == mark for light in said.lights])
    rows = np.flatnonzero(wanted[said.codes])
    if len(set(starts_us[rows].tolist())) > 1:
        problem = f"lights {mark} stands more than once"
        remedy = f"Take the wrong ones out, or give the window by hand ({Option.WINDOW})."
        raise FileFormatError(problem, reading.path, reading.places.listing(rows), f"{rows.size} rows", "one", remedy)
    return int(starts_us[rows[0]]) if rows.size else None
