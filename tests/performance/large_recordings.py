"""Budget 7: annotations inside a full recording of 300 MB."""

from __future__ import annotations

import warnings
from datetime import datetime

import edfio
import mne
import numpy as np

from sleepagree.readers.edf.recording import read_edf
from sleepagree.study.demo.simulate import AASM_STAGES
from tests.performance.harness import MIB, Row, Settings, alternate, at_least, memory_row, used_memory
from tests.performance.inputs import TEXTS, runs, simulated

_MEMORY = """
from pathlib import Path
from sleepagree.readers.edf.recording import read_edf
begin()
read_edf(Path({path!r}))
"""


def annotations(settings: Settings) -> list[Row]:
    path = settings.folder / "recording.edf"
    hours, channels = settings.size(8, 1), settings.size(20, 1)
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 20, 256 * 3600 * hours)
    signals = [edfio.EdfSignal(noise, 256, label=f"EEG {i}", physical_range=(-300, 300)) for i in range(channels)]
    stages = simulated(1).reference[0][: 120 * hours]
    notes = [edfio.EdfAnnotation(a * 30, (b - a) * 30, TEXTS[AASM_STAGES[c]]) for a, b, c in runs(stages)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        edfio.Edf(
            signals,
            annotations=notes,
            recording=edfio.Recording(startdate=datetime(2026, 3, 1).date()),
            starttime=datetime(2026, 3, 1, 22, 30).time(),
        ).write(path)
    del signals, noise

    def general() -> None:
        mne.read_annotations(path)

    fast, slow = alternate([lambda: read_edf(path), general], repeats=settings.repeats)
    used = used_memory(_MEMORY.format(path=str(path)))
    size = path.stat().st_size / MIB
    path.unlink()
    return [
        at_least("7", f"annotations in a recording of {size:.0f} MiB against mne", fast, slow, 10),
        memory_row("7", "memory above imports", used, 10 * MIB),
    ]
