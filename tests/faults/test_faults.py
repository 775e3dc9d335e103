"""What goes wrong on real machines: full disks, folders that may not be written, kills, files that change or lie.

Whatever happens there is one message and exit 1 (or the night is refused and the rest goes on), no traceback, and no
output that is half-written.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sleepagree.errors import InputError, SleepAgreeError
from sleepagree.files import reading as _text
from sleepagree.readers.any_file import read_spans
from sleepagree.study import chunks, execution
from sleepagree.study.chunks import unfinished_folder
from sleepagree.study.from_table import load_nights
from sleepagree.study.run import ChunkResult, ScoringOptions
from tests.commands import bytes_below, run
from tests.faults.kill import torment
from tests.faults.waiting import score_the_first_and_wait
from tests.ferry import FERRY, copy_ferry
from tests.readers.edf_bytes import EdfBytes, Signal, annotation_file, hypnogram, record_start, stage

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="mounts, limits and /proc of Linux")

QUICK = ("--resamples", "50", "--quiet")
NIGHT = (
    "night",
    FERRY / "reference" / "crew-1-night-1.edf",
    FERRY / "band-a" / "crew-1-night-1.csv",
    "--layout",
    FERRY / "band-a.toml",
    "--quiet",
)
PATTERNS = (
    "--reference",
    "reference/{participant}-night-{night}.edf",
    "--device",
    "{device}/{participant}-night-{night}.csv",
)


def command(*words: object, **how: object) -> subprocess.CompletedProcess[str]:
    args = [sys.executable, "-m", "sleepagree", *map(str, words)]
    return subprocess.run(args, capture_output=True, text=True, check=False, timeout=120, **how)  # type: ignore[call-overload,no-any-return]


def assert_one_message(done: subprocess.CompletedProcess[str], *, about: str = "") -> None:
    assert done.returncode == 1, done.stdout + done.stderr
    # a layout may be proposed above the message
    assert any(line.startswith("sleepagree: ") for line in done.stderr.splitlines()), done.stderr
    assert "Traceback" not in done.stderr
    assert about in done.stderr


# --- full disk --------------------------------------------------------------------------------------------


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 96 kB: smaller than any folder of results."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=96k", "tmpfs", str(folder)], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("no file system can be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_leaves_nothing_half_written(tiny_disk: Path, tmp_path: Path) -> None:
    table = copy_ferry(tmp_path / "ferry")
    for words in (NIGHT, ("study", table, *QUICK)):
        done = command(*words, "--out", tiny_disk / "out")
        assert_one_message(done, about="No space left on device")
        assert not (tiny_disk / "out").exists()
        assert [p.name for p in tiny_disk.iterdir() if p.suffix == ".part"] == []
        shutil.rmtree(tiny_disk / "out.unfinished", ignore_errors=True)
    (tiny_disk / "fill").write_bytes(b"x" * 90_000)
    done = command(*NIGHT, "--json", tiny_disk / "night.json")
    assert_one_message(done, about="No space left on device")
    assert [p.name for p in tiny_disk.iterdir()] == ["fill"]


def test_a_full_disk_keeps_the_results_that_were_there(tiny_disk: Path) -> None:
    results = tiny_disk / "night.json"
    results.write_text("old")
    (tiny_disk / "fill").write_bytes(b"x" * 85_000)
    assert_one_message(command(*NIGHT, "--json", results, "--overwrite"), about="No space left")
    assert results.read_text() == "old"


def _limit_files(size: int) -> Callable[[], None]:
    def limit() -> None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return limit


@pytest.mark.parametrize("size", [0, 10, 2000, 30_000])
def test_a_file_that_cannot_grow(size: int, tmp_path: Path) -> None:
    """A limit on the size of files stops a write half-way, as a full disk does, and needs no rights."""
    table = copy_ferry(tmp_path / "ferry")
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    for words in (NIGHT, ("study", table, *QUICK)):
        done = command(*words, "--out", tmp_path / "out", preexec_fn=_limit_files(size), env=environment)
        assert_one_message(done, about="cannot be written")
        left = sorted(p.name for p in tmp_path.iterdir() if p.name not in ("ferry", "out.unfinished"))
        assert left == []
    # with room again the same command goes through
    again = command("study", table, *QUICK, "--out", tmp_path / "out", "--resume")
    assert again.returncode == 0, again.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry", "out"]


WRITERS: dict[str, tuple[object, ...]] = {
    "night --json": (*NIGHT, "--json", "out.json"),
    "night --export": (*NIGHT, "--out", "out", "--export", "edf", "--export", "bids"),
    "mappings --json": ("mappings", *NIGHT[1:], "--json", "out.json"),
    "clock --json": ("clock", *NIGHT[1:], "--json", "out.json"),
    "inspect --json": ("inspect", NIGHT[2], "--json", "out.json"),
    "inspect --write-layout": ("inspect", NIGHT[2], "--write-layout", "out.toml"),
    "bias --csv": ("bias", FERRY / "nights.csv", "--csv", "out.csv", *QUICK),
    "bias --json": ("bias", FERRY / "nights.csv", "--json", "out.json", *QUICK),
    "study": ("study", FERRY / "nights.csv", "--out", "out", *QUICK),
    "nights --out": ("nights", FERRY, *PATTERNS, "--out", "out.csv"),
    "plan --json": ("plan", "--between-sd", "20", "--within-sd", "30", "--json", "out.json"),
    "demo": ("demo", "out"),
}


@pytest.mark.parametrize("name", WRITERS)
def test_every_command_that_writes_where_nothing_can_be_written(name: str, tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    room = command(*WRITERS[name], cwd=tmp_path, env=environment)
    assert room.returncode == 0, room.stderr  # the words are right: with room it goes through
    made = sorted(p.name for p in tmp_path.iterdir())
    assert made != []
    for path in tmp_path.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    done = command(*WRITERS[name], cwd=tmp_path, preexec_fn=_limit_files(0), env=environment)
    assert_one_message(done)
    assert [p.name for p in tmp_path.iterdir() if p.name != "out.unfinished"] == []


def test_a_file_system_that_is_read_only(tiny_disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(tiny_disk)], check=True)
    for words in (
        (*NIGHT, "--out", tiny_disk / "out"),
        (*NIGHT, "--json", tiny_disk / "night.json"),
        ("study", FERRY / "nights.csv", "--out", tiny_disk / "out", *QUICK),
        ("demo", tiny_disk / "out"),
    ):
        assert_one_message(command(*words), about="Read-only file system")
    assert list(tiny_disk.iterdir()) == []


def test_standard_output_that_is_full() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full")
    for words in (NIGHT, (*NIGHT, "--json", "-"), ("--help",)):
        with Path("/dev/full").open("w") as full:
            args = [sys.executable, "-m", "sleepagree", *map(str, words)]
            done = subprocess.run(args, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
        assert done.returncode == 1
        assert done.stderr.splitlines()[-1] == "sleepagree: the output cannot be written: No space left on device."


def test_a_reader_of_the_output_that_goes_away() -> None:
    args = [sys.executable, "-m", "sleepagree", *map(str, NIGHT), "--json", "-"]
    with subprocess.Popen(args, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()  # what "| head" does
        said = process.stderr.read()
    # nobody is left to be told anything
    assert (process.returncode, said) == (1, "")


# --- rights -----------------------------------------------------------------------------------------------

NOBODY = 65534


@pytest.fixture
def open_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder that another user reaches: pytest's own folders are closed to others."""
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="sleepagree-faults-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


_WITHOUT_RIGHTS = """
import os, sys, tempfile
from click.testing import CliRunner
from sleepagree.cli.group import main
words, night, table = {words!r}, {night!r}, {table!r}
if os.geteuid() == 0:
    # root may do everything; another user may not even read this Python, so all of it is imported before
    with tempfile.TemporaryDirectory() as folder:
        CliRunner().invoke(main, [*night, "--out", folder + "/night", "--json", folder + "/night.json"])
        done = CliRunner().invoke(main, ["study", table, "--out", folder + "/study", "--resamples", "20"])
        assert done.exit_code == 0, done.output
        CliRunner().invoke(main, ["night", "/nowhere", "/nowhere"])
    os.setgroups([])
    os.setgid({nobody})
    os.setuid({nobody})
main(words)
"""


def as_nobody(*words: object) -> subprocess.CompletedProcess[str]:
    """Run a command as a user without rights."""
    night, table = [str(word) for word in NIGHT], str(FERRY / "nights.csv")
    code = _WITHOUT_RIGHTS.format(words=[str(word) for word in words], night=night, table=table, nobody=NOBODY)
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=120)


def test_a_folder_that_may_not_be_written(open_folder: Path) -> None:
    table = copy_ferry(open_folder / "ferry")
    closed = open_folder / "closed"
    closed.mkdir(mode=0o555)
    for words in (NIGHT, ("study", table, *QUICK)):
        assert_one_message(as_nobody(*words, "--out", closed / "out"), about="Permission denied")
    assert_one_message(as_nobody(*NIGHT, "--json", closed / "night.json"), about="Permission denied")
    assert_one_message(as_nobody("bias", table, *QUICK, "--csv", closed / "bias.csv"), about="Permission denied")
    assert list(closed.iterdir()) == []


def test_a_file_that_may_not_be_read_is_one_refused_night(open_folder: Path, tmp_path: Path) -> None:
    table = copy_ferry(open_folder / "ferry")
    for name in ("band-a/crew-2-night-1.csv", "reference/crew-3-night-2.edf"):
        (table.parent / name).chmod(0)
    out = open_folder / "out"
    open_folder.chmod(0o777)
    done = as_nobody("study", table, "--out", out, *QUICK, "--full")
    assert done.returncode == 3, done.stderr
    # one device file, and one reference of two devices
    assert "\nREFUSED: 3 OF 24 DEVICE-NIGHTS OF 12 NIGHTS\n" in done.stdout
    assert "Permission denied" in done.stdout
    refused = json.loads((out / "results.json").read_text())["nights"]["refused"]
    assert ["Permission denied" in row["reason"] for row in refused] == [True] * 3


def test_a_layout_that_may_not_be_read(open_folder: Path) -> None:
    table = copy_ferry(open_folder / "ferry")
    (table.parent / "pad-b.toml").chmod(0)
    open_folder.chmod(0o777)
    done = as_nobody("bias", table, *QUICK)
    assert done.returncode == 3, done.stderr
    assert done.stdout.startswith("REFUSED: 12 OF 24 DEVICE-NIGHTS OF 12 NIGHTS")


# --- kills ------------------------------------------------------------------------------------------------


def test_a_killed_study_resumes_to_the_same_bytes(tmp_path: Path) -> None:
    """Three kills here; fifty by ``python -m tests.faults.kill --times 50``."""
    tally = torment(tmp_path, nights=200, times=3, rng=random.Random(time.time_ns()))
    assert tally.killed == 3
    assert tally.resumed_to_the_same_bytes >= 1


def test_an_interrupted_study_keeps_finished_nights_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 6)
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    scored: list[int] = []
    whole = execution.score_rows

    def interrupted(*args: object) -> ChunkResult:
        if len(scored) == 2:
            raise KeyboardInterrupt
        scored.append(1)
        return whole(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(execution, "score_rows", interrupted)
    result = run("study", table, "--out", out, *QUICK)
    assert result.exit_code != 0
    assert not out.exists()
    kept = unfinished_folder(out)
    assert sorted(p.name for p in kept.iterdir()) == ["chunk-000000.json", "chunk-000001.json"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry", "out.unfinished"]

    counted: list[int] = []
    monkeypatch.setattr(execution, "score_rows", lambda *args: counted.append(1) or whole(*args))
    assert run("study", table, "--out", out, "--resume", *QUICK).exit_code == 0
    # 24 rows in chunks of 6: two are kept, two are scored
    assert len(counted) == 2
    assert not kept.exists()
    plain = tmp_path / "plain" / "out"
    assert run("study", table, "--out", plain, *QUICK).exit_code == 0
    assert bytes_below(out) == bytes_below(plain)


@pytest.mark.parametrize("change", ["a file", "an option", "the table", "nothing"])
def test_resume_scores_again_what_has_changed(change: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 6)
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    whole = execution.score_rows
    scored: list[int] = []

    def broken_at_the_last(rows: object, *args: object) -> ChunkResult:
        scored.append(1)
        if len(scored) == 4:
            raise KeyboardInterrupt
        return whole(rows, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(execution, "score_rows", broken_at_the_last)
    run("study", table, "--out", out, *QUICK)
    more: tuple[str, ...] = ()
    if change == "a file":
        path = table.parent / "band-a" / "crew-1-night-1.csv"
        path.write_text(path.read_text().replace("Deep", "Shallow", 1))
    elif change == "an option":
        more = ("--outside", "wake")
    elif change == "the table":
        table.write_text(table.read_text().replace("crew-1,1,", "crew-1,one,"))
    scored.clear()
    monkeypatch.setattr(execution, "score_rows", lambda *args: scored.append(1) or whole(*args))
    assert run("study", table, "--out", out, "--resume", *more, *QUICK).exit_code == 0
    # of four chunks the last was never kept; the first holds the changed file, the first and the third the changed
    # rows of two devices, and every one was asked for with the option
    assert len(scored) == {"a file": 2, "an option": 4, "the table": 3, "nothing": 1}[change]
    fresh = tmp_path / "fresh" / "out"
    assert run("study", table, "--out", fresh, *more, *QUICK).exit_code == 0
    assert bytes_below(out) == bytes_below(fresh)


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"key": 1}', b"\xff\xfe", b'{"key": "K", "outcomes": [{}]}'])
def test_a_kept_chunk_that_is_damaged_is_scored_again(
    damage: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chunks, "_key", lambda *args: "K")
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    kept = unfinished_folder(out)
    kept.mkdir()
    (kept / "chunk-000000.json").write_bytes(damage)
    result = run("study", table, "--out", out, "--resume", *QUICK)
    assert result.exit_code == 0, result.output


def test_a_folder_of_that_name_that_is_not_ours_is_left_alone(tmp_path: Path) -> None:
    table, out = copy_ferry(tmp_path / "ferry"), tmp_path / "out"
    kept = unfinished_folder(out)
    (kept / "sub").mkdir(parents=True)
    (kept / "thesis.txt").write_text("draft")
    (kept / "made-in").write_text("../ferry")
    result = run("study", table, "--out", out, *QUICK)
    assert result.exit_code == 0, result.output
    assert (kept / "thesis.txt").read_text() == "draft"
    assert table.exists()


def test_a_worker_that_dies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(execution, "FEWEST_ROWS_FOR_WORKERS", 0)
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 2)
    table, out = load_nights(copy_ferry(tmp_path / "ferry")), tmp_path / "kept"
    how = execution.Execution(workers=2, keep=out)
    options = ScoringOptions()
    whole = execution.score_rows
    monkeypatch.setattr(execution, "score_rows", score_the_first_and_wait)
    killed: list[int] = []

    def kill_one(done: int, total: int) -> None:
        for pid in _workers() if done and not killed else []:
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)

    with pytest.raises(InputError, match="a worker process died") as refusal:
        list(execution.run_rows(table, options, execution=how, progress=kill_one))
    assert killed
    assert "resume=True" in str(refusal.value)
    # what was finished is kept, and a new run goes on from there
    monkeypatch.setattr(execution, "score_rows", whole)
    kept = len(list(out.glob("chunk-*.json")))
    assert 0 < kept < 12
    again = execution.Execution(workers=2, keep=out, resume=True)
    outcomes = [o for chunk in execution.run_rows(table, options, execution=again) for o in chunk.outcomes]
    alone = [o for chunk in execution.run_rows(table, options) for o in chunk.outcomes]
    assert [o.to_document() for o in outcomes] == [o.to_document() for o in alone]


def _workers() -> list[int]:
    """Return the worker processes that this process has started."""
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
    return [int(c) for c in children if b"loky" in Path(f"/proc/{c}/cmdline").read_bytes() and not _tracks(c)]


def _tracks(pid: str) -> bool:
    return b"resource_tracker" in Path(f"/proc/{pid}/cmdline").read_bytes()


def test_a_scheduler_that_is_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    table = copy_ferry(tmp_path / "ferry")
    began = time.monotonic()
    done = command("study", table, "--out", tmp_path / "out", "--scheduler", "tcp://127.0.0.1:9", *QUICK)
    assert_one_message(done, about="no Dask scheduler answers")
    assert time.monotonic() - began < 60
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry"]


def test_a_scheduler_without_workers(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    table = copy_ferry(tmp_path / "ferry")
    with distributed.LocalCluster(n_workers=0, protocol="tcp", dashboard_address=None) as cluster:
        words = "--scheduler", cluster.scheduler_address, *QUICK
        done = command("study", table, "--out", tmp_path / "out", *words)
    assert_one_message(done, about="the Dask scheduler has no workers")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ferry"]


# --- files that lie ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["reference/crew-1-night-1.edf", "band-a/crew-1-night-1.csv"])
@pytest.mark.parametrize("how", ["grows", "is cut", "is rewritten"])
def test_a_file_that_changes_while_it_is_read(
    name: str, how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = copy_ferry(tmp_path / "ferry")
    path = table.parent / name
    victim = path.stat().st_ino
    whole = os.pread

    def changing(descriptor: int, count: int, offset: int) -> bytes:
        if os.fstat(descriptor).st_ino != victim:
            return whole(descriptor, count, offset)
        if how == "is cut":
            os.truncate(path, 500)
            return whole(descriptor, count, offset)
        data = whole(descriptor, count, offset)
        with path.open("r+b") as other:
            other.seek(0, os.SEEK_END if how == "grows" else os.SEEK_SET)
            other.write(b"2")
        os.utime(path, ns=(1, time.time_ns()))
        return data

    monkeypatch.setattr(_text.os, "pread", changing)
    with pytest.raises(InputError, match="changed while it was being read"):
        read_spans(path)
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 3, result.output
    assert "\nREFUSED: " in result.stdout


def _sparse(path: Path, head: bytes, size: int = 10 * 2**30) -> Path:
    path.write_bytes(head)
    os.truncate(path, size)
    return path


_SPARSE = {
    "nothing but zeros": b"",
    "a recording": EdfBytes(
        (Signal("EEG", (bytes(60_000),)), Signal(records=(record_start() + stage(0, "Sleep stage W"),), size=200)),
        duration="30",
        records="-1",
    ).encode(),
    "nothing but annotations": annotation_file(*hypnogram(20)).but(records="-1").encode(),
    "one annotation channel of two bytes": EdfBytes((Signal(size=2, records=(b"\x00\x00",)),), records="-1").encode(),
}


@pytest.mark.parametrize("columns", ["epoch,participant,night,reference,device", "participant,night,device"])
def test_ten_gigabytes_for_a_table_of_nights(columns: str, tmp_path: Path) -> None:
    path = _sparse(tmp_path / "nights.csv", f"{columns}\n".encode(), 3 * 2**30)
    code = (
        "import resource, sys\n"
        "import numpy, pandas, scipy.special\n"
        "resource.setrlimit(resource.RLIMIT_AS, (4 * 2**30, 4 * 2**30))\n"
        "from sleepagree.cli.group import main\n"
        f"main(['bias', {str(path)!r}])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=90)
    assert_one_message(done, about="nights.csv")


@pytest.mark.parametrize("kind", _SPARSE)
@pytest.mark.parametrize("suffix", [".edf", ".csv", ".json", ".parquet", ".fif", ".tsv"])
def test_ten_gigabytes_of_nothing(kind: str, suffix: str, tmp_path: Path) -> None:
    """A sparse file takes no room on the disk; read whole it would fill the memory."""
    path = _sparse(tmp_path / f"night{suffix}", _SPARSE[kind])
    code = (
        "import resource, sys, time\n"
        "from pathlib import Path\n"
        "from sleepagree.readers.any_file import read_spans\n"
        "import numpy, mne, pandas, pyarrow\n"
        "resource.setrlimit(resource.RLIMIT_AS, (4 * 2**30, 4 * 2**30))\n"
        "from sleepagree.errors import SleepAgreeError\n"
        "began = time.monotonic()\n"
        "try:\n"
        f"    read_spans(Path({str(path)!r}))\n"
        "except SleepAgreeError as error:\n"
        "    print('refused:', error)\n"
        "print('seconds', time.monotonic() - began)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    # a recording with one stage at its start is a recording: it is read, and its ledger says how little it holds
    assert ("refused: " in done.stdout) != (kind == "a recording" and suffix == ".edf"), done.stdout
    # a hang, not a measurement: it takes milliseconds, or for ever
    assert float(done.stdout.split("seconds")[1]) < 20, done.stdout


def test_links_in_a_circle(tmp_path: Path) -> None:
    table = copy_ferry(tmp_path / "ferry")
    folder = table.parent
    loop, other = folder / "loop.edf", folder / "other.edf"
    loop.symlink_to(other)
    other.symlink_to(loop)
    for words in (
        ("night", loop, folder / "band-a" / "crew-1-night-1.csv"),
        ("inspect", loop),
        (*NIGHT, "--out", loop),
        (*NIGHT, "--json", loop / "x.json"),
        ("bias", loop),
    ):
        result = run(*words)
        assert result.exit_code == 1, (words, result.output)
        assert result.stderr.startswith("sleepagree: ")
    table.write_text(table.read_text().replace("reference/crew-1-night-1.edf", "loop.edf"))
    result = run("study", table, "--out", tmp_path / "out", *QUICK)
    assert result.exit_code == 1
    assert "loop.edf" in result.stderr
    assert not (tmp_path / "out").exists()


def test_a_folder_that_holds_itself(tmp_path: Path) -> None:
    folder = copy_ferry(tmp_path / "ferry").parent
    (folder / "band-a" / "again").symlink_to(folder)
    result = run("nights", folder, *PATTERNS, "--out", tmp_path / "nights.csv")
    assert result.exit_code == 0, result.output
    # every night once, by its own name: what lies beyond the link is not walked through again
    plain = copy_ferry(tmp_path / "plain").parent
    assert run("nights", plain, *PATTERNS, "--out", tmp_path / "plain.csv").exit_code == 0
    ours = (tmp_path / "nights.csv").read_text().replace("ferry/", "")
    assert ours == (tmp_path / "plain.csv").read_text().replace("plain/", "")


def test_names_that_are_no_utf_8(tmp_path: Path) -> None:
    strange = os.fsdecode(os.fsencode(tmp_path) + b"/n\xffght.csv")
    shutil.copy(NIGHT[2], strange)
    out, record = tmp_path / "out", tmp_path / "night.json"
    done = command("night", NIGHT[1], strange, *NIGHT[3:], "--out", out, "--json", record)
    assert done.returncode == 0, done.stderr
    assert b"\\udcff" in record.read_bytes()
    for path in out.rglob("*"):
        if path.suffix in (".json", ".csv", ".html", ".svg"):
            path.read_bytes().decode("utf-8")
    # no layout, and a file that is not there
    for words in (("night", NIGHT[1], strange), ("night", NIGHT[1], strange + "x")):
        assert_one_message(command(*words), about="n\ufffdght.csv")
    seen = command("inspect", strange)
    assert seen.returncode == 0, seen.stderr
    folder = tmp_path / "folder"
    shutil.copytree(FERRY, folder)
    plain = folder / "band-a" / "crew-1-night-1.csv"
    plain.rename(os.fsdecode(os.fsencode(folder) + b"/band-a/crew-\xff-night-1.csv"))
    done = command("nights", folder, *PATTERNS, "--out", tmp_path / "nights.csv")
    assert done.returncode == 0, done.stderr
    assert "device files without a reference: 1\n  band-a/crew-\ufffd-night-1.csv" in done.stdout
    assert len((tmp_path / "nights.csv").read_text(encoding="utf-8").splitlines()) == 1 + 23


def test_a_name_that_is_a_folder_a_pipe_or_a_device(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    for path in (pipe, tmp_path, Path("/dev/zero")):
        target = path if path.suffix else tmp_path / "link.csv"
        if target != path:
            target.unlink(missing_ok=True)
            target.symlink_to(path)
        with pytest.raises(SleepAgreeError):
            read_spans(target)
