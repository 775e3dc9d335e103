"""Budget 9: one figure, and the report of one night."""

from __future__ import annotations

from tests.performance.harness import Row, Settings, alternate, at_most, command, process, python
from tests.performance.inputs import write_nights

_FIGURE = """
import sys
from pathlib import Path
from sleepagree import align, compare, read_hypnogram
from sleepagree.figures import draw_hypnograms, save_figure
night = compare(align(reference=read_hypnogram(sys.argv[1]), device=read_hypnogram(sys.argv[2])))
axes = draw_hypnograms(night)
save_figure(axes.figure, Path(sys.argv[3]), overwrite=True)
"""
_MATPLOTLIB = "import click, numpy, matplotlib.figure, matplotlib.backends.backend_agg"
_PAGE = _MATPLOTLIB + ", matplotlib.backends.backend_svg, jinja2"


def figures_and_report(settings: Settings) -> list[Row]:
    (reference, device), *_ = write_nights(settings.folder / "pages", 1)
    picture = settings.folder / "hypnograms.png"
    out = settings.folder / "night"
    figure, bare = alternate(
        [process([*python(_FIGURE), str(reference), str(device), str(picture)]), process(python(_MATPLOTLIB))],
        repeats=2 * settings.repeats,
    )
    page, imports = alternate(
        [
            process(command("night", str(reference), str(device), "--out", str(out), "--overwrite", "--quiet")),
            process(python(_PAGE)),
        ],
        repeats=2 * settings.repeats,
    )
    return [
        at_most("9", "one PNG of a night against its bare imports", figure, bare, 1.4),
        at_most("9", "night --out with report.html and figures against its bare imports", page, imports, 1.6),
    ]
