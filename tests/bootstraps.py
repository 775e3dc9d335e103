"""The bootstrap of one statistic alone, as tests and benchmarks ask it."""

from __future__ import annotations

import math
from collections.abc import Sequence
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


def uneven_by_matrices(sizes: Sequence[float]) -> tuple[float, float]:
    """Return inflation and degrees of freedom of Bell and McCaffrey (2002), by the matrices themselves."""
    share = np.asarray(sizes, float) / np.sum(sizes)
    residuals = np.eye(share.size) - np.outer(np.ones(share.size), share)
    form = residuals.T @ np.diag(share**2) @ residuals
    return float((share**2).sum() / np.trace(form)), float(np.trace(form) ** 2 / np.trace(form @ form))


def level_of_textbook(level: float, sizes: int | Sequence[float]) -> float:
    """Return the level at which units of these sizes, or so many, have percentiles that textbooks take at ``level``.

    Ours lie further out: where a normal distribution has sqrt(n/(n - 1)) times the quantile of Student's t.
    """
    inflation, degrees = uneven_by_matrices([1.0] * sizes if isinstance(sizes, int) else sizes)
    t = stats.norm.ppf(0.5 + level / 2) / math.sqrt(inflation)
    return float(2 * stats.t.cdf(t, degrees) - 1)
