"""How numbers, moments, stages and lists are written, in every table and every sentence."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from sleepagree.errors import counted, printable, shorten
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.words import speak as speak  # noqa: PLC0414
from sleepagree.scoring.measures import say_measure as say_measure  # noqa: PLC0414
from sleepagree.scoring.redistribution import LEFT_OUT_COLUMN

#: Stands where a number does not exist.
DASH: Final = "–"

#: How the intervals of one night were made: the one told first, in heads and in sentences, and the one beside it.
WHEN_ANSWERS_LAST: Final = "when answers last"
FOR_LASTING_ANSWERS: Final = "for answers in runs of epochs"
IF_INDEPENDENT: Final = "if epochs were independent"

#: Key of a statistic of a whole table, and its name.
TABLE_WORDS: Final = {
    "accuracy": "accuracy",
    "kappa": "kappa",
    "pabak": "PABAK",
    "ac1": "AC1",
    "mcc": "MCC",
    "balanced_accuracy": "balanced accuracy",
}
#: Those of a table that a night gives without an interval.
WITHOUT_INTERVAL: Final = tuple(key for key in TABLE_WORDS if key not in ("accuracy", "kappa"))
CLASS_WORDS: Final = {
    "sensitivity": "sensitivity",
    "specificity": "specificity",
    "ppv": "PPV",
    "npv": "NPV",
    "f1": "F1",
    "kappa": "kappa",
}

_LONGEST_NAME: Final = 72
_LONGEST_FILE_WORD: Final = 40

#: So many digits more an interval gets at most.
_MORE_DIGITS: Final = 3


# --- numbers ----------------------------------------------------------------------------------------------


def figure(value: float, digits: int = 2) -> str:
    """Return a number with fixed digits, or a dash where it is undefined.

    Examples
    --------
    >>> figure(0.125), figure(-0.001), figure(float("nan"))
    ('0.12', '0.00', '–')
    """
    if math.isnan(value):
        return DASH
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def signed(value: float, digits: int = 1) -> str:
    """Return a difference with its sign, or a dash.

    Examples
    --------
    >>> signed(1.25), signed(-3), signed(0.04)
    ('+1.2', '-3.0', '0.0')
    """
    if math.isnan(value):
        return DASH
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def percent(share: float, digits: int = 0) -> str:
    """Return a share as per cent, or a dash.

    Examples
    --------
    >>> percent(0.571), percent(0.571, 1)
    ('57 %', '57.1 %')
    """
    return DASH if math.isnan(share) else f"{figure(100 * share, digits)} %"


def interval(low: float, high: float, digits: int = 3) -> str:
    """Return both ends of an interval, or a dash where it lacks one or has no width.

    It has more digits where an end would lose its sign or both ends would look the same.

    Examples
    --------
    >>> interval(-0.02, 0.4, 2), interval(-0.0049, 0.024, 2), interval(0.0, 0.4, 1), interval(1.0, 1.0)
    ('-0.02 to 0.40', '-0.005 to 0.024', '0.0 to 0.4', '–')
    """
    if math.isnan(low) or math.isnan(high):
        return DASH
    digits = _digits_of_ends(low, high, digits)
    ends = figure(low, digits), figure(high, digits)
    return DASH if ends[0] == ends[1] else " to ".join(ends)


def _digits_of_ends(low: float, high: float, digits: int) -> int:
    """Return how many digits both ends need; as many as asked for where even some more would not do."""
    for more in range(digits, digits + _MORE_DIGITS + 1):
        ends = [f"{end:.{more}f}" for end in (low, high)]
        has_sign = all(float(text) for text, end in zip(ends, (low, high), strict=True) if end)
        if has_sign and (low == high or ends[0] != ends[1]):
            return more
    return digits


def persisting_interval(low: float, high: float, level: float) -> str:
    """Return an interval that allows for answers that persist from one epoch to the next, with its name.

    Examples
    --------
    >>> persisting_interval(0.482, 0.738, 0.95)
    '95 % interval 0.48 to 0.74 for answers in runs of epochs'
    """
    return f"{say_level(level)} {interval(low, high, 2)} {FOR_LASTING_ANSWERS}"


def p_value(p: float) -> str:
    """Return a p value with its sign of equality; never as 0.

    Examples
    --------
    >>> p_value(0.0124), p_value(1e-9), p_value(float("nan"))
    ('p = 0.012', 'p < 0.001', 'p –')
    """
    if math.isnan(p):
        return f"p {DASH}"
    return "p < 0.001" if p < 0.001 else f"p = {figure(p, 3)}"


def per_hundred(share: float) -> str:
    """Return a share as a number of 100; whole unless that would look like none or all of them.

    Examples
    --------
    >>> per_hundred(0.603), per_hundred(0.9991), per_hundred(1.0)
    ('60', '99.9', '100')
    """
    if math.isnan(share):
        return DASH
    value = 100 * share
    digits = next((d for d in range(4) if 0 < float(f"{value:.{d}f}") < 100), 0)
    return figure(value, digits if 0 < value < 100 else 0)


def percent_interval(low: float, high: float, digits: int = 0) -> str:
    """Return both ends of an interval of shares as per cent, or a dash.

    Examples
    --------
    >>> percent_interval(0.18, 0.724)
    '18 to 72 %'
    """
    ends = interval(100 * low, 100 * high, digits)
    return DASH if ends == DASH else f"{ends} %"


def say_level(level: float) -> str:
    """Return the name of an interval: ``95 % interval``."""
    return f"{100 * level:g} % interval"


def heads_of_intervals(level: float) -> tuple[str, str]:
    """Return the heads above the intervals of a night's figures: for answers that last, for independent epochs."""
    return f"{say_level(level)} {WHEN_ANSWERS_LAST}", f"{say_level(level)} {IF_INDEPENDENT}"


def nights_of(nights: int, participants: int) -> str:
    """Return how many nights there are, and of how many people.

    Examples
    --------
    >>> nights_of(12, 4), nights_of(1, 1)
    ('12 nights of 4 participants', '1 night of 1 participant')
    """
    return f"{counted(nights, 'night')} of {counted(participants, 'participant')}"


# --- time -------------------------------------------------------------------------------------------------


def minutes(epochs: float) -> str:
    """Return epochs of 30 s as minutes: ``12.5 min``."""
    return f"{epochs / 2:.1f} min"


def duration(epochs: int) -> str:
    """Return epochs of 30 s as hours and minutes.

    Examples
    --------
    >>> duration(119), duration(961)
    ('59.5 min', '8 h 00.5 min')
    """
    whole = epochs / 2
    return f"{int(whole // 60)} h {whole % 60:04.1f} min" if whole >= 60 else minutes(epochs)


def moment(value: datetime | None) -> str:
    """Return a clock time as a person writes it, with its offset where there is one."""
    if value is None:
        return "no clock"
    offset = f" {value:%z}" if value.tzinfo is not None else ""
    return f"{value:%Y-%m-%d %H:%M:%S}{offset}"


def from_moment_to(begin: datetime, end: datetime) -> str:
    """Return a stretch of time by the clock; one of a day or more needs the date of its end, too."""
    is_long = (end - begin).total_seconds() >= 86_400
    return f"{moment(begin)} to {moment(end) if is_long else format(end, '%H:%M:%S')}"


# --- names and lists --------------------------------------------------------------------------------------


def plain(text: str) -> str:
    """Return somebody else's text as one line without characters that could turn or move what stands around it."""
    return printable(" ".join(text.split()))


def file_name(name: str, otherwise: str) -> str:
    """Return a file's name, or other words where there is none; a long name loses its middle, not its end."""
    shown = plain(name)
    if len(shown) > _LONGEST_NAME:
        half = _LONGEST_NAME // 2
        shown = f"{shown[: half - 1]}…{shown[-half:]}"
    return shown or otherwise


def file_words(names: Sequence[str]) -> list[str]:
    """Return names as parts of file names: small letters, digits and hyphens, each another one.

    Examples
    --------
    >>> file_words(["band A", "Band-a", "minutes REM", "パッド"])
    ['band-a', 'band-a-2', 'minutes-rem', 'x']
    """
    made: list[str] = []
    for name in names:
        word = re.sub("[^a-z0-9]+", "-", name.casefold()).strip("-")[:_LONGEST_FILE_WORD].strip("-") or "x"
        number = 1
        while (found := word if number == 1 else f"{word}-{number}") in made:
            number += 1
        made.append(found)
    return made


def join_words(words: Iterable[str]) -> str:
    """Return words as a list in a sentence.

    Examples
    --------
    >>> join_words(["wake"]), join_words(["wake", "light"]), join_words(["wake", "light", "deep"])
    ('wake', 'wake and light', 'wake, light and deep')
    """
    *head, last = [*words] or [""]
    return f"{', '.join(head)} and {last}" if head else last


def join_first(words: Sequence[str], most: int, what: str = "") -> str:
    """Return the first of some words as a list in a sentence, and how many more there are.

    Examples
    --------
    >>> join_first(["TST", "SE"], 2), join_first(["TST", "SE", "SOL"], 2), join_first(["TST", "SE"], 1, "measure")
    ('TST and SE', 'TST, SE and 1 more', 'TST and 1 measure more')
    """
    left = len(words) - most
    more = f"{counted(left, what) if what else left} more"
    return join_words([*words[:most], more] if left > 0 else words)


def say_class(name: str, mapping: StageMapping | None = None) -> str:
    """Return a stage or class as it stands in a sentence, shortened where it is long.

    Parameters
    ----------
    name : str
        Stage or class.
    mapping : StageMapping, optional
        Names its classes for what they hold: ``light+REM``. A device's own word is told without one.
    """
    return speak(shorten(name)) if mapping is None else mapping.speak(name)


def say_destination(name: str) -> str:
    """Return where epochs of a stage without a label went: a class, or a label that is in none.

    Examples
    --------
    >>> say_destination("rem"), say_destination(LEFT_OUT_COLUMN)
    ('REM', 'a label that the mapping leaves out')
    """
    return "a label that the mapping leaves out" if name == LEFT_OUT_COLUMN else say_class(name)


def say_called(name: str, labels: Sequence[str] = ()) -> str:
    """Return what a device did with epochs of a stage without a label.

    Parameters
    ----------
    name : str
        Where they went.
    labels : sequence of str
        The device's labels of epochs that the mapping leaves out, where they are known.

    Examples
    --------
    >>> say_called("light"), say_called(LEFT_OUT_COLUMN, ["asleep"])
    ('called light', "given the label 'asleep', which the mapping leaves out")
    """
    if name != LEFT_OUT_COLUMN:
        return f"called {say_class(name)}"
    if not labels:
        return f"given {say_destination(name)}"
    named = join_words(f"'{shorten(label)}'" for label in labels)
    return f"given the label{'s' * (len(labels) > 1)} {named}, which the mapping leaves out"


def say_merged(mapping: StageMapping) -> str:
    """Return which stages a mapping counts as another class, "" for none: ``REM counted as light``."""
    merged = ((name, mapping.added_stages(name)) for name in mapping.reference_classes)
    return join_words(f"{join_words(map(speak, stages))} counted as {say_class(n)}" for n, stages in merged if stages)


def say_left_out(mapping: StageMapping, epochs: int) -> str:
    """Return what a mapping leaves out of the epochs that both sides scored, "" where it left out none."""
    stages = join_words(map(speak, mapping.left_out_stages))
    return f"{stages or counted(epochs, 'epoch')} left out" if epochs else ""


def say_mapped(mapping: StageMapping, left_out: int) -> str:
    """Return what a mapping makes of stages beside calling them by their name, "" for nothing.

    Examples
    --------
    >>> from sleepagree.mapping.mapping import mapping_named
    >>> say_mapped(mapping_named("rem-as-deep"), 0), say_mapped(mapping_named("rem-left-out"), 9)
    ('REM counted as deep', 'REM left out')
    """
    return join_words(text for text in (say_merged(mapping), say_left_out(mapping, left_out)) if text)


def say_stages(stages: Sequence[str], reportable: Sequence[str] | None = None) -> list[str]:
    """Return stages, by default what a side can report, in its own words: one that says light calls N3 deep.

    Examples
    --------
    >>> say_stages(["W", "light", "N3"]), say_stages(["W", "N2", "N3", "R"])
    (['wake', 'light', 'deep'], ['wake', 'N2', 'N3', 'REM'])
    """
    coarse = {"light", "light-or-rem"} & set(stages if reportable is None else reportable)
    return ["deep" if stage == "N3" and coarse else say_class(stage) for stage in stages]


def say_statistic(name: str) -> str:
    """Return the name of a planned statistic as it stands in a sentence.

    Examples
    --------
    >>> say_statistic("bias minutes rem"), say_statistic("kappa")
    ('bias minutes REM', 'kappa')
    """
    head, _, measure = name.partition(" ")
    return f"{head} {say_measure(measure)}".strip()
