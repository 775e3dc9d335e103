"""What is given while a command runs, or after it, is never passed off as what was run."""

from __future__ import annotations

import json

import pytest

from tests.page.conftest import Served
from tests.page.test_answers import LAYOUT, PAIR, fields_of
from tests.page.test_studies import FILES, HEADER, ROW, begin, cells
from tests.page.words import read_by_a_person

UNTAKEN = "A command was running: what you gave was not taken. Give it again when it has ended."
NIGHTS = {**FILES, "st/nights.csv": (",".join(HEADER) + "".join(f"\n{i}," + ",".join(ROW[1:]) for i in "12")).encode()}


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
    assert "Clock offset" not in page


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
    assert "Clock offset, added to device times: 60 s." in page
    assert served.ask("GET", f"{work}/keep/results.json").status == 404


def test_an_offset_keeps_all_its_digits(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    served.post(f"{work}/clock", {"offset": "12345.678"})
    assert "A clock offset of 12345.678 s is added" in served.wait(work).text
    scored = json.loads(served.ask("GET", f"{work}/keep/results.json").body)
    assert scored["options"]["clock_offset"] == 12345.678
