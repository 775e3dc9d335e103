"""Two devices on the same nights and epochs, and devices against several human scorers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.agreement import CLASS_STATISTICS, TABLE_STATISTICS
from sleepagree.errors import counted
from sleepagree.estimate import NAN
from sleepagree.hypnogram import Counts
from sleepagree.joint_epochs import JointNight, LeftOut, SideOfComparison, count_joint_night
from sleepagree.measures import MeasurePair
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

#: Agreement in which an epoch to which a device gave no stage counts as one in which it is wrong.
WITH_SILENCE: Final = "agreement, silence counted as disagreement"


def compare_devices(
    first: DeviceStudy, second: DeviceStudy, options: StudyOptions
) -> tuple[DeviceComparison | None, tuple[str, ...]]:
    """Compare two devices on the nights that both have, and on the epochs of them that both scored.

    Parameters
    ----------
    first, second : DeviceStudy
        The devices; their nights must hold the labels of their epochs.
    options : StudyOptions
        Settings of the study.

    Returns
    -------
    DeviceComparison or None, tuple of str
        None where no night can be compared; and cautions on nights that are left out.
    """
    other = {(n.participant, n.night): n for n in second.nights}
    pairs = [(n, other[n.participant, n.night]) for n in first.nights if (n.participant, n.night) in other]
    if not pairs:
        return None, ()
    mapping = _common_mapping(first, second)
    if mapping is None:
        return None, (_not_compared(first, second, "no mapping of stages with a kappa fits the labels of both"),)
    sides = _side(first), _side(second)
    measured_by = options.mappings[0] if options.mappings else None
    kept: list[tuple[NightSummary, NightSummary]] = []
    joint: list[JointNight] = []
    left_out: dict[LeftOut, int] = {}
    for pair in pairs:
        found = count_joint_night(pair, mapping=mapping, sides=sides, measured_by=measured_by)
        if isinstance(found, LeftOut):
            left_out[found] = left_out.get(found, 0) + 1
            continue
        kept.append(pair)
        # only the numbers stay: the pairs of many nights would take much room
        joint.append(found)
    cautions = _left_out_cautions(first, second, left_out, len(pairs))
    if not kept:
        return None, cautions
    return _summarise(first, second, mapping, kept, joint, left_out, options), cautions


def _side(device: DeviceStudy) -> SideOfComparison:
    return SideOfComparison(device.mappings[0].mapping, merge_stage_sets([n.device_set for n in device.nights]))


def _not_compared(first: DeviceStudy, second: DeviceStudy, why: str) -> str:
    return f"{first.device} and {second.device} were worn on the same nights, but are not compared: {why}."


_REASONS: Final = {
    LeftOut.NOT_KEPT: "the nights were summed up without the labels of their epochs, so nothing tells which epochs "
    "both scored",
    LeftOut.REFERENCE: "the two rows have different references (other files, or one file that is read in two ways), "
    "so their epochs are not the same",
    LeftOut.NO_EPOCH: "no epoch has a stage from the reference and from both devices",
}


def _left_out_cautions(
    first: DeviceStudy, second: DeviceStudy, left_out: dict[LeftOut, int], shared: int
) -> tuple[str, ...]:
    out = []
    for reason in LeftOut:
        count = left_out.get(reason, 0)
        if count == shared:
            out.append(_not_compared(first, second, _REASONS[reason]))
        elif count:
            left = "it is" if count == 1 else "they are"
            out.append(
                f"{first.device} and {second.device}: on {count} of the {counted(shared, 'night')} that both watched "
                f"{_REASONS[reason]}; {left} left out of the comparison."
            )
    return tuple(out)


def _summarise(
    first: DeviceStudy,
    second: DeviceStudy,
    mapping: StageMapping,
    pairs: Sequence[tuple[NightSummary, NightSummary]],
    joint: Sequence[JointNight],
    left_out: dict[LeftOut, int],
    options: StudyOptions,
) -> DeviceComparison:
    grouped = group_nights(tuple(a for a, _ in pairs))
    both = np.stack([night.counts for night in joint])
    differences = [
        *_table_differences(first, second, mapping, pairs, both, grouped, options),
        *_error_differences(first, second, pairs, joint, grouped, options),
    ]
    asked = np.array([night.spoken_for for night in joint], np.int64)
    return DeviceComparison(
        first.device,
        second.device,
        len(grouped.participants),
        len(pairs),
        mapping.name,
        tuple(differences),
        sum(night.window_epochs for night in joint),
        sum(night.epochs for night in joint),
        int(both[:, 0].sum()),
        (sum(night.silent[0] for night in joint), sum(night.silent[1] for night in joint)),
        (sum(a.scored for a, _ in pairs), sum(b.scored for _, b in pairs)),
        _with_silence(first, second, asked, grouped, options),
        int(asked[:, 0].sum()),
        tuple((reason.value, left_out[reason]) for reason in LeftOut if reason in left_out),
    )


def _table_differences(
    first: DeviceStudy,
    second: DeviceStudy,
    mapping: StageMapping,
    pairs: Sequence[tuple[NightSummary, NightSummary]],
    both: Counts,
    grouped: NightGroups,
    options: StudyOptions,
) -> list[PairedDifference]:
    """Return differences in statistics of the tables, shape (nights, 2, classes, classes), of the joint epochs."""
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
    own = [fold_nights([pair[side] for pair in pairs], mapping).sum(axis=0) for side in (0, 1)]
    differences = []
    for statistic in wanted:
        values = [np.atleast_1d(statistic.kernel(table)).tolist() for table in (total[0], total[1], *own)]
        for k, difference in enumerate(found[statistic.name]):
            class_name = mapping.reference_classes[k] if statistic.per_class else ""
            one, two, own_one, own_two = (value[k] for value in values)
            differences.append(PairedDifference(statistic.name, class_name, one, two, difference, own_one, own_two))
    return differences


def _with_silence(
    first: DeviceStudy, second: DeviceStudy, asked: Counts, grouped: NightGroups, options: StudyOptions
) -> PairedDifference:
    """Return the shares of epochs, asked for by night, that each device answered as the reference did."""

    def difference(sums: NDArray[Any]) -> Values:
        with np.errstate(invalid="ignore", divide="ignore"):
            share: Values = (sums[..., 2] - sums[..., 1]) / sums[..., 0]
        return share

    found = cluster_bootstrap_all(
        grouped.sum_by_unit(asked),
        {WITH_SILENCE: difference},
        rng=rng_for(options.seed, f"silence {first.device} {second.device}"),
        resamples=max(1, options.resamples),
        level=options.level,
        unit=grouped.unit_word,
        bounds={WITH_SILENCE: (-1.0, 1.0)},
    )
    total, *same = asked.sum(axis=0).tolist()
    shares = [n / total if total else NAN for n in same]
    return PairedDifference(WITH_SILENCE, "", shares[0], shares[1], found[WITH_SILENCE][0])


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
    joint: Sequence[JointNight],
    grouped: NightGroups,
    options: StudyOptions,
) -> list[PairedDifference]:
    """Return differences in absolute error, on the joint epochs, of the measures that both devices give."""
    sides = [_joint_errors([night.measures[side] for night in joint]) for side in (0, 1)]
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
    own = [_own_errors(device, [p[side] for p in pairs]) for side, device in enumerate((first, second))]
    out = []
    for measure, (one, two, difference) in errors.items():
        known = ~np.isnan(difference)
        means = float(one[known].mean()), float(two[known].mean())
        own_means = [_mean(grouped.mean_by_unit(side[measure]).tolist()) if measure in side else NAN for side in own]
        out.append(PairedDifference("absolute error", measure, *means, differences[measure], *own_means))
    return out


def _joint_errors(nights: Sequence[tuple[MeasurePair, ...]]) -> dict[str, Values]:
    """Return the absolute error of every measure on each night; nan where a side has none."""
    values = np.array([[abs(pair.difference) for pair in pairs] for pairs in nights])
    return {pair.measure: values[:, k] for k, pair in enumerate(nights[0])}


def _own_errors(device: DeviceStudy, nights: Sequence[NightSummary]) -> dict[str, Values]:
    """Return the absolute error of every measure on each night, on all epochs that the device scored."""
    index = {n.row: i for i, n in enumerate(device.nights)}
    rows = [index[n.row] for n in nights]
    return {b.measure: np.abs(b.device - b.reference)[rows] for b in device.bias}


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
