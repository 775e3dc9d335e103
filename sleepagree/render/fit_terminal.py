"""What is said on a terminal is broken into lines at its width; in a pipe or a file it stays one line."""

from __future__ import annotations

import shutil
import sys
from typing import Final

#: Wider lines than this are hard to read, however wide the terminal is.
_WIDEST: Final = 100


def fit_terminal(text: str) -> str:
    """Return text for standard error, its long lines broken where that is a terminal.

    Lines keep their indent, and what is broken off is indented further; lines that fit stay as they are, so that what
    is to be copied into a file can be.
    """
    if not sys.stderr.isatty():
        return text
    from sleepagree.render.columns import columns_of, wrap

    width = min(shutil.get_terminal_size().columns, _WIDEST)
    lines: list[str] = []
    for line in text.split("\n"):
        if columns_of(line) <= width:
            lines.append(line)
            continue
        indent = line[: len(line) - len(line.lstrip())]
        lines += wrap(line, indent=indent, hang=f"{indent}  ", width=width)
    return "\n".join(lines)
