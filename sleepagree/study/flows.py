"""Where unreported stages went over many nights, and what each class's bias is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN
from sleepagree.inference.resampling import SHARE, Bounds
from sleepagree.inference.table_sums import ratio
from sleepagree.mapping.mapping import StageMapping, unreported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.scoring.bias_sources import account_for_bias
from sleepagree.scoring.redistribution import LEFT_OUT_COLUMN, unreported_stages
from sleepagree.study.groups import NightGroups
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import StudyBiasSource, StudyDestination, StudyMapping, StudyRedistribution, Values


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
        minutes = np.asarray(by_night * (EPOCH_S / 60), np.float64)
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
    unreported = unreported_classes(mapping, device)
    names = {"reference_classes": mapping.reference_classes, "device_classes": mapping.device_classes}
    pooled = account_for_bias(first.counts, **names)
    means = grouped.mean_by_unit(first.night_counts.reshape(len(grouped.nights), -1).astype(np.float64))
    shape = first.counts.shape
    per_night = account_for_bias(means.mean(axis=0).reshape(shape), **names)
    tables = means.reshape(-1, *shape) * (EPOCH_S / 60)
    return tuple(
        StudyBiasSource(p, n, _flow_intervals(tables, mapping, p.name, grouped.options.level))
        for p, n in zip(pooled, per_night, strict=True)
        if p.name not in unreported
    )


def _flow_intervals(
    tables: Values, mapping: StageMapping, name: str, level: float
) -> tuple[tuple[str, float, float], ...]:
    """Return t intervals of the mean over units of each flow; ``tables`` holds minutes a night of each unit.

    Minutes that went somewhere are never below 0, so their intervals are cut there; those of a bias are not.
    """
    row, column = mapping.reference_classes.index(name), mapping.device_classes.index(name)
    flows = {"bias": tables[:, :, column].sum(axis=1) - tables[:, row].sum(axis=1)}
    flows |= {f"from {c}": tables[:, i, column] for i, c in enumerate(mapping.reference_classes) if i != row}
    flows |= {f"to {c}": tables[:, row, j] for j, c in enumerate(mapping.device_classes) if j != column}
    units = len(tables)
    if units < 2:
        return tuple((key, NAN, NAN) for key in flows)
    from scipy.special import stdtrit

    reach = float(stdtrit(units - 1, (1 + level) / 2)) / math.sqrt(units)
    ends = {key: (float(v.mean()), reach * float(v.std(ddof=1))) for key, v in flows.items()}
    return tuple(
        (key, mean - half if key == "bias" else max(mean - half, 0.0), mean + half)
        for key, (mean, half) in ends.items()
    )
