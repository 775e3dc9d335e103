"""Budget 3: reading and scoring many nights from files in one process."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from sleepagree.readers.any_file import read_spans
from sleepagree.study.execution import run_rows
from sleepagree.study.run import ScoringOptions
from sleepagree.study.table import read_nights_table
from tests.performance.harness import MIB, Row, Settings, alternate, at_least, at_most, memory_row, peak_memory, stated
from tests.performance.inputs import write_nights

_MEMORY = """
from pathlib import Path
from sleepagree.study.table import read_nights_table
from sleepagree.study.execution import run_rows
from sleepagree.study.run import ScoringOptions
from tests.performance.cohorts import score_all
table = read_nights_table(Path({table!r}))
begin()
score_all(table, {limit})
"""
_STUDY_MEMORY = """
from sleepagree.cli.group import main
begin()
try:
    main(['study', {table!r}, '--out', {out!r}, '--quiet', '--overwrite'])
except SystemExit as left:
    if left.code:
        raise
"""
_TAL = re.compile(rb"\+(\d+(?:\.\d+)?)\x15(\d+(?:\.\d+)?)\x14([^\x14]+)\x14\x00")


def score_all(table, limit=None):
    """Read, align and reduce every night, and take the kappa of each."""
    from dataclasses import replace

    from sleepagree.mapping.mapping import mapping_named
    from sleepagree.scoring.coefficients import kappa
    from sleepagree.study.groups import fold_nights
    from sleepagree.study.night_summary import NightSummary

    table = replace(table, rows=table.rows[:limit]) if limit else table
    mapping = mapping_named("wake-light-deep-rem")
    kept = []
    for chunk in run_rows(table, ScoringOptions(clock=False)):
        nights = [n for n in chunk.outcomes if isinstance(n, NightSummary)]
        kept.append(kappa(fold_nights(nights, mapping)))
    return np.concatenate(kept)


def study_peak(table: Path, out: Path) -> int:
    """Return the highest resident size of the whole command `study`, bytes."""
    return peak_memory(_STUDY_MEMORY.format(table=str(table), out=str(out)))[1]


def unchecked(pairs: list[tuple[Path, Path]]) -> None:
    """The least code that gets the bytes into two arrays; it checks nothing."""
    codes = {b"W": 0, b"1": 1, b"2": 2, b"3": 3, b"R": 4}
    words = {"Awake": 0, "Light": 1, "Deep": 2, "REM": 3}
    for reference, device in pairs:
        found = _TAL.findall(reference.read_bytes()[512:])
        lengths = (np.array([d for _, d, _ in found], float) / 30).astype(int)
        np.repeat(np.array([codes[t[-1:]] for *_, t in found], np.int8), lengths)
        rows = [line.split(",") for line in device.read_text().splitlines()[1:]]
        begin = np.array([r[0] for r in rows], "datetime64[s]")
        end = np.array([r[1] for r in rows], "datetime64[s]")
        lengths = ((end - begin).astype(int)) // 30
        np.repeat(np.array([words[r[2]] for r in rows], np.int8), lengths)


def parsed(pairs: list[tuple[Path, Path]]) -> None:
    for reference, device in pairs:
        read_spans(reference)
        read_spans(device)


def notebook(pairs: list[tuple[Path, Path]]) -> None:
    import mne
    import pandas as pd
    from sklearn.metrics import cohen_kappa_score, confusion_matrix, precision_recall_fscore_support

    fold = {"W": "Awake", "1": "Light", "2": "Light", "3": "Deep", "R": "REM"}
    for reference, device in pairs:
        notes = mne.read_annotations(reference)
        staged = [(fold[t[-1]], d) for t, d in zip(notes.description, notes.duration, strict=True) if t[-1] in fold]
        x = np.repeat([stage for stage, _ in staged], [int(d / 30) for _, d in staged])
        frame = pd.read_csv(device, parse_dates=["start", "end"])
        y = np.repeat(frame.stage.to_numpy(), ((frame.end - frame.start).dt.total_seconds() // 30).astype(int))
        n = min(len(x), len(y))
        confusion_matrix(x[:n], y[:n])
        cohen_kappa_score(x[:n], y[:n])
        precision_recall_fscore_support(x[:n], y[:n], zero_division=np.nan)


def from_files(settings: Settings) -> list[Row]:
    nights = settings.size(10_000, 30)
    timed = settings.size(1000, 30)
    folder = settings.folder / "cohort"
    pairs = write_nights(folder, nights, table=True)
    table = read_nights_table(folder / "nights.csv")
    some = pairs[: settings.size(200, 5)]

    ours, parsing, floor = alternate(
        [lambda: score_all(table, timed), lambda: parsed(pairs[:timed]), lambda: unchecked(pairs[:timed])],
        repeats=settings.repeats,
    )
    loop, _ = alternate([lambda: notebook(some), lambda: None], repeats=max(1, settings.repeats // 2))
    scaled = type(loop)(tuple(s * timed / len(some) for s in loop.seconds))
    first = type(ours)(ours.seconds[: len(loop.seconds)])
    names = str(folder / "nights.csv")
    few = max(1, nights // 10)
    small = peak_memory(_MEMORY.format(table=names, limit=few))
    large = peak_memory(_MEMORY.format(table=names, limit=nights))
    lines = (folder / "nights.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "few.csv").write_text("".join(lines[: few + 1]), encoding="utf-8")
    peaks = [study_peak(folder / name, folder / "out") for name in ("few.csv", "nights.csv")]
    what = f"{timed} of {nights} nights from files, one process"
    return [
        stated("3", f"{what} against parsing alone with the same readers", ours, parsing),
        at_most("3", f"{what} against an unchecked parsing floor", ours, floor, 8.0),
        at_least(
            "3",
            f"{what} against mne + pandas + scikit-learn",
            first,
            scaled,
            5.0,
            note=f"peer timed on {len(some)} nights and scaled",
        ),
        memory_row("3", f"peak at {nights} nights above that at {few}", max(0, large[1] - small[1]), 20 * MIB),
        memory_row(
            "3",
            f"peak of the whole command `study` at {nights} nights above that at {few}",
            max(0, peaks[1] - peaks[0]),
            40 * MIB,
        ),
    ]
