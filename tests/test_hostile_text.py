"""Text of somebody else's file in labels, names and file names: it is shown, and never runs.

What runs: HTML in a report (HTML Living Standard), a formula in a spreadsheet (cells that begin with =, +, -, @, tab or
return: the list of OWASP, "CSV injection", from memory), escape sequences in a terminal (ECMA-48 C0, C1), lines of TOML
in a layout that is written, and marks of direction (Unicode UAX 9) that make a line read otherwise than it is.
"""

from __future__ import annotations

import csv
import html
import io
import json
import re
import shlex
import subprocess
import tomllib
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepagree.describe.proposal import layout_text
from sleepagree.files.formulas import escape_formula
from sleepagree.files.writing import csv_text
from sleepagree.readers.edf.writer import write_edf_annotations
from sleepagree.readers.inspection import inspect_file
from sleepagree.readers.proposing.proposal import layout_as_seen
from tests.canaries import outputs, written
from tests.commands import run
from tests.ferry import FERRY, copy_ferry

START = datetime(2026, 3, 1, 22, 30)
QUICK = ("--resamples", "50", "--quiet")

HTML = ("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</title><svg/onload=alert(1)>", "{{ 7*7 }}")
FORMULAS = ("=HYPERLINK(A1)", "+cmd|' /C calc'!A0", "-2+3", "@SUM(1)", "\t=1+1")
TERMINAL = ("\x1b[2Jgone", "\x1b]0;title\x07", "\x9b31m", "a\rb", "a\x08b", "\u202egnol", "\u2066x\u2069")
TOML = ('"] = 1\n[file]\nzone = "Evil/Zone', "x\n[stages]\ny", '""" = "wake', "\\", "a=b # c")
HOSTILE = (*HTML, *FORMULAS, *TERMINAL, *TOML)

#: What may move a cursor or turn text round; line feeds end lines, and tables of text use no tab.
MOVES = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


class Tags(HTMLParser):
    """The elements and attributes of a page, as a browser would see them."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts: list[str] = []
        self.handlers: list[str] = []
        self.addresses: list[str] = []
        self._script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._script = tag == "script"
        self.handlers += [f"{tag} {name}" for name, _ in attrs if name.startswith("on")]
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "action", "xlink:href")]

    def handle_endtag(self, tag: str) -> None:
        self._script = False

    def handle_data(self, data: str) -> None:
        if self._script:
            self.scripts.append(data)


def assert_page_is_tame(page: str) -> None:
    tags = Tags()
    tags.feed(page)
    assert tags.handlers == []
    assert all(address.startswith(("#", "data:")) for address in tags.addresses), tags.addresses
    # the page's own script knows no text of a file: it stands there as data, escaped
    assert not any("alert(1)" in script for script in tags.scripts if "</script>" in script)
    assert "<script>alert(1)" not in page
    assert "onerror=alert" not in re.sub(r"&[a-z#0-9]+;", "", re.sub(r"&lt;.*?&gt;", "", page))
    assert "{{ 49 }}" not in page
    assert "{{ 7*7 }}" in page or "7*7" not in page


def assert_cells_are_tame(text: str, delimiter: str = ",") -> None:
    for row in csv.reader(io.StringIO(text), delimiter=delimiter):
        for cell in row:
            assert cell.startswith("'") or escape_formula(cell) == cell, cell


def night_table(folder: Path, labels: tuple[str, ...]) -> tuple[Path, Path, Path]:
    """A night whose device says hostile words, explained by a layout."""
    words = ["W", "N1", "N2", "N3", "R"]
    reference = folder / "reference.csv"
    stages = [words[i // 7 % 5] for i in range(400)]
    reference.write_text("onset,duration,stage\n" + "".join(f"{30 * i},30,{s}\n" for i, s in enumerate(stages)))
    device = folder / "device.csv"
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow(["onset", "duration", "stage"])
    for i in range(400):
        writer.writerow([30 * i, 30, labels[i // 5 % len(labels)]])
    device.write_text(stream.getvalue(), newline="")
    layout = folder / "layout.toml"
    stages_of = dict(zip(dict.fromkeys(label.strip() for label in labels), words * 9, strict=False))
    lines = "\n".join(f"{json.dumps(label)} = {json.dumps(stage)}" for label, stage in stages_of.items())
    layout.write_text(f"[stages]\n{lines}\n")
    return reference, device, layout


@pytest.mark.parametrize("group", [HTML, FORMULAS, ("\u202egnol", "\u2066x\u2069", "a\x08b", "\x9b31m"), TOML[2:]])
def test_labels_of_a_night(group: tuple[str, ...], tmp_path: Path) -> None:
    reference, device, layout = night_table(tmp_path, group)
    out = tmp_path / "out"
    exports = ("--export", "csv", "--export", "bids", "--export", "edf")
    result = run("night", reference, device, "--layout", layout, "--out", out, *exports, "--quiet")
    assert result.exit_code == 0, result.output
    assert not MOVES.search(result.stdout + result.stderr)
    names = {path.name for path in out.iterdir()}
    assert {"report.html", "epochs.csv", "results.json", "aligned.csv", "aligned_events.tsv"} <= names
    for path in out.rglob("*"):
        if path.suffix in (".csv", ".tsv"):
            assert_cells_are_tame(path.read_text(), "\t" if path.suffix == ".tsv" else ",")
        if path.suffix == ".html":
            assert_page_is_tame(path.read_text())
    record = json.loads((out / "results.json").read_text())
    assert set(record["inputs"]["device"]["labels"]) == {label.strip() for label in group}
    # a terminal that shows the file as it is must not be moved either
    assert not MOVES.search((out / "results.json").read_text())


@pytest.mark.parametrize("text", HOSTILE)
def test_an_unknown_label_is_shown_and_does_not_run(text: str, tmp_path: Path) -> None:
    reference, device, _ = night_table(tmp_path, ("wake", text, "light", "deep"))
    result = run("night", reference, device)
    assert result.exit_code == 1, result.output
    assert not MOVES.search(result.output)
    seen = run("inspect", device, "--json", tmp_path / "seen.json")
    assert not MOVES.search(seen.output)


def test_names_in_a_study(tmp_path: Path) -> None:
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    text = table.read_text()
    hostile = [*HTML, *FORMULAS[:4]]
    quoted = ['"' + name.replace('"', '""') + '"' for name in hostile]
    for i, name in enumerate(quoted[:4], 1):
        text = text.replace(f"crew-{i},", f"{name},")
    text = text.replace("band A", quoted[4]).replace("pad B", quoted[5])
    text = text.replace(f"{quoted[0]},3,", f"{quoted[0]},{quoted[6]},")
    table.write_text(text)
    result = run("study", table, "--out", out, *QUICK)
    assert result.exit_code == 0, result.output
    pages = [path for path in out.rglob("*") if path.suffix in (".html", ".svg")]
    assert len(pages) > 5
    for path in pages:
        assert_page_is_tame(path.read_text())
    for name, data in written(out):
        if name.endswith((".csv", ".csv.gz")):
            assert_cells_are_tame(data.decode())
    assert {d["device"] for d in json.loads((out / "results.json").read_text())["devices"]} == set(hostile[4:6])


@pytest.mark.parametrize("text", TERMINAL)
def test_names_in_a_study_move_no_terminal(text: str, tmp_path: Path) -> None:
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    quoted = '"' + text + '"'
    spoilt = tmp_path / "ferry" / "band-a" / "crew-1-night-1.csv"
    spoilt.write_text("nothing\n")
    table.write_text(table.read_text().replace("crew-1,", f"{quoted},").replace("band A", quoted), newline="")
    result = run("study", table, "--out", out, "--resamples", "50")
    assert result.exit_code == 3, result.output
    assert not MOVES.search(result.output)
    said = run("bias", table, "--resamples", "50", "--csv", tmp_path / "bias.csv")
    assert not MOVES.search(said.output)
    assert not MOVES.search((out / "results.json").read_text())


@pytest.mark.parametrize("text", ["<script>alert(1)", "=1+1", "\x1b[2J", "a\nb", "\u202egnol", "a'b\"c"])
def test_file_names(text: str, tmp_path: Path) -> None:
    reference, device, layout = night_table(tmp_path, ("a", "b", "c", "d", "e"))
    strange = device.rename(tmp_path / f"{text}.csv")
    out = tmp_path / "out"
    result = run("night", reference, strange, "--layout", layout, "--out", out, "--quiet")
    assert result.exit_code == 0, result.output
    assert not MOVES.search(result.output)
    assert_page_is_tame((out / "report.html").read_text())
    refused = run("night", reference, strange)
    assert refused.exit_code == 1
    assert not MOVES.search(refused.output)
    # one message: the name of a file cannot end the line and begin one of its own
    assert "\nb.csv" not in refused.output


BAND_A = ("--layout", FERRY / "band-a.toml")
ONE_NIGHT = (FERRY / "reference" / "crew-1-night-1.edf", FERRY / "band-a" / "crew-1-night-1.csv", *BAND_A)


def mapping_file(folder: Path, *, name: str, first: str, second: str, assumption: str) -> Path:
    """A mapping whose every word is hostile."""
    sides = {"reference": ("W", "N1", "N2", "N3", "R"), "device": ("wake", "light", "deep")}
    lines = [f"{key} = {json.dumps(text)}" for key, text in (("name", name), ("assumption", assumption))]
    lines.append(f"classes = [{json.dumps(first)}, {json.dumps(second)}]")
    for side, labels in sides.items():
        lines.append(f"[{side}]")
        lines += [f"{label} = {json.dumps(first if label in ('W', 'wake') else second)}" for label in labels]
    path = folder / "own.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_words_of_a_mapping(tmp_path: Path) -> None:
    out, record = tmp_path / "out", tmp_path / "record.json"
    given = {
        "name": HTML[0],
        "first": FORMULAS[0],
        "second": HTML[1],
        "assumption": f"{TERMINAL[0]} {HTML[3]} {HTML[0]}",
    }
    mapping = ("--mapping", mapping_file(tmp_path, **given))
    result = run("night", *ONE_NIGHT, *mapping, "--out", out, "--json", record)
    assert result.exit_code == 0, result.output
    assert not MOVES.search(result.output)
    assert not MOVES.search(record.read_text())
    assert_page_is_tame((out / "report.html").read_text())
    for name in ("confusion.csv", "epochs.csv"):
        assert_cells_are_tame((out / name).read_text())
    (shown,) = json.loads(record.read_text())["mappings"]
    assert shown["name"] == given["name"]
    assert [row["class"] for row in shown["classes"]] == [given["first"], given["second"]]
    study = tmp_path / "study"
    result = run("study", FERRY / "nights.csv", *mapping, "--out", study, *QUICK)
    # pad B says rem, of which the mapping says nothing: its nights are refused, in words of the mapping
    assert result.exit_code == 3, result.output
    assert not MOVES.search(result.output)
    assert_page_is_tame((study / "report.html").read_text())
    for name, data in written(study):
        if name.endswith((".csv", ".csv.gz")):
            assert_cells_are_tame(data.decode())


@pytest.mark.parametrize("text", TERMINAL)
@pytest.mark.parametrize("word", ["name", "first"])
def test_a_mapping_that_would_move_a_terminal_is_refused(text: str, word: str, tmp_path: Path) -> None:
    given = {"name": "own", "first": "wake", "second": "sleep", "assumption": "none", word: text}
    result = run("night", *ONE_NIGHT, "--mapping", mapping_file(tmp_path, **given))
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("sleepagree: own.toml: ")
    assert not MOVES.search(result.output)


LEARNT = Path(__file__).parent / "golden" / "correct" / "one-night" / "correction.json"
LONG = (f"={'x' * 10_000}", f"<b>{'y' * 10_000}", f"\u202e{'z' * 10_000}")


@pytest.mark.parametrize("group", [HTML[:3], FORMULAS[:3], FORMULAS[2:], TERMINAL[1:4], TERMINAL[4:], TOML[:3], LONG])
def test_labels_of_a_corrected_night(group: tuple[str, ...], tmp_path: Path) -> None:
    """A correction and a night whose labels are hostile: invented, and as long as a cell of a spreadsheet may be."""
    _, device, layout = night_table(tmp_path, (*group, "two\nlines"))
    labels = [label.strip().replace("\r", "\n") for label in (*group, "two\nlines")]
    stages = dict(zip(labels, ("W", "light", "N3", "light"), strict=True))
    layout.write_text("[stages]\n" + "".join(f"{json.dumps(a)} = {json.dumps(b)}\n" for a, b in stages.items()))
    learnt, out, epochs = tmp_path / "learnt.json", tmp_path / "out", tmp_path / "epochs.csv"
    learnt.write_text(json.dumps({**json.loads(LEARNT.read_text()), "labels": stages, "device": group[0]}))
    options = ("--layout", layout, "--epochs", epochs, "--out", out, "--json", tmp_path / "record.json")
    result = run("correct", learnt, device, *options)
    assert result.exit_code == 0, result.output
    assert not MOVES.search(result.output)
    assert max(map(len, result.output.splitlines())) < 200
    assert_page_is_tame((out / "report.html").read_text())
    assert not MOVES.search((tmp_path / "record.json").read_text())
    assert epochs.read_bytes() == (out / "epochs.csv").read_bytes()
    for path in (epochs, out / "corrected.csv"):
        assert_cells_are_tame(path.read_text())
    rows = list(csv.DictReader(io.StringIO(epochs.read_text(), newline="")))
    # every epoch has its row, its own label and the class that the layout says
    of_stage = {"W": "wake", "light": "light", "N3": "deep"}
    told = [(escape_formula(label), of_stage[stage]) for label, stage in stages.items()]
    assert [(row["label"], row["class"]) for row in rows] == [told[i // 5 % 4] for i in range(400)]
    # a label that was not learnt is refused in one message that moves nothing
    learnt.write_text(LEARNT.read_text())
    refused = run("correct", learnt, device, "--layout", layout)
    assert refused.exit_code == 1
    assert not MOVES.search(refused.output)
    assert len(refused.output) < 1000


@pytest.mark.parametrize("text", ["$(touch owned)", "`touch owned`", "a;touch owned", "a&&touch owned", "a'b c"])
def test_the_command_that_repeats_a_run_runs_nothing_else(text: str, tmp_path: Path) -> None:
    strange, out = tmp_path / f"{text}.csv", tmp_path / "out"
    strange.write_bytes(ONE_NIGHT[1].read_bytes())
    result = run("night", ONE_NIGHT[0], strange, *BAND_A, "--out", out, "--quiet")
    assert result.exit_code == 0, result.output
    found = re.search(r"sleepagree night [^<]*", (out / "report.html").read_text())
    assert found
    told = html.unescape(found.group()).strip()
    # what a shell makes of it: words only, the name of the file among them
    script = f"sleepagree() {{ printf '%s\\n' \"$@\"; }}; {told}"
    done = subprocess.run(["sh", "-c", script], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == shlex.split(told)[1:]
    assert done.stdout.splitlines()[2] == strange.name
    assert not (tmp_path / "owned").exists()


def test_names_that_a_folder_gives_to_people(tmp_path: Path) -> None:
    folder = copy_ferry(tmp_path / "ferry").parent
    names = {"crew-1": "=1+1", "crew-2": "<script>alert(1)", "crew-3": '"a\', b"', "crew-4": "@SUM(1)"}
    for part in ("reference", "band-a"):
        for path in list((folder / part).iterdir()):
            path.rename(path.with_name(names[path.name[:6]] + path.name[6:]))
    table, out = folder / "made.csv", tmp_path / "out"
    patterns = (
        "--reference",
        "reference/{participant}-night-{night}.edf",
        "--device",
        "{device}/{participant}-night-{night}.csv",
    )
    result = run("nights", folder, *patterns, *BAND_A, "--out", table)
    assert result.exit_code == 0, result.output
    assert_cells_are_tame(table.read_text())
    # and the table still leads to the files
    result = run("study", table, "--out", out, *QUICK)
    assert result.exit_code == 0, result.output
    assert_page_is_tame((out / "report.html").read_text())
    people = {row["participant"] for row in csv.DictReader((out / "nights.csv").read_text().splitlines())}
    assert people == {escape_formula(name) for name in names.values()}


@pytest.mark.parametrize("text", HOSTILE)
def test_a_layout_that_is_written_says_what_was_meant(text: str, tmp_path: Path) -> None:
    _, device, _ = night_table(tmp_path, ("wake", text, "light", "deep"))
    layout = tomllib.loads(layout_text(layout_as_seen(inspect_file(device))))
    assert set(layout) <= {"reports", "epoch_seconds", "file", "stages"}
    assert set(layout.get("file", {})) <= {"shape", "start", "duration", "duration_unit", "stage", "time"}
    label = text.strip().replace("\r", "\n")  # inside quotation marks a return is read as a line end
    assert layout["stages"][label] == ""


@given(text=st.text(min_size=1, max_size=30))
@settings(max_examples=150, deadline=None)
def test_a_layout_says_what_was_meant_for_any_label(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.mktemp("label")
    path = folder / "night.edf"
    try:
        write_edf_annotations(path, [(30.0 * i, 30.0, f"Sleep stage {text}") for i in range(6)], start=START)
    except ValueError:  # the format cannot hold it
        return
    seen = inspect_file(path)
    layout = tomllib.loads(layout_text(layout_as_seen(seen)))
    assert set(layout) <= {"reports", "epoch_seconds", "file", "stages"}
    assert set(layout.get("stages", {})) <= set(seen.unknown)


@given(rows=st.lists(st.lists(st.text(max_size=12), min_size=2, max_size=2), max_size=6))
@settings(max_examples=300, deadline=None)
def test_no_cell_of_a_table_runs_and_none_is_lost(rows: list[list[str]]) -> None:
    text = csv_text(rows)
    back = list(csv.reader(io.StringIO(text, newline="")))
    assert back == [[escape_formula(cell) for cell in row] for row in rows]
    assert_cells_are_tame(text)


def test_the_checks_find_what_they_look_for() -> None:
    with pytest.raises(AssertionError):
        assert_page_is_tame("<p><img src=x onerror=alert(1)></p>")
    with pytest.raises(AssertionError):
        assert_page_is_tame("<script>alert(1)</script>")
    with pytest.raises(AssertionError):
        assert_cells_are_tame("a,=1+1\n")
    assert MOVES.search("\x1b[2J")
    assert outputs(run("--version"))
