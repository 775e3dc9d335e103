"""Which stage the reference would have seen in each epoch of a device: probabilities, learnt from a study's nights."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.class_probabilities import ClassModel, LabelledSequence, ReliabilityBin, Scores, learn_classes
from sleepagree.inference.correction import Verdict, as_written, group_of
from sleepagree.inference.estimate import LARGEST_SHARE, score_interval, uneven_units
from sleepagree.inference.one_night import t_quantile
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.night.measures import asleep_classes
from sleepagree.scoring.class_sequences import classes_of, third_of
from sleepagree.scoring.epoch_features import EpochFeatures

if TYPE_CHECKING:
    from sleepagree.study.night_summary import NightSummary

_Values = NDArray[np.float64]
_Ints = NDArray[np.int64]
THIRDS: Final = ("first", "middle", "last")
#: Of shares, which are told in per cent.
_DIGITS: Final = 4
#: A variance between people that is one of rounding.
_ROUNDING: Final = 1e-20


class StageShare(NamedTuple):
    """What part of some epochs the reference called a class, with its interval over participants."""

    name: str
    share: float
    low: float
    high: float


class LabelShares(NamedTuple):
    """What the reference said where the device said one class.

    Parameters
    ----------
    label : str
        The device's class.
    third : str
        Third of the window: "first", "middle", "last"; "" for the whole.
    epochs : int
        How many there were.
    participants : int
        In how many people.
    shares : tuple of StageShare
        One for each class of the reference.
    """

    label: str
    third: str
    epochs: int
    participants: int
    shares: tuple[StageShare, ...]


@dataclass(frozen=True)
class LearnedEpochs:
    """How the epochs of a night get probabilities, and what these are worth.

    Parameters
    ----------
    classes : tuple of str
        Classes of the reference that the nights learnt from had.
    asleep : tuple of bool
        Whether each is sleep.
    rule : EpochFeatures
        How an epoch's features are made; its classes are those of the device.
    device_asleep : tuple of bool
        Whether each class of the device is sleep.
    model : ClassModel
        From features to probabilities.
    penalty : float or None
        Inverse strength of the ridge penalty; None where the label alone is used.
    verdict : Verdict
        Whether probabilities tell more than label, and label and third of the night, alone.
    epochs : int
        Learnt from.
    log_loss, brier : float
        In people not learnt from: mean over participants of each one's mean.
    by_label, by_third : Scores
        Of the frequencies under each label, and under each label in each third, beside those.
    reliability : tuple of ReliabilityBin
        Probabilities told and seen.
    shares : tuple of LabelShares
        What the device's classes were, whole and by third.
    """

    classes: tuple[str, ...]
    asleep: tuple[bool, ...]
    rule: EpochFeatures
    device_asleep: tuple[bool, ...]
    model: ClassModel
    penalty: float | None
    verdict: Verdict
    epochs: int
    log_loss: float
    brier: float
    by_label: Scores
    by_third: Scores
    reliability: tuple[ReliabilityBin, ...]
    shares: tuple[LabelShares, ...]

    @property
    def decided_by_third(self) -> bool:
        """Whether label and third of the night are what the probabilities do not beat; label alone they beat."""
        of_label = self.by_label.log_loss
        if self.verdict is Verdict.CANNOT_BE_TOLD:
            return of_label.high < 0
        return self.verdict is Verdict.DOES_NOT_HELP and self.penalty is not None and of_label.difference < 0

    def probabilities(self, labels: _Ints) -> _Values:
        """Return the probability of each class in each epoch, shape (n_epochs, n_classes); nan where it is silent.

        Parameters
        ----------
        labels : int array, shape (n_epochs,)
            The device's class of each epoch of the window, -1 where it says nothing.
        """
        found = self.model.probabilities(self.rule.of_night(labels, self.device_asleep))
        found[labels < 0] = np.nan
        return found

    def expected(self, sums: Sequence[float], tib_min: float) -> Iterator[tuple[str, float]]:
        """Yield each measure that the epochs' probabilities add up to, with its value.

        Parameters
        ----------
        sums : sequence of float
            Sum of each class's probabilities over the night's epochs.
        tib_min : float
            Length of the window in minutes.
        """
        minutes = [value * EPOCH_S / 60 for value in sums]
        tst = sum(value for value, sleeps in zip(minutes, self.asleep, strict=True) if sleeps)
        yield "TST", tst
        yield "SE", 100 * tst / tib_min if tib_min > 0 else 0.0
        for name, value, sleeps in zip(self.classes, minutes, self.asleep, strict=True):
            yield f"minutes {name}", value
            if sleeps:
                yield f"percent {name}", 100 * value / tst if tst > 0 else 0.0


class _Night(NamedTuple):
    """Classes of a night's epochs, -1 where there is none."""

    reference: _Ints
    device: _Ints
    third: _Ints


def learn_epochs(
    nights: Sequence[NightSummary],
    mapping: StageMapping,
    device_set: StageSet,
    who: _Ints,
    folds: _Ints,
    *,
    level: float,
) -> tuple[LearnedEpochs | None, dict[str, _Values]]:
    """Learn the probabilities of the reference's classes from what is known of the device alone.

    Parameters
    ----------
    nights : sequence of NightSummary
        In the order of ``who``.
    mapping : StageMapping
        Names the classes.
    device_set : StageSet
        The device's labels over all nights.
    who, folds : int array, shape (n_nights,)
        Number of each night's person and of the person's fold.
    level : float
        Of the intervals.

    Returns
    -------
    (LearnedEpochs or None, dict)
        None where the nights hold no epochs, or the reference one class only; and the expected value of each measure
        by models that saw neither a group nor that of the night, shape (n_groups, n_nights).
    """
    read = [_read(night, mapping) for night in nights]
    found = [night for night in read if night is not None and ((night.reference >= 0) & (night.device >= 0)).any()]
    groups = group_of(folds)
    if len(found) < len(nights) or np.unique(groups).size < _FEWEST_GROUPS:
        return None, {}
    counts = _count(found, who, mapping)
    seen = np.flatnonzero(counts.sum(axis=(0, 1, 2)))
    if seen.size < 2:
        return None, {}
    classes = tuple(mapping.reference_classes[i] for i in seen)
    position = np.full(len(mapping.reference_classes) + 1, -1)
    position[seen] = np.arange(seen.size)
    reference_asleep = asleep_classes(mapping, device_set)
    asleep = tuple(reference_asleep[i] for i in seen)
    rule = EpochFeatures(mapping.device_classes)
    device_asleep = tuple(reference_asleep[i] for i in mapping.device_index)
    learnt = learn_classes(
        [
            LabelledSequence(
                partial(rule.of_night, night.device, device_asleep),
                position[night.reference],
                night.device,
                night.third,
                int(person),
                int(group),
            )
            for night, person, group in zip(found, who, groups, strict=True)
        ],
        classes=len(classes),
        labels=len(mapping.device_classes),
        parts=len(THIRDS),
        level=level,
    )
    epochs = LearnedEpochs(
        classes,
        asleep,
        rule,
        device_asleep,
        learnt.model,
        learnt.penalty,
        learnt.verdict,
        int(counts.sum()),
        learnt.log_loss,
        learnt.brier,
        learnt.by_label,
        learnt.by_part,
        as_written(learnt.reliability, _DIGITS),
        tuple(_shares(counts[..., seen], mapping.device_classes, classes, level)),
    )
    return epochs, _values_expected(learnt.sums, nights, epochs)


def _values_expected(sums: _Values, nights: Sequence[NightSummary], epochs: LearnedEpochs) -> dict[str, _Values]:
    """Return by measure what sums of probabilities come to, shape (n_groups, n_nights)."""
    values: dict[str, _Values] = {}
    for i, night in enumerate(nights):
        for group in range(len(sums)):
            for name, value in epochs.expected(sums[group, i].tolist(), night.window_epochs * EPOCH_S / 60):
                values.setdefault(name, np.zeros(sums.shape[:2]))[group, i] = value
    return values


_FEWEST_GROUPS: Final = 3


def _read(night: NightSummary, mapping: StageMapping) -> _Night | None:
    if night.epochs is None:
        return None
    reference, device = night.epochs.unpack()
    third = third_of(np.arange(device.size), max(device.size, 1))
    return _Night(
        classes_of(reference, mapping.reference_codes(night.reference_set)),
        classes_of(device, mapping.device_codes(night.device_set)),
        third,
    )


def _count(nights: Sequence[_Night], who: _Ints, mapping: StageMapping) -> _Ints:
    """Return epochs by person, class of the device, third and class of the reference."""
    shape = (int(who.max()) + 1, len(mapping.device_classes), len(THIRDS), len(mapping.reference_classes))
    counts = np.zeros(shape, np.int64)
    for person, night in zip(who, nights, strict=True):
        known = (night.reference >= 0) & (night.device >= 0)
        np.add.at(counts[person], (night.device[known], night.third[known], night.reference[known]), 1)
    return counts


def _shares(counts: _Ints, labels: Sequence[str], classes: Sequence[str], level: float) -> Iterator[LabelShares]:
    for i, label in enumerate(labels):
        for third, own in (("", counts[:, i].sum(axis=1)), *((name, counts[:, i, t]) for t, name in enumerate(THIRDS))):
            of_person = own.sum(axis=1)
            if not of_person.any():
                continue
            shares = tuple(StageShare(name, *_share(own[:, k], of_person, level)) for k, name in enumerate(classes))
            people = int(np.count_nonzero(of_person))
            yield LabelShares(label, third, int(of_person.sum()), people, as_written(shares, _DIGITS))


def _share(hits: _Ints, of_person: _Ints, level: float) -> tuple[float, float, float]:
    """Return the share over all people, and Wilson's interval with as many epochs as the spread of people allows.

    The variance is that of a ratio of sums over people of several sizes. Where all are alike every person counts for
    one.
    """
    total = float(of_person.sum())
    share = float(hits.sum()) / total
    if of_person.max() > LARGEST_SHARE * total:
        return share, float("nan"), float("nan")
    inflation, degrees = (float(found) for found in uneven_units(of_person))
    off = hits - share * of_person
    variance = inflation * float(off @ off) / total**2
    effective = share * (1 - share) / variance if variance > _ROUNDING else degrees + 1
    n = min(max(effective, 1.0), total)
    low, high = score_interval(share * n, n, t_quantile(level, degrees))
    return share, float(low), float(high)
