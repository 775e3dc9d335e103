"""Several human scorers of one night: their consensus, and agreement among them and with the device.

Nothing here depends on the order in which scorers are listed but the order of their names: the grid counts from the
earliest moment to which any of them gives a stage, and all figures of a night are of one window.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from itertools import combinations, product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note, NoteKind, named_file
from sleepagree.errors import InputError, Option, PairingError, Step, shorten
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.epochs import EpochLabels, lay_on_epochs
from sleepagree.hypnogram.ledger import CONSENSUS, NO_MAJORITY, Status, cross_labels
from sleepagree.hypnogram.spans import EPOCH_S, EpochLengthFrom, LabelCodes, Origin, ScoredSpans
from sleepagree.hypnogram.window import Window, WindowRule, show_time
from sleepagree.hypnogram.zones import notes_of_place, seconds_between
from sleepagree.inference.table_sums import fold_counts
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS, StageMapping, fitting_mappings
from sleepagree.mapping.sets import StageSet, make_stage_set, reference_reportable
from sleepagree.mapping.words import AASM_STAGES, COVERAGE, LEAVE_OUT, UNSCORED
from sleepagree.scoring import coefficients
from sleepagree.scoring.coefficients import count_coincidences
from sleepagree.study.night_summary import DEVICE, EpochsStaged, ScorerPair, ScorerTable, Undecided

#: Marks are written to the second or better; this is far below both, and far above what adding seconds loses.
_SAME_S: Final = 1e-3
#: Zones of scorers are that of the reference.
_seconds_between: Final = partial(seconds_between, device_zone=Option.REFERENCE_ZONE)


def _is_stage(word: str) -> bool:
    return word != UNSCORED


def _are(meant: Callable[[str], bool], stages: Sequence[str]) -> NDArray[np.bool_]:
    """Return of the stage of each label whether it is meant; the last is a gap, whose code is -1, and never is."""
    return np.array([*map(meant, stages), False])


class _Scoring(NamedTuple):
    """One scorer's spans beside the others'."""

    spans: ScoredSpans
    shift_s: float  # its start after the start that all times are counted from

    @property
    def name(self) -> str:
        return self.spans.origin.name

    def first_stage_s(self) -> float:
        """Return where its first stage begins, on the clock of all."""
        staged = np.flatnonzero(_are(_is_stage, self.spans.stages)[self.spans.codes])
        if not staged.size:
            found = ", ".join(f"'{label}'" for label in self.spans.labels) or "no label at all"
            remedy = f"Look at it with {Step.LOOK_AT_FILE}, or take it out of the row."
            raise PairingError("this scorer gave no epoch a stage", self.name, "", found, "at least one stage", remedy)
        return self.shift_s + float(self.spans.onset_s[staged[0]])


def build_consensus(scorings: Sequence[ScoredSpans], *, window: Window | None = None) -> ScoredSpans:
    """Return the majority scoring of one night.

    An epoch takes the stage that more than half of the scorers gave it; where no stage has that, it is
    labelled "(no majority)" and is not scored. "Unscored" and a gap are votes like any other. Where one scorer tells
    finer stages than another, votes count as the stages that all of them can tell: N1 and N2 as light beside a scorer
    of light.

    Lights marks are those of whoever has them; of marks up to one epoch apart the earliest lights off and the latest
    lights on hold. Without them the window runs from the first to the last epoch to which more than half of the
    scorers give a stage, whether or not they agree on it: an epoch that they see otherwise was scored.

    Parameters
    ----------
    scorings : sequence of ScoredSpans
        One per scorer, at least two, of the same night.
    window : Window, optional
        The window asked for: only one that counts from lights marks needs scorers who agree on them.

    Returns
    -------
    ScoredSpans
        On epochs of 30 s that count from the earliest moment to which any scorer gives a stage, by the clock of the
        scoring that starts first. Which scorer is listed first changes names only.

    Raises
    ------
    PairingError
        When two scorings share no time, or one has no stage.
    InputError
        When the window needs lights marks that differ by more than one epoch between scorers.
    """
    if len(scorings) < 2:
        raise ValueError("a consensus needs at least two scorings")
    sides = _on_one_clock(scorings)
    _refuse_apart(sides)
    marks = _common_marks(sides, window or Window())
    counts_as = _counts_as(scorings)
    words, votes, begin_s = _votes(sides, counts_as)
    is_coarser = any(counts_as.get(stage, stage) != stage for s in scorings for stage in s.stages)
    stages = tuple(dict.fromkeys(counts_as[stage] for stage in AASM_STAGES)) if is_coarser else ()
    chosen = _majority(votes, len(words))
    split = NO_MAJORITY
    while split in words:  # a word that a mapping file explains may be spelt so
        split += "*"
    labels = (*words, split)
    edges = np.flatnonzero(np.diff(chosen, prepend=-2, append=-2))
    start, length = edges[:-1], np.diff(edges)
    kept = chosen[start] >= 0
    names = ", ".join(s.origin.name for s in scorings)
    return ScoredSpans(
        np.asarray(begin_s + start[kept] * EPOCH_S, np.float64),
        np.asarray(length[kept] * EPOCH_S, np.float64),
        chosen[start[kept]],
        labels,
        (*words, UNSCORED),
        start=_earliest(scorings).start,
        lights_off_s=marks[0].hold_s,
        lights_on_s=marks[1].hold_s,
        epoch_s=EPOCH_S,
        epoch_from=EpochLengthFrom.FILE,
        notes=(
            Note.of(
                NoteKind.CONSENSUS,
                scorers=tuple(named_file(s.origin.name) for s in scorings),
                **({"stages": stages} if is_coarser else {}),
            ),
            *(note for mark in marks for note in mark.notes(sides)),
            *notes_of_place(_earliest(scorings)),
        ),
        origin=Origin(f"{CONSENSUS} of {names}", CONSENSUS),
        reports=tuple(dict.fromkeys(w for w in (*stages, *words) if w != UNSCORED)) if is_coarser else None,
        scored_part_s=_scored_part(votes, words, begin_s),
    )


def _scored_part(votes: NDArray[np.int16], words: tuple[str, ...], begin_s: float) -> tuple[float, float] | None:
    """Return where the epochs to which more than half of the scorers give some stage begin and end."""
    scored = np.flatnonzero(2 * _are(_is_stage, words)[votes].sum(axis=0) > votes.shape[0])
    if not scored.size:
        return None
    return begin_s + float(scored[0]) * EPOCH_S, begin_s + float(scored[-1] + 1) * EPOCH_S


def _earliest(scorings: Sequence[ScoredSpans]) -> ScoredSpans:
    """Return the scoring that starts first; of several that do, always one of the same zone."""
    first = scorings[0]
    return min(scorings, key=lambda s: (_seconds_between(first, s), "" if s.start is None else s.start.isoformat()))


def _on_one_clock(scorings: Sequence[ScoredSpans]) -> tuple[_Scoring, ...]:
    anchor = _earliest(scorings)
    return tuple(_Scoring(s, _seconds_between(anchor, s)) for s in scorings)


def _refuse_apart(sides: Sequence[_Scoring]) -> None:
    for one, other in combinations(sides, 2):
        (begin, end), (other_begin, other_end) = (
            (s.shift_s + float(s.spans.onset_s[0]), s.shift_s + s.spans.end_s) if s.spans.onset_s.size else (0.0, 0.0)
            for s in (one, other)
        )
        if not (begin < other_end and other_begin < end):
            where = (
                f"from {show_time(other.spans, other_begin - other.shift_s)} to "
                f"{show_time(other.spans, other_end - other.shift_s)}"
            )
            expected = (
                f"some of the time of {one.name or 'the other'}, from {show_time(one.spans, begin - one.shift_s)} to "
                f"{show_time(one.spans, end - one.shift_s)}"
            )
            remedy = "Give scorings of one recording; check dates and zones first."
            raise PairingError("two scorings of this night share no time", other.name, where, "", expected, remedy)


# --- lights marks -----------------------------------------------------------------------------------------


class _Mark(NamedTuple):
    """One of the two lights marks as the scorers have it, on the clock of all."""

    word: str
    told: tuple[float | None, ...]
    hold_s: float | None  # the one that holds; None where nobody has one, or they differ

    @property
    def differs(self) -> bool:
        """Whether two scorers' marks lie more than one epoch apart."""
        known = [s for s in self.told if s is not None]
        return bool(known) and max(known) - min(known) > EPOCH_S + _SAME_S

    def notes(self, sides: Sequence[_Scoring]) -> list[Note]:
        """Say whose mark holds where not everyone has one."""
        have = tuple(named_file(s.name) for s, told in zip(sides, self.told, strict=True) if told is not None)
        lack = tuple(named_file(s.name) for s, told in zip(sides, self.told, strict=True) if told is None)
        if self.hold_s is None or not lack:
            return []
        return [Note.of(NoteKind.MARK_OF_SOME, mark=self.word, told_by=have, missing_in=lack)]

    def by_name(self, sides: Sequence[_Scoring]) -> str:
        """Return who has it where, by each scorer's own clock."""
        times = [
            f"{show_time(s.spans, told - s.shift_s)} ({s.name or f'scorer {i}'})"
            for i, (s, told) in enumerate(zip(sides, self.told, strict=True), 1)
            if told is not None
        ]
        return f"'{self.word}' at {', '.join(times)}"


def _common_marks(sides: Sequence[_Scoring], window: Window) -> tuple[_Mark, _Mark]:
    """Return both marks of the night; those that differ are refused where the window counts from them."""
    off = _mark("Lights off", [s.spans.lights_off_s for s in sides], sides, min)
    on = _mark("Lights on", [s.spans.lights_on_s for s in sides], sides, max)
    wanted = [mark for mark in _wanted(off, on, window) if mark.differs]
    if wanted:
        problem = "lights marks differ by more than one epoch between the scorers of this night"
        expected = f"marks within {EPOCH_S:.0f} s of each other, or a window that needs none of them"
        remedy = f"Say which with {Option.WINDOW}: FROM/TO, or reference."
        raise InputError(problem, "", "; ".join(mark.by_name(sides) for mark in wanted), "", expected, remedy)
    return off, on


def _mark(
    word: str, own: Sequence[float | None], sides: Sequence[_Scoring], pick: Callable[[list[float]], float]
) -> _Mark:
    told = tuple(None if s is None else side.shift_s + s for s, side in zip(own, sides, strict=True))
    known = [s for s in told if s is not None]
    mark = _Mark(word, told, pick(known) if known else None)
    return mark._replace(hold_s=None) if mark.differs else mark


def _wanted(off: _Mark, on: _Mark, window: Window) -> list[_Mark]:
    """Return the marks that a window counts from."""
    if window.rule is None:
        both = any(s is not None for s in off.told) and any(s is not None for s in on.told)
        return [off, on] if both else []
    if window.rule is WindowRule.LIGHTS:
        return [off, on]
    if window.rule is WindowRule.GIVEN:
        return [mark for mark, end in ((off, window.begin), (on, window.end)) if end is None]
    return []


# --- votes ------------------------------------------------------------------------------------------------


def _counts_as(scorings: Sequence[ScoredSpans]) -> dict[str, str]:
    """Return what a vote for each stage counts as: the finest stage around it that all scorers can tell.

    A scorer who says light tells N1 and N2 together. Who says sleep and N2 has seen some sleep and tells no less for
    that: a stage of which its scorer also tells a part joins nothing.
    """
    joined = []
    for s in scorings:
        told = [COVERAGE[stage] for stage in reference_reportable(_stage_set(s)) if stage in COVERAGE]
        joined += [covers for covers in told if not any(part < covers for part in told)]
    classes = []
    for stage in AASM_STAGES:
        covers = COVERAGE[stage]
        for _ in AASM_STAGES:
            covers = covers.union(*(more for more in joined if more & covers))
        classes.append(covers)
    word_of = {covers: stage for stage, covers in COVERAGE.items()}
    return {
        stage: next((word_of[whole] for whole in classes if covers <= whole), stage)
        for stage, covers in COVERAGE.items()
    }


def _stage_set(spans: ScoredSpans) -> StageSet:
    return make_stage_set(spans.labels, spans.stages, reports=spans.reports, path=spans.origin.name)


def _votes(sides: Sequence[_Scoring], counts_as: Mapping[str, str]) -> tuple[tuple[str, ...], NDArray[np.int16], float]:
    """Return stage words, votes (scorers, epochs) with -1 for a gap, and where the first epoch begins."""
    origin_s = min(s.first_stage_s() for s in sides)
    cast = [[counts_as.get(stage, stage) for stage in s.spans.stages] for s in sides]
    words = tuple(sorted({stage for stages in cast for stage in stages}, key=_stage_order))
    laid = [lay_on_epochs(s.spans, origin_s=origin_s - s.shift_s) for s in sides]
    begin = min(epochs.first for epochs in laid)
    end = max(epochs.first + epochs.codes.size for epochs in laid)
    rows = []
    for stages, epochs in zip(cast, laid, strict=True):
        rank = np.array([*map(words.index, stages), -1], np.int16)
        rows.append(rank[epochs.window(begin, end - begin)])
    return words, np.stack(rows), origin_s + begin * EPOCH_S


def _stage_order(stage: str) -> tuple[int, str]:
    place = AASM_STAGES.index(stage) if stage in AASM_STAGES else len(AASM_STAGES) + (stage == UNSCORED)
    return place, stage


def _majority(votes: NDArray[np.int16], n_words: int) -> NDArray[np.int16]:
    counts = np.stack([(votes == word).sum(axis=0) for word in range(-1, n_words)])
    chosen: NDArray[np.int16] = (counts.argmax(axis=0) - 1).astype(np.int16)
    chosen[2 * counts.max(axis=0) <= votes.shape[0]] = n_words
    return chosen


def refuse_label_lines(scorings: Sequence[ScoredSpans], mappings: Sequence[StageMapping]) -> None:
    """Refuse mappings that take a label elsewhere than its stage: a consensus is of stages, and has no labels.

    Raises
    ------
    PairingError
        When a scorer has such a label.
    """
    for mapping, spans in product(mappings, scorings):
        for label, stage in zip(spans.labels, spans.stages, strict=True):
            if stage == label or mapping.target("reference", label, stage) == mapping.target("reference", "", stage):
                continue
            raise PairingError(
                f"mapping '{shorten(mapping.name)}' says of a label of a scorer what it does not say of its stage",
                spans.origin.name,
                "",
                f"'{shorten(label)}', which is the stage {stage}",
                "lines about stages, since a consensus of several scorers counts votes for stages, not for labels",
                f"Say under [reference] what {stage} is, or name the label's stage in a layout.",
            )


# --- agreement --------------------------------------------------------------------------------------------


def compare_scorers(
    scorings: Sequence[ScoredSpans], night: PairedNight, asked: Sequence[StageMapping] = ()
) -> tuple[tuple[ScorerPair, ...], tuple[ScorerTable, ...]]:
    """Return agreement of every two scorers, of the device with each scorer and with the consensus, and of all at once.

    All of them on the epochs of one window, that of the night.

    Parameters
    ----------
    scorings : sequence of ScoredSpans
        One per scorer.
    night : PairedNight
        The device against the consensus.
    asked : sequence of StageMapping
        Mappings that were asked for; without a square one the finest square one that fits the device takes its place.

    Returns
    -------
    tuple of ScorerPair
        Scorers among themselves under the finest stages that all of them tell and under the device's first square
        mapping, so that the device's agreement can be read as a share of theirs.
    tuple of ScorerTable
        What all scorers said together, under the same mappings.

    Raises
    ------
    PairingError
        When two scorings share no time, or tell no stages in common that anything could be counted in.
    """
    _refuse_apart(_on_one_clock(scorings))
    # the first mapping of the device under which both sides have the same classes
    fitting = fitting_mappings(night.reference_set, night.device_set)
    square = next((m for m in (*asked, *fitting) if m.is_square), None)
    mappings = [_finest_mapping(scorings)] if _are_of_stages(scorings) else []
    if square is not None and square.name not in {mapping.name for mapping in mappings}:
        mappings.append(square)
    scorers = [_lay_in_window(s, night) for s in scorings]
    pairs = [
        _score_pair(*two, mapping, mapping.reference_codes)
        for two, mapping in product(combinations(scorers, 2), mappings)
    ]
    if square is not None:
        device = _Sequence(DEVICE, night.device, night.device_set)
        consensus = _Sequence(CONSENSUS, night.reference, night.reference_set)
        pairs += [_score_pair(one, device, square, square.device_codes) for one in (*scorers, consensus)]
    return tuple(pairs), tuple(_count_together(scorers, mapping) for mapping in mappings)


def _are_of_stages(scorings: Sequence[ScoredSpans]) -> bool:
    """Whether built-in mappings know every word of the scorers: words of their own a mapping file alone explains."""
    return all(stage in COVERAGE or stage == UNSCORED for spans in scorings for stage in spans.stages)


def _finest_mapping(scorings: Sequence[ScoredSpans]) -> StageMapping:
    """Return the finest square mapping that has a class for every stage that all scorers can tell."""
    counts_as = _counts_as(scorings)
    told = {counts_as[stage] for stage in AASM_STAGES}
    for mapping in BUILT_IN_MAPPINGS:
        if mapping.is_square and LEAVE_OUT not in {dict(mapping.reference)[stage] for stage in told}:
            return mapping
    problem = "the scorers of this night have no stages in common, not even wake and sleep"
    tells = "; ".join(f"{s.origin.name}: {', '.join(dict.fromkeys(s.stages))}" for s in scorings)
    remedy = "Take out of the row who does not tell wake from sleep."
    raise PairingError(problem, "", "", tells, "wake and sleep, or finer stages, of each scorer", remedy)


def _count_together(scorers: Sequence[_Sequence], mapping: StageMapping) -> ScorerTable:
    lookups = [np.array([*mapping.reference_codes(s.stage_set), -1], np.int16) for s in scorers]
    votes = np.stack([lookup[s.codes] for lookup, s in zip(lookups, scorers, strict=True)])
    given = (votes >= 0).sum(axis=0)
    complete, shared = count_coincidences(votes, len(mapping.reference_classes)).tolist()
    epochs = EpochsStaged(int(np.count_nonzero(given == len(scorers))), int(np.count_nonzero(given > 1)))
    tables = (tuple(map(tuple, table)) for table in (complete, shared))
    return ScorerTable(mapping.name, len(scorers), epochs, *tables)


class _Sequence(NamedTuple):
    """What one side says of the epochs of a window."""

    name: str
    codes: LabelCodes
    stage_set: StageSet


def _lay_in_window(spans: ScoredSpans, night: PairedNight) -> _Sequence:
    """Return what a scorer says of the epochs of a night's window."""
    codes = _lay_on_grid(spans, night).window(0, night.status.size)
    return _Sequence(spans.origin.name, codes, _stage_set(spans))


def _lay_on_grid(spans: ScoredSpans, night: PairedNight) -> EpochLabels:
    """Return a scorer's labels on the epochs of a night, the first of its window being 0."""
    return lay_on_epochs(spans, origin_s=night.begin_s - seconds_between(night.reference_spans, spans))


def count_staged_outside(scorings: Sequence[ScoredSpans], night: PairedNight) -> int:
    """Return how many epochs outside the window of a night have a stage of any scorer.

    Parameters
    ----------
    scorings : sequence of ScoredSpans
        One per scorer.
    night : PairedNight
        The device against the consensus.
    """
    staged: set[int] = set()
    for spans in scorings:
        labels = _lay_on_grid(spans, night)
        staged.update((np.flatnonzero(_are(_is_stage, spans.stages)[labels.codes]) + labels.first).tolist())
    return sum(not 0 <= epoch < night.status.size for epoch in staged)


def count_undecided(scorings: Sequence[ScoredSpans], night: PairedNight) -> Undecided:
    """Return how many epochs without a majority a scorer gave no stage, and how many were called N1 or N2 by all.

    Parameters
    ----------
    scorings : sequence of ScoredSpans
        One per scorer.
    night : PairedNight
        The device against the consensus.
    """
    undecided = night.status == Status.REFERENCE_NO_MAJORITY
    staged, light = np.ones((2, undecided.size), np.bool_)
    for spans in scorings:
        codes = _lay_on_grid(spans, night).window(0, undecided.size)
        staged &= _are(_is_stage, spans.stages)[codes]
        light &= _are({"N1", "N2"}.__contains__, spans.stages)[codes]
    return Undecided(int(np.count_nonzero(undecided & ~staged)), int(np.count_nonzero(undecided & light)))


def _score_pair(
    one: _Sequence, other: _Sequence, mapping: StageMapping, column_codes: Callable[[StageSet], tuple[int, ...]]
) -> ScorerPair:
    rows, columns = mapping.reference_codes(one.stage_set), column_codes(other.stage_set)
    size = len(mapping.reference_classes)
    native = cross_labels(one.codes, other.codes, one.stage_set, other.stage_set).native
    counts = fold_counts(native, rows, columns, (size, size))
    return ScorerPair(
        one.name,
        other.name,
        int(counts.sum()),
        float(coefficients.accuracy(counts)),
        float(coefficients.kappa(counts)),
        mapping.name,
    )
