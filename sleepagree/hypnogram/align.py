"""Two recordings on one grid of epochs, one window, and a ledger in which nothing disappears.

The grid counts 30-s epochs from the first moment to which the reference gives a stage. The window holds the epochs
whose midpoint lies in [from, to); without lights marks it runs from the first to the last epoch with a stage of the
reference, so that what the reference leaves unscored at either end is outside. Every epoch of the window has exactly
one status, the first that fits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from enum import IntEnum, StrEnum
from functools import cached_property, lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import ClockError, InputError, PairingError, SleepAgreeError, counted
from sleepagree.hypnogram.epochs import EpochLabels, lay_on_epochs
from sleepagree.hypnogram.spans import EPOCH_S, LabelCodes, Origin, ScoredSpans, frozen_array, seal
from sleepagree.hypnogram.zones import add_seconds, elapsed_seconds, place_in_zone, seconds_between
from sleepagree.mapping.stages import COVERAGE, StageSet, make_stage_set

SILENT_AS_WAKE: Final = "(device silent: taken as wake)"

#: A file may hold years of a wearable; what is scored as one night is less, or one of its dates is wrong.
MOST_WINDOW_DAYS: Final = 31
MOST_WINDOW_EPOCHS: Final = MOST_WINDOW_DAYS * 2880

#: Reader of a consensus, and its last label: where no stage has more than half of the scorers. A file may use the same
#: words for something else, so the reader tells, never the label.
CONSENSUS: Final = "consensus"
NO_MAJORITY: Final = "(no majority)"


class Status(IntEnum):
    """What became of an epoch of the window; the first that fits, the reference's reasons before the device's."""

    REFERENCE_GAP = 0
    REFERENCE_UNSCORED = 1
    DEVICE_GAP = 2
    DEVICE_UNSCORED = 3
    SCORED = 4
    REFERENCE_NO_MAJORITY = 5

    @property
    def word(self) -> str:
        """The name used in files."""
        return self.name.lower()


#: A plain number: numpy looks at an enum member for array protocols each time it compares with one.
_SCORED: Final = int(Status.SCORED)

#: Reasons that every night may have; only a consensus of scorers adds ``REFERENCE_NO_MAJORITY``.
EXCLUDED: Final = (
    Status.REFERENCE_GAP,
    Status.REFERENCE_UNSCORED,
    Status.DEVICE_GAP,
    Status.DEVICE_UNSCORED,
)


class WindowRule(StrEnum):
    """How the window was found."""

    LIGHTS = "lights"
    REFERENCE = "reference"
    OVERLAP = "overlap"
    GIVEN = "given"


class Outside(StrEnum):
    """What an epoch is before the device's first and after its last word."""

    MISSING = "missing"
    WAKE = "wake"


@dataclass(frozen=True)
class Window:
    """The window asked for.

    Parameters
    ----------
    rule : WindowRule or None
        None: ``lights`` if both marks exist, else ``reference``.
    begin, end : datetime or None
        For ``GIVEN``: the ends; None stands for the lights mark of that end.
    """

    rule: WindowRule | None = None
    begin: datetime | None = None
    end: datetime | None = None

    def rule_for(self, reference: ScoredSpans) -> WindowRule:
        """Return the rule that holds beside a reference."""
        if self.rule is not None:
            return self.rule
        unmarked = reference.lights_off_s is None or reference.lights_on_s is None
        return WindowRule.REFERENCE if unmarked else WindowRule.LIGHTS


def parse_window(text: str) -> Window:
    """Read ``lights``, ``reference``, ``overlap`` or ``FROM/TO`` (ISO 8601; either end may be ``lights``).

    Raises
    ------
    InputError
        When the text is none of these.
    """
    word = text.strip()
    if word in ("lights", "reference", "overlap"):
        return Window(WindowRule(word))
    ends = word.split("/")
    expected = "lights, reference, overlap, or FROM/TO in ISO 8601 (either end may be lights)"
    remedy = "For example --window 2026-03-01T22:30/2026-03-02T06:45."
    if len(ends) != 2:
        raise InputError("the window cannot be read", "", "--window", text, expected, remedy)
    try:
        begin, end = (None if end.strip() == "lights" else datetime.fromisoformat(end.strip()) for end in ends)
    except ValueError:
        raise InputError("the window cannot be read", "", "--window", text, expected, remedy) from None
    if begin is None and end is None:
        return Window(WindowRule.LIGHTS)
    return Window(WindowRule.GIVEN, begin, end)


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


@dataclass(frozen=True)
class Ledger:
    """Where every epoch of the window went.

    Parameters
    ----------
    window_epochs, scored : int
        Epochs in the window, and those with a stage on both sides.
    excluded : tuple of (str, int)
        Status -> epochs; with ``scored`` they add up to ``window_epochs``.
    outside_reference, outside_device : int
        Labelled epochs of either side that lie outside the window.
    reference_labels, device_labels : tuple of (str, int)
        Native label -> epochs of the window, scored or not.
    notes : tuple of str
        What readers and alignment did that a careful reader would want to know.
    """

    window_epochs: int
    scored: int
    excluded: tuple[tuple[str, int], ...]
    outside_reference: int
    outside_device: int
    reference_labels: tuple[tuple[str, int], ...]
    device_labels: tuple[tuple[str, int], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class PairedNight:
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
    cautions : tuple of str
        Plain sentences.
    sides : tuple of two ScoredSpans and a float
        Both sides' spans and the device's start after the reference's in seconds, for the clock scan.
    native : int array, shape (reference labels, device labels)
        Jointly scored epochs by label.
    epoch_s : float
        Length of an epoch in seconds.
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
    cautions: tuple[str, ...]
    sides: tuple[ScoredSpans, ScoredSpans, float]
    native: NDArray[np.int64]
    epoch_s: float = EPOCH_S

    def __post_init__(self) -> None:
        object.__setattr__(self, "native", frozen_array(self.native, np.int64))
        object.__setattr__(self, "reference", frozen_array(self.reference, np.int16))
        object.__setattr__(self, "device", frozen_array(self.device, np.int16))
        object.__setattr__(self, "status", frozen_array(self.status, np.int8))

    def __reduce__(self) -> tuple[Any, ...]:
        return (PairedNight, tuple(getattr(self, f.name) for f in fields(self)))

    @cached_property
    def scored(self) -> NDArray[np.bool_]:
        """Which epochs have a stage on both sides."""
        scored: NDArray[np.bool_] = self.status == _SCORED
        return seal(scored)

    @cached_property
    def reference_side(self) -> Side:
        """File, start and labels of the reference."""
        return _side(self.sides[0], self.begin_s)

    @cached_property
    def device_side(self) -> Side:
        """File, start and labels of the device."""
        return _side(self.sides[1], self.begin_s - self.sides[2])

    def epoch_start(self, epoch: int) -> datetime | None:
        """Return the clock time at which an epoch of the window begins, or None for elapsed time."""
        return None if self.begin is None else add_seconds(self.begin, epoch * self.epoch_s)

    def count_native(self) -> NDArray[np.int64]:
        """Return jointly scored epochs, shape (reference labels, device labels)."""
        return self.native


def align(
    *,
    reference: ScoredSpans,
    device: ScoredSpans,
    clock_offset_s: float = 0.0,
    window: Window | None = None,
    outside: Outside = Outside.MISSING,
    reports: Sequence[str] | None = None,
) -> PairedNight:
    """Put two recordings on one grid and one window and account for every epoch.

    Parameters
    ----------
    reference, device : ScoredSpans
        The two sides.
    clock_offset_s : float
        Seconds added to device times.
    window : Window, optional
        Default: ``lights`` if both marks exist, else ``reference``.
    outside : Outside
        What epochs before the device's first and after its last word are.
    reports : sequence of str, optional
        Stages the device can report; goes before what its layout declares.

    Raises
    ------
    PairingError
        When the recordings, or the window and a recording, share no time, or no epoch has a stage on both
        sides.
    ClockError
        When the two clocks cannot be compared.
    """
    reference_set = _stage_set(reference, reference.reports)
    device_set = _stage_set(device, reports or device.reports)
    _refuse_empty(reference, "reference")
    _refuse_empty(device, "device")
    shift_s = seconds_between(reference, device) + clock_offset_s
    origin_s = _first_stage_onset(reference, reference_set)
    rows = lay_on_epochs(reference, origin_s=origin_s)
    columns = lay_on_epochs(device, origin_s=origin_s - shift_s)
    _refuse_apart(reference, device, shift_s, clock_offset_s)
    window = window or Window()
    rule = window.rule_for(reference)
    if rule is WindowRule.REFERENCE:
        begin_s, end_s = reference.scored_part_s or _staged_part(rows, reference, reference_set, origin_s)
    else:
        begin_s, end_s = _find_window(window, rule, reference, device, shift_s)
    # the epochs whose midpoint lies in [begin, end); whole milliseconds keep the edge exact
    first = math.ceil(round((begin_s - origin_s) * 1000 - EPOCH_S * 500) / (EPOCH_S * 1000))
    last = math.ceil(round((end_s - origin_s) * 1000 - EPOCH_S * 500) / (EPOCH_S * 1000))
    if not 0 < last - first <= MOST_WINDOW_EPOCHS:
        raise PairingError(
            "the window holds no epoch" if last <= first else "the window is too long for a night",
            reference.origin.name,
            f"window rule {rule}",
            f"{max(0.0, end_s - begin_s):.0f} s",
            "at least one 30-s epoch" if last <= first else f"at most {MOST_WINDOW_DAYS} days",
            "Give another --window FROM/TO." if last <= first else "Look for a date that is wrong, or give --window.",
        )
    reference_codes = rows.window(first, last - first)
    device_codes = columns.window(first, last - first)
    _refuse_window_outside(reference_codes, device_codes, reference, device, rule)
    notes = [*_of_side("reference", reference.notes), *_of_side("device", device.notes)]
    if outside is Outside.WAKE:
        device_codes, device_set, note = _silent_as_wake(device_codes, device_set, columns, first)
        notes += note
    notes += _split_notes(rows, columns)
    is_consensus = reference.origin.reader == CONSENSUS
    crossed = cross_labels(reference_codes, device_codes, reference_set, device_set, is_consensus=is_consensus)
    n_device_labels = len(device.labels)
    ledger = _account(
        crossed,
        reference_set,
        device_set,
        rows,
        columns,
        tuple(notes),
        n_device_labels=n_device_labels,
        is_consensus=is_consensus,
    )
    if ledger.scored == 0:
        raise PairingError(
            "no epoch of the window has a stage on both sides",
            device.origin.name,
            "",
            ", ".join(f"{count} {word}" for word, count in ledger.excluded if count),
            "at least one epoch scored by both",
            "Look at both files with 'sleepagree inspect', and at the labels mapped to unscored.",
        )
    grid_begin_s = origin_s + first * EPOCH_S
    return PairedNight(
        reference_codes,
        device_codes,
        crossed.status,
        reference_set,
        device_set,
        None if reference.start is None else add_seconds(reference.start, grid_begin_s),
        grid_begin_s,
        origin_s + last * EPOCH_S,
        rule,
        clock_offset_s,
        ledger,
        (
            *_of_side("reference", reference.cautions),
            *_of_side("device", device.cautions),
            *_reports_caution(device_set),
        ),
        (reference, device, shift_s),
        crossed.native,
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


def _of_side(side: str, texts: Sequence[str]) -> list[str]:
    return [f"{side}: {text}" for text in texts]


def _refuse_empty(spans: ScoredSpans, side: str) -> None:
    if spans.onset_s.size == 0 or not any(stage != "unscored" for stage in spans.stages):
        raise _no_scored_epoch(spans, side)


def _no_scored_epoch(spans: ScoredSpans, side: str) -> PairingError:
    return PairingError(
        f"the {side} has no scored epoch",
        spans.origin.name,
        "",
        ", ".join(f"'{label}'" for label in spans.labels) or "no label at all",
        "at least one stage",
        "Look at it with 'sleepagree inspect'.",
    )


def _first_stage_onset(spans: ScoredSpans, stage_set: StageSet) -> float:
    first = 0 if stage_set.scored[spans.codes[0]] else int(np.asarray(stage_set.scored)[spans.codes].argmax())
    return float(spans.onset_s[first])


def _refuse_apart(reference: ScoredSpans, device: ScoredSpans, shift_s: float, clock_offset_s: float) -> None:
    begin, end = float(reference.onset_s[0]), reference.end_s
    device_begin, device_end = float(device.onset_s[0]) + shift_s, device.end_s + shift_s
    if device_begin < end and begin < device_end:
        return
    needed = clock_offset_s + begin - device_begin
    raise PairingError(
        # a problem is told whole, a found text may be cut
        f"the two recordings share no time: the reference lasts from {_show(reference, begin)} to "
        f"{_show(reference, end)}, the device from {_show(reference, device_begin)} to {_show(reference, device_end)}",
        device.origin.name,
        "",
        "",
        "two recordings of one night",
        f"If they belong together, --clock-offset {needed:.0f} would put their starts together; check dates "
        "and zones first.",
    )


def _show(spans: ScoredSpans, seconds: float) -> str:
    if spans.start is None:
        return f"{seconds:.0f} s"
    return f"{add_seconds(spans.start, seconds):%Y-%m-%d %H:%M:%S}"


def _staged_part(
    rows: EpochLabels, reference: ScoredSpans, reference_set: StageSet, origin_s: float
) -> tuple[float, float]:
    """Return where the first epoch with a stage of the reference begins and where the last one ends."""
    has_stage = (*reference_set.scored, False)  # the last entry is that of a gap, code -1
    codes = rows.codes
    first, last = 0, codes.size - 1
    if not (has_stage[codes[0]] and has_stage[codes[last]]):  # few files have unscored ends
        staged = np.flatnonzero(np.array(has_stage)[codes])
        if not staged.size:
            raise _no_scored_epoch(reference, "reference")
        first, last = int(staged[0]), int(staged[-1])
    return origin_s + (rows.first + first) * EPOCH_S, origin_s + (rows.first + last + 1) * EPOCH_S


def _find_window(
    window: Window, rule: WindowRule, reference: ScoredSpans, device: ScoredSpans, shift_s: float
) -> tuple[float, float]:
    """Return the ends of a window of any other rule in seconds after the reference's start."""
    off, on = reference.lights_off_s, reference.lights_on_s
    if rule is WindowRule.OVERLAP:
        begin = max(float(reference.onset_s[0]), float(device.onset_s[0]) + shift_s)
        return begin, min(reference.end_s, device.end_s + shift_s)
    begin_s = _given_end(window.begin, off, "Lights off", reference)
    end_s = _given_end(window.end, on, "Lights on", reference)
    if end_s <= begin_s:
        raise InputError(
            "the window ends before it begins",
            reference.origin.name,
            "window",
            f"{_show(reference, begin_s)} to {_show(reference, end_s)}",
            "an end after the begin",
            "Correct --window FROM/TO.",
        )
    return begin_s, end_s


def _given_end(moment: datetime | None, mark_s: float | None, mark: str, reference: ScoredSpans) -> float:
    if moment is None:
        if mark_s is None:
            raise InputError(
                f"the window asks for a mark that the reference does not hold ('{mark}')",
                reference.origin.name,
                "--window",
                f"no '{mark}'",
                "both lights marks",
                "Use --window reference, or give the time: --window FROM/TO.",
            )
        return mark_s
    if reference.start is None:
        raise ClockError(
            "a window by the clock needs a reference that tells a clock",
            reference.origin.name,
            "start",
            "elapsed time only",
            "a date and time",
            'Add to its layout\n    [file]\n    begins = "YYYY-MM-DDTHH:MM:SS"',
        )
    if moment.tzinfo is None and reference.start.tzinfo is not None:
        moment = _place_like(moment, reference.start)
    if moment.tzinfo is not None and reference.start.tzinfo is None:
        raise ClockError(
            "the window tells a zone, the reference does not",
            reference.origin.name,
            "--window",
            moment.isoformat(),
            "a time without an offset, or a reference with a zone",
            "Give --reference-zone ZONE, or the window without offset.",
        )
    return elapsed_seconds(reference.start, moment)


def _place_like(moment: datetime, start: datetime) -> datetime:
    """Return a moment without a zone in the zone of ``start``; one that happens twice or never is refused."""
    zone = getattr(start.tzinfo, "key", None)
    if not isinstance(zone, str):
        return moment.replace(tzinfo=start.tzinfo)
    return place_in_zone(moment, zone, where="--window", remedy="Give the time with its offset from UTC.")


def _refuse_window_outside(
    reference_codes: LabelCodes,
    device_codes: LabelCodes,
    reference: ScoredSpans,
    device: ScoredSpans,
    rule: WindowRule,
) -> None:
    for codes, spans, side in ((reference_codes, reference, "reference"), (device_codes, device, "device")):
        if codes[0] < 0 and (codes < 0).all():
            raise PairingError(
                f"the window lies outside the {side} recording",
                spans.origin.name,
                f"window rule {rule}",
                f"{side} from {_show(spans, float(spans.onset_s[0]))} to {_show(spans, spans.end_s)} by its own clock",
                "a window that both recordings reach into",
                "Give another --window, or check clocks and --clock-offset.",
            )


def _silent_as_wake(
    codes: LabelCodes, stage_set: StageSet, columns: EpochLabels, first: int
) -> tuple[LabelCodes, StageSet, list[str]]:
    """Fill what lies before the device's first and after its last word with a label of our own; gaps stay gaps."""
    known = np.flatnonzero(columns.codes >= 0) + columns.first - first
    filled = codes.copy()
    filled[: max(0, known[0])] = len(stage_set.labels)
    filled[max(0, known[-1] + 1) :] = len(stage_set.labels)
    count = int(np.count_nonzero(filled == len(stage_set.labels)))
    if not count:
        return codes, stage_set, []
    label = SILENT_AS_WAKE
    while label in stage_set.labels:  # a device may use our very words, as a table of epochs of an earlier run does
        label += "*"
    extended = StageSet(
        (*stage_set.labels, label),
        (*stage_set.stages, "W"),
        tuple(dict.fromkeys((*stage_set.reportable, "W"))),
        stage_set.declared,
    )
    taken = "was taken" if count == 1 else "were taken"
    note = f"{counted(count, 'epoch')} before the device's first or after its last word {taken} as wake (asked for)"
    return filled, extended, [note]


def _split_notes(rows: EpochLabels, columns: EpochLabels) -> list[str]:
    return [
        f"{side}: {labels.split_epochs} {'epoch' if labels.split_epochs == 1 else 'epochs'} shared by more than one "
        "label took the one with most of it"
        for side, labels in (("reference", rows), ("device", columns))
        if labels.split_epochs
    ]


class CrossedLabels(NamedTuple):
    """Both sides of a window counted against each other.

    Parameters
    ----------
    status : int8 array, shape (n_epochs,)
        :class:`Status` of each epoch.
    counts : int array, shape (1 + reference labels, 1 + device labels)
        Epochs by label of both sides; the first row and column are gaps. All other counts are sums of it.
    by_status : list of int
        Epochs with each status.
    native : int array, shape (reference labels, device labels)
        The counts of jointly scored epochs.
    """

    status: NDArray[np.int8]
    counts: NDArray[np.int64]
    by_status: list[int]
    native: NDArray[np.int64]


def cross_labels(
    reference: LabelCodes,
    device: LabelCodes,
    reference_set: StageSet,
    device_set: StageSet,
    *,
    is_consensus: bool = False,
) -> CrossedLabels:
    """Count the labels of both sides against each other, and say what became of each epoch.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Label codes, -1 for a gap.
    reference_set, device_set : StageSet
        What the codes stand for.
    is_consensus : bool
        Whether the reference is a consensus of scorers; its last label then stands for epochs without a majority.
    """
    width = len(device_set.labels) + 1
    table = _status_by_pair(reference_set, device_set, is_consensus=is_consensus)
    cells = reference.astype(np.intp)
    cells *= width
    cells += device
    cells += width + 1
    counts = np.bincount(cells, minlength=table.size)
    by_status = np.bincount(table, counts, len(Status)).astype(np.int64).tolist()
    native = (counts * (table == _SCORED)).reshape(-1, width)[1:, 1:]
    return CrossedLabels(seal(table[cells]), counts.reshape(-1, width), by_status, seal(native))


@lru_cache(maxsize=256)
def _status_by_pair(reference_set: StageSet, device_set: StageSet, *, is_consensus: bool) -> NDArray[np.int8]:
    """Return the status of each pair of labels, flat; the first row and column are gaps."""
    rows = [Status.REFERENCE_GAP, *(None if s else Status.REFERENCE_UNSCORED for s in reference_set.scored)]
    if is_consensus:
        rows[-1] = Status.REFERENCE_NO_MAJORITY
    columns = [Status.DEVICE_GAP, *(Status.SCORED if s else Status.DEVICE_UNSCORED for s in device_set.scored)]
    # the reference's reason comes first
    return np.array([int(column if row is None else row) for row in rows for column in columns], np.int8)


def _account(
    crossed: CrossedLabels,
    reference_set: StageSet,
    device_set: StageSet,
    rows: EpochLabels,
    columns: EpochLabels,
    notes: tuple[str, ...],
    *,
    n_device_labels: int,
    is_consensus: bool,
) -> Ledger:
    in_rows, in_columns = crossed.counts.sum(axis=1).tolist()[1:], crossed.counts.sum(axis=0).tolist()[1:]
    return Ledger(
        crossed.status.size,
        crossed.by_status[_SCORED],
        count_excluded(crossed, is_consensus=is_consensus),
        rows.labelled - sum(in_rows),
        # the label for silence, where there is one, stands behind those of the file
        columns.labelled - sum(in_columns[:n_device_labels]),
        tuple(zip(reference_set.labels, in_rows, strict=True)),
        tuple(zip(device_set.labels, in_columns, strict=True)),
        notes,
    )


def count_excluded(crossed: CrossedLabels, *, is_consensus: bool = False) -> tuple[tuple[str, int], ...]:
    """Return how many epochs have each status but ``scored``, under the words of files.

    Parameters
    ----------
    crossed : CrossedLabels
        Both sides of a window.
    is_consensus : bool
        Whether the reference is a consensus of scorers, which adds a status for epochs without a majority.
    """
    split = (Status.REFERENCE_NO_MAJORITY,) if is_consensus else ()
    return tuple((status.word, crossed.by_status[status]) for status in (*EXCLUDED, *split))


def _label_counts(codes: LabelCodes, labels: tuple[str, ...]) -> tuple[tuple[str, int], ...]:
    counts = np.bincount(codes + 1, minlength=len(labels) + 1)[1:].tolist()
    return tuple(zip(labels, counts, strict=True))


def _side(spans: ScoredSpans, grid_s: float) -> Side:
    start = None if spans.start is None else add_seconds(spans.start, float(spans.onset_s[0]))
    labels = lay_on_epochs(spans, origin_s=grid_s)
    return Side(
        spans.origin,
        start,
        labels.labelled,
        spans.epoch_s,
        # those of the file; the stage set may have gained the label for silence
        _label_counts(labels.codes, spans.labels),
    )


@lru_cache(maxsize=256)
def _reports_caution(device_set: StageSet) -> tuple[str, ...]:
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
    missing = [_WORDS[stage] for stage in wanted if not COVERAGE[stage] <= covered]
    if not missing:
        return ()
    return (
        f"What the device can report was taken from the labels in its file, which hold no "
        f"{' and no '.join(missing)}. A night without a stage is not a device without it: declare what it "
        f"can report with --reports or in its layout.",
    )


_WORDS: Final = {"W": "wake", "light": "light", "N1": "N1", "N2": "N2", "N3": "deep", "R": "REM"}
