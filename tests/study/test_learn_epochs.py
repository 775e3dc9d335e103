"""Epochs of simulated nights whose truth is known: REM hidden in deep comes back, and files give the same numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from sleepagree.caution import CautionKind
from sleepagree.describe.correction import finding_of_epochs
from sleepagree.hypnogram.align import align
from sleepagree.inference.correction import Method, Verdict, fold_people, group_of
from sleepagree.inference.estimate import score_interval
from sleepagree.inference.one_night import t_quantile
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study import epoch_correction
from sleepagree.study.correction_file import read_correction
from sleepagree.study.correction_learning import learn_correction
from sleepagree.study.epoch_correction import learn_epochs
from sleepagree.study.groups import merged_sets
from sleepagree.study.night_summary import summarise_night
from tests.commands import ended
from tests.ferry import simulated_nights
from tests.study.test_learn_correction import written

CYCLES = 5


def true_night(rng: np.random.Generator) -> list[str]:
    """A night of cycles whose deep gets shorter and whose REM gets longer; some people have much REM, some little."""
    much = rng.uniform(0.3, 2.0)
    labels = ["W"] * int(rng.integers(5, 40))
    for cycle in range(CYCLES):
        deep = int(max(0, rng.normal(60 - 14 * cycle, 8)))
        rem = int(max(4, rng.normal(much * (10 + 12 * cycle), 8)))
        labels += ["N2"] * int(rng.integers(30, 60)) + ["N3"] * deep + ["N2"] * int(rng.integers(20, 50)) + ["R"] * rem
        labels += ["W"] * int(rng.integers(0, 6))
    return labels


def device_of(truth: list[str], rng: np.random.Generator, hidden: float) -> list[str]:
    """A device without REM: each bout of REM is called deep at a known rate, else light."""
    said, word = [], "light"
    for i, stage in enumerate(truth):
        if stage == "R":
            if i == 0 or truth[i - 1] != "R":
                word = "deep" if rng.random() < hidden else "light"
            said.append(word)
        else:
            said.append({"W": "wake", "N2": "light", "N3": "deep"}[stage])
    return said


def simulated(people: int, hidden: float, seed: int):
    rng = np.random.default_rng(seed)
    nights, truths = [], []
    for person in range(people):
        truth = true_night(rng)
        said = read_hypnogram(device_of(truth, rng, hidden), reports=["wake", "light", "deep"])
        paired = align(reference=read_hypnogram(truth), device=said)
        nights.append(summarise_night(paired, participant=f"crew-{person}", night="1", device="band A"))
        truths.append((truth, said))
    return nights, truths


@pytest.fixture(scope="module")
def hidden():
    nights, _ = simulated(30, 0.8, 1)
    return learn_correction(nights)


def test_rem_hidden_in_deep_comes_back(hidden):
    rem = next(m for m in hidden.measures if m.measure == "minutes rem").learned
    assert rem.raw is None
    assert rem.verdict is Verdict.HELPS
    assert rem.method in (Method.EPOCHS, Method.MANY)
    # fresh people: the error told is the error made, and the mean is right
    _, fresh = simulated(60, 0.8, 2)
    corrected, true, covered = [], [], []
    for truth, said in fresh:
        value = next(m for m in hidden.apply(said).measures if m.measure == "minutes rem")
        corrected.append(value.corrected)
        true.append(truth.count("R") / 2)
        covered.append(value.low <= true[-1] <= value.high)
    off = np.abs(np.array(corrected) - true)
    assert off.mean() == pytest.approx(rem.corrected_error, abs=3 * off.std() / np.sqrt(60) + 1)
    assert np.mean(corrected) == pytest.approx(np.mean(true), abs=4)
    assert np.mean(covered) >= 0.88


def test_probabilities_add_up_to_the_truth_in_fresh_people(hidden):
    assert hidden.epochs.verdict is Verdict.HELPS
    assert hidden.epochs.classes == ("wake", "light", "deep", "rem")
    _, fresh = simulated(60, 0.8, 3)
    each = [hidden.apply(said).probabilities for _, said in fresh]
    stages = {"W": 0, "N2": 1, "N3": 2, "R": 3}
    of_each = [np.array([stages[stage] for stage in truth]) for truth, _ in fresh]
    losses = [-np.log(p[np.arange(t.size), t]).mean() for p, t in zip(each, of_each, strict=True)]
    # the loss told is that of fresh people, within three standard errors of both samples
    near = 3 * np.std(losses) * np.sqrt(1 / 60 + 1 / 30)
    assert np.mean(losses) == pytest.approx(hidden.epochs.log_loss, abs=near)
    assert np.mean(losses) < hidden.epochs.by_third.log_loss.error
    told, true = np.concatenate(each), np.concatenate(of_each)
    for k in range(4):
        # the probabilities of a class are its share, in each half of what is told; a penalty keeps them a little timid
        for mine in (told[:, k] < 0.5, told[:, k] >= 0.5):
            assert (true[mine] == k).mean() == pytest.approx(told[mine, k].mean(), abs=0.08)


def test_what_deep_was_is_counted(hidden):
    nights, truths = simulated(30, 0.8, 1)
    whole = next(one for one in hidden.epochs.shares if one.label == "deep" and not one.third)
    deep = [(stage, word) for truth, said in truths for stage, word in zip(truth, words_of(said), strict=True)]
    rem = np.mean([stage == "R" for stage, word in deep if word == "deep"])
    share = next(s for s in whole.shares if s.name == "rem")
    # four digits of shares are kept
    assert share.share == pytest.approx(rem, abs=1e-4)
    assert share.low < rem < share.high
    assert whole.participants == len(nights)
    # the ratio of sums over people, resampled: its spread is that of the interval
    of_each = [[(s == "R", 1) for s, w in zip(t, words_of(d), strict=True) if w == "deep"] for t, d in truths]
    sums = np.array([np.sum(one, axis=0) for one in of_each], float)
    rng = np.random.default_rng(5)
    drawn = sums[rng.integers(0, 30, (4000, 30))].sum(axis=1)
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1], [0.025, 0.975])
    assert share.high - share.low == pytest.approx(high - low, rel=0.25)
    last = next(one for one in hidden.epochs.shares if one.label == "deep" and one.third == "last")
    assert next(s for s in last.shares if s.name == "rem").share > share.share


def words_of(said) -> list[str]:
    return [said.labels[code] for code in np.repeat(said.codes, np.round(said.duration_s / 30).astype(int))]


def test_the_truth_of_a_group_is_not_known_where_it_is_left_out():
    """Nights of one group with another reference: whatever is told without the group stays the same."""
    nights = [n for n in simulated_nights(participants=6, nights=2) if n.device == "band A"]
    who = np.repeat(np.arange(6), 2)
    folds = fold_people(who)
    groups = group_of(folds)
    mixed = [n if groups[i] != 2 else nights[(i + 2) % 12] for i, n in enumerate(nights)]
    mixed = [
        n if groups[i] != 2 else type(n)(**{**fields_of(nights[i]), "epochs": reversed_reference(nights[i])})
        for i, n in enumerate(mixed)
    ]
    correction = learn_correction(nights)
    told = []
    for each in (nights, mixed):
        _, values = learn_epochs(each, correction.mapping, merged_sets(nights)[1], who, folds, level=0.95)
        told.append(values["minutes rem"])
    others = groups != 2
    assert told[1][2, others] == pytest.approx(told[0][2, others], rel=1e-9)
    assert told[1][0, others] != pytest.approx(told[0][0, others], rel=1e-6)


def fields_of(night):
    return {name: getattr(night, name) for name in night.__slots__}


def reversed_reference(night):
    from sleepagree.study.night_summary import pack_epochs

    reference, device = night.epochs.unpack()
    return pack_epochs(reference[::-1], device, begin_s=night.epochs.begin_s)


def test_the_file_gives_the_same_probabilities(hidden, tmp_path):
    _, fresh = simulated(1, 0.8, 4)
    back = read_correction(written(hidden, tmp_path))
    assert back.epochs.model == hidden.epochs.model
    said = fresh[0][1]
    assert np.array_equal(back.apply(said).probabilities, hidden.apply(said).probabilities)


def test_silence_has_no_probability(hidden):
    labels = ["wake"] * 20 + ["light"] * 100 + [None] * 30 + ["deep"] * 50
    found = hidden.apply(read_hypnogram(labels, reports=["wake", "light", "deep"])).probabilities
    assert np.isnan(found[120:150]).all()
    assert np.isfinite(found[:120]).all()


@pytest.fixture(scope="module")
def deep_at_first():
    """Six people whose device says light for what is deep in the first third of the window and light afterwards."""
    rng = np.random.default_rng(0)
    third = np.arange(900) // 300
    nights = []
    for person in range(6):
        for number in range(2):
            asleep = np.repeat(rng.random(30) > 0.15, 30)
            truth = np.where(~asleep, "W", np.where(third == 0, "N3", "N2"))
            said = np.where(rng.random(900) < 0.01, "deep", np.where(asleep, "light", "wake"))
            paired = align(reference=truth.tolist(), device=said.tolist())
            nights.append(summarise_night(paired, participant=f"crew-{person}", night=str(number), device="band A"))
    return learn_correction(nights), said.tolist()


def test_what_the_probabilities_lost_to_is_named(deep_at_first):
    learnt, _ = deep_at_first
    epochs = learnt.epochs
    assert epochs.verdict is Verdict.DOES_NOT_HELP
    assert epochs.by_label.log_loss.difference < 0 < epochs.by_third.log_loss.difference
    by_third = "than its label and the third of the night"
    assert finding_of_epochs(learnt).startswith(f"What surrounds an epoch tells no more of it {by_third} (log loss")

    def said(verdict, **changed):
        change = replace(epochs.by_label.log_loss, **changed)
        other = replace(epochs, verdict=verdict, by_label=replace(epochs.by_label, log_loss=change))
        return finding_of_epochs(replace(learnt, epochs=other))

    assert said(Verdict.DOES_NOT_HELP, difference=0.1).startswith(
        "What surrounds an epoch tells no more of it than its label (log loss"
    )
    assert said(Verdict.CANNOT_BE_TOLD, high=-0.1).startswith(
        f"Whether what surrounds an epoch tells more of it {by_third} cannot be told (log loss"
    )
    assert said(Verdict.CANNOT_BE_TOLD, high=0.1).startswith(
        "Whether what surrounds an epoch tells more of it than its label cannot be told (log loss"
    )
    alone = finding_of_epochs(replace(learnt, epochs=replace(epochs, penalty=None)))
    assert alone.startswith("What surrounds an epoch tells no more of it than its label (log loss")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, "told no more of it than its label and the third of the night in people who were not learnt from"),
        ({}, "the probabilities of epochs are made of it all the same"),
        ({"penalty": None}, "the probabilities of epochs are those of the label alone"),
        ({"verdict": Verdict.CANNOT_BE_TOLD}, "could not be told in people who were not learnt from"),
    ],
)
def test_probabilities_that_did_not_help_are_told_with_every_night(deep_at_first, tmp_path, changed, said):
    learnt, night = deep_at_first
    learnt = replace(learnt, epochs=replace(learnt.epochs, **changed))
    path = tmp_path / "night.csv"
    begin = datetime(2026, 3, 1, 22)
    rows = [f"{begin + timedelta(seconds=30 * i)},{stage}\n" for i, stage in enumerate(night)]
    path.write_text("start,stage\n" + "".join(rows), encoding="utf-8")
    out = tmp_path / "out"
    done = ended("correct", written(learnt, tmp_path), path, "--epochs", tmp_path / "epochs.csv", "--out", out)
    assert said in " ".join(done.stdout.split())
    assert said in (out / "corrected.json").read_text(encoding="utf-8")
    assert said in (out / "report.html").read_text(encoding="utf-8")
    (tmp_path / "again.csv").write_bytes(path.read_bytes())
    table = tmp_path / "nights.csv"
    table.write_text("participant,night,device_file\ncrew-7,1,night.csv\ncrew-7,2,again.csv\n", encoding="utf-8")
    done = ended("correct", tmp_path / "correction.json", table, "--quiet")
    assert " ".join(done.stdout.split()).count(said) == 1


def test_probabilities_that_helped_are_told_without_a_caution(hidden):
    night = hidden.apply(read_hypnogram(["wake", "light", "deep", "wake"] * 60, reports=["wake", "light", "deep"]))
    assert not any(caution.kind is CautionKind.EPOCHS_NOT_HELPED for caution in night.cautions)


def test_nights_without_epochs_have_no_probabilities():
    nights, _ = simulated(5, 0.5, 6)
    bare = [type(n)(**{**fields_of(n), "epochs": None}) for n in nights]
    learnt = learn_correction(bare)
    assert learnt.epochs is None
    assert "epochs_not_learnt" in [c.kind.value for c in learnt.cautions]
    assert all(m.learned.method is not Method.EPOCHS for m in learnt.measures)


@pytest.mark.parametrize(("people", "hits", "epochs"), [(20, 1, 49), (3, 1, 49), (7, 2, 7)])
def test_a_share_that_is_the_same_in_everybody_counts_people(people, hits, epochs):
    share, low, high = epoch_correction._share(np.full(people, hits), np.full(people, epochs), 0.95)
    assert share == pytest.approx(hits / epochs)
    expected = score_interval(share * people, people, t_quantile(0.95, people - 1))
    assert (low, high) == pytest.approx(tuple(map(float, expected)))
