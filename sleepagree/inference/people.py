"""Nights grouped by participant: what is paired, the moments of two levels, and a line through nights.

The participant is the unit of everything that is said about people in general. These are the parts that bias,
limits of agreement and reliability share.

References
----------
.. [1] Bell RM, McCaffrey DF. Bias reduction in standard errors for linear regression with multi-stage
   samples. Survey Methodology 2002;28:169-181.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta
from decimal import Decimal
from enum import Enum
from numbers import Real
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepagree.errors import is_missing, is_nameless, shorten
from sleepagree.inference.estimate import NAN

Floats = NDArray[np.float64]
Labels = NDArray[np.intp]


class Design(Enum):
    """What kind of nights the figures rest on."""

    EMPTY = "no nights"
    ONE_NIGHT_EACH = "one night per participant"
    SEVERAL_NIGHTS = "several nights per participant"
    ONE_PARTICIPANT = "one participant"


class Moments(NamedTuple):
    """One quantity over nights nested in participants (or over the nights of one participant)."""

    means: Floats  # participants' means, in order of first appearance
    mean: float  # mean of those
    variance_of_means: float
    within_variance: float  # 0 without repeated nights
    within_degrees: int
    harmonic_nights: float

    @property
    def total_variance(self) -> float:
        """Variance of a single night, between and within participants together (Zou 2013)."""
        return self.variance_of_means + (1 - 1 / self.harmonic_nights) * self.within_variance

    @property
    def between_variance(self) -> float:
        """Variance of the participants' long-run means; an estimate that can fall below 0."""
        return self.variance_of_means - self.within_variance / self.harmonic_nights


class PairedNights(NamedTuple):
    """Nights that can be used, with participants numbered from 0 in order of first appearance."""

    reference: Floats
    device: Floats
    participant: Labels
    participants: int
    dropped: int
    design: Design

    @property
    def units(self) -> Labels:
        """What counts once: the participant, or the night when there is one participant only."""
        if self.design is Design.ONE_PARTICIPANT:
            return np.arange(len(self.participant), dtype=np.intp)
        return self.participant

    @property
    def unit_count(self) -> int:
        """Number of units."""
        return len(self.participant) if self.design is Design.ONE_PARTICIPANT else self.participants


def number_participants(participant: ArrayLike | Sequence[object]) -> Labels:
    """Give participants numbers from 0 in order of first appearance, so that names never change a figure."""
    numbers: dict[object, int] = {}
    column = np.asarray(_unmasked(participant), dtype=object)
    if column.ndim != 1:
        raise ValueError(f"participant must have one dimension, got shape {column.shape}")
    items = column.tolist()
    for item in items:
        if item not in numbers:
            if is_nameless(item):
                raise ValueError(f"participant must name somebody in every row, got {item!r}")
            numbers[item] = len(numbers)
    return np.fromiter((numbers[item] for item in items), dtype=np.intp, count=len(items))


def take_numbers(name: str, values: Any) -> Floats:
    """Return an argument of one number for each night, nan where one is missing: None, nan, pandas' NA, masked.

    Lengths of time are refused: whether they would be minutes or nanoseconds is up to whoever made them.
    """
    column = np.asarray(_unmasked(values))
    if column.ndim != 1:
        raise ValueError(f"{name} must have one dimension, got shape {column.shape}")
    if column.dtype.kind in "biuf":
        numbers = column.astype(np.float64)
    else:
        numbers = np.array([_number(name, value, row) for row, value in enumerate(column)], np.float64)
    if np.isinf(numbers).any():
        raise ValueError(f"{name} must be finite or nan, got inf at row {int(np.argmax(np.isinf(numbers)))}")
    return numbers


def _unmasked(values: Any) -> Any:
    """Return values with None where they are masked; numpy would give what lies under the mask."""
    if isinstance(values, np.ma.MaskedArray):
        return values.tolist()
    is_list = isinstance(values, (list, tuple))
    return [None if value is np.ma.masked else value for value in values] if is_list else values


def _number(name: str, value: Any, row: int) -> float:
    if is_missing(value):
        return NAN
    is_length = isinstance(value, (timedelta, np.timedelta64))  # numpy takes its own for a whole number
    if isinstance(value, (Real, Decimal, str)) and not is_length:
        try:
            return float(value)
        except ValueError:  # a text that is no number
            pass
    advice = "; give minutes or another unit, as numbers" if is_length else ""
    raise TypeError(f"{name} must hold numbers, got {shorten(value)!r} at row {row}{advice}")


def design_of(who: Labels) -> Design:
    """Tell what kind of nights numbered participants make up."""
    participants = int(who.max()) + 1 if len(who) else 0
    if participants == 0:
        return Design.EMPTY
    if participants == 1:
        return Design.ONE_PARTICIPANT
    return Design.ONE_NIGHT_EACH if participants == len(who) else Design.SEVERAL_NIGHTS


def pair_nights(*, reference: ArrayLike, device: ArrayLike, participant: ArrayLike | Sequence[object]) -> PairedNights:
    """Keep the nights that have a value on both sides and count the others.

    Raises
    ------
    ValueError
        If lengths differ, a value is infinite, a column is not flat, or a participant is missing.
    TypeError
        If a value is no number.
    """
    left, right = take_numbers("reference", reference), take_numbers("device", device)
    who = number_participants(participant)
    if not len(left) == len(right) == len(who):
        lengths = f"{len(left)}, {len(right)} and {len(who)}"
        raise ValueError(f"reference, device and participant must have one entry per night, got {lengths}")
    both = ~(np.isnan(left) | np.isnan(right))
    kept = number_participants(who[both])
    count = int(kept.max()) + 1 if len(kept) else 0
    return PairedNights(left[both], right[both], kept, count, int((~both).sum()), design_of(kept))


def take_moments(values: Floats, units: Labels) -> Moments:
    """Return means and variances of the two levels of values nested in units numbered from 0."""
    nights = np.bincount(units)
    means = np.bincount(units, values) / nights
    count = len(nights)
    # Anchoring at the first mean keeps equal values exactly equal to their mean.
    mean = float(means[0] + np.mean(means - means[0]))
    centred = means - mean
    variance = float(np.dot(centred, centred) / (count - 1)) if count > 1 else NAN
    degrees = len(values) - count
    residual = values - means[units]
    within = float(np.dot(residual, residual) / degrees) if degrees else 0.0
    return Moments(means, mean, variance, within, degrees, count / float(np.sum(1 / nights)))


class Line(NamedTuple):
    """Straight line with an interval of its slope that allows for nights nested in participants."""

    intercept: float
    slope: float
    se: float
    degrees: float
    residuals: Floats
    because: str = ""  # why there is no slope, else ""
    because_interval: str = ""  # why there is no interval, else ""

    def interval(self, level: float) -> tuple[float, float]:
        """Return the t interval of the slope, nan where there is none."""
        from scipy.special import stdtrit

        if self.because or self.because_interval:
            return NAN, NAN
        reach = float(stdtrit(self.degrees, (1 + level) / 2)) * self.se
        return self.slope - reach, self.slope + reach


def _no_line(values: Floats, because: str) -> Line:
    """Return a line without figures and the clause that says why."""
    return Line(NAN, NAN, NAN, NAN, np.full(len(values), NAN), because, because)


def fit_line(magnitude: Floats, values: Floats, units: Labels) -> Line:
    """Regress values on magnitude, every participant with the same weight.

    The variance is the bias-reduced sandwich of Bell & McCaffrey (2002) with participants as clusters, the
    degrees of freedom are theirs too (Satterthwaite, for independent errors). With one night each it is the
    sandwich known as HC2. All of it comes from sums of two columns per participant: for a cluster with rows
    X, (I - X B X')^(-1/2) X = X C where C needs the eigenvalues of a 2 x 2 matrix only.
    """
    nights = np.bincount(units)
    count = len(nights)
    if count < 3:
        return _no_line(values, "a slope needs at least 3 participants (or 3 nights of one participant)")
    weight = 1 / nights[units]
    centre = float(np.sum(weight * magnitude) / count)
    x = magnitude - centre
    sum_xx = float(np.sum(weight * x * x))
    if sum_xx <= (1e-12 * max(abs(centre), float(np.max(np.abs(x))))) ** 2 * count:
        return _no_line(values, "a slope needs nights of different magnitude")
    slope = float(np.sum(weight * x * values) / sum_xx)
    middle = float(np.sum(weight * values) / count)
    residuals = values - middle - slope * x

    # Columns scaled so that the cross-product of all rows is the identity: "hat" blocks are then U U'.
    columns = np.column_stack([np.sqrt(weight / count), np.sqrt(weight / sum_xx) * x])
    products, scores = np.zeros((count, 2, 2)), np.zeros((count, 2))
    np.add.at(products, units, columns[:, :, None] * columns[:, None, :])
    np.add.at(scores, units, columns * np.sqrt(weight)[:, None] * residuals[:, None])
    share, vectors = np.linalg.eigh(products)
    intercept = middle - slope * centre
    if float(np.max(share)) > 1 - 1e-6:
        # The line goes through that participant whatever the error there, so no residual tells of it.
        why = "one participant alone fixes the slope, so its uncertainty cannot be judged"
        return Line(intercept, slope, NAN, NAN, residuals, because_interval=why)
    stretch = 1 / np.sqrt(1 - share)
    turned = np.einsum("pik,pk,pk->pi", vectors, stretch, vectors[:, 1, :])
    influence = np.einsum("pi,pi->p", turned, scores)
    variance = float(np.sum(influence**2)) / sum_xx

    reached = np.einsum("pij,pj->pi", products, turned)
    own = np.einsum("pi,pi->p", turned, reached)
    shared = np.einsum("pi,pi->p", reached, reached)
    cross = reached.T @ reached
    trace = float(np.sum(own) - np.sum(shared))
    squares = float(np.sum(own**2) - 2 * np.sum(own * shared) + np.sum(cross * cross))
    return Line(intercept, slope, math.sqrt(variance), trace**2 / squares, residuals)


def as_sentence(clause: str) -> str:
    """Return a clause with a capital and a full stop."""
    return f"{clause[0].upper()}{clause[1:]}."
