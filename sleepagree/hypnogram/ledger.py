"""What became of every epoch of the window: each has one status, the first that fits, and nothing disappears."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Note
from sleepagree.hypnogram.spans import LabelCodes, frozen_array
from sleepagree.mapping.sets import StageSet

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


def say_status(word: str) -> str:
    """Return the name of a status as words: ``device_gap`` as ``device gap``."""
    return word.replace("_", " ")


def list_excluded(excluded: Iterable[tuple[str, int]]) -> str:
    """Return why epochs were not scored, each reason with its epochs, for a message."""
    return ", ".join(f"{count} {say_status(word)}" for word, count in excluded if count)


#: A plain number: numpy looks at an enum member for array protocols each time it compares with one.
SCORED: Final = int(Status.SCORED)

#: Reasons that every night may have; only a consensus of scorers adds ``REFERENCE_NO_MAJORITY``.
EXCLUDED: Final = (Status.REFERENCE_GAP, Status.REFERENCE_UNSCORED, Status.DEVICE_GAP, Status.DEVICE_UNSCORED)


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
    notes : tuple of Note
        What readers and alignment did that a careful reader would want to know.
    """

    window_epochs: int
    scored: int
    excluded: tuple[tuple[str, int], ...]
    outside_reference: int
    outside_device: int
    reference_labels: tuple[tuple[str, int], ...]
    device_labels: tuple[tuple[str, int], ...]
    notes: tuple[Note, ...] = ()


class CrossedLabels(NamedTuple):
    """Both sides of a window counted against each other.

    Parameters
    ----------
    status : int8 array, shape (n_epochs,)
        :class:`Status` of each epoch.
    counts : int array, shape (1 + reference labels, 1 + device labels)
        Epochs by label of both sides; the first row and column are gaps. All other counts are sums of it.
    scored : int
        Epochs with a stage on both sides.
    excluded : tuple of (str, int)
        How many epochs have each other status, under the words of files.
    native : int array, shape (reference labels, device labels)
        The counts of jointly scored epochs.
    """

    status: NDArray[np.int8]
    counts: NDArray[np.int64]
    scored: int
    excluded: tuple[tuple[str, int], ...]
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
        Whether the reference is a consensus of scorers; its last label then stands for epochs without a majority, which
        have a status of their own.
    """
    width = len(device_set.labels) + 1
    table = _status_by_pair(reference_set, device_set, is_consensus=is_consensus)
    pairs = reference.astype(np.intp)
    pairs *= width
    pairs += device
    pairs += width + 1
    counts = np.bincount(pairs, minlength=table.size)
    by_status = np.bincount(table, counts, len(Status)).astype(np.int64).tolist()
    native = (counts * (table == SCORED)).reshape(-1, width)[1:, 1:]
    reasons = (*EXCLUDED, Status.REFERENCE_NO_MAJORITY) if is_consensus else EXCLUDED
    excluded = tuple((status.word, by_status[status]) for status in reasons)
    status = frozen_array(table[pairs], np.int8)
    return CrossedLabels(status, counts.reshape(-1, width), by_status[SCORED], excluded, frozen_array(native, np.int64))


@lru_cache(maxsize=256)
def _status_by_pair(reference_set: StageSet, device_set: StageSet, *, is_consensus: bool) -> NDArray[np.int8]:
    """Return the status of each pair of labels, flat; the first row and column are gaps."""
    rows = [Status.REFERENCE_GAP, *(None if s else Status.REFERENCE_UNSCORED for s in reference_set.scored)]
    if is_consensus:
        rows[-1] = Status.REFERENCE_NO_MAJORITY
    columns = [Status.DEVICE_GAP, *(Status.SCORED if s else Status.DEVICE_UNSCORED for s in device_set.scored)]
    # the reference's reason comes first
    return np.array([int(column if row is None else row) for row in rows for column in columns], np.int8)


def account_for_epochs(
    crossed: CrossedLabels,
    reference_set: StageSet,
    device_set: StageSet,
    *,
    outside: tuple[int, int],
    notes: tuple[Note, ...],
) -> Ledger:
    """Return the ledger of a window.

    Parameters
    ----------
    crossed : CrossedLabels
        Both sides of the window.
    reference_set, device_set : StageSet
        Their labels.
    outside : (int, int)
        Labelled epochs of either side outside the window.
    notes : tuple of Note
        Of readers and alignment.
    """
    return Ledger(
        crossed.status.size,
        crossed.scored,
        crossed.excluded,
        *outside,
        tuple(zip(reference_set.labels, crossed.counts.sum(axis=1).tolist()[1:], strict=True)),
        tuple(zip(device_set.labels, crossed.counts.sum(axis=0).tolist()[1:], strict=True)),
        notes,
    )
