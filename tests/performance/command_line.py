"""Every budget against its peer, in one run, and how cost grows; exit 1 when a budget is missed."""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from tests.performance.document import check_document, fill_document
from tests.performance.growth import CURVES, Curve, estimate_million, show_curves
from tests.performance.harness import Row, Settings, machine, versions

#: Budget -> module and function; imported when it runs, for some load half a notebook's libraries.
BENCHMARKS = {
    "1": "single_nights.help_page",
    "2": "single_nights.one_night",
    "3": "cohorts.from_files",
    "4": "arrays.from_arrays",
    "5": "bootstraps.cluster",
    "6": "clock_scans.scan",
    "7": "large_recordings.annotations",
    "8": "workers.processes",
    "9": "pages.figures_and_report",
    "10": "parquet_tables.streamed",
    "11": "corrections.learning_and_applying",
}


def show(rows: Sequence[Row], *, judged: bool = True) -> str:
    """Return the rows as a table in Markdown, without verdict where sizes are too small for one."""
    lines = [
        "| budget | what | ours (median, range) | peer | ratio | limit | met |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        low, high = row.subject_range
        ours = f"{row.subject:.3g} {row.unit} ({low:.3g} to {high:.3g})"
        note = f"; {row.note}" if row.note else ""
        met = "-" if row.limit == "stated" or not judged else "yes" if row.met else "NO"
        lines.append(
            f"| {row.budget} | {row.what}{note} | {ours} | {row.peer:.4g} {row.unit} | {row.ratio:.3g} | {row.limit} | "
            f"{met} |"
        )
    return "\n".join(lines)


def run_budgets(names: Sequence[str], settings: Settings) -> list[Row]:
    """Run the benchmarks of some budgets, each in a folder of its own that is removed after it."""
    rows: list[Row] = []
    for name in names:
        print(f"budget {name} ...", file=sys.stderr, flush=True)
        module, _, function = BENCHMARKS[name].partition(".")
        benchmark = getattr(importlib.import_module(f"tests.performance.{module}"), function)
        with tempfile.TemporaryDirectory(prefix="sleepagree-performance-") as folder:
            rows += benchmark(Settings(settings.smoke, settings.repeats, Path(folder)))
    return rows


def run_growth(settings: Settings) -> list[Curve]:
    """Measure every curve."""
    curves: list[Curve] = []
    for measure in CURVES:
        print(f"growth: {measure.__name__.replace('_', ' ')} ...", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory(prefix="sleepagree-performance-") as folder:
            curves += measure(Settings(settings.smoke, settings.repeats, Path(folder)))
    return curves


def main(words: Sequence[str] | None = None) -> int:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="tiny sizes of all, no budget judged, nothing written")
    parser.add_argument("--only", help="budgets to run, such as 1,2,7; default: all, or none with --growth")
    parser.add_argument("--growth", action="store_true", help="how cost grows with nights, epochs, resamples, workers")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--json", type=Path, help="write the figures here")
    parser.add_argument("--write", type=Path, metavar="FILE", help="run all and fill the marked parts of this document")
    args = parser.parse_args(words)
    if args.write and (args.smoke or args.only):
        parser.error("--write takes a whole run: leave out --smoke and --only")
    unknown = [name for name in (args.only or "").split(",") if name and name not in BENCHMARKS]
    if unknown:
        parser.error(f"there is no budget {unknown[0]}; they are {', '.join(BENCHMARKS)}")
    if args.write and (problem := check_document(args.write)):
        parser.error(problem)
    whole = args.write or (args.smoke and not args.only and not args.growth)
    wanted = args.only.split(",") if args.only else [] if args.growth and not whole else list(BENCHMARKS)
    settings = Settings(args.smoke, 1 if args.smoke else args.repeats)
    run = describe_run(settings)
    rows = run_budgets(wanted, settings)
    curves = run_growth(settings) if args.growth or whole else []
    print(run + "\n")
    if rows:
        print(show(rows, judged=not args.smoke) + "\n")
    if curves:
        print(show_curves(curves) + "\n")
    if curves and not args.smoke:
        print(estimate_million(curves) + "\n")
    if args.json:
        found = {"run": run, "budgets": [r.as_record() for r in rows], "growth": [c.as_record() for c in curves]}
        args.json.write_text(json.dumps(found, indent=2), encoding="utf-8")
    if args.smoke:
        print("smoke run: sizes are tiny, nothing was judged")
        return 0
    if args.write:
        tables = {"run": run, "budgets": show(rows), "growth": show_curves(curves)}
        fill_document(args.write, {**tables, "million": estimate_million(curves)})
        print(f"written to {args.write}")
    if not rows:
        return 0
    judged = [row for row in rows if row.limit != "stated"]
    missed = [row for row in judged if not row.met]
    print(f"{len(judged) - len(missed)} of {len(judged)} met")
    return 1 if missed else 0


def describe_run(settings: Settings) -> str:
    """Name machine, versions, date and how busy the machine was, in a line."""
    try:
        load = f", load {os.getloadavg()[0]:.1f} when it began"
    except OSError:
        load = ""
    today = datetime.now(UTC).date()
    return f"{today}, {machine()}{load}; {versions()}; {settings.repeats} repeats."
