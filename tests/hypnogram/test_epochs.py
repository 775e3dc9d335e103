"""The one rule that puts spans on epochs, worked by hand."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import EpochGridError
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import ScoredSpans


def spans(*rows: tuple[float, float, str]) -> ScoredSpans:
    labels = tuple(dict.fromkeys(label for *_, label in rows))
    return ScoredSpans(
        np.array([onset for onset, _, _ in rows]),
        np.array([duration for _, duration, _ in rows]),
        np.array([labels.index(label) for *_, label in rows]),
        labels,
        labels,
    )


def laid(source: ScoredSpans, origin_s: float = 0.0) -> list[str]:
    found = lay_on_epochs(source, origin_s=origin_s)
    return [source.labels[code] if code >= 0 else "-" for code in found.codes.tolist()]


def test_spans_on_the_grid_are_repeated() -> None:
    assert laid(spans((0, 60, "W"), (60, 30, "N2"), (120, 30, "N3"))) == ["W", "W", "N2", "-", "N3"]


def test_the_label_with_most_of_the_epoch_wins() -> None:
    assert laid(spans((0, 10, "W"), (10, 50, "N2"))) == ["N2", "N2"]


def test_a_tie_goes_to_the_earlier_label() -> None:
    assert laid(spans((0, 15, "W"), (15, 45, "N2"))) == ["W", "N2"]


def test_a_tie_of_a_label_in_two_pieces_is_decided_by_its_first_piece() -> None:
    # W covers 0-10 and 25-30 (15 s), N2 covers 10-25 (15 s): W comes first
    assert laid(spans((0, 10, "W"), (10, 15, "N2"), (25, 5, "W"))) == ["W"]


def test_under_half_of_cover_is_a_gap_and_half_is_not() -> None:
    assert laid(spans((0, 14.999, "W"))) == ["-"]
    assert laid(spans((0, 15, "W"))) == ["W"]


def test_two_labels_together_make_the_cover() -> None:
    # 20 s are covered, 11 of them N2
    assert laid(spans((0, 9, "W"), (9, 11, "N2"))) == ["N2"]


def test_twenty_second_epochs() -> None:
    # 20-s epochs W N1 N1 | 30-s epochs: W has 20 of the first, N1 all of the second
    assert laid(spans((0, 20, "W"), (20, 40, "N1"))) == ["W", "N1"]


def test_the_grid_may_start_anywhere() -> None:
    found = lay_on_epochs(spans((0, 60, "W")), origin_s=45.0)
    # epochs begin at ..., -15, 15, 45: the first is covered for 15 s, the last for 15 s
    assert (found.first, found.codes.tolist()) == (-2, [0, 0, 0])


def test_split_epochs_are_counted() -> None:
    assert lay_on_epochs(spans((0, 10, "W"), (10, 50, "N2"), (60, 30, "W")), origin_s=0.0).split_epochs == 1


def test_a_wrong_year_is_refused() -> None:
    with pytest.raises(EpochGridError, match="too long a time"):
        lay_on_epochs(spans((0, 30, "W"), (4e9, 30, "W")), origin_s=0.0)


lengths = st.lists(st.tuples(st.integers(1, 90), st.sampled_from("WNR"), st.integers(0, 40)), min_size=1, max_size=30)


@given(lengths, st.integers(-60, 60))
def test_the_general_rule_equals_counting_milliseconds(rows: list[tuple[int, str, int]], origin: int) -> None:
    """Against the rule taken at its word: one label per second, then a count per epoch."""
    onset, timeline, source = 0, {}, []
    for length, label, pause in rows:
        source.append((float(onset), float(length), label))
        timeline.update(dict.fromkeys(range(onset, onset + length), label))
        onset += length + pause
    found = lay_on_epochs(spans(*source), origin_s=float(origin))
    labels = spans(*source).labels
    for i, code in enumerate(found.codes.tolist()):
        begin = origin + (found.first + i) * 30
        seconds = [timeline[s] for s in range(begin, begin + 30) if s in timeline]
        if len(seconds) < 15:
            assert code == -1
            continue
        most = max(seconds.count(label) for label in seconds)
        assert labels[code] == next(label for label in seconds if seconds.count(label) == most)


def test_months_between_stages_off_the_grid_take_no_memory() -> None:
    many = [(7.0 + 20 * i, 20.0, f"label {i}") for i in range(300)]
    source = spans((0, 5, "W"), *many, (50_000_000, 30, "W"))
    tracemalloc.start()
    found = lay_on_epochs(source, origin_s=0.0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.codes.size == -(-50_000_030 // 30)
    assert peak < 16e6
