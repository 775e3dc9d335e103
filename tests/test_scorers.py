"""Several human scorers: the consensus against a count by hand, agreement among them against scikit-learn."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import accuracy_score, cohen_kappa_score

from sleepagree.errors import PairingError
from sleepagree.hypnogram import Origin, ScoredSpans
from sleepagree.night_summary import NightSummary, summarise_night
from sleepagree.pairing import NO_MAJORITY, align
from sleepagree.report.sentences import methods_of_study
from sleepagree.scorers import CONSENSUS, DEVICE, build_consensus, compare_scorers
from sleepagree.sources import read_hypnogram
from sleepagree.stages import UNSCORED
from sleepagree.study import StudyOptions, summarise_study
from sleepagree.study_documents import study_document

WORDS = {"W": "W", "1": "N1", "2": "N2", "3": "N3", "R": "R", "?": "?", ".": None}
START = datetime(2026, 3, 1, 22, 30)


def scoring(letters: str, name: str = "lab.edf", *, start: datetime | None = START) -> ScoredSpans:
    """One letter an epoch; ? is unscored and . a gap."""
    spans = read_hypnogram([WORDS[c] for c in letters], start=start, stages={"?": UNSCORED, **_SAME})
    return spans.with_changes(origin=Origin(name, "test", name))


_SAME = {word: word for word in ("W", "N1", "N2", "N3", "R")}


def device(letters: str, *, reports: tuple[str, ...] = ("W", "light", "N3", "R")) -> ScoredSpans:
    words = {"w": "wake", "l": "light", "d": "deep", "r": "rem", ".": None}
    return read_hypnogram([words[c] for c in letters], start=START, reports=reports)


def letters_of(spans: ScoredSpans, length: int, *, start: datetime = START) -> str:
    """Return a consensus as letters from ``start`` on; ! where there is no majority."""
    back = {"W": "W", "N1": "1", "N2": "2", "N3": "3", "R": "R", UNSCORED: "?"}
    out = ["."] * length
    shift = (spans.start - start).total_seconds() if spans.start else 0.0
    for onset, duration, code in zip(spans.onset_s, spans.duration_s, spans.codes, strict=True):
        first = round((onset + shift) / 30)
        letter = "!" if spans.labels[code] == NO_MAJORITY else back[spans.stages[code]]
        out[first : first + round(duration / 30)] = letter * round(duration / 30)
    return "".join(out)


@pytest.mark.parametrize(
    ("scorings", "majority"),
    [
        (("W1223R", "W1223R"), "W1223R"),
        (("W1223R", "W2223R"), "W!223R"),
        (("W1223R", "W2223R", "W1233R"), "W1223R"),
        (("W123", "1231", "2312"), "!!!!"),
        # two of four are no majority, three are
        (("WW22", "WW22", "1122", "1113"), "!!22"),
        # unscored and a gap are votes like any other; a gap that wins is a gap
        (("W?2", "W?2", "W12"), "W?2"),
        (("W.2", "W.2", "W12"), "W.2"),
        (("W?2", "W.2", "W12"), "W!2"),
    ],
)
def test_the_stage_of_more_than_half(scorings: tuple[str, ...], majority: str) -> None:
    # worked out by hand
    found = build_consensus([scoring(s, f"{i}.edf") for i, s in enumerate(scorings)])
    assert letters_of(found, len(majority)) == majority


@settings(max_examples=150, deadline=None)
@given(
    st.integers(2, 5).flatmap(lambda n: st.lists(st.text("W123R?.", min_size=n, max_size=n), min_size=1, max_size=40))
)
def test_the_consensus_is_a_count_of_votes(epochs: list[str]) -> None:
    # every scorer opens with a stage, so that all grids begin alike
    scorings = ["W" + "".join(votes) for votes in zip(*epochs, strict=True)]
    found = build_consensus([scoring(s, f"{i}.edf") for i, s in enumerate(scorings)])
    expected = ""
    for votes in zip(*scorings, strict=True):
        (letter, count), *_ = Counter(votes).most_common()
        expected += letter if 2 * count > len(votes) else "!"
    assert letters_of(found, len(expected)) == expected


def test_scorers_with_clocks_of_their_own() -> None:
    late = scoring("1223R", "late.edf", start=START + timedelta(seconds=30))
    early = scoring("W1223", "early.edf")
    found = build_consensus([early, late])
    assert letters_of(found, 6) == "!1223!"  # the ends are seen by one of two
    assert found.start == START


def test_the_consensus_tells_who_made_it_and_keeps_the_first_marks() -> None:
    first = scoring("W1223R").with_changes(lights_off_s=30.0, lights_on_s=150.0)
    found = build_consensus([first, scoring("W1223R", "second.edf")])
    assert (found.lights_off_s, found.lights_on_s) == (30.0, 150.0)
    assert found.origin.reader == CONSENSUS
    assert found.notes == ("reference: consensus (more than half) of 2 scorers: lab.edf, second.edf",)
    with pytest.raises(ValueError, match="at least two"):
        build_consensus([first])


def test_no_majority_is_a_status_of_its_own() -> None:
    scorings = [scoring("W1222R?RW", "a.edf"), scoring("W2222W?RW", "b.edf")]
    paired = align(reference=build_consensus(scorings), device=device("wllllrrrw"))
    excluded = dict(paired.ledger.excluded)
    assert excluded["reference_no_majority"] == 2
    assert excluded["reference_unscored"] == 1
    assert paired.ledger.scored == 6
    assert sum(excluded.values()) + paired.ledger.scored == paired.ledger.window_epochs == 9


def test_agreement_of_scorers_is_that_of_scikit_learn() -> None:
    rng = np.random.default_rng(5)
    first = rng.choice(list("W123R"), 200)
    second = np.where(rng.random(200) < 0.2, rng.choice(list("W123R"), 200), first)
    third = np.where(rng.random(200) < 0.3, rng.choice(list("W123R"), 200), first)
    scorings = [
        scoring("".join(s), n) for s, n in zip((first, second, third), ("a.edf", "b.edf", "c.edf"), strict=True)
    ]
    fold = dict(zip("W123R", "wlldr", strict=True))
    said = "".join(fold[c] for c in np.where(rng.random(200) < 0.25, rng.choice(list("W123R"), 200), first))
    paired = align(reference=build_consensus(scorings), device=device(said))
    pairs = compare_scorers(scorings, paired, device_spans=device(said), clock_offset_s=0.0)
    found = {(p.first, p.second, p.mapping): p for p in pairs}
    square = "wake-light-deep-rem"
    letters = {"a.edf": first, "b.edf": second, "c.edf": third}
    assert len(found) == len(pairs) == 3 * 2 + 3 + 1
    for one, other in (("a.edf", "b.edf"), ("a.edf", "c.edf"), ("b.edf", "c.edf")):
        five, four = found[one, other, "w-n1-n2-n3-r"], found[one, other, square]
        assert five.kappa == pytest.approx(cohen_kappa_score(letters[one], letters[other]), abs=1e-12)
        assert five.accuracy == pytest.approx(accuracy_score(letters[one], letters[other]), abs=1e-12)
        folded = [[fold[c] for c in letters[name]] for name in (one, other)]
        assert four.kappa == pytest.approx(cohen_kappa_score(*folded), abs=1e-12)
        assert five.n == four.n == 200
    for name, scored in letters.items():
        expected = cohen_kappa_score([fold[c] for c in scored], list(said))
        assert found[name, DEVICE, square].kappa == pytest.approx(expected, abs=1e-12)
    agreed = letters_of(build_consensus(scorings), 200)
    kept = [i for i, c in enumerate(agreed) if c != "!"]
    consensus = found[CONSENSUS, DEVICE, square]
    assert consensus.n == len(kept)
    expected = cohen_kappa_score([fold[agreed[i]] for i in kept], [said[i] for i in kept])
    assert consensus.kappa == pytest.approx(expected, abs=1e-12)


def test_a_device_without_rem_has_a_square_mapping_to_be_compared_under() -> None:
    scorings = [scoring("WW1122R3R2" * 3, "a.edf"), scoring("WW1222R3R2" * 3, "b.edf")]
    band = device("wwlllldddl" * 3, reports=("W", "light", "N3"))
    paired = align(reference=build_consensus(scorings), device=band)
    pairs = compare_scorers(scorings, paired, device_spans=band, clock_offset_s=0.0)
    mappings = {p.mapping for p in pairs}
    assert "w-n1-n2-n3-r" in mappings
    assert len(mappings) == 2
    assert {(p.first, p.second) for p in pairs} == {
        ("a.edf", "b.edf"), ("a.edf", DEVICE), ("b.edf", DEVICE), (CONSENSUS, DEVICE),
    }  # fmt: skip


def test_the_offset_of_the_device_holds_for_every_scorer() -> None:
    scorings = [scoring("WW112233RRWW", "a.edf"), scoring("WW112233RRWW", "b.edf")]
    # the device is an epoch late, which 30 s less put right
    band = device(".wwllllddrrww")
    paired = align(reference=build_consensus(scorings), device=band, clock_offset_s=-30.0)
    pairs = compare_scorers(scorings, paired, device_spans=band, clock_offset_s=-30.0)
    kappas = {(p.first, p.second): p.kappa for p in pairs}
    assert kappas["a.edf", DEVICE] == kappas["b.edf", DEVICE] == kappas[CONSENSUS, DEVICE] == 1.0


def night_with_scorers(number: int, scorers: tuple[str, ...], said: str) -> NightSummary:
    scorings = [scoring(s, f"{i}.edf") for i, s in enumerate(scorers)]
    paired = align(reference=build_consensus(scorings), device=device(said))
    pairs = compare_scorers(scorings, paired, device_spans=device(said), clock_offset_s=0.0)
    return summarise_night(paired, row=number, participant=f"p{number}", night="1", device="pad B", scorers=pairs)


def test_a_study_tells_the_device_s_agreement_as_a_share_of_the_scorers() -> None:
    nights = [
        night_with_scorers(2, ("WW1122R3R2" * 4, "WW1222R3W2" * 4), "wwlllrrdrl" * 4),
        night_with_scorers(3, ("W21122R3R2" * 4, "WW1232R3W2" * 4), "wwllldrdrl" * 4),
    ]
    study = summarise_study(nights, StudyOptions(resamples=50))
    (summary,) = study.scorers
    pairs = [p for n in nights for p in n.scorers if p.mapping == summary.mapping]
    between = np.mean([p.kappa for p in pairs if p.second != DEVICE])
    each = np.mean([p.kappa for p in pairs if p.second == DEVICE and p.first != CONSENSUS])
    # means over nights and pairs, in numpy
    assert summary.between_scorers == pytest.approx(between)
    assert summary.with_scorers == pytest.approx(each)
    assert summary.share == pytest.approx(each / between)
    assert summary.nights == 2
    document = study_document(study)["scorers"]
    assert document["summary"][0]["share_of_scorer_agreement"] == pytest.approx(each / between)
    assert len(document["pairs"]) == sum(len(n.scorers) for n in nights)


def test_a_consensus_is_told_in_methods_and_in_a_caution_with_both_kappas() -> None:
    nights = [
        night_with_scorers(2, ("WW1122R3R2" * 4, "WW1222R3W2" * 4), "wwlllrrdrl" * 4),
        night_with_scorers(3, ("W21122R3R2" * 4, "WW1232R3W2" * 4), "wwllldrdrl" * 4),
    ]
    study = summarise_study(nights, StudyOptions(resamples=20))
    (summary,) = study.scorers
    # letters in which the two scorers differ, counted by hand: 2 of 10 on the first night, 4 of 10 on the second
    undecided = 4 * (2 + 4)
    (caution,) = [text for text in study.cautions if "several scorers" in text]
    assert f"and {undecided} epochs without such a majority are left out" in caution
    kappas = f"{summary.with_consensus:.3f} with the consensus and {summary.with_scorers:.3f} with single scorers"
    assert f"kappa is {kappas}" in caution
    methods = methods_of_study(study).text
    assert "On 2 nights several people scored the recording" in methods
    assert f"{undecided} epochs without such a majority were left out, which raises agreement" in methods


def test_a_study_with_one_scorer_a_night_speaks_of_no_consensus() -> None:
    paired = align(reference=scoring("WW1122R3R2" * 4), device=device("wwlllrrdrl" * 4))
    study = summarise_study(
        [summarise_night(paired, row=2, participant="p", night="1", device="pad B")], StudyOptions(resamples=20)
    )
    assert "several" not in " ".join([*study.cautions, methods_of_study(study).text])


def test_scorers_of_different_nights_share_no_time() -> None:
    other = scoring("WW11", "b.edf", start=START + timedelta(days=2))
    scorings = [scoring("WW11", "a.edf"), other]
    paired = align(reference=scorings[0], device=device("wwll"))
    with pytest.raises(PairingError, match="share no time"):
        compare_scorers(scorings, paired, device_spans=device("wwll"), clock_offset_s=0.0)
