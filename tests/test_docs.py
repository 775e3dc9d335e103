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

from sleepagree.cli.group import main
from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS
from tests.test_layers import ROOMS

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
_BLOCK = re.compile(r"```(?:sh|console|bash)\n(.*?)```", re.DOTALL)
#: A cluster of one's own, and a page that is served until somebody ends it: tests/cluster and tests/page run them.
_ELSEWHERE = ("--scheduler", "sleepagree page")


def commands_of(page: Path) -> list[str]:
    found = []
    for block in _BLOCK.findall(page.read_text(encoding="utf-8")):
        for line in block.replace("\\\n", " ").splitlines():
            text = line.strip().removeprefix("$ ")
            if text.startswith("sleepagree ") and not any(word in text for word in _ELSEWHERE):
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


def test_the_page_on_writing_up_shows_the_tables_that_its_command_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = ROOT / "docs" / "writing_it_up.md"
    shutil.copytree(ROOT / "fixtures", tmp_path / "fixtures")
    monkeypatch.chdir(tmp_path)
    (command,) = commands_of(page)
    assert CliRunner().invoke(main, shlex.split(command)[1:]).exit_code == 0
    text = page.read_text(encoding="utf-8")
    shown = re.findall(r"^`(paper/tables/[\w.-]+)`[^`]*```text\n(.*?)```", text, re.DOTALL | re.MULTILINE)
    assert len(shown) == 2
    for name, block in shown:
        assert block == (tmp_path / name).read_text(encoding="utf-8")
    listed = set(re.findall(r"^\| `([a-z-]+)` \|", text, re.MULTILINE))
    assert listed == {path.name.partition("_")[0].partition(".")[0] for path in Path("paper/tables").iterdir()}


def test_the_python_example_of_the_readme_runs(tmp_path: Path) -> None:
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert blocks
    for block in blocks:
        done = subprocess.run([sys.executable, "-c", block], cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_the_readme_shows_what_its_first_line_prints(monkeypatch: pytest.MonkeyPatch) -> None:
    """The block is parts of the real output, in order, parted by lines of three points."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    words = re.findall(r"bin/sleepagree (night .*)", text)[0]
    monkeypatch.chdir(ROOT)
    result = CliRunner().invoke(main, shlex.split(words))
    assert result.exit_code == 0
    left = f"\n{result.stdout}"
    for part in re.findall(r"```text\n(.*?)```", text, re.DOTALL)[0].split("...\n"):
        assert f"\n{part}" in left, f"not printed, or not in this order:\n{part}"
        left = "\n" + left.partition(f"\n{part}")[2]


def test_the_recipes_give_what_the_page_says() -> None:
    outcome = doctest.testfile(str(ROOT / "docs" / "recipes.md"), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 50
    assert outcome.failed == 0


def test_the_page_on_python_gives_what_it_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)  # the page writes files
    monkeypatch.setenv("MPLBACKEND", "agg")
    outcome = doctest.testfile(str(ROOT / "docs" / "python.md"), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 25
    assert outcome.failed == 0


def test_the_page_on_python_lists_the_public_names() -> None:
    import sleepagree

    text = (ROOT / "docs" / "python.md").read_text(encoding="utf-8").partition("## Public names")[2]
    assert sorted(re.findall(r"`(\w+)`", text)) == sleepagree.__all__


def test_the_page_on_python_names_the_built_in_mappings_in_their_order() -> None:
    text = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    told = text.partition("from fine to coarse")[2].partition("One of your own")[0]
    assert re.findall(r"`([a-z0-9-]+)`", told) == [mapping.name for mapping in BUILT_IN_MAPPINGS]


def test_every_path_that_developers_are_sent_to_exists() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?<![\w/.])(?:sleepagree|tests|docs|fixtures|\.ci)/[\w./]*\w/?", text))
    assert len(named) > 40
    assert not [path for path in sorted(named) if not (ROOT / path).exists()]


def test_every_name_that_developers_are_sent_to_is_made_in_its_file() -> None:
    """In "`name` of `path.py`" and the like: names and paths that share a row or a step."""
    for line in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines():
        paths = re.findall(r"`(sleepagree/[\w/]+\.py)`", line)
        names = re.findall(r"`([A-Z_][A-Z_]{4,}|[a-z]+_[a-z_]+|_[a-z_]+)`", line)
        held = "".join((ROOT / path).read_text(encoding="utf-8") for path in paths)
        made = (rf"(?:def|class) {name}\b|^\s*{name}(?::.*)? =" for name in names)
        assert not [pattern for pattern in made if paths and not re.search(pattern, held, re.MULTILINE)], line


def test_every_helper_of_the_tests_is_told() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    helpers = [p.name for p in (ROOT / "tests").glob("*.py") if not p.name.startswith(("test_", "conftest"))]
    assert not [name for name in helpers if f"| `tests/{name}` |" not in text]


def test_rooms_that_developers_are_shown_stand_in_the_order_of_imports() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = re.findall(r"^\| `sleepagree/(\w+)(?:/|\.py)` \|", text, re.MULTILINE)
    assert shown == [room for room in ROOMS if room in shown]
    assert set(shown) == set(ROOMS)


def headings_of(page: Path) -> set[str]:
    """Return the anchors of a page's headings, as Markdown is usually rendered."""
    heads = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.casefold()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_of_the_page_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            path, _, anchor = target.partition("#")
            linked = page.parent / path if path else page
            assert linked.exists(), f"{page.name} links to {target}"
            assert not anchor or anchor in headings_of(linked), f"{page.name} links to {target}"


@pytest.mark.parametrize("name", ["make_command_reference", "make_examples"])
def test_a_page_that_is_made_is_not_stale(name: str) -> None:
    script = ROOT / "docs" / f"{name}.py"
    done = subprocess.run([sys.executable, str(script), "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_every_example_is_shown() -> None:
    text = (ROOT / "docs" / "examples.md").read_text(encoding="utf-8")
    scripts = [path.read_text(encoding="utf-8") for path in (ROOT / "docs" / "examples").glob("*.py")]
    assert len(scripts) >= 4
    assert all(script in text for script in scripts)


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
