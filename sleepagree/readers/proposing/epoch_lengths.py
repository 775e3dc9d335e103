"""How long an epoch lasts where no row tells it: by a name, by when the rows began and ended, by what makes a night."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from math import log
from typing import Final

from sleepagree.readers.columns import marks_in_name
from sleepagree.readers.layout import Marks
from sleepagree.readers.proposing.layout_proposal import Choice, Setting, Why
from sleepagree.readers.times.words import seconds_of_unit

_USUAL: Final = (30.0, 20.0, 60.0)
#: Lengths that epochs have, in seconds.
_KNOWN: Final = (1.0, 2.0, 4.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0)
#: Epochs of 30 s, unless others make a night of a usual length.
_USUAL_NIGHT_S: Final = (18_000.0, 43_200.0)
#: What nearly all nights last, and the middle of them.
_NIGHT_S: Final = (10_800.0, 50_400.0)
_MIDDLE_S: Final = 28_800.0
#: With fewer, two lengths may make the same time, once with the last epoch and once without it.
_FEWEST_EPOCHS: Final = 10
_SLACK_S: Final = 1.0
#: A number and a unit as a part of a name: "stages_10s", "phase 5 min", "stage30s".
_LENGTH: Final = re.compile(r"(?<![\d.,])(\d{1,4}(?:[.,]\d+)?)[\s_-]?([^\W\d_]+)")
_SHORT_UNIT: Final = "s"
_SHORTEST_WORD: Final = 3
_BEGINNING: Final = re.compile(r"start|beg[aiu]n|onset", re.IGNORECASE)


def counted_rows(rows: int, seconds: float | None = None, names: Sequence[str] = ()) -> tuple[Setting, ...]:
    """Return the lines for rows that tell no times, or only how long they last, by themselves or in a name."""
    begins = Setting("begins", None, Why.UNTOLD)
    for name in names:
        if (told := length_in_name(name)) is not None:
            return Setting("epoch_seconds", told, Why.LENGTH_IN_NAME, shown=(name,)), begins
    if seconds is not None:
        return Setting("epoch_seconds", round(seconds, 3), Why.FOLLOWS), begins
    usual = usual_length(rows)
    if _is_within(rows * usual.value, _NIGHT_S):
        return usual, begins
    nights = [length for length in _KNOWN if _is_within(rows * length, _NIGHT_S)]
    nights.sort(key=lambda length: abs(log(rows * length / _MIDDLE_S)))
    choices = dict.fromkeys((*nights, *_USUAL))
    return Setting("epoch_seconds", None, Why.UNTOLD, tuple(map(Choice, choices))), begins


def usual_length(epochs: int) -> Setting:
    """Return the line that takes an epoch for 30 s, or for 20 or 60 s where these alone make a usual night."""
    first, *others = sorted(_USUAL, key=lambda length: not _is_within(epochs * length, _USUAL_NIGHT_S))
    return Setting("epoch_seconds", first, Why.USUAL, tuple(map(Choice, others)))


def _is_within(seconds: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= seconds <= bounds[1]


def length_in_name(name: str) -> float | None:
    """Return the seconds of the one length that the last part of a name tells; None where it tells none or several.

    Examples
    --------
    >>> [length_in_name(name) for name in ("night.stages_10s", "phase_5min", "Stage (0.5 min)", "stage_2", "n2s")]
    [10.0, 300.0, 30.0, None, None]
    """
    found = set()
    part = name if " " in name else name.rpartition(".")[2]
    for match in _LENGTH.finditer(part):
        number, word = match.groups()
        before = part[match.start() - 1 : match.start()]
        if word == _SHORT_UNIT and before.isalpha() and len(number) == 1:
            continue  # "n2s": several of a stage
        unit = 1.0 if word == _SHORT_UNIT else seconds_of_unit(word) if len(word) >= _SHORTEST_WORD else None
        if unit is not None:
            found.add(float(number.replace(",", ".")) * unit)
    return found.pop() if len(found) == 1 and min(found) in _KNOWN else None


def from_to(moments: Sequence[tuple[str, str]], epochs: int) -> tuple[Setting, ...]:
    """Return lines about the length of an epoch by moments beside the rows at which all of them began and ended.

    Parameters
    ----------
    moments : sequence of (str, str)
        Names and what they tell in ISO 8601.
    epochs : int
        How many there are between them.
    """
    ends = [(name, moment) for name, moment in moments if marks_in_name(name) is Marks.END]
    begins = [told for told in moments if told not in ends and _BEGINNING.search(told[0])]
    found: dict[float, tuple[str, str]] = {}
    for begin, since in begins:
        for end, until in ends:
            seconds = _each(since, until, epochs)
            if seconds is not None:
                found.setdefault(seconds, (begin, end))
    return tuple(Setting("epoch_seconds", seconds, Why.FROM_TO, shown=names) for seconds, names in found.items())


def _each(since: str, until: str, epochs: int) -> float | None:
    """Return the length of each of some epochs between two moments, of which the later may begin the last of them."""
    begin, end = datetime.fromisoformat(since), datetime.fromisoformat(until)
    if epochs < _FEWEST_EPOCHS or (begin.tzinfo is None) != (end.tzinfo is None):
        return None
    lasting = (end - begin).total_seconds()
    fits = (s for s in _KNOWN if min(abs(lasting - epochs * s), abs(lasting - (epochs - 1) * s)) <= _SLACK_S)
    return next(fits, None)
