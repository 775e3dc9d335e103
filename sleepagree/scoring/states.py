"""Which labels of both sides say that somebody sleeps, wakes, is in REM or in deep sleep.

A label is its stage: what a mapping makes of it changes no beginning of sleep. A mapping is asked only about labels
whose stage does not tell: words that its file alone explains, and wake-or-sleep.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final, NamedTuple

from sleepagree.mapping.label_coverage import cover_labels
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import AASM_STAGES, COVERAGE

_HOLDS: Final[Mapping[str, frozenset[str]]] = {
    "sleep": frozenset(AASM_STAGES) - {"W"},
    "wake": frozenset({"W"}),
    "rem": frozenset({"R"}),
    "deep": frozenset({"N3"}),
}

#: The states whose beginnings and ends are told.
STATES: Final = tuple(_HOLDS)


class LabelsOfState(NamedTuple):
    """The labels that say a state.

    Parameters
    ----------
    state : str
        One of ``STATES``.
    reference, device : tuple of bool
        For each label of the side, whether it says the state.
    """

    state: str
    reference: tuple[bool, ...]
    device: tuple[bool, ...]


class StatesTold(NamedTuple):
    """The states that both sides tell, and by which labels.

    Parameters
    ----------
    labels : tuple of LabelsOfState
        One for each state that labels of the reference tell from others and the device can say, in the order of
        ``STATES``. A state is left out where a label is known only by a class that may hold it or not.
    reference_tells, device_tells : tuple of bool
        For each label, whether it tells anything: neither what is unscored nor a word without a class does.
    """

    labels: tuple[LabelsOfState, ...]
    reference_tells: tuple[bool, ...]
    device_tells: tuple[bool, ...]


@lru_cache(maxsize=256)
def find_states(reference_set: StageSet, device_set: StageSet, mapping: StageMapping | None) -> StatesTold:
    """Return which states both sides tell, and by which labels.

    Parameters
    ----------
    reference_set, device_set : StageSet
        Labels of both sides and their stages.
    mapping : StageMapping or None
        Tells what labels are whose stage does not; without it they tell nothing.

    Examples
    --------
    >>> from sleepagree.mapping.mapping import mapping_named
    >>> from sleepagree.mapping.sets import make_stage_set
    >>> lab, band = (make_stage_set(labels, labels) for labels in (("W", "N1", "N2"), ("W", "light")))
    >>> find_states(lab, band, mapping_named("n1-as-wake")).labels[0]
    LabelsOfState(state='sleep', reference=(False, True, True), device=(False, True))
    """
    covers = cover_labels(mapping, reference_set, device_set)
    sides = list(zip((reference_set.stages, device_set.stages), covers, strict=True))
    found = []
    for state, asked in _HOLDS.items():
        rows, columns = ([_says(asked, *label) for label in zip(*side, strict=True)] for side in sides)
        can_say = any(stage in COVERAGE and COVERAGE[stage] <= asked for stage in device_set.reportable) or any(columns)
        if None not in (*rows, *columns) and can_say and any(rows) and not all(rows):
            found.append(LabelsOfState(state, tuple(map(bool, rows)), tuple(map(bool, columns))))
    reference_tells, device_tells = (tuple(map(bool, of_side)) for of_side in covers)
    return StatesTold(tuple(found), reference_tells, device_tells)


def _says(asked: frozenset[str], stage: str, may_be: frozenset[str]) -> bool | None:
    """Whether a label of that stage, which may stand for some, says a state; None where nobody knows."""
    if stage in COVERAGE and len(asked - {"W"}) == 1:
        # of sleep that is told no closer, and of wake-or-sleep, nobody says that it is REM or deep
        return COVERAGE[stage] <= asked
    if may_be <= asked or not may_be & asked:
        return bool(may_be) and may_be <= asked
    return None
