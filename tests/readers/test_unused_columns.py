"""Columns that tell how long rows last: known by plain names, and told of where nobody used them."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.errors import EpochGridError, FileFormatError, UnknownStageError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.layout import Layout, Shape
from sleepagree.readers.proposing.proposal import layout_as_seen
from tests.said import said

#: beginning, end, label: 38 min without a row after the second one
ROWS = (
    ("07:38:00", "07:42:30", "light"),
    ("07:42:30", "07:51:30", "wake"),
    ("08:29:30", "08:41:00", "deep"),
    ("08:41:00", "08:59:00", "light"),
    ("08:59:00", "09:05:00", "wake"),
)


def write(folder, header, rows):
    path = folder / "pad-b.csv"
    path.write_text("\n".join([header, *(",".join(row) for row in rows)]) + "\n", encoding="utf-8")
    return path


def dated(begin, end):
    return f"2026-04-22 {begin}", f"2026-04-22 {end}"


def pad_b(folder, header):
    return write(folder, header, [(*dated(begin, end), label, "deckhand") for begin, end, label in ROWS])


def gaps_min(spans):
    ends, begins = spans.onset_s[:-1] + spans.duration_s[:-1], spans.onset_s[1:]
    return [gap / 60 for gap in (begins - ends).tolist() if gap > 0]


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("Stage Start", "Stage End"),
        ("beginTime", "stopTime"),
        ("start_date_time", "end_date_time"),
        ("Start timestamp", "Stop timestamp"),
        ("stage_start", "stage_end"),
        ("start_at", "end_at"),
        ("From time", "To time"),
        ("time start", "time end"),
        ("begin", "till"),
        ("Start Time", "End Time"),
        ("from", "until"),
    ],
)
def test_beginnings_and_ends_are_known_by_plain_names(tmp_path, start, end):
    spans = read_spans(pad_b(tmp_path, f"{start},{end},State,Worn by"))
    assert gaps_min(spans) == [38.0]
    assert sum(spans.duration_s) / 60 == 4.5 + 9 + 11.5 + 18 + 6


@pytest.mark.parametrize(
    ("start", "end", "stage"),
    [
        ("start_date", "end_date", "stage"),
        ("Start Date", "End Date", "stage"),
        ("startDate", "endDate", "stage"),
        ("date_start", "date_end", "stage"),
        ("start", "end", "value"),
    ],
)
def test_names_that_are_no_plain_words_of_the_trade_are_asked_for(tmp_path, start, end, stage):
    path = pad_b(tmp_path, f"{start},{end},{stage},Worn by")
    with pytest.raises(FileFormatError, match=r"no column holds the (times|stages)"):
        read_spans(path)
    named = Layout(start=start, end=end, stage=stage)
    assert gaps_min(read_spans(path, layout=named)) == [38.0]


@pytest.mark.parametrize("code", ["asleepCore", "asleepDeep", "asleepREM", "asleepUnspecified", "inBed"])
def test_codes_of_a_standard_are_labels_like_others_outside_its_reader(tmp_path, code):
    with pytest.raises(UnknownStageError):
        read_spans(write(tmp_path, "start,end,stage", [(*dated(b, e), code) for b, e, _ in ROWS]))


@pytest.mark.parametrize("name", ["stage duration (min)", "Duration in minutes", "length_min"])
def test_durations_are_known_by_plain_names(tmp_path, name):
    rows = [(dated("22:00:00", "")[0], "10", "wake"), (dated("22:10:00", "")[0], "20.5", "light")]
    spans = read_spans(write(tmp_path, f"start,{name},stage", rows))
    assert spans.duration_s.tolist() == [600.0, 1230.0]


def test_dates_and_times_in_columns_of_their_own(tmp_path):
    rows = [("2026-04-22", begin, end, label) for begin, end, label in ROWS]
    spans = read_spans(write(tmp_path, "Date,Start Time,End Time,Stage", rows))
    assert gaps_min(spans) == [38.0]
    assert f"{spans.start}" == "2026-04-22 07:38:00"


def test_a_starter_offers_the_end_of_rows(tmp_path):
    path = pad_b(tmp_path, "Stage Start,Stage End,State,Worn by")
    text = layout_text(layout_as_seen(inspect_file(path)))
    assert '# end = "Stage End"    # known without this line' in text.splitlines()


# --- durations beside ends -----------------------------------------------------------------------------------


def beside_ends(folder, name, durations, layout=None):
    """Return the cautions about rows that last 4.5, 9, 11.5, 18 and 6 min by their ends."""
    rows = [(*dated(b, e), told, label) for (b, e, label), told in zip(ROWS, durations, strict=True)]
    spans = read_spans(write(folder, f"start,end,{name},stage", rows), layout=layout)
    assert sum(spans.duration_s) / 60 == 4.5 + 9 + 11.5 + 18 + 6
    return said(spans.cautions)


def test_durations_that_contradict_the_ends_are_told(tmp_path):
    assert beside_ends(tmp_path, "duration_min", ["4.5", "5", "", "7", "6"]) == (
        "column 'duration_min' tells other lengths than beginnings and ends in 2 rows (line 3: 5, where the row lasts "
        "9 min), and was not used: if it tells how long rows last, one of them is wrong",
    )


@pytest.mark.parametrize(
    ("name", "durations", "rows"),
    [
        ("duration_min", ["4.5", "9", "11.5", "18", "6"], 0),
        ("duration", ["4.5", "9", "11.5", "18", "6"], 0),  # a unit that nobody told, in which they are right
        ("duration", ["270", "540", "690", "1080", "360"], 0),
        ("duration", ["270", "540", "660", "1080", "360"], 1),
        ("duration", ["270", "540", "680", "1080", "360"], 0),  # less than half an epoch
        ("duration", ["0:04:30", "9 min", "11 min 30 s", "PT18M", "0:07:00"], 1),
        ("duration_min", ["4", "9", "11", "18", "6"], 0),  # cut
        ("duration_min", ["5", "9", "12", "18", "6"], 0),  # rounded
        ("duration_min", ["5", "9", "12", "19", "6"], 1),
        ("duration_h", ["0.07", "0.15", "0.19", "0.30", "0.10"], 0),
        ("duration", ["short", "9", "12", "19", "6"], 0),  # something else
        ("duration", ["9" * 400, "9", "12", "19", "6"], 0),
        ("duration", ["0", "0", "0", "0", "0"], 0),
        ("duration", ["", "", "", "", ""], 0),
    ],
)
def test_durations_beside_ends_may_be_rounded_or_something_else(tmp_path, name, durations, rows):
    told = beside_ends(tmp_path, name, durations)
    assert [text.count(f"in {rows} row") for text in told] == [1] * (rows > 0)


def test_seconds_beside_ends_in_whole_minutes_may_tell_more_than_these(tmp_path):
    rows = [(*dated("22:00:00", "22:10:00"), "625", "wake"), (*dated("22:10:00", "22:20:00"), "577", "light")]
    assert said(read_spans(write(tmp_path, "start,end,duration_s,stage", rows)).cautions) == ()
    rows = [(*dated("22:00:00", "22:10:00"), "660", "wake"), *rows[1:]]
    assert len(said(read_spans(write(tmp_path, "start,end,duration_s,stage", rows)).cautions)) == 1


# --- columns that nobody used --------------------------------------------------------------------------------

UNTIL_NEXT = Layout(shape=Shape.INTERVALS, start="A", stage="C", stages={"over": "not-a-stage"})
CLOSING = (*dated("09:05:00", "09:05:00"), "over", "deckhand")


def read(folder, header="A,B,C,D", rows=None, layout=UNTIL_NEXT):
    rows = rows or [(*dated(begin, end), label, "deckhand") for begin, end, label in ROWS]
    return read_spans(write(folder, header, [*rows, CLOSING]), layout=layout)


def test_ends_that_nobody_used_are_told(tmp_path):
    spans = read(tmp_path)
    assert gaps_min(spans) == []  # the 38 min went to the row before them
    assert said(spans.cautions) == (
        "column 'B' holds times that follow the beginnings of their rows and was not used, so gaps between rows may be "
        'filled or cut wrongly: if it tells how long a row lasts, say in a layout [file] end = "B"',
    )
    used = read(tmp_path, layout=Layout(start="A", end="B", stage="C", stages={"over": "not-a-stage"}))
    assert said(used.cautions) == ()


def test_ends_as_times_of_day_are_told_too(tmp_path):
    rows = [(dated(begin, "")[0], end, label, "x") for begin, end, label in ROWS]
    rows.append((dated("09:05:00", "")[0], "09:05:00", "over", "x"))
    spans = read_spans(write(tmp_path, "A,B,C,D", rows), layout=UNTIL_NEXT)
    assert any(c.startswith("column 'B' holds times that follow") for c in said(spans.cautions))


def test_durations_that_nobody_used_are_told(tmp_path):
    minutes = ("4.5", "38", "11.5", "18", "6")
    rows = [(dated(begin, end)[0], lasts, label, "x") for (begin, end, label), lasts in zip(ROWS, minutes, strict=True)]
    rows.append((dated("09:05:00", "")[0], "0", "over", "x"))
    spans = read_spans(write(tmp_path, "A,B,C,D", rows), layout=UNTIL_NEXT)
    assert [c for c in said(spans.cautions) if c.endswith('[file] duration = "B"')]


@pytest.mark.parametrize(
    "column",
    [
        pytest.param(lambda i: "2026-04-23 10:00:00", id="the time of an export"),
        pytest.param(lambda i: f"2026-04-22 12:{3 * i * i:02d}:00", id="times of upload"),
        pytest.param(lambda i: str(50 + 3 * i * i), id="beats a minute"),
        pytest.param(lambda i: f"2026-04-22 {int(ROWS[i][0][:2]) + 1:02d}{ROWS[i][0][2:]}", id="another clock"),
        pytest.param(lambda i: f"seen at {i}:00 or so {i}-1-1", id="remarks"),
    ],
)
def test_other_columns_are_passed_over(tmp_path, column):
    rows = [(dated(begin, end)[0], column(i), label, "x") for i, (begin, end, label) in enumerate(ROWS)]
    path = write(tmp_path, "A,B,C,D", rows)
    path.write_text(path.read_text("utf-8") + f"2026-04-22 09:05:00,{column(4)},over,x\n", encoding="utf-8")
    assert not [c for c in said(read_spans(path, layout=UNTIL_NEXT).cautions) if c.startswith("column")]


@pytest.mark.parametrize("step_s", [30, 60])
@pytest.mark.parametrize("missing", [(), (7, 20, 33, 41)], ids=["every row", "rows missing"])
@pytest.mark.parametrize("jitter_s", [0, 1])
@pytest.mark.parametrize("name", ["heart rate", "bpm", "B"])
def test_a_heart_rate_of_the_size_of_a_step_is_no_duration(tmp_path, step_s, missing, jitter_s, name):
    rng = np.random.default_rng(7)
    begin = datetime(2026, 4, 22, 22)
    rows = [
        (
            f"{begin + timedelta(seconds=i * step_s + jitter_s * int(rng.integers(0, 2)))}",
            str(step_s + int(rng.integers(-1, 2))),
            "wake" if i < 20 else "light",
        )
        for i in range(50)
        if i not in missing
    ]
    closed = [*rows, (f"{begin + timedelta(seconds=51 * step_s)}", "60", "over")]
    layout = Layout(shape=Shape.INTERVALS, stages={"over": "not-a-stage"})
    spans = read_spans(write(tmp_path, f"time,{name},stage", closed), layout=layout)
    assert not [c for c in said(spans.cautions) if c.startswith("column")]


def test_epochs_with_ends_of_their_own_need_no_caution(tmp_path):
    rows = [
        (f"2026-04-22 22:{i:02d}:00", f"2026-04-22 22:{i + 1:02d}:00", "wake" if i < 3 else "light") for i in range(9)
    ]
    spans = read_spans(write(tmp_path, "time,B,stage", rows))
    assert not [c for c in said(spans.cautions) if c.startswith("column")]


@pytest.mark.parametrize("unit", ["minutos e 0 segundos", "min", "glas"])
def test_lengths_in_words_that_nobody_used_are_told(tmp_path, unit):
    lasts = [3, 9, 11, 18, 6, 12, 7]  # behind the second nothing is told for an hour
    begin, rows = datetime(2026, 4, 22, 7, 38), []
    for i, minutes in enumerate(lasts):
        rows.append((f"{begin}", f"{minutes} {unit}", ("light", "deep")[i % 2]))
        begin += timedelta(minutes=minutes + (60 if i == 1 else 0))
    path = write(tmp_path, "begin,wie lang,State", [*rows, (f"{begin}", f"0 {unit}", "over")])
    layout = Layout(shape=Shape.INTERVALS, start="begin", stage="State", stages={"over": "not-a-stage"})
    assert any("'wie lang'" in text for text in said(read_spans(path, layout=layout).cautions))


@pytest.mark.parametrize("point", [".", ","])
def test_a_last_row_without_an_end_names_the_column_of_lengths_that_was_not_used(tmp_path: Path, point: str) -> None:
    """Decimals may stand behind a comma."""
    moment, rows = datetime(2026, 3, 1, 22, 30), []
    for i in range(12):
        minutes = 2 + (i * 7 % 23) / 2
        rows.append(f"{moment.isoformat()};{f'{minutes:.1f}'.replace('.', point)};{('wake', 'light')[i % 2]}")
        moment += timedelta(minutes=minutes)
    path = tmp_path / "uyku.csv"
    path.write_text("\n".join(["start;Süre;stage", *rows]) + "\n", encoding="utf-8")
    with pytest.raises(EpochGridError, match="the last row has no end") as caught:
        read_spans(path, layout=Layout(shape=Shape.INTERVALS))
    assert "Column 'Süre' holds lengths: say in a layout [file] duration = \"Süre\"" in str(caught.value)
    assert read_spans(path, layout=Layout(shape=Shape.INTERVALS, duration="Süre")).duration_s[0] == 120
