"""Two devices on the same nights and epochs, and devices against several human scorers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind
from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.estimate import NAN, mean_of_known, undefined
from sleepagree.inference.resampling import CORRELATION, BootstrapIntervals, Bounds
from sleepagree.inference.table_sums import ratio
from sleepagree.mapping.mapping import StageMapping, fitting_mappings
from sleepagree.scoring.class_figures import CLASS_STATISTICS
from sleepagree.scoring.coefficients import TABLE_STATISTICS
from sleepagree.scoring.several_scorers import fleiss_kappa, krippendorff_alpha
from sleepagree.study.groups import NightGroups, fold_nights, group_nights, merged_sets
from sleepagree.study.joint_epochs import JointNight, LeftOut, SideOfComparison, count_joint_night
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import (
    DeviceComparison,
    DeviceStudy,
    PairedDifference,
    ScorerSummary,
    SeveralScorers,
    StudyOptions,
    Values,
)

#: Agreement in which an epoch to which a device gave no stage counts as one in which it is wrong.
WITH_SILENCE: Final = "agreement, silence counted as disagreement"


def compare_devices(
    first: DeviceStudy, second: DeviceStudy, options: StudyOptions
) -> tuple[DeviceComparison | None, tuple[Caution, ...]]:
    """Compare two devices on the nights that both have, and on the epochs of them that both scored.

    Parameters
    ----------
    first, second : DeviceStudy
        The devices; their nights must hold the labels of their epochs.
    options : StudyOptions
        Settings of the study.

    Returns
    -------
    DeviceComparison or None, tuple of Caution
        None where no night can be compared; and cautions on nights that are left out.
    """
    other = {(n.participant, n.night): n for n in second.nights}
    pairs = [(n, other[n.participant, n.night]) for n in first.nights if (n.participant, n.night) in other]
    if not pairs:
        return None, ()
    mapping = _common_mapping(first, second)
    if mapping is None:
        return None, (_not_compared(first, second, "no_common_mapping"),)
    devices = first, second
    sides = [SideOfComparison(d.mappings[0].mapping, merged_sets(d.nights)[1]) for d in devices]
    measured_by = options.mappings[0] if options.mappings else None
    found = [
        count_joint_night(pair, mapping=mapping, sides=(sides[0], sides[1]), measured_by=measured_by) for pair in pairs
    ]
    joint = [one for one in found if isinstance(one, JointNight)]
    left_out = Counter(one for one in found if isinstance(one, LeftOut))
    cautions = tuple(_left_out_cautions(first, second, left_out, len(pairs)))
    if not joint:
        return None, cautions
    compared = [pair for pair, one in zip(pairs, found, strict=True) if isinstance(one, JointNight)]
    grouped = group_nights(tuple(a for a, _ in compared), options)
    own_nights = [a for a, _ in compared], [b for _, b in compared]
    counts = np.stack([night.counts for night in joint])
    own_counts = [fold_nights(own, mapping).sum(axis=0) for own in own_nights]
    spoken_for = np.array([night.spoken_for for night in joint])
    names = f"{first.device} {second.device}"
    return DeviceComparison(
        first=first.device,
        second=second.device,
        participants=len(grouped.participants),
        nights=len(joint),
        mapping=mapping.name,
        differences=(
            *_table_differences(mapping, counts, own_counts, grouped, f"comparison {names}"),
            *_error_differences(devices, own_nights, joint, grouped, f"errors {names}"),
        ),
        window_epochs=sum(night.window_epochs for night in joint),
        epochs=sum(night.epochs for night in joint),
        counted=int(counts[:, 0].sum()),
        silent=(sum(night.silent[0] for night in joint), sum(night.silent[1] for night in joint)),
        own_epochs=(int(own_counts[0].sum()), int(own_counts[1].sum())),
        with_silence=_with_silence(spoken_for, grouped, f"silence {names}"),
        asked=int(spoken_for[:, 0].sum()),
        left_out=tuple((reason.value, left_out[reason]) for reason in LeftOut if left_out[reason]),
    ), cautions


def _not_compared(first: DeviceStudy, second: DeviceStudy, reason: str) -> Caution:
    return Caution.of(CautionKind.NOT_COMPARED, first=first.device, second=second.device, reason=reason)


def _left_out_cautions(
    first: DeviceStudy, second: DeviceStudy, left_out: Counter[LeftOut], shared: int
) -> Iterator[Caution]:
    for reason in LeftOut:
        count = left_out[reason]
        if count == shared:
            yield _not_compared(first, second, reason.value)
        elif count:
            nights = {"first": first.device, "second": second.device, "count": count, "shared": shared}
            yield Caution.of(CautionKind.NIGHTS_NOT_COMPARED, **nights, reason=reason.value)


def _table_differences(
    mapping: StageMapping, counts: Counts, own_counts: Sequence[Counts], grouped: NightGroups, purpose: str
) -> list[PairedDifference]:
    """Return differences in statistics of the tables of joint epochs, shape (nights, 2, classes, classes).

    Beside them stands what each device has in its own table, of all epochs that it scored.
    """
    wanted = [s for s in (*TABLE_STATISTICS, *CLASS_STATISTICS) if s.name in ("kappa", "accuracy", "sensitivity")]
    found = grouped.resample(
        grouped.sum_by_unit(counts),
        {s.name: _difference_of(s.kernel) for s in wanted},
        purpose,
        bounds={s.name: Bounds(s.lower - s.upper, s.upper - s.lower) for s in wanted},
    )
    differences = []
    for statistic in wanted:
        tables = (*counts.sum(axis=0), *own_counts)
        values = [np.atleast_1d(statistic.kernel(table)).tolist() for table in tables]
        for k, difference in enumerate(found[statistic.name]):
            class_name = mapping.reference_classes[k] if statistic.per_class else ""
            one, two, *own = (value[k] for value in values)
            differences.append(PairedDifference(statistic.name, class_name, one, two, difference, *own))
    return differences


def _with_silence(asked: Counts, grouped: NightGroups, purpose: str) -> PairedDifference:
    """Return the shares of epochs, asked for by night, that each device answered as the reference did."""

    def difference(sums: NDArray[Any]) -> Values:
        return ratio(sums[..., 2] - sums[..., 1], sums[..., 0])

    by_unit, bounds = grouped.sum_by_unit(asked), {WITH_SILENCE: Bounds(-1.0, 1.0)}
    found = grouped.resample(by_unit, {WITH_SILENCE: difference}, purpose, bounds=bounds)
    total, *same = asked.sum(axis=0).tolist()
    one, two = (n / total if total else NAN for n in same)
    return PairedDifference(WITH_SILENCE, "", one, two, found[WITH_SILENCE][0])


def _common_mapping(first: DeviceStudy, second: DeviceStudy) -> StageMapping | None:
    """Return the finest square mapping that both label sets allow."""
    allowed = [[m for m in fitting_mappings(*merged_sets(d.nights)) if m.is_square] for d in (first, second)]
    return next((m for m in allowed[0] if m in allowed[1]), None)


def _difference_of(kernel: Callable[[Counts], Values]) -> Callable[[NDArray[Any]], Values]:
    def difference(tables: NDArray[Any]) -> Values:
        return kernel(tables[..., 1, :, :]) - kernel(tables[..., 0, :, :])

    return difference


def _error_differences(
    devices: tuple[DeviceStudy, DeviceStudy],
    own_nights: tuple[Sequence[NightSummary], Sequence[NightSummary]],
    joint: Sequence[JointNight],
    grouped: NightGroups,
    purpose: str,
) -> list[PairedDifference]:
    """Return differences in absolute error, on the joint epochs, of the measures that both devices give."""
    sides = [
        dict(zip(joint[0].measures[k], np.stack([night.errors[k] for night in joint], axis=1), strict=True))
        for k in (0, 1)
    ]
    errors: dict[str, tuple[Values, Values, Values]] = {}
    for measure in (m for m in sides[0] if m in sides[1] and m != "TIB"):
        one, two = (grouped.mean_by_unit(side[measure]) for side in sides)
        if not np.isnan(two - one).all():
            errors[measure] = one, two, two - one
    columns = {measure: difference for measure, (_, _, difference) in errors.items()}
    differences = grouped.average(columns, purpose)
    own = [_own_errors(device, nights) for device, nights in zip(devices, own_nights, strict=True)]
    out = []
    for measure, (one, two, difference) in errors.items():
        known = ~np.isnan(difference)
        means = float(one[known].mean()), float(two[known].mean())
        own_means = [
            mean_of_known(grouped.mean_by_unit(side[measure]).tolist()) if measure in side else NAN for side in own
        ]
        out.append(PairedDifference("absolute error", measure, *means, differences[measure], *own_means))
    return out


def _own_errors(device: DeviceStudy, nights: Sequence[NightSummary]) -> dict[str, Values]:
    """Return the absolute error of every measure on each night, on all epochs that the device scored."""
    index = {n.row: i for i, n in enumerate(device.nights)}
    rows = [index[n.row] for n in nights]
    return {b.measure: np.abs(b.device - b.reference)[rows] for b in device.bias}


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


def scorers_at_once(nights: Sequence[NightSummary], options: StudyOptions) -> tuple[SeveralScorers, ...]:
    """Return Fleiss' kappa and Krippendorff's alpha of all scorers, for each mapping of their stages.

    Parameters
    ----------
    nights : sequence of NightSummary
        Nights of one device; those with several scorers count.
    options : StudyOptions
        Resamples, seed and level.
    """
    out = []
    for mapping in dict.fromkeys(t.mapping for n in nights for t in n.coincidences):
        found = [(n, t) for n in nights for t in n.coincidences if t.mapping == mapping]
        grouped = group_nights(tuple(n for n, _ in found), options)
        tables = np.array([(t.complete, t.shared) for _, t in found])
        kernels = {
            "fleiss": lambda sums: fleiss_kappa(sums[..., 0, :, :]),
            "alpha": lambda sums: krippendorff_alpha(sums[..., 1, :, :]),
        }
        purpose = f"scorers at once {grouped.device} {mapping}"
        bounds = dict.fromkeys(kernels, CORRELATION)
        said = grouped.resample(grouped.sum_by_unit(tables), kernels, purpose, bounds=bounds)
        counts = [t.scorers for _, t in found]
        complete, shared = (sum(t.epochs[k] for _, t in found) for k in (0, 1))
        ends = min(counts), max(counts)
        out.append(SeveralScorers(mapping, ends, len(found), (complete, shared), said["fleiss"][0], said["alpha"][0]))
    return tuple(out)


def _summarise_scorers(
    device: str, mapping: str, several: Sequence[NightSummary], options: StudyOptions
) -> ScorerSummary:
    found = [(n, kappas) for n in several if not any(map(math.isnan, kappas := _night_kappas(n, mapping)))]
    grouped = group_nights(tuple(n for n, _ in found), options)
    if not found:
        because = "no night has a kappa between scorers and one of the device"
        nothing = undefined(because, level=options.level)
        interval = BootstrapIntervals(nothing, nothing, nothing, 0, options.resamples, 0)
        return ScorerSummary(device, mapping, 0, len(several), 0, NAN, NAN, NAN, interval)
    means = [grouped.mean_by_unit(column) for column in np.array([kappas for _, kappas in found]).T]
    purpose = f"scorers {device} {mapping}"
    found_share = grouped.resample(np.stack(means, axis=1), {"share": _share_of_scorers}, purpose)
    interval = found_share["share"][0]
    between, each, agreed = (math.fsum(column) / grouped.units for column in means)
    return ScorerSummary(
        device, mapping, len(found), len(several), len(grouped.participants), between, each, agreed, interval
    )


def _night_kappas(night: NightSummary, mapping: str) -> tuple[float, float, float]:
    """Return the mean kappa of one night between scorers, of the device with each, and with their consensus."""
    pairs = [s for s in night.scorers if s.mapping == mapping]
    return (
        mean_of_known([s.kappa for s in pairs if s.second != "device"]),
        mean_of_known([s.kappa for s in pairs if s.second == "device" and s.first != "consensus"]),
        mean_of_known([s.kappa for s in pairs if s.first == "consensus"]),
    )


def _share_of_scorers(sums: NDArray[Any]) -> Values:
    """Return kappa with scorers over kappa between them, from sums over units; nan where those agree by chance only."""
    between, each = sums[..., 0], sums[..., 1]
    return ratio(each, np.where(between > 0, between, NAN))
