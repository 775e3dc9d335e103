"""A correction and a corrected night in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from sleepagree.caution import Caution, CautionKind
from sleepagree.describe.blocks import (
    Cell,
    Description,
    Figure,
    FigureKind,
    Items,
    Paragraph,
    Section,
    Table,
    Told,
    beside,
    points,
    section,
    sections_of,
    table,
    tabulate,
)
from sleepagree.describe.cautions import say_cautions
from sleepagree.describe.refused import refused_section
from sleepagree.describe.words import (
    DASH,
    figure,
    file_name,
    interval,
    join_first,
    join_words,
    nights_of,
    percent,
    percent_interval,
    say_class,
    say_level,
    say_measure,
    signed,
)
from sleepagree.errors import Front, counted, shorten
from sleepagree.inference.correction import ErrorChange, IntervalKind, LearnedValue, Method, Verdict
from sleepagree.inference.estimate import mean_of_known
from sleepagree.study.correction import CorrectedMeasure, CorrectedNight, Correction, LearnedMeasure
from sleepagree.study.epoch_correction import THIRDS, LearnedEpochs, StageShare
from sleepagree.study.night_summary import Refusal

if TYPE_CHECKING:
    from sleepagree.study.correct_nights import CorrectedNights
    from sleepagree.study.night_summary import NightSummary

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
        What it was learnt from, for figures, and what of it was refused.
    command : str
        The command that repeats it; "" leaves it out.
    """
    epochs = correction.epochs
    doubts = correction.doubts
    of_some = [c for c in correction.cautions if c.kind is CautionKind.OF_NIGHTS_LEARNT_FROM and c not in doubts]
    return Description(
        "sleepagree: a correction",
        f"{shorten(correction.device)}, learnt from {nights_of(correction.nights, correction.participants)}",
        (" ".join(filter(None, (finding_of_correction(correction), finding_of_epochs(correction)))),),
        sections_of(
            refused_section(
                [night for night in nights or () if isinstance(night, Refusal)], counted(len(nights or ()), "night")
            ),
            section(
                "errors",
                "Errors in people who were not learnt from",
                _errors(correction),
                Paragraph(_ERRORS),
                _drawn_errors(correction),
            ),
            None if nights is None else _drawn_lines(correction, nights),
            *(() if epochs is None else (_of_epochs(epochs, correction), *_was(epochs, correction))),
            section(
                "applied",
                "What is applied to new nights",
                _applied(correction),
                Paragraph(_say_applied(correction)),
                further=True,
            ),
            section("some-nights", "Cautions on some nights", Items(say_cautions(of_some)), further=True),
            *_closing([c for c in correction.cautions if c not in of_some], command),
        ),
    )


def _closing(cautions: Sequence[Caution], command: str, front: Front = Front.COMMAND) -> tuple[Section | None, ...]:
    """Return what stands last: the cautions, and how to repeat it."""
    return (
        Section("cautions", "Cautions", (Items(say_cautions(cautions, front)),)),
        section("repeat", "To repeat", Paragraph(command), further=True),
    )


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
        gains = [_gain(m, correction) for m in helped]
        first = f"Correcting {device} helps {join_first(gains, _NAMED_AT_ONCE, 'measure')}."
    else:
        first = f"Correcting {device} is not shown to help any measure."
    useless = by_verdict[Verdict.DOES_NOT_HELP]
    told = (
        ("Whether it helps {} cannot be told.", by_verdict[Verdict.CANNOT_BE_TOLD]),
        ("It does not help {}.", [m for m in useless if not _is_usual(m.learned)]),
        (
            "For {} it is no better than the usual value, which takes the device's place.",
            [m for m in useless if _is_usual(m.learned)],
        ),
    )
    rest = (
        said.format(join_words(say_measure(m.measure, correction.mapping) for m in measures))
        for said, measures in told
        if measures
    )
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
    beside = "its label and the third of the night" if epochs.decided_by_third else "its label"
    said = {
        Verdict.HELPS: f"What surrounds an epoch tells more of it than {beside}",
        Verdict.CANNOT_BE_TOLD: f"Whether what surrounds an epoch tells more of it than {beside} cannot be told",
        Verdict.DOES_NOT_HELP: f"What surrounds an epoch tells no more of it than {beside}",
    }
    return " ".join([f"{said[epochs.verdict]} ({losses}).", *_hidden(epochs, correction)])


def _hidden(epochs: LearnedEpochs, correction: Correction) -> Iterator[str]:
    """Yield for each class that the device cannot say what part of the label that took most of it was that class."""
    whole = [one for one in epochs.shares if not one.third]
    for name in epochs.classes:
        if name in epochs.rule.classes or not whole:
            continue
        taken = {one: share for one in whole for share in one.shares if share.name == name}
        label = max(taken, key=lambda one: one.epochs * taken[one].share)
        share = taken[label]
        yield (
            f"Of the epochs that {shorten(correction.device)} called {say_class(label.label)}, {percent(share.share)} "
            f"({percent_interval(share.low, share.high)}) were {say_class(name, correction.mapping)}."
        )


def _of_epochs(epochs: LearnedEpochs, correction: Correction) -> Section | None:
    """Return losses of the probabilities beside the baselines."""
    rows: list[tuple[str | Cell, ...]] = [
        ("probabilities", Cell.number(epochs.log_loss), DASH, Cell.number(epochs.brier))
    ]
    for name, scores in (("label alone", epochs.by_label), ("label and third", epochs.by_third)):
        loss, brier = Cell.number(scores.log_loss.error), Cell.number(scores.brier.error)
        rows.append((name, loss, _difference(scores.log_loss, 3), brier))
    heads = ("", "log loss", f"difference ({say_level(correction.level)})", "Brier score")
    losses = table("epoch-losses", "", heads, rows)
    title = "Single epochs of people who were not learnt from"
    return section("epochs", title, losses, Paragraph(_EPOCHS), _drawn_reliability(epochs), further=True)


def _difference(change: ErrorChange, digits: int) -> Cell:
    """Return a difference of errors with its interval."""
    ends = interval(change.low, change.high, digits)
    return Cell.valued(f"{signed(change.difference, digits)} ({ends})", change.difference)


def _was(epochs: LearnedEpochs, correction: Correction) -> tuple[Section | None, ...]:
    """Return what the device's classes were: whole at once, by third of the night where everything is asked for."""
    title = "What each class of the device was"
    by_label = {label: [one for one in epochs.shares if one.label == label] for label in epochs.rule.classes}
    classes = tuple(say_class(name, correction.mapping) for name in epochs.classes)
    whole = (
        (say_class(label), found[0].epochs, *(Cell.share(s.share) for s in found[0].shares))
        for label, found in by_label.items()
        if found
    )
    rows = []
    for label, found in by_label.items():
        of_third = {one.third: one.shares for one in found}
        for i, name in enumerate(classes):
            shares = [of_third.get(third) for third in ("", *THIRDS)]
            rows.append((say_class(label), name, *(DASH if own is None else _share(own[i]) for own in shares)))
    heads = ("device", "reference", "whole night", *(f"{third} third" for third in THIRDS))
    thirds = table("thirds", "", heads, rows, words=(0, 1))
    said = f"Per cent of the epochs of each class, with {say_level(correction.level)}s over participants."
    return (
        # where there are doubts the first screen has no room for it
        section(
            "was", title, table("classes", "", ("device", "epochs", *classes), whole), further=bool(correction.doubts)
        ),
        section("thirds", title, thirds, Paragraph(said), detail=" by third of the night", further=True),
    )


def _share(share: StageShare) -> Cell:
    value, *ends = (figure(100 * number, 0) for number in (share.share, share.low, share.high))
    return Cell.valued(value if math.isnan(share.low) else f"{value} ({ends[0]} to {ends[1]})", share.share)


def _drawn_errors(correction: Correction) -> Figure:
    told = (
        f"{say_measure(m.measure, correction.mapping)} "
        f"{figure(m.learned.raw.error, 1) if m.learned.raw else DASH} before, "
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


def _drawn_lines(correction: Correction, nights: Sequence[NightSummary | Refusal]) -> Section | None:
    """Return figures of measures whose correction looks at the device's own value alone, those that help first."""
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
                title=f"Reference against device: {say_measure(m.measure, correction.mapping)}",
                description=f"The correction is a {said}.",
                caption=(
                    f"Nights learnt from. Dashed: both sides equal. Line: corrected ({said}). Band: "
                    f"{say_level(correction.level)} for a new night of a new person."
                ),
            )
        )
    return section("lines", "The corrections as lines", beside(*figures), further=True)


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


def _drawn_epochs(night: CorrectedNight) -> Section | None:
    if not night.expected_minutes:
        return None
    mapping = night.correction.mapping
    told = join_words(
        f"{say_class(name, mapping)} {figure(minutes, 0)} min" for name, minutes in night.expected_minutes
    )
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
    return section("epochs", "Epochs", drawn, further=True)


def _gain(measure: LearnedMeasure, correction: Correction) -> str:
    learned = measure.learned
    before = learned.raw or learned.usual
    unit = points(measure.unit) or f" {measure.unit}"
    what = "" if learned.raw is not None else " of the usual value"
    return (
        f"{say_measure(measure.measure, correction.mapping)} (mean absolute error "
        f"{figure(learned.corrected_error, 1)}{unit} instead of {figure(before.error, 1)}{unit}{what})"
    )


_ERRORS: Final = (
    "Mean absolute errors over participants, each left out of all learning and choosing (min; of SE and percent in "
    "pp). Usual value: the mean of the others, whatever the device says. Difference: corrected minus device (minus the "
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
_NO_INTERVALS: Final = (
    "Without a half width: hardly anybody learnt from had an error, so nothing tells how far off a new night may be."
)


def _say_applied(correction: Correction) -> str:
    widths = (m.learned.interval.half_width for m in correction.measures)
    return f"{_APPLIED} {_NO_INTERVALS}" if any(map(math.isnan, widths)) else _APPLIED


def _errors(correction: Correction) -> Table:
    told: list[Told[LearnedMeasure]] = [
        ("measure", lambda m: say_measure(m.measure, correction.mapping)),
        ("device", lambda m: Cell.number(m.learned.raw.error if m.learned.raw else math.nan, 1)),
        ("usual value", lambda m: Cell.number(m.learned.usual.error, 1)),
        ("corrected", lambda m: Cell.number(m.learned.corrected_error, 1)),
        (f"difference ({say_level(correction.level)})", lambda m: _difference(m.learned.raw or m.learned.usual, 1)),
        ("verdict", lambda m: _say_verdict(m.learned)),
    ]
    return tabulate("errors", "", told, correction.measures, words=(0, 5), sortable=True)


def _applied(correction: Correction) -> Table:
    told: list[Told[LearnedMeasure]] = [
        ("measure", lambda m: say_measure(m.measure, correction.mapping)),
        ("method", lambda m: METHODS[m.learned.method]),
        ("corrected value", lambda m: _formula(m, correction)),
        ("half width", lambda m: Cell.number(m.learned.interval.half_width, 1)),
        ("interval", lambda m: INTERVALS[m.learned.interval.kind]),
        ("coverage", lambda m: Cell.share(m.learned.coverage)),
        ("learnt range", lambda m: interval(*m.learned.own_range, 0) if m.learned.own_range else DASH),
    ]
    return tabulate("applied", "", told, correction.measures, words=(0, 1, 2, 4, 6))


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
    correction = night.correction
    told: list[Told[CorrectedMeasure]] = [
        ("measure", lambda m: Cell(say_measure(m.measure, correction.mapping), is_marked=m.extrapolated)),
        ("device", lambda m: Cell.number(m.device, 1)),
        ("corrected", lambda m: Cell.number(m.corrected, 1)),
        (say_level(correction.level), lambda m: interval(m.low, m.high, 1)),
        ("method", lambda m: METHODS[m.learned.method]),
        ("correcting", lambda m: _say_verdict(m.learned)),
    ]
    note = Paragraph(
        "Minutes; SE and percent in %. Correcting: whether it made errors smaller in people who were not learnt from. "
        f"{_ONE_BY_ONE} Learnt from {nights_of(correction.nights, correction.participants)} with "
        f"{shorten(correction.device)}."
    )
    return Description(
        "sleepagree: one night, corrected",
        file_name(night.name, "data in memory"),
        (finding_of_corrected(night),),
        sections_of(
            section("measures", "Measures", tabulate("measures", "", told, night.measures, words=(0, 4, 5)), note),
            _drawn_epochs(night),
            *_closing(night.cautions, command, front),
        ),
    )


def describe_corrected_nights(found: CorrectedNights, *, command: str = "") -> Description:
    """Return many corrected nights: means over nights, what was refused, what may mislead."""
    correction = found.correction
    nights = [night for _, night in found.nights]
    by_measure = [[night.measures[i] for night in nights] for i in range(len(correction.measures))]
    rows = (
        (
            say_measure(learnt.measure, correction.mapping),
            Cell.number(mean_of_known(m.device for m in both or own), 1),
            Cell.number(mean_of_known(m.corrected for m in both or own), 1),
            METHODS[learnt.learned.method],
            _say_verdict(learnt.learned),
            sum(m.extrapolated for m in own),
        )
        for learnt, own in zip(correction.measures, by_measure, strict=True)
        for both in [[m for m in own if not math.isnan(m.device + m.corrected)]]
    )
    heads = ("measure", "device", "corrected", "method", "correcting", "extrapolated")
    people = len({row.participant for row, _ in found.nights})
    said = f"{nights_of(len(nights), people)} corrected"
    said += f", {len(found.refused)} refused" if found.refused else ""
    said += f"; {counted(found.other_devices, 'row')} of other devices left alone" if found.other_devices else ""
    note = Paragraph(
        "Means over nights that have both, or the one that there is (min; SE and percent in %). Extrapolated: nights "
        f"outside what was learnt from. {_ONE_BY_ONE} Each night with its intervals stands in the files of --out."
    )
    return Description(
        "sleepagree: nights, corrected",
        shorten(correction.device),
        (f"{said}.",),
        sections_of(
            refused_section(found.refused, counted(len(nights) + len(found.refused), "night")),
            section("measures", "Measures", table("measures", "", heads, rows, words=(0, 3, 4)), note),
            *_closing(found.cautions, command),
        ),
    )


def finding_of_corrected(night: CorrectedNight) -> str:
    """Return in one sentence what correcting changes of a night."""
    level, mapping = say_level(night.correction.level), night.correction.mapping
    gains = [m for m in night.measures if m.learned.verdict is Verdict.HELPS]
    helped = [m for m in gains if not math.isnan(m.corrected)]
    if not helped:
        none = f"No measure of {shorten(night.correction.device)} is shown to gain by a correction"
        if gains:
            lacking = join_words(say_measure(m.measure, mapping) for m in gains)
            none = f"Not corrected, though a correction helps: {lacking}, made of what this night lacks"
        return f"{none}.{_what_stands(night)}"
    told = []
    for m in helped[:_NAMED_AT_ONCE]:
        unit = "%" if m.unit.startswith("%") else m.unit
        lacks = "label" if m.learned.raw is None else "value"
        said = f"has no {lacks}" if math.isnan(m.device) else f"says {figure(m.device, 1)}"
        star = ", extrapolated" if m.extrapolated else ""
        told.append(
            f"{say_measure(m.measure, mapping)} {figure(m.corrected, 1)} {unit} "
            f"({level} {interval(m.low, m.high, 1)}; the device {said}{star})"
        )
    return f"Corrected: {join_words(told)}."


def _what_stands(night: CorrectedNight) -> str:
    """Return what the corrected values of a night are where none is shown to be a gain."""
    learned = [m.learned for m in night.measures]
    kinds = [
        ("the device's own value", any(one.method is Method.NONE for one in learned)),
        ("the usual value of the study where the device tells no more than that", any(map(_is_usual, learned))),
        ("a correction whose help cannot be told", any(one.verdict is Verdict.CANNOT_BE_TOLD for one in learned)),
    ]
    told = [words for words, is_there in kinds if is_there]
    if not told:
        return ""
    listed = f"{', '.join(told[:-1])}, or {told[-1]}" if len(told) > 1 else told[0]
    return f" What was chosen for each stands under 'corrected', with its interval: {listed}."
