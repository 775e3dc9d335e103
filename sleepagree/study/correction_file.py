"""Reading a correction back from its JSON, every field looked at: it may have passed through other hands."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Sequence
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn, TypeVar

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
from sleepagree.study.correction import CORRECTED, Correction, FeatureRange, LearnedMeasure
from sleepagree.study.epoch_correction import THIRDS, LabelShares, LearnedEpochs, StageShare

CORRECTION_SCHEMA: Final = "sleepagree.correction/1"
_SCHEMA: Final = re.compile(r"sleepagree\.correction/(\d{1,9})")
_LARGEST_BYTES: Final = 50_000_000
_LARGEST: Final = 1e9
#: Sums of numbers of six digits differ from what was rounded by less.
_ROUNDED: Final = 1e-5
_REMEDY: Final = f"Make it again with {Step.CALIBRATE}."
_Word = TypeVar("_Word", bound=StrEnum)
_Read = TypeVar("_Read")


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
        document = json.loads(data, parse_constant=_no_number)  # bytes: it takes a byte-order mark
    except (ValueError, RecursionError):
        raise _no_correction(name, "", "a text that is no JSON", "correction.json") from None
    top = _Spot(document, name)
    _check_schema(top.at("schema"))
    correction = _correction(top)
    try:
        for caution in (*correction.cautions, *correction.doubts):
            str(caution)  # what cannot be told lacks a value
    except (AttributeError, KeyError, TypeError, ValueError):
        top.at("cautions").refuse("the values that belong to each kind of caution")
    return correction


def _no_number(word: str) -> NoReturn:
    raise ValueError(word)


class _Spot(NamedTuple):
    """A value of the document; every look at it says what was wrong, and where."""

    value: Any
    file: str
    place: str = ""

    def refuse(self, expected: str) -> NoReturn:
        raise FileFormatError(
            "a field of the correction is damaged",
            path=self.file,
            where=f"field '{shorten(self.place)}'" if self.place else "",
            found=shorten(json.dumps(self.value)) if self.value is not None else "nothing",
            expected=expected,
            remedy=_REMEDY,
        )

    def named(self) -> dict[str, Any]:
        if not isinstance(self.value, dict):
            self.refuse("an object")
        return self.value

    def at(self, key: str) -> _Spot:
        return _Spot(self.named().get(key), self.file, f"{self.place}.{key}" if self.place else key)

    def each(self, expected: str = "a list", length: int | None = None) -> list[_Spot]:
        if not isinstance(self.value, list) or length not in (None, len(self.value)):
            self.refuse(expected)
        return [_Spot(item, self.file, f"{self.place}[{i}]") for i, item in enumerate(self.value)]

    def maybe(self, key: str, read: Callable[[_Spot], _Read]) -> _Read | None:
        """Return what is read, None where the document says so; a field that is not there is missed."""
        spot = self.at(key)
        return None if spot.value is None and key in self.value else read(spot)

    def text(self) -> str:
        if not isinstance(self.value, str):
            self.refuse("a text")
        return self.value

    def texts(self) -> tuple[str, ...]:
        return self.items(str, "a list of texts")

    def items(self, kind: type, expected: str, length: int | None = None) -> tuple[Any, ...]:
        if not all(isinstance(item.value, kind) for item in self.each(expected, length)):
            self.refuse(expected)
        return tuple(self.value)

    def pairs(self) -> tuple[tuple[str, str], ...]:
        if not isinstance(self.value, dict) or not all(isinstance(item, str) for item in self.value.values()):
            self.refuse("texts with a text each")
        return tuple(self.value.items())

    def count(self, least: int) -> int:
        if not isinstance(self.value, int) or isinstance(self.value, bool) or not least <= self.value <= _LARGEST:
            self.refuse(f"a whole number from {least} on")
        return self.value

    def number(self, low: float = -_LARGEST, high: float = _LARGEST) -> float:
        is_number = isinstance(self.value, int | float) and not isinstance(self.value, bool)
        if not is_number or not low <= self.value <= high:
            self.refuse("a number" if low == -_LARGEST else f"a number from {low:g} to {high:g}")
        return float(self.value)

    def numbers(self, low: float = -_LARGEST, length: int | None = None, *, gaps: bool = False) -> tuple[float, ...]:
        items = self.each("a list of numbers" if length is None else f"{length} numbers", length)
        return tuple(NAN if gaps and item.value is None else item.number(low) for item in items)

    def span(self) -> tuple[float, float]:
        low, high = self.numbers(length=2)
        if low > high:
            self.refuse("the lower end first")
        return low, high

    def one_of(self, words: Sequence[str]) -> str:
        if self.text() not in words:
            self.refuse("one of " + ", ".join(words))
        return self.text()

    def word(self, kind: type[_Word]) -> _Word:
        return kind(self.one_of(tuple(kind)))


def _check_schema(schema: _Spot) -> None:
    if schema.value == CORRECTION_SCHEMA:
        return
    match = _SCHEMA.fullmatch(schema.value) if isinstance(schema.value, str) else None
    if match is not None and int(match[1]) > 1:
        raise InputError(
            "a later version of sleepagree wrote this correction",
            path=schema.file,
            where="field 'schema'",
            found=schema.value,
            expected=CORRECTION_SCHEMA,
            remedy="Use that version of sleepagree, or learn the correction again with this one.",
        )
    raise _no_correction(schema.file, "field 'schema'", shorten(json.dumps(schema.value)), CORRECTION_SCHEMA)


def _no_correction(file: str, where: str, found: str, expected: str) -> FileFormatError:
    return FileFormatError("this is no correction", file, where, found, expected, _REMEDY)


def _correction(top: _Spot) -> Correction:
    ranges = top.at("features")
    level = top.at("level").number(0.5, 0.9999)
    mapping = _mapping(top.at("mapping"))
    epochs = top.maybe("epochs", lambda spot: _epochs(spot, mapping))
    features = tuple(FeatureRange(name, *ranges.at(name).span()) for name in ranges.named())
    known = (*CORRECTED, *(f"{kind} {name}" for name in mapping.reference_classes for kind in ("minutes", "percent")))
    measures = tuple(_measure(each, known, tuple(ranges.named()), level) for each in top.at("measures").each())
    told = [m.measure for m in measures]
    if not told or len(set(told)) != len(told):
        top.at("measures")._replace(value=told).refuse("measures, each once")
    return Correction(
        top.at("device").text(),
        top.at("labels").pairs(),
        top.at("reports").texts(),
        mapping,
        top.at("epoch_seconds").numbers(0.001),
        top.at("windows").texts(),
        top.at("participants").count(FEWEST_PEOPLE),
        top.at("nights").count(FEWEST_PEOPLE),
        top.at("study_sha256").text(),
        level,
        features,
        measures,
        tuple(map(_caution, top.at("cautions").each())),
        epochs,
    )


def _epochs(spot: _Spot, mapping: StageMapping) -> LearnedEpochs:
    classes, labels = spot.at("classes").texts(), spot.at("device_classes").texts()
    if len(classes) < 2 or not set(classes) <= set(mapping.reference_classes) or len(set(classes)) != len(classes):
        spot.at("classes").refuse("some of " + ", ".join(mapping.reference_classes))
    if labels != mapping.device_classes:
        spot.at("device_classes").refuse(", ".join(mapping.device_classes))
    knots = [spot.at(key).numbers() for key in ("hour_knots", "part_knots")]
    for key, own in zip(("hour_knots", "part_knots"), knots, strict=True):
        if len(own) < 3 or any(a >= b for a, b in pairwise(own)):
            spot.at(key)._replace(value=list(own)).refuse("at least three numbers that rise")
    rule = EpochFeatures(labels, spot.at("share_minutes").numbers(0.5), *knots)
    if spot.at("features").texts() != rule.names:
        spot.at("features").refuse("the features that classes and knots make")
    rows = spot.at("coefficients").each()
    if (told := [row.at("class").text() for row in rows]) != list(classes):
        spot.at("coefficients")._replace(value=told).refuse("one for each of the classes")
    return LearnedEpochs(
        classes,
        _flags(spot.at("asleep"), len(classes)),
        rule,
        _flags(spot.at("device_asleep"), len(labels)),
        ClassModel(
            tuple(row.at("intercept").number() for row in rows),
            tuple(row.at("weights").numbers(length=len(rule.names)) for row in rows),
        ),
        spot.maybe("penalty", lambda own: own.number(0)),
        spot.at("verdict").word(Verdict),
        spot.at("epochs").count(FEWEST_PEOPLE),
        spot.at("log_loss").number(0),
        spot.at("brier").number(0, 2),
        _scores(spot, "label_only"),
        _scores(spot, "label_and_third"),
        tuple(_reliability(row) for row in spot.at("reliability").each()),
        tuple(_label_shares(each, classes, labels) for each in spot.at("by_label").each()),
    )


def _flags(spot: _Spot, length: int) -> tuple[bool, ...]:
    return spot.items(bool, f"{length} times true or false", length)


def _scores(spot: _Spot, against: str) -> Scores:
    return Scores(
        *(_change(spot.at(f"{name}_{against}"), spot.at(f"over_{against}").at(name)) for name in ("log_loss", "brier"))
    )


def _change(error: _Spot, over: _Spot) -> ErrorChange:
    return ErrorChange(error.number(0), *over.numbers(length=3))


def _reliability(spot: _Spot) -> ReliabilityBin:
    told, seen, rows = spot.numbers(0, 3)
    return ReliabilityBin(told, seen, int(rows))


def _label_shares(spot: _Spot, classes: tuple[str, ...], labels: tuple[str, ...]) -> LabelShares:
    low, high = (spot.at(key).numbers(0, len(classes), gaps=True) for key in ("low", "high"))
    return LabelShares(
        spot.at("label").one_of(labels),
        spot.at("third").one_of(("", *THIRDS)),
        spot.at("epochs").count(1),
        spot.at("participants").count(1),
        tuple(
            StageShare(name, spot.at("shares").at(name).number(0, 1), *ends)
            for name, *ends in zip(classes, low, high, strict=True)
        ),
    )


def _caution(spot: _Spot) -> Caution:
    kind = spot.at("kind").word(CautionKind)
    values = {key: _value(spot.at("values").at(key)) for key in spot.at("values").named()}
    return Caution.of(kind, **values).of_side(spot.maybe("side", _Spot.text) or "")


def _value(spot: _Spot) -> Any:
    """Return a value of a caution, which may be another caution."""
    if isinstance(spot.value, list):
        return tuple(map(_value, spot.each()))
    return _caution(spot) if isinstance(spot.value, dict) else spot.value


def _mapping(spot: _Spot) -> StageMapping:
    try:
        return StageMapping(
            spot.at("name").text(),
            spot.at("reference_classes").texts(),
            spot.at("device_classes").texts(),
            spot.at("reference").pairs(),
            spot.at("device").pairs(),
            reference_labels=spot.at("reference_labels").pairs(),
            device_labels=spot.at("device_labels").pairs(),
        )
    except MappingError as error:
        raise error.in_file(spot.file, "field 'mapping'") from None


def _measure(spot: _Spot, known: tuple[str, ...], names: tuple[str, ...], level: float) -> LearnedMeasure:
    people = spot.at("participants").count(FEWEST_PEOPLE)
    kind = spot.at("interval_kind").word(IntervalKind)
    folds = tuple(_fold(each, names) for each in spot.at("folds").each())
    if folds and kind is not IntervalKind.CV_PLUS:
        spot.at("folds")._replace(value=len(folds)).refuse("folds for an interval by cv+ alone")
    if folds and (held := sum(round(sum(fold.shares)) for fold in folds)) != people:
        spot.at("folds")._replace(value=held).refuse(f"folds that hold {people} people in all")
    independent, half_width = spot.at("independent").number(1), spot.maybe("half_width", lambda own: own.number(0))
    coverage = spot.maybe("coverage", lambda own: own.number(0, 1))
    differences = "difference", "difference_low", "difference_high"
    learned = LearnedValue(
        spot.at("method").word(Method),
        _model(spot.at("coefficients"), names),
        spot.at("verdict").word(Verdict),
        people,
        spot.at("nights").count(FEWEST_PEOPLE),
        spot.at("corrected_error").number(0),
        spot.maybe(
            "raw_error", lambda raw: ErrorChange(raw.number(0), *(spot.at(key).number() for key in differences))
        ),
        _change(spot.at("usual_error"), spot.at("over_usual")),
        PredictionInterval(kind, level, independent, NAN if half_width is None else half_width, folds),
        NAN if coverage is None else coverage,
        spot.maybe("range", _Spot.span),
    )
    return LearnedMeasure(spot.at("measure").one_of(known), spot.at("unit").text(), learned)


def _fold(spot: _Spot, names: tuple[str, ...]) -> FoldErrors:
    errors = spot.at("errors").numbers(0)
    shares = spot.at("shares").numbers(0, len(errors))
    people = round(sum(shares))
    if people < 1 or not math.isclose(sum(shares), people, rel_tol=_ROUNDED):
        spot.at("shares").refuse("shares of the fold's people, whole ones in all")
    return FoldErrors(_model(spot.at("coefficients"), names), errors, shares)


def _model(spot: _Spot, names: tuple[str, ...]) -> WeightedSum:
    for key in spot.named():
        if key not in ("intercept", *names):
            spot.at(key)._replace(value=key).refuse("one of " + ", ".join(names))
    weights = tuple(spot.at(name).number() if name in spot.value else 0.0 for name in names)
    return WeightedSum(spot.at("intercept").number(), weights)
