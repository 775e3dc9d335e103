"""Two recordings on one grid, one window, one ledger; every figure below was counted by hand."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from sleepagree.caution import CautionKind
from sleepagree.errors import ClockError, InputError, PairingError, UnknownStageError
from sleepagree.hypnogram.align import SILENT_AS_WAKE, Outside, align
from sleepagree.hypnogram.ledger import Status
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.hypnogram.window import Window, WindowRule, parse_window
from sleepagree.night.measures import measure_sides
from sleepagree.readers.any_file import read_spans
from tests.said import said
from tests.worked import BED_TIME, pair, side


def words(paired) -> str:
    short = {
        Status.SCORED: "s",
        Status.REFERENCE_GAP: "R",
        Status.REFERENCE_UNSCORED: "r",
        Status.DEVICE_GAP: "D",
        Status.DEVICE_UNSCORED: "d",
    }
    return "".join(short[Status(code)] for code in paired.status.tolist())


def counted(word: str) -> int:
    return int(word.partition("*")[2] or 1)


def labels(paired) -> tuple[list[str], list[str]]:
    return tuple(
        [stage_set.labels[code] if code >= 0 else "-" for code in codes.tolist()]
        for codes, stage_set in ((paired.reference, paired.reference_set), (paired.device, paired.device_set))
    )


# --- statuses and the ledger ---------------------------------------------------------------------------------


def test_every_epoch_has_the_first_status_that_fits():
    #             1 2 3 4 5 6 7 8 9
    reference = "W W - ? N2 ? - N2 W"
    device = "wake ? light - - ? - light wake"
    paired = pair(reference, device)
    assert words(paired) == "sdRrDrRss"
    ledger = paired.ledger
    assert (ledger.window_epochs, ledger.scored) == (9, 3)
    assert dict(ledger.excluded) == {"reference_gap": 2, "reference_unscored": 2, "device_gap": 1, "device_unscored": 1}


def test_the_ledger_counts_every_native_label_inside_the_window_and_tells_them_apart():
    reference = side("Sleep_stage_W*3 Movement_time artefact Sleep_stage_3 Sleep_stage_4*2")
    device = side("wake*3 disconnected not_worn asleep light*2")
    ledger = pair(reference, device).ledger
    assert dict(ledger.reference_labels) == {
        "Sleep stage W": 3,
        "Movement time": 1,
        "artefact": 1,
        "Sleep stage 3": 1,
        "Sleep stage 4": 2,
    }
    assert dict(ledger.device_labels) == {"wake": 3, "disconnected": 1, "not worn": 1, "asleep": 1, "light": 2}


def test_epochs_outside_the_window_are_counted_on_both_sides():
    reference = side("W*4 N2*6 W*4").with_changes(lights_off_s=60.0, lights_on_s=360.0)
    device = side("wake*2 light*20", start=BED_TIME - timedelta(minutes=1))
    paired = align(reference=reference, device=device)
    # window: epochs 2 to 11 of the reference; the device reaches from epoch -2 to 19
    assert paired.rule is WindowRule.LIGHTS
    assert paired.ledger.window_epochs == 10
    assert (paired.ledger.outside_reference, paired.ledger.outside_device) == (4, 12)
    assert (paired.reference_side.epochs, paired.device_side.epochs) == (14, 22)


def test_the_grid_counts_from_the_first_scored_epoch_not_from_the_first_label():
    # 40 s without a stage come first, so that the grid of the stages begins at 22:30:40
    reference = side("?*4 W N2", epoch_s=10).with_changes(
        onset_s=[0.0, 40.0, 70.0], duration_s=[40.0, 30.0, 30.0], codes=[0, 1, 2]
    )
    paired = pair(reference, side("wake*2 light*3"))
    assert paired.reference_side.labels == (("?", 1), ("W", 1), ("N2", 1))
    # the window begins at the first stage; the unscored 40 s before it are most of one epoch, outside
    assert paired.begin == BED_TIME + timedelta(seconds=40)
    assert labels(paired)[0] == ["W", "N2"]
    assert paired.ledger.outside_reference == 1


def test_unscored_ends_are_outside_the_window_and_counted_there():
    reference, device = "?*60 W*20 N2*350 R*30 ?*7 W*10 ?*5", "wake*80 light*350 rem*30 wake*22"
    paired = pair(reference, device)
    assert paired.rule is WindowRule.REFERENCE
    assert paired.begin == BED_TIME + timedelta(minutes=30)
    # worked out by hand: 20 + 350 + 30 + 7 + 10 epochs, the seven between two stages among them
    assert paired.ledger.window_epochs == 417
    assert dict(paired.ledger.excluded)["reference_unscored"] == 7
    assert paired.ledger.outside_reference == paired.ledger.outside_device == 65
    sides = measure_sides(paired, None)
    assert [m.sol_min for m in sides] == [10.0, 10.0]
    assert [m.tib_min for m in sides] == [208.5, 208.5]
    assert sides[0].se_percent == pytest.approx(100 * 190 / 208.5)
    # what the same night gives where nothing unscored was written down at the ends
    bare = pair("W*20 N2*350 R*30 ?*7 W*10", side(device, start=BED_TIME - timedelta(minutes=30)))
    assert measure_sides(bare, None) == sides
    assert bare.native[:3].tolist() == paired.native[1:].tolist()


def test_an_epoch_mostly_unscored_does_not_open_the_window():
    # ten seconds of wake open the grid, but twenty without a stage are most of that epoch
    reference = side("W ? W N2 ?", epoch_s=10).with_changes(
        onset_s=[0.0, 10.0, 30.0, 60.0, 90.0], duration_s=[10.0, 20.0, 30.0, 30.0, 30.0], codes=[0, 1, 0, 2, 1]
    )
    paired = pair(reference, side("wake*2 light*3"))
    assert labels(paired)[0] == ["W", "N2"]
    assert paired.ledger.outside_reference == 2


def test_marks_and_given_windows_reach_over_unscored_ends():
    reference = side("?*4 W N2 ?*4").with_changes(lights_off_s=60.0, lights_on_s=270.0)
    assert labels(pair(reference, "wake*10"))[0] == ["?", "?", "W", "N2", "?", "?", "?"]
    assert labels(pair(reference, "wake*10", window=Window(WindowRule.REFERENCE)))[0] == ["W", "N2"]
    assert len(labels(pair(reference, "wake*10", window=Window(WindowRule.OVERLAP)))[0]) == 10


def test_a_reference_without_a_staged_epoch_is_refused_whatever_its_labels_say():
    seconds = side("W ? ?", epoch_s=10).with_changes(onset_s=[0.0, 10.0], duration_s=[10.0, 20.0], codes=[0, 1])
    with pytest.raises(PairingError, match="the reference has no scored epoch"):
        pair(seconds, "wake*2")


def test_of_a_file_of_several_nights_the_ledger_says_which_was_scored():
    device = side("light*2 deep*2 -*400 light*2 deep*2 -*400 wake*4")
    paired = pair(side("N2*2 N3*2", start=BED_TIME + timedelta(seconds=404 * 30)), device)
    told = (
        "the file holds 3 nights, with 3 h of silence or more between them; by the reference's time night 2 was scored"
    )
    assert any(told in note for note in said(paired.ledger.notes))


@pytest.mark.parametrize(
    ("late_s", "expected"), [(14, "wake light light -"), (15, "wake wake light light"), (16, "- wake light light")]
)
def test_a_device_off_the_grid_gives_each_epoch_to_the_label_with_most_of_it(late_s, expected):
    # wake lasts from late_s to late_s + 30: at 15 s a tie goes to the earlier label; under 15 s of cover is a gap
    paired = pair(side("W*4"), side("wake light*2", start=BED_TIME + timedelta(seconds=late_s)))
    assert labels(paired)[1] == expected.split()
    assert "device: 1 epoch shared by more than one label took the one with most of it" in said(paired.ledger.notes)


def test_unlike_epochs_meet_on_the_grid():
    # 60-s epochs of the device: each covers two of the reference's
    paired = pair(side("W*2 N2*4"), side("wake light light", epoch_s=60.0))
    assert labels(paired)[1] == ["wake"] * 2 + ["light"] * 4
    assert paired.device_side.epoch_s == 60.0


# --- windows -------------------------------------------------------------------------------------------------


def test_window_words():
    assert parse_window("lights") == Window(WindowRule.LIGHTS)
    assert parse_window(" overlap ") == Window(WindowRule.OVERLAP)
    assert parse_window("lights/lights") == Window(WindowRule.LIGHTS)
    assert parse_window("2026-03-01T22:30/lights") == Window(WindowRule.GIVEN, BED_TIME, None)
    aware = datetime(2026, 3, 1, 22, 30, tzinfo=timezone(timedelta(hours=2)))
    assert parse_window("lights / 2026-03-01T22:30+02:00") == Window(WindowRule.GIVEN, None, aware)


@pytest.mark.parametrize("text", ["", "light", "22:30/06:00", "a/b/c", "2026-03-01T22:30", "/", "lights/"])
def test_a_window_that_cannot_be_read(text):
    with pytest.raises(InputError) as refusal:
        parse_window(text)
    assert str(refusal.value) == (
        "window: the window cannot be read. "
        + (f"Found {text}; expected" if text else "Expected")
        + " lights, reference, overlap, or FROM/TO in ISO 8601 (either end may be lights). For example window="
        "'2026-03-01T22:30/2026-03-02T06:45'."
    )


def test_the_default_is_lights_with_both_marks_and_reference_otherwise():
    both = side("W*9").with_changes(lights_off_s=30.0, lights_on_s=120.0)
    assert align(reference=both, device=side("wake*9")).rule is WindowRule.LIGHTS
    assert align(reference=both.with_changes(lights_on_s=None), device=side("wake*9")).rule is WindowRule.REFERENCE
    asked = align(reference=both, device=side("wake*9"), window=Window(WindowRule.REFERENCE))
    assert (asked.rule, asked.ledger.window_epochs) == (WindowRule.REFERENCE, 9)


@pytest.mark.parametrize(
    ("off_s", "on_s", "first", "count"),
    [
        (0, 90, 0, 3),
        (15, 90, 0, 3),  # the midpoint of the first epoch, 15 s, lies in [15, 90)
        (15.001, 90, 1, 2),
        (0, 75, 0, 2),  # the midpoint of the third, 75 s, does not lie in [0, 75)
        (0, 75.001, 0, 3),
    ],
)
def test_an_epoch_belongs_to_the_window_when_its_midpoint_does(off_s, on_s, first, count):
    reference = side("W N1 N2 N3").with_changes(lights_off_s=float(off_s), lights_on_s=float(on_s))
    paired = align(reference=reference, device=side("wake*4"))
    assert labels(paired)[0] == ["W", "N1", "N2", "N3"][first : first + count]


def test_overlap_is_what_both_reach_into():
    device = side("wake*3 light*3", start=BED_TIME + timedelta(minutes=1))
    paired = align(reference=side("W*6"), device=device, window=Window(WindowRule.OVERLAP))
    assert (paired.ledger.window_epochs, paired.ledger.outside_reference, paired.ledger.outside_device) == (4, 2, 2)


def test_a_given_window_and_one_end_at_the_lights():
    reference = side("W*10").with_changes(lights_off_s=30.0, lights_on_s=270.0)
    until = BED_TIME + timedelta(minutes=2)
    paired = align(reference=reference, device=side("wake*10"), window=Window(WindowRule.GIVEN, None, until))
    assert (paired.begin, paired.ledger.window_epochs) == (BED_TIME + timedelta(seconds=30), 3)
    assert paired.epoch_start(3) == until


def test_a_window_may_reach_beyond_both_recordings():
    window = Window(WindowRule.GIVEN, BED_TIME - timedelta(minutes=1), BED_TIME + timedelta(minutes=3))
    paired = align(reference=side("W*3"), device=side("wake*4"), window=window)
    assert words(paired) == "RRsssRRR"


def test_a_window_of_the_clock_needs_a_clock():
    reference, device = side("W*3", start=None), side("wake*3", start=None)
    window = parse_window("2026-03-01T22:30/2026-03-01T22:31")
    with pytest.raises(ClockError) as refusal:
        align(reference=reference, device=device, window=window)
    assert str(refusal.value) == (
        "start: a window by the clock needs a reference that tells a clock. Found elapsed time only; expected a date "
        "and time. Give read_hypnogram(..., start=datetime(...))."
    )


def test_a_window_with_a_zone_needs_a_reference_with_one():
    window = parse_window("2026-03-01T22:30+02:00/2026-03-01T22:31+02:00")
    with pytest.raises(ClockError) as refusal:
        pair("W*3", "wake*3", window=window)
    assert str(refusal.value) == (
        "window: the window tells a zone, the reference does not. Found 2026-03-01T22:30:00+02:00; expected a time "
        "without an offset, or a reference with a zone. Give zone=... (of the reference), or the window "
        "without offset."
    )


def test_a_window_without_a_zone_is_read_in_the_references():
    start = datetime(2026, 3, 1, 22, 30, tzinfo=ZoneInfo("Europe/Helsinki"))
    reference, device = side("W*4", start=start), side("wake*4", start=start.astimezone(UTC))
    paired = align(reference=reference, device=device, window=parse_window("2026-03-01T22:30:30/2026-03-01T22:31:30"))
    assert words(paired) == "ss"
    assert paired.begin == start + timedelta(seconds=30)


def test_a_window_that_begins_in_a_repeated_hour_is_refused_with_both_readings():
    start = datetime(2026, 10, 25, 2, 0, tzinfo=ZoneInfo("Europe/Helsinki"))
    reference, device = side("W*400", start=start), side("wake*400", start=start)
    with pytest.raises(ClockError) as refusal:
        align(reference=reference, device=device, window=parse_window("2026-10-25T03:30/2026-10-25T04:10"))
    assert str(refusal.value) == (
        "window: this hour happens twice in the zone: the clock was put back over it. Found 2026-10-25 03:30:00 in "
        "Europe/Helsinki; expected either 2026-10-25 00:30:00 UTC or 2026-10-25 01:30:00 UTC. Give the time with its "
        "offset from UTC."
    )
    told = align(
        reference=reference, device=device, window=parse_window("2026-10-25T03:30+03:00/2026-10-25T03:30+02:00")
    )
    assert told.ledger.window_epochs == 120


@pytest.mark.parametrize("form", ["utc", "offsets"])
def test_a_window_without_a_zone_is_by_the_clock_of_the_place_that_is_named(form, tmp_path):
    """Helsinki, 25 October 2026: 04:00 is put back to 03:00, so 00:30 to 06:00 are 6.5 h. Invented night."""
    zone, begin = ZoneInfo("Europe/Helsinki"), datetime(2026, 10, 24, 21, 0, tzinfo=UTC)
    moments = [begin + timedelta(seconds=30 * i) for i in range(960)]
    told = [moment if form == "utc" else moment.astimezone(zone) for moment in moments]
    lab = tmp_path / "lab.csv"
    lab.write_text("time,stage\n" + "".join(f"{moment.isoformat()},W\n" for moment in told))
    device, window = side("wake*960", start=begin), "2026-10-25T00:30/2026-10-25T06:00"
    placed = align(reference=read_spans(lab, zone="Europe/Helsinki"), device=device, window=window)
    assert placed.ledger.window_epochs == 6.5 * 120
    assert placed.begin == datetime(2026, 10, 25, 0, 30, tzinfo=zone)
    if form == "utc":
        assert align(reference=read_spans(lab), device=device, window=window).ledger.window_epochs == 5.5 * 120
        return
    with pytest.raises(ClockError) as refusal:
        align(reference=read_spans(lab), device=device, window=window)
    assert str(refusal.value) == (
        "lab.csv: window: the offset from UTC changes in the file, and the window tells none. Found "
        "2026-10-25T00:30:00 beside +03:00 and +02:00; expected a time with its offset from UTC, or the zone of the "
        "file. Give both ends with their offsets, or zone=... (of the reference)."
    )
    by_offsets = align(reference=read_spans(lab), device=device, window="2026-10-25T00:30+03:00/2026-10-25T06:00+02:00")
    assert by_offsets.ledger.window_epochs == 6.5 * 120


@pytest.mark.parametrize(
    ("marks", "asked", "epochs"),
    [({"lights_off_s": 60.0}, "lights/2026-03-01T22:35", 8), ({"lights_on_s": 240.0}, "2026-03-01T22:30/lights", 8)],
)
def test_a_lone_mark_is_told_and_its_window_offered(marks, asked, epochs):
    reference = side("W*4 N2*6").with_changes(**marks)
    paired = align(reference=reference, device=side("wake*10"))
    assert paired.rule is WindowRule.REFERENCE
    (told,) = [str(caution) for caution in paired.cautions if caution.kind is CautionKind.LONE_MARK]
    offered = "lights/TO" if "lights_off_s" in marks else "FROM/lights"
    mark = "Lights off" if "lights_off_s" in marks else "Lights on"
    assert f"only '{mark}' is marked, so the window goes by stages: window='FROM/TO' takes 'lights' for one end" in told
    with pytest.raises(InputError, match="asks for a mark that the file does not hold") as refusal:
        align(reference=reference, device=side("wake*10"), window="lights")
    assert f"window='{offered}'" in str(refusal.value)
    placed = align(reference=reference, device=side("wake*10"), window=asked)
    assert (placed.ledger.window_epochs, len(reference.cautions)) == (epochs, 0)
    assert not [caution for caution in placed.cautions if caution.kind is CautionKind.LONE_MARK]


def test_windows_that_are_no_window():
    with pytest.raises(InputError, match="the window asks for a mark that the file does not hold"):
        pair("W*3", "wake*3", window=Window(WindowRule.LIGHTS))
    with pytest.raises(InputError, match="the window ends before it begins"):
        pair("W*3", "wake*3", window=Window(WindowRule.GIVEN, BED_TIME, BED_TIME))
    with pytest.raises(PairingError) as refusal:
        pair("W*3", "wake*3", window=Window(WindowRule.GIVEN, BED_TIME, BED_TIME + timedelta(seconds=10)))
    assert str(refusal.value) == (
        "window rule given: the window holds no epoch. Found 10 s; expected at least one 30-s epoch. Give another "
        "window='FROM/TO'."
    )
    with pytest.raises(PairingError, match="the window is too long for a night"):
        pair("W*3", "wake*3", window=parse_window("0001-01-01/9999-12-31"))


def test_a_window_outside_a_recording_says_which_and_when():
    reference, device = side("W*100", name="lab.edf"), side("wake*100", name="band.csv")
    with pytest.raises(PairingError) as refusal:
        align(reference=reference, device=device, window=parse_window("2026-03-02T22:30/2026-03-02T23:30"))
    assert str(refusal.value) == (
        "lab.edf: window rule given: the window lies outside the reference recording. Found reference from 2026-03-01 "
        "22:30:00 to 2026-03-01 23:20:00 by its own clock; expected a window that both recordings reach into. Give "
        "another window, or check clocks and clock_offset_s."
    )
    late = side("wake*100", start=BED_TIME + timedelta(minutes=45), name="band.csv")
    with pytest.raises(PairingError, match=r"band\.csv: window rule given: the window lies outside the device"):
        align(reference=reference, device=late, window=parse_window("2026-03-01T22:30/2026-03-01T22:40"))


# --- clocks --------------------------------------------------------------------------------------------------


def test_a_clock_offset_is_added_to_device_times():
    device = side("wake*2 light*2", start=BED_TIME - timedelta(minutes=1))
    paired = align(reference=side("W*2 N2*2"), device=device, clock_offset_s=60.0)
    assert labels(paired)[1] == ["wake", "wake", "light", "light"]
    assert paired.clock_offset_s == 60.0
    # its own clock is told as it was
    assert paired.device_side.start == BED_TIME - timedelta(minutes=1)


def test_recordings_of_two_days_are_refused_as_two_nights_with_both_spans_and_no_offset():
    reference = side("W*100", name="lab.edf")
    device = side("wake*100", start=BED_TIME + timedelta(days=1), name="band.csv")
    with pytest.raises(PairingError) as refusal:
        align(reference=reference, device=device, clock_offset_s=100.0)
    assert str(refusal.value) == (
        "band.csv: reference from 2026-03-01 22:30:00 to 2026-03-01 23:20:00, device from "
        "2026-03-02 22:31:40 to 2026-03-02 23:21:40: the two recordings share no time. Expected two recordings "
        "of one night. Their starts are 24.0 h apart: these look like two different nights. Give the file of the same "
        "night, or that night within it ('records' or 'sheet' in a layout). If they are of one night, correct the date "
        "('begins', 'date' or 'night_of' in a layout)."
    )


@pytest.mark.parametrize(
    ("later", "told"),
    [
        (timedelta(hours=2), "clock_offset_s=-7200 would put their starts together; check dates and zones first."),
        (timedelta(hours=-12), "clock_offset_s=43200 would put their starts together; check dates and zones first."),
        (timedelta(hours=12, minutes=3), "Their starts are 12.1 h apart: these look like two different nights."),
        (timedelta(days=-45), "Their starts are 45 days apart: these look like two different nights."),
    ],
)
def test_an_offset_is_offered_only_for_clocks_that_are_some_hours_apart(later, told):
    # morning taken for evening is 12 h, the largest of the usual mistakes
    with pytest.raises(PairingError) as refusal:
        align(reference=side("W*100"), device=side("wake*100", start=BED_TIME + later))
    assert told in str(refusal.value)
    assert ("clock_offset_s" in str(refusal.value)) is (abs(later) <= timedelta(hours=12))


def test_elapsed_time_on_both_sides_needs_no_clock():
    paired = pair(side("W*2 N2*2", start=None), side("wake*2 light*2", start=None))
    assert (paired.begin, paired.epoch_start(3)) == (None, None)
    assert (paired.begin_s, paired.end_s) == (0.0, 120.0)


# --- silence taken as wake -----------------------------------------------------------------------------------


def test_silence_before_the_first_and_after_the_last_word_may_be_wake_and_gaps_stay_gaps():
    paired = pair("W*2 N2*4 W*2", "- - light - light light", outside=Outside.WAKE)
    assert labels(paired)[1] == [SILENT_AS_WAKE] * 2 + ["light", "-", "light", "light"] + [SILENT_AS_WAKE] * 2
    assert words(paired) == "sssDssss"
    assert dict(paired.ledger.device_labels) == {"light": 3, SILENT_AS_WAKE: 4}
    assert "4 epochs before the device's first or after its last word were taken as wake (asked for)" in (
        said(paired.ledger.notes)
    )
    # what the file holds stays what it holds
    assert (paired.device_side.epochs, dict(paired.device_side.labels)) == (3, {"light": 3})
    assert paired.ledger.outside_device == 0
    assert "W" in paired.device_set.reportable


def test_one_silent_epoch_is_told_as_one():
    paired = pair("W*2 N2*2", "- light*3", outside=Outside.WAKE)
    assert "1 epoch before the device's first or after its last word was taken as wake (asked for)" in (
        said(paired.ledger.notes)
    )


def test_a_gap_at_the_windows_edge_is_no_silence_when_the_device_spoke_before():
    reference = side("W*2 N2*4 W*2").with_changes(lights_off_s=60.0, lights_on_s=180.0)
    device = side("wake - - light light - wake wake")
    paired = align(reference=reference, device=device, outside=Outside.WAKE)
    assert labels(paired)[1] == ["-", "light", "light", "-"]
    assert paired.ledger.outside_device == 3


#: Three nights of one band in one file, parted by more than three hours of silence. Invented.
NIGHTS = ("-*3 light*9 deep*6 wake*2", "-*4 light*8 - deep*4", "-*2 light*10 deep*5")


@pytest.mark.parametrize("window", ["reference", "overlap"])
@pytest.mark.parametrize("night", [0, 1, 2])
def test_a_night_of_a_file_of_several_is_scored_as_from_a_file_of_its_own(night, window):
    begin = BED_TIME + timedelta(days=night)
    reference = side("W*4 N2*10 N3*5 W*3", start=begin)
    alone = side(NIGHTS[night], start=begin)
    texts = [f"{text} -*{2880 - sum(map(counted, text.split()))}" for text in NIGHTS]
    found, wanted = (
        align(reference=reference, device=device, window=window, outside="wake")
        for device in (side(" ".join(texts)), alone)
    )
    assert labels(found) == labels(wanted)
    assert (found.begin, found.status.tolist()) == (wanted.begin, wanted.status.tolist())
    assert found.ledger.excluded == wanted.ledger.excluded
    assert dict(found.ledger.excluded)["device_gap"] == (1 if night == 1 else 0)


def test_silence_between_two_nights_that_both_lie_in_the_window_stays_a_gap():
    device = side("- light*5 -*400 light*5")
    paired = align(reference=side("N2*413"), device=device, outside="wake")
    assert (dict(paired.ledger.excluded)["device_gap"], words(paired)[0], words(paired)[-1]) == (400, "s", "s")


def test_overlap_of_a_reference_of_several_nights_is_the_night_that_the_device_tells():
    reference = side("W*4 N2*6 -*400 W*4 N2*6 -*400 W*4")
    device = side("wake*30", start=BED_TIME + timedelta(seconds=400 * 30))
    paired = align(reference=reference, device=device, window="overlap")
    assert (paired.begin, words(paired)) == (BED_TIME + timedelta(seconds=410 * 30), "s" * 10)


def test_silence_as_wake_of_a_device_that_fills_the_window_changes_nothing():
    paired = pair("W*2 N2*2", "wake*2 light*2", outside=Outside.WAKE)
    assert (paired.device_set.labels, said(paired.ledger.notes)) == (("wake", "light"), ())


# --- refusals ------------------------------------------------------------------------------------------------


def test_a_side_without_a_stage():
    with pytest.raises(PairingError) as refusal:
        pair(side("?*3 artefact", name="lab.edf"), "wake*4")
    assert str(refusal.value) == (
        "lab.edf: the reference has no scored epoch. Found '?', 'artefact'; expected at least one stage."
    )
    with pytest.raises(PairingError, match=r"the device has no scored epoch\. Found no label at all"):
        pair("W*3", side("- - -"))


def test_a_night_where_nothing_is_jointly_scored():
    with pytest.raises(PairingError) as refusal:
        pair("W W ? ? W", side("? - wake wake -", name="band.csv"))
    assert str(refusal.value) == (
        "band.csv: no epoch of the window has a stage on both sides. Found 2 reference unscored, 2 device gap, 1 "
        "device unscored; expected at least one epoch scored by both. Look at both sides with read_hypnogram(), "
        "and at the labels mapped to unscored."
    )


def test_what_the_device_reports_goes_from_the_option_before_the_layout():
    device = side("wake light", reports=("wake", "light", "deep"))
    assert pair("W N2", device).device_set.reportable == ("W", "light", "N3")
    assert pair("W N2", device, reports=("wake", "light", "rem")).device_set.reportable == ("W", "light", "R")
    with pytest.raises(UnknownStageError, match="rule out"):
        pair("W N2", device, reports=("wake", "deep"))


# --- cautions ------------------------------------------------------------------------------------------------

TAKEN = "What the device can report was taken from the labels in its file, which hold no "


@pytest.mark.parametrize(
    ("device", "missing"),
    [
        ("wake light deep rem", None),
        ("wake light deep", "REM"),
        ("wake light", "deep and no REM"),
        ("W N1 N2 N3 R", None),
        ("W N1 N2 R", "N3"),
        ("W N2 N3", "N1 and no REM"),
        ("light deep rem", "wake"),
        ("wake nrem rem", None),
        ("wake nrem", "REM"),
        # devices that tell no more than asleep and awake leave nothing out
        ("wake asleep", None),
        ("wake wake-or-sleep asleep", None),
        # beside stages, "asleep" does not stand for the missing ones
        ("wake light deep asleep", "REM"),
    ],
)
def test_a_caution_names_what_the_devices_labels_leave_out(device, missing):
    cautions = [c for c in said(pair("W N1 N2 N3 R", device).cautions) if c.startswith(TAKEN)]
    assert cautions == (
        []
        if missing is None
        else [
            f"{TAKEN}{missing}. A night without a stage is not a device without it: declare what it can report with "
            "--reports or in its layout."
        ]
    )


def test_no_caution_when_declared():
    assert said(pair("W N2", "wake light", reports=("wake", "light")).cautions) == ()


# --- what a pair is ------------------------------------------------------------------------------------------


def test_a_pair_is_read_only_and_survives_a_pickle():
    paired = pair("W*2 N2*2", "wake*2 light*2")
    again = pickle.loads(pickle.dumps(paired))
    for one in (paired, again):
        for array in (one.reference, one.device, one.status):
            with pytest.raises(ValueError, match="read-only"):
                array[0] = 1
    assert again.ledger == paired.ledger
    np.testing.assert_array_equal(again.native, paired.native)


def test_native_counts_are_reference_by_device():
    paired = pair("W W N2 N2 ? N2", "wake light light light light -")
    assert paired.native.tolist() == [[1, 1], [0, 2], [0, 0]]


@pytest.mark.parametrize("labels", [("wake", SILENT_AS_WAKE), ("wake", SILENT_AS_WAKE, SILENT_AS_WAKE + "*")])
def test_a_device_may_use_our_word_for_its_silence(labels):
    # two hours of reference; the device speaks from the second to the third half-hour and has our label for light
    reference = ScoredSpans([0, 3600], [3600, 3600], [0, 1], ("W", "N2"), ("W", "N2"))
    stages = ("W", *["light"] * (len(labels) - 1))
    device = ScoredSpans([1800, 3600], [1800, 1800], [0, 1], labels, stages)
    night = align(reference=reference, device=device, outside=Outside.WAKE)
    # by hand: 60 epochs of each label, 60 before and 60 after them
    assert dict(night.ledger.device_labels) == {
        **dict.fromkeys(labels, 0), "wake": 60, SILENT_AS_WAKE: 60, SILENT_AS_WAKE + "*" * (len(labels) - 1): 120
    }  # fmt: skip
    assert dict(night.device_side.labels) == {**dict.fromkeys(labels, 0), "wake": 60, SILENT_AS_WAKE: 60}
    assert night.ledger.outside_device == 0
    told = align(reference=reference, device=device)
    assert dict(told.device_side.labels) == {**dict.fromkeys(labels, 0), "wake": 60, SILENT_AS_WAKE: 60}


def test_what_is_told_of_the_labels_does_not_depend_on_which_comes_first():
    nights = (["wake", "light", "deep"] * 20, ["wake", "deep", "light"] * 20)
    first, second = (align(reference=["W", "N2", "N3"] * 20, device=labels).cautions for labels in nights)
    assert first == second
    assert first[0]["reports"] == ("W", "N3", "light")
