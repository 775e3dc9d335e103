"""How often the intervals of one night cover the truth: ``python -m tests.performance.calibrate_one_night``.

A device's answer, or its error, is drawn anew with one chance in each epoch, so that it holds for some minutes on
average, or once for each episode. Shares are those of 210 epochs of REM in five episodes that went to one class; kappa,
accuracy and F1 are those of invented nights of four classes, each against what its own reference would give in the
long run.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from sleepagree.inference.estimate import wilson_interval
from sleepagree.inference.one_night import accuracy_interval, count_bouts, kappa_interval, share_interval
from sleepagree.scoring import coefficients
from tests import records, simulated

HOLDS_MIN = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, None)  # None: a whole episode, or a whole bout of the reference
SHARES = (0.55, 0.90, 0.95)
ERROR_RATES = (0.15, 0.3)
EPISODES = (20, 30, 45, 55, 60)
OTHERS = simulated.CLASSES - 1


def held(rng: np.random.Generator, begins: np.ndarray, hold_min: float | None, *, across: bool) -> np.ndarray:
    """Return for each epoch which draw its answer comes from; answers may last across what begins, or not."""
    chance = 0.0 if hold_min is None else 0.5 / hold_min
    anew = rng.random(begins.size) < chance
    if hold_min is None or not across:
        anew |= begins
    anew[0] = True
    return np.cumsum(anew) - 1


def calibrate_share(share: float, hold_min: float | None, nights: int) -> dict[str, float]:
    """Return the coverage of both intervals of a share (per cent), and the median width of the first."""
    rng = np.random.default_rng([int(1000 * share), int(10 * (hold_min or 0))])
    begins = np.zeros(sum(EPISODES), dtype=bool)
    begins[np.cumsum((0, *EPISODES[:-1]))] = True
    hits, plain, widths = 0, 0, []
    for _ in range(nights):
        drawn = held(rng, begins, hold_min, across=False)
        said = (rng.random(drawn[-1] + 1) < share)[drawn]
        found = share_interval(said, begins)
        low, high = wilson_interval(said.sum(), said.size)
        hits += found.low <= share <= found.high
        plain += bool(low <= share <= high)
        widths.append(found.high - found.low)
    assert min(widths) > 0, "an interval has width 0"
    return {"persist": 100 * hits / nights, "independent": 100 * plain / nights, "width": float(np.median(widths))}


def calibrate_kappa(rate: float, hold_min: float | None, nights: int) -> dict[str, float]:
    """Return the coverage of the intervals of kappa and accuracy, and of kappa's as if epochs were independent."""
    rng = np.random.default_rng([int(1000 * rate), int(10 * (hold_min or 0)), 1])
    expected = np.full((simulated.CLASSES,) * 2, rate / OTHERS)
    np.fill_diagonal(expected, 1 - rate)
    hits = dict.fromkeys(("kappa", "accuracy", "independent"), 0)
    for _ in range(nights):
        reference = simulated.score_epochs(simulated.simulate_sleep(rng)).astype(np.int64)
        drawn = held(rng, np.diff(reference, prepend=-1) != 0, hold_min, across=True)
        shift = np.where(rng.random(drawn[-1] + 1) < rate, rng.integers(1, simulated.CLASSES, drawn[-1] + 1), 0)
        device = (reference + shift[drawn]) % simulated.CLASSES
        rows = np.bincount(reference, minlength=simulated.CLASSES)
        truth = float(coefficients.kappa(rows[:, None] * expected))
        kappa = kappa_interval(reference, device)
        accuracy = accuracy_interval(reference == device, count_bouts(reference))
        cells = np.bincount(reference * simulated.CLASSES + device, minlength=simulated.CLASSES**2)
        table = cells.reshape(simulated.CLASSES, simulated.CLASSES)
        off = abs(float(coefficients.kappa(table)) - truth)
        hits["kappa"] += kappa.low <= truth <= kappa.high
        hits["accuracy"] += accuracy.low <= 1 - rate <= accuracy.high
        hits["independent"] += off <= 1.96 * float(coefficients.kappa_se(table))
    return {what: 100 * count / nights for what, count in hits.items()}


def name(hold_min: float | None) -> str:
    """Return how long answers hold, as the record names it."""
    return "episode" if hold_min is None else f"{hold_min:g} min"


def main(nights: int, keep: Path | None) -> None:
    """Print the figures, and keep them in a record."""
    began = time.process_time()
    shares = {f"{s:g}": {name(h): calibrate_share(s, h, nights) for h in HOLDS_MIN} for s in SHARES}
    kappas = {f"{e:g}": {name(h): calibrate_kappa(e, h, nights) for h in HOLDS_MIN} for e in ERROR_RATES}
    for what, found in (("share", shares), ("error rate", kappas)):
        for value, by_hold in found.items():
            for hold, figures in by_hold.items():
                told = ", ".join(f"{key} {figure:.4g}" for key, figure in figures.items())
                print(f"{what} {value}, answers held {hold}: {told}")
    print(f"{time.process_time() - began:.0f} s")
    if keep is not None:
        command = f"python -m tests.performance.calibrate_one_night --nights {nights}"
        record = {"command": command, **records.about(), "nights": nights, "shares": shares, "kappa": kappas}
        records.write(keep, record)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=2000)
    parser.add_argument("--json", type=Path, help="keep the figures here")
    asked = parser.parse_args()
    main(asked.nights, asked.json)
