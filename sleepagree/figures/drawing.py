"""Parts that figures share: axes of a printed size, texts, ticks, keys, and many shapes as one path.

The object interface only: a `Figure` is made here, never by pyplot, so nothing is kept, shown or leaked.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis, XAxis
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from matplotlib.transforms import Transform
from numpy.typing import ArrayLike

from sleepagree.describe.words import signed
from sleepagree.errors import printable, shorten
from sleepagree.figures.style import (
    GRID,
    INK,
    LETTER_POINTS,
    MM_PER_INCH,
    MM_PER_POINT,
    SETTINGS,
    SMALL_LETTER_POINTS,
    FigureSize,
    Shade,
    letters,
)

#: Parameter of ticks -> end of the name of its setting.
_OF_TICKS: Final = {"length": "size", "width": "width", "pad": "pad"}

#: No name of a row is wider, in millimetres.
_LONGEST_NAME_MM: Final = 34.0
#: Millimetres between the names of rows and what stands on both sides of them.
_AROUND_NAMES_MM: Final = 1.4
#: Millimetres that the name of an upright axis takes beside its rows.
_AXIS_NAME_MM: Final = 3.6
#: Millimetres that the name of an upright axis and what is around it take beside names of ticks.
_BESIDE_TICKS_MM: Final = 6.4
#: Margin on the left of axes whose ticks matplotlib chooses.
LEFT_MM: Final = 14
#: Millimetres between the names of two ticks.
_BETWEEN_TICKS_MM: Final = 1.5
#: Most spaces between ticks that are tried where names run into each other.
_FEWER_TICKS: Final = (6, 5, 4, 3, 2)
#: Millimetres that an entry of a key takes for its mark and the space to the next one.
AROUND_ENTRY_MM: Final = 4.8
#: Shares of a name's letters that are kept before a cut.
_KEPT_BEFORE_CUT: Final = (0.5, 0.2, 0.8, 0.0, 1.0)


def axes_for(ax: Axes | None, size: FigureSize, *, left: float, bottom: float, right: float, top: float) -> Axes:
    """Return ``ax``, or the axes of a new figure with these margins in millimetres.

    Axes of somebody else's figure give up the margins from their own room, so that nothing beside them is drawn
    on; a figure with a layout engine finds that room by itself.
    """
    if ax is not None:
        if not isinstance(ax, Axes):
            raise TypeError(f"ax must be a matplotlib Axes, as plt.subplots() returns it, not {type(ax).__name__}")
        _dress(ax)
        if figure_of(ax).get_layout_engine() is None:
            _give_margins(ax, left=left, bottom=bottom, right=right, top=top)
        return ax
    figure = Figure(figsize=size.inches)
    width, height = size.width_mm, size.height_mm
    return figure.add_axes((left / width, bottom / height, 1 - (left + right) / width, 1 - (bottom + top) / height))


def _dress(ax: Axes) -> None:
    """Give axes that were made before our style the settings that hold now, as axes of ours have them."""
    ax.set_facecolor(SETTINGS["axes.facecolor"])
    for side, spine in ax.spines.items():
        spine.set_visible(SETTINGS[f"axes.spines.{side}"])
        spine.set(edgecolor=SETTINGS["axes.edgecolor"], linewidth=SETTINGS["axes.linewidth"])
    for axis in (ax.xaxis, ax.yaxis):
        name = _ticks(axis)
        major = {of: SETTINGS[f"{name}.major.{size}"] for of, size in _OF_TICKS.items()}
        colours = {"color": SETTINGS[f"{name}.color"], "labelcolor": SETTINGS[f"{name}.labelcolor"]}
        axis.set_tick_params(labelsize=_tick_points(axis), **major, **colours)
        axis.label.set(fontsize=SETTINGS["axes.labelsize"], color=SETTINGS["axes.labelcolor"])
        axis.labelpad = SETTINGS["axes.labelpad"]


def _tick_points(axis: Axis) -> float:
    """Return the size of letters at ticks, in points."""
    return FontProperties(size=SETTINGS[f"{_ticks(axis)}.labelsize"]).get_size_in_points()


def _ticks(axis: Axis) -> str:
    """Return how the names of an axis' settings begin."""
    return "xtick" if isinstance(axis, XAxis) else "ytick"


def _give_margins(ax: Axes, *, left: float, bottom: float, right: float, top: float) -> None:
    """Make axes smaller by margins in millimetres, but never by more than half."""
    place, (width, height) = ax.get_position(), size_mm(ax)
    across, up = (
        min(1.0, 0.5 * room / needed) if needed else 1.0
        for room, needed in ((width, left + right), (height, bottom + top))
    )
    x, y = place.width / width, place.height / height
    ax.set_position(
        (
            place.x0 + left * across * x,
            place.y0 + bottom * up * y,
            place.width - (left + right) * across * x,
            place.height - (bottom + top) * up * y,
        )
    )
    ax.set_in_layout(True)  # set_position takes axes out of every later layout


def size_mm(ax: Axes) -> tuple[float, float]:
    """Return width and height of axes in millimetres."""
    box, dots = ax.get_window_extent(), figure_of(ax).dpi / 25.4
    return box.width / dots, box.height / dots


def figure_of(ax: Axes) -> Figure:
    """Return the figure that an axes stands in."""
    owner = ax.figure
    return owner if isinstance(owner, Figure) else owner.figure


def signed_in_print(value: float) -> str:
    """Return a number with its sign, the minus sign that print has."""
    return signed(value).replace("-", "−")


def width_mm(text: str, *, size: float = LETTER_POINTS, weight: str = "normal") -> float:
    """Return how wide a text is in print, in letters of so many points where "font.size" is ours."""
    look = FontProperties(size=letters(size), weight=weight)
    with warnings.catch_warnings():  # an empty box stands for a letter that the font lacks, and has a width, too
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        width, _, _ = text_to_path.get_text_width_height_descent(text, look, ismath=False)
    return float(width) * MM_PER_POINT


def widest_mm(texts: Iterable[str], **look: Any) -> float:
    """Return how wide the widest of some texts is, as :func:`width_mm`."""
    return max((width_mm(text, **look) for text in texts), default=0.0)


def room_for_rows(names: Iterable[str], *, least: float, size: float = LETTER_POINTS, has_name: bool = False) -> float:
    """Return the margin in millimetres, ``least`` or more, for names of rows and the axis's own where it has one."""
    beside = 2 * _AROUND_NAMES_MM + (_AXIS_NAME_MM if has_name else 0.0)
    return max(least, min(widest_mm(names, size=size), _LONGEST_NAME_MM) + beside)


def fit(texts: Sequence[str], room: float, **look: Any) -> list[str]:
    """Return texts that are no wider than so many millimetres: longer ones lose their middle.

    The cut moves towards an end where texts that differ would look the same.
    """
    whole = [printable(text) for text in texts]
    for before in _KEPT_BEFORE_CUT:
        cut = [_cut(text, room, before, **look) for text in whole]
        if len(set(cut)) == len(set(whole)):
            return cut
    return [_cut(text, room, 0.5, **look) for text in whole]


def _cut(text: str, room: float, before: float, **look: Any) -> str:
    """Return as much of a text as there is room for, so large a share of it from before the cut."""
    width = width_mm(text, **look)
    kept = min(len(text), int(len(text) * room / width) + 3) if width > room else 0  # at first too many letters
    shown = text
    while kept and width_mm(shown, **look) > room:
        kept -= 1
        first = round(before * kept)
        shown = f"{text[:first]}…{text[len(text) - kept + first :]}"
    return shown


def write(
    ax: Axes,
    x: float,
    y: float,
    text: str,
    *,
    shade: Shade = INK,
    size: float = LETTER_POINTS,
    shift: tuple[float, float] = (0.0, 0.0),
    transform: Transform | None = None,
    **how: Any,
) -> Text:
    """Write text, made printable and short; ``shift`` is in points."""
    return ax.annotate(
        shorten(text),
        (x, y),
        xytext=shift,
        xycoords="data" if transform is None else transform,
        textcoords="offset points",
        annotation_clip=False,
        color=shade.drawn,
        fontsize=letters(size),
        **how,
    )


def write_over(ax: Axes, x: float, text: str, *, size: float) -> None:
    """Write text over the axes, its middle at ``x`` or as near to it as the ends allow; limits are set before."""
    low, high = ax.get_xlim()
    wide, room = width_mm(text, size=size), size_mm(ax)[0]
    at = room * (x - low) / (high - low)
    aside = max(wide / 2 - at, 0.0) - max(at + wide / 2 - room, 0.0)
    shift = (aside / MM_PER_POINT, 0.0)
    write(ax, x, 1.01, text, size=size, shift=shift, transform=ax.get_xaxis_transform(), ha="center", va="bottom")


def apart(places: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return ascending places moved as little as it takes to be so far apart, and between two ends if they can be.

    Examples
    --------
    >>> apart([0.0, 1.0, 5.0], 2.0, -9.0, 9.0)
    [-0.5, 1.5, 5.0]
    """
    # less what each must lie above the first, places only have to ascend: those that do not take their mean together
    pools: list[tuple[float, int]] = []
    for i, place in enumerate(places):
        mean, count = place - i * least, 1
        while pools and pools[-1][0] >= mean:
            other, others = pools.pop()
            mean, count = (mean * count + other * others) / (count + others), count + others
        pools.append((mean, count))
    top = max(high - (len(places) - 1) * least, low)
    moved = (min(max(mean, low), top) for mean, count in pools for _ in range(count))
    return [place + i * least for i, place in enumerate(moved)]


def name_heights(ax: Axes, names: Sequence[tuple[float, str]], x: float, transform: Transform) -> None:
    """Name what has a height, beside it and pushed apart where names would touch; limits of y are to be set before.

    Parameters
    ----------
    ax : Axes
        The axes.
    names : sequence of (float, str)
        Height and name, of one line or several; of equal heights the first stands lowest.
    x, transform
        Where names begin.
    """
    bottom, top = ax.get_ylim()
    lines = max((text.count("\n") + 1 for _, text in names), default=1)
    name_mm = 1.2 * lines * letters(SMALL_LETTER_POINTS) * MM_PER_POINT
    high = name_mm * (top - bottom) / size_mm(ax)[1]
    ordered = sorted(names, key=lambda name: name[0])
    places = apart([y for y, _ in ordered], high, bottom + high / 2, top - high / 2)
    look: dict[str, Any] = {"fontsize": letters(SMALL_LETTER_POINTS), "va": "center", "ha": "left", "linespacing": 1.05}
    for y, (_, text) in zip(places, ordered, strict=True):
        ax.text(x, y, text, transform=transform, color=INK.drawn, **look)


def name_ticks(
    axis: Axis,
    positions: Sequence[float],
    texts: Sequence[str],
    *,
    marks: bool = True,
    size: float = 0.0,
    name: str = "",
) -> None:
    """Put texts at places of an axis; with a ``name``, each text and each mark gets an id that begins so.

    They have the size of the axis' settings, or so many points where "font.size" is ours.
    """
    # before there are ticks, each of which would have to change
    axis.set_tick_params(labelsize=letters(size) if size else _tick_points(axis))
    if not marks:
        axis.set_tick_params(length=0)
    axis.set_ticks(positions, labels=[shorten(text) for text in texts])
    if name:
        for i, tick in enumerate(axis.get_major_ticks()):
            tick.label1.set_gid(f"{name}-{i}")
            tick.tick1line.set_gid(f"{name}-mark-{i}")


def fit_ticks(ax: Axes, *, thinned: str = "x") -> None:
    """Make room for the names of ticks that matplotlib chooses; limits are to be set before.

    Parameters
    ----------
    ax : Axes
        The axes, with ``LEFT_MM`` on the left; they give up room where names there are too wide for it.
    thinned : str
        Which axis gets fewer ticks where names below would run into each other: ``"x"``, or ``"both"``.
    """
    for axis in (ax.xaxis, ax.yaxis):  # kept for a drawing under other settings, which would choose other ticks
        axis.set_tick_params(labelsize=_tick_points(axis))
    _thin_ticks(ax, thinned)
    lacking = widest_mm(_names_of_ticks(ax.yaxis)) + _BESIDE_TICKS_MM - LEFT_MM
    if lacking > 0 and figure_of(ax).get_layout_engine() is None:
        _give_margins(ax, left=lacking, bottom=0.0, right=0.0, top=0.0)
        _thin_ticks(ax, thinned)


def _thin_ticks(ax: Axes, thinned: str) -> None:
    """Take away ticks until the names of those below stand apart."""
    ax.apply_aspect()
    low, high = ax.get_xlim()
    for most in _FEWER_TICKS:
        places = [at for at in ax.get_xticks() if _is_seen(ax.xaxis, at)]
        between = np.diff(places).min(initial=math.inf) / (high - low) * size_mm(ax)[0]
        if between >= widest_mm(_names_of_ticks(ax.xaxis)) + _BETWEEN_TICKS_MM:
            return
        ax.locator_params(axis="both" if thinned == "both" else "x", nbins=most)


def _is_seen(axis: Axis, at: float) -> bool:
    low, high = sorted(axis.get_view_interval())
    return bool(low <= at <= high)


def _names_of_ticks(axis: Axis) -> list[str]:
    """Return the names of the ticks within the limits of an axis."""
    places = axis.get_majorticklocs()
    names = axis.get_major_formatter().format_ticks(list(places))
    return [name for at, name in zip(places, names, strict=True) if _is_seen(axis, at)]


def name_rows(ax: Axes, rows: Sequence[tuple[float, str]], *, size: float = LETTER_POINTS) -> None:
    """Name rows on the left, where no line stands; very long names lose their middle."""
    names = fit([text for _, text in rows], _LONGEST_NAME_MM, size=size)
    name_ticks(ax.yaxis, [y for y, _ in rows], names, marks=False, size=size)
    ax.spines["left"].set_visible(False)


def name_axis(ax: Axes, *, x: str = "", y: str = "") -> None:
    """Name the axes."""
    if x:
        ax.set_xlabel(shorten(x))
    if y:
        ax.set_ylabel(shorten(y))


def name_percents(axis: Axis) -> None:
    """Name the quarters of 100 per cent."""
    name_ticks(axis, (0, 25, 50, 75, 100), ("0", "25", "50", "75", "100"))


def grid_lines(ax: Axes, axis: str) -> None:
    """Draw quiet lines at the ticks of one axis, ``"x"`` or ``"y"``, behind everything."""
    ax.set_axisbelow(True)
    ax.grid(visible=True, axis="x" if axis == "x" else "y", color=GRID.drawn, linewidth=0.5)


def points(size: float, face: str, edge: str, width: float, *, marker: str = "o") -> dict[str, Any]:
    """Return how points look that no line joins."""
    look = {"markersize": size, "markerfacecolor": face, "markeredgecolor": edge, "markeredgewidth": width}
    return {"linestyle": "none", "marker": marker, **look}


def draw_strokes(
    ax: Axes, x0: ArrayLike, x1: ArrayLike, y0: ArrayLike, y1: ArrayLike, *, shade: Shade, width: float, **how: Any
) -> None:
    """Draw many straight lines of one colour, as boxes are drawn."""
    look = {"facecolor": "none", "edgecolor": shade.drawn, "linewidth": width, **how}
    _draw_outlines(ax, (x0, x1), (y0, y1), [Outline.MOVETO, Outline.LINETO], look)


def draw_boxes(
    ax: Axes, left: ArrayLike, right: ArrayLike, bottom: ArrayLike, top: ArrayLike, *, shade: Shade, **how: Any
) -> None:
    """Draw many rectangles of one colour as one path: one element of a file instead of hundreds, none for none."""
    codes = [Outline.MOVETO, *[Outline.LINETO] * 3, Outline.CLOSEPOLY]
    look = {"facecolor": shade.drawn, "edgecolor": "none", **how}
    _draw_outlines(ax, (left, left, right, right, left), (bottom, top, top, bottom, bottom), codes, look)


def _draw_outlines(
    ax: Axes, x: Sequence[ArrayLike], y: Sequence[ArrayLike], codes: Sequence[Any], look: dict[str, Any]
) -> None:
    """Draw many outlines of the same number of corners, each corner's places in all of them given together."""
    places = np.broadcast_arrays(*(np.atleast_1d(np.asarray(place, float)) for place in (*x, *y)))
    corners = np.stack([np.stack(places[: len(x)], axis=-1), np.stack(places[len(x) :], axis=-1)], axis=-1)
    if corners.size:
        outline = Outline(corners.reshape(-1, 2), np.tile(np.array(codes, np.uint8), len(corners)))
        ax.add_artist(PathPatch(outline, **look))  # add_patch would move the limits of the axes


def key_columns(names: Sequence[str], room: float) -> int:
    """Return how many columns the entries of a key can stand in side by side, one at least, in so many millimetres."""
    wide = [width_mm(name, size=SMALL_LETTER_POINTS) + AROUND_ENTRY_MM for name in names]
    for columns in range(len(wide), 1, -1):
        if sum(part.max() for part in np.array_split(wide, columns)) <= room:  # as a legend parts its entries
            return columns
    return 1


def key_rows(names: Sequence[str], room: float) -> int:
    """Return how many rows a key takes in so many millimetres."""
    return math.ceil(len(names) / key_columns(names, room))


def key_below(ax: Axes, entries: Sequence[tuple[Shade, str]], *, height: float, rows: int = 1) -> None:
    """Write what colours mean, to the right under the axes.

    Parameters
    ----------
    ax : Axes
        The axes.
    entries : sequence of (Shade, str)
        Colour and meaning, in order; meanings too long for the rows lose their middle.
    height : float
        Height of the first line's middle as a share of the axes' height, below 0.
    rows : int
        So many lines at most.
    """
    marks = [points(5.0, shade.drawn, shade.drawn, 0.0, marker="s") for shade, _ in entries]
    mark_key_below(ax, list(zip(marks, (text for _, text in entries), strict=True)), height=height, rows=rows)


def mark_key_below(ax: Axes, entries: Sequence[tuple[dict[str, Any], str]], *, height: float, rows: int = 1) -> None:
    """Write what marks mean, each given by its :func:`points`, as :func:`key_below` does."""
    names, room = [shorten(text) for _, text in entries], _room_for_key(ax)
    columns, fewest = key_columns(names, room), math.ceil(len(names) / rows)
    if columns < fewest:
        columns, names = fewest, fit(names, max(room / fewest - AROUND_ENTRY_MM, 0.0), size=SMALL_LETTER_POINTS)
    # more lines than one go on below the first
    half_line = 0.5 * letters(SMALL_LETTER_POINTS) * MM_PER_POINT / size_mm(ax)[1]
    place: Any = "center right" if columns == len(names) else "upper right"
    height += half_line if columns < len(names) else 0.0
    handles = [Line2D([], [], label=name, **look) for (look, _), name in zip(entries, names, strict=True)]
    ax.legend(
        handles=handles, loc=place, bbox_to_anchor=(1.0, height), ncols=columns, borderpad=0.0, borderaxespad=0.0,
        handlelength=0.8, handletextpad=0.4, columnspacing=1.0, labelspacing=0.3,
        fontsize=letters(SMALL_LETTER_POINTS), frameon=False,
    )  # fmt: skip


def _room_for_key(ax: Axes) -> float:
    """Return how many millimetres there are for a key that ends where the axes end."""
    figure = figure_of(ax)
    if len(figure.axes) > 1:  # to the left there is what is not ours
        return size_mm(ax)[0]
    return float(ax.get_window_extent().x1 / figure.dpi * MM_PER_INCH) - _AROUND_NAMES_MM
