"""The docs tell the truth: every command in them runs, every link leads somewhere, the reference is not stale."""

from __future__ import annotations

import doctest
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import COMMANDS, main

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
_BLOCK = re.compile(r"```(?:sh|console|bash)\n(.*?)```", re.DOTALL)
#: Needs a cluster of one's own; tests/cluster runs it on one it starts itself.
_ELSEWHERE = "--scheduler"


def commands_of(page: Path) -> list[str]:
    found = []
    for block in _BLOCK.findall(page.read_text(encoding="utf-8")):
        for line in block.replace("\\\n", " ").splitlines():
            text = line.strip().removeprefix("$ ")
            if text.startswith("sleepagree ") and _ELSEWHERE not in text:
                found.append(text)
    return found


@pytest.mark.parametrize("page", [p for p in PAGES if commands_of(p)], ids=lambda p: p.name)
def test_every_command_of_the_page_runs(page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of the page, in a folder that holds the fixtures and the invented study."""
    shutil.copytree(ROOT / "fixtures", tmp_path / "fixtures")
    shutil.copytree(ROOT / "fixtures" / "ferry", tmp_path / "ferry")
    monkeypatch.chdir(tmp_path)
    for text in commands_of(page):
        words = shlex.split(text.split("#", 1)[0] if " # " in text else text)[1:]
        if words[:2] == ["demo", "ferry"]:
            shutil.rmtree(tmp_path / "ferry")
        result = CliRunner().invoke(main, words)
        assert result.exit_code == 0, f"{text}\n{result.output}\n{result.exception!r}"


def test_the_python_example_of_the_readme_runs(tmp_path: Path) -> None:
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert blocks
    for block in blocks:
        done = subprocess.run([sys.executable, "-c", block], cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_the_recipes_give_what_the_page_says() -> None:
    outcome = doctest.testfile(str(ROOT / "docs" / "recipes.md"), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 50
    assert outcome.failed == 0


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_of_the_page_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_command_reference_is_not_stale() -> None:
    script = ROOT / "docs" / "make_command_reference.py"
    done = subprocess.run([sys.executable, str(script), "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", list(COMMANDS))
def test_the_short_help_in_the_list_is_that_of_the_command(name: str) -> None:
    command = main.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    assert command.get_short_help_str(200).rstrip(".") == COMMANDS[name][1].rstrip(".")


def test_every_layout_key_and_mapping_is_documented() -> None:
    from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS

    text = (ROOT / "docs" / "mappings.md").read_text(encoding="utf-8")
    for mapping in BUILT_IN_MAPPINGS:
        assert f"`{mapping.name}`" in text


def test_caution_stands_in_readme_and_help() -> None:
    readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").replace(">", "").split())
    shown = " ".join(CliRunner().invoke(main, ["--help"]).output.split())
    for text in (readme, shown):
        assert "no medical device" in text
        assert "agreement says nothing about a sleep disorder" in text
        assert "Staging of record follows the AASM manual and a qualified scorer" in text
        assert "local rules and a clinician come first" in text
