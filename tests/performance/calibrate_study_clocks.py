"""What the nights of a device say of its clock: ``python -m tests.performance.calibrate_study_clocks``.

Prints one line per kind of study. ``--studies 2000`` is the full run: so many studies with the right clock, a tenth of
them of each kind with a wrong one.
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
from sleepagree.study.clocks import DeviceClock, NightClock, judge_device_clock
from tests import records

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
#: Studies of a clock that nobody sets: share inside error runs, and how much it loses from night to night (s a day).
LOSING: Final = ((0.25, 20.0), (0.5, 20.0), (0.5, -10.0), (0.25, 5.0))
#: Studies in which only some nights are off by an hour: share inside error runs, and which of the nights, or people.
PARTLY: Final = ((0.5, "last third of the dates"), (0.5, "first two thirds of the dates"), (0.5, "one person of three"))


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


def is_off(which: str, night: int, nights: int) -> bool:
    """Whether a night is among those that are off by an hour."""
    if which == "one person of three":
        return night // 3 == 1
    return 3 * night >= 2 * nights if which.startswith("last") else 3 * night < 2 * nights


def study(
    seed: int, nights: int, *, slow_s: float | None, which: str = "", rate_s: float = 0.0, **options: Any
) -> tuple[DeviceClock, list[QuickOffset]]:
    """Return what is said of a device's clock after so many nights, three a participant."""
    rng = np.random.default_rng(seed)
    slow = [
        float(rng.uniform(-1200, 1200)) if slow_s is None else slow_s if not which or is_off(which, i, nights) else 0.0
        for i in range(nights)
    ]
    slow = [before + rate_s * i for i, before in enumerate(slow)]
    found = [look(seed * 1000 + i, slow_s=slow_i, **options) for i, slow_i in enumerate(slow)]
    told = [
        NightClock(
            f"P{i % 3 if 'dates' in which else i // 3}", f"2026-03-{1 + i:02d}", f.offset_s, f.peak_score, f.profile
        )
        for i, f in enumerate(found)
    ]
    return judge_device_clock(told), found


def main(studies: int, nights: int, keep: Path | None) -> None:
    """Print how often each verdict is given, and keep it."""
    began = time.perf_counter()
    kinds = [(*kind, "", 0.0) for kind in STUDIES]
    kinds += [(share, 30.0, False, 3600.0, which, 0.0) for share, which in PARTLY]
    right = sum(kind[3] == 0.0 for kind in kinds)
    kinds += [(share, 30.0, False, 0.0, "", rate_s) for share, rate_s in LOSING]
    rows = []
    for share, epoch_s, two_classes, slow_s, which, rate_s in kinds:
        options = {"share": share, "epoch_s": epoch_s, "two_classes": two_classes, "slow_s": slow_s, "which": which}
        options["rate_s"] = rate_s
        many = -(-studies // right) if slow_s == rate_s == 0.0 else max(1, studies // 10)
        read = [study(s, nights, **options) for s in range(many)]
        off = [abs(c.seconds - slow_s) for c, _ in read if slow_s and c.verdict in ("constant", "hours")]
        rows.append(
            {
                **options,
                "studies": many,
                "verdicts": dict(Counter(str(clock.verdict) or "untold" for clock, _ in read)),
                "with_parts": sum(bool(c.parts) for c, _ in read),
                "with_rates": sum(bool(c.rates) for c, _ in read),
                "rates_hold": sum(any(r.low <= rate_s <= r.high for r in c.rates) for c, _ in read) if rate_s else None,
                "parts_right": sum(is_part_right(c, which, nights) for c, _ in read) if which else None,
                "kappa": round(float(np.nanmean([f.kappa_at_zero for _, found in read for f in found])), 2),
                "furthest_off_s": max(off, default=0.0),
                "hints": dict(Counter(str(f.hint) for _, found in read for f in found)),
            }
        )
        print(rows[-1], f"[{time.perf_counter() - began:.0f} s]", flush=True)
    command = f"python -m tests.performance.calibrate_study_clocks --studies {studies}"
    records.write(keep, {"command": command, **records.about(), "nights": nights, "kinds": rows})


def is_part_right(clock: DeviceClock, which: str, nights: int) -> bool:
    """Whether the nights that are off, give or take one at either end of their dates, are named and no others."""
    off = [i for i in range(nights) if is_off(which, i, nights)]
    if len(clock.parts) != 1 or clock.parts[0].seconds != 3600.0:
        return False
    part = clock.parts[0]
    if part.participant:
        return which.startswith("one") and part.participant == "P1"
    ends = [int(day[-2:]) - 1 for day in (part.first, part.last)]
    return abs(ends[0] - off[0]) <= 1 and abs(ends[1] - off[-1]) <= 1


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--nights", type=int, default=9)
    parser.add_argument("--json", type=Path, help="keep the figures here")
    asked = parser.parse_args()
    main(asked.studies, asked.nights, asked.json)
