"""A caution as text, without anything that renders results: whoever reads a file may ask for it."""

from __future__ import annotations

from typing import Final

from sleepagree.caution import Caution
from sleepagree.describe.cautions import say_caution
from sleepagree.errors import Front
from sleepagree.render.columns import cut_at_word

_LONGEST_CAUTION: Final = 100


def sentence(caution: Caution) -> str:
    """Return what a caution says."""
    return say_caution(caution, Front.PYTHON)


def brief_caution(caution: Caution) -> str:
    """Return the beginning of what a caution says."""
    return cut_at_word(sentence(caution), _LONGEST_CAUTION)
