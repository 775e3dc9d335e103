"""Same inputs, seed and versions: same bytes, whatever the workers, locale, zone, hash seed or folder."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sleepagree.study import chunks, execution
from sleepagree.study.execution import Execution, run_rows
from sleepagree.study.run import ScoringOptions
from sleepagree.study.table import read_nights_table
from tests.canaries import written
from tests.commands import run, without_folder
from tests.ferry import FERRY, copy_ferry

QUICK = ("--resamples", "100", "--quiet")

#: Machines as they differ. C.UTF-8 is the one locale that every Linux has; C makes Python's own text ASCII.
MACHINES = {
    "as here": {},
    "another hash seed": {"PYTHONHASHSEED": "4242"},
    "another zone": {"TZ": "Pacific/Chatham", "PYTHONHASHSEED": "1"},
    "a zone with a clock change in the night": {"TZ": "America/St_Johns", "LC_ALL": "C.UTF-8"},
    "plain C": {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    "one thread": {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "COLUMNS": "40"},
    "decimal commas": {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
}


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {str(Path(name).relative_to(folder)): data for name, data in written(folder) if name.startswith("/")}


@pytest.fixture(scope="session", autouse=True)
def _german(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Make the locale that writes 1,5: few machines have it."""
    folder = tmp_path_factory.mktemp("locales")
    words = ["localedef", "-i", "de_DE", "-f", "UTF-8", str(folder / "de_DE.UTF-8")]
    try:
        made = subprocess.run(words, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        made = False
    MACHINES["decimal commas"]["LOCPATH"] = str(folder) if made else ""


def machine_named(name: str) -> dict[str, str]:
    if MACHINES[name].get("LOCPATH") == "":
        pytest.skip("no localedef here, or no locales for it")
    return MACHINES[name]


def command(*words: object, machine: dict[str, str], cwd: Path | None = None) -> subprocess.CompletedProcess[bytes]:
    inherited = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG", "TZ", "PYTHON"))}
    args = [sys.executable, "-m", "sleepagree", *map(str, words)]
    return subprocess.run(args, capture_output=True, check=False, env={**inherited, **machine}, cwd=cwd)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes], bytes]:
    folder = tmp_path_factory.mktemp("study")
    table = copy_ferry(folder / "ferry")
    done = command("study", table, "--out", folder / "out", *QUICK, machine=MACHINES["as here"])
    assert done.returncode == 0, done.stderr
    made = bytes_of(folder / "out")
    assert {"results.json", "nights.csv", "bias.csv", "confusion.csv", "epochs.csv.gz", "report.html"} <= set(made)
    assert sum(name.endswith(".svg") for name in made) > 5
    return table, made, done.stdout


@pytest.mark.parametrize("name", list(MACHINES)[1:])
def test_a_study_is_the_same_bytes_on_every_machine(
    name: str, study: tuple[Path, dict[str, bytes], bytes], tmp_path: Path
) -> None:
    table, made, said = study
    out = tmp_path / "out"
    done = command("study", table, "--out", out, *QUICK, machine=machine_named(name))
    assert done.returncode == 0, done.stderr
    again = bytes_of(out)
    assert sorted(again) == sorted(made)
    assert [name for name in made if made[name] != again[name]] == []
    if name != "plain C":  # ASCII cannot say everything; files are UTF-8 all the same
        assert without_folder(done.stdout) == without_folder(said)


def test_a_study_is_the_same_bytes_in_another_folder(
    study: tuple[Path, dict[str, bytes], bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, made, _ = study
    moved = tmp_path / "moved elsewhere"
    shutil.copytree(FERRY, moved)
    monkeypatch.chdir(moved)
    result = run("study", "nights.csv", "--out", "out", *QUICK)
    assert result.exit_code == 0, result.output
    again = bytes_of(moved / "out")
    assert [name for name in made if made[name] != again.get(name)] == []


@pytest.mark.parametrize("name", list(MACHINES)[1:])
def test_a_night_is_the_same_bytes_on_every_machine(name: str, tmp_path: Path) -> None:
    words = (
        "night",
        FERRY / "reference" / "crew-1-night-1.edf",
        FERRY / "pad-b" / "crew-1-night-1.csv",
        "--layout",
        FERRY / "pad-b.toml",
        "--reference-zone",
        "Europe/Helsinki",
        "--quiet",
    )
    for folder, machine in (("a", MACHINES["as here"]), ("b", machine_named(name))):
        done = command(*words, "--out", tmp_path / folder, "--json", tmp_path / f"{folder}.json", machine=machine)
        assert done.returncode == 0, done.stderr
    first, second = bytes_of(tmp_path / "a"), bytes_of(tmp_path / "b")
    assert sorted(first) == sorted(second)
    # the report tells the command that repeats it, and with it the name of the folder
    names = [name for name in first if first[name].replace(b"--out a", b"--out b") != second[name]]
    assert names == []
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()


def test_the_locale_with_commas_is_one(tmp_path: Path) -> None:
    code = "import locale; locale.setlocale(locale.LC_ALL, ''); print(locale.str(1.5))"
    inherited = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG"))}
    environment = {**inherited, **machine_named("decimal commas")}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment)
    assert done.stdout == "1,5\n"


PAIR = (FERRY / "reference" / "crew-1-night-1.edf", FERRY / "band-a" / "crew-1-night-1.csv")
BAND_A = ("--layout", FERRY / "band-a.toml")
#: Every command that writes, but for night and study, which have tests of their own above.
WRITERS: dict[str, tuple[object, ...]] = {
    "export": ("night", *PAIR, *BAND_A, "--out", "out", "--export", "edf", "--export", "parquet"),
    "mappings": ("mappings", *PAIR, *BAND_A, "--quiet", "--json", "out.json"),
    "clock": ("clock", *PAIR, *BAND_A, *QUICK, "--json", "out.json"),
    "inspect": ("inspect", PAIR[1], *BAND_A, "--json", "out.json", "--write-layout", "out.toml"),
    "bias": ("bias", FERRY / "nights.csv", *QUICK, "--json", "out.json", "--csv", "out.csv"),
    "plan": ("plan", "--between-sd", "20", "--within-sd", "30", "--assurance", "0.8", "--json", "out.json"),
    "demo": ("demo", "out"),
}


@pytest.mark.parametrize("name", WRITERS)
def test_every_other_command_writes_the_same_bytes_on_every_machine(name: str, tmp_path: Path) -> None:
    hostile = {**MACHINES["plain C"], "TZ": "America/St_Johns", "PYTHONHASHSEED": "4242", "OMP_NUM_THREADS": "1"}
    made = []
    for folder, machine in (("a", MACHINES["as here"]), ("b", hostile)):
        (tmp_path / folder).mkdir()
        done = command(*WRITERS[name], machine=machine, cwd=tmp_path / folder)
        assert done.returncode == 0, done.stderr
        made.append(bytes_of(tmp_path / folder))
    assert sorted(made[0]) == sorted(made[1]) != []
    assert [file for file in made[0] if made[0][file] != made[1][file]] == []


def test_workers_change_no_byte(
    study: tuple[Path, dict[str, bytes], bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, made, _ = study
    # below 1,000 rows no worker would be started, and one chunk would hold the study
    monkeypatch.setattr(execution, "FEWEST_ROWS_FOR_WORKERS", 0)
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 5)
    result = run("study", table, "--out", tmp_path / "out", "--workers", "2", *QUICK)
    assert result.exit_code == 0, result.output
    again = bytes_of(tmp_path / "out")
    assert [name for name in made if made[name] != again.get(name)] == []


def test_chunks_depend_on_the_table_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    table = read_nights_table(FERRY / "nights.csv")
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 7)
    in_chunks = chunks.chunk_rows(table.rows)
    assert [len(chunk) for chunk in in_chunks] == [7, 7, 7, 3]
    whole = [o for chunk in run_rows(table, ScoringOptions()) for o in chunk.outcomes]
    monkeypatch.setattr(execution, "FEWEST_ROWS_FOR_WORKERS", 0)
    shared = [o for c in run_rows(table, ScoringOptions(), execution=Execution(workers=2)) for o in c.outcomes]
    assert [o.to_document() for o in shared] == [o.to_document() for o in whole]


def test_the_seed_is_what_draws_the_resamples(study: tuple[Path, dict[str, bytes], bytes], tmp_path: Path) -> None:
    table, made, _ = study
    result = run("study", table, "--out", tmp_path / "out", "--seed", "1", *QUICK)
    assert result.exit_code == 0, result.output
    again = bytes_of(tmp_path / "out")
    assert again["results.json"] != made["results.json"]
    assert again["confusion.csv"] == made["confusion.csv"]
