"""Means of groups, against the mixed models of statsmodels and the analysis of variance of scipy."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from sleepagree.inference.group_means import GroupMeans, fit_group_means


def fitted(frame: pd.DataFrame) -> GroupMeans:
    found = fit_group_means(frame["d"], participant=frame["who"].tolist(), group=frame["group"].tolist())
    assert found is not None
    return found


def nights(seed: int, *, within: bool) -> pd.DataFrame:
    draw = np.random.default_rng(seed)
    who = np.repeat(np.arange(18), draw.integers(2, 6, 18))
    group = draw.integers(0, 3, who.size) if within else who % 3
    d = draw.normal(0, 12, 18)[who] + 6.0 * group + draw.normal(0, 9, who.size)
    return pd.DataFrame({"who": who, "group": [f"watch {g}" for g in group], "d": d})


@pytest.mark.filterwarnings("ignore::UserWarning")  # of the oracle, on its way
@pytest.mark.parametrize("within", [False, True])
@pytest.mark.parametrize("seed", [0, 3, 4, 6])  # the oracle finds no end from some others
def test_means_errors_and_variances_are_those_of_statsmodels(seed: int, *, within: bool) -> None:
    frame = nights(seed, within=within)
    found = fitted(frame)
    model = smf.mixedlm("d ~ 0 + group", frame, groups=frame["who"]).fit(reml=True, method="lbfgs")
    # generalised least squares with the variances of statsmodels; its own errors add what variances and means share
    design = np.array([frame["group"] == one.group for one in found.groups], float).T
    same = np.equal.outer(frame["who"].to_numpy(), frame["who"].to_numpy())
    precision = np.linalg.inv(model.scale * np.eye(len(frame)) + model.cov_re.iloc[0, 0] * same)
    covariance = np.linalg.inv(design.T @ precision @ design)
    for k, one in enumerate(found.groups):
        assert one.mean == pytest.approx(model.fe_params[f"group[{one.group}]"], rel=1e-3)
        assert one.se == pytest.approx(math.sqrt(covariance[k, k]), rel=1e-3)
    assert found.within_sd == pytest.approx(math.sqrt(model.scale), rel=1e-3)
    assert found.between_sd == pytest.approx(math.sqrt(model.cov_re.iloc[0, 0]), rel=1e-3)
    apart = np.array([[1.0, -1.0, 0.0], [1.0, 0.0, -1.0]])
    means = apart @ [one.mean for one in found.groups]
    assert found.f == pytest.approx(means @ np.linalg.solve(apart @ covariance @ apart.T, means) / 2, rel=3e-3)
    people = frame["who"].nunique()
    is_crossed = bool((pd.crosstab(frame["who"], frame["group"]) > 0).all(axis=None))
    assert found.degrees == (2, len(frame) - people - 2 if is_crossed else people - 3)


def test_one_night_of_one_person_in_another_group_makes_no_test_within_people() -> None:
    """By simulation without a difference: with nights less people, 13 % of p values of four people were below .05."""
    rng, who = np.random.default_rng(1), np.repeat(np.arange(4), 7)
    group = np.where(who < 2, "old", "young")
    group[0] = "young"
    below = 0
    for _ in range(300):
        d = 20 * rng.standard_normal(4)[who] + 20 * rng.standard_normal(who.size)
        found = fit_group_means(d, participant=who, group=group.tolist())
        assert found is not None
        assert found.degrees == (1, 2)
        below += found.p_value < 0.05
    assert below / 300 < 0.05 + 2 * math.sqrt(0.05 * 0.95 / 300)


def test_everybody_in_all_groups_is_compared_within_people() -> None:
    rng, who = np.random.default_rng(2), np.repeat(np.arange(6), 4)
    found = fit_group_means(rng.normal(size=24), participant=who, group=["old", "new"] * 12)
    assert found is not None
    assert found.degrees == (1, 24 - 6 - 1)


def test_one_night_each_is_an_analysis_of_variance() -> None:
    draw = np.random.default_rng(7)
    frame = pd.DataFrame({"who": range(30), "group": list("abc") * 10, "d": draw.normal(3, 10, 30)})
    found = fitted(frame)
    groups = [frame["d"][frame["group"] == name] for name in "abc"]
    oracle = stats.f_oneway(*groups)
    assert (found.f, found.p_value) == pytest.approx((oracle.statistic, oracle.pvalue))
    pooled = math.sqrt(sum(((g - g.mean()) ** 2).sum() for g in groups) / 27)
    reach = stats.t.ppf(0.975, 27) * pooled / math.sqrt(10)
    assert (found.groups[0].low, found.groups[0].high) == pytest.approx(
        (groups[0].mean() - reach, groups[0].mean() + reach)
    )
    assert (found.between_sd, found.method) == (0.0, "analysis of variance")


def test_people_who_are_all_alike_have_no_spread_between_them() -> None:
    draw = np.random.default_rng(3)
    who = np.repeat(np.arange(12), 4)
    # each person's nights add up to the same, so people differ less than nights by themselves would make them
    d = draw.normal(0, 9, 48)
    d -= (np.bincount(who, d) / 4)[who]
    found = fitted(pd.DataFrame({"who": who, "group": np.where(who % 2, "odd", "even"), "d": d}))
    assert found.between_sd == 0.0


def test_one_group_or_hardly_any_people_have_no_model() -> None:
    assert fit_group_means([1.0, 2.0, 3.0], participant=list("abc"), group=["x"] * 3) is None
    assert fit_group_means([1.0, 2.0], participant=list("ab"), group=["x", "y"]) is None
    assert fit_group_means([], participant=[], group=[]) is None


def test_nights_without_group_or_value_are_left_out() -> None:
    whole = nights(2, within=False)
    more = pd.concat([whole, pd.DataFrame({"who": [99, 0], "group": ["", "watch 0"], "d": [500.0, np.nan]})])
    assert fitted(more) == fitted(whole)


@pytest.mark.parametrize("values", [(17.0, 18.5), (10.1, 5.3), (0.1, 0.3)])
def test_groups_without_any_spread_inside_have_no_test(values: tuple[float, float]) -> None:
    found = fit_group_means(np.repeat(values, (5, 4)), participant=range(9), group=["spring"] * 5 + ["summer"] * 4)
    assert found is not None
    assert [one.mean for one in found.groups] == pytest.approx(values)
    assert math.isnan(found.p_value)
    assert all(math.isnan(one.low) and math.isnan(one.high) for one in found.groups)
