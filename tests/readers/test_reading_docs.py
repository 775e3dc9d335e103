"""The examples of the pages about reading and writing are run as they stand."""

import doctest
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from sleepagree.readers.json.file import read_json
from sleepagree.readers.layout import read_layout
from tests.said import said

DOCS = Path(__file__).parents[2] / "docs"
PAGES = ("reading_json.md", "inspect.md", "export.md")


def blocks(page: str, language: str) -> list[str]:
    return re.findall(
        rf"^```{language}\n(.*?)^```$", (DOCS / page).read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )


@pytest.mark.parametrize(("number", "stages"), [(0, ("light",)), (1, ("light", "R")), (2, ("W", "light"))])
def test_json_examples_are_read(tmp_path, number, stages):
    path = tmp_path / "example.json"
    path.write_text(blocks("reading_json.md", "json")[number], encoding="utf-8")
    spans = read_json(path)
    assert spans.stages == stages
    assert not [note for note in said(spans.notes) if note.startswith("summary_disagrees")]


def test_there_are_no_other_json_examples():
    assert len(blocks("reading_json.md", "json")) == 3


@pytest.mark.parametrize("page", PAGES)
def test_layout_examples_are_layouts(tmp_path, page):
    for i, text in enumerate(blocks(page, "toml")):
        path = tmp_path / f"{i}.toml"
        path.write_text(text, encoding="utf-8")
        read_layout(path)


@pytest.mark.parametrize("page", PAGES)
def test_python_examples_run(page):
    examples = "\n".join(blocks(page, "python"))
    test = doctest.DocTestParser().get_doctest(examples, {}, page, page, 0)
    runner = doctest.DocTestRunner()
    runner.run(test)
    assert runner.summarize(verbose=False).failed == 0
    assert bool(test.examples) == (page == "export.md")


@pytest.mark.parametrize("command", ["inspect", "nights"])
def test_every_option_of_a_command_is_described(command):
    page = (DOCS / "inspect.md").read_text(encoding="utf-8")
    options = set(re.findall(r"--[a-z-]+", CliRunner().invoke(main, [command, "--help"]).stdout))
    common = {"--help", "--overwrite", "--quiet"}
    assert not [option for option in options - common if option not in page]
