"""What a reader of a study should be warned of."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import chain, product
from operator import itemgetter
from typing import Any, Final, NamedTuple

import numpy as np

from sleepagree.caution import Caution, CautionKind
from sleepagree.hypnogram.window import WindowRule
from sleepagree.scoring.measures import SleepMeasures
from sleepagree.scoring.offsets import NEAR_CHANCE, SURE_KAPPA, ClockHint
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.results import BiasRow, DeviceStudy, ScorerSummary, StudyAgreement, StudyOptions

FEWEST_NIGHTS_FOR_SKEW: Final = 10

#: Participants -> lowest part of simulated studies of so many people, of any kind looked at, in which a 95 % interval
#: of agreement or bias that is told first holds the truth (docs/evidence/calibration_people.json, cut to per cent).
LOWEST_COVERAGE: Final = {5: 0.87, 10: 0.90, 20: 0.92}
#: The same of the interval of a limit of agreement, whatever the number of people.
LOWEST_COVERAGE_OF_LIMITS: Final = 0.34
#: The same, lowest and highest, where people differ normally and differences are a little skewed.
COVERAGE_OF_LIMITS_NEAR_NORMAL: Final = (0.80, 0.93)
#: Lowest and highest part of the simulated studies in which the interval of a centile holds the truth.
COVERAGE_OF_CENTILES: Final = (0.97, 0.99)
#: From so many participants on no simulated kind falls below what simulation leaves open around 92 %.
ENOUGH_PARTICIPANTS: Final = 40

#: Skewness of the differences from which on a caution is given; 1 is commonly called high (common practice, no source).
MUCH_SKEW: Final = 1.0


#: Nights with a smaller part of their window scored on both sides are named.
LEAST_SCORED_SHARE: Final = 0.9

#: Nights are named where the window leaves out a larger part of the epochs that some scorer staged (our choice).
LARGEST_CUT_SHARE: Final = 0.1

#: A device that fails on so large a part of people, and the chance that a study holds none of them from which on it is
#: told (our choice).
FAILING_SHARE: Final = 0.15
LEAST_MISSED_SHARE: Final = 0.05

_NAMED: Final = 6
#: Epochs that two scorers must both have staged before their kappa tells anything.
_AN_HOUR: Final = 120

#: What a device gives occasion to: kinds of cautions with their values, but for its name.
_Told = Iterator[tuple[CautionKind, dict[str, Any]]]


class DeviceNights(NamedTuple):
    """Nights of one device, whatever is to be made of them."""

    device: str
    nights: tuple[NightSummary, ...]


_Nights = DeviceNights | DeviceStudy


def study_cautions(
    devices: tuple[DeviceStudy, ...],
    refused: tuple[Refusal, ...],
    options: StudyOptions,
    scorers: tuple[ScorerSummary, ...],
) -> tuple[Caution, ...]:
    """Return the cautions of a study, each once, devices in order."""
    out: list[Caution] = []
    if refused:
        names = {device.device for device in devices} | {refusal.device for refusal in refused}
        out.append(Caution.of(CautionKind.NIGHTS_REFUSED, count=len(refused), devices=len(names)))
    out += _name_cautions(devices)
    of_device: tuple[Callable[[DeviceStudy], _Told], ...] = (
        _repeated_cautions, _size_cautions, _sparse_cautions, _sleepless_cautions, _cut_cautions, _apart_cautions,
        partial(_left_out_cautions, options), partial(_consensus_cautions, scorers),
        partial(_group_cautions, options), _failure_cautions, _normality_cautions, _skew_cautions, _clock_cautions,
        _doubt_cautions, _night_cautions,
    )  # fmt: skip
    for device, cautions in product(devices, of_device):
        out += [Caution.of(kind, device=device.device, **values) for kind, values in cautions(device)]
    sizes = {len(m.mapping.reference_classes) for d in devices for m in d.mappings if m.mapping.is_square}
    if len(sizes) > 1:
        out.append(Caution.of(CautionKind.KAPPAS_OF_SIZES))
    if options.mappings and len(options.mappings) > 1:
        out.append(Caution.of(CautionKind.MAPPING_CHOSEN_LATE))
    return tuple(dict.fromkeys(out))


def cautions_of_nights(nights: Sequence[NightSummary]) -> tuple[Caution, ...]:
    """Return what a user of nights of one device should be warned of, whatever is made of them."""
    device = DeviceNights(nights[0].device, tuple(nights))
    tells: tuple[Callable[[_Nights], _Told], ...] = (
        _repeated_cautions, _sparse_cautions, _sleepless_cautions, _cut_cautions, _apart_cautions, _clock_cautions,
        _night_cautions,
    )  # fmt: skip
    told = chain.from_iterable(tell(device) for tell in tells)
    return tuple(Caution.of(kind, device=device.device, **values) for kind, values in told)


def _repeated_cautions(device: _Nights) -> _Told:
    """Name the nights whose reference says the same as that of an earlier one; tables are refused for it before."""
    first: dict[str, NightSummary] = {}
    again = [n for n in device.nights if n.sequences[0] and first.setdefault(n.sequences[0], n) is not n]
    if again:
        yield CautionKind.NIGHT_REPEATED, _counted_nights(device, again)


def names_alike(names: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Return the names that differ from each other in capital letters or spaces alone, those of one kind together."""
    alike: dict[str, list[str]] = {}
    for name in dict.fromkeys(names):
        alike.setdefault(" ".join(name.split()).casefold(), []).append(name)
    return tuple(tuple(group) for group in alike.values() if len(group) > 1)


def _name_cautions(devices: tuple[DeviceStudy, ...]) -> Iterator[Caution]:
    people = (night.participant for device in devices for night in device.nights)
    for what, names in (("device", (device.device for device in devices)), ("participant", people)):
        if several := names_alike(names):
            yield Caution.of(CautionKind.NAMES_ALIKE, of=what, names=several)


def _size_cautions(device: DeviceStudy) -> _Told:
    count = len(device.participants)
    if count == 1:
        yield CautionKind.ONE_PARTICIPANT, {"nights": len(device.nights)}
    elif count < ENOUGH_PARTICIPANTS:
        people = max((n for n in LOWEST_COVERAGE if n <= count), default=min(LOWEST_COVERAGE))
        values = {"count": count, "simulated": people, "covers": LOWEST_COVERAGE[people]}
        yield CautionKind.FEW_PARTICIPANTS, values


def _failure_cautions(device: DeviceStudy) -> _Told:
    """Tell how likely a study of so few people is to hold nobody whom the device fails."""
    count = len(device.participants)
    missed = (1 - FAILING_SHARE) ** count
    if count >= 2 and missed >= LEAST_MISSED_SHARE:
        values = {"count": count, "failing_share": FAILING_SHARE, "missed_share": missed}
        yield CautionKind.FAILURES_MISSED, values


def _normality_cautions(device: DeviceStudy) -> _Told:
    """Return a caution where differences are shown not to be normal."""
    rows = [(row, row.sizes) for row in device.bias if row.sizes is not None and row.sizes.is_not_normal]
    if rows:
        told = tuple((row.measure, sizes.outside, sizes.nights, sizes.excess_kurtosis) for row, sizes in rows)
        values = {"of_ratios": rows[0][0].of_ratios, "measures": told, "looked_at": len(device.bias)}
        yield CautionKind.NOT_NORMAL, {**values, "covers": LOWEST_COVERAGE_OF_LIMITS}


def _sparse_cautions(device: _Nights) -> _Told:
    """Name the nights of which a large part of the window was not scored on both sides."""
    sparse = [n for n in device.nights if n.scored < LEAST_SCORED_SHARE * n.window_epochs]
    if sparse:
        sparse.sort(key=lambda n: n.scored / n.window_epochs)
        percent = tuple(100 * n.scored / n.window_epochs for n in sparse[:_NAMED])
        values = {"scored_percent": percent, "least_percent": 100 * LEAST_SCORED_SHARE}
        yield CautionKind.NIGHTS_SPARSE, {**_counted_nights(device, sparse), **values}


def _sleepless_cautions(device: _Nights) -> _Told:
    """Name the nights on which the device failed altogether: it called everything wake."""
    values = [(n, SleepMeasures(*n.reference_measures), SleepMeasures(*n.device_measures)) for n in device.nights]
    missed = [n for n, reference, measured in values if reference.tst_min > 0.0 == measured.tst_min]
    if missed:
        yield CautionKind.NIGHTS_WITHOUT_SLEEP, _counted_nights(device, missed)


def _cut_cautions(device: _Nights) -> _Told:
    """Name the nights whose window leaves out much that a scorer staged, because most of them did not."""
    by_stages = [n for n in device.nights if n.window_rule == WindowRule.REFERENCE]
    cut = [n for n in by_stages if n.staged_outside > LARGEST_CUT_SHARE * (n.staged_outside + n.window_epochs)]
    if cut:
        cut.sort(key=lambda n: -n.staged_outside)
        left = tuple(n.staged_outside for n in cut[:_NAMED])
        yield CautionKind.NIGHTS_CUT_SHORT, {**_counted_nights(device, cut), "left_epochs": left}


def _left_out_cautions(options: StudyOptions, device: DeviceStudy) -> _Told:
    """Name the nights of which a mapping leaves out epochs: one that was asked for, or the one spoken of first."""
    staged = np.array([int(night.native.sum()) for night in device.nights])
    for studied in device.mappings if options.mappings else device.mappings[:1]:
        missing = staged - studied.night_counts.sum(axis=(1, 2))
        if missing.any():
            most_first = np.argsort(-missing, kind="stable")[: np.count_nonzero(missing)]
            left = tuple(missing[most_first[:_NAMED]].tolist())
            values = {"mapping": studied.mapping.name, "epochs": int(missing.sum()), "left_epochs": left}
            counted = _counted_nights(device, [device.nights[i] for i in most_first])
            yield (
                CautionKind.NIGHTS_LEFT_OUT_BY_MAPPING,
                {**counted, **values, "share": float(missing.sum() / staged.sum())},
            )


def _consensus_cautions(scorers: tuple[ScorerSummary, ...], device: DeviceStudy) -> _Told:
    """Say what became of epochs without a majority, and where a consensus makes agreement look higher."""
    several = [n for n in device.nights if n.scorers]
    undecided = sum(n.no_majority for n in several)
    told = [s for s in scorers if s.device == device.device and not math.isnan(s.with_consensus - s.with_scorers)]
    if undecided or any(s.consensus_flatters for s in told):
        yield (
            CautionKind.CONSENSUS_FLATTERS,
            {
                "count": len(several),
                "nights": len(device.nights),
                "undecided": undecided,
                "unstaged": sum(n.undecided.unstaged for n in several),
                "n1_or_n2": sum(n.undecided.n1_or_n2 for n in several),
                "flatters": bool(told) and all(s.consensus_flatters for s in told),
                "kappas": tuple((s.with_consensus, s.with_scorers, s.mapping, s.nights) for s in told),
            },
        )


def _apart_cautions(device: _Nights) -> _Told:
    """Name the nights on which two scorers agree near or below chance: two people do not see one night so."""
    kappas = [(n, min(_kappas_between(n), default=math.nan)) for n in device.nights]
    apart = sorted(((n, kappa) for n, kappa in kappas if kappa < NEAR_CHANCE), key=itemgetter(1))
    if apart:
        told = {"between_scorers": tuple(kappa for _, kappa in apart[:_NAMED])}
        yield CautionKind.SCORERS_APART, {**_counted_nights(device, [n for n, _ in apart]), **told}


def _kappas_between(night: NightSummary) -> list[float]:
    """Return kappa of every two scorers under the finest mapping, which stands first, of an hour or more."""
    finest = [s for s in night.scorers if s.mapping == night.scorers[0].mapping and not s.with_device]
    return [s.kappa for s in finest if s.n >= _AN_HOUR and not math.isnan(s.kappa)]


def _group_cautions(options: StudyOptions, device: DeviceStudy) -> _Told:
    """Say that bias by group was asked for and is not told, or of how many nights it is not."""
    if not options.by:
        return
    ungrouped = [n for n in device.nights if not n.group]
    if ungrouped:
        yield CautionKind.NIGHTS_UNGROUPED, {**_counted_nights(device, ungrouped), "by": options.by}
    if not any(row.by_group is not None for row in device.bias):
        grouped = [n for n in device.nights if n.group]
        groups, people = ({getattr(n, name) for n in grouped} for name in ("group", "participant"))
        yield CautionKind.GROUPS_UNTOLD, {"by": options.by, "groups": len(groups), "participants": len(people)}


def _skew_cautions(device: DeviceStudy) -> _Told:
    """Return a caution where differences are so skewed that intervals of the limits cover less than they say."""
    skewed = [row for row in device.bias if _is_skewed(row)]
    if skewed:
        yield (
            CautionKind.SKEWED,
            {
                "of_ratios": skewed[0].of_ratios,
                "measures": tuple(row.measure for row in skewed),
                "drawn": tuple(row.measure for row in skewed if row.is_drawn),
                "above_zero": tuple(row.measure for row in skewed if not row.of_ratios and _all_above_zero(row)),
            },
        )


def _is_skewed(row: BiasRow) -> bool:
    return row.sizes is not None and row.sizes.nights >= FEWEST_NIGHTS_FOR_SKEW and abs(row.sizes.skewness) > MUCH_SKEW


def _all_above_zero(row: BiasRow) -> bool:
    both = ~(np.isnan(row.reference) | np.isnan(row.device))
    return bool((row.reference[both] > 0).all() and (row.device[both] > 0).all())


def _clock_cautions(device: _Nights) -> _Told:
    """Name the nights whose clock is off; what is said of all nights together stands beside the results."""
    for kind, hint, seconds in (
        (CautionKind.CLOCKS_OFF, ClockHint.OFFSET, "best_offset_s"),
        (CautionKind.CLOCKS_HOURS, ClockHint.ZONE, "zone_s"),
    ):
        if moved := [n for n in device.nights if n.clock_hint == hint]:
            told = tuple(getattr(n, seconds) for n in moved[:_NAMED])
            yield kind, {**_counted_nights(device, moved), "seconds": told}


def _doubt_cautions(device: DeviceStudy) -> _Told:
    """Name the nights whose clock cannot be told."""
    # a night near chance stands out beside the other nights of a device that tells stages
    kappas = next((m.night_kappa for m in device.mappings if m.mapping.is_square), np.zeros(0))
    kappas = kappas[~np.isnan(kappas)]
    tells = kappas.size > 0 and float(np.median(kappas)) >= SURE_KAPPA
    hints = (ClockHint.DOUBT, ClockHint.UNTOLD) if tells else (ClockHint.DOUBT,)
    doubtful = [n for n in device.nights if n.clock_hint in hints]
    if doubtful:
        yield CautionKind.CLOCKS_DOUBTFUL, _counted_nights(device, doubtful)


def doubtful_night(study: StudyAgreement) -> NightSummary | None:
    """Return the first night whose clock a caution names, one that is off by hours before others."""
    nights = [n for device in study.devices for n in device.nights]
    hints = (ClockHint.ZONE, ClockHint.OFFSET, ClockHint.DOUBT, ClockHint.UNTOLD)
    return next((n for hint in hints for n in nights if n.clock_hint == hint), None)


def _counted_nights(device: _Nights, some: list[NightSummary]) -> dict[str, Any]:
    """Return how many nights of a device something concerns, and the names of the first of them."""
    named = tuple((n.participant, n.night) for n in some[:_NAMED])
    return {"count": len(some), "nights": len(device.nights), "named": named}


def _night_cautions(device: _Nights) -> _Told:
    """Yield the cautions of nights, each once with the number of nights it concerns."""
    counts = Counter(caution for night in device.nights for caution in dict.fromkeys(night.cautions))
    for caution, count in counts.items():
        yield CautionKind.ON_NIGHTS, {"count": count, "caution": caution}
