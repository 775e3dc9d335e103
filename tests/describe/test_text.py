"""The report in a terminal: within its columns for every name, and nothing in it that moves the cursor."""

from __future__ import annotations

import math
import re
import unicodedata
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.describe.blocks import table
from sleepagree.describe.paragraphs import methods_of_night
from sleepagree.describe.words import duration, figure, moment, signed
from sleepagree.errors import printable
from sleepagree.hypnogram.align import Outside, align
from sleepagree.hypnogram.spans import Origin
from sleepagree.mapping.mapping import StageMapping, mapping_named
from sleepagree.mapping.words import AASM_STAGES
from sleepagree.night.compare import compare
from sleepagree.night.mappings import compare_mappings
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.columns import columns_of, cut, to_left, to_right, wrap
from sleepagree.render.night_json import night_document
from sleepagree.render.terminal import table_lines
from sleepagree.scoring.clock_check import scan_clock
from tests.told import clock_lines, mappings_lines, night_lines
from tests.worked import BED_TIME, pair, side

FERRY = Path(__file__).parents[2] / "fixtures" / "ferry"
NIGHTS = sorted(p.stem for p in (FERRY / "band-a").glob("*.csv"))
HOSTILE = [
    "a" * 300 + ".csv",
    "night\x1b[2J\x07.csv",
    "\u202egnp.csv",
    "$(reboot) `x` %s {0}.csv",
    "睡眠記録" * 30 + ".csv",
    "e\u0301\u0301\u0301" * 50 + ".csv",
    "new\nline\r\ttab.csv",
    "half\udcff.csv",
    "👩‍🚀" * 40,
    "",
]


def wide(character: str) -> int:
    """Columns of one character by the Unicode standard's annexes 11 (width) and 44 (marks), told again here."""
    if unicodedata.category(character) in {"Mn", "Me", "Cf"}:
        return 0
    return 2 if unicodedata.east_asian_width(character) in {"W", "F"} else 1


def check(lines: list[str], width: int) -> str:
    for line in lines:
        assert sum(map(wide, line)) <= width, line
        assert line == line.rstrip(), line
        assert all(c.isprintable() or unicodedata.category(c) in {"Cf", "Co", "Cn"} for c in line), repr(line)
        assert not set(line) & set("\x1b\x9b\u202e\r\n")
    return "\n".join(lines)


def ferry_pair(name: str, device: str, *, called: str | None = None):
    zone = "Europe/Helsinki" if device == "pad-b" else None
    reference = read_spans(FERRY / "reference" / f"{name}.edf", zone=zone)
    said = read_spans(FERRY / device / f"{name}.csv", layout=read_layout(FERRY / f"{device}.toml"))
    if called is not None:
        reference, said = (spans.with_changes(origin=Origin(called, "table")) for spans in (reference, said))
    return align(reference=reference, device=said)


# --- columns -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("device", ["band-a", "pad-b"])
@pytest.mark.parametrize("name", NIGHTS)
def test_every_fixture_night_fits(name, device):
    paired = ferry_pair(name, device)
    check(night_lines(compare(paired)), 80)
    check(mappings_lines(compare_mappings(paired, level=0.999, declared="wake-sleep")), 80)
    if name.startswith("crew-2"):
        check(clock_lines(scan_clock(paired, mapping_named("wake-sleep"), resamples=50), paired), 80)


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_any_file_name_fits(name):
    paired = ferry_pair("crew-4-night-2", "pad-b", called=name)
    check(night_lines(compare(paired)), 80)
    check(mappings_lines(compare_mappings(paired)), 80)
    check(clock_lines(scan_clock(paired, mapping_named("wake-sleep"), resamples=50), paired), 80)


@pytest.mark.parametrize("range_s", [240, 1800, 4980])
def test_the_curve_of_a_clock_has_even_offsets_with_0_and_the_best_among_them(range_s):
    reading = scan_clock(ferry_pair("crew-2-night-3", "band-a"), mapping_named("wake-sleep"), range_s=range_s)
    lines = clock_lines(reading, ferry_pair("crew-2-night-3", "band-a"))
    assert lines[0] == "CLOCK of device crew-2-night-3.csv against reference crew-2-night-3.edf"
    rows = lines[lines.index("  kappa by offset (seconds added to device times)") + 1 :]
    rows = [row.split() for row in rows[: rows.index("")]]
    offsets = [int(row[0]) for row in rows]
    assert offsets == sorted(offsets)
    assert offsets.count(0) == 1
    even = [offset for offset in offsets if offset != reading.offset_s or offset % (offsets[1] - offsets[0]) == 0]
    steps = {b - a for a, b in pairwise(even)}
    assert len(steps) == 1
    assert len(offsets) <= 32
    known = dict(zip(reading.curve.offsets_s.tolist(), reading.curve.kappa.tolist(), strict=True))
    assert all(float(row[1]) == pytest.approx(known[int(row[0])], abs=5e-4) for row in rows)
    assert next(row for row in rows if row[0] == "0")[-2:] == ["as", "recorded"]
    assert next(int(row[0]) for row in rows if row[-1] == "best") == reading.offset_s


def test_a_long_file_name_keeps_its_end():
    name = "recording-of-the-night-ferry-crew-" * 4 + "night-7.csv"
    lines = night_lines(compare(ferry_pair("crew-1-night-1", "band-a", called=name)))
    at = lines.index("  reference:") + 1
    assert lines[at].startswith("    recording-of-the-night-ferry-cr")
    assert "…" in lines[at]
    assert lines[at].endswith("night-7.csv,")


@pytest.mark.parametrize("classes", [5, 6, 9, 14])
def test_any_number_of_classes_fits_in_blocks_of_columns(classes):
    names = ("W", *(f"depth {i}" for i in range(1, classes)))
    text = " ".join(f"{'W' if n == 'W' else n.replace(' ', '_')}*{i + 900}" for i, n in enumerate(names))
    table = tuple((n, n) for n in names)
    mapping = StageMapping("many", names, names, table, table, from_file="many.toml")
    words = frozenset(names[1:])
    paired = pair(side(text, own_words=words), side(text, own_words=words))
    shown = check(night_lines(compare(paired, mappings=[mapping])), 80)
    for i, name in enumerate(names):
        assert len(re.findall(rf"^  {'wake' if name == 'W' else name} .*\b{i + 900} \(100 %\)", shown, re.M)) == 1


@pytest.mark.parametrize("hostile", [h for h in HOSTILE if h], ids=range(len(HOSTILE) - 1))
def test_hostile_labels_and_classes_fit(hostile):
    labels = [f"{hostile}{i % 3}" for i in range(64)]
    classes = ("wake", printable(hostile) + "class")  # names that cannot be shown make no mapping
    mapping = StageMapping(
        printable(hostile),
        classes,
        classes,
        (("W", "wake"), *((s, classes[1]) for s in AASM_STAGES[1:])),
        tuple((label, "wake" if label.endswith("0") else classes[1]) for label in labels[:3]),
        assumption=hostile,
        from_file="x.toml",
    )
    device = read_hypnogram(labels, own_words=frozenset(labels), start=BED_TIME)
    paired = pair(side("W*5 N2*40 R*10 N3*9"), device)
    check(night_lines(compare(paired, mappings=[mapping])), 80)
    check(mappings_lines(compare_mappings(paired, extra=[mapping])), 80)


def test_five_stages_on_both_sides_fit():
    paired = pair("W*100 N1*200 N2*900 N3*300 R*1000", "W*100 N1*200 N2*900 N3*300 R*1000")
    check(night_lines(compare(paired)), 80)
    check(mappings_lines(compare_mappings(paired, level=0.9999)), 80)


# --- what is said --------------------------------------------------------------------------------------------


def test_the_ledger_and_the_matrix_say_what_was_counted():
    paired = pair("W*6 N2*3 ?*2 R*3 N2*2", "wake*5 light*4 light deep deep*2 light - light", outside=Outside.WAKE)
    night = compare(paired)
    lines = night_lines(night)
    shown = check(lines, 80)
    for line in (
        "  scored on both sides      13   81.2 %",
        "  reference unscored         2   12.5 %",
        "  device gap                 1    6.2 %",
        "  total                     16  100.0 %",
        "  reference labels: W (6), N2 (5), ? (2), R (3)",
        "  reference \\ device      wake      light      deep  total",
        "  wake                5 (83 %)   1 (17 %)   0 (0 %)      6",
        "  light                0 (0 %)  4 (100 %)   0 (0 %)      4",
        "  REM                  0 (0 %)   1 (33 %)  2 (67 %)      3",
        "WHERE REM WENT",
        "  1.5 min of REM that the device has no label for",
    ):
        assert line in lines, f"{line}\n{shown}"


def test_a_measure_without_a_value_says_why():
    paired = pair("W*9 N2", side("wake*10", reports=("wake", "light", "deep", "rem")))
    lines = check(night_lines(compare(paired)), 80)
    assert re.search(r"^  SOL +min +4\.5 +– +–  no sleep on the device\n +side$", lines, re.M)
    assert re.search(r"^  deep latency +min +– +– +–  no such epoch on\n +either side$", lines, re.M)


def test_kappa_has_no_interval_where_it_is_1_or_0_by_definition():
    shown = check(night_lines(compare(pair("W*5 N2*5", "W*5 N2*5"))), 80)
    assert re.search(r"^  kappa +1\.000 +– +– +1\.000$", shown, re.M)
    assert "Kappa is 1.00 (no interval: the sides differ in no epoch)" in " ".join(shown.split())
    asleep = compare(pair("W*5 N2*5", side("light*10", reports=("wake", "light"))), mappings=["wake-sleep"])
    shown = " ".join(check(night_lines(asleep), 80).split())
    assert "Kappa is 0.00 (no interval: its standard error is 0)" in shown
    document = night_document(asleep)["mappings"][0]
    assert document["kappa"]["block_low"] is document["kappa"]["block_high"] is None
    assert document["kappa"]["reason"].startswith("no interval: ")
    # nor has a class its device never says
    assert document["intervals"]["classes"][0]["kappa"] == [None, None]


def test_a_window_of_a_day_tells_the_date_of_its_end():
    night = compare(pair("W*2000 N2*880", "W*2000 N2*880"))
    check(night_lines(night), 80)
    told = "window: 2026-03-01 22:30:00 to 2026-03-02 22:30:00, 2880 epochs (24 h 00.0 min); rule: "
    assert told in " ".join(" ".join(night_lines(night)).split())
    # the methods paragraph and the page tell the same
    assert "(2026-03-01 22:30:00 to 2026-03-02 22:30:00)" in methods_of_night(night).text


def test_elapsed_time_says_so():
    paired = pair(side("W*2 N2*2", start=None), side("wake*2 light*2", start=None))
    lines = " ".join(check(night_lines(compare(paired)), 80).split())
    assert "device: data in memory, elapsed time, no clock, 4 epochs of 30 s (source: 30-s epochs)" in lines
    assert "window: 0 s to 120 s after the reference's start, 4 epochs (2.0 min); rule: " in lines


def test_the_declared_mapping_is_marked():
    comparison = compare_mappings(ferry_pair("crew-1-night-1", "band-a"), declared="rem-as-light")
    lines = mappings_lines(comparison)
    marked = [line for line in lines if line.startswith("*")]
    assert [line.split()[1] for line in marked] == ["rem-as-light"]
    assert "rem-as-light (declared beforehand): Calling REM light" in " ".join(lines)
    assert any("*: declared beforehand" in line for line in lines)
    assert "Kappas at different numbers of classes cannot be compared with each other" in "\n".join(lines)


# --- small pieces --------------------------------------------------------------------------------------------


def test_figures():
    assert [figure(0.125), figure(math.nan), figure(1 / 3, 3)] == ["0.12", "–", "0.333"]
    assert [figure(-0.001), figure(-0.0), figure(-0.01), figure(-0.4, 0)] == ["0.00", "0.00", "-0.01", "0"]
    assert [signed(v) for v in (0.0, -0.0, 0.04, -0.04, 1.25, -1.25, math.nan)] == [
        "0.0", "0.0", "0.0", "0.0", "+1.2", "-1.2", "–",
    ]  # fmt: skip
    assert [duration(n) for n in (0, 1, 119, 120, 961)] == [
        "0.0 min", "0.5 min", "59.5 min", "1 h 00.0 min", "8 h 00.5 min",
    ]  # fmt: skip
    assert moment(None) == "no clock"


@given(st.text(), st.integers(2, 40))
def test_cut_text_fits(text, width):
    shown = cut(text, width)
    assert columns_of(shown) <= width
    assert columns_of(to_left(shown, width)) == columns_of(to_right(shown, width)) == width


@given(st.text(), st.integers(8, 80))
def test_wrapped_text_fits_and_loses_no_letter(text, width):
    lines = wrap(text, indent="  ", hang="    ", width=width)
    assert all(sum(map(wide, line)) <= width for line in lines)
    letters = [c for c in text if c.isascii() and c.isalnum()]
    shown = [c for c in "".join(lines) if c.isascii() and c.isalnum()]
    if text.isprintable():
        assert shown == letters


def test_wrapping_is_plain():
    assert wrap("one two three four", width=11) == ["  one two", "  three", "  four"]
    assert wrap("abcdefghijkl m", width=8, hang="    ") == ["  abcdef", "    ghij", "    kl m"]
    assert wrap("   ") == []


def test_tables_align_wide_letters():
    lines = table_lines(table("t", "", ("name", "n"), (("睡眠", "1"), ("ab", "10"))))
    assert lines == ["  name   n", "  睡眠   1", "  ab    10"]
