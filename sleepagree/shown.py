"""How a result shows itself in a notebook, without knowing what shows it.

Results stand below the rooms that describe and render them, so none of them imports upward: the package's entrance
hands in the function that makes the HTML, which is loaded when the first result is shown.
"""

from __future__ import annotations

TYPE_CHECKING = False  # the package's entrance imports this module, and should import no other
if TYPE_CHECKING:
    from collections.abc import Callable

_renderers: list[Callable[[object], str]] = []


def show_by(renderer: Callable[[object], str]) -> None:
    """Let this function make what notebooks show."""
    _renderers[:] = [renderer]


def notebook_html(result: object) -> str | None:
    """Return what a notebook shows of a result; None, which means its `repr`, where nothing was handed in."""
    return _renderers[0](result) if _renderers else None
