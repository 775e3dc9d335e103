"""The window of a night: which epochs of the grid are looked at, and how that was decided.

The window holds the epochs whose midpoint lies in [from, to). Without lights marks it runs from the first to the last
epoch with a stage of the reference, so that what the reference leaves unscored at either end is outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

import numpy as np

from sleepagree.caution import Caution, CautionKind, NoteKind
from sleepagree.errors import ClockError, InputError, Option, PairingError, Step, check_moment, for_page, take_choice
from sleepagree.hypnogram.epochs import EpochLabels
from sleepagree.hypnogram.spans import EPOCH_S, ScoredSpans
from sleepagree.hypnogram.zones import add_seconds, elapsed_seconds, key_of_zone, name_begin, named_place, place_in_zone
from sleepagree.mapping.sets import StageSet

#: A file may hold years of a wearable; what is scored as one night is less, or one of its dates is wrong.
MOST_WINDOW_DAYS: Final = 31
MOST_WINDOW_EPOCHS: Final = MOST_WINDOW_DAYS * 2880


LIGHTS_OFF: Final = "Lights off"
LIGHTS_ON: Final = "Lights on"


class WindowRule(StrEnum):
    """How the window was found.

    Examples
    --------
    >>> from sleepagree import align
    >>> align(reference=["W", "N2", "R"], device=["wake", "light"], window="overlap").rule is WindowRule.OVERLAP
    True
    """

    LIGHTS = "lights"
    REFERENCE = "reference"
    OVERLAP = "overlap"
    GIVEN = "given"


@dataclass(frozen=True)
class Window:
    """The window asked for.

    Parameters
    ----------
    rule : WindowRule, str or None
        None: ``given`` where an end is given, ``lights`` if both marks exist, else ``reference``.
    begin, end : datetime or None
        For ``GIVEN``: the ends; None stands for the lights mark of that end.

    Raises
    ------
    ValueError
        When ``rule`` is no rule, or an end is given beside a rule that finds the ends itself.
    TypeError
        When an end is no datetime.

    Examples
    --------
    >>> from sleepagree import align
    >>> asked = Window(WindowRule.OVERLAP)
    >>> align(reference=["W", "N2", "R"], device=["wake", "light"], window=asked).ledger.window_epochs
    2
    """

    rule: WindowRule | None = None
    begin: datetime | None = None
    end: datetime | None = None

    def __post_init__(self) -> None:
        ends = [name for name in ("begin", "end") if getattr(self, name) is not None]
        for name in ends:
            check_moment(name, getattr(self, name))
        rule = WindowRule.GIVEN if ends else None
        if self.rule is not None:
            rule = take_choice("rule", self.rule, WindowRule)
        if ends and rule is not WindowRule.GIVEN:
            raise ValueError(f"{ends[0]} is for a window by the rule 'given', not by {str(rule)!r}")
        object.__setattr__(self, "rule", rule)

    def rule_for(self, reference: ScoredSpans) -> WindowRule:
        """Return the rule that holds beside a reference."""
        if self.rule is not None:
            return self.rule
        unmarked = reference.lights_off_s is None or reference.lights_on_s is None
        return WindowRule.REFERENCE if unmarked else WindowRule.LIGHTS


def lone_mark_caution(window: Window, reference: ScoredSpans) -> list[Caution]:
    """Tell of a mark that the window passes over because nobody marked the other end, where no window is asked for."""
    is_off, is_on = reference.lights_off_s is not None, reference.lights_on_s is not None
    if window.rule is not None or is_off == is_on:
        return []
    return [Caution.of(CautionKind.LONE_MARK, mark=LIGHTS_OFF if is_off else LIGHTS_ON).of_side("reference")]


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
    ends = [end.strip() for end in word.split("/")]
    try:
        begin, end = (None if end == "lights" else datetime.fromisoformat(end) for end in ends)
    except ValueError:  # of one end, or because there are not two
        expected = "lights, reference, overlap, or FROM/TO in ISO 8601 (either end may be lights)"
        remedy = f"For example {Option.WINDOW:2026-03-01T22:30/2026-03-02T06:45}."
        raise InputError("the window cannot be read", "", f"{Option.WINDOW}", text, expected, remedy) from None
    if begin is None and end is None:
        return Window(WindowRule.LIGHTS)
    return Window(WindowRule.GIVEN, begin, end)


def take_window(given: Window | WindowRule | str | None) -> Window:
    """Return a window given as such, as a rule, or as text that :func:`parse_window` reads; None for the default.

    Raises
    ------
    InputError
        When a text is no window.
    TypeError
        For what is none of these.

    Examples
    --------
    >>> take_window("overlap").rule, take_window(None).rule
    (<WindowRule.OVERLAP: 'overlap'>, None)
    """
    if given is None or isinstance(given, Window):
        return given or Window()
    if isinstance(given, str):
        return parse_window(given)
    raise TypeError(f'window must be a Window or text such as "overlap" or "FROM/TO", not {given!r}')


def window_epochs(
    window: Window,
    reference: ScoredSpans,
    device: ScoredSpans,
    rows: EpochLabels,
    reference_set: StageSet,
    *,
    shift_s: float,
    origin_s: float,
) -> tuple[int, int]:
    """Return the first epoch of the window, and the one after its last, on the grid.

    Parameters
    ----------
    window : Window
        The window asked for.
    reference, device : ScoredSpans
        The two sides.
    rows : EpochLabels
        The reference on the grid.
    reference_set : StageSet
        Its labels.
    shift_s : float
        The device's start after the reference's, the clock offset included (s).
    origin_s : float
        Start of the grid's epoch 0 after the reference's start (s).

    Raises
    ------
    InputError, ClockError
        When the window cannot be placed on this reference.
    PairingError
        When it holds no epoch, or more than a month of them.
    """
    rule = window.rule_for(reference)
    if rule is WindowRule.REFERENCE:
        begin_s, end_s = reference.scored_part_s or _staged_part(rows, reference, reference_set, origin_s)
    elif rule is WindowRule.OVERLAP:
        begin_s, end_s = _overlap(reference, device, shift_s)
    else:
        begin_s, end_s = given_ends(window, reference)
    # the epochs whose midpoint lies in [begin, end); whole milliseconds keep the edge exact
    first, last = (
        math.ceil(round((edge_s - origin_s) * 1000 - EPOCH_S * 500) / (EPOCH_S * 1000)) for edge_s in (begin_s, end_s)
    )
    if 0 < last - first <= MOST_WINDOW_EPOCHS:
        return first, last
    problem, expected = "the window is too long for a night", f"at most {MOST_WINDOW_DAYS} days"
    remedy = f"Look for a date that is wrong, or give {Option.WINDOW}."
    if last <= first:
        problem, expected = "the window holds no epoch", "at least one 30-s epoch"
        remedy = for_page(f"Give another {Option.WINDOW:FROM/TO}.", "Choose another window.")
    found = f"{max(0.0, end_s - begin_s):.0f} s"
    raise PairingError(problem, reference.origin.name, f"window rule {rule}", found, expected, remedy)


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
            raise no_scored_epoch(reference, "reference")
        first, last = int(staged[0]), int(staged[-1])
    return origin_s + (rows.first + first) * EPOCH_S, origin_s + (rows.first + last + 1) * EPOCH_S


def _overlap(reference: ScoredSpans, device: ScoredSpans, shift_s: float) -> tuple[float, float]:
    """Return where nights of both sides first meet and last part; other nights of either file are no part of it."""
    own_s, other_s = reference.nights_s, device.nights_s + shift_s
    begin_s = np.maximum.outer(own_s[:, 0], other_s[:, 0])
    end_s = np.minimum.outer(own_s[:, 1], other_s[:, 1])
    # where no night meets another, the reference lies in a break of the device, or the other way: told by align()
    meet = end_s > begin_s if (end_s > begin_s).any() else slice(None)
    return float(begin_s[meet].min()), float(end_s[meet].max())


#: How a side that a window is laid on is called, and what gives the zone of its clock.
_REFERENCE: Final = "reference", Option.REFERENCE_ZONE
#: The same of a night that stands alone.
LONE_NIGHT: Final = "night", Option.DEVICE_ZONE


def given_ends(window: Window, reference: ScoredSpans, called: tuple[str, Option] = _REFERENCE) -> tuple[float, float]:
    """Return the ends of a window by lights or by the clock in seconds after the reference's start.

    Parameters
    ----------
    window : Window
        By ``LIGHTS`` or ``GIVEN``.
    reference : ScoredSpans
        The side whose clock and marks it goes by.
    called : (str, Option)
        What messages call this side, and the option that gives its zone.

    Raises
    ------
    InputError, ClockError
        When a mark is missing, the end is before the begin, or a moment cannot be placed.
    """
    begin_s = _given_end(window.begin, reference.lights_off_s, LIGHTS_OFF, reference, called)
    end_s = _given_end(window.end, reference.lights_on_s, LIGHTS_ON, reference, called)
    if end_s <= begin_s:
        raise InputError(
            "the window ends before it begins",
            reference.origin.name,
            "window",
            f"{show_time(reference, begin_s)} to {show_time(reference, end_s)}",
            "an end after the begin",
            f"Correct {Option.WINDOW:FROM/TO}.",
        )
    return begin_s, end_s


def _given_end(
    moment: datetime | None, mark_s: float | None, mark: str, reference: ScoredSpans, called: tuple[str, Option]
) -> float:
    side, zone = called
    if moment is None:
        if mark_s is None:
            both = reference.lights_off_s is None and reference.lights_on_s is None
            form = "FROM/TO" if both else "lights/TO" if mark == LIGHTS_ON else "FROM/lights"
            raise InputError(
                f"the window asks for a mark that the file does not hold ('{mark}')",
                reference.origin.name,
                f"{Option.WINDOW}",
                f"no '{mark}'",
                "both lights marks",
                f"Use {Option.WINDOW:reference}, or give the time: {Option.WINDOW:{form}}.",
            )
        return mark_s
    if reference.start is None:
        raise ClockError(
            f"a window by the clock needs a {side} that tells a clock",
            reference.origin.name,
            "start",
            "elapsed time only",
            "a date and time",
            name_begin(reference),
        )
    if moment.tzinfo is None and reference.start.tzinfo is not None:
        moment = _place(moment, reference, reference.start, zone)
    if moment.tzinfo is not None and reference.start.tzinfo is None:
        raise ClockError(
            f"the window tells a zone, the {side} does not",
            reference.origin.name,
            f"{Option.WINDOW}",
            moment.isoformat(),
            f"a time without an offset, or a {side} with a zone",
            f"Give {zone:ZONE}, or the window without offset.",
        )
    return elapsed_seconds(reference.start, moment)


def _place(moment: datetime, reference: ScoredSpans, start: datetime, zone_option: Option) -> datetime:
    """Return a moment without a zone by the clock of the place named for the reference, or else by that of its times.

    One that happens twice or never is refused, and one beside times that have several offsets from UTC.
    """
    zone = named_place(reference) or key_of_zone(start)
    if zone is not None:
        return place_in_zone(moment, zone, where=f"{Option.WINDOW}", remedy="Give the time with its offset from UTC.")
    changed = next((note for note in reference.notes if note.kind is NoteKind.OFFSET_CHANGES), None)
    if changed is not None:
        raise ClockError(
            "the offset from UTC changes in the file, and the window tells none",
            reference.origin.name,
            f"{Option.WINDOW}",
            f"{moment.isoformat()} beside {changed['before']} and {changed['after']}",
            "a time with its offset from UTC, or the zone of the file",
            f"Give both ends with their offsets, or {zone_option:ZONE}.",
        )
    return moment.replace(tzinfo=start.tzinfo)


def no_scored_epoch(spans: ScoredSpans, side: str) -> PairingError:
    """Return the error of a side without any stage."""
    return PairingError(
        f"the {side} has no scored epoch",
        spans.origin.name,
        found=", ".join(f"'{label}'" for label in spans.labels) or "no label at all",
        expected="at least one stage",
        remedy=""
        if spans.origin.reader == "memory"
        else for_page(f"Look at it with {Step.LOOK_AT_FILE}.", "Look whether its labels mean what is said."),
    )


def show_time(spans: ScoredSpans, seconds: float) -> str:
    """Return the time at so many seconds after a side's start, by its clock where it tells one."""
    if spans.start is None:
        return f"{seconds:.0f} s"
    return f"{add_seconds(spans.start, seconds):%Y-%m-%d %H:%M:%S}"
