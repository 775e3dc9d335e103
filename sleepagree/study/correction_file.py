"""Reading a correction back from its JSON, every field looked at: it may have passed through other hands."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NoReturn, TypeVar

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import FileFormatError, InputError, MappingError, Step, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.inference.class_probabilities import ClassModel, ReliabilityBin, Scores
from sleepagree.inference.correction import (
    FEWEST_PEOPLE,
    ErrorChange,
    FoldErrors,
    IntervalKind,
    LearnedValue,
    Method,
    PredictionInterval,
    Verdict,
    WeightedSum,
)
from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping
from sleepagree.scoring.epoch_features import EpochFeatures
from sleepagree.study.correction import Correction, FeatureRange, LearnedMeasure
from sleepagree.study.epoch_correction import THIRDS, LabelShares, LearnedEpochs, StageShare

CORRECTION_SCHEMA: Final = "sleepagree.correction/1"
_SCHEMA: Final = re.compile(r"sleepagree\.correction/(\d{1,9})")
_LARGEST_BYTES: Final = 50_000_000
_LARGEST: Final = 1e9
_REMEDY: Final = f"Make it again with {Step.CALIBRATE}."
_Word = TypeVar("_Word", bound=StrEnum)


def read_correction(path: str | Path) -> Correction:
    """Read a correction that ``sleepagree calibrate`` wrote, or ``correction.to_dict()`` as JSON.

    Parameters
    ----------
    path : path-like
        correction.json.

    Raises
    ------
    FileFormatError
        When it is no such file, or a field of it is damaged.
    InputError
        When a later version of this package wrote it, or it cannot be opened.

    Examples
    --------
    >>> read_correction("fixtures/ferry/pad-b.toml")
    Traceback (most recent call last):
    sleepagree.errors.FileFormatError: fixtures/ferry/pad-b.toml: this is no correction. Found a text that is no JSON; \
expected correction.json. Make it again with learn_correction().
    """
    data = read_bytes(path, expected=f"correction.json of {Step.CALIBRATE}", largest=_LARGEST_BYTES)
    name = str(path)
    try:
        document = json.loads(data.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise FileFormatError(
            "this is no correction",
            path=name,
            found="a text that is no JSON",
            expected="correction.json",
            remedy=_REMEDY,
        ) from None
    top = _Fields(document, name, "")
    _check_schema(top)
    return _correction(top)


def _no_number(word: str) -> NoReturn:
    raise ValueError(word)


class _Fields:
    """An object of the document; every look at it says what was wrong, and where."""

    def __init__(self, value: Any, file: str, place: str) -> None:
        self.file, self.place = file, place
        if not isinstance(value, dict):
            self.refuse(place, value, "an object")
        self.values: dict[str, Any] = value

    def refuse(self, place: str, found: Any, expected: str) -> NoReturn:
        shown = shorten(json.dumps(found)) if found is not None else "nothing"
        where = f"field '{shorten(place)}'" if place else ""
        raise FileFormatError(
            "a field of the correction is damaged",
            path=self.file,
            where=where,
            found=shown,
            expected=expected,
            remedy=_REMEDY,
        )

    def at(self, key: str) -> str:
        return f"{self.place}.{key}" if self.place else key

    def text(self, key: str) -> str:
        value = self.values.get(key)
        if not isinstance(value, str):
            self.refuse(self.at(key), value, "a text")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        return self.items(key, str, "a list of texts")

    def pairs(self, key: str) -> tuple[tuple[str, str], ...]:
        value = self.values.get(key)
        if not isinstance(value, dict) or not all(isinstance(item, str) for item in value.values()):
            self.refuse(self.at(key), value, "texts with a text each")
        return tuple(value.items())

    def count(self, key: str, least: int) -> int:
        value = self.values.get(key)
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= _LARGEST:
            self.refuse(self.at(key), value, f"a whole number from {least} on")
        return value

    def flags(self, key: str, length: int) -> tuple[bool, ...]:
        return self.items(key, bool, f"{length} times true or false", length)

    def items(self, key: str, kind: type, expected: str, length: int | None = None) -> tuple[Any, ...]:
        value = self.values.get(key)
        if not isinstance(value, list) or length not in (None, len(value)):
            self.refuse(self.at(key), value, expected)
        if not all(isinstance(item, kind) for item in value):
            self.refuse(self.at(key), value, expected)
        return tuple(value)

    def number(self, key: str, low: float = -_LARGEST, high: float = _LARGEST) -> float:
        return self._checked(self.values.get(key), self.at(key), low, high)

    def maybe_number(self, key: str, low: float = -_LARGEST, high: float = _LARGEST) -> float | None:
        return None if self.values.get(key, 0) is None else self.number(key, low, high)

    def numbers(
        self, key: str, low: float = -_LARGEST, length: int | None = None, *, gaps: bool = False
    ) -> tuple[float, ...]:
        items = self.items(key, object, "a list of numbers" if length is None else f"{length} numbers", length)
        return tuple(
            NAN if gaps and item is None else self._checked(item, f"{self.at(key)}[{i}]", low, _LARGEST)
            for i, item in enumerate(items)
        )

    def _checked(self, value: Any, place: str, low: float, high: float) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not math.isfinite(value) or not low <= value <= high:
            within = "" if low == -_LARGEST else f" from {low:g} to {high:g}"
            self.refuse(place, value, f"a number{within}")
        return float(value)

    def span(self, key: str) -> tuple[float, float]:
        low, high = self.numbers(key, length=2)
        if low > high:
            self.refuse(self.at(key), [low, high], "the lower end first")
        return low, high

    def word(self, key: str, kind: type[_Word]) -> _Word:
        return kind(self.one_of(key, tuple(kind)))

    def one_of(self, key: str, words: Sequence[str]) -> str:
        value = self.text(key)
        if value not in words:
            self.refuse(self.at(key), value, "one of " + ", ".join(words))
        return value

    def inside(self, key: str) -> _Fields:
        return _Fields(self.values.get(key), self.file, self.at(key))

    def each(self, key: str) -> list[_Fields]:
        items = self.items(key, object, "a list")
        return [_Fields(item, self.file, f"{self.at(key)}[{i}]") for i, item in enumerate(items)]


def _check_schema(top: _Fields) -> None:
    schema = top.values.get("schema")
    if schema == CORRECTION_SCHEMA:
        return
    match = _SCHEMA.fullmatch(schema) if isinstance(schema, str) else None
    if match is not None and int(match[1]) > 1:
        raise InputError(
            "a later version of sleepagree wrote this correction",
            path=top.file,
            where="field 'schema'",
            found=str(schema),
            expected=CORRECTION_SCHEMA,
            remedy="Use that version of sleepagree, or learn the correction again with this one.",
        )
    raise FileFormatError(
        "this is no correction",
        path=top.file,
        where="field 'schema'",
        found=shorten(json.dumps(schema)),
        expected=CORRECTION_SCHEMA,
        remedy=_REMEDY,
    )


def _correction(top: _Fields) -> Correction:
    ranges = top.inside("features")
    names = tuple(ranges.values)
    level = top.number("level", 0.5, 0.9999)
    mapping = _mapping(top.inside("mapping"))
    epochs = None if top.values.get("epochs", 0) is None else _epochs(top.inside("epochs"), mapping)
    measures = tuple(_measure(each, names, level) for each in top.each("measures"))
    told = [m.measure for m in measures]
    if not told or len(set(told)) != len(told):
        top.refuse("measures", told, "measures, each once")
    return Correction(
        top.text("device"),
        top.pairs("labels"),
        top.texts("reports"),
        mapping,
        top.numbers("epoch_seconds", 0.001),
        top.texts("windows"),
        top.count("participants", FEWEST_PEOPLE),
        top.count("nights", FEWEST_PEOPLE),
        top.text("study_sha256"),
        level,
        tuple(FeatureRange(name, *ranges.span(name)) for name in names),
        measures,
        tuple(_caution(each) for each in top.each("cautions")),
        epochs,
    )


def _epochs(fields: _Fields, mapping: StageMapping) -> LearnedEpochs:
    classes, labels = fields.texts("classes"), fields.texts("device_classes")
    if len(classes) < 2 or not set(classes) <= set(mapping.reference_classes) or len(set(classes)) != len(classes):
        fields.refuse(fields.at("classes"), list(classes), "some of " + ", ".join(mapping.reference_classes))
    if labels != mapping.device_classes:
        fields.refuse(fields.at("device_classes"), list(labels), ", ".join(mapping.device_classes))
    knots = [fields.numbers(key) for key in ("hour_knots", "part_knots")]
    for key, own in zip(("hour_knots", "part_knots"), knots, strict=True):
        if len(own) < 3 or any(a >= b for a, b in pairwise(own)):
            fields.refuse(fields.at(key), list(own), "at least three numbers that rise")
    rule = EpochFeatures(labels, fields.numbers("share_minutes", 0.5), *knots)
    if fields.texts("features") != rule.names:
        fields.refuse(fields.at("features"), fields.values.get("features"), "the features that classes and knots make")
    rows = fields.each("coefficients")
    if tuple(row.text("class") for row in rows) != classes:
        fields.refuse(fields.at("coefficients"), [row.text("class") for row in rows], "one for each of the classes")
    return LearnedEpochs(
        classes,
        fields.flags("asleep", len(classes)),
        rule,
        fields.flags("device_asleep", len(labels)),
        ClassModel(
            tuple(row.number("intercept") for row in rows),
            tuple(row.numbers("weights", length=len(rule.names)) for row in rows),
        ),
        fields.maybe_number("penalty", 0),
        fields.word("verdict", Verdict),
        fields.count("epochs", FEWEST_PEOPLE),
        fields.number("log_loss", 0),
        fields.number("brier", 0, 2),
        _scores(fields, "label_only"),
        _scores(fields, "label_and_third"),
        tuple(_reliability(fields)),
        tuple(_label_shares(each, classes, labels) for each in fields.each("by_label")),
    )


def _scores(fields: _Fields, against: str) -> Scores:
    over = fields.inside(f"over_{against}")
    names = ("log_loss", "brier")
    return Scores(
        *(ErrorChange(fields.number(f"{name}_{against}", 0), *over.numbers(name, length=3)) for name in names)
    )


def _reliability(fields: _Fields) -> Iterator[ReliabilityBin]:
    for i, row in enumerate(fields.items("reliability", object, "a list")):
        key = f"reliability[{i}]"
        told, seen, rows = _Fields({key: row}, fields.file, fields.place).numbers(key, 0, 3)
        yield ReliabilityBin(told, seen, int(rows))


def _label_shares(fields: _Fields, classes: tuple[str, ...], labels: tuple[str, ...]) -> LabelShares:
    shares = fields.inside("shares")
    low, high = (fields.numbers(key, 0, len(classes), gaps=True) for key in ("low", "high"))
    return LabelShares(
        fields.one_of("label", labels),
        fields.one_of("third", ("", *THIRDS)),
        fields.count("epochs", 1),
        fields.count("participants", 1),
        tuple(
            StageShare(name, shares.number(name, 0, 1), *ends) for name, *ends in zip(classes, low, high, strict=True)
        ),
    )


def _caution(fields: _Fields) -> Caution:
    kind = fields.word("kind", CautionKind)
    values = fields.inside("values").values
    plain = {key: tuple(value) if isinstance(value, list) else value for key, value in values.items()}
    return Caution.of(kind, **plain)


def _mapping(fields: _Fields) -> StageMapping:
    try:
        mapping = StageMapping(
            fields.text("name"),
            fields.texts("reference_classes"),
            fields.texts("device_classes"),
            fields.pairs("reference"),
            fields.pairs("device"),
            reference_labels=fields.pairs("reference_labels"),
            device_labels=fields.pairs("device_labels"),
        )
    except MappingError as error:
        raise error.in_file(fields.file, "field 'mapping'") from None
    return mapping


def _measure(fields: _Fields, names: tuple[str, ...], level: float) -> LearnedMeasure:
    people = fields.count("participants", FEWEST_PEOPLE)
    kind = fields.word("interval_kind", IntervalKind)
    folds = tuple(_fold(each, names) for each in fields.each("folds"))
    if folds and kind is not IntervalKind.CV_PLUS:
        fields.refuse(fields.at("folds"), len(folds), "folds for an interval by cv+ alone")
    interval = PredictionInterval(kind, level, fields.number("independent", 1), fields.number("half_width", 0), folds)
    raw_error = fields.maybe_number("raw_error", 0)
    raw = (
        None
        if raw_error is None
        else ErrorChange(raw_error, *map(fields.number, ("difference", "difference_low", "difference_high")))
    )
    learned = LearnedValue(
        fields.word("method", Method),
        _model(fields.inside("coefficients"), names),
        fields.word("verdict", Verdict),
        people,
        fields.count("nights", FEWEST_PEOPLE),
        fields.number("corrected_error", 0),
        raw,
        ErrorChange(fields.number("usual_error", 0), *fields.numbers("over_usual", length=3)),
        interval,
        fields.number("coverage", 0, 1),
        None if fields.values.get("range", 0) is None else fields.span("range"),
    )
    return LearnedMeasure(fields.text("measure"), fields.text("unit"), learned)


def _fold(fields: _Fields, names: tuple[str, ...]) -> FoldErrors:
    errors = fields.numbers("errors", 0)
    return FoldErrors(_model(fields.inside("coefficients"), names), errors, fields.numbers("shares", 0, len(errors)))


def _model(fields: _Fields, names: tuple[str, ...]) -> WeightedSum:
    for key in fields.values:
        if key not in ("intercept", *names):
            fields.refuse(fields.at(key), key, "one of " + ", ".join(names))
    weights = tuple(fields.number(name) if name in fields.values else 0.0 for name in names)
    return WeightedSum(fields.number("intercept"), weights)
