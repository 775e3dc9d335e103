"""What a study says of how its epochs came about: silence taken as wake, and tables of paired epochs."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

from sleepagree.describe.blocks import Paragraph, Table
from sleepagree.describe.study import describe_study
from sleepagree.describe.study_paragraphs import methods_of_study
from sleepagree.hypnogram.align import align
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study.night_summary import NightSummary, summarise_night
from sleepagree.study.paired_epochs import COLUMNS, read_paired_nights
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.commands import ended
from tests.ferry import copy_ferry
from tests.told import study_lines

#: Said by one side; the device is silent in the first two epochs and in the last.
REFERENCE = ["W", "N2", "N2", "N3", "R", "W"]
SILENT = [None, None, "light", "deep", "rem", None]


def _night(device: list[str | None], who: str, outside: str) -> NightSummary:
    sides = read_hypnogram(REFERENCE), read_hypnogram(device, reports=("wake", "light", "deep", "rem"))
    paired = align(reference=sides[0], device=sides[1], outside=outside)
    return summarise_night(paired, participant=who, night="1", device="pad B")


def _study(outside: str) -> StudyAgreement:
    speaks = ["wake", "light", "light", "deep", "rem", "wake"]
    nights = [_night(SILENT, "crew-1", outside), _night(speaks, "crew-2", outside)]
    return summarise_study(nights, StudyOptions(resamples=20))


def _told(study: StudyAgreement) -> str:
    return " ".join(" ".join(study_lines(study)).split())


def test_silence_taken_as_wake_is_told_with_its_epochs() -> None:
    told = _told(_study("wake"))
    assert (
        "Where a device was silent before its first and after its last word, wake was taken for it: 3 epochs of pad B "
        "on 1 night. The other epochs without a stage on either side were counted and left out." in told
    )
    assert "not scored: none; taken as wake where the device was silent at either end 3; it can report" in told
    assert "a stage to all but 3 in which its silence at either end was taken as wake: it says the same in" in told


def test_nothing_is_said_of_wake_where_silence_stays_missing() -> None:
    told = _told(_study("missing"))
    assert "taken as wake" not in told
    assert "wake was taken" not in told
    assert "Epochs without a stage on either side were counted and left out." in told


def paired_study(folder: Path) -> StudyAgreement:
    """Return a study of a table of paired epochs, three people with one night each."""
    device = ["wake", "light", "light", "deep", "rem", "wake"]
    rows = [
        (f"p{who}", 1, i, *sides) for who in range(3) for i, sides in enumerate(zip(REFERENCE, device, strict=True))
    ]
    with (folder / "pairs.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows([COLUMNS, *rows])
    return summarise_study(read_paired_nights(folder / "pairs.csv"), StudyOptions(resamples=20))


def test_paired_epochs_are_said_to_be_taken_as_they_stand(tmp_path: Path) -> None:
    methods = methods_of_study(paired_study(tmp_path)).text
    assert methods.startswith("Both sides were compared in the epochs of a table of paired epochs, as they stand there")
    assert "Nights were compared from the first to the last epoch that the table has of each (3 nights)." in methods
    assert "took the label that covers most" not in methods


def test_a_refused_night_of_a_paired_table_is_named_and_has_no_line(tmp_path: Path) -> None:
    """Each row of such a table is an epoch: the number of a night is no line."""
    stages = [("W", "N1", "N2", "N3", "R")[i % 5] for i in range(40)]
    device = [("wake", "light", "light", "deep", "rem")[i % 5] for i in range(40)]
    sides = list(zip(stages, device, strict=True))
    rows = [
        (who, 1, i, *both)
        for who, own in (("a", sides), ("b", sides[::-1]), ("c", sides))
        for i, both in enumerate(own)
    ]
    with (tmp_path / "pairs.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows([COLUMNS, *rows])
    told = " ".join(
        ended("study", tmp_path / "pairs.csv", "--out", tmp_path / "out", "--strict", code=1).stderr.split()
    )
    assert "c 1 device: the same reference stages as those of participant a, night 1, device device: one night" in told
    assert "take one of the nights out" in told
    assert "line " not in told


def test_unknown_labels_of_a_paired_table_have_a_remedy_that_there_is(tmp_path: Path) -> None:
    with (tmp_path / "pairs.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows([COLUMNS, ("a", 1, 0, "SWS?", "wake")])
    told = ended("study", tmp_path / "pairs.csv", "--out", tmp_path / "out", code=1).stderr
    assert "unknown stage label. Found 'SWS?'; expected plain stage names. Write each stage in the table as one" in told
    assert "layout" not in told


def test_a_table_without_times_has_no_section_on_clocks(tmp_path: Path) -> None:
    assert not [line for line in study_lines(paired_study(tmp_path)) if line.startswith("CLOCK")]
    assert [line for line in study_lines(_study("wake")) if line.startswith("CLOCK")]


def test_one_night_is_said_to_have_no_intervals() -> None:
    one = summarise_study([_night(SILENT, "crew-1", "wake")], StudyOptions(resamples=20))
    told = _told(one)
    assert "(intervals over nights)" not in told
    assert "stand in brackets" not in told
    assert "intervals treat nights as the units" not in told
    assert "Bias is the difference of a single night, without an interval and limits of agreement." in told
    assert "t interval and limits of agreement rest on" not in told
    (bias,) = (s for s in describe_study(one).sections if s.name == "bias-0")
    assert "interval" not in "".join(block.text for block in bias.blocks if isinstance(block, Paragraph))
    assert not {b.name for b in bias.blocks if isinstance(b, Table)} & {"ends-0", "shape-0"}
    ratios = _told(summarise_study(one.devices[0].nights, StudyOptions(resamples=20, log_ratio=True)))
    assert "Ratios device / reference are those of a single night, without an interval and limits." in ratios
    assert "Limits were fitted" not in ratios
    two = _told(summarise_study([_night(SILENT, "crew-1", "wake"), replace(one.devices[0].nights[0], night="2")]))
    assert "Bias is the difference of a single night" not in two


def test_methods_in_the_terminal_are_those_of_the_report(tmp_path: Path) -> None:
    table = copy_ferry(tmp_path / "ferry")
    done = ended("study", table, "--out", tmp_path / "out", "--resamples", "20", "--full")
    zone = "The zone of a clock was given beforehand: Europe/Helsinki for that of the reference"
    assert zone in " ".join(done.stdout.split())
    assert zone in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    hidden = ended("study", table, "--out", tmp_path / "other", "--resamples", "20", "--full", "--anonymous")
    assert "Helsinki" not in hidden.stdout
