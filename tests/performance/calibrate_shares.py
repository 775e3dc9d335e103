"""How often intervals of a share cover the truth: ``python -m tests.performance.calibrate_shares``.

Epochs of a class (200 a participant, Poisson) are found with a chance that differs between participants (beta), as the
sensitivity of a class is. The interval is the one that a study of so few participants prints, of the pooled share; the
plain interval beside it is value and t quantile times standard error, which may end above 1.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy import stats

from sleepagree.inference.resampling import SHARE
from tests.bootstraps import bootstrap

_PEOPLE = (3, 5, 8)
_SHARES = (0.6, 0.85, 0.95)
_CORRELATIONS = (0.02, 0.1)


def found_share(sums: np.ndarray) -> np.ndarray:
    """Return epochs found over all epochs of the class."""
    return sums[..., 0] / sums[..., 1]


def calibrate(people: int, share: float, correlation: float, studies: int) -> tuple[float, float, float]:
    """Return the coverage of the interval given, that of the plain one, and how often the plain one leaves 0 to 1."""
    rng = np.random.default_rng([people, int(100 * share), int(100 * correlation)])
    total = 1 / correlation - 1
    quantile = stats.t.ppf(0.975, people - 1)
    given = plain = outside = 0
    for _ in range(studies):
        epochs = rng.poisson(200, people) + 1
        found = rng.binomial(epochs, rng.beta(share * total, (1 - share) * total, people))
        sums = np.stack([found, epochs], axis=1)
        delta = bootstrap(sums, found_share, rng=rng, resamples=1, bounds=SHARE).delta
        low, high = delta.value - quantile * delta.se, delta.value + quantile * delta.se
        given += bool(np.isnan(delta.low) or delta.low <= share <= delta.high)
        plain += bool(np.isnan(delta.low) or low <= share <= high)
        outside += high > 1 or low < 0
    return given / studies, plain / studies, outside / studies


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    count = parser.parse_args().studies
    print("participants  share  correlation  given  plain  plain outside 0 to 1")
    for size in _PEOPLE:
        for level in _SHARES:
            for nearness in _CORRELATIONS:
                row = calibrate(size, level, nearness, count)
                print(f"{size:>12}{level:>7}{nearness:>13}{row[0]:>7.3f}{row[1]:>7.3f}{row[2]:>8.3f}", flush=True)
