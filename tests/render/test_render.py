"""A description on the terminal and on the page: nothing is lost, nothing is too wide, and both say the same."""

from __future__ import annotations

import html
import re
from pathlib import Path

import drawn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.describe.blocks import (
    Cell,
    Column,
    Command,
    Description,
    Figure,
    FigureKind,
    Heading,
    Items,
    Paragraph,
    Rank,
    Section,
    Table,
    beside,
    flat,
)
from sleepagree.describe.blocks import table as made_table
from sleepagree.describe.file import describe_file
from sleepagree.describe.folder import describe_folder
from sleepagree.describe.night import describe_night
from sleepagree.describe.plan import describe_plan
from sleepagree.describe.study import describe_bias, describe_study
from sleepagree.readers.inspection import inspect_file
from sleepagree.render.columns import columns_of
from sleepagree.render.notebook import render_notebook
from sleepagree.render.page import render_page
from sleepagree.render.terminal import render_terminal, table_lines
from sleepagree.study.from_folder import nights_from_folder
from sleepagree.study.night_summary import Refusal
from sleepagree.study.plan import plan_study, stated_statistics
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import simulated_nights


def described(*blocks, rank: Rank = Rank.FIRST_SCREEN, title: str = "Minutes under 'own words'") -> Description:
    return Description("kind", "title", ("Found it.",), (Section("one", title, tuple(blocks), rank),))


def test_blocks_stand_below_each_other_and_tables_apart() -> None:
    table = made_table("t", "Caption", ("name", "n"), (("one", Cell("1", 1.0)), ("three", Cell("33", 33.0))))
    figure = Figure("f", FigureKind.RUN_LENGTHS, None, "title", "description", "caption")
    blocks = (Paragraph("Words."), beside((figure, table), Items(("a", "b"), numbered=True)), Heading("More"), table)
    assert render_terminal(described(*blocks, Command("sleepagree --help"))) == [
        "Found it.",
        "",
        "MINUTES UNDER 'own words'",
        "  Words.",
        "",
        "  Caption",
        "  name    n",
        "  one     1",
        "  three  33",
        "",
        "  1. a",
        "  2. b",
        "",
        "  More:",
        "  Caption",
        "  name    n",
        "  one     1",
        "  three  33",
        "",
        "  sleepagree --help",
    ]


def test_a_section_of_figures_only_is_left_out() -> None:
    figure = Figure("f", FigureKind.RUN_LENGTHS, None, "title", "description", "caption")
    assert render_terminal(described(figure)) == ["Found it."]


def test_what_is_further_down_is_shown_when_all_is_asked_for() -> None:
    description = described(Paragraph("Words."), rank=Rank.FURTHER)
    assert render_terminal(description) == ["Found it."]
    assert render_terminal(description, full=True)[-2:] == ["MINUTES UNDER 'own words'", "  Words."]


def test_a_table_may_be_further_down_than_its_section() -> None:
    first, further = (
        made_table(name, name.capitalize(), ("n",), [("1",)], further=is_further)
        for name, is_further in (("first", False), ("further", True))
    )
    description = described(first, Heading("More"), further)
    assert render_terminal(description)[3:] == ["  First", "  n", "  1"]
    assert render_terminal(description, full=True)[6:] == ["", "  More:", "  Further", "  n", "  1"]
    assert "Further" in render_page(description)
    assert "Further" not in render_notebook(description)


def test_a_heading_stands_only_above_something() -> None:
    figure = Figure("f", FigureKind.RUN_LENGTHS, None, "title", "description", "caption")
    shown = render_terminal(
        described(Paragraph("Words."), Heading("Drawn"), figure, Heading("Is it?"), Paragraph("It is."))
    )
    assert shown[3:] == ["  Words.", "", "  Is it?", "  It is."]


def test_a_list_inside_a_list_belongs_to_the_item_before() -> None:
    inner = Items(("line 2: <a> -5 s", "and 3 more"), verbatim=True)
    description = described(Items(("4 nights: no rows " + "word " * 14, inner, "line 9"), verbatim=True))
    assert render_terminal(description, width=60)[3:] == [
        "  4 nights: no rows word word word word word word word word",
        "    word word word word word word",
        "    line 2: <a> -5 s",
        "    and 3 more",
        "  line 9",
    ]
    for text in (render_page(description), render_notebook(description)):
        assert "<li>line 2: &lt;a&gt; -5 s</li>" in text  # what may be copied keeps its hyphen
        assert text.count("<ul>") - text.count('<nav aria-label="Contents"><ul>') == 2


def test_a_head_is_broken_before_a_table_is_parted() -> None:
    heads = ("kind of thing", *(f"interval if epochs were independent {i}" for i in range(4)))
    table = made_table("t", "", heads, [("a", *["0.1 to 0.2"] * 4)])
    assert table_lines(table, 80) == [
        "                   interval if    interval if    interval if    interval if",
        "                   epochs were    epochs were    epochs were    epochs were",
        "  kind of thing  independent 0  independent 1  independent 2  independent 3",
        "  a                 0.1 to 0.2     0.1 to 0.2     0.1 to 0.2     0.1 to 0.2",
    ]


def test_last_columns_stand_below_with_the_names_of_the_rows() -> None:
    table = made_table("t", "", ("row", *"abcdef"), [("one", *[c * 12 for c in "abcdef"])])
    assert table_lines(table, 61) == [
        "  row             a             b             c             d",
        "  one  aaaaaaaaaaaa  bbbbbbbbbbbb  cccccccccccc  dddddddddddd",
        "  row             e             f",
        "  one  eeeeeeeeeeee  ffffffffffff",
    ]


def test_a_long_text_is_broken_in_its_own_column() -> None:
    table = made_table("t", "", ("measure", "n", "remark"), [("SOL", "4", "word " * 14)], words=(0, 2))
    assert table_lines(table, 60) == [
        "  measure  n  remark",
        "  SOL      4  word word word word word word word word word",
        "              word word word word word",
    ]


words = st.text(max_size=60)


@given(st.integers(1, 9), st.integers(0, 4), st.data(), st.integers(60, 120))
def test_any_table_fits(n_columns: int, n_rows: int, data: st.DataObject, width: int) -> None:
    heads = tuple(Column(data.draw(words), i == 0 or data.draw(st.booleans())) for i in range(n_columns))
    rows = tuple(tuple(Cell(data.draw(words)) for _ in heads) for _ in range(n_rows))
    for line in table_lines(Table("t", "", heads, rows), width):
        assert columns_of(line) <= width
        assert line == line.rstrip()


def study_with_refusals() -> StudyAgreement:
    refused = [Refusal(row, "crew-9", "1", "band A", f"{row}.csv: no stage in -{row} rows.") for row in (90, 91)]
    return summarise_study([*simulated_nights(3, 2), *refused], StudyOptions(resamples=20))


DESCRIBED = {
    "night with REM": lambda: describe_night(drawn.night_with_rem()),
    "night without REM": lambda: describe_night(drawn.night_without_rem()),
    "study": lambda: describe_study(study_with_refusals(), command="sleepagree study nights.csv --out out"),
    "bias": lambda: describe_bias(study_with_refusals()),
}


@pytest.mark.parametrize("kind", DESCRIBED)
def test_the_page_holds_every_text_of_the_terminal(kind: str) -> None:
    description = DESCRIBED[kind]()
    page = html.unescape(re.sub(r"<[^>]*>", "", render_page(description))).replace("−", "-").replace("\xa0", " ")
    terminal = " ".join(" ".join(render_terminal(description, full=True, width=400)).split())
    for section in description.sections:
        for block in flat(section.blocks):
            match block:
                case Paragraph(text) | Command(text):
                    said = [text]
                case Items(items):
                    said = [item for item in items if isinstance(item, str)]
                case Table():
                    said = [block.caption, *(cell.text for row in block.rows for cell in row)]
                case _:
                    said = []
            for text in said:
                assert " ".join(text.split()) in terminal
                assert text.replace("−", "-") in page


def test_a_detail_follows_the_title_as_it_is_written() -> None:
    section = Section("gaps", "Gaps", (), detail="  1 gap, 60.0 min without a label; the longest " + "word " * 10)
    description = Description("kind", "title", (), (section,))
    assert render_terminal(description, width=60) == [
        "GAPS  1 gap, 60.0 min without a label; the longest word word",
        "  word word word word word word word word",
    ]
    assert '<h2 id="gaps-heading">Gaps  1 gap, 60.0 min' in render_page(description)
    assert "<h3>Gaps  1 gap, 60.0 min" in render_notebook(description)


def test_a_mark_and_bars_stand_where_they_can() -> None:
    heads = (Column("", is_words=True), Column("", has_bars=True), Column("", is_words=True))
    rows = (
        (Cell("one", is_marked=True), Cell("0.5", 0.5), Cell("half")),
        (Cell("two"), Cell("1.0", 1.0), Cell("")),
        (Cell("three"), Cell("-0.5", -0.5), Cell("below")),
    )
    table = Table("t", "", heads, rows)
    # the largest number has the longest bar, what is below 0 none
    assert table_lines(table, 80) == [
        f"* one     0.5  {'█' * 20}{' ' * 20}  half",
        f"  two     1.0  {'█' * 40}",
        f"  three  -0.5  {' ' * 40}  below",
    ]
    for shown in (render_page(described(table)), render_notebook(described(table))):
        assert '<th scope="row">* one</th>' in shown
        assert "█" not in shown


def test_rows_without_a_word_in_the_columns_below_are_not_named_again() -> None:
    rows = (("one", *["a" * 30] * 3), ("two", "a" * 30, "a" * 30, ""))
    assert table_lines(made_table("t", "", ("row", "x", "y", "z"), rows), 80)[-2:] == [
        f"  row {'z':>31}",
        f"  one  {'a' * 30}",
    ]


def test_everything_described_stands_on_a_page_and_in_a_notebook() -> None:
    ferry = Path(__file__).parents[2] / "fixtures" / "ferry"
    seen = describe_file(inspect_file(ferry / "band-a" / "crew-1-night-1.csv"))
    plan = describe_plan(plan_study(stated_statistics((20.0, 15.0), (0.1, None)), participants=(5,), nights=(1, 3)))
    folder = describe_folder(
        nights_from_folder(
            ferry, reference_pattern="reference/{participant}-night-{night}.edf",
            device_pattern="band-a/{participant}-night-{night}.csv", device_name="band A",
        ),
        table="nights.csv",
    )  # fmt: skip
    for description in (seen, plan, folder):
        for shown in (render_page(description), render_notebook(description)):
            for section in description.sections:
                assert section.heading in html.unescape(shown)
                for block in flat(section.blocks):
                    if isinstance(block, Table):
                        texts = [cell.text for row in block.rows for cell in row]
                        assert all(text in html.unescape(shown).replace("−", "-") for text in texts)
