"""How figures look: colours for light and for dark paper, sizes in print, letters, and matplotlib's settings.

The five stage colours were found by a search: lightness fixed on a ladder (CIELAB L* from 60 down to 20 on
light paper, from 90 down to 51 on dark paper), hue and chroma varied, kept where the smallest distance between
any two was largest under ordinary vision and under simulated protanopia, deuteranopia and tritanopia at once.
The ladder keeps them apart in grey print. Every one has a contrast of at least 3 to 1 with its paper.

A figure is drawn in the light colours, on paper that a user has made dark in the dark ones. In a page, each light one
becomes a CSS variable (`themed`), so that one drawing serves both kinds of paper.

Our settings give way to those that a user has changed from matplotlib's own: letters and their sizes, and the colours
of text, axes, grid and paper. What tells stages and marks apart stays. Commands, reports and what a result shows of
itself (`house_style`) look the same whatever a user's settings are.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from typing import Any, Final, ParamSpec, TypeVar

import matplotlib as mpl
from matplotlib.colors import to_rgba

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

#: The settings that hold now, by names that are not written out.
SETTINGS: Final[Any] = mpl.rcParams

# --- colours ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shade:
    """One colour in its two variants.

    Parameters
    ----------
    role : str
        What it is for; the name of its CSS variable.
    light, dark : str
        ``#rrggbb`` on light and on dark paper.
    """

    role: str
    light: str
    dark: str

    @property
    def drawn(self) -> str:
        """The colour in a figure: a setting of matplotlib, or ours for light or dark paper."""
        if self.role in _SETTINGS_OF:
            return str(SETTINGS[_SETTINGS_OF[self.role]])
        red, green, blue, cover = to_rgba(SETTINGS["figure.facecolor"])
        return self.dark if cover and red + green + blue < 1.5 else self.light


#: Role of a shade -> the setting of matplotlib that it is drawn by.
_SETTINGS_OF: Final = {
    "paper": "figure.facecolor",
    "ink": "text.color",
    "muted": "axes.edgecolor",
    "grid": "grid.color",
}


PAPER: Final = Shade("paper", "#ffffff", "#16181d")
PANEL: Final = Shade("panel", "#f2f4f3", "#21252c")
INK: Final = Shade("ink", "#1b2024", "#e9ebee")
MUTED: Final = Shade("muted", "#545c63", "#aab2bb")
GRID: Final = Shade("grid", "#d5dad8", "#3a414a")
BAND: Final = Shade("band", "#dfe7e4", "#2f3a3c")
SILENT: Final = Shade("silent", "#8b9298", "#727a83")
ACCENT: Final = Shade("accent", "#14695b", "#7cc4b9")

WAKE: Final = Shade("wake", "#b8871f", "#ffe174")
N1: Final = Shade("n1", "#8c72b4", "#c6c0fe")
LIGHT: Final = Shade("light", "#167263", "#75b9b0")
REM: Final = Shade("rem", "#93250f", "#ed6b60")
DEEP: Final = Shade("deep", "#3e1a74", "#746ecb")

#: From light to dark; a class that is none of the trade's own takes the next one that is free.
STAGE_LADDER: Final = (WAKE, N1, LIGHT, REM, DEEP)
SHADES: Final = (PAPER, PANEL, INK, MUTED, GRID, BAND, SILENT, ACCENT, *STAGE_LADDER)

_OF_CLASS: Final = {
    "W": WAKE,
    "wake": WAKE,
    "N1": N1,
    "N2": LIGHT,
    "light": LIGHT,
    "light-or-rem": LIGHT,
    "nrem": LIGHT,
    "sleep": LIGHT,
    "N3": DEEP,
    "deep": DEEP,
    "R": REM,
    "rem": REM,
    "wake-or-sleep": N1,
    "left out": SILENT,
    "unscored": SILENT,
}


def shades_of(names: tuple[str, ...]) -> tuple[Shade, ...]:
    """Return a colour for each stage or class, one for one name; words of one's own take what the others leave free.

    Asked for all classes of a mapping at once, a class has one colour in every figure of it.

    Examples
    --------
    >>> [shade.role for shade in shades_of(("wake", "drowsy", "deep", "drowsy"))]
    ['wake', 'n1', 'deep', 'n1']
    """
    taken = [_OF_CLASS[name] for name in names if name in _OF_CLASS]
    free = iter([shade for shade in STAGE_LADDER if shade not in taken])
    found = {name: _OF_CLASS.get(name) or next(free, SILENT) for name in dict.fromkeys(names)}
    return tuple(found[name] for name in names)


def shades_by_name(names: Iterable[str]) -> dict[str, Shade]:
    """Return the colour of each stage or class by its name, as :func:`shades_of`."""
    asked = tuple(dict.fromkeys(names))
    return dict(zip(asked, shades_of(asked), strict=True))


_LIGHT_TO_ROLE: Final = {shade.light: shade for shade in SHADES}
_HEX: Final = re.compile(r"#[0-9a-f]{6}\b")


def themed(svg: str) -> str:
    """Return SVG text in which every colour of the palette is a CSS variable with the light colour as default.

    Examples
    --------
    >>> themed('<path style="fill: #14695b"/>')
    '<path style="fill: var(--accent, #14695b)"/>'
    """
    return _HEX.sub(_as_variable, svg)


def _as_variable(match: re.Match[str]) -> str:
    shade = _LIGHT_TO_ROLE.get(match.group())
    return match.group() if shade is None else f"var(--{shade.role}, {shade.light})"


def css_variables(*, dark: bool = False) -> str:
    """Return the declarations of all variables for one kind of paper."""
    return " ".join(f"--{shade.role}: {shade.dark if dark else shade.light};" for shade in SHADES)


# --- sizes ------------------------------------------------------------------------------------------------

ONE_COLUMN_MM: Final = 85.0  # of a journal's page
TWO_COLUMNS_MM: Final = 178.0
MM_PER_INCH: Final = 25.4
MM_PER_POINT: Final = MM_PER_INCH / 72
LETTER_POINTS: Final = 7.0
SMALL_LETTER_POINTS: Final = 6.0
LINE_POINTS: Final = 0.7


@dataclass(frozen=True)
class FigureSize:
    """Width and height in print.

    Parameters
    ----------
    width_mm, height_mm : float
        Millimetres.
    """

    width_mm: float
    height_mm: float

    @property
    def inches(self) -> tuple[float, float]:
        """Width and height as matplotlib takes them."""
        return self.width_mm / MM_PER_INCH, self.height_mm / MM_PER_INCH


def one_column(height_mm: float) -> FigureSize:
    """Return a size one column wide."""
    return FigureSize(ONE_COLUMN_MM, height_mm)


def two_columns(height_mm: float) -> FigureSize:
    """Return a size two columns wide."""
    return FigureSize(TWO_COLUMNS_MM, height_mm)


# --- settings ---------------------------------------------------------------------------------------------

FONT: Final = "DejaVu Sans"  # comes with matplotlib, so that a figure is the same on every machine

#: Labels are never formulas, whoever asks for it: they come from files.
_LABELS_ARE_TEXT: Final = {"text.parse_math": False, "text.usetex": False}

#: What differs from matplotlib's own defaults; sizes that are not here follow "font.size".
_STYLE: Final[dict[str, Any]] = {
    "font.family": [FONT],
    "font.size": LETTER_POINTS,
    **dict.fromkeys(("text.color", "axes.labelcolor", "xtick.labelcolor", "ytick.labelcolor"), INK.light),
    **dict.fromkeys(("axes.edgecolor", "xtick.color", "ytick.color"), MUTED.light),
    **dict.fromkeys(("axes.linewidth", "xtick.major.width", "ytick.major.width"), LINE_POINTS),
    **dict.fromkeys(("xtick.major.size", "ytick.major.size"), 2.5),
    **dict.fromkeys(("xtick.major.pad", "ytick.major.pad"), 2.0),
    **dict.fromkeys(("axes.formatter.useoffset", "legend.frameon"), False),
    **dict.fromkeys(("axes.spines.top", "axes.spines.right"), False),
    "text.hinting": "none",  # at 300 dots per inch letters need no fitting to pixels
    "axes.facecolor": "none",
    "axes.labelpad": 3.0,
    "axes.xmargin": 0.02,
    "axes.ymargin": 0.04,
    "ytick.alignment": "center",
    "lines.linewidth": 1.2,
    "lines.solid_capstyle": "butt",
    "patch.linewidth": 0.0,
    "grid.color": GRID.light,
    "figure.facecolor": PAPER.light,
    "svg.hashsalt": "sleepagree",
    "svg.fonttype": "none",
    "pdf.fonttype": 42,
}


@contextmanager
def figure_style() -> Iterator[None]:
    """Hold our settings while figures are drawn or saved, but where a user has others than matplotlib's own."""
    defaults: Any = mpl.rcParamsDefault
    with mpl.rc_context():
        left = (name for name in _STYLE if SETTINGS[name] == defaults[name])
        own = {name: _STYLE[name] for name in left} | _LABELS_ARE_TEXT
        for ticks in ("xtick", "ytick"):  # labels that inherit the colour of a user's ticks go with it
            if f"{ticks}.color" not in own and SETTINGS[f"{ticks}.labelcolor"] == "inherit":
                own[f"{ticks}.labelcolor"] = SETTINGS[f"{ticks}.color"]
        SETTINGS.update(own)
        yield


@contextmanager
def house_style() -> Iterator[None]:
    """Hold our settings whatever a user's own are."""
    with mpl.rc_context():
        mpl.rcdefaults()
        with figure_style():
            yield


def letters(points: float) -> float:
    """Return the size of letters that have so many points where "font.size" is ours."""
    return points * float(SETTINGS["font.size"]) / LETTER_POINTS


def styled(draw: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Run a drawing function inside `figure_style`."""

    @wraps(draw)
    def drawn(*args: Parameters.args, **kwargs: Parameters.kwargs) -> Result:
        with figure_style():
            return draw(*args, **kwargs)

    return drawn
