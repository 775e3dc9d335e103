"""From annotations to scored spans: which texts are stages, how long each lasts, and what to do on overlaps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind
from sleepagree.errors import EpochGridError, UnknownStageError, shorten
from sleepagree.files.toml import toml_text
from sleepagree.hypnogram.spans import EpochLengthFrom, LabelCodes, Origin, ScoredSpans, Seconds
from sleepagree.mapping.words import (
    NOT_A_STAGE,
    UNSCORED,
    assign_stages,
    canonical_stage,
    is_edf_stage_text,
    recognise_label,
)
from sleepagree.readers.layout import NO_LAYOUT, Layout

#: Times in files are decimal; their differences are not exact in binary.
SLACK_S: Final = 1e-3
EMPTY_TEXT: Final = "(empty text)"
#: Where no annotation is a stage, a text that stands this often could be a label; a rarer one is a remark.
SHOWN_FROM: Final = 5

#: Lengths of scoring epochs, tried in this order where durations differ from one another.
_USUAL_EPOCHS_S: Final = (30.0, 20.0, 15.0, 10.0, 5.0, 4.0, 2.0, 1.0)
_LONGEST_EPOCH_S: Final = 600.0
_GIVE_DURATIONS: Final = (
    "Export the scoring again with durations, or give the length of an epoch in a layout (epoch_seconds = 30)."
)
_NOT_A_STAGE_LINE: Final = 'give it "not-a-stage" under [stages] in a layout'


class Role(Enum):
    """What an annotation is to a hypnogram."""

    STAGE = "stage"
    LIGHTS_OFF = "lights off"
    LIGHTS_ON = "lights on"
    OTHER = "other"


class Meaning(NamedTuple):
    """What an annotation text says: its label (trimmed, without ``@@channel``), stage if plain, and role."""

    label: str
    stage: str | None
    role: Role


_STAGE_TEXTS: Final = (
    *(f"Sleep stage {code}" for code in ("W", "1", "2", "3", "4", "N1", "N2", "N3", "N", "R", "?")),
    "Movement time",
)
#: The texts of the EDF+ standard, as it writes them.
STANDARD_MEANINGS: Final[Mapping[str, Meaning]] = {
    **{text: Meaning(text, recognise_label(text), Role.STAGE) for text in _STAGE_TEXTS},
    "Lights off": Meaning("Lights off", None, Role.LIGHTS_OFF),
    "Lights on": Meaning("Lights on", None, Role.LIGHTS_ON),
}
#: Texts of the standard that stand in most files; those that are no stages and no marks are passed over.
_STANDARD_TEXTS: Final = frozenset({*STANDARD_MEANINGS, "Recording starts", "Recording ends"})
_FOLDED_STANDARD: Final = {text.casefold(): text for text in STANDARD_MEANINGS}
_MERGED_INTO_N3: Final = ("Sleep stage 3", "Sleep stage 4", "sleep stage 3", "sleep stage 4")


def fold(text: str) -> str:
    """Return a text without differences of case and spacing."""
    return " ".join(text.split()).casefold()


@dataclass(frozen=True)
class StageTexts:
    """Which annotation texts are stages: the standard ones, and those that a layout or a mapping names.

    Parameters
    ----------
    layout : Layout
        Its ``stages`` go first.
    own_words : frozenset of str
        Labels that a mapping file explains.
    takes_plain_words : bool
        Whether plain words ("N2", "Wake") are stages too.
    """

    layout: Layout
    own_words: frozenset[str] = frozenset()
    takes_plain_words: bool = False
    table: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", {fold(key): word for key, word in self.layout.stages.items()})

    @property
    def has_words(self) -> bool:
        """Whether a layout or a mapping names texts."""
        return bool(self.table or self.own_words)

    def meaning(self, text: str) -> Meaning:
        """Return what a text means."""
        label = text.partition("@@")[0].strip()
        for known in (text.strip(), label):
            word = self.table.get(fold(known))
            if word is not None:
                is_stage = canonical_stage(word) != NOT_A_STAGE
                return Meaning(known, None, Role.STAGE if is_stage else Role.OTHER)
            if known in self.own_words:
                return Meaning(known, None, Role.STAGE)
        folded = fold(label)
        standard = _FOLDED_STANDARD.get(folded)
        if standard is not None:
            return STANDARD_MEANINGS[standard]._replace(label=label)
        # "Sleep stage U" wants to be a stage: passing over it would lose scored time without a word.
        if folded.startswith("sleep stage "):
            return Meaning(label, None, Role.STAGE)
        plain = recognise_label(label) if self.takes_plain_words else None
        return Meaning(label, plain, Role.OTHER if plain is None else Role.STAGE)


class Annotations(NamedTuple):
    """The annotations of a file in its order: onset of each, and duration (s, nan where none) and text of each."""

    onset_s: list[float]
    pieces: list[tuple[float, str]]


class Source(NamedTuple):
    """What spans carry along from their file."""

    path: str
    origin: Origin
    start: datetime
    notes: list[Note]


def spans_of_annotations(
    annotations: Annotations, source: Source, *, layout: Layout | None, own_words: frozenset[str]
) -> ScoredSpans | None:
    """Return the scored spans that annotations tell, or None when no annotation is a stage.

    Raises
    ------
    EpochGridError
        When stages overlap, lack a duration that could be inferred, or lights marks contradict each other.
    UnknownStageError
        When a text claims to be a stage that nothing explains.
    """
    duration_s, texts_in_order = zip(*annotations.pieces, strict=True) if annotations.pieces else ((), ())
    # A night has few distinct texts: whatever is asked of a text is asked once.
    distinct = tuple(dict.fromkeys(texts_in_order))
    if layout is None and not own_words and _STANDARD_TEXTS.issuperset(distinct):
        said = _standard_vocabulary(distinct)
    else:
        said = _make_vocabulary(distinct, layout or NO_LAYOUT, own_words)
    if said is None:
        return None
    return _build(_Reading(annotations.onset_s, duration_s, texts_in_order, said, source))


class _Vocabulary(NamedTuple):
    """What the distinct texts of a file say.

    ``code_of`` is the position in ``labels``, -1 for what is no stage; ``stages`` is None where one of them is not
    plain; ``odd`` holds the texts that the standard does not write so; ``merged`` is a note.
    """

    meanings: dict[str, Meaning]
    labels: tuple[str, ...]
    code_of: dict[str, int]
    texts: StageTexts
    stages: tuple[str, ...] | None
    odd: dict[str, Meaning]
    merged: Note | None


def _make_vocabulary(distinct: Sequence[str], layout: Layout, own_words: frozenset[str]) -> _Vocabulary | None:
    """Return what texts say, or None when none of them is a stage."""
    has_standard = any(text in STANDARD_MEANINGS or is_edf_stage_text(text.partition("@@")[0]) for text in distinct)
    texts = StageTexts(layout, own_words, takes_plain_words=not has_standard)
    known: Mapping[str, Meaning] = {} if texts.has_words else STANDARD_MEANINGS
    meanings = {text: known.get(text) or texts.meaning(text) for text in distinct}
    staged = [meaning for meaning in meanings.values() if meaning.role is Role.STAGE]
    # Events named "movement" or "artefact" alone make no hypnogram.
    if not staged or (not has_standard and all(meaning.stage == UNSCORED for meaning in staged)):
        return None
    labels = tuple(dict.fromkeys([meaning.label for meaning in staged]))
    position = {label: i for i, label in enumerate(labels)}
    code_of = {
        text: position[meaning.label] if meaning.role is Role.STAGE else -1 for text, meaning in meanings.items()
    }
    odd = {t: m for t, m in meanings.items() if t not in STANDARD_MEANINGS and m.role is not Role.OTHER}
    return _Vocabulary(
        meanings, labels, code_of, texts, _plain_stages(staged, texts), odd, _note_of_merging(labels, texts)
    )


def _plain_stages(staged: Sequence[Meaning], texts: StageTexts) -> tuple[str, ...] | None:
    plain = {} if texts.has_words else {meaning.label: meaning.stage for meaning in staged}
    stages = tuple([stage for stage in plain.values() if stage is not None])
    return stages if plain and len(stages) == len(plain) else None


def _note_of_merging(labels: Sequence[str], texts: StageTexts) -> Note | None:
    merged = [label for label in labels if label in _MERGED_INTO_N3 or fold(label) in _MERGED_INTO_N3]
    if not merged or texts.has_words:
        return None
    return Note.of(NoteKind.TEXTS_MERGED_INTO_N3, labels=tuple(sorted(merged)))


@lru_cache(maxsize=1024)
def _standard_vocabulary(distinct: tuple[str, ...]) -> _Vocabulary | None:
    """Return what texts of the standard say; files differ only in the order in which they first stand there."""
    return _make_vocabulary(distinct, NO_LAYOUT, frozenset())


class _Reading(NamedTuple):
    onset_s: Sequence[float]
    duration_s: Sequence[float]
    texts_in_order: Sequence[str]
    said: _Vocabulary
    source: Source

    def appearance(self, i: int) -> tuple[float, str, Meaning]:
        """Return onset, text and meaning of one annotation."""
        text = self.texts_in_order[i]
        return self.onset_s[i], text, self.said.meanings[text]

    def appearances(self) -> Iterator[tuple[float, str, Meaning]]:
        """Return onset, text and meaning of each annotation."""
        return map(self.appearance, range(len(self.onset_s)))


def _build(reading: _Reading) -> ScoredSpans:
    said, source = reading.said, reading.source
    texts = said.texts
    onset_s, duration_s = np.array(reading.onset_s), np.array(reading.duration_s)
    stages = _stages_of(reading)  # refuses more labels than codes can number
    codes = np.fromiter(map(said.code_of.__getitem__, reading.texts_in_order), np.int16, onset_s.size)
    lights_off_s = lights_on_s = None
    ignored: tuple[tuple[str, int], ...] = ()
    cautions: tuple[Caution, ...] = ()
    if min(said.code_of.values()) < 0:
        is_stage = codes >= 0
        others = [reading.appearance(i) for i in np.flatnonzero(~is_stage).tolist()]
        lights_off_s, lights_on_s = _lights(others, source.path)
        passed_over = [text for _, text, meaning in others if meaning.role is Role.OTHER]
        ignored = count_texts(passed_over) if passed_over else ()
        cautions = _caution_missed(reading)
        onset_s, duration_s, codes = onset_s[is_stage], duration_s[is_stage], codes[is_stage]
    _note_texts(reading)
    draft = _Draft(onset_s, duration_s, codes, said.labels, source, texts.layout)
    epoch_s, epoch_from = draft.settle_durations()

    def spans(onset_s: Seconds, duration_s: Seconds, codes: LabelCodes) -> ScoredSpans:
        return ScoredSpans(
            onset_s,
            duration_s,
            codes,
            said.labels,
            stages,
            source.start,
            lights_off_s=lights_off_s,
            lights_on_s=lights_on_s,
            epoch_s=epoch_s,
            epoch_from=epoch_from,
            reports=texts.layout.reports,
            ignored=ignored,
            notes=tuple(source.notes),
            cautions=cautions,
            origin=source.origin,
        )

    try:
        # Most files are in order and without overlaps, which the spans check anyway.
        return spans(draft.onset_s, draft.duration_s, draft.codes)
    except EpochGridError:
        return draft.put_in_order(spans(draft.onset_s[:0], draft.duration_s[:0], draft.codes[:0]))


# --- texts ------------------------------------------------------------------------------------------------


def _stages_of(reading: _Reading) -> tuple[str, ...]:
    if reading.said.stages is not None:
        return reading.said.stages
    texts = reading.said.texts
    return assign_stages(
        reading.said.labels,
        counts=_places(reading),
        table=texts.layout.stages,
        own_words=texts.own_words,
        path=reading.source.path,
    )


def _places(reading: _Reading) -> dict[str, str]:
    """Return for each stage label how often it stands in the file and where first."""
    first: dict[str, float] = {}
    count: Counter[str] = Counter()
    for onset_s, _, meaning in reading.appearances():
        first.setdefault(meaning.label, onset_s)
        count[meaning.label] += 1
    return {
        label: f"{count[label]} annotation{'s' if count[label] > 1 else ''}, the first at {onset_s:.10g} s"
        for label, onset_s in first.items()
    }


def count_texts(texts: Iterable[str]) -> tuple[tuple[str, int], ...]:
    """Return the distinct texts in order of appearance, and how often each stands there."""
    return tuple(Counter(text.strip() or EMPTY_TEXT for text in texts).items())


def _note_texts(reading: _Reading) -> None:
    if reading.said.odd:
        _note_odd_texts(reading, reading.said.odd)
    if reading.said.merged is not None:
        reading.source.notes.append(reading.said.merged)


def _caution_missed(reading: _Reading) -> tuple[Caution, ...]:
    if reading.said.texts.takes_plain_words:
        return ()
    missed = {
        meaning.label
        for meaning in reading.said.meanings.values()
        if meaning.role is Role.OTHER
        and recognise_label(meaning.label) not in (None, UNSCORED)
        and fold(meaning.label) not in reading.said.texts.table
    }
    if not missed:
        return ()
    return (Caution.of(CautionKind.STAGE_TEXTS_IGNORED, labels=tuple(sorted(missed)[:6])),)


def _note_odd_texts(reading: _Reading, odd: Mapping[str, Meaning]) -> None:
    notes = reading.source.notes
    with_channel = sum("@@" in text for _, text, _ in reading.appearances() if text in odd)
    if with_channel:
        notes.append(Note.of(NoteKind.CHANNEL_IN_TEXTS, count=with_channel))
    normalised: dict[str, str] = {}
    for text, meaning in odd.items():
        if meaning.stage is None and meaning.role is Role.STAGE:
            continue  # a layout or a mapping file says what it is
        before = text.partition("@@")[0]
        standard = _FOLDED_STANDARD.get(fold(before))
        if standard is not None and before != standard:
            normalised[before] = standard
    notes += [Note.of(NoteKind.LABEL_NORMALISED, label=found, standard=text) for found, text in normalised.items()]
    plain = sorted({m.label for m in odd.values() if m.stage is not None and not is_edf_stage_text(m.label)})
    if plain:
        notes.append(Note.of(NoteKind.PLAIN_WORDS_READ, labels=tuple(plain)))


def _lights(others: Iterable[tuple[float, str, Meaning]], path: str) -> tuple[float | None, float | None]:
    times: dict[Role, list[float]] = {Role.LIGHTS_OFF: [], Role.LIGHTS_ON: []}
    for onset_s, _, meaning in others:
        found = times.get(meaning.role)
        if found is not None and onset_s not in found:
            found.append(onset_s)
    for role, found in times.items():
        if len(found) > 1:
            raise EpochGridError(
                f"two '{role.value}' marks",
                path,
                "",
                " and ".join(f"{onset:.10g} s" for onset in sorted(found)[:4]),
                "one",
                f"Keep one in the file, or {_NOT_A_STAGE_LINE} and give the window (--window FROM/TO).",
            )
    off, on = (found[0] if found else None for found in times.values())
    if off is not None and on is not None and on <= off:
        raise EpochGridError(
            "'lights on' does not come after 'lights off'",
            path,
            "",
            f"off at {off:.10g} s, on at {on:.10g} s",
            "off before on",
            f"Mend the marks in the file, or {_NOT_A_STAGE_LINE} and give the window (--window FROM/TO).",
        )
    return off, on


class Marks(NamedTuple):
    """What annotations tell besides stages: lights off and on (s, or None), and the texts passed over."""

    lights_off_s: float | None
    lights_on_s: float | None
    ignored: tuple[tuple[str, int], ...]


def marks_of_annotations(annotations: Annotations, path: str, *, layout: Layout | None) -> Marks:
    """Return the marks of a file in which no annotation is a stage.

    Raises
    ------
    EpochGridError
        When lights marks contradict each other.
    """
    texts = StageTexts(layout or NO_LAYOUT)
    others = [
        (onset_s, text, texts.meaning(text))
        for onset_s, (_, text) in zip(annotations.onset_s, annotations.pieces, strict=True)
    ]
    ignored = count_texts(text for _, text, meaning in others if meaning.role is Role.OTHER)
    return Marks(*_lights(others, path), ignored)


def no_stage_error(path: str, texts: Iterable[str]) -> UnknownStageError:
    """Return the error for a file whose annotations hold no stage: it lists the texts that recur in it.

    A scorer's remark stands there once or twice and may say anything about anybody; it is counted and not shown.
    """
    counted = sorted(count_texts(texts), key=lambda item: (-item[1], item[0]))
    recurring = [(text, count) for text, count in counted if count >= SHOWN_FROM]
    listing = [f"'{_cut(text)}' ({count})" for text, count in recurring[:3]]
    more = len(recurring) - len(listing)
    rare = len(counted) - len(recurring)
    listing += [f"{more} more"] if more else []
    listing += [f"{rare} that stand{'s' if rare == 1 else ''} fewer than {SHOWN_FROM} times"] if rare else []
    lines = "\n".join(f'    {toml_text(text)} = "..."' for text, _ in recurring[:12] if text != EMPTY_TEXT)
    error = UnknownStageError(
        "no annotation is a sleep stage",
        path,
        "",
        f"{len(counted)} text{'s' if len(counted) > 1 else ''}: {', '.join(listing)}",
        "texts such as 'Sleep stage N2', or a layout that names the stages",
        ("Give a layout (", ") with\n    [stages]\n" + lines)
        if lines
        else "Check that this is the file with the scoring, or name its texts in a layout.",
        [text for text, _ in recurring if text != EMPTY_TEXT],
    )
    error.layout_option = "--layout FILE.toml, --reference-layout for a reference"
    return error


def _cut(text: str) -> str:
    return shorten(text if len(text) <= 20 else text[:19] + "…")


# --- times ------------------------------------------------------------------------------------------------


@dataclass(eq=False, repr=False)
class _Draft:
    """Spans that are still being put right."""

    onset_s: Seconds
    duration_s: Seconds
    codes: LabelCodes
    labels: tuple[str, ...]
    source: Source
    layout: Layout

    def settle_durations(self) -> tuple[float | None, EpochLengthFrom]:
        """Give every span a duration, and return the length of the source's epochs and how it is known."""
        told = self.layout.epoch_seconds
        durations = set(self.duration_s.tolist())
        # a comparison with nan, a duration that is not told, is false
        if not [duration for duration in durations if not duration > 0]:
            if told is not None:
                return told, EpochLengthFrom.LAYOUT
            epoch_s = _epoch_of_durations(durations, self.onset_s.size)
            return epoch_s, EpochLengthFrom.FILE if epoch_s else EpochLengthFrom.UNKNOWN
        lacking = ~(self.duration_s > 0)
        if told is not None:
            self.duration_s = np.where(lacking, told, self.duration_s)
            self.source.notes.append(Note.of(NoteKind.DURATION_FROM_LAYOUT, count=int(lacking.sum()), seconds=told))
            return told, EpochLengthFrom.LAYOUT
        if not lacking.all():
            raise self._some_lack(lacking)
        epoch_s = self._infer_step()
        self.duration_s = np.full(self.onset_s.size, epoch_s)
        return epoch_s, EpochLengthFrom.INFERRED

    def _some_lack(self, lacking: NDArray[np.bool_]) -> EpochGridError:
        i = int(np.flatnonzero(lacking)[0])
        return EpochGridError(
            "some stage annotations have no duration, others have one",
            self.source.path,
            f"annotation at {self.onset_s[i]:.10g} s",
            f"'{self._label(i)}' without a duration or with 0 s, as {lacking.sum()} of {lacking.size}",
            "a duration above 0 s for all stage annotations, or for none of them",
            "Export the scoring again with durations, or give the length of an epoch in a layout (epoch_seconds = 30).",
        )

    def _infer_step(self) -> float:
        """Return the constant step between stage annotations of which none has a duration."""
        moments = np.unique(self.onset_s)
        steps = np.diff(moments)
        if steps.size < 2:
            raise EpochGridError(
                "the stage annotations have no duration",
                self.source.path,
                "",
                f"{self.onset_s.size} stage annotations",
                "durations, or three annotations or more with a constant step",
                _GIVE_DURATIONS,
            )
        # decimal times make steps that differ in their last bits
        step = round(float(np.median(steps)), 6)
        odd = np.flatnonzero(np.abs(steps - step) > SLACK_S)
        if odd.size:
            i = int(odd[0])
            raise EpochGridError(
                "the stage annotations have no duration and no constant step",
                self.source.path,
                f"annotation at {moments[i + 1]:.10g} s",
                f"a step of {steps[i]:.10g} s",
                f"{step:.10g} s as between most of them, or durations",
                _GIVE_DURATIONS,
            )
        self.source.notes.append(Note.of(NoteKind.STEP_INFERRED, seconds=step))
        return step

    def _label(self, i: int) -> str:
        return shorten(self.labels[self.codes[i]])

    def put_in_order(self, spans: ScoredSpans) -> ScoredSpans:
        """Return spans with the times and codes of this draft: sorted, without duplicates and overlaps."""
        file_row = np.argsort(self.onset_s, kind="stable")
        onset_s, duration_s, codes = self.onset_s[file_row], self.duration_s[file_row], self.codes[file_row]
        if (onset_s[1:] < onset_s[:-1] + duration_s[:-1] - SLACK_S).any():
            settled = self._settle(onset_s, duration_s, codes, file_row)
            onset_s, duration_s, codes = settled.onset_s, settled.duration_s, settled.codes
            spans = spans.with_changes(notes=(*spans.notes, *settled.notes))
        return spans.with_changes(onset_s=onset_s, duration_s=duration_s, codes=codes)

    def _settle(
        self, onset_s: Seconds, duration_s: Seconds, codes: LabelCodes, file_row: NDArray[np.intp]
    ) -> ScoredSpans:
        from sleepagree.readers.rows import LabelledRows, Places, SourceFacts, make_spans
        from sleepagree.readers.times.clock import Clock, FileClock

        rows = LabelledRows(
            np.rint(onset_s * 1e6).astype(np.int64),
            np.rint((onset_s + duration_s) * 1e6).astype(np.int64),
            codes.astype(np.intp),
            file_row,
            self.labels,
            self.labels,
            Places([f"{onset:.10g}" for onset in self.onset_s], "annotation at {} s", "annotations at {} s"),
            FileClock(Clock.ELAPSED, None, self.source.start),
            self.source.path,
        )
        return make_spans(rows, origin=self.source.origin, facts=SourceFacts(), overlaps=self.layout.overlaps)


def _epoch_of_durations(durations: set[float], n_spans: int) -> float | None:
    """Return the epoch that durations are made of, or None.

    Durations that are all the same are epochs. Runs of epochs have durations that differ: the first of 30, 20,
    15, 10, 5, 4, 2 and 1 s that divides all of them is taken.
    """
    if len(durations) == 1 and n_spans > 1:
        (duration,) = durations
        if duration <= _LONGEST_EPOCH_S:
            return duration
    for epoch_s in _USUAL_EPOCHS_S:
        # most durations are whole multiples, which a plain remainder tells at once
        odd = [duration for duration in durations if duration % epoch_s]
        if all(abs(duration / epoch_s - round(duration / epoch_s)) < 1e-6 for duration in odd):
            return epoch_s
    return None
