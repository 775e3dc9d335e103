"""What cautions and notes say, for tests that assert the exact words."""

from __future__ import annotations

from collections.abc import Iterable

from sleepagree.caution import Caution, Note
from sleepagree.describe.cautions import say_caution
from sleepagree.describe.notes import say_note


def said(facts: Iterable[Caution | Note]) -> tuple[str, ...]:
    return tuple(say_caution(fact) if isinstance(fact, Caution) else say_note(fact) for fact in facts)
