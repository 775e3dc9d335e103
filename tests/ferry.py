"""Invented studies for tests: summaries of simulated nights, and small folders of files."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from sleepagree.hypnogram.align import align
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study.demo.simulate import AASM_STAGES, BAND_A, PAD_B, generator, simulate_study
from sleepagree.study.night_summary import NightSummary, summarise_night

FERRY = Path(__file__).parent.parent / "fixtures" / "ferry"


def simulated_nights(participants: int = 5, nights: int = 2, *, seed: int = 3) -> list[NightSummary]:
    """Return summaries of both invented devices on every night."""
    study = simulate_study(rng=generator(seed), participants=participants, nights=nights, devices=(BAND_A, PAD_B))
    out = []
    for i, length in enumerate(study.epochs.tolist()):
        reference = read_hypnogram(named(study.reference[i, :length], AASM_STAGES))
        for codes, traits, name in zip(study.devices, (BAND_A, PAD_B), ("band A", "pad B"), strict=True):
            device = read_hypnogram(named(codes[i, :length], traits.labels), reports=traits.labels)
            paired = align(reference=reference, device=device)
            who = f"crew-{study.participant[i]}"
            out.append(
                summarise_night(paired, row=len(out) + 2, participant=who, night=str(study.night[i]), device=name)
            )
    return out


def named(codes: np.ndarray, labels: tuple[str, ...]) -> list[str | None]:
    return [None if code < 0 else labels[code] for code in codes.tolist()]


def copy_ferry(folder: Path) -> Path:
    """Copy the fixture study; return its nights table."""
    shutil.copytree(FERRY, folder)
    return folder / "nights.csv"
