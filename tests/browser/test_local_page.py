"""The local page in a real browser: what a home user, a keyboard and a small dark screen make of it."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.page.conftest import FERRY, Served, serve
from tests.page.test_answers import command_line
from tests.page.test_large import recording

pytestmark = pytest.mark.browser

CONTENT = "return document.querySelector('#content').textContent"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    for name in ("starlette", "uvicorn", "python_multipart"):
        pytest.importorskip(name, reason="the extra 'page' is not installed")
    page = serve(tmp_path_factory.mktemp("served"))
    yield page
    page.end()


class Walk:
    """Somebody in front of the page."""

    def __init__(self, visit: Any, served: Served, *, width: int = 1280, dark: bool = False) -> None:
        self.visit, self.driver, self.served = visit, visit.driver, served
        visit.open(Path("/nowhere"), width=width, dark=dark)
        visit.complaints()
        self.driver.get(served.address)

    def choose(self, **files: Path) -> None:
        """Choose files: ``reference``, ``device`` -> path."""
        for side, path in files.items():
            self.driver.find_element("css selector", f'form[action="/begin/night"] [name="{side}.file"]').send_keys(
                str(path)
            )
        self.press("Look at them")

    def drop(self, path: Path, words: str) -> None:
        """Drop a file or a folder on some words."""
        box = self.driver.find_element("xpath", f"//form//*[normalize-space()='{words}']").rect
        place = {"x": box["x"] + 5, "y": box["y"] + 5 - self.visit.run("return scrollY")}
        data = {"items": [], "files": [str(path)], "dragOperationsMask": 1}
        for kind in ("dragEnter", "dragOver", "drop"):
            self.driver.execute_cdp_cmd("Input.dispatchDragEvent", {"type": kind, **place, "data": data})

    def download(self, words: str, folder: Path) -> Path:
        """Follow a link to a file, and return the file once it is there."""
        behaviour = {"behavior": "allow", "downloadPath": str(folder)}
        self.driver.execute_cdp_cmd("Browser.setDownloadBehavior", behaviour)
        self.driver.find_element("link text", words).click()
        self.until(lambda: [p for p in folder.glob("*") if p.suffix != ".crdownload"])
        return next(folder.glob("*"))

    def press(self, words: str) -> None:
        """Press the first button, or follow the first link, with these words."""
        path = f"//button[normalize-space()='{words}'] | //a[normalize-space()='{words}']"
        before = self.driver.find_element("tag name", "html")
        self.driver.find_element("xpath", path).click()
        self.until(lambda: before.id != self.driver.find_element("tag name", "html").id)

    def until(self, holds: Any, seconds: float = 60) -> None:
        """Wait for something."""
        from selenium.common.exceptions import WebDriverException
        from selenium.webdriver.support.ui import WebDriverWait

        WebDriverWait(self.driver, seconds, ignored_exceptions=[WebDriverException]).until(lambda _: holds())

    def says(self, text: str, seconds: float = 60) -> None:
        """Wait until the page says something."""
        self.until(lambda: text in self.visit.run(CONTENT), seconds)

    def answer(self, id_: str, value: str) -> None:
        """Choose an answer, and wait for what it changes."""
        from selenium.webdriver.support.ui import Select

        content = self.driver.find_element("id", "content").id
        chosen = Select(self.driver.find_element("id", id_))
        if chosen.first_selected_option.get_attribute("value") == value:
            return  # proposed already
        chosen.select_by_value(value)
        self.until(lambda: self.driver.find_element("id", "content").id != content)

    def elsewhere(self) -> list[str]:
        """Return what was asked of anybody but this page."""
        own = f"http://127.0.0.1:{self.served.port}/"
        return [url for url in self.visit.requests() if not url.startswith((own, "chrome:", "about:", "blob:"))]


@pytest.fixture
def odd_files(tmp_path: Path) -> dict[str, Path]:
    """Return two tables whose columns and labels say nothing by their names."""
    night = ["Up", *["Light-ish"] * 60, *["Low"] * 40, *["Dream"] * 30, *["Light-ish"] * 60, "Up"]
    stages = {"Up": "0", "Light-ish": "2", "Low": "3", "Dream": "5"}
    rows = [
        (f"2026-03-01 {22 + i // 120:02d}:{i // 2 % 60:02d}:{i % 2 * 30:02d}", word) for i, word in enumerate(night)
    ]
    ours, theirs = tmp_path / "my eeg.csv", tmp_path / "band.csv"
    ours.write_text("".join(f"{t};{stages[w]}\n" for t, w in [("when", "Up"), *rows]).replace("when;0", "when;what", 1))
    theirs.write_text("clock,how it was\n" + "".join(f"{t},{w}\n" for t, w in rows))
    return {"reference": ours, "device": theirs}


def test_a_home_user_goes_from_two_odd_files_to_the_answer(
    visit: Any, served: Served, odd_files: dict[str, Path]
) -> None:
    walk = Walk(visit, served)
    walk.choose(**odd_files)
    for side, meant in (
        ("reference", {"0": "wake", "2": "N2", "3": "N3", "5": "rem"}),
        ("device", {"Up": "wake", "Light-ish": "light", "Low": "N3", "Dream": "rem"}),
    ):
        walk.answer(f"{side}-role-0", "start")
        walk.answer(f"{side}-role-1", "stage")
        for i in range(4):
            label = visit.run(f"return document.querySelector('[name=\"{side}.label.{i}\"]').value")
            walk.answer(f"{side}-stage-{i}", meant[label])
    assert visit.run(CONTENT).count("It can be read.") == 2
    assert visit.run("return document.querySelectorAll('svg.figure').length") == 2
    walk.press("Score the night")
    walk.says("Everything")
    # the report is the report, as high as it is
    walk.until(lambda: visit.run("return document.querySelector('iframe').offsetHeight") > 1500)
    walk.driver.switch_to.frame(0)
    assert "100 of 100" in visit.run("return document.body.textContent")
    cut = "return [...document.querySelectorAll('.drawing')].filter(d => d.scrollWidth > d.clientWidth).length"
    assert visit.run(cut) == 0, "at 1280 pixels every figure is there whole"
    walk.driver.switch_to.default_content()
    walk.press("Look at the clock")
    slide = walk.driver.find_element("id", "slide")
    visit.run("arguments[0].value = 300; arguments[0].dispatchEvent(new Event('input'))", slide)
    assert re.search(r"kappa 0\.\d{3} at 300 s, 1\.000 as recorded", visit.run(CONTENT))
    assert visit.complaints() == []
    assert walk.elsewhere() == []


def test_a_laboratory_gives_a_full_recording_and_a_hypnogram(visit: Any, served: Served, tmp_path: Path) -> None:
    with (tmp_path / "lab.edf").open("wb") as lab:
        lab.writelines(recording())
    walk = Walk(visit, served)
    walk.choose(reference=tmp_path / "lab.edf", device=FERRY / "reference/crew-3-night-2.edf")
    assert visit.run(CONTENT).count("It can be read.") == 2
    walk.press("Score the night")
    walk.says("Everything")
    assert visit.complaints() == []


def test_a_night_without_a_reference_is_corrected(visit: Any, served: Served, tmp_path: Path) -> None:
    command_line(FERRY, "calibrate", "nights.csv", "--device", "band A", "--out", str(tmp_path / "learnt"))
    walk = Walk(visit, served)
    given = {"correction": tmp_path / "learnt/correction.json", "device": FERRY / "band-a/crew-3-night-2.csv"}
    for name, path in given.items():
        field = f'form[action="/begin/correction"] [name="{name}.file"]'
        walk.driver.find_element("css selector", field).send_keys(str(path))
    walk.driver.find_element("css selector", 'form[action="/begin/correction"] button').click()
    walk.says("What its labels mean")
    for i, stage in enumerate(("light", "wake", "N3")):
        walk.answer(f"device-stage-{i}", stage)
    walk.press("Correct the night")
    walk.says("Everything")
    walk.driver.switch_to.frame(0)
    assert "Measures" in visit.run("return document.body.textContent")
    walk.driver.switch_to.default_content()
    assert visit.complaints() == []
    assert walk.elsewhere() == []


def filled(table: str) -> list[dict[str, str]]:
    """Return the rows of a table without the cells that are empty; the page leaves out columns that nobody uses."""
    return [{name: cell for name, cell in row.items() if cell} for row in csv.DictReader(io.StringIO(table))]


def test_a_study_is_dropped_edited_stopped_scored_and_kept(visit: Any, served: Served, tmp_path: Path) -> None:
    walk = Walk(visit, served)
    walk.drop(FERRY, "A folder")
    walk.until(lambda: visit.run("return document.querySelector('[name=folder]').files.length") > 24)
    walk.press("Look at it")
    assert visit.run("return document.querySelectorAll('.cells tbody tr').length") == 24
    cell = walk.driver.find_element("name", "23.night")
    cell.clear()
    cell.send_keys("last")
    walk.press("Score the study")
    walk.until(lambda: " of 24 nights" in visit.run("return document.querySelector('#far').textContent"))
    walk.press("Stop it")
    walk.says("It was stopped.")
    walk.press("Back to the questions")
    assert walk.driver.find_element("name", "23.night").get_attribute("value") == "last"
    walk.press("Score the study")
    walk.says("Everything", 180)
    walk.driver.switch_to.frame(0)
    assert "Over 12 nights of 4 participants" in visit.run("return document.body.textContent")
    walk.driver.switch_to.default_content()
    (tmp_path / "kept").mkdir()
    with zipfile.ZipFile(walk.download("Everything", tmp_path / "kept")) as packed:
        mine = {name: packed.read(name) for name in packed.namelist()}
    shutil.copytree(FERRY, tmp_path / "ferry")
    table = tmp_path / "ferry/nights.csv"
    edited = filled(table.read_text().replace("crew-4,3,pad B", "crew-4,last,pad B"))
    table.write_bytes(mine.pop("given/nights.csv"))
    assert filled(table.read_text()) == edited
    assert mine == command_line(tmp_path / "ferry", "study", "nights.csv", "--out", "results")
    assert visit.complaints() == []
    assert walk.elsewhere() == []


def test_a_row_that_was_left_out_takes_no_other_with_it_on_the_way_back(visit: Any, served: Served) -> None:
    walk = Walk(visit, served)
    walk.drop(FERRY, "A folder")
    walk.until(lambda: visit.run("return document.querySelector('[name=folder]').files.length") > 24)
    walk.press("Look at it")
    for _ in range(2):
        for box in walk.driver.find_elements("css selector", "[name='0.leave']"):
            box.click()
        walk.press("Keep the table so")
        assert visit.run("return document.querySelectorAll('.cells tbody tr').length") == 23
        before = walk.driver.find_element("tag name", "html")
        walk.driver.back()
        walk.until(lambda: before.id != walk.driver.find_element("tag name", "html").id)  # noqa: B023 - called here
        assert visit.run("return document.querySelectorAll('.cells :checked').length") == 0


def test_a_tab_whose_page_is_gone_keeps_what_stands_in_it_and_says_so(
    visit: Any, tmp_path: Path, odd_files: dict[str, Path]
) -> None:
    from selenium.webdriver.support.ui import Select

    first = serve(tmp_path)
    walk = Walk(visit, first)
    walk.choose(**odd_files)
    port = str(first.port)

    def change(value: str, said: str) -> None:
        Select(walk.driver.find_element("id", "device-role-0")).select_by_value(value)
        walk.says(said)
        assert visit.run("return document.querySelectorAll('#untaken').length") == 1
        chosen = "return document.querySelector('#device-role-0').value"
        assert visit.run(chosen) == value, "the answer stands there still"
        assert visit.run("return document.querySelectorAll('.busy').length") == 0

    first.end()
    change("end", "No answer came: the page has ended")
    second = serve(tmp_path, "--port", port)
    try:
        change("date", "This page is for the one who started it. Open the address that 'sleepagree page' printed.")
    finally:
        second.end()


def test_the_keyboard_alone_reaches_the_answer(visit: Any, served: Served) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    walk = Walk(visit, served)
    walk.choose(reference=FERRY / "reference/crew-3-night-2.edf", device=FERRY / "reference/crew-3-night-2.edf")
    for _ in range(80):
        ActionChains(walk.driver).send_keys(Keys.TAB).perform()
        if visit.run("return document.activeElement.textContent.trim()") == "Score the night":
            break
    shown = visit.run("return getComputedStyle(document.activeElement).outlineStyle")
    assert shown != "none"
    ActionChains(walk.driver).send_keys(Keys.ENTER).perform()
    walk.says("Everything")


class Keyboard:
    """Somebody who has no mouse."""

    def __init__(self, walk: Walk) -> None:
        self.walk = walk

    def keys(self, *keys: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.walk.driver).send_keys(*keys).perform()

    def reach(self, script: str) -> None:
        """Press Tab until something has the focus, and see that it is shown there."""
        from selenium.webdriver.common.keys import Keys

        for _ in range(400):
            if self.walk.visit.run(f"const e = document.activeElement; return {script}"):
                shown = "const s = getComputedStyle(document.activeElement); return s.outlineStyle != 'none'"
                assert self.walk.visit.run(shown), "nothing shows where the focus is"
                return
            self.keys(Keys.TAB)
        raise AssertionError(f"no Tab reaches it: {script}")

    def press(self, words: str) -> None:
        """Reach a button or a link, and press Enter."""
        from selenium.webdriver.common.keys import Keys

        self.reach(f"e.textContent.trim() === {json.dumps(words)}")
        before = self.walk.driver.find_element("tag name", "html").id
        self.keys(Keys.ENTER)
        self.walk.until(lambda: before != self.walk.driver.find_element("tag name", "html").id)

    def answer(self, id_: str, *keys: str) -> None:
        """Reach a question, answer it with these keys, go on, and wait for what that changes."""
        from selenium.webdriver.common.keys import Keys

        self.reach(f"e.id === {json.dumps(id_)}")
        content = self.walk.driver.find_element("id", "content").id
        self.keys(*keys, Keys.TAB)
        self.walk.until(lambda: self.walk.driver.find_element("id", "content").id != content)


def follows_the_rules(walk: Walk, axe: str) -> None:
    """See that a page is no wider than the window, and breaks no rule of axe-core."""
    visit = walk.visit
    assert visit.run("return document.documentElement.scrollWidth <= innerWidth")
    walk.driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    visit.run(axe)
    found = walk.driver.execute_async_script("axe.run({iframes: false}).then(arguments[0])")["violations"]
    assert [(v["id"], [n["html"][:200] for n in v["nodes"]]) for v in found] == []


@pytest.mark.parametrize(("width", "dark"), [(390, True), (1280, False)])
def test_the_keyboard_alone_scores_a_study(visit: Any, served: Served, axe: str, width: int, dark: bool) -> None:
    from selenium.webdriver.common.keys import Keys

    walk = Walk(visit, served, width=width, dark=dark)
    walk.drop(FERRY, "A folder")
    walk.until(lambda: visit.run("return document.querySelector('[name=folder]').files.length") > 24)
    keyboard = Keyboard(walk)
    keyboard.press("Look at it")
    follows_the_rules(walk, axe)
    keyboard.reach("e.name === '0.night'")
    keyboard.keys("first")  # Tab has marked what stood there
    for line in range(1, 22):
        keyboard.reach(f"e.name === '{line}.leave'")
        keyboard.keys(Keys.SPACE)
    keyboard.press("Keep the table so")
    assert walk.driver.find_element("name", "0.night").get_attribute("value") == "first"
    assert visit.run("return document.querySelectorAll('.cells tbody tr').length") == 3
    keyboard.press("Score the study")
    walk.until(lambda: visit.run("return !!document.querySelector('#far')"))
    follows_the_rules(walk, axe)
    keyboard.press("Stop it")
    walk.says("It was stopped.")
    follows_the_rules(walk, axe)
    keyboard.press("Back to the questions")
    keyboard.press("Score the study")
    walk.says("Everything", 180)
    follows_the_rules(walk, axe)


def test_the_keyboard_alone_says_which_files_belong_together(
    visit: Any, served: Served, axe: str, tmp_path: Path
) -> None:
    for p, n in ((p, n) for p in (1, 2) for n in (1, 2)):
        for path in (tmp_path / f"st/lab/0{p}/0{n}.csv", tmp_path / f"st/band/0{n}/0{p}.csv"):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("x")
    walk = Walk(visit, served, width=390, dark=True)
    walk.drop(tmp_path / "st", "A folder")
    walk.until(lambda: visit.run("return document.querySelector('[name=folder]').files.length") == 8)
    keyboard = Keyboard(walk)
    keyboard.press("Look at it")
    walk.says("Which is right?")
    follows_the_rules(walk, axe)
    keyboard.press("These belong together: band/{night}/{participant}.csv")
    walk.says("What the names make")
    assert "4 rows from 2 participants" in visit.run(CONTENT)
    follows_the_rules(walk, axe)


@pytest.mark.parametrize("width", [400, 1280])
def test_letters_of_the_hypnograms_beside_the_questions_can_be_read(visit: Any, served: Served, width: int) -> None:
    walk = Walk(visit, served, width=width)
    walk.choose(reference=FERRY / "reference/crew-3-night-2.edf", device=FERRY / "band-a/crew-3-night-2.csv")
    sizes = visit.run(
        "return [...document.querySelectorAll('.part .drawing svg text')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize) * e.getScreenCTM().a)"
    )
    assert min(sizes) >= 9
    assert visit.run("return document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.parametrize(("width", "dark"), [(390, True), (1280, False)])
def test_the_keyboard_alone_corrects_a_night(
    visit: Any, served: Served, axe: str, tmp_path: Path, width: int, dark: bool
) -> None:
    command_line(FERRY, "calibrate", "nights.csv", "--device", "band A", "--out", str(tmp_path / "learnt"))
    walk = Walk(visit, served, width=width, dark=dark)
    given = {"correction": tmp_path / "learnt/correction.json", "device": FERRY / "band-a/crew-3-night-2.csv"}
    for name, path in given.items():
        field = f'form[action="/begin/correction"] [name="{name}.file"]'
        walk.driver.find_element("css selector", field).send_keys(str(path))
    keyboard = Keyboard(walk)
    keyboard.reach("e.textContent.trim() === 'Look at them' && e.form.action.endsWith('/begin/correction')")
    keyboard.press("Look at them")
    follows_the_rules(walk, axe)
    keyboard.answer(visit.run("return document.querySelector('.labels .open select').id"), "wake")
    keyboard.press("Correct the night")
    walk.says("Everything")
    follows_the_rules(walk, axe)


@pytest.mark.parametrize(("width", "dark"), [(390, True), (1280, False)])
def test_the_keyboard_alone_answers_what_a_file_leaves_open(
    visit: Any, served: Served, axe: str, tmp_path: Path, width: int, dark: bool
) -> None:
    night = [*["Zed"] * 20, *["light"] * 400, *["deep"] * 100]
    (tmp_path / "numbered.csv").write_text("no;what\n" + "".join(f"{i};{w}\n" for i, w in enumerate(night)))
    walk = Walk(visit, served, width=width, dark=dark)
    walk.choose(reference=FERRY / "reference/crew-3-night-2.edf", device=tmp_path / "numbered.csv")
    follows_the_rules(walk, axe)
    keyboard = Keyboard(walk)
    unknown = visit.run("return document.querySelector('#side-device .labels .open select').id")
    keyboard.answer(unknown, "wake")
    keyboard.answer("device-begins", "soon")
    assert "Give a date and a time" in visit.run(CONTENT)
    assert visit.run("return document.querySelectorAll('svg.figure').length") == 2
    follows_the_rules(walk, axe)
    visit.run("document.activeElement.blur(); scrollTo(0, 0)")
    keyboard.reach("e.id === 'device-begins'")
    keyboard.answer("device-begins", "04/04/26 7:38")  # of which year, or which day, somebody must say
    assert "choose which" in visit.run(CONTENT)
    follows_the_rules(walk, axe)
    visit.run("document.activeElement.blur(); scrollTo(0, 0)")
    keyboard.answer("device-begins", "a")  # another
    visit.run("document.activeElement.blur(); scrollTo(0, 0)")
    keyboard.answer("device-begins", "7:38")
    assert "Taken as 22 April 2026, 07:38" in visit.run(CONTENT)
    keyboard.press("Score the night")
    walk.says("Everything")


@pytest.mark.parametrize(("width", "dark"), [(390, True), (1280, False)])
def test_it_fits_and_follows_the_rules_of_access(visit: Any, served: Served, axe: str, width: int, dark: bool) -> None:
    walk = Walk(visit, served, width=width, dark=dark)

    def check() -> None:
        assert visit.run("return document.documentElement.scrollWidth <= innerWidth")
        paper = visit.run("return getComputedStyle(document.documentElement).backgroundColor")
        assert paper == ("rgb(22, 24, 29)" if dark else "rgb(255, 255, 255)")
        walk.driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
        visit.run(axe)
        found = walk.driver.execute_async_script("axe.run({iframes: false}).then(arguments[0])")["violations"]
        assert [(v["id"], [n["html"][:200] for n in v["nodes"]]) for v in found] == []

    check()
    walk.choose(reference=FERRY / "reference/crew-3-night-2.edf", device=FERRY / "band-a/crew-3-night-2.csv")
    check()
    for i, stage in enumerate(("light", "wake", "N3")):
        if stage != "N3":
            walk.answer(f"device-stage-{i}", stage)
    walk.press("Score the night")
    walk.says("Everything")
    check()
    walk.press("Look at the clock")
    check()
