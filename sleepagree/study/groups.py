"""Nights of one device by participant, and what is summed over them."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.resampling import (
    BootstrapIntervals,
    Bounds,
    Kernel,
    cluster_bootstrap_all,
    mean_bootstrap_all,
    rng_for,
)
from sleepagree.inference.table_sums import fold_counts
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import StudyOptions, Values

Name = TypeVar("Name", bound=Hashable)


@dataclass(frozen=True)
class NightGroups:
    """Nights of one device with the participant of each as a number."""

    nights: tuple[NightSummary, ...]
    participants: tuple[str, ...]
    of_night: NDArray[np.int64]

    @property
    def unit_of_night(self) -> NDArray[np.int64]:
        """Resampling unit of each night: its participant, or the night itself for a single participant."""
        return self.of_night if len(self.participants) > 1 else np.arange(len(self.nights))

    @property
    def units(self) -> int:
        """Number of resampling units."""
        return len(self.participants) if len(self.participants) > 1 else len(self.nights)

    @property
    def unit_word(self) -> str:
        """What a unit is called."""
        return "participants" if len(self.participants) > 1 else "nights"

    def sum_by_unit(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return sums over the nights of each unit."""
        out = np.zeros((self.units, *values.shape[1:]), values.dtype)
        np.add.at(out, self.unit_of_night, values)
        return out

    def mean_by_unit(self, values: Values) -> Values:
        """Return means over the nights of each unit that have a value; nan where none has."""
        known = ~np.isnan(values)
        total = self.sum_by_unit(np.where(known, values, 0.0))
        count = self.sum_by_unit(known.astype(np.float64))
        with np.errstate(invalid="ignore", divide="ignore"):
            means: Values = total / count
        return means


def group_nights(nights: tuple[NightSummary, ...]) -> NightGroups:
    """Return nights with their participants numbered in order of appearance."""
    participants = tuple(dict.fromkeys(n.participant for n in nights))
    position = {name: i for i, name in enumerate(participants)}
    return NightGroups(nights, participants, np.array([position[n.participant] for n in nights], np.int64))


def merged_sets(nights: Iterable[NightSummary]) -> tuple[StageSet, StageSet]:
    """Return the stage sets of the reference and of the device over all nights."""
    sets = [(night.reference_set, night.device_set) for night in nights]
    return _merged([reference for reference, _ in sets]), _merged([device for _, device in sets])


def _merged(sets: Sequence[StageSet]) -> StageSet:
    """Return the stage set of all nights of one side: every label, and every stage that any night can report."""
    stages: dict[str, str] = {}
    for stage_set in sets:
        stages.update(zip(stage_set.labels, stage_set.stages, strict=True))
    reportable = tuple(dict.fromkeys(stage for s in sets for stage in s.reportable))
    return StageSet(tuple(stages), tuple(stages.values()), reportable, any(s.declared for s in sets))


def fold_nights(nights: Sequence[NightSummary], mapping: StageMapping) -> Counts:
    """Return the counts of each night under a mapping, shape (nights, reference classes, device classes)."""
    shape = len(mapping.reference_classes), len(mapping.device_classes)
    out = np.zeros((len(nights), *shape), np.int64)
    codes: dict[tuple[StageSet, StageSet], tuple[tuple[int, ...], tuple[int, ...]]] = {}
    for i, night in enumerate(nights):
        sets = night.reference_set, night.device_set
        if sets not in codes:
            codes[sets] = mapping.reference_codes(sets[0]), mapping.device_codes(sets[1])
        out[i] = fold_counts(night.native, *codes[sets], shape)
    return out


def resample_units(
    sums: NDArray[Any],
    kernels: Mapping[str, Kernel],
    grouped: NightGroups,
    options: StudyOptions,
    purpose: str,
    *,
    bounds: Mapping[str, Bounds] | None = None,
    influences: Mapping[str, Kernel] | None = None,
) -> dict[str, tuple[BootstrapIntervals, ...]]:
    """Return statistics of sums over units with their intervals; ``purpose`` names the random numbers."""
    return cluster_bootstrap_all(
        sums,
        kernels,
        rng=rng_for(options.seed, purpose),
        resamples=max(1, options.resamples),
        level=options.level,
        influences=influences,
        unit=grouped.unit_word,
        bounds=bounds,
    )


def average_units(
    columns: Mapping[Name, Values],
    grouped: NightGroups,
    options: StudyOptions,
    purpose: str,
    *,
    bounds: Mapping[Name, Bounds] | None = None,
) -> dict[Name, BootstrapIntervals]:
    """Return means over units with their intervals; ``purpose`` names the random numbers, which they share."""
    return mean_bootstrap_all(
        columns,
        rng=lambda: rng_for(options.seed, purpose),
        resamples=max(1, options.resamples),
        level=options.level,
        unit=grouped.unit_word,
        bounds=bounds,
    )
