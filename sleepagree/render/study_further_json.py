"""Intervals of a study, and what it says beyond agreement and bias, as documents of the published schema."""

from __future__ import annotations

from collections.abc import Sequence

from sleepagree.describe.study_bias import on_printed_scale
from sleepagree.inference.reliability import WithinPeople
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.render.json_text import Document, attributes, cell, number, numbers
from sleepagree.study.results import BiasRow, DeviceStudy, SilenceCounted, StudyAgreement, WholeTotal


def intervals_document(found: BootstrapIntervals) -> Document:
    """Return a value with all its intervals; ``low`` and ``high`` are the one to report, ``method`` names it."""
    primary = found.primary
    document: Document = {
        **numbers(primary, "value", "low", "high"),
        "method": primary.method,
        **numbers(found.percentile, percentile_low="low", percentile_high="high"),
        **numbers(found.bca, bca_low="low", bca_high="high"),
        **numbers(found.delta, delta_low="low", delta_high="high"),
    }
    if found.studentised is not None:
        document |= numbers(found.studentised, bootstrap_t_low="low", bootstrap_t_high="high")
    if primary.undefined_because:
        document["reason"] = primary.undefined_because
    if found.undefined_replicates:
        document["undefined_replicates"] = found.undefined_replicates
    if found.notes:
        document["notes"] = list(found.notes)
    return document


def silence_document(counted: SilenceCounted | None) -> Document | None:
    """Return agreement with silence counted as disagreement."""
    if counted is None:
        return None
    document = {**intervals_document(counted.agreement), "epochs": counted.asked, "silent": counted.silent}
    beside = {"without_reference": counted.without_reference, "without_class": counted.without_class}
    return {**document, **beside}


def totals_document(totals: Sequence[WholeTotal]) -> list[Document]:
    """Return figures of both sides over nights, with bias and limits."""
    return [
        {
            "measure": total.measure,
            "unit": total.unit,
            **attributes(total.limits, "participants", "nights"),
            **numbers(total.limits, "reference_mean", "device_mean", "bias", "bias_low", "bias_high", "sd"),
            **numbers(total.limits, "lower", "lower_low", "lower_high", "upper", "upper_low", "upper_high"),
            "method": total.limits.method,
        }
        for total in totals
    ]


def scorers_at_once_document(device: DeviceStudy) -> list[Document]:
    """Return the agreement of all scorers at once, by mapping."""
    return [
        {
            "device": device.device,
            **attributes(found, "mapping", "nights"),
            "fewest_scorers": found.scorers[0],
            "most_scorers": found.scorers[1],
            "fleiss_kappa": {**intervals_document(found.fleiss), "epochs": found.epochs.by_all},
            "krippendorff_alpha": {**intervals_document(found.alpha), "epochs": found.epochs.by_several},
        }
        for found in device.several
    ]


def printed_numbers(row: BiasRow, found: object | None, *names: str, **renamed: str) -> Document:
    """Return attributes as JSON numbers on the scale of the bias table; None where there is nothing found."""
    named = {**{name: name for name in names}, **renamed}
    if found is None:
        return dict.fromkeys(named)
    return {key: number(on_printed_scale(row, value)) for key, value in attributes(found, **named).items()}


def groups_document(row: BiasRow) -> Document | None:
    """Return the bias of each group of nights."""
    found = row.by_group
    if found is None:
        return None
    return {
        "groups": [
            {
                **attributes(one, "group", "participants", "nights"),
                **printed_numbers(row, one, bias="mean", bias_low="low", bias_high="high"),
            }
            for one in found.groups
        ],
        **printed_numbers(row, found, "between_sd", "within_sd"),
        **numbers(found, "f", p="p_value"),
        "degrees": list(found.degrees),
        "p_adjusted": number(row.by_group_adjusted),
        "method": found.method,
    }


def group_rows(study: StudyAgreement) -> list[list[str]]:
    """Return bias_by_group.csv: bias of each group, device and measure, header first."""
    keys = ("group", "participants", "nights", "bias", "bias_low", "bias_high")
    out = [["device", "measure", "unit", "by", *keys, "p", "p_adjusted", "method"]]
    for device in study.devices:
        for row in device.bias:
            document = groups_document(row) or {}
            for group in document.get("groups", ()):
                told = [*(group[key] for key in keys), *(document[key] for key in ("p", "p_adjusted", "method"))]
                out.append([device.device, row.measure, row.difference_unit, study.options.by, *map(cell, told)])
    return out


def changes_document(found: WithinPeople | None) -> Document | None:
    """Return how a device follows changes between nights of a person."""
    if found is None:
        return None
    return {
        **attributes(found, "participants", "nights"),
        **numbers(found, "correlation", "low", "high", "change_sd"),
        **numbers(found, "smallest_change", "smallest_low", "smallest_high"),
    }
