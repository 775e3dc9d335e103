"""What Python users have is taken as it is, and what cannot be used is refused with the name of the parameter."""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sleepagree
import sleepagree.figures
from sleepagree import (
    InputError,
    NightSummary,
    ScoringOptions,
    StageMapping,
    StudyOptions,
    Window,
    WindowRule,
    align,
    compare,
    compare_mappings,
    find_mapping,
    learn_correction,
    read_correction,
    read_hypnogram,
    read_mapping,
    read_nights_table,
    scan_clock,
    score_table,
    summarise_night,
    summarise_study,
)
from sleepagree.caution import CautionKind
from sleepagree.describe.study import describe_study
from sleepagree.errors import MappingError, OutputError, UnknownStageError
from sleepagree.render.night_json import night_document
from sleepagree.render.study_json import study_document
from tests.ferry import FERRY

SCORER = ["W", "N1", "N2", "N2", "N3", "R", "R", "N2"] * 15
BAND = ["wake", "light", "light", "deep", "deep", "light", "light", "light"] * 15
PAD = ["wake", "light", "light", "deep", "deep", "rem", "rem", "light"] * 15
CLOCK = pd.date_range("2026-03-01 22:00", periods=len(SCORER), freq="30s")


def stages_of(source: object) -> list[tuple[float, float, str]]:
    spans = read_hypnogram(source)
    words = [spans.stages[code] for code in spans.codes]
    each = zip(spans.onset_s.tolist(), spans.duration_s.tolist(), words, strict=True)
    return [(onset + i * 30, 30.0, word) for onset, duration, word in each for i in range(round(duration / 30))]


@pytest.mark.parametrize(
    "source",
    [
        tuple(SCORER),
        np.array(SCORER),
        pd.Series(SCORER),
        pd.Series(SCORER, dtype="category"),
        pd.Categorical(SCORER),
        pd.Index(SCORER),
        pd.array(SCORER, dtype="string"),
        pd.Series(SCORER, index=CLOCK),
        pd.Series(pd.Categorical(SCORER), index=CLOCK),
        pd.DataFrame({"stage": SCORER}),
        pd.DataFrame({"stage": pd.Categorical(SCORER)}, index=CLOCK),
        pd.Series(SCORER, index=CLOCK.to_period("30s")),
        pd.Series(SCORER, index=CLOCK - CLOCK[0]),
        pd.DataFrame({"stage": SCORER}, index=CLOCK - CLOCK[0]),
        pd.DataFrame({"stage": SCORER, "start": CLOCK}),
        pd.DataFrame({"stage": SCORER, "onset_s": np.arange(len(SCORER)) * 30}),
        pd.DataFrame({"stage": SCORER, "epoch": range(len(SCORER))}),
        pd.DataFrame({"stage": SCORER, "onset_s": np.arange(len(SCORER)) * 30, "duration_s": 30}),
        pd.DataFrame({"stage": SCORER, "start": CLOCK, "end": CLOCK + pd.Timedelta("30s")}),
    ],
    ids=lambda source: type(source).__name__,
)
def test_every_form_of_a_hypnogram_gives_the_same_epochs(source: object) -> None:
    assert stages_of(source) == stages_of(list(SCORER))


@pytest.mark.parametrize(
    "index",
    [
        pd.date_range("2026-03-01 22:00", periods=4, freq="60s"),
        pd.timedelta_range(0, periods=4, freq="60s"),
        pd.period_range("2026-03-01 22:00", periods=4, freq="min"),
    ],
    ids=lambda index: type(index).__name__,
)
def test_epochs_are_as_long_as_the_times_of_an_index_are_apart(index: pd.Index) -> None:
    stages, clock = ["W", "N2", "N2", "R"], None if isinstance(index, pd.TimedeltaIndex) else CLOCK[0]
    for given in (pd.Series(stages, index), pd.DataFrame({"stage": stages}, index)):
        spans = read_hypnogram(given)
        assert (spans.epoch_s, spans.end_s, spans.start) == (60.0, 240.0, clock)
        with pytest.raises(InputError, match="the times of the rows are not in order or stand twice"):
            read_hypnogram(given.iloc[::-1])


@pytest.mark.parametrize("other", ["onset_s", "epoch"])
def test_an_index_of_timedeltas_beside_a_column_that_tells_when_is_refused(other: str) -> None:
    frame = pd.DataFrame({"stage": ["W", "N2"], other: [0, 1]}, pd.timedelta_range(0, periods=2, freq="60s"))
    with pytest.raises(InputError, match=f"the index tells when each row begins, and so does column '{other}'"):
        read_hypnogram(frame)


def test_epochs_that_a_frame_does_not_have_are_gaps() -> None:
    frame = pd.DataFrame({"epoch": [3, 4, 7], "stage": ["W", "N2", "R"]})
    assert stages_of(frame) == [(90.0, 30.0, "W"), (120.0, 30.0, "N2"), (210.0, 30.0, "R")]


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        ({"epoch": [0, 0], "stage": ["W", "W"]}, "row 1: column 'epoch' is not in order, stands twice"),
        ({"epoch": [0, None], "stage": ["W", "W"]}, "row 1: column 'epoch' is not in order, stands twice"),
        ({"start": [CLOCK[0], None], "stage": ["W", "W"]}, "row 1: column 'start' lacks a time"),
        (
            {"onset_s": [0, 20], "duration_s": [30, 30], "stage": ["W", "N2"]},
            "row 1: the interval begins before one above",
        ),
        ({"tick": CLOCK[:2], "stage": ["W", "W"]}, "the DataFrame lacks columns. Found tick, stage"),
    ],
)
def test_a_frame_whose_times_cannot_be_used_is_refused(frame: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_hypnogram(pd.DataFrame(frame))


def test_numbers_without_stages_are_told_how_to_name_them() -> None:
    with pytest.raises(UnknownStageError) as told:
        align(reference=[0, 1, 2, 2, "x"], device=PAD)
    assert "Give read_hypnogram(..., stages={0: ..., 1: ..., 2: ..., 'x': ...}) with one of wake, light, " in str(
        told.value
    )
    assert "layout" not in str(told.value)
    assert read_hypnogram([0, 2], stages={0: "W", 2: "N2"}).stages == ("W", "N2")


def test_sides_are_read_where_they_are_given() -> None:
    read = align(reference=read_hypnogram(SCORER), device=read_hypnogram(PAD))
    given = align(reference=np.array(SCORER), device=pd.Series(PAD, dtype="category"))
    assert (given.native == read.native).all()
    path = FERRY / "reference" / "crew-1-night-1.edf"
    assert align(reference=str(path), device=path).ledger.scored > 500


@pytest.mark.parametrize("window", ["overlap", WindowRule.OVERLAP, Window(WindowRule.OVERLAP)])
def test_a_window_is_taken_as_text(window: object) -> None:
    paired = align(reference=SCORER, device=PAD[:60], window=window)
    assert paired.rule is WindowRule.OVERLAP
    assert paired.ledger.window_epochs == 60


NIGHT_BEGINS, NIGHT_ENDS = CLOCK[20].to_pydatetime(), CLOCK[60].to_pydatetime()


@pytest.mark.parametrize(
    ("window", "rule", "begins", "epochs"),
    [
        # 120 epochs from 22:00, lights off and on after 10 and 90 of them; the device speaks in the first 60
        (Window("lights"), WindowRule.LIGHTS, CLOCK[10], 80),
        (Window("reference"), WindowRule.REFERENCE, CLOCK[0], 120),
        (Window("overlap"), WindowRule.OVERLAP, CLOCK[0], 60),
        (Window(begin=NIGHT_BEGINS, end=NIGHT_ENDS), WindowRule.GIVEN, CLOCK[20], 40),
        (Window("given", end=NIGHT_ENDS), WindowRule.GIVEN, CLOCK[10], 50),
        (Window(begin=NIGHT_BEGINS), WindowRule.GIVEN, CLOCK[20], 70),
        (Window(), WindowRule.LIGHTS, CLOCK[10], 80),
    ],
)
def test_a_window_is_the_one_that_its_words_say(window: Window, rule: object, begins: object, epochs: int) -> None:
    marks = {"lights_off_s": 300.0, "lights_on_s": 2700.0}
    reference = read_hypnogram(SCORER, start=CLOCK[0]).with_changes(**marks)
    paired = align(reference=reference, device=read_hypnogram(PAD[:60], start=CLOCK[0]), window=window)
    assert (paired.rule, paired.begin, paired.ledger.window_epochs) == (rule, begins, epochs)


@pytest.mark.parametrize(
    ("given", "error", "message"),
    [
        ({"rule": "nonsense"}, ValueError, "rule must be one of 'lights', 'reference', 'overlap', 'given', not 'nonse"),
        ({"rule": 3}, ValueError, "rule must be one of .*, not 3"),
        ({"rule": WindowRule.OVERLAP, "begin": NIGHT_BEGINS}, ValueError, "begin is for a window .* not by 'overlap'"),
        ({"rule": "lights", "end": NIGHT_ENDS}, ValueError, "end is for a window by the rule 'given', not by 'lights'"),
        ({"begin": "2026-03-01T22:30"}, TypeError, "begin must be a date with a time, such as .*, not '2026"),
        ({"end": pd.NaT}, TypeError, "end must be a date with a time, such as .*, not NaT"),
    ],
)
def test_what_is_no_window_is_refused_when_it_is_made(
    given: dict[str, object], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        Window(**given)  # type: ignore[arg-type]


def test_a_window_by_the_clock_is_taken_as_text() -> None:
    series = pd.Series(SCORER, index=CLOCK)
    paired = align(reference=series, device=series, window="2026-03-01T22:10/2026-03-01T22:20")
    assert paired.ledger.window_epochs == 20


@pytest.mark.parametrize(
    ("settings", "error", "message"),
    [
        ({"window": 3}, TypeError, "window must be a Window or text"),
        ({"window": "soon"}, InputError, "the window cannot be read"),
        ({"outside": "sleep"}, ValueError, "outside must be one of 'missing', 'wake', not 'sleep'"),
        ({"reports": "wake,light"}, TypeError, "reports must list stages"),
        ({"device": 7}, TypeError, "device: source must be"),
        ({"device": ["nap", "doze"]}, UnknownStageError, r"^device: 2 unknown stage labels.*stages=\{'nap'"),
        ({"device": [None] * 9}, InputError, "the device has no scored epoch.*at least one stage.$"),
        ({"window": "2026-03-01T22:00/2026-03-02T06:00"}, InputError, r"read_hypnogram\(..., start=datetime"),
        ({"device": pd.Series(PAD, index=CLOCK)}, InputError, r"read_hypnogram\(..., start=datetime"),
        ({"reference": np.zeros((2, 2))}, ValueError, "reference: an array of labels must have one dimension"),
    ],
)
def test_what_align_cannot_use_is_named(settings: dict[str, object], error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        align(**{"reference": SCORER, "device": PAD, **settings})


def test_mappings_are_taken_by_name_and_by_path(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        'name = "own"\nclasses = ["awake", "asleep"]\n[reference]\nW = "awake"\nN1 = "asleep"\nN2 = "asleep"\n'
        'N3 = "asleep"\nR = "asleep"\n[device]\nW = "awake"\nlight = "asleep"\nN3 = "asleep"\nR = "asleep"\n'
    )
    assert read_mapping(str(path)) == find_mapping(path) == read_mapping(path)
    paired = align(reference=SCORER, device=BAND)
    named = compare(paired, mappings=["rem-left-out", path, find_mapping("wake-sleep")])
    assert [scored.mapping.name for scored in named.mappings] == ["rem-left-out", "own", "wake-sleep"]
    assert [scored.mapping.name for scored in compare(paired, mappings="wake-sleep").mappings] == ["wake-sleep"]
    assert StudyOptions(mappings=["wake-sleep"], margins={"TST": 20}) == StudyOptions(
        mappings=(find_mapping("wake-sleep"),), margins=(("TST", 20),)
    )
    with pytest.raises(MappingError, match="no built-in mapping has this name"):
        compare(paired, mappings=["rem"])
    with pytest.raises(TypeError, match=r"mappings\[1\] must be a StageMapping"):
        compare(paired, mappings=["wake-sleep", 3])
    with pytest.raises(TypeError, match="mappings must be a StageMapping"):
        compare(paired, mappings=3)


# --- studies ----------------------------------------------------------------------------------------------


def same_study(one: sleepagree.StudyAgreement, other: sleepagree.StudyAgreement) -> None:
    from sleepagree.render.frames import tabulate_bias, tabulate_study_confusion

    pd.testing.assert_frame_equal(tabulate_bias(one), tabulate_bias(other))
    pd.testing.assert_frame_equal(tabulate_study_confusion(one), tabulate_study_confusion(other))
    for a, b in zip(one.devices, other.devices, strict=True):
        assert [n.offset_gain for n in a.nights] == pytest.approx([n.offset_gain for n in b.nights], nan_ok=True)
    assert [c.differences[0].difference for c in one.comparisons] == [
        c.differences[0].difference for c in other.comparisons
    ]


def test_results_beside_their_names_give_the_study_of_their_files() -> None:
    table = read_nights_table(str(FERRY / "nights.csv"))
    table = replace(table, rows=tuple(row for row in table.rows if len(row.references) == 1))
    options = StudyOptions(resamples=50)
    expected = summarise_study(score_table(table), options)
    given = []
    for row in table.rows:
        device = read_hypnogram(
            table.path(row.device_file),
            layout=table.path(row.layout) if row.layout else None,
            zone=row.device_zone or None,
        )
        reference = read_hypnogram(table.path(row.references[0]), zone=row.reference_zone or None)
        paired = align(reference=reference, device=device, clock_offset_s=row.clock_offset_s, window=row.window or None)
        given.append((row.participant, row.night, row.device, compare(paired)))
    same_study(summarise_study(given, options), expected)
    frame = pd.DataFrame(given, columns=["participant", "night", "device", "agreement"])
    same_study(summarise_study(frame, options), expected)
    paired_only = [(*names, night.paired) for *names, night in given]
    same_study(summarise_study(iter(paired_only), options), expected)


def test_a_frame_of_nights_is_a_table_of_nights(monkeypatch: pytest.MonkeyPatch) -> None:
    path = FERRY / "nights.csv"
    frame = pd.read_csv(path, dtype=str)
    assert read_nights_table(frame, folder=FERRY).rows == read_nights_table(path).rows
    monkeypatch.chdir(FERRY)
    options = ScoringOptions(mappings=["wake-sleep"])
    first = frame.iloc[:2]
    assert [type(night) for night in score_table(first, options)] == [NightSummary, NightSummary]
    with pytest.raises(InputError, match="DataFrame"):
        read_nights_table(frame.assign(reference="nowhere.edf"))
    with pytest.raises(TypeError, match="source must be the path of a table of nights or a DataFrame, not list"):
        read_nights_table([1])


def test_progress_is_told_and_finished_nights_are_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told: list[tuple[int, int]] = []
    how = sleepagree.Execution(keep=str(tmp_path / "kept"), resume=True)
    path = FERRY / "nights.csv"
    first = score_table(path, execution=how, progress=lambda done, of: told.append((done, of)))
    assert (told[0], told[-1]) == ((0, 24), (24, 24))
    assert capsys.readouterr().err == ""
    told.clear()
    again = score_table(path, execution=how, progress=lambda done, of: told.append((done, of)))
    assert told == [(24, 24)]
    assert [night.native.tolist() for night in again] == [night.native.tolist() for night in first]
    score_table(path, progress=True)
    err = capsys.readouterr().err
    assert err.startswith("\r  ···")
    assert err.endswith("24 of 24 nights, all scored   \n")
    score_table(path, progress=False)
    assert capsys.readouterr().err == ""
    with pytest.raises(TypeError, match="progress must be True, False or a callable, not 'yes'"):
        score_table(path, progress="yes")


NIGHT = align(reference=SCORER, device=PAD)
NAMES = {"participant": "a", "night": "1", "device": "pad B"}


@pytest.mark.parametrize(
    ("given", "error", "message"),
    [
        ([], ValueError, "outcomes holds no night"),
        (3, TypeError, "outcomes must be an iterable of nights or a DataFrame, not int"),
        ("crew-1", TypeError, "outcomes must be an iterable"),
        ([compare(NIGHT)], TypeError, r"outcomes\[0\] is a NightAgreement without its names"),
        ([NIGHT], TypeError, r"outcomes\[0\] is a PairedNight without its names"),
        ([("a", "1", "pad B")], TypeError, r"outcomes\[0\] must be a NightSummary"),
        ([("a", "1", "pad B", SCORER)], TypeError, r"outcomes\[0\]: the result must be a NightAgreement"),
        ([("a", None, "pad B", NIGHT)], ValueError, r"outcomes\[0\]: night must be a name, not None"),
        ([(float("nan"), 1, "pad B", NIGHT)], ValueError, r"outcomes\[0\]: participant must be a name"),
        (
            [("a", 1, "pad B", NIGHT), ("a", "1", "pad B", NIGHT)],
            ValueError,
            r"outcomes\[1\]: .* in outcomes\[0\] already",
        ),
        (pd.DataFrame({"participant": ["a"]}), ValueError, "the DataFrame lacks the column 'night'"),
    ],
)
def test_what_is_no_night_is_refused_and_never_left_out(given: object, error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        summarise_study(given)


def test_a_night_that_stands_twice_is_no_night_more_however_it_is_given() -> None:
    one, other = (summarise_night(NIGHT, participant=who, night="1", device="pad B") for who in "ab")
    for again in (one, replace(one, row=7), ("a", "1", "pad B", NIGHT)):
        with pytest.raises(ValueError, match=r"outcomes\[2\]: participant 'a', night '1', device 'pad B' stand in o"):
            summarise_study([one, other, again], StudyOptions(resamples=0))
    with pytest.raises(ValueError, match=r"study\[2\]: participant 'a', .* stand in study\[0\] already"):
        learn_correction([one, other, one])
    assert summarise_study([one, other, replace(one, device="pad C")], StudyOptions(resamples=0)).given == 3


def people(*nights: object, device: str = "pad B") -> list[tuple[object, ...]]:
    return [(f"crew-{i}", "1", device, night) for i, night in enumerate(nights)]


def test_a_study_has_the_mappings_that_its_nights_were_compared_under() -> None:
    two = compare(NIGHT, mappings=["wake-nrem-rem", "wake-sleep"])
    few = StudyOptions(resamples=20)
    study = summarise_study(people(two, two), few)
    assert [m.mapping.name for m in study.devices[0].mappings] == ["wake-nrem-rem", "wake-sleep"]
    assert [m.name for m in study.options.mappings] == ["wake-nrem-rem", "wake-sleep"]
    # options go before them, and nights without a mapping of their own have none to share
    asked = summarise_study(people(two, two), replace(few, mappings=["wake-sleep"]))
    assert [m.mapping.name for m in asked.devices[0].mappings] == ["wake-sleep"]
    default = summarise_study(people(compare(NIGHT), NIGHT), few)
    assert default.options.mappings == ()
    band = align(reference=SCORER, device=BAND)
    both = people(compare(NIGHT), compare(NIGHT)) + people(compare(band), compare(band), device="band A")
    assert [d.mappings[0].mapping.name for d in summarise_study(both, few).devices] == [
        "wake-light-deep-rem",
        "rem-apart",
    ]


def test_nights_under_mappings_that_differ_are_refused() -> None:
    nights = people(compare(NIGHT, mappings="wake-sleep"), compare(NIGHT))
    with pytest.raises(MappingError, match=r"mappings that differ.*the default; wake-sleep.*StudyOptions\(mappings="):
        summarise_study(nights)
    assert summarise_study(nights, StudyOptions(mappings="wake-sleep", resamples=20)).given == 2


def test_groups_that_no_night_carries_are_refused() -> None:
    options = StudyOptions(resamples=20, by="age group")
    with pytest.raises(
        InputError, match=r"no night carries one. Found age group.*in that column of the table that is read"
    ):
        summarise_study(people(NIGHT, NIGHT), options)
    frame = pd.DataFrame(people(NIGHT, NIGHT, NIGHT, NIGHT), columns=["participant", "night", "device", "agreement"])
    study = summarise_study(frame.assign(**{"age group": ["old", "old", "young", "young"]}), options)
    assert [night.group for night in study.devices[0].nights] == ["old", "old", "young", "young"]
    with pytest.raises(ValueError, match="outcomes: column 'age group', row 1: the group must be a name, not nan"):
        summarise_study(frame.assign(**{"age group": ["old", None, "young", "young"]}), options)


def test_one_night_under_several_names_is_cautioned() -> None:
    # every sequence needs ten changes of stage: a dull night may happen twice
    study = summarise_study(people(NIGHT, NIGHT, NIGHT), StudyOptions(resamples=20))
    (caution,) = (c for c in study.cautions if c.kind is CautionKind.NIGHT_REPEATED)
    assert str(caution).startswith("pad B: on 2 of 3 nights the reference's stages are those of another night")
    assert caution["named"] == (("crew-1", "1"), ("crew-2", "1"))
    other = align(reference=SCORER[3:] + SCORER[:3], device=PAD)
    study = summarise_study(people(NIGHT, other), StudyOptions(resamples=20))
    assert CautionKind.NIGHT_REPEATED not in {c.kind for c in study.cautions}


def simulated(n: int) -> list[tuple[object, ...]]:
    rng = np.random.default_rng(2)
    scorers = [rng.permutation(np.repeat(SCORER, 3)) for _ in range(n)]
    bands = [np.where(rng.random(s.size) < 0.2, "N2", s) for s in scorers]
    return people(*(compare(align(reference=s, device=b)) for s, b in zip(scorers, bands, strict=True)))


def test_a_correction_is_learnt_from_whatever_a_study_takes() -> None:
    nights, told = simulated(5), []
    correction = learn_correction(nights, mapping="wake-sleep", progress=lambda *each: told.append(each))
    assert (correction.participants, correction.mapping.name) == (5, "wake-sleep")
    assert told[0][0] == 0
    assert told[-1] == (len(correction.measures),) * 2
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    frame = pd.DataFrame(nights, columns=["participant", "night", "device", "agreement"])
    assert learn_correction(frame, mapping="wake-sleep").to_dict() == correction.to_dict()
    study = summarise_study(nights, StudyOptions(mappings="wake-sleep", resamples=20))
    assert learn_correction(study).to_dict() == correction.to_dict()
    for given, error, message in (
        ([1], TypeError, r"study\[0\] must be a NightSummary, a Refusal, or \(participant"),
        ([compare(NIGHT)], TypeError, r"study\[0\] is a NightAgreement without its names"),
        ([], ValueError, "study holds no night"),
        (nights[:2], InputError, "from so few people. Found 2 with a scored night"),
    ):
        with pytest.raises(error, match=message):
            learn_correction(given)
    with pytest.raises(MappingError, match="no built-in mapping has this name"):
        learn_correction(nights, mapping="rem")
    with pytest.raises(TypeError, match="mapping must be one mapping, not wake-sleep, wake-nrem-rem"):
        learn_correction(nights, mapping=["wake-sleep", "wake-nrem-rem"])


def test_a_correction_as_a_structure_is_read_back(tmp_path: Path) -> None:
    correction = learn_correction(simulated(4), mapping="wake-sleep")
    path = tmp_path / "correction.json"
    path.write_text(json.dumps(correction.to_dict()), encoding="utf-8")
    assert read_correction(path).to_dict() == correction.to_dict()


def test_a_mapping_of_ones_own_is_made_of_dicts() -> None:
    classes = ["awake", "asleep"]
    sides = {"W": "awake", "sleep": "asleep", **dict.fromkeys(["N1", "N2", "N3", "R", "light", "deep"], "asleep")}
    own = StageMapping("own", classes, classes, sides, sides)
    assert own == StageMapping("own", tuple(classes), tuple(classes), tuple(sides.items()), tuple(sides.items()))
    assert hash(own)
    assert compare(NIGHT, mappings=own).mappings[0].counts.sum() == len(SCORER)
    less = StageMapping("own", classes, classes, sides, {stage: sides[stage] for stage in sides if stage != "R"})
    with pytest.raises(MappingError, match=r"nothing about 1 of the device's labels.*Add to the mapping device=\{'R"):
        compare(NIGHT, mappings=less)


@pytest.mark.parametrize(
    ("given", "error", "message"),
    [
        ({"reference": ["W", "N2"]}, TypeError, "reference must tell the class of each stage, such as .* not 'W'"),
        ({"device": "wake"}, TypeError, "device must tell the class of each stage"),
        ({"device": {"W": 3}}, TypeError, "device must tell the class of each stage"),
        ({"device": {"W": "nap"}}, MappingError, "takes 'W' into an unknown class. Found nap; expected one of a, b"),
        ({"reference_classes": "ab"}, TypeError, "reference_classes must list classes, such as"),
        ({"device_classes": [1, 2]}, TypeError, "device_classes must list classes, such as .* not '1'"),
    ],
)
def test_what_is_no_mapping_is_refused_by_field(given: dict[str, object], error: type[Exception], message: str) -> None:
    sides = {"W": "a", "sleep": "b"}
    fields = {"reference_classes": ["a", "b"], "device_classes": ["a", "b"], "reference": sides, "device": sides}
    with pytest.raises(error, match=message):
        StageMapping("own", **{**fields, **given})


def test_numbers_that_make_no_sense_are_refused_by_name() -> None:
    for workers in (-3, 0, 1.5, "2"):
        with pytest.raises(ValueError, match="workers must be a whole number from 1 on, not"):
            sleepagree.Execution(workers=workers)
    assert sleepagree.Execution(workers=np.int64(2)).workers == 2
    for range_s in (-5, 0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="range_s must be at least 5 s, not"):
            scan_clock(NIGHT, range_s=range_s)


@pytest.mark.parametrize(
    ("take", "error", "message"),
    [
        (
            lambda: sleepagree.ScoringOptions(window="foo"),
            InputError,
            r"^window: the window cannot be read\. Found foo;",
        ),
        (lambda: sleepagree.ScoringOptions(window=3), TypeError, 'window must be text such as "overlap" .*, not 3'),
        (
            lambda: sleepagree.ScoringOptions(outside="foo"),
            ValueError,
            "outside must be one of 'missing', 'wake', not 'foo'",
        ),
        (
            lambda: sleepagree.ScoringOptions(reports=["wake", "foo"]),
            InputError,
            r"a word that is no stage\. Found foo;",
        ),
        (lambda: sleepagree.ScoringOptions(reports="wake"), TypeError, "reports must list stages, .* not 'wake'"),
        (lambda: StudyOptions(resamples=True), ValueError, "resamples must be a whole number from 0 on, not True"),
        (lambda: StudyOptions(seed=-1), ValueError, "seed must be a whole number from 0 on, not -1"),
        (lambda: StudyOptions(seed="a"), ValueError, "seed must be a whole number from 0 on, not 'a'"),
        (lambda: StudyOptions(seed=1.5), ValueError, "seed must be a whole number from 0 on, not 1.5"),
        (
            lambda: StudyOptions(margins={"TST": "30"}),
            ValueError,
            "margins must tell a positive number for each measure",
        ),
        (lambda: StudyOptions(margins=30), ValueError, "margins must tell a positive number .*, not '30'"),
        (lambda: summarise_study([], {}), TypeError, r"options must be StudyOptions\(\.\.\.\), not \{\}"),
        (lambda: sleepagree.score_table("x", {}), TypeError, r"options must be ScoringOptions\(\.\.\.\), not \{\}"),
        (lambda: scan_clock(NIGHT, resamples=0), ValueError, "resamples must be a whole number from 1 on, not 0"),
        (lambda: scan_clock(NIGHT, resamples=5.5), ValueError, "resamples must be a whole number from 1 on, not 5.5"),
        (lambda: scan_clock(NIGHT, range_s="1800"), ValueError, "range_s must be at least 5 s, not '1800'"),
        (lambda: scan_clock(NIGHT, level=2), ValueError, "level must lie between 0 and 1, such as 0.95, not 2"),
        (lambda: compare(NIGHT, level="0.95"), ValueError, "level must lie between 0 and 1, such as 0.95, not '0.95'"),
        (lambda: compare_mappings(NIGHT, declared="mine"), MappingError, "Give its file with extra, or another name"),
        (lambda: compare(NIGHT).write_report("a.pdf"), ValueError, "path must end in .html, not 'a.pdf': a report is"),
    ],
)
def test_a_wrong_argument_is_refused_by_name_when_it_is_given(
    take: Callable[[], object], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        take()


TWO_NIGHTS = pd.DataFrame({"Participant": ["a"] * 120 + ["b"] * 120, "night": 1, "stage": SCORER * 2})


@pytest.mark.parametrize("more", [{}, {"epoch": [*range(120)] * 2}, {"start": [*CLOCK, *CLOCK + pd.Timedelta("1D")]}])
def test_a_frame_of_several_nights_says_how_to_group_it(more: dict[str, object]) -> None:
    frame = TWO_NIGHTS.assign(**more)
    with pytest.raises(InputError, match=r"more than one night.*frame.groupby\(\['Participant', 'night'\]\)"):
        read_hypnogram(frame)
    assert len(stages_of(frame[frame["Participant"] == "a"][["stage", *more]])) == 120


def test_a_margin_of_no_measure_is_refused_and_never_passed_over() -> None:
    with pytest.raises(InputError, match=r"margins: a margin is stated .* Found naps; expected one of .*minutes REM"):
        summarise_study([("a", "1", "pad B", NIGHT)], StudyOptions(resamples=20, margins={"naps": 3}))


@pytest.mark.parametrize("take", [compare, compare_mappings, scan_clock, partial(summarise_night, **NAMES)])
def test_what_takes_a_paired_night_says_so(take: Callable[[object], object]) -> None:
    with pytest.raises(TypeError, match="paired must be a PairedNight, as align"):
        take(SCORER)


@pytest.mark.parametrize("told", ["no", "", 2, None])
def test_what_is_neither_true_nor_false_is_refused(told: object) -> None:
    with pytest.raises(ValueError, match=f"log_ratio must be True or False, not {told!r}"):
        StudyOptions(log_ratio=told)  # type: ignore[arg-type]


def test_numbers_of_numpy_are_numbers_of_json() -> None:
    long = read_hypnogram(SCORER, epoch_s=np.float32(30))
    night = compare(align(reference=long, device=PAD, clock_offset_s=np.int64(30)), level=np.float32(0.5))
    plain = compare(align(reference=SCORER, device=PAD, clock_offset_s=30), level=0.5)
    assert json.dumps(night.to_dict()) == json.dumps(plain.to_dict())
    given = {"resamples": np.int64(20), "seed": np.int64(1), "level": np.float64(0.9), "log_ratio": np.False_}
    options = StudyOptions(margins={"TST": np.int64(20)}, **given)  # type: ignore[arg-type]
    study = summarise_study(people(NIGHT, NIGHT, NIGHT), options)
    assert json.loads(json.dumps(study.to_dict()))
    same = StudyOptions(resamples=20, seed=1, level=0.9, margins={"TST": 20})
    assert study.to_dict() == summarise_study(people(NIGHT, NIGHT, NIGHT), same).to_dict()


def test_a_device_that_reports_every_stage_has_a_redistribution_without_rows() -> None:
    full, lacks = (compare(align(reference=SCORER, device=device)).to_frame("redistribution") for device in (PAD, BAND))
    assert (len(full), len(lacks) > 0) == (0, True)
    assert full.columns.tolist() == lacks.columns.tolist()


def test_epochs_tell_seconds_that_are_no_whole_ones() -> None:
    # 400 epochs of 30 s after the start, which lies an eighth of a second after that of the file, by hand
    long = pd.DataFrame({"onset_s": 0.125 + 30 * np.arange(480), "stage": SCORER * 4})
    epochs = compare(align(reference=long, device=long)).to_frame("epochs")
    assert float(epochs["start"].iloc[400]) == 400 * 30 + 0.125


def test_a_night_is_summarised_without_a_table() -> None:
    night = summarise_night(NIGHT, participant="a", night="1", device="pad B")
    assert (night.row, night.scored) == (0, len(SCORER))


@pytest.mark.parametrize("name", ["", " ", None, float("nan"), pd.NA, np.ma.masked])
def test_nobody_is_no_name(name: object) -> None:
    for which in NAMES:
        with pytest.raises(ValueError, match=f"^{which} must be a name, not "):
            summarise_night(NIGHT, **{**NAMES, which: name})
    with pytest.raises(ValueError, match=r"^outcomes\[0\]: participant must be a name, not "):
        summarise_study([(name, "1", "pad B", NIGHT)])
    groups = np.array(["a"] * 60 + [name] * 60, dtype=object)
    with pytest.raises(ValueError, match=r"^groups\[60\] must be a name, not "):
        sleepagree.agreement_score(SCORER, PAD, groups=groups)


def test_numbers_are_names() -> None:
    night = summarise_night(NIGHT, participant=7, night=1, device="pad B")  # type: ignore[arg-type]
    assert (night.participant, night.night) == ("7", "1")
    masked = np.ma.array([7] * len(SCORER), mask=[0] * 100 + [1] * 20)
    with pytest.raises(ValueError, match=r"^groups\[100\] must be a name, not masked"):
        sleepagree.agreement_score(SCORER, PAD, groups=masked)


# --- the entrance -----------------------------------------------------------------------------------------


def test_every_public_name_is_documented_with_an_example() -> None:
    for name in sleepagree.__all__:
        documented = inspect.getdoc(getattr(sleepagree, name)) or ""
        assert len(documented) > 20, name
        assert "Examples\n" in documented, f"{name} lacks Examples"
        if inspect.isfunction(getattr(sleepagree, name)):
            assert "Parameters\n" in documented, f"{name} lacks Parameters"
            assert "Raises\n" in documented, f"{name} lacks Raises"


#: Names and parameters that scripts rely on.
SIGNATURES = {
    "Execution": "workers scheduler keep resume",
    "agreement_score": "y_true y_pred groups stages reports options",
    "compare": "paired mappings level",
    "compare_mappings": "paired extra declared level",
    "fit_limits_of_agreement": "reference device participant level multiplier scale",
    "read_hypnogram": "source layout stages start epoch_s zone reports own_words name",
    "StudyOptions": "mappings resamples seed level margins log_ratio by",
    "ScoringOptions": "mappings window outside reports clock epochs anonymous",
    "Window": "rule begin end",
    "align": "reference device clock_offset_s window outside reports",
    "find_mapping": "text",
    "read_layout": "path",
    "read_mapping": "path",
    "learn_correction": "study device mapping level progress",
    "read_correction": "path",
    "read_nights_table": "source folder needs_reference by device",
    "read_spans": "path layout zone own_words",
    "scan_clock": "paired mapping range_s resamples seed level",
    "score_table": "table options execution progress epochs keep_epochs",
    "summarise_night": "paired participant night device row mapping references device_source scorers "
    "coincidences group staged_outside undecided",
    "summarise_study": "outcomes options",
}


def test_public_names_and_parameters_are_those_that_scripts_rely_on() -> None:
    assert sleepagree.__all__ == sorted(sleepagree.__all__)
    assert set(SIGNATURES) <= set(sleepagree.__all__)
    called = {name for name in sleepagree.__all__ if inspect.isfunction(getattr(sleepagree, name))}
    assert called <= set(SIGNATURES)
    for name, parameters in SIGNATURES.items():
        assert list(inspect.signature(getattr(sleepagree, name)).parameters) == parameters.split(), name


# --- what results show of themselves ----------------------------------------------------------------------


def example_study() -> sleepagree.StudyAgreement:
    nights = [(who, "1", "pad B", NIGHT) for who in "abc"]
    nights += [(who, "1", "band A", align(reference=SCORER, device=BAND)) for who in "abc"]
    nights += [(who, "1", "pad C", NIGHT) for who in "abc"]
    return summarise_study(nights, StudyOptions(resamples=50))


def reached(value: object, seen: dict[type, object]) -> dict[type, object]:
    """Return one object of each dataclass that can be reached from a result."""
    if is_dataclass(value) and not isinstance(value, type):
        seen.setdefault(type(value), value)
        for field in fields(value):
            reached(getattr(value, field.name), seen)
    elif isinstance(value, tuple):
        for each in value:
            reached(each, seen)
    return seen


def test_no_result_fills_the_console() -> None:
    study, night = example_study(), compare(NIGHT)
    for result in (study, night, compare_mappings(NIGHT)):
        lines = repr(result).splitlines()
        assert 2 <= len(lines) <= 5
        assert result.finding.partition(" in the ")[0][:60] in lines[0]
        assert type(result).__name__ in lines[0]
        # a part that has lines of its own, or that shows whole arrays, would fill the console
        for part in reached(result, {}).values():
            assert len(repr(part).splitlines()) <= 5
    for part in (NIGHT, NIGHT.reference_spans, night.mappings[0], study.devices[0], study.devices[0].bias[0]):
        assert repr(part).startswith(f"{type(part).__name__}(")
        assert len(repr(part)) <= 240
    assert "and 1 more device, see .finding" in repr(study)


def test_a_result_gives_its_tables_by_name() -> None:
    night, study = compare(NIGHT), example_study()
    measures = night.to_frame("measures")
    assert {"unit", "reference", "device", "difference"} <= set(measures.columns)
    pd.testing.assert_frame_equal(night.to_frame(), measures)
    assert night.to_frame("confusion").to_numpy().sum() == len(SCORER)
    for result, names in (
        (night, ["measures", "confusion", "classes", "redistribution", "bias-sources", "epochs"]),
        (study, ["bias", "bias-in-full", "nights", "confusion"]),
    ):
        for name in names:
            assert isinstance(result.to_frame(name), pd.DataFrame)
            assert name in repr(result).splitlines()[-1]
        with pytest.raises(ValueError, match=r"table must be one of .*, not 'naps'"):
            result.to_frame("naps")
    assert len(study.to_frame("nights")) == 9


def test_every_result_writes_its_report(tmp_path: Path) -> None:
    for i, result in enumerate((compare(NIGHT), example_study())):
        path = tmp_path / f"{i}.html"
        result.write_report(str(path))
        text = path.read_text(encoding="utf-8")
        assert text.lower().startswith("<!doctype html>")
        assert "<svg" in text
        with pytest.raises(OutputError, match="exists"):
            result.write_report(path)
        result.write_report(path, overwrite=True)
        assert path.read_text(encoding="utf-8") == text


def test_a_caution_prints_as_its_sentence() -> None:
    night = compare(align(reference=SCORER, device=read_hypnogram(BAND, reports=["wake", "light", "deep"])))
    document = night.to_dict()["cautions"]
    assert document
    assert [str(caution) for caution in night.cautions] == [one["text"] for one in document]


def test_cautions_print_one_a_line() -> None:
    cautions = example_study().cautions
    lines = repr(cautions).splitlines()
    assert len(lines) == len(cautions) >= 3
    assert all(line.startswith("- ") and len(line) <= 104 for line in lines)
    assert str(cautions[0]).startswith(lines[0].removeprefix("- ").removesuffix(" …"))
    assert repr(cautions[:0]) == "()"
    assert repr(type(cautions)()) == "no cautions"
    assert cautions == tuple(cautions)


def test_a_long_finding_ends_after_a_word() -> None:
    from sleepagree.render.columns import cut_at_word

    assert cut_at_word("kappa is 0.5, of 30 nights", 20) == "kappa is 0.5, of …"
    assert cut_at_word("kappa is 0.5", 20) == "kappa is 0.5"


def test_the_bias_table_is_short_and_another_holds_all() -> None:
    study = example_study()
    short, full = study.to_frame(), study.to_frame("bias-in-full")
    assert short.columns.tolist() == [
        "device",
        "measure",
        "unit",
        "participants",
        "nights",
        "reference_mean",
        "device_mean",
        "bias",
        "bias_low",
        "bias_high",
        "lower",
        "upper",
    ]
    assert set(short.columns) < set(full.columns)
    pd.testing.assert_frame_equal(full[short.columns], short)


def test_a_result_is_a_plain_structure() -> None:
    night, study = compare(NIGHT), example_study()
    assert json.loads(json.dumps(night.to_dict()))["schema"] == night_document(night)["schema"]
    for told, document in ((night.to_dict(), night_document(night)), (study.to_dict(), study_document(study))):
        assert {**told, "cautions": ""} == {**document, "cautions": ""}
        # the same cautions, which name arguments in one and options in the other
        assert [c["kind"] for c in told["cautions"]] == [c["kind"] for c in document["cautions"]]
    assert study.finding == " ".join(describe_study(study).findings)
    assert night._repr_html_().startswith("<p><strong>")


# --- epochs that are counted --------------------------------------------------------------------------------


def counting(reference: object, device: object) -> list[str]:
    kinds = CautionKind.FIRST_EPOCHS_DIFFER, CautionKind.LENGTHS_DIFFER
    paired = align(reference=reference, device=device)
    night = compare(paired)
    # a study of that night says it, too, where it changes more than the ends
    summed = [caution.kind for caution in summarise_night(paired, participant="a", night="1", device="pad B").cautions]
    for caution in night.cautions:
        if caution.kind in kinds:
            assert (caution.kind in summed) == (caution.get("times") != 0)
    return [str(caution) for caution in night.cautions if caution.kind in kinds]


def test_numbers_of_epochs_from_1_beside_those_from_0_are_told() -> None:
    numbered = pd.DataFrame({"epoch": range(1, len(PAD) + 1), "stage": PAD})
    from_0 = numbered.assign(epoch=numbered["epoch"] - 1)
    (told,) = counting(SCORER, numbered)
    assert told == (
        "The reference begins with epoch 0, the device with epoch 1, and neither tells a clock: the device was laid "
        "1 epoch after the reference, as numbers of epochs count from 0. If both began together, take 1 from the "
        "device's column epoch."
    )
    (other,) = counting(numbered.assign(stage=SCORER), from_0)
    assert "the reference was laid 1 epoch after the device" in other
    # numbers that are right, and sides that both count from 1, are none's concern
    assert counting(SCORER, from_0) == counting(numbered.assign(stage=SCORER), numbered) == []
    assert counting(pd.Series(SCORER, index=range(7, 7 + len(SCORER))), PAD) == []
    clocked = (read_hypnogram(side, start=CLOCK[0].to_pydatetime()) for side in (SCORER, numbered))
    assert counting(*clocked) == []


def test_sequences_of_different_length_are_told_and_whole_ratios_asked_about() -> None:
    (told,) = counting(SCORER, [*PAD, "wake"])
    assert told == (
        "The reference has 120 epochs of 30 s, the device 121 epochs of 30 s, and neither tells a clock: both were "
        "taken to begin together."
    )
    (halved,) = counting(SCORER, PAD[::2])
    assert halved.endswith("Are the device's epochs 60 s long? Then give it by read_hypnogram(..., epoch_s=60).")
    (doubled,) = counting(SCORER[::2], PAD)
    assert "Are the reference's epochs 60 s long?" in doubled
    assert counting(SCORER, read_hypnogram(PAD[::2], epoch_s=60)) == []
    assert counting(SCORER, [*PAD[:-3], None, None, None]) == []  # a gap at the end is an epoch


def test_the_mappings_of_a_night_have_the_interval_that_is_told_first() -> None:
    night = compare(align(reference=SCORER, device=PAD), mappings=["wake-sleep", "wake-nrem-rem"])
    frame = night.to_frame("mappings")
    assert frame.columns.tolist() == ["epochs", "left_out_epochs", "accuracy", "kappa", "low", "high"]
    for scored in night.mappings:
        row, told = frame.loc[scored.mapping.name], scored.intervals.kappa
        assert (row["kappa"], row["epochs"]) == (scored.table.kappa.value, scored.table.n)
        np.testing.assert_equal([row["low"], row["high"]], [told.low, told.high])


def test_a_frame_of_both_sides_is_told_to_be_given_by_its_columns() -> None:
    frame = pd.DataFrame({"scorer": SCORER, "band": BAND, "mood": "fine"})
    with pytest.raises(InputError) as told:
        align(reference=frame, device=frame)
    assert told.value.remedy == "Give each side by itself: frame['scorer'] and frame['band']."
    assert align(reference=frame["scorer"], device=frame["band"]).ledger.scored == len(SCORER)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: StudyOptions(resamples=-1), "resamples must be a whole number from 0 on, not -1"),
        (lambda: StudyOptions(level=95), "level must lie between 0 and 1, such as 0.95, not 95"),
        (lambda: StudyOptions(level="0.95"), "level must lie between 0 and 1, such as 0.95, not '0.95'"),  # type: ignore[arg-type]
        (lambda: sleepagree.Execution(resume=True), "resume needs keep, the folder in which finished nights were kept"),
        (lambda: read_hypnogram(SCORER, epoch_s="60"), "epoch_s must be a positive number of seconds, not '60'"),  # type: ignore[arg-type]
    ],
)
def test_settings_that_cannot_be_are_refused_by_name_when_they_are_made(
    make: Callable[[], object], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        make()


def test_a_figure_in_place_of_axes_is_refused_by_name() -> None:
    from matplotlib.figure import Figure

    night = compare(align(reference=SCORER, device=PAD))
    for draw in (sleepagree.figures.draw_hypnograms, sleepagree.figures.draw_confusion):
        with pytest.raises(TypeError, match=r"ax must be a matplotlib Axes, .* not Figure"):
            draw(night, ax=Figure())
