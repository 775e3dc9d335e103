"""Texts in which the stage stands among other words, such as lines of a log: a form says where."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from sleepagree.mapping.words import recognise_label
from sleepagree.readers.columns import Columns
from sleepagree.readers.layout import STAGE_PLACE, Layout
from sleepagree.readers.table.table import Table

#: What stands for a number, and for whatever else differs from row to row.
NUMBER: Final = "#"
ANY_TEXT: Final = "*"
_SPACES: Final = re.compile(r"\s+")
_NUMBER: Final = re.compile(r"\d+(?:[.,:]\d+)*")
_WILD: Final = {re.escape(NUMBER): rf"(?:{NUMBER}|{_NUMBER.pattern})", re.escape(ANY_TEXT): ".*?"}


def without_numbers(text: str) -> str:
    """Return a text with # in the place of each number, so that rows which differ in nothing else are alike.

    Examples
    --------
    >>> without_numbers("pulse 52, 18,7 degrees")
    'pulse #, # degrees'
    """
    return _NUMBER.sub(NUMBER, _SPACES.sub(" ", text))


def label_in(text: str, form: str) -> str | None:
    """Return what stands in a text where a form has its stage; None where the text is not of that form.

    Examples
    --------
    >>> label_in("state -> light sleep (pulse 52)", "state -> {stage} (pulse #)")
    'light sleep'
    >>> label_in("battery 80 %", "state -> {stage} (pulse #)")

    Among texts of other kinds a stage that stands by itself has no number, unless it is a plain word such as N2:

    >>> label_in("Light", "{stage}"), label_in("N2", "{stage}"), label_in("pulse 52", "{stage}")
    ('Light', 'N2', None)
    """
    if form == STAGE_PLACE and _NUMBER.search(text) and recognise_label(text) is None:
        return None
    match = _pattern(form).fullmatch(" ".join(text.split()))
    return match["stage"].strip() if match else None


@lru_cache(maxsize=64)
def _pattern(form: str) -> re.Pattern[str]:
    around = (re.escape(part) for part in " ".join(form.split()).split(STAGE_PLACE))
    before, after = (re.sub("|".join(map(re.escape, _WILD)), lambda wild: _WILD[wild[0]], part) for part in around)
    return re.compile(f"{before}(?P<stage>.+?){after}")


def labels_by_form(texts: Sequence[str], form: str) -> list[str]:
    """Return the label of each row: what the form finds, else the whole text without its numbers."""
    found = {text: label_in(text, form) for text in dict.fromkeys(texts)}
    return [without_numbers(text.strip()) if (label := found[text]) is None else label for text in texts]


def with_form(table: Table, columns: Columns, layout: Layout) -> Table:
    """Return a table whose column of stages holds what the form of a layout finds there."""
    if layout.stage_form is None:
        return table
    labels = labels_by_form(table.texts(columns.stage), layout.stage_form)
    return table._replace(columns={**table.columns, columns.stage: labels})
