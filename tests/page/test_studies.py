"""A study in the page: its table is read as the command reads it, and whatever was given is there under a name."""

from __future__ import annotations

import csv
import re
from html import unescape

import pytest

from tests.page.conftest import Served, ferry
from tests.page.words import WORDS_OF_COMMANDS, read_by_a_person

HEADER = ("participant", "night", "device", "reference", "device_file", "layout", "clock_offset")
ROW = ("crew-3", "2", "band A", "lab/n2.edf", "band/n2.csv", "band-a.toml", "-60")
FILES = {
    "st/lab/n2.edf": ferry("reference/crew-3-night-2.edf")[1],
    "st/band/n2.csv": ferry("band-a/crew-3-night-2.csv")[1],
    "st/band-a.toml": ferry("band-a.toml")[1],
}


def begin(served: Served, files: dict[str, bytes]) -> str:
    """Give files as a browser sends a folder that was dropped."""
    return served.begin("study", {f"folder#{i}": given for i, given in enumerate(files.items())})


def cells(page: str) -> dict[str, str]:
    """Return the cells of the nights table that is shown."""
    found = re.findall(r'<input name="(\d+\.[a-z_]+)" value="([^"]*)"', page)
    return {unescape(name): unescape(value) for name, value in found}


def problem(page: str) -> str:
    """Return the message at the head of a page."""
    found = re.findall(r'<p class="problem" role="alert">(.*?)</p>', page, re.DOTALL)
    assert len(found) == 1
    return unescape(found[0])


# --- the nights table that was given ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        ",".join(HEADER) + "\n" + ",".join(ROW) + "\n",
        ";".join(HEADER) + "\n" + ";".join(ROW) + "\n",
        "sep=,\n" + ",".join(HEADER).title() + "\n" + ",".join(ROW) + "\n",
        "\ufeff" + "\t".join(HEADER) + "\r\n" + "\t".join(f" {cell} " for cell in ROW) + "\r\n",
        ",".join(HEADER) + "\n" + ",".join(ROW).replace("crew-3", "'@crew-3") + "\n",
    ],
    ids=["plain", "semicolons", "told delimiter and capitals", "tabs and a mark", "formula"],
)
def test_a_nights_table_is_read_as_the_command_reads_it(served: Served, text: str) -> None:
    work = begin(served, {**FILES, "st/nights.csv": text.encode()})
    shown = cells(served.ask("GET", work).text)
    wanted = ("@crew-3" if "@" in text else "crew-3", *ROW[1:])
    assert [shown[f"0.{column}"] for column in HEADER] == [*wanted]
    assert "results.json" in served.score(work, shown).text
    given = served.ask("GET", f"{work}/keep/given/nights.csv").text
    (row,) = csv.DictReader(given.splitlines())
    assert (row["participant"].lstrip("'"), row["clock_offset"]) == (wanted[0], "-60")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (",".join(HEADER).replace("clock_offset", "clock_ofset"), "column 'clock_ofset' is unknown"),
        (",".join(HEADER[1:]), "column participant is missing"),
        (",".join(HEADER) + "\n" + ",".join(ROW[:3]), "line 2: 3 cells, the header has 7"),
        (",".join(HEADER) + "\n\xff", "not UTF-8"),
        (",".join(HEADER) + "".join(f"\n{i}," + ",".join(ROW[1:]) for i in range(501)), "Found 501 rows; expected 500"),
    ],
)
def test_a_nights_table_that_is_faulty_is_told(served: Served, text: str, said: str) -> None:
    work = begin(served, {**FILES, "st/nights.csv": text.encode("latin-1")})
    page = served.ask("GET", work).text
    assert said in problem(page)
    assert cells(page) == {}
    assert WORDS_OF_COMMANDS.findall(read_by_a_person(page).replace("band-a.toml", "")) == []


def test_as_many_rows_as_the_page_takes_come_back_whole(served: Served) -> None:
    rows = "".join(f"\n{i}," + ",".join(ROW[1:]) for i in range(500))
    work = begin(served, {**FILES, "st/nights.csv": (",".join(HEADER) + rows).encode()})
    shown = cells(served.ask("GET", work).text)
    assert shown["499.participant"] == "499"
    fields = {**shown, **{f"{i}.leave": "1" for i in range(499)}}
    assert served.post(work, {**fields, "do": "look"}).status == 303
    assert {name.partition(".")[0] for name in cells(served.ask("GET", work).text)} == {"0"}


# --- recordings in parts ----------------------------------------------------------------------------------


def test_parts_that_a_pattern_joins_are_taken(served: Served) -> None:
    _, data = ferry("band-a/crew-3-night-2.csv")
    head, *rows = data.decode().splitlines(keepends=True)
    halves = {"1": rows[: len(rows) // 2], "2": rows[len(rows) // 2 :]}
    given = {f"st/band/n2_part{part}.csv": (head + "".join(half)).encode() for part, half in halves.items()}
    work = begin(served, {"st/lab/n2.edf": FILES["st/lab/n2.edf"], "st/band-a.toml": FILES["st/band-a.toml"], **given})
    served.post(work, {"reference": "lab/n{night}.edf", "device": "band/n{night}_part{part}.csv", "do": "find"})
    shown = cells(served.ask("GET", work).text)
    assert shown["0.device_file"] == "band/n2_part1.csv+band/n2_part2.csv"
    assert shown["0.layout"] == "band-a.toml"  # the one that reads both
    assert "results.json" in served.score(work, shown).text
    strange = {**shown, "0.device_file": "band/n2_part1.csv+/etc/n2_part2.csv", "do": "look"}
    served.post(work, strange)
    assert "one of the files that were given" in problem(served.ask("GET", work).text)
