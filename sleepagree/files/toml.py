"""TOML texts as Python values, with integers of the size that TOML has."""

from __future__ import annotations

import re
from typing import Any, Final

_MOST_BITS: Final = 63


class TomlError(ValueError):
    """A text that is no TOML.

    Parameters
    ----------
    reason : str
        What is wrong, as a clause.
    where : str
        Line and column, or the key, where known.
    """

    def __init__(self, reason: str, where: str = "") -> None:
        super().__init__(f"{reason} (at {where})" if where else reason)
        self.reason = reason
        self.where = where


def parse_toml(text: str) -> dict[str, Any]:
    """Return the values of a TOML text.

    Raises
    ------
    TomlError
        When it is no TOML, is nested too deeply, or holds an integer beyond the 64 bits of TOML 1.0. Python alone
        raises something else for a number of more than 4300 digits, and lets shorter ones pass that no float holds.
    """
    import tomllib  # here, since most nights are read without a layout

    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.fullmatch(r"(.*) \(at (line \d+, column \d+|end of document)\)", str(error), re.DOTALL)
        raise TomlError(*((match[1], match[2]) if match else (str(error),))) from None
    except RecursionError:
        raise TomlError("it is nested too deeply") from None
    except ValueError:
        raise TomlError("an integer of thousands of digits", _line_of_digits(text)) from None
    key = _too_large(document)
    if key is not None:
        raise TomlError("an integer beyond 64 bits", f"key '{key}'")
    return document


def toml_text(text: str) -> str:
    """Return a text in quotes as TOML has it, for a line that a message offers."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


def _line_of_digits(text: str) -> str:
    lengths = [max((len(run) for run in re.findall(r"[\d_]+", line)), default=0) for line in text.split("\n")]
    return f"line {lengths.index(max(lengths)) + 1}"


def _too_large(value: Any, key: str = "") -> str | None:
    """Return the key of the first integer that is too large."""
    if isinstance(value, int):
        return key if value.bit_length() > _MOST_BITS and value != -(2**_MOST_BITS) else None
    held = value.items() if isinstance(value, dict) else ((key, item) for item in value) if type(value) is list else ()
    return next((found for k, v in held if (found := _too_large(v, str(k))) is not None), None)
