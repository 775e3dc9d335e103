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
from tests.commands import ended
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


def below(folder: str) -> dict[str, bytes]:
    """Return the files of a study one folder down, with their nights table."""
    table = ",".join(HEADER) + "\n" + ",".join(ROW) + "\n"
    return {f"st/{folder}/{name[3:]}": data for name, data in {**FILES, "st/nights.csv": table.encode()}.items()}


def test_the_one_nights_table_below_is_read_and_names_files_from_where_it_lies(served: Served) -> None:
    work = begin(served, {"st/readme.txt": b"x", **below("ferry 22:30")})
    shown = cells(served.ask("GET", work).text)
    named = {shown[f"0.{column}"] for column in ("reference", "device_file", "layout")}
    assert named == {f"ferry 22_30/{name[3:]}" for name in FILES}
    assert (shown["0.participant"], shown["0.clock_offset"]) == ("crew-3", "-60")
    assert "results.json" in served.score(work, shown).text


def test_of_several_nights_tables_below_none_is_read(served: Served) -> None:
    shown = cells(served.ask("GET", begin(served, {**below("one"), **below("two")})).text)
    assert "-60" not in shown.values()


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


def test_more_files_than_the_page_takes_are_told_to_be(served: Served) -> None:
    answer = served.post("/begin/study", {}, {f"folder#{i}": (f"st/{i}.csv", b"x") for i in range(501)})
    assert answer.status == 400
    assert problem(answer.text) == (
        "these are more files than the page takes. Expected 500 at most. Give a folder of fewer; the command line "
        "takes any number."
    )


def test_as_many_rows_as_the_page_takes_come_back_whole(served: Served) -> None:
    rows = "".join(f"\n{i}," + ",".join(ROW[1:]) for i in range(500))
    work = begin(served, {**FILES, "st/nights.csv": (",".join(HEADER) + rows).encode()})
    shown = cells(served.ask("GET", work).text)
    assert shown["499.participant"] == "499"
    fields = {**shown, **{f"{i}.leave": "1" for i in range(499)}}
    assert served.post(work, {**fields, "do": "look"}).status == 303
    left = cells(served.ask("GET", work).text)
    assert {name.partition(".")[0] for name in left} == {"499"}
    assert left["499.participant"] == "499"


def test_a_form_of_rows_that_are_no_more_is_refused(served: Served) -> None:
    rows = "".join(f"\n{i}," + ",".join(ROW[1:]) for i in range(3))
    work = begin(served, {**FILES, "st/nights.csv": (",".join(HEADER) + rows).encode()})
    old = cells(served.ask("GET", work).text)
    served.post(work, {**old, "0.leave": "1", "do": "look"})
    now = cells(served.ask("GET", work).text)
    assert [now[f"{i}.participant"] for i in (1, 2)] == ["1", "2"]
    for do in ("look", "score"):
        served.post(work, {**old, "0.leave": "1", "do": do})
        page = served.ask("GET", work).text
        assert problem(page) == (
            "the rows have changed since this form was shown. Nothing of it was taken: look at the nights as they "
            "are now."
        )
        assert cells(page) == now
    # rows that are found anew are others, however many they are
    served.post(work, {"reference": "lab/n{night}.edf", "device": "band/n{night}.csv", "do": "find"})
    found = cells(served.ask("GET", work).text)
    assert not {*found} & {*old}
    served.post(work, {**now, "do": "look"})
    assert cells(served.ask("GET", work).text) == found


# --- what names show --------------------------------------------------------------------------------------


def fields(page: str) -> dict[str, str]:
    """Return the patterns and names of devices that stand in the form."""
    found = re.findall(r'<input id="p-[^"]*" name="([^"]*)" value="([^"]*)"', page)
    return {unescape(name): unescape(value) for name, value in found}


def test_what_the_names_leave_open_is_told_as_the_command_tells_it(served: Served, tmp_path: Path) -> None:
    names = ("lab/Bo.csv", "lab/Mo.csv", "lab/al.csv", "band/Bo.csv", "band/Al.csv", "notes of the purser.txt")
    work = begin(served, {f"st/{name}": b"x" for name in names})
    page = served.ask("GET", work).text
    assert cells(page)["0.participant"] == "Bo"
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    command = ended("nights", tmp_path)
    read = " ".join(read_by_a_person(page).split())
    told = command.stdout.partition("Proposed from")[0].replace("  - ", " ").replace("- ", " ")
    for line in (*told.splitlines(), *command.stderr.split("caution: ")):
        assert " ".join(line.split()) in read
    assert "differ only in case or leading zeros" in read
    assert "references without a device file: 2 lab/Mo.csv lab/al.csv" in read


def test_every_device_that_is_proposed_stands_in_the_form_and_is_found_again(served: Served) -> None:
    nights = [(p, n) for p in (1, 2) for n in (1, 2)]
    files = [f"st/lab/crew{p}_night{n}.edf" for p, n in nights]
    files += [f"st/band_a/crew{p}_night{n}.csv" for p, n in nights]
    files += [f"st/pad_b/{n}-export-crew{p}.csv" for p, n in nights]
    work = begin(served, dict.fromkeys(files, b"x"))
    page = served.ask("GET", work).text
    assert fields(page) == {
        "reference": "lab/crew{participant}_night{night}.edf",
        "device": "band_a/crew{participant}_night{night}.csv",
        "name": "band_a",
        "device.1": "pad_b/{night}-export-crew{participant}.csv",
        "name.1": "pad_b",
        "device.2": "",
        "name.2": "",
    }
    served.post(work, {**fields(page), "do": "find"})
    again = served.ask("GET", work).text
    assert fields(again) == fields(page)
    assert [*cells(again).values()] == [*cells(page).values()]
    assert [text for name, text in cells(again).items() if name.endswith(".device")] == ["band_a", "pad_b"] * 4


@pytest.mark.parametrize(("typed", "missing"), [("device", "reference"), ("reference", "device")])
def test_a_pattern_of_one_side_alone_is_kept_and_the_other_asked_for(served: Served, typed: str, missing: str) -> None:
    work = begin(served, FILES)
    served.post(work, {"reference": "", "device": "", typed: "x/{night}.csv", "do": "find"})
    page = served.ask("GET", work).text
    assert problem(page) == (
        f"the names of the {missing}'s files are not said. Say those of both sides, or leave both empty."
    )
    assert fields(page)[typed] == "x/{night}.csv"
    assert fields(page)[missing] == ""


def test_names_that_fit_in_two_ways_fill_no_table_until_one_is_chosen(served: Served) -> None:
    nights = [(p, n) for p in (1, 2) for n in (1, 2)]
    files = [f"st/{name}" for p, n in nights for name in (f"lab/0{p}/0{n}.csv", f"band/0{n}/0{p}.csv")]
    work = begin(served, dict.fromkeys(files, b"x"))
    page = served.ask("GET", work).text
    assert "The names fit in 2 ways, and do not show which is right." in page
    assert cells(page) == {}
    assert page.count("For example 01, night 02, band:") == 2
    choices = [
        {
            name: unescape(value)
            for name, value in re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', form)
        }
        for form in page.split("<form ")[2:]
    ]
    assert [choice["device.0"] for choice in choices] == [
        "band/{participant}/{night}.csv",
        "band/{night}/{participant}.csv",
    ]
    served.post(work, {**choices[1], "do": "find"})
    page = served.ask("GET", work).text
    assert "Which is right?" not in page
    assert (cells(page)["1.reference"], cells(page)["1.device_file"]) == ("lab/01/02.csv", "band/02/01.csv")
    assert cells(page)["1.device"] == "band"


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

_PARTS = st.text('aA:;?*|"<> .-\x00\u00e9', min_size=1, max_size=4) | st.sampled_from(
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
        assert not {*'<>:;"|?*\x00'} & {*str(path)}


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
        (["st/crew;1.edf", "st/crew:1.edf", "st/crew+1.edf"], ["crew_1.edf", "crew_1-2.edf", "crew+1.edf"]),
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


@pytest.mark.parametrize("mark", [";", "+"])
def test_names_that_hold_what_joins_files_in_a_cell_can_be_scored(served: Served, mark: str) -> None:
    lab, band, layout = FILES.values()
    names = (f"lab/crew{mark}3.edf", f"band/crew{mark}3.csv", "band-a.toml")
    cells_of_row = ("crew-3", "2", "band A", *(f'"{name}"' for name in names), "-60")
    table = f"{','.join(HEADER)}\n{','.join(cells_of_row)}\n"
    files = {f"st/{name}": data for name, data in zip(names, (lab, band, layout), strict=True)}
    work = begin(served, {**files, "st/nights.csv": table.encode()})
    shown = cells(served.ask("GET", work).text)
    wanted = [name.replace(";", "_") for name in names]
    assert [shown[f"0.{column}"] for column in ("reference", "device_file", "layout")] == wanted
    assert "results.json" in served.score(work, shown).text


def test_parts_and_several_references_follow_names_that_are_stored_otherwise(served: Served) -> None:
    files = {f"st/{name}": b"x" for name in ("lab/a:1.edf", "lab/b?1.edf", "band/a;1.csv", "band/a;2.csv")}
    row = ("crew-3", "2", "band A", "lab/a:1.edf;lab/b?1.edf", "band/a;1.csv+band/a;2.csv", "", "")
    work = begin(served, {**files, "st/nights.csv": f"{','.join(HEADER)}\n{','.join(row)}\n".encode()})
    shown = cells(served.ask("GET", work).text)
    assert shown["0.reference"] == "lab/a_1.edf;lab/b_1.edf"
    assert shown["0.device_file"] == "band/a_1.csv+band/a_2.csv"


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
