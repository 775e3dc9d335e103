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

from sleepagree.inference.resampling import (
    block_bootstrap_tables,
    percentile_interval,
)
from sleepagree.scoring import coefficients
from tests import records
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


def calibrate_nights(nights: int, run_epochs: float) -> dict[str, float]:
    """Print and return coverage, in per cent, for single nights of one kind of person."""
    rng = np.random.default_rng(7)
    many = np.concatenate([simulate_night_codes(rng, 0.25, run_epochs) for _ in range(3000)])
    truth = float(coefficients.kappa(np.bincount(many, minlength=CELLS).reshape(4, 4)))
    hits = np.zeros(4)
    lengths = (15, 30, 60)
    for _ in range(nights):
        codes = simulate_night_codes(rng, 0.25, run_epochs)
        table = np.bincount(codes, minlength=CELLS).reshape(4, 4)
        half = 1.96 * float(coefficients.kappa_se(table))
        hits[0] += abs(float(coefficients.kappa(table)) - truth) <= half
        for at, mean_block in enumerate(lengths, start=1):
            tables = block_bootstrap_tables(codes, CELLS, rng=rng, resamples=1000, mean_block_epochs=mean_block)
            found = percentile_interval(coefficients.kappa(tables.reshape(-1, 4, 4)))
            hits[at] += found.low <= truth <= found.high
    told = ", ".join(f"blocks of {m}: {h:.3f}" for m, h in zip(lengths, hits[1:] / nights, strict=True))
    print(f"one night, errors in runs of {run_epochs:g} epochs: independent epochs {hits[0] / nights:.3f}, {told}")
    names = ("independent epochs", *(f"blocks of {m} epochs" for m in lengths))
    return dict(zip(names, (100 * hits / nights).tolist(), strict=True))


def main(studies: int, *, nights_only: bool, keep: Path | None) -> None:
    """Print the figures, and keep those of single nights in a record."""
    began = time.perf_counter()
    nights = {f"{run_epochs:g}": calibrate_nights(studies, run_epochs) for run_epochs in (2.0, 6.0, 20.0)}
    if not nights_only:
        rng = np.random.default_rng(0)
        pool = np.array([simulate_participant(rng, nights=2) for _ in range(10_000)])
        for people in (5, 10, 20, 40):
            calibrate_studies(studies, pool, people)
    print(f"{time.perf_counter() - began:.0f} s")
    if keep is not None:
        record = {
            "command": f"python -m tests.performance.calibrate_intervals --studies {studies} --nights-only",
            **records.about(),
            "nights": studies,
            "resamples": 1000,
            "coverage_by_run_epochs": nights,
        }
        records.write(keep, record)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--nights-only", action="store_true", help="single nights only, no studies")
    parser.add_argument("--json", type=Path, help="keep the figures of single nights here")
    asked = parser.parse_args()
    main(asked.studies, nights_only=asked.nights_only, keep=asked.json)
