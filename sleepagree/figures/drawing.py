"""What all figures share: style without global state, boxes as one path, letters that are never a formula, saving.

The object interface only: a `Figure` is made here, never by pyplot, so nothing is kept, shown or leaked. Settings
hold inside `figure_style` and nowhere else.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar, cast

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from numpy.typing import ArrayLike, NDArray

from sleepagree.errors import shorten
from sleepagree.figures.palette import GRID, INK, MUTED, PAPER, Shade
from sleepagree.figures.sizes import LETTER_POINTS, LINE_POINTS, MM_PER_INCH, SMALL_LETTER_POINTS, FigureSize

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

FONT: Final = "DejaVu Sans"  # comes with matplotlib, so that a figure is the same on every machine

#: Every setting that a user's own matplotlibrc might change under us, beside the style itself.
_STYLE: Final[dict[str, Any]] = {
    "font.family": [FONT],
    "font.size": LETTER_POINTS,
    "font.weight": "normal",
    "text.color": INK.light,
    "text.usetex": False,
    "text.parse_math": False,
    "mathtext.default": "regular",
    "axes.formatter.use_mathtext": False,
    "axes.formatter.use_locale": False,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": True,
    "axes.facecolor": "none",
    "axes.edgecolor": MUTED.light,
    "axes.labelcolor": INK.light,
    "axes.labelsize": LETTER_POINTS,
    "axes.labelpad": 3.0,
    "axes.linewidth": LINE_POINTS,
    "axes.grid": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.xmargin": 0.02,
    "axes.ymargin": 0.04,
    "axes.autolimit_mode": "data",
    "xtick.color": MUTED.light,
    "ytick.color": MUTED.light,
    "xtick.labelcolor": INK.light,
    "ytick.labelcolor": INK.light,
    "xtick.labelsize": LETTER_POINTS,
    "ytick.labelsize": LETTER_POINTS,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "xtick.major.width": LINE_POINTS,
    "ytick.major.width": LINE_POINTS,
    "xtick.major.pad": 2.0,
    "ytick.major.pad": 2.0,
    "xtick.top": False,
    "ytick.right": False,
    "lines.linewidth": 1.2,
    "lines.solid_capstyle": "butt",
    "lines.dash_capstyle": "butt",
    "lines.antialiased": True,
    "patch.linewidth": 0.0,
    "patch.antialiased": True,
    "patch.force_edgecolor": False,
    "path.effects": [],
    "path.sketch": None,
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "figure.facecolor": PAPER.light,
    "figure.dpi": 100,
    "savefig.bbox": None,
    "savefig.dpi": "figure",
    "savefig.facecolor": "auto",
    "savefig.transparent": False,
    "svg.hashsalt": "sleepagree",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "pdf.compression": 6,
}


@contextmanager
def figure_style(**more: Any) -> Iterator[None]:
    """Hold our settings while figures are drawn or saved, and put back what was there before."""
    with mpl.rc_context(cast(Any, {**_STYLE, **more})):
        yield


def styled(draw: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Run a drawing function inside `figure_style`."""

    @wraps(draw)
    def drawn(*args: Parameters.args, **kwargs: Parameters.kwargs) -> Result:
        with figure_style():
            return draw(*args, **kwargs)

    return drawn


def axes_for(ax: Axes | None, size: FigureSize, *, left: float, bottom: float, right: float, top: float) -> Axes:
    """Return ``ax``, or the axes of a new figure with these margins in millimetres."""
    if ax is not None:
        return ax
    figure = Figure(figsize=size.inches)
    width, height = size.width_mm, size.height_mm
    return figure.add_axes((left / width, bottom / height, 1 - (left + right) / width, 1 - (bottom + top) / height))


def figure_of(ax: Axes) -> Figure:
    """Return the figure that an axes stands in."""
    owner = ax.figure
    return owner if isinstance(owner, Figure) else owner.figure


def printable(text: str) -> str:
    """Return a label as it may stand in a figure: printable, at most 80 characters."""
    return shorten(text)


def write(
    ax: Axes, x: float, y: float, text: str, *, shade: Shade = INK, size: float = LETTER_POINTS, **how: Any
) -> Text:
    """Write text that is never read as a formula, whatever dollar signs it holds."""
    written = ax.text(x, y, printable(text), color=shade.light, fontsize=size, **how)
    written.set_parse_math(False)
    return written


def name_ticks(axis: Axis, positions: Sequence[float], texts: Sequence[str]) -> None:
    """Put ticks with texts, none of them read as a formula."""
    axis.set_ticks(list(positions), [printable(text) for text in texts])
    for tick in axis.get_major_ticks():
        for label in (tick.label1, tick.label2):
            label.set_parse_math(False)


def name_axis(ax: Axes, *, x: str = "", y: str = "") -> None:
    """Name the axes."""
    for name, put in ((x, ax.set_xlabel), (y, ax.set_ylabel)):
        if name:
            put(printable(name)).set_parse_math(False)


def grid_lines(ax: Axes, axis: str) -> None:
    """Draw quiet lines at the ticks of one axis, behind everything."""
    ax.set_axisbelow(True)
    ax.grid(visible=True, axis=cast(Any, axis), color=GRID.light, linewidth=0.5)


def box_outline(left: ArrayLike, right: ArrayLike, bottom: ArrayLike, top: ArrayLike) -> Outline:
    """Return many rectangles as one path: one element of a file instead of hundreds."""
    x0, x1, y0, y1 = np.broadcast_arrays(*(np.asarray(a, float) for a in (left, right, bottom, top)))
    corners: NDArray[np.float64] = np.empty((x0.size, 5, 2))
    corners[:, :, 0] = np.stack([x0, x0, x1, x1, x0], axis=-1).reshape(-1, 5)
    corners[:, :, 1] = np.stack([y0, y1, y1, y0, y0], axis=-1).reshape(-1, 5)
    codes = np.tile(np.array([Outline.MOVETO, *[Outline.LINETO] * 3, Outline.CLOSEPOLY], np.uint8), x0.size)
    return Outline(corners.reshape(-1, 2), codes)


def draw_boxes(
    ax: Axes,
    left: ArrayLike,
    right: ArrayLike,
    bottom: ArrayLike,
    top: ArrayLike,
    *,
    shade: Shade,
    name: str = "",
    **how: Any,
) -> PathPatch:
    """Draw many rectangles of one colour."""
    patch = PathPatch(box_outline(left, right, bottom, top), facecolor=shade.light, edgecolor="none", **how)
    if name:
        patch.set_gid(name)
    ax.add_patch(patch)
    return patch


def key_below(ax: Axes, entries: Sequence[tuple[Shade, str]], *, height: float) -> None:
    """Write what colours mean, to the right under the axes.

    Parameters
    ----------
    ax : Axes
        The axes.
    entries : sequence of (Shade, str)
        Colour and meaning, in order.
    height : float
        Height of the line's middle as a share of the axes' height, below 0.
    """
    from matplotlib.patches import Patch

    key = ax.legend(
        [Patch(facecolor=shade.light) for shade, _ in entries],
        [printable(text) for _, text in entries],
        loc="center right",
        bbox_to_anchor=(1.0, height),
        ncols=len(entries),
        frameon=False,
        fontsize=SMALL_LETTER_POINTS,
        handlelength=1.0,
        handleheight=0.9,
        handletextpad=0.4,
        columnspacing=1.2,
        borderpad=0.0,
        borderaxespad=0.0,
    )
    for text in key.get_texts():
        text.set_parse_math(False)


# --- saving -----------------------------------------------------------------------------------------------

_METADATA: Final[dict[str, dict[str, Any]]] = {
    "svg": {"Date": None},
    "pdf": {"CreationDate": None},
    "png": {},
}
PNG_DPI: Final = 300


def figure_bytes(figure: Figure, form: str) -> bytes:
    """Return a figure as the bytes of a file; the same bytes for the same figure.

    Parameters
    ----------
    figure : Figure
        The figure.
    form : str
        ``"svg"`` (letters as outlines), ``"pdf"`` (fonts embedded) or ``"png"`` (300 dots per inch).

    Raises
    ------
    ValueError
        When ``form`` is none of these.
    """
    if form not in _METADATA:
        raise ValueError(f"form must be one of {', '.join(_METADATA)}, not {form!r}")
    stream = io.BytesIO()
    with figure_style(), _quiet_about_glyphs():
        dpi = PNG_DPI if form == "png" else "figure"
        figure.savefig(stream, format=form, metadata=_METADATA[form], dpi=cast(Any, dpi))
    return stream.getvalue()


def save_figure(figure: Figure, path: str | Path) -> Path:
    """Write a figure as SVG, PDF or PNG, by the suffix of ``path``, whole or not at all.

    Parameters
    ----------
    figure : Figure
        The figure; of an axes it is ``ax.figure``.
    path : path
        File to write; one that exists is replaced.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueError
        When the suffix is none of .svg, .pdf and .png.
    OutputError
        When the file cannot be written.
    """
    from sleepagree.output_files import write_files

    target = Path(path)
    write_files({target: figure_bytes(figure, target.suffix.lower().lstrip("."))}, overwrite=True)
    return target


@contextmanager
def _quiet_about_glyphs() -> Iterator[None]:
    """Let labels in scripts that the font lacks pass without a warning for each letter."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


# --- inside a page ----------------------------------------------------------------------------------------

_LONG_NUMBER: Final = re.compile(r"(\d+\.\d\d)\d+")
_LINE_BREAKS: Final = re.compile(r"\s*\n\s*")
_ID: Final = re.compile(r'(?<= )id="([^"]*)"')
_FONT: Final = re.compile(rf" font-family: '{FONT}';|(?<=[0-9]px) '{FONT}'")
_NO_TURN: Final = re.compile(r' transform="rotate\(-0 [^)]*\)"')
_LINK: Final = re.compile(r'(url\(#|xlink:href="#)')


def drawing_svg(figure: Figure, *, prefix: str) -> tuple[str, tuple[float, float]]:
    """Return what a figure draws, as SVG elements to stand in a page, and its width and height in points.

    Letters stay text (to be found, copied and read aloud), colours become CSS variables, every id begins with
    ``prefix``, and nothing but the drawing is left: no prolog, metadata or style that would reach the page.
    """
    stream = io.StringIO()
    with figure_style(**{"svg.fonttype": "none", "figure.facecolor": "none"}), _quiet_about_glyphs():
        width, height = figure.get_figwidth() * 72, figure.get_figheight() * 72
        with mpl.rc_context({"savefig.transparent": True}):
            cast(Any, FigureCanvasSVG(figure)).print_svg(stream, metadata=_METADATA["svg"])
    text = stream.getvalue()
    body = text[text.index("</defs>") + len("</defs>") : text.rindex("</svg>")]
    return _compact(body, prefix), (width, height)


def _compact(body: str, prefix: str) -> str:
    from sleepagree.figures.palette import themed

    def compact(tag: str) -> str:
        tag = _NO_TURN.sub("", _FONT.sub("", _LONG_NUMBER.sub(r"\1", tag)))
        return _LINK.sub(rf"\g<1>{prefix}-", _ID.sub(rf'id="{prefix}-\1"', themed(tag)))

    # only tags are touched: what stands between them is a label of somebody's file
    pieces = re.split(r"(<[^>]*>)", body)
    kept = (compact(p) if p.startswith("<") else p for p in pieces if not p.startswith("<!--"))
    return _LINE_BREAKS.sub("\n", "".join(kept)).strip()


def millimetres(figure: Figure) -> tuple[float, float]:
    """Return width and height of a figure in print."""
    return figure.get_figwidth() * MM_PER_INCH, figure.get_figheight() * MM_PER_INCH


__all__ = [
    "SMALL_LETTER_POINTS",
    "axes_for",
    "box_outline",
    "draw_boxes",
    "drawing_svg",
    "figure_bytes",
    "figure_of",
    "figure_style",
    "grid_lines",
    "key_below",
    "millimetres",
    "name_axis",
    "name_ticks",
    "printable",
    "save_figure",
    "styled",
    "write",
]
