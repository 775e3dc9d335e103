"""How often a study's intervals hold the truth: ``python -m tests.performance.calibrate_few_people``.

People differ in how much of their REM a simulated device misses and invents, on the logit scale: normally, with skew
(exponential), with heavy tails (Student's t, 3 degrees of freedom), normally but for 5 % of nights on which it misses
80 % and invents 20 %, normally but for 15 % of people in whom it misses 95 %, or normally while every fourth has ten
nights. Otherwise every person has one night, of 200 epochs of REM and 700 of other sleep on average. The truth is that
of 400,000 such people. Looked at are the interval that the program tells first and those beside it.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

import numpy as np
from scipy.special import expit

from sleepagree.inference.error_sizes import measure_error_sizes
from sleepagree.inference.limits import fit_limits_of_agreement
from sleepagree.inference.resampling import CORRELATION, SHARE, cluster_bootstrap_all, mean_bootstrap_all, rng_for
from sleepagree.scoring import coefficients
from tests import records

PEOPLE: Final = ("normal", "skewed", "heavy tails", "5 % bad nights", "15 % fail", "uneven nights")
BESIDE: Final = ("percentile", "bca", "delta", "studentised")
_NIGHT_EPOCHS: Final = 900
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
    if kind == "5 % bad nights":
        bad = rng.random(count) < 0.05
        missed, invented = np.where(bad, 0.8, missed), np.where(bad, 0.2, invented)
    epochs = np.where((np.arange(count) % 4 == 3) & (kind == "uneven nights"), 10 * _NIGHT_EPOCHS, _NIGHT_EPOCHS)
    rem = rng.binomial(epochs, np.clip(rng.normal(0.22, 0.05, count), 0.05, 0.5))
    lost, gained = rng.binomial(rem, missed), rng.binomial(epochs - rem, invented)
    return np.stack([np.stack([rem - lost, lost], -1), np.stack([gained, epochs - rem - gained], -1)], 1)


def bias_of(tables: np.ndarray) -> np.ndarray:
    """Return device minus reference, minutes of REM of each person, a night."""
    return (tables[:, 1, 0] - tables[:, 0, 1]) / 2.0 / _nights_of(tables)


def _nights_of(tables: np.ndarray) -> np.ndarray:
    return tables.sum(axis=(1, 2)) / _NIGHT_EPOCHS


KERNELS: Final = {
    "pooled kappa": coefficients.kappa,
    "pooled REM sensitivity": lambda sums: sums[..., 0, 0] / sums[..., 0, :].sum(axis=-1),
}
BOUNDS: Final = {"pooled kappa": CORRELATION, "mean kappa": CORRELATION, "pooled REM sensitivity": SHARE}


def intervals(
    tables: np.ndarray, rng: np.random.Generator, resamples: int
) -> dict[tuple[str, str], tuple[float, float]]:
    """Return the interval of every statistic: the one that is told first, and those beside it."""
    n = len(tables)
    influences = {"pooled kappa": coefficients.kappa_influence}
    how = {"resamples": resamples, "bounds": BOUNDS}
    pooled = cluster_bootstrap_all(tables, KERNELS, rng=rng, influences=influences, **how)
    means = mean_bootstrap_all({"mean kappa": coefficients.kappa(tables)}, rng=lambda: rng, **how)
    out = {}
    for statistic, one in {**{name: one for name, (one,) in pooled.items()}, **means}.items():
        for method in ("primary", *BESIDE):
            estimate = getattr(one, method)
            if estimate is not None:
                out[statistic, method] = estimate.low, estimate.high
    nights = {
        "reference": tables[:, 0].sum(1) / 2.0 / _nights_of(tables),
        "device": tables[:, :, 0].sum(1) / 2.0 / _nights_of(tables),
        "participant": [*range(n)],
    }
    limits = fit_limits_of_agreement(**nights)
    sizes = measure_error_sizes(**nights, limits=limits, bounds=(30,))
    out["bias of REM minutes", "primary"] = limits.bias_low, limits.bias_high
    out["lower limit", "primary"] = limits.lower_low, limits.lower_high
    out["upper limit", "primary"] = limits.upper_low, limits.upper_high
    (above,) = sizes.shares_above
    out["share of nights > 30 min off", "primary"] = above.low, above.high
    for centile in sizes.centiles:
        low, high = np.nan_to_num(centile.low, nan=-np.inf), np.nan_to_num(centile.high, nan=np.inf)
        out[f"{centile.percent:g}th centile", "primary"] = low, high
    return out


def true_values(tables: np.ndarray) -> dict[str, float]:
    """Return what each statistic is over all people."""
    bias = bias_of(tables)
    total, reach = tables.sum(0), 1.959963984540054 * bias.std()
    return {
        "pooled kappa": float(coefficients.kappa(total)),
        "mean kappa": float(np.nanmean(coefficients.kappa(tables))),
        "pooled REM sensitivity": total[0, 0] / total[0].sum(),
        "bias of REM minutes": float(bias.mean()),
        "lower limit": float(bias.mean() - reach),
        "upper limit": float(bias.mean() + reach),
        "share of nights > 30 min off": float(np.mean(np.abs(bias) > 30)),
        **{f"{p}th centile": float(np.quantile(bias, p / 100)) for p in (5, 95)},
    }


def calibrate(kind: str, people: int, studies: int, resamples: int, seed: int) -> dict[str, dict[str, float]]:
    """Return in how large a part of studies (per cent) each interval holds the truth, by statistic and method."""
    truth = true_values(simulate_people(kind, _TRUTH_PEOPLE, rng_for(seed, f"truth {kind}")))
    held: dict[tuple[str, str], int] = {}
    rng = rng_for(seed, f"{kind} {people}")
    for _ in range(studies):
        for key, (low, high) in intervals(simulate_people(kind, people, rng), rng, resamples).items():
            held[key] = held.get(key, 0) + int(low <= truth[key[0]] <= high)
    out: dict[str, dict[str, float]] = {}
    for (statistic, method), count in held.items():
        out.setdefault(statistic, {})[method] = 100 * count / studies
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--people", type=int, nargs="+", default=[5, 10, 20, 40, 100])
    parser.add_argument("--resamples", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    rows = []
    for kind in PEOPLE:
        for people in args.people:
            rows.append(
                {
                    "people": kind,
                    "n": people,
                    "covers": calibrate(kind, people, args.studies, args.resamples, args.seed),
                }
            )
            print(rows[-1], flush=True)
    if args.json:
        record = {
            "command": f"python -m tests.performance.calibrate_few_people --studies {args.studies}",
            **records.about("scipy"),
            **{name: getattr(args, name) for name in ("studies", "resamples", "seed")},
            "rows": rows,
        }
        records.write(args.json, record)


if __name__ == "__main__":
    main()
