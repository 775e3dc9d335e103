"""Agreement of any number of scorers at once, chance-corrected, from the table of coincidences of their stages.

References
----------
.. [1] Fleiss JL. Measuring nominal scale agreement among many raters. Psychol Bull 1971;76:378-382.
.. [2] Krippendorff K. Computing Krippendorff's alpha-reliability. University of Pennsylvania, 2011.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepagree.inference.estimate import NAN


def count_coincidences(votes: NDArray[np.integer[Any]], n_classes: int) -> NDArray[np.float64]:
    """Return the tables of coincidences of scorers' stages.

    Parameters
    ----------
    votes : int array, shape (scorers, epochs)
        Class of each epoch by each scorer; -1 where a scorer gave none.
    n_classes : int
        Number of classes.

    Returns
    -------
    ndarray of shape (2, n_classes, n_classes)
        Ordered pairs of stages that two scorers gave one epoch, an epoch with m scorers weighing m: first of the epochs
        to which all scorers gave a class, then of those to which two or more did. Tables of nights add up, and so do
        rows and columns of classes that are merged.

    Examples
    --------
    >>> count_coincidences(np.array([[0, 0, 1, 1], [0, 1, 1, -1]]), 2)[0]
    array([[2., 1.],
           [1., 2.]])
    """
    counts = np.stack([(votes == k).sum(axis=0) for k in range(n_classes)], axis=1).astype(np.float64)
    given = counts.sum(axis=1)
    pairs = counts[:, :, None] * counts[:, None, :] - counts[:, :, None] * np.eye(n_classes)
    weighed = pairs / np.maximum(given - 1.0, 1.0)[:, None, None]
    kept = (given == len(votes)) & (given > 1), given > 1
    return np.stack([weighed[of].sum(axis=0) for of in kept])


def fleiss_kappa(coincidences: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return Fleiss' kappa [1]_ of epochs that all scorers scored; nan where they used one class only.

    Parameters
    ----------
    coincidences : array of shape (..., classes, classes)
        The first table of `count_coincidences`, or a sum of such.
    """
    total, agreed, squares = _sums(coincidences)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_chance = squares / total**2
        kappa: NDArray[np.float64] = np.where(by_chance < 1.0, (agreed / total - by_chance) / (1.0 - by_chance), NAN)
    return kappa


def krippendorff_alpha(coincidences: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return Krippendorff's alpha for nominal data [2]_; nan where scorers used one class only.

    Parameters
    ----------
    coincidences : array of shape (..., classes, classes)
        The second table of `count_coincidences`, or a sum of such: an epoch that a scorer left out
        stays in with the others.
    """
    total, agreed, squares = _sums(coincidences)
    with np.errstate(invalid="ignore", divide="ignore"):
        expected = (total**2 - squares) / (total * (total - 1.0))
        alpha: NDArray[np.float64] = np.where(expected > 0.0, 1.0 - (total - agreed) / total / expected, NAN)
    return alpha


def _sums(tables: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return all stages given, those in pairs that agree, and the sum of squares of each class's."""
    values = np.asarray(tables, np.float64)
    by_class = values.sum(axis=-1)
    return by_class.sum(axis=-1), np.trace(values, axis1=-2, axis2=-1), (by_class**2).sum(axis=-1)
