"""A study over a Dask cluster on loopback: a scheduler and two workers, each a process of its own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.commands import bytes_below, without_folder
from tests.ferry import copy_ferry
from tests.performance.inputs import write_nights
from tests.performance.workers import dask_cluster

pytestmark = pytest.mark.cluster
pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with dask_cluster(workers=2) as found:
        yield found


def study(table: Path, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
    words = ("study", str(table), "--out", str(out), "--resamples", "100", "--quiet", *more)
    return subprocess.run([sys.executable, "-m", "sleepagree", *words], capture_output=True, text=True, check=False)


def test_a_cluster_gives_the_same_bytes_as_one_process(address: str, tmp_path: Path) -> None:
    write_nights(tmp_path / "input", 60, table=True)  # three chunks for two workers
    table = tmp_path / "input" / "nights.csv"
    alone, far = study(table, tmp_path / "a" / "out"), study(table, tmp_path / "b" / "out", "--scheduler", address)
    assert alone.returncode == 0, alone.stderr
    assert far.returncode == 0, far.stderr
    one, other = bytes_below(tmp_path / "a" / "out"), bytes_below(tmp_path / "b" / "out")
    assert {"results.json", "nights.csv", "epochs.csv.gz", "report.html"} <= set(one)
    assert sorted(one) == sorted(other)
    assert [name for name in one if one[name] != other[name]] == []


def test_refused_nights_come_back_from_a_cluster(address: str, tmp_path: Path) -> None:
    table = copy_ferry(tmp_path / "ferry")
    (table.parent / "band-a" / "crew-2-night-1.csv").write_text("nothing\n")
    alone, far = study(table, tmp_path / "a" / "out"), study(table, tmp_path / "b" / "out", "--scheduler", address)
    assert alone.returncode == far.returncode == 3, far.stderr
    assert without_folder(far.stdout) == without_folder(alone.stdout)
    assert "\nREFUSED: 1 OF 24 DEVICE-NIGHTS OF 12 NIGHTS" in far.stdout
    assert bytes_below(tmp_path / "a" / "out") == bytes_below(tmp_path / "b" / "out")
