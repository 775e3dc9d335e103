"""Results of a study as a document of the published schema, and as rows of its tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.cautions import caution_documents
from sleepagree.describe.clock import say_device_clock
from sleepagree.inference.error_sizes import ErrorSizes
from sleepagree.inference.limits import SD_PER_MEAN_ABSOLUTE
from sleepagree.readers.study_results import STUDY_SCHEMA
from sleepagree.render.json_text import Document, attributes, cell, number, numbers, software
from sleepagree.render.night_json import ceiling_document, count_rows, counts_document, flows_document
from sleepagree.render.study_further_json import (
    changes_document,
    groups_document,
    intervals_document,
    printed_numbers,
    scorers_at_once_document,
    silence_document,
    totals_document,
)
from sleepagree.study.clocks import SEARCHED_S
from sleepagree.study.night_summary import MEASURE_NAMES, NightSummary, Refusal, ScorerPair, SourceFile
from sleepagree.study.results import (
    BiasRow,
    DeviceComparison,
    DeviceStudy,
    PairedDifference,
    ScorerSummary,
    StudyAgreement,
    StudyBiasSource,
    StudyMapping,
    StudyRedistribution,
)
from sleepagree.study.table import NightsTable

#: Figures of the bias table under the names that limits of agreement have for them.
_FIGURES: Final = (
    "reference_mean", "reference_sd", "device_mean", "device_sd", "bias", "bias_low", "bias_high", "sd",
    "lower", "lower_low", "lower_high", "upper", "upper_low", "upper_high",
    "slope", "slope_low", "slope_high", "spread_slope", "spread_slope_low", "spread_slope_high", "mae",
)  # fmt: skip
BIAS_COLUMNS: Final = (
    "measure", "unit", "participants", "nights", *_FIGURES, "icc", "icc_low", "icc_high", "ccc", "method",
)  # fmt: skip

#: Columns that go beyond those above.
MORE_BIAS_COLUMNS: Final = (
    "mape", "between_sd", "within_sd", "bootstrap_low", "bootstrap_high", "dropped", "margin", "equivalence_p",
    "equivalent", "line_intercept", "line_spread_intercept", "between_sd_high",
)  # fmt: skip

#: Why epochs of a window were not compared.
_EXCLUDED: Final = ("reference_gap", "reference_unscored", "reference_no_majority", "device_gap", "device_unscored")


def study_mapping_document(studied: StudyMapping) -> Document:
    """Return a device under one mapping."""
    pooled: Document = {}
    averaged: Document = {}
    classes: dict[str, Document] = {c: {"class": c} for c in studied.mapping.reference_classes}
    for statistic in studied.statistics:
        together = intervals_document(statistic.pooled)
        mean = {**intervals_document(statistic.averaged), "sd": number(statistic.averaged_sd)}
        if statistic.class_name:
            classes[statistic.class_name][statistic.name] = {**together, "averaged": mean}
        else:
            pooled[statistic.name], averaged[statistic.name] = together, mean
    components = studied.kappa_components
    if components is not None and "kappa" in averaged:
        averaged["kappa"] |= {
            **numbers(components, "between_sd", "within_sd", "between_sd_high"),
            "participants": components.participants,
            "nights": components.participants + components.repeated,
        }
    return {
        **counts_document(studied.mapping, studied.counts),
        "left_out": studied.left_out,
        "ceiling": ceiling_document(studied),
        "pooled": pooled,
        "averaged": averaged,
        "classes": list(classes.values()),
    }


def bias_document(row: BiasRow) -> Document:
    """Return one measure of the bias table."""
    limits = row.printed
    document: Document = {
        "measure": row.measure,
        "unit": row.difference_unit,
        **attributes(limits, "participants", "nights"),
        **numbers(limits, *_FIGURES),
        **numbers(row.reliability.icc, icc="value", icc_low="low", icc_high="high"),
        "ccc": number(row.reliability.ccc.value),
        "method": limits.method,
        **numbers(limits, "mape", "between_sd", "within_sd"),
        **printed_numbers(row, row.components, "between_sd_high"),
        **printed_numbers(row, row.bootstrap.percentile, bootstrap_low="low", bootstrap_high="high"),
        "dropped": limits.dropped,
    }
    if row.sizes is not None:
        document |= _sizes_document(row, row.sizes)
    if row.equivalence is not None:
        document["equivalence"] = {
            **numbers(row.equivalence, "margin_low", "margin_high"),
            "unit": row.unit,
            "p": number(row.equivalence.p_value),
            **attributes(row.equivalence, "equivalent", "method"),
            "p_adjusted": number(row.equivalence_adjusted),
        }
    if row.containment is not None:
        document["containment"] = {
            **numbers(row.containment, "margin", "low", "high", p="p_value"),
            "unit": row.unit,
            **attributes(row.containment, "contained", "method"),
            "p_adjusted": number(row.containment_adjusted),
        }
    if row.lines is not None:
        document["lines"] = {
            **numbers(row.lines, "intercept", "slope", "spread_intercept", "spread_slope"),
            "reach": row.lines.multiplier * SD_PER_MEAN_ABSOLUTE,
            "method": row.lines.method,
        }
    if row.sloped is not None:
        document["sloped"] = numbers(row.sloped, "intercept", "slope", "slope_low", "slope_high", "residual_sd")
    document |= {"changes": changes_document(row.changes), "by_group": groups_document(row)}
    if limits.undefined:
        document["reasons"] = dict(limits.undefined)
    if limits.notes:
        document["notes"] = list(limits.notes)
    return document


def _sizes_document(row: BiasRow, sizes: ErrorSizes) -> Document:
    """Return what holds of the differences without a normal law."""
    return {
        "outside": sizes.outside,
        "expected_outside": number(sizes.expected_outside),
        "shares_above": [
            {"above": s.bound, "unit": row.unit, "nights": s.nights, **numbers(s, "share", "low", "high")}
            for s in sizes.shares_above
        ],
        "centiles": [{"percent": c.percent, **printed_numbers(row, c, "value", "low", "high")} for c in sizes.centiles]
        or None,
        "normality": {
            **numbers(sizes, "skewness", "excess_kurtosis", "anderson_darling"),
            "is_not_normal": sizes.is_not_normal,
        },
    }


def _redistribution_document(traced: StudyRedistribution) -> Document:
    return {
        "stage": traced.stage,
        "epochs": traced.epochs,
        "minutes": traced.epochs / 2,
        "to": [
            {
                "class": d.name,
                "epochs": d.epochs,
                "minutes": d.epochs / 2,
                "share": number(d.share.value),
                **numbers(d.share.primary, "low", "high"),
                "share_of_class": number(d.share_of_class),
                "minutes_per_night": intervals_document(d.minutes),
            }
            for d in traced.to
        ],
    }


def _source_document(source: StudyBiasSource, under: StudyMapping) -> Document:
    return {
        "class": source.pooled.name,
        "bias_minutes": source.per_night.bias_min,
        **_ends(source, "bias"),
        "gained": [{"from": n, "minutes": m, **_ends(source, "from", n)} for n, m in source.per_night.gained],
        "lost": [{"to": n, "minutes": m, **_ends(source, "to", n)} for n, m in source.per_night.lost],
        "sentence": say_bias_source(source.per_night, under),
        "without_unreported": number(source.per_night.without_unreported_min),
        "returned_to": source.per_night.returned_to or None,
        "returned": number(source.per_night.returned_min),
        "pooled": flows_document(source.pooled),
    }


def _ends(source: StudyBiasSource, way: str, other: str = "") -> Document:
    low, high = source.ends(way, other)
    return {"low": number(low), "high": number(high)}


def device_document(device: DeviceStudy) -> Document:
    """Return all of one device."""
    return {
        "device": device.device,
        "participants": len(device.participants),
        "nights": len(device.nights),
        "reports": list(device.reports),
        "mappings": [study_mapping_document(m) for m in device.mappings],
        "bias": [bias_document(b) for b in device.bias],
        "redistribution": [_redistribution_document(r) for r in device.redistribution],
        "bias_sources": [_source_document(s, device.mappings[0]) for s in device.bias_sources],
        "clock": _clock_document(device),
        "silence_counted": silence_document(device.silence),
        "whole_window": totals_document(device.totals),
        "bouts": totals_document(device.bouts),
        "shifts": [
            {
                **attributes(s, "state", "edge", "participants", "nights", "moments", "told", "missed"),
                **numbers(s, "median_min", "low_quartile_min", "high_quartile_min"),
            }
            for s in device.shifts
        ],
    }


def _clock_document(device: DeviceStudy) -> Document:
    """Return what the nights together say of the clock, and the best offset of each night."""
    offsets = [n.best_offset_s for n in device.nights]
    clock = device.clock
    # a table of paired epochs has no clocks: a hundred thousand times nothing says nothing
    looked_at = () if all(map(math.isnan, offsets)) else device.nights
    return {
        "verdict": clock.verdict.value or None,
        **numbers(clock, "seconds", "low", "high"),
        "searched_seconds": SEARCHED_S,
        "reading": say_device_clock(clock),
        "nights_looked_at": clock.nights,
        "nights_telling": clock.telling,
        "parts": [
            {
                "participant": part.participant or None,
                "first": part.first or None,
                "last": part.last or None,
                "seconds": part.seconds,
                "nights": part.nights,
            }
            for part in clock.parts
        ],
        "rates": [
            {
                "participant": rate.participant or None,
                **attributes(rate, "first", "last", "nights"),
                **numbers(rate, "first_s", "last_s", "seconds_per_day", "low", "high"),
            }
            for rate in clock.rates
        ],
        "nights": [
            {
                **attributes(n, "row", "participant", "night"),
                **numbers(n, offset_seconds="best_offset_s", gain="offset_gain"),
            }
            for n in looked_at
        ],
    }


def _comparison_document(comparison: DeviceComparison) -> Document:
    devices = comparison.first, comparison.second
    return {
        **attributes(comparison, "first", "second", "participants", "nights"),
        "nights_left_out": dict(comparison.left_out) or None,
        **attributes(comparison, "mapping", "window_epochs", "epochs"),
        "left_out": comparison.epochs - comparison.counted,
        "silent": dict(zip(devices, map(number, comparison.silent_shares), strict=True)),
        "own_epochs": dict(zip(devices, comparison.own_epochs, strict=True)),
        "differences": [
            {**_difference_document(d), "own": numbers(d, first="own_first", second="own_second")}
            for d in comparison.differences
        ],
        "with_silence": {**_difference_document(comparison.with_silence), "epochs": comparison.asked},
    }


def _difference_document(difference: PairedDifference) -> Document:
    return {
        "statistic": difference.statistic,
        "of": difference.of or None,
        **numbers(difference, "first", "second"),
        "difference": intervals_document(difference.difference),
    }


def _scorer_document(summary: ScorerSummary) -> Document:
    return {
        **attributes(summary, "device", "mapping", "nights", "of_nights", "participants"),
        **numbers(
            summary,
            kappa_between_scorers="between_scorers",
            kappa_with_scorers="with_scorers",
            kappa_with_consensus="with_consensus",
            share_of_scorer_agreement="share",
        ),
        "share_intervals": intervals_document(summary.share_intervals),
    }


def _scorer_pair_document(night: NightSummary, pair: ScorerPair) -> Document:
    return {
        **attributes(night, "participant", "night", "device"),
        **attributes(pair, "first", "second", "mapping", "n"),
        **numbers(pair, "accuracy", "kappa"),
    }


def study_document(
    study: StudyAgreement, *, table: NightsTable | None = None, options: Document | None = None, anonymous: bool = False
) -> Document:
    """Return a study as "sleepagree.study/1".

    Parameters
    ----------
    study : StudyAgreement
        The study.
    table : NightsTable, optional
        The table it was made from.
    options : dict, optional
        What was asked for, as far as the study does not know it.
    anonymous : bool
        Whether names and hashes of files are left out.
    """
    pairs = [_scorer_pair_document(n, p) for d in study.devices for n in d.nights for p in n.scorers]
    return {
        "schema": STUDY_SCHEMA,
        "software": software(),
        "options": {
            **(options or {}),
            "mappings": [m.name for m in study.options.mappings] or None,
            **attributes(study.options, "resamples", "seed", confidence="level"),
            "margins": dict(study.options.margins) or None,
            "log_ratio": study.options.log_ratio,
            "by": study.options.by or None,
        },
        "inputs": _inputs(study, table, anonymous=anonymous),
        "nights": {
            "given": study.given,
            "scored": sum(len(d.nights) for d in study.devices),
            "refused": [attributes(r, "row", "participant", "night", "device", "reason") for r in study.refused],
        },
        "devices": [device_document(d) for d in study.devices],
        "comparisons": [_comparison_document(c) for c in study.comparisons],
        "scorers": {
            "summary": [_scorer_document(s) for s in study.scorers],
            "at_once": [found for device in study.devices for found in scorers_at_once_document(device)],
            "pairs": pairs,
        }
        if pairs
        else None,
        "cautions": caution_documents(study.cautions),
    }


def _inputs(study: StudyAgreement, table: NightsTable | None, *, anonymous: bool) -> Document | None:
    if table is None:
        return None
    document = _file(table)
    if not (anonymous or table.paired_epochs):
        nights = sorted((night for device in study.devices for night in device.nights), key=lambda night: night.row)
        document["nights"] = [
            {"row": n.row, "reference": [_file(source) for source in n.references], "device": _file(n.device_source)}
            for n in nights
            if any(source.sha256 for source in (*n.references, n.device_source))
        ]
    return document


def _file(source: SourceFile | NightsTable) -> Document:
    return {"name": source.name, "sha256": source.sha256 or None}


# --- rows of tables ---------------------------------------------------------------------------------------


def bias_rows(study: StudyAgreement) -> list[list[str]]:
    """Return bias.csv: the bias table of every device, header first."""
    out = [["device", *BIAS_COLUMNS, *MORE_BIAS_COLUMNS]]
    for device in study.devices:
        for row in device.bias:
            document = bias_document(row)
            test = document.get("equivalence") or {}
            lines = document.get("lines") or {}
            document |= {
                "margin": test.get("margin_high"),
                "equivalence_p": test.get("p"),
                "equivalent": test.get("equivalent"),
                "line_intercept": lines.get("intercept"),
                "line_spread_intercept": lines.get("spread_intercept"),
            }
            out.append([device.device, *(cell(document[c]) for c in (*BIAS_COLUMNS, *MORE_BIAS_COLUMNS))])
    return out


def confusion_rows(study: StudyAgreement) -> list[list[str]]:
    """Return confusion.csv: pooled counts of every device and mapping in long form, header first."""
    out = [["device", "mapping", "reference", "device_class", "epochs", "share_of_row", "share_of_column"]]
    for device in study.devices:
        for studied in device.mappings:
            out += [[device.device, *row] for row in count_rows(studied.counts, studied.mapping)]
    return out


def night_rows(study: StudyAgreement, *, anonymous: bool = False) -> Iterator[list[str]]:
    """Yield nights.csv: one line per row of the nights table, scored or refused, header first.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    anonymous : bool
        Whether names and hashes of files are left out.
    """
    head = [
        "row", "participant", "night", "device", "outcome", "reason", "begin", "window_rule", "window_epochs", "scored",
        "scored_percent", *_EXCLUDED, "outside_reference", "outside_device", "mapping", "accuracy", "kappa",
        "square_mapping", "square_kappa", "best_offset_s", "offset_gain",
    ]  # fmt: skip
    files = ["reference_file", "reference_sha256", "device_file", "device_sha256"]
    measures = [f"{side}_{name}" for name in MEASURE_NAMES for side in ("reference", "device")]
    yield [*head, *measures, *files]
    places: list[tuple[int, DeviceStudy | Refusal, int]] = [
        (night.row, device, i) for device in study.devices for i, night in enumerate(device.nights)
    ]
    places += [(refusal.row, refusal, 0) for refusal in study.refused]
    for _, source, i in sorted(places, key=lambda place: place[0]):
        if isinstance(source, Refusal):
            line = [str(source.row), source.participant, source.night, source.device, "refused", source.reason]
            yield line + [""] * (len(head) + len(measures) + len(files) - len(line))
            continue
        first = source.mappings[0]
        square = source.first_square
        night = source.nights[i]
        excluded = dict(night.excluded)
        kappa = "" if square is None else cell(number(float(square.night_kappa[i])))
        line = [
            str(night.row), night.participant, night.night, night.device, "scored", "", night.begin,
            night.window_rule, str(night.window_epochs), str(night.scored),
            cell(100 * night.scored / night.window_epochs),
            *(str(excluded.get(why, 0)) for why in _EXCLUDED),
            str(night.outside_reference), str(night.outside_device), first.mapping.name,
            cell(number(float(first.night_accuracy[i]))), cell(number(float(first.night_kappa[i]))),
            "" if square is None else square.mapping.name, kappa,
            cell(number(night.best_offset_s)), cell(number(night.offset_gain)),
        ]  # fmt: skip
        pairs = zip(night.reference_measures, night.device_measures, strict=True)
        values = [cell(number(v)) for pair in pairs for v in pair]
        named = [""] * len(files) if anonymous else _file_cells(night)
        yield [*line, *values, *named]


def _file_cells(night: NightSummary) -> list[str]:
    """Return names and hashes of a night's files; those of several scorers parted by a semicolon."""
    names, hashes = (";".join(getattr(s, what) for s in night.references) for what in ("name", "sha256"))
    return [names, hashes, night.device_source.name, night.device_source.sha256]
