"""Drawing a figure into a page: small SVG in which letters are text and colours are CSS variables.

matplotlib's own SVG is made to stand alone. In a page it would bring a style that reaches every element, ids that
clash, fixed colours and much room; and measuring every label with a font engine takes longer than all the rest.
This renderer writes what artists ask it to draw, and measures letters by a table of widths.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final, cast

import numpy as np
from markupsafe import escape
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D, Transform
from numpy.typing import NDArray

from sleepagree.figures.drawing import styled
from sleepagree.figures.letters import text_width
from sleepagree.figures.palette import themed

_ASCENT, _DESCENT, _LINE_GAP = 0.76, 0.24, 0.2
_NOT_NAME: Final = re.compile(r"[^A-Za-z0-9_-]")


@styled
def draw_for_page(figure: Figure, *, prefix: str) -> tuple[str, tuple[float, float]]:
    """Return what a figure draws, as SVG elements to stand in a page, and its width and height in points.

    Parameters
    ----------
    figure : Figure
        The figure.
    prefix : str
        Every id begins with it.
    """
    renderer = PageRenderer(figure.get_figwidth() * 72.0, figure.get_figheight() * 72.0, prefix)
    size = draw_with(renderer, figure)
    return renderer.svg(), size


def draw_with(renderer: PageRenderer, figure: Figure) -> tuple[float, float]:
    """Draw a figure with a renderer whose unit is the point; return its width and height in points."""
    dpi = figure.dpi
    try:
        figure.dpi = 72.0
        figure.draw(renderer)
    finally:
        figure.dpi = dpi
    return figure.get_figwidth() * 72.0, figure.get_figheight() * 72.0


def number(value: float) -> str:
    """Return a number with at most two digits after the point."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _hex(rgb: Sequence[float]) -> str:
    return "#" + "".join(f"{round(255 * part):02x}" for part in rgb[:3])


class PageRenderer(RendererBase):
    """Writes the elements of one figure, in points, y downwards.

    Parameters
    ----------
    width, height : float
        Size of the figure (points).
    prefix : str
        Every id begins with it.
    """

    def __init__(self, width: float, height: float, prefix: str) -> None:
        super().__init__()
        self._width, self._height, self._prefix = width, height, prefix
        self._parts: list[str] = []
        self._definitions: list[str] = []
        self._known: dict[str, str] = {}
        self._groups: list[bool] = []

    def svg(self) -> str:
        """Return the elements drawn so far."""
        definitions = "".join(self._definitions)
        return (f"<defs>{definitions}</defs>\n" if definitions else "") + "\n".join(self._parts)

    # --- what artists call

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Return the size of the figure."""
        return self._width, self._height

    def flipy(self) -> bool:
        """Say that y runs downwards."""
        return True

    def points_to_pixels(self, points: Any) -> Any:
        """Return points: they are the unit here."""
        return points

    def open_group(self, s: str, gid: str | None = None) -> None:  # noqa: ARG002
        """Begin a group; only those with a name of ours leave a trace."""
        self._groups.append(gid is not None)
        if gid is not None:
            self._parts.append(f'<g id="{self._prefix}-{_NOT_NAME.sub("", gid)}">')

    def close_group(self, s: str) -> None:  # noqa: ARG002
        """End a group."""
        if self._groups.pop():
            self._parts.append("</g>")

    def draw_path(
        self,
        gc: GraphicsContextBase,
        path: Outline,
        transform: Transform,
        rgbFace: Any = None,  # noqa: N803
    ) -> None:
        """Draw a path."""
        style = self._style(gc, rgbFace)
        if style:
            self._parts.append(f'<path d="{self._outline(path, transform)}"{self._clip(gc)} style="{style}"/>')

    def draw_markers(
        self,
        gc: GraphicsContextBase,
        marker_path: Outline,
        marker_trans: Transform,
        path: Outline,
        trans: Transform,
        rgbFace: Any = None,  # noqa: N803
    ) -> None:
        """Draw one shape at many places."""
        style = self._style(gc, rgbFace)
        if not style:
            return
        shape = outline_text(marker_path.vertices, marker_path.codes, marker_trans + Affine2D().scale(1.0, -1.0))
        name = self._define("m", f'<path id="{{}}" d="{shape}"/>')
        at = (trans + self._down()).transform(path.vertices)
        inside = (at[:, 0] > -9) & (at[:, 0] < self._width + 9) & (at[:, 1] > -9) & (at[:, 1] < self._height + 9)
        places = "".join(f'<use href="#{name}" x="{number(x)}" y="{number(y)}"/>' for x, y in at[inside].tolist())
        self._parts.append(f'<g{self._clip(gc)} style="{style}">{places}</g>')

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
        """Write one line of text; it is anchored where it is aligned, so that another font keeps its place."""
        size, bold = prop.get_size_in_points(), is_bold(prop)
        aligned = "left" if mtext is None else mtext.get_horizontalalignment()
        anchor = {"left": "start", "center": "middle", "right": "end"}[aligned]
        # the line begins at (x, y); what it hangs on is its begin, its middle or its end
        along = text_width(s, size, bold=bold) * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
        turned = np.deg2rad(angle)
        x, y = x + along * float(np.cos(turned)), y - along * float(np.sin(turned))
        more = "" if anchor == "start" else f' text-anchor="{anchor}"'
        more += ' font-weight="700"' if bold else ""
        more += f' transform="rotate({number(-angle)} {number(x)} {number(y)})"' if angle else ""
        style = f"fill: {_hex(gc.get_rgb())}"
        self._parts.append(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}"{more} '
            f'style="{themed(style)}">{escape(s)}</text>'
        )

    def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> tuple[float, float, float]:  # noqa: ARG002
        """Return the size of a line of text."""
        size = prop.get_size_in_points()
        return text_width(s, size, bold=is_bold(prop)), size * (_ASCENT + _DESCENT), size * _DESCENT

    def _get_font_height_metrics(self, prop: Any) -> tuple[float, float, float]:
        # a hook of matplotlib 3.11, without which it opens the font to learn the same three numbers
        size = prop.get_size_in_points()
        return size * _ASCENT, size * _DESCENT, size * _LINE_GAP

    def draw_image(self, *args: Any, **kwargs: Any) -> None:
        """Refuse: the figures here hold no image."""
        raise NotImplementedError("a figure for a page holds no image")

    # --- parts of elements

    def _down(self) -> Affine2D:
        return Affine2D().scale(1.0, -1.0).translate(0.0, self._height)

    def _outline(self, path: Outline, transform: Transform) -> str:
        return outline_text(path.vertices, path.codes, transform + self._down())

    def _define(self, kind: str, element: str) -> str:
        """Return the id of a definition, which is written once."""
        if element not in self._known:
            self._known[element] = f"{self._prefix}-{kind}{len(self._known)}"
            self._definitions.append(element.format(self._known[element]))
        return self._known[element]

    def _clip(self, gc: GraphicsContextBase) -> str:
        box = gc.get_clip_rectangle()
        if box is None:
            return ""
        x, y, width, height = box.bounds
        rectangle = (
            f'<rect x="{number(x)}" y="{number(self._height - y - height)}" width="{number(width)}" '
            f'height="{number(height)}"/>'
        )
        name = self._define("c", '<clipPath id="{}">' + rectangle + "</clipPath>")
        return f' clip-path="url(#{name})"'

    def _style(self, gc: GraphicsContextBase, face: Any) -> str:
        """Return fill and stroke; "" for what cannot be seen."""
        forced = gc.get_alpha() if gc.get_forced_alpha() else None
        parts = []
        filled = face is not None and (forced if forced is not None else (face[3] if len(face) > 3 else 1.0)) > 0
        if filled:
            parts.append(f"fill: {_hex(face)}")
            opacity = forced if forced is not None else (face[3] if len(face) > 3 else 1.0)
            parts += [f"fill-opacity: {number(opacity)}"] if opacity < 1 else []
        rgb = gc.get_rgb()
        opacity = forced if forced is not None else (rgb[3] if len(rgb) > 3 else 1.0)
        stroked = gc.get_linewidth() > 0 and opacity > 0
        if stroked:
            parts += ["fill: none"] if not filled else []
            parts += [f"stroke: {_hex(rgb)}", f"stroke-width: {number(gc.get_linewidth())}"]
            parts += [f"stroke-opacity: {number(opacity)}"] if opacity < 1 else []
            offset, dashes = cast(Any, gc.get_dashes())
            if dashes is not None:
                parts.append("stroke-dasharray: " + " ".join(number(d) for d in dashes))
                parts += [f"stroke-dashoffset: {number(offset)}"] if offset else []
        return themed("; ".join(parts)) if filled or stroked else ""


def is_bold(prop: Any) -> bool:
    """Whether letters are bold."""
    weight = prop.get_weight()
    return weight in ("bold", "heavy", "black") or (isinstance(weight, (int, float)) and weight >= 600)


_LETTER: Final = {Outline.MOVETO: "M", Outline.LINETO: "L", Outline.CURVE3: "Q", Outline.CURVE4: "C"}
_POINTS: Final = {Outline.CURVE3: 2, Outline.CURVE4: 3}


def outline_text(vertices: Any, codes: Any, transform: Transform, *, digits: int = 2) -> str:
    """Return path data; a point without a value breaks a line."""
    at: NDArray[np.float64] = transform.transform(vertices)
    texts = [f"{x:.{digits}f} {y:.{digits}f}" for x, y in at.tolist()]
    out: list[str] = []
    if codes is None:
        broken = True
        for text in texts:
            if "nan" in text:
                broken = True
                continue
            out.append(("M" if broken else "L") + text)
            broken = False
        return "".join(out)
    i = 0
    listed = codes.tolist()
    while i < len(listed):
        code = listed[i]
        if code == Outline.STOP:
            break
        if code == Outline.CLOSEPOLY:
            out.append("Z")
            i += 1
            continue
        count = _POINTS.get(code, 1)
        out.append(_LETTER[code] + " ".join(texts[i : i + count]))
        i += count
    return "".join(out)
