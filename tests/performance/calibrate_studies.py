"""How often intervals of a study cover the truth: ``python -m tests.performance.calibrate_studies``.

Simulated people sleep and a simulated band A, which has no label for REM, watches them; people and nights differ and
errors come in runs. Each study has people of its own. The truth is the value over all people of all studies together,
except REM's share taken as deep, which the simulator is told. Nothing here is a claim about any device.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from sleepagree.inference.limits import fit_limits_of_agreement
from sleepagree.inference.resampling import rng_for
from sleepagree.scoring import coefficients
from sleepagree.study.demo.simulate import AASM_STAGES, BAND_A, generator, simulate_study
from tests import records
from tests.bootstraps import bootstrap, bootstrap_mean

_REFERENCE_CLASS = {"W": 0, "N1": 1, "N2": 1, "N3": 2, "R": 3}
_CHUNK_PEOPLE = 1000


def simulate_tables(people: int, nights: int, seed: int) -> np.ndarray:
    """Return epochs of every night, shape (people, nights, 4 reference classes, 3 device classes)."""
    out = np.zeros((people, nights, 4, 3), np.int64)
    rows = np.array([*(_REFERENCE_CLASS[s] for s in AASM_STAGES), -1])
    rng = generator(seed)
    for begin in range(0, people, _CHUNK_PEOPLE):
        count = min(_CHUNK_PEOPLE, people - begin)
        study = simulate_study(rng=rng, participants=count, nights=nights, devices=(BAND_A,))
        reference, device = rows[study.reference], study.devices[0]
        use = (reference >= 0) & (device >= 0)
        night = np.broadcast_to(np.arange(count * nights)[:, None], reference.shape)
        cells = (night[use] * 4 + reference[use]) * 3 + device[use]
        out[begin : begin + count] = np.bincount(cells, minlength=count * nights * 12).reshape(count, nights, 4, 3)
    return out


def share_to_deep(tables: np.ndarray) -> np.ndarray:
    """Return the share of REM that went to deep."""
    return tables[..., 3, 2] / tables[..., 3, :].sum(axis=-1)


def wake_sleep(tables: np.ndarray) -> np.ndarray:
    """Return the two-class tables."""
    wake = tables[..., 0, :]
    sleep = tables[..., 1:, :].sum(axis=-2)
    return np.stack(
        [
            np.stack([wake[..., 0], wake[..., 1:].sum(axis=-1)], -1),
            np.stack([sleep[..., 0], sleep[..., 1:].sum(-1)], -1),
        ],
        axis=-2,
    )


class Tally:
    """Counts of intervals that lie below, over and above the truth."""

    def __init__(self) -> None:
        self.counts: dict[str, list[int]] = {}

    def add(self, name: str, low: float, high: float, truth: float) -> None:
        counts = self.counts.setdefault(name, [0, 0, 0, 0])
        if np.isnan(low) or np.isnan(high):
            counts[3] += 1
        else:
            counts[0 if truth > high else 2 if truth < low else 1] += 1

    def rows(self) -> list[dict[str, float | str]]:
        out = []
        for name, (below, inside, above, missing) in self.counts.items():
            made = below + inside + above
            out.append(
                {
                    "interval": name,
                    "covers_percent": 100 * inside / made,
                    "too_low_percent": 100 * below / made,
                    "too_high_percent": 100 * above / made,
                    "without": missing,
                }
            )
        return out


def calibrate(studies: int, people: int, nights: int, *, resamples: int, seed: int) -> list[dict[str, float | str]]:
    """Return coverage of every interval over so many studies."""
    tables = simulate_tables(studies * people, nights, seed)
    left_out = tables[:, :, :3, :]
    deep = (tables[..., 2].sum(axis=2) - tables[:, :, 2, :].sum(axis=-1)) * 0.5
    kappas = coefficients.kappa(left_out)
    total = tables.sum(axis=(0, 1))
    between = deep.mean(axis=1).var(ddof=1) - deep.var(axis=1, ddof=1).mean() / nights if nights > 1 else 0.0
    within = deep.var(axis=1, ddof=1).mean() if nights > 1 else deep.var(ddof=1)
    sd = float(np.sqrt(between + within))
    truths = {
        "kappa": float(coefficients.kappa(total[:3])),
        "wake-sleep kappa": float(coefficients.kappa(wake_sleep(total))),
        "mean kappa": float(np.nanmean(np.nanmean(kappas, axis=1))),
        "bias": float(deep.mean()),
        "share": BAND_A.rem_shares[BAND_A.labels.index("N3")],
    }
    tally = Tally()
    participant = np.repeat(np.arange(people), nights)
    for i in range(studies):
        own = slice(i * people, (i + 1) * people)
        rng = rng_for(seed, f"study {i}")
        for name, cells in (("kappa", left_out[own].sum(axis=1)), ("wake-sleep kappa", wake_sleep(tables[own]).sum(1))):
            found = bootstrap(
                cells, coefficients.kappa, rng=rng, resamples=resamples, influence=coefficients.kappa_influence
            )
            for kind in ("percentile", "bca", "delta"):
                estimate = getattr(found, kind)
                tally.add(f"pooled {name}, {kind}", estimate.low, estimate.high, truths[name])
        mean = bootstrap_mean(np.nanmean(kappas[own], axis=1), rng=rng, resamples=resamples).percentile
        tally.add("mean kappa of participants, percentile", mean.low, mean.high, truths["mean kappa"])
        share = bootstrap(tables[own].sum(axis=1), share_to_deep, rng=rng, resamples=resamples).percentile
        tally.add("share of REM taken as deep, percentile", share.low, share.high, truths["share"])
        values = deep[own].ravel()
        limits = fit_limits_of_agreement(reference=np.zeros(values.size), device=values, participant=participant)
        tally.add("bias of deep minutes, t", limits.bias_low, limits.bias_high, truths["bias"])
        tally.add("lower limit, MOVER or exact", limits.lower_low, limits.lower_high, truths["bias"] - 1.959964 * sd)
        tally.add("upper limit, MOVER or exact", limits.upper_low, limits.upper_high, truths["bias"] + 1.959964 * sd)
    return tally.rows()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--people", type=int, nargs="+", default=[20])
    parser.add_argument("--nights", type=int, default=2)
    parser.add_argument("--resamples", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    every = {}
    for people in args.people:
        rows = calibrate(args.studies, people, args.nights, resamples=args.resamples, seed=args.seed)
        every[people] = rows
        print(f"\n{args.studies} studies of {people} participants x {args.nights} nights, {args.resamples} resamples\n")
        print("| 95 % interval | covers | truth above it | truth below it |\n| --- | --- | --- | --- |")
        for row in rows:
            print(
                f"| {row['interval']} | {row['covers_percent']:.1f} % | {row['too_low_percent']:.1f} % | "
                f"{row['too_high_percent']:.1f} % |"
            )
    if args.json:
        people = " ".join(map(str, args.people))
        record = {
            "command": f"python -m tests.performance.calibrate_studies --studies {args.studies} --people {people}",
            **records.about("scipy"),
            **{name: getattr(args, name) for name in ("studies", "nights", "resamples", "seed")},
            "coverage": every,
        }
        records.write(args.json, record)


if __name__ == "__main__":
    main()
