"""How often intervals of bias, limits and slopes hold the truth: ``python -m tests.performance.calibrate_limits``.

Normal differences with known spread between and within participants, and two cases for the slope: an even magnitude
with even spread, and a skewed magnitude (lognormal) with a spread that grows with it. Prints the tables quoted in
docs/methods_bias.md. Slopes stand beside textbook least squares (one night each) or a regression of the participants'
means (repeated nights).
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np
from scipy import stats

from sleepagree.inference.limits import fit_limits_of_agreement
from tests import records

BIAS, SLOPE = -3.0, 0.3


def cover_limits(studies: int, seed: int) -> list[dict[str, object]]:
    """Print and return the share of intervals that hold the bias, both limits and the slopes (0 here)."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    print("participants x nights, SD between/within: bias, lower, upper, slope, slope of the spread")
    for people, nights in ((5, 2), (10, 2), (20, 2), (20, None), (20, 1)):
        for between, within in ((10.0, 20.0), (20.0, 10.0)):
            reach = 1.959963984540054 * math.hypot(between, within)
            truth = {"bias": BIAS, "lower": BIAS - reach, "upper": BIAS + reach, "slope": 0.0, "spread_slope": 0.0}
            hits = dict.fromkeys(truth, 0)
            for _ in range(studies):
                each = np.full(people, nights) if nights else rng.integers(1, 8, people)
                who = np.repeat(np.arange(people), each)
                middle = rng.normal(400, 40, people)[who] + rng.normal(0, 30, len(who))
                difference = BIAS + rng.normal(0, between, people)[who] + rng.normal(0, within, len(who))
                limits = fit_limits_of_agreement(
                    reference=middle - difference / 2, device=middle + difference / 2, participant=who
                )
                for name, value in truth.items():
                    hits[name] += getattr(limits, f"{name}_low") <= value <= getattr(limits, f"{name}_high")
            covers = {name: 100 * hit / studies for name, hit in hits.items()}
            rows.append(
                {"people": people, "nights": nights or "1 to 7", "between": between, "within": within, **covers}
            )
            shares = " ".join(f"{share:.1f}" for share in covers.values())
            print(f"{people} x {nights or '1 to 7'}, {between:g}/{within:g}: {shares}", flush=True)
    return rows


def cover_slopes(studies: int, seed: int) -> list[dict[str, object]]:
    """Print and return the share of intervals that hold the slope, and their half-width, beside usual regression."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    print("people x nights, magnitude: ours, half-width; least squares on participants' means, half-width")
    for people, nights in ((6, 1), (12, 1), (20, 1), (6, 2), (12, 2), (20, 2)):
        for skewed in (False, True):
            hits, widths = np.zeros(2), np.zeros((studies, 2))
            for study in range(studies):
                who = np.repeat(np.arange(people), nights)
                own = rng.lognormal(0, 0.8, people) if skewed else rng.normal(0, 1, people)
                level = own[who] + (rng.normal(0, 0.7, len(who)) if nights > 1 else 0)
                noise = rng.normal(0, 0.7, people)[who] + rng.normal(0, 0.7, len(who))
                noise *= 0.3 + 0.7 * np.abs(level) if skewed else 1
                difference = SLOPE * level + noise
                limits = fit_limits_of_agreement(
                    reference=level - difference / 2, device=level + difference / 2, participant=who
                )
                means = [np.bincount(who, values) / nights for values in (level, difference)]
                usual = stats.linregress(*means)
                reach = stats.t.ppf(0.975, people - 2) * usual.stderr
                hits += limits.slope_low <= SLOPE <= limits.slope_high, abs(usual.slope - SLOPE) <= reach
                widths[study] = (limits.slope_high - limits.slope_low) / 2, reach
            ours, theirs = 100 * hits / studies
            half, other = np.median(widths, axis=0)
            kind = "skewed, uneven spread" if skewed else "even"
            print(f"{people} x {nights}, {kind}: {ours:.1f}, {half:.3f}; {theirs:.1f}, {other:.3f}", flush=True)
            rows.append({"people": people, "nights": nights, "magnitude": kind, "slope": ours, "least_squares": theirs})
    return rows


def main() -> None:
    """Run both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--json", type=Path, help="keep the figures here")
    chosen = parser.parse_args()
    limits = cover_limits(chosen.studies, chosen.seed)
    slopes = cover_slopes(chosen.studies, chosen.seed)
    if chosen.json:
        record = {
            "command": f"python -m tests.performance.calibrate_limits --studies {chosen.studies}",
            **records.about("scipy"),
            "studies": chosen.studies,
            "seed": chosen.seed,
            "limits": limits,
            "slopes": slopes,
        }
        records.write(chosen.json, record)


if __name__ == "__main__":
    main()
