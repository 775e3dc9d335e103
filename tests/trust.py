"""Run the tests of faults, privacy, hostile text and determinism and keep how many cases there were of each.

``python -m tests.trust [--json FILE]`` takes some minutes; a case that fails ends it without a record.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from tests import records

#: What is looked after -> its tests.
GROUPS = {
    "faults": ("tests/faults/test_faults.py",),
    "privacy": ("tests/test_privacy.py",),
    "hostile text": ("tests/test_hostile_text.py",),
    "determinism": ("tests/test_determinism.py", "tests/cluster/test_dask.py"),
}


class Outcomes:
    """A plugin that counts cases by group and test; a test without parameters is one case."""

    def __init__(self) -> None:
        self.passed: dict[str, Counter[str]] = {group: Counter() for group in GROUPS}
        self.skipped: dict[str, str] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        file, _, case = report.nodeid.partition("::")
        group = next(group for group, files in GROUPS.items() if file in files)
        if report.skipped:
            reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
            self.skipped[report.nodeid] = reason.removeprefix("Skipped: ")
        elif report.when == "call" and report.passed:
            self.passed[group][case.partition("[")[0]] += 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    outcomes = Outcomes()
    files = [file for group in GROUPS.values() for file in group]
    code = int(pytest.main(["-q", "-p", "no:cacheprovider", *files], plugins=[outcomes]))
    if code:
        return code
    from tests.canaries import COUNTS  # counted by the tests above

    record: dict[str, Any] = {
        "command": "python -m tests.trust",
        **records.about("pytest", "hypothesis", "distributed"),
        "platform": sys.platform,
        "passed": sum(cases.total() for cases in outcomes.passed.values()),
        "skipped": outcomes.skipped,
        "canaries": dict(COUNTS),
        "cases": outcomes.passed,
    }
    records.write(asked.json, record)
    return 0


if __name__ == "__main__":
    sys.exit(main())
