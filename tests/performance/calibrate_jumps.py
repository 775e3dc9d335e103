"""How often a jump of the clock is told, and told right: ``python -m tests.performance.calibrate_jumps``.

Prints one line per kind of night. Some nine minutes with 200 nights of each kind.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import simulated

from sleepagree.scoring.clock_blocks import ClockJump, best_jump
from tests import records

#: How long runs of errors are on average (s), where nothing else is said.
RUN_S: Final = 180.0
#: Nights without a jump: share inside error runs, device epochs (s), clock slow by (s), drift (s/h), same person,
#: length of runs (s).
WITHOUT: Final[tuple[tuple[float, float, float, float, bool, float], ...]] = (
    *((share, 30.0, 0.0, 0.0, True, RUN_S) for share in (0.25, 0.5, 0.7, 0.9)),
    (0.25, 300.0, 0.0, 0.0, True, RUN_S),
    (0.5, 30.0, 240.0, 0.0, True, RUN_S),
    (0.25, 30.0, 0.0, 20.0, True, RUN_S),
    (0.25, 30.0, 0.0, 40.0, True, RUN_S),
    (0.5, 30.0, 0.0, 40.0, True, RUN_S),
    (0.25, 30.0, 0.0, 0.0, False, RUN_S),
    *((share, 30.0, 0.0, 0.0, True, run_s) for run_s in (600.0, 1200.0) for share in (0.25, 0.5, 0.7)),
    *((0.5, 30.0, 240.0, 0.0, True, run_s) for run_s in (600.0, 1200.0)),
)
#: Nights with a jump, 2 to 6 h after their begin: how much slower the clock gets (s), share inside error runs.
WITH: Final = tuple(
    (jump, share)
    for jump in (120.0, 300.0, 600.0, 3600.0, 7200.0, -600.0, -3600.0, -7200.0)
    for share in (0.25, 0.5, 0.7)
)


def without_jump(
    seed: int, share: float, epoch_s: float, slow_s: float, drift: float, is_related: bool, run_s: float
) -> ClockJump | None:
    """Return what is found in a night without a jump."""
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    other = truth if is_related else simulated.simulate_sleep(rng)
    device = simulated.score_epochs(other, clock_slow_s=slow_s, drift_s_per_h=drift, epoch_s=epoch_s)
    device = simulated.add_error_runs(device, rng, share=share, mean_run_epochs=max(1.0, run_s / epoch_s))
    reference = simulated.score_epochs(truth)
    return best_jump(reference, np.repeat(device, round(epoch_s / 30))[: reference.size], simulated.CLASSES)


def with_jump(seed: int, jump_s: float, share: float) -> tuple[ClockJump | None, float]:
    """Return what is found in a night with a jump, and where it is (s)."""
    rng = np.random.default_rng(seed)
    truth = simulated.simulate_sleep(rng)
    at_s = 30.0 * round(rng.uniform(2.0, 6.0) * 120)
    device = simulated.score_with_jump(truth, jump_s=jump_s, at_s=at_s)
    device = simulated.add_error_runs(device, rng, share=share)
    return best_jump(simulated.score_epochs(truth), device, simulated.CLASSES), at_s


def main(nights: int, keep: Path | None) -> None:
    """Print the figures of each kind, and keep them."""
    quiet: list[dict[str, Any]] = []
    for kind in WITHOUT:
        found = [without_jump(seed, *kind) for seed in range(nights)]
        names = ("errors", "device_epoch_s", "slow_s", "drift_s_per_h", "related", "run_s")
        told = sum(jump is not None and jump.stands_out for jump in found)
        quiet.append({**dict(zip(names, kind, strict=True)), "told": told})
        print(quiet[-1], flush=True)
    jumping: list[dict[str, Any]] = []
    for jump_s, share in WITH:
        pairs = [with_jump(10_000 + seed, jump_s, share) for seed in range(nights)]
        told_at = [(jump, at_s) for jump, at_s in pairs if jump is not None and jump.stands_out]
        right = [
            (jump, at_s) for jump, at_s in told_at if abs(jump.before_s) <= 30 and abs(jump.after_s - jump_s) <= 30
        ]
        off_min = [abs(jump.at_s - at_s) / 60 for jump, at_s in right]
        jumping.append(
            {
                "jump_s": jump_s,
                "errors": share,
                "told": len(told_at),
                "right": len(right),
                "off_median_min": round(float(np.median(off_min)), 1) if right else None,
                "inside": sum(jump.at_low_s <= at_s <= jump.at_high_s for jump, at_s in right),
                "width_median_min": round(float(np.median([j.at_high_s - j.at_low_s for j, _ in right]) / 60), 1)
                if right
                else None,
            }
        )
        print(jumping[-1], flush=True)
    command = f"python -m tests.performance.calibrate_jumps --nights {nights}"
    record = {"command": command, **records.about(), "nights": nights, "without": quiet, "with": jumping}
    records.write(keep, record)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--json", type=Path, help="keep the figures here")
    asked = parser.parse_args()
    main(asked.nights, asked.json)
