"""Labels in memory: one after the other, or each with the time that it lasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError, UnknownStageError
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans, Seconds
from sleepagree.mapping.words import NOT_A_STAGE, STAGE_WORDS, UNSCORED, assign_stages


class Declared(NamedTuple):
    """What the caller tells of data in memory."""

    stages: Mapping[str, str]
    start: datetime | None
    epoch_s: float
    zone: str | None
    own_words: frozenset[str]
    name: str


def label_text(value: Any) -> str | None:
    """Return the text of a label, None for a gap; whole floats read as whole numbers (1.0 is '1')."""
    if value is None or value is np.ma.masked or (isinstance(value, (float, np.floating)) and np.isnan(value)):
        return None
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        value = int(value)
    text = str(value).strip()
    return None if text in ("", "<NA>", "NaT") else text


def spans_of_labels(values: list[Any], declared: Declared) -> ScoredSpans:
    """Return the spans of labels one after the other, an epoch each."""
    labels, stages, codes = _coded(values, declared)
    edges = np.flatnonzero(np.diff(codes, prepend=-2, append=-2))
    begin, length = edges[:-1], np.diff(edges)
    kept = codes[begin] >= 0 if begin.size else np.zeros(0, bool)
    return ScoredSpans(
        np.asarray(begin[kept] * declared.epoch_s, np.float64),
        np.asarray(length[kept] * declared.epoch_s, np.float64),
        codes[begin[kept]],
        labels,
        stages,
        start=declared.start,
        epoch_s=declared.epoch_s,
        epoch_from=EpochLengthFrom.LAYOUT,
        origin=Origin(declared.name, "memory"),
        counted=None if declared.start is not None else (0, len(values)),
    )


def _coded(values: Sequence[Any], declared: Declared) -> tuple[tuple[str, ...], tuple[str, ...], NDArray[np.int16]]:
    """Return the labels among some values, the stage of each, and the position of every value's label: -1 for gaps."""
    texts = [label_text(value) for value in values]
    labels = tuple(dict.fromkeys(text for text in texts if text is not None))
    # first of all: labels without end are no stages, and more than a code can number
    stages = _stages_of(labels, declared)
    position = {label: i for i, label in enumerate(labels)}
    return labels, stages, np.array([-1 if text is None else position[text] for text in texts], np.int16)


def _stages_of(labels: tuple[str, ...], declared: Declared) -> tuple[str, ...]:
    try:
        return assign_stages(labels, table=declared.stages, own_words=declared.own_words, path=declared.name)
    except UnknownStageError as error:
        if not error.labels:
            raise
        wanted = ", ".join(f"{label if label.isdecimal() else repr(label)}: ..." for label in error.labels[:6])
        more = ", ..." if len(error.labels) > 6 else ""
        expected = "a plain stage name, or a word for it in stages"
        remedy = (
            f"Give read_hypnogram(..., stages={{{wanted}{more}}}) with one of {', '.join(STAGE_WORDS)}, {UNSCORED} and "
            f"{NOT_A_STAGE} for each."
        )
        raise UnknownStageError(
            error.problem, error.path, error.where, error.found, expected, remedy, error.facts
        ) from None


def spans_of_intervals(
    onset: Seconds, duration: Seconds, values: Sequence[Any], declared: Declared, begins: datetime | None = None
) -> ScoredSpans:
    """Return the spans of intervals in any order; ``begins`` is the first of them where the data tell times."""
    if begins is not None and declared.start is not None:
        raise ValueError("start is for data that do not tell when they begin, and source has times")
    order = np.argsort(onset, kind="stable")
    labels, stages, codes = _coded([values[i] for i in order], declared)
    is_stage = codes >= 0
    codes, rows = codes[is_stage], order[is_stage]
    onset, duration = onset[rows], duration[rows]
    early = onset[1:] < (onset + duration)[:-1] - 1e-3  # as `ScoredSpans` looks at them
    if early.any():
        at = int(early.argmax()) + 1
        problem, expected = "the interval begins before one above it ends", "one stage at a time"
        remedy = "Shorten or drop one of the two."
        raise EpochGridError(problem, declared.name, f"row {rows[at]}", labels[codes[at]], expected, remedy)
    return ScoredSpans(
        onset,
        duration,
        codes,
        labels,
        stages,
        start=declared.start if begins is None else begins,
        wall_clock=begins is not None and begins.tzinfo is None,
        origin=Origin(declared.name, "memory"),
    )


def spans_of_epochs(
    onset: Seconds, values: Sequence[Any], declared: Declared, begins: datetime | None = None
) -> ScoredSpans:
    """Return the spans of epochs in order, as long as the steps between them; missing ones leave gaps."""
    steps = np.diff(onset)
    # of two in the middle the shorter: with one epoch missing out of three, the other step is a multiple
    step = float(np.sort(steps)[(steps.size - 1) // 2]) if steps.size else declared.epoch_s
    if steps.size and steps.min() < step - 1e-3:
        problem, found = "the steps between the times of the rows differ", f"{steps.min():g} s to {steps.max():g} s"
        remedy = (
            f"Where a clock is not exact, round the times, as .round('{step:g}s') does for a pandas index; where rows "
            "are intervals, give start and end, or onset_s and duration_s."
        )
        expected = f"steps of {step:g} s, or more where epochs are missing"
        raise EpochGridError(problem, declared.name, found=found, expected=expected, remedy=remedy)
    spans = spans_of_intervals(onset, np.full(onset.size, step), values, declared, begins)
    return spans.with_changes(epoch_s=step, epoch_from=EpochLengthFrom.INFERRED)
