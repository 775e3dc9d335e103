"""Several nights or people in one table: one is chosen, or the file is refused; they are never laid over each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.errors import EpochGridError, InputError, SleepAgreeError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.layout import Layout, Overlaps, Shape, parse_layout
from sleepagree.readers.proposing.layout_proposal import Choice, LayoutProposal
from sleepagree.readers.proposing.proposal import propose_layout
from tests.commands import run

START = datetime(2031, 5, 7, 22, 40)
#: Night -> code of each minute; 0 awake, 1 light, 2 deep, 3 REM. The last is the shortest.
LENGTHS = {"1": 420, "2": 390, "3": 301}
TRUE = {"0": "W", "1": "light", "2": "N3", "3": "R"}
WORDS = ("valve", "kevyt", "syvä", "rem")
MEANINGS = {"0": "wake", "1": "light", "2": "deep", "3": "rem"}


def codes_of(night: str, minutes: int) -> list[str]:
    """Return codes that differ from night to night, in runs of 3 to 11 minutes."""
    drawn = np.random.default_rng(int(night))
    codes: list[str] = []
    while len(codes) < minutes:
        codes += [str(drawn.integers(4))] * int(drawn.integers(3, 12))
    return codes[:minutes]


NIGHTS = {night: codes_of(night, minutes) for night, minutes in LENGTHS.items()}


def rows_of(order: str = "123", cell: Callable[[int], object] = str) -> list[list[str]]:
    """Return night, time, stage and two measured values of every minute, as the nights are ordered."""
    return [
        [night, str(cell(i)), code, str(52 + (7 * i + int(night)) % 19), str(i * int(night) % 5)]
        for night in order
        for i, code in enumerate(NIGHTS[night])
    ]


def write(folder: Path, rows: list[list[str]], head: str = "yö;minuutti;vaihe;syke;liike", above: str = "") -> Path:
    path = folder / "yot.csv"
    path.write_text("\n".join([*([above] if above else []), head, *(";".join(row) for row in rows)]) + "\n")
    return path


def layout(**more: Any) -> Layout:
    told = {"start": "minuutti", "stage": "vaihe", "time": "elapsed-min", "begins": START, "delimiter": ";"}
    return Layout(**(told | more), stages=MEANINGS)


def stages(path: Path, how: Layout) -> list[str]:
    """Return the stage of every minute, each checked to follow the one before it."""
    spans = read_spans(path, layout=how)
    assert spans.start == START
    assert spans.onset_s.tolist() == [60.0 * i for i in range(spans.onset_s.size)]
    return [spans.stages[code] for code in spans.codes.tolist()]


def truth(night: str) -> list[str]:
    return [TRUE[code] for code in NIGHTS[night]]


@pytest.mark.parametrize("order", ["123", "321", "132"])
@pytest.mark.parametrize("overlaps", list(Overlaps))
@pytest.mark.parametrize("is_counted", [False, True])
def test_nights_are_never_laid_over_each_other(
    tmp_path: Path, order: str, overlaps: Overlaps, *, is_counted: bool
) -> None:
    counted = {"start": None, "time": None, "epoch_number": "minuutti", "epoch_seconds": 60.0}
    how = {"overlaps": overlaps} | (counted if is_counted else {})
    path = write(tmp_path, rows_of(order))
    with pytest.raises(EpochGridError) as caught:
        read_spans(path, layout=layout(**how))
    error, second = caught.value, len(NIGHTS[order[0]]) + 2
    assert (
        error.problem == "the times start again where another column changes, so the file holds more than one recording"
    )
    assert error.where == f"line {second}, column 'yö'"
    assert 'Say which to read: [file] night_column = "yö" and night.' in str(error)
    assert "overlaps" not in str(error) + error.settled_by
    for night in order:
        assert stages(path, layout(**how, night_column="yö", night=night)) == truth(night)


@pytest.mark.parametrize("overlaps", list(Overlaps))
def test_nights_that_no_column_tells_apart_are_refused_too(tmp_path: Path, overlaps: Overlaps) -> None:
    path = write(tmp_path, [row[1:] for row in rows_of()], "minuutti;vaihe;syke;liike")
    with pytest.raises(EpochGridError) as caught:
        read_spans(path, layout=layout(overlaps=overlaps))
    assert caught.value.problem == "the times start again, so the file holds more than one recording"
    assert (caught.value.where, caught.value.found) == ("line 422", "0 s after 25140 s")
    assert (caught.value.settled_by, "overlaps" in str(caught.value)) == ("", False)


def test_a_night_that_stands_twice_in_a_file_is_read_once(tmp_path: Path) -> None:
    once = [row[1:] for row in rows_of("2")]
    path = write(tmp_path, once + once, "minuutti;vaihe;syke;liike")
    assert stages(path, layout()) == truth("2")


def test_rows_that_correct_others_may_win(tmp_path: Path) -> None:
    mended = [[row[0], row[1], str((int(row[2]) + 1) % 4), *row[3:]] for row in rows_of("2")[300:]]
    path = write(tmp_path, [row[1:] for row in rows_of("2") + mended], "minuutti;vaihe;syke;liike")
    expected = truth("2")[:300] + [TRUE[row[2]] for row in mended]
    assert stages(path, layout(overlaps=Overlaps.LATER_WINS)) == expected


def test_short_wakes_over_long_stages_are_layers_of_one_night(tmp_path: Path) -> None:
    rows = [["stages", str(60 * i), "60", "1"] for i in range(6)]
    rows += [["short", str(60 * i + 20), "2", "0"] for i in range(6)]
    path = write(tmp_path, rows, "layer;minuutti;min;vaihe")
    how = layout(duration="min", duration_unit=60.0, overlaps=Overlaps.SHORTER_WINS)
    spans = read_spans(path, layout=how)
    wake = spans.codes == spans.stages.index("W")
    assert (spans.onset_s[wake] / 60).tolist() == [60 * i + 20 for i in range(6)]
    assert float(spans.duration_s.sum()) == 6 * 3600


def moments(cell: int) -> datetime:
    return START + timedelta(minutes=cell)


@pytest.mark.parametrize("is_mixed", [False, True])
@pytest.mark.parametrize("overlaps", list(Overlaps))
def test_people_of_one_night_are_told_apart(tmp_path: Path, overlaps: Overlaps, *, is_mixed: bool) -> None:
    names = {"1": "deck", "2": "engine"}
    rows = [[names[row[0]], *row[1:]] for row in rows_of("12", moments)]
    rows = sorted(rows, key=lambda row: row[1]) if is_mixed else rows
    path = write(tmp_path, rows, "who;when;vaihe;syke;liike")
    how = {"start": "when", "time": None, "begins": None, "overlaps": overlaps}
    with pytest.raises(EpochGridError, match=r'\[file\] person_column = "who" and person\.'):
        read_spans(path, layout=layout(**how))
    assert stages(path, layout(**how, person_column="who", person="engine")) == truth("2")


@pytest.mark.parametrize("overlaps", [Overlaps.LATER_WINS, Overlaps.SHORTER_WINS])
def test_a_column_of_a_parquet_table_tells_people_apart_too(tmp_path: Path, overlaps: Overlaps) -> None:
    pytest.importorskip("pyarrow")
    rows = [(row[0], moments(int(row[1])), row[2]) for row in rows_of("12")]
    pd.DataFrame(rows, columns=["who", "when", "vaihe"]).to_parquet(tmp_path / "yot.parquet")
    how = {"start": "when", "time": None, "begins": None, "overlaps": overlaps}
    with pytest.raises(EpochGridError, match="column 'who': the times start again"):
        read_spans(tmp_path / "yot.parquet", layout=layout(**how))


@pytest.mark.parametrize("overlaps", list(Overlaps))
def test_nights_whose_rows_alternate_are_refused_without_a_column_too(tmp_path: Path, overlaps: Overlaps) -> None:
    rows = sorted((row[1:] for row in rows_of()), key=lambda row: int(row[0]))
    with pytest.raises(EpochGridError, match="the times start again, so the file holds more than one recording"):
        read_spans(write(tmp_path, rows, "minuutti;vaihe;syke;liike"), layout=layout(overlaps=overlaps))


def test_dates_that_a_sheet_stores_as_such_choose_a_night(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    made = openpyxl.Workbook()
    made.active.append(["päivä", "minuutti", "vaihe"])
    for night, minute, code, *_ in rows_of():
        made.active.append([START.replace(hour=0, minute=0) + timedelta(days=int(night)), int(minute), int(code)])
    made.save(tmp_path / "yot.xlsx")
    proposal, values = proposed(tmp_path / "yot.xlsx")
    (night,) = [setting for setting in proposal.blanks if setting.key == "night"]
    assert values["night_column"] == "päivä"
    assert [choice.value for choice in night.others] == ["2031-05-08", "2031-05-09", "2031-05-10"]
    answers = {"night": "2031-05-09", "begins": START.isoformat()}
    assert stages(tmp_path / "yot.xlsx", proposal.layout(answers, MEANINGS)) == truth("2")


def proposed(path: Path, given: bytes = b"") -> tuple[LayoutProposal, dict[str, Any]]:
    proposal = propose_layout(path, layout=parse_layout(given, "given.toml") if given else None)
    assert proposal is not None
    return proposal, {setting.key: setting.value for setting in proposal.settings}


@pytest.mark.parametrize("order", ["123", "321"])
def test_the_column_of_nights_is_proposed_with_what_each_holds(tmp_path: Path, order: str) -> None:
    path = write(tmp_path, rows_of(order))
    proposal, values = proposed(path)
    assert (values["night_column"], values["night"], values["stage"]) == ("yö", None, "vaihe")
    asked = next(setting for setting in proposal.blanks if setting.key == "night")
    assert asked.others == tuple(
        Choice(night, f"with {LENGTHS[night]} rows from 0 to {LENGTHS[night] - 1}") for night in order
    )
    written = layout_text(proposal)
    assert all(f'#     "{night}"    with {LENGTHS[night]} rows' in written for night in order)
    assert "overlaps =" not in written
    every = [code for codes in NIGHTS.values() for code in codes]
    assert {label.label: label.rows for label in proposal.labels} == {code: every.count(code) for code in TRUE}
    filled = layout_text(proposal, {"night": "3", "begins": START.isoformat()}, MEANINGS)
    assert stages(path, parse_layout(filled.encode(), "yot.toml")) == truth("3")


GIVEN = b"""[file]
start = "minuutti"
stage = "vaihe"
time = "elapsed-min"
begins = "2031-05-07T22:40:00"
delimiter = ";"
%s
[stages]
0 = "wake"
1 = "light"
2 = "deep"
3 = "rem"
"""


@pytest.mark.parametrize("more", [b"", b'overlaps = "later-wins"', b'night_column = "y\xc3\xb6"'])
def test_a_layout_written_from_one_that_lacks_the_night_asks_for_it_and_serves(tmp_path: Path, more: bytes) -> None:
    path = write(tmp_path, rows_of())
    given, written = tmp_path / "given.toml", tmp_path / "written.toml"
    given.write_bytes(GIVEN % more)
    result = run("inspect", path, "--layout", given, "--write-layout", written)
    assert result.exit_code == 0
    text = written.read_text()
    assert text.count('\nnight_column = "yö"') == text.count('\nnight = ""') == 1
    assert stages(path, parse_layout(text.replace('night = ""', 'night = "2"').encode(), "w.toml")) == truth("2")


def test_people_and_nights_together_choose(tmp_path: Path) -> None:
    rows = [[who, night, *row[1:]] for who in ("deck", "engine") for night in "12" for row in rows_of(night)]
    for row in rows:
        row[3] = str((int(row[3]) + (row[0] == "engine")) % 4)
    path = write(tmp_path, rows, "who;yö;minuutti;vaihe;syke;liike")
    with pytest.raises(EpochGridError, match='person_column = "who" and person, night_column = "yö" and night'):
        read_spans(path, layout=layout())
    proposal, values = proposed(path)
    assert (values["person_column"], values["night_column"]) == ("who", "yö")
    answers = {"person": "engine", "night": "2", "begins": START.isoformat()}
    shifted = [TRUE[str((int(code) + 1) % 4)] for code in NIGHTS["2"]]
    assert stages(path, proposal.layout(answers, MEANINGS)) == shifted


@pytest.mark.parametrize("head", ["yö;vaihe", "yö;lasten;vaihe"])
def test_a_column_that_numbers_nights_is_asked_where_no_row_tells_a_time(tmp_path: Path, head: str) -> None:
    rows = [[row[0], row[2]] for row in rows_of()]
    if "lasten" in head:  # how many minutes each stage lasts; where a night begins, its stage stands twice
        rows = [[night, str(3 + i % 5), WORDS[i % 4]] for night in "123" for i in range(41)]
    path = write(tmp_path, rows, head)
    proposal, values = proposed(path)
    assert values["night_column"] == "yö"
    units = {"duration_unit": "min"} if "lasten" in head else {}
    assert {setting.key for setting in proposal.blanks} == {"night", "begins", *units}
    written = layout_text(proposal, units | {"night": "2", "begins": START.isoformat()}, MEANINGS)
    assert stages_read(path, written) == [
        (TRUE | dict(zip(WORDS, TRUE.values(), strict=True)))[row[-1]] for row in rows if row[0] == "2"
    ]


def stages_read(path: Path, written: str) -> list[str]:
    spans = read_spans(path, layout=parse_layout(written.encode(), "written.toml"))
    return [spans.stages[code] for code in spans.codes.tolist()]


def test_values_that_stand_in_one_block_each_come_after_those_that_come_back(tmp_path: Path) -> None:
    rows = [[str(1 + i // 130), f"{moments(i)}", code, str(90 + i % 7)] for i, code in enumerate(NIGHTS["2"])]
    proposal, values = proposed(write(tmp_path, rows, "vaihto;aika;koodi;happi"))
    assert values["stage"] == "koodi"
    stage = next(setting for setting in proposal.settings if setting.key == "stage")
    assert stage.others == (Choice("happi"), Choice("vaihto"))


@pytest.mark.parametrize(
    "above",
    [
        "0 = hereillä, 1 = kevyt, 2 = syvä, 3 = REM",
        "Vaihe: hereillä=0; kevyt=1; syvä=2; REM=3",
        "0: valve 1: kevyt 2: syvä 3: rem",
    ],
)
def test_a_legend_above_the_table_names_its_codes(tmp_path: Path, above: str) -> None:
    proposal, _ = proposed(write(tmp_path, rows_of(), above=above))
    assert {label.label: TRUE[label.label] for label in proposal.labels} == TRUE
    known = {label.label: label.word for label in proposal.labels if label.word}
    assert known.items() <= {"0": "wake", "1": "light", "2": "deep", "3": "R"}.items()
    assert len(known) >= 3
    assert all(label.called for label in proposal.labels)


@pytest.mark.parametrize(
    "above", ["made 2031-05-08 07:10 on deck 3", "0 = wake, 1 = light", "0 = wake, 1 = light, 2 = x, 4 = y"]
)
def test_what_is_no_legend_of_all_codes_names_none(tmp_path: Path, above: str) -> None:
    proposal, _ = proposed(write(tmp_path, rows_of(), above=above))
    assert not any(label.called or label.word for label in proposal.labels)


def book(path: Path) -> Path:
    openpyxl = pytest.importorskip("openpyxl")
    made = openpyxl.Workbook()
    made.active.title = "Yöt"
    made.active.append(["yö", "nukkumaan", "mittaaja"])
    for night in "123":
        made.active.append([int(night), START + timedelta(days=int(night) - 1), "Aino"])
    sheet = made.create_sheet("Minuutit")
    sheet.append(["Keksitty laite, 0 = hereillä, 1 = kevyt, 2 = syvä, 3 = REM"])
    sheet.append(["yö", "minuutti", "vaihe", "syke", "liike"])
    for row in rows_of():
        sheet.append([int(cell) for cell in row])
    made.save(path)
    return path


def test_a_book_of_several_sheets_and_nights_is_read_after_one_round(tmp_path: Path) -> None:
    path, written = book(tmp_path / "yot.xlsx"), tmp_path / "yot.toml"
    reference = write(tmp_path, [[str(moments(i)), TRUE[code]] for i, code in enumerate(NIGHTS["1"])], "time;stage")
    refused = run("night", reference, path, "--no-input")
    assert refused.exit_code == 1
    assert "more than one sheet holds something" in refused.stderr
    assert f"sleepagree inspect {path} --write-layout yot.toml" in refused.stderr.replace("\n", "")
    run("inspect", path, "--write-layout", written)
    text = written.read_text()
    assert 'sheet = "Minuutit"' in text
    assert "1: 2031-05-07T22:40:00, 2: 2031-05-08T22:40:00" in text
    assert "Aino" not in text
    blank = next(line for line in text.splitlines() if line.startswith("begins"))
    text = text.replace('\nnight = ""', '\nnight = "1"').replace(blank, f'begins = "{START.isoformat()}"')
    text = "\n".join(f'{line[:6]}"wake"' if line.startswith('"0" = ""') else line for line in text.splitlines())
    assert stages(path, parse_layout(text.encode(), "yot.toml")) == truth("1")


@pytest.mark.parametrize(
    ("more", "problem", "expected"),
    [
        ({"night_column": "yö"}, "the rows are of 3 nights", "one night"),
        ({"night_column": "yö", "night": "4"}, "no row is of the night to read", "rows of '4'"),
        ({"night": "2"}, "the layout names a night and no column of nights", "both"),
    ],
)
def test_a_night_that_is_not_told_or_not_there_is_named(
    tmp_path: Path, more: dict[str, Any], problem: str, expected: str
) -> None:
    with pytest.raises(SleepAgreeError) as caught:
        read_spans(write(tmp_path, rows_of()), layout=layout(**more))
    assert isinstance(caught.value, InputError)
    assert problem in str(caught.value)
    assert f"xpected {expected}." in str(caught.value)


def test_labels_are_counted_by_rows(tmp_path: Path) -> None:
    rows = [row[1:3] for row in rows_of("2")]
    how = layout(shape=Shape.EPOCHS)
    seen = inspect_file(write(tmp_path, rows, "minuutti;vaihe"), layout=how)
    assert {label.label: label.rows for label in seen.labels} == {c: NIGHTS["2"].count(c) for c in TRUE}


def test_a_day_that_is_still_to_be_told_is_not_shown(tmp_path: Path) -> None:
    rows = [[f"{moments(i):%H:%M:%S}", "wxyz"[int(code)]] for i, code in enumerate(NIGHTS["2"])]
    result = run("inspect", write(tmp_path, rows, "kello;tila"), "--json", tmp_path / "seen.json")
    assert "begins        22:40:00, on a day that is to be filled in" in result.stdout
    assert "2000-01" not in result.stdout + (tmp_path / "seen.json").read_text()


@pytest.mark.parametrize(
    ("head", "key", "values"),
    [
        ("yö;vaihe", "night", ("1", "2")),
        ("päivä;vaihe", "night", ("2031-09-01", "2031-09-02")),
        ("kuka;vaihe", "person", ("deck", "engine")),
    ],
)
def test_long_blocks_without_times_are_asked_for(tmp_path: Path, head: str, key: str, values: tuple[str, str]) -> None:
    """Two nights of four hours, of which the second alone holds a label "Odd"."""
    first = [WORDS[i // 7 % 4] for i in range(480)]
    second = [WORDS[i // 5 % 4] for i in range(479)] + ["Odd"]
    rows = [[value, word] for value, words in zip(values, (first, second), strict=True) for word in words]
    path = write(tmp_path, rows, head)
    alone = parse_layout(
        b'epoch_seconds = 30\n[file]\nshape = "epochs"\nstage = "vaihe"\nbegins = 2031-09-01\n', "l.toml"
    )
    if key != "night" or "-" not in values[0]:  # a column of dates is refused before
        with pytest.raises(EpochGridError, match=f'(?s)line 482.*no row tells a time.*{key}_column = "{head[:-6]}"'):
            read_spans(
                path, layout=replace(alone, stages=dict(zip((*WORDS, "Odd"), [*TRUE.values(), "W"], strict=True)))
            )
    proposal, told = proposed(path)
    assert told[f"{key}_column"] == head[:-6]
    assert {setting.key for setting in proposal.blanks} == {key, "begins"}
    assert "Odd" in {label.label for label in proposal.labels}
    assert told["epoch_seconds"] == 60  # a night of eight hours
    layout = proposal.layout({key: values[1], "begins": START.isoformat()}, {**MEANINGS, "Odd": "wake"})
    spans = read_spans(path, layout=layout)
    assert spans.end_s - spans.onset_s[0] == 480 * 60
    assert spans.labels[spans.codes[-1]] == "Odd"


def test_short_blocks_such_as_cycles_are_one_recording(tmp_path: Path) -> None:
    path = write(tmp_path, [[str(1 + i // 160), WORDS[i // 7 % 4]] for i in range(960)], "jakso;vaihe")
    proposal, _ = proposed(path)
    assert {setting.key for setting in proposal.blanks} == {"begins"}
    spans = read_spans(path, layout=proposal.layout({"begins": START.isoformat()}, MEANINGS))
    assert spans.end_s - spans.onset_s[0] == 960 * 30


@pytest.mark.parametrize("later", [600, 607])
@pytest.mark.parametrize("order", ["oldest", "newest"])
@pytest.mark.parametrize("column", ["%d.%m.%Y;%p %I:%M:%S", "%d.%m.%Y %H:%M:%S"])
@pytest.mark.parametrize("who", [("Ayla", "Deniz"), ("1", "2")])
def test_how_long_rows_last_is_told_by_the_rows_of_one_person(
    tmp_path: Path, later: int, order: str, column: str, who: tuple[str, str]
) -> None:
    """Rows of two people who sleep at the same time follow each other in no way; some may begin together, or none."""
    words = ["Uyanık", "Hafif uyku", "Derin uyku", "REM"]
    rows, nights = [], {}
    for number, person in enumerate(who):
        moment, spans = datetime(2026, 3, 1, 22, 50) + timedelta(seconds=later * number), []
        for i in range(60):
            label, minutes = words[(i + i // 7 + number) % 4], 2 + (i * (7 + number) % 23) / 2
            rows.append((moment, person, minutes, label))
            spans.append((moment, minutes * 60, label))
            moment += timedelta(minutes=minutes)
        nights[person] = spans
    rows.sort(key=lambda row: row[:2], reverse=order == "newest")
    cells = [f"{w};{t:{column}};{n:g};{s}".replace("AM", "ÖÖ").replace("PM", "ÖS") for t, w, n, s in rows]
    path = tmp_path / "uyku.csv"
    path.write_text("\n".join([f"kim;{'gün;' * (';' in column)}saat;süre;evre", *cells]) + "\n", encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    (blank,) = proposal.blanks
    assert sorted(other.value for other in blank.others) == sorted(who)
    for person, truth in nights.items():
        text = layout_text(proposal, {blank.key: person})
        spans = read_spans(path, layout=parse_layout(text.encode(), "uyku.toml"))
        assert spans.start == truth[0][0]
        read = zip(spans.onset_s.tolist(), spans.duration_s.tolist(), spans.codes.tolist(), strict=True)
        assert [(truth[0][0] + timedelta(seconds=a), b, spans.labels[c]) for a, b, c in read] == truth


def test_a_blank_person_is_refused_with_those_that_there_are(tmp_path: Path) -> None:
    """Nothing else is proposed: the blank stands in the layout, and is filled in there."""
    path, layout = tmp_path / "band.csv", tmp_path / "band.toml"
    rows = [f"2026-03-01T22:{m}:00,{who},wake" for m in range(30, 50) for who in ("Deck", "Stoker")]
    path.write_text("\n".join(["time,who,stage", *rows]) + "\n", encoding="utf-8")
    layout.write_text('[file]\nperson_column = "who"\nperson = ""\n', encoding="utf-8")
    result = run("night", path, path, "--layout", layout, "--reference-layout", layout)
    told = "column 'who': it is not told whose rows to read. Found 'Deck', 'Stoker'; expected one person of 2."
    assert result.exit_code == 1
    assert result.stderr.endswith(
        f"{told} Fill in 'person' in the layout, for instance\n    [file]\n    person = \"Deck\"\n"
    )
    assert result.stderr.count("\n") == 3
    proposal = propose_layout(path, layout=parse_layout(layout.read_bytes(), "band.toml"))
    assert proposal is not None
    assert [blank.key for blank in proposal.blanks] == ["person"]
