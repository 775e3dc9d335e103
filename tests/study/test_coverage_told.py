"""What a study says of the coverage of its intervals, against the record of the simulations."""

from __future__ import annotations

import math

import pytest

from sleepagree.inference.one_night import COVERAGE_OF_ONE_NIGHT
from sleepagree.study.cautions import (
    COVERAGE_OF_CENTILES,
    COVERAGE_OF_LIMITS_NEAR_NORMAL,
    ENOUGH_PARTICIPANTS,
    LOWEST_COVERAGE,
    LOWEST_COVERAGE_OF_LIMITS,
)
from sleepagree.study.summarise import summarise_study
from tests import records
from tests.ferry import simulated_nights
from tests.said import said

RECORD = records.read("calibration_people")
OF_LIMITS = ("lower limit", "upper limit")
#: Two standard errors of 92 % in 2,000 studies.
LOWEST_ALLOWED = 92 - 200 * math.sqrt(0.92 * 0.08 / 2000)


def lowest(people: int, *, of_limits: bool) -> float:
    assert RECORD is not None
    return min(
        by_method["primary"]
        for row in RECORD["rows"]
        if people in (0, row["n"])
        for statistic, by_method in row["covers"].items()
        if (statistic in OF_LIMITS) is of_limits
    )


@pytest.mark.parametrize("people", LOWEST_COVERAGE)
def test_the_coverage_told_is_that_of_the_record(people: int) -> None:
    assert math.floor(lowest(people, of_limits=False)) == round(100 * LOWEST_COVERAGE[people])


def test_the_coverage_of_limits_told_is_that_of_the_record() -> None:
    assert math.floor(lowest(0, of_limits=True)) == round(100 * LOWEST_COVERAGE_OF_LIMITS)


def test_the_coverage_of_centiles_and_of_limits_near_normal_told_is_that_of_the_record() -> None:
    assert RECORD is not None
    found: dict[bool, list[float]] = {True: [], False: []}
    for row in RECORD["rows"]:
        for statistic, by_method in row["covers"].items():
            if "centile" in statistic or (statistic in OF_LIMITS and row["people"] == "normal"):
                found["centile" in statistic].append(by_method["primary"])
    for of_centiles, told in ((True, COVERAGE_OF_CENTILES), (False, COVERAGE_OF_LIMITS_NEAR_NORMAL)):
        ends = min(found[of_centiles]), max(found[of_centiles])
        assert tuple(map(math.floor, ends)) == tuple(round(100 * end) for end in told)


def test_the_coverage_of_one_night_told_is_that_of_the_record() -> None:
    nights = records.read("calibration_nights")
    assert nights is not None
    assert nights["nights"] >= 2000
    assert list(nights["shares"]["0.9"]) == [*(f"{hold} min" for hold in (0.5, 1, 2, 5, 10, 20)), "episode"]
    held = [hold["persist"] for by_hold in nights["shares"].values() for hold in by_hold.values()]
    held += [hold[what] for by in nights["kappa"].values() for hold in by.values() for what in ("kappa", "accuracy")]
    assert (math.floor(min(held)), math.floor(max(held))) == tuple(round(100 * end) for end in COVERAGE_OF_ONE_NIGHT)


def test_from_forty_people_on_intervals_hold() -> None:
    assert RECORD is not None
    for people in {row["n"] for row in RECORD["rows"] if row["n"] >= ENOUGH_PARTICIPANTS}:
        assert lowest(people, of_limits=False) >= LOWEST_ALLOWED


@pytest.mark.parametrize(
    ("people", "told"),
    [
        (4, "87 % of simulated studies of 5"),
        (12, "90 % of simulated studies of 10"),
        (21, "92 % of simulated studies of 20"),
    ],
)
def test_a_study_of_few_people_says_how_seldom_its_intervals_hold(people: int, told: str) -> None:
    assert any(told in text for text in said(summarise_study(simulated_nights(people, 1)).cautions))


def test_a_study_of_many_people_says_nothing_of_the_kind() -> None:
    study = summarise_study(simulated_nights(40, 1))
    assert not any("are few" in text for text in said(study.cautions))
