"""A folder as a study: expected rows are written out by hand from the names of the files made here."""

import csv
import io
import os
import shlex
import unicodedata
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.cli.group import main
from sleepagree.errors import InputError
from sleepagree.hypnogram.align import align
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.study.file_patterns import PARTICIPANT, parse_pattern
from sleepagree.study.from_folder import NIGHT, NightFiles, matched_files, nights_from_folder, nights_table_text
from sleepagree.study.table import read_nights_table


def make_files(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("x")
    return folder


def refusal(folder: Path, reference: str, device: str, **options: str) -> str:
    with pytest.raises(InputError) as caught:
        nights_from_folder(folder, reference_pattern=reference, device_pattern=device, **options)
    return str(caught.value)


def test_what_an_interrupted_study_left_is_no_file_of_the_study(tmp_path):
    make_files(tmp_path, "lab/cook.edf", "band/cook.csv", "r.unfinished/chunk-000000.json", "r.unfinished/made-in")
    found = nights_from_folder(
        tmp_path, reference_pattern="lab/{participant}.edf", device_pattern="band/{participant}.csv"
    )
    assert len(found.rows) == 1
    assert found.others == ()


def test_all_nights_are_of_one_person_where_the_patterns_name_nobody(tmp_path):
    make_files(tmp_path, "lab/n1.edf", "lab/n2.edf", "band A/n2.csv", "band A/n1.csv")
    found = nights_from_folder(tmp_path, reference_pattern="lab/n{night}.edf", device_pattern="{device}/n{night}.csv")
    assert found.rows == (
        NightFiles("1", "1", "band A", ("lab/n1.edf",), "band A/n1.csv"),
        NightFiles("1", "2", "band A", ("lab/n2.edf",), "band A/n2.csv"),
    )
    assert found.notes == ("The patterns have no {participant}: all nights are of one person, called 1.",)


def test_files_of_two_devices_are_matched_by_participant_and_night(tmp_path):
    make_files(
        tmp_path,
        "lab/cook_n1.edf",
        "lab/cook_n10.edf",
        "lab/cook_n2.edf",
        "lab/mate_n1.edf",
        "band A/cook_n1.csv",
        "band A/cook_n2.csv",
        "band A/cook_n10.csv",
        "pad B/cook_n1.csv",
        "pad B/purser_n1.csv",
        "readme.txt",
        ".hidden/cook_n1.edf",
    )
    found = nights_from_folder(
        tmp_path,
        reference_pattern="lab/{participant}_n{night}.edf",
        device_pattern="{device}/{participant}_n{night}.csv",
    )
    assert found.rows == (
        NightFiles("cook", "1", "band A", ("lab/cook_n1.edf",), "band A/cook_n1.csv"),
        NightFiles("cook", "1", "pad B", ("lab/cook_n1.edf",), "pad B/cook_n1.csv"),
        NightFiles("cook", "2", "band A", ("lab/cook_n2.edf",), "band A/cook_n2.csv"),
        NightFiles("cook", "10", "band A", ("lab/cook_n10.edf",), "band A/cook_n10.csv"),
    )
    assert found.references_alone == ("lab/mate_n1.edf",)
    assert found.devices_alone == ("pad B/purser_n1.csv",)
    assert found.others == ("readme.txt",)
    assert found.notes == ()


def test_a_field_that_stands_twice_must_be_the_same_text(tmp_path):
    # the shape of BIDS names: the participant stands in the folder and in the file
    make_files(
        tmp_path,
        "sub-01/sub-01_task-sleep_acq-psg_events.tsv",
        "sub-01/sub-01_task-sleep_acq-ear_events.tsv",
        "sub-02/sub-01_task-sleep_acq-ear_events.tsv",
    )
    found = nights_from_folder(
        tmp_path,
        reference_pattern="sub-{participant}/sub-{participant}_task-sleep_acq-psg_events.tsv",
        device_pattern="sub-{participant}/sub-{participant}_task-sleep_acq-ear_events.tsv",
        device_name="ear sensor",
    )
    assert [(r.participant, r.night, r.device) for r in found.rows] == [("01", "1", "ear sensor")]
    assert found.others == ("sub-02/sub-01_task-sleep_acq-ear_events.tsv",)
    assert found.notes == ("The patterns have no {night}: every participant has one night, called 1.",)


def test_several_scorers_of_one_night_share_a_row(tmp_path):
    make_files(tmp_path, "anna/p1.edf", "bert/p1.edf", "dev/p1.csv")
    found = nights_from_folder(
        tmp_path, reference_pattern="{scorer}/{participant}.edf", device_pattern="dev/{participant}.csv"
    )
    assert [r.reference for r in found.rows] == [("anna/p1.edf", "bert/p1.edf")]
    assert len(found.notes) == 2


def test_parts_of_one_recording_are_joined_in_their_order(tmp_path):
    names = ("lab/cook-1-part10.edf", "lab/cook-1-part9.edf", "lab/mate-1-part1.edf")
    make_files(tmp_path, *names, "band/cook-1-a.csv", "band/cook-1-b.csv", "band/mate-1-a.csv", "notes.txt")
    patterns = {
        "reference_pattern": "lab/{participant}-{night}-part{part}.edf",
        "device_pattern": "band/{participant}-{night}-{part}.csv",
    }
    found = nights_from_folder(tmp_path, **patterns)
    assert found.rows == (
        NightFiles(
            "cook",
            "1",
            "device",
            ("lab/cook-1-part9.edf+lab/cook-1-part10.edf",),
            "band/cook-1-a.csv+band/cook-1-b.csv",
        ),
        NightFiles("mate", "1", "device", ("lab/mate-1-part1.edf",), "band/mate-1-a.csv"),
    )
    assert found.others == ("notes.txt",)
    assert sorted(matched_files(found)) == sorted(
        (*names, *(f"band/{n}.csv" for n in ("cook-1-a", "cook-1-b", "mate-1-a")))
    )
    table = nights_table_text(found, table_folder=tmp_path / "tables")
    assert "../lab/cook-1-part9.edf+../lab/cook-1-part10.edf,../band/cook-1-a.csv+../band/cook-1-b.csv" in table
    said = refusal(tmp_path, "lab/{participant}-{night}-part*.edf", "band/{participant}-{night}-{part}.csv")
    assert "if they are parts of one recording, {part}; else make the pattern narrower" in said


def test_names_that_nearly_match_are_hinted_at_and_not_matched(tmp_path):
    make_files(tmp_path, "lab/P01.edf", "dev/p1.csv", "lab/p2.edf", "dev/p2.csv")
    found = nights_from_folder(
        tmp_path, reference_pattern="lab/{participant}.edf", device_pattern="dev/{participant}.csv"
    )
    assert [r.participant for r in found.rows] == ["p2"]
    assert found.hints == (
        "P01 (reference) and p1 (device) differ only in case or leading zeros; they were not matched.",
    )


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_letters_that_are_stored_in_another_way_are_the_same_letters(tmp_path, form):
    lab, band = (unicodedata.normalize(form, text) for form, text in (("NFC", "lab/Zoë.csv"), ("NFD", "bänd/Zoë.csv")))
    make_files(tmp_path, lab, band)
    pattern = unicodedata.normalize(form, "bänd/{participant}.csv")
    people = [unicodedata.normalize(form, "Zoë")]
    found = nights_from_folder(
        tmp_path, reference_pattern="lab/{participant}.csv", device_pattern=pattern, people=people
    )
    # files keep the names by which they are opened
    assert found.rows == (NightFiles("Zo\u00eb", "1", "device", (lab,), band),)
    assert found.hints == ()


def test_names_that_nearly_match_are_hinted_at_whatever_the_device(tmp_path):
    make_files(tmp_path, "lab/P01.edf", "lab/p2.edf", "band/p1.csv", "pad/p1.csv", "pad/p2.csv")
    found = nights_from_folder(
        tmp_path, reference_pattern="lab/{participant}.edf", device_pattern="{device}/{participant}.csv"
    )
    assert found.hints == (
        "P01 (reference) and p1 (device) differ only in case or leading zeros; they were not matched.",
    )


def test_links_without_content_are_told(tmp_path):
    make_files(tmp_path, "lab/p1.edf")
    (tmp_path / "dev").mkdir()
    (tmp_path / "dev" / "p1.csv").symlink_to(tmp_path / "not fetched")
    found = nights_from_folder(
        tmp_path, reference_pattern="lab/{participant}.edf", device_pattern="dev/{participant}.csv"
    )
    assert found.hints == ("1 matched files are links whose content is not here, such as dev/p1.csv.",)


def test_folders_that_are_links_are_told_and_not_followed(tmp_path):
    make_files(tmp_path, "lab/p1.edf", "dev/p1.csv", "elsewhere/p2.csv", ".hidden/p3.csv")
    (tmp_path / "dev" / "more").symlink_to(tmp_path / "elsewhere")
    patterns = {"reference_pattern": "lab/{participant}.edf", "device_pattern": "dev/{participant}.csv"}
    told = "A folder that is a link is not looked into: dev/more."
    assert told in nights_from_folder(tmp_path, **patterns).notes
    (tmp_path / "circle").symlink_to(tmp_path)
    (tmp_path / ".kept").symlink_to(tmp_path)
    found = nights_from_folder(tmp_path, **patterns)
    assert "2 folders that are links are not looked into: circle, dev/more." in found.notes
    assert found.others == ("elsewhere/p2.csv",)


def test_folders_that_are_links_are_told_where_nothing_is_found(tmp_path):
    make_files(tmp_path, "real/lab/p1.edf", "real/dev/p1.csv", "study/lab/p2.edf")
    (tmp_path / "study" / "dev").symlink_to(tmp_path / "real" / "dev")
    told = "A folder that is a link is not looked into: dev."
    assert refusal(tmp_path / "study", "lab/{participant}.edf", "dev/{participant}.csv").endswith(told)
    result = CliRunner().invoke(main, ["nights", str(tmp_path / "study")])
    assert result.exit_code == 1
    assert told in " ".join(result.stderr.split())


def test_a_name_that_can_be_read_in_two_ways_is_refused(tmp_path):
    make_files(tmp_path, "lab/deck_crew_1.edf", "dev/deck_1.csv")
    assert refusal(tmp_path, "lab/{participant}_{night}.edf", "dev/{participant}_{night}.csv") == (
        f"{tmp_path}: lab/deck_crew_1.edf: a file name can be read in two ways. Found participant deck_crew, "
        "night 1 or participant deck, night crew_1; expected one reading of --reference "
        "lab/{participant}_{night}.edf. Put more of the fixed text of the names into the pattern."
    )


def test_two_files_for_one_night_are_refused(tmp_path):
    make_files(tmp_path, "lab/a/p1.edf", "lab/b/p1.edf", "dev/p1.csv")
    assert refusal(tmp_path, "lab/*/{participant}.edf", "dev/{participant}.csv") == (
        f"{tmp_path}: --reference: two files claim the same night. Found lab/a/p1.edf and lab/b/p1.edf, both "
        "participant p1; expected one file each. If two people scored it, write {scorer} where the names "
        "differ; if they are parts of one recording, {part}; else make the pattern narrower."
    )


def test_a_file_that_fits_both_patterns_is_refused(tmp_path):
    make_files(tmp_path, "p1.csv", "p2.csv")
    message = refusal(tmp_path, "{participant}.csv", "{participant}.csv")
    assert message.startswith(f"{tmp_path}: p1.csv: a file fits both patterns.")


def test_a_pattern_that_fits_nothing_shows_what_the_folder_holds(tmp_path):
    make_files(tmp_path, "dev/p1.csv", "lab/p1.rec.edf")
    message = refusal(tmp_path, "labs/{participant}.edf", "dev/{participant}.csv")
    assert "--reference: no file fits the pattern" in message
    assert "The folder holds lab/p1.rec.edf." in message


def test_sides_that_share_no_night_are_refused(tmp_path):
    make_files(tmp_path, "lab/p1.edf", "dev/p9.csv")
    message = refusal(tmp_path, "lab/{participant}.edf", "dev/{participant}.csv")
    assert "no reference and device file belong together" in message
    assert "1 reference files such as lab/p1.edf, 1 device files such as dev/p9.csv" in message


@pytest.mark.parametrize(
    ("reference", "device", "problem"),
    [
        ("lab/*.edf", "dev/{participant}.csv", "the pattern does not say whose file it is"),
        ("lab/{night}.edf", "dev/{participant}_{night}.csv", "only one of the two patterns says whose file it is"),
        ("lab/{person}.edf", "dev/{participant}.csv", "the pattern has a field that means nothing here"),
        ("lab/{participant.edf", "dev/{participant}.csv", "the pattern has a field that means nothing here"),
        ("lab/{participant}.edf", "dev/{participant}_{scorer}.csv", "the pattern has a field that means"),
        ("/lab/{participant}.edf", "dev/{participant}.csv", "the pattern must name files below the folder"),
        ("../{participant}.edf", "dev/{participant}.csv", "the pattern must name files below the folder"),
        ("**/{participant}.edf", "dev/{participant}.csv", "the pattern must name files below the folder"),
        ("", "dev/{participant}.csv", "the pattern must name files below the folder"),
        ("lab/{participant}.edf", "dev/{participant}_{night}.csv", "only one of the two patterns says which"),
    ],
)
def test_patterns_that_cannot_be_used(tmp_path, reference, device, problem):
    make_files(tmp_path, "lab/p1.edf", "dev/p1.csv")
    assert problem in refusal(tmp_path, reference, device)


def test_a_device_named_twice_is_refused(tmp_path):
    message = refusal(tmp_path, "{participant}.edf", "{device}/{participant}.csv", device_name="band A")
    assert "the device's name is given twice" in message


def test_a_missing_folder_is_told(tmp_path):
    message = refusal(tmp_path / "gone", "{participant}.edf", "{participant}.csv")
    assert "the folder does not exist" in message


@given(participant=st.text("abc_-1", min_size=1, max_size=6), night=st.text("abc_-1", min_size=1, max_size=6))
def test_a_name_made_from_a_pattern_is_read_back_or_told_to_be_ambiguous(participant, night):
    pattern = parse_pattern("x_{participant}_n{night}.csv", option="", allowed=(PARTICIPANT, NIGHT))
    readings = pattern.readings(f"x_{participant}_n{night}.csv")
    # "n" is no letter of the alphabet used, so only one place can be the separator
    assert readings == ({"participant": participant, "night": night},)
    loose = parse_pattern("{participant}_{night}.csv", option="", allowed=(PARTICIPANT, NIGHT))
    text = f"{participant}_{night}"
    ways = [i for i in range(1, len(text) - 1) if text[i] == "_"]
    assert len(loose.readings(f"{text}.csv")) == min(len(ways), 2)


@pytest.mark.parametrize(
    ("pattern", "path", "fits"),
    [
        ("{participant}/*.csv", "p1/a.csv", True),
        ("{participant}/*.csv", "p1/.csv", True),
        ("{participant}/*.csv", "p1/b/a.csv", False),
        ("{participant}.?sv", "p1.tsv", True),
        ("{participant}.?sv", "p1.sv", False),
        ("{participant}[1].csv", "p1[1].csv", True),
        ("{participant}[1].csv", "p11.csv", False),
        ("./{participant}.csv", "p1.csv", True),
        ("{participant}.csv", ".csv", False),
    ],
)
def test_wildcards_stay_within_a_folder_and_brackets_mean_themselves(pattern, path, fits):
    parsed = parse_pattern(pattern, option="", allowed=(PARTICIPANT,))
    assert bool(parsed.readings(path)) == fits


def test_a_long_name_with_many_wildcards_is_quick_to_read():
    parsed = parse_pattern("*a*a*a*{participant}*.csv", option="", allowed=(PARTICIPANT,))
    assert len(parsed.readings("a" * 120 + ".csv")) == 2
    assert parsed.readings("a" * 120 + ".tsv") == ()


def test_the_table_is_relative_to_its_own_folder_and_runs_no_formula(tmp_path):
    make_files(tmp_path, "=lab/=1+1_n1.edf", "=lab/=1+1_n1.csv")
    found = nights_from_folder(
        tmp_path,
        reference_pattern="=lab/{participant}_n{night}.edf",
        device_pattern="=lab/{participant}_n{night}.csv",
        device_name="@pad",
    )
    text = nights_table_text(found, table_folder=tmp_path, device_zone="Europe/Helsinki")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows == [
        {
            "participant": "'=1+1",
            "night": "1",
            "device": "'@pad",
            "reference": "./=lab/=1+1_n1.edf",
            "device_file": "./=lab/=1+1_n1.csv",
            "device_zone": "Europe/Helsinki",
        }
    ]
    (tmp_path / "nights.csv").write_text(text)
    (row,) = read_nights_table(tmp_path / "nights.csv").rows
    assert (row.participant, row.device) == ("=1+1", "@pad")
    (tmp_path / "out").mkdir()
    beside = nights_table_text(found, table_folder=tmp_path / "out")
    assert "../=lab/=1+1_n1.edf" in beside


def test_a_file_that_is_a_link_keeps_its_own_name_in_the_table(tmp_path):
    make_files(tmp_path, "store/obj1", "store/obj2", "real/device.toml")
    for name, target in (("lab/crew-1.edf", "store/obj1"), ("band/crew-1.csv", "store/obj2")):
        (tmp_path / name).parent.mkdir()
        (tmp_path / name).symlink_to(tmp_path / target)
    (tmp_path / "band.toml").symlink_to("real/device.toml")
    found = nights_from_folder(
        tmp_path, reference_pattern="lab/{participant}.edf", device_pattern="band/{participant}.csv"
    )
    text = nights_table_text(found, table_folder=tmp_path, layouts={"": tmp_path / "band.toml"})
    assert text.splitlines()[1] == "crew-1,1,device,lab/crew-1.edf,band/crew-1.csv,band.toml"


def test_paths_lead_from_a_folder_that_is_a_link_itself(tmp_path):
    make_files(tmp_path, "study/lab/crew-1.edf", "study/band/crew-1.csv", "far/away/tables/kept")
    (tmp_path / "tables").symlink_to("far/away/tables")
    found = nights_from_folder(
        tmp_path / "study", reference_pattern="lab/{participant}.edf", device_pattern="band/{participant}.csv"
    )
    (tmp_path / "tables" / "nights.csv").write_text(nights_table_text(found, table_folder=tmp_path / "tables"))
    (row,) = read_nights_table(tmp_path / "tables" / "nights.csv").rows
    assert row.device_file == "../../../study/band/crew-1.csv"


def test_a_semicolon_in_a_reference_name_is_refused(tmp_path):
    make_files(tmp_path, "p;1.edf", "p;1.csv")
    found = nights_from_folder(tmp_path, reference_pattern="{participant}.edf", device_pattern="{participant}.csv")
    with pytest.raises(InputError, match="a semicolon separates several references"):
        nights_table_text(found, table_folder=tmp_path)


def test_bids_shaped_files_with_codes_become_a_study_with_one_short_layout(tmp_path):
    # two people; the device (the second scoring) takes every REM epoch (2) for N1 (3); 4 epochs a code, 30 s each
    codes = [1, 3, 4, 5, 2, 4, 1]
    for person in ("01", "02"):
        for kind, own in (("psg", codes), ("ear", [3 if code == 2 else code for code in codes])):
            name = f"sub-{person}/sub-{person}_task-sleep_acq-{kind}_events.tsv"
            rows = "".join(f"{30 * i}\t0\t{own[i // 4]}\n" for i in range(28))
            make_files(tmp_path, name)
            (tmp_path / name).write_text("onset\tduration\tstaging\n" + rows)
    (tmp_path / "codes.toml").write_text('[stages]\n1 = "W"\n2 = "R"\n3 = "N1"\n4 = "N2"\n5 = "N3"\n')
    pattern = "sub-{{participant}}/sub-{{participant}}_task-sleep_acq-{}_events.tsv"
    arguments = ["nights", str(tmp_path), "--reference", pattern.format("psg"), "--device", pattern.format("ear")]
    arguments += ["--device-name", "ear sensor", "--out", str(tmp_path / "nights.csv")]
    layout = str(tmp_path / "codes.toml")
    result = CliRunner().invoke(main, [*arguments, "--layout", layout, "--reference-layout", layout])
    assert result.exit_code == 0, result.output
    table = read_nights_table(tmp_path / "nights.csv")
    assert [(row.participant, row.night, row.device) for row in table.rows] == [
        ("01", "1", "ear sensor"),
        ("02", "1", "ear sensor"),
    ]
    for row in table.rows:
        paired = align(
            reference=read_spans(table.path(row.references[0]), layout=read_layout(table.path(row.reference_layout))),
            device=read_spans(table.path(row.device_file), layout=read_layout(table.path(row.layout))),
        )
        counts = {
            (paired.reference_set.stages[i], paired.device_set.stages[j]): int(n)
            for (i, j), n in np.ndenumerate(paired.native)
            if n
        }
        assert counts == {("W", "W"): 8, ("N1", "N1"): 4, ("N2", "N2"): 8, ("N3", "N3"): 4, ("R", "N1"): 4}


# --- the command ------------------------------------------------------------------------------------------

PATTERNS = ("--reference", "lab/{participant}_n{night}.edf", "--device", "{device}/{participant}_n{night}.csv")


def test_the_command_writes_the_table_and_says_what_did_not_match(tmp_path):
    make_files(tmp_path, "lab/cook_n1.edf", "lab/mate_n1.edf", "band A/cook_n1.csv", "notes.txt")
    table = tmp_path / "nights.csv"
    result = CliRunner().invoke(main, ["nights", str(tmp_path), *PATTERNS, "--out", str(table)])
    assert result.exit_code == 0, result.output
    assert table.read_text() == (
        "participant,night,device,reference,device_file\ncook,1,band A,lab/cook_n1.edf,band A/cook_n1.csv\n"
    )
    assert "1 row from 1 participant, 1 night and 1 device" in result.stdout
    assert "references without a device file: 1\n  lab/mate_n1.edf" in result.stdout
    assert "device files without a reference: none" in result.stdout
    assert "other files: 1\n  notes.txt" in result.stdout
    assert max(map(len, result.stdout.splitlines()[:-2])) <= 80
    again = CliRunner().invoke(main, ["nights", str(tmp_path), *PATTERNS, "--out", str(table)])
    assert again.exit_code == 1
    assert "--overwrite" in again.stderr


@pytest.mark.parametrize(("out", "named"), [("my nights.csv", "my nights.csv"), ("-n.csv", "./-n.csv")])
def test_the_next_command_can_be_typed_as_it_stands(tmp_path, monkeypatch, out, named):
    monkeypatch.chdir(tmp_path)
    make_files(tmp_path, "lab/cook.csv", "band/cook.csv")
    arguments = ["--reference", "lab/{participant}.csv", "--device", "band/{participant}.csv", f"--out={out}"]
    result = CliRunner().invoke(main, ["nights", ".", *arguments])
    assert result.exit_code == 0
    next_command = result.stdout.strip().splitlines()[-1]
    assert shlex.split(next_command) == ["sleepagree", "study", named, "--out", "results"]


def test_the_table_on_standard_output_is_nothing_but_the_table(tmp_path):
    make_files(tmp_path, "lab/cook_n1.edf", "band A/cook_n1.csv")
    result = CliRunner().invoke(main, ["nights", str(tmp_path), *PATTERNS, "--out", "-"])
    assert result.exit_code == 0, result.output
    rows = list(csv.reader(io.StringIO(result.stdout)))
    assert [len(row) for row in rows] == [5, 5]


def test_long_names_stay_within_80_columns(tmp_path):
    person = "a-very-long-name-of-a-participant-" * 3
    make_files(tmp_path, f"lab/{person}_n1.edf", f"band {'A' * 60}/{person}_n1.csv")
    result = CliRunner().invoke(main, ["nights", str(tmp_path), *PATTERNS, "--out", "-", "--quiet"])
    assert result.exit_code == 0, result.output
    assert max(map(len, result.stderr.splitlines())) <= 80


def test_a_refusal_is_one_message_and_leaves_nothing_behind(tmp_path):
    make_files(tmp_path, "lab/cook_n1.edf")
    table = tmp_path / "nights.csv"
    result = CliRunner().invoke(main, ["nights", str(tmp_path), *PATTERNS, "--out", str(table)])
    assert result.exit_code == 1
    assert result.stderr.startswith("sleepagree: ")
    assert "Traceback" not in result.output
    assert not table.exists()


def test_a_file_name_that_no_table_can_hold_is_refused(tmp_path: Path) -> None:
    for name in (b"a\xff-1.edf", b"a\xff-1.csv"):
        (tmp_path / os.fsdecode(name)).write_bytes(b"x")
    found = nights_from_folder(
        tmp_path, reference_pattern="{participant}-{night}.edf", device_pattern="{participant}-{night}.csv"
    )
    with pytest.raises(InputError, match="not UTF-8"):
        nights_table_text(found, table_folder=tmp_path)


def test_each_device_has_a_layout_of_its_own(tmp_path: Path) -> None:
    make_files(tmp_path, "lab/cook_n1.edf", "band A/cook_n1.csv", "pad B/cook_n1.csv")
    for name in ("a", "b"):
        (tmp_path / f"{name}.toml").write_text(f'[file]\nstage = "{name}"\n')
    layouts = ("--layout", f"pad B={tmp_path}/b.toml", "--layout", f"{tmp_path}/a.toml")
    table = tmp_path / "nights.csv"
    result = CliRunner().invoke(main, ["nights", str(tmp_path), *PATTERNS, *layouts, "--out", str(table)])
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(io.StringIO(table.read_text())))
    assert [(row["device"], row["layout"]) for row in rows] == [("band A", "a.toml"), ("pad B", "b.toml")]
    strange = ["nights", str(tmp_path), *PATTERNS, "--layout", f"pad C={tmp_path}/b.toml", "--out", "-"]
    result = CliRunner().invoke(main, strange)
    assert result.exit_code == 1
    assert "a layout is of no device. Found pad C; expected one of band A, pad B" in result.stderr
    twice = ["nights", str(tmp_path), *PATTERNS, *layouts[2:], *layouts[2:], "--out", "-"]
    assert CliRunner().invoke(main, twice).exit_code == 2
