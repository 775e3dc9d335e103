"""A correction, and a night corrected by it, as plain documents; :mod:`sleepagree.study.correction_file` reads them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from sleepagree.describe.cautions import caution_documents
from sleepagree.inference.class_probabilities import Scores
from sleepagree.inference.correction import ErrorChange, LearnedValue, WeightedSum
from sleepagree.mapping.mapping import StageMapping
from sleepagree.render.json_text import Document, attributes, epoch_moment, number, numbers, software
from sleepagree.render.night_json import label_words
from sleepagree.study.correction import CorrectedNight, Correction, LearnedMeasure
from sleepagree.study.correction_file import CORRECTION_SCHEMA
from sleepagree.study.epoch_correction import LearnedEpochs

if TYPE_CHECKING:
    from sleepagree.study.correct_nights import CorrectedNights

CORRECTED_SCHEMA: Final = "sleepagree.corrected/1"
CORRECTED_NIGHTS_SCHEMA: Final = "sleepagree.corrected-nights/1"

#: Numbers of a corrected measure.
_CORRECTED: Final = ("device", "corrected", "low", "high")


def correction_document(correction: Correction) -> Document:
    """Return everything that applying a correction needs, and what it is worth."""
    return {
        "schema": CORRECTION_SCHEMA,
        "software": software(),
        "device": correction.device,
        "labels": dict(correction.labels),
        "reports": list(correction.reports),
        "mapping": _mapping(correction.mapping),
        "epoch_seconds": list(correction.epoch_steps_s),
        "windows": list(correction.window_rules),
        **attributes(correction, "participants", "nights", "study_sha256", "level"),
        "features": {f.measure: [f.low, f.high] for f in correction.features},
        "measures": [_measure(m, correction) for m in correction.measures],
        "epochs": None if correction.epochs is None else _epochs(correction.epochs),
        "cautions": caution_documents(correction.cautions),
    }


def corrected_document(night: CorrectedNight) -> Document:
    """Return a corrected night."""
    return {
        "schema": CORRECTED_SCHEMA,
        "software": software(),
        "input": night.name,
        "device": night.correction.device,
        **_of_night(night),
    }


def corrected_nights_document(found: CorrectedNights) -> Document:
    """Return many corrected nights."""
    return {
        "schema": CORRECTED_NIGHTS_SCHEMA,
        "software": software(),
        "device": found.correction.device,
        "nights": [
            {"participant": row.participant, "night": row.night, "input": night.name, **_of_night(night)}
            for row, night in found.nights
        ],
        "refused": [
            {"line": one.row, "participant": one.participant, "night": one.night, "reason": one.reason}
            for one in found.refused
        ],
    }


def _of_night(night: CorrectedNight) -> Document:
    return {
        **attributes(night, "window_minutes", "window_rule"),
        "measures": [
            {
                **attributes(m, "measure", "unit"),
                **{key: _rounded(value) for key, value in attributes(m, *_CORRECTED).items()},
                "level": night.correction.level,
                "method": m.learned.method.value,
                "verdict": m.learned.verdict.value,
                "extrapolated": m.extrapolated,
            }
            for m in night.measures
        ],
        "cautions": caution_documents(night.cautions),
    }


def corrected_rows(nights: Iterable[CorrectedNight], names: Sequence[tuple[str, str]] = ()) -> Iterator[list[str]]:
    """Yield the measures of corrected nights, header first; with participants and nights where there are names."""
    own = ["unit", "device", "corrected", "low", "high", "level", "method", "verdict", "extrapolated"]
    yield [*(("participant", "night") if names else ()), "measure", *own]
    for i, night in enumerate(nights):
        for m in night.measures:
            numbers = (*attributes(m, *_CORRECTED).values(), night.correction.level)
            yield [
                *(names[i] if names else ()),
                *(m.measure, m.unit, *(_text(_rounded(value)) for value in numbers)),
                *(m.learned.method.value, m.learned.verdict.value, "yes" if m.extrapolated else "no"),
            ]


def corrected_epoch_rows(
    nights: Iterable[CorrectedNight], names: Sequence[tuple[str, str]] = ()
) -> Iterator[list[str]]:
    """Yield the epochs of corrected nights with the probability of each class, header first; empty where silent."""
    for i, night in enumerate(nights):
        paired, mapping, device_set = night.paired, night.correction.mapping, night.paired.device_set
        classes = () if night.correction.epochs is None else night.correction.epochs.classes
        if i == 0:
            head = [*(("participant", "night") if names else ()), "epoch", "start", "label", "class"]
            yield [*head, *(f"probability_{name}" for name in classes)]
        words = label_words(device_set, mapping.device_codes(device_set), mapping.device_classes)
        for epoch, (code, row) in enumerate(zip(paired.device.tolist(), night.probabilities.tolist(), strict=True)):
            label, _, of_class = words[code]
            told = ("" if math.isnan(value) else f"{value:.4f}" for value in row)
            yield [*(names[i] if names else ()), str(epoch), epoch_moment(paired, epoch), label, of_class, *told]


def correction_rows(correction: Correction) -> Iterator[list[str]]:
    """Yield the table of what was learnt, header first."""
    yield [
        *("measure", "unit", "participants", "nights", "method", "verdict", "raw_error", "corrected_error"),
        *("difference", "difference_low", "difference_high", "usual_error", "usual_difference"),
        *("usual_difference_low", "usual_difference_high", "level", "interval_kind", "half_width", "coverage"),
    ]
    for measure in correction.measures:
        found = _learned(measure.learned, correction)
        yield [
            *(measure.measure, measure.unit, str(measure.learned.people), str(measure.learned.nights)),
            *(found["method"], found["verdict"]),
            *(_text(found[key]) for key in ("raw_error", "corrected_error", *_CHANGE, "usual_error")),
            *map(_text, found["over_usual"]),
            *(_text(correction.level), found["interval_kind"], _text(found["half_width"]), _text(found["coverage"])),
        ]


_CHANGE: Final = ("difference", "difference_low", "difference_high")


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _rounded(value: float) -> float | None:
    """Return a number with nine digits: the last ones depend on the machine's library of linear algebra."""
    return None if math.isnan(value) or math.isinf(value) else float(f"{value:.9g}")


def _mapping(mapping: StageMapping) -> Document:
    return {
        "name": mapping.name,
        **{key: list(getattr(mapping, key)) for key in ("reference_classes", "device_classes")},
        **{key: dict(getattr(mapping, key)) for key in ("reference", "device", "reference_labels", "device_labels")},
    }


def _measure(measure: LearnedMeasure, correction: Correction) -> Document:
    learned = measure.learned
    own = learned.own_range
    return {
        "measure": measure.measure,
        "unit": measure.unit,
        "participants": learned.people,
        "nights": learned.nights,
        **_learned(learned, correction),
        "range": None if own is None else list(own),
        "folds": [
            {
                "coefficients": _coefficients(fold.model, correction),
                "errors": list(fold.residuals),
                "shares": list(fold.shares),
            }
            for fold in learned.interval.folds
        ],
    }


def _epochs(learnt: LearnedEpochs) -> Document:
    model = learnt.model
    return {
        "classes": list(learnt.classes),
        "asleep": list(learnt.asleep),
        "device_classes": list(learnt.rule.classes),
        "device_asleep": list(learnt.device_asleep),
        **{key: list(getattr(learnt.rule, key)) for key in ("share_minutes", "hour_knots", "part_knots")},
        "features": list(learnt.rule.names),
        "coefficients": [
            {"class": name, "intercept": intercept, "weights": list(weights)}
            for name, intercept, weights in zip(learnt.classes, model.intercepts, model.weights, strict=True)
        ],
        "penalty": learnt.penalty,
        "verdict": learnt.verdict.value,
        **attributes(learnt, "epochs", "log_loss", "brier"),
        **_scores(learnt.by_label, "label_only"),
        **_scores(learnt.by_third, "label_and_third"),
        "reliability": [list(each) for each in learnt.reliability],
        "by_label": [
            {
                **attributes(one, "label", "third", "epochs", "participants"),
                "shares": {share.name: share.share for share in one.shares},
                "low": [number(share.low) for share in one.shares],
                "high": [number(share.high) for share in one.shares],
            }
            for one in learnt.shares
        ],
    }


def _scores(scores: Scores, against: str) -> Document:
    return {
        f"log_loss_{against}": scores.log_loss.error,
        f"brier_{against}": scores.brier.error,
        f"over_{against}": {"log_loss": _change(scores.log_loss), "brier": _change(scores.brier)},
    }


def _learned(learned: LearnedValue, correction: Correction) -> Document:
    raw = learned.raw
    return {
        "method": learned.method.value,
        "coefficients": _coefficients(learned.model, correction),
        "verdict": learned.verdict.value,
        "raw_error": None if raw is None else raw.error,
        "corrected_error": learned.corrected_error,
        **dict(zip(_CHANGE, _change(raw), strict=True)),
        "usual_error": learned.usual.error,
        "over_usual": _change(learned.usual),
        "level": correction.level,
        "interval_kind": learned.interval.kind.value,
        **numbers(learned.interval, "independent", "half_width"),
        "coverage": number(learned.coverage),
    }


def _change(change: ErrorChange | None) -> list[float | None]:
    """Return a difference and its interval."""
    return [None] * 3 if change is None else [change.difference, change.low, change.high]


def _coefficients(model: WeightedSum, correction: Correction) -> Document:
    weights = zip(correction.features, model.weights, strict=True)
    return {"intercept": model.intercept, **{feature.measure: weight for feature, weight in weights if weight}}
