"""Where the epochs of a stage go that the device cannot report, and what the bias of each class is made of.

Both are exact accounts of counts; nothing is modelled.

The share of a stage that went to a class has two intervals: one for answers that last within an episode, and Wilson's,
which takes epochs as independent.

References
----------
.. [1] Wilson EB. Probable inference, the law of succession, and statistical inference. J Am Stat Assoc
   1927;22:209-212.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN, wilson_interval
from sleepagree.inference.one_night import episode_begins, share_interval
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet, reference_reportable
from sleepagree.mapping.words import AASM_STAGES, COVERAGE, LEAVE_OUT
from sleepagree.scoring.class_sequences import third_of

LEFT_OUT_COLUMN: Final = "left out"

#: REM epochs with less than this between them belong to one episode (common practice, no source).
EPISODE_GAP_MIN: Final = 15.0
GAP_EPOCHS: Final = EPISODE_GAP_MIN * 60 / EPOCH_S

#: Device stages that name an AASM stage of their own; ``sleep``, ``nrem`` and mixtures do not.
_NAMING: Final = frozenset({*AASM_STAGES, "light"})


class Destination(NamedTuple):
    """What part of an unreported stage went to one device class.

    Parameters
    ----------
    name : str
        Device class, or "left out" for device labels that the mapping leaves out.
    epochs : int
        Epochs of the stage that the device called so.
    share, low, high : float
        Share of the stage's epochs, with its Wilson interval.
    primary_low, primary_high : float
        The same share's interval when answers last within an episode; never of width 0.
    share_of_class : float
        What part of the device class these epochs make up; nan for an empty class.
    """

    name: str
    epochs: int
    share: float
    low: float
    high: float
    primary_low: float
    primary_high: float
    share_of_class: float

    @property
    def minutes(self) -> float:
        """Minutes of these epochs."""
        return self.epochs * EPOCH_S / 60


class Episode(NamedTuple):
    """One episode of a stage: its epochs with gaps under 15 min joined.

    Parameters
    ----------
    first_epoch, last_epoch : int
        Position in the window.
    epochs : int
        Jointly scored epochs of the stage inside it.
    to : tuple of (str, int)
        Device class -> epochs.
    """

    first_epoch: int
    last_epoch: int
    epochs: int
    to: tuple[tuple[str, int], ...]


class Redistribution(NamedTuple):
    """Where the epochs of one reference stage went that the device has no label for.

    Parameters
    ----------
    stage : str
        Reference stage.
    epochs : int
        Its jointly scored epochs.
    to : tuple of Destination
        By device class; the epochs add up.
    thirds : tuple of three tuples of (str, int)
        The same epochs by third of the window.
    episodes : tuple of Episode
        The same by episode, for REM only.
    left_out_labels : tuple of str
        The device's labels of those epochs that the mapping leaves out.
    """

    stage: str
    epochs: int
    to: tuple[Destination, ...]
    thirds: tuple[tuple[tuple[str, int], ...], ...] = ()
    episodes: tuple[Episode, ...] = ()
    left_out_labels: tuple[str, ...] = ()

    @property
    def minutes(self) -> float:
        """Minutes of the stage."""
        return self.epochs * EPOCH_S / 60


def unreported_stages(reference: StageSet, device: StageSet, mapping: StageMapping | None = None) -> tuple[str, ...]:
    """Return the stages that the reference can score and that no label of the device names.

    ``light`` names N1 and N2 though it does not tell them apart; ``sleep`` names no stage. A reference of four
    classes has the stage ``light``.
    """
    named = frozenset().union(*(COVERAGE[s] for s in device.reportable if s in _NAMING))
    can_score = reference_reportable(reference)
    traced = (*AASM_STAGES, "light", "nrem")
    if mapping is not None:
        named |= _named_by_classes(mapping)
    return tuple(s for s in traced if s in can_score and s not in device.reportable and not COVERAGE[s] <= named)


def _named_by_classes(mapping: StageMapping) -> frozenset[str]:
    """Return the AASM stages that labels of the device's own name, by the classes that a mapping file takes them into.

    A class may hold REM beside what its labels are for, and N1 beside wake: a device with one word for light sleep and
    REM has none for REM.
    """
    named = frozenset[str]()
    for target in {target for _, target in mapping.device_labels} - {LEAVE_OUT}:
        held = frozenset().union(*(COVERAGE[stage] for stage, of in mapping.stage_classes if of == target))
        own = held - {"R"} or held
        own -= {"N1"} if "W" in own else set()
        if any(own <= COVERAGE[stage] for stage in _NAMING):
            named |= own
    return named


def trace_unreported_stage(
    stage: str,
    *,
    is_stage: NDArray[np.bool_],
    device_classes: NDArray[np.integer],
    names: Sequence[str],
    level: float = 0.95,
) -> Redistribution:
    """Follow the epochs of one reference stage.

    Parameters
    ----------
    stage : str
        Name of the stage.
    is_stage : bool array, shape (n_epochs,)
        Jointly scored epochs that the reference scores so, for every epoch of the window.
    device_classes : int array, shape (n_epochs,)
        Device class of every epoch of the window: position in ``names``, ``len(names)`` where the mapping
        leaves the label out, -1 where the epoch is not jointly scored.
    names : sequence of str
        Device classes.
    level : float
        Confidence level.
    """
    columns = (*names, LEFT_OUT_COLUMN)
    goes_to = np.bincount(device_classes[is_stage], minlength=len(columns))
    of_class = np.bincount(device_classes[device_classes >= 0], minlength=len(columns))
    total = int(goes_to.sum())
    low, high = wilson_interval(goes_to, np.full(len(columns), total), level=level)
    at = np.flatnonzero(is_stage)
    begins = episode_begins(at, longest_gap=GAP_EPOCHS)
    primary = [share_interval(device_classes[at] == i, begins, level=level) for i in range(len(columns))]
    to = tuple(
        Destination(
            name,
            int(goes_to[i]),
            float(goes_to[i] / total) if total else NAN,
            float(low[i]),
            float(high[i]),
            primary[i].low,
            primary[i].high,
            float(goes_to[i] / of_class[i]) if of_class[i] else NAN,
        )
        for i, name in enumerate(columns)
        if i < len(names) or goes_to[i]
    )

    def count(classes: NDArray[np.integer]) -> tuple[tuple[str, int], ...]:
        counts = np.bincount(classes, minlength=len(columns))
        return tuple((destination.name, int(counts[columns.index(destination.name)])) for destination in to)

    third = third_of(at, is_stage.size)
    thirds = tuple(count(device_classes[at[third == part]]) for part in range(3))
    episodes = np.split(at, np.flatnonzero(begins)[1:]) if stage == "R" and at.size else ()
    told = (Episode(int(own[0]), int(own[-1]), own.size, count(device_classes[own])) for own in episodes)
    return Redistribution(stage, total, to, thirds, tuple(told))


# --- what the bias of each class is made of ---------------------------------------------------------------


class BiasSource(NamedTuple):
    """The exact account of one class's bias in minutes: gained, lost, net.

    Parameters
    ----------
    name : str
        The class.
    bias_min : float
        Device minus reference.
    gained : tuple of (str, float)
        Reference class -> minutes that the device called this class.
    lost : tuple of (str, float)
        Device class -> minutes of this class that the device called so.
    without_unreported_min : float
        The bias when the epochs of unreported classes are left out; nan when the device can say every class.
    returned_to : str
        The class that took most of the unreported epochs, "" when there are none.
    returned_min : float
        The bias when the reference's unreported epochs are counted as ``returned_to``; nan as above.
    """

    name: str
    bias_min: float
    gained: tuple[tuple[str, float], ...]
    lost: tuple[tuple[str, float], ...]
    without_unreported_min: float = NAN
    returned_to: str = ""
    returned_min: float = NAN


def account_for_bias(
    counts: Counts,
    *,
    reference_classes: Sequence[str],
    device_classes: Sequence[str],
    biases_min: Sequence[float] | None = None,
) -> tuple[BiasSource, ...]:
    """Return where the bias of each class both sides can say comes from.

    Parameters
    ----------
    counts : int array, shape (reference classes, device classes)
        Epochs.
    reference_classes, device_classes : sequence of str
        Names of rows and columns; the columns' are among the rows'.
    biases_min : sequence of float, optional
        The bias of each device class, where ``counts`` are means and it is told elsewhere, too: sums of floats may part
        in their last digits, which decide how a figure is rounded. Default: that of the counts.

    Returns
    -------
    tuple of BiasSource
        In each, bias = sum of gained - sum of lost: exactly, of whole epochs.
    """
    minutes = np.asarray(counts, np.float64) * (EPOCH_S / 60)
    rows, columns = list(reference_classes), list(device_classes)
    unreported = [i for i, name in enumerate(rows) if name not in columns]
    per_column = minutes[unreported].sum(axis=0)
    best = int(per_column.argmax()) if unreported and per_column.any() else -1
    sources = []
    for column, name in enumerate(columns):
        row = rows.index(name)
        own = float(minutes[:, column].sum() - minutes[row].sum())
        bias = own if biases_min is None else biases_min[column]
        gained = tuple((other, float(minutes[i, column])) for i, other in enumerate(rows) if i != row)
        lost = tuple((other, float(minutes[row, j])) for j, other in enumerate(columns) if j != column)
        source = BiasSource(name, bias, gained, lost)
        if unreported:
            source = source._replace(
                without_unreported_min=bias - float(minutes[unreported, column].sum()),
                returned_to=columns[best] if best >= 0 else "",
                returned_min=bias - (float(minutes[unreported].sum()) if column == best else 0.0),
            )
        sources.append(source)
    return tuple(sources)
