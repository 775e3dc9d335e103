"""Kappa of labels in arrays, with its interval over participants: a study for those who train stagers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from sleepagree.caution import Caution
from sleepagree.errors import SleepAgreeError, counted, shorten, take_name
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.ledger import Status
from sleepagree.inference.estimate import Estimate
from sleepagree.readers.memory import read_hypnogram
from sleepagree.shown import Brief
from sleepagree.study.night_summary import Refusal
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.summarise import summarise_study

if TYPE_CHECKING:
    import pandas as pd

_SCORED: Final = Status.SCORED.word
_NOTHING: Final = "gap_on_both_sides"
_REFUSED: Final = "refused"


@dataclass(frozen=True, repr=False)
class AgreementScore(Brief):
    """Agreement of labels in arrays; ``float(score)`` is its kappa, and ``format(score, ".2f")`` writes it.

    Parameters
    ----------
    kappa, accuracy : Estimate
        Of all scored epochs together, with intervals over participants.
    mapping : str
        Name of the mapping that the kappa is of.
    participants : int
        Participants with a scored epoch.
    ledger : tuple of (str, int)
        ``"scored"`` and the reasons why others were not -> epochs; they add up to the length of the arrays.
    study : StudyAgreement
        All else: classes, confusion, bias, cautions, and the participants that were refused.

    Examples
    --------
    >>> score = agreement_score(["W", "N2", "R"] * 40, ["W", "N2", "N2"] * 40, groups=["crew-1", "crew-2"] * 60)
    >>> score.mapping, round(score.accuracy.value, 3), score.participants
    ('wake-nrem-rem', 0.667, 2)
    """

    kappa: Estimate
    accuracy: Estimate
    mapping: str
    participants: int
    ledger: tuple[tuple[str, int], ...]
    study: StudyAgreement

    def __float__(self) -> float:
        """Return kappa."""
        return self.kappa.value

    def __format__(self, spec: str) -> str:
        return format(float(self), spec) if spec else str(self)

    def __repr__(self) -> str:
        kappa = self.kappa
        ends = f"{100 * kappa.level:g} % interval {kappa.low:.3f} to {kappa.high:.3f}"
        return (
            f"AgreementScore(kappa {kappa.value:.3f}, {'no interval' if math.isnan(kappa.low) else ends}, "
            f"mapping '{self.mapping}', {counted(self.participants, 'participant')})"
        )

    @property
    def finding(self) -> str:
        """What was found, in a sentence."""
        return self.study.finding

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What may mislead a reader."""
        return self.study.cautions

    def to_frame(self, table: str = "") -> pd.DataFrame:
        """Return one table of the study as a DataFrame; an unknown name is refused, with a list of the known ones."""
        return self.study.to_frame(table)


def agreement_score(
    y_true: Any,
    y_pred: Any,
    groups: Any,
    *,
    stages: Mapping[Any, str] | None = None,
    reports: Sequence[str] | None = None,
    options: StudyOptions | None = None,
) -> AgreementScore:
    """Score predicted stages against scored ones, epoch by epoch, with participants as the units of every interval.

    It is `summarise_study` on the epochs of each participant: a stager in training is judged by the numbers that a
    validation study reports.

    Parameters
    ----------
    y_true, y_pred : array-like of str or int, shape (epochs,)
        Labels of 30-s epochs by the reference and by the stager; None, nan and "" are gaps.
    groups : array-like, shape (epochs,)
        Who slept, for each epoch.
    stages : mapping, optional
        Label -> stage word, for both sides (numbers need it: ``{0: "W", 1: "N1", ...}``).
    reports : sequence of str, optional
        What the stager can predict; default: the labels that it did predict, and, where the reference has all of these,
        those of the reference: a stager that never says N1 could have.
    options : StudyOptions, optional
        Mappings, resamples, level and seed.

    Returns
    -------
    AgreementScore

    Raises
    ------
    ValueError
        When the arrays differ in length or are empty, a group has no name, no epoch is scored on both sides, or no
        mapping has a kappa.
    SleepAgreeError
        When a label is unknown.

    References
    ----------
    .. [1] Cohen J. A coefficient of agreement for nominal scales. Educ Psychol Meas 1960;20:37-46.

    Examples
    --------
    >>> true, predicted = ["W", "N1", "N2", "N2", "N3", "R"] * 40, ["W", "N2", "N2", "N2", "N3", "R"] * 40
    >>> score = agreement_score(true, predicted, groups=["crew-1"] * 90 + ["crew-2"] * 150)
    >>> round(float(score), 3), score.participants, dict(score.ledger)
    (0.778, 2, {'scored': 240})
    """
    true, predicted, who = (
        _one_each_epoch(*given) for given in (("y_true", y_true), ("y_pred", y_pred), ("groups", groups))
    )
    if not len(true) == len(predicted) == len(who) or not who:
        raise ValueError(
            f"y_true, y_pred and groups must have one entry for each epoch, not {len(true)}, {len(predicted)} and "
            f"{len(who)}"
        )
    if reports is None:
        told, scored = (read_hypnogram(labels, stages=stages) for labels in (predicted, true))
        reports = scored.stages if set(told.stages) <= set(scored.stages) else told.stages
        reports = tuple(dict.fromkeys(stage for stage in reports if stage != "unscored"))
    outcomes: list[Any] = []
    ledger: Counter[str] = Counter({_SCORED: 0})
    for row, (name, mine) in enumerate(_epochs_by_name(who).items(), 1):
        sides = ([side[i] for i in mine] for side in (true, predicted))
        reference, device = (read_hypnogram(side, stages=stages) for side in sides)
        try:
            # the whole of both sides: epochs that stand alone at an end are gaps of the other side
            paired = align(reference=reference, device=device, window="overlap", reports=reports)
        except SleepAgreeError as error:
            outcomes.append(Refusal(row, name, "1", "y_pred", str(error)))
            ledger[_REFUSED] += len(mine)
            continue
        outcomes.append((name, "1", "y_pred", paired))
        found = paired.ledger
        ledger.update({_SCORED: found.scored, **dict(found.excluded)})
        ledger[Status.DEVICE_GAP.word] += found.outside_reference
        ledger[Status.REFERENCE_GAP.word] += found.outside_device
        ledger[_NOTHING] += len(mine) - found.window_epochs - found.outside_reference - found.outside_device
    study = summarise_study(outcomes, options)
    if not study.devices or not ledger[_SCORED]:
        raise ValueError("no epoch has a stage in both y_true and y_pred")
    device_study = study.devices[0]
    studied = next((m for m in device_study.mappings if m.find("kappa") is not None), None)
    accuracy = None if studied is None else studied.find("accuracy")
    kappa = None if studied is None else studied.find("kappa")
    if studied is None or kappa is None or accuracy is None:
        names = ", ".join(shorten(m.mapping.name) for m in device_study.mappings)
        raise ValueError(f"no mapping that fits these labels has a kappa; found {names}")
    account = tuple((reason, epochs) for reason, epochs in ledger.items() if epochs or reason == _SCORED)
    return AgreementScore(
        kappa.pooled.primary,
        accuracy.pooled.primary,
        studied.mapping.name,
        len(device_study.participants),
        account,
        study,
    )


def _epochs_by_name(groups: list[Any]) -> dict[str, list[int]]:
    """Return the positions of the epochs of each participant."""
    rows: dict[str, list[int]] = {}
    for i, name in enumerate(groups):
        rows.setdefault(take_name(f"groups[{i}]", name), []).append(i)
    return rows


def _one_each_epoch(name: str, given: Any) -> list[Any]:
    """Return labels as a list."""
    if isinstance(given, (str, bytes, Mapping)) or not hasattr(given, "__len__"):
        raise ValueError(f"{name} must be an array or a list with one entry for each epoch, not {given!r}")
    if np.ndim(given) != 1:
        raise ValueError(f"{name} must have one dimension, not {np.ndim(given)}")
    return list(given)
