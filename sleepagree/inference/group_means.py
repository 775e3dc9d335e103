"""Means of groups of nights where people differ: a linear mixed model with a random intercept for each person.

References
----------
.. [1] Patterson HD, Thompson R. Recovery of inter-block information when block sizes are unequal. Biometrika
   1971;58:545-554 (restricted maximum likelihood).
.. [2] Laird NM, Ware JH. Random-effects models for longitudinal data. Biometrics 1982;38:963-974.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sleepagree.inference.people import Floats, number_participants

#: What is left of squares of so small a share of them is one of rounding.
_ROUNDING: Final = 1e-12


@dataclass(frozen=True, slots=True)
class GroupMean:
    """Mean of one group of nights.

    Parameters
    ----------
    group : str
        Its name.
    participants, nights : int
        Participants with nights in it, and those nights.
    mean, se, low, high : float
        Estimate of the model, its standard error and t interval.
    """

    group: str
    participants: int
    nights: int
    mean: float
    se: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class GroupMeans:
    """Means of groups, and whether they differ.

    Parameters
    ----------
    groups : tuple of GroupMean
        In order of appearance.
    between_sd, within_sd : float
        SD between people of the same group, and within people; with one night each ``between_sd`` is 0 and
        ``within_sd`` the SD of nights.
    f, p_value : float
        F statistic of the hypothesis that all groups have one mean, and its p value.
    degrees : tuple of float
        Degrees of freedom of ``f``.
    is_mixed_model : bool
        Whether somebody had several nights, so that people have a part of their own in the model.
    """

    groups: tuple[GroupMean, ...]
    between_sd: float
    within_sd: float
    f: float
    p_value: float
    degrees: tuple[float, float]
    is_mixed_model: bool

    @property
    def method(self) -> str:
        """How the means were taken, in words."""
        mixed = "mixed model with a random intercept for each participant, REML"
        return mixed if self.is_mixed_model else "analysis of variance"


class _Sums:
    """What the likelihood needs of the nights: counts and sums by person and group."""

    def __init__(self, values: Floats, who: np.ndarray, of_group: np.ndarray) -> None:
        shape = int(who.max()) + 1, int(of_group.max()) + 1
        self.nights, self.sums = np.zeros(shape), np.zeros(shape)
        np.add.at(self.nights, (who, of_group), 1.0)
        np.add.at(self.sums, (who, of_group), values)
        self.squares, self.count = float(values @ values), values.size
        self.per_person = self.nights.sum(axis=1)

    def solve(self, ratio: float) -> tuple[Floats, Floats, float, float]:
        """Return means, their covariance over the variance within, that variance, and the restricted log likelihood."""
        shrink = ratio / (1.0 + ratio * self.per_person)
        cross = np.diag(self.nights.sum(axis=0)) - (self.nights * shrink[:, None]).T @ self.nights
        totals = self.sums.sum(axis=1)
        right = self.sums.sum(axis=0) - self.nights.T @ (shrink * totals)
        inverse = np.linalg.inv(cross)
        means = inverse @ right
        squares = self.squares - float(shrink @ totals**2) - float(right @ means)
        degrees = self.count - means.size
        variance = (squares if squares > _ROUNDING * self.squares else 0.0) / degrees
        # without any residual the likelihood has no end: any ratio is as good
        likelihood = -0.5 * (
            degrees * math.log(max(variance, 1e-300))
            + float(np.log1p(ratio * self.per_person).sum())
            + float(np.linalg.slogdet(cross)[1])
        )
        return means, inverse, variance, likelihood


def fit_group_means(
    values: ArrayLike, *, participant: ArrayLike | Sequence[object], group: Sequence[str], level: float = 0.95
) -> GroupMeans | None:
    """Return the means of groups of nights from a mixed model with a random intercept for each person.

    Parameters
    ----------
    values : array-like of float, shape (nights,)
        For instance differences of one measure; nights with nan are left out.
    participant : array-like, shape (nights,)
        Who slept.
    group : sequence of str, shape (nights,)
        Group of each night; "" leaves it out. Nights of one person may be of several groups.
    level : float
        Confidence level.

    Returns
    -------
    GroupMeans or None
        None with fewer than two groups, or not more participants than groups. Variances by restricted maximum
        likelihood [1]_ [2]_, whose one unknown ratio is found by a bounded search; with one night each these are the
        t intervals and the F test of an analysis of variance. Degrees of freedom are participants less groups; where
        everybody has nights of all groups, nights less participants less groups plus one for the test.

    Examples
    --------
    >>> found = fit_group_means([4, 6, 8, 1, 2, 0], participant=list("aabccd"), group=["old"] * 3 + ["young"] * 3)
    >>> [(one.group, one.participants, round(one.mean, 2)) for one in found.groups], round(found.p_value, 3)
    ([('old', 2, 6.33), ('young', 2, 0.83)], 0.081)
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import fdtrc, stdtrit

    given, names = np.asarray(values, np.float64), np.asarray(group, dtype=object)
    kept = np.isfinite(given) & (names != "")
    given, names = given[kept], names[kept].tolist()
    who = number_participants(np.asarray(participant, dtype=object)[kept])
    told = list(dict.fromkeys(names))
    people = int(who.max()) + 1 if given.size else 0
    if len(told) < 2 or people <= len(told):
        return None
    centre = float(given.mean())  # anchored, so that squares keep their digits
    sums = _Sums(given - centre, who, np.array([told.index(name) for name in names]))
    repeated = bool((sums.per_person > 1).any())

    def worse(share: float) -> float:
        return -sums.solve(share / (1 - share))[3]

    share = 0.0
    if repeated:
        best = minimize_scalar(worse, bounds=(0.0, 1 - 1e-9), method="bounded", options={"xatol": 1e-10})
        # at the end of the range the search stops short of it
        share = 0.0 if worse(0.0) <= worse(float(best.x)) else float(best.x)
    ratio = share / (1 - share)
    means, inverse, variance, _ = sums.solve(ratio)
    covariance = inverse * variance
    # one night of one person in another group does not make a contrast between people one within them
    is_crossed = bool((sums.nights > 0).all())
    below = float(people - len(told))
    of_test = float(given.size - people - len(told) + 1) if is_crossed else below
    reach = float(stdtrit(below, (1 + level) / 2)) * np.sqrt(np.diag(covariance))
    if variance == 0.0:
        reach[:] = math.nan  # an interval without width would claim certainty
    apart = means[1:] - means[0]
    spread = covariance[1:, 1:] - covariance[1:, :1] - covariance[:1, 1:] + covariance[0, 0]
    f = float(apart @ np.linalg.solve(spread, apart)) / apart.size if variance > 0 and of_test > 0 else math.nan
    p_value = float(fdtrc(apart.size, of_test, f)) if not math.isnan(f) else math.nan
    return GroupMeans(
        tuple(
            GroupMean(
                name,
                int(np.count_nonzero(sums.nights[:, k])),
                int(sums.nights[:, k].sum()),
                float(means[k] + centre),
                float(math.sqrt(covariance[k, k])),
                float(means[k] + centre - reach[k]),
                float(means[k] + centre + reach[k]),
            )
            for k, name in enumerate(told)
        ),
        math.sqrt(ratio * variance),
        math.sqrt(variance),
        f,
        p_value,
        (float(apart.size), of_test),
        repeated,
    )
