"""Tables that run across, a night or an hour in each row: invented, and read as the night they were written from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from sleepagree.caution import NoteKind
from sleepagree.errors import FileFormatError, UnknownStageError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import parse_layout
from sleepagree.readers.proposing.proposal import propose_layout

BEGINS = datetime(2031, 9, 1, 22, 30)
STAGES = ("wake", "light", "deep", "rem")
MINUTES = 420
#: Three nights, no two alike: the stage of every minute.
NIGHTS = [[STAGES[(i + 5 * night) // 9 % 4] for i in range(MINUTES)] for night in range(3)]
CODES = {stage: str(code) for code, stage in enumerate(STAGES)}


def at(minute: int, night: int = 0) -> datetime:
    return BEGINS + timedelta(days=night, minutes=minute)


def write(folder: Path, rows: Sequence[Sequence[Any]], name: str = "night.csv") -> Path:
    path = folder / name
    if path.suffix == ".xlsx":
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(list(row))
        book.save(path)
    else:
        path.write_text("".join(";".join(map(str, row)) + "\n" for row in rows), encoding="utf-8")
    return path


def grid(names: Sequence[Any], first: str, who: Callable[[int], Any], word: Callable[[str], str] = str) -> list[Any]:
    return [[first, *names], *([who(night), *map(word, stages)] for night, stages in enumerate(NIGHTS))]


def read(path: Path, answers: dict[str, Any], stages: dict[str, str] | None = None) -> ScoredSpans:
    proposal = propose_layout(path)
    assert proposal is not None
    assert {setting.key for setting in proposal.blanks} == answers.keys()
    assert {label.label for label in proposal.blank_labels} == (stages or {}).keys()
    return read_spans(path, layout=proposal.layout(answers, stages))


def minutes_of(spans: ScoredSpans, night: int) -> list[str | None]:
    """Return the stage of every minute of a night, looked up at its middle."""
    assert spans.start is not None
    named = {"W": "wake", "N3": "deep", "R": "rem"}
    out: list[str | None] = []
    for minute in range(MINUTES):
        middle = (at(minute, night) + timedelta(seconds=30) - spans.start).total_seconds()
        held = [
            spans.stages[code]
            for begin, code, end in zip(spans.onset_s, spans.codes, spans.onset_s + spans.duration_s, strict=True)
            if begin <= middle < end
        ]
        out.append(named.get(held[0], held[0]) if held else None)
    return out


@pytest.mark.parametrize("name", ["night.csv", "night.xlsx"])
def test_nights_with_dates_are_all_read(tmp_path: Path, name: str) -> None:
    clock = [at(i).time() if name.endswith("xlsx") else f"{at(i):%H:%M}" for i in range(MINUTES)]
    dated = grid(
        clock, "Datum", lambda night: at(0, night).date() if name.endswith("xlsx") else f"{at(0, night):%Y-%m-%d}"
    )
    spans = read(write(tmp_path, dated, name), {"night_of": "bed-day"})
    assert [minutes_of(spans, night) for night in range(3)] == NIGHTS
    (note,) = (note for note in spans.notes if note.kind is NoteKind.TURNED_ACROSS)
    assert dict(note.values) == {"rows": 3, "columns": MINUTES, "empty": 0}


@pytest.mark.parametrize(
    ("form", "epoch"), [("{}", "epoch_number"), ("+{}", "epoch_number"), ("t{}", "epoch_number"), ("{} min", "start")]
)
def test_one_of_several_nights_is_chosen_where_columns_are_counted(tmp_path: Path, form: str, epoch: str) -> None:
    path = write(tmp_path, grid([form.format(i) for i in range(MINUTES)], "noche", lambda n: n + 1, CODES.__getitem__))
    proposal = propose_layout(path)
    assert proposal is not None
    assert epoch in {setting.key for setting in proposal.told}
    answers: dict[str, Any] = {"night": "2", "begins": at(0, 1).isoformat()}
    spans = read(path, answers, {code: stage for stage, code in CODES.items()})
    assert minutes_of(spans, 1) == NIGHTS[1]
    assert minutes_of(spans, 2) == [None] * MINUTES


def test_one_night_alone_needs_no_choice(tmp_path: Path) -> None:
    path = write(tmp_path, [range(1, MINUTES + 1), NIGHTS[0]])
    spans = read(path, {"begins": BEGINS.isoformat()})
    assert minutes_of(spans, 0) == NIGHTS[0]


def test_rows_without_a_column_beside_them_are_numbered(tmp_path: Path) -> None:
    path = write(tmp_path, [range(1, MINUTES + 1), *NIGHTS])
    spans = read(path, {"night": "3", "begins": at(0, 2).isoformat()})
    assert minutes_of(spans, 2) == NIGHTS[2]


def test_rows_of_days_with_empty_cells_leave_gaps(tmp_path: Path) -> None:
    told = {at(i, night): stage for night, stages in enumerate(NIGHTS) for i, stage in enumerate(stages)}
    days = [datetime(2031, 9, day) for day in range(1, 5)]
    minutes = [timedelta(minutes=i) for i in range(1440)]
    rows = [[f"{day:%Y-%m-%d}", *(told.get(day + minute, "") for minute in minutes)] for day in days]
    spans = read(write(tmp_path, [["day", *(f"{days[0] + minute:%H.%M}" for minute in minutes)], *rows]), {})
    assert [minutes_of(spans, night) for night in range(3)] == NIGHTS
    (note,) = (note for note in spans.notes if note.kind is NoteKind.TURNED_ACROSS)
    assert dict(note.values)["empty"] == 4 * 1440 - 3 * MINUTES


@pytest.mark.parametrize("hour", ["{}", "{:02}", "{:02}:00", "{} h"])
def test_rows_of_hours_with_their_minutes(tmp_path: Path, hour: str) -> None:
    told = {at(i): stage for i, stage in enumerate(NIGHTS[0])}
    hours = [datetime(2031, 9, 1, 22) + timedelta(hours=i) for i in range(8)]
    rows = [[hour.format(h.hour), *(told.get(h + timedelta(minutes=m), "") for m in range(60))] for h in hours]
    path = write(tmp_path, [["Stunde", *(f"{m:02}" for m in range(60))], *rows])
    assert minutes_of(read(path, {"begins": BEGINS.isoformat()}), 0) == NIGHTS[0]
    torn = write(tmp_path, [["Stunde", *(f"{m:02}" for m in range(60))], *rows[:3], *rows[4:]])
    layout = parse_layout(b'[file]\nshape = "across"\nbegins = 2031-09-01T22:30:00\n', "band.toml")
    with pytest.raises(FileFormatError, match="columns run across"):  # an hour is missing
        read_spans(torn, layout=layout)


def test_messages_name_row_and_column(tmp_path: Path) -> None:
    rows = grid([f"{at(i):%H:%M}" for i in range(MINUTES)], "date", lambda night: f"{at(0, night):%Y-%m-%d}")
    rows[2][4] = "Odd"
    layout = parse_layout(b'[file]\nshape = "across"\ndate = "date"\nnight_of = "bed-day"\n', "band.toml")
    with pytest.raises(UnknownStageError, match="line 3, column '22:33'"):
        read_spans(write(tmp_path, rows), layout=layout)


def test_a_layout_for_another_shape_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, [["time", "stage"], *([f"{at(i)}", stage] for i, stage in enumerate(NIGHTS[0]))])
    layout = parse_layout(b'[file]\nshape = "across"\n', "band.toml")
    with pytest.raises(FileFormatError, match="times or numbers of epochs at even steps for names"):
        read_spans(path, layout=layout)


def test_measured_numbers_are_no_stages(tmp_path: Path) -> None:
    rows = [[f"2031-09-0{n}", *(50 + (7 * i) % 41 for i in range(MINUTES))] for n in (1, 2)]
    proposal = propose_layout(write(tmp_path, [["date", *range(MINUTES)], *rows]))
    assert proposal is None or "across" not in [setting.value for setting in proposal.settings]


def test_a_date_beside_counted_columns_stands_beside_the_blank(tmp_path: Path) -> None:
    days = [date(2031, 9, 1) + timedelta(days=night) for night in range(3)]
    path = write(tmp_path, grid(range(1, MINUTES + 1), "day", lambda night: days[night]))
    proposal = propose_layout(path)
    assert proposal is not None
    (begins,) = (setting for setting in proposal.blanks if setting.key == "begins")
    assert [text.rpartition(" ")[2] for text in begins.shown[:3]] == [str(day) for day in days]
