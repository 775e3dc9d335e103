"""Sums of count tables: the diagonal, row sums and column sums that the statistics of agreement are made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

Counts: TypeAlias = npt.NDArray[Any]
"""Tables of epochs, whole numbers or floats, shape (..., k, k); rows reference, columns device."""
Values: TypeAlias = npt.NDArray[np.float64]

_BLOCK: Final = 512  # tables per matrix product: fits the cache, and stays too small for BLAS to start threads


def ratio(numerator: Values, denominator: Values) -> Values:
    """Divide; 0/0 is nan and silent. Numerators of these statistics vanish wherever their denominator does."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return numerator / denominator


def classes_last(values: Values) -> Values:
    """Move the class axis, which comes first in `TableSums`, to the end."""
    return np.moveaxis(values, 0, -1)


class TableSums(NamedTuple):
    """What the statistics need to know of each table; the class axis comes first.

    Parameters
    ----------
    diagonal : ndarray of shape (k, ...)
        Epochs that both sides gave the class.
    rows : ndarray of shape (k, ...)
        Epochs that the reference gave the class.
    columns : ndarray of shape (k, ...)
        Epochs that the device gave the class.
    n : ndarray of shape (...)
        Epochs.
    agreed : ndarray of shape (...)
        Epochs of the diagonal.
    """

    diagonal: Values
    rows: Values
    columns: Values
    n: Values
    agreed: Values


@lru_cache(maxsize=32)
def _summing_matrix(k: int) -> Values:
    """Return the (3k, k*k) matrix of 0 and 1 that turns cells into diagonal, row sums and column sums."""
    matrix = np.zeros((3, k, k, k))
    for i in range(k):
        matrix[0, i, i, i] = 1.0
        matrix[1, i, i, :] = 1.0
        matrix[2, i, :, i] = 1.0
    flat = matrix.reshape(3 * k, k * k)
    flat.flags.writeable = False
    return flat


def square_tables(counts: Counts) -> tuple[Counts, int]:
    """Return ``counts`` as an array and its number of classes.

    Raises
    ------
    ValueError
        If it is no table, or one that is not square.
    """
    table = np.asarray(counts)
    if table.ndim < 2 or table.shape[-1] != table.shape[-2] or table.shape[-1] < 2:
        raise ValueError(f"counts must have shape (..., k, k) with k of 2 or more, not {table.shape}")
    return table, table.shape[-1]


def stack_sums(counts: Counts) -> Values:
    """Return diagonal, row sums and column sums of each table, class axis first.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    ndarray of shape (3k, ...)
        Rows 0 to k-1 the diagonal, k to 2k-1 the row sums, 2k to 3k-1 the column sums. Sums of tables are
        sums of these, so a bootstrap may weigh them and hand the result to `sums_from_stack`.

    Raises
    ------
    ValueError
        If the last two axes are not square, or have fewer than two classes.

    Examples
    --------
    >>> stack_sums(np.array([[4, 1], [2, 3]])).tolist()
    [4.0, 3.0, 5.0, 5.0, 6.0, 4.0]
    """
    table, k = square_tables(counts)
    lead = table.shape[:-2]
    cells = table.reshape(math.prod(lead), k * k)
    summing = _summing_matrix(k)
    if len(cells) <= _BLOCK:
        sums: Values = summing @ cells.T.astype(np.float64, copy=False)
    else:
        sums = np.empty((3 * k, len(cells)))
        for first in range(0, len(cells), _BLOCK):
            block = cells[first : first + _BLOCK].T.astype(np.float64, copy=False)
            np.matmul(summing, block, out=sums[:, first : first + _BLOCK])
    return sums.reshape(3 * k, *lead)


def sums_from_stack(sums: Values) -> TableSums:
    """Return `TableSums` from what `stack_sums` gave, or from weighted sums of it.

    Parameters
    ----------
    sums : ndarray of shape (3k, ...)
        Diagonal, row sums and column sums.

    Returns
    -------
    TableSums
    """
    k = len(sums) // 3
    diagonal, rows, columns = sums[:k], sums[k : 2 * k], sums[2 * k :]
    return TableSums(diagonal, rows, columns, rows.sum(axis=0), diagonal.sum(axis=0))


def sum_table(counts: Counts) -> TableSums:
    """Return diagonal, row sums, column sums, epochs and agreed epochs of each table.

    Parameters
    ----------
    counts : array of shape (..., k, k)
        Epochs; rows reference, columns device.

    Returns
    -------
    TableSums

    Raises
    ------
    ValueError
        If the last two axes are not square, or have fewer than two classes.
    """
    return sums_from_stack(stack_sums(counts))


def widen_columns(counts: Counts, *, device_index: Sequence[int]) -> Counts:
    """Return square tables from tables whose device lacks classes: an empty column for each lacking class.

    Parameters
    ----------
    counts : array of shape (..., r, c)
        Epochs; rows are the r reference classes, columns the c device classes.
    device_index : sequence of c int
        Position of each device class among the reference classes.

    Returns
    -------
    ndarray of shape (..., r, r)
        Same type as ``counts``; column j holds what the device called reference class j.

    Raises
    ------
    ValueError
        If a position stands twice or outside the reference classes, or their number is not that of the
        columns.

    Examples
    --------
    >>> widen_columns(np.array([[5, 1], [2, 7], [0, 4]]), device_index=(0, 1)).tolist()
    [[5, 1, 0], [2, 7, 0], [0, 4, 0]]
    """
    table = np.asarray(counts)
    index = tuple(device_index)
    if table.ndim < 2 or table.shape[-1] != len(index):
        raise ValueError(f"device_index names {len(index)} columns, but counts has shape {table.shape}")
    r = table.shape[-2]
    if len(set(index)) != len(index) or any(not 0 <= position < r for position in index):
        raise ValueError(f"device_index must hold different positions from 0 to {r - 1}, not {index}")
    wide = np.zeros((*table.shape[:-1], r), dtype=table.dtype)
    wide[..., index] = table
    return wide


def fold_counts(counts: Counts, rows: Sequence[int], columns: Sequence[int], shape: tuple[int, int]) -> Counts:
    """Return counts of classes as sums of counts of labels.

    Parameters
    ----------
    counts : array, shape (..., labels of the reference, labels of the device)
        Epochs.
    rows, columns : sequence of int
        Class of each label, -1 where it is left out.
    shape : (int, int)
        Number of classes on both sides.

    Returns
    -------
    array, shape (..., *shape)
        ``R' N D`` with 0/1 matrices R and D.
    """
    return np.asarray(indicator(rows, shape[0]).T @ counts @ indicator(columns, shape[1]))


def indicator(codes: Sequence[int], n_classes: int) -> npt.NDArray[np.int64]:
    """Return a 0/1 matrix, shape (labels, classes): whether a label has that class; -1 is none."""
    hit: npt.NDArray[np.int64] = (np.asarray(codes, np.int64)[:, None] == np.arange(n_classes)).astype(np.int64)
    return hit
