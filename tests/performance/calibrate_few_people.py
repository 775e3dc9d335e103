"""Which interval of a study holds with few people: ``python -m tests.performance.calibrate_few_people``.

People differ in how much of their REM a simulated device misses and invents, on the logit scale: normally, with skew
(exponential), with heavy tails (Student's t, 3 degrees of freedom), or it misses 95 % of it in 15 % of people. Every
person has 200 epochs of REM, 700 of other sleep, on average. The truth is that of 400,000 such people. Compared are
intervals of the pooled kappa, of the mean of the people's kappas and of the mean bias of REM minutes: expanded
percentile, delta method with t, the same for kappa on the scale atanh, BCa, and bootstrap-t.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Final

import numpy as np
from scipy.special import expit, stdtrit

from sleepagree.inference.resampling import cluster_bootstrap_all, rng_for
from sleepagree.scoring import coefficients

PEOPLE: Final = ("normal", "skewed", "heavy tails", "15 % fail")
STATISTICS: Final = ("pooled kappa", "mean kappa", "bias")
METHODS: Final = ("percentile", "delta", "delta on atanh", "BCa", "bootstrap-t")
_SD: Final = 0.8
_TRUTH_PEOPLE: Final = 400_000


def simulate_people(kind: str, count: int, rng: np.random.Generator) -> np.ndarray:
    """Return tables of REM (first) against other sleep, shape (people, 2, 2), rows the reference."""
    size = (2, count)
    if kind == "skewed":
        own = rng.standard_exponential(size) - 1.0
    elif kind == "heavy tails":
        own = rng.standard_t(3, size) / np.sqrt(3.0)
    else:
        own = rng.standard_normal(size)
    missed, invented = expit(np.array([-1.2, -2.9])[:, None] + _SD * own)
    if kind == "15 % fail":
        missed = np.where(rng.random(count) < 0.15, 0.95, missed)
    rem = rng.binomial(900, np.clip(rng.normal(0.22, 0.05, count), 0.05, 0.5))
    lost, gained = rng.binomial(rem, missed), rng.binomial(900 - rem, invented)
    return np.stack([np.stack([rem - lost, lost], -1), np.stack([gained, 900 - rem - gained], -1)], 1)


def bias_of(tables: np.ndarray) -> np.ndarray:
    """Return device minus reference, minutes of REM of each person."""
    return (tables[:, 1, 0] - tables[:, 0, 1]) / 2.0


def bootstrap_t(tables: np.ndarray, values: np.ndarray, rng: np.random.Generator, resamples: int) -> np.ndarray:
    """Return ends of bootstrap-t intervals of the pooled kappa and of the means, shape (1 + values, 2)."""
    n = len(tables)
    weights = rng.multinomial(n, np.full(n, 1 / n), size=resamples).astype(float)

    def kappa_and_se(weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        sums = (weight @ tables.reshape(n, 4)).reshape(-1, 2, 2)
        pulls = coefficients.kappa_influence(sums).reshape(-1, 4) @ tables.reshape(n, 4).T
        variance = (weight * pulls**2).sum(1) * n / (n - 1) / sums.sum((1, 2)) ** 2
        return coefficients.kappa(sums), np.sqrt(variance)

    def mean_and_se(weight: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mean = weight @ x / n
        return mean, np.sqrt(np.maximum(weight @ x**2 / n - mean**2, 0.0) / (n - 1))

    out = []
    for of in (kappa_and_se, *(lambda w, x=x: mean_and_se(w, x) for x in values)):
        (value,), (se,) = of(np.ones((1, n)))
        value_b, se_b = of(weights)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (value_b - value) / se_b
        low, high = np.quantile(t[se_b > 1e-9], (0.025, 0.975))
        out.append((value - high * se, value - low * se))
    return np.array(out)


def intervals(
    tables: np.ndarray, rng: np.random.Generator, resamples: int
) -> dict[tuple[str, str], tuple[float, float]]:
    """Return the interval of every statistic by every method."""
    n = len(tables)
    values = np.stack([coefficients.kappa(tables), bias_of(tables)])
    columns = np.column_stack([tables.reshape(n, 4), values.T, np.ones(n)])
    found = cluster_bootstrap_all(
        columns,
        {
            "pooled kappa": lambda s: coefficients.kappa(s[..., :4].reshape(*s.shape[:-1], 2, 2)),
            "mean kappa": lambda s: s[..., 4] / s[..., 6],
            "bias": lambda s: s[..., 5] / s[..., 6],
        },
        rng=rng,
        resamples=resamples,
    )
    studentised = bootstrap_t(tables, values, rng, resamples)
    out = {}
    for k, statistic in enumerate(STATISTICS):
        (one,) = found[statistic]
        for method, estimate in (("percentile", one.percentile), ("delta", one.delta), ("BCa", one.bca)):
            out[statistic, method] = estimate.low, estimate.high
        out[statistic, "bootstrap-t"] = tuple(studentised[k])
        if statistic != "bias":
            reach = float(stdtrit(n - 1, 0.975)) * one.delta.se / (1 - one.value**2)
            out[statistic, "delta on atanh"] = tuple(np.tanh(np.arctanh(one.value) + reach * np.array([-1, 1])))
    return out


def calibrate(kind: str, people: int, studies: int, resamples: int, seed: int) -> dict[str, dict[str, float]]:
    """Return how large a part of intervals covers the truth, by statistic and method, and their median widths."""
    every = simulate_people(kind, _TRUTH_PEOPLE, rng_for(seed, f"truth {kind}"))
    truth = {
        "pooled kappa": float(coefficients.kappa(every.sum(0))),
        "mean kappa": float(np.nanmean(coefficients.kappa(every))),
        "bias": float(bias_of(every).mean()),
    }
    inside: dict[tuple[str, str], int] = {}
    rng = rng_for(seed, f"{kind} {people}")
    for _ in range(studies):
        for key, (low, high) in intervals(simulate_people(kind, people, rng), rng, resamples).items():
            inside[key] = inside.get(key, 0) + (low <= truth[key[0]] <= high)
    return {
        statistic: {m: inside[statistic, m] / studies for m in METHODS if (statistic, m) in inside}
        for statistic in STATISTICS
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--people", type=int, nargs="+", default=[5, 10, 20, 40])
    parser.add_argument("--resamples", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    print(f"{args.studies} studies a line, {args.resamples} resamples, seed {args.seed}\n")
    print(f"| people | n | statistic | {' | '.join(METHODS)} |\n| --- | --- | --- |{' --- |' * len(METHODS)}")
    record = []
    for kind in PEOPLE:
        for people in args.people:
            found = calibrate(kind, people, args.studies, args.resamples, args.seed)
            record.append({"people": kind, "n": people, "covers": found})
            for statistic, covers in found.items():
                cells = [f"{covers[m]:.3f}".removeprefix("0") if m in covers else "" for m in METHODS]
                print(f"| {kind} | {people} | {statistic} | {' | '.join(cells)} |", flush=True)
    if args.json:
        args.json.write_text(json.dumps({"studies": args.studies, "rows": record}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
