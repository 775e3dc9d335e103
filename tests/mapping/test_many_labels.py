"""Labels and classes without number: refused with one message, or counted right, never wrapped."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.errors import FileFormatError, MappingError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.mapping import MOST_CLASSES, StageMapping, mapping_named
from sleepagree.mapping.sets import make_stage_set
from sleepagree.mapping.words import AASM_STAGES, MOST_LABELS
from sleepagree.night.compare import compare
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.edf.recording import read_edf
from sleepagree.readers.edf.writer import write_edf_annotations
from sleepagree.readers.layout import Layout
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study.night_summary import hash_sequence
from tests.worked import BED_TIME

MANY = 70_000
LABELS = [f"a{i}" for i in range(MANY)]
STAGES = {label: AASM_STAGES[i % 5] for i, label in enumerate(LABELS)}
REFUSAL = (
    "too many distinct stage labels for a scoring of sleep. Found 70,000 distinct labels; expected at most 1,000. Look "
    "whether the labels are stages or measured values: a layout (layout='FILE.toml') names the column of stages."
)


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    path = tmp_path_factory.mktemp("many") / "many.csv"
    path.write_text("onset,stage\n" + "".join(f"{30 * i},{label}\n" for i, label in enumerate(LABELS)))
    return path


def test_a_table_of_seventy_thousand_labels_is_refused_in_one_sentence(table):
    with pytest.raises(FileFormatError) as refusal:
        read_spans(table, layout=Layout(stages=STAGES, epoch_seconds=30.0))
    assert str(refusal.value) == f"{table}: {REFUSAL}"


def test_inspect_says_so_too(table):
    layout = table.with_suffix(".toml")
    layout.write_text("[stages]\n" + "".join(f'{label} = "{stage}"\n' for label, stage in STAGES.items()))
    told = REFUSAL.replace("layout='FILE.toml'", "--layout FILE.toml")
    result = CliRunner().invoke(main, ["inspect", str(table), "--layout", str(layout)])
    assert (result.exit_code, result.output) == (1, f"sleepagree: {table}: {told}\n")


@pytest.mark.parametrize("as_frame", [False, True])
def test_so_is_what_comes_from_memory(as_frame):
    frame = pd.DataFrame({"onset_s": np.arange(MANY) * 30.0, "duration_s": 30.0, "stage": LABELS})
    with pytest.raises(FileFormatError) as refusal:
        read_hypnogram(frame if as_frame else LABELS, stages=STAGES)
    assert str(refusal.value) == REFUSAL


def test_so_are_annotations(tmp_path):
    path = tmp_path / "many.edf"
    count = 33_000
    write_edf_annotations(path, [(30.0 * i, 30.0, LABELS[i]) for i in range(count)], start=BED_TIME)
    with pytest.raises(FileFormatError, match=r"Found 33,000 distinct labels; expected at most 1,000"):
        read_edf(path, layout=Layout(stages=STAGES))


def test_so_are_spans_made_by_hand():
    with pytest.raises(FileFormatError, match="70,000 distinct labels"):
        ScoredSpans([0.0], [30.0], [0], tuple(LABELS), tuple(STAGES.values()))


def test_a_thousand_labels_are_counted_right(tmp_path):
    """The reference says the same in five words: every epoch agrees, on and off the grid."""
    labels = LABELS[:MOST_LABELS]
    path = tmp_path / "thousand.csv"
    rows = [f"{(BED_TIME + timedelta(seconds=30 * i)).isoformat()},{label}\n" for i, label in enumerate(labels)]
    path.write_text("start,stage\n" + "".join(rows))
    device = read_spans(path, layout=Layout(stages=STAGES, epoch_seconds=30.0))
    reference = read_hypnogram([STAGES[label] for label in labels], start=BED_TIME)
    for shift_s in (0.0, 7.0):
        paired = align(reference=reference, device=device, clock_offset_s=shift_s)
        night = compare(paired, mappings=[mapping_named("w-n1-n2-n3-r")])
        counts = night.mappings[0].counts
        assert counts.trace() == counts.sum() == MOST_LABELS


def test_labels_that_are_no_stages_do_not_count(tmp_path):
    path = tmp_path / "events.csv"
    path.write_text("onset,stage\n0,W\n30,N2\n" + "".join(f"60,{label}\n" for label in LABELS[:2000]))
    layout = Layout(stages=dict.fromkeys(LABELS[:2000], "not-a-stage"), epoch_seconds=30.0)
    assert read_spans(path, layout=layout).labels == ("W", "N2")


def test_sequences_of_many_words_of_ones_own_have_hashes_of_their_own():
    """Codes that differ by 256 are different stages."""
    words = tuple(f"{i:03}" for i in range(300))
    stage_set = make_stage_set(words, words)
    low, high = np.arange(40) % 40, np.arange(40) % 40 + 256
    assert hash_sequence(low, stage_set) != hash_sequence(high, stage_set)


def test_more_classes_than_codes_of_the_clock_scan_can_number():
    names = tuple(f"class {i}" for i in range(MOST_CLASSES + 1))
    pairs = tuple(zip(("W", "N2"), names[:2], strict=True))
    with pytest.raises(MappingError) as refusal:
        StageMapping("fine", names, names[:2], pairs, pairs, from_file="fine.toml")
    assert str(refusal.value) == (
        "fine.toml: classes: mapping 'fine' has too many classes. Found 101 classes; expected at most 100. Merge some "
        "of them."
    )
