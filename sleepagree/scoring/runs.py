"""Runs of disagreement, and bouts of a class: longest stretches of epochs without a gap.

Epochs that one side did not score are not here; where they were taken out a bout ends, and no change is counted.

The number of runs of disagreement is compared with that of errors scattered at random among the epochs of each
reference stage, as many of them as there are. A stage that the device always misses makes runs by itself, and that much
is expected; runs beyond it are not explained by which stages the device misses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN

#: Below this many errors the number of runs is too far from normal for what is said in words.
_FEW_ERRORS: Final = 30
_WORTH_SCATTERING: Final = 1.0
_SCATTERINGS: Final = 1999

Epochs: TypeAlias = NDArray[np.int64]
Flags: TypeAlias = NDArray[np.bool_]


@dataclass(frozen=True)
class Runs:
    """Runs of disagreement, and what errors scattered at random would give.

    Parameters
    ----------
    count : int
        Runs: longest stretches of epochs that disagree without a gap between.
    epochs : int
        Epochs that disagree.
    lengths : tuple of (int, int)
        Length of a run (epochs) and how many runs have it.
    mean_length : float
        Epochs per run; nan without a run.
    longest_from, longest_to : int
        First and last epoch of the longest run (the earlier of equals); -1 without a run.
    expected_count, expected_sd : float
        Mean and standard deviation of the number of runs when the same number of errors is scattered at
        random among the epochs of each reference stage.
    expected_mean_length : float
        ``epochs`` divided by ``expected_count``.
    z : float
        ``count`` minus ``expected_count`` in standard deviations: negative when errors come in runs. Nan when
        the number of runs cannot vary.
    p, p_as_many : float
        Chance of so few runs, and of so many, if errors were scattered, one-sided each; nan with ``z``. From 30 errors
        on by the normal approximation; below, where ``z`` would speak on either side, from scattering the errors
        many times.
    """

    count: int
    epochs: int
    lengths: tuple[tuple[int, int], ...]
    mean_length: float
    longest_from: int
    longest_to: int
    expected_count: float
    expected_sd: float
    expected_mean_length: float
    z: float
    p: float
    p_as_many: float

    @property
    def longest(self) -> int:
        """Length of the longest run (epochs); 0 without a run."""
        return self.longest_to - self.longest_from + 1 if self.count else 0


def check_sequences(
    reference: Epochs, device: Epochs, numbers: Epochs, n_classes: int, window_epochs: int | None
) -> None:
    """Raise a ValueError where sequences do not fit each other, the classes or the window."""
    if reference.ndim != 1 or reference.size == 0:
        raise ValueError(f"reference_codes must hold at least one epoch in one dimension, not {reference.shape}")
    if not reference.shape == device.shape == numbers.shape:
        raise ValueError(
            "reference_codes, device_codes and epoch_numbers must have one length, "
            f"not {reference.size}, {device.size} and {numbers.size}"
        )
    for codes in (reference, device):
        if int(codes.min()) < 0 or int(codes.max()) >= n_classes:
            raise ValueError(f"codes must lie from 0 to {n_classes - 1}, not {codes.min()} to {codes.max()}")
    if int(numbers[0]) < 0 or not bool((np.diff(numbers) > 0).all()):
        raise ValueError("epoch_numbers must rise and start at 0 or later")
    if window_epochs is not None and int(numbers[-1]) >= window_epochs:
        raise ValueError(f"epoch_numbers must stay below window_epochs {window_epochs}, not {numbers[-1]}")


def count_runs(reference: Epochs, wrong: Flags, joined: Flags, numbers: Epochs, n_classes: int) -> Runs:
    """Return the runs of disagreement of sequences that `check_sequences` let pass."""
    epochs = int(np.count_nonzero(wrong))
    before = np.concatenate(([False], wrong[:-1] & joined))
    after = np.concatenate((wrong[1:] & joined, [False]))
    begin = np.flatnonzero(wrong & ~before)
    length = np.flatnonzero(wrong & ~after) + 1 - begin
    mean, sd = expected_runs(reference, wrong, joined, n_classes=n_classes)
    z = (begin.size - mean) / sd if sd > 0.0 else NAN
    p, p_as_many = (NAN if math.isnan(z) else 0.5 * math.erfc(side * z / math.sqrt(2.0)) for side in (-1, 1))
    if epochs < _FEW_ERRORS and abs(z) > _WORTH_SCATTERING:
        p, p_as_many = scatter_errors(reference, wrong, joined)
    longest = int(np.argmax(length)) if begin.size else -1
    counted = np.bincount(length)
    return Runs(
        count=begin.size,
        epochs=epochs,
        lengths=tuple((int(size), int(counted[size])) for size in np.flatnonzero(counted)),
        mean_length=epochs / begin.size if begin.size else NAN,
        longest_from=int(numbers[begin[longest]]) if begin.size else -1,
        longest_to=int(numbers[begin[longest] + length[longest] - 1]) if begin.size else -1,
        expected_count=mean,
        expected_sd=sd,
        expected_mean_length=epochs / mean if mean > 0.0 else NAN,
        z=z,
        p=p,
        p_as_many=p_as_many,
    )


def scatter_errors(reference: Epochs, wrong: Flags, joined: Flags, *, times: int = _SCATTERINGS) -> tuple[float, float]:
    """Return the chance of so few runs, and of so many, from errors scattered at random within each stage.

    Parameters
    ----------
    reference : int array of shape (n_epochs,)
        Reference class of each epoch.
    wrong : bool array of shape (n_epochs,)
        Whether the epoch disagrees.
    joined : bool array of shape (n_epochs - 1,)
        Whether an epoch follows the one before it without a gap.
    times : int
        How often the errors are scattered, always with the same random numbers.

    Returns
    -------
    tuple of (float, float)
        The night itself counts as one of the scatterings, so neither is 0 and a test at either keeps its size.

    References
    ----------
    Phipson B, Smyth GK (2010). Permutation P-values should never be zero. Stat Appl Genet Mol Biol 9:39.
    """
    rng = np.random.default_rng(0)
    scattered = np.zeros((times, wrong.size), dtype=np.bool_)
    for stage in np.unique(reference[wrong]):
        at = np.flatnonzero(reference == stage)
        errors = int(np.count_nonzero(wrong[at]))
        chosen = np.argpartition(rng.random((times, at.size), dtype=np.float32), errors - 1, axis=1)[:, :errors]
        scattered[np.arange(times)[:, None], at[chosen]] = True
    # errors are equally many everywhere, so runs are few where many errors follow one another
    follow = (scattered[:, 1:] & scattered[:, :-1] & joined).sum(axis=1)
    own = int(np.count_nonzero(wrong[1:] & wrong[:-1] & joined))
    few, many = int(np.count_nonzero(follow >= own)), int(np.count_nonzero(follow <= own))
    return (few + 1) / (times + 1), (many + 1) / (times + 1)


def expected_runs(reference: Epochs, wrong: Flags, joined: Flags, *, n_classes: int) -> tuple[float, float]:
    """Return mean and standard deviation of the number of runs if errors were scattered within stages.

    The number of runs is the number of errors less the number of neighbouring pairs that are both errors. With
    m_s errors in n_s epochs of stage s, all arrangements equally likely, a set of epochs with c_s of them in
    stage s is all wrong with probability prod_s m_s (m_s - 1) ... (m_s - c_s + 1) / (n_s ... (n_s - c_s + 1)).
    Summed over pairs this gives the mean, and over pairs of pairs (which may share an epoch) the variance. Both
    are exact.

    Parameters
    ----------
    reference : int array of shape (n_epochs,)
        Reference class of each epoch.
    wrong : bool array of shape (n_epochs,)
        Whether the epoch disagrees.
    joined : bool array of shape (n_epochs - 1,)
        Whether an epoch follows the one before it without a gap.
    n_classes : int
        Number of classes.

    Returns
    -------
    tuple of (float, float)
        Mean and standard deviation.
    """
    size = np.bincount(reference, minlength=n_classes)
    errors = np.bincount(reference, weights=wrong, minlength=n_classes)
    # chance[s, c]: c given epochs of stage s are all wrong
    chance = np.ones((n_classes, 5))
    for taken in range(4):
        left = np.maximum(size - taken, 1)
        chance[:, taken + 1] = chance[:, taken] * np.maximum(errors - taken, 0.0) / left
    # pairs of neighbours by their two stages, whatever the order
    low = np.minimum(reference[1:], reference[:-1])
    high = np.maximum(reference[1:], reference[:-1])
    kind = low * n_classes + high
    pairs = np.bincount(kind[joined], minlength=n_classes**2)
    kinds = np.flatnonzero(pairs)
    number = pairs[kinds].astype(np.float64)
    stage = np.arange(n_classes)
    members = (np.stack((kinds // n_classes, kinds % n_classes))[:, :, None] == stage).sum(axis=0)
    both = chance[stage, members].prod(axis=1)
    mean_pairs = float(number @ both)
    # pairs that share an epoch: three in a row
    inner = np.flatnonzero(joined[1:] & joined[:-1]) + 1
    place = np.zeros(n_classes**2, dtype=np.int64)
    place[kinds] = np.arange(kinds.size)
    left_kind, right_kind = place[kind[inner - 1]], place[kind[inner]]
    touching = np.bincount(left_kind * kinds.size + right_kind, minlength=kinds.size**2)
    touching = touching.reshape(kinds.size, kinds.size)
    triple = (reference[inner - 1] * n_classes + reference[inner]) * n_classes + reference[inner + 1]
    three = np.bincount(triple, minlength=n_classes**3).reshape((n_classes,) * 3)
    trio = (np.argwhere(three)[:, :, None] == stage).sum(axis=1)
    mean_three = float(three[three > 0].astype(np.float64) @ chance[stage, trio].prod(axis=1))
    # ordered pairs of pairs without a common epoch
    apart = number[:, None] * number[None, :] - np.diag(number) - touching - touching.T
    four = chance[stage, members[:, None, :] + members[None, :, :]].prod(axis=2)
    variance = mean_pairs + 2.0 * mean_three + float((apart * four).sum()) - mean_pairs**2
    # what rounding leaves of a variance of nothing is nothing
    variance = variance if variance > 1e-9 * max(1.0, mean_pairs**2) else 0.0
    return float(errors.sum()) - mean_pairs, math.sqrt(variance)


# --- bouts of a class -------------------------------------------------------------------------------------


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
