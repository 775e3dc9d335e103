"""Published sources of the methods, by the key that the code that uses them goes by: ``sources.toml``."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sleepagree.files.toml import parse_toml

SOURCES: Final[dict[str, str]] = parse_toml(Path(__file__).with_name("sources.toml").read_text("utf-8"))


class Citations:
    """Numbers for sources in the order in which a text uses them."""

    def __init__(self) -> None:
        self._used: dict[str, str] = {}

    def mark(self, *keys: str) -> str:
        """Return the numbers of these sources as they stand in a text.

        Raises
        ------
        KeyError
            When a source is not known.

        Examples
        --------
        >>> cited = Citations()
        >>> cited.mark("kappa"), cited.mark("wilson", "kappa"), len(cited.sources)
        ('[1]', '[2, 1]', 2)
        """
        self._used |= {key: SOURCES[key] for key in keys}
        return "[" + ", ".join(str([*self._used].index(key) + 1) for key in keys) + "]"

    @property
    def sources(self) -> tuple[str, ...]:
        """The sources that were used, in the order of their numbers."""
        return tuple(self._used.values())
