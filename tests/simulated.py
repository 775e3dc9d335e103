"""Seeded nights that never happened: stages on a fine clock, a reference and a device that score them.

Not a model of anybody's sleep. It has what the checks need: bouts with believable lengths, cycles that make
two unrelated nights look somewhat alike, errors that come in runs, clocks that are off and drift.
Stage codes: 0 wake, 1 light (N1, N2), 2 deep (N3), 3 REM.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

WAKE, LIGHT, DEEP, REM = range(4)
CLASSES = 4
Codes = NDArray[np.int8]


def simulate_sleep(rng: np.random.Generator, *, hours: float = 8.0, step_s: float = 5.0) -> Codes:
    """Return the stage at each step: sleep onset, cycles of light, deep, light, REM, and wakings between."""
    n = round(hours * 3600 / step_s)
    bouts: list[tuple[int, float]] = [(WAKE, rng.gamma(2.0, 8.0))]
    total_min, cycle = bouts[0][1], 0
    while total_min < hours * 60:
        deep_min = max(0.0, rng.normal(35 - 11 * cycle, 8))
        rem_min = max(3.0, rng.normal(6 + 6 * cycle, 5))
        plan = [(LIGHT, rng.gamma(4.0, 5.0)), (DEEP, deep_min), (LIGHT, rng.gamma(4.0, 7.0)), (REM, rem_min)]
        for stage, minutes in plan:
            left = minutes
            while left > 0.1:
                part = min(left, rng.exponential(18.0) + 0.5)
                bouts.append((stage, part))
                left -= part
                if left > 0.1 or rng.random() < 0.4:
                    waking = rng.exponential(1.2) if rng.random() < 0.85 else rng.exponential(8.0)
                    bouts.append((WAKE, waking) if rng.random() < 0.6 else (LIGHT, waking))
        cycle += 1
        total_min = sum(minutes for _, minutes in bouts)
    steps = np.cumsum([0] + [minutes * 60 / step_s for _, minutes in bouts]).round().astype(int)
    return np.repeat([stage for stage, _ in bouts], np.diff(steps)).astype(np.int8)[:n]


def score_epochs(
    stages: Codes, *, step_s: float = 5.0, epoch_s: float = 30.0, clock_slow_s: float = 0.0, drift_s_per_h: float = 0.0
) -> Codes:
    """Return the stage at the middle of each epoch of a clock that is slow, and gets slower every hour.

    The clock shows ``t - clock_slow_s - drift (t - middle)`` at true time ``t``. Epochs whose middle lies
    outside the night are -1.
    """
    hours = stages.size * step_s / 3600
    n = round(hours * 3600 / epoch_s)
    shown = (np.arange(n) + 0.5) * epoch_s
    true_s = shown + clock_slow_s + drift_s_per_h * (shown / 3600 - hours / 2)
    index = np.floor(true_s / step_s).astype(int)
    inside = (index >= 0) & (index < stages.size)
    return np.where(inside, stages[np.clip(index, 0, stages.size - 1)], -1).astype(np.int8)


def score_with_jump(
    stages: Codes, *, jump_s: float, at_s: float, step_s: float = 5.0, epoch_s: float = 30.0, clock_slow_s: float = 0.0
) -> Codes:
    """Return the stage at the middle of each epoch of a clock that jumps: it gets ``jump_s`` slower at ``at_s``.

    A clock that gets slower goes on at once with what comes ``jump_s`` later, as one does that stood still; one that
    is put forward shows nothing (-1) for so long.
    """
    before = score_epochs(stages, step_s=step_s, epoch_s=epoch_s, clock_slow_s=clock_slow_s)
    after = score_epochs(stages, step_s=step_s, epoch_s=epoch_s, clock_slow_s=clock_slow_s + jump_s)
    shown = (np.arange(before.size) + 0.5) * epoch_s + clock_slow_s
    result = np.where(shown < at_s, before, -1).astype(np.int8)
    later = shown >= at_s - min(0.0, jump_s)
    result[later] = after[later]
    return result


def add_error_runs(
    codes: Codes, rng: np.random.Generator, *, share: float = 0.2, mean_run_epochs: float = 6.0
) -> Codes:
    """Return the codes with wrong stages in runs; ``share`` of the epochs is inside a run on average.

    In a run the device says one stage throughout, so some epochs of it are right by chance.
    """
    n = codes.size
    gap = mean_run_epochs * (1.0 - share) / share
    result = codes.copy()
    at = int(rng.exponential(gap))
    while at < n:
        length = int(rng.geometric(1.0 / mean_run_epochs))
        said = result[at : at + length]
        said[said >= 0] = rng.integers(CLASSES)
        at += length + 1 + int(rng.exponential(max(gap - 1.0, 0.0)))
    return result


def spread_fine(codes: Codes, *, epoch_s: float = 30.0, step_s: float = 5.0) -> Codes:
    """Return epochs repeated on the fine clock."""
    return np.repeat(codes, round(epoch_s / step_s))
