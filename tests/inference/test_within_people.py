"""Changes between nights of a person, against pingouin, scipy and figures of a published formula."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats

from sleepagree.inference.reliability import follow_changes


def nights_of_people(seed: int) -> pd.DataFrame:
    draw = np.random.default_rng(seed)
    who = np.repeat(np.arange(7), draw.integers(2, 6, 7))
    level = draw.normal(90, 20, 7)[who] + draw.normal(0, 15, who.size)
    return pd.DataFrame({"who": who, "reference": level, "device": 10 + 0.7 * level + draw.normal(0, 9, who.size)})


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of pandas, in the oracle
@pytest.mark.parametrize("seed", range(5))
def test_the_correlation_within_people_is_pingouins(seed: int) -> None:
    frame = nights_of_people(seed)
    found = follow_changes(reference=frame["reference"], device=frame["device"], participant=frame["who"].tolist())
    oracle = pingouin.rm_corr(frame, x="reference", y="device", subject="who").iloc[0]
    assert found is not None
    assert found.correlation == pytest.approx(oracle["r"], rel=1e-9)
    low, high = next(oracle[name] for name in ("CI95", "CI95%") if name in oracle)
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.006)  # printed to two digits


def test_the_smallest_change_is_that_of_an_analysis_of_variance_of_the_differences() -> None:
    frame = nights_of_people(9)
    found = follow_changes(reference=frame["reference"], device=frame["device"], participant=frame["who"].tolist())
    assert found is not None
    groups = [g for _, g in (frame["device"] - frame["reference"]).groupby(frame["who"])]
    within = sum(((g - g.mean()) ** 2).sum() for g in groups)
    degrees = len(frame) - len(groups)
    assert found.change_sd == pytest.approx(math.sqrt(within / degrees))
    factor = stats.norm.ppf(0.975) * math.sqrt(2)
    assert found.smallest_change == pytest.approx(factor * math.sqrt(within / degrees))
    ends = factor * np.sqrt(within / stats.chi2.ppf([0.975, 0.025], degrees))
    assert (found.smallest_low, found.smallest_high) == pytest.approx(tuple(ends))


def test_people_with_one_night_tell_nothing_of_changes() -> None:
    two = {"reference": [60, 80, 100.0], "device": [50, 75, 90.0], "participant": ["a", "a", "b"]}
    found = follow_changes(**two)
    assert found is not None
    assert (found.participants, found.nights) == (1, 2)
    assert follow_changes(reference=[60, 80.0], device=[50, 75.0], participant=["a", "b"]) is None


def test_a_device_that_never_changes_has_no_correlation() -> None:
    found = follow_changes(reference=[60, 80, 90.0], device=[70, 70, 70.0], participant=["a"] * 3)
    assert found is not None
    assert math.isnan(found.correlation)
    assert found.smallest_change > 0


def test_differences_that_never_vary_make_no_change_of_any_size_real() -> None:
    found = follow_changes(reference=[60.1, 80, 100, 90.3], device=[70.1, 90, 110, 100.3], participant=list("aabb"))
    assert found is not None
    assert found.change_sd == 0
    assert all(map(math.isnan, (found.smallest_change, found.smallest_low, found.smallest_high)))
