"""Lines of logs, all invented: the stage among other words, lines of other kinds between, an hour of codes a line."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from sleepagree.caution import NoteKind
from sleepagree.errors import FileFormatError, UnknownStageError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import parse_layout
from sleepagree.readers.log_lines import part_after_times
from sleepagree.readers.proposing.proposal import propose_layout
from sleepagree.readers.table.reader import codes_of_texts
from tests.readers.test_odd_exports import BOUTS, EDGES, MOMENTS, STAGES, START, proposed, read, write

SPOKEN = {"wake": "awake", "light": "light sleep", "deep": "deep sleep", "rem": "REM sleep"}


def log(line: str, *, other: str = "", bouts: int = len(BOUTS)) -> list[str]:
    """Return a line for each change of stage, and after every second one a line of another kind."""
    rows = []
    for i, (edge, (label, _)) in enumerate(zip(EDGES, BOUTS[:bouts], strict=False)):
        before = SPOKEN[BOUTS[i - 1][0]]
        rows.append(line.format(t=MOMENTS[edge], to=SPOKEN[label], before=before, n=50 + i % 23))
        if other and i % 2:
            rows.append(other.format(t=MOMENTS[edge] + timedelta(seconds=11), n=90 - i % 40))
    return [*rows, f"{MOMENTS[EDGES[-1]]:%Y-%m-%d %H:%M:%S} the mat is empty"]


@pytest.mark.parametrize(
    ("line", "form"),
    [
        ("{t:%Y-%m-%d %H:%M:%S} state changed to {to} (pulse {n})", "state changed to {stage} (pulse #)"),
        ("[{t:%Y-%m-%d %H:%M:%S}] bunk: {to}, pulse {n}.5", "bunk: {stage}, pulse #"),
        ("{t:%Y-%m-%d %H:%M:%S} {before} -> {to} (pulse {n})", "{stage} (pulse #)"),
        ("{t:%Y-%m-%d %H:%M:%S} state={to} pulse={n}", "state={stage} pulse=#"),
    ],
)
@pytest.mark.parametrize("other", ["", "{t:%Y-%m-%d %H:%M:%S} battery {n} %"])
def test_the_stage_is_found_among_other_words(tmp_path: Path, line: str, form: str, other: str) -> None:
    path = write(tmp_path, log(line, other=other), "bunk.log")
    proposal, values = proposed(path)
    assert values["stage_form"] == form
    assert not proposal.blanks
    kinds = {label.label: label.word for label in proposal.labels if label.is_beside}
    # what has no number in it may say that nothing was recorded from there on
    assert kinds == {"the mat is empty": ""} | ({"battery # %": "not-a-stage"} if other else {})
    for word in ("not-a-stage", "unscored"):
        assert read(path, proposal.layout({}, {"the mat is empty": word})) == STAGES


def test_a_stage_by_itself_among_lines_of_other_kinds(tmp_path: Path) -> None:
    other = "{t:%Y-%m-%d %H:%M:%S} cabin {n}.5 degrees, {n} % damp"
    path = write(tmp_path, log("{t:%Y-%m-%d %H:%M:%S} {to}", other=other), "bunk.log")
    proposal, values = proposed(path)
    assert values["stage_form"] == "{stage}"
    assert [label.label for label in proposal.blank_labels] == ["the mat is empty"]
    assert read(path, proposal.layout({}, {"the mat is empty": "not-a-stage"})) == STAGES


def test_of_two_stages_in_a_line_nobody_but_a_person_knows_which_begins(tmp_path: Path) -> None:
    path = write(tmp_path, log("{t:%Y-%m-%d %H:%M:%S} bunk is {to} now, was {before} (pulse {n})"), "bunk.log")
    proposal, _ = proposed(path)
    (blank,) = proposal.blanks
    forms = [choice.value for choice in blank.others]
    assert forms == ["bunk is {stage} now, was * (pulse #)", "bunk is * now, was {stage} (pulse #)"]
    assert read(path, proposal.layout({"stage_form": forms[0]}, {"the mat is empty": "not-a-stage"})) == STAGES


def test_a_line_about_a_lost_signal_is_asked_for_and_ends_the_stage(tmp_path: Path) -> None:
    rows = log("{t:%Y-%m-%d %H:%M:%S} state changed to {to} (pulse {n})")
    lost, back = START + timedelta(seconds=30 * EDGES[40] + 60), START + timedelta(seconds=30 * EDGES[41])
    rows[41:41] = [f"{lost:%Y-%m-%d %H:%M:%S} signal lost", f"{back:%Y-%m-%d %H:%M:%S} signal is back"]
    path = write(tmp_path, rows, "bunk.log")
    proposal, values = proposed(path)
    assert values["shape"] == "intervals"
    asked = ["signal lost", "signal is back", "the mat is empty"]
    assert [label.label for label in proposal.blank_labels] == asked
    layout = proposal.layout({}, dict.fromkeys(asked, "unscored"))
    spans = read_spans(path, layout=layout)
    assert NoteKind.UNSCORED_AT_STAGE in {note.kind for note in spans.notes}
    told = {round(a): spans.stages[c] for a, c in zip(spans.onset_s, spans.codes, strict=True)}
    assert told[30 * EDGES[40] + 60] == "unscored"
    assert told[30 * EDGES[41]] == {"wake": "W", "light": "light", "deep": "N3", "rem": "R"}[BOUTS[41][0]]


def test_a_line_that_says_a_stage_in_other_words_is_asked_for(tmp_path: Path) -> None:
    rows = log("{t:%Y-%m-%d %H:%M:%S} state changed to {to} (pulse {n})")
    rows[8] = rows[8].replace("state changed to", "after a gap:")
    path = write(tmp_path, rows, "bunk.log")
    proposal, _ = proposed(path)
    blank, closing = proposal.blank_labels
    assert blank.label.startswith("after a gap: ")
    with pytest.raises(UnknownStageError, match="after a gap"):
        read_spans(path, layout=proposal.layout({}, {closing.label: "not-a-stage"}))


def test_a_new_kind_of_line_is_never_dropped_in_silence(tmp_path: Path) -> None:
    first = write(tmp_path, log("{t:%Y-%m-%d %H:%M:%S} state changed to {to} (pulse {n})"), "one.log")
    proposal, _ = proposed(first)
    rows = log("{t:%Y-%m-%d %H:%M:%S} state changed to {to} (pulse {n})", other="{t:%Y-%m-%d %H:%M:%S} step {n}")
    with pytest.raises(UnknownStageError, match=r"step #"):
        read_spans(write(tmp_path, rows, "two.log"), layout=proposal.layout({}, {"the mat is empty": "not-a-stage"}))


def test_a_column_of_stages_goes_before_remarks_with_words_for_stages(tmp_path: Path) -> None:
    rows = ["time,phase,remark"]
    for i, (edge, (label, _)) in enumerate(zip(EDGES, BOUTS, strict=False)):
        remark = f"turned over {i} times; said to be {SPOKEN[label]}" if i % 3 == 0 else f"remark {i}"
        rows.append(
            f"{MOMENTS[edge]:%Y-%m-%d %H:%M:%S},{'WLDR'[['wake', 'light', 'deep', 'rem'].index(label)]},{remark}"
        )
    _, values = proposed(write(tmp_path, rows))
    assert values["stage"] == "phase"
    assert "stage_form" not in values


@pytest.mark.parametrize("form", ["no place", "{stage} and {stage}", "*{stage}", "{stage}*", ""])
def test_a_form_that_tells_no_place_is_refused(form: str) -> None:
    with pytest.raises(FileFormatError, match=r"state changed to \{stage\}"):
        parse_layout(f'[file]\nstage_form = "{form}"'.encode(), "bunk.toml")


def test_a_form_does_not_go_with_columns_of_marks() -> None:
    with pytest.raises(FileFormatError, match="one of the two keys"):
        parse_layout(b'[file]\nstage_form = "is {stage}"\nstage_columns = ["a", "b"]', "bunk.toml")


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        ("[14.3.31 23:01:30] light", ["14.3.31", "23:01:30", "light"]),
        ("11:01:30 μ.μ. βαθύς", ["11:01:30 μ.μ.", "βαθύς"]),
        ("11:01 p. m. ligero", ["11:01 p. m.", "ligero"]),
        ("오후 11:01 깊은 잠", ["오후 11:01", "깊은 잠"]),
        ("(23:01) wake → light", ["23:01", "light"]),
        ("23:01 wake 23:04 light", ["23:01", "wake 23:04 light"]),
        ("23:01 to 4.5 deep", ["23:01", "to 4.5 deep"]),
        ("[11:01 pm – 11:04 pm] light", ["11:01 pm - 11:04 pm", "light"]),
    ],
)
def test_times_at_the_beginning_of_a_line(line: str, cells: list[str]) -> None:
    assert part_after_times(line).split("\t") == cells


@pytest.mark.parametrize(
    ("line", "answers"),
    [
        ("{a:%H:%M:%S} - {b:%H:%M:%S} {stage}", {"begins": START.isoformat()}),
        ("{a:%H:%M:%S} – {b:%H:%M:%S}: {stage}", {"begins": START.isoformat()}),
        ("{a:%H:%M:%S} until {b:%H:%M:%S} {stage}", {"begins": START.isoformat()}),
        ("{a:%Y-%m-%d %H:%M:%S} -> {b:%Y-%m-%d %H:%M:%S} {stage}", {}),
        ("{a:%Y-%m-%d %H:%M:%S} to {b:%H:%M:%S} {stage}", {}),
    ],
)
def test_a_range_at_the_beginning_of_a_line_keeps_its_end(tmp_path: Path, line: str, answers: dict[str, str]) -> None:
    """Every second row of a diary of band A is left out, so that none ends where the next begins."""
    bouts = list(zip(pairwise(EDGES), BOUTS, strict=True))[::2]
    path = write(tmp_path, [line.format(a=MOMENTS[a], b=MOMENTS[b], stage=stage) for (a, b), (stage, _) in bouts])
    proposal, values = proposed(path)
    assert values["start"] == values["end"]
    spans = read_spans(path, layout=proposal.layout(answers))
    assert spans.start == START
    assert (spans.onset_s / 30).tolist() == [float(a) for (a, _), _ in bouts]
    assert (spans.duration_s / 30).tolist() == [float(epochs) for _, (_, epochs) in bouts]


@pytest.mark.parametrize("line", ["{} - {} {}", "{}-{} {}", "{}-{},{}"])
def test_a_first_row_whose_stage_stands_nowhere_else_is_no_row_of_names(tmp_path: Path, line: str) -> None:
    rows = [
        ("22:30", "22:39", "wake"),
        ("22:41", "23:03", "light"),
        ("23:10", "23:24", "deep"),
        ("23:24", "23:30", "light"),
    ]
    proposal, values = proposed(write(tmp_path, [line.format(*row) for row in rows]))
    assert (values["start"], values["end"], values["header"]) == ("1", "1", False)
    spans = read_spans(tmp_path / "night.csv", layout=proposal.layout({"begins": "2026-03-01T22:30:00"}))
    assert (spans.duration_s / 60).tolist() == [9.0, 22.0, 14.0, 6.0]


HOURS = ["WWNNNSSSMM", "NNNNNSSSSS", "NNSSSMMMMN", "SSNNNNNNNN", "MMMMMNNNNN", "NNNNNSSSSS"]


@pytest.mark.parametrize(("hour", "form"), [("{:02}h", "%Hh"), ("{:02}:00", None), ("{:02} Uhr", "%H Uhr")])
@pytest.mark.parametrize("gap", [" ", ""])
def test_an_hour_of_codes_a_line(tmp_path: Path, hour: str, form: str | None, gap: str) -> None:
    rows = [f"{hour.format((22 + h) % 24)}   {gap.join(HOURS[h % 6 :] + HOURS[: h % 6])}" for h in range(9)]
    above = ["Log of the second watch", "N = light sleep, S = deep sleep, M = REM, W = awake", ""]
    path = write(tmp_path, [*above, *rows, "", "Sum: 540 minutes"], "watch.txt")
    proposal, values = proposed(path)
    assert values.get("time") == form
    assert values["epoch_seconds"] == 60
    assert [s.key for s in proposal.blanks] == ["begins"]
    spans = read_spans(path, layout=proposal.layout({"begins": "2031-03-14T22:00:00"}))
    assert spans.start == datetime(2031, 3, 14, 22)
    assert int(spans.duration_s.sum()) == 540 * 60
    minute = 3 * 60 + 37  # of the fourth hour, "SSNNNNNNNN" first: the fourth group is HOURS[0], its eighth code S
    assert spans.stages[spans.codes[minute]] == "N3"


def test_codes_behind_an_hour_without_a_space_lose_no_line(tmp_path: Path) -> None:
    rows = [f"{(22 + h) % 24:02}:00{''.join(HOURS)}" for h in range(9)]
    proposal = propose_layout(write(tmp_path, rows, "watch.txt"))
    assert proposal is None or all(s.key != "skip_lines" for s in proposal.settings)


def test_words_for_codes_are_no_groups_of_characters() -> None:
    assert codes_of_texts(["awake awake light light", "light light awake"])[1] == ["light", "light", "awake"]


def test_a_night_of_a_log_begins_when_its_first_line_says(tmp_path: Path) -> None:
    line = "{t:%I:%M:%S %p} | state: {to} (pulse {n})"
    path = write(tmp_path, [*log(line)[:-1], f"{MOMENTS[EDGES[-1]]:%I:%M:%S %p} | the mat is empty"], "bunk.log")
    proposal, _ = proposed(path)
    assert [s.key for s in proposal.blanks] == ["begins"]
    answers = {"begins": START.isoformat()}
    assert read(path, proposal.layout(answers, {"the mat is empty": "not-a-stage"})) == STAGES


def test_texts_between_the_nights_of_a_diary_are_left_out(tmp_path: Path) -> None:
    times = [f"- {MOMENTS[edge]:%Y-%m-%d %H:%M:%S} – {label}" for edge, (label, _) in zip(EDGES, BOUTS, strict=False)]
    last = f"- {MOMENTS[EDGES[-1]]:%Y-%m-%d %H:%M:%S} – up"
    rows = ["# Diary", "", "As the mat showed it,", "copied by hand.", "", "## Before", "", *times[:40]]
    path = write(tmp_path, [*rows, "", "A quiet watch.", "", "## After", *times[40:], last], "diary.md")
    proposal, values = proposed(path)
    assert values["delimiter"] == "after times"
    layout = proposal.layout({}, {"up": "not-a-stage"})
    assert read(path, layout) == STAGES
    assert NoteKind.TEXT_LINES in {note.kind for note in read_spans(path, layout=layout).notes}


def test_of_two_nights_in_one_diary_the_texts_above_them_choose(tmp_path: Path) -> None:
    times = [f"- {MOMENTS[edge]:%H:%M:%S} – {label}" for edge, (label, _) in zip(EDGES, BOUTS, strict=False)]
    night = [*times, f"- {MOMENTS[EDGES[-1]]:%H:%M:%S} – up"]
    path = write(
        tmp_path, ["## Night of 13 March 2031", "", *night[3:], "", "## Night of 14 March 2031", "", *night], "diary.md"
    )
    proposal, values = proposed(path)
    assert values["night_column"] == "3"
    assert [choice.value for s in proposal.blanks if s.key == "night" for choice in s.others] == [
        "Night of 13 March 2031",
        "Night of 14 March 2031",
    ]
    answers = {"night": "Night of 14 March 2031", "begins": START.isoformat()}
    assert {s.key for s in proposal.blanks} == {*answers}
    assert read(path, proposal.layout(answers, {"up": "not-a-stage"})) == STAGES


def test_a_date_above_the_rows_of_a_diary_is_their_date(tmp_path: Path) -> None:
    times = [f"{MOMENTS[edge]:%H:%M:%S} {label}" for edge, (label, _) in zip(EDGES, BOUTS, strict=False)]
    path = write(
        tmp_path, ["13 March 2031", *times[3:], "06:59:00 up", "", "14 March 2031", *times, "07:00:00 up"], "diary.txt"
    )
    proposal, values = proposed(path)
    assert values["date"] == "3"
    assert [s.key for s in proposal.blanks] == ["night_of"]
    layout = proposal.layout({"night_of": "bed-day"}, {"up": "not-a-stage"})
    spans = read_spans(path, layout=layout)
    assert spans.start == datetime(2031, 3, 13, 23, 12, 30)


def test_a_line_without_a_time_among_others_may_be_torn(tmp_path: Path) -> None:
    rows = [f"{MOMENTS[edge]:%Y-%m-%d %H:%M:%S} {label}" for edge, (label, _) in zip(EDGES, BOUTS, strict=False)]
    layout = parse_layout(
        b'[file]\ndelimiter = "after times"\nheader = false\nshape = "intervals"\nstart = "2"\n'
        b'date = "1"\nstage = "3"\n[stages]\nup = "not-a-stage"',
        "diary.toml",
    )
    rows.append(f"{MOMENTS[EDGES[-1]]:%Y-%m-%d %H:%M:%S} up")
    assert read(write(tmp_path, rows), layout) == STAGES
    rows[30] = rows[30].split(" ")[-1]
    with pytest.raises(FileFormatError, match="too few cells"):
        read_spans(write(tmp_path, rows), layout=layout)


def test_columns_of_spaces_are_read_in_one_round(tmp_path: Path) -> None:
    gap = "   "
    names = {"wake": "wide awake", "light": "light sleep", "deep": "deep sleep", "rem": "REM sleep"}
    rows = [
        gap.join([f"{MOMENTS[edge]:%I:%M:%S %p}".ljust(14), names[label].ljust(12), str(50 + edge % 30)])
        for edge, (label, _) in zip(EDGES, BOUTS, strict=False)
    ]
    closing = gap.join([f"{MOMENTS[EDGES[-1]]:%I:%M:%S %p}", "out of bunk", "61"])
    above = ["Report of the mat", "=================", "", gap.join(["Time", "State of sleep", "Pulse"])]
    path = write(tmp_path, [*above, *rows, closing], "report.txt")
    proposal, values = proposed(path)
    assert values["delimiter"] == "spaces"
    assert (values["start"], values["stage"]) == ("Time", "State of sleep")
    assert [s.key for s in proposal.blanks] == ["begins"]
    layout = proposal.layout({"begins": START.isoformat()}, {"wide awake": "wake", "out of bunk": "not-a-stage"})
    assert read(path, layout) == STAGES


def test_rows_of_letters_in_groups_with_numbers_behind(tmp_path: Path) -> None:
    night = ("W" * 20 + "L" * 40 + "D" * 60 + "L" * 30 + "R" * 45) * 4
    rows = []
    for i in range(0, len(night), 20):
        time = (START + timedelta(seconds=30 * i)).strftime("%H:%M:%S")
        rows.append(f"{time}   {night[i : i + 10]} {night[i + 10 : i + 20]}    {60 - i % 7}")
    path = write(tmp_path, ["W = awake, L = light, D = deep, R = REM", "", "Time   Stages   Pulse", *rows], "night.txt")
    proposal, values = proposed(path)
    assert values["epoch_seconds"] == 30
    spans = read_spans(path, layout=proposal.layout({"begins": START.isoformat()}))
    words = {"W": "W", "light": "L", "N3": "D", "R": "R"}
    assert (
        "".join(words[spans.stages[c]] * round(d / 30) for c, d in zip(spans.codes, spans.duration_s, strict=True))
        == night
    )


def test_dates_set_off_in_a_log_are_those_of_the_rows_below_them(tmp_path: Path) -> None:
    """Turkish capitals, of which two have small letters of their own."""
    words = {"wake": "UYANIK", "light": "HAFİF", "deep": "DERİN", "rem": "REM"}
    rows, day = ["Günlük", ""], None
    for i, (edge, (label, _)) in enumerate(zip(EDGES, BOUTS, strict=False)):
        moment, before = MOMENTS[edge], words[BOUTS[i - 1][0]]
        if moment.date() != day:
            day = moment.date()
            rows.append(f"=== {day.day} {'Mart'} {day.year} ===")
        rows.append(f"{moment:%H:%M:%S}  EVRE   {before} -> {words[label]}  nabız={50 + i % 9}")
    rows += [f"{MOMENTS[EDGES[-1]]:%H:%M:%S}  KAYIT  bitti", "", "--- ÖZET ---", "REM : 1 sa 40 dk"]
    path = write(tmp_path, rows, "uyku.log")
    proposal, values = proposed(path)
    assert (values["date"], values["stage_form"]) == ("3", "{stage} nabız=#")
    assert not proposal.blanks
    assert [label.label for label in proposal.blank_labels] == ["KAYIT bitti"]
    assert read(path, proposal.layout({}, {"KAYIT bitti": "not-a-stage"})) == STAGES


def test_a_report_in_pages_with_numbered_rows_and_french_times(tmp_path: Path) -> None:
    """Names and a drawn line again on each page, a column of numbers first, columns of spaces."""
    words = {"wake": "Éveil", "light": "Sommeil léger", "deep": "Sommeil profond", "rem": "Sommeil paradoxal"}
    rows = []
    for i, (edge, (label, _)) in enumerate(zip(EDGES, BOUTS, strict=False)):
        if i % 48 == 0:
            title = f"RAPPORT DE NUIT                    Page {i // 48 + 1}/3"
            rows += ["", title, "", "  N°  De         À          Stade              FC", "-" * 60]
        begin, end = (f"{moment:%Hh%Mm%Ss}" for moment in (MOMENTS[edge], MOMENTS[EDGES[i + 1]]))
        rows.append(f"{i + 1:4}  {begin}  {end}  {words[label]:<18} {50 + i % 9},5")
    path = write(tmp_path, [*rows, "", "SYNTHÈSE", "Éveil : 40 min"], "rapport.txt")
    proposal, values = proposed(path)
    assert (values["start"], values["end"], values["time"]) == ("De", "À", "%Hh%Mm%Ss")
    assert [s.key for s in proposal.blanks] == ["begins"]
    assert read(path, proposal.layout({"begins": START.isoformat()})) == STAGES


def test_a_rare_row_and_one_that_shares_a_word_with_the_stages_are_asked_for(tmp_path: Path) -> None:
    """Getting up is wake, and stands in a row with a number as the stages do."""
    rows = log("{t:%Y-%m-%d %H:%M:%S} stage {to} conf={n}", other="{t:%Y-%m-%d %H:%M:%S} heat {n}")
    rows.insert(40, rows[40].partition(" conf")[0][:20] + "stage OUT_OF_BED, strap # 3")
    rows.insert(60, rows[60][:20] + "fan at 3")
    proposal, _ = proposed(write(tmp_path, rows, "bunk.log"))
    kinds = {label.label: label.word for label in proposal.labels if label.is_beside}
    assert kinds["heat #"] == "not-a-stage"
    assert [word for label, word in kinds.items() if label.startswith(("stage OUT", "fan"))] == ["", ""]


def test_numbers_with_a_dash_among_them_are_no_stages_beside_codes(tmp_path: Path) -> None:
    codes = {"wake": 0, "light": 2, "deep": 3, "rem": 1}
    rows = [
        f"{m:%Y-%m-%d %H:%M:%S},{'--' if i % 50 == 0 else 55 + i % 20},{codes[s]}"
        for i, (m, s) in enumerate(zip(MOMENTS[:-1], STAGES, strict=True))
    ]
    path = write(tmp_path, ["stages,0:wake 1:REM 2:light 3:deep", "", "when,pulse,phase", *rows])
    proposal, values = proposed(path)
    assert values["stage"] == "phase"
    assert read(path, proposal.layout()) == STAGES


def test_a_number_between_quotes_is_a_length_of_an_epoch() -> None:
    assert parse_layout(b'epoch_seconds = "30"', "bunk.toml").epoch_seconds == 30.0
    with pytest.raises(FileFormatError, match="a number of seconds"):
        parse_layout(b'epoch_seconds = "half"', "bunk.toml")
