"""Cautions and notes as sentences: a sentence is filled with the values of its fact, or made of them by a function."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from string import Formatter
from typing import Any, Final

from sleepagree.caution import Fact
from sleepagree.describe.words import figure, join_words, percent, say_measure, say_stages, signed, speak
from sleepagree.errors import Option, Step, counted, shorten
from sleepagree.hypnogram.ledger import say_status
from sleepagree.readers.times.clock import show_number

Sentence = str | Callable[[Any], str]


def say_step(seconds: float) -> str:
    """Return the length of steps in which a file tells stages."""
    return f"{show_number(seconds)} s" if seconds < 120 else f"{show_number(seconds / 60)} min"


def quoted(words: Iterable[str]) -> str:
    """Return words of somebody else's in quotes."""
    return ", ".join(f"'{shorten(word)}'" for word in words)


#: What stands behind the colon of a place in a sentence -> how the value is written there.
_WAYS: Final[dict[str, Callable[[Any], str]]] = {
    "classes": lambda names: join_words(map(speak, names)),
    "figure": partial(figure, digits=3),
    "joined": ", ".join,
    "listed": join_words,
    "measures": lambda names: join_words(map(say_measure, names)),
    "number": show_number,
    "percent": percent,
    "quoted": quoted,
    "short": shorten,
    "signed": partial(signed, digits=0),
    "stages": lambda stages: join_words(say_stages(stages)),
    "status": say_status,
    "step": say_step,
}


class _Filler(Formatter):
    """Fills the places of a sentence.

    ``{kappa:figure}`` is written by :data:`_WAYS`, ``{count:# row}`` as "1 row" or "2 rows", and ``{count:was|were}``
    is the first of both words for 1, else the second.
    """

    def format_field(self, value: Any, format_spec: str) -> str:
        one, bar, several = format_spec.partition("|")
        if bar:
            return one if value == 1 else several
        if format_spec.startswith("# "):
            return counted(value, format_spec[2:])
        way = _WAYS.get(format_spec)
        return format(value, format_spec) if way is None else way(value)


def fill(fact: Fact, sentence: Sentence, **more: str) -> str:
    """Return the sentence of a fact behind the side that it speaks of; places of what can be set stay in it.

    Parameters
    ----------
    fact : Fact
        The fact.
    sentence : str or callable
        A text with places for the values of the fact, for an ``{Option.…}`` and a ``{Step.…}``; or what makes a text of
        the fact.
    more
        Further values of a text.
    """
    if isinstance(sentence, str):
        text = _Filler().vformat(sentence, (), {**dict(fact.values), **more, "Option": Option, "Step": Step})
    else:
        text = sentence(fact)
    return f"{fact.side}: {text}" if fact.side else text
