"""Laws of one night: what must hold for any two recordings, and 200 generated nights against other libraries.

scikit-learn and statsmodels are the outside oracles: they get the jointly scored epochs as two lists of words that
are made here without the package, by a dictionary from label to class.
"""

from __future__ import annotations

import itertools
import math
import warnings
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn import metrics
from statsmodels.stats.inter_rater import cohens_kappa

from sleepagree.errors import PairingError
from sleepagree.hypnogram.align import Outside, PairedNight, align
from sleepagree.hypnogram.window import Window, WindowRule
from sleepagree.mapping.mapping import mapping_named
from sleepagree.mapping.words import AASM_STAGES
from sleepagree.night.compare import compare
from sleepagree.readers.memory import read_hypnogram
from tests.generated import FIVE, generate_nights

START = datetime(2026, 3, 1, 22, 30)
REFERENCE_LABELS = ("W", "N1", "N2", "S3", "S4", "R", "?", "movement", None)
DEVICE_LABELS = ("wake", "light", "deep", "rem", "asleep", "off body", None)
DEVICE_REPORTS = ("wake", "light", "deep", "rem", "asleep")
STAGE_OF = {"S3": "N3", "S4": "N3", "wake": "W", "deep": "N3", "rem": "R", "asleep": "sleep"}
UNSCORED = {"?", "movement", "off body", None}

reference_epochs = st.lists(st.sampled_from(REFERENCE_LABELS), min_size=1, max_size=80).filter(
    lambda e: not set(e) <= UNSCORED
)
device_epochs = st.lists(st.sampled_from(DEVICE_LABELS), min_size=1, max_size=80).filter(
    lambda e: not set(e) <= UNSCORED
)


@st.composite
def nights(draw: st.DrawFn) -> tuple[list[str | None], list[str | None]]:
    """Two sides that share at least one epoch with a stage."""
    reference, device = draw(reference_epochs), draw(device_epochs)
    assume = any(a not in UNSCORED and b not in UNSCORED for a, b in zip(reference, device, strict=False))
    if not assume:
        both = draw(st.tuples(st.sampled_from(["W", "N2", "R"]), st.sampled_from(["wake", "light"])))
        reference, device = [both[0], *reference], [both[1], *device]
    return reference, device


def paired_of(reference, device, *, offset_s: float = 0.0, start: datetime | None = START, **options) -> PairedNight:
    rows = read_hypnogram(reference, start=start)
    at = None if start is None else start + timedelta(seconds=offset_s)
    return align(reference=rows, device=read_hypnogram(device, start=at, reports=DEVICE_REPORTS), **options)


# --- the ledger ----------------------------------------------------------------------------------------------


@given(nights())
def test_the_ledger_adds_up(night):
    reference, device = night
    paired = paired_of(reference, device)
    ledger = paired.ledger
    assert ledger.window_epochs == paired.status.size
    assert ledger.scored + sum(n for _, n in ledger.excluded) == ledger.window_epochs
    for codes, counts in ((paired.reference, ledger.reference_labels), (paired.device, ledger.device_labels)):
        assert sum(n for _, n in counts) == int((codes >= 0).sum())
    assert paired.native.sum() == ledger.scored


@given(nights(), st.integers(0, 100), st.integers(0, 100), st.sampled_from(list(Outside)))
def test_a_windows_counts_add_up_with_what_lies_outside(night, a, b, outside):
    reference, device = night
    begin, end = sorted((a, b))
    window = Window(WindowRule.GIVEN, START + timedelta(seconds=30 * begin), START + timedelta(seconds=30 * end + 30))
    try:
        paired = paired_of(reference, device, window=window, outside=outside)
    except PairingError:
        return  # the window lies outside a side, or nothing in it is jointly scored
    silent = dict(paired.ledger.device_labels).get("(device silent: taken as wake)", 0)
    inside = sum(n for _, n in paired.ledger.reference_labels)
    assert inside + paired.ledger.outside_reference == sum(label is not None for label in reference)
    inside = sum(n for _, n in paired.ledger.device_labels) - silent
    assert inside + paired.ledger.outside_device == sum(label is not None for label in device)
    assert (outside is Outside.WAKE) or not silent


@given(nights())
def test_a_night_is_the_sum_of_its_halves(night):
    reference, device = night
    whole = paired_of(reference, device)
    middle = START + timedelta(seconds=30 * (len(reference) // 2))
    end = START + timedelta(seconds=30 * max(len(reference), len(device)) + 30)
    total = 0
    for window in (Window(WindowRule.GIVEN, START - timedelta(1), middle), Window(WindowRule.GIVEN, middle, end)):
        try:
            total += paired_of(reference, device, window=window).native.sum()
        except PairingError:
            continue
    assert total == whole.native.sum()


# --- symmetry and time ---------------------------------------------------------------------------------------


@given(nights())
def test_swapping_the_sides_transposes_the_matrix_and_leaves_kappa_alone(night):
    reference, device = night
    mapping = mapping_named("wake-sleep")
    window = Window(WindowRule.OVERLAP)
    rows = read_hypnogram(reference, start=START, reports=AASM_STAGES)
    columns = read_hypnogram(device, start=START, reports=DEVICE_REPORTS)
    try:
        one = align(reference=rows, device=columns, window=window)
        other = align(reference=columns, device=rows, window=window)
    except PairingError:
        return
    there, back = (compare(p, mappings=[mapping]).mappings[0] for p in (one, other))
    assert there.counts.tolist() == back.counts.T.tolist()
    assert there.table.kappa.value == pytest.approx(back.table.kappa.value, abs=1e-12, nan_ok=True)
    assert there.table.accuracy == back.table.accuracy or math.isnan(there.table.accuracy)


@given(nights(), st.integers(-(10**6), 10**6), st.integers(-90, 90), st.sampled_from([None, "Europe/Helsinki", "UTC"]))
def test_shifting_both_clocks_changes_nothing(night, seconds, late, zone):
    reference, device = night
    moved = START + timedelta(seconds=seconds)
    try:
        whole = paired_of(reference, device, offset_s=late)
    except PairingError:
        return
    rows = read_hypnogram(reference, start=moved, zone=zone)
    columns = read_hypnogram(device, start=moved + timedelta(seconds=late), zone=zone, reports=DEVICE_REPORTS)
    if zone and rows.start.utcoffset() != columns.start.utcoffset():
        return  # a clock that changed between the two starts
    again = align(reference=rows, device=columns)
    assert again.reference.tolist() == whole.reference.tolist()
    assert again.device.tolist() == whole.device.tolist()
    assert again.ledger == whole.ledger
    assert whole.begin is not None
    # an offset given by hand is the same as the device's clock being other
    by_hand = align(
        reference=rows,
        device=read_hypnogram(device, start=moved, zone=zone, reports=DEVICE_REPORTS),
        clock_offset_s=float(late),
    )
    assert by_hand.device.tolist() == whole.device.tolist()


@given(nights())
def test_elapsed_time_is_the_same_as_one_clock(night):
    clock, elapsed = paired_of(*night), paired_of(*night, start=None)
    assert clock.ledger == elapsed.ledger
    assert clock.status.tolist() == elapsed.status.tolist()


@given(nights())
def test_intervals_and_their_epochs_are_the_same_night(night):
    """A frame with one row per run of a label, against one label per epoch."""
    import pandas as pd

    def intervals(labels):
        rows, at = [], 0
        for label, run in itertools.groupby(labels):
            length = len(list(run))
            if label is not None:
                rows.append((30.0 * at, 30.0 * length, label))
            at += length
        return pd.DataFrame(rows, columns=["onset_s", "duration_s", "stage"])

    reference, device = night
    by_epoch = paired_of(reference, device, start=None)
    by_interval = align(
        reference=read_hypnogram(intervals(reference)), device=read_hypnogram(intervals(device), reports=DEVICE_REPORTS)
    )
    assert by_interval.ledger == by_epoch.ledger
    one, other = (compare(p) for p in (by_epoch, by_interval))
    assert one.mappings[0].counts.tolist() == other.mappings[0].counts.tolist()
    assert [(m.measure, repr(m.reference), repr(m.device)) for m in one.measures] == [
        (m.measure, repr(m.reference), repr(m.device)) for m in other.measures
    ]


# --- mappings ------------------------------------------------------------------------------------------------

CLASS_OF = {
    "w-n1-n2-n3-r": dict(zip(AASM_STAGES, AASM_STAGES, strict=True)),
    "wake-light-deep-rem": {"W": "wake", "N1": "light", "N2": "light", "light": "light", "N3": "deep", "R": "rem"},
    "wake-nrem-rem": {"W": "wake", "N1": "nrem", "N2": "nrem", "light": "nrem", "N3": "nrem", "R": "rem"},
    "wake-sleep": {"W": "wake", **dict.fromkeys(("N1", "N2", "light", "N3", "R", "sleep"), "sleep")},
}


@given(nights())
def test_mapping_the_counts_is_counting_the_mapped(night):
    """All mappings are sums of one native table: mapped epoch by epoch and then counted, the same comes out."""
    reference, device = night
    names = ("wake-light-deep-rem", "wake-nrem-rem", "wake-sleep")
    scored = compare(paired_of(reference, device), mappings=[mapping_named(n) for n in names]).mappings
    jointly = [
        (STAGE_OF.get(a, a), STAGE_OF.get(b, b))
        for a, b in zip(reference, device, strict=False)
        if a not in UNSCORED and b not in UNSCORED
    ]
    for name, found in zip(names, scored, strict=True):
        table, classes = CLASS_OF[name], found.mapping.reference_classes
        kept = [(table[a], table[b]) for a, b in jointly if a in table and b in table]
        expected = [[kept.count((row, column)) for column in classes] for row in classes]
        assert found.counts.tolist() == expected
        assert found.left_out == len(jointly) - len(kept)


@given(nights())
def test_merging_classes_never_lowers_accuracy(night):
    reference, device = night
    device = ["light" if label == "asleep" else label for label in device]
    names = ("wake-light-deep-rem", "wake-nrem-rem", "wake-sleep")
    scored = compare(paired_of(reference, device), mappings=[mapping_named(n) for n in names]).mappings
    accuracies = [m.table.accuracy for m in scored]
    assert accuracies == sorted(accuracies)


@given(nights())
def test_redistribution_and_bias_add_up(night):
    reference, device = night
    device = [{"rem": "light"}.get(label, label) for label in device]
    rows = read_hypnogram(reference, start=START)
    columns = read_hypnogram(device, start=START, reports=("wake", "light", "deep", "asleep"))
    scored = compare(align(reference=rows, device=columns))
    counts = scored.mappings[0].counts
    for traced in scored.redistribution:
        assert sum(d.epochs for d in traced.to) == traced.epochs
        if traced.epochs:
            assert sum(d.share for d in traced.to) == pytest.approx(1.0)
        assert all(d.low <= d.share <= d.high for d in traced.to if traced.epochs)
        thirds = [sum(n for _, n in third) for third in traced.thirds]
        assert sum(thirds) == traced.epochs
        if traced.stage == "R":
            assert sum(e.epochs for e in traced.episodes) == traced.epochs
    half_minutes = {m.measure: m for m in scored.measures}
    for j, source in enumerate(scored.bias_sources):
        row = scored.mappings[0].mapping.device_index[j]
        assert source.bias_min == (counts[:, j].sum() - counts[row].sum()) / 2
        assert source.bias_min == sum(m for _, m in source.gained) - sum(m for _, m in source.lost)
        assert source.bias_min == half_minutes[f"minutes {source.name}"].difference


@given(nights())
def test_measures_hang_together(night):
    reference, device = night
    paired = paired_of(reference, device)
    measures = {m.measure: m for m in compare(paired).measures}
    for value in ("reference", "device"):
        tst, sol, waso = (getattr(measures[name], value) for name in ("TST", "SOL", "WASO"))
        tib = measures["TIB"].reference
        assert tib == paired.ledger.window_epochs / 2
        assert getattr(measures["SE"], value) == pytest.approx(100 * tst / tib)
        if tst:
            assert tst + waso + sol <= tib
        else:
            assert math.isnan(sol)
            assert math.isnan(waso)


# --- 200 generated nights against scikit-learn and statsmodels -----------------------------------------------

FOUR_WORDS = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "rem"}


def oracle(truth, said, n_classes):
    """Return what the library makes of two lists of numbered classes, nan where it divides by zero."""
    classes = np.arange(n_classes)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        precision, recall, f_score, support = metrics.precision_recall_fscore_support(
            truth, said, labels=classes, zero_division=np.nan
        )
        return {
            "counts": metrics.confusion_matrix(truth, said, labels=classes),
            "kappa": metrics.cohen_kappa_score(truth, said, labels=classes),
            "mcc": metrics.matthews_corrcoef(truth, said),
            "balanced": metrics.balanced_accuracy_score(truth, said),
            "accuracy": metrics.accuracy_score(truth, said),
            "ppv": precision,
            "sensitivity": recall,
            "f1": f_score,
            "support": support,
        }


def check_against_libraries(found, truth, said):
    """Compare one mapping's table with the oracles to 1e-12; undefined here may be 0 or nan there."""
    position = {name: i for i, name in enumerate(found.mapping.reference_classes)}
    truth, said = (np.array([position[word] for word in words]) for words in (truth, said))
    expected = oracle(truth, said, len(position))
    table = found.table
    np.testing.assert_array_equal(found.counts, expected["counts"])
    assert table.accuracy == pytest.approx(expected["accuracy"], abs=1e-12)
    assert table.balanced_accuracy == pytest.approx(expected["balanced"], abs=1e-12)
    if math.isnan(table.kappa.value):
        assert len({*truth.tolist(), *said.tolist()}) == 1
    else:
        assert table.kappa.value == pytest.approx(expected["kappa"], abs=1e-12)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = cohens_kappa(found.counts)
        assert table.kappa.value == pytest.approx(other.kappa, abs=1e-12)
        assert table.kappa.se**2 == pytest.approx(other.var_kappa, abs=1e-12)
        # where the standard error is 0 the interval is a point there and none here; here it ends at 1
        if table.kappa.se > 0 and not math.isnan(table.kappa.low):
            interval = max(other.kappa_low, -1.0), min(other.kappa_upp, 1.0)
            assert (table.kappa.low, table.kappa.high) == pytest.approx(interval, abs=1e-12)
    if math.isnan(table.mcc):
        assert min(np.unique(truth).size, np.unique(said).size) == 1
    else:
        assert table.mcc == pytest.approx(expected["mcc"], abs=1e-12)
    for i, c in enumerate(table.classes):
        assert c.reference_epochs == expected["support"][i]
        for field in ("ppv", "sensitivity", "f1"):
            assert getattr(c, field) == pytest.approx(expected[field][i], abs=1e-12, nan_ok=True), (c.name, field)
        if not math.isnan(c.kappa):
            one_against_rest = metrics.cohen_kappa_score(truth == i, said == i)
            assert c.kappa == pytest.approx(one_against_rest, abs=1e-12)


NAMES = ("w-n1-n2-n3-r", "wake-light-deep-rem", "wake-nrem-rem", "wake-sleep")


def test_200_generated_nights_agree_with_scikit_learn_and_statsmodels():
    rng = np.random.default_rng(2)
    mappings = [mapping_named(name) for name in NAMES]
    for reference, device in generate_nights(200, seed=71):
        rows = [FIVE[c] if u > 0.02 else "?" for c, u in zip(reference, rng.random(reference.size), strict=True)]
        columns = [FIVE[c] if u > 0.03 else None for c, u in zip(device, rng.random(device.size), strict=True)]
        jointly = [(a, b) for a, b in zip(rows, columns, strict=True) if a != "?" and b]
        if not jointly:
            continue
        paired = align(
            reference=read_hypnogram(rows, reports=AASM_STAGES), device=read_hypnogram(columns, reports=AASM_STAGES)
        )
        for found in compare(paired, mappings=mappings).mappings:
            table = CLASS_OF[found.mapping.name]
            check_against_libraries(found, [table[a] for a, _ in jointly], [table[b] for _, b in jointly])


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.sampled_from(["wake-light-deep-rem", "wake-sleep"]))
def test_intervals_lie_within_the_values_a_kappa_can_take_and_are_never_of_width_0(seed, name):
    ((reference, device),) = generate_nights(1, seed=seed)
    paired = align(
        reference=read_hypnogram([FIVE[c] for c in reference[:120]], reports=AASM_STAGES),
        device=read_hypnogram([FOUR_WORDS[FIVE[c]] for c in device[:120]], reports=("wake", "light", "deep", "rem")),
    )
    scored = compare(paired, mappings=[mapping_named(name)]).mappings[0]
    found = scored.intervals.kappa
    if scored.table.kappa.defined and not scored.table.kappa.se:
        assert np.isnan(found[:2]).all()
    elif scored.table.kappa.defined:
        assert -1 <= found.low <= scored.table.kappa.value <= found.high <= 1
        assert found.low < found.high


# --- whatever the input --------------------------------------------------------------------------------------

WORDS = ("W", "N1", "N2", "N3", "R", "light", "nrem", "light-or-rem", "sleep", "wake-or-sleep", "unscored")


@st.composite
def any_side(draw: st.DrawFn) -> tuple[list[str | None], dict[str, str], tuple[str, ...] | None]:
    """Labels of any meaning, on epochs of any length, declared or not."""
    meanings = draw(st.lists(st.sampled_from(WORDS), min_size=1, max_size=6))
    if draw(st.integers(0, 3)):
        meanings = ["W", draw(st.sampled_from(WORDS[1:-1])), *meanings]
    labels = [f"label {i}" for i in range(len(meanings))]
    epochs = draw(st.lists(st.sampled_from([*labels, None]), min_size=1, max_size=60))
    epochs += epochs[: draw(st.integers(0, 40))]
    reports = draw(st.none() | st.lists(st.sampled_from(WORDS[:-1]), max_size=4))
    declared = None if reports is None else tuple(dict.fromkeys([*(m for m in meanings if m != "unscored"), *reports]))
    return epochs, dict(zip(labels, meanings, strict=True)), declared


@settings(max_examples=300, deadline=None)
@given(
    any_side(),
    any_side(),
    st.sampled_from([20.0, 30.0, 60.0, 300.0]),
    st.floats(-300, 300) | st.floats(-5000, 5000),
    st.sampled_from(
        ["reference", "overlap", "2026-03-01T22:20/2026-03-01T22:50", "2026-03-01T22:31/2026-03-01T22:31:30"]
    ),
    st.sampled_from(list(Outside)),
)
def test_any_pair_is_scored_or_refused_with_a_message(reference, device, epoch_s, offset_s, window, outside):
    from sleepagree.errors import SleepAgreeError
    from sleepagree.hypnogram.window import parse_window
    from sleepagree.night.mappings import compare_mappings

    sides = [
        read_hypnogram(labels, stages=stages, start=START, epoch_s=length, reports=reports)
        for (labels, stages, reports), length in ((reference, 30.0), (device, epoch_s))
    ]
    try:
        paired = align(
            reference=sides[0], device=sides[1], clock_offset_s=offset_s, window=parse_window(window), outside=outside
        )
        night = compare(paired)
        comparison = compare_mappings(paired)
    except SleepAgreeError as error:
        refusal = str(error)
    else:
        check_what_is_said(night, comparison)
        return
    assert refusal.endswith((".", '"..."'))


def check_what_is_said(night, comparison):
    """Documents and texts of a night that was scored."""
    import json

    from sleepagree.render.json_text import dump
    from sleepagree.render.night_json import epoch_rows, mappings_document, night_document
    from tests.told import mappings_lines, night_lines

    found = json.loads(dump(night_document(night)))
    assert found["ledger"]["scored"] + sum(found["ledger"]["excluded"].values()) == found["window"]["epochs"]
    json.loads(dump(mappings_document(comparison)))
    assert len(epoch_rows(night)) == found["window"]["epochs"] + 1
    assert all(len(line) <= 80 for line in night_lines(night))
    assert all(len(line) <= 100 for line in mappings_lines(comparison))
    for mapping in night.mappings:
        assert mapping.counts.sum() + mapping.left_out == found["ledger"]["scored"]
