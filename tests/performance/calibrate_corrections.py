"""Corrections of simulated devices whose truth is known: coverage, bias, honesty of the errors told, verdicts.

``python -m tests.performance.calibrate_corrections --studies 2000``; ``--json FILE`` keeps the figures. ``--minutes``
ends it after so many minutes, every setting having had as many studies.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from sleepagree.inference.correction import Examples, LearnedValue, Method, ValueRange, Verdict, learn_value
from tests import records

ANY = ValueRange(-np.inf, np.inf)
NEW_PEOPLE = 20
HIDDEN = 0.9  # of REM is called deep


class Setting(NamedTuple):
    """A device, the errors it makes, how many people wore it and for how many nights each."""

    device: str
    errors: str
    nights: int
    people: int


class Drawn(NamedTuple):
    """Nights: who slept, the true value, what the device measured."""

    who: np.ndarray
    truth: np.ndarray
    features: np.ndarray


SETTINGS = [
    Setting(device, errors, nights, people)
    for people in (10, 20, 30, 40)
    for device, errors, nights in (
        ("bias", "normal", 1),
        ("bias", "skewed", 1),
        ("bias", "heavy-tailed", 1),
        ("bias", "normal", 2),
        ("bias", "of the person", 2),
        ("slope", "normal", 1),
        ("nothing", "normal", 1),
        ("hidden REM", "normal", 1),
    )
]


def errors_of(kind: str, people: int, nights: int, rng: np.random.Generator) -> np.ndarray:
    size = people * nights
    if kind == "of the person":  # three quarters of the variance
        return np.repeat(rng.normal(0, 13, people), nights) + rng.normal(0, 7.5, size)
    if kind == "skewed":
        return rng.exponential(15, size) - 15
    return 8 * rng.standard_t(3, size) if kind == "heavy-tailed" else rng.normal(0, 15, size)


def draw(setting: Setting, people: int, nights: int, rng: np.random.Generator) -> Drawn:
    who = np.repeat(np.arange(people), nights)
    if setting.device == "hidden REM":
        rem = np.maximum(np.repeat(rng.normal(100, 22, people), nights) + rng.normal(0, 12, who.size), 0)
        return Drawn(who, rem, (rng.normal(80, 10, who.size) + HIDDEN * rem)[:, None])
    truth = np.repeat(rng.normal(400, 30, people), nights) + rng.normal(0, 20, who.size)
    off = errors_of(setting.errors, people, nights, rng)
    said = {"bias": truth + 20 + off, "slope": 0.5 * truth + 230 + off / 3, "nothing": rng.normal(400, 36, who.size)}
    return Drawn(who, truth, said[setting.device][:, None])


def one_study(setting: Setting, rng: np.random.Generator) -> dict[str, float]:
    """Return what is told of one study, and what it is in people who were in none."""
    drawn = draw(setting, setting.people, setting.nights, rng)
    # with one feature the ridge is a line that is pulled to the mean: it stands in where there is no line
    own, many = (None, (0,)) if setting.device == "hidden REM" else (0, ())
    found = learn_value(Examples(drawn.features, drawn.truth, drawn.who, own, many, ANY))
    new = draw(setting, NEW_PEOPLE, 1, rng)
    off, inside = [], []
    for value, features in zip(new.truth.tolist(), new.features.tolist(), strict=True):
        corrected = found.model.value(features)
        low, high = found.interval.around(corrected, features, ANY)
        inside.append(low <= value <= high)
        off.append(corrected - value)
    return {
        "covered": float(np.mean(inside)),
        "covered_told": found.coverage,
        "bias": float(np.mean(off)),
        "error": float(np.mean(np.abs(off))),
        "error_told": applied_error(found),
        **{verdict.value: float(found.verdict is verdict) for verdict in Verdict},
    }


def applied_error(found: LearnedValue) -> float:
    """Return the error that is told of what is applied: where nothing helps, of the simpler thing."""
    if found.method is Method.NONE and found.raw is not None:
        return found.raw.error
    return found.usual.error if found.method is Method.MEAN else found.corrected_error


def summarise(setting: Setting, studies: list[dict[str, float]]) -> dict[str, Any]:
    row: dict[str, Any] = {**setting._asdict(), "studies": len(studies)}
    for key in studies[0]:
        row[key] = float(np.mean([study[key] for study in studies]))
    row["covered_se"] = float(np.std([study["covered"] for study in studies]) / np.sqrt(len(studies)))
    row["error_se"] = float(np.std([s["error"] - s["error_told"] for s in studies]) / np.sqrt(len(studies)))
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--minutes", type=float, default=1e9)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    begun = time.monotonic()
    found: dict[Setting, list[dict[str, float]]] = {setting: [] for setting in SETTINGS}
    for i in range(asked.studies):
        if time.monotonic() - begun > 60 * asked.minutes:
            break
        for k, setting in enumerate(SETTINGS):
            found[setting].append(one_study(setting, np.random.default_rng([i, k])))
    rows = [summarise(setting, studies) for setting, studies in found.items()]
    for row in rows:
        print(
            f"| {row['device']} | {row['errors']} | {row['people']} | {row['nights']} | {100 * row['covered']:.1f} % "
            f"| {100 * row['covered_told']:.1f} % | {row['bias']:+.1f} | {row['error']:.2f} | {row['error_told']:.2f} "
            f"| {100 * row['helps']:.0f} / {100 * row['cannot_be_told']:.0f} / {100 * row['does_not_help']:.0f} |"
        )
    if asked.json:
        studies = len(found[SETTINGS[0]])
        command = f"python -m tests.performance.calibrate_corrections --studies {studies}"
        about = records.about("scipy", "scikit-learn")
        records.write(
            asked.json, {"command": command, **about, "studies": studies, "new_people": NEW_PEOPLE, "rows": rows}
        )


if __name__ == "__main__":
    main()
