"""What the nights of a device say of its clock: ``python -m tests.performance.calibrate_study_clocks``.

Prints one line per kind of study; ``--studies 2000`` is the full run, which takes some twenty minutes.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import simulated

from sleepagree.scoring.clock_check import drop_uncertain_hint
from sleepagree.scoring.offsets import QuickOffset, quick_offset
from sleepagree.study.clocks import DeviceClock, NightClock, read_device_clock

#: Share inside error runs, device epochs (s), two classes, clock slow by (s; None: another one every night).
STUDIES: Final[tuple[tuple[float, float, bool, float | None], ...]] = (
    (0.25, 30.0, False, 0.0),
    (0.5, 30.0, False, 0.0),
    (0.7, 30.0, False, 0.0),
    (0.9, 30.0, False, 0.0),
    (0.5, 60.0, False, 0.0),
    (0.25, 300.0, True, 0.0),
    (0.7, 30.0, True, 0.0),
    (0.5, 30.0, False, 3600.0),
    (0.7, 30.0, False, 3600.0),
    (0.7, 30.0, False, -7200.0),
    (0.7, 30.0, True, 3600.0),
    (0.5, 30.0, False, 120.0),
    (0.7, 30.0, False, 240.0),
    (0.5, 30.0, False, None),
)


def look(seed: int, *, share: float, epoch_s: float, two_classes: bool, slow_s: float) -> QuickOffset:
    """Return the look at one simulated night."""
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    reference = simulated.score_epochs(truth)
    device = simulated.score_epochs(truth, clock_slow_s=slow_s, epoch_s=epoch_s)
    device = simulated.add_error_runs(device, rng, share=share, mean_run_epochs=max(1.0, 180.0 / epoch_s))
    device = np.repeat(device, round(epoch_s / 30))[: reference.size]
    classes = simulated.CLASSES
    if two_classes:
        reference, device, classes = np.minimum(reference, 1), np.minimum(device, 1), 2
    return drop_uncertain_hint(quick_offset(reference, device, classes), reference, device, classes)


def study(seed: int, nights: int, *, slow_s: float | None, **options: Any) -> tuple[DeviceClock, list[QuickOffset]]:
    """Return what is said of a device's clock after so many nights, three a participant."""
    rng = np.random.default_rng(seed)
    found = [
        look(seed * 1000 + i, slow_s=float(rng.uniform(-1200, 1200)) if slow_s is None else slow_s, **options)
        for i in range(nights)
    ]
    told = [
        NightClock(f"P{i // 3}", f"2026-03-{1 + i:02d}", f.offset_s, f.peak_score, f.profile)
        for i, f in enumerate(found)
    ]
    return read_device_clock(told), found


def main(studies: int, nights: int) -> None:
    """Print how often each verdict is given."""
    began = time.perf_counter()
    for share, epoch_s, two_classes, slow_s in STUDIES:
        options = {"share": share, "epoch_s": epoch_s, "two_classes": two_classes, "slow_s": slow_s}
        read = [study(s, nights, **options) for s in range(studies)]
        verdicts = Counter(str(clock.verdict) or "untold" for clock, _ in read)
        off = [abs(c.seconds - slow_s) for c, _ in read if slow_s and c.verdict in ("constant", "hours")]
        kappa = np.nanmean([f.kappa_at_zero for _, found in read for f in found])
        hints = Counter(str(f.hint) for _, found in read for f in found)
        slow = "another one every night" if slow_s is None else f"{slow_s:+g} s"
        print(
            f"errors {share:g}, epochs {epoch_s:g} s, {2 if two_classes else 4} classes, clock {slow}: "
            f"{dict(verdicts)}, with parts {sum(bool(c.parts) for c, _ in read)}, kappa as recorded {kappa:.2f}, "
            f"furthest off {max(off, default=0.0):.0f} s; nights {dict(hints)}   [{time.perf_counter() - began:.0f} s]",
            flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--nights", type=int, default=9)
    asked = parser.parse_args()
    main(asked.studies, asked.nights)
