"""What came of the tests against margins that were stated beforehand, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import Table, points, table
from sleepagree.describe.words import figure, interval, join_words, p_value, say_level, signed
from sleepagree.errors import shorten
from sleepagree.inference.equivalence import ContainmentTest, EquivalenceTest
from sleepagree.study.results import BiasRow

_VERDICTS: Final = {True: "within", False: "not shown to be within", None: "undecided against"}


def unit_word(unit: str) -> str:
    """Return a measure's unit as it stands beside a number."""
    return {"min": "min", "count": ""}.get(unit, "%")


def say_margins(rows: Sequence[BiasRow]) -> list[str]:
    """Return what came of the tests against margins: of the bias and of the limits; nothing without margins."""
    tested = [row for row in rows if row.equivalence is not None]
    said = [_say_margin(row, row.equivalence, len(tested)) for row in tested if row.equivalence is not None]
    said += [line for row in tested if (line := _say_containment(row, len(tested)))]
    if len(tested) > 1:
        names = join_words([shorten(row.name) for row in tested])
        said.append(f"adjusted p values (Holm) hold over the {len(tested)} measures with a margin, {names}")
    return said


def outcome_of_margins(rows: Sequence[BiasRow]) -> str:
    """Return the verdicts alone, in a sentence for each measure with a margin; "" without margins."""
    said = (
        f"Margin of {_margin(row, row.equivalence)} for {shorten(row.name)}: bias "
        f"{_VERDICTS[row.equivalence.equivalent].removesuffix(' against')}, limits "
        f"{_VERDICTS[row.containment.contained].removesuffix(' against')}."
        for row in rows
        if row.equivalence is not None and row.containment is not None
    )
    return " ".join(said)


def margins_table(rows: Sequence[BiasRow], caption: str) -> Table:
    """Return the tests of the bias and of the limits against margins as a table, empty without margins."""
    lines = (
        (
            shorten(row.name),
            _margin(row, test),
            what,
            signed(test.bias) if isinstance(test, EquivalenceTest) else interval(*test.limits, 1),
            interval(test.low, test.high, 1),
            p_value(test.p_value).removeprefix("p = ").removeprefix("p "),
            _VERDICTS[verdict].removesuffix(" against"),
        )
        for row in rows
        for what, test, verdict in _tests_of(row)
    )
    heads = ("measure", "margin", "of", "value", "bounds", "p", "verdict")
    return table("margins", caption, heads, lines, words=(0, 2, 6))


def _tests_of(row: BiasRow) -> list[tuple[str, EquivalenceTest | ContainmentTest, bool | None]]:
    found: list[tuple[str, EquivalenceTest | ContainmentTest, bool | None]] = []
    if row.equivalence is not None:
        found.append(("bias", row.equivalence, row.equivalence.equivalent))
    if row.containment is not None:
        found.append(("both limits", row.containment, row.containment.contained))
    return found


def _say_margin(row: BiasRow, test: EquivalenceTest, count: int) -> str:
    return (
        f"{shorten(row.name)}: the mean difference is {_VERDICTS[test.equivalent]} the margin of "
        f"{_margin(row, test)} (two one-sided tests, {p_value(test.p_value)}"
        f"{_say_adjusted(row.equivalence_adjusted, count)}; {say_level(1 - 2 * test.alpha)} "
        f"{interval(test.low, test.high, 1)})"
    )


def _say_containment(row: BiasRow, count: int) -> str:
    """Return whether the limits lie within the margin, which of them does not, and the nights that are further off."""
    test = row.containment
    if test is None or row.equivalence is None:
        return ""
    beyond = [above.nights for above in row.sizes.shares_above if above.bound == test.margin] if row.sizes else []
    nights = f"; {beyond[0]} of {test.nights} nights are further off" if beyond else ""
    p = f"{p_value(test.p_value)}{_say_adjusted(row.containment_adjusted, count)}"
    margin = f"the margin of {_margin(row, test)}"
    if test.contained is not False:
        bounds = f"one one-sided bound for each, {interval(test.low, test.high, 1)}"
        return (
            f"{shorten(row.name)}: both limits of agreement are {_VERDICTS[test.contained]} {margin} "
            f"({bounds}, {p}{nights})"
        )
    ends = (
        ("lower", test.limits[0], test.low, test.low <= -test.margin),
        ("upper", test.limits[1], test.high, test.high >= test.margin),
    )
    open_ = [
        f"the {which} limit of agreement, {figure(value, 1)}, is not shown to be within {margin}: its one-sided bound "
        f"is {figure(bound, 1)}"
        for which, value, bound, beyond_it in ends
        if beyond_it
    ]
    return f"{shorten(row.name)}: {join_words(open_)} ({p}{nights})"


def _margin(row: BiasRow, test: EquivalenceTest | ContainmentTest) -> str:
    margin = test.margin_high if isinstance(test, EquivalenceTest) else test.margin
    return f"±{margin:g}{points(row.unit) or f' {unit_word(row.unit)}'}".rstrip()


def _say_adjusted(adjusted: float, count: int) -> str:
    return "" if count < 2 else f", adjusted {p_value(adjusted)}"
