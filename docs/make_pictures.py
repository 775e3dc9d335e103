"""Make the pictures of the docs from the invented study in fixtures/ferry.

python docs/make_pictures.py [FOLDER]     default: docs/pictures
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sleepagree import figures
from sleepagree.cli.running import run_study
from sleepagree.hypnogram.align import align
from sleepagree.inference.planning import LimitsPrecision, MeanPrecision, VarianceComponents, plan_grid
from sleepagree.night.compare import NightAgreement, compare
from sleepagree.readers.memory import read_hypnogram
from sleepagree.scoring.clock_check import scan_clock
from sleepagree.study.from_table import StudyRequest
from sleepagree.study.run import ScoringOptions
from sleepagree.study.summarise import StudyAgreement, StudyOptions
from sleepagree.study.table import read_nights_table

ROOT = Path(__file__).parent.parent
FERRY = ROOT / "fixtures" / "ferry"


def band_night(name: str) -> NightAgreement:
    """Score one night of band A."""
    reference = read_hypnogram(FERRY / "reference" / f"{name}.edf")
    device = read_hypnogram(FERRY / "band-a" / f"{name}.csv", layout=FERRY / "band-a.toml")
    return compare(align(reference=reference, device=device))


def ferry_study() -> StudyAgreement:
    """Score the whole invented study."""
    return run_study(read_nights_table(FERRY / "nights.csv"), StudyRequest(ScoringOptions(), StudyOptions()))


def pictures() -> Iterator[tuple[str, Any, str]]:
    """Yield name, axes and what is to be seen."""
    night = band_night("crew-1-night-2")
    yield "hypnograms", figures.draw_hypnograms(night), "Hypnograms of an invented night of band A"
    yield "confusion", figures.draw_confusion(night), "Confusion matrix of the same night"
    yield "unreported", figures.draw_redistribution(night), "Where REM went"
    yield "sources", figures.draw_bias_sources(night), "What the bias of each class is made of"
    yield "runs", figures.draw_run_lengths(night), "Short and long runs of disagreement"
    yield "hours", figures.draw_agreement_by_hour(night), "Agreement by hour of the clock"

    slow = band_night("crew-2-night-3")
    reading = scan_clock(slow.paired, slow.mappings[0].mapping)
    yield "clock", figures.draw_clock_curve(reading), "Kappa against clock offset, with a clock four minutes slow"

    study = ferry_study()
    device = study.devices[0]
    row = next(row for row in device.bias if row.measure == "TST")
    yield "minutes", figures.draw_minutes(study, device=device.device), "Total sleep time by both sides"
    level = figures.draw_bias_against_level(study, device=device.device)
    yield "level", level, "Difference against level, with limits"
    parts = VarianceComponents(row.limits.between_sd, row.limits.within_sd)
    grid = plan_grid(
        {"bias": MeanPrecision(parts), "limits": LimitsPrecision(parts)},
        participants=range(4, 41, 2),
        nights=(1, 2, 4),
        wanted={"bias": 5.0},
    )
    yield "precision", figures.draw_precision(grid, statistic="bias", unit="min"), "Half-width against participants"


def main(folder: Path) -> None:
    """Write every picture."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, ax, title in pictures():
        target, description = folder / f"{name}.svg", f"{title}. Invented data."
        figures.save_figure(ax.figure, target, overwrite=True, title=title, description=description)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures")
