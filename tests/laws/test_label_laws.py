"""The law of one vocabulary: what a label is called changes nothing but what is shown.

A label of either side is renamed, and the layout (or the Levels of a JSON file) with it, over every word that the
package knows: what the night tells stays the same to the last character but for the label itself. The oracle is the
same night under a name that nothing knows.
"""

from __future__ import annotations

import itertools
import json
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.errors import MappingError
from sleepagree.figures.hypnograms import lanes_of
from sleepagree.hypnogram.align import SILENT_AS_WAKE, Outside, PairedNight, align
from sleepagree.hypnogram.ledger import NO_MAJORITY, Status
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping import words as words_of
from sleepagree.mapping.files import read_mapping
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS, StageMapping, fitting_mappings, reported_classes
from sleepagree.mapping.words import ALIASES, COVERAGE, LEAVE_OUT, NOT_A_STAGE, STAGE_WORDS, UNSCORED, fold_label
from sleepagree.night.compare import compare
from sleepagree.night.measures import measure_sides
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.export import aligned_night
from sleepagree.scoring.redistribution import LEFT_OUT_COLUMN, unreported_stages
from sleepagree.study.night_summary import summarise_night
from tests.worked import BED_TIME

#: Every word that the package knows, or would know in another place.
KNOWN_WORDS = tuple(
    dict.fromkeys(
        (
            *words_of.LABEL_TEXTS,
            *COVERAGE,
            *ALIASES,
            *STAGE_WORDS,
            *(f"Sleep stage {code.upper()}" for code in words_of.EDF_TEXTS),
            "Movement time",
            UNSCORED,
            NOT_A_STAGE,
            LEAVE_OUT,
            LEFT_OUT_COLUMN,
            SILENT_AS_WAKE,
            NO_MAJORITY,
            *(name for m in BUILT_IN_MAPPINGS for name in (m.name, *m.reference_classes)),
            *(status.word for status in Status),
            "n/a",
            "lights off",
            "Lights on",
            "lights_out",
            "1",
            "4",
        )
    )
)

REFERENCE = ("W", "N1", "N2", "N3", "R", UNSCORED, NOT_A_STAGE)
DEVICES = (
    ("W", "light", "N3", "R", UNSCORED, NOT_A_STAGE),
    ("W", "light", "N3", "sleep", "wake-or-sleep", "light-or-rem"),
    ("W", "N1", "N2", "N3", "nrem", "R"),
)
MAPPING_FILE = """
name = "mine"
classes = ["up", "shallow", "deep", "dream"]
[reference]
W = "up"
N1 = "shallow"
N2 = "shallow"
N3 = "deep"
R = "dream"
unscored = "leave-out"
[device]
Awake = "up"
light = "shallow"
N1 = "shallow"
N2 = "shallow"
nrem = "leave-out"
deep = "deep"
REM = "dream"
sleep = "leave-out"
light-or-rem = "leave-out"
wake-or-sleep = "up"
lively = "up"
"""


def name_of(stage: str) -> str:
    """Return a label that nothing knows."""
    return f"<{stage}>"


def sequence(stages: tuple[str, ...], shift: int) -> list[str]:
    """Return a night's stages: every stage in runs of some length, in two orders."""
    runs = [*stages, *reversed(stages), *stages[::2], *stages]
    out = [stage for i, stage in enumerate(runs) for _ in range(1 + (i + shift) % 3)]
    return ["W", "N2", "N2" if "N2" in stages else "light", *out] if shift == 0 else ["W", "W", stages[1], *out]


def table_of(epochs: list[str], names: dict[str, str], path: Path) -> ScoredSpans:
    """Return what a table of epochs says whose labels only its layout explains."""
    rows = [f"{(BED_TIME + timedelta(seconds=30 * i)).isoformat()};{names[stage]}\n" for i, stage in enumerate(epochs)]
    path.write_text("start;stage\n" + "".join(rows), encoding="utf-8")
    layout = {names[stage]: stage for stage in dict.fromkeys(epochs)}
    return read_spans(path, layout=Layout(stages=layout, epoch_seconds=30.0))


def without_names(text: str, *sides: dict[str, str]) -> str:
    """Return a text of the oracle with each name put in place of the label that nothing knows."""
    for names in sides:
        for stage, name in names.items():
            text = text.replace(name_of(stage), name)
    return text


def told_of(paired: PairedNight, mapping: StageMapping) -> str:
    """Return everything that a mapping makes of a night, without the names of labels."""
    summary = summarise_night(paired, row=1, participant="crew-1", night="1", device="band A", mapping=mapping)
    return repr(
        (
            mapping.reference_codes(paired.reference_set),
            mapping.device_codes(paired.device_set),
            measure_sides(paired, mapping),
            reported_classes(mapping, paired.device_set.reportable),
            aligned_night(paired, mapping=mapping),
            summary.sequences,
            summary.cautions,
        )
    )


def told_of_sides(paired: PairedNight) -> str:
    """Return what is told of a night before any mapping, without the names of labels."""
    reference_set, device_set, ledger = paired.reference_set, paired.device_set, paired.ledger
    return repr(
        (
            paired.reference.tolist(),
            paired.device.tolist(),
            paired.status.tolist(),
            paired.native.tolist(),
            reference_set.stages,
            reference_set.reportable,
            device_set.stages,
            device_set.reportable,
            ledger.excluded,
            [count for _, count in (*ledger.reference_labels, *ledger.device_labels)],
            ledger.notes,
            [sum(count for _, count in spans.ignored) for spans in (paired.reference_spans, paired.device_spans)],
            paired.cautions,
            paired.begin,
            [(lane.rows, lane.words, lane.codes.tolist()) for lane in lanes_of(paired)],
            unreported_stages(reference_set, device_set),
            [m.name for m in fitting_mappings(reference_set, device_set)],
        )
    )


def scored_of(paired: PairedNight, mapping: StageMapping) -> str:
    """Return the whole result of a night under a mapping, without the names of labels."""
    try:
        night = compare(paired, mappings=[mapping])
    except MappingError as refused:  # one for devices without REM, beside a device that has it
        return refused.problem
    first = night.mappings[0]
    return repr(
        (
            first.counts.tolist(),
            first.left_out,
            first.table,
            first.ceiling,
            night.measures,
            [(r._replace(left_out_labels=()), len(r.left_out_labels)) for r in night.redistribution],
            night.bias_sources,
            night.disagreement,
            night.cautions,
            [m.table for m in night.others],
        )
    )


@pytest.fixture(scope="module")
def mappings(tmp_path_factory) -> tuple[StageMapping, ...]:
    path = tmp_path_factory.mktemp("mapping") / "mine.toml"
    path.write_text(MAPPING_FILE, encoding="utf-8")
    return (*BUILT_IN_MAPPINGS, read_mapping(path))


def plain_names(stages: tuple[str, ...]) -> dict[str, str]:
    return {stage: name_of(stage) for stage in stages}


# --- through a layout, one label after the other: every word x stage x side x mapping --------------------------


@pytest.mark.parametrize("device", DEVICES, ids=lambda stages: "-".join(stages[:5]))
@pytest.mark.parametrize("renamed", ["reference", "device"])
def test_no_name_of_a_label_changes_anything(device, renamed, mappings, tmp_path):
    """Every word x every stage that the layout gives it x either side x every mapping."""
    epochs = {"reference": sequence(REFERENCE, 0), "device": sequence(device, 1)}
    of_side = {"reference": REFERENCE, "device": device}
    plain = {s: table_of(epochs[s], plain_names(of_side[s]), tmp_path / f"{s}.csv") for s in epochs}
    oracle = align(**plain)
    told = told_of_sides(oracle), [told_of(oracle, m) for m in mappings]
    scored: dict[str, str] = {}
    # the reference is renamed beside the first device; beside the others a word or two will do
    step = 17 if renamed == "reference" and device is not DEVICES[0] else 1
    for number, (word, stage) in enumerate(itertools.product(KNOWN_WORDS, of_side[renamed])):
        if number % step:
            continue
        names = plain_names(of_side[renamed]) | {stage: word}
        paired = align(**plain | {renamed: table_of(epochs[renamed], names, tmp_path / f"{renamed}.csv")})
        assert told_of_sides(paired) == without_names(told[0], names), (word, stage)
        for mapping, expected in zip(mappings, told[1], strict=True):
            assert told_of(paired, mapping) == without_names(expected, names), (word, stage, mapping.name)
        if number % 5 == 0:  # the whole result, under each mapping in turn
            mapping = mappings[number // 5 % len(mappings)]
            if mapping.name not in scored:
                scored[mapping.name] = scored_of(oracle, mapping)
            assert scored_of(paired, mapping) == without_names(scored[mapping.name], names), (word, stage)


@pytest.mark.parametrize("stage", ["W", "N1", "N2", "N3", "R"])
@pytest.mark.parametrize("word", ["wake", "R", "N2", "sleep", "light-or-rem", "Deep"])
def test_a_perfect_device_is_perfect_whatever_its_labels_are_called(word, stage, tmp_path):
    stages = ("W", "N1", "N2", "N3", "R")
    epochs = sequence(stages, 0)
    reference = table_of(epochs, plain_names(stages), tmp_path / "a.csv")
    device = table_of(epochs, plain_names(stages) | {stage: word}, tmp_path / "b.csv")
    for scored in compare(align(reference=reference, device=device)).mappings:
        assert (scored.table.kappa.value, scored.left_out) == (1.0, 0)


# --- all labels at once ---------------------------------------------------------------------------------------


def distinct_names(stages: tuple[str, ...]) -> st.SearchStrategy[dict[str, str]]:
    words = st.sampled_from(KNOWN_WORDS).flatmap(lambda w: st.sampled_from((w, w.upper(), w.title(), f" {w}")))
    names = st.lists(words, min_size=len(stages), max_size=len(stages), unique_by=fold_label)
    return names.map(lambda found: dict(zip(stages, found, strict=True)))


@given(st.sampled_from(DEVICES).flatmap(lambda d: st.tuples(st.just(d), distinct_names(REFERENCE), distinct_names(d))))
@settings(max_examples=60)
def test_all_labels_may_be_renamed_at_once(mappings, tmp_path_factory, case):
    device, of_reference, of_device = case
    folder = tmp_path_factory.mktemp("night")
    rows, columns = sequence(REFERENCE, 0), sequence(device, 1)
    oracle = align(
        reference=table_of(rows, plain_names(REFERENCE), folder / "a.csv"),
        device=table_of(columns, plain_names(device), folder / "b.csv"),
    )
    of_reference, of_device = ({k: v.strip() for k, v in names.items()} for names in (of_reference, of_device))
    paired = align(
        reference=table_of(rows, of_reference, folder / "a.csv"), device=table_of(columns, of_device, folder / "b.csv")
    )
    assert told_of_sides(paired) == told_of_sides(oracle)
    for mapping in mappings:
        assert told_of(paired, mapping) == told_of(oracle, mapping), mapping.name


@given(distinct_names(DEVICES[0]))
def test_silence_that_is_taken_as_wake_is_known_by_no_label(of_device):
    epochs = [s for s in sequence(DEVICES[0], 1) if s not in (UNSCORED, NOT_A_STAGE)]
    reference = read_hypnogram(["W"] * 4 + ["N2"] * 30 + ["R"] * 20 + ["W"] * 20, start=BED_TIME)
    told = []
    for names in (plain_names(DEVICES[0]), of_device):
        layout = {name: stage for stage, name in names.items()}
        device = read_hypnogram(
            [names[s] for s in epochs], start=BED_TIME + timedelta(seconds=120), stages=layout
        ).with_changes(reports=("light", "N3", "R", "W"))
        paired = align(reference=reference, device=device, outside=Outside.WAKE, reports=("light", "N3", "R", "W"))
        told.append((told_of_sides(paired), scored_of(paired, BUILT_IN_MAPPINGS[1])))
    assert told[0] == told[1]


# --- through the Levels of a JSON file ------------------------------------------------------------------------

LEVELS = {"W": "Wake", "N1": "Stage N1", "N2": "NREM2", "N3": "Deep sleep", "R": "REM sleep", UNSCORED: "Unscorable"}


def events_of(epochs: list[str], names: dict[str, str], path: Path, **layout: str) -> ScoredSpans:
    rows = [f"{30 * i}\t30\t{names[stage]}\n" for i, stage in enumerate(epochs)]
    path.write_text("onset\tduration\ttrial_type\n" + "".join(rows), encoding="utf-8")
    levels = {name: LEVELS[stage] for stage, name in names.items()}
    path.with_suffix(".json").write_text(json.dumps({"trial_type": {"Levels": levels}}), encoding="utf-8")
    return read_spans(path, layout=Layout(stages=layout) if layout else None)


@pytest.mark.parametrize("renamed", ["reference", "device"])
def test_no_code_of_levels_changes_anything(renamed, mappings, tmp_path):
    stages = tuple(LEVELS)
    path = tmp_path / "sub-1_events.tsv"
    epochs = {"reference": sequence(stages, 0), "device": sequence(stages, 1)}
    plain = {s: events_of(epochs[s], plain_names(stages), path) for s in epochs}
    oracle = align(**plain)
    told = told_of_sides(oracle), [told_of(oracle, m) for m in mappings]
    for word, stage in itertools.product(KNOWN_WORDS, stages):
        names = plain_names(stages) | {stage: word}
        paired = align(**plain | {renamed: events_of(epochs[renamed], names, path)})
        assert told_of_sides(paired) == told[0], (word, stage)
        for mapping, expected in zip(mappings, told[1], strict=True):
            assert told_of(paired, mapping) == expected, (word, stage, mapping.name)


@pytest.mark.parametrize("known", [False, True], ids=["layout only", "layout against Levels"])
def test_no_code_of_levels_that_a_layout_explains_changes_anything(known, mappings, tmp_path):
    """The layout says what one code is, which Levels do not hold, or hold as another stage; Levels say the rest."""
    stages = tuple(LEVELS)
    path = tmp_path / "sub-1_events.tsv"
    epochs = sequence(stages, 1)
    reference = read_hypnogram(sequence(stages, 0))

    def read(names: dict[str, str], renamed: str) -> ScoredSpans:
        rows = [f"{30 * i}\t30\t{names[stage]}\n" for i, stage in enumerate(epochs)]
        path.write_text("onset\tduration\ttrial_type\n" + "".join(rows), encoding="utf-8")
        levels = {name: LEVELS[stage] for stage, name in names.items() if stage != renamed}
        if known:
            levels[names[renamed]] = LEVELS[stages[stages.index(renamed) - 1]]
        path.with_suffix(".json").write_text(json.dumps({"trial_type": {"Levels": levels}}), encoding="utf-8")
        return read_spans(path, layout=Layout(stages={names[renamed]: renamed}))

    for stage in stages:
        oracle = align(reference=reference, device=read(plain_names(stages), stage))
        assert set(oracle.device_set.stages) == set(stages)
        told = told_of_sides(oracle), [told_of(oracle, m) for m in mappings]
        for word in (*KNOWN_WORDS, *LEVELS.values(), "rem SLEEP"):
            paired = align(reference=reference, device=read(plain_names(stages) | {stage: word}, stage))
            assert told_of_sides(paired) == told[0], (word, stage)
            for mapping, expected in zip(mappings, told[1], strict=True):
                assert told_of(paired, mapping) == expected, (word, stage, mapping.name)


def test_a_line_of_the_layout_is_about_one_code_of_two_with_one_meaning(tmp_path):
    """Codes 1 and 2 both mean wake by the file; the layout says that 1 is deep, and only that."""
    path = tmp_path / "sub-1_events.tsv"
    names = {"W": "1", "N3": "2", "R": "R"}
    path.write_text("onset\tduration\ttrial_type\n0\t30\t1\n30\t30\t2\n60\t30\tR\n", encoding="utf-8")
    levels = {"1": "Wake", "2": "Wake", "R": "Light sleep"}
    path.with_suffix(".json").write_text(json.dumps({"trial_type": {"Levels": levels}}), encoding="utf-8")
    spans = read_spans(path, layout=Layout(stages={"1": "deep"}))
    assert [(spans.labels[c], spans.stages[c]) for c in spans.codes.tolist()] == [
        ("1", "N3"),
        ("Wake", "W"),
        ("Light sleep", "light"),
    ]
    assert names["R"] not in spans.labels


# --- a layout and a mapping file ------------------------------------------------------------------------------


@pytest.fixture
def native(tmp_path) -> StageMapping:
    """A mapping file with entries for a stage and for native labels."""
    path = tmp_path / "native.toml"
    path.write_text(
        'classes = ["wake", "sleep"]\n[reference]\nW = "wake"\nN2 = "sleep"\n'
        '[device]\nR = "sleep"\nlight = "sleep"\nW = "wake"\nUp = "wake"\n',
        encoding="utf-8",
    )
    return read_mapping(path)


def test_an_entry_spelt_like_a_stage_is_about_the_stage(native):
    """The layout calls the label R light and the label X rem: the line R is about X."""
    assert native.device == (("R", "sleep"), ("light", "sleep"), ("W", "wake"))
    assert native.device_labels == (("Up", "wake"),)
    device = read_hypnogram(["R", "X", "N2", "Up"], stages={"R": "wake", "X": "rem", "N2": "light", "Up": "light"})
    found = align(reference=read_hypnogram(["W", "N2", "N2", "W"]), device=device)
    assert native.device_codes(found.device_set) == (0, 1, 1, 0)


def test_a_native_label_in_a_mapping_file_goes_before_the_stage_that_a_layout_gives_it(native):
    """The class is what the mapping file says of the label; the measures follow the stage of the layout."""
    device = read_hypnogram(["Up", "R", "R"], stages={"Up": "light"})
    paired = align(reference=read_hypnogram(["W", "N2", "N2"]), device=device)
    assert native.device_codes(paired.device_set) == (0, 1)
    assert measure_sides(paired, native)[1].tst_min == 1.5


def test_a_line_that_is_missing_is_told_as_the_stage_where_the_label_is_spelt_like_one(native):
    device = read_hypnogram(["R", "dozing", "N1"], stages={"R": "deep", "dozing": "nrem", "N1": "deep"})
    paired = align(reference=read_hypnogram(["W", "N2", "N2"]), device=device)
    with pytest.raises(MappingError) as refusal:
        native.device_codes(paired.device_set)
    assert str(refusal.value) == (
        "native.toml: [device]: mapping 'native' says nothing about 3 of the device's labels. Found 'R' (stage N3), "
        "'dozing', 'N1' (stage N3); expected a class (wake, sleep) or leave-out for every label. Add to the mapping "
        'file\n    [device]\n    "N3" = "..."\n    "dozing" = "..."'
    )


def test_a_label_like_our_word_for_no_majority_is_what_its_layout_says():
    device = read_hypnogram(["wake", "light", "light"])
    reference = read_hypnogram(["W", NO_MAJORITY, "N2"], stages={NO_MAJORITY: "N1"})
    ledger = align(reference=reference, device=device).ledger
    assert ledger.scored == 3
    assert "reference_no_majority" not in dict(ledger.excluded)
