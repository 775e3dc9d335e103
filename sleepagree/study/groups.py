"""Nights of one device by participant, and what is summed over them."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.limits import LimitsOfAgreement, Scale, fit_limits_of_agreement
from sleepagree.inference.resampling import (
    BootstrapIntervals,
    Bounds,
    IntervalScale,
    Kernel,
    cluster_bootstrap_all,
    mean_bootstrap_all,
    rng_for,
)
from sleepagree.inference.table_sums import fold_counts, ratio
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.scoring.coefficients import Statistic
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.results import StudyOptions, Values

Name = TypeVar("Name", bound=Hashable)


@dataclass(frozen=True)
class NightGroups:
    """Nights of one device by participant, and how statistics of them are resampled.

    Parameters
    ----------
    nights : tuple of NightSummary
        The nights.
    options : StudyOptions
        Resamples, seed and level.
    participants : tuple of str
        In order of appearance.
    of_night : int array, shape (nights,)
        Number of each night's participant.
    """

    nights: tuple[NightSummary, ...]
    options: StudyOptions
    participants: tuple[str, ...]
    of_night: NDArray[np.int64]

    @property
    def device(self) -> str:
        """The device whose nights they are."""
        return self.nights[0].device

    @property
    def unit_of_night(self) -> NDArray[np.int64]:
        """Resampling unit of each night: its participant, or the night itself for a single participant."""
        return self.of_night if len(self.participants) > 1 else np.arange(len(self.nights))

    @property
    def units(self) -> int:
        """Number of resampling units."""
        return len(self.participants) if len(self.participants) > 1 else len(self.nights)

    def sum_by_unit(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return sums over the nights of each unit."""
        out = np.zeros((self.units, *values.shape[1:]), values.dtype)
        np.add.at(out, self.unit_of_night, values)
        return out

    def mean_by_unit(self, values: Values) -> Values:
        """Return means over the nights of each unit that have a value; nan where none has."""
        known = ~np.isnan(values)
        return ratio(self.sum_by_unit(np.where(known, values, 0.0)), self.sum_by_unit(known.astype(np.float64)))

    def resample(
        self,
        sums: NDArray[Any],
        kernels: Mapping[str, Kernel],
        purpose: str,
        *,
        bounds: Mapping[str, Bounds] | None = None,
        influences: Mapping[str, Kernel] | None = None,
        all_count: bool = False,
    ) -> dict[str, tuple[BootstrapIntervals, ...]]:
        """Return statistics of sums over units with their intervals; ``purpose`` names the random numbers."""
        how = {"influences": influences, "bounds": bounds, "all_count": all_count, **self._settings}
        return cluster_bootstrap_all(sums, kernels, rng=rng_for(self.options.seed, purpose), **how)

    def average(
        self, columns: Mapping[Name, Values], purpose: str, *, bounds: Mapping[Name, Bounds] | None = None
    ) -> dict[Name, BootstrapIntervals]:
        """Return means over units with their intervals; ``purpose`` names the random numbers, which they share."""
        rng = partial(rng_for, self.options.seed, purpose)
        return mean_bootstrap_all(columns, rng=rng, bounds=bounds, **self._settings)

    @property
    def _settings(self) -> dict[str, Any]:
        unit = "participants" if len(self.participants) > 1 else "nights"
        return {"resamples": self.options.resamples, "level": self.options.level, "unit": unit}

    def limits(self, reference: Values, device: Values, scale: Scale = Scale.RAW) -> LimitsOfAgreement:
        """Return bias and limits of agreement of what both sides measured on each night."""
        return fit_limits_of_agreement(
            reference=reference, device=device, participant=self.of_night, level=self.options.level, scale=scale
        )


def bounds_of(statistic: Statistic) -> Bounds:
    """Return what a statistic of a table cannot pass, and the scale of its intervals."""
    scale = IntervalScale.ATANH if statistic.lower < 0.0 else IntervalScale.LOGIT
    return Bounds(statistic.lower, statistic.upper, scale)


def group_nights(nights: tuple[NightSummary, ...], options: StudyOptions) -> NightGroups:
    """Return nights with their participants numbered in order of appearance."""
    participants = tuple(dict.fromkeys(n.participant for n in nights))
    position = {name: i for i, name in enumerate(participants)}
    of_night = np.array([position[n.participant] for n in nights], np.int64)
    return NightGroups(nights, options, participants, of_night)


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
