"""A study in the page: its table is read as the command reads it, and whatever was given is there under a name."""

from __future__ import annotations

import csv
import os
import re
from html import unescape
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sleepagree.errors import InputError
from sleepagree.page.folder import stored_paths
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
    head, *rows = FILES["st/band/n2.csv"].decode().splitlines(keepends=True)
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


# --- names ------------------------------------------------------------------------------------------------

_PARTS = st.text('aA:?*|"<> .-\x00\u00e9', min_size=1, max_size=4) | st.sampled_from(
    ("..", "a" * 200, "results", "x.edf")
)


@given(st.lists(st.lists(_PARTS, min_size=1, max_size=3).map("/".join), max_size=12))
@example(["st/x", "st/x/y.csv", "st/x?/y.csv"])
@example(["a/n1.edf", "b/n1.edf", "n1.edf", "a/n1.edf"])
@example(["st/results/n1.edf", "st/results-2", "st/shown.html"])
def test_every_upload_has_a_place_of_its_own_below_the_folder(names: list[str]) -> None:
    places = [place.path for place in stored_paths(names, taken=("results", "shown.html"))]
    assert len({*places}) == len(names)
    folders = {above for path in places for above in path.parents}
    assert folders.isdisjoint(places)
    for path in places:
        assert not path.is_absolute()
        assert path.parts[0] not in ("results", "shown.html")
        assert all(part not in (".", "..") and len(os.fsencode(part)) <= 151 for part in path.parts)
        assert not {*'<>:"|?*\x00'} & {*str(path)}


@pytest.mark.parametrize(
    ("names", "wanted"),
    [
        (["st/2026-04-13 22:30.edf", "st/2026-04-14 22:30.edf"], ["2026-04-13 22_30.edf", "2026-04-14 22_30.edf"]),
        (["st/a?.edf", "st/a_.edf", "st/-a.edf"], ["a_-2.edf", "a_.edf", "_a.edf"]),
        ([f"st/{'n' * 150}{i}.edf" for i in (1, 2)], [f"{'n' * 146}.edf", f"{'n' * 144}-2.edf"]),
        (["a/night-1.edf", "b/night-1.edf"], ["a/night-1.edf", "b/night-1.edf"]),
        (["st/a/night-1.edf", "nights.csv"], ["a/night-1.edf", "nights.csv"]),
        (["st/results/n1.edf", "st/lab/n1.edf"], ["results-2/n1.edf", "lab/n1.edf"]),
        (["st/x", "st/x/y.csv", "st/x/z.csv"], ["x", "x-2/y.csv", "x-2/z.csv"]),
        (["st/a?/n1.edf", "st/a:/n1.edf", "st/a?/n2.edf"], ["a_/n1.edf", "a_-2/n1.edf", "a_/n2.edf"]),
        (["st/.DS_Store", "st/lab/._n1.edf"], [".DS_Store", "lab/._n1.edf"]),
    ],
)
def test_uploads_keep_their_names_as_far_as_these_can_stand(names: list[str], wanted: list[str]) -> None:
    assert [place.path.as_posix() for place in stored_paths(names, taken=("results",))] == wanted


def test_files_under_other_names_are_shown_and_the_table_follows(served: Served) -> None:
    lab, band, layout = FILES.values()
    row = ("crew-3", "2", "band A", "results/22:30.edf", "-band/n2.csv", "./band-a.toml", "-60")
    table = ",".join(HEADER) + "\n" + ",".join(row) + "\n"
    files = {"st/results/22:30.edf": lab, "st/-band/n2.csv": band, "st/band-a.toml": layout}
    work = begin(served, {**files, "st/x": b"x", "st/x/y.csv": b"y", "st/nights.csv": table.encode()})
    page = served.ask("GET", work).text
    assert "results-2/22_30.edf (given as results/22:30.edf)" in page
    assert "x-2/y.csv (given as x/y.csv)" in page
    assert "5 files were given" in page
    shown = cells(page)
    assert (shown["0.reference"], shown["0.device_file"]) == ("results-2/22_30.edf", "_band/n2.csv")
    assert "results.json" in served.score(work, shown).text


def test_two_files_where_one_is_asked_for_are_refused(served: Served) -> None:
    two = {f"device.file#{i}": (f"n{i}.csv", FILES["st/band/n2.csv"]) for i in (1, 2)}
    answer = served.post("/begin/night", {}, {"reference.file": ("n.edf", FILES["st/lab/n2.edf"]), **two})
    assert answer.status == 400
    assert "several files were given where one is asked for" in answer.text


def test_a_file_that_cannot_be_stored_is_told(tmp_path: Path) -> None:
    app = pytest.importorskip("sleepagree.page.app", reason="the extra 'page' is not installed")
    (tmp_path / "arrived").write_bytes(b"x")
    (tmp_path / "taken").write_bytes(b"a file where a folder is wanted")
    with (
        (tmp_path / "arrived").open("rb") as file,
        pytest.raises(InputError, match="a file cannot be stored") as refusal,
    ):
        app._save(app.UploadFile(file, filename="st/taken/n1.edf"), tmp_path / "taken" / "n1.edf")
    assert refusal.value.path == "st/taken/n1.edf"
