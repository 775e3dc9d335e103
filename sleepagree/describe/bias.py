"""What a class's bias is made of, in words."""

from __future__ import annotations

import math

from sleepagree.describe.words import join_words, say_class, signed
from sleepagree.inference.estimate import NAN
from sleepagree.scoring.bias_sources import BiasSource


def say_bias_source(source: BiasSource, reference_min: float = NAN) -> str:
    """Return the account of one class's bias as one line, gains first, each by size.

    Parameters
    ----------
    source : BiasSource
        The account.
    reference_min : float
        Minutes of the class by the reference, told beside the bias; nan tells none.

    Examples
    --------
    >>> say_bias_source(BiasSource("deep", 62.5, (("rem", 41.0), ("light", 38.5), ("wake", 0.0)),
    ...                            (("light", 17.0), ("wake", 0.0))))
    'deep: +62.5 min = +41.0 from REM, +38.5 from light, -17.0 lost to light'
    """
    head, parts = f"{say_class(source.name)}: {signed(source.bias_min)} min", _parts(source)
    head += "" if math.isnan(reference_min) else f" ({reference_min:.1f} by the reference)"
    return f"{head} = {', '.join(parts)}" if parts else f"{head}: no epoch of it was confused"


def bias_source_result(source: BiasSource, *, unit: str = "min") -> str:
    """Return the same as a sentence of a results paragraph.

    Examples
    --------
    >>> bias_source_result(BiasSource("deep", 24.0, (("rem", 41.0),), (("light", 17.0),)))
    'The bias of deep, +24.0 min, was +41.0 from REM and -17.0 lost to light.'
    """
    return f"The bias of {say_class(source.name)}, {signed(source.bias_min)} {unit}, was {join_words(_parts(source))}."


def _parts(source: BiasSource) -> list[str]:
    gained = sorted((part for part in source.gained if part[1]), key=lambda part: -part[1])
    lost = sorted((part for part in source.lost if part[1]), key=lambda part: -part[1])
    return [
        *(f"{signed(minutes)} from {say_class(name)}" for name, minutes in gained),
        *(f"{signed(-minutes)} lost to {say_class(name)}" for name, minutes in lost),
    ]
