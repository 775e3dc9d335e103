"""A document whose measured parts stand between marks, so that the words around them are written by hand."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

#: The parts that docs/performance.md has.
PARTS = ("run", "budgets", "growth", "million")


def _pattern(part: str) -> re.Pattern[str]:
    return re.compile(rf"(<!-- measured: {part} -->\n).*?(<!-- end of {part} -->)", re.DOTALL)


def check_document(path: Path) -> str:
    """Return what keeps a document from being filled, "" for nothing."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        return f"{path}: {error.strerror}; start from docs/performance.md"
    missing = [part for part in PARTS if len(_pattern(part).findall(text)) != 1]
    return f"{path}: '<!-- measured: {missing[0]} -->' and its end must stand there once" if missing else ""


def fill_document(path: Path, parts: Mapping[str, str]) -> None:
    """Put new text between the marks of each part; everything else stays as it is."""
    text = path.read_text(encoding="utf-8")
    for part, new in parts.items():
        text = _pattern(part).sub(lambda found, new=new: f"{found[1]}{new}\n{found[2]}", text)
    path.write_text(text, encoding="utf-8")
