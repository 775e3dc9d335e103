"""Two devices on the same nights, and devices against several human scorers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepagree.class_figures import CLASS_STATISTICS
from sleepagree.coefficients import TABLE_STATISTICS
from sleepagree.estimate import NAN
from sleepagree.hypnogram import Counts
from sleepagree.night_summary import NightSummary
from sleepagree.resampling import cluster_bootstrap_all, rng_for
from sleepagree.stages import StageMapping, fitting_mappings
from sleepagree.study_groups import NightGroups, average_units, fold_nights, group_nights, merge_stage_sets
from sleepagree.study_results import (
    DeviceComparison,
    DeviceStudy,
    PairedDifference,
    ScorerSummary,
    StudyOptions,
    Values,
)


def compare_devices(first: DeviceStudy, second: DeviceStudy, options: StudyOptions) -> DeviceComparison | None:
    """Compare two devices on the nights that both have; None where they share none."""
    other = {(n.participant, n.night): n for n in second.nights}
    pairs = [(n, other[n.participant, n.night]) for n in first.nights if (n.participant, n.night) in other]
    if not pairs:
        return None
    mapping = _common_mapping(first, second)
    if mapping is None:
        return None
    grouped = group_nights(tuple(a for a, _ in pairs))
    both = np.stack([fold_nights([a for a, _ in pairs], mapping), fold_nights([b for _, b in pairs], mapping)], axis=1)
    wanted = [s for s in (*TABLE_STATISTICS, *CLASS_STATISTICS) if s.name in ("kappa", "accuracy", "sensitivity")]
    found = cluster_bootstrap_all(
        grouped.sum_by_unit(both),
        {s.name: _difference_of(s.kernel) for s in wanted},
        rng=rng_for(options.seed, f"comparison {first.device} {second.device}"),
        resamples=max(1, options.resamples),
        level=options.level,
        unit=grouped.unit_word,
        bounds={s.name: (s.lower - s.upper, s.upper - s.lower) for s in wanted},
    )
    total = both.sum(axis=0)
    differences = []
    for statistic in wanted:
        values = [np.atleast_1d(statistic.kernel(total[side])) for side in (0, 1)]
        for k, difference in enumerate(found[statistic.name]):
            class_name = mapping.reference_classes[k] if statistic.per_class else ""
            differences.append(
                PairedDifference(statistic.name, class_name, float(values[0][k]), float(values[1][k]), difference)
            )
    differences += _error_differences(first, second, pairs, grouped, options)
    return DeviceComparison(
        first.device, second.device, len(grouped.participants), len(pairs), mapping.name, tuple(differences)
    )


def _common_mapping(first: DeviceStudy, second: DeviceStudy) -> StageMapping | None:
    """Return the finest square mapping that both label sets allow."""
    sets = [
        (merge_stage_sets([n.reference_set for n in d.nights]), merge_stage_sets([n.device_set for n in d.nights]))
        for d in (first, second)
    ]
    allowed = [[m for m in fitting_mappings(*pair) if m.is_square] for pair in sets]
    shared = [m for m in allowed[0] if m in allowed[1]]
    return shared[0] if shared else None


def _difference_of(kernel: Callable[[Counts], Values]) -> Callable[[NDArray[Any]], Values]:
    def difference(tables: NDArray[Any]) -> Values:
        return kernel(tables[..., 1, :, :]) - kernel(tables[..., 0, :, :])

    return difference


def _error_differences(
    first: DeviceStudy,
    second: DeviceStudy,
    pairs: Sequence[tuple[NightSummary, NightSummary]],
    grouped: NightGroups,
    options: StudyOptions,
) -> list[PairedDifference]:
    """Return differences in absolute error of the measures that both devices give."""
    sides = []
    for device, nights in ((first, [a for a, _ in pairs]), (second, [b for _, b in pairs])):
        index = {n.row: i for i, n in enumerate(device.nights)}
        rows = [index[n.row] for n in nights]
        sides.append({b.measure: np.abs(b.device - b.reference)[rows] for b in device.bias})
    errors: dict[str, tuple[Values, Values, Values]] = {}
    for measure in (m for m in sides[0] if m in sides[1] and m != "TIB"):
        one, two = (grouped.mean_by_unit(side[measure]) for side in sides)
        difference = two - one
        if not np.isnan(difference).all():
            errors[measure] = one, two, difference
    differences = average_units(
        {measure: difference for measure, (_, _, difference) in errors.items()},
        grouped,
        options,
        f"errors {first.device} {second.device}",
    )
    out = []
    for measure, (one, two, difference) in errors.items():
        known = ~np.isnan(difference)
        means = float(one[known].mean()), float(two[known].mean())
        out.append(PairedDifference("absolute error", measure, *means, differences[measure]))
    return out


def summarise_scorers(device: DeviceStudy) -> list[ScorerSummary]:
    """Return mean agreement among scorers and with the device, per mapping of the device."""
    nights = [n for n in device.nights if n.scorers]
    names = list(dict.fromkeys(s.mapping for n in nights for s in n.scorers if s.second == "device"))
    out = []
    for mapping in names:
        pairs = [s for n in nights for s in n.scorers if s.mapping == mapping]
        between = _mean([s.kappa for s in pairs if s.second != "device"])
        each = _mean([s.kappa for s in pairs if s.second == "device" and s.first != "consensus"])
        agreed = _mean([s.kappa for s in pairs if s.first == "consensus"])
        share = each / between if between > 0 else NAN
        out.append(ScorerSummary(device.device, mapping, len(nights), between, each, agreed, share))
    return out


def _mean(values: list[float]) -> float:
    known = [v for v in values if not math.isnan(v)]
    return sum(known) / len(known) if known else NAN
