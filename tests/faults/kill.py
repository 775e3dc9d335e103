"""Kill a study of 200 nights at random moments, again and again, and see that ``--resume`` brings the same bytes.

``python -m tests.faults.kill --times 50 [--seed N] [--json FILE]``
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from tests import records
from tests.commands import bytes_below
from tests.performance.inputs import write_nights

NIGHTS = 200


@dataclass
class Tally:
    """What came of the runs that were killed."""

    nights: int
    killed: int = 0
    before_any_night_was_kept: int = 0
    with_nights_kept: int = 0
    finished_before_the_kill: int = 0
    resumed_to_the_same_bytes: int = 0


def command(table: Path, out: Path, *more: str) -> list[str]:
    words = ("study", str(table), "--out", str(out), "--resamples", "50", "--quiet", *more)
    return [sys.executable, "-m", "sleepagree", *words]


def undisturbed(table: Path, out: Path) -> tuple[dict[str, bytes], float]:
    """Return the bytes of a run that nobody kills, and the seconds that it takes."""
    began = time.monotonic()
    subprocess.run(command(table, out), check=True, stdout=subprocess.DEVNULL)
    return bytes_below(out), time.monotonic() - began


def run_and_kill(words: list[str], seconds: float) -> bool:
    """Start a run and kill it after some seconds; return whether it was still running."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        process.kill()
    return process.wait() != 0


def torment(folder: Path, *, nights: int, times: int, rng: random.Random) -> Tally:
    """Kill and resume; raise AssertionError at the first byte that differs."""
    table = folder / "input" / "nights.csv"
    write_nights(table.parent, nights, table=True)
    wanted, lasts_s = undisturbed(table, folder / "wanted" / "out")
    assert {"results.json", "nights.csv", "epochs.csv.gz", "report.html"} <= set(wanted)
    tally = Tally(nights)
    while tally.killed < times:
        home = folder / "home"
        home.mkdir()
        out = home / "out"
        # once, or again while it resumes
        while tally.killed < times:
            resume = ("--resume",) if (home / "out.unfinished").exists() else ()
            if not run_and_kill(command(table, out, *resume), rng.uniform(0.0, 1.05 * lasts_s)):
                tally.finished_before_the_kill += 1
                break
            tally.killed += 1
            # a folder of results is there as a whole or not at all
            if out.exists():
                assert bytes_below(out) == wanted
            kept = len(list(home.glob("out.unfinished/chunk-*.json")))
            tally.with_nights_kept += kept > 0
            tally.before_any_night_was_kept += kept == 0
            if rng.random() < 0.5:
                break
        if not out.exists():
            subprocess.run(command(table, out, "--resume"), check=True, stdout=subprocess.DEVNULL)
        made = bytes_below(out)
        differing = sorted(name for name in made.keys() | wanted.keys() if made.get(name) != wanted.get(name))
        assert differing == [], f"other bytes after --resume: {differing}"
        left = [p.name for p in home.iterdir() if p.name not in ("out", "out.unfinished")]
        assert left == [], f"left behind: {left}"
        tally.resumed_to_the_same_bytes += 1
        shutil.rmtree(home)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = torment(Path(folder), nights=NIGHTS, times=asked.times, rng=random.Random(asked.seed))
    record = {
        "command": f"python -m tests.faults.kill --times {asked.times} --seed {asked.seed}",
        **records.about("joblib"),
        "seed": asked.seed,
        **asdict(tally),
    }
    records.write(asked.json, record)


if __name__ == "__main__":
    main()
