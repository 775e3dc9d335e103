"""Short nights written out for tests: "W*2 N2 ?" is two epochs of wake, one of N2 and one that is unscored."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sleepagree.hypnogram.align import PairedNight, align
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.memory import read_hypnogram

BED_TIME = datetime(2026, 3, 1, 22, 30)


def epochs(text: str) -> list[str | None]:
    """Return one label per epoch; ``-`` is a gap."""
    out: list[str | None] = []
    for part in text.split():
        label, _, times = part.partition("*")
        out += [None if label == "-" else label.replace("_", " ")] * int(times or 1)
    return out


def side(text: str, **options: Any) -> ScoredSpans:
    """Return a side whose first epoch begins at bed time."""
    return read_hypnogram(epochs(text), **{"start": BED_TIME, **options})


def pair(reference: str | ScoredSpans, device: str | ScoredSpans, **options: Any) -> PairedNight:
    """Align two sides that begin together."""
    return align(
        reference=side(reference) if isinstance(reference, str) else reference,
        device=side(device) if isinstance(device, str) else device,
        **options,
    )
