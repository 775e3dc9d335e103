"""Tables in scripts with digits of their own, from right to left, and with years of another era: all invented."""

from __future__ import annotations

import datetime as dt
import json
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from sleepagree.caution import NoteKind
from sleepagree.errors import ClockError, SleepAgreeError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import parse_layout
from sleepagree.readers.proposing.proposal import propose_layout
from sleepagree.readers.times.words import with_plain_digits

BEGINS = dt.datetime(2026, 2, 28, 22, 30)
MOMENTS = [BEGINS + dt.timedelta(minutes=i) for i in range(240)]
WORDS = {
    "ARABIC-INDIC": ("مستيقظ", "نوم خفيف", "نوم عميق", "حلم"),
    "EXTENDED ARABIC-INDIC": ("بیدار", "خواب سبک", "خواب عميق", "رویا"),
    "DEVANAGARI": ("जागृत", "हल्की नींद", "गहरी नींद", "स्वप्न"),
    "BENGALI": ("জাগ্রত", "হালকা ঘুম", "গভীর ঘুম", "স্বপ্ন"),
    "THAI": ("ตื่น", "หลับตื้น", "หลับลึก", "หลับฝัน"),
}
STAGES = ["W", "light", "N3", "R"]


def in_script(text: str, script: str) -> str:
    """Return a text with the digits of a script, by their names in Unicode."""
    names = ("ZERO", "ONE", "TWO", "THREE", "FOUR", "FIVE", "SIX", "SEVEN", "EIGHT", "NINE")
    digits = {str(i): unicodedata.lookup(f"{script} DIGIT {name}") for i, name in enumerate(names)}
    return text.translate(str.maketrans(digits))


def table(folder: Path, script: str, cells: Callable[[int, dt.datetime], str], head: str) -> Path:
    rows = (f"{in_script(cells(i, moment), script)};{WORDS[script][i // 10 % 4]}" for i, moment in enumerate(MOMENTS))
    path = folder / "night.csv"
    path.write_text("\n".join([f"{head};x", *rows, ""]), encoding="utf-8")
    return path


def after_one_round(path: Path, **answers: Any) -> ScoredSpans:
    proposal = propose_layout(path)
    assert proposal is not None
    return read_spans(path, layout=proposal.layout({s.key: answers[s.key] for s in proposal.blanks}))


def check(spans: ScoredSpans, step_s: float = 60.0) -> None:
    assert spans.start == BEGINS
    assert [spans.stages[code] for code in spans.codes] == [STAGES[i // 10 % 4] for i in range(240)]
    assert spans.onset_s.tolist() == [step_s * i for i in range(240)]


def arabic(_: int, moment: dt.datetime) -> str:
    half = "م" if moment.hour >= 12 else "ص"
    return f"\u200f{moment.day}\u200f/{moment.month}\u200f/{moment.year}، {moment:%I:%M} {half}"


def buddhist(_: int, moment: dt.datetime) -> str:
    month = "ก.พ." if moment.month == 2 else "มี.ค."
    return f"{moment.day} {month} {moment.year + 543} {moment:%H:%M} น."


@pytest.mark.parametrize("script", WORDS)
def test_iso_times_in_digits_of_another_script_need_no_form(tmp_path: Path, script: str) -> None:
    spans = after_one_round(table(tmp_path, script, lambda _, moment: f"{moment:%Y-%m-%d %H:%M}", "a"))
    check(spans)
    (note,) = (note for note in spans.notes if note.kind is NoteKind.OTHER_DIGITS)
    assert in_script("0", script) in dict(note.values)["digits"]


@pytest.mark.parametrize(("script", "cells"), [("ARABIC-INDIC", arabic), ("THAI", buddhist)])
def test_dates_from_right_to_left_and_of_the_buddhist_era(
    tmp_path: Path, script: str, cells: Callable[[int, dt.datetime], str]
) -> None:
    check(after_one_round(table(tmp_path, script, cells, "a")))


@pytest.mark.parametrize("script", WORDS)
def test_numbers_of_epochs_and_decimals(tmp_path: Path, script: str) -> None:
    told = {"begins": BEGINS.isoformat(), "epoch_seconds": 30.0}
    check(after_one_round(table(tmp_path, script, lambda i, _: str(i + 1), "a"), **told), 30.0)
    minutes = table(tmp_path, script, lambda i, _: f"{i / 2:.1f}".replace(".", "\u066b"), "a")
    check(after_one_round(minutes, **told), 30.0)


def test_json_and_spreadsheets(tmp_path: Path) -> None:
    words = WORDS["ARABIC-INDIC"]
    rows = [
        (in_script(f"{moment:%Y-%m-%d %H:%M}", "ARABIC-INDIC"), f"\u202b{words[i // 10 % 4]}\u202c")
        for i, moment in enumerate(MOMENTS)
    ]
    records = tmp_path / "night.json"
    records.write_text(json.dumps([{"a": a, "b": b} for a, b in rows], ensure_ascii=False), encoding="utf-8")
    check(after_one_round(records))
    book = openpyxl.Workbook()
    for row in [("a", "b"), *rows]:
        book.active.append(row)
    book.save(tmp_path / "night.xlsx")
    check(after_one_round(tmp_path / "night.xlsx"))


def test_only_digits_marks_of_direction_and_the_decimal_sign_are_changed() -> None:
    text = "\u200fالمرحلة ٣\u200e، ١٫٥ ２２"
    plain, notes = with_plain_digits(text)
    assert plain == "المرحلة 3، 1.5 ２２"
    assert [dict(note.values) for note in notes] == [{"digits": "١ ٣ ٥"}]
    assert with_plain_digits("Größe ½ 午後") == ("Größe ½ 午後", ())


@pytest.mark.parametrize(
    ("cell", "form", "calendar"),
    [
        ("2569-03-01 22:30", "", "Buddhist era"),
        ("1.3.2569 22:30", "%d.%m.%Y %H:%M", "Buddhist era"),
        ("1404/12/10 22:30", "%Y/%m/%d %H:%M", "Persian or Islamic calendar"),
        ("1447-09-11 22:30", "", "Persian or Islamic calendar"),
    ],
)
def test_a_year_of_another_calendar_is_refused_and_named(tmp_path: Path, cell: str, form: str, calendar: str) -> None:
    path = tmp_path / "night.csv"
    path.write_text(f"time,stage\n{cell},wake\n{cell},light\n", encoding="utf-8")
    layout = parse_layout(f'[file]\ntime = "{form}"\n'.encode(), "night.toml") if form else None
    with pytest.raises(ClockError, match=f"a year that is one of the {calendar}") as caught:
        read_spans(path, layout=layout)
    assert ("%EY" in caught.value.remedy) is calendar.startswith("Buddhist")


def test_a_form_with_the_buddhist_era_reads_no_other_year(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_text("time,stage\n2026-03-01 22:30,wake\n2026-03-01 22:31,light\n", encoding="utf-8")
    with pytest.raises(SleepAgreeError, match="the time does not have the declared form"):
        read_spans(path, layout=parse_layout(b'[file]\ntime = "%EY-%m-%d %H:%M"\n', "night.toml"))
