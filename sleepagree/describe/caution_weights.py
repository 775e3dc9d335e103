"""Which cautions are told first."""

from __future__ import annotations

from typing import Final

from sleepagree.caution import Caution, CautionKind

#: Kinds in the order of what they change; others stand behind.
_BY_WEIGHT: Final = (
    # whether the two sides belong together at all
    CautionKind.SAME_FILE,
    CautionKind.SWAPPED,
    CautionKind.NAMES_ALIKE,
    CautionKind.NIGHT_REPEATED,
    # whether they are laid at the right time
    CautionKind.FIRST_EPOCHS_DIFFER,
    CautionKind.LENGTHS_DIFFER,
    CautionKind.CLOCK_ZONE,
    CautionKind.CLOCK_CHANGE,
    CautionKind.CLOCKS_HOURS,
    CautionKind.CLOCK_DOUBT,
    CautionKind.CLOCKS_DOUBTFUL,
    CautionKind.CLOCK_OFFSET,
    CautionKind.CLOCK_JUMP,
    CautionKind.CLOCKS_OFF,
    CautionKind.CLOCK_UNTOLD,
    # how much of what was recorded the figures speak of
    CautionKind.TIME_LEFT_OVER,
    CautionKind.LENGTHS_UNUSED,
    CautionKind.NIGHTS_SPARSE,
    CautionKind.FEW_SCORED,
    CautionKind.NIGHTS_REFUSED,
    # what the device is held to
    CautionKind.REPORTS_CONTRADICT,
    CautionKind.CLASS_UNREPORTABLE,
    CautionKind.REPORTS_FROM_LABELS,
    # how the figures are to be read
    CautionKind.ONE_PARTICIPANT,
    CautionKind.FEW_PARTICIPANTS,
    CautionKind.LONG_WAKE,
    CautionKind.TIME_UNCOUNTED,
    CautionKind.LABEL_UNSCORED,
    CautionKind.CONSENSUS_FLATTERS,
    CautionKind.NOT_COMPARED,
)


def rank_caution(caution: Caution | str) -> int:
    """Return the place of a caution among those that change more, 0 for the gravest."""
    if isinstance(caution, Caution) and caution.kind is CautionKind.ON_NIGHTS:
        return rank_caution(caution["caution"])
    kind = None if isinstance(caution, str) else caution.kind
    return _BY_WEIGHT.index(CautionKind(kind)) if kind in _BY_WEIGHT else len(_BY_WEIGHT)


def is_grave(caution: Caution | str) -> bool:
    """Whether it says that the two sides may not belong together, or lie at a wrong time."""
    return rank_caution(caution) < _BY_WEIGHT.index(CautionKind.TIME_LEFT_OVER)
