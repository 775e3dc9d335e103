"""What a study says beyond agreement and bias: silence counted, totals of the whole window, changes between nights."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sleepagree.describe.blocks import Cell, Paragraph, Rank, Role, Section, Table, cells, columns, points, present
from sleepagree.describe.study_bias import on_printed_scale
from sleepagree.describe.study_paragraphs import say_estimate, units_of
from sleepagree.describe.words import interval, p_value, percent, percent_interval, say_class, say_level
from sleepagree.errors import counted, shorten
from sleepagree.study.results import DeviceStudy, SeveralScorers, SilenceCounted, StudyAgreement, WholeTotal


def whole_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return a device over the whole window, None where the window holds nothing to tell."""
    if device.silence is None:
        return None
    level = say_level(study.options.level)
    caption = "Minutes of each side's own epochs in the window, whether or not the other side scored them"
    blocks = present(
        Paragraph(_say_silence(device.silence, device, study)),
        _totals_table(device.totals, f"whole-table-{serial}", caption, level),
    )
    return Section(f"whole-{serial}", f"The whole window of '{shorten(device.device)}'", blocks, Rank.FURTHER)


def _totals_table(totals: Sequence[WholeTotal], name: str, caption: str, level: str) -> Table | None:
    """Return figures of both sides over nights, with bias and limits; None without any."""
    rows = tuple(
        cells(
            _name_of_total(total),
            Cell.count(total.limits.nights),
            Cell.number(total.limits.reference_mean, 1),
            Cell.number(total.limits.device_mean, 1),
            Cell.difference(total.limits.bias),
            interval(total.limits.bias_low, total.limits.bias_high, 1),
            interval(total.limits.lower, total.limits.upper, 1),
        )
        for total in totals
    )
    heads = columns("measure", "nights", "reference", "device", "bias", level, "limits of agreement")
    return Table(name, caption, heads, rows, sortable=True) if rows else None


def _name_of_total(total: WholeTotal) -> str:
    kind, _, class_name = total.measure.partition(" ")
    if kind == "bout":
        return f"mean bout of {say_class(class_name)} min"
    return f"{shorten(total.name)}{' min' if total.measure == 'TST' else ''}"


def bouts_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return how long bouts are and how often the class changes on both sides, None where nothing tells."""
    caption = "Mean length of bouts and changes of class an hour, on the epochs that both sides scored"
    table = _totals_table(device.bouts, f"bouts-table-{serial}", caption, say_level(study.options.level))
    if table is None:
        return None
    note = Paragraph(
        "A bout ends at a gap; a night without a bout of a class on a side drops out of that line.", Role.NOTE
    )
    title = f"Bouts and changes of class of '{shorten(device.device)}'"
    return Section(f"bouts-{serial}", title, (table, note), Rank.FURTHER)


def _say_silence(counted_so: SilenceCounted, device: DeviceStudy, study: StudyAgreement) -> str:
    found = counted_so.agreement.primary
    ends = (
        "no interval"
        if math.isnan(found.low)
        else f"{say_level(study.options.level)} {percent_interval(found.low, found.high, 1)} over {units_of(device)}"
    )
    return (
        f"Of the {counted(counted_so.asked, 'epoch')} to which the reference gave a class the device gave no stage to "
        f"{counted_so.silent}. With this silence counted as disagreement it says the same in "
        f"{percent(found.value, 1)} ({ends}), under '{shorten(device.mappings[0].mapping.name)}'."
    )


def changes_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return whether a device follows changes between nights, None where nobody has two nights."""
    known = [(row, row.changes) for row in device.bias if row.changes is not None and row.unit == "min"]
    rows = tuple(
        cells(
            shorten(row.name),
            Cell.count(found.participants),
            Cell.count(found.nights),
            Cell.number(found.correlation, 2),
            interval(found.low, found.high, 2),
            Cell.number(found.smallest_change, 1),
            interval(found.smallest_low, found.smallest_high, 1),
        )
        for row, found in known
        if row.measure != "TIB"
    )
    if not rows:
        return None
    level = say_level(study.options.level)
    heads = columns(
        "measure", "people", "nights", "correlation within people", level, "smallest detectable change (min)", level
    )
    note = (
        "The correlation is that of both sides about each person's own means (Bland & Altman 1995): 1 where the device "
        "follows every change between nights, 0 where it follows none. A change of the device between two nights that "
        f"is smaller than the smallest detectable one comes about by its error alone in {percent(study.options.level)} "
        "of pairs of nights without any change."
    )
    blocks = (
        Table(f"changes-table-{serial}", "Changes between nights of a person", heads, rows),
        Paragraph(note, Role.NOTE),
    )
    title = f"Does '{shorten(device.device)}' follow changes between nights?"
    return Section(f"changes-{serial}", title, blocks, Rank.FURTHER)


def groups_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return the bias of each group of nights, None where there are no two groups."""
    known = [(row, row.by_group) for row in device.bias if row.by_group is not None]
    if not known:
        return None
    rows = []
    for row, found in known:
        digits, unit = (3, "") if row.of_ratios else (1, points(row.unit))
        for i, one in enumerate(found.groups):
            mean, low, high = (on_printed_scale(row, x) for x in (one.mean, one.low, one.high))
            rows.append(
                cells(
                    shorten(row.name),
                    shorten(one.group),
                    Cell.count(one.participants),
                    Cell.count(one.nights),
                    Cell.number(mean, digits) if row.of_ratios else Cell.difference(mean, unit=unit),
                    interval(low, high, digits),
                    "" if i else p_value(found.p_value),
                    "" if i else p_value(row.by_group_adjusted),
                )
            )
    by = shorten(study.options.by)
    level = say_level(study.options.level)
    what = "ratio" if study.options.log_ratio else "bias"
    heads = columns(
        "measure",
        by,
        "people",
        "nights",
        what,
        level,
        "groups differ",
        f"adjusted for {len(known)} measures",
        words=(0, 1),
    )
    methods = " or ".join(dict.fromkeys(found.method for _, found in known))
    note = (
        f"Method: {methods}; adjusted p values by Holm's method. Groups without a p value below .05 need not be alike."
    )
    caption = f"{what.capitalize()} by {by}"
    blocks = (Table(f"groups-table-{serial}", caption, heads, tuple(rows)), Paragraph(note, Role.NOTE))
    return Section(f"groups-{serial}", f"Bias of '{shorten(device.device)}' by {by}", blocks, Rank.FURTHER)


def say_scorers_at_once(device: str, found: SeveralScorers) -> str:
    """Return how far all scorers of the nights of a device agree at once."""
    fewest, most = found.scorers
    who = f"{most} scorers" if fewest == most else f"{fewest} to {most} scorers"
    complete, shared = found.epochs
    return (
        f"{shorten(device)}, '{shorten(found.mapping)}', all {who} of {counted(found.nights, 'night')} at once: "
        f"Fleiss' kappa {say_estimate(found.fleiss, 3)} of the {complete} epochs to which all gave a class, "
        f"Krippendorff's alpha {say_estimate(found.alpha, 3)} of the {shared} to which two or more did."
    )
