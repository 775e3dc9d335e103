"""Correcting a device: learnt from the nights of a study, applied to new nights that have no reference.

What is learnt is plain numbers. Learning imports scikit-learn; applying needs numpy alone.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, NoteKind
from sleepagree.errors import InputError, Option, PairingError, for_page, shorten
from sleepagree.hypnogram.align import PairedNight, align, refuse_empty
from sleepagree.hypnogram.spans import EPOCH_S, Frozen, ScoredSpans
from sleepagree.hypnogram.window import LONE_NIGHT, Window, WindowRule, given_ends, show_time, take_window
from sleepagree.hypnogram.zones import find_zone, named_place
from sleepagree.inference.correction import LEAVE_ONE_OUT_UP_TO, LearnedValue, Method, ValueRange, Verdict
from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import make_stage_set
from sleepagree.mapping.words import UNSCORED
from sleepagree.night.measures import measure_device
from sleepagree.scoring.class_sequences import classes_of
from sleepagree.shown import Result
from sleepagree.study.epoch_correction import LearnedEpochs

#: Measures that are corrected beside the minutes and shares of classes.
CORRECTED: Final = ("TST", "SOL", "WASO", "SE")
#: What stands before the name of a measure that the epochs' probabilities add up to.
EXPECTED: Final = "expected "
#: Epochs of the window without a stage from which on they are told: five minutes.
_SILENT_EPOCHS: Final = 10
#: What makes nights a doubtful guide to new ones, where it concerns many.
_DOUBTS: Final = frozenset(
    {CautionKind.NIGHTS_SPARSE, CautionKind.NIGHTS_WITHOUT_SLEEP, CautionKind.CLOCKS_OFF, CautionKind.CLOCKS_HOURS}
)
#: Ranges are kept with so many digits.
_NEAR: Final = 1e-3


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

    def bounds(self, longest_min: float = math.inf) -> ValueRange:
        """Return the ends of what the measure can be in a window of this length."""
        return range_of(self.unit, longest_min)

    @property
    def is_line(self) -> bool:
        """Whether the correction looks at no other measure than its own, and can be drawn as a line."""
        return self.learned.method not in (Method.MANY, Method.EPOCHS)


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
        Prediction interval; nan where there is none, too where hardly anybody learnt from had an error.
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


@dataclass(frozen=True, eq=False, repr=False)
class CorrectedNight(Result, Frozen):
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
    paired : PairedNight
        The device's epochs, laid on the grid as their own reference.
    probabilities : float array, shape (n_epochs, n_classes)
        Of each class of ``correction.epochs.classes`` in each epoch of the window; nan where the device is silent. No
        class at all where the correction has no epochs.

    Examples
    --------
    >>> from sleepagree import learn_correction, read_hypnogram, score_table
    >>> correction = learn_correction(score_table("fixtures/ferry/nights.csv"), device="pad B")
    >>> spans = read_hypnogram("fixtures/ferry/pad-b/crew-3-night-2.csv", layout="fixtures/ferry/pad-b.toml")
    >>> night = correction.apply(spans)
    >>> night.window_minutes, night.to_frame().columns[:3].tolist()
    (490.0, ['unit', 'device', 'corrected'])
    """

    name: str
    correction: Correction
    window_minutes: float
    measures: tuple[CorrectedMeasure, ...]
    cautions: tuple[Caution, ...]
    paired: PairedNight
    probabilities: NDArray[np.float64]

    def __post_init__(self) -> None:
        super().__post_init__()
        self._freeze(probabilities=np.float64)

    @property
    def window_rule(self) -> str:
        """How the window was found: ``given``, ``lights``, or ``device``, from the first to the last stage."""
        return "device" if self.paired.rule is WindowRule.REFERENCE else self.paired.rule.value

    @property
    def expected_minutes(self) -> tuple[tuple[str, float], ...]:
        """Each class with the minutes that its epochs' probabilities add up to; none without probabilities."""
        classes = () if self.correction.epochs is None else self.correction.epochs.classes
        minutes = np.nansum(self.probabilities, axis=0) * EPOCH_S / 60
        return tuple(zip(classes, minutes.tolist(), strict=True))


def _refuse_nights(night: PairedNight) -> None:
    """Refuse a file of several nights where nothing but its first and its last stage would say which is meant."""
    told = next((note for note in night.ledger.notes if note.kind is NoteKind.NIGHTS_IN_FILE), None)
    if told is None or told["first"] == told["last"] or night.rule is not WindowRule.REFERENCE:
        return
    spans = night.device_spans
    begin_s, end_s = spans.nights_s[told["first"] - 1].tolist()
    raise InputError(
        "the file holds several nights, and one is corrected at a time",
        spans.origin.name,
        found=f"{told['nights']} nights, with 3 h of silence or more between them",
        expected=f"one, such as that from {show_time(spans, begin_s)} to {show_time(spans, end_s)}",
        remedy="Give the time in bed of one of them"
        + for_page(f" ({Option.WINDOW:FROM/TO})", "")
        + ", or a file of that night alone.",
    )


@dataclass(frozen=True, repr=False)
class Correction(Result):
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
    epochs : LearnedEpochs or None
        How single epochs get probabilities; None where the study held no epochs.

    Examples
    --------
    >>> from sleepagree import learn_correction, score_table
    >>> correction = learn_correction(score_table("fixtures/ferry/nights.csv"), device="pad B")
    >>> correction.participants, correction.nights, [m.measure for m in correction.measures][:2]
    (4, 12, ['TST', 'SOL'])
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
    epochs: LearnedEpochs | None = None

    def apply(self, hypnogram: Any, *, window: Window | WindowRule | str | None = None) -> CorrectedNight:
        """Correct a new night.

        Parameters
        ----------
        hypnogram : ScoredSpans, path, array-like, pandas object or mne.Annotations
            The device's night; what is not yet read is read by :func:`sleepagree.read_hypnogram`, which takes a layout.
        window : Window, WindowRule or str, optional
            Time in bed; default: lights off to lights on if the file marks both, else from the first to the last stage.
            Rules that ask for a reference are the default.

        Raises
        ------
        InputError
            When the night has labels, stages or an epoch length that were not learnt from, or nothing in the window,
            or is one of several in the file and no window says which.
        """
        from sleepagree.readers.memory import read_hypnogram

        hypnogram = read_hypnogram(hypnogram)
        refuse_empty(hypnogram, "night")
        self._refuse_others(hypnogram)
        night = self._lay_alone(hypnogram, take_window(window))
        found = measure_device(night.device, night.device_set, self.mapping)
        values = {measure: value for measure, _, value in found}
        probabilities = np.empty((night.device.size, 0))
        if self.epochs is not None:
            labels = classes_of(night.device, self.mapping.device_codes(night.device_set))
            probabilities = self.epochs.probabilities(labels)
            sums = np.nansum(probabilities, axis=0).tolist()
            values |= {EXPECTED + name: value for name, value in self.epochs.expected(sums, values["TIB"])}
        features = tuple(values.get(feature.measure, NAN) for feature in self.features)
        measures = tuple(self._correct(m, values.get(m.measure, NAN), features, values["TIB"]) for m in self.measures)
        return CorrectedNight(
            hypnogram.origin.name,
            self,
            values["TIB"],
            measures,
            (*(c.of_side("") for c in night.cautions if c.side == "device"), *self._cautions_for(measures, night)),
            night,
            probabilities,
        )

    def _lay_alone(self, night: ScoredSpans, window: Window) -> PairedNight:
        """Lay a night on epochs as its own reference, so that windows and grids have one rule.

        A window without a zone is by the clock of the place that is named for the night, whatever zone its times have.
        """
        place = named_place(night)
        if place is not None and night.start is not None:
            night = night.with_changes(start=night.start.astimezone(find_zone(place)))
        whole = align(reference=night, device=night, reports=self.reports)
        if window.rule not in (WindowRule.LIGHTS, WindowRule.GIVEN):
            _refuse_nights(whole)
            return whole
        marks = (window.begin, night.lights_off_s), (window.end, night.lights_on_s)
        if not any(moment is None and mark_s is None for moment, mark_s in marks):
            given_ends(window, night, LONE_NIGHT)  # refuses what is wrong with clocks in words for a night alone
            with contextlib.suppress(PairingError):
                return align(reference=night, device=night, window=window, reports=self.reports)
        problem = "the window cannot be laid on this night"
        found = "/".join(dict.fromkeys(end.isoformat() if end else "lights" for end in (window.begin, window.end)))
        expected = (
            "lights marks in the file, or a time in bed by its clock that holds some of "
            f"{show_time(night, whole.begin_s)} to {show_time(night, whole.end_s)}"
        )
        remedy = for_page(
            f"Correct the window, or leave it out ({Option.WINDOW:FROM/TO}).",
            "Correct the time in bed, or leave it empty.",
        )
        raise InputError(problem, night.origin.name, "window", found, expected, remedy)

    def _correct(
        self, measure: LearnedMeasure, device: float, features: tuple[float, ...], tib_min: float
    ) -> CorrectedMeasure:
        learned, bounds = measure.learned, measure.bounds(tib_min)
        models = (learned.model, *(fold.model for fold in learned.interval.folds))
        used = [i for i in range(len(features)) if any(model.weights[i] for model in models)]
        told = measure.measure, measure.unit, device
        if any(math.isnan(features[i]) for i in used):
            return CorrectedMeasure(*told, NAN, NAN, NAN, learned, extrapolated=False)
        corrected = bounds.clip(learned.model.value(features))
        low, high = learned.interval.around(corrected, features, bounds)
        ranges = [(features[i], self.features[i].low, self.features[i].high) for i in used]
        if learned.own_range is not None and not math.isnan(device):
            ranges.append((device, *learned.own_range))
        else:  # the usual value is that of nights about as long
            ranges += [(tib_min, known.low, known.high) for known in self.features if known.measure == "TIB"]
        beyond = any(value < lowest - _NEAR or value > highest + _NEAR for value, lowest, highest in ranges)
        return CorrectedMeasure(*told, corrected, low, high, learned, extrapolated=beyond)

    @property
    def doubts(self) -> tuple[Caution, ...]:
        """What makes the nights learnt from a doubtful guide to new ones: one told twice, or half of them amiss."""
        told = [(c, c["caution"]) for c in self.cautions if c.kind is CautionKind.OF_NIGHTS_LEARNT_FROM]
        return tuple(
            c
            for c, own in told
            if own.kind is CautionKind.NIGHT_REPEATED or (own.kind in _DOUBTS and 2 * own["count"] >= own["nights"])
        )

    def _cautions_for(self, measures: Sequence[CorrectedMeasure], night: PairedNight) -> Iterable[Caution]:
        beyond = tuple(m.measure for m in measures if m.extrapolated)
        if beyond:
            yield Caution.of(CautionKind.EXTRAPOLATED, measures=beyond)
        exact = tuple(m.measure for m in measures if math.isnan(m.low) and not math.isnan(m.corrected))
        if exact:
            yield Caution.of(CautionKind.NO_INTERVAL, measures=exact)
        if night.rule is WindowRule.REFERENCE:
            yield Caution.of(CautionKind.WINDOW_BY_DEVICE, learnt=self.window_rules)
        if self.epochs is not None and self.epochs.verdict is not Verdict.HELPS:
            yield _epochs_not_helped(self.epochs)
        silent = night.ledger.window_epochs - night.ledger.scored
        if silent >= _SILENT_EPOCHS:
            yield Caution.of(CautionKind.WINDOW_SILENT, epochs=silent, count=1)
        yield from self.doubts
        yield from standing_cautions(self.participants, self.nights)

    def _refuse_others(self, night: ScoredSpans) -> None:
        """Refuse a night that is not of the kind learnt from."""
        known = dict(self.labels)
        for label, stage in zip(night.labels, night.stages, strict=True):
            if known.get(label, UNSCORED) != stage:
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


def range_of(unit: str, longest_min: float = math.inf) -> ValueRange:
    """Return the ends of what a measure in this unit can be in a window of this length."""
    return ValueRange(0.0, 100.0 if unit.startswith("%") else longest_min)


def _epochs_not_helped(epochs: LearnedEpochs) -> Caution:
    beside = epochs.by_third if epochs.decided_by_third else epochs.by_label
    return Caution.of(
        CautionKind.EPOCHS_NOT_HELPED,
        verdict=epochs.verdict.value,
        beside="label_and_third" if epochs.decided_by_third else "label",
        log_loss=epochs.log_loss,
        log_loss_beside=beside.log_loss.error,
        applied="label" if epochs.penalty is None else "surroundings",
    )


def standing_cautions(people: int, nights: int) -> Iterator[Caution]:
    """Yield what holds for every night that a correction is applied to."""
    if people < LEAVE_ONE_OUT_UP_TO:
        yield Caution.of(CautionKind.LEARNT_FROM_FEW, people=people, enough=LEAVE_ONE_OUT_UP_TO)
    yield Caution.of(CautionKind.PULLED_TO_USUAL)
    yield Caution.of(CautionKind.LIKE_THE_STUDY, people=people, nights=nights)
