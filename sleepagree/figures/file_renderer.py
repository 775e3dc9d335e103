"""Drawing a figure into an SVG file of its own: letters as outlines, fixed colours, alternative text."""

from __future__ import annotations

import warnings
from functools import lru_cache
from typing import Any, Final

from markupsafe import escape
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.transforms import Affine2D

from sleepagree.figures.drawing import FONT, styled
from sleepagree.figures.letters import UNITS
from sleepagree.figures.page_renderer import PageRenderer, draw_with, is_bold, number, outline_text
from sleepagree.figures.sizes import MM_PER_INCH

_HEAD: Final = '<?xml version="1.0" encoding="UTF-8"?>\n'


@styled
def svg_file(figure: Figure, *, title: str = "", description: str = "") -> bytes:
    """Return a figure as an SVG file; the same bytes for the same figure.

    Parameters
    ----------
    figure : Figure
        A figure without images.
    title, description : str
        Alternative text: what it is, and its numbers in words.

    Returns
    -------
    bytes
        Letters are outlines, so that the figure looks the same everywhere; its size is that in print.
    """
    renderer = FileRenderer(figure.get_figwidth() * 72, figure.get_figheight() * 72, "f")
    width, height = draw_with(renderer, figure)
    words = "".join(
        f'<{tag} id="{tag}">{escape(text)}</{tag}>\n' for tag, text in (("title", title), ("desc", description)) if text
    )
    named = ' role="img" aria-labelledby="title desc"' if title and description else ""
    text = (
        f'{_HEAD}<svg xmlns="http://www.w3.org/2000/svg" width="{_mm(width)}mm" height="{_mm(height)}mm" '
        f'viewBox="0 0 {number(width)} {number(height)}"{named} '
        f'stroke-linejoin="round">\n{words}{renderer.svg()}\n</svg>\n'
    )
    return text.encode("utf-8")


def _mm(points: float) -> str:
    return number(points / 72 * MM_PER_INCH)


class FileRenderer(PageRenderer):
    """Writes letters as outlines and colours as they are."""

    def _colours(self, style: str) -> str:
        return style

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: Any,
        angle: float,
        ismath: Any = False,  # noqa: ARG002, FBT002
        mtext: Any = None,
    ) -> None:
        """Draw one line of text letter by letter, from the place that it hangs on."""
        size, bold = prop.get_size_in_points(), is_bold(prop)
        at, y, anchor = self._hang(x, y, s, size, angle, bold=bold, mtext=mtext)
        glyphs = [_glyph(character, bold=bold) for character in s]
        scale = size / UNITS
        total = sum(advance for _, advance in glyphs) * scale
        along = -total * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
        letters = []
        for outline, advance in glyphs:
            if outline:
                name = self._define("g", f'<path id="{{}}" d="{outline}"/>')
                letters.append(f'<use href="#{name}" x="{number(along / scale)}"/>')
            along += advance * scale
        turn = f" rotate({number(-angle)})" if angle else ""
        self._parts.append(
            f'<g transform="translate({number(at)} {number(y)}){turn} scale({scale:.6f})" '
            f'style="{self._text_style(gc)}">{"".join(letters)}</g>'
        )


@lru_cache(maxsize=1024)
def _glyph(character: str, *, bold: bool) -> tuple[str, float]:
    """Return the outline of a letter, y downwards, and its width, both in units of the font."""
    font = get_font(findfont(FontProperties(family=FONT, weight="bold" if bold else "normal")))
    with warnings.catch_warnings():
        # a script that the font lacks is drawn as boxes
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        glyph = font.load_char(ord(character), flags=LoadFlags.NO_SCALE)
    vertices, codes = font.get_path()
    # matplotlib divides by 64 as if the outline had been scaled
    return outline_text(vertices, codes, Affine2D().scale(64.0, -64.0), digits=0), float(glyph.horiAdvance)
