"""Corrections of simulated devices whose truth is known; scikit-learn and scipy as second opinions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from sklearn.linear_model import LinearRegression, Ridge
from sklearn.model_selection import GroupKFold, LeaveOneGroupOut

from sleepagree.inference import correction
from sleepagree.inference.correction import (
    Examples,
    IntervalKind,
    Method,
    ValueRange,
    Verdict,
    WeightedSum,
    learn_value,
)
from sleepagree.inference.estimate import weighted_quantile

ANY = ValueRange(-np.inf, np.inf)


def truth_of(people: int, nights: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    who = np.repeat(np.arange(people), nights)
    return who, np.repeat(rng.normal(400, 30, people), nights) + rng.normal(0, 20, who.size)


def examples_of(who: np.ndarray, truth: np.ndarray, device: np.ndarray, rng: np.random.Generator) -> Examples:
    others = rng.normal(0, 1, (who.size, 2))
    return Examples(np.column_stack([device, others]), truth, who, 0, (0, 1, 2), ANY)


@pytest.mark.parametrize(("people", "nights"), [(25, 2), (60, 1)])
def test_a_constant_bias_is_found_and_removed(people, nights):
    rng = np.random.default_rng(1)
    who, truth = truth_of(people, nights, rng)
    found = learn_value(examples_of(who, truth, truth + 25 + rng.normal(0, 10, who.size), rng))
    assert found.verdict is Verdict.HELPS
    assert found.method in (Method.SHIFT, Method.LINE, Method.ROBUST_LINE)
    assert found.raw.high < -10
    typical = (400.0 + 25, 0.0, 0.0)
    assert found.model.value(typical) == pytest.approx(400, abs=4)
    # what is left is the noise: the mean absolute value of N(0, 10)
    assert found.corrected_error == pytest.approx(10 * np.sqrt(2 / np.pi), rel=0.2)


def test_a_slope_is_found():
    rng = np.random.default_rng(2)
    who, truth = truth_of(60, 1, rng)
    found = learn_value(examples_of(who, truth, 0.5 * truth + 300 + rng.normal(0, 3, who.size), rng))
    assert found.verdict is Verdict.HELPS
    assert found.method in (Method.LINE, Method.ROBUST_LINE)
    assert found.model.weights[0] == pytest.approx(2, abs=0.2)


def test_a_device_that_says_nothing_does_not_help():
    rng = np.random.default_rng(3)
    for people in (25, 60):
        who, truth = truth_of(people, 1, rng)
        found = learn_value(examples_of(who, truth, rng.normal(400, 40, who.size), rng))
        assert found.verdict is Verdict.DOES_NOT_HELP
        assert found.method is Method.MEAN
        assert found.model.weights == (0.0, 0.0, 0.0)


def test_a_good_device_is_left_as_it_is():
    rng = np.random.default_rng(4)
    who, truth = truth_of(40, 1, rng)
    device = truth + rng.normal(0, 10, who.size)
    found = learn_value(examples_of(who, truth, device, rng))
    assert (found.method, found.verdict) == (Method.NONE, Verdict.DOES_NOT_HELP)
    assert found.model == WeightedSum(0.0, (1.0, 0.0, 0.0))
    assert found.raw.error == pytest.approx(np.abs(device - truth).mean())
    assert found.own_range == (device.min(), device.max())


def test_a_value_that_the_device_has_no_word_for_is_found_in_another_one():
    """REM hidden in deep: deep as told is deep plus nine tenths of REM, and deep hardly varies."""
    rng = np.random.default_rng(5)
    who = np.arange(80)
    rem = rng.normal(100, 25, 80)
    told = rng.normal(80, 5, 80) + 0.9 * rem
    found = learn_value(Examples(told[:, None], rem, who, None, (0,), ValueRange(0, np.inf)))
    assert (found.method, found.verdict, found.raw) == (Method.MANY, Verdict.HELPS, None)
    # the best line's error, from the covariance of the simulation
    slope = 0.9 * 25**2 / (5**2 + 0.81 * 25**2)
    left = np.sqrt(25**2 * (1 - slope * 0.9))
    assert found.corrected_error == pytest.approx(left * np.sqrt(2 / np.pi), rel=0.25)
    # and nothing comes of a device in which nothing is hidden
    blind = learn_value(Examples(rng.normal(80, 5, (80, 1)), rem, who, None, (0,), ValueRange(0, np.inf)))
    assert (blind.method, blind.verdict) == (Method.MEAN, Verdict.DOES_NOT_HELP)


def test_a_few_bad_nights_do_not_bend_the_robust_line():
    rng = np.random.default_rng(6)
    truth = rng.normal(400, 30, 60)
    device = 0.5 * truth + 300 + rng.normal(0, 3, 60)
    device[:6] = 0.0
    examples = Examples(device[:, None], truth, np.arange(60), 0, (), ANY)
    robust = correction._fit(correction._Candidate(Method.ROBUST_LINE), examples)
    assert robust.weights[0] == pytest.approx(2, abs=0.25)
    assert abs(correction._fit(correction._Candidate(Method.LINE), examples).weights[0] - 2) > 1
    assert robust.weights[0] == pytest.approx(stats.theilslopes(truth, device).slope, rel=1e-9)


def test_lines_and_ridge_are_those_of_the_library():
    rng = np.random.default_rng(7)
    who, truth = truth_of(9, 2, rng)
    examples = examples_of(who, truth, truth + rng.normal(0, 20, who.size), rng)
    line = correction._fit(correction._Candidate(Method.LINE), examples)
    known = LinearRegression().fit(examples.features[:, :1], truth)
    assert (line.weights[0], line.intercept) == pytest.approx((known.coef_[0], known.intercept_))
    ridge = correction._fit(correction._Candidate(Method.MANY, 3.0), examples)
    x = (examples.features - examples.features.mean(axis=0)) / examples.features.std(axis=0)
    # a person's nights count for one in all, so two nights each halve the weight of every night
    known = Ridge(alpha=6.0).fit(x, truth)
    assert examples.predict(ridge) == pytest.approx(known.predict(x))


def test_the_error_told_is_that_of_leaving_each_person_out():
    """With one candidate the nested procedure is plain cross-validation, which scikit-learn's splitter gives too."""
    rng = np.random.default_rng(8)
    who, truth = truth_of(12, 2, rng)
    found = learn_value(Examples(rng.normal(0, 1, (24, 1)), truth, who, None, (), ANY))
    errors = []
    for training, held_out in LeaveOneGroupOut().split(truth, groups=who):
        errors.append(np.abs(truth[held_out] - truth[training].mean()).mean())
    assert found.corrected_error == pytest.approx(np.mean(errors))


# --- leaks ------------------------------------------------------------------------------------------------


def memorable(people: int = 12) -> Examples:
    """People who are told apart by 15 features that say nothing of the value, two nights each with one value."""
    rng = np.random.default_rng(9)
    who = np.repeat(np.arange(people), 2)
    marks = np.repeat(rng.normal(0, 1, (people, 15)), 2, axis=0)
    truth = np.repeat(rng.normal(100, 20, people), 2)
    return Examples(marks, truth, who, None, tuple(range(15)), ANY)


def test_people_cannot_be_memorised():
    honest = learn_value(memorable())
    assert honest.corrected_error > 0.9 * honest.usual.error
    assert honest.verdict is not Verdict.HELPS
    # were every night a person of its own, the same nights would look predictable
    planted = memorable()
    leaky = learn_value(Examples(planted.features, planted.truth, np.arange(24), None, planted.many, ANY))
    assert leaky.corrected_error < 0.7 * honest.corrected_error


def test_a_planted_leak_is_refused(monkeypatch):
    def leaky(folds, who, groups):
        rows, count = np.arange(who.size), folds.n_splits
        for fold in range(count):
            yield rows[rows % count != fold], rows[rows % count == fold]

    monkeypatch.setattr(GroupKFold, "split", leaky)
    with pytest.raises(ValueError, match="on both sides"):
        learn_value(memorable())


def test_no_person_is_learnt_from_and_tested_on(monkeypatch):
    """The choice of method, too: it sees only rows that it was given."""
    examples = memorable()
    seen = []
    choose = correction._choose

    def spied(known):
        seen.append(set(known.who.tolist()))
        return choose(known)

    monkeypatch.setattr(correction, "_choose", spied)
    learn_value(examples)
    everybody = set(examples.who.tolist())
    assert sorted(min(everybody - known) for known in seen[:-1]) == sorted(everybody)
    assert all(len(known) == len(everybody) - 1 for known in seen[:-1])
    assert seen[-1] == everybody


def test_what_a_model_expects_is_taken_from_models_that_saw_nobody_held_out(monkeypatch):
    """A column that holds the truth is the planted leak; what models without each group expect replaces it."""
    rng = np.random.default_rng(13)
    truth = rng.normal(100, 20, 30)
    who = np.arange(30)
    folds = correction.fold_people(who)
    blind = np.tile(rng.normal(100, 20, 30), (5, 1))
    planted = Examples(truth[:, None].copy(), truth, who, None, (), ANY, folds, correction.Expected(0, blind))
    assert learn_value(planted).verdict is Verdict.DOES_NOT_HELP
    # and the value of a night is that of the model without the group of the fold and its own
    marked = 10.0 * np.arange(5)[:, None] + np.zeros(30)
    told = replace(planted, expected=correction.Expected(0, marked))
    groups = correction.group_of(folds)
    assert told.without().features[:, 0].tolist() == (10.0 * groups).tolist()
    assert set(told.without(7).features[:, 0].tolist()) == {20.0}
    helpful = replace(planted, expected=correction.Expected(0, np.tile(truth + rng.normal(0, 4, 30), (5, 1))))
    found = learn_value(helpful)
    assert (found.method, found.verdict) == (Method.EPOCHS, Verdict.HELPS)
    assert found.model == WeightedSum(0.0, (1.0,))
    # in every split, of the nights to learn from, too
    given = []
    choose = correction._choose
    monkeypatch.setattr(correction, "_choose", lambda known: given.append(known) or choose(known))
    learn_value(told)
    assert len(given) == 11
    for known in given[:-1]:
        held_out = np.setdiff1d(who, known.who)
        assert set(known.features[:, 0].tolist()) == set((10.0 * groups[held_out]).tolist())


def test_every_person_is_held_out_once():
    for people, parts in ((7, 7), (25, 10)):
        who = np.repeat(np.arange(people), 1 + np.arange(people) % 3)
        folds = correction.fold_people(who)
        held = [set(who[folds == fold].tolist()) for fold in range(parts)]
        assert all(held)
        assert sorted(person for group in held for person in group) == list(range(people))


def test_too_few_people_are_refused():
    with pytest.raises(ValueError, match="at least 3 people"):
        learn_value(Examples(np.ones((4, 1)), np.ones(4), np.array([0, 0, 1, 1]), 0, (0,), ANY))


# --- intervals --------------------------------------------------------------------------------------------


def test_intervals_are_t_based_below_twenty_people_and_where_the_level_asks_for_more():
    rng = np.random.default_rng(10)
    for people, level, kind in ((19, 0.95, "t"), (20, 0.95, "cv+"), (20, 0.99, "t")):
        who, truth = truth_of(people, 1, rng)
        found = learn_value(examples_of(who, truth, truth + rng.normal(0, 10, people), rng), level=level)
        assert found.interval.kind is IntervalKind(kind)
    errors = np.abs(np.array([1.0, -2.0, 3.0]))
    examples = Examples(errors[:, None], np.zeros(3), np.arange(3), 0, (), ANY)
    trial = correction._Trial(errors, ())
    made = correction._interval(examples, trial, IntervalKind.T, 0.95)
    assert made.half_width == pytest.approx(stats.t.ppf(0.975, 2) * np.sqrt(14 / 3) * np.sqrt(4 / 3))


def test_cv_plus_by_hand():
    """Barber et al. 2021: of 19 left out errors and one fold each, the 19th smallest end (level 0.95 of 20)."""
    folds = tuple(correction.FoldErrors(WeightedSum(float(i % 3), (1.0,)), (float(i),), (1.0,)) for i in range(1, 20))
    made = correction.PredictionInterval(IntervalKind.CV_PLUS, 0.95, 19, 0.0, folds)
    ends = sorted(10 + i % 3 + i for i in range(1, 20)), sorted(10 + i % 3 - i for i in range(1, 20))
    assert made.around(0.0, (10.0,), ANY) == pytest.approx((ends[1][0], ends[0][18]))
    wide = correction.PredictionInterval(IntervalKind.CV_PLUS, 0.9, 19, 0.0, folds)
    assert wide.around(0.0, (10.0,), ANY) == pytest.approx((ends[1][1], ends[0][17]))
    between = correction.PredictionInterval(IntervalKind.CV_PLUS, 0.925, 19, 0.0, folds)
    assert between.around(0.0, (10.0,), ANY) == pytest.approx((sum(ends[1][:2]) / 2, sum(ends[0][17:]) / 2))


@pytest.mark.parametrize("people", [8, 25])
@pytest.mark.parametrize("shift", [0.0, 0.1])
def test_without_any_error_there_is_no_interval(people, shift):
    rng = np.random.default_rng(3)
    who, truth = truth_of(people, 2, rng)
    found = learn_value(examples_of(who, truth, truth - shift, rng))
    assert found.corrected_error == pytest.approx(0, abs=1e-9)
    assert np.isnan([found.interval.half_width, found.coverage]).all()
    own = found.interval.around(300.0, (300.0,) * len(found.model.weights), ANY)
    assert np.isnan(own).all()
    older = correction.PredictionInterval(IntervalKind.T, 0.95, people, 0.0)  # as files tell it that stood before
    assert np.isnan(older.around(300.0, (300.0,), ANY)).all()


def test_errors_of_a_persons_nights_count_as_what_they_are_worth():
    """Kish 1965, section 5.4: k values of a cluster whose correlation is r are worth k / (1 + (k - 1) r)."""
    rng = np.random.default_rng(15)
    who = np.repeat(np.arange(4000), 3)
    person = np.repeat(rng.normal(0, 1, 4000), 3)
    assert correction._independent(person, who) == 4000
    assert correction._independent(rng.normal(0, 1, who.size), who) == pytest.approx(12000, rel=0.03)
    half = person + rng.normal(0, 1, who.size)
    assert correction._independent(half, who) == pytest.approx(4000 * 3 / (1 + 2 * 0.5), rel=0.03)
    assert correction._independent(np.ones(6), np.repeat([5, 7, 8], 2)) == 3
    # 39 of 40, not the largest of 40, where the nights of 20 people are independent
    assert correction._part(0.95, 40) * 40 == pytest.approx(38.95)
    assert correction._part(0.95, 20) * 20 == pytest.approx(19.95)


@pytest.mark.parametrize(("people", "most"), [(25, 0.965), (38, 0.965)])
def test_more_people_do_not_make_an_interval_wider_than_asked(people, most):
    """Between two orders of the errors lies the one that is asked: 37.05 of 38 is not the largest."""
    rng = np.random.default_rng(16)
    errors = np.abs(rng.normal(0, 1, (4000, people)))
    ends = [weighted_quantile(e, np.ones(people), correction._part(0.95, people)) for e in errors]
    covered = stats.norm.cdf(ends) - stats.norm.cdf(-np.array(ends))
    assert 0.945 <= covered.mean() <= most


def draws(kind: str, size: int, rng: np.random.Generator) -> np.ndarray:
    if kind == "skewed":
        return rng.exponential(15, size) - 15
    return 8 * rng.standard_t(3, size) if kind == "heavy" else rng.normal(0, 15, size)


@pytest.mark.parametrize(("kind", "nights"), [("normal", 1), ("skewed", 1), ("heavy", 1), ("normal", 2)])
def test_intervals_cover_new_people(kind, nights):
    """60 studies of 24 people, 40 new people each: the mean of 60 coverages has a standard error below 0.01.

    tests/performance/calibrate_corrections.py does the same for thousands of studies.
    """
    rng = np.random.default_rng(11)
    covered, errors, told = [], [], []
    for _ in range(60):
        who, truth = truth_of(24, nights, rng)
        found = learn_value(Examples((truth + 20 + draws(kind, who.size, rng))[:, None], truth, who, 0, (0,), ANY))
        _, new = truth_of(40, 1, rng)
        said = new + 20 + draws(kind, new.size, rng)
        for value, device in zip(new, said, strict=True):
            corrected = found.model.value((device,))
            low, high = found.interval.around(corrected, (device,), ANY)
            covered.append(low <= value <= high)
            errors.append(abs(corrected - value))
        told.append(found.corrected_error)
    assert 0.93 <= np.mean(covered) <= 0.985
    # what is told of people left out holds for fresh people
    assert np.mean(told) == pytest.approx(np.mean(errors), rel=0.08)


def test_many_nights_are_kept_in_little_room():
    rng = np.random.default_rng(12)
    who, truth = truth_of(150, 4, rng)
    examples = Examples((truth + rng.normal(0, 10, who.size))[:, None], truth, who, 0, (0,), ANY)
    found = learn_value(examples)
    assert len(found.interval.folds) == 10
    assert sum(len(fold.residuals) for fold in found.interval.folds) <= 210
    assert sum(sum(fold.shares) for fold in found.interval.folds) == pytest.approx(150)
    low, high = found.interval.around(400.0, (400.0,), ANY)
    assert (high - low) / 2 == pytest.approx(1.96 * 10, rel=0.15)


def test_small_errors_of_a_fold_are_kept_as_one_and_end_no_interval():
    """Beside all errors kept, as Barber et al. 2021 write it: the same ends, or wider ones."""
    rng = np.random.default_rng(14)
    model = WeightedSum(0.0, (1.0,))
    folds, whole = [], []
    for _ in range(10):
        errors, shares = np.abs(rng.standard_t(3, 8)), np.full(8, 0.5)
        own = WeightedSum(float(rng.normal(0, 0.3)), (1.0,))
        folds.append(correction._kept(own, errors, shares, 0.95))
        whole.append(correction.FoldErrors(own, tuple(errors), tuple(shares)))
        assert len(folds[-1].residuals) == 5
        assert sum(folds[-1].shares) == 4
        assert folds[-1].residuals[0] == np.sort(errors)[3]
    few, all_ = (correction.PredictionInterval(IntervalKind.CV_PLUS, 0.95, 40, 0.0, tuple(f)) for f in (folds, whole))
    assert few.around(0.0, (10.0,), ANY) == all_.around(0.0, (10.0,), ANY)
    narrow = [replace(interval, level=0.3).around(0.0, (10.0,), ANY) for interval in (few, all_)]
    assert narrow[0][0] <= narrow[1][0] < narrow[1][1] <= narrow[0][1]
    # one model in all folds: the order of its errors alone makes the interval
    examples = Examples(np.zeros((40, 1)), rng.normal(0, 1, 40), np.arange(40), 0, (), ANY)
    trial = correction._Trial(np.zeros(40), tuple((model, np.arange(i, 40, 10)) for i in range(10)))
    made = correction._interval(examples, trial, IntervalKind.CV_PLUS, 0.95)
    assert made.folds == ()
    # by hand: 0.95 x 41 = 38.95, between the 38th and the 39th of 40
    smaller, larger = np.sort(np.abs(examples.truth))[37:39]
    assert made.half_width == pytest.approx(smaller + 0.95 * (larger - smaller))
    assert made.around(5.0, (5.0,), ANY) == (5 - made.half_width, 5 + made.half_width)
