"""A study's nights become a correction, its JSON comes back equal, and new nights are corrected or refused."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from sleepagree.caution import CautionKind, Note, NoteKind
from sleepagree.describe.blocks import Table
from sleepagree.describe.correction import describe_corrected, describe_correction
from sleepagree.describe.words import say_measure
from sleepagree.errors import FileFormatError, Front, InputError
from sleepagree.files.writing import encode_text
from sleepagree.hypnogram.window import parse_window
from sleepagree.inference.correction import Method, Verdict, as_written
from sleepagree.mapping.mapping import mapping_named
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.correction_json import corrected_document, correction_document
from sleepagree.render.json_text import dump_filled
from sleepagree.render.terminal import render_terminal
from sleepagree.study import correction_learning
from sleepagree.study.correction import Correction
from sleepagree.study.correction_file import read_correction
from sleepagree.study.correction_learning import learn_correction
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import FERRY, simulated_nights

DEVICE = FERRY / "pad-b" / "crew-3-night-2.csv"
LAYOUT = FERRY / "pad-b.toml"


@pytest.fixture(scope="module")
def nights():
    return simulated_nights(participants=22, nights=1)


@pytest.fixture(scope="module")
def exact(nights) -> Correction:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(correction_learning, "as_written", lambda found: found)
        return learn_correction(nights, device="pad B")


@pytest.fixture(scope="module")
def learnt(exact) -> Correction:
    """What is learnt: the tests of the same bytes learn it without these fixtures."""
    return replace(exact, **{name: as_written(getattr(exact, name)) for name in ("features", "measures", "epochs")})


def written(correction: Correction, folder: Path) -> Path:
    path = folder / "correction.json"
    path.write_bytes(encode_text(dump_filled(correction_document(correction))))
    return path


def test_a_correction_knows_what_it_was_learnt_from(nights, learnt):
    assert (learnt.device, learnt.participants, learnt.nights) == ("pad B", 22, 22)
    assert learnt.reports == ("N3", "R", "W", "light")
    told = {m.measure: m for m in learnt.measures}
    assert set(told) >= {"TST", "SOL", "WASO", "SE", "minutes rem", "percent deep"}
    own = [n for n in nights if n.device == "pad B"]
    total = [n.device_measures[1] for n in own]
    assert told["TST"].learned.own_range == (min(total), max(total))
    differences = [abs(n.device_measures[1] - n.reference_measures[1]) for n in own]
    assert told["TST"].learned.raw.error == pytest.approx(sum(differences) / len(differences), abs=1e-4)


def test_a_study_gives_the_same_as_its_nights(nights, learnt):
    few = [n for n in nights if n.device == "pad B"]
    assert learn_correction(summarise_study(few, StudyOptions(resamples=0))) == learnt


def test_the_same_bytes_whatever_the_order_of_rows(nights, learnt):
    mixed = [replace(n, row=i) for i, n in enumerate(random.Random(1).sample(nights, len(nights)))]
    again = learn_correction(mixed, device="pad B")
    assert dump_filled(correction_document(again)) == dump_filled(correction_document(learnt))


def test_a_correction_comes_back_from_its_json(learnt, tmp_path):
    path = written(learnt, tmp_path)
    back = read_correction(path)
    assert encode_text(dump_filled(correction_document(back))) == path.read_bytes()
    # all but what a mapping takes for granted, which is words
    assert replace(learnt, mapping=back.mapping) == back


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_correction_may_have_a_byte_order_mark(encoding, learnt, tmp_path):
    path = written(learnt, tmp_path)
    plain = read_correction(path)
    path.write_text(path.read_text(encoding="utf-8"), encoding=encoding)
    assert read_correction(path) == plain


def test_six_digits_change_nothing_that_is_printed(exact, learnt):
    assert exact != learnt
    for labels in (labels_of("doze", "sound", "dream"), labels_of("sound", "sound"), labels_of("doze", "doze")):
        for one, other in zip(learnt_night(learnt, labels), learnt_night(exact, labels), strict=True):
            assert one == pytest.approx(other, abs=0.005, nan_ok=True)


def labels_of(*stages: str) -> list[str]:
    words = {"doze": "light", "sound": "N3", "dream": "R"}
    return ["W"] * 40 + [words[s] for s in stages for _ in range(250)] + ["W"] * 10


def learnt_night(correction: Correction, labels: list[str]) -> list[tuple[float, float, float]]:
    return [(m.corrected, m.low, m.high) for m in correction.apply(read_hypnogram(labels)).measures]


def test_the_devices_own_values_stand_beside_the_corrected_ones(learnt):
    found = {m.measure: m for m in learnt.apply(read_hypnogram(labels_of("doze", "sound", "dream"))).measures}
    # by hand: 40 + 10 epochs of wake, 250 of each other stage, half a minute each
    assert found["TST"].device == 375
    assert found["SOL"].device == 20
    assert found["WASO"].device == 5
    assert found["SE"].device == pytest.approx(100 * 375 / 400)
    assert found["minutes rem"].device == 125
    assert found["percent deep"].device == pytest.approx(100 / 3)
    for m in found.values():
        assert m.low <= m.corrected <= m.high
        if m.learned.method is Method.NONE:
            assert m.corrected == m.device
        if m.learned.method is Method.SHIFT:
            assert m.corrected == pytest.approx(max(0, m.device + m.learned.model.intercept))


def test_what_lies_outside_the_learnt_range_is_marked(learnt):
    night = learnt.apply(read_hypnogram(labels_of("sound", "sound", "sound")))
    deep = next(m for m in night.measures if m.measure == "minutes deep")
    assert deep.device > deep.learned.own_range[1]
    assert deep.extrapolated
    lines = render_terminal(describe_corrected(night))
    for m in night.measures:
        name = say_measure(m.measure)
        assert any(line.startswith(f"* {name} ") for line in lines) is m.extrapolated
        assert any(line.startswith(f"  {name} ") for line in lines) is not m.extrapolated
    kinds = [c.kind.value for c in night.cautions]
    assert {"extrapolated", "window_by_device", "pulled_to_usual", "like_the_study"} <= set(kinds)
    assert "learnt_from_few" not in kinds
    assert corrected_document(night)["cautions"][0]["text"]


def test_a_night_that_lacks_what_is_helped_says_so(learnt):
    helps = [
        replace(m, learned=replace(m.learned, verdict=Verdict.HELPS)) for m in learnt.measures if m.measure == "WASO"
    ]
    night = replace(learnt, measures=tuple(helps)).apply(read_hypnogram(["W"] * 60 + ["light"] * 60))
    assert night.finding.startswith("Corrected: WASO")
    night = replace(learnt, measures=tuple(helps)).apply(read_hypnogram(["W"] * 60))
    assert night.finding.startswith("Not corrected, though a correction helps: WASO, made of what this night lacks.")


def test_percent_and_minutes_stay_within_what_can_be(learnt):
    for labels in (labels_of("sound", "sound"), labels_of("dream"), ["W"] * 30 + ["light"] * 4, ["W"] * 80):
        for m in learnt.apply(read_hypnogram(labels)).measures:
            ends = [v for v in (m.corrected, m.low, m.high) if not math.isnan(v)]
            assert all(0 <= v <= (100 if m.unit.startswith("%") else len(labels) / 2) for v in ends)


def test_a_device_without_rem_gets_rem_minutes(nights):
    learnt = learn_correction(nights, device="band A")
    rem = next(m for m in learnt.measures if m.measure == "minutes rem").learned
    assert rem.raw is None
    assert rem.method in (Method.MEAN, Method.MANY)
    found = learnt.apply(read_hypnogram(labels_of("doze", "sound", "doze"))).measures
    value = next(m for m in found if m.measure == "minutes rem")
    assert value.device != value.device
    assert value.low <= value.corrected <= value.high


def test_a_usual_value_in_a_window_of_another_length_is_marked(nights):
    learnt = learn_correction(nights, device="band A")
    usual = [m for m in learnt.measures if m.learned.method is Method.MEAN and m.learned.own_range is None]
    assert usual
    short = replace(learnt, measures=tuple(usual)).apply(read_hypnogram(labels_of("doze")))
    assert [m.measure for m in short.measures if not m.extrapolated] == []
    assert short.cautions[0].kind is CautionKind.EXTRAPOLATED


def test_a_device_that_is_one_of_several_must_be_named(nights):
    with pytest.raises(InputError, match=r"several devices.*device=\.\.\."):
        learn_correction(nights)
    with pytest.raises(InputError, match="no scored night of this device"):
        learn_correction(nights, device="pad C")


def test_names_that_are_likely_one_persons_are_refused(nights):
    """Nights of that person would be on both sides of a split."""
    own = [n for n in nights if n.device == "pad B"]
    named = [replace(n, participant=f"Crew {i // 2}" if i % 2 else f"crew  {i // 2}") for i, n in enumerate(own)]
    with pytest.raises(InputError, match="differ in capital letters or spaces alone") as caught:
        learn_correction(named)
    one, other = caught.value.found.split(" and ")
    assert one != other
    assert one.casefold().split() == other.casefold().split()


def amiss(nights, **values):
    return [replace(n, **values) for n in nights if n.device == "pad B"]


def test_nights_that_are_a_doubtful_guide_are_told_with_what_is_learnt_and_with_each_night(nights, tmp_path):
    halved = [replace(n, window_epochs=2 * n.window_epochs) for n in nights if n.device == "pad B"]
    correction = learn_correction(halved)
    (doubt,) = correction.doubts
    told = "Of the nights learnt from: pad B: on 22 of 22 nights less than 90 % of the window's epochs have a stage"
    assert str(doubt).startswith(told)
    assert not any(n.participant in str(doubt) for n in halved)
    back = read_correction(written(correction, tmp_path))
    assert back.doubts == correction.doubts
    night = back.apply(read_hypnogram(labels_of("doze", "sound", "dream")))
    assert doubt in night.cautions


def test_a_clock_that_is_off_is_told_with_what_is_learnt(nights):
    off = amiss(nights, clock_hint="offset", best_offset_s=1200.0)
    (doubt,) = learn_correction(off).doubts
    assert "on 22 of 22 nights agreement has a sharp peak at another clock offset (+1200 s)" in str(doubt)


def test_what_concerns_few_nights_is_no_doubt(nights):
    own = amiss(nights)
    off = [replace(own[0], clock_hint="offset", best_offset_s=1200.0), *own[1:]]
    correction = learn_correction(off)
    assert correction.doubts == ()
    assert any("on 1 of 22 nights agreement has a sharp peak" in str(caution) for caution in correction.cautions)


def test_two_people_are_too_few():
    with pytest.raises(InputError, match=r"so few people.*at least 3 participants"):
        learn_correction(simulated_nights(participants=2, nights=3), device="pad B")


# --- refused nights ---------------------------------------------------------------------------------------


def test_labels_that_were_not_learnt_from_are_refused(learnt):
    with pytest.raises(InputError, match=r"a label that the correction was not learnt from.*'N2' as N2"):
        learnt.apply(read_hypnogram(["W"] * 10 + ["N2"] * 100))
    with pytest.raises(InputError, match="'light' as"):
        replace(learnt, labels=(("light", "N1"), ("W", "W"))).apply(read_hypnogram(["light"] * 50))


def test_a_night_without_a_stage_is_told_of_as_a_night(learnt):
    for labels in ([], ["unscored"] * 9):
        with pytest.raises(InputError, match="the night has no scored epoch"):
            learnt.apply(labels)


def test_a_label_that_a_layout_takes_for_no_stage_is_refused_where_it_was_learnt_as_one(learnt):
    labels = [label for label, stage in learnt.labels if stage == "R"]
    night = read_hypnogram(["W", "light", *labels] * 30, stages=dict.fromkeys(labels, "unscored"))
    with pytest.raises(InputError, match=r"a label that the correction was not learnt from.* as unscored"):
        learnt.apply(night)


def test_what_nobody_can_tell_of_a_new_night_is_not_learnt(nights):
    with pytest.raises(InputError, match="a mapping that leaves stages of the reference out"):
        learn_correction(nights, device="pad B", mapping="rem-left-out")
    # a mapping file may say the same of labels, which the nights tell the stages of
    labels = tuple(f"Sleep stage {stage}" for stage in nights[0].reference_set.labels)
    named = [replace(n, reference_set=replace(n.reference_set, labels=labels)) for n in nights]
    by_stage = mapping_named("rem-left-out")
    own = replace(by_stage, name="own", reference=[(f"Sleep stage {s}", of) for s, of in by_stage.reference])
    with pytest.raises(InputError, match="a mapping that leaves stages of the reference out"):
        learn_correction(named, device="pad B", mapping=own)
    filled = [replace(n, notes=(*n.notes, Note.of(NoteKind.SILENT_AS_WAKE, count=3))) for n in nights]
    with pytest.raises(InputError, match="silence of the device was taken as wake"):
        learn_correction(filled, device="pad B")


def test_a_window_is_by_the_clock_of_the_place_that_is_named(learnt):
    start, end = datetime(2026, 3, 1, 20, 30, tzinfo=UTC), datetime(2026, 3, 1, 21, 30, tzinfo=UTC)
    times = pd.date_range(start, end, freq="30s", inclusive="left")
    device = pd.DataFrame({"start": times, "end": times + pd.Timedelta("30s"), "stage": ["light"] * len(times)})
    there = read_hypnogram(device, zone="Europe/Helsinki")
    by_clock = learnt.apply(there, window="2026-03-01T22:30/2026-03-01T23:00")
    assert {m.measure: m.device for m in by_clock.measures}["TST"] == 30.0
    with pytest.raises(InputError, match="the window cannot be laid on this night"):
        learnt.apply(read_hypnogram(device), window="2026-03-01T22:30/2026-03-01T23:00")


def test_other_reports_and_epochs_are_refused(learnt):
    with pytest.raises(InputError, match="declares other stages"):
        learnt.apply(read_hypnogram(labels_of("doze"), reports=["wake", "light", "deep"]))
    minute = replace(learnt, epoch_steps_s=(60.0,))
    with pytest.raises(InputError, match=r"another epoch length.*30 s; expected 60 s"):
        minute.apply(read_hypnogram(labels_of("doze")))


def test_a_given_window_is_the_time_in_bed(learnt):
    spans = read_hypnogram(DEVICE, layout=LAYOUT)
    learnt = replace(learnt, labels=tuple(zip(spans.labels, spans.stages, strict=True)), epoch_steps_s=(60.0,))
    by_device = learnt.apply(spans)
    begin = spans.start + timedelta(hours=1)
    cut = learnt.apply(spans, window=parse_window(f"{begin.isoformat()}/{(begin + timedelta(hours=4)).isoformat()}"))
    assert cut.window_minutes == 240 < by_device.window_minutes
    assert "window_by_device" not in [c.kind.value for c in cut.cautions]


# --- damaged files ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("schema",), "sleepagree.correction/2", "a later version of sleepagree wrote this correction"),
        (("schema",), "sleepagree.study/2", "this is no correction"),
        (("device",), 3, "field 'device'"),
        (("level",), 2, "field 'level'"),
        (("level",), 10**400, "field 'level'"),
        (("participants",), True, "field 'participants'"),
        (("labels",), {"doze": 1}, "field 'labels'"),
        (("epochs",), {}, "field 'epochs.classes'"),
        (("epochs", "classes"), ["wake", "snoring"], "field 'epochs.classes'"),
        (("epochs", "device_classes"), ["wake"], "field 'epochs.device_classes'"),
        (("epochs", "device_asleep"), [1, 0, 0, 0], "field 'epochs.device_asleep'"),
        (("epochs", "hour_knots"), [0.0, 2.0, 1.0], "field 'epochs.hour_knots'"),
        (("epochs", "part_knots"), [0.0, 1.0], "field 'epochs.part_knots'"),
        (("epochs", "share_minutes"), [0.0], "field 'epochs.share_minutes[0]'"),
        (("epochs", "features"), [], "field 'epochs.features'"),
        (("epochs", "coefficients", 0, "class"), "deep", "field 'epochs.coefficients'"),
        (("epochs", "coefficients", 1, "weights"), [0.0], "field 'epochs.coefficients[1].weights'"),
        (("epochs", "coefficients", 1, "weights", 3), "0", "field 'epochs.coefficients[1].weights[3]'"),
        (("epochs", "verdict"), "yes", "field 'epochs.verdict'"),
        (("epochs", "brier"), 3, "field 'epochs.brier'"),
        (("epochs", "reliability"), [[0.1, 0.2]], "field 'epochs.reliability[0]'"),
        (("epochs", "by_label", 0, "label"), "rest", "field 'epochs.by_label[0].label'"),
        (("epochs", "by_label", 0, "third"), "fourth", "field 'epochs.by_label[0].third'"),
        (("epochs", "by_label", 0, "shares", "wake"), 2, "field 'epochs.by_label[0].shares.wake'"),
        (("epochs", "by_label", 0, "low"), [0.1], "field 'epochs.by_label[0].low'"),
        (("epochs", "over_label_only", "brier"), [0.1], "field 'epochs.over_label_only.brier'"),
        (("features", "TST"), [2, 1], "field 'features.TST'"),
        (("measures", 0, "measure"), "\ud800", "field 'measures[0].measure'"),
        (("measures", 0, "measure"), "minutes naps", "expected one of TST, SOL, WASO, SE, minutes wake, percent wake,"),
        (("measures", 0, "method"), "magic", "field 'measures[0].method'"),
        (("measures", 0, "coefficients", "height"), 1.0, "field 'measures[0].coefficients.height'"),
        (("measures", 0, "coefficients", "intercept"), "1", "field 'measures[0].coefficients.intercept'"),
        (("measures", 0, "half_width"), -1, "field 'measures[0].half_width'"),
        (("measures", 0, "interval_kind"), "t", "field 'measures[0].folds'"),
        (("measures", 0, "over_usual", 1), None, "field 'measures[0].over_usual[1]'"),
        (("measures", 0, "folds", 0, "shares"), [1.0] * 50, "field 'measures[0].folds[0].shares'"),
        (("measures", 0, "folds", 0, "shares"), [0.0, 0.0], "field 'measures[0].folds[0].shares'"),
        (("measures", 0, "folds", 0, "shares"), [0.5, 1.0], "field 'measures[0].folds[0].shares'"),
        (("measures", 0, "folds", 0, "shares"), [1.0, 3.0], "Found 23; expected folds that hold 22 people in all"),
        (
            ("measures", 0, "folds", 0),
            {"coefficients": {"intercept": 1.0}, "errors": [], "shares": []},
            "field 'measures[0].folds[0].shares': a field of the correction is damaged. Found []; expected shares of",
        ),
        (("measures",), [], "field 'measures'"),
        (("mapping", "device_classes"), ["wake"], "at least two classes"),
        (("cautions",), [{"kind": "nonsense", "values": {}}], "field 'cautions[0].kind'"),
        (("cautions",), [{"kind": "like_the_study", "side": None, "values": {}}], "field 'cautions'"),
        (("cautions",), [{"kind": "of_nights_learnt_from", "side": None, "values": {}}], "field 'cautions'"),
    ],
    ids=lambda v: ".".join(map(str, v)) if isinstance(v, tuple) else "",
)
def test_every_damaged_field_is_named(learnt, tmp_path, path, value, said):
    file = written(learnt, tmp_path)
    document = json.loads(file.read_text(encoding="utf-8"))
    inside = document
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] = value
    file.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(InputError) as error:
        read_correction(file)
    assert said in str(error.value)
    assert "correction.json" in str(error.value)


def test_every_field_is_needed(learnt, tmp_path):
    file = written(learnt, tmp_path)
    whole = json.loads(file.read_text(encoding="utf-8"))
    for key in whole.keys() - {"software"}:
        file.write_text(json.dumps({k: v for k, v in whole.items() if k != key}), encoding="utf-8")
        with pytest.raises(FileFormatError):
            read_correction(file)
    for key in whole["epochs"]:
        less = {k: v for k, v in whole["epochs"].items() if k != key}
        file.write_text(json.dumps({**whole, "epochs": less}), encoding="utf-8")
        with pytest.raises(FileFormatError):
            read_correction(file)
    for key in whole["measures"][0].keys() - {"level"}:
        less = {k: v for k, v in whole["measures"][0].items() if k != key}
        file.write_text(json.dumps({**whole, "measures": [less]}), encoding="utf-8")
        with pytest.raises(FileFormatError):
            read_correction(file)


@pytest.mark.parametrize("text", ["", "no JSON", "[1]", '{"schema": NaN}', "[" * 100_000])
def test_what_is_no_correction_is_called_so(text, tmp_path):
    file = tmp_path / "other.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError):
        read_correction(file)


# --- words ------------------------------------------------------------------------------------------------


def test_the_finding_names_verdicts(learnt):
    (finding,) = describe_correction(learnt).findings
    verdicts = {m.learned.verdict.value for m in learnt.measures}
    assert len(verdicts) > 1
    assert ("cannot be told" in finding) == ("cannot_be_told" in verdicts)
    useless = [m.learned.method for m in learnt.measures if m.learned.verdict is Verdict.DOES_NOT_HELP]
    assert ("does not help" in finding) == (Method.NONE in useless)
    assert ("no better than the usual value" in finding) == (Method.MEAN in useless)
    assert ("instead of" in finding) == ("helps" in verdicts)


def test_what_stands_where_nothing_helps_is_said_as_it_is(learnt):
    night = learnt.apply(read_hypnogram(["W", "light", "N3", "light", "R", "W"] * 100))
    kinds = [(Verdict.DOES_NOT_HELP, Method.NONE), (Verdict.DOES_NOT_HELP, Method.MEAN), (Verdict.CANNOT_BE_TOLD, None)]
    measures = [
        replace(m, learned=replace(m.learned, verdict=verdict, method=method or m.learned.method))
        for m, (verdict, method) in zip(night.measures, kinds, strict=False)
    ]
    assert replace(night, measures=tuple(measures)).finding == (
        "No measure of pad B is shown to gain by a correction. What was chosen for each stands under 'corrected', with "
        "its interval: the device's own value, the usual value of the study where the device tells no more than "
        "that, or a correction whose help cannot be told."
    )
    assert replace(night, measures=tuple(measures[:1])).finding.endswith("with its interval: the device's own value.")
    told = "\n".join(render_terminal(describe_corrected(night)))
    assert "Measures are corrected one by one" in told


def test_the_table_tells_the_usual_value_from_the_devices_own(learnt):
    section = next(s for s in describe_correction(learnt).sections if s.name == "errors")
    table = next(block for block in section.blocks if isinstance(block, Table))
    told = {str(row[0].text): str(row[-1].text) for row in table.rows}
    usual = [
        say_measure(m.measure)
        for m in learnt.measures
        if m.learned.verdict is Verdict.DOES_NOT_HELP and m.learned.method is Method.MEAN
    ]
    assert usual
    assert [name for name, words in told.items() if words == "usual as good"] == usual


def night_of_the_change(path: Path, zone: tzinfo) -> Path:
    """Write a night in which Berlin's clock is put back, its times as a zone tells them."""
    begin = datetime(2026, 10, 24, 20, 30, tzinfo=UTC)
    times = (begin + timedelta(seconds=30 * i) for i in range(len(CHANGED)))
    rows = (f"{t.astimezone(zone).isoformat()},{s}" for t, s in zip(times, CHANGED, strict=True))
    path.write_text("\n".join(["time,stage", *rows, ""]), encoding="utf-8")
    return path


CHANGED = labels_of("doze", "sound", "dream")


@pytest.mark.parametrize(
    ("zone", "named", "window", "problem", "remedy"),
    [
        (
            ZoneInfo("Europe/Berlin"),
            None,
            "2026-10-24T23:00/2026-10-25T03:30",
            "the offset from UTC changes in the file, and the window tells none",
            "Give both ends with their offsets, or --device-zone ZONE.",
        ),
        (
            UTC,
            "Europe/Berlin",
            "2026-10-24T23:00/2026-10-25T02:30",
            "this hour happens twice in the zone: the clock was put back over it",
            "Give the time with its offset from UTC.",
        ),
        (
            UTC,
            None,
            "2026-10-25T03:30/2026-10-24T23:00",
            "the window ends before it begins",
            "Correct --window FROM/TO.",
        ),
        (
            UTC,
            None,
            "2026-10-26T03:30/2026-10-26T06:00",
            "the window cannot be laid on this night",
            "Correct the window, or leave it out (--window FROM/TO).",
        ),
    ],
)
def test_what_is_wrong_with_a_window_is_told_as_it_is(learnt, tmp_path, zone, named, window, problem, remedy):
    night = read_hypnogram(night_of_the_change(tmp_path / "n.csv", zone), zone=named)
    with pytest.raises(InputError) as refused:
        learnt.apply(night, window=window)
    assert (refused.value.problem, refused.value.parts(Front.COMMAND).remedy) == (problem, remedy)
    assert "reference" not in refused.value.told(Front.COMMAND)


@pytest.mark.parametrize(
    ("start", "problem"),
    [
        (None, "a window by the clock needs a night that tells a clock"),
        (datetime(2026, 10, 24, 22, 30), "the window tells a zone, the night does not"),
    ],
)
def test_a_night_that_a_window_by_the_clock_cannot_be_laid_on_is_told_of_no_reference(learnt, start, problem):
    with pytest.raises(InputError) as refused:
        learnt.apply(read_hypnogram(CHANGED, start=start), window="2026-10-24T23:00+02:00/2026-10-25T03:00+01:00")
    assert refused.value.problem == problem
    assert "reference" not in refused.value.told(Front.COMMAND)


def test_a_device_without_an_error_gets_no_interval_and_a_reason(nights, tmp_path):
    """Its own truth: the reference of each night laid beside itself."""
    own = [n for n in nights if n.device == "pad B"][:6]
    faultless = [replace(n, reference_measures=n.device_measures) for n in own]
    learnt = read_correction(written(learn_correction(faultless), tmp_path))
    night = learnt.apply(read_hypnogram(labels_of("doze", "sound", "dream")))
    total, document = night.measures[0], corrected_document(night)
    assert (total.measure, total.corrected) == ("TST", total.device)
    assert (document["measures"][0]["low"], document["measures"][0]["high"]) == (None, None)
    reason = next(c for c in document["cautions"] if c["kind"] == "no_interval")
    assert "TST" in reason["values"]["measures"]
    row = next(m for m in correction_document(learnt)["measures"] if m["measure"] == "TST")
    assert (row["half_width"], row["coverage"]) == (None, None)
    told = " ".join(render_terminal(describe_correction(learnt), full=True))
    assert "Without a half width: hardly anybody learnt from had an error" in " ".join(told.split())
