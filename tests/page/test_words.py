"""No sentence that can reach the page speaks of options, commands or layouts: each has words for the page, too."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

import sleepagree
from sleepagree.errors import ASKED, Front, Option, asked, for_page, name_options
from sleepagree.page.questions import BLANKS
from tests.page.words import WORDS_OF_COMMANDS

HOUSE = Path(sleepagree.__file__).parent
#: What is said of a layout file itself, of mapping files, of parts of a recording, of other commands' inputs, or of
#: what Python was given.
APART = {
    "readers/layout.py", "readers/memory.py", "readers/study_results.py", "readers/proposal.py",
    "readers/layout_proposal.py", "mapping/files.py", "hypnogram/joining.py",
}  # fmt: skip
ROOMS = ("files", "hypnogram", "mapping", "readers", "scoring")
FILES = [
    *(path for room in ROOMS for path in sorted((HOUSE / room).rglob("*.py"))),
    HOUSE / "describe/cautions.py",
    HOUSE / "describe/notes.py",
]


def texts(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield line and text of every string that is neither a docstring nor what others than the page are told."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
            continue
        if isinstance(child, ast.Call) and isinstance(child.func, ast.Name) and child.func.id == "for_page":
            yield from texts(ast.Tuple(child.args[1:2]))
        elif isinstance(child, ast.Call) and isinstance(child.func, ast.Name) and child.func.id == "for_layout":
            yield from texts(ast.Tuple(child.args[2:]))  # it hides what leads to a line of a layout, as for_page does
        elif isinstance(child, ast.FormattedValue) and isinstance(child.format_spec, ast.JoinedStr):
            continue  # an option, which is named by whoever shows it
        elif isinstance(child, ast.Constant) and isinstance(child.value, str):
            yield child.lineno, child.value
        else:
            yield from texts(child)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(HOUSE).as_posix())
def test_what_names_commands_or_layouts_has_words_for_the_page(path: Path) -> None:
    if path.relative_to(HOUSE).as_posix() in APART:
        pytest.skip("the page has no place for what it speaks of")
    found = [(line, text) for line, text in texts(ast.parse(path.read_text("utf-8"))) if WORDS_OF_COMMANDS.search(text)]
    found = [(line, text) for line, text in found if not re.fullmatch(r"\w+\.toml", text)]  # data of the house
    assert found == []


def articles(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield line and text of every string with an option behind "another", "a" or "each", as the page is told it."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Call) and isinstance(child.func, ast.Name) and child.func.id == "for_page":
            yield from articles(ast.Tuple(child.args[1:2]))
            continue
        if isinstance(child, ast.JoinedStr):
            for text, value in pairwise(child.values):
                is_option = isinstance(value, ast.FormattedValue) and ast.unparse(value.value).startswith("Option.")
                if (
                    is_option
                    and isinstance(text, ast.Constant)
                    and re.search(r"\b(another|an?|each) $", str(text.value))
                ):
                    yield child.lineno, str(text.value)
        yield from articles(child)


@pytest.mark.parametrize("path", sorted(HOUSE.rglob("*.py")), ids=lambda path: path.relative_to(HOUSE).as_posix())
def test_no_option_stands_behind_an_article_where_the_page_says_the(path: Path) -> None:
    assert [*articles(ast.parse(path.read_text("utf-8")))] == []


def test_the_page_asks_what_messages_name() -> None:
    assert {key: question.partition(", such as")[0] for key, question, _ in BLANKS} == ASKED


@pytest.mark.parametrize("option", Option)
def test_an_option_has_words_on_the_page(option: Option) -> None:
    beyond_the_page = {  # of studies, plans and Python: what the page runs never says them
        Option.BY, Option.DECLARED, Option.DEVICE, Option.DEVICE_NAME, Option.LOG_RATIO, Option.MARGIN,
        Option.OVERWRITE, Option.RESUME, Option.SCHEDULER, Option.WIDTH, Option.WORKERS,
    }  # fmt: skip
    said = name_options(f"{option:VALUE}", Front.PAGE)
    assert option in beyond_the_page or not WORDS_OF_COMMANDS.search(said)


def test_a_text_for_the_page_is_shown_there_alone() -> None:
    text = f"Correct the row, or {for_page(f'give {Option.LAYOUT:FILE.toml}', asked('time', 'iso'))}."
    assert name_options(text, Front.PAGE) == 'Correct the row, or "How times are written": iso.'
    assert name_options(text, Front.COMMAND) == "Correct the row, or give --layout FILE.toml."
    assert name_options(text, Front.TABLE).endswith("give column layout or reference_layout of the nights table.")
