"""Whether few errors come in runs: the chance of the number of runs against all arrangements written out."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats

from sleepagree.describe.paragraphs import say_runs
from sleepagree.scoring.disagreement import describe_disagreement
from sleepagree.scoring.runs import Runs, scatter_errors


def runs_in(wrong: np.ndarray, joined: np.ndarray) -> int:
    return int(wrong.sum() - (wrong[1:] & wrong[:-1] & joined).sum())


@pytest.mark.parametrize(
    ("reference", "errors", "gap"),
    [("000000000000", [0, 1, 2, 3], None), ("000011111222", [2, 3, 4, 9], None), ("0101010101", [3, 4, 5], 4)],
)
def test_chances_are_those_of_all_arrangements_within_stages(reference, errors, gap) -> None:
    stages = np.array([int(c) for c in reference])
    wrong = np.isin(np.arange(stages.size), errors)
    joined = np.ones(stages.size - 1, dtype=bool)
    if gap is not None:
        joined[gap] = False
    choices = [
        combinations(np.flatnonzero(stages == s).tolist(), int(wrong[stages == s].sum())) for s in np.unique(stages)
    ]
    counts = [
        runs_in(np.isin(np.arange(stages.size), [e for part in chosen for e in part]), joined)
        for chosen in product(*map(list, choices))
    ]
    own = runs_in(wrong, joined)
    few, many = scatter_errors(stages, wrong, joined, times=20_000)
    assert few == pytest.approx(np.mean([c <= own for c in counts]), abs=0.015)
    assert many == pytest.approx(np.mean([c >= own for c in counts]), abs=0.015)


def test_of_one_stage_they_are_those_of_wald_and_wolfowitz() -> None:
    """Runs of errors among n epochs: hypergeometric, C(m - 1, r - 1) C(n - m + 1, r) / C(n, m) (scipy)."""
    n, m = 60, 9
    wrong = np.zeros(n, dtype=bool)
    wrong[[3, 4, 5, 20, 21, 40, 41, 50, 55]] = True
    law = stats.hypergeom(n, n - m + 1, m)  # number of runs: how many of the m errors' slots are filled
    few, many = scatter_errors(np.zeros(n, int), wrong, np.ones(n - 1, bool), times=20_000)
    assert few == pytest.approx(law.cdf(5), abs=0.01)
    assert many == pytest.approx(law.sf(4), abs=0.01)


def scattered_nights(errors: int, nights: int) -> list[Runs]:
    rng = np.random.default_rng(errors)
    reference = np.repeat([0, 1, 2, 1, 3, 1], 120)
    found = []
    for _ in range(nights):
        device = reference.copy()
        at = rng.choice(reference.size, errors, replace=False)
        device[at] = (device[at] + 1) % 4
        told = describe_disagreement(reference, device, np.arange(reference.size), classes=tuple("abcd"))
        found.append(told.runs)
    return found


@pytest.mark.parametrize("errors", [4, 8, 15, 25])
def test_scattered_errors_are_said_to_come_in_runs_no_more_often_than_promised(errors: int) -> None:
    found = scattered_nights(errors, 400)
    wrongly = sum(say_runs(runs).startswith("Errors come in runs") for runs in found)
    assert wrongly / 400 <= 0.025 + 3 * (0.025 * 0.975 / 400) ** 0.5


def test_four_errors_on_end_are_one_run_and_said_to_be() -> None:
    reference = np.repeat([0, 1, 2, 1], 100)
    device = reference.copy()
    device[150:154] = 3
    runs = describe_disagreement(reference, device, np.arange(400), classes=tuple("abcd")).runs
    assert runs.p < 0.001
    assert say_runs(runs).startswith("Errors come in runs")


def test_from_thirty_errors_on_the_chances_are_normal() -> None:
    (runs,) = scattered_nights(60, 1)
    assert (runs.p, runs.p_as_many) == pytest.approx((stats.norm.cdf(runs.z), stats.norm.sf(runs.z)))
