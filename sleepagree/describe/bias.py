"""What a class's bias is made of, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from sleepagree.describe.words import join_words, say_class, say_left_out, signed
from sleepagree.inference.estimate import NAN
from sleepagree.scoring.redistribution import BiasSource

if TYPE_CHECKING:
    from sleepagree.night.compare import MappingAgreement
    from sleepagree.study.results import StudyMapping

#: Which way minutes went between a class and another -> words before the name of the other.
FLOW_WORDS: Final = {"from": "from", "to": "lost to"}


def say_bias_source(
    source: BiasSource, under: MappingAgreement | StudyMapping | None = None, *, reference_min: float = NAN
) -> str:
    """Return the account of one class's bias as one line, gains first, each by size.

    Parameters
    ----------
    source : BiasSource
        The account.
    under : MappingAgreement or StudyMapping, optional
        What it is of: names the classes for what they hold, and says what is left out.
    reference_min : float
        Minutes of the class by the reference, told beside the bias; nan tells none.

    Examples
    --------
    >>> say_bias_source(BiasSource("deep", 62.5, (("rem", 41.0), ("light", 38.5), ("wake", 0.0)),
    ...                            (("light", 17.0), ("wake", 0.0))))
    'deep: +62.5 min = +41.0 from REM, +38.5 from light, -17.0 lost to light'
    """
    parts = _parts(source, under)
    head = f"{_name(source.name, under)}{_left_out(under, ', ')}: {signed(source.bias_min)} min"
    head += "" if math.isnan(reference_min) else f" ({reference_min:.1f} by the reference)"
    return f"{head} = {', '.join(parts)}" if parts else f"{head}: no epoch of it was confused"


def bias_source_result(
    source: BiasSource, under: MappingAgreement | StudyMapping | None = None, *, unit: str = "min"
) -> str:
    """Return the same as a sentence of a results paragraph.

    Examples
    --------
    >>> bias_source_result(BiasSource("deep", 24.0, (("rem", 41.0),), (("light", 17.0),)))
    'The bias of deep, +24.0 min, was +41.0 from REM and -17.0 lost to light.'
    """
    of = f"The bias of {_name(source.name, under)}{_left_out(under, ' with ')}"
    return f"{of}, {signed(source.bias_min)} {unit}, was {join_words(_parts(source, under))}."


def _name(name: str, under: MappingAgreement | StudyMapping | None) -> str:
    return say_class(name, under.mapping if under else None)


def _left_out(under: MappingAgreement | StudyMapping | None, before: str) -> str:
    left_out = say_left_out(under.mapping, under.left_out) if under else ""
    return before + left_out if left_out else ""


def _parts(source: BiasSource, under: MappingAgreement | StudyMapping | None) -> list[str]:
    flows = ((FLOW_WORDS[way], name, minutes) for way, name, minutes in flows_by_size(source) if minutes)
    return [f"{signed(minutes)} {words} {_name(name, under)}" for words, name, minutes in flows]


def flows_by_size(source: BiasSource) -> list[tuple[str, str, float]]:
    """Return "from" or "to", the other class and signed minutes, what was gained first, each by size."""
    flows = [("from", name, minutes) for name, minutes in sorted(source.gained, key=lambda flow: -flow[1])]
    return flows + [("to", name, -minutes) for name, minutes in sorted(source.lost, key=lambda flow: -flow[1])]
