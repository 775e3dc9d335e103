"""Ends alone, ends that stand before beginnings, and lengths of rows with gaps: none is taken for something else."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from sleepagree.caution import CautionKind
from sleepagree.describe.proposal import ask_for
from sleepagree.errors import EpochGridError, FileFormatError, SleepAgreeError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.columns import marks_in_name
from sleepagree.readers.layout import Marks, parse_layout
from tests.readers.test_odd_exports import BOUTS, EDGES, MOMENTS, STAGES, START, after_answers, proposed, read, write

SPANS = [(MOMENTS[a], MOMENTS[b], label) for (a, b), (label, _) in zip(pairwise(EDGES), BOUTS, strict=True)]
BEGUN = START.isoformat()


def test_durations_of_0_throughout_tell_no_length_of_rows_that_are_changes(tmp_path: Path) -> None:
    rows = [f"{begin},0,{label}" for begin, _, label in SPANS]
    path = write(tmp_path, ["start,duration,stage", *rows, f"{SPANS[-1][1]},0,lights on"])
    layout = parse_layout(b'[file]\nshape = "intervals"\nduration_unit = "s"\n', "layout.toml")
    assert read(path, layout) == STAGES


@pytest.mark.parametrize("name", ["end", "end_time", "until", "epoch_end", "interval end", "Ende"])
def test_epochs_by_their_ends_alone_begin_before_them(tmp_path: Path, name: str) -> None:
    rows = [f"{moment + timedelta(seconds=30)},{stage}" for moment, stage in zip(MOMENTS, STAGES, strict=False)]
    path = write(tmp_path, [f"{name},stage", *rows])
    with pytest.raises(FileFormatError, match="no column holds the times"):
        read_spans(path)
    assert proposed(path)[1]["marks"] == "end"
    assert after_answers(path) == STAGES


def test_epochs_by_their_middles_begin_half_an_epoch_before_them(tmp_path: Path) -> None:
    rows = [f"{moment + timedelta(seconds=15)},{stage}" for moment, stage in zip(MOMENTS, STAGES, strict=False)]
    assert after_answers(write(tmp_path, ["mid,stage", *rows])) == STAGES


@pytest.mark.parametrize(("name", "marks"), [("fromDate", None), ("stendal", None), ("epochEnd", Marks.END)])
def test_a_name_says_end_by_a_word_of_its_own(name: str, marks: Marks | None) -> None:
    assert marks_in_name(name) is marks


@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S+01:00", "%H:%M:%S"])
def test_intervals_by_their_ends_alone_ask_when_the_first_began(tmp_path: Path, form: str) -> None:
    rows = [f"{end:{form}},{label}" for _, end, label in SPANS]
    path = write(tmp_path, ["end,stage", *rows, f"{SPANS[-1][1] + timedelta(minutes=3):{form}},lights on"])
    proposal, values = proposed(path)
    assert (values["marks"], values["shape"], values["begins"]) == ("end", "intervals", None)
    begins = BEGUN + "+01:00" * ("+" in form)
    spans = read_spans(path, layout=proposal.layout({"begins": begins}))
    assert spans.start == datetime.fromisoformat(begins)
    assert spans.duration_s.tolist() == [30.0 * epochs for _, epochs in BOUTS]
    problem = "nothing tells when this row begins" if "%Y" in form else "the times tell no date"
    with pytest.raises(SleepAgreeError, match=problem):
        read_spans(path, layout=proposal.layout())


@pytest.mark.parametrize(
    ("begins", "ends", "problem"),
    [
        ("22:31:00", ["22:30:00", "22:40:00"], "-60 s since"),
        ("22:00:00", ["22:30:00", "23:59:00", "05:58:00"], None),
        ("15:59:00", ["22:30:00", "22:40:00"], "23460 s since"),
        ("02:00:00", ["02:30:00", "09:00:00"], "23400 s since"),
    ],
)
def test_no_row_lasts_longer_than_a_stage_from_the_end_before_it(
    tmp_path: Path, begins: str, ends: list[str], problem: str | None
) -> None:
    days = ["2026-03-02" if end < "12" else "2026-03-01" for end in [begins, *ends]]
    rows = [
        f"{day} {end},{'wake' if i % 2 else 'light'}" for i, (day, end) in enumerate(zip(days[1:], ends, strict=True))
    ]
    head = f'[file]\nstart = "until"\nmarks = "end"\nshape = "intervals"\nbegins = {days[0]}T{begins}\n'
    layout, path = parse_layout(head.encode(), "band-a.toml"), write(tmp_path, ["until,stage", *rows])
    if problem is None:
        assert read_spans(path, layout=layout).duration_s.tolist() == [1800.0, 5340.0, 21540.0]
        return
    with pytest.raises(EpochGridError, match=problem):
        read_spans(path, layout=layout)


def test_ends_of_rows_of_codes_are_no_beginnings(tmp_path: Path) -> None:
    codes = "".join("wldr"["wake light deep rem".split().index(stage)] for stage in STAGES)
    hours = [(MOMENTS[i], MOMENTS[i + 120], codes[i : i + 120]) for i in range(0, 720, 120)]
    _, values = proposed(write(tmp_path, ["Bis;Von;Codes", *(f"{b};{a};{part}" for a, b, part in hours)]))
    assert (values["start"], values["end"]) == ("Von", "Bis")
    for form in ("%Y-%m-%d %H:%M:%S", "%H:%M:%S"):
        proposal, values = proposed(write(tmp_path, ["Bis;Codes", *(f"{b:{form}};{part}" for _, b, part in hours)]))
        assert values["start"] is None
        assert 'the column of the times: "Bis" if rows begin then' in map(ask_for, proposal.blanks)


def test_elapsed_ends_alone_begin_at_second_0(tmp_path: Path) -> None:
    path = write(tmp_path, ["until_min,stage", *(f"{(end - START).seconds / 60:g},{s}" for _, end, s in SPANS)])
    assert after_answers(path, begins=BEGUN) == STAGES
    rows = [{"end": end.isoformat(), "stage": label} for _, end, label in SPANS]
    path = write(tmp_path, [json.dumps(rows)], "night.json")
    assert after_answers(path, begins=BEGUN) == STAGES


@pytest.mark.parametrize(
    ("names", "form", "answers"),
    [
        ("Phase;Fin;Debut", "%H:%M:%S", {"begins": BEGUN}),
        ("Phase;Bis;Von", "%H:%M:%S", {"begins": BEGUN}),
        ("phase;done;begun", "%I:%M:%S %p", {"begins": BEGUN}),
        ("phase;done;begun;day", "%H:%M:%S", {}),
    ],
)
def test_of_two_times_of_day_the_one_that_the_other_ends_is_the_beginning(
    tmp_path: Path, names: str, form: str, answers: dict[str, Any]
) -> None:
    day = ";{a:%Y-%m-%d}" if names.endswith("day") else ""
    rows = [f"{label};{b:{form}};{a:{form}}" + day.format(a=a) for a, b, label in SPANS]
    path = write(tmp_path, [names, *rows])
    _, end, begin, *_ = names.split(";")
    values = proposed(path)[1]
    assert (values["start"], values["end"], values.get("night_of", "")) == (begin, end, "")
    assert after_answers(path, **answers) == STAGES


def test_of_two_elapsed_times_the_one_that_the_other_ends_is_the_beginning(tmp_path: Path) -> None:
    rows = [f"{label},{(b - START).seconds},{(a - START).seconds}" for a, b, label in SPANS]
    assert after_answers(write(tmp_path, ["phase,till_s,since_s", *rows]), begins=BEGUN) == STAGES


@pytest.mark.parametrize("every", [1, 2])
@pytest.mark.parametrize("name", ["mins", "duration_min", "duration", "length"])
def test_lengths_of_rows_with_gaps_are_lengths(tmp_path: Path, name: str, every: int) -> None:
    rows, at = [], START
    for i, (label, epochs) in enumerate(BOUTS):
        rows.append(f"{at},{epochs / 2:g},{label}")
        at += timedelta(minutes=epochs / 2 + (1 if i % every == 0 else 0))
    path = write(tmp_path, [f"begin,{name},phase", *rows])
    proposal, values = proposed(path)
    assert values["duration"] == name
    asked = [ask_for(blank) for blank in proposal.blanks]
    assert asked == (
        ['the unit of the lengths: "min", "s", "ms"'] if name in ("duration", "length") and every == 1 else []
    )
    assert read(path, proposal.layout({"duration_unit": "min"})) == STAGES
    if name == "mins":
        given = b'[file]\nshape = "intervals"\nstart = "begin"\nstage = "phase"\n[stages]\nup = "not-a-stage"\n'
        spans = read_spans(
            write(tmp_path, [f"begin,{name},phase", *rows, f"{at},,up"]), layout=parse_layout(given, "a")
        )
        assert [c["column"] for c in spans.cautions if c.kind is CautionKind.LENGTHS_UNUSED] == ["mins"]


def test_ends_one_minute_before_the_next_row_leave_a_blank(tmp_path: Path) -> None:
    at = [START.replace(second=0) + timedelta(minutes=edge) for edge in EDGES]
    rows = [f"{a},{b - timedelta(minutes=1)},{label}" for (a, b), (label, _) in zip(pairwise(at), BOUTS, strict=True)]
    proposal, values = proposed(write(tmp_path, ["begin,finish,phase", *rows]))
    assert (values["end"], values["ends"]) == ("finish", None)
    (blank,) = proposal.blanks
    assert [choice.value for choice in blank.others] == ["inclusive", "exclusive"]
    assert proposal.is_readable
