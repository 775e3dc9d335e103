"""Fuzz every reader for a while: ``python -m tests.fuzz --seconds N [--seed N] [--json FILE]``.

Half of the time goes to the strategies of :mod:`tests.fuzz.inputs`, half to atheris where it is installed. The first
input that breaks the invariant ends the run and is shown.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import re
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

from tests.fuzz.targets import TARGETS

KINDS = ("edf", "csv", "json", "layout", "nights")
ROUND = 300


def by_strategies(seconds: float, seed: int) -> dict[str, Counter[str]]:
    """Run rounds of every target until the time is up."""
    tallies: dict[str, Counter[str]] = {target.name: Counter() for target in TARGETS}
    end = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as home:
        for round_number in range(10**9):
            for target in TARGETS:
                folder = Path(home) / target.name.replace(" ", "-")
                folder.mkdir(exist_ok=True)
                tallies[target.name] += target.run(folder, examples=ROUND, seed=seed + round_number)
                if time.monotonic() > end:
                    return tallies
    return tallies


def by_coverage(seconds: float) -> dict[str, int]:
    """Run the harness of bytes for each kind; return how many inputs it tried."""
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed; the strategies alone were run", file=sys.stderr)
        return {}
    counts = {}
    for kind in KINDS:
        words = [sys.executable, "-m", "tests.fuzz.bytes_harness", kind, str(max(1, round(seconds / len(KINDS))))]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        found = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
        if done.returncode or found is None:
            sys.exit(f"the invariant broke, or the harness did ({kind}):\n{done.stderr[-6000:]}")
        counts[kind] = int(found[1])
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    has_atheris = importlib.util.find_spec("atheris") is not None
    tallies = by_strategies(asked.seconds / 2 if has_atheris else asked.seconds, asked.seed)
    counts = by_coverage(asked.seconds / 2)
    record = {
        "command": f"python -m tests.fuzz --seconds {asked.seconds:g}",
        "seed": asked.seed,
        "inputs": sum(t.total() for t in tallies.values()) + sum(counts.values()),
        "by_strategies": {name: dict(sorted(tally.items())) for name, tally in tallies.items()},
        "by_coverage": counts,
        "broken": 0,
    }
    text = json.dumps(record, indent=2) + "\n"
    print(text, end="")
    if asked.json:
        asked.json.write_text(text)


if __name__ == "__main__":
    main()
