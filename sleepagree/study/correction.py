"""Correcting a device: learnt from the nights of a study, applied to new nights that have no reference.

What is learnt is plain numbers. Learning imports scikit-learn; applying needs numpy alone.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import InputError, Option, shorten
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.window import Window, WindowRule
from sleepagree.inference.correction import FEWEST_PEOPLE, LEAVE_ONE_OUT_UP_TO, Bounds, Examples, LearnedValue
from sleepagree.inference.correction import learn_value as _learn_value
from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping, default_mapping
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import UNSCORED
from sleepagree.night.measures import measure_device
from sleepagree.study.groups import fold_nights, merge_stage_sets
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.results import StudyAgreement
from sleepagree.study.summarise import measure_table

_MEASURES: Final = ("TST", "SOL", "WASO", "SE")
_TOGETHER: Final = ("TIB", "SOL", "awakenings")


@dataclass(frozen=True)
class LearnedMeasure:
    """A sleep measure and how it is corrected.

    Parameters
    ----------
    measure, unit : str
        Its name as in tables, and its unit.
    learned : LearnedValue
        How.
    """

    measure: str
    unit: str
    learned: LearnedValue

    @property
    def bounds(self) -> Bounds:
        """Ends of what the measure can be."""
        return bounds_of(self.unit)


@dataclass(frozen=True)
class FeatureRange:
    """A measure of the device that corrections use, and its range in the nights learnt from."""

    measure: str
    low: float
    high: float


@dataclass(frozen=True)
class CorrectedMeasure:
    """A measure of a new night as the device says it, and corrected.

    Parameters
    ----------
    measure, unit : str
        Name and unit.
    device : float
        The device's own value; nan where it has none.
    corrected : float
        The corrected one; nan where the device lacks what it is made of.
    low, high : float
        Prediction interval.
    learned : LearnedValue
        How it was corrected, and what that is worth.
    extrapolated : bool
        Whether what it is made of lies outside the nights learnt from.
    """

    measure: str
    unit: str
    device: float
    corrected: float
    low: float
    high: float
    learned: LearnedValue
    extrapolated: bool


@dataclass(frozen=True)
class CorrectedNight:
    """A new night without a reference, corrected.

    Parameters
    ----------
    name : str
        Name of the device's file, no folder.
    correction : Correction
        What was applied.
    window_minutes : float
        Length of the window.
    measures : tuple of CorrectedMeasure
        In the order of tables.
    cautions : tuple of Caution
        What may mislead.
    """

    name: str
    correction: Correction
    window_minutes: float
    measures: tuple[CorrectedMeasure, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True)
class Correction:
    """How to turn a device's output into the best guess of what the reference would have said.

    Parameters
    ----------
    device : str
        Name of the device.
    labels : tuple of (str, str)
        Native labels of the nights learnt from, each with its stage.
    reports : tuple of str
        Stages that the device can report.
    mapping : StageMapping
        Names the classes.
    epoch_steps_s : tuple of float
        Epoch lengths of the device's files; empty where they have none.
    window_rules : tuple of str
        How the windows were found that were learnt from.
    participants, nights : int
        Learnt from.
    study_sha256 : str
        Hash of what the files held, whatever their order.
    level : float
        Of every interval.
    features : tuple of FeatureRange
        What the device measures, in the order of all weights.
    measures : tuple of LearnedMeasure
        What is corrected.
    cautions : tuple of Caution
        What may mislead in the learning.
    """

    device: str
    labels: tuple[tuple[str, str], ...]
    reports: tuple[str, ...]
    mapping: StageMapping
    epoch_steps_s: tuple[float, ...]
    window_rules: tuple[str, ...]
    participants: int
    nights: int
    study_sha256: str
    level: float
    features: tuple[FeatureRange, ...]
    measures: tuple[LearnedMeasure, ...]
    cautions: tuple[Caution, ...] = ()

    def apply(self, hypnogram: ScoredSpans, *, window: Window | None = None) -> CorrectedNight:
        """Correct a new night.

        Parameters
        ----------
        hypnogram : ScoredSpans
            The device's night (:func:`sleepagree.read_hypnogram`).
        window : Window, optional
            Time in bed; default: lights off to lights on if the file marks both, else from the first to the last stage.

        Raises
        ------
        InputError
            When the night has labels, stages or an epoch length that were not learnt from.
        """
        self._refuse_others(hypnogram)
        # laid on epochs as its own reference: one rule for windows and grids
        night = align(reference=hypnogram, device=hypnogram, window=window, reports=self.reports)
        found = measure_device(night.device, night.device_set, self.mapping)
        values = {measure: value for measure, _, value in found}
        features = tuple(values.get(feature.measure, NAN) for feature in self.features)
        measures = tuple(self._correct(m, values.get(m.measure, NAN), features) for m in self.measures)
        return CorrectedNight(
            hypnogram.origin.name,
            self,
            values["TIB"],
            measures,
            (*hypnogram.cautions, *self._cautions_for(measures, night.rule, window)),
        )

    def _correct(self, measure: LearnedMeasure, device: float, features: tuple[float, ...]) -> CorrectedMeasure:
        learned = measure.learned
        models = (learned.model, *(fold.model for fold in learned.interval.folds))
        used = [i for i in range(len(features)) if any(model.weights[i] for model in models)]
        if any(math.isnan(features[i]) for i in used):
            return CorrectedMeasure(measure.measure, measure.unit, device, NAN, NAN, NAN, learned, extrapolated=False)
        corrected = measure.bounds.clip(learned.model.value(features))
        low, high = learned.interval.around(corrected, features, measure.bounds)
        ranges = [(features[i], self.features[i].low, self.features[i].high) for i in used]
        if learned.own_range is not None:
            ranges.append((device, *learned.own_range))
        beyond = any(value < lowest - 1e-6 or value > highest + 1e-6 for value, lowest, highest in ranges)
        return CorrectedMeasure(
            measure.measure, measure.unit, device, corrected, low, high, learned, extrapolated=beyond
        )

    def _cautions_for(
        self, measures: Sequence[CorrectedMeasure], rule: WindowRule, window: Window | None
    ) -> Iterable[Caution]:
        beyond = tuple(m.measure for m in measures if m.extrapolated)
        if beyond:
            yield Caution.of(CautionKind.EXTRAPOLATED, measures=beyond)
        if window is None and rule is WindowRule.REFERENCE:
            yield Caution.of(CautionKind.WINDOW_BY_DEVICE, learnt=self.window_rules)
        yield from _size_cautions(self.participants)
        yield Caution.of(CautionKind.PULLED_TO_USUAL)
        yield Caution.of(CautionKind.LIKE_THE_STUDY, people=self.participants, nights=self.nights)

    def _refuse_others(self, night: ScoredSpans) -> None:
        """Refuse a night that is not of the kind learnt from."""
        known = dict(self.labels)
        for label, stage in zip(night.labels, night.stages, strict=True):
            if stage != UNSCORED and known.get(label) != stage:
                raise InputError(
                    "the night has a label that the correction was not learnt from",
                    path=night.origin.name,
                    found=f"'{shorten(label)}' as {stage}",
                    expected=", ".join(f"'{shorten(text)}' as {of}" for text, of in self.labels if of != UNSCORED),
                    remedy=f"Give the layout ({Option.LAYOUT:FILE.toml}) that the study used, or learn a correction "
                    "from nights of this device.",
                )
        declared = None if night.reports is None else make_stage_set((), (), reports=night.reports).reportable
        if declared is not None and set(declared) != set(self.reports):
            raise InputError(
                "the layout declares other stages than the correction was learnt with",
                path=night.origin.name,
                where="reports",
                found=", ".join(declared),
                expected=", ".join(self.reports),
                remedy=f"Give the layout ({Option.LAYOUT:FILE.toml}) that the study used.",
            )
        if night.epoch_s is not None and self.epoch_steps_s and night.epoch_s not in self.epoch_steps_s:
            raise InputError(
                "the night has another epoch length than the correction was learnt from",
                path=night.origin.name,
                found=f"{night.epoch_s:g} s",
                expected=" or ".join(f"{step:g} s" for step in self.epoch_steps_s),
                remedy="Export it with the device's usual epochs, or learn a correction from nights like it.",
            )


def bounds_of(unit: str) -> Bounds:
    """Return the ends of what a measure in this unit can be."""
    return Bounds(0.0, 100.0 if unit.startswith("%") else math.inf)


def learn_correction(
    study: StudyAgreement | Sequence[NightSummary | Refusal],
    *,
    device: str | None = None,
    mapping: StageMapping | None = None,
    level: float = 0.95,
) -> Correction:
    """Learn from a study how to correct a device, and what that is worth on people not learnt from.

    Parameters
    ----------
    study : StudyAgreement or sequence of NightSummary and Refusal
        The study, or its scored nights.
    device : str, optional
        Name of the device; needed where the study has several.
    mapping : StageMapping, optional
        Names the classes; default: the finest that the device allows.
    level : float
        Of every interval.

    Returns
    -------
    Correction

    Raises
    ------
    InputError
        When the study has several devices and none is named, none of that name, or fewer than three participants.
    """
    outcomes = [n for d in study.devices for n in d.nights] if isinstance(study, StudyAgreement) else study
    nights = _in_order(_of_device([o for o in outcomes if isinstance(o, NightSummary)], device))
    people = {name: i for i, name in enumerate(dict.fromkeys(n.participant for n in nights))}
    if len(people) < FEWEST_PEOPLE:
        raise InputError(
            "a correction cannot be learnt from so few people",
            found=f"{len(people)} with a scored night",
            expected=f"at least {FEWEST_PEOPLE} participants",
            remedy="Whether a correction helps shows only in people whom it was not learnt from.",
        )
    device_set = merge_stage_sets([n.device_set for n in nights])
    if mapping is None:
        mapping = default_mapping(merge_stage_sets([n.reference_set for n in nights]), device_set)
    table = measure_table(nights, mapping, fold_nights(nights, mapping), device_set=device_set)
    who = np.array([people[n.participant] for n in nights], np.int64)
    measures, ranges, left_out = _learn_measures(table, who, level)
    cautions = list(_size_cautions(len(people)))
    if left_out:
        cautions.append(Caution.of(CautionKind.MEASURES_NOT_LEARNT, measures=left_out, fewest=FEWEST_PEOPLE))
    cautions.append(Caution.of(CautionKind.PULLED_TO_USUAL))
    cautions.append(Caution.of(CautionKind.LIKE_THE_STUDY, people=len(people), nights=len(nights)))
    return Correction(
        nights[0].device,
        _labels(device_set),
        tuple(sorted(device_set.reportable)),
        mapping,
        tuple(sorted({n.device_step_s for n in nights if not math.isnan(n.device_step_s)})),
        tuple(sorted({n.window_rule for n in nights})),
        len(people),
        len(nights),
        _hash_nights(nights),
        level,
        ranges,
        measures,
        tuple(cautions),
    )


def _labels(device_set: StageSet) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(zip(device_set.labels, device_set.stages, strict=True)))


def _of_device(nights: Sequence[NightSummary], device: str | None) -> list[NightSummary]:
    names = list(dict.fromkeys(n.device for n in nights))
    if device is None and len(names) > 1:
        raise InputError(
            "the study has several devices, and a correction is that of one",
            found=", ".join(map(shorten, names)),
            expected="the name of one of them",
            remedy=f"Say which with {Option.DEVICE:NAME}.",
        )
    if device is not None and device not in names:
        raise InputError(
            "the study has no scored night of this device",
            where=f"{Option.DEVICE}",
            found=device,
            expected="one of " + ", ".join(map(shorten, names)) if names else "a device of the study",
            remedy="Correct the name.",
        )
    return [n for n in nights if device in (None, n.device)]


def _in_order(nights: list[NightSummary]) -> list[NightSummary]:
    """Return nights by person and by what their files hold, so that the order of rows does not matter."""

    def content(night: NightSummary) -> tuple[str, ...]:
        hashes = sorted(source.sha256 for source in night.references)
        return (night.device_source.sha256, *hashes, *night.sequences, night.participant, night.night)

    first: dict[str, tuple[str, ...]] = {}
    for night in nights:
        own = content(night)
        first[night.participant] = min(own, first.get(night.participant, own))
    return sorted(nights, key=lambda n: (first[n.participant], content(n)))


def _hash_nights(nights: Sequence[NightSummary]) -> str:
    """Return one hash of what all files held, in an order of its own."""
    lines = sorted(
        " ".join([n.device_source.sha256, *n.sequences, *sorted(s.sha256 for s in n.references)]) for n in nights
    )
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def _size_cautions(people: int) -> list[Caution]:
    if people >= LEAVE_ONE_OUT_UP_TO:
        return []
    return [Caution.of(CautionKind.LEARNT_FROM_FEW, people=people, enough=LEAVE_ONE_OUT_UP_TO)]


_Values = NDArray[np.float64]


def _learn_measures(
    table: Sequence[tuple[str, str, _Values, _Values]], who: NDArray[np.int64], level: float
) -> tuple[tuple[LearnedMeasure, ...], tuple[FeatureRange, ...], tuple[str, ...]]:
    """Return what is learnt of each measure, the features with their ranges, and measures with too few people."""
    spoken = [(name, device) for name, _, _, device in table if not np.isnan(device).all()]
    names = [name for name, _ in spoken]
    features = np.column_stack([device for _, device in spoken])
    # only what every night has: a latency that one night lacks would take that night from all measures
    many = tuple(
        i
        for i, name in enumerate(names)
        if (name in _TOGETHER or name.startswith("minutes ")) and not np.isnan(features[:, i]).any()
    )
    learned, left_out = [], []
    for name, unit, reference, device in table:
        if not (name in _MEASURES or name.startswith(("minutes ", "percent "))):
            continue
        own = names.index(name) if name in names else None
        known = ~np.isnan(reference) & (np.ones(who.size, bool) if own is None else ~np.isnan(device))
        if np.unique(who[known]).size < FEWEST_PEOPLE:
            left_out.append(name)
            continue
        # what a measure does not use may be unknown
        used = np.where(np.isnan(features[known]), 0.0, features[known])
        examples = Examples(used, reference[known], who[known], own, many, bounds_of(unit))
        learned.append(LearnedMeasure(name, unit, _learn_value(examples, level=level)))
    ranges = tuple(
        FeatureRange(name, float(np.nanmin(column)), float(np.nanmax(column)))
        for name, column in zip(names, features.T, strict=True)
    )
    return tuple(learned), ranges, tuple(left_out)
