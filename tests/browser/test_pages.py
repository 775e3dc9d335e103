"""Reports in a real browser: quiet, alone, usable by keyboard, readable at 400 pixels, dark and in print."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import Any

import drawn
import pytest
from ferry import simulated_nights

from sleepagree.figures import style
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.told import night_page, study_page

pytestmark = pytest.mark.browser

EVERY = ("night", "four classes", "hostile", "study")


def rgb(colour: str) -> str:
    return "rgb(" + ", ".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ")"


@pytest.mark.parametrize("name", EVERY)
def test_page_is_quiet_and_asks_for_nothing(visit: Any, pages: dict[str, Path], name: str) -> None:
    visit.open(pages[name])
    # use it, so that what its script does is heard, too
    visit.run("document.querySelectorAll('button, summary').forEach(b => b.click())")
    assert visit.complaints() == []
    assert visit.requests() == []


def test_hostile_names_are_shown_as_text(visit: Any, pages: dict[str, Path]) -> None:
    visit.open(pages["hostile"])
    assert visit.run("return document.querySelectorAll('img').length") == 0
    assert drawn.HOSTILE in visit.run("return document.querySelector('h1').textContent")
    assert drawn.HOSTILE in visit.run("return document.querySelector('#ledger').textContent")
    assert "<img" in visit.run("return document.title")
    assert visit.complaints() == []


def test_page_can_be_read_without_script(visit: Any, pages: dict[str, Path]) -> None:
    visit.open(pages["night"])
    visit.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    visit.driver.get(pages["night"].as_uri())
    visit.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert visit.run("return document.querySelectorAll('.look, th button').length") == 0
    assert visit.run("return document.querySelectorAll('table').length") > 8
    assert visit.run("return document.querySelector('svg.figure').getBoundingClientRect().height") > 200


# --- keyboard ---------------------------------------------------------------------------------------------

FOCUSABLE = "a[href], button:not([disabled]), input, summary, [tabindex='0']"


@pytest.mark.parametrize("name", ["night", "study"])
def test_keyboard_reaches_everything_and_shows_where_it_is(visit: Any, pages: dict[str, Path], name: str) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    visit.open(pages[name])
    wanted = visit.run(
        f'const all = Array.from(document.querySelectorAll("{FOCUSABLE}")).filter(e => e.checkVisibility());'
        "all.forEach((e, i) => e.setAttribute('data-serial', i)); return all.length"
    )
    assert wanted > 20
    seen: dict[str, bool] = {}
    for _ in range(wanted + 3):
        ActionChains(visit.driver).send_keys(Keys.TAB).perform()
        found = visit.run(
            "const e = document.activeElement; const s = getComputedStyle(e);"
            "return [e.getAttribute('data-serial'), s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2]"
        )
        if found[0] is not None:
            seen[found[0]] = found[1]
    assert len(seen) == wanted
    assert all(seen.values())


def test_tables_are_sorted_by_the_keyboard(visit: Any, pages: dict[str, Path]) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    visit.open(pages["study"])
    head = visit.driver.find_element(By.CSS_SELECTOR, "#limits-0 thead th:nth-child(4) button")
    assert head.text.startswith("bias")

    def column() -> list[float]:
        texts = visit.run(
            "return Array.from(document.querySelectorAll('#limits-0 tbody tr')).map(r => r.cells[3].textContent)"
        )
        return [float(text.replace("−", "-").split()[0]) for text in texts]

    given = column()
    head.send_keys(Keys.ENTER)
    assert column() == sorted(given)
    assert head.find_element(By.XPATH, "..").get_attribute("aria-sort") == "ascending"
    head.send_keys(Keys.ENTER)
    assert column() == sorted(given, reverse=True)
    assert head.find_element(By.XPATH, "..").get_attribute("aria-sort") == "descending"
    first = visit.driver.find_element(By.CSS_SELECTOR, "#limits-0 thead th:nth-child(1) button")
    first.click()
    names = visit.run("return Array.from(document.querySelectorAll('#limits-0 tbody th')).map(c => c.textContent)")
    assert names == sorted(names, key=str.casefold)
    assert visit.run("return document.querySelectorAll('#limits-0 [aria-sort]').length") == 1


def test_values_that_are_missing_stay_at_the_end(visit: Any, pages: dict[str, Path]) -> None:
    visit.open(pages["night"])
    for _ in range(2):
        visit.run("document.querySelector('#measures-table thead th:nth-child(5) button').click()")
        texts = visit.run(
            "return Array.from(document.querySelectorAll('#measures-table tbody tr')).map(r => r.cells[3].textContent)"
        )
        assert set(texts[-3:]) == {"–"}


# --- hypnograms -------------------------------------------------------------------------------------------


def epoch_words(epoch: int) -> tuple[str, str]:
    """Return what both sides say of an epoch, from the night itself."""
    paired = drawn.night_without_rem().paired
    said = []
    for codes, stage_set in ((paired.reference, paired.reference_set), (paired.device, paired.device_set)):
        code = int(codes[epoch])
        stage = "gap" if code < 0 else stage_set.stages[code]
        said.append({"W": "wake", "R": "REM"}.get(stage, stage))
    return said[0], said[1].replace("N3", "deep")


def test_slider_reads_single_epochs(visit: Any, pages: dict[str, Path]) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    visit.open(pages["night"])
    slider = visit.driver.find_element(By.CSS_SELECTOR, ".look input")
    for epoch in (0, 120, 305, 599):
        visit.run(
            "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('input'))", slider, str(epoch)
        )
        reference, device = epoch_words(epoch)
        text = visit.run("return document.querySelector('.look output').textContent")
        assert f"reference {reference}, device {device}" in text
        # the night begins at 22:41:30
        seconds = (22 * 3600 + 41 * 60 + 30 + epoch * 30) % 86400
        assert text.startswith(f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}")
    slider.send_keys(Keys.ARROW_LEFT)
    assert slider.get_attribute("value") == "598"
    assert slider.get_attribute("aria-valuetext").startswith("03:40:30")


def test_closer_and_wider_move_what_is_drawn(visit: Any, pages: dict[str, Path]) -> None:
    from selenium.webdriver.common.by import By

    visit.open(pages["night"])
    buttons = {b.text: b for b in visit.driver.find_elements(By.CSS_SELECTOR, ".look button")}
    assert list(buttons) == ["Closer", "Wider", "Whole night", "Earlier", "Later"]
    matrix = "return document.querySelector('svg .moved').getAttribute('transform')"
    ticks = (
        "return Array.from(document.querySelectorAll('#figure-hypnograms svg text'))"
        ".filter(t => t.checkVisibility({visibilityProperty: true}) && /^\\d\\d:\\d\\d$/.test(t.textContent))"
        ".map(t => t.textContent)"
    )
    assert visit.run(matrix).startswith("matrix(1 ")
    assert not buttons["Wider"].is_enabled()
    whole = visit.run(ticks)
    assert whole == ["23:00", "00:00", "01:00", "02:00", "03:00"]
    buttons["Closer"].click()
    buttons["Closer"].click()
    assert visit.run(matrix).startswith("matrix(4 ")
    near = visit.run(ticks)
    assert all(text.endswith("0") for text in near)
    # a quarter of 5 hours in steps of 10 minutes
    assert 7 <= len(near) <= 8
    buttons["Later"].click()
    assert visit.run(ticks)[0] > near[0]
    buttons["Whole night"].click()
    assert visit.run(matrix).startswith("matrix(1 ")
    assert visit.run(ticks) == whole


@pytest.mark.parametrize("epochs", [60, 9600])
def test_a_nap_and_a_window_of_days_are_read_by_epochs_and_hours_stand_apart(
    visit: Any, tmp_path: Path, epochs: int
) -> None:
    from selenium.webdriver.common.by import By

    page = tmp_path / "page.html"
    page.write_text(night_page(drawn.invented_night(epochs=epochs, gaps=False)), encoding="utf-8")
    visit.open(page)
    closer = next(b for b in visit.driver.find_elements(By.CSS_SELECTOR, ".look button") if b.text == "Closer")
    for _ in range(3):
        boxes = visit.run(
            "return Array.from(document.querySelectorAll('#figure-hypnograms svg text'))"
            ".filter(t => t.checkVisibility({visibilityProperty: true}) && /^\\d\\d:\\d\\d$/.test(t.textContent))"
            ".map(t => t.getBoundingClientRect()).map(box => [box.left, box.right])"
        )
        boxes.sort()
        assert boxes
        assert all(a[1] < b[0] for a, b in pairwise(boxes))
        closer.click()


def test_pointing_reads_the_epoch_under_the_pointer(visit: Any, pages: dict[str, Path]) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By

    visit.open(pages["night"])
    svg = visit.driver.find_element(By.CSS_SELECTOR, "#figure-hypnograms svg")
    visit.run("arguments[0].scrollIntoView({block: 'center'})", svg)
    ActionChains(visit.driver).move_to_element(svg).perform()
    epoch = int(visit.run("return document.querySelector('.look input').value"))
    reference, device = epoch_words(epoch)
    assert 250 < epoch < 320
    assert f"reference {reference}, device {device}" in visit.run(
        "return document.querySelector('.look output').textContent"
    )


# --- looks ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EVERY)
def test_page_fits_four_hundred_pixels(visit: Any, pages: dict[str, Path], name: str) -> None:
    visit.open(pages[name], width=400)
    assert visit.run("return document.documentElement.scrollWidth") <= 400
    # what is wider scrolls inside a region that the keyboard reaches and that has a name
    stuck = visit.run(
        "return Array.from(document.querySelectorAll('*')).filter(e => {"
        "  const s = getComputedStyle(e); return e.scrollWidth > e.clientWidth + 1 && s.overflowX === 'auto' &&"
        "  !(e.tabIndex === 0 && (e.getAttribute('aria-labelledby') || e.getAttribute('aria-label')))"
        "}).map(e => e.outerHTML.slice(0, 80))"
    )
    assert stuck == []
    small = visit.run(
        "return Array.from(document.querySelectorAll('p, li, td, th, figcaption')).filter(e => "
        "parseFloat(getComputedStyle(e).fontSize) < 13).length"
    )
    assert small == 0


BOX = (
    "const b = document.querySelector(arguments[0]).getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]"
)


def test_what_the_classes_were_stands_beside_the_hypnograms(visit: Any, pages: dict[str, Path]) -> None:
    drawings = "#figure-hypnograms .drawing", "#figure-device-classes .drawing"
    visit.open(pages["night"], width=1280)
    night, classes = (visit.run(BOX, name) for name in drawings)
    assert night[2] <= classes[0]
    assert night[1] < classes[3]
    assert classes[1] < night[3]
    assert classes[3] < 900, "both are seen without scrolling"
    visit.open(pages["night"], width=390)
    night, classes = (visit.run(BOX, name) for name in drawings)
    assert night[3] <= classes[1]


@pytest.mark.parametrize(
    ("name", "table", "column"),
    [("study", "answer-limits-0", 3), ("study", "limits-0", 3), ("night", "measures-table", 4)],
)
def test_the_column_that_matters_is_on_a_small_screen(
    visit: Any, pages: dict[str, Path], name: str, table: str, column: int
) -> None:
    visit.open(pages[name], width=390)
    assert visit.run(BOX, f"#{table} tbody tr td:nth-child({column + 1})")[2] <= 390
    # the names of the rows stay where the rest goes on
    visit.run(f"document.querySelector('#{table}').parentElement.scrollLeft = 60")
    region, names = visit.run(BOX, f".scroll:has(#{table})"), visit.run(BOX, f"#{table} tbody th")
    assert names[0] == pytest.approx(region[0], abs=1)


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", EVERY)
def test_what_goes_on_to_the_right_says_so(visit: Any, pages: dict[str, Path], name: str, width: int) -> None:
    visit.open(pages[name], width=width)
    visit.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    visit.run("window.dispatchEvent(new Event('resize'))")
    told = visit.run(
        "return Array.from(document.querySelectorAll('.scroll:not(pre), .wide .drawing')).map(e => "
        "[e.scrollWidth > e.clientWidth + 1, e.previousElementSibling.matches('.hint') && "
        "e.previousElementSibling.checkVisibility()])"
    )
    assert len(told) > 8
    assert [hidden for hidden, _ in told] == [said for _, said in told]
    if width == 390:
        assert any(hidden for hidden, _ in told)


#: Parts of the text of number cells that are drawn on more than one line: the box of each word, by its tops.
BROKEN = """
return Array.from(document.querySelectorAll('td.number')).filter(cell => cell.checkVisibility()).flatMap(cell => {
  const text = cell.firstChild;
  if (!text || text.nodeType !== Node.TEXT_NODE) { return []; }
  const whole = !cell.classList.contains('pair');
  const words = Array.from(text.data.matchAll(/\\S+/g), m => [m.index, m.index + m[0].length]);
  const parts = whole ? [[0, text.length]] : words;
  return parts.filter(part => {
    const range = document.createRange();
    range.setStart(text, part[0]);
    range.setEnd(text, part[1]);
    return new Set(Array.from(range.getClientRects(), r => Math.round(r.top))).size > 1;
  }).map(() => text.data);
});
"""


@pytest.mark.parametrize(("width", "media"), [(390, "screen"), (680, "print")])
@pytest.mark.parametrize("name", EVERY)
def test_no_number_is_broken(visit: Any, pages: dict[str, Path], name: str, width: int, media: str) -> None:
    # A4 without its margins: 180 mm at 96 pixels to the inch
    visit.open(pages[name], width=width, media=media)
    assert visit.run("return document.querySelectorAll('td.number').length") > 20
    assert visit.run(BROKEN) == []


@pytest.mark.parametrize("name", EVERY)
def test_no_short_word_of_a_table_is_broken_in_print(visit: Any, pages: dict[str, Path], name: str) -> None:
    visit.open(pages[name], width=680, media="print")
    words = BROKEN.replace("td.number", "th, td:not(.number)").replace("const whole = ", "const whole = false && ")
    assert [text for text in visit.run(words) if max(map(len, text.split())) <= 24] == []


def test_short_tables_are_not_split_in_print(visit: Any, pages: dict[str, Path]) -> None:
    visit.open(pages["night"], width=680, media="print")
    style = "return getComputedStyle(document.querySelector('#ledger-table').closest('.scroll')).breakInside"
    assert visit.run(style) == "avoid"


@pytest.mark.parametrize("name", EVERY)
def test_negative_numbers_have_one_minus_sign(visit: Any, pages: dict[str, Path], name: str) -> None:
    visit.open(pages[name])
    cells = visit.run("return Array.from(document.querySelectorAll('td.number'), c => c.textContent)")
    if name != "hostile":
        assert any("−" in text for text in cells)
    assert [text for text in cells if re.search(r"(?<![\w.-])-\.?\d", text)] == []


@pytest.mark.parametrize("dark", [False, True])
def test_colours_follow_the_reader(visit: Any, pages: dict[str, Path], dark: bool) -> None:
    visit.open(pages["night"], dark=dark)
    variant = "dark" if dark else "light"
    assert visit.run("return getComputedStyle(document.documentElement).backgroundColor") == rgb(
        getattr(style.PAPER, variant)
    )
    assert visit.run("return getComputedStyle(document.querySelector('#figure-bias-sources svg text')).fill") == rgb(
        getattr(style.INK, variant)
    )


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [400, 1200])
@pytest.mark.parametrize("name", ["night", "study"])
def test_no_serious_barrier(visit: Any, pages: dict[str, Path], axe: str, name: str, width: int, dark: bool) -> None:
    visit.open(pages[name], width=width, dark=dark)
    visit.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    visit.run(axe)
    visit.driver.set_script_timeout(60)
    found = visit.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']}).then(r => done(r.violations.map("
        "v => [v.impact, v.id, v.nodes.length, v.nodes[0].html.slice(0, 160)])));"
    )
    assert [v for v in found if v[0] in ("serious", "critical")] == []


# --- print ------------------------------------------------------------------------------------------------

PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


@pytest.mark.parametrize("name", EVERY)
def test_no_table_is_wider_than_the_paper(visit: Any, pages: dict[str, Path], name: str) -> None:
    # A4 without its margins: 180 mm at 96 pixels to the inch
    visit.open(pages[name], width=680, media="print")
    cut = visit.run(
        "return Array.from(document.querySelectorAll('.scroll, .drawing')).filter(e => e.checkVisibility() && "
        "e.scrollWidth > e.clientWidth + 1).map(e => [e.textContent.slice(0, 60), e.scrollWidth, e.clientWidth])"
    )
    assert cut == []
    assert visit.run("return document.documentElement.scrollWidth") <= 680


def printed_sheets(visit: Any, folder: Path, paper: str) -> list[str]:
    """Print the page that is open and return the words of each sheet with their boxes."""
    # what was emulated for the screen would be printed, too
    visit.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    visit.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    width, height = PAPERS[paper]
    printed = visit.driver.execute_cdp_cmd(
        "Page.printToPDF",
        {"paperWidth": width, "paperHeight": height, "printBackground": True, "preferCSSPageSize": False},
    )
    pdf = folder / "page.pdf"
    pdf.write_bytes(base64.b64decode(printed["data"]))
    boxes = subprocess.run(["pdftotext", "-bbox", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    return boxes.split("<page ")[1:]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", ["night", "four classes"])
def test_a_night_is_printed_on_three_sheets(
    visit: Any, pages: dict[str, Path], tmp_path: Path, name: str, paper: str
) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (Debian: apt-get install poppler-utils)")
    visit.open(pages[name])
    folded = visit.run("return document.querySelectorAll('details').length")
    sheets = printed_sheets(visit, tmp_path, paper)
    assert len(sheets) <= 3
    assert min(sheet.count("<word ") for sheet in sheets) > 40
    words = " ".join(re.findall(r">([^<]*)</word>", "".join(sheets)))
    assert words.count("(folded on screen, so not printed)") == folded >= 4


@pytest.mark.parametrize("devices", [("band A",), ("band A", "pad B")], ids=" ".join)
def test_a_figure_that_a_reader_unfolds_is_printed(visit: Any, tmp_path: Path, devices: tuple[str, ...]) -> None:
    nights = [night for night in simulated_nights(3, 1) if night.device in devices]
    page = tmp_path / "report.html"
    page.write_text(study_page(summarise_study(nights, StudyOptions(resamples=40))), encoding="utf-8")
    visit.open(page, width=680, media="print")
    visit.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    hidden = visit.run(
        "return Array.from(document.querySelectorAll('figure')).filter(f => !f.querySelector('svg').checkVisibility())"
        ".map(f => f.id)"
    )
    assert hidden == []


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", ["night", "study"])
def test_print_holds_every_row_once_and_repeats_heads(
    visit: Any, pages: dict[str, Path], tmp_path: Path, name: str, paper: str
) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (Debian: apt-get install poppler-utils)")
    visit.open(pages[name])
    # a table that is folded is printed where a reader unfolds it
    visit.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    width, _ = PAPERS[paper]
    sheets = printed_sheets(visit, tmp_path, paper)
    # pages of text; one nearly empty sheet may end a report
    assert 3 <= len(sheets) <= 60
    for sheet in sheets:
        for left, right in re.findall(r'xMin="([-\d.]+)"[^>]*xMax="([-\d.]+)"', sheet):
            assert float(left) >= 15 / 25.4 * 72 - 2
            assert float(right) <= width * 72 - 15 / 25.4 * 72 + 2
    words = [re.findall(r'<word xMin="[-\d.]+" yMin="([-\d.]+)"[^>]*>([^<]*)<', sheet) for sheet in sheets]
    table = "nights-table" if name == "study" else "measures-table"
    rows = visit.run(
        f"return Array.from(document.querySelectorAll('#{table} tbody tr')).map("
        "r => Array.from(r.cells).map(c => c.textContent))"
    )
    lines: Counter[str] = Counter()
    heads = 0
    for sheet in words:
        by_line: dict[float, list[str]] = {}
        for y, word in sheet:
            by_line.setdefault(round(float(y)), []).append(word)
        joined = [" ".join(parts) for parts in by_line.values()]
        lines.update(joined)
        first = "participant night device scored accuracy" if name == "study" else "measure unit reference device"
        heads += any(line.startswith(first) for line in joined)
    text = "\n".join(lines.elements())
    for row in rows:
        assert " ".join(part for part in " ".join(row).split()) in text
    if name == "study":
        assert heads >= 2, "the head of the table of nights stands on every sheet that it reaches"
