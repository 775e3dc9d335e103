"""How late the device follows the reference: from one class to another, and when a state begins and ends."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import compress, pairwise
from typing import NamedTuple

import numpy as np

from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping
from sleepagree.scoring.runs import Bouts, Epochs, Flags
from sleepagree.scoring.states import LabelsOfState, find_states


class Following(NamedTuple):
    """How late the device follows one kind of transition of the reference.

    Parameters
    ----------
    before, after : str
        The transition.
    transitions : int
        How often the reference makes it.
    followed : int
        How often the device comes to ``after`` while the reference is there, or is there already and came
        during the reference's bout of ``before``.
    already_there : int
        How often the device said ``after`` throughout the bout of ``before``: there was nothing to follow.
    never : int
        How often the device does not say ``after`` until the reference leaves it.
    median_min, earliest_min, latest_min : float
        Lateness of those followed, negative when the device came first; nan when none is followed.
    """

    before: str
    after: str
    transitions: int
    followed: int
    already_there: int
    never: int
    median_min: float
    earliest_min: float
    latest_min: float


class Shifts(NamedTuple):
    """How late the device says one kind of moment of the reference: all beginnings, or all ends, of a state.

    Parameters
    ----------
    moments : int
        How many the reference has.
    followed : int
        Those at which the device comes to the state (leaves it) as well.
    already : int
        Those before (after) which the device says the state all the time since the reference last left it (until the
        reference comes to it again): there is no moment of the device to go with it.
    missed : int
        Those in whose episode the device never says the state.
    low_quartile_min, median_min, high_quartile_min : float
        Device minus reference of those followed: negative when the device is early; nan when none is followed.
    """

    moments: int
    followed: int
    already: int
    missed: int
    low_quartile_min: float
    median_min: float
    high_quartile_min: float


class StateShifts(NamedTuple):
    """How late the device says that a state begins, and that it ends.

    Parameters
    ----------
    state : str
        "sleep" (any stage but wake), "wake", "rem" or "deep".
    starts, ends : Shifts
        Of the episodes of the reference.
    """

    state: str
    starts: Shifts
    ends: Shifts


class _Changes(NamedTuple):
    """Changes of the reference, and what the device does at each."""

    at: Epochs
    before: Epochs
    after: Epochs
    late: Epochs
    followed: Flags
    already: Flags
    never: Flags

    @classmethod
    def of(cls, bouts: Bouts, device: Epochs, joined: Flags) -> _Changes:
        n = device.size
        nth = np.flatnonzero(joined[bouts.begin[1:] - 1]) + 1  # bouts that a gap does not part from the one before
        before, after = bouts.code[nth - 1], bouts.code[nth]
        change, leave, since = bouts.begin[nth], bouts.end[nth], bouts.begin[nth - 1]
        begin = np.concatenate(([0], np.flatnonzero(device[1:] != device[:-1]) + 1))  # where the device changes
        says_before, says_now = device[change - 1] == after, device[change] == after
        # only of use where the device is there before: the begin of its stretch that holds the epoch before
        came = np.maximum(begin[np.searchsorted(begin, change, side="left") - 1], since)
        # only of use where it is not there yet: the next of its stretches of the class, from all by class and time
        stretches = np.append(np.sort(device[begin] * n + begin), np.iinfo(np.int64).max)
        upcoming = stretches[np.searchsorted(stretches, after * n + change)] - after * n
        first = np.where(says_now, change, np.minimum(upcoming, n))
        there_before = says_before & says_now
        already = there_before & (came == since)
        late = np.where(there_before, came - change, first - change)
        never = ~there_before & (first >= leave)
        return cls(change, before, after, late, ~already & ~never, already, never)


def describe_following(bouts: Bouts, device: Epochs, joined: Flags, classes: tuple[str, ...]) -> tuple[Following, ...]:
    """Return how late the device follows each kind of transition of the reference."""
    changes = _Changes.of(bouts, device, joined)
    kind = changes.before * len(classes) + changes.after
    order = np.argsort(-np.bincount(kind, minlength=len(classes) ** 2), kind="stable")
    found = []
    for which in order.tolist():
        of_kind = kind == which
        transitions = int(np.count_nonzero(of_kind))
        if transitions == 0:
            break
        minutes = changes.late[of_kind & changes.followed] * (EPOCH_S / 60.0)
        found.append(
            Following(
                classes[which // len(classes)],
                classes[which % len(classes)],
                transitions,
                minutes.size,
                int(np.count_nonzero(of_kind & changes.already)),
                int(np.count_nonzero(of_kind & changes.never)),
                _quartiles(minutes.tolist())[1],
                float(minutes.min()) if minutes.size else NAN,
                float(minutes.max()) if minutes.size else NAN,
            )
        )
    return tuple(found)


def shifts_of_night(paired: PairedNight, mapping: StageMapping | None) -> tuple[StateShifts, ...]:
    """Return how late the device says that each state begins and ends, by the stages of both sides.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    mapping : StageMapping or None
        Tells what labels are whose stage does not: words that its file explains. It changes nothing else.

    Returns
    -------
    tuple of StateShifts
        In the order of ``STATES``, those that the reference tells from others and the device can say.
    """
    told = find_states(paired.reference_set, paired.device_set, mapping)
    tells = [np.array([*side, False]) for side in (told.reference_tells, told.device_tells)]
    at = np.flatnonzero(paired.scored & tells[0][paired.reference] & tells[1][paired.device])
    return describe_shifts(
        paired.reference[at].astype(np.int64), paired.device[at].astype(np.int64), np.diff(at) == 1, told.labels
    )


def describe_shifts(
    reference: Epochs, device: Epochs, joined: Flags, states: Sequence[LabelsOfState]
) -> tuple[StateShifts, ...]:
    """Return how late the device says that each of some states begins and ends.

    Parameters
    ----------
    reference, device : int arrays of shape (n_epochs,)
        Label of each jointly scored epoch.
    joined : bool array of shape (n_epochs - 1,)
        Whether an epoch is followed by the next without a gap.
    states : sequence of LabelsOfState
        Which labels say each state.
    """
    if not states or not reference.size:
        return ()
    says: list[Flags] = []
    said: list[Flags] = []
    for state in states:
        # a state ends where it begins when the night is read backwards
        own, other = np.array(state.reference)[reference], np.array(state.device)[device]
        says += own, own[::-1]
        said += other, other[::-1]
    # all of it is read in one go, with gaps between
    joined = np.concatenate((joined, [False], joined[::-1], [False]) * len(states))[:-1]
    both = [np.concatenate(flags).astype(np.int64) for flags in (says, said)]
    changes = _Changes.of(Bouts.of(both[0], joined), both[1], joined)
    into = changes.after == 1
    figures = [f[into].tolist() for f in (changes.late, changes.followed, changes.already, changes.never)]
    bounds = np.searchsorted(changes.at[into], np.arange(len(says) + 1) * reference.size).tolist()
    readings = [[figure[a:b] for figure in figures] for a, b in pairwise(bounds)]
    return tuple(
        StateShifts(told.state, _shifts(EPOCH_S, *forwards), _shifts(-EPOCH_S, *backwards))
        for told, forwards, backwards in zip(states, readings[::2], readings[1::2], strict=True)
    )


def _shifts(
    step_s: float, late: Sequence[int], followed: Sequence[bool], already: Sequence[bool], never: Sequence[bool]
) -> Shifts:
    """Return shifts from how late each moment is, and whether it is followed, already there, never there."""
    minutes = [epochs * (step_s / 60.0) + 0.0 for epochs in compress(late, followed)]  # never -0.0
    return Shifts(len(late), len(minutes), sum(already), sum(never), *_quartiles(minutes))


def _quartiles(minutes: Sequence[float]) -> tuple[float, float, float]:
    """Return the quartiles between neighbours as np.quantile does, which would load masked arrays for it."""
    if not minutes:
        return NAN, NAN, NAN
    ordered, last = sorted(minutes), len(minutes) - 1
    places = [(share * last, int(share * last)) for share in (0.25, 0.5, 0.75)]
    low, middle, high = ((ordered[min(i + 1, last)] - ordered[i]) * (at - i) + ordered[i] for at, i in places)
    return low, middle, high
