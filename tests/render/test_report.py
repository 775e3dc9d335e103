"""The report: one file that needs nothing, opens with the finding, holds the numbers, and lets no label be markup."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import drawn
import pytest
from ferry import simulated_nights

from sleepagree.describe.answer import finding_of_night
from sleepagree.describe.blocks import Description
from sleepagree.describe.closing import CAUTIONS
from sleepagree.describe.paragraphs import methods_of_night
from sleepagree.mapping.mapping import StageMapping
from sleepagree.render.figures import script_json
from sleepagree.render.json_text import dump
from sleepagree.render.night_folder import write_night
from sleepagree.render.night_json import night_document
from sleepagree.render.page import page_files
from sleepagree.study.night_summary import Refusal
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import NightsTable
from tests.told import night_page, study_files, study_page

VOID = {"meta", "br", "img", "input", "hr", "link"}


class Tree(HTMLParser):
    """What a browser would see: elements, attributes, text; unclosed elements are an error."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1] == tag, f"</{tag}> closes <{self.open[-1]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.texts.append((self.open[-1] if self.open else "", data.replace("\xa0", " ")))

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def visible(self) -> str:
        return " ".join(data for tag, data in self.texts if tag not in ("script", "style"))


@pytest.fixture(scope="module")
def study():
    nights = simulated_nights(4, 2)
    refused = Refusal(99, "crew-9", "1", "band A", "crew-9.csv: line 3: unknown stage label.")
    return summarise_study([*nights, refused], StudyOptions(resamples=40))


@pytest.fixture(scope="module")
def pages(study) -> dict[str, str]:
    return {
        "with REM": night_page(drawn.night_with_rem(), command="sleepagree night a.edf b.csv"),
        "without REM": night_page(drawn.night_without_rem(), command="sleepagree night a.edf b.csv"),
        "study": study_page(study, command="sleepagree study nights.csv --out results"),
    }


KINDS = ("with REM", "without REM", "study")


@pytest.mark.parametrize("kind", KINDS)
def test_page_is_well_formed_and_its_links_lead_somewhere(pages: dict[str, str], kind: str) -> None:
    tree = Tree(pages[kind])
    ids = [a["id"] for _, a in tree.elements if "id" in a]
    assert len(ids) == len(set(ids))
    for _, attributes in tree.elements:
        for name in ("href", "aria-labelledby"):
            for target in (attributes.get(name) or "").split():
                assert target.removeprefix("#") in ids, target


@pytest.mark.parametrize("kind", KINDS)
def test_page_needs_no_network(pages: dict[str, str], kind: str) -> None:
    tree = Tree(pages[kind])
    for tag, attributes in tree.elements:
        assert tag not in ("link", "img", "iframe", "object", "embed", "base", "form"), tag
        assert "src" not in attributes
        assert not any(name.startswith("on") for name in attributes)
    text = pages[kind].replace("http://www.w3.org/2000/svg", "").replace("http://www.w3.org/1999/xlink", "")
    assert "http:" not in text
    assert "https:" not in text
    assert not re.search(r"@import|url\((?!#)", text)


@pytest.mark.parametrize("kind", KINDS)
def test_policy_lets_our_script_run_and_no_other(pages: dict[str, str], kind: str) -> None:
    tree = Tree(pages[kind])
    policy = next(a["content"] for a in tree.of("meta") if a.get("http-equiv") == "Content-Security-Policy")
    script = re.search(r"<script>(.*?)</script>", pages[kind], re.DOTALL).group(1)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize("kind", KINDS)
def test_tables_have_captions_and_heads_with_scope(pages: dict[str, str], kind: str) -> None:
    html = pages[kind]
    tables = re.findall(r"<table.*?</table>", html, re.DOTALL)
    assert len(tables) > 5
    for table in tables:
        assert re.search(r"<caption[^>]*>[^<]+</caption>", table)
        assert re.search(r'<thead><tr>.*<th scope="col"', table)
        widths = {len(re.findall(r"<t[hd][ >]", row)) for row in re.findall(r"<tr>.*?</tr>", table, re.DOTALL)}
        assert len(widths) == 1, table[:300]
        for row in re.findall(r"<tbody>(.*)</tbody>", table, re.DOTALL)[0].strip().split("\n"):
            assert row.startswith('<tr><th scope="row">')


@pytest.mark.parametrize("kind", KINDS)
def test_drawings_are_images_with_words(pages: dict[str, str], kind: str) -> None:
    svgs = re.findall(r"<svg.*?</svg>", pages[kind], re.DOTALL)
    assert len(svgs) >= 5
    for svg in svgs:
        assert 'role="img"' in svg
        assert re.search(r"<title[^>]*>[^<]{8,}</title>", svg)
        assert re.search(r"<desc[^>]*>[^<]{15,}</desc>", svg)
        assert re.search(r"<desc[^>]*>[^<]*\d[^<]*</desc>", svg)


@pytest.mark.parametrize("kind", KINDS)
def test_headings_go_down_one_step_at_a_time(pages: dict[str, str], kind: str) -> None:
    levels = [int(tag[1]) for tag, _ in Tree(pages[kind]).elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


@pytest.mark.parametrize("kind", KINDS)
def test_cautions_stand_in_every_report(pages: dict[str, str], kind: str) -> None:
    visible = Tree(pages[kind]).visible
    for sentence in CAUTIONS:
        assert sentence in visible
    assert "no medical device" in visible


def test_page_opens_with_the_finding_and_keeps_the_order_of_the_terminal(pages: dict[str, str]) -> None:
    html = pages["without REM"]
    tree = Tree(html)
    assert finding_of_night(drawn.night_without_rem()) in tree.visible
    order = [
        'class="finding"', 'id="answer"', 'id="figure-hypnograms"', 'id="figure-device-classes"', 'id="redistribution"',
        'id="sources-of-bias"', "<nav", 'id="compared"', 'id="ledger"', 'id="agreement-0"', 'id="measures"',
        'id="time"', 'id="cautions"', 'id="methods"', 'id="repeat"',
    ]  # fmt: skip
    at = [html.index(part) for part in order]
    assert at == sorted(at)


def table_cells(html: str, name: str) -> list[list[str]]:
    table = re.search(rf'<table id="{name}".*?</table>', html, re.DOTALL).group()
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)
    # numbers stand there with the minus sign that figures have, too
    return [[cell.replace("−", "-") for cell in re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", row)] for row in rows]


def test_numbers_of_the_page_are_those_of_the_results(pages: dict[str, str]) -> None:
    night = drawn.night_with_rem()
    document = json.loads(dump(night_document(night)))
    html = pages["with REM"]
    mapping = document["mappings"][0]
    statistics = {row[0]: row[1:] for row in table_cells(html, "statistics-0")[1:]}
    assert statistics["kappa"][0] == f"{mapping['kappa']['value']:.3f}"
    assert statistics["kappa"][1] == f"{mapping['kappa']['block_low']:.3f} to {mapping['kappa']['block_high']:.3f}"
    assert statistics["kappa"][2] == f"{mapping['kappa']['low']:.3f} to {mapping['kappa']['high']:.3f}"
    assert statistics["accuracy"][1] == "{:.3f} to {:.3f}".format(*mapping["intervals"]["accuracy"])
    assert statistics["accuracy"][0] == f"{mapping['accuracy']:.3f}"
    assert statistics["AC1"][0] == f"{mapping['ac1']:.3f}"
    counts = table_cells(html, "counts-0")
    for row, expected in zip(counts[1:-1], mapping["counts"], strict=True):
        assert [int(cell.split(" ")[0]) for cell in row[1:-1]] == expected
    measures = {row[0]: row for row in table_cells(html, "measures-table")[1:]}
    for measure in document["measures"]:
        if measure["measure"] == "TST":
            assert measures["TST"][2] == f"{measure['reference']:.1f}"
            assert measures["TST"][4] == f"{measure['difference']:+.1f}"
    ledger = dict(row[:2] for row in table_cells(html, "ledger-table")[1:])
    assert ledger["scored on both sides"] == str(document["ledger"]["scored"])
    assert ledger["total"] == str(document["ledger"]["window_epochs"])
    assert ledger["device gap"] == "40"
    assert ledger["reference unscored"] == "10"


def test_numbers_of_a_study_are_those_of_its_results(pages: dict[str, str], study) -> None:
    html = pages["study"]
    for i, device in enumerate(study.devices):
        rows = {row[0]: row for row in table_cells(html, f"limits-{i}")[1:]}
        limits = next(b for b in device.bias if b.measure == "TST").limits
        assert rows["TST min"][3] == f"{limits.bias:+.1f}"
        assert rows["TST min"][5] == f"{limits.lower:.1f} to {limits.upper:.1f}"
        ends = {row[0]: row for row in table_cells(html, f"ends-{i}")[1:]}
        assert ends["TST min"][3] == f"{limits.lower_low:.1f} to {limits.lower_high:.1f}"
        assert rows.keys().isdisjoint(row[0] for row in table_cells(html, f"further-{i}")[1:])
        assert len(ends) == len(rows) + len(table_cells(html, f"further-{i}")[1:]) == len(device.bias) - 1
        assert not [name for name in (*rows, *ends) if name.startswith("TIB")]
        for source in device.bias_sources:
            assert f"{source.per_night.bias_min:+.1f}".replace("-0.0", "0.0").lstrip("+").replace("-", "−") in html
    assert [row[0] for row in table_cells(html, "refused")[1:]] == ["99"]
    assert "unknown stage label" in html
    assert len(table_cells(html, "nights-table")) == 1 + 16


def test_command_hashes_and_versions_are_told(pages: dict[str, str]) -> None:
    tree = Tree(pages["with REM"])
    assert "sleepagree night a.edf b.csv" in tree.visible
    assert "matplotlib" in tree.visible
    assert "not from a file" in tree.visible
    table = NightsTable(name="nights.csv", folder=Path(), sha256="ab" * 32, rows=())
    study = summarise_study(simulated_nights(2, 1), StudyOptions(resamples=10))
    assert "ab" * 32 in study_page(study, table=table)


def test_methods_and_sources_stand_in_the_page(pages: dict[str, str]) -> None:
    visible = Tree(pages["with REM"]).visible
    methods = methods_of_night(drawn.night_with_rem())
    assert methods.text in visible
    assert all(source in visible for source in methods.sources)


# --- hostile inputs ---------------------------------------------------------------------------------------


def hostile_night():
    mark = drawn.HOSTILE
    mapping = StageMapping(
        f"own {mark}",
        ("wake", f"asleep {mark}"),
        ("wake", f"asleep {mark}"),
        (("W", "wake"), *((s, f"asleep {mark}") for s in ("N1", "N2", "N3", "R"))),
        (("W", "wake"), *((s, f"asleep {mark}") for s in ("light", "N3", "R"))),
        assumption=f"Nothing {mark} is assumed.",
    )
    from sleepagree.night.compare import compare

    night = drawn.invented_night(
        labels=(mark, "Doze'\"", "De<ep>", "Dr&eam"), reference_name=mark, device_name=f"{mark}\u202e.csv"
    )
    return compare(night.paired, mappings=[mapping])


def test_no_label_or_file_name_becomes_markup() -> None:
    html = night_page(hostile_night(), command=f"sleepagree night '{drawn.HOSTILE}' b.csv")
    tree = Tree(html)
    assert not tree.of("img")
    assert len(tree.of("script")) == 2
    assert all(not name.startswith("on") for _, a in tree.elements for name in a)
    # as text it is all there, in headings, tables and inside the drawings
    assert "<img src=x onerror=alert(1)>$x^2${{7*7}}</script>&.csv" in tree.visible
    assert "{{7*7}}" in tree.visible
    assert any(tag == "text" and "<img src=x" in data for tag, data in tree.texts)
    assert "\u202e" not in html


def test_trace_cannot_end_its_script() -> None:
    data = {"words": ["</script><script>alert(1)</script>", "<!--", "&"]}
    text = str(script_json(data))
    assert "<" not in text
    assert ">" not in text
    assert json.loads(text) == data


def test_names_in_a_study_never_become_markup() -> None:
    from dataclasses import replace

    mark = drawn.HOSTILE
    nights = [
        replace(n, participant=f"{mark} {n.participant}", night=f"{mark} {n.night}", device=f"{mark} {n.device}")
        for n in simulated_nights(3, 1)
    ]
    refused = Refusal(9, mark, mark, mark, f"{mark}: unknown stage label.")
    study = summarise_study([*nights, refused], StudyOptions(resamples=10))
    tree = Tree(study_page(study, command=mark))
    assert not tree.of("img")
    assert len(tree.of("script")) == 1
    assert mark in tree.visible


# --- size and files ---------------------------------------------------------------------------------------


def test_report_of_three_hundred_nights_stays_under_five_megabytes() -> None:
    study = summarise_study(simulated_nights(300, 1), StudyOptions(resamples=10))
    html = study_page(study)
    assert len(html.encode()) < 5_000_000
    assert "150 of 300 nights by even ranks" in html
    assert "nights.csv holds all" in html  # 600 rows, 500 of them listed


def test_files_are_the_page_and_a_figure_for_each_drawing(study) -> None:
    files = study_files(study, command="x")
    drawings = files["report.html"].decode().count("<svg")
    assert sorted(files)[0].startswith("figures/")
    assert len(files) == 1 + drawings
    assert all(data.startswith(b"<?xml") for name, data in files.items() if name.endswith(".svg"))


def test_a_nights_folder_holds_report_and_figures(tmp_path: Path) -> None:
    write_night(
        drawn.night_without_rem(), tmp_path / "night", results='{"schema": "sleepagree.night/2"}\n', command="x"
    )
    names = sorted(p.relative_to(tmp_path / "night").as_posix() for p in (tmp_path / "night").rglob("*") if p.is_file())
    assert names == [
        "confusion.csv", "epochs.csv", "figures/agreement-by-hour.svg", "figures/bias-sources.svg",
        "figures/confusion-rem-apart.svg", "figures/device-classes.svg", "figures/hypnograms.svg",
        "figures/runs-of-disagreement.svg", "figures/where-rem-went.svg", "measures.csv", "report.html", "results.json",
    ]  # fmt: skip
    assert [p.name for p in tmp_path.iterdir()] == ["night"]


def test_a_study_of_one_night_and_one_with_log_ratios_can_be_shown() -> None:
    one = summarise_study(simulated_nights(1, 1), StudyOptions(resamples=10))
    Tree(study_page(one))
    ratios = summarise_study(simulated_nights(4, 1), StudyOptions(resamples=10, log_ratio=True))
    assert "log ratio" in Tree(study_page(ratios)).visible


def test_a_night_on_which_nothing_differs_can_be_shown() -> None:
    from sleepagree.hypnogram.align import align
    from sleepagree.night.compare import compare
    from sleepagree.readers.memory import read_hypnogram

    reports = ("W", "N1", "N2", "N3", "R")
    same = read_hypnogram(["W", "N1", "N2", "N3", "R"] * 30, reports=reports)
    html = night_page(compare(align(reference=same, device=same)))
    assert "No epoch disagrees" in html
    Tree(html)


def test_the_study_opens_with_its_answer(pages: dict[str, str]) -> None:
    html = pages["study"]
    order = ['class="finding"', 'id="answer-refused"', 'id="answer-bias-0"', 'id="answer-clock"', 'id="answer-next"']
    at = [html.index(part) for part in [*order, "<nav", 'id="compared"', 'id="agreement-0"', 'id="nights"']]
    assert at == sorted(at)


def test_every_stage_that_went_somewhere_has_one_heading(pages: dict[str, str]) -> None:
    assert re.findall(r"<h2[^>]*>([^<]*REM went)</h2>", pages["without REM"]) == ["Where REM went"]


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_folded_says_what_it_holds(pages: dict[str, str], kind: str) -> None:
    summaries = re.findall(r"<details[^>]*>\s*<summary>(?:<h2[^>]*>)?([^<]*)<", pages[kind])
    assert len(summaries) >= 4
    assert pages[kind].count("<details") == len(summaries)
    assert all(len(text) > 5 for text in summaries)


def test_half_a_surrogate_pair_stands_in_a_report_as_its_escape() -> None:
    files = page_files(Description("a correction", "minutes \ud800", (), ()))
    assert b"minutes \\ud800" in files["report.html"]
