"""Documents as text: JSON that is the same for the same document, and numbers and moments as they stand in it."""

from __future__ import annotations

import json
import math
import platform
import re
from collections.abc import Iterator
from datetime import datetime
from itertools import islice
from typing import Any, Final

import numpy as np

import sleepagree
from sleepagree.hypnogram.align import PairedNight

Document = dict[str, Any]

# json.dumps escapes what is below a space only
_HOSTILE: Final = "[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]"
_PIECES_AT_ONCE: Final = 4096
_FILLED_TO: Final = 110


def number(value: float) -> float | None:
    """Return a JSON number: None for nan or infinity."""
    value = float(value)
    return None if math.isnan(value) or math.isinf(value) else value


def attributes(found: object, *names: str, **renamed: str) -> Document:
    """Return attributes of a result as they are, under their own names or under those given."""
    named = {**{name: name for name in names}, **renamed}
    return {key: getattr(found, attribute) for key, attribute in named.items()}


def numbers(found: object, *names: str, **renamed: str) -> Document:
    """Return attributes of a result as JSON numbers, under their own names or under those given."""
    return {key: number(value) for key, value in attributes(found, *names, **renamed).items()}


def as_iso(value: datetime | None) -> str | None:
    """Return an ISO 8601 text, with seconds, or None."""
    return None if value is None else value.isoformat(timespec="auto" if value.microsecond else "seconds")


def epoch_moment(paired: PairedNight, epoch: int) -> str:
    """Return when an epoch begins, as :func:`as_iso`, or in seconds where no clock is told."""
    return as_iso(paired.epoch_start(epoch)) or seconds_text(paired.begin_s + epoch * paired.epoch_s)


def seconds_text(seconds: float) -> str:
    """Return seconds in plain decimals, to the microsecond: %g would lose sub-seconds late in a recording."""
    text = f"{seconds:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def cell(value: Any) -> str:
    """Return a value of a document as a cell of a CSV file, empty for None."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else str(value)


def dump(document: Any) -> str:
    """Return JSON text, the same bytes for the same document.

    Characters that could move the cursor of a terminal, and halves of surrogate pairs, stand as escapes.
    """
    return "".join(iterate_dump(document))


def iterate_dump(document: Any) -> Iterator[str]:
    """Yield the text of :func:`dump` in pieces: that of a large study is larger than all else that is held of it."""
    pieces = json.JSONEncoder(indent=2, ensure_ascii=False, allow_nan=False).iterencode(document)
    while text := "".join(islice(pieces, _PIECES_AT_ONCE)):
        yield _tame(text)
    yield "\n"


def dump_filled(document: Any) -> str:
    """Return JSON text of a small document for people to read: lines are filled, and no number has one of its own."""
    return "".join(_tame(piece) for piece in (_filled(document, 0), "\n"))


def _filled(value: Any, depth: int) -> str:
    """Return a value with as many items a line as fit; what takes several lines itself begins one."""
    if not isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    items = [_filled(item, depth + 1) for item in (value.values() if isinstance(value, dict) else value)]
    if isinstance(value, dict):
        items = [f"{json.dumps(key, ensure_ascii=False)}: {item}" for key, item in zip(value, items, strict=True)]
    lines: list[str] = []
    for item in items:
        fits = lines and "\n" not in lines[-1] + item and len(lines[-1]) + len(item) + depth < _FILLED_TO
        lines = [*lines[:-1], f"{lines[-1]}, {item}"] if fits else [*lines, item]
    begin, end = "{}" if isinstance(value, dict) else "[]"
    line, rest = "\n" + " " * depth, len(lines) > 1 or "\n" in "".join(lines)
    return f"{begin}{line} {f',{line} '.join(lines)}{line}{end}" if rest else f"{begin}{''.join(lines)}{end}"


def _tame(text: str) -> str:
    """Return text without what could move a cursor or is no character."""
    if text.isascii() and "\x7f" not in text:
        return text
    return re.sub(_HOSTILE, lambda match: f"\\u{ord(match.group()):04x}", text)


def software() -> Document:
    """Return the versions that the numbers depend on."""
    return {"sleepagree": sleepagree.__version__, "numpy": np.__version__, "python": platform.python_version()}
