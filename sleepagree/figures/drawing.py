"""What all figures share: style without global state, boxes as one path, letters that are never a formula, saving.

The object interface only: a `Figure` is made here, never by pyplot, so nothing is kept, shown or leaked. Settings
hold inside `figure_style` and nowhere else.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar, cast

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.markers import TICKDOWN, TICKLEFT
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import ScaledTranslation
from numpy.typing import ArrayLike, NDArray

from sleepagree.collector import collector_held_back
from sleepagree.errors import shorten
from sleepagree.figures.letters import text_width
from sleepagree.figures.palette import GRID, INK, MUTED, PAPER, Shade
from sleepagree.figures.sizes import LETTER_POINTS, LINE_POINTS, MM_PER_INCH, SMALL_LETTER_POINTS, FigureSize

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

_MARK_POINTS: Final = 2.5
FONT: Final = "DejaVu Sans"  # comes with matplotlib, so that a figure is the same on every machine

#: Every setting that a user's own matplotlibrc might change under us, beside the style itself.
_STYLE: Final[dict[str, Any]] = {
    "font.family": [FONT],
    "font.size": LETTER_POINTS,
    "font.weight": "normal",
    "text.color": INK.light,
    "text.usetex": False,
    "text.parse_math": False,
    "text.antialiased": True,
    "text.hinting": "none",  # at 300 dots per inch letters need no fitting to pixels; SVG and PDF have none either
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
        # what is drawn stays until it is saved, so the collector would find nothing
        with figure_style(), collector_held_back():
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
    ax: Axes,
    x: float,
    y: float,
    text: str,
    *,
    shade: Shade = INK,
    size: float = LETTER_POINTS,
    shift: tuple[float, float] = (0.0, 0.0),
    **how: Any,
) -> Text:
    """Write text that is never read as a formula, whatever dollar signs it holds; ``shift`` is in points."""
    if shift != (0.0, 0.0):
        where = how.get("transform", ax.transData)
        how["transform"] = where + ScaledTranslation(shift[0] / 72, shift[1] / 72, figure_of(ax).dpi_scale_trans)
    written = ax.text(x, y, printable(text), color=shade.light, fontsize=size, **how)
    written.set_parse_math(False)
    return written


def number_axis(axis: Axis, *, parts: int = 5) -> list[float]:
    """Put round numbers along an axis whose limits are set, and return them."""
    low, high = sorted(axis.get_view_interval())
    at = MaxNLocator(parts, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    step = at[1] - at[0] if len(at) > 1 else 1.0
    inside = [float(v) for v in at if low - 1e-9 * step <= v <= high + 1e-9 * step]
    name_ticks(axis, inside, [f"{round(v, 9) + 0.0:g}".replace("-", "−") for v in inside])
    return inside


def name_ticks(
    axis: Axis,
    positions: Sequence[float],
    texts: Sequence[str],
    *,
    marks: bool = True,
    size: float = LETTER_POINTS,
    name: str = "",
) -> None:
    """Put texts at places of an axis, none of them read as a formula.

    They are plain texts and one line of marks, not ticks: a tick is five artists, which makes an axis of twenty
    stages the slowest part of a figure.
    """
    ax = axis.axes
    axis.set_ticks([])
    figure = figure_of(ax)
    upright = axis is ax.xaxis
    on_top = upright and axis.get_label_position() == "top"
    gap = (_MARK_POINTS if marks else 0.0) + 2.0
    shift = (0.0, gap if on_top else -gap) if upright else (-gap, 0.0)
    along = ax.get_xaxis_transform() if upright else ax.get_yaxis_transform()
    where = along + ScaledTranslation(shift[0] / 72, shift[1] / 72, figure.dpi_scale_trans)
    end = 1.0 if on_top else 0.0
    how: dict[str, Any] = (
        {"ha": "center", "va": "bottom" if on_top else "top"} if upright else {"ha": "right", "va": "center"}
    )
    for i, (at, text) in enumerate(zip(positions, texts, strict=True)):
        x, y = (at, end) if upright else (end, at)
        written = write(ax, x, y, text, size=size, transform=where, **how)
        if name:
            written.set_gid(f"{name}-{i}")
    if marks:
        ends = [end] * len(positions)
        (drawn,) = ax.plot(
            *((list(positions), ends) if upright else (ends, list(positions))),
            transform=along,
            linestyle="none",
            marker=TICKDOWN if upright else TICKLEFT,
            markersize=_MARK_POINTS,
            markeredgecolor=MUTED.light,
            markeredgewidth=LINE_POINTS,
            clip_on=False,
            scalex=False,
            scaley=False,
        )
        if name:
            drawn.set_gid(f"{name}-marks")
    widest = max((text_width(printable(text), size) for text in texts), default=0.0)
    axis.labelpad = 3.0 + gap + (size if upright else widest)


def name_axis(ax: Axes, *, x: str = "", y: str = "") -> None:
    """Name the axes."""
    for name, put in ((x, ax.set_xlabel), (y, ax.set_ylabel)):
        if name:
            put(printable(name)).set_parse_math(False)


def grid_lines(ax: Axes, axis: str, positions: Sequence[float] | None = None) -> None:
    """Draw quiet lines at the ticks of one axis, or at places of their own, behind everything."""
    ax.set_axisbelow(True)
    if positions is None:
        ax.grid(visible=True, axis=cast(Any, axis), color=GRID.light, linewidth=0.5)
        return
    at = np.asarray(positions, float)
    corners: NDArray[np.float64] = np.zeros((at.size, 2, 2))
    corners[:, :, 0 if axis == "x" else 1] = at[:, None]
    corners[:, 1, 1 if axis == "x" else 0] = 1.0
    draw_strokes(
        ax,
        corners,
        shade=GRID,
        width=0.5,
        transform=ax.get_xaxis_transform() if axis == "x" else ax.get_yaxis_transform(),
        zorder=0.5,
    )


def draw_strokes(
    ax: Axes, corners: NDArray[np.float64], *, shade: Shade, width: float, name: str = "", **how: Any
) -> PathPatch:
    """Draw many straight lines, shape (lines, 2 ends, x and y), as one path."""
    codes = np.tile(np.array([Outline.MOVETO, Outline.LINETO], np.uint8), len(corners))
    outline = Outline(corners.reshape(-1, 2), codes)
    patch = PathPatch(outline, edgecolor=shade.light, facecolor="none", linewidth=width, **how)
    if name:
        patch.set_gid(name)
    # not add_patch: that would walk through the path to find the limits of the axes, which are set already
    ax.add_artist(patch)
    return patch


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
    ax.add_artist(patch)
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
    figure = figure_of(ax)
    right = 0.0
    for shade, text in reversed(entries):
        at = ax.transAxes + ScaledTranslation(right / 72, 0, figure.dpi_scale_trans)
        write(ax, 1, height, text, size=SMALL_LETTER_POINTS, transform=at, ha="right", va="center")
        right -= text_width(printable(text), SMALL_LETTER_POINTS) + 6.0
        at = ax.transAxes + ScaledTranslation(right / 72, 0, figure.dpi_scale_trans)
        ax.plot(
            [1], [height], transform=at, linestyle="none", marker="s", markersize=5.0, markerfacecolor=shade.light,
            markeredgecolor="none", clip_on=False, scalex=False, scaley=False,
        )  # fmt: skip
        right -= 9.0


# --- saving -----------------------------------------------------------------------------------------------

PNG_DPI: Final = 300
_WITHOUT_DATE: Final[dict[str, dict[str, Any]]] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}


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
    if form not in ("svg", "pdf", "png"):
        raise ValueError(f"form must be one of svg, pdf, png, not {form!r}")
    with figure_style(), _quiet_about_glyphs(), collector_held_back():
        if form == "png":
            return png_bytes(_pixels(figure, PNG_DPI), dots_per_inch=PNG_DPI)
        stream = io.BytesIO()
        figure.savefig(stream, format=form, metadata=_WITHOUT_DATE[form])
        return stream.getvalue()


def _pixels(figure: Figure, dots_per_inch: float) -> NDArray[np.uint8]:
    """Draw a figure; return its pixels, shape (rows, columns, 3 or 4)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas, dpi = figure.canvas, figure.dpi
    try:
        figure.dpi = dots_per_inch
        drawn: Any = FigureCanvasAgg(figure)
        drawn.draw()
        pixels: NDArray[np.uint8] = np.asarray(drawn.buffer_rgba())
    finally:
        figure.dpi = dpi
        figure.set_canvas(canvas)
    return pixels[:, :, :3] if pixels[:, :, 3].min() == 255 else pixels


def png_bytes(pixels: NDArray[np.uint8], *, dots_per_inch: float) -> bytes:
    """Return pixels as a PNG file (ISO/IEC 15948).

    Every row is stored as its difference from the row above, which suits drawings and takes a third of the time
    of an encoder that tries all filters.

    Parameters
    ----------
    pixels : uint8 array, shape (rows, columns, 3 or 4)
        Red, green, blue and, if there are four, opacity.
    dots_per_inch : float
        Resolution told in the file.
    """
    height, width, channels = pixels.shape
    rows = np.empty((height, 1 + width * channels), np.uint8)
    rows[:, 0] = _ROW_ABOVE
    for channel in range(channels):
        one = pixels[:, :, channel]
        rows[0, 1 + channel :: channels] = one[0]
        np.subtract(one[1:], one[:-1], out=rows[1:, 1 + channel :: channels])
    per_metre = round(dots_per_inch / MM_PER_INCH * 1000)
    kind = 2 if channels == 3 else 6
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        _png_chunk(name, data)
        for name, data in (
            (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, kind, 0, 0, 0)),
            (b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
            (b"IDAT", zlib.compress(rows.data, _QUICK)),
            (b"IEND", b""),
        )
    )


_ROW_ABOVE: Final = 2  # the filter called "Up"
_QUICK: Final = 3  # half the time of zlib's own choice of 6, for a third more bytes


def _png_chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def save_figure(figure: Figure, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write a figure as SVG, PDF or PNG, by the suffix of ``path``, whole or not at all.

    Parameters
    ----------
    figure : Figure
        The figure; of an axes it is ``ax.figure``.
    path : path
        File to write.
    overwrite : bool
        Whether to replace a file that exists.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueError
        When the suffix is none of .svg, .pdf and .png.
    OutputError
        When the file exists and is not to be replaced, or cannot be written.
    """
    from sleepagree.output import write_files

    target = Path(path)
    write_files({target: figure_bytes(figure, target.suffix.lower().lstrip("."))}, overwrite=overwrite)
    return target


@contextmanager
def _quiet_about_glyphs() -> Iterator[None]:
    """Let labels in scripts that the font lacks pass without a warning for each letter."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def millimetres(figure: Figure) -> tuple[float, float]:
    """Return width and height of a figure in print."""
    return figure.get_figwidth() * MM_PER_INCH, figure.get_figheight() * MM_PER_INCH


__all__ = [
    "SMALL_LETTER_POINTS",
    "axes_for",
    "box_outline",
    "draw_boxes",
    "draw_strokes",
    "figure_bytes",
    "figure_of",
    "figure_style",
    "grid_lines",
    "key_below",
    "millimetres",
    "name_axis",
    "name_ticks",
    "number_axis",
    "printable",
    "save_figure",
    "styled",
    "write",
]
