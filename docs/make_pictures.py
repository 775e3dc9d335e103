"""Make the gallery of figures, docs/gallery.md and its pictures, from the invented study in fixtures/ferry.

python docs/make_pictures.py [FOLDER]     default: docs/pictures; a folder of one's own gets pictures only
python docs/make_pictures.py --check      says whether the page shows every figure by the call that draws it
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sleepagree import (
    NightAgreement,
    align,
    compare,
    figures,
    learn_correction,
    read_hypnogram,
    scan_clock,
    score_table,
    summarise_study,
)
from sleepagree.inference.planning import LimitsPrecision, MeanPrecision, VarianceComponents, plan_grid

ROOT = Path(__file__).parent.parent
FERRY = ROOT / "fixtures" / "ferry"
GALLERY = ROOT / "docs" / "gallery.md"

#: File, the call that draws it, and what is to be seen.
PICTURES = (
    ("hypnograms.svg", "draw_hypnograms(night)", "Hypnograms of an invented night of band A"),
    ("classes.svg", "draw_device_classes(night)", "What the reference says of each class of the device"),
    ("confusion.svg", "draw_confusion(night)", "Confusion matrix of the same night"),
    ("unreported.svg", "draw_redistribution(night)", "Where REM went"),
    ("sources.svg", "draw_bias_sources(night)", "What the bias of each class is made of"),
    ("runs.svg", "draw_run_lengths(night)", "Short and long runs of disagreement"),
    ("hours.svg", "draw_agreement_by_hour(night)", "Agreement by hour of the clock"),
    ("clock.svg", "draw_clock_curve(clock)", "Kappa against clock offset, with a clock four minutes slow"),
    ("minutes.svg", 'draw_minutes(study, device="band A")', "Total sleep time by both sides"),
    ("level.svg", 'draw_bias_against_level(study, device="band A")', "Difference against level, with limits"),
    ("normal.svg", 'draw_normal_look(study, device="band A")', "Whether differences are near a normal law"),
    ("kappas.svg", 'draw_night_kappas(study, device="pad B")', "Kappa of every night, by participant"),
    ("errors.svg", "draw_correction_errors(correction)", "Errors before and after correcting"),
    ("line.svg", 'draw_correction_line(correction, nights, "SOL")', "A correction as a line, with its interval"),
    ("reliability.svg", "draw_reliability(correction)", "Probabilities told and seen"),
    ("probabilities.png", "draw_probabilities(corrected)", "A night without a reference as probabilities"),
    ("precision.svg", 'draw_precision(grid, statistic="bias", unit="min")', "Half-width against participants"),
)

_HEAD = """# Gallery

Every figure of `sleepagree.figures`, drawn by the call above it from invented data: a night-ferry crew trying two
devices that do not exist, band A (no REM) and pad B. Made by `python docs/make_pictures.py`; do not edit. What each one
takes: [Python](python.md#figures-and-report).

`night` is a `NightAgreement`, `study` a `StudyAgreement`, `nights` what `score_table` returns, `correction` a
`Correction`, `corrected` a `CorrectedNight`, `clock` what `scan_clock` returns, `grid` a plan.
"""


def band_night(name: str) -> NightAgreement:
    """Score one night of band A."""
    device = read_hypnogram(FERRY / "band-a" / f"{name}.csv", layout=FERRY / "band-a.toml")
    return compare(align(reference=FERRY / "reference" / f"{name}.edf", device=device))


def results() -> dict[str, Any]:
    """Return what the pictures are drawn from, by the names in their calls."""
    slow = band_night("crew-2-night-3")
    nights = score_table(FERRY / "nights.csv", keep_epochs=True)
    study = summarise_study(nights)
    correction = learn_correction(nights, device="pad B")
    spans = read_hypnogram(FERRY / "pad-b" / "crew-3-night-2.csv", layout=FERRY / "pad-b.toml")
    row = next(row for row in study.devices[0].bias if row.measure == "TST")
    parts = VarianceComponents(row.limits.between_sd, row.limits.within_sd)
    return {
        "night": band_night("crew-1-night-2"),
        "clock": scan_clock(slow.paired),
        "nights": nights,
        "study": study,
        "correction": correction,
        "corrected": correction.apply(spans),
        "grid": plan_grid(
            {"bias": MeanPrecision(parts), "limits": LimitsPrecision(parts)},
            participants=range(4, 41, 2),
            nights=(1, 2, 4),
            wanted={"bias": 5.0},
        ),
    }


def pictures() -> Iterator[tuple[str, Any, str]]:
    """Yield file, axes and what is to be seen."""
    names = {name: getattr(figures, name) for name in figures.__all__} | results()
    for file, call, seen in PICTURES:
        yield file, eval(call, names), seen  # the page shows the call that was run


def gallery() -> str:
    """Return the page."""
    shown = (
        f"## {call.partition('(')[0]}\n\n`{call}`\n\n![{seen}](pictures/{file})\n" for file, call, seen in PICTURES
    )
    return "\n".join((_HEAD, *shown))


def main(folder: Path) -> None:
    """Write every picture."""
    folder.mkdir(parents=True, exist_ok=True)
    for file, ax, seen in pictures():
        target, description = folder / file, f"{seen}. Invented data."
        figures.save_figure(ax.figure, target, overwrite=True, title=seen, description=description)


if __name__ == "__main__":
    if "--check" in sys.argv[1:]:
        if GALLERY.read_text(encoding="utf-8") != gallery():
            raise SystemExit("docs/gallery.md is stale: run python docs/make_pictures.py")
    elif len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        main(ROOT / "docs" / "pictures")
        GALLERY.write_text(gallery(), encoding="utf-8")
