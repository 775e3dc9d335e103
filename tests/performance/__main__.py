"""``python -m tests.performance``: every budget against its peer, in one run; exit 1 when one is missed."""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from pathlib import Path

# before numpy is loaded: BLAS threads that wait for a busy core blur every ratio
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.performance import (  # noqa: E402 - numpy reads the variables above when it is loaded
    arrays,
    bootstraps,
    clock_scans,
    cohorts,
    large_recordings,
    pages,
    parquet_tables,
    single_nights,
    workers,
)
from tests.performance.harness import Row, Settings, machine  # noqa: E402

BENCHMARKS = {
    "1": single_nights.help_page,
    "2": single_nights.one_night,
    "3": cohorts.from_files,
    "4": arrays.from_arrays,
    "5": bootstraps.cluster,
    "6": clock_scans.scan,
    "7": large_recordings.annotations,
    "8": workers.processes,
    "9": pages.figures_and_report,
    "10": parquet_tables.streamed,
}


def show(rows: list[Row]) -> str:
    lines = [
        "| budget | what | ours (median, range) | peer | ratio | limit | met |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        low, high = row.subject_range
        ours = f"{row.subject:.3g} {row.unit} ({low:.3g} to {high:.3g})"
        note = f"; {row.note}" if row.note else ""
        lines.append(
            f"| {row.budget} | {row.what}{note} | {ours} | {row.peer:.4g} {row.unit} | {row.ratio:.3g} | {row.limit} | "
            f"{'yes' if row.met else 'NO'} |"
        )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="tiny sizes, no budget judged")
    parser.add_argument("--only", help="budgets to run, such as 1,2,7")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--json", type=Path, help="write the rows here")
    args = parser.parse_args()
    wanted = args.only.split(",") if args.only else list(BENCHMARKS)
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="sleepagree-performance-") as folder:
        settings = Settings(args.smoke, 1 if args.smoke else args.repeats, Path(folder))
        for name in wanted:
            print(f"budget {name} ...", file=sys.stderr, flush=True)
            rows += BENCHMARKS[name](settings)
    print(f"Machine: {machine()}\n")
    print(show(rows))
    if args.json:
        args.json.write_text(json.dumps([row.as_record() for row in rows], indent=2), encoding="utf-8")
    if args.smoke:
        print("\nsmoke run: sizes are tiny, nothing was judged")
        return 0
    missed = [row for row in rows if not row.met]
    print(f"\n{len(rows) - len(missed)} of {len(rows)} met")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
