"""What a study says of the coverage of its intervals, against the record of the simulations."""

from __future__ import annotations

import math

import pytest

from sleepagree.study.cautions import ENOUGH_PARTICIPANTS, LOWEST_COVERAGE, LOWEST_COVERAGE_OF_LIMITS
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


def test_from_twenty_people_on_intervals_hold() -> None:
    assert RECORD is not None
    for people in {row["n"] for row in RECORD["rows"] if row["n"] >= ENOUGH_PARTICIPANTS}:
        assert lowest(people, of_limits=False) >= LOWEST_ALLOWED


@pytest.mark.parametrize(
    ("people", "told"), [(4, "86 % of simulated studies of 5"), (12, "90 % of simulated studies of 10")]
)
def test_a_study_of_few_people_says_how_seldom_its_intervals_hold(people: int, told: str) -> None:
    assert any(told in text for text in said(summarise_study(simulated_nights(people, 1)).cautions))


def test_a_study_of_many_people_says_nothing_of_the_kind() -> None:
    study = summarise_study(simulated_nights(20, 1))
    assert not any("are few" in text for text in said(study.cautions))
