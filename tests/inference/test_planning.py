"""Plans: against simulated studies, general libraries and arithmetic by hand."""

from __future__ import annotations

import doctest
import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sleepagree.errors import InputError
from sleepagree.inference.limits import fit_limits_of_agreement
from sleepagree.inference.planning import (
    LimitsPrecision,
    MeanPrecision,
    PlanGrid,
    VarianceComponents,
    components_from_values,
    plan_grid,
    smallest_study,
)
from sleepagree.readers.study_results import DeviceSpreads, Spread
from sleepagree.render.night_json import plan_document
from sleepagree.study.plan import measured_statistics, plan_cautions, plan_study
from tests.said import said

STATED = VarianceComponents(15.0, 20.0)


# ------------------------------------------------------------------ components


#: Draws of mean 0 and variance 1: an exponential has skewness 2, and 15 % of people are 4 SDs of the others off.
PEOPLE: dict[str, Callable[[np.random.Generator, int], np.ndarray]] = {
    "normal": lambda random, count: random.standard_normal(count),
    "skewed": lambda random, count: random.standard_exponential(count) - 1,
    "heavy tails": lambda random, count: random.standard_t(3, count) / math.sqrt(3),
    "15 % fail": lambda random, count: (
        (random.standard_normal(count) + 4 * (random.random(count) < 0.15) - 0.6) / math.sqrt(1 + 16 * 0.15 * 0.85)
    ),
}


@pytest.mark.parametrize(("people", "nights"), [(5, 1), (10, 1), (20, 1), (40, 1), (4, 3), (8, 2)])
@pytest.mark.parametrize("kind", PEOPLE)
def test_the_upper_bound_of_the_spread_between_people_holds_as_often_as_the_page_says(
    kind: str, people: int, nights: int
) -> None:
    # simulated studies, whose truth is known; with one night each it is that of single nights
    page = (Path(__file__).parents[2] / "docs" / "methods_planning.md").read_text(encoding="utf-8")
    row = next(line for line in page.splitlines() if line.startswith(f"| {people} x {nights} |"))
    told = float(row.split("|")[2 + list(PEOPLE).index(kind)].split()[0]) / 100
    random = np.random.default_rng([people, nights])
    who = np.repeat(np.arange(people), nights)
    truth = 10 if nights > 1 else math.hypot(10, 10)
    studies = 500
    held = 0
    for _ in range(studies):
        values = np.repeat(PEOPLE[kind](random, people), nights) * (10 if nights > 1 else truth)
        values = values + (10 * PEOPLE[kind](random, people * nights) if nights > 1 else 0)
        held += components_from_values(values, participant=who).between_sd_high >= truth
    # four standard errors of the share told
    assert abs(held / studies - told) < 4 * math.sqrt(told * (1 - told) / studies) + 0.002


def test_the_upper_bound_with_one_night_each_is_that_of_a_chi_square_of_fewer_degrees() -> None:
    values = np.array([3.0, 8.0, 1.0, 9.0, 4.0, 30.0])
    # scipy: kurtosis about the mean with 1/(2 sqrt(n - 4)) of the values cut off on each side (Bonett 2006)
    centre = stats.trim_mean(values, 1 / (2 * math.sqrt(2)))
    kurtosis = stats.moment(values, 4, center=centre) / stats.moment(values, 2) ** 2 - 3
    degrees = 5 / (1 + (kurtosis + 4 * 6 / 16) * 5 / 12)
    # scipy: (n - 1) s^2 / sigma^2 is chi-square with n - 1 degrees of freedom where values are normal
    expected = values.std(ddof=1) * math.sqrt(degrees / stats.chi2.ppf(0.05, degrees))
    found = components_from_values(values, participant=range(6))
    assert found.between_sd_high == pytest.approx(expected)
    assert found.participants == 6
    assert found.rests_on_few


def test_stated_figures_rest_on_nobody() -> None:
    assert not STATED.rests_on_few
    assert STATED.at_upper_bound == STATED


def test_spread_of_means_over_nights() -> None:
    assert STATED.night_sd == 25
    assert STATED.sd_of_means(1) == 25
    assert STATED.sd_of_means(4) == pytest.approx(math.sqrt(225 + 100))


def test_components_are_those_of_limits_of_agreement() -> None:
    rng = np.random.default_rng(1)
    who = np.repeat(np.arange(12), 3)
    reference = rng.normal(400, 40, 36)
    device = reference + rng.normal(0, 15, 12)[who] + rng.normal(0, 20, 36)
    limits = fit_limits_of_agreement(reference=reference, device=device, participant=who)
    found = components_from_values(device - reference, participant=who)
    assert found.between_sd == pytest.approx(limits.between_sd)
    assert found.within_sd == pytest.approx(limits.within_sd)
    assert found.source == "12 participants, 36 nights"


def test_one_night_each_cannot_be_taken_apart() -> None:
    found = components_from_values([0.7, 0.6, np.nan, 0.8], participant=["a", "b", "b", "c"])
    assert found.between_sd == pytest.approx(0.1)
    assert not found.separable
    assert found.night_sd == found.between_sd
    assert math.isnan(found.sd_of_means(2))
    assert found.source == "3 participants, 3 nights; one night per participant"


def test_too_few_participants_is_one_clear_message() -> None:
    with pytest.raises(InputError) as caught:
        components_from_values([0.5, np.nan], participant=["a", "b"])
    assert str(caught.value) == (
        "the spread between participants cannot be estimated. Found 1 participant with a value; "
        "expected at least 2. State the spread between and within participants instead."
    )


@pytest.mark.parametrize(("between", "within"), [(-1.0, 1.0), (1.0, -1.0), (math.nan, 1.0), (1.0, math.inf)])
def test_components_that_cannot_be(between: float, within: float) -> None:
    with pytest.raises(ValueError, match="_sd must be 0 or more"):
        VarianceComponents(between, within)
    with pytest.raises(ValueError, match="of one length"):
        components_from_values([1.0], participant=["a", "b"])


# ------------------------------------------------------------------ half-widths


def test_expected_and_assured_half_width_of_a_mean() -> None:
    """t sd/sqrt(n) with the expected SD (statsmodels-free check: chi distribution of scipy), or its quantile."""
    sd, n = math.sqrt(225 + 400 / 3), 18
    base = stats.t.ppf(0.975, n - 1) * sd / math.sqrt(n)
    precision = MeanPrecision(STATED)
    expected = stats.chi(n - 1).mean() / math.sqrt(n - 1)
    assert precision.half_width(participants=n, nights=3) == pytest.approx(base * expected)
    assured = stats.chi(n - 1).ppf(0.9) / math.sqrt(n - 1)
    assert precision.half_width(participants=n, nights=3, assurance=0.9) == pytest.approx(base * assured)


@pytest.mark.parametrize(("participants", "nights"), [(8, 1), (8, 3), (20, 2)])
def test_half_widths_are_those_of_simulated_studies(participants: int, nights: int) -> None:
    """600 studies: mean half-widths within 3 %, the 80 % quantile within 5 % (about 3 standard errors)."""
    rng = np.random.default_rng(participants * nights)
    who = np.repeat(np.arange(participants), nights)
    widths = np.zeros((600, 2))
    for row in widths:
        difference = rng.normal(0, 15, participants)[who] + rng.normal(0, 20, len(who))
        f = fit_limits_of_agreement(reference=np.zeros(len(who)), device=difference, participant=who)
        row[:] = (f.bias_high - f.bias_low) / 2, (f.upper_high - f.upper_low) / 2
    size = {"participants": participants, "nights": nights}
    for column, precision in enumerate((MeanPrecision(STATED), LimitsPrecision(STATED))):
        assert precision.half_width(**size) == pytest.approx(widths[:, column].mean(), rel=0.03)
        quantile = np.quantile(widths[:, column], 0.8)
        assert precision.half_width(**size, assurance=0.8) == pytest.approx(quantile, rel=0.05)


def test_half_width_of_limits_with_one_night_each_by_noncentral_t_of_scipy() -> None:
    n, root = 20, math.sqrt(20)
    low, high = stats.nct.ppf([0.025, 0.975], n - 1, 1.959963984540054 * root) / root
    expected = (high - low) / 2 * 25 * stats.chi(n - 1).mean() / math.sqrt(n - 1)
    assert LimitsPrecision(STATED).half_width(participants=n, nights=1) == pytest.approx(expected)


@given(st.floats(0.1, 50), st.floats(0.1, 50), st.integers(2, 60), st.integers(1, 6), st.sampled_from([None, 0.5, 0.9]))
@settings(max_examples=30, deadline=None)
def test_more_of_anything_never_widens(
    between: float, within: float, participants: int, nights: int, assurance: float | None
) -> None:
    components = VarianceComponents(between, within)
    for precision in (MeanPrecision(components), LimitsPrecision(components)):
        here = precision.half_width(participants=participants, nights=nights, assurance=assurance)
        more = precision.half_width(participants=participants + 1, nights=nights, assurance=assurance)
        assert more < here
    mean = MeanPrecision(components)
    here = mean.half_width(participants=participants, nights=nights, assurance=assurance)
    assert mean.half_width(participants=participants, nights=nights + 1, assurance=assurance) < here
    assert mean.half_width(participants=participants, nights=nights, level=0.99, assurance=assurance) > here
    # The same nights spread over more people are never worth less.
    spread = mean.half_width(participants=participants * 2, nights=1, assurance=assurance)
    assert spread < mean.half_width(participants=participants, nights=2, assurance=assurance)


@pytest.mark.parametrize(
    ("size", "message"),
    [
        ({"participants": 1, "nights": 1}, "participants must be a whole number from 2 on"),
        ({"participants": 5, "nights": 0}, "nights must be a whole number from 1 on"),
        ({"participants": 5, "nights": 1, "level": 95}, "level must lie between 0 and 1"),
        ({"participants": 5, "nights": 1, "assurance": 1.0}, "assurance must be from 0.5 on and below 1"),
        ({"participants": 5, "nights": 1, "assurance": 0.3}, "assurance must be from 0.5 on and below 1"),
    ],
)
def test_misuse_of_half_width(size: dict[str, float], message: str) -> None:
    for precision in (MeanPrecision(STATED), LimitsPrecision(STATED)):
        with pytest.raises(ValueError, match=message):
            precision.half_width(**size)  # type: ignore[arg-type]


# ------------------------------------------------------------------ grid


def _plan(**options: object) -> PlanGrid:
    return plan_grid(
        {"bias TST": MeanPrecision(STATED), "limits TST": LimitsPrecision(STATED)},
        participants=[10, 20],
        nights=[1, 3],
        wanted={"bias TST": 8.0, "limits TST": 12.0},
        **options,  # type: ignore[arg-type]
    )


def test_grid_holds_every_combination() -> None:
    plan = _plan()
    assert [(cell.participants, cell.nights) for cell in plan.sizes] == [(10, 1), (10, 3), (20, 1), (20, 3)]
    widths = dict(plan.sizes[3].half_widths)
    assert widths["bias TST"] == MeanPrecision(STATED).half_width(participants=20, nights=3)
    assert widths["limits TST"] == LimitsPrecision(STATED).half_width(participants=20, nights=3)


@pytest.mark.parametrize("assurance", [None, 0.9])
def test_smallest_is_enough_and_one_less_is_not(assurance: float | None) -> None:
    plan = _plan(assurance=assurance)
    precisions = {"bias TST": MeanPrecision(STATED), "limits TST": LimitsPrecision(STATED)}
    assert len(plan.smallest_by_nights) == 4
    for study in plan.smallest_by_nights:
        assert study.participants is not None
        precision = precisions[study.statistic]
        options = {"nights": study.nights, "assurance": assurance}
        assert precision.half_width(participants=study.participants, **options) <= study.wanted  # type: ignore[arg-type]
        assert precision.half_width(participants=study.participants - 1, **options) > study.wanted  # type: ignore[arg-type]
    for study in plan.smallest:
        rivals = [s for s in plan.smallest_by_nights if s.statistic == study.statistic]
        assert study in rivals
        assert all(study.participants * study.nights <= s.participants * s.nights for s in rivals)  # type: ignore[operator]


def test_record_is_plain_json() -> None:
    record = plan_document(_plan(), ())
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert list(record)[2:5] == ["assumed", "grid", "smallest"]
    assert set(record["grid"][0]) == {"participants", "nights", "half_width"}
    assert set(record["grid"][0]["half_width"]) == {"bias TST", "limits TST"}
    assert record["smallest"]["bias TST"]["participants"] == 40
    assert record["smallest"]["bias TST"]["nights"] == 1
    assert record["assumed"]["statistics"]["bias TST"] == {
        "between_sd": 15.0, "within_sd": 20.0, "between_sd_high": None, "participants": None, "source": "stated",
    }  # fmt: skip


def test_what_cannot_be_planned_is_null_with_a_reason() -> None:
    unknown = VarianceComponents(25.0, math.nan, "pilot")
    plan = plan_grid(
        {"bias": MeanPrecision(unknown), "limits": LimitsPrecision(unknown)},
        participants=[10],
        nights=[2],
        wanted={"bias": 8.0},
    )
    record = plan_document(plan, ())
    json.dumps(record, allow_nan=False)
    assert record["grid"][0]["half_width"] == {"bias": None, "limits": None}
    assert record["smallest"]["bias"]["participants"] is None
    assert "not known" in record["smallest"]["bias"]["reason"]
    assert record["assumed"]["statistics"]["bias"]["within_sd"] is None
    # With one night the same figures can be planned.
    assert smallest_study(MeanPrecision(unknown), statistic="bias", wanted=8.0, nights=1).participants == 40


def test_a_width_out_of_reach() -> None:
    study = smallest_study(MeanPrecision(STATED), statistic="bias", wanted=1e-3, nights=1)
    assert study.participants is None
    assert study.undefined_because == "More than 1000000 participants would be needed."


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"participants": []}, "must not be empty"),
        ({"wanted": {"kappa": 0.1}}, r"wanted must name planned statistics \['bias'\], got 'kappa'"),
        ({"wanted": {"bias": 0.0}}, r"wanted\['bias'\] must be a positive number"),
    ],
)
def test_misuse_of_the_grid(change: dict[str, object], message: str) -> None:
    usual: dict[str, object] = {"participants": [10], "nights": [1]}
    with pytest.raises(ValueError, match=message):
        plan_grid({"bias": MeanPrecision(STATED)}, **(usual | change))  # type: ignore[arg-type]


def test_worked_examples_of_the_methods_page() -> None:
    page = Path(__file__).parents[2] / "docs" / "methods_planning.md"
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 8
    assert outcome.failed == 0


def test_a_spread_within_people_from_few_repeated_nights_has_a_bound_and_a_caution() -> None:
    found = DeviceSpreads("pad B", {"TST": Spread(12, 17, 10.0, 8.0, 16.0)})
    statistics = measured_statistics(found, source="results.json")
    part = statistics["bias TST"].components
    assert part.repeated == 5
    assert part.within_sd_high == pytest.approx(8.0 * math.sqrt(5 / stats.chi2.ppf(0.05, 5)))
    (text,) = said(plan_cautions(plan_study(statistics, participants=[10], nights=[1, 2])))
    assert "rest on 5 nights beyond each person's first" in text
    assert "TST 8.0, at most 16.7 (upper bounds of 95 % for normal nights)" in text
    many = DeviceSpreads("pad B", {"TST": Spread(12, 60, 10.0, 8.0, 16.0)})
    assert plan_cautions(plan_study(measured_statistics(many, source=""), participants=[10], nights=[1])) == ()
