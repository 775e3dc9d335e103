"""Two devices on the same nights and epochs, and devices against several human scorers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind
from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.estimate import NAN, mean_of_known, undefined
from sleepagree.inference.resampling import CORRELATION, BootstrapIntervals
from sleepagree.mapping.mapping import StageMapping, fitting_mappings
from sleepagree.scoring.class_figures import CLASS_STATISTICS
from sleepagree.scoring.coefficients import TABLE_STATISTICS
from sleepagree.scoring.several_scorers import fleiss_kappa, krippendorff_alpha
from sleepagree.study.groups import (
    NightGroups,
    average_units,
    fold_nights,
    group_nights,
    merge_stage_sets,
    resample_units,
)
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
    sides = _side(first), _side(second)
    measured_by = options.mappings[0] if options.mappings else None
    joint = _JointNights(mapping)
    left_out: dict[LeftOut, int] = {}
    for pair in pairs:
        found = count_joint_night(pair, mapping=mapping, sides=sides, measured_by=measured_by)
        if isinstance(found, LeftOut):
            left_out[found] = left_out.get(found, 0) + 1
        else:
            joint.add(pair, found)
    cautions = _left_out_cautions(first, second, left_out, len(pairs))
    if not joint.pairs:
        return None, cautions
    return _summarise(first, second, joint, left_out, options), cautions


class _JointNights:
    """The numbers of joint nights; the nights themselves, as objects, would take six kilobytes each."""

    def __init__(self, mapping: StageMapping) -> None:
        self.mapping = mapping
        self.pairs: list[tuple[NightSummary, NightSummary]] = []
        self._counts: list[Counts] = []
        self._totals: list[tuple[int, ...]] = []
        self._errors: list[tuple[Values, ...]] = []
        self._measures: tuple[tuple[str, ...], ...] = ()

    def add(self, pair: tuple[NightSummary, NightSummary], night: JointNight) -> None:
        self.pairs.append(pair)
        self._counts.append(night.counts)
        self._totals.append((night.window_epochs, night.epochs, *night.silent, *night.spoken_for))
        self._errors.append(tuple(np.array([abs(m.difference) for m in side]) for side in night.measures))
        self._measures = tuple(tuple(m.measure for m in side) for side in night.measures)

    @property
    def counts(self) -> Counts:
        """Tables of both devices, shape (nights, 2, reference classes, device classes)."""
        return np.stack(self._counts)

    @property
    def totals(self) -> Counts:
        """Epochs of each night, shape (nights, 7): in the windows, joint, silent (2), asked, and answered so (2)."""
        return np.array(self._totals, np.int64)

    def errors(self, side: int) -> dict[str, Values]:
        """Return the absolute error of every measure of a device on each night; nan where a side has none."""
        values = np.stack([errors[side] for errors in self._errors])
        return {measure: values[:, k] for k, measure in enumerate(self._measures[side])}


def _side(device: DeviceStudy) -> SideOfComparison:
    return SideOfComparison(device.mappings[0].mapping, merge_stage_sets([n.device_set for n in device.nights]))


def _not_compared(first: DeviceStudy, second: DeviceStudy, reason: str) -> Caution:
    return Caution.of(CautionKind.NOT_COMPARED, first=first.device, second=second.device, reason=reason)


def _left_out_cautions(
    first: DeviceStudy, second: DeviceStudy, left_out: dict[LeftOut, int], shared: int
) -> tuple[Caution, ...]:
    out = []
    for reason in LeftOut:
        count = left_out.get(reason, 0)
        if count == shared:
            out.append(_not_compared(first, second, reason.value))
        elif count:
            nights = {"count": count, "shared": shared}
            named = {"first": first.device, "second": second.device}
            out.append(Caution.of(CautionKind.NIGHTS_NOT_COMPARED, **named, **nights, reason=reason.value))
    return tuple(out)


def _summarise(
    first: DeviceStudy,
    second: DeviceStudy,
    joint: _JointNights,
    left_out: dict[LeftOut, int],
    options: StudyOptions,
) -> DeviceComparison:
    grouped = group_nights(tuple(a for a, _ in joint.pairs))
    both, totals = joint.counts, joint.totals
    differences = [
        *_table_differences(first, second, joint, both, grouped, options),
        *_error_differences(first, second, joint, grouped, options),
    ]
    window_epochs, epochs, *silent, asked = totals[:, :5].sum(axis=0).tolist()
    return DeviceComparison(
        first.device,
        second.device,
        len(grouped.participants),
        len(joint.pairs),
        joint.mapping.name,
        tuple(differences),
        window_epochs,
        epochs,
        int(both[:, 0].sum()),
        (silent[0], silent[1]),
        (sum(a.scored for a, _ in joint.pairs), sum(b.scored for _, b in joint.pairs)),
        _with_silence(first, second, totals[:, 4:], grouped, options),
        asked,
        tuple((reason.value, left_out[reason]) for reason in LeftOut if reason in left_out),
    )


def _table_differences(
    first: DeviceStudy,
    second: DeviceStudy,
    joint: _JointNights,
    both: Counts,
    grouped: NightGroups,
    options: StudyOptions,
) -> list[PairedDifference]:
    """Return differences in statistics of the tables, shape (nights, 2, classes, classes), of the joint epochs."""
    wanted = [s for s in (*TABLE_STATISTICS, *CLASS_STATISTICS) if s.name in ("kappa", "accuracy", "sensitivity")]
    found = resample_units(
        grouped.sum_by_unit(both),
        {s.name: _difference_of(s.kernel) for s in wanted},
        grouped,
        options,
        f"comparison {first.device} {second.device}",
        bounds={s.name: (s.lower - s.upper, s.upper - s.lower) for s in wanted},
    )
    total = both.sum(axis=0)
    mapping = joint.mapping
    own = [fold_nights([pair[side] for pair in joint.pairs], mapping).sum(axis=0) for side in (0, 1)]
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

    purpose, bounds = f"silence {first.device} {second.device}", {WITH_SILENCE: (-1.0, 1.0)}
    by_unit = grouped.sum_by_unit(asked)
    found = resample_units(by_unit, {WITH_SILENCE: difference}, grouped, options, purpose, bounds=bounds)
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
    joint: _JointNights,
    grouped: NightGroups,
    options: StudyOptions,
) -> list[PairedDifference]:
    """Return differences in absolute error, on the joint epochs, of the measures that both devices give."""
    sides = joint.errors(0), joint.errors(1)
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
    own = [_own_errors(device, [p[side] for p in joint.pairs]) for side, device in enumerate((first, second))]
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


def scorers_at_once(device: str, nights: Sequence[NightSummary], options: StudyOptions) -> tuple[SeveralScorers, ...]:
    """Return Fleiss' kappa and Krippendorff's alpha of all scorers, for each mapping of their stages.

    Parameters
    ----------
    device : str
        Device, for its random numbers.
    nights : sequence of NightSummary
        Its nights; those with several scorers count.
    options : StudyOptions
        Resamples, seed and level.
    """
    out = []
    for mapping in dict.fromkeys(t.mapping for n in nights for t in n.coincidences):
        found = [(n, t) for n in nights for t in n.coincidences if t.mapping == mapping]
        grouped = group_nights(tuple(n for n, _ in found))
        tables = np.array([(t.complete, t.shared) for _, t in found])
        kernels = {
            "fleiss": lambda sums: fleiss_kappa(sums[..., 0, :, :]),
            "alpha": lambda sums: krippendorff_alpha(sums[..., 1, :, :]),
        }
        purpose = f"scorers at once {device} {mapping}"
        bounds = dict.fromkeys(kernels, CORRELATION)
        said = resample_units(grouped.sum_by_unit(tables), kernels, grouped, options, purpose, bounds=bounds)
        counts = [t.scorers for _, t in found]
        complete, shared = (sum(t.epochs[k] for _, t in found) for k in (0, 1))
        ends = min(counts), max(counts)
        out.append(SeveralScorers(mapping, ends, len(found), (complete, shared), said["fleiss"][0], said["alpha"][0]))
    return tuple(out)


def _summarise_scorers(
    device: str, mapping: str, several: Sequence[NightSummary], options: StudyOptions
) -> ScorerSummary:
    found = [(n, kappas) for n in several if not any(map(math.isnan, kappas := _night_kappas(n, mapping)))]
    grouped = group_nights(tuple(n for n, _ in found))
    if not found:
        because = "no night has a kappa between scorers and one of the device"
        nothing = undefined(because, level=options.level)
        interval = BootstrapIntervals(nothing, nothing, nothing, 0, max(1, options.resamples), 0)
        return ScorerSummary(device, mapping, 0, len(several), 0, NAN, NAN, NAN, interval)
    means = [grouped.mean_by_unit(column) for column in np.array([kappas for _, kappas in found]).T]
    purpose = f"scorers {device} {mapping}"
    found_share = resample_units(np.stack(means, axis=1), {"share": _share_of_scorers}, grouped, options, purpose)
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
    between, each = np.asarray(sums[..., 0], np.float64), np.asarray(sums[..., 1], np.float64)
    share: Values = np.divide(each, between, out=np.full(between.shape, NAN), where=between > 0)
    return share
