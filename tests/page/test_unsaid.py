"""A column said to be unused, or a label to mean nothing: obeyed, or told beside its field why that cannot be."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

from sleepagree.page.questions import Given
from tests.page.conftest import Served
from tests.page.test_answers import LAYOUT, PAIR, fields_of

#: Lengths of half a minute beside rows of a minute tell no unit.
_ROWS = "".join(f"2026-04-22 08:{i:02d}:00,30,light\n" for i in range(50))
LONG = {**PAIR, "device.file": ("long.csv", f"time,duration,stage\n{_ROWS}".encode())}


def said(page: str) -> list[str]:
    """Return what is told beside the selects of columns and labels."""
    return [unescape(text) for text in re.findall(r'<span [^>]*class="said note"[^>]*>(.*?)</span>', page)]


def looked_at(served: Served, work: str, **fields: str) -> str:
    """Answer, and return the page."""
    answers = {**fields_of(served.ask("GET", work).text), **{key.replace("__", "."): v for key, v in fields.items()}}
    served.post(work, {**answers, "do": "look"})
    return served.ask("GET", work).text


def test_a_column_that_is_read_by_its_name_is_told_to_be_used(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    page = looked_at(served, work, device__role__1="")  # "to"
    assert fields_of(page)["device.role.1"] == "end"
    assert said(page) == ['A column of this name is "when it ends" unless another is said to be.']
    assert said(looked_at(served, work)) == []


def test_a_column_whose_unit_is_asked_for_has_its_role_and_can_be_passed_over(served: Served) -> None:
    work = served.begin("night", LONG)
    page = served.ask("GET", work).text
    assert "the unit of the durations is not told" in page
    assert fields_of(page)["device.role.1"] == "duration"
    (told,) = said(looked_at(served, work, device__role__1=""))
    assert told.endswith('unless another is said to be, or "What a row is": epochs is answered.')
    assert looked_at(served, work, device__shape="epochs").count("It can be read.") == 2


def test_a_label_that_says_what_it_means_is_told_to(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    assert unescape(served.ask("GET", work).text).count('"Sleep stage W"')
    page = looked_at(served, work, reference__stage__0="")
    assert fields_of(page)["reference.stage.0"] == "wake"
    assert said(page) == ['Its own word says so. Say what else it means, or "not scored".']
    assert said(looked_at(served, work, reference__stage__0="unscored")) == []


def test_a_column_that_was_only_answered_is_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text("when,what\n" + "".join(f"2026-04-22 08:{i:02d}:00,light\n" for i in range(50)), encoding="utf-8")
    given = Given(path, path.name, {"start": "when", "stage": "what"})
    look = given.look()
    form = {f"d.column.{i}": name for i, (name, _) in enumerate(look.columns)}
    less = given.answered(form | {"d.role.0": "", "d.role.1": "stage"}, "d", look)
    assert dict(less.look().columns) == {"when": "", "what": "stage"}
