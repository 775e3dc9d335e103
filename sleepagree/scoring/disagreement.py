"""Disagreement in time: runs, boundaries, lateness, and bouts that the device never sees.

The two sides are compared epoch by epoch under one mapping. Epochs that one side did not score are not here;
where they were taken out, the epoch numbers jump. Such a gap ends every run and every bout, and a change of
stage across it is not a transition: nobody knows what happened inside.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.hypnogram.zones import add_seconds
from sleepagree.inference.estimate import NAN
from sleepagree.scoring.class_sequences import third_of
from sleepagree.scoring.following import Following, StateShifts, describe_following
from sleepagree.scoring.runs import Bouts, Epochs, Flags, Runs, check_sequences, count_runs

ClassCodes: TypeAlias = NDArray[Any]

BOUT_LENGTHS_MIN: Final = (0.5, 1.0, 2.0, 5.0, 10.0)
"""Lower ends of the classes of bout length; the last one is open."""


class NearTransitions(NamedTuple):
    """Disagreement close to transitions of the reference.

    Parameters
    ----------
    within_epochs : int
        1: the last epoch before a transition and the first after it; 2: two on each side; and so on.
    epochs : int
        Epochs that close.
    disagreeing : int
        Those of them that disagree.
    share_of_epochs : float
        ``epochs`` among all; what the next share would be if disagreement did not care for transitions.
    share_of_disagreement : float
        ``disagreeing`` among all epochs that disagree; nan when none does.
    """

    within_epochs: int
    epochs: int
    disagreeing: int
    share_of_epochs: float
    share_of_disagreement: float


class PartAgreement(NamedTuple):
    """Agreement in one part of the night.

    Parameters
    ----------
    part : str
        "first", "middle" or "last" third, or the hour of the clock ("23"); an hour that comes twice because the clock
        goes back has its offset from UTC, too ("03 +0300").
    epochs, agreeing : int
        Scored epochs of the part, and those that agree.
    agreement : float
        Share; nan without epochs.
    """

    part: str
    epochs: int
    agreeing: int
    agreement: float


class ClassBouts(NamedTuple):
    """Bouts of one class on both sides.

    Parameters
    ----------
    name : str
        The class.
    reference_bouts, device_bouts : int
        Bouts; a gap ends a bout.
    reference_mean_min, device_mean_min : float
        Mean length; nan without bouts.
    """

    name: str
    reference_bouts: int
    device_bouts: int
    reference_mean_min: float
    device_mean_min: float


class BoutsSeen(NamedTuple):
    """Bouts of the reference, by class and length, and how many of them the device saw.

    Parameters
    ----------
    name : str
        The class.
    from_min, to_min : float
        Length of the bouts: ``from_min`` up to but not including ``to_min``, which may be infinite.
    bouts, seen : int
        Bouts of that length, and those in which the device says the class in at least one epoch.
    share : float
        ``seen`` among ``bouts``; nan without bouts.
    epochs, epochs_seen : int
        Epochs of these bouts, and those in which the device says the class.
    """

    name: str
    from_min: float
    to_min: float
    bouts: int
    seen: int
    share: float
    epochs: int
    epochs_seen: int


@dataclass(frozen=True)
class Disagreement:
    """How the disagreement of one night lies in time.

    Parameters
    ----------
    classes : tuple of str
        Classes of the mapping.
    epochs, agreeing : int
        Scored epochs that are judged, and those that agree.
    unreported_epochs : int
        Scored epochs of classes that the device cannot report. They are judged nowhere here: no error of theirs is
        one that the device could have avoided.
    gaps : int
        Places where the epoch numbers jump.
    runs : Runs
        Runs of disagreement.
    near_transitions : tuple of NearTransitions
        Within 1 and 2 epochs.
    thirds : tuple of PartAgreement
        Agreement by third of the window.
    hours : tuple of PartAgreement
        Agreement by hour of the clock, in the night's order; empty without a clock.
    reference_transitions, device_transitions : int
        Changes of class between neighbouring scored epochs.
    reference_transitions_per_h, device_transitions_per_h : float
        Per hour of scored time.
    bouts : tuple of ClassBouts
        One for each class.
    seen : tuple of BoutsSeen
        One for each class and length.
    following : tuple of Following
        One for each kind of transition that occurs, the commonest first.
    shifts : tuple of StateShifts
        How late the device says that sleep, wake, REM and deep sleep begin and end, for those that the stages of both
        sides tell; the classes do not matter.
    epoch_s : float
        Length of an epoch (s).
    """

    classes: tuple[str, ...]
    epochs: int
    agreeing: int
    unreported_epochs: int
    gaps: int
    runs: Runs
    near_transitions: tuple[NearTransitions, ...]
    thirds: tuple[PartAgreement, ...]
    hours: tuple[PartAgreement, ...]
    reference_transitions: int
    device_transitions: int
    reference_transitions_per_h: float
    device_transitions_per_h: float
    bouts: tuple[ClassBouts, ...]
    seen: tuple[BoutsSeen, ...]
    following: tuple[Following, ...]
    shifts: tuple[StateShifts, ...]
    epoch_s: float = EPOCH_S


def describe_disagreement(
    reference_codes: ClassCodes,
    device_codes: ClassCodes,
    epoch_numbers: ClassCodes,
    *,
    classes: tuple[str, ...],
    window_epochs: int | None = None,
    begin: datetime | None = None,
    unreported: Collection[str] = (),
    shifts: tuple[StateShifts, ...] = (),
) -> Disagreement:
    """Return how the disagreement of one night lies in time.

    Parameters
    ----------
    reference_codes, device_codes : int arrays of shape (n_epochs,)
        Class of each jointly scored epoch, in order of time; positions in ``classes``.
    epoch_numbers : int array of shape (n_epochs,)
        Number of each of these epochs in the window, rising; a jump is a gap.
    classes : tuple of str
        Names of the classes. A class that the device cannot report may be among them.
    window_epochs : int, optional
        Epochs of the window, which is cut into thirds; by default the window ends with the last epoch.
    begin : datetime, optional
        When epoch 0 begins, by the clock on the wall (naive, or aware in the zone of the bedroom).
    unreported : collection of str
        Classes that the device cannot report. Their epochs are left out of runs, of agreement by part of the night and
        close to transitions, and counted.
    shifts : tuple of StateShifts
        How late states begin and end, which the stages tell and not the classes.

    Returns
    -------
    Disagreement

    Raises
    ------
    ValueError
        If the arrays are empty, differ in length, or hold a code or number out of range.

    Examples
    --------
    >>> found = describe_disagreement(
    ...     np.array([0, 0, 1, 1, 1, 1]), np.array([0, 1, 1, 0, 0, 1]), np.arange(6), classes=("wake", "sleep")
    ... )
    >>> found.runs.count, found.runs.lengths, found.runs.longest_from, found.runs.longest_to
    (2, ((1, 1), (2, 1)), 3, 4)
    """
    reference = np.asarray(reference_codes).astype(np.int64)
    device = np.asarray(device_codes).astype(np.int64)
    numbers = np.asarray(epoch_numbers).astype(np.int64)
    check_sequences(reference, device, numbers, len(classes), window_epochs)
    joined = np.diff(numbers) == 1  # whether epoch i + 1 follows epoch i without a gap
    judged = ~np.isin(reference, [i for i, name in enumerate(classes) if name in unreported])
    wrong = (reference != device) & judged
    errors, kept = wrong[judged], numbers[judged]
    reference_bouts = Bouts.of(reference, joined)
    device_bouts = Bouts.of(device, joined)
    hours = reference.size * EPOCH_S / 3600.0
    reference_changes, device_changes = (bouts.changes(joined) for bouts in (reference_bouts, device_bouts))
    return Disagreement(
        classes=classes,
        epochs=kept.size,
        agreeing=int(kept.size - np.count_nonzero(wrong)),
        unreported_epochs=int(reference.size - kept.size),
        gaps=int(joined.size - np.count_nonzero(joined)),
        runs=count_runs(reference[judged], errors, np.diff(kept) == 1, kept, len(classes)),
        near_transitions=_near_transitions(reference, wrong, joined, judged),
        thirds=_by_third(errors, kept, int(numbers[-1]) + 1 if window_epochs is None else window_epochs),
        hours=() if begin is None or not kept.size else _by_hour(errors, kept, begin),
        reference_transitions=reference_changes,
        device_transitions=device_changes,
        reference_transitions_per_h=reference_changes / hours,
        device_transitions_per_h=device_changes / hours,
        bouts=_class_bouts(reference_bouts, device_bouts, classes),
        seen=_bouts_seen(reference_bouts, reference == device, classes),
        following=describe_following(reference_bouts, device, joined, classes),
        shifts=shifts,
    )


# ----------------------------------------------------------------------------------------- where in the night


def _near_transitions(reference: Epochs, wrong: Flags, joined: Flags, judged: Flags) -> tuple[NearTransitions, ...]:
    close = np.zeros(reference.size, dtype=np.bool_)
    change = joined & (reference[1:] != reference[:-1])
    close[1:] |= change
    close[:-1] |= change
    total, all_judged = int(np.count_nonzero(wrong)), int(np.count_nonzero(judged))
    found = []
    for within in (1, 2):
        if within > 1:
            spread = close.copy()
            spread[1:] |= close[:-1] & joined
            spread[:-1] |= close[1:] & joined
            close = spread
        epochs = int(np.count_nonzero(close & judged))
        disagreeing = int(np.count_nonzero(close & wrong))
        shares = epochs / all_judged if all_judged else NAN, disagreeing / total if total else NAN
        found.append(NearTransitions(within, epochs, disagreeing, *shares))
    return tuple(found)


def _part(name: str, epochs: int, wrong: int) -> PartAgreement:
    agreeing = epochs - wrong
    return PartAgreement(name, epochs, agreeing, agreeing / epochs if epochs else NAN)


def _by_third(wrong: Flags, numbers: Epochs, window_epochs: int) -> tuple[PartAgreement, ...]:
    third = third_of(numbers, window_epochs)
    epochs = np.bincount(third, minlength=3).tolist()
    errors = np.bincount(third[wrong], minlength=3).tolist()
    return tuple(
        _part(name, *figures) for name, *figures in zip(("first", "middle", "last"), epochs, errors, strict=True)
    )


def _by_hour(wrong: Flags, numbers: Epochs, begin: datetime) -> tuple[PartAgreement, ...]:
    moments = [add_seconds(begin, number * EPOCH_S) for number in numbers.tolist()]
    # where a clock goes back an hour comes twice: each is told with its offset
    twice = {moment.hour for moment in moments if moment.fold} & {moment.hour for moment in moments if not moment.fold}
    names = [f"{moment:%H %z}" if moment.hour in twice else f"{moment:%H}" for moment in moments]
    # a night longer than a day comes to an hour again; its epochs are taken together
    order = {name: place for place, name in enumerate(dict.fromkeys(names))}
    hour = np.array([order[name] for name in names])
    epochs = np.bincount(hour, minlength=len(order)).tolist()
    errors = np.bincount(hour[wrong], minlength=len(order)).tolist()
    return tuple(_part(*figures) for figures in zip(order, epochs, errors, strict=True))


# ------------------------------------------------------------------------------------------------------ bouts


def _class_bouts(reference: Bouts, device: Bouts, classes: tuple[str, ...]) -> tuple[ClassBouts, ...]:
    figures = []
    for side in (reference, device):
        bouts, epochs = side.of_classes(len(classes))
        figures += [bouts.tolist(), (epochs * EPOCH_S / 60.0).tolist()]
    return tuple(
        ClassBouts(name, reference_bouts, device_bouts, reference_mean, device_mean)
        for name, reference_bouts, reference_mean, device_bouts, device_mean in zip(classes, *figures, strict=True)
    )


def _bouts_seen(reference: Bouts, right: Flags, classes: tuple[str, ...]) -> tuple[BoutsSeen, ...]:
    seen_epochs = np.add.reduceat(right.astype(np.int64), reference.begin)
    minutes = reference.length * (EPOCH_S / 60.0)
    column = np.searchsorted(BOUT_LENGTHS_MIN, minutes + 1e-9, side="right") - 1
    columns = len(BOUT_LENGTHS_MIN)
    cell = reference.code * columns + column
    cells = len(classes) * columns
    bouts = np.bincount(cell, minlength=cells)
    seen = np.bincount(cell[seen_epochs > 0], minlength=cells)
    epochs = np.bincount(cell, weights=reference.length, minlength=cells).astype(np.int64)
    epochs_seen = np.bincount(cell, weights=seen_epochs, minlength=cells).astype(np.int64)
    share = np.divide(seen, bouts, out=np.full(cells, np.nan), where=bouts > 0)
    ends = (*BOUT_LENGTHS_MIN[1:], math.inf)
    figures = zip(bouts.tolist(), seen.tolist(), share.tolist(), epochs.tolist(), epochs_seen.tolist(), strict=True)
    return tuple(
        BoutsSeen(classes[at // columns], BOUT_LENGTHS_MIN[at % columns], ends[at % columns], *figure)
        for at, figure in enumerate(figures)
    )
