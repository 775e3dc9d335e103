"""Tables: every shape, every dialect, and the exact words of every refusal."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import pickle
import re
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sleepagree.errors import (
    ClockError,
    EpochGridError,
    FileFormatError,
    InputError,
    SleepAgreeError,
    UnknownStageError,
)
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.csv_table import parse_csv
from sleepagree.readers.layout import Layout, Marks, Overlaps, Shape, read_layout
from tests.said import said

T0 = dt.datetime(2026, 3, 1, 22, 30)
EPOCHS = "time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,light\n"


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def read(text: str | bytes, layout: str | Layout = "", **options: object) -> ScoredSpans:
    Path("night.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    if isinstance(layout, Layout) or not layout:
        return read_spans("night.csv", layout=layout or None, **options)  # type: ignore[arg-type]
    Path("layout.toml").write_text(layout, encoding="utf-8")
    return read_spans("night.csv", layout=read_layout("layout.toml"), **options)  # type: ignore[arg-type]


def outcome(text: str | bytes, layout: str | Layout = "") -> ScoredSpans | SleepAgreeError:
    try:
        return read(text, layout)
    except SleepAgreeError as error:
        return error


def stamp(seconds: float, form: str = "%Y-%m-%dT%H:%M:%S") -> str:
    return (T0 + dt.timedelta(seconds=seconds)).strftime(form)


def rows_of(spans: ScoredSpans) -> list[tuple[float, float, str]]:
    return [
        (float(onset), float(duration), spans.labels[code])
        for onset, duration, code in zip(spans.onset_s, spans.duration_s, spans.codes, strict=True)
    ]


# --- the shapes of a table -------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [20, 30, 60, 300, 600])
def test_one_row_an_epoch(step: int) -> None:
    labels = ["wake", "light", "light", "deep", "REM", "wake"]
    spans = read("time,stage\n" + "".join(f"{stamp(step * i)},{label}\n" for i, label in enumerate(labels)))
    assert rows_of(spans) == [(step * i, step, label) for i, label in enumerate(labels)]
    assert spans.stages == ("W", "light", "N3", "R")
    assert (spans.start, spans.wall_clock) == (T0, True)
    assert (spans.epoch_s, spans.epoch_from) == (step, EpochLengthFrom.INFERRED)
    # a source that is coarser than a reference's epochs cannot show short wakes
    assert bool(said(spans.cautions)) == (step > 30)


def test_the_phase_of_epochs_and_fractions_of_a_second_are_kept() -> None:
    # an open set (ds005178, seen) starts its scoring at 691.916 s
    spans = read("onset,stage\n691.916,wake\n721.916,wake\n751.916,light\n")
    assert spans.onset_s.tolist() == [691.916, 721.916, 751.916]
    assert spans.start is None
    spans = read("time,stage\n2026-03-01 22:30:07.250,wake\n2026-03-01 22:30:37.250,wake\n")
    assert spans.start == dt.datetime(2026, 3, 1, 22, 30, 7, 250_000)
    assert spans.onset_s.tolist() == [0.0, 30.0]


def test_missing_rows_are_gaps_and_are_counted() -> None:
    seconds = [0, 30, 60, 150, 180, 240]
    spans = read("time,stage\n" + "".join(f"{stamp(s)},wake\n" for s in seconds))
    assert spans.onset_s.tolist() == seconds
    assert set(spans.duration_s) == {30.0}
    assert said(spans.notes) == ("3 epochs without a row, in 2 gaps",)


def test_times_that_jitter_by_less_than_half_a_second_are_epochs() -> None:
    seconds = [0, 30.1, 59.9, 90.2, 120.0, 150.3]
    text = "onset,stage\n" + "".join(f"{s},wake\n" for s in seconds)
    spans = read(text)
    assert spans.epoch_s == 30.0
    assert spans.onset_s.tolist() == seconds
    assert any("rounded times overlap" in note for note in said(spans.notes))


def test_rows_with_beginning_and_end() -> None:
    text = f"start,end,stage\n{stamp(0)},{stamp(330)},wake\n{stamp(330)},{stamp(900)},light\n"
    text += f"{stamp(960)},{stamp(1000)},deep\n"
    spans = read(text)
    assert rows_of(spans) == [(0, 330, "wake"), (330, 570, "light"), (960, 40, "deep")]
    assert (spans.epoch_s, said(spans.notes), said(spans.cautions)) == (None, (), ())


@pytest.mark.parametrize(
    ("header", "unit", "layout"),
    [
        ("duration_s", 1, ""),
        ("duration (min)", 60, ""),
        ("Duration_ms", 0.001, ""),
        ("duration", 1, '[file]\nduration_unit = "s"\n'),
        ("duration", 60, '[file]\nduration_unit = "min"\n'),
        ("duration", 0.001, '[file]\nduration_unit = "ms"\n'),
        ("duration", 60, ""),  # proven by each row ending where the next begins
        ("duration", 1, ""),
    ],
)
def test_rows_with_beginning_and_duration(header: str, unit: float, layout: str) -> None:
    lengths = [300, 600, 60, 1200]
    begins = np.concatenate(([0], np.cumsum(lengths)[:-1]))
    text = f"start,{header},stage\n"
    for begin, length, label in zip(begins, lengths, ["wake", "light", "wake", "deep"], strict=True):
        text += f"{stamp(float(begin))},{round(length / unit, 6)},{label}\n"
    spans = read(text, layout)
    assert spans.onset_s.tolist() == begins.tolist()
    assert spans.duration_s.tolist() == lengths
    proven = header == "duration" and not layout
    assert bool(said(spans.notes)) == proven


def test_equal_durations_are_the_epoch_length() -> None:
    spans = read("onset,duration_s,stage\n0,30,wake\n30,30,light\n90,30,light\n")
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.FILE)


def test_a_declared_epoch_length_goes_before_equal_durations() -> None:
    spans = read("onset,duration_s,stage\n0,60,wake\n60,60,light\n", "epoch_seconds = 30\n")
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.LAYOUT)
    assert spans.duration_s.tolist() == [60, 60]


def test_rows_that_last_until_the_next_one() -> None:
    layout = '[file]\nshape = "intervals"\n'
    text = f"time,stage\n{stamp(0)},wake\n{stamp(90)},light\n{stamp(700)},deep\n{stamp(1000)},Lights on\n"
    spans = read(text, layout)
    assert rows_of(spans) == [(0, 90, "wake"), (90, 610, "light"), (700, 300, "deep")]
    assert spans.lights_on_s == 1000.0
    spans = read(text.replace("Lights on", "up"), layout + '[stages]\nup = "not-a-stage"\n')
    assert rows_of(spans)[-1] == (700, 300, "deep")
    assert spans.ignored == (("up", 1),)


RUNS = 'epoch_seconds = 30\n[file]\nshape = "runs"\n[stages]\n0 = "wake"\n1 = "light"\n2 = "deep"\n3 = "rem"\n'


def test_a_text_of_codes() -> None:
    spans = read(f"start,stage\n{stamp(0)},0011\n{stamp(180)},223\n", RUNS)
    assert [label for *_, label in rows_of(spans)] == list("0011223")
    assert spans.onset_s.tolist() == [0, 30, 60, 90, 180, 210, 240]
    assert spans.stages == ("W", "light", "N3", "R")
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.LAYOUT)


def test_a_text_of_codes_with_its_own_step_and_words() -> None:
    layout = '[file]\nshape = "runs"\n'
    spans = read(f'start,step_s,stage\n{stamp(0)},60,"wake, light light"\n', layout)
    assert rows_of(spans) == [(0, 60, "wake"), (60, 60, "light"), (120, 60, "light")]
    assert spans.epoch_from is EpochLengthFrom.FILE


@pytest.mark.parametrize("step", ["0", "0.5", "7200", "-30"])
def test_steps_of_a_text_of_codes_that_are_none(step: str) -> None:
    with pytest.raises(EpochGridError, match="line 2, column 'step': this is no length of an epoch"):
        read(f"start,step,stage\n{stamp(0)},{step},W\n", '[file]\nshape = "runs"\n')


def test_the_end_of_a_text_of_codes_is_checked() -> None:
    assert read(f"start,end,stage\n{stamp(0)},{stamp(120)},0011\n", RUNS).end_s == 120.0


@pytest.mark.parametrize(("marks", "shift"), [("start", 0), ("middle", -15), ("end", -30)])
def test_times_may_mark_another_moment_of_their_epoch(marks: str, shift: int) -> None:
    spans = read(EPOCHS, f'[file]\nmarks = "{marks}"\n')
    assert spans.start == T0 + dt.timedelta(seconds=shift)
    assert spans.onset_s.tolist() == [0, 30, 60]
    assert bool(said(spans.notes)) == (marks != "start")


def test_durations_of_zero_throughout_are_epochs_with_a_caution() -> None:
    spans = read("onset,duration,stage\n0,0,wake\n30,0,light\n60,0,light\n")
    assert spans.duration_s.tolist() == [30, 30, 30]
    assert said(spans.cautions) == ("no row has a duration above 0: each is taken to last until the next epoch",)


# --- dialects --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mark", [",", "\t", ";", "|"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r", "\r\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_delimiters_line_ends_and_byte_order_marks(mark: str, ending: str, encoding: str) -> None:
    text = EPOCHS.replace(",", mark).replace("\n", ending)
    spans = read(text.encode(encoding))
    assert rows_of(spans) == [(0, 30, "wake"), (30, 30, "wake"), (60, 30, "light")]
    assert said(spans.notes) == (("line ends CR CR LF read as one line end",) if ending == "\r\r\n" else ())


def test_blank_rows_are_dropped_and_counted_and_keep_line_numbers_right() -> None:
    text = "\ntime,stage\n\n" + EPOCHS.split("\n", 1)[1] + " , \n\n"
    assert said(read(text).notes) == ("4 blank rows dropped",)
    with pytest.raises(UnknownStageError, match="line 7: "):
        read(text.replace(" , ", f"{stamp(90)},dozing"))


def test_blank_cells_in_every_column_are_a_blank_row() -> None:
    spans = read(EPOCHS + f",\n{stamp(90)},light\n")
    assert spans.onset_s.tolist() == [0, 30, 60, 90]
    assert said(spans.notes) == ("1 blank row dropped",)


def test_a_cell_too_many_does_not_make_up_for_one_too_few() -> None:
    with pytest.raises(FileFormatError, match="line 5: the row has too many cells"):
        read(EPOCHS + f"{stamp(90)},light,{stamp(120)}\nlight\n")


def test_quoted_cells_are_read_as_the_csv_module_writes_them() -> None:
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL)
    writer.writerow(["time", "stage", "remark"])
    writer.writerow([stamp(0), 'say "deep", or so', "two\nlines"])
    writer.writerow([stamp(30), "light", ""])
    writer.writerow([stamp(60), "dozing", ""])
    layout = "[stages]\n'say \"deep\", or so' = 'deep'\n"
    with pytest.raises(UnknownStageError, match="line 5: unknown stage label"):
        read(out.getvalue(), layout)
    spans = read(out.getvalue(), layout + 'dozing = "unscored"\n')
    assert spans.labels == ('say "deep", or so', "light", "dozing")


def test_declared_delimiter_and_encoding() -> None:
    text = EPOCHS.replace(",", " ").replace("light", "Tief–schlaf").encode("cp1252")
    spans = read(text, '[file]\ndelimiter = " "\nencoding = "cp1252"\n[stages]\n"Tief–schlaf" = "deep"\n')
    assert spans.labels == ("wake", "Tief–schlaf")


def test_space_around_cells_does_not_count() -> None:
    spans = read(EPOCHS.replace(",", " ,  "))
    assert spans.labels == ("wake", "light")
    assert spans.start == T0


def test_decimal_commas() -> None:
    spans = read("onset;duration (s);stage\n0,0;29,5;wake\n29,5;30,5;light\n60,0;30,0;light\n")
    assert rows_of(spans) == [(0, 29.5, "wake"), (29.5, 30.5, "light"), (60, 30, "light")]


def test_the_delimiter_that_parts_all_rows_evenly_wins() -> None:
    text = "time;remark, if any;stage\n" + "".join(f"{stamp(30 * i)};a, b, c;wake\n" for i in range(3))
    assert read(text).onset_s.size == 3


# --- columns and labels ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "stage"),
    [
        ("Time", "Stage"),
        ("timestamp", "sleep_stage"),
        ("START TIME", "Sleep Stage"),
        ("Epoch-Start", "label"),
        ("onset_time", "state"),
        ("DateTime", "hypnogram"),
        ("begin", "30-sec_epoch_sleep_stage"),
        ("start_time", "staging"),
        ("time_local", "sleep_state"),
        ("Time (UTC)", "rk stage"),
    ],
)
def test_plain_names_of_columns(start: str, stage: str) -> None:
    assert read(EPOCHS.replace("time,stage", f"{start},{stage}")).onset_s.size == 3


def test_columns_that_a_layout_names_go_first() -> None:
    text = "time,stage,hour,second_scorer\n" + "".join(f"{stamp(9 * i)},x,{stamp(30 * i)},light\n" for i in range(3))
    spans = read(text, '[file]\nstart = "hour"\nstage = "second_scorer"\n')
    assert rows_of(spans) == [(0, 30, "light"), (30, 30, "light"), (60, 30, "light")]


def test_digits_are_stages_only_where_the_file_says_rechtschaffen_and_kales() -> None:
    text = f"time,stage (R&K)\n{stamp(0)},1\n{stamp(30)},4\n{stamp(60)},R\n"
    spans = read(text)
    assert spans.stages == ("N1", "N3", "R")
    assert said(spans.notes) == ("digits read as R&K stages, as column 'stage (R&K)' says",)
    with pytest.raises(UnknownStageError, match="2 unknown stage labels"):
        read(text.replace(" (R&K)", ""))


def test_lights_marks_are_no_stages() -> None:
    text = f"start,end,stage\n{stamp(-60)},,Lights off\n{stamp(0)},{stamp(300)},wake\n{stamp(300)},,LIGHTS_ON\n"
    spans = read(text)
    assert (spans.lights_off_s, spans.lights_on_s) == (-60.0, 300.0)
    assert spans.labels == ("wake",)
    assert spans.ignored == ()


def test_rows_that_are_no_stage_are_dropped_and_counted_and_may_overlap() -> None:
    text = f"start,duration_s,stage\n{stamp(0)},300,in bed\n{stamp(0)},30,wake\n"
    text += f"{stamp(10)},0,snore\n{stamp(30)},30,light\n"
    spans = read(text, '[stages]\n"in bed" = "not-a-stage"\nsnore = "not-a-stage"\n')
    assert rows_of(spans) == [(0, 30, "wake"), (30, 30, "light")]
    assert spans.ignored == (("in bed", 1), ("snore", 1))


def test_unscored_rows_keep_their_labels() -> None:
    spans = read(EPOCHS.replace("light", "off-body"))
    assert (spans.labels, spans.stages) == (("wake", "off-body"), ("W", "unscored"))


def test_words_of_a_mapping_are_taken() -> None:
    spans = read(EPOCHS.replace("light", "dozing"), own_words={"dozing"})
    assert spans.stages == ("W", "dozing")


def test_reports_and_epoch_length_come_from_the_layout() -> None:
    spans = read(EPOCHS, 'reports = ["wake", "light", "deep"]\nepoch_seconds = 30\n')
    assert spans.reports == ("wake", "light", "deep")
    assert spans.epoch_from is EpochLengthFrom.LAYOUT


# --- order, duplicates, overlaps -------------------------------------------------------------------------


def test_repeated_rows_are_dropped_and_told() -> None:
    spans = read(EPOCHS + EPOCHS.split("\n", 1)[1])
    assert spans.onset_s.tolist() == [0, 30, 60]
    assert said(spans.notes) == (
        "rows not in order of time (line 5): sorted",
        "3 rows that repeat another exactly dropped (lines 5, 6 and 7)",
    )


def test_blocks_of_rows_out_of_order_that_do_not_overlap_are_one_recording() -> None:
    text = "part,onset,duration_s,stage\nb,60,30,light\nb,90,30,light\na,0,30,wake\na,30,30,wake\n"
    assert rows_of(read(text)) == [(0, 30, "wake"), (30, 30, "wake"), (60, 30, "light"), (90, 30, "light")]


def test_newest_first_is_turned_round() -> None:
    header, *body = EPOCHS.splitlines()
    spans = read("\n".join([header, *reversed(body)]))
    assert rows_of(spans) == [(0, 30, "wake"), (30, 30, "wake"), (60, 30, "light")]
    assert said(spans.notes) == ("rows stand in reverse order of time: turned round",)


OVERLAID = (
    f"start,end,stage\n{stamp(0)},{stamp(600)},light\n{stamp(600)},{stamp(1200)},deep\n"
    f"{stamp(90)},{stamp(150)},wake\n{stamp(570)},{stamp(630)},wake\n"
)


def test_shorter_rows_may_lie_over_longer_ones() -> None:
    spans = read(OVERLAID, '[file]\noverlaps = "shorter-wins"\n')
    assert rows_of(spans) == [
        (0, 90, "light"),
        (90, 60, "wake"),
        (150, 420, "light"),
        (570, 60, "wake"),
        (630, 570, "deep"),
    ]
    assert said(spans.notes)[-1] == (
        "overlapping rows (shorter-wins): 120 s overlaid; the 4 rows add up to 1320 s and cover 1200 s"
    )


def test_later_rows_of_the_file_may_win() -> None:
    header, *body = OVERLAID.splitlines()
    spans = read("\n".join([header, *reversed(body)]) + "\n", '[file]\noverlaps = "later-wins"\n')
    # the long rows stand last now and cover the short ones
    assert rows_of(spans) == [(0, 600, "light"), (600, 600, "deep")]
    twice = EPOCHS + f"{stamp(60)},deep\n"
    assert rows_of(read(twice, '[file]\noverlaps = "later-wins"\n'))[-1] == (60, 30, "deep")
    # a row that comes back wins over what came in between
    assert rows_of(read(twice + f"{stamp(60)},light\n", '[file]\noverlaps = "later-wins"\n'))[-1] == (60, 30, "light")


def test_overlapping_rows_of_one_label_are_merged() -> None:
    text = f"start,end,stage\n{stamp(0)},{stamp(300)},light\n{stamp(200)},{stamp(400)},light\n"
    text += f"{stamp(400)},{stamp(500)},wake\n"
    spans = read(text)
    assert rows_of(spans) == [(0, 400, "light"), (400, 100, "wake")]
    assert said(spans.notes) == ("1 row merged with an overlapping row of the same label (100 s told twice)",)


def test_inclusive_ends_once_declared() -> None:
    text = "start,end,stage\n" + "".join(f"{stamp(60 * i)},{stamp(60 * i + 59)},light\n" for i in range(6))
    spans = read(text, '[file]\nends = "inclusive"\n')
    assert spans.duration_s.tolist() == [60] * 6
    assert said(spans.notes) == ("ends are inclusive: 1 s added to each",)
    assert read(text, '[file]\nends = "exclusive"\n').duration_s.tolist() == [59] * 6


def test_ends_in_whole_minutes_may_be_inclusive_too() -> None:
    form = "%Y-%m-%d %H:%M"
    lengths = [3, 10, 4, 20, 6]
    text, begin = "start,end,stage\n", 0
    for length in lengths:
        text += f"{stamp(60 * begin, form)},{stamp(60 * (begin + length - 1), form)},light\n"
        begin += length
    with pytest.raises(EpochGridError, match="the ends lie 1 min before the next beginning"):
        read(text)
    assert read(text, '[file]\nends = "inclusive"\n').duration_s.tolist() == [60 * length for length in lengths]


# --- clocks ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "form", "layout"),
    [
        ("time", "%Y-%m-%dT%H:%M:%SZ", ""),
        ("time", "%Y-%m-%d %H:%M:%S+00:00", ""),
        ("time", "%Y%m%dT%H%M%SZ", ""),
        ("time_utc", "%Y-%m-%d %H:%M:%S", ""),
        ("time", "%Y-%m-%d %H:%M", '[file]\nzone = "UTC"\n'),
        ("time", "%d.%m.%Y %H:%M:%S", '[file]\nzone = "UTC"\ntime = "%d.%m.%Y %H:%M:%S"\n'),
        ("time", "%m/%d/%y %I:%M:%S %p", '[file]\nzone = "UTC"\ntime = "%m/%d/%y %I:%M:%S %p"\n'),
        ("time", "%d %b %Y %H:%M:%S +0000", '[file]\ntime = "%d %b %Y %H:%M:%S %z"\n'),
        ("time", "unix-s", ""),
        ("time", "unix-ms", ""),
        ("time", "unix-s", '[file]\ntime = "unix-s"\n'),
    ],
)
def test_ways_to_write_a_moment(header: str, form: str, layout: str) -> None:
    moments = [T0.replace(tzinfo=dt.UTC) + dt.timedelta(seconds=60 * i) for i in range(4)]
    scale = {"unix-s": 1, "unix-ms": 1000}.get(form)
    cells = [str(int(m.timestamp()) * scale) if scale else m.strftime(form) for m in moments]
    spans = read(f"{header},stage\n" + "".join(f"{cell},wake\n" for cell in cells), layout)
    assert spans.start == moments[0]
    assert spans.start is not None
    assert spans.start.utcoffset() == dt.timedelta(0)
    assert not spans.wall_clock
    assert spans.onset_s.tolist() == [0, 60, 120, 180]


def test_offsets_are_kept_for_display_and_may_change() -> None:
    text = "start,end,stage\n"
    zone = ZoneInfo("Europe/Helsinki")
    moments = [dt.datetime(2026, 10, 25, 0, 0, tzinfo=dt.UTC) + dt.timedelta(minutes=20 * i) for i in range(8)]
    local = [m.astimezone(zone).isoformat() for m in moments]
    text += "".join(f"{a},{b},light\n" for a, b in pairwise(local))
    spans = read(text)
    assert spans.start == moments[0]
    assert spans.start is not None
    assert spans.start.utcoffset() == dt.timedelta(hours=3)
    assert spans.onset_s.tolist() == [1200.0 * i for i in range(7)]
    assert said(spans.notes) == ("offset from UTC changes from +03:00 to +02:00 at line 5",)


def test_a_zone_makes_local_times_moments() -> None:
    spans = read(EPOCHS, zone="Europe/Helsinki")
    assert spans.start == dt.datetime(2026, 3, 1, 22, 30, tzinfo=ZoneInfo("Europe/Helsinki"))
    assert not spans.wall_clock
    assert read(EPOCHS, '[file]\nzone = "Europe/Helsinki"\n', zone="Europe/Helsinki").start == spans.start
    with pytest.raises(ClockError, match="the layout names one zone, the command another"):
        read(EPOCHS, '[file]\nzone = "Europe/Helsinki"\n', zone="Europe/Paris")


def test_a_zone_is_not_used_where_times_tell_their_own() -> None:
    text = EPOCHS.replace(":00,", ":00Z,").replace(":30,", ":30Z,")
    spans = read(text, zone="Europe/Helsinki")
    assert spans.start == T0.replace(tzinfo=dt.UTC)
    assert said(spans.notes) == ("zone Europe/Helsinki not used: the times tell their own",)


def local_rows(first: dt.datetime, minutes: list[int], zone: str) -> list[str]:
    """Wall-clock readings of moments that are ``minutes`` after ``first`` (UTC): zoneinfo is the oracle."""
    moments = [first + dt.timedelta(minutes=m) for m in minutes]
    return [m.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%dT%H:%M:%S") for m in moments]


@pytest.mark.parametrize(
    ("zone", "first"),
    [
        ("Europe/Helsinki", dt.datetime(2026, 10, 24, 21, 0, tzinfo=dt.UTC)),  # back at 01:00 UTC
        ("Europe/Helsinki", dt.datetime(2026, 3, 28, 21, 0, tzinfo=dt.UTC)),  # forward at 01:00 UTC
        ("America/New_York", dt.datetime(2026, 11, 1, 2, 0, tzinfo=dt.UTC)),  # back at 06:00 UTC
        ("Australia/Lord_Howe", dt.datetime(2026, 4, 4, 11, 0, tzinfo=dt.UTC)),  # back by half an hour
        ("Africa/Casablanca", dt.datetime(2026, 2, 14, 22, 0, tzinfo=dt.UTC)),  # back for a month
    ],
)
@pytest.mark.parametrize("shape", ["epochs", "intervals", "durations", "backwards"])
def test_a_night_across_a_change_of_the_clock_lasts_as_long_as_it_did(
    zone: str, first: dt.datetime, shape: str
) -> None:
    minutes = [10 * i for i in range(60)]
    clock = local_rows(first, [*minutes, 600], zone)
    pairs = list(pairwise(clock))
    text = {
        "epochs": "time,stage\n" + "".join(f"{a},wake\n" for a, _ in pairs),
        "intervals": "start,end,stage\n" + "".join(f"{a},{b},wake\n" for a, b in pairs),
        "durations": "start,duration_min,stage\n" + "".join(f"{a},10,wake\n" for a, _ in pairs),
        "backwards": "time,stage\n" + "".join(f"{a},wake\n" for a, _ in reversed(pairs)),
    }[shape]
    spans = read(text, zone=zone)
    assert spans.start == first
    assert spans.onset_s.tolist() == [60.0 * m for m in minutes]
    assert spans.end_s == 36_000.0


def test_a_recording_that_ends_in_the_repeated_hour_runs_on() -> None:
    first = dt.datetime(2026, 10, 24, 22, 0, tzinfo=dt.UTC)
    clock = local_rows(first, [10 * i for i in range(15)], "Europe/Helsinki")  # 01:00 to 03:20, once
    spans = read("time,stage\n" + "".join(f"{c},wake\n" for c in clock), zone="Europe/Helsinki")
    assert spans.onset_s.tolist() == [600.0 * i for i in range(15)]


def test_an_hour_that_is_told_once_but_was_twice_is_refused() -> None:
    # 01:00 to 04:30 in one sweep: whether the gap lies before or after 03:00-04:00 cannot be known
    form = "%Y-%m-%dT%H:%M:%S"
    clock = [(dt.datetime(2026, 10, 25, 1, 0) + dt.timedelta(minutes=10 * i)).strftime(form) for i in range(22)]
    with pytest.raises(ClockError, match=r"line 14: this time happens twice.*2026-10-25 00:00:00 UTC or 2026-10-25 01"):
        read("time,stage\n" + "".join(f"{c},wake\n" for c in clock), zone="Europe/Helsinki")


NIGHT = ["22:40", "23:50", "00:10", "02:30", "06:00"]


@pytest.mark.parametrize(
    ("dates", "layout", "first_day"),
    [
        (["2026-03-02"] * 5, '[file]\nnight_of = "wake-day"\n', 1),
        (["2026-03-01"] * 5, '[file]\nnight_of = "bed-day"\n', 1),
        (["2026-03-01"] * 2 + ["2026-03-02"] * 3, "", 1),
        (None, '[file]\nnight_of = "wake-day"\nbegins = 2026-03-02\n', 1),
        (None, '[file]\nnight_of = "bed-day"\nbegins = 2026-03-01\n', 1),
        (None, "[file]\nbegins = 2026-03-01T22:00:00\n", 1),
    ],
)
def test_times_of_day(dates: list[str] | None, layout: str, first_day: int) -> None:
    layout = layout.replace("[file]\n", '[file]\nshape = "intervals"\n') or '[file]\nshape = "intervals"\n'
    day = [f"{d}," for d in dates] if dates else [""] * 5
    text = ("date," if dates else "") + "time,stage\n"
    labels = ["wake", "light", "deep", "rem", "Lights on"]
    text += "".join(f"{d}{t},{label}\n" for d, t, label in zip(day, NIGHT, labels, strict=True))
    spans = read(text, layout)
    assert spans.start == dt.datetime(2026, 3, first_day, 22, 40)
    assert spans.onset_s.tolist() == [0, 4200, 5400, 13_800]
    assert spans.end_s == 26_400.0


def test_a_first_time_before_noon_belongs_to_the_morning() -> None:
    text = "date,start,end,stage\n2026-03-02,00:30,07:00,light\n"
    wake = read(text, '[file]\ndate = "date"\nnight_of = "wake-day"\n')
    bed = read(text, '[file]\ndate = "date"\nnight_of = "bed-day"\n')
    assert wake.start == dt.datetime(2026, 3, 2, 0, 30)
    assert bed.start == dt.datetime(2026, 3, 3, 0, 30)
    # a day sleeper of the crew who turns in at noon and sleeps past midnight
    late = read("date,start,end,stage\n2026-03-02,13:00,01:00,light\n", '[file]\nnight_of = "bed-day"\n')
    assert (late.start, late.end_s) == (dt.datetime(2026, 3, 2, 13, 0), 12 * 3600.0)


def test_times_of_day_of_no_length_are_no_whole_day() -> None:
    with pytest.raises(EpochGridError, match="line 2: the row lasts no time"):
        read("date,start,end,stage\n2026-03-02,13:00,13:00,light\n", '[file]\nnight_of = "bed-day"\n')


def test_times_of_day_out_of_order() -> None:
    text = "date,time,stage\n2026-03-02,06:00,light\n2026-03-02,02:00,wake\n2026-03-02,23:00,wake\n"
    with pytest.raises(ClockError) as caught:
        read(text, '[file]\nnight_of = "wake-day"\n')
    assert str(caught.value) == (
        "night.csv: line 4, column 'time': the clock leaps by more than 12 hours within a night. Found 23:00:00, after "
        "02:00:00; expected times in order. Sort the rows by time, and give every night its own date."
    )


def test_two_nights_with_a_date_each() -> None:
    text = "date,start,end,stage\n2026-03-02,23:00,01:00,light\n2026-03-02,01:00,06:00,deep\n"
    text += "2026-03-03,22:30,05:00,light\n"
    spans = read(text, '[file]\nnight_of = "wake-day"\n')
    assert spans.start == dt.datetime(2026, 3, 1, 23, 0)
    assert spans.onset_s.tolist() == [0, 7200, 84_600]


def test_a_date_and_a_time_in_two_columns_and_a_declared_form() -> None:
    text = "day;clock;until;stage\n01.03.2026;23:50;00:10;wake\n02.03.2026;00:10;00:40;light\n"
    layout = '[file]\ndate = "day"\nstart = "clock"\nend = "until"\ntime = "%d.%m.%Y %H:%M"\n'
    spans = read(text, layout)
    assert spans.start == dt.datetime(2026, 3, 1, 23, 50)
    assert rows_of(spans) == [(0, 1200, "wake"), (1200, 1800, "light")]


def test_midnight_written_as_24() -> None:
    text = (
        "start,end,stage\n2026-03-01 23:30:00,2026-03-01 24:00:00,wake\n2026-03-02 00:00:00,2026-03-02 00:30:00,light\n"
    )
    spans = read(text)
    assert rows_of(spans) == [(0, 1800, "wake"), (1800, 1800, "light")]
    assert said(spans.notes) == ("24:00 read as midnight of the next day (once)",)


@pytest.mark.parametrize("seconds", ["", ":00"])
@pytest.mark.parametrize("form", ["", 'time = "%H:%M{}"'])
@pytest.mark.parametrize("night_of", ["", 'night_of = "bed-day"', 'night_of = "wake-day"'])
@pytest.mark.parametrize("first", [0, 1])
def test_24_hours_beside_a_date_are_the_next_midnight(seconds: str, form: str, night_of: str, first: int) -> None:
    # without night_of each row has its own date, with it that of the night
    own = ["2026-03-01", "2026-03-01", "2026-03-02"]
    night = {"": None, 'night_of = "bed-day"': "2026-03-01", 'night_of = "wake-day"': "2026-03-02"}[night_of]
    clocks = zip([night] * 3 if night else own, ["23:30", "24:00", "00:30"], ["wake", "light", "deep"], strict=True)
    rows = [f"{day},{clock}{seconds},{label}\n" for day, clock, label in clocks][first:]
    layout = f"epoch_seconds = 1800\n[file]\nshape = 'epochs'\n{form.format(':%S' if seconds else '')}\n{night_of}\n"
    spans = read("date,time,stage\n" + "".join(rows), layout)
    assert spans.start == dt.datetime(2026, 3, 1, 23, 30) + dt.timedelta(minutes=30 * first)
    assert rows_of(spans) == [(1800 * i, 1800, label) for i, label in enumerate(["wake", "light", "deep"][first:])]
    assert "24:00 read as midnight of the next day (once)" in said(spans.notes)


def test_24_hours_beside_a_date_in_a_column_of_ends() -> None:
    text = "date,start,end,stage\n2026-03-01,00:00,24:00:00,light\n2026-03-02,24:00,00:30,wake\n"
    spans = read(text.replace("2026-03-02", "2026-03-01"))
    assert spans.start == dt.datetime(2026, 3, 1)
    assert rows_of(spans) == [(0, 86_400, "light"), (86_400, 1800, "wake")]
    spans = read("date,start,end,stage\n2026-03-01,23:00,24:00,light\n2026-03-01,24:00,00:30,wake\n")
    assert rows_of(spans) == [(0, 3600, "light"), (3600, 1800, "wake")]
    declared = '[file]\ndate = "date"\ntime = "%d.%m.%Y %H:%M"\n'
    spans = read("date,start,end,stage\n01.03.2026,00:00,24:00,light\n02.03.2026,00:00,24:00,wake\n", declared)
    assert rows_of(spans) == [(0, 86_400, "light"), (86_400, 86_400, "wake")]
    # a row from 24:00 to 24:00 lasts no time, and not a day
    with pytest.raises(EpochGridError):
        read("date,start,end,stage\n2026-03-01,23:00,24:00,light\n2026-03-01,24:00,24:00,wake\n")


def test_24_hours_on_a_day_that_the_layout_tells() -> None:
    for begins in ("2026-03-01T23:00:00", '2026-03-01\nnight_of = "bed-day"', '2026-03-02\nnight_of = "wake-day"'):
        spans = read(
            "time,stage\n23:30,wake\n24:00,light\n00:30,deep\n", f"[file]\nbegins = {begins}\nshape='epochs'\n"
        )
        assert spans.start == dt.datetime(2026, 3, 1, 23, 30)
        assert spans.onset_s.tolist() == [0, 1800, 3600]


def test_elapsed_seconds_with_and_without_a_clock() -> None:
    text = "start_s,stage\n-30,wake\n0,wake\n30,light\n"
    assert read(text).start is None
    assert read(text).onset_s.tolist() == [-30, 0, 30]
    spans = read(text, "[file]\nbegins = 2026-03-01T22:30:00\n")
    assert (spans.start, spans.wall_clock) == (T0, False)
    aware = read(text, "[file]\nbegins = 2026-03-01T22:30:00\n", zone="Europe/Helsinki")
    assert aware.start == T0.replace(tzinfo=ZoneInfo("Europe/Helsinki"))


def test_nothing_of_a_result_can_be_changed_and_it_survives_a_process_pool() -> None:
    spans = pickle.loads(pickle.dumps(read(EPOCHS, zone="Europe/Helsinki")))
    assert spans.start == T0.replace(tzinfo=ZoneInfo("Europe/Helsinki"))
    with pytest.raises(ValueError, match="read-only"):
        spans.onset_s[0] = 1.0


def test_the_origin_tells_name_reader_and_hash() -> None:
    origin = read(EPOCHS).origin
    assert (origin.name, origin.reader) == ("night.csv", "table")
    assert origin.sha256 == hashlib.sha256(EPOCHS.encode()).hexdigest()


# --- laws ------------------------------------------------------------------------------------------------

LABELS = ("wake", "light", "deep", "REM", "?")


@st.composite
def nights(draw: st.DrawFn) -> tuple[int, list[str]]:
    step = draw(st.sampled_from([20, 30, 60, 300]))
    labels = draw(st.lists(st.sampled_from(LABELS), min_size=3, max_size=40))
    return step, labels


def covered(spans: ScoredSpans) -> list[tuple[float, float, str]]:
    """Maximal runs of one label, so that an epoch table and an interval table can be compared."""
    runs: list[tuple[float, float, str]] = []
    for onset, duration, label in rows_of(spans):
        if runs and runs[-1][2] == label and runs[-1][1] == onset:
            runs[-1] = (runs[-1][0], onset + duration, label)
        else:
            runs.append((onset, onset + duration, label))
    return runs


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)
@given(nights(), st.data())
def test_one_night_in_many_forms_is_one_night(night: tuple[int, list[str]], data: st.DataObject) -> None:
    step, labels = night
    begins = [i for i in range(len(labels)) if i == 0 or labels[i] != labels[i - 1]]
    ends = [*begins[1:], len(labels)]
    mark = data.draw(st.sampled_from([",", ";", "\t"]))
    form = data.draw(
        st.sampled_from(["%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%b %d, %Y %H:%M:%S"])
    )
    if form.startswith("%b") and mark == ",":
        mark = ";"
    time = "" if form.startswith("%Y") else f'[file]\ntime = "{form}"\n'
    declared = time or "[file]\n"

    def table(*names: str) -> str:
        return mark.join(names) + "\n"

    epochs = table("time", "stage") + "".join(table(stamp(step * i, form), label) for i, label in enumerate(labels))
    intervals = table("start", "end", "stage") + "".join(
        table(stamp(step * b, form), stamp(step * e, form), labels[b]) for b, e in zip(begins, ends, strict=True)
    )
    durations = table("start", "duration_s", "stage") + "".join(
        table(stamp(step * b, form), str(step * (e - b)), labels[b]) for b, e in zip(begins, ends, strict=True)
    )
    changes = table("start", "stage") + "".join(table(stamp(step * b, form), labels[b]) for b in begins)
    changes += table(stamp(step * len(labels), form), "Lights on")
    codes = dict(zip(LABELS, "abcde", strict=True))
    run = table("start", "stage") + table(stamp(0, form), "".join(codes[label] for label in labels))
    stages = "[stages]\n" + "".join(
        f'{code} = "{w}"\n' for w, code in zip(("wake", "light", "deep", "rem", "unscored"), "abcde", strict=True)
    )
    expected = covered(read(epochs, f'epoch_seconds = {step}\n{declared}shape = "epochs"\n'))
    assert covered(read(intervals, time)) == expected
    assert covered(read(durations, time)) == expected
    assert covered(read(changes, declared + 'shape = "intervals"\n')) == expected
    named = [(a, b, codes[label]) for a, b, label in expected]
    assert covered(read(run, f'epoch_seconds = {step}\n{declared}shape = "runs"\n{stages}')) == named


_ODD_TIMES = "24:00 2026-10-25T03:10:00 2026-03-29T03:10:00 1772404200 1772404200000 2026-03-01 0000-01-01T00:00:00"
_ODD_CELLS = st.one_of(
    st.sampled_from(_ODD_TIMES.split(" ")),
    st.sampled_from(["", "n/a", "nan", "1e5", "30,5", "1,500", '"', '""', "9999-12-31T23:59:59", "01/03/2026 22:30"]),
    st.text(max_size=6),
)


@st.composite
def hostile_tables(draw: st.DrawFn) -> tuple[bytes, Layout]:
    """Return tables that are nearly right: some cells replaced, rows repeated, shifted or turned round."""
    header = draw(
        st.sampled_from(["time,stage", "start,end,stage", "start,duration,stage", "date,time,stage", "onset,stage"])
    )
    form = draw(
        st.sampled_from(["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%SZ", "%H:%M:%S", "%d/%m/%Y %H:%M:%S", "elapsed"])
    )
    step = draw(st.sampled_from([20, 30, 60, 1800]))
    n = draw(st.integers(1, 8))
    base = dt.datetime(2026, 10, 25, 0, 0)

    def clock(seconds: int) -> str:
        return str(seconds) if form == "elapsed" else (base + dt.timedelta(seconds=seconds)).strftime(form)

    rows = []
    for i in range(n):
        at = step * i + draw(st.sampled_from([0, 0, 0, 0, step, -step, 3600, -3600, 7]))
        cells = {
            "date": draw(st.sampled_from(["2026-10-24", "2026-10-25"])),
            "end": clock(at + step + draw(st.sampled_from([0, 0, -1, step, -3600]))),
            "duration": draw(st.sampled_from([str(step), str(step / 60), "0"])),
            "stage": draw(st.sampled_from(["wake", "light", "REM", "Lights off", "Lights on", "x", "2"])),
        }
        row = [cells.get(name, clock(at)) for name in header.split(",")]
        if draw(st.integers(0, 9)) == 0:
            row[draw(st.integers(0, len(row) - 1))] = draw(_ODD_CELLS)
        rows.append(row)
    rows += rows[: draw(st.integers(0, 2))]
    if draw(st.booleans()):
        rows.reverse()
    text = "\n".join(";".join(row) for row in [header.split(","), *rows]) + "\n"
    layout = Layout(
        epoch_seconds=draw(st.sampled_from([None, float(step)])),
        shape=draw(st.sampled_from([None, None, *Shape])),
        time={"elapsed": "elapsed-s", "%d/%m/%Y %H:%M:%S": form}.get(form),
        zone=draw(st.sampled_from([None, "Europe/Helsinki"])),
        overlaps=draw(st.sampled_from(list(Overlaps))),
        marks=draw(st.sampled_from([Marks.START, Marks.END])),
        begins=draw(st.sampled_from([None, dt.datetime(2026, 10, 24, 23)])),
        stages={"x": "not-a-stage", "2": "N2"},
    )
    return text.encode("utf-8", "replace"), layout


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=300)
@given(hostile_tables())
def test_a_hostile_table_gives_spans_or_one_message(case: tuple[bytes, Layout]) -> None:
    result = outcome(*case)
    if isinstance(result, SleepAgreeError):
        message = str(result)
        assert "night.csv" in message
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", message)
        assert pickle.loads(pickle.dumps(result)).args == result.args
        return
    assert result.onset_s.size
    assert (result.duration_s > 0).all()
    assert (result.onset_s[1:] >= result.onset_s[:-1] + result.duration_s[:-1] - 1e-3).all()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(st.binary(max_size=200))
def test_any_bytes_give_spans_or_one_message(data: bytes) -> None:
    result = outcome(data)
    if isinstance(result, SleepAgreeError):
        assert str(result).startswith("night.csv: ")


# --- refusals, word for word -----------------------------------------------------------------------------


def test_a_missing_file_and_an_empty_one() -> None:
    with pytest.raises(InputError) as caught:
        read_spans("no.csv")
    assert str(caught.value) == f"no.csv: the file does not exist. Check the path, seen from {Path.cwd()}."
    with pytest.raises(InputError) as caught:
        read(b"")
    assert str(caught.value) == (
        "night.csv: the file is empty. Found 0 bytes. Export or copy it again; a copy that was broken off leaves such "
        "files."
    )


def test_a_cell_that_is_too_long() -> None:
    with pytest.raises(FileFormatError) as caught:
        read(EPOCHS + "x" * 131_073 + ",wake\n")
    assert str(caught.value) == (
        "night.csv: line 5: a cell is too long. Found more than 131072 characters. A quotation mark that is never "
        "closed does this; correct the row."
    )


REFUSED = [
    pytest.param(
        None,
        ("time,depth\n2026-03-01T22:30:00,wake\n"),
        FileFormatError,
        (
            "night.csv: line 1: no column holds the stages. Found the columns 'time', 'depth'; "
            "expected a column called stage, label or state. Give a layout (layout='FILE.toml') that "
            "names it\n"
            "    [file]\n"
            '    stage = "..."'
        ),
        id="no-stage-column",
    ),
    pytest.param(
        None,
        ("when,stage\n2026-03-01T22:30:00,wake\n"),
        FileFormatError,
        (
            "night.csv: line 1: no column holds the times. Found the columns 'when', 'stage'; expected "
            "a column called time, timestamp, start or onset. Give a layout (layout='FILE.toml') that "
            "names it\n"
            "    [file]\n"
            '    start = "..."'
        ),
        id="no-time-column",
    ),
    pytest.param(
        None,
        ("2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n"),
        FileFormatError,
        (
            "night.csv: line 1: no column holds the times and none the stages. Found the columns "
            "'2026-03-01T22:30:00', 'wake'; expected a column called time, timestamp, start or onset "
            "and a column called stage, label or state. If the first row holds data, put a row with "
            "the names of the columns above it; if it holds names, give a layout (layout='FILE.toml')\n"
            "    [file]\n"
            '    start = "..."\n'
            '    stage = "..."'
        ),
        id="neither-column",
    ),
    pytest.param(
        None,
        ("time,stage,label\n2026-03-01T22:30:00,wake,light\n"),
        FileFormatError,
        (
            "night.csv: line 1: more than one column may hold the stages. Found 'stage', 'label'; "
            "expected one column. Say which in a layout (layout='FILE.toml'), with one of the lines\n"
            "    [file]\n"
            '    stage = "stage"\n'
            '    stage = "label"'
        ),
        id="ambiguous",
    ),
    pytest.param(
        ('[file]\nstart = "begin time"\n'),
        ("Begin time,stage\n2026-03-01T22:30:00,wake\n"),
        FileFormatError,
        (
            "night.csv: line 1: the column that the layout names for 'start' is missing. Found the "
            "columns 'Begin time', 'stage'; expected a column 'begin time'. Did you mean 'Begin time'?"
        ),
        id="named-missing",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30,dozing\n"
            "2026-03-01T22:32:00,dozing\n"
        ),
        UnknownStageError,
        (
            "night.csv: lines 5 and 6: unknown stage label. Found 'dozing' (lines 5 and 6); expected a "
            "plain stage name, or a line for it in the layout. Give a layout (layout='FILE.toml') with\n"
            "    [stages]\n"
            '    "dozing" = "..."\n'
            "  and for each one of wake, light, deep, rem, sleep, nrem, W, N1, N2, N3, R, unscored, "
            "not-a-stage."
        ),
        id="unknown-label",
    ),
    pytest.param(
        None,
        ("time,stage\n2026-03-01T22:30:00,1\n2026-03-01T22:30:30,2\n"),
        UnknownStageError,
        (
            "night.csv: 2 unknown stage labels. Found '1' (line 2), '2' (line 3); expected a plain "
            "stage name, or a line for it in the layout. Give a layout (layout='FILE.toml') with\n"
            "    [stages]\n"
            '    "1" = "..."\n'
            '    "2" = "..."\n'
            "  and for each one of wake, light, deep, rem, sleep, nrem, W, N1, N2, N3, R, unscored, "
            "not-a-stage."
        ),
        id="unknown-labels",
    ),
    pytest.param(
        None,
        (
            "start,end,stage\n"
            "2026-03-01T22:30:00,2026-03-01T22:35:00,wake\n"
            "2026-03-01T22:35:00,2026-03-01T22:05:00,light\n"
        ),
        EpochGridError,
        (
            "night.csv: line 3: the row ends before it begins. Found 'light' 2026-03-01 22:35:00 to "
            "22:05:00; expected an end after the beginning. Correct the row. If the clock was put back "
            "that night, name its zone (zone=..., or 'zone' in the "
            "layout): then the order of the rows tells the two hours apart."
        ),
        id="end-before-start",
    ),
    pytest.param(
        None,
        (
            "start,end,stage\n"
            "2026-03-01T22:30:00,2026-03-01T22:35:00,wake\n"
            "2026-03-01T22:35:00,2026-03-01T22:35:00,light\n"
        ),
        EpochGridError,
        (
            "night.csv: line 3: the row lasts no time. Found 'light' 2026-03-01 22:35:00 to 22:35:00; "
            "expected an end after the beginning. Correct the row."
        ),
        id="no-length",
    ),
    pytest.param(
        None,
        (
            "start,end,stage\n"
            "2026-03-01T22:30:00,2026-03-01T22:35:00,wake\n"
            "2026-03-01T22:34:00,2026-03-01T22:40:00,light\n"
        ),
        EpochGridError,
        (
            "night.csv: line 2 and line 3: two rows with different labels overlap. Found 'wake' "
            "2026-03-01 22:30:00 to 22:35:00, 'light' 22:34:00 to 22:40:00; expected rows that do not "
            "overlap. Correct the rows, or say in a layout which of two rows holds: [file] overlaps = "
            '"shorter-wins" or "later-wins".'
        ),
        id="overlap",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:00,deep\n"
        ),
        EpochGridError,
        (
            "night.csv: line 4 and line 5: two rows give the same time different labels. Found 'light' "
            "2026-03-01 22:31:00 to 22:31:30 and 'deep'; expected one label for a time. Take one of "
            'the rows out, or let the row that stands later win: [file] overlaps = "later-wins" in a '
            "layout."
        ),
        id="conflict",
    ),
    pytest.param(
        None,
        ("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,light\n22q31q30,light\n"),
        FileFormatError,
        (
            "night.csv: line 5, column 'time': the time cannot be read. Found '22q31q30'; expected a "
            "time such as 2026-03-01T22:30:00. Correct the row."
        ),
        id="unreadable-time",
    ),
    pytest.param(
        None,
        ("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,light\n,light\n"),
        FileFormatError,
        (
            "night.csv: line 5, column 'time': the time is missing. Expected a time such as "
            "2026-03-01T22:30:00. Complete the row or take it out."
        ),
        id="missing-time",
    ),
    pytest.param(
        None,
        ("time,stage\n01/03/2026 22:30,wake\n"),
        FileFormatError,
        (
            "night.csv: line 2, column 'time': the form of this date must be declared. Found "
            "'01/03/2026 22:30'; expected a time such as 2026-03-01T22:30:00. Give a layout (layout="
            "'FILE.toml') with one of\n"
            "    [file]\n"
            '    time = "%d/%m/%Y %H:%M"  # if the day comes first\n'
            '    time = "%m/%d/%Y %H:%M"  # if the month comes first'
        ),
        id="day-first",
    ),
    pytest.param(
        None,
        ("time,stage\n2026/03/01 22:30,wake\n"),
        FileFormatError,
        (
            "night.csv: line 2, column 'time': the form of this date must be declared. Found "
            "'2026/03/01 22:30'; expected a time such as 2026-03-01T22:30:00. Give a layout (layout="
            "'FILE.toml') with\n"
            "    [file]\n"
            '    time = "%Y/%m/%d %H:%M"'
        ),
        id="year-slash",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-02-30T22:31:30,light\n"
        ),
        FileFormatError,
        (
            "night.csv: line 5, column 'time': there is no such date or time. Found "
            "'2026-02-30T22:31:30' (day is out of range for month); expected a time such as "
            "2026-03-01T22:30:00. Correct the row."
        ),
        id="no-such-date",
    ),
    pytest.param(
        None,
        ("time,stage\n2026-03-01,wake\n"),
        FileFormatError,
        (
            "night.csv: line 2, column 'time': a date without a time of day. Found '2026-03-01'; "
            "expected a time such as 2026-03-01T22:30:00. If the times stand in another column, name "
            'it in a layout: [file] start = "..." and date = "time".'
        ),
        id="date-only",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30Z,light\n"
        ),
        ClockError,
        (
            "night.csv: line 5, column 'time': some times carry an offset from UTC, others none. Found "
            "2026-03-01T22:31:30Z, but 2026-03-01T22:30:00 at line 2; expected all of them with an "
            "offset, or all without. Export the times again in one form."
        ),
        id="mixed-offsets",
    ),
    pytest.param(
        ('[file]\ntime = "%d.%m.%Y %H:%M"\n'),
        ("time,stage\n01.03.2026 22:30,wake\n01.03.2026 22.31,wake\n"),
        FileFormatError,
        (
            "night.csv: line 3, column 'time': the time does not have the declared form. Found "
            "'01.03.2026 22.31'; expected the form time = \"%d.%m.%Y %H:%M\". Correct the row, or 'time' "
            "in the layout."
        ),
        id="strptime",
    ),
    pytest.param(
        ('[file]\ntime = "unix-s"\n'),
        ("time,stage\n1772404200000,wake\n"),
        ClockError,
        (
            "night.csv: line 2, column 'time': a Unix time outside the years 2000 to 2100. Found "
            "1772404200000; expected Unix seconds such as 1772404200. It fits the other unit: write "
            'time = "unix-ms" in the layout.'
        ),
        id="unix-year",
    ),
    pytest.param(
        None,
        ("time,stage\n0,wake\n30,wake\n"),
        ClockError,
        (
            "night.csv: line 2, column 'time': a number that does not tell what it counts. Found 0; "
            "expected Unix seconds or milliseconds of the years 2000 to 2100, or a layout. If these "
            "count from the start of the recording, give a layout with\n"
            "    [file]\n"
            '    time = "elapsed-s"\n  or "elapsed-min", "elapsed-h", "elapsed-ms".'
        ),
        id="bare-number",
    ),
    pytest.param(
        None,
        ("time,stage\n1.7724E+09,wake\n"),
        FileFormatError,
        (
            "night.csv: line 2, column 'time': a number with an exponent may have lost digits. Found "
            "'1.7724E+09'; expected Unix seconds. Export the file again without opening it in a "
            "spreadsheet."
        ),
        id="exponent",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:10,light\n"
        ),
        EpochGridError,
        (
            "night.csv: line 5: the step between rows varies. Found 2026-03-01 22:31:10, 10 s after "
            "the row before it; expected 30 s, the commonest step, or a multiple of it where rows are "
            "missing. Correct the row. If rows are epochs and some are missing, say so in a layout: "
            '[file] shape = "epochs"; if each row lasts until the next one, shape = "intervals".'
        ),
        id="varying-step",
    ),
    pytest.param(
        None,
        ("time,stage\n2026-03-01T22:30:00,wake\n"),
        EpochGridError,
        (
            "night.csv: one row alone does not tell how long an epoch is. Found 1 row with a time; "
            "expected two rows, or a declared length. Give a layout (layout='FILE.toml') with\n"
            "    epoch_seconds = 30"
        ),
        id="one-row",
    ),
    pytest.param(
        "epoch_seconds = 30\n",
        ("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:31:00,wake\n2026-03-01T22:32:00,wake\n"),
        EpochGridError,
        (
            "night.csv: the rows do not have the declared step. Found rows 60 s apart; expected 30 s "
            "(epoch_seconds in the layout). Correct 'epoch_seconds', or check that this is the file "
            "the layout was written for."
        ),
        id="declared-step",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:33:00,deep\n"
            "2026-03-01T22:37:00,light\n"
            "2026-03-01T22:38:00,wake\n"
            "2026-03-01T22:44:00,light\n"
        ),
        EpochGridError,
        (
            "night.csv: line 4: the step between rows varies. Found 2026-03-01 22:33:00, 120 s after "
            "the row before it; expected 60 s, the commonest step, or a multiple of it where rows are "
            "missing. Correct the row. If rows are epochs and some are missing, say so in a layout: "
            '[file] shape = "epochs"; if each row lasts until the next one, shape = "intervals".'
        ),
        id="changes-only",
    ),
    pytest.param(
        ('[file]\nshape = "intervals"\n'),
        ("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,light\n"),
        EpochGridError,
        (
            "night.csv: line 4: the last row has no end. Expected a time at which it ends. Add a "
            "closing row with the end of the night and the label 'Lights on' (or one that [stages] of "
            'a layout maps to "not-a-stage"), or export the ends too.'
        ),
        id="last-end",
    ),
    pytest.param(
        None,
        ("start,end,stage\n2026-03-01T22:30:00,2026-03-01T22:35:00,wake\n2026-03-01T22:35:00,,light\n"),
        EpochGridError,
        (
            "night.csv: line 3, column 'end': the last row has no end. Expected a time at which it "
            "ends. Complete the row or take it out."
        ),
        id="last-end-empty",
    ),
    pytest.param(
        None,
        (
            "start,end,stage\n"
            "2026-03-01T22:30:00,2026-03-01T22:30:59,light\n"
            "2026-03-01T22:31:00,2026-03-01T22:31:59,light\n"
            "2026-03-01T22:32:00,2026-03-01T22:32:59,light\n"
            "2026-03-01T22:33:00,2026-03-01T22:33:59,light\n"
            "2026-03-01T22:34:00,2026-03-01T22:34:59,light\n"
            "2026-03-01T22:35:00,2026-03-01T22:35:59,light\n"
        ),
        EpochGridError,
        (
            "night.csv: lines 2 and 3: the ends lie 1 s before the next beginning. Found 5 of 5 rows "
            "with this gap; expected to be told whether ends are inclusive. Say in a layout: [file] "
            'ends = "inclusive" if an end is the last moment of its row, "exclusive" if the gaps are '
            "real."
        ),
        id="inclusive",
    ),
    pytest.param(
        None,
        ("start,duration,stage\n2026-03-01T22:30:00,7,wake\n2026-03-01T22:35:00,9,light\n"),
        EpochGridError,
        (
            "night.csv: column 'duration': the unit of the durations is not told. Found numbers that "
            "do not lead from one row to the next in s, min, ms or h; expected a unit. Give a layout "
            "(layout='FILE.toml') with\n"
            "    [file]\n"
            '    duration_unit = "s"\n'
            '  or "min", "ms" or "h".'
        ),
        id="unit-unknown",
    ),
    pytest.param(
        None,
        (
            "start,duration_s,stage\n"
            "2026-03-01T22:30:00,5,light\n"
            "2026-03-01T22:35:00,5,light\n"
            "2026-03-01T22:40:00,5,light\n"
            "2026-03-01T22:45:00,5,light\n"
        ),
        EpochGridError,
        (
            "night.csv: column 'duration_s': the durations do not have the unit that is told. Found "
            "durations in s that would fit the steps between rows in min; expected rows that end about "
            'where the next begins. Write in a layout: [file] duration_unit = "min".'
        ),
        id="unit-wrong",
    ),
    pytest.param(
        None,
        (
            "start,duration_s,stage\n"
            "2026-03-01T22:30:00,300,light\n"
            "2026-03-01T22:35:00,0,light\n"
            "2026-03-01T22:40:00,300,light\n"
            "2026-03-01T22:45:00,300,light\n"
        ),
        EpochGridError,
        (
            "night.csv: line 3, column 'duration_s': this row has duration 0 and others have not. "
            "Found 0; expected a positive duration in every row, or 0 in all of them. Complete the "
            'row; if it is a mark and no stage, give its label "not-a-stage" in a layout.'
        ),
        id="zero-some",
    ),
    pytest.param(
        ('epoch_seconds = 30\n[file]\nshape = "runs"\n[stages]\n0 = "wake"\n1 = "light"\n'),
        ("start,end,stage\n2026-03-01T22:30:00,2026-03-01T22:33:00,01111\n"),
        EpochGridError,
        (
            "night.csv: line 2: the text of codes does not fill its time. Found 5 codes of 30 s, which "
            "is 150 s; expected 180 s from beginning to end. A spreadsheet that drops leading zeros "
            "does this; export the file again, or correct the step."
        ),
        id="string-length",
    ),
    pytest.param(
        ('[file]\nshape = "runs"\n[stages]\n0 = "wake"\n1 = "light"\n'),
        ("start,stage\n2026-03-01T22:30:00,01111\n"),
        EpochGridError,
        (
            "night.csv: a text of codes does not tell how long a code lasts. Found no column 'step'; "
            "expected the length of an epoch. Give it in the layout, above [file]:\n"
            "    epoch_seconds = 30"
        ),
        id="runs-step",
    ),
    pytest.param(
        ('epoch_seconds = 30\n[file]\nshape = "runs"\n[stages]\n0 = "wake"\n1 = "light"\n'),
        ("start,stage\n2026-03-01T22:30:00,1.11E+12\n"),
        FileFormatError,
        (
            "night.csv: line 2, column 'stage': a spreadsheet has turned the text of codes into a "
            "number. Found '1.11E+12'; expected a code for each epoch. Export the file again without "
            "opening it in a spreadsheet."
        ),
        id="runs-spreadsheet",
    ),
    pytest.param(
        None,
        ("time,stage\n22:30,wake\n22:31,wake\n"),
        ClockError,
        (
            "night.csv: line 2, column 'time': the times tell no date. Found times of day only; "
            "expected dates and times, a column of dates, or a date in a layout. Give a layout "
            "(layout='FILE.toml') that names the column of dates, or the date,\n"
            "    [file]\n"
            '    date = "..."\n'
            "  or\n"
            "    begins = 2026-03-01\n"
            "  and says which day a night's date names\n"
            '    night_of = "wake-day"'
        ),
        id="no-date",
    ),
    pytest.param(
        None,
        ("date,time,stage\n2026-03-01,23:59:30,wake\n2026-03-01,00:00:00,wake\n"),
        ClockError,
        (
            "night.csv: line 3, column 'date': the clock passes midnight and the date stays the same. "
            "Found 2026-03-01 00:00:00, after 2026-03-01 23:59:30; expected the date of the next day, "
            "or to be told which day of a night the date names. Say in a layout: [file] night_of = "
            '"wake-day" (the date is that of waking up) or "bed-day" (that of going to bed).'
        ),
        id="night-of",
    ),
    pytest.param(
        ('[file]\nnight_of="wake-day"\n'),
        (
            "date,time,stage\n"
            "2026-03-01,23:00,wake\n"
            "2026-03-01,03:00,wake\n"
            "2026-03-01,14:00,wake\n"
            "2026-03-01,01:00,wake\n"
        ),
        ClockError,
        (
            "night.csv: line 5, column 'time': the clock passes midnight twice in one night. Found "
            "01:00:00; expected times in order, with one midnight at most. Sort the rows by time, and "
            "give every night its own date."
        ),
        id="two-midnights",
    ),
    pytest.param(
        ('[file]\nzone="Europe/Helsinki"\n'),
        ("time,stage\n2026-03-29T02:59:30,wake\n2026-03-29T03:00:00,wake\n"),
        ClockError,
        (
            "night.csv: line 3: this time does not exist in the zone: the clock was put forward over "
            "it. Found 2026-03-29 03:00:00 in Europe/Helsinki; expected a time that exists; before the "
            "change it would be 2026-03-29 01:00:00 UTC, after it 2026-03-29 00:00:00 UTC. The file's "
            "clock may not be the local one; if it is UTC, give the zone UTC."
        ),
        id="skipped",
    ),
    pytest.param(
        ('[file]\nzone="Europe/Helsinki"\n'),
        ("time,stage\n2026-10-25T03:10:00,wake\n2026-10-25T03:10:30,wake\n"),
        ClockError,
        (
            "night.csv: line 2: this time happens twice in the zone, and the rows around it do not "
            "tell which it is. Found 2026-10-25 03:10:00 in Europe/Helsinki; expected either "
            "2026-10-25 00:10:00 UTC or 2026-10-25 01:10:00 UTC. Export the times with their offset "
            "from UTC."
        ),
        id="repeated",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-10-25T03:59:00,wake\n"
            "2026-10-25T03:59:30,wake\n"
            "2026-10-25T03:00:00,wake\n"
            "2026-10-25T03:00:30,wake\n"
            "2026-10-25T03:10:00,wake\n"
            "2026-10-25T03:10:30,wake\n"
            "2026-10-25T03:11:00,wake\n"
            "2026-10-25T03:11:30,wake\n"
            "2026-10-25T03:12:00,wake\n"
            "2026-10-25T03:12:30,wake\n"
            "2026-10-25T03:13:00,wake\n"
            "2026-10-25T03:13:30,wake\n"
            "2026-10-25T03:14:00,wake\n"
            "2026-10-25T03:14:30,wake\n"
            "2026-10-25T03:15:00,wake\n"
            "2026-10-25T03:15:30,wake\n"
            "2026-10-25T03:16:00,wake\n"
            "2026-10-25T03:16:30,wake\n"
            "2026-10-25T03:17:00,wake\n"
            "2026-10-25T03:17:30,wake\n"
            "2026-10-25T03:18:00,wake\n"
            "2026-10-25T03:18:30,wake\n"
            "2026-10-25T03:19:00,wake\n"
            "2026-10-25T03:19:30,wake\n"
            "2026-10-25T03:20:00,wake\n"
            "2026-10-25T03:20:30,wake\n"
            "2026-10-25T03:21:00,wake\n"
            "2026-10-25T03:21:30,wake\n"
            "2026-10-25T03:22:00,wake\n"
            "2026-10-25T03:22:30,wake\n"
            "2026-10-25T03:23:00,wake\n"
            "2026-10-25T03:23:30,wake\n"
            "2026-10-25T03:24:00,wake\n"
            "2026-10-25T03:24:30,wake\n"
            "2026-10-25T03:25:00,wake\n"
            "2026-10-25T03:25:30,wake\n"
            "2026-10-25T03:26:00,wake\n"
            "2026-10-25T03:26:30,wake\n"
            "2026-10-25T03:27:00,wake\n"
            "2026-10-25T03:27:30,wake\n"
            "2026-10-25T03:28:00,wake\n"
            "2026-10-25T03:28:30,wake\n"
            "2026-10-25T03:29:00,wake\n"
            "2026-10-25T03:29:30,wake\n"
            "2026-10-25T03:30:00,wake\n"
            "2026-10-25T03:30:30,wake\n"
            "2026-10-25T03:31:00,wake\n"
            "2026-10-25T03:31:30,wake\n"
            "2026-10-25T03:32:00,wake\n"
            "2026-10-25T03:32:30,wake\n"
            "2026-10-25T03:33:00,wake\n"
            "2026-10-25T03:33:30,wake\n"
            "2026-10-25T03:34:00,wake\n"
            "2026-10-25T03:34:30,wake\n"
            "2026-10-25T03:35:00,wake\n"
            "2026-10-25T03:35:30,wake\n"
            "2026-10-25T03:36:00,wake\n"
            "2026-10-25T03:36:30,wake\n"
            "2026-10-25T03:37:00,wake\n"
            "2026-10-25T03:37:30,wake\n"
            "2026-10-25T03:38:00,wake\n"
            "2026-10-25T03:38:30,wake\n"
            "2026-10-25T03:39:00,wake\n"
            "2026-10-25T03:39:30,wake\n"
            "2026-10-25T03:40:00,wake\n"
            "2026-10-25T03:40:30,wake\n"
            "2026-10-25T03:41:00,wake\n"
            "2026-10-25T03:41:30,wake\n"
            "2026-10-25T03:42:00,wake\n"
            "2026-10-25T03:42:30,wake\n"
            "2026-10-25T03:43:00,wake\n"
            "2026-10-25T03:43:30,wake\n"
            "2026-10-25T03:44:00,wake\n"
            "2026-10-25T03:44:30,wake\n"
            "2026-10-25T03:45:00,wake\n"
            "2026-10-25T03:45:30,wake\n"
            "2026-10-25T03:46:00,wake\n"
            "2026-10-25T03:46:30,wake\n"
            "2026-10-25T03:47:00,wake\n"
            "2026-10-25T03:47:30,wake\n"
            "2026-10-25T03:48:00,wake\n"
            "2026-10-25T03:48:30,wake\n"
            "2026-10-25T03:49:00,wake\n"
            "2026-10-25T03:49:30,wake\n"
            "2026-10-25T03:50:00,wake\n"
            "2026-10-25T03:50:30,wake\n"
            "2026-10-25T03:51:00,wake\n"
            "2026-10-25T03:51:30,wake\n"
            "2026-10-25T03:52:00,wake\n"
            "2026-10-25T03:52:30,wake\n"
            "2026-10-25T03:53:00,wake\n"
            "2026-10-25T03:53:30,wake\n"
            "2026-10-25T03:54:00,wake\n"
            "2026-10-25T03:54:30,wake\n"
            "2026-10-25T03:55:00,wake\n"
            "2026-10-25T03:55:30,wake\n"
            "2026-10-25T03:56:00,wake\n"
            "2026-10-25T03:56:30,wake\n"
            "2026-10-25T03:57:00,wake\n"
            "2026-10-25T03:57:30,wake\n"
            "2026-10-25T03:58:00,wake\n"
            "2026-10-25T03:58:30,wake\n"
            "2026-10-25T03:59:00,wake\n"
            "2026-10-25T03:59:30,wake\n"
        ),
        EpochGridError,
        (
            "night.csv: line 4: the clock goes back by an hour. Found 'wake' 2026-10-25 03:59:30 to "
            "04:00:00, then 'wake' 03:00:00 to 03:00:30; expected times in order. If the clock was put "
            "back that night, name its zone (zone=..., or 'zone' in the "
            "layout): then the order of the rows tells the two hours apart."
        ),
        id="clock-back",
    ),
    pytest.param(
        ('[file]\nzone="Europe/Helsingfors"\n'),
        ("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,light\n"),
        ClockError,
        (
            "night.csv: zone: no time zone has this name. Found Europe/Helsingfors; expected an IANA "
            "name such as Europe/Helsinki or UTC. See the list at https://www.iana.org/time-zones."
        ),
        id="no-zone",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30\n"
        ),
        FileFormatError,
        (
            "night.csv: line 5: the row has too few cells. Found 1 cell; "
            "expected 2, as in the header (delimiter: comma). A delimiter may be missing or one too "
            "many; correct the row."
        ),
        id="width",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            '"2026-03-01T22:31:30,light\n'
        ),
        FileFormatError,
        (
            "night.csv: line 5: a quotation mark is out of place. Found the end of the file inside "
            "quotation marks; expected every quoted cell closed before the next delimiter. Correct the "
            "row."
        ),
        id="quote",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30,Tief \xe9\n"
        ),
        FileFormatError,
        (
            "night.csv: line 5, byte 112: the text is not UTF-8. Found byte 0xe9; expected text in "
            "UTF-8. If it was written in another encoding, name that in a layout, for instance\n"
            "    [file]\n"
            '    encoding = "cp1252"'
        ),
        id="encoding",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30,li\u0000ght\n"
        ),
        FileFormatError,
        (
            "night.csv: line 5: the file holds NUL characters, so it is no table of texts. Expected a "
            "table such as CSV or TSV. If it is UTF-16 without a byte-order mark, give a layout with\n"
            "    [file]\n"
            '    encoding = "utf-16-le"'
        ),
        id="nul",
    ),
    pytest.param(
        None,
        ("\n\n"),
        FileFormatError,
        "night.csv: the file holds nothing but blank lines. Expected a table with a header.",
        id="blank",
    ),
    pytest.param(
        None,
        "time,stage\n",
        FileFormatError,
        (
            "night.csv: there is no row below the header. Found 2 columns: time, stage; expected a row "
            "for each epoch or interval. Export the night again."
        ),
        id="header-only",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30,Lights off\n"
            "2026-03-01T22:32:00,Lights off\n"
        ),
        FileFormatError,
        (
            "night.csv: lines 5 and 6: lights off stands more than once. Found 2 rows; expected one. "
            "Take the wrong ones out, or give the window by hand (window)."
        ),
        id="lights-twice",
    ),
    pytest.param(
        None,
        (
            "time,stage\n"
            "2026-03-01T22:29:00,Lights on\n"
            "2026-03-01T22:30:00,wake\n"
            "2026-03-01T22:30:30,wake\n"
            "2026-03-01T22:31:00,light\n"
            "2026-03-01T22:31:30,Lights off\n"
        ),
        FileFormatError,
        (
            "night.csv: lights on stands before lights off. Expected lights off first. Correct the "
            "rows of the two marks."
        ),
        id="lights-order",
    ),
    pytest.param(
        ('[stages]\nwake="not-a-stage"\nlight="not-a-stage"\n'),
        ("time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,wake\n2026-03-01T22:31:00,light\n"),
        FileFormatError,
        (
            "night.csv: no row holds a stage. Found 'wake' (2), 'light' (1); expected rows with sleep "
            "stages. Check that this is the scoring, and that its labels are not all mapped to "
            "not-a-stage."
        ),
        id="no-stages",
    ),
    pytest.param(
        ('[file]\nshape="epochs"\nend="end"\n'),
        ("start,end,stage\n2026-03-01T22:30:00,2026-03-01T22:35:00,wake\n"),
        FileFormatError,
        (
            "night.csv: [file], key 'end' of layout.toml: the layout does not go with this file: shape "
            "= \"epochs\" takes the length of a row from the step between rows. Take 'end' out of the "
            "layout, or correct it."
        ),
        id="epochs-and-end",
    ),
    pytest.param(
        None,
        ('onset,duration_s,stage\n0,30,wake\n"1,500",30,wake\n'),
        FileFormatError,
        (
            "night.csv: line 3, column 'onset': a comma that may part decimals or thousands. Found "
            "'1,500'; expected numbers with a decimal point. Export the numbers with a decimal point "
            "and without separators of thousands."
        ),
        id="thousands",
    ),
    pytest.param(
        None,
        ("run,onset,stage\na,0,wake\na,30,light\na,60,light\nb,0,wake\nb,30,light\n"),
        EpochGridError,
        (
            "night.csv: line 5, column 'run': the times start again where another column changes, so "
            "the file holds more than one recording. Found 'b' after 'a', and 0 s after 60 s; expected "
            'one recording. Say which to read: [file] person_column = "run" and person.'
        ),
        id="several",
    ),
    pytest.param(
        None,
        ("time;part,stage\n2026-03-01T22:30:00;1,wake\n2026-03-01T22:30:30;1,wake\n"),
        FileFormatError,
        (
            "night.csv: line 1: two characters part the cells of every row alike. Found comma or "
            "semicolon; expected one delimiter. Say which in a layout, for instance\n"
            "    [file]\n"
            '    delimiter = ","'
        ),
        id="dialect",
    ),
    pytest.param(
        ('[file]\ntime="elapsed-s"\n'),
        ("time,stage\n1772404200,wake\n1772404230,wake\n"),
        ClockError,
        (
            "night.csv: line 2, column 'time': elapsed time of more than three years. Found "
            "1772404200; expected elapsed seconds from the start of the recording. If these are Unix times, "
            'say so in a layout: [file] time = "unix-s".'
        ),
        id="elapsed",
    ),
]


@pytest.mark.parametrize(("layout", "text", "kind", "message"), REFUSED)
def test_refusals(layout: str | None, text: str, kind: type[SleepAgreeError], message: str) -> None:
    data = text.encode("latin-1" if "é" in text else "utf-8")
    with pytest.raises(SleepAgreeError) as caught:
        read(data, layout or "")
    assert str(caught.value) == message
    assert type(caught.value) is kind


def test_a_layout_in_other_case_goes_before_lights_marks_and_empty_words(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("onset,stage\n0,lights off\n30,N2\n60,lights off\n")
    spans = read_spans(path, layout=Layout(stages={"Lights Off": "wake"}, epoch_seconds=30.0))
    assert (spans.stages, spans.codes.tolist(), spans.lights_off_s) == (("W", "N2"), [0, 1, 0], None)


ABOVE = "".join(f"14.03.2031;22:{i:02}:00;wake;0,{i + 10}\n" for i in range(20))


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("made on the ferry\nBand A, pad B\n\ntime,stage,pulse\n" + "2031-03-14T22:00:00,wake,60\n" * 9, 3),
        ("made on the ferry\nnight of 14 March\n\nday;time;stage;quality\n" + ABOVE, 3),
    ],
    ids=["the delimiter of the table", "another delimiter"],
)
def test_a_row_too_wide_below_lines_above_the_table_names_how_many_to_skip(
    tmp_path: Path, text: str, lines: int
) -> None:
    path = tmp_path / "night.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError) as caught:
        read_spans(path)
    assert str(caught.value).endswith(f" with\n    [file]\n    skip_lines = {lines}")
    skipped = parse_csv(path.read_bytes(), "", Layout(skip_lines=lines))
    assert skipped.names == tuple(text.splitlines()[lines].replace(";", ",").split(","))


def test_one_row_too_wide_in_the_midst_names_no_lines_to_skip(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_text(
        "time,stage\n" + "2031-03-14T22:00:00,wake\n" * 9 + "2031-03-14T22:00:00,wake,9\n", encoding="utf-8"
    )
    with pytest.raises(FileFormatError) as caught:
        read_spans(path)
    assert "skip_lines" not in caught.value.remedy
