"""Regular expressions that are compiled when they are first used."""

from __future__ import annotations

import re
from typing import Any, AnyStr, Final, cast

_METHODS: Final = ("match", "fullmatch", "search", "sub", "split", "finditer", "findall")


class _LatePattern:
    """Stands for a pattern until its first use, which compiles it and takes over its methods."""

    def __init__(self, pattern: str | bytes, flags: re.RegexFlag) -> None:
        self.pattern = pattern
        self._given = flags

    def __getattr__(self, name: str) -> Any:
        compiled = re.compile(self.pattern, self._given)
        self.__dict__.update({method: getattr(compiled, method) for method in _METHODS})
        return getattr(compiled, name)


def late_pattern(pattern: AnyStr, flags: re.RegexFlag = re.NOFLAG) -> re.Pattern[AnyStr]:
    r"""Return what does the work of ``re.compile(pattern, flags)`` and is compiled when it is first used.

    For patterns of modules that every run imports and few runs need.

    Examples
    --------
    >>> late_pattern(r"crew-(\d+)").fullmatch("crew-3")[1]
    '3'
    """
    return cast("re.Pattern[AnyStr]", _LatePattern(pattern, flags))
