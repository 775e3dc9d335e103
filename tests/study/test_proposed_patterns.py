"""Patterns proposed from names: who slept which night is known here before the names are made."""

from __future__ import annotations

import json
import shlex
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest

from sleepagree.errors import InputError
from sleepagree.study.from_folder import FolderNights
from sleepagree.study.proposed_patterns import propose_patterns
from tests.commands import ended


def date_of(participant: str, night: int) -> str:
    """Return a day of its own for each night of each of up to eight people, by the letters of their names."""
    return f"2026-{1 + sum(map(ord, participant)) % 12:02d}-{night:02d}"


#: participant, night -> path of the reference and of each device's file
Naming = Callable[[str, int], tuple[str, ...]]

NAMINGS: dict[str, Naming] = {
    "a folder a side": lambda p, n: (f"lab/{p}_n{n}.edf", f"band A/{p}_n{n}.csv"),
    "a folder a device": lambda p, n: (f"lab/{p}_n{n}.edf", f"band A/{p}_n{n}.csv", f"pad B/{p}_n{n}.csv"),
    "one folder, sides by a word": lambda p, n: (f"{p}_{n}_psg.csv", f"{p}_{n}_band.csv"),
    "the word first": lambda p, n: (f"psg-{p}-{n}.csv", f"band-{p}-{n}.csv"),
    "sides and devices by a word": lambda p, n: (f"{p}_{n}_psg.csv", f"{p}_{n}_band.csv", f"{p}_{n}_pad.csv"),
    "a folder a person": lambda p, n: (f"{p}/night{n}/hypnogram.edf", f"{p}/night{n}/pad.json"),
    "twice in a path": lambda p, n: (f"{p}/{p}_ses-{n}_psg.tsv", f"{p}/{p}_ses-{n}_ear.tsv"),
    "night first on one side": lambda p, n: (f"scored/{p}_n{n}.edf", f"pad/night{n}_{p}.csv"),
    "devices of different kinds": lambda p, n: (f"lab/{p}_n{n}.edf", f"band/{p}-{n}.csv", f"pad/{p}.{n}.json"),
    "nights by date": lambda p, n: (f"lab/{p}_2026-03-0{n}.edf", f"band/{p}_2026-03-0{n}.csv"),
    "edf tells the reference": lambda p, n: (f"a/{p}_n{n}.edf", f"b/{p}_n{n}.csv"),
    "night and date": lambda p, n: (f"lab/{p}_n{n}_{date_of(p, n)}.edf", f"band/{p}_n{n}_{date_of(p, n)}.csv"),
}
UNCLEAR = ("the word first", "devices of different kinds")
CREWS = {
    "numbered": ("P01", "P02", "P10"),
    "called by their work": ("cook", "purser", "bosun"),
    "in two words": ("chief-mate", "cook", "second-mate"),
}


def make(folder: Path, paths: list[str]) -> None:
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text("x")


@pytest.mark.parametrize("crew", CREWS)
@pytest.mark.parametrize("naming", NAMINGS)
def test_what_is_proposed_brings_every_night_together(naming: str, crew: str, tmp_path: Path) -> None:
    name = NAMINGS[naming]
    nights = [(p, n) for p in CREWS[crew] for n in (1, 2)]
    truth = {(device, name(p, n)[0]): (p, n) for p, n in nights for device in name(p, n)[1:]}
    make(tmp_path, [path for p, n in nights for path in name(p, n)])
    # what parts the words of a name parts everything here: the names of people must be known
    people = CREWS[crew] if crew == "in two words" and naming in UNCLEAR else None
    found = propose_patterns(tmp_path, people=people).found
    assert {(row.device_file, row.reference[0]) for row in found.rows} == set(truth)
    own = {truth[row.device_file, row.reference[0]]: (row.participant, row.night) for row in found.rows}
    # whatever they are called: one name for a person, another for another, and the same of nights
    assert len({who for who, _ in own.values()}) == 3
    assert all(own[p, 1][0] == own[p, 2][0] for p in CREWS[crew])
    assert len({row.device for row in found.rows}) == len(name("x", 1)) - 1


#: Numbers of people and nights are the same texts: only words tell which is which.
SHARED_WORDS: dict[str, Naming] = {
    "before the person": lambda p, n: (f"lab/crew{p}_night{n}.csv", f"band/{n}_crew{p}.csv"),
    "behind the person": lambda p, n: (f"lab/{p}-crew-{n}.edf", f"band/at {n}, {p} crew.csv"),
    "before the night": lambda p, n: (f"lab/{p}_watch{n}.edf", f"band/watch {n} of {p}.csv"),
    "of one device of two": lambda p, n: (
        f"lab/crew{p}_night{n}.edf", f"band/crew{p}_night{n}.csv", f"pad/{n}-export-crew{p}.csv",
    ),
}  # fmt: skip
NO_WORDS: dict[str, Naming] = {
    "letters of one side": lambda p, n: (f"lab/S0{p}V0{n}.csv", f"band/0{n}-0{p}.csv"),
    "folders": lambda p, n: (f"lab/0{p}/0{n}.csv", f"band/0{n}/0{p}.csv"),
    "the same order": lambda p, n: (f"lab/{p}-{n}.csv", f"band/{p}-{n}.csv"),
}


def paired(found: FolderNights) -> set[tuple[str, str]]:
    return {(row.reference[0], row.device_file) for row in found.rows}


def made(naming: Naming, folder: Path) -> set[tuple[str, str]]:
    """Make the files of three nights of three people; return which belong together."""
    nights = [naming(str(p), n) for p in (1, 2, 3) for n in (1, 2, 3)]
    make(folder, [path for paths in nights for path in paths])
    return {(reference, device) for reference, *devices in nights for device in devices}


@pytest.mark.parametrize("naming", SHARED_WORDS)
def test_a_word_that_both_sides_share_tells_the_person_from_the_night(naming: str, tmp_path: Path) -> None:
    truth = made(SHARED_WORDS[naming], tmp_path)
    proposed = propose_patterns(tmp_path)
    assert paired(proposed.found) == truth
    assert (proposed.others, proposed.found.hints) == ((), ())


@pytest.mark.parametrize("naming", NO_WORDS)
def test_where_nothing_tells_the_person_from_the_night_both_ways_are_proposed(naming: str, tmp_path: Path) -> None:
    truth = made(NO_WORDS[naming], tmp_path)
    proposed = propose_patterns(tmp_path)
    (other,) = proposed.others
    ways = [paired(proposed.found), paired(other.found)]
    assert truth in ways
    assert ways[0] != ways[1]
    told = ("The names fit in 2 ways, and do not show which is right.",)
    assert proposed.found.hints == other.found.hints == told
    shown = ended("nights", tmp_path)
    assert told[0] in shown.stderr
    # each with a command of its own, and an example in which a swap would be seen
    for one in (proposed, other):
        row = next(row for row in one.found.rows if row.participant != row.night)
        assert f"For example {row.participant}, night {row.night}, band:" in shown.stdout
        assert f"  reference  {row.reference[0]}\n  device     {row.device_file}\n" in shown.stdout
        assert one.devices[0] in shown.stdout
    document = json.loads(ended("nights", tmp_path, "--json", "-").stdout)
    (named,) = document["other_proposals"]
    assert (document["proposed"]["devices"], named["devices"]) == ([*proposed.devices], [*other.devices])
    assert document["cautions"] == [*told]


def test_devices_that_leave_it_open_each_may_all_be_the_other_way_round(tmp_path: Path) -> None:
    truth = made(lambda p, n: (f"lab/0{p}/0{n}.edf", f"band/0{n}/0{p}.csv", f"pad/at 0{n} 0{p}.csv"), tmp_path)
    proposed = propose_patterns(tmp_path)
    assert len(proposed.others) == 3
    assert truth in [paired(one.found) for one in (proposed, *proposed.others)]


def test_names_whose_letters_are_stored_in_two_ways_are_one_kind_of_name(tmp_path: Path) -> None:
    nfc, nfd = (unicodedata.normalize(form, "Zoë") for form in ("NFC", "NFD"))
    make(tmp_path, [f"lab/{nfc}.csv", f"band/{nfd}.csv", "lab/Bo.csv", "band/Bo.csv"])
    assert paired(propose_patterns(tmp_path).found) == {
        ("lab/Bo.csv", "band/Bo.csv"),
        (f"lab/{nfc}.csv", f"band/{nfd}.csv"),
    }


def test_the_number_of_nights_tells_them_from_people_where_no_word_does(tmp_path: Path) -> None:
    make(tmp_path, [path for p in (1, 2, 3) for n in (1, 2) for path in NO_WORDS["folders"](str(p), n)])
    proposed = propose_patterns(tmp_path)
    assert (proposed.devices, proposed.others) == (("band/{night}/{participant}.csv",), ())


def test_the_nights_of_one_person(tmp_path: Path) -> None:
    make(tmp_path, [f"{side}/cook-n{n}.{end}" for n in (1, 2, 3) for side, end in (("lab", "edf"), ("band", "csv"))])
    proposed = propose_patterns(tmp_path)
    assert (proposed.reference, proposed.devices, proposed.names) == (
        "lab/cook-n{night}.edf",
        ("band/cook-n{night}.csv",),
        ("band",),
    )


def test_what_stands_behind_part_is_nobody(tmp_path: Path) -> None:
    parts = [f"band/crew-1-night-1-part{part}.csv" for part in (1, 2)]
    make(tmp_path, ["lab/crew-1-night-1.edf", "lab/crew-2-night-1.edf", "band/crew-2-night-1.csv", *parts])
    (row,) = propose_patterns(tmp_path).found.rows  # one name with parts and one without have no pattern in common
    assert row.device_file == "band/crew-2-night-1.csv"
    make(tmp_path, [f"band/crew-2-night-1-part{part}.csv" for part in (1, 2)])
    (tmp_path / "band" / "crew-2-night-1.csv").unlink()
    assert next(row.device_file for row in propose_patterns(tmp_path).found.rows) == "+".join(parts)


def test_a_number_of_its_own_in_each_name_is_no_device(tmp_path: Path) -> None:
    people = [(f"P{p:02d}", n) for p in range(1, 9) for n in (1, 2, 3)]
    make(tmp_path, [f"lab/{p}_n{n}_{date_of(p, n)}.edf" for p, n in people])
    make(tmp_path, [f"band/{p}_n{n}_{date_of(p, n)}_x{7919 * i % 100000:05d}.csv" for i, (p, n) in enumerate(people)])
    proposed = propose_patterns(tmp_path)
    assert {row.device for row in proposed.found.rows} == {"band"}
    assert {(row.participant, row.night) for row in proposed.found.rows} == {(p, str(n)) for p, n in people}
    assert {len(row.reference) for row in proposed.found.rows} == {1}
    assert "{scorer}" not in proposed.reference


def test_the_table_of_participants_tells_where_a_name_ends(tmp_path: Path) -> None:
    make(
        tmp_path / "d", [f"{side}/{p}_{n}.csv" for p in ("deck_hand", "cook") for n in (1, 2) for side in ("lab", "b")]
    )
    patterns = ("--reference", "lab/{participant}_{night}.csv", "--device", "b/{participant}_{night}.csv")
    result = ended("nights", tmp_path / "d", *patterns, "--out", "-", code=1)
    assert "a file name can be read in two ways" in result.stderr
    who = tmp_path / "who.csv"
    who.write_text("Code,age\ncook,30\ndeck_hand,40\n")
    result = ended("nights", tmp_path / "d", *patterns, "--participants", who, "--id", "code", "--out", "-")
    rows = [line.split(",")[:2] for line in result.stdout.splitlines()[1:]]
    assert rows == [["cook", "1"], ["cook", "2"], ["deck_hand", "1"], ["deck_hand", "2"]]


def test_people_who_do_not_take_part_and_those_without_files_are_told(tmp_path: Path) -> None:
    make(tmp_path, [f"{side}/{p}.csv" for p in ("cook", "mate", "pilot") for side in ("lab", "band")])
    who = tmp_path.parent / "who.tsv"
    who.write_text("id\tage\ncook\t30\nmate\t40\nbosun\t50\ncook\t30\n")
    patterns = ("--reference", "lab/{participant}.csv", "--device", "band/{participant}.csv")
    result = ended("nights", tmp_path, *patterns, "--participants", who, "--id", "id", "--out", "-")
    assert [line.split(",")[0] for line in result.stdout.splitlines()[1:]] == ["cook", "mate"]
    told = " ".join(result.stderr.split())
    assert "2 files are of nobody in the table of participants, such as band/pilot.csv." in told
    assert "No file is named after 1 of the table of participants: bosun." in told


def test_the_proposal_is_printed_with_the_command_that_writes_the_table(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    naming = NAMINGS["devices of different kinds"]
    make(tmp_path / "ferry", [path for p in ("cook", "mate") for n in (1, 2) for path in naming(p, n)])
    shown = ended("nights", "ferry", "--device-zone", "Europe/Helsinki")
    assert shown.exit_code == 0
    assert not (tmp_path / "nights.csv").exists()
    head, _, command = shown.stdout.partition("Proposed from the names; nothing was written.")
    assert head.startswith("8 rows from 2 participants, 4 nights and 2 devices\n")
    words = shlex.split(command[command.index("sleepagree nights") :].replace("\\\n", " "))
    assert words == [
        *("sleepagree", "nights", "ferry", "--reference", "lab/{participant}_n{night}.edf"),
        *("--device", "band/{participant}-{night}.csv", "--device", "pad/{participant}.{night}.json"),
        *("--device-name", "band", "--device-name", "pad", "--device-zone", "Europe/Helsinki"),
    ]
    assert ended(*words[1:]).exit_code == 0
    assert len((tmp_path / "nights.csv").read_text().splitlines()) == 9
    # a table that is there already keeps nobody from looking
    document = json.loads(ended("nights", "ferry", "--json", "-").stdout)
    assert document["proposed"] == {"reference": words[4], "devices": [words[6], words[8]], "names": ["band", "pad"]}


@pytest.mark.parametrize(
    ("paths", "found"),
    [
        ([], "no file"),
        (["a/cook.csv", "b/cook.csv"], "a/cook.csv, b/cook.csv"),
        (["lab/cook.edf", "lab/mate.edf"], "lab/cook.edf, lab/mate.edf"),
        (
            ["lab/cook.edf", "lab/mate.edf", "band/1.csv", "band/2.csv"],
            "2 files of the reference such as lab/cook.edf, 2 others such as band/1.csv",
        ),
    ],
)
def test_names_that_show_nothing_are_refused(paths: list[str], found: str, tmp_path: Path) -> None:
    make(tmp_path, paths)
    with pytest.raises(InputError) as caught:
        propose_patterns(tmp_path)
    assert caught.value.problem == "the names of the files do not show which belong together"
    assert caught.value.found == found
    assert caught.value.remedy.lstrip("\x04").startswith("Say it with patterns, such as --reference ")


BOTH = ("--reference", "lab/{participant}.csv", "--device", "b/{participant}.csv")


@pytest.mark.parametrize(
    ("options", "code", "told"),
    [
        (("--reference", "{participant}.edf"), 2, "--device is missing: give a pattern for both sides, or none"),
        (("--device", "{participant}.csv"), 2, "--reference is missing"),
        (("--device-name", "band"), 2, "--device-name goes with --device"),
        (("--participants", "who.csv"), 2, "--participants FILE and --id COLUMN go together."),
        (("--id", "code"), 2, "--participants FILE and --id COLUMN go together."),
        (("--participants", "who.csv", "--id", "name"), 1, "there is no such column. Found the columns 'code', 'age'"),
        (("--participants", "who.csv", "--id", "age"), 1, "the column is empty"),
        (("--participants", "none.csv", "--id", "age"), 1, "none.csv"),
        (
            (
                "--reference",
                "lab/{night}.csv",
                "--device",
                "b/{night}.csv",
                "--participants",
                "who.csv",
                "--id",
                "code",
            ),
            1,
            "Write it where names differ: a table of participants is given.",
        ),
        (
            (*BOTH, "--device", "{participant}.csv"),
            1,
            "the names of devices are not as many as the patterns without {device}",
        ),
        (
            (*BOTH, "--device-name", "b", "--device-name", "c"),
            1,
            "Found b, c; expected 1, in the order of the patterns.",
        ),
        (
            (*BOTH, "--device", "?/{participant}.csv", "--device-name", "b", "--device-name", "c"),
            1,
            "a file fits both patterns",
        ),
        (
            (*BOTH, "--device", "c/{participant}.txt", "--device-name", "b", "--device-name", "b"),
            1,
            "two files claim the same night",
        ),
    ],
)
def test_wrong_use(options: tuple[str, ...], code: int, told: str, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    make(tmp_path / "d", ["lab/cook.csv", "b/cook.csv", "c/cook.txt", "lab/mate.csv", "b/mate.csv"])
    (tmp_path / "who.csv").write_text("code,age\ncook,\n")
    result = ended("nights", "d", *options, code=code)
    assert told in " ".join(result.stderr.split())
    assert not (tmp_path / "nights.csv").exists()


CLOCKS = [f"2026-03-0{n}T{h}" for n in (1, 2) for h in ("22:00:00", "22:00:30", "22:01:00", "22:01:30")]
TRUE = {"cook": "WNNRNNRW", "mate": "WRNNWNRN", "bosun": "WWNNRRWN"}
STAGES = {"W": "wake", "N": "light", "R": "rem"}


@pytest.fixture
def crew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two nights of each of three people: a reference for each night of two of them, one device file for all."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ferry/lab").mkdir(parents=True)
    for who in ("cook", "mate"):
        for night in (1, 2):
            rows = zip(CLOCKS[4 * night - 4 :], TRUE[who][4 * night - 4 :][:4], strict=False)
            text = "".join(f"{time},{STAGES[stage]}\n" for time, stage in rows)
            (tmp_path / f"ferry/lab/{who}_n{night}.csv").write_text("time,stage\n" + text)
    rows = [f"{who},{time},{STAGES[s]}" for who, all_ in TRUE.items() for time, s in zip(CLOCKS, all_, strict=True)]
    (tmp_path / "ferry/band.csv").write_text("\n".join(["who,time,stage", *rows]) + "\n")
    (tmp_path / "band.toml").write_text('[file]\nperson_column = "who"\n')
    return tmp_path


OF_ALL = ("--reference", "lab/{participant}_n{night}.csv", "--device", "band.csv", "--layout", "band.toml")


@pytest.mark.parametrize("options", [(), ("--anonymous",)])
def test_rows_of_several_people_make_a_row_for_each_person_and_night(crew: Path, options: tuple[str, ...]) -> None:
    result = ended("nights", "ferry", *OF_ALL, "--device-name", "band A")
    assert "No reference for 1 participant in the device files: bosun." in result.stderr
    assert (crew / "nights.csv").read_text().splitlines() == [
        "participant,night,device,reference,device_file,layout",
        *(
            f"{who},{n},band A,ferry/lab/{who}_n{n}.csv,ferry/band.csv,band.toml"
            for who in ("cook", "mate")
            for n in (1, 2)
        ),
    ]
    ended("study", "nights.csv", "--out", "results", "--quiet", "--resamples", "0", *options)
    results = json.loads((crew / "results/results.json").read_text())
    # each person's own rows and no others: every epoch agrees with that person's reference
    assert (results["nights"]["scored"], results["nights"]["refused"]) == (4, [])
    (mapping, *_) = results["devices"][0]["mappings"]
    assert (mapping["n"], mapping["pooled"]["accuracy"]["value"]) == (16, 1.0)


def test_rows_of_several_people_need_names_on_the_other_side(crew: Path) -> None:
    told = ended("nights", "ferry", "--reference", "lab/cook_n{night}.csv", *OF_ALL[2:], code=1).stderr
    assert "Write it where names differ: the layout names a column of people." in " ".join(told.split())
    told = ended("nights", "ferry", *OF_ALL[:4], code=1).stderr
    assert "the pattern does not say whose file it is" in told
    (crew / "band.toml").write_text('[file]\nperson_column = "whom"\n')
    told = " ".join(ended("nights", "ferry", *OF_ALL, code=1).stderr.split())
    assert "there is no such column. Found the columns 'who', 'time', 'stage'" in told


def test_a_participant_whom_no_row_is_about_is_a_night_refused(crew: Path) -> None:
    ended("nights", "ferry", *OF_ALL)
    table = crew / "nights.csv"
    table.write_text(table.read_text().replace("mate,2,", "pilot,2,"))
    ended("study", "nights.csv", "--out", "results", "--quiet", "--resamples", "0", code=3)
    (refused,) = json.loads((crew / "results/results.json").read_text())["nights"]["refused"]
    assert "no row is about the person whose rows to read" in refused["reason"]
    assert refused["reason"].endswith("Correct 'person' in the layout, or the participant in the nights table.")
