"""Comparison with figures as a source prints them."""

from __future__ import annotations

from collections.abc import Callable

#: Takes (value, what is printed, what is allowed) of each comparison, while tests/recorded_figures.py writes them down.
taker: Callable[[float, str, float], None] | None = None


def agrees_with_print(value: float, printed: str) -> bool:
    """Whether ``value`` is what ``printed`` stands for: within half a unit of its last digit.

    >>> agrees_with_print(0.49153, ".492"), agrees_with_print(0.49249, ".4916")
    (True, False)
    """
    half_a_unit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
    if taker is not None:
        taker(float(value), printed, half_a_unit)
    return abs(float(value) - float(printed)) <= half_a_unit * (1 + 1e-9)
