"""Comparison with figures as a source prints them."""

from __future__ import annotations


def agrees_with_print(value: float, printed: str) -> bool:
    """Whether ``value`` is what ``printed`` stands for: within half a unit of its last digit.

    >>> agrees_with_print(0.49153, ".492"), agrees_with_print(0.49249, ".4916")
    (True, False)
    """
    decimals = len(printed.partition(".")[2])
    return abs(float(value) - float(printed)) <= 0.5 * 10.0**-decimals * (1 + 1e-9)
