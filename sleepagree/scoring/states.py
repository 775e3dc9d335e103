"""Which labels of both sides say that somebody sleeps, wakes, is in REM or in deep sleep.

A label is its stage: what a mapping makes of it changes no beginning of sleep. A mapping is asked only about labels
whose stage does not tell: words that its file alone explains, and wake-or-sleep.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final, NamedTuple, TypeAlias

from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import AASM_STAGES, COVERAGE, LEAVE_OUT, UNSCORED, canonical_stage, is_sleep

_HOLDS: Final[Mapping[str, frozenset[str]]] = {
    "sleep": frozenset(AASM_STAGES) - {"W"},
    "wake": frozenset({"W"}),
    "rem": frozenset({"R"}),
    "deep": frozenset({"N3"}),
}

#: The states whose beginnings and ends are told.
STATES: Final = tuple(_HOLDS)

_HeldBy: TypeAlias = Mapping[str, frozenset[str]]


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
    sides = ("reference", reference_set), ("device", device_set)
    held = {} if mapping is None else _stages_of_classes(mapping.read_with(reference_set), sides)
    classes = [_classes_of_labels(mapping, side, stage_set) for side, stage_set in sides]
    tells = [
        tuple(stage != UNSCORED and (is_sleep(stage) is not None or target in held) for stage, target in of_side)
        for of_side in classes
    ]
    found = []
    for state in STATES:
        rows, columns = (
            [told and _says(state, *label, held) for label, told in zip(of_side, tells_of_side, strict=True)]
            for of_side, tells_of_side in zip(classes, tells, strict=True)
        )
        can_say = any(COVERAGE.get(stage, {""}) <= _HOLDS[state] for stage in device_set.reportable) or any(columns)
        if None not in (*rows, *columns) and can_say and any(rows) and not all(rows):
            found.append(LabelsOfState(state, tuple(map(bool, rows)), tuple(map(bool, columns))))
    return StatesTold(tuple(found), *tells)


def _classes_of_labels(mapping: StageMapping | None, side: str, stage_set: StageSet) -> list[tuple[str, str]]:
    """Return stage and class of each label of a side; ``LEAVE_OUT`` without a class."""
    labels = zip(stage_set.labels, stage_set.stages, strict=True)
    if mapping is None:
        return [(stage, LEAVE_OUT) for _, stage in labels]
    return [(stage, mapping.target(side, label, stage) or LEAVE_OUT) for label, stage in labels]


def _stages_of_classes(mapping: StageMapping, sides: tuple[tuple[str, StageSet], ...]) -> _HeldBy:
    """Return the AASM stages that each class is known to hold: by the stages taken into it, else by its name."""
    lines = [*mapping.stage_classes, *mapping.device]
    lines += [line for side, stage_set in sides for line in _classes_of_labels(mapping, side, stage_set)]
    held: dict[str, frozenset[str]] = {name: frozenset() for name in mapping.reference_classes}
    for stage, target in lines:
        if target in held and is_sleep(stage) is not None:
            held[target] |= COVERAGE[stage]
    return {name: stages or COVERAGE.get(canonical_stage(name) or "", stages) for name, stages in held.items()}


def _says(state: str, stage: str, target: str, held: _HeldBy) -> bool | None:
    """Whether a label of that stage and class says a state; None where nobody knows."""
    asked, covers = _HOLDS[state], COVERAGE.get(stage)
    # of sleep that is told no closer, and of wake-or-sleep, nobody says that it is REM or deep
    if covers is not None and (is_sleep(stage) is not None or state in ("rem", "deep")):
        return covers <= asked
    stages = held[target]
    if stages and (stages <= asked or not stages & asked):
        return stages <= asked
    of_others = frozenset[str]().union(*(others for name, others in held.items() if name != target))
    # each stage has one class: where others hold all of the state, this one does not
    return False if not stages and asked <= of_others else None
