"""The tables that a study writes for a paper: what they say is what the exact files say, and no name in them is markup.

tests/golden/tables holds those of the invented ferry study, all of a device below each other, as somebody read them
and found them right; ``pytest tests/render/test_study_tables.py --regenerate-golden`` writes them anew: read the
difference.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from sleepagree.cli.running import run_study, write_study
from sleepagree.describe.blocks import Paragraph, table
from sleepagree.describe.study_paragraphs import methods_of_study, results_of_study
from sleepagree.render.latex import render_latex
from sleepagree.render.markdown import render_markdown
from sleepagree.study.from_table import StudyRequest, load_nights
from sleepagree.study.results import StudyOptions
from sleepagree.study.run import ScoringOptions
from tests.ferry import copy_ferry
from tests.test_hostile_text import HOSTILE

GOLDEN = Path(__file__).parents[1] / "golden" / "tables"
REQUEST = StudyRequest(ScoringOptions(clock=False), StudyOptions(resamples=0), report=False)

#: Signs that LaTeX takes for commands (The TeXbook, chapter 7; the options of a line end), as they are escaped.
_WORDS = "text(?:backslash|asciicircum|asciitilde|less|greater|bar)|ldots"
ESCAPED = re.compile(rf"\\(?:{_WORDS})\{{\}}|\\[{{}}$&#_%]|\{{[\]\[*]\}}|(?<=\d)~(?=\\%|[a-z])")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    write_study(load_nights(copy_ferry(folder / "ferry")), REQUEST, folder / "out")
    return folder / "out"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    table = copy_ferry(folder / "ferry")
    names = [r"\input{x}% & $x^2$ ~ #1 _a_ *b*", "| [x](y) <b> `c` \\| & | *"]
    text = table.read_text()
    for old, new in zip(("band A", "pad B"), names, strict=True):
        text = text.replace(old, f'"{new}"')
    table.write_text(text)
    write_study(load_nights(table), REQUEST, folder / "out")
    return folder / "out"


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text().splitlines()))


def pipes(text: str) -> list[list[list[str]]]:
    """Return the tables of a Markdown text as rows of cells, heads first (GitHub Flavored Markdown 4.10)."""
    tables = [[]]
    for line in text.splitlines():
        if line.startswith("|"):
            row = re.split(r"(?<!\\)\|", line.replace("\\\\", "\0"))[1:-1]
            tables[-1].append([re.sub(r"\\(.)", r"\1", c.strip()).replace("\0", "\\").replace("−", "-") for c in row])
        elif tables[-1]:
            tables.append([])
    return [[head, *rows] for head, _, *rows in filter(None, tables)]


def assert_is_sound(text: str) -> None:
    """Environments are balanced, rows have as many cells as their table has columns, nothing else is a command."""
    opened = []
    for word, name in re.findall(r"\\(begin|end)\{(\w+\*?)\}", text):
        if word == "begin":
            opened.append(name)
        else:
            assert opened.pop() == name
    assert not opened
    assert text.count("{table}") + text.count("{table*}") == text.count("{tabular}") > 0
    for places, body in re.findall(r"\\begin\{tabular\}\{([lr]+)\}\n(.*?)\\end\{tabular\}", text, re.DOTALL):
        rows = [line.strip() for line in body.splitlines() if line.strip() not in (r"\hline", "")]
        assert rows
        for row in rows:
            assert row.endswith(r" \\")
            cells_of_row = re.split(r"(?<!\\)&", row.removesuffix(r"\\"))
            assert len(cells_of_row) == len(places)
            for cell in cells_of_row:
                assert_is_text(cell)
    for caption in re.findall(r"\\caption\{(.*)\}$", text, re.MULTILINE):
        assert_is_text(caption)


def assert_is_text(text: str) -> None:
    left = ESCAPED.sub("", text.replace("$-$", "").replace(r"$\pm$", ""))
    assert not re.search(r"[\\{}$&#_%^~<>|]", left), text
    assert not re.match(r"\s*[*\[]", text)


def latex_files(folder: Path) -> Iterator[str]:
    yield from (path.read_text() for path in sorted((folder / "tables").glob("*.tex")))


def test_tables_are_what_somebody_found_right(made: Path, pytestconfig: pytest.Config) -> None:
    for end in ("md", "tex"):
        for device in ("band-a", "pad-b", "comparison"):
            found = sorted((made / "tables").glob(f"*{device}.{end}"))
            text = "\n".join(path.read_text(encoding="utf-8") for path in found)
            golden = GOLDEN / f"{device}.{end}"
            if pytestconfig.getoption("--regenerate-golden"):
                golden.parent.mkdir(exist_ok=True)
                golden.write_bytes(text.encode())
            assert text == golden.read_bytes().decode()


def test_bias_of_the_table_is_that_of_the_exact_file(made: Path) -> None:
    exact = {(r["device"], r["measure"]): r for r in rows_of(made / "bias.csv")}
    for device, name in (("band A", "band-a"), ("pad B", "pad-b")):
        ((head, *rows),) = pipes((made / "tables" / f"bias_{name}.md").read_text())
        assert head == ["measure", "nights", "reference", "device", "bias", "lower limit", "upper limit"]
        told = {re.sub(r" (min|%)$", "", row[0]).lower(): row[1:] for row in rows}
        assert len(told) == sum(d == device and m != "TIB" for d, m in exact)
        for measure in ("TST", "SOL", "WASO", "minutes deep"):
            row = exact[device, measure]
            nights, reference, of_device, *estimates = told[measure.lower()]
            assert nights == row["nights"]
            assert [reference, of_device] == [f"{float(row[k]):.1f}" for k in ("reference_mean", "device_mean")]
            for which, cell in zip(("bias", "lower", "upper"), estimates, strict=True):
                value, low, high = (float(row[which + end]) for end in ("", "_low", "_high"))
                assert cell == f"{value:+.1f} ({low:.1f} to {high:.1f})"


def test_counts_of_the_tables_are_those_of_the_exact_file_and_add_up(made: Path) -> None:
    exact = rows_of(made / "confusion.csv")
    tables = pipes((made / "tables" / "confusion_band-a.md").read_text())
    mappings = list(dict.fromkeys(r["mapping"] for r in exact if r["device"] == "band A"))
    assert len(tables) == len(mappings)
    for mapping, (head, *rows) in zip(mappings, tables, strict=True):
        counts = {
            (r["reference"].lower(), r["device_class"].lower()): int(r["epochs"])
            for r in exact
            if (r["device"], r["mapping"]) == ("band A", mapping)
        }
        for name, *told in rows[:-1]:
            row = [counts[name.lower(), column] for column in head[1:-1]]
            assert told == [*(f"{n} ({100 * n / sum(row):.0f} %)" for n in row), str(sum(row))]
    (accounts,) = pipes((made / "tables" / "accounting_band-a.md").read_text())
    number = {row[0]: int(row[1]) for row in accounts[1:]}
    window = number.pop("in the windows")
    left_out = number.pop("of these left out in wake, light and deep (REM left out)")
    assert sum(number.values()) == window
    assert number["scored on both sides"] - left_out == int(tables[1][-1][-1])


def test_captions_tell_nights_people_and_interval(made: Path) -> None:
    for path in (made / "tables").glob("*.md"):
        captions = [line for line in path.read_text().splitlines() if line and not line.startswith("|")]
        for caption in captions:
            assert "12 nights of 4 participants" in caption
            assert path.name.startswith(("conf", "acc", "comp")) or "95 % intervals over participants" in caption


def test_latex_is_sound(made: Path, hostile: Path) -> None:
    for folder in (made, hostile):
        for text in latex_files(folder):
            assert_is_sound(text)
    assert any(r"\textbackslash{}input\{x\}\% \& \$x\textasciicircum{}2\$" in text for text in latex_files(hostile))


def test_the_checklist_has_the_facts_of_the_study_and_blanks_for_the_rest(made: Path) -> None:
    source, *items = re.split(r"^## (?=\d)", (made / "checklist.md").read_text(), flags=re.MULTILINE)
    assert "from memory" in source
    assert "Kottner J et al. J Clin Epidemiol 2011;64:96-106" in source
    assert [int(item.partition(".")[0]) for item in items] == list(range(1, 16))
    told = [item.strip().split("\n\n")[1:] for item in items]
    assert all(parts[-1].startswith("To fill in: ") for parts in told)
    assert [n for n, parts in enumerate(told, 1) if len(parts) == 1] == [3, 5, 6, 9, 12, 14]
    nights = [r for r in rows_of(made / "nights.csv") if r["device"] == "band A"]
    scored = sum(int(r["scored"]) for r in nights)
    assert f"band A: 4 participants, {len(nights)} nights, {scored} epochs scored on both sides." in told[10][0]
    assert told[3][0] == "1 reference file on 11 nights and 2 reference files on 1 night."
    number = re.compile(r"(?<![\w.])\d+\.\d+(?![.\w])")
    tables = " ".join(path.read_text() for path in (made / "tables").glob("*.md"))
    assert len(number.findall(told[12][0])) > 10
    assert set(number.findall(told[12][0])) <= set(number.findall(tables))


def test_names_are_no_markup_in_markdown(hostile: Path) -> None:
    for path in (*(hostile / "tables").glob("*.md"), hostile / "checklist.md"):
        text = path.read_text()
        for head, *rows in pipes(text):
            assert {len(row) for row in rows} == {len(head)}
        plain = re.sub(r"^## |\\.", "", text, flags=re.MULTILINE)
        assert not re.search(r"[\\`*_\[\]<>&~#$]", plain)
    (head, *_) = pipes((hostile / "tables" / "comparison.md").read_text())[0]
    assert head[1:3] == [r"\input{x}% & $x^2$ ~ #1 _a_ *b*", "| [x](y) <b> `c` \\| & | *"]


@pytest.mark.parametrize("text", [*HOSTILE, "[x]", "*", r"\\", "a & b_c^d~e#f$g%h{i}"])
def test_any_text_in_a_table_stays_text(text: str) -> None:
    from sleepagree.errors import printable

    shown = printable(text)
    hostile = table("t", shown, (shown, "n"), ((shown, "1"), ("[", "2"), ("*", "3")))
    assert_is_sound(render_latex([hostile]))
    ((head, *_),) = pipes(render_markdown([Paragraph(shown), hostile]))
    assert head[0] == re.sub(r"(?<![\w.−-])−(?=\.?\d)", "-", shown).strip()


def test_tables_are_the_same_bytes_again_and_are_replaced_with_the_rest(made: Path, tmp_path: Path) -> None:
    table = load_nights(copy_ferry(tmp_path / "ferry"))
    out = tmp_path / "out"
    write_study(table, REQUEST, out)
    found = {path.name: path.read_bytes() for path in (out / "tables").iterdir()}
    assert found == {path.name: path.read_bytes() for path in (made / "tables").iterdir()}
    (out / "tables" / "bias_another-device.md").write_text("of an earlier run\n")
    write_study(table, REQUEST, out, overwrite=True)
    assert {path.name: path.read_bytes() for path in (out / "tables").iterdir()} == found


def test_every_number_of_the_paragraphs_stands_in_the_tables_or_the_results(made: Path) -> None:
    """Results word for word as the tables print them; the parts of a bias at the rounding of results.json."""
    study = run_study(load_nights(made.parent / "ferry" / "nights.csv"), REQUEST)
    number = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")
    tables = " ".join(path.read_text() for path in (made / "tables").glob("*.md"))
    document = json.loads((made / "results.json").read_text())
    exact = [abs(value) for value in numbers_in(document)]
    of_parts = {f"{value:.1f}" for d in document["devices"] for value in map(abs, numbers_in(d["bias_sources"]))}
    results = results_of_study(study)
    assert len(number.findall(results)) > 100
    first, *paragraphs = results.split("\n\n")
    assert first == "24 of 24 device-nights of 12 nights were scored."
    assert [r["outcome"] for r in rows_of(made / "nights.csv")] == ["scored"] * 24
    assert not {n for text in paragraphs for n in number.findall(text)} - set(number.findall(tables)) - of_parts
    methods = re.sub(r"\[[\d, ]+\]|N[123]|F1|AC1|\(A,1\)|Computed with.*", "", methods_of_study(study).text)
    known = {f"{value:.{digits}f}" for value in exact for digits in (0, 1)}
    known |= {"15", "95"}  # half an epoch, which is the least cover; the level in per cent
    assert 0.95 in exact
    assert not set(number.findall(methods)) - known
    jargon = ["'rem-", "'wake-", "pooled", "ledger"]
    assert not [word for word in jargon if word in results or word in methods]


def numbers_in(record: object) -> Iterator[float]:
    """Yield every number of a JSON document."""
    if isinstance(record, (int, float)):
        yield record
    elif isinstance(record, (dict, list)):
        for value in record.values() if isinstance(record, dict) else record:
            yield from numbers_in(value)
