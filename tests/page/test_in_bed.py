"""A night without a reference gets its time in bed on the page, and its files are those of the command."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from tests.page.conftest import FERRY, Served
from tests.page.test_answers import LAYOUT, PAIR, command_line, fields_of, kept, stored
from tests.page.words import WORDS_OF_COMMANDS, read_by_a_person

DEVICE = {"device.file": PAIR["device.file"]}


@pytest.fixture(scope="module")
def learnt(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Return a correction that was learnt from the fixtures."""
    out = tmp_path_factory.mktemp("calibrated") / "learnt"
    command_line(FERRY, "calibrate", "nights.csv", "--device", "band A", "--out", str(out))
    return (out / "correction.json").read_bytes()


@pytest.fixture
def work(served: Served, learnt: bytes) -> str:
    """Return a night to correct, which is looked at."""
    return served.begin("correction", {**DEVICE, **LAYOUT, "correction.file": ("correction.json", learnt)})


def looked_at(served: Served, work: str, **fields: str) -> str:
    """Answer, and return the page."""
    served.post(work, {**fields_of(served.ask("GET", work).text), **fields, "do": "look"})
    return served.ask("GET", work).text


def beside(page: str, key: str) -> str:
    """Return what is told beside a field."""
    field = page[page.index(f'name="{key}"') :].split("</div>", maxsplit=1)[0]
    return unescape("".join(re.findall(rf'<p id="{key}-said"[^>]*>(.*?)</p>', field)))


def test_the_time_in_bed_is_that_of_the_command(served: Served, work: str, learnt: bytes, tmp_path: Path) -> None:
    page = looked_at(served, work, in_bed_from="22/04/2026 7:30", in_bed_until="3:50 pm")
    assert beside(page, "in_bed_from") == "Taken as 22 April 2026, 07:30."
    assert beside(page, "in_bed_until") == "Taken as 22 April 2026, 15:50, the date nearest to when the file ends."
    served.score(work, fields_of(page))
    mine = kept(served, work)
    stored(tmp_path, DEVICE)
    (tmp_path / "correction.json").write_bytes(learnt)
    (tmp_path / "layout.toml").write_bytes(mine.pop("layout.toml"))
    words = ("correct", "correction.json", "device/crew-3-night-2.csv", "--layout", "layout.toml")
    assert mine == command_line(tmp_path, *words, "--window", "2026-04-22T07:30/2026-04-22T15:50", "--out", "results")
    assert {"corrected.json", "corrected.csv", "epochs.csv", "report.html"} <= {*mine}
    assert "Give the time in bed" not in read_by_a_person(served.ask("GET", f"{work}/report").text)


def test_half_a_time_in_bed_or_none_at_all_is_told_beside_its_field(served: Served, work: str) -> None:
    page = looked_at(served, work, in_bed_from="2026-04-22 07:30")
    assert beside(page, "in_bed_until") == "Give both ends, or neither."
    assert served.post(work, {"do": "score"}).headers["location"] == work
    page = looked_at(served, work, in_bed_from="2026-04-22 07:30", in_bed_until="yesterday")
    assert beside(page, "in_bed_until").startswith("Give a date and a time, such as")
    page = looked_at(served, work, in_bed_from="2026-04-22 07:30", in_bed_until="2026-04-22")
    assert beside(page, "in_bed_until") == "Taken as 22 April 2026. A time is wanted as well."
    page = looked_at(served, work, in_bed_from="2026-04-22 07:30", in_bed_until="03/04/2026 07:30")
    assert "4 March 2026, 07:30" in page
    page = looked_at(served, work, in_bed_from="", in_bed_until="")
    assert beside(page, "in_bed_from") == beside(page, "in_bed_until") == ""
    assert "corrected.json" in served.score(work, fields_of(page)).text


def test_a_time_in_bed_of_another_day_is_told_in_the_words_of_the_page(served: Served, work: str) -> None:
    ends = {"in_bed_from": "2026-05-22 07:30", "in_bed_until": "2026-05-22 15:00"}
    read = read_by_a_person(served.score(work, {**fields_of(served.ask("GET", work).text), **ends}).text)
    assert "the window cannot be laid on this night" in read
    assert "Correct the time in bed, or leave it empty." in read
    assert WORDS_OF_COMMANDS.findall(read) == []
