"""Fuzz every reader for a while: ``python -m tests.fuzz --seconds N [--seed N] [--json FILE]``.

Half of the time goes to the strategies of :mod:`tests.fuzz.inputs`, half to atheris where it is installed. The first
input that breaks the invariant ends the run, is shown, and is counted in the record.
"""

from __future__ import annotations

import argparse
import importlib.util
import re
import subprocess
import sys
import tempfile
import time
import traceback
import tracemalloc
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests import records
from tests.fuzz.targets import TARGETS, Target

KINDS = ("edf", "csv", "json", "layout", "mapping", "nights", "paired")
ROUND = 300


@dataclass
class Outcome:
    """What became of the inputs of a run."""

    by_strategies: dict[str, Counter[str]] = field(default_factory=dict)
    by_coverage: dict[str, dict[str, int]] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)

    @property
    def inputs(self) -> int:
        strategies = sum(tally.total() for tally in self.by_strategies.values())
        return strategies + sum(counts["inputs"] for counts in self.by_coverage.values())


def by_strategies(outcome: Outcome, seconds: float, seed: int, *, targets: tuple[Target, ...] = TARGETS) -> None:
    """Run rounds of every target until the time is up or something breaks."""
    outcome.by_strategies = {target.name: Counter() for target in targets}
    end = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as home:
        for round_number in range(10**9):
            for target in targets:
                folder = Path(home) / target.name.replace(" ", "-")
                folder.mkdir(exist_ok=True)
                try:
                    tally = target.run(folder, examples=ROUND, seed=seed + round_number)
                except KeyboardInterrupt:
                    raise
                except BaseException as error:  # an AssertionError, a hang, or what no reader may raise
                    traceback.print_exc()
                    outcome.broken.append(f"{target.name}, seed {seed + round_number}: {error!r}"[:300])
                    return
                outcome.by_strategies[target.name] += tally
                if time.monotonic() > end:
                    return


def by_coverage(outcome: Outcome, seconds: float) -> None:
    """Run the harness of bytes for each kind."""
    for kind in KINDS:
        words = [sys.executable, "-m", "tests.fuzz.bytes_harness", kind, str(max(1, round(seconds / len(KINDS))))]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        found = {
            name: re.search(rf"stat::{stat}:\s*(\d+)", done.stderr)
            for name, stat in (("inputs", "number_of_executed_units"), ("new_paths", "new_units_added"))
        }
        counts = {name: int(match[1]) for name, match in found.items() if match}
        if done.returncode or len(counts) < len(found):
            print(done.stderr[-6000:], file=sys.stderr)
            outcome.broken.append(f"{kind}, guided by coverage: the invariant broke, or the harness did")
            return
        outcome.by_coverage[kind] = counts


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    # to stop tracing while a thread of a library still lets go of memory brings the process down
    tracemalloc.start()
    has_atheris = importlib.util.find_spec("atheris") is not None
    outcome = Outcome()
    by_strategies(outcome, asked.seconds / 2 if has_atheris else asked.seconds, asked.seed)
    if not has_atheris:
        print("atheris is not installed; the strategies alone were run", file=sys.stderr)
    elif not outcome.broken:
        by_coverage(outcome, asked.seconds / 2)
    record = {
        "command": f"python -m tests.fuzz --seconds {asked.seconds:g} --seed {asked.seed}",
        **records.about("hypothesis", "pyarrow", "mne", "atheris"),
        "seed": asked.seed,
        "inputs": outcome.inputs,
        "broken": outcome.broken,
        "by_strategies": {name: dict(sorted(tally.items())) for name, tally in outcome.by_strategies.items()},
        "by_coverage": outcome.by_coverage,
    }
    records.write(asked.json, record)
    return 1 if outcome.broken else 0


if __name__ == "__main__":
    sys.exit(main())
