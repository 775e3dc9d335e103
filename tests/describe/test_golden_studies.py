"""What the terminal, the page and ``bias`` say of a few studies, word for word.

Each folder of tests/golden/study holds the words of a command, what it reads beside the invented ferry study, and what
was said when somebody last read it and found it right: ``terminal.txt``, ``page.txt``, the text of its page in reading
order, and ``bias.txt``. ``pytest tests/describe/test_golden_studies.py --regenerate-golden`` writes them anew; read
the difference.
"""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.render.columns import columns_of
from tests.commands import narrow_terminal
from tests.describe.test_golden_nights import ROOT, VERSION, text_of_page

CASES = sorted(path.parent for path in (ROOT / "tests" / "golden" / "study").glob("*/command.txt"))
TEXTS = ("terminal.txt", "terminal-40.txt", "page.txt", "bias.txt")

#: scipy is named only where something has loaded it, an earlier test for one.
SCIPY = re.compile(r"^scipy \| .*\n", re.MULTILINE)


def test_there_are_cases() -> None:
    assert len(CASES) >= 4


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.name)
def test_terminal_page_and_bias_say_what_was_found_right(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config
) -> None:
    ferry = shutil.copytree(ROOT / "fixtures" / "ferry", tmp_path / "ferry")
    shutil.copytree(case, ferry, dirs_exist_ok=True)
    monkeypatch.chdir(ferry)
    words = shlex.split((case / "command.txt").read_text(encoding="utf-8"))
    study = CliRunner().invoke(main, ["study", *words, "--out", "out"])
    bias = CliRunner().invoke(main, ["bias", *words])
    with monkeypatch.context() as patched:
        narrow_terminal(patched)
        narrow = CliRunner().invoke(main, ["study", *words, "--out", "out", "--overwrite"])
    pasted = ("Written to", "    band-a/", "    reference/", "  sleepagree clock reference/")
    assert max(columns_of(line) for line in narrow.stdout.splitlines() if not line.startswith(pasted)) <= 40
    has_refused = "\nREFUSED: " in study.stdout
    assert [done.exit_code for done in (study, bias)] == [3 if has_refused else 0] * 2, study.output
    html = Path("out", "report.html").read_text(encoding="utf-8")
    page = SCIPY.sub("", VERSION.sub(r"\1\2VERSION", text_of_page(html)))
    for name, text in zip(TEXTS, (study.stdout, narrow.stdout, page, bias.stdout), strict=True):
        path = case / name
        if pytestconfig.getoption("--regenerate-golden"):
            path.write_bytes(text.encode("utf-8"))
        assert text == path.read_bytes().decode("utf-8")
        if name != "page.txt":
            assert max(map(len, text.splitlines())) <= 80
