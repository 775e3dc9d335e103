"""Two devices on the same nights, and devices against several human scorers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepagree.agreement import CLASS_STATISTICS, TABLE_STATISTICS
from sleepagree.estimate import NAN, undefined
from sleepagree.hypnogram import Counts
from sleepagree.night_summary import NightSummary
from sleepagree.resampling import BootstrapIntervals, cluster_bootstrap_all, rng_for
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


def summarise_scorers(device: DeviceStudy, options: StudyOptions) -> list[ScorerSummary]:
    """Return mean agreement among scorers and with the device, per mapping of the device.

    Parameters
    ----------
    device : DeviceStudy
        The device.
    options : StudyOptions
        Resamples, seed and level of the share's interval.

    Returns
    -------
    list of ScorerSummary
        One for each mapping under which the device was compared with single scorers. All kappas of one summary are
        of the same nights: those that have each of them. What a device can report, and with it the mapping, may
        differ from night to night; a kappa of other nights would make the share one of unlike things.
    """
    several = [n for n in device.nights if n.scorers]
    names = list(dict.fromkeys(s.mapping for n in several for s in n.scorers if s.second == "device"))
    return [_summarise_scorers(device.device, mapping, several, options) for mapping in names]


def _summarise_scorers(
    device: str, mapping: str, several: Sequence[NightSummary], options: StudyOptions
) -> ScorerSummary:
    found = [(n, kappas) for n in several if not any(map(math.isnan, kappas := _night_kappas(n, mapping)))]
    grouped = group_nights(tuple(n for n, _ in found))
    if not found:
        because = "no night has a kappa between scorers and one of the device"
        nothing = undefined(because, unit=grouped.unit_word, level=options.level)
        interval = BootstrapIntervals(nothing, nothing, nothing, 0, max(1, options.resamples), 0)
        return ScorerSummary(device, mapping, 0, len(several), 0, NAN, NAN, NAN, interval)
    means = [grouped.mean_by_unit(column) for column in np.array([kappas for _, kappas in found]).T]
    interval = cluster_bootstrap_all(
        np.stack(means, axis=1),
        {"share": _share_of_scorers},
        rng=rng_for(options.seed, f"scorers {device} {mapping}"),
        resamples=max(1, options.resamples),
        level=options.level,
        unit=grouped.unit_word,
    )["share"][0]
    between, each, agreed = (math.fsum(column) / grouped.units for column in means)
    return ScorerSummary(
        device, mapping, len(found), len(several), len(grouped.participants), between, each, agreed, interval
    )


def _night_kappas(night: NightSummary, mapping: str) -> tuple[float, float, float]:
    """Return the mean kappa of one night between scorers, of the device with each, and with their consensus."""
    pairs = [s for s in night.scorers if s.mapping == mapping]
    return (
        _mean([s.kappa for s in pairs if s.second != "device"]),
        _mean([s.kappa for s in pairs if s.second == "device" and s.first != "consensus"]),
        _mean([s.kappa for s in pairs if s.first == "consensus"]),
    )


def _share_of_scorers(sums: NDArray[Any]) -> Values:
    """Return kappa with scorers over kappa between them, from sums over units; nan where those agree by chance only."""
    between, each = np.asarray(sums[..., 0], np.float64), np.asarray(sums[..., 1], np.float64)
    share: Values = np.divide(each, between, out=np.full(between.shape, NAN), where=between > 0)
    return share


def _mean(values: list[float]) -> float:
    known = [v for v in values if not math.isnan(v)]
    # a sum that does not depend on the order in which scorers are listed
    return math.fsum(known) / len(known) if known else NAN
