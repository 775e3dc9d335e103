"""What the page gives is what the command line gives for the same answers, byte by byte."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from sleepagree.page.questions import Given
from sleepagree.page.remembered import of_its_kind
from tests.commands import bytes_below
from tests.page.conftest import FERRY, Served, ferry, serve
from tests.page.test_studies import cells
from tests.page.words import WORDS_OF_COMMANDS, read_by_a_person

PAIR = {"reference.file": ferry("reference/crew-3-night-2.edf"), "device.file": ferry("band-a/crew-3-night-2.csv")}
LAYOUT = {"device.layout": ferry("band-a.toml")}


def command_line(folder: Path, *words: str) -> dict[str, bytes]:
    """Return what a command writes into its folder ``results``; the page's files lie there as they do here."""
    made = subprocess.run(
        [sys.executable, "-m", "sleepagree", *words], cwd=folder, capture_output=True, text=True, check=False
    )
    assert made.returncode in (0, 3), made.stderr
    return bytes_below(folder / "results")


def kept(served: Served, work: str) -> dict[str, bytes]:
    """Return everything that a work offers to keep."""
    packed = served.ask("GET", f"{work}/keep/everything.zip")
    assert packed.status == 200
    named = r'attachment; filename="sleepagree-(night|study|corrected-night)-\d{4}-\d\d-\d\d-\d{6}\.zip"'
    assert re.fullmatch(named, packed.headers["content-disposition"])
    with zipfile.ZipFile(io.BytesIO(packed.body)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def stored(folder: Path, files: dict[str, tuple[str, bytes]]) -> None:
    """Store files as the page does."""
    for field, (name, data) in files.items():
        path = folder / field.partition(".")[0] / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)


def fields_of(page: str) -> dict[str, str]:
    """Return the fields of the form of answers as a browser would send them untouched."""
    form = page[page.index('<form id="answers"') :]
    found = {
        unescape(name): unescape(value)
        for name, value in re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', form)
    }
    for name, inside in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', inside)
        found[unescape(name)] = "" if chosen is None else unescape(chosen[2] if chosen[1] is None else chosen[1])
    return found


def finding(report: str) -> str:
    """Return what a report says first."""
    return re.sub(r"<[^>]*>", "", report[report.index("<h1") : report.index("<svg")])


def test_a_night_is_the_command_lines_night(served: Served, tmp_path: Path) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    page = served.ask("GET", work).text
    assert page.count("It can be read.") == 2
    served.score(work, fields_of(page))
    mine = kept(served, work)
    stored(tmp_path, PAIR)
    (tmp_path / "layout.toml").write_bytes(mine.pop("layout.toml"))
    words = ("night", "reference/crew-3-night-2.edf", "device/crew-3-night-2.csv", "--layout", "layout.toml")
    assert mine == command_line(tmp_path, *words, "--out", "results")
    single = served.ask("GET", f"{work}/keep/{quote('figures/hypnograms.svg')}")
    assert single.body == mine["figures/hypnograms.svg"]
    assert single.headers["content-disposition"].startswith("attachment")
    shown, report = served.ask("GET", f"{work}/report").text, mine["report.html"].decode()
    assert finding(shown) == finding(report)
    assert "To repeat it" in report
    assert WORDS_OF_COMMANDS.findall(read_by_a_person(shown)) == []


def test_unknown_labels_are_asked_and_their_answers_are_a_layout(served: Served, tmp_path: Path) -> None:
    work = served.begin("night", PAIR)
    page = served.ask("GET", work).text
    assert "is a proposal: look whether it is right" in page
    assert fields_of(page)["device.stage.0"] == "light"  # Shallow
    served.post(work, {"device.label.0": "Shallow", "device.stage.0": "", "do": "look"})
    page = served.ask("GET", work).text
    assert "unknown stage label" in page
    assert "disabled" in page[page.index('value="score"') :]
    fields = fields_of(page)
    for key, label in [(k, v) for k, v in fields.items() if k.startswith("device.label.")]:
        fields[key.replace("label", "stage")] = {"Shallow": "light", "Up": "wake", "Deep": "N3"}[label]
    fields["device.reports"] = "wake, light, deep"
    served.score(work, fields)
    mine = kept(served, work)
    stored(tmp_path, PAIR)
    (tmp_path / "layout.toml").write_bytes(mine.pop("layout.toml"))
    words = ("night", "reference/crew-3-night-2.edf", "device/crew-3-night-2.csv", "--layout", "layout.toml")
    assert mine == command_line(tmp_path, *words, "--out", "results")
    # the next file of that kind asks nothing
    other = served.begin("night", {**PAIR, "device.file": ferry("band-a/crew-3-night-1.csv")})
    page = served.ask("GET", other).text
    assert "Read it as a file with these columns was read before" in page
    served.post(other, {**fields_of(page), "do": "as-before.device"})
    page = served.ask("GET", other).text
    assert 'name="device.reports" value="wake, light, deep"' in page
    assert "was read before" not in page


def test_layouts_are_remembered_beyond_a_run_and_forgotten(tmp_path: Path) -> None:
    rows = "".join(
        f"2026-04-22T{8 + i // 120:02d}:{i // 2 % 60:02d}:{i % 2 * 30:02d},deckhand,low\n" for i in range(600)
    )
    table = "when,who,what\n" + rows + rows.replace("deckhand", "cook")
    given = {"reference.file": PAIR["reference.file"], "device.file": ("secret-name.csv", table.encode())}
    (tmp_path / "runs").mkdir()
    page = serve(tmp_path / "runs")
    try:
        work = page.begin("night", given)
        answers = {
            "device.column.0": "when",
            "device.role.0": "start",
            "device.column.1": "who",
            "device.person": "cook",
        }
        answers |= {"device.role.1": "person_column", "device.column.2": "what", "device.role.2": "stage"}
        answers |= {"device.label.0": "low", "device.stage.0": "N3", "device.reports": "wake, light, deep"}
        served = page.score(work, answers)
        assert "results.json" in served.text
    finally:
        page.end()
    kept = [path.read_text() for path in (tmp_path / "runs-config").rglob("*.toml")]
    assert len(kept) == 1
    assert '"low" = "N3"' in kept[0]
    assert not re.search(r"secret|cook|deckhand|2026", kept[0])
    page = serve(tmp_path / "runs")
    try:
        work = page.begin("night", {**given, "device.file": ("other.csv", table.encode())})
        page.post(work, {"device.person": "deckhand", "do": "as-before.device"})
        shown = page.ask("GET", work).text
        assert 'name="device.person" value="deckhand"' in shown
        assert shown.count("It can be read.") == 2
        assert str(tmp_path / "runs-config") in page.ask("GET", "/").text
        page.post("/forget", {})
        assert list((tmp_path / "runs-config").rglob("*.toml")) == []
        assert "Remembered" not in page.ask("GET", "/").text
    finally:
        page.end()


def test_a_wrong_file_costs_a_message_and_no_answer(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    fields = fields_of(served.ask("GET", work).text)
    served.post(work, {**fields, "device.zone": "Europe/Nowhere"})
    page = served.ask("GET", work).text
    assert "Europe/Nowhere" in page
    assert 'class="problem"' in page
    served.post(
        work, {"device.zone": "", "do": "look"}, {"reference.file": ("holiday.png", b"\x89PNG\r\n\x1a\n" + bytes(99))}
    )
    page = served.ask("GET", work).text
    assert "no reader takes this kind of file" in page
    assert "sleepagree-page-" not in page  # folders of ours are nobody's business
    assert fields_of(page)["device.stage.0"] == fields["device.stage.0"]
    served.post(work, {"do": "look"}, {"reference.file": PAIR["reference.file"]})
    assert served.ask("GET", work).text.count("It can be read.") == 2


def test_an_offset_is_applied_when_asked_and_said(served: Served, tmp_path: Path) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    clock = served.ask("GET", f"{work}/clock").text
    stored(tmp_path, PAIR)
    made = command_line(tmp_path, "night", "reference/crew-3-night-2.edf", "device/crew-3-night-2.csv",
                        "--layout", str(FERRY / "band-a.toml"), "--out", "results")  # fmt: skip
    points = json.loads(unescape(re.search(r'data-points="([^"]*)"', clock)[1]))  # type: ignore[index]
    curve = subprocess.run(
        [sys.executable, "-m", "sleepagree", "clock", "reference/crew-3-night-2.edf", "device/crew-3-night-2.csv",
         "--layout", str(FERRY / "band-a.toml"), "--json", "-"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert points == {f"{o:g}": None if k is None else round(k, 3) for o, k in json.loads(curve)["curve"]}
    assert b"clock_offset" not in made["report.html"]
    served.post(f"{work}/clock", {"offset": "60"})
    page = served.wait(work).text
    assert "A clock offset of 60 s is added to device times" in page
    mine = kept(served, work)
    (tmp_path / "layout.toml").write_bytes(mine.pop("layout.toml"))
    words = ("night", "reference/crew-3-night-2.edf", "device/crew-3-night-2.csv", "--layout", "layout.toml")
    assert mine == command_line(tmp_path, *words, "--clock-offset", "60", "--out", "results", "--overwrite")


def test_sending_twice_and_two_tabs_do_no_harm(served: Served) -> None:
    work = served.begin("night", {**PAIR, **LAYOUT})
    fields = {**fields_of(served.ask("GET", work).text), "do": "score"}
    first, second = served.post(work, fields), served.post(work, fields)
    assert first.status == second.status == 303
    served.wait(work)
    other = served.begin("night", {**PAIR, **LAYOUT})
    assert other != work
    assert "results.json" in served.wait(work).text
    assert served.ask("GET", f"{other}/keep/results.json").status == 404


@pytest.fixture
def folder() -> dict[str, tuple[str, bytes]]:
    """Return the fixture study as a browser sends a folder that was dropped."""
    files = [p for p in sorted(FERRY.rglob("*")) if p.is_file() and p.suffix in (".edf", ".csv", ".toml")]
    return {f"folder#{i}": (f"ferry/{p.relative_to(FERRY).as_posix()}", p.read_bytes()) for i, p in enumerate(files)}


def test_a_folder_with_a_nights_table_is_the_command_lines_study(
    served: Served, folder: dict[str, tuple[str, bytes]], tmp_path: Path
) -> None:
    work = served.begin("study", folder)
    page = served.ask("GET", work).text
    cells = {unescape(n): unescape(v) for n, v in re.findall(r'<input name="(\d+\.[a-z_]+)" value="([^"]*)"', page)}
    assert (
        sum(name.endswith(".device_file") for name in cells) == len((FERRY / "nights.csv").read_text().splitlines()) - 1
    )
    served.score(work, cells)
    mine = kept(served, work)
    for name, data in folder.values():
        path = tmp_path / name.removeprefix("ferry/")
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
    (tmp_path / "nights.csv").write_bytes(mine.pop("given/nights.csv"))
    theirs = command_line(tmp_path, "study", "nights.csv", "--out", "results")
    assert theirs.keys() == mine.keys()
    assert [name for name in theirs if theirs[name] != mine[name]] == []


def test_nights_are_found_by_patterns_and_a_cell_names_given_files_only(
    served: Served, folder: dict[str, tuple[str, bytes]]
) -> None:
    given = {k: v for k, v in folder.items() if not v[0].endswith("nights.csv")}
    work = served.begin("study", given)
    patterns = {
        "reference": "reference/{participant}-night-{night}.edf",
        "device": "{device}/{participant}-night-{night}.csv",
    }
    served.post(work, {**patterns, "do": "find"})
    page = served.ask("GET", work).text
    assert "crew-1" in page
    shown = cells(page)
    first = next(name for name in shown if name.endswith(".reference"))
    answer = served.post(work, {**shown, first: "/etc/passwd", "do": "score"})
    assert answer.headers["location"] == work
    assert "one of the files that were given" in served.ask("GET", work).text


def test_a_folder_without_a_nights_table_is_worked_out_from_its_names(
    served: Served, folder: dict[str, tuple[str, bytes]]
) -> None:
    """Its files are found, and the layout among them that reads a device's file stands in its row."""
    given = {k: v for k, v in folder.items() if "pad-b" in v[0] or "reference" in v[0]}
    work = served.begin("study", given)
    page = served.ask("GET", work).text
    cells = {unescape(n): unescape(v) for n, v in re.findall(r'<input name="(\d+\.[a-z_]+)" value="([^"]*)"', page)}
    files = [v for n, v in cells.items() if n.endswith(".device_file")]
    assert len(files) == 12
    assert all("pad-b/" in name for name in files)
    assert {v.rpartition("/")[2] for n, v in cells.items() if n.endswith(".layout")} == {"pad-b.toml"}
    served.post(work, {"reference": "nowhere/{participant}.edf", "device": "{device}/{participant}.csv", "do": "find"})
    told = served.ask("GET", work).text
    assert unescape(told).count('"Names of the reference\'s files": no file fits the pattern.') == 1
    assert WORDS_OF_COMMANDS.findall(read_by_a_person(told).replace("pad-b.toml", "")) == []
    assert "sleepagree-page-" not in re.sub(r"<[^>]*>", "", told)


def test_a_study_is_stopped(served: Served, folder: dict[str, tuple[str, bytes]]) -> None:
    work = served.begin("study", folder)
    page = served.ask("GET", work).text
    cells = {unescape(n): unescape(v) for n, v in re.findall(r'<input name="(\d+\.[a-z_]+)" value="([^"]*)"', page)}
    served.post(work, {**cells, "do": "score"})
    served.post(f"{work}/stop", {})
    page = served.wait(work).text
    assert "It was stopped." in page
    assert served.ask("GET", f"{work}/keep/report.html").status == 404


def test_one_file_alone_has_no_clock_to_look_at(served: Served) -> None:
    work = served.begin("night", {"device.file": PAIR["device.file"]})
    assert served.ask("GET", f"{work}/clock").status == 404


def test_an_odd_table_is_proposed_for_and_nothing_but_blanks_are_asked(served: Served) -> None:
    rows = "".join(f"{i};{word}\n" for i, word in enumerate(["wake"] * 20 + ["light"] * 400 + ["deep"] * 100))
    odd = ("odd.csv", f"Exported by pad B\n\nno;what it was\n{rows}".encode())
    work = served.begin("night", {**PAIR, "device.file": odd})
    page = served.ask("GET", work).text
    fields = fields_of(page)
    assert fields["device.role.0"] == "epoch_number"
    assert fields["device.role.1"] == "stage"
    assert 'name="device.begins"' in page[: page.index('id="device-more"')]
    assert "When it began, such as 2026-03-01 22:30: wanted, for the other file tells a clock" in page
    served.post(work, {**fields, "device.begins": "2026-04-22T07:38:00", "device.epoch_seconds": "30", "do": "look"})
    assert served.ask("GET", work).text.count("It can be read.") == 2


def test_a_night_is_corrected_as_the_command_line_does(served: Served, tmp_path: Path) -> None:
    given = [FERRY / "nights.csv", tmp_path / "learnt"]
    made = subprocess.run(
        [sys.executable, "-m", "sleepagree", "calibrate", str(given[0]), "--device", "band A", "--out", str(given[1])],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if made.returncode not in (0, 3):
        pytest.skip(f"nothing is learnt from the fixtures: {made.stderr[-300:]}")
    learnt = next(given[1].rglob("correction.json"))
    files = {"correction.file": ("correction.json", learnt.read_bytes()), "device.file": PAIR["device.file"], **LAYOUT}
    work = served.begin("correction", files)
    served.score(work)
    mine = kept(served, work)
    theirs = subprocess.run(
        [sys.executable, "-m", "sleepagree", "correct", str(learnt), str(FERRY / "band-a/crew-3-night-2.csv"),
         "--layout", str(FERRY / "band-a.toml"), "--json", "-", "--quiet"],
        capture_output=True, check=True,
    ).stdout  # fmt: skip
    assert mine["corrected.json"] == theirs
    assert "Measures" in served.ask("GET", f"{work}/report").text


EPOCHS = "".join(f"{i};{word}\n" for i, word in enumerate(["wake"] * 20 + ["light"] * 400 + ["deep"] * 100))


@pytest.mark.parametrize(
    ("typed", "kept", "told"),
    [
        ("2026-04-22T07:38:00", "2026-04-22 07:38", "Taken as 22 April 2026, 07:38."),
        ("22/04/2026 07:38", "2026-04-22 07:38", "Taken as 22 April 2026, 07:38."),
        ("22.04.2026 7:38", "2026-04-22 07:38", "Taken as 22 April 2026, 07:38."),
        ("4/22/2026 7:38 am", "2026-04-22 07:38", "Taken as 22 April 2026, 07:38."),
        ("07:38", "2026-04-22 07:38", "Taken as 22 April 2026, 07:38, the date nearest to when the other file begins."),
        (
            "11:50 pm",
            "2026-04-21 23:50",
            "Taken as 21 April 2026, 23:50, the date nearest to when the other file begins.",
        ),
    ],
)
def test_a_moment_is_taken_as_people_type_it(served: Served, typed: str, kept: str, told: str) -> None:
    work = served.begin("night", {**PAIR, "device.file": ("odd.csv", f"no;what it was\n{EPOCHS}".encode())})
    fields = fields_of(served.ask("GET", work).text)
    served.post(work, {**fields, "device.begins": typed, "do": "look"})
    page = served.ask("GET", work).text
    assert f'value="{kept}"' in page
    assert told in page
    assert page.count("It can be read.") == 2


def test_a_wrong_answer_is_told_beside_its_field_and_the_preview_stays(served: Served) -> None:
    work = served.begin("night", {**PAIR, "device.file": ("odd.csv", f"no;what it was\n{EPOCHS}".encode())})
    fields = {
        **fields_of(served.ask("GET", work).text),
        "device.stage.0": "light",
        "device.reports": "wake, light, deep",
    }
    fields |= dict.fromkeys(("device.zone", "device.encoding"), "")
    for key, typed, wrong in (
        ("begins", "yesterday", "Give a date and a time, such as 2026-03-01 22:30"),
        ("zone", "Europe/Nowhere", "no time zone has this name"),
        ("reports", "wake, naps", "a word that is no stage"),
        ("epoch_seconds", "often", "Expected a number of seconds from 1 to 3600."),
        ("encoding", "nonsense", "Expected a name such as utf-8"),
    ):
        served.post(work, {**fields, f"device.{key}": typed, "do": "look"})
        page = served.ask("GET", work).text
        beside = page[page.index(f'id="device-{key}"') :].split("</div>")[0]
        assert 'aria-invalid="true"' in beside
        assert wrong in beside
        assert f'value="{typed}"' in beside
        assert page.count("<svg") == 2
        assert key == "reports" or 'name="device.reports" value="wake, light, deep"' in page
        assert fields_of(page)["device.stage.0"] == "light"
        assert "disabled" in page[page.index('value="score"') :]
        answer = served.post(work, {**fields, f"device.{key}": typed, "do": "score"})
        assert answer.headers["location"] == work
        served.post(work, {**fields, "device.epoch_seconds": "30", "device.begins": "", "do": "look"})


def test_a_day_that_can_be_two_is_asked_for(served: Served) -> None:
    work = served.begin("night", {**PAIR, "device.file": ("odd.csv", f"no;what it was\n{EPOCHS}".encode())})
    fields = fields_of(served.ask("GET", work).text)
    served.post(work, {**fields, "device.begins": "03/04/2026 07:38", "do": "look"})
    page = served.ask("GET", work).text
    assert '<option value="2026-04-03 07:38">3 April 2026, 07:38</option>' in page
    assert '<option value="2026-03-04 07:38">4 March 2026, 07:38</option>' in page
    served.post(work, {**fields_of(page), "device.begins": "2026-04-03 07:38", "do": "look"})
    assert 'value="2026-04-03 07:38"' in served.ask("GET", work).text


def test_a_date_alone_is_said_to_want_a_time_where_a_time_is_wanted(served: Served) -> None:
    rows = "".join(f"{(22 + i // 120) % 24:02d}:{i // 2 % 60:02d}:{i % 2 * 30:02d},light\n" for i in range(700))
    work = served.begin("night", {**PAIR, "device.file": ("times.csv", f"time,stage\n{rows}".encode())})
    fields = fields_of(served.ask("GET", work).text)
    wanted = "Taken as 22 April 2026. A time is wanted as well."
    for answers, readable, says_so in (
        ({"device.begins": "22.04.2026"}, 1, True),
        ({"device.begins": "22.04.2026", "device.night_of": "wake-day"}, 2, False),
        ({"device.begins": "22.04.2026 21:00", "device.night_of": ""}, 2, False),
    ):
        served.post(work, {**fields, **answers, "do": "look"})
        page = served.ask("GET", work).text
        assert (page.count("It can be read."), wanted in page) == (readable, says_so)


def test_lengths_that_tell_their_unit_are_read_as_on_the_command_line(served: Served, tmp_path: Path) -> None:
    rows = "".join(
        f"2026-04-22 {8 + i // 2:02d}:{i % 2 * 30:02d};{'wake light deep'.split()[i % 3]};30 min\n" for i in range(14)
    )
    given = {**PAIR, "device.file": ("long.csv", f"start;stage;duration\n{rows}".encode())}
    work = served.begin("night", given)
    page = served.ask("GET", work).text
    assert page.count("It can be read.") == 2
    served.score(work, fields_of(page))
    mine = kept(served, work)
    stored(tmp_path, given)
    words = ["night", "reference/crew-3-night-2.edf", "device/long.csv"]
    if "layout.toml" in mine:
        (tmp_path / "layout.toml").write_bytes(mine.pop("layout.toml"))
        words += ["--layout", "layout.toml"]
    assert mine == command_line(tmp_path, *words, "--out", "results")


def test_which_of_several_nights_is_asked_at_once_and_is_no_part_of_what_is_remembered(tmp_path: Path) -> None:
    codes = [str(i // 6 % 4) for i in range(420)]
    rows = [f"{night};{i};{code}" for night in "12" for i, code in enumerate(codes[int(night) * 20 :])]
    path = tmp_path / "yot.csv"
    path.write_text("\n".join(["yö;minuutti;vaihe", *rows]) + "\n", encoding="utf-8")
    given = Given.proposed(path, path.name)
    look = given.look()
    assert 'Answer "Rows of which night".' in look.problems[0]
    assert {"night", "begins"} <= {*look.asked}
    meanings = {"0": "wake", "1": "light", "2": "deep", "3": "rem"}
    answered = replace(given.with_answers({"night": "2", "begins": "2031-05-07 22:40"}), stages=meanings).look()
    assert answered.problems == ()
    assert answered.spans is not None
    assert answered.spans.onset_s.size == 380
    assert answered.layout is not None
    kept = of_its_kind(answered.layout)
    assert (answered.layout.night, kept.night_column, kept.night) == ("2", "yö", None)
