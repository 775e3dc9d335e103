"""A description as one self-contained HTML file, and its figures as files."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final, get_args

from sleepagree.describe.blocks import Beside, Block, Description, Figure, Role, flat
from sleepagree.files.writing import encode_text
from sleepagree.render.columns import BEFORE_UNIT

if TYPE_CHECKING:
    from jinja2 import Template

    from sleepagree.render.figures import Drawing

#: Words with more letters than this may be broken anywhere; others stay whole.
_LONGEST_WHOLE_WORD: Final = 24

#: A cell with more letters than this is a sentence and wants a column that is not too narrow.
_LONGEST_NARROW_CELL: Final = 24

_MINUS: Final = re.compile(r"(?<![\w.−-])-(?=\.?\d)")
_CLASS_OF_ROLE: Final = {Role.PLAIN: "", Role.NOTE: "note", Role.TO_PASTE: "paste"}


def render_page(description: Description) -> str:
    """Return a description as an HTML document.

    Returns
    -------
    str
        One file: no network, no script needed to read it, the same text for the same description.
    """
    return _document(description, _draw_all(description))


def page_files(description: Description, forms: Sequence[str] = ("svg",)) -> dict[str, bytes]:
    """Return the page and its figures as files: ``report.html`` and ``figures/NAME.svg`` -> bytes.

    Parameters
    ----------
    description : Description
        What the page says.
    forms : sequence of str
        Of each figure: ``"svg"``, ``"pdf"``, ``"png"``.
    """
    from sleepagree.render.figures import figure_file

    drawings = _draw_all(description)
    files_of = {"report.html": encode_text(_document(description, drawings))}
    for figure in _figures(description):
        for form in forms:
            files_of[f"figures/{figure.name}.{form}"] = figure_file(figure, drawings[figure.name], form)
    return files_of


def _figures(description: Description) -> list[Figure]:
    sections = (*description.answer, *description.sections)
    return [block for section in sections for block in flat(section.blocks) if isinstance(block, Figure)]


def _draw_all(description: Description) -> dict[str, Drawing]:
    from sleepagree.render.figures import draw_figures

    return draw_figures(_figures(description))


def _document(description: Description, drawings: Mapping[str, Drawing]) -> str:
    import matplotlib

    return _template().render(
        page=description,
        answer=description.answer,
        sections=description.sections,
        drawings=drawings,
        drawn_with=matplotlib.__version__,
        class_of_role=_CLASS_OF_ROLE,
        style=page_style(),
        script=_resource("page.js"),
        policy=page_policy(),
    )


def page_policy() -> str:
    """Return what a page may load and run, as a Content-Security-Policy: nothing but what stands in it."""
    script_hash = base64.b64encode(hashlib.sha256(_resource("page.js").encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{script_hash}'; base-uri 'none'; "
        "form-action 'none'"
    )


def page_style() -> str:
    """Return how every page looks, on light and on dark paper, as CSS."""
    from sleepagree.figures.style import css_variables

    light, dark = css_variables(), css_variables(dark=True)
    media = f"@media (prefers-color-scheme: dark) {{ @media screen {{ :root {{ {dark} }} }} }}"
    return f":root {{ {light} }}\n{media}\n{_resource('page.css')}"


@lru_cache(maxsize=4)
def _resource(name: str) -> str:
    return (files("sleepagree.render") / "templates" / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        optimized=False,
    )
    environment.filters["minus"] = with_minus
    environment.tests["long"] = has_long_word
    environment.tests["sentence"] = _is_sentence
    environment.tests["widely"] = _holds_wide_figure
    environment.tests |= {block.__name__.lower(): _is_a(block) for block in get_args(Block)}
    return environment.from_string(_resource("page.html.j2"))


def _is_a(block: type) -> Callable[[object], bool]:
    return lambda found: isinstance(found, block)


def with_minus(text: str) -> str:
    """Return text in which negative numbers have a minus sign, as in figures, and numbers keep their units beside them.

    Dates and names keep their hyphens.

    Examples
    --------
    >>> print(with_minus("-8.7 (-15.6 to -1.8) on 2026-03-01 under 'rem-apart'"))
    −8.7 (−15.6 to −1.8) on 2026-03-01 under 'rem-apart'
    """
    return BEFORE_UNIT.sub("\xa0", _MINUS.sub("−", text))


def has_long_word(text: str) -> bool:
    """Whether a text holds a word that a narrow column has to break."""
    return any(len(word) > _LONGEST_WHOLE_WORD for word in text.split())


def _is_sentence(text: str) -> bool:
    return len(text) > _LONGEST_NARROW_CELL and not has_long_word(text)


def _holds_wide_figure(block: Beside) -> bool:
    return any(isinstance(inner, Figure) and inner.wide for inner in flat((block,)))
