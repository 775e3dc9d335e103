"""Budget 8: two workers, and a Dask cluster of two on loopback."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

from sleepagree.study.execution import Execution, run_rows
from sleepagree.study.run import ChunkResult, ScoringOptions
from sleepagree.study.table import read_nights_table
from tests.performance.harness import Row, Settings, alternate, at_least
from tests.performance.inputs import write_nights


@contextlib.contextmanager
def dask_cluster(workers: int = 2) -> Iterator[str]:
    """Start a scheduler and workers as processes on loopback; yield the address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    run = [
        sys.executable,
        "-m",
        "distributed.cli.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        str(port),
        "--no-dashboard",
    ]
    started = [subprocess.Popen(run, **quiet)]
    try:
        for _ in range(workers):
            worker = [
                sys.executable,
                "-m",
                "distributed.cli.dask_worker",
                address,
                "--nthreads",
                "1",
                "--no-dashboard",
                "--host",
                "127.0.0.1",
            ]
            started.append(subprocess.Popen(worker, **quiet))
        from dask.distributed import Client

        deadline = time.monotonic() + 60
        with Client(address, timeout="60s") as client:
            while len(client.scheduler_info()["workers"]) < workers:
                if time.monotonic() > deadline:
                    raise TimeoutError("the Dask workers did not come up")
                time.sleep(0.1)
        yield address
    finally:
        for one in reversed(started):
            one.terminate()
        for one in started:
            one.wait(timeout=30)


def documents(chunks: list[ChunkResult]) -> list[object]:
    """Return what is compared: everything that is known of each night, and its epochs."""
    return [(outcome.to_document(), chunk.epochs) for chunk in chunks for outcome in chunk.outcomes]


def processes(settings: Settings) -> list[Row]:
    nights = settings.size(10_000, 60)
    folder = settings.folder / "workers"
    write_nights(folder, nights, table=True)
    table = read_nights_table(folder / "nights.csv")
    options = ScoringOptions(clock=False)

    def run(execution: Execution) -> list[ChunkResult]:
        return list(run_rows(table, options, execution=execution))

    alone = documents(run(Execution()))
    repeats = max(1, settings.repeats // 2 + 1)
    one, two = alternate([lambda: run(Execution()), lambda: run(Execution(workers=2))], repeats=repeats)
    same = documents(run(Execution(workers=2))) == alone
    # without a cluster running beside it, or the baseline would pay for the cluster's idle processes
    baseline, _ = alternate([lambda: run(Execution()), lambda: None], repeats=repeats)
    with dask_cluster() as address:
        cluster, _ = alternate([lambda: run(Execution(scheduler=address)), lambda: None], repeats=repeats)
        same_there = documents(run(Execution(scheduler=address))) == alone
    told = "same results" if same and same_there else "RESULTS DIFFER"
    return [
        at_least("8", f"{nights} nights, 2 workers against one process", two, one, 1.7, note=told),
        at_least("8", f"{nights} nights, Dask with 2 workers against one process", cluster, baseline, 1.4, note=told),
    ]
