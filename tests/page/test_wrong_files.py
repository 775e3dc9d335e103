"""Each wrong file of the command line's list costs one message, in the page's words, and no answer given so far."""

from __future__ import annotations

import io
import re
import zipfile
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from tests.cli.test_bad_input import BAND, CASES, LAYOUT, REFERENCE, Case, bad_device, prepare
from tests.page.conftest import FERRY, Served, ferry
from tests.page.test_answers import command_line, fields_of
from tests.page.words import WORDS_OF_COMMANDS, read_by_a_person

#: What the page has no place for: paths, folders instead of files, windows and mappings of one's own.
_NOT_GIVEN = {"window outside", "missing file", "a folder instead of a reference", "a folder instead of a device file",
              "mapping file that is missing", "mapping file that says nothing about labels"}  # fmt: skip
_FIELDS = {"--reference-zone": "reference.zone", "--reports": "device.reports"}
#: Where the page has made a proposal, something else stands in the way.
_PROBLEMS = {"no time column": "the unit of the durations is not told"}


def spreadsheet() -> bytes:
    """Return what a spreadsheet begins with: an archive of these names."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in ("[Content_Types].xml", "xl/workbook.xml"):
            archive.writestr(name, "<x/>")
    return packed.getvalue()


_NO_REM = "time,stage\n" + "".join(f"2026-04-14 08:{i // 2:02d}:{i % 2 * 30:02d},light\n" for i in range(100))
#: Further ones, whose message is asked of the command line.
_MORE = [
    bad_device("spreadsheet", "", "")._replace(files={"band.csv": spreadsheet()}),
    Case("two without REM", {"a.csv": _NO_REM, "b.csv": _NO_REM}, ("{tmp}/a.csv", "{tmp}/b.csv"), ""),
]


def said(message: str) -> str:
    """Return what is wrong out of the command line's message, without the file and the place."""
    return re.split(r"\. (?:Found|Expected|Give) ", message, maxsplit=1)[0].rsplit(": ", 1)[-1]


def problems(page: str) -> list[str]:
    return [unescape(text) for text in re.findall(r'<p class="problem"[^>]*>(.*?)</p>', page, re.DOTALL)]


def content(case: Case, given: object) -> tuple[str, bytes]:
    """Return name and bytes of a file of a case, or of one of the fixtures."""
    path = Path(str(given))
    held = case.files.get(path.name, b"") if str(given).startswith("{tmp}") else path.read_bytes()
    return path.name, held if isinstance(held, bytes) else held.encode()


@pytest.mark.parametrize("case", [*(c for c in CASES if c.name not in _NOT_GIVEN), *_MORE], ids=lambda case: case.name)
def test_a_wrong_file_costs_one_message_and_no_answer(served: Served, case: Case, tmp_path: Path) -> None:
    good = {"reference.file": content(case, REFERENCE), "device.file": content(case, BAND)}
    work = served.begin("night", {**good, "device.layout": content(case, LAYOUT)})
    page = served.ask("GET", work).text
    answers = fields_of(page)
    assert problems(page) == []

    reference, device, *options = case.arguments
    named = dict(zip(options[::2], options[1::2], strict=True))
    wrong = {"reference.file": content(case, reference), "device.file": content(case, device)}
    if "--layout" in named:
        wrong["device.layout"] = content(case, named["--layout"])
    fields = {_FIELDS[option]: str(value) for option, value in named.items() if option != "--layout"}
    served.post(work, {**answers, "do": "look"}, wrong)
    if fields:
        served.post(work, {**fields_of(served.ask("GET", work).text), **fields, "do": "look"})
    told = problems(served.ask("GET", work).text)
    assert len(told) == 1
    message = case.message or CliRunner().invoke(main, prepare(case, tmp_path)[0]).stderr.split("sleepagree: ")[-1]
    assert _PROBLEMS.get(case.name, said(message)) in told[0]
    read = read_by_a_person(served.ask("GET", work).text)
    assert WORDS_OF_COMMANDS.findall(read.replace(Path(str(named.get("--layout", "-"))).name, "")) == [], (
        "the page has questions"
    )
    assert str(served.temporary) not in told[0]

    served.post(work, {"do": "look", **dict.fromkeys(fields, "")}, good)
    page = served.ask("GET", work).text
    assert problems(page) == []
    assert fields_of(page) == answers


def test_a_wrong_correction_is_told_by_its_own_name_and_another_taken_in_its_place(
    served: Served, tmp_path: Path
) -> None:
    command_line(FERRY, "calibrate", "nights.csv", "--device", "band A", "--out", str(tmp_path / "learnt"))
    learnt = (tmp_path / "learnt/correction.json").read_bytes()
    band, layout = ferry("band-a/crew-3-night-2.csv"), ferry("band-a.toml")
    given = {"correction.file": ("of the purser.csv", band[1]), "device.file": band, "device.layout": layout}
    work = served.begin("correction", given)
    page = served.ask("GET", work).text
    answers = fields_of(page)
    assert problems(page) == [
        "of the purser.csv: this is no correction. Found a text that is no JSON; expected correction.json. "
        "Make it again with 'sleepagree calibrate'."
    ]
    # it cannot be used, whatever a hand-made request says
    assert served.post(work, {**answers, "do": "score"}).headers["location"] == work
    served.post(work, {**answers, "do": "look"}, {"correction.file": ("of band A.json", learnt)})
    page = served.ask("GET", work).text
    assert problems(page) == []
    assert "of band A.json" in page
    assert fields_of(page) == answers
    assert "corrected.json" in served.score(work, answers).text


def test_a_correction_that_was_not_given_is_asked_for(served: Served) -> None:
    work = served.begin(
        "correction", {"device.file": ferry("band-a/crew-3-night-2.csv"), "device.layout": ferry("band-a.toml")}
    )
    page = served.ask("GET", work).text
    assert problems(page) == ["No correction was given."]
    assert 'name="correction.file"' in page
