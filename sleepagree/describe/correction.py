"""A correction and a corrected night in words."""

from __future__ import annotations

import math
from typing import Final

from sleepagree.describe.blocks import (
    Cell,
    Column,
    Description,
    Items,
    Paragraph,
    Rank,
    Section,
    Table,
    cells,
    columns,
    number_cell,
    valued,
)
from sleepagree.describe.cautions import say_cautions
from sleepagree.describe.words import (
    DASH,
    figure,
    file_name,
    interval,
    join_words,
    percent,
    say_level,
    say_measure,
    signed,
)
from sleepagree.errors import counted, shorten
from sleepagree.inference.correction import IntervalKind, Method, Verdict
from sleepagree.study.correction import CorrectedNight, Correction, LearnedMeasure

VERDICTS: Final = {
    Verdict.HELPS: "helps",
    Verdict.CANNOT_BE_TOLD: "cannot be told",
    Verdict.DOES_NOT_HELP: "does not help",
}
METHODS: Final = {
    Method.NONE: "none",
    Method.SHIFT: "shift",
    Method.MEAN: "usual value",
    Method.LINE: "line",
    Method.ROBUST_LINE: "robust line",
    Method.MANY: "all measures",
}
INTERVALS: Final = {IntervalKind.CV_PLUS: "CV+", IntervalKind.T: "t"}
_NAMED_AT_ONCE: Final = 4


def describe_correction(correction: Correction, *, command: str = "") -> Description:
    """Return what was learnt and what it is worth.

    Parameters
    ----------
    correction : Correction
        What was learnt.
    command : str
        The command that repeats it; "" leaves it out.
    """
    device = shorten(correction.device)
    of = f"{counted(correction.nights, 'night')} of {counted(correction.participants, 'participant')}"
    repeat = (Section("repeat", "To repeat", (Paragraph(command),), Rank.FURTHER),) if command else ()
    applied = (_applied(correction), Paragraph(_APPLIED))
    return Description(
        "sleepagree: a correction",
        f"{device}, learnt from {of}",
        (finding_of_correction(correction),),
        (
            Section("errors", "Errors in people who were not learnt from", (_errors(correction), Paragraph(_ERRORS))),
            Section("applied", "What is applied to new nights", applied, Rank.FURTHER),
            Section("cautions", "Cautions", (Items(say_cautions(correction.cautions)),)),
            *repeat,
        ),
    )


def finding_of_correction(correction: Correction) -> str:
    """Return in one paragraph which measures a correction helps."""
    by_verdict = {verdict: [m for m in correction.measures if m.learned.verdict is verdict] for verdict in Verdict}
    helped = by_verdict[Verdict.HELPS]
    device = shorten(correction.device)
    if helped:
        shown = [_gain(m) for m in helped[:_NAMED_AT_ONCE]]
        more = [f"{counted(len(helped) - len(shown), 'measure')} more"] if len(helped) > len(shown) else []
        first = f"Correcting {device} helps {join_words([*shown, *more])}."
    else:
        first = f"Correcting {device} is not shown to help any measure."
    doubtful, useless = (by_verdict[v] for v in (Verdict.CANNOT_BE_TOLD, Verdict.DOES_NOT_HELP))
    rest = []
    if doubtful:
        rest.append(f"Whether it helps {join_words(say_measure(m.measure) for m in doubtful)} cannot be told.")
    if useless:
        rest.append(f"It does not help {join_words(say_measure(m.measure) for m in useless)}.")
    return " ".join([first, *rest])


def _gain(measure: LearnedMeasure) -> str:
    learned = measure.learned
    before = learned.raw or learned.usual
    unit = "%" if measure.unit.startswith("%") else measure.unit
    what = "" if learned.raw is not None else " of the usual value"
    return (
        f"{say_measure(measure.measure)} (mean absolute error {figure(learned.corrected_error, 1)} {unit} instead of "
        f"{figure(before.error, 1)} {unit}{what})"
    )


_ERRORS: Final = (
    "Mean absolute errors (min; SE and percent in %), of each participant first, then over participants, each one "
    "left out "
    "of the learning and of the choice of method. The usual value is the mean of the other participants, whatever the "
    "device says: a device has to beat it. Difference: corrected minus device (minus the usual value where the device "
    "has no label), negative is better."
)
_APPLIED: Final = (
    "None: the device's value stands. Usual value: the device says nothing of it. Half width: of the prediction "
    "interval of a new night of a new person. Coverage: share of nights of people left out that lay inside theirs."
)


def _errors(correction: Correction) -> Table:
    heads = ("measure", "device", "usual value", "corrected", f"difference ({say_level(correction.level)})", "verdict")
    rows = []
    for m in correction.measures:
        change = m.learned.raw or m.learned.usual
        rows.append(
            cells(
                say_measure(m.measure),
                number_cell(m.learned.raw.error if m.learned.raw else math.nan, 1),
                number_cell(m.learned.usual.error, 1),
                number_cell(m.learned.corrected_error, 1),
                valued(f"{signed(change.difference)} ({interval(change.low, change.high, 1)})", change.difference),
                VERDICTS[m.learned.verdict],
            )
        )
    return Table("errors", "", columns(*heads, words=(0, 5)), tuple(rows), sortable=True)


def _applied(correction: Correction) -> Table:
    heads = ("measure", "method", "corrected value", "half width", "interval", "coverage", "learnt range")
    rows = []
    for m in correction.measures:
        learned = m.learned
        own = learned.own_range
        rows.append(
            cells(
                say_measure(m.measure),
                METHODS[learned.method],
                _formula(m, correction),
                number_cell(learned.interval.half_width, 1),
                INTERVALS[learned.interval.kind],
                valued(percent(learned.coverage), learned.coverage),
                DASH if own is None else interval(*own, 0),
            )
        )
    return Table("applied", "", columns(*heads, words=(0, 1, 2, 4, 6)), tuple(rows))


def _formula(measure: LearnedMeasure, correction: Correction) -> str:
    """Return how the corrected value is made of the device's."""
    model, method = measure.learned.model, measure.learned.method
    if method is Method.NONE:
        return "device"
    if method is Method.SHIFT:
        return f"device {_plus(model.intercept)}"
    if method is Method.MEAN:
        return figure(model.intercept, 1)
    weights = [(f.measure, w) for f, w in zip(correction.features, model.weights, strict=True) if w]
    if method is Method.MANY:
        return f"{counted(len(weights), 'measure')}, see correction.json"
    slope = weights[0][1] if weights else 0.0
    return f"{figure(slope, 3)} x device {_plus(model.intercept)}"


def _plus(value: float) -> str:
    return f"{'-' if value < 0 else '+'} {figure(abs(value), 1)}"


def describe_corrected(night: CorrectedNight) -> Description:
    """Return a corrected night, answer first."""
    heads = ("measure", "device", "corrected", say_level(night.correction.level), "method", "correcting")
    rows = []
    for m in night.measures:
        rows.append(
            (
                Cell(say_measure(m.measure)),
                number_cell(m.device, 1),
                Cell(figure(m.corrected, 1), None if math.isnan(m.corrected) else m.corrected, m.extrapolated),
                Cell(interval(m.low, m.high, 1), None),
                Cell(METHODS[m.learned.method]),
                Cell(VERDICTS[m.learned.verdict]),
            )
        )
    heads_of = tuple(Column(head, i in (0, 4, 5)) for i, head in enumerate(heads))
    correction = night.correction
    of = f"{counted(correction.nights, 'night')} of {counted(correction.participants, 'participant')}"
    note = Paragraph(
        "Minutes; SE and percent in %. Correcting: whether it made errors smaller in people who were not learnt from. "
        f"Learnt from {of} with {shorten(correction.device)}."
    )
    return Description(
        "sleepagree: one night, corrected",
        file_name(night.name, "data in memory"),
        (_finding(night),),
        (
            Section("measures", "Measures", (Table("measures", "", heads_of, tuple(rows)), note)),
            Section("cautions", "Cautions", (Items(say_cautions(night.cautions)),)),
        ),
    )


def _finding(night: CorrectedNight) -> str:
    level = say_level(night.correction.level)
    helped = [m for m in night.measures if m.learned.verdict is Verdict.HELPS and not math.isnan(m.corrected)]
    if not helped:
        return (
            f"No measure of {shorten(night.correction.device)} is shown to gain by a correction: take the device's "
            "values with the intervals beside them."
        )
    told = []
    for m in helped[:_NAMED_AT_ONCE]:
        unit = "%" if m.unit.startswith("%") else m.unit
        said = "has no label" if math.isnan(m.device) else f"says {figure(m.device, 1)}"
        star = ", extrapolated" if m.extrapolated else ""
        told.append(
            f"{say_measure(m.measure)} {figure(m.corrected, 1)} {unit} ({level} {interval(m.low, m.high, 1)}; the "
            f"device {said}{star})"
        )
    return f"Corrected: {join_words(told)}."
