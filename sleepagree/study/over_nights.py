"""A device over many nights: where unreported stages went, what bias is made of, and the whole of its window.

Nearly everything of a study is said of the epochs that both sides scored. A device that is silent where it would be
wrong looks better there: silence is counted as an error here, too, and what it gave stands beside all that the
reference scored.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN
from sleepagree.inference.limits import LimitsOfAgreement
from sleepagree.inference.resampling import SHARE, Bounds
from sleepagree.inference.table_sums import ratio
from sleepagree.mapping.label_coverage import LabelCoverage, cover_labels
from sleepagree.mapping.mapping import StageMapping, reported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import COVERAGE, UNSCORED
from sleepagree.scoring.redistribution import LEFT_OUT_COLUMN, account_for_bias, unreported_stages
from sleepagree.scoring.runs import CHANGES
from sleepagree.study.groups import NightGroups
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import (
    FlowInterval,
    SilenceCounted,
    StudyBiasSource,
    StudyDestination,
    StudyMapping,
    StudyRedistribution,
    Values,
    WholeTotal,
)

_EPOCH_MIN: Final = EPOCH_S / 60


def redistribute(
    grouped: NightGroups, mapping: StageMapping, reference: StageSet, device: StageSet
) -> tuple[StudyRedistribution, ...]:
    """Return where each stage went that the device cannot report, with intervals over participants."""
    out = []
    columns = (*mapping.device_classes, LEFT_OUT_COLUMN)
    for stage in unreported_stages(reference, device, mapping):
        by_night, of_class = _stage_by_class(grouped.nights, mapping, stage)
        total = by_night.sum(axis=0)
        if not total.sum():
            out.append(StudyRedistribution(stage, 0, ()))
            continue
        purpose = f"redistribution {grouped.device} {stage}"
        by_unit = grouped.sum_by_unit(by_night)
        shares = grouped.resample(by_unit, {"share": _shares}, purpose, bounds={"share": SHARE})
        minutes = np.asarray(by_night * _EPOCH_MIN, np.float64)
        told = [k for k in range(len(columns)) if k < len(columns) - 1 or total[k]]
        means = {k: grouped.mean_by_unit(minutes[:, k]) for k in told}
        averaged = grouped.average(means, purpose, bounds=dict.fromkeys(told, Bounds(0.0, math.inf)))
        to = tuple(
            StudyDestination(
                columns[k],
                int(total[k]),
                shares["share"][k],
                averaged[k],
                float(total[k] / of_class[k]) if of_class[k] else NAN,
            )
            for k in told
        )
        out.append(StudyRedistribution(stage, int(total.sum()), to))
    return tuple(out)


def _shares(sums: NDArray[Any]) -> Values:
    return ratio(sums, sums.sum(axis=-1, keepdims=True))


def _stage_by_class(
    nights: Sequence[NightSummary], mapping: StageMapping, stage: str
) -> tuple[Counts, NDArray[np.int64]]:
    """Return epochs of one reference stage by device class and night, and all epochs by device class."""
    k = len(mapping.device_classes)
    by_night = np.zeros((len(nights), k + 1), np.int64)
    of_class = np.zeros(k + 1, np.int64)
    for i, night in enumerate(nights):
        codes = [k if c < 0 else c for c in mapping.device_codes(night.device_set)]
        rows = [r for r, s in enumerate(night.reference_set.stages) if s == stage]
        np.add.at(of_class, codes, night.native.sum(axis=0))
        np.add.at(by_night[i], codes, night.native[rows].sum(axis=0))
    return by_night, of_class


def account_over_nights(grouped: NightGroups, first: StudyMapping, device: StageSet) -> tuple[StudyBiasSource, ...]:
    """Return the account of each class's bias, pooled and per night, with t intervals of the flows.

    A class that the device cannot report has no bias to account for.
    """
    mapping = first.mapping
    reported = reported_classes(mapping, device.reportable)
    account = partial(
        account_for_bias, reference_classes=mapping.reference_classes, device_classes=mapping.device_classes
    )
    pooled = account(first.counts)
    means = grouped.mean_by_unit(first.night_counts.reshape(len(grouped.nights), -1).astype(np.float64))
    shape = first.counts.shape
    # the row of the bias table and the account hold one number, whatever sums of floats make of its last digits
    limits = [_limits_of_class(grouped, first, name) for name in mapping.device_classes]
    biases = [found.bias for found in limits]
    per_night = account(means.mean(axis=0).reshape(shape), biases_min=biases)
    tables = means.reshape(-1, *shape) * _EPOCH_MIN
    return tuple(
        StudyBiasSource(
            p,
            n,
            (
                FlowInterval("bias", "", of.bias_low, of.bias_high),
                *_flow_intervals(tables, mapping, p.name, grouped.options.level),
            ),
        )
        for p, n, of in zip(pooled, per_night, limits, strict=True)
        if p.name in reported
    )


def _limits_of_class(grouped: NightGroups, first: StudyMapping, name: str) -> LimitsOfAgreement:
    """Return bias and limits of the minutes of a class."""
    row, column = first.mapping.reference_classes.index(name), first.mapping.device_classes.index(name)
    minutes = first.night_counts[:, row].sum(axis=1), first.night_counts[:, :, column].sum(axis=1)
    return grouped.limits(minutes[0] * _EPOCH_MIN, minutes[1] * _EPOCH_MIN)


def _flow_intervals(tables: Values, mapping: StageMapping, name: str, level: float) -> tuple[FlowInterval, ...]:
    """Return t intervals of the mean over units of each flow; ``tables`` holds minutes a night of each unit.

    Minutes that went somewhere are never below 0, so their intervals are cut there.
    """
    row, column = mapping.reference_classes.index(name), mapping.device_classes.index(name)
    flows = {("from", c): tables[:, i, column] for i, c in enumerate(mapping.reference_classes) if i != row}
    flows |= {("to", c): tables[:, row, j] for j, c in enumerate(mapping.device_classes) if j != column}
    units = len(tables)
    if units < 2:
        return tuple(FlowInterval(way, other, NAN, NAN) for way, other in flows)
    from scipy.special import stdtrit

    reach = float(stdtrit(units - 1, (1 + level) / 2)) / math.sqrt(units)
    ends = {key: (float(v.mean()), reach * float(v.std(ddof=1))) for key, v in flows.items()}
    return tuple(
        FlowInterval(way, other, max(mean - half, 0.0), mean + half) for (way, other), (mean, half) in ends.items()
    )


# --- the whole window -------------------------------------------------------------------------------------


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
    by_unit = grouped.sum_by_unit(np.stack((agreed, asked - agreed), axis=1))
    kernels, purpose = {"agreement": _share_of_asked}, f"silence {grouped.device}"
    found = grouped.resample(by_unit, kernels, purpose, bounds={"agreement": SHARE})
    unscored = sum(_only_by_device(night) for night in grouped.nights)
    outside = sum(_outside_classes(night, mapping) for night in grouped.nights)
    return SilenceCounted(found["agreement"][0], int(asked.sum()), int(silent.sum()), unscored, outside)


def _share_of_asked(sums: NDArray[Any]) -> Values:
    return ratio(sums[..., 0], sums.sum(axis=-1))


def _silent_epochs(night: NightSummary, mapping: StageMapping) -> int:
    """Return how many epochs have a class of the reference and no stage of the device."""
    kept = np.array(mapping.reference_codes(night.reference_set)) >= 0
    silent = ~_has_stage(night.device_set)
    return int(night.crossed[1:][kept & np.array(night.reference_set.scored)][:, silent].sum())


def _only_by_device(night: NightSummary) -> int:
    """Return how many epochs have a stage of the device and none of the reference."""
    return int(night.crossed[~_has_stage(night.reference_set)][:, _has_stage(night.device_set)].sum())


def _outside_classes(night: NightSummary, mapping: StageMapping) -> int:
    """Return how many epochs have a class of the reference and a stage of the device that is in no class."""
    rows = np.array(mapping.reference_codes(night.reference_set)) >= 0
    columns = np.array(mapping.device_codes(night.device_set)) < 0
    return int(night.native[rows][:, columns].sum())


def _has_stage(stage_set: StageSet) -> NDArray[np.bool_]:
    """Return which rows or columns of crossed labels, that of gaps first, are of a stage."""
    return np.array([False, *stage_set.scored])


def own_totals(grouped: NightGroups, mapping: StageMapping, device_set: StageSet) -> tuple[WholeTotal, ...]:
    """Return total sleep time and minutes of classes where the reference gave a stage, with bias and limits.

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
        TST and the classes that both sides can have, of all epochs that the reference scored, whether or not the device
        did: what it did not call anything is missing from its minutes.
    """
    rows = np.array([_totals_of(night, mapping) for night in grouped.nights])
    names = ("TST", *(f"minutes {c}" for c in mapping.reference_classes))
    both = {"TST", *(f"minutes {c}" for c in reported_classes(mapping, device_set.reportable))}
    return tuple(
        WholeTotal(name, grouped.limits(rows[:, 0, k], rows[:, 1, k]))
        for k, name in enumerate(names)
        if name in both and not np.isnan(rows[:, :, k]).all(axis=0).any()
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
    rows = mapping.reference_codes(night.reference_set)
    # where the reference gave no stage, the device's would be a bias that nothing shows
    by_device = night.crossed[_has_stage(night.reference_set)].sum(axis=0)[1:]
    covers = cover_labels(mapping, night.reference_set, night.device_set)
    return (
        _side_totals(night.crossed.sum(axis=1)[1:], covers[0], night.reference_set.stages, rows, mapping),
        _side_totals(by_device, covers[1], night.device_set.stages, columns, mapping),
    )


def _side_totals(
    epochs: Counts, covers: LabelCoverage, stages: Sequence[str], codes: Sequence[int], mapping: StageMapping
) -> list[float]:
    """Return TST and the minutes of each class; nan where the night has a word that may be of it or of another."""
    names = mapping.reference_classes
    tst, classes = 0.0, [0.0] * len(names)
    holds = [{stage for stage, of in mapping.stage_classes if of == name} for name in names]
    for count, may_be, stage, code in zip(epochs.tolist(), covers, stages, codes, strict=True):
        if not count or stage == UNSCORED:
            continue
        general = COVERAGE.get(stage, frozenset())
        if code >= 0:
            classes[code] += count * _EPOCH_MIN
        elif len(general) > 1:
            classes = [NAN if held & general else total for held, total in zip(holds, classes, strict=True)]
        if may_be != {"W"}:
            tst += NAN if "W" in may_be or not may_be else count * _EPOCH_MIN
    return [tst, *classes]
