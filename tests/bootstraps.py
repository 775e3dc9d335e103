"""The bootstrap of one statistic alone, as tests and benchmarks ask it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy import stats

from sleepagree.inference.resampling import BootstrapIntervals, Kernel, cluster_bootstrap_all, mean_bootstrap_all


def bootstrap(
    tables: np.ndarray, kernel: Kernel, *, influence: Kernel | None = None, **more: Any
) -> BootstrapIntervals:
    """Return the intervals of a statistic that has one value per table."""
    if "bounds" in more:
        more["bounds"] = {"statistic": more["bounds"]}
    influences = {} if influence is None else {"statistic": influence}
    (found,) = cluster_bootstrap_all(tables, {"statistic": kernel}, influences=influences, **more)["statistic"]
    return found


def bootstrap_mean(values: np.ndarray, *, rng: np.random.Generator, **more: Any) -> BootstrapIntervals:
    """Return the intervals of a mean over participants."""
    if "bounds" in more:
        more["bounds"] = {"mean": more["bounds"]}
    return mean_bootstrap_all({"mean": values}, rng=lambda: rng, **more)["mean"]


def level_of_textbook(level: float, units: int) -> float:
    """Return the level at which so many units have the percentiles that textbooks take at ``level``.

    Ours lie further out: where a normal distribution has sqrt(n/(n - 1)) times the quantile of Student's t.
    """
    t = stats.norm.ppf(0.5 + level / 2) / math.sqrt(units / (units - 1))
    return float(2 * stats.t.cdf(t, units - 1) - 1)
