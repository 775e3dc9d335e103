"""Bouts and changes of class, against itertools, and their differences over people against scipy."""

from __future__ import annotations

import math
from itertools import groupby

import numpy as np
import pytest
from scipy import stats

from sleepagree.render.study_json import study_document
from sleepagree.scoring.runs import CHANGES, compare_bouts
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import simulated_nights
from tests.told import study_lines

CLASSES = ("wake", "light", "deep", "rem")


def by_itertools(codes: np.ndarray, epochs: np.ndarray) -> dict[str, float]:
    # neighbours share what is left when each epoch's place among those that stayed is taken from its number
    stretches = [list(g) for _, g in groupby(range(len(codes)), key=lambda i: (epochs[i] - i, codes[i]))]
    # a class that comes back behind a gap of its own is another bout: the key above tells them apart
    out = {CHANGES: sum(epochs[i] - epochs[i - 1] == 1 and codes[i] != codes[i - 1] for i in range(1, len(codes)))}
    out[CHANGES] /= len(codes) / 120
    for k, name in enumerate(CLASSES):
        own = [len(s) / 2 for s in stretches if codes[s[0]] == k]
        out[name] = float(np.mean(own)) if own else math.nan
    return out


@pytest.mark.parametrize("seed", range(5))
def test_bouts_and_changes_are_those_of_itertools(seed: int) -> None:
    draw = np.random.default_rng(seed)
    sides = [np.repeat(draw.integers(0, 3, 80), draw.integers(1, 9, 80))[:300] for _ in range(2)]
    epochs = np.sort(draw.choice(400, len(sides[0]), replace=False))
    sides[1] = sides[1][: len(sides[0])]
    size = min(map(len, sides))
    sides, epochs = [s[:size] for s in sides], epochs[:size]
    found = compare_bouts(sides[0], sides[1], epochs, len(CLASSES))
    expected = np.array([list(by_itertools(s, epochs).values()) for s in sides]).T
    assert found == pytest.approx(expected, nan_ok=True)


def test_a_night_without_epochs_has_no_bouts() -> None:
    nothing = np.zeros(0, int)
    assert np.isnan(compare_bouts(nothing, nothing, nothing, len(CLASSES))).all()


def test_a_study_tells_bouts_with_students_interval_over_people() -> None:
    nights = simulated_nights(7, 1)
    study = summarise_study(nights, StudyOptions(resamples=20))
    device = study.devices[1]
    own = [dict(zip(n.bout_classes, np.diff(n.bouts)[:, 0], strict=True)) for n in nights if n.device == device.device]
    rows = {row.measure: row.limits for row in device.bouts}
    assert set(rows) == {"changes an hour", *(f"bout {c}" for c in device.mappings[0].mapping.reference_classes)}
    for measure, name in (("changes an hour", CHANGES), ("bout wake", "wake")):
        d = np.array([night[name] for night in own])
        low, high = stats.t.interval(0.95, len(d) - 1, d.mean(), stats.sem(d))
        limits = rows[measure]
        assert (limits.bias, limits.bias_low, limits.bias_high) == pytest.approx((d.mean(), low, high))
    assert any("BOUTS AND CHANGES" in line for line in study_lines(study))
    assert study_document(study)["devices"][1]["bouts"][0]["measure"] == "changes an hour"
