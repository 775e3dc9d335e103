"""Learning from the nights of a study how to correct a device; what is learnt is plain numbers."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, NoteKind, without_names
from sleepagree.errors import InputError, Option, counted, shorten
from sleepagree.inference.correction import (
    FEWEST_PEOPLE,
    Examples,
    Expected,
    as_written,
    fold_people,
    group_of,
    learn_value,
)
from sleepagree.mapping.files import Mappings, take_mappings
from sleepagree.mapping.mapping import StageMapping, default_mapping
from sleepagree.mapping.sets import StageSet
from sleepagree.study.cautions import cautions_of_nights, names_alike
from sleepagree.study.correction import (
    CORRECTED,
    EXPECTED,
    Correction,
    FeatureRange,
    LearnedMeasure,
    range_of,
    standing_cautions,
)
from sleepagree.study.epoch_correction import learn_epochs
from sleepagree.study.execution import Progress, take_progress
from sleepagree.study.given_nights import take_outcomes
from sleepagree.study.groups import fold_nights, merged_sets
from sleepagree.study.night_summary import NightSummary, Refusal, refuse_own_reference
from sleepagree.study.results import StudyAgreement
from sleepagree.study.summarise import MeasuredNights, measure_table

_TOGETHER: Final = ("TIB", "SOL", "awakenings")
_Values = NDArray[np.float64]


def learn_correction(
    study: Any,
    *,
    device: str | None = None,
    mapping: Mappings = None,
    level: float = 0.95,
    progress: bool | Progress | None = None,
) -> Correction:
    """Learn from a study how to correct a device, and what that is worth on people not learnt from.

    Parameters
    ----------
    study : StudyAgreement, or nights as :func:`sleepagree.summarise_study` takes them
        The study, or its nights.
    device : str, optional
        Name of the device; needed where the study has several.
    mapping : StageMapping, name or path, optional
        Names the classes; default: the first of the study, or that all nights were compared under, or else
        the finest that the device allows.
    level : float
        Of every interval.
    progress : bool or callable, optional
        True keeps one line of progress on the error stream. A callable is called with measures done and measures in
        all; the epochs are learnt before the first one.

    Returns
    -------
    Correction

    Raises
    ------
    InputError
        When the study has several devices and none is named, none of that name, fewer than three participants,
        participants whose names differ in capital letters or spaces alone, or where a device's file is a copy of the
        reference's.
    TypeError
        When a night is none of the forms above, or ``mapping`` names no mapping or several.
    ValueError
        When there is no night, a DataFrame lacks a column, or a participant, night and device stand twice.

    Examples
    --------
    >>> from sleepagree import read_hypnogram, score_table
    >>> nights = score_table("fixtures/ferry/nights.csv", keep_epochs=True)
    >>> correction = learn_correction(nights, device="pad B")
    >>> correction.participants, correction.nights, correction.epochs.classes
    (4, 12, ('wake', 'light', 'deep', 'rem'))
    >>> spans = read_hypnogram("fixtures/ferry/pad-b/crew-3-night-2.csv", layout="fixtures/ferry/pad-b.toml")
    >>> night = correction.apply(spans)
    >>> night.finding
    'Corrected: SOL 7.6 min (95 % interval 0.0 to 25.9; the device says 0.0).'
    >>> night.probabilities.shape
    (980, 4)
    """
    told = take_progress(progress, at_end="all learnt", what="measures")
    nights, mappings = _nights_of(study, device, _one_mapping(mapping))
    people = {name: i for i, name in enumerate(dict.fromkeys(n.participant for n in nights))}
    if len(people) < FEWEST_PEOPLE:
        raise InputError(
            "a correction cannot be learnt from so few people",
            found=f"{len(people)} with a scored night",
            expected=f"at least {FEWEST_PEOPLE} participants",
            remedy="Whether a correction helps shows only in people whom it was not learnt from.",
        )
    reference_set, device_set = merged_sets(nights)
    chosen = mappings[0] if mappings else default_mapping(reference_set, device_set)
    _refuse_unlike_new_nights(nights, chosen, reference_set)
    _refuse_names_alike(people)
    table = measure_table(nights, chosen, fold_nights(nights, chosen), device_set=device_set)
    if told is not None:
        told(0, sum(_is_corrected(name) for name, *_ in table))
    who = np.array([people[n.participant] for n in nights], np.int64)
    folds = fold_people(who)
    epochs, expected = learn_epochs(nights, chosen, device_set, who, folds, level=level)
    measures, ranges, left_out = _learn_measures(table, who, folds, expected, level, told)
    cautions = list(_of_nights_learnt_from(nights))
    if epochs is None:
        cautions.append(Caution.of(CautionKind.EPOCHS_NOT_LEARNT))
    if left_out:
        cautions.append(Caution.of(CautionKind.MEASURES_NOT_LEARNT, measures=left_out, fewest=FEWEST_PEOPLE))
    return Correction(
        nights[0].device,
        tuple(sorted(zip(device_set.labels, device_set.stages, strict=True))),
        tuple(sorted(device_set.reportable)),
        chosen,
        tuple(sorted({n.device_step_s for n in nights if not math.isnan(n.device_step_s)})),
        tuple(sorted({n.window_rule for n in nights})),
        len(people),
        len(nights),
        _hash_nights(nights),
        level,
        as_written(ranges),
        as_written(measures),
        (*cautions, *standing_cautions(len(people), len(nights))),
        as_written(epochs),
    )


def _refuse_unlike_new_nights(nights: Sequence[NightSummary], mapping: StageMapping, reference: StageSet) -> None:
    """Refuse epochs that a reference tells, or a user, and that nobody can tell on a new night."""
    left_out = [stage for stage in mapping.read_with(reference).left_out_stages if stage in reference.stages]
    filled = sum(note.kind is NoteKind.SILENT_AS_WAKE for night in nights for note in night.notes)
    if left_out:
        raise InputError(
            "a correction cannot be learnt under a mapping that leaves stages of the reference out",
            where=f"{Option.MAPPING}",
            found=f"{shorten(mapping.name)}, which leaves out {', '.join(left_out)}",
            expected="a mapping that takes every stage of the reference into a class",
            remedy="On a new night nothing tells which epochs these are.",
        )
    if filled:
        raise InputError(
            "a correction cannot be learnt where the silence of the device was taken as wake",
            where=f"{Option.OUTSIDE}",
            found=f"such silence on {counted(filled, 'night')}",
            expected="nights as the device tells them",
            remedy=f"Leave {Option.OUTSIDE} out. Where silence of a device is wake by itself, its layout says so "
            '(silence = "wake"), for new nights, too.',
        )


def _refuse_names_alike(people: Iterable[str]) -> None:
    """Refuse names that are likely one person's: that person's nights would be on both sides of a split."""
    if alike := names_alike(people):
        raise InputError(
            "names of participants differ in capital letters or spaces alone",
            found=" and ".join(map(shorten, alike[0])),
            expected="one name for each participant",
            remedy="Write a participant's name alike on every night: with nights of one person on both sides of a "
            "split a correction seems to help people whom it has not seen.",
        )


def _of_nights_learnt_from(nights: Sequence[NightSummary]) -> Iterator[Caution]:
    """Yield what nights give occasion to; a correction is handed on, so it names nobody."""
    for caution in cautions_of_nights(nights):
        values = dict(without_names(caution, {}).values)
        if "named" in values:
            values["named"] = ()
        yield Caution.of(CautionKind.OF_NIGHTS_LEARNT_FROM, caution=Caution.of(caution.kind, **values))


def _one_mapping(given: Mappings) -> tuple[StageMapping, ...]:
    mappings = take_mappings(given)
    if len(mappings) > 1:
        raise TypeError(f"mapping must be one mapping, not {', '.join(m.name for m in mappings)}")
    return mappings


def nights_learnt_from(
    correction: Correction, study: Any
) -> tuple[dict[str, tuple[_Values, _Values]], tuple[int, ...]]:
    """Return reference and device values of each measure, and the number of each night's participant, for figures.

    Parameters
    ----------
    correction : Correction
        What was learnt.
    study : StudyAgreement, or nights as :func:`sleepagree.summarise_study` takes them
        The nights that it was learnt from.
    """
    nights, _ = _nights_of(study, correction.device, (correction.mapping,))
    counts = fold_nights(nights, correction.mapping)
    table = measure_table(nights, correction.mapping, counts, device_set=merged_sets(nights)[1])
    people = {name: i for i, name in enumerate(dict.fromkeys(n.participant for n in nights), 1)}
    values = {measure: (reference, device) for measure, _, reference, device in table}
    return values, tuple(people[n.participant] for n in nights)


def _nights_of(
    study: Any, device: str | None, mappings: tuple[StageMapping, ...]
) -> tuple[list[NightSummary], tuple[StageMapping, ...]]:
    """Return the scored nights of one device, in the order in which they are learnt from, and its mappings."""
    outcomes: Sequence[NightSummary | Refusal]
    if isinstance(study, StudyAgreement):
        outcomes, mappings = [n for d in study.devices for n in d.nights], mappings or study.options.mappings
    else:
        outcomes, mappings = take_outcomes(study, mappings, argument="study")
    nights = [outcome for outcome in outcomes if isinstance(outcome, NightSummary)]
    names = list(dict.fromkeys(n.device for n in nights))
    if device is None and len(names) > 1:
        raise InputError(
            "the study has several devices, and a correction is that of one",
            found=", ".join(map(shorten, names)),
            expected="the name of one of them",
            remedy=f"Say which with {Option.DEVICE:NAME}.",
        )
    if device is not None and device not in names:
        raise InputError(
            "the study has no scored night of this device",
            where=f"{Option.DEVICE}",
            found=device,
            expected="one of " + ", ".join(map(shorten, names)) if names else "a device of the study",
            remedy="Correct the name.",
        )
    chosen = _in_order([n for n in nights if device in (None, n.device)])
    for night in chosen:
        refuse_own_reference(night)
    return chosen, mappings


def _in_order(nights: list[NightSummary]) -> list[NightSummary]:
    """Return nights by person and by what their files hold, so that the order of rows does not matter."""

    def content(night: NightSummary) -> tuple[str, ...]:
        hashes = sorted(source.sha256 for source in night.references)
        return (night.device_source.sha256, *hashes, *night.sequences, night.participant, night.night)

    first: dict[str, tuple[str, ...]] = {}
    for night in nights:
        own = content(night)
        first[night.participant] = min(own, first.get(night.participant, own))
    return sorted(nights, key=lambda n: (first[n.participant], content(n)))


def _hash_nights(nights: Sequence[NightSummary]) -> str:
    """Return one hash of what all files held, in an order of its own."""
    lines = sorted(
        " ".join([n.device_source.sha256, *n.sequences, *sorted(s.sha256 for s in n.references)]) for n in nights
    )
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def _learn_measures(
    table: Sequence[MeasuredNights],
    who: NDArray[np.int64],
    folds: NDArray[np.int64],
    expected: dict[str, _Values],
    level: float,
    progress: Progress | None = None,
) -> tuple[tuple[LearnedMeasure, ...], tuple[FeatureRange, ...], tuple[str, ...]]:
    """Return what is learnt of each measure, the features with their ranges, and measures with too few people."""
    spoken = [(name, device) for name, _, _, device in table if not np.isnan(device).all()]
    measured = [name for name, *_ in table if _is_corrected(name)]
    # what models of the other people expected of each night
    own = {
        EXPECTED + name: expected[name][group_of(folds), np.arange(who.size)] for name in measured if name in expected
    }
    names = [*(name for name, _ in spoken), *own]
    features = np.column_stack([*(device for _, device in spoken), *own.values()])
    # only what every night has: a latency that one night lacks would take that night from all measures
    many = tuple(
        i
        for i, name in enumerate(names)
        if (name in _TOGETHER or name.startswith("minutes ")) and not np.isnan(features[:, i]).any()
    )
    learned: list[LearnedMeasure] = []
    left_out: list[str] = []
    for name, unit, reference, device in table:
        if not _is_corrected(name):
            continue
        if progress is not None and (done := len(learned) + len(left_out)):
            progress(done, len(measured))
        at = names.index(name) if name in names else None
        known = ~np.isnan(reference) & (np.ones(who.size, bool) if at is None else ~np.isnan(device))
        if np.unique(who[known]).size < FEWEST_PEOPLE:
            left_out.append(name)
            continue
        # what a measure does not use may be unknown
        used = np.where(np.isnan(features[known]), 0.0, features[known])
        examples = Examples(used, reference[known], who[known], at, many, range_of(unit))
        if name in expected and known.all():
            sums = Expected(names.index(EXPECTED + name), expected[name])
            examples = replace(examples, folds=folds, expected=sums)
        learned.append(LearnedMeasure(name, unit, learn_value(examples, level=level)))
    if progress is not None:
        progress(len(measured), len(measured))
    ranges = tuple(
        FeatureRange(name, float(np.nanmin(column)), float(np.nanmax(column)))
        for name, column in zip(names, features.T, strict=True)
    )
    return tuple(learned), ranges, tuple(left_out)


def _is_corrected(measure: str) -> bool:
    return measure in CORRECTED or measure.startswith(("minutes ", "percent "))
