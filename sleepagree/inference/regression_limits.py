"""Limits of agreement that are straight lines in the magnitude of what is measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sleepagree.errors import check_level
from sleepagree.inference.estimate import NAN
from sleepagree.inference.normal_theory import MULTIPLIER_95, check_positive
from sleepagree.inference.people import Design, as_sentence, fit_line, pair_nights, take_moments

#: Ratio of the SD of a normal variable to its mean absolute value.
SD_PER_MEAN_ABSOLUTE: Final = math.sqrt(math.pi / 2)


class Spread(Enum):
    """Whether the scatter round a regression of the differences is the same at every magnitude."""

    CONSTANT = "constant"
    VARYING = "varying"


class LimitsAt(NamedTuple):
    """Bias and limits of agreement at one magnitude (mean of device and reference)."""

    magnitude: float
    bias: float
    lower: float
    upper: float
    undefined_because: str = ""


@dataclass(frozen=True, slots=True)
class RegressionLimits:
    """Limits of agreement as straight lines in the mean of device and reference.

    Parameters
    ----------
    participants, nights, dropped : int
        What the lines rest on, and nights left out because a side has no value.
    level, multiplier : float
        As in :class:`~sleepagree.inference.limits.LimitsOfAgreement`.
    spread : Spread
        Which of the two pairs of lines :meth:`at` gives.
    method : str
        In words.
    intercept, slope, slope_low, slope_high, slope_se : float
        Line of the differences; interval and SE allow for repeated nights and uneven spread.
    residual_sd : float
        SD of a single night's difference round the line.
    spread_intercept, spread_slope, spread_slope_low, spread_slope_high : float
        Line of the absolute residuals.
    reference_mean : float
        Mean of the participants' reference means.
    undefined : tuple of (str, str)
        Field name and sentence for the figures that are nan.
    """

    participants: int
    nights: int
    dropped: int
    level: float
    multiplier: float
    spread: Spread
    method: str
    intercept: float = NAN
    slope: float = NAN
    slope_low: float = NAN
    slope_high: float = NAN
    slope_se: float = NAN
    residual_sd: float = NAN
    spread_intercept: float = NAN
    spread_slope: float = NAN
    spread_slope_low: float = NAN
    spread_slope_high: float = NAN
    reference_mean: float = NAN
    undefined: tuple[tuple[str, str], ...] = ()

    def reason(self, name: str) -> str:
        """Return why the figure ``name`` is nan, or "" when it is a number."""
        return dict(self.undefined).get(name, "")

    def at(self, magnitude: float) -> LimitsAt:
        """Return bias and limits where the mean of device and reference is ``magnitude``."""
        if math.isnan(self.slope):
            return LimitsAt(magnitude, NAN, NAN, NAN, self.reason("slope"))
        bias = self.intercept + self.slope * magnitude
        sd = self.residual_sd
        if self.spread is Spread.VARYING:
            # a line of the spread that falls below 0 on its way is followed down to 0
            sd = SD_PER_MEAN_ABSOLUTE * max(self.spread_intercept + self.spread_slope * magnitude, 0.0)
        return LimitsAt(magnitude, bias, bias - self.multiplier * sd, bias + self.multiplier * sd)


_FIGURES: Final = (
    *("intercept", "slope", "slope_low", "slope_high", "slope_se", "residual_sd"),
    *("spread_intercept", "spread_slope", "spread_slope_low", "spread_slope_high"),
)


def fit_regression_limits(
    *,
    reference: ArrayLike,
    device: ArrayLike,
    participant: ArrayLike | Sequence[object],
    spread: Spread = Spread.CONSTANT,
    level: float = 0.95,
    multiplier: float = MULTIPLIER_95,
) -> RegressionLimits:
    """Fit limits of agreement that rise or fall with the magnitude of what is measured.

    The differences are regressed on the mean of device and reference; with ``Spread.VARYING`` the absolute
    residuals are regressed on it too, and their line times sqrt(pi/2) is the SD. Every participant weighs
    the same. With several nights each, the SD round the line is put together from the residuals' variance
    between and within participants, as for plain limits.

    Parameters
    ----------
    reference, device, participant, level, multiplier
        As in :func:`~sleepagree.inference.limits.fit_limits_of_agreement`.
    spread : Spread
        Whether the distance between the lines may change with magnitude.

    Returns
    -------
    RegressionLimits
        All figures nan, with the reason, for fewer than 3 participants (or nights of one participant) or
        when all nights are of one magnitude.

    References
    ----------
    Bland & Altman 1999, Stat Methods Med Res 8:135, section 3.2.

    Examples
    --------
    >>> lines = fit_regression_limits(
    ...     reference=[400, 300, 500, 350], device=[420, 330, 500, 375], participant=[1, 2, 3, 4]
    ... )
    >>> round(lines.slope, 3), round(lines.at(400).bias, 1)
    (-0.163, 18.2)
    """
    check_level(level)
    check_positive("multiplier", multiplier)
    nights = pair_nights(reference=reference, device=device, participant=participant)
    method = "limits as straight lines in the mean of device and reference (Bland & Altman 1999, section 3.2)"
    if nights.design is Design.ONE_PARTICIPANT:
        method += "; one participant, nights as units; speaks of this person only"
    elif nights.design is Design.SEVERAL_NIGHTS:
        method += "; every participant with the same weight, residual variance between and within participants"
    head = (nights.participants, len(nights.participant), nights.dropped, level, multiplier, spread, method)
    if nights.design is Design.EMPTY:
        because = "No night has a value on both sides."
        return RegressionLimits(*head, undefined=tuple((name, because) for name in (*_FIGURES, "reference_mean")))
    reference_mean = take_moments(nights.reference, nights.units).mean
    magnitude = (nights.device + nights.reference) / 2
    line = fit_line(magnitude, nights.device - nights.reference, nights.units)
    if line.because:
        because = as_sentence(line.because)
        undefined = tuple((name, because) for name in _FIGURES)
        return RegressionLimits(*head, reference_mean=reference_mean, undefined=undefined)
    absolute = fit_line(magnitude, np.abs(line.residuals), nights.units)
    of_residuals = take_moments(line.residuals, nights.units)
    # The line uses up one degree of freedom more than a mean does.
    count = nights.unit_count
    between = of_residuals.variance_of_means * (count - 1) / (count - 2)
    variance = between + (1 - 1 / of_residuals.harmonic_nights) * of_residuals.within_variance
    reasons = {}
    if line.because_interval:
        names = ("slope_low", "slope_high", "slope_se", "spread_slope_low", "spread_slope_high")
        reasons = dict.fromkeys(names, as_sentence(line.because_interval))
    slope_low, slope_high = line.interval(level)
    spread_low, spread_high = absolute.interval(level)
    return RegressionLimits(
        *head,
        intercept=line.intercept,
        slope=line.slope,
        slope_low=slope_low,
        slope_high=slope_high,
        slope_se=line.se,
        residual_sd=math.sqrt(variance),
        spread_intercept=absolute.intercept,
        spread_slope=absolute.slope,
        spread_slope_low=spread_low,
        spread_slope_high=spread_high,
        reference_mean=reference_mean,
        undefined=tuple(reasons.items()),
    )
