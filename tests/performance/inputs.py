"""Inputs of the benchmarks: invented nights as files and as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepagree.readers.edf.writer import write_edf_annotations
from sleepagree.study.demo.simulate import AASM_STAGES, PAD_B, SimulatedStudy, generator, simulate_study

START = datetime(2026, 3, 1, 22, 30)
TEXTS = {stage: f"Sleep stage {stage}" for stage in AASM_STAGES}
WORDS = {"wake": "Awake", "light": "Light", "deep": "Deep", "rem": "REM", "W": "Awake", "N3": "Deep", "R": "REM"}


def runs(codes: NDArray[np.integer]) -> list[tuple[int, int, int]]:
    edges = np.flatnonzero(np.diff(codes, prepend=-9, append=-9))
    return [(int(a), int(b), int(codes[a])) for a, b in pairwise(edges) if codes[a] >= 0]


def simulated(nights: int, seed: int = 11) -> SimulatedStudy:
    return simulate_study(rng=generator(seed), participants=nights, nights=1, devices=(PAD_B,))


def write_nights(folder: Path, nights: int, *, seed: int = 11, table: bool = False) -> list[tuple[Path, Path]]:
    """Write one EDF+ hypnogram and one interval CSV a night; return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    study = simulated(nights, seed)
    device = study.devices[0]
    words = [WORDS[label] for label in PAD_B.labels]
    pairs = [write_night(folder, i, study.reference[i], device[i], words) for i in range(nights)]
    if table:
        rows = [f"p{i},1,pad B,{r.name},{d.name}" for i, (r, d) in enumerate(pairs)]
        (folder / "nights.csv").write_text(
            "\n".join(["participant,night,device,reference,device_file", *rows]) + "\n", encoding="utf-8"
        )
    return pairs


def write_night(
    folder: Path, i: int, reference: NDArray[np.integer], device: NDArray[np.integer], words: Sequence[str]
) -> tuple[Path, Path]:
    """Write one night, whose codes number AASM stages and the device's words, and return its two paths."""
    start = START + timedelta(days=i % 300, seconds=i // 300)
    lab, other = folder / f"r{i:06d}.edf", folder / f"d{i:06d}.csv"
    notes = [(a * 30.0, (b - a) * 30.0, TEXTS[AASM_STAGES[c]]) for a, b, c in runs(reference)]
    write_edf_annotations(lab, start=start, annotations=notes)
    lines = ["start,end,stage"]
    for a, b, c in runs(device):
        begin, end = start + timedelta(seconds=30 * a), start + timedelta(seconds=30 * b)
        lines.append(f"{begin:%Y-%m-%dT%H:%M:%S},{end:%Y-%m-%dT%H:%M:%S},{words[c]}")
    other.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return lab, other


def count_tables(reference: NDArray[np.int8], device: NDArray[np.int8], classes: int) -> NDArray[np.int64]:
    """Return one count table per night, rows reference."""
    cells = reference.astype(np.int64) * classes + device
    counts = [np.bincount(night, minlength=classes**2) for night in cells]
    return np.array(counts).reshape(-1, classes, classes)


def class_arrays(nights: int, epochs: int = 960, seed: int = 5) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """Return reference and device classes of nights, shape (nights, epochs), five classes, errors in runs."""
    rng = np.random.default_rng(seed)
    switch = rng.random((nights, epochs)) < 0.05
    switch[:, 0] = True
    drawn = rng.choice(5, size=(nights, epochs), p=[0.12, 0.08, 0.45, 0.15, 0.2]).astype(np.int8)
    last = np.maximum.accumulate(np.where(switch, np.arange(epochs), 0), axis=1)
    reference = np.take_along_axis(drawn, last, axis=1)
    wrong = np.take_along_axis(rng.random((nights, epochs)) < 0.25, last // 4 * 4, axis=1)
    device = np.where(wrong, np.roll(drawn, 7, axis=1), reference).astype(np.int8)
    return reference, device
