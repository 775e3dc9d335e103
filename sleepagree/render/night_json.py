"""Nights, compared mappings, plans and folders as documents of the published schemas; rows of a night's CSV files."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, fields, is_dataclass
from typing import TYPE_CHECKING, Any, Final

from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.cautions import caution_documents
from sleepagree.describe.notes import say_notes
from sleepagree.describe.words import CLASS_WORDS, WITHOUT_INTERVAL
from sleepagree.hypnogram.align import PairedNight, Side
from sleepagree.hypnogram.ledger import Status
from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.estimate import Estimate
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet
from sleepagree.night.answer import NightAnswer, answer_night
from sleepagree.night.compare import MappingAgreement, NightAgreement
from sleepagree.night.intervals import ClassIntervals, NightIntervals
from sleepagree.render.json_text import Document, as_iso, attributes, cell, epoch_moment, number, numbers, software
from sleepagree.scoring.disagreement import Disagreement
from sleepagree.scoring.measures import MeasurePair
from sleepagree.scoring.offsets import QuickOffset
from sleepagree.scoring.redistribution import BiasSource, Destination, Redistribution
from sleepagree.scoring.table_agreement import ClassAgreement, TableAgreement

if TYPE_CHECKING:
    from sleepagree.caution import Caution
    from sleepagree.inference.planning import PlanGrid, SmallestStudy
    from sleepagree.night.mappings import ComparedMapping, MappingComparison
    from sleepagree.study.from_folder import FolderNights
    from sleepagree.study.proposed_patterns import ProposedPatterns
    from sleepagree.study.results import StudyMapping

NIGHT_SCHEMA: Final = "sleepagree.night/2"
MAPPINGS_SCHEMA: Final = "sleepagree.mappings/2"
PLAN_SCHEMA: Final = "sleepagree.plan/2"
FOLDER_SCHEMA: Final = "sleepagree.nights/1"


def side_document(side: Side) -> Document:
    """Return what is told of one input: its file name, never a folder and never a patient field."""
    return {
        **attributes(side.origin, "name", "reader"),
        "sha256": side.origin.sha256 or None,
        "start": as_iso(side.start),
        "epochs": side.epochs,
        "epoch_seconds": side.epoch_s,
        "labels": dict(side.labels),
    }


def inputs_document(paired: PairedNight) -> Document:
    """Return both inputs."""
    return {
        "reference": side_document(paired.reference_side),
        "device": {**side_document(paired.device_side), "reports": list(paired.device_set.reportable)},
    }


def window_document(paired: PairedNight) -> Document:
    """Return the window: ISO times, or elapsed seconds where the reference tells no clock."""
    begin, end = paired.begin, paired.epoch_start(paired.status.size)
    return {
        "from": as_iso(begin) if begin else paired.begin_s,
        "to": as_iso(end) if end else paired.end_s,
        "rule": str(paired.rule),
        "epochs": int(paired.status.size),
    }


def ledger_document(paired: PairedNight) -> Document:
    """Return the account of every epoch of the window."""
    ledger = paired.ledger
    return {
        **attributes(ledger, "window_epochs", "scored"),
        "excluded": dict(ledger.excluded),
        "outside": {"reference": ledger.outside_reference, "device": ledger.outside_device},
        "labels": {"reference": dict(ledger.reference_labels), "device": dict(ledger.device_labels)},
        "notes": list(say_notes(ledger.notes)),
    }


def counts_document(mapping: StageMapping, counts: Counts) -> Document:
    """Return a mapping with the counts under it."""
    return {
        "name": mapping.name,
        "reference_classes": list(mapping.reference_classes),
        "device_classes": list(mapping.device_classes),
        "counts": counts.tolist(),
        "n": int(counts.sum()),
    }


def mapping_document(scored: MappingAgreement) -> Document:
    """Return agreement under one mapping."""
    table, kappa = scored.table, scored.table.kappa
    return {
        **counts_document(scored.mapping, scored.counts),
        "left_out": scored.left_out,
        "accuracy": number(table.accuracy),
        "kappa": {
            **numbers(kappa, "value", "se", "low", "high"),
            "block_low": number(scored.intervals.kappa.low),
            "block_high": number(scored.intervals.kappa.high),
            "reason": kappa.undefined_because or _why_no_interval(kappa),
        },
        **numbers(table, *WITHOUT_INTERVAL),
        "ceiling": ceiling_document(scored),
        "classes": [class_document(c) for c in table.classes],
        "intervals": intervals_document(scored.intervals),
        **_reasons(table),
    }


def _reasons(agreement: TableAgreement | ClassAgreement) -> Document:
    """Return why figures have no value, as far as there is something to say."""
    return {"reasons": dict(agreement.reasons)} if agreement.reasons else {}


def intervals_document(intervals: NightIntervals) -> Document:
    """Return the intervals of a night's figures for answers that last, as pairs of ends."""

    def ends(of: NightIntervals | ClassIntervals, *names: str) -> Document:
        return {name: [number(end) for end in getattr(of, name)[:2]] for name in names}

    classes = [{"class": c.name, **ends(c, *ClassIntervals._fields[1:])} for c in intervals.classes]
    return {**ends(intervals, "accuracy", "kappa", "pabak"), "classes": classes}


def _why_no_interval(kappa: Estimate) -> str | None:
    """Return why a kappa that is defined has no interval, None where it has one."""
    if not math.isnan(kappa.low):
        return None
    return (
        "no interval: the standard error is 0, as it is where both sides agree throughout or one of them used one "
        "class only"
    )


def ceiling_document(scored: MappingAgreement | StudyMapping) -> Document:
    """Return the design ceiling, and kappa of the device on its table."""
    reason, own = scored.ceiling.kappa_reason or None, number(scored.kappa_beside_ceiling)
    return {**numbers(scored.ceiling, "accuracy", "kappa"), "reason": reason, "device_kappa": own}


def class_document(agreement: ClassAgreement) -> Document:
    """Return agreement on one class against the rest."""
    return {"class": agreement.name, **numbers(agreement, *CLASS_WORDS), **_reasons(agreement)}


def measure_document(pair: MeasurePair) -> Document:
    """Return one measure of both sides."""
    document = {**attributes(pair, "measure", "unit"), **numbers(pair, "reference", "device", "difference")}
    return document | ({"reason": pair.undefined_because} if pair.undefined_because else {})


def redistribution_document(traced: Redistribution) -> Document:
    """Return where the epochs of one unreported stage went."""
    return {
        **attributes(traced, "stage", "epochs", "minutes"),
        "to": [destination_document(d) for d in traced.to],
        "thirds": [dict(third) for third in traced.thirds],
        "episodes": [
            {**attributes(e, "first_epoch", "last_epoch", "epochs"), "to": dict(e.to)} for e in traced.episodes
        ],
    }


def destination_document(destination: Destination) -> Document:
    """Return one destination of an unreported stage."""
    return {
        "class": destination.name,
        **attributes(destination, "epochs", "minutes"),
        **numbers(destination, "share", "low", "high", "primary_low", "primary_high", "share_of_class"),
    }


def bias_source_document(source: BiasSource, under: MappingAgreement) -> Document:
    """Return the account of one class's bias."""
    return {
        "class": source.name,
        **flows_document(source),
        "sentence": say_bias_source(source, under),
        "without_unreported": number(source.without_unreported_min),
        "returned_to": source.returned_to or None,
        "returned": number(source.returned_min),
    }


def flows_document(source: BiasSource) -> Document:
    """Return what a class gained and lost, by the other class."""
    return {
        "bias_minutes": source.bias_min,
        "gained": [{"from": name, "minutes": minutes} for name, minutes in source.gained],
        "lost": [{"to": name, "minutes": minutes} for name, minutes in source.lost],
    }


def night_document(night: NightAgreement, *, options: Document | None = None) -> Document:
    """Return a night as "sleepagree.night/2".

    Parameters
    ----------
    night : NightAgreement
        The night.
    options : dict, optional
        What was asked for, as far as the night does not know it (window text, mapping names ...).
    """
    return {
        **_head(NIGHT_SCHEMA, night, options),
        "mappings": [mapping_document(m) for m in night.mappings],
        "other_mappings": [mapping_document(m) for m in night.others],
        "measures": [measure_document(m) for m in night.measures],
        "redistribution": [redistribution_document(r) for r in night.redistribution],
        "bias_sources": [bias_source_document(s, night.mappings[0]) for s in night.bias_sources],
        "disagreement": None if night.disagreement is None else disagreement_document(night.disagreement),
        "clock": clock_check_document(night.clock),
        "answer": _answer_document(answer_night(night)),
        "cautions": caution_documents(night.cautions),
    }


def _answer_document(found: NightAnswer) -> Document:
    """Return how often both sides say the same, and what each class of the device was."""
    return {
        **numbers(found, "same_stage", "best_possible"),
        "device_classes": [
            {
                "class": device_class.name,
                "minutes": device_class.minutes,
                "from": {name: number(share) for name, share in device_class.shares},
            }
            for device_class in found.device_classes
        ],
        "reference_shares": {name: number(share) for name, share in found.reference_shares},
    }


def _head(schema: str, night: NightAgreement, told: Document | None) -> Document:
    """Return what a document begins with: all that it takes to repeat it, and the account of every epoch."""
    paired = night.paired
    return {
        "schema": schema,
        "software": software(),
        "inputs": inputs_document(paired),
        "options": {**(told or {}), "clock_offset": paired.clock_offset_s, "confidence": night.level},
        "window": window_document(paired),
        "ledger": ledger_document(paired),
    }


def disagreement_document(found: Disagreement) -> Document:
    """Return how disagreement lies in time, under the names of its fields; an open end of a length is None."""
    document: Document = _fields_of(found)
    document["runs"]["longest"] = found.runs.longest
    return document


def _fields_of(value: Any) -> Any:
    """Return a result as plain values, whatever it is made of."""
    if isinstance(value, float):
        return number(value)
    if hasattr(value, "_asdict"):
        return {name: _fields_of(item) for name, item in value._asdict().items()}
    if isinstance(value, tuple):
        return [_fields_of(item) for item in value]
    if is_dataclass(value):
        return {item.name: _fields_of(getattr(value, item.name)) for item in fields(value)}
    return value


def clock_check_document(found: QuickOffset | None) -> Document | None:
    """Return the cheap look at the clock."""
    if found is None:
        return None
    return {
        "offset_seconds": number(found.offset_s),
        **numbers(found, "kappa_at_zero", "kappa_at_best", "gain"),
        "hint": str(found.hint),
        **numbers(found, peak_score="peak_score", zone_seconds="zone_s", kappa_at_zone="kappa_at_zone"),
    }


def mappings_document(comparison: MappingComparison, *, options: Document | None = None) -> Document:
    """Return a night under several mappings as "sleepagree.mappings/2"."""
    return {
        **_head(MAPPINGS_SCHEMA, comparison.night, options),
        "mappings": [_compared_document(compared) for compared in comparison.mappings],
        "cautions": caution_documents(comparison.cautions),
    }


def _compared_document(compared: ComparedMapping) -> Document:
    accuracy, kappa = compared.share_of_ceiling
    return {
        **mapping_document(compared.scored),
        "assumption": compared.scored.mapping.assumption,
        "commonest_accuracy": number(compared.commonest_accuracy),
        "share_of_ceiling": {"accuracy": number(accuracy), "kappa": number(kappa)},
        "bias_minutes": {source.name: source.bias_min for source in compared.bias},
        "declared": compared.declared,
    }


def plan_document(grid: PlanGrid, cautions: Sequence[Caution]) -> Document:
    """Return a plan as "sleepagree.plan/2"."""
    return {
        "schema": PLAN_SCHEMA,
        "software": software(),
        "assumed": {
            **attributes(grid, "level", "assurance"),
            "statistics": {
                name: {
                    **numbers(part, "between_sd", "within_sd", "between_sd_high"),
                    "participants": part.participants or None,
                    "source": part.source,
                }
                for name, part in grid.assumed
            },
        },
        **_sizes_document(grid),
        "smallest_by_nights": {
            name: [_planned_document(s) for s in grid.smallest_by_nights if s.statistic == name]
            for name in dict.fromkeys(s.statistic for s in grid.smallest_by_nights)
        },
        "at_upper_bound": None if grid.at_upper_bound is None else _sizes_document(grid.at_upper_bound),
        "cautions": caution_documents(cautions),
    }


def _sizes_document(grid: PlanGrid) -> Document:
    return {
        "grid": [
            {
                **attributes(size, "participants", "nights"),
                "half_width": {name: number(width) for name, width in size.half_widths},
            }
            for size in grid.sizes
        ],
        "smallest": {study.statistic: _planned_document(study) for study in grid.smallest},
    }


def _planned_document(study: SmallestStudy) -> Document:
    return {
        **attributes(study, "participants", "nights", "wanted"),
        "half_width": number(study.half_width),
        "reason": study.undefined_because or None,
    }


def folder_document(found: FolderNights, *, proposed: ProposedPatterns | None = None) -> Document:
    """Return the nights of a folder as "sleepagree.nights/1", and the patterns where they were proposed."""
    proposals = (
        [attributes(one, "reference", "devices", "names") for one in (proposed, *proposed.others)] if proposed else []
    )
    return {
        "schema": FOLDER_SCHEMA,
        "nights": [asdict(row) for row in found.rows],
        "references_without_device": found.references_alone,
        "device_files_without_reference": found.devices_alone,
        "other_files": found.others,
        "proposed": proposals[0] if proposals else None,
        "other_proposals": proposals[1:],
        "cautions": [*found.notes, *found.hints],
    }


def epoch_rows(night: NightAgreement) -> list[list[str]]:
    """Return one row per epoch of the window, header first: both labels, stages, classes, and the status."""
    paired, mapping = night.paired, night.mappings[0].mapping
    reference_set, device_set = paired.reference_set, paired.device_set
    reference = label_words(reference_set, mapping.reference_codes(reference_set), mapping.reference_classes)
    device = label_words(device_set, mapping.device_codes(device_set), mapping.device_classes)
    statuses = [status.word for status in Status]
    sides = (f"{side}_{what}" for side in ("reference", "device") for what in ("label", "stage", "class"))
    out = [["epoch", "start", *sides, "status"]]
    codes = zip(paired.reference.tolist(), paired.device.tolist(), paired.status.tolist(), strict=True)
    for epoch, (row, column, status) in enumerate(codes):
        out.append([str(epoch), epoch_moment(paired, epoch), *reference[row], *device[column], statuses[status]])
    return out


def label_words(side: StageSet, class_codes: Sequence[int], classes: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return label, stage and class of each code of a side; those of silence, which is -1, stand last."""
    triples = zip(side.labels, side.stages, class_codes, strict=True)
    return [*((label, stage, classes[c] if c >= 0 else "") for label, stage, c in triples), ("", "", "")]


def confusion_rows(night: NightAgreement) -> list[list[str]]:
    """Return the counts of every mapping in long form, header first."""
    head = ["mapping", "reference", "device", "epochs", "share_of_row", "share_of_column"]
    return [head, *(row for scored in night.mappings for row in count_rows(scored.counts, scored.mapping))]


def count_rows(counts: Counts, mapping: StageMapping) -> Iterator[list[str]]:
    """Yield the counts of one mapping in long form: mapping, both classes, epochs, shares of row and column."""
    rows, columns = counts.sum(axis=1).tolist(), counts.sum(axis=0).tolist()
    for reference, row, in_row in zip(mapping.reference_classes, counts.tolist(), rows, strict=True):
        for device, n, in_column in zip(mapping.device_classes, row, columns, strict=True):
            shares = [repr(n / total) if total else "" for total in (in_row, in_column)]
            yield [mapping.name, reference, device, str(n), *shares]


def measure_rows(night: NightAgreement) -> list[list[str]]:
    """Return the measures, header first; an undefined value is an empty cell with its reason at the end."""
    out = [["measure", "unit", "reference", "device", "difference", "reason"]]
    for pair in night.measures:
        values = [cell(number(value)) for value in (pair.reference, pair.device, pair.difference)]
        out.append([pair.measure, pair.unit, *values, pair.undefined_because])
    return out
