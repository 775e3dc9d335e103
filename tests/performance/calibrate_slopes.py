"""How often noise alone gives a slope: ``python -m tests.performance.calibrate_slopes``.

The device has no bias at any level and reads the same true minutes as the reference, but with more noise. The level is
the mean of both sides, so the device's noise is in the level and in the difference, and the slope of one on the other
is above 0. Printed is how often its 95 % interval leaves out 0; one night for each person, noise in parts of the SD of
the true values.
"""

from __future__ import annotations

import argparse

import numpy as np

from sleepagree.inference.people import fit_line
from sleepagree.inference.resampling import rng_for


def share_with_slope(people: int, reference: float, device: float, *, studies: int, seed: int) -> float:
    """Return how large a part of studies finds a slope that is not 0."""
    rng = rng_for(seed, f"{people} {reference} {device}")
    found = 0
    for _ in range(studies):
        truth = rng.standard_normal(people)
        left, right = (truth + noise * rng.standard_normal(people) for noise in (reference, device))
        low, high = fit_line((left + right) / 2, right - left, np.arange(people)).interval(0.95)
        found += not low <= 0 <= high
    return found / studies


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(f"{args.studies} studies a cell, seed {args.seed}\n\n| people | noise .3 and .3 | .3 and .6 | .3 and .9 |")
    print("| --- | --- | --- | --- |")
    for people in (10, 20, 40, 100):
        row = [share_with_slope(people, 0.3, noise, studies=args.studies, seed=args.seed) for noise in (0.3, 0.6, 0.9)]
        print(f"| {people} | {' | '.join(f'{100 * share:.0f} %' for share in row)} |")


if __name__ == "__main__":
    main()
