"""--overwrite replaces results and never a file that the command reads, by whatever path the two are named."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.commands import bytes_below, run
from tests.ferry import copy_ferry

QUICK = ("--resamples", "50", "--quiet")
REFERENCE, DEVICE, LAYOUT = "ferry/reference/crew-1-night-1.edf", "ferry/band-a/crew-1-night-1.csv", "ferry/band-a.toml"
TABLE, MAPPING = "ferry/nights.csv", "ferry/mine.toml"
PAIR = (REFERENCE, DEVICE, "--layout", LAYOUT)
FOUND = (
    "--reference",
    "reference/{participant}-night-{night}.edf",
    "--device",
    "band-a/{participant}-night-{night}.csv",
)
EVENTS, SIDECAR = "bids/sub-1/beh/sub-1_events.tsv", "bids/events.json"
HEADER, MARKERS = "marks/night.vhdr", "marks/night.vmrk"

#: Command up to the option that names the output, and the inputs that the output may not be.
COMMANDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "night --json": (("night", *PAIR, "--mapping", MAPPING, "--quiet", "--json"), (REFERENCE, DEVICE, LAYOUT, MAPPING)),
    "night --reference-layout": (
        ("night", REFERENCE, DEVICE, "--layout", LAYOUT, "--reference-layout", "ferry/pad-b.toml", "--json"),
        ("ferry/pad-b.toml",),
    ),
    "mappings --json": (("mappings", *PAIR, "--quiet", "--json"), (REFERENCE, DEVICE, LAYOUT)),
    "clock --json": (("clock", *PAIR, "--quiet", "--json"), (REFERENCE, DEVICE, LAYOUT)),
    "inspect --json": (("inspect", DEVICE, "--layout", LAYOUT, "--json"), (DEVICE, LAYOUT)),
    "inspect --write-layout": (("inspect", DEVICE, "--layout", LAYOUT, "--write-layout"), (DEVICE, LAYOUT)),
    "inspect of events": (("inspect", EVENTS, "--json"), (EVENTS, SIDECAR)),
    "inspect of markers": (("inspect", HEADER, "--json"), (HEADER, MARKERS)),
    "bias --csv": (("bias", TABLE, *QUICK, "--csv"), (TABLE, REFERENCE, DEVICE, LAYOUT)),
    "bias --json": (("bias", TABLE, *QUICK, "--csv", "new.csv", "--json"), (TABLE, REFERENCE, DEVICE, LAYOUT)),
    "nights --out": (("nights", "ferry", *FOUND, "--layout", LAYOUT, "--out"), (REFERENCE, DEVICE, LAYOUT)),
    "nights --json": (
        ("nights", "ferry", *FOUND, "--layout", LAYOUT, "--out", "new.csv", "--json"),
        (REFERENCE, DEVICE, LAYOUT),
    ),
    "plan --json": (("plan", "--from", "plan/results.json", "--json"), ("plan/results.json",)),
}
CASES = [(name, given) for name, (_, inputs) in COMMANDS.items() for given in inputs]


def _symbolic(path: Path) -> Path:
    link = path.parent / "link"
    link.symlink_to(path.name)
    return link


def _hard(path: Path) -> Path:
    link = path.parent / "link"
    link.hardlink_to(path)
    return link


def _through_folder(path: Path) -> Path:
    Path("elsewhere").symlink_to(path.parent)
    return Path("elsewhere") / path.name


SPELLINGS: dict[str, Callable[[Path], Path]] = {
    "the same": lambda path: path,
    "with ./": lambda path: Path(f"./{path.parent}/../{path.parent.name}/{path.name}"),
    "absolute": lambda path: path.absolute(),
    "a symbolic link": _symbolic,
    "a hard link": _hard,
    "a folder that is a link": _through_folder,
}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    copy_ferry(tmp_path / "ferry")
    Path(MAPPING).write_text(
        'name = "mine"\n[classes]\nwake = ["W"]\nsleep = ["N1", "N2", "N3", "R", "light", "deep", "sleep"]\n'
    )
    for name in (EVENTS, HEADER, "plan/results.json"):
        Path(name).parent.mkdir(parents=True)
    Path(EVENTS).write_text("onset\tduration\tstaging\n0\t30\t1\n30\t30\t2\n")
    Path(SIDECAR).write_text(json.dumps({"staging": {"Levels": {"1": "Wake", "2": "N2"}}}))
    Path(HEADER).write_text("header")
    Path(MARKERS).write_text("markers")
    Path("plan/results.json").write_text("{}")
    return tmp_path


def assert_spared(before: dict[str, bytes], words: tuple[str, ...], home: Path) -> None:
    result = run(*words)
    assert result.exit_code == 1, result.output
    assert result.stderr.count("sleepagree: ") == 1
    assert "the output would replace a file that this command reads" in result.stderr
    assert "--overwrite replaces results, never an input" in result.stderr
    assert bytes_below(home) == before


@pytest.mark.parametrize(("name", "given"), CASES)
def test_a_file_that_is_read_is_not_replaced(name: str, given: str, home: Path) -> None:
    words, _ = COMMANDS[name]
    assert_spared(bytes_below(home), (*words, given, "--overwrite"), home)


@pytest.mark.parametrize("spelling", SPELLINGS)
@pytest.mark.parametrize("given", [DEVICE, LAYOUT])
def test_other_spellings_of_one_file(spelling: str, given: str, home: Path) -> None:
    target = SPELLINGS[spelling](Path(given))
    assert_spared(bytes_below(home), ("night", *PAIR, "--quiet", "--json", str(target), "--overwrite"), home)


def test_letters_of_another_case_where_they_name_the_same_file(home: Path) -> None:
    target = Path("ferry/BAND-A.TOML")
    if not target.exists():
        # what a file system that takes no case shows: both names lead to one file
        target.symlink_to("band-a.toml")
    assert target.samefile(LAYOUT)
    assert_spared(bytes_below(home), ("night", *PAIR, "--quiet", "--json", str(target), "--overwrite"), home)


@pytest.fixture
def results(home: Path) -> Path:
    """A folder of results that holds an aligned night, whose files may be inputs again."""
    done = run("night", *PAIR, "--quiet", "--out", "results", "--export", "edf", "--export", "csv")
    assert done.exit_code == 0, done.output
    return home / "results"


def test_inputs_in_the_folder_of_results(results: Path, home: Path) -> None:
    before = bytes_below(home)
    for words in (
        ("night", "results/aligned.edf", DEVICE, "--layout", LAYOUT),
        ("night", REFERENCE, "results/aligned.csv"),
        ("night", "results/aligned.edf", DEVICE, "--layout", LAYOUT, "--export", "edf"),
    ):
        assert_spared(before, (*words, "--quiet", "--out", "results", "--overwrite"), home)


def test_a_table_or_a_file_of_a_table_in_the_folder_of_results(results: Path, home: Path) -> None:
    other = home / "other.csv"
    other.write_text(
        "participant,night,device,reference,device_file,layout\n1,1,a,results/aligned.edf," + DEVICE + "," + LAYOUT
    )
    (results / "nights.csv").write_text(
        "participant,night,device,reference,device_file,layout\n" + f"1,1,a,../{REFERENCE},../{DEVICE},../{LAYOUT}\n"
    )
    before = bytes_below(home)
    for table in ("other.csv", "results/nights.csv"):
        assert_spared(before, ("study", table, *QUICK, "--out", "results", "--overwrite"), home)


def test_an_input_among_the_finished_nights_of_a_study(home: Path) -> None:
    kept = home / "out.unfinished"
    kept.mkdir()
    Path(DEVICE).rename(kept / "chunk-000000.json")
    table = Path(TABLE)
    table.write_text(table.read_text().replace("band-a/crew-1-night-1.csv", "../out.unfinished/chunk-000000.json"))
    before = bytes_below(home)
    assert_spared(before, ("study", TABLE, *QUICK, "--out", "out", "--overwrite"), home)


def test_results_are_still_replaced(results: Path, home: Path) -> None:
    words = ("night", *PAIR, "--quiet", "--out", "results", "--json", "night.json", "--overwrite")
    Path("night.json").write_text("old")
    assert run(*words).exit_code == 0
    assert Path("night.json").read_text() != "old"
    assert not (results / "aligned.csv").exists()
    # what one run reads another may write
    assert run("nights", "ferry", *FOUND, "--layout", LAYOUT, "--out", TABLE, "--overwrite").exit_code == 0
    assert run("bias", TABLE, *QUICK, "--csv", "bias.csv").exit_code in (0, 3)
    assert run("nights", "ferry", *FOUND, "--layout", LAYOUT, "--out", TABLE, "--overwrite").exit_code == 0
