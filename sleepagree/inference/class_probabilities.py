"""Probabilities of classes learnt by multinomial logistic regression, and their worth on people not learnt from.

The people stand in a few groups. Models are learnt without each group, and without each two of them: what the first say
of a group is that of people who had no part in them, and what the second say chooses the penalty inside each split.
Adjacent rows of a sequence say nearly the same, so that models are learnt from every k-th row of a large set.

References
----------
.. [1] Hosmer DW, Lemeshow S, Sturdivant RX. Applied Logistic Regression. 3rd ed., Wiley, 2013, section 8.1.
.. [2] Brier GW. Verification of forecasts expressed in terms of probability. Mon Weather Rev 1950;78:1-3.
.. [3] Gneiting T, Raftery AE. Strictly proper scoring rules, prediction, and estimation. J Am Stat Assoc
   2007;102:359-378.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.inference.correction import ErrorChange, Verdict, error_change, simplest_of

_Values = NDArray[np.float64]
_Ints = NDArray[np.int64]

#: Inverse strengths of the ridge penalty that are tried, from the strongest on.
PENALTIES: Final = (0.003, 0.03, 0.3)
BINS: Final = 10
_MOST_ROWS: Final = 40_000
_MOST_STEPS: Final = 300
#: Added to every count of the baselines: a class that a few people never had is unlikely, not impossible.
_HALF: Final = 0.5


@dataclass(frozen=True)
class ClassModel:
    """Probabilities of classes: softmax of ``intercepts + weights @ features``.

    Parameters
    ----------
    intercepts : tuple of float
        One for each class.
    weights : tuple of tuples of float
        For each class one for each feature.
    """

    intercepts: tuple[float, ...]
    weights: tuple[tuple[float, ...], ...]

    def probabilities(self, features: _Values) -> _Values:
        """Return the probability of each class, shape (n_rows, n_classes)."""
        sums = features @ np.array(self.weights).T + np.array(self.intercepts)
        powers = np.exp(sums - sums.max(axis=1, keepdims=True))
        found: _Values = powers / powers.sum(axis=1, keepdims=True)
        return found


class LabelledSequence(NamedTuple):
    """One sequence of a person.

    Parameters
    ----------
    features : callable
        Returns the features, float array of shape (n_rows, n_features); made when needed, for all together are large.
        The first ones say which label a row has, one for each label.
    truth : int array, shape (n_rows,)
        Class of each row, -1 where it is not known.
    label : int array, shape (n_rows,)
        What is said of each row, -1 where nothing is.
    part : int array, shape (n_rows,)
        Part of the sequence, from 0 on.
    who : int
        Number of the person.
    group : int
        Number of the person's group.
    """

    features: Callable[[], _Values]
    truth: _Ints
    label: _Ints
    part: _Ints
    who: int
    group: int

    @property
    def known(self) -> NDArray[np.bool_]:
        """Rows with a label whose class is known."""
        return (self.truth >= 0) & (self.label >= 0)


@dataclass(frozen=True)
class Scores:
    """Log loss [3]_ and Brier score [2]_ of a baseline, and those of the model minus those, over people."""

    log_loss: ErrorChange
    brier: ErrorChange


class ReliabilityBin(NamedTuple):
    """Probabilities that were told between two tenths: their mean, how often that class was right, how many."""

    told: float
    seen: float
    rows: int


@dataclass(frozen=True)
class LearnedClasses:
    """What is learnt of classes, and what that is worth on people not learnt from.

    Parameters
    ----------
    model : ClassModel
        Learnt from all people.
    penalty : float or None
        Inverse strength of its ridge penalty; None where the label alone says as much.
    verdict : Verdict
        Whether it tells more than label, and label and part, alone.
    log_loss, brier : float
        Cross-validated over people: mean over people of each one's mean.
    by_label, by_part : Scores
        Against the frequencies of classes under each label, and under each label in each part.
    reliability : tuple of ReliabilityBin
        Of all classes together, rows of people not learnt from.
    sums : float array, shape (n_groups, n_sequences, n_classes)
        Sum over the known rows of each sequence of the probabilities by models that saw neither the group nor that of
        the sequence.
    """

    model: ClassModel
    penalty: float | None
    verdict: Verdict
    log_loss: float
    brier: float
    by_label: Scores
    by_part: Scores
    reliability: tuple[ReliabilityBin, ...]
    sums: _Values


class _Rows(NamedTuple):
    """Rows that models are learnt from and chosen by."""

    features: _Values
    truth: _Ints
    who: _Ints
    group: _Ints


def learn_classes(
    sequences: Sequence[LabelledSequence], *, classes: int, labels: int, parts: int, level: float = 0.95
) -> LearnedClasses:
    """Learn probabilities of classes, and cross-validate the whole procedure over groups of people.

    Parameters
    ----------
    sequences : sequence of LabelledSequence
        Of people in at least three groups.
    classes, labels, parts : int
        How many there are.
    level : float
        Of the intervals of differences.

    Raises
    ------
    ValueError
        With fewer than three groups, or when a person stands in two of them.
    """
    groups = sorted({s.group for s in sequences})
    if len({(s.who, s.group) for s in sequences}) != len({s.who for s in sequences}):
        raise ValueError("a person stands in two groups: the errors would flatter")
    if len(groups) < 3:
        raise ValueError(f"at least 3 groups are needed, not {len(groups)}")
    rows = _thin(sequences)
    fits = _Fits(rows, classes, labels)
    chosen = {group: fits.choose(group) for group in groups}
    scored = _Scored(sequences, (classes, labels, parts))
    sums = np.zeros((max(groups) + 1, len(sequences), classes))
    for i, sequence in enumerate(sequences):
        known = sequence.known
        features = sequence.features()[known]
        for group in groups:
            model = fits.model(chosen[group], group, sequence.group)
            probabilities = model.probabilities(features)
            sums[group, i] = probabilities.sum(axis=0)
            if group == sequence.group:
                scored.add(sequence, known, probabilities)
    return _result_of(scored, fits, sums, level)


def _result_of(scored: _Scored, fits: _Fits, sums: _Values, level: float) -> LearnedClasses:
    own, *others = scored.by_person()
    by_label, by_part = (Scores(*(error_change(own[:, k], other[:, k], level) for k in (0, 1))) for other in others)
    penalty = fits.choose()
    differences = by_label.log_loss, by_part.log_loss
    verdict = Verdict.CANNOT_BE_TOLD
    if penalty is None or any(change.difference >= 0 for change in differences):
        verdict = Verdict.DOES_NOT_HELP
    elif all(change.high < 0 for change in differences):
        verdict = Verdict.HELPS
    log_loss, brier = own.mean(axis=0).tolist()
    return LearnedClasses(
        fits.model(penalty), penalty, verdict, log_loss, brier, by_label, by_part, scored.bins(), sums
    )


def _thin(sequences: Sequence[LabelledSequence]) -> _Rows:
    total = sum(int(np.count_nonzero(s.known)) for s in sequences)
    step = max(1, -(-total // _MOST_ROWS))
    taken = [np.flatnonzero(s.known)[::step] for s in sequences]
    return _Rows(
        np.concatenate([s.features()[rows] for s, rows in zip(sequences, taken, strict=True)]),
        np.concatenate([s.truth[rows] for s, rows in zip(sequences, taken, strict=True)]),
        np.repeat([s.who for s in sequences], [rows.size for rows in taken]),
        np.repeat([s.group for s in sequences], [rows.size for rows in taken]),
    )


def _person_weights(who: _Ints) -> _Values:
    """Return weights with mean 1 that give every person the same in all."""
    _, position, rows = np.unique(who, return_inverse=True, return_counts=True)
    return who.size / (rows.size * rows[position])


class _Fits:
    """Models learnt without groups of people, each once."""

    def __init__(self, rows: _Rows, classes: int, labels: int) -> None:
        self.rows, self.classes, self.labels = rows, classes, labels
        self._paths: dict[tuple[int, ...], tuple[ClassModel, ...]] = {}

    def model(self, penalty: float | None, *without: int) -> ClassModel:
        """Return the model of people outside of some groups; penalty None for the label alone."""
        place = 0 if penalty is None else 1 + PENALTIES.index(penalty)
        return self._path(without)[place]

    def choose(self, *without: int) -> float | None:
        """Return the penalty with the least log loss in people left out in turn; None unless one standard error better.

        A penalty stronger than the best one would make all probabilities too timid.
        """
        inside = ~np.isin(self.rows.group, without)
        losses = np.empty((1 + len(PENALTIES), self.rows.truth.size))
        for group in np.unique(self.rows.group[inside]).tolist():
            mine = self.rows.group == group
            for k, model in enumerate(self._path((*without, group))):
                found = model.probabilities(self.rows.features[mine])
                losses[k, mine] = _log_losses(found, self.rows.truth[mine])
        people, position, count = np.unique(self.rows.who[inside], return_inverse=True, return_counts=True)
        means = [np.bincount(position, one[inside], people.size) / count for one in losses]
        best = min(range(1, len(means)), key=lambda k: float(means[k].mean()))
        return (None, PENALTIES[best - 1])[simplest_of((means[0], means[best]))]

    def _path(self, without: tuple[int, ...]) -> tuple[ClassModel, ...]:
        key = tuple(sorted(set(without)))
        if key not in self._paths:
            rows = np.flatnonzero(~np.isin(self.rows.group, key))
            features, truth = self.rows.features[rows], self.rows.truth[rows]
            weights = _person_weights(self.rows.who[rows])
            alone = _label_model(features[:, : self.labels], truth, weights, self.classes, features.shape[1])
            self._paths[key] = (alone, *fit_path(features, truth, weights, classes=self.classes))
        return self._paths[key]


def _label_model(is_label: _Values, truth: _Ints, weights: _Values, classes: int, features: int) -> ClassModel:
    """Return the frequencies of the classes under each label as a model of all features."""
    counts = np.full((classes, is_label.shape[1]), _HALF)
    np.add.at(counts, truth, is_label * weights[:, None])
    logs = np.zeros((classes, features))
    logs[:, : is_label.shape[1]] = np.log(counts / counts.sum(axis=0))
    return ClassModel((0.0,) * classes, tuple(map(tuple, logs.tolist())))


def fit_path(features: _Values, truth: _Ints, weights: _Values, *, classes: int) -> tuple[ClassModel, ...]:
    """Return the models of all penalties, from the strongest on, each begun where the one before ended.

    Parameters
    ----------
    features : float array, shape (n_rows, n_features)
        Standardised here; the models take them as they are.
    truth : int array, shape (n_rows,)
        Classes.
    weights : float array, shape (n_rows,)
        What each row counts for.
    classes : int
        How many classes there are; one that no row has is unlikely everywhere.
    """
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import LogisticRegression
    from threadpoolctl import threadpool_limits

    middle, spread = features.mean(axis=0), features.std(axis=0)
    spread[spread < 1e-9] = 1.0
    present = np.unique(truth)
    slopes = np.zeros((classes, features.shape[1]))
    starts = np.full(classes, np.log(_HALF / truth.size))
    if present.size < 2:
        starts[present] = 0.0
        return (ClassModel(tuple(starts.tolist()), tuple(map(tuple, slopes.tolist()))),) * len(PENALTIES)
    standard = (features - middle) / spread
    learner = LogisticRegression(max_iter=_MOST_STEPS, warm_start=True)
    found = []
    # sums of several threads differ in their last digits from machine to machine
    with threadpool_limits(1), warnings.catch_warnings():
        # a weak penalty may be left a little short of its optimum, which the choice of penalties takes into account
        warnings.simplefilter("ignore", ConvergenceWarning)
        for penalty in PENALTIES:
            learner.set_params(C=penalty).fit(standard, truth, sample_weight=weights)
            rows = learner.coef_ if present.size > 2 else np.vstack([-learner.coef_ / 2, learner.coef_ / 2])
            own = learner.intercept_ if present.size > 2 else learner.intercept_ * np.array([-0.5, 0.5])
            slopes[present] = rows / spread
            starts[present] = own - slopes[present] @ middle
            found.append(ClassModel(tuple(starts.tolist()), tuple(map(tuple, slopes.tolist()))))
    return tuple(found)


def _log_losses(probabilities: _Values, truth: _Ints) -> _Values:
    right = probabilities[np.arange(truth.size), truth]
    return -np.log(np.maximum(right, np.finfo(float).tiny))


class _Scored:
    """Losses of the model and of both baselines in people not learnt from, and reliability, sequence by sequence."""

    def __init__(self, sequences: Sequence[LabelledSequence], shape: tuple[int, int, int]) -> None:
        self.classes, self.labels, self.parts = shape
        people = sorted({s.who for s in sequences})
        self._place = {who: i for i, who in enumerate(people)}
        group_of = {s.who: s.group for s in sequences}
        counts = np.zeros((len(people), self.labels, self.parts, self.classes))
        for s in sequences:
            known = s.known
            np.add.at(counts[self._place[s.who]], (s.label[known], s.part[known], s.truth[known]), 1.0)
        rows = counts.sum(axis=(1, 2, 3))
        # every person counts for the same, here as in the models
        shares = counts * (rows.mean() / np.maximum(rows, 1))[:, None, None, None]
        groups = np.array([group_of[who] for who in people])
        self._of_parts = {g: shares[groups != g].sum(axis=0) for g in set(groups.tolist())}
        self._losses = np.zeros((3, len(people), 2))
        self._rows = np.zeros(len(people))
        self._bins = np.zeros((3, BINS))

    def add(self, s: LabelledSequence, known: NDArray[np.bool_], probabilities: _Values) -> None:
        """Take one sequence with what a model says that saw none of its group."""
        truth, label, part = s.truth[known], s.label[known], s.part[known]
        in_parts = self._of_parts[s.group]
        of_label = in_parts.sum(axis=1) + _HALF
        of_part = in_parts + _HALF
        told = (
            probabilities,
            (of_label / of_label.sum(axis=-1, keepdims=True))[label],
            (of_part / of_part.sum(axis=-1, keepdims=True))[label, part],
        )
        is_class = truth[:, None] == np.arange(self.classes)
        place = self._place[s.who]
        for k, p in enumerate(told):
            self._losses[k, place] += _log_losses(p, truth).sum(), ((p - is_class) ** 2).sum()
        self._rows[place] += truth.size
        at = np.minimum((probabilities * BINS).astype(np.intp), BINS - 1).ravel()
        for k, values in enumerate((probabilities.ravel(), is_class.ravel(), np.ones(at.size))):
            self._bins[k] += np.bincount(at, values, BINS)

    def by_person(self) -> _Values:
        """Return log loss and Brier score of model, label, and label and part, shape (3, people, 2)."""
        seen = self._rows > 0
        return self._losses[:, seen] / self._rows[seen, None]

    def bins(self) -> tuple[ReliabilityBin, ...]:
        """Return told and seen probabilities by tenths; a tenth that nothing fell into is left out."""
        told, seen, rows = self._bins
        return tuple(
            ReliabilityBin(float(told[i] / rows[i]), float(seen[i] / rows[i]), int(rows[i]))
            for i in range(BINS)
            if rows[i]
        )
