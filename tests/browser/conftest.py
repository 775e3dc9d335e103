"""A headless Chromium, the pages to look at, and the accessibility rules of axe-core; each skips with a reason."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))  # helpers of the tests above

AXE_VERSION = "4.10.3"


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Return a driver of a headless Chromium with an empty profile."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    driver_program = shutil.which("chromedriver")
    if program is None or driver_program is None:
        pytest.skip("no Chromium with its driver is installed (Debian: apt-get install chromium chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for argument in (
        "--headless", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
        "--disable-component-update", "--disable-sync", "--window-size=1200,900",
        f"--user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):  # fmt: skip
        options.add_argument(argument)
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")  # Chromium refuses to run as root with it
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver_program))
    yield driver
    driver.quit()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return reports of an invented night, of one with hostile names, and of an invented study."""
    import drawn
    from ferry import simulated_nights

    from sleepagree.study.results import StudyOptions
    from sleepagree.study.summarise import summarise_study
    from tests.told import night_page, study_page

    folder = tmp_path_factory.mktemp("pages")
    hostile = drawn.invented_night(
        labels=(drawn.HOSTILE, "Doze'\"", "De<ep>", "Dr&eam"), reference_name=drawn.HOSTILE, device_name=drawn.HOSTILE
    )
    study = summarise_study(simulated_nights(30, 2), StudyOptions(resamples=40, margins=(("TST", 30.0),)))
    texts = {
        "night": night_page(drawn.night_without_rem(), command="sleepagree night a.edf b.csv --out night"),
        "four classes": night_page(drawn.night_with_rem()),
        "hostile": night_page(hostile, command=f"sleepagree night '{drawn.HOSTILE}' b.csv"),
        "study": study_page(study, command="sleepagree study nights.csv --out results"),
    }
    found = {}
    for i, (name, text) in enumerate(texts.items()):
        found[name] = folder / f"page-{i}.html"
        found[name].write_text(text, encoding="utf-8")
    return found


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the source of axe-core: from $SLEEPAGREE_AXE (a node_modules folder), else fetched by npm for this run."""
    given = os.environ.get("SLEEPAGREE_AXE")
    if given:
        source = Path(given) / "axe-core" / "axe.min.js"
        if not source.is_file():
            pytest.fail(f"SLEEPAGREE_AXE holds no axe-core: {source}")
        return source.read_text(encoding="utf-8")
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed, and SLEEPAGREE_AXE names no folder with axe-core")
    folder = tmp_path_factory.mktemp("axe")
    command = [npm, "install", "--prefix", str(folder), "--no-audit", "--no-fund", "--ignore-scripts"]
    made = subprocess.run(
        [*command, f"axe-core@{AXE_VERSION}"], capture_output=True, text=True, timeout=180, check=False
    )
    if made.returncode:
        last = made.stderr.strip().splitlines()[-1:] or ["no message"]
        pytest.skip(f"npm could not fetch axe-core: {last[0]}")
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


class Visit:
    """A page in the browser."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, page: Path, *, width: int = 1200, dark: bool = False, media: str = "screen") -> None:
        """Load a page afresh, at a width, for a medium and a reader's setting."""
        self.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": [scheme]})
        for kind in ("browser", "performance"):
            self.driver.get_log(kind)
        self.driver.get(page.as_uri())
        # on a busy machine the page's script is at work after the page was loaded
        self.driver.execute_async_script(
            "const done = arguments[0]; const wait = () => requestAnimationFrame(() => requestAnimationFrame("
            "() => setTimeout(done, 100))); document.fonts.ready.then(wait);"
        )

    def run(self, script: str, *arguments: Any) -> Any:
        """Run a script in the page and return its value."""
        return self.driver.execute_script(script, *arguments)

    def complaints(self) -> list[str]:
        """Return what the page wrote to the console since it was opened."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Return what was asked of a network since the page was opened."""
        events = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        urls = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
        return [url for url in urls if not url.startswith(("file:", "data:"))]


@pytest.fixture
def visit(browser: Any) -> Visit:
    """Return the browser as something that visits pages."""
    return Visit(browser)
