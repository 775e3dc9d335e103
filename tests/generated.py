"""Invented nights for tests: stage runs of realistic length and device errors that come in runs.

Nothing here imitates a real recording or device; the figures (cycles of about 95 minutes, deep sleep early,
REM late, errors of several epochs) are only near enough to make tables look like tables of real nights.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.int8]
FIVE = ("W", "N1", "N2", "N3", "R")
FOLDINGS: dict[int, tuple[int, ...]] = {5: (0, 1, 2, 3, 4), 4: (0, 1, 1, 2, 3), 3: (0, 1, 1, 1, 2), 2: (0, 1, 1, 1, 1)}
"""Class of W, N1, N2, N3, R at 5, 4 (N1+N2), 3 (NREM) and 2 (sleep) classes."""

_EARLY = np.array(
    [
        [0.93, 0.06, 0.01, 0.00, 0.00],
        [0.05, 0.80, 0.15, 0.00, 0.00],
        [0.01, 0.02, 0.90, 0.06, 0.01],
        [0.01, 0.00, 0.04, 0.95, 0.00],
        [0.02, 0.03, 0.02, 0.00, 0.93],
    ]
)
_LATE = np.array(
    [
        [0.92, 0.06, 0.02, 0.00, 0.00],
        [0.06, 0.78, 0.14, 0.00, 0.02],
        [0.02, 0.03, 0.90, 0.01, 0.04],
        [0.02, 0.00, 0.13, 0.85, 0.00],
        [0.01, 0.01, 0.01, 0.00, 0.97],
    ]
)
_MISTAKES = np.array(
    [
        [0.00, 0.35, 0.45, 0.00, 0.20],
        [0.40, 0.00, 0.45, 0.00, 0.15],
        [0.10, 0.30, 0.00, 0.35, 0.25],
        [0.02, 0.00, 0.98, 0.00, 0.00],
        [0.15, 0.20, 0.60, 0.05, 0.00],
    ]
)


def generate_stages(rng: np.random.Generator, *, epochs: int) -> Codes:
    """Stage codes (0 W, 1 N1, 2 N2, 3 N3, 4 R) of one night."""
    stages = np.zeros(epochs, dtype=np.int8)
    draws = rng.random(epochs)
    for i in range(1, epochs):
        share = i / epochs
        steps = np.cumsum((1 - share) * _EARLY[stages[i - 1]] + share * _LATE[stages[i - 1]])
        stages[i] = min(int(np.searchsorted(steps, draws[i], side="right")), 4)
    return stages


def err_in_runs(rng: np.random.Generator, stages: Codes, *, error_share: float = 0.2, run_epochs: float = 6.0) -> Codes:
    """What an invented device says: the truth, with runs of mistakes of about ``run_epochs`` epochs."""
    device = stages.copy()
    starts_with = error_share / run_epochs
    left, answer, truth = 0, 0, -1
    for i, stage in enumerate(stages):
        if left == 0 and rng.random() < starts_with:
            left = int(rng.geometric(1.0 / run_epochs))
            truth = -1
        if left:
            if stage != truth:
                truth = int(stage)
                answer = int(rng.choice(5, p=_MISTAKES[truth]))
            device[i] = answer
            left -= 1
    return device


def generate_nights(count: int, *, seed: int) -> Iterator[tuple[Codes, Codes]]:
    """Pairs (reference, device) of stage codes; every tenth night is an odd one.

    The odd ones in turn: awake throughout on both sides; a reference without REM; a device that says one
    stage only; a device without N1; a short night of perfect agreement; one epoch.
    """
    rng = np.random.default_rng(seed)
    for night in range(count):
        reference = generate_stages(rng, epochs=int(rng.integers(700, 1100)))
        device = err_in_runs(rng, reference, error_share=float(rng.uniform(0.02, 0.5)))
        if night % 10 == 9:
            odd = night // 10 % 6
            if odd == 0:
                reference, device = np.zeros_like(reference), np.zeros_like(device)
            elif odd == 1:
                reference[reference == 4] = 2
            elif odd == 2:
                device = np.full_like(device, 2)
            elif odd == 3:
                device[device == 1] = 2
            elif odd == 4:
                reference = reference[:60]
                device = reference.copy()
            else:
                reference, device = reference[-1:], device[-1:]
        yield reference, device


def fold(stages: Codes, classes: int) -> Codes:
    """Codes at 5, 4, 3 or 2 classes."""
    return np.array(FOLDINGS[classes], dtype=np.int8)[stages]


def count_epochs(reference: Codes, device: Codes, classes: int) -> npt.NDArray[np.int64]:
    """Table of epochs, rows reference, by a plain loop."""
    table = np.zeros((classes, classes), dtype=np.int64)
    for row, column in zip(reference.tolist(), device.tolist(), strict=True):
        table[row, column] += 1
    return table
