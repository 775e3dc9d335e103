"""What is given while a command runs, or after it, is never passed off as what was run."""

from __future__ import annotations

import datetime as dt
import json
import re

import pytest

from tests.page.conftest import Served, ferry
from tests.page.test_answers import LAYOUT, PAIR, fields_of
from tests.page.test_studies import FILES, HEADER, ROW, begin, cells
from tests.page.words import read_by_a_person

UNTAKEN = "A command was running: what you gave was not taken. Give it again when it has ended."
ROWS = (HEADER, ROW, ("crew-1", "1", "band A", "lab/n1.edf", "band/n1.csv", "band-a.toml", "-60"))
NIGHTS = {
    **FILES,
    "st/lab/n1.edf": ferry("reference/crew-1-night-1.edf")[1],
    "st/band/n1.csv": ferry("band-a/crew-1-night-1.csv")[1],
    "st/nights.csv": "\n".join(map(",".join, ROWS)).encode(),
}


def told(served: Served, path: str) -> str:
    """Return what a person reads of a page."""
    return " ".join(read_by_a_person(served.ask("GET", path).text).split())


# --- while a command runs ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "fields"),
    [
        ("", {"window": "overlap", "do": "look"}),
        ("", {"window": "overlap", "do": "score"}),
        ("/clock", {"offset": "60"}),
    ],
    ids=["answer", "score", "offset"],
)
def test_what_is_given_while_a_night_is_scored_is_said_not_to_be_taken(
    served: Served, where: str, fields: dict[str, str]
) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(work, {**fields_of(served.ask("GET", work).text), "do": "score"})
    answer = served.post(f"{work}{where}", fields)
    assert UNTAKEN in told(served, answer.headers["location"])
    assert UNTAKEN not in served.wait(work).text
    page = served.ask("GET", work).text
    assert fields_of(page)["window"] == ""
    assert 'name="clock_offset" value=""' in page


def test_rows_that_are_given_while_a_study_is_scored_are_said_not_to_be_taken(served: Served) -> None:
    work = begin(served, NIGHTS)
    shown = cells(served.ask("GET", work).text)
    served.post(work, {**shown, "do": "score"})
    answer = served.post(work, {**shown, "0.leave": "1", "do": "look"})
    assert UNTAKEN in told(served, answer.headers["location"])
    served.wait(work)
    assert cells(served.ask("GET", work).text) == shown


# --- offsets ----------------------------------------------------------------------------------------------


def test_an_offset_scores_nothing_past_an_answer_that_is_not_used(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(work, {**fields_of(served.ask("GET", work).text), "device.zone": "Europe/Nowhere"})
    assert served.post(f"{work}/clock", {"offset": "60"}).headers["location"] == work
    page = served.ask("GET", work).text
    assert "disabled" in page[page.index('value="score"') :]
    assert 'name="clock_offset" value="60"' in page
    assert served.ask("GET", f"{work}/keep/results.json").status == 404


def test_an_offset_that_parts_the_recordings_is_taken_back_where_that_is_told(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(f"{work}/clock", {"offset": "30000"})
    page = served.ask("GET", work).text
    assert "the two recordings share no time" in page
    assert 'name="clock_offset" value="30000"' in page
    assert served.ask("GET", f"{work}/clock").status == 200  # of the clocks as recorded
    served.post(work, {**fields_of(page), "clock_offset": "", "do": "look"})
    page = served.ask("GET", work).text
    assert "share no time" not in page
    assert 'name="clock_offset" value=""' in page
    assert "results.json" in served.score(work, fields_of(page)).text


def nine_hours_before(time: re.Match[bytes]) -> bytes:
    return str(dt.datetime.fromisoformat(time[0].decode()) - dt.timedelta(hours=9)).encode()


def test_recordings_that_share_no_time_get_the_offset_that_is_proposed_before_a_score(served: Served) -> None:
    name, data = PAIR["device.file"]
    moved = re.sub(rb"2026-04-22 [\d:]{8}", nine_hours_before, data)
    work = served.begin("night", {**PAIR, **LAYOUT, "device.file": (name, moved)})
    page = served.ask("GET", work).text
    (offset,) = re.findall(r"the clock offset (-?\d+) would put their starts together", page)
    served.score(work, {**fields_of(page), "clock_offset": offset})
    assert f"A clock offset of {offset} s is added" in served.ask("GET", f"{work}/answer").text


@pytest.mark.parametrize("text", ["an hour", "nan", "86401"])
def test_what_is_no_offset_is_told_beside_its_field(served: Served, text: str) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(work, {**fields_of(served.ask("GET", work).text), "clock_offset": "60", "do": "look"})
    for url, field, page in (work, "clock_offset", work), (f"{work}/clock", "offset", ""):
        answer = served.post(url, {field: text, "do": "score"})
        shown = served.ask("GET", page).text if page else answer.text
        assert "Give a number of seconds from -86400 to 86400." in shown
        assert answer.headers.get("location", work) == work
    beside = served.ask("GET", work).text.partition('name="clock_offset"')[2].split("</div>")[0]
    assert f'value="{text}"' in beside
    assert 'aria-invalid="true"' in beside
    served.post(work, {"clock_offset": "60", "do": "look"})
    assert "disabled" not in served.ask("GET", work).text.partition('value="score"')[2].partition(">")[0]


def test_an_offset_keeps_all_its_digits(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(f"{work}/clock", {"offset": "12345.678"})
    assert "A clock offset of 12345.678 s is added" in served.wait(work).text
    scored = json.loads(served.ask("GET", f"{work}/keep/results.json").body)
    assert scored["options"]["clock_offset"] == 12345.678


# --- after a command has run ------------------------------------------------------------------------------

OUTDATED = "result was made before the files or answers were changed. To the questions"


def told_outdated(served: Served, work: str) -> tuple[bool, bool]:
    """Return whether the answer, and the start page beside this work, tell that the result is an older one."""
    begun = re.findall(r"<li>(.*?)</li>", served.ask("GET", "/").text, re.DOTALL)
    (mine,) = (item for item in begun if f'href="{work}/answer"' in item)
    return OUTDATED in told(served, f"{work}/answer"), OUTDATED in " ".join(re.sub(r"<[^>]*>", "", mine).split())


@pytest.mark.parametrize("files", [PAIR, {**PAIR, **LAYOUT}], ids=["proposed", "layout"])
def test_a_result_of_answers_that_were_changed_since_is_told_to_be_one(
    served: Served, files: dict[str, tuple[str, bytes]]
) -> None:
    work = served.begin("night", files)
    shown = fields_of(served.ask("GET", work).text)
    served.score(work, {**shown, "device.stage.1": "wake", "device.reports": "wake, light, deep"})
    again = fields_of(served.ask("GET", work).text)
    served.post(work, {**again, "outside": "missing", "do": "look"})
    assert told_outdated(served, work) == (False, False)  # which is what the command does anyway
    served.post(work, {**again, "device.stage.0": "N2", "do": "look"})
    assert told_outdated(served, work) == (True, True)
    served.post(work, {**again, "do": "look"})
    assert told_outdated(served, work) == (False, False)


def test_a_result_of_a_file_that_another_took_the_place_of_is_told_to_be_one(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.score(work)
    name, data = PAIR["device.file"]
    cut = data[: data.rindex(b"\n", 0, -200) + 1]
    served.post(work, {"do": "look"}, {"device.file": (name, cut)})
    assert told_outdated(served, work) == (True, True)
    served.score(work)
    assert told_outdated(served, work) == (False, False)


def test_the_offset_that_is_told_is_the_one_of_the_result(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(f"{work}/clock", {"offset": "60"})
    served.wait(work)
    served.post(work, {"device.zone": "Europe/Nowhere", "do": "look"})
    served.post(f"{work}/clock", {"offset": "90"})
    page = told(served, f"{work}/answer")
    assert "A clock offset of 60 s is added" in page
    assert OUTDATED in page


def test_a_command_that_failed_leads_to_the_questions_once_they_are_answered_otherwise(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(work, {"do": "score"})
    served.post(f"{work}/stop", {})
    assert "It was stopped." in served.wait(work).text
    served.post(work, {"outside": "wake", "do": "look"})
    assert served.ask("GET", f"{work}/answer").headers["location"] == work


def test_a_study_whose_rows_were_changed_since_keeps_the_table_that_it_is_of(served: Served) -> None:
    work = begin(served, NIGHTS)
    shown = cells(served.ask("GET", work).text)
    served.score(work, shown)
    given = served.ask("GET", f"{work}/keep/given/nights.csv").body
    served.post(work, {**shown, "do": "look"})
    assert told_outdated(served, work) == (False, False)
    served.post(work, {**shown, "0.leave": "1", "do": "look"})
    assert told_outdated(served, work) == (True, True)
    assert served.ask("GET", f"{work}/keep/given/nights.csv").body == given
    assert "5 files were given" in told(served, work)
    served.score(work, cells(served.ask("GET", work).text))
    assert told_outdated(served, work) == (False, False)
    assert served.ask("GET", f"{work}/keep/given/nights.csv").body != given
