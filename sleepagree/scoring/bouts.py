"""Bouts of a class and changes of class, on either side of a night.

A bout is a longest stretch of epochs of one class without a gap between. Epochs that one side did not score are not
here; where they were taken out, a bout ends, and a change across them is none.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN
from sleepagree.scoring.runs import Epochs, Flags

#: Under this name stand the changes of class an hour.
CHANGES = ""


class Bouts(NamedTuple):
    """Stretches of one class without a gap; ``end`` is the position after the last epoch."""

    begin: Epochs
    end: Epochs
    code: Epochs

    @classmethod
    def of(cls, codes: NDArray[np.integer[Any]], joined: Flags) -> Bouts:
        """Cut a sequence of classes where the class changes and at gaps."""
        edges = np.flatnonzero((codes[1:] != codes[:-1]) | ~joined) + 1
        begin = np.concatenate(([0], edges))
        return cls(begin, np.concatenate((edges, [codes.size])), codes[begin].astype(np.int64))

    @property
    def length(self) -> Epochs:
        """Epochs of each stretch."""
        return self.end - self.begin

    def changes(self, joined: Flags) -> int:
        """Return how many stretches begin with a change of class; behind a gap none does."""
        return int(np.count_nonzero(joined[self.begin[1:] - 1]))

    def of_classes(self, n_classes: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return how many stretches of each class there are, and their mean length in epochs, nan where none is."""
        found = np.bincount(self.code, minlength=n_classes)
        epochs = np.bincount(self.code, self.length, n_classes)
        return found, np.divide(epochs, found, out=np.full(n_classes, NAN), where=found > 0)


def compare_bouts(
    reference: NDArray[np.integer[Any]],
    device: NDArray[np.integer[Any]],
    epochs: NDArray[np.integer[Any]],
    n_classes: int,
) -> NDArray[np.float64]:
    """Return changes of class an hour and the mean length of bouts of each class, of both sides.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Class of each epoch.
    epochs : int array, shape (n_epochs,)
        Number of each epoch in the window.
    n_classes : int
        How many classes there are.

    Returns
    -------
    float array, shape (1 + n_classes, 2)
        Values of the reference and of the device: first changes per hour of epochs; then minutes a bout of each class,
        nan where a side has none.

    Examples
    --------
    >>> compare_bouts(np.array([0, 0, 1, 1, 1, 1]), np.array([0, 1, 1, 0, 1, 1]), np.arange(6), 2)
    array([[20. , 60. ],
           [ 1. ,  0.5],
           [ 2. ,  1. ]])
    """
    joined = np.diff(epochs) == 1
    found = np.full((1 + n_classes, 2), NAN)
    if not epochs.size:
        return found
    for side, codes in enumerate((reference, device)):
        bouts = Bouts.of(codes, joined)
        found[0, side] = bouts.changes(joined) / (epochs.size * EPOCH_S / 3600)
        found[1:, side] = bouts.of_classes(n_classes)[1] * (EPOCH_S / 60)
    return found
