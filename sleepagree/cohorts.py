"""Count tables of many nights at once, from arrays of class codes.

Work goes in blocks of nights: the cells of a block stay in the processor's cache, and memory does not grow with the
number of nights beyond the tables themselves.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram import Counts

#: Nights of a block: 256 nights of 960 epochs are 2 MB of cell numbers.
BLOCK_NIGHTS: Final = 256


def count_nights(reference: NDArray[Any], device: NDArray[Any], n_classes: int) -> Counts:
    """Return one count table per night.

    Parameters
    ----------
    reference, device : int array, shape (n_nights, n_epochs)
        Class of each epoch, 0 to ``n_classes`` - 1; any negative code is an epoch without a stage.
    n_classes : int
        Number of classes.

    Returns
    -------
    int64 array, shape (n_nights, n_classes, n_classes)
        Epochs with a class on both sides; rows reference, columns device.

    Raises
    ------
    ValueError
        When the shapes differ or a code is out of range.

    Examples
    --------
    >>> count_nights(np.array([[0, 0, 1, -1]]), np.array([[0, 1, 1, 1]]), 2).tolist()
    [[[1, 1], [0, 1]]]
    """
    left, right = np.asarray(reference), np.asarray(device)
    if left.shape != right.shape or left.ndim != 2:
        raise ValueError(f"reference and device must have one shape (nights, epochs), not {left.shape}, {right.shape}")
    if left.size and max(int(left.max()), int(right.max())) >= n_classes:
        raise ValueError(f"a code is not below n_classes = {n_classes}")
    has_odd_gaps = left.size and min(int(left.min()), int(right.min())) < -1
    nights, side = left.shape[0], n_classes + 1
    out = np.empty((nights, n_classes, n_classes), np.int64)
    # a cell of its own for "no stage" on either side costs less than masking epochs out
    most = min(BLOCK_NIGHTS, nights)
    first_cell = np.arange(most, dtype=np.intp)[:, None] * (side * side) + (side + 1)
    cells, placed = np.empty((most, left.shape[1]), np.int16), np.empty((most, left.shape[1]), np.intp)
    for begin in range(0, nights, BLOCK_NIGHTS):
        rows = left[begin : begin + BLOCK_NIGHTS]
        columns = right[begin : begin + BLOCK_NIGHTS]
        if has_odd_gaps:
            rows, columns = np.maximum(rows, -1), np.maximum(columns, -1)
        count = rows.shape[0]
        here = np.multiply(rows, np.int16(side), out=cells[:count], casting="unsafe")
        np.add(here, columns, out=here, casting="unsafe")
        np.add(first_cell[:count], here, out=placed[:count])
        table = np.bincount(placed[:count].ravel(), minlength=count * side * side).reshape(count, side, side)
        out[begin : begin + count] = table[:, 1:, 1:]
    return out
