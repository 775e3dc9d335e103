"""From annotations to scored spans: which texts are stages, how long each lasts, and where the lights marks stand."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from enum import Enum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind
from sleepagree.errors import EpochGridError, Option, UnknownStageError, asked, counted, for_page, shorten
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans, Seconds
from sleepagree.mapping.words import (
    EDF_STAGE,
    NOT_A_STAGE,
    UNSCORED,
    canonical_stage,
    fold_label,
    fold_table,
    is_edf_stage_text,
    recognise_label,
)
from sleepagree.readers.layout import Layout, Shape, for_labels
from sleepagree.readers.rows import (
    LabelledRows,
    Places,
    SourceFacts,
    lights_mark,
    make_spans,
    number_labels,
    stages_of_labels,
)
from sleepagree.readers.times.clock import SECOND_US, Clock, FileClock

#: Times in files are decimal; their differences are not exact in binary.
_SLACK_S: Final = 1e-3
_EMPTY_TEXT: Final = "(empty text)"
#: Where no annotation is a stage, a text that stands this often could be a label; a rarer one is a remark.
_SHOWN_FROM: Final = 5

#: Lengths of scoring epochs, tried in this order where durations differ from one another.
_USUAL_EPOCHS_S: Final = (30.0, 20.0, 15.0, 10.0, 5.0, 4.0, 2.0, 1.0)
_LONGEST_SCORED_S: Final = 600.0
_MANY: Final = 10
#: A marker of one sample lasts no longer.
_LONGEST_MOMENT_S: Final = 1.0
_GIVE_DURATIONS: Final = "Export the scoring again with durations, or give " + for_page(
    "the length of an epoch in a layout (epoch_seconds = 30).", f"{asked('epoch_seconds', 30)}."
)
_AS_CHANGES: Final = " If each stage lasts until the next one, " + for_page(
    'say so in a layout: [file] shape = "intervals".', f"answer {asked('shape', 'intervals')}."
)
_NOT_A_STAGE_LINE: Final = (
    for_page('give it "not-a-stage" under [stages] in a layout', "say that it is no stage")
    + f" and give the window ({Option.WINDOW:FROM/TO})"
)

#: Texts of the EDF+ standard as it writes them (Kemp & Olivan 2003), by their folded form.
_STANDARD: Final = {
    fold_label(text): text
    for text in (
        *(f"Sleep stage {code}" for code in ("W", "1", "2", "3", "4", "N1", "N2", "N3", "N", "R", "?")),
        "Movement time",
        "Lights off",
        "Lights on",
    )
}
_RK_DEEP: Final = ("sleep stage 3", "sleep stage 4")


class EdfAnnotation(NamedTuple):
    """One annotation: seconds after the start, seconds it lasts (None: not told), text as in the file."""

    onset_s: float
    duration_s: float | None
    text: str


class Source(NamedTuple):
    """What spans carry along from their file."""

    path: str
    origin: Origin
    start: datetime | None
    notes: list[Note]


class _Role(Enum):
    """What an annotation is to a hypnogram."""

    STAGE = "stage"
    LIGHTS_OFF = "lights off"
    LIGHTS_ON = "lights on"
    OTHER = "other"


class _Meaning(NamedTuple):
    """What a text says: its label (trimmed, without ``@@channel``), the stage of a plain one, and its role."""

    label: str
    stage: str | None
    role: _Role


def spans_of_annotations(
    annotations: Sequence[EdfAnnotation], source: Source, *, layout: Layout, own_words: frozenset[str]
) -> ScoredSpans | None:
    """Return the scored spans that annotations tell, or None when none is a stage that was scored.

    Raises
    ------
    EpochGridError
        When stages overlap, lack a duration that could be inferred, or lights marks contradict each other.
    UnknownStageError
        When a text claims to be a stage that nothing explains.
    """
    texts = dict.fromkeys([annotation.text for annotation in annotations])
    has_standard = any(_is_scored(text.partition("@@")[0]) for text in texts)
    meanings = _meanings(texts, layout, own_words, takes_plain_words=not has_standard)
    found = {meaning.stage for meaning in meanings.values() if meaning.role is _Role.STAGE}
    # "movement" or "artefact", "Movement time" or "Sleep stage ?" alone make no hypnogram
    if found <= {UNSCORED}:
        return None
    staged = _without_empty(_of_role(_Role.STAGE, annotations, meanings), source.notes)
    onset_s = np.array([annotation.onset_s for annotation in staged])
    duration_s = np.array([annotation.duration_s or math.nan for annotation in staged])
    said = _one_spelling(staged, meanings)
    labels, codes = number_labels(said)
    places = Places(onset_s.tolist(), "annotation at {} s", "annotations at {} s", "{:.10g}".format)
    stages = stages_of_labels(labels, codes, places, table=layout.stages, own_words=own_words, path=source.path)
    marks = _marks(annotations, meanings, source.path)
    cautions = _missed_stages(meanings, layout) if has_standard else ()
    _note_texts(annotations, meanings, source.notes)
    if not (layout.stages or own_words):
        _note_merged(labels, source.notes)
    if _are_moments(onset_s, duration_s):
        source.notes.append(Note.of(NoteKind.MARKERS_SHORT, seconds=float(duration_s[0])))
        duration_s = np.full(onset_s.size, math.nan)
    if layout.shape is Shape.INTERVALS and np.isnan(duration_s).all():
        others = [annotation for annotation in annotations if meanings[annotation.text].role is not _Role.STAGE]
        duration_s = _until_next(onset_s, others, layout, source)
    duration_s, epoch_s, epoch_from = _settle_durations(onset_s, duration_s, said, layout, source)
    timed = TimedLabels(onset_s, duration_s, codes, labels, stages, places)
    facts = marks._replace(epoch_s=epoch_s, epoch_from=epoch_from, cautions=cautions)
    return settle_elapsed(timed, source, facts, layout)


class TimedLabels(NamedTuple):
    """Labels in elapsed time, which need not stand in its order: seconds, position of each label, and what it means."""

    onset_s: Seconds
    duration_s: Seconds
    codes: NDArray[np.intp]
    labels: tuple[str, ...]
    stages: tuple[str, ...]
    places: Places


def settle_elapsed(timed: TimedLabels, source: Source, facts: SourceFacts, layout: Layout) -> ScoredSpans:
    """Return labels in elapsed time as scored spans, by the rules that all tables follow."""
    onset_s, duration_s, codes, labels, stages, places = timed
    order = np.argsort(onset_s, kind="stable")
    onset_us, end_us = (np.rint(s[order] * SECOND_US).astype(np.int64) for s in (onset_s, onset_s + duration_s))
    clock = FileClock(Clock.ELAPSED, None, source.start)
    rows = LabelledRows(onset_us, end_us, codes[order], order, labels, stages, places, clock, source.path)
    return make_spans(rows, origin=source.origin, facts=facts._replace(notes=tuple(source.notes)), layout=layout)


# --- texts ------------------------------------------------------------------------------------------------


def _meanings(
    texts: Iterable[str], layout: Layout, own_words: frozenset[str], *, takes_plain_words: bool
) -> dict[str, _Meaning]:
    """Return what each text says: a layout goes first, then a mapping file, then the standard, then plain words."""
    table = fold_table(layout.stages)

    def meaning(text: str) -> _Meaning:
        label = text.partition("@@")[0].strip()
        for known in (text.strip(), label):
            word = table.get(fold_label(known))
            if word is not None:
                return _Meaning(known, None, _Role.OTHER if canonical_stage(word) == NOT_A_STAGE else _Role.STAGE)
            if known in own_words:
                return _Meaning(known, None, _Role.STAGE)
        mark = lights_mark(label)
        if mark:
            return _Meaning(label, None, _Role(f"lights {mark}"))
        # "Sleep stage U" wants to be a stage: passing over it would lose scored time without a word.
        if is_edf_stage_text(label) or fold_label(label).startswith(EDF_STAGE):
            return _Meaning(label, recognise_label(label), _Role.STAGE)
        plain = recognise_label(label) if takes_plain_words else None
        return _Meaning(label, plain, _Role.OTHER if plain is None else _Role.STAGE)

    return {text: meaning(text) for text in texts}


def _fold_text(text: str) -> str:
    """Return a text without what does not count in one of the standard; some programs write no spaces."""
    return fold_label(text).replace("_", " ")


def _one_spelling(staged: Iterable[EdfAnnotation], meanings: Mapping[str, _Meaning]) -> list[str]:
    """Return labels, those that differ in capitals and spacing alone as the first is; what a layout says is exact."""
    first: dict[str, str] = {}
    spelt = {
        text: label if stage is None else first.setdefault(_fold_text(label), label)
        for text, (label, stage, _) in meanings.items()
    }
    return [spelt[annotation.text] for annotation in staged]


def _is_scored(text: str) -> bool:
    """Whether a text is one that EDF+ knows for a stage, and not for time that was left unscored."""
    return is_edf_stage_text(text) and recognise_label(text) != UNSCORED


def _missed_stages(meanings: Mapping[str, _Meaning], layout: Layout) -> tuple[Caution, ...]:
    """Return the warning for plain words that are passed over beside texts of the standard."""
    table = fold_table(layout.stages)
    missed = {
        label
        for label, _, role in meanings.values()
        if role is _Role.OTHER and recognise_label(label) not in (None, UNSCORED) and fold_label(label) not in table
    }
    if not missed:
        return ()
    return (Caution.of(CautionKind.STAGE_TEXTS_IGNORED, labels=tuple(sorted(missed)[:6])),)


def _note_texts(annotations: Iterable[EdfAnnotation], meanings: Mapping[str, _Meaning], notes: list[Note]) -> None:
    """Note stages and lights marks that are not written as the standard writes them."""
    used = {text: meaning for text, meaning in meanings.items() if meaning.role is not _Role.OTHER}
    of_channels = {text for text in used if "@@" in text}
    if of_channels:
        count = sum(annotation.text in of_channels for annotation in annotations)
        notes.append(Note.of(NoteKind.CHANNEL_IN_TEXTS, count=count))
    # what a layout or a mapping file explains has no stage yet
    told = [text for text, (_, stage, role) in used.items() if stage is not None or role is not _Role.STAGE]
    for before in dict.fromkeys(text.partition("@@")[0] for text in told):
        mark = lights_mark(before)
        standard = _STANDARD.get(f"lights {mark}" if mark else _fold_text(before), before)
        if before != standard:
            notes.append(Note.of(NoteKind.LABEL_NORMALISED, label=before, standard=standard))
    plain = sorted({m.label for m in used.values() if m.stage is not None and not is_edf_stage_text(m.label)})
    if plain:
        notes.append(Note.of(NoteKind.PLAIN_WORDS_READ, labels=tuple(plain)))


def _note_merged(labels: Iterable[str], notes: list[Note]) -> None:
    merged = tuple(sorted(label for label in labels if _fold_text(label) in _RK_DEEP))
    if merged:
        notes.append(Note.of(NoteKind.TEXTS_MERGED_INTO_N3, labels=merged))


def marks_of_annotations(annotations: Sequence[EdfAnnotation], path: str, *, layout: Layout) -> SourceFacts:
    """Return the marks of a file in which no annotation is a stage that was scored.

    Raises
    ------
    EpochGridError
        When lights marks contradict each other.
    """
    texts = [annotation.text for annotation in annotations]
    meanings = _meanings(texts, layout, frozenset(), takes_plain_words=False)
    unstaged = {t: m._replace(role=_Role.OTHER) if m.role is _Role.STAGE else m for t, m in meanings.items()}
    return _marks(annotations, unstaged, path)


def _marks(annotations: Sequence[EdfAnnotation], meanings: Mapping[str, _Meaning], path: str) -> SourceFacts:
    """Return when the lights went off and on, and the texts passed over."""
    marks: list[float | None] = []
    for role in (_Role.LIGHTS_OFF, _Role.LIGHTS_ON):
        found = sorted({annotation.onset_s for annotation in _of_role(role, annotations, meanings)})
        if len(found) > 1:
            shown = " and ".join(f"{onset:.10g} s" for onset in found[:4])
            remedy = f"Keep one in the file, or {_NOT_A_STAGE_LINE}."
            raise EpochGridError(f"two '{role.value}' marks", path, "", shown, "one", remedy)
        marks.append(found[0] if found else None)
    off, on = marks
    if off is not None and on is not None and on <= off:
        problem, shown = "'lights on' does not come after 'lights off'", f"off at {off:.10g} s, on at {on:.10g} s"
        remedy = f"Mend the marks in the file, or {_NOT_A_STAGE_LINE}."
        raise EpochGridError(problem, path, "", shown, "off before on", remedy)
    off_us, on_us = (None if mark is None else round(mark * SECOND_US) for mark in marks)
    others = _count_texts(other.text for other in _of_role(_Role.OTHER, annotations, meanings))
    return SourceFacts(lights_off_us=off_us, lights_on_us=on_us, ignored=others)


def _of_role(
    role: _Role, annotations: Sequence[EdfAnnotation], meanings: Mapping[str, _Meaning]
) -> list[EdfAnnotation]:
    texts = {text for text, meaning in meanings.items() if meaning.role is role}
    return [annotation for annotation in annotations if annotation.text in texts] if texts else []


def _count_texts(texts: Iterable[str]) -> dict[str, int]:
    """Return the distinct texts in order of appearance, and how often each stands there."""
    return dict(Counter(text.strip() or _EMPTY_TEXT for text in texts))


def no_stage_error(path: str, texts: Iterable[str]) -> UnknownStageError:
    """Return the error for a file whose annotations hold no stage: it lists the texts that recur in it.

    A scorer's remark stands there once or twice and may say anything about anybody; it is counted and not shown.
    """
    ordered = sorted(_count_texts(texts).items(), key=lambda item: (-item[1], item[0]))
    recurring = [(text, count) for text, count in ordered if count >= _SHOWN_FROM]
    listing = [f"'{shorten(text if len(text) <= 20 else text[:19] + '…')}' ({count})" for text, count in recurring[:3]]
    more, rare = len(recurring) - len(listing), len(ordered) - len(recurring)
    listing += [f"{more} more"] if more else []
    listing += [f"{rare} that stand{'s' if rare == 1 else ''} fewer than {_SHOWN_FROM} times"] if rare else []
    shown = [text for text, _ in recurring[:12] if text != _EMPTY_TEXT]
    found = f"{counted(len(ordered), 'text')}: {', '.join(listing)}"
    expected = "texts such as 'Sleep stage N2'" + for_page(", or a layout that names the stages", "")
    check = "Check that this is the file with the scoring" + for_page(", or name its texts in a layout.", ".")
    remedy = for_labels(shown) if shown else check
    facts = [text for text, _ in recurring if text != _EMPTY_TEXT]
    return UnknownStageError("no annotation is a sleep stage", path, "", found, expected, remedy, facts)


# --- durations --------------------------------------------------------------------------------------------


def _without_empty(staged: Sequence[EdfAnnotation], notes: list[Note]) -> list[EdfAnnotation]:
    """Return stages without those of 0 s where another begins: they ended where the recording was cropped."""
    begins = {annotation.onset_s for annotation in staged if annotation.duration_s}
    kept = [a for a in staged if a.duration_s != 0.0 or a.onset_s not in begins]
    if len(kept) < len(staged):
        notes.append(Note.of(NoteKind.EMPTY_STAGES, count=len(staged) - len(kept)))
    return kept


def _settle_durations(
    onset_s: Seconds, duration_s: Seconds, labels: Sequence[str], layout: Layout, source: Source
) -> tuple[Seconds, float | None, EpochLengthFrom]:
    """Give every stage a duration; return them, the length of the source's epochs, and how it is known."""
    told = layout.epoch_seconds
    lacking = np.isnan(duration_s)
    n_lacking = int(lacking.sum())
    if told is not None:
        if n_lacking:
            source.notes.append(Note.of(NoteKind.DURATION_FROM_LAYOUT, count=n_lacking, seconds=told))
        return np.where(lacking, told, duration_s), told, EpochLengthFrom.LAYOUT
    if not n_lacking:
        epoch_s = _epoch_of_durations(duration_s[np.argsort(onset_s, kind="stable")].tolist())
        return duration_s, epoch_s, EpochLengthFrom.FILE if epoch_s else EpochLengthFrom.UNKNOWN
    if n_lacking == lacking.size:
        step_s = _constant_step(onset_s, source.path)
        source.notes.append(Note.of(NoteKind.STEP_INFERRED, seconds=step_s))
        return np.full(onset_s.size, step_s), step_s, EpochLengthFrom.INFERRED
    i = int(lacking.argmax())
    problem = "some stage annotations have no duration, others have one"
    found = f"'{shorten(labels[i])}' without a duration or with 0 s, as {n_lacking} of {lacking.size}"
    expected = "a duration above 0 s for all stage annotations, or for none of them"
    raise EpochGridError(problem, source.path, f"annotation at {onset_s[i]:.10g} s", found, expected, _GIVE_DURATIONS)


def _are_moments(onset_s: Seconds, duration_s: Seconds) -> bool:
    """Whether stages are marked by moments: all last the same, a second and a tenth of the usual step at most."""
    if not duration_s.max() <= _LONGEST_MOMENT_S or np.ptp(duration_s) > 1e-6:
        return False
    steps = np.diff(np.unique(onset_s))
    return bool(steps.size and np.median(steps) >= 10 * duration_s.max())


def _until_next(onset_s: Seconds, others: Sequence[EdfAnnotation], layout: Layout, source: Source) -> Seconds:
    """Return durations of stages that last until the next; the last, until a text that stands nowhere between."""
    moments = np.unique(onset_s)
    last_s = float(moments[-1])
    between = {other.text for other in others if other.onset_s < last_s}
    closings = [other.onset_s for other in others if other.onset_s > last_s and other.text not in between]
    if layout.epoch_seconds is not None:
        closings = closings or [last_s + layout.epoch_seconds]
    if not closings:
        problem, where = "the last stage annotation has no end", f"annotation at {last_s:.10g} s"
        expected = "an annotation after it that is no stage, such as 'Lights on'"
        remedy = "Export the scoring again with durations, or say how long the last stage lasts: " + for_page(
            "epoch_seconds = 30 in the layout.", f"answer {asked('epoch_seconds', 30)}."
        )
        raise EpochGridError(problem, source.path, where, "", expected, remedy)
    end_s = min(closings)
    source.notes.append(Note.of(NoteKind.CHANGES_READ, end_s=end_s))
    durations: Seconds = np.append(moments[1:], end_s)[np.searchsorted(moments, onset_s)] - onset_s
    return durations


def _constant_step(onset_s: Seconds, path: str) -> float:
    """Return the step between stages without durations; a gap could be a longer stage, so that none is allowed."""
    moments = np.unique(onset_s)
    steps = np.diff(moments)
    if steps.size < 2:
        problem, found = "the stage annotations have no duration", f"{onset_s.size} stage annotations"
        expected = "durations, or three annotations or more with a constant step"
        raise EpochGridError(problem, path, found=found, expected=expected, remedy=_GIVE_DURATIONS)
    # decimal times make steps that differ in their last bits
    step = round(float(np.median(steps)), 6)
    odd = np.flatnonzero(np.abs(steps - step) > _SLACK_S)
    if odd.size:
        problem = "the stage annotations have no duration and no constant step"
        where, found = f"annotation at {moments[odd[0] + 1]:.10g} s", f"a step of {steps[odd[0]]:.10g} s"
        if 2 * odd.size < steps.size:
            expected, remedy = f"{step:.10g} s as between most of them, or durations", _GIVE_DURATIONS + _AS_CHANGES
        else:  # an epoch's length for each would lose what lies between them
            expected, remedy = "durations, or one step between all of them", "Export them with durations." + _AS_CHANGES
        raise EpochGridError(problem, path, where, found, expected, remedy)
    return step


def _epoch_of_durations(in_order: list[float]) -> float | None:
    """Return the epoch that durations, in order of time, are made of, or None.

    Durations that are all the same are epochs; of many, the first and the last may be parts of one. Runs of epochs have
    durations that differ: the longest usual epoch that divides all of them is taken.
    """
    durations, longest = set(in_order), max(in_order)
    whole = set(in_order[1:-1]) if len(in_order) >= _MANY else durations
    if whole == {longest} and len(in_order) > 1 and longest <= _LONGEST_SCORED_S:
        return longest
    for epoch_s in _USUAL_EPOCHS_S:
        if all(abs(duration / epoch_s - round(duration / epoch_s)) < 1e-6 for duration in durations):
            return epoch_s
    return None
