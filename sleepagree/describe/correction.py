"""A correction and a corrected night in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from sleepagree.describe.blocks import (
    Cell,
    Column,
    Description,
    Figure,
    FigureKind,
    Items,
    Paragraph,
    Rank,
    Section,
    Table,
    beside,
    cells,
    columns,
)
from sleepagree.describe.cautions import say_cautions
from sleepagree.describe.words import (
    DASH,
    figure,
    file_name,
    interval,
    join_words,
    percent,
    percent_interval,
    say_class,
    say_level,
    say_measure,
    signed,
)
from sleepagree.errors import Front, counted, shorten
from sleepagree.inference.correction import IntervalKind, LearnedValue, Method, Verdict
from sleepagree.inference.estimate import mean_of_known
from sleepagree.study.correction import CorrectedNight, Correction, LearnedMeasure
from sleepagree.study.epoch_correction import THIRDS, LearnedEpochs, StageShare

if TYPE_CHECKING:
    from sleepagree.study.correct_nights import CorrectedNights
    from sleepagree.study.night_summary import NightSummary, Refusal

VERDICTS: Final = {
    Verdict.HELPS: "helps",
    Verdict.CANNOT_BE_TOLD: "cannot be told",
    Verdict.DOES_NOT_HELP: "does not help",
}
_ONE_BY_ONE: Final = (
    "Measures are corrected one by one: TST and wake need not add up to the window, nor SE be what they make."
)
METHODS: Final = {
    Method.NONE: "none",
    Method.SHIFT: "shift",
    Method.MEAN: "usual value",
    Method.LINE: "line",
    Method.ROBUST_LINE: "robust line",
    Method.MANY: "all measures",
    Method.EPOCHS: "sum of epochs",
}
INTERVALS: Final = {IntervalKind.CV_PLUS: "CV+", IntervalKind.T: "t"}
_NAMED_AT_ONCE: Final = 4


def describe_correction(
    correction: Correction, *, nights: Sequence[NightSummary | Refusal] | None = None, command: str = ""
) -> Description:
    """Return what was learnt and what it is worth.

    Parameters
    ----------
    correction : Correction
        What was learnt.
    nights : sequence of NightSummary and Refusal, optional
        What it was learnt from, for figures.
    command : str
        The command that repeats it; "" leaves it out.
    """
    device = shorten(correction.device)
    of = f"{counted(correction.nights, 'night')} of {counted(correction.participants, 'participant')}"
    applied = (_applied(correction), Paragraph(_APPLIED))
    epochs = correction.epochs
    of_epochs = () if epochs is None else (_of_epochs(epochs, correction), *_was(epochs, correction))
    return Description(
        "sleepagree: a correction",
        f"{device}, learnt from {of}",
        (" ".join(filter(None, (finding_of_correction(correction), finding_of_epochs(correction)))),),
        (
            Section(
                "errors",
                "Errors in people who were not learnt from",
                (_errors(correction), Paragraph(_ERRORS), _drawn_errors(correction)),
            ),
            *(() if nights is None else _drawn_lines(correction, nights)),
            *of_epochs,
            Section("applied", "What is applied to new nights", applied, Rank.FURTHER),
            Section("cautions", "Cautions", (Items(say_cautions(correction.cautions)),)),
            *_repeat(command),
        ),
    )


def _repeat(command: str) -> tuple[Section, ...]:
    return (Section("repeat", "To repeat", (Paragraph(command),), Rank.FURTHER),) if command else ()


def _is_usual(learned: LearnedValue) -> bool:
    """Whether nothing helps because the usual value is as good, and is applied in the device's place."""
    return learned.verdict is Verdict.DOES_NOT_HELP and learned.method is Method.MEAN


def _say_verdict(learned: LearnedValue) -> str:
    """Return a verdict in the few letters that a column has."""
    return "usual as good" if _is_usual(learned) else VERDICTS[learned.verdict]


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
    usual = [say_measure(m.measure) for m in useless if _is_usual(m.learned)]
    own = [say_measure(m.measure) for m in useless if not _is_usual(m.learned)]
    if own:
        rest.append(f"It does not help {join_words(own)}.")
    if usual:
        rest.append(f"For {join_words(usual)} it is no better than the usual value, which takes the device's place.")
    return " ".join([first, *rest])


def finding_of_epochs(correction: Correction) -> str:
    """Return what probabilities of single epochs are worth, and where a class went that the device cannot say."""
    epochs = correction.epochs
    if epochs is None:
        return ""
    losses = (
        f"log loss {figure(epochs.log_loss, 3)}, {figure(epochs.by_label.log_loss.error, 3)} by the label alone, "
        f"{figure(epochs.by_third.log_loss.error, 3)} by label and third of the night"
    )
    said = {
        Verdict.HELPS: "What surrounds an epoch tells more of it than its label",
        Verdict.CANNOT_BE_TOLD: "Whether what surrounds an epoch tells more of it than its label cannot be told",
        Verdict.DOES_NOT_HELP: "What surrounds an epoch tells no more of it than its label",
    }
    return " ".join([f"{said[epochs.verdict]} ({losses}).", *_hidden(epochs, shorten(correction.device))])


def _hidden(epochs: LearnedEpochs, device: str) -> Iterator[str]:
    """Yield for each class that the device cannot say what part of the label that took most of it was that class."""
    whole = [one for one in epochs.shares if not one.third]
    for name in epochs.classes:
        if name in epochs.rule.classes or not whole:
            continue
        taken = {one: share for one in whole for share in one.shares if share.name == name}
        label = max(taken, key=lambda one: one.epochs * taken[one].share)
        share = taken[label]
        yield (
            f"Of the epochs that {device} called {say_class(label.label)}, {percent(share.share)} "
            f"({percent_interval(share.low, share.high)}) were {say_class(name)}."
        )


def _of_epochs(epochs: LearnedEpochs, correction: Correction) -> Section:
    """Return losses of the probabilities beside the baselines."""
    rows = [cells("probabilities", Cell.number(epochs.log_loss), DASH, Cell.number(epochs.brier))]
    for name, scores in (("label alone", epochs.by_label), ("label and third", epochs.by_third)):
        loss, brier = scores.log_loss, scores.brier
        told = f"{signed(loss.difference, 3)} ({interval(loss.low, loss.high, 3)})"
        rows.append(cells(name, Cell.number(loss.error), Cell.valued(told, loss.difference), Cell.number(brier.error)))
    heads = ("", "log loss", f"difference ({say_level(correction.level)})", "Brier score")
    table = Table("epoch-losses", "", columns(*heads), tuple(rows))
    title = "Single epochs of people who were not learnt from"
    return Section("epochs", title, (table, Paragraph(_EPOCHS), _drawn_reliability(epochs)), Rank.FURTHER)


def _was(epochs: LearnedEpochs, correction: Correction) -> Iterator[Section]:
    """Yield what the device's classes were: whole at once, by third of the night where everything is asked for."""
    title = "What each class of the device was"
    by_label = {label: [one for one in epochs.shares if one.label == label] for label in epochs.rule.classes}
    classes = tuple(map(say_class, epochs.classes))
    whole = tuple(
        cells(
            say_class(label),
            Cell.count(found[0].epochs),
            *(Cell.valued(percent(s.share), s.share) for s in found[0].shares),
        )
        for label, found in by_label.items()
        if found
    )
    yield Section("was", title, (Table("classes", "", columns("device", "epochs", *classes), whole),))
    rows = []
    for label, found in by_label.items():
        of_third = {one.third: one.shares for one in found}
        for i, name in enumerate(classes):
            shares = [of_third.get(third) for third in ("", *THIRDS)]
            rows.append(cells(say_class(label), name, *(DASH if own is None else _share(own[i]) for own in shares)))
    heads = ("device", "reference", "whole night", *(f"{third} third" for third in THIRDS))
    table = Table("thirds", "", columns(*heads, words=(0, 1)), tuple(rows))
    said = f"Per cent of the epochs of each class, with {say_level(correction.level)}s over participants."
    yield Section("thirds", title, (table, Paragraph(said)), Rank.FURTHER, " by third of the night")


def _share(share: StageShare) -> Cell:
    value, *ends = (figure(100 * number, 0) for number in (share.share, share.low, share.high))
    return Cell.valued(value if math.isnan(share.low) else f"{value} ({ends[0]} to {ends[1]})", share.share)


def _drawn_errors(correction: Correction) -> Figure:
    told = (
        f"{say_measure(m.measure)} {figure(m.learned.raw.error, 1) if m.learned.raw else DASH} before, "
        f"{figure(m.learned.corrected_error, 1)} after"
        for m in correction.measures
    )
    return Figure(
        "errors",
        FigureKind.CORRECTION_ERRORS,
        correction,
        title="Errors before and after correcting",
        description=f"Mean absolute errors: {'; '.join(told)}.",
        caption="Mean absolute errors in people left out: ring, the device; disc, corrected; line, the usual value.",
        leads=True,
    )


def _drawn_lines(correction: Correction, nights: Sequence[NightSummary | Refusal]) -> Iterator[Section]:
    """Yield figures of measures whose correction looks at the device's own value alone, those that help first."""
    drawn = [m for m in correction.measures if m.learned.method in (Method.SHIFT, Method.LINE, Method.ROBUST_LINE)]
    drawn.sort(key=lambda m: m.learned.verdict is not Verdict.HELPS)
    figures = []
    for m in drawn[:_NAMED_AT_ONCE]:
        said = f"{METHODS[m.learned.method]}: {_formula(m, correction)}"
        figures.append(
            Figure(
                "line-" + m.measure.lower().replace(" ", "-"),
                FigureKind.CORRECTION_LINE,
                {"correction": correction, "nights": nights, "measure": m.measure},
                title=f"Reference against device: {say_measure(m.measure)}",
                description=f"The correction is a {said}.",
                caption=(
                    f"Nights learnt from. Dashed: both sides equal. Line: corrected ({said}). Band: "
                    f"{say_level(correction.level)} for a new night of a new person."
                ),
            )
        )
    if figures:
        yield Section("lines", "The corrections as lines", (beside(*figures),), Rank.FURTHER)


def _drawn_reliability(epochs: LearnedEpochs) -> Figure:
    told = (f"told {percent(b.told)}, seen {percent(b.seen)}" for b in epochs.reliability)
    return Figure(
        "reliability",
        FigureKind.RELIABILITY,
        epochs.reliability,
        title="Probabilities told and seen",
        description=f"{'; '.join(told)}.".capitalize(),
        caption="How often a class was right against the probability told for it, in people left out, by tenths.",
    )


def _drawn_epochs(night: CorrectedNight) -> Iterator[Section]:
    if not night.expected_minutes:
        return
    told = join_words(f"{say_class(name)} {figure(minutes, 0)} min" for name, minutes in night.expected_minutes)
    drawn = Figure(
        "probabilities",
        FigureKind.PROBABILITIES,
        night,
        title="The night as probabilities",
        description=f"Probabilities add up to {told}.",
        caption=f"Probability of each stage of the reference over the night; above, the device. They add up to {told}.",
        wide=True,
        leads=True,
    )
    yield Section("epochs", "Epochs", (drawn,), Rank.FURTHER)


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
    "Mean absolute errors over participants, each left out of all learning and choosing (min; SE and percent in %). "
    "Usual value: the mean of the others, whatever the device says. Difference: corrected minus device (minus the "
    "usual value where the device has no label)."
)
_EPOCHS: Final = (
    "Probabilities of the reference's classes from what is known of the device alone: its label, the labels around, "
    "the time since and until the last change, the time since sleep onset, the part of the night. Less loss is better. "
    "Difference: probabilities minus what the row names."
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
                Cell.number(m.learned.raw.error if m.learned.raw else math.nan, 1),
                Cell.number(m.learned.usual.error, 1),
                Cell.number(m.learned.corrected_error, 1),
                Cell.valued(f"{signed(change.difference)} ({interval(change.low, change.high, 1)})", change.difference),
                _say_verdict(m.learned),
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
                Cell.number(learned.interval.half_width, 1),
                INTERVALS[learned.interval.kind],
                Cell.valued(percent(learned.coverage), learned.coverage),
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
    if method is Method.EPOCHS:
        return "sum of the epochs' probabilities"
    weights = [(f.measure, w) for f, w in zip(correction.features, model.weights, strict=True) if w]
    if method is Method.MANY:
        return f"{counted(len(weights), 'measure')}, see correction.json"
    slope = weights[0][1] if weights else 0.0
    return f"{figure(slope, 3)} x device {_plus(model.intercept)}"


def _plus(value: float) -> str:
    return f"{'-' if value < 0 else '+'} {figure(abs(value), 1)}"


def describe_corrected(night: CorrectedNight, *, command: str = "", front: Front = Front.COMMAND) -> Description:
    """Return a corrected night, answer first."""
    heads = ("measure", "device", "corrected", say_level(night.correction.level), "method", "correcting")
    rows = []
    for m in night.measures:
        values = Cell.number(m.device, 1), Cell.number(m.corrected, 1), interval(m.low, m.high, 1)
        measure = Cell(say_measure(m.measure), is_marked=m.extrapolated)
        rows.append(cells(measure, *values, METHODS[m.learned.method], _say_verdict(m.learned)))
    heads_of = tuple(Column(head, i in (0, 4, 5)) for i, head in enumerate(heads))
    correction = night.correction
    of = f"{counted(correction.nights, 'night')} of {counted(correction.participants, 'participant')}"
    note = Paragraph(
        "Minutes; SE and percent in %. Correcting: whether it made errors smaller in people who were not learnt from. "
        f"{_ONE_BY_ONE} Learnt from {of} with {shorten(correction.device)}."
    )
    return Description(
        "sleepagree: one night, corrected",
        file_name(night.name, "data in memory"),
        (finding_of_corrected(night),),
        (
            Section("measures", "Measures", (Table("measures", "", heads_of, tuple(rows)), note)),
            *_drawn_epochs(night),
            Section("cautions", "Cautions", (Items(say_cautions(night.cautions, front)),)),
            *_repeat(command),
        ),
    )


def describe_corrected_nights(found: CorrectedNights, *, command: str = "") -> Description:
    """Return many corrected nights: means over nights, what was refused, what may mislead."""
    correction = found.correction
    nights = [night for _, night in found.nights]
    rows = []
    for i, learnt in enumerate(correction.measures):
        own = [night.measures[i] for night in nights]
        beyond = sum(m.extrapolated for m in own)
        rows.append(
            cells(
                say_measure(learnt.measure),
                Cell.number(mean_of_known(m.device for m in own), 1),
                Cell.number(mean_of_known(m.corrected for m in own), 1),
                METHODS[learnt.learned.method],
                _say_verdict(learnt.learned),
                Cell.count(beyond),
            )
        )
    heads = ("measure", "device", "corrected", "method", "correcting", "extrapolated")
    people = len({row.participant for row, _ in found.nights})
    said = f"{counted(len(nights), 'night')} of {counted(people, 'participant')} corrected"
    said += f", {len(found.refused)} refused" if found.refused else ""
    said += f"; {counted(found.other_devices, 'row')} of other devices left alone" if found.other_devices else ""
    note = Paragraph(
        "Means over nights (min; SE and percent in %). Extrapolated: nights outside what was learnt from. "
        f"{_ONE_BY_ONE} Each night with its intervals stands in the files of --out."
    )
    refused = tuple(f"line {one.row}: {one.reason}" for one in found.refused)
    return Description(
        "sleepagree: nights, corrected",
        shorten(correction.device),
        (f"{said}.",),
        (
            Section(
                "measures", "Measures", (Table("measures", "", columns(*heads, words=(0, 3, 4)), tuple(rows)), note)
            ),
            *((Section("refused", "Refused", (Items(refused),)),) if refused else ()),
            Section("cautions", "Cautions", (Items(say_cautions(found.cautions)),)),
            *_repeat(command),
        ),
    )


def finding_of_corrected(night: CorrectedNight) -> str:
    """Return in one sentence what correcting changes of a night."""
    level = say_level(night.correction.level)
    gains = [m for m in night.measures if m.learned.verdict is Verdict.HELPS]
    helped = [m for m in gains if not math.isnan(m.corrected)]
    if not helped:
        none = f"No measure of {shorten(night.correction.device)} is shown to gain by a correction"
        if gains:
            none = f"This night has no {join_words(say_measure(m.measure) for m in gains)}, which a correction helps"
        return f"{none}.{_what_stands(night)}"
    told = []
    for m in helped[:_NAMED_AT_ONCE]:
        unit = "%" if m.unit.startswith("%") else m.unit
        lacks = "label" if m.learned.raw is None else "value"
        said = f"has no {lacks}" if math.isnan(m.device) else f"says {figure(m.device, 1)}"
        star = ", extrapolated" if m.extrapolated else ""
        told.append(
            f"{say_measure(m.measure)} {figure(m.corrected, 1)} {unit} ({level} {interval(m.low, m.high, 1)}; the "
            f"device {said}{star})"
        )
    return f"Corrected: {join_words(told)}."


def _what_stands(night: CorrectedNight) -> str:
    """Return what the corrected values of a night are where none is shown to be a gain."""
    learned = [m.learned for m in night.measures]
    kinds = [
        ("the device's own value", any(one.method is Method.NONE for one in learned)),
        ("the usual value of the study where the device tells no more than that", any(map(_is_usual, learned))),
        (
            "a correction whose help cannot be told",
            any(one.verdict is Verdict.CANNOT_BE_TOLD for one in learned),
        ),
    ]
    told = [words for words, is_there in kinds if is_there]
    if not told:
        return ""
    listed = f"{', '.join(told[:-1])}, or {told[-1]}" if len(told) > 1 else told[0]
    return f" What was chosen for each stands under 'corrected', with its interval: {listed}."
