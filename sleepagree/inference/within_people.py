"""Whether a device follows a person's differences between nights.

References
----------
.. [1] Bland JM, Altman DG. Calculating correlation coefficients with repeated observations: part 1, correlation within
   subjects. BMJ 1995;310:446.
.. [2] Bakdash JZ, Marusich LR. Repeated measures correlation. Front Psychol 2017;8:456 (the interval).
.. [3] Beckerman H, Roebroeck ME, Lankhorst GJ, et al. Smallest real difference, a link between reproducibility and
   responsiveness. Qual Life Res 2001;10:571-578.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sleepagree.inference.estimate import NAN
from sleepagree.inference.people import Design, pair_nights
from sleepagree.inference.proportions import normal_quantile


@dataclass(frozen=True, slots=True)
class WithinPeople:
    """Changes from night to night of the same person, on both sides.

    Parameters
    ----------
    participants, nights : int
        Participants with two nights or more, and their nights.
    correlation, low, high : float
        Correlation of reference and device about each person's own means, with its interval; nan where a side does not
        change, or too few nights are there.
    change_sd : float
        SD of a person's differences (device minus reference) about their mean.
    smallest_change, smallest_low, smallest_high : float
        Change between two nights of the device that its error alone passes in 1 - level of pairs, with its interval for
        normal errors; nan where no difference varies.
    """

    participants: int
    nights: int
    correlation: float
    low: float
    high: float
    change_sd: float
    smallest_change: float
    smallest_low: float
    smallest_high: float


def follow_changes(
    *, reference: ArrayLike, device: ArrayLike, participant: ArrayLike | Sequence[object], level: float = 0.95
) -> WithinPeople | None:
    """Return how a device follows changes between nights of the same person.

    Parameters
    ----------
    reference, device : array-like of float, shape (nights,)
        Values; nights with nan on a side are left out.
    participant : array-like, shape (nights,)
        Who slept.
    level : float
        Confidence level.

    Returns
    -------
    WithinPeople or None
        None where nobody has two nights. The correlation is that of analysis of covariance with a line of one slope
        for each participant [1]_; its interval is Fisher's with N - participants - 1 degrees of freedom [2]_. The
        smallest change is z sqrt(2) s with the SD s of a person's differences about their mean [3]_, its interval
        chi-square.

    Examples
    --------
    >>> found = follow_changes(reference=[60, 80, 100, 90, 70], device=[50, 75, 90, 70, 55], participant=list("aabbb"))
    >>> round(found.correlation, 3), round(found.smallest_change, 1)
    (0.974, 12.7)
    """
    from scipy.special import chdtri

    paired = pair_nights(reference=reference, device=device, participant=participant)
    if paired.design not in (Design.SEVERAL_NIGHTS, Design.ONE_PARTICIPANT):
        return None
    nights = np.bincount(paired.participant)
    kept = nights[paired.participant] > 1
    if not kept.any():
        return None
    x, y = (
        (side - (np.bincount(paired.participant, side) / nights)[paired.participant])[kept]
        for side in (paired.reference, paired.device)
    )
    people, count = int(np.count_nonzero(nights > 1)), int(np.count_nonzero(kept))
    correlation, low, high = _correlate(x, y, count - people - 1, level)
    degrees = count - people
    squares = float(((y - x) ** 2).sum())
    if squares <= 1e-12 * float((x**2).sum() + (y**2).sum()):
        # no difference varies: that any change is real is more than so few nights can tell
        return WithinPeople(people, count, correlation, low, high, 0.0, NAN, NAN, NAN)
    reach, tail = normal_quantile(level) * math.sqrt(2), (1 - level) / 2
    ends = (math.sqrt(squares / float(chdtri(degrees, share))) * reach for share in (tail, 1 - tail))
    sd = math.sqrt(squares / degrees)
    return WithinPeople(people, count, correlation, low, high, sd, reach * sd, *ends)


def _correlate(x: np.ndarray, y: np.ndarray, degrees: int, level: float) -> tuple[float, float, float]:
    """Return a correlation of deviations with its interval by Fisher's z."""
    size = math.sqrt(float(x @ x) * float(y @ y))
    if size == 0.0 or degrees < 1:
        return math.nan, math.nan, math.nan
    r = max(-1.0, min(1.0, float(x @ y) / size))
    if abs(r) == 1.0 or degrees < 2:
        return r, math.nan, math.nan
    # Fisher's standard error is that of degrees + 2 pairs: 1 / sqrt(degrees + 2 - 3)
    reach = normal_quantile(level) / math.sqrt(degrees - 1)
    return r, math.tanh(math.atanh(r) - reach), math.tanh(math.atanh(r) + reach)
