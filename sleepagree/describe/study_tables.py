"""The tables of a study as a paper prints them: rounded, each with a caption that says of how many nights it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from sleepagree.describe.blocks import Cell, Table, Told, can_differ, table, tabulate
from sleepagree.describe.night import confusion_table
from sleepagree.describe.paragraphs import say_classes
from sleepagree.describe.study_agreement import class_table, comparison_table, shares_table, statistics_table
from sleepagree.describe.study_bias import bias_cell, name_with_unit
from sleepagree.describe.study_margins import margins_table
from sleepagree.describe.study_paragraphs import account, file_ending, is_main_measure, say_under_first, units_of
from sleepagree.describe.words import file_words, minutes, nights_of, say_level, speak
from sleepagree.errors import counted, shorten
from sleepagree.hypnogram.ledger import say_status
from sleepagree.study.results import BiasRow, DeviceStudy, StudyAgreement


def tables_of_study(study: StudyAgreement) -> dict[str, tuple[Table, ...]]:
    """Return the tables to print of a study.

    Parameters
    ----------
    study : StudyAgreement
        The study.

    Returns
    -------
    dict of str to tuple of Table
        Name of a file, without its ending -> its tables. Where there are several devices, the name ends with the
        device's, as those of figures do.
    """
    found: dict[str, tuple[Table, ...]] = {}
    for serial, device in enumerate(study.devices):
        ending = file_ending(serial, study)
        found |= {
            f"{name}{ending}": tables
            for name, tables in (
                ("bias", _bias(device, study)),
                ("confusion", tuple(_confusion(device))),
                ("where-stages-went", tuple(_went(device, study))),
                ("agreement", tuple(_agreement(device, study))),
                ("accounting", (_accounting(device, study),)),
            )
            if tables
        }
    names = dict(zip((d.device for d in study.devices), file_words([d.device for d in study.devices]), strict=True))
    for i, compared in enumerate(study.comparisons):
        ending = f"_{names[compared.first]}_{names[compared.second]}" if len(names) > 2 else ""
        found[f"comparison{ending}"] = (comparison_table(compared, study, f"comparison-{i}"),)
    return found


def _of(device: DeviceStudy) -> str:
    return nights_of(len(device.nights), len(device.participants))


def _with_intervals(device: DeviceStudy, study: StudyAgreement) -> str:
    return f"{_of(device)}, with {say_level(study.options.level)}s over {units_of(device)}"


def _bias(device: DeviceStudy, study: StudyAgreement) -> tuple[Table, ...]:
    shown = sorted((r for r in device.bias if can_differ(r.measure)), key=lambda r: not is_main_measure(r.measure))
    if not shown:
        return ()
    ratio = study.options.log_ratio
    told: list[Told[BiasRow]] = [
        ("measure", name_with_unit),
        ("nights", lambda row: row.limits.nights),
        ("reference", lambda row: Cell.number(row.printed.reference_mean, 1)),
        ("device", lambda row: Cell.number(row.printed.device_mean, 1)),
        ("ratio" if ratio else "bias", bias_cell),
        ("lower limit", lambda row: bias_cell(row, "lower")),
        ("upper limit", lambda row: bias_cell(row, "upper")),
    ]
    what = "Ratio device / reference (means are geometric)" if ratio else "Bias (device − reference)"
    caption = (
        f"{what} and limits of agreement of {shorten(device.device)}: {_with_intervals(device, study)} in brackets"
        + ("" if ratio else "; pp: percentage points")
        + say_under_first(device)
    )
    tested = f"Tests against margins stated beforehand, {shorten(device.device)}: {_of(device)}"
    margins = margins_table(shown, tested)
    return (tabulate("bias", caption, told, shown), *([margins] if margins.rows else []))


def _confusion(device: DeviceStudy) -> Iterator[Table]:
    for studied in device.mappings:
        caption = (
            f"Epochs of 30 s by stage of the reference (rows) and of {shorten(device.device)} (columns), and their "
            f"share of the row, in {say_classes(studied.mapping, device.reports)}: {_of(device)}"
        )
        yield replace(confusion_table(studied.counts, studied.mapping, name="confusion"), caption=caption)


def _went(device: DeviceStudy, study: StudyAgreement) -> Iterator[Table]:
    for traced in device.redistribution:
        if traced.epochs:
            caption = (
                f"What {shorten(device.device)}, which has no label for {speak(traced.stage)}, took the "
                f"{minutes(traced.epochs)} of {speak(traced.stage)} for: {_with_intervals(device, study)}; part of "
                f"class: what share of the device's class is {speak(traced.stage)}"
            )
            yield replace(shares_table(traced, study, 0), caption=caption)


def _agreement(device: DeviceStudy, study: StudyAgreement) -> Iterator[Table]:
    for studied in device.mappings:
        of = f"{shorten(device.device)} in {say_classes(studied.mapping, device.reports)}"
        over = f"{counted(int(studied.counts.sum()), 'epoch')}, {_with_intervals(device, study)}"
        whole = statistics_table(studied, device, study, "agreement")
        yield replace(whole, caption=f"Agreement of {of}: {over}")
        yield replace(class_table(studied, study, "classes"), caption=f"Each class against the rest, {of}: {over}")


def _accounting(device: DeviceStudy, study: StudyAgreement) -> Table:
    """Return what became of every epoch of the windows, as the ledgers of the nights have it."""
    window, scored, excluded = account(device)
    told = [("in the windows", window), *((say_status(word), count) for word, count in excluded.items())]
    told.append(("scored on both sides", scored))
    told += [
        (f"of these left out in {say_classes(m.mapping, device.reports)}", m.left_out)
        for m in device.mappings
        if m.left_out
    ]
    rows = ((what, n, Cell.share(n / window, 1)) for what, n in told)
    refused = sum(refusal.device == device.device for refusal in study.refused)
    outside = [sum(getattr(n, f"outside_{side}") for n in device.nights) for side in ("reference", "device")]
    caption = (
        f"What became of the epochs of {shorten(device.device)} and its reference: {_of(device)}, {refused} more could "
        f"not be scored; share of the epochs in the windows. Outside the windows lie {counted(outside[0], 'epoch')} of "
        f"the reference and {outside[1]} of the device"
    )
    return table("accounting", caption, ("epochs", "number", "share"), rows)
