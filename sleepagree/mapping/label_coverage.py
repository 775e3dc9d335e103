"""Which AASM stages a label may stand for: by its stage, or by its class where a mapping alone explains it.

A mapping file may name labels of which no reader knows the stage, and a device may have a word for wake or sleep alike.
What such a label is follows from the class it stands in, as far as that is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final, TypeAlias

from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import AASM_STAGES, COVERAGE, canonical_stage, is_sleep

#: For each label of a side the AASM stages that it may stand for; none for one that is in no class and tells nothing.
LabelCoverage: TypeAlias = tuple[frozenset[str], ...]
#: Labels of a side, and the position of the class of each; -1 is none.
Placed: TypeAlias = tuple[StageSet, Sequence[int]]

_ANY: Final = frozenset(AASM_STAGES)
_SLEEP: Final = _ANY - {"W"}


@lru_cache(maxsize=256)
def cover_labels(
    mapping: StageMapping | None, reference_set: StageSet, device_set: StageSet
) -> tuple[LabelCoverage, LabelCoverage]:
    """Return what the labels of reference and device may stand for under a mapping, or without one.

    Examples
    --------
    >>> from sleepagree.mapping.mapping import mapping_named
    >>> from sleepagree.mapping.sets import make_stage_set
    >>> lab, band = (make_stage_set(labels, labels) for labels in (("W", "N2"), ("W", "light", "wake-or-sleep")))
    >>> [sorted(covers) for covers in cover_labels(mapping_named("either-as-wake"), lab, band)[1]]
    [['W'], ['N1', 'N2'], ['W']]
    """
    if mapping is None:
        reference, device = (_cover((side, [-1] * len(side.stages)), []) for side in (reference_set, device_set))
        return reference, device
    mapping = mapping.read_with(reference_set)
    sides = (reference_set, mapping.reference_codes(reference_set)), (device_set, mapping.device_rows(device_set))
    of_classes = _cover_classes(mapping, *sides)
    return _cover(sides[0], of_classes), _cover(sides[1], of_classes)


def cover_device(mapping: StageMapping, device_set: StageSet) -> LabelCoverage:
    """Return what the labels of a device may stand for where no reference is beside it."""
    side = device_set, mapping.device_rows(device_set)
    return _cover(side, _cover_classes(mapping, side))


def known_in_classes(mapping: StageMapping, *sides: Placed) -> list[frozenset[str]]:
    """Return the AASM stages that are known to be in each class: by its name, by lines of the mapping, by labels."""
    names = mapping.reference_classes
    told = [(canonical_stage(name) or "", name) for name in names]
    told += (*mapping.stage_classes, *mapping.device)
    told += [(s, names[c]) for side, codes in sides for s, c in zip(side.stages, codes, strict=True) if c >= 0]
    known = {name: frozenset[str]() for name in names}
    for stage, name in told:
        if name in known and is_sleep(stage) is not None:
            known[name] |= COVERAGE[stage]
    return list(known.values())


def _cover_classes(mapping: StageMapping, *sides: Placed) -> list[frozenset[str]]:
    """Return what a word in each class may be: where nothing is known of it, all that is in no other class."""
    known = known_in_classes(mapping, *sides)
    unknown = _ANY.difference(*known)
    if len(unknown) < 2:  # two classes may share a stage: that one alone is left does not say that it is this one
        unknown = _ANY if "W" in unknown else _SLEEP
    return [stages or unknown for stages in known]


def _cover(side: Placed, of_classes: Sequence[frozenset[str]]) -> LabelCoverage:
    labels = zip(side[0].stages, side[1], strict=True)
    return tuple(
        COVERAGE[stage] if is_sleep(stage) is not None else of_classes[code] if code >= 0 else frozenset()
        for stage, code in labels
    )
