"""Results that show themselves: a short text in a console, a finding, tables and a plain structure in a notebook.

Results stand below what describes and renders them, so they ask the package for it.
"""

from __future__ import annotations

import os
from collections.abc import Sized
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sleepagree.caution import Cautions

if TYPE_CHECKING:
    import pandas as pd

_LONGEST_VALUE: Final = 60
_LONGEST_LINE: Final = 240


class Brief:
    """A container whose text in a console is one line: arrays and long values by their size."""

    __slots__ = ()

    def __repr__(self) -> str:
        told = (f"{f.name}={_brief(getattr(self, f.name))}" for f in fields(self))  # type: ignore[arg-type]
        text = f"{type(self).__name__}({', '.join(told)})"
        return text if len(text) <= _LONGEST_LINE else text[: _LONGEST_LINE - 2] + "…)"


def _brief(value: Any) -> str:
    if hasattr(value, "shape") and hasattr(value, "dtype"):
        return f"<{value.dtype} array of shape {value.shape}>"
    if isinstance(value, Brief):
        return f"<{type(value).__name__}>"
    text = repr(value)
    if len(text) <= _LONGEST_VALUE and "\n" not in text:
        return text
    size = f" of {len(value)}" if isinstance(value, Sized) and not hasattr(value, "_fields") else ""
    return f"<{type(value).__name__}{size}>"


class Result(Brief):
    """A result that is described: finding, cautions, tables, plain structure."""

    __slots__ = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "cautions", Cautions(getattr(self, "cautions", ())))

    @property
    def finding(self) -> str:
        """What was found, one sentence for each device."""
        return str(self._view("finding"))

    def to_frame(self, table: str = "") -> pd.DataFrame:
        """Return one table of the result as a DataFrame; units stand in column names or in the column ``unit``.

        Parameters
        ----------
        table : str
            Name of the table; by default the first of those that the text of the result lists.

        Raises
        ------
        ValueError
            When the result has no table of that name; the message lists those that it has.
        """
        frame: pd.DataFrame = self._view("frame", table)
        return frame

    def to_dict(self) -> dict[str, Any]:
        """Return the result as a plain structure that JSON can hold, as in the file ``results.json``."""
        return dict(self._view("document"))

    def write_report(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
        """Write the report, with its figures, as one HTML page that needs no network.

        Parameters
        ----------
        path : path-like
            The page; its name ends in ``.html`` or ``.htm``.
        overwrite : bool
            Whether a file of that name may be replaced.

        Raises
        ------
        OutputError
            When the file is there already, or cannot be written.
        ValueError
            When the name ends otherwise.
        """
        if Path(path).suffix.casefold() not in (".html", ".htm"):
            raise ValueError(f"path must end in .html, not {os.fspath(path)!r}: a report is a page; print it for a PDF")
        self._view("page", Path(path), overwrite)

    def __repr__(self) -> str:
        return str(self._view("text"))

    def _repr_html_(self) -> str:
        """Return what a notebook shows."""
        return str(self._view("html"))

    def _view(self, view: str, *arguments: object) -> Any:
        import sleepagree

        return sleepagree.show_result(self, view, *arguments)
