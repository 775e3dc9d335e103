"""What a study says beyond agreement and bias: silence counted, totals of the whole window, changes between nights."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

from sleepagree.describe.blocks import Cell, Paragraph, Section, Table, Told, note, section, table, tabulate
from sleepagree.describe.study_bias import difference_of, digits_of, on_printed_scale
from sleepagree.describe.study_epochs import filled_epochs
from sleepagree.describe.study_paragraphs import say_estimate, units_of
from sleepagree.describe.words import interval, join_words, p_value, percent, percent_interval, say_class, say_level
from sleepagree.errors import counted, shorten
from sleepagree.inference.reliability import WithinPeople
from sleepagree.mapping.mapping import StageMapping
from sleepagree.study.results import DeviceStudy, SeveralScorers, SilenceCounted, StudyAgreement, WholeTotal


def whole_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return a device over the whole window, None where the window holds nothing to tell."""
    if device.silence is None:
        return None
    caption = "Minutes of the epochs to which the reference gave a stage, whether or not the device did"
    return section(
        f"whole-{serial}",
        f"The whole window of '{shorten(device.device)}'",
        Paragraph(_say_silence(device.silence, device, study)),
        _totals_table(device.totals, f"whole-table-{serial}", caption, study, _name_of_total),
        further=True,
    )


def _totals_table(
    totals: Sequence[WholeTotal], name: str, caption: str, study: StudyAgreement, say_name: Callable[[WholeTotal], str]
) -> Table:
    """Return figures of both sides over nights, with bias and limits."""
    told: list[Told[WholeTotal]] = [
        ("measure", say_name),
        ("nights", lambda total: total.limits.nights),
        ("reference", lambda total: Cell.number(total.limits.reference_mean, 1)),
        ("device", lambda total: Cell.number(total.limits.device_mean, 1)),
        ("bias", lambda total: Cell.difference(total.limits.bias)),
        (say_level(study.options.level), lambda total: interval(total.limits.bias_low, total.limits.bias_high, 1)),
        ("limits of agreement", lambda total: interval(total.limits.lower, total.limits.upper, 1)),
    ]
    return tabulate(name, caption, told, totals, sortable=True)


def _name_of_bout(total: WholeTotal, mapping: StageMapping) -> str:
    kind, _, class_name = total.measure.partition(" ")
    return f"mean bout of {say_class(class_name, mapping)} min" if kind == "bout" else shorten(total.name)


def _name_of_total(total: WholeTotal) -> str:
    return f"{shorten(total.name)}{' min' if total.measure == 'TST' else ''}"


def bouts_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return how long bouts are and how often the class changes on both sides, None where nothing tells."""
    if not device.bouts:
        return None
    name = partial(_name_of_bout, mapping=device.mappings[0].mapping)
    caption = "Mean length of bouts and changes of class an hour, on the epochs that both sides scored"
    return section(
        f"bouts-{serial}",
        f"Bouts and changes of class of '{shorten(device.device)}'",
        _totals_table(device.bouts, f"bouts-table-{serial}", caption, study, name),
        note("A bout ends at a gap; a night without a bout of a class on a side drops out of that line."),
        further=True,
    )


def _say_silence(counted_so: SilenceCounted, device: DeviceStudy, study: StudyAgreement) -> str:
    found = counted_so.agreement.primary
    ends = (
        "no interval"
        if math.isnan(found.low)
        else f"{say_level(study.options.level)} {percent_interval(found.low, found.high, 1)} over {units_of(device)}"
    )
    said = (
        f"Of the {counted(counted_so.asked, 'epoch')} to which the reference gave a class the device gave "
        f"{_what_it_gave(counted_so.silent, filled_epochs(device)[0])} it says the same in {percent(found.value, 1)} "
        f"({ends}), under '{shorten(device.mappings[0].mapping.name)}'."
    )
    left_out = [
        (counted_so.without_reference, "with a stage of the device alone"),
        (counted_so.without_class, "with a stage of the device that is in no class"),
    ]
    told = [f"{counted(epochs, 'epoch')} {which}" for epochs, which in left_out if epochs]
    return f"{said} Left out on both sides: {join_words(told)}." if told else said


def _what_it_gave(silent: int, filled: int) -> str:
    at_ends = f"{filled} in which its silence at either end was taken as wake"
    if not silent:
        return f"a stage to all but {at_ends}:" if filled else "a stage to all:"
    beside = f", beside {at_ends}" if filled else ""
    return f"no stage to {silent}{beside}. With this silence counted as disagreement"


def changes_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return whether a device follows changes between nights, None where nobody has two nights."""
    known = [
        (shorten(row.name), row.changes)
        for row in device.bias
        if row.changes is not None and row.unit == "min" and row.measure != "TIB"
    ]
    if not known:
        return None
    level = say_level(study.options.level)
    told: list[Told[tuple[str, WithinPeople]]] = [
        ("measure", lambda row: row[0]),
        ("people", lambda row: row[1].participants),
        ("nights", lambda row: row[1].nights),
        ("correlation within people", lambda row: Cell.number(row[1].correlation, 2)),
        (level, lambda row: interval(row[1].low, row[1].high, 2)),
        ("smallest detectable change (min)", lambda row: Cell.number(row[1].smallest_change, 1)),
        (level, lambda row: interval(row[1].smallest_low, row[1].smallest_high, 1)),
    ]
    said = (
        "The correlation is that of both sides about each person's own means (Bland & Altman 1995): 1 where the device "
        "follows every change between nights, 0 where it follows none. A change of the device between two nights that "
        "is smaller than the smallest detectable one comes about by its error alone in "
        f"{100 * study.options.level:g} % of pairs of nights without any change."
    )
    return section(
        f"changes-{serial}",
        f"Does '{shorten(device.device)}' follow changes between nights?",
        tabulate(f"changes-table-{serial}", "Changes between nights of a person", told, known),
        note(said),
        further=True,
    )


def groups_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return the bias of each group of nights, None where there are no two groups."""
    known = [(row, row.by_group) for row in device.bias if row.by_group is not None]
    if not known:
        return None
    rows = [
        (
            shorten(row.name),
            shorten(one.group),
            one.participants,
            one.nights,
            difference_of(row, on_printed_scale(row, one.mean)),
            interval(on_printed_scale(row, one.low), on_printed_scale(row, one.high), digits_of(row)),
            *(("", "") if i else (p_value(found.p_value), p_value(row.by_group_adjusted))),
        )
        for row, found in known
        for i, one in enumerate(found.groups)
    ]
    by = shorten(study.options.by)
    what = "ratio" if study.options.log_ratio else "bias"
    level, adjusted = say_level(study.options.level), f"adjusted for {len(known)} measures"
    heads = ("measure", by, "people", "nights", what, level, "groups differ", adjusted)
    methods = " or ".join(dict.fromkeys(found.method for _, found in known))
    return section(
        f"groups-{serial}",
        f"Bias of '{shorten(device.device)}' by {by}",
        table(f"groups-table-{serial}", f"{what.capitalize()} by {by}", heads, rows, words=(0, 1)),
        note(
            f"Method: {methods}; adjusted p values by Holm's method. Groups without a p value below .05 need not be "
            "alike."
        ),
        further=True,
    )


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
