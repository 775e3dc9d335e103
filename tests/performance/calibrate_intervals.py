"""How often intervals of kappa cover the truth: ``python -m tests.performance.calibrate_intervals``.

Participants differ in how often the device errs, their nights differ, and errors come in runs. The truth is the
value on a very large number of participants of the same kind.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import simulated

from sleepagree.scoring import coefficients
from tests.bootstraps import bootstrap, bootstrap_mean

CELLS = simulated.CLASSES**2


def simulate_night_codes(rng: np.random.Generator, share: float, run_epochs: float) -> np.ndarray:
    """Return the cell of each epoch of one night."""
    reference = simulated.score_epochs(simulated.simulate_sleep(rng))
    device = simulated.add_error_runs(reference, rng, share=share, mean_run_epochs=run_epochs)
    return reference.astype(np.int64) * simulated.CLASSES + device


def simulate_participant(rng: np.random.Generator, nights: int) -> np.ndarray:
    """Return the table of one participant, all nights together."""
    share = rng.beta(4, 12)
    codes = [simulate_night_codes(rng, min(0.9, share * rng.uniform(0.7, 1.3)), 10.0) for _ in range(nights)]
    counted = np.bincount(np.concatenate(codes), minlength=CELLS)
    return counted.reshape(simulated.CLASSES, simulated.CLASSES)


def calibrate_studies(studies: int, pool: np.ndarray, people: int) -> dict[str, float]:
    """Print and return coverage, in per cent, for studies of so many participants."""
    rng = np.random.default_rng(people)
    pooled_truth = float(coefficients.kappa(pool.sum(axis=0)))
    each = coefficients.kappa(pool)
    hits: dict[str, int] = {}
    for _ in range(studies):
        drawn = rng.integers(0, len(pool), people)
        tables = pool[drawn]
        pooled = bootstrap(tables, coefficients.kappa, rng=rng, influence=coefficients.kappa_influence)
        averaged = bootstrap_mean(each[drawn], rng=rng)
        for what, found, truth in (("pooled", pooled, pooled_truth), ("averaged", averaged, each.mean())):
            for kind in ("percentile", "bca", "delta"):
                interval = getattr(found, kind)
                key = f"{what} {kind}"
                hits[key] = hits.get(key, 0) + (interval.low <= truth <= interval.high)
    for key, count in hits.items():
        print(f"{people} participants, {key}: {count / studies:.3f}")
    return {key: 100 * count / studies for key, count in hits.items()}


def main(studies: int) -> None:
    """Print the figures."""
    began = time.perf_counter()
    rng = np.random.default_rng(0)
    pool = np.array([simulate_participant(rng, nights=2) for _ in range(10_000)])
    for people in (5, 10, 20, 40):
        calibrate_studies(studies, pool, people)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    main(parser.parse_args().studies)
