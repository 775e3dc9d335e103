"""Probabilities of classes beside scikit-learn's own, scores on the same folds, and people who cannot be memorised."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from sleepagree.inference import class_probabilities
from sleepagree.inference.class_probabilities import LabelledSequence, fit_path, learn_classes
from sleepagree.inference.correction import Verdict

LABELS, PARTS, CLASSES = 3, 3, 3


def sequences_of(people: int = 10, rows: int = 150, *, nights: int = 1, telling: float = 1.0, seed: int = 1):
    """Rows with a label that is often right, and a feature that tells more, a little or nothing."""
    rng = np.random.default_rng(seed)
    out = []
    for i in range(people * nights):
        truth = np.repeat(rng.integers(0, CLASSES, rows // 5), 5)
        label = np.where(rng.random(rows) < 0.7, truth, rng.integers(0, LABELS, rows))
        more = telling * (truth == 2) + rng.normal(size=rows)
        features = np.column_stack([label[:, None] == np.arange(LABELS), more, rng.normal(size=rows)]).astype(float)
        truth = np.where(rng.random(rows) < 0.05, -1, truth)
        part = np.arange(rows) * PARTS // rows
        out.append(
            LabelledSequence(lambda features=features: features, truth, label, part, i // nights, i // nights % 5)
        )
    return out


def learn(sequences):
    return learn_classes(sequences, classes=CLASSES, labels=LABELS, parts=PARTS)


def stacked(sequences):
    known = [s.known for s in sequences]
    features = np.concatenate([s.features()[k] for s, k in zip(sequences, known, strict=True)])
    truth = np.concatenate([s.truth[k] for s, k in zip(sequences, known, strict=True)])
    who = np.concatenate([np.full(k.sum(), s.who) for s, k in zip(sequences, known, strict=True)])
    return features, truth, who


def person_weights(who):
    _, position, rows = np.unique(who, return_inverse=True, return_counts=True)
    return who.size / (rows.size * rows[position])


@pytest.mark.parametrize("classes", [2, 3])
def test_probabilities_are_those_of_the_library(classes):
    features, truth, who = stacked(sequences_of())
    truth, weights = np.minimum(truth, classes - 1), person_weights(who)
    for penalty, model in zip(
        class_probabilities.PENALTIES, fit_path(features, truth, weights, classes=classes), strict=True
    ):
        known = make_pipeline(StandardScaler(), LogisticRegression(C=penalty, max_iter=2000, tol=1e-8))
        known.fit(features, truth, logisticregression__sample_weight=weights)
        assert model.probabilities(features) == pytest.approx(known.predict_proba(features), abs=2e-3)
        exact = class_probabilities.ClassModel(*as_model(known, classes))
        assert exact.probabilities(features) == pytest.approx(known.predict_proba(features), abs=1e-12)


def as_model(known, classes):
    """Return the library's own coefficients on features that are not standardised."""
    scaler, learner = known[0], known[1]
    rows = learner.coef_ if classes > 2 else np.vstack([0 * learner.coef_, learner.coef_])
    starts = learner.intercept_ if classes > 2 else np.array([0.0, learner.intercept_[0]])
    slopes = rows / scaler.scale_
    return tuple(starts - slopes @ scaler.mean_), tuple(map(tuple, slopes))


def test_scores_are_the_librarys_on_the_same_folds(monkeypatch):
    monkeypatch.setattr(class_probabilities, "PENALTIES", (0.1,))
    monkeypatch.setattr(class_probabilities._Fits, "choose", lambda *_: 0.1)
    sequences = sequences_of(nights=2)
    found = learn(sequences)
    features, truth, who = stacked(sequences)
    group = who % 5
    told = np.empty((truth.size, CLASSES))
    alone = np.empty((truth.size, CLASSES))
    label = features[:, :LABELS].argmax(axis=1)
    for held in range(5):
        train, test = group != held, group == held
        known = make_pipeline(StandardScaler(), LogisticRegression(C=0.1, max_iter=2000, tol=1e-8))
        known.fit(features[train], truth[train], logisticregression__sample_weight=person_weights(who[train]))
        told[test] = known.predict_proba(features[test])
        frequent = np.full((LABELS, CLASSES), 0.5)
        np.add.at(frequent, (label[train], truth[train]), 1.0)
        alone[test] = (frequent / frequent.sum(axis=1, keepdims=True))[label[test]]
    weights = person_weights(who)
    assert found.log_loss == pytest.approx(log_loss(truth, told, sample_weight=weights), rel=1e-3)
    brier = ((told - np.eye(CLASSES)[truth]) ** 2).sum(axis=1)
    assert found.brier == pytest.approx(np.average(brier, weights=weights), rel=1e-3)
    # the baseline gives every person the same weight, here nearly that of every row
    assert found.by_label.log_loss.error == pytest.approx(log_loss(truth, alone, sample_weight=weights), rel=2e-3)
    assert found.by_label.log_loss.difference == pytest.approx(found.log_loss - found.by_label.log_loss.error)
    # reliability by hand
    at = np.minimum((told * 10).astype(int), 9)
    right = np.eye(CLASSES)[truth].astype(bool)
    top = found.reliability[-1]
    assert top.rows == pytest.approx((at == 9).sum(), rel=0.02)
    assert top.seen == pytest.approx(right[at == 9].mean(), abs=0.02)
    assert top.told == pytest.approx(told[at == 9].mean(), abs=0.01)


def test_what_surrounds_tells_more_only_where_it_does():
    told = learn(sequences_of(telling=2.0))
    assert told.verdict is Verdict.HELPS
    assert told.penalty is not None
    assert told.by_part.log_loss.high < 0
    nothing = learn(sequences_of(telling=0.0))
    assert nothing.verdict is Verdict.DOES_NOT_HELP
    # then the label alone is applied: the frequencies under it
    assert nothing.penalty is None
    features, truth, _ = stacked(sequences_of(telling=0.0))
    mine = features[:, 1] == 1
    seen = np.bincount(truth[mine], minlength=CLASSES) / mine.sum()
    assert nothing.model.probabilities(features[mine][:1])[0] == pytest.approx(seen, abs=0.02)


# --- leaks ------------------------------------------------------------------------------------------------


def test_what_is_said_of_a_group_does_not_know_its_truth(monkeypatch):
    """The truth of one group turned around changes nothing that is told with that group left out."""
    honest = sequences_of(telling=1.0)
    turned = [s._replace(truth=np.where(s.truth >= 0, 2 - s.truth, -1)) if s.group == 3 else s for s in honest]
    before, after = learn(honest), learn(turned)
    assert after.sums[3] == pytest.approx(before.sums[3], rel=1e-12)
    assert after.sums[0] != pytest.approx(before.sums[0], rel=1e-3)
    # nor does what is said of it while another group is left out
    monkeypatch.setattr(class_probabilities._Fits, "choose", lambda *_: 0.03)
    mine = [s.group == 3 for s in honest]
    assert learn(turned).sums[:, mine] == pytest.approx(learn(honest).sums[:, mine], rel=1e-12)


def test_people_cannot_be_memorised():
    """Marks that tell people apart say nothing of people left out."""
    rng = np.random.default_rng(4)
    sequences = []
    for s in sequences_of(people=15, nights=2, telling=0.0):
        # one common class for both nights of a person, and the person's mark among the features
        truth = np.where(rng.random(s.truth.size) < 0.8, s.who % CLASSES, s.truth)
        mark = np.tile(s.who == np.arange(15), (s.truth.size, 1))
        features = np.column_stack([s.features(), mark])
        sequences.append(s._replace(features=lambda features=features: features, truth=truth))
    honest = learn(sequences)
    assert honest.verdict is Verdict.DOES_NOT_HELP
    leaky = learn([s._replace(who=i, group=i % 2 + 2 * (i % 3)) for i, s in enumerate(sequences)])
    assert leaky.log_loss < 0.8 * honest.log_loss


def test_a_person_in_two_groups_is_refused():
    planted = sequences_of(nights=2)
    planted[1] = planted[1]._replace(group=planted[0].group + 1)
    with pytest.raises(ValueError, match="two groups"):
        learn(planted)
    with pytest.raises(ValueError, match="at least 3 groups"):
        learn([s._replace(group=s.who % 2) for s in sequences_of()])


def test_every_person_counts_for_the_same(monkeypatch):
    """A person with ten times the rows does not decide the frequencies under a label."""
    monkeypatch.setattr(class_probabilities._Fits, "choose", lambda *_: None)
    sequences = sequences_of(people=6, telling=0.0)
    s = sequences[0]
    long = s._replace(
        features=lambda: np.tile(s.features(), (10, 1)),
        truth=np.tile(np.zeros_like(s.truth), 10),
        label=np.tile(s.label, 10),
        part=np.tile(s.part, 10),
    )
    short = s._replace(truth=np.zeros_like(s.truth))
    one, ten = (learn([first, *sequences[1:]]).model for first in (short, long))
    row = s.features()[:1]
    assert ten.probabilities(row) == pytest.approx(one.probabilities(row), abs=0.02)


def test_a_class_that_some_training_people_lack_is_unlikely_not_impossible():
    features, truth, who = stacked(sequences_of())
    (model, *_) = fit_path(features, np.minimum(truth, 1), person_weights(who), classes=3)
    rare = model.probabilities(features)[:, 2]
    assert 0 < rare.max() < 0.01
    (only, *_) = fit_path(features, np.zeros_like(truth), person_weights(who), classes=3)
    assert only.probabilities(features)[:, 0].min() > 0.99
