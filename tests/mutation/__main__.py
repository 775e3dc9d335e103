"""Change the statistics and the alignment at random places and see whether a test notices.

``python -m tests.mutation [--mutants 320] [--seed 0] [--module NAME] [--jobs 2] [--json FILE]`` takes half an hour;
``--again FILE`` tries only what survived the run of that record, after tests were added.

Every mutant is tried with the tests of its module, and with some wider ones when those pass. One that passes all is a
survivor. Some change nothing that can be seen: docs/evidence/survivors.md says which, and why.
"""

from __future__ import annotations

import argparse
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType

from tests import records
from tests.mutation.mutate import Mutant, mutants, unchanged

ROOT = Path(__file__).parent.parent.parent
WIDER = (
    "tests/night/test_edges.py",
    "tests/study/test_scorers.py",
    "tests/study/test_study.py",
    "tests/study/test_run.py",
    "tests/study/test_execution.py",
    "tests/study/test_duplicates.py",
    "tests/night/test_night.py",
    "tests/scoring/test_coefficients.py",
    "tests/laws/test_counts_laws.py",
    "tests/laws/test_limits_laws.py",
    "tests/laws/test_night_laws.py",
    "tests/published",
)
#: Module -> tests that are its own.
TESTS: dict[str, tuple[str, ...]] = {
    "scoring.table_agreement": ("tests/scoring/test_agreement.py", "tests/laws/test_counts_laws.py"),
    "scoring.coefficients": (
        "tests/scoring/test_coefficients.py",
        "tests/scoring/test_agreement.py",
        "tests/laws/test_counts_laws.py",
    ),
    "scoring.ceiling": ("tests/scoring/test_ceiling.py",),
    "hypnogram.epochs": ("tests/hypnogram/test_epochs.py",),
    "inference.limits": ("tests/inference/test_limits.py", "tests/laws/test_limits_laws.py"),
    "inference.table_sums": ("tests/scoring/test_agreement.py", "tests/laws/test_counts_laws.py"),
    "scoring.measures": ("tests/scoring/test_measures.py",),
    "hypnogram.align": ("tests/hypnogram/test_align.py", "tests/night/test_edges.py"),
    "hypnogram.ledger": ("tests/hypnogram/test_align.py", "tests/night/test_edges.py"),
    "hypnogram.window": ("tests/hypnogram/test_align.py", "tests/night/test_edges.py"),
    "scoring.redistribution": ("tests/scoring/test_redistribution.py",),
    "inference.resampling": (
        "tests/inference/test_resampling.py",
        "tests/inference/test_studentised.py",
        "tests/night/test_edges.py",
    ),
    "inference.estimate": ("tests/scoring/test_agreement.py", "tests/laws/test_counts_laws.py"),
}
LONGEST_S = 600  # far above what a busy machine takes; only a mutant that loops comes here
QUIET = ("-x", "-q", "-p", "no:cacheprovider", "--no-header", "--assert=plain")


def file_of(module: str) -> Path:
    """Return the file of a module below the package."""
    return (ROOT / "sleepagree").joinpath(*module.split(".")).with_suffix(".py")


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module of the package from other source."""

    def __init__(self, mutant: Mutant) -> None:
        self._name = f"sleepagree.{mutant.module}"
        self._mutant = mutant

    def find_spec(self, name: str, path: object, target: object = None) -> importlib.machinery.ModuleSpec | None:
        if name != self._name:
            return None
        origin = str(file_of(self._mutant.module))
        return importlib.util.spec_from_file_location(name, origin, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self._mutant.source, module.__file__ or "", "exec"), module.__dict__)


def start(mutant: Mutant, files: tuple[str, ...]) -> int:
    """Run tests on a mutant in a child process; return its id."""
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        os.setsid()
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        sys.meta_path.insert(0, Changed(mutant))
        import pytest

        code = int(pytest.main([*QUIET, *files]))
    finally:
        os._exit(code)


def wait(running: dict[int, tuple[int, int, float]]) -> tuple[int, bool]:
    """Return the next child that ends and whether its tests passed; one that runs too long is killed."""
    while True:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid in running:
            return pid, os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0
        for child, (_, _, began) in running.items():
            if time.monotonic() - began > LONGEST_S:
                os.killpg(child, signal.SIGKILL)
        time.sleep(0.05)


def try_all(chosen: list[Mutant], *, jobs: int) -> list[bool]:
    """Return for each mutant whether it survived."""
    stages = [(m, (TESTS[m.module], WIDER)) for m in chosen]
    survived = [False] * len(chosen)
    waiting = [(i, 0) for i in range(len(chosen))][::-1]
    running: dict[int, tuple[int, int, float]] = {}
    done = 0
    while waiting or running:
        while waiting and len(running) < jobs:
            i, stage = waiting.pop()
            mutant, files = stages[i]
            running[start(mutant, files[stage])] = (i, stage, time.monotonic())
        pid, passed = wait(running)
        i, stage, _ = running.pop(pid)
        if passed and stage == 0:
            waiting.append((i, 1))
            continue
        survived[i] = passed
        done += 1
        if passed or done % 20 == 0:
            print(f"{done} of {len(chosen)}" + (f", survived: {chosen[i]}" if passed else ""), file=sys.stderr)
    return survived


def again(path: Path, possible: list[Mutant], *, jobs: int) -> None:
    """Try the survivors of a record with the tests of today, and bring the record up to date."""
    record = json.loads(path.read_text(encoding="utf-8"))
    known = {str(mutant): mutant for mutant in possible}
    gone = [name for name in record["survivors"] if name not in known]
    if gone:
        sys.exit(f"the source has changed since: {gone[0]}; run all mutants again")
    chosen = [known[name] for name in record["survivors"]]
    survived = try_all(chosen, jobs=jobs)
    for mutant, still in zip(chosen, survived, strict=True):
        if not still:
            record["killed"] += 1
            record["by_module"][mutant.module]["killed"] += 1
    record["survivors"] = [str(mutant) for mutant, still in zip(chosen, survived, strict=True) if still]
    records.write(path, {**record, **records.about("scipy", "pytest", "hypothesis")})
    print(f"{len(chosen) - len(record['survivors'])} of {len(chosen)} survivors were killed")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mutants", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--module", action="append", choices=sorted(TESTS), help="only this one")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--again", type=Path, metavar="FILE", help="try the survivors of a record again")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    os.chdir(ROOT)
    # what every child would import again
    import hypothesis
    import numpy
    import pytest
    import scipy.stats
    import sklearn.metrics

    assert all((hypothesis, numpy, pytest, scipy.stats, sklearn.metrics))
    assert not any(name.startswith("sleepagree") for name in sys.modules), "children must import it changed"
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = tempfile.mkdtemp()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    possible = [m for name in asked.module or sorted(TESTS) for m in mutants(file_of(name))]
    chosen = random.Random(asked.seed).sample(possible, min(asked.mutants, len(possible)))
    if asked.again:
        again(asked.again, possible, jobs=asked.jobs)
        return
    # one module that nobody changed tells that the wider tests pass
    if not all(try_all([unchanged(file_of((asked.module or sorted(TESTS))[0]))], jobs=asked.jobs)):
        sys.exit("the tests fail on modules that nobody changed")
    survived = try_all(chosen, jobs=asked.jobs)
    by_module = {
        name: {"mutants": len(flags), "killed": len(flags) - sum(flags)}
        for name in sorted(TESTS)
        if (flags := [s for m, s in zip(chosen, survived, strict=True) if m.module == name])
    }
    record = {
        "command": f"python -m tests.mutation --mutants {asked.mutants} --seed {asked.seed}",
        **records.about("scipy", "pytest", "hypothesis"),
        "seed": asked.seed,
        "possible": len(possible),
        "mutants": len(chosen),
        "killed": len(chosen) - sum(survived),
        "by_module": by_module,
        "survivors": sorted(str(m) for m, s in zip(chosen, survived, strict=True) if s),
    }
    records.write(asked.json, record)


if __name__ == "__main__":
    main()
