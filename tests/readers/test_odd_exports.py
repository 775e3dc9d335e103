"""Exports in odd shapes, all invented: what is proposed for them, what is refused, and nothing read wrongly."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from sleepagree.caution import CautionKind, NoteKind
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import ClockError, EpochGridError, FileFormatError, UnknownStageError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.csv_table import without_rules
from sleepagree.readers.layout import ELAPSED_UNITS, FILE_KEYS, TIME_FORMS, Layout, TimeForm, parse_layout
from sleepagree.readers.proposing.column_kinds import ColumnKind, see_column
from sleepagree.readers.proposing.layout_proposal import LayoutProposal
from sleepagree.readers.proposing.proposal import propose_layout
from sleepagree.readers.table.shapes import split_range
from sleepagree.readers.times.clock import Column
from sleepagree.readers.times.reading import read_times
from tests.commands import ended, run
from tests.said import said

START = datetime(2026, 3, 14, 23, 1, 30)
BOUTS = [(label, 4 + i * 7 % 11) for i, label in enumerate(["wake", "light", "deep", "light", "rem"] * 20)]
STAGES = [label for label, epochs in BOUTS for _ in range(epochs)]
EDGES = np.cumsum([0, *(epochs for _, epochs in BOUTS)]).tolist()
MOMENTS = [START + timedelta(seconds=30 * i) for i in range(len(STAGES) + 1)]


def write(folder: Path, rows: list[str], name: str = "night.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def proposed(path: Path, given: str = "") -> tuple[LayoutProposal, dict[str, Any]]:
    proposal = propose_layout(path, layout=parse_layout(given.encode(), "given.toml") if given else None)
    assert proposal is not None
    return proposal, {s.key: s.value for s in proposal.settings if not s.is_comment}


def read(path: Path, layout: Layout) -> list[str]:
    """Return the stage word of every epoch of the night, checked to be where it belongs."""
    spans = read_spans(path, layout=layout)
    assert spans.start == START
    words = {"W": "wake", "N3": "deep", "R": "rem", "light": "light"}
    assert spans.onset_s[0] == 0
    epochs = np.repeat(spans.codes, np.rint(spans.duration_s / 30).astype(int))
    return [words[spans.stages[code]] for code in epochs.tolist()]


def after_answers(path: Path, **answers: Any) -> list[str]:
    proposal, _ = proposed(path)
    return read(path, proposal.layout({s.key: answers[s.key] for s in proposal.blanks}))


@pytest.mark.parametrize(
    ("title", "shown"),
    [
        ('"Export for the crew"', ""),
        ('"Export, crew; 14.03.2026"', "; beside the rows stands Export, crew = 14.03.2026"),
        ("made on 14.03.2026 at 22:10 and all well", "; beside the rows stands 14.03.2026 at 22:10"),
    ],
)
def test_a_title_is_skipped_and_its_date_is_shown_beside_the_blank(tmp_path: Path, title: str, shown: str) -> None:
    rows = [f"{moment:%H:%M:%S},{stage}" for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True)]
    path = write(tmp_path, [title, "", "Time,Stage", *rows])
    proposal, values = proposed(path)
    assert (values["skip_lines"], values["start"], values["begins"]) == (2, "Time", None)
    (line,) = (line for line in layout_text(proposal).splitlines() if line.startswith("begins"))
    assert line.partition("such as 2026-03-01T22:30:00")[2] == shown
    assert after_answers(path, begins="2026-03-14T22:00:00") == STAGES


def test_a_layout_of_one_key_is_completed_as_well_as_none(tmp_path: Path) -> None:
    rows = [f"{a / 2:.1f}-{b / 2:.1f};{label}" for a, b, (label, _) in zip(EDGES, EDGES[1:], BOUTS, strict=False)]
    path = write(tmp_path, ["Export, made 14.03.2026", "Minuten;Phase", *rows])
    _, without = proposed(path)
    for given in ("skip_lines = 1", 'stage = "Phase"', 'start = "Minuten"', 'delimiter = ";"', 'time = "elapsed-min"'):
        assert proposed(path, f"[file]\n{given}\n")[1] == without, given


@pytest.mark.parametrize("form", list(ELAPSED_UNITS))
def test_the_unit_of_elapsed_times_is_the_one_that_makes_a_night(tmp_path: Path, form: TimeForm) -> None:
    numbers = [f"{30 * i / ELAPSED_UNITS[form]:.5f}".rstrip("0").rstrip(".") for i in range(len(STAGES))]
    path = write(tmp_path, ["x;says", *(f"{n};{stage}" for n, stage in zip(numbers, STAGES, strict=True))])
    _, values = proposed(path)
    assert (values["start"], values["time"]) == ("x", form.value)
    assert after_answers(path, begins=START.isoformat()) == STAGES


def test_of_two_units_the_likelier_is_written_and_the_other_is_a_comment(tmp_path: Path) -> None:
    path = write(tmp_path, ["x;says", *(f"{20 * i};{stage}" for i, stage in enumerate(STAGES[:60]))])
    text = layout_text(proposed(path)[0])
    assert 'time = "elapsed-min"    # so all rows together are a night\n# time = "elapsed-s"    # or this' in text


def test_elapsed_times_are_whole_seconds_in_minutes_and_hours_and_may_tell_their_units() -> None:
    column = Column("x", "night.csv", str)
    assert read_times(["0", "0.00833", "0.01667"], column, form="elapsed-h").us.tolist() == [0, 30_000_000, 60_000_000]
    assert read_times(["0:00:30", "1:00:00"], column, form="elapsed-min").us.tolist() == [30_000_000, 3_600_000_000]
    with pytest.raises(ClockError, match="Found 9999999; expected elapsed minutes from the start of the recording"):
        read_times(["9999999"], column, form="elapsed-min")


@pytest.mark.parametrize(
    ("cell", "pair"),
    [
        ("23:10-23:14", ("23:10", "23:14")),
        ("23:10 – 23:14", ("23:10", "23:14")),
        ("0.0 - 3.5", ("0.0", "3.5")),
        ("0 to 3,5", ("0", "3,5")),
        ("23時10分〜23時14分", ("23時10分", "23時14分")),
        ("10:30 PM to 10:40 PM", ("10:30 PM", "10:40 PM")),
        ("2026-03-14T23:10/2026-03-14T23:14", ("2026-03-14T23:10", "2026-03-14T23:14")),
        ("2026-03-14 23:10-2026-03-14 23:14", ("2026-03-14 23:10", "2026-03-14 23:14")),
        ("14.03.2026 23.10 bis 14.03.2026 23.14", ("14.03.2026 23.10", "14.03.2026 23.14")),
        *((cell, None) for cell in ("2026-03-14", "23:10", "23:10 - 23:14:30", "14.03.2026 23:10 - 23:14", "-", "a-b")),
    ],
)
def test_two_times_in_a_cell(cell: str, pair: tuple[str, str] | None) -> None:
    assert split_range(cell) == pair


def test_a_cell_too_long_for_two_times_is_not_cut_at_each_of_its_marks() -> None:
    """A copy of it for each mark would be gigabytes, and minutes."""
    assert split_range("23:10" + "-" * 100_000 + "23:14") is None


def test_a_cell_that_does_not_hold_both_is_named(tmp_path: Path) -> None:
    path = write(tmp_path, ["slot,stage", "23:10-23:14,wake", "23:14,light"])
    layout = parse_layout(b'[file]\nstart = "slot"\nend = "slot"\nbegins = 2026-03-14T22:00:00\n', "given.toml")
    with pytest.raises(FileFormatError) as caught:
        read_spans(path, layout=layout)
    assert (caught.value.where, caught.value.found) == ("line 3, column 'slot'", "'23:14'")
    assert caught.value.expected == "two times in one form, such as 23:10 - 23:14"


LEGENDS = [
    {"0": "awake", "1": "light", "2": "deep", "3": "REM"},
    {"awake": 0, "light": 1, "deep": 2, "REM": 3},
    ["awake", "light", "deep", "REM"],
    [{"nr": i, "name": name, "colour": "x"} for i, name in enumerate(["awake", "light", "deep", "REM"])],
]


@pytest.mark.parametrize("legend", LEGENDS)
def test_a_legend_is_no_night_and_explains_its_codes(tmp_path: Path, legend: Any) -> None:
    codes = [["wake", "light", "deep", "rem"].index(stage) for stage in STAGES]
    document = {
        "legend": legend,
        "night": {"began_at": START.isoformat(), "codes": codes, "t": list(range(len(codes)))},
    }
    document["night"]["t"] = [30 * i for i in document["night"]["t"]]
    path = write(tmp_path, [json.dumps(document)], "night.json")
    proposal, values = proposed(path)
    assert (values["records"], values["stage"], values["start"]) == ("night", "codes", "t")
    assert values["begins"] == START.isoformat()
    assert "    # as the file says beside the rows: night.began_at" in layout_text(proposal)
    assert [(m.label, m.word, m.called) for m in proposal.labels[:2]] == [("0", "W", "awake"), ("1", "light", "light")]
    assert "called 'awake' in the file" in layout_text(proposal)
    assert read(path, proposal.layout()) == STAGES


def test_a_list_of_names_that_may_count_from_0_or_from_1_explains_nothing(tmp_path: Path) -> None:
    for first, words in ((0, ["W", "light", "N3", "R"]), (1, ["W", "light", "N3", "R"]), (None, ["", "", ""])):
        stages = ["wake", "light", "deep", "rem"]
        codes = [1 + stages.index(s) % 3 if first is None else first + stages.index(s) for s in STAGES]
        document = {"names": ["awake", "light", "deep", "REM"], "t": [30 * i for i in range(len(codes))], "x": codes}
        proposal, _ = proposed(write(tmp_path, [json.dumps(document)], "night.json"))
        assert [m.word for m in sorted(proposal.labels, key=lambda m: m.label)] == words


def test_two_beginnings_are_shown_and_none_is_taken(tmp_path: Path) -> None:
    rows = [{"t": 30 * i, "stage": stage} for i, stage in enumerate(STAGES)]
    document = {"recording_start": START.isoformat(), "export_start": "2026-03-16T10:00:00", "rows": rows}
    proposal, values = proposed(write(tmp_path, [json.dumps(document)], "night.json"))
    assert values["begins"] is None
    assert "recording_start = 2026-03-14T23:01:30, export_start = 2026-03-16T10:00:00" in layout_text(proposal)


def test_lengths_of_two_parts_are_proven_by_the_rows_or_asked(tmp_path: Path) -> None:
    lengths = [f"{n // 2}:{30 * (n % 2):02d}" for _, n in BOUTS]
    starts = [MOMENTS[edge].isoformat() for edge in EDGES[:-1]]
    labels = [label for label, _ in BOUTS]
    timed = write(
        tmp_path, ["start,duration,stage", *map(",".join, zip(starts, lengths, labels, strict=True))], "a.csv"
    )
    assert read(timed, Layout()) == STAGES
    counted = write(tmp_path, ["says,lasts", *map(",".join, zip(labels, lengths, strict=True))], "b.csv")
    assert after_answers(counted, begins=START.isoformat(), duration_unit="min") == STAGES


@pytest.mark.parametrize("cell", ["{:%H:%M:%S}", "{:%d.%m.%Y %H:%M:%S}", "seconds"])
def test_rows_with_the_newest_first(tmp_path: Path, cell: str) -> None:
    times = [str(30 * i) if cell == "seconds" else cell.format(moment) for i, moment in enumerate(MOMENTS[:-1])]
    rows = [f"{time},{stage}" for time, stage in zip(times, STAGES, strict=True)]
    path = write(tmp_path, ["Zeit,Phase", *rows[::-1]])
    assert after_answers(path, begins=START.isoformat()) == STAGES
    assert "at which the earliest row began" in layout_text(proposed(path)[0]) or cell[2:4] == "%d"


EVENING = [moment - timedelta(hours=1) for moment in MOMENTS]


@pytest.mark.parametrize("form", ["%I:%M:%S", "%I.%M.%S"])
@pytest.mark.parametrize("newest_first", [False, True])
def test_a_clock_of_twelve_hours_is_counted_on_from_its_beginning_once_a_layout_says_so(
    tmp_path: Path, form: str, *, newest_first: bool
) -> None:
    rows = [f"{moment:{form}},{stage}" for moment, stage in zip(EVENING[:-1], STAGES, strict=True)]
    path = write(tmp_path, ["time,stage", *(rows[::-1] if newest_first else rows)])
    if form == "%I:%M:%S":
        layout = parse_layout(b"[file]\nbegins = 2026-03-14T22:00:00\n", "given.toml")
        with pytest.raises(ClockError, match="the clock goes from 12 to 1, and no time says AM or PM") as caught:
            read_spans(path, layout=layout)
        assert "am_pm" in caught.value.remedy
        assert 'time = "%I:%M:%S" and begins' in caught.value.remedy
    proposal, values = proposed(path)
    assert (values["time"], values["begins"]) == (form, None)
    for begins in ("2026-03-14T22:01:30", "2026-03-14T20:15:00"):
        spans = read_spans(path, layout=proposal.layout({"begins": begins}))
        assert spans.start == EVENING[0]
        assert spans.onset_s.tolist() == [30.0 * i for i in range(len(STAGES))]
        assert [note.kind for note in spans.notes].count(NoteKind.HALF_DAYS) == 1


def test_intervals_on_a_clock_of_twelve_hours(tmp_path: Path) -> None:
    rows = [
        f"{EVENING[a]:%I:%M:%S},{EVENING[b]:%I:%M:%S},{label}"
        for a, b, (label, _) in zip(EDGES, EDGES[1:], BOUTS, strict=False)
    ]
    proposal, values = proposed(write(tmp_path, ["von,bis,Phase", *rows]))
    assert (values["start"], values["end"], values["time"]) == ("von", "bis", "%I:%M:%S")
    spans = read_spans(tmp_path / "night.csv", layout=proposal.layout({"begins": "2026-03-14T22:00:00"}))
    assert spans.start == EVENING[0]
    assert (spans.onset_s / 30).tolist() == EDGES[: len(BOUTS)]
    assert (spans.duration_s / 30).tolist() == [epochs for _, epochs in BOUTS]


@pytest.mark.parametrize(
    ("times", "begins", "problem"),
    [
        (["10:30", "11:30", "12:30", "1:30"], "2026-03-14T22:31:00", "cannot be counted on"),
        (["10:30", "12:30", "1:30", "5:00"], "2026-03-14T22:30:00", "cannot be counted on"),
        (["10:30", "12:30", "1:30", "1:29"], "2026-03-14T22:30:00", "cannot be counted on"),
        (["10:30", *(f"{1 + i % 12}:00" for i in range(24))], "2026-03-14T22:30:00", "cannot be counted on"),
        (["10:30", "12:30", "1:30", "2:29"], "2026-03-14", "needs the moment"),
        (["10:30", "12:30", "1:30", "2:29"], "2026-03-14T22:30:00Z", "needs the moment"),
    ],
)
def test_hours_that_may_be_twelve_more_are_refused(tmp_path: Path, times: list[str], begins: str, problem: str) -> None:
    path = write(tmp_path, ["time,stage", *(f"{time},{STAGES[i]}" for i, time in enumerate(times))])
    given = f'[file]\ntime = "%I:%M"\nshape = "intervals"\nbegins = "{begins}"\nnight_of = "bed-day"\n'
    with pytest.raises((ClockError, FileFormatError), match=problem):
        read_spans(path, layout=parse_layout(given.encode(), "given.toml"))


def test_halves_in_a_column_beside_times_without_dates_are_proposed(tmp_path: Path) -> None:
    rows = [f"{moment:%I:%M:%S},{moment:%p},{stage}" for moment, stage in zip(EVENING[:-1], STAGES, strict=True)]
    proposal, values = proposed(write(tmp_path, ["time,half,stage", *rows]))
    assert (values["time"], values["am_pm"]) == ("%I:%M:%S %p", "half")
    spans = read_spans(tmp_path / "night.csv", layout=proposal.layout({"begins": "2026-03-14T20:00:00"}))
    assert spans.start == EVENING[0]
    assert float(spans.onset_s[-1]) == 30.0 * (len(STAGES) - 1)


def test_rows_about_the_light_are_no_stages(tmp_path: Path) -> None:
    rows = [f"{MOMENTS[a].isoformat()},{label}" for a, (label, _) in zip(EDGES, BOUTS, strict=False)]
    marks = [f"{START.isoformat()},Licht aus", *rows, f"{MOMENTS[-1].isoformat()},Licht an"]
    proposal, values = proposed(write(tmp_path, ["Zeit,Phase", *marks]))
    assert values["shape"] == "intervals"
    assert {m.label: m.word for m in proposal.labels if "Licht" in m.label} == dict.fromkeys(
        ["Licht aus", "Licht an"], "not-a-stage"
    )
    assert read(tmp_path / "night.csv", proposal.layout()) == STAGES


def test_columns_that_are_not_used_are_listed_with_a_layout_too(tmp_path: Path) -> None:
    rows = [f"{t.isoformat()},{60 + i % 9},{stage}" for i, (t, stage) in enumerate(zip(MOMENTS, STAGES, strict=False))]
    path = write(tmp_path, ["begun,pulse,stage", *rows])
    layout = write(tmp_path, ["[file]", 'start = "begun"'], "mine.toml")
    result = run("inspect", path, "--layout", layout)
    assert "not used      'pulse'" in result.stdout


def test_a_written_layout_ends_with_all_keys_and_the_values_of_time(tmp_path: Path) -> None:
    path = write(tmp_path, ["time,stage", *(f"{t.isoformat()},{s}" for t, s in zip(MOMENTS, STAGES, strict=False))])
    run("inspect", path, "--write-layout", tmp_path / "mine.toml")
    end = (tmp_path / "mine.toml").read_text("utf-8").partition("# Keys of [file]: ")[2].replace("\n# ", " ")
    assert end.startswith(", ".join(FILE_KEYS))
    assert f"time: {TIME_FORMS}" in end
    assert "at its end stand all keys" in " ".join(run("inspect", "--help").stdout.split())


def finnish(joint: str, *, named: bool = False, closing: bool = True) -> list[str]:
    """Return an invented export with lengths in words, a word between date and time, and 40 min without a row."""
    rows, edges = [], [*EDGES]
    for nr, (a, b, (label, _)) in enumerate(zip(edges, edges[1:], BOUTS, strict=False), 1):
        moment = MOMENTS[a] + timedelta(minutes=40 * (nr > 50))
        length = f"{(b - a) // 2} min" + " 30 s" * ((b - a) % 2)
        rows.append(f"{nr};{moment:%d.%m.%Y}{joint}{moment:%H.%M.%S};{length};{label}")
    last = MOMENTS[edges[-1]] + timedelta(minutes=40)
    if closing:
        rows.append(f"{len(rows) + 1};{last:%d.%m.%Y}{joint}{last:%H.%M.%S};;Lights on")
    return [f"Nro;Alkoi;{'Duration' if named else 'Kesto'};Vaihe", *rows]


def halves(before: str, after: str) -> Callable[[datetime], str]:
    return lambda moment: before if moment.hour < 12 else after


def hour(moment: datetime) -> str:
    return f"{moment:%I}".lstrip("0")


#: How times are written, by hand and by programs: half of the day, and how the rest stands beside it.
TIMES_OF_DAY: list[Callable[[datetime], str]] = [
    lambda t: f"{hour(t)}:{t:%M:%S} {halves('a. m.', 'p. m.')(t)}",
    lambda t: f"{hour(t)}:{t:%M:%S} " + halves("a.\u00a0m.", "p.\u00a0m.")(t),
    lambda t: f"{hour(t)}:{t:%M:%S} {halves('π.μ.', 'μ.μ.')(t)}",
    lambda t: f"{hour(t)}:{t:%M:%S} " + halves("π.\u00b5.", "\u00b5.\u00b5.")(t),
    lambda t: f"{halves('午前', '午後')(t)}{hour(t)}:{t:%M:%S}",
    lambda t: f"{halves('오전', '오후')(t)} {hour(t)}시 {t:%M}분 {t:%S}초",
    lambda t: f"{halves('上午', '下午')(t)}{hour(t)}:{t:%M:%S}",
    lambda t: f"{t.hour}시 {t:%M}분 {t:%S}초",
    lambda t: f"{t.hour}時{t:%M}分{t:%S}秒",
    lambda t: f"klo {t:%H.%M.%S}",
    lambda t: f"kl. {t:%H.%M.%S}",
    lambda t: f"{t:%H:%M:%S} Uhr",
    lambda t: f"ore {t:%H:%M:%S}",
    lambda t: f"godz. {t:%H:%M:%S}",
    lambda t: f"{t:%H.%M.%S} น.",
    lambda t: f"{t:%H:%M:%S} hrs",
    lambda t: f"{t:%H}：{t:%M}：{t:%S}",
]
MOMENTS_WRITTEN: list[Callable[[datetime], str]] = [
    lambda t: f"{t:%d/%m/%Y} à {t:%H} h {t:%M}:{t:%S}",
    lambda t: f"{t:%d.%m.%Y} um {t:%H:%M:%S} Uhr",
    lambda t: f"{t:%d.%m.%Y, %H:%M:%S} Uhr",
    lambda t: f"{t:%d.%m.%Y} г., {t:%H:%M:%S} ч.",
    lambda t: f"{t.year}년 {t.month}월 {t.day}일 {halves('오전', '오후')(t)} {hour(t)}:{t:%M:%S}",
    lambda t: f"{t:%Y%m%d %H%M%S}",
    lambda t: f"{t:%Y%m%d%H%M%S}",
    lambda t: f"{t:%a %b %d %H:%M:%S %Y}",
]


def timed(folder: Path, form: Callable[[datetime], str]) -> Path:
    rows = [f'"{form(moment)}";{stage}' for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True)]
    return write(folder, ["When;Says", *rows])


@pytest.mark.parametrize("form", TIMES_OF_DAY, ids=[form(START) for form in TIMES_OF_DAY])
def test_times_of_day_are_read_however_they_are_written(tmp_path: Path, form: Callable[[datetime], str]) -> None:
    path = timed(tmp_path, form)
    proposal, values = proposed(path)
    assert values["begins"] is None
    assert read(path, proposal.layout({"begins": START.isoformat()})) == STAGES


@pytest.mark.parametrize("form", MOMENTS_WRITTEN, ids=[form(START) for form in MOMENTS_WRITTEN])
def test_dates_and_times_are_read_however_they_are_written(tmp_path: Path, form: Callable[[datetime], str]) -> None:
    path = timed(tmp_path, form)
    proposal, _ = proposed(path)
    assert not proposal.blanks
    assert read(path, proposal.layout()) == STAGES


@pytest.mark.parametrize("form", ["%Y/%m/%d %H:%M:%S UTC", "%d %b %Y %H:%M:%S GMT", "%a, %d %b %Y %H:%M:%S +0000"])
def test_a_word_for_utc_behind_a_time_is_an_offset(tmp_path: Path, form: str) -> None:
    path = timed(tmp_path, lambda moment: moment.strftime(form))
    proposal, _ = proposed(path)
    assert [blank.key for blank in proposal.blanks] == ["zone"]
    assert read_spans(path, layout=proposal.layout()).start == START.replace(tzinfo=UTC)


@pytest.mark.parametrize("word", ["夜里{}", "boa tarde {}", "{} noche", "{}p", "{} Glas"])
def test_a_word_that_may_tell_the_half_of_a_day_is_asked_for(tmp_path: Path, word: str) -> None:
    evening = [moment - timedelta(hours=3) for moment in MOMENTS[:200]]
    rows = [f"{word.format(f'{hour(t)}:{t:%M:%S}')};{s}" for t, s in zip(evening, STAGES, strict=False)]
    dated = [f"{t:%d.%m.%Y} {row}" for t, row in zip(evening, rows, strict=True)]
    for name, body in (("day.csv", rows), ("dated.csv", dated)):
        _, values = proposed(write(tmp_path, ["When;Says", *body], name))
        assert (values["start"], values["time"]) == ("When", None)


@pytest.mark.parametrize(
    ("down", "up"),
    [("Luces apagadas", "Luces encendidas"), ("extinction des feux", "lumière allumée"), ("In bed", "Got up")],
)
def test_rows_about_the_light_and_the_bed_are_no_stages_and_their_times_are_offered_as_the_window(
    tmp_path: Path, down: str, up: str
) -> None:
    lain, risen = START - timedelta(minutes=12), MOMENTS[-1] + timedelta(minutes=9)
    rows = [f"{m:%d/%m/%Y %H:%M:%S};{s}" for m, s in zip(MOMENTS[:-1], STAGES, strict=True)]
    marked = [f"{lain:%d/%m/%Y %H:%M:%S};{down}", *rows, f"{risen:%d/%m/%Y %H:%M:%S};{up}"]
    path = write(tmp_path, ["When;Says", *marked])
    proposal, _ = proposed(path)
    window = f"--window {lain.isoformat()}/{risen.isoformat()}"
    assert (proposal.blanks, proposal.blank_labels) == ((), ())
    assert f"# To score only from the one mark that is no stage to the other: {window}" in layout_text(proposal)
    assert read(path, proposal.layout()) == STAGES
    # what comes again and again may be lying awake
    again = [f"{m:%d/%m/%Y %H:%M:%S};{down if s == 'wake' else s}" for m, s in zip(MOMENTS[:-1], STAGES, strict=True)]
    proposal, _ = proposed(write(tmp_path, ["When;Says", *again], "again.csv"))
    assert [m.label for m in proposal.blank_labels] == [down]
    assert "--window" not in layout_text(proposal)


@pytest.mark.parametrize("joint", [" klo ", " Uhr ", " um ", " à ", ", às ", " kl. "])
def test_a_word_between_date_and_time_stands_in_the_form_and_lengths_are_proposed(tmp_path: Path, joint: str) -> None:
    path = write(tmp_path, finnish(joint))
    proposal, values = proposed(path)
    assert values["time"] == f"%d.%m.%Y{joint}%H.%M.%S"
    assert (values["start"], values["duration"]) == ("Alkoi", "Kesto")
    spans = read_spans(path, layout=proposal.layout())
    assert float(spans.duration_s.sum()) == 30 * len(STAGES)
    assert (spans.onset_s[50] - spans.onset_s[49] - spans.duration_s[49]) == 40 * 60


def test_lengths_are_proposed_while_the_form_of_times_is_a_blank(tmp_path: Path) -> None:
    _, values = proposed(write(tmp_path, finnish(" alkoivat ")))
    assert (values["time"], values["duration"]) == (None, "Kesto")


def test_lengths_nobody_used_are_told_of_though_a_closing_row_has_none(tmp_path: Path) -> None:
    given = b'[file]\nstart="Alkoi"\nstage="Vaihe"\nshape="intervals"\ntime="%d.%m.%Y klo %H.%M.%S"\n'
    layout = parse_layout(given, "given.toml")
    spans = read_spans(write(tmp_path, finnish(" klo ")), layout=layout)
    (told,) = [c for c in spans.cautions if c.kind is CautionKind.LENGTHS_UNUSED]
    assert (told["column"], told["role"]) == ("Kesto", "duration")
    with pytest.raises(EpochGridError, match="the last row has no end") as caught:
        read_spans(write(tmp_path, finnish(" klo ", closing=False)), layout=layout)
    assert "Column 'Kesto' holds lengths: say in a layout [file] duration = \"Kesto\"." in str(caught.value)


def two_nights(**beside: Any) -> dict[str, Any]:
    """Return an invented document of two nights, each with a track of stages and one of movement."""
    words, nights = ["wake", "light", "deep", "rem"], []
    for back in (1, 0):
        codes = "".join(str(words.index(stage)) for stage in (STAGES[::-1] if back else STAGES))
        stages = {"every": {"value": 0.5, "unit": "min"}, "seq": codes}
        movement = {"every": {"value": 0.5, "unit": "min"}, "seq": "0123" * (len(codes) // 4)}
        bed = {"from": (START - timedelta(days=back)).isoformat()}
        nights.append({"bed": bed, "tracks": {"stages": stages, "movement": movement}})
    return {"legend": {"stages": dict(enumerate(words))}, "person": {"nights": nights}, **beside}


def test_of_several_nights_and_tracks_one_is_proposed_and_the_others_are_comments(tmp_path: Path) -> None:
    path = write(tmp_path, [json.dumps(two_nights())], "night.json")
    proposal, values = proposed(path)
    given = {key: values[key] for key in ("records", "stage", "epoch_seconds", "shape")}
    tracks = "person.nights[{}].tracks.stages"
    assert (given["stage"], given["epoch_seconds"], given["shape"]) == ("seq", 30.0, "runs")
    text = layout_text(proposal)
    assert "epoch_seconds = 30.0    # as the file says beside the rows: every" in text or "epoch_seconds = 30 " in text
    before = (START - timedelta(days=1)).isoformat()
    assert given["records"] == tracks.format(1)
    assert f'# records = "{tracks.format(0)}"    # or this, with begins = "{before}"' in text
    assert f"    # the latest of 2 nights, which begin from {before} to {START.isoformat()}" in text
    assert values["begins"] == START.isoformat()
    last = parse_layout(
        f'epoch_seconds = 30\n[file]\nrecords = "{tracks.format(1)}"\nshape = "runs"\nstage = "seq"\n'
        f'begins = "{START.isoformat()}"\n[stages]\n0 = "wake"\n1 = "light"\n2 = "deep"\n3 = "rem"\n'.encode(),
        "given.toml",
    )
    assert read(path, last) == STAGES


def test_a_beginning_that_stayed_when_another_night_was_chosen_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, [json.dumps(two_nights())], "night.json")
    text, before = layout_text(proposed(path)[0]), (START - timedelta(days=1)).isoformat()
    text = text.replace('records = "person.nights[1]', 'records = "person.nights[0]', 1)
    with pytest.raises(FileFormatError, match="the beginning is that of another night") as caught:
        read_spans(path, layout=parse_layout(text.encode(), "given.toml"))
    assert caught.value.found == f"{START}, as 'from' beside person.nights[1].tracks.stages says"
    assert f"Correct 'begins' in the layout to {before}" in str(caught.value)
    corrected = parse_layout(text.replace(f'begins = "{START.isoformat()}', f'begins = "{before}').encode(), "a.toml")
    assert read_spans(path, layout=corrected).start == START - timedelta(days=1)
    # a clock that somebody knows better than the file does is that person's to tell
    later = parse_layout(text.replace(f'begins = "{START.isoformat()}', 'begins = "2026-03-13T22:59:00').encode(), "")
    assert read_spans(path, layout=later).start == datetime(2026, 3, 13, 22, 59)


def many_nights(folder: Path, form: str, nights: int = 12) -> Path:
    """Return an invented file of nights a day apart, the newest at START, whose rows begin at a time of some form."""
    out = []
    for back in reversed(range(nights)):
        moments = [moment - timedelta(days=back) for moment in MOMENTS]
        shown = [moment.strftime(form) for moment in moments] if form else [30 * i for i in range(len(moments))]
        rows = [{"t": time, "says": stage} for time, stage in zip(shown, STAGES, strict=False)]
        out.append({"start": moments[0].isoformat(), "score": back, "rows": rows})
    return write(folder, [json.dumps({"made by": "pad B", "nights": out})], "nights.json")


@pytest.mark.parametrize("form", ["", "%H:%M:%S", "%I:%M:%S %p"])
def test_of_many_nights_the_one_nearest_to_the_reference_is_proposed_and_the_latest_without_one(
    tmp_path: Path, form: str
) -> None:
    path = many_nights(tmp_path, form)
    for near, night in ((None, 11), (START - timedelta(days=8, hours=3), 3), (START + timedelta(days=90), 11)):
        proposal = propose_layout(path, near=near)
        assert proposal is not None
        text, begins = layout_text(proposal), START - timedelta(days=11 - night)
        assert (
            f'\nrecords = "nights[{night}].rows"    # the {"nearest" if night == 3 else "latest"} of 12 nights' in text
        )
        assert "which begin from 2026-03-03T23:01:30 to 2026-03-14T23:01:30" in text
        assert text.count("# or this, with begins = ") == 8
        assert read_spans(path, layout=proposal.layout()).start == begins


def test_nights_whose_rows_tell_their_dates_are_read_together(tmp_path: Path) -> None:
    path = many_nights(tmp_path, "%Y-%m-%dT%H:%M:%S")
    proposal, values = proposed(path)
    assert values["records"] == "nights.rows"
    spans = read_spans(path, layout=proposal.layout())
    assert float(spans.duration_s.sum()) == 12 * 30 * len(STAGES)
    assert spans.start == START - timedelta(days=11)


def test_the_command_for_a_layout_names_the_time_of_the_reference(tmp_path: Path) -> None:
    device = many_nights(tmp_path, "")
    begin = START - timedelta(days=4, minutes=7)
    rows = [f"{(begin + timedelta(seconds=30 * i)).isoformat()},{stage}" for i, stage in enumerate(STAGES)]
    reference = write(tmp_path, ["time,stage", *rows], "reference.csv")
    refused = ended("night", reference, device, code=1)
    assert "--near 2026-03-10T22:54 --write-layout" in refused.stderr
    layout = tmp_path / "device.toml"
    ended("inspect", device, "--near", "2026-03-10T22:54", "--write-layout", layout)
    scored = json.loads(ended("night", reference, device, "--layout", layout, "--json", "-").stdout)
    assert scored["inputs"]["device"]["start"].startswith("2026-03-10T23:01:30")


@pytest.mark.parametrize(
    "records", ["person.nights.tracks.*", "person.nights.tracks.stages", "person.nights[0].tracks.*"]
)
def test_tracks_and_nights_without_times_are_never_chained(tmp_path: Path, records: str) -> None:
    path = write(tmp_path, [json.dumps(two_nights())], "night.json")
    text = f'epoch_seconds = 30\n[file]\nrecords = "{records}"\nshape = "runs"\nstage = "seq"\n[stages]\n'
    layout = parse_layout((text + '0 = "wake"\n1 = "light"\n2 = "deep"\n3 = "rem"\n').encode(), "given.toml")
    with pytest.raises(FileFormatError, match="the path leads to several lists") as caught:
        read_spans(path, layout=layout)
    assert "person.nights[0].tracks.stages" in caught.value.found


def test_a_list_has_no_element_behind_its_last(tmp_path: Path) -> None:
    layout = parse_layout(b'[file]\nrecords = "person.nights[2].tracks.stages"\n', "given.toml")
    with pytest.raises(FileFormatError, match="no such element") as caught:
        read_spans(write(tmp_path, [json.dumps(two_nights())], "night.json"), layout=layout)
    assert (caught.value.where, caught.value.found) == ("person.nights", "'[2]'")


@pytest.mark.parametrize(("foot", "label"), [("Yhteensä;;8 t 8 min;", ""), ("Summa;;8 t 8 min;Total", "Total")])
def test_rows_below_the_table_without_a_time_are_dropped_and_told(tmp_path: Path, foot: str, label: str) -> None:
    path = write(tmp_path, [*finnish(" klo ", closing=False), foot])
    proposal, values = proposed(path)
    assert (values["time"], values["duration"]) == ("%d.%m.%Y klo %H.%M.%S", "Kesto")
    told = "once" if label else "1 row without a label, such as empty cells or null"
    assert f'"{label}" = "not-a-stage"    # {told}; only below the table, without a time' in layout_text(proposal)
    spans = read_spans(path, layout=proposal.layout())
    assert float(spans.duration_s.sum()) == 30 * len(STAGES)
    assert "1 row below the table dropped: no time, and a label that is no stage" in said(spans.notes)


def test_the_cells_of_a_form_to_tell_are_never_empty(tmp_path: Path) -> None:
    proposal, _ = proposed(write(tmp_path, [*finnish(" alkoivat ", closing=False), "Yhteensä;;8 t 8 min;"]))
    (time,) = [s for s in proposal.blanks if s.key == "time"]
    assert len(time.shown) == 2
    assert all(time.shown)


def test_lines_that_begin_with_a_number_sign_are_comments_above_and_below_a_table(tmp_path: Path) -> None:
    rows = [f"{moment.isoformat()}|{stage}" for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True)]
    above, below = ["# Export, made by pad B", "# one; row an epoch"], ["# wake = awake, light = light, no more"]
    path = write(tmp_path, [*above, "time|stage", *rows, *below])
    assert read(path, Layout()) == STAGES
    assert "3 lines that begin with # taken for comments" in said(read_spans(path).notes)
    named = write(tmp_path, ["#|time|stage", *(f"{i}|{row}" for i, row in enumerate(rows))], "numbered.csv")
    assert read(named, Layout()) == STAGES
    assert "#" not in "".join(said(read_spans(named).notes))


@pytest.mark.parametrize("mark", ["X", "1"])
def test_a_column_for_each_stage_is_refused_by_its_name(tmp_path: Path, mark: str) -> None:
    names = ["wake", "light", "deep", "rem"]
    rows = [
        ",".join([moment.isoformat(), *(mark if stage == name else "" for name in names)])
        for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True)
    ]
    path = write(tmp_path, ["time,Despierto,Ligero,Profundo,REM", *rows])
    with pytest.raises(FileFormatError, match="the table has one column for each stage") as caught:
        read_spans(path)
    assert caught.value.found == "'Despierto', 'Ligero', 'Profundo', 'REM'"
    assert 'stage_columns = ["Despierto", "Ligero", "Profundo", "REM"]' in caught.value.remedy


def test_marks_beside_a_column_of_stages_are_passed_over(tmp_path: Path) -> None:
    rows = [
        f"{moment.isoformat()},{stage},{int(stage == 'wake')},{int(stage == 'light')},{int(stage == 'deep')}"
        for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True)
    ]
    assert read(write(tmp_path, ["time,stage,wake,light,deep", *rows]), Layout()) == STAGES


def test_of_several_sheets_a_layout_is_written_that_names_the_one_of_the_night(tmp_path: Path) -> None:
    book = pytest.importorskip("openpyxl").Workbook()
    book.active.append(["Score", 82])
    night = book.create_sheet("Detail")
    night.append(["time", "Despierto", "Ligero", "Profundo", "REM"])
    for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True):
        night.append([moment, *("X" if stage == name else None for name in ("wake", "light", "deep", "rem"))])
    book.save(tmp_path / "night.xlsx")
    result = run("inspect", tmp_path / "night.xlsx", "--write-layout", tmp_path / "night.toml")
    assert result.exit_code == 0, result.stderr
    assert 'sheet = "Detail"' in (tmp_path / "night.toml").read_text("utf-8")
    assert read(tmp_path / "night.xlsx", parse_layout((tmp_path / "night.toml").read_bytes(), "")) == STAGES


@pytest.mark.parametrize("torn_at", [3, 40])
def test_rows_above_one_that_lacks_a_cell_are_no_lines_above_the_table(torn_at: int, tmp_path: Path) -> None:
    """Else a layout would skip them, and read the rest of the night without a word."""
    rows = [f"run-1\t{30 * i}\t{'WN123'[i // 7 % 5]}" for i in range(120)]
    rows[torn_at] = rows[torn_at].replace("\t", " ", 1)
    path = tmp_path / "torn.tsv"
    path.write_text("\n".join(["run\tstart_sec\tstage", *rows]) + "\n")
    proposal = propose_layout(path)
    assert proposal is None or "skip_lines" not in {setting.key for setting in proposal.settings}
    with pytest.raises(FileFormatError, match=f"line {torn_at + 2}: the row has too few cells"):
        read_spans(path)


@pytest.mark.parametrize("form", ["%H.%M", "%H,%M", "%H%M"])
def test_numbers_that_are_a_clock_are_read_as_one_and_a_gap_stays_one(form: str, tmp_path: Path) -> None:
    # rows of a minute, of which half an hour is missing: were they counted, all behind it would be early
    begins = datetime(2026, 3, 14, 23, 40)
    minutes = [m for m in range(400) if not 100 <= m < 130]
    rows = [f"{begins + timedelta(minutes=m):{form}};{STAGES[m]}" for m in minutes]
    path = write(tmp_path, ["Klokke;Fase", *rows])
    proposal, values = proposed(path)
    assert (values["start"], values["time"], values.get("shape")) == ("Klokke", form, None)
    spans = read_spans(path, layout=proposal.layout({"begins": begins.isoformat()}))
    assert (spans.start, spans.end_s) == (begins, 400 * 60)
    assert float(spans.duration_s.sum()) == len(minutes) * 60


@pytest.mark.parametrize(
    "numbers",
    [
        [f"{0.25 * i:.2f}" for i in range(200)],  # hours or minutes since the start, evenly
        [f"{12 + 0.37 * (i * 7 % 30):.2f}" for i in range(200)],  # a measurement
        [f"{i}.{i % 60:02d}" for i in range(8)],  # too few to tell
        [f"{1000 + 3 * i}" for i in range(200)],  # counted
        [f"{900 + i * i % 1300}" for i in range(200)],  # a measurement
    ],
)
def test_numbers_are_no_clock_unless_all_say_so(numbers: list[str]) -> None:
    assert see_column("", numbers).kind is ColumnKind.NUMBERS


def test_a_clock_of_numbers_ends_above_the_sums_below_the_table(tmp_path: Path) -> None:
    begins = datetime(2026, 3, 14, 23, 40)
    rows = [f"{begins + timedelta(minutes=m):%H.%M};{STAGES[m]};{60 + m % 7}" for m in range(400)]
    path = write(tmp_path, ["Klokke;Fase;Puls", *rows, "Sum;400;"])
    proposal, values = proposed(path)
    assert (values["foot"], values["start"], values["time"]) == ("Sum", "Klokke", "%H.%M")
    assert read_spans(path, layout=proposal.layout({"begins": begins.isoformat()})).end_s == 400 * 60


def test_what_leads_up_to_a_legend_is_no_code(tmp_path: Path) -> None:
    codes = {"wake": "7", "light": "2", "deep": "5", "rem": "0"}
    rows = [f"{moment:%Y-%m-%d %H:%M:%S};{codes[stage]}" for moment, stage in zip(MOMENTS[:-1], STAGES, strict=True)]
    title = "All clocks are the ship's. Fase: 7 = wake, 2 = light, 5 = deep, 0 = REM"
    path = write(tmp_path, [title, "Tid;Fase", *rows])
    proposal, _ = proposed(path)
    assert {m.label: m.word for m in proposal.labels} == {"7": "W", "2": "light", "5": "N3", "0": "R"}
    assert after_answers(path) == STAGES


def test_a_moment_beside_the_rows_of_a_night_is_shown_whatever_its_field_is_called(tmp_path: Path) -> None:
    nights = [
        {"køye": f"2026-03-{day}T22:50:00", "faser": [[30 * i, 30, stage] for i, stage in enumerate(STAGES[day:])]}
        for day in (16, 15, 14)
    ]
    path = tmp_path / "night.json"
    path.write_text(json.dumps({"laget": "2026-04-01T09:00:00", "netter": nights}), encoding="utf-8")
    proposal = propose_layout(path, near=datetime(2026, 3, 15, 22, 40))
    assert proposal is not None
    told = {s.key: s for s in proposal.settings}
    assert told["records"].value == "netter[1].faser"
    assert {o.value: o.begins for o in told["records"].others} == {
        "netter[0].faser": "2026-03-16T22:50:00", "netter[2].faser": "2026-03-14T22:50:00"
    }  # fmt: skip
    assert (told["begins"].value, told["begins"].shown) == (None, ("netter.køye = 2026-03-15T22:50:00",))
    latest = propose_layout(path)
    assert latest is not None
    assert {s.key: s.value for s in latest.settings}["records"] == "netter[0].faser"
    with pytest.raises((ClockError, EpochGridError, FileFormatError), match="netter"):
        read_spans(path, layout=proposal.layout({"begins": "2026-03-14T22:50:00"}))


def test_the_last_change_of_a_night_ends_where_somebody_got_up_and_not_on_the_next_evening(tmp_path: Path) -> None:
    rows, nights = [], []
    for day in (14, 15):
        begins = datetime(2026, 3, day, 23, 0)
        changes = [("wake", 0), ("light", 12), ("deep", 40), ("light", 90), ("wake", 400), ("got up", 420)]
        rows += [f"{begins + timedelta(minutes=m):%Y-%m-%d %H:%M:%S},{label}" for label, m in changes]
        nights.append(begins)
    path = write(tmp_path, ["time,stage", *rows])
    layout = parse_layout(b'[file]\nshape = "intervals"\n[stages]\n"got up" = "not-a-stage"\n', "layout.toml")
    spans = read_spans(path, layout=layout)
    assert spans.start == nights[0]
    assert spans.end_s == (24 * 60 + 420) * 60
    assert float(spans.duration_s.sum()) == 2 * 420 * 60
    assert "1 row ended by the row below that is no stage: the next stage is over 6 h away" in said(spans.notes)


@pytest.mark.parametrize("closing", ["unscored", "not-a-stage"])
def test_a_last_change_to_nothing_closes_the_night(tmp_path: Path, closing: str) -> None:
    begins = datetime(2026, 3, 14, 23, 0)
    changes = [("20", 0), ("10", 12), ("30", 40), ("0", 420)]
    path = write(tmp_path, ["moment,kode", *(f"{begins + timedelta(minutes=m)},{label}" for label, m in changes)])
    text = f"""[file]\nstart = "moment"\nstage = "kode"\nshape = "intervals"
[stages]\n10 = "wake"\n20 = "light"\n30 = "deep"\n0 = "{closing}"\n"""
    spans = read_spans(path, layout=parse_layout(text.encode(), "layout.toml"))
    assert (spans.start, spans.end_s, spans.duration_s.tolist()) == (begins, 420 * 60, [720.0, 1680.0, 22800.0])


def test_a_sheet_with_a_summary_above_times_of_day_is_read_after_one_round(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    above = [("Night report",), (), ("Night of", datetime(2026, 3, 14)), ("To bed", MOMENTS[0].time(), None, "Up", 7)]
    above += [("Deep", "1 h 20 min", None, "share", 0.2), ("Light", "4 h", None, "share", 0.6)] * 3 + [()]
    for row in (*above, ("From", "Till", "Fase", "Pulse")):
        book.active.append(row)
    for i, (label, epochs) in enumerate(BOUTS):
        book.active.append((MOMENTS[EDGES[i]].time(), MOMENTS[EDGES[i + 1]].time(), label, 50 + epochs))
    path = tmp_path / "night.xlsx"
    book.save(path)
    proposal, values = proposed(path)
    assert (values["stage"], values["start"], values["end"]) == ("Fase", "From", "Till")
    begins = next(s for s in proposal.settings if s.key == "begins")
    assert any("2026-03-14" in shown for shown in begins.shown)
    assert after_answers(path, begins=START.isoformat()) == STAGES


@pytest.mark.parametrize(
    ("date", "form"),
    [
        ("{d:02}.{m:02}.31", "%d.%m.%y"),
        ("31.{m:02}.{d:02}", "%y.%m.%d"),
        ("{d}/{m} 2031", "%d/%m %Y"),
        ("{m}-{d} 2031", "%m-%d %Y"),
        ("den {d}/{m} 2031", "den %d/%m %Y"),
    ],
)
def test_dates_beside_times_are_read_in_the_one_form_in_which_they_are_a_night(
    tmp_path: Path, date: str, form: str
) -> None:
    moments = [datetime(2031, 9, 19, 23, 3) + timedelta(minutes=5 * i) for i in range(90)]
    words = [("vågen", "sover let", "sover dybt")[i // 7 % 3] for i in range(90)]
    rows = [f"{date.format(d=t.day, m=t.month)};kl. {t:%H.%M};{word}" for t, word in zip(moments, words, strict=True)]
    path = write(tmp_path, ["Kahytten; dæk 2; uge 38", "dag;tid;hvad", *rows])
    proposal, values = proposed(path)
    assert (values["date"], values["time"]) == ("dag", f"{form} kl. %H.%M")
    assert (proposal.blanks, proposal.blank_labels) == ((), ())
    spans = read_spans(path, layout=parse_layout(layout_text(proposal).encode(), "band.toml"))
    assert spans.start == moments[0]
    assert [spans.stages[code] for code in spans.codes.tolist()] == [
        {"vågen": "W", "sover let": "light", "sover dybt": "N3"}[word] for word in words
    ]


def test_a_legend_as_wide_as_the_table_explains_codes_beside_marks_that_are_words(tmp_path: Path) -> None:
    rows = [f"06.09.31;0{i // 12}:{5 * (i % 12):02};{-(i // 5 % 3)};{50 + i % 9}" for i in range(60)]
    foot = ["", "0 - wach; -1 - leicht; -2 - tief; -7 - Traumschlaf"]
    path = tmp_path / "nacht.csv"
    lines = ["Tag;Zeit;Stufe;Puls", "06.09.31;00:00;Koje gerichtet;", *rows, *foot]
    path.write_bytes("\n".join(lines).encode("cp1252"))
    proposal, values = proposed(path)
    assert [(m.label, m.word) for m in proposal.labels] == [
        ("Koje gerichtet", ""),
        ("0", "wake"),
        ("-1", "light"),
        ("-2", "deep"),
    ]
    assert proposal.is_readable
    assert values["time"] is None  # the same day in every row: any order may be meant
    spans = read_spans(path, layout=proposal.layout({"time": "%d.%m.%y %H:%M"}, {"Koje gerichtet": "not-a-stage"}))
    assert spans.start == datetime(2031, 9, 6)


@pytest.mark.parametrize("name", ["+{}", "{} min", "t{}"])
def test_a_table_with_a_night_in_each_row_is_called_so(tmp_path: Path, name: str) -> None:
    header = ",".join(["noche", *(name.format(5 * i) for i in range(90))])
    rows = [
        ",".join([f"2031-09-0{n}", *(("despierto", "ligero")[(i + n) // 9 % 2] for i in range(90))]) for n in (1, 2)
    ]
    path = write(tmp_path, [header, *rows])
    assert proposed(path)[1]["shape"] == "across"
    for layout in ("# nothing\n", f'[file]\nstart = "noche"\nstage = "{name.format(0)}"\n'):
        with pytest.raises(FileFormatError, match="each row seems to be a night, and each column a time"):
            read_spans(path, layout=parse_layout(layout.encode(), "band.toml"))


BARS = [
    f"| {begin:%d.%m.%Y} | {begin:%H.%M.%S} | {label} | {epochs // 2} min {epochs % 2 * 30} s |"
    for begin, (label, epochs) in zip((MOMENTS[edge] for edge in EDGES), BOUTS, strict=False)
]


@pytest.mark.parametrize("name", ["natt.md", "natt.txt", "natt.utskrift", "natt"])
@pytest.mark.parametrize("rule", ["|---|---|---|---|", "| :--- | :-: | --- | ---: |", "+------+----+------+------+"])
def test_a_table_of_markdown_with_the_newest_row_first_is_read_in_one_round(
    tmp_path: Path, name: str, rule: str
) -> None:
    lines = ["| dag | fra | fase | varighet |", rule, *BARS[::-1], "| i alt | | | 6 h |"]
    path = write(tmp_path, [rule, *lines] if "+" in rule else lines, name)
    proposal, values = proposed(path)
    keys = ("start", "date", "stage", "duration", "foot", "skip_lines", "begins", "header")
    assert [values.get(key) for key in keys] == [
        "fra",
        "dag",
        "fase",
        "varighet",
        "i alt",
        1 if "+" in rule else None,
        None,
        None,
    ]
    assert {m.label for m in proposal.labels} == {"wake", "light", "deep", "rem"}
    assert after_answers(path) == STAGES
    notes = {note.kind: dict(note.values) for note in read_spans(path, layout=proposal.layout({})).notes}
    assert notes[NoteKind.RULED_LINES] == {"count": 1}
    assert NoteKind.BLANK_ROWS not in notes


@pytest.mark.parametrize(
    "lines",
    [
        ["fase;lys", "---;---", "---;---", "rem;on"],  # epochs without a stage
        ["fase;lys", "rem;on", "---;---", "rem;on"],  # not below the names
        ["fase;lys", "-;-", "rem;on"],
        ["fase", "---", "rem"],
        ["fase;lys", "---;on", "rem;on"],
    ],
)
def test_what_may_be_a_label_is_no_rule(lines: list[str]) -> None:
    assert without_rules(lines) == (lines, 0)


def test_a_long_line_that_begins_like_a_rule_is_gone_over_once(tmp_path: Path) -> None:
    """Trying each of its dashes for the one that makes it a rule would take minutes."""
    path = write(tmp_path, ["stage,time", "wake,2031-03-14T23:10:00", "-" * 130_000 + "x,2031-03-14T23:10:30"])
    with pytest.raises(UnknownStageError):
        read_spans(path)


def printed(rows: list[str], names: str, *, title: str = "Søvnlogg – side {}") -> list[str]:
    pages = [rows[i : i + 57] for i in range(0, len(rows), 57)]
    return [line for n, page in enumerate(pages, 1) for line in (title.format(n), names, *page, "")]


def test_names_that_every_printed_page_repeats_are_left_out_with_their_titles(tmp_path: Path) -> None:
    rows = [
        f"{moment:%Y-%m-%d %H:%M:%S}\t{stage}\t{50 + i % 9}"
        for i, (moment, stage) in enumerate(zip(MOMENTS, STAGES, strict=False))
    ]
    lines = printed(rows, "Tidspunkt\tFase\tPuls")
    path = tmp_path / "natt.txt"
    path.write_bytes("\r\n".join(lines).encode("utf-16"))
    proposal, values = proposed(path)
    assert (values["skip_lines"], values["start"], values["stage"], values.get("foot")) == (
        1,
        "Tidspunkt",
        "Fase",
        None,
    )
    assert after_answers(path) == STAGES
    told = [n for n in read_spans(path, layout=proposal.layout({})).notes if n.kind is NoteKind.PAGE_HEADS]
    pages = -(-len(STAGES) // 57)
    assert [dict(n.values) for n in told] == [{"count": pages - 1, "lines": 2 * (pages - 1)}]

    at = lines.index("Søvnlogg – side 3")  # the row above it is torn: it is no title
    torn = [*lines[: at - 2], lines[at - 2].partition("\t")[0], *lines[at:]]
    path.write_bytes("\r\n".join(torn).encode("utf-16"))
    with pytest.raises(FileFormatError, match=rf"line {at - 1}: the row has too few cells"):
        read_spans(path, layout=proposal.layout({}))


def test_a_row_below_the_first_line_of_a_foot_is_never_left_out(tmp_path: Path) -> None:
    names = ["| dag | fra | fase | varighet |", "|---|---|---|---|"]
    keys = 'delimiter = "|"\nstart = "fra"\ndate = "dag"\nstage = "fase"\nduration = "varighet"\n'
    layout = parse_layout(f'[file]\n{keys}time = "%d.%m.%Y %H.%M.%S"\nfoot = "i alt"'.encode(), "given.toml")
    total = "| i alt | | | 6 h |"
    assert read(write(tmp_path, [*names, *BARS, total, "| rem | | | 1 h |"]), layout) == STAGES
    path = write(tmp_path, [*names, *BARS[:-11], total, *BARS[-11:]])
    line = len(names) + len(BARS) - 11 + 1
    with pytest.raises(FileFormatError, match=rf"line {line + 1}: below what 'foot' names .* begins line {line}\."):
        read_spans(path, layout=layout)


@pytest.mark.parametrize("lines", [["Logg, køye, uke 9", "dag, klokke, hendelse"], ["søvn, natt, +0, +5"]])
def test_where_no_column_is_known_the_command_that_writes_a_layout_is_told(tmp_path: Path, lines: list[str]) -> None:
    rows = [f"x{i}, y{i % 3}, z{i % 5}{', q' * (len(lines) == 1)}" for i in range(9)]
    device = write(tmp_path, [*lines, *rows], "logg.txt")
    lab = write(tmp_path, ["time,stage", *(f"{m:%Y-%m-%dT%H:%M:%S},W" for m in MOMENTS)], "lab.csv")
    result = run("night", str(lab), str(device))
    assert result.exit_code == 1
    assert f"sleepagree inspect {device} --write-layout logg.toml" in result.stderr


def test_days_beside_nights_choose_one_and_refuse_the_beginning_of_another(tmp_path: Path) -> None:
    # the newest night first, day before month, as the 22nd tells; the rows tell times of day alone
    rows = [{"kl": f"{m:%H.%M.%S}", "fase": s} for m, s in zip(MOMENTS[:-1], STAGES, strict=True)]
    nights = [{"dag": f"{day}-03-2026", "rader": rows} for day in (22, 14, 12)]
    path = tmp_path / "night.json"
    path.write_text(json.dumps({"natter": nights}), encoding="utf-8")
    near = propose_layout(path, near=datetime(2026, 3, 14, 23, 10))
    assert near is not None
    told = {s.key: s for s in near.settings}
    assert told["records"].value == "natter[1].rader"
    assert {(o.value, o.day) for o in told["records"].others} == {
        ("natter[0].rader", "22-03-2026"), ("natter[2].rader", "12-03-2026")
    }  # fmt: skip
    assert told["begins"].shown == ("14-03-2026",)
    assert read(path, near.layout({"begins": "2026-03-14T23:00:00"})) == STAGES
    latest = propose_layout(path)
    assert latest is not None
    assert {s.key: s.value for s in latest.settings}["records"] == "natter[0].rader"
    with pytest.raises(FileFormatError, match="the beginning is that of another night"):
        read_spans(path, layout=near.layout({"begins": "2026-03-22T23:00:00"}))


def test_a_beginning_just_after_the_first_time_of_day_is_refused(tmp_path: Path) -> None:
    rows = [f"{m:%H:%M:%S},{s}" for m, s in zip(MOMENTS[:-1], STAGES, strict=True)]
    path = write(tmp_path, ["Time,Stage", *rows])
    assert after_answers(path, begins=START.isoformat()) == STAGES
    with pytest.raises(ClockError, match="the first row comes nearly a day after the beginning"):
        after_answers(path, begins=(START + timedelta(seconds=30)).isoformat())


@pytest.mark.parametrize(
    "line",
    [
        "{t:%H:%M:%S} {to}",
        "{t:%H:%M:%S} -> {to}",
        "{t:%H:%M:%S}:  {to}",
        "{t:%H:%M:%S} {before} → {to}",
        "{t:%Y-%m-%d} {t:%H:%M:%S} — {to}",
        "{t:%I:%M:%S %p} => {to}",
    ],
)
def test_lines_that_begin_with_their_times_are_read_after_one_round(tmp_path: Path, line: str) -> None:
    names = {"wake": "wide awake", "light": "light sleep", "deep": "deep sleep", "rem": "REM", "up": "out of bunk 2"}
    states = [*(label for label, _ in BOUTS), "up"]
    rows = [
        line.format(t=MOMENTS[edge], to=names[state], before=names[before])
        for edge, state, before in zip(EDGES, states, ["up", *states], strict=False)
    ]
    path = write(tmp_path, ["Diary of the second watch", "", *rows, "", "drawn by hand"], "diary.txt")
    proposal, values = proposed(path)
    assert (values["delimiter"], values["shape"]) == ("after times", "intervals")
    blanks = {s.key for s in proposal.blanks}
    assert blanks <= {"begins"}
    meanings = {"wide awake": "wake", "out of bunk 2": "not-a-stage"}
    layout = proposal.layout(dict.fromkeys(blanks, START.isoformat()), meanings)
    assert read(path, layout) == STAGES


def test_lines_of_words_and_numbers_are_no_diary(tmp_path: Path) -> None:
    path = write(tmp_path, ["wake 30", "light 60", "deep 90", "light 30", "rem 60"] * 12, "night.txt")
    proposal = propose_layout(path)
    assert proposal is None or all(s.value != "after times" for s in proposal.settings)


@pytest.mark.parametrize("words", [{}, {"wake": "A", "light": "L", "deep": "P", "rem": "S"}])
def test_of_two_people_in_columns_somebody_says_whose_to_read(tmp_path: Path, words: dict[str, str]) -> None:
    """Each column could be of the person who wore the reference, and neither is written in."""
    other = STAGES[::-1]
    rows = [
        f"{m:%Y-%m-%d %H:%M:%S},{words.get(b, b)},{words.get(a, a)},{50 + i % 9}"
        for i, (m, a, b) in enumerate(zip(MOMENTS[:-1], STAGES, other, strict=True))
    ]
    path = write(tmp_path, ["Hora,Tomé,Marília,pulso", *rows])
    proposal, _ = proposed(path)
    (blank,) = proposal.blanks
    assert (blank.key, [choice.value for choice in blank.others]) == ("stage", ["Tomé", "Marília"])
    assert read(path, proposal.layout({"stage": "Marília"}, {v: k for k, v in words.items()})) == STAGES
    assert read(path, proposal.layout({"stage": "Tomé"}, {v: k for k, v in words.items()})) == other


def test_moments_without_a_place_ask_for_it_in_the_same_round(tmp_path: Path) -> None:
    """The other side may be a recording whose clock tells no zone."""
    rows = [f"{m:%Y-%m-%dT%H:%M:%S}Z,{s}" for m, s in zip(MOMENTS[:-1], STAGES, strict=True)]
    device = write(tmp_path, ["quando,fase", *rows])
    reference = write(
        tmp_path,
        [
            "time,stage",
            *(f"{m + timedelta(hours=2):%Y-%m-%d %H:%M:%S},{s}" for m, s in zip(MOMENTS, STAGES, strict=False)),
        ],
        "lab.csv",
    )
    proposal, _ = proposed(device)
    assert [blank.key for blank in proposal.blanks] == ["zone"]
    layout = tmp_path / "device.toml"
    layout.write_text(layout_text(proposal, {"zone": "Europe/Helsinki"}), encoding="utf-8")
    result = run("night", reference, device, "--layout", layout, "--json", "-")
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    assert told["mappings"][0]["accuracy"] == 1.0
    assert any("taken for that of Europe/Helsinki" in note for note in told["ledger"]["notes"])
    layout.write_text(
        layout.read_text("utf-8").replace('zone = "Europe/Helsinki"', "").replace("zone =", "# "), "utf-8"
    )
    refused = run("night", reference, device, "--layout", layout, "--json", "-")
    assert refused.exit_code == 1
    assert "--reference-zone" in refused.stderr


def test_times_of_a_clock_that_is_changed_in_the_night_are_placed_by_their_reader(tmp_path: Path) -> None:
    """The zone beside the device's moments places the start of the other file, which is not enough here."""
    begin = datetime(2026, 3, 28, 20, 0) - MOMENTS[0]
    zone = ZoneInfo("Europe/Helsinki")
    moments = [(m + begin).replace(tzinfo=UTC) for m in MOMENTS[:-1]]
    nights = [
        write(tmp_path, ["time,stage", *(f"{m:{form}},{s}" for m, s in zip(told, STAGES, strict=True))], name)
        for name, form, told in (
            ("lab.csv", "%Y-%m-%d %H:%M:%S", [m.astimezone(zone) for m in moments]),
            ("device.csv", "%Y-%m-%dT%H:%M:%SZ", moments),
        )
    ]
    layout = tmp_path / "device.toml"
    layout.write_text('[file]\nzone = "Europe/Helsinki"\n', encoding="utf-8")
    refused = run("night", *nights, "--layout", layout)
    assert refused.exit_code == 1
    assert "the clock is changed in this night" in refused.stderr
    placed = run("night", *nights, "--layout", layout, "--reference-zone", "Europe/Helsinki", "--json", "-")
    assert json.loads(placed.stdout)["mappings"][0]["accuracy"] == 1.0
