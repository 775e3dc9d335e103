"""Invented nights and studies for the tests of figures, reports and sentences."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache

import numpy as np
from generated import FIVE, err_in_runs, generate_stages

from sleepagree.hypnogram.align import align
from sleepagree.night.compare import NightAgreement, compare
from sleepagree.readers.memory import read_hypnogram

BEGIN = datetime(2026, 4, 14, 22, 41, 30)

#: A file name that is markup, a formula, a template and an end of a script at once.
HOSTILE = "<img src=x onerror=alert(1)>$x^2${{7*7}}</script>&.csv"


def invented_night(
    *,
    seed: int = 4,
    epochs: int = 600,
    rem: bool = True,
    gaps: bool = True,
    labels: tuple[str, ...] = ("Up", "Doze", "Deep", "Dream"),
    reference_name: str = "crew-1.edf",
    device_name: str = "band.csv",
    start: datetime | None = BEGIN,
) -> NightAgreement:
    """Return a night; without ``rem`` the device says deep where it should say REM."""
    rng = np.random.default_rng(seed)
    reference = generate_stages(rng, epochs=epochs)
    said = err_in_runs(rng, reference, error_share=0.3)
    of_stage = [labels[0], labels[1], labels[1], labels[2], labels[3] if rem else labels[2]]
    device: list[str | None] = [of_stage[s] for s in said]
    scored: list[str | None] = [FIVE[s] for s in reference]
    if gaps:
        device[100:140] = [None] * 40
        scored[300:310] = ["?"] * 10
    words = dict(zip(labels, ("wake", "light", "deep", "rem"), strict=True))
    reports = ["wake", "light", "deep", "rem"] if rem else ["wake", "light", "deep"]
    stages = {label: word for label, word in words.items() if rem or word != "rem"}
    return compare(
        align(
            reference=read_hypnogram(scored, start=start, name=reference_name, reports=FIVE),
            device=read_hypnogram(device, start=start, name=device_name, stages=stages, reports=reports),
        ),
    )


@lru_cache(maxsize=4)
def night_with_rem() -> NightAgreement:
    """Return a night of a device that can report REM."""
    return invented_night()


@lru_cache(maxsize=4)
def night_without_rem() -> NightAgreement:
    """Return a night of a device that cannot."""
    return invented_night(rem=False)
