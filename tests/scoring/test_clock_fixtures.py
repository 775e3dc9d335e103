"""Nights under awkward clocks: the device of these fixtures agrees in every epoch, once its clock is read right.

What must come out stands in fixtures/clocks/truth.json and follows from how the files are written out: elapsed
minutes placed in a zone by the standard library's zoneinfo.
"""

import dataclasses
import json
import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from sleepagree.caution import CautionKind, without_names
from sleepagree.describe.blocks import Command
from sleepagree.describe.cautions import say_caution
from sleepagree.describe.clock import describe_clock
from sleepagree.errors import ClockError, MappingError
from sleepagree.hypnogram.align import align
from sleepagree.hypnogram.clock_changes import possible_changes, zones_of_change
from sleepagree.hypnogram.ledger import Status
from sleepagree.hypnogram.silence import silence_as_wake
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.mapping import default_mapping
from sleepagree.night.compare import compare
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.layout import Silence, read_layout
from sleepagree.scoring.clock_check import scan_clock
from sleepagree.study.run import ScoringOptions, score_rows
from sleepagree.study.table import NightRow

CLOCKS = Path(__file__).resolve().parents[2] / "fixtures" / "clocks"
CASES = json.loads((CLOCKS / "truth.json").read_text("utf-8"))
CLASS_OF = {"W": "W", "N1": "light", "N2": "light", "N3": "N3", "R": "R"}


def pair(case):
    reference = read_spans(CLOCKS / case["reference"], zone=case["reference_zone"])
    device = read_spans(CLOCKS / case["device"], layout=read_layout(CLOCKS / case["layout"]))
    return align(reference=reference, device=device)


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "scored" in case["expected"]])
def test_a_night_whose_clock_is_read_right_agrees_in_every_epoch(name):
    expected = CASES[name]["expected"]
    paired = pair(CASES[name])
    assert paired.ledger.window_epochs == expected["window_epochs"]
    assert paired.ledger.scored == expected["scored"]
    late_epochs = expected["device_starts_after_reference_s"] // 30
    assert (paired.status[:late_epochs] == Status.DEVICE_GAP).all()
    scored = paired.status == Status.SCORED
    agreeing = sum(
        CLASS_OF[paired.reference_set.stages[row]] == paired.device_set.stages[column]
        for row, column in zip(paired.reference[scored], paired.device[scored], strict=True)
    )
    assert agreeing == expected["agreeing"]


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "error" in case["expected"]])
def test_a_start_that_names_two_moments_or_none_is_refused_with_both_readings(name):
    expected = CASES[name]["expected"]
    with pytest.raises(ClockError) as refusal:
        pair(CASES[name])
    for reading in expected["names_utc"]:
        assert reading in str(refusal.value)
    assert refusal.value.path == CASES[name]["reference"]


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if name.endswith("-utc")])
def test_utc_against_a_local_clock_without_a_zone_is_refused_with_the_option_to_give(name):
    case = CASES[name]
    with pytest.raises(ClockError, match=r"zone=\.\.\. \(of the reference\)"):
        pair({**case, "reference_zone": None})


def test_a_local_clock_read_without_its_zone_would_be_an_hour_off():
    # what the zone is for: as bare clock readings the night agrees before the change and not after it
    case = CASES["spring-local"]
    reference = read_spans(CLOCKS / case["reference"])
    layout = dataclasses.replace(read_layout(CLOCKS / case["layout"]), zone=None)
    device = read_spans(CLOCKS / case["device"], layout=layout)
    paired = align(reference=reference, device=device)
    scored = paired.status == Status.SCORED
    agree = [
        CLASS_OF[paired.reference_set.stages[row]] == paired.device_set.stages[column]
        for row, column in zip(paired.reference[scored], paired.device[scored], strict=True)
    ]
    before = (90 - 10) * 2
    assert all(agree[:before])
    assert not all(agree[before:])


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "clock_change" in case["expected"]])
def test_a_clock_that_changes_without_a_zone_is_told_with_both_kappas(name):
    expected = CASES[name]["expected"]["clock_change"]
    night = compare(pair(CASES[name]))
    (caution,) = [c for c in night.cautions if c.kind.startswith("clock")]
    assert caution.kind is CautionKind.CLOCK_CHANGE
    assert (caution["date"], caution.get("gap_of"), caution["seconds"]) == tuple(expected.values())
    assert caution["kappa_there"] == 1.0
    assert caution["kappa"] < 0.1
    said = say_caution(caution)
    assert "(Europe/Helsinki among them) put the clock forward from 03:00 to 04:00 on 2026-03-29" in said
    assert f"kappa 1.000 instead of {caution['kappa']:.3f}" in said
    assert "--reference-zone Europe/Helsinki --device-zone Europe/Helsinki" in said
    assert ("The device leaves out exactly that hour." in said) == (expected["gap_of"] == "device")
    assert without_names(caution, {})["date"] == "(a time)"  # an anonymous report tells no date
    study = score_rows_of(CASES[name])
    assert [c.kind for c in study.cautions if c.kind.startswith("clock")] == [CautionKind.CLOCK_CHANGE]


@pytest.mark.parametrize("changed", ["reference", "device"])
def test_the_zones_advised_where_one_clock_alone_was_changed_are_those_that_mend_it(changed, tmp_path):
    rng = np.random.default_rng(4)
    stages = np.repeat(rng.choice(["W", "N2", "N3", "R"], 96), 10).tolist()  # invented: 8 h of bouts of 5 min
    begin = datetime(2026, 3, 28, 21, tzinfo=UTC)
    paths = {side: tmp_path / f"{side}.csv" for side in ("reference", "device")}
    for side, path in paths.items():
        clock = ZoneInfo("Europe/Helsinki") if side == changed else timezone(timedelta(hours=2))
        words = stages if side == "reference" else [CLASS_OF[stage] for stage in stages]
        times = [(begin + timedelta(seconds=30 * i)).astimezone(clock) for i in range(len(words))]
        rows = [f"{time:%Y-%m-%dT%H:%M:%S},{word}" for time, word in zip(times, words, strict=True)]
        path.write_text("\n".join(["time,stage", *rows]))
    night = compare(align(**{side: read_spans(path) for side, path in paths.items()}))
    (caution,) = [c for c in night.cautions if c.kind is CautionKind.CLOCK_CHANGE]
    zones = dict(zip(paths, zones_of_change(caution), strict=True))
    assert zones[changed] == "Europe/Helsinki"
    assert f"--reference-zone {zones['reference']} --device-zone {zones['device']}" in say_caution(caution)
    again = compare(align(**{side: read_spans(path, zone=zones[side]) for side, path in paths.items()}))
    assert (again.mappings[0].table.kappa.value, again.paired.ledger.scored) == (1.0, 960)
    assert without_names(caution, {})["stayed_zone"] == "(a zone)"


def test_intervals_that_run_over_the_skipped_hour_are_no_clock_that_stayed(tmp_path):
    rng = np.random.default_rng(4)
    stages = rng.choice(["W", "N2", "N3", "R"], 49)  # invented: 8 h 10 min of bouts of 10 min, one over the change
    begin, zone = datetime(2026, 3, 28, 20, 55, tzinfo=UTC), ZoneInfo("Europe/Helsinki")

    def told(minutes):
        return f"{(begin + timedelta(minutes=minutes)).astimezone(zone):%Y-%m-%dT%H:%M:%S}"

    rows = [f"{told(i / 2)},{stages[i // 20]}" for i in range(20 * len(stages))]
    bouts = [f"{told(10 * i)},{told(10 * i + 10)},{CLASS_OF[stage]}" for i, stage in enumerate(stages)]
    (tmp_path / "reference.csv").write_text("\n".join(["time,stage", *rows]))
    (tmp_path / "device.csv").write_text("\n".join(["start,end,stage", *bouts]))
    night = compare(align(**{side: read_spans(tmp_path / f"{side}.csv") for side in ("reference", "device")}))
    (caution,) = [c for c in night.cautions if c.kind is CautionKind.CLOCK_CHANGE]
    assert (caution["gap_of"], caution.get("stayed")) == ("reference", None)
    assert "--reference-zone Europe/Helsinki --device-zone Europe/Helsinki" in say_caution(caution)


def test_an_hour_that_both_sides_leave_out_is_told_of_both(tmp_path):
    times = [f"2026-03-29T0{h}:{m:02}:{s:02}" for h in (1, 2, 4, 5) for m in range(60) for s in (0, 30)]
    for side, word in (("reference", "N2"), ("device", "light")):
        rows = [f"{time},{'W' if i % 40 < 9 else word}" for i, time in enumerate(times)]
        (tmp_path / side).with_suffix(".csv").write_text("\n".join(["time,stage", *rows]))
    night = compare(align(**{side: read_spans(tmp_path / f"{side}.csv") for side in ("reference", "device")}))
    (caution,) = [c for c in night.cautions if c.kind is CautionKind.CLOCK_CHANGE]
    assert (caution["gap_of"], caution.get("stayed")) == ("both", None)
    assert "Both sides leave out exactly that hour." in say_caution(caution)


def score_rows_of(case):
    row = NightRow(2, "P1", "1", "pad B", (case["reference"],), case["device"], layout=case["layout"])
    (outcome,) = score_rows([row], CLOCKS, ScoringOptions()).outcomes
    return outcome


def test_inspect_says_that_a_file_leaves_out_an_hour_that_zones_skip():
    case = CASES["spring-no-zone-epochs"]
    found = inspect_file(CLOCKS / case["device"], layout=read_layout(CLOCKS / case["layout"])).cautions
    (caution,) = [c for c in found if c.kind is not CautionKind.LONG_STEP]
    assert (caution.kind, caution["gap_of"]) == (CautionKind.CLOCK_CHANGE, "file")
    said = say_caution(caution)
    assert said.endswith(
        "The file leaves out exactly that hour. If this clock was changed, name its zone: "
        "--zone Europe/Helsinki (zone in a layout, columns of a nights table)."
    )
    zoned = dataclasses.replace(read_layout(CLOCKS / case["layout"]), zone=case["reference_zone"] or "Europe/Helsinki")
    found = inspect_file(CLOCKS / case["device"], layout=zoned).cautions
    assert [c.kind for c in found] == [CautionKind.LONG_STEP]


@pytest.mark.parametrize(
    ("start", "hours", "said"),
    [
        (datetime(2026, 3, 28, 22), 8, [("2026-03-29 01:00", True, "Europe/London"),
                                        ("2026-03-29 02:00", True, "Europe/Berlin"),
                                        ("2026-03-29 03:00", True, "Europe/Helsinki")]),
        (datetime(2026, 10, 31, 23), 7, [("2026-11-01 01:00", False, "America/New_York")]),
        (datetime(2026, 4, 4, 22), 8, [("2026-04-05 02:00", False, "Australia/Sydney"),
                                       ("2026-04-05 02:00", False, "Pacific/Auckland")]),
        (datetime(2026, 3, 29, 4, 30), 5, []),  # after the change
        (datetime(2026, 3, 21, 22), 8, []),  # another Sunday
        (datetime(2026, 3, 28, 22, tzinfo=UTC), 8, []),  # a zone is known
    ],
)  # fmt: skip
def test_the_hours_that_some_zone_skips_or_repeats(start, hours, said):
    spans = ScoredSpans([0.0], [hours * 3600.0], [0], ("W",), ("W",), start=start)
    found = [(f"{c.begin:%Y-%m-%d %H:%M}", c.is_forward, zone) for c in possible_changes(spans) for zone in c.zones]
    assert [each for each in found if each[2] != "America/Santiago"] == said


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "jump_s" in case["expected"]])
def test_a_jump_of_the_clock_is_told_with_both_offsets_and_how_to_score_each_part(name):
    expected, paired = CASES[name]["expected"], pair(CASES[name])
    reading = scan_clock(paired, default_mapping(paired.reference_set, paired.device_set), resamples=50)
    jump = reading.jump
    assert jump is not None
    assert not reading.proposed
    assert [jump.before_s, jump.after_s] == expected["jump_s"]
    assert jump.at_s == expected["at_min"] * 60
    blocks = [block for section in describe_clock(reading, paired).answer for block in section.blocks]
    commands = " ".join(block.text for block in blocks if isinstance(block, Command))
    parts = re.findall(r"--window (\S+) --clock-offset (-?\d+)", commands)
    assert len(parts) == 2
    for window, offset in parts:  # as it says, each part agrees in every epoch
        night = compare(
            align(
                reference=paired.reference_spans,
                device=paired.device_spans,
                window=window,
                clock_offset_s=float(offset),
            )
        )
        assert night.mappings[0].table.accuracy == 1.0


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "jump_s" in case["expected"]])
def test_the_night_says_that_the_clock_seems_to_jump(name):
    (caution,) = [c for c in compare(pair(CASES[name])).cautions if c.kind.startswith("clock")]
    assert caution.kind is CautionKind.CLOCK_JUMP
    assert [caution["before"], caution["after"]] == CASES[name]["expected"]["jump_s"]
    assert "'sleepagree clock' tells where, and how to score each part" in say_caution(caution)


def test_a_drift_is_no_jump():
    paired = pair(CASES["drifts"])
    reading = scan_clock(paired, default_mapping(paired.reference_set, paired.device_set), resamples=50)
    assert reading.jump is None
    assert reading.drift_s_per_h == CASES["drifts"]["expected"]["drift_s_per_h"]


def test_an_hour_more_on_the_device_is_told_by_the_night():
    night = compare(pair(CASES["off-by-an-hour"]))
    (caution,) = [c for c in night.cautions if c.kind.startswith("clock")]
    assert (caution.kind, caution["seconds"]) == (CautionKind.CLOCK_ZONE, CASES["off-by-an-hour"]["expected"]["zone_s"])


def test_parts_of_a_device_joined_are_the_whole_night():
    layout = read_layout(CLOCKS / CASES["first-part"]["layout"])
    device = read_spans([CLOCKS / CASES[name]["device"] for name in ("first-part", "second-part")], layout=layout)
    night = compare(align(reference=read_spans(CLOCKS / CASES["first-part"]["reference"]), device=device))
    ledger = night.paired.ledger
    assert (ledger.scored, ledger.window_epochs) == (901, 901)
    assert night.mappings[0].table.accuracy == 1.0


# --- a device that writes sleep only ----------------------------------------------------------------------


def test_silence_is_wake_where_the_layout_says_so():
    case = CASES["only-sleep"]
    night = compare(pair(case))
    (caution,) = [c for c in night.cautions if c.kind is CautionKind.SILENCE_IS_WAKE]
    # the wakes of the invented night between its first and its last sleep: 1.5 + 2 + 4.5 + 7 + 3 min
    assert (caution["count"], caution["minutes"], caution["longest_min"]) == (5, 18.0, 7.0)
    assert caution["count"] == case["expected"]["silent_stretches"]
    assert "(5 times, 18.0 min in all, the longest 7.0 min), wake is taken, as the layout says" in say_caution(caution)
    assert (night.paired.status == Status.DEVICE_GAP).sum() == (
        14 + 14.5
    ) * 2  # before the first and after the last stage nothing changes
    whole = compare(align(reference=night.paired.reference_spans, device=night.paired.device_spans, outside="wake"))
    assert whole.paired.ledger.scored == whole.paired.ledger.window_epochs
    assert whole.mappings[0].table.accuracy == 1.0


def test_the_refusal_of_a_device_without_wake_names_the_key():
    layout = read_layout(CLOCKS / CASES["only-sleep"]["layout"])
    layout = dataclasses.replace(layout, silence=Silence.MISSING, reports=None)
    device = read_spans(CLOCKS / CASES["only-sleep"]["device"], layout=layout)
    paired = align(reference=read_spans(CLOCKS / CASES["only-sleep"]["reference"]), device=device)
    with pytest.raises(MappingError, match=r'\[file\], silence = "wake"\) and give outside='):
        compare(paired)


def test_silence_between_two_nights_is_none_of_the_night():
    spans = read_spans(
        CLOCKS / CASES["only-sleep"]["device"], layout=read_layout(CLOCKS / CASES["only-sleep"]["layout"])
    )
    later = spans.with_changes(onset_s=spans.onset_s + 86400.0)
    both = spans.with_changes(
        onset_s=np.concatenate((spans.onset_s, later.onset_s)),
        duration_s=np.tile(spans.duration_s, 2),
        codes=np.tile(spans.codes, 2),
    )
    filled = silence_as_wake(both)
    assert filled.duration_s.sum() == 2 * spans.duration_s.sum()
    assert (filled.onset_s[1:] - filled.onset_s[:-1] - filled.duration_s[:-1]).max() > 3 * 3600


def test_silence_is_told_of_the_night_that_is_scored_and_of_no_other_in_its_file():
    case = CASES["only-sleep"]
    layout = dataclasses.replace(read_layout(CLOCKS / case["layout"]), silence=Silence.MISSING)
    spans = read_spans(CLOCKS / case["device"], layout=layout)
    both = spans.with_changes(
        onset_s=np.concatenate((spans.onset_s, spans.onset_s + 86400.0)),
        duration_s=np.tile(spans.duration_s, 2),
        codes=np.tile(spans.codes, 2),
    )
    filled = silence_as_wake(both)
    assert [caution["count"] for caution in filled.cautions] == [10]
    paired = align(reference=read_spans(CLOCKS / case["reference"]), device=filled)
    (caution,) = [c for c in paired.cautions if c.kind is CautionKind.SILENCE_IS_WAKE]
    assert (caution["count"], caution["minutes"], caution["longest_min"]) == (5, 18.0, 7.0)


def test_silence_needs_no_filling_where_there_is_none():
    spans = read_spans(CLOCKS / "summer-utc.csv", layout=read_layout(CLOCKS / "summer-utc.toml"))
    assert silence_as_wake(spans) is spans
