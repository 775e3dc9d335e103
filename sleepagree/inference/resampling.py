"""Intervals by resampling the participants of a study.

Nights of a person are not independent, so whole participants are drawn with all their nights (`cluster_bootstrap_all`).
It works on sums: a resample is a weighted sum of small tables, so a mapping of stages, or another statistic, needs no
new resample.

Random numbers come from a generator that the caller hands over; `rng_for` makes one from the seed and the
purpose, so that neither the order of the work nor the number of workers changes a result.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum, StrEnum
from functools import lru_cache, partial
from typing import Any, Final, NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import check_level
from sleepagree.inference.estimate import LARGEST_SHARE, NAN, Estimate, undefined, uneven_units
from sleepagree.inference.table_sums import ratio

Tables: TypeAlias = NDArray[Any]
Counts: TypeAlias = NDArray[np.int64]
Values: TypeAlias = NDArray[np.float64]
Kernel: TypeAlias = Callable[[Tables], Values]
"""From tables of shape (..., cells) to values (...) or (..., classes); leading axes are resamples."""


class IntervalScale(StrEnum):
    """Scale on which the delta method's interval is symmetric."""

    OWN = ""
    LOGIT = "logit scale"
    ATANH = "scale of atanh"


class Bounds(NamedTuple):
    """Smallest and largest value that a statistic can have, and the scale of its delta-method interval."""

    low: float
    high: float
    scale: IntervalScale = IntervalScale.OWN


RESAMPLES: Final = 2000
UNBOUNDED: Final = Bounds(-math.inf, math.inf)
SHARE: Final = Bounds(0.0, 1.0, IntervalScale.LOGIT)
CORRELATION: Final = Bounds(-1.0, 1.0, IntervalScale.ATANH)
LARGEST_UNDEFINED_SHARE: Final = 0.05
"""Above this share of resamples without a value no interval is given."""

_BLOCK_BYTES: Final = 1 << 20  # weights that stay in the processor's cache; 4 MB and more are slower
_PIECE_ROWS: Final = 128
_PIECE_PRODUCTS: Final = 250_000
_PIECE_PRODUCTS_OF_ONE: Final = 9_000
_STEP: Final = 1e-5
#: Pulls so much smaller than the largest, and spreads so much smaller than the value, are those of rounding.
_NO_PULL: Final = 1e-9
#: A spread of shares, coefficients or minutes that is one of rounding, whatever the value.
_NO_SPREAD: Final = 1e-12


Name = TypeVar("Name", bound=Hashable)


def rng_for(seed: int, purpose: str) -> np.random.Generator:
    """Return the random generator of one purpose.

    Parameters
    ----------
    seed : int
        The user's seed, 0 or more.
    purpose : str
        What the numbers are for, for instance ``"blocks of P01/1/band A"``. Different purposes get streams
        that do not depend on each other.

    Returns
    -------
    numpy.random.Generator
        The same for the same seed and purpose, in every process.

    Raises
    ------
    ValueError
        If the seed is negative.

    Examples
    --------
    >>> int(rng_for(0, "a").integers(1000)) == int(rng_for(0, "a").integers(1000))
    True
    """
    if seed < 0:
        raise ValueError(f"seed must be 0 or more, not {seed!r}")
    key = tuple(purpose.encode())
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key)))


# ---------------------------------------------------------------------------------- intervals of replicates


class Interval(NamedTuple):
    """Ends of an interval and what it rests on.

    Parameters
    ----------
    low, high : float
        Ends; nan where there is no interval.
    undefined : int
        Replicates that had no value; they are counted, not hidden.
    because : str
        Why there is no interval, else "".
    """

    low: float
    high: float
    undefined: int
    because: str = ""


def percentile_interval(replicates: Values, *, level: float = 0.95) -> Interval:
    """Return the interval between two percentiles of the replicates.

    Parameters
    ----------
    replicates : array of shape (resamples,)
        The statistic of each resample; nan where a resample left it undefined.
    level : float
        Confidence level, between 0 and 1.

    Returns
    -------
    Interval
        From the replicates that have a value, by linear interpolation. No interval when more than 5 per cent
        of the resamples have no value: those that have one would then speak for a chosen part only.

    Raises
    ------
    ValueError
        If ``level`` is not between 0 and 1 or there is no replicate.

    Examples
    --------
    >>> percentile_interval(np.arange(41.0), level=0.5)
    Interval(low=10.0, high=30.0, undefined=0, because='')
    """
    return _percentile_interval(replicates, _tail(level))


def _percentile_interval(replicates: Values, tail: float) -> Interval:
    defined, undefined_count, because = _defined(replicates)
    if because:
        return Interval(NAN, NAN, undefined_count, because)
    low, high = np.quantile(defined, (tail, 1.0 - tail)).tolist()
    return Interval(low, high, undefined_count)


def bca_interval(replicates: Values, *, value: float, acceleration: float, tail: float) -> Interval:
    """Return the bias-corrected and accelerated bootstrap interval.

    Parameters
    ----------
    replicates : array of shape (resamples,)
        The statistic of each resample; nan where a resample left it undefined.
    value : float
        The statistic of the sample itself.
    acceleration : float
        From the values with each unit left out in turn, see Efron.
    tail : float
        Share beyond each end before the correction: half of one minus the confidence level.

    Returns
    -------
    Interval
        No interval when more than 5 per cent of the resamples have no value, when the acceleration has none,
        or when all replicates lie on one side of the value.

    Raises
    ------
    ValueError
        If there is no replicate.

    References
    ----------
    Efron B (1987). Better bootstrap confidence intervals. J Am Stat Assoc 82:171-185.
    """
    from scipy.special import ndtr, ndtri

    defined, undefined_count, because = _defined(replicates)
    if because:
        return Interval(NAN, NAN, undefined_count, because)
    if math.isnan(acceleration):
        return Interval(NAN, NAN, undefined_count, "leaving out one unit leaves the statistic without a value")
    below = (np.count_nonzero(defined < value) + np.count_nonzero(defined <= value)) / (2 * defined.size)
    if not 0.0 < below < 1.0:
        return Interval(NAN, NAN, undefined_count, "all resamples lie on one side of the value")
    centre = ndtri(below)
    moved = centre + ndtri(tail) * np.array([1.0, -1.0])
    low, high = np.quantile(defined, ndtr(centre + moved / (1.0 - acceleration * moved))).tolist()
    return Interval(low, high, undefined_count)


def _tail(level: float) -> float:
    check_level(level)
    return (1.0 - level) / 2.0


def _lacks_values(lacking: int, resamples: int) -> bool:
    """Whether so many resamples have no value that those which have one tell nothing."""
    return lacking > LARGEST_UNDEFINED_SHARE * resamples


def _defined(replicates: Values) -> tuple[Values, int, str]:
    if replicates.ndim != 1 or replicates.size == 0:
        raise ValueError(f"replicates must hold at least one value in one dimension, not shape {replicates.shape}")
    has_value = ~np.isnan(replicates)
    count = int(np.count_nonzero(has_value))
    lacking = replicates.size - count
    if _lacks_values(lacking, replicates.size):
        return replicates, lacking, f"{lacking} of {replicates.size} resamples have no value"
    return (replicates if lacking == 0 else replicates[has_value]), lacking, ""


# -------------------------------------------------------------------------------------- a study: participants


def participant_weights(n_participants: int, resamples: int, rng: np.random.Generator) -> Counts:
    """Return how often each participant was drawn in each resample.

    Parameters
    ----------
    n_participants : int
        Participants, 1 or more.
    resamples : int
        Number of resamples.
    rng : numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    int array of shape (resamples, n_participants)
        Each row adds up to ``n_participants``.

    Examples
    --------
    >>> participant_weights(4, 3, rng_for(0, "x")).sum(axis=1).tolist()
    [4, 4, 4]
    """
    kind = np.uint16 if n_participants <= 1 << 16 else np.int64
    drawn = rng.integers(0, n_participants, size=(resamples, n_participants), dtype=kind)
    places = drawn + np.arange(resamples)[:, None] * n_participants
    return np.bincount(places.ravel(), minlength=drawn.size).reshape(drawn.shape)


#: Below this many units the delta method's interval is the one to report.
FEWEST_UNITS_FOR_RESAMPLES: Final = 10
#: Units that leave no larger part than this of their number less 1 as degrees of freedom are too uneven for
#: bootstrap-t: the delta method's interval, which allows for it, then holds more often (our choice, docs/evidence).
_UNEVEN: Final = 0.5
#: Above this many units bootstrap-t intervals are not made: they are those between percentiles, and cost much more.
MOST_UNITS_STUDENTISED: Final = 200


@lru_cache(maxsize=64)
def _quantile_and_tail(level: float, units: int, inflation: float, degrees: float) -> tuple[float, float]:
    """Return the quantile of the delta method, and the share of resamples beyond each percentile."""
    # Resampling n units understates their variance by (n - 1)/n, and a normal quantile forgets that the variance is
    # estimated. So the delta method takes the quantile of Student's t with n - 1 degrees of freedom, and percentile and
    # BCa take the tail that a normal distribution has beyond sqrt(n/(n - 1)) t (Hesterberg 2015, Am Stat 69:371). Units
    # of several sizes have fewer degrees, and n/(n - 1), which standard errors have as it was published, is too little.
    from scipy.special import ndtr, stdtrit

    t = float(stdtrit(degrees, 0.5 + level / 2.0))
    tail = max(float(ndtr(-t * math.sqrt(inflation))), sys.float_info.min)  # of which there is still a normal quantile
    return t * math.sqrt(inflation * (units - 1) / units), tail


class IntervalMethod(Enum):
    """How an interval of a study is made."""

    STUDENTISED = "bootstrap-t"
    PERCENTILE = "percentile"
    DELTA = "delta method"


@dataclass(frozen=True, slots=True)
class BootstrapIntervals:
    """Intervals of one statistic of a study, side by side.

    Parameters
    ----------
    percentile : Estimate
        Percentiles of the resamples; ``se`` is their standard deviation.
    bca : Estimate
        The same, corrected for bias and skewness (Efron 1987); ``se`` is the jackknife's.
    delta : Estimate
        Value plus or minus a quantile times the clustered delta-method standard error; for a share the same on the
        logit scale, for a statistic from -1 to 1 on that of atanh. ``se`` is that of the value itself.
    units : int
        Units that were resampled.
    resamples, undefined_replicates : int
        Resamples, and those of them in which the statistic has no value.
    notes : tuple of str
        Why an interval is missing, and what was dropped.
    studentised : Estimate or None
        Bootstrap-t: value less the quantiles of the resamples' own t statistics times the standard error of the delta
        method, cut at the bounds. For statistics with bounds, of 10 to 200 units; else None.
    unit : str
        What a unit is called: "participants" or "nights".
    scale : IntervalScale
        Of the delta method's interval.
    degrees : float
        Degrees of freedom of the delta method's standard error: units less 1, fewer where they have unlike numbers of
        epochs which the statistic looks at, or none.
    """

    percentile: Estimate
    bca: Estimate
    delta: Estimate
    units: int
    resamples: int
    undefined_replicates: int = 0
    notes: tuple[str, ...] = ()
    studentised: Estimate | None = None
    unit: str = ""
    scale: IntervalScale = IntervalScale.OWN
    degrees: float = NAN

    @classmethod
    def without_interval(cls, alone: Estimate, resamples: int, **told: Any) -> BootstrapIntervals:
        """Return an estimate that has no interval, with what else is told of it."""
        return cls(alone, alone, alone, alone.n, resamples, **told)

    @property
    def value(self) -> float:
        """The statistic of the sample itself."""
        return self.percentile.value

    @property
    def kind(self) -> IntervalMethod:
        """Which interval is the one to report.

        Bootstrap-t for statistics with bounds, of 10 to 200 units; percentiles for more; else the delta method's, and
        where there are too few resamples for the ends of either, or units are very uneven. Of those
        compared these hold the truth most often where people differ with skew or heavy tails or a device fails on some
        of them (docs/methods_intervals.md, which tells how often).
        """
        if self.studentised is not None and not math.isnan(self.studentised.low):
            return IntervalMethod.STUDENTISED
        is_undefined = _lacks_values(self.undefined_replicates, self.resamples)
        if math.isnan(self.delta.low) or (is_undefined and self.degrees + 1 >= FEWEST_UNITS_FOR_RESAMPLES):
            return IntervalMethod.PERCENTILE
        has_percentiles = self.degrees + 1 > MOST_UNITS_STUDENTISED and not math.isnan(self.percentile.low)
        return IntervalMethod.PERCENTILE if has_percentiles else IntervalMethod.DELTA

    @property
    def primary(self) -> Estimate:
        """The interval to report, by :attr:`kind`."""
        if self.kind is IntervalMethod.STUDENTISED and self.studentised is not None:
            return self.studentised
        return self.percentile if self.kind is IntervalMethod.PERCENTILE else self.delta


def cluster_bootstrap_all(
    tables: Tables,
    kernels: Mapping[str, Kernel],
    *,
    rng: np.random.Generator,
    resamples: int = RESAMPLES,
    level: float = 0.95,
    influences: Mapping[str, Kernel] | None = None,
    unit: str = "participants",
    bounds: Mapping[str, Bounds] | None = None,
    all_count: bool = False,
) -> dict[str, tuple[BootstrapIntervals, ...]]:
    """Return intervals of statistics of a sum of tables: percentile, BCa, delta method and bootstrap-t.

    Those of resamples are made from the same ones.

    Parameters
    ----------
    tables : array of shape (units, ...)
        One table (or other sums) per participant.
    kernels : mapping of str to callable
        From stacked tables to one value each, or to one value per class.
    rng : numpy.random.Generator
        Source of random numbers.
    resamples : int
        Number of resamples; where they are too few for the ends of an interval, as 0 is, the delta method's alone is
        made.
    level : float
        Confidence level, between 0 and 1. The ends allow for the number of units (quantiles of Student's t).
    influences : mapping of str to callable, optional
        Under the names of ``kernels``: from a pooled table to the pull of one epoch of each cell times the number of
        epochs, for instance `kappa_influence` of the coefficients. By default the pull is found by differences.
    unit : str
        What a unit is called in ``method``.
    bounds : mapping of str to Bounds, optional
        Under the names of ``kernels``: values that the statistic cannot pass. For a share the delta method works on
        the logit scale, for a coefficient from -1 to 1 on that of atanh, so that its interval lies inside; other
        intervals are cut at the bounds.
    all_count : bool
        Whether units are alike for a statistic, as in a mean over units. Else cells are epochs, units count by those
        that the statistic looks at: what is asked of a stage that few people have is told by those few alone.

    Returns
    -------
    dict of str to tuple of BootstrapIntervals
        One for each value that the kernel gives. Intervals are nan, with a note, for fewer than two units that count,
        and where nothing varies between them: an interval without width would claim certainty.

    Raises
    ------
    ValueError
        If ``tables`` has no unit, or a number is out of its range.

    References
    ----------
    Davison AC, Hinkley DV (1997). Bootstrap Methods and their Application, section 3.8 (clusters). Yang Z,
    Zhou M (2014). Kappa statistic for clustered matched-pair data. Stat Med 33:2612-2633 (delta method). Brown LD,
    Cai TT, DasGupta A (2001). Interval estimation for a binomial proportion. Stat Sci 16:101-133 (logit interval).
    DiCiccio TJ, Efron B (1996). Bootstrap confidence intervals. Stat Sci 11:189-228 (bootstrap-t).
    """
    stack = np.asarray(tables)
    if stack.ndim < 2 or stack.shape[0] == 0:
        raise ValueError(f"tables must have shape (units, ...) with at least one unit, not {stack.shape}")
    if resamples < 0:
        raise ValueError(f"resamples must be 0 or more, not {resamples!r}")
    _tail(level)
    sample = _Sample(stack, kernels, influences or {}, all_count=all_count)
    plan = _Resampling(resamples, level, unit, sample.units)
    values = sample.values.tolist()
    if sample.units < 2:
        note = f"an interval needs at least two {unit}"
        return sample.named([plan.without_intervals(value, "value without interval", note) for value in values])
    limited = [(bounds or {}).get(name, UNBOUNDED) for name in sample.names()]
    has_bounds = [math.isfinite(own.high - own.low) for own in limited]
    are_some = FEWEST_UNITS_FOR_RESAMPLES <= sample.units <= MOST_UNITS_STUDENTISED
    with_errors = are_some and any(has_bounds) and not plan.why_too_few
    replicates, errors = _replicates(sample, resamples, rng, with_errors=with_errors)
    spreads = sample.spreads()
    results = []
    for i, value in enumerate(values):
        own_errors = errors[:, i] if with_errors and has_bounds[i] else None
        results.append(_intervals(value, replicates[:, i], own_errors, spreads[i], plan, limited[i]))
    return sample.named(results)


def mean_bootstrap_all(
    columns: Mapping[Name, Values],
    *,
    rng: Callable[[], np.random.Generator],
    resamples: int = RESAMPLES,
    level: float = 0.95,
    unit: str = "participants",
    bounds: Mapping[Name, Bounds] | None = None,
) -> dict[Name, BootstrapIntervals]:
    """Return the intervals of several means over participants, from the same resamples where they can be.

    Parameters
    ----------
    columns : mapping of name to array of shape (participants,)
        One value per participant; nan where a participant has none. These are left out and counted.
    rng : callable
        Makes the source of random numbers, once for all columns that have values of the same participants; to draw
        participants is most of the work.
    resamples, level, unit, bounds
        As in `cluster_bootstrap_all`.

    Returns
    -------
    dict of name to BootstrapIntervals
        In the order of ``columns``. The standard error of ``delta`` is the standard deviation (divisor n - 1) over the
        root of n. Nan with a reason when no participant has a value.
    """
    given = {name: np.asarray(values, dtype=np.float64) for name, values in columns.items()}
    alike: dict[bytes, list[Name]] = {}
    for name, values in given.items():
        alike.setdefault(np.isnan(values).tobytes(), []).append(name)
    found: dict[Name, BootstrapIntervals] = {}
    for names in alike.values():
        kept = ~np.isnan(given[names[0]])
        units, dropped = int(np.count_nonzero(kept)), int(np.count_nonzero(~kept))
        if not units:
            nothing = undefined(f"none of the {dropped} {unit} has a value", level=level)
            found |= dict.fromkeys(names, BootstrapIntervals.without_interval(nothing, resamples))
            continue
        intervals = cluster_bootstrap_all(
            np.stack([*(given[name][kept] for name in names), np.ones(units)], axis=1),
            {str(i): partial(_mean_of_column, column=i) for i in range(len(names))},
            rng=rng(),
            resamples=resamples,
            level=level,
            unit=unit,
            bounds={str(i): (bounds or {}).get(name, UNBOUNDED) for i, name in enumerate(names)},
            all_count=True,
        )
        note = (f"{dropped} of {kept.size} {unit} have no value and were left out",) if dropped else ()
        for i, name in enumerate(names):
            own = intervals[str(i)][0]
            found[name] = replace(own, notes=(*note, *own.notes))
    return {name: found[name] for name in columns}


def _mean_of_column(sums: Tables, *, column: int) -> Values:
    return sums[..., column] / sums[..., -1]


# ------------------------------------------------------------------------------------------------- machinery


class _Resampling(NamedTuple):
    """How many units are resampled, and how."""

    resamples: int
    level: float
    unit: str
    units: int

    def estimate(self, value: float, method: str, low: float = NAN, high: float = NAN, se: float = NAN) -> Estimate:
        because = "the statistic has no value on the sum of all units" if math.isnan(value) else ""
        return Estimate(value, low, high, self.level, self.units, method, because, se)

    @property
    def why_too_few(self) -> str:
        """Why the resamples tell no end of an interval, as none would lie beyond it, else ""."""
        needed = math.ceil(round(1.0 / _tail(self.level), 6))
        return f"{self.resamples} resamples, and {needed} are needed" if self.resamples < needed else ""

    def without_intervals(self, value: float, method: str, *notes: str, lacking: int = 0) -> BootstrapIntervals:
        """Return the value alone, with the reason."""
        told = {"undefined_replicates": lacking, "notes": notes, "unit": self.unit}
        return BootstrapIntervals.without_interval(self.estimate(value, method), self.resamples, **told)


class _Spread(NamedTuple):
    """What the jackknife and the delta method found for one statistic."""

    jackknife_se: float
    acceleration: float
    delta_se: float
    #: Units that have an epoch which the statistic looks at, and the largest share that one has of all.
    counting: int
    largest_share: float
    inflation: float
    degrees: float


class _Sample:
    """The units' tables, flattened, and the statistics asked of their sum."""

    def __init__(
        self, stack: Tables, kernels: Mapping[str, Kernel], influences: Mapping[str, Kernel], *, all_count: bool = False
    ) -> None:
        self.cell_shape = stack.shape[1:]
        self.units = stack.shape[0]
        self.flat = stack.reshape(self.units, -1).astype(np.float64, copy=False)
        self.total = self.flat.sum(axis=0)
        self._kernels = kernels
        self._influences = influences
        by_name = [np.atleast_1d(kernel(self.total.reshape(self.cell_shape))) for kernel in kernels.values()]
        self.sizes = [part.size for part in by_name]
        self.values: Values = np.concatenate(by_name)
        self.pulls = self._pulls()
        self.epochs = np.ones((self.units, self.values.size)) if all_count else self._count_epochs()
        self.counting = np.count_nonzero(self.epochs, axis=0)

    def statistics(self, sums: Tables) -> Values:
        """Return all statistics of a stack of flattened tables, shape (stack, statistics)."""
        tables = sums.reshape(-1, *self.cell_shape)
        parts = [kernel(tables).reshape(len(tables), -1) for kernel in self._kernels.values()]
        return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)

    def named(self, results: Sequence[BootstrapIntervals]) -> dict[str, tuple[BootstrapIntervals, ...]]:
        """Return the results under the statistics' names."""
        ends = np.cumsum(self.sizes)
        return {
            name: tuple(results[end - size : end])
            for name, size, end in zip(self._kernels, self.sizes, ends.tolist(), strict=True)
        }

    def names(self) -> list[str]:
        """Return the statistic of each value."""
        return [name for name, size in zip(self._kernels, self.sizes, strict=True) for _ in range(size)]

    def standard_errors(self, weights: Values, sums: Values) -> Values:
        """Return the delta method's standard errors in a block of resamples, shape (resamples, statistics).

        Those of statistics with a closed influence come from the resample's own table; the pulls of others are those of
        the sample.
        """
        pulled, n, size = self.flat @ self.pulls, self.units, self.values.size
        both = _product(weights, np.concatenate((pulled, pulled**2), axis=1))
        variances = both[:, size:] - both[:, :size] ** 2 / n
        begin = 0
        for name, width in zip(self._kernels, self.sizes, strict=True):
            if name in self._influences:
                pull = self._influences[name](sums.reshape(-1, *self.cell_shape)).reshape(len(sums), -1)
                pull = np.where(sums > 0.0, pull / sums.sum(axis=1, keepdims=True), 0.0)
                variances[:, begin] = (weights * (pull @ self.flat.T) ** 2).sum(axis=1)
            begin += width
        errors: Values = np.sqrt(np.maximum(variances, 0.0) * _inflation(self.counting))
        return errors

    def _count_epochs(self) -> Values:
        """Return how many epochs of each unit each statistic looks at, shape (units, statistics)."""
        size = np.abs(self.pulls)
        looked_at = size > _NO_PULL * size.max(axis=0, initial=0.0)
        looked_at[:, ~looked_at.any(axis=0)] = True  # where no epoch moves the value, as at perfect agreement
        epochs: Values = self.flat @ looked_at
        return epochs

    def _pulls(self) -> Values:
        """Return the derivative of each statistic by each cell of the sum, shape (cells, statistics)."""
        table, columns = self.total.reshape(self.cell_shape), []
        for name, kernel in self._kernels.items():
            influence = self._influences.get(name)
            told = None if influence is None else influence(table).reshape(-1, 1) / self.total.sum()
            columns.append(_derivative(kernel, table) if told is None else told)
        pulls = np.concatenate(columns, axis=1)
        pulls[~self.flat.any(axis=0)] = 0.0  # no unit has an epoch there
        return pulls

    def spreads(self) -> list[_Spread]:
        """Return jackknife and delta-method figures of all statistics, in one pass over the units."""
        powers = np.zeros((3, self.values.size))
        squares = np.zeros(self.values.size)
        sums = np.zeros(self.values.size)
        step = max(1, _BLOCK_BYTES // (8 * max(1, self.flat.shape[1])))  # a bounded number of bytes at a time
        for begin in range(0, self.units, step):
            part = self.flat[begin : begin + step]
            away = self.values - self.statistics(self.total - part)
            powers += away.sum(axis=0), (away**2).sum(axis=0), (away**3).sum(axis=0)
            pulled = part @ self.pulls
            sums += pulled.sum(axis=0)
            squares += (pulled**2).sum(axis=0)
        n = self.units
        mean, second, third = powers / n
        spread = np.maximum(second - mean**2, 0.0)
        # a spread of rounding only is none
        spread[spread <= 1e-24 * np.maximum(self.values**2, 1e-300)] = 0.0
        skew = third - 3.0 * mean * second + 2.0 * mean**3
        variance = np.maximum(squares - sums**2 / n, 0.0) * _inflation(self.counting)
        inflation, degrees = uneven_units(self.epochs)
        largest = ratio(self.epochs.max(axis=0), self.epochs.sum(axis=0)).tolist()
        return [
            _Spread(
                math.sqrt((n - 1) * spread[i]),
                0.0 if spread[i] == 0.0 else float(skew[i] / (6.0 * math.sqrt(n) * spread[i] ** 1.5)),
                math.sqrt(variance[i]),
                int(self.counting[i]),
                largest[i],
                float(inflation[i]),
                float(degrees[i]),
            )
            for i in range(self.values.size)
        ]


def _inflation(units: NDArray[np.int64]) -> Values:
    """Return n / (n - 1), by which a variance of n units about their own mean is too small."""
    return units / np.maximum(units - 1, 1)


def _product(weights: Values, tables: Values) -> Values:
    """Return ``weights @ tables``, made in pieces so small that the linear algebra library keeps to one core."""
    # It shares larger products between cores, and a share that waits for a core that others use costs ten times
    # the work itself. The sums are of whole numbers, so the pieces change nothing.
    columns = tables.shape[1]
    sums = np.zeros((len(weights), columns))
    for row in range(0, len(weights), _PIECE_ROWS):
        rows = slice(row, row + _PIECE_ROWS)
        height = min(_PIECE_ROWS, len(weights) - row)
        depth = max(1, (_PIECE_PRODUCTS if height > 1 else _PIECE_PRODUCTS_OF_ONE) // (height * columns))
        for begin in range(0, len(tables), depth):
            units = slice(begin, begin + depth)
            sums[rows] += weights[rows, units] @ tables[units]
    return sums


def _derivative(kernel: Kernel, table: Values) -> Values:
    """Return the derivative of a statistic by each cell, by forward differences of second order."""
    cells = table.size
    step = _STEP * float(np.abs(table).sum()) or 1.0
    moved = np.eye(cells).reshape(cells, *table.shape) * step
    here = np.atleast_1d(kernel(table))
    once = kernel(table + moved).reshape(cells, -1)
    twice = kernel(table + 2.0 * moved).reshape(cells, -1)
    return (4.0 * once - 3.0 * here - twice) / (2.0 * step)


def _replicates(
    sample: _Sample, resamples: int, rng: np.random.Generator, *, with_errors: bool
) -> tuple[Values, Values]:
    """Return all statistics of all resamples and, if asked, their standard errors.

    A block of weights at a time, so that memory stays flat.
    """
    whole_row = 8 * sample.units
    step = max(1, _BLOCK_BYTES // whole_row, min(4, 8 * _BLOCK_BYTES // whole_row))
    replicates = np.empty((resamples, sample.values.size))
    errors = np.empty_like(replicates) if with_errors else replicates[:0]
    for begin in range(0, resamples, step):
        rows = min(step, resamples - begin)
        weights = participant_weights(sample.units, rows, rng).astype(np.float64)
        sums = _product(weights, sample.flat)
        replicates[begin : begin + rows] = sample.statistics(sums)
        if with_errors:
            errors[begin : begin + rows] = sample.standard_errors(weights, sums)
    return replicates, errors


def _studentised(
    value: float, error: float, replicates: Values, errors: Values, plan: _Resampling, bounds: Bounds
) -> Estimate:
    """Return the bootstrap-t interval, nan where more than 5 % of the resamples have no t statistic."""
    told = errors > 1e-9 * error
    t = np.divide(replicates - value, errors, out=np.full(replicates.shape, NAN), where=told)
    low, high, _, because = _percentile_interval(t, _tail(plan.level))
    ends = (NAN, NAN) if because else (max(value - high * error, bounds.low), min(value - low * error, bounds.high))
    return plan.estimate(value, f"bootstrap-t, {plan.resamples} resamples of {plan.units} {plan.unit}", *ends, error)


def _delta_interval(value: float, half: float, bounds: Bounds) -> tuple[float, float, str]:
    """Return the ends of the delta method's interval within the bounds, and what was done to keep it there."""
    if bounds.scale is IntervalScale.LOGIT:
        from scipy.special import expit, logit

        reach = half / (value * (1.0 - value))  # d logit(p) = dp / (p (1 - p))
        return float(expit(logit(value) - reach)), float(expit(logit(value) + reach)), f" on the {bounds.scale}"
    if bounds.scale is IntervalScale.ATANH:
        middle, reach = math.atanh(value), half / (1.0 - value**2)  # d atanh(r) = dr / (1 - r^2)
        return math.tanh(middle - reach), math.tanh(middle + reach), f" on the {bounds.scale}"
    low, high = max(value - half, bounds.low), min(value + half, bounds.high)
    was_cut = (low, high) != (value - half, value + half) and not math.isnan(half)
    return low, high, f" cut at {bounds.low:g} and {bounds.high:g}" if was_cut else ""


def _intervals(
    value: float, replicates: Values, errors: Values | None, units_spread: _Spread, plan: _Resampling, bounds: Bounds
) -> BootstrapIntervals:
    """Return the intervals of one statistic: three, and bootstrap-t where the resamples have standard errors."""
    lacking, units = int(np.count_nonzero(np.isnan(replicates))), f"{plan.units} {plan.unit}"
    if math.isnan(value):
        return plan.without_intervals(value, "", lacking=lacking)
    counting, degrees, error = units_spread.counting, units_spread.degrees, units_spread.delta_se
    if bounds.scale and value in (bounds.low, bounds.high):
        what = "share" if bounds == SHARE else "value"
        note = f"no interval: the {what} is {value:g} on every night, so that nothing tells how sure it is"
        return plan.without_intervals(value, f"value of all {units}, which do not vary", note, lacking=lacking)
    if counting < plan.units:
        units = f"{counting} of {units}"
    if counting < 2:
        note = f"no interval: {units} {'has' if counting == 1 else 'have'} an epoch that it is about"
        return plan.without_intervals(value, f"value of {units}", note, lacking=lacking)
    if error <= max(_NO_SPREAD, _NO_PULL * abs(value)):
        note = f"no interval: the value is that of each of the {units}, so that nothing tells how sure it is"
        return plan.without_intervals(value, f"value of {units}, which do not vary", note, lacking=lacking)
    if units_spread.largest_share > LARGEST_SHARE:
        note = f"no interval: one of {units} has {units_spread.largest_share:.0%} of the epochs that it is about"
        return plan.without_intervals(value, f"value of {units}", note, lacking=lacking)
    is_even = degrees > _UNEVEN * (counting - 1)
    quantile, tail = _quantile_and_tail(plan.level, counting, units_spread.inflation, degrees)
    percentile = bca = Interval(NAN, NAN, lacking, plan.why_too_few)
    if not percentile.because:
        percentile = _percentile_interval(replicates, tail)
        bca = bca_interval(replicates, value=value, acceleration=units_spread.acceleration, tail=tail)
    low, high, how = _delta_interval(value, quantile * error, bounds)
    spread = float(np.nanstd(replicates, ddof=1)) if replicates.size - lacking > 1 else NAN
    few = f", tails of t with {degrees:.3g} df"
    drawn = f"{plan.resamples} resamples of {units}{few}"
    studentised = None
    if errors is not None and not math.isnan(low) and is_even and counting >= FEWEST_UNITS_FOR_RESAMPLES:
        studentised = _studentised(value, error, replicates, errors, plan, bounds)
    return BootstrapIntervals(
        plan.estimate(value, f"percentile, {drawn}", percentile.low, percentile.high, spread),
        plan.estimate(value, f"BCa, {drawn}", bca.low, bca.high, units_spread.jackknife_se),
        plan.estimate(value, f"delta method{how}, {units}{few}", low, high, error),
        plan.units,
        plan.resamples,
        lacking,
        notes=tuple(_notes(percentile, bca, tail, plan)),
        studentised=studentised,
        unit=plan.unit,
        scale=bounds.scale,
        degrees=degrees,
    )


def _notes(percentile: Interval, bca: Interval, tail: float, plan: _Resampling) -> Iterator[str]:
    """Give what a reader of the intervals should know."""
    if plan.why_too_few:
        yield f"no interval from {plan.why_too_few}"
        return
    if percentile.because:
        yield f"no percentile interval: {percentile.because}"
    elif percentile.undefined:
        yield f"{percentile.undefined} of {plan.resamples} resamples have no value"
    if bca.because:
        yield f"no BCa interval: {bca.because}"
    if tail * plan.resamples < 1.0:
        yield (
            f"with {plan.units} {plan.unit} the ends of the bootstrap intervals are the outermost resamples; "
            "read the delta method's interval, or take more resamples"
        )
