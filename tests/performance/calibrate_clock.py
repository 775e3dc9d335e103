"""How often the clock reading is right, on simulated pairs: ``python -m tests.performance.calibrate_clock``.

Prints one line per question. Takes some minutes; the tests ask the same with fewer pairs.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import simulated

from sleepagree.inference.resampling import rng_for
from sleepagree.scoring.clock import ClockReading, scan_codes
from sleepagree.scoring.clock_check import drop_uncertain_hint
from sleepagree.scoring.offsets import ClockHint, QuickOffset, quick_offset
from tests import records


def read_pair(
    seed: int,
    *,
    related: bool,
    share: float = 0.25,
    clock_slow_s: float = 0.0,
    drift_s_per_h: float = 0.0,
    device_epoch_s: float = 30.0,
    hours: float = 8.0,
    resamples: int = 300,
) -> ClockReading:
    """Return the reading of one simulated pair."""
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng, hours=hours)
    other = truth if related else simulated.simulate_sleep(rng, hours=hours)
    reference = simulated.score_epochs(truth)
    device = simulated.score_epochs(
        other, clock_slow_s=clock_slow_s, drift_s_per_h=drift_s_per_h, epoch_s=device_epoch_s
    )
    run = max(1.0, 180.0 / device_epoch_s)
    device = simulated.add_error_runs(device, rng, share=share, mean_run_epochs=run)
    return scan_codes(
        simulated.spread_fine(reference),
        simulated.spread_fine(device, epoch_s=device_epoch_s),
        simulated.CLASSES,
        mapping="simulated",
        rng=rng_for(seed, "clock"),
        resamples=resamples,
    )


def quick_look(
    seed: int,
    *,
    related: bool = True,
    share: float = 0.25,
    clock_slow_s: float = 0.0,
    device_epoch_s: float = 30.0,
    run_s: float = 180.0,
    two_classes: bool = False,
) -> QuickOffset:
    """Return the cheap look that every night gets at one simulated pair."""
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    other = truth if related else simulated.simulate_sleep(rng)
    reference = simulated.score_epochs(truth)
    device = simulated.score_epochs(other, clock_slow_s=clock_slow_s, epoch_s=device_epoch_s)
    device = simulated.add_error_runs(device, rng, share=share, mean_run_epochs=max(1.0, run_s / device_epoch_s))
    device = np.repeat(device, round(device_epoch_s / 30))[: reference.size]
    classes = simulated.CLASSES
    if two_classes:
        reference, device, classes = np.minimum(reference, 1), np.minimum(device, 1), 2
    return drop_uncertain_hint(quick_offset(reference, device, classes), reference, device, classes)


def look_quickly(pairs: int, say: Callable[[str], None]) -> list[dict[str, Any]]:
    """Print how often the cheap look hints at what, and return it."""
    rows = []
    for two_classes in (False, True):
        for what, options in (*_LOOKS, *_POOR):
            found = [quick_look(5000 + s, two_classes=two_classes, **options) for s in range(pairs)]
            wanted = options.get("clock_slow_s", 0.0)
            gain = np.mean([abs(f.offset_s) >= 60 and f.gain >= 0.03 for f in found])
            shares = {str(hint): float(np.mean([f.hint is hint for f in found])) for hint in ClockHint}
            kappa = round(float(np.nanmean([f.kappa_at_zero for f in found])), 3)
            rows.append({**options, "two_classes": two_classes, "pairs": pairs, "kappa": kappa, "hints": shares})
            right = np.mean(
                [
                    abs((f.zone_s if f.hint is ClockHint.ZONE else f.offset_s) - wanted) <= 60
                    for f in found
                    if f.hint in (ClockHint.ZONE, ClockHint.OFFSET)
                ]
                or [np.nan]
            )
            listing = ", ".join(f"{name} {share:.3f}" for name, share in shares.items())
            say(
                f"quick look, {2 if two_classes else 4} classes, {what}: {listing}; right among offsets and zones "
                f"{right:.2f}; a gain alone {gain:.3f}; kappa {kappa}"
            )
    return rows


_LOOKS: Final[tuple[tuple[str, dict[str, Any]], ...]] = (
    ("unrelated", {"related": False}),
    ("unrelated, device epochs 300 s", {"related": False, "device_epoch_s": 300.0}),
    *((f"clock slow +2700 s, errors {share:g}", {"clock_slow_s": 2700.0, "share": share}) for share in (0.25, 0.5)),
    *(
        (f"clock slow {slow:+g} s, errors {share:g}, device epochs {epoch_s:g} s", options)
        for slow in (0.0, 240.0, 3600.0)
        for share, epoch_s in ((0.25, 30.0), (0.5, 30.0), (0.7, 30.0), (0.5, 60.0), (0.25, 300.0))
        for options in ({"clock_slow_s": slow, "share": share, "device_epoch_s": epoch_s},)
    ),
)
#: Right clocks of devices whose kappa is 0.05 to 0.3.
_POOR: Final[tuple[tuple[str, dict[str, Any]], ...]] = tuple(
    (f"right clock, errors {share:g} in runs of {run_s:g} s, device epochs {epoch_s:g} s", options)
    for share in (0.7, 0.8, 0.9)
    for run_s in (180.0, 900.0)
    for epoch_s in (30.0, 300.0)
    if (share, run_s, epoch_s) != (0.7, 180.0, 30.0)
    for options in ({"share": share, "run_s": run_s, "device_epoch_s": epoch_s},)
)


def main(pairs: int, *, unrelated_only: bool, quick_only: bool, keep: Path | None) -> None:
    """Print the figures, and keep how often an offset was proposed for nights that have none."""
    began = time.perf_counter()
    unrelated = []

    def say(text: str) -> None:
        print(f"{text}   [{time.perf_counter() - began:.0f} s]", flush=True)

    if quick_only:
        rows = look_quickly(pairs, say)
        command = f"python -m tests.performance.calibrate_clock --pairs {pairs} --quick-only"
        records.write(keep, {"command": command, **records.about(), "kinds": rows})
        return
    for hours in (8.0, 4.0):
        for epoch_s in (30.0, 300.0):
            readings = [
                read_pair(seed, related=False, hours=hours, device_epoch_s=epoch_s, resamples=50)
                for seed in range(pairs)
            ]
            scores = [reading.peak_score for reading in readings]
            unrelated.append(
                {
                    "hours": hours,
                    "device_epoch_s": epoch_s,
                    "pairs": pairs,
                    "proposed": sum(r.proposed for r in readings),
                    "highest_score": max(scores),
                }
            )
            say(
                f"unrelated, {hours:g} h, device epochs {epoch_s:g} s: proposed "
                f"{sum(r.proposed for r in readings)} of {pairs}; peak score 50/95/99/100 %: "
                f"{np.quantile(scores, (0.5, 0.95, 0.99, 1.0)).round(2).tolist()}"
            )
    if keep is not None:
        command = f"python -m tests.performance.calibrate_clock --pairs {pairs} --unrelated-only"
        records.write(keep, {"command": command, **records.about(), "unrelated": unrelated})
    if unrelated_only:
        return
    look_quickly(pairs, say)
    few = max(20, pairs // 5)
    for share in (0.25, 0.5, 0.7):
        for epoch_s in (30.0, 300.0):
            for slow in (0.0, 240.0, 247.0, -95.0):
                readings = [
                    read_pair(1000 + seed, related=True, share=share, clock_slow_s=slow, device_epoch_s=epoch_s)
                    for seed in range(few)
                ]
                off = np.array([r.offset_s for r in readings]) - slow
                covered = np.mean([r.low_s <= slow <= r.high_s for r in readings])
                still = np.mean([r.drift_low <= 0 <= r.drift_high for r in readings if r.peak_score >= 5.5])
                say(
                    f"errors {share:g}, device epochs {epoch_s:g} s, slow {slow:+g} s: proposed "
                    f"{np.mean([r.proposed for r in readings]):.2f}; error median {np.median(off):+.0f}, "
                    f"90 % within {np.quantile(np.abs(off), 0.9):.0f} s; interval covers {covered:.2f}; "
                    f"drift interval covers 0 {still:.2f}; lowest score {min(r.peak_score for r in readings):.1f}"
                )
    for drift in (5.0, 20.0, -20.0, 40.0):
        readings = [read_pair(2000 + seed, related=True, clock_slow_s=60.0, drift_s_per_h=drift) for seed in range(few)]
        found = np.array([r.drift_s_per_h for r in readings])
        covered = np.mean([r.drift_low <= drift <= r.drift_high for r in readings])
        say(
            f"drift {drift:+g} s/h: median {np.nanmedian(found):+.1f}; within 20 %: "
            f"{np.mean(np.abs(found - drift) <= 0.2 * abs(drift)):.2f}; interval covers {covered:.2f}; "
            f"offset at the middle {np.nanmedian([r.offset_at_middle_s for r in readings]):+.0f} s (60 put in)"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=500)
    parser.add_argument("--unrelated-only", action="store_true", help="pairs of unrelated nights only")
    parser.add_argument("--quick-only", action="store_true", help="only the cheap look that every night gets")
    parser.add_argument("--json", type=Path, help="keep the figures of unrelated nights, or of the cheap look, here")
    asked = parser.parse_args()
    main(asked.pairs, unrelated_only=asked.unrelated_only, quick_only=asked.quick_only, keep=asked.json)
