"""What the terminal and the page say of a few nights, word for word.

Each folder of tests/golden/night holds a command, the files that it reads unless they are fixtures, and what the
command said when somebody last read it and found it right: ``terminal.txt``, ``terminal-40.txt`` of a terminal that
narrow, and ``page.txt``, the text of its page in
reading order. ``pytest tests/describe/test_golden_nights.py --regenerate-golden`` writes both anew; read the
difference.
"""

from __future__ import annotations

import re
import shlex
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.render.columns import columns_of
from sleepagree.render.terminal import MOST_LINES
from tests.commands import narrow_terminal

ROOT = Path(__file__).parents[2]
CASES = sorted(path.parent for path in (ROOT / "tests" / "golden" / "night").glob("*/command.txt"))

#: Versions differ between machines, the folder of a run between runs.
VERSION = re.compile(r"\b(sleepagree|Python|numpy|matplotlib)( \| | )\d+(?:\.\w+)*")


class PageText(HTMLParser):
    """The text of a page in reading order: a line for each paragraph, item, row or caption; of drawings their words."""

    ENDS = frozenset({"p", "h1", "h2", "h3", "li", "tr", "caption", "figcaption", "title", "desc", "pre", "summary"})
    SILENT = frozenset({"style", "script", "nav"})

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._line = ""
        self._open: list[str] = []
        self._hidden: int | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "meta":
            self._open.append(tag)
        if tag in ("th", "td") and self._line.strip():
            self._line += " | "
        if self._hidden is None and any(name == "hidden" for name, _ in attrs):
            self._hidden = len(self._open)

    def handle_endtag(self, tag: str) -> None:
        if self._hidden == len(self._open):
            self._hidden = None
        self._open.pop()
        if tag in self.ENDS and self._line.strip():
            self.lines.append(" ".join(self._line.split()))
        if tag in self.ENDS:
            self._line = ""

    def handle_data(self, data: str) -> None:
        drawn = "svg" in self._open and self._open[-1] not in ("title", "desc")
        if not drawn and self._hidden is None and not self.SILENT & set(self._open):
            self._line += data


def text_of_page(html: str) -> str:
    page = PageText()
    page.feed(html)
    return "\n".join(page.lines) + "\n"


def test_there_are_cases() -> None:
    assert len(CASES) >= 6


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.name)
def test_terminal_and_page_say_what_was_found_right(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config
) -> None:
    monkeypatch.chdir(ROOT)
    words = shlex.split((case / "command.txt").read_text(encoding="utf-8"))
    done = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    narrow_terminal(monkeypatch)
    narrow = CliRunner().invoke(main, words).stdout
    # a path to paste stays whole
    assert max(columns_of(line) for line in narrow.splitlines() if "fixtures/" not in line) <= 40
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    page = VERSION.sub(r"\1\2VERSION", text_of_page(html))
    said = {"terminal.txt": done.stdout, "terminal-40.txt": narrow, "page.txt": page}
    for name, text in said.items():
        path = case / name
        if pytestconfig.getoption("--regenerate-golden"):
            path.write_bytes(text.encode("utf-8"))
        assert text == path.read_bytes().decode("utf-8")


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.name)
def test_the_first_twelve_lines_answer_what_deep_was(case: Path) -> None:
    lines = (case / "terminal.txt").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= MOST_LINES
    text = " ".join(" ".join(lines[:12]).split())
    assert re.search(r"In [\d.]+ of 100 epochs both say the same stage", text)
    assert re.search(r"called (?:deep|N3|De<ep>)\b", text)
    if " REM" in " ".join(lines) and "No epoch was called N3" not in text:
        assert re.search(r"REM is [\d.]+ % of the night", text)
