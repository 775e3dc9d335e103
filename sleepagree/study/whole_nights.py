"""A device over the whole window: its silence counted as an error, and its own totals beside the reference's.

Everything else of a study is said of the epochs that both sides scored. A device that is silent where it would be wrong
looks better there, and the minutes that its owner reads are those of all its epochs.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN
from sleepagree.inference.resampling import SHARE
from sleepagree.inference.table_sums import ratio
from sleepagree.mapping.mapping import StageMapping, unreported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import is_sleep
from sleepagree.scoring.bouts import CHANGES
from sleepagree.study.groups import NightGroups
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import SilenceCounted, Values, WholeTotal

_EPOCH_MIN = EPOCH_S / 60


def count_silence(grouped: NightGroups, mapping: StageMapping, counts: Counts) -> SilenceCounted | None:
    """Return agreement in which an epoch without a stage of the device counts as one in which it is wrong.

    Parameters
    ----------
    grouped : NightGroups
        Nights of one device.
    mapping : StageMapping
        Names the classes; epochs of the reference that it leaves out are not asked.
    counts : int array, shape (nights, reference classes, device classes)
        Epochs that both sides scored.

    Returns
    -------
    SilenceCounted or None
        None without any epoch that the reference gave a class.
    """
    silent = np.array([_silent_epochs(night, mapping) for night in grouped.nights], np.int64)
    agreed = np.array([sum(table[i, j] for j, i in enumerate(mapping.device_index)) for table in counts], np.int64)
    asked = counts.sum(axis=(1, 2)) + silent
    if not asked.sum():
        return None
    by_unit = grouped.sum_by_unit(np.stack((agreed, asked), axis=1))
    kernels, purpose = {"agreement": _share_of_asked}, f"silence {grouped.device}"
    found = grouped.resample(by_unit, kernels, purpose, bounds={"agreement": SHARE})
    return SilenceCounted(found["agreement"][0], int(asked.sum()), int(silent.sum()))


def _share_of_asked(sums: NDArray[Any]) -> Values:
    return ratio(sums[..., 0], sums[..., 1])


def _silent_epochs(night: NightSummary, mapping: StageMapping) -> int:
    """Return how many epochs have a class of the reference and no stage of the device."""
    kept = np.array(mapping.reference_codes(night.reference_set)) >= 0
    has_stage = np.array([False, *night.device_set.scored])
    return int(night.crossed[1:][kept & np.array(night.reference_set.scored)][:, ~has_stage].sum())


def own_totals(grouped: NightGroups, mapping: StageMapping, device_set: StageSet) -> tuple[WholeTotal, ...]:
    """Return total sleep time and minutes of classes of each side's own epochs, with bias and limits of agreement.

    Parameters
    ----------
    grouped : NightGroups
        Nights of one device.
    mapping : StageMapping
        Names the classes.
    device_set : StageSet
        All that the device can report.

    Returns
    -------
    tuple of WholeTotal
        TST and the classes that both sides can have. All epochs of the window that a side scored count, whether or not
        the other side did.
    """
    rows = np.array([_totals_of(night, mapping) for night in grouped.nights])
    names = ("TST", *(f"minutes {c}" for c in mapping.reference_classes))
    lacking = {f"minutes {c}" for c in unreported_classes(mapping, device_set)}
    lacking |= {f"minutes {c}" for c in mapping.reference_classes if c not in mapping.device_classes}
    return tuple(
        WholeTotal(name, grouped.limits(rows[:, 0, k], rows[:, 1, k]))
        for k, name in enumerate(names)
        if name not in lacking and not np.isnan(rows[:, :, k]).all(axis=0).any()
    )


def mean_bouts(grouped: NightGroups) -> tuple[WholeTotal, ...]:
    """Return changes of class an hour and mean lengths of bouts of both sides, with bias and limits of agreement.

    Parameters
    ----------
    grouped : NightGroups
        Nights of one device.

    Returns
    -------
    tuple of WholeTotal
        A night without a bout of a class on a side drops out of that class only.
    """
    out = []
    nights = [dict(zip(night.bout_classes, night.bouts, strict=True)) for night in grouped.nights]
    for name in dict.fromkeys(name for night in nights for name in night):
        reference, device = np.array([night.get(name, (NAN, NAN)) for night in nights]).T
        if not (np.isnan(reference) | np.isnan(device)).all():
            measure, unit = ("changes an hour", "an hour") if name == CHANGES else (f"bout {name}", "min")
            out.append(WholeTotal(measure, grouped.limits(reference, device), unit))
    return tuple(out)


def _totals_of(night: NightSummary, mapping: StageMapping) -> tuple[list[float], list[float]]:
    """Return TST and the minutes of each class of both sides of a night."""
    index = mapping.device_index
    columns = [index[c] if c >= 0 else -1 for c in mapping.device_codes(night.device_set)]
    return (
        _side_totals(
            night.crossed.sum(axis=1)[1:], night.reference_set, mapping.reference_codes(night.reference_set), mapping
        ),
        _side_totals(night.crossed.sum(axis=0)[1:], night.device_set, columns, mapping),
    )


def _side_totals(
    epochs: Counts, stage_set: StageSet, codes: tuple[int, ...] | list[int], mapping: StageMapping
) -> list[float]:
    tst, classes = 0.0, [0.0] * len(mapping.reference_classes)
    for count, stage, code in zip(epochs.tolist(), stage_set.stages, codes, strict=True):
        if code >= 0:
            classes[code] += count * _EPOCH_MIN
        asleep = is_sleep(stage)
        # a word that does not tell sleep from wake leaves a night that has it without a total
        tst += NAN if asleep is None and count and code >= 0 else count * _EPOCH_MIN * bool(asleep)
    return [tst, *(NAN if math.isnan(c) else c for c in classes)]
