"""Bouts of a class and changes of class, on either side of a night.

A bout is a longest stretch of epochs of one class without a gap between. Epochs that one side did not score are not
here; where they were taken out, a bout ends, and a change across them is none.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN

#: Under this name stand the changes of class an hour.
CHANGES = ""


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
    hours = epochs.size * EPOCH_S / 3600
    found = np.full((1 + n_classes, 2), NAN)
    for side, codes in enumerate((reference, device)):
        changed = codes[1:] != codes[:-1]
        first = np.concatenate(([True], changed | ~joined)) if codes.size else np.zeros(0, np.bool_)
        minutes = np.bincount(codes, minlength=n_classes) * (EPOCH_S / 60)
        bouts = np.bincount(codes[first], minlength=n_classes)
        np.divide(minutes, bouts, out=found[1:, side], where=bouts > 0)
        if hours:
            found[0, side] = np.count_nonzero(changed & joined) / hours
    return found
