"""Two devices on the same nights and epochs, and devices against several human scorers.

A device that is silent where it would be wrong looks better on its own epochs than a twin that speaks. So what two
devices are compared in is counted again on the epochs that both scored, and silence is counted by itself.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from enum import Enum
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind
from sleepagree.hypnogram.spans import EPOCH_S, Counts, LabelCodes
from sleepagree.inference.estimate import NAN, mean_of_known, undefined
from sleepagree.inference.resampling import CORRELATION, BootstrapIntervals, Bounds
from sleepagree.inference.table_sums import ratio
from sleepagree.mapping.mapping import StageMapping, fitting_mappings
from sleepagree.mapping.sets import StageSet
from sleepagree.mapping.words import is_sleep
from sleepagree.night.measures import general_epochs, measure_codes, pair_with_classes, told_epochs
from sleepagree.scoring.class_sequences import classes_of
from sleepagree.scoring.coefficients import CLASS_STATISTICS, TABLE_STATISTICS, fleiss_kappa, krippendorff_alpha
from sleepagree.study.groups import NightGroups, fold_nights, group_nights, merged_sets
from sleepagree.study.night_summary import EpochsStaged, NightSummary, share_equal
from sleepagree.study.results import (
    DeviceComparison,
    DeviceStudy,
    PairedDifference,
    ScorerSummary,
    SeveralScorers,
    StudyOptions,
    Values,
)

#: What a difference is in that speaks of a sleep measure, and not of a table.
ABSOLUTE_ERROR: Final = "absolute error"
#: Agreement in which an epoch to which a device gave no stage counts as one in which it is wrong.
WITH_SILENCE: Final = "agreement, silence counted as disagreement"

_Flags = NDArray[np.bool_]


class LeftOut(Enum):
    """Why two rows of one night cannot be laid on the same epochs."""

    NOT_KEPT = "epochs_not_kept"
    REFERENCE = "other_reference"
    NO_EPOCH = "no_joint_epoch"


class JointNight(NamedTuple):
    """One night that two devices watched, counted on the epochs of both their windows.

    Parameters
    ----------
    window_epochs : int
        Epochs that lie in the windows of both rows.
    epochs : int
        Those to which the reference and both devices gave a stage.
    silent : tuple of two int
        Epochs of the windows to which each device gave no stage.
    counts : int array, shape (2, reference classes, device classes)
        Each device against the reference on the joint epochs that the mapping of the comparison leaves to both.
    asked : int
        Epochs that the reference gave a class.
    same : tuple of two int
        How many of them each device gave the same one; silence is not the same. Epochs whose label of either device the
        mapping leaves out are in none of the three.
    errors : tuple of two float arrays
        Absolute error of each device in its sleep measures on the joint epochs; nan where a side has none.
    measures : tuple of two tuples of str
        Names of those.
    """

    window_epochs: int
    epochs: int
    silent: tuple[int, int]
    counts: Counts
    asked: int
    same: tuple[int, int]
    errors: tuple[NDArray[np.float64], NDArray[np.float64]]
    measures: tuple[tuple[str, ...], tuple[str, ...]]


def count_joint_night(
    nights: tuple[NightSummary, NightSummary],
    *,
    mapping: StageMapping,
    sides: Sequence[tuple[StageMapping, StageSet]],
    measured_by: StageMapping | None = None,
) -> JointNight | LeftOut:
    """Count one night of two devices on the epochs that both scored.

    Parameters
    ----------
    nights : tuple of two NightSummary
        The same night with either device.
    mapping : StageMapping
        A square mapping that both devices allow.
    sides : two pairs of StageMapping and StageSet
        In the order of ``nights``: the first mapping of each device, which names the classes whose minutes are told,
        and what the device can report over all its nights.
    measured_by : StageMapping, optional
        Says whether a stage that does not tell (wake-or-sleep) is sleep.

    Returns
    -------
    JointNight or LeftOut
        The counts, or why there are none.
    """
    laid = _lay_together(*nights)
    if isinstance(laid, LeftOut):
        return laid
    reference, *devices = laid
    reference_set, device_sets = nights[0].reference_set, [night.device_set for night in nights]
    scored = _flags(reference, reference_set)
    said = list(map(_flags, devices, device_sets))
    joint = scored & said[0] & said[1]
    epochs = int(np.count_nonzero(joint))
    if not epochs:
        return LeftOut.NO_EPOCH
    rows = classes_of(reference, mapping.reference_codes(reference_set))
    columns = list(map(classes_of, devices, map(mapping.device_codes, device_sets)))
    counted = joint & (rows >= 0) & (columns[0] >= 0) & (columns[1] >= 0)
    # a label that the mapping leaves out is no silence, and no answer either
    answered = [(column >= 0) | ~spoke for column, spoke in zip(columns, said, strict=True)]
    asked = scored & (rows >= 0) & answered[0] & answered[1]
    position = np.array([*mapping.device_index, -2], np.int64)
    same = [
        int(np.count_nonzero(asked & spoke & (position[column] == rows)))
        for column, spoke in zip(columns, said, strict=True)
    ]
    return JointNight(
        int(reference.size),
        epochs,
        (_missing(said[0]), _missing(said[1])),
        np.stack([_cross(rows, column, counted, mapping) for column in columns]),
        int(np.count_nonzero(asked)),
        (same[0], same[1]),
        *_measure(laid, joint, (reference_set, *device_sets), sides, measured_by),
    )


def _missing(flags: _Flags) -> int:
    return int(flags.size - np.count_nonzero(flags))


def _flags(codes: LabelCodes, stage_set: StageSet) -> _Flags:
    """Return which epochs have a label that names a stage."""
    found: _Flags = np.array([*stage_set.scored, False])[codes]
    return found


def _cross(
    rows: NDArray[np.int64], columns: NDArray[np.int64], counted: _Flags, mapping: StageMapping
) -> NDArray[np.int64]:
    shape = len(mapping.reference_classes), len(mapping.device_classes)
    cells = rows[counted] * shape[1] + columns[counted]
    return np.bincount(cells, minlength=shape[0] * shape[1]).reshape(shape).astype(np.int64)


# --- laying two rows on one grid --------------------------------------------------------------------------


def _lay_together(first: NightSummary, second: NightSummary) -> tuple[LabelCodes, ...] | LeftOut:
    """Return the label codes of the reference and both devices on the epochs that lie in both windows."""
    if first.epochs is None or second.epochs is None:
        return LeftOut.NOT_KEPT
    hashes = [sorted(s.sha256 for s in night.references) for night in (first, second)]
    if all(hashes[0]) and all(hashes[1]) and hashes[0] != hashes[1]:
        return LeftOut.REFERENCE
    shift = (second.epochs.begin_s - first.epochs.begin_s) / EPOCH_S
    if abs(shift - round(shift)) > 1e-3:
        return LeftOut.REFERENCE
    codes = first.epochs.unpack(), second.epochs.unpack()
    # position of the second window's first epoch in the first window
    place = round(shift)
    begin, end = max(0, place), min(codes[0][0].size, place + codes[1][0].size)
    if begin >= end:
        return LeftOut.NO_EPOCH
    reference, one = (c[begin:end] for c in codes[0])
    again, two = (c[begin - place : end - place] for c in codes[1])
    if not _same_stages(reference, first.reference_set, again, second.reference_set):
        return LeftOut.REFERENCE
    return reference, one, two


def _same_stages(one: LabelCodes, of_one: StageSet, two: LabelCodes, of_two: StageSet) -> bool:
    """Whether two references say the same stage, or nothing, of every epoch."""
    if of_one == of_two:
        return bool(np.array_equal(one, two))
    words = sorted({*of_one.stages, *of_two.stages})
    ranks = [np.array([*map(words.index, x.stages), -1]) for x in (of_one, of_two)]
    return bool(np.array_equal(ranks[0][one], ranks[1][two]))


# --- measures ---------------------------------------------------------------------------------------------


def _measure(
    laid: tuple[LabelCodes, ...],
    joint: _Flags,
    sets: tuple[StageSet, ...],
    sides: Sequence[tuple[StageMapping, StageSet]],
    measured_by: StageMapping | None,
) -> tuple[Any, Any]:
    """Return the errors of both devices in their measures on the joint epochs, and the names of these."""
    (reference, *devices), (reference_set, *device_sets) = laid, sets
    both = list(zip(sides, devices, device_sets, strict=True))
    classes = [
        (
            classes_of(reference, mapping.reference_codes(reference_set)),
            classes_of(codes, mapping.device_codes(device_set)),
        )
        for (mapping, _), codes, device_set in both
    ]
    # an epoch that one device calls wake-or-sleep counts for neither
    joint = joint & np.all(
        [told_epochs(reference, codes, reference_set, of, measured_by) for _, codes, of in both], axis=0
    )
    # minutes of classes too are those of the same epochs, whatever either mapping leaves out
    counted = joint & np.all([found >= 0 for of_side in classes for found in of_side], axis=0)
    vague = joint & _any_general(reference, reference_set, both)
    errors, names = [], []
    for ((mapping, reported), codes, device_set), (rows, columns) in zip(both, classes, strict=True):
        measured = measure_codes(reference, codes, joint, reference_set, device_set, measured_by)
        general = _asleep_min(reference[vague], reference_set), _asleep_min(codes[vague], device_set)
        pairs = pair_with_classes(measured, mapping, _cross(rows, columns, counted, mapping), reported, general)
        # only the numbers stay: the pairs of a night would take six kilobytes
        errors.append(np.array([abs(pair.difference) for pair in pairs]))
        names.append(share_equal(tuple(pair.measure for pair in pairs)))
    return tuple(errors), tuple(names)


def _any_general(reference: LabelCodes, reference_set: StageSet, both: Sequence[Any]) -> _Flags:
    """Return the epochs in which any side has a word for sleep that is too general for a class."""
    found = np.zeros(reference.size, bool)
    for (mapping, _), codes, device_set in both:
        found |= general_epochs(reference, reference_set, mapping.reference_codes(reference_set))
        found |= general_epochs(codes, device_set, mapping.device_codes(device_set))
    return found


def _asleep_min(codes: LabelCodes, stage_set: StageSet) -> float:
    asleep = np.array([*(is_sleep(stage) is True for stage in stage_set.stages), False])
    return float(np.count_nonzero(asleep[codes])) * EPOCH_S / 60


# --- two devices over many nights -------------------------------------------------------------------------


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
    sides = [(d.mappings[0].mapping, merged_sets(d.nights)[1]) for d in devices]
    measured_by = options.mappings[0] if options.mappings else None
    found = [count_joint_night(pair, mapping=mapping, sides=sides, measured_by=measured_by) for pair in pairs]
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
        with_silence=_with_silence(joint, grouped, f"silence {names}"),
        asked=sum(night.asked for night in joint),
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


def _with_silence(joint: Sequence[JointNight], grouped: NightGroups, purpose: str) -> PairedDifference:
    """Return the shares of epochs that each device answered as the reference did, of those that it gave a class."""
    counts = np.array([(night.asked, *night.same) for night in joint])

    def difference(sums: NDArray[Any]) -> Values:
        return ratio(sums[..., 2] - sums[..., 1], sums[..., 0])

    by_unit, bounds = grouped.sum_by_unit(counts), {WITH_SILENCE: Bounds(-1.0, 1.0)}
    found = grouped.resample(by_unit, {WITH_SILENCE: difference}, purpose, bounds=bounds)
    total, *same = counts.sum(axis=0).tolist()
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
        out.append(PairedDifference(ABSOLUTE_ERROR, measure, *means, differences[measure], *own_means))
    return out


def _own_errors(device: DeviceStudy, nights: Sequence[NightSummary]) -> dict[str, Values]:
    """Return the absolute error of every measure on each night, on all epochs that the device scored."""
    index = {(n.participant, n.night): i for i, n in enumerate(device.nights)}
    rows = [index[n.participant, n.night] for n in nights]
    return {b.measure: np.abs(b.device - b.reference)[rows] for b in device.bias}


# --- devices against scorers ------------------------------------------------------------------------------


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
    names = list(dict.fromkeys(s.mapping for n in several for s in n.scorers if s.with_device))
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
        epochs = EpochsStaged(sum(t.epochs.by_all for _, t in found), sum(t.epochs.by_several for _, t in found))
        ends = min(counts), max(counts)
        out.append(SeveralScorers(mapping, ends, len(found), epochs, said["fleiss"][0], said["alpha"][0]))
    return tuple(out)


def _summarise_scorers(
    device: str, mapping: str, several: Sequence[NightSummary], options: StudyOptions
) -> ScorerSummary:
    found = [(n, kappas) for n in several if not any(map(math.isnan, kappas := _night_kappas(n, mapping)))]
    grouped = group_nights(tuple(n for n, _ in found), options)
    if not found:
        because = "no night has a kappa between scorers and one of the device"
        interval = BootstrapIntervals.without_interval(undefined(because, level=options.level), options.resamples)
        return ScorerSummary(device, mapping, 0, len(several), 0, NAN, NAN, NAN, interval)
    means = [grouped.mean_by_unit(column) for column in np.array([kappas for _, kappas in found]).T]
    purpose = f"scorers {device} {mapping}"
    found_share = grouped.resample(np.stack(means, axis=1), {"share": _share_of_scorers}, purpose, all_count=True)
    interval = found_share["share"][0]
    between, each, agreed = (math.fsum(column) / grouped.units for column in means)
    return ScorerSummary(
        device, mapping, len(found), len(several), len(grouped.participants), between, each, agreed, interval
    )


def _night_kappas(night: NightSummary, mapping: str) -> tuple[float, float, float]:
    """Return the mean kappa of one night between scorers, of the device with each, and with their consensus."""
    pairs = [s for s in night.scorers if s.mapping == mapping]
    return (
        mean_of_known([s.kappa for s in pairs if not s.with_device]),
        mean_of_known([s.kappa for s in pairs if s.with_device and not s.with_consensus]),
        mean_of_known([s.kappa for s in pairs if s.with_consensus]),
    )


def _share_of_scorers(sums: NDArray[Any]) -> Values:
    """Return kappa with scorers over kappa between them, from sums over units; nan where those agree by chance only."""
    between, each = sums[..., 0], sums[..., 1]
    return ratio(each, np.where(between > 0, between, NAN))
