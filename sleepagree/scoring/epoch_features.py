"""What is known of each epoch from the device alone: its class, those around it, and when in the night it lies.

References
----------
.. [1] Harrell FE. Regression Modeling Strategies. 2nd ed., Springer, 2015, section 2.4.5: restricted cubic splines,
   linear beyond the outer knots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S

_Values = NDArray[np.float64]
_Codes = NDArray[np.integer]


@dataclass(frozen=True)
class EpochFeatures:
    """How the features of an epoch are made.

    Parameters
    ----------
    classes : tuple of str
        What the device can say, in the order of the codes.
    share_minutes : tuple of float
        Lengths of the stretches before and after an epoch in which the share of each class is taken.
    hour_knots : tuple of float
        Knots of the spline of hours since the device's first sleep epoch.
    part_knots : tuple of float
        Knots of the spline of the part of the window, 0 to 1.
    """

    classes: tuple[str, ...]
    share_minutes: tuple[float, ...] = (2.0, 5.0, 15.0)
    hour_knots: tuple[float, ...] = (0.0, 1.5, 3.0, 5.0, 7.5)
    part_knots: tuple[float, ...] = (0.05, 0.275, 0.5, 0.725, 0.95)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the features, in the order of the columns."""
        within = ["since change", "until change"]
        within += [f"hours {i}" for i in range(1, len(self.hour_knots))]
        within += [f"part {i}" for i in range(1, len(self.part_knots))]
        own = [f"is {name}" for name in self.classes]
        own += [f"{what} in {name}" for name in self.classes for what in within]
        sides = [(side, minutes) for side in ("before", "after") for minutes in self.share_minutes]
        return (*own, *(f"{name} {minutes:g} min {side}" for side, minutes in sides for name in self.classes))

    def of_night(self, codes: _Codes, asleep: Sequence[bool]) -> _Values:
        """Return the features of every epoch of a night.

        Parameters
        ----------
        codes : int array, shape (n_epochs,)
            Class of each epoch of the window, -1 where the device is silent.
        asleep : sequence of bool
            Whether each class is sleep.

        Returns
        -------
        float array, shape (n_epochs, n_features)
            Silent epochs have no class, and features that mean nothing.

        Examples
        --------
        >>> rule = EpochFeatures(("wake", "sleep"), share_minutes=(1.0,), hour_knots=(0, 1, 2), part_knots=(0, 0.5, 1))
        >>> found = rule.of_night(np.array([0, 0, 1, 1]), (False, True))
        >>> dict(zip(rule.names, found[1].tolist()))["wake 1 min before"]
        1.0
        """
        n, k = codes.size, len(self.classes)
        is_class = (codes[:, None] == np.arange(k)).astype(np.float64)
        begin, end = _run_ends(codes)
        epoch = np.arange(n)
        minute = EPOCH_S / 60
        sleeps = np.flatnonzero(np.array([*asleep, False])[codes])
        # a night without sleep lies before sleep onset as a whole
        hours = np.maximum((epoch - sleeps[0]) * EPOCH_S / 3600, -1.0) if sleeps.size else np.full(n, -1.0)
        within = np.column_stack(
            [
                np.log2(1 + (epoch - begin) * minute),
                np.log2(1 + (end - 1 - epoch) * minute),
                spline(hours, self.hour_knots),
                spline((epoch + 0.5) / max(n, 1), self.part_knots),
            ]
        )
        products = (is_class[:, :, None] * within[:, None, :]).reshape(n, -1)
        return np.column_stack([is_class, products, *self._shares(is_class)])

    def _shares(self, is_class: _Values) -> list[_Values]:
        """Return the share of each class in stretches before and after each epoch, without the epoch itself."""
        n = len(is_class)
        sums = np.concatenate([np.zeros((1, is_class.shape[1])), np.cumsum(is_class, axis=0)])
        epoch = np.arange(n)
        lengths = [max(1, round(minutes * 60 / EPOCH_S)) for minutes in self.share_minutes]
        stretches = [(np.maximum(epoch - length, 0), epoch) for length in lengths]
        stretches += [(epoch + 1, np.minimum(epoch + 1 + length, n)) for length in lengths]
        found = []
        for low, high in stretches:
            counts = sums[high] - sums[low]
            found.append(counts / np.maximum(counts.sum(axis=1, keepdims=True), 1))
        return found


def _run_ends(codes: _Codes) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return begin and end of the run that each epoch lies in."""
    edges = np.flatnonzero(np.concatenate([[True], codes[1:] != codes[:-1]]))
    ends = np.append(edges[1:], codes.size)
    lengths = ends - edges
    return np.repeat(edges, lengths), np.repeat(ends, lengths)


def spline(x: _Values, knots: Sequence[float]) -> _Values:
    """Return the restricted cubic spline basis [1]_: x itself, and one column for each knot but two.

    Parameters
    ----------
    x : float array, shape (n,)
        Where.
    knots : sequence of float
        At least three, rising.

    Returns
    -------
    float array, shape (n, len(knots) - 1)
        Every sum of the columns is cubic between knots, smooth at them, and a straight line beyond the outer two.
    """
    t = np.asarray(knots, np.float64)
    cubes = np.maximum(x[:, None] - t, 0.0) ** 3 / (t[-1] - t[0]) ** 2
    last = t[-1] - t[-2]
    bent = (
        cubes[:, :-2]
        - np.outer(cubes[:, -2], (t[-1] - t[:-2]) / last)
        + np.outer(cubes[:, -1], (t[-2] - t[:-2]) / last)
    )
    return np.column_stack([x, bent])
