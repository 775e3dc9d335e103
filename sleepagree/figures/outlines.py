"""An SVG file of its own from what was drawn for a page: letters as outlines, fixed colours, alternative text."""

from __future__ import annotations

import re
import warnings
from functools import lru_cache
from html import unescape
from typing import Final

from markupsafe import escape
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.transforms import Affine2D

from sleepagree.figures.drawing import FONT
from sleepagree.figures.letters import UNITS
from sleepagree.figures.page_renderer import draw_for_page, number, outline_text
from sleepagree.figures.sizes import MM_PER_INCH

#: A text as `PageRenderer` writes it.
_TEXT: Final = re.compile(
    r'<text x="(?P<x>[^"]*)" y="(?P<y>[^"]*)" font-size="(?P<size>[^"]*)"'
    r'(?: text-anchor="(?P<anchor>\w+)")?(?P<bold> font-weight="700")?'
    r'(?: transform="rotate\((?P<turn>[^ ]*) [^"]*")? style="(?P<style>[^"]*)">(?P<text>[^<]*)</text>'
)
_VARIABLE: Final = re.compile(r"var\(--\w+, (#[0-9a-f]{6})\)")
_SHARE_BEFORE: Final = {None: 0.0, "middle": 0.5, "end": 1.0}


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
    drawing, size = draw_for_page(figure, prefix="f")
    return file_of(drawing, size, title=title, description=description)


def file_of(drawing: str, size: tuple[float, float], *, title: str = "", description: str = "") -> bytes:
    """Return as a file what `draw_for_page` drew.

    Parameters
    ----------
    drawing : str
        SVG elements.
    size : (float, float)
        Width and height in points.
    title, description : str
        Alternative text.
    """
    glyphs = _Glyphs()
    body = _VARIABLE.sub(r"\1", _TEXT.sub(glyphs.outline, drawing))
    words = "".join(
        f'<{tag} id="{tag}">{escape(text)}</{tag}>\n' for tag, text in (("title", title), ("desc", description)) if text
    )
    named = ' role="img" aria-labelledby="title desc"' if title and description else ""
    width, height = (number(points / 72 * MM_PER_INCH) for points in size)
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {number(size[0])} {number(size[1])}"{named} stroke-linejoin="round">\n'
        f"{words}<defs>{glyphs.definitions}</defs>\n{body}\n</svg>\n"
    )
    return text.encode("utf-8")


class _Glyphs:
    """The letters that a file uses, each defined once."""

    def __init__(self) -> None:
        self._names: dict[tuple[str, bool], str] = {}

    @property
    def definitions(self) -> str:
        return "".join(
            f'<path id="{name}" d="{_glyph(character, bold=bold)[0]}"/>'
            for (character, bold), name in self._names.items()
        )

    def outline(self, found: re.Match[str]) -> str:
        """Return one text as outlines, hanging where the text hangs."""
        bold = found["bold"] is not None
        characters = unescape(found["text"])
        glyphs = [_glyph(character, bold=bold) for character in characters]
        along = -sum(advance for _, advance in glyphs) * _SHARE_BEFORE[found["anchor"]]
        letters = []
        for character, (outline, advance) in zip(characters, glyphs, strict=True):
            if outline:
                name = self._names.setdefault((character, bold), f"g{len(self._names)}")
                letters.append(f'<use href="#{name}" x="{along:.0f}"/>')
            along += advance
        turn = f" rotate({found['turn']})" if found["turn"] else ""
        scale = float(found["size"]) / UNITS
        where = f"translate({found['x']} {found['y']}){turn} scale({scale:.6f})"
        return f'<g transform="{where}" style="{found["style"]}">{"".join(letters)}</g>'


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
