"""A study as a page, in the order and words of the terminal."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.blocks import (
    Beside,
    Block,
    Cell,
    Description,
    Figure,
    FigureKind,
    Heading,
    Items,
    Paragraph,
    Role,
    Section,
    Table,
    beside,
    cells,
    columns,
    count_cell,
    difference_cell,
    number_cell,
    present,
    valued,
)
from sleepagree.describe.closing import caution_section, methods_section, repeat_section
from sleepagree.describe.night import confusion_figure, confusion_table
from sleepagree.describe.words import (
    DASH,
    duration,
    figure,
    interval,
    join_words,
    percent,
    percent_interval,
    plain,
    say_class,
    say_level,
    say_measure,
    say_stages,
    say_status,
    signed,
    speak,
)
from sleepagree.errors import counted, shorten
from sleepagree.figures.bias_over_nights import points_shown
from sleepagree.inference.proportions import normal_quantile
from sleepagree.inference.regression_limits import RegressionLimits
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.report.sentences import (
    finding_of_device,
    methods_of_study,
    results_of_study,
    say_intervals,
    units_of,
)
from sleepagree.scoring.clock import combined_offsets
from sleepagree.scoring.coefficients import kappa_se
from sleepagree.study.summarise import (
    BiasRow,
    DeviceComparison,
    DeviceStudy,
    StudyAgreement,
    StudyBiasSource,
    StudyMapping,
    StudyRedistribution,
)
from sleepagree.study.table import NightsTable
from sleepagree.study_text import (
    comparison_digits,
    line_equations,
    name_with_unit,
    same_epochs,
    silent_words,
    unit_word,
)

#: More nights than this are not listed in the page; nights.csv holds them all.
MOST_LISTED: Final = 500
_TABLE_WORDS: Final = {
    "accuracy": "accuracy",
    "kappa": "kappa",
    "pabak": "PABAK",
    "ac1": "AC1",
    "mcc": "MCC",
    "balanced_accuracy": "balanced accuracy",
}
_CLASS_WORDS: Final = {
    "sensitivity": "sensitivity",
    "specificity": "specificity",
    "ppv": "PPV",
    "npv": "NPV",
    "f1": "F1",
    "kappa": "kappa",
}


_UNEVEN: Final = "The spread changes with the level A, the mean of both sides, so limits as lines fit better: "


def describe_study(study: StudyAgreement, *, command: str = "", table: NightsTable | None = None) -> Description:
    """Return everything that is said about a study.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    command : str
        The command that repeats it; "" leaves it out.
    table : NightsTable, optional
        The table of nights that it was made from.
    """
    sections: list[Section | None] = [_compared(study)]
    for i, device in enumerate(study.devices):
        sections += [
            _agreement(device, study, i),
            _bias(device, study, i),
            _redistribution(device, study, i),
            _sources(device, study, i),
        ]
    sections += [_comparison(c, i) for i, c in enumerate(study.comparisons)]
    sections += [
        _scorers(study),
        _nights(study),
        caution_section(study.cautions),
        methods_section(methods_of_study(study, table=table), results_of_study(study)),
        _repeat(command, table),
    ]
    names = join_words([shorten(d.device) for d in study.devices])
    return Description(
        "sleepagree: a study",
        f"{names} against the reference" if names else "No night was scored",
        tuple(finding_of_device(device, study) for device in study.devices),
        tuple(s for s in sections if s is not None),
    )


def _repeat(command: str, table: NightsTable | None) -> Section:
    # scipy is loaded only where a number needs it
    libraries = [name for name in ("numpy", "scipy") if name in sys.modules]
    if table is None:
        return repeat_section(command, libraries=libraries)
    files = (("nights table", table.name, table.sha256),)
    section = repeat_section(command, files=files, libraries=libraries)
    if table.paired_epochs or not table.sha256:
        return section
    told = "The hashes of the files of every night stand in nights.csv and, under inputs, in results.json."
    return Section(section.name, section.title, (*section.blocks, Paragraph(told, Role.NOTE)))


# --- what was compared ------------------------------------------------------------------------------------


def _compared(study: StudyAgreement) -> Section:
    rows = []
    for device in study.devices:
        window = sum(n.window_epochs for n in device.nights)
        scored = sum(n.scored for n in device.nights)
        totals: dict[str, int] = {}
        for night in device.nights:
            for word, count in night.excluded:
                totals[word] = totals.get(word, 0) + count
        rest = ", ".join(f"{say_status(word)} {count}" for word, count in totals.items() if count) or "none"
        rows.append(
            cells(
                shorten(device.device),
                ", ".join(say_stages(device.reports)),
                count_cell(len(device.participants)),
                count_cell(len(device.nights)),
                Cell(f"{window} ({duration(window)})", window),
                Cell(f"{scored} ({percent(scored / window, 1)})", scored),
                rest,
            )
        )
    header = (
        "device",
        "can report",
        "participants",
        "nights",
        "epochs in the windows",
        "scored on both sides",
        "not scored",
    )
    blocks: list[Block | None] = [
        Table("devices", "Devices, nights and epochs", columns(*header, words=(0, 1, 6)), tuple(rows)),
        _refused(study),
    ]
    return Section("compared", "What was compared", present(*blocks))


def _refused(study: StudyAgreement) -> Table | None:
    if not study.refused:
        return None
    rows = tuple(
        cells(str(r.row), shorten(r.participant), shorten(r.night), shorten(r.device), plain(r.reason))
        for r in study.refused
    )
    caption = f"{len(study.refused)} of {study.given} nights were refused"
    heads = columns("line", "participant", "night", "device", "reason", words=range(5))
    return Table("refused", caption, heads, rows)


# --- agreement --------------------------------------------------------------------------------------------


def interval_words(found: BootstrapIntervals, digits: int = 3) -> str:
    """Return the interval of a value, or a dash."""
    estimate = found.primary
    return interval(estimate.low, estimate.high, digits)


def _value(found: BootstrapIntervals, digits: int = 3) -> Cell:
    return number_cell(found.primary.value, digits)


def _with_interval(found: BootstrapIntervals, digits: int = 2) -> Cell:
    alone = _value(found, digits)
    return (
        alone if math.isnan(found.primary.low) else Cell(f"{alone.text} ({interval_words(found, digits)})", alone.worth)
    )


def _agreement(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section:
    blocks: list[Block | None] = []
    for k, studied in enumerate(device.mappings):
        blocks += _one_mapping(studied, device, study, f"{serial}-{k}")
    blocks.insert(0, Paragraph(say_intervals(device, study), Role.NOTE))
    return Section(f"agreement-{serial}", f"Agreement of {shorten(device.device)}", present(*blocks))


def _one_mapping(studied: StudyMapping, device: DeviceStudy, study: StudyAgreement, name: str) -> list[Block | None]:
    mapping = studied.mapping
    square = next((m for m in device.mappings if m.mapping.is_square), None)
    left: list[Block | None] = [
        confusion_figure(studied, name=f"confusion-{name}", of=f", {shorten(device.device)}"),
        confusion_table(studied.counts, mapping, name=f"counts-{name}"),
    ]
    right: list[Block | None] = [_statistics(studied, device, study, name), _ceiling(studied)]
    return [
        Heading(f"Under '{shorten(mapping.name)}'"),
        Paragraph(plain(mapping.assumption)) if mapping.assumption else None,
        beside(left, right),
        _classes(studied, study, name),
        _night_kappas(studied, device, study, name) if studied is square else None,
    ]


def _statistics(studied: StudyMapping, device: DeviceStudy, study: StudyAgreement, name: str) -> Table:
    rows = []
    for key, word in _TABLE_WORDS.items():
        found = studied.find(key)
        if found is None or not found.pooled.primary.defined:
            continue
        sd = number_cell(found.averaged_sd, 3)
        rows.append(cells(word, _with_interval(found.pooled, 3), _with_interval(found.averaged, 3), sd))
    left = f"; {studied.left_out} left out by the mapping" if studied.left_out else ""
    units = units_of(device)
    header = ("", "pooled", f"mean of {units}", f"SD between {units}")
    level = say_level(study.options.level)
    return Table(
        f"statistics-{name}",
        f"Agreement over {int(studied.counts.sum())} epochs{left}, with {level}",
        columns(*header),
        tuple(rows),
    )


def _ceiling(studied: StudyMapping) -> Paragraph | None:
    ceiling = studied.ceiling
    if math.isnan(ceiling.accuracy) or ceiling.accuracy >= 1 or studied.mapping.is_square:
        return None
    return Paragraph(
        f"The best any device with these labels could reach on these nights: {figure(ceiling.accuracy, 3)} accuracy, "
        f"{figure(ceiling.kappa, 3)} kappa."
    )


def _classes(studied: StudyMapping, study: StudyAgreement, name: str) -> Table:
    rows = []
    for class_name in studied.mapping.device_classes:
        found = [studied.find(key, class_name) for key in _CLASS_WORDS]
        shown = [Cell(DASH) if f is None else _with_interval(f.pooled) for f in found]
        rows.append(cells(say_class(class_name), *shown))
    caption = f"Each class against the rest, pooled, with {say_level(study.options.level)}"
    return Table(f"classes-{name}", caption, columns("class", *_CLASS_WORDS.values()), tuple(rows))


def _night_kappas(studied: StudyMapping, device: DeviceStudy, study: StudyAgreement, name: str) -> Figure | None:
    kappa = studied.night_kappa
    known = ~np.isnan(kappa)
    if not known.any():
        return None
    reach = normal_quantile(study.options.level) * kappa_se(studied.night_counts)
    pooled = studied.find("kappa")
    estimate = None if pooled is None else pooled.pooled.primary
    quarter, middle, upper = np.quantile(kappa[known], [0.25, 0.5, 0.75])
    said = (
        f"Kappa of {int(known.sum())} nights from {kappa[known].min():.2f} to {kappa[known].max():.2f}, median "
        f"{middle:.2f}, middle half from {quarter:.2f} to {upper:.2f}"
    )
    if estimate is not None and estimate.defined:
        said += f"; pooled {estimate.value:.2f} ({estimate.low:.2f} to {estimate.high:.2f})"
    return Figure(
        f"kappas-{name}",
        FigureKind.NIGHT_KAPPAS,
        {
            "kappa": kappa,
            "low": kappa - reach,
            "high": kappa + reach,
            "participant": [n.participant for n in device.nights],
            "night": [n.night for n in device.nights],
            "pooled": estimate,
        },
        title=f"Kappa of every night of {shorten(device.device)} under {shorten(studied.mapping.name)}",
        description=f"{said}.",
        caption=(
            f"{said}. Whiskers take the epochs of a night as independent and are too narrow; the band is the interval "
            f"of the pooled kappa over {units_of(device)}."
        ),
    )


# --- bias -------------------------------------------------------------------------------------------------


def _bias(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    if not device.bias:
        return None
    blocks: list[Block | None] = [
        _limits_table(device, study, serial),
        _shape_table(device, study, serial),
        _equivalence(device, serial),
        _method_words(device),
        *_bias_figures(device, study, serial),
    ]
    return Section(f"bias-{serial}", f"Bias of {shorten(device.device)}", present(*blocks))


def _limits_table(device: DeviceStudy, study: StudyAgreement, serial: int) -> Table:
    ratios = study.options.log_ratio
    digits = 3 if ratios else 1
    said = number_cell if ratios else difference_cell
    rows = []
    for row in device.bias:
        limits = row.printed
        rows.append(
            cells(
                name_with_unit(row),
                count_cell(limits.nights),
                number_cell(limits.reference_mean, 1),
                number_cell(limits.device_mean, 1),
                said(limits.bias, digits),
                interval(limits.bias_low, limits.bias_high, digits),
                said(limits.lower, digits),
                interval(limits.lower_low, limits.lower_high, digits),
                said(limits.upper, digits),
                interval(limits.upper_low, limits.upper_high, digits),
            )
        )
    level = say_level(study.options.level)
    header = (
        "measure", "nights", "reference", "device", "ratio" if ratios else "bias", level, "lower limit", level,
        "upper limit", level,
    )  # fmt: skip
    caption = (
        "Ratio device / reference and its limits of agreement, from log ratios; the sides' means are geometric"
        if ratios
        else "Bias (device − reference) and limits of agreement"
    )
    return Table(f"limits-{serial}", caption, columns(*header), tuple(rows), sortable=True)


def _shape_table(device: DeviceStudy, study: StudyAgreement, serial: int) -> Table:
    ratios = study.options.log_ratio
    digits = 3 if ratios else 1
    rows = []
    for row in device.bias:
        limits, icc, ccc = row.printed, row.reliability.icc, row.reliability.ccc
        rows.append(
            cells(
                name_with_unit(row),
                number_cell(limits.sd, digits),
                difference_cell(limits.slope, 2),
                interval(limits.slope_low, limits.slope_high, 2),
                difference_cell(limits.spread_slope, 2),
                interval(limits.spread_slope_low, limits.spread_slope_high, 2),
                number_cell(limits.mae, digits),
                number_cell(icc.value, 2),
                interval(icc.low, icc.high, 2),
                number_cell(ccc.value, 2),
            )
        )
    level = say_level(study.options.level)
    header = (
        "measure", "geometric SD of ratios" if ratios else "SD of differences", "slope on level", level,
        "slope of spread", level, "mean factor of error" if ratios else "mean absolute error", "ICC(A,1)", level, "CCC",
    )  # fmt: skip
    caption = "How differences depend on the level, and how well nights are told apart"
    if ratios:
        caption += "; slopes are of the log ratio on the mean logarithm"
    return Table(f"shape-{serial}", caption, columns(*header), tuple(rows), sortable=True)


def _equivalence(device: DeviceStudy, serial: int) -> Table | None:
    words = {True: "within the margin", False: "not shown to be within", None: "undecided"}
    rows = tuple(
        cells(
            shorten(row.name),
            f"±{row.equivalence.margin_high:g} {unit_word(row.unit)}",
            interval(row.equivalence.low, row.equivalence.high, 1),
            number_cell(row.equivalence.p_value, 3),
            words[row.equivalence.equivalent],
        )
        for row in device.bias
        if row.equivalence is not None
    )
    if not rows:
        return None
    header = ("measure", "margin stated beforehand", "90 % interval of the bias", "p", "verdict")
    return Table(f"equivalence-{serial}", "Two one-sided tests of the bias", columns(*header, words=(0, 4)), rows)


def _method_words(device: DeviceStudy) -> Paragraph:
    methods = dict.fromkeys(row.limits.method for row in device.bias)
    of_note: dict[str, list[str]] = {}
    for row in device.bias:
        for note in row.limits.notes:
            of_note.setdefault(note, []).append(row.name)
        if row.of_ratios and math.isnan(row.limits.bias):
            of_note.setdefault(row.limits.reason("bias"), []).append(row.name)
    for row in device.bias:
        if row.lines is not None:
            of_note.setdefault(_UNEVEN + _equations(row.lines) + ".", []).append(row.name)
    notes = [f"{join_words(names)}: {note}" for note, names in of_note.items()]
    return Paragraph(plain(" ".join([f"Method: {'; or '.join(methods)}.", *notes])), Role.NOTE)


def _bias_figures(device: DeviceStudy, study: StudyAgreement, serial: int) -> list[Block | None]:
    who = [n.participant for n in device.nights]
    shown = [row for row in device.bias if row.is_drawn]
    blocks: list[Block | None] = []
    for k, row in enumerate(shown):
        blocks.append(_pair_of_figures(row, who, f"{serial}-{k}", device.device))
    if study.options.log_ratio:
        return blocks
    by_size = sorted(shown, key=lambda row: -abs(row.limits.bias) if not math.isnan(row.limits.bias) else 0.0)
    looked_at = [row for row in by_size[:2] if row.limits.participants > 2]
    if looked_at:
        views = [_normal_look(row, who, f"normal-{serial}-{k}") for k, row in enumerate(looked_at)]
        blocks += [Heading("Are differences near a normal law?"), beside(*views)]
    return blocks


def _pair_of_figures(row: BiasRow, who: Sequence[str], name: str, device: str) -> Beside:
    measure = row.name
    limits = row.printed
    data: dict[str, Any] = {
        "reference": row.reference,
        "device": row.device,
        "participant": who,
        "measure": measure,
        "unit": row.unit,
    }
    lines = row.lines
    of = f"{measure}, {shorten(device)}"
    mean = (
        f"{counted(limits.nights, 'night')} of {counted(limits.participants, 'participant')}; "
        f"{'geometric ' if row.of_ratios else ''}mean "
        f"{figure(limits.reference_mean, 1)} by the reference, {figure(limits.device_mean, 1)} by the device"
    )
    if row.of_ratios:
        said = (
            f"ratio device / reference {figure(limits.bias, 3)} ({interval(limits.bias_low, limits.bias_high, 3)}), "
            f"limits of agreement {interval(limits.lower, limits.upper, 3)}"
        )
    else:
        said = (
            f"bias {signed(limits.bias)} ({interval(limits.bias_low, limits.bias_high, 1)}), limits of agreement "
            f"{signed(limits.lower)} to {signed(limits.upper)}"
        )
    drawn = "Bars beside the axes are the intervals of bias and limits."
    if lines is not None:
        drawn = (
            "The spread changes with the level, so the limits are drawn as lines in the mean A of both sides (Bland & "
            f"Altman 1999, section 3.2): {_equations(lines)}."
        )
    elif row.of_ratios:
        drawn = "Limits of the ratio fan out from the origin."
    return beside(
        Figure(
            f"both-{name}",
            FigureKind.MINUTES,
            data,
            title=f"Device against reference: {of}",
            description=f"{mean}.",
            caption=f"Every night by both sides; on the line they are equal. {mean}.",
        ),
        Figure(
            f"level-{name}",
            FigureKind.BIAS_AGAINST_LEVEL,
            {**data, "limits": row.limits, "lines": lines},
            title=f"Difference against level: {of}",
            description=f"{said}.",
            caption=f"Device minus reference against the mean of both: {said}. {drawn}",
        ),
    )


def _equations(lines: RegressionLimits) -> str:
    return line_equations(lines).replace(" - ", " − ")


def _normal_look(row: BiasRow, who: Sequence[str], name: str) -> Figure:
    measure = row.name
    shown = points_shown(row.limits.participants).size
    drawn = "" if shown == row.limits.participants else f" {shown} of them are drawn, all at the two ends."
    return Figure(
        name,
        FigureKind.NORMAL_LOOK,
        {
            "reference": row.reference,
            "device": row.device,
            "participant": who,
            "measure": measure,
            "unit": row.unit,
        },
        title=f"Normal quantiles: {measure}",
        description=(
            f"Mean differences of {row.limits.participants} participants in order, against the quantiles of a normal "
            "law."
        ),
        caption=(
            f"Mean differences in {measure} of {row.limits.participants} participants. Points along the line support "
            f"limits of agreement that take them as normal; a bend or a stray point speaks against them.{drawn}"
        ),
    )


# --- redistribution and sources ---------------------------------------------------------------------------


def _redistribution(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    traced = [t for t in device.redistribution if t.epochs]
    if not device.redistribution:
        return None
    name = shorten(device.device)
    stages = join_words([speak(t.stage) for t in device.redistribution])
    blocks: list[Block | None] = [
        Paragraph(f"The reference scored no {speak(t.stage)} that {name} staged, too.")
        for t in device.redistribution
        if not t.epochs
    ]
    if traced:
        said = "; ".join(
            f"{speak(t.stage)}: "
            + ", ".join(
                f"{percent(d.share.value)} as {speak(d.name)} ({d.minutes.value:.1f} min a night)" for d in t.to
            )
            for t in traced
        )
        drawing = Figure(
            f"unreported-{serial}",
            FigureKind.REDISTRIBUTION,
            traced,
            title=f"Where the epochs went that {name} has no label for",
            description=f"{said}.",
            caption=f"Shares of the pooled epochs with {say_level(study.options.level)} over {units_of(device)}.",
        )
        blocks.append(beside(drawing, [_shares_table(t, study, serial) for t in traced]))
    return Section(f"redistribution-{serial}", f"Where {stages} went with {name}", present(*blocks))


def _shares_table(traced: StudyRedistribution, study: StudyAgreement, serial: int) -> Table:
    rows = []
    for d in traced.to:
        share = d.share.primary
        ends = percent_interval(share.low, share.high)
        part = percent(d.share_of_class, 1)
        rows.append(
            cells(
                say_class(d.name),
                valued(percent(share.value, 1), share.value),
                ends,
                _value(d.minutes, 1),
                interval_words(d.minutes, 1),
                part,
            )
        )
    level = say_level(study.options.level)
    header = ("taken as", "share", level, "min a night", level, "part of class")
    return Table(
        f"went-{serial}-{traced.stage}",
        f"{traced.epochs / 2:.1f} min of {speak(traced.stage)} in all",
        columns(*header),
        tuple(rows),
    )


def _sources(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    if not device.bias_sources:
        return None
    sentences = [say_bias_source(source.per_night) for source in device.bias_sources]
    drawing = Figure(
        f"sources-{serial}",
        FigureKind.BIAS_SOURCES,
        [source.per_night for source in device.bias_sources],
        title=f"What the bias of each class is made of, {shorten(device.device)}",
        description="; ".join(sentences) + ".",
        caption=(
            f"Minutes a night (mean of {units_of(device)}) gained from (filled) and lost to (hollow) each other "
            "class; the last step of each class is its bias. The steps add up exactly."
        ),
    )
    rows = tuple(row for source in device.bias_sources for row in _source_rows(source))
    table = Table(
        f"sources-table-{serial}",
        "Minutes a night, device − reference",
        columns("class", "part", "min a night", say_level(study.options.level), words=(0, 1)),
        rows,
    )
    title = f"Where each bias of {shorten(device.device)} comes from"
    return Section(f"sources-of-bias-{serial}", title, (beside(drawing, table),))


def _source_rows(source: StudyBiasSource) -> list[tuple[Cell, ...]]:
    ends = {key: (low, high) for key, low, high in source.intervals}
    own = source.per_night
    name = say_class(own.name)
    rows = []
    for other, minutes in sorted(own.gained, key=lambda part: -part[1]):
        low, high = ends.get(f"from {other}", (math.nan, math.nan))
        rows.append(cells(name, f"from {say_class(other)}", difference_cell(minutes), interval(low, high, 1)))
    for other, minutes in sorted(own.lost, key=lambda part: -part[1]):
        low, high = ends.get(f"to {other}", (math.nan, math.nan))
        rows.append(cells(name, f"lost to {say_class(other)}", difference_cell(-minutes), interval(-high, -low, 1)))
    low, high = ends.get("bias", (math.nan, math.nan))
    rows.append(cells(name, "bias", difference_cell(own.bias_min), interval(low, high, 1)))
    return rows


# --- comparisons, scorers, nights -------------------------------------------------------------------------


def _comparison(comparison: DeviceComparison, serial: int) -> Section:
    first, second = shorten(comparison.first), shorten(comparison.second)
    rows = []
    for d in (*comparison.differences, comparison.with_silence):
        digits = comparison_digits(d)
        of = shorten(say_measure(d.class_name)) if d.statistic == "absolute error" else say_class(d.class_name)
        rows.append(
            cells(
                f"{d.statistic} {of}".strip(),
                number_cell(d.first, digits),
                number_cell(d.second, digits),
                _value(d.difference, digits),
                interval_words(d.difference, digits),
                number_cell(d.own_first, digits),
                number_cell(d.own_second, digits),
            )
        )
    caption = (
        f"{counted(comparison.nights, 'night')} of {counted(comparison.participants, 'participant')} under "
        f"'{shorten(comparison.mapping)}', on the {counted(comparison.epochs, 'epoch')} that both scored; "
        f"difference = {second} − {first}; absolute errors in the measure's unit"
    )
    own = [f"{name}, own {epochs}" for name, epochs in zip((first, second), comparison.own_epochs, strict=True)]
    header = ("", first, second, "difference", "interval", *own)
    table = Table(f"against-{serial}", caption, columns(*header), tuple(rows))
    told = Paragraph(f"{same_epochs(comparison)}; {silent_words(comparison)}.")
    note = Paragraph(
        f"Where silence counts as disagreement, the share is of the {counted(comparison.asked, 'epoch')} that the "
        "reference gave a class. The last two columns are each device on all epochs that it scored itself, as many as "
        "stand in their heads: a device that is silent where it would be wrong looks better there, so they are not to "
        "be compared with each other.",
        Role.NOTE,
    )
    return Section(f"comparison-{serial}", f"{second} against {first}", (told, table, note))


def _scorers(study: StudyAgreement) -> Section | None:
    if not study.scorers:
        return None
    rows = tuple(
        cells(
            shorten(s.device),
            shorten(s.mapping),
            Cell(s.nights_told, s.nights),
            figure(s.between_scorers, 3),
            figure(s.with_scorers, 3),
            percent(s.share),
            _percent_range(s.share_intervals),
            figure(s.with_consensus, 3),
        )
        for s in study.scorers
    )
    header = (
        "device", "mapping", "nights", "between scorers", "device with each scorer", "share of that", "interval",
        "device with the consensus",
    )  # fmt: skip
    caption = "Mean kappa over nights with several scorers; every row is of the same nights throughout"
    table = Table("scorers-table", caption, columns(*header, words=(0, 1)), rows)
    return Section("scorers", "Scorers", (table,))


def _percent_range(found: BootstrapIntervals) -> str:
    low, high = found.primary.low, found.primary.high
    return DASH if math.isnan(low) else f"{100 * low:.0f} to {100 * high:.0f} %"


def _nights(study: StudyAgreement) -> Section | None:
    of_all = sum(len(device.nights) for device in study.devices)
    if not of_all:
        return None
    listed = [row for device in study.devices for row in _night_rows(device, MOST_LISTED)][:MOST_LISTED]
    offsets = tuple(
        f"clock of {shorten(d.device)}: {combined_offsets([n.best_offset_s for n in d.nights])[2]}"
        for d in study.devices
    )
    more = f", the first {len(listed)} of {of_all}; nights.csv holds all" if of_all > len(listed) else ""
    squares = dict.fromkeys(m.mapping.name for d in study.devices for m in d.mappings if m.mapping.is_square)
    header = ("participant", "night", "device", "scored", "accuracy", "kappa", "best clock offset (s)")
    table = Table("nights-table", f"Nights{more}", columns(*header, words=(0, 1, 2)), tuple(listed), sortable=True)
    blocks: list[Block] = [
        table,
        Items(
            (
                "accuracy is that of each device's first mapping; kappa that of its first mapping that has one "
                f"({join_words([shorten(s) for s in squares])})"
                if squares
                else "no mapping has a kappa",
                "the clock offset is the one at which kappa would be highest; nothing was shifted",
                *offsets,
            )
        ),
    ]
    return Section("nights", "Nights", tuple(blocks))


def _night_rows(device: DeviceStudy, most: int) -> Iterator[tuple[Cell, ...]]:
    """Yield a line for each night of a device, ``most`` at most."""
    square = next((m for m in device.mappings if m.mapping.is_square), None)
    first = device.mappings[0]
    for i, night in enumerate(device.nights[:most]):
        kappa = math.nan if square is None else float(square.night_kappa[i])
        accuracy = float(first.night_accuracy[i])
        yield cells(
            shorten(night.participant),
            shorten(night.night),
            shorten(night.device),
            valued(percent(night.scored / night.window_epochs, 1), night.scored / night.window_epochs),
            number_cell(accuracy, 3),
            number_cell(kappa, 3),
            difference_cell(night.best_offset_s, 0),
        )
