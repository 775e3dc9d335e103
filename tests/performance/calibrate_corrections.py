"""Coverage of prediction intervals and honesty of the errors told, over many simulated studies.

``python -m tests.performance.calibrate_corrections --studies 2000``; ``--json FILE`` keeps the figures.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np

from sleepagree.inference.correction import Bounds, Examples, learn_value

ANY = Bounds(-np.inf, np.inf)
NEW_PEOPLE = 20


def draws(kind: str, size: int, rng: np.random.Generator) -> np.ndarray:
    if kind == "skewed":
        return rng.exponential(15, size) - 15
    return 8 * rng.standard_t(3, size) if kind == "heavy-tailed" else rng.normal(0, 15, size)


def night_values(people: int, nights: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    who = np.repeat(np.arange(people), nights)
    return who, np.repeat(rng.normal(400, 30, people), nights) + rng.normal(0, 20, who.size)


def one_study(kind: str, people: int, nights: int, rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Return coverage in new people, coverage told, error in new people, error told."""
    who, truth = night_values(people, nights, rng)
    device = truth + 20 + draws(kind, who.size, rng)
    found = learn_value(Examples(device[:, None], truth, who, 0, (0,), ANY))
    _, new = night_values(NEW_PEOPLE, 1, rng)
    inside, errors = [], []
    for value, said in zip(new.tolist(), (new + 20 + draws(kind, new.size, rng)).tolist(), strict=True):
        corrected = found.model.value((said,))
        low, high = found.interval.around(corrected, (said,), ANY)
        inside.append(low <= value <= high)
        errors.append(abs(corrected - value))
    return float(np.mean(inside)), found.coverage, float(np.mean(errors)), found.corrected_error


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--people", type=int, nargs="+", default=[20, 40])
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    rows = []
    for people in asked.people:
        for kind, nights in (("normal", 1), ("skewed", 1), ("heavy-tailed", 1), ("normal", 2)):
            rng = np.random.default_rng([people, nights, len(kind)])
            found = np.array([one_study(kind, people, nights, rng) for _ in range(asked.studies)])
            means = dict(zip(("covered", "covered_told", "error", "error_told"), found.mean(axis=0), strict=True))
            rows.append({"people": people, "nights": nights, "errors": kind, **{k: float(v) for k, v in means.items()}})
            print(
                f"| {people} | {nights} | {kind} | {100 * means['covered']:.1f} % "
                f"| {100 * means['covered_told']:.1f} % | "
                f"{means['error']:.2f} | {means['error_told']:.2f} |",
                flush=True,
            )
    if asked.json:
        asked.json.write_text(json.dumps({"studies": asked.studies, "rows": rows}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
