"""Several human scorers: the consensus against a count by hand, agreement among them against scikit-learn."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import accuracy_score, cohen_kappa_score

from sleepagree.caution import CautionKind
from sleepagree.describe.study_paragraphs import methods_of_study
from sleepagree.errors import ClockError, InputError, PairingError, SleepAgreeError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.ledger import NO_MAJORITY
from sleepagree.hypnogram.spans import Origin, ScoredSpans
from sleepagree.hypnogram.window import WindowRule, parse_window
from sleepagree.hypnogram.zones import with_zone
from sleepagree.mapping.mapping import StageMapping, mapping_named
from sleepagree.mapping.words import UNSCORED
from sleepagree.night.cautions import swapped_caution
from sleepagree.night.compare import NightAgreement, compare
from sleepagree.night.measures import measure_sides
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.night_json import night_document
from sleepagree.render.study_json import study_document
from sleepagree.study.cautions import study_cautions
from sleepagree.study.night_summary import NightSummary, summarise_night
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.run import ScoringOptions, score_rows
from sleepagree.study.scorers import (
    CONSENSUS,
    DEVICE,
    build_consensus,
    compare_scorers,
    count_staged_outside,
    count_undecided,
    refuse_label_lines,
)
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import read_nights_table
from tests.said import said
from tests.told import study_lines

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


def test_the_consensus_tells_who_made_it_and_whose_marks_hold() -> None:
    first = scoring("W1223R").with_changes(lights_off_s=30.0, lights_on_s=150.0)
    second = scoring("W1223R", "second.edf")
    for scorings in ([first, second], [second, first]):
        found = build_consensus(scorings)
        assert (found.lights_off_s, found.lights_on_s) == (30.0, 150.0)
        assert found.origin.reader == CONSENSUS
        names = ", ".join(s.origin.name for s in scorings)
        assert said(found.notes) == (
            f"reference: consensus (more than half) of 2 scorers: {names}",
            "'Lights off' is that of lab.edf; none in second.edf",
            "'Lights on' is that of lab.edf; none in second.edf",
        )
        assert align(reference=found, device=device("wwllrr")).rule is WindowRule.LIGHTS
    assert len(said(build_consensus([second, scoring("W1223R")]).notes)) == 1
    with pytest.raises(ValueError, match="at least two"):
        build_consensus([first])


# --- one window and one grid, whatever the order --------------------------------------------------------------


def figures_of(night: NightAgreement) -> dict[str, object]:
    """Return everything that a night says in figures, and no name of a file."""
    document = night_document(night)
    ledger = {key: value for key, value in document["ledger"].items() if key != "notes"}
    keys = ("window", "mappings", "measures", "redistribution", "bias_sources", "disagreement", "clock", "cautions")
    return {**{key: document.get(key) for key in keys}, "ledger": ledger}


def marked(spans: ScoredSpans, off_s: float | None, on_s: float | None) -> ScoredSpans:
    return spans.with_changes(lights_off_s=off_s, lights_on_s=on_s)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text("W123R?.", min_size=30, max_size=40),  # what is said of an epoch that all see otherwise
            st.integers(0, 3),  # epochs that the scorer's clock begins late
            st.sampled_from([0, 0, 0, 7, 15]),  # seconds by which the scorer's epochs lie off the others'
            st.sampled_from([None, 60.0, 75.0]),
            st.sampled_from([None, 900.0, 915.0]),
        ),
        min_size=2,
        max_size=4,
    ),
    st.sampled_from([None, "lights", "reference", "overlap"]),
)
def test_no_figure_of_a_night_depends_on_the_order_of_scorers(
    drawn: list[tuple[str, int, int, float | None, float | None]], asked: str | None
) -> None:
    truth = "?WW1122223333222RRRR22W1222RRRWW22?"
    scorings = []
    for i, (words, late, off_grid_s, off_s, on_s) in enumerate(drawn):
        letters = "".join(t if k % 4 else s for k, (t, s) in enumerate(zip(truth, words, strict=False)))
        late_s = 30 * late + off_grid_s
        spans = scoring(letters[late:], f"{i}.edf", start=START + timedelta(seconds=late_s))
        # marks by the clock of all, but for the 15 s between some of them
        scorings.append(marked(spans, *(None if s is None else s - late_s for s in (off_s, on_s))))
    window = None if asked is None else parse_window(asked)
    band = device("wwwllllldddlllrrrrrllwlllllrrwwwww")

    def score(order: tuple[ScoredSpans, ...]) -> tuple[object, object]:
        try:
            paired = align(reference=build_consensus(order, window=window), device=band, window=window)
        except SleepAgreeError as error:
            return type(error), error.problem
        pairs = {
            (*sorted((p.first, p.second)), p.mapping): (p.n, p.accuracy, p.kappa)
            for p in compare_scorers(order, paired)[0]
        }
        return figures_of(compare(paired)), sorted(pairs.items())

    found = [score(order) for order in permutations(scorings)]
    assert all(repr(other) == repr(found[0]) for other in found[1:])


def test_the_grid_counts_from_the_earliest_stage_of_any_scorer() -> None:
    early = scoring("WW1222RRW", "early.edf")
    late = scoring("?W1222RRW", "late.edf", start=START + timedelta(seconds=10))
    for order in ([early, late], [late, early]):
        paired = align(reference=build_consensus(order), device=device("wwlllrrw"))
        # worked out by hand: the second epoch is the first to which both give a stage, on the grid of the earlier one
        assert paired.begin == START + timedelta(seconds=30)
        assert paired.ledger.window_epochs == 8
        assert dict(paired.ledger.reference_labels)["N2"] == 3


def test_the_window_runs_over_what_most_scorers_gave_a_stage_agreed_or_not() -> None:
    # the second scorer goes on for two epochs, which one of two scored; on the first epoch both said something
    one, other = scoring("W122R1RW", "a.edf"), scoring("1122R2RWWW", "b.edf")
    for order in ((one, other), (other, one)):
        paired = align(reference=build_consensus(order), device=device("wlllrlrwww"))
        assert paired.begin == START
        assert (paired.ledger.window_epochs, paired.ledger.scored) == (8, 6)
        assert dict(paired.ledger.excluded)["reference_no_majority"] == 2
        assert paired.ledger.outside_reference == paired.ledger.outside_device == 2
        (between, *_) = compare_scorers(order, paired)[0]
        assert (between.n, between.accuracy) == (8, 6 / 8)


def test_wake_that_scorers_see_otherwise_stays_time_in_bed() -> None:
    # one says wake and the other N1 for ten minutes: sleep that both see begins after them, not with the window
    one, other = scoring("W" * 20 + "2" * 40, "a.edf"), scoring("1" * 20 + "2" * 40, "b.edf")
    paired = align(reference=build_consensus([one, other]), device=device("w" * 10 + "l" * 50))
    assert [m.tib_min for m in measure_sides(paired, None)] == [30.0, 30.0]
    assert [m.sol_min for m in measure_sides(paired, None)] == [10.0, 10.0]


def test_scorers_who_agree_on_nothing_leave_nothing_to_compare() -> None:
    told = r"one that more than half of the scorers give. Found 4 reference no majority; .* Compare the scorers' files"
    with pytest.raises(PairingError, match=told):
        align(reference=build_consensus([scoring("WW22"), scoring("1133", "b.edf")]), device=device("wwll"))
    # and where nobody scored what another did there is no window
    with pytest.raises(PairingError, match="the reference has no scored epoch"):
        align(reference=build_consensus([scoring("WW??"), scoring("??22", "b.edf")]), device=device("wwll"))


def test_the_device_is_compared_with_each_scorer_in_the_window_of_the_night() -> None:
    one, other = scoring("WW1222RRW", "a.edf"), scoring("..1222RRWWW", "b.edf")
    window = parse_window(
        f"{START + timedelta(seconds=60):%Y-%m-%dT%H:%M:%S}/{START + timedelta(seconds=210):%Y-%m-%dT%H:%M:%S}"
    )
    paired = align(reference=build_consensus([one, other], window=window), device=device("wwlllrrrwww"), window=window)
    assert paired.ledger.window_epochs == 5
    assert {p.n for p in compare_scorers([one, other], paired)[0]} == {5}


def test_marks_up_to_an_epoch_apart_are_one_mark_whatever_the_order() -> None:
    one, other = marked(scoring("W1223RRW", "a.edf"), 30.0, 180.0), marked(scoring("W1223RRW", "b.edf"), 60.0, 210.0)
    for order in ((one, other), (other, one)):
        found = build_consensus(order)
        assert (found.lights_off_s, found.lights_on_s) == (30.0, 210.0)
        assert len(said(found.notes)) == 1


def test_marks_more_than_an_epoch_apart_are_refused_until_a_window_says_which() -> None:
    one = marked(scoring("W1223RRW", "a.edf"), 30.0, 180.0)
    # by its own clock, which begins 10 s earlier: 31 s later
    other = marked(scoring("W1223RRW", "b.edf", start=START - timedelta(seconds=10)), 71.0, 190.0)
    told = {"a.edf": "2026-03-01 22:30:30 (a.edf)", "b.edf": "2026-03-01 22:31:01 (b.edf)"}
    for order in ((one, other), (other, one)):
        for window in (None, parse_window("lights"), parse_window("lights/2026-03-01T22:33")):
            with pytest.raises(InputError) as refusal:
                build_consensus(order, window=window)
            times = ", ".join(told[s.origin.name] for s in order)
            assert str(refusal.value) == (
                f"'Lights off' at {times}: lights marks differ by more than one epoch between the scorers of this "
                "night. Expected marks within 30 s of each other, or a window that needs none of them. Say which "
                "with window: FROM/TO, or reference."
            )
        for text in ("reference", "overlap", "2026-03-01T22:30:30/2026-03-01T22:33", "2026-03-01T22:30:30/lights"):
            window = parse_window(text)
            paired = align(reference=build_consensus(order, window=window), device=device("wlllrrrw"), window=window)
            assert paired.rule is window.rule
    # a mark that no window can be made of does no harm
    alone = [s.with_changes(lights_on_s=None) for s in (one, other)]
    assert align(reference=build_consensus(alone), device=device("wlllrrrw")).rule is WindowRule.REFERENCE


def test_a_scorer_without_a_stage_is_refused_by_name() -> None:
    with pytest.raises(PairingError, match=r"^b\.edf: this scorer gave no epoch a stage\. Found '\?'"):
        build_consensus([scoring("W122"), scoring("????", "b.edf")])


def test_no_majority_is_a_status_of_its_own() -> None:
    scorings = [scoring("W1222R?RW", "a.edf"), scoring("W2222W?RW", "b.edf")]
    paired = align(reference=build_consensus(scorings), device=device("wllllrrrw"))
    excluded = dict(paired.ledger.excluded)
    assert excluded["reference_no_majority"] == 2
    assert excluded["reference_unscored"] == 1
    assert paired.ledger.scored == 6
    assert sum(excluded.values()) + paired.ledger.scored == paired.ledger.window_epochs == 9


def in_words(words: list[str], name: str) -> ScoredSpans:
    """One word an epoch; ? is unscored."""
    spans = read_hypnogram(words, start=START, stages={"?": UNSCORED})
    return spans.with_changes(origin=Origin(name, "test", name))


COARSER = {
    "light": {"W": "wake", "1": "light", "2": "light", "3": "deep", "R": "rem"},
    "nrem": {"W": "wake", "1": "nrem", "2": "nrem", "3": "nrem", "R": "rem"},
    "sleep": {"W": "wake", "1": "sleep", "2": "sleep", "3": "sleep", "R": "sleep"},
}


@pytest.mark.parametrize(
    ("coarse", "told"), [("light", ("W", "light", "N3", "R")), ("nrem", ("W", "nrem", "R")), ("sleep", ("W", "sleep"))]
)
def test_votes_are_counted_in_what_all_scorers_tell(coarse: str, told: tuple[str, ...]) -> None:
    letters = "WW1122R3R2" * 20  # invented
    fine, other = scoring(letters, "a.edf"), in_words([COARSER[coarse][c] for c in letters], "b.edf")
    for scorings in ([fine, other], [other, fine], [fine, fine, other]):
        consensus = build_consensus(scorings)
        paired = align(reference=consensus, device=device("wwlllrrdrl" * 20))
        # one night seen alike: every epoch has a majority, and none falls between the words
        assert (paired.ledger.scored, dict(paired.ledger.excluded)["reference_no_majority"]) == (200, 0)
        kept = {stage for stage, n in zip(paired.reference_set.stages, paired.native.sum(axis=1), strict=True) if n}
        assert (kept, consensus.reports) == (set(told), told)
        (between, *_), _ = compare_scorers(scorings, paired)
        assert (between.n, between.kappa) == (200, 1.0)
    assert "votes were counted in what all of them tell: wake" in said(consensus.notes)[0]
    assert build_consensus([fine, fine]).reports is None
    assert "counted in" not in said(build_consensus([other, other]).notes)[0]


def test_a_vague_word_beside_its_parts_makes_no_scorer_coarser() -> None:
    words = ["W", "N1", "N2", "N3", "R", "sleep"]
    vague, fine = in_words(words, "a.edf"), scoring("W123R2", "b.edf")
    consensus = build_consensus([vague, fine])
    # worked out by hand: "sleep" agrees with no stage, and the others stay as fine as they are
    assert letters_of(consensus, 6) == "W123R!"
    # beside one who tells wake and sleep alone, it is what all of them tell
    both = build_consensus([vague, in_words(["wake", *["sleep"] * 5], "b.edf")])
    assert [both.stages[code] for code in both.codes] == ["W", "sleep"]


def test_epochs_without_a_majority_are_counted_by_why() -> None:
    scorings = [scoring("W12223?2RW", "a.edf"), scoring("W21232R.RW", "b.edf")]
    paired = align(reference=build_consensus(scorings), device=device("wllllllllw"))
    # worked out by hand: no stage of one scorer at 6 and 7, N1 or N2 at 1 and 2, N2 or N3 at 4 and 5
    assert dict(paired.ledger.excluded)["reference_no_majority"] == 6
    assert count_undecided(scorings, paired) == (2, 2)


def test_the_mapping_asked_for_is_that_of_the_scorers() -> None:
    scorings = [scoring("WW1122R3R2" * 4, "a.edf"), scoring("WW1222R3W2" * 4, "b.edf")]
    paired = align(reference=build_consensus(scorings), device=device("wwlllrrdrl" * 4))
    pairs, tables = compare_scorers(scorings, paired, [mapping_named("wake-sleep")])
    assert {p.mapping for p in pairs if p.second == DEVICE} == {"wake-sleep"}
    assert [t.mapping for t in tables] == ["w-n1-n2-n3-r", "wake-sleep"]
    # one without a kappa leaves the device's own
    pairs, _ = compare_scorers(scorings, paired, [mapping_named("rem-apart")])
    assert {p.mapping for p in pairs if p.second == DEVICE} == {"wake-light-deep-rem"}


def test_words_of_their_own_are_compared_under_the_mapping_that_explains_them_alone() -> None:
    taken = {"up": "wake", "down": "sleep"}
    mapping = StageMapping(
        "own", ("wake", "sleep"), ("wake", "sleep"), tuple(taken.items()), (("wake", "wake"), ("light", "sleep"))
    )
    letters = ("uudddduu" * 10, "uuddduuu" * 10)  # invented
    words = {"u": "up", "d": "down"}
    scorings = [
        read_hypnogram([words[c] for c in text], start=START, stages={w: w for w in taken}, own_words=frozenset(taken))
        for text in letters
    ]
    paired = align(reference=build_consensus(scorings), device=device("wwllllww" * 10))
    pairs, tables = compare_scorers(scorings, paired, [mapping])
    assert {p.mapping for p in pairs} == {"own"} == {t.mapping for t in tables}
    assert pairs[0].kappa == cohen_kappa_score(list(letters[0]), list(letters[1]))


def test_scorers_without_wake_and_sleep_in_common_are_refused() -> None:
    scorings = [scoring("WW12" * 10, "a.edf"), in_words(["wake-or-sleep"] * 40, "b.edf")]
    paired = align(reference=build_consensus(scorings), device=device("wwll" * 10))
    with pytest.raises(PairingError, match="no stages in common, not even wake and sleep"):
        compare_scorers(scorings, paired)


def test_a_line_about_a_label_reaches_no_consensus_and_is_refused() -> None:
    stages = (("W", "wake"), ("N1", "sleep"), ("N2", "sleep"), ("N3", "sleep"), ("R", "sleep"))
    device_side = (("W", "wake"), ("light", "sleep"), ("N3", "sleep"), ("R", "sleep"))
    scorings = [scoring("WW12" * 10, "a.edf"), scoring("WW12" * 10, "b.edf")]
    label = scorings[0].labels[scorings[0].stages.index("N1")]
    same, other = (
        StageMapping("own", ("wake", "sleep"), ("wake", "sleep"), (*stages, (f"{label} so", name)), device_side)
        for name in ("sleep", "wake")
    )
    renamed = [s.with_changes(labels=tuple(f"{n} so" if n == label else n for n in s.labels)) for s in scorings]
    refuse_label_lines(renamed, [same])  # which says what the stage says
    refuse_label_lines(scorings, [other])  # which has no such label
    with pytest.raises(PairingError, match="a consensus of several scorers counts votes for stages, not for labels"):
        refuse_label_lines(renamed, [other])


def test_a_device_that_tells_finer_stages_than_a_consensus_is_not_taken_for_the_reference() -> None:
    fine = scoring("WW1122R3R2" * 20, "a.edf")
    coarse = in_words(["wake" if c == "w" else "sleep" for c in "wwssssssss" * 20], "b.edf")
    for scorings, swapped in (([fine, coarse], False), ([coarse], True)):
        reference = build_consensus(scorings) if len(scorings) > 1 else coarse
        kinds = {c.kind for c in swapped_caution(align(reference=reference, device=device("wwlllrrdrl" * 20)))}
        assert (CautionKind.SWAPPED in kinds) is swapped


def test_scorings_of_one_name_in_several_folders_are_told_by_their_folders(tmp_path: Path) -> None:
    def write(name: str, letters: str) -> None:
        times = (START + timedelta(seconds=30 * i) for i in range(len(letters)))
        lines = [f"{at.isoformat()},{'REM' if c == 'R' else c}\n" for at, c in zip(times, letters, strict=True)]
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("time,stage\n" + "".join(lines).replace(",1", ",N1").replace(",2", ",N2"))

    write("lab/anna/crew-1.csv", "WW1122R2R2" * 10)
    write("lab/bert/crew-1.csv", "WW1222R2W2" * 10)
    write("pad.csv", "WW1222R2R2" * 10)
    row = "crew-1,1,pad B,lab/anna/crew-1.csv;lab/bert/crew-1.csv,pad.csv\n"
    (tmp_path / "nights.csv").write_text("participant,night,device,reference,device_file\n" + row)
    table = read_nights_table(tmp_path / "nights.csv")
    (night,) = score_rows(table.rows, tmp_path, ScoringOptions()).outcomes
    assert isinstance(night, NightSummary)
    named = {(pair.first, pair.second) for pair in night.scorers}
    assert ("anna/crew-1.csv", "bert/crew-1.csv") in named
    assert [source.name for source in night.references] == ["anna/crew-1.csv", "bert/crew-1.csv"]


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
    pairs, _ = compare_scorers(scorings, paired)
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
    pairs, _ = compare_scorers(scorings, paired)
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
    pairs, _ = compare_scorers(scorings, paired)
    kappas = {(p.first, p.second): p.kappa for p in pairs}
    assert kappas["a.edf", DEVICE] == kappas["b.edf", DEVICE] == kappas[CONSENSUS, DEVICE] == 1.0


def night_with_scorers(number: int, scorers: tuple[str, ...], said: str | ScoredSpans) -> NightSummary:
    scorings = [scoring(s, f"{i}.edf") for i, s in enumerate(scorers)]
    band = device(said) if isinstance(said, str) else said
    paired = align(reference=build_consensus(scorings), device=band)
    pairs, _ = compare_scorers(scorings, paired)
    return summarise_night(
        paired,
        row=number,
        participant=f"p{number}",
        night="1",
        device="pad B",
        scorers=pairs,
        staged_outside=count_staged_outside(scorings, paired),
        undecided=count_undecided(scorings, paired),
    )


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


def words_of(study: StudyAgreement) -> str:
    return " ".join(" ".join(study_lines(study)).split())


def five_stage_device(letters: str) -> ScoredSpans:
    return scoring(letters).with_changes(reports=("W", "N1", "N2", "N3", "R"))


def test_the_share_takes_both_kappas_from_the_same_nights() -> None:
    """A device tells five stages on some nights and four on the others, as an export does after an update."""
    alike = ("WW1122R3R2" * 4, "WW1222R3R2" * 4)
    apart = ("W21122R3R2" * 4, "WW1232R3W2" * 4)
    five = [
        night_with_scorers(2, alike, five_stage_device("WW1123R3R2" * 4)),
        night_with_scorers(3, alike, five_stage_device("W11122R3R2" * 4)),
    ]
    four = [
        night_with_scorers(4, apart, device("wwllldrdrl" * 4)),
        night_with_scorers(5, apart, device("wwlllrrdrl" * 4)),
    ]
    study = summarise_study([*five, *four], StudyOptions(resamples=50))
    found = {s.mapping: s for s in study.scorers}
    assert set(found) == {"w-n1-n2-n3-r", "wake-light-deep-rem"}
    for mapping, nights in (("w-n1-n2-n3-r", five), ("wake-light-deep-rem", four)):
        pairs = [p for n in nights for p in n.scorers if p.mapping == mapping]
        between = np.mean([p.kappa for p in pairs if p.second != DEVICE])
        each = np.mean([p.kappa for p in pairs if p.second == DEVICE and p.first != CONSENSUS])
        summary = found[mapping]
        assert (summary.nights, summary.of_nights, summary.participants) == (2, 4, 2)
        assert summary.between_scorers == pytest.approx(between)
        assert summary.share == pytest.approx(each / between)
    # scorers told five stages on all four nights; on the other two they agreed less, which is no merit of the device
    pairs = [p for n in (*five, *four) for p in n.scorers if p.mapping == "w-n1-n2-n3-r" and p.second != DEVICE]
    assert np.mean([p.kappa for p in pairs]) < found["w-n1-n2-n3-r"].between_scorers - 0.1
    assert "'w-n1-n2-n3-r', 2 of 4 nights with several scorers" in words_of(study)


def test_a_night_without_one_of_the_kappas_is_in_none_of_them() -> None:
    # on the second night the device calls everything light, as both scorers do: no kappa exists
    nights = [
        night_with_scorers(2, ("WW1122R3R2" * 4, "WW1222R3W2" * 4), "wwlllrrdrl" * 4),
        night_with_scorers(3, ("2" * 40, "2" * 40), "l" * 40),
    ]
    (summary,) = summarise_study(nights, StudyOptions(resamples=50)).scorers
    assert (summary.nights, summary.of_nights) == (1, 2)
    (alone,) = summarise_study(nights[:1], StudyOptions(resamples=50)).scorers
    assert (summary.between_scorers, summary.with_scorers) == (alone.between_scorers, alone.with_scorers)
    assert math.isnan(summary.share_intervals.primary.low)
    (none,) = summarise_study(nights[1:], StudyOptions(resamples=50)).scorers
    assert (none.nights, none.of_nights) == (0, 1)
    document = study_document(summarise_study(nights[1:], StudyOptions(resamples=50)))["scorers"]["summary"][0]
    assert document["share_of_scorer_agreement"] is None
    assert document["share_intervals"]["reason"] == "no night has a kappa between scorers and one of the device"


def test_the_share_has_an_interval_over_participants() -> None:
    rng = np.random.default_rng(11)
    nights, per_night = [], []
    for row, participant in enumerate(["p1", "p2", "p2", "p3", "p4", "p4", "p4", "p5"], 2):
        truth = rng.choice(list("W123R"), 120)
        other = np.where(rng.random(120) < 0.15, rng.choice(list("W123R"), 120), truth)
        fold = dict(zip("W123R", "wlldr", strict=True))
        said = "".join(fold[c] for c in np.where(rng.random(120) < 0.3, rng.choice(list("W123R"), 120), truth))
        night = night_with_scorers(row, ("".join(truth), "".join(other)), said)
        nights.append(replace(night, participant=participant, night=str(row)))
        pairs = [p for p in night.scorers if p.mapping == "wake-light-deep-rem"]
        between = [p.kappa for p in pairs if p.second != DEVICE]
        each = [p.kappa for p in pairs if p.second == DEVICE and p.first != CONSENSUS]
        per_night.append((participant, np.mean(between), np.mean(each)))
    (summary,) = summarise_study(nights, StudyOptions(resamples=200)).scorers
    # a ratio of means of participants' means, and its linearisation with n - 1 in the variance
    means = pd.DataFrame(per_night, columns=["who", "between", "each"]).groupby("who").mean()
    ratio = means["each"].mean() / means["between"].mean()
    pulls = (means["each"] - ratio * means["between"]) / means["between"].mean()
    reach = stats.t.ppf(0.975, 4) * pulls.std(ddof=1) / math.sqrt(5)
    primary = summary.share_intervals.primary
    assert summary.participants == 5
    assert summary.between_scorers == pytest.approx(means["between"].mean())
    assert summary.with_scorers == pytest.approx(means["each"].mean())
    assert (primary.value, primary.low, primary.high) == pytest.approx((ratio, ratio - reach, ratio + reach), rel=1e-6)
    document = study_document(summarise_study(nights, StudyOptions(resamples=200)))["scorers"]["summary"][0]
    assert document["share_intervals"]["low"] == primary.low
    assert document["share_intervals"]["method"].startswith("delta method, 5 participants")
    told = f"({100 * ratio:.0f} % of that, 95 % interval {100 * (ratio - reach):.0f} to {100 * (ratio + reach):.0f} %)"
    assert told in words_of(summarise_study(nights, StudyOptions(resamples=200)))


def test_a_consensus_is_told_in_methods_and_in_a_caution_with_both_kappas() -> None:
    nights = [
        night_with_scorers(2, ("WW1122R3R2" * 4, "WW1222R3W2" * 4), "wwlllrrdrl" * 4),
        night_with_scorers(3, ("W21122R3R2" * 4, "WW1232R3W2" * 4), "wwllldrdrl" * 4),
    ]
    study = summarise_study(nights, StudyOptions(resamples=20))
    (summary,) = study.scorers
    # letters in which the two scorers differ, counted by hand: 2 of 10 on the first night, 4 of 10 on the second
    undecided = 4 * (2 + 4)
    (caution,) = [text for text in said(study.cautions) if "several scorers" in text]
    # and of them, 1 of 10 on both nights is N1 to one and N2 to the other
    parts = "among them 8 between N1 and N2, which light sleep takes together"
    assert f"and {undecided} epochs without such a majority are left out, {parts}." in caution
    kappas = f"{summary.with_consensus:.3f} with the consensus and {summary.with_scorers:.3f} with single scorers"
    assert f"under '{summary.mapping}' (means, the same 2 nights in both)" in caution
    assert f"Agreement comes out higher than with single scorers: kappa is {kappas}" in caution
    methods = methods_of_study(study).text
    assert "On 2 nights several people scored the recording" in methods
    assert f"{undecided} epochs without such a majority were left out, which raises agreement" in methods


def test_that_a_consensus_raises_agreement_is_said_only_where_it_does() -> None:
    # two scorers agree with each other where the device agrees with the third alone
    three = ("WW1122R3R2" * 6, "WW1122R3R2" * 6, "W21132R2W2" * 6)
    study = summarise_study([night_with_scorers(2, three, "wlldlrrlwl" * 6)], StudyOptions(resamples=20))
    (summary,) = study.scorers
    assert summary.with_consensus < summary.with_scorers
    assert "raises" not in methods_of_study(study).text
    assert not [c for c in study.cautions if c.kind is CautionKind.CONSENSUS_FLATTERS]  # nothing is left out either
    apart = (three[0], three[2])
    study = summarise_study([night_with_scorers(2, apart, "wwlllrrdrl" * 6)], StudyOptions(resamples=20))
    night = study.devices[0].nights[0]
    lowered = replace(study.scorers[0], with_consensus=0.1)
    told = next(c for c in study_cautions(study.devices, (), StudyOptions(), (lowered,)) if "kappas" in dict(c.values))
    assert "higher" not in str(told)
    assert f"and {night.no_majority} epochs without" in str(told)


def test_methods_count_epochs_without_a_majority_of_each_device() -> None:
    one = night_with_scorers(2, ("WW1122R3R2" * 4, "WW1222R3W2" * 4), "wwlllrrdrl" * 4)
    other = replace(night_with_scorers(2, ("WW1122R3", "WW1222R3"), "wwlllrrd"), row=3, device="band A")
    told = methods_of_study(summarise_study([one, other], StudyOptions(resamples=20))).text
    # letters in which the two scorers differ: 2 of 10, four times, and 1 of 8
    assert "On 1 night several people scored the recording" in told
    assert "8 epochs of pad B and 1 epoch of band A without such a majority were left out" in told


def test_scorers_who_agree_by_chance_get_a_caution() -> None:
    rng = np.random.default_rng(3)
    truth = "".join(np.repeat(rng.choice(list("W123R"), 60), 5))
    near = [night_with_scorers(2, (truth, truth[60:] + truth[:60]), device_of(truth))]
    study = summarise_study(near, StudyOptions(resamples=20))
    (caution,) = [c for c in study.cautions if c.kind is CautionKind.SCORERS_APART]
    kappa = cohen_kappa_score(list(truth), list(truth[60:] + truth[:60]))
    assert f"(p2 1: kappa {kappa:.3f}".replace("-", "\N{MINUS SIGN}") in str(caution).replace("-", "\N{MINUS SIGN}")
    right = [night_with_scorers(2, (truth, truth.replace("1", "2")), device_of(truth))]
    kinds = {c.kind for c in summarise_study(right, StudyOptions(resamples=20)).cautions}
    assert CautionKind.SCORERS_APART not in kinds


def device_of(letters: str) -> str:
    return letters.translate(str.maketrans("W123R", "wlldr"))


def test_a_scorer_of_a_stretch_who_cuts_the_night_to_it_gets_a_caution() -> None:
    whole, said_whole = "WW1122R3R2" * 4, "wwlllrrdrl" * 4
    cut = night_with_scorers(2, (whole, "." * 10 + "WW1222R3W2" + "." * 20), said_whole)
    kept = night_with_scorers(3, (whole, "WW1222R3W2" * 4), said_whole)
    # a scorer who leaves one epoch of forty at each end cuts little
    little = night_with_scorers(4, (whole, "." + ("WW1222R3W2" * 4)[1:-1] + "."), said_whole)
    assert (cut.window_epochs, cut.staged_outside, kept.staged_outside, little.staged_outside) == (10, 30, 0, 2)
    study = summarise_study([cut, kept, little], StudyOptions(resamples=20))
    (caution,) = [text for text in said(study.cautions) if "single scorers staged" in text]
    assert caution.startswith(
        "pad B: on 1 of 3 nights the window leaves out much that single scorers staged (p2 1: 30 "
    )
    assert not [c for c in summarise_study([kept, little]).cautions if c.kind is CautionKind.NIGHTS_CUT_SHORT]
    assert NightSummary.from_document(cut.to_document()).staged_outside == 30


def test_a_study_with_one_scorer_a_night_speaks_of_no_consensus() -> None:
    paired = align(reference=scoring("WW1122R3R2" * 4), device=device("wwlllrrdrl" * 4))
    study = summarise_study(
        [summarise_night(paired, row=2, participant="p", night="1", device="pad B")], StudyOptions(resamples=20)
    )
    assert "several" not in " ".join([*said(study.cautions), methods_of_study(study).text])


def test_a_scorer_without_a_zone_is_told_to_give_that_of_the_reference() -> None:
    zoned = scoring("WW11", "a.edf", start=START.replace(tzinfo=UTC))
    for order in ([zoned, scoring("WW12", "b.edf")], [scoring("WW12", "b.edf"), zoned]):
        with pytest.raises(ClockError, match=r"^b\.edf: start: .* Give zone=\.\.\. \(of the reference\)"):
            build_consensus(order)


def test_scorers_of_different_nights_share_no_time() -> None:
    other = scoring("WW11", "b.edf", start=START + timedelta(days=2))
    scorings = [scoring("WW11", "a.edf"), other]
    paired = align(reference=scorings[0], device=device("wwll"))
    with pytest.raises(PairingError) as refusal:
        build_consensus(scorings)
    assert str(refusal.value) == (
        "b.edf: from 2026-03-03 22:30:00 to 2026-03-03 22:32:00: two scorings of this night share no time. Expected "
        "some of the time of a.edf, from 2026-03-01 22:30:00 to 2026-03-01 22:32:00. Give scorings of one recording; "
        "check dates and zones first."
    )
    with pytest.raises(PairingError, match="share no time"):
        compare_scorers(scorings, paired)


def test_a_window_without_a_zone_is_read_of_a_consensus_as_of_a_single_scoring():
    """Moments in UTC with the zone of Helsinki named beside them, two hours ahead in March."""
    alone = with_zone(scoring("WW22222233" * 20, start=START.replace(tzinfo=UTC)), "Europe/Helsinki")
    other = replace(alone, origin=Origin("other.edf"))
    begin = START + timedelta(hours=2, minutes=10)
    window = f"{begin.isoformat()}/{(begin + timedelta(minutes=30)).isoformat()}"
    found = [
        align(reference=reference, device=alone, window=window)
        for reference in (alone, build_consensus([alone, other]))
    ]
    assert [(night.begin, night.ledger.window_epochs) for night in found] == [
        (START.replace(tzinfo=UTC) + timedelta(minutes=10), 60)
    ] * 2
