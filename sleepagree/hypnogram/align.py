"""Two recordings on one grid of epochs and one window, every epoch accounted for.

The grid counts 30-s epochs from the first moment to which the reference gives a stage.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind
from sleepagree.errors import Option, PairingError, SleepAgreeError, Step, asked, for_page, is_number, take_choice
from sleepagree.hypnogram.epochs import EpochLabels, lay_on_epochs
from sleepagree.hypnogram.ledger import (
    CONSENSUS,
    SCORED,
    Ledger,
    Status,
    account_for_epochs,
    cross_labels,
    list_excluded,
)
from sleepagree.hypnogram.silence import cautions_within
from sleepagree.hypnogram.spans import (
    EPOCH_S,
    Frozen,
    LabelCodes,
    Origin,
    ScoredSpans,
    Seconds,
    frozen_array,
    label_of_our_own,
)
from sleepagree.hypnogram.window import (
    Window,
    WindowRule,
    lone_mark_caution,
    no_scored_epoch,
    show_time,
    take_window,
    window_epochs,
)
from sleepagree.hypnogram.zones import add_seconds, in_zone_of, seconds_between
from sleepagree.mapping.sets import StageSet, make_stage_set, take_reports
from sleepagree.mapping.words import COVERAGE, UNSCORED
from sleepagree.shown import Brief

SILENT_AS_WAKE: Final = "(device silent: taken as wake)"


class Outside(StrEnum):
    """What an epoch is before the device's first and after its last word.

    Examples
    --------
    >>> paired = align(reference=["W", "N2", "W"], device=["wake", "light"], outside="wake")
    >>> paired.ledger.scored, Outside("wake") is Outside.WAKE
    (3, True)
    """

    MISSING = "missing"
    WAKE = "wake"


@dataclass(frozen=True)
class Side:
    """What is known of one side of a pair beside its epochs.

    Parameters
    ----------
    origin : Origin
        File and reader.
    start : datetime or None
        Its first labelled moment by its own clock.
    epochs : int
        Labelled 30-s epochs, inside and outside the window.
    epoch_s : float or None
        The source's own epoch length.
    labels : tuple of (str, int)
        Native labels and how many 30-s epochs each has, inside and outside the window.
    """

    origin: Origin
    start: datetime | None
    epochs: int
    epoch_s: float | None
    labels: tuple[tuple[str, int], ...]


@dataclass(frozen=True, eq=False, repr=False)
class PairedNight(Brief, Frozen):
    """Two sides on one grid over one window.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Position of each epoch's native label in the side's stage set, -1 for a gap.
    status : int array, shape (n_epochs,)
        :class:`Status` of each epoch.
    reference_set, device_set : StageSet
        Native labels, stages, and what each side can report.
    begin : datetime or None
        Start of the window's first epoch by the reference's clock; None for elapsed time.
    begin_s, end_s : float
        Start and end of the window's epochs in seconds after the reference's start.
    rule : WindowRule
        How the window was found.
    clock_offset_s : float
        Seconds added to device times.
    ledger : Ledger
        The account of the window.
    cautions : tuple of Caution
        What may mislead a reader.
    reference_spans, device_spans : ScoredSpans
        What was read of both sides, for looks at other windows and at the clock.
    shift_s : float
        The device's start after the reference's, the clock offset included (s).
    native : int array, shape (reference labels, device labels)
        Jointly scored epochs by label.
    epoch_s : float
        Length of an epoch in seconds.

    Examples
    --------
    >>> paired = align(reference=["W", "N2", "N2", "R"], device=["wake", None, "light", "rem"])
    >>> paired.reference.shape, paired.ledger.scored, dict(paired.ledger.excluded)
    ((4,), 3, {'reference_gap': 0, 'reference_unscored': 0, 'device_gap': 1, 'device_unscored': 0})
    """

    reference: LabelCodes
    device: LabelCodes
    status: NDArray[np.int8]
    reference_set: StageSet
    device_set: StageSet
    begin: datetime | None
    begin_s: float
    end_s: float
    rule: WindowRule
    clock_offset_s: float
    ledger: Ledger
    cautions: tuple[Caution, ...]
    reference_spans: ScoredSpans
    device_spans: ScoredSpans
    shift_s: float
    native: NDArray[np.int64]
    epoch_s: float = EPOCH_S

    def __post_init__(self) -> None:
        self._freeze(reference=np.int16, device=np.int16, status=np.int8, native=np.int64)

    @cached_property
    def scored(self) -> NDArray[np.bool_]:
        """Which epochs have a stage on both sides."""
        return frozen_array(self.status == SCORED, np.bool_)

    @cached_property
    def reference_side(self) -> Side:
        """File, start and labels of the reference."""
        return _side(self.reference_spans, self.begin_s)

    @cached_property
    def device_side(self) -> Side:
        """File, start and labels of the device."""
        return _side(self.device_spans, self.begin_s - self.shift_s)

    def epoch_start(self, epoch: int) -> datetime | None:
        """Return the clock time at which an epoch of the window begins, or None for elapsed time."""
        return None if self.begin is None else add_seconds(self.begin, epoch * self.epoch_s)


def align(
    *,
    reference: Any,
    device: Any,
    clock_offset_s: float = 0.0,
    window: Window | WindowRule | str | None = None,
    outside: Outside | str = Outside.MISSING,
    reports: Sequence[str] | None = None,
) -> PairedNight:
    """Put two recordings on one grid and one window and account for every epoch.

    Parameters
    ----------
    reference, device : ScoredSpans, path, array-like, pandas object or mne.Annotations
        The two sides; what is not yet read is read by :func:`sleepagree.read_hypnogram`. Those without a clock begin
        at the same moment.
    clock_offset_s : float
        Seconds added to device times.
    window : Window or str, optional
        ``"lights"``, ``"reference"``, ``"overlap"``, or ``"FROM/TO"`` in ISO 8601; default: ``lights`` if both marks
        exist, else ``reference``.
    outside : Outside or str
        What epochs before the device's first and after its last word are: ``"missing"`` or ``"wake"``.
    reports : sequence of str, optional
        Stages the device can report; goes before what its layout declares.

    Raises
    ------
    PairingError
        When the recordings, or the window and a recording, share no time, or no epoch has a stage on both
        sides.
    ClockError
        When the two clocks cannot be compared.
    InputError
        When a side or the window cannot be read.
    TypeError, ValueError
        When a side, ``window``, ``outside``, ``reports`` or ``clock_offset_s`` is none of the forms above.

    Examples
    --------
    >>> paired = align(reference=["W", "N1", "N2", "R"], device=["wake", "light", "light"], window="overlap")
    >>> paired.ledger.window_epochs, paired.ledger.scored
    (3, 3)
    """
    reference, device = _read_sides(reference, device)
    window = take_window(window)
    outside = take_choice("outside", outside, Outside)
    listed = take_reports(reports)
    if not is_number(clock_offset_s):
        raise ValueError(f"clock_offset_s must be a finite number of seconds, not {clock_offset_s!r}")
    reference_set = _stage_set(reference, reference.reports)
    device_set = _stage_set(device, listed or device.reports)
    refuse_empty(reference, "reference")
    refuse_empty(device, "device")
    shift_s = seconds_between(reference, device) + clock_offset_s
    origin_s = _first_stage_onset(reference, reference_set)
    rows = lay_on_epochs(reference, origin_s=origin_s)
    zero_s = origin_s - shift_s  # epoch 0 by the device's time
    columns = lay_on_epochs(device, origin_s=zero_s)
    _refuse_apart(reference, device, shift_s, clock_offset_s)
    first, last = window_epochs(window, reference, device, rows, reference_set, shift_s=shift_s, origin_s=origin_s)
    rule = window.rule_for(reference)
    reference_codes = _codes_in_window(rows, first, last, reference, "reference", rule)
    device_codes = _codes_in_window(columns, first, last, device, "device", rule)
    beyond = _count_outside(rows, reference_codes), _count_outside(columns, device_codes)
    sides = (("reference", reference, origin_s), ("device", device, zero_s))
    notes = [note.of_side(side) for side, spans, _ in sides for note in spans.notes]
    cautions = _cautions_of(sides, first, last)
    if outside is Outside.WAKE:
        device_codes, device_set, note = _silent_as_wake(device_codes, device_set, columns, first, device, zero_s)
        notes += note
    notes += [*_split_notes(rows, columns), *_nights_note(device, zero_s + first * EPOCH_S, last - first)]
    is_consensus = reference.origin.reader == CONSENSUS
    crossed = cross_labels(reference_codes, device_codes, reference_set, device_set, is_consensus=is_consensus)
    ledger = account_for_epochs(crossed, reference_set, device_set, outside=beyond, notes=tuple(notes))
    _refuse_nothing_scored(ledger, device)
    begin_s = origin_s + first * EPOCH_S
    return PairedNight(
        reference=reference_codes,
        device=device_codes,
        status=crossed.status,
        reference_set=reference_set,
        device_set=device_set,
        begin=None if reference.start is None else add_seconds(reference.start, begin_s),
        begin_s=begin_s,
        end_s=origin_s + last * EPOCH_S,
        rule=rule,
        clock_offset_s=float(clock_offset_s),  # a number of numpy is none that JSON can hold
        ledger=ledger,
        cautions=(*cautions, *lone_mark_caution(window, reference), *_reports_caution(device_set)),
        reference_spans=reference,
        device_spans=device,
        shift_s=shift_s,
        native=crossed.native,
    )


#: A zone left out and a half of the day mistaken put a clock no further off: what lies further apart is another night.
_LARGEST_CLOCK_ERROR_S: Final = 12 * 3600.0


def _cautions_of(sides: Iterable[tuple[str, ScoredSpans, float]], first: int, last: int) -> list[Caution]:
    """Return the cautions of both files, as they hold in a window of epochs that are counted from seconds of each."""
    return [
        caution.of_side(side)
        for side, spans, zero_s in sides
        for caution in cautions_within(spans, zero_s + first * EPOCH_S, zero_s + last * EPOCH_S)
    ]


def _nights_note(device: ScoredSpans, begin_s: float, epochs: int) -> list[Note]:
    """Tell of a file of several nights which of them lie in the window, which begins at a second of its own time."""
    nights_s = device.nights_s
    inside = _reach_into(nights_s, begin_s, begin_s + epochs * EPOCH_S) + 1
    if len(nights_s) == 1 or not inside.size:
        return []
    values = {"nights": len(nights_s), "first": int(inside[0]), "last": int(inside[-1])}
    return [Note.of(NoteKind.NIGHTS_IN_FILE, **values).of_side("device")]


def _reach_into(nights_s: Seconds, begin_s: float, end_s: float) -> NDArray[np.intp]:
    """Return the positions of the nights of which something lies in [begin, end)."""
    return np.flatnonzero((nights_s[:, 0] < end_s) & (nights_s[:, 1] > begin_s))


def _read_sides(reference: Any, device: Any) -> tuple[ScoredSpans, ScoredSpans]:
    """Return both sides; a clock without a zone is in the one that the other side names."""
    first, second = _read_side(reference, "reference"), _read_side(device, "device")
    return in_zone_of(first, second), in_zone_of(second, first)


def _read_side(source: Any, side: str) -> ScoredSpans:
    """Return spans as they are; readers stand below, and what is not yet read goes through the package's entrance."""
    if isinstance(source, ScoredSpans):
        return source
    import sleepagree

    try:
        return sleepagree.read_hypnogram(source)
    except SleepAgreeError as error:
        raise (error if error.path else error.in_file(side)) from None
    except (TypeError, ValueError) as error:
        raise type(error)(f"{side}: {error}") from None


def _codes_in_window(
    labels: EpochLabels, first: int, last: int, spans: ScoredSpans, side: str, rule: WindowRule
) -> LabelCodes:
    """Return the label codes of a window; refuse a window that a recording does not reach into."""
    codes = labels.window(first, last - first)
    if codes[0] < 0 and (codes < 0).all():
        raise PairingError(
            f"the window lies outside the {side} recording",
            spans.origin.name,
            f"window rule {rule}",
            f"{side} from {show_time(spans, float(spans.onset_s[0]))} to {show_time(spans, spans.end_s)} by its own "
            "clock",
            "a window that both recordings reach into",
            for_page(f"Give another {Option.WINDOW}", "Choose another window")
            + f", or check clocks and {Option.CLOCK_OFFSET}.",
        )
    return codes


def _count_outside(labels: EpochLabels, codes: LabelCodes) -> int:
    """Return how many labelled epochs of a side are not in its part of the window."""
    return labels.labelled - int(np.count_nonzero(codes >= 0))


def _refuse_nothing_scored(ledger: Ledger, device: ScoredSpans) -> None:
    if ledger.scored == 0 and dict(ledger.excluded).get(Status.REFERENCE_NO_MAJORITY.word):
        raise PairingError(
            "no epoch of the window has both a stage of the device and one that more than half of the scorers give",
            device.origin.name,
            found=list_excluded(ledger.excluded),
            expected="at least one epoch on which most scorers agree",
            remedy="Compare the scorers' files: they may be of different nights, or times of one may be off.",
        )
    if ledger.scored == 0:
        raise PairingError(
            "no epoch of the window has a stage on both sides",
            device.origin.name,
            found=list_excluded(ledger.excluded),
            expected="at least one epoch scored by both",
            remedy=for_page(f"Look at both sides with {Step.LOOK_AT_FILE}, and", "Look")
            + " at the labels mapped to unscored.",
        )


def _stage_set(spans: ScoredSpans, reports: Sequence[str] | None) -> StageSet:
    told = None if reports is None else tuple(reports)
    try:
        return _cached_stage_set(spans.labels, spans.stages, told)
    except SleepAgreeError:
        return make_stage_set(spans.labels, spans.stages, reports=told, path=spans.origin.name)


@lru_cache(maxsize=256)
def _cached_stage_set(labels: tuple[str, ...], stages: tuple[str, ...], reports: tuple[str, ...] | None) -> StageSet:
    # a study asks for the same few sets thousands of times; the file's name would make each of them another one
    return make_stage_set(labels, stages, reports=reports)


def refuse_empty(spans: ScoredSpans, side: str) -> None:
    """Refuse spans without any stage, which are those of a side, or of a night alone."""
    if spans.onset_s.size == 0 or not any(stage != UNSCORED for stage in spans.stages):
        raise no_scored_epoch(spans, side)


def _first_stage_onset(spans: ScoredSpans, stage_set: StageSet) -> float:
    first = 0 if stage_set.scored[spans.codes[0]] else int(np.asarray(stage_set.scored)[spans.codes].argmax())
    return float(spans.onset_s[first])


def _refuse_apart(reference: ScoredSpans, device: ScoredSpans, shift_s: float, clock_offset_s: float) -> None:
    begin, end = float(reference.onset_s[0]), reference.end_s
    device_begin, device_end = float(device.onset_s[0]) + shift_s, device.end_s + shift_s
    if device_begin < end and begin < device_end:
        return
    raise PairingError(
        "the two recordings share no time",
        device.origin.name,
        # a place is told whole where a found text may be cut, and not at all where nobody is to be named
        f"reference from {show_time(reference, begin)} to {show_time(reference, end)}, device from "
        f"{show_time(reference, device_begin)} to {show_time(reference, device_end)}",
        expected="two recordings of one night",
        remedy=_bring_together(clock_offset_s + begin - device_begin),
    )


def _bring_together(needed_s: float) -> str:
    """Return what to do about recordings whose starts lie so far apart: an offset stands for a wrong clock alone."""
    if abs(needed_s) <= _LARGEST_CLOCK_ERROR_S:
        return (
            f"If they belong together, {Option.CLOCK_OFFSET:{needed_s:.0f}} would put their starts together; check "
            "dates and zones first."
        )
    hours = abs(needed_s) / 3600
    apart = f"{hours:.1f} h" if hours < 72 else f"{hours / 24:.0f} days"
    place = for_page("'records' or 'sheet' in a layout", f"{asked('records')} or {asked('sheet')}")
    date = for_page("'begins', 'date' or 'night_of' in a layout", f"{asked('begins')} or {asked('night_of')}")
    return (
        f"Their starts are {apart} apart: these look like two different nights. Give the file of the same night, or "
        f"that night within it ({place}). If they are of one night, correct the date ({date})."
    )


def _silent_as_wake(
    codes: LabelCodes, stage_set: StageSet, columns: EpochLabels, first: int, device: ScoredSpans, zero_s: float
) -> tuple[LabelCodes, StageSet, list[Note]]:
    """Fill what lies before the device's first and after its last word with a label of our own; gaps stay gaps.

    Of a file of several nights it is the first and the last word of those that say something in the window.
    """
    told_s = zero_s + (first + np.flatnonzero(codes >= 0)) * EPOCH_S
    nights_s = device.nights_s
    nights_s = nights_s[_reach_into(nights_s, told_s[0], told_s[-1] + EPOCH_S)]
    known = np.flatnonzero(columns.codes >= 0) + columns.first
    known_s = zero_s + known * EPOCH_S
    # an epoch of slack is nothing beside the hours between two nights
    known = known[(known_s > nights_s[0, 0] - 2 * EPOCH_S) & (known_s < nights_s[-1, 1] + EPOCH_S)] - first
    filled = codes.copy()
    filled[: max(0, known[0])] = len(stage_set.labels)
    filled[max(0, known[-1] + 1) :] = len(stage_set.labels)
    count = int(np.count_nonzero(filled == len(stage_set.labels)))
    if not count:
        return codes, stage_set, []
    extended = StageSet(
        (*stage_set.labels, label_of_our_own(SILENT_AS_WAKE, stage_set.labels)),
        (*stage_set.stages, "W"),
        tuple(dict.fromkeys((*stage_set.reportable, "W"))),
        stage_set.declared,
    )
    return filled, extended, [Note.of(NoteKind.SILENT_AS_WAKE, count=count)]


def _split_notes(rows: EpochLabels, columns: EpochLabels) -> list[Note]:
    return [
        Note.of(NoteKind.EPOCHS_SHARED, count=labels.split_epochs).of_side(side)
        for side, labels in (("reference", rows), ("device", columns))
        if labels.split_epochs
    ]


def _side(spans: ScoredSpans, grid_s: float) -> Side:
    """Return what is known of one side; its labels are those of the file, without the one for silence."""
    labels = lay_on_epochs(spans, origin_s=grid_s)
    counts = np.bincount(labels.codes + 1, minlength=len(spans.labels) + 1)[1:].tolist()
    start = None if spans.start is None else add_seconds(spans.start, float(spans.onset_s[0]))
    return Side(spans.origin, start, labels.labelled, spans.epoch_s, tuple(zip(spans.labels, counts, strict=True)))


@lru_cache(maxsize=256)
def _reports_caution(device_set: StageSet) -> tuple[Caution, ...]:
    """Say that what the device can report was taken from its labels, where that leaves out a stage."""
    if device_set.declared:
        return ()
    says = set(device_set.reportable)
    definite = says - {"sleep", "wake-or-sleep"}
    if not says <= set(COVERAGE):
        return ()  # words that a mapping file explains
    # a device that tells no more than asleep and awake leaves nothing out; beside other words, asleep says little
    covered = frozenset().union(*(COVERAGE[stage] for stage in (definite if definite - {"W"} else says)))
    wanted = ("W", "N1", "N2", "N3", "R") if {"N1", "N2"} & says else ("W", "light", "N3", "R")
    missing = tuple(stage for stage in wanted if not COVERAGE[stage] <= covered)
    # in one order for all nights of a device, whichever stage comes first in each
    values = {"missing": missing, "reports": tuple(stage for stage in COVERAGE if stage in says)}
    return (Caution.of(CautionKind.REPORTS_FROM_LABELS, **values),) if missing else ()


def refuse_unpaired(given: object) -> None:
    """Refuse what is no paired night."""
    if not isinstance(given, PairedNight):
        raise TypeError(f"paired must be a PairedNight, as align() returns it, not {type(given).__name__}")
