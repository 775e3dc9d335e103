"""Every kind of bad input: exit 1, one message with its exact text, no traceback, nothing half-written.

Each case runs through click's runner and once more in a process of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "ferry"
REFERENCE = FERRY / "reference" / "crew-1-night-1.edf"
BAND = FERRY / "band-a" / "crew-1-night-1.csv"
LAYOUT = FERRY / "band-a.toml"
EDF = REFERENCE.read_bytes()


class Case(NamedTuple):
    """A name, the files to write (name -> bytes or text), the arguments, and the message."""

    name: str
    files: dict[str, bytes | str]
    arguments: tuple[str | Path, ...]
    message: str


def bad_reference(name: str, content: bytes, message: str) -> Case:
    return Case(name, {"lab.edf": content}, ("{tmp}/lab.edf", BAND, "--layout", LAYOUT), message)


def bad_device(name: str, content: str, message: str) -> Case:
    return Case(name, {"band.csv": content}, (REFERENCE, "{tmp}/band.csv"), message)


def band_night(*options: str) -> tuple[str | Path, ...]:
    return (REFERENCE, BAND, "--layout", LAYOUT, *options)


ZONE_MISSING = (
    "{file}: start: one side tells its time zone, this side does not. Found 2026-04-14 07:35:00 without a zone; "
    "expected both sides with a zone, or none. Give {option} ZONE (an IANA name such as Europe/Helsinki), or in its "
    'layout\n    [file]\n    zone = "Europe/Helsinki"'
)

CASES = [
    Case(
        "missing file",
        {},
        ("{tmp}/no.edf", BAND, "--layout", LAYOUT),
        "{tmp}/no.edf: the file does not exist. Check the path, seen from {cwd}.",
    ),
    bad_reference(
        "empty file",
        b"",
        "{tmp}/lab.edf: the file is empty. Found 0 bytes. Export or copy it again; a copy that was broken off leaves "
        "such files.",
    ),
    bad_reference(
        "not EDF",
        b"hello world " * 100,
        "{tmp}/lab.edf: byte 0, field 'version': this is no EDF or BDF file. Found something else; expected '0' and "
        "seven spaces (EDF), or 0xFF and 'BIOSEMI' (BDF). Check that this is the file that you meant; the ending of a "
        "name must tell the format.",
    ),
    bad_reference(
        "EDF truncated in its header",
        EDF[:200],
        "{tmp}/lab.edf: byte 200: the file is truncated. Found 200 bytes; expected 256 bytes for the header. Copy or "
        "export the file again.",
    ),
    bad_reference(
        "EDF truncated in its data",
        EDF[:-37],
        f"{{tmp}}/lab.edf: byte {len(EDF) - 37}: the file is truncated. Found {len(EDF) - 37} bytes; expected "
        f"{len(EDF)} "
        "bytes for 1 data record (byte 236, field 'number of data records'). Copy or export the file again.",
    ),
    bad_reference(
        "EDF truncated in an annotation",
        # the last annotation loses the mark that closes its text
        EDF.rstrip(b"\0")[:-1].ljust(len(EDF), b"\0"),
        "{tmp}/lab.edf: byte 3666, in data record 1: an annotation is not closed. Found 0x00; expected 0x14 after the "
        "onset and after every text, then 0x00. Export the annotations again with a program that follows EDF+.",
    ),
    bad_reference(
        "EDF without a stage",
        EDF.replace(b"Sleep stage ", b"Steep stage "),
        "{tmp}/lab.edf: no annotation is a sleep stage. Found 8 texts: 'Steep stage N2' (42), 'Steep stage N1' (31), "
        "'Steep stage W' (24), 2 …; expected texts such as 'Sleep stage N2', or a layout that names the stages.",
    ),
    Case(
        "a kind of file that nobody reads",
        {"lab.docx": "x"},
        ("{tmp}/lab.docx", BAND, "--layout", LAYOUT),
        "lab.docx: no reader takes this kind of file. Found .docx; expected one of .edf, .bdf, .csv, .tsv, .txt, "
        ".md, .parquet, .xlsx, .json, .ndjson, .jsonl, .fif, .vhdr, .vmrk, .set, .amrk, .fif.gz, .gz, .zip, "
        ".xml, .html, .htm. Rename the "
        "file if its suffix is wrong, or export it as EDF+, CSV or JSON.",
    ),
    bad_device(
        "no stage column",
        "time,bpm\n2026-04-14 07:35:00,60\n",
        "{tmp}/band.csv: line 1: no column holds the stages. Found the columns 'time', 'bpm'; expected a column called "
        'stage, label or state. Give a layout (--layout FILE.toml) that names it\n    [file]\n    stage = "..."',
    ),
    bad_device(
        "no time column",
        "bpm,stage\n60,wake\n61,light\n",
        "{tmp}/band.csv: line 1: no column holds the times. Found the columns 'bpm', 'stage'; expected a column called "
        "time, timestamp, start or onset.",
    ),
    bad_device(
        "unknown label",
        "time,stage\n2026-04-14 07:35:00,wake\n2026-04-14 07:35:30,snooze\n2026-04-14 07:36:00,snooze\n",
        "{tmp}/band.csv: lines 3 and 4: unknown stage label. Found 'snooze' (lines 3 and 4); expected a plain stage "
        "name, or a line for it in the layout.",
    ),
    bad_device(
        "end before start",
        "start,end,stage\n2026-04-14 07:35:00,2026-04-14 07:40:00,wake\n2026-04-14 07:45:00,2026-04-14 "
        "07:40:00,light\n",
        "{tmp}/band.csv: line 3: the row ends before it begins. Found 'light' 2026-04-14 07:45:00 to 07:40:00; "
        "expected an end after the beginning. Correct the row. If the clock was put back that night, name its zone "
        "(--device-zone ZONE, or 'zone' in the layout): then the order of the rows tells the two "
        "hours apart.",
    ),
    bad_device(
        "overlapping rows",
        "start,end,stage\n2026-04-14 07:35:00,2026-04-14 07:40:00,wake\n2026-04-14 07:39:00,2026-04-14 "
        "07:45:00,light\n",
        "{tmp}/band.csv: line 2 and line 3: two rows with different labels overlap. Found 'wake' 2026-04-14 07:35:00 "
        "to 07:40:00, 'light' 07:39:00 to 07:45:00; expected rows that do not overlap. Correct the rows, or say in a "
        "layout "
        'which of two rows holds: [file] overlaps = "shorter-wins" or "later-wins".',
    ),
    bad_device(
        "duplicate times that disagree",
        "time,stage\n2026-04-14 07:35:00,wake\n2026-04-14 07:35:30,wake\n2026-04-14 07:35:30,light\n",
        "{tmp}/band.csv: line 3 and line 4: two rows give the same time different labels. Found 'wake' 2026-04-14 "
        "07:35:30 to 07:36:00 and 'light'; expected one label for a time. Take one of the rows out, or let the row "
        "that stands "
        'later win: [file] overlaps = "later-wins" in a layout.',
    ),
    bad_device(
        "time that cannot be parsed",
        "time,stage\n2026-04-14 07:35:00,wake\nsoon,wake\n2026-04-14 07:36:00,light\n",
        "{tmp}/band.csv: line 3, column 'time': the time cannot be read. Found 'soon'; expected a time such as "
        "2026-03-01T22:30:00. Correct the row.",
    ),
    Case(
        "zone missing on the reference",
        {},
        (REFERENCE, FERRY / "pad-b" / "crew-1-night-1.csv", "--layout", FERRY / "pad-b.toml"),
        ZONE_MISSING.format(file="crew-1-night-1.edf", option="--reference-zone"),
    ),
    Case(
        "zone missing on the device",
        {},
        band_night("--reference-zone", "Europe/Helsinki"),
        ZONE_MISSING.format(file="crew-1-night-1.csv", option="--device-zone"),
    ),
    Case(
        "no overlap",
        {},
        (REFERENCE, FERRY / "band-a" / "crew-1-night-2.csv", "--layout", LAYOUT),
        "crew-1-night-2.csv: reference from 2026-04-14 07:35:00 to 2026-04-14 15:43:00, device from "
        "2026-04-15 08:07:00 to 2026-04-15 16:13:30: the two recordings share no time. Expected two recordings of one "
        "night. Their starts are 24.5 h apart: these look like two different nights. Give the file of the same "
        "night, or that night within it ('records' or 'sheet' in a layout). If they are of one night, correct the date "
        "('begins', 'date' or 'night_of' in a layout).",
    ),
    Case(
        "window outside",
        {},
        band_night("--window", "2026-04-15T01:00/2026-04-15T02:00"),
        "crew-1-night-1.edf: window rule given: the window lies outside the reference recording. Found reference from "
        "2026-04-14 07:35:00 to 2026-04-14 15:43:00 by its own clock; expected a window that both recordings reach "
        "into. Give another --window, or check clocks and --clock-offset.",
    ),
    bad_device(
        "nothing jointly scored",
        "time,stage\n2026-04-14 08:00:00,?\n2026-04-14 08:00:30,?\n2026-04-14 15:40:00,wake\n",
        "band.csv: no epoch of the window has a stage on both sides. Found 923 device gap, 2 device unscored; expected "
        "at least one epoch scored by both. Look at both sides with 'sleepagree inspect', and at the labels mapped to "
        "unscored.",
    ),
    Case(
        "layout that is no TOML",
        {"band.toml": "[file\n"},
        (REFERENCE, BAND, "--layout", "{tmp}/band.toml"),
        "{tmp}/band.toml: line 1, column 6: the layout is not valid TOML. Found Expected ']' at the end of a table "
        "declaration; expected TOML 1.0. Texts stand in quotes and a key stands once.",
    ),
    Case(
        "a folder instead of a reference",
        {},
        (FERRY / "reference", BAND, "--layout", LAYOUT),
        f"{FERRY / 'reference'}: this is a folder. Expected a file. Give the path of one file inside it; of a folder "
        "with many nights 'sleepagree nights' makes a table for 'sleepagree study'.",
    ),
    Case(
        "a folder instead of a device file",
        {},
        (REFERENCE, FERRY / "band-a", "--layout", LAYOUT),
        f"{FERRY / 'band-a'}: this is a folder. Expected a file. Give the path of one file inside it; of a folder "
        "with many nights 'sleepagree nights' makes a table for 'sleepagree study'.",
    ),
    Case(
        "numbers for stages in the reference",
        {"lab_events.tsv": "onset\tduration\ttrial_type\n0\t30\t0\n30\t30\t2\n"},
        ("{tmp}/lab_events.tsv", BAND, "--layout", LAYOUT),
        "{tmp}/lab_events.tsv: column 'trial_type': the stages are numbers, and no JSON file says what they mean. "
        "Found 0, 2; expected 'Levels' of 'trial_type' in an events.json, or a layout.",
    ),
    Case(
        "mapping file that is missing",
        {},
        band_night("--mapping", "{tmp}/no.toml"),
        "{tmp}/no.toml: the file does not exist. Check the path, seen from {cwd}.",
    ),
    Case(
        "mapping file that says nothing about labels",
        {
            "mine.toml": 'classes = ["wake", "sleep"]\n'
            '[reference]\nW = "wake"\nN1 = "sleep"\nN2 = "sleep"\nR = "sleep"\n'
            '[device]\nwake = "wake"\nlight = "sleep"\ndeep = "sleep"\n'
        },
        band_night("--mapping", "{tmp}/mine.toml"),
        "mine.toml: [reference]: mapping 'mine' says nothing about 1 of the reference's labels. Found 'Sleep stage "
        "N3'; expected a class (wake, sleep) or leave-out for every label. Add to the mapping file\n    [reference]\n"
        '    "Sleep stage N3" = "..."',
    ),
    Case(
        "declared stages that the file rules out",
        {},
        band_night("--reports", "wake,light"),
        "crew-1-night-1.csv: reports: the file holds a stage (N3) that the declared stages rule out. Found label "
        "'Deep' in the file, declared wake, light; expected every stage of the file among the declared. Add it to "
        "--reports (or 'reports' in the layout), or map the label to another stage.",
    ),
]


def prepare(case: Case, tmp_path: Path) -> tuple[list[str], str]:
    for name, content in case.files.items():
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    arguments = [str(a).replace("{tmp}", str(tmp_path)) for a in case.arguments]
    message = case.message.replace("{tmp}", str(tmp_path)).replace("{cwd}", str(Path.cwd()))
    return ["night", *arguments, "--out", str(tmp_path / "out")], f"sleepagree: {message}\n"


@pytest.fixture(params=CASES, ids=lambda case: case.name)
def case(request) -> Case:
    return request.param


#: Cases in which a layout is proposed, the name of the file that it is for, and the option.
PROPOSED = {
    "no time column": ("band", ".csv", "--layout"),
    "unknown label": ("band", ".csv", "--layout"),
    "EDF without a stage": ("lab", ".edf", "--reference-layout"),
    "numbers for stages in the reference": ("lab_events", ".tsv", "--reference-layout"),
}


def check_error(told: str, message: str, case: Case, tmp_path: Path) -> None:
    """Check that one message was printed, below the layout that was proposed and with the command that writes it."""
    if case.name not in PROPOSED:
        assert told == message
        return
    stem, suffix, option = PROPOSED[case.name]
    path = tmp_path / f"{stem}{suffix}"
    proposed, message_told = told.split("\n\nsleepagree: ")
    assert "LABELS, AND WHAT THEY MAY MEAN" in proposed
    assert "sleepagree: " + message_told == (
        f"{message.rstrip()} A layout for it, to fill in and give as {option} {stem}.toml, is written by\n"
        f"    sleepagree inspect {path} --write-layout {stem}.toml\n"
    )


def test_one_message_and_nothing_written(case, tmp_path):
    arguments, message = prepare(case, tmp_path)
    before = sorted(p.name for p in tmp_path.iterdir())
    result = CliRunner().invoke(main, arguments)
    check_error(result.stderr, message, case, tmp_path)
    assert (result.stdout, result.exit_code) == ("", 1)
    assert isinstance(result.exception, SystemExit)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_the_same_in_a_process_of_its_own(case, tmp_path):
    arguments, message = prepare(case, tmp_path)
    done = run(arguments)
    check_error(done.stderr, message, case, tmp_path)
    assert (done.stdout, done.returncode) == ("", 1)
    assert not (tmp_path / "out").exists()


def run(arguments: list[str], **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "sleepagree", *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        check=False,
    )


# --- output that exists --------------------------------------------------------------------------------------


def test_an_output_folder_that_exists(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "letter.txt").write_text("mine")
    arguments = ["night", *map(str, band_night()), "--out", str(tmp_path / "out")]
    for outcome in (CliRunner().invoke(main, arguments), run(arguments)):
        code = outcome.exit_code if hasattr(outcome, "exit_code") else outcome.returncode
        assert (outcome.stdout, code) == ("", 1)
        assert outcome.stderr == (
            f"sleepagree: {tmp_path / 'out'}: the folder exists and is not empty. Give the name of a new folder, or "
            "--overwrite to replace the results in it.\n"
        )
    refused = CliRunner().invoke(main, [*arguments, "--overwrite"])
    assert refused.exit_code == 1
    assert "holds files that are no results of sleepagree, so it is not replaced. Found 'letter.txt'." in refused.stderr
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["letter.txt"]


def test_a_json_file_that_exists_is_told_before_anything_is_written(tmp_path):
    (tmp_path / "night.json").write_text("mine")
    arguments = [
        "night",
        *map(str, band_night()),
        "--out",
        str(tmp_path / "out"),
        "--json",
        str(tmp_path / "night.json"),
    ]
    result = CliRunner().invoke(main, arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == (
        f"sleepagree: {tmp_path / 'night.json'}: the output exists. Found a file; expected a name that is free. Give "
        "another name, or --overwrite to replace it.\n"
    )
    assert [p.name for p in tmp_path.iterdir()] == ["night.json"]


@pytest.mark.parametrize("command", ["night", "mappings", "clock"])
def test_a_json_file_in_a_folder_that_does_not_exist(tmp_path, command):
    result = CliRunner().invoke(main, [command, *map(str, band_night()), "--json", str(tmp_path / "no" / "night.json")])
    assert (result.exit_code, result.stdout) == (1, "")
    assert "the folder of the file does not exist" in result.stderr
    assert list(tmp_path.iterdir()) == []


# --- wrong use -----------------------------------------------------------------------------------------------

NAMES = (
    "w-n1-n2-n3-r, wake-light-deep-rem, rem-apart, rem-left-out, rem-as-light, rem-as-deep, rem-as-wake, n1-as-wake, "
    "wake-nrem-rem, wake-sleep, either-as-wake, either-as-sleep"
)
WRONG = {
    "no arguments": (["night"], "Missing argument 'REFERENCE'."),
    "one argument": (["night", "a.edf"], "Missing argument 'DEVICE'."),
    "unknown option": (["night", "a", "b", "--colour"], "No such option"),
    "no number": (["night", "a", "b", "--clock-offset", "soon"], "'soon' is not a valid float."),
    "no finite number": (["night", "a", "b", "--clock-offset", "nan"], "nan is not a finite number."),
    "infinite": (["night", "a", "b", "--clock-offset", "-inf"], "-inf is not a finite number."),
    "level": (["mappings", "a", "b", "--confidence", "95"], "95.0 is not in the range 0.5<=x<=0.9999."),
    "level that is no number": (["mappings", "a", "b", "--confidence", "nan"], "nan is not a finite number."),
    "range": (["clock", "a", "b", "--range", "nan"], "nan is not a finite number."),
    "resamples": (["study", "a", "--out", "b", "--resamples", "-1"], "-1 is not in the range 0<=x<=1000000."),
    "too few resamples": (["clock", "a", "b", "--resamples", "0"], "0 is not in the range 50<=x<=100000."),
    "seed": (["study", "a", "--out", "b", "--seed", "-1"], "-1 is not in the range 0<=x<=9007199254740991."),
    "outside": (["night", "a", "b", "--outside", "sleep"], "'sleep' is not one of 'missing', 'wake'."),
    "window": (
        ["night", "a", "b", "--window", "22:00"],
        "Invalid value for --window: the window cannot be read. Found 22:00; expected lights, reference, overlap, or "
        "FROM/TO in ISO 8601 (either end may be lights). For example --window 2026-03-01T22:30/2026-03-02T06:45.\n",
    ),
    "empty window": (["clock", "a", "b", "--window", ""], "Invalid value for --window: the window cannot be read."),
    "window of a study": (["study", "a.csv", "--out", "x", "--window", ""], "Invalid value for --window: the window"),
    "mapping": (
        ["night", "a", "b", "--mapping", "nonsense"],
        f"Invalid value for --mapping: no built-in mapping has this name. Found nonsense; expected one of {NAMES}. "
        "Give one of these names, or the path of a mapping file ending in .toml.\n",
    ),
    "mapping of a study": (
        ["bias", "a.csv", "--mapping", "wake-sleep", "--mapping", "nonsense"],
        f"Found nonsense; expected one of {NAMES}. Give",
    ),
    "declared mapping": (
        ["mappings", "a", "b", "--declare", "nonsense"],
        f"Invalid value for --declare: no mapping has this name. Found nonsense; expected one of {NAMES}. A mapping of "
        "your own is known once its file is given with --mapping.\n",
    ),
    "reports": (
        ["night", "a", "b", "--reports", "wake,dozing"],
        "Invalid value for --reports: the declared stages hold a word that is no stage. Found dozing; expected words "
        "out of wake, light, deep, rem, sleep, nrem, W, N1, N2, N3, R, light-or-rem, wake-or-sleep. Correct "
        "--reports, or 'reports' in the layout.\n",
    ),
    "reports unscored": (["night", "a", "b", "--reports", "wake,unscored"], "Found unscored; expected words out of"),
    "empty reports": (
        ["night", "a", "b", "--reports", " , "],
        "Invalid value for --reports: it names no stage; give words such as wake,light,deep\n",
    ),
    "reports of a study": (["study", "a.csv", "--out", "x", "--reports", "dozing"], "Found dozing; expected words"),
    "zone": (
        ["night", "a", "b", "--reference-zone", "Mars"],
        "Invalid value for --reference-zone: no time zone has this name. Found Mars; expected an IANA name such as "
        "Europe/Helsinki or UTC. See the list at https://www.iana.org/time-zones.\n",
    ),
    "zone of the device": (["mappings", "a", "b", "--device-zone", ""], "Invalid value for --device-zone: no time"),
    "zone of inspect": (["inspect", "a.csv", "--zone", "Mars"], "Invalid value for --zone: no time zone has this"),
    "zone of a table": (
        ["nights", ".", "--reference", "{participant}", "--device", "{participant}", "--device-zone", "Mars"],
        "Invalid value for --device-zone: no time zone has this name.",
    ),
    "unknown command": (["knight"], "No such command 'knight'."),
    "JSON inside the folder": (
        ["night", "a", "b", "--out", "res", "--json", "res/night.json"],
        "--json FILE lies in --out DIR, which gets the same by itself.",
    ),
    "epochs inside the folder": (
        ["correct", "a", "b", "--out", "tests/../res", "--epochs", "res/mine.csv"],
        "--epochs FILE lies in --out DIR, which gets the same by itself.",
    ),
    "a folder below the epochs": (
        ["correct", "a", "b", "--out", "res/below", "--epochs", "res"],
        "--out DIR lies below --epochs FILE, which is to be a file.",
    ),
    "epochs and JSON in one file": (
        ["correct", "a", "b", "--epochs", "x.out", "--json", "./x.out", "--overwrite"],
        "--epochs and --json name the same file: give each one of its own.",
    ),
    "table and JSON in one file": (
        ["bias", str(FERRY / "nights.csv"), "--csv", "x.out", "--json", "x.out"],
        "--csv and --json name the same file",
    ),
    "layout and JSON in one file": (
        ["inspect", "a", "--write-layout", "x.out", "--json", "tests/../x.out"],
        "--write-layout and --json name the same file",
    ),
    "nights and JSON in one file": (
        ["nights", ".", "--reference", "{participant}", "--device", "{participant}", "--json", "nights.csv"],
        "--out and --json name the same file",
    ),
    "epochs to standard output": (
        ["correct", "a", "b", "--epochs", "-"],
        "Invalid value for '--epochs': this cannot go to standard output; give a name (./- for one that is called so).",
    ),
    "a folder to standard output": (["calibrate", "a", "--out", "-"], "Invalid value for '--out': this cannot go to"),
}


@pytest.mark.parametrize(("arguments", "message"), WRONG.values(), ids=WRONG)
def test_wrong_use_is_exit_2(arguments, message):
    result = CliRunner().invoke(main, arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("Usage: ")
    assert message in result.stderr
    assert "Traceback" not in result.stderr


def test_wrong_use_in_a_process_of_its_own():
    done = run(["night", "a", "b", "--clock-offset", "nan"])
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr


def test_a_word_of_a_mapping_file_may_be_reported(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(
        'classes = ["up", "down"]\n[reference]\nW = "up"\nN1 = "down"\nN2 = "down"\nN3 = "down"\nR = "down"\n'
        '[device]\nUp = "up"\nShallow = "down"\nDeep = "down"\ndozing = "down"\n'
    )
    device = tmp_path / "band.csv"
    device.write_text(BAND.read_text().replace("Shallow", "dozing"))
    arguments = ["night", str(REFERENCE), str(device), "--layout", str(LAYOUT), "--quiet"]
    reports = ["--mapping", str(path), "--reports", "wake,deep,light,dozing"]
    result = CliRunner().invoke(main, [*arguments, *reports])
    assert result.exit_code == 0, result.output
    # without the file nothing explains the word
    assert CliRunner().invoke(main, [*arguments, *reports[2:]]).exit_code == 2


@pytest.mark.parametrize("command", ["night", "mappings", "clock"])
def test_a_folder_is_no_file_of_any_kind(tmp_path, command):
    for name in ("plain", "night.edf", "night.csv"):
        (tmp_path / name).mkdir()
        result = CliRunner().invoke(main, [command, str(REFERENCE), str(tmp_path / name)])
        assert result.exit_code == 1
        assert result.stderr.startswith(f"sleepagree: {tmp_path / name}: this is a folder. Expected a file. Give ")
        assert "'sleepagree nights'" in result.stderr
        shown = CliRunner().invoke(main, ["inspect", str(tmp_path / name)])
        assert (shown.exit_code, shown.stderr) == (1, result.stderr)
