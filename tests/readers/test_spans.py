"""Rows become spans: order, duplicates, overlaps and epoch lengths, against counting second by second."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.errors import EpochGridError, FileFormatError, UnknownStageError
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.readers.layout import Ends, Layout, Overlaps
from sleepagree.readers.rows import (
    LabelledRows,
    Places,
    SourceFacts,
    lights_mark,
    make_spans,
    number_labels,
    stages_of_labels,
)
from sleepagree.readers.table.lengths import (
    EpochStep,
    coarse_grid_caution,
    common_step_us,
    duration_ratio,
    find_epoch_step,
    settle_inclusive_ends,
)
from sleepagree.readers.times.clock import SECOND_US, Clock, FileClock
from tests.said import said

LABELS = ("wake", "light", "deep")
STAGES = ("W", "light", "N3")
ELAPSED = FileClock(Clock.ELAPSED)

Row = tuple[int, int, int]


def rows(
    *spans: Row, labels: tuple[str, ...] = LABELS, stages: tuple[str, ...] = STAGES, clock: FileClock = ELAPSED
) -> LabelledRows:
    onset, end, code = (np.array(column, np.int64) for column in zip(*spans, strict=True))
    places = Places([f"entry[{i}]" for i in range(len(spans))], "{}", "{}")
    return LabelledRows(
        onset * SECOND_US,
        end * SECOND_US,
        code.astype(np.intp),
        np.arange(len(spans)),
        labels,
        stages,
        places,
        clock,
        "night.json",
    )


def spans_of(*spans: Row, overlaps: Overlaps = Overlaps.REFUSE, **facts: object) -> ScoredSpans:
    return make_spans(
        rows(*spans),
        origin=Origin("night.json", "test"),
        facts=SourceFacts(**facts),  # type: ignore[arg-type]
        layout=Layout(overlaps=overlaps),
    )


def triples(spans: ScoredSpans) -> list[Row]:
    return [(int(o), int(o + d), int(c)) for o, d, c in zip(spans.onset_s, spans.duration_s, spans.codes, strict=True)]


def test_rows_in_good_order_pass_unchanged() -> None:
    spans = spans_of((0, 30, 0), (30, 60, 1), (90, 120, 2))
    assert triples(spans) == [(0, 30, 0), (30, 60, 1), (90, 120, 2)]
    assert said(spans.notes) == ()


def test_facts_are_carried_and_marks_count_from_the_start() -> None:
    clock = FileClock(Clock.LOCAL)
    first = 1_772_404_200
    spans = make_spans(
        rows((first, first + 30, 0), clock=clock),
        origin=Origin("a"),
        facts=SourceFacts(30.0, EpochLengthFrom.FILE, (first - 60) * SECOND_US, (first + 90) * SECOND_US, {"snore": 2}),
        layout=Layout(reports=("wake",)),
    )
    assert spans.start == dt.datetime(2026, 3, 1, 22, 30)
    assert (spans.wall_clock, spans.lights_off_s, spans.lights_on_s) == (True, -60.0, 90.0)
    assert (spans.reports, spans.epoch_s, spans.ignored) == (("wake",), 30.0, (("snore", 2),))


def test_rows_of_labels_that_are_no_stage_are_dropped_and_their_labels_with_them() -> None:
    spans = make_spans(
        rows((0, 30, 0), (10, 10, 1), (30, 60, 2), stages=("W", "not-a-stage", "N3")),
        origin=Origin(),
        facts=SourceFacts(),
    )
    assert (spans.labels, spans.codes.tolist()) == (("wake", "deep"), [0, 1])
    assert spans.ignored == (("light", 1),)


def test_only_rows_that_are_no_stage() -> None:
    with pytest.raises(FileFormatError) as caught:
        make_spans(rows((0, 30, 0), stages=("not-a-stage",) * 3), origin=Origin(), facts=SourceFacts())
    assert str(caught.value) == (
        "night.json: no row holds a stage. Found 'wake' (1); expected rows with sleep stages. Check that this is the "
        "scoring, and that its labels are not all mapped to not-a-stage."
    )


# --- overlaps --------------------------------------------------------------------------------------------

tables = st.lists(
    st.tuples(st.integers(0, 20), st.integers(1, 8), st.integers(0, 2)).map(lambda t: (t[0], t[0] + t[1], t[2])),
    min_size=1,
    max_size=10,
)


def paint(order: list[Row]) -> dict[int, int]:
    """Label of every second once the rows are painted one after the other: the plain meaning of the rules."""
    seconds: dict[int, int] = {}
    for onset, end, code in order:
        seconds.update(dict.fromkeys(range(onset, end), code))
    return seconds


def seconds_of(spans: ScoredSpans) -> dict[int, int]:
    return paint(triples(spans))


@given(tables)
@settings(deadline=None)
def test_later_rows_win_as_if_painted_in_file_order(table: list[Row]) -> None:
    assert seconds_of(spans_of(*table, overlaps=Overlaps.LATER_WINS)) == paint(table)


@given(tables)
@settings(deadline=None)
def test_shorter_rows_win_as_if_painted_from_long_to_short(table: list[Row]) -> None:
    distinct = list(dict.fromkeys(table))
    tie = any(
        a[1] - a[0] == b[1] - b[0] and a[2] != b[2] and a[0] < b[1] and b[0] < a[1]
        for i, a in enumerate(distinct)
        for b in distinct[:i]
    )
    if tie:
        with pytest.raises(EpochGridError, match="two rows of one length with different labels overlap"):
            spans_of(*table, overlaps=Overlaps.SHORTER_WINS)
    else:
        order = sorted(distinct, key=lambda row: row[0] - row[1])
        assert seconds_of(spans_of(*table, overlaps=Overlaps.SHORTER_WINS)) == paint(order)


@given(tables)
@settings(deadline=None)
def test_without_a_rule_rows_are_taken_whole_or_refused(table: list[Row]) -> None:
    agree = all(a[2] == b[2] or a[1] <= b[0] or b[1] <= a[0] for i, a in enumerate(table) for b in table[:i])
    if agree:
        assert seconds_of(spans_of(*table)) == paint(table)
    else:
        with pytest.raises(EpochGridError, match=r"overlap|different labels"):
            spans_of(*table)


def test_rows_of_one_length_have_no_shorter_one() -> None:
    with pytest.raises(EpochGridError) as caught:
        spans_of((0, 30, 0), (20, 50, 1), overlaps=Overlaps.SHORTER_WINS)
    assert str(caught.value) == (
        "night.json: entry[0] and entry[1]: two rows of one length with different labels overlap, so neither is the "
        "shorter. Found 'wake' 0 s to 30 s, 'light' 20 s to 50 s; expected a shorter row where rows overlap. Correct "
        'the rows, or let the row that stands later win: [file] overlaps = "later-wins" in a layout.'
    )


def test_painting_many_rows_over_each_other_takes_no_longer_than_sorting_them() -> None:
    n = 20_000
    nested = [(i, 2 * n + 1 - i, i % 3) for i in range(n)]
    spans = spans_of(*nested, overlaps=Overlaps.SHORTER_WINS)
    assert spans.onset_s.size == 2 * n - 1
    assert spans.end_s == 2 * n + 1


@pytest.mark.parametrize(("overlap_us", "told"), [(900, False), (400_000, True)])
def test_overlaps_within_rounding_are_cut(overlap_us: int, told: bool) -> None:
    table = rows((0, 30, 0), (30, 60, 1))
    table.end_us[0] += overlap_us
    spans = make_spans(table, origin=Origin(), facts=SourceFacts())
    assert triples(spans) == [(0, 30, 0), (30, 60, 1)]
    assert bool(said(spans.notes)) == told


def test_rows_that_share_a_beginning_only_do_not_repeat_each_other() -> None:
    assert said(spans_of((0, 30, 0), (0, 60, 0)).notes) == (
        "1 row merged with an overlapping row of the same label (30 s told twice)",
    )
    assert said(spans_of((0, 60, 0), (0, 60, 0)).notes) == ("1 row that repeats another exactly dropped (entry[1])",)


def test_overlaps_beyond_rounding_are_not() -> None:
    table = rows((0, 30, 0), (30, 60, 1))
    table.end_us[0] += 600_000
    with pytest.raises(EpochGridError, match="two rows with different labels overlap"):
        make_spans(table, origin=Origin(), facts=SourceFacts())


def test_a_local_clock_that_goes_back_an_hour_is_not_taken_for_repeated_rows() -> None:
    local = FileClock(Clock.LOCAL)
    hour = [(i * 600, i * 600 + 600, 0) for i in range(6)]
    with pytest.raises(EpochGridError, match="the clock goes back by an hour"):
        make_spans(rows(*hour, *hour, clock=local), origin=Origin(), facts=SourceFacts())
    # elapsed time knows no such thing: rows exported twice
    assert len(triples(spans_of(*hour, *hour))) == 6


# --- labels ----------------------------------------------------------------------------------------------


def test_labels_are_numbered_in_order_and_without_space_around_them() -> None:
    labels, codes = number_labels(["wake", " wake ", "light", "wake", "Wake"])
    assert (labels, codes.tolist()) == (("wake", "light", "Wake"), [0, 0, 1, 0, 2])


@pytest.mark.parametrize(
    ("label", "mark"),
    [("Lights off", "off"), ("lights_OFF", "off"), ("lights-out", "off"), (" Lights  on", "on"), ("light", "")],
)
def test_lights_marks(label: str, mark: str) -> None:
    assert lights_mark(label) == mark


def test_an_unknown_label_is_told_with_the_first_rows_and_their_number() -> None:
    codes = np.array([0, 1, 0, 0, 0, 0], np.intp)
    with pytest.raises(UnknownStageError) as caught:
        stages_of_labels(("dozing", "wake"), codes, Places(range(2, 8)), table={}, path="night.csv")
    assert caught.value.where == "lines 2, 4, 5 and 2 more"


# --- epoch lengths ---------------------------------------------------------------------------------------


def step_of(
    seconds: list[float], declared: float | None = None, *, shape: bool = False, same: bool = True
) -> EpochStep:
    onset = np.rint(np.array(seconds) * SECOND_US).astype(np.int64)
    return find_epoch_step(
        onset,
        declared_s=declared,
        shape_declared=shape,
        changes=np.zeros(onset.size - 1, bool) if same else np.ones(onset.size - 1, bool),
        told=lambda row: (f"line {row + 2}", ELAPSED.show(int(onset[row]))),
        path="night.csv",
    )


def test_the_commonest_step_is_the_epoch() -> None:
    assert step_of([0, 30, 60, 120, 150]).step_us == 30 * SECOND_US
    assert step_of([150, 60, 30, 0, 30, 120]).step_us == 30 * SECOND_US
    assert step_of([0, 29.97, 59.94, 89.91]).step_us == 29_970_000


@pytest.mark.parametrize(
    ("seconds", "declared", "problem"),
    [
        ([0, 30, 60, 100], None, "the step between rows varies"),
        ([0, 30, 60, 75], None, "the step between rows varies"),
        ([0, 60, 120, 180], 30.0, "the rows do not have the declared step"),
        ([0, 20, 40, 60], 30.0, "the rows do not have the declared step"),
        ([0, 0.5, 1.0], None, "the step between rows is no length of an epoch"),
        ([0, 7200, 14400], None, "the step between rows is no length of an epoch"),
        ([0], None, "one row alone does not tell how long an epoch is"),
        ([5, 5], None, "one row alone does not tell how long an epoch is"),
    ],
)
def test_steps_that_are_none(seconds: list[float], declared: float | None, problem: str) -> None:
    with pytest.raises(EpochGridError) as caught:
        step_of(seconds, declared)
    assert caught.value.problem == problem


def test_rows_that_tell_changes_only_are_not_taken_for_epochs() -> None:
    changes = [0, 60, 120, 300, 360, 900, 960]
    with pytest.raises(EpochGridError, match="the step between rows varies"):
        step_of(changes, same=False)
    assert step_of(changes, same=False, shape=True).step_us == 60 * SECOND_US
    assert said(step_of(changes, same=True).notes) == ("10 epochs without a row, in 2 gaps",)


def test_a_declared_length_holds_where_rows_are_few() -> None:
    assert step_of([0], 30.0) == EpochStep(30 * SECOND_US, EpochLengthFrom.LAYOUT)
    assert said(step_of([0, 90], 30.0).notes) == ("2 epochs without a row, in 1 gap",)
    assert step_of([0, 90, 150, 270, 300], 30.0).step_us == 30 * SECOND_US


@pytest.mark.parametrize(
    ("epoch_s", "words"), [(30.0, ()), (60.0, ("60 s",)), (120.0, ("2 min",)), (600.0, ("10 min",))]
)
def test_coarse_steps_are_told(epoch_s: float, words: tuple[str, ...]) -> None:
    assert [caution.split("steps of ")[1].split(":")[0] for caution in said(coarse_grid_caution(epoch_s))] == list(
        words
    )


@given(st.integers(1, 900), st.lists(st.integers(1, 50), min_size=1, max_size=20))
def test_the_common_step_divides_every_time(step: int, lengths: list[int]) -> None:
    edges = np.concatenate(([0], np.cumsum(lengths))) * step
    found = common_step_us(edges[:-1] + 7, edges[1:] + 7)
    assert found == np.gcd.reduce(lengths) * step


def test_durations_tell_their_unit_by_the_steps_between_rows() -> None:
    onset = np.array([0, 300, 900, 960]) * SECOND_US
    assert duration_ratio(onset, np.array([5.0, 10.0, 1.0, 9.0])) == 60.0
    assert duration_ratio(onset[::-1], np.array([9.0, 1.0, 10.0, 5.0])) == 60.0
    assert duration_ratio(onset[:3], np.array([5.0, 10.0, 1.0])) is None


@pytest.mark.parametrize(("unit", "short"), [(1, 1), (60, 60)])
def test_ends_one_unit_short_everywhere_are_asked_about(unit: int, short: int) -> None:
    edges = np.array([0, 5, 9, 20, 31, 40]) * 60 * SECOND_US
    onset, end = edges[:-1], edges[1:] - short * SECOND_US
    with pytest.raises(EpochGridError, match="4 of 4 rows with this gap"):
        settle_inclusive_ends(onset, end, ends=None, path="night.csv", listing="line 2")
    with pytest.raises(EpochGridError, match="4 of 4 rows with this gap"):  # the newest row first
        settle_inclusive_ends(onset[::-1], end[::-1], ends=None, path="night.csv", listing="line 2")
    closed, notes = settle_inclusive_ends(onset, end, ends=Ends.INCLUSIVE, path="", listing="")
    assert closed.tolist() == edges[1:].tolist()
    assert said(notes) == (f"ends are inclusive: {'1 min' if unit == 60 else '1 s'} added to each",)
    assert settle_inclusive_ends(onset, end, ends=Ends.EXCLUSIVE, path="", listing="")[0] is end


def test_gaps_of_their_own_length_are_gaps() -> None:
    edges = np.array([0, 5, 9, 20, 31, 40]) * 60 * SECOND_US
    end = edges[1:] - np.array([0, 1, 0, 60, 1]) * SECOND_US
    assert settle_inclusive_ends(edges[:-1], end, ends=None, path="", listing="")[0] is end
