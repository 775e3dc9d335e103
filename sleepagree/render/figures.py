"""From the place of a figure to its drawing: which function draws it, and what a page needs of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree

from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawn

from sleepagree import figures
from sleepagree.describe.blocks import Figure, FigureKind
from sleepagree.errors import shorten
from sleepagree.figures.drawing import figure_of
from sleepagree.figures.hypnograms import CODE_WORDS, clock_ticks, compare_epochs, lanes_of, runs_of
from sleepagree.figures.saving import figure_bytes, page_drawing, svg_file, svg_tree
from sleepagree.figures.style import house_style
from sleepagree.night.compare import NightAgreement

_FIVE_MINUTES_S: Final = 300.0


@dataclass(frozen=True)
class Drawing:
    """A drawn figure.

    Parameters
    ----------
    figure : matplotlib Figure
        What was drawn.
    tree : Element
        It as SVG.
    svg : str
        The elements of that for a page, every text in them escaped.
    width, height : float
        Points.
    trace : str
        JSON for looking at single epochs, fit to stand in a script element; "" without.
    """

    figure: Drawn
    tree: ElementTree.Element
    svg: str
    width: float
    height: float
    trace: str = ""


@house_style()
def draw_figures(wanted: Sequence[Figure]) -> dict[str, Drawing]:
    """Return figures as they stand in a page, by their names."""
    return {figure.name: _drawing(figure) for figure in wanted}


def _drawing(figure: Figure) -> Drawing:
    drawn = figure_of(_draw(figure.kind, figure.subject))
    width, height = (float(inches * 72) for inches in drawn.get_size_inches())
    trace = script_json(_trace(figure.subject)) if figure.kind is FigureKind.HYPNOGRAMS else ""
    tree = svg_tree(drawn)
    return Drawing(drawn, tree, page_drawing(tree, prefix=figure.name), width, height, trace)


def figure_file(figure: Figure, drawing: Drawing, form: str = "svg") -> bytes:
    """Return a figure as a file of one form, an SVG with its alternative text."""
    if form == "svg":
        return svg_file(drawing.tree, title=figure.title, description=figure.description)
    with house_style():
        return figure_bytes(drawing.figure, form)


def _draw(kind: FigureKind, subject: Any) -> Axes:
    """Return the axes of a figure; the function that draws a kind has its name."""
    draw = getattr(figures, f"draw_{kind.name.lower()}")
    axes: Axes = draw(**subject) if isinstance(subject, dict) else draw(subject)
    return axes


def _trace(night: NightAgreement) -> dict[str, Any]:
    """Return runs of both sides, for looking at single epochs."""
    paired = night.paired
    ticks, labels, _ = clock_ticks(paired, step_s=_FIVE_MINUTES_S)
    data: dict[str, Any] = {
        "epochs": int(paired.status.size),
        "ticks": [[round(p, 3), text] for p, text in zip(ticks, labels, strict=True)],
        "begin": f"{paired.begin:%H:%M:%S}" if paired.begin else "",
        "epochSeconds": paired.epoch_s,
        "words": {},
        "runs": {},
    }
    for side, lane in zip(("reference", "device"), lanes_of(paired), strict=True):
        begin, _, row = runs_of(lane.codes)
        data["words"][side] = [*(shorten(word) for word in lane.words), "gap"]
        data["runs"][side] = [[int(b), int(r)] for b, r in zip(begin, row, strict=True)]
    begin, _, code = runs_of(compare_epochs(paired, night.mappings[0].mapping))
    data["words"]["verdict"] = CODE_WORDS
    data["runs"]["verdict"] = [[int(b), int(c)] for b, c in zip(begin, code, strict=True)]
    return data


def script_json(data: Any) -> str:
    """Return JSON that cannot end the script element it stands in, whatever a label holds."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True)
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
