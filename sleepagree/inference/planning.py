"""How many participants and nights an answer of a wanted precision takes.

Half-widths of intervals over a grid of participants and nights, from variance components between and within
participants, which come from a finished study or are stated. Participants are the unit throughout; epochs are
not.

References
----------
.. [1] Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with multiple
   observations per individual. Stat Methods Med Res 2013;22:630-642.
.. [2] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
   2015;92:e71-e80.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from sleepagree.errors import InputError, check_level, check_whole, counted
from sleepagree.inference.estimate import NAN, weighted_quantile
from sleepagree.inference.limits import VariancePart, mover_half_widths
from sleepagree.inference.normal_theory import (
    MOST_PARTICIPANTS,
    MULTIPLIER_95,
    check_positive,
    one_limit_factor,
    sd_bias_factor,
    sd_nodes,
)
from sleepagree.inference.people import (
    Design,
    Floats,
    Moments,
    design_of,
    number_participants,
    take_moments,
    take_numbers,
)

#: From fewer participants an SD between them is taken with its upper bound beside it.
FEW_FOR_AN_SD: Final = 10
UPPER_CONFIDENCE: Final = 0.95

# --------------------------------------------------------------------------- variance components


@dataclass(frozen=True, slots=True)
class VarianceComponents:
    """How much a quantity of one night varies, between participants and between nights of a participant.

    Parameters
    ----------
    between_sd : float
        SD of the participants' long-run means. With ``within_sd`` nan: SD of single nights of different
        participants.
    within_sd : float
        SD between nights of one participant, or nan when it is not known apart; plans with more than one
        night are then undefined.
    source : str
        Where the figures come from, in words.
    between_sd_high : float
        Upper confidence bound of ``between_sd``, see :func:`upper_between_sd`; nan for stated figures.
    participants : int
        Participants that the figures were estimated from; 0 for stated figures.
    of_log_ratios : bool
        Whether these are SDs of logarithms of ratios.
    repeated : int
        Nights beyond the first of each participant, on which ``within_sd`` rests; 0 for figures that are stated or of
        which this is not known.
    """

    between_sd: float
    within_sd: float
    source: str = "stated"
    between_sd_high: float = NAN
    participants: int = 0
    of_log_ratios: bool = False
    repeated: int = 0

    def __post_init__(self) -> None:
        for name in ("between_sd", "within_sd"):
            value = getattr(self, name)
            if value < 0 or math.isinf(value) or (name == "between_sd" and math.isnan(value)):
                raise ValueError(f"{name} must be 0 or more, got {value!r}")

    @property
    def separable(self) -> bool:
        """Whether the two parts are known apart."""
        return not math.isnan(self.within_sd)

    @property
    def night_sd(self) -> float:
        """SD of a single night of somebody."""
        return math.hypot(self.between_sd, self.within_sd) if self.separable else self.between_sd

    @property
    def at_upper_bound(self) -> VarianceComponents:
        """The same with the SD between participants at its upper bound."""
        return replace(self, between_sd=max(self.between_sd, self.between_sd_high))

    @property
    def rests_on_few(self) -> bool:
        """Whether so few participants were used that the SD between them may be far off."""
        return 0 < self.participants < FEW_FOR_AN_SD and not math.isnan(self.between_sd_high)

    @property
    def within_rests_on_few(self) -> bool:
        """Whether so few repeated nights were used that the SD within participants may be far off."""
        return self.separable and 0 < self.repeated < FEW_FOR_AN_SD

    @property
    def within_sd_high(self) -> float:
        """Upper confidence bound of ``within_sd`` for normal nights (chi-square); nan where nothing tells."""
        from scipy.special import chdtri

        if not (self.separable and self.repeated):
            return NAN
        return self.within_sd * math.sqrt(self.repeated / float(chdtri(self.repeated, UPPER_CONFIDENCE)))

    def sd_of_means(self, nights: int) -> float:
        """SD of participants' means over ``nights`` nights; nan if the parts are not known apart."""
        if nights == 1:
            return self.night_sd
        return math.hypot(self.between_sd, self.within_sd / math.sqrt(nights)) if self.separable else NAN


def components_from_values(values: ArrayLike, *, participant: ArrayLike | Sequence[object]) -> VarianceComponents:
    """Estimate the variance components of any per-night figure, such as the kappa of each night.

    Parameters
    ----------
    values : array-like of float, shape (nights,)
        One figure per night; nan nights are left out.
    participant : array-like of int or str, shape (nights,)
        Who slept.

    Returns
    -------
    VarianceComponents
        By moments, as for limits of agreement; a variance between participants below 0 is given as 0.

    Raises
    ------
    InputError
        If fewer than two participants have a value.
    """
    figures = take_numbers("values", values)
    who = number_participants(participant)
    if figures.shape != who.shape:
        raise ValueError(f"values and participant must be of one length, got {figures.shape} and {who.shape}")
    there = np.isfinite(figures)
    figures, who = figures[there], number_participants(who[there])
    design = design_of(who)
    participants = int(who.max()) + 1 if len(who) else 0
    if participants < 2:
        raise InputError(
            "the spread between participants cannot be estimated",
            found=f"{counted(participants, 'participant')} with a value",
            expected="at least 2",
            remedy="State the spread between and within participants instead.",
        )
    source = f"{participants} participants, {len(who)} nights"
    moments = take_moments(figures, who)
    high = upper_between_sd(moments)
    if design is Design.ONE_NIGHT_EACH:
        sd = math.sqrt(moments.variance_of_means)
        return VarianceComponents(sd, NAN, f"{source}; one night per participant", high, participants)
    between, within = math.sqrt(max(moments.between_variance, 0.0)), math.sqrt(moments.within_variance)
    return VarianceComponents(between, within, source, high, participants, repeated=len(who) - participants)


def upper_between_sd(moments: Moments) -> float:
    """Return the upper 95 % confidence bound of the SD between participants' long-run means.

    Parameters
    ----------
    moments : Moments
        Of values of nights nested in participants, at least two of them.

    Returns
    -------
    float
        With several nights each the modified large-sample bound of a variance component, with participants' means
        weighed alike where numbers of nights differ; with one night each the chi-square bound of the SD of single
        nights. In both the degrees of freedom of participants' means are fewer the more kurtosis they may have, so
        that the bound holds where people differ with skew, too; see docs/methods_planning.md. It is above 0 in most
        cases in which the estimate is 0.

    References
    ----------
    Bonett DG (2006). Approximate confidence interval for standard deviation of nonnormal distributions. Comput Stat
    Data Anal 50:775-782: kurtosis about a trimmed mean, from memory.

    Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Marcel Dekker: the modified
    large-sample interval of the difference of two mean squares (Ting, Burdick, Graybill, Jeyaratnam & Lu 1990, J Stat
    Comput Simul 35:135), from memory; its coverage is simulated in the tests.

    Examples
    --------
    Four people, three nights each; the people seem to be all alike, which four of them cannot show.

    >>> who = [0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3]
    >>> values = [12, -3, 4, 9, 1, 15, -2, 7, 10, 14, 3, 6]
    >>> found = components_from_values(values, participant=who)
    >>> found.between_sd, round(found.between_sd_high, 1)
    (0.0, 7.1)
    """
    from scipy.special import chdtri, fdtri

    degrees = _degrees_under_kurtosis(moments.means)
    nights = moments.harmonic_nights
    above = degrees / float(chdtri(degrees, UPPER_CONFIDENCE)) - 1
    if not moments.within_degrees:
        return math.sqrt(moments.variance_of_means * (1 + above))
    first, second = nights * moments.variance_of_means, moments.within_variance
    below = 1 - moments.within_degrees / float(chdtri(moments.within_degrees, 1 - UPPER_CONFIDENCE))
    ratio = float(fdtri(degrees, moments.within_degrees, 1 - UPPER_CONFIDENCE))
    both = ((1 - ratio) ** 2 - above**2 * ratio**2 - below**2) / ratio
    reach = (above * first) ** 2 + (below * second) ** 2 + both * first * second
    return math.sqrt(max(first - second + math.sqrt(max(reach, 0.0)), 0.0) / nights)


def _degrees_under_kurtosis(means: Floats) -> float:
    """Return the degrees of freedom of a chi-square that varies as much as the variance of values with heavy tails.

    To the kurtosis seen, which few people hide, 4 n/(n + 10) is added: so much that the bound holds under the skew of
    an exponential distribution.
    """
    count = len(means)
    cut = min(int(count / (2 * math.sqrt(max(count - 4, 1)))), (count - 1) // 2)
    centre = float(np.sort(means)[cut : count - cut].mean())
    squares = float(((means - means.mean()) ** 2).sum())
    seen = count * float(((means - centre) ** 4).sum()) / squares**2 - 3 if squares else 0.0
    kurtosis = max(seen, 0.0) + 4 * count / (count + 10)
    return (count - 1) / (1 + kurtosis * (count - 1) / (2 * count))


# --------------------------------------------------------------------------- precision of a study


@dataclass(frozen=True, slots=True)
class MeanPrecision:
    """Half-width of the t interval of a mean over participants.

    Fits a bias and a statistic averaged over participants.

    Parameters
    ----------
    components : VarianceComponents
        Of a single night.
    """

    components: VarianceComponents

    def half_width(
        self, *, participants: int, nights: int, level: float = 0.95, assurance: float | None = None
    ) -> float:
        """Return the expected half-width, or the one not exceeded with probability ``assurance``.

        Parameters
        ----------
        participants, nights : int
            Participants (at least 2) and nights of each.
        level : float
            Confidence level of the interval.
        assurance : float, optional
            Probability, 0.5 or more; the SD will be estimated too, so half of all studies get a wider interval than
            expected.

        Returns
        -------
        float
            nan for several nights when the components are not known apart.

        Examples
        --------
        >>> precision = MeanPrecision(VarianceComponents(15.0, 20.0))
        >>> round(precision.half_width(participants=20, nights=2), 2)
        9.52
        """
        from scipy.special import stdtrit

        _check_size(participants, nights, level, assurance)
        sd = self.components.sd_of_means(nights)
        quantile = float(stdtrit(participants - 1, (1 + level) / 2))
        return quantile * sd * _sd_factor(participants - 1, assurance) / math.sqrt(participants)


@dataclass(frozen=True, slots=True)
class LimitsPrecision:
    """Half-width (half the whole width) of the interval of a limit of agreement.

    Parameters
    ----------
    components : VarianceComponents
        Of a single night's difference.
    multiplier : float
        SD between bias and limit.
    """

    components: VarianceComponents
    multiplier: float = MULTIPLIER_95

    def half_width(
        self, *, participants: int, nights: int, level: float = 0.95, assurance: float | None = None
    ) -> float:
        """Return the expected half-width, or the one not exceeded with probability ``assurance``.

        Exact intervals (noncentral t) for one night each, MOVER intervals for several; parameters and nan as
        in :meth:`MeanPrecision.half_width`.

        Examples
        --------
        >>> precision = LimitsPrecision(VarianceComponents(15.0, 20.0))
        >>> round(precision.half_width(participants=20, nights=1), 1)
        20.4
        """
        _check_size(participants, nights, level, assurance)
        if nights == 1:
            high = one_limit_factor(n=participants, multiplier=self.multiplier, probability=(1 + level) / 2)
            low = one_limit_factor(n=participants, multiplier=self.multiplier, probability=(1 - level) / 2)
            return (high - low) / 2 * self.components.night_sd * _sd_factor(participants - 1, assurance)
        if not self.components.separable:
            return NAN
        of_means, mean_weights = sd_nodes(degrees=participants - 1)
        within, within_weights = sd_nodes(degrees=participants * (nights - 1))
        between_squares = (self.components.sd_of_means(nights) * of_means[:, None]) ** 2
        within_squares = (self.components.within_sd * within[None, :]) ** 2
        parts = (
            VariancePart(1.0, between_squares, participants - 1),
            VariancePart(1 - 1 / nights, within_squares, participants * (nights - 1)),
        )
        outer, inner = mover_half_widths(parts, count=participants, level=level, multiplier=self.multiplier)
        widths, weights = ((outer + inner) / 2).ravel(), np.outer(mean_weights, within_weights).ravel()
        if assurance is None:
            return float(np.dot(widths, weights) / weights.sum())
        return weighted_quantile(widths, weights, assurance)


#: Half-widths of one statistic for studies of any size.
Precision = MeanPrecision | LimitsPrecision


def _check_size(participants: int, nights: int, level: float, assurance: float | None) -> None:
    check_whole("participants", participants, least=2)
    check_whole("nights", nights, least=1)
    check_level(level)
    # with less, the half-width of very few people is small by chance and grows with more of them
    if assurance is not None and not 0.5 <= assurance < 1:
        raise ValueError(f"assurance must be from 0.5 on and below 1, got {assurance!r}")


def _sd_factor(degrees: int, assurance: float | None) -> float:
    """Return the expected S/sigma, or its quantile."""
    from scipy.special import chdtri

    if assurance is None:
        return 1 / sd_bias_factor(n=degrees + 1)
    return math.sqrt(float(chdtri(degrees, 1 - assurance)) / degrees)


# --------------------------------------------------------------------------- grid


@dataclass(frozen=True, slots=True)
class StudySize:
    """Half-widths to expect of a study of one size.

    Parameters
    ----------
    participants, nights : int
        Participants, and nights of each.
    half_widths : tuple of (str, float)
        Statistic and half-width; nan where the assumptions do not reach.
    """

    participants: int
    nights: int
    half_widths: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class SmallestStudy:
    """Fewest participants, with so many nights each, for a wanted half-width.

    Parameters
    ----------
    statistic : str
        What is to be known.
    wanted : float
        Half-width that is wanted.
    participants : int or None
        None when undefined.
    nights : int
        Nights of each participant.
    half_width : float
        What the study reaches; nan when undefined.
    undefined_because : str
        Why there is no such study, else "".
    """

    statistic: str
    wanted: float
    participants: int | None
    nights: int
    half_width: float
    undefined_because: str = ""


@dataclass(frozen=True, slots=True)
class PlanGrid:
    """Precision of studies of several sizes, and the smallest that are precise enough.

    Parameters
    ----------
    level : float
        Confidence level of the intervals.
    assurance : float or None
        None: half-widths are expected ones; else they are not exceeded with this probability.
    assumed : tuple of (str, VarianceComponents)
        Statistic and the components that its figures rest on.
    sizes : tuple of StudySize
        Nights vary fastest.
    smallest : tuple of SmallestStudy
        Per wanted half-width the study with the fewest nights in all, participants times nights.
    smallest_by_nights : tuple of SmallestStudy
        The same for every number of nights of the grid.
    at_upper_bound : PlanGrid or None
        The same with every SD between participants at its upper bound; None unless some rest on few participants.
    """

    level: float
    assurance: float | None
    assumed: tuple[tuple[str, VarianceComponents], ...]
    sizes: tuple[StudySize, ...]
    smallest: tuple[SmallestStudy, ...]
    smallest_by_nights: tuple[SmallestStudy, ...]
    at_upper_bound: PlanGrid | None = None


def plan_grid(
    statistics: Mapping[str, Precision],
    *,
    participants: Sequence[int],
    nights: Sequence[int],
    wanted: Mapping[str, float] | None = None,
    level: float = 0.95,
    assurance: float | None = None,
) -> PlanGrid:
    """Work out the precision of every combination of participants and nights.

    Parameters
    ----------
    statistics : mapping of str to Precision
        What is to be known, such as ``{"bias TST": MeanPrecision(...), "limits TST": LimitsPrecision(...)}``.
    participants, nights : sequence of int
        Sides of the grid; at least 2 participants and 1 night.
    wanted : mapping of str to float, optional
        Half-width wanted for some of the statistics.
    level : float
        Confidence level.
    assurance : float, optional
        See :meth:`MeanPrecision.half_width`.

    Returns
    -------
    PlanGrid

    Raises
    ------
    ValueError
        If the grid is empty, a size is too small, or ``wanted`` names an unknown statistic or is not positive.

    Examples
    --------
    >>> plan = plan_grid(
    ...     {"bias": MeanPrecision(VarianceComponents(15.0, 20.0))},
    ...     participants=[10, 20],
    ...     nights=[1, 3],
    ...     wanted={"bias": 8.0},
    ... )
    >>> [(study.participants, study.nights) for study in plan.smallest_by_nights]
    [(40, 1), (24, 3)]
    """
    if not (len(participants) and len(nights) and statistics):
        raise ValueError("statistics, participants and nights must not be empty")
    wanted = dict(wanted or {})
    for name, width in wanted.items():
        if name not in statistics:
            raise ValueError(f"wanted must name planned statistics {sorted(statistics)}, got {name!r}")
        check_positive(f"wanted[{name!r}]", width)
    asked: dict[str, Any] = {"level": level, "assurance": assurance}
    sizes = []
    for people, count in product(participants, nights):
        size = {"participants": people, "nights": count}
        widths = tuple((name, precision.half_width(**size, **asked)) for name, precision in statistics.items())
        sizes.append(StudySize(people, count, widths))
    by_nights = tuple(
        smallest_study(statistics[name], statistic=name, wanted=width, nights=count, **asked)
        for name, width in wanted.items()
        for count in nights
    )
    smallest = tuple(_fewest_nights([s for s in by_nights if s.statistic == name]) for name in wanted)
    assumed = tuple((name, precision.components) for name, precision in statistics.items())
    return PlanGrid(level, assurance, assumed, tuple(sizes), smallest, by_nights)


def _fewest_nights(studies: Sequence[SmallestStudy]) -> SmallestStudy:
    possible = [s for s in studies if s.participants is not None]
    if not possible:
        return studies[0]
    return min(possible, key=lambda s: ((s.participants or 0) * s.nights, s.participants or 0))


def smallest_study(
    precision: Precision,
    *,
    statistic: str,
    wanted: float,
    nights: int,
    level: float = 0.95,
    assurance: float | None = None,
) -> SmallestStudy:
    """Find the fewest participants, with ``nights`` nights each, for a half-width of at most ``wanted``.

    Parameters
    ----------
    precision : Precision
        What is to be known.
    statistic : str
        Its name.
    wanted : float
        Half-width.
    nights : int
        Nights of each participant.
    level, assurance
        As in :func:`plan_grid`.

    Returns
    -------
    SmallestStudy
        Undefined when the components are not known apart and ``nights`` is above 1, or when a million
        participants are not enough.
    """
    check_positive("wanted", wanted)

    @cache
    def width(participants: int) -> float:
        return precision.half_width(participants=participants, nights=nights, level=level, assurance=assurance)

    if math.isnan(width(2)):
        because = "The spread within participants is not known, so more than one night cannot be planned."
        return SmallestStudy(statistic, wanted, None, nights, NAN, because)
    high = 2
    while not width(high) <= wanted:
        if high >= MOST_PARTICIPANTS:
            because = f"More than {MOST_PARTICIPANTS} participants would be needed."
            return SmallestStudy(statistic, wanted, None, nights, NAN, because)
        high *= 2
    low = max(2, high // 2 + 1)
    count = low + bisect_left(range(low, high), True, key=lambda n: width(n) <= wanted)  # noqa: FBT003
    return SmallestStudy(statistic, wanted, count, nights, width(count))
