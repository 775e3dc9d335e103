"""Figures as files, and as parts of a page: the same bytes for the same figure."""

from __future__ import annotations

import copy
import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from functools import lru_cache
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, fontManager, get_font
from matplotlib.text import Text

from sleepagree.figures.style import PAPER, figure_style, themed
from sleepagree.files.writing import write_files

PNG_DPI: Final = 300
#: Of zlib: the usual 6 takes more than twice as long for a quarter fewer bytes.
_PNG_LEVEL: Final = 1

_SVG: Final = "http://www.w3.org/2000/svg"
_LINK: Final = "{http://www.w3.org/1999/xlink}href"
_REFERENCE: Final = re.compile(r"url\(#")
_LONG_NUMBER: Final = re.compile(r"-?\d+\.\d{3,}")


def figure_bytes(figure: Figure, form: str, *, title: str = "", description: str = "") -> bytes:
    """Return a figure as the bytes of a file; the same bytes for the same figure.

    Parameters
    ----------
    figure : Figure
        The figure.
    form : str
        ``"svg"`` (letters are text, to be searched and edited), ``"pdf"`` (fonts embedded) or ``"png"`` (300 dots per
        inch).
    title, description : str
        Alternative text of an SVG: what it is, and its numbers in words.

    Raises
    ------
    ValueError
        When ``form`` is none of these.
    """
    if form == "svg":
        paper = to_hex(figure.get_facecolor())
        return svg_file(svg_tree(figure), title=title, description=description, paper=paper)
    if form == "pdf":
        return _saved(figure, form, metadata={"CreationDate": None})
    if form == "png":
        return _saved(figure, form, dpi=PNG_DPI, pil_kwargs={"compress_level": _PNG_LEVEL})
    raise ValueError(f"form must be one of svg, pdf, png, not {form!r}")


def save_figure(
    figure: Figure, path: str | Path, *, overwrite: bool = False, title: str = "", description: str = ""
) -> Path:
    """Write a figure as SVG, PDF or PNG, by the suffix of ``path``, whole or not at all.

    Parameters
    ----------
    figure : Figure
        The figure; of an axes it is ``ax.figure``.
    path : path
        File to write.
    overwrite : bool
        Whether to replace a file that exists.
    title, description : str
        Alternative text of an SVG: what it is, and its numbers in words.

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
    target = Path(path)
    form = target.suffix.lower().lstrip(".")
    write_files({target: figure_bytes(figure, form, title=title, description=description)}, overwrite=overwrite)
    return target


def page_drawing(tree: ElementTree.Element, *, prefix: str) -> str:
    """Return the SVG elements of a figure, to stand in a page inside an ``<svg>`` of the figure's size in points.

    Every colour of the palette is a CSS variable.

    Parameters
    ----------
    tree : Element
        From :func:`svg_tree`; it is not changed.
    prefix : str
        Every id begins with it, so that several figures can stand in one page.
    """
    root = copy.deepcopy(tree)
    for child in list(root):
        if child.find("style") is not None:  # it would reach every element of the page, which has one of its own
            root.remove(child)
    for element in root.iter():
        element.tail = None
        for key, value in element.attrib.items():
            element.set(key, _page_attribute(key, value, prefix))
        if element.tag != "text" and not (element.text or "").strip():
            element.text = None
    return "\n".join(ElementTree.tostring(child, encoding="unicode") for child in root)


def _page_attribute(key: str, value: str, prefix: str) -> str:
    """Return the value of an attribute as it stands in a page."""
    if key == "id":
        return f"{prefix}-{value}"
    if key == "href":
        return f"#{prefix}-{value.removeprefix('#')}"
    if key == "style":
        return themed(value)
    if key in ("d", "x", "y"):  # in points: a hundredth of one cannot be seen
        return _LONG_NUMBER.sub(lambda number: f"{float(number[0]):.2f}", " ".join(value.split()))
    return _REFERENCE.sub(f"url(#{prefix}-", value)


def svg_file(tree: ElementTree.Element, *, title: str, description: str, paper: str = PAPER.light) -> bytes:
    """Return the SVG of a figure as a file of its own, on paper and with its alternative text."""
    root = copy.deepcopy(tree)
    root.insert(0, ElementTree.Element("rect", width="100%", height="100%", fill=paper))
    root.set("xmlns", _SVG)
    root.set("role", "img")
    told = [(tag, text) for tag, text in (("title", title), ("desc", description)) if text]
    for place, (tag, text) in enumerate(told):
        element = ElementTree.Element(tag, id=tag)
        element.text, element.tail = text, "\n"
        root.insert(place, element)
    if told:
        root.set("aria-labelledby", " ".join(tag for tag, _ in told))
    written: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"


def svg_tree(figure: Figure) -> ElementTree.Element:
    """Return what matplotlib draws as SVG, without metadata and background; names have no prefix of a namespace."""
    root = ElementTree.fromstring(_saved(figure, "svg", metadata={"Date": None}, facecolor="none"))  # noqa: S314 - ours
    for element in root.iter():
        element.tag = element.tag.removeprefix(f"{{{_SVG}}}")
        if _LINK in element.attrib:
            element.set("href", element.attrib.pop(_LINK))
    for child in root.findall("metadata"):
        root.remove(child)
    return root


def _saved(figure: Figure, form: str, **how: Any) -> bytes:
    """Return what matplotlib saves."""
    stream = io.BytesIO()
    with figure_style(), warnings.catch_warnings():
        # labels may be in scripts that no font here has
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        # an SVG holds text, not letters: whoever shows it finds a font
        with nullcontext() if form == "svg" else borrowed_letters(figure):
            figure.savefig(stream, format=form, **how)
    return stream.getvalue()


@contextmanager
def borrowed_letters(figure: Figure) -> Iterator[None]:
    """Let texts take letters that their font lacks from other fonts of this machine, while the figure is saved."""
    changed = []
    for text in figure.findobj(Text):
        look = text.get_fontproperties()
        lacking = frozenset(letter for letter in text.get_text() if ord(letter) not in _letters_of(findfont(look)))
        others = _families_with(lacking) if lacking else ()
        if others:
            changed.append((text, look.get_family()))
            text.set_fontfamily([*look.get_family(), *others])
    try:
        yield
    finally:
        for text, families in changed:
            text.set_fontfamily(families)


@lru_cache(maxsize=256)
def _letters_of(file: str) -> frozenset[int]:
    return frozenset(get_font(file).get_charmap())


@lru_cache(maxsize=256)
def _families_with(letters: frozenset[str]) -> tuple[str, ...]:
    """Return families of this machine that have letters, as few as it takes; none for letters that no font has."""
    wanted, found = {ord(letter) for letter in letters}, []
    for font in sorted(fontManager.ttflist, key=lambda font: (font.name, font.fname)):
        # the last resort has a box for every letter, and no letter
        if font.style != "normal" or font.name.startswith("Last Resort"):
            continue
        if wanted & _letters_of(font.fname):
            wanted -= _letters_of(font.fname)
            found.append(font.name)
        if not wanted:
            break
    return tuple(found)
