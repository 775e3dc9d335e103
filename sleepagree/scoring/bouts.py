"""Bouts of a class and changes of class, on either side of a night.

A bout is a longest stretch of epochs of one class without a gap between. Epochs that one side did not score are not
here; where they were taken out, a bout ends, and a change across them is none.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    classes: Sequence[str],
) -> tuple[tuple[str, float, float], ...]:
    """Return changes of class an hour and the mean length of bouts of each class, of both sides.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Class of each epoch.
    epochs : int array, shape (n_epochs,)
        Number of each epoch in the window.
    classes : sequence of str
        Names of the classes.

    Returns
    -------
    tuple of (str, float, float)
        Name, value of the reference, value of the device: first ``CHANGES``, changes per hour of epochs; then minutes a
        bout of each class, nan where a side has none.

    Examples
    --------
    >>> sides = np.array([0, 0, 1, 1, 1, 1]), np.array([0, 1, 1, 0, 1, 1])
    >>> compare_bouts(*sides, np.arange(6), ("wake", "sleep"))
    (('', 20.0, 60.0), ('wake', 1.0, 0.5), ('sleep', 2.0, 1.0))
    """
    joined = np.diff(epochs) == 1
    hours = epochs.size * EPOCH_S / 3600
    sides = []
    for codes in (reference, device):
        changed = codes[1:] != codes[:-1]
        first = np.concatenate(([True], changed | ~joined)) if codes.size else np.zeros(0, np.bool_)
        in_all = np.bincount(codes, minlength=len(classes))
        bouts = np.bincount(codes[first], minlength=len(classes))
        lengths = np.divide(in_all * (EPOCH_S / 60), bouts, out=np.full(len(classes), NAN), where=bouts > 0)
        rate = float(np.count_nonzero(changed & joined)) / hours if hours else NAN
        sides.append((rate, *lengths.tolist()))
    return tuple(zip((CHANGES, *classes), *sides, strict=True))
