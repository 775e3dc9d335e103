"""A reported number: value, interval, and why it is undefined where it is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

NAN = math.nan


def mean_of_known(values: Iterable[float]) -> float:
    """Return the mean of what is not nan, by a sum that does not depend on the order; nan of nothing."""
    known = [value for value in values if not math.isnan(value)]
    return math.fsum(known) / len(known) if known else NAN


@dataclass(frozen=True)
class Estimate:
    """One reported number with its interval.

    Parameters
    ----------
    value : float
        Point estimate; nan when undefined, and then ``undefined_because`` is a sentence.
    low, high : float
        Interval at ``level``; nan where the method gives none.
    level : float
        Confidence level, between 0 and 1.
    n : int
        Units that the estimate rests on (epochs, nights or participants; ``method`` says which).
    method : str
        Name of the estimator and interval, as it may be printed.
    undefined_because : str
        Why ``value`` is nan, else "".
    se : float
        Standard error, or nan.

    Examples
    --------
    >>> kappa = Estimate(0.61, 0.55, 0.67, n=12, method="bootstrap over participants")
    >>> kappa.defined, kappa.high - kappa.value > 0
    (True, True)
    """

    value: float
    low: float = NAN
    high: float = NAN
    level: float = 0.95
    n: int = 0
    method: str = ""
    undefined_because: str = ""
    se: float = NAN

    def __post_init__(self) -> None:
        if math.isnan(self.value) and not self.undefined_because:
            raise ValueError("an undefined Estimate needs a sentence in undefined_because")

    @property
    def defined(self) -> bool:
        """Whether there is a value at all."""
        return not math.isnan(self.value)


def undefined(because: str, *, n: int = 0, method: str = "", level: float = 0.95) -> Estimate:
    """Return an estimate without a value and with the reason for it."""
    return Estimate(NAN, level=level, n=n, method=method, undefined_because=because)
