"""Learning to correct a measurement from people in whom the true value was measured too, and proving it on others.

Every candidate is a weighted sum of what the device measured, so that a correction is a handful of plain numbers. Which
candidate is used is chosen inside the training people of every split: the error that is told is that of the whole
procedure on people that no part of it has seen.

References
----------
.. [1] Breiman L, Friedman JH, Olshen RA, Stone CJ. Classification and Regression Trees. Wadsworth, 1984, section
   3.4.3: of candidates within one standard error of the best, the simplest.
.. [2] Varma S, Simon R. Bias in error estimation when using cross-validation for model selection. BMC Bioinformatics
   2006;7:91.
.. [3] Barber RF, Candes EJ, Ramdas A, Tibshirani RJ. Predictive inference with the jackknife+. Annals of Statistics
   2021;49:486-507.
.. [4] Sen PK. Estimates of the regression coefficient based on Kendall's tau. J Am Stat Assoc 1968;63:1379-1389.
.. [5] Hoerl AE, Kennard RW. Ridge regression. Technometrics 1970;12:55-67.
.. [6] Kish L. Survey Sampling. Wiley, 1965, section 5.4: how many independent values clustered ones are worth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.inference.estimate import weighted_quantile
from sleepagree.inference.people import take_moments

_Values = NDArray[np.float64]
_Rows = NDArray[np.intp]
_Ints = NDArray[np.int64]

#: Up to so many people each one is left out by itself.
LEAVE_ONE_OUT_UP_TO: Final = 20
#: Fewer people than this show nothing: two to learn from and choose with, one to test on.
FEWEST_PEOPLE: Final = 3
_OUTER_FOLDS: Final = 10
_GROUPS: Final = 5
_PENALTIES: Final = (1.0, 10.0, 100.0)
_MOST_LAGS: Final = 400
_RESIDUALS_A_FOLD: Final = 21
_DIGITS: Final = 6
#: An interval narrower than this was made of errors that nobody had.
_NO_WIDTH: Final = 1e-6


class Method(StrEnum):
    """How a corrected value is made, from the simplest on."""

    NONE = "none"
    SHIFT = "shift"
    MEAN = "mean"
    LINE = "line"
    ROBUST_LINE = "robust_line"
    MANY = "many"
    EPOCHS = "epochs"


class Verdict(StrEnum):
    """What correcting did to the error in people who were not learnt from."""

    HELPS = "helps"
    CANNOT_BE_TOLD = "cannot_be_told"
    DOES_NOT_HELP = "does_not_help"


class IntervalKind(StrEnum):
    """How a prediction interval was made."""

    CV_PLUS = "cv+"
    T = "t"


@dataclass(frozen=True)
class WeightedSum:
    """A corrected value: ``intercept + sum(weights * features)``.

    Parameters
    ----------
    intercept : float
        In the unit of the value.
    weights : tuple of float
        One for each feature.
    """

    intercept: float
    weights: tuple[float, ...]

    def value(self, features: Sequence[float]) -> float:
        """Return the sum for one night; a feature of weight 0 is not looked at."""
        terms = [weight * x for weight, x in zip(self.weights, features, strict=True) if weight]
        return self.intercept + math.fsum(terms)


@dataclass(frozen=True)
class FoldErrors:
    """What one fold of people adds to prediction intervals: its model, and that model's errors on its people.

    Parameters
    ----------
    model : WeightedSum
        Learnt without the people of the fold.
    residuals : tuple of float
        Absolute errors of the model on the fold's nights; the smaller half, which ends no interval, as the largest of
        them.
    shares : tuple of float
        How many people each one stands for.
    """

    model: WeightedSum
    residuals: tuple[float, ...]
    shares: tuple[float, ...]


class ValueRange(NamedTuple):
    """Ends of what a value can be."""

    low: float
    high: float

    def clip(self, value: float) -> float:
        """Return the nearest value that can be."""
        return min(max(value, self.low), self.high)


@dataclass(frozen=True)
class PredictionInterval:
    """How an interval for a new night of a new person is made.

    Parameters
    ----------
    kind : IntervalKind
        CV+ over people, or t-based where there are too few of them.
    level : float
        Probability that it should hold the true value.
    independent : float
        How many independent errors those of the nights learnt from are worth: people, where a person's nights are all
        alike in it, up to the number of nights.
    half_width : float
        Of the t-based interval; of CV+ where all folds agree, which tells its size. nan where hardly anybody learnt
        from had an error: how far off a new person may be is then not known.
    folds : tuple of FoldErrors
        For CV+ where their models differ; else empty.
    """

    kind: IntervalKind
    level: float
    independent: float
    half_width: float
    folds: tuple[FoldErrors, ...] = ()

    def around(self, value: float, features: Sequence[float], bounds: ValueRange) -> tuple[float, float]:
        """Return both ends for one night, nan where the errors that they are made of are all 0.

        Parameters
        ----------
        value : float
            The corrected value.
        features : sequence of float
            What the device measured.
        bounds : ValueRange
            Ends of what can be.
        """
        if not self.folds:
            return _with_width(bounds.clip(value - self.half_width), bounds.clip(value + self.half_width))
        models = [bounds.clip(fold.model.value(features)) for fold in self.folds]
        predicted = np.repeat(models, [len(fold.residuals) for fold in self.folds])
        residuals, shares = (np.concatenate([getattr(f, n) for f in self.folds]) for n in ("residuals", "shares"))
        part = _part(self.level, self.independent)
        low = -weighted_quantile(residuals - predicted, shares, part)
        high = weighted_quantile(predicted + residuals, shares, part)
        return _with_width(bounds.clip(low), bounds.clip(high))


def _with_width(low: float, high: float) -> tuple[float, float]:
    return (low, high) if high - low > _NO_WIDTH else (math.nan, math.nan)


def _part(level: float, independent: float) -> float:
    """Return what part of the known errors to reach so that a new one, in any place among them, is inside."""
    return min(level * (1 + 1 / independent), 1.0)


@dataclass(frozen=True)
class ErrorChange:
    """A mean absolute error of the correction beside that of something simpler, over people not learnt from.

    Parameters
    ----------
    error : float
        Of the simpler thing: mean over people of each one's mean absolute error.
    difference, low, high : float
        Error of the correction minus that one, with its t interval over people; negative is better.
    """

    error: float
    difference: float
    low: float
    high: float


@dataclass(frozen=True)
class LearnedValue:
    """How one value is corrected, and what that is worth.

    Parameters
    ----------
    method : Method
        What is applied.
    model : WeightedSum
        Its numbers.
    verdict : Verdict
        Whether correcting helps.
    people, nights : int
        Learnt from.
    corrected_error : float
        Of the whole procedure, cross-validated over people: mean over people of each one's mean absolute error.
    raw : ErrorChange or None
        Against the device's own value; None where it has none.
    usual : ErrorChange
        Against the mean of the other people, whatever the device says.
    interval : PredictionInterval
        For a new night of a new person.
    coverage : float
        Share of nights of people not learnt from that lay inside their interval, mean over people; nan where there is
        no interval.
    own_range : (float, float) or None
        Of the device's own value in the nights learnt from.
    """

    method: Method
    model: WeightedSum
    verdict: Verdict
    people: int
    nights: int
    corrected_error: float
    raw: ErrorChange | None
    usual: ErrorChange
    interval: PredictionInterval
    coverage: float
    own_range: tuple[float, float] | None


class Expected(NamedTuple):
    """What a model of parts of a night expects of its value.

    Parameters
    ----------
    at : int
        Position of the feature that holds it.
    values : float array, shape (n_groups, n_nights)
        By models that saw neither the group nor the one of the night; only :meth:`Examples.without` looks at them.
    """

    at: int
    values: _Values


@dataclass(frozen=True, eq=False)
class Examples:
    """Nights on which both the device's features and the true value are known.

    Parameters
    ----------
    features : float array, shape (n_nights, n_features)
        What the device measured, all known.
    truth : float array, shape (n_nights,)
        The true value, known.
    who : int array, shape (n_nights,)
        Number of each night's person.
    own : int or None
        Position of the feature that is the device's own word for the value; None where it has none.
    many : tuple of int
        Positions of the features that the ridge uses.
    bounds : ValueRange
        Ends of what the value can be.
    folds : int array, shape (n_nights,), optional
        Part of the people that each night belongs to (:func:`fold_people`); by default they are split here.
    expected : Expected, optional
        The value as a model of parts of the night has it, itself learnt from people.
    """

    features: _Values
    truth: _Values
    who: NDArray[np.int64]
    own: int | None
    many: tuple[int, ...]
    bounds: ValueRange
    folds: NDArray[np.int64] | None = None
    expected: Expected | None = None

    def take(self, rows: _Rows) -> Examples:
        """Return some of the nights."""
        folds = None if self.folds is None else self.folds[rows]
        return replace(self, features=self.features[rows], truth=self.truth[rows], who=self.who[rows], folds=folds)

    def without(self, fold: int | None = None) -> Examples:
        """Return the nights with what models expect that saw neither a night's own group nor that of a fold."""
        if self.expected is None or self.folds is None:
            return self
        own = group_of(self.folds)
        features = self.features.copy()
        row = own if fold is None else group_of(np.full_like(own, fold))
        features[:, self.expected.at] = self.expected.values[row, np.arange(own.size)]
        return replace(self, features=features)

    @cached_property
    def _by_person(self) -> tuple[_Ints, _Ints]:
        """Which person's each night is, counted from 0 in the order of their numbers, and each one's nights."""
        _, position, nights = np.unique(self.who, return_inverse=True, return_counts=True)
        return position, nights

    @property
    def people(self) -> int:
        """How many people there are."""
        return int(self._by_person[1].size)

    def predict(self, model: WeightedSum) -> _Values:
        """Return the corrected values, within bounds."""
        sums = self.features @ np.array(model.weights) + model.intercept
        clipped: _Values = np.clip(sums, *self.bounds)
        return clipped

    @property
    def shares(self) -> _Values:
        """What part of its person each night is."""
        position, nights = self._by_person
        return 1.0 / nights[position]

    def mean_by_person(self, values: _Values) -> _Values:
        """Return the mean over each person's nights, in the order of their numbers."""
        position, nights = self._by_person
        return np.bincount(position, weights=values) / nights


class _Candidate(NamedTuple):
    method: Method
    penalty: float = 0.0


def learn_value(examples: Examples, *, level: float = 0.95) -> LearnedValue:
    """Learn how to correct one value and what that is worth, by nested cross-validation over people.

    Parameters
    ----------
    examples : Examples
        At least three people.
    level : float
        Of every interval.

    Returns
    -------
    LearnedValue

    Raises
    ------
    ValueError
        With fewer than three people, or when a split has a person on both sides.
    """
    if examples.people < FEWEST_PEOPLE:
        raise ValueError(f"at least {FEWEST_PEOPLE} people are needed, not {examples.people}")
    if examples.folds is None:
        examples = replace(examples, folds=fold_people(examples.who))
    kind = _interval_kind(examples.people, level)
    corrected, usual = np.empty_like(examples.truth), np.empty_like(examples.truth)
    inside = np.empty(examples.truth.size)
    for fold, training, held_out in _splits(examples, of_groups=False):
        seen = examples.without(fold)
        known, new = seen.take(training), seen.take(held_out)
        candidate, trial = _choose(known)
        model = _fit(candidate, known)
        corrected[held_out] = new.predict(model)
        usual[held_out] = new.predict(_fit(_Candidate(Method.MEAN), known))
        interval = _interval(known, trial, kind, level)
        for row, features in zip(held_out.tolist(), new.features.tolist(), strict=True):
            low, high = interval.around(float(corrected[row]), features, examples.bounds)
            is_exact = math.isnan(low) and abs(corrected[row] - examples.truth[row]) <= _NO_WIDTH
            inside[row] = is_exact or low <= examples.truth[row] <= high
    errors = _errors(examples, corrected)
    raw = None
    if examples.own is not None:
        raw = error_change(errors, _errors(examples, examples.predict(_fit(_Candidate(Method.NONE), examples))), level)
    against_usual = error_change(errors, _errors(examples, usual), level)
    examples = examples.without()
    chosen, _ = _choose(examples)
    verdict = _judge(chosen.method, raw, against_usual)
    if verdict is Verdict.DOES_NOT_HELP and chosen.method is not Method.MEAN:
        # what did not help new people is not applied, but the simpler thing that came closer
        nearer = raw is not None and raw.error <= against_usual.error
        chosen = _Candidate(Method.NONE if nearer else Method.MEAN)
    trial = _try(chosen, examples, of_groups=False)
    own = None if examples.own is None else examples.features[:, examples.own]
    made = _interval(examples, trial, kind, level)
    is_made = bool(made.folds) or not math.isnan(made.half_width)
    return LearnedValue(
        chosen.method,
        _fit(chosen, examples),
        verdict,
        examples.people,
        examples.truth.size,
        float(errors.mean()),
        raw,
        against_usual,
        made,
        float(examples.mean_by_person(inside).mean()) if is_made else math.nan,
        None if own is None else (float(own.min()), float(own.max())),
    )


def _judge(method: Method, raw: ErrorChange | None, usual: ErrorChange) -> Verdict:
    """Return whether it beats the device's own value, and is no worse than a guess that asks no device."""
    change = usual if raw is None else raw
    if method in (Method.NONE, Method.MEAN) or change.difference >= 0 or usual.difference >= 0:
        return Verdict.DOES_NOT_HELP
    return Verdict.HELPS if change.high < 0 else Verdict.CANNOT_BE_TOLD


def _errors(examples: Examples, predicted: _Values) -> _Values:
    return examples.mean_by_person(np.abs(predicted - examples.truth))


def error_change(corrected: _Values, simpler: _Values, level: float) -> ErrorChange:
    """Return the mean error of people by a simpler thing, and how a correction's differs, with its t interval.

    Parameters
    ----------
    corrected, simpler : float array, shape (n_people,)
        Each person's mean error.
    level : float
        Of the interval.
    """
    from scipy.stats import t

    differences = corrected - simpler
    half = float(t.ppf((1 + level) / 2, differences.size - 1)) * float(differences.std(ddof=1))
    half /= math.sqrt(differences.size)
    middle = float(differences.mean())
    return ErrorChange(float(simpler.mean()), middle, middle - half, middle + half)


# --- splits and choice ------------------------------------------------------------------------------------


def fold_people(who: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the part of the people that each night's person is in: up to 20 people each by itself, else ten parts.

    Parameters
    ----------
    who : int array, shape (n_nights,)
        Number of each night's person.
    """
    from sklearn.model_selection import GroupKFold

    people = np.unique(who).size
    parts = GroupKFold(people if people <= LEAVE_ONE_OUT_UP_TO else _OUTER_FOLDS)
    folds = np.empty(who.size, np.int64)
    for i, (_, held_out) in enumerate(parts.split(who, groups=who)):
        folds[held_out] = i
    return folds


def group_of(folds: _Ints) -> _Ints:
    """Return the group that each fold belongs to: choices are made with whole groups left out."""
    return folds % _GROUPS


def _splits(examples: Examples, *, of_groups: bool) -> Iterator[tuple[int, _Rows, _Rows]]:
    """Yield each fold (or group of folds), the rows to learn from and those held out; refuse a person on both sides."""
    assert examples.folds is not None  # noqa: S101 - learn_value gives them where nobody else did
    parts = group_of(examples.folds) if of_groups else examples.folds
    for part in np.unique(parts).tolist():
        training, held_out = np.flatnonzero(parts != part), np.flatnonzero(parts == part)
        both = np.intersect1d(examples.who[training], examples.who[held_out])
        if both.size:
            raise ValueError(f"a split has {both.size} people on both sides: their errors would flatter")
        yield part, training, held_out


def _candidates(examples: Examples) -> tuple[_Candidate, ...]:
    """Return what may be chosen, from the simplest on."""
    of_own = (Method.NONE, Method.SHIFT, Method.MEAN, Method.LINE, Method.ROBUST_LINE)
    simple = of_own if examples.own is not None else (Method.MEAN,)
    # of two penalties the larger one is the simpler candidate
    ridges = tuple(_Candidate(Method.MANY, penalty) for penalty in sorted(_PENALTIES, reverse=True))
    sums = (_Candidate(Method.EPOCHS),) if examples.expected is not None else ()
    return (*map(_Candidate, simple), *(ridges if examples.many else ()), *sums)


class _Trial(NamedTuple):
    """A candidate tried on people left out: their corrected values, and each fold's model and rows."""

    predicted: _Values
    folds: tuple[tuple[WeightedSum, _Rows], ...]


def _try(candidate: _Candidate, examples: Examples, *, of_groups: bool) -> _Trial:
    predicted = np.empty_like(examples.truth)
    folds = []
    for _, training, held_out in _splits(examples, of_groups=of_groups):
        model = _fit(candidate, examples.take(training))
        predicted[held_out] = examples.take(held_out).predict(model)
        folds.append((model, held_out))
    return _Trial(predicted, tuple(folds))


def _choose(examples: Examples) -> tuple[_Candidate, _Trial]:
    """Return the simplest candidate that is within one standard error of the best, and how it did."""
    candidates = _candidates(examples)
    trials = [_try(candidate, examples, of_groups=True) for candidate in candidates]
    best = simplest_of([_errors(examples, trial.predicted) for trial in trials])
    return candidates[best], trials[best]


def simplest_of(errors: Sequence[_Values]) -> int:
    """Return the first candidate whose mean error is at most one standard error above the least [1]_.

    Parameters
    ----------
    errors : sequence of float arrays, each of shape (n_people,)
        Of each candidate, from the simplest on. The standard error is that of the paired differences over people.
    """
    best = min(errors, key=lambda e: float(e.mean()))
    worse = [error - best for error in errors]
    near = [w.mean() <= w.std(ddof=1) / math.sqrt(w.size) + 1e-12 for w in worse]
    return near.index(True)


# --- candidates -------------------------------------------------------------------------------------------


def _fit(candidate: _Candidate, examples: Examples) -> WeightedSum:
    n_features = examples.features.shape[1]
    shares, truth = examples.shares, examples.truth
    if candidate.method is Method.MANY:
        return _fit_ridge(candidate.penalty, examples)
    if candidate.method is Method.MEAN:
        return WeightedSum(_mean(truth, shares), (0.0,) * n_features)
    if candidate.method is Method.EPOCHS and examples.expected is not None:
        # nothing is learnt here: the values are those of models that saw none of these people
        return WeightedSum(0.0, tuple(float(i == examples.expected.at) for i in range(n_features)))
    own = examples.own
    assert own is not None  # noqa: S101 - candidates that need it are not offered without
    x = examples.features[:, own]
    if candidate.method is Method.NONE:
        slope, intercept = 1.0, 0.0
    elif candidate.method is Method.SHIFT:
        slope, intercept = 1.0, _mean(truth - x, shares)
    elif candidate.method is Method.LINE:
        slope = _least_squares_slope(x, truth, shares)
        intercept = _mean(truth, shares) - slope * _mean(x, shares)
    else:
        slope = _median_slope(x, truth)
        intercept = float(np.median(truth - slope * x))
    return WeightedSum(intercept, tuple(slope if i == own else 0.0 for i in range(n_features)))


def _mean(values: _Values, shares: _Values) -> float:
    return float((values * shares).sum() / shares.sum())


def _least_squares_slope(x: _Values, y: _Values, shares: _Values) -> float:
    from_mean = x - _mean(x, shares)
    spread = float((shares * from_mean**2).sum())
    return float((shares * from_mean * y).sum()) / spread if spread > 0 else 0.0


def _median_slope(x: _Values, y: _Values) -> float:
    """Return the median slope of the lines through two nights (Theil-Sen); of many nights not all pairs are taken."""
    n = x.size
    if n < 2:
        return 0.0
    lags = np.unique(np.linspace(1, n - 1, min(n - 1, _MOST_LAGS)).astype(np.intp)).tolist()
    dx, dy = (np.concatenate([side[lag:] - side[: n - lag] for lag in lags]) for side in (x, y))
    apart = dx != 0
    return float(np.median(dy[apart] / dx[apart])) if apart.any() else 0.0


def _fit_ridge(penalty: float, examples: Examples) -> WeightedSum:
    from sklearn.linear_model import Ridge

    shares = examples.shares
    x = examples.features[:, examples.many]
    middle = (x * shares[:, None]).sum(axis=0) / shares.sum()
    spread = np.sqrt(((x - middle) ** 2 * shares[:, None]).sum(axis=0) / shares.sum())
    spread[spread < 1e-9] = 1.0
    fitted = Ridge(alpha=penalty).fit((x - middle) / spread, examples.truth, sample_weight=shares)
    slopes = fitted.coef_ / spread
    weights = np.zeros(examples.features.shape[1])
    weights[list(examples.many)] = slopes
    return WeightedSum(float(fitted.intercept_ - slopes @ middle), tuple(weights.tolist()))


# --- prediction intervals ---------------------------------------------------------------------------------


def _interval_kind(people: int, level: float) -> IntervalKind:
    """CV+ has no finite end until there are 1 / (1 - level) people, less the new one."""
    enough = people >= LEAVE_ONE_OUT_UP_TO and (people + 1) * (1 - level) >= 1 - 1e-9
    return IntervalKind.CV_PLUS if enough else IntervalKind.T


def _interval(examples: Examples, trial: _Trial, kind: IntervalKind, level: float) -> PredictionInterval:
    people = examples.people
    residuals = np.abs(trial.predicted - examples.truth)
    if kind is IntervalKind.T:
        from scipy.stats import t

        spread = math.sqrt(float(examples.mean_by_person(residuals**2).mean()))
        half = float(t.ppf((1 + level) / 2, people - 1)) * spread * math.sqrt(1 + 1 / people)
        return PredictionInterval(kind, level, people, half if half > _NO_WIDTH else math.nan)
    shares, independent = examples.shares, _independent(residuals, examples.who)
    half = weighted_quantile(residuals, shares, _part(level, independent))
    half = half if half > _NO_WIDTH else math.nan
    if len({model for model, _ in trial.folds}) == 1:
        return PredictionInterval(kind, level, independent, half)
    folds = tuple(_kept(model, residuals[rows], shares[rows], level) for model, rows in trial.folds)
    return PredictionInterval(kind, level, independent, half, folds)


def _independent(residuals: _Values, who: _Ints) -> float:
    """Return how many independent errors those of nights nested in people are worth [6]_."""
    moments = take_moments(residuals, np.unique(who, return_inverse=True)[1])
    people = moments.means.size
    if moments.variance_of_means == 0:
        return float(people)
    worth = moments.total_variance / moments.variance_of_means
    return people * min(max(worth, 1.0), moments.harmonic_nights)


def _kept(model: WeightedSum, residuals: _Values, shares: _Values, level: float) -> FoldErrors:
    """Return the larger errors of a fold, and of very many quantiles; each stands for those just below it, too.

    An interval can only become wider by that.
    """
    order = np.argsort(residuals, kind="stable")
    reached = np.cumsum(shares[order])
    wanted = reached[-1] * np.linspace(level / 2, 1, _RESIDUALS_A_FOLD)
    at = np.unique(np.minimum(np.searchsorted(reached, wanted - 1e-9), order.size - 1))
    return FoldErrors(model, tuple(residuals[order][at].tolist()), tuple(np.diff(reached[at], prepend=0).tolist()))


def as_written(found: Any, digits: int = _DIGITS) -> Any:
    """Return a result with its numbers as files hold them, so that what is read is what was learnt.

    Parameters
    ----------
    found : dataclass, tuple, float or anything else
        Looked through to its floats.
    digits : int
        Significant ones; those beyond depend on the machine's linear algebra.
    """
    if isinstance(found, float):
        return float(f"{found:.{digits}g}")
    if isinstance(found, tuple):
        items = (as_written(item, digits) for item in found)
        return found._make(items) if hasattr(found, "_make") else tuple(items)
    if is_dataclass(found) and not isinstance(found, type):
        return replace(found, **{f.name: as_written(getattr(found, f.name), digits) for f in fields(found)})
    return found
