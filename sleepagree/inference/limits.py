"""Bias and limits of agreement of one measure over many nights; limits are constant, or lines in the magnitude.

Everything here works on three arrays of one row per night: who slept, what the reference says and what the
device says. A difference is always device minus reference. The participant is the unit: with several nights
each, a participant counts once, whatever the number of nights.

References
----------
.. [1] Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical
   measurement. Lancet 1986;327:307-310.
.. [2] Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med Res
   1999;8:135-160.
.. [3] Bland JM, Altman DG. Agreement between methods of measurement with multiple observations per
   individual. J Biopharm Stat 2007;17:571-582.
.. [4] Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with multiple
   observations per individual. Stat Methods Med Res 2013;22:630-642.
.. [5] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
   2015;92:e71-e80.
.. [6] Shieh G. The appropriateness of Bland-Altman's approximate confidence intervals for limits of
   agreement. BMC Med Res Methodol 2018;18:45.
.. [7] Bell RM, McCaffrey DF. Bias reduction in standard errors for linear regression with multi-stage
   samples. Survey Methodology 2002;28:169-181.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from enum import Enum
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepagree.errors import check_level, take_choice
from sleepagree.inference.estimate import NAN
from sleepagree.inference.normal_theory import MULTIPLIER_95, LimitsInterval, check_positive, one_limit_factor
from sleepagree.inference.people import (
    Design,
    Floats,
    Labels,
    Moments,
    PairedNights,
    as_sentence,
    fit_line,
    pair_nights,
    take_moments,
)


class Scale(Enum):
    """On which scale device and reference are subtracted."""

    RAW = "raw"
    LOG_RATIO = "log ratio"


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Bias and limits of agreement of one measure; every difference is device minus reference.

    Parameters
    ----------
    participants, nights : int
        Participants and nights that the figures rest on.
    dropped : int
        Nights left out because a side has no value.
    reference_mean, reference_sd, device_mean, device_sd : float
        Mean of the participants' means, and SD of a single night (between and within participants together).
    bias, bias_low, bias_high : float
        Mean difference with its t interval.
    sd : float
        SD of a single night's difference.
    between_sd, within_sd : float
        Its parts between and within participants; nan when the design cannot tell them apart.
    lower, lower_low, lower_high, upper, upper_low, upper_high : float
        Limits of agreement, ``bias -/+ multiplier * sd``, with the interval of each.
    slope, slope_low, slope_high : float
        Change of the difference per unit of the mean of device and reference.
    spread_slope, spread_slope_low, spread_slope_high : float
        Change of the absolute residual of that regression per unit of the same mean.
    mae, mape : float
        Mean absolute difference, and the same as per cent of the reference value.
    level, multiplier : float
        Confidence level and number of SD between bias and limit.
    scale, design, interval
        Which difference, which kind of nights, which interval of the limits.
    method : str
        The above in words, as it may be printed.
    undefined : tuple of (str, str)
        Field name and sentence for every field that is nan.
    notes : tuple of str
        Sentences that a reader of the numbers should see.
    """

    participants: int
    nights: int
    dropped: int
    reference_mean: float = NAN
    reference_sd: float = NAN
    device_mean: float = NAN
    device_sd: float = NAN
    bias: float = NAN
    bias_low: float = NAN
    bias_high: float = NAN
    sd: float = NAN
    between_sd: float = NAN
    within_sd: float = NAN
    lower: float = NAN
    lower_low: float = NAN
    lower_high: float = NAN
    upper: float = NAN
    upper_low: float = NAN
    upper_high: float = NAN
    slope: float = NAN
    slope_low: float = NAN
    slope_high: float = NAN
    spread_slope: float = NAN
    spread_slope_low: float = NAN
    spread_slope_high: float = NAN
    mae: float = NAN
    mape: float = NAN
    level: float = 0.95
    multiplier: float = MULTIPLIER_95
    scale: Scale = Scale.RAW
    design: Design = Design.EMPTY
    interval: LimitsInterval = LimitsInterval.EXACT
    method: str = ""
    undefined: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        explained = {name for name, _ in self.undefined}
        missing = {name for name in FIGURES if math.isnan(getattr(self, name))}
        if explained != missing:
            raise ValueError(
                f"undefined must explain exactly the figures that are nan, differs in {sorted(explained ^ missing)}"
            )

    def reason(self, name: str) -> str:
        """Return why the figure ``name`` is nan, or "" when it is a number."""
        return dict(self.undefined).get(name, "")

    def as_printed(self) -> LimitsOfAgreement:
        """Return the figures as a table prints them: those of log ratios as ratios, others as they are.

        Returns
        -------
        LimitsOfAgreement
            For log ratios e raised to every figure: ``reference_mean`` and ``device_mean`` become geometric means
            in the measure's unit, ``bias`` and limits ratios device / reference, the SDs geometric SDs (factors of
            1 or more), ``mae`` the factor by which the sides differ, up or down, in the geometric mean. Slopes stay
            those of the log ratio on the mean logarithm, ``mape`` per cent of the reference.

        Examples
        --------
        >>> limits = fit_limits_of_agreement(
        ...     reference=[400, 380], device=[440, 418], participant=["Ada", "Bo"], scale="log ratio"
        ... )
        >>> round(limits.bias, 4), round(limits.as_printed().bias, 4)
        (0.0953, 1.1)
        """
        if self.scale is not Scale.LOG_RATIO:
            return self
        ratios: dict[str, Any] = {name: math.exp(getattr(self, name)) for name in FIGURES if name not in _NOT_LOGS}
        return replace(self, **ratios)


#: Values so little beyond a limit lie on it.
_ROUNDING: Final = 1e-9
_NOT_FIGURES: Final = {"level", "multiplier"}
#: Names of the fields of :class:`LimitsOfAgreement` that hold a result, in order.
FIGURES: Final = tuple(f.name for f in fields(LimitsOfAgreement) if f.type == "float" and f.name not in _NOT_FIGURES)
#: Figures of log ratios that are no logarithms.
_NOT_LOGS: Final = ("mape", *(name for name in FIGURES if name.startswith(("slope", "spread_slope"))))
_SPREAD_FIGURES: Final = (
    *("reference_sd", "device_sd", "bias_low", "bias_high", "sd"),
    *(name for name in FIGURES if name.startswith(("lower", "upper"))),
)


@dataclass
class _Draft:
    """Figures and reasons while a result is being put together."""

    figures: dict[str, Any] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def explain(self, because: str, *names: str) -> None:
        self.reasons |= dict.fromkeys(names, because)

    def finish(self, **rest: Any) -> LimitsOfAgreement:
        undefined = tuple((name, self.reasons[name]) for name in FIGURES if name in self.reasons)
        return LimitsOfAgreement(**self.figures, **rest, undefined=undefined, notes=tuple(self.notes))


class VariancePart(NamedTuple):
    """A variance component of the total, with its coefficient and degrees of freedom."""

    coefficient: float
    variance: float | Floats
    degrees: int


def are_outside(values: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> NDArray[np.bool_]:
    """Return which values lie outside limits; limits of no width differ by rounding from what lies on them."""
    values, lower, upper = map(np.asarray, (values, lower, upper))
    return np.asarray((values < lower - _ROUNDING) | (values > upper + _ROUNDING))


def variance_parts(moments: Moments) -> tuple[VariancePart, VariancePart]:
    """Return the parts of the variance of a single night's difference."""
    return (
        VariancePart(1.0, moments.variance_of_means, len(moments.means) - 1),
        VariancePart(1 - 1 / moments.harmonic_nights, moments.within_variance, moments.within_degrees),
    )


def mover_half_widths(
    parts: Sequence[VariancePart], *, count: int, level: float, multiplier: float
) -> tuple[Floats, Floats]:
    """Outer and inner half-width of the interval of a limit of agreement with several nights each.

    Parameters
    ----------
    parts : sequence of VariancePart
        The variance of the participants' means first, then the variance within participants. Variances may be
        arrays of one shape.
    count : int
        Participants.
    level, multiplier : float
        Confidence level, and SD between bias and limit.

    Returns
    -------
    tuple of ndarray
        Half-width away from the bias and towards it.

    References
    ----------
    Zou 2013: the variance is recovered from the limits of chi-square intervals of its components.
    """
    from scipy.special import chdtri, ndtri

    tail = (1 - level) / 2
    used = [p for p in parts if p.degrees]
    amounts = [np.asarray(p.coefficient * p.variance, dtype=np.float64) for p in used]
    under = sum((a * (1 - p.degrees / float(chdtri(p.degrees, tail)))) ** 2 for a, p in zip(amounts, used, strict=True))
    over = sum(
        (a * (p.degrees / float(chdtri(p.degrees, 1 - tail)) - 1)) ** 2 for a, p in zip(amounts, used, strict=True)
    )
    total = sum(amounts, start=np.zeros(()))
    low, high = np.maximum(total - np.sqrt(under), 0.0), total + np.sqrt(over)
    of_mean = float(ndtri(1 - tail)) ** 2 * np.asarray(parts[0].variance) / count
    outer = np.sqrt(of_mean + multiplier**2 * (np.sqrt(high) - np.sqrt(total)) ** 2)
    inner = np.sqrt(of_mean + multiplier**2 * (np.sqrt(total) - np.sqrt(low)) ** 2)
    return outer, inner


_OF_LIMITS: Final = {
    LimitsInterval.EXACT: "exact intervals of the limits by noncentral t (Carkeet 2015; Shieh 2018)",
    LimitsInterval.MOVER: "intervals of the limits by MOVER (Zou 2013)",
}
_OF_NIGHTS: Final = {
    Design.ONE_NIGHT_EACH: "one night per participant: mean difference with t interval (Bland & Altman 1986)",
    Design.ONE_PARTICIPANT: "one participant, nights as units: mean difference with t interval; speaks of this person "
    "only",
    Design.SEVERAL_NIGHTS: "mean of participants' means with t interval, variance between and within participants, "
    "true value varies from night to night (Bland & Altman 2007, in the form of Zou 2013)",
}


def _method(design: Design, interval: LimitsInterval, scale: Scale) -> str:
    """Say in words what was done."""
    if design is Design.EMPTY:
        return "none: no night has a value on both sides"
    prefix = "log ratio; " if scale is Scale.LOG_RATIO else ""
    return f"{prefix}{_OF_NIGHTS[design]}; {_OF_LIMITS[interval]}"


def fit_limits_of_agreement(
    *,
    reference: ArrayLike,
    device: ArrayLike,
    participant: ArrayLike | Sequence[object],
    level: float = 0.95,
    multiplier: float = MULTIPLIER_95,
    scale: Scale | str = Scale.RAW,
) -> LimitsOfAgreement:
    """Estimate bias, limits of agreement and their uncertainty from nights of several participants.

    One night each: the mean and SD of the differences, a t interval of the mean, exact intervals of the
    limits. Several nights each (numbers may differ): the mean of the participants' means, the SD of a single
    night's difference from the variance between and within participants, and MOVER intervals of the limits.
    One participant: the same as one night each with nights in the place of participants, which speaks of that
    person only.

    Both slopes weigh every participant alike and come with intervals that allow for nights of one person
    being alike and for uneven spread (Bell & McCaffrey 2002, participants as clusters).

    Parameters
    ----------
    reference, device : array-like of float, shape (nights,)
        Values of one measure; nan, None or masked where a side has none. A night without a value on one side is
        dropped and counted.
    participant : array-like of int or str, shape (nights,)
        Who slept. Only equality matters.
    level : float
        Confidence level of all intervals.
    multiplier : float
        SD between bias and limit; 1.96 for limits that hold 95 % of the differences.
    scale : Scale or str
        ``"raw"`` takes device - reference, ``"log ratio"`` takes ln(device) - ln(reference); see
        :meth:`LimitsOfAgreement.as_printed`.

    Returns
    -------
    LimitsOfAgreement
        Undefined figures are nan and explained in ``undefined``.

    Raises
    ------
    ValueError
        If lengths differ, a value is infinite, a participant is missing, ``level`` is not between 0 and 1,
        ``multiplier`` is not positive, or ``scale`` is none of the two.
    TypeError
        If a value is no number, such as a timedelta.

    References
    ----------
    See the module: [1]_ to [7]_. Repeated nights: Zou 2013 with the variance of the participants' means
    plus (1 - 1/harmonic mean of nights) times the variance within.

    Examples
    --------
    Minutes asleep of five invented ferry hands, one night each.

    >>> limits = fit_limits_of_agreement(
    ...     reference=[412, 388, 450, 365, 401],
    ...     device=[430, 395, 455, 391, 410],
    ...     participant=["Ada", "Bo", "Cy", "Dee", "Eli"],
    ... )
    >>> round(limits.bias, 1), round(limits.lower, 1), round(limits.upper, 1)
    (13.0, -4.3, 30.3)
    """
    check_level(level)
    check_positive("multiplier", multiplier)
    scale = take_choice("scale", scale, Scale)
    nights = pair_nights(reference=reference, device=device, participant=participant)
    interval = LimitsInterval.MOVER if nights.design is Design.SEVERAL_NIGHTS else LimitsInterval.EXACT
    settings: dict[str, Any] = {
        "level": level,
        "multiplier": multiplier,
        "scale": scale,
        "participants": nights.participants,
        "nights": len(nights.participant),
        "dropped": nights.dropped,
        "design": nights.design,
        "interval": interval,
        "method": _method(nights.design, interval, scale),
    }
    draft = _Draft()
    left, right, because = _on_scale(nights.reference, nights.device, scale)
    if because:
        draft.explain(because, *FIGURES)
        return draft.finish(**settings)
    difference = right - left
    units = nights.units
    of_difference, of_left, of_right = (take_moments(v, units) for v in (difference, left, right))
    draft.figures |= {"reference_mean": of_left.mean, "device_mean": of_right.mean, "bias": of_difference.mean}
    if nights.unit_count < 2:
        draft.explain("A spread needs at least 2 participants (or 2 nights of one participant).", *_SPREAD_FIGURES)
    else:
        draft.figures |= {
            "reference_sd": math.sqrt(of_left.total_variance),
            "device_sd": math.sqrt(of_right.total_variance),
        }
        _add_limits(draft, of_difference, level, multiplier, interval)
    _add_components(draft, nights, of_difference)
    _add_slopes(draft, (left + right) / 2, difference, units, level)
    _add_absolute(draft, difference, nights)
    if nights.design is Design.ONE_PARTICIPANT:
        draft.notes.append("There is one participant, so every figure speaks of this person only.")
    if nights.unit_count > 1 and float(np.ptp(difference)) == 0:
        draft.notes.append("All differences are equal, so the intervals have no width.")
    return draft.finish(**settings)


def _on_scale(left: Floats, right: Floats, scale: Scale) -> tuple[Floats, Floats, str]:
    """Return the values that are subtracted, and why they cannot be, else ""."""
    if not left.size:
        return left, right, "No night has a value on both sides."
    if scale is Scale.RAW:
        return left, right, ""
    bad = int(np.sum((left <= 0) | (right <= 0)))
    if bad:
        why = f"The log ratio needs values above 0; {bad} of {len(left)} nights have 0 or less on a side."
        return left, right, why
    return np.log(left), np.log(right), ""


def _add_limits(draft: _Draft, moments: Moments, level: float, multiplier: float, interval: LimitsInterval) -> None:
    """Add the SD of a night's difference, the limits, and the intervals of bias and limits."""
    from scipy.special import stdtrit

    count, bias, sd = len(moments.means), moments.mean, math.sqrt(moments.total_variance)
    reach = float(stdtrit(count - 1, (1 + level) / 2)) * math.sqrt(moments.variance_of_means / count)
    if interval is LimitsInterval.EXACT:
        high = one_limit_factor(n=count, multiplier=multiplier, probability=(1 + level) / 2)
        low = one_limit_factor(n=count, multiplier=multiplier, probability=(1 - level) / 2)
        outer, inner = (high - multiplier) * sd, (multiplier - low) * sd
    else:
        widths = mover_half_widths(variance_parts(moments), count=count, level=level, multiplier=multiplier)
        outer, inner = float(widths[0]), float(widths[1])
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    draft.figures |= {"bias_low": bias - reach, "bias_high": bias + reach, "sd": sd}
    draft.figures |= {"lower": lower, "lower_low": lower - outer, "lower_high": lower + inner}
    draft.figures |= {"upper": upper, "upper_low": upper - inner, "upper_high": upper + outer}


def _add_components(draft: _Draft, nights: PairedNights, moments: Moments) -> None:
    """Add the parts of the spread between and within participants, or why they are not known."""
    if nights.design is Design.ONE_NIGHT_EACH:
        because = "One night per participant cannot tell the spread between from that within participants."
        draft.explain(because, "between_sd", "within_sd")
    elif nights.design is Design.ONE_PARTICIPANT:
        draft.explain("One participant says nothing about the spread between participants.", "between_sd")
        if nights.unit_count < 2:
            draft.explain("A spread needs at least 2 nights of a participant.", "within_sd")
        else:
            draft.figures["within_sd"] = draft.figures["sd"]
    else:
        draft.figures["between_sd"] = math.sqrt(max(moments.between_variance, 0.0))
        draft.figures["within_sd"] = math.sqrt(moments.within_variance)
        if moments.between_variance < 0:
            draft.notes.append(
                "The estimated variance between participants is below 0: nights of one participant differ as much as "
                "those of different participants. Its SD is told as 0; the limits rest on the sum of both variances "
                "as estimated, so their SD is smaller than the one within participants."
            )


def _add_slopes(draft: _Draft, magnitude: Floats, difference: Floats, units: Labels, level: float) -> None:
    line = fit_line(magnitude, difference, units)
    spread = fit_line(magnitude, np.abs(line.residuals), units) if not line.because else line
    for name, fit in (("slope", line), ("spread_slope", spread)):
        low, high = fit.interval(level)
        draft.figures |= {name: fit.slope, f"{name}_low": low, f"{name}_high": high}
        if fit.because:
            draft.explain(as_sentence(fit.because), name)
        if fit.because_interval:
            draft.explain(as_sentence(fit.because_interval), f"{name}_low", f"{name}_high")


def _add_absolute(draft: _Draft, difference: Floats, nights: PairedNights) -> None:
    draft.figures["mae"] = take_moments(np.abs(difference), nights.units).mean
    zeros = int(np.sum(nights.reference == 0))
    if zeros:
        because = f"Per cent of the reference is undefined where it is 0, as on {zeros} of these nights."
        draft.explain(because, "mape")
        return
    percent = 100 * np.abs(nights.device - nights.reference) / np.abs(nights.reference)
    draft.figures["mape"] = take_moments(percent, nights.units).mean


# --- limits that are straight lines -----------------------------------------------------------------------


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
        As in :class:`LimitsOfAgreement`.
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


_FIGURES_OF_LINES: Final = (
    *("intercept", "slope", "slope_low", "slope_high", "slope_se", "residual_sd"),
    *("spread_intercept", "spread_slope", "spread_slope_low", "spread_slope_high"),
)


def fit_regression_limits(
    *,
    reference: ArrayLike,
    device: ArrayLike,
    participant: ArrayLike | Sequence[object],
    spread: Spread | str = Spread.CONSTANT,
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
        As in :func:`fit_limits_of_agreement`.
    spread : Spread or str
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
    spread = take_choice("spread", spread, Spread)
    nights = pair_nights(reference=reference, device=device, participant=participant)
    method = "limits as straight lines in the mean of device and reference (Bland & Altman 1999, section 3.2)"
    if nights.design is Design.ONE_PARTICIPANT:
        method += "; one participant, nights as units; speaks of this person only"
    elif nights.design is Design.SEVERAL_NIGHTS:
        method += "; every participant with the same weight, residual variance between and within participants"
    head = (nights.participants, len(nights.participant), nights.dropped, level, multiplier, spread, method)
    if nights.design is Design.EMPTY:
        because = "No night has a value on both sides."
        return RegressionLimits(
            *head, undefined=tuple((name, because) for name in (*_FIGURES_OF_LINES, "reference_mean"))
        )
    reference_mean = take_moments(nights.reference, nights.units).mean
    magnitude = (nights.device + nights.reference) / 2
    line = fit_line(magnitude, nights.device - nights.reference, nights.units)
    if line.because:
        because = as_sentence(line.because)
        undefined = tuple((name, because) for name in _FIGURES_OF_LINES)
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
